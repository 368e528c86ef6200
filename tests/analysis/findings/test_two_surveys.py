"""What changed between two surveys: on tables made by hand, and on whole screenings of scenes."""

import csv
import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import norm

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import REACH_COLUMNS
from analysis.common.errors import ReadingsError
from analysis.common.writing import Writing
from analysis.findings.changes_text import change_text, write_reach_changes, write_station_changes
from analysis.findings.two_surveys import CHANGED, NOT_CHANGED, OPEN, Dates, compare_surveys
from tests.builders.even_road import GRAVEL, findings
from tests.builders.tables import filled
from tests.scenes import Scene, Side, screened

DATES = Dates(before=date(2024, 5, 1), after=date(2026, 5, 1))
STATIONS = 31
SIDE = np.tile([-1.0, 1.0], STATIONS)


def survey(made, *, slope=4.0, drop=0.0, slope_se=0.2, drop_se=3.0, tilt=0.0, seed=None, **given):
    """One survey of 300 m, both sides alike; with a seed its errors are drawn, shared by half."""

    def measured(true, se, sign=1.0):
        values = np.repeat(np.broadcast_to(np.asarray(true, float), STATIONS), 2)
        if seed is not None:
            dice = np.random.default_rng([seed, round(1000 * se)])
            own = dice.normal(0.0, se, (STATIONS + 1, 2))
            values = values + ((own[1:] + own[:-1]) / np.sqrt(2.0)).ravel()
        return values * sign

    found = findings(
        STATIONS,
        shoulder_slope_pct=measured(slope, slope_se) + tilt * SIDE,
        shoulder_slope_se=slope_se,
        edge_drop_mm=measured(drop, drop_se),
        edge_drop_se=drop_se,
        edge_offset_m=3.5 * SIDE,
        edge_se_m=0.05,
        pavement_slope_pct=2.0 + tilt * SIDE,
        pavement_slope_se=0.05,
        edge_z_m=50.0,
        shoulder_width_m=1.5,
        **given,
    )
    where = {"road": "Velmarrow Road", "from_m": 995.0, "to_m": 1305.0, "length_m": 310.0}
    reaches = filled(REACH_COLUMNS, 2, side=["left", "right"], finding="none", **where)
    return replace(found, reaches=reaches, run={**found.run, "made": made})


def compared(after, before=None, dates=DATES):
    return compare_surveys(before or survey("a"), after, dates)


def states(**given):
    """States over 7 later surveys, errors drawn in both."""
    pairs = [(survey("a", seed=k), survey("b", seed=500 + k, **given)) for k in range(7)]
    return [str(s) for a, b in pairs for s in compared(b, a).reaches["change"]]


def test_numbers_by_hand():
    """2 points flatter and 20 mm lower on 1.5 m: 0.03 m² lost, 0.0225 m² gained, 31 × 10 m."""
    made = compared(survey("b", slope=2.0, drop=20.0))
    row = made.reaches.row(0)
    assert row["slope_change_points"] == pytest.approx(-2.0)
    assert row["drop_change_mm"] == pytest.approx(20.0)
    assert row["volume_change_m3"] == pytest.approx(-310.0 * (0.03 - 0.0225))
    station = made.stations.row(0)
    # tilt is known by the pavement of two sides: 31 stations, neighbours sharing half
    tilt_se = 0.05 * math.sqrt(2.0 * 2.0 / 31.0 / 2.0)
    assert station["slope_change_se"] == pytest.approx(math.hypot(0.2, 0.2, tilt_se))
    # the edge lies within 50 mm, by which the drop moves where the slope did
    assert station["drop_change_se"] == pytest.approx(math.hypot(3.0, 3.0, 10.0 * 0.05 * 2.0))
    middle = 1.5 * math.sqrt(19.0 - (5.0 * 1.5) ** 2 * 0.08) / 1000.0
    assert station["volume_change_se"] == pytest.approx(
        10.0 * math.hypot(middle, 1.5**2 / 200.0 * tilt_se)
    )


