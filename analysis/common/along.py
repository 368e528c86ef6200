"""Averaging and interpolating along the road, with what it does to noise."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.types import Bools, Floats

__all__ = [
    "average_along",
    "by_strands",
    "chance_below",
    "correlated_share",
    "error_of_mean",
    "fading",
    "flag_runs",
    "interpolate_along",
    "known_median",
    "lines_at",
    "median_of",
    "moving_sums",
    "rest_of_error",
    "rows_for",
    "runs",
    "slope_along",
    "spread_out",
    "steps_over",
    "whole_steps",
    "windows",
]


_ROWS_PER_BLOCK = 1024


def known_median(values: ArrayLike, default: float = np.nan) -> float:
    """Median of the known values; `default` where none is known."""
    numbers = np.asarray(values, dtype=float)
    known = numbers[np.isfinite(numbers)]
    return median_of(known) if known.size else default


def median_of(known: Floats) -> float:
    """What `numpy.median` gives of many numbers (n,), at least one, all of them known.

    The library finds one place several times as fast as the two that its own median asks for.

    >>> median_of(np.array([4.0, 1.0, 3.0])), median_of(np.array([4.0, 1.0, 3.0, 2.0]))
    (3.0, 2.5)
    """
    half = known.size // 2
    parted = np.partition(known, half)
    upper = float(parted[half])
    return upper if known.size % 2 else 0.5 * (float(parted[:half].max()) + upper)


def moving_sums(values: Floats, rows: int) -> Floats:
    """Sums over an odd number of rows about each row, fewer at the ends.

    >>> moving_sums(np.array([1.0, 2.0, 3.0]), 3).tolist()
    [3.0, 6.0, 5.0]
    """
    return np.asarray(windows(values, rows).sum(axis=-1), dtype=np.float64)


def windows(values: Floats, rows: int, fill: float = 0.0) -> Floats:
    """Give the rows about each row as a last axis, with `fill` beyond the ends."""
    half = rows // 2
    # what numpy's `pad` takes for this holds up other threads
    padded = np.full((len(values) + 2 * half, *values.shape[1:]), fill, values.dtype)
    padded[half : half + len(values)] = values
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=0)


def chance_below(value: Floats, se: Floats, limit: float) -> Floats:
    """Probability that the true value is below `limit`; NaN where value or error is unknown.

    >>> chance_below(np.array([1.0, 3.0, 1.0]), np.array([0.0, 1.0, np.nan]), 3.0)
    array([1. , 0.5, nan])
    """
    from scipy.special import ndtr

    known = np.isfinite(value) & np.isfinite(se)
    off = limit - np.where(known, value, 0.0)
    chance = np.where(se > 0.0, ndtr(off / np.where(se > 0.0, se, 1.0)), off > 0.0)
    return np.where(known, chance, np.nan)


def spread_out(size: int, most: int) -> NDArray[np.int64]:
    """Indices of so many of `size`, spread out evenly: the same from either end.

    >>> spread_out(8, 4).tolist()
    [0, 2, 5, 7]
    """
    at = np.linspace(0, size - 1, min(size, most))
    return np.unique(np.where(at < 0.5 * (size - 1), np.floor(at), np.ceil(at)).astype(np.int64))


def rest_of_error(se: Floats, part_se: Floats) -> Floats:
    """What standard errors (n,) hold beside an independent part of each; 0 where that is all."""
    return np.sqrt(np.maximum(se**2 - part_se**2, 0.0))


def error_of_mean(at_m: Floats, se: Floats, shared_se: Floats, average_m: float) -> float:
    """Standard error of a mean along the road; NaN of none.

    Parameters
    ----------
    at_m, se, shared_se : (n,)
        Places, standard errors, and that part of each which all have in common (NaN counts as
        none). The rest averages out but for the ground that neighbours share.
    average_m : float
        Length of road behind each value.

    Examples
    --------
    >>> at, se = np.array([0.0, 20.0, 40.0, 60.0]), np.full(4, 5.0)
    >>> error_of_mean(at, se, np.zeros(4), 20.0), error_of_mean(at, se, np.full(4, 3.0), 20.0)
    (2.5, 3.605551275463989)
    """
    if not se.size:
        return float("nan")
    shared = np.minimum(np.nan_to_num(shared_se), se)
    own = rest_of_error(se, shared)
    tied = np.clip(1.0 - np.abs(at_m[:, None] - at_m[None, :]) / average_m, 0.0, 1.0)
    return float(np.hypot(np.sqrt(own @ tied @ own) / se.size, shared.mean()))


def runs(
    labels: NDArray[Any], begins: Sequence[int] | NDArray[np.intp] = ()
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last index (inclusive) of each run of equal labels in (n,).

    Where lines lie end to end, a run begins at each of the indices `begins` whatever the labels.

    >>> [ends.tolist() for ends in runs(np.array([0, 0, 3, 3, 0], dtype=np.int8))]
    [[0, 2, 4], [1, 3, 4]]
    """
    starts = np.ones(len(labels), dtype=bool)
    np.not_equal(labels[1:], labels[:-1], out=starts[1:])
    starts[np.asarray(begins, dtype=np.intp)] = True
    first = np.flatnonzero(starts)
    return first, np.append(first[1:], len(labels))[: len(first)] - 1


