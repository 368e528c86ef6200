"""One scene in many dresses: whatever format, order or unit it comes in, the findings are the same.

Every case goes through the command line, as a person would do it, and is held against the plain
GeoTIFF and GeoPackage.
"""

import math
import sqlite3
import struct
from contextlib import closing
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from analysis import cli
from analysis.findings.geopackage import read_findings
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain
from tests.builders.files import write_grid, write_lines

_CRS = "EPSG:32628"
_NAME = "Thornwick Lane"


_MEASURED = (
    ("pavement_slope_pct", "pavement_slope_se"),
    ("shoulder_slope_pct", "shoulder_slope_se"),
    ("edge_drop_mm", "edge_drop_se"),
)


def _assert_equal(a, b):
    """The same numbers went in, so the same come out."""
    for name in (*(name for pair in _MEASURED for name in pair), "edge_offset_m", "p_wont_shed"):
        np.testing.assert_allclose(a[name], b[name], rtol=1e-6, atol=1e-6, err_msg=name)
    for name in ("finding", "verdict", "reason"):
        np.testing.assert_array_equal(a[name], b[name], name)


def _assert_same(a, b):
    """The same ground but for rounding: far inside the errors that the values carry.

    At a few stations a tie between two places for an edge may fall the other way.
    """
    for name, error in _MEASURED:
        np.testing.assert_array_equal(np.isfinite(a[name]), np.isfinite(b[name]), name)
        known = np.isfinite(a[name])
        away = np.abs(a[name] - b[name])[known] / a[error][known]
        assert np.median(away) <= 0.05, name
        assert np.mean(away <= 0.5) >= 0.95, name
    assert (a["verdict"] == b["verdict"]).mean() >= 0.95
    assert (a["finding"] == b["finding"]).mean() >= 0.95


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    """The scene as plain files, what was found there, and a way to screen it otherwise."""
    folder = tmp_path_factory.mktemp("scene")
    scene = make_scene(random_spec(31, "ordinary", length_m=200.0), seed=5)
    grid, road = folder / "grid.tif", folder / "road.gpkg"
    write_terrain(scene, grid, compress=False)
    xy = scene.roads[0].xy
    _write_lines(road, [xy])

    def screen(grid=grid, road=road, *words):
        out = folder / "out.gpkg"
        out.unlink(missing_ok=True)
        inputs = ["--grid", str(grid), "--centreline", str(road), "--out", str(out)]
        assert cli.main(["screen", "--quiet", *inputs, "--half-width", "10", *words]) == 0
        return read_findings(out).stations

    z = np.where(np.isfinite(scene.z), scene.z, np.nan).astype("float32")
    found = screen()
    # a scene in which nothing is found, or nothing is known, would prove nothing
    assert len(set(found["finding"])) > 1 and np.isfinite(found["shoulder_slope_pct"]).mean() > 0.8
    return SimpleNamespace(
        folder=folder, z=z, transform=scene.transform, xy=xy, grid=grid, screen=screen, found=found
    )


def _write_lines(path, lines, *, names=(), crs=_CRS, **given):
    """Write lines as features with a name; further fields have one value for all."""
    own = {key: given.pop(key) for key in tuple(given) if key.endswith("_m")}
    rows = [{"name": name, **own} for name in names or [_NAME] * len(lines)]
    return write_lines(path, lines, rows, crs=crs, **given)


def _moved(xy, crs):
    from rasterio.warp import transform

    return np.column_stack(transform(_CRS, crs, xy[:, 0].tolist(), xy[:, 1].tolist()))


def _write_grid(path, z, transform, *, dtype="float32", **options):
    place = {"transform": transform, "crs": _CRS}
    return write_grid(path, z, dtype=dtype, units="metre", **place, **options)


def _copied(ground, name, driver, **options):
    from rasterio.shutil import copy

    path = ground.folder / name
    copy(ground.grid, path, driver=driver, **options)
    return path


@pytest.mark.parametrize(
    ("name", "driver", "options"),
    [
        ("grid.vrt", "VRT", {}),
        ("cog.tif", "COG", {"compress": "deflate"}),
        ("grid.asc", "AAIGrid", {"decimal_precision": 4}),
    ],
)
def test_grid_formats(ground, name, driver, options):
    """VRT and COG hold the very numbers; four decimals of an ASCII grid are a tenth of a mm."""
    same = _assert_same if driver == "AAIGrid" else _assert_equal
    same(ground.found, ground.screen(_copied(ground, name, driver, **options)))


def test_ascii_grid_without_prj(ground, capsys):
    """An ASCII grid alone knows no CRS: it is refused with the way out, and read with --crs."""
    path = _copied(ground, "bare.asc", "AAIGrid", decimal_precision=4)
    for beside in (path.with_suffix(".prj"), path.with_suffix(".asc.aux.xml")):
        beside.unlink(missing_ok=True)
    road = str(ground.folder / "road.gpkg")
    words = ["screen", "--grid", str(path), "--centreline", road, "--out", f"{path}.gpkg"]
    assert cli.main(words) == 2
    said = capsys.readouterr().err
    assert "no coordinate system" in said and "--crs" in said
    capsys.readouterr()
    _assert_same(ground.found, ground.screen(path, road, "--crs", _CRS))
    assert "assumed metre" in capsys.readouterr().err


@pytest.mark.parametrize(("offset", "code"), [(0.0, -9999), (150.0, -(2**31))])
def test_whole_millimetres_with_scale_and_offset(ground, offset, code):
    """Whole numbers are heights by the band's scale and offset (half a millimetre of rounding)."""
    whole = np.where(np.isnan(ground.z), code, np.rint((ground.z - offset) * 1000.0))
    path = _write_grid(
        ground.folder / "whole.tif",
        whole,
        ground.transform,
        dtype="int32",
        scale=(0.001, offset),
        nodata=code,
    )
    _assert_same(ground.found, ground.screen(path))


