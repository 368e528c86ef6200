"""The corpus: each case is a name, the kind of file, and its content."""

from __future__ import annotations

import json
import random
import sqlite3
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.common.limits import default_limits, write_limits
from analysis.findings.geopackage import write_findings
from analysis.study.inputs import WIDTH_COLUMNS
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points
from tests.builders.files import EAST, NORTH, UTM, crowned_road, line, write_grid, write_lines
from tests.builders.small_study import small_study

__all__ = ["Case", "cases", "good_files"]

Make = Callable[[Path, Path], None]
"""Makes the bad file at the first path, from the good file at the second where it needs one."""

_LANE = [[-122.99997, 45.153657], [-122.99939, 45.153657]]
"""The lane of the good grid, in degrees."""


@dataclass(frozen=True, slots=True)
class Case:
    """One bad file: what is wrong with it, its kind (a key of `readers.READERS`) and its ending."""

    what: str
    kind: str
    ending: str
    make: Make


def good_files(folder: Path) -> dict[str, Path]:
    """Write one good file of each kind that the bad ones are made from."""
    lane, names = line((2.0, 20.0), (48.0, 20.0)), [{"name": "Alder Lane"}]
    corners = [(EAST + x, NORTH + y) for x, y in ((10, 14), (16, 14), (16, 26), (10, 14))]
    good = {
        "tif": write_grid(
            folder / "good.tif", crowned_road(length_m=50.0), cell=0.5, dtype="float32",
            units="metre",
        ),
        "gpkg": write_lines(folder / "good.gpkg", [lane], names),
        "shp": write_lines(folder / "good.shp", [lane], names, driver="ESRI Shapefile"),
        "fgb": write_lines(folder / "good.fgb", [lane], names, driver="FlatGeobuf"),
        "geojson": folder / "good.geojson",
        "mask": write_lines(folder / "mask.gpkg", [[corners]], kind="Polygon"),
        "maskfgb": write_lines(
            folder / "mask.fgb", [[corners]], kind="Polygon", driver="FlatGeobuf"
        ),
        "limits": folder / "good.toml",
        "rates": folder / "rates.toml",
        "widths": folder / "widths.csv",
        "readings": folder / "readings.csv",
        "las": folder / "good.las",
        "laz": folder / "good.laz",
        "findings": folder / "findings.gpkg",
    }  # fmt: skip
    write_findings(small_study().findings, good["findings"])
    shape = {"type": "LineString", "coordinates": _LANE}
    lane_there = {"type": "Feature", "properties": {"name": "Alder Lane"}, "geometry": shape}
    good["geojson"].write_text(json.dumps({"type": "FeatureCollection", "features": [lane_there]}))
    write_limits(default_limits("gravel"), good["limits"])
    good["rates"].write_text('grader_per_h = 95.0\ncurrency = "EUR"\n')
    rows = ["Alder Lane,0+000,0+025,3.5,3.5,1.5,1.5", ",25,50,3.4,,1.2,"]
    good["widths"].write_text("\n".join([",".join(WIDTH_COLUMNS), *rows, ""]))
    boards = [
        "station,side,reading_mm,board_m,when",
        "1+240,left,40,1.2,before",
        "1+250,right,-8,,",
    ]
    good["readings"].write_text("\n".join([*boards, ""]))
    for kind in ("las", "laz"):
        write_points(_ground(), good[kind], crs=UTM)
    return good


def _ground() -> Points:
    """A thousand points of the ground of the good grid."""
    rng = np.random.default_rng(8)
    x, y = EAST + 50.0 * rng.random(1000), NORTH + 40.0 * rng.random(1000)
    ones = np.ones(1000)
    return Points(x, y, 100.0 + 0.01 * (x - EAST), np.zeros(1000, int), 0.5 * ones)


def cases() -> Iterator[Case]:
    """Every case of the corpus, always the same ones in the same order."""
    yield from _grids()
    yield from _texts()
    yield from _geojson()
    yield from _cut_and_spoilt()
    yield from _databases()
    yield from _points()


