"""Compiled loops that look for a seam; imported only when one is looked for.

The functions compute and check nothing: `analysis.shoulder.seam` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled
from analysis.corridor.footprint_kernels import ramp_of, step_of

__all__ = ["Asked", "Paved", "Said", "ask_blocks", "best_way"]


class Paved(NamedTuple):
    """Cells on the pavement: (m,) along the road, across it from its middle, height."""

    s: Any
    y: Any
    z: Any


class Asked(NamedTuple):
    """What each block is asked for.

    Attributes
    ----------
    places, lanes, crowns : (p,), (q,), (c,)
        Places across of steps, of knots of a lasting shape, of bends that belong to the pavement.
    wide, narrow, lane_m, inset_m, block_m : float
        Boxes of a cell, distance of the knots, least distance of a step from the outermost cell,
        and length of a block.
    """

    places: Any
    lanes: Any
    crowns: Any
    wide: float
    narrow: float
    lane_m: float
    inset_m: float
    block_m: float


class Said(NamedTuple):
    """What b blocks say; see `analysis.shoulder.seam`."""

    gain: Any
    weight: Any
    cross: Any
    inner: Any
    pull: Any


@compiled
def _even_base(base: Any) -> int:
    """Turn rows (k, m) into as many of length one, square to each other; how many are left.

    Each is freed of those before it twice, which keeps them square to the last digits (Björck,
    1994, Linear Algebra and its Applications 197); one that they make up already is left out.
    """
    kept = 0
    for k in range(base.shape[0]):
        row = base[k]
        before = np.sqrt(np.dot(row, row))
        for _ in range(2):
            for j in range(kept):
                share = np.dot(base[j], row)
                for i in range(row.size):
                    row[i] -= share * base[j, i]
        length = np.sqrt(np.dot(row, row))
        if length > 1e-9 * before and length > 0.0:
            for i in range(row.size):
                base[kept, i] = row[i] / length
            kept += 1
    return kept


@compiled
def _pavement(cells: Paved, asked: Asked, first: int, last: int) -> Any:
    """What a block of pavement may be, (k, m): a curved, twisted plane that bends at the crown."""
    m = last - first
    base = np.empty((5 + asked.crowns.size, m))
    middle = cells.s[first:last].mean()
    for i in range(m):
        t, y = (cells.s[first + i] - middle) / asked.block_m, cells.y[first + i]
        base[0, i] = 1.0
        base[1, i] = t
        base[2, i] = t * t
        base[3, i] = y
        base[4, i] = t * y
        for k in range(asked.crowns.size):
            base[5 + k, i] = ramp_of(y - asked.crowns[k], asked.wide, asked.narrow)
    return base


@compiled
def ask_blocks(cells: Paved, bounds: Any, fewest: int, asked: Asked, said: Said) -> None:
    """Ask blocks of pavement for a step at every place, beside all that a pavement may be.

    Parameters
    ----------
    cells : Paved
    bounds : (b + 1,) int
        Cells of each block.
    fewest : int
        Blocks of fewer cells say nothing.
    asked : Asked
    said : Said
        Zeros; filled.
    """
    p, q = asked.places.size, asked.lanes.size
    for b in range(bounds.size - 1):
        first, last = bounds[b], bounds[b + 1]
        m = last - first
        if m < fewest:
            continue
        base = _pavement(cells, asked, first, last)
        base = base[: _even_base(base)]
        z, y = cells.z[first:last], cells.y[first:last]
        residual = z - z.mean()
        residual -= np.dot(np.dot(base, residual), base)
        sigma = max(1.4826 * np.median(np.abs(residual)), 1e-4)
        for i in range(m):
            residual[i] = min(max(residual[i], -3.0 * sigma), 3.0 * sigma) / sigma
        # steps first, then the knots of what lasts
        rows = np.empty((p + q, m))
        low, high = y.min() + asked.inset_m, y.max() - asked.inset_m
        for k in range(p):
            place = asked.places[k]
            if low < place < high:
                for i in range(m):
                    rows[k, i] = step_of(y[i] - place, asked.wide, asked.narrow) / sigma
            else:
                rows[k] = 0.0
        for k in range(q):
            for i in range(m):
                away = abs(y[i] - asked.lanes[k]) / asked.lane_m
                rows[p + k, i] = max(1.0 - away, 0.0) / sigma
        rows -= np.dot(np.dot(rows, base.T), base)
        for k in range(p):
            if not low < asked.places[k] < high:
                rows[k] = 0.0
        # those of steps with each other aren't asked for
        products = np.dot(rows, rows[p:].T)
        told = np.dot(rows, residual)
        for k in range(p):
            said.gain[b, k] = told[k]
            said.weight[b, k] = np.dot(rows[k], rows[k])
            said.cross[b, k] = products[k]
        for k in range(q):
            said.pull[b, k] = told[p + k]
            said.inner[b, k] = products[p + k]


@compiled
def best_way(evidence: Any, move: Any, way: Any) -> Any:
    """Find the best way along the road; its whole evidence is returned.

    Parameters
    ----------
    evidence : (b, p)
        What each place of each block is worth.
    move : (p, p)
        What it costs to go from one to another in the next block; inf where there is no way.
    way : (b,) int
        Filled with the place in each block.
    """
    blocks, p = evidence.shape
    came = np.zeros((blocks, p), dtype=np.int64)
    total, new = evidence[0].copy(), np.empty(p)
    for b in range(1, blocks):
        for k in range(p):
            best = 0
            most = -np.inf
            for j in range(p):
                if move[j, k] < np.inf and total[j] - move[j, k] > most:
                    most = total[j] - move[j, k]
                    best = j
            came[b, k] = best
            new[k] = most + evidence[b, k]
        for k in range(p):
            total[k] = new[k]
    at = total.argmax()
    most = total[at]
    for b in range(blocks - 1, 0, -1):
        way[b] = at
        at = came[b, at]
    way[0] = at
    return most
