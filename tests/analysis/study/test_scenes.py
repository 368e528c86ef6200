"""One question each: plain roads of another make than the sample, judged as an engineer would.

What is wrong, and what isn't, follows from the plain geometry of each scene and common practice.
"""

from dataclasses import replace

import numpy as np
import pytest

from analysis import Settings, Table, read_findings, remeasure, write_findings
from analysis.common.verdicts import DEFECTS, HOLDING, Finding, Verdict
from tests.builders.agreement import contradictions
from tests.scenes import EDGE_M, Scene, Side, middle, screened

STEP_UP = (Finding.HIGH, Finding.KERB_OR_HIGH)


def step(mm, **options):
    return Scene.both(Side(step=0.001 * mm, slope=4.0), **options)


def reaches_of(study, *findings):
    table = study.findings.reaches
    return [
        {name: column[row] for name, column in table.columns.items()}
        for row in range(len(table))
        if table["finding"][row] in findings
    ]


@pytest.mark.parametrize("taper_m", [0.0, 15.0])
@pytest.mark.parametrize("mm", [60, 80, 90, 120, 150])
def test_a_step_up_holds_water_whatever_it_is(mm, taper_m):
    study = screened(step(mm, taper_m=taper_m))
    assert (middle(study, "verdict") == Verdict.WONT_SHED).mean() >= 0.95
    assert np.isin(middle(study, "finding"), STEP_UP).all()
    reaches = reaches_of(study, *STEP_UP)
    # the stretch and its fringes are one reach on each side, with all that a reach has
    assert len(reaches) == 2
    for reach in reaches:
        assert reach["from_m"] <= 80.0 and reach["to_m"] >= 340.0
        assert np.isfinite(reach["rank"]) and reach["cut_m3"] > 0.0
        # 1.5 m wide, about 60 to 150 mm high on 4 % that are required
        assert reach["cut_m3"] == pytest.approx(300.0 * 1.5e-3 * mm, rel=0.45)
    assert not reaches_of(study, *set(DEFECTS) - set(STEP_UP))
    assert not contradictions(study)


def test_both_consequences_are_said_where_it_may_be_a_kerb():
    study = screened(step(120))
    (reach, _) = reaches_of(study, Finding.KERB_OR_HIGH)
    assert f"If no kerb stands here, cut {reach['cut_m3']:.1f} m³" in reach["reason"]
    assert "check its inlets" in reach["reason"]


def test_a_step_outside_the_assumed_edge_is_judged_and_ranked():
    """The pavement is taken 2 m too narrow, and edges aren't looked for."""
    narrow = Settings(half_width_m=14.0, pavement_width_m=5.0, find_edges=False)
    study = screened(step(120), narrow)
    assert (middle(study, "verdict") == Verdict.WONT_SHED).mean() >= 0.95
    assert np.isin(middle(study, "finding"), STEP_UP).all()
    np.testing.assert_allclose(middle(study, "kerb_away_m"), EDGE_M - 2.5, atol=0.3)
    z = (middle(study, "edge_drop_mm") + 120.0) / middle(study, "edge_drop_se")
    assert (np.abs(z) < 3.0).mean() >= 0.95
    assert all("check the pavement width" in text for text in middle(study, "reason"))
    for reach in reaches_of(study, *STEP_UP):
        assert np.isfinite(reach["rank"]) and reach["look_first"] <= 2.0
    assert not contradictions(study)


def street(**options):
    """Kerbs of 150 mm on both sides all along, dropped at accesses, of uneven height on the right.

    As a grid of a street shows them: level verges, no ditch, and stretches that by themselves
    would pass for either.
    """

    def dropped(uneven):
        def height(s):
            up = 0.15 + uneven * np.sin(2.0 * np.pi * s / 34.0)
            gap = np.abs((s % 130.0) - 90.0) < 6.0
            return np.where(gap, 0.02, up)

        return height

    verge = Side(slope=-1.0, ditch=0.0, width=3.0)
    left, right = (replace(verge, step=dropped(uneven)) for uneven in (0.0, 0.05))
    right = replace(right, slope=1.0, usual_slope=1.0)
    return Scene(left=left, right=right, begin_m=-10.0, end_m=430.0, sigma_m=0.026, **options)


def test_a_kerbed_street_is_kerbed_all_along():
    study = screened(street())
    table = study.findings.stations
    assert not np.isin(table["finding"], (*STEP_UP, Finding.PONDING)).any()
    stands = table["p_kerb"] > 0.0
    assert stands.mean() > 0.9 and (table["p_kerb"][stands] >= 0.8).mean() >= 0.95
    assert sum("check its inlets" in text for text in table["reason"]) > 0.7 * len(table)
    assert not contradictions(study)


def test_two_doubts_make_no_certainty():
    """Like steps on both sides, which may be kerbs or high shoulders, stay open."""
    p_kerb = middle(screened(step(120)), "p_kerb")
    assert ((p_kerb > 0.2) & (p_kerb < 0.8)).all()


