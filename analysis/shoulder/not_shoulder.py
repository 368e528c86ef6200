"""What isn't shoulder: kerbs, accesses, vehicles and bushes, walls, bridges, the user's mask.

A verge behind a kerb stands high for a good reason, and a driveway is flat for one: to call
them defects would be a false alarm. Before the fits, the ground is unrolled to heights over the
pavement's own plane, a section each few metres, and searched for

- *kerbs*: a step up at the pavement's edge. What tells one from a turf lip is its sharpness
  (a step through the footprint of a cell fits as well as any ramp), its height, that the ground
  behind it stays up, and that it goes on along the road;
- *accesses*: ground that runs on level beyond the hinge over a length too short for anything
  else, where before and after it falls away;
- *things left in the grid*: shoulder that stands up for a few metres, as a vehicle or a bush;
- *walls*: ground that rises and falls again, or stays up, by more than earth does;
- *breaks of the road's own profile*, as where a bridge was taken out of the grid.

Cells of the second and third kind are left out of the fits. After the fits, `withhold` gives
the stations where a shoulder can't be judged their reason. Ground that is too low is never put
down to any of these: that is what the screening is for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import flag_runs, known_median, moving_sums, windows
from analysis.common.sides import SIDE_SIGN, Source
from analysis.common.types import Floats
from analysis.edges.values import Breaks
from analysis.shoulder.unrolled import (
    BIN_M,
    Unrolled,
    closed,
    grown,
    short_pulses,
    unroll,
)
from analysis.shoulder.values import Measures, Noise, Reason, Status, Why

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = ["Suspicion", "suspect", "withhold"]


NOTHING = 0

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

ACCESS_M = 30.0
"""Longest access, across its flares; blocked ditches and fills are longer."""

ACCESS_RISE_M = 0.15
"""An access stands at least this much over the ground before and after it."""

ACCESS_FALL = 0.12
"""An access falls no steeper than this from the pavement edge."""

OBSTACLE_M = 12.0
"""Longest thing left in the grid: a lorry. Any defect worth a grader is longer."""

OBSTACLE_RISE_M = 0.06
"""A thing left in the grid raises the mean of a few metres of shoulder by this at least."""

EDGE_WANDERS_M = 0.25
"""How far a found edge may wander from block to block."""

WALL_RISE_M = 0.30
"""More than a bank of turf or a windrow rises within a cell or two (common practice)."""

BRIDGE_BREAK_M = 0.50
"""A road's own profile keeps this close to a parabola over `BRIDGE_M`."""

BRIDGE_DROP_M = 1.2
"""No earth beside a road falls by this much in 1.5 m on both sides at once."""

BRIDGE_M = 60.0

KERB_AWAY_M = 0.75
"""A kerb this far outside the edge isn't at it: the pavement's width is wrong, or its edge."""

KERB_SHARE = 0.4
"""A station isn't judged where a kerb, wall or bridge takes this share of its averaging length."""

OUTLIERS_MOST = 0.35
"""Share of shoulder cells left out of a fit beyond which it isn't to be trusted."""

LEAST_KNOWN = 0.5
"""With less of its pavement or shoulder in the grid, what can't be measured has no data."""

STEEPEST_PCT = 18.0
"""What falls or rises more steeply than this isn't a shoulder: they are built at 4 to 8 %, and
foreslopes are steeper than 1 in 5 as a rule (common practice)."""

_WIDTHS = np.array([0.0, 0.35, 0.55, 0.75, 1.05, 1.5])

UNSEEN_SHARE, UNPAVED_PCT = 0.9, 3.0
"""A road whose edges don't show on this share of it, and whose middle falls more steeply than any
pavement, is gravel or earth: paved roads fall by 1.5 to 2.5 % (common practice)."""

