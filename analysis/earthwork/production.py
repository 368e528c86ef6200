"""Published formulas of earthwork production, and the rounding of limits of work."""

from __future__ import annotations

import math
from collections.abc import Iterable

from analysis.common.limits import MaterialLimits

__all__ = ["area_output_m2_h", "loose_rise_mm", "pass_hours", "snap_outward"]


def pass_hours(length_m: float, passes: Iterable[tuple[float, float]], efficiency: float) -> float:
    """Machine hours over a length, T = sum of P D / (S E).

    Parameters
    ----------
    length_m : float
        Length of one pass.
    passes : iterable of (number, speed in km/h)
        One entry per kind of pass; a mean speed would come out too short.
    efficiency : float
        Share of the hour that is worked.

    Notes
    -----
    Formula of Navy training course 14081 p. 10-15, as in FM 5-434 (form from memory).

    Examples
    --------
    >>> round(pass_hours(2000.0, [(5, 4.0)], 0.60), 3)
    4.167
    """
    return sum(number * length_m / 1000.0 / (speed * efficiency) for number, speed in passes)


def area_output_m2_h(
    speed_kmh: float, blade_m: float, overlap_m: float, efficiency: float
) -> float:
    """Area bladed per hour, A = S (Le - Lo) 1000 E.

    Formula of an equipment performance handbook, ed. 47 p. 11-27 (seen in an excerpt).

    >>> round(area_output_m2_h(4.0, 3.0, 0.3, 0.75))
    8100
    """
    return speed_kmh * (blade_m - overlap_m) * 1000.0 * efficiency


def loose_rise_mm(fill_depth_mm: float, limits: MaterialLimits) -> float:
    """Height above the target to which loose material is spread so that it compacts flush."""
    return fill_depth_mm * (1.0 / limits.compacted_per_loose.value - 1.0)


def snap_outward(low_m: float, high_m: float, step_m: float) -> tuple[float, float]:
    """Round limits of work outward to whole steps.

    >>> snap_outward(103.0, 131.0, 10.0)
    (100.0, 140.0)
    """
    # A label that is a whole step but for rounding stays where it is.
    low = math.floor(low_m / step_m + 1e-6) * step_m
    high = math.ceil(high_m / step_m - 1e-6) * step_m
    return low, high
