"""Terrain grids: units, coordinate systems, windows, bad files."""

import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import analysis.terrain.grid as terrain_module
from analysis.common.errors import TerrainError
from analysis.terrain.grid import Terrain, checksum, open_terrain, read_window
from analysis.terrain.picture import read_overview
from tests.builders.files import EAST, NORTH, UTM

RAMP = np.arange(60.0).reshape(6, 10) + 100.0


def grid(transform=(1.0, 0.0, 0.0, 0.0, -1.0, 0.0), rows=10, cols=10) -> Terrain:
    return Terrain("none.tif", "", transform, rows, cols, 1.0, 1.0, "given")


# ---------------------------------------------------------------- opening and reading


def test_open_terrain_describes_north_up_grid(write_grid):
    found = open_terrain(write_grid(RAMP, cell=0.5, units="metre"))
    assert (found.rows, found.cols, found.cell_m, found.name) == (6, 10, 0.5, "grid")
    assert found.bounds == (EAST, NORTH, EAST + 5.0, NORTH + 3.0)
    assert found.z_unit_m == 1.0 and found.z_unit_sure
    assert "band" in found.z_unit_source


def test_read_window_inside_and_outside(write_grid):
    found = open_terrain(write_grid(RAMP))
    block = read_window(found, -1, 3, 8, 12)
    assert block.shape == (4, 4)
    assert np.isnan(block[0]).all() and np.isnan(block[:, 2:]).all()
    np.testing.assert_array_equal(block[1:, :2], RAMP[:3, 8:])
    assert np.isnan(read_window(found, 20, 22, 0, 2)).all()
    assert read_window(found, 3, 3, 0, 2).shape == (0, 2)


@pytest.mark.parametrize("dtype", ["float32", "float64", "int16"])
@pytest.mark.parametrize("code", [-9999.0, 0.0])
def test_read_window_declared_nodata_is_nan(write_grid, dtype, code):
    z = RAMP.copy()
    z[2, 3] = code
    block = read_window(open_terrain(write_grid(z, dtype=dtype, nodata=code)), 0, 6, 0, 10)
    assert np.isnan(block[2, 3]) and np.isnan(block).sum() == 1


@pytest.mark.parametrize("code", [-9999.0, -32768.0, -3.4028234663852886e38, np.nan, np.inf, 1e20])
def test_read_window_undeclared_codes_are_nan(write_grid, code):
    z = RAMP.copy()
    z[2, 3] = code
    block = read_window(open_terrain(write_grid(z, dtype="float32")), 0, 6, 0, 10)
    assert np.isnan(block[2, 3]) and np.isnan(block).sum() == 1


def test_read_window_from_several_threads_at_once(write_grid):
    from concurrent.futures import ThreadPoolExecutor

    z = np.random.default_rng(0).normal(100, 1, (300, 300))
    found = open_terrain(write_grid(z, tiled=True, blockxsize=64, blockysize=64))
    with ThreadPoolExecutor(4) as pool:
        parts = pool.map(lambda r: read_window(found, r, r + 20, 0, 300), range(0, 300, 20))
    np.testing.assert_array_equal(np.concatenate(list(parts)), z)


def test_read_window_mask_band_is_nan(write_grid):
    from analysis.terrain.geofiles import rasterio

    path = write_grid(RAMP)
    with rasterio.open(path, "r+") as dataset:
        mask = np.full(RAMP.shape, 255, dtype="uint8")
        mask[1, 1] = 0
        dataset.write_mask(mask)
    block = read_window(open_terrain(path), 0, 6, 0, 10)
    assert np.isnan(block[1, 1]) and np.isnan(block).sum() == 1


def test_read_window_scale_and_offset(write_grid):
    from analysis.terrain.geofiles import rasterio

    path = write_grid(RAMP, dtype="int16")
    with rasterio.open(path, "r+") as dataset:
        dataset.scales, dataset.offsets = (0.01,), (250.0,)
    block = read_window(open_terrain(path), 0, 6, 0, 10)
    np.testing.assert_allclose(block, RAMP * 0.01 + 250.0, atol=1e-12)


@pytest.mark.parametrize(
    ("driver", "name"),
    [
        ("GTiff", "a.tif"),
        ("COG", "a.tif"),
        ("AAIGrid", "a.asc"),
        ("VRT", "a.vrt"),
        ("HFA", "a.img"),
    ],
)
def test_open_terrain_formats_give_the_same_heights(write_grid, tmp_path, driver, name):
    from rasterio import shutil

    from analysis.terrain.geofiles import rasterio

    source = write_grid(RAMP, name="source.tif", dtype="float32")
    if driver == "VRT":
        with rasterio.open(source) as one, rasterio.vrt.WarpedVRT(one) as view:
            shutil.copy(view, tmp_path / name, driver="VRT")
    else:
        shutil.copy(source, tmp_path / name, driver=driver)
    found = open_terrain(tmp_path / name)
    np.testing.assert_allclose(read_window(found, 0, 6, 0, 10), RAMP, atol=1e-3)
    np.testing.assert_allclose(found.bounds, (EAST, NORTH, EAST + 10, NORTH + 6))


