"""Compiled loops over the stations of a road; imported only when one is measured.

The functions compute and check nothing: those that call them prepare their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["medians_between", "scatter_along", "tie_ways"]


@compiled
def scatter_along(s: Any, middle: Any, variance: Any, reach_m: float, fewest: int) -> Any:
    """Scatter at each station: root of the mean variance of the planes around.

    Parameters
    ----------
    s : (n,)
    middle, variance : (p,)
        Of each plane, anywhere along the road.
    reach_m : float
        Planes this near count, nearer ones more; those that exceed four times the median don't.
    fewest : int
        Where fewer planes are as near as that, the nearest so many count, but for the last bit.

    Returns
    -------
    (n,)
    """
    out = np.empty(s.size)
    away, near = np.empty(middle.size), np.empty(middle.size)
    for i in range(s.size):
        count = 0
        for j in range(middle.size):
            away[j] = abs(middle[j] - s[i])
            count += away[j] <= reach_m
        reach = reach_m
        if count < fewest:
            reach = np.sort(away)[min(fewest, middle.size) - 1]
        count = 0
        farthest = reach_m
        for j in range(middle.size):
            if away[j] <= reach:
                near[count] = variance[j]
                farthest = max(farthest, away[j])
                count += 1
        most = 4.0 * np.median(near[:count]) + 1e-18
        total = said = 0.0
        for j in range(middle.size):
            if away[j] <= reach and variance[j] <= most:
                weight = 1.0 - 0.5 * away[j] / farthest
                total += weight
                said += weight * variance[j]
        out[i] = np.sqrt(said / total)
    return out


@compiled
def medians_between(values: Any, first: Any, last: Any, out: Any) -> None:
    """Medians (n, w) of the known among the rows (m, w) from the first to before the last, (n,)."""
    near = np.empty(values.shape[0])
    for i in range(out.shape[0]):
        for k in range(out.shape[1]):
            count = 0
            for j in range(first[i], last[i]):
                if np.isfinite(values[j, k]):
                    near[count] = values[j, k]
                    count += 1
            out[i, k] = np.median(near[:count]) if count > 0 else np.nan


@compiled
def tie_ways(usual: Any, chance: Any, stay: Any, ways: Any) -> None:
    """Probability of each way of n stations, tied along the road (forward-backward).

    It is the same from either end of the road: what is known of a way beforehand counts by half
    where it begins and by half where it ends.

    Parameters
    ----------
    usual, chance : (n, w)
        How likely each way is where it is drawn afresh, and how likely it makes what is seen.
    stay : (n - 1,)
        Probability that a way goes on from one station to the next.
    ways : (n, w)
        Filled; rows sum to 1.
    """
    n, w = usual.shape
    ends = np.sqrt(usual)
    back, given = ends[n - 1].copy(), np.empty(w)
    for i in range(n):
        ended = total = 0.0
        for k in range(w):
            if i > 0:
                ended += ways[i - 1, k] * ends[i - 1, k]
        for k in range(w):
            before = ends[i, k]
            if i > 0:
                before = stay[i - 1] * ways[i - 1, k] + (1.0 - stay[i - 1]) * ended * ends[i, k]
            ways[i, k] = before * chance[i, k]
            total += ways[i, k]
        for k in range(w):
            ways[i, k] = ways[i, k] / total if total > 0.0 else usual[i, k]
    for i in range(n - 1, -1, -1):
        if i < n - 1:
            begun = most = 0.0
            for k in range(w):
                given[k] = chance[i + 1, k] * back[k]
                begun += ends[i + 1, k] * given[k]
            for k in range(w):
                back[k] = stay[i] * given[k] + (1.0 - stay[i]) * begun * ends[i, k]
                most = max(most, back[k])
            for k in range(w):
                back[k] /= max(most, 1e-300)
        total = 0.0
        for k in range(w):
            ways[i, k] *= back[k]
            total += ways[i, k]
        for k in range(w):
            ways[i, k] /= max(total, 1e-300)
