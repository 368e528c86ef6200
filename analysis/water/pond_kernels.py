"""Compiled loops over the cells of ponds; imported only when water is followed.

The functions compute and check nothing: those that call them prepare their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Told", "pond_at_stations", "spill_of", "trace"]


@compiled
def spill_of(level: Any, cells: Any, height: float) -> Any:
    """Cell over which a depression runs over; see `analysis.water.filling.spill_cell`.

    Parameters
    ----------
    level : (n, k)
        Filled ribbon.
    cells : (m,) int
        Flat indices of all cells of one depression.
    height : float
        Its level.
    """
    n, k = level.shape
    first = max(cells.min() // k - 1, 0)
    last = min(cells.max() // k + 2, n)
    # 1 beside the depression, 2 in it
    kind = np.zeros((last - first, k), dtype=np.int8)
    for c in cells:
        i, j = c // k, c % k
        for a in range(max(i - 1, 0), min(i + 2, n)):
            for b in range(max(j - 1, 0), min(j + 2, k)):
                if kind[a - first, b] == 0:
                    kind[a - first, b] = 1
        kind[i - first, j] = 2
    way = unknown = -1
    for i in range(first, last):
        for j in range(k):
            if kind[i - first, j] != 1:
                continue
            z = level[i, j]
            if not np.isfinite(z):
                unknown = i * k + j if unknown < 0 else unknown
            elif z <= height:
                # ground just at the water's level is also at its upper shore; the way out goes down
                out = i in (0, n - 1) or j in (0, k - 1)
                for a in range(max(i - 1, 0), min(i + 2, n)):
                    for b in range(max(j - 1, 0), min(j + 2, k)):
                        out = out or not level[a, b] >= height
                if out:
                    return i * k + j
                way = i * k + j if way < 0 else way
    if way >= 0:
        return way
    # no known cell lets it out: it leaves through an unknown one or over the border
    return unknown if unknown >= 0 else cells[0]


@compiled
def trace(filled: Any, corners: Any) -> int:
    """Go round a patch of cells, that on its right; cells that touch at a corner belong together.

    Parameters
    ----------
    filled : (n, k) bool
        Empty all round its border.
    corners : (c, 2) int
        Filled with row and column of the cell after each corner.

    Returns
    -------
    int
        How many corners there are; 0 where the way round touches itself.
    """
    rows, columns = filled.shape
    seen = np.zeros((rows, columns), dtype=np.bool_)
    i = j = 0
    while not filled[i, j]:
        j += 1
        if j == columns:
            i, j = i + 1, 0
    start_i, start_j = i, j
    count = 0
    heading = 0  # along the row, across it, back, back across
    while True:
        if seen[i, j]:
            return 0
        seen[i, j] = True
        if count == 0:
            corners[0, 0], corners[0, 1] = i, j
            count = 1
        if heading == 0:
            j += 1
        elif heading == 1:
            i += 1
        elif heading == 2:
            j -= 1
        else:
            i -= 1
        if heading == 0:
            left, right = filled[i - 1, j], filled[i, j]
        elif heading == 1:
            left, right = filled[i, j], filled[i, j - 1]
        elif heading == 2:
            left, right = filled[i, j - 1], filled[i - 1, j - 1]
        else:
            left, right = filled[i - 1, j - 1], filled[i - 1, j]
        if i == start_i and j == start_j:
            return count
        if left or not right:
            heading = (heading + 3) % 4 if left else (heading + 1) % 4
            corners[count, 0], corners[count, 1] = i, j
            count += 1


class Told(NamedTuple):
    """What is told of p ponds, the first of them no pond.

    Attributes
    ----------
    depth : (p,)
        NaN where it is a doubt.
    on_road : (p,) bool
    """

    depth: Any
    on_road: Any


@compiled
def pond_at_stations(first: Any, last: Any, near: Any, labels: Any, told: Told, out: Any) -> None:
    """Deepest pond on the road about each station; NaN where there is a doubt, or little is known.

    Parameters
    ----------
    first, last : (n,) int
        Rows of each station.
    near : (r, k) int8
        0 off the road, 1 left, 2 right of its axis; 3 more where heights are known.
    labels : (r, k) int
    told : Told
    out : (n, 2)
        Filled.
    """
    for i in range(first.size):
        for side in (0, 1):
            count = known = 0
            deepest, doubtful = 0.0, False
            for a in range(first[i], last[i]):
                for b in range(near.shape[1]):
                    kind = near[a, b]
                    if kind % 3 != side + 1:
                        continue
                    count += 1
                    known += kind > 3
                    pond = labels[a, b]
                    if pond > 0 and told.on_road[pond]:
                        depth = told.depth[pond]
                        if np.isnan(depth):
                            doubtful = True
                        else:
                            deepest = max(deepest, depth)
            out[i, side] = np.nan
            if count > 0 and (deepest > 0.0 or not (doubtful or known < 0.5 * count)):
                out[i, side] = deepest
