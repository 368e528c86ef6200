"""What isn't shoulder: kerbs, accesses, vehicles and bushes, walls, bridges, the user's mask.

A verge behind a kerb stands high for a good reason, and a driveway is flat for one: to call
them defects would be a false alarm. Whether a step is a kerb or a high shoulder is told later, by
the ground beside it too (`analysis.shoulder.kerb_or_high`). Before the fits, the ground is unrolled
to heights over the pavement's own plane, a section each few metres, and searched for

- *kerbs*: a step up at the pavement's edge. What tells one from a turf lip is its sharpness
  (a step through the footprint of a cell fits as well as any ramp), its height, that the ground
  behind it stays up, and that it goes on along the road;
- *accesses*: ground that runs on level beyond the hinge over a length too short for anything
  else, where before and after it falls away;
- *things left in the grid*: shoulder that stands up for a few metres, as a vehicle or a bush;
- *walls*: ground that rises and falls again, or stays up, by more than earth does;
- *breaks of the road's own profile*, as where a bridge was taken out of the grid.

Cells of the second and third kind are left out of the fits. After the fits,
`analysis.shoulder.withhold` gives the stations where a shoulder can't be judged their reason.
Ground that is too low is never put down to any of these: that is what the screening is for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import flag_runs, known_median, lines_at, moving_sums, windows
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.edges.values import Breaks
from analysis.shoulder.kerbs import KERB_RUN_M, find_kerbs
from analysis.shoulder.unrolled import BIN_M, Unrolled, closed, grown, short_pulses, unroll
from analysis.shoulder.values import UNKNOWN_SIGMA_M, Noise, Why

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = ["NOTHING", "STEEPEST_PCT", "WALL_RISE_M", "Suspicion", "bridged_share", "suspect"]


NOTHING = 0

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

BRIDGED_M = 4.0
"""A station stands for this much of road to both sides, whatever its averaging length."""

WALL_RISE_M = 0.30
"""More than a bank of turf or a windrow rises within a cell or two (common practice)."""

BRIDGE_BREAK_M = 0.50
"""A road's own profile keeps this close to a parabola over `BRIDGE_M`."""

BRIDGE_DROP_M = 1.2
"""No earth beside a road falls by this much in 1.5 m on both sides at once."""

BRIDGE_M = 60.0

STEEPEST_PCT = 18.0
"""What falls or rises more steeply than this isn't a shoulder: they are built at 4 to 8 %, and
foreslopes are steeper than 1 in 5 as a rule (common practice)."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What stands beside the road, in b short blocks of it; side axis 0 left, 1 right.

    Attributes
    ----------
    s : (b,)
        Middles of the blocks.
    kind : (b, 2) int8
        A `Why` up to `BRIDGE`, or `NOTHING`.
    kerb_height_m, kerb_se_m, kerb_shape, kerb_away_m, kerb_falls_pct : (b, 2)
        Height of what may be a kerb, its standard error, the log odds by its shape that it is one;
        how far outside the edge it stands where it isn't at it, and by how much the ground behind
        it falls more than the pavement; NaN where there is none.
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
    kerb_se_m: Floats
    kerb_shape: Floats
    kerb_away_m: Floats
    kerb_falls_pct: Floats
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
        kinds, step = blank.astype(np.int8), (blank, blank, blank, blank, blank)
        return Suspicion(np.zeros(0), kinds, *step, blank, blank, skip.copy())
    scatter = _scatter(noise, cells.cell_m)
    roads = [unroll(cells, breaks, side, box_m, skip) for side in (0, 1)]
    b = roads[0].s.size
    kind = np.full((b, 2), NOTHING, dtype=np.int8)
    height, se, shape, away, falls = (np.full((b, 2), np.nan) for _ in range(5))
    foreign, line = np.zeros(m, dtype=bool), breaks.along()
    bridge = _find_bridges(roads)
    for side, road in enumerate(roads):
        access, obstacle = _find_accesses(road, scatter), _find_obstacles(road, scatter)
        kerbs = find_kerbs(road, scatter.sigma_m, access | obstacle)
        column = kind[:, side]
        # later ones win; behind a kerb nothing else is looked for
        column[obstacle] = Why.OBSTACLE
        column[access] = Why.ACCESS
        column[_find_walls(road)] = Why.WALL
        column[bridge] = Why.BRIDGE
        column[kerbs.kerb] = np.where(np.isfinite(kerbs.away), Why.KERB_AWAY, Why.KERB)[kerbs.kerb]
        column[kerbs.dropped] = Why.DROPPED_KERB
        height[:, side], se[:, side] = kerbs.height, kerbs.se
        shape[:, side], away[:, side] = kerbs.shape, kerbs.away
        falls[:, side] = kerbs.falls_pct
        half = 0.5 * road.length_m
        for first, last in flag_runs(np.isin(column, (Why.ACCESS, Why.OBSTACLE))):
            here = cells.window(road.s[first] - half, road.s[last - 1] + half)
            edge = lines_at(cells.s[here], line.s, line.edge[:, side])
            foreign[here] |= SIDE_SIGN[side] * cells.o[here] - edge > -0.5
    known, masked = (
        np.column_stack([getattr(road, name) for road in roads]) for name in ("known", "masked")
    )
    step = (height, se, shape, away, falls)
    return Suspicion(roads[0].s, kind, *step, known, masked, foreign)


def bridged_share(cells: Cells, made_up: Cells, breaks: Breaks) -> Floats:
    """Share of the ground at each station that only bridges a hole, (n, 2).

    From two metres of pavement to the hinge, over `BRIDGED_M` of road to both sides: what is
    measured there is carried in from elsewhere, however long it is averaged.
    """
    s, count = breaks.s, np.zeros((2, *breaks.edge.shape))
    line = breaks.along()
    hinge = np.where(np.isfinite(line.hinge), line.hinge, line.edge + 1.5)
    for k, part in enumerate((cells, made_up)):
        for side, sign in enumerate(SIDE_SIGN):
            edge = lines_at(part.s, line.s, line.edge[:, side])
            x = sign * part.o - edge
            width = lines_at(part.s, line.s, hinge[:, side]) - edge
            at = part.s[(x > -2.0) & (x < width)]
            first, last = (np.searchsorted(at, s + away) for away in (-BRIDGED_M, BRIDGED_M))
            count[k, :, side] = last - first
    return np.asarray(count[1] / np.maximum(count.sum(axis=0), 1.0))


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
    return _Scatter(
        known_median(noise.sigma_m, UNKNOWN_SIGMA_M),
        known_median(noise.correlation_m, 0.0),
        known_median(noise.nugget, 1.0),
        cell_m,
    )


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
