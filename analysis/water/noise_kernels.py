"""Compiled loops over made noise; imported only when water is followed.

The functions compute and check nothing: `analysis.water.chance` and
`analysis.water.held_by_section` prepare their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["deepest_held", "read_across"]


@compiled
def read_across(field: Any, start: Any, turn: Any, step: Any, out: Any) -> None:
    """Read a field, which repeats itself to all sides, along rows at an angle: bilinear.

    Parameters
    ----------
    field : (n, n)
        n a power of two.
    start, turn, step : (2,)
        Place of the first, cosine and sine of the angle, and distance of rows and columns; all in
        cells.
    out : (rows, columns)
        Filled.
    """
    rows, columns = out.shape
    rest = field.shape[0] - 1
    for i in range(rows):
        for j in range(columns):
            s, o = i * step[0], j * step[1]
            x = start[0] + s * turn[0] - o * turn[1]
            y = start[1] + s * turn[1] + o * turn[0]
            low_x, low_y = np.floor(x), np.floor(y)
            a, b = x - low_x, y - low_y
            p, q = int(low_x) & rest, int(low_y) & rest
            p1, q1 = (p + 1) & rest, (q + 1) & rest
            near = (1.0 - b) * field[p, q] + b * field[p, q1]
            far = (1.0 - b) * field[p1, q] + b * field[p1, q1]
            out[i, j] = (1.0 - a) * near + a * far


@compiled
def deepest_held(ground: Any, error: Any, judged: Any, out: Any) -> None:
    """Greatest judged depth of water that each section holds; 0 for none.

    Parameters
    ----------
    ground : (m, k)
        Heights; -inf where they are unknown, which holds no water.
    error : (m, k)
        Added to them.
    judged : (m, k) bool
        What counts; heights are known there.
    out : (m,)
        Filled.
    """
    m, k = ground.shape
    outward = np.empty(k)
    for i in range(m):
        top = -np.inf
        for j in range(k - 1, -1, -1):
            top = max(top, ground[i, j] + error[i, j])
            outward[j] = top
        top, deepest = -np.inf, 0.0
        for j in range(k):
            z = ground[i, j] + error[i, j]
            top = max(top, z)
            if judged[i, j]:
                deepest = max(deepest, min(top, outward[j]) - z)
        out[i] = deepest
