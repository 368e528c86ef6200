"""The seam of two survey strips: a jump in level that runs along a road without being its edge.

Flights and drives past stand some centimetres apart, and a grid of them keeps the jump. On the
pavement nothing else looks like it: a step of one height that goes on for a long way, clear of the
edges. Where one is found, the far side is brought level, as the strips of points are where points
tell them apart; what is left of its height is an error that all its cells share. A seam that runs
near an edge or on a shoulder can't be told from a real step by a few heights: where one has left
the pavement, the shoulder that it went to carries its whole height as an error, for as long as it
may stay there, and where one never was on it, `analysis.shoulder.seam_beside` says how likely it
is. None is looked for on gravel and earth, which wear to shapes of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import known_median, lines_at, runs
from analysis.common.sides import SIDE_SIGN, SIDES
from analysis.common.types import Bools, Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.corridor.values import Case, Cells, Ground, Ribbon
from analysis.edges.values import Breaks

__all__ = ["Seam", "can_be_asked", "find_seam", "seam_text", "usual_box"]


BLOCK_M, LEAST_CELLS = 10.0, 60
"""Length of road that is looked at together, and how many cells of pavement it needs."""

STEP_M, GUARD_M, LANE_M = 0.25, 0.25, 0.6
"""Step of the places across; distance from the edge beyond the footprint; distance of the knots of
any shape that a pavement may keep all along, such as worn lanes."""

CROWNS_M = (-0.4, 0.0, 0.4)
"""The pavement may bend at the crown, and so far beside where the middle between its edges lies: a
seam draws the crown that was found to itself. One found farther off is asked for beside these: a
bend at the place of a step takes next to nothing from it."""

RISES_M = (0.006, 0.009, 0.013, 0.018, 0.025, 0.035, 0.05, 0.07)
"""Heights that are tried, up and down; strips of one survey keep within some 10 to 80 mm (common
practice)."""

DRIFT_M, FARTHEST_M = 0.15, 0.75
"""Usual and greatest move across from block to block."""

LEAVES = 8.0
"""What it costs, in log evidence, that a seam leaves the pavement or comes back."""

LEAST_GAIN, LEAST_RISE_M, LEAST_LENGTH_M = 15.0, 0.006, 100.0
"""A seam has this much log evidence, is at least this high, and this long; on made roads without
one the evidence stayed below 12. Our own choice."""

LEAST_EACH = 0.1
"""So much of it tells each block of 10 m on the way. A way that picks among places in noise wins
next to nothing in a block, and yet that adds up along kilometres: 0.03 on a made road of 5 km
without a seam. A jump of 20 mm tells some 2 in noise as large. Our own choice."""

MOST_SHAPE = 1.25
"""With a seam gone, a pavement keeps no shape along the road: more log evidence for one, by each of
its knots (noise alone leaves a half), says that a gutter or worn lanes were taken for it."""

PLACE_SHARE, SHAPE_SHARE = 0.1, 2.0
"""Share of its height that the uncertain place of a seam leaves as an error, and by how much the
pavement's own shape widens that of noise; our own choice."""


AWAY_M, GOES_ON_M = 3.0, 250.0
"""Strips end along lines: a seam that left the pavement goes on as it ran before until it is so far
outside the edge, and it is as likely as 1 in e not to have done so for this long."""

LINE_BLOCKS = (5, 15)
"""From how many blocks, at least and at most, its direction is told."""

AS_STEP, AS_SLOPE = 0.55, 0.85
"""What a step of unit height that lies anywhere from 0.5 m inside an edge to as much outside the
hinge makes of edge drop and of the rise over the shoulder: root mean squares, by the closed forms
of a line through it."""


class _Told(NamedTuple):
    """What b blocks say of a step at each of p places across.

    Attributes
    ----------
    s, middle : (b,)
        Middle of each block along the road, and of the pavement there.
    edge, width : (b, 2)
        Pavement edges outward from the given line, and widths of the shoulders.
    gain, weight : (b, p)
        The log evidence for a step of height r is ``r * gain - r**2 / 2 * weight``; a weight of 0
        marks a place that isn't on the pavement.
    cross, inner, pull : (b, p, q), (b, q, q), (b, q)
        How steps and the shape that the pavement keeps look alike, that shape's own products, and
        what the heights say of it.
    """

    s: Floats
    middle: Floats
    edge: Floats
    width: Floats
    gain: Floats
    weight: Floats
    cross: Floats
    inner: Floats
    pull: Floats


@dataclass(frozen=True, slots=True)
class Astride:
    """Shoulders that a seam went to when it left the pavement, in b blocks; sides left, right.

    Attributes
    ----------
    edge, width : (b, 2)
        Pavement edges outward from the given line, and widths of the shoulders.
    chance : (b, 2)
        Probability that the seam runs by the edge or on the shoulder.
    """

    edge: Floats
    width: Floats
    chance: Floats


