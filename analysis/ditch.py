"""The ditch along the road: invert, depth, grade, where it holds water, what it carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.along import average_along, correlated_share, interpolate_along, rows_for
from analysis.chance import NoiseMaker, rare_maximum
from analysis.filling import Progress, fill_profile

if TYPE_CHECKING:
    from analysis.breaks import Breaks
    from analysis.ribbon import Ribbon
    from analysis.surfaces import Noise

__all__ = [
    "ChannelFlow",
    "Ditch",
    "Sags",
    "critical_depth",
    "ditch_profile",
    "invert_grade",
    "manning",
    "normal_depth",
]

Floats = NDArray[np.float64]

GRAVITY = 9.80665
"""Standard gravity, m/s2 (CGPM 1901)."""

_SIGN = (-1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Sags:
    """Stretches of a ditch that hold water, one row each; m sags.

    Attributes
    ----------
    side : ndarray of int8, shape (m,)
        0 left, 1 right.
    from_s, to_s : ndarray, shape (m,)
        Where standing water begins and ends when the sag is full.
    bottom_s, spill_s : ndarray, shape (m,)
        Lowest point, and the high point over which it overflows.
    depth_mm, chance_mm : ndarray, shape (m,)
        Depth at the bottom, and the depth that noise alone makes.
    level_m : ndarray, shape (m,)
        Height of the water.
    touches_unknown : ndarray of bool, shape (m,)
        The invert isn't known next to it, so it may hold more than is given.
    """

    side: NDArray[np.int8]
    from_s: Floats
    to_s: Floats
    bottom_s: Floats
    spill_s: Floats
    depth_mm: Floats
    chance_mm: Floats
    level_m: Floats
    touches_unknown: NDArray[np.bool_]

    def __len__(self) -> int:
        return self.side.size


@dataclass(frozen=True, slots=True)
class Ditch:
    """Ditch by station and side, and its profile by row of the ribbon. NaN: no ditch known.

    Attributes
    ----------
    s : ndarray, shape (n,)
        Stations.
    invert_u, invert_z, invert_se : ndarray, shape (n, 2)
        Outward place, height and standard error of the invert, metres.
    depth_m : ndarray, shape (n, 2)
        Invert below the pavement edge.
    grade_pct, grade_se : ndarray, shape (n, 2)
        Along the road, positive where the invert falls up-station.
    sag_mm : ndarray, shape (n, 2)
        Deepest standing water beyond chance within half a spacing; 0 none.
    rising : ndarray of bool, shape (n, 2)
        Adverse: the invert rises on the way that the water has to go, beyond chance.
    hump_m : ndarray, shape (n, 2)
        Ditch shallower than it is around here (median over `around_m`), metres.
    dammed : ndarray of bool, shape (n, 2)
        A rise that water stands behind: the climb out of a sag that is shallower than the
        ditch around it.
    profile_s : ndarray, shape (r,)
        Rows of the profile.
    profile_u, profile_z, profile_level : ndarray, shape (r, 2)
        Averaged invert and the level to which it fills.
    sags : Sags
    source : str
        How noise was told from sags, for people.
    """

    s: Floats
    invert_u: Floats
    invert_z: Floats
    invert_se: Floats
    depth_m: Floats
    grade_pct: Floats
    grade_se: Floats
    sag_mm: Floats
    rising: NDArray[np.bool_]
    hump_m: Floats
    dammed: NDArray[np.bool_]
    profile_s: Floats
    profile_u: Floats
    profile_z: Floats
    profile_level: Floats
    sags: Sags
    source: str


@dataclass(frozen=True, slots=True)
class ChannelFlow:
    """Uniform flow in an open channel.

    Attributes
    ----------
    depth_m, area_m2, perimeter_m, radius_m, top_m : float
        Depth, wetted area and perimeter, hydraulic radius, width of the surface.
    velocity_ms, discharge_m3s, froude : float
        Mean velocity, discharge and Froude number.
    """

    depth_m: float
    area_m2: float
    perimeter_m: float
    radius_m: float
    top_m: float
    velocity_ms: float
    discharge_m3s: float
    froude: float


def invert_grade(s: ArrayLike, z: ArrayLike) -> Floats:
    """Give the grade of a ditch between neighbouring inverts.

    Parameters
    ----------
    s, z : array_like, shape (n,)
        Distance along the road and invert height, metres.

    Returns
    -------
    ndarray, shape (n - 1,)
        Percent, positive where the invert falls with growing `s`.

    Examples
    --------
    >>> invert_grade([0, 25, 50], [50.00, 49.95, 49.96]).round(2).tolist()
    [0.2, -0.04]
    """
    return np.asarray(-100.0 * np.diff(np.asarray(z, float)) / np.diff(np.asarray(s, float)))


def ditch_profile(
    ribbon: Ribbon,
    breaks: Breaks,
    noise: Noise | None = None,
    *,
    edge_z_m: NDArray[np.float64] | None = None,
    spacing_m: float | None = None,
    cell_m: float | None = None,
    average_m: float = 10.0,
    grade_over_m: float = 20.0,
    search_m: float = 0.75,
    bridge_m: float = 60.0,
    around_m: float = 150.0,
    culverts: NDArray[np.float64] | None = None,
    culvert_reach_m: float = 6.0,
    false_per_km: float = 0.1,
    progress: Progress | None = None,
) -> Ditch:
    """Follow the ditch inverts along the road and find where water stands in them.

    Parameters
    ----------
    ribbon, breaks
        The road's ribbon and breaks; `breaks.ditch` says where the inverts are.
    noise : Noise, optional
        Its noise; without it nothing is taken for chance.
    edge_z_m : ndarray, shape (n, 2), optional
        Height of the pavement at its edge; read from the averaged ribbon by default.
    spacing_m : float, optional
        Station spacing; the median step of `breaks.s` by default.
    cell_m : float, optional
        Size of the grid's cells, metres; the ribbon's step across by default.
    average_m : float
        Heights are averaged along the road over this length.
    grade_over_m : float
        Length of the straight line whose fall is the grade.
    search_m : float
        The invert is the lowest averaged height this near to `breaks.ditch`.
    bridge_m : float
        Gaps in `breaks.ditch` up to this length are bridged, so that a fill across the ditch
        shows as the hump that it is.
    around_m : float
        Length of ditch that a hump is compared with.
    culverts : ndarray, shape (c, 2), optional
        Culvert inlets as (s, o); a sag within `culvert_reach_m` along the road of one on its
        side is drained by it.
    false_per_km : float
        Sags made of noise that are put up with, per kilometre and side.
    progress : callable, optional
        Called with a fraction and a few words; may raise to cancel.

    Returns
    -------
    Ditch
    """
    s = np.asarray(breaks.s, np.float64)
    rows_s = ribbon.s
    n, r = s.size, rows_s.size
    step = float(ribbon.step_s)
    spacing = spacing_m or (float(np.median(np.diff(s))) if n > 1 else average_m)
    cell = cell_m or float(ribbon.step_o)
    if progress is not None:
        progress(0.0, "following the ditches")
    window = rows_for(average_m, step)
    ground, spread = average_along(ribbon.z, window)
    profile_u = _bridge(rows_s, s, np.asarray(breaks.ditch, np.float64), bridge_m)
    profile_u, profile_z, profile_spread = _lowest_near(ribbon, ground, spread, profile_u, search_m)

    sigma, correlation, nugget = _noise_at(noise, s, rows_s)
    share = correlated_share(average_m, cell, correlation, nugget)
    row_se = (sigma * share)[:, None] * profile_spread
    if edge_z_m is None:
        edge_u = interpolate_along(rows_s, s, breaks.edge)
        edge_rows = np.stack(
            [_sample(ribbon, ground, _SIGN[k] * edge_u[:, k]) for k in (0, 1)], axis=1
        )
    else:
        edge_rows = interpolate_along(rows_s, s, edge_z_m)

    index = np.clip(np.round((s - rows_s[0]) / step).astype(int), 0, max(r - 1, 0))
    invert_z = profile_z[index]
    grade, grade_se = _grades(ribbon, profile_z, s, grade_over_m, sigma, correlation, nugget, cell)
    depth_rows = edge_rows - profile_z
    hump = _median_around(depth_rows, rows_for(around_m, step)) - depth_rows

    outlets = _outlets(ribbon, culverts, culvert_reach_m)
    level = np.stack([fill_profile(profile_z[:, k], outlets=outlets[:, k]) for k in (0, 1)], axis=1)
    chance = _chance(profile_z, level, outlets, sigma, noise, cell, step, window, false_per_km)
    sags, standing, rising, dammed = _sags(rows_s, step, profile_z, level, chance, hump)
    half = max(0, round(0.5 * spacing / step))
    if progress is not None:
        progress(1.0, "followed the ditches")
    known = np.isfinite(invert_z)
    return Ditch(
        s=s,
        invert_u=profile_u[index],
        invert_z=invert_z,
        invert_se=row_se[index],
        depth_m=depth_rows[index],
        grade_pct=grade,
        grade_se=grade_se,
        sag_mm=np.where(known, 1000.0 * _around(standing, index, half), np.nan),
        rising=_around(rising, index, half) > 0,
        hump_m=hump[index],
        dammed=_around(dammed, index, half) > 0,
        profile_s=rows_s,
        profile_u=profile_u,
        profile_z=profile_z,
        profile_level=level,
        sags=sags,
        source=(
            f"invert averaged over {average_m:g} m; a sag counts where noise alone makes one as "
            f"deep less than {false_per_km:g} times per km"
            if noise is not None
            else f"invert averaged over {average_m:g} m; noise not given, every sag counts"
        ),
    )


def _bridge(rows_s: Floats, s: Floats, ditch: Floats, bridge_m: float) -> Floats:
    """Carry the ditch's place to the rows, over gaps that are short enough."""
    result = np.full((rows_s.size, 2), np.nan)
    for side in (0, 1):
        known = np.flatnonzero(np.isfinite(ditch[:, side]))
        if known.size == 0:
            continue
        at = s[known]
        line = np.interp(rows_s, at, ditch[known, side])
        right = np.clip(np.searchsorted(at, rows_s), 0, at.size - 1)
        left = np.clip(right - 1, 0, at.size - 1)
        reach = np.median(np.diff(s)) if s.size > 1 else bridge_m
        near = np.minimum(np.abs(rows_s - at[left]), np.abs(rows_s - at[right])) <= 0.5 * reach
        inside = (rows_s >= at[0]) & (rows_s <= at[-1]) & (at[right] - at[left] <= bridge_m)
        result[:, side] = np.where(near | inside, line, np.nan)
    return result


