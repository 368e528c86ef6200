"""Compiled loops that gather cells into blocks of road; imported only when cells are looked at.

The functions compute and check nothing: `analysis.corridor.blocks` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.bin_kernels import BORDER, bin_shares
from analysis.common.compiled import compiled

__all__ = ["Frame", "Placed", "carry", "medians", "place", "smooth_across", "sum_bins", "sum_rows"]


class Frame(NamedTuple):
    """Blocks along and bins across the road, and its height along it.

    Attributes
    ----------
    start, length_m, bin_m : float
        Where the first block begins, how long each is, how wide a bin is.
    blocks, bins : int
    at, profile : (p,)
        Places along the road, ascending, and its height there.
    """

    start: float
    length_m: float
    bin_m: float
    blocks: int
    bins: int
    at: Any
    profile: Any


class Placed(NamedTuple):
    """Cells in bins, (m,) each; one by the border of two bins is in both, by its shares.

    Attributes
    ----------
    index, flat : int
        Number of the cell, and of its bin, row by row.
    o, z : float
        Distance from the road's middle, height over its profile.
    share : float
        Share of the cell that lies in the bin.
    """

    index: Any
    flat: Any
    o: Any
    z: Any
    share: Any


@compiled
def sum_bins(flat: Any, share: Any, value: Any, out: Any) -> None:
    """Add up shares (m,) of values (m,) in the bins (m,) that they lie in."""
    for i in range(flat.size):
        out[flat[i]] += share[i] * value[i]


@compiled
def medians(values: Any, cut: Any, out: Any) -> None:
    """Median of each piece, from one cut (p + 1,) to the next; NaN where it is empty."""
    for k in range(out.size):
        part = values[cut[k] : cut[k + 1]]
        out[k] = np.median(part) if part.size > 0 else np.nan


@compiled
def place(s: Any, offset: Any, z: Any, frame: Frame, out: Placed) -> int:
    """Find the bins of each cell; return how many pairs of them there are.

    Parameters
    ----------
    s, offset, z : (m,)
        Ascending distances along the road, distances from its middle, heights.
    frame : Frame
    out : Placed
        Filled from the front; room for two bins a cell.
    """
    at, profile = frame.at, frame.profile
    reach = (0.5 * frame.bins + BORDER) * frame.bin_m
    count = j = 0
    for i in range(s.size):
        if not abs(offset[i]) < reach:
            continue
        while j + 1 < at.size and at[j + 1] <= s[i]:
            j += 1
        if s[i] <= at[0]:
            level = profile[0]
        elif j + 1 >= at.size:
            level = profile[at.size - 1]
        else:
            slope = (profile[j + 1] - profile[j]) / (at[j + 1] - at[j])
            level = slope * (s[i] - at[j]) + profile[j]
        height = z[i] - level
        if not np.isfinite(height):
            continue
        row = min(max(int((s[i] - frame.start) / frame.length_m), 0), frame.blocks - 1)
        own, beside, other = bin_shares(offset[i] / frame.bin_m + 0.5 * frame.bins)
        for col, share in ((own, 1.0 - other), (beside, other)):
            if share > 0.0 and 0 <= col < frame.bins:
                out.index[count] = i
                out.flat[count] = row * frame.bins + col
                out.o[count] = offset[i]
                out.z[count] = height
                out.share[count] = share
                count += 1
    return count


@compiled
def sum_rows(values: Any, half: int, out: Any) -> None:
    """Sum so many rows before and after each row and itself, fewer at the ends; `out` is filled."""
    n, k = values.shape
    running = np.empty((n + 1, k))
    running[0] = 0.0
    for i in range(n):
        for j in range(k):
            running[i + 1, j] = running[i, j] + values[i, j]
    for i in range(n):
        first, stop = max(i - half, 0), min(i + half + 1, n)
        for j in range(k):
            out[i, j] = running[stop, j] - running[first, j]


@compiled
def smooth_across(total: Any, count: Any, weight: Any, away: Any, least: float, out: Any) -> None:
    """Heights by a straight line through the bins about each bin; NaN where there are none.

    Parameters
    ----------
    total, count, out : (b, k)
        Sums of heights, and number of cells, in each bin.
    weight, away : (2 h + 1,)
        Weight of each bin about one, and how far it lies off, metres.
    least : float
        Least variance across, square metres, that tells a slope.
    """
    rows, bins = count.shape
    half = weight.size // 2
    for i in range(rows):
        for j in range(bins):
            s0 = s1 = s2 = t0 = t1 = 0.0
            for k in range(max(0, half - j), min(weight.size, bins - j + half)):
                w, d = weight[k], away[k]
                n, t = count[i, j + k - half], total[i, j + k - half]
                s0 += w * n
                s1 += w * d * n
                s2 += w * d * d * n
                t0 += w * t
                t1 += w * d * t
            if not s0 > 0.5:
                out[i, j] = np.nan
                continue
            middle, mean = s1 / s0, t0 / s0
            across = s2 / s0 - middle * middle
            out[i, j] = mean
            if across > least:
                out[i, j] = mean - (t1 / s0 - middle * mean) / across * middle


@compiled
def carry(placed: Placed, wide: Any, slope: Any, middle: Any, near_m: float, value: Any) -> float:
    """Carry cells to the middles of their bins along the slope there, and pull in what is far off.

    Parameters
    ----------
    placed : Placed
    wide, slope : (b * k,)
        Height and slope across in each bin.
    middle : (k,)
        Middles of the bins.
    near_m : float
        Cells this near to the middle of the road tell the scatter.
    value : (m,)
        Filled with heights.

    Returns
    -------
    float
        Robust scatter of single cells about `wide`; 0 without any.
    """
    bins = middle.size
    off, near = np.empty(value.size), np.empty(value.size)
    count = 0
    for i in range(value.size):
        at = placed.flat[i]
        value[i] = placed.z[i] - slope[at] * (placed.o[i] - middle[at % bins])
        off[i] = value[i] - wide[at]
        if abs(placed.o[i]) < near_m and placed.share[i] > 0.5:
            near[count] = abs(off[i])
            count += 1
    scatter = 1.4826 * np.median(near[:count]) if count > 0 else 0.0
    # bushes and cars are pulled in to a bounded distance from their surroundings
    limit = 4.0 * scatter + 0.03
    for i in range(value.size):
        value[i] = value[i] - off[i] + min(max(off[i], -limit), limit)
    return scatter
