"""What may be said of a stretch of shoulder: one word each, as files, tables and programs read it.

Each is a text, so that it is written, compared and looked up like one.
"""

from enum import StrEnum

__all__ = [
    "CLEANING",
    "DEEPEST_RUT_MM",
    "DEFECTS",
    "HOLDING",
    "REPLENISHING",
    "RESHAPING",
    "Finding",
    "Treatment",
    "Verdict",
]


DEEPEST_RUT_MM = 300.0
"""No shoulder has a deeper rut: where only such would show, none does."""

_CANT_TELL, _NO_DATA = "can't tell", "no data"


class Verdict(StrEnum):
    """Whether water leaves the road; unknown is never "sheds"."""

    SHEDS = "sheds"
    WONT_SHED = "won't shed"
    CANT_TELL = _CANT_TELL
    NO_DATA = _NO_DATA


class Finding(StrEnum):
    """What is most likely wrong.

    The order, faults worst first, is that of the label numbers of `analysis.verdict.labelling`;
    what comes after "no data" is found for whole reaches only.
    """

    NONE = "none"
    ERODED_EDGE = "eroded edge"
    HIGH = "high"
    KERB_OR_HIGH = "kerb or high shoulder"
    RUTTED = "rutted"
    REVERSED = "reversed"
    FLAT = "flat"
    PONDING = "ponding"
    TOO_STEEP = "too steep"
    BREAKOVER = "breakover"
    CANT_TELL = _CANT_TELL
    NO_DATA = _NO_DATA
    BLOCKED_DITCH = "blocked ditch"


DEFECTS = tuple(Finding)[1:10]
"""Findings that are faults of the shoulder, worst first."""

HOLDING = (Finding.HIGH, Finding.KERB_OR_HIGH, Finding.REVERSED, Finding.FLAT, Finding.PONDING)
"""Those that keep water on the road; past the others it leaves."""


class Treatment(StrEnum):
    """The work that a reach asks for."""

    NONE = "none"
    RESHAPE = "reshape"
    REPLENISH = "replenish"
    CLEAN_DITCH = "clean ditch"
    RESHAPE_AND_CLEAN = "reshape and clean ditch"
    REPLENISH_AND_CLEAN = "replenish and clean ditch"
    CANT_TELL = _CANT_TELL

    def with_ditch(self) -> "Treatment":
        """The same work with the ditch cleaned too."""
        return _WITH_DITCH.get(self, self)


_WITH_DITCH = {
    Treatment.NONE: Treatment.CLEAN_DITCH,
    Treatment.RESHAPE: Treatment.RESHAPE_AND_CLEAN,
    Treatment.REPLENISH: Treatment.REPLENISH_AND_CLEAN,
}

RESHAPING = (Treatment.RESHAPE, Treatment.RESHAPE_AND_CLEAN)
REPLENISHING = (Treatment.REPLENISH, Treatment.REPLENISH_AND_CLEAN)
CLEANING = tuple(_WITH_DITCH.values())
"""Treatments by the work they hold."""