# ---------------------------------------------------------------- grids


def _grids() -> Iterator[Case]:
    z = crowned_road(length_m=20.0)
    written = {
        "no coordinate system": {"crs": None},
        "in degrees": {"crs": "EPSG:4326", "cell": 1e-5, "corner": (15.0, 45.0)},
        "in degrees of another planet": {"crs": "+proj=longlat +R=3396190 +no_defs"},
        "no place on the ground": {"transform": (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)},
        "cells without area": {"transform": (0.0, 0.0, EAST, 0.0, 0.0, NORTH)},
        "cells of a millimetre": {"cell": 0.001},
        "cells of a centimetre": {"cell": 0.01},
        "a corner that is no number": {"transform": (0.5, 0.0, np.nan, 0.0, -0.5, NORTH)},
        "an infinite corner": {"transform": (0.5, 0.0, np.inf, 0.0, -0.5, NORTH)},
        "cells that are no number": {"transform": (np.nan, 0.0, EAST, 0.0, np.nan, NORTH)},
        "heights in fathoms": {"units": "fathom"},
        "heights in degrees Celsius": {"units": "°C"},
        "heights in an unknown unit by tag": {"tags": {"VERTICAL_UNITS": "cubit"}},
        "complex numbers": {"dtype": "complex64"},
    }
    for what, options in written.items():
        whole = {"cell": 0.5, "dtype": "float32", **options}
        yield Case(f"grid: {what}", "grid", ".tif", _grid(z, whole))
    pictures = np.repeat(np.abs(z[None]), 3, axis=0)
    yield Case("grid: a photograph", "grid", ".tif",
               _grid(pictures, {"dtype": "uint8", "photometric": "rgb"}))  # fmt: skip


def _grid(z: np.ndarray, options: dict) -> Make:
    def make(path: Path, _: Path) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            write_grid(path, z, **options)

    return make


def void(_: object) -> None:
    """Nothing, whatever is given."""


# ---------------------------------------------------------------- texts


def _texts() -> Iterator[Case]:
    nonsense = {
        "empty": b"",
        "one zero byte": b"\0",
        "only spaces": b"   \n \n",
        "a letter": b"Sehr geehrte Damen und Herren",
        "Latin-1": "# caf\xe9, na\xefve".encode("latin-1"),
        "UTF-16": "station,side,reading_mm\n".encode("utf-16"),
        "random bytes": random.Random(4).randbytes(2000),
        "a thousand zero bytes": bytes(1000),
        "a page for a browser": b"<!DOCTYPE html><html><body>404 Not Found</body></html>",
        "an archive": b"PK\3\4" + random.Random(5).randbytes(500),
        "a picture": b"\x89PNG\r\n\x1a\n" + random.Random(6).randbytes(500),
        "a Large File Storage pointer": b"version https://git-lfs.github.com/spec/v1\noid sha256",
        "brackets without end": b"[" * 3000,
        "a line of a million letters": b"x" * 1_000_000,
    }
    endings = {"grid": ".tif", "road": ".geojson", "findings": ".gpkg", "limits": ".toml",
               "rates": ".toml", "widths": ".csv", "readings": ".csv"}  # fmt: skip
    for kind, ending in endings.items():
        for what, content in nonsense.items():
            if kind in ("limits", "rates") and what in ("empty", "only spaces"):
                continue  # nothing said: the defaults, or no rate
            yield Case(f"{kind}: {what}", kind, ending, _bytes(content))
    for what, text in _LIMITS.items():
        yield Case(f"limits: {what}", "limits", ".toml", _bytes(text.encode()))
    for what, text in _RATES.items():
        yield Case(f"rates: {what}", "rates", ".toml", _bytes(text.encode()))
    head = ",".join(WIDTH_COLUMNS)
    for what, row in _WIDTHS.items():
        yield Case(f"widths: {what}", "widths", ".csv", _bytes(f"{head}\n{row}\n".encode()))
    for what, text in _READINGS.items():
        yield Case(f"readings: {what}", "readings", ".csv", _bytes(text.encode()))


