"""What would do harm: pipes, the network, files of others, and what a kill leaves over."""

import csv
import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis import cli
from analysis.common import given_files
from analysis.common.errors import (
    LimitsError,
    OutputError,
    ReadingsError,
    RoadError,
    TerrainError,
    VergelineError,
)
from analysis.common.given_databases import check_database
from analysis.common.given_files import ALLOW_ADDRESSES
from analysis.common.limits import default_limits, read_limits
from analysis.common.outputs import is_own, replacing
from analysis.common.settings import Settings
from analysis.common.writing import Writing
from analysis.findings import exports, gpx, placed
from analysis.findings.geopackage import read_findings, write_findings
from analysis.findings.readings import read_readings
from analysis.road.read_roads import read_roads
from analysis.road.vectors import line_layers, read_features
from analysis.study.inputs import WIDTH_COLUMNS, read_rates, read_widths, sample_files
from analysis.study.job import job_of
from analysis.study.screening import screen
from analysis.study.sections import section_view
from analysis.terrain.grid import checksum, open_terrain
from analysis.terrain.image import check_image
from analysis.terrain.points import open_points
from gui.drawing.printing import save_section
from gui.state import jobs
from gui.state.loaded import road_index
from tests.builders.files import (
    EAST,
    NORTH,
    crowned_road,
    line,
    write_grid,
    write_lines,
    write_road,
)
from tests.builders.small_study import small_study
from tests.builders.spoilt_file import spoil

OPENERS = {
    "grid": (open_terrain, TerrainError),
    "checksum": (checksum, TerrainError),
    "layers": (line_layers, RoadError),
    "findings": (read_findings, OutputError),
    "limits": (read_limits, LimitsError),
    "widths": (read_widths, RoadError),
    "readings": (read_readings, ReadingsError),
    "points": (lambda path: open_points([path]), TerrainError),
    "image": (lambda path: check_image(str(path), None), TerrainError),
}


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    """Findings of the small road as a file."""
    path = tmp_path_factory.mktemp("saved") / "findings.gpkg"
    write_findings(small_study().findings, path)
    return path


def _refused(words, capsys):
    assert cli.main([str(word) for word in words]) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert said.startswith("vergeline: ")
    return said


# ---------------------------------------------------------------- what is opened


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes as on POSIX")
@pytest.mark.parametrize("kind", OPENERS)
def test_pipes_are_refused_and_not_waited_for(kind, tmp_path):
    """Nobody writes into this pipe: opening it would hang for ever."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    opener, error = OPENERS[kind]
    with pytest.raises(error, match="pipe, device or socket"):
        opener(pipe)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read all")
@pytest.mark.parametrize("kind", OPENERS)
def test_no_permission_is_said_as_such(kind, tmp_path):
    """What may not be read isn't called broken."""
    path = tmp_path / "shut"
    path.write_text("x")
    path.chmod(0)
    opener, error = OPENERS[kind]
    with pytest.raises(error, match="no permission"):
        opener(path)


@pytest.mark.parametrize(
    "address",
    [
        "/vsicurl/http://127.0.0.1:9/a.tif",
        "/vsis3/bucket/a.tif",
        "http://127.0.0.1:9/a.tif",
        "/vsizip//vsicurl/http://127.0.0.1:9/a.zip",
        "WFS:http://127.0.0.1:9/",
        "PG:host=127.0.0.1",
    ],
)
@pytest.mark.parametrize("kind", ["grid", "checksum", "layers", "points", "image"])
def test_addresses_are_not_called(kind, address):
    """A study of a stranger may name any address."""
    opener, error = OPENERS[kind]
    with pytest.raises(error, match="network"):
        opener(address)


