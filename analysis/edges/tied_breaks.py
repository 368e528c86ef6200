"""Pavement edge and hinge of one side in all blocks of road at once.

Every pair of edge and hinge in every block is weighed by its marginal likelihood, and the blocks
are tied together by the forward-backward recursion: the sum over all paths along the road.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.common.along import spread_out, steps_over
from analysis.common.hands import product_alone
from analysis.common.types import Bools, Floats
from analysis.corridor.footprint import rounded_box, smeared_ramp, smeared_step
from analysis.edges.priors import PRIORS, SideBlocks
from analysis.edges.second_look import SecondLook, drift_kernel, moments

if TYPE_CHECKING:
    from analysis.edges.kernels import Candidates

__all__ = ["TiedBreaks", "edge_and_hinge"]


SEARCH_SIDE_M = 2.0
"""How far edge and hinge of one side may lie from their nominal places beside the axis."""

BARE_SPREAD_M = 1.3
"""Standard deviation of an edge without shoulder about its nominal place, within ten metres."""

ROUGH_EDGE_M = 0.07
"""A rough shoulder (ruts, lips, washed-out edges) has a shape of its own, the same from block to
block, and draws its edge to one side: standard deviation of that, by trials on made roads."""

NEAR_M = 0.5
"""So far about the likeliest hinge the second look goes; what lies farther off is a rival."""

USUAL_MISFIT, MISFIT_BLOCKS = 3.0, 5
"""Squared misfit of a cell in units of its noise that straight roads leave too, and over how many
blocks it is told: 1.1 to 2.1 on made roads, 2.5 to 20 on a town road between verges and banks."""

ROUNDED_M = (0.25, 0.5, 0.75, 1.0, 1.3)
"""Half lengths of the arc by which a shoulder may pass into its bank: 0.5 to 1.5 m are usual where
gravel has been bladed and driven over (common practice); the longer ones stand for banks that go on
curving, of which they are the beginning."""

USUALLY_ROUNDED_M = 0.75
"""Longer arcs are asked for only where hinges are looked for as far out as they put them, and a
break more: on coarse cells one would pass for none."""

ROUND_BLOCKS, ROUND_MORE, ROUND_GAIN, ROUND_EACH = 24, 4, 8.0, 0.5
"""So many blocks are asked for it, and so many times as many where these don't tell within so many
times; the log evidence that it must earn, in all and by each of them; our own choice."""

AT_LIMIT = 2
"""A hinge at one of so many outermost places isn't found: the ground goes on bending beyond."""


@dataclass(frozen=True, slots=True)
class TiedBreaks:
    """Edges and hinges of one side in b blocks of road.

    Attributes
    ----------
    edge, edge_se, hinge, hinge_se : (b,)
        Posterior mean and standard deviation, outward, metres.
    edge_near, hinge_near : (b,)
        Probability of lying within half a metre of the mean.
    bare : (b,)
        Probability that there is no shoulder.
    edge_gain : (b,)
        Log evidence for an edge there, against pavement that goes on to the hinge, summed over
        about forty metres.
    edge_ways : (b, 3, 2)
        Place and standard deviation of an edge that is flush, steps up, steps down.
    hinge_ways : (b, 2, 4)
        Rival hinges inward and outward of the one found: how far the edge lies from the one found
        if it is they, how far they do, their standard deviation, and how likely they are.
    beyond : (b,)
        Probability that the hinge lies at the outer limit of its search: that none was found.
    arc_m : float
        Half the length of the arc by which the shoulder passes into its bank; 0 = a kink.
    """

    edge: Floats
    edge_se: Floats
    edge_near: Floats
    hinge: Floats
    hinge_se: Floats
    hinge_near: Floats
    bare: Floats
    edge_gain: Floats
    edge_ways: Floats
    hinge_ways: Floats
    beyond: Floats
    arc_m: float = 0.0


