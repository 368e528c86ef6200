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
    "Heights",
    "Places",
    "count_alike",
    "fill_heights",
    "fill_places",
    "lag_sums",
    "line_misses",
    "number_parts",
    "number_tiles",
    "straight_parts",
    "sum_misses",
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


class Heights(NamedTuple):
    """Which height lies where.

    Tiles are those of `Places`; in them lie heights, (tiles, TILE * TILE), NaN for none.
    """

    tile: Any
    z: Any


@compiled
def number_tiles(row: Any, col: Any, number: Any) -> int:
    """Number the tiles that hold any cells, in the order of cells; return how many.

    Parameters
    ----------
    row, col : (m,) int
        Not negative.
    number : (tile rows, tile columns) int32
        Filled; -1 beforehand.
    """
    count = 0
    for i in range(row.size):
        r, c = row[i] >> _BITS, col[i] >> _BITS
        if number[r, c] < 0:
            number[r, c] = count
            count += 1
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
def fill_heights(row: Any, col: Any, z: Any, heights: Heights) -> None:
    """Fill in which height lies where; of several at one place the first stands."""
    for i in range(row.size):
        t = heights.tile[row[i] >> _BITS, col[i] >> _BITS]
        at = ((row[i] & _REST) << _BITS) + (col[i] & _REST)
        if np.isnan(heights.z[t, at]):
            heights.z[t, at] = z[i]


@compiled
def _height_at(heights: Heights, t: int, row: int, col: int, down: int, along: int) -> float:
    """Height at a place so far from one that lies in the t-th tile, NaN for none."""
    r, c = (row & _REST) + down, (col & _REST) + along
    if 0 <= r < TILE and 0 <= c < TILE:
        return float(heights.z[t, (r << _BITS) + c])
    row, col = row + down, col + along
    if row < 0 or col < 0:
        return np.nan
    r, c = row >> _BITS, col >> _BITS
    if r >= heights.tile.shape[0] or c >= heights.tile.shape[1] or heights.tile[r, c] < 0:
        return np.nan
    return float(heights.z[heights.tile[r, c], ((row & _REST) << _BITS) + (col & _REST)])


@compiled
def _miss(heights: Heights, t: int, row: int, col: int, z: float, arm: Any) -> float:
    """Square of how far a cell of the t-th tile misses the middle of two others; NaN without."""
    one = _height_at(heights, t, row, col, arm[0], arm[1])
    other = _height_at(heights, t, row, col, -arm[0], -arm[1])
    off = 0.5 * (one + other) - z
    return off * off


@compiled
def _steps_within(arms: Any, step: Any) -> int:
    """Steps (k,) from a cell to the ends of arms in its tile; return how far they reach."""
    reach = 0
    for k in range(arms.shape[0]):
        reach = max(reach, abs(arms[k, 0]), abs(arms[k, 1]))
        step[k] = (arms[k, 0] << _BITS) + arms[k, 1]
    return reach


@compiled
def line_misses(row: Any, col: Any, z: Any, heights: Heights, arms: Any, out: Any) -> int:
    """Squares of how far each cell misses the middle of two others; return how many there are.

    Parameters
    ----------
    row, col : (m,) int
    z : (m,)
    heights : Heights
    arms : (k, 2) int
        Rows and columns from a cell to one of the two; the other lies opposite.
    out : (m * k,)
        Its first ones are filled, cell by cell, those left out of which either isn't there.
    """
    count, step = 0, np.empty(arms.shape[0], dtype=np.int64)
    reach = _steps_within(arms, step)
    for i in range(row.size):
        t = heights.tile[row[i] >> _BITS, col[i] >> _BITS]
        r, c = row[i] & _REST, col[i] & _REST
        within = reach <= r < TILE - reach and reach <= c < TILE - reach
        tile, at = heights.z[t], (r << _BITS) + c
        for k in range(arms.shape[0]):
            if within:
                off = 0.5 * (tile[at + step[k]] + tile[at - step[k]]) - z[i]
                miss = off * off
            else:
                miss = _miss(heights, t, row[i], col[i], z[i], arms[k])
            if np.isfinite(miss):
                out[count] = miss
                count += 1
    return count


