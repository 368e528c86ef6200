"""Where the middle of the road lies beside its given line, and whether that can be told.

A section of a road is laid at every place within reach of the line: pavement, which is the smooth
part, shoulders, and the ground that follows them. The places compete along the road: each block
gets the probability of every place in the light of the whole road and of how well lines are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import softmax

from analysis.common.along import moving_sums, steps_over, whole_steps
from analysis.common.hands import each_by_hands, product_alone
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Bools, Floats
from analysis.corridor.blocks import WIDE_BLOCKS, BlockSections
from analysis.corridor.footprint import smeared_ramp, smeared_step

if TYPE_CHECKING:
    from analysis.edges.middle_kernels import Regressions

__all__ = [
    "FAIR_TRUST",
    "PARTS",
    "REACH_M",
    "RIVAL_M",
    "Line",
    "Middle",
    "RoadSection",
    "WayOn",
    "Widths",
    "find_middle",
    "section_shapes",
    "tie_places",
    "ways_on",
]


LINE_SHARES, SHARE_CHANCES = (1.0 / 6.0, 1.0 / 3.0), (0.5, 0.5)
"""Standard deviation of a line's error as a share of the greatest one that it may have, and how
likely each is before the road is looked at: most lines lie well within what they may be off, and
the whole road tells which one this is. Our own choice."""

LINE_ALONG_M = 100.0
"""Length along the road over which that error hangs together: about the distance of the points
that a line is drawn through; our own choice."""

BEYOND_SEARCH_M, LIMIT_M = 1.0, 0.5
"""Places so much beyond the limit of the search compete too; the road isn't found where the best
lies farther beyond it than the second."""

FARTHEST = 400.0
"""Squared distance in standard deviations beyond which all places are alike unlikely."""

BEST_M, RIVAL_M, RIVAL_SHARE = 0.5, 1.0, 0.08
"""The best place has the most probability within the first; what lies farther from it than the
second are rivals, and the road isn't found where they keep more than this share."""

LEAST_NEAR, SURER = 0.65, 0.2
"""Nor is it found where less than the first share lies within `BEST_M`; where the ground hasn't a
road's usual shape up to the second more is asked for. Our own choice, by made roads."""

FAIR_SHARE, FAIR_TRUST = 0.7, 0.35
"""With more than the first within `RIVAL_M`, on ground that has a road's usual shape as far as the
second, edges that show can settle it; our own choice."""

SHARED_BLOCKS = float(WIDE_BLOCKS)
"""Neighbouring wide sections share most of their cells: so many of them count as one."""

PAVEMENT_MISFIT_M, SHOULDER_MISFIT_M, BEYOND_MISFIT_M = 0.015, 0.03, 0.08
"""How far averaged ground may lie off the section on pavement, on shoulders and beyond them."""

USUAL_MISFIT, POOREST, MISFIT_BLOCKS = 0.05, 4.0, 41
"""Mean square misfit of the best section, in units of those above and of what is known beforehand,
that nine of ten made roads stay under, banked ones and crowns off the middle among them. Where it
fits worse, as on most real country roads, every section is a poor picture of the ground, in one way
for a long stretch, and tells less, up to so many times; judged over that many blocks."""

BEYOND_M = 1.25
"""How much ground beyond the nominal hinges is looked at."""

REACH_M = BEYOND_M + BEYOND_SEARCH_M
"""Sections have to reach so much beyond nominal hinges and search."""

PAVEMENT_VARIANTS_M, PAVEMENT_SPREAD_M = (-0.6, 0.0, 0.6), 0.6
SHOULDER_VARIANTS_M, SHOULDER_SPREAD_M = (-0.4, 0.0, 0.5), 0.4
"""By how much half the pavement and the shoulders may differ from their nominal widths."""

LEAST_HALF_M, LEAST_SHOULDER_M = 1.0, 0.3

TOE_M = 0.7
"""Foreslope or bank may bend again so far beyond the nominal hinge, as in a ditch."""

LEAST_KNOWN = 0.3
"""A block with heights in less of its section than this says nothing."""

SMEAR_CELLS = 1.2
"""Two boxes of so many cells blur as much as a cell and the smoothing of sections do."""

PARTS = (
    (0.0, 10.0),  # level
    (0.0, 0.04),  # slope of the whole road
    (-0.02, 0.02),  # half the kink at the crown
    (-0.02, 0.03),  # kinks at the edges, left and right
    (-0.02, 0.03),
    (0.0, 0.04),  # steps at the edges: lips, drops, low kerbs
    (0.0, 0.04),
    (0.0, 0.3),  # kinks beyond the hinges: ditches, tops of banks
    (0.0, 0.3),
)
"""Mean and standard deviation of what every section has, rise outward."""

