"""Whatever is wrong with the input: one sentence, exit code 2, and every file as it was.

What the plain cases of test_cli.py leave out: odd rasters, odd lines, outputs that would destroy
something, and stopping in the middle.
"""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from types import SimpleNamespace

import numpy as np
import pytest

from analysis import cli
from analysis.findings.geopackage import read_findings
from tests.builders.files import write_grid, write_lines

_CRS = "EPSG:32633"
_WEST, _NORTH, _CELL = 300_000.0, 5_000_100.0, 0.5
_MIDDLE = _WEST + 20.0


def _write_grid(path, z, *, corner=(_WEST, _NORTH), dtype="float32", units="metre", **options):
    place = {"cell": _CELL, "corner": corner, "crs": _CRS}
    return write_grid(path, z, dtype=dtype, units=units, **place, **options)


def _write_line(path, points, **options):
    return write_lines(path, [points], [{"name": "Alder Lane"}], crs=_CRS, **options)


@pytest.fixture(scope="module")
def ground():
    """Heights of a sound crowned road running north, 40 m by 80 m."""
    u = np.abs(_WEST + _CELL * (np.arange(80) + 0.5) - _MIDDLE)
    z = 100.0 - 0.02 * u - 0.02 * np.maximum(u - 3.5, 0.0)
    return np.repeat(z[None, :], 160, axis=0) + np.random.default_rng(1).normal(0, 0.01, (160, 80))


@pytest.fixture
def good(tmp_path, ground):
    """Good files: a grid, a road, and the place for findings."""
    grid = _write_grid(tmp_path / "grid.tif", ground)
    road = _write_line(tmp_path / "road.gpkg", [(_MIDDLE, _NORTH - 75.0), (_MIDDLE, _NORTH - 5.0)])
    return SimpleNamespace(grid=grid, road=road, out=tmp_path / "out.gpkg", folder=tmp_path)


def _words(grid, road, out, *more):
    inputs = ["--grid", str(grid), "--centreline", str(road), "--out", str(out)]
    return ["screen", "--quiet", *inputs, "--half-width", "10", *more]


def _snapshot(folder):
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _assert_refused(capsys, folder, words, *expected):
    """One sentence that names the trouble, exit code 2, and no file new, gone or changed."""
    before = _snapshot(folder)
    capsys.readouterr()
    code = cli.main(words)
    lines = capsys.readouterr().err.strip().splitlines()
    assert code == 2, lines
    assert lines[-1].startswith("vergeline: ") and all(s.startswith("note: ") for s in lines[:-1])
    for part in expected:
        assert part in lines[-1]
    assert _snapshot(folder) == before


# ---------------------------------------------------------------- rasters


def test_pictures_are_not_heights(good, ground, capsys):
    """A palette raster and a complex one are refused as what they are."""
    import rasterio

    palette = good.folder / "palette.tif"
    _write_grid(palette, np.full((160, 80), 7), dtype="uint8", photometric="palette", units=None)
    with rasterio.open(palette, "r+") as out:
        out.write_colormap(1, {7: (10, 20, 30, 255)})
    waves = _write_grid(good.folder / "waves.tif", ground, dtype="complex64")
    for path in (palette, waves):
        words = _words(path, good.road, good.out)
        _assert_refused(capsys, good.folder, words, path.name, "picture")


@pytest.mark.parametrize("share", [0.0, 0.002, 0.5])
def test_truncated_raster(good, share, capsys):
    """A file cut off at any place is refused, also where its head is still whole."""
    whole = good.grid.read_bytes()
    path = good.folder / "cut.tif"
    path.write_bytes(whole[: int(share * len(whole))])
    _assert_refused(capsys, good.folder, _words(path, good.road, good.out), "cut.tif")


def test_truncated_behind_the_directory(good, capsys):
    """Where only blocks are missing, the read in the middle of the job is a sentence too."""
    from rasterio.shutil import copy

    path = good.folder / "cog.tif"
    copy(good.grid, path, driver="COG", blocksize=128, compress="deflate")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    _assert_refused(capsys, good.folder, _words(path, good.road, good.out), "cog.tif", "be read")


