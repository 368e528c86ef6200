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

from heapq import heappop, heappush

from analysis.common.compiled import compiled
from analysis.common.types import Floats

__all__ = ["settle", "sweep"]


@compiled
def sweep(ground: Floats, level: Floats) -> None:
    """Carry levels from earlier cells to later ones; from later to earlier if both are turned."""
    rows, columns = ground.shape
    for i in range(rows):
        for j in range(columns):
            z, best = ground[i, j], level[i, j]
            if best > z:
                for a, b in ((i, j - 1), (i - 1, j - 1), (i - 1, j), (i - 1, j + 1)):
                    if a >= 0 and 0 <= b < columns and level[a, b] < best:
                        best = level[a, b]
                level[i, j] = max(best, z)


@compiled
def settle(ground: Floats, level: Floats) -> None:
    """Finish in order of level what the sweeps left."""
    rows, columns = ground.shape
    heap = [(0.0, 0) for _ in range(0)]
    # A flooded cell beside a lower level isn't settled yet: start from that neighbour.
    for i in range(rows):
        for j in range(columns):
            here = level[i, j]
            if here > ground[i, j]:
                for a in range(max(i - 1, 0), min(i + 2, rows)):
                    for b in range(max(j - 1, 0), min(j + 2, columns)):
                        if level[a, b] < here:
                            heappush(heap, (level[a, b], a * columns + b))
    while heap:
        key, cell = heappop(heap)
        i, j = divmod(cell, columns)
        if key > level[i, j]:
            continue
        for a in range(max(i - 1, 0), min(i + 2, rows)):
            for b in range(max(j - 1, 0), min(j + 2, columns)):
                if level[a, b] > key and level[a, b] > ground[a, b]:
                    level[a, b] = max(key, ground[a, b])
                    heappush(heap, (level[a, b], a * columns + b))
