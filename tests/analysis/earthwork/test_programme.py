"""The programme: its parts add up to the plan, and its days are those of a calendar."""

from datetime import date, timedelta

import numpy as np
import pytest

from analysis.common.errors import SettingsError
from analysis.common.limits import default_limits
from analysis.earthwork.costs import Rates
from analysis.earthwork.programme import Calendar, programme
from tests.builders.work import reach, reaches_at_random

GRAVEL = default_limits("gravel")
RATES = Rates(
    currency="EUR",
    grader_per_h=95.0,
    roller_per_h=60.0,
    truck_per_h=70.0,
    water_per_m3=4.0,
    material_per_t=18.0,
    traffic_control_per_setup=150.0,
    crew_per_day=900.0,
)


@pytest.fixture(scope="module")
def made():
    return programme(reaches_at_random(60, seed=3), GRAVEL, RATES)


@pytest.mark.parametrize("parts", ["by_treatment", "by_road"])
def test_shares_add_up_to_the_plan(made, parts):
    sums = made.plan.totals
    own = getattr(made, parts)
    assert len(own) > 1
    for name, whole in (
        ("length_m", sums.work_length_m),
        ("cut_m3_bank", sums.cut_m3_bank),
        ("fill_m3_compacted", sums.fill_m3_compacted),
        ("import_t", sums.import_t),
        ("import_loads", sums.import_loads),
        ("away_loads", sums.away_loads),
        ("water_m3", sums.water_m3),
        ("grader_h", sums.grader_h + sums.ditch_h),
        ("truck_h", sums.truck_h),
        ("setups", sums.setups),
        ("crew_h", sums.crew_h),
        ("crew_days", sums.crew_days),
        ("reaches", sums.reaches),
    ):
        assert sum(getattr(part, name) for part in own) == pytest.approx(whole, rel=1e-9), name
        assert getattr(made.whole, name) == pytest.approx(whole, rel=1e-9), name
    assert sum(part.costs.total for part in own) == pytest.approx(made.plan.costs.total)


def test_costs_of_a_treatment_by_hand():
    # One reach: all that is set up and rounded up is its own.
    only = programme([reach(0.0, 100.0)], GRAVEL, RATES)
    (share,) = only.by_treatment
    assert share.setups == 1.0
    assert share.costs.total == pytest.approx(only.plan.costs.total)
    assert dict(share.costs.parts)["traffic control"] == 150.0


def test_unknown_material_makes_the_sum_unknown():
    own = programme([reach(0.0, 50.0), reach(2000.0, 2050.0, import_t=float("nan"))], GRAVEL)
    assert np.isnan(own.whole.import_t)


def test_work_without_a_rank_comes_after_the_urgent():
    # What sheds and yet lacks material has no rank, and is no reason to begin with its road.
    idle, urgent = reach(0.0, 50.0, road="A", rank=0), reach(0.0, 50.0, road="B", rank=1)
    own = programme([idle, urgent], GRAVEL)
    assert [stretch.road for stretch in own.stretches] == ["B", "A"]
    assert [stretch.rank for stretch in own.stretches] == [1, 0]


# ---------------------------------------------------------------- days


def far_apart(n, hours):
    """Stretches far apart, each of about so many crew hours."""
    limits = GRAVEL.with_value("roller_passes", 0.0).with_value("move_speed_kmh", 90.0)
    limits = limits.with_value("setup_h", 0.5).with_value("shift_h", 8.0)
    one = programme([reach(0.0, 100.0)], limits).stretches[0].crew_h - 0.5
    length = 100.0 * (hours - 0.5) / one
    # Efficiency is that of long runs whatever the length, so that hours go with it.
    for name in ("efficiency_50_m", "efficiency_100_m", "efficiency_200_m"):
        limits = limits.with_value(name, limits["efficiency_500_m"].value)
    reaches = [reach(k * 20_000.0, k * 20_000.0 + length, road=f"R{k}") for k in range(n)]
    return reaches, limits


