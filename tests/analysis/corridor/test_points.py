"""Points along a road: where they lie, strips brought level, and the whole way by the command."""

import numpy as np
import pytest

from analysis.common.errors import TerrainError
from analysis.corridor.points import boxes_along, point_boxes, read_points, strip_levels
from analysis.road.roadline import Tracker, make_road
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


@pytest.mark.parametrize("name", ["a.laz", "a.copc.laz"])
def test_points_get_road_coordinates(tmp_path, name):
    made = road_points()
    write_points(made, tmp_path / name, copc="copc" in name)
    cells = read_points(open_points([tmp_path / name]), a_road(), 10.0, 7.0)
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
    cells = read_points(open_points([tmp_path / "a.laz"]), a_road(), 10.0, 7.0)
    on, off = np.abs(cells.o) < 3.0, np.abs(cells.o) > 4.0
    assert np.median(cells.intensity[on]) == pytest.approx(1.0, abs=0.02)
    assert np.median(cells.intensity[off]) == pytest.approx(0.6 / 0.25, abs=0.05)


def test_points_elsewhere_are_refused(tmp_path):
    write_points(road_points(), tmp_path / "a.laz")
    with pytest.raises(TerrainError, match='no ground near the road "Fennick Way"'):
        read_points(open_points([tmp_path / "a.laz"]), a_road(beside_m=900.0), 10.0, 7.0)


@pytest.mark.parametrize("meet", ["overlap", "side by side"])
def test_the_level_of_strips_is_found_within_5_mm(meet):
    rng = np.random.default_rng(5)
    made = road_points()
    s, o = made.x - EAST, NORTH - made.y
    strip = rng.integers(0, 2, s.size) if meet == "overlap" else (o > 0.7).astype(int)
    z = made.z + np.where(strip == 1, 0.02, 0.0)
    order = np.argsort(s)
    near = np.abs(o[order]) < 3.5
    levels = strip_levels(s[order], o[order], z[order], strip[order], near)
    assert levels[1] - levels[0] == pytest.approx(0.02, abs=0.001 if meet == "overlap" else 0.005)
    assert levels.sum() == pytest.approx(0.0, abs=1e-9)


def test_strips_that_never_meet_stay_as_they_are():
    made = road_points()
    s, o = made.x - EAST, NORTH - made.y
    order = np.argsort(s)
    strip = (s[order] > 200.0).astype(int)
    apart = np.abs(s[order] - 200.0) > 12.0
    near = (np.abs(o[order]) < 3.5) & apart
    levels = strip_levels(s[order], o[order], made.z[order], strip, near)
    np.testing.assert_allclose(levels, 0.0, atol=1e-12)


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