def test_no_heights_near_the_road(good, ground, capsys):
    """A grid without heights along the road says so and names the road."""
    z = np.full_like(ground, np.nan)
    z[:, :6] = 100.0
    path = _write_grid(good.folder / "holes.tif", z, nodata=np.nan)
    words = _words(path, good.road, good.out)
    _assert_refused(capsys, good.folder, words, "Alder Lane", "no heights")


def test_one_cell(good, ground, capsys):
    """A grid of one cell holds no road: refused, or every station without data."""
    away = _write_grid(good.folder / "one.tif", ground[:1, :1])
    _assert_refused(capsys, good.folder, _words(away, good.road, good.out), "outside")
    under = (_MIDDLE, _NORTH - 40.0)
    here = _write_grid(good.folder / "here.tif", ground[:1, :1], corner=under)
    assert cli.main(_words(here, good.road, good.out)) == 0
    stations = read_findings(good.out).stations
    assert set(stations["verdict"]) == {"no data"}
    assert np.isnan(stations["p_wont_shed"]).all()


def test_feet_taken_for_metres(good, ground, capsys):
    """A road that would fall three times too steeply is suspected and not measured."""
    path = _write_grid(good.folder / "feet.tif", ground / 0.3048, units=None)
    words = _words(path, good.road, good.out)
    _assert_refused(capsys, good.folder, words, "feet read as metres", "foot")
    assert cli.main([*words, "--vertical-unit", "foot"]) == 0
    slope = read_findings(good.out).stations["shoulder_slope_pct"]
    np.testing.assert_allclose(slope[np.isfinite(slope)], 4.0, atol=0.6)


# ---------------------------------------------------------------- lines


@pytest.mark.parametrize(
    ("end", "expected"),
    [((1e300, _NORTH), "farther off"), ((3e9, _NORTH), "farther off"), ((0.0, 0.0), "km apart")],
)
def test_stray_vertices(good, end, expected, capsys):
    """Huge coordinates and a vertex at 0, 0 are refused, and don't eat the memory."""
    points = [(_MIDDLE, _NORTH - 75.0), (_MIDDLE, _NORTH - 5.0), end]
    road = _write_line(good.folder / "stray.gpkg", points)
    _assert_refused(capsys, good.folder, _words(good.grid, road, good.out), "stray.gpkg", expected)


def test_coordinates_that_are_no_numbers(good, capsys):
    """NaN in a GeoJSON file is named as such."""
    line = {"type": "LineString", "coordinates": [[15.0, 45.0], [float("nan"), 45.1]]}
    feature = {"type": "Feature", "properties": {}, "geometry": line}
    path = good.folder / "nan.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    words = _words(good.grid, path, good.out)
    _assert_refused(capsys, good.folder, words, "nan.geojson", "no numbers")


def test_other_geometry_and_other_layers(good, capsys):
    """Points and areas are no centreline; of several layers one must be named."""
    point = _write_line(good.folder / "point.gpkg", (_MIDDLE, _NORTH), kind="Point")
    _assert_refused(capsys, good.folder, _words(good.grid, point, good.out), "no layer of lines")
    points = [(_MIDDLE, _NORTH - 75.0), (_MIDDLE, _NORTH - 5.0)]
    two = _write_line(good.folder / "two.gpkg", points, layer="old")
    _write_line(two, points, layer="new")
    words = _words(good.grid, two, good.out)
    _assert_refused(capsys, good.folder, words, "old, new", "--layer")
    _assert_refused(capsys, good.folder, [*words, "--layer", "older"], '"older"', "old, new")


def test_files_in_each_others_place(good, capsys):
    """A road given as the grid and a grid given as the road are named."""
    words = _words(good.road, good.grid, good.out)
    _assert_refused(capsys, good.folder, words, "road.gpkg", "raster")
    words = _words(good.grid, good.grid, good.out)
    _assert_refused(capsys, good.folder, words, "grid.tif", "map file")


