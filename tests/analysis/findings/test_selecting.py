"""What leaves and what stays behind, by a reviewer's word and by what is asked for."""

import json
from dataclasses import replace

import numpy as np
import pytest

from analysis.common.columns import REACH_COLUMNS, STATION_COLUMNS
from analysis.common.errors import OutputError, SettingsError
from analysis.common.verdicts import Treatment
from analysis.findings.exports import write_geojson
from analysis.findings.geopackage import read_findings
from analysis.findings.handing_out import Outputs, hand_out
from analysis.findings.planning import make_programme
from analysis.findings.reviews import Place, Review, reach_places, review_table
from analysis.findings.selecting import Selection, for_output, kept, selected
from analysis.terrain.geofiles import fiona
from tests.builders.work_findings import ROAD, N, make_findings


def reviewed(**states):
    """Findings whose reaches r0, r1, r2 and stations s0, s1, ... were given a review."""
    made = make_findings()
    places = reach_places(made.reaches)
    reviews = {}
    for name, state in states.items():
        row = int(name[1:])
        if name[0] == "r":
            place = places[row]
        else:
            stations = made.stations
            place = Place.station(ROAD, stations["side"][row], stations["station_m"][row])
        reviews[place] = Review(state, "parked vehicle", "seen on site", "R. Ashdown", "2031-05-06")
    return replace(made, reviews=review_table(reviews))


def test_what_was_rejected_leaves_with_its_stations_and_ponds():
    found = selected(reviewed(r0="rejected"))
    assert found.reaches["from_m"].tolist() == [995.0, 1062.0]
    assert len(found.reach_lines) == 2
    # Left stations 1010 to 1060 lay in it.
    gone = (found.stations["side"] == "left") & (found.stations["station_m"] < 1062.0)
    assert found.stations["station_m"][gone].tolist() == [1000.0]
    assert len(found.station_xy) == len(found.stations) == 2 * N - 6
    assert len(found.reviews) == 0


def test_a_station_has_a_view_of_its_own():
    # Row 6 is the left side of 1030, within the rejected reach; row 7 the right one.
    found = selected(reviewed(r0="rejected", s6="agreed", s7="rejected"))
    left = found.stations["station_m"][found.stations["side"] == "left"]
    right = found.stations["station_m"][found.stations["side"] == "right"]
    assert 1030.0 in left and 1020.0 not in left
    assert 1030.0 not in right and 1020.0 in right


def test_a_pond_goes_with_its_reach():
    made = reviewed(r0="rejected")
    made.ponds["station_m"][:] = 1030.0
    assert len(selected(made).ponds) == 0
    made.ponds["station_m"][:] = 1100.0
    assert len(selected(made).ponds) == 1


def test_what_was_rejected_comes_marked_if_asked():
    found = selected(reviewed(r0="rejected", r2="agreed"), Selection(with_rejected=True))
    assert found.reaches["review"].tolist() == ["rejected", "", "agreed"]
    assert found.reaches["review_reason"][0] == "parked vehicle"
    assert found.reaches["reviewer"][0] == "R. Ashdown"
    assert found.reaches["review_note"][0] == "seen on site"
    assert found.reaches["reviewed_at"][0] == "2031-05-06"
    assert len(found.stations) == 2 * N
    assert selected(reviewed(r0="rejected"), Selection(reviews=frozenset({"rejected"}))).reaches[
        "from_m"
    ].tolist() == [1003.0]


@pytest.mark.parametrize(
    ("asked", "reaches", "stations"),
    [
        ({}, [0, 1, 2], 2 * N),
        ({"sides": {"right"}}, [1], N),
        ({"verdicts": {"won't shed"}}, [], N),
        ({"treatments": {"replenish and clean ditch"}}, [0], 6),
        ({"rank_most": 1}, [0], 6),
        ({"look_first": True}, [2], 5),
        ({"from_m": 1070.0}, [1, 2], 10),
        # A reach that reaches into the range is taken whole.
        ({"from_m": 1060.0, "to_m": 1070.0}, [0, 1, 2], 4),
        ({"to_m": 1000.0}, [1], 2),
        ({"roads": {"Elm Lane"}}, [], 0),
        ({"reviews": {"undecided"}}, [0, 1, 2], 2 * N),
        ({"reviews": {"agreed"}}, [], 0),
    ],
)
def test_what_is_asked_for(asked, reaches, stations):
    words = {k: frozenset(v) if isinstance(v, set) else v for k, v in asked.items()}
    rows = kept(make_findings(), Selection(**words))
    assert np.flatnonzero(rows.reaches).tolist() == reaches
    assert rows.stations.sum() == stations


