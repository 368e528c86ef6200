"""Water that a cross-section holds: how deep it stands before it spills, and what noise adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Retained", "retained_depth"]

Floats = NDArray[np.float64]

_DRAWS = 48
_NEIGHBOURS = 2
_CHANCE = 0.99
_AGREE_M = 1e-3


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
    at_u, from_u, to_u : ndarray
        Deepest point, and both shores; NaN where nothing is held.
    """

    depth_mm: Floats
    se_mm: Floats
    chance_mm: Floats
    level_m: Floats
    at_u: Floats
    from_u: Floats
    to_u: Floats


def retained_depth(
    u: ArrayLike,
    height_m: ArrayLike,
    *,
    se_m: ArrayLike | None = None,
    crown_u: ArrayLike | None = None,
    hinge_u: ArrayLike | None = None,
    outlet_u: ArrayLike | None = None,
    shoulder_width_m: float = 1.5,
    seed: int = 20_002,
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
    se_m : array_like, shape (n, 2, k), optional
        Their standard errors; without them nothing is taken for chance.
    crown_u, hinge_u, outlet_u : array_like, shape (n, 2), optional
        Crown, hinge and ditch invert (or foot of the slope) from the edge. NaN or None: the
        section reaches inward as far as it is known; the hinge lies `shoulder_width_m` out;
        the outlet is the lowest ground beyond the hinge.
    shoulder_width_m : float
        Stands in where there is no hinge.
    seed : int
        Same seed, same errors.

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
    outlet = _outlet(u, height, hinge, outlet_u)
    within = (u >= crown[..., None] - 1e-9) & (u <= outlet[..., None] + 1e-9)
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

    added, se, chance = _noise(ground, least, judged, se_m, seed)
    mm = 1000.0 * np.maximum(raw - added, 0.0)
    wet = known & (raw > 0.0)
    level = np.take_along_axis(least, top[..., None], axis=-1)[..., 0]
    inner, outer = _shores(u, ground, level, top)
    return Retained(
        depth_mm=np.where(known, mm, np.nan),
        se_mm=np.where(known, 1000.0 * se, np.nan),
        chance_mm=np.where(known, 1000.0 * chance, np.nan),
        level_m=np.where(wet, level, np.nan),
        at_u=np.where(wet, u[top], np.nan),
        from_u=np.where(wet, inner, np.nan),
        to_u=np.where(wet, outer, np.nan),
    )


def _filled(values: ArrayLike | None, shape: tuple[int, int], default: float) -> Floats:
    if values is None:
        return np.full(shape, default)
    given = np.broadcast_to(np.asarray(values, np.float64), shape)
    return np.asarray(np.where(np.isnan(given), default, given))


def _outlet(u: Floats, height: Floats, hinge: Floats, outlet_u: ArrayLike | None) -> Floats:
    """Give the place where water has got away: the ditch, else the lowest ground outside."""
    outside = np.where(u >= hinge[..., None] - 1e-9, height, np.nan)
    any_known = np.isfinite(outside).any(axis=-1)
    lowest = np.argmin(np.where(np.isnan(outside), np.inf, outside), axis=-1)
    foot = np.where(any_known, u[lowest], u[-1])
    if outlet_u is None:
        return np.asarray(foot)
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
    unknown = thin | ~seen.any(axis=-1)
    some = np.flatnonzero(holed.any(axis=-1).ravel())
    if some.size:
        k = ground.shape[-1]
        g = ground.reshape(-1, k)[some]
        closed = np.where(holed.reshape(-1, k)[some], np.inf, g)
        most = np.where(judged.reshape(-1, k)[some], _level(closed, -np.inf) - g, -np.inf)
        most_depth = np.where(np.isnan(most), -np.inf, most).max(axis=-1)
        d = depth.reshape(-1, k)[some]
        least_depth = np.where(np.isnan(d), -np.inf, d).max(axis=-1)
        flat = unknown.ravel()
        flat[some] |= ~(most_depth - least_depth <= _AGREE_M)
        unknown = flat.reshape(unknown.shape)
    return np.asarray(unknown)


def _noise(
    ground: Floats, level: Floats, judged: NDArray[np.bool_], se_m: ArrayLike | None, seed: int
) -> tuple[Floats, Floats, Floats]:
    """Depth that noise adds on average, its scatter, and the depth it reaches by chance."""
    shape = ground.shape[:-1]
    if se_m is None:
        return np.zeros(shape), np.zeros(shape), np.zeros(shape)
    se = np.broadcast_to(np.asarray(se_m, np.float64), ground.shape)
    se = np.where(np.isfinite(se), se, 0.0)
    random = np.random.default_rng(seed)
    filled = np.where(np.isnan(ground), np.nan, level)
    total, square = np.zeros(shape), np.zeros(shape)
    by_chance = np.empty((_DRAWS, *shape))
    plain = _deepest(ground, judged)
    for draw in range(_DRAWS):
        error = se * random.standard_normal(ground.shape)
        change = _deepest(ground + error, judged) - plain
        total += change
        square += change**2
        by_chance[draw] = _deepest(filled + error, judged)
    mean = total / _DRAWS
    spread = np.sqrt(np.maximum(square / _DRAWS - mean**2, 0.0))
    # Neighbouring sections are alike: their draws together say more about the tail.
    n = shape[0]
    reach = min(_NEIGHBOURS, n - 1)
    index = np.clip(np.arange(n)[:, None] + np.arange(-reach, reach + 1)[None, :], 0, n - 1)
    chance = np.empty(shape)
    for first in range(0, n, 512):
        part = by_chance[:, index[first : first + 512]]
        chance[first : first + 512] = np.quantile(part, _CHANCE, axis=(0, 2))
    return mean, spread, chance


def _deepest(ground: Floats, judged: NDArray[np.bool_]) -> Floats:
    depth = np.where(judged, _level(ground, -np.inf) - ground, 0.0)
    return np.asarray(np.where(np.isnan(depth), 0.0, depth).max(axis=-1, initial=0.0))


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
