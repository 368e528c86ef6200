"""GeoJSON, CSV, GPX and work sheets: what the standards ask, and that nothing unknown turns 0."""

import csv
import json
import math
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.errors import LimitsError, OutputError, SettingsError
from analysis.common.limits import default_limits, limits_to_toml
from analysis.common.table import Table
from analysis.common.writing import Writing
from analysis.earthwork.costs import Rates
from analysis.findings.exports import write_csv, write_geojson, write_reach_csv, write_sheets
from analysis.findings.gpx import NAME_MOST, flagged_stations, write_gpx
from analysis.findings.kml import write_kml
from analysis.findings.reviews import Review, reach_places, review_table
from analysis.findings.sheet_text import to_html, to_markdown
from analysis.findings.sheets import WorkSheets, limits_of, work_reaches
from analysis.terrain.geofiles import CRS, fiona
from tests.builders.work_findings import ROAD, N, make_findings


def latitude_on_the_central_meridian(northing):
    """Footpoint latitude of UTM on WGS 84, series of Snyder 1987, USGS PP 1395, eq. 3-26."""
    a, f = 6378137.0, 1.0 / 298.257223563
    e2 = f * (2.0 - f)
    mu = northing / 0.9996 / (a * (1 - e2 / 4 - 3 * e2**2 / 64 - 5 * e2**3 / 256))
    e1 = (1 - math.sqrt(1 - e2)) / (1 + math.sqrt(1 - e2))
    return math.degrees(
        mu
        + (3 * e1 / 2 - 27 * e1**3 / 32) * math.sin(2 * mu)
        + (21 * e1**2 / 16 - 55 * e1**4 / 32) * math.sin(4 * mu)
        + 151 * e1**3 / 96 * math.sin(6 * mu)
        + 1097 * e1**4 / 512 * math.sin(8 * mu)
    )


# ---------------------------------------------------------------- GeoJSON


@pytest.fixture
def geojson(tmp_path):
    path = tmp_path / "a.geojson"
    write_geojson(make_findings(), path)
    return json.loads(path.read_text(encoding="utf-8"))


def features(collection, layer):
    return [f for f in collection["features"] if f["properties"]["layer"] == layer]


def test_geojson_is_wgs_84_in_the_order_longitude_latitude(geojson):
    first = features(geojson, "station")[0]["geometry"]["coordinates"]
    assert first[0] == pytest.approx(15.0, abs=1e-7)
    assert first[1] == pytest.approx(latitude_on_the_central_meridian(5400003.5), abs=2e-7)
    # RFC 7946 sec. 4: no other system, no crs member
    assert "crs" not in geojson
    assert geojson["cautions"] == list(CAUTIONS)


def test_geojson_keeps_the_structure_of_the_standard(geojson):
    assert geojson["type"] == "FeatureCollection"
    west, south, east, north = geojson["bbox"]
    assert west < east
    assert south < north
    ids = [f["id"] for f in geojson["features"]]
    assert len(set(ids)) == len(ids) == 3 + 2 * N + 1
    for feature in geojson["features"]:
        assert feature["type"] == "Feature"
        shape = feature["geometry"]
        if shape is None:
            continue
        points = np.array(
            shape["coordinates"][0] if shape["type"] == "Polygon" else shape["coordinates"]
        ).reshape(-1, 2)
        assert (points >= [west, south]).all()
        assert (points <= [east, north]).all()


def test_geojson_rings_are_closed_and_counterclockwise(geojson):
    # RFC 7946 sec. 3.1.6
    ring = np.array(features(geojson, "pond")[0]["geometry"]["coordinates"][0])
    np.testing.assert_array_equal(ring[0], ring[-1])
    assert np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]) > 0.0


def test_geojson_has_no_place_where_none_is_known(geojson):
    assert features(geojson, "station")[5]["geometry"] is None
    # one position is no line
    assert [f["geometry"] is None for f in features(geojson, "reach")] == [False, False, True]