def test_a_vrt_that_names_an_address_is_refused(tmp_path, monkeypatch):
    """Neither straight nor through a second VRT is a stranger's machine called."""
    inner = tmp_path / "inner.vrt"
    inner.write_text(
        '<VRTDataset rasterXSize="4" rasterYSize="4"><VRTRasterBand dataType="Float32" band="1">'
        "<SimpleSource><SourceFilename>/vsicurl/http://127.0.0.1:9/a.tif</SourceFilename>"
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    outer = tmp_path / "outer.vrt"
    outer.write_text(
        '<VRTDataset rasterXSize="4" rasterYSize="4"><VRTRasterBand dataType="Float32" band="1">'
        '<SimpleSource><SourceFilename relativeToVRT="1">inner.vrt</SourceFilename>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    lines = tmp_path / "lines.vrt"
    lines.write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>http://127.0.0.1:9/a.geojson'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    for path in (inner, outer):
        with pytest.raises(TerrainError, match="points to files on the network"):
            open_terrain(path)
    with pytest.raises(RoadError, match="points to files on the network"):
        line_layers(lines)
    monkeypatch.setenv(ALLOW_ADDRESSES, "1")
    with pytest.raises((TerrainError, RoadError), match=r"raster|coordinate system"):
        open_terrain(inner)


def test_a_large_vrt_is_searched_in_pieces_and_wholly(tmp_path, monkeypatch):
    """A search of megabytes holds every thread; wherever an address stands, it is found."""
    searched = []

    class Recorded:
        def search(self, body):
            searched.append(len(body))
            return pattern.search(body)

    pattern = given_files._FAR
    monkeypatch.setattr(given_files, "_FAR", Recorded())
    many = tmp_path / "many.vrt"
    source = "<SimpleSource><SourceFilename>c:/tiles/{}.tif</SourceFilename></SimpleSource>\n"
    system = "<SRS>http://www.opengis.net/def/crs/EPSG/0/32610</SRS>"
    parts = [source.format(number) for number in range(3000)]
    many.write_text("<VRTDataset>" + system + "".join(parts) + system + "</VRTDataset>")
    given_files.check_given(many, "The terrain grid", TerrainError)
    assert sum(searched) > 200_000
    assert max(searched) < 100_000
    for place in (0, 800, 810, 815, 820, 2999):
        foreign = [*parts[:place], source.format("/vsicurl/far"), *parts[place:]]
        many.write_text("<VRTDataset>" + system + "".join(foreign) + "</VRTDataset>")
        with pytest.raises(TerrainError, match=r"network .*vsicurl"):
            given_files.check_given(many, "The terrain grid", TerrainError)


def test_the_option_lets_addresses_be_called_and_no_other_does(monkeypatch, capsys):
    address = "/vsicurl/http://127.0.0.1:9/a.tif"
    words = ["screen", "--grid", address, "--centreline", "a.gpkg", "--out", "x.gpkg"]
    monkeypatch.setenv(ALLOW_ADDRESSES, "0")
    assert "--allow-addresses" in _refused(words, capsys)
    assert "arguments: --network" in _refused([*words, "--network"], capsys)
    assert "can't be read as a raster" in _refused([*words, "--allow-addresses"], capsys)


def test_a_name_that_is_not_utf8(tmp_path, capsys):
    """A Latin-1 name is a sentence with the name written out."""
    name = os.fsdecode(bytes(tmp_path) + b"/stra\xdfe.tif")
    said = _refused(["screen", "--grid", name, "--centreline", name, "--out", "x.gpkg"], capsys)
    assert r"stra\udcdfe.tif" in said
    assert "UTF-8" in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        ("[gravel]\nrut_mm = " + "9" * 400, "must lie between"),
        ("[gravel]\nrut_mm = " + "9" * 5000, "isn't valid TOML"),
    ],
)
def test_limits_that_no_one_wrote_by_hand(text, said, tmp_path):
    """Deep nesting and numbers of hundreds of digits end in a sentence."""
    path = tmp_path / "limits.toml"
    path.write_text(text)
    with pytest.raises(LimitsError, match=said):
        read_limits(path)


def test_rates_that_are_no_rates(tmp_path):
    """Neither a number of 400 digits nor a yes is a rate."""
    path = tmp_path / "rates.toml"
    for value in ("9" * 400, "true", "[1]"):
        path.write_text(f"grader_per_h = {value}")
        with pytest.raises(ValueError, match="rate"):
            read_rates(path)


def test_decimal_commas_are_refused(tmp_path):
    """40,5 in a table separated by commas is two cells, and not forty."""
    readings = tmp_path / "readings.csv"
    readings.write_text("station,side,reading_mm\n1+240,right,40,5\n")
    with pytest.raises(ReadingsError, match="decimals with a point"):
        read_readings(readings)
    widths = tmp_path / "widths.csv"
    widths.write_text(",".join(WIDTH_COLUMNS) + "\nAlder Lane,0,100,3,3,1,1,5\n")
    with pytest.raises(RoadError, match="decimals with a point"):
        read_widths(widths)