HINGES = ((0.65, -0.25, 0.08), (0.25, 0.35, 0.2))
"""Weight, mean and standard deviation of the kink at a hinge: a foreslope; a bank, cut or wall
(common practice). A wider prior takes ground without any kink for a hinge."""

LEVEL = (0.10, 0.0, 0.04)
"""The same of one that hardly shows: gutter or level verge."""

KERB = (0.05, 0.12, 0.04)
"""Share of roads between kerbs, and mean and standard deviation of their height (common
practice)."""

STEPS = slice(5, 7)
"""Where the steps stand among `PARTS`."""

BARE = 0.02
"""Share of foreslopes and banks that begin at the pavement edge, without a shoulder."""


class Widths(NamedTuple):
    """Nominal sizes across the road: half the pavement, a shoulder, and a cell; metres."""

    half_m: float
    shoulder_m: float
    cell_m: float


class Line(NamedTuple):
    """What is known of the road's place beside the line it was given by, in b blocks.

    Attributes
    ----------
    off_m
        How far the line may lie off.
    given, given_se : (b,)
        Middle of the road by what a person fixed, and its error; NaN = nothing.
    """

    off_m: float
    given: Floats
    given_se: Floats


@dataclass(frozen=True, slots=True)
class Middle:
    """Middle of the road beside the given line in b blocks.

    Attributes
    ----------
    s : (b,)
        Middle of each block along the road.
    offset : (b,)
        Likeliest place, right positive, metres: mean of what lies near it.
    trust : (b,)
        How much of what the sections say counts: 1 where the ground has a road's usual shape.
    rival : (b,)
        The next best place; NaN where none is likely enough to count.
    found : (b,) bool
        False where there is a rival, or the likeliest place lies beyond the limit.
    fair : (b,) bool
        Where the rivals leave the likeliest place enough for edges that the ground shows there to
        settle it.
    limit_m, off_m : float
        How far from the line a road can be found, which is so far as that may be `off_m`, and a
        little.
    """

    s: Floats
    offset: Floats
    trust: Floats
    rival: Floats
    found: Bools
    fair: Bools
    limit_m: float
    off_m: float


def find_middle(
    sections: BlockSections,
    widths: Widths,
    line: Line,
    search_m: float,
    centre: Floats,
    *,
    cells_per_value: float = 1.0,
) -> Middle | None:
    """Weigh all places of the middle of the road against each other, block by block.

    Parameters
    ----------
    sections : BlockSections
        They reach `REACH_M` beyond shoulders and search at least.
    widths : Widths
    line : Line
    search_m
        How far from the centre of the sections is looked.
    centre : (b,)
        Offset of that from the line.
    cells_per_value
        How many cells share what they were made of; their sections tell so much less.

    Returns
    -------
    Middle or None
        None where no block has heights enough.
    """
    known = (sections.count > 0).mean(axis=1) > LEAST_KNOWN
    if not known.any():
        return None
    step = max(0.125, 0.5 * sections.bin_m)
    reach = round((search_m + BEYOND_SEARCH_M) / step)
    places = np.asarray(np.arange(-reach, reach + 1) * step, dtype=np.float64)
    evidence, misfit = _evidence(sections, places, widths)
    around = moving_sums(np.where(known, misfit, 0.0), MISFIT_BLOCKS)
    around /= np.maximum(moving_sums(known.astype(np.float64), MISFIT_BLOCKS), 1.0)
    poor = cells_per_value * np.maximum(around / USUAL_MISFIT, 1.0)
    trust = 1.0 / np.clip(poor, 1.0, POOREST)
    evidence = np.where(known[:, None], evidence, 0.0)
    evidence = (evidence - evidence.max(axis=1, keepdims=True)) * trust[:, None] / SHARED_BLOCKS
    fixed = np.isfinite(line.given)
    offset = centre[:, None] + places
    away = (offset[fixed] - line.given[fixed, None]) / line.given_se[fixed, None]
    evidence[fixed] -= 0.5 * away**2
    hold = float(np.exp(-sections.length_m / LINE_ALONG_M))
    tied = partial(tie_places, evidence, offset, hold=hold)
    ways = each_by_hands(tied, [share * line.off_m for share in LINE_SHARES])
    odds = np.log(SHARE_CHANCES) + np.array([told for _, told in ways])
    post = np.einsum("w,wbp->bp", softmax(odds), np.stack([way for way, _ in ways]))
    return _settle(sections.s, post, offset, trust, line.off_m)


