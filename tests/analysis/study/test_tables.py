"""Tables of stations and reaches: signs, order, sums, and sentences that carry their numbers."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.columns import REACH_COLUMNS, STATION_COLUMNS
from analysis.common.verdicts import DEFECTS, Finding, Treatment, Verdict
from analysis.shoulder.section_gaps import OVER_MM
from analysis.shoulder.values import Reason, Why
from analysis.study.judging import rejudge
from analysis.verdict.reasons import reach_sentences
from analysis.verdict.values import Harm
from tests.builders.small_study import small_study


@pytest.fixture(scope="module")
def study():
    return small_study()


@pytest.fixture(scope="module")
def part(study):
    return study.roads[0]


def test_columns_and_order(study, part):
    """Every column of the contract, station by station, left before right, down the labels."""
    stations, reaches = study.findings.stations, study.findings.reaches
    assert list(stations.names()) == list(STATION_COLUMNS)
    assert list(reaches.names()) == list(REACH_COLUMNS)
    assert stations["side"].tolist() == ["left", "right"] * len(part.s)
    np.testing.assert_allclose(stations["distance_m"][::2], part.s)
    np.testing.assert_allclose(stations["station_m"], 1200.0 - stations["distance_m"])


def test_offsets_have_the_sign_of_their_side(study):
    """Left is negative; the hinge lies outside the edge."""
    stations = study.findings.stations
    sign = np.where(stations["side"] == "left", -1.0, 1.0)
    edge, hinge = sign * stations["edge_offset_m"], sign * stations["hinge_offset_m"]
    assert (edge > 0.0).all()
    known = np.isfinite(hinge)
    assert known.mean() > 0.8 and (hinge[known] > edge[known]).all()
    np.testing.assert_allclose(
        stations["breakover_points"],
        stations["shoulder_slope_pct"] - stations["pavement_slope_pct"],
    )


def test_edge_points_lie_at_their_offsets(study, part):
    """Reference: shapely's distance from the centreline."""
    import shapely

    stations = study.findings.stations
    line = shapely.LineString(part.road.xy)
    inner = (stations["distance_m"] > 5.0) & (stations["distance_m"] < part.road.length_m - 5.0)
    away = shapely.distance(line, shapely.points(study.findings.station_xy[inner]))
    np.testing.assert_allclose(away, np.abs(stations["edge_offset_m"][inner]), atol=0.03)


def test_reaches_cover_each_side_once_in_labels(study, part):
    """From first to last label without gap, also where labels fall."""
    reaches = study.findings.reaches
    for side in ("left", "right"):
        here = reaches["side"] == side
        ends = np.sort(np.column_stack([reaches["from_m"][here], reaches["to_m"][here]]), axis=1)
        ends = ends[np.argsort(ends[:, 0])]
        np.testing.assert_allclose(ends[1:, 0], ends[:-1, 1], atol=1e-6)
        assert ends[-1, 1] == pytest.approx(1200.0)
        assert reaches["length_m"][here].sum() == pytest.approx(part.road.length_m)
    np.testing.assert_allclose(
        np.abs(reaches["to_m"] - reaches["from_m"]), reaches["length_m"], atol=1e-6
    )


def test_reach_means_are_means_of_their_stations(study, part):
    """The mean slope is that of the stations inside, and its error no larger than theirs."""
    reaches = study.findings.reaches
    m = part.measures
    for row, reach in enumerate(part.reaches):
        here = slice(reach.i0, reach.i1 + 1)
        slopes = m.shoulder_slope_pct[here, reach.side]
        if np.isfinite(slopes).any():
            assert reaches["mean_slope_pct"][row] == pytest.approx(np.nanmean(slopes))
            assert reach.mean_slope_se <= np.nanmax(m.shoulder_slope_se[here, reach.side]) + 1e-9
        else:
            assert np.isnan(reaches["mean_slope_pct"][row])


def test_ranks_follow_harm_and_priority(study, part):
    """1 is the reach to start with; all but the sound ones have a rank, each its own."""
    reaches = study.findings.reaches
    rank = reaches["rank"]
    ranked = np.isfinite(rank)
    assert set(reaches["finding"][~ranked]) == {Finding.NONE}
    assert sorted(rank[ranked]) == list(range(1, int(ranked.sum()) + 1))
    order = [(reach.harm, -reach.priority) for reach in part.reaches if reach.harm != Harm.NONE]
    assert sorted(order) == [order[k] for k in np.argsort(rank[ranked])]


def test_balance_of_each_reach(study):
    """The import is what the balance lacks; a reach without work has none of the two."""
    reaches = study.findings.reaches
    for row in range(len(reaches)):
        finding, balance = reaches["finding"][row], reaches["balance_m3"][row]
        if finding not in DEFECTS:
            assert np.isnan(reaches["cut_m3"][row]) and np.isnan(reaches["import_m3_loose"][row])
            assert reaches["treatment"][row] in (
                Treatment.NONE,
                Treatment.CLEAN_DITCH,
                Treatment.CANT_TELL,
            )
        elif reaches["treatment"][row].startswith("replenish"):
            assert balance < 0.0 < reaches["import_m3_loose"][row]
            assert reaches["loads"][row] >= 1
        elif reaches["treatment"][row].startswith("reshape"):
            assert not reaches["import_m3_loose"][row] > 0.0


