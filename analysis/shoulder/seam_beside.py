"""A seam of survey strips that runs on a shoulder or close by its edge: a chance, never a finding.

A jump in level there looks like a flatter or a steeper shoulder and a step at the edge. Three
things may lie behind a shoulder that departs from the other one by one amount for a long way: it is
much as the other is, it was built or has worn otherwise, or it is as the other is with a jump
somewhere on it. Each foretells a shape of its own: a shoulder that is flatter is straight from edge
to hinge, one with a jump is not. Long stretches are asked how well each explains them (a comparison
of marginal likelihoods: Kass & Raftery, 1995, Journal of the American Statistical Association 90).
What is as likely as a jump is taken off by its share, and carried as an error.

Without a jump the edge lies where it was found: a shoulder isn't as the other only because its edge
might be somewhere else. A jump may have drawn it, and then it is looked for where it ought to be:
about as far from the crown as the other side's, and where high and low stretches of the same side
show it by their steps. Sides are compared, so that either may be the one with the jump.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import lines_at, slope_along
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Bools, Floats
from analysis.corridor.footprint import rounded_box
from analysis.corridor.values import Cells
from analysis.edges.values import Breaks
from analysis.shoulder.seam import Astride, Seam, can_be_asked

if TYPE_CHECKING:
    from analysis.shoulder.seam_beside_kernels import Asked

__all__ = ["Beside", "chance_beside", "think_of_seam"]


BLOCK_M, LEAST_CELLS, LEAST_PAVED = 20.0, 100, 0.2
"""Length of road whose shoulder is taken for one shape, how many cells that needs, and what share
of so many has to be pavement."""

STRETCH_M, LEAST_BLOCKS = 600.0, 8
"""Length of road that is asked together, and how many of its blocks have to be alike."""

INNER_M, OUTER_M = 2.6, 0.9
"""How far inward of the edge and outward of the hinge cells are looked at."""

CROWN_CLEAR_M, LEAST_INNER_M = 0.4, -1.2
"""Distance that they keep from the crown, which is no jump; and from where on, at the latest, they
have to be looked at for the pavement to be told."""

EDGES_M = np.arange(-0.75, 0.76, 0.15)
SEAMS_M = np.arange(-1.2, 2.5, 0.15)
"""Places of edge and seam that are tried, outward from where the edge usually is; a seam also at
each of those of the edge."""

EVENED_M, EDGE_WANDERS_M = 60.0, 0.05
"""How far about a place the other edge is evened out, and how far edges lie off even lines."""

WIDENS_M, WIDENING, WIDENING_M = 0.4, 0.005, 25.0
"""Where the pavement is so much wider or narrower than on most of a stretch, or gains so much width
a metre over such a reach, nothing is asked."""

HINGE_CLEAR_M = 0.3
"""Distance of a seam from the hinge: nearer, what is unsure of the hinge would pass for one."""

EDGE_SD_M, DRAWN_SD_M, RISE_SD_M = 0.15, 0.25, 0.02
"""How far an edge usually lies from where it was found, or a seam that it was drawn to; and how
high jumps are: strips of one survey are mostly within some 30 mm of each other (common
practice)."""

EVEN_SHARE, EVEN_SD_M, ODD_M = 0.7, 0.2, 1.5
"""Most pavements reach as far from the crown on both sides, within so much; the others' edges lie
anywhere within such a width (common practice)."""

STEP_SD_M, SLOPE_SD = 0.04, 0.06
"""Steps and slopes that a shoulder may have of itself."""

ALIKE = np.array([0.005, 0.005])
"""How far sound shoulders of one road are off each other: step in metres, slope."""

ANY_SHAPE = ((0.0, 0.06), (-0.02, 0.1))
"""Step and slope of a shoulder with any fault: mean and standard deviation, metres and slope."""

STEPPED, LEAST_STEP_M, LEAST_STEPPED = ((0.0, 0.06), (-0.02, 0.03)), 0.035, 2
CALM, MOST_EACH, TOLD_SD_M = 1.1, 4.0, 0.2
"""Where a shoulder stands much higher or lower than the pavement the edge shows, whatever a seam
beside it makes of flatter ones: step and slope of such blocks, the least of their steps and how
many there have to be; how many times as much as usual they may be off such a shape, as ruts, lips
and washouts draw an edge to themselves; the most log evidence that each may give; and how far
the edge may lie from where all of them show it."""

HINGE_SD_M = 0.025
"""Height that an error in the place of the hinge makes of its kink."""

CROWN = (0.005, 0.035)
"""Sides are compared where both halves of the pavement fall so: in a curve they are built unlike.
Common practice."""

SOUND_STEP_M, SOUND_SLOPE = 0.025, (-0.045, -0.005)
"""The other shoulder tells how this one ought to be where its own step and its rise over that of
the pavement are within these."""

MEMBER, LIKE_OTHER = 9.0, 0.15
"""Squared distance, in variances, of a block that is as most are; and the share of blocks that are
as the other shoulder is from which on the difference begins and ends, as no seam does."""

PAVED_M, STANDS_OUT = -0.6, 4.0
"""Cells farther inward than this are pavement all the same; and heights that stand out of a block's
shape by more deviations than this are brought back."""

ROUNDS = 4
"""How often blocks are left out that alone speak for a seam, or against one."""

PRIOR = (0.9, 0.05, 0.05)
"""How likely, before it is looked at, a long stretch of shoulder is much as the other, built or
worn otherwise, or has a seam. Our own choice."""

LEAST_CHANCE, RISES_M = 0.05, (0.009, 0.035)
"""Beyond these nothing is said of a seam."""

SIDE_SHARE, SUREST = 0.25, 0.999
"""A side that has less than this share of the other's chance is left out, and none is surer."""