class WayOn(NamedTuple):
    """One way in which a side may go on: which ramp, its kink, and the log weight."""

    ramp: int
    mean: float
    sd: float
    weight: float


def ways_on() -> list[WayOn]:
    """Ways in which a side may go on; the ramp after the variants begins at the edge."""
    share = np.exp(-0.5 * (np.array(SHOULDER_VARIANTS_M) / SHOULDER_SPREAD_M) ** 2)
    share /= share.sum()
    ways = [WayOn(1, *LEVEL[1:], float(np.log(LEVEL[0])))]
    for weight, mean, sd in HINGES:
        shares = enumerate([*share, BARE])
        ways += [WayOn(k, mean, sd, float(np.log(weight * part))) for k, part in shares]
    return ways


def behind_kerbs() -> list[WayOn]:
    """Ways in which a side may go on behind a kerb: a walk or verge, level or soon rising."""
    share = 0.5 * np.log(KERB[0] / 2.0)
    return [WayOn(1, *LEVEL[1:], float(share)), WayOn(1, *HINGES[1][1:], float(share))]


def _evidence(sections: BlockSections, places: Floats, widths: Widths) -> tuple[Floats, Floats]:
    """Log evidence of a road at each place, (b, p), and mean square misfit of the best, (b,)."""
    o, bin_m = sections.o, sections.bin_m
    bins = 2 * steps_over(widths.half_m + widths.shoulder_m + BEYOND_M, bin_m)
    first = whole_steps(places - o[0] + 0.5 * bin_m, bin_m) - bins // 2
    first = np.clip(first, 0, o.size - bins)
    value = np.full((places.size, sections.s.size), -np.inf)
    least = np.full(value.shape, np.inf)

    def weigh(j: int) -> None:
        part = slice(int(first[j]), int(first[j]) + bins)
        # places lie on the bins or between them: few sections are laid again and again
        x = tuple(np.round(o[part] - places[j], 6).tolist())
        for wider in PAVEMENT_VARIANTS_M:
            half = max(widths.half_m + wider, LEAST_HALF_M)
            section = _laid(x, widths._replace(half_m=half))
            share = -0.5 * (wider / PAVEMENT_SPREAD_M) ** 2
            section.weigh(sections.wide[:, part], share, value[j], least[j])

    each_by_hands(weigh, range(places.size))
    return value.T, least.min(axis=0) / bins


@lru_cache(maxsize=64)
def _laid(x: tuple[float, ...], widths: Widths) -> RoadSection:
    """Lay a section once for all roads that are looked at alike."""
    return RoadSection.laid(np.array(x), widths)


class RoadSection(NamedTuple):
    """Section of a road as k places see it: regressions, one for each way of either side.

    Attributes
    ----------
    sd : (k,)
        How far the ground may lie off it.
    pull : (k, q)
        What heights say of all shapes: those that all regressions share, then the ramps of ways.
    groups
        Regressions of open roads, then of those between kerbs.
    """

    sd: Floats
    pull: Floats
    groups: tuple[Regressions, Regressions]

    @classmethod
    def laid(cls, x: Floats, widths: Widths) -> RoadSection:
        """Lay a section of these widths over places (k,) counted from its middle."""
        beyond = np.abs(x) > widths.half_m + widths.shoulder_m
        sd = np.where(np.abs(x) <= widths.half_m, PAVEMENT_MISFIT_M, SHOULDER_MISFIT_M)
        sd = np.where(beyond, BEYOND_MISFIT_M, sd)
        design = section_shapes(x, widths) / sd[:, None]
        log_sd = float(np.log(sd).sum())
        kerbed = np.array(PARTS)
        kerbed[STEPS] = KERB[1:]
        open_road = _regressions(design, np.array(PARTS), ways_on(), log_sd)
        between = _regressions(design, kerbed, behind_kerbs(), log_sd)
        return cls(sd, design / sd[:, None], (open_road, between))

    def weigh(self, z: Floats, share: float, value: Floats, least: Floats) -> None:
        """Add the evidence of sections, heights (b, k), to a log sum.

        See `weigh_sections`; the evidence is right but for a constant.
        """
        from analysis.edges.middle_kernels import weigh_sections

        weigh_sections(self.pull, self.sd**-2.0, z, self.groups, share, value, least)