def test_no_kerbs_on_this_road_says_the_user():
    study = screened(step(120), kerbs="none")
    assert set(middle(study, "finding")) == {Finding.HIGH}
    assert set(middle(study, "p_kerb")) == {0.0}


def test_a_kerb_before_a_level_verge_isnt_accused():
    """The same step, but the ground behind it lies level and goes on so."""
    study = screened(Scene.both(Side(step=0.13, slope=0.0, ditch=0.0, width=2.0)))
    assert (middle(study, "p_kerb") > 0.9).all()
    assert not np.isin(middle(study, "finding"), DEFECTS).any()
    told_none = screened(Scene.both(Side(step=0.13, slope=0.0, ditch=0.0, width=2.0)), kerbs="none")
    assert (middle(told_none, "verdict") == Verdict.WONT_SHED).mean() >= 0.95


@pytest.mark.parametrize(("stands", "finding"), [(1.0, "can't tell"), (0.0, "high")])
def test_an_answer_for_a_whole_reach_survives_saving(tmp_path, stands, finding):
    study = screened(step(120))
    (reach, _) = reaches_of(study, Finding.KERB_OR_HIGH)
    s = study.roads[0].s[int(reach["first_index"]) : int(reach["last_index"]) + 1]
    columns = {
        "road": np.full(len(s), reach["road"], dtype=object),
        "distance_m": s,
        "side": np.full(len(s), reach["side"], dtype=object),
        "what": np.full(len(s), "kerb", dtype=object),
        "u_m": np.full(len(s), stands),
    }
    answered = remeasure(study, 0, Table(columns))
    assert set(middle(answered, "finding", sides=[reach["side"]])) == {finding}
    other = {"left": "right", "right": "left"}[reach["side"]]
    assert set(middle(answered, "finding", sides=[other])) == {Finding.KERB_OR_HIGH}
    write_findings(answered.findings, tmp_path / "answered.gpkg")
    edits = read_findings(tmp_path / "answered.gpkg").edits
    again = remeasure(study, 0, edits)
    for name in ("finding", "verdict", "reason", "p_kerb"):
        assert again.findings.stations[name].tolist() == answered.findings.stations[name].tolist()


@pytest.mark.parametrize("slope", [12.0, 15.0])
def test_too_steep(slope):
    study = screened(Scene.both(Side(slope=slope)))
    assert (middle(study, "finding") == Finding.TOO_STEEP).mean() >= 0.95
    assert (middle(study, "verdict") == Verdict.SHEDS).all()
    assert all(np.isfinite(r["rank"]) for r in reaches_of(study, Finding.TOO_STEEP))
    assert (middle(study, "p_too_steep") > 0.9).all()


def test_breakover():
    """6 % outward beside pavement that falls 6 % inward: 12 points, 8 are allowed."""
    high = Side(pavement=-6.0, slope=6.0, usual_slope=2.0)
    low = Side(pavement=6.0, slope=6.5, usual_slope=6.5)
    study = screened(Scene(left=high, right=low))
    assert (middle(study, "finding", sides=["left"]) == Finding.BREAKOVER).mean() >= 0.95
    assert not np.isin(middle(study, "finding", sides=["right"]), DEFECTS).any()


@pytest.mark.parametrize("slope", [6.0, 6.5])
def test_the_low_side_of_a_curve_follows_the_superelevation(slope):
    high = Side(pavement=-6.0, slope=3.0, usual_slope=3.0)
    low = Side(pavement=6.0, slope=slope, usual_slope=slope)
    found = middle(screened(Scene(left=high, right=low)), "finding", sides=["right"])
    assert (found == Finding.NONE).mean() >= 0.9
    assert set(found) <= {Finding.NONE, Finding.CANT_TELL}


def test_coplanar_is_measured_with_the_given_width_and_judged():
    """2 beside 2: no edge shows."""
    study = screened(Scene.both(Side(slope=2.0, usual_slope=2.0)))
    found = middle(study, "finding")
    assert (found == Finding.FLAT).mean() >= 0.9
    assert set(found) <= {Finding.FLAT, Finding.CANT_TELL}
    assert not middle(study, "edge_found").any()
    assert all("edge is assumed" in text for text in middle(study, "reason"))
    for reach in reaches_of(study, Finding.FLAT):
        assert "edge is assumed from the given width" in reach["reason"]
        assert reach["edge_assumed_m"] > 0.9 * reach["length_m"]
    assert not contradictions(study)


@pytest.mark.parametrize("options", [{}, {"cell_m": 0.25}, {"cell_m": 0.25, "sigma_m": 0.005}])
def test_a_step_within_its_limit_isnt_ponding(options):
    """20 mm where 30 mm is the limit, whatever the cell size."""
    study = screened(Scene.both(Side(step=0.02), **options))
    assert not np.isin(middle(study, "finding"), (Finding.PONDING, Finding.HIGH)).any()
    assert not reaches_of(study, *HOLDING)


def test_a_sound_road_stays_sound():
    study = screened(Scene.both(Side()))
    assert not reaches_of(study, *DEFECTS)
    assert (middle(study, "verdict") == Verdict.SHEDS).mean() >= 0.95