def test_sentences_carry_the_numbers(study):
    """Each reason is a sentence with its numbers, without NaN; unknown is never sound."""
    for table in (study.findings.stations, study.findings.reaches):
        for finding, verdict, reason in zip(
            table["finding"], table["verdict"], table["reason"], strict=True
        ):
            assert reason and reason.endswith(".") and "nan" not in reason.lower(), reason
            if finding == Finding.NO_DATA:
                assert verdict == Verdict.NO_DATA
            if finding == "none":
                assert reason.startswith("Sound") and verdict == Verdict.SHEDS
    reaches = study.findings.reaches
    for row in np.flatnonzero(reaches["finding"] == "flat"):
        assert f"{reaches['mean_slope_pct'][row]:.1f}" in reaches["reason"][row]


def test_unjudged_reach_tells_its_commonest_reason(study, part):
    """Reasons that differ in figures only make one reach, which tells the one said most often."""
    status, reason = part.measures.status.copy(), part.measures.reason.copy()
    here = slice(10, 30)
    status[here, 0] = 2
    reason[here, 0] = [Reason(Why.KERB, (50.0 * (4 if k % 3 else k),)) for k in range(20)]
    measures = replace(part.measures, status=status, reason=reason)
    shoulder = replace(part.measured.shoulder, measures=measures)
    measured = replace(part.measured, shoulder=shoulder)
    changed = replace(study, roads=(replace(part, measured=measured),))
    (reach,) = (
        reach
        for reach in rejudge(changed, study.limits).roads[0].reaches
        if reach.side == 0 and reach.i0 <= 10 <= reach.i1
    )
    assert (reach.i0, reach.i1, reach.finding, reach.verdict) == (
        10,
        29,
        Finding.CANT_TELL,
        Verdict.CANT_TELL,
    )
    assert reach.why == Reason(Why.KERB, (200.0,))
    begin = f"Can't tell over {reach.length_m:.0f} m: A step up of about 200 mm stands"
    assert reach_sentences(reach, study.limits).startswith(begin)


def test_a_road_whose_ruts_couldnt_be_measured_says_so(study, part):
    """No station of it is as surely sound as with ruts known to be none, and each reach says it."""
    unknown = {
        name: np.full_like(getattr(part.measures, name), np.nan)
        for name in (
            *("rut_mm", "rut_se", "ridge_mm", "ridge_se", "rut_detectable_mm"),
            *("rut_over", "ridge_over"),
        )
    }
    shoulder = replace(part.measured.shoulder, measures=replace(part.measures, **unknown))
    measured = replace(part.measured, shoulder=shoulder)
    changed = rejudge(replace(study, roads=(replace(part, measured=measured),)), study.limits)
    sound = [reach for reach in changed.roads[0].reaches if reach.finding == Finding.NONE]
    assert sound and np.isnan(changed.roads[0].judged.judgement.p_rut).all()
    for reach in sound:
        assert "; ruts couldn't be measured." in reach_sentences(reach, study.limits)
    assert not any(reach.finding == Finding.RUTTED for reach in changed.roads[0].reaches)
    known, blind = (of.roads[0].judged.judgement.p_finding[..., 0] for of in (study, changed))
    least = part.measured.shoulder.measures.rut_over[..., OVER_MM.index(30.0)] < 0.01
    assert least.any() and (blind[least] < 0.97 * known[least]).all()


def test_reach_lines_run_along_the_edge(study, part):
    """Each line lies beside the road, on its side, about as long as the reach."""
    import shapely

    from analysis.road.roadline import to_road

    for reach, xy in zip(part.reaches, study.findings.reach_lines, strict=True):
        _, o = to_road(part.road, xy[:, 0], xy[:, 1])
        assert ((o < 0.0) == (reach.side == 0)).all()
        assert shapely.LineString(xy).length == pytest.approx(reach.length_m, rel=0.1, abs=2.0)


def test_reach_lines_pass_the_edges_of_their_stations(study, part):
    """Station by station, with one point more at either end, also where the road ends."""
    from analysis.road.roadline import to_map

    edges = study.findings.station_xy.reshape(-1, 2, 2)
    for reach, xy in zip(part.reaches, study.findings.reach_lines, strict=True):
        here = slice(reach.i0, reach.i1 + 1)
        inside = (part.s[here] > reach.s0) & (part.s[here] < reach.s1)
        np.testing.assert_array_equal(xy[1:-1], edges[here, reach.side][inside])
        for s, i, end in ((reach.s0, reach.i0, xy[0]), (reach.s1, reach.i1, xy[-1])):
            offset = (-1.0, 1.0)[reach.side] * part.breaks.edge[i, reach.side]
            np.testing.assert_allclose(end, to_map(part.road, s, offset), rtol=0.0, atol=1e-9)
