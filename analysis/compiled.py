"""One way to compile a kernel: cached between runs, free of the interpreter's lock.

Import a module that uses this inside the function that needs it, not at the top: loading
the compiler takes a good part of a second, which a help text or a window must not wait for.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
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

    Looks for the files that the compiler would read, of one kernel for every step of a screening.
    """
    return not all(_is_kept(kernel) for kernel in _kernels_of_a_screening())


def _kernels_of_a_screening() -> tuple[Any, ...]:
    from analysis.area_kernels import areas_kernel
    from analysis.break_kernels import pair_evidence
    from analysis.fitting_kernels import fit_windows
    from analysis.labelling_kernels import cheapest_path
    from analysis.section_kernels import section_means

    return pair_evidence, fit_windows, section_means, areas_kernel, cheapest_path


def _is_kept(kernel: Any) -> bool:
    if not isinstance(kernel, Dispatcher):  # compiling is switched off
        return True
    code = kernel.py_func.__code__
    source = Path(code.co_filename)
    pattern = f"{source.stem}.{kernel.py_func.__name__}-{code.co_firstlineno}.*.nbi"
    try:
        changed = source.stat().st_mtime
        return any(
            index.stat().st_mtime >= changed
            for index in Path(str(kernel.stats.cache_path)).glob(pattern)
        )
    except OSError:
        return False