def test_what_all_stations_share_does_not_average_out():
    """By hand: 31 stations of 3 mm, neighbours sharing half, are worth 3 sqrt(1/16) mm at most.

    A level that all share, 2 mm in each survey, stays 2.83 mm in the change. That neither survey
    knows where the edge is to 2 mm of drop is the same in both, and no change.
    """

    def errors(**given):
        both = (survey(name, **given) for name in ("a", "b"))
        row = compared(*reversed([*both])).reaches.row(0)
        return row["drop_before_se"], row["drop_change_se"]

    own = 3.0 * math.sqrt((31 + 2 * 30 * 0.5) / 31**2)
    assert errors() == pytest.approx((own, own * math.sqrt(2.0)))
    shared = math.hypot(own * math.sqrt(1.0 - 4.0 / 9.0), 2.0)
    told = errors(edge_drop_shared_se=2.0, edge_drop_place_se=0.0)
    assert told == pytest.approx((shared, shared * math.sqrt(2.0)))
    was, change = errors(edge_drop_shared_se=2.0, edge_drop_place_se=2.0)
    assert was == pytest.approx(shared)
    assert change == pytest.approx(own * math.sqrt(2.0 * (1.0 - 4.0 / 9.0)))


def test_a_third_date_is_a_straight_line_with_its_error():
    """From 4 to 3 % in two years: 2.5 % a year on, by hand; and as far again where none is said."""
    dates = replace(DATES, third=date(2027, 5, 1))
    row = compared(survey("b", slope=3.0), dates=dates).stations.row(0)
    further = 365.0 / 730.0
    assert row["slope_third_pct"] == pytest.approx(3.0 - further)
    tilt_se = row["slope_after_se"] ** 2 - 0.2**2
    expected = math.sqrt((1 + further) ** 2 * (0.2**2 + tilt_se) + further**2 * 0.2**2)
    assert row["slope_third_se"] == pytest.approx(expected)
    assert DATES.reckoned == date(2028, 4, 30)
    assert compared(survey("b", slope=3.0)).stations["slope_third_pct"][0] == pytest.approx(2.0)


def test_the_straight_line_holds_what_goes_on_straight():
    """Roads that do wear at a straight rate: 95 in 100 intervals hold the third survey's truth."""
    held = []
    for k in range(20):
        a, b = survey("a", seed=k), survey("b", seed=900 + k, slope=3.4, drop=6.0)
        table = compared(b, a).reaches
        for name, truth in (("slope_third", 2.8), ("drop_third", 12.0)):
            unit = "pct" if name.startswith("slope") else "mm"
            off = np.abs(table[f"{name}_{unit}"].astype(float) - truth)
            held += (off <= 1.96 * table[f"{name}_se"].astype(float)).tolist()
    assert np.mean(held) == pytest.approx(0.95, abs=0.06)


def test_changes_are_found_and_none_is_made_up():
    assert states().count(NOT_CHANGED) >= 13
    assert states(slope=2.5).count(CHANGED) == 14
    assert states(drop=25.0).count(CHANGED) == 14
    # less than what counts
    assert CHANGED not in states(slope=3.6)


def test_halves_that_change_apart_are_not_averaged_away():
    halves = np.where(np.arange(STATIONS) < STATIONS / 2, 2.4, 5.6)
    assert states(slope=halves).count(CHANGED) == 14
    short = np.where((np.arange(STATIONS) >= 12) & (np.arange(STATIONS) < 16), 40.0, 0.0)
    assert states(drop=short).count(CHANGED) >= 13


def test_a_coarse_survey_cant_tell():
    found = states(slope_se=4.0, drop_se=40.0)
    assert NOT_CHANGED not in found
    # a verdict may be wrong as often as the certainty of 0.8 leaves
    assert found.count(OPEN) >= 0.8 * len(found)


def test_surveys_are_brought_together_on_the_pavement():
    made = compared(survey("b", tilt=1.5))
    assert set(made.reaches["change"]) == {NOT_CHANGED}
    assert made.reaches["slope_change_points"].astype(float) == pytest.approx([0.0, 0.0])
    assert made.registrations[0].tilt_points == pytest.approx(1.5)