def test_geojson_unknown_is_null_and_kinds_are_kept(geojson):
    station, reach = features(geojson, "station")[0], features(geojson, "reach")
    assert station["properties"]["shoulder_slope_pct"] is None
    assert station["properties"]["edge_found"] is True
    assert station["properties"]["kerb"] is False
    assert station["properties"]["ditch_blocked"] is None
    assert station["properties"]["road"] == ROAD
    assert set(STATION_COLUMNS) <= set(station["properties"])
    assert (reach[0]["properties"]["rank"], reach[1]["properties"]["rank"]) == (1, None)
    assert reach[1]["properties"]["cut_m3"] is None
    assert reach[0]["properties"]["cut_m3"] == 0.0


def test_geojson_opens_in_a_general_reader(tmp_path):
    path = tmp_path / "a.geojson"
    write_geojson(make_findings(), path)
    with fiona.open(path) as layer:
        assert layer.crs == CRS.from_epsg(4326) or layer.crs.to_epsg() == 4326
        assert len(layer) == 3 + 2 * N + 1


def test_empty_findings_are_written(tmp_path):
    made = replace(
        make_findings(),
        stations=Table.empty(STATION_COLUMNS),
        reaches=Table.empty(REACH_COLUMNS),
        ponds=Table.empty(POND_COLUMNS),
        station_xy=np.empty((0, 2)),
        reach_lines=(),
        pond_rings=(),
    )
    write_geojson(made, tmp_path / "a.geojson")
    collection = json.loads((tmp_path / "a.geojson").read_text(encoding="utf-8"))
    assert (collection["type"], collection["features"]) == ("FeatureCollection", [])
    write_gpx(made, tmp_path / "a.gpx")
    write_csv(made, tmp_path / "a.csv")
    write_reach_csv(made, tmp_path / "b.csv")
    write_kml(made, tmp_path / "a.kml")
    assert [p.name for p in write_sheets(WorkSheets(made).all(), tmp_path / "sheets")] == [
        "plan.html",
        "plan.md",
    ]
    assert "No reach calls for work." in (tmp_path / "sheets" / "plan.md").read_text("utf-8")


# ---------------------------------------------------------------- CSV


def test_csv_reads_back(tmp_path):
    path = tmp_path / "a.csv"
    made = make_findings()
    write_csv(made, path)
    raw = path.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    # RFC 4180: every record ends in CRLF
    assert raw.count(b"\r\n") == raw.count(b"\n") == 2 * N + 1
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 2 * N
    assert list(rows[0])[:4] == ["station", "road", "station_m", "side"]
    assert rows[0]["station"] == "1+000"
    assert rows[0]["road"] == ROAD
    assert rows[0]["shoulder_slope_pct"] == ""
    assert rows[1]["shoulder_slope_pct"] == "1"
    assert rows[0]["kerb"] == "false"
    assert float(rows[0]["longitude"]) == pytest.approx(15.0, abs=1e-7)
    assert (rows[5]["x"], rows[5]["longitude"]) == ("", "")
    for name, kind in STATION_COLUMNS.items():
        if kind.type == "float":
            back = np.array([float(row[name] or "nan") for row in rows])
            np.testing.assert_allclose(back, made.stations[name], rtol=1e-6, atol=1e-6)


def test_reach_csv_reads_back_with_both_ends(tmp_path):
    path, made = tmp_path / "a.csv", make_findings()
    write_reach_csv(made, path)
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["from"] for row in rows] == ["1+003", "0+995", "1+062"]
    assert (rows[0]["from_m"], rows[0]["to_m"], rows[0]["rank"]) == ("1003", "1062", "1")
    assert (rows[0]["from_x"], rows[0]["to_x"]) == ("500003.000", "500062.000")
    assert float(rows[0]["to_longitude"]) > float(rows[0]["from_longitude"])
    assert rows[1]["rank"] == ""
    assert all("local codes" in row["caution"] for row in rows)


