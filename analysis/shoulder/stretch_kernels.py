"""Compiled loops over the stretches of stations' roads; imported only when one is measured.

The functions compute and check nothing: `analysis.shoulder.unlike` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled
from analysis.shoulder.fitting_kernels import cholesky_inverse
from analysis.shoulder.strip import Strip, Windows

__all__ = ["Stretches", "Told", "apart_along", "scatter_of", "unlike_windows"]


class Stretches(NamedTuple):
    """How n windows are cut, and what is asked of the cells in them.

    Attributes
    ----------
    parts : (n,) int
        Stretches of each window.
    prior : (n,)
        Precision of the last column of the fit.
    asked : (a, q)
        What is asked of the coefficients.
    fewest : int
        Least number of cells.
    """

    parts: Any
    prior: Any
    asked: Any
    fewest: int


class Told(NamedTuple):
    """What stretches say apart from their mean, squared, (3,), and what white noise would."""

    seen: Any
    expected: Any


@compiled
def scatter_of(
    design: Any, z: Any, part: Any, parts: int, prior: float, asked: Any, told: Told
) -> bool:
    """Squares of what stretches say apart from their mean: seen, and for unit white noise.

    Parameters
    ----------
    design : (m, q)
        Columns of the fit.
    z : (m,)
        Heights about their mean.
    part : (m,) int
        Stretch of each cell.
    parts : int
    prior : float
        Precision of the last column.
    asked : (a, q)
        What is asked of the coefficients.
    told : Told
        Filled; what is asked has a entries each.

    Returns
    -------
    bool
        False where the columns aren't told apart.
    """
    m, q = design.shape
    a = asked.shape[0]
    normal = np.zeros((parts, q, q))
    pull = np.zeros(q)
    for i in range(m):
        g = part[i]
        for r in range(q):
            pull[r] += design[i, r] * z[i]
            for c in range(r + 1):
                normal[g, r, c] += design[i, r] * design[i, c]
    total = np.zeros((q, q))
    for g in range(parts):
        for r in range(q):
            for c in range(r):
                normal[g, c, r] = normal[g, r, c]
            for c in range(q):
                total[r, c] += normal[g, r, c]
    total[q - 1, q - 1] += prior
    for r in range(q):
        total[r, r] *= 1.0 + 1e-9
    inverse = np.empty((q, q))
    if not cholesky_inverse(total, inverse, np.zeros((q, q))):
        return False
    beta = inverse @ pull
    own_pull = np.zeros((parts, q))
    for i in range(m):
        residual = z[i]
        for r in range(q):
            residual -= design[i, r] * beta[r]
        for r in range(q):
            own_pull[part[i], r] += design[i, r] * residual
    wanted = asked @ inverse
    whole = np.zeros(q)
    carried = np.empty(q)
    for k in range(a):
        said, square, own, apart = 0.0, 0.0, 0.0, 0.0
        whole[:] = 0.0
        for g in range(parts):
            say = 0.0
            for r in range(q):
                say += own_pull[g, r] * wanted[k, r]
                carried[r] = 0.0
                for c in range(q):
                    carried[r] += normal[g, r, c] * wanted[k, c]
                whole[r] += carried[r]
            said += say
            square += say * say
            for r in range(q):
                own += wanted[k, r] * carried[r]
                for c in range(q):
                    apart += carried[r] * inverse[r, c] * carried[c]
        mean = own
        for r in range(q):
            for c in range(q):
                mean -= whole[r] * inverse[r, c] * whole[c]
        told.seen[k] = max(square - said * said / parts, 0.0)
        told.expected[k] = own - apart - mean / parts
    return True


@compiled
def unlike_windows(windows: Windows, strip: Strip, kept: Any, cut: Stretches, told: Told) -> Any:
    """Ask the stretches of every window, as `scatter_of` does.

    Parameters
    ----------
    windows, strip
    kept : (m,) bool
        Cells of the strip that count.
    cut : Stretches
    told : Told
        Zeros; (n, a) each, filled.

    Returns
    -------
    (n,) bool
        Which windows told anything.
    """
    n = windows.s.size
    out = np.zeros(n, dtype=np.bool_)
    most = 1
    for i in range(n):
        most = max(most, windows.last[i] - windows.first[i])
    design, z = np.empty((most, cut.asked.shape[1])), np.empty(most)
    part = np.empty(most, dtype=np.int64)
    basis = strip.basis
    for i in range(n):
        m = 0
        mean = 0.0
        parts = cut.parts[i]
        for c in range(windows.first[i], windows.last[i]):
            if not kept[c]:
                continue
            t = (strip.s[c] - windows.s[i]) / windows.half_m[i]
            # a hair more, so that a cell on the border of two stretches always falls to the same
            part[m] = min(max(int((t + 1.0) * 0.5 * parts + 1e-6), 0), parts - 1)
            design[m, 0] = 1.0
            design[m, 1] = t
            design[m, 2] = t * t - 1.0 / 3.0
            design[m, 3] = basis[0, c]
            design[m, 4] = t * basis[0, c]
            design[m, 5] = basis[1, c]
            design[m, 6] = -basis[2, c]
            design[m, 7] = basis[3, c]
            design[m, 8] = basis[4, c]
            z[m] = strip.z[c]
            mean += strip.z[c]
            m += 1
        if m < cut.fewest:
            continue
        mean /= m
        for r in range(m):
            z[r] -= mean
        own = Told(told.seen[i], told.expected[i])
        out[i] = scatter_of(design[:m], z[:m], part[:m], parts, cut.prior[i], cut.asked, own)
    return out


@compiled
def apart_along(s: Any, told: Told, counts: Any, reach_m: float, supposed: float) -> Any:
    """Ratio of seen to expected, averaged about each station.

    Parameters
    ----------
    s : (n,)
        Ascending.
    told : Told
        (n, a) each.
    counts : (n,)
        By how much a station counts for itself.
    reach_m : float
        Stations this near count, the nearer the more.
    supposed : float
        By how much a ratio of 1 counts beforehand.

    Returns
    -------
    (n, a)
    """
    n, a = told.seen.shape
    out = np.ones((n, a))
    each = np.empty((a, n))
    weight = np.empty(n)
    low = high = 0
    for i in range(n):
        while s[i] - s[low] > reach_m + 1e-6:
            low += 1
        while high < n and s[high] - s[i] <= reach_m + 1e-6:
            high += 1
        total = supposed
        for j in range(low, high):
            weight[j] = 0.0
            if told.expected[j, 0] > 0.0:
                weight[j] = (1.0 - 0.5 * abs(s[j] - s[i]) / reach_m) * counts[j]
            total += weight[j]
        for k in range(a):
            for j in range(low, high):
                due = told.expected[j, k]
                each[k, j] = told.seen[j, k] / due if due > 0.0 else 1.0
            # a station at the end of a driveway must not speak for all
            most = 4.0 * max(np.median(each[k, low:high]), 0.5)
            said = supposed
            for j in range(low, high):
                said += weight[j] * min(each[k, j], most)
            out[i, k] = said / total
    return out
