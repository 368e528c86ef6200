"""One way to compile a kernel: cached between runs, free of the interpreter's lock.

Import a module that uses this inside the function that needs it, not at the top: loading
the compiler takes a good part of a second, which a help text or a window must not wait for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import njit

__all__ = ["compiled", "compiled_sums"]

_Kernel = TypeVar("_Kernel", bound=Callable[..., object])


def compiled(function: _Kernel) -> _Kernel:
    """Compile ``function`` on its first call, keep the result beside the module."""
    return cast(_Kernel, njit(cache=True, nogil=True)(function))


def compiled_sums(function: _Kernel) -> _Kernel:
    """Compile as `compiled` does a function that only adds up: in any order, several at a time."""
    loose = {"reassoc", "nsz", "contract"}
    return cast(_Kernel, njit(cache=True, nogil=True, fastmath=loose)(function))
