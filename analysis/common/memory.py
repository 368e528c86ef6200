"""Memory that is free, given back to the system."""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress

__all__ = ["give_back"]


def give_back() -> None:
    """Give back what the C library keeps of freed arrays for the next ones.

    It keeps it thread by thread and size by size: after measuring, some hundreds of MB that tables
    of another shape can't use. Elsewhere than on Linux with the GNU C library nothing is done.
    """
    if sys.platform == "linux":
        with suppress(AttributeError):
            ctypes.CDLL(None).malloc_trim(0)
