"""Sections cut into straight pieces, and breaks tied along the road.

`segment_sections` is the optimal piecewise-linear segmentation by dynamic programming on
prefix sums. `edge_and_hinge` weighs every pair of pavement edge and hinge in every block of
road by its marginal likelihood and ties the blocks together by the forward-backward
recursion: the sum over all paths along the road of which `cheapest_path` finds the best one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step

__all__ = [
    "SectionPriors",
    "TiedBreaks",
    "cheapest_path",
    "edge_and_hinge",
    "segment_sections",
]


_JUMP = 0.01
"""Probability that a break moves by any amount up to half a metre from block to block."""


BARE_SPREAD_M = 1.3
"""Standard deviation of an edge without shoulder about its nominal place, within ten metres."""

ROUGH_EDGE_M = 0.07
"""A rough shoulder (ruts, lips, washed-out edges) has a shape of its own, the same from block to
block, and draws its edge to one side: standard deviation of that, by trials on made roads."""


def segment_sections(
    x: Floats, z: Floats, segments: int, *, weight: Floats | None = None, least: int = 2
) -> NDArray[np.int64]:
    """Cut sections into straight pieces so that the sum of squared misfits is least.

    Parameters
    ----------
    x : (k,)
        Places across, ascending, the same for all sections.
    z : (n, k)
        Heights, NaN = unknown.
    segments : int
        Number of pieces.
    weight : (n, k), optional
        Weight of each height, default 1.
    least : int
        Least number of places in a piece.

    Returns
    -------
    (n, segments + 1) int64
        First place of each piece, then k; -1 in sections without any known height.

    Examples
    --------
    >>> x = np.arange(6.0)
    >>> segment_sections(x, np.array([[0, 0, 0, 1, 2, 3.0]]), 2).tolist()
    [[0, 2, 6]]
    """
    from analysis.edges.kernels import best_segments

    x = np.ascontiguousarray(x, dtype=np.float64)
    heights = np.ascontiguousarray(np.atleast_2d(z), dtype=np.float64)
    if segments < 1 or least < 1 or x.size < segments * least:
        raise ValueError(
            f"{x.size} places can't be cut into {segments} pieces of {least} or more each"
        )
    known = np.isfinite(heights)
    w = np.where(known, 1.0 if weight is None else np.asarray(weight, dtype=np.float64), 0.0)
    out = np.empty((heights.shape[0], segments + 1), dtype=np.int64)
    best_segments(x, np.where(known, heights, 0.0), w, segments, least, out)
    return out


def cheapest_path(cost: Floats, change: Floats) -> NDArray[np.int64]:
    """Choose a state per row so that the sum of costs and of changes is least.

    Parameters
    ----------
    cost : (b, k)
        Cost of each state in each row.
    change : (k, k)
        Cost of going from state i in one row to state j in the next.

    Returns
    -------
    (b,) int64 array
        The states, by dynamic programming (exact).
    """
    rows, states = cost.shape
    came = np.empty((rows, states), dtype=np.int64)
    best = cost[0].copy()
    for i in range(1, rows):
        total = best[:, None] + change
        came[i] = np.argmin(total, axis=0)
        best = total[came[i], np.arange(states)] + cost[i]
    path = np.empty(rows, dtype=np.int64)
    path[-1] = int(np.argmin(best))
    for i in range(rows - 1, 0, -1):
        path[i - 1] = came[i, path[i]]
    return path


@dataclass(frozen=True, slots=True)
class SectionPriors:
    """What sections look like before the ground is looked at; outward rise as a fraction.

    Each is (mean, standard deviation), common practice widened so far that no shoulder met in
    practice is implausible.

    Attributes
    ----------
    slope
        Of the pavement.
    kink
        At the pavement edge, shoulder minus pavement.
    hinge
        Kink from shoulder to foreslope.
    bare
        Kink at a pavement edge without shoulder.
    steps : tuple of (weight, mean, standard deviation)
        Step at the pavement edge in metres, up positive: flush, worn or high, kerb.
    drift
        Standard deviation of a break's move along 5 m of road, metres.
    width_spread
        Standard deviation of a break about its nominal place, metres.
    switch
        Probability that a shoulder begins or ends within 5 m.
    knot_m, rough_m, roughness_switch
        A rough shoulder: distance of the knots of its shape, their scatter in metres, and the
        probability that roughness begins within 5 m.
    forms : tuple of (begin, middle, end)
        What may lie beside a flush edge, metres outward: wheel ruts as wide as a tyre with its
        sides, then lips and worn edges that run out over some width.
    form_m
        Scatter of their heights and depths, metres.
    level_m, step_cost, step_switch
        Steps come in levels this far apart, cost this much log evidence beside a flush edge
        (a rut next to the edge looks much like a step), and change with this probability
        within 5 m.
    """

    slope: tuple[float, float] = (-0.02, 0.05)
    kink: tuple[float, float] = (-0.02, 0.035)
    hinge: tuple[float, float] = (-0.25, 0.15)
    bare: tuple[float, float] = (-0.25, 0.15)
    steps: tuple[tuple[float, float, float], ...] = (
        (0.85, 0.0, 0.005),
        (0.12, 0.0, 0.06),
        (0.03, 0.13, 0.04),
    )
    drift: float = 0.035
    width_spread: float = 0.9
    switch: float = 0.01
    knot_m: float = 0.35
    rough_m: float = 0.02
    roughness_switch: float = 0.03
    forms: tuple[tuple[float, float, float], ...] = (
        (0.0, 0.35, 0.7),
        (0.2, 0.6, 1.0),
        (0.4, 0.8, 1.2),
        (0.6, 1.0, 1.4),
        (0.85, 1.25, 1.65),
        (0.0, 0.0, 0.35),
        (0.0, 0.0, 0.6),
        (0.0, 0.0, 0.9),
    )
    form_m: float = 0.032
    level_m: float = 0.025
    step_cost: float = 0.5
    step_switch: float = 0.03

    def kinks(self) -> Floats:
        """Return mean and standard deviation of slope, kink, hinge and bare edge, (4, 2)."""
        return np.array([self.slope, self.kink, self.hinge, self.bare])

    def between_m(self, step_m: float) -> float:
        """Return the step that a hinge between two candidates looks like, metres."""
        return abs(self.hinge[0]) * step_m / 3.0


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
    """

    edge: Floats
    edge_se: Floats
    edge_near: Floats
    hinge: Floats
    hinge_se: Floats
    hinge_near: Floats
    bare: Floats
    edge_gain: Floats