MOST_CHANCE = 0.5
"""No seam is likelier: a ridge of sod or a rut that one shoulder has all along fits a jump as well.
Whether there is one or not, what is taken off then is within the error that is carried."""


class Beside(NamedTuple):
    """A seam that may run beside the pavement along some of b blocks.

    Attributes
    ----------
    s, offset : (b,)
        Middle of each block, and where the seam would run, right positive from the given line.
    rise_m, se_m : (b,)
        How far the ground right of it would stand too high, with its standard error; 0 where none
        is thought of.
    chance : (b,)
        How likely there is one.
    """

    s: Floats
    offset: Floats
    rise_m: Floats
    se_m: Floats
    chance: Floats


def think_of_seam(
    cells: Cells, breaks: Breaks, box_m: tuple[float, float], cells_per_value: float
) -> Seam | None:
    """Return a seam that may run beside the pavement, None where nothing speaks for one.

    Arguments are those of `chance_beside`. What is taken off is the mean over there being one and
    there being none, what is carried as an error the spread of the two.
    """
    seam = None
    for beside in chance_beside(cells, breaks, box_m, cells_per_value)[::-1]:
        seam = _as_seam(beside, seam)
    return seam


def _as_seam(beside: Beside, otherwise: Seam | None) -> Seam:
    most = float(beside.rise_m[np.abs(beside.chance * beside.rise_m).argmax()])
    part = beside.rise_m / most
    chance = beside.chance
    none = np.zeros((beside.s.size, 2))
    return Seam(
        s=beside.s,
        offset=beside.offset,
        rise_m=most,
        se_m=float(beside.se_m.max()),
        length_m=0.0,
        astride=Astride(none, none, none),
        share=chance * part,
        doubt=np.sqrt(chance * (1.0 - chance)) * np.abs(part),
        otherwise=otherwise,
    )


class _Blocks(NamedTuple):
    """Blocks (b,) of one side.

    `s` is the middle of each, `products` (b, k, k) those of heights, of steps at each of
    `SEAMS_M`, and of kinks at each of `EDGES_M`, freed of what a block may be otherwise; `falls`
    is how the pavement falls outward, `cells` how many there are; `farthest_m` is the
    outermost place where a seam is sought, `even_m` where the edge is as far from the crown as the
    other side's.
    """

    s: Floats
    products: Floats
    falls: Floats
    cells: Floats
    farthest_m: float
    even_m: float


