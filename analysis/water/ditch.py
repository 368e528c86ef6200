"""The ditch along the road: invert, depth, grade, where it holds water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import (
    average_along,
    correlated_share,
    interpolate_along,
    rows_for,
    windows,
)
from analysis.common.sides import SIDE_SIGN
from analysis.common.station_arrays import PerStation
from analysis.common.types import Bools, Floats, Progress, share_of
from analysis.water.chance import FALSE_PER_KM, NoiseMaker, rare_maximum
from analysis.water.filling import fill_profile, fill_ribbon
from analysis.water.outlets import Outlets
from analysis.water.sags import InvertLine, Sags, find_sags
from analysis.water.zones import Zoned

if TYPE_CHECKING:
    from analysis.corridor.values import Ribbon
    from analysis.shoulder.values import Noise

__all__ = ["Ditch", "Sags", "ditch_profile"]


_SEED = 20_001  # same input, same answer
# Heights are averaged along the road over the first length; sags too shallow to be told from
# noise there are looked for over the second.
_AVERAGES_M = (2.5, 10.0)
_GRADE_OVER_M = 20.0  # the grade is the fall of a straight line of this length
_SEARCH_M = 0.75  # the invert is the lowest averaged height this near to the found one
_BRIDGE_M = 60.0  # a shorter gap may be a fill across the ditch, which shows as a hump
_AROUND_M = 150.0  # length of ditch that a hump is compared with


@dataclass(frozen=True, slots=True)
class Ditch:
    """Ditch by station and side, and the water that stands in it. NaN: no ditch known.

    Attributes
    ----------
    s : ndarray, shape (n,)
        Stations.
    invert_u, invert_se : ndarray, shape (n, 2)
        Outward place of the invert, and the standard error of its height, metres.
    depth_m : ndarray, shape (n, 2)
        Invert below the pavement edge.
    grade_pct, grade_se : ndarray, shape (n, 2)
        Along the road, positive where the invert falls up-station.
    sag_mm : ndarray, shape (n, 2)
        Deepest standing water beyond chance within half a spacing; 0 none, NaN where it
        depends on an outlet that the grid doesn't show.
    rising : ndarray of bool, shape (n, 2)
        Adverse: the invert rises on the way that the water has to go, beyond chance.
    hump_m : ndarray, shape (n, 2)
        Ditch shallower than it is around here (median over 150 m), metres.
    dammed : ndarray of bool, shape (n, 2)
        A rise that water stands behind: the climb out of a sag that is shallower than the
        ditch around it.
    crossing : ndarray of bool, shape (n, 2)
        Such a rise, but short and flush with the road, as a side access is: it may have a
        culvert, so that it isn't called a dam. Name the culvert, or have a look.
    crossings : ndarray, shape (c, 3)
        The same as (side, from s, to s).
    sags : Sags
    """

    s: PerStation[Floats]
    invert_u: PerStation[Floats]
    invert_se: PerStation[Floats]
    depth_m: PerStation[Floats]
    grade_pct: PerStation[Floats]
    grade_se: PerStation[Floats]
    sag_mm: PerStation[Floats]
    rising: PerStation[NDArray[np.bool_]]
    hump_m: PerStation[Floats]
    dammed: PerStation[NDArray[np.bool_]]
    crossing: PerStation[NDArray[np.bool_]]
    crossings: Floats
    sags: Sags


class _Local(NamedTuple):
    """The road's noise at the ribbon's rows, (r,), and the size of the grid's cells."""

    sigma: Floats
    correlation: Floats
    nugget: Floats
    cell_m: float