def edge_and_hinge(
    u: Floats,
    z: Floats,
    precision: Floats,
    *,
    edge_m: Floats,
    shoulder_m: Floats,
    box_m: Floats,
    block_m: float,
    step_m: float,
    search_m: tuple[float, float] = (2.0, 2.0),
    priors: SectionPriors | None = None,
    edge_given: Floats | None = None,
    hinge_given: Floats | None = None,
    overlap: int = 1,
    rounds: int = 1,
) -> TiedBreaks:
    """Find pavement edge and hinge of one side in all blocks at once.

    Parameters
    ----------
    u : (k,)
        Places across, outward from the axis, even steps.
    z, precision : (b, k)
        Mean heights and their inverse variances; precision 0 = unknown or not to be used.
    edge_m, shoulder_m : (b,)
        Nominal place of the edge and nominal width of the shoulder in each block.
    box_m : (b, 2)
        Box widths of a cell across the road in each block.
    block_m : float
        Length of a block.
    step_m : float
        Step of the candidate places.
    search_m : (float, float)
        How far edge and hinge may lie from their nominal places.
    priors : SectionPriors, optional
    edge_given, hinge_given : (b,), optional
        Places that a person fixed; NaN = not given.
    overlap : int
        How many neighbouring blocks share their cells: each block's evidence counts for its
        own part only.
    rounds : int
        How often hinge and edge are looked at again, in turn, on a finer grid.

    Returns
    -------
    TiedBreaks
    """
    from analysis.edges.kernels import Candidates, Expected, Products, pair_evidence, tie_pairs

    priors = SectionPriors() if priors is None else priors
    box = np.median(box_m, axis=0)
    apart = max(float(box.sum()), step_m)
    nominal_hinge = edge_m + shoulder_m
    start = max(float(edge_m.min()) - search_m[0], float(u[0]) + 1.0)
    stop = float(nominal_hinge.max()) + search_m[1]
    place = np.asarray(
        start + step_m * np.arange(int(np.ceil((stop - start) / step_m)) + 1), dtype=np.float64
    )
    edges = int(np.sum(place <= float(edge_m.max()) + search_m[0]))
    least_hinge = max(float(nominal_hinge.min()) - search_m[1], start + apart)
    first_hinge = int(np.searchsorted(place, least_hinge))
    hinges = place.size - first_hinge

    known = np.where(precision > 0.0, z, 0.0)
    # heights about the block's mean keep the inner products small
    total = precision.sum(axis=1)
    mean = np.divide(
        (precision * known).sum(axis=1), total, out=np.zeros_like(total), where=total > 0
    )
    pull_free = known - mean[:, None]
    pull = precision * pull_free
    r = smeared_ramp(u[None, :] - place[:, None], box)
    h = smeared_step(u[None, :] - place[:, None], box)
    sums = np.column_stack([total, precision @ u, precision @ (u * u), pull.sum(axis=1), pull @ u])
    ramp = np.stack(
        [precision @ r.T, precision @ (u * r).T, precision @ (r * r).T, pull @ r.T], axis=-1
    )
    step = np.stack(
        [
            precision @ h.T,
            precision @ (u * h).T,
            precision @ (h * h).T,
            pull @ h.T,
            precision @ (r * h).T,
        ],
        axis=-1,
    )
    blocks = z.shape[0]
    evidence = np.empty((blocks, edges, hinges))
    none = np.empty((blocks, edges))
    candidates = Candidates(place, edges, first_hinge, apart)
    expected = Expected(priors.kinks(), np.array(priors.steps), priors.between_m(step_m))
    pair_evidence(candidates, Products(sums, ramp, step), expected, evidence, none)
    evidence /= overlap
    none /= overlap
    # The nominal widths count once per hundred metres: weak where the ground speaks.
    at_edge, at_hinge = place[:edges], place[first_hinge:]
    share = block_m / 100.0
    width = at_hinge[None, :] - at_edge[:, None]
    off_edge = (at_edge[None, :] - edge_m[:, None]) / priors.width_spread
    off_width = (width[None] - shoulder_m[:, None, None]) / priors.width_spread
    evidence -= 0.5 * share * (off_edge[:, :, None] ** 2 + off_width**2)
    # an edge without shoulder at the place of the hinge is pavement that is too wide: a gravel
    # road, most likely, whose edge can't be seen
    bare_off = (at_edge[None, :] - edge_m[:, None]) / BARE_SPREAD_M
    none -= 0.5 * (block_m / 10.0) * bare_off**2
    for given, axis in ((edge_given, 0), (hinge_given, 1)):
        if given is None:
            continue
        fixed = np.flatnonzero(np.isfinite(given))
        if axis == 0:
            off = -0.5 * ((at_edge[None, :] - given[fixed, None]) / (0.5 * step_m)) ** 2
            evidence[fixed] += off[:, :, None]
            none[fixed] += off
        else:
            off = -0.5 * ((at_hinge[None, :] - given[fixed, None]) / (0.5 * step_m)) ** 2
            evidence[fixed] += off[:, None, :]
            none[fixed] = -np.inf
    usual = float(np.median(shoulder_m))
    fresh = np.exp(-0.5 * ((width - usual) / priors.width_spread) ** 2) * (width >= apart)
    fresh /= np.maximum(fresh.sum(axis=1, keepdims=True), 1e-300)
    post = np.empty_like(evidence)
    post_none = np.empty_like(none)
    drift = priors.drift * np.sqrt(block_m / 5.0)
    tie_pairs(
        evidence, none, fresh, _drift_kernel(drift, step_m), priors.switch * block_m / 5.0,
        post, post_none,
    )  # fmt: skip
    bare = post_none.sum(axis=1)
    hinge, hinge_se, hinge_near = _moments(post.sum(axis=1), at_hinge)
    edge, edge_se, edge_near = _moments(post.sum(axis=2) + post_none, at_edge)
    fine = _Fine(u, pull_free, precision, box_m, block_m, priors, place, 0.1 * apart, overlap)
    for _ in range(rounds):
        hinge, hinge_se, hinge_near, _ = fine.hinge(edge, hinge, given=hinge_given)
        *again, rough = fine.edge(hinge, nominal=edge_m, given=edge_given)
        again[1] = np.hypot(again[1], ROUGH_EDGE_M * np.sqrt(rough))
        edge, edge_se, edge_near = (
            np.where(bare < 0.5, new, old)
            for new, old in zip(again, (edge, edge_se, edge_near), strict=True)
        )
    gain = fine.gain(edge, hinge)
    return TiedBreaks(edge, edge_se, edge_near, hinge, hinge_se, hinge_near, bare, gain)


