"""Probabilities and labelling against closed forms, scipy and brute force."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from analysis.reaches import bivariate_normal, cheapest_labels, runs


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


def _cost(costs, path, switch):
    forced = np.isfinite(costs).sum(axis=1) <= 1
    total = sum(costs[i, label] for i, label in enumerate(path))
    for i in range(1, len(path)):
        if path[i] != path[i - 1] and not (forced[i] or forced[i - 1]):
            total += switch
    return total


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.floats(0.0, 7.0), min_size=3, max_size=3),
        min_size=1,
        max_size=6,
    ),
    st.floats(0.0, 5.0),
    st.sampled_from([None, 0, 2]),
)
def test_cheapest_labels_brute_force(rows, switch, forced_at):
    """No other labelling is cheaper."""
    costs = np.array(rows)
    if forced_at is not None and forced_at < len(costs):
        costs[forced_at, :2] = np.inf
    path = cheapest_labels(costs, switch)
    best = min(_cost(costs, p, switch) for p in itertools.product(range(3), repeat=len(costs)))
    assert _cost(costs, path, switch) == pytest.approx(best, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 60), st.integers(0, 2**31 - 1))
def test_cheapest_labels_direction(n, seed):
    """Walking the road the other way gives the same labels."""
    costs = np.random.default_rng(seed).exponential(2.0, (n, 4))
    forward = cheapest_labels(costs, 1.7)
    backward = cheapest_labels(costs[::-1], 1.7)[::-1]
    np.testing.assert_array_equal(forward, backward)


def test_cheapest_labels_empty():
    """A road without stations has no labels."""
    assert len(cheapest_labels(np.empty((0, 4)), 1.0)) == 0
    assert runs(np.empty(0, dtype=np.int8)) == []


@given(st.lists(st.integers(0, 3), min_size=1, max_size=40))
def test_runs_cover_everything_once(labels):
    """Runs put back together are the labels."""
    found = runs(np.array(labels, dtype=np.int8))
    rebuilt = [label for first, last, label in found for _ in range(first, last + 1)]
    assert rebuilt == labels
    assert all(a[2] != b[2] for a, b in itertools.pairwise(found))
