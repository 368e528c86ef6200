"""The command line as a person meets it: one sentence for bad input, exit code 2, nothing lost."""

import subprocess
import sys

import numpy as np
import pytest

from analysis import cli
from analysis.common.columns import RUN_COLUMNS
from tests.builders.files import write_grid, write_lines

_CRS = "EPSG:32633"
_WEST, _SOUTH = 300_000.0, 5_000_000.0
_MIDDLE = _WEST + 40.0


def _run(capsys, *words):
    code = cli.main(list(words))
    said = capsys.readouterr()
    return code, said.out, said.err


def _assert_refused(capsys, words, *expected):
    code, _, err = _run(capsys, *words)
    assert code == 2
    assert err.startswith("vergeline: ")
    assert len(err.strip().splitlines()) == 1, err
    assert "Traceback" not in err
    for part in expected:
        assert part in err


@pytest.fixture
def plane(tmp_path):
    """A small crowned road on a plain grid, and its centreline."""
    u = np.abs(_across())
    section = 100.0 - 0.02 * u - 0.02 * np.maximum(u - 3.5, 0.0)
    z = np.repeat(section[None, :], 500, axis=0).astype("float32")
    z += np.random.default_rng(1).normal(0.0, 0.01, z.shape).astype("float32")
    grid = _write_grid(tmp_path / "plane.tif", z)
    road = _write_line(
        tmp_path / "road.gpkg", [(_MIDDLE, _SOUTH + 10.0), (_MIDDLE, _SOUTH + 240.0)]
    )
    return grid, road


def _across():
    """Offsets of the grid's columns from the road."""
    return _WEST + 0.25 + 0.5 * np.arange(160) - _MIDDLE


def _write_grid(path, z):
    corner = (_WEST, _SOUTH + 250.0)
    options = {"cell": 0.5, "corner": corner, "crs": _CRS, "dtype": "float32", "units": "metre"}
    return write_grid(path, z, **options)


def _write_line(path, *lines):
    return write_lines(path, list(lines), [{"name": "Alder Lane"}] * len(lines), crs=_CRS)


def _screen(grid, road, out, *more):
    return ["screen", "--grid", str(grid), "--centreline", str(road), "--out", str(out), *more]


def test_screen_plain_road(plane, tmp_path, capsys):
    """A sound road is found sound, and the slopes are those of the plane."""
    from analysis.findings.geopackage import read_findings

    out = tmp_path / "out.gpkg"
    code, said, err = _run(capsys, *_screen(*plane, out, "--shoulder-width", "1.5"))
    assert (code, err) == (0, "")
    assert "traffic control" in said
    found = read_findings(out)
    inner = found.stations.where(
        (found.stations["station_m"] > 20) & (found.stations["station_m"] < 210)
    )
    assert len(inner)
    assert set(found.run) <= set(RUN_COLUMNS)
    off = np.abs(inner["shoulder_slope_pct"] - 4.0)
    assert (off < 2.5 * inner["shoulder_slope_se"]).all() and np.sqrt(np.mean(off**2)) < 0.3
    np.testing.assert_allclose(inner["pavement_slope_pct"], 2.0, atol=0.2)
    assert set(inner["verdict"]) == {"sheds"}
    assert float(found.reaches["length_m"].sum()) == pytest.approx(2 * 230.0, abs=1e-6)


def test_screen_missing_files(plane, tmp_path, capsys):
    """A missing grid or road is named."""
    grid, road = plane
    out = tmp_path / "out.gpkg"
    _assert_refused(capsys, _screen(tmp_path / "no.tif", road, out), "no.tif")
    _assert_refused(capsys, _screen(grid, tmp_path / "no.gpkg", out), "no.gpkg")
    assert not out.exists()


def test_screen_not_a_raster(plane, tmp_path, capsys):
    """A text file isn't a grid."""
    text = tmp_path / "notes.tif"
    text.write_text("hello")
    _assert_refused(capsys, _screen(text, plane[1], tmp_path / "out.gpkg"), "notes.tif")


def test_screen_bad_roads(plane, tmp_path, capsys):
    """An empty layer, a line of zero length and a road elsewhere are told apart."""
    grid, _ = plane
    out = tmp_path / "out.gpkg"
    start = (_MIDDLE, _SOUTH + 10.0)
    for name, lines in (
        ("empty.gpkg", []),
        ("zero.gpkg", [[start, start]]),
        ("far.gpkg", [[(_MIDDLE + 1e5, _SOUTH + 10.0), (_MIDDLE + 1e5, _SOUTH + 210.0)]]),
    ):
        path = _write_line(tmp_path / name, *lines)
        _assert_refused(capsys, _screen(grid, path, out), name.split(".")[0])
    assert not out.exists()


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--pavement-width", "-7"], "pavement_width_m is -7"),
        (["--average", "long"], "auto"),
        (["--surface", "asphalt"], "gravel"),
        (["--spacing", "wide"], "--spacing"),
        (["--vertical-unit", "cubit"], "cubit"),
        (["--limits", "none.toml"], "none.toml"),
    ],
)
def test_screen_bad_options(plane, tmp_path, capsys, words, expected):
    """Each wrong option is answered with what it may be."""
    _assert_refused(capsys, _screen(*plane, tmp_path / "out.gpkg", *words), expected)


