"""The second look for the breaks of one side: each on a finer grid, beside rough shoulders too."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logsumexp

from analysis.common.along import moving_sums, steps_over, whole_steps
from analysis.common.bins import shares_of
from analysis.common.types import Bools, Floats, Indices
from analysis.corridor.footprint import rounded_box, smeared_ramp, smeared_step
from analysis.edges.priors import PRIORS, SideBlocks

__all__ = ["SecondLook", "drift_kernel", "moments"]


_ALONE = 0.4
"""Probability that a break moves from block to block as if its neighbour stood still: rather it is
the line that swerves, and both breaks move beside it."""

_JUMP = 0.01
"""Probability that a break moves by any amount up to half a metre from block to block."""


_HALFWAY = 0.25
"""So near to half way between two places a break is looked at from both, in steps."""


class SecondLook:
    """One break at a time on a finer grid, allowing for rough shoulders.

    Parameters
    ----------
    side : SideBlocks
        Heights about the mean of each block.
    start, stop : float
        Between which places are looked at.
    step_m : float
        Step of the places.
    counts : (b,)
        By how much the evidence of each block is told too high: its neighbours share its cells,
        and straight pieces may not fit it.
    arc_m : float
        Half the length of the arc that hinges are rounded by.
    overlap : int
        How many neighbouring blocks share their cells.
    """

    def __init__(
        self,
        side: SideBlocks,
        start: float,
        stop: float,
        step_m: float,
        counts: Floats,
        arc_m: float = 0.0,
        overlap: int = 1,
    ) -> None:
        u, box_m = side.u, side.box_m
        self.side, self.step_m, self.counts, self.overlap = side, step_m, counts, overlap
        usual = side.usual_box_m
        across = np.median(box_m.sum(axis=1)) if usual is None else usual.sum()
        self.apart = 0.5 * float(across)
        self.levels = _step_levels()
        count = steps_over(stop - start, step_m) + 1
        self.place: Floats = np.asarray(start + step_m * np.arange(count), dtype=np.float64)
        self._places = np.append(self.place, self.place[-1])
        # hinges that are rounded have tables of their own behind the others
        self._hinges = self._places.size if arc_m > 0.0 else 0
        away = u[None, :] - self.place[:, None]
        # the footprint turns with the road: blocks of like footprint share a table
        turn = np.rint(8.0 * np.arctan2(box_m[:, 1], box_m[:, 0]) / (0.5 * np.pi))
        classes, self.kind = np.unique(turn, return_inverse=True)
        boxes = np.array([box_m[self.kind == k].mean(axis=0) for k in range(classes.size)])
        # the last place stands for no break at all
        blank = np.zeros((1, u.size))
        groups = [boxes, rounded_box(boxes, arc_m)] if self._hinges else [boxes]

        def tables(smeared: Callable[[ArrayLike, ArrayLike], Floats]) -> Floats:
            each = [[np.vstack([smeared(away, box), blank]) for box in part] for part in groups]
            return np.concatenate([np.stack(part) for part in each], axis=1)

        self.ramp, self.step = tables(smeared_ramp), tables(smeared_step)
        self._places = np.tile(self._places, len(groups))

    def _at(self, values: Floats) -> Indices:
        index = np.rint((values - self.place[0]) / self.step_m)
        return np.asarray(np.clip(index, 0, self.place.size - 1), dtype=np.int64)

    def _between(self, values: Floats) -> tuple[Indices, Indices, Floats]:
        """The places nearest to values (b,), the next nearest, and the shares of these, (b,) each.

        They have one only about half way: a break that moves by a hair mustn't go all at once.
        """
        own, other, share = shares_of((values - self.place[0]) / self.step_m + 0.5, _HALFWAY)
        last = self.place.size - 1
        return np.clip(own, 0, last), np.clip(other, 0, last), share

    def edge(self, hinge: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Find the edges with the hinges known: mean, spread, nearness, roughness, and the ways.

        The ways (b, 3, 2) are place and spread of an edge that is flush, of one that steps up, and
        of one that steps down, each all along the road: which of them it is, a station's own cells
        can tell better.
        """
        nominal, stride = self.side.edge_m, 2
        last = int(self._at(np.array([float(nominal.max()) + 2.0]))[0])
        list_ = np.arange(0, last + 1, stride)
        at = self.place[list_]
        fade = self._fade((hinge - self.apart)[:, None] - at, stride)
        edge_at = np.where(np.isfinite(fade), list_[None, :], -1)
        evidence, told = self._evidence_about(edge_at, hinge, lambda edges, hinges: (edges, hinges))
        self._pay_once(evidence, told)
        evidence += fade[:, :, None]
        off = (at[None, :] - nominal[:, None]) / PRIORS.width_spread
        evidence -= 0.5 * (self.side.length_m / 100.0) * off[:, :, None] ** 2
        if self.side.bright is not None:
            evidence += self.side.bright.edges(at, hinge)[:, :, None]
        tie = partial(self._tie, evidence, at, stride, self.side.edge_given, np.diff(hinge))
        post = tie()
        rough = post[:, :, len(self.levels) :].sum(axis=(1, 2))
        up = self._mode_steps()
        ways = [
            np.column_stack(moments(tie(kind).sum(axis=2), at)[:2])
            for kind in (up == 0.0, up > 0.0, up < 0.0)
        ]
        return *moments(post.sum(axis=2), at), rough, np.stack(ways, axis=1)

    def gain(self, edge: Floats, hinge: Floats) -> Floats:
        """Weigh the edges found against pavement that goes straight on to the hinge."""
        *edge_at, edge_share = self._between(edge)
        *hinge_at, hinge_share = self._between(hinge)

        def weigh(edges: Indices, hinges: Indices, blocks: Indices) -> Floats:
            at = np.column_stack([edges, np.full(edges.size, self.place.size)])[blocks]
            return self._evidence(at, np.column_stack([hinges, hinges])[blocks], blocks)[0]

        nearest = weigh(edge_at[0], hinge_at[0], np.arange(edge.size))
        evidence = nearest.copy()
        # then one of both at the next place
        for share, edges, hinges in (
            (edge_share, edge_at[1], hinge_at[0]),
            (hinge_share, edge_at[0], hinge_at[1]),
        ):
            some = np.flatnonzero(share)
            other = weigh(edges, hinges, some)
            known = np.isfinite(other) & np.isfinite(nearest[some])
            off = np.where(known, other, 0.0) - np.where(known, nearest[some], 0.0)
            evidence[some] += share[some, None, None] * off
        # a straight shoulder without step is all that "no break" may offer
        gain = evidence[:, 0].max(axis=1) - evidence[:, 1, 0]
        if self.side.bright is not None:
            gain += self.side.bright.gain(edge, hinge)
        return moving_sums(gain, 2 * max(1, round(20.0 / self.side.length_m)) + 1)

    def hinge(self, edge: Floats, hinge: Floats) -> tuple[Floats, Floats, Floats]:
        """Find the hinges near those found before, with the edges known."""
        first, last = float(hinge.min()) - 0.6, float(hinge.max()) + 0.6
        span = self._at(np.array([first, last]))
        list_ = np.arange(span[0], span[1] + 1)
        at = self.place[list_]
        fade = self._fade(0.5 - np.abs(at[None, :] - hinge[:, None]), 1)
        fade += self._fade(at[None, :] - (edge + self.apart)[:, None], 1)
        # a block whose edge lies too near offers its old hinge only
        nearest = np.abs(at[None, :] - hinge[:, None]).argmin(axis=1)
        alone = np.flatnonzero(np.isneginf(fade).all(axis=1))
        fade[alone, nearest[alone]] = 0.0
        hinge_at = np.where(np.isfinite(fade), list_[None, :], -1)
        evidence, _ = self._evidence_about(hinge_at, edge, lambda hinges, edges: (edges, hinges))
        evidence += fade[:, :, None]
        post = self._tie(evidence, at, 1, self.side.hinge_given)
        return moments(post.sum(axis=2), at)

    def _fade(self, inside_m: Floats, stride: int) -> Floats:
        """Log weights of every so many places, so far inside a limit: they fade out beyond it."""
        share = np.clip(inside_m / (stride * self.step_m) + 1.0, 0.0, 1.0)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(share))

    def _evidence_about(
        self,
        listed: Indices,
        known: Floats,
        paired: Callable[[Indices, Indices], tuple[Indices, Indices]],
    ) -> tuple[Floats, Floats]:
        """What `_evidence` gives of listed places (b, c) of one break, with the other known, (b,).

        `paired` puts places of the one and of the other in the order of edge and hinge.
        """
        near, next_near, share = self._between(known)

        def beside(at: Indices) -> Indices:
            return np.repeat(at[:, None], listed.shape[1], axis=1)

        evidence, told = self._evidence(*paired(listed, beside(near)))
        some = np.flatnonzero(share > 0.0)
        if some.size:
            pairs = paired(listed[some], beside(next_near[some]))
            other, other_told = self._evidence(*pairs, some)
            of = share[some, None]
            told[some] = (1.0 - of) * told[some] + of * other_told
            of = of[:, :, None]
            evidence[some] = np.logaddexp(evidence[some] + np.log1p(-of), other + np.log(of))
        return evidence, told

    def _pay_once(self, evidence: Floats, told: Floats) -> None:
        """Let the kink of a flush edge cost once for some road, not in every block; in place.

        What its freedom costs is more the farther the edge is from the hinge, as a longer shoulder
        tells more of it: counted in every block it would draw flush edges toward the hinge. How
        likely it is that the edge is flush stays as it was.
        """
        blocks = max(PRIORS.lasting_m / (self.overlap * self.side.length_m), 1.0)
        cost = 0.5 * (np.log1p(told) - np.log1p(blocks * told) / blocks) / self.counts[:, None]
        # a shoulder no wider than the footprint doesn't tell a kink from its hinge
        cost *= np.clip(0.5 * self.side.shoulder_m / self.apart - 1.0, 0.0, 1.0)[:, None]
        flush = evidence[:, :, 0]
        some = np.isfinite(flush).any(axis=1)
        before = flush[some]
        after = before + cost[some]
        flush[some] = after + (logsumexp(before, axis=1) - logsumexp(after, axis=1))[:, None]

    def _evidence(
        self, edge_at: Indices, hinge_at: Indices, blocks: Indices | slice = slice(None)
    ) -> tuple[Floats, Floats]:
        """Log evidence of pairs (b, c) in each mode (b, c, m), and what is told of their kinks.

        Of some of the blocks, where these are given.
        """
        from analysis.edges.kernels import Bins, Expected, Shapes, Tables
        from analysis.edges.line_kernels import line_evidence

        p, side = PRIORS, self.side
        forms = whole_steps(np.array(p.forms).reshape(-1, 3), self.step_m)
        hinge_at = np.where(hinge_at >= 0, hinge_at + self._hinges, hinge_at)
        evidence = np.empty((*edge_at.shape, 2 * len(self.levels) + len(forms)))
        told = np.empty(edge_at.shape)
        line_evidence(
            Bins(side.u, side.z[blocks], side.precision[blocks]),
            edge_at,
            hinge_at,
            Tables(self._places, self.kind[blocks], self.ramp, self.step),
            Expected(p.kinks(), self.levels, p.between_m(self.step_m)),
            Shapes(p.knot_m, p.rough_m, forms, p.form_m),
            evidence,
            told,
        )
        evidence -= p.step_cost * (self._mode_steps() != 0.0)
        evidence /= self.counts[blocks, None, None]
        return evidence, told

    def _tie(
        self,
        evidence: Floats,
        at: Floats,
        stride: int,
        given: Floats,
        moves_beside: Floats | float = 0.0,
        modes: Bools | None = None,
    ) -> Floats:
        """Posterior of place and mode, (b, p, m); `modes` (m,) leaves only some of them."""
        from analysis.edges.tie_kernels import tie_line

        step = stride * self.step_m
        fixed = np.flatnonzero(np.isfinite(given))
        if fixed.size:
            away = (at[None, :] - given[fixed, None]) / (0.5 * step)
            evidence = evidence.copy()
            evidence[fixed] -= 0.5 * away[:, :, None] ** 2
        flow = _mode_flow(self.side.length_m)
        if modes is not None:
            some = np.flatnonzero(modes)
            evidence, flow = np.take(evidence, some, axis=2), flow[np.ix_(some, some)]
        start = flow.sum(axis=1)
        start, switch = start / start.sum(), flow / start[:, None]
        moves = np.zeros(evidence.shape[0])
        moves[1:] = moves_beside
        kernel = _joint_kernel(moves, self.side.drift_m(), step)
        most = evidence.max(axis=(1, 2), keepdims=True)
        # where nothing is a candidate, nothing is told
        silent = np.isneginf(most)
        seen = np.subtract(evidence, np.where(silent, 0.0, most))
        np.exp(seen, out=seen)
        seen[silent[:, 0, 0]] = 1.0
        post = np.empty(seen.shape)
        tie_line(seen, kernel, start, switch, post)
        return post

    def _mode_steps(self) -> Floats:
        """Height of the step of each mode: straight, rough, then the forms beside a flush edge."""
        steps = self.levels[:, 1]
        return np.concatenate([steps, steps, np.zeros(len(PRIORS.forms))])