@dataclass(frozen=True, slots=True)
class Seam:
    """Where two strips of a survey meet on a road, in b blocks.

    Attributes
    ----------
    s, offset : (b,)
        Middle of each block along the road, and place of the seam, right positive from the given
        line; far left or right where it has left the pavement.
    rise_m, se_m : float
        How far the ground right of it stands too high, and its standard error.
    length_m : float
        Length of road along which it is seen.
    astride : Astride
        Where it may run beside the pavement.
    share, doubt : (b,), optional
        Shares of its height that are taken off, and that are carried as an error beside `se_m`;
        None: all and nothing.
    otherwise : Seam, optional
        Where it may run as well if it isn't there.
    """

    s: Floats
    offset: Floats
    rise_m: float
    se_m: float
    length_m: float
    astride: Astride
    share: Floats | None = None
    doubt: Floats | None = None
    otherwise: Seam | None = None

    def levelled(self, ground: Ground, box_m: tuple[float, float]) -> Ground:
        """Bring the ground right of the seam level with that left of it."""
        if self.otherwise is not None:
            ground = self.otherwise.levelled(ground, box_m)
        cells, ribbon = ground.cells, ground.ribbon
        made_up = ground.made_up
        return replace(
            ground,
            cells=self._cells(cells, box_m),
            ribbon=self._ribbon(ribbon, box_m),
            made_up=None if made_up is None else self._cells(made_up, box_m),
        )

    def _cells(self, cells: Cells, box_m: tuple[float, float]) -> Cells:
        beyond = smeared_step(cells.o - np.interp(cells.s, self.s, self.offset), np.array(box_m))
        rise, error = self._heights(cells.s)
        shared = error * beyond + self._beside(cells, box_m)
        if self.otherwise is not None and cells.shared_m is not None:
            shared += cells.shared_m
        return replace(cells, z=cells.z - rise * beyond, shared_m=shared)

    def _heights(self, s: Floats) -> tuple[Floats, Floats]:
        """How much is taken off at places along the road, and its error, (m,)."""
        if self.share is None or self.doubt is None:
            return np.full(s.size, self.rise_m), np.full(s.size, self.se_m)
        share, doubt = (np.interp(s, self.s, of) for of in (self.share, self.doubt))
        return self.rise_m * share, np.hypot(self.se_m * share, self.rise_m * doubt)

    def _beside(self, cells: Cells, box_m: tuple[float, float]) -> Floats:
        """What a seam that may run beside the pavement adds to cells as an error, (m,)."""
        out, box = np.zeros(len(cells)), np.array(box_m)
        for side, sign in enumerate(SIDE_SIGN):
            edge, width, chance = (
                np.interp(cells.s, self.s, of[:, side])
                for of in (self.astride.edge, self.astride.width, self.astride.chance)
            )
            x = sign * cells.o - edge
            along = (smeared_ramp(x, box) - smeared_ramp(x - width, box)) / np.maximum(width, 0.5)
            size = abs(self.rise_m) * np.sqrt(chance)
            out += size * (AS_STEP * smeared_step(x, box) + AS_SLOPE * along)
        return out

    def _ribbon(self, ribbon: Ribbon, box_m: tuple[float, float]) -> Ribbon:
        at = np.interp(ribbon.s, self.s, self.offset)
        beyond = smeared_step(ribbon.o[None, :] - at[:, None], np.array(box_m))
        rise, _ = self._heights(ribbon.s)
        return replace(ribbon, z=ribbon.z - rise[:, None] * beyond)


def usual_box(case: Case) -> tuple[float, float]:
    """Return the box widths of a cell across the road, as they are on most of it."""
    usual = np.median(case.box_m, axis=0) if case.usual_box_m is None else case.usual_box_m
    return float(usual[0]), float(usual[1])


def seam_text(seam: Seam | None) -> str:
    """Say in a sentence where strips meet; empty without a seam."""
    if seam is None:
        return ""
    if seam.share is not None:
        either = seam if seam.otherwise is None else seam.otherwise
        places = " or ".join(dict.fromkeys(_beside_text(of) for of in (seam, either)))
        rise = max(abs(of.rise_m) for of in (seam, either))
        return (
            f"Two strips of the survey may meet on the {places}: a jump of {1000.0 * rise:.0f} mm "
            "there would explain why one shoulder isn't as the other is. That share of it was "
            "taken off, and what is unsure of it is carried by slopes and drops there."
        )
    on = " Beside it, it is taken to go on as it ran there." if seam.astride.chance.any() else ""
    return (
        f"Two strips of the survey meet along {seam.length_m:.0f} m of the pavement; they stood "
        f"{1000.0 * abs(seam.rise_m):.0f} ± {1000.0 * seam.se_m:.0f} mm apart and were brought "
        f"level.{on} A seam that runs only on a shoulder can't be told from a step in it."
    )


