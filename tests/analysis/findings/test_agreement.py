"""How readings and measurements agree: by a published example, and where the truth is known."""

import math

import numpy as np
import pytest
from scipy.stats import norm, t

from analysis.findings.agreement import agreement, limits_of_agreement
from analysis.findings.fieldcheck import compare
from tests.builders.even_road import GRAVEL, findings
from tests.builders.readings import reading

# Peak expiratory flow of 17 people by two meters, first reading with each, l/min: Bland and Altman
# (1986), Lancet 327, 307-310, table 1. Values from memory, checked against the copies of that table
# in several public statistics packages.
LARGE = np.array(
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427], float
)
MINI = np.array(
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451], float
)


def test_limits_of_agreement_of_the_published_example():
    """-2.1 ± 2 × 38.8: -79.7 to 75.5 l/min; mean -22.1 to 17.8; limits ± 16.3, says the paper."""
    found = limits_of_agreement(LARGE - MINI, hold=2.0 * norm.cdf(2.0) - 1.0)
    assert found.count == 17
    assert found.mean == pytest.approx(-2.1, abs=0.05)
    assert found.spread == pytest.approx(38.8, abs=0.05)
    assert (found.low, found.high) == pytest.approx((-79.7, 75.5), abs=0.15)
    assert (found.mean_low, found.mean_high) == pytest.approx((-22.1, 17.8), abs=0.1)
    assert found.limit_se == pytest.approx(16.3, abs=0.05)
    # 95 % of the lower limit: -114.3 to -45.1
    reach = t.ppf(0.975, 16) * found.limit_se
    assert (found.low - reach, found.low + reach) == pytest.approx((-114.3, -45.1), abs=0.2)


def test_too_few_differences_have_no_limits():
    assert math.isnan(limits_of_agreement(np.array([])).mean)
    assert limits_of_agreement(np.array([0.4, np.nan])).mean == 0.4
    assert math.isnan(limits_of_agreement(np.array([0.4, np.nan])).spread)


def differing(dice, *, n=60, bias=(0.5,), noise=1.0):
    """Readings of an even road, whose measured slopes err by their stated error times `noise`."""
    made = findings(n * 3)
    truth = made.stations["shoulder_slope_pct"].astype(float).copy()
    made.stations["shoulder_slope_pct"][:] = truth + dice.normal(0.0, 0.4 * noise, truth.size)
    readings = []
    for k in range(n):
        which = k % len(bias)
        slope = 1.0 + bias[which] + dice.normal(0.0, math.hypot(0.5, 2.0 / 12.0))
        readings.append(reading(1000.0 + 30.0 * k, 12.0 * slope, board=f"B{which}"))
    return agreement(compare(readings, made, GRAVEL.field), bias_se_points=0.2)


def test_a_board_half_a_point_off_is_found_within_its_interval():
    """In 95 of 100 campaigns, give or take what 80 of them can show."""
    dice = np.random.default_rng(8)
    found = [differing(dice).boards[0] for _ in range(80)]
    assert np.mean([one.low <= 0.5 <= one.high for one in found]) >= 0.9
    assert np.mean([one.bias_points for one in found]) == pytest.approx(0.5, abs=0.03)
    # and it is told apart from none
    assert np.mean([one.low > 0.0 for one in found]) > 0.95


def test_two_boards_have_a_bias_each():
    first, second = differing(np.random.default_rng(1), n=120, bias=(0.6, -0.4)).boards
    assert (first.board, second.board) == ("B0", "B1")
    assert first.low <= 0.6 <= first.high
    assert second.low <= -0.4 <= second.high
    assert first.low > second.high


@pytest.mark.parametrize("noise", [0.5, 1.0, 2.0, 3.0])
def test_how_far_the_measurements_scatter_is_found(noise):
    """The factor of their stated errors, in its interval in 95 of 100."""
    dice = np.random.default_rng(round(10 * noise))
    found = [differing(dice, noise=noise).noise for _ in range(25)]
    assert np.mean([one.low <= noise <= one.high for one in found]) >= 0.84
    if noise > 1.0:
        assert np.median([one.factor for one in found]) == pytest.approx(noise, rel=0.15)


def test_the_factor_is_that_of_a_plain_search():
    """The restricted likelihood by inverting every covariance, and the same by directions."""
    dice = np.random.default_rng(3)
    made = findings(40)
    made.stations["shoulder_slope_pct"][:] = 1.0 + dice.normal(0.0, 0.8, 80)
    readings = [reading(1000.0 + 10.0 * k, 12.0 + dice.normal(0.0, 5.0)) for k in range(40)]
    compared = compare(readings, made, GRAVEL.field)
    d = np.array([c.difference_points for c in compared])
    at = np.array([c.measured_at_m for c in compared])
    shared = np.clip(1.0 - np.abs(at[:, None] - at[None, :]) / 20.0, 0.0, 1.0)
    own = np.diag([c.slope_se**2 for c in compared])

    def likelihood(f):
        covariance = 0.16 * f**2 * shared + own
        inverse = np.linalg.inv(covariance)
        total = inverse.sum()
        left = d - inverse.sum(axis=0) @ d / total
        logs = np.linalg.slogdet(covariance)[1] + np.log(total)
        return -0.5 * (logs + left @ inverse @ left)

    factors = np.geomspace(0.2, 5.0, 81)
    values = np.array([likelihood(f) for f in factors])
    open_ = factors[2.0 * (values.max() - values) <= 3.841459]
    found = agreement(compared).noise
    assert found.factor == pytest.approx(factors[values.argmax()])
    assert (found.low, found.high) == pytest.approx((open_[0], open_[-1]))


def test_few_readings_say_nothing_of_the_scatter():
    summary = differing(np.random.default_rng(0), n=6)
    assert math.isnan(summary.noise.factor)
    assert summary.boards[0].count == 6


def test_readings_with_one_board_share_its_bias():
    compared = compare([reading(1000.0 + 30.0 * k) for k in range(4)], findings(12), GRAVEL.field)
    alone = agreement(compared).mean_difference_se
    shared = agreement(compared, bias_se_points=0.2).mean_difference_se
    assert shared == pytest.approx(math.hypot(alone, 0.2))


def test_edge_readings_are_summed_up_too():
    readings = [reading(1000.0 + 30.0 * k, edge_mm=12.0 + e) for k, e in enumerate((5.0, 1.0, 3.0))]
    edge = agreement(compare(readings, findings(12), GRAVEL.field)).edge
    assert (edge.count, edge.mean, edge.spread) == pytest.approx((3, 3.0, 2.0))
