"""What fits: against a published knapsack, against every choice tried, and against greedy."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from analysis.common.errors import SettingsError
from analysis.common.limits import default_limits
from analysis.earthwork.costs import Rates
from analysis.earthwork.knapsack import Knapsack, choose, choose_greedily
from analysis.earthwork.what_fits import Means, what_fits
from analysis.earthwork.workplan import plan
from tests.builders.work import reach, reaches_at_random

GRAVEL = default_limits("gravel")
RATES = Rates(currency="EUR", grader_per_h=95.0, truck_per_h=70.0, crew_per_day=900.0)


def simple_sack(harm, takes, there):
    """Things that share nothing."""
    n = len(harm)
    return Knapsack(
        harm=np.array(harm, dtype=float),
        klass=np.ones(n, dtype=np.intp),
        takes=np.array(takes, dtype=float).reshape(n, -1),
        group=np.zeros(n, dtype=np.intp),
        group_takes=np.zeros((1, 1)),
        pool=np.zeros((n, 1), dtype=np.intp),
        parts=np.zeros((n, 1)),
        pool_takes=np.zeros((1, 1)),
        there=np.array([there], dtype=float),
    )


def random_sack(rng, n, classes=3):
    """Things in groups and pools, with two means."""
    m, p = max(1, n // 3), max(1, n // 4)
    takes = rng.uniform(0.2, 2.0, (n, 2))
    return Knapsack(
        harm=np.round(rng.uniform(1.0, 50.0, n), 1),
        klass=rng.integers(1, classes + 1, n),
        takes=takes,
        group=rng.integers(0, m, n),
        group_takes=np.full((m, 2), [0.5, 0.0]),
        pool=rng.integers(0, p, (n, 2)),
        parts=rng.exponential(0.5, (n, 2)),
        pool_takes=np.full((p, 2), [0.0, 0.4]),
        there=takes.sum(axis=0) * rng.uniform(0.2, 0.8),
    )


def test_published_knapsack():
    # Kreher and Stinson 1999, Combinatorial Algorithms, instance p07 of the collections of test
    # problems: 15 things, room 750, best value 1458 (from memory; every choice is tried below).
    weights = [70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120]
    values = [135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240]
    sack = simple_sack(values, weights, 750)
    bits = (np.arange(2**15)[:, None] >> np.arange(15)) & 1
    worth = np.where(bits @ np.array(weights) <= 750, bits @ np.array(values), 0)
    assert worth.max() == 1458
    assert sack.mended(choose(sack)) == (1458.0,)


@pytest.mark.parametrize("seed", range(6))
def test_no_other_choice_mends_more(seed):
    sack = random_sack(np.random.default_rng(seed), 9)
    every = (np.array(bits, dtype=bool) for bits in product((False, True), repeat=9))
    best = max(sack.mended(taken) for taken in every if sack.fits(taken))
    assert sack.mended(choose(sack)) == pytest.approx(best)


def test_never_below_greedy_and_always_within_means():
    rng, better = np.random.default_rng(7), 0
    for _ in range(40):
        sack = random_sack(rng, int(rng.integers(5, 40)))
        chosen, greedy = choose(sack), choose_greedily(sack)
        assert sack.fits(chosen) and sack.fits(greedy)
        assert sack.mended(chosen) >= sack.mended(greedy)
        better += sack.mended(chosen) > sack.mended(greedy)
    # Otherwise the programme would be of no use.
    assert better > 5


def test_two_thousand_reaches_at_once():
    reaches = reaches_at_random(2000, seed=1)
    whole = plan(reaches, GRAVEL)
    means = Means(crew_days=0.4 * whole.totals.crew_days)
    fit = what_fits(reaches, GRAVEL, means)
    assert fit.used["crew_days"] <= means.crew_days + 1e-6
    assert fit.spare["crew_days"] < 0.01 * means.crew_days
    assert tuple(fit.harm.values()) >= tuple(fit.greedy_harm.values())
    assert len(fit.left) + len(fit.plan.items) == 2000


@pytest.mark.parametrize(
    "means", [{"loads": 30.0}, {"money": 9000.0}, {"crew_days": 2.0, "loads": 9.0}]
)
def test_the_plan_of_what_fits_takes_no_more_than_there_is(means):
    reaches = reaches_at_random(80, seed=5)
    fit = what_fits(reaches, GRAVEL, Means(**means), RATES)
    sums = fit.plan.totals
    used = {
        "crew_days": sums.crew_days,
        "loads": sums.import_loads + sums.away_loads,
        "money": fit.plan.costs.total,
    }
    assert fit.plan.items and fit.left
    for name, there in means.items():
        assert used[name] == pytest.approx(fit.used[name])
        assert used[name] <= there + 1e-6


def test_an_edge_drop_off_goes_before_any_amount_of_lesser_harm():
    drop = reach(0.0, 300.0, harm_class=1, harm=1.0, rank=1)
    worse = [
        reach(5000.0 * k, 5000.0 * k + 60.0, harm_class=2, harm=500.0, rank=k + 1)
        for k in range(1, 5)
    ]
    alone = plan([drop], GRAVEL).totals.crew_days
    fit = what_fits([*worse, drop], GRAVEL, Means(crew_days=1.01 * alone))
    assert drop in [item.reach for item in fit.plan.items]


def test_reaches_beside_each_other_share_their_traffic_control():
    # Two together cost less than one of them and the lone one, which alone is worth more.
    limits = GRAVEL.with_value("setup_h", 3.0)
    pair = [reach(0.0, 50.0, harm_class=2, harm=6.0), reach(60.0, 110.0, harm_class=2, harm=6.0)]
    lone = reach(9000.0, 9050.0, harm_class=2, harm=10.0)
    room = plan(pair, limits).totals.crew_days
    fit = what_fits([*pair, lone], limits, Means(crew_days=1.001 * room))
    assert [item.reach for item in fit.plan.items] == pair
    assert fit.left == (lone,)


def test_what_is_not_known_is_neither_chosen_nor_lost():
    unknown = reach(0.0, 50.0, import_t=float("nan"), harm_class=1, harm=9.0)
    known = reach(900.0, 950.0, harm_class=2, harm=1.0)
    fit = what_fits([unknown, known], GRAVEL, Means(loads=50.0))
    assert fit.unknown == (unknown,) and [i.reach for i in fit.plan.items] == [known]
    # Of crew days it is known what it takes.
    assert not what_fits([unknown, known], GRAVEL, Means(crew_days=9.0)).unknown


def test_work_on_what_sheds_comes_last_but_comes():
    idle = reach(0.0, 50.0, harm_class=0, harm=0.0)
    fit = what_fits([idle], GRAVEL, Means(crew_days=9.0))
    assert [item.reach for item in fit.plan.items] == [idle]


def test_means_that_are_none():
    with pytest.raises(SettingsError, match="crew days, loads or money"):
        Means()
    with pytest.raises(SettingsError, match="number of 0 or more"):
        Means(loads=-1.0)
    with pytest.raises(SettingsError, match="no rate"):
        what_fits([reach(0.0, 50.0)], GRAVEL, Means(money=100.0))
    nothing = what_fits([reach(0.0, 50.0)], GRAVEL, Means(crew_days=0.0))
    assert not nothing.plan.items and len(nothing.left) == 1
    assert not what_fits([], GRAVEL, Means(crew_days=1.0)).left
    assert replace(Means(loads=1.0), money=2.0).given == {"loads": 1.0, "money": 2.0}
