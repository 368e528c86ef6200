"""Compiled loop that averages sections; imported only when something is really measured."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled
from analysis.shoulder.strip import Strip, Windows

__all__ = ["section_means"]


@compiled
def section_means(
    windows: Windows,
    strip: Strip,
    weight: Any,
    beta: Any,
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
    k = u.size
    step = u[1] - u[0]
    sums = np.empty((k, 8))
    for i in range(windows.s.size):
        for j in range(k):
            for q in range(8):
                sums[j, q] = 0.0
            height[i, j] = np.nan
            spread[i, j] = np.nan
        if not np.isfinite(beta[i, 0]):
            continue
        grade = beta[i, 1] / windows.half_m[i]
        for c in range(windows.first[i], windows.last[i]):
            w = weight[c]
            if w <= 0.0:
                continue
            t = strip.s[c] - windows.s[i]
            along = t / windows.half_m[i]
            value = strip.z[c] - beta[i, 0] - grade * t - beta[i, 2] * (along * along - 1.0 / 3.0)
            low = int(np.ceil((strip.x[c] - reach_m - u[0]) / step))
            high = int(np.floor((strip.x[c] + reach_m - u[0]) / step))
            for j in range(max(low, 0), min(high, k - 1) + 1):
                d = strip.x[c] - u[j]
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
            height[i, j], spread[i, j] = _line_at_zero(sums[j], step, reach_m)


@compiled
def _line_at_zero(sums: Any, step: float, reach_m: float) -> tuple[float, float]:
    """Height of a section at one distance, and what it makes of a cell's noise; NaN unknown."""
    total = sums[0]
    if total < 1e-9:
        return np.nan, np.nan
    centre = sums[1] / total
    across = sums[2] / total - centre * centre
    mean = sums[3] / total
    if across > 1e-3 * reach_m * reach_m:
        slope = (sums[4] / total - centre * mean) / across
        # each cell counts v / total * (p - q d)
        q = centre / across
        p = 1.0 + q * centre
        square = p * p * sums[5] - 2.0 * p * q * sums[6] + q * q * sums[7]
        return mean - slope * centre, np.sqrt(max(square, 0.0)) / total
    if abs(centre) < 0.6 * step:
        return mean, np.sqrt(sums[5]) / total
    return np.nan, np.nan
