"""Compiled loops of depression filling; imported only when a ribbon is really filled.

The functions compute and check nothing: `analysis.water.filling` and `analysis.water.chance`
prepare their arrays. They work in place on `level`, which starts as the ground where water leaves
freely and as +inf elsewhere, and end with the lowest level at which water on a cell can still get
out:
``level[c] = max(ground[c], min(level of the eight neighbours))``.

Two raster sweeps settle almost every cell of a long narrow ribbon in cache order; a heap then
settles the few that need a path against both sweeps, each at most once, so that no terrain
can make it slow. (The sweeps are those of Vincent's hybrid grey-scale reconstruction, 1993;
the ordered stage is the priority flood, Barnes, Lehman and Mulla, 2014.)
"""

from heapq import heappop, heappush
from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Blocks", "begin", "deepest_pits", "end", "spread"]


class Blocks(NamedTuple):
    """Pieces of ground that noise is put on, b of them with r rows and k columns.

    Attributes
    ----------
    first : (b,) int
        Their first rows in the ribbon.
    inner : (r,) bool
        Rows of a piece that count.
    ground, sigma : (n, k)
        The ribbon drained, NaN unknown, and the noise of a cell.
    zone : (n, k) int
        Zone of each cell that counts; one more than there are elsewhere.
    free : (n, k) or (0, 0) bool
        Where water leaves.
    """

    first: Any
    inner: Any
    ground: Any
    sigma: Any
    zone: Any
    free: Any


@compiled
def begin(z: Any, free: Any, closed: Any, ground: Any, level: Any) -> bool:
    """Prepare a ribbon to be filled; return whether any of it is unknown.

    Parameters
    ----------
    z : (n, k)
        Heights, NaN unknown.
    free, closed : (n, k) or (0, 0) bool
        Where water leaves; unknown cells that it can't leave through, as it does through others.
    ground, level : (n, k)
        Filled.
    """
    rows, columns = z.shape
    unknown = 0
    for i in range(rows):
        base, high = ground[i], level[i]
        for j in range(columns):
            missing = np.isnan(z[i, j])
            base[j] = -np.inf if missing else z[i, j]
            high[j] = -np.inf if missing else np.inf
            unknown += missing
        if closed.size > 0:
            for j in range(columns):
                if closed[i, j] and np.isnan(z[i, j]):
                    base[j] = high[j] = np.inf
        if free.size > 0:
            for j in range(columns):
                high[j] = base[j] if free[i, j] else high[j]
        high[0], high[columns - 1] = base[0], base[columns - 1]
        if i in (0, rows - 1):
            high[:] = base
    return unknown > 0


@compiled
def spread(ground: Any, level: Any) -> None:
    """Carry levels on until each is the lowest at which water gets out."""
    # first from earlier cells to later ones, then back
    _sweep(ground, level)
    _sweep(ground[::-1, ::-1], level[::-1, ::-1])
    _settle(ground, level)


@compiled
def _sweep(ground: Any, level: Any) -> None:
    """Carry levels on from each row to the next, and along it."""
    rows, columns = ground.shape
    around = np.full(columns + 2, np.inf)
    beside = np.empty(columns)
    done = 0
    while done < rows:
        if done > 0:
            around[1 : columns + 1] = level[done - 1]
        for j in range(columns):
            beside[j] = min(min(around[j], around[j + 1]), around[j + 2])
        if done + 4 <= rows:
            _carry_four(ground, level, done, beside)
            done += 4
        else:
            _carry_one(ground, level, done, beside)
            done += 1


@compiled
def _carry_one(ground: Any, level: Any, i: int, beside: Any) -> None:
    last = np.inf
    for j in range(beside.size):
        last = max(min(min(level[i, j], beside[j]), last), ground[i, j])
        level[i, j] = last


@compiled
def _carry_four(ground: Any, level: Any, i: int, beside: Any) -> None:
    """Carry levels along four rows at once, each a cell behind the one before.

    A cell waits for the one before it: the processor has four times as much to do meanwhile.
    """
    columns = beside.size
    last_0 = last_1 = last_2 = last_3 = np.inf
    # the cell before, and the one before that, of the first three rows
    near_0 = near_1 = near_2 = far_0 = far_1 = far_2 = np.inf
    for t in range(columns + 3):
        new_0 = new_1 = new_2 = np.inf
        if t < columns:
            new_0 = max(min(min(level[i, t], beside[t]), last_0), ground[i, t])
            level[i, t] = last_0 = new_0
        if 1 <= t < columns + 1:
            best = min(min(min(far_0, near_0), new_0), level[i + 1, t - 1])
            new_1 = max(min(best, last_1), ground[i + 1, t - 1])
            level[i + 1, t - 1] = last_1 = new_1
        if 2 <= t < columns + 2:
            best = min(min(min(far_1, near_1), new_1), level[i + 2, t - 2])
            new_2 = max(min(best, last_2), ground[i + 2, t - 2])
            level[i + 2, t - 2] = last_2 = new_2
        if t >= 3:
            best = min(min(min(far_2, near_2), new_2), level[i + 3, t - 3])
            last_3 = max(min(best, last_3), ground[i + 3, t - 3])
            level[i + 3, t - 3] = last_3
        far_0, near_0, far_1, near_1 = near_0, new_0, near_1, new_1
        far_2, near_2 = near_2, new_2


@compiled
def _settle(ground: Any, level: Any) -> None:
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


@compiled
def end(z: Any, level: Any) -> None:
    """Unknown is what isn't known, and what has no way out."""
    rows, columns = z.shape
    for i in range(rows):
        for j in range(columns):
            if np.isnan(z[i, j]) or level[i, j] == np.inf:
                level[i, j] = np.nan


@compiled
def deepest_pits(blocks: Blocks, noise: Any, deepest: Any) -> None:
    """Deepest water that noise makes in each piece and zone, in multiples of the local noise.

    Parameters
    ----------
    blocks : Blocks
    noise : (b, r, k)
        For unit noise.
    deepest : (b, zones)
        Filled; NaN where a zone has no cell that counts.
    """
    _, rows, columns = noise.shape
    size = (rows, columns)
    made, ground, level = np.empty(size), np.empty(size), np.empty(size)
    none = np.zeros((0, 0), dtype=np.bool_)
    zones = deepest.shape[1]
    for b in range(blocks.first.size):
        first = blocks.first[b]
        for i in range(rows):
            for j in range(columns):
                made[i, j] = (
                    blocks.ground[first + i, j] + blocks.sigma[first + i, j] * noise[b, i, j]
                )
        free = blocks.free[first : first + rows] if blocks.free.size > 0 else none
        begin(made, free, none, ground, level)
        spread(ground, level)
        deepest[b] = np.nan
        for i in range(rows):
            if not blocks.inner[i]:
                continue
            for j in range(columns):
                k = blocks.zone[first + i, j]
                if k >= zones:
                    continue
                depth = level[i, j] - made[i, j]
                if depth > 0.0:
                    depth /= max(blocks.sigma[first + i, j], 1e-9)
                if not np.isfinite(depth):
                    depth = 0.0
                if not deepest[b, k] >= depth:
                    deepest[b, k] = depth
