"""Places to check: drawn at random by length, far enough apart, in an order that can be driven."""

import math
import re
import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from rasterio.crs import CRS

from analysis.common.cautions import CAUTIONS
from analysis.common.errors import OutputError, ReadingsError, SettingsError
from analysis.common.verdicts import Verdict
from analysis.findings.checkplan import CheckOrder, draw_checks, driving_order, verdict_lengths
from analysis.findings.checkplan_files import (
    check_sheet,
    checkplan_text,
    write_check_form,
    write_check_gpx,
    write_readings,
)
from analysis.findings.readings import read_readings
from analysis.findings.reviews import Place, Review, review_table
from analysis.findings.sheet_text import to_html
from tests.builders.campaign import invented_frame
from tests.builders.even_road import findings
from tests.builders.readings import reading

FRAME = invented_frame(0.05, seed=3).findings


def mixed(n=300):
    """A road of three verdicts, each in a third of it, with a place on the earth."""
    words = np.array([Verdict.SHEDS, Verdict.WONT_SHED, Verdict.CANT_TELL], dtype=object)
    made = findings(n, verdict=np.repeat(words, 2 * n // 3))
    xy = np.column_stack(
        [500_000.0 + made.stations["station_m"].astype(float), np.full(2 * n, 5e6)]
    )
    return replace(made, station_xy=xy, crs_wkt=CRS.from_epsg(32633).to_wkt())


def test_the_number_is_what_the_bound_needs():
    plan = draw_checks(FRAME)
    assert plan.drawn[Verdict.SHEDS] == len(plan.places) == 59
    assert plan.shows(Verdict.SHEDS) == pytest.approx(1.0 - 0.05 ** (1 / 59))
    assert plan.shows(Verdict.SHEDS) <= 0.05
    looser = draw_checks(FRAME, CheckOrder(missed=0.1, misses=1))
    assert looser.drawn[Verdict.SHEDS] == 46
    assert looser.shows(Verdict.SHEDS) <= 0.1


def test_the_seed_draws_the_same_places_again():
    one, again, other = (draw_checks(FRAME, CheckOrder(seed=seed)) for seed in (4, 4, 5))
    assert one.places == again.places
    assert one.places != other.places


def test_every_metre_has_the_same_chance():
    """Over many draws each station side is drawn as often as its length asks for, chi-square."""
    made = mixed(60)
    counts = np.zeros(len(made.stations))
    draws = 500
    for seed in range(draws):
        plan = draw_checks(made, CheckOrder(missed=0.5, alarms=0.0, open_places=0, seed=seed))
        counts[[place.row for place in plan.places]] += 1
    rows = np.flatnonzero(made.stations["verdict"] == Verdict.SHEDS)
    assert counts.sum() == counts[rows].sum() == draws * 5
    # the road's first station stands for half a spacing only
    share = np.where(made.stations["station_m"][rows] == 1000.0, 0.5, 1.0)
    expected = counts.sum() * share / share.sum()
    assert ((counts[rows] - expected) ** 2 / expected).sum() < 39 + 4 * np.sqrt(2 * 39)


def test_roads_get_their_shares():
    plan = draw_checks(FRAME, CheckOrder(missed=0.03))
    shares = Counter(place.road for place in plan.places)
    assert sum(lot.length_m for lot in plan.lots) == pytest.approx(4 * 2 * 3990.0)
    for lot in plan.lots:
        assert abs(lot.places - 99 / 4) <= 2
        assert lot.places == shares[lot.road]


def test_places_lie_apart_on_a_side():
    plan = draw_checks(FRAME, CheckOrder(missed=0.02, spacing_m=80.0))
    by_side = {}
    for place in plan.places:
        by_side.setdefault((place.road, place.side), []).append(place.station_m)
    gaps = np.concatenate([np.diff(sorted(at)) for at in by_side.values()])
    assert gaps.min() >= 80.0
    usual = draw_checks(mixed(), CheckOrder(spacing_m=0.0))
    assert usual.spacing_m == 20.0


def test_a_short_road_says_that_it_has_too_few_places():
    plan = draw_checks(mixed(60))
    assert plan.drawn[Verdict.SHEDS] < 59
    assert any("20 m and more apart" in note for note in plan.notes)
    # far fewer than asked for show less
    assert plan.shows(Verdict.SHEDS) == pytest.approx(1.0 - 0.05 ** (1 / plan.drawn["sheds"]))
    assert plan.shows(Verdict.SHEDS) > 0.05


def test_what_a_reviewer_rejected_is_left_out():
    made = mixed()
    station = Place.station("Velmarrow Road", "left", 1000.0)
    table = review_table({station: Review("rejected", "driveway")})
    made = replace(made, reviews=table)
    for seed in range(20):
        plan = draw_checks(made, CheckOrder(seed=seed))
        assert plan.rejected == 1
        assert not any((p.station_m, p.side) == (1000.0, "left") for p in plan.places)
    assert "1 station sides that a reviewer rejected" in checkplan_text(plan)


def test_lengths_by_verdict_are_those_of_the_road():
    lengths = verdict_lengths(mixed())
    assert sum(lengths.values()) == pytest.approx(2 * 2990.0)
    assert lengths[Verdict.CANT_TELL] == pytest.approx(2 * 995.0)


def test_nothing_judged_is_said():
    with pytest.raises(SettingsError, match="nothing to check"):
        draw_checks(findings(verdict=Verdict.NO_DATA))


@pytest.mark.parametrize(
    ("given", "word"),
    [({"spacing_m": -1.0}, "distance"), ({"open_places": -1}, "0 or more"), ({"seed": -2}, "seed")],
)
def test_an_order_that_cant_be_is_refused(given, word):
    with pytest.raises(SettingsError, match=word):
        CheckOrder(**given)


# ---------------------------------------------------------------- driving


def test_a_road_is_driven_along_one_side_and_back_along_the_other():
    made = mixed()
    rows = [10, 3, 20, 41, 5, 300]
    side, at = made.stations["side"], made.stations["station_m"].astype(float)
    order = driving_order(made, rows)
    assert sorted(order) == sorted(rows)
    ups = [row for row in order if side[row] == "right"]
    backs = [row for row in order if side[row] == "left"]
    assert order == ups + backs
    assert (np.diff(at[ups]) > 0).all() and (np.diff(at[backs]) < 0).all()
    # where they drive on the left it is the other way round
    assert side[driving_order(made, rows, "left")[0]] == "left"


def test_the_next_road_is_the_nearest():
    made = findings(6, roads=("A", "B", "C"))
    road = made.stations["road"]
    x = np.select([road == "A", road == "B"], [0.0, 90_000.0], 200.0)
    made = replace(made, station_xy=np.column_stack([x, made.stations["station_m"].astype(float)]))
    order = driving_order(made, [0, 13, 25, 12])
    assert [road[row] for row in order] == ["A", "C", "B", "B"]


# ---------------------------------------------------------------- what goes out


@pytest.fixture(scope="module")
def plan():
    return draw_checks(mixed(), CheckOrder(seed=2))


def test_gpx_has_waypoints_and_a_route_and_no_verdict(tmp_path, plan):
    path = tmp_path / "check.gpx"
    write_check_gpx(mixed(), plan, path)
    text = path.read_text(encoding="utf-8")
    root = ET.fromstring(text)
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    for where in ("g:wpt", "g:rte/g:rtept"):
        points = root.findall(where, space)
        assert [p.findtext("g:name", namespaces=space) for p in points] == [
            p.name for p in plan.places
        ]
        # the schema's order of what a point holds
        assert [child.tag.split("}")[1] for child in points[0]] == [
            "name", "cmt", "desc", "sym", "type",
        ]  # fmt: skip
        assert 44.0 < float(points[0].get("lat")) < 46.0
    # metadata, then waypoints, then routes: the schema's order
    assert list(dict.fromkeys(child.tag.split("}")[1] for child in root)) == [
        "metadata", "wpt", "rte",
    ]  # fmt: skip
    assert CAUTIONS[0] in text
    assert not re.search("shed|can't tell", text)


def test_findings_without_a_place_make_no_gpx(tmp_path, plan):
    with pytest.raises(OutputError, match="no coordinate system"):
        write_check_gpx(replace(mixed(), crs_wkt=""), plan, tmp_path / "check.gpx")


def test_gpx_opens_in_another_library(tmp_path, plan):
    import fiona

    path = tmp_path / "check.gpx"
    write_check_gpx(mixed(), plan, path)
    with fiona.open(path, layer="waypoints") as layer:
        assert [f["properties"]["name"] for f in layer] == [p.name for p in plan.places]
    with fiona.open(path, layer="routes") as layer:
        (route,) = layer
        assert len(route["geometry"]["coordinates"]) == len(plan.places)


@pytest.mark.parametrize("separator", [",", ";"])
def test_the_form_reads_back_as_it_was_filled_in(tmp_path, plan, separator):
    path = tmp_path / "form.csv"
    write_check_form(mixed(), plan, path, separator=separator)
    assert path.read_bytes().startswith(b"\xef\xbb\xbfplace")
    lines = path.read_text("utf-8-sig").splitlines()
    assert not re.search("won't shed|can't tell", "\n".join(lines))
    names = lines[0].split(separator)
    decimal = "48,5" if separator == ";" else "48.5"
    filled = []
    for line in lines[1:]:
        cells = line.split(separator)
        cells[names.index("reading_mm")] = decimal
        cells[names.index("reading_2_mm")] = "49.5"
        cells[names.index("sheds")] = "Yes"
        filled.append(separator.join(cells))
    path.write_text("\n".join([lines[0], *filled]), encoding="utf-8")
    back = read_readings(path)
    assert back.faults == ()
    for place, one in zip(plan.places, back.readings, strict=True):
        assert (one.place, one.side, one.station_m) == (
            place.name, place.side, place.station_m,
        )  # fmt: skip
        assert (one.reading_mm, one.laid, one.sheds) == (49.0, 2, True)
        assert one.board_m == 1.2


def test_the_form_in_us_units_reads_back(tmp_path, plan):
    """1.89 in on a board of 4 ft fall 48.006 mm on 1.2192 m (1 in = 25.4 mm, 1 ft = 0.3048 m)."""
    path = tmp_path / "form.csv"
    write_check_form(mixed(), plan, path, system="us")
    head, first, *_ = path.read_text("utf-8-sig").splitlines()
    cells = dict(zip(head.split(","), first.split(","), strict=True))
    # the board of the limits, 1.2 m
    assert cells["board_ft"] == "3.937"
    cells |= {"reading_in": "1.89", "edge_in": "-0.5", "board_ft": "4"}
    path.write_text("\n".join([head, ",".join(cells.values())]), encoding="utf-8")
    (one,) = read_readings(path).readings
    assert one.reading_mm == pytest.approx(48.006)
    assert one.board_m == pytest.approx(1.2192)
    assert one.edge_mm == pytest.approx(-12.7)
    path.write_text("station,side,reading_in\n10,left,x\n", encoding="utf-8")
    with pytest.raises(ReadingsError, match="'x'"):
        read_readings(path)


def test_readings_are_written_as_they_are_read(tmp_path):
    path = tmp_path / "r.csv"
    readings = [
        reading(1234.5, 14.25, road="=Odd Lane", edge_mm=-3.0, sheds=True, laid=2, board="B7"),
        reading(math.nan, math.nan, side="right", latitude=45.1, longitude=15.2, sheds=False),
    ]
    write_readings(readings, path)
    back = read_readings(path).readings
    assert replace(back[0], line=0) == readings[0]
    assert (back[1].latitude, back[1].longitude, back[1].sheds) == (45.1, 15.2, False)


def test_the_sheet_says_what_it_shows_and_how_to_read(plan):
    sheet = check_sheet(mixed(), plan)
    page = to_html(sheet)
    assert "at most 5.0 % of its length doesn&#x27;t shed" in page
    assert "both ways round" in page
    assert all(place.name in page for place in plan.places)
    assert CAUTIONS[0] in page
    (table,) = [block for block in sheet.blocks if block.heading == "Places in driving order"]
    assert not any(
        verdict in cell for row in table.table for cell in row for verdict in ("shed", "can't")
    )


def test_the_words_say_the_bound():
    text = checkplan_text(draw_checks(mixed(), CheckOrder(misses=1)))
    assert "no more than 1 of them" in text
    assert "Seed 1" in text
    assert text.endswith(CAUTIONS[-1])