def _lowest_near(
    ribbon: Ribbon, ground: Floats, spread: Floats, u: Floats, search_m: float
) -> tuple[Floats, Floats, Floats]:
    """Find the lowest averaged height near the given outward places, row by row."""
    reach = max(1, round(search_m / ribbon.step_o))
    shifts = np.arange(-reach, reach + 1)
    k = ribbon.o.size
    place, height, error = (np.full(u.shape, np.nan) for _ in range(3))
    rows = np.arange(u.shape[0])
    for side in (0, 1):
        known = np.isfinite(u[:, side])
        middle = np.round(
            (_SIGN[side] * np.nan_to_num(u[:, side]) - ribbon.o[0]) / ribbon.step_o
        ).astype(int)
        columns = middle[:, None] + shifts[None, :]
        inside = (columns >= 0) & (columns < k) & known[:, None]
        columns = np.clip(columns, 0, k - 1)
        values = np.where(inside, ground[rows[:, None], columns], np.inf)
        values = np.where(np.isnan(values), np.inf, values)
        best = np.argmin(values, axis=1)
        column = columns[rows, best]
        low = values[rows, best]
        found = np.isfinite(low)
        place[:, side] = np.where(found, _SIGN[side] * ribbon.o[column], np.nan)
        height[:, side] = np.where(found, low, np.nan)
        error[:, side] = np.where(found, spread[rows, column], np.nan)
    return place, height, error