FAR_APART_M, NEXT_TO_NONE_M = 1.5, 0.6
"""So is one whose edges were found this much farther apart than given, beside shoulders narrower
than this: they are its hinges."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What stands beside the road, in b short blocks of it; side axis 0 left, 1 right.

    Attributes
    ----------
    s : (b,)
        Middles of the blocks.
    kind : (b, 2) int8
        A `Why` up to `BRIDGE`, or `NOTHING`.
    kerb_height_m : (b, 2)
        NaN where there is no kerb.
    known : (b, 2)
        Least share of pavement and of shoulder that has heights.
    masked : (b, 2)
        Share of the shoulder's cells that the user's layer takes out.
    foreign : (m,) bool
        Cells of accesses and of things left in the grid: to be left out of the fits.
    """

    s: Floats
    kind: NDArray[np.int8]
    kerb_height_m: Floats
    known: Floats
    masked: Floats
    foreign: NDArray[np.bool_]


def suspect(
    cells: Cells,
    breaks: Breaks,
    noise: Noise,
    *,
    box_m: Floats,
    mask: NDArray[np.bool_] | None = None,
) -> Suspicion:
    """Look for what isn't shoulder, before the fits.

    Parameters
    ----------
    cells : Cells
        Native grid cells near the road, sorted along it; m of them.
    breaks : Breaks
    noise : Noise
    box_m : (n, 2)
        Box widths of a cell across the road.
    mask : (m,) bool, optional
        Cells that the user's layer says aren't shoulder.

    Returns
    -------
    Suspicion
    """
    m = cells.s.size
    skip = np.zeros(m, dtype=bool) if mask is None else mask
    width = (breaks.hinge - breaks.edge)[np.isfinite(breaks.hinge)]
    # cells larger than the shoulder show nothing that stands on it
    if m == 0 or breaks.s.size == 0 or (width.size and cells.cell_m > np.median(width)):
        blank = np.zeros((0, 2))
        return Suspicion(np.zeros(0), blank.astype(np.int8), blank, blank, blank, skip.copy())
    scatter = _scatter(noise, cells.cell_m)
    roads = [unroll(cells, breaks, side, box_m, skip) for side in (0, 1)]
    b = roads[0].s.size
    kind = np.full((b, 2), NOTHING, dtype=np.int8)
    height = np.full((b, 2), np.nan)
    foreign = np.zeros(m, dtype=bool)
    bridge = _find_bridges(roads)
    for side, road in enumerate(roads):
        access, obstacle = _find_accesses(road, scatter), _find_obstacles(road, scatter)
        kerbs = _find_kerbs(road, scatter.sigma_m, access | obstacle)
        column = kind[:, side]
        # later ones win; behind a kerb nothing else is looked for
        column[obstacle] = Why.OBSTACLE
        column[access] = Why.ACCESS
        column[_find_walls(road)] = Why.WALL
        column[bridge] = Why.BRIDGE
        column[kerbs.kerb] = np.where(kerbs.away, Why.KERB_AWAY, Why.KERB)[kerbs.kerb]
        column[kerbs.dropped] = Why.DROPPED_KERB
        height[:, side] = kerbs.height
        half = 0.5 * road.length_m
        for first, last in flag_runs(np.isin(column, (Why.ACCESS, Why.OBSTACLE))):
            here = cells.window(road.s[first] - half, road.s[last - 1] + half)
            edge = np.interp(cells.s[here], breaks.s, breaks.edge[:, side])
            foreign[here] |= SIDE_SIGN[side] * cells.o[here] - edge > -0.5
    known, masked = (
        np.column_stack([getattr(road, name) for road in roads]) for name in ("known", "masked")
    )
    return Suspicion(roads[0].s, kind, height, known, masked, foreign)


