"""What the screening got wrong where somebody looked, and what is taken over from it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import expit, logit
from scipy.stats import binomtest

from analysis.common.errors import ReadingsError
from analysis.common.limits import limits_from_toml, limits_to_toml
from analysis.common.verdicts import Verdict
from analysis.findings.checkplan import CheckOrder
from analysis.findings.field_report import check_readings, field_text, recalibration_text
from analysis.findings.fieldcheck import compare
from analysis.findings.misses import CLOSE, FieldCall, call_places, miss_rates, wrong_most
from analysis.findings.readings import ReadBack
from analysis.findings.recalibration import odds_shift, recalibrated
from tests.builders.campaign import campaign, invented_frame, true_share
from tests.builders.even_road import GRAVEL, findings
from tests.builders.readings import reading

SHEDS = findings(verdict=Verdict.SHEDS, p_wont_shed=0.1)


def called(*readings, made=SHEDS):
    return [call.call for call in call_places(compare(readings, made, GRAVEL.field), GRAVEL)]


@pytest.mark.parametrize(
    ("given", "call"),
    [
        # 4 % are required, 1 point less still counts as shedding: 36 mm on 1.2 m
        ({"reading_mm": 48.0}, Verdict.SHEDS),
        ({"reading_mm": 40.0}, Verdict.SHEDS),
        ({"reading_mm": 37.0}, CLOSE),
        ({"reading_mm": 35.0}, CLOSE),
        ({"reading_mm": 30.0}, Verdict.WONT_SHED),
        # 30 mm may stand up at the edge
        ({"reading_mm": 48.0, "edge_mm": -20.0}, Verdict.SHEDS),
        ({"reading_mm": 48.0, "edge_mm": -31.0}, CLOSE),
        ({"reading_mm": 48.0, "edge_mm": -45.0}, Verdict.WONT_SHED),
        ({"reading_mm": math.nan, "edge_mm": -45.0}, Verdict.WONT_SHED),
        # what was seen decides, whatever the board says
        ({"reading_mm": 48.0, "sheds": False}, Verdict.WONT_SHED),
        ({"reading_mm": 10.0, "sheds": True}, Verdict.SHEDS),
    ],
)
def test_what_a_reading_says(given, call):
    assert called(reading(**given)) == [call]


def test_an_edge_alone_doesnt_show_that_water_leaves():
    assert called(reading(reading_mm=math.nan, edge_mm=0.0)) == []


def test_readings_at_one_station_are_one_place():
    assert called(reading(reading_mm=44.0), reading(station_m=1002.0, reading_mm=28.0)) == [CLOSE]
    assert called(reading(sheds=True), reading(sheds=False)) == [CLOSE]
    assert called(reading(reading_mm=48.0), reading(station_m=1010.0, reading_mm=10.0)) == [
        Verdict.SHEDS, Verdict.WONT_SHED,
    ]  # fmt: skip


def test_unknown_requirement_calls_nothing():
    made = findings(verdict=Verdict.SHEDS, required_slope_pct=np.nan)
    assert called(reading(reading_mm=48.0), made=made) == []


def calls(*counts, verdict=Verdict.SHEDS, road="A"):
    """So many places each that shed, that won't, and that are too close to call."""
    words = np.repeat([Verdict.SHEDS, Verdict.WONT_SHED, CLOSE], counts)
    return [
        FieldCall(
            row=k, road=road, side="left", station_m=10.0 * k, surface="gravel", verdict=verdict,
            p_wont_shed=0.1, call=word, readings=1, seen=False,
        )
        for k, word in enumerate(words)
    ]  # fmt: skip


def test_rates_are_exact_and_take_what_is_open_both_ways():
    (rate,) = miss_rates(calls(50, 3, 6))
    assert (rate.places, rate.wrong, rate.close) == (59, 3, 6)
    assert rate.low == pytest.approx(binomtest(3, 59).proportion_ci(method="exact").low)
    assert rate.high == pytest.approx(binomtest(9, 59).proportion_ci(method="exact").high)
    assert miss_rates(calls(59, 0, 0))[0].most == pytest.approx(0.0495, abs=5e-5)


def test_rates_by_road_and_as_a_whole():
    every = [*calls(20, 1, 0), *calls(8, 2, 0, road="B"), *calls(1, 9, 0, verdict="won't shed")]
    rates = miss_rates(every)
    assert [(r.verdict, r.road, r.wrong, r.places) for r in rates] == [
        ("sheds", "", 3, 31), ("sheds", "A", 1, 21), ("sheds", "B", 2, 10),
        ("won't shed", "", 1, 10),
    ]  # fmt: skip


