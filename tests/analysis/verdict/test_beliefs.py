"""Beliefs against brute force: dense Gaussian algebra, sums over kinds, made roads."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import norm

from analysis.verdict.beliefs import DROPS, SLOPES, alone, informed, learnt, steadied
from analysis.verdict.kernels import local_level
from tests.builders.tables import make_measures


def _measures(**values):
    return make_measures(len(next(iter(values.values()))), **{"slope_cov": 0.0, **values})


def _both(values):
    return np.column_stack([values, values])


@settings(max_examples=20)
@given(st.integers(1, 9), st.integers(0, 2**31 - 1))
def test_local_level_equals_dense_algebra(n, seed):
    """Mean, variance and expected square of a move by the whole precision matrix at once."""
    dice = np.random.default_rng(seed)
    value, variance = dice.normal(2.0, 1.0, n), dice.uniform(0.05, 1.0, n)
    value[dice.random(n) < 0.3] = np.nan
    change = dice.uniform(0.01, 0.5, n)
    mean, spread, moved = np.empty(n), np.empty(n), np.empty(n)
    local_level(value, variance, change, mean, spread, moved)
    known = np.isfinite(value)
    precision = np.diag(np.where(known, 1.0 / variance, 0.0))
    precision[0, 0] += 1e-8  # the kernel's own broad beginning
    for i in range(1, n):
        d = np.zeros(n)
        d[i], d[i - 1] = 1.0, -1.0
        precision += np.outer(d, d) / change[i]
    covariance = np.linalg.inv(precision)
    expected = covariance @ np.where(known, value / variance, 0.0)
    np.testing.assert_allclose(mean, expected, rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(spread, np.diag(covariance), rtol=1e-4)
    if known.any():
        for i in range(1, n):
            square = (expected[i] - expected[i - 1]) ** 2
            square += covariance[i, i] + covariance[i - 1, i - 1] - 2.0 * covariance[i, i - 1]
            assert moved[i] == pytest.approx(square, rel=1e-3, abs=1e-6)


def test_steadied_is_honest_and_surer():
    """On straights and through a curve: nearer to the truth, by what it says of itself."""
    dice = np.random.default_rng(3)
    s = np.arange(300)
    truth = 2.0 + np.interp(s, [100, 106, 140, 146], [0.0, 5.0, 5.0, 0.0])
    se = np.full(s.size, 0.5)
    value = truth + dice.normal(0.0, 0.5, s.size)
    value[50:55] = np.nan
    found, found_se = steadied(value, se, 1.0)
    known = np.isfinite(value)
    assert np.isnan(found[~known]).all() and np.isnan(found_se[~known]).all()
    off = (found - truth)[known]
    straight = known & ((s < 95) | (s > 151))
    assert np.sqrt(np.mean((found - truth)[straight] ** 2)) < 0.2
    # the curve has its say on the straights too, so that errors there are a little wide
    assert 0.7 < np.sqrt(np.mean((off / found_se[known]) ** 2)) < 1.2
    assert (found_se[known] <= 0.5).all()


def test_steadied_of_nothing_or_one():
    """A road of one station keeps what was measured; one without any knows nothing."""
    value, se = steadied(np.array([2.5]), np.array([0.4]), 0.5)
    assert value[0] == pytest.approx(2.5) and se[0] == pytest.approx(0.4)
    value, se = steadied(np.full(4, np.nan), np.full(4, np.nan), 1.0)
    assert np.isnan(value).all() and np.isnan(se).all()


def test_drop_shares_are_the_likeliest():
    """The shares maximise the penalised likelihood, by a general optimiser."""
    dice = np.random.default_rng(5)
    se = dice.uniform(8.0, 25.0, 600)
    drop = np.where(dice.random(600) < 0.8, 0.0, dice.normal(0.0, 50.0, 600))
    drop = drop + dice.normal(0.0, se)
    found = learnt(DROPS, drop, se, 1.0)
    assert found.sum() == pytest.approx(1.0)
    spreads = DROPS.spreads
    chance = norm.pdf(drop[:, None], scale=np.sqrt(se[:, None] ** 2 + spreads**2))
    usual = learnt(DROPS, np.array([]), np.array([]), 1.0)

    def worth(shares):
        return np.log(chance @ shares).sum() + 10.0 * usual @ np.log(shares)

    def cost(raw):
        return -worth(np.exp(raw) / np.exp(raw).sum())

    best = minimize(cost, np.zeros(spreads.size), method="BFGS")
    assert worth(found) == pytest.approx(-best.fun, abs=0.2)
    # four in five edges are flush
    assert found[spreads <= 16.0].sum() == pytest.approx(0.8, abs=0.08)


def test_drop_belief_by_quadrature():
    """Chance and mixture of one station against Bayes' rule on a fine grid."""
    dice = np.random.default_rng(8)
    drop = _both(dice.normal(0.0, 12.0, 40))
    drop[20] = (-45.0, 70.0)
    se = np.full_like(drop, 12.0)
    beliefs = informed(
        _measures(
            edge_drop_mm=drop,
            edge_drop_se=se,
            pavement_slope_pct=np.full_like(drop, 2.0),
            pavement_slope_se=np.full_like(drop, 0.2),
            shoulder_slope_pct=np.full_like(drop, 4.0),
            shoulder_slope_se=np.full_like(drop, 0.5),
        ),
        1.0,
    )
    shares = learnt(DROPS, drop.ravel(), se.ravel(), 1.0)

    def joint(x, side):
        before = norm.pdf(x, scale=DROPS.spreads) @ shares
        return before * norm.pdf(drop[20, side], loc=x, scale=12.0)

    for side in (0, 1):
        total = quad(joint, -600, 600, args=(side,), points=(-45, 0, 70), limit=400)[0]
        low = quad(joint, -600, -30.0, args=(side,), points=(-45,), limit=400)[0]
        assert beliefs.chance_drop_below(-30.0)[20, side] == pytest.approx(low / total, abs=1e-5)