def ditch_profile(
    zoned: Zoned,
    noise: Noise,
    *,
    edge_z_m: Floats,
    spacing_m: float,
    cell_m: float,
    outlets: Outlets,
    progress: Progress | None = None,
) -> Ditch:
    """Follow the ditch inverts along the road and find where water stands in them.

    Parameters
    ----------
    zoned, noise
        The road's ribbon with its breaks, and its noise; `breaks.ditch` says where the inverts are.
    edge_z_m : ndarray, shape (n, 2)
        Height of the pavement at its edge.
    spacing_m : float
        Station spacing.
    cell_m : float
        Size of the grid's cells, metres.
    outlets : Outlets
        Where water leaves besides the borders.
    progress : callable, optional
        Called with a fraction and a few words; may raise to cancel.

    Returns
    -------
    Ditch
    """
    ribbon, breaks = zoned.ribbon, zoned.breaks
    s = np.asarray(breaks.s, np.float64)
    step = float(ribbon.step_s)
    report = share_of(progress, 0.0, 1.0)
    report(0.0, "following the ditches")
    line = breaks.along()
    place = _bridge(ribbon.s, line.s, np.asarray(line.ditch, np.float64))
    local = _Local(
        interpolate_along(ribbon.s, s, noise.sigma_m),
        np.nan_to_num(interpolate_along(ribbon.s, s, noise.correlation_m)),
        np.nan_to_num(interpolate_along(ribbon.s, s, noise.nugget), nan=1.0),
        cell_m,
    )
    maker = NoiseMaker.like(noise, cell_m, seed=_SEED)
    inverts, errors = zip(
        *(_invert_line(ribbon, place, outlets, length, local, maker) for length in _AVERAGES_M),
        strict=True,
    )
    invert = inverts[0]
    share = correlated_share(_AVERAGES_M[0], cell_m, local.correlation, local.nugget)
    row_se = (local.sigma * share)[:, None] * errors[0]
    index = np.clip(np.round((s - ribbon.s[0]) / step).astype(int), 0, max(ribbon.s.size - 1, 0))
    grade, grade_se = _grades(ribbon, invert.z, index, local)
    depth_rows = interpolate_along(ribbon.s, s, edge_z_m) - invert.z
    hump = _median_around(depth_rows, rows_for(_AROUND_M, step)) - depth_rows
    found = find_sags(ribbon, inverts, outlets, depth_rows, hump)
    half = max(0, round(0.5 * spacing_m / step))
    report(1.0, "followed the ditches")
    known = np.isfinite(invert.z[index])
    return Ditch(
        s=s,
        invert_u=invert.u[index],
        invert_se=row_se[index],
        depth_m=depth_rows[index],
        grade_pct=grade,
        grade_se=grade_se,
        sag_mm=np.where(known, 1000.0 * _worst(found.standing, index, half), np.nan),
        rising=_around(found.rising, index, half) > 0,
        hump_m=hump[index],
        dammed=_around(found.dammed, index, half) > 0,
        crossing=_around(found.crossing, index, half) > 0,
        crossings=found.crossings,
        sags=found.sags,
    )


def _invert_line(
    ribbon: Ribbon,
    place: Floats,
    outlets: Outlets,
    length_m: float,
    local: _Local,
    maker: NoiseMaker,
) -> tuple[InvertLine, Floats]:
    """Both ditches averaged over a length, and the factor on the noise of each row, (r, 2)."""
    window = rows_for(length_m, float(ribbon.step_s))
    ground, spread = average_along(ribbon.z, window)
    water = fill_ribbon(ground, outlets=outlets.on_average(window), holes_drain=True)
    column, known = _lowest_near(ribbon, ground, place)
    at = np.arange(ribbon.s.size)[:, None]
    u = np.where(known, np.array(SIDE_SIGN) * ribbon.o[column], np.nan)
    z, error, level = (np.where(known, a[at, column], np.nan) for a in (ground, spread, water))
    chance = _chance(level, local, maker, float(ribbon.step_s), window)
    return InvertLine(ground, water, column, u, z, level, chance * error), error


def _bridge(rows_s: Floats, s: Floats, ditch: Floats) -> Floats:
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
        reach = np.median(np.diff(s)) if s.size > 1 else _BRIDGE_M
        near = np.minimum(np.abs(rows_s - at[left]), np.abs(rows_s - at[right])) <= 0.5 * reach
        inside = (rows_s >= at[0]) & (rows_s <= at[-1]) & (at[right] - at[left] <= _BRIDGE_M)
        result[:, side] = np.where(near | inside, line, np.nan)
    return result


def _lowest_near(ribbon: Ribbon, ground: Floats, u: Floats) -> tuple[NDArray[np.intp], Bools]:
    """Columns (r, 2) of the lowest ground near outward places, and where there is any known."""
    reach = max(1, round(_SEARCH_M / ribbon.step_o))
    k = ribbon.o.size
    middle = np.round((np.array(SIDE_SIGN) * np.nan_to_num(u) - ribbon.o[0]) / ribbon.step_o)
    columns = middle.astype(int)[..., None] + np.arange(-reach, reach + 1)
    inside = (columns >= 0) & (columns < k) & np.isfinite(u)[..., None]
    columns = np.clip(columns, 0, k - 1)
    values = np.where(inside, ground[np.arange(len(u))[:, None, None], columns], np.inf)
    values[np.isnan(values)] = np.inf
    best = np.argmin(values, axis=-1)[..., None]
    column, lowest = (np.take_along_axis(a, best, axis=-1)[..., 0] for a in (columns, values))
    return column, np.isfinite(lowest)