# ---------------------------------------------------------------- GPX

GPX = "{http://www.topografix.com/GPX/1/1}"


def test_flagged_are_faults_and_blocked_ditches_only():
    rows = flagged_stations(make_findings())
    assert rows.tolist() == sorted([*range(0, 2 * N, 2), 3])


def written_gpx(tmp_path, made=None, **given):
    path = tmp_path / "a.gpx"
    write_gpx(made or make_findings(), path, **given)
    return ElementTree.parse(path).getroot()


def test_gpx_follows_its_schema(tmp_path):
    """Rules of the published gpx.xsd (GPX 1.1), which are few, checked by hand."""
    made = make_findings()
    made.stations["reason"][0] = "bell \x07 & <angle>"
    root = written_gpx(tmp_path, made, stations=True)
    assert root.tag == f"{GPX}gpx"
    # Attributes that gpxType asks for, and nothing beside the location of a schema.
    assert (root.get("version"), root.get("creator")) == ("1.1", "Vergeline")
    assert {name for name in root.keys() if "}" not in name} == {"version", "creator"}
    order = [child.tag.removeprefix(GPX) for child in root]
    # gpxType is a sequence: metadata, then all wpt, rte, trk, extensions.
    assert order == ["metadata", *["wpt"] * (len(order) - 1)]
    # metadataType: name, desc, author, copyright, link, time, keywords, bounds, extensions
    kinds = "name desc author copyright link time keywords bounds extensions".split()
    tags = [child.tag.removeprefix(GPX) for child in root[0]]
    assert tags == sorted(tags, key=kinds.index) and len(set(tags)) == len(tags)
    sequence = (
        "ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop "
        "ageofdgpsdata dgpsid extensions"
    ).split()
    for point in root[1:]:
        assert set(point.keys()) == {"lat", "lon"}
        # latitudeType and longitudeType
        assert -90.0 <= float(point.get("lat")) <= 90.0
        assert -180.0 <= float(point.get("lon")) < 180.0
        tags = [child.tag.removeprefix(GPX) for child in point]
        assert tags == sorted(tags, key=sequence.index) and len(set(tags)) == len(tags)
        assert {"name", "cmt", "desc", "sym", "type"} <= set(tags)
        assert all(len(child) == 0 and child.text for child in point)
        float(point.findtext(f"{GPX}ele", "0"))
        assert "traffic control" in point.findtext(f"{GPX}cmt")
    assert root.findtext(f"{GPX}metadata/{GPX}desc") == " ".join(CAUTIONS)
    assert any("bell  & <angle>" in p.findtext(f"{GPX}desc") for p in root[1:])


def test_gpx_has_the_ends_of_reaches_first_then_stations(tmp_path):
    made = make_findings()
    points = written_gpx(tmp_path, made)[1:]
    # The sound reach has nothing to see; the line of the doubtful one has but one place.
    assert [p.findtext(f"{GPX}name") for p in points] == ["1LB", "1LE", "W2LB", "W2LE"]
    assert [p.findtext(f"{GPX}sym") for p in points] == ["Flag", "Pin"] * 2
    assert float(points[0].get("lon")) < float(points[1].get("lon"))
    # as the crow flies 59 m, at 15° E along the parallel (6371 km sphere)
    along = math.radians(float(points[1].get("lon")) - float(points[0].get("lon")))
    parallel = 6371e3 * math.cos(math.radians(float(points[0].get("lat"))))
    assert along * parallel == pytest.approx(59.0, rel=0.01)
    first = points[0].findtext(f"{GPX}desc")
    assert f"{ROAD}, left, 1+003: begin of 59 m, eroded edge" in first
    more = written_gpx(tmp_path, made, stations=True)[1:]
    assert len(more) == 4 + N + 1
    assert more[4].findtext(f"{GPX}name") == "1+000L"
    assert more[4].findtext(f"{GPX}type") == "flat"
    assert [p.findtext(f"{GPX}type") for p in more[4:]].count("blocked ditch") == 1
    assert all(len(p.findtext(f"{GPX}name")) <= NAME_MOST for p in more)


