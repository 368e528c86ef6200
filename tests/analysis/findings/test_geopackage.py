"""Findings go into a GeoPackage and come back the same; a good file survives a bad write."""

import dataclasses
import os
import sqlite3

import numpy as np
import pytest

from analysis.common.columns import (
    EDIT_COLUMNS,
    POND_COLUMNS,
    REACH_COLUMNS,
    REVIEW_COLUMNS,
    STATION_COLUMNS,
)
from analysis.common.errors import Cancelled, OutputError
from analysis.common.table import Table
from analysis.findings import geopackage as findings_module
from analysis.findings.geopackage import Findings, read_findings, write_findings
from tests.builders.stopping import WORDS, stop_from

UTM = (
    'PROJCS["WGS 84 / UTM zone 33N",GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,'
    '298.257223563]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],'
    'PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],'
    'PARAMETER["central_meridian",15],PARAMETER["scale_factor",0.9996],'
    'PARAMETER["false_easting",500000],PARAMETER["false_northing",0],UNIT["metre",1]]'
)


def _table(types, n, seed):
    rng = np.random.default_rng(seed)
    columns = {}
    for name, kind in types.items():
        if kind.type == "str":
            columns[name] = np.array([f"{name} {i} é'" for i in range(n)], dtype=object)
        elif kind.type == "bool":
            columns[name] = rng.integers(0, 2, n).astype(float)
        elif kind.type == "int":
            columns[name] = rng.integers(0, 99, n).astype(float)
        else:
            columns[name] = rng.normal(size=n)
        if kind.type != "str" and n:
            columns[name][0] = np.nan
    if n and "reason" in columns:
        columns["reason"][0] = ""
    return Table(columns)


@pytest.fixture
def found():
    return Findings(
        stations=_table(STATION_COLUMNS, 5, 1),
        reaches=_table(REACH_COLUMNS, 2, 2),
        ponds=_table(POND_COLUMNS, 1, 3),
        station_xy=np.array([[500000.0 + i, 5000000.0 - i] for i in range(5)]),
        reach_lines=(
            np.array([[0.0, 0.0], [1.0, 1.0]]),
            np.array([[5.0, 5.0], [6.0, 7.0], [8.0, 9.0]]),
        ),
        pond_rings=(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 0.0]]),),
        crs_wkt=UTM,
        run={"cell_m": 0.5, "stations": 5, "roads": ["a", "b"], "warp": False, "limits": "x = 1"},
        edits=_table(EDIT_COLUMNS, 2, 4),
        reviews=_table(REVIEW_COLUMNS, 3, 5),
    )


def _assert_same(a, b):
    assert a.names() == b.names()
    for name in a.names():
        np.testing.assert_array_equal(a[name], b[name], err_msg=name)


def test_write_read_round_trip(found, tmp_path):
    """Every number, unknown, text and point comes back as it was."""
    path = tmp_path / "out.gpkg"
    write_findings(found, path)
    back = read_findings(path)
    for name in ("stations", "reaches", "ponds", "edits", "reviews"):
        _assert_same(getattr(found, name), getattr(back, name))
    np.testing.assert_array_equal(found.station_xy, back.station_xy)
    for a, b in zip(found.reach_lines, back.reach_lines, strict=True):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_allclose(
        np.sort(found.pond_rings[0], axis=0), np.sort(back.pond_rings[0], axis=0)
    )
    assert back.run["cell_m"] == 0.5
    assert back.run["roads"] == '["a", "b"]'
    assert "UTM zone 33N" in back.crs_wkt
    assert [p.name for p in tmp_path.iterdir()] == ["out.gpkg"]


def test_write_unknown_is_null(found, tmp_path):
    """Other programs read NULL where nothing is known, in the columns of the contract."""
    path = tmp_path / "out.gpkg"
    write_findings(found, path)
    with sqlite3.connect(path) as file:
        row = file.execute(
            "select shoulder_slope_pct, edge_found, reason from stations order by rowid limit 1"
        ).fetchone()
        layers = {name for (name,) in file.execute("select table_name from gpkg_contents")}
    file.close()
    assert row == (None, None, None)
    assert {"stations", "reaches", "ponds", "run"} <= layers


def test_write_empty_tables(found, tmp_path):
    """A road without ponds, edits or reviews writes empty layers, and reads them back."""
    bare = dataclasses.replace(
        found,
        ponds=Table.empty(POND_COLUMNS),
        pond_rings=(),
        edits=Table.empty(EDIT_COLUMNS),
        reviews=Table.empty(REVIEW_COLUMNS),
    )
    write_findings(bare, tmp_path / "out.gpkg")
    back = read_findings(tmp_path / "out.gpkg")
    assert len(back.ponds) == 0 and back.ponds.names() == tuple(POND_COLUMNS)
    assert len(back.edits) == 0


def test_write_cancelled_keeps_the_good_file(found, tmp_path):
    """Stopping halfway leaves the earlier file and no scraps."""
    path = tmp_path / "out.gpkg"
    write_findings(found, path)
    before = path.read_bytes()

    with pytest.raises(Cancelled, match=WORDS):
        write_findings(found, path, progress=stop_from(0.3))
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["out.gpkg"]


def test_write_failure_keeps_the_good_file(found, tmp_path, monkeypatch):
    """A disk that fails halfway leaves the earlier file, no scraps, and one sentence."""
    path = tmp_path / "out.gpkg"
    write_findings(found, path)
    before = path.read_bytes()

    def full(_parts, _record, beside, _lost, _progress):
        beside.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(findings_module, "_write_layers", full)
    with pytest.raises(OutputError, match="The disk is full"):
        write_findings(found, path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["out.gpkg"]


def test_write_bad_places(found, tmp_path):
    """Wrong names and folders are told apart."""
    with pytest.raises(OutputError, match=r"name the file out\.gpkg"):
        write_findings(found, tmp_path / "out.shp")
    with pytest.raises(OutputError, match="doesn't exist"):
        write_findings(found, tmp_path / "nowhere" / "out.gpkg")
    (tmp_path / "folder.gpkg").mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        write_findings(found, tmp_path / "folder.gpkg")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_write_read_only_folder(found, tmp_path):
    """A read-only folder gives a sentence."""
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="writable"):
            write_findings(found, tmp_path / "out.gpkg")
    finally:
        tmp_path.chmod(0o700)


def test_read_bad_files(found, tmp_path):
    """Missing, foreign and damaged files are refused in a sentence."""
    with pytest.raises(OutputError, match="doesn't exist"):
        read_findings(tmp_path / "none.gpkg")
    (tmp_path / "text.gpkg").write_text("not a database")
    with pytest.raises(OutputError, match="can't be read as a findings file"):
        read_findings(tmp_path / "text.gpkg")
    path = tmp_path / "out.gpkg"
    write_findings(found, path)
    with sqlite3.connect(path) as file:
        file.execute("drop table ponds")
        file.execute("delete from gpkg_contents where table_name = 'ponds'")
        file.execute("delete from gpkg_geometry_columns where table_name = 'ponds'")
    file.close()
    with pytest.raises(OutputError, match="lacks the layers ponds"):
        read_findings(path)


def test_table_unequal_columns():
    """A table never mixes rows."""
    with pytest.raises(ValueError, match="equally long"):
        Table({"a": np.zeros(2), "b": np.zeros(3)})


def test_table_where_and_row():
    """Masks keep rows whole."""
    table = Table({"a": np.arange(3.0), "b": np.array(list("xyz"), dtype=object)})
    kept = table.where(table["a"] > 0.5)
    assert len(kept) == 2
    assert kept.row(0) == {"a": 1.0, "b": "y"}
