"""One way to compile a kernel: cached between runs, free of the interpreter's lock.

Import a module that uses this inside the function that needs it, not at the top: loading
the compiler takes a good part of a second, which a help text or a window must not wait for.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, cast

from numba import njit

__all__ = ["compiled", "is_first_run"]

_Kernel = TypeVar("_Kernel", bound=Callable[..., object])


def compiled(function: _Kernel) -> _Kernel:
    """Compile ``function`` on its first call, keep the result beside the module."""
    return cast(_Kernel, njit(cache=True, nogil=True)(function))


def is_first_run() -> bool:
    """Return True where no kernel has been compiled yet, so that the next job takes longer."""
    beside = Path(__file__).parent
    # elsewhere (a folder that can't be written, or one that was set) nobody can tell
    if os.environ.get("NUMBA_CACHE_DIR") or not os.access(beside, os.W_OK):
        return False
    return next((beside / "__pycache__").glob("*.nbi"), None) is None