def edge_and_hinge(side: SideBlocks, *, step_m: float, overlap: int = 1) -> TiedBreaks:
    """Find pavement edge and hinge of one side in all blocks at once.

    Parameters
    ----------
    side : SideBlocks
    step_m : float
        Step of the candidate places.
    overlap : int
        How many neighbouring blocks share their cells: each block's evidence counts for its
        own part only.

    Returns
    -------
    TiedBreaks
    """
    from analysis.edges.tie_kernels import tie_pairs

    side = _about_mean(side)
    candidates = _candidates(side, step_m)
    place, apart = candidates.place, candidates.apart
    at_edge, at_hinge = place[: candidates.edges], place[candidates.first_hinge :]
    arc_m = _arc(side, candidates, step_m)
    evidence, none = _pair_evidence(side, candidates, step_m, arc_m)
    counts = overlap * _misfit(side, evidence, none)
    evidence /= counts[:, None, None]
    none /= counts[:, None]
    if side.bright is not None:
        seen, seen_alone = side.bright.pairs(at_edge, at_hinge)
        evidence += seen
        none += seen_alone
    width = at_hinge[None, :] - at_edge[:, None]
    _weigh_nominal(side, at_edge, width, evidence, none)
    _weigh_given(side, at_edge, at_hinge, step_m, evidence, none)
    usual = float(np.median(side.shoulder_m))
    fresh = np.exp(-0.5 * ((width - usual) / PRIORS.width_spread) ** 2) * (width >= apart)
    fresh /= np.maximum(fresh.sum(axis=1, keepdims=True), 1e-300)
    post = np.empty_like(evidence)
    post_none = np.empty_like(none)
    kernel, switch = drift_kernel(side.drift_m(), step_m), PRIORS.switch * side.length_m / 5.0
    most = np.maximum(evidence.max(axis=(1, 2)), none.max(axis=1))
    evidence -= most[:, None, None]
    seen, seen_none = np.exp(evidence, out=evidence), np.exp(none - most[:, None])
    tie_pairs(seen, seen_none, np.sqrt(fresh), kernel, switch, post, post_none)
    bare = post_none.sum(axis=1)
    hinge = moments(post.sum(axis=1), at_hinge)[0]
    coarse = moments(post.sum(axis=2) + post_none, at_edge)
    look = SecondLook(side, place[0], place[-1], 0.1 * apart, counts, arc_m, overlap)
    hinge, hinge_se, hinge_near = look.hinge(coarse[0], hinge)
    hinge_ways = _hinge_ways(post, at_edge, at_hinge, hinge)
    beyond = _beyond(side, post, at_hinge)
    *again, rough, ways = look.edge(hinge)
    again[1] = np.hypot(again[1], ROUGH_EDGE_M * np.sqrt(rough))
    if side.bright is not None:
        again[1] = np.hypot(again[1], side.bright.unsure_m())
    edge, edge_se, edge_near = (
        np.where(bare < 0.5, new, old) for new, old in zip(again, coarse, strict=True)
    )
    gain = look.gain(edge, hinge)
    return TiedBreaks(
        *(edge, edge_se, edge_near, hinge, hinge_se, hinge_near, bare, gain, ways, hinge_ways),
        *(beyond, arc_m),
    )


def _misfit(side: SideBlocks, evidence: Floats, none: Floats) -> Floats:
    """By how much the best straight pieces miss the heights of each block, at least 1, (b,).

    Evidence is told in units of the noise: ground that bends everywhere would put breaks to a few
    centimetres wherever it happens to bend most, and elsewhere in the next survey.
    """
    weighed = side.precision * side.z**2
    best = np.maximum(evidence.max(axis=(1, 2)), none.max(axis=1))
    cells = np.maximum((side.precision > 0.0).sum(axis=1), 1)
    left = (weighed.sum(axis=1) - 2.0 * np.where(np.isfinite(best), best, 0.0)) / cells
    about = uniform_filter1d(left, MISFIT_BLOCKS, mode="nearest")
    return np.maximum(about / USUAL_MISFIT, 1.0)


def _hinge_ways(post: Floats, at_edge: Floats, at_hinge: Floats, hinge: Floats) -> Floats:
    """Rivals of the hinges found (b,), inward and outward of them: see `TiedBreaks`.

    `post` (b, e, h) is the probability of each pair of places, tied along the road.
    """
    pairs = np.maximum(post.sum(axis=1), 0.0)
    total = np.maximum(pairs.sum(axis=1), 1e-300)
    off = at_hinge[None, :] - hinge[:, None]
    edges = (post * at_edge[None, :, None]).sum(axis=1)

    def of(chosen: Bools) -> tuple[Floats, Floats, Floats, Floats]:
        mass = np.where(chosen, pairs, 0.0)
        here = mass.sum(axis=1)
        safe = np.maximum(here, 1e-300)
        mean = (mass * off).sum(axis=1) / safe
        spread = np.maximum((mass * off**2).sum(axis=1) / safe - mean**2, 0.0)
        return here / total, mean, np.sqrt(spread), np.where(chosen, edges, 0.0).sum(axis=1) / safe

    among = of(np.abs(off) <= NEAR_M)
    ways = []
    for rival in (off < -NEAR_M, off > NEAR_M):
        share, place, spread, edge = of(rival)
        told = (share > 1e-6) & (among[0] > 1e-6)
        moved = np.where(told, edge - among[3], 0.0)
        ways.append(np.column_stack([moved, place, spread, np.where(told, share, 0.0)]))
    return np.stack(ways, axis=1)


