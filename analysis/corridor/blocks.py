"""Native cells gathered into short blocks of road: sections that can be searched all at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.along import steps_over, whole_steps
from analysis.common.types import Floats

if TYPE_CHECKING:
    from analysis.corridor.block_kernels import Placed
    from analysis.corridor.values import Cells

__all__ = ["BLOCK_M", "BlockSections", "block_middles", "block_sections", "moving_sum"]
__all__ += ["road_profile"]


BLOCK_M = 5.0
"""Length of a block: short beside anything that changes along a road; at least three cells."""

WIDE_BLOCKS = 5
"""Odd number of blocks averaged in `BlockSections.wide`: enough to fill a bin of a coarse grid."""


@dataclass(frozen=True, slots=True)
class BlockSections:
    """Mean sections of consecutive blocks of road.

    Attributes
    ----------
    s : (b,)
        Middle of each block, metres.
    o : (k,)
        Middle of each bin across, metres right of the centre that was given.
    z : (b, k)
        Mean height in the bin relative to the road's profile, NaN where no cell lies.
    count : (b, k)
        Cells in the bin; those by its border count by their share.
    wide : (b, k)
        The same heights averaged over neighbouring blocks too, gaps bridged.
    scatter_m : float
        Robust scatter of single cells about `wide`, within two metres of the centre.
    length_m, bin_m : float
        Length of a block, width of a bin.
    bright, bright_count : (b, k), optional
        Mean brightness in the bin and how many cells tell it, where cells are bright or dark.
    bright_scatter : float
        Scatter of single cells' brightness within a bin.
    """

    s: Floats
    o: Floats
    z: Floats
    count: Floats
    wide: Floats
    scatter_m: float
    length_m: float
    bin_m: float
    bright: Floats | None = None
    bright_count: Floats | None = None
    bright_scatter: float = 0.0


def road_profile(
    s: Floats, o: Floats, z: Floats, *, near_m: float, step_m: float
) -> tuple[Floats, Floats]:
    """Return the height along the road: medians of the cells near its centre, step by step.

    Parameters
    ----------
    s, o, z : (m,)
        Cells sorted along the road, offsets from its centre.
    near_m : float
        Cells within this offset count.
    step_m : float
        Length of a step.

    Returns
    -------
    s, z : (b,)
        Steps without cells are bridged by straight lines; NaN if there are no cells at all.
    """
    from analysis.corridor.block_kernels import medians

    near = np.abs(o) <= near_m
    start, stop = float(s[0]), float(s[-1])
    count = max(1, round((stop - start) / step_m))
    bounds = np.linspace(start, stop, count + 1)
    cut = np.searchsorted(s[near], bounds)
    cut[-1] = int(near.sum())
    height = z[near]
    middle = np.empty(count)
    medians(height, cut, middle)
    at = 0.5 * (bounds[1:] + bounds[:-1])
    known = np.isfinite(middle)
    if not known.any():
        return at, middle
    return at, np.interp(at, at[known], middle[known])


def block_middles(cells: Cells) -> Floats:
    """Middles (b,) of the blocks that the cells, at least one, are gathered into.

    They share out the road evenly, so that it has the same ones from its other end.
    """
    start, length, blocks = _lengths(cells)
    return np.asarray(start + (np.arange(blocks) + 0.5) * length, dtype=np.float64)


def _lengths(cells: Cells) -> tuple[float, float, int]:
    """Where the first block begins, how long each is, and how many there are."""
    block_m = max(BLOCK_M, 3.0 * cells.cell_m)
    start, stop = float(cells.s[0]), float(cells.s[-1])
    blocks = max(1, round((stop - start) / block_m))
    return start, ((stop - start) / blocks if stop > start else block_m), blocks


def block_sections(
    cells: Cells, *, half_width_m: float, centre: Floats | None = None, bin_m: float | None = None
) -> BlockSections:
    """Average native cells into blocks along and bins across the road.

    Parameters
    ----------
    cells : Cells
        At least one.
    half_width_m : float
        Bins reach this far from the centre to both sides.
    centre : (m,), optional
        Offset of the road's centre at each cell; default the given centreline.
    bin_m : float, optional
        Width of a bin, default half a cell.

    Returns
    -------
    BlockSections
    """
    from analysis.corridor.block_kernels import Frame, Placed, carry, place

    c = cells.cell_m
    bin_m = 0.5 * c if bin_m is None else bin_m
    start, length, blocks = _lengths(cells)
    bins = 2 * max(2, int(whole_steps(half_width_m, bin_m)))
    offset = cells.o if centre is None else cells.o - centre
    at, profile = road_profile(
        cells.s, offset, cells.z, near_m=2.0 + 0.5 * c, step_m=max(2.5, 2.0 * c)
    )
    frame = Frame(start, length, bin_m, blocks, bins, at, profile)
    room = 2 * len(cells)
    whole = (np.empty(room, dtype=np.int64) for _ in range(2))
    placed = Placed(*whole, *(np.empty(room) for _ in range(3)))
    held = place(cells.s, offset, cells.z, frame, placed)
    placed = Placed(*(part[:held] for part in placed))
    middle = np.asarray((np.arange(bins) + 0.5 - 0.5 * bins) * bin_m, dtype=np.float64)
    shape = (blocks, bins)
    bright = None if cells.intensity is None else cells.intensity[placed.index]
    count = _summed(placed, np.ones(held), shape)
    value = placed.z.copy()
    scatter = 0.0
    many = moving_sum(count, WIDE_BLOCKS)
    for turn in range(3):
        total = _summed(placed, value, shape)
        wide = _bridge(_smooth_across(moving_sum(total, WIDE_BLOCKS), many, bin_m, c))
        if turn < 2:
            # cells don't lie in the middle of their bin
            slope = np.gradient(wide, bin_m, axis=1).ravel()
            scatter = float(carry(placed, wide.ravel(), slope, middle, 2.0, value))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
    return BlockSections(
        s=block_middles(cells),
        o=middle,
        z=mean,
        count=count,
        wide=wide,
        scatter_m=scatter,
        length_m=length,
        bin_m=bin_m,
        **({} if bright is None else _brightness(bright, placed, shape)),
    )


def _summed(placed: Placed, value: Floats, shape: tuple[int, int]) -> Floats:
    """Sums over the cells of each bin, as numpy's `bincount` gives but beside other threads."""
    from analysis.corridor.block_kernels import sum_bins

    out = np.zeros(shape)
    sum_bins(placed.flat, placed.share, value, out.reshape(-1))
    return out