class _Fine:
    """The second look: one break at a time on a finer grid, allowing for rough shoulders."""

    def __init__(
        self,
        u: Floats,
        z: Floats,
        precision: Floats,
        box_m: Floats,
        block_m: float,
        priors: SectionPriors,
        coarse: Floats,
        step_m: float,
        overlap: int,
    ) -> None:
        self.u, self.z, self.precision = u, z, precision
        self.priors, self.block_m = priors, block_m
        self.apart = 0.5 * float(np.median(box_m.sum(axis=1)))
        self.step_m, self.overlap = step_m, overlap
        self.levels = _step_levels(priors)
        count = int(np.ceil((coarse[-1] - coarse[0]) / step_m)) + 1
        self.place = coarse[0] + step_m * np.arange(count)
        self._places = np.append(self.place, self.place[-1])
        away = u[None, :] - self.place[:, None]
        # the footprint turns with the road: blocks of like footprint share a table
        turn = np.rint(8.0 * np.arctan2(box_m[:, 1], box_m[:, 0]) / (0.5 * np.pi))
        classes, self.kind = np.unique(turn, return_inverse=True)
        boxes = np.array([box_m[self.kind == k].mean(axis=0) for k in range(classes.size)])
        # the last place stands for no break at all
        blank = np.zeros((1, u.size))
        self.ramp = np.stack([np.vstack([smeared_ramp(away, box), blank]) for box in boxes])
        self.step = np.stack([np.vstack([smeared_step(away, box), blank]) for box in boxes])

    def _at(self, values: Floats) -> NDArray[np.int64]:
        index = np.rint((values - self.place[0]) / self.step_m)
        return np.asarray(np.clip(index, 0, self.place.size - 1), dtype=np.int64)

    def edge(
        self, hinge: Floats, *, nominal: Floats, given: Floats | None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Find the edges with the hinges known."""
        stride = 2
        last = int(self._at(np.array([float(nominal.max()) + 2.0]))[0])
        list_ = np.arange(0, last + 1, stride)
        hinge_at = np.repeat(self._at(hinge)[:, None], list_.size, axis=1)
        edge_at = np.where(
            self.place[list_][None, :] <= (hinge - self.apart)[:, None], list_[None, :], -1
        )
        evidence = self._evidence(edge_at, hinge_at)
        at = self.place[list_]
        off = (at[None, :] - nominal[:, None]) / self.priors.width_spread
        evidence -= 0.5 * (self.block_m / 100.0) * off[:, :, None] ** 2
        return self._tie(evidence, at, stride, given, beside=hinge)

    def gain(self, edge: Floats, hinge: Floats) -> Floats:
        """Weigh the edges found against pavement that goes straight on to the hinge."""
        hinge_at = self._at(hinge)[:, None]
        none = np.full_like(hinge_at, self.place.size)
        edge_at = np.hstack([self._at(edge)[:, None], none])
        evidence = self._evidence(edge_at, np.hstack([hinge_at, hinge_at]))
        # a straight shoulder without step is all that "no break" may offer
        gain = evidence[:, 0].max(axis=1) - evidence[:, 1, 0]
        half = max(1, round(20.0 / self.block_m))
        # not mode="same": that gives the length of the window where the road has fewer blocks
        return np.convolve(gain, np.ones(2 * half + 1))[half : half + len(gain)]

    def hinge(
        self, edge: Floats, hinge: Floats, *, given: Floats | None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Find the hinges near those found before, with the edges known."""
        first, last = float(hinge.min()) - 0.6, float(hinge.max()) + 0.6
        span = self._at(np.array([first, last]))
        list_ = np.arange(span[0], span[1] + 1)
        at = self.place[list_]
        close = np.abs(at[None, :] - hinge[:, None]) <= 0.5
        close &= at[None, :] >= (edge + self.apart)[:, None]
        # a block whose edge lies too near offers its old hinge only
        nearest = np.abs(at[None, :] - hinge[:, None]).argmin(axis=1)
        close[np.arange(hinge.size), nearest] = True
        edge_at = np.where(close, self._at(edge)[:, None], -1)
        evidence = self._evidence(edge_at, np.where(close, list_[None, :], -1))
        return self._tie(evidence, at, 1, given)

    def _evidence(self, edge_at: NDArray[np.int64], hinge_at: NDArray[np.int64]) -> Floats:
        from analysis.edges.kernels import Bins, Expected, Shapes, Tables, line_evidence

        p = self.priors
        forms = np.rint(np.array(p.forms).reshape(-1, 3) / self.step_m).astype(np.int64)
        evidence = np.empty((*edge_at.shape, 2 * len(self.levels) + len(forms)))
        line_evidence(
            Bins(self.u, self.z, self.precision),
            edge_at,
            hinge_at,
            Tables(self._places, self.kind, self.ramp, self.step),
            Expected(p.kinks(), self.levels, p.between_m(self.step_m)),
            Shapes(p.knot_m, p.rough_m, forms, p.form_m),
            evidence,
        )
        levels = len(self.levels)
        stepped = np.arange(evidence.shape[2]) % levels > 0
        stepped[2 * levels :] = False
        evidence[:, :, stepped] -= p.step_cost
        return evidence / self.overlap

    def _tie(
        self,
        evidence: Floats,
        at: Floats,
        stride: int,
        given: Floats | None,
        beside: Floats | None = None,
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Mean, spread and nearness of the place, and how likely the shoulder is rough."""
        from analysis.edges.kernels import tie_line

        step = stride * self.step_m
        evidence = np.maximum(evidence, -1e300)
        if given is not None:
            fixed = np.flatnonzero(np.isfinite(given))
            away = (at[None, :] - given[fixed, None]) / (0.5 * step)
            evidence[fixed] -= 0.5 * away[:, :, None] ** 2
        start, switch = _mode_switch(self.levels, self.priors, self.block_m)
        drift = self.priors.drift * np.sqrt(self.block_m / 5.0)
        moves = np.zeros(evidence.shape[0])
        if beside is not None:
            moves[1:] = np.diff(beside)
        kernel = _joint_kernel(moves, drift, step)
        post = np.empty_like(evidence)
        tie_line(evidence, kernel, start, switch, post)
        rough = post[:, :, len(self.levels) :].sum(axis=(1, 2))
        return *_moments(post.sum(axis=2), at), rough


def _step_levels(priors: SectionPriors) -> Floats:
    """Return the steps that an edge can keep along the road, (q, 3): weight, mean, spread.

    A step that stays the same from block to block is paid for once, not in every block.
    """
    flush = priors.steps[0]
    size = priors.level_m
    steps = [(1.0, size * k, 0.5 * size) for k in range(-4, 5) if k != 0]
    return np.array([(flush[0], 0.0, flush[2]), *steps])


def _mode_switch(levels: Floats, priors: SectionPriors, block_m: float) -> tuple[Floats, Floats]:
    """Probabilities of the modes (step, roughness) in the first block and from one to the next."""
    q = len(levels)
    rate = block_m / 5.0
    away = np.abs(levels[:, None, 1] - levels[None, :, 1])
    near = (away <= 1.5 * priors.level_m) & (away > 0.0)
    turn = priors.step_switch * rate
    to = 0.5 * near / near.sum(axis=1, keepdims=True)
    # back to flush is the likeliest of all other changes
    other = np.where(np.eye(q, dtype=bool), 0.0, np.where(np.arange(q) == 0, 5.0, 1.0)[None, :])
    to = to + 0.5 * other / other.sum(axis=1, keepdims=True)
    step = (1.0 - turn) * np.eye(q) + turn * to
    rough = priors.roughness_switch * rate
    forms = len(priors.forms)
    # straight, rough, and each form
    shapes = np.concatenate([[0.7], np.full(1 + forms, 0.3 / (1 + forms))])
    shape = np.full((2 + forms, 2 + forms), 0.5 * rough / (1 + forms))
    shape[0], shape[:, 0] = rough / (1 + forms), 1.5 * rough
    np.fill_diagonal(shape, 0.0)
    np.fill_diagonal(shape, 1.0 - shape.sum(axis=1))
    start = np.concatenate([[0.7], np.full(q - 1, 0.3 / (q - 1))])
    # forms lie beside a flush edge only
    kept = np.concatenate([np.arange(2 * q), q * (2 + np.arange(forms))])
    start, switch = np.kron(shapes, start)[kept], np.kron(shape, step)[np.ix_(kept, kept)]
    return start / start.sum(), switch / switch.sum(axis=1, keepdims=True)


def _drift_kernel(drift_m: float, step_m: float) -> Floats:
    """How far a break moves from block to block: mostly little, now and then a jump."""
    d = _steps(drift_m, step_m)
    narrow = _bell(d, drift_m, step_m)
    wide = (np.abs(d) <= 0.5).astype(np.float64)
    return np.asarray((1.0 - _JUMP) * narrow / narrow.sum() + _JUMP * wide / wide.sum())


def _steps(drift_m: float, step_m: float) -> Floats:
    """Moves that are weighed, from inward to outward."""
    radius = int(np.ceil(max(4.0 * drift_m, 0.6) / step_m))
    return np.asarray(np.arange(-radius, radius + 1) * step_m)


def _bell(away_m: Floats, drift_m: float, step_m: float) -> Floats:
    # a drift below the step of the grid must still let the break move
    return np.asarray(np.exp(-0.5 * away_m**2 / (drift_m**2 + (0.3 * step_m) ** 2)))


def _joint_kernel(moves_m: Floats, drift_m: float, step_m: float) -> Floats:
    """How far a break moves from block to block, (b, 2r + 1), where its neighbour moves too.

    Where a road widens, edge and hinge move together; where only one of them does, a shoulder
    gets wider or a bay begins.
    """
    alone = _drift_kernel(drift_m, step_m)
    with_it = _bell(_steps(drift_m, step_m) - moves_m[:, None], drift_m, step_m)
    total = with_it.sum(axis=1, keepdims=True)
    near = total > 0.5
    with_it = np.where(near, with_it / np.maximum(total, 0.5), alone)
    return np.asarray(0.5 * (alone + with_it))


def _moments(mass: Floats, place: Floats) -> tuple[Floats, Floats, Floats]:
    total = np.maximum(mass.sum(axis=1), 1e-300)
    mean = mass @ place / total
    spread = np.maximum(mass @ place**2 / total - mean**2, 0.0)
    step = place[1] - place[0]
    near = np.abs(place[None, :] - mean[:, None]) <= 0.5 + 1e-9
    # the grid of candidates itself leaves a twelfth of a step squared
    se = np.sqrt(spread + step**2 / 12.0)
    return mean, se, (mass * near).sum(axis=1) / total