def test_an_empty_surface_is_no_surface(capsys):
    """`--surface=` is a slip, and not gravel."""
    words = ["screen", "--grid", "a", "--centreline", "b", "--out", "c.gpkg", "--surface="]
    assert "--surface is empty" in _refused(words, capsys)


# ---------------------------------------------------------------- what is written


def test_nothing_of_another_kind_is_overwritten(saved, tmp_path, capsys):
    """Exports and limits replace only what this program wrote, unless told to."""
    for kind, name in (("--csv", "a.csv"), ("--geojson", "a.geojson"), ("--gpx", "a.gpx")):
        path = tmp_path / name
        words = ["export", "--findings", saved, kind, path]
        for other in (b"dear all", saved.read_bytes(), b'{"type": "FeatureCollection"}'):
            path.write_bytes(other)
            assert "--force" in _refused(words, capsys)
            assert path.read_bytes() == other
        assert cli.main([*map(str, words), "--force"]) == 0
        assert is_own(path, path.suffix)
        assert cli.main([str(word) for word in words]) == 0
    limits = tmp_path / "limits.toml"
    words = ["limits", "--out", str(limits)]
    assert cli.main(words) == 0
    assert "--force" in _refused(words, capsys)
    assert cli.main([*words, "--force"]) == 0
    assert read_limits(limits).surface == default_limits("gravel").surface


def test_sheets_replace_only_sheets(saved, tmp_path, capsys):
    """A folder may hold somebody's plan.html: it stays, and nothing is half written beside it."""
    words = ["export", "--findings", saved, "--sheets", tmp_path]
    (tmp_path / "plan.html").write_text("<!DOCTYPE html><title>Party</title>")
    assert "plan.html is there already" in _refused(words, capsys)
    assert [path.name for path in tmp_path.iterdir()] == ["plan.html"]
    assert cli.main([*map(str, words), "--force"]) == 0
    assert cli.main([str(word) for word in words]) == 0
    assert all(is_own(path, path.suffix) for path in tmp_path.iterdir())


@pytest.mark.parametrize("ending", ["png", "svg", "pdf", "csv"])
def test_the_window_writes_over_its_own_files_only(ending, tmp_path):
    """No input, no file of another kind; its own again and again."""
    view, path = section_view(small_study(), 0, 5), tmp_path / f"a.{ending}"
    inputs = jobs.Inputs(None, (), jobs.TerrainSource(str(path)))
    work = inputs.writing_to(str(path), lambda _: save_section(view, path, Writing()))
    work(None)
    whole = path.read_bytes()
    with pytest.raises(OutputError, match="one of the input files"):
        work(None)
    assert path.read_bytes() == whole
    work = jobs.Inputs().writing_to(str(path), lambda _: save_section(view, path, Writing()))
    work(None)
    # as another program writes such a file
    other = {
        "png": b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR",
        "svg": b'<?xml version="1.0"?><svg></svg>',
        "pdf": b"%PDF-1.4\n1 0 obj\n<</Creator (\xfe\xff\0W)>>",
        "csv": b"name,price\r\n",
    }[ending]
    path.write_bytes(other)
    with pytest.raises(OutputError, match="nothing that this program wrote"):
        work(None)
    assert path.read_bytes() == other


def test_cells_that_a_spreadsheet_would_run(tmp_path):
    """Formulas in names come out as texts, and it is said how many were changed."""
    findings = small_study().findings
    table = findings.stations
    names = table["road"].copy()
    names[:] = '=HYPERLINK("http://127.0.0.1","x")'
    columns = {**table.columns, "road": names, "station_m": table["station_m"] - 5000.0}
    evil = replace(findings, stations=type(table)(columns))
    path = tmp_path / "a.csv"
    changed = exports.write_csv(evil, path)
    with path.open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.reader(file))[1:]
    below = int(np.sum(columns["station_m"] <= -0.5))
    assert below > 0
    assert changed == len(rows) + below
    assert all(row[1].startswith("'=") for row in rows)
    assert not any(row[0].startswith("-") for row in rows)
    assert exports.write_csv(findings, path) == 0


