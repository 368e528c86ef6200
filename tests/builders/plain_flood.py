"""Depression filling by a priority queue in plain Python: a reference for the compiled loops."""

import heapq

import numpy as np

from analysis.water.filling import holes


def plain_flood(z, outlets=None, holes_drain=False):
    """Visit cells in the order in which water reaches them; as `filling.fill_ribbon`."""
    unknown = np.isnan(z)
    closed = holes(z) & (not holes_drain)
    ground = np.where(unknown, np.where(closed, np.inf, -np.inf), z)
    free = unknown.copy()
    free[0] = free[-1] = free[:, 0] = free[:, -1] = True
    if outlets is not None:
        free |= outlets & ~unknown
    level = np.where(free, ground, np.inf)
    rows, columns = ground.shape
    heap = [
        (float(level[i, j]), int(i), int(j))
        for i, j in zip(*np.nonzero(level < np.inf), strict=True)
    ]
    heapq.heapify(heap)
    done = np.zeros(ground.shape, bool)
    while heap:
        here, i, j = heapq.heappop(heap)
        if done[i, j]:
            continue
        done[i, j] = True
        for a in range(max(0, i - 1), min(rows, i + 2)):
            for b in range(max(0, j - 1), min(columns, j + 2)):
                reach = max(here, float(ground[a, b]))
                if reach < level[a, b]:
                    level[a, b] = reach
                    heapq.heappush(heap, (reach, a, b))
    level[unknown | np.isposinf(level)] = np.nan
    return level