def by_strands(
    strands: Sequence[NDArray[np.intp]], make: Callable[..., Floats], *values: Floats
) -> Floats:
    """Make values of each of several strands of stations by itself, and put them in order.

    Parameters
    ----------
    strands
        Indices of the stations of each; together all n of them.
    make
        Takes arrays over the stations of one strand and gives another such.
    values : (n, ...)
        What it takes, over all stations.

    Examples
    --------
    >>> odd_and_even = [np.array([0, 2]), np.array([1, 3])]
    >>> by_strands(odd_and_even, np.cumsum, np.array([1.0, 10.0, 2.0, 20.0])).tolist()
    [1.0, 10.0, 3.0, 30.0]
    """
    if len(strands) == 1:
        return make(*values)
    parts = [make(*(value[here] for value in values)) for here in strands]
    return np.concatenate(parts)[np.argsort(np.concatenate(strands))]


def flag_runs(flags: Bools) -> list[tuple[int, int]]:
    """First index and index past the last of each run of True in (n,)."""
    first, last = runs(flags)
    on = flags[first]
    return list(zip(first[on].tolist(), (last[on] + 1).tolist(), strict=True))


def slope_along(s: Floats, values: Floats, reach_m: float, at: Floats | None = None) -> Floats:
    """Slope of the straight line through what runs from station to station, about each of them.

    Least squares over all places within reach, not over the stations there: how far apart these lie
    then hardly matters, nor whether one more lies just within.

    Parameters
    ----------
    s, values : (n,)
        Ascending distances, at least two, and what lies on straight lines between.
    reach_m : float
        How far to both sides; the window ends where the stations do.
    at : (k,), optional
        Places between the stations to tell it about instead.

    Returns
    -------
    (n,) or (k,)

    Examples
    --------
    >>> slope_along(np.array([0.0, 10.0, 20.0, 30.0]), np.array([0.0, 1.0, 2.0, 3.0]), 25.0)
    array([0.1, 0.1, 0.1, 0.1])
    """
    run = np.diff(s)
    rise = np.diff(values) / run
    # sums of the values, and of the values times the distance, up to each station
    area = np.concatenate([[0.0], np.cumsum(run * (values[:-1] + 0.5 * rise * run))])
    own = values[:-1] * run**2 / 2.0 + rise * run**3 / 3.0
    moment = np.concatenate([[0.0], np.cumsum(s[:-1] * np.diff(area) + own)])

    def up_to(x: Floats) -> tuple[Floats, Floats]:
        i = np.clip(np.searchsorted(s, x, side="right") - 1, 0, s.size - 2)
        t = x - s[i]
        part = t * (values[i] + 0.5 * rise[i] * t)
        return area[i] + part, moment[i] + s[i] * part + values[i] * t**2 / 2.0 + rise[
            i
        ] * t**3 / 3.0

    about = np.clip(s if at is None else at, s[0], s[-1])
    low, high = np.maximum(about - reach_m, s[0]), np.minimum(about + reach_m, s[-1])
    (area_low, moment_low), (area_high, moment_high) = up_to(low), up_to(high)
    centred = moment_high - moment_low - 0.5 * (low + high) * (area_high - area_low)
    return np.asarray(12.0 * centred / (high - low) ** 3)