@pytest.mark.skipif(os.name != "posix", reason="processes as on POSIX")
def test_parts_of_killed_programs_are_cleared(tmp_path):
    """The next run takes away what a killed one left; another's running part stays."""
    ended = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"],
                           capture_output=True, check=True)  # fmt: skip
    dead = tmp_path / f".a.gpkg.{int(ended.stdout)}.part.gpkg"
    alive = tmp_path / f".a.gpkg.{os.getppid()}.part.gpkg"
    other = tmp_path / f".b.gpkg.{int(ended.stdout)}.part.gpkg"
    for path in (dead, alive, other):
        path.write_text("half")
    with replacing(tmp_path / "a.gpkg") as beside:
        beside.write_text("whole")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([alive.name, other.name, "a.gpkg"])


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a full disk as on Linux")
def test_a_full_disk_is_said(tmp_path, monkeypatch):
    """Whoever refuses, the person reads that the disk is full."""
    findings = small_study().findings

    def full(*_):
        raise RuntimeError("sqlite3_exec(COMMIT) failed: database or disk is full")

    monkeypatch.setattr("analysis.findings.geopackage._write_layers", full)
    with pytest.raises(OutputError, match="disk is full"):
        write_findings(findings, tmp_path / "a.gpkg")
    with (
        pytest.raises(OutputError, match="disk is full"),
        placed.beside(tmp_path / "a.csv"),
        open("/dev/full", "w") as file,
    ):
        file.write("x" * 10_000)


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX")
def test_the_system_may_end_it(tmp_path):
    """SIGTERM is said, and leaves no scraps."""
    program = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from analysis import cli\n"
        "from analysis.common.outputs import replacing\n"
        "def stand(options):\n"
        "    with replacing(Path(sys.argv[1])) as beside:\n"
        "        beside.write_text('half')\n"
        "        print('writing', flush=True)\n"
        "        time.sleep(60)\n"
        "cli._limits = stand\n"
        "sys.exit(cli.main(['limits', '--out', sys.argv[1]]))\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path / "a.toml")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout.readline() == b"writing\n"
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=60)
    assert process.returncode == 143
    assert said.decode() == "vergeline: told to end; no file was changed.\n"
    assert not list(tmp_path.iterdir())


# ---------------------------------------------------------------- GeoPackages of strangers


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("UPDATE stations SET geom = NULL WHERE fid = 3", "nothing where a Point"),
        ("UPDATE stations SET geom = x'00' WHERE fid = 3", "row 3 of stations"),
        ("UPDATE reaches SET geom = (SELECT geom FROM stations)", "Point where a LineString"),
        ("UPDATE stations SET geom = substr(geom, 1, 20)", "can't be decoded|no geometry"),
        ("UPDATE stations SET rut_mm = 'deep' WHERE fid = 2", "text in the column rut_mm"),
        ("DELETE FROM run", "layer run is empty"),
        ("DELETE FROM gpkg_contents WHERE table_name = 'ponds'", "lacks the layers ponds|ponds"),
        ("UPDATE gpkg_contents SET description = CAST(x'a1ff' AS TEXT)", "is damaged"),
        (
            "UPDATE gpkg_geometry_columns SET column_name = x'00'",
            "doesn't say where the geometries",
        ),
    ],
)
def test_spoilt_findings(saved, tmp_path, command, said):
    """Whatever stands in the file instead of what should: one sentence."""
    path = spoil(saved, tmp_path, command)
    with pytest.raises(OutputError, match=said):
        read_findings(path)


def test_a_schema_that_is_no_text_is_refused_before_the_map_library(tmp_path):
    """One such byte ended the program: the library's own complaint about it isn't text either."""
    path = tmp_path / "road.gpkg"
    whole = Path(sample_files()[1]).read_bytes()
    assert b"CREATE TABLE gpkg_contents" in whole
    path.write_bytes(whole.replace(b"CREATE TABLE gpkg_contents", b"CREATE TABL\xa1 gpkg_contents"))
    for opener, error in (OPENERS["layers"], OPENERS["findings"], OPENERS["grid"]):
        with pytest.raises(error, match="damaged"):
            opener(path)


@pytest.mark.parametrize(("name", "value"), [("start_m", "'far'"), ("settings", "'{'")])
def test_run_records_that_say_nothing(saved, tmp_path, name, value):
    """A study whose record was tampered with can't be screened again, and says so."""
    path = spoil(
        saved,
        tmp_path,
        "ALTER TABLE run ADD COLUMN centreline TEXT",
        "ALTER TABLE run ADD COLUMN start_m",
        f"UPDATE run SET centreline = 'a.gpkg', {name} = {value}",
    )
    with pytest.raises(ValueError, match=r"run record|settings") as caught:
        job_of(read_findings(path), str(path))
    assert isinstance(caught.value, VergelineError)


