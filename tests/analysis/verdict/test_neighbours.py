"""A station hears its neighbours: against chains whose true odds are known."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import norm

from analysis.common.verdicts import Finding, Verdict
from analysis.verdict.neighbours import heard, with_neighbours
from tests.builders.small_study import small_study


def chain(seed, n=4000, stay=0.9, share=0.3, gap=2.6):
    """States of two sides along a road in stretches, and each station's own exact probability.

    Each station is measured over its own stretch and half of both neighbours', as with an averaging
    length of twice the spacing: errors of neighbours are correlated by a half.
    """
    rng = np.random.default_rng(seed)
    state = np.empty((n, 2), dtype=bool)
    state[0] = rng.random(2) < share
    for i in range(1, n):
        again = rng.random(2) < stay
        state[i] = np.where(again, state[i - 1], rng.random(2) < share)
    white = rng.standard_normal((n + 1, 2))
    seen = gap * state + (white[1:] + white[:-1]) / np.sqrt(2.0)
    odds = norm.logpdf(seen, gap) - norm.logpdf(seen, 0.0) + logit(share)
    return state, expit(odds)


def log_loss(p, state):
    p = np.clip(p, 1e-9, 1.0 - 1e-9)
    return -np.mean(np.where(state, np.log(p), np.log(1.0 - p)))


AVERAGE = np.full((4000, 2), 20.0)


@pytest.mark.parametrize("seed", range(3))
def test_what_neighbours_say_comes_true_more_often(seed):
    """Surer than each by itself, and true as often as told, in stretches of 100 m."""
    state, own = chain(seed)
    told = heard(own, 10.0, AVERAGE)
    assert log_loss(told, state) < 0.85 * log_loss(own, state)
    for low in np.arange(0.0, 1.0, 0.1):
        here = (told >= low) & (told < low + 0.1)
        if here.sum() >= 100:
            assert state[here].mean() == pytest.approx(told[here].mean(), abs=0.12)


def test_verdict_and_finding_follow_the_chance_that_is_told():
    """Of a road judged before, nothing is left of what each station said by itself."""
    judgement = small_study().roads[0].judged.judgement
    measures = small_study().roads[0].measures
    for shift in (-4.0, 4.0):
        told = with_neighbours(judgement, measures, 10.0, 0.0, 0.8)
        moved = expit(logit(told.p_wont_shed) + shift)
        again = with_neighbours(replace(told, p_wont_shed=moved), measures, 10.0, 0.0, 0.8)
        unsure = again.finding == Finding.CANT_TELL
        assert set(again.verdict[unsure]) <= {Verdict.CANT_TELL}
        assert (again.verdict[again.p_wont_shed >= 0.8] == Verdict.WONT_SHED).all()
        assert not (again.verdict[again.p_wont_shed < 0.8] == Verdict.WONT_SHED).any()


def test_where_neighbours_know_nothing_little_changes():
    """States that change from station to station: wrong to hear anybody, but not badly off."""
    state, own = chain(5, stay=0.0)
    told = heard(own, 10.0, AVERAGE)
    assert log_loss(told, state) < 1.5 * log_loss(own, state)
    which = np.minimum((10.0 * told).astype(int), 9)
    off = [state[which == k].mean() - told[which == k].mean() for k in range(10)]
    assert np.abs(off).max() < 0.15


def test_far_stations_have_no_say():
    """Beyond 30 m a station changes nothing, and stations 50 m apart hear nobody."""
    own = np.full((20, 2), 0.3)
    changed = own.copy()
    changed[10, 0] = 0.35
    before, after = (heard(p, 10.0, np.full((20, 2), 20.0)) for p in (own, changed))
    far = np.abs(np.arange(20) - 10) > 2
    np.testing.assert_array_equal(before[far], after[far])
    np.testing.assert_array_equal(before[:, 1], after[:, 1])
    assert (after[[8, 9, 11, 12], 0] > before[[8, 9, 11, 12], 0]).all()
    apart = heard(changed, 50.0, np.full((20, 2), 20.0))
    np.testing.assert_allclose(apart, changed)


def test_unknown_stays_unknown_and_says_nothing():
    own = np.array([[0.3, np.nan], [np.nan, np.nan], [0.3, np.nan]])
    told = heard(own, 10.0, np.full((3, 2), np.nan))
    np.testing.assert_array_equal(np.isnan(told), np.isnan(own))
    assert (told[[0, 2], 0] == told[0, 0]).all()


def test_the_road_run_backwards_says_the_same():
    _, own = chain(9, n=60)
    average = np.full((60, 2), 20.0)
    np.testing.assert_allclose(heard(own[::-1], 10.0, average)[::-1], heard(own, 10.0, average))