def test_slope_belief_by_quadrature():
    """Mean and error of one shoulder's slope against Bayes' rule on a fine grid."""
    dice = np.random.default_rng(4)
    slope = _both(dice.normal(4.5, 0.9, 60))
    slope[20] = (2.2, 3.4)
    measures = _measures(
        shoulder_slope_pct=slope,
        shoulder_slope_se=np.full_like(slope, 0.8),
        pavement_slope_pct=np.full_like(slope, 2.0),
        pavement_slope_se=np.full_like(slope, 0.2),
    )
    found = informed(measures, 1.0)
    shares = learnt(SLOPES, slope.ravel(), np.full(slope.size, 0.8), 1.0)
    x = np.linspace(-15.0, 20.0, 70001)
    before = norm.pdf(x[:, None], SLOPES.centres, SLOPES.spreads) @ shares
    for side in (0, 1):
        after = before * norm.pdf(slope[20, side], x, 0.8)
        after /= after.sum()
        mean = after @ x
        assert found.shoulder_slope_pct[20, side] == pytest.approx(mean, abs=1e-6)
        spread = np.sqrt(after @ (x - mean) ** 2)
        assert found.shoulder_slope_se[20, side] == pytest.approx(spread, abs=1e-6)


def test_what_a_grid_shows_is_believed():
    """A slope known to a tenth stands, however different the rest of the road is."""
    slope = np.full((100, 2), 4.5)
    slope[50] = 1.0
    measures = _measures(
        shoulder_slope_pct=slope,
        shoulder_slope_se=np.full_like(slope, 0.1),
        pavement_slope_pct=np.full_like(slope, 2.0),
        pavement_slope_se=np.full_like(slope, 0.1),
    )
    found = informed(measures, 0.5)
    np.testing.assert_allclose(found.shoulder_slope_pct[50], 1.0, atol=0.1)


def test_shoulder_moves_with_the_pavement():
    """What is learnt of the pavement passes on to the shoulder as a joint normal says."""
    dice = np.random.default_rng(11)
    n = 200
    cov = np.array([[0.5, -0.3], [-0.3, 0.6]])
    errors = dice.multivariate_normal([0.0, 0.0], cov, (n, 2))
    flat = np.full((n, 2), 1.0)
    # shoulders of every slope, so that one tells nothing about another
    truth = dice.uniform(-5.0, 10.0, (n, 2))
    measures = _measures(
        pavement_slope_pct=2.0 + errors[..., 0],
        shoulder_slope_pct=truth + errors[..., 1],
        pavement_slope_se=flat * np.sqrt(0.5),
        shoulder_slope_se=flat * np.sqrt(0.6),
        slope_cov=flat * -0.3,
        edge_drop_mm=flat,
        edge_drop_se=flat * 5.0,
    )
    found = informed(measures, 1.0)
    # given the pavement exactly, the shoulder's variance is 0.6 - 0.3² / 0.5 = 0.42
    assert found.shoulder_slope_se.mean() == pytest.approx(np.sqrt(0.42), abs=0.04)
    off = (found.shoulder_slope_pct - truth) / found.shoulder_slope_se
    assert 0.9 < np.sqrt(np.mean(off**2)) < 1.1
    own = alone(measures)
    np.testing.assert_array_equal(own.shoulder_slope_pct, measures.shoulder_slope_pct)
    assert found.shoulder_slope_se.mean() < own.shoulder_slope_se.mean()


def test_unknown_stays_unknown():
    """A station without measurements is believed nothing, whatever its road is like."""
    values = np.full((6, 2), 3.0)
    values[2] = np.nan
    names = ("pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm")
    errors = ("pavement_slope_se", "shoulder_slope_se", "edge_drop_se")
    measures = _measures(**{name: values.copy() for name in names + errors})
    found = informed(measures, 0.5)
    chance = found.chance_drop_below(30.0)
    assert np.isnan(chance[2]).all() and np.isfinite(np.delete(chance, 2, axis=0)).all()
    assert np.isnan(found.shoulder_slope_pct[2]).all()
