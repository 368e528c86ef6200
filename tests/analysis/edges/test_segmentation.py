"""Sections cut into pieces and breaks tied along the road: every answer by trying everything."""

from itertools import combinations, pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import Covariance, multivariate_normal

from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.edges.kernels import (
    Bins,
    Candidates,
    Expected,
    Products,
    Shapes,
    Tables,
    pair_evidence,
)
from analysis.edges.line_kernels import line_evidence
from analysis.edges.priors import SideBlocks
from analysis.edges.segmentation import foreslope_end, segment_sections
from analysis.edges.tie_kernels import LEAP, tie_crown, tie_line, tie_pairs
from analysis.edges.tied_breaks import edge_and_hinge

HEIGHTS = st.lists(st.integers(-20, 20), min_size=5, max_size=11)


def _misfit(x, z, w):
    """Squared misfit of the best straight line, by numpy's least squares."""
    used = w > 0
    if not used.any():
        return 0.0
    root = np.sqrt(w[used])
    design = np.column_stack([np.ones(used.sum()), x[used]]) * root[:, None]
    beta = np.linalg.lstsq(design, z[used] * root, rcond=None)[0]
    return float(np.sum((z[used] * root - design @ beta) ** 2))


def _cost(x, z, w, cuts):
    return sum(_misfit(x[a:b], z[a:b], w[a:b]) for a, b in pairwise(cuts))


# -- pieces ----------------------------------------------------------------------------------------


@settings(max_examples=25)
@given(HEIGHTS, st.integers(1, 3), st.integers(1, 2), st.integers(0, 2**31 - 1))
def test_segment_sections_equals_brute_force(heights, segments, least, seed):
    """The cut found costs no more than any other of as many pieces."""
    dice = np.random.default_rng(seed)
    z = np.array(heights, float) / 10.0
    k = z.size
    if k < segments * least:
        segments = 1
    x = np.cumsum(dice.uniform(0.1, 1.0, k))
    w = dice.choice([0.0, 1.0], k, p=[0.15, 0.85])
    w[0] = 1.0
    holed = np.where(w > 0, z, np.nan)
    cuts = segment_sections(x, holed[None], segments, least=least)[0]
    assert cuts[0] == 0 and cuts[-1] == k and (np.diff(cuts) >= least).all()
    best = min(
        _cost(x, z, w, (0, *inner, k))
        for inner in combinations(range(1, k), segments - 1)
        if all(b - a >= least for a, b in zip((0, *inner), (*inner, k), strict=True))
    )
    assert _cost(x, z, w, cuts) == pytest.approx(best, abs=1e-9)


def test_segment_sections_finds_exact_kinks():
    """Pavement, shoulder, foreslope without noise are cut at their breaks."""
    x = np.arange(0.0, 8.0, 0.25)
    z = np.interp(x, [0.0, 3.5, 5.0, 8.0], [0.0, -0.07, -0.13, -0.88])
    cuts = segment_sections(x, np.vstack([z, z + 1000.0, 7.0 - z]), 3)
    # a kink on a point belongs to both pieces
    for row in cuts:
        np.testing.assert_allclose(x[row[1:-1]], [3.5, 5.0], atol=0.26)
        assert _cost(x, z, np.ones(x.size), row) < 1e-12


@pytest.mark.parametrize("beyond", [0.0, 1.0, 1.5, 1.8])
def test_foreslope_end_goes_on_after_a_drop_as_far_as_hinges_are_looked_for(beyond):
    # the ground beyond a drop at the edge would be taken for what isn't looked at, and the hinge
    # for not found
    edge, hinge = 4.1, 3.5 + 1.5 + beyond
    u = np.arange(0.125, 14.0, 0.25)
    at = [0.0, edge - 0.25, edge + 0.25, hinge, hinge + 2.1, 20.0]
    z = np.interp(u, at, [0.0, -0.08, -0.15, -0.15 - 0.05 * (hinge - edge), -1.0, -1.8])
    outer, _ = foreslope_end(u, z[None, :], np.array([3.5]), np.array([1.5]))
    assert outer[0] >= hinge + 0.8