def test_gpx_opens_in_a_general_reader(tmp_path):
    written_gpx(tmp_path, stations=True)
    with fiona.open(tmp_path / "a.gpx", layer="waypoints") as layer:
        records = list(layer)
    assert len(records) == 4 + N + 1
    assert records[4]["properties"]["name"] == "1+000L"
    assert records[4]["properties"]["ele"] == pytest.approx(100.0)


# ---------------------------------------------------------------- KML

KML = "{http://www.opengis.net/kml/2.2}"


@pytest.fixture(scope="module")
def kml(tmp_path_factory):
    path = tmp_path_factory.mktemp("kml") / "a.kml"
    made = make_findings()
    made.stations["reason"][0] = "bell \x07 & <angle>"
    write_kml(made, path)
    return path


def test_kml_follows_its_standard(kml):
    """The order of elements in OGC 07-147r2 (abstract feature, document, placemark), by hand."""
    root = ElementTree.parse(kml).getroot()
    assert root.tag == f"{KML}kml"
    (document,) = root
    kinds = "name description Style Schema Folder".split()
    tags = [child.tag.removeprefix(KML) for child in document]
    assert tags == sorted(tags, key=kinds.index)
    assert document.findtext(f"{KML}description") == " ".join(CAUTIONS)
    ids = {own.get("id") for own in document if own.get("id")}
    kinds = "name description styleUrl ExtendedData Point LineString Polygon".split()
    types = {"string", "int", "uint", "short", "ushort", "float", "double", "bool"}
    for schema in document.iter(f"{KML}Schema"):
        assert {field.get("type") for field in schema} <= types
    for mark in document.iter(f"{KML}Placemark"):
        tags = [child.tag.removeprefix(KML) for child in mark]
        assert tags == sorted(tags, key=kinds.index) and len(set(tags)) == len(tags)
        assert mark.findtext(f"{KML}styleUrl", "#reaches")[1:] in ids
        assert mark.find(f".//{KML}SchemaData").get("schemaUrl")[1:] in ids
    names = [folder.findtext(f"{KML}name") for folder in document.iter(f"{KML}Folder")]
    assert names == ["reaches", "stations", "ponds"]
    ring = document.find(f".//{KML}LinearRing/{KML}coordinates").text.split()
    ring = np.array([[float(v) for v in place.split(",")] for place in ring])
    np.testing.assert_array_equal(ring[0], ring[-1])
    assert np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]) > 0.0


def test_kml_holds_every_known_value(kml):
    made = make_findings()
    folders = list(ElementTree.parse(kml).getroot().iter(f"{KML}Folder"))
    for folder, table, columns in zip(
        folders, (made.reaches, made.stations), (REACH_COLUMNS, STATION_COLUMNS), strict=False
    ):
        marks = folder.findall(f"{KML}Placemark")
        assert len(marks) == len(table)
        for row, mark in enumerate(marks):
            held = {d.get("name"): d.text for d in mark.iter(f"{KML}SimpleData")}
            for name, column in columns.items():
                value = table[name][row]
                if column.type == "str":
                    assert name == "reason" or held.get(name, "") == value
                elif np.isnan(value):
                    assert name not in held
                elif column.type == "bool":
                    assert held[name] == ("true" if value else "false")
                else:
                    assert float(held[name]) == pytest.approx(value, rel=1e-12)


