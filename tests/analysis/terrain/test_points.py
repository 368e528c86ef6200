"""Surveys handed out as points: headers, units, chunks, classes, and the grid made of them."""

import pickle
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator

from analysis.common.errors import TerrainCrsError, TerrainError
from analysis.common.units import METRES_PER_US_SURVEY_FOOT
from analysis.terrain import points as points_module
from analysis.terrain.grid import open_terrain, read_window
from analysis.terrain.point_grid import grid_of
from analysis.terrain.points import check_same_plane, ground_points, joined, open_points
from sample_terrain.point_files import GEO_KEYS_UTM_28, write_points
from sample_terrain.surveys import Points
from tests.builders.files import write_grid

EAST, NORTH = 421_000.0, 6_512_000.0


def scattered(count=20_000, side_m=60.0, seed=1):
    """Points on a plane that rises 4 % east and falls 2 % north."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0.0, side_m, (2, count))
    z = 100.0 + 0.04 * x - 0.02 * y
    strip = rng.integers(0, 2, count)
    return Points(x + EAST, y + NORTH, z, strip, rng.uniform(0.2, 0.8, count))


def all_of(survey, boxes=None):
    found = joined(list(ground_points(survey, boxes)))
    order = np.lexsort([found.z, found.y, found.x])
    return found.part(order)


@pytest.mark.parametrize("name", ["a.las", "a.laz", "a.copc.laz"])
def test_every_kind_of_file_gives_the_same_points(tmp_path, name):
    made = scattered()
    write_points(made, tmp_path / name, copc="copc" in name)
    survey = open_points([tmp_path / name])
    assert survey.files[0].copc == ("copc" in name)
    found = all_of(survey)
    order = np.lexsort([made.z.round(3), made.y.round(3), made.x.round(3)])
    np.testing.assert_allclose(found.x, made.x[order], atol=6e-4)
    np.testing.assert_allclose(found.z, made.z[order], atol=6e-4)
    assert set(found.strip.tolist()) == {100, 101}
    # 20 000 on 60 × 60 m
    assert survey.density_per_m2 == pytest.approx(20_000 / 3600.0, rel=0.01)


@pytest.mark.parametrize("name", ["a.laz", "a.copc.laz"])
def test_each_point_of_overlapping_boxes_is_read_once(tmp_path, name):
    made = scattered()
    write_points(made, tmp_path / name, copc="copc" in name)
    boxes = np.array([[0.0, 0.0, 20.0, 30.0], [10.0, 10.0, 40.0, 25.0], [90.0, 0.0, 99.0, 9.0]])
    boxes += np.array([EAST, NORTH, EAST, NORTH])
    # the file keeps whole millimetres
    x, y = (np.round(v, 3) for v in (made.x, made.y))
    inside = np.zeros(x.size, dtype=bool)
    for west, south, east, north in boxes:
        inside |= (x >= west) & (x <= east) & (y >= south) & (y <= north)
    assert len(all_of(open_points([tmp_path / name]), boxes).x) == inside.sum()


def test_files_are_read_in_chunks(tmp_path, monkeypatch):
    write_points(scattered(), tmp_path / "a.laz")
    survey = open_points([tmp_path / "a.laz"])
    monkeypatch.setattr(points_module, "_CHUNK", 3000)
    assert [len(part.x) for part in ground_points(survey)] == [3000] * 6 + [2000]


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_chunks_far_from_what_is_wanted_are_not_read_again(tmp_path, monkeypatch, name):
    made = scattered()
    write_points(made.part(np.argsort(made.x)), tmp_path / name)
    monkeypatch.setattr(points_module, "_CHUNK", 3000)
    survey, read = open_points([tmp_path / name]), []
    ground_of = points_module._ground_of
    monkeypatch.setattr(
        points_module,
        "_ground_of",
        lambda raw, *rest: read.append(len(raw)) or ground_of(raw, *rest),
    )
    box = np.array([[EAST + 20.0, NORTH, EAST + 30.0, NORTH + 60.0]])
    x = np.round(made.x, 3)
    assert len(all_of(survey, box).x) == ((x >= EAST + 20.0) & (x <= EAST + 30.0)).sum()
    # sorted by easting, 3000 of 20 000 reach over 9 of 60 m
    assert read == [3000, 3000]


def test_a_folder_of_tiles_is_one_survey(tmp_path):
    made = scattered()
    for k, half in enumerate((made.x < EAST + 30.0, made.x >= EAST + 30.0)):
        write_points(made.part(half), tmp_path / f"tile_{k}.laz")
    (tmp_path / "index.txt").write_text("tiles")
    survey = open_points([tmp_path])
    assert len(survey.paths) == 2
    assert len(all_of(survey).x) == made.x.size


def test_feet_of_plane_and_heights_become_metres(tmp_path):
    made = scattered()
    # NAD83 / New York Long Island in US survey feet, NAVD88 height in US survey feet
    write_points(made, tmp_path / "ft.laz", crs="EPSG:2263+6360", unit_m=METRES_PER_US_SURVEY_FOOT)
    survey = open_points([tmp_path / "ft.laz"])
    assert survey.z_unit_sure
    found = all_of(survey)
    np.testing.assert_allclose(np.sort(found.z), np.sort(made.z), atol=4e-4)
    assert found.x.min() == pytest.approx(made.x.min(), abs=1e-3)
    grid = grid_of(survey)
    assert grid.xy_unit_m == pytest.approx(METRES_PER_US_SURVEY_FOOT)
    assert grid.bounds[0] == pytest.approx(made.x.min(), abs=1e-3)


def test_heights_in_feet_over_a_plane_in_metres_are_told_by_the_header(tmp_path):
    keys = {**GEO_KEYS_UTM_28, 4099: 9003}
    made = scattered()
    write_points(made, tmp_path / "k.las", crs=keys, z_unit_m=METRES_PER_US_SURVEY_FOOT)
    survey = open_points([tmp_path / "k.las"])
    assert (survey.xy_unit_m, survey.z_unit_m) == (1.0, METRES_PER_US_SURVEY_FOOT)
    assert all_of(survey).z.mean() == pytest.approx(made.z.mean(), abs=1e-3)


def test_other_classes_and_withheld_points_are_left_out(tmp_path):
    made = scattered()
    classes = np.arange(made.x.size) % 4 + 1  # unclassified, ground, low plants, plants
    classes[:100] = 7  # noise
    withheld = np.arange(made.x.size) % 8 == 5
    write_points(made, tmp_path / "a.laz", classes=classes, withheld=withheld)
    found = all_of(open_points([tmp_path / "a.laz"]))
    assert len(found.x) == ((classes == 2) & ~withheld).sum()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"classes": 1}, r"aren't classified \(none is of class 2, ground\); have the ground"),
        ({"crs": None}, r"names no coordinate system; give it"),
        ({"crs": "EPSG:4326"}, r"are in degrees; reproject them"),
        ({"crs": {1024: 1, 3072: 32767}}, r"names no coordinate system; give it"),
    ],
)
def test_points_that_cannot_be_used_are_refused_with_the_mend(tmp_path, options, sentence):
    write_points(scattered(2000), tmp_path / "a.laz", **options)
    with pytest.raises(TerrainError, match=sentence):
        open_points([tmp_path / "a.laz"])


def test_a_coordinate_system_may_be_given(tmp_path):
    write_points(scattered(2000), tmp_path / "a.laz", crs=None)
    assert open_points([tmp_path / "a.laz"], crs="EPSG:32628").xy_unit_m == 1.0


def test_files_that_are_no_points_are_refused(tmp_path):
    (tmp_path / "a.laz").write_bytes(b"LASF and then nothing of the kind")
    with pytest.raises(TerrainError, match=r"a\.laz can't be read as points; give whole"):
        open_points([tmp_path / "a.laz"])
    with pytest.raises(TerrainError, match="doesn't exist"):
        open_points([tmp_path / "b.laz"])
    (tmp_path / "empty").mkdir()
    with pytest.raises(TerrainError, match="holds no LAS or LAZ file"):
        open_points([tmp_path / "empty"])


def test_a_file_cut_short_is_refused(tmp_path):
    write_points(scattered(), tmp_path / "a.las")
    whole = (tmp_path / "a.las").read_bytes()
    (tmp_path / "a.las").write_bytes(whole[: len(whole) // 2 - 7])
    with pytest.raises(TerrainError, match="cut off or damaged"):
        open_points([tmp_path / "a.las"])


def test_tiles_of_different_planes_are_refused(tmp_path):
    write_points(scattered(2000), tmp_path / "a.laz")
    write_points(scattered(2000), tmp_path / "b.laz", crs="EPSG:32629")
    with pytest.raises(TerrainCrsError, match="are in different coordinate systems; reproject"):
        open_points([tmp_path])


def test_points_in_another_plane_than_the_grid_are_refused(tmp_path):
    write_points(scattered(2000), tmp_path / "a.laz")
    survey = open_points([tmp_path / "a.laz"])
    grids = {}
    for code in (32628, 32629):
        path = tmp_path / f"{code}.tif"
        write_grid(path, np.zeros((4, 4)), crs=f"EPSG:{code}", corner=(EAST, NORTH))
        grids[code] = open_terrain(str(path))
    check_same_plane(survey, grids[32628])
    with pytest.raises(TerrainCrsError, match="another coordinate system than the terrain grid"):
        check_same_plane(survey, grids[32629])


def test_the_grid_of_a_plane_is_the_plane(tmp_path):
    write_points(scattered(), tmp_path / "a.laz")
    survey = open_points([tmp_path / "a.laz"])
    grid = grid_of(survey)
    assert not Path(grid.path).exists()
    assert grid.cell_m == pytest.approx(survey.density_per_m2**-0.5, rel=1e-6)
    z = read_window(grid, 0, grid.rows, 0, grid.cols)[5:-5, 5:-5]
    row, col = np.indices(z.shape) + 5
    x, y = grid.to_plane(row, col)
    plane = 100.0 + 0.04 * (x - EAST) - 0.02 * (y - NORTH)
    assert np.isfinite(z).mean() > 0.99
    off = np.abs(z - plane)
    # beside wide gaps the slope isn't known well
    assert np.nanmax(off) < 0.02
    assert np.nanquantile(off, 0.99) < 0.003


def test_the_grid_follows_the_triangles_and_keeps_holes(tmp_path):
    """Beside scipy's Delaunay interpolation of the same points; a hole of 6 m stays open."""
    made = scattered(40_000)
    z = made.z + 0.1 * np.sin((made.x - EAST) / 3.0)
    made = replace(made, z=z)
    hole = np.hypot(made.x - EAST - 30.0, made.y - NORTH - 30.0) < 3.0
    write_points(made.part(~hole), tmp_path / "a.laz")
    grid = grid_of(open_points([tmp_path / "a.laz"]))
    found = read_window(grid, 0, grid.rows, 0, grid.cols)
    x, y = grid.to_plane(*np.indices(found.shape))
    read = LinearNDInterpolator(np.column_stack([made.x - EAST, made.y - NORTH]), made.z)
    away = np.hypot(x - EAST - 30.0, y - NORTH - 30.0)
    assert np.isnan(found[away < 1.8]).all()
    inside = (np.abs(x - EAST - 30.0) < 28.0) & (np.abs(y - NORTH - 30.0) < 28.0) & (away > 3.5)
    assert np.isfinite(found[inside]).mean() > 0.995
    off = found[inside] - read(x[inside] - EAST, y[inside] - NORTH)
    assert np.sqrt(np.nanmean(off**2)) < 0.003


