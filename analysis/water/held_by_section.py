"""Water that a cross-section holds: how deep it stands before it spills, and what noise adds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.station_arrays import PerStation
from analysis.common.types import Floats

__all__ = ["PlaneErrors", "Retained", "held_by_planes", "join", "retained_depth"]


_DRAWS = 192
_PLANE_DRAWS = 200
_SEEDS = (20_002, 20_003)  # of sections and of planes: same input, same errors
_CHANCE = 0.99
_AGREE_M = 1e-3
# What noise adds is taken off as it was found on a noisy section, and so scatters itself; on
# made sections of several shapes that widens the error by 1.1 to 1.25.
_CORRECTED = 1.2


@dataclass(frozen=True, slots=True)
class Retained:
    """Water held by each cross-section; all (n, 2), NaN unknown.

    Attributes
    ----------
    depth_mm, se_mm : ndarray
        Greatest depth between crown and hinge, less what noise adds on average, and its
        standard error.
    chance_mm : ndarray
        Depth that noise alone reaches on a section like this one time in a hundred; a
        smaller depth isn't told from none.
    level_m : ndarray
        Height of the water in the section's own heights; NaN where nothing is held.
    from_u, to_u : ndarray
        Both shores; NaN where nothing is held.
    """

    depth_mm: PerStation[Floats]
    se_mm: PerStation[Floats]
    chance_mm: PerStation[Floats]
    level_m: PerStation[Floats]
    from_u: PerStation[Floats]
    to_u: PerStation[Floats]


class PlaneErrors(NamedTuple):
    """Standard errors and covariances of fitted planes; all (n, 2).

    Attributes
    ----------
    pavement_se, shoulder_se : ndarray
        Of the slopes, percent.
    drop_se : ndarray
        Of the edge drop, mm.
    slope_cov, drop_shoulder_cov : ndarray
        Pavement with shoulder slope (percent squared), drop with shoulder slope (mm percent).
    """

    pavement_se: Floats
    shoulder_se: Floats
    drop_se: Floats
    slope_cov: Floats
    drop_shoulder_cov: Floats


def retained_depth(
    u: ArrayLike,
    height_m: ArrayLike,
    *,
    se_m: ArrayLike,
    crown_u: ArrayLike,
    hinge_u: ArrayLike,
    outlet_u: ArrayLike,
    shoulder_width_m: float,
    shape_se_m: ArrayLike | None = None,
) -> Retained:
    """Find how much water stands on the road in each cross-section.

    Water at `u` gets away when it rises over the highest ground inward up to the crown, or
    over the highest ground outward up to the outlet, whichever is lower.

    Parameters
    ----------
    u : array_like, shape (k,)
        Outward from the pavement edge, metres, ascending; negative on the pavement.
    height_m : array_like, shape (n, 2, k)
        Ground heights, NaN unknown.
    se_m : array_like, shape (n, 2, k)
        Their standard errors.
    crown_u, hinge_u, outlet_u : array_like, shape (n, 2)
        Crown, hinge and ditch invert (or foot of the slope) from the edge. NaN: the
        section reaches inward as far as it is known; the hinge lies `shoulder_width_m` out;
        the outlet is the lowest ground beyond the hinge or the usual shoulder width.
    shoulder_width_m : float
        Stands in where there is no hinge.
    shape_se_m : array_like, shape (n, 2, k), optional
        Standard errors of heights that a fitted shape has besides. It is the likeliest one
        already: unlike noise of an average it doesn't make water on the whole.

    Returns
    -------
    Retained

    Notes
    -----
    Errors are found by putting made noise of the given size on the section (for `se_mm`, and
    for the depth that noise adds) and on the section with its water frozen, where no water
    could stand (for `chance_mm`). A hole inside the section leaves the depth unknown, unless
    it is the same with the hole bottomless and with it closed.
    """
    u = np.asarray(u, np.float64)
    height = np.asarray(height_m, np.float64)
    n, sides, k = height.shape
    if u.shape != (k,):
        raise ValueError(f"u must have the sections' {k} points, got shape {u.shape}")
    shape = (n, sides)
    crown = _filled(crown_u, shape, -np.inf)
    hinge = _filled(hinge_u, shape, shoulder_width_m)
    # In a ditch filled nearly level its far bank may pass for the hinge: the usual width
    # bounds the search, so that the ditch isn't taken for shoulder.
    outlet = _outlet(u, height, np.minimum(hinge, shoulder_width_m), outlet_u)
    within = (u >= crown[..., None] - 1e-9) & (u <= outlet[..., None] + 1e-9)
    used = within.any(axis=(0, 1))
    # the same for every section, and counted from the edge: none hangs on which others there are
    dice = _even_scores(_DRAWS, k, _SEEDS[0])[:, used]
    u, height, within = u[used], height[..., used], within[..., used]
    se = np.broadcast_to(np.asarray(se_m, np.float64), (n, sides, k))[..., used]
    shape_se = None if shape_se_m is None else np.asarray(shape_se_m, np.float64)[..., used]
    if u.size == 0:
        return Retained(*(np.full(shape, np.nan) for _ in Retained.__slots__))
    judged = within & (u <= hinge[..., None] + 1e-9)
    ground = np.where(within, height, np.nan)

    least = _level(ground, -np.inf)
    depth = np.where(judged, least - ground, np.nan)
    holed = np.isnan(ground) & _between(np.isfinite(ground))
    unknown = _unknown(ground, depth, judged, holed)
    known = ~unknown
    depth0 = np.where(np.isnan(depth), 0.0, depth)
    top = np.argmax(depth0, axis=-1)
    raw = np.take_along_axis(depth0, top[..., None], axis=-1)[..., 0]

    added, spread, chance = _noise(ground, least, judged, se, dice)
    if shape_se is not None:
        spread = _noise(ground, least, judged, np.hypot(se, shape_se), dice)[1]
    mm = 1000.0 * np.maximum(raw - added, 0.0)
    wet = known & (raw > 0.0)
    level = np.take_along_axis(least, top[..., None], axis=-1)[..., 0]
    inner, outer = _shores(u, ground, level, top)
    return Retained(
        depth_mm=np.where(known, mm, np.nan),
        se_mm=np.where(known, 1000.0 * spread, np.nan),
        chance_mm=np.where(known, 1000.0 * chance, np.nan),
        level_m=np.where(wet, level, np.nan),
        from_u=np.where(wet, inner, np.nan),
        to_u=np.where(wet, outer, np.nan),
    )


def held_by_planes(
    pavement_pct: ArrayLike,
    drop_mm: ArrayLike,
    shoulder_pct: ArrayLike,
    *,
    pavement_m: ArrayLike,
    shoulder_m: ArrayLike,
    errors: PlaneErrors,
) -> Retained:
    """Find how much water stands between two fitted planes with a step between them.

    A grid smears a step over a cell or two: an averaged section shows a third of the water
    that a high edge holds. The planes and their step were fitted with that smear accounted
    for, so what they hold is what the ground holds.

    Parameters
    ----------
    pavement_pct, shoulder_pct : array_like, shape (n, 2)
        Cross slopes, positive falls outward.
    drop_mm : array_like, shape (n, 2)
        Pavement minus shoulder height at the edge.
    pavement_m, shoulder_m : array_like, shape (n, 2)
        From crown to edge, and from edge to hinge.
    errors : PlaneErrors
        Standard errors and covariances.

    Returns
    -------
    Retained
        Heights count from the pavement at the edge, `u` from the edge.

    Examples
    --------
    A shoulder 60 mm high that falls 4 % over 1.5 m stands against a 2 % pavement of 3.5 m:

    >>> sure = PlaneErrors(0.0, 0.0, 0.0, 0.0, 0.0)
    >>> held = held_by_planes(2.0, -60.0, 4.0, pavement_m=3.5, shoulder_m=1.5, errors=sure)
    >>> float(held.depth_mm), float(held.from_u)
    (60.0, -3.0)
    """
    pavement, drop, shoulder, inner, outer = np.broadcast_arrays(
        *(
            np.asarray(a, np.float64)
            for a in (pavement_pct, drop_mm, shoulder_pct, pavement_m, shoulder_m)
        )
    )
    depth, level = _pool(pavement, drop, shoulder, inner, outer)
    se, chance = _plane_noise(pavement, drop, shoulder, inner, outer, errors)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        from_u = np.where(level > 0.0, -np.minimum(inner, 0.1 * level / pavement), 0.0)
        to_u = np.where(level > -drop, (level + drop) / (-10.0 * shoulder), 0.0)
    wet = depth > 0.0
    known = np.isfinite(depth)
    return Retained(
        depth_mm=depth,
        se_mm=np.where(known, se, np.nan),
        chance_mm=np.where(known, chance, np.nan),
        level_m=np.where(wet, 0.001 * level, np.nan),
        from_u=np.where(wet, from_u, np.nan),
        to_u=np.where(wet, np.clip(to_u, 0.0, outer), np.nan),
    )


def _pool(
    pavement: Floats, drop: Floats, shoulder: Floats, inner: Floats, outer: Floats
) -> tuple[Floats, Floats]:
    """Depth and level (mm above the pavement at the edge) of water at the edge, either side."""
    from analysis.water.noise_kernels import Planes, pools

    planes = Planes(*(part.ravel() for part in (pavement, drop, shoulder, inner, outer)))
    depth, level = np.empty((2, drop.size))
    pools(planes, depth, level)
    return depth.reshape(drop.shape), level.reshape(drop.shape)


def _plane_noise(
    pavement: Floats,
    drop: Floats,
    shoulder: Floats,
    inner: Floats,
    outer: Floats,
    errors: PlaneErrors,
) -> tuple[Floats, Floats]:
    """Scatter of the depth, and the depth that noise makes of planes that hold nothing."""
    from analysis.water.noise_kernels import Planes, draw_pools

    se_p, se_s, se_d, cov_ps, cov_ds = (
        np.broadcast_to(np.nan_to_num(np.asarray(a, np.float64)), drop.shape).ravel()
        for a in errors
    )
    safe = np.where(se_s > 0.0, se_s, 1.0)
    to_p = np.clip(cov_ps / safe, -se_p, se_p)
    to_d = np.clip(cov_ds / safe, -se_d, se_d)
    rest_p, rest_d = np.sqrt(se_p**2 - to_p**2), np.sqrt(se_d**2 - to_d**2)
    depth = _pool(pavement, drop, shoulder, inner, outer)[0].ravel()
    planes = Planes(*(part.ravel() for part in (pavement, drop, shoulder, inner, outer)))
    # Planes that hold nothing, but only just: where noise holds the most.
    dry = planes._replace(
        drop=np.maximum(planes.drop, 0.0), shoulder=np.maximum(planes.shoulder, 0.0)
    )
    sums, by_chance = np.zeros((2, depth.size)), np.empty((_PLANE_DRAWS, depth.size))
    # the same for all of them: none hangs on which others there are
    for draw, (common, alone_p, alone_d) in enumerate(_even_scores(_PLANE_DRAWS, 3, _SEEDS[1])):
        moved = np.stack(
            [to_p * common + rest_p * alone_p, to_d * common + rest_d * alone_d, se_s * common]
        )
        draw_pools(planes, dry, moved, depth, sums, by_chance[draw])
    mean, square = sums / _PLANE_DRAWS
    spread = np.sqrt(np.maximum(square - mean**2, 0.0))
    chance = np.quantile(by_chance.T.copy(), _CHANCE, axis=1)
    return spread.reshape(drop.shape), chance.reshape(drop.shape)


def join(planes: Retained, section: Retained) -> Retained:
    """Take what the planes hold, or the section where it shows more beyond chance.

    The section sees ruts and ridges, which planes can't, but smeared: what it shows is a lower
    bound, so the deeper of the two is nearer the truth.
    """
    shown = section.depth_mm > section.chance_mm
    use = np.isnan(planes.depth_mm) | (shown & (section.depth_mm > planes.depth_mm))
    return Retained(
        **{
            name: np.where(use, getattr(section, name), getattr(planes, name))
            for name in Retained.__slots__
        }
    )


def _filled(values: ArrayLike, shape: tuple[int, int], default: float) -> Floats:
    given = np.broadcast_to(np.asarray(values, np.float64), shape)
    return np.asarray(np.where(np.isnan(given), default, given))


def _outlet(u: Floats, height: Floats, hinge: Floats, outlet_u: ArrayLike) -> Floats:
    """Give the place where water has got away: the ditch, else the lowest ground outside."""
    outside = np.where(u >= hinge[..., None] - 1e-9, height, np.nan)
    any_known = np.isfinite(outside).any(axis=-1)
    lowest = np.argmin(np.where(np.isnan(outside), np.inf, outside), axis=-1)
    foot = np.where(any_known, u[lowest], u[-1])
    given = np.broadcast_to(np.asarray(outlet_u, np.float64), hinge.shape)
    # An invert outside the section counts as far as the section reaches.
    return np.asarray(np.where(np.isnan(given), foot, given))


def _level(ground: Floats, unknown: float) -> Floats:
    """Level of full water along the last axis; unknown ground stands at `unknown`."""
    z = np.where(np.isnan(ground), unknown, ground)
    inward = np.maximum.accumulate(z, axis=-1)
    outward = np.maximum.accumulate(z[..., ::-1], axis=-1)[..., ::-1]
    return np.asarray(np.minimum(inward, outward))


def _between(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark points with known ground on both sides."""
    before = np.logical_or.accumulate(known, axis=-1)
    after = np.logical_or.accumulate(known[..., ::-1], axis=-1)[..., ::-1]
    return np.asarray(before & after)


