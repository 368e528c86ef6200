"""Kerbs: sharp steps up at the pavement's edge that go on along the road."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import flag_runs, moving_sums, windows
from analysis.common.types import Floats
from analysis.shoulder.unrolled import BIN_M, Unrolled, closed, grown

__all__ = ["KERB_RUN_M", "Kerbs", "find_kerbs"]


KERB_LEAST_M = 0.085
"""Least height of a kerb by itself. Kerbs are built 100 to 150 mm high (common practice); turf
and spilled gravel at an edge seldom stand over 80 mm."""

KERB_ON_M = 0.05
"""A kerb that is high enough elsewhere goes on where it still stands this high."""

KERB_MOST_M = 0.30
"""What stands higher is a wall."""

SHARP_M = 0.35
"""A rise over more than this isn't a kerb's face, battered or not."""

SHARP_MISFIT = 9.0
"""How much worse than the best ramp a step may fit, in chi-square: three standard deviations."""

STAYS_UP = 0.55
"""A kerb's face and the ground 0.7 m behind it are at least this much alike in height; a lip has
fallen again by then, and a bank has no face."""

KERB_RUN_M = 15.0
"""Least length of a kerb: what is shorter is something else."""

DROPPED_M = 40.0
"""Longest gap between two kerbs, each at least as long, that passes for a dropped kerb or the
mouth of a side road."""

KERB_AWAY_M = 0.75
"""A kerb this far outside the edge isn't at it: the pavement's width is wrong, or its edge."""

WIDTHS_M = (0.0, 0.35, 0.55, 0.75, 1.05, 1.5)
"""Widths of the rises tried, from a face to a bank."""

KNOWN_M, STEP_SE, STEP_STRIP_M = 0.012, 2.8, 0.8
"""So many blocks are taken together that heights of steps are known to the first: their standard
error is the second times a cell's noise, over the root of the cells on a strip as wide as the
third."""

SHORTEST_M, LONGEST_M = 5.0, 40.0
"""Between these lengths of road are taken together."""

BESIDE_M = 2.0
"""So far beyond the shoulder a step is looked for."""

BENT_M, BENT_FALL = 1.2, 0.05
"""Farther out than any worn edge the pavement may have bent away from its plane, by this fall."""

LOWEST_FOOT_M, LOWEST_BEHIND_M = -0.05, 0.03
"""A kerb's foot lies about on the pavement's plane, and the ground behind it above that."""

BEHIND_M = (0.4, 1.4)
"""The ground behind a step: clear of its face, and on the narrowest shoulder or verge."""

GOES_ON = 0.5
"""A kerb goes on while the ground behind it stands up by this share of its height."""

SURE_SE = 1.3
"""A kerb by itself is higher than the least by so many standard errors: nine times in ten."""


VARIES, CONSTANT_ODDS = 0.15, 1.0
"""A kerb's height is constant, earth's and turf's isn't: scatter, of the height itself, that speaks
for neither, and the log odds of the extremes. Our own choice, as are those that follow."""

KERB_USUAL_M, HEIGHT_ODDS = (0.09, 0.22), 0.7
"""Usual heights of a kerb, 100 to 200 mm (common practice), with what a grid adds."""

ABRUPT, END_ODDS = 0.75, 0.5
"""A kerb ends at once; a shoulder runs out, over 10 m or more, from less than this share of its
height."""


@dataclass(frozen=True, slots=True)
class Kerbs:
    """What may be kerbs of one side, per block; NaN and False where there is none.

    `height` and its standard error `se` are in metres; `shape` are the log odds, by its shape
    alone, that it is a kerb and no high shoulder; `away` is how far outside the edge it stands
    where it isn't at it, metres, and `falls_pct` by how much the ground behind it falls more than
    the pavement's plane there.
    """

    height: Floats
    se: Floats
    shape: Floats
    kerb: NDArray[np.bool_]
    away: Floats
    falls_pct: Floats
    dropped: NDArray[np.bool_]


def find_kerbs(road: Unrolled, sigma_m: float, strange: NDArray[np.bool_]) -> Kerbs:
    """Find the kerbs of one side.

    Parameters
    ----------
    road : Unrolled
    sigma_m : float
        Noise of a cell.
    strange : (b,) bool
        Blocks where a vehicle or an access stands, which no kerb is told from.

    Returns
    -------
    Kerbs
    """
    # so many blocks together that a height is known
    length = (road.cell_m * sigma_m * STEP_SE / KNOWN_M) ** 2 / STEP_STRIP_M
    length = float(np.clip(length, SHORTEST_M, LONGEST_M))
    rows = max(3, 2 * round(0.5 * (length / road.length_m - 1.0)) + 1)
    found, sharp = _steps(road, rows, sigma_m)
    place, height = found[:, 0], found[:, 1]
    # the rise is judged along some length of road: a single section is too noisy for it
    misfit = moving_sums(np.nan_to_num(found[:, 5:]), round(KERB_RUN_M / road.length_m)) / rows
    blunt = misfit[:, :sharp].min(axis=1) - misfit.min(axis=1)
    seed, on = _stands(found[:, :5])
    seed &= (blunt <= SHARP_MISFIT) & ~grown(strange, rows // 2)
    least = max(2, round(KERB_RUN_M / road.length_m))
    kerb = np.zeros(road.s.size, dtype=bool)
    for first, last in flag_runs(closed(on, least // 2)):
        # a bank that looks like a step here and there isn't one for most of its length
        if seed[first:last].sum() >= least and np.median(blunt[first:last]) <= SHARP_MISFIT:
            kerb[first:last] = True
    dropped = np.zeros_like(kerb)
    stretches = flag_runs(kerb)
    for (a0, a1), (b0, b1) in pairwise(stretches):
        shorter = min(a1 - a0, b1 - b0)
        if b0 - a1 <= min(shorter, round(DROPPED_M / road.length_m)):
            dropped[a1:b0] = True
    out, se, shape, away, falls = (np.full(kerb.size, np.nan) for _ in range(5))
    for first, last in stretches:
        out[first:last] = np.nanmedian(height[first:last])
        se[first:last] = np.nanmedian(found[first:last, 2])
        shape[first:last] = _by_shape(height, first, last, rows // 2 + 1)
        near = np.nanmedian(windows(place[first:last], 2 * least + 1, np.nan), axis=-1)
        outside = near > KERB_AWAY_M
        away[first:last] = np.where(outside, near, np.nan)
        if outside.any():
            falls[first:last] = _fall_behind(road, place, slice(first, last))
    return Kerbs(out, se, shape, kerb, away, falls, dropped)


def _fall_behind(road: Unrolled, place: Floats, here: slice) -> float:
    """Fall of the ground behind a step against the pavement's plane, percent; NaN if unknown."""
    behind = road.x[None, :] - place[here, None]
    count = np.where((behind > BEHIND_M[0]) & (behind < BEHIND_M[1]), road.count[here], 0.0)
    safe = np.maximum(road.count[here], 1.0)
    x, r = road.x_sum[here] / safe - place[here, None], road.r_sum[here] / safe
    if not count.sum() > 0.0:
        return np.nan
    x_mean, r_mean = (float((count * value).sum() / count.sum()) for value in (x, r))
    spread = float((count * (x - x_mean) ** 2).sum())
    slope = float((count * (x - x_mean) * (r - r_mean)).sum())
    return -100.0 * slope / spread if spread > 0.0 else np.nan