def test_segment_sections_rows_are_apart():
    """Many sections at once are each cut as if alone; one without heights says so."""
    dice = np.random.default_rng(3)
    x = np.arange(20.0)
    z = np.cumsum(dice.standard_normal((6, 20)), axis=1)
    z[2] = np.nan
    z[4, 3:9] = np.nan
    together = segment_sections(x, z, 4, least=3)
    for i, row in enumerate(z):
        np.testing.assert_array_equal(together[i], segment_sections(x, row, 4, least=3)[0])
    np.testing.assert_array_equal(together[2], -1)


@pytest.mark.parametrize(("segments", "least"), [(0, 2), (3, 0), (4, 3)])
def test_segment_sections_refuses(segments, least):
    """Pieces that the places don't suffice for."""
    with pytest.raises(ValueError, match="places can't be cut"):
        segment_sections(np.arange(10.0), np.zeros(10), segments, least=least)


# -- ties along the road ---------------------------------------------------------------------------


def _hop(kernel, a, b):
    """Probability of going from place a to place b."""
    r = kernel.size // 2
    return kernel[b - a + r] if abs(b - a) <= r else 0.0


@settings(max_examples=10)
@given(st.integers(1, 4), st.integers(0, 2**31 - 1))
def test_tie_line_equals_all_paths(blocks, seed):
    """The posterior of place and mode is the sum over all paths through that state."""
    dice = np.random.default_rng(seed)
    places, modes = 3, 2
    evidence = dice.normal(0.0, 2.0, (blocks, places, modes))
    # another one for each block, and outward is not inward
    kernel = dice.dirichlet(np.ones(3), blocks)
    start = np.array([0.7, 0.3])
    switch = np.array([[0.9, 0.1], [0.25, 0.75]])
    found = np.empty_like(evidence)
    seen = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    tie_line(seen, kernel, start, switch, found)
    expected = np.zeros_like(evidence)
    states = list(product(range(places), range(modes)))
    for path in product(states, repeat=blocks):
        p = start[path[0][1]]
        for b, ((i, q), (j, g)) in enumerate(pairwise(path), start=1):
            p *= _hop(kernel[b], i, j) * switch[q, g] + LEAP * start[g]
        for b, (i, q) in enumerate(path):
            p *= np.exp(evidence[b, i, q])
        for b, (i, q) in enumerate(path):
            expected[b, i, q] += p
    expected /= expected.sum(axis=(1, 2), keepdims=True)
    np.testing.assert_allclose(found, expected, atol=1e-10)


def test_tie_line_leaps_where_no_move_leads_on():
    """A break that jumps farther than it moves lies on its own places before and after.

    Reckoned from either end of the road, whose modes go over into each other alike.
    """
    dice = np.random.default_rng(3)
    seen = np.zeros((6, 40, 2))
    near, far = slice(2, 5), slice(30, 33)
    seen[:3, near] = dice.uniform(0.1, 1.0, (3, 3, 2))
    seen[3:, far] = dice.uniform(0.1, 1.0, (3, 3, 2))
    kernel = np.tile([0.1, 0.2, 0.4, 0.2, 0.1], (6, 1))
    start, switch = np.array([0.75, 0.25]), np.array([[0.9, 0.1], [0.3, 0.7]])
    found, back = np.empty_like(seen), np.empty_like(seen)
    tie_line(seen, kernel, start, switch, found)
    tie_line(np.ascontiguousarray(seen[::-1]), kernel, start, switch, back)
    np.testing.assert_allclose(back[::-1], found, atol=1e-9)
    assert found[:3, near].sum(axis=(1, 2)) == pytest.approx(1.0)
    assert found[3:, far].sum(axis=(1, 2)) == pytest.approx(1.0)


