"""Lines with vertices by the millimetre, and lines that run on far beyond the grid."""

import time

import numpy as np
import pytest
import shapely

from analysis.common.errors import RoadError
from analysis.road.read_roads import read_roads
from analysis.road.roadline import make_road
from analysis.road.trimming import BEYOND_M, check_drawn, stretches_on, thinned
from analysis.terrain.grid import open_terrain
from tests.builders.files import line, write_grid, write_lines


@pytest.fixture(scope="module")
def grid(tmp_path_factory):
    """A grid of 200 m by 200 m."""
    path = write_grid(tmp_path_factory.mktemp("grid") / "grid.tif", np.zeros((200, 200)))
    return open_terrain(path)


def _read(grid, tmp_path, *lines, **options):
    notes = []
    rows = [{"name": "Alder Lane"} for _ in lines]
    path = write_lines(tmp_path / "road.gpkg", [line(*one) for one in lines], rows)
    return read_roads(path, grid, notes=notes, **options), notes


def test_a_line_drawn_by_the_millimetre_is_thinned_and_keeps_its_shape():
    """Shapely measures how far the thinned line lies from the one that was drawn."""
    along = np.linspace(0.0, 30.0, 10_000)
    xy = np.column_stack([along, 2.0 * np.sin(along / 4.0)])
    measure = 2.0 * along
    kept, labels = thinned(xy, measure)
    assert 250 < len(kept) < 350
    assert len(labels) == len(kept)
    np.testing.assert_array_equal(labels, 2.0 * kept[:, 0])
    away = shapely.hausdorff_distance(shapely.LineString(xy), shapely.LineString(kept))
    assert away < 0.1
    assert shapely.LineString(kept).length == pytest.approx(shapely.LineString(xy).length, rel=1e-5)
    whole, none = thinned(kept, None)
    assert whole is kept and none is None


def test_crowded_vertices_take_seconds(grid, tmp_path):
    """Once they took minutes; the jitter of a millimetre isn't length either."""
    rng = np.random.default_rng(3)
    x = np.linspace(5.0, 195.0, 50_000)
    y = 100.0 + rng.normal(0.0, 0.001, len(x))
    begun = time.process_time()
    (road,), notes = _read(grid, tmp_path, tuple(zip(x.tolist(), y.tolist(), strict=True)))
    assert time.process_time() - begun < 4.0
    assert road.length_m == pytest.approx(190.0, rel=1e-3)
    assert any("50000 vertices" in note for note in notes)


def test_a_scribble_is_refused(grid, tmp_path):
    """A receiver left running on a table draws kilometres within a few metres."""
    rng = np.random.default_rng(4)
    at = (100.0 + rng.normal(0.0, 2.0, (2_000, 2))).tolist()
    with pytest.raises(RoadError, match=r'"Alder Lane" is \d+ km long within .* over itself'):
        _read(grid, tmp_path, tuple(map(tuple, at)))
    # ten laps of a loop, and hairpins 20 m apart, are roads
    lap = np.linspace(0.0, 20.0 * np.pi, 2_000)
    check_drawn("laps", 50.0 * np.column_stack([np.cos(lap), np.sin(lap)]))
    legs = [(x, y) for k in range(20) for x, y in ((0.0, 20.0 * k), (300.0, 20.0 * k))]
    check_drawn("hairpins", np.array(legs))


def test_what_runs_on_far_beyond_the_grid_is_left_out_and_said(grid, tmp_path):
    """The rest keeps the labels of the whole line."""
    (road,), notes = _read(grid, tmp_path, ((-50_000.0, 100.0), (100.0, 100.0), (100.0, 9_000.0)))
    assert road.label([0.0, road.length_m]) == pytest.approx([49_000.0, 50_000.0 + 200.0 + 1_000.0])
    assert any("56.8 km that lie more than 1 km" in note for note in notes)


def test_a_line_that_comes_back_is_two_roads(grid, tmp_path):
    """Out of the grid for 20 km and in again: two stretches, each under the labels of the line."""
    there = ((0.0, 50.0), (10_000.0, 50.0), (10_000.0, 150.0), (0.0, 150.0))
    roads, _ = _read(grid, tmp_path, there)
    assert [road.name for road in roads] == ["Alder Lane", "Alder Lane (2)"]
    assert roads[1].label(0.0) == pytest.approx(20_100.0 - 200.0 - 1_000.0)


def test_a_road_that_ends_a_little_beyond_stays_whole(grid, tmp_path):
    """There it is "no data", which is said of each station."""
    (road,), notes = _read(grid, tmp_path, ((100.0, 100.0), (1_150.0, 100.0)))
    assert road.length_m == 1_050.0
    assert not notes


@pytest.mark.parametrize("seed", range(6))
def test_stretches_as_shapely_cuts_them(grid, seed):
    """The grid's outline cuts a random line where shapely says."""
    rng = np.random.default_rng(seed)
    west, _, east, north = *grid.to_plane(199.5, -0.5), *grid.to_plane(-0.5, 199.5)
    south = grid.to_plane(199.5, -0.5)[1]
    xy = np.array([west, south]) + rng.uniform(-20_000.0, 20_000.0, (12, 2))
    xy[6] = [(west + east) / 2, (south + north) / 2]
    road = make_road("random", xy)
    drawn, box = shapely.LineString(xy), shapely.box(west, south, east, north)
    inside = drawn.intersection(box)
    assert not inside.is_empty
    found = stretches_on(road, grid)
    for part in getattr(inside, "geoms", [inside]):
        at = drawn.project(shapely.Point(part.coords[0]))
        assert any(a <= at <= b for a, b in found)
    total = sum(b - a for a, b in found)
    assert total <= inside.length + 2.0 * BEYOND_M * len(found) + 1e-6