def _regressions(design: Floats, parts: Floats, ways: list[WayOn], log_sd: float) -> Regressions:
    """Prepare the regressions on all pairs of ways, given what the parts (p, 2) are beforehand."""
    from analysis.edges.middle_kernels import Regressions

    p, ramps = len(parts), len(SHOULDER_VARIANTS_M) + 1
    mean, sd = parts.T
    inner = design.T @ design
    lower = np.linalg.cholesky(inner[:p, :p] + np.diag(sd**-2.0))
    whiten = np.linalg.inv(lower)
    project = inner[p:, :p] @ whiten.T
    left_over = inner[p:, p:] - project @ project.T
    ramp = np.array([[way.ramp, ramps + way.ramp] for way in ways], dtype=np.int64)
    ways_mean, ways_sd, log_share = np.array([way[1:] for way in ways]).T
    own = np.diag(left_over)[ramp] + ways_sd[:, None] ** -2.0
    both = left_over[ramp[:, 0][:, None], ramp[:, 1]]
    left, right = own[:, 0][:, None], own[:, 1]
    area = left * right - both**2
    size = np.sum(np.log(np.diag(lower)) + np.log(sd)) + 0.5 * np.log(area)
    weight = np.add.outer(log_share - np.log(ways_sd), log_share - np.log(ways_sd)) - size - log_sd
    square = (ways_mean / ways_sd) ** 2
    return Regressions(
        whiten=whiten,
        start=whiten @ (mean / sd**2),
        ramp=ramp,
        shift=np.repeat((ways_mean / ways_sd**2)[:, None], 2, axis=1),
        project=project,
        inverse=np.stack([right / area, -both / area, left / area], axis=-1),
        weight=weight,
        prior=np.sum((mean / sd) ** 2) + np.add.outer(square, square),
    )


def section_shapes(x: Floats, widths: Widths) -> Floats:
    """Shapes of `PARTS`, then ramps of the hinges left and right, as sections show them."""
    box = np.full(2, SMEAR_CELLS * widths.cell_m)
    u, edge = [sign * x for sign in SIDE_SIGN], widths.half_m
    hinges = [max(widths.shoulder_m + more, LEAST_SHOULDER_M) for more in SHOULDER_VARIANTS_M]
    shapes = [np.ones_like(x), x, smeared_ramp(u[0], box) + smeared_ramp(u[1], box)]
    shapes += [smeared_ramp(side - edge, box) for side in u]
    shapes += [smeared_step(side - edge, box) for side in u]
    shapes += [smeared_ramp(side - edge - widths.shoulder_m - TOE_M, box) for side in u]
    shapes += [smeared_ramp(side - edge - out, box) for side in u for out in (*hinges, 0.0)]
    return np.column_stack(shapes)


def tie_places(evidence: Floats, offset: Floats, sd_m: float, hold: float) -> tuple[Floats, float]:
    """Posterior of the places, (b, p), by forward-backward; `offset` (b, p) counts from the line.

    Returns it and the log probability of all evidence, which tells how likely `sd_m` is.

    The line's error is a first-order autoregressive process of standard deviation `sd_m`; `hold`
    is its correlation from block to block.
    """
    from analysis.edges.middle_kernels import follow_places

    post = np.empty(evidence.shape)
    told = follow_places(np.exp(evidence), offset, sd_m, hold, FARTHEST, post)
    return post, told


def _settle(s: Floats, post: Floats, offset: Floats, trust: Floats, off_m: float) -> Middle:
    """Take the likeliest place of each block, and see whether another one comes near it."""
    rows = np.arange(s.size)
    apart = np.abs(np.subtract.outer(offset[0], offset[0]))
    # places lie at even steps: which of them are just within reach mustn't hang on rounding
    around = (apart <= BEST_M + 1e-6).astype(np.float64)
    best = np.argmax(product_alone(post, around), axis=1)
    mass = np.where(apart[best] <= RIVAL_M + 1e-6, post, 0.0)
    share = mass.sum(axis=1)
    middle = (mass * offset).sum(axis=1) / share
    rival = offset[rows, np.argmax(post - mass, axis=1)]
    near = np.where(np.abs(offset - middle[:, None]) <= BEST_M + 1e-6, post, 0.0).sum(axis=1)
    doubtful = (1.0 - share > RIVAL_SHARE) | (near < LEAST_NEAR + SURER * (1.0 - trust))
    rival = np.where(doubtful, rival, np.nan)
    limit_m = off_m + LIMIT_M
    inside = np.abs(middle) <= limit_m
    found = np.isnan(rival) & inside
    fair = (share > FAIR_SHARE) & (trust > FAIR_TRUST) & inside
    return Middle(s, middle, trust, rival, found, fair, limit_m, off_m)