@compiled
def _halves(most: int, size: int) -> Any:
    """Which quarter each row or column up to `most` falls in, (most + 1,)."""
    cut, half = size - size // 2, np.empty(most + 1, dtype=np.int64)
    for i in range(half.size):
        half[i] = 2 * (i // size) + (i % size >= cut)
    return half


@compiled
def number_parts(row: Any, col: Any, size: int, number: Any, part: Any) -> int:
    """Number the quarters of squares of `size` cells that hold any; return how many.

    Squares that begin half a square later are made of quarters too: four that lie together, two
    by two, are a square.

    Parameters
    ----------
    row, col : (m,) int
        Not negative.
    size : int
    number : (quarter rows, quarter columns) int32
        Filled; -1 beforehand.
    part : (m,) int32
        Filled with the number of each cell's quarter.
    """
    count, rows, cols = 0, _halves(row.max(), size), _halves(col.max(), size)
    for i in range(row.size):
        r, c = rows[row[i]], cols[col[i]]
        if number[r, c] < 0:
            number[r, c] = count
            count += 1
        part[i] = number[r, c]
    return count


@compiled
def sum_misses(
    row: Any, col: Any, z: Any, part: Any, heights: Heights, arms: Any, lines: Any, total: Any
) -> None:
    """Count and sum what `line_misses` gives over the quarters of `number_parts`.

    `part` (m,) is the quarter of each cell; `lines` and `total` (quarters, k) are zeros, filled.
    """
    step = np.empty(arms.shape[0], dtype=np.int64)
    reach = _steps_within(arms, step)
    for i in range(row.size):
        t, p = heights.tile[row[i] >> _BITS, col[i] >> _BITS], part[i]
        r, c = row[i] & _REST, col[i] & _REST
        if reach <= r < TILE - reach and reach <= c < TILE - reach:
            # all of its arms end within its tile
            tile, at = heights.z[t], (r << _BITS) + c
            for k in range(step.size):
                off = 0.5 * (tile[at + step[k]] + tile[at - step[k]]) - z[i]
                if not np.isnan(off):
                    lines[p, k] += 1.0
                    total[p, k] += off * off
            continue
        for k in range(arms.shape[0]):
            miss = _miss(heights, t, row[i], col[i], z[i], arms[k])
            if not np.isnan(miss):
                lines[p, k] += 1.0
                total[p, k] += miss


@compiled
def straight_parts(number: Any, lines: Any, total: Any, fewest: float, most: float) -> Any:
    """Which quarters belong to a square that misses by less than `most` in any direction.

    Parameters
    ----------
    number : (quarter rows, quarter columns) int
        As `number_parts` fills it.
    lines, total : (quarters, k)
        Number and sum of their misses.
    fewest, most : float
        Least number of lines that a square must have; mean of its misses.

    Returns
    -------
    (quarters,) bool
    """
    out = np.zeros(lines.shape[0], dtype=np.bool_)
    rows, cols = number.shape
    four, sums = np.empty(4, dtype=np.int64), np.empty((2, lines.shape[1]))
    for r in range(-1, rows):
        for c in range(-1, cols):
            found = 0
            for i in range(max(r, 0), min(r + 2, rows)):
                for j in range(max(c, 0), min(c + 2, cols)):
                    if number[i, j] >= 0:
                        four[found] = number[i, j]
                        found += 1
            if found > 0 and _any_straight(four[:found], lines, total, fewest, most, sums):
                for part in four[:found]:
                    out[part] = True
    return out


@compiled
def _any_straight(
    parts: Any, lines: Any, total: Any, fewest: float, most: float, sums: Any
) -> bool:
    """Whether quarters together miss by less than `most` in any direction; `sums` is room."""
    count, miss = sums[0], sums[1]
    sums[:] = 0.0
    for part in parts:
        for k in range(count.size):
            count[k] += lines[part, k]
            miss[k] += total[part, k]
    for k in range(count.size):
        if count[k] >= fewest and miss[k] < most * max(count[k], 1.0):
            return True
    return False
