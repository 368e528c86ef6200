"""Probabilities and labelling against closed forms, scipy and brute force."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from analysis.common.along import runs
from analysis.common.limits import default_limits
from analysis.common.required_slope import required_slope
from analysis.verdict.labelling import (
    FINDINGS,
    Ties,
    cheapest_labels,
    label_stations,
    pooled,
    settled,
)
from analysis.verdict.stations import _chance_too_flat, bivariate_normal


@pytest.mark.parametrize("rho", [-0.95, -0.3, 0.0, 0.4, 0.9])
@pytest.mark.parametrize("h", [-2.5, -0.4, 0.0, 1.3])
@pytest.mark.parametrize("k", [-1.1, 0.0, 0.7, 3.0])
def test_bivariate_normal_reference(h, k, rho):
    """Equals scipy's numerical integration."""
    expected = multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([h, k])
    assert bivariate_normal(np.array(h), np.array(k), np.array(rho)) == pytest.approx(
        expected, abs=1e-6
    )


def test_bivariate_normal_nan():
    """Unknown in, unknown out."""
    assert np.isnan(bivariate_normal(np.array(np.nan), np.array(0.0), np.array(0.0)))


def test_bivariate_normal_far_tail():
    """A hopeless limit gives 0 and a sure one leaves the other's chance."""
    one = np.array(1.0)
    assert bivariate_normal(-60 * one, one, 0.3 * one) == pytest.approx(0.0, abs=1e-12)
    assert bivariate_normal(60 * one, 0 * one, 0.3 * one) == pytest.approx(0.5, abs=1e-9)


def _cost(costs, path, settle):
    forced = np.isfinite(costs).sum(axis=1) <= 1
    total = sum(costs[i, label] for i, label in enumerate(path))
    for i in range(1, len(path)):
        if path[i] != path[i - 1] and not (forced[i] or forced[i - 1]):
            total += settle[path[i]] + settle[path[i - 1]]
    return total


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.floats(0.0, 7.0), min_size=3, max_size=3), min_size=1, max_size=6),
    st.lists(st.floats(0.0, 5.0), min_size=3, max_size=3),
    st.sampled_from([None, 0, 2]),
)
def test_cheapest_labels_brute_force(rows, settle, forced_at):
    """No other labelling is cheaper."""
    costs = np.array(rows)
    if forced_at is not None and forced_at < len(costs):
        costs[forced_at, :2] = np.inf
    path = cheapest_labels(costs, np.array(settle))
    best = min(_cost(costs, p, settle) for p in itertools.product(range(3), repeat=len(costs)))
    assert _cost(costs, path, settle) == pytest.approx(best, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 60), st.integers(0, 2**31 - 1))
def test_cheapest_labels_direction(n, seed):
    """Walking the road the other way gives the same labels."""
    costs = np.random.default_rng(seed).exponential(2.0, (n, 4))
    settle = np.array([0.9, 0.4, 0.0, 1.2])
    forward = cheapest_labels(costs, settle)
    backward = cheapest_labels(costs[::-1], settle)[::-1]
    np.testing.assert_array_equal(forward, backward)


def test_cheapest_labels_empty():
    """A road without stations has no labels."""
    assert len(cheapest_labels(np.empty((0, 4)), np.ones(4))) == 0
    assert [ends.tolist() for ends in runs(np.empty(0, dtype=np.int8))] == [[], []]


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 5), st.floats(0.01, 0.5), st.floats(0.2, 1.0), st.integers(0, 2**31 - 1))
def test_pooled_brute_force(n, change, weight, seed):
    """Equals the sum over every path of a Markov chain."""
    shares = np.random.default_rng(seed).dirichlet(np.ones(3), n)
    got = pooled(shares, weight, change)
    expected = np.zeros((n, 3))
    for path in itertools.product(range(3), repeat=n):
        p = 1.0
        for i, label in enumerate(path):
            p *= max(shares[i, label], 1e-3) ** weight
            if i:
                p *= 1.0 - change if label == path[i - 1] else change / 2.0
        for i, label in enumerate(path):
            expected[i, label] += p
    expected /= expected.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(got, expected, atol=1e-12)