def _beyond(side: SideBlocks, post: Floats, at_hinge: Floats) -> Floats:
    """Probability that no hinge shows, (b,): it lies at the limit of its search, or of the ground.

    What bends most at the limit bends beyond it as well, and where no ground was looked at any
    place does.
    """
    known = side.precision > 0.0
    last = np.where(
        known.any(axis=1), side.u[known.shape[1] - 1 - known[:, ::-1].argmax(axis=1)], 0.0
    )
    limit = np.minimum(last, at_hinge[-AT_LIMIT])
    unseen = at_hinge[None, :] >= limit[:, None] - 1e-9
    share = (post.sum(axis=1) * unseen).sum(axis=1)
    return np.where(np.isfinite(side.hinge_given), 0.0, share)


def _about_mean(side: SideBlocks) -> SideBlocks:
    """Count heights from the block's mean, which keeps inner products small."""
    known = np.where(side.precision > 0.0, side.z, 0.0)
    total = side.precision.sum(axis=1)
    mean = np.divide(
        (side.precision * known).sum(axis=1), total, out=np.zeros_like(total), where=total > 0
    )
    return replace(side, z=known - mean[:, None])


def _candidates(side: SideBlocks, step_m: float) -> Candidates:
    from analysis.edges.kernels import Candidates

    apart = max(float(side.usual_box().sum()), step_m)
    nominal_hinge = side.edge_m + side.shoulder_m
    start = max(float(side.edge_m.min()) - SEARCH_SIDE_M, float(side.u[0]) + 1.0)
    stop = float(nominal_hinge.max()) + SEARCH_SIDE_M
    place = np.asarray(
        start + step_m * np.arange(steps_over(stop - start, step_m) + 1), dtype=np.float64
    )
    edges = int(np.sum(place <= float(side.edge_m.max()) + SEARCH_SIDE_M + 1e-6))
    least_hinge = max(float(nominal_hinge.min()) - SEARCH_SIDE_M, start + apart)
    return Candidates(place, edges, int(np.searchsorted(place, least_hinge - 1e-6)), apart)


def _arc(side: SideBlocks, candidates: Candidates, step_m: float) -> float:
    """Half the length of the arc that hinges are rounded by, as a few blocks tell best; 0 = none.

    Shoulders are made and worn alike along a road: one length stands for all of them.
    """
    for most in (ROUND_BLOCKS, ROUND_BLOCKS * ROUND_MORE):
        some = spread_out(side.z.shape[0], most)
        few = replace(
            side, z=side.z[some], precision=side.precision[some], usual_box_m=side.usual_box()
        )
        arc_m, gain = _arc_of(few, candidates, step_m)
        least = max(ROUND_GAIN, ROUND_EACH * some.size)
        # where that is a near thing, other blocks might say otherwise: more are asked, if there are
        near = least / ROUND_MORE < gain < least * ROUND_MORE
        if not near or some.size == side.z.shape[0]:
            break
    return arc_m if gain > least else 0.0


def _arc_of(few: SideBlocks, candidates: Candidates, step_m: float) -> tuple[float, float]:
    """Likeliest half length of the arc that hinges have in a few blocks, and its log evidence."""

    def best(arc_m: float) -> tuple[Floats, Floats]:
        evidence, none = _pair_evidence(few, candidates, step_m, arc_m)
        return np.maximum(evidence.max(axis=(1, 2)), none.max(axis=1)), _misfit(few, evidence, none)

    kink, misfit = best(0.0)
    longest = max(USUALLY_ROUNDED_M, SEARCH_SIDE_M - candidates.apart)
    arcs = [arc for arc in ROUNDED_M if arc <= longest]

    def gain(arc_m: float) -> float:
        each = (best(arc_m)[0] - kink) / misfit
        # an arc fits a rutted or washed-out shoulder too, beside any hinge: most blocks must say so
        return float(min(each.sum(), each.size * np.median(each)))

    gains = [gain(arc) for arc in arcs]
    k = int(np.argmax(gains))
    told = {arcs[k]: gains[k]}
    if gains[k] > ROUND_GAIN:
        # once there is one, lengths halfway to the next are told as well
        near = (*arcs[max(k - 1, 0) : k], *arcs[k + 1 : k + 2])
        told |= {arc: gain(arc) for arc in (0.5 * (arcs[k] + arc) for arc in near)}
    arc_m = max(told, key=told.__getitem__)
    return arc_m, told[arc_m]