def _sample(ribbon: Ribbon, ground: Floats, o: Floats) -> Floats:
    """Read one averaged height per row at the nearest offset."""
    column = np.round((np.nan_to_num(o) - ribbon.o[0]) / ribbon.step_o).astype(int)
    inside = np.isfinite(o) & (column >= 0) & (column < ribbon.o.size)
    value = ground[np.arange(o.size), np.clip(column, 0, ribbon.o.size - 1)]
    return np.asarray(np.where(inside, value, np.nan))


def _noise_at(noise: Noise | None, s: Floats, rows_s: Floats) -> tuple[Floats, Floats, Floats]:
    if noise is None:
        return np.full(rows_s.size, np.nan), np.zeros(rows_s.size), np.ones(rows_s.size)
    return (
        interpolate_along(rows_s, s, noise.sigma_m),
        np.nan_to_num(interpolate_along(rows_s, s, noise.correlation_m)),
        np.nan_to_num(interpolate_along(rows_s, s, noise.nugget), nan=1.0),
    )


def _grades(
    ribbon: Ribbon,
    profile_z: Floats,
    s: Floats,
    over_m: float,
    sigma: Floats,
    correlation: Floats,
    nugget: Floats,
    cell_m: float,
) -> tuple[Floats, Floats]:
    """Fit a straight line to the invert around each station; percent, falling positive."""
    rows_s, step = ribbon.s, float(ribbon.step_s)
    half = max(1, round(0.5 * over_m / step))
    index = np.clip(np.round((s - rows_s[0]) / step).astype(int), 0, rows_s.size - 1)
    at = index[:, None] + np.arange(-half, half + 1)[None, :]
    inside = (at >= 0) & (at < rows_s.size)
    at = np.clip(at, 0, rows_s.size - 1)
    z = np.where(inside[..., None], profile_z[at], np.nan)
    known = np.isfinite(z)
    count = known.sum(axis=1)
    t = (rows_s[at] - rows_s[index][:, None])[..., None]
    middle = np.sum(np.where(known, t, 0.0), axis=1) / np.maximum(count, 1)
    arm = np.where(known, t - middle[:, None, :], 0.0)
    moment = np.sum(arm**2, axis=1)
    enough = (count >= 3) & (count * step >= 0.5 * over_m)
    safe = np.where(moment > 0, moment, 1.0)
    base = np.nanmean(profile_z) if np.isfinite(profile_z).any() else 0.0
    slope = np.sum(arm * np.where(known, z - base, 0.0), axis=1) / safe
    # Rows closer than a cell share cells; smooth noise shares its correlation length too.
    per_cell = cell_m / step
    smooth = np.maximum(np.sqrt(np.pi) * correlation / cell_m, 1.0)
    inflate = per_cell * (nugget + (1.0 - nugget) * smooth)
    variance = (sigma**2 * inflate)[index][:, None] / safe
    grade = np.where(enough, -100.0 * slope, np.nan)
    return grade, np.where(enough, 100.0 * np.sqrt(variance), np.nan)