class _Compared(NamedTuple):
    """Both sides of a stretch: their blocks, which of them are crowned, and are as most are.

    `noise` is the variance of a value of its own, and `edges` how likely the edge of each side
    lies at each of `EDGES_M` by what isn't looked at there, as logarithms.
    """

    blocks: list[_Blocks]
    crowned: list[Bools]
    alike: list[Bools]
    noise: float
    edges: list[Floats]


class _Fit(NamedTuple):
    """Log evidence (...), and mean and covariance of step, slope and maybe jump, (..., p)."""

    evidence: Floats
    mean: Floats
    covariance: Floats


def chance_beside(
    cells: Cells, breaks: Breaks, box_m: tuple[float, float], cells_per_value: float
) -> list[Beside]:
    """Ask the shoulders of a road whether survey strips may meet on one of them.

    Parameters
    ----------
    cells, breaks
        The ground, and where its parts begin and end.
    box_m : (float, float)
        Box widths of a cell across the road.
    cells_per_value
        How many cells tell as much as one independent value.

    Returns
    -------
    list of Beside
        By side, the likelier first; none where nothing speaks for it.
    """
    if not can_be_asked(cells, breaks):
        return []
    start, stop = float(cells.s[0]), float(cells.s[-1])
    parts = max(1, round((stop - start) / STRETCH_M))
    bounds = np.linspace(start, stop, parts + 1)
    # the last cell is as much of the road as the first
    bounds[-1] = np.nextafter(stop, np.inf)
    found: list[tuple[int, Beside]] = []
    lines = [_evened(breaks.s, breaks.edge[:, side], breaks.edge_se[:, side]) for side in (0, 1)]
    wide = lines[0] + lines[1]
    widening = slope_along(breaks.s, wide, WIDENING_M) if breaks.s.size > 2 else 0.0 * wide
    for low, high in pairwise(bounds):
        near = cells.part(cells.window(low, high))
        here = (breaks.s >= low) & (breaks.s <= high)
        if not here.any() or not len(near):
            continue
        width = float(np.median(wide[here]))
        off = np.fmax(np.abs(wide - width) / WIDENS_M, np.abs(widening) / WIDENING)
        near = near.part(lines_at(near.s, breaks.s, off) <= 1.0)
        if not len(near):
            continue
        sides = [_blocks(near, breaks, side, lines[1 - side], width, box_m) for side in (0, 1)]
        compared = _compared(sides, cells_per_value)
        if compared is None:
            continue
        told = [_of_stretch(compared, side) for side in (0, 1)]
        # what departs from the other may be either side, and a seam is on one of them
        odds = [0.0 if of is None else float(of.chance[0] / (1.0 - of.chance[0])) for of in told]
        for side, beside in enumerate(told):
            chance = min(odds[side] / (1.0 + sum(odds)), MOST_CHANCE)
            s, sign = compared.blocks[side].s, SIDE_SIGN[side]
            if beside is None or chance < LEAST_CHANCE:
                # where one was asked for and isn't, it has ended
                none = np.zeros(s.size)
                edge = sign * np.interp(s, breaks.s, lines[side])
                found.append((side, Beside(s, edge, none, none, none)))
                continue
            other = np.interp(s, breaks.s, lines[1 - side])
            moved = beside._replace(
                offset=sign * (beside.offset + width - other),
                rise_m=sign * beside.rise_m,
                chance=np.full(s.size, chance),
            )
            found.append((side, moved))
    apart = [[beside for of, beside in found if of == side] for side in (0, 1)]
    joined = [Beside(*(np.concatenate(c) for c in zip(*of, strict=True))) for of in apart if of]
    joined = [beside for beside in joined if beside.chance.any()]
    joined.sort(key=lambda beside: -float(beside.chance.sum()))
    # a seam doesn't change sides: what speaks for the other here and there is something else
    most = float(joined[0].chance.sum()) if joined else 0.0
    return [beside for beside in joined if beside.chance.sum() >= SIDE_SHARE * most]


