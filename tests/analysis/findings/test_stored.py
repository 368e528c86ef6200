"""Findings read by SQLite alone: what GDAL reads too, only what was asked for, or a sentence."""

from dataclasses import replace
from functools import partial

import fiona
import numpy as np
import pytest

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.errors import OutputError
from analysis.common.table import Table
from analysis.findings.geopackage import read_findings, write_in_parts
from tests.builders.small_study import small_study
from tests.builders.spoilt_file import spoil
from tests.builders.tables import filled

ROADS = ("Wren Lane", "Otter's Way")


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Two roads of one ground in one file."""
    found, path = small_study().findings, tmp_path_factory.mktemp("stored") / "two.gpkg"
    ring = found.station_xy[0] + np.array([[0.0, 0.0], [4.5, 0.0], [4.5, 1.25], [0.0, 0.0]])
    pond = filled(POND_COLUMNS, 1, depth_mm=31.5, side="left")
    found = replace(found, ponds=pond, pond_rings=(ring,))

    def named(table, name):
        return Table({**table.columns, "road": np.full(len(table), name, dtype=object)})

    tables = ("stations", "reaches", "ponds", "roads")
    parts = [
        replace(found, **{table: named(getattr(found, table), name) for table in tables})
        for name in ROADS
    ]
    write_in_parts(parts, found.run, path)
    return path


@pytest.fixture
def spoilt(whole, tmp_path):
    """Gives a copy of the file in which SQL has been at work."""

    return partial(spoil, whole, tmp_path)


def test_gdal_reads_the_same(whole):
    found = read_findings(whole)
    shapes = {
        "stations": (STATION_COLUMNS, found.stations, found.station_xy),
        "reaches": (REACH_COLUMNS, found.reaches, found.reach_lines),
        "ponds": (POND_COLUMNS, found.ponds, found.pond_rings),
    }
    for name, (columns, table, places) in shapes.items():
        with fiona.open(whole, layer=name) as layer:
            features = list(layer)
            assert found.crs_wkt == layer.crs_wkt
        assert len(features) == len(table) == len(places) > 0
        for key, column in columns.items():
            values = [feature["properties"][key] for feature in features]
            if column.type == "str":
                assert table[key].tolist() == ["" if value is None else value for value in values]
            else:
                numbers = [np.nan if value is None else value for value in values]
                np.testing.assert_array_equal(table[key], numbers)
        for feature, place in zip(features, places, strict=True):
            xy = feature["geometry"]["coordinates"]
            np.testing.assert_array_equal(place, xy[0] if name == "ponds" else xy)
    with fiona.open(whole, layer="run") as layer:
        assert found.run == dict(next(iter(layer))["properties"])


@pytest.mark.parametrize("road", ROADS)
def test_what_is_wrong_with_another_road_does_not_matter(spoilt, road):
    quoted = road.replace("'", "''")
    path = spoilt(f"UPDATE stations SET geom = x'00', rut_mm = 'deep' WHERE road != '{quoted}'")
    found = read_findings(path, road=road)
    assert set(found.stations["road"]) == {road}
    with pytest.raises(OutputError, match="text in the column rut_mm"):
        read_findings(path)


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("UPDATE stations SET geom = x'00' WHERE fid = 2", "holds no geometry where row 2"),
        ("UPDATE stations SET geom = NULL WHERE fid = 2", "has nothing where a Point should be"),
        ("UPDATE stations SET reason = x'ff00' WHERE fid = 2", "bytes in the column reason"),
        ("UPDATE stations SET reason = CAST(x'ff' AS TEXT) WHERE fid = 2", "is damaged .*UTF-8"),
        ("UPDATE reaches SET length_m = 'long'", "text in the column length_m of reaches"),
        ("DELETE FROM run", "doesn't say how it was made"),
        ("DROP TABLE gpkg_geometry_columns", "no table of contents"),
    ],
)
def test_what_is_wrong_with_the_road_itself_is_a_sentence(spoilt, command, said):
    with pytest.raises(OutputError, match=said):
        read_findings(spoilt(command), road=ROADS[0])


def test_a_view_that_never_ends_is_not_asked(spoilt):
    """A stranger's query isn't run: a layer of findings is a table."""
    endless = "WITH RECURSIVE n(k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n)"
    path = spoilt(
        "ALTER TABLE stations RENAME TO held",
        f"CREATE VIEW stations AS {endless} SELECT held.* FROM held, n",
    )
    for road in ("", ROADS[0]):
        with pytest.raises(OutputError, match="lacks the layers stations"):
            read_findings(path, road=road)
