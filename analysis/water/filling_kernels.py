"""Compiled loops of depression filling; imported only when a ribbon is really filled.

The functions compute and check nothing: `analysis.water.filling` prepares their arrays. They work
in place on `level`, which starts as the ground where water leaves freely and as +inf
elsewhere, and end with the lowest level at which water on a cell can still get out:
``level[c] = max(ground[c], min(level of the eight neighbours))``.

Two raster sweeps settle almost every cell of a long narrow ribbon in cache order; a heap then
settles the few that need a path against both sweeps, each at most once, so that no terrain
can make it slow. (The sweeps are those of Vincent's hybrid grey-scale reconstruction, 1993;
the ordered stage is the priority flood, Barnes, Lehman and Mulla, 2014.)
"""

import numpy as np
from numpy.typing import NDArray

from analysis.common.compiled import compiled
from analysis.common.types import Floats

__all__ = ["settle", "sweep_down", "sweep_up"]

Cells = NDArray[np.int64]


@compiled
def sweep_down(ground: Floats, level: Floats) -> None:
    """Carry levels from earlier cells to later ones."""
    rows, columns = ground.shape
    for i in range(rows):
        for j in range(columns):
            here = level[i, j]
            z = ground[i, j]
            if here > z:
                best = here
                if j > 0 and level[i, j - 1] < best:
                    best = level[i, j - 1]
                if i > 0:
                    if level[i - 1, j] < best:
                        best = level[i - 1, j]
                    if j > 0 and level[i - 1, j - 1] < best:
                        best = level[i - 1, j - 1]
                    if j + 1 < columns and level[i - 1, j + 1] < best:
                        best = level[i - 1, j + 1]
                level[i, j] = best if best > z else z


@compiled
def sweep_up(ground: Floats, level: Floats) -> None:
    """Carry levels from later cells to earlier ones."""
    rows, columns = ground.shape
    for i in range(rows - 1, -1, -1):
        for j in range(columns - 1, -1, -1):
            here = level[i, j]
            z = ground[i, j]
            if here > z:
                best = here
                if j + 1 < columns and level[i, j + 1] < best:
                    best = level[i, j + 1]
                if i + 1 < rows:
                    if level[i + 1, j] < best:
                        best = level[i + 1, j]
                    if j > 0 and level[i + 1, j - 1] < best:
                        best = level[i + 1, j - 1]
                    if j + 1 < columns and level[i + 1, j + 1] < best:
                        best = level[i + 1, j + 1]
                level[i, j] = best if best > z else z


@compiled
def _push(
    keys: Floats, cells: Cells, size: int, key: float, cell: int
) -> tuple[Floats, Cells, int]:
    if size == keys.size:
        keys = np.concatenate((keys, np.empty(size, keys.dtype)))
        cells = np.concatenate((cells, np.empty(size, cells.dtype)))
    child = size
    while child > 0:
        parent = (child - 1) >> 1
        if keys[parent] <= key:
            break
        keys[child] = keys[parent]
        cells[child] = cells[parent]
        child = parent
    keys[child] = key
    cells[child] = cell
    return keys, cells, size + 1


@compiled
def _drop_first(keys: Floats, cells: Cells, size: int) -> int:
    size -= 1
    key = keys[size]
    cell = cells[size]
    hole = 0
    while True:
        child = 2 * hole + 1
        if child >= size:
            break
        if child + 1 < size and keys[child + 1] < keys[child]:
            child += 1
        if keys[child] >= key:
            break
        keys[hole] = keys[child]
        cells[hole] = cells[child]
        hole = child
    if size > 0:
        keys[hole] = key
        cells[hole] = cell
    return size


@compiled
def settle(ground: Floats, level: Floats) -> int:
    """Finish in order of level what the sweeps left; returns the number of cells touched."""
    rows, columns = ground.shape
    keys = np.empty(1024, np.float64)
    cells = np.empty(1024, np.int64)
    size = 0
    # A flooded cell beside a lower level isn't settled yet: start from that neighbour.
    for i in range(rows):
        for j in range(columns):
            here = level[i, j]
            if here > ground[i, j]:
                for di in range(-1, 2):
                    a = i + di
                    if a < 0 or a >= rows:
                        continue
                    for dj in range(-1, 2):
                        b = j + dj
                        if b < 0 or b >= columns:
                            continue
                        if level[a, b] < here:
                            keys, cells, size = _push(
                                keys, cells, size, level[a, b], a * columns + b
                            )
    touched = 0
    while size > 0:
        key = keys[0]
        cell = cells[0]
        size = _drop_first(keys, cells, size)
        i = cell // columns
        j = cell - i * columns
        if key > level[i, j]:
            continue
        for di in range(-1, 2):
            a = i + di
            if a < 0 or a >= rows:
                continue
            for dj in range(-1, 2):
                b = j + dj
                if b < 0 or b >= columns:
                    continue
                if level[a, b] > key and level[a, b] > ground[a, b]:
                    level[a, b] = key if key > ground[a, b] else ground[a, b]
                    touched += 1
                    keys, cells, size = _push(keys, cells, size, level[a, b], a * columns + b)
    return touched