@pytest.mark.parametrize("blocks", [1, 2, 4])
def test_tie_crown_equals_all_paths(blocks):
    """The posterior of a place with a kink and without one, by summing over all paths."""
    dice = np.random.default_rng(blocks)
    places, switch = 3, 0.1
    seen, blank = dice.uniform(0.0, 1.0, (blocks, places)), dice.uniform(0.0, 1.0, blocks)
    kernel, start = dice.dirichlet(np.ones(places), places), dice.dirichlet(np.ones(places))
    found = np.empty((blocks, 2, places))
    tie_crown(seen, blank, kernel, start, switch, found)
    told = np.stack([seen, np.repeat(blank[:, None], places, axis=1)], axis=1)
    expected = np.zeros_like(found)
    for path in product(product(range(2), range(places)), repeat=blocks):
        p = start[path[0][1]]
        p *= np.prod([told[b, state, i] for b, (state, i) in enumerate(path)])
        for (state, i), (other, j) in pairwise(path):
            p *= kernel[i, j] * (switch if state != other else 1.0 - switch)
        for b, (state, i) in enumerate(path):
            expected[b, state, i] += p
    expected /= expected.sum(axis=(1, 2), keepdims=True)
    np.testing.assert_allclose(found, expected, rtol=1e-10)


@pytest.mark.parametrize("places", [2, 33, 70])
def test_tie_line_moves_many_places_by_parts(places):
    """However many places there are, each block moves them as numpy's own convolution does."""
    dice = np.random.default_rng(places)
    seen, kernel = dice.uniform(0.1, 1.0, (2, places, 2)), dice.dirichlet(np.ones(7), 2)
    start, switch = np.array([0.4, 0.6]), np.array([[0.8, 0.2], [0.3, 0.7]])
    found = np.empty_like(seen)
    tie_line(seen, kernel, start, switch, found)
    first = start * seen[0] / np.sum(start * seen[0])
    moved = np.column_stack([np.convolve(part, kernel[1])[3 : 3 + places] for part in first.T])
    last = (moved @ switch + LEAP * start) * seen[1]
    np.testing.assert_allclose(found[1], last / last.sum(), rtol=1e-10)


@settings(max_examples=10)
@given(st.integers(1, 3), st.integers(0, 2**31 - 1))
def test_tie_pairs_equals_all_paths(blocks, seed):
    """Edge and hinge, or no shoulder at all: the sum over all paths again.

    Hinges at the ends of the list are ruled out, so that none moves off it.
    """
    dice = np.random.default_rng(seed)
    p, q = 2, 4
    evidence, none = dice.normal(0, 2, (blocks, p, q)), dice.normal(0, 2, (blocks, p))
    evidence[:, :, [0, -1]] = -60.0
    fresh = dice.uniform(0.1, 1.0, (p, q))
    fresh /= fresh.sum(axis=1, keepdims=True)
    kernel, switch = np.array([0.25, 0.5, 0.25]), 0.15
    post, post_none = np.empty_like(evidence), np.empty_like(none)
    most = np.maximum(evidence.max(axis=(1, 2)), none.max(axis=1))
    seen, seen_none = np.exp(evidence - most[:, None, None]), np.exp(none - most[:, None])
    ends = np.sqrt(fresh)
    tie_pairs(seen, seen_none, ends, kernel, switch, post, post_none)
    states = [(i, j) for i in range(p) for j in (*range(q), -1)]

    def weight(b, state):
        i, j = state
        return np.exp(none[b, i] if j < 0 else evidence[b, i, j])

    def step(a, b):
        (i, j), (k, m) = a, b
        move = _hop(kernel, i, k)
        if j >= 0 and m >= 0:
            return move * _hop(kernel, j, m) * (1.0 - switch)
        if j < 0 and m < 0:
            return move * (1.0 - switch)
        # what is known of a hinge counts by half at either end of its shoulder
        return move * switch * (ends[k, m] if j < 0 else ends[i, j])

    def begins_or_ends(state):
        i, j = state
        return np.sqrt(switch) if j < 0 else np.sqrt(1.0 - switch) * ends[i, j]

    expected, expected_none = np.zeros_like(evidence), np.zeros_like(none)
    for path in product(states, repeat=blocks):
        mass = begins_or_ends(path[0]) * begins_or_ends(path[-1])
        for a, b in pairwise(path):
            mass *= step(a, b)
        for b, state in enumerate(path):
            mass *= weight(b, state)
        for b, (i, j) in enumerate(path):
            if j < 0:
                expected_none[b, i] += mass
            else:
                expected[b, i, j] += mass
    total = expected.sum(axis=(1, 2)) + expected_none.sum(axis=1)
    np.testing.assert_allclose(post, expected / total[:, None, None], atol=1e-9)
    np.testing.assert_allclose(post_none, expected_none / total[:, None], atol=1e-9)
    np.testing.assert_allclose(post.sum(axis=(1, 2)) + post_none.sum(axis=1), 1.0)