@pytest.mark.parametrize(
    "matrix",
    [
        (2.0, 0.0, 50.0, 0.0, -2.0, 80.0),  # north up
        (2.0, 0.0, 50.0, 0.0, 2.0, 80.0),  # south up
        (1.2, 1.6, 50.0, 1.6, -1.2, 80.0),  # rotated
        (-2.0, 0.0, 50.0, 0.0, -2.0, 80.0),  # east to west
    ],
)
def test_to_plane_and_to_grid_agree_with_rasterio(write_grid, matrix):
    """Reference: rasterio's own cell-centre coordinates."""
    from analysis.terrain.geofiles import rasterio

    path = write_grid(RAMP, transform=matrix)
    found = open_terrain(path)
    row, col = np.array([0, 5, 2]), np.array([0, 9, 7])
    with rasterio.open(path) as dataset:
        expected = dataset.xy(row, col)
    x, y = found.to_plane(row, col)
    np.testing.assert_allclose((x, y), expected, atol=1e-9)
    np.testing.assert_allclose(found.to_grid(x, y), (row, col), atol=1e-9)
    assert found.cell_m == pytest.approx(2.0)


@given(
    turn=st.floats(0, 6.3),
    size=st.floats(0.1, 10),
    east=st.floats(-1e7, 1e7),
    row=st.floats(-50, 50),
    col=st.floats(-50, 50),
)
def test_to_grid_undoes_to_plane(turn, size, east, row, col):
    c, s = size * np.cos(turn), size * np.sin(turn)
    found = grid((c, s, east, s, -c, 5e6))
    np.testing.assert_allclose(found.to_grid(*found.to_plane(row, col)), (row, col), atol=1e-6)


# ---------------------------------------------------------------- units


@pytest.mark.parametrize(
    ("units", "metres"),
    [
        ("metre", 1.0),
        ("m", 1.0),
        ("ft", 0.3048),
        ("foot", 0.3048),
        ("US survey foot", 1200 / 3937),
        ("US_survey_foot", 1200 / 3937),
        ("cm", 0.01),
    ],
)
def test_vertical_unit_from_band(write_grid, units, metres):
    found = open_terrain(write_grid(RAMP, units=units))
    assert found.z_unit_m == pytest.approx(metres, rel=1e-12)
    np.testing.assert_allclose(read_window(found, 0, 1, 0, 1), RAMP[0, 0] * metres)


@pytest.mark.parametrize(
    ("crs", "metres", "source"),
    [
        # EPSG registry: 5703 NAVD88 height (metre), 6360 NAVD88 height (ftUS), 8228 (ft)
        ("EPSG:6339+5703", 1.0, "file"),
        ("EPSG:6339+6360", 1200 / 3937, "file"),
        ("EPSG:2994+8228", 0.3048, "file"),
        # 2994 is in feet, 2225 in US survey feet, 32610 in metres, none with a vertical part
        ("EPSG:2994", 0.3048, "assumed foot"),
        ("EPSG:2225", 1200 / 3937, "assumed us-foot"),
        (UTM, 1.0, "assumed metre"),
    ],
)
def test_vertical_unit_from_coordinate_system(write_grid, crs, metres, source):
    found = open_terrain(write_grid(RAMP, crs=crs))
    assert found.z_unit_m == pytest.approx(metres, rel=1e-9)
    assert found.z_unit_source.startswith(source)
    assert found.z_unit_sure == (source == "file")


def test_vertical_unit_compound_system_without_band_unit(write_grid):
    path = write_grid(RAMP, name="a.img", driver="HFA", crs="EPSG:2994+8228", dtype="float32")
    assert open_terrain(path).z_unit_m == pytest.approx(0.3048)


def test_vertical_unit_from_tag_before_coordinate_system(write_grid):
    found = open_terrain(write_grid(RAMP, tags={"VERTICAL_UNITS": "feet"}))
    assert found.z_unit_m == 0.3048 and "VERTICAL_UNITS" in found.z_unit_source


def test_vertical_unit_given_wins_and_says_what_it_overrode(write_grid):
    found = open_terrain(write_grid(RAMP, units="metre"), vertical_unit="us-foot")
    assert found.z_unit_m == 1200 / 3937
    assert found.z_unit_source.startswith("given: us-foot (against")
    agreed = open_terrain(write_grid(RAMP, units="metre"), vertical_unit="metre")
    assert agreed.z_unit_source == "given: metre"


