"""Compiled loop of the local level along a road; `analysis.verdict.beliefs` prepares its arrays."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["local_level"]


@compiled
def local_level(
    value: Any, variance: Any, change: Any, mean: Any, spread: Any, moved: Any
) -> float:
    """Level at each place of a line given all its measurements (Kalman filter, RTS smoother).

    Parameters
    ----------
    value, variance : (n,)
        Measurements and their error variances; NaN = not measured.
    change : (n,)
        Variance of the level's move from the place before; the first isn't used.
    mean, spread, moved : (n,)
        Filled: mean and variance of the level, and the expected square of its move.

    Returns
    -------
    float
        Log likelihood of the measurements, but for a constant.
    """
    n = value.size
    ahead, ahead_var = np.empty(n), np.empty(n)
    likelihood = 0.0
    begun = False
    level, var = 0.0, 1e8
    for i in range(n):
        if i > 0:
            var += change[i]
        ahead[i], ahead_var[i] = level, var
        if np.isfinite(value[i]) and np.isfinite(variance[i]):
            total = var + variance[i]
            off = value[i] - level
            if begun:
                likelihood -= 0.5 * (np.log(total) + off * off / total)
            begun = True
            gain = var / total
            level += gain * off
            var *= 1.0 - gain
        mean[i], spread[i] = level, var
    moved[0] = 0.0
    for i in range(n - 2, -1, -1):
        back = spread[i] / ahead_var[i + 1]
        before = spread[i]
        mean[i] += back * (mean[i + 1] - ahead[i + 1])
        spread[i] = before + back * back * (spread[i + 1] - ahead_var[i + 1])
        step = mean[i + 1] - mean[i]
        moved[i + 1] = step * step + spread[i + 1] + spread[i] - 2.0 * back * spread[i + 1]
    return float(likelihood)
