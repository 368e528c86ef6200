"""Compiled loops of the straightedge; imported only when something is really measured.

The functions compute and check nothing: `analysis.shoulder.straightedge` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled
from analysis.shoulder.strip import Strip, Windows

__all__ = ["Bins", "bin_means", "largest_gaps"]


class Bins(NamedTuple):
    """Bins across the road at n stations, and what lies in them.

    Attributes
    ----------
    start_x, size_m : (n,)
        Where the first bin of a station begins, and how wide its bins are.
    count, place, mean : (n, b)
        Cells, their mean x and their mean height over the fit.
    """

    start_x: Any
    size_m: Any
    count: Any
    place: Any
    mean: Any


@compiled
def bin_means(windows: Windows, strip: Strip, keep: Any, beta: Any, bins: Bins) -> None:
    """Average what the fitted planes leave of each station's cells in bins across the road.

    Parameters
    ----------
    windows : Windows
    strip : Strip
    keep : (m,) bool
        Cells that count.
    beta : (n, 9)
        In the order of `analysis.shoulder.fitting_kernels`; NaN = no fit.
    bins : Bins
        Filled in; the place of an empty bin is its middle.
    """
    start_x, size_m, count, place, mean = bins
    basis = strip.basis
    for i in range(start_x.size):
        for b in range(count.shape[1]):
            count[i, b] = 0.0
            place[i, b] = 0.0
            mean[i, b] = 0.0
        if not (np.isfinite(beta[i, 0]) and np.isfinite(size_m[i])):
            continue
        for c in range(windows.first[i], windows.last[i]):
            if not keep[c]:
                continue
            b = int(np.floor((strip.x[c] - start_x[i]) / size_m[i]))
            if b < 0 or b >= count.shape[1]:
                continue
            t = (strip.s[c] - windows.s[i]) / windows.half_m[i]
            fitted = (
                beta[i, 0]
                + beta[i, 1] * t
                + beta[i, 2] * (t * t - 1.0 / 3.0)
                + (beta[i, 3] + beta[i, 4] * t) * basis[0, c]
                + beta[i, 5] * basis[1, c]
                - beta[i, 6] * basis[2, c]
                + beta[i, 7] * basis[3, c]
                + beta[i, 8] * basis[4, c]
            )
            count[i, b] += 1.0
            place[i, b] += strip.x[c]
            mean[i, b] += strip.z[c] - fitted
        for b in range(count.shape[1]):
            if count[i, b] > 0.0:
                place[i, b] /= count[i, b]
                mean[i, b] /= count[i, b]
            else:
                place[i, b] = start_x[i] + (b + 0.5) * size_m[i]


@compiled
def _gap(x: Any, z: Any, low: int, high: int, sign: float, keep: Any, best: Any) -> None:
    """Largest gap of points low..high-1 to their hull above (sign 1) or below (-1).

    `best` gets the gap and the length of the straight piece that it lies under.
    """
    top = 0
    for i in range(low, high):
        while top >= 2:
            a = keep[top - 2]
            b = keep[top - 1]
            bend = (x[b] - x[a]) * (z[i] - z[a]) - (z[b] - z[a]) * (x[i] - x[a])
            if sign * bend >= 0.0:
                top -= 1
            else:
                break
        keep[top] = i
        top += 1
    best[0] = 0.0
    best[1] = 0.0
    for j in range(top - 1):
        a = keep[j]
        b = keep[j + 1]
        slope = (z[b] - z[a]) / (x[b] - x[a])
        # square to the edge, not plumb
        lean = 1.0 / np.sqrt(1.0 + slope * slope)
        for i in range(a + 1, b):
            gap = sign * (z[a] + slope * (x[i] - x[a]) - z[i]) * lean
            if gap > best[0]:
                best[0] = gap
                best[1] = x[b] - x[a]


@compiled
def _gaps_under(x: Any, z: Any, length_m: float, out: Any, keep: Any, best: Any) -> None:
    """Rut and, if `out` has room for it, ridge of one section.

    Both points that the straightedge touches lie within its length. `keep` (k,) int64 and `best`
    (2,) are work space.
    """
    k = x.size
    reach = length_m + 1e-9
    for which in range(out.size):
        sign = 1.0 - 2.0 * which
        # no shorter straightedge shows a larger gap than one over the whole shoulder
        _gap(x, z, 0, k, sign, keep, best)
        out[which] = best[0]
        if best[1] <= reach:
            continue
        out[which] = 0.0
        high = 0
        for low in range(k):
            before = high
            while high < k and x[high] - x[low] <= reach:
                high += 1
            if low == 0 or high > before:
                _gap(x, z, low, high, sign, keep, best)
                if best[0] > out[which]:
                    out[which] = best[0]
            if high >= k:
                break


@compiled
def largest_gaps(row: Any, x: Any, z: Any, length_m: float, out: Any) -> None:
    """Rut and ridge (or ruts alone) of many profiles (p, k), each at the places x[row[p]]."""
    keep = np.empty(x.shape[1], dtype=np.int64)
    best = np.empty(2)
    for p in range(row.size):
        _gaps_under(x[row[p]], z[p], length_m, out[p], keep, best)