def _blocks(
    cells: Cells,
    breaks: Breaks,
    side: int,
    opposite: Floats,
    width: float,
    box_m: tuple[float, float],
) -> _Blocks:
    """Sum up one side of a stretch, block by block.

    Places count from the other side's edge, `opposite` (n,) outward of the given line, across the
    usual `width` of the pavement: this side's edge may have been drawn to a seam.
    """
    from analysis.shoulder.seam_beside_kernels import SideCells, sum_up_blocks

    sign, box, origin = SIDE_SIGN[side], np.array(box_m), opposite - width
    x = sign * cells.o + lines_at(cells.s, breaks.s, origin)
    beyond = sign * cells.o - lines_at(cells.s, breaks.s, breaks.hinge[:, side])
    lost = lines_at(cells.s, breaks.s, breaks.lost().astype(np.float64)) > 0.0
    around = slice(*_within(breaks.s, cells.s))
    crown = np.median((sign * breaks.axis + origin)[around])
    even = float(crown + np.median((sign * breaks.axis + opposite)[around]))
    inner = max(-INNER_M, float(crown) + CROWN_CLEAR_M)
    if not inner < LEAST_INNER_M:
        inner = np.inf
    on = (x > inner) & (beyond < OUTER_M) & np.isfinite(cells.z) & ~lost
    s, x, z, beyond = cells.s[on], x[on], cells.z[on], beyond[on]
    arc = np.zeros(breaks.s.size) if breaks.arc_m is None else np.nan_to_num(breaks.arc_m[:, side])
    bent = rounded_box(box, lines_at(s, breaks.s, arc))
    first, last = float(cells.s[0]), float(cells.s[-1])
    number = max(1, round((last - first) / BLOCK_M))
    at = first + (last - first) * np.arange(number + 1) / number
    cut = np.searchsorted(s, at)
    cut[-1] = s.size
    size = 1 + SEAMS_M.size + EDGES_M.size
    products, falls, count = np.empty((number, size, size)), np.empty(number), np.empty(number)
    sum_up_blocks(
        SideCells(s, x, z, beyond, -np.sort(-bent, axis=1)),
        at,
        cut,
        _asked(box),
        products,
        falls,
        count,
    )
    told = count > 0.0
    if not told.any():
        none = np.zeros(0)
        return _Blocks(none, none, none, none, 0.0, 0.0)
    farthest = float(np.median(x - beyond)) - HINGE_CLEAR_M
    middle = 0.5 * (at[1:] + at[:-1])
    return _Blocks(middle[told], products[told], falls[told], count[told], farthest, even)