# -- evidence --------------------------------------------------------------------------------------

PRIOR = np.array([[-0.02, 0.05], [-0.02, 0.035], [-0.25, 0.15], [-0.25, 0.15]])
STEPS = np.array([[0.85, 0.0, 0.005], [0.12, 0.0, 0.06], [0.03, 0.13, 0.04]])
BOX = np.array([0.45, 0.2])
FORM_M = 0.05
BETWEEN = 0.02


def _section(seed, k=40):
    dice = np.random.default_rng(seed)
    u = 1.0 + 0.25 * np.arange(k) * 30.0 / k
    z = np.interp(u, [0.0, 3.5, 5.0, 9.0], [0.05, -0.02, -0.08, -0.9])
    precision = dice.uniform(0.5, 2.0, (1, k)) / 0.01**2
    precision[0, dice.integers(0, k, 3)] = 0.0
    return u, (z + 0.01 * dice.standard_normal(k))[None], precision


def _seen(x, begin, middle, end):
    """A form as cells see it: averaged over both box widths, by sheer numbers."""
    part = (np.arange(300) + 0.5) / 300 - 0.5
    at = x[:, None, None] - BOX[0] * part[:, None] - BOX[1] * part
    rise = np.ones_like(at) if begin == middle else (at - begin) / (middle - begin)
    shape = np.minimum(rise, (end - at) / (end - middle))
    return np.where((at >= begin) & (at <= end), shape, 0.0).mean(axis=(1, 2))


def _log_evidence(
    u, z, precision, edge, hinge, step, *, prior=PRIOR, knots=(), rough=0.02, form=None
):
    """Log density of the heights, all parameters integrated out, by scipy."""
    used = precision[0] > 0
    x = u[used]
    columns = [np.ones_like(x), x, smeared_ramp(x - edge, BOX)]
    mean = [0.0, prior[0, 0], prior[1 if hinge is not None else 3, 0]]
    sd = [100.0, prior[0, 1], prior[1 if hinge is not None else 3, 1]]
    if hinge is not None:
        columns += [smeared_ramp(x - hinge, BOX), smeared_step(x - hinge, BOX)]
        mean += [prior[2, 0], 0.0]
        sd += [prior[2, 1], BETWEEN]
    for at, gap in knots:
        columns.append(np.maximum(0.0, 1.0 - np.abs(x - at) / gap))
        mean.append(0.0)
        sd.append(rough)
    if form is not None:
        columns.append(_seen(x - edge, *form))
        mean.append(0.0)
        sd.append(FORM_M)
    columns.append(smeared_step(x - edge, BOX))
    mean.append(step[1])
    sd.append(step[2])
    design = np.column_stack(columns)
    covariance = design @ np.diag(np.square(sd)) @ design.T + np.diag(1.0 / precision[0, used])
    factor = Covariance.from_cholesky(np.linalg.cholesky(covariance))
    return multivariate_normal(design @ mean, factor).logpdf(z[0, used])


def _mixed(values, weights):
    return np.logaddexp.reduce(np.log(weights) + values)