def test_what_one_survey_doesnt_show_is_open():
    after = survey("b")
    after.stations["shoulder_slope_pct"][:40] = np.nan
    made = compared(after)
    assert set(made.reaches["change"]) == {OPEN}
    assert "only 35 %" in made.reaches["reason"][0]
    assert np.isnan(made.stations["slope_change_points"].astype(float)).sum() == 40
    gone = survey("b")
    gone = replace(gone, stations=gone.stations.where(np.arange(62) < 20))
    assert compared(gone).reaches["known_share"][0] == pytest.approx(10 / 31)


@pytest.mark.parametrize(
    ("given", "word"),
    [({"before": date(2026, 5, 1)}, "in their order"), ({"third": date(2026, 5, 1)}, "third date")],
)
def test_dates_out_of_order_are_refused(given, word):
    with pytest.raises(ReadingsError, match=word):
        replace(DATES, **given)


def test_the_same_or_another_road_is_refused():
    with pytest.raises(ReadingsError, match="same terrain"):
        compared(survey("a"))
    other = replace(survey("b"), stations=findings(roads=("Elsewhere",)).stations)
    with pytest.raises(ReadingsError, match="no road in common"):
        compared(other)


def test_words_and_tables(tmp_path):
    made = compared(survey("b", slope=2.0, drop=20.0))
    text = change_text(made)
    assert "earlier (2024-05-01) against later (2026-05-01)" in text
    assert "nothing shows that it goes on like this" in text
    assert "0+995 to 1+305: changed; slope -2.0 ± 0.1 % points (4.0 to 2.0 %; at" in text
    assert "Reaches: 2 changed." in text
    assert text.endswith(CAUTIONS[-1])
    # 995 m are 3264 ft and 20 mm 0.787 in (1 ft = 0.3048 m); 2.325 m³ are 3.04 yd³ of 0.7646 m³
    told = change_text(made, Writing("us"))
    assert "32+64 to 42+8" in told
    assert "edge drop +0.8 ± 0.1 in (0.0 to 0.8 in; at" in told
    assert "material -3.0 ±" in told
    assert "yd³" in told
    assert "m³" not in told
    assert " mm" not in told
    paths = tmp_path / "s.csv", tmp_path / "r.csv"
    write_station_changes(made, paths[0])
    write_reach_changes(made, paths[1])
    for path, table in zip(paths, (made.stations, made.reaches), strict=True):
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == len(table)
        assert float(rows[0]["slope_change_points"]) == pytest.approx(-2.0)


# ---------------------------------------------------------------- whole screenings of scenes


SHORT = {"length_m": 240.0, "begin_m": 40.0, "end_m": 200.0}
BASE = Scene.both(Side(), seed=1, **SHORT)


def later(scene, name):
    found = screened(scene).findings
    return replace(found, run={**found.run, "made": name, "terrain_checksum": name})


def test_a_scene_surveyed_again_has_not_changed():
    made = compare_surveys(screened(BASE).findings, later(replace(BASE, seed=202), "b"), DATES)
    assert set(made.reaches["change"]) == {NOT_CHANGED}
    z = made.stations["slope_change_points"] / made.stations["slope_change_se"]
    assert np.nanstd(z.astype(float)) < 1.3
    assert abs(np.nanmean(z.astype(float))) < 0.5


def test_a_shoulder_worn_away_between_surveys_is_found_with_its_volume():
    """1.6 points flatter and 40 mm lower on 160 of 240 m: 0.042 m² of 1.5 m, 6.7 m³ a side."""
    worn = Scene.both(Side(slope=3.0, step=-0.04), seed=201, **SHORT)
    made = compare_surveys(screened(BASE).findings, later(worn, "b"), DATES)
    assert set(made.reaches["change"]) == {CHANGED}
    for row in range(len(made.reaches)):
        reach = made.reaches.row(row)
        off = reach["volume_change_m3"] + 6.72
        assert abs(off) < 3.0 * reach["volume_change_se"]
        assert norm.sf(abs(reach["volume_change_m3"]) / reach["volume_change_se"]) < 1e-6
    assert GRAVEL.field.change_edge_mm.value == 10.0