def test_kml_opens_in_a_general_reader(kml):
    made = make_findings()
    known = int(np.isfinite(made.station_xy).all(axis=1).sum())
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(fiona.supported_drivers, "KML", "r")
        assert fiona.listlayers(kml) == ["reaches", "stations", "ponds"]
        with fiona.open(kml, layer="stations") as layer:
            features = list(layer)
        with fiona.open(kml, layer="reaches") as layer:
            lines = [len(f["geometry"]["coordinates"]) for f in layer if f["geometry"]]
    placed = [f for f in features if f["geometry"]]
    assert len(placed) == known
    assert placed[0]["geometry"]["coordinates"][0] == pytest.approx(15.0, abs=1e-7)
    assert lines == [2, 2]


# ---------------------------------------------------------------- work reaches


def test_work_reaches_take_what_the_stations_add():
    first, sound, doubtful = work_reaches(make_findings())
    assert (first.road, first.side, first.row) == (ROAD, "left", 0)
    assert first.width_m == pytest.approx(1.5)
    assert first.foreslope_pct == pytest.approx(25.0)
    # stations 1010 and 1060 are the outer ones of 1003 to 1062
    assert (first.from_z_m, first.to_z_m) == pytest.approx((100.2, 101.2))
    assert (first.road_low_m, first.road_high_m) == (995.0, 1115.0)
    assert math.isnan(sound.fill_m3_compacted)
    assert doubtful.treatment == "can't tell"
    made = WorkSheets(make_findings()).plan
    assert len(made.items) == 1
    assert len(made.visits) == 1
    assert (made.items[0].start_m, made.items[0].end_m) == (1000.0, 1070.0)


def test_older_findings_without_the_later_columns():
    made = make_findings()
    old = {
        n: c for n, c in made.stations.columns.items() if n not in ("shoulder_width_m", "edge_z_m")
    }
    reach = work_reaches(replace(made, stations=Table(old)))[0]
    assert math.isnan(reach.width_m)
    assert math.isnan(reach.from_z_m)


def test_limits_come_from_the_run_record():
    strict = default_limits("turf").with_value("board_m", 2.0)
    assert limits_of(make_findings(limits=limits_to_toml(strict))) == strict
    assert limits_of(make_findings(limits="")) == default_limits()
    with pytest.raises(LimitsError, match="the findings' limits"):
        limits_of(make_findings(limits="["))


# ---------------------------------------------------------------- sheets


class Page(HTMLParser):
    """Checks that every element is closed, and collects texts and table rows."""

    VOID = ("meta", "br", "link")

    def __init__(self):
        super().__init__()
        self.open, self.texts, self.rows = [], [], []

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)
        if self.open and self.open[-1] in ("td", "th"):
            self.rows[-1][-1] += data


def sheet_of(made=None, rates=None, traffic_plan="TCP 14-B", row=0, system="metric"):
    writing = Writing(system)
    sheets = WorkSheets(
        made or make_findings(), None, rates, traffic_plan=traffic_plan, writing=writing
    )
    return sheets.reach_sheet(row)


def test_html_is_whole_and_says_everything():
    page = Page()
    text = to_html(sheet_of())
    page.feed(text)
    assert page.open == []
    said = "".join(page.texts)
    for caution in CAUTIONS:
        assert caution in said
    assert "TCP 14-B" in said
    assert ROAD in said
    # cautions come before everything else
    assert said.index(CAUTIONS[0]) < said.index("What was found")
    for words in (
        "1+003 to 1+062", "1+000 to 1+070", "fill, compacted", "6.0 m³", "-6.0 ± 0.5 m³",
        "12.6 t, 0.7 loads", "moist", "40 m of ditch", "70 mm below the edge", "work sheet 1 of 1",
        "rank 1", "eroded edge → replenish and clean ditch",
    ):  # fmt: skip
        assert words in said, words
    # self-contained: nothing is fetched
    assert "http" not in text
    assert "<script" not in text and "<img" not in text