def _bytes(content: bytes) -> Make:
    return lambda path, _: void(path.write_bytes(content))


_LIMITS = {
    "a limit that isn't one": "[gravel]\nrut_depth = 10",
    "a limit far too large": "[gravel]\nrut_mm = 1e9",
    "a negative limit": "[gravel]\nrut_mm = -10",
    "not a number": "[gravel]\nrut_mm = nan",
    "infinite": "[gravel]\nrut_mm = inf",
    "400 digits": "[gravel]\nrut_mm = " + "9" * 400,
    "5000 digits": "[gravel]\nrut_mm = " + "9" * 5000,
    "a text for a number": '[gravel]\nrut_mm = "25"',
    "yes for a number": "[gravel]\nrut_mm = true",
    "a decimal comma": "[gravel]\nrut_mm = 2,5",
    "a list for a number": "[gravel]\nrut_mm = [25]",
    "another unit": '[gravel]\nrut_mm = {value = 1, unit = "inch"}',
    "a unit that is no text": "[gravel]\nrut_mm = {value = 25, unit = 1}",
    "no value": '[gravel]\nrut_mm = {unit = "mm"}',
    "an unknown part": "[gravel]\nrut_mm = {value = 25, valu = 25}",
    "an unknown surface": 'surface = "asphalt"',
    "a surface that is no text": "surface = 3",
    "a table that is a number": "gravel = 3",
    "an unknown table": "[asphalt]\nrut_mm = 25",
    "the same key twice": "[gravel]\nrut_mm = 25\nrut_mm = 26",
    "nested 5000 deep": "a = " + "[" * 5000 + "]" * 5000,
    "the least above the most": "[gravel]\nshoulder_least_pct = 9\nshoulder_most_pct = 3",
    "a date": "[gravel]\nrut_mm = 2026-01-01",
}
_RATES = {
    "an unknown rate": "blade_per_h = 3",
    "a negative rate": "grader_per_h = -3",
    "an infinite rate": "grader_per_h = inf",
    "not a number": "grader_per_h = nan",
    "400 digits": "grader_per_h = " + "9" * 400,
    "a text": 'grader_per_h = "95"',
    "yes": "grader_per_h = true",
    "a list": "grader_per_h = [95]",
    "a decimal comma": "grader_per_h = 95,5",
    "a currency that is a number": "currency = 3",
    "nested 5000 deep": "a = " + "[" * 5000 + "]" * 5000,
}
_WIDTHS = {
    "a decimal comma": "Alder Lane,0,100,3,3,1,1,5",
    "a text for a width": "Alder Lane,0,100,wide,3,1,1",
    "a negative width": "Alder Lane,0,100,-3,3,1,1",
    "a width of a kilometre": "Alder Lane,0,100,1000,3,1,1",
    "not a number": "Alder Lane,0,100,nan,3,1,1",
    "an infinite width": "Alder Lane,0,100,inf,3,1,1",
    "no station": "Alder Lane,,100,3,3,1,1",
    "a station that is none": "Alder Lane,here,100,3,3,1,1",
    "too few cells": "Alder Lane",
    "a formula": "Alder Lane,=1+1,100,3,3,1,1",
    "feet and inches": "Alder Lane,0,100,9' 6\",3,1,1",
    "a width of 400 digits": f"Alder Lane,0,100,{'9' * 400},3,1,1",
}
_COLUMNS = "station,side,reading_mm"
_READINGS = {
    "a column missing": "station,side\n1+240,left\n",
    "no reading": f"{_COLUMNS}\n1+240,left,\n",
    "only a head": f"{_COLUMNS}\n",
    "a decimal comma": f"{_COLUMNS}\n1+240,left,40,5\n",
    "a station that is none": f"{_COLUMNS}\nhere,left,40\n",
    "a side that is none": f"{_COLUMNS}\n1+240,middle,40\n",
    "a reading that is none": f"{_COLUMNS}\n1+240,left,forty\n",
    "not a number": f"{_COLUMNS}\n1+240,left,nan\n",
    "an infinite reading": f"{_COLUMNS}\n1+240,left,inf\n",
    "a reading of a kilometre": f"{_COLUMNS}\n1+240,left,1000000\n",
    "a board of a hand's breadth": f"{_COLUMNS},board_m\n1+240,left,40,0.1\n",
    "a board of a mile": f"{_COLUMNS},board_m\n1+240,left,40,1609\n",
    "a time that is none": f"{_COLUMNS},when\n1+240,left,40,soon\n",
    "a quotation without end": f'{_COLUMNS}\n"1+240,left,40\n',
    "a quotation within": f'{_COLUMNS}\n"1+2"40,left,40\n',
    "a formula": f"{_COLUMNS}\n1+240,left,=40\n",
    "a step of a metre": f"{_COLUMNS},edge_mm\n1+240,left,40,1000\n",
}