def test_the_grid_of_boxes_is_that_of_the_whole(tmp_path):
    write_points(scattered(), tmp_path / "a.laz")
    survey = open_points([tmp_path / "a.laz"])
    box = np.array([[EAST + 5.0, NORTH + 5.0, EAST + 25.0, NORTH + 55.0]])
    part, whole = grid_of(survey, box), grid_of(survey)
    a, b = (read_window(g, 20, whole.rows - 20, 20, 50) for g in (part, whole))
    np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("protocol", [4, 5])
def test_a_grid_in_memory_goes_to_another_process(tmp_path, protocol):
    """Its heights are there under the same name, and the same to the last bit."""
    write_points(scattered(), tmp_path / "a.laz")
    grid = grid_of(open_points([tmp_path / "a.laz"]))
    (tmp_path / "grid").write_bytes(pickle.dumps(grid, protocol=protocol))
    code = (
        "import pathlib, pickle, sys\n"
        "import numpy as np\n"
        "from analysis.terrain.grid import read_window\n"
        "folder = pathlib.Path(sys.argv[1])\n"
        "grid = pickle.loads((folder / 'grid').read_bytes())\n"
        "np.save(folder / 'z.npy', read_window(grid, 0, grid.rows, 0, grid.cols))\n"
        "print(grid.path)\n"
    )
    order = [sys.executable, "-c", code, str(tmp_path)]
    done = subprocess.run(order, check=True, stdout=subprocess.PIPE, text=True)
    assert done.stdout.strip() == grid.path
    here = read_window(grid, 0, grid.rows, 0, grid.cols)
    assert np.load(tmp_path / "z.npy").tobytes() == here.tobytes()
