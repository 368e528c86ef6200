"""What one reach takes: passes and their hours, lifts, loads, and the spoil of its ditch.

Times follow the published production formula T = P D / (S E), summed over the kinds of pass
and never taken at a mean speed; the efficiency E grows with the length that is worked in one run.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from analysis.common.limits import Limits, MaterialLimits, WaterLimits, WorkLimits
from analysis.common.verdicts import REPLENISHING
from analysis.earthwork.volumes import LEAST_LOAD_M3, truck_shares

__all__ = ["Blading", "Spoil", "blading", "ditch_spoil", "grader_efficiency", "known_loads"]
__all__ += ["lanes_over", "loose_rise_mm", "pass_hours"]

_RUNS_M = (50.0, 100.0, 200.0, 500.0)
_DITCH_SIDE = 2.0
"""Sides of a cleaned ditch, horizontal to 1 (IBRD 2005: limit 1:2; seen second-hand)."""


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


def grader_efficiency(run_m: float, work: WorkLimits) -> float:
    """Share of the hour that a grader works on runs of a length: turning takes the rest.

    Straight between the lengths that the limits name, the same beyond them.

    >>> from analysis.common.limits import default_limits
    >>> round(grader_efficiency(150.0, default_limits().work), 2)
    0.7
    """
    known = (work.efficiency_50_m, work.efficiency_100_m, work.efficiency_200_m)
    shares = [limit.value for limit in (*known, work.efficiency_500_m)]
    return float(np.interp(run_m, _RUNS_M, shares))


def lanes_over(width_m: float, tool_m: float, overlap_m: float) -> int:
    """Passes side by side that cover a width, each over a little of the one before.

    >>> lanes_over(3.0, 1.2, 0.1)
    3
    """
    return max(1, math.ceil((width_m - overlap_m) / (tool_m - overlap_m) - 1e-9))


def loose_rise_mm(fill_depth_mm: float, limits: MaterialLimits) -> float:
    """Height above the target to which loose material is spread so that it compacts flush."""
    return fill_depth_mm * (1.0 / limits.compacted_per_loose.value - 1.0)


def known_loads(volume_m3_loose: float, mass_t: float, limits: MaterialLimits) -> float:
    """Loads of a known volume, parts of one too; none are counted for an unknown one."""
    if math.isnan(volume_m3_loose) or math.isnan(mass_t) or volume_m3_loose < LEAST_LOAD_M3:
        return 0.0
    return truck_shares(volume_m3_loose, mass_t, limits)


class Blading(NamedTuple):
    """Passes over a shoulder, as (number, km/h) of each kind, and what they are for."""

    lanes: int
    lifts: int
    grader: tuple[tuple[float, float], ...]
    roller: tuple[tuple[float, float], ...]


def blading(
    width_m: float, fill_mm: float, treatment: str, cut_m3: float, work: WorkLimits
) -> Blading:
    """Passes of grader and roller over a shoulder that is to be shaped."""
    lanes = lanes_over(width_m, work.blade_m.value, work.blade_overlap_m.value)
    rolls = lanes_over(width_m, work.roller_width_m.value, work.roller_overlap_m.value)
    lifts = max(1, math.ceil(fill_mm / work.lift_most_mm.value - 1e-9))
    cut = (work.cut_passes.value * lanes, work.cut_speed_kmh.value)
    spread = (work.spread_passes.value * lanes * lifts, work.spread_speed_kmh.value)
    finish = (work.finish_passes.value * lanes, work.finish_speed_kmh.value)
    roll = (work.roller_passes.value * rolls * lifts, work.roller_speed_kmh.value)
    # Where nothing stands proud there is nothing to cut.
    proud = not (treatment in REPLENISHING and cut_m3 == 0.0)
    return Blading(lanes, lifts, (*[cut] * proud, spread, finish), (roll,))


class Spoil(NamedTuple):
    """What comes out of a ditch, loose: all of it, and what has to be hauled."""

    loose_m3: float
    hauled_m3: float


def ditch_spoil(length_m: float, depth_m: float, limits: Limits) -> Spoil:
    """Material that cleaning takes out of a ditch.

    A trapezoid over the ditch's bottom, as deep as the ditch lacks of its least depth, or the least
    cut that a blade can make where it lacks less or its depth is unknown.

    >>> from analysis.common.limits import default_limits
    >>> spoil = ditch_spoil(100.0, 0.1, default_limits().with_value("loose_per_bank", 1.0))
    >>> round(spoil.loose_m3, 6)  # 0.2 m deep, 0.5 m wide below and 1.3 m above: 0.18 m²
    18.0
    """
    water, work = limits.water, limits.work
    lost = _lost_m(depth_m, water, work.ditch_cut_mm.value / 1000.0)
    area = lost * (work.ditch_bottom_m.value + _DITCH_SIDE * lost)
    loose = length_m * area * limits.material.loose_per_bank.value
    return Spoil(loose, loose * (1.0 - work.spoil_placed.value))


def _lost_m(depth_m: float, water: WaterLimits, least_m: float) -> float:
    if math.isnan(depth_m):
        return least_m
    return max(water.ditch_least_depth_m.value - depth_m, least_m)