def _grades(
    ribbon: Ribbon, profile_z: Floats, index: NDArray[np.intp], local: _Local
) -> tuple[Floats, Floats]:
    """Fit a straight line to the invert around each station; percent, falling positive."""
    rows_s, step = ribbon.s, float(ribbon.step_s)
    half = max(1, round(0.5 * _GRADE_OVER_M / step))
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
    enough = (count >= 3) & (count * step >= 0.5 * _GRADE_OVER_M)
    safe = np.where(moment > 0, moment, 1.0)
    base = np.nanmean(profile_z) if np.isfinite(profile_z).any() else 0.0
    slope = np.sum(arm * np.where(known, z - base, 0.0), axis=1) / safe
    # Rows closer than a cell share cells; smooth noise shares its correlation length too.
    per_cell = local.cell_m / step
    smooth = np.maximum(np.sqrt(np.pi) * local.correlation / local.cell_m, 1.0)
    inflate = per_cell * (local.nugget + (1.0 - local.nugget) * smooth)
    variance = (local.sigma**2 * inflate)[index][:, None] / safe
    grade = np.where(enough, -100.0 * slope, np.nan)
    return grade, np.where(enough, 100.0 * np.sqrt(variance), np.nan)


def _median_around(values: Floats, rows: int) -> Floats:
    """Running median along axis 0 that leaves unknown values out, on a thinned profile."""
    n = values.shape[0]
    thin = max(1, rows // 60)
    picked = np.arange(0, n, thin)
    half = max(1, rows // (2 * thin))
    views = windows(values[picked], 2 * half + 1, np.nan)
    result = np.full((picked.size, values.shape[1]), np.nan)
    known = np.isfinite(views).any(axis=-1)
    result[known] = np.nanmedian(views[known], axis=-1)
    return interpolate_along(np.arange(n), picked, result)


def _chance(level: Floats, local: _Local, maker: NoiseMaker, step: float, window: int) -> Floats:
    """Depth of sag (m) per row and side that noise makes on the drained profile."""
    n, sigma = level.shape[0], local.sigma
    if n < 3:
        return np.zeros(level.shape)
    from scipy.ndimage import uniform_filter1d

    block = min(max(8, round(100.0 / step)), n)
    runs = int(np.clip(np.ceil(40 * block / n), 1, 40))
    probability = -np.expm1(-FALSE_PER_KM * block * step / 1000.0)
    result = np.full(level.shape, np.nan)
    # Every column of a made block is one more draw; columns two cells apart share nothing.
    apart = max(1, int(np.ceil(2.0 * local.cell_m / step)))
    for side in (0, 1):
        # Water that leaves sideways, over or under the road would stand again in a line alone.
        base = fill_profile(level[:, side])
        known = np.isfinite(base) & (base - level[:, side] <= 0.5 * sigma)
        if not known.any():
            continue
        made = maker.block(n + window, runs * apart, step, step)[:, ::apart]
        made = uniform_filter1d(made, window, axis=0)[window // 2 : window // 2 + n]
        maxima = []
        for run in range(made.shape[1]):
            z = base + sigma * made[:, run]
            depth = (fill_profile(z) - z) / np.maximum(sigma, 1e-9)
            depth = np.where(known, depth, 0.0)
            blocks = np.maximum.reduceat(depth, np.arange(0, n, block))
            seen = np.logical_or.reduceat(known, np.arange(0, n, block))
            maxima.append(blocks[seen])
        result[:, side] = rare_maximum(np.concatenate(maxima), probability) * sigma
    return result


def _around(values: NDArray[Any], index: NDArray[np.intp], half: int) -> Floats:
    """Largest value within half a spacing of each station."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(np.asarray(values, float), 2 * half + 1, axis=0)[index])


def _worst(values: Floats, index: NDArray[np.intp], half: int) -> Floats:
    """Largest known value within half a spacing; NaN where there is none but an unknown."""
    largest = _around(np.nan_to_num(values), index, half)
    unknown = _around(np.isnan(values).astype(np.float64), index, half) > 0
    return np.where(unknown & (largest <= 0.0), np.nan, largest)
