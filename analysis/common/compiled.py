"""One way to compile a kernel: cached between runs, free of the interpreter's lock.

Import a module that uses this inside the function that needs it, not at the top: loading
the compiler takes a good part of a second, which a help text or a window must not wait for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit
from numba.core.dispatcher import Dispatcher

__all__ = ["compiled", "is_first_run"]

_Kernel = TypeVar("_Kernel", bound=Callable[..., object])


def compiled(function: _Kernel) -> _Kernel:
    """Compile ``function`` on its first call, keep the result beside the module."""
    return cast(_Kernel, njit(cache=True, nogil=True)(function))


def is_first_run() -> bool:
    """Return True where a screening has to compile first, so that it takes a minute longer.

    Asks the compiler's cache for one kernel of every step of a screening.
    """
    return not all(_is_kept(kernel) for kernel in _kernels_of_a_screening())


def _kernels_of_a_screening() -> tuple[Any, ...]:
    from analysis.earthwork.area_kernels import areas_kernel
    from analysis.edges.kernels import pair_evidence
    from analysis.shoulder.fitting_kernels import fit_windows
    from analysis.shoulder.section_kernels import section_means
    from analysis.verdict.labelling_kernels import cheapest_path

    return pair_evidence, fit_windows, section_means, areas_kernel, cheapest_path


def _is_kept(kernel: Any) -> bool:
    if not isinstance(kernel, Dispatcher):  # compiling is switched off
        return True
    # The compiler's own index knows what the source was like; dates don't, which a copy or a
    # checkout changes.
    index = getattr(getattr(kernel, "_cache", None), "_cache_file", None)
    try:
        return bool(index._load_index())  # type: ignore[union-attr]
    except (AttributeError, OSError):
        # better no word than a wrong one before every screening
        return True
