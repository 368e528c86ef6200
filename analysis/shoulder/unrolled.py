"""The ground beside a road in short blocks: heights over the pavement's plane carried outward.

Relative to that plane a sound shoulder, a kerb, a lip or a driveway look the same on any grade
and in any curve, so that they can be compared with what lies before and after them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import flag_runs, lines_at, moving_sums, windows
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.edges.values import Breaks

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = ["BIN_M", "Unrolled", "closed", "grown", "short_pulses", "unroll"]


BIN_M = 0.25
"""Width of a bin across the road."""

_BLOCK_M = 2.5
_INSIDE_M = 3.0
_PAVEMENT_LENGTH_M = 12.5
_SLOPE_LENGTH_M = 50.0
_LEAST_KNOWN = 0.35
_WIDTH_M = 1.5
_STEADY_M = 50.0


@dataclass(frozen=True, slots=True)
class Unrolled:
    """One side of a road in b short blocks along and k bins across.

    Attributes
    ----------
    s : (b,)
        Middles of the blocks.
    x : (k,)
        Middles of the bins, outward from the edge.
    count, x_sum, r_sum : (b, k)
        Cells in a bin, sums of their places and of their heights over the pavement's plane.
    profile : (b,)
        Height of the pavement's plane at the edge, NaN where there is no pavement.
    width : (b,)
        Of the shoulder as it is for a while along the road, so that one wrong hinge doesn't count.
    box : (b, 2)
        Box widths of a cell across the road, wider one first, neither of them zero.
    known, masked : (b,)
        Least share of pavement and of shoulder that has heights; share of the shoulder's cells
        that the user's layer takes out.
    length_m, cell_m : float
        Length of a block, size of a cell.
    """

    s: Floats
    x: Floats
    count: Floats
    x_sum: Floats
    r_sum: Floats
    profile: Floats
    width: Floats
    box: Floats
    known: Floats
    masked: Floats
    length_m: float
    cell_m: float

    def band(self, low: Floats, high: Floats) -> Floats:
        """Mean height of the bins between two distances from the edge, (b,); NaN if too few."""
        inside = (self.x[None, :] >= low[:, None]) & (self.x[None, :] <= high[:, None])
        count = np.einsum("bk,bk->b", inside, self.count)
        total = np.einsum("bk,bk->b", inside, self.r_sum)
        expected = self.length_m * np.maximum(high - low, 0.0) / self.cell_m**2
        enough = count >= np.maximum(_LEAST_KNOWN * expected, 1.0)
        return np.where(enough, total / np.maximum(count, 1.0), np.nan)


def unroll(
    cells: Cells, breaks: Breaks, side: int, box_m: Floats, skip: NDArray[np.bool_]
) -> Unrolled:
    """Lay one side of a road straight, level and flat.

    Parameters
    ----------
    cells : Cells
        At least one.
    breaks : Breaks
    side : int
        0 left, 1 right.
    box_m : (n, 2)
        Box widths of a cell across the road.
    skip : (m,) bool
        Cells that the user's layer takes out.

    Returns
    -------
    Unrolled
    """
    c, sign = cells.cell_m, SIDE_SIGN[side]
    start, stop = float(cells.s[0]), float(cells.s[-1])
    blocks = max(1, round((stop - start) / max(_BLOCK_M, 2.5 * c)))
    length = max(stop - start, c) / blocks
    middle = np.asarray(start + (np.arange(blocks) + 0.5) * length, dtype=np.float64)
    width = _steady_width(breaks, side, middle)
    reach = min(float(width.max()) + 4.0, 10.0)
    line = breaks.along()
    outward = sign * cells.o - lines_at(cells.s, line.s, line.edge[:, side])
    near = np.flatnonzero((outward > -_INSIDE_M) & (outward < reach))
    s, x, z = cells.s[near], outward[near], cells.z[near]
    block = np.clip(((s - start) / length).astype(np.int64), 0, blocks - 1)
    known, masked = _coverage(block, x, skip[near], width, length / c**2)
    if skip.any():
        kept = ~skip[near]
        s, x, z, block = s[kept], x[kept], z[kept], block[kept]
    t = s - middle[block]
    box = np.sort(np.column_stack([np.interp(middle, breaks.s, box_m[:, k]) for k in (0, 1)]))
    box = np.maximum(box[:, ::-1], np.array([0.1 * c, 0.02 * c]))
    inner = np.interp(middle, line.s, sign * line.axis - line.edge[:, side])
    limit = -0.5 * box.sum(axis=1) - 0.25
    inner = np.minimum(inner + 0.3, limit - 1.0)
    on = (x < limit[block]) & (x > inner[block])
    profile, slope = _pavement(block[on], x[on], t[on], z[on], blocks, length)
    paved = np.isfinite(profile)
    bins = int(np.ceil((reach + _INSIDE_M) / BIN_M))
    shape = (blocks, bins)
    count, x_sum, r_sum = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    if paved.any():
        level = _carried(s, middle[paved], profile[paved])
        here = paved[block]
        r = z - level - slope[block] * x
        place = np.minimum(((x + _INSIDE_M) / BIN_M).astype(np.int64), bins - 1)
        flat = (block * bins + place)[here]
        count = np.bincount(flat, minlength=blocks * bins).reshape(shape).astype(np.float64)
        x_sum = np.bincount(flat, x[here], blocks * bins).reshape(shape).astype(np.float64)
        r_sum = np.bincount(flat, r[here], blocks * bins).reshape(shape).astype(np.float64)
    at = np.asarray((np.arange(bins) + 0.5) * BIN_M - _INSIDE_M, dtype=np.float64)
    return Unrolled(middle, at, count, x_sum, r_sum, profile, width, box, known, masked, length, c)


def _carried(s: Floats, at: Floats, level: Floats) -> Floats:
    """Heights between the middles of blocks, and on at the same grade beyond the last ones."""
    if at.size > 1:
        ends = np.array([at[0] - (at[1] - at[0]), at[-1] + (at[-1] - at[-2])])
        level = np.concatenate([[2.0 * level[0] - level[1]], level, [2.0 * level[-1] - level[-2]]])
        at = np.concatenate([ends[:1], at, ends[1:]])
    return np.interp(s, at, level)


def _steady_width(breaks: Breaks, side: int, at: Floats) -> Floats:
    line = breaks.along()
    width = (line.hinge - line.edge)[:, side]
    found = np.isfinite(width)
    if not found.any():
        return np.full(at.size, _WIDTH_M)
    width = np.interp(at, line.s[found], width[found])
    step = float(at[1] - at[0]) if at.size > 1 else _STEADY_M
    around = windows(width, 2 * round(0.5 * _STEADY_M / step) + 1, np.nan)
    return np.asarray(np.clip(np.nanmedian(around, axis=-1), 0.5, None))


def _coverage(
    block: NDArray[np.int64], x: Floats, skip: NDArray[np.bool_], width: Floats, lattice: float
) -> tuple[Floats, Floats]:
    """Least share of pavement and shoulder with heights; share of the shoulder masked."""
    b = width.size
    pavement = np.bincount(block[(x > -2.0) & (x < 0.0)], minlength=b) / (2.0 * lattice)
    shoulder = (x >= 0.0) & (x <= width[block])
    count = np.bincount(block[shoulder], minlength=b)
    masked = np.bincount(block[shoulder & skip], minlength=b)
    known = np.minimum(np.minimum(pavement, count / (width * lattice)), 1.0)
    return known, masked / np.maximum(count, 1)


def _pavement(
    block: NDArray[np.int64], x: Floats, t: Floats, z: Floats, blocks: int, length_m: float
) -> tuple[Floats, Floats]:
    """Height of the pavement's plane at its edge, and its slope outward, per block.

    The slope is taken from a longer stretch than the height: it changes less and needs more
    cells. A second round bounds what vehicles on the pavement do.
    """
    weight = np.ones(x.size)
    base = float(np.median(z)) if z.size else 0.0
    level = np.full(blocks, np.nan)
    slope = np.zeros(blocks)
    for turn in range(2):
        sums: dict[str, Floats] = {}
        for name, value in (
            ("n", weight), ("x", weight * x), ("t", weight * t), ("z", weight * (z - base)),
            ("xx", weight * x * x), ("xt", weight * x * t), ("tt", weight * t * t),
            ("xz", weight * x * (z - base)), ("tz", weight * t * (z - base)),
        ):  # fmt: skip
            sums[name] = np.bincount(block, value, blocks).astype(np.float64)
        n = np.maximum(sums["n"], 1e-9)

        def moment(one: str, other: str, sums: dict[str, Floats] = sums, n: Floats = n) -> Floats:
            name = one + other if one + other in sums else other + one
            return np.asarray(sums[name] - sums[one] * sums[other] / n)

        wide = max(1, round(_SLOPE_LENGTH_M / length_m))
        xx, xt, tt = (moving_sums(moment(*pair), wide) for pair in ("xx", "xt", "tt"))
        xz, tz = moving_sums(moment("x", "z"), wide), moving_sums(moment("t", "z"), wide)
        spread = xx * tt - xt * xt
        good = spread > 1e-9
        slope = np.where(good, (xz * tt - tz * xt) / np.where(good, spread, 1.0), 0.0)
        # heights of single blocks at the edge, then a straight line through a few of them
        own = np.where(sums["n"] > 0.0, (sums["z"] - slope * sums["x"]) / n, 0.0)
        offset = np.where(sums["n"] > 0.0, sums["t"] / n, 0.0)
        rows = max(3, round(_PAVEMENT_LENGTH_M / length_m))
        level = _local_line(offset, own, sums["n"], rows, length_m)
        level = level + base
        if turn == 0 and z.size:
            along = np.asarray(np.arange(blocks) * length_m, dtype=np.float64)
            known = np.isfinite(level)
            if not known.any():
                break
            plane = _carried(along[block] + t, along[known], level[known]) + slope[block] * x
            off = np.abs(z - plane)
            bound = 2.5 * 1.4826 * float(np.median(off)) + 1e-3
            weight = np.minimum(1.0, bound / np.maximum(off, 1e-9))
    return level, slope


def _local_line(offset: Floats, value: Floats, count: Floats, rows: int, step: float) -> Floats:
    """Value at the middle of each block by a straight line through the blocks about it.

    `offset` (b,) is how far the values lie from the middles of their blocks.
    """
    half = rows // 2
    place = windows(offset, rows) + np.arange(-half, half + 1) * step
    n, v = windows(count, rows), windows(value, rows)
    total = np.maximum(n.sum(axis=-1), 1e-9)
    mean_x, mean_v = (n * place).sum(axis=-1) / total, (n * v).sum(axis=-1) / total
    away = place - mean_x[:, None]
    spread = (n * away**2).sum(axis=-1)
    slope = (n * away * v).sum(axis=-1) / np.maximum(spread, 1e-9)
    slope = np.where(spread > 0.25 * step**2 * total, slope, 0.0)
    return np.where(n.sum(axis=-1) > 0.0, mean_v - slope * mean_x, np.nan)


def closed(flags: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """Close gaps of at most so many blocks between runs."""
    out = flags.copy()
    for (_, end), (begin, _) in pairwise(flag_runs(flags)):
        if begin - end <= most:
            out[end:begin] = True
    return out


def short_pulses(values: Floats, most: int, least: float | Floats) -> NDArray[np.bool_]:
    """Where values stand up by `least` over what lies before and after, for `most` blocks at most.

    A top hat: values less their opening, which keeps whatever is longer. Unknown values
    are passed over; what runs into an end of the road isn't known to be short.
    """
    rows = 2 * (most // 2) + 1
    known = np.isfinite(values)
    low = windows(np.where(known, values, np.inf), rows, np.inf).min(axis=-1)
    opened = windows(np.where(np.isfinite(low), low, -np.inf), rows, -np.inf).max(axis=-1)
    high = known & np.isfinite(opened) & (np.where(known, values, 0.0) - opened >= least)
    for first, last in flag_runs(high):
        if first == 0 or last == values.size:
            high[first:last] = False
    return np.asarray(high, dtype=bool)


def grown(flags: NDArray[np.bool_], blocks: int) -> NDArray[np.bool_]:
    """Let runs of True grow by so many blocks at both ends."""
    near = windows(flags.astype(np.float64), 2 * blocks + 1)
    return np.asarray(near.any(axis=-1), dtype=bool)