def steps_over(length_m: float, step_m: float) -> int:
    """Fewest whole steps that reach over a length; less than a millionth of a step more is none.

    Lengths and steps are mostly round numbers: a cell that is longer in its last place mustn't
    change how many places are looked at.

    >>> steps_over(3.0, 0.1), steps_over(3.0, np.nextafter(0.1, 0.0)), steps_over(3.01, 0.1)
    (30, 30, 31)
    """
    return int(np.ceil(length_m / step_m - 1e-6))


def whole_steps(length: ArrayLike, step: float) -> NDArray[np.int64]:
    """Nearest whole number of steps to each length; what is a hair off half a step is half of one.

    Of two as near it is the even one.

    >>> whole_steps([0.35, np.nextafter(0.35, 0.0), 0.34], 0.1).tolist()
    [4, 4, 3]
    """
    return np.rint(np.round(np.asarray(length, np.float64) / step, 6)).astype(np.int64)


def rows_for(window_m: float, step_m: float) -> int:
    """Give the odd number of rows, at least 1, that comes nearest to a window in metres."""
    return 1 + 2 * max(0, round((window_m / step_m - 1.0) / 2.0))


def average_along(z: ArrayLike, rows: int) -> tuple[Floats, Floats]:
    """Average each column over a centred window of rows, true to any straight grade.

    A plain mean is drawn up or down the grade wherever the window is cut by an end of the
    ribbon or by unknown cells, and would build dams there. So each window gets a straight
    line by least squares, which in a whole window is the mean.

    Parameters
    ----------
    z : array_like, shape (n, k)
        Heights, NaN unknown.
    rows : int
        Odd length of the window; 1 returns the heights themselves.

    Returns
    -------
    average : ndarray, shape (n, k)
        NaN where `z` is NaN.
    spread : ndarray, shape (n, k)
        Standard error against that of a whole window (white noise): 1 inside, about 2 at an
        end; NaN where `z` is.
    """
    ground = np.ascontiguousarray(z, np.float64)
    if ground.ndim != 2:
        raise ValueError(f"a ribbon must have two axes (stations, offsets), got {ground.ndim}")
    if rows < 1 or rows % 2 == 0:
        raise ValueError(f"the window must be an odd number of rows, at least 1, got {rows}")
    if rows == 1 or ground.size == 0:
        return ground.copy(), np.where(np.isnan(ground), np.nan, 1.0)
    from analysis.common.along_kernels import mean_rows

    n = ground.shape[0]
    half = rows // 2
    average, spread = np.empty_like(ground), np.ones_like(ground)
    holed = np.zeros(ground.shape[1], dtype=bool)
    # An end block as short as the window keeps the slow path to where it is needed.
    edges = np.unique(
        np.clip([0, half, *range(half, n - half, _ROWS_PER_BLOCK), n - half, n], 0, n)
    )
    for first, last in pairwise(edges):
        low = max(0, first - half)
        part, inner = ground[low : last + half], slice(first - low, last - low)
        if first < half or last > n - half:
            line, error = _line_fit(part, half)
            average[first:last], spread[first:last] = line[inner], error[inner]
            continue
        mean_rows(part, average[first:last], holed)
        if holed.any():
            line, error = _line_fit(part[:, holed], half)
            average[first:last, holed], spread[first:last, holed] = line[inner], error[inner]
    return average, spread


def _line_fit(z: Floats, half: int) -> tuple[Floats, Floats]:
    from scipy.ndimage import correlate1d

    def moment(values: Floats, power: int) -> Floats:
        weights = (np.arange(-half, half + 1.0) / max(half, 1)) ** power
        return np.asarray(correlate1d(values, weights, axis=0, mode="constant"))

    known = np.isfinite(z)
    if not known.any():
        return np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    seen = known.astype(np.float64)
    base = float(np.mean(z[known]))
    y = np.where(known, z - base, 0.0)
    s0, s1, s2 = moment(seen, 0), moment(seen, 1), moment(seen, 2)
    t0, t1 = moment(y, 0), moment(y, 1)
    spread_of_places = s0 * s2 - s1 * s1
    fits = known & (spread_of_places > 1e-6)
    safe = np.where(fits, spread_of_places, 1.0)
    line = np.where(fits, (s2 * t0 - s1 * t1) / safe + base, z)
    variance = np.where(fits, s2 / safe, 1.0)
    spread = np.sqrt(variance * (2 * half + 1))
    return np.where(known, line, np.nan), np.where(known, spread, np.nan)


