"""Memory that is free: shared by all threads, or given back to the system."""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress

__all__ = ["give_back", "share_freed"]

_ARENAS, _LARGE, _TOP = -8, -3, -1
"""Parameters of the GNU C library's `mallopt` (malloc.h): the most arenas, the size from which on
an array is asked of the system by itself, and what may be free at the top before it goes back."""

_LARGE_BYTES, _TOP_BYTES = 2**25, 2**28
"""The greatest size that library takes, and as much as a piece of road frees between two steps."""


def give_back() -> None:
    """Give back what the C library keeps of freed arrays for the next ones.

    It keeps it thread by thread and size by size: after measuring, some hundreds of MB that tables
    of another shape can't use. Elsewhere than on Linux with the GNU C library nothing is done.
    """
    if sys.platform == "linux":
        with suppress(AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def share_freed() -> None:
    """Let arrays of any thread take the place of those that another one freed, from now on.

    Otherwise each thread that is started gets room of its own, whose pages have to be fetched and
    zeroed anew: that took an eighth of a screening's time and 150 MB. Call it before threads are
    started; it holds for the whole process. Elsewhere than on Linux with the GNU C library nothing
    is done.
    """
    if sys.platform == "linux":
        with suppress(AttributeError):
            library = ctypes.CDLL(None)
            for parameter, value in ((_ARENAS, 1), (_LARGE, _LARGE_BYTES), (_TOP, _TOP_BYTES)):
                library.mallopt(parameter, value)
