"""Compiled loop that averages sections; imported only when something is really measured."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["section_means"]


@compiled
def section_means(
    station_s: Any,
    first: Any,
    last: Any,
    s: Any,
    x: Any,
    z: Any,
    weight: Any,
    edge_z: Any,
    grade: Any,
    curve: Any,
    half_m: Any,
    u: Any,
    reach_m: float,
    height: Any,
    spread: Any,
) -> None:
    """Average the ground of each window, relative to the pavement plane at the edge.

    A straight line is fitted through the cells within `reach_m` of each distance `u`, so that
    cells that lie to one side of it don't tilt the answer. `spread` gets the factor by which
    the noise of a single cell is to be multiplied.
    """
    n = station_s.size
    k = u.size
    step = u[1] - u[0]
    sums = np.empty((k, 8))
    for i in range(n):
        for j in range(k):
            for q in range(8):
                sums[j, q] = 0.0
            height[i, j] = np.nan
            spread[i, j] = np.nan
        if not np.isfinite(edge_z[i]):
            continue
        for c in range(first[i], last[i]):
            w = weight[c]
            if w <= 0.0:
                continue
            t = s[c] - station_s[i]
            along = t / half_m[i]
            value = z[c] - edge_z[i] - grade[i] * t - curve[i] * (along * along - 1.0 / 3.0)
            low = int(np.ceil((x[c] - reach_m - u[0]) / step))
            high = int(np.floor((x[c] + reach_m - u[0]) / step))
            for j in range(max(low, 0), min(high, k - 1) + 1):
                d = x[c] - u[j]
                v = w * (1.0 - abs(d) / reach_m)
                sums[j, 0] += v
                sums[j, 1] += v * d
                sums[j, 2] += v * d * d
                sums[j, 3] += v * value
                sums[j, 4] += v * d * value
                sums[j, 5] += v * v
                sums[j, 6] += v * v * d
                sums[j, 7] += v * v * d * d
        for j in range(k):
            total = sums[j, 0]
            if total < 1e-9:
                continue
            centre = sums[j, 1] / total
            across = sums[j, 2] / total - centre * centre
            mean = sums[j, 3] / total
            if across > 1e-3 * reach_m * reach_m:
                slope = (sums[j, 4] / total - centre * mean) / across
                height[i, j] = mean - slope * centre
                # each cell counts v / total * (p - q d)
                q = centre / across
                p = 1.0 + q * centre
                square = p * p * sums[j, 5] - 2.0 * p * q * sums[j, 6] + q * q * sums[j, 7]
                spread[i, j] = np.sqrt(max(square, 0.0)) / total
            elif abs(centre) < 0.6 * step:
                height[i, j] = mean
                spread[i, j] = np.sqrt(sums[j, 5]) / total
