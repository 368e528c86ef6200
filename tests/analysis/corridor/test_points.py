"""Points along a road: where they lie, strips brought level, and the whole way by the command."""

from dataclasses import replace

import numpy as np
import pytest

from analysis import Extras, Settings, default_limits
from analysis.common.errors import TerrainError
from analysis.corridor import points as points_module
from analysis.corridor.door import lay_out
from analysis.corridor.points import boxes_along, point_boxes, read_points, strips_along
from analysis.corridor.strips import StripTally
from analysis.road.roadline import Tracker, make_road
from analysis.terrain import points as survey_points
from analysis.terrain.point_grid import plane_of
from analysis.terrain.points import open_points
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points

EAST, NORTH = 421_000.0, 6_512_000.0


def road_points(length_m=400.0, density=8.0, seed=3):
    """A crowned road along x, its foreslopes beyond 5 m, hit at random places."""
    rng = np.random.default_rng(seed)
    count = int(density * length_m * 30.0)
    x, y = rng.uniform(0.0, length_m, count), rng.uniform(-15.0, 15.0, count)
    out = np.abs(y)
    z = 50.0 + 0.01 * x - 0.02 * out - 0.3 * np.maximum(out - 5.0, 0.0)
    z += 0.02 * rng.standard_normal(count)
    strip = np.zeros(count, dtype=int)
    bright = np.where(out < 3.5, 0.25, 0.6) + 0.05 * rng.standard_normal(count)
    return Points(x + EAST, y + NORTH, z, strip, bright)


def a_road(length_m=400.0, beside_m=0.0):
    x = np.linspace(0.0, length_m, 9) + EAST
    return make_road("Fennick Way", np.column_stack([x, np.full(9, NORTH + beside_m)]))


def a_case(*files, road=None):
    survey = open_points(files)
    settings, extras = Settings(half_width_m=10.0), Extras(points=survey)
    road = a_road() if road is None else road
    return lay_out(plane_of(survey), road, settings, default_limits("gravel"), extras)


@pytest.mark.parametrize("name", ["a.laz", "a.copc.laz"])
def test_points_get_road_coordinates(tmp_path, name):
    made = road_points()
    write_points(made, tmp_path / name, copc="copc" in name)
    cells = read_points(a_case(tmp_path / name))
    near = np.abs(made.y - NORTH) < 10.0
    assert len(cells) == pytest.approx(near.sum(), abs=2)
    assert (np.diff(cells.s) >= 0.0).all()
    # on a straight road along x the height says where the point lies
    off = cells.z - (50.0 + 0.01 * cells.s - 0.02 * np.abs(cells.o))
    assert np.median(np.abs(off[np.abs(cells.o) < 5.0])) == pytest.approx(0.6745 * 0.02, rel=0.05)
    # 8 points per m² leave each a square of 0.35 m; here and there they are scarcer
    assert 0.34 < cells.cell_m < 0.38
    a, _, c, _, e, f = cells.lattice
    x = a * (cells.col + 0.5) + c
    assert np.abs(x - EAST - cells.s).max() <= 0.5 * a + 1e-6
    y = e * (cells.row + 0.5) + f
    assert np.abs(y - NORTH + cells.o).max() <= 0.5 * a + 1e-6


def test_brightness_is_told_beside_the_pavement_strip_by_strip(tmp_path):
    made = road_points()
    strip = (np.arange(made.x.size) % 2).astype(int)
    bright = np.where(strip == 1, 0.5 * made.intensity, made.intensity)
    write_points(Points(made.x, made.y, made.z, strip, bright), tmp_path / "a.laz")
    cells = read_points(a_case(tmp_path / "a.laz"))
    on, off = np.abs(cells.o) < 3.0, np.abs(cells.o) > 4.0
    assert np.median(cells.intensity[on]) == pytest.approx(1.0, abs=0.02)
    assert np.median(cells.intensity[off]) == pytest.approx(0.6 / 0.25, abs=0.05)


def test_points_elsewhere_are_refused(tmp_path):
    write_points(road_points(), tmp_path / "a.laz")
    with pytest.raises(TerrainError, match='no ground near the road "Fennick Way"'):
        read_points(a_case(tmp_path / "a.laz", road=a_road(beside_m=900.0)))


def levels_of(s, o, z, strip):
    """Levels of strips that are told of pavement 7 m wide."""
    order, tally = np.argsort(s), StripTally()
    none = np.zeros(s.size, dtype=np.float32)
    found = survey_points.Points(s, o, z, none, strip.astype(np.uint16)).part(order)
    tally.add(s[order], o[order], found, 7.0)
    return tally.told(7.0).level_m