def _step_levels() -> Floats:
    """Return the steps that an edge can keep along the road, (q, 3): weight, mean, spread.

    A step that stays the same from block to block is paid for once, not in every block.
    """
    flush = PRIORS.steps[0]
    size = PRIORS.level_m
    steps = [(1.0, size * k, 0.5 * size) for k in range(-4, 5) if k != 0]
    return np.array([(flush[0], 0.0, flush[2]), *steps])


@lru_cache(maxsize=16)
def _mode_flow(block_m: float) -> Floats:
    """How likely a mode (step, roughness) and the next block's are, (m, m).

    Whatever number of blocks lies before: roads have no first block. It is as likely the other way
    round, so that a road is the same from either of its ends.
    """
    switch = _mode_switch(_step_levels(), block_m)
    # what stays as likely from block to block
    usual = np.linalg.lstsq(
        np.vstack([switch.T - np.eye(len(switch)), np.ones(len(switch))]),
        np.append(np.zeros(len(switch)), 1.0),
        rcond=None,
    )[0]
    flow = usual[:, None] * switch
    return np.asarray(0.5 * (flow + flow.T))


def _mode_switch(levels: Floats, block_m: float) -> Floats:
    """Probabilities of going from one mode to another in the next block, (m, m)."""
    q = len(levels)
    rate = block_m / 5.0
    away = np.abs(levels[:, None, 1] - levels[None, :, 1])
    near = (away <= 1.5 * PRIORS.level_m) & (away > 0.0)
    turn = PRIORS.step_switch * rate
    to = 0.5 * near / near.sum(axis=1, keepdims=True)
    # back to flush is the likeliest of all other changes
    other = np.where(np.eye(q, dtype=bool), 0.0, np.where(np.arange(q) == 0, 5.0, 1.0)[None, :])
    to = to + 0.5 * other / other.sum(axis=1, keepdims=True)
    step = (1.0 - turn) * np.eye(q) + turn * to
    rough = PRIORS.roughness_switch * rate
    forms = len(PRIORS.forms)
    # straight, rough, and each form
    shape = np.full((2 + forms, 2 + forms), 0.5 * rough / (1 + forms))
    shape[0], shape[:, 0] = rough / (1 + forms), 1.5 * rough
    np.fill_diagonal(shape, 0.0)
    np.fill_diagonal(shape, 1.0 - shape.sum(axis=1))
    # forms lie beside a flush edge only
    kept = np.concatenate([np.arange(2 * q), q * (2 + np.arange(forms))])
    switch = np.kron(shape, step)[np.ix_(kept, kept)]
    return np.asarray(switch / switch.sum(axis=1, keepdims=True))