def _by_shape(height: Floats, first: int, last: int, blur: int) -> float:
    """Log odds that a step up in the blocks first..last is a kerb's, by its height and ends.

    `blur` is how many blocks an abrupt end is smeared over.
    """
    within = height[first:last]
    usual = float(np.nanmedian(within))
    scatter = 1.4826 * float(np.nanmedian(np.abs(within - usual))) / usual
    odds = float(np.clip(CONSTANT_ODDS * (1.0 - scatter / VARIES), -CONSTANT_ODDS, CONSTANT_ODDS))
    odds += HEIGHT_ODDS if KERB_USUAL_M[0] <= usual <= KERB_USUAL_M[1] else -HEIGHT_ODDS
    # what goes on to the end of the road has no end there that could tell
    ends = (
        (min(first + blur, last - 1), first > 0),
        (max(last - 1 - blur, first), last < len(height)),
    )
    for at, ends_here in ends:
        if ends_here:
            odds += END_ODDS if height[at] >= ABRUPT * usual else -END_ODDS
    return odds


def _steps(road: Unrolled, rows: int, sigma_m: float) -> tuple[Floats, int]:
    """Steps of each block, as `find_steps` gives them, and how many widths count as sharp."""
    from analysis.shoulder.step_kernels import Profiles, Rises, find_steps

    count = moving_sums(road.count, rows)
    safe = np.maximum(count, 1.0)
    x = np.where(count > 0.0, moving_sums(road.x_sum, rows) / safe, 0.0)
    r = np.where(count > 0.0, moving_sums(road.r_sum, rows) / safe, 0.0)
    # grids made by interpolation smear a step over about one more cell
    tried = np.array(WIDTHS_M)
    sharp = int(np.searchsorted(tried, max(SHARP_M, road.cell_m) + 1e-9))
    found = np.full((road.s.size, 5 + tried.size), np.nan)
    first_x, limit = float(road.x[0]), road.width + BESIDE_M
    profiles = Profiles(count, x, r, first_x, BIN_M, limit, road.width, road.box)
    find_steps(profiles, Rises(tried, sharp, KERB_ON_M, max(sigma_m, 1e-3)), found)
    return found, sharp


def _stands(steps: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where a step stands like a kerb by itself, and where one may go on."""
    place, height, se, foot, behind = steps.T
    with np.errstate(invalid="ignore"):
        bent = np.minimum(BENT_FALL * np.maximum(place - BENT_M, 0.0), np.maximum(-foot, 0.0))
        foot, behind = foot + bent, behind + bent
        stands = (height <= KERB_MOST_M + 2.0 * se) & (foot > LOWEST_FOOT_M)
        stands &= behind > LOWEST_BEHIND_M
        # both the rise itself and the ground behind it: a lip has one, a bank the other
        least_of, most_of = np.minimum(height, behind), np.maximum(height, behind)
        stays = (least_of >= STAYS_UP * most_of) & (behind - foot >= STAYS_UP * height)
        seed = stands & stays & (most_of - SURE_SE * se >= KERB_LEAST_M)
        on = stands & (behind - foot >= GOES_ON * height) & (most_of >= KERB_ON_M)
    return seed, on