def test_rows_of_stations_have_readings_and_boxes():
    page = Page()
    page.feed(to_html(sheet_of()))
    rows = [row for row in page.rows if row and row[0].startswith("1+0") and len(row) == 12]
    # stations 1010 to 1060; 1.20 m at 4 % is 48 mm, a point either way 12 mm
    assert [row[0] for row in rows] == ["1+010", "1+020", "1+030", "1+040", "1+050", "1+060"]
    assert rows[0][1] == "won't shed, flat"
    assert rows[0][3:5] == ["1.0", "4.0"]
    assert rows[0][8:] == ["48 (36 to 60)", "", "", ""]
    assert (rows[2][4], rows[2][8]) == ("unknown", "unknown")
    assert "1.20 m camber board" in "".join(page.texts)


def test_reach_without_work_has_a_sheet_too():
    """Its numbers are unknown, never 0, and nothing is ordered."""
    text = to_markdown(sheet_of(row=1))
    assert "no work planned" in text
    assert "| fill, compacted (rolled) | unknown |" in text
    assert "read in the field" in text
    assert "Plant and time" not in text and "camber board" not in text


def test_markdown_tables_are_whole_and_markup_is_escaped():
    text = to_markdown(sheet_of())
    lines = text.splitlines()
    assert lines[0] == "# Höhen & Täler \\<Weg\\>, left, 1+003 to 1+062"
    assert "compacted \\| fill" in text
    assert "\\*replenish\\*" in text
    width = None
    for line in lines:
        if not line.startswith("|"):
            width = None
            continue
        cells = line.replace("\\|", "").count("|")
        width = width or cells
        assert cells == width, line


def test_sheet_shows_the_place_with_both_ends_and_the_section():
    made = make_findings()
    made.stations["shoulder_slope_pct"][4] = -2.0
    made.stations["p_wont_shed"][4] = 0.99
    made.stations["edge_drop_mm"][4] = 60.0
    made.stations["pavement_slope_pct"][:] = 2.0
    sheet = sheet_of(made)
    place, section = (b.figure.subject for b in sheet.blocks if b.figure and b.column)
    ends = next(line for line in place.marked if line.harm_class != 5)
    np.testing.assert_allclose(ends.line, made.reach_lines[0])
    assert ends.ends == ("1+003", "1+062")
    west, south, east, north = place.frame
    assert west < 500003.0 and east > 500062.0 and south < 5400003.5 < north
    # From the station where it is worst: the edge 60 mm down, then 2 % up over 1.5 m.
    np.testing.assert_allclose(section.found[:4], [[-2, 0.04], [0, 0], [0, -0.06], [1.5, -0.03]])
    # The target: flush, 4 % down.
    np.testing.assert_allclose(section.target[2:4], [[0, 0], [1.5, -0.06]], atol=1e-12)
    text = to_markdown(sheet)
    (row,) = (line for line in text.splitlines() if line.startswith("| begin |"))
    assert row.startswith("| begin | 1+003 | 500003.0 | 5400003.5 |")
    # Latitude of northing 5 400 003.5 on the central meridian, by Snyder's series.
    said = float(row.split("|")[5])
    assert said == pytest.approx(latitude_on_the_central_meridian(5400003.5), abs=1.1e-6)


def test_sheet_has_boxes_for_who_when_and_how():
    made = make_findings()
    place = reach_places(made.reaches)[0]
    review = Review("agreed", reviewer="R. Ashdown", photos=("a.jpg", "b.jpg"))
    made = replace(made, reviews=review_table({place: review}))
    text = to_markdown(sheet_of(made))
    for box in ("date", "crew", "weather", "moisture", "signature", "photos", "traffic-control"):
        assert box in text[text.index("Record of the work") :]
    assert "a.jpg, b.jpg" in text and "agreed by R. Ashdown" in text
    page = Page()
    page.feed(to_html(sheet_of(made)))
    assert ["", "", "", "", ""] in page.rows