def test_stretches_that_do_not_fit_wait_for_the_next_day():
    reaches, limits = far_apart(3, 4.5)
    hours = programme(reaches, limits).stretches[0].crew_h
    limits = limits.with_value("shift_h", 1.5 * hours)
    # 2027-04-09 is a Friday (ISO 8601 week date 2027-W14-5).
    start = date(2027, 4, 9)
    assert start.isocalendar()[:] == (2027, 14, 5)
    own = programme(reaches, limits, calendar=Calendar(start=start))
    assert [day.day for day in own.days] == [date(2027, 4, d) for d in (9, 12, 13)]
    assert all(len(day.parts) == 1 for day in own.days)
    two = programme(reaches, limits, calendar=Calendar(start=start, crews=2))
    assert [(day.day.day, day.crew) for day in two.days] == [(9, 1), (9, 2), (12, 1)]
    assert two.last_day == date(2027, 4, 12)


def test_a_long_stretch_goes_on_with_traffic_control_set_up_anew():
    reaches, limits = far_apart(1, 8.0)
    stretch = programme(reaches, limits).stretches[0]
    shift_h = 0.4 * stretch.crew_h
    limits = limits.with_value("shift_h", shift_h)
    own = programme(reaches, limits, calendar=Calendar(start=date(2027, 4, 5)))
    parts = [part for day in own.days for part in day.parts]
    assert [part.again for part in parts] == [False] + [True] * (len(parts) - 1)
    assert sum(part.share for part in parts) == pytest.approx(1.0)
    again_h = 0.5 * (len(parts) - 1)
    assert sum(part.hours for part in parts) == pytest.approx(stretch.crew_h + again_h)
    assert all(day.hours <= shift_h + 1e-9 for day in own.days)


def test_days_hold_every_stretch_once_within_shifts(made):
    own = programme(
        [item.reach for item in made.plan.items],
        GRAVEL,
        calendar=Calendar(start=date(2027, 10, 28), crews=2, season=(4, 10)),
    )
    shares = {}
    for day in own.days:
        assert day.day.weekday() < 5 and 4 <= day.day.month <= 10
        assert day.hours <= GRAVEL.work.shift_h.value + 1e-9
        for part in day.parts:
            shares[part.stretch.number] = shares.get(part.stretch.number, 0.0) + part.share
    assert shares == pytest.approx({stretch.number: 1.0 for stretch in own.stretches})
    assert sum(day.loads for day in own.days) == pytest.approx(
        own.plan.totals.import_loads + own.plan.totals.away_loads
    )
    # October runs out: the rest waits for April.
    assert {day.day.year for day in own.days} == {2027, 2028}


def test_a_season_over_the_turn_of_the_year():
    south = Calendar(start=date(2027, 6, 1), season=(10, 4))
    assert south.on_or_after(date(2027, 6, 1)) == date(2027, 10, 1)
    assert south.is_worked(date(2028, 1, 5)) and not south.is_worked(date(2028, 5, 3))


def test_a_calendar_without_days_is_refused():
    with pytest.raises(SettingsError, match="crews is 0"):
        Calendar(start=date(2027, 4, 5), crews=0)
    with pytest.raises(SettingsError, match="months from 1 to 12"):
        Calendar(start=date(2027, 4, 5), season=(0, 13))
    with pytest.raises(SettingsError, match="weekday"):
        Calendar(start=date(2027, 4, 5), weekdays=frozenset())
    every = frozenset(date(2027, 1, 1) + timedelta(days=k) for k in range(900))
    with pytest.raises(SettingsError, match="no working day"):
        Calendar(start=date(2027, 4, 5), free=every).on_or_after(date(2027, 4, 5))
    short = GRAVEL.with_value("shift_h", 1.0).with_value("setup_h", 2.0)
    with pytest.raises(SettingsError, match="leaves no time"):
        programme([reach(0.0, 50.0)], short, calendar=Calendar(start=date(2027, 4, 5)))