def test_screen_unwritable_output(plane, tmp_path, capsys):
    """A place that can't be written is refused before any measuring."""
    _assert_refused(capsys, _screen(*plane, tmp_path / "no" / "out.gpkg"), "doesn't exist")
    _assert_refused(capsys, _screen(*plane, tmp_path / "out.shp"), "out.gpkg")


def test_screen_degrees(plane, tmp_path, capsys):
    """A grid in degrees is refused with the way out."""
    import rasterio
    from rasterio.transform import from_origin

    path = tmp_path / "degrees.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=20,
        height=20,
        count=1,
        dtype="float32",
        crs="EPSG:4326",
        transform=from_origin(15.0, 45.0, 1e-5, 1e-5),
    ) as out:
        out.write(np.zeros((20, 20), "float32"), 1)
    _assert_refused(capsys, _screen(path, plane[1], tmp_path / "out.gpkg"), "degrees", "reproject")


def test_a_bad_run_keeps_the_earlier_findings(plane, tmp_path, capsys):
    """A good file stays as it was when a later run is refused."""
    out = tmp_path / "out.gpkg"
    assert _run(capsys, *_screen(*plane, out))[0] == 0
    before = out.read_bytes()
    _assert_refused(capsys, _screen(tmp_path / "no.tif", plane[1], out), "no.tif")
    assert out.read_bytes() == before


def test_no_command(capsys):
    """Without the window's side the bare commands explain themselves."""
    _assert_refused(capsys, [], "command")
    _assert_refused(capsys, ["window"], "isn't installed")
    _assert_refused(capsys, ["dig"], "dig")