# ---------------------------------------------------------------- GeoJSON


def _geojson() -> Iterator[Case]:
    good = _LANE
    shapes = {
        "no features": [],
        "no geometry": [None],
        "points for lines": [{"type": "Point", "coordinates": good[0]}],
        "areas for lines": [{"type": "Polygon", "coordinates": [[*good, [-122.9, 45.2], good[0]]]}],
        "a line without vertices": [{"type": "LineString", "coordinates": []}],
        "a line of one vertex": [{"type": "LineString", "coordinates": good[:1]}],
        "a line of one place": [{"type": "LineString", "coordinates": good[:1] * 9}],
        "a vertex that is no number": [
            {"type": "LineString", "coordinates": [good[0], [float("nan"), 45.1]]}
        ],
        "an infinite vertex": [
            {"type": "LineString", "coordinates": [good[0], [float("inf"), 45.1]]}
        ],
        "another place": [{"type": "LineString", "coordinates": [[15.0, 45.0], [15.1, 45.0]]}],
        "beyond the pole": [{"type": "LineString", "coordinates": [[15.0, 95.0], [15.1, 95.0]]}],
        "metres said to be degrees": [
            {"type": "LineString", "coordinates": [[4e5, 5e6], [4.1e5, 5e6]]}
        ],
        "latitude first": [{"type": "LineString", "coordinates": [p[::-1] for p in good]}],
        "a stray vertex": [{"type": "LineString", "coordinates": [*good, [0.0, 0.0]]}],
        "numbers of 1e300": [{"type": "LineString", "coordinates": [good[0], [1e300, 1e300]]}],
        "an unknown geometry": [{"type": "Curve", "coordinates": good}],
        "coordinates of text": [{"type": "LineString", "coordinates": ["a", "b"]}],
        "coordinates of one number": [{"type": "LineString", "coordinates": [[1.0], [2.0]]}],
        "an empty collection": [{"type": "GeometryCollection", "geometries": []}],
    }
    for what, geometries in shapes.items():
        features = [{"type": "Feature", "properties": {}, "geometry": g} for g in geometries]
        text = json.dumps({"type": "FeatureCollection", "features": features})
        yield Case(f"road: {what}", "road", ".geojson", _bytes(text.encode()))
    for kind, geometry in (
        ("mask", {"type": "LineString", "coordinates": good}),
        ("edges", {"type": "Point", "coordinates": good[0]}),
        ("culverts", {"type": "LineString", "coordinates": good}),
        ("mask", {"type": "Polygon", "coordinates": []}),
        ("mask", {"type": "Polygon", "coordinates": [good]}),
        ("edges", {"type": "LineString", "coordinates": good[:1]}),
        ("culverts", {"type": "Point", "coordinates": []}),
    ):
        feature = {"type": "Feature", "properties": {}, "geometry": geometry}
        text = json.dumps({"type": "FeatureCollection", "features": [feature]})
        what = f"{geometry['type']} of {len(geometry['coordinates'])}"
        yield Case(f"{kind}: {what}", kind, ".geojson", _bytes(text.encode()))
    deep = '{"type":"GeometryCollection","geometries":[' * 3000
    yield Case("road: collections 3000 deep", "road", ".geojson", _bytes(deep.encode()))
    fields = [("start_m", "far"), ("start_m", "40,5"), ("start_m", "1+2+3")]
    for name, value in fields:
        shape = {"type": "LineString", "coordinates": good}
        feature = {"type": "Feature", "properties": {name: value}, "geometry": shape}
        text = json.dumps({"type": "FeatureCollection", "features": [feature]})
        yield Case(f"road: {name} is {value}", "road", ".geojson", _bytes(text.encode()))