def drift_kernel(drift_m: float, step_m: float) -> Floats:
    """How far a break moves from block to block: mostly little, now and then a jump."""
    d = _steps(drift_m, step_m)
    narrow = _bell(d, drift_m, step_m)
    wide = (np.abs(d) <= 0.5 + 1e-6).astype(np.float64)
    return np.asarray((1.0 - _JUMP) * narrow / narrow.sum() + _JUMP * wide / wide.sum())


def _steps(drift_m: float, step_m: float) -> Floats:
    """Moves that are weighed, from inward to outward."""
    radius = steps_over(max(4.0 * drift_m, 0.6), step_m)
    return np.asarray(np.arange(-radius, radius + 1) * step_m)


def _bell(away_m: Floats, drift_m: float, step_m: float) -> Floats:
    # a drift below the step of the grid must still let the break move
    return np.asarray(np.exp(-0.5 * away_m**2 / (drift_m**2 + (0.3 * step_m) ** 2)))


def _joint_kernel(moves_m: Floats, drift_m: float, step_m: float) -> Floats:
    """How far a break moves from block to block, (b, 2r + 1), where its neighbour moves too.

    Where a road widens, edge and hinge move together; where only one of them does, a shoulder
    gets wider or a bay begins.
    """
    alone = drift_kernel(drift_m, step_m)
    with_it = _bell(_steps(drift_m, step_m) - moves_m[:, None], drift_m, step_m)
    total = with_it.sum(axis=1, keepdims=True)
    near = total > 0.5
    with_it = np.where(near, with_it / np.maximum(total, 0.5), alone)
    return np.asarray(_ALONE * alone + (1.0 - _ALONE) * with_it)


def moments(mass: Floats, place: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean and standard deviation of each row of `mass`, and its share within half a metre."""
    total = np.maximum(mass.sum(axis=1), 1e-300)
    mean = mass @ place / total
    spread = np.maximum(mass @ place**2 / total - mean**2, 0.0)
    step = place[1] - place[0]
    near = np.abs(place[None, :] - mean[:, None]) <= 0.5 + 1e-9
    # the grid of candidates itself leaves a twelfth of a step squared
    se = np.sqrt(spread + step**2 / 12.0)
    return mean, se, (mass * near).sum(axis=1) / total
