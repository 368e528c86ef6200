"""Compiled loops that sum up shoulders; imported only when a seam beside the pavement is sought.

The functions compute and check nothing: `analysis.shoulder.seam_beside` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled, compiled_sums
from analysis.corridor.footprint_kernels import ramp_of, step_of

__all__ = ["FREE", "Asked", "SideCells", "sum_up_blocks"]

FREE = 7
"""Rows for what a block may be otherwise; its heights come next, then steps, kinks, and a step at
the hinge."""


class SideCells(NamedTuple):
    """Cells (m,) of one side of a stretch, sorted along the road.

    Distances along and outward, heights, distances beyond the hinge; and the boxes (m, 2) that
    smear the kink there, the wider first.
    """

    s: Any
    x: Any
    z: Any
    beyond: Any
    bend_box: Any


class Asked(NamedTuple):
    """What each block is asked for.

    Attributes
    ----------
    steps, kinks : (p,), (q,)
        Places of steps and of kinks outward.
    usual : (9,) int
        Rows of what a shoulder usually is.
    wide, narrow : float
        Boxes of a cell.
    length_m, paved_m : float
        Usual length of a block; cells farther inward than the second are pavement.
    fewest, fewest_paved : float
        Blocks with fewer cells, or with fewer on the pavement, say nothing.
    reach : float
        Heights that stand out by so many deviations are brought back to there.
    hinge_weight : float
        Weight of what holds the step at the hinge to 0.
    """

    steps: Any
    kinks: Any
    usual: Any
    wide: float
    narrow: float
    length_m: float
    paved_m: float
    fewest: float
    fewest_paved: float
    reach: float
    hinge_weight: float


@compiled
def _lay_out(
    cells: SideCells, first: int, last: int, middle: float, asked: Asked, rows: Any
) -> None:
    """Fill the rows (k, m) of a block; heights count from their mean."""
    mean = cells.z[first:last].mean()
    for i in range(last - first):
        c = first + i
        t, x, beyond = (cells.s[c] - middle) / asked.length_m, cells.x[c], cells.beyond[c]
        bend = ramp_of(beyond, cells.bend_box[c, 0], cells.bend_box[c, 1])
        rows[0, i], rows[1, i], rows[2, i] = 1.0, t, t * t
        rows[3, i], rows[4, i] = x, t * x
        rows[5, i], rows[6, i] = bend, t * bend
        rows[FREE, i] = cells.z[c] - mean
        rows[-1, i] = step_of(beyond, asked.wide, asked.narrow)
    at = FREE + 1
    for k in range(asked.steps.size):
        for i in range(last - first):
            rows[at + k, i] = step_of(cells.x[first + i] - asked.steps[k], asked.wide, asked.narrow)
    at += asked.steps.size
    for k in range(asked.kinks.size):
        for i in range(last - first):
            rows[at + k, i] = ramp_of(cells.x[first + i] - asked.kinks[k], asked.wide, asked.narrow)


@compiled_sums
def _products_of(rows: Any, m: int, of: int, out: Any) -> None:
    """Products of one row with all, over m cells."""
    for j in range(rows.shape[0]):
        total = 0.0
        for i in range(m):
            total += rows[of, i] * rows[j, i]
        out[of, j] = total
        out[j, of] = total


@compiled_sums
def _all_products(rows: Any, m: int, out: Any) -> None:
    """Products of all rows with each other, over m cells; two by two, so that less is read."""
    k = rows.shape[0]
    for a in range(0, k, 2):
        b = min(a + 1, k - 1)
        for c in range(0, a + 1, 2):
            d = min(c + 1, k - 1)
            ac, ad, bc, bd = 0.0, 0.0, 0.0, 0.0
            for i in range(m):
                one, two, three, four = rows[a, i], rows[b, i], rows[c, i], rows[d, i]
                ac += one * three
                ad += one * four
                bc += two * three
                bd += two * four
            out[a, c] = out[c, a] = ac
            out[a, d] = out[d, a] = ad
            out[b, c] = out[c, b] = bc
            out[b, d] = out[d, b] = bd


@compiled
def _solve(square: Any, right: Any) -> Any:
    """Solve for a symmetric matrix (k, k) that a column without cells may leave singular."""
    k, trace = right.size, 0.0
    for i in range(k):
        trace += square[i, i]
    a = np.empty((k, k + 1))
    a[:, :k] = square
    a[:, k] = right
    for i in range(k):
        a[i, i] += 1e-12 * trace
    for p in range(k):
        for i in range(p + 1, k):
            share = a[i, p] / a[p, p]
            for j in range(p, k + 1):
                a[i, j] -= share * a[p, j]
    out = np.empty(k)
    for i in range(k - 1, -1, -1):
        total = a[i, k]
        for j in range(i + 1, k):
            total -= a[i, j] * out[j]
        out[i] = total / a[i, i]
    return out


@compiled
def _bring_within_reach(rows: Any, m: int, products: Any, asked: Asked) -> None:
    """Bring heights that stand out of usual shapes back to so many deviations."""
    usual, z = asked.usual, rows[FREE]
    k = usual.size
    square, right = np.empty((k, k)), np.empty(k)
    for a in range(k):
        right[a] = products[usual[a], FREE]
        for b in range(k):
            square[a, b] = products[usual[a], usual[b]]
    told = _solve(square, right)
    fitted = np.zeros(m)
    for a in range(k):
        for i in range(m):
            fitted[i] += told[a] * rows[usual[a], i]
    most = asked.reach * max(1.4826 * np.median(np.abs(z[:m] - fitted)), 1e-4)
    for i in range(m):
        z[i] = fitted[i] + min(max(z[i] - fitted[i], -most), most)


@compiled
def _fall(rows: Any, m: int, paved_m: float) -> tuple[int, float]:
    """How many cells are pavement, and how far it falls outward."""
    rank = np.array([0, 1, 3])
    square, right = np.zeros((3, 3)), np.zeros(3)
    count = 0
    for i in range(m):
        if rows[3, i] < paved_m:
            count += 1
            for a in range(3):
                right[a] += rows[rank[a], i] * rows[FREE, i]
                for b in range(3):
                    square[a, b] += rows[rank[a], i] * rows[rank[b], i]
    return count, -_solve(square, right)[2] if count > 0 else np.nan


@compiled
def _eliminate(products: Any) -> None:
    """Free all that comes after the first rows of them, one after the other."""
    k, trace = products.shape[0], 0.0
    for p in range(FREE):
        trace += products[p, p]
    for p in range(FREE):
        products[p, p] += 1e-12 * trace
    for p in range(FREE):
        for i in range(p + 1, k):
            share = products[i, p] / products[p, p]
            for j in range(p + 1, k):
                products[i, j] -= share * products[p, j]


@compiled
def sum_up_blocks(
    cells: SideCells, at: Any, cut: Any, asked: Asked, products: Any, falls: Any, count: Any
) -> None:
    """Sum up blocks of one side.

    Parameters
    ----------
    cells : SideCells
    at, cut : (b + 1,)
        Where blocks begin and end along the road, and their cells.
    asked : Asked
    products : (b, k, k)
        Filled with those of heights, steps and kinks, freed of what a block may be otherwise.
    falls, count : (b,)
        Filled with how the pavement falls outward, and the number of cells; 0 for blocks that say
        nothing.
    """
    k = FREE + 2 + asked.steps.size + asked.kinks.size
    most = 1
    for b in range(count.size):
        most = max(most, cut[b + 1] - cut[b])
    rows, whole = np.empty((k, most)), np.empty((k, k))
    for b in range(count.size):
        count[b] = 0.0
        m = cut[b + 1] - cut[b]
        if m < asked.fewest:
            continue
        _lay_out(cells, cut[b], cut[b + 1], 0.5 * (at[b] + at[b + 1]), asked, rows)
        paved, falls[b] = _fall(rows, m, asked.paved_m)
        if paved < asked.fewest_paved:
            continue
        count[b] = m
        _all_products(rows, m, whole)
        _bring_within_reach(rows, m, whole, asked)
        _products_of(rows, m, FREE, whole)
        _eliminate(whole)
        held = whole[-1, -1] + asked.hinge_weight
        for i in range(k - FREE - 1):
            for j in range(k - FREE - 1):
                moved = whole[FREE + i, -1] * whole[-1, FREE + j] / held
                products[b, i, j] = whole[FREE + i, FREE + j] - moved