def test_a_layer_without_end_is_not_waited_for(tmp_path, monkeypatch):
    """A view may go on for ever; a minute is long enough, here a tenth of a second."""
    path = tmp_path / "endless.gpkg"
    path.write_bytes(Path(sample_files()[1]).read_bytes())
    with closing(sqlite3.connect(path)) as base:
        base.executescript(
            "CREATE VIEW endless AS WITH RECURSIVE n(geom) AS (SELECT NULL UNION ALL SELECT geom "
            "FROM n) SELECT geom FROM n;"
            "UPDATE gpkg_geometry_columns SET table_name = 'endless', column_name = 'geom'"
        )
    monkeypatch.setattr("analysis.common.given_databases._PATIENCE_S", 0.1)
    with pytest.raises(RoadError, match=r"takes over 0 s to look through"):
        line_layers(path)


def test_looking_through_a_geopackage_takes_no_time(saved):
    """The usual file is looked through in less than it takes to notice."""
    check_database(saved, "The file")
    begun = time.process_time()
    check_database(saved, "The file")
    assert time.process_time() - begun < 0.1


# ---------------------------------------------------------------- what would be untrue


def _road(tmp_path, z):
    return write_road(tmp_path / "grid.tif", tmp_path / "road.gpkg", "Alder Lane", z)


@pytest.mark.parametrize("levels", [1, 2, 3])
def test_heights_on_few_levels_cant_be_told(tmp_path, levels):
    """Whole metres or an empty band show no slope, and no noise: that isn't a perfect survey."""
    z = crowned_road()
    z = np.clip(np.round(z - z.min()), 0, levels - 1) + 100.0
    assert len(np.unique(z)) == levels
    grid, road = _road(tmp_path, z)
    terrain = open_terrain(grid)
    found = screen(terrain, read_roads(road, terrain)).findings.stations
    assert set(found["verdict"]) <= {"can't tell", "no data"}
    assert "can't tell" in found["verdict"]
    assert any("two or three levels" in reason for reason in found["reason"])


def test_layers_that_touch_no_road_are_said(tmp_path, capsys):
    """A mask of another place changes nothing, which the person must hear."""
    grid, road = _road(tmp_path, crowned_road())
    ring = [(EAST + x, NORTH + 5000.0 + y) for x, y in ((0, 0), (9, 0), (9, 9), (0, 0))]
    far = {"type": "Polygon", "coordinates": [ring]}
    mask = write_lines(tmp_path / "mask.gpkg", [far], kind="Polygon")
    widths = tmp_path / "widths.csv"
    rows = ["Birch Lane,0,100,3,3,1,1", "Alder Lane,9000,9900,3,3,1,1"]
    widths.write_text("\n".join([",".join(WIDTH_COLUMNS), *rows]) + "\n")
    inputs = ["--grid", grid, "--centreline", road, "--out", str(tmp_path / "out.gpkg")]
    words = ["screen", "--quiet", *inputs, "--mask", str(mask), "--widths", str(widths)]
    assert cli.main(words) == 0
    said = capsys.readouterr().err
    assert "Of the 1 areas that aren't shoulder 1 lie more than 30 m" in said
    assert "Birch Lane" in said
    assert "lie beyond the road" in said


def test_a_road_that_is_there_twice(tmp_path):
    """Under one name it counts once; under two it is said."""
    grid, _ = _road(tmp_path, crowned_road())
    terrain = open_terrain(grid)
    there, back = (line((2.0, 20.0), (190.0, 20.0)), line((190.0, 20.0), (2.0, 20.0)))
    for second in (there, back):
        notes = []
        one = write_lines(tmp_path / "one.gpkg", [there, second], [{"name": "Alder Lane"}] * 2)
        (road,) = read_roads(one, terrain, notes=notes)
        assert road.length_m == pytest.approx(188.0)
        assert any("is there twice" in note for note in notes)
        one.unlink()
    notes = []
    names = [{"name": "Alder Lane"}, {"name": "Birch Lane"}]
    two = write_lines(tmp_path / "two.gpkg", [there, back], names)
    assert len(read_roads(two, terrain, notes=notes)) == 2
    assert any("same ground for 188 m" in note for note in notes)
    # digitised again a hand's breadth beside, the two never meet
    beside = line((2.0, 20.3), (190.0, 20.3))
    notes = []
    read_roads(write_lines(tmp_path / "beside.gpkg", [there, beside], names), terrain, notes=notes)
    assert any("same ground for 188 m" in note for note in notes)
    notes = []
    across = line((100.0, 2.0), (100.0, 38.0))
    crossing = write_lines(tmp_path / "crossing.gpkg", [there, across], names)
    read_roads(crossing, terrain, notes=notes)
    assert not notes