# ---------------------------------------------------------------- cut off and spoilt


def _cut_and_spoilt() -> Iterator[Case]:
    readers = {"tif": "grid", "gpkg": "road", "shp": "road", "fgb": "road", "findings": "findings"}
    for good, kind in readers.items():
        ending = ".gpkg" if good == "findings" else f".{good}"
        for share in (0.01, 0.1, 0.3, 0.5, 0.9):
            yield Case(f"{kind}: {good} cut off at {share:.0%}", kind, ending, _cut(good, share))
        yield Case(f"{kind}: {good} whose first 64 bytes are zero", kind, ending, _zeroed(good))
    for part in ("shx", "dbf"):
        yield Case(f"road: shapefile without {part}", "road", ".shp", _cut("shp", 1.0, part))


def _cut(good: str, share: float, *_: str) -> Make:
    def make(path: Path, folder: Path) -> None:
        whole = (folder / _NAMES[good]).read_bytes()
        path.write_bytes(whole[: int(share * len(whole))])

    return make


def _zeroed(good: str) -> Make:
    def make(path: Path, folder: Path) -> None:
        path.write_bytes(bytes(64) + (folder / _NAMES[good]).read_bytes()[64:])

    return make


_NAMES = {"tif": "good.tif", "gpkg": "good.gpkg", "shp": "good.shp", "fgb": "good.fgb",
          "las": "good.las", "laz": "good.laz", "findings": "findings.gpkg"}  # fmt: skip


# ---------------------------------------------------------------- databases


def _databases() -> Iterator[Case]:
    for what, commands in _FINDINGS.items():
        yield Case(f"findings: {what}", "findings", ".gpkg", _altered("findings", commands))
    for what, commands in _ROADS.items():
        yield Case(f"road: {what}", "road", ".gpkg", _altered("gpkg", commands))
    for word in (b"CREATE TABLE gpkg_contents", b"CREATE TABLE gpkg_geometry_columns",
                 b"CREATE TABLE gpkg_spatial_ref_sys"):  # fmt: skip
        for good, kind in (("gpkg", "road"), ("findings", "findings")):
            what = f"{kind}: a byte that is no text in {word.decode().split()[-1]}"
            yield Case(
                what, kind, ".gpkg", _replaced(good, word, word[:-20] + b"\xa1" + word[-19:])
            )
    yield Case("findings: a road", "findings", ".gpkg", _cut("gpkg", 1.0))
    yield Case("findings: an empty database", "findings", ".gpkg", _empty_database)


def _points() -> Iterator[Case]:
    nonsense = {"empty": b"", "a letter": b"Sehr geehrte Damen", "zero bytes": bytes(1000)}
    for what, content in nonsense.items():
        yield Case(f"points: {what}", "points", ".las", _bytes(content))
    for good in ("las", "laz"):
        for share in (0.001, 0.02, 0.3, 0.9):
            what = f"points: {good} cut off at {share:.1%}"
            yield Case(what, "points", f".{good}", _cut(good, share))
        yield Case(f"points: {good} whose first 64 bytes are zero", "points", f".{good}",
                   _zeroed(good))  # fmt: skip
    written = {
        "no ground among them": {"crs": UTM, "classes": 1},
        "all withheld": {"crs": UTM, "withheld": np.ones(1000, bool)},
        "no coordinate system": {"crs": None},
        "in degrees": {"crs": "EPSG:4326"},
        "a coordinate system that isn't known": {"crs": {1024: 1, 3072: 32599}},
    }
    for what, options in written.items():
        yield Case(f"points: {what}", "points", ".las", _surveyed(options))