def test_all_that_was_judged_by_hand():
    """3 km of which 0 of 59, and 1 km of which 2 of 20 are wrong: 97.5 % each, scipy's interval."""
    rates = miss_rates([*calls(59, 0, 0), *calls(2, 18, 0, verdict=Verdict.WONT_SHED)])
    upper = [
        binomtest(k, n, alternative="less").proportion_ci(0.975, method="exact").high
        for k, n in ((0, 59), (2, 20))
    ]
    lengths = {Verdict.SHEDS: 3000.0, Verdict.WONT_SHED: 1000.0, Verdict.CANT_TELL: 500.0}
    assert wrong_most(rates, lengths) == pytest.approx(0.75 * upper[0] + 0.25 * upper[1])
    # a road without any that don't shed needs none of them read
    assert wrong_most(rates[:1], {Verdict.SHEDS: 3000.0}) == pytest.approx(rates[0].most)
    assert math.isnan(wrong_most(rates[:1], lengths))


def test_bounds_of_campaigns_hold_the_truth():
    """30 campaigns on roads with 5 % missed in stretches; the benchmark has a thousand each."""
    frame = invented_frame(0.05, seed=11, length_m=2e3)
    truth = true_share(frame, Verdict.SHEDS)
    assert 0.02 < truth < 0.1
    made = [campaign(frame, CheckOrder(seed=seed), bias_points=0.3) for seed in range(30)]
    held = [one.check.rates[0].most >= truth for one in made]
    assert np.mean(held) >= 0.95
    assert np.mean([one.check.rates[0].most for one in made]) < 0.2
    boards = [one.check.summary.boards[0] for one in made]
    assert np.mean([board.low <= 0.3 <= board.high for board in boards]) >= 0.85


# ---------------------------------------------------------------- taken over on request


def foretold(p, call):
    return [replace(one, p_wont_shed=q) for one, q in zip(call, p, strict=True)]


def test_the_shift_is_where_the_posterior_is_highest():
    """The same found by another library's search: binomial likelihood, normal belief."""
    dice = np.random.default_rng(2)
    p = dice.uniform(0.02, 0.6, 80)
    found = dice.random(80) < expit(logit(p) + 1.2)
    made = [calls(0, 1, 0)[0] if wrong else calls(1, 0, 0)[0] for wrong in found]
    shift, low, high = odds_shift(foretold(p, made))

    def cost(a):
        q = expit(logit(p) + a)
        return -np.where(found, np.log(q), np.log1p(-q)).sum() + 0.5 * a**2

    assert shift == pytest.approx(minimize_scalar(cost).x, abs=1e-4)
    assert low < 1.2 < high
    assert math.isnan(odds_shift(calls(9, 0, 0))[0])


def test_a_screening_that_is_right_is_left_nearly_alone():
    dice = np.random.default_rng(5)
    p = dice.uniform(0.01, 0.99, 200)
    made = [calls(0, 1, 0)[0] if wrong else calls(1, 0, 0)[0] for wrong in dice.random(200) < p]
    shift, low, high = odds_shift(foretold(p, made))
    assert low < 0.0 < high
    assert abs(shift) < 0.4


def test_limits_take_the_readings_over_and_say_which():
    made = campaign(invented_frame(0.15, seed=4, length_m=2e3), CheckOrder(seed=1)).check
    found = replace(made.found, source="spring.csv (SHA-256 0123…)")
    limits = recalibrated(GRAVEL, found)
    factor, shift = limits.field.noise_factor, limits.decision.log_odds_shift
    assert factor.value == pytest.approx(found.noise_factor, abs=1e-3)
    assert shift.value == pytest.approx(found.shift, abs=1e-3)
    assert shift.value > 0.1
    # where it comes from stays with the limits, in a file as well
    again = limits_from_toml(limits_to_toml(limits))
    for limit in (again.field.noise_factor, again.decision.log_odds_shift):
        assert "spring.csv (SHA-256 0123…)" in limit.source
    # a second time it adds to what was taken over
    twice = recalibrated(limits, found)
    assert twice.decision.log_odds_shift.value == pytest.approx(2.0 * found.shift, abs=2e-3)
    assert "spring.csv" in recalibration_text(found)


def test_too_few_readings_change_nothing():
    check = check_readings(SHEDS, ReadBack((reading(),)), GRAVEL)
    with pytest.raises(ReadingsError, match="too few"):
        recalibrated(GRAVEL, check.found)


def test_the_report_says_misses_and_bias():
    made = campaign(invented_frame(0.1, seed=6, length_m=2e3), CheckOrder(), bias_points=0.8)
    text = field_text(made.check)
    assert "Judged 'sheds'" in text and "Invented Road 1 (gravel)" in text
    assert "All readings with board A are off the grid by +0." in text
    assert "lay the board both ways round" in text
    assert "drawn at random" in text