def test_lines_and_areas_of_too_few_vertices(tmp_path):
    """An edge of one vertex is refused with its file's name."""
    grid, _ = _road(tmp_path, crowned_road())
    path = tmp_path / "edges.geojson"
    path.write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},'
        '"geometry": {"type": "LineString", "coordinates": [[-123.0, 45.1]]}}]}'
    )
    with pytest.raises(RoadError, match=r"edges\.geojson"):
        read_features(path, open_terrain(grid), "lines")


def test_a_shapefile_that_is_cut_off(tmp_path):
    """It is cut off, and not empty."""
    path = write_lines(tmp_path / "road.shp", [line((2.0, 20.0), (190.0, 20.0))], [{"name": "A"}],
                       driver="ESRI Shapefile")  # fmt: skip
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(RoadError, match="is cut off"):
        line_layers(path)


def test_kml_is_read(tmp_path):
    """What the dialog offers can be opened."""
    path = tmp_path / "road.kml"
    path.write_text(
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark>'
        "<name>Alder Lane</name><LineString><coordinates>-122.9999,45.1544 -122.998,45.1544"
        "</coordinates></LineString></Placemark></Document></kml>"
    )
    grid, _ = _road(tmp_path, crowned_road())
    assert len(read_features(path, open_terrain(grid), "lines")) == 1


def test_a_local_system_is_the_grids_fault(tmp_path):
    """The road isn't blamed for a grid that nothing can be brought into."""
    local = 'LOCAL_CS["works",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
    grid = write_grid(tmp_path / "local.tif", crowned_road(), cell=0.5, crs=local, units="metre")
    road = write_lines(tmp_path / "road.gpkg", [line((2.0, 20.0), (90.0, 20.0))])
    with pytest.raises(RoadError, match="local coordinate system"):
        read_roads(road, open_terrain(grid))


def test_grids_with_no_numbers_and_grids_too_fine(tmp_path):
    """A corner that is no number, and cells of a centimetre, are refused before memory is taken."""
    z = crowned_road(length_m=20.0)
    odd = write_grid(tmp_path / "odd.tif", z, transform=(0.5, 0.0, np.nan, 0.0, -0.5, NORTH))
    fine = write_grid(tmp_path / "fine.tif", z, cell=0.01, units="metre")
    with pytest.raises(TerrainError, match=r"no number|no place"):
        open_terrain(odd)
    with pytest.raises(TerrainError, match="finer than 20 mm"):
        open_terrain(fine)


def test_exports_of_findings_without_a_place(tmp_path):
    """An undefined coordinate system leads to no WGS 84; the table goes without degrees."""
    findings = replace(small_study().findings, crs_wkt='LOCAL_CS["undefined",UNIT["metre",1]]')
    for write, name in ((exports.write_geojson, "a.geojson"), (gpx.write_gpx, "a.gpx")):
        with pytest.raises(OutputError, match="local one"):
            write(findings, tmp_path / name)
    exports.write_csv(findings, tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows and all(row["longitude"] == row["latitude"] == "" for row in rows)


def _order(path, seen=None):
    study = small_study()
    return jobs.SaveOrder(study.findings, Settings(), study.limits, {}, {}, str(path), seen)


def test_two_windows_on_one_study(tmp_path):
    """The second to save is told that the file isn't any more what it opened."""
    path = tmp_path / "study.gpkg"
    first = jobs.save(lambda *_: None, _order(path))
    assert jobs.stamp_of(str(path)) == first
    again = jobs.save(lambda *_: None, _order(path, first))
    whole = path.read_bytes()
    with pytest.raises(OutputError, match="changed by another window"):
        jobs.save(lambda *_: None, _order(path, first))
    assert path.read_bytes() == whole
    jobs.save(lambda *_: None, _order(path, again))


def test_studies_whose_stations_have_no_place():
    """NULL distances and a missing side are a sentence in the window too."""
    table = small_study().findings.stations
    bad = {**table.columns, "distance_m": np.full(len(table), np.nan)}
    with pytest.raises(OutputError, match="no place along their road"):
        road_index(type(table)(bad))
    with pytest.raises(OutputError, match="lack a side"):
        road_index(table.where(np.arange(1, len(table))))
