"""Compiled loop over the stretches of a station's road; imported only when one is measured.

The function computes and checks nothing: `analysis.shoulder.unlike` prepares its arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Told", "scatter_of"]

_LEAST_PIVOT = 1e-13


class Told(NamedTuple):
    """What stretches say apart from their mean, squared, (3,), and what white noise would."""

    seen: Any
    expected: Any


@compiled
def _inverted(matrix: Any, inverse: Any) -> bool:
    """Invert a positive definite matrix by Cholesky; False where it isn't."""
    q = matrix.shape[0]
    low = np.zeros((q, q))
    for r in range(q):
        for c in range(r + 1):
            total = matrix[r, c]
            for k in range(c):
                total -= low[r, k] * low[c, k]
            if r == c:
                if not total > _LEAST_PIVOT * matrix[r, r]:
                    return False
                low[r, r] = np.sqrt(total)
            else:
                low[r, c] = total / low[c, c]
    turned = np.zeros((q, q))
    for c in range(q):
        turned[c, c] = 1.0 / low[c, c]
        for r in range(c + 1, q):
            total = 0.0
            for k in range(c, r):
                total -= low[r, k] * turned[k, c]
            turned[r, c] = total / low[r, r]
    for r in range(q):
        for c in range(q):
            total = 0.0
            for k in range(max(r, c), q):
                total += turned[k, r] * turned[k, c]
            inverse[r, c] = total
    return True


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
    if not _inverted(total, inverse):
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