def test_help_imports_nothing_heavy():
    """`--help` answers without loading the numeric or map libraries."""
    code = (
        "import sys\n"
        "from gui.launch import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'rasterio', 'fiona', 'numba', 'PySide6'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "traffic control" in done.stdout


def test_analysis_never_imports_qt():
    """Every module of the core loads without touching Qt."""
    code = (
        "import importlib, pkgutil, sys, analysis\n"
        "for module in pkgutil.iter_modules(analysis.__path__):\n"
        "    importlib.import_module(f'analysis.{module.name}')\n"
        "window = [m for m in sys.modules if m.startswith(('PySide6', 'pyqtgraph'))]\n"
        "sys.exit(', '.join(window) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_fault_of_the_program_is_a_sentence(monkeypatch, capsys):
    """Even our own mistake reaches the person as a sentence."""
    monkeypatch.delenv("VERGELINE_DEBUG", raising=False)

    def fail(_options):
        raise ZeroDivisionError("oops")

    monkeypatch.setattr(cli, "_limits", fail)
    code = cli.main(["limits", "--out", "x.toml"])
    assert code == 1
    assert "fault of the program itself" in capsys.readouterr().err


def test_findings_say_how_to_run_again(plane, tmp_path, capsys, monkeypatch):
    """A findings file holds what it takes to screen again from any folder."""
    from analysis.findings.geopackage import read_findings
    from analysis.study.job import job_of

    grid, road = plane
    monkeypatch.chdir(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    out = tmp_path / "elsewhere" / "out.gpkg"
    words = _screen(grid.name, road.name, out, "--spacing", "20", "--start", "1000", "--reverse")
    assert _run(capsys, *words)[0] == 0
    job = job_of(read_findings(out), str(out))
    assert job.terrain_path == str(grid)
    assert job.road_path == str(road)
    assert (job.start_m, job.reverse, job.settings.spacing_m) == (1000.0, True, 20.0)
    assert job.limits.surface == "gravel"
    assert read_findings(out).stations["station_m"].min() >= 1000.0


def test_section_draws_the_sample(tmp_path):
    """One section with its numbers, as text and as a picture, without naming any file."""
    # In a process of its own: it makes an application without widgets, which window tests need.
    out = tmp_path / "section.png"
    words = ["section", "--station", "1+240", "--png", str(out)]
    done = subprocess.run(
        [sys.executable, "-m", "gui.launch", *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "station 1+240" in done.stdout
    assert "shoulder slope:" in done.stdout and "±" in done.stdout
    assert out.read_bytes().startswith(b"\x89PNG")


def test_section_refuses(plane, capsys):
    """A station off the road, an unknown road and half of the inputs are told apart."""
    grid, road = plane
    both = ["--grid", str(grid), "--centreline", str(road)]
    _assert_refused(capsys, ["section", *both, "--station", "9+000"], "9+000")
    _assert_refused(capsys, ["section", *both, "--station", "here"], "here")
    _assert_refused(capsys, ["section", *both, "--station", "0+100", "--road", "Elm"], "Alder Lane")
    _assert_refused(capsys, ["section", "--grid", str(grid), "--station", "0+100"], "--centreline")


def test_sample_without_a_window(tmp_path, capsys):
    """The sample is screened and written by one word."""
    from analysis.findings.geopackage import read_findings

    out = tmp_path / "sample.gpkg"
    code, said, err = _run(capsys, "sample", "--no-window", "--out", str(out))
    assert (code, err) == (0, "")
    assert "material to bring in" in said
    found = read_findings(out)
    assert {"flat", "reversed", "high", "eroded edge"} <= set(found.reaches["finding"])


def test_limits_are_written_to_edit(tmp_path, capsys):
    """The limits file that is written can be changed and used."""
    from analysis.common.limits import read_limits

    out = tmp_path / "limits.toml"
    assert _run(capsys, "limits", "--surface", "turf", "--out", str(out))[0] == 0
    assert read_limits(out).surface == "turf"


def test_resolving_says_what_a_grid_can_tell(capsys):
    """A coarse noisy grid can't tell 2 % from 4 % where a fine one can."""
    fine = _run(capsys, "resolving", "--cell", "0.5", "--noise", "0.02")
    coarse = _run(capsys, "resolving", "--cell", "1", "--noise", "0.06")
    assert fine[0] == coarse[0] == 0
    assert fine[1] != coarse[1]
    assert "averag" in coarse[1]


def test_check_after_accepts_sound_reaches(plane, tmp_path, capsys):
    """Work is accepted on a later terrain where slope and edge came out right."""
    import rasterio

    grid, road = plane
    with rasterio.open(grid) as source:
        z = source.read(1)
    u = np.abs(_across())
    # a foreslope, so that there is a hinge to find
    z -= (0.25 * np.clip(u - 5.0, 0.0, 2.4)).astype("float32")
    grid = _write_grid(tmp_path / "sound.tif", z)
    z[100:400] += (0.05 * np.clip(u - 3.5, 0.0, 1.5)).astype("float32")
    worn = _write_grid(tmp_path / "worn.tif", z)
    before, after = tmp_path / "before.gpkg", tmp_path / "after.gpkg"
    assert _run(capsys, *_screen(worn, road, before, "--quiet"))[0] == 0
    assert _run(capsys, *_screen(grid, road, after, "--quiet"))[0] == 0
    code, said, err = _run(capsys, "check", "--findings", str(before), "--after", str(after))
    assert (code, err) == (0, "")
    assert "Alder Lane, left" in said and "accepted" in said
    _assert_refused(
        capsys, ["check", "--findings", str(before), "--after", str(before)], "same terrain"
    )
    _assert_refused(capsys, ["check", "--findings", str(before)], "--readings")


@pytest.fixture
def stepped(plane, tmp_path):
    """The plane with a step up of 120 mm along both edges over 140 m, and its centreline."""
    import rasterio

    grid, road = plane
    with rasterio.open(grid) as source:
        z = source.read(1)
    u = np.abs(_across())
    beyond = np.clip(u - 5.0, 0.0, 2.4)
    z -= (0.02 * np.clip(u - 3.5, 0.0, 1.5) + 0.25 * beyond).astype("float32")
    z[100:380] += np.where(u > 3.5, 0.12, 0.0).astype("float32")
    return _write_grid(tmp_path / "stepped.tif", z), road


def test_a_file_of_kerbs_tells_where_one_stands(stepped, tmp_path, capsys):
    """A line along the left step: there is a kerb, and none on the right, which stands high."""
    from analysis.findings.geopackage import read_findings

    left = [(_MIDDLE - 3.6, _SOUTH + 60.0), (_MIDDLE - 3.6, _SOUTH + 200.0)]
    kerbs, out = _write_line(tmp_path / "kerbs.gpkg", left), tmp_path / "out.gpkg"
    found = {}
    for said in ("none", "unknown", str(kerbs)):
        code, _, err = _run(capsys, *_screen(*stepped, out, "--quiet", "--kerbs", said))
        assert (code, err) == (0, "")
        read = read_findings(out)
        table = read.stations
        inner = (table["station_m"] > 80) & (table["station_m"] < 160)
        found[said] = {
            side: set(table["finding"][inner & (table["side"] == side)])
            for side in ("left", "right")
        }
        assert read.run["kerbs"] in (said, str(kerbs))
    open_, high = {"kerb or high shoulder"}, {"high"}
    assert found["none"] == {"left": high, "right": high}
    assert found["unknown"] == {"left": open_, "right": open_}
    assert found[str(kerbs)] == {"left": {"can't tell"}, "right": high}
    reasons = table["reason"][inner & (table["side"] == "left")]
    assert all("check its inlets" in text for text in reasons)
    _assert_refused(
        capsys, _screen(*stepped, out, "--kerbs", str(tmp_path / "none.shp")), "none.shp"
    )


def test_what_may_be_a_kerb_comes_first_wherever_it_is_handed_on(stepped, tmp_path, capsys):
    """In findings, exports and sheets, with both consequences and one rank for the whole run."""
    import json

    from analysis.findings.geopackage import read_findings

    out = tmp_path / "out.gpkg"
    assert _run(capsys, *_screen(*stepped, out, "--quiet"))[0] == 0
    reaches = read_findings(out).reaches
    rows = np.flatnonzero(reaches["finding"] == "kerb or high shoulder")
    # the run takes its fringes with it: nothing else that holds water is left beside it
    assert len(rows) == 2 and set(reaches["finding"][rows]) == {"kerb or high shoulder"}
    assert not np.isin(reaches["finding"], ("high", "ponding")).any()
    assert sorted(reaches["look_first"][rows]) == [1.0, 2.0]
    others = np.isin(reaches["finding"], ("can't tell", "no data"))
    assert (reaches["look_first"][others] > 2.0).all()
    assert (reaches["rank"][rows] <= 2.0).all() and (reaches["cut_m3"][rows] > 0.0).all()
    both = ("If no kerb stands here, cut", "check its inlets")
    assert all(part in text for text in reaches["reason"][rows] for part in both)
    geojson, gpx, sheets = (tmp_path / name for name in ("a.geojson", "a.gpx", "sheets"))
    words = ["export", "--findings", str(out), "--geojson", str(geojson), "--gpx", str(gpx)]
    code, _, err = _run(capsys, *words, "--sheets", str(sheets), "--units", "us")
    assert code == 0, err
    features = json.loads(geojson.read_text())["features"]
    first = [f["properties"] for f in features if f["properties"].get("look_first") in (1, 2)]
    assert {f["finding"] for f in first} == {"kerb or high shoulder"} and len(first) == 2
    assert all(part in f["reason"] for f in first for part in both)
    waypoint = gpx.read_text(encoding="utf-8").split("<wpt ")[1]
    assert "kerb or high shoulder" in waypoint and "check its inlets" in waypoint
    plan = (sheets / "plan.md").read_text(encoding="utf-8")
    listed = plan.split("## Look first")[1].splitlines()
    assert "kerb or high shoulder" in next(
        x for x in listed if x.startswith("| ") and "---" not in x and "rank" not in x
    )
    page = next(p for p in sheets.glob("0*.md")).read_text(encoding="utf-8")
    assert all(part in page for part in both) and "look before anything is cut" in page
    assert " yd³; if one does" in page and " m³; if" not in page


def test_export_sheets_with_rates(plane, tmp_path, capsys):
    """Costs appear only with the user's rates; a strange rate is refused."""
    grid, road = plane
    out = tmp_path / "out.gpkg"
    assert _run(capsys, *_screen(grid, road, out, "--quiet"))[0] == 0
    rates = tmp_path / "rates.toml"
    rates.write_text('currency = "EUR"\ngrader_per_h = 95.0\n')
    words = ["export", "--findings", str(out), "--sheets", str(tmp_path / "sheets")]
    code, said, err = _run(capsys, *words, "--rates", str(rates), "--traffic-plan", "TP 7")
    assert (code, err) == (0, "")
    assert "sheets" in said
    text = next((tmp_path / "sheets").glob("*.md")).read_text()
    assert "TP 7" in text
    rates.write_text("helicopter_per_h = 1\n")
    _assert_refused(capsys, [*words, "--rates", str(rates)], "helicopter_per_h")


def test_unpaved_road_needs_no_steeper_shoulder(plane, tmp_path, capsys):
    """Beside a gravel road as steep as its crown the shoulder is sound; beside a pavement not."""
    import rasterio

    from analysis.findings.geopackage import read_findings

    grid, road = plane
    with rasterio.open(grid) as source:
        z = source.read(1)
    u = np.abs(_across())
    section = 100.0 - 0.04 * u - 0.25 * np.clip(u - 5.0, 0.0, 3.0)
    gravel = _write_grid(tmp_path / "gravel.tif", section + z - z.mean(axis=0))
    out = tmp_path / "out.gpkg"
    shares = {}
    for words in ((), ("--unpaved",)):
        assert _run(capsys, *_screen(gravel, road, out, "--quiet", *words))[0] == 0
        shares[words] = float(np.mean(read_findings(out).stations["verdict"] == "sheds"))
    assert shares[()] < 0.2
    assert shares["--unpaved",] > 0.8