def lines_at(there: Floats, s: Floats, values: Floats) -> Floats:
    """Give what `numpy.interp` does for ascending places (m,), in one walk along (n,) values.

    >>> lines_at(np.array([0.0, 1.5, 9.0]), np.array([1.0, 2.0]), np.array([4.0, 6.0])).tolist()
    [4.0, 5.0, 6.0]
    """
    from analysis.common.along_kernels import place_on_lines

    out = np.empty(there.size)
    place_on_lines(there, s, np.ascontiguousarray(values, np.float64), out)
    return out


def fading(distance_m: ArrayLike, length_m: float) -> Floats:
    """Correlation of the correlated part of a grid's noise at a distance: ``exp(-d / length)``.

    The one model of all that reckons with it. On a lidar grid of 0.61 m cells (24 000 cells of
    pavement, likeness of cells up to 4 m apart about planes) it fits better than a Gaussian or a
    spherical one, with misfits of 136, 145 and 152; on 1 m cells, 1 500 of them, all fit alike.
    """
    return np.asarray(np.exp(-np.asarray(distance_m, np.float64) / length_m))


def correlated_share(
    window_m: float, cell_m: float, correlation_m: ArrayLike, nugget: ArrayLike
) -> Floats:
    """Give the standard error of an average along the road as a share of sigma.

    Parameters
    ----------
    window_m, cell_m : float
        Length averaged over and size of the grid's cells, metres.
    correlation_m, nugget : array_like
        Distance at which the correlation of the noise has fallen to 1/e (`fading`), and the share
        of its variance that is white.

    Returns
    -------
    ndarray
        For white noise sqrt(cell / window), 1 for noise that never changes.

    Notes
    -----
    The variance of the mean over a length T of a process that fades over L, by integrating twice
    the correlation times ``1 - lag / T``: ``2 (r - r**2 (1 - exp(-1 / r)))`` with r = L / T.
    """
    length = max(window_m, cell_m)
    white = cell_m / length
    ratio = np.maximum(np.asarray(correlation_m, np.float64), 0.0) / length
    safe = np.clip(ratio, 1e-9, 1e4)
    # expm1 keeps the difference of nearly equal numbers
    tied = 2.0 * safe * (1.0 + safe * np.expm1(-1.0 / safe))
    tied = np.where(ratio * length > cell_m, tied, np.maximum(tied, white))
    share = np.clip(np.asarray(nugget, np.float64), 0.0, 1.0)
    return np.asarray(np.sqrt(share * white + (1.0 - share) * tied))


def interpolate_along(at_s: ArrayLike, s: ArrayLike, values: ArrayLike) -> Floats:
    """Interpolate station values along the road, never across an unknown one.

    Parameters
    ----------
    at_s : array_like, shape (m,)
        Where to.
    s : array_like, shape (n,)
        Ascending distances of the stations.
    values : array_like, shape (n, ...)
        NaN unknown.

    Returns
    -------
    ndarray, shape (m, ...)
        Straight lines between known neighbours; next to an unknown station, the known value
        reaches half way; beyond both ends, the end values hold.
    """
    there, s, values = (np.asarray(a, np.float64) for a in (at_s, s, values))
    if s.size == 0:
        return np.full((there.size, *values.shape[1:]), np.nan)
    if s.size == 1:
        return np.repeat(values, there.size, axis=0)
    right = np.clip(np.searchsorted(s, there), 1, s.size - 1)
    left = right - 1
    share = np.clip((there - s[left]) / (s[right] - s[left]), 0.0, 1.0)
    share = share.reshape(-1, *[1] * (values.ndim - 1))
    before, after = values[left], values[right]
    line = before + share * (after - before)
    nearest = np.where(share < 0.5, before, after)
    return np.asarray(np.where(np.isnan(line), nearest, line))