def test_pooled_unknown_passes_on():
    """A station without evidence takes its neighbours' word."""
    shares = np.array([[0.9, 0.1], [np.nan, np.nan], [0.9, 0.1]])
    got = pooled(shares, 1.0, 0.05)
    assert got[1, 0] > 0.85


@given(st.lists(st.integers(0, 3), min_size=1, max_size=40), st.integers(0, 39))
def test_runs_cover_everything_once(labels, joint):
    """Runs are those of `itertools.groupby`, and one begins where two lines meet."""
    joint %= len(labels)
    keys = [(label, i >= joint) for i, label in enumerate(labels)]
    ends, at = [], 0
    for _, group in itertools.groupby(keys):
        size = len(list(group))
        ends.append((at, at + size - 1))
        at += size
    first, last = runs(np.array(labels, dtype=np.int8), [joint])
    assert list(zip(first.tolist(), last.tolist(), strict=True)) == ends


@pytest.mark.parametrize(
    ("pavement", "shoulder"),
    [(2.0, 3.2), (1.2, 2.9), (-4.0, 3.2), (-6.0, 0.8), (3.5, 4.1), (6, 5.2)],
)
def test_chance_too_flat_monte_carlo(pavement, shoulder):
    """It is the share of draws of both slopes that fall short of what is required."""
    limits = default_limits("gravel")
    cov = np.array([[0.20, -0.05], [-0.05, 0.35]])
    measures = SimpleNamespace(
        shoulder_slope_pct=np.full((1, 2), shoulder),
        pavement_slope_pct=np.full((1, 2), pavement),
        shoulder_slope_se=np.full((1, 2), np.sqrt(cov[1, 1])),
        pavement_slope_se=np.full((1, 2), np.sqrt(cov[0, 0])),
        slope_cov=np.full((1, 2), cov[0, 1]),
    )
    got = _chance_too_flat(measures, limits.shape)[0, 0]
    draws = np.random.default_rng(3).multivariate_normal([pavement, shoulder], cov, 400_000)
    required = required_slope(draws[:, 0], limits.shape).pct
    short = draws[:, 1] < required - limits.shape.slope_shortfall_points.value
    assert got == pytest.approx(short.mean(), abs=0.004)


_FLAT, _CANT, _NO_DATA = map(FINDINGS.index, ("flat", "can't tell", "no data"))


def _shares(n, pattern):
    shares = np.full((n, 2, _NO_DATA - 1), 0.001)
    shares[:, :, 0] = 0.991
    for first, last, label, p in pattern:
        shares[first:last] = (1.0 - p) / (_NO_DATA - 2)
        shares[first:last, :, label] = p
    return shares


def _labels(shares, status=None, spacing=10.0, limits=None):
    status = np.zeros(shares.shape[:2], dtype=np.int8) if status is None else status
    limits = limits or default_limits("gravel")
    judgement = SimpleNamespace(
        p_finding=shares,
        p_wont_shed=1.0 - shares[..., 0],
        p_worn=np.where(np.isnan(shares[..., 0]), np.nan, 0.0),
    )
    tie = Ties.of(spacing, 20.0, limits)
    pooled_evidence = settled(judgement, tie, [np.arange(len(shares))])
    return label_stations(judgement, status, pooled_evidence, apart_m=spacing, limits=limits)[:, 0]


def test_label_stations_plain_fault_of_the_shortest_length():
    """A plain fault just as long as the shortest workable reach is found."""
    labels = _labels(_shares(40, [(20, 22, _FLAT, 0.99)]))
    assert list(np.flatnonzero(labels == _FLAT)) == [20, 21]