def _brightness(bright: Floats, placed: Placed, shape: tuple[int, int]) -> dict[str, Any]:
    """Mean brightness of each bin, how many cells tell it, and the scatter of one of them."""
    told = np.isfinite(bright)
    value, flat, size = bright[told], placed.flat[told], shape[0] * shape[1]
    share = placed.share[told]
    # a glint or a puddle counts as bright or dark, and no more
    value = np.clip(value, *np.quantile(value, [0.01, 0.99])) if value.size else value
    count, total, squares = (
        np.bincount(flat, part, size) for part in (share, share * value, share * value**2)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
    several = count > 1
    within = squares[several] - count[several] * mean[several] ** 2
    scatter = np.sqrt(max(within.sum(), 0.0) / max((count[several] - 1.0).sum(), 1.0))
    return {
        "bright": mean.reshape(shape),
        "bright_count": count.reshape(shape),
        "bright_scatter": float(scatter),
    }


def moving_sum(values: Floats, rows: int) -> Floats:
    """Return sums over `rows` (odd) rows around each row, fewer at the ends."""
    from analysis.corridor.block_kernels import sum_rows

    out = np.empty(values.shape)
    sum_rows(values, rows // 2, out)
    return out


def _smooth_across(total: Floats, count: Floats, bin_m: float, reach_m: float) -> Floats:
    """Heights by a straight line through the bins within a cell of each bin; NaN if none.

    Where the road runs along the grid, the cells lie in lines and fill a bin here and there
    only, each from another stretch of road: single bins would make a saw.
    """
    from analysis.corridor.block_kernels import smooth_across

    half = max(1, steps_over(reach_m, bin_m))
    d = np.arange(-half, half + 1) * bin_m
    w = np.maximum(1.0 - np.abs(d) / (reach_m + bin_m), 0.0)
    out = np.empty_like(count)
    smooth_across(total, count, w, d, (0.1 * reach_m) ** 2, out)
    return out


def _bridge(values: Floats) -> Floats:
    """Fill unknown bins of each row by straight lines across."""
    filled = values.copy()
    k = np.arange(values.shape[1])
    for i in np.flatnonzero(~np.isfinite(values).all(axis=1)):
        known = np.isfinite(values[i])
        filled[i] = np.interp(k, k[known], values[i, known]) if known.any() else 0.0
    return filled
