"""Compiled loops over pieces of road; imported only when noise is looked at.

The functions compute and check nothing: `analysis.corridor.likeness` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Planes", "Strip", "robust_planes"]

_LEAST_PIVOT = 1e-12
"""Share of a column that must be left beside those before it."""


class Strip(NamedTuple):
    """Cells of a strip, piece by piece: along (in pieces) and across the road, and heights.

    `first` and `last` (p,) are where the cells of each piece begin and end.
    """

    s: Any
    x: Any
    z: Any
    first: Any
    last: Any


class Planes(NamedTuple):
    """What is found: residuals (m,), robust scatter (p,), whether a piece has a plane (p,)."""

    value: Any
    scatter: Any
    good: Any


@compiled
def _fill_surface(strip: Strip, a: int, b: int, design: Any) -> None:
    """Columns of a plane with a vertical curve and a twist, bent across the road."""
    n, columns = b - a, design.shape[1]
    middle = strip.s[a:b].mean()
    across = strip.x[a:b].mean() if columns > 5 else 0.0
    for i in range(n):
        t, x = strip.s[a + i] - middle, strip.x[a + i] - across
        design[i, 0] = 1.0
        design[i, 1] = t
        design[i, 2] = t * t
        design[i, 3] = x
        design[i, 4] = t * x
        power = x
        for k in range(5, columns):
            power *= x
            design[i, k] = power


@compiled
def _solve(normal: Any, right: Any) -> bool:
    """Solve for `right` in place by Cholesky; False where columns aren't told apart."""
    q = right.size
    for r in range(q):
        for c in range(r + 1):
            total = normal[r, c]
            for k in range(c):
                total -= normal[r, k] * normal[c, k]
            if r == c:
                if not total > _LEAST_PIVOT * normal[r, r]:
                    return False
                normal[r, r] = np.sqrt(total)
            else:
                normal[r, c] = total / normal[c, c]
        total = right[r]
        for k in range(r):
            total -= normal[r, k] * right[k]
        right[r] = total / normal[r, r]
    for r in range(q - 1, -1, -1):
        for k in range(r + 1, q):
            right[r] -= normal[k, r] * right[k]
        right[r] /= normal[r, r]
    return True


@compiled
def _fit(design: Any, z: Any, weight: Any, residual: Any) -> bool:
    """Residuals of a weighted fit."""
    n, q = design.shape
    normal = np.zeros((q, q))
    right = np.zeros(q)
    for i in range(n):
        for r in range(q):
            pull = weight[i] * design[i, r]
            right[r] += pull * z[i]
            for c in range(r + 1):
                normal[r, c] += pull * design[i, c]
    if not _solve(normal, right):
        return False
    for i in range(n):
        fitted = 0.0
        for r in range(q):
            fitted += design[i, r] * right[r]
        residual[i] = z[i] - fitted
    return True


@compiled
def robust_planes(strip: Strip, columns: int, planes: Planes) -> None:
    """Fit a plane to each piece that doesn't follow a parked car.

    Parameters
    ----------
    strip : Strip
    columns : int
        Of the surface: 5 for a plane, more where it is bent across.
    planes : Planes
        Filled; a piece whose columns aren't told apart is no good.
    """
    for p in range(strip.first.size):
        a, b = strip.first[p], strip.last[p]
        n = b - a
        design = np.empty((n, columns))
        _fill_surface(strip, a, b, design)
        z = strip.z[a:b] - strip.z[a:b].mean()
        weight = np.ones(n)
        residual = planes.value[a:b]
        planes.good[p] = True
        for _ in range(3):
            if not _fit(design, z, weight, residual):
                planes.good[p] = False
                break
            scale = max(1.4826 * np.median(np.abs(residual)), 1e-9)
            least = 1.0
            for i in range(n):
                weight[i] = min(1.0, 2.5 * scale / max(abs(residual[i]), 1e-12))
                least = min(least, weight[i])
            if least > 0.8:
                break
        spread = 1.4826 * np.median(np.abs(residual))
        planes.scatter[p] = spread * np.sqrt(n / (n - columns))
