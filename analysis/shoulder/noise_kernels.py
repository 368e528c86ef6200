"""Compiled loops over the stations of a road; imported only when one is measured.

The functions compute and check nothing: those that call them prepare their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["scatter_along", "slant_along"]


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
def slant_along(s: Any, offset: Any, reach_m: float) -> Any:
    """Slope of the straight line through the offsets about each station.

    Parameters
    ----------
    s, offset : (n,)
        Ascending; at least three.
    reach_m : float
        Stations this near count, at least three of them.

    Returns
    -------
    (n,)
    """
    n = s.size
    out = np.empty(n)
    low = high = 0
    for i in range(n):
        while s[i] - s[low] > reach_m:
            low += 1
        while high < n and s[high] - s[i] <= reach_m:
            high += 1
        first, last = low, high
        while last - first < 3:
            # the nearer neighbour, of two as near the earlier
            if last == n or (first > 0 and s[i] - s[first - 1] <= s[last] - s[i]):
                first -= 1
            else:
                last += 1
        mean = s[first:last].mean()
        across = along = 0.0
        for j in range(first, last):
            across += (s[j] - mean) * offset[j]
            along += (s[j] - mean) ** 2
        out[i] = across / along
    return out
