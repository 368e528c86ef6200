"""Volumes along the road: lengths of stations, truck loads, and the moves of least haul."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.limits import MaterialLimits
from analysis.common.types import Floats

__all__ = [
    "LEAST_LOAD_M3",
    "carries",
    "compacted_yield",
    "least_haul",
    "tributary_lengths",
    "truck_loads",
    "truck_shares",
    "whole_loads",
]


LEAST_LOAD_M3 = 0.05
"""Loose volume below which no truck is sent; it prints as 0.0 m³ (our own choice)."""


def tributary_lengths(s: ArrayLike) -> Floats:
    """Length of road that each station stands for: half way to either neighbour, (n,).

    Areas times these lengths add up to the volume by average end area.
    """
    x = np.asarray(s, dtype=np.float64)
    half = np.diff(x) / 2.0
    lengths = np.zeros(x.size)
    lengths[:-1] += half
    lengths[1:] += half
    return lengths


def compacted_yield(material: MaterialLimits) -> float:
    """Compacted volume that a bank volume of cut is good for."""
    return material.recovery.value * material.compacted_per_bank


def truck_loads(volume_m3_loose: float, mass_t: float, limits: MaterialLimits) -> int:
    """Truck loads, full by volume or by mass, whichever comes first.

    No truck comes for less than `LEAST_LOAD_M3`: a few shovels stay on the slope.
    """
    if volume_m3_loose < LEAST_LOAD_M3:
        return 0
    return whole_loads(truck_shares(volume_m3_loose, mass_t, limits))


def truck_shares(volume_m3_loose: float, mass_t: float, limits: MaterialLimits) -> float:
    """Truck loads in parts of one, full by volume or by mass, whichever comes first."""
    by_volume = volume_m3_loose / limits.truck_m3.value
    return max(by_volume, mass_t / limits.truck_payload_t.value, 0.0)


def whole_loads(loads: float) -> int:
    """Trucks that a number of loads takes; a thousandth of a load is rounding, not a truck.

    >>> whole_loads(4.7 + 4.76)
    10
    """
    return math.ceil(loads - 1e-3)


def least_haul(s: Floats, have: Floats, need: Floats, most_m: float) -> Floats:
    """Moves of least total haul among those that serve the most need within `most_m`.

    Parameters
    ----------
    s, have, need : (n,)
        Ascending stations; material to spare and wanted there, in one state of volume.
    most_m : float
        Longest haul.

    Returns
    -------
    (k, 3) float
        From station, to station (indices) and volume of each move, in order.

    Notes
    -----
    A transport problem, solved exactly as a linear programme: an unserved unit costs more than
    any detour that serving it could make elsewhere.
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_array

    sources, sinks = np.flatnonzero(have > 0.0), np.flatnonzero(need > 0.0)
    gap = np.abs(s[sources][:, None] - s[sinks][None, :])
    i, j = np.nonzero(gap <= most_m + 1e-9)
    if i.size == 0:
        return np.empty((0, 3))
    # Serving one unit more shifts at most every other move by one haul limit.
    reward = (2.0 * min(sources.size, sinks.size) + 1.0) * max(most_m, 1e-9)
    count = i.size
    column = np.arange(count)
    rows = np.concatenate([i, sources.size + j])
    limits_of = np.concatenate([have[sources], need[sinks]])
    table = coo_array(
        (np.ones(2 * count), (rows, np.concatenate([column, column]))),
        shape=(sources.size + sinks.size, count),
    )
    # HiGHS takes sparse tables; the stubs do not know it.
    result = linprog(  # type: ignore[call-overload]
        gap[i, j] - reward, A_ub=table.tocsr(), b_ub=limits_of, bounds=(0, None), method="highs"
    )
    used = result.x > 1e-9 * max(float(limits_of.max()), 1e-30)
    moves = np.column_stack([sources[i[used]], sinks[j[used]], result.x[used]])
    return np.asarray(moves[np.lexsort((moves[:, 1], moves[:, 0]))], dtype=np.float64)


def carries(s: ArrayLike, cut_m2: ArrayLike, fill_m2: ArrayLike, limits: MaterialLimits) -> Floats:
    """What the blade carries along the shoulder of one reach, by the least total haul.

    Parameters
    ----------
    s, cut_m2, fill_m2 : (n,)
        Distances along the road, and cut (bank) and fill (compacted) there; unknown places
        neither give nor take.
    limits : MaterialLimits
        Factors and the haul limit.

    Returns
    -------
    (k, 3) float
        From station, to station (indices) and loose volume; moves within a station left out.
    """
    x = np.asarray(s, dtype=np.float64)
    order = np.argsort(x, kind="stable")
    lengths = np.empty(x.size)
    lengths[order] = tributary_lengths(x[order]) if x.size > 1 else 0.0
    fit = compacted_yield(limits)
    have = np.nan_to_num(np.asarray(cut_m2, dtype=np.float64)) * lengths * fit
    need = np.nan_to_num(np.asarray(fill_m2, dtype=np.float64)) * lengths
    moves = least_haul(x, have, need, limits.haul_most_m.value)
    moves = np.asarray(moves[moves[:, 0] != moves[:, 1]], dtype=np.float64)
    moves[:, 2] /= limits.compacted_per_loose.value
    return moves