def withhold(
    measures: Measures,
    breaks: Breaks,
    suspicion: Suspicion,
    *,
    pavement_width_m: float | None = None,
) -> tuple[Measures, NDArray[np.bool_]]:
    """Give stations where no shoulder can be judged their reason; find kerbs.

    Parameters
    ----------
    measures : Measures
        Fitted without the cells that `suspect` calls foreign.
    breaks : Breaks
    suspicion : Suspicion
    pavement_width_m : float, optional
        Given width of a road that is said to be paved and whose edges were looked for.

    Returns
    -------
    Measures, (n, 2) bool
        With `status` and `reason` set, and where a kerb stands at the edge. What lacks cells is
        "no data" only where the grid has no heights; where there are heights but no shoulder to
        measure, it says that.
    """
    status, reason = measures.status.copy(), measures.reason.copy()
    kerb = np.zeros(breaks.edge.shape, dtype=bool)
    if suspicion.s.size == 0 or breaks.s.size == 0:
        return measures, kerb
    width = breaks.hinge - breaks.edge
    unpaved = pavement_width_m is not None and _like_gravel(measures, breaks, pavement_width_m)
    after = np.clip(np.searchsorted(suspicion.s, breaks.s), 0, suspicion.s.size - 1)
    before = np.maximum(after - 1, 0)
    closer = np.abs(suspicion.s[before] - breaks.s) <= np.abs(suspicion.s[after] - breaks.s)
    at = np.where(closer, before, after)
    away_m = np.abs(suspicion.s[at] - breaks.s)
    for side in (0, 1):
        half = 0.5 * measures.average_m[:, side]
        # beyond the grid the nearest block, however far off, says nothing of the station
        beyond = away_m > np.fmax(half, 10.0)

        def share(flags: NDArray[np.bool_] | Floats, half: Floats = half) -> Floats:
            return _window_mean(suspicion.s, flags, breaks.s, half)

        kind = suspicion.kind[:, side]
        here = kind[at]
        shares = np.stack([share(kind == k) for k in range(Why.BRIDGE + 1)], axis=1)
        told = np.zeros(here.size, dtype=np.int8)
        few = measures.status[:, side] == Status.NO_DATA
        unmeasured = few | (measures.status[:, side] == Status.TOO_COARSE)
        slope, se = measures.shoulder_slope_pct[:, side], measures.shoulder_slope_se[:, side]
        with np.errstate(invalid="ignore"):
            told[(measures.outlier_share[:, side] > OUTLIERS_MOST) & ~few] = Why.UNEVEN
            told[(slope - 2.0 * se > STEEPEST_PCT) & ~few] = Why.FALLS
            told[(slope + 2.0 * se < -STEEPEST_PCT) & ~few] = Why.RISES
        strange = shares[:, Why.ACCESS] + shares[:, Why.OBSTACLE]
        crowded = strange > 0.5
        told[crowded] = Why.OBSTACLE
        told[crowded & (shares[:, Why.ACCESS] >= shares[:, Why.OBSTACLE])] = Why.ACCESS
        told[here == Why.ACCESS] = Why.ACCESS
        told[shares[:, Why.WALL] >= KERB_SHARE] = Why.WALL
        told[(here == Why.BRIDGE) | (shares[:, Why.BRIDGE] >= KERB_SHARE)] = Why.BRIDGE
        kinds = [Why.KERB, Why.KERB_AWAY, Why.DROPPED_KERB]
        walled = shares[:, kinds].sum(axis=1) >= KERB_SHARE
        told[walled] = np.array(kinds)[shares[:, kinds].argmax(axis=1)][walled]
        told[beyond] = NOTHING
        kerb[:, side] = (told == Why.KERB) | (told == Why.KERB_AWAY)
        plain = told == NOTHING
        judged = np.where(plain, Status.OK, Status.NOT_JUDGED)
        known = np.where(beyond, 0.0, share(suspicion.known[:, side]))
        for chosen, state, why in (
            (few & plain & np.isfinite(width[:, side]), Status.TOO_COARSE, Why.NARROW),
            (few & plain & np.isnan(width[:, side]), Status.NOT_JUDGED, Why.NO_SHOULDER),
            (plain & ~beyond & unpaved, Status.NOT_JUDGED, Why.UNPAVED),
            ((share(suspicion.masked[:, side]) > 0.5) & ~beyond, Status.NOT_JUDGED, Why.MASKED),
            (unmeasured & (known < LEAST_KNOWN), Status.NO_DATA, Why.NO_HEIGHTS),
        ):
            judged[chosen], told[chosen] = state, why
        new = judged != Status.OK
        status[new, side] = judged[new]
        heights, wall = _near_height(suspicion, side, at), (1000.0 * WALL_RISE_M,)
        reason[new, side] = [
            Reason(Why(why), {Why.KERB: (float(height),), Why.WALL: wall}.get(why, ()))
            for why, height in zip(told[new], heights[new], strict=True)
        ]
    return replace(measures, status=status, reason=reason), kerb