@pytest.mark.parametrize("meet", ["overlap", "side by side"])
def test_the_level_of_strips_is_found_within_5_mm(meet):
    rng = np.random.default_rng(5)
    made = road_points()
    s, o = made.x - EAST, NORTH - made.y
    strip = rng.integers(0, 2, s.size) if meet == "overlap" else (o > 0.7).astype(int)
    z = made.z + np.where(strip == 1, 0.02, 0.0)
    levels = levels_of(s, o, z, strip)
    assert levels[1] - levels[0] == pytest.approx(0.02, abs=0.001 if meet == "overlap" else 0.005)
    assert levels.sum() == pytest.approx(0.0, abs=1e-9)


def test_strips_that_never_meet_stay_as_they_are():
    made = road_points()
    s, o = made.x - EAST, NORTH - made.y
    apart = np.abs(s - 200.0) > 12.0
    levels = levels_of(s[apart], o[apart], made.z[apart], (s > 200.0)[apart])
    np.testing.assert_allclose(levels, 0.0, atol=1e-12)


@pytest.fixture
def two_strips(tmp_path):
    """A case of two strips, one 20 mm higher and half as bright, that meet along 400 m of road."""
    made = road_points()
    strip = np.random.default_rng(7).integers(0, 2, made.x.size)
    bright = np.where(strip == 1, 0.5 * made.intensity, made.intensity)
    written = Points(made.x, made.y, made.z + 0.02 * strip, strip, bright)
    halves = written.x < EAST + 170.0
    for k, half in enumerate((halves, ~halves)):
        write_points(written.part(half), tmp_path / f"tile_{k}.las")
    return a_case(tmp_path / "tile_0.las", tmp_path / "tile_1.las"), written


def test_a_road_of_many_stretches_teaches_what_all_its_points_say(two_strips, monkeypatch):
    case, written = two_strips
    monkeypatch.setattr(points_module, "_STRETCH_M", 70.0)
    taught = strips_along(case)
    assert taught.ids.tolist() == [100, 101]
    assert taught.level_m[1] - taught.level_m[0] == pytest.approx(0.02, abs=0.001)
    near = np.abs(written.y - NORTH) <= 3.5
    for k in (0, 1):
        # the very median (numpy); files keep whole numbers of 40 000ths
        shades = np.round(written.intensity[near & (written.strip == k)] * 40_000.0)
        assert taught.usual[k] == pytest.approx(np.median(shades), rel=1e-3)
    assert taught.corner[0] == pytest.approx(EAST, abs=0.1)


def test_parts_of_a_road_are_together_all_of_it(two_strips):
    case, _ = two_strips
    whole = read_points(case)
    case = replace(case, strips=strips_along(case))
    parts = [read_points(case, span) for span in ((0.0, 130.0), (130.0, 250.0), (250.0, 400.0))]
    for name in ("s", "o", "z", "row", "col", "intensity"):
        found = np.concatenate([getattr(part, name) for part in parts])
        np.testing.assert_array_equal(found, getattr(whole, name), err_msg=name)
    assert {part.cell_m for part in parts} == {whole.cell_m}


def test_boxes_of_a_part_cover_it():
    road = a_road(2000.0)
    boxes, some = boxes_along(road, 12.0), boxes_along(road, 12.0, (730.0, 1240.0))
    assert len(some) < len(boxes) // 2
    assert some[:, 0].min() < EAST + 718.0 and some[:, 2].max() > EAST + 1252.0


def test_boxes_cover_the_corridor_of_a_bend():
    turn = np.linspace(0.0, 2.0, 200)
    road = make_road("Bend", np.column_stack([120.0 * np.sin(turn), 120.0 * np.cos(turn)]))
    boxes = boxes_along(road, 12.0)
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-140.0, 140.0, (2, 20_000))
    s, o = Tracker(road).to_road(x, y)
    near = (np.abs(o) <= 12.0) & (s >= 0.0) & (s <= road.length_m)
    inside = np.zeros(x.size, dtype=bool)
    for west, south, east, north in boxes:
        inside |= (x >= west) & (x <= east) & (y >= south) & (y <= north)
    assert inside[near].all()


def test_the_boxes_of_a_point_have_its_variance():
    """The variance of a box of width w is w² / 12 (closed form)."""
    boxes = point_boxes(0.08, 3)
    np.testing.assert_allclose((boxes**2 / 12.0).sum(axis=1), 0.08**2)