def test_traffic_control_plan_is_asked_for_where_it_is_not_given():
    text = to_markdown(sheet_of(traffic_plan=""))
    assert "enter its number; no work without it" in text


def test_us_units():
    text = to_markdown(sheet_of(system="us"))
    # 6 m3 = 7.85 yd3, 12.6 t = 13.89 short tons, 48 mm = 1.89 in, 1.20 m = 3.9 ft
    for words in ("7.8 yd³", "13.9 short ton", "1.89 (1.42 to 2.36)", "3.9 ft camber board"):
        assert words in text
    # 1003 m = 3291 ft, 1062 m = 3484 ft
    assert "32+91 to 34+84" in text
    # the sentence of the findings, which are kept in metric units, too
    assert "Cut yields 0.0 yd³ compacted" in text
    assert " m³" not in text and " mm" not in text
    with pytest.raises(SettingsError, match="metric or us"):
        sheet_of(system="imperial")


def test_costs_only_where_a_rate_was_given():
    assert "Costs" not in to_markdown(sheet_of())
    rates = Rates(currency="kr", material_per_t=100.0)
    text = to_markdown(sheet_of(rates=rates))
    assert "1,260 kr" in text
    assert "without grader, roller" in text
    assert "1,260 kr" in to_markdown(WorkSheets(make_findings(), rates=rates).plan_sheet())


def test_unknown_quantities_say_so():
    made = make_findings()
    for name in ("cut_m3", "fill_m3", "balance_m3", "import_m3_loose", "import_t"):
        made.reaches[name][0] = np.nan
    text = to_markdown(sheet_of(made))
    assert "| fill, compacted (rolled) | unknown |" in text
    assert "| import | unknown |" in text
    assert "measure on site" in text


def test_what_the_blade_carries_is_listed():
    assert "Carrying" not in to_markdown(sheet_of())
    made = make_findings()
    left = made.stations["side"] == "left"
    made.stations["cut_m2"][left] = [0.0, 0.3, *[0.0] * 10]
    made.stations["fill_m2"][left] = [0.0, 0.0, 0.0, 0.1, *[0.0] * 8]
    text = to_markdown(sheet_of(made))
    # 0.1 m2 over 10 m compacted at 0.86 per loose
    assert "1.2 m³ loose to carry along the shoulder, 20 m on average" in text
    assert "| 1+010 | 1+030 | 1.2 m³ | 20 m |" in text


def test_narrow_shoulder_takes_a_shorter_board():
    made = make_findings()
    made.stations["shoulder_width_m"][:] = 1.0
    assert "only 1.00 m wide" in to_markdown(sheet_of(made))


def test_ditch_alone_asks_for_no_grading():
    made = make_findings()
    treatment = np.array(["clean ditch", "none", "none"], dtype=object)
    reaches = Table({**made.reaches.columns, "treatment": treatment})
    text = to_markdown(sheet_of(replace(made, reaches=reaches)))
    assert "grader in the ditch" in text and "| to clean | 40 m |" in text
    for words in ("grader on the shoulder", "fill, compacted", "camber board", "Finish flush"):
        assert words not in text


def test_a_sheet_says_what_the_ditch_asks_for():
    findings = make_findings()
    stations = findings.stations.columns
    stations["ditch_depth_m"][::2] = 0.20
    stations["ditch_crossed"][2 * 4] = 1.0
    text = to_markdown(WorkSheets(findings).all()[1])
    work = default_limits("gravel").work
    # 40 m, 0.3 m asked and 0.2 m there: 0.1 m over the bottom, sides 2 to 1, swollen
    cut = max(0.3 - 0.2, work.ditch_cut_mm.value / 1000.0)
    bank = 40.0 * cut * (work.ditch_bottom_m.value + 2.0 * cut)
    loose = bank * default_limits("gravel").material.loose_per_bank.value
    beside = loose * work.spoil_placed.value
    assert "| to clean | 40 m |" in text
    assert "| depth below the pavement edge as found, mean | 0.20 m |" in text
    assert f"| spoil, loose | {loose:.1f} m³ |" in text
    assert f"| of it to place beside the ditch, where the owner allows it | {beside:.1f}" in text
    assert f"| of it to haul away | {loose - beside:.1f} m³ |" in text
    # the road rises up-station, so the ditch runs out at its first station
    assert "| outlet, towards the low end | 1+010 |  |  |" in text
    assert "| culvert or crossing | 1+040 |  |  |" in text
    treatment = findings.reaches["treatment"].copy()
    treatment[0] = "replenish"
    reaches = Table({**findings.reaches.columns, "treatment": treatment})
    assert "outlet" not in to_markdown(WorkSheets(replace(findings, reaches=reaches)).all()[1])