def _like_gravel(measures: Measures, breaks: Breaks, pavement_width_m: float) -> bool:
    """Tell whether a road falls like gravel and shows no edges, or hinges for edges."""
    unseen = np.mean(breaks.edge_source == Source.NOMINAL) >= UNSEEN_SHARE
    apart = np.median(breaks.edge.sum(axis=1)) > pavement_width_m + FAR_APART_M
    narrow = known_median(breaks.hinge - breaks.edge, 0.0) < NEXT_TO_NONE_M
    falls = known_median(np.abs(measures.pavement_slope_pct))
    if np.isnan(falls):
        return bool(apart and narrow)
    return bool((unseen or (apart and narrow)) and falls > UNPAVED_PCT)


def _near_height(suspicion: Suspicion, side: int, at: NDArray[np.int64]) -> Floats:
    """Height in mm of the kerb nearest to the stations' blocks, to 50 mm: neighbours agree."""
    height = suspicion.kerb_height_m[:, side]
    known = np.flatnonzero(np.isfinite(height))
    if known.size == 0:
        return np.zeros(at.size)
    nearest = np.clip(np.searchsorted(known, at), 0, known.size - 1)
    before = np.maximum(nearest - 1, 0)
    closer = np.abs(known[before] - at) < np.abs(known[nearest] - at)
    chosen = height[known[np.where(closer, before, nearest)]]
    return np.asarray(50.0 * np.maximum(np.round(chosen / 0.05), 2.0))


def _window_mean(at: Floats, values: Floats | NDArray[np.bool_], s: Floats, half: Floats) -> Floats:
    """Mean of block values within `half` of each station; of the nearest block if none is."""
    running = np.concatenate([[0.0], np.cumsum(np.asarray(values, dtype=np.float64))])
    first = np.searchsorted(at, s - half)
    last = np.searchsorted(at, s + half)
    none = last <= first
    nearest = np.clip(first, 0, at.size - 1)
    first, last = np.where(none, nearest, first), np.where(none, nearest + 1, last)
    return np.asarray((running[last] - running[first]) / (last - first))


@dataclass(frozen=True, slots=True)
class _Scatter:
    """Noise of the road as a whole."""

    sigma_m: float
    correlation_m: float
    nugget: float
    cell_m: float

    def of_mean(self, area_m2: float | Floats) -> Floats:
        """Noise of a mean over an area: the white part falls with it, the other part less.

        The correlated part counts as one value per 2 pi times the square of its length, the
        area under its correlation.
        """
        white = self.nugget * np.minimum(self.cell_m**2 / np.asarray(area_m2), 1.0)
        patch = 2.0 * np.pi * self.correlation_m**2
        tied = (1.0 - self.nugget) * patch / np.maximum(patch + area_m2, 1e-9)
        return np.asarray(self.sigma_m * np.sqrt(white + tied))


def _scatter(noise: Noise, cell_m: float) -> _Scatter:
    def usual(values: Floats, otherwise: float) -> float:
        known = values[np.isfinite(values)]
        return float(np.median(known)) if known.size else otherwise

    return _Scatter(
        usual(noise.sigma_m, 0.05),
        usual(noise.correlation_m, 0.0),
        usual(noise.nugget, 1.0),
        cell_m,
    )


@dataclass(frozen=True, slots=True)
class _Kerbs:
    """Kerbs of one side, per block; NaN and False where there is none."""

    height: Floats
    kerb: NDArray[np.bool_]
    away: NDArray[np.bool_]
    dropped: NDArray[np.bool_]


