"""Compiled algebra of small symmetric matrices, for the loops of the fits."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["cholesky_inverse", "log_det"]


@compiled
def cholesky_inverse(a: Any, out: Any, work: Any) -> bool:
    """Invert a symmetric positive definite matrix; False where it isn't one."""
    p = a.shape[0]
    for i in range(p):
        for j in range(i + 1):
            total = a[i, j]
            for k in range(j):
                total -= work[i, k] * work[j, k]
            if i == j:
                if total <= 1e-13 * a[i, i] or not total > 0.0:
                    return False
                work[i, i] = np.sqrt(total)
            else:
                work[i, j] = total / work[j, j]
    # inverse of the triangle, then its product with itself
    for i in range(p):
        out[i, i] = 1.0 / work[i, i]
        for j in range(i):
            total = 0.0
            for k in range(j, i):
                total -= work[i, k] * out[k, j]
            out[i, j] = total / work[i, i]
    for i in range(p):
        for j in range(i + 1):
            total = 0.0
            for k in range(i, p):
                total += out[k, i] * out[k, j]
            work[i, j] = total
    for i in range(p):
        for j in range(i + 1):
            out[i, j] = work[i, j]
            out[j, i] = work[i, j]
    return True


@compiled
def log_det(inverse: Any, work: Any) -> float:
    """Log determinant of a symmetric positive definite matrix; `work` is overwritten."""
    p = inverse.shape[0]
    total = 0.0
    for i in range(p):
        for j in range(i + 1):
            value = inverse[i, j]
            for k in range(j):
                value -= work[i, k] * work[j, k]
            if i == j:
                work[i, i] = np.sqrt(max(value, 1e-300))
                total += 2.0 * np.log(work[i, i])
            else:
                work[i, j] = value / work[j, j]
    return total