def _beside_text(seam: Seam) -> str:
    """Say which side a seam may lie on, and how likely it does at most."""
    share = np.zeros(1) if seam.share is None else seam.share
    most = int(np.abs(share).argmax())
    side = SIDES[int(seam.offset[most] > 0.0)]
    return f"{side} shoulder or by its edge (a chance of {100.0 * abs(share[most]):.0f} %)"


def can_be_asked(cells: Cells, breaks: Breaks) -> bool:
    """Whether a road has ground to look for seams in, and points haven't levelled its strips."""
    return cells.lattice is None and len(cells) > 0 and breaks.s.size >= 2


def find_seam(cells: Cells, breaks: Breaks, box_m: tuple[float, float]) -> Seam | None:
    """Look for a seam of survey strips on the pavement of a road.

    Parameters
    ----------
    cells, breaks
        The ground, and where its parts begin and end.
    box_m : (float, float)
        Box widths of a cell across the road.

    Returns
    -------
    Seam or None
        None where nothing says so, or where points brought the strips level already.
    """
    if not can_be_asked(cells, breaks):
        return None
    told = _tell(cells, breaks, box_m)
    if told is None:
        return None
    heights = [sign * rise for rise in RISES_M for sign in (1.0, -1.0)]
    ways = (_path(told.gain, told.weight, height) for height in heights)
    evidence, way = max(ways, key=lambda found: found[0])
    # every turn of the way is paid for: at the crown, where a step tells least, noise makes many
    on = np.count_nonzero((way >= 0) & (way < told.gain.shape[1]))
    return None if evidence < max(LEAST_GAIN, LEAST_EACH * on) else _checked(told, way)


def _tell(cells: Cells, breaks: Breaks, box_m: tuple[float, float]) -> _Told | None:
    """Ask every block of pavement for a step at every place."""
    from analysis.shoulder.seam_kernels import Asked, Paved, Said, ask_blocks

    guard = 0.5 * sum(box_m) + GUARD_M
    edge = [lines_at(cells.s, breaks.s, breaks.edge[:, side]) for side in (0, 1)]
    middle, half = 0.5 * (edge[1] - edge[0]), 0.5 * (edge[0] + edge[1]) - guard
    lost = lines_at(cells.s, breaks.s, breaks.lost().astype(np.float64)) > 0.0
    y = cells.o - middle
    on = (np.abs(y) < half) & ~lost & np.isfinite(cells.z)
    if not on.any() or float(half[on].max()) < STEP_M:
        return None
    s, y, z = cells.s[on], y[on], cells.z[on]
    widest = float(half[on].max())
    reach = np.floor(widest / STEP_M)
    places = np.asarray(np.arange(-reach, reach + 1) * STEP_M, dtype=np.float64)
    # even parts, so that they lie alike from either end of the road
    ends = np.linspace(float(s[0]), float(s[-1]), max(1, round(float(s[-1] - s[0]) / BLOCK_M)) + 1)
    bounds = np.searchsorted(s, ends)
    bounds[-1], blocks = s.size, ends.size - 1
    lanes = LANE_M * np.arange(-np.floor(widest / LANE_M), np.floor(widest / LANE_M) + 1)
    p, q = places.size, lanes.size
    gain, weight = np.zeros((2, blocks, p))
    cross, inner = np.zeros((blocks, p, q)), np.zeros((blocks, q, q))
    said = Said(gain, weight, cross, inner, np.zeros((blocks, q)))
    boxes = max(box_m), min(box_m)
    asked = Asked(places, lanes, _crowns(breaks), *boxes, LANE_M, STEP_M, BLOCK_M)
    ask_blocks(Paved(s, y, z), bounds, LEAST_CELLS, asked, said)
    if not weight.any():
        return None
    # what blocks say scatters by more than white noise where cells share what they are made of
    score = np.where(weight > 0.0, gain / np.sqrt(np.maximum(weight, 1e-12)), 0.0)
    change = np.diff(score, axis=0)[(weight[1:] > 0.0) & (weight[:-1] > 0.0)]
    if not change.size:
        return None
    spread = max(1.0, 1.4826 * float(np.median(np.abs(change))) / np.sqrt(2.0)) ** 2
    at = np.asarray(0.5 * (ends[1:] + ends[:-1]), dtype=np.float64)
    parts = (part / spread for part in said)
    edges = np.column_stack([np.interp(at, cells.s, of) for of in edge])
    gap = np.nan_to_num(breaks.hinge - breaks.edge)
    widths = np.column_stack([np.interp(at, breaks.s, of) for of in gap.T])
    return _Told(at, np.interp(at, cells.s, middle), edges, widths, *parts)


