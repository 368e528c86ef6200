"""Compiled loops over the cells of a block that is read; imported only when a corridor is read.

The functions compute and check nothing: `analysis.corridor.ribbon` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled
from analysis.corridor.values import TILE

__all__ = ["Block", "Listed", "Points", "fill_points", "fill_ribbon", "list_cells"]


class Block(NamedTuple):
    """A block of the grid, and what is known of its tiles.

    Attributes
    ----------
    z : (rows + 2, columns + 2)
        Heights, with one cell more on each side.
    row0, col0 : int
        Where its first own cell lies in the grid.
    transform : (6,) tuple of float
        Of the grid, as `analysis.terrain.grid.Terrain` has it.
    near, unsure : (tile rows, tile columns) bool
        Tiles near the road, and those where a point's foot may be elsewhere than the tile's.
    low, high : (tile rows, tile columns)
        Distances along the road there.
    """

    z: Any
    row0: int
    col0: int
    transform: Any
    near: Any
    unsure: Any
    low: Any
    high: Any


class Listed(NamedTuple):
    """Cells (m,) near a road: row and column in the grid, height, place, where along the road.

    `ask` says for which of them that isn't sure.
    """

    row: Any
    col: Any
    height: Any
    x: Any
    y: Any
    seed: Any
    ask: Any


class Points(NamedTuple):
    """A road-aligned grid of (n, k) points.

    Attributes
    ----------
    s, x, y, tx, ty : (n,)
        Distance, place and direction of each row.
    o : (k,)
        Offsets.
    crossed : (n, k) bool
        Points whose sections have met.
    z : (n, k)
        Filled.
    """

    s: Any
    x: Any
    y: Any
    tx: Any
    ty: Any
    o: Any
    crossed: Any
    z: Any


@compiled
def list_cells(block: Block, out: Listed) -> int:
    """List the cells of a block's tiles near the road, row by row; return how many."""
    a, b, c, d, e, f = block.transform
    m, rows, cols = 0, block.z.shape[0] - 2, block.z.shape[1] - 2
    for i in range(rows):
        r, tile_row = (i + block.row0) + 0.5, i // TILE
        for tile_col in range(block.near.shape[1]):
            if not block.near[tile_row, tile_col]:
                continue
            seed = (block.low[tile_row, tile_col] + block.high[tile_row, tile_col]) / 2.0
            for j in range(TILE * tile_col, min(TILE * (tile_col + 1), cols)):
                height = block.z[i + 1, j + 1]
                if not np.isfinite(height):
                    continue
                q = (j + block.col0) + 0.5
                out.row[m], out.col[m] = i + block.row0, j + block.col0
                out.x[m], out.y[m] = a * q + b * r + c, d * q + e * r + f
                out.height[m], out.seed[m] = height, seed
                out.ask[m] = block.unsure[tile_row, tile_col]
                m += 1
    return m


@compiled
def _grid_place(block: Block, x: float, y: float) -> tuple[float, float]:
    """Row and column of a point; whole numbers are cell centres."""
    a, b, c, d, e, f = block.transform
    det = a * e - b * d
    dx, dy = x - c, y - f
    return (a * dy - d * dx) / det - 0.5, (e * dx - b * dy) / det - 0.5


@compiled
def _height(z: Any, r: int, c: int, fr: float, fc: float) -> float:
    """Height between four cells."""
    top = z[r, c] * (1.0 - fc) + z[r, c + 1] * fc
    bottom = z[r + 1, c] * (1.0 - fc) + z[r + 1, c + 1] * fc
    return float(top * (1.0 - fr) + bottom * fr)


@compiled
def fill_ribbon(block: Block, points: Points, station: Any, slack: float, asked: Any) -> int:
    """Fill the points of some rows that lie in a block.

    A point belongs to the block that holds the upper left of its four cells.

    Parameters
    ----------
    block : Block
    points : Points
    station : (n,) int
        Rows.
    slack : float
        So far feet may lie off those of the tile's corners.
    asked : (n * k, 2) int
        Filled with row and column of points that may belong to another part of the road; they are
        left as they are.

    Returns
    -------
    int
        How many those are.
    """
    rows, cols = block.z.shape[0] - 2, block.z.shape[1] - 2
    count = 0
    for i in station:
        s = points.s[i]
        for k in range(points.o.size):
            x = points.x[i] + points.ty[i] * points.o[k]
            y = points.y[i] - points.tx[i] * points.o[k]
            row, col = _grid_place(block, x, y)
            r, c = int(np.floor(row)) - block.row0, int(np.floor(col)) - block.col0
            if r < 0 or r >= rows or c < 0 or c >= cols or points.crossed[i, k]:
                continue
            tile = r // TILE, c // TILE
            sure = s >= block.low[tile] - slack and s <= block.high[tile] + slack
            if block.unsure[tile] or not sure:
                asked[count, 0], asked[count, 1] = i, k
                count += 1
                continue
            fr, fc = row - block.row0 - r, col - block.col0 - c
            points.z[i, k] = _height(block.z, r + 1, c + 1, fr, fc)
    return count


@compiled
def fill_points(block: Block, points: Points, asked: Any, x: Any, y: Any) -> None:
    """Fill points (m, 2) that lie in a block, at places (m,)."""
    for j in range(x.size):
        row, col = _grid_place(block, x[j], y[j])
        r, c = int(np.floor(row)) - block.row0, int(np.floor(col)) - block.col0
        fr, fc = row - block.row0 - r, col - block.col0 - c
        points.z[asked[j, 0], asked[j, 1]] = _height(block.z, r + 1, c + 1, fr, fc)