@pytest.mark.parametrize("seed", [1, 2])
def test_pair_evidence_equals_scipys_density(seed):
    """Differences of log evidence between pairs are those of the heights' own density."""
    u, z, precision = _section(seed)
    place = np.arange(2.8, 5.7, 0.2)
    edges, first, hinges, apart = 6, 7, 8, float(BOX.sum())
    r, h = (f(u[None] - place[:, None], BOX) for f in (smeared_ramp, smeared_step))
    known = np.where(precision > 0, z, 0.0)
    pull = precision * known
    sums = np.column_stack(
        [precision.sum(1), precision @ u, precision @ (u * u), pull.sum(1), pull @ u]
    )
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
    found, none = np.empty((1, edges, hinges)), np.empty((1, edges))
    candidates = Candidates(place, edges, first, apart)
    products, believed = Products(sums, ramp, step), Expected(PRIOR, STEPS, BETWEEN)
    pair_evidence(candidates, products, believed, found, none)
    expected, bare = np.full((edges, hinges), -np.inf), np.empty(edges)
    for i in range(edges):
        values = [_log_evidence(u, z, precision, place[i], None, s) for s in STEPS]
        bare[i] = _mixed(values, STEPS[:, 0])
        for j in range(hinges):
            if place[first + j] - place[i] >= apart:
                values = [
                    _log_evidence(u, z, precision, place[i], place[first + j], s) for s in STEPS
                ]
                expected[i, j] = _mixed(values, STEPS[:, 0])
    np.testing.assert_array_equal(np.isfinite(found[0]), np.isfinite(expected))
    fine = np.isfinite(expected)
    away = found[0][fine] - expected[fine]
    np.testing.assert_allclose(away, away.mean(), atol=1e-4)
    np.testing.assert_allclose(none[0] - bare, away.mean(), atol=1e-4)


def test_line_evidence_equals_scipys_density():
    """The second look: straight and rough shoulders for every step, and two forms."""
    u, z, precision = _section(4)
    place = np.arange(3.0, 6.0, 0.1)
    edge_at, hinge_at = np.array([[2, 5, 8, -1]]), np.array([[18, 20, 22, 3]])
    levels = np.array([[0.85, 0.0, 0.005], [1.0, -0.03, 0.015], [1.0, 0.06, 0.015]])
    r, h = (f(u[None] - place[:, None], BOX)[None] for f in (smeared_ramp, smeared_step))
    # a rut, and a lip that begins with a step
    forms = np.array([[1, 4, 8], [0, 0, 6]])
    found = np.empty((1, 4, 2 * len(levels) + len(forms)))
    knot, rough = 0.35, 0.02
    known = np.where(precision > 0, z, 0.0)
    tables = Tables(place, np.zeros(1, np.int64), r, h)
    shapes = Shapes(knot, rough, forms, FORM_M)
    believed = Expected(PRIOR, levels, BETWEEN)
    told = np.empty((1, 4))
    bins = Bins(u, known, precision)
    line_evidence(bins, edge_at, hinge_at, tables, believed, shapes, found, told)
    assert (found[0, 3] == -np.inf).all() and told[0, 3] == 0.0
    away = []
    for i in range(3):
        e, g = place[edge_at[0, i]], place[hinge_at[0, i]]
        count = int((g - e - 0.3 * knot) / knot)
        knots = [(e + (n + 1) * knot, knot) for n in range(count)]
        for q, step in enumerate(levels):
            for offset, part in ((0, ()), (len(levels), knots)):
                expected = _log_evidence(u, z, precision, e, g, step, knots=part, rough=rough)
                away.append(found[0, i, offset + q] - expected)
    np.testing.assert_allclose(away, np.mean(away), atol=1e-4)
    for i in range(3):
        e, g = place[edge_at[0, i]], place[hinge_at[0, i]]
        for k, form in enumerate(forms):
            expected = _log_evidence(u, z, precision, e, g, levels[0], form=0.1 * form)
            assert found[0, i, 2 * len(levels) + k] - expected == pytest.approx(
                np.mean(away), abs=0.02
            )
        assert told[0, i] == pytest.approx(_told_of_kink(u, precision, e, g), rel=1e-3)