def _crowns(breaks: Breaks) -> Floats:
    """Where the pavement may bend, (c,): about its middle, and at a crown that lies off it."""
    off = known_median(breaks.axis - 0.5 * (breaks.edge[:, 1] - breaks.edge[:, 0]), 0.0)
    beyond = abs(off) > CROWNS_M[-1]
    return np.array([*CROWNS_M, off] if beyond else CROWNS_M)


def _path(gain: Floats, weight: Floats, rise_m: float) -> tuple[float, NDArray[np.int64]]:
    """Best way of a seam of one height along the road: log evidence, place in each block.

    Places are those of `_Told`; -1 is left of the pavement, p right of it.
    """
    from analysis.shoulder.seam_kernels import best_way

    blocks, p = gain.shape
    evidence = np.where(weight > 0.0, rise_m * gain - 0.5 * rise_m**2 * weight, -LEAVES)
    evidence = np.column_stack([np.zeros(blocks), evidence, np.zeros(blocks)])
    away = STEP_M * np.abs(np.subtract.outer(np.arange(p + 2), np.arange(p + 2)))
    move = np.where(away <= FARTHEST_M, 0.5 * (away / DRIFT_M) ** 2, np.inf)
    # off the pavement nothing is known of the seam but the side, which is the nearer one
    move[[0, -1], :], move[:, [0, -1]] = LEAVES, LEAVES
    half = (p + 2) // 2
    move[0, half + 1 :] = move[half + 1 :, 0] = move[-1, :half] = move[:half, -1] = np.inf
    move[0, 0] = move[-1, -1] = 0.0
    move[0, -1] = move[-1, 0] = np.inf
    way = np.empty(blocks, dtype=np.int64)
    return best_way(evidence, move, way), way - 1


def _checked(told: _Told, way: NDArray[np.int64]) -> Seam | None:
    """The seam along a way, beside any shape that the pavement keeps; None if it isn't one."""
    p = told.gain.shape[1]
    on = (way >= 0) & (way < p)
    rows = np.flatnonzero(on)
    rows = rows[told.weight[rows, way[rows]] > 0.0]
    if rows.size * BLOCK_M < LEAST_LENGTH_M:
        return None
    here = (rows, way[rows])
    gain, weight = float(told.gain[here].sum()), float(told.weight[here].sum())
    rise = gain / weight
    cross, pull = told.cross[here].sum(axis=0), told.pull[rows].sum(axis=0)
    inverse = np.linalg.pinv(told.inner[rows].sum(axis=0), rcond=1e-6, hermitian=True)
    kept = pull - rise * cross
    if abs(rise) < LEAST_RISE_M:
        return None
    # one step has to tell more than any curve of many knots does
    if gain * rise < float(pull @ inverse @ pull):
        return None
    if 0.5 * float(kept @ inverse @ kept) > MOST_SHAPE * kept.size:
        return None
    se = SHAPE_SHARE / np.sqrt(weight)
    offset = np.where(on, (way - 0.5 * (p - 1)) * STEP_M, np.where(way < 0, -1e3, 1e3))
    se = float(np.hypot(se, PLACE_SHARE * rise))
    place, chance = _prolonged(told, told.middle + offset, on)
    beside = Astride(told.edge, told.width, chance)
    return Seam(told.s, place, rise, se, rows.size * BLOCK_M, beside)


def _prolonged(told: _Told, offset: Floats, on: Bools) -> tuple[Floats, Floats]:
    """Let a seam go on beside the pavement in the line that it left it, or that it came in.

    Parameters
    ----------
    told, offset, on
        What blocks say, place of the seam (b,), and where it is on the pavement (b,).

    Returns
    -------
    offset, chance : (b,), (b, 2)
        Places, and the probability that it isn't there but anywhere by that side's edge.
    """
    place, chance, nearest = offset.copy(), np.zeros((on.size, 2)), np.full(on.size, np.inf)
    s, ends = told.s, [(int(a), int(b)) for a, b in zip(*runs(on), strict=True) if on[a]]
    for first, last in ends:
        if last + 1 - first < LINE_BLOCKS[0]:
            continue
        for end, way in ((first, -1), (last, 1)):
            part = np.arange(end, end - way * LINE_BLOCKS[1], -way)
            part = part[(part >= first) & (part <= last)]
            slope, level = np.polyfit(s[part] - s[end], offset[part], 1)
            side, k = None, end + way
            while 0 <= k < on.size and not on[k]:
                side = int(offset[k] > 0.0) if side is None else side
                away = abs(s[k] - s[end])
                at = level + slope * (s[k] - s[end])
                if SIDE_SIGN[side] * at > told.edge[k, side] + AWAY_M:
                    break
                if away < nearest[k]:
                    nearest[k], place[k] = away, at
                    chance[k, side] = 1.0 - np.exp(-away / GOES_ON_M)
                k += way
    return place, chance