def test_label_stations_lone_station():
    """A lone doubtful or failing station doesn't cut a reach."""
    assert set(_labels(_shares(40, [(20, 21, _FLAT, 0.99)]))) == {0}
    assert set(_labels(_shares(40, [(20, 21, _FLAT, 0.5)]))) == {0}


def test_label_stations_pools_weak_evidence():
    """Many stations that each say "probably flat" together say "flat"."""
    weak = _shares(90, [])
    weak[15:75] = 0.0
    weak[15:75, :, 0], weak[15:75, :, _FLAT] = 0.28, 0.72
    labels = _labels(weak)
    assert (labels[20:70] == _FLAT).all()
    alone = _shares(90, [])
    alone[15] = weak[15]
    assert set(_labels(alone)) == {0}


def test_label_stations_even_odds():
    """Even odds over a long stretch are "can't tell", never sound."""
    even = _shares(60, [])
    even[15:45] = 0.0
    even[15:45, :, 0], even[15:45, :, _FLAT] = 0.5, 0.5
    labels = _labels(even)
    assert (labels[20:40] == _CANT).all()


def test_label_stations_no_data_is_its_own():
    """Stations without data never take a neighbour's label."""
    shares = _shares(40, [])
    shares[10:13] = np.nan
    status = np.zeros((40, 2), dtype=np.int8)
    status[10:12], status[12] = 1, 2
    labels = _labels(shares, status)
    assert list(labels[9:14]) == [0, _NO_DATA, _NO_DATA, _CANT, 0]


def test_label_stations_spacing():
    """Halving the spacing keeps a reach where it is."""
    coarse = _labels(_shares(40, [(20, 24, _FLAT, 0.99)]))
    fine = _labels(_shares(80, [(40, 48, _FLAT, 0.99)]), spacing=5.0)
    np.testing.assert_array_equal(np.repeat(coarse, 2), fine)


def test_label_stations_costs_of_the_user():
    """Where a missed defect costs far more than a visit, weaker evidence sends somebody out."""
    likely = _shares(90, [])
    likely[15:75] = 0.0
    likely[15:75, :, 0], likely[15:75, :, _FLAT] = 0.5, 0.5
    careful = default_limits("gravel").with_value("miss_cost", 9.0)
    assert (_labels(likely)[20:70] == _CANT).all()
    assert (_labels(likely, limits=careful)[20:70] == _FLAT).all()


def test_stations_between_beats_only_say_where_a_label_ends():
    """Every other station by itself has the labels that it has alone; the rest are like either."""
    rng = np.random.default_rng(4)
    shares = _shares(81, [(11, 30, _FLAT, 0.9), (44, 58, _FLAT, 0.97)])
    shares[60:64] = np.nan
    blur = rng.uniform(0.3, 1.0, (81, 2, 1))
    shares = blur * shares + (1.0 - blur) * shares.mean(axis=2, keepdims=True)
    status = np.where(np.isnan(shares[..., 0]), 1, 0).astype(np.int8)
    judgement = SimpleNamespace(
        p_finding=shares,
        p_wont_shed=1.0 - shares[..., 0],
        p_worn=np.where(np.isnan(shares[..., 0]), np.nan, 0.0),
    )
    strands, limits = [np.arange(0, 81, 2), np.arange(1, 81, 2)], default_limits("gravel")
    pooled_evidence = settled(judgement, Ties.of(10.0, 20.0, limits), strands)
    words = {"apart_m": 10.0, "limits": limits}
    labels = label_stations(judgement, status, pooled_evidence, strands=strands, **words)[:, 0]
    np.testing.assert_array_equal(labels[::2], _labels(shares[::2], status[::2]))
    assert len(set(labels[::2])) >= 3
    judged = status[1::2, 0] == 0
    like = (labels[1::2] == labels[:-1:2]) | (labels[1::2] == labels[2::2])
    assert like[judged].all() and (labels[1::2][~judged] == _NO_DATA).all()