def _asked(box: Floats) -> Asked:
    """What blocks are asked for, where cells have boxes so wide."""
    from analysis.shoulder.seam_beside_kernels import FREE, Asked

    usual = [*range(FREE), *(FREE + _edges()[EDGES_M.size // 2])]
    # noise of 20 mm, for the share that the hinge's uncertain place leaves of its own shape
    hinge_weight = (0.02 / HINGE_SD_M) ** 2
    return Asked(
        steps=SEAMS_M,
        kinks=EDGES_M,
        usual=np.array(usual),
        wide=float(box.max()),
        narrow=float(box.min()),
        length_m=BLOCK_M,
        paved_m=PAVED_M,
        fewest=LEAST_CELLS,
        fewest_paved=LEAST_PAVED * LEAST_CELLS,
        reach=STANDS_OUT,
        hinge_weight=hinge_weight,
    )


def _within(s: Floats, at: Floats) -> tuple[int, int]:
    """First of the stations (n,) along cells (m,), and the one past the last; one at least."""
    first, last = np.searchsorted(s, (at[0], at[-1])).tolist()
    first = min(first, s.size - 1)
    return first, max(last, first + 1)


def _evened(s: Floats, edge: Floats, se: Floats) -> Floats:
    """An edge without what noise makes of it: parabolas through what is near, (n,)."""
    weight = 1.0 / (np.nan_to_num(se, nan=1.0) ** 2 + EDGE_WANDERS_M**2)
    weight[~np.isfinite(edge)] = 0.0
    # a place just so far away counts on either side, whatever its last digit
    first = np.searchsorted(s, s - EVENED_M - 1e-9)
    last = np.searchsorted(s, s + EVENED_M + 1e-9)
    near = first[:, None] + np.arange(int((last - first).max(initial=0)))
    beyond = near >= last[:, None]
    near[beyond] = 0
    t = (s[near] - s[:, None]) / EVENED_M
    powers = np.stack([np.ones_like(t), t, t * t], axis=1)
    weighted = np.where(beyond, 0.0, weight[near])[:, None] * powers
    known = np.count_nonzero(weighted[:, 0], axis=1) > 4
    square = weighted @ powers.transpose(0, 2, 1)
    pull = weighted @ np.nan_to_num(edge)[near][:, :, None]
    out = edge.copy()
    out[known] = np.linalg.solve(square[known], pull[known])[:, 0, 0]
    return out


def _compared(sides: list[_Blocks], cells_per_value: float) -> _Compared | None:
    """What of two sides can be compared; None where that is too little."""
    if min(blocks.s.size for blocks in sides) < LEAST_BLOCKS:
        return None
    variance = [_variance(blocks) for blocks in sides]
    noise = float(np.median(np.concatenate(variance))) * cells_per_value
    crowned = [
        (CROWN[0] < blocks.falls) & (blocks.falls < CROWN[1]) & (of < 2.0 * np.median(of))
        for blocks, of in zip(sides, variance, strict=True)
    ]
    crowned = [
        own & _both(blocks.s, opposite.s, facing)
        for own, blocks, opposite, facing in zip(
            crowned, sides, sides[::-1], crowned[::-1], strict=True
        )
    ]
    if min(c.sum() for c in crowned) < LEAST_BLOCKS:
        return None
    alike = [
        _most_alike(blocks, known, noise) for blocks, known in zip(sides, crowned, strict=True)
    ]
    enough = min(of.sum() for of in alike) >= LEAST_BLOCKS
    if not enough:
        return None
    edges = [
        _log_even(blocks.even_m) + _told_edge(blocks, known, most, noise)
        for blocks, known, most in zip(sides, crowned, alike, strict=True)
    ]
    return _Compared(sides, crowned, alike, noise, edges)


def _of_stretch(compared: _Compared, side: int) -> Beside | None:
    """What one side of a stretch says; `offset` is outward from where the edge usually is."""
    noise, mine, other = compared.noise, compared.blocks[side], compared.blocks[1 - side]
    alike, crowned, lies = compared.alike[side], compared.crowned[side], compared.edges[side]
    free = ((0.0, STEP_SD_M), (-0.02, SLOPE_SD))
    usual = other.products[compared.alike[1 - side]].sum(axis=0)
    _, _, norm = _best_edge(usual, free, noise, compared.edges[1 - side])
    step, slope = norm.mean
    if abs(step) > SOUND_STEP_M or not SOUND_SLOPE[0] < slope < SOUND_SLOPE[1]:
        return None
    spread = np.sqrt(np.diag(norm.covariance) + ALIKE**2)
    expected = tuple((float(m), float(d)) for m, d in zip(norm.mean, spread, strict=True))
    for _ in range(ROUNDS):
        products = mine.products[alike].sum(axis=0)
        same, _, _ = _best_edge(products, expected, noise, lies)
        worn, edge, departing = _best_edge(products, free, noise, lies)
        jump, columns, jumping, rise_se = _best_seam(
            products, expected, noise, lies, mine.farthest_m
        )
        # a seam is told by all blocks: ruts and washouts, whose shapes it may take on, by theirs
        tells = _rest(mine, _edges()[edge], departing) - _rest(mine, columns, jumping)
        tells = 0.5 * tells / noise
        off = np.abs(tells - np.median(tells[alike]))
        told = alike & (off <= 3.0 * 1.4826 * float(np.median(off[alike])) + 1.0)
        if (told == alike).all():
            break
        if told.sum() < LEAST_BLOCKS:
            return None
        alike = told
    place = float(SEAMS_M[columns[2] - 1])
    rise = float(jumping.mean[2])
    weight = np.log(PRIOR) + np.array([same, worn, jump])
    weight = np.exp(weight - weight.max())
    chance = min(float(weight[2] / weight.sum()), SUREST)
    if chance < LEAST_CHANCE or not RISES_M[0] <= abs(rise) <= RISES_M[1]:
        return None
    # what is steeper than the other looks like it where it is flat under a jump
    if departing.mean[1] > slope and _like_other(
        mine, crowned, norm, departing, edge, noise
    ) > LIKE_OTHER * int(crowned.sum()):
        return None
    ones = np.ones(mine.s.size)
    return Beside(mine.s, place * ones, rise * ones, rise_se * ones, chance * ones)


def _told_edge(blocks: _Blocks, known: Bools, alike: Bools, noise: float) -> Floats:
    """Log evidence for each of `EDGES_M` by high and low blocks, which aren't `alike`."""
    fits = _fitted(blocks.products, _edges(), STEPPED, noise)
    each, best = fits.evidence, fits.evidence.argmax(axis=1)
    rows = np.arange(best.size)
    misfit = (blocks.products[:, 0, 0] / noise - 2.0 * each[rows, best]) / blocks.cells
    calm = known & ~alike & (misfit < CALM * float(np.median(misfit[alike])))
    calm &= np.abs(fits.mean[rows, best, 0]) > LEAST_STEP_M
    if calm.sum() < LEAST_STEPPED:
        return np.zeros(EDGES_M.size)
    off = (each - each.max(axis=1, keepdims=True))[calm]
    told = np.maximum(off, -MOST_EACH).sum(axis=0)
    # the other edge, which places count from, is as much off here as an edge may be
    moved = _log_normal(EDGES_M[:, None] - EDGES_M[None, :], TOLD_SD_M)
    return np.asarray(np.logaddexp.reduce(told[None, :] + moved, axis=1))


def _both(s: Floats, other_s: Floats, other: Bools) -> Bools:
    """Where the block of the other side at the same place is one of `other`."""
    nearest = np.abs(s[:, None] - other_s).argmin(axis=1)
    return np.asarray(other[nearest])


def _variance(blocks: _Blocks) -> Floats:
    """Variance of single cells about the best edge of each block, (b,)."""
    at = _edges()
    inner = blocks.products[:, at[:, :, None], at[:, None, :]]
    pull = blocks.products[:, at, 0]
    told = np.einsum("bei,beij,bej->be", pull, np.linalg.pinv(inner, hermitian=True), pull)
    return np.asarray((blocks.products[:, 0, 0] - told.max(axis=1)) / (blocks.cells - 10.0))


def _most_alike(blocks: _Blocks, known: Bools, noise: float) -> Bools:
    """Which blocks have the step and slope that most have."""
    middle = EDGES_M.size // 2
    free = ((0.0, 2.0 * STEP_SD_M), (-0.02, 2.0 * SLOPE_SD))
    fits = _fitted(blocks.products, _edges()[middle], free, noise)
    inverse = np.linalg.inv(fits.covariance + np.diag(ALIKE**2))
    off = fits.mean[:, None] - fits.mean[None, :]
    away = np.einsum("abi,bij,abj->ab", off, inverse, off)
    score = np.where(known, np.exp(-0.25 * away) @ known, -1.0)
    return np.asarray(known & (away[int(score.argmax())] < MEMBER))


def _like_other(
    blocks: _Blocks, known: Bools, norm: _Fit, departing: _Fit, edge: int, noise: float
) -> int:
    """How many blocks are as the other shoulder is and not as most of this one."""
    usual = [tuple((float(m), 0.004) for m in of.mean) for of in (norm, departing)]
    like, unlike, free = (
        _fitted(blocks.products[known], _edges()[edge], expected, noise).evidence
        for expected in (*usual, ANY_SHAPE)
    )
    # a fault of another kind is like neither
    return int(np.count_nonzero((like > unlike + 1.0) & (like > free)))


def _edges() -> NDArray[np.intp]:
    """Columns of step and kink at each of `EDGES_M`, (e, 2)."""
    first = int(np.abs(SEAMS_M - EDGES_M[0]).argmin())
    return np.asarray(1 + np.arange(EDGES_M.size)[:, None] + np.array([first, SEAMS_M.size]))


def _fitted(
    products: Floats,
    columns: NDArray[np.intp],
    expected: tuple[tuple[float, float], ...],
    noise: float,
) -> _Fit:
    """Fit columns (..., p) beside what is expected of each, (mean, standard deviation)."""
    inner = products[..., columns[..., :, None], columns[..., None, :]] / noise
    pull = products[..., columns, 0] / noise
    mean, sd = np.array(expected).T
    whole = inner + np.diag(1.0 / sd**2)
    covariance = np.linalg.inv(whole)
    solved = np.einsum("...ij,...j->...i", covariance, pull + mean / sd**2)
    rest = -2.0 * (solved * pull).sum(axis=-1)
    rest += np.einsum("...i,...ij,...j->...", solved, inner, solved)
    off = (((solved - mean) / sd) ** 2).sum(axis=-1)
    size = np.linalg.slogdet(whole)[1] + 2.0 * float(np.log(sd).sum())
    return _Fit(-0.5 * (rest + off + size), solved, np.asarray(covariance, np.float64))


def _best_edge(
    products: Floats, expected: tuple[tuple[float, float], ...], noise: float, lies: Floats
) -> tuple[float, int, _Fit]:
    """Log evidence over all places of the edge, the likeliest one, and its fit."""
    fits = _fitted(products, _edges(), expected, noise)
    evidence = fits.evidence + lies + _log_normal(EDGES_M, EDGE_SD_M)
    best = int(evidence.argmax())
    return _mean_of(evidence), best, _Fit(*(part[best] for part in fits))


def _best_seam(
    products: Floats,
    expected: tuple[tuple[float, float], ...],
    noise: float,
    lies: Floats,
    farthest_m: float,
) -> tuple[float, NDArray[np.intp], _Fit, float]:
    """Log evidence over all places of edge and seam; best columns, their fit, error of height."""
    places = SEAMS_M[SEAMS_M <= farthest_m]
    seams = 1 + np.arange(places.size)
    columns = np.concatenate(
        [
            np.broadcast_to(_edges()[:, None], (EDGES_M.size, places.size, 2)),
            np.broadcast_to(seams[None, :, None], (EDGES_M.size, places.size, 1)),
        ],
        axis=2,
    )
    fits = _fitted(products, columns, (*expected, (0.0, RISE_SD_M)), noise)
    drawn = np.logaddexp(
        _log_normal(EDGES_M, EDGE_SD_M)[:, None], _log_normal(places, DRAWN_SD_M)[None, :]
    ) - np.log(2.0)
    evidence = fits.evidence + lies[:, None] + drawn
    share = np.exp(evidence - evidence.max())
    share /= share.sum()
    best = np.unravel_index(int(evidence.argmax()), evidence.shape)
    rise, variance = fits.mean[..., 2], fits.covariance[..., 2, 2]
    se = float(np.sqrt((share * (variance + (rise - rise[best]) ** 2)).sum()))
    found = _Fit(*(part[best] for part in fits))
    return _mean_of(evidence.ravel()), columns[best], found, se


def _log_even(even_m: float) -> Floats:
    """Log density of the edge at `EDGES_M` beforehand; `even_m` is as far as the other side's."""
    even = _log_normal(EDGES_M - even_m, EVEN_SD_M) + np.log(EVEN_SHARE)
    return np.asarray(np.logaddexp(even, np.log((1.0 - EVEN_SHARE) / ODD_M)))


def _log_normal(off: Floats, sd: float) -> Floats:
    return np.asarray(-0.5 * (off / sd) ** 2 - np.log(sd * np.sqrt(2.0 * np.pi)))


def _rest(blocks: _Blocks, columns: NDArray[np.intp], fit: _Fit) -> Floats:
    """Sum of squares that a fit leaves in each block, (b,)."""
    rows = np.concatenate([[0], columns])
    part = blocks.products[:, rows[:, None], rows[None, :]]
    of = np.concatenate([[1.0], -fit.mean])
    return np.asarray(np.einsum("i,bij,j->b", of, part, of))


def _mean_of(evidence: Floats) -> float:
    """Logarithm of the mean of what these are logarithms of."""
    return float(np.logaddexp.reduce(evidence) - np.log(evidence.size))