@pytest.mark.parametrize(
    ("dtype", "code", "declared"),
    [
        ("float64", math.nan, True),
        ("float32", math.nan, False),
        ("float32", -9999.0, False),
        ("float32", -3.4028234663852886e38, True),
    ],
)
def test_unknown_heights_in_any_code(ground, dtype, code, declared):
    """NaN and the customary codes are unknown, declared or not; doubles are as good as floats."""
    z = np.where(np.isnan(ground.z), code, ground.z.astype(float))
    nodata = {"nodata": code} if declared else {}
    path = _write_grid(ground.folder / "code.tif", z, ground.transform, dtype=dtype, **nodata)
    _assert_equal(ground.found, ground.screen(path))


def test_south_up_and_tiled(ground):
    """Rows from south to north in tiles are the same ground."""
    a, b, c, d, e, f = ground.transform
    turned = (a, b, c, d, -e, f + e * len(ground.z))
    tiles = {"tiled": True, "blockxsize": 64, "blockysize": 64, "nodata": math.nan}
    path = _write_grid(ground.folder / "southup.tif", ground.z[::-1], turned, **tiles)
    _assert_same(ground.found, ground.screen(path))


def test_rotated_grid(ground):
    """Grid and road turned together by 30 degrees are the same road in another direction."""
    from rasterio import Affine

    middle = ground.xy.mean(axis=0)
    turn = Affine.rotation(30.0, pivot=tuple(middle))
    transform = tuple(turn @ Affine(*ground.transform))[:6]
    path = _write_grid(ground.folder / "rotated.tif", ground.z, transform, nodata=math.nan)
    xy = np.column_stack(turn @ (ground.xy[:, 0], ground.xy[:, 1]))
    road = _write_lines(ground.folder / "rotated.gpkg", [xy])
    _assert_same(ground.found, ground.screen(path, road))


@pytest.mark.parametrize(
    ("name", "driver", "crs"),
    [
        ("road.shp", "ESRI Shapefile", _CRS),
        ("road.geojson", "GeoJSON", "EPSG:4326"),
        ("road.fgb", "FlatGeobuf", _CRS),
        ("zone.gpkg", "GPKG", "EPSG:32629"),
    ],
)
def test_centreline_formats_and_coordinate_systems(ground, name, driver, crs):
    """Shapefile, GeoJSON in degrees, FlatGeobuf and the neighbouring UTM zone give one road."""
    options = {"COORDINATE_PRECISION": 9} if driver == "GeoJSON" else {}
    xy = ground.xy if crs == _CRS else _moved(ground.xy, crs)
    path = _write_lines(ground.folder / name, [xy], driver=driver, crs=crs, **options)
    found = ground.screen(ground.grid, path)
    assert set(found["road"]) == {_NAME}
    _assert_same(ground.found, found)


def test_parts_and_features_of_one_road(ground):
    """A road in parts, and one in two features of which one runs backward, is one road."""
    cut = len(ground.xy) // 2
    first, second = ground.xy[: cut + 1], ground.xy[cut:]
    parts = _write_lines(ground.folder / "parts.gpkg", [[first, second]], kind="MultiLineString")
    _assert_equal(ground.found, ground.screen(ground.grid, parts))
    features = _write_lines(ground.folder / "features.gpkg", [first, second[::-1]])
    _assert_equal(ground.found, ground.screen(ground.grid, features))


def test_many_roads(ground, capsys):
    """Other roads in the file, on the grid and off it, change nothing for this one."""
    stub = ground.xy[:2] + 0.5
    far = ground.xy + 1e5
    names = ("Quern Track", _NAME, "Faraway Road")
    path = _write_lines(ground.folder / "many.gpkg", [stub, ground.xy, far], names=names)
    found = ground.screen(ground.grid, path)
    assert set(found["road"]) == {"Quern Track", _NAME}
    assert '"Faraway Road"' in capsys.readouterr().err
    _assert_equal(ground.found, found.where(found["road"] == _NAME))


def test_heights_on_the_line_and_a_start_field(ground):
    """A third coordinate is passed over; a start field moves the labels and nothing else."""
    xyz = np.column_stack([ground.xy, np.linspace(5.0, 9.0, len(ground.xy))])
    path = _write_lines(ground.folder / "start.gpkg", [xyz], kind="3D LineString", start_m=1000.0)
    found = ground.screen(ground.grid, path)
    np.testing.assert_allclose(found["station_m"], ground.found["station_m"] + 1000.0)
    _assert_equal(ground.found, found)


def test_measures_label_the_stations(ground):
    """M values give the labels; the places and what was measured there stay."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ground.xy, axis=0).T))])
    words = ", ".join(
        f"{x!r} {y!r} {2500.0 + m!r}"
        for (x, y), m in zip(ground.xy.tolist(), along.tolist(), strict=True)
    )
    path = _write_lines(ground.folder / "measured.gpkg", [ground.xy])
    blob = shapely.to_wkb(shapely.from_wkt(f"LINESTRING M ({words})"), flavor="iso")
    # the header of a GeoPackage geometry (OGC 12-128r18, clause 2.1.3) before the ISO WKB
    head = b"GP" + struct.pack("<BBi", 0, 1, 32628)
    with closing(sqlite3.connect(path)) as base:
        for (trigger,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute("UPDATE gpkg_geometry_columns SET m = 1")
        base.execute("UPDATE measured SET geom = ?", (head + blob,))
        base.commit()
    found = ground.screen(ground.grid, path)
    np.testing.assert_allclose(found["station_m"], ground.found["station_m"] + 2500.0, atol=1e-6)
    _assert_equal(ground.found, found)