def _told_of_kink(u, precision, edge, hinge):
    """By how much heights narrow the variance of the kink at a flush edge, by its inverse."""
    used = precision[0] > 0
    x = u[used]
    columns = [np.ones_like(x), x, smeared_ramp(x - hinge, BOX), smeared_step(x - hinge, BOX)]
    design = np.column_stack([*columns, smeared_ramp(x - edge, BOX)])
    sd = np.array([100.0, PRIOR[0, 1], PRIOR[2, 1], BETWEEN, PRIOR[1, 1]])
    normal = (design.T * precision[0, used]) @ design + np.diag(1.0 / sd**2)
    return PRIOR[1, 1] ** 2 / np.linalg.inv(normal)[-1, -1] - 1.0


def test_line_evidence_of_breaks_that_crowd():
    """One edge with many hinges, footprints that overlap, an edge beyond the hinge, and none."""
    u, z, precision = _section(4)
    place = np.append(np.arange(3.0, 6.0, 0.1), 99.0)
    edge_at, hinge_at = np.array([[5, 5, 5, 12, 30, 5]]), np.array([[7, 18, 22, 9, 20, 22]])
    steps, knot, rough = np.array([[1.0, 0.0, 0.005], [1.0, 0.06, 0.015]]), 0.35, 0.02
    r, h = (f(u[None] - place[:, None], BOX)[None] for f in (smeared_ramp, smeared_step))
    found = np.empty((1, 6, 2 * len(steps) + 1))
    bins = Bins(u, np.where(precision > 0, z, 0.0), precision)
    shapes, believed = (
        Shapes(knot, rough, np.array([[0, 4, 8]]), FORM_M),
        Expected(PRIOR, steps, BETWEEN),
    )
    tables = Tables(place, np.zeros(1, np.int64), r, h)
    line_evidence(bins, edge_at, hinge_at, tables, believed, shapes, found, np.empty((1, 6)))
    away = []
    for i, (e, g) in enumerate(zip(place[edge_at[0]], place[hinge_at[0]], strict=True)):
        count = max(int((g - e - 0.3 * knot) / knot), 0)
        for part in ([], [(e + (n + 1) * knot, knot) for n in range(count)]):
            for q, step in enumerate(steps):
                expected = _log_evidence(u, z, precision, e, g, step, knots=part, rough=rough)
                away.append(found[0, i, q + (len(steps) if part else 0)] - expected)
    np.testing.assert_allclose(away, np.mean(away), atol=1e-4)
    np.testing.assert_array_equal(found[0, 2], found[0, 5])


def test_line_evidence_wants_room_for_a_form():
    """A form that would reach beyond the hinge is no candidate."""
    u, z, precision = _section(4)
    place = np.arange(3.0, 6.0, 0.1)
    r, h = (f(u[None] - place[:, None], BOX)[None] for f in (smeared_ramp, smeared_step))
    levels, forms = np.array([[1.0, 0.0, 0.005]]), np.array([[0, 4, 9], [0, 0, 12]])
    found = np.empty((1, 1, 4))
    tables = Tables(place, np.zeros(1, np.int64), r, h)
    bins = Bins(u, np.where(precision > 0, z, 0.0), precision)
    shapes, believed = Shapes(0.35, 0.02, forms, FORM_M), Expected(PRIOR, levels, BETWEEN)
    at = np.array([[5]]), np.array([[15]])
    line_evidence(bins, *at, tables, believed, shapes, found, np.empty((1, 1)))
    assert np.isfinite(found[0, 0, :3]).all() and found[0, 0, 3] == -np.inf


# -- all of it -------------------------------------------------------------------------------------


