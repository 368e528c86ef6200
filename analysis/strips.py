"""Native cells gathered into short blocks of road: sections that can be searched all at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.ribbon import Cells

__all__ = ["BlockSections", "block_sections", "cheapest_path", "tie_shift"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BlockSections:
    """Mean sections of consecutive blocks of road.

    Attributes
    ----------
    s : (b,)
        Middle of each block, metres.
    o : (k,)
        Middle of each bin across, offset from the given centreline, metres.
    z : (b, k)
        Mean height in the bin relative to the block's profile, NaN where no cell lies.
    weight : (b, k)
        Cells in the bin.
    profile : (b,)
        Height of the along-road profile at the middle of the block.
    length_m : float
        Length of a block.
    """

    s: Floats
    o: Floats
    z: Floats
    weight: Floats
    profile: Floats
    length_m: float


def road_profile(
    cells: Cells, near_m: float, step_m: float, centre: Floats | None = None
) -> tuple[Floats, Floats]:
    """Height along the road: medians of the cells near the line, step by step.

    Returns
    -------
    s, z : (b,)
        NaN steps are bridged by straight lines.
    """
    o = cells.o if centre is None else cells.o - centre
    near = np.abs(o) <= near_m
    s, z = cells.s[near], cells.z[near]
    start, stop = float(cells.s[0]), float(cells.s[-1])
    count = max(1, round((stop - start) / step_m))
    bounds = np.linspace(start, stop, count + 1)
    cut = np.searchsorted(s, bounds)
    at = 0.5 * (bounds[1:] + bounds[:-1])
    height = np.array([np.median(z[a:b]) if b > a else np.nan for a, b in pairwise(cut)])
    known = np.isfinite(height)
    if not known.any():
        return at, np.full(at.shape, np.nan)
    return at, np.interp(at, at[known], height[known])


def block_sections(
    cells: Cells,
    s: Floats,
    *,
    half_width_m: float,
    block_m: float = 5.0,
    bin_m: float | None = None,
    clip_rounds: int = 2,
) -> BlockSections:
    """Average native cells into blocks along and bins across the road.

    Parameters
    ----------
    cells : Cells
    s : (n,)
        Stations; the blocks cover the cells' whole length.
    half_width_m : float
        Bins reach from minus to plus this offset.
    block_m : float
        Length of a block.
    bin_m : float, optional
        Width of a bin, default half a cell.
    clip_rounds : int
        How often far-off cells (bushes, cars) are pulled to the mean of their surroundings.

    Returns
    -------
    BlockSections
    """
    c = cells.cell_m
    bin_m = 0.5 * c if bin_m is None else bin_m
    block_m = max(block_m, 3.0 * c)
    start, stop = float(cells.s[0]), float(cells.s[-1])
    blocks = max(1, round((stop - start) / block_m))
    length = (stop - start) / blocks if stop > start else block_m
    bins = max(3, round(2.0 * half_width_m / bin_m))
    at, profile = road_profile(cells, 2.0, max(2.5, 2.0 * c))
    inside = np.abs(cells.o) < bins * bin_m / 2.0
    cs, co = cells.s[inside], cells.o[inside]
    cz = cells.z[inside] - np.interp(cs, at, profile)
    row = np.clip(((cs - start) / length).astype(np.int64), 0, blocks - 1)
    col = np.clip((co / bin_m + bins / 2.0).astype(np.int64), 0, bins - 1)
    middle = (np.arange(bins) + 0.5 - bins / 2.0) * bin_m
    flat = row * bins + col
    count = np.bincount(flat, minlength=blocks * bins).reshape(blocks, bins).astype(float)
    value = cz.copy()
    for turn in range(clip_rounds + 1):
        total = np.bincount(flat, value, blocks * bins).reshape(blocks, bins)
        wide_sum = _moving_sum(total, 4)
        wide_count = _moving_sum(count, 4)
        with np.errstate(invalid="ignore", divide="ignore"):
            wide = wide_sum / wide_count
        if turn == clip_rounds:
            break
        off = cz - wide.ravel()[flat]
        limit = 4.0 * 1.4826 * float(np.median(np.abs(off))) + 0.02
        value = cz - off + np.clip(off, -limit, limit)
    # Cells don't lie in the middle of their bin: carry them there along the local slope.
    filled = _bridge(wide)
    slope = np.gradient(filled, bin_m, axis=1)
    value = value - slope.ravel()[flat] * (co - middle[col])
    total = np.bincount(flat, value, blocks * bins).reshape(blocks, bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        z = total / count
    centre = start + (np.arange(blocks) + 0.5) * length
    return BlockSections(
        s=centre,
        o=middle,
        z=z,
        weight=count,
        profile=np.interp(centre, at, profile),
        length_m=length,
    )


def _moving_sum(values: Floats, count: int) -> Floats:
    """Sum of `count` (or one more) rows around each row, fewer at the ends."""
    half = count // 2
    running = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    rows = np.arange(values.shape[0])
    low = np.clip(rows - half, 0, None)
    high = np.clip(rows + half + 1, None, values.shape[0])
    return np.asarray(running[high] - running[low])


def _bridge(values: Floats) -> Floats:
    """Fill unknown bins of each row by straight lines."""
    filled = values.copy()
    k = np.arange(values.shape[1])
    for i in np.flatnonzero(~np.isfinite(values).all(axis=1)):
        known = np.isfinite(values[i])
        filled[i] = np.interp(k, k[known], values[i, known]) if known.any() else 0.0
    return filled


def tie_shift(
    sections: BlockSections, half_m: float, shoulder_m: float, search_m: float
) -> tuple[Floats, bool]:
    """Find how far the road lies beside the given line, block by block, tied along the road.

    A symmetrical section (crown, edges, hinges at nominal widths) is fitted at every shift
    within the search window; the path of least misfit and least swerving is taken.

    Returns
    -------
    shift : (b,)
        Offset of the middle of the road, right positive, metres.
    found : bool
        False where no block has enough cells to tell.
    """
    step = 0.2
    shifts = np.arange(-round(search_m / step), round(search_m / step) + 1) * step
    reach = half_m + shoulder_m + 1.5
    known = np.isfinite(sections.z)
    weight = np.where(known, _moving_sum(np.where(known, sections.weight, 0.0), 3), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = _moving_sum(np.where(known, sections.z * sections.weight, 0.0), 3) / weight
    mean = np.where(weight > 0, mean, 0.0)
    cost = np.empty((sections.s.size, shifts.size))
    for j, d in enumerate(shifts):
        x = sections.o - d
        inside = np.abs(x) <= reach
        x = x[inside]
        design = np.column_stack(
            [
                np.ones_like(x),
                x,
                np.abs(x),
                np.maximum(x - half_m, 0),
                np.maximum(-x - half_m, 0),
                np.maximum(x - half_m - shoulder_m, 0),
                np.maximum(-x - half_m - shoulder_m, 0),
            ]
        )
        w = weight[:, inside]
        z = mean[:, inside]
        normal = np.einsum("bk,ki,kj->bij", w, design, design, optimize=True)
        right = np.einsum("bk,bk,ki->bi", w, z, design, optimize=True)
        normal += 1e-6 * np.eye(design.shape[1])
        beta = np.linalg.solve(normal, right[..., None])[..., 0]
        total = np.maximum(w.sum(axis=1), 1e-9)
        misfit = np.einsum("bk,bk->b", w, (z - beta @ design.T) ** 2)
        cost[:, j] = misfit / total
    enough = weight.sum(axis=1) > 4 * sections.o.size
    if not enough.any():
        return np.zeros(sections.s.size), False
    floor = np.median(cost[enough].min(axis=1)) + 1e-8
    cost = np.where(enough[:, None], cost / floor, 0.0) * 8.0
    swerve = (np.subtract.outer(shifts, shifts) / 0.25) ** 2
    path = cheapest_path(cost + 0.02 * shifts**2, swerve)
    shift = shifts[path]
    width = 5
    padded = np.concatenate([np.full(width // 2, shift[0]), shift, np.full(width // 2, shift[-1])])
    return np.convolve(padded, np.full(width, 1.0 / width), mode="valid"), True


def cheapest_path(cost: Floats, change: Floats) -> NDArray[np.int64]:
    """Choose a state per row so that the sum of costs and of changes is least.

    Parameters
    ----------
    cost : (b, k)
        Cost of each state in each row.
    change : (k, k)
        Cost of going from state i in one row to state j in the next.

    Returns
    -------
    (b,) int64 array
        The states, by dynamic programming (exact).
    """
    rows, states = cost.shape
    came = np.empty((rows, states), dtype=np.int64)
    best = cost[0].copy()
    for i in range(1, rows):
        total = best[:, None] + change
        came[i] = np.argmin(total, axis=0)
        best = total[came[i], np.arange(states)] + cost[i]
    path = np.empty(rows, dtype=np.int64)
    path[-1] = int(np.argmin(best))
    for i in range(rows - 1, 0, -1):
        path[i - 1] = came[i, path[i]]
    return path