def test_strange_words_are_refused():
    with pytest.raises(SettingsError, match="no sides 'middle'; choose among left, right"):
        Selection(sides=frozenset({"middle"}))
    with pytest.raises(SettingsError, match="no treatments"):
        Selection(treatments=frozenset({"pave"}))
    with pytest.raises(SettingsError, match="rank"):
        Selection(rank_most=0)


def test_a_selection_says_itself():
    asked = Selection(
        sides=frozenset({"left"}), rank_most=5, from_m=1200.0, look_first=True, with_rejected=True
    )
    assert asked.words == (
        "sides: left; rank: 1 to 5; from 1+200; look first; with what was rejected"
    )
    assert Selection().words == ""


def test_writers_select_by_themselves_but_once():
    made = reviewed(r0="rejected")
    assert len(for_output(made).reaches) == 2
    chosen = selected(made, Selection(with_rejected=True))
    assert for_output(chosen) is chosen


def test_totals_leave_out_what_was_rejected():
    whole, less = make_programme(make_findings()), make_programme(reviewed(r0="rejected"))
    assert whole.programme.whole.import_t == pytest.approx(12.6)
    assert (less.programme.whole.import_t, less.rejected) == (0.0, 1)
    assert not make_programme(reviewed(r2="rejected")).programme.plan.visits


# ---------------------------------------------------------------- handed out and read again


@pytest.fixture(scope="module")
def handed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    places = {
        "geopackage": folder / "a.gpkg",
        "geojson": folder / "a.geojson",
        "stations_csv": folder / "s.csv",
        "reaches_csv": folder / "r.csv",
        "gpx": folder / "a.gpx",
        "kml": folder / "a.kml",
        "sheets": folder / "sheets",
    }
    made = reviewed(r2="agreed", s7="rejected")
    # A GeoPackage holds no feature without a place.
    lines = (*made.reach_lines[:2], made.reach_lines[0])
    xy = np.where(np.isnan(made.station_xy), 500000.0, made.station_xy)
    made = replace(made, reach_lines=lines, station_xy=xy)
    said = hand_out(made, Outputs(**{k: str(v) for k, v in places.items()}))
    return made, places, said


def test_every_output_is_told_and_written(handed):
    _, places, said = handed
    assert len(said) == len(places) and all(place.exists() for place in places.values())


def plain(value):
    return None if value is None or value == "" else value


def test_layers_reopen_with_equal_features_and_attributes(handed):
    """In fiona, and by the columns of the contract: GeoPackage against GeoJSON, row by row."""
    made, places, _ = handed
    chosen = selected(made)
    with fiona.open(places["geojson"]) as layer:
        mixed = list(layer)
    for name, kind, table in (
        ("reaches", "reach", chosen.reaches),
        ("stations", "station", chosen.stations),
    ):
        with fiona.open(places["geopackage"], layer=name) as layer:
            rows = list(layer)
        others = [f for f in mixed if f["properties"]["layer"] == kind]
        assert len(rows) == len(others) == len(table)
        for row, (one, other) in enumerate(zip(rows, others, strict=True)):
            for column in table.names():
                value, twin = one["properties"][column], other["properties"][column]
                if isinstance(value, float):
                    assert twin == pytest.approx(value, rel=1e-8)
                else:
                    assert plain(twin) == plain(value)
                stored = table[column][row]
                if isinstance(stored, float):
                    assert (value is None) == bool(np.isnan(stored))
                    assert value is None or float(value) == pytest.approx(stored)
                else:
                    assert plain(value) == plain(stored)


