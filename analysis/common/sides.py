"""The two sides of a road and where a break came from: one order, one sign, one word each.

Arrays over sides have a last axis of two, left then right, looking up-station. The distance
outward on a side is ``u = SIDE_SIGN[side] * offset``.
"""

from enum import IntEnum

__all__ = ["SIDES", "SIDE_SIGN", "Source"]

SIDES = ("left", "right")
SIDE_SIGN = (-1.0, 1.0)


class Source(IntEnum):
    """Where an edge or a hinge comes from; arrays hold the numbers as int8."""

    NOMINAL = 0
    FOUND = 1
    GIVEN = 2

    @property
    def word(self) -> str:
        """How findings and sheets write it."""
        return self.name.lower()