def _find_kerbs(road: Unrolled, sigma_m: float, strange: NDArray[np.bool_]) -> _Kerbs:
    from analysis.shoulder.step_kernels import Profiles, Rises, find_steps

    c, b = road.cell_m, road.s.size
    # so many blocks together that a height is known to about 12 mm
    length = float(np.clip((c * sigma_m * 2.8 / 0.012) ** 2 / 0.8, 5.0, 40.0))
    rows = max(3, 2 * round(0.5 * (length / road.length_m - 1.0)) + 1)
    count = moving_sums(road.count, rows)
    safe = np.maximum(count, 1.0)
    x = np.where(count > 0.0, moving_sums(road.x_sum, rows) / safe, 0.0)
    r = np.where(count > 0.0, moving_sums(road.r_sum, rows) / safe, 0.0)
    # grids made by interpolation smear a step over about one more cell
    sharp = int(np.searchsorted(_WIDTHS, max(SHARP_M, c) + 1e-9))
    found = np.full((b, 5 + _WIDTHS.size), np.nan)
    limit = road.width + 2.0
    profiles = Profiles(count, x, r, float(road.x[0]), BIN_M, limit, road.width, road.box)
    find_steps(profiles, Rises(_WIDTHS, sharp, KERB_ON_M, max(sigma_m, 1e-3)), found)
    place, height, se, foot, behind = found[:, :5].T
    # the rise is judged along some length of road: a single section is too noisy for it
    misfit = moving_sums(np.nan_to_num(found[:, 5:]), round(KERB_RUN_M / road.length_m)) / rows
    blunt = misfit[:, :sharp].min(axis=1) - misfit.min(axis=1)
    is_sharp = blunt <= SHARP_MISFIT
    with np.errstate(invalid="ignore"):
        # farther out than any worn edge, the pavement may have bent away from its plane
        bent = np.minimum(0.05 * np.maximum(place - 1.2, 0.0), np.maximum(-foot, 0.0))
        foot, behind = foot + bent, behind + bent
        stands = (height <= KERB_MOST_M + 2.0 * se) & (foot > -0.05) & (behind > 0.03)
        # both the rise itself and the ground behind it: a lip has one, a bank the other
        least_of, most_of = np.minimum(height, behind), np.maximum(height, behind)
        stays = (least_of >= STAYS_UP * most_of) & (behind - foot >= STAYS_UP * height)
        seed = stands & stays & is_sharp & (most_of - 1.3 * se >= KERB_LEAST_M)
        on = stands & (behind - foot >= 0.5 * height) & (most_of >= KERB_ON_M)
    # a vehicle or an access isn't what a kerb is told from
    seed &= ~grown(strange, rows // 2)
    least = max(2, round(KERB_RUN_M / road.length_m))
    on = closed(on, least // 2)
    kerb = np.zeros(b, dtype=bool)
    for first, last in flag_runs(on):
        # a bank that looks like a step here and there isn't one for most of its length
        if seed[first:last].sum() >= least and np.median(blunt[first:last]) <= SHARP_MISFIT:
            kerb[first:last] = True
    dropped = np.zeros(b, dtype=bool)
    stretches = flag_runs(kerb)
    for (a0, a1), (b0, b1) in pairwise(stretches):
        shorter = min(a1 - a0, b1 - b0)
        if b0 - a1 <= min(shorter, round(DROPPED_M / road.length_m)):
            dropped[a1:b0] = True
    out, away = np.full(b, np.nan), np.zeros(b, dtype=bool)
    around = 2 * least + 1
    for first, last in stretches:
        out[first:last] = np.nanmedian(height[first:last])
        near = np.nanmedian(windows(place[first:last], around, np.nan), axis=-1)
        away[first:last] = near > KERB_AWAY_M
    return _Kerbs(out, kerb, away, dropped)


def _find_accesses(road: Unrolled, scatter: _Scatter) -> NDArray[np.bool_]:
    """Blocks whose ground runs on level beyond the hinge for a short length."""
    near = road.band(road.width + 0.5, road.width + 1.75)
    far = road.band(road.width + 1.75, road.width + 3.0)
    outside = 0.5 * (near + far)
    chance = float(4.0 * scatter.of_mean(2.5 * road.length_m))
    with np.errstate(invalid="ignore"):
        level = np.abs(outside) <= ACCESS_FALL * (road.width + 1.75)
        level &= np.abs(far - near) <= ACCESS_FALL * 1.25 + chance
    steep = _usual(np.abs(far - near) / 1.25, road.length_m)
    wander = max(2.0 * EDGE_WANDERS_M, 0.75 * road.cell_m)
    least = np.maximum(max(ACCESS_RISE_M, chance), wander * steep)
    raised = short_pulses(outside, round(ACCESS_M / road.length_m), least)
    kept = np.zeros_like(raised)
    for first, last in flag_runs(raised):
        kept[first:last] = level[first:last].mean() >= 0.5
    # flares at both ends
    return grown(kept, 1)


def _usual(values: Floats, length_m: float) -> Floats:
    """Median over 50 m of road about each block; unknown values count as 0."""
    rows = 2 * round(25.0 / length_m) + 1
    return np.asarray(np.median(windows(np.nan_to_num(values), rows, 0.0), axis=-1))


def _find_obstacles(road: Unrolled, scatter: _Scatter) -> NDArray[np.bool_]:
    """Blocks whose shoulder stands up for a few metres."""
    middle = 0.25 + 0.5 * (np.maximum(road.width, 0.75) - 0.25)
    inner = road.band(np.full_like(middle, 0.25), middle)
    outer = road.band(middle, np.maximum(road.width, 0.75))
    on = 0.5 * (inner + outer)
    chance = 5.0 * scatter.of_mean(np.maximum(road.width, 0.5) * road.length_m)
    # where the ground is steep, an edge that wanders by a little looks like a rise
    steep = np.abs(outer - inner) / (0.5 * np.maximum(road.width - 0.25, 0.5))
    steep = _usual(steep, road.length_m)
    wander = max(EDGE_WANDERS_M, 0.5 * road.cell_m)
    least = np.maximum(np.maximum(OBSTACLE_RISE_M, chance), wander * steep)
    # no shoulder, so nothing to stand on it
    least[steep > 0.01 * STEEPEST_PCT] = np.inf
    return grown(short_pulses(on, round(OBSTACLE_M / road.length_m), least), 1)


def _find_walls(road: Unrolled) -> NDArray[np.bool_]:
    """Blocks with ground on the shoulder that stands higher than earth does beside a road."""
    width = np.maximum(road.width, 0.75)
    inside = (road.x[None, :] > 0.25) & (road.x[None, :] < width[:, None])
    height = np.where(inside & (road.count >= 2.0), road.r_sum / np.maximum(road.count, 1.0), 0.0)
    high = closed(height.max(axis=1) > WALL_RISE_M, 2)
    kept = np.zeros_like(high)
    for first, last in flag_runs(high):
        kept[first:last] = last - first >= round(KERB_RUN_M / road.length_m)
    return kept


def _find_bridges(sides: list[Unrolled]) -> NDArray[np.bool_]:
    """Blocks where the road's profile breaks off, or the ground falls away on both sides."""
    broken = np.zeros(sides[0].s.size, dtype=bool)
    falls = np.ones_like(broken)
    for road in sides:
        half = round(0.5 * BRIDGE_M / road.length_m)
        t = np.arange(-half, half + 1.0) / half
        level = windows(road.profile, 2 * half + 1, np.nan)
        # a parabola through what lies before and after, across the place itself
        known = np.isfinite(level) & (np.abs(t) > 0.4)
        middle = np.where(np.isfinite(road.profile), road.profile, 0.0)
        y = np.where(known, level - middle[:, None], 0.0)
        design = np.stack([np.ones_like(t), t, t * t], axis=1)
        normal = np.einsum("bi,ij,ik->bjk", known, design, design) + 1e-9 * np.eye(3)
        beta = np.linalg.solve(normal, np.einsum("bi,ij->bj", y, design)[..., None])[..., 0]
        whole = np.minimum(known[:, :half].sum(axis=1), known[:, half:].sum(axis=1)) >= 3
        broken |= whole & np.isfinite(road.profile) & (np.abs(beta[:, 0]) > BRIDGE_BREAK_M)
        count, total = moving_sums(road.count, 3), moving_sums(road.r_sum, 3)
        with np.errstate(invalid="ignore", divide="ignore"):
            height = np.where(count > 0.0, total / count, np.nan)
        step = round(1.5 / BIN_M)
        drop = height[:, :-step] - height[:, step:]
        near = (road.x[:-step] > 0.0) & (road.x[:-step] < 4.0)
        falls &= (np.nan_to_num(drop[:, near]) > BRIDGE_DROP_M).any(axis=1)
    length = sides[0].length_m
    return grown(closed(broken, round(BRIDGE_M / length)), round(5.0 / length)) | falls
