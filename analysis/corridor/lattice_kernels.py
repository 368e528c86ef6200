"""Compiled loops over cells by their places in the grid; imported only when cells are looked at.

The functions compute and check nothing: `analysis.corridor.lattice` and `analysis.corridor.made_up`
prepare their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = [
    "TILE",
    "Places",
    "count_alike",
    "fill_places",
    "lag_sums",
    "line_misses",
    "number_patches",
    "straight_patches",
]

_BITS = 5
TILE = 1 << _BITS
"""Cells along each side of a tile."""

_REST = TILE - 1


class Places(NamedTuple):
    """Which cell lies where: tiles of the lattice that hold any, and the cells in them.

    Attributes
    ----------
    tile : (tile rows, tile columns) int32
        Number of each tile, -1 for one without cells.
    cell : (tiles, TILE * TILE) int32
        Index of the cell at each place, -1 for none.
    """

    tile: Any
    cell: Any


@compiled
def number_patches(row: Any, col: Any, size: int, number: Any, patch: Any) -> int:
    """Number the squares of `size` cells that hold any, in the order of cells; return how many.

    Parameters
    ----------
    row, col : (m,) int
        Not negative.
    size : int
    number : (square rows, square columns) int32
        Filled; -1 beforehand.
    patch : (m,) int32 or (0,)
        Filled, where there is room, with the number of each cell's square.
    """
    count = 0
    for i in range(row.size):
        r, c = row[i] // size, col[i] // size
        if number[r, c] < 0:
            number[r, c] = count
            count += 1
        if patch.size > 0:
            patch[i] = number[r, c]
    return count


@compiled
def fill_places(row: Any, col: Any, places: Places) -> None:
    """Fill in which cell lies where; of several at one place the first stands."""
    for i in range(row.size):
        t = places.tile[row[i] >> _BITS, col[i] >> _BITS]
        at = ((row[i] & _REST) << _BITS) + (col[i] & _REST)
        if places.cell[t, at] < 0:
            places.cell[t, at] = i


@compiled
def _cell_at(places: Places, row: int, col: int) -> int:
    """Index of the cell at a place, -1 for none."""
    if row < 0 or col < 0:
        return -1
    r, c = row >> _BITS, col >> _BITS
    if r >= places.tile.shape[0] or c >= places.tile.shape[1]:
        return -1
    t = places.tile[r, c]
    if t < 0:
        return -1
    return int(places.cell[t, ((row & _REST) << _BITS) + (col & _REST)])


@compiled
def count_alike(row: Any, col: Any, z: Any, places: Places, along: bool, out: Any) -> None:
    """Count neighbours, and those of the same height, by the place of the second of them.

    Parameters
    ----------
    row, col : (m,) int
    z : (m,)
    places : Places
    along : bool
        Neighbours in a row; else in a column.
    out : (k, 2) int
        Zeros; counted into by the remainder of that place when it is divided by k.
    """
    times = out.shape[0]
    for i in range(row.size):
        other = _cell_at(places, row[i] - (not along), col[i] - along)
        if other >= 0:
            k = (col[i] if along else row[i]) % times
            out[k, 0] += 1
            out[k, 1] += z[other] == z[i]


@compiled
def lag_sums(
    row: Any, col: Any, value: Any, piece: Any, places: Places, lags: Any, total: Any, pairs: Any
) -> None:
    """Sum the products of values a lag apart in one piece, and count them.

    Parameters
    ----------
    row, col, piece : (m,) int
    value : (m,)
    places : Places
        Of several cells at one place one stands there.
    lags : (k, 2) int
        Rows and columns from one to the other.
    total, pairs : (k,)
        Zeros; filled.
    """
    for i in range(row.size):
        if _cell_at(places, row[i], col[i]) != i:
            continue
        for k in range(lags.shape[0]):
            other = _cell_at(places, row[i] + lags[k, 0], col[i] + lags[k, 1])
            if other >= 0 and piece[other] == piece[i]:
                total[k] += value[i] * value[other]
                pairs[k] += 1.0


@compiled
def line_misses(row: Any, col: Any, z: Any, places: Places, arms: Any, out: Any) -> None:
    """Squares of how far each cell misses the middle of two others.

    Parameters
    ----------
    row, col : (m,) int
    z : (m,)
    places : Places
    arms : (k, 2) int
        Rows and columns from a cell to one of the two; the other lies opposite.
    out : (m, k)
        Filled; NaN where either isn't there.
    """
    for i in range(row.size):
        for k in range(arms.shape[0]):
            one = _cell_at(places, row[i] + arms[k, 0], col[i] + arms[k, 1])
            other = _cell_at(places, row[i] - arms[k, 0], col[i] - arms[k, 1])
            if one < 0 or other < 0:
                out[i, k] = np.nan
            else:
                off = 0.5 * (z[one] + z[other]) - z[i]
                out[i, k] = off * off


@compiled
def straight_patches(
    patch: Any, misses: Any, fewest: float, most: float, lines: Any, total: Any
) -> Any:
    """Which patches miss by less than `most` in any direction.

    Parameters
    ----------
    patch : (m,) int
        Patch of each cell.
    misses : (m, k)
        As `line_misses` gives them.
    fewest, most : float
        Least number of lines that a patch must have; mean of its misses.
    lines, total : (patches, k) int64 and float64
        Zeros; filled with their number and sum.

    Returns
    -------
    (patches,) bool
    """
    for i in range(patch.size):
        for k in range(misses.shape[1]):
            if not np.isnan(misses[i, k]):
                lines[patch[i], k] += 1
                total[patch[i], k] += misses[i, k]
    out = np.zeros(lines.shape[0], dtype=np.bool_)
    for p in range(lines.shape[0]):
        for k in range(lines.shape[1]):
            if lines[p, k] >= fewest and total[p, k] < most * max(lines[p, k], 1):
                out[p] = True
    return out
