"""What lies higher or lower than in another survey, over the whole ribbon of a road.

Between dated findings a change is told reach by reach (`analysis.findings.two_surveys`); with both
grids open the ground itself can be laid on itself, and also shows what no number is made for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.along import average_along, interpolate_along, rows_for
from analysis.common.types import Floats
from analysis.study.relief import Relief

if TYPE_CHECKING:
    from analysis.study.values import RoadStudy

__all__ = ["HeightChange", "height_change"]

# So far inside the edges the pavement's own smear at its rim plays no part.
_INSIDE_M = 0.4
# The level of one survey against the other changes slowly: with the flight strip, not the cell.
_LEVEL_M = 20.0
_LEAST_CELLS = 5
# Of a normal distribution: from the median of absolute values to 19 of 20.
_TO_95 = 1.96 / 0.6745


@dataclass(frozen=True, slots=True)
class HeightChange:
    """Ground of one survey above that of another.

    Attributes
    ----------
    relief : Relief
        Height over the other survey on the ribbon of the one, centimetres, positive where this
        survey's ground stands higher; NaN where either is unknown, or the pavement that brings
        them level is.
    noise_mm : float
        What 19 of 20 places on the pavement differ by at most, though nothing changed there; NaN
        without any.
    """

    relief: Relief
    noise_mm: float


def height_change(own: RoadStudy, other: RoadStudy, *, average_m: float = 5.0) -> HeightChange:
    """Lay one survey's ribbon over another's of the same road.

    Surveys lie some centimetres apart as a whole; between the edges, which neither weather nor
    traffic turns, both are the same road, so they are brought level there, by a median across and
    a mean over 20 m along.

    Parameters
    ----------
    own, other : RoadStudy
        The same road measured on both grids.
    average_m : float, default 5
        Length along the road that differences are averaged over, as `pavement_heights` does.

    Returns
    -------
    HeightChange
    """
    ribbon = own.ground.ribbon
    gap = ribbon.z - _on_ribbon(other, ribbon.s, ribbon.o)
    left, right = (interpolate_along(ribbon.s, own.s, own.breaks.edge)[:, side] for side in (0, 1))
    paved = (ribbon.o > _INSIDE_M - left[:, None]) & (ribbon.o < right[:, None] - _INSIDE_M)
    inside = (ribbon.s >= own.s[0]) & (ribbon.s <= own.s[-1])
    gap = gap - _level(np.where(paved & inside[:, None], gap, np.nan), ribbon.step_s)[:, None]
    if average_m > 0.0:
        averaged, _ = average_along(gap, rows_for(average_m, ribbon.step_s))
        gap = np.where(np.isnan(gap), np.nan, averaged)
    still = np.abs(gap[paved & np.isfinite(gap)])
    noise_mm = 1000.0 * _TO_95 * float(np.median(still)) if still.size else math.nan
    return HeightChange(Relief(ribbon.s, ribbon.o, 100.0 * gap), noise_mm)


def _on_ribbon(other: RoadStudy, s: Floats, o: Floats) -> Floats:
    """Heights of another survey at the places (s, o) of this one's ribbon, bilinear."""
    from scipy.interpolate import RegularGridInterpolator

    ribbon = other.ground.ribbon
    if ribbon.s.size < 2 or ribbon.o.size < 2:
        return np.full((s.size, o.size), np.nan)
    height = RegularGridInterpolator(
        (ribbon.s, ribbon.o), ribbon.z, bounds_error=False, fill_value=np.nan
    )
    return np.asarray(height(tuple(np.meshgrid(s, o, indexing="ij"))), dtype=np.float64)


def _level(paved_gap: Floats, step_s: float) -> Floats:
    """How much higher this survey lies as a whole, by row; NaN where no pavement tells."""
    known = np.isfinite(paved_gap).sum(axis=1) >= _LEAST_CELLS
    if not known.any():
        return np.full(len(paved_gap), np.nan)
    level = np.full(len(paved_gap), np.nan)
    level[known] = np.nanmedian(paved_gap[known], axis=1)
    averaged, _ = average_along(level[:, None], rows_for(_LEVEL_M, step_s))
    return averaged[:, 0]
