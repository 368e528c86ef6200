"""Readings back from the field: reading the table, comparing, accepting."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rasterio.crs import CRS
from scipy.stats import chi2

from analysis.common.cautions import ACCEPTANCE_CAUTION, CAUTIONS
from analysis.common.errors import ReadingsError
from analysis.common.limits import limits_to_toml
from analysis.common.writing import Writing
from analysis.findings.agreement import agreement
from analysis.findings.field_report import field_text, read_check
from analysis.findings.fieldcheck import (
    ACCEPTED,
    BORDERLINE,
    NOT_ACCEPTED,
    NOT_COMPARED,
    accept,
    compare,
)
from analysis.findings.readings import expected_fall_mm, read_readings, slope_from_board_pct
from tests.builders.even_road import GRAVEL, findings
from tests.builders.readings import reading

# ---------------------------------------------------------------- the board


def test_camber_board_of_the_trade():
    # 1.20 m board at 4 % falls 48 mm
    assert expected_fall_mm(4.0, 1.20) == pytest.approx(48.0)
    assert reading(reading_mm=48.0).slope_pct == pytest.approx(4.0)


@given(slope=st.floats(-20.0, 20.0), board=st.floats(0.3, 4.0))
def test_fall_and_slope_are_inverse(slope, board):
    assert slope_from_board_pct(expected_fall_mm(slope, board), board) == pytest.approx(slope)


# ---------------------------------------------------------------- the table


def test_table_is_read(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text(
        "road,station,side,reading_mm,board_m,edge_mm,when,note\n"
        "Velmarrow Road,1+000,Left,14,1.0,8,,windy\n"
        ",1010.5,r,-6.5,,,after,\n"
        "\n"
        "Velmarrow Road,1+020,left,,,,,not read\n",
        encoding="utf-8",
    )
    first, second = read_readings(path, GRAVEL.field).readings
    assert (first.road, first.station_m, first.side) == ("Velmarrow Road", 1000.0, "left")
    assert (first.reading_mm, first.board_m, first.edge_mm) == (14.0, 1.0, 8.0)
    assert (first.when, first.line) == ("before", 2)
    assert first.slope_pct == pytest.approx(1.4)
    assert (second.station_m, second.side, second.when) == (1010.5, "right", "after")
    # the board of the limits where none is given
    assert second.board_m == GRAVEL.field.board_m.value
    assert math.isnan(second.edge_mm)
    assert second.line == 3


def test_table_of_a_spreadsheet_with_decimal_commas(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("Station;Side;Reading_mm;Board_m\r\n1+000,5;L;14,5;1,2\r\n", "utf-8-sig")
    (only,) = read_readings(path).readings
    assert only.station_m == 1000.5
    assert (only.reading_mm, only.board_m) == (14.5, 1.2)


def test_table_with_tabs(tmp_path):
    path = tmp_path / "r.txt"
    path.write_text("station\tside\treading_mm\n20\tright\t3\n", encoding="utf-8")
    assert read_readings(path).readings[0].station_m == 20.0


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("", ["empty", "station, side and reading_mm"]),
        ("station,side\n1,left\n", ["no column reading_mm"]),
        ("station,side,reading_mm\n", ["no reading", "reading_mm"]),
        ("station,side,reading_mm\n1+0,left,4\n", ["line 2", "'1+0'", "1+240"]),
        ("station,side,reading_mm\n10,middle,4\n", ["line 2", "'middle'", "left or right"]),
        ("station,side,reading_mm\n20,left,x\n", ["line 2", "reading_mm", "'x'"]),
        ("station,side,reading_mm\n10,left,nan\n", ["reading_mm", "'nan'", "-1000 to 1000"]),
        ("station,side,reading_mm\n10,left,5000\n", ["reading_mm", "5000"]),
        ("station,side,reading_mm,board_m\n10,left,5,0\n", ["board_m", "0.3 to 4"]),
        ("station,side,reading_mm,board_m\n10,left,5,120\n", ["board_m", "120"]),
        ("station,side,reading_mm,edge_mm\n10,left,5,inf\n", ["edge_mm", "inf"]),
        ("station,side,reading_mm,when\n10,left,5,now\n", ["'now'", "before or after"]),
        ('station,side,reading_mm\n10,left,"5\n', ["isn't a readable CSV table"]),
    ],
)
def test_wrong_table_is_told_in_one_sentence(tmp_path, text, parts):
    path = tmp_path / "field.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ReadingsError) as caught:
        read_readings(path)
    message = str(caught.value)
    assert "\n" not in message
    for part in ["field.csv", *parts]:
        assert part in message


def test_bad_lines_are_told_and_good_ones_kept(tmp_path):
    """A table of a spreadsheet: its mark, semicolons, decimal commas, and what people write."""
    path = tmp_path / "back.csv"
    path.write_text(
        "sep=;\r\nplace;station;side;reading_mm;reading_2_mm;edge_mm;sheds\r\n"
        "C001;1+000,0;L;14,5;15,5;-3,5;yes\r\n"
        "C002;1+0x0;L;14;;;\r\n"
        "\r\n"
        "C003;1+020;links;14;;;\r\n"
        'C004;1+030;r;12;;;"no"\r\n'
        "C005;1+040;r;1,2,3;;;\r\n"
        "C006;1+050;r;12;;;perhaps\r\n"
        "C007;1+060;r;;;;no\r\n"
        "C008;1+070;r;;;;\r\n",
        encoding="utf-8-sig",
    )
    back = read_readings(path)
    assert [(r.place, r.line, r.reading_mm, r.laid) for r in back.readings[:2]] == [
        ("C001", 3, 15.0, 2),
        ("C004", 7, 12.0, 1),
    ]
    seen = back.readings[2]
    assert (seen.place, seen.sheds, seen.edge_mm) == (
        "C007",
        False,
        pytest.approx(np.nan, nan_ok=True),
    )
    assert math.isnan(seen.reading_mm)
    assert back.readings[0].edge_mm == -3.5
    for fault, line, word in zip(
        back.faults, (4, 6, 8, 9), ("'1+0x0'", "'links'", "'1,2,3'", "'perhaps'"), strict=True
    ):
        assert f"line {line} of back.csv" in fault and word in fault


def test_lines_are_counted_as_an_editor_counts_them(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text(
        'station,side,reading_mm,note\n10,left,5,"two\nlines"\n20,left,x,\n', encoding="utf-8"
    )
    back = read_readings(path)
    assert back.readings[0].line == 2
    assert "line 4 of r.csv" in back.faults[0]


def near_meridian(east_m, north_m):
    """Latitude and longitude of a place so near to the central meridian of UTM zone 33.

    Snyder (1987), Map Projections: A Working Manual, USGS Professional Paper 1395, equations 3-26
    and 7-19 for the foot point, and 8-17, 8-18 with their first terms.
    """
    a, e2, k0 = 6_378_137.0, 0.00669437999014, 0.9996
    mu = north_m / k0 / (a * (1 - e2 / 4 - 3 * e2**2 / 64 - 5 * e2**3 / 256))
    e1 = (1 - math.sqrt(1 - e2)) / (1 + math.sqrt(1 - e2))
    foot = mu + (3 * e1 / 2 - 27 * e1**3 / 32) * math.sin(2 * mu)
    foot += (21 * e1**2 / 16 - 55 * e1**4 / 32) * math.sin(4 * mu)
    foot += 151 * e1**3 / 96 * math.sin(6 * mu)
    across = a / math.sqrt(1 - e2 * math.sin(foot) ** 2)
    longitude = math.radians(15.0) + east_m / k0 / across / math.cos(foot)
    return math.degrees(foot), math.degrees(longitude)


def test_a_place_may_be_a_position(tmp_path):
    """Found by the published formulas; what lies over 15 m off belongs to no station."""
    east = 500_000.0 + np.repeat(np.arange(6) * 10.0, 2)
    north = 5_000_000.0 + np.tile([4.0, -4.0], 6)
    made = replace(
        findings(), station_xy=np.column_stack([east, north]), crs_wkt=CRS.from_epsg(32633).to_wkt()
    )
    path = tmp_path / "r.csv"
    spots = {"right": (21.0, 4_999_999.0), "left": (21.0, 5_000_040.0)}
    rows = [
        "{:.7f},{:.7f},{},14".format(*near_meridian(*spot), side) for side, spot in spots.items()
    ]
    path.write_text("\n".join(["latitude,longitude,side,reading_mm", *rows]), encoding="utf-8")
    near, off = compare(read_readings(path).readings, made, GRAVEL.field)
    assert (near.measured_at_m, near.row) == (1020.0, 5)
    assert off.row is None and "No station" in off.reason
    with pytest.raises(ReadingsError, match="no coordinate system"):
        compare(read_readings(path).readings, findings(), GRAVEL.field)


def test_unreadable_table_is_told(tmp_path):
    with pytest.raises(ReadingsError, match="doesn't exist"):
        read_readings(tmp_path / "none.csv")
    with pytest.raises(ReadingsError, match="can't be read"):
        read_readings(tmp_path)
    path = tmp_path / "a.csv"
    path.write_bytes(b"station,side,reading_mm\n1,left,\xff\n")
    with pytest.raises(ReadingsError, match="UTF-8"):
        read_readings(path)


# ---------------------------------------------------------------- comparing


def test_z_by_hand():
    # read 18 mm on 1.2 m = 1.5 %, measured 1.0 +- 0.4 %; board 2 mm = 0.167, place 0.5 points
    (made,) = compare([reading(reading_mm=18.0, edge_mm=20.0)], findings(), GRAVEL.field)
    slope_se = math.hypot(2.0 / 12.0, 0.5)
    assert made.slope_se == pytest.approx(slope_se)
    assert made.difference_points == pytest.approx(0.5)
    assert made.z == pytest.approx(0.5 / math.hypot(slope_se, 0.4))
    assert made.edge_difference_mm == pytest.approx(8.0)
    assert made.edge_z == pytest.approx(8.0 / math.hypot(2.0, 6.0))
    assert made.verdict == "won't shed"
    assert made.reason == ""


def test_nearest_station_of_that_road_and_side():
    made = findings(roads=("Velmarrow Road", "Quillhanger Lane"))
    slopes = made.stations["shoulder_slope_pct"]
    slopes[:] = np.arange(slopes.size)
    (left,) = compare([reading(1013.0, road="Quillhanger Lane")], made, GRAVEL.field)
    (right,) = compare([reading(1018.0, road="Velmarrow Road", side="right")], made, GRAVEL.field)
    assert left.measured_slope_pct == 12 + 2
    assert right.measured_slope_pct == 5
    (far,) = compare([reading(1065.0, road="Velmarrow Road")], made, GRAVEL.field)
    assert math.isnan(far.z)
    assert "No station" in far.reason


def test_reading_without_a_road_is_only_clear_on_one_road():
    two = findings(roads=("Velmarrow Road", "Quillhanger Lane"))
    with pytest.raises(ReadingsError, match=r"names no road.*Velmarrow Road, Quillhanger Lane"):
        compare([reading(line=7)], two, GRAVEL.field)
    with pytest.raises(ReadingsError, match=r"'Elsewhere' in line 7 .*Velmarrow Road"):
        compare([reading(road="Elsewhere", line=7)], two, GRAVEL.field)


def test_unmeasured_station_is_left_out_and_says_why():
    made = findings(shoulder_slope_pct=np.nan)
    made.stations["reason"][:] = "A hole in the grid."
    (one,) = compare([reading()], made, GRAVEL.field)
    assert math.isnan(one.z)
    assert one.reason == "A hole in the grid."
    summary = agreement([one])
    assert (summary.compared, summary.left_out) == (0, 1)
    assert math.isnan(summary.chance)


def test_agreement_of_independent_readings_is_a_chi_square():
    made = findings(n=4)
    readings = [reading(1000.0 + 30.0 * k, value) for k, value in enumerate((15.0, 6.0))]
    compared = compare(readings, made, GRAVEL.field)
    summary = agreement(compared, average_m=20.0)
    z = np.array([c.z for c in compared])
    assert summary.chance == pytest.approx(chi2.sf((z**2).sum(), 2))
    assert summary.mean_difference_points == pytest.approx(np.mean([0.25, -0.5]))
    error = math.hypot(compared[0].slope_se, 0.4)
    assert summary.mean_difference_se == pytest.approx(error / math.sqrt(2.0))
    assert summary.rms_difference_points == pytest.approx(math.sqrt((0.0625 + 0.25) / 2.0))


def test_readings_within_one_window_share_the_measured_error():
    compared = compare(
        [reading(1000.0), reading(1000.0), reading(1000.0)], findings(), GRAVEL.field
    )
    summary = agreement(compared, average_m=20.0)
    own = compared[0].slope_se
    assert summary.mean_difference_se == pytest.approx(math.sqrt(own**2 / 3.0 + 0.4**2))


def test_simulated_readings_come_out_as_stated():
    # Draw readings by the stated errors: z spread about 1, chance evenly spread.
    rng = np.random.default_rng(4)
    chances, spread = [], []
    for _ in range(200):
        true = rng.normal(1.0, 0.4, 5)
        slopes = true + rng.normal(0.0, math.hypot(2.0 / 12.0, 0.5), 5)
        made = findings(n=13)
        readings = [reading(1000.0 + 30.0 * k, 12.0 * slope) for k, slope in enumerate(slopes)]
        summary = agreement(compare(readings, made, GRAVEL.field))
        chances.append(summary.chance)
        spread.append(summary.z_spread**2)
    assert np.mean(spread) == pytest.approx(1.0, abs=0.1)
    assert np.mean(np.array(chances) < 0.1) == pytest.approx(0.1, abs=0.06)


# ---------------------------------------------------------------- accepting


@pytest.mark.parametrize(
    ("reading_mm", "edge_mm", "state"),
    [
        (48.0, math.nan, ACCEPTED),  # 4 % of 4 % required
        (39.0, math.nan, ACCEPTED),  # 0.75 points flat, 1 allowed
        (36.5, math.nan, BORDERLINE),  # 0.96 points, closer than the board can tell
        (30.0, math.nan, NOT_ACCEPTED),  # 1.5 points
        (66.0, math.nan, NOT_ACCEPTED),  # too steep
        (48.0, 5.0, ACCEPTED),
        (48.0, 9.0, BORDERLINE),
        (48.0, -25.0, NOT_ACCEPTED),
        (36.5, 25.0, NOT_ACCEPTED),
    ],
)
def test_acceptance(reading_mm, edge_mm, state):
    (made,) = accept(
        [reading(reading_mm=reading_mm, edge_mm=edge_mm, when="after")], findings(), GRAVEL.field
    )
    assert made.state == state
    assert made.required_slope_pct == 4.0
    assert made.slope_before_pct == 1.0
    if state != NOT_ACCEPTED:
        assert ("read it again" in made.reason) == (state == BORDERLINE)


def test_slope_before_is_the_reading_before_where_there_is_one():
    readings = [
        reading(1002.0, 30.0, when="before"),
        reading(1001.0, 48.0, when="after"),
        reading(1030.0, 48.0, when="after"),
        reading(1001.0, 48.0, when="after", side="right"),
    ]
    near, far, other = accept(readings, findings(), GRAVEL.field)
    assert near.slope_before_pct == pytest.approx(2.5)
    assert far.slope_before_pct == other.slope_before_pct == 1.0


def test_unknown_requirement_is_not_accepted_silently():
    (made,) = accept([reading(when="after")], findings(required_slope_pct=np.nan), GRAVEL.field)
    assert made.state == NOT_COMPARED


# ---------------------------------------------------------------- in words


def test_report(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text(
        "station,side,reading_mm,edge_mm,when\n"
        "1+000,left,14,,\n1+020,right,10,14,\n1+500,left,10,,\n"
        "1+000,left,47,2,after\n1+020,right,20,,after\n",
        encoding="utf-8",
    )
    text = field_text(read_check(findings(), path))
    assert "1+000 left: read 1.2 ± 0.5 %, measured 1.0 ± 0.4 %" in text
    assert "1+500 left: read 0.8 %; No station" in text
    assert "2 compared, 1 left out" in text
    assert "agree within their errors" in text
    assert "1+000 left: accepted; 3.9 % of 4.0 % required, was 1.2 %" in text
    assert "1+020 right: not accepted; 1.7 %" in text
    assert "2 readings: 1 accepted, 1 not accepted." in text
    assert text.endswith("\n".join([ACCEPTANCE_CAUTION, *CAUTIONS]))
    # in feet and inches too: 1000 m are 3280.8 ft, and what differs by millimetres is in inches
    told = field_text(read_check(findings(), path), Writing("us"))
    assert "32+81 left: read 1.2 ± 0.5 %" in told
    assert "in (z" in told
    assert " mm" not in told.split("Finished work")[0]


@pytest.mark.parametrize(
    ("values", "words"), [((40.0, 44.0, 41.0), "reads steeper"), ((40.0, -18.0), "They scatter")]
)
def test_report_says_how_they_disagree(tmp_path, values, words):
    path = tmp_path / "r.csv"
    rows = [f"{1000 + 20 * k},left,{value}" for k, value in enumerate(values)]
    path.write_text("station,side,reading_mm\n" + "\n".join(rows), encoding="utf-8")
    assert words in field_text(read_check(findings(), path))


def test_report_uses_the_limits_of_the_findings(tmp_path):
    made = findings()
    path = tmp_path / "r.csv"
    path.write_text("station,side,reading_mm,when\n1000,left,30,after\n", encoding="utf-8")
    assert "not accepted" in field_text(read_check(made, path))
    made.run["limits"] = limits_to_toml(GRAVEL.with_value("accept_slope_points", 2.0))
    assert "left: accepted" in field_text(read_check(made, path))