def _unknown(
    ground: Floats, depth: Floats, judged: NDArray[np.bool_], holed: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Sections of which the greatest depth can't be told."""
    seen = np.isfinite(ground) & judged
    # Less than three quarters of shoulder and pavement known: water may stand unseen.
    thin = seen.sum(axis=-1) < 0.75 * judged.sum(axis=-1)
    closed = _level(np.where(holed, np.inf, ground), -np.inf) - ground
    least, most = (np.max(d, axis=-1, where=seen, initial=0.0) for d in (depth, closed))
    doubtful = holed.any(axis=-1) & ~(most - least <= _AGREE_M)
    return np.asarray(thin | ~seen.any(axis=-1) | doubtful)


@lru_cache(maxsize=4)
def _even_scores(draws: int, columns: int, seed: int) -> Floats:
    """Normal scores (draws, columns), always the same; each column's are spread evenly.

    So no column has a tail by chance (Latin hypercube; McKay and others, Technometrics 21, 1979).
    """
    from scipy.special import ndtri

    even = ndtri((np.arange(draws) + 0.5) / draws)
    scores = np.repeat(even[:, None], columns, axis=1)
    return np.asarray(np.random.default_rng(seed).permuted(scores, axis=0))


def _noise(
    ground: Floats, level: Floats, judged: NDArray[np.bool_], se: Floats, dice: Floats
) -> tuple[Floats, Floats, Floats]:
    """Depth that noise adds on average, its scatter, and the depth it reaches by chance.

    `dice` (m, k) are errors in units of `se` (n, 2, k).
    """
    from analysis.water.noise_kernels import Thrown, draw_held

    *shape, k = ground.shape
    # Unknown ground neither holds nor keeps water: far below everything, once for all draws.
    filled = np.where(np.isnan(ground) | np.isnan(level), -np.inf, level)
    known = np.where(np.isnan(ground), -np.inf, ground)
    parts = known, filled, np.where(np.isfinite(se), se, 0.0), judged & np.isfinite(ground)
    sections = Thrown(*(np.ascontiguousarray(part.reshape(-1, k).T) for part in parts))
    m = sections.ground.shape[1]
    sums, by_chance = np.zeros((2, m)), np.empty((len(dice), m))
    draw_held(sections, dice, sums, by_chance)
    mean, square = sums.reshape(2, *shape) / len(dice)
    spread = np.sqrt(np.maximum(square - mean**2, 0.0))
    chance = np.quantile(by_chance.T.copy(), _CHANCE, axis=-1).reshape(shape)
    return mean, _CORRECTED * spread, chance


def _shores(
    u: Floats, ground: Floats, level: Floats, top: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Where the water's surface meets the ground on both sides of its deepest point."""
    k = u.size
    index = np.arange(k)
    dry = ~(ground < level[..., None])
    inner = np.where(dry & (index < top[..., None]), index, -1).max(axis=-1)
    outer = np.where(dry & (index > top[..., None]), index, k).min(axis=-1)

    def cross(shore: NDArray[np.intp], wet: NDArray[np.intp]) -> Floats:
        at, by = np.clip(shore, 0, k - 1), np.clip(wet, 0, k - 1)
        z_dry = np.take_along_axis(ground, at[..., None], axis=-1)[..., 0]
        z_wet = np.take_along_axis(ground, by[..., None], axis=-1)[..., 0]
        rise = z_dry - z_wet
        share = np.where(rise > 0, (level - z_wet) / np.where(rise > 0, rise, 1.0), 0.0)
        share = np.where(np.isfinite(share), np.clip(share, 0.0, 1.0), 0.0)
        return np.asarray(u[by] + share * (u[at] - u[by]))

    return cross(inner, inner + 1), cross(outer, outer - 1)