def test_vertical_unit_given_mends_an_unknown_one(write_grid):
    assert open_terrain(write_grid(RAMP, units="fathom"), vertical_unit="foot").z_unit_m == 0.3048


def test_plane_of_a_grid_in_feet_is_in_metres(write_grid):
    found = open_terrain(write_grid(RAMP, crs="EPSG:2994", cell=3.0))
    assert found.xy_unit_m == pytest.approx(0.3048)
    assert found.cell_m == pytest.approx(0.9144)
    assert found.bounds[0] == pytest.approx(EAST * 0.3048)


def test_site_grid_takes_unit_of_its_axes(write_grid):
    found = open_terrain(write_grid(RAMP, crs='LOCAL_CS["site grid",UNIT["foot",0.3048]]'))
    assert found.xy_unit_m == pytest.approx(0.3048)


# ---------------------------------------------------------------- coordinate systems


def test_open_terrain_crs_given(write_grid):
    found = open_terrain(write_grid(RAMP, crs=None), crs=UTM)
    assert "UTM zone 10N" in found.crs_wkt


def test_open_terrain_warp_lays_degrees_on_utm(write_grid):
    """By hand: 123 W is the middle of zone 10, easting 500 000; 45 N has northing 4 982 950."""
    step = 1e-5
    z = np.tile(np.arange(80.0), (60, 1)) + 100.0
    path = write_grid(
        z, crs="EPSG:4326", transform=(step, 0, -123 - 40 * step, 0, -step, 45 + 30 * step)
    )
    found = open_terrain(path, warp=True)
    assert found.warp_crs is not None and "UTM zone 10N" in found.warp_crs
    w, s, e, n = found.bounds
    assert (w + e) / 2 == pytest.approx(500_000.0, abs=1.5)
    assert (s + n) / 2 == pytest.approx(4_982_950.4, abs=1.5)
    block = read_window(found, 0, found.rows, 0, found.cols)
    row, col = found.to_grid([500_000.0], [4_982_950.4])
    # 80 columns of 1e-5 degrees: column c holds 100 + c, the middle 139.5
    assert block[round(row[0]), round(col[0])] == pytest.approx(139.5, abs=1.0)
    assert read_overview(found, None, 50, 50).z.size > 0


def test_open_terrain_warp_southern_zone(write_grid):
    step = 1e-5
    path = write_grid(RAMP, crs="EPSG:4326", transform=(step, 0, 147.0, 0, -step, -42.0))
    assert "UTM zone 55S" in open_terrain(path, warp=True).crs_wkt


def test_open_terrain_warp_keeps_holes_unknown(write_grid):
    step = 1e-5
    z = np.full((60, 80), 100.0)
    z[20:40, 30:50] = -9999.0
    path = write_grid(z, crs="EPSG:4326", transform=(step, 0, -123, 0, -step, 45), nodata=-9999.0)
    block = read_window(found := open_terrain(path, warp=True), 0, found.rows, 0, found.cols)
    known = block[np.isfinite(block)]
    assert 0 < np.isnan(block).mean() < 0.6
    np.testing.assert_allclose(known, 100.0)


def test_open_terrain_warp_ignored_for_plane_grid(write_grid):
    assert open_terrain(write_grid(RAMP), warp=True).warp_crs is None


# ---------------------------------------------------------------- checksum


