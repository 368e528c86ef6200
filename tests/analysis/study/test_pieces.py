"""Pieces of a long road: they cover it once, and where they meet nothing shows."""

from __future__ import annotations

import pickle
from itertools import pairwise

import numpy as np
import pytest

from analysis import Extras, Settings, default_limits, screen
from analysis.common.errors import TerrainError
from analysis.corridor.door import lay_out
from analysis.corridor.points import boxes_along
from analysis.findings.geopackage import read_findings, write_findings
from analysis.network.engine import screen_network
from analysis.network.tasks import Task, work
from analysis.road.roadline import make_road
from analysis.study import pieces
from analysis.terrain.grid import open_terrain
from analysis.terrain.point_grid import grid_of
from analysis.terrain.points import open_points
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points
from tests.benchmarks.seams import differences_at_seams, long_case
from tests.builders.files import EAST, NORTH, UTM, write_grid
from tests.builders.same_findings import differences


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """A road of 1040 m: its last piece ends with a block, as one of 4 km nearly does."""
    return long_case(tmp_path_factory.mktemp("seams"), 1097.11)


def test_a_short_road_is_one_piece(case):
    assert len(pieces.pieces_of(case)) == 1


def test_pieces_cover_every_station_once_and_look_beyond(case, monkeypatch):
    monkeypatch.setattr(pieces, "WHOLE_M", 500.0)
    monkeypatch.setattr(pieces, "PIECE_M", 300.0)
    cut = pieces.pieces_of(case)
    kept = np.concatenate([np.arange(piece.keep.start, piece.keep.stop) for piece in cut])
    assert kept.tolist() == list(range(len(case.s)))
    for before, after in pairwise(cut):
        assert before.stop == after.start
        assert before.high - before.stop >= pieces.OVERLAP_M
        assert after.start - after.low >= pieces.OVERLAP_M
    assert cut[0].low == 0.0 and cut[-1].high == pytest.approx(case.road.length_m)


def test_seams_do_not_show(case, monkeypatch):
    """What two pieces say of the stations where they meet differs by less than a tenth of its
    error."""
    monkeypatch.setattr(pieces, "WHOLE_M", 500.0)
    monkeypatch.setattr(pieces, "PIECE_M", 550.0)
    off = differences_at_seams(case)
    for name in ("edge", "pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm"):
        assert np.nanmax(off[name]) < 0.1, name


POINTS_M = 400.0


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory):
    """A straight crowned road of points in two strips, 30 mm apart, and a coarse grid under it."""
    folder, rng = tmp_path_factory.mktemp("surveyed"), np.random.default_rng(8)
    count = int(5.0 * POINTS_M * 24.0)
    x, y = rng.uniform(0.0, POINTS_M, count), rng.uniform(-12.0, 12.0, count)

    def height(x, y):
        out = np.abs(y)
        left = np.interp(out, [0.0, 3.5, 5.0, 8.0, 16.0], [0.0, -0.07, -0.145, -1.145, -1.145])
        right = np.interp(out, [0.0, 3.5, 5.0, 8.0, 16.0], [0.0, -0.07, -0.055, -1.055, -1.055])
        return 100.0 + 0.01 * x + np.where(y > 0.0, left, right)

    strip = rng.integers(0, 2, count)
    bright = np.where(np.abs(y) < 3.5, 0.25, 0.6) * np.where(strip == 1, 0.5, 1.0)
    z = height(x, y) + 0.015 * rng.standard_normal(count) + 0.03 * strip
    points = Points(EAST + x, NORTH + y, z, strip, bright + 0.02 * rng.standard_normal(count))
    write_points(points, folder / "survey.laz", crs=UTM)
    rows, cols = np.arange(0.5, 32.0), np.arange(0.5, POINTS_M)
    write_grid(folder / "grid.tif", height(cols, 16.0 - rows[:, None]), corner=(EAST, NORTH + 16.0))
    extras = Extras(points=open_points([folder / "survey.laz"]))
    grid = open_terrain(folder / "grid.tif")
    road = make_road("Lane", np.array([[EAST, NORTH + 0.4], [EAST + POINTS_M, NORTH]]))
    settings = Settings(spacing_m=20.0, half_width_m=11.0)
    return lay_out(grid, road, settings, default_limits("gravel"), extras)


@pytest.fixture
def short_pieces(monkeypatch):
    monkeypatch.setattr(pieces, "WHOLE_M", 300.0)
    monkeypatch.setattr(pieces, "PIECE_M", 200.0)
    monkeypatch.setattr(pieces, "OVERLAP_M", 100.0)


def test_a_road_of_points_is_cut_and_its_seams_do_not_show(surveyed, short_pieces):
    assert len(pieces.pieces_of(surveyed)) == 2
    off = differences_at_seams(surveyed)
    for name in ("edge", "pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm"):
        assert np.nanmax(off[name]) < 0.1, name
        assert np.isfinite(off[name]).any(), name


def far_crew(common, tasks):
    """Measures the last piece first, from what went through bytes as on its way to a worker."""
    single = [Task((item,), task.roads[:1]) for task in tasks for item in task.items]
    for task in reversed(single):
        there = pickle.loads(pickle.dumps((common, task)))
        yield task, work(*there)


def test_points_give_the_same_whoever_measures_them(surveyed, short_pieces, tmp_path):
    case = surveyed
    words = (case.settings, case.limits)
    study = screen(case.grid, [case.road], *words, extras=case.extras)
    write_findings(study.findings, tmp_path / "screen.gpkg")
    out = tmp_path / "network.gpkg"
    screen_network(case.grid, [case.road], out, *words, extras=case.extras, crew=far_crew)
    assert differences(tmp_path / "screen.gpkg", out) == []
    # the road as it was made: 5 % on the left, on the right 1 % towards it
    table = study.findings.stations
    inside = (table["station_m"] > 15.0) & (table["station_m"] < POINTS_M - 15.0)
    for side, slope in (("left", 5.0), ("right", -1.0)):
        here = inside & (np.asarray(table["side"], dtype=str) == side)
        off = (table["shoulder_slope_pct"][here] - slope) / table["shoulder_slope_se"][here]
        assert np.sqrt(np.mean(off**2)) < 1.6


def test_points_alone_are_a_network_too(surveyed, short_pieces, tmp_path):
    """Each piece makes the grid for its water; where they meet it is that of the whole."""
    case, survey = surveyed, surveyed.extras.points
    whole = grid_of(survey, boxes_along(case.road, 12.0))
    study = screen(whole, [case.road], case.settings, case.limits, extras=case.extras)
    out = tmp_path / "network.gpkg"
    words = (case.settings, case.limits)
    screen_network(whole, [case.road], out, *words, extras=case.extras, crew=far_crew)
    found, table = read_findings(out), study.findings.stations
    assert found.stations["verdict"].tolist() == table["verdict"].tolist()
    for name in ("shoulder_slope_pct", "edge_drop_mm", "retained_mm", "ditch_depth_m"):
        np.testing.assert_allclose(found.stations[name], table[name], rtol=1e-4, atol=1e-4)
    assert found.run["terrain"] == found.run["points"] == study.findings.run["points"]


def test_where_there_are_no_points_at_all_a_long_road_is_refused(surveyed, short_pieces):
    away = make_road("Away", surveyed.road.xy + np.array([0.0, 4.0e5]))
    with pytest.raises(TerrainError, match='near the road "Away"'):
        screen(surveyed.grid, [away], surveyed.settings, extras=surveyed.extras)