def _surveyed(options: dict) -> Make:
    return lambda path, _: write_points(_ground(), path, **options)


def _empty_database(path: Path, _: Path) -> None:
    with closing(sqlite3.connect(path)) as base:
        base.execute("CREATE TABLE t (a)")
        base.commit()


def _altered(good: str, commands: str) -> Make:
    def make(path: Path, folder: Path) -> None:
        path.write_bytes((folder / _NAMES[good]).read_bytes())
        with closing(sqlite3.connect(path)) as base:
            base.execute("PRAGMA synchronous = OFF")
            base.execute("PRAGMA journal_mode = MEMORY")
            for (name,) in base.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall():
                base.execute(f'DROP TRIGGER "{name}"')
            base.execute("PRAGMA foreign_keys = OFF")
            base.executescript(commands)
            base.commit()

    return make


def _replaced(good: str, old: bytes, new: bytes) -> Make:
    def make(path: Path, folder: Path) -> None:
        whole = (folder / _NAMES[good]).read_bytes()
        assert old in whole and len(old) == len(new)
        path.write_bytes(whole.replace(old, new))

    return make


_FINDINGS = {
    "NULL for a point": "UPDATE stations SET geom = NULL WHERE fid = 3",
    "NULL for a line": "UPDATE reaches SET geom = NULL",
    "garbage for a point": "UPDATE stations SET geom = x'0011223344556677889900' WHERE fid = 3",
    "text for a point": "UPDATE stations SET geom = 'here' WHERE fid = 3",
    "an empty blob for a point": "UPDATE stations SET geom = x'' WHERE fid = 3",
    "half a point": "UPDATE stations SET geom = substr(geom, 1, 20) WHERE fid = 3",
    "a point for a line": "UPDATE reaches SET geom = (SELECT geom FROM stations LIMIT 1)",
    "a line for a point": "UPDATE stations SET geom = (SELECT geom FROM reaches LIMIT 1)",
    "text in a number": "UPDATE stations SET rut_mm = 'deep' WHERE fid = 3",
    "a blob in a number": "UPDATE stations SET rut_mm = x'00' WHERE fid = 3",
    "text in a number of the reaches": "UPDATE reaches SET length_m = 'long'",
    "no run": "DELETE FROM run",
    "no layer of stations": "DROP TABLE stations",
    "no layer of reaches": "DROP TABLE reaches; DELETE FROM gpkg_contents "
    "WHERE table_name = 'reaches'",
    "a column missing": "ALTER TABLE stations DROP COLUMN verdict",
    "a layer that isn't in the contents": "DELETE FROM gpkg_contents WHERE table_name = 'ponds'",
    "contents that are no text": "UPDATE gpkg_contents SET description = CAST(x'a1ff' AS TEXT)",
    "a geometry column that is no text": "UPDATE gpkg_geometry_columns SET column_name = x'00'",
    "a geometry column that isn't there": "UPDATE gpkg_geometry_columns SET column_name = 'no'",
    "no contents": "DROP TABLE gpkg_contents",
    "no geometry columns": "DROP TABLE gpkg_geometry_columns",
}
_ROADS = {
    "NULL for a line": "UPDATE good SET geom = NULL",
    "garbage for a line": "UPDATE good SET geom = x'0011223344556677889900'",
    "text for a line": "UPDATE good SET geom = 'here'",
    "half a line": "UPDATE good SET geom = substr(geom, 1, length(geom) - 9)",
    "a million vertices said": "UPDATE good SET geom = CAST(substr(geom, 1, 45) || "
    "x'40420f00' || substr(geom, 50) AS BLOB)",
    "no rows": "DELETE FROM good",
    "no table": "DROP TABLE good",
    "no contents": "DROP TABLE gpkg_contents",
    "no coordinate systems": "DROP TABLE gpkg_spatial_ref_sys",
    "contents that are no text": "UPDATE gpkg_contents SET description = CAST(x'a1ff' AS TEXT)",
    "a geometry column that isn't there": "UPDATE gpkg_geometry_columns SET column_name = 'no'",
}