@pytest.mark.parametrize(
    ("kind", "columns"), [("stations_csv", STATION_COLUMNS), ("reaches_csv", REACH_COLUMNS)]
)
def test_tables_reopen_with_equal_rows_and_values(handed, kind, columns):
    """CSV has no types: every number as it is written, to ten digits; unknown is empty."""
    made, places, _ = handed
    chosen = selected(made)
    table = chosen.stations if kind == "stations_csv" else chosen.reaches
    with fiona.open(places[kind]) as layer:
        rows = [dict(feature["properties"]) for feature in layer]
    assert len(rows) == len(table)
    for row, found in enumerate(rows):
        for name, column in columns.items():
            stored = table[name][row]
            if column.type == "str":
                assert found[name] == stored
            elif np.isnan(stored):
                assert not found[name]
            elif column.type == "bool":
                assert found[name] == ("true" if stored else "false")
            else:
                assert float(found[name]) == pytest.approx(stored, rel=1e-9, abs=1e-6)


def test_waypoints_reopen_with_equal_values(handed):
    _, places, _ = handed
    with fiona.open(places["gpx"], layer="waypoints") as layer:
        points = list(layer)
    assert [p["properties"]["name"] for p in points] == ["1LB", "1LE", "W2LB", "W2LE"]
    assert points[0]["properties"]["ele"] == pytest.approx(100.2)
    assert [p["properties"]["type"] for p in points] == ["eroded edge"] * 2 + ["can't tell"] * 2
    with fiona.open(places["geojson"]) as layer:
        line = next(f for f in layer if f["properties"]["layer"] == "reach")["geometry"]
    for point, end in zip(
        points[:2], (line["coordinates"][0], line["coordinates"][-1]), strict=True
    ):
        assert point["geometry"]["coordinates"][:2] == pytest.approx(end[:2], abs=1e-7)


def test_the_excerpt_is_a_findings_file_that_says_so(handed, tmp_path):
    made, places, _ = handed
    back = read_findings(places["geopackage"])
    assert len(back.reaches) == 3 and len(back.stations) == 2 * N - 1
    assert "local codes" in str(back.run["cautions"]).lower()
    hand_out(made, Outputs(geopackage=str(tmp_path / "b.gpkg")), Selection(rank_most=1))
    part = read_findings(tmp_path / "b.gpkg")
    assert part.run["excerpt"] == "rank: 1 to 1" and len(part.reaches) == 1


def test_nothing_left_is_told(tmp_path):
    asked = Selection(treatments=frozenset({Treatment.RESHAPE}))
    with pytest.raises(OutputError, match="Nothing fits"):
        hand_out(make_findings(), Outputs(geojson=str(tmp_path / "a.geojson")), asked)
    with pytest.raises(OutputError, match="leave the PDF out"):
        hand_out(make_findings(), Outputs(pdf=str(tmp_path / "a.pdf")))
    assert not list(tmp_path.iterdir())


def test_geojson_obeys_rfc_7946(handed):
    """Sections 3 and 4: types, rings, positions, no other system, foreign members only beside."""
    _, places, _ = handed
    found = json.loads(places["geojson"].read_text(encoding="utf-8"))
    assert found["type"] == "FeatureCollection" and "crs" not in found
    for feature in found["features"]:
        assert feature["type"] == "Feature"
        assert {"type", "properties", "geometry"} <= feature.keys()
        # sec. 7.1: members of other GeoJSON types mustn't stand in a feature
        assert not feature.keys() & {"coordinates", "geometries", "features"}
        shape = feature["geometry"]
        if shape is None:
            continue
        parts = {"Point": 0, "LineString": 1, "Polygon": 2}[shape["type"]]
        positions = np.array(shape["coordinates"], dtype=float)
        assert positions.ndim == parts + 1 and positions.shape[-1] == 2
        assert (np.abs(positions[..., 0]) <= 180).all() and (np.abs(positions[..., 1]) <= 90).all()
        if parts == 1:
            assert len(positions) >= 2
        if parts == 2:
            assert len(positions[0]) >= 4 and (positions[0][0] == positions[0][-1]).all()


def test_geojson_of_a_rejected_reach_is_empty_of_it(tmp_path):
    write_geojson(reviewed(r0="rejected"), tmp_path / "a.geojson")
    text = (tmp_path / "a.geojson").read_text(encoding="utf-8")
    assert "eroded edge" not in text and "parked vehicle" not in text