def _blocks(n, edge, hinge, *, sigma=0.003, drop=0.0, seed=0):
    dice = np.random.default_rng(seed)
    u = 0.125 * (np.arange(72) + 0.5)
    z = np.empty((n, u.size))
    for b in range(n):
        e, h = edge[b], hinge[b]
        x = u - e
        z[b] = -0.02 * u - 0.03 * smeared_ramp(x, BOX) - drop * smeared_step(x, BOX)
        z[b] -= 0.2 * smeared_ramp(u - h, BOX)
    precision = np.full(z.shape, 1.0 / sigma**2)
    precision[:, (u < 1.0) | (u > 7.0)] = 0.0
    return u, z + sigma * dice.standard_normal(z.shape), precision


def _found(u, z, precision, **options):
    n = len(z)
    arguments = {
        "edge_m": np.full(n, 3.5),
        "shoulder_m": np.full(n, 1.5),
        "box_m": np.tile(BOX, (n, 1)),
        "length_m": 5.0,
        "edge_given": np.full(n, np.nan),
        "hinge_given": np.full(n, np.nan),
    }
    return edge_and_hinge(SideBlocks(u, z, precision, **(arguments | options)), step_m=0.2)


@pytest.mark.parametrize("drop", [0.0, 0.05])
def test_edge_and_hinge_follow_the_road(drop):
    """Breaks that wander along the road are followed within their errors."""
    at = np.linspace(0.0, 2.0 * np.pi, 30)
    edge, hinge = 3.5 + 0.3 * np.sin(at), 5.0 + 0.2 * np.cos(at)
    tied = _found(*_blocks(30, edge, hinge, drop=drop))
    assert np.sqrt(np.mean((tied.edge - edge) ** 2)) < 0.1
    assert np.sqrt(np.mean((tied.hinge - hinge) ** 2)) < 0.05
    assert np.sqrt(np.mean(((tied.edge - edge) / tied.edge_se) ** 2)) < 2.0
    for share in (tied.edge_near, tied.hinge_near, tied.bare):
        assert (share >= 0.0).all() and (share <= 1.0 + 1e-9).all()
    assert (tied.bare < 0.1).all() and (tied.edge_near > 0.9).all()


def test_edge_and_hinge_direction():
    """The road walked backward has the same breaks."""
    edge = 3.5 + 0.02 * np.arange(20)
    u, z, precision = _blocks(20, edge, edge + 1.5, sigma=0.006)
    one, other = _found(u, z, precision), _found(u, z[::-1].copy(), precision[::-1].copy())
    for name in ("edge", "edge_se", "hinge", "hinge_se", "edge_near", "bare", "edge_gain"):
        np.testing.assert_allclose(
            getattr(other, name)[::-1], getattr(one, name), rtol=1e-3, atol=2e-3, err_msg=name
        )


def test_edge_and_hinge_given_places_win():
    """A place that a person fixed holds, whatever the ground says."""
    u, z, precision = _blocks(12, np.full(12, 3.5), np.full(12, 5.0))
    given = np.full(12, np.nan)
    given[4:8] = 4.1
    tied = _found(u, z, precision, edge_given=given)
    np.testing.assert_allclose(tied.edge[4:8], 4.1, atol=0.15)
    free = _found(u, z, precision)
    np.testing.assert_allclose(free.edge[4:8], 3.5, atol=0.15)


def test_edge_and_hinge_without_shoulder():
    """Pavement that ends at the foreslope is bare; the probability says so."""
    u, z, precision = _blocks(12, np.full(12, 3.9), np.full(12, 3.9), sigma=0.003)
    tied = _found(u, z, precision)
    assert (tied.bare > 0.9).all()
    np.testing.assert_allclose(tied.edge, 3.9, atol=0.15)


def test_edge_and_hinge_nothing_known():
    """Blocks without cells fall back on the nominal places and don't claim to know them."""
    u, z, precision = _blocks(12, np.full(12, 3.5), np.full(12, 5.0))
    tied = _found(u, z, np.zeros_like(precision))
    assert np.isfinite(tied.edge).all() and (tied.edge_se > 0.3).all()
    assert (tied.edge_gain < 3.0).all()
