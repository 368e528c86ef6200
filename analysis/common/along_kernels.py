"""Compiled loops along a road; imported only when one is measured.

The functions compute and check nothing: those that call them prepare their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["mean_rows", "place_on_lines"]


@compiled
def mean_rows(z: Any, mean: Any, holed: Any) -> None:
    """Mean of each column over a window of rows that slides down it.

    Parameters
    ----------
    z : (n + w - 1, k)
        Heights; a window is w rows long.
    mean : (n, k)
        Filled; NaN from the first unknown height of a column on.
    holed : (k,) bool
        Filled: whether anything of a column is unknown.
    """
    n, k = mean.shape
    size = z.shape[0] - n + 1
    top, total = np.empty(k), np.zeros(k)
    for j in range(k):
        # heights above a near point keep the running sum's digits
        top[j] = 0.0 if np.isnan(z[0, j]) else z[0, j]
    for i in range(size):
        for j in range(k):
            total[j] += z[i, j] - top[j]
    for j in range(k):
        total[j] /= size
        mean[0, j] = total[j] + top[j]
    for i in range(1, n):
        for j in range(k):
            total[j] += (z[i + size - 1, j] - z[i - 1, j]) / size
            mean[i, j] = total[j] + top[j]
    for j in range(k):
        holed[j] = np.isnan(total[j])


@compiled
def place_on_lines(x: Any, at: Any, values: Any, out: Any) -> None:
    """Straight lines between values, level beyond both ends, at ascending places.

    Parameters
    ----------
    x, out : (m,)
        Ascending; filled.
    at, values : (n,)
        Ascending places and the values there, at least one.
    """
    last, j, slope = at.size - 1, -1, 0.0
    for i in range(x.size):
        while j < last and at[j + 1] <= x[i]:
            j += 1
            if j < last:
                slope = (values[j + 1] - values[j]) / (at[j + 1] - at[j])
        if j < 0:
            out[i] = values[0]
        elif j == last or at[j] == x[i]:
            out[i] = values[j]
        else:
            out[i] = slope * (x[i] - at[j]) + values[j]