def test_thousands_of_repeated_vertices_change_nothing(good):
    """A vertex said two thousand times is one vertex."""
    south, north = (_MIDDLE, _NORTH - 75.0), (_MIDDLE, _NORTH - 5.0)
    assert cli.main(_words(good.grid, good.road, good.out)) == 0
    once = read_findings(good.out).stations
    many = _write_line(good.folder / "many.gpkg", [south] * 2000 + [north] * 2000)
    assert cli.main(_words(good.grid, many, good.out)) == 0
    again = read_findings(good.out).stations
    np.testing.assert_allclose(again["shoulder_slope_pct"], once["shoulder_slope_pct"], rtol=1e-9)


@pytest.mark.parametrize("length_m", [0.3, 4.0, 12.0])
def test_roads_shorter_than_a_spacing_or_an_average(good, length_m):
    """A stub is judged as far as its few cells go; unknown stays unknown."""
    points = [(_MIDDLE, _NORTH - 40.0), (_MIDDLE, _NORTH - 40.0 + length_m)]
    road = _write_line(good.folder / "stub.gpkg", points)
    assert cli.main(_words(good.grid, road, good.out, "--spacing", "25")) == 0
    found = read_findings(good.out)
    assert len(found.stations) == 2
    assert float(found.reaches["length_m"].sum()) == pytest.approx(2 * length_m)
    unknown = np.isnan(found.stations["shoulder_slope_pct"])
    assert "sheds" not in set(found.stations["verdict"][unknown])


def test_road_beyond_the_grid_has_no_data(good):
    """Where the road has left the grid nothing is guessed from the last cells."""
    points = [(_MIDDLE, _NORTH - 75.0), (_MIDDLE, _NORTH + 400.0)]
    road = _write_line(good.folder / "long.gpkg", points)
    assert cli.main(_words(good.grid, road, good.out)) == 0
    stations = read_findings(good.out).stations
    beyond = stations["distance_m"] > 100.0
    assert beyond.sum() >= 60
    assert set(stations["verdict"][beyond]) == {"no data"}
    assert "sheds" in set(stations["verdict"][~beyond])


# ---------------------------------------------------------------- options and outputs


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--shoulder-width", "-1"], "shoulder_width_m is -1"),
        (["--shoulder-width", "nan"], "shoulder_width_m is nan"),
        (["--spacing", "0"], "spacing_m is 0"),
        (["--average", "nan"], "average_m is nan"),
        (["--noise", "0"], "noise_m is 0"),
        (["--start", "inf"], "--start is inf"),
        (["--half-width", "3"], "half_width_m"),
        (["--crs", "EPSG:99999999"], "EPSG:99999999"),
        (["--name-field", "title"], '"title"'),
        (["--mask", "none.gpkg"], "none.gpkg"),
    ],
)
def test_values_that_cannot_be(good, words, expected, capsys):
    """Every value out of its range is named with the range."""
    _assert_refused(capsys, good.folder, _words(good.grid, good.road, good.out, *words), expected)


def test_an_input_is_never_overwritten(good, capsys, monkeypatch):
    """Findings, pictures, tables and limits never replace a file that was read."""
    words = _words(good.grid, good.road, good.road)
    _assert_refused(capsys, good.folder, words, "one of the input files")
    monkeypatch.chdir(good.folder)
    words = _words(good.grid, good.road, "./road.gpkg")
    _assert_refused(capsys, good.folder, words, "one of the input files")
    os.link(good.road, good.folder / "other_name.gpkg")
    words = _words(good.grid, good.road, good.folder / "other_name.gpkg")
    _assert_refused(capsys, good.folder, words, "one of the input files")
    _assert_refused(capsys, good.folder, ["limits", "--out", str(good.road)], "road.toml")
    assert cli.main(_words(good.grid, good.road, good.out)) == 0
    for kind in ("--geojson", "--csv", "--gpx"):
        words = ["export", "--findings", str(good.out), kind, str(good.out)]
        _assert_refused(capsys, good.folder, words, "one of the input files")


