"""Whether the kernels of a screening are compiled already."""

from __future__ import annotations

from typing import Any

from numba.core.dispatcher import Dispatcher

__all__ = ["is_first_run"]


def is_first_run() -> bool:
    """Return True where a screening has to compile first, so that it takes a minute longer.

    Asks the compiler's cache for one kernel of every step of a screening.
    """
    return not all(_is_kept(kernel) for kernel in _kernels_of_a_screening())


def _kernels_of_a_screening() -> tuple[Any, ...]:
    from analysis.earthwork.kernels import sections_kernel
    from analysis.edges.kernels import pair_evidence
    from analysis.shoulder.fitting_kernels import fit_windows
    from analysis.shoulder.section_kernels import section_means
    from analysis.verdict.kernels import label_cheaply

    return pair_evidence, fit_windows, section_means, sections_kernel, label_cheaply


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