def test_plan_sheet_lists_order_sums_and_visits():
    text = to_markdown(WorkSheets(make_findings(), traffic_plan="TCP 14-B").plan_sheet())
    assert "| 1 | 1 | Höhen & Täler \\<Weg\\> | left | 1+000 to 1+070 | eroded edge |" in text
    assert "## Look first" in text
    assert "1+062 to 1+115" in text
    assert "traffic control, set-ups: 1" in text


SOURCE = "hill.tif · surveyed 2030-11-02 · cells 0.50 m · noise unknown · screened 2031-05-06"


def test_every_sheet_tells_where_its_numbers_come_from():
    run = {"terrain": "/data/hill.tif", "surveyed": "2030-11-02", "cell_m": 0.5}
    sheets = WorkSheets(make_findings(**run, made="2031-05-06T07"))
    unknown = WorkSheets(make_findings(**{**run, "surveyed": ""})).source
    assert "day of survey not given" in unknown
    for sheet in sheets.all():
        assert sheet.source == SOURCE
        assert sheet.source in to_html(sheet) and sheet.source in to_markdown(sheet)


def test_sheets_are_written_with_safe_names(tmp_path):
    folder = tmp_path / "sheets"
    paths = write_sheets(WorkSheets(make_findings(), traffic_plan="TCP 14-B").all(), folder)
    again = write_sheets(WorkSheets(make_findings()).all(), folder)
    assert paths == again
    assert sorted(p.name for p in folder.iterdir()) == [
        "001_Höhen-Täler-Weg_left_1003-1062.html",
        "001_Höhen-Täler-Weg_left_1003-1062.md",
        "plan.html",
        "plan.md",
    ]


# ---------------------------------------------------------------- bad places


WRITERS = {
    "a.geojson": write_geojson,
    "a.csv": write_csv,
    "b.csv": write_reach_csv,
    "a.gpx": write_gpx,
    "a.kml": write_kml,
}


@pytest.mark.parametrize("name", WRITERS)
def test_unwritable_place_is_told_and_a_good_file_stays(tmp_path, name):
    with pytest.raises(OutputError, match="can't be written"):
        WRITERS[name](make_findings(), tmp_path / "none" / name)
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="can't be written"):
        WRITERS[name](make_findings(), tmp_path / "file" / name)
    (tmp_path / name).mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        WRITERS[name](make_findings(), tmp_path / name)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(["file", name])


def test_sheets_need_a_folder(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file; choose a folder"):
        write_sheets([], tmp_path / "file")
    with pytest.raises(OutputError, match="can't be made"):
        write_sheets([], tmp_path / "none" / "sheets")


@pytest.mark.parametrize("write", [write_geojson, write_gpx, write_kml])
def test_findings_without_a_coordinate_system_are_told(tmp_path, write):
    with pytest.raises(OutputError, match="no coordinate system"):
        write(replace(make_findings(), crs_wkt=""), tmp_path / "a.out")
    write_csv(replace(make_findings(), crs_wkt=""), tmp_path / "a.csv")
    assert (tmp_path / "a.csv").stat().st_size > 1000