def test_another_geopackage_is_never_overwritten(good, capsys):
    """Only findings make way for findings."""
    points = [(_MIDDLE, _NORTH), (_MIDDLE, _NORTH - 5.0)]
    other = _write_line(good.folder / "culverts.gpkg", points)
    words = _words(good.grid, good.road, other)
    _assert_refused(capsys, good.folder, words, "culverts.gpkg", "something else")
    notes = good.folder / "notes.gpkg"
    notes.write_text("dear all")
    words = _words(good.grid, good.road, notes)
    _assert_refused(capsys, good.folder, words, "notes.gpkg", "something else")


def test_findings_open_elsewhere(good, capsys):
    """A file that another program has open for writing is left alone; a mere reader is not hurt."""
    words = _words(good.grid, good.road, good.out)
    assert cli.main(words) == 0
    with closing(sqlite3.connect(good.out)) as reader:
        rows = reader.execute("SELECT count(*) FROM stations").fetchone()
        assert cli.main(words) == 0
        assert reader.execute("SELECT count(*) FROM stations").fetchone() == rows
    with closing(sqlite3.connect(good.out)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        writer.execute("CREATE TABLE remarks (text)")
        writer.commit()
        _assert_refused(capsys, good.folder, words, "open in another program")
    with closing(sqlite3.connect(good.out, isolation_level=None)) as writer:
        writer.execute("PRAGMA journal_mode = DELETE")
        writer.execute("BEGIN EXCLUSIVE")
        _assert_refused(capsys, good.folder, words, "another program")
        writer.execute("ROLLBACK")
    assert cli.main(words) == 0


def test_a_folder_in_the_outputs_place(good, capsys):
    """A folder isn't replaced by a file."""
    (good.folder / "folder.gpkg").mkdir()
    words = _words(good.grid, good.road, good.folder / "folder.gpkg")
    _assert_refused(capsys, good.folder, words, "is a folder")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_read_only_file_and_folder(good, capsys):
    """What may not be written is refused before the work."""
    good.out.write_bytes(b"")
    good.out.chmod(0o444)
    words = _words(good.grid, good.road, good.out)
    _assert_refused(capsys, good.folder, words, "can't be written")
    shut = good.folder / "shut"
    shut.mkdir(mode=0o555)
    words = _words(good.grid, good.road, shut / "out.gpkg")
    _assert_refused(capsys, good.folder, words, "can't be written")


def test_spaces_and_other_scripts_in_names(good):
    """Names are just names."""
    folder = good.folder / "Straßen und Wege"
    folder.mkdir()
    grid = good.grid.rename(folder / "Gelände 道 1.tif")
    road = good.road.rename(folder / "ось дороги.gpkg")
    out = folder / "résultat é.gpkg"
    assert cli.main(_words(grid, road, out)) == 0
    found = read_findings(out)
    assert found.run["centreline"] == str(road)
    assert sorted(p.name for p in folder.iterdir()) == sorted([grid.name, road.name, out.name])


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX")
def test_stopping_in_the_middle_leaves_no_scraps(good):
    """Ctrl-C while the findings are written: exit 130, the old file stays, no scraps."""
    words = _words(good.grid, good.road, good.out)
    assert cli.main(words) == 0
    before = _snapshot(good.folder)
    # the program stands still, with a half-written file, until the signal comes
    program = (
        "import signal, sys, time\n"
        "from analysis import cli\n"
        "from analysis.findings import geopackage as findings\n"
        # a suite that runs in the background hands on that this signal is ignored
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "def shapes(*_):\n"
        "    print('writing', flush=True)\n"
        "    time.sleep(60)\n"
        "findings._run_row = shapes\n"
        "sys.exit(cli.main(sys.argv[1:]))\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout.readline() == b"writing\n"
        assert any(".part" in p.name for p in good.folder.iterdir())
        time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert said.decode().strip() == "vergeline: stopped; no file was changed."
    assert _snapshot(good.folder) == before