def test_checksum_small_file(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"abc")
    # FIPS 180-4 example value for "abc"
    assert checksum(path) == (
        "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_checksum_large_file_says_how(tmp_path, monkeypatch):
    monkeypatch.setattr(terrain_module, "_WHOLE_FILE_BYTES", 10)
    monkeypatch.setattr(terrain_module, "_PART_BYTES", 4)
    path = tmp_path / "a.bin"
    path.write_bytes(b"headxxxxxtail")
    text = checksum(path)
    assert text.startswith("sha256 of size, first and last")
    assert text.endswith(hashlib.sha256(b"13headtail").hexdigest())


# ---------------------------------------------------------------- bad input, one sentence each


def test_open_terrain_missing_file(tmp_path):
    with pytest.raises(TerrainError, match=r"none\.tif doesn't exist; check the path"):
        open_terrain(tmp_path / "none.tif")


def test_open_terrain_empty_file(tmp_path):
    (tmp_path / "a.tif").touch()
    with pytest.raises(TerrainError, match="is an empty file; fetch it again"):
        open_terrain(tmp_path / "a.tif")


def test_open_terrain_not_a_raster(tmp_path):
    (tmp_path / "a.tif").write_text("no raster")
    with pytest.raises(TerrainError, match="can't be read as a raster; give a GeoTIFF"):
        open_terrain(tmp_path / "a.tif")


def test_open_terrain_folder(tmp_path):
    with pytest.raises(TerrainError, match="can't be read as a raster"):
        open_terrain(tmp_path)


def test_open_terrain_no_crs(tmp_path):
    path = tmp_path / "a.asc"
    path.write_text("ncols 2\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2\n3 4\n")
    with pytest.raises(TerrainError, match=r"no coordinate system; put a \.prj file beside it, or"):
        open_terrain(path)


def test_open_terrain_unknown_crs_given(write_grid):
    with pytest.raises(TerrainError, match='coordinate system "EPSG:1" is not known'):
        open_terrain(write_grid(RAMP), crs="EPSG:1")


def test_open_terrain_degrees(write_grid):
    with pytest.raises(TerrainError, match="is in degrees; reproject it to a plane in metres"):
        open_terrain(write_grid(RAMP, crs="EPSG:4326", transform=(1e-5, 0, 5, 0, -1e-5, 45)))


def test_open_terrain_degrees_at_the_pole(write_grid):
    path = write_grid(RAMP, crs="EPSG:4326", transform=(1e-5, 0, 5, 0, -1e-5, 89))
    with pytest.raises(TerrainError, match="outside the UTM zones"):
        open_terrain(path, warp=True)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_open_terrain_no_place_on_the_ground(write_grid):
    path = write_grid(RAMP, transform=(1, 0, 0, 0, 1, 0))
    with pytest.raises(TerrainError, match="has no place on the ground"):
        open_terrain(path, crs=UTM)


def test_open_terrain_picture(write_grid):
    path = write_grid(np.ones((3, 4, 5)), dtype="uint8", photometric="RGB")
    with pytest.raises(TerrainError, match="is a picture and not a grid of heights"):
        open_terrain(path)


def test_open_terrain_unknown_unit_in_file(write_grid):
    with pytest.raises(TerrainError, match='heights in "fathom", which is not a known unit'):
        open_terrain(write_grid(RAMP, units="fathom"))


def test_open_terrain_unknown_unit_given(write_grid):
    with pytest.raises(TerrainError, match='vertical unit "yard" is not known; give metre, foot'):
        open_terrain(write_grid(RAMP), vertical_unit="yard")


def test_read_window_file_gone(write_grid):
    path = write_grid(RAMP)
    found = open_terrain(path)
    Path(path).unlink()
    with pytest.raises(TerrainError, match="can't be read any more"):
        read_window(found, 0, 1, 0, 1)


def test_read_window_broken_file(write_grid):
    path = write_grid(np.random.default_rng(0).normal(size=(300, 300)), compress="deflate")
    found = open_terrain(path)
    whole = Path(path).read_bytes()
    Path(path).write_bytes(whole[: len(whole) // 2])
    with pytest.raises(TerrainError, match="can't be read any more"):
        read_window(found, 0, 300, 0, 300)


def test_checksum_missing_file(tmp_path):
    with pytest.raises(TerrainError, match="doesn't exist"):
        checksum(tmp_path / "none")


# ---------------------------------------------------------------- two copies of GDAL

ORDERS = {
    "raster first": "import rasterio, rasterio.warp\nimport fiona",
    "vector first": "import fiona\nimport rasterio, rasterio.warp",
    "our own door": "from analysis.terrain.geofiles import fiona, rasterio",
}


@pytest.mark.parametrize("order", ORDERS)
def test_both_libraries_work_in_one_process(write_grid, write_lines, order):
    """Hand value: UTM has easting 500 000 m on its central meridian (123 W in zone 10)."""
    raster = write_grid(RAMP)
    vector = write_lines([{"type": "LineString", "coordinates": [(0.0, 0.0), (1.0, 1.0)]}])
    code = f"""{ORDERS[order]}
x, y = rasterio.warp.transform("EPSG:4326", "EPSG:32610", [-123.0], [0.0])
assert abs(x[0] - 500000) < 1e-6 and abs(y[0]) < 1e-6, (x, y)
with rasterio.open({raster!r}) as a:
    assert a.read(1)[0, 0] == 100.0 and a.crs.to_epsg() == 32610
with fiona.open({vector!r}) as b:
    assert len(b) == 1 and "UTM zone 10N" in b.crs_wkt
x, y = rasterio.warp.transform("EPSG:32610", "EPSG:4326", [500000.0], [0.0])
assert abs(x[0] + 123) < 1e-9
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_import_of_terrain_leaves_heavy_libraries_out():
    code = (
        "import sys, analysis.terrain.grid, analysis.road.read_roads, analysis.corridor.ribbon\n"
        "bad = {'rasterio', 'fiona', 'scipy.spatial', 'numba'} & set(sys.modules)\n"
        "assert not bad, bad"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
