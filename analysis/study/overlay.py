"""One place of a road in two surveys, laid over each other on the pavement."""

from __future__ import annotations

import numpy as np

from analysis.common.types import Floats
from analysis.study.sections import SectionView

__all__ = ["laid_over"]

# So far inside the edges the pavement's own smear at its rim plays no part.
_INSIDE_M = 0.4
_LEAST_PLACES = 5


def laid_over(own: SectionView, other: SectionView) -> tuple[Floats, float]:
    """Bring another survey's averaged section to the heights of this one.

    Surveys lie some centimetres higher or lower as a whole; between the edges, which neither
    weather nor traffic turns, both are the same road, so they are brought level there.

    Parameters
    ----------
    own, other
        Sections of the same place of the same road.

    Returns
    -------
    line : (k, 2)
        Offsets (m, right positive) and heights (m) of the other section, brought level.
    raised_m : float
        By how much it was raised; NaN where the pavement isn't known in both, and then the line
        is as it was.
    """
    left, right = (float(side.edge_o) for side in own.sides)
    inside = (own.profile_o > left + _INSIDE_M) & (own.profile_o < right - _INSIDE_M)
    known = np.isfinite(other.profile_z)
    raised = float("nan")
    if known.sum() > 1 and inside.any():
        there = np.interp(
            own.profile_o, other.profile_o[known], other.profile_z[known], np.nan, np.nan
        )
        gaps = (own.profile_z - there)[inside]
        if np.isfinite(gaps).sum() >= _LEAST_PLACES:
            raised = float(np.nanmedian(gaps))
    shift = raised if np.isfinite(raised) else 0.0
    return np.column_stack((other.profile_o, other.profile_z + shift)), raised