def _median_around(values: Floats, rows: int) -> Floats:
    """Running median along axis 0 that leaves unknown values out, on a thinned profile."""
    n = values.shape[0]
    thin = max(1, rows // 60)
    picked = np.arange(0, n, thin)
    half = max(1, rows // (2 * thin))
    padded = np.pad(values[picked], ((half, half), (0, 0)), constant_values=np.nan)
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=0)
    result = np.full((picked.size, values.shape[1]), np.nan)
    known = np.isfinite(views).any(axis=-1)
    result[known] = np.nanmedian(views[known], axis=-1)
    return interpolate_along(np.arange(n), picked, result)


def _outlets(
    ribbon: Ribbon, culverts: NDArray[np.float64] | None, reach_m: float
) -> NDArray[np.bool_]:
    mask = np.zeros((ribbon.s.size, 2), bool)
    for s, o in np.asarray(culverts if culverts is not None else np.empty((0, 2)), np.float64):
        mask[np.abs(ribbon.s - s) <= reach_m, int(o >= 0)] = True
    return mask


def _chance(
    profile_z: Floats,
    level: Floats,
    outlets: NDArray[np.bool_],
    sigma: Floats,
    noise: Noise | None,
    cell_m: float,
    step: float,
    window: int,
    false_per_km: float,
) -> Floats:
    """Depth of sag (m) per row and side that noise makes on the drained profile."""
    n = profile_z.shape[0]
    if noise is None or n < 3:
        return np.zeros(profile_z.shape)
    from scipy.ndimage import uniform_filter1d

    correlation = float(np.nan_to_num(np.nanmedian(noise.correlation_m)))
    nugget = float(np.nan_to_num(np.nanmedian(noise.nugget), nan=1.0))
    maker = NoiseMaker(cell_m, correlation, nugget, seed=20_001)
    block = min(max(8, round(100.0 / step)), n)
    runs = int(np.clip(np.ceil(40 * block / n), 1, 40))
    probability = -np.expm1(-false_per_km * block * step / 1000.0)
    result = np.full(profile_z.shape, np.nan)
    # Every column of a made block is one more draw; columns two cells apart share nothing.
    apart = max(1, int(np.ceil(2.0 * cell_m / step)))
    for side in (0, 1):
        known = np.isfinite(level[:, side])
        if not known.any():
            continue
        made = maker.block(n + window, runs * apart, step, step)[:, ::apart]
        made = uniform_filter1d(made, window, axis=0)[window // 2 : window // 2 + n]
        maxima = []
        for run in range(made.shape[1]):
            z = level[:, side] + sigma * made[:, run]
            depth = (fill_profile(z, outlets=outlets[:, side]) - z) / np.maximum(sigma, 1e-9)
            depth = np.where(np.isfinite(depth), depth, 0.0)
            blocks = np.maximum.reduceat(depth, np.arange(0, n, block))
            seen = np.logical_or.reduceat(known, np.arange(0, n, block))
            maxima.append(blocks[seen])
        result[:, side] = rare_maximum(np.concatenate(maxima), probability) * sigma
    return result


def _sags(
    rows_s: Floats, step: float, z: Floats, level: Floats, chance: Floats, hump: Floats
) -> tuple[Sags, Floats, Floats, Floats]:
    """List the sags beyond chance; standing depth, climbs and dams by row and side."""
    standing, rising, dammed = (np.zeros(z.shape) for _ in range(3))
    table: list[tuple[float, ...]] = []
    for side in (0, 1):
        depth = level[:, side] - z[:, side]
        wet = depth > 0.0
        edges = np.flatnonzero(np.diff(np.r_[False, wet, False].astype(np.int8)))
        for first, end in zip(edges[::2], edges[1::2], strict=True):
            bottom = first + int(np.argmax(depth[first:end]))
            limit = chance[bottom, side]
            if not depth[bottom] > limit:
                continue
            height = level[bottom, side]
            before = z[first - 1, side] if first > 0 else np.nan
            after = z[end, side] if end < z.shape[0] else np.nan
            # The full sag runs over at the side whose rim is at the water's level.
            ahead = not (abs(before - height) <= abs(after - height))
            spill = end if ahead else first - 1
            spill = int(np.clip(spill, 0, z.shape[0] - 1))
            climb = slice(bottom, spill + 1) if ahead else slice(spill, bottom + 1)
            standing[first:end, side] = depth[first:end]
            rising[climb, side] = 1.0
            crest = _crest(z[:, side], hump[:, side], spill, ahead)
            if hump[crest, side].max(initial=-np.inf) > max(0.05, limit):
                dammed[climb, side] = 1.0
                dammed[crest, side] = 1.0
            unknown = bool(np.isnan(before) or np.isnan(after))
            table.append(
                (side, rows_s[first] - 0.5 * step, rows_s[end - 1] + 0.5 * step, rows_s[bottom],
                 rows_s[spill], 1000.0 * depth[bottom], 1000.0 * limit, height, unknown)
            )  # fmt: skip
    columns = np.array(table, np.float64).reshape(-1, 9).T
    sags = Sags(
        side=columns[0].astype(np.int8),
        from_s=columns[1],
        to_s=columns[2],
        bottom_s=columns[3],
        spill_s=columns[4],
        depth_mm=columns[5],
        chance_mm=columns[6],
        level_m=columns[7],
        touches_unknown=columns[8] > 0,
    )
    return sags, standing, rising, dammed


def _crest(z: Floats, hump: Floats, spill: int, ahead: bool) -> NDArray[np.intp]:
    """Rows of the rise around the spill point: as far as the ditch stays shallower there."""
    shallow = hump > 0.25 * max(float(hump[spill]), 0.0) if np.isfinite(hump[spill]) else None
    if shallow is None:
        return np.array([spill])
    rows = [spill]
    step = 1 if ahead else -1
    i = spill + step
    while 0 <= i < z.size and shallow[i]:
        rows.append(i)
        i += step
    return np.array(rows)


def _around(values: NDArray[np.float64], index: NDArray[np.intp], half: int) -> Floats:
    """Largest value within half a spacing of each station."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(values, 2 * half + 1, axis=0)[index], np.float64)


def manning(
    depth_m: float,
    grade: float,
    roughness: float,
    *,
    bottom_m: float = 0.0,
    foreslope: float = 4.0,
    backslope: float = 3.0,
) -> ChannelFlow:
    """Uniform flow in a ditch by Manning's equation (SI form).

    Parameters
    ----------
    depth_m : float
        Depth of flow.
    grade : float
        Fall of the invert as a fraction, positive.
    roughness : float
        Manning's n.
    bottom_m : float
        Width of the bottom; 0 for a V ditch.
    foreslope, backslope : float
        Run per unit of rise of the two banks.

    Returns
    -------
    ChannelFlow

    Raises
    ------
    ValueError
        If depth, grade or n isn't positive, or a dimension is negative.
    """
    if not (depth_m > 0 and grade > 0 and roughness > 0):
        raise ValueError(
            f"depth, grade and n must be positive, got {depth_m}, {grade} and {roughness}"
        )
    area, perimeter, top = _channel(depth_m, bottom_m, foreslope, backslope)
    radius = area / perimeter
    velocity = radius ** (2.0 / 3.0) * grade**0.5 / roughness
    froude = velocity / (GRAVITY * area / top) ** 0.5
    return ChannelFlow(depth_m, area, perimeter, radius, top, velocity, velocity * area, froude)


def normal_depth(
    discharge_m3s: float,
    grade: float,
    roughness: float,
    *,
    bottom_m: float = 0.0,
    foreslope: float = 4.0,
    backslope: float = 3.0,
) -> float:
    """Depth (m) at which a ditch carries a discharge in uniform flow; arguments as `manning`."""
    from scipy.optimize import brentq

    def surplus(depth: float) -> float:
        flow = manning(
            depth,
            grade,
            roughness,
            bottom_m=bottom_m,
            foreslope=foreslope,
            backslope=backslope,
        )
        return flow.discharge_m3s - discharge_m3s

    return float(brentq(surplus, 1e-6, _deep_enough(surplus), xtol=1e-10))


def critical_depth(
    discharge_m3s: float,
    *,
    bottom_m: float = 0.0,
    foreslope: float = 4.0,
    backslope: float = 3.0,
) -> float:
    """Depth (m) at which a discharge flows at Froude number 1."""
    from scipy.optimize import brentq

    def surplus(depth: float) -> float:
        area, _, top = _channel(depth, bottom_m, foreslope, backslope)
        return area**3 / top - discharge_m3s**2 / GRAVITY

    return float(brentq(surplus, 1e-6, _deep_enough(surplus), xtol=1e-10))


def _deep_enough(surplus: object) -> float:
    depth = 1.0
    while surplus(depth) < 0:  # type: ignore[operator]
        depth *= 2.0
    return depth


def _channel(
    depth: float, bottom: float, foreslope: float, backslope: float
) -> tuple[float, float, float]:
    if bottom < 0 or foreslope < 0 or backslope < 0:
        raise ValueError(
            "bottom width and side slopes can't be negative, "
            f"got {bottom}, {foreslope} and {backslope}"
        )
    top = bottom + (foreslope + backslope) * depth
    banks = (1.0 + foreslope**2) ** 0.5 + (1.0 + backslope**2) ** 0.5
    return 0.5 * (bottom + top) * depth, bottom + banks * depth, top