def _pair_evidence(
    side: SideBlocks, candidates: Candidates, step_m: float, arc_m: float
) -> tuple[Floats, Floats]:
    """Log evidence of each pair of edge and hinge, (b, e, h), and of an edge alone, (b, e)."""
    from analysis.edges.kernels import Candidates, Expected, Products, pair_evidence

    u, precision = side.u, side.precision
    pull = precision * side.z
    place, edges, first, apart = candidates
    at_edge, at_hinge, box = place[:edges], place[first:], side.usual_box()
    boxes = ((at_edge, box), (at_hinge, rounded_box(box, arc_m)))
    r = np.vstack([smeared_ramp(u[None, :] - at[:, None], of) for at, of in boxes])
    h = np.vstack([smeared_step(u[None, :] - at[:, None], of) for at, of in boxes])

    def seen(*columns: Floats) -> list[Floats]:
        return [product_alone(precision, column.T) for column in columns]

    sums = [precision.sum(axis=1), *seen(u, u * u), pull.sum(axis=1), product_alone(pull, u)]
    ramp = [*seen(r, u * r, r * r), product_alone(pull, r.T)]
    step = [*seen(h, u * h, h * h), product_alone(pull, h.T), *seen(r * h)]
    products = Products(*(np.stack(part, axis=-1) for part in (sums, ramp, step)))
    evidence = np.empty((side.z.shape[0], edges, at_hinge.size))
    none = np.empty(evidence.shape[:2])
    expected = Expected(PRIORS.kinks(), np.array(PRIORS.steps), PRIORS.between_m(step_m))
    # products of two breaks follow from those of each alone only where their smears don't overlap
    apart_by_arc = Candidates(np.concatenate([at_edge, at_hinge]), edges, edges, apart + arc_m)
    pair_evidence(apart_by_arc, products, expected, evidence, none)
    return evidence, none


def _weigh_nominal(
    side: SideBlocks, at_edge: Floats, width: Floats, evidence: Floats, none: Floats
) -> None:
    """Let nominal widths count once per hundred metres: weak where the ground speaks."""
    share = side.length_m / 100.0
    off_edge = (at_edge[None, :] - side.edge_m[:, None]) / PRIORS.width_spread
    # in place, as is what follows on pairs: there are many of them
    off = width[None] - side.shoulder_m[:, None, None]
    off /= PRIORS.width_spread
    off *= off
    off += off_edge[:, :, None] ** 2
    off *= 0.5 * share
    evidence -= off
    # an edge without shoulder at the place of the hinge is pavement that is too wide: a gravel
    # road, most likely, whose edge can't be seen
    bare_off = (at_edge[None, :] - side.edge_m[:, None]) / BARE_SPREAD_M
    none -= 0.5 * (side.length_m / 10.0) * bare_off**2


def _weigh_given(
    side: SideBlocks,
    at_edge: Floats,
    at_hinge: Floats,
    step_m: float,
    evidence: Floats,
    none: Floats,
) -> None:
    """Hold breaks to the places that were given.

    They hold them half a step of the candidates about; edges that are less sure, as surely as that,
    counted once per hundred metres, where there is a shoulder: without one they are all that tells.
    """
    fixed = np.flatnonzero(np.isfinite(side.edge_given))
    within = np.full(fixed.size, 0.5 * step_m)
    if side.edge_given_se is not None:
        unsure = side.edge_given_se[fixed] > 0.0
        within[unsure] = side.edge_given_se[fixed][unsure] / np.sqrt(side.length_m / 100.0)
    away = at_edge[None, :] - side.edge_given[fixed, None]
    evidence[fixed] -= 0.5 * ((away / within[:, None]) ** 2)[:, :, None]
    none[fixed] -= 0.5 * (away / (0.5 * step_m)) ** 2
    fixed = np.flatnonzero(np.isfinite(side.hinge_given))
    off = -0.5 * ((at_hinge[None, :] - side.hinge_given[fixed, None]) / (0.5 * step_m)) ** 2
    evidence[fixed] += off[:, None, :]
    none[fixed] = -np.inf
