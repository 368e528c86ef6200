"""Commands for what goes to the field and comes back, on a small screened road."""

import csv
import shutil
from dataclasses import replace
from pathlib import Path

import fiona
import numpy as np
import pytest
from PySide6.QtGui import QImage
from PySide6.QtSvg import QSvgRenderer

from analysis.common.cautions import CAUTIONS
from analysis.common.limits import read_limits
from analysis.common.table import Table
from analysis.findings.geopackage import write_findings
from analysis.findings.reviews import Review, reach_places, review_table
from gui.launch import main
from tests.builders.small_study import small_study

pytestmark = pytest.mark.usefixtures("qapp")


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    path = tmp_path_factory.mktemp("field") / "thornwick.gpkg"
    write_findings(small_study().findings, path)
    return path


def run(capsys, *words):
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def filled(saved, tmp_path, capsys):
    """A form that came back: what was measured, half a point steeper, and one bad line."""
    form = tmp_path / "form.csv"
    few = ("--missed", "20", "--alarms", "30", "--open", "4")
    assert run(capsys, "checkplan", "--findings", saved, "--form", form, *few)[0] == 0
    stations = small_study().findings.stations
    slopes = {
        (round(float(at), 1), side): float(slope)
        for at, side, slope in zip(
            stations["station_m"], stations["side"], stations["shoulder_slope_pct"], strict=True
        )
    }
    with form.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    for k, row in enumerate(rows):
        km, metres = row["station"].split("+")
        slope = slopes[(round(1000.0 * int(km) + float(metres), 1), row["side"])]
        row["reading_mm"] = f"{12.0 * (slope + 0.5 + 0.3 * (-1) ** k):.1f}"
    rows[0]["side"] = "upper"
    with form.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return form, len(rows)


def test_checkplan_writes_route_form_and_sheet(saved, tmp_path, capsys):
    gpx, form, sheet = (tmp_path / f"c.{ending}" for ending in ("gpx", "csv", "html"))
    code, said, err = run(
        capsys, "checkplan", "--findings", saved, "--gpx", gpx, "--form", form, "--sheet", sheet
    )
    assert (code, err) == (0, "")
    assert "judged 'sheds': if none of them turns out otherwise" in said
    assert CAUTIONS[-1] in said
    # 300 m hold fewer places than 59 so far apart, and it says so
    assert "20 m and more apart" in said
    for path in (gpx, form, sheet):
        assert "C001" in path.read_text("utf-8-sig")
    # its own files may be replaced, others not
    assert run(capsys, "checkplan", "--findings", saved, "--gpx", gpx, "--form", form)[0] == 0
    form.write_text("mine", encoding="utf-8")
    code, _, err = run(capsys, "checkplan", "--findings", saved, "--form", form)
    assert code == 2 and "c.csv" in err
    assert form.read_text(encoding="utf-8") == "mine"


def test_checkplan_as_pdf(saved, tmp_path, capsys):
    sheet = tmp_path / "c.pdf"
    assert run(capsys, "checkplan", "--findings", saved, "--sheet", sheet)[0] == 0
    assert sheet.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--missed", "0"), "share"),
        (("--certainty", "100"), "certainty"),
        (("--gpx", "c.csv"), "must end in .gpx"),
        (("--seed", "-1"), "seed"),
    ],
)
def test_checkplan_refuses_in_one_sentence(saved, capsys, words, told):
    code, said, err = run(capsys, "checkplan", "--findings", saved, *words)
    assert (code, said) == (2, "")
    assert told in err and err.count("\n") == 1


def test_readings_back_with_plot_and_limits(saved, filled, tmp_path, capsys):
    form, places = filled
    limits, plots = tmp_path / "L.toml", [tmp_path / "p.png", tmp_path / "p.svg"]
    words = ("check", "--findings", saved, "--readings", form)
    code, said, err = run(capsys, *words, "--plot", plots[0], "--recalibrate", limits)
    assert (code, err) == (0, "")
    assert "line 2 of form.csv" in said and "'upper'" in said
    assert f"{places - 1} compared" in said
    assert "What the screening got wrong" in said
    assert "Taken over from form.csv (SHA-256" in said
    assert "form.csv" in read_limits(limits).field.noise_factor.source
    assert run(capsys, *words, "--plot", plots[1])[0] == 0
    assert not QImage(str(plots[0])).isNull()
    assert QSvgRenderer(str(plots[1])).isValid()
    assert "traffic control" in plots[1].read_text(encoding="utf-8")


def test_acceptance_has_a_sheet_to_sign(saved, tmp_path, capsys):
    after = tmp_path / "after.csv"
    after.write_text("station,side,reading_mm,when\n1100,left,48,after\n", encoding="utf-8")
    sheet = tmp_path / "accepted.html"
    words = ("check", "--findings", saved, "--readings", after, "--sheet", sheet, "--units", "us")
    code, said, err = run(capsys, *words)
    assert (code, err) == (0, "")
    page = sheet.read_text(encoding="utf-8")
    assert "Acceptance of finished work" in page and "signature" in page
    assert f"Written: {sheet}" in said
    before = tmp_path / "before.csv"
    before.write_text("station,side,reading_mm\n1100,left,48\n", encoding="utf-8")
    code, _, err = run(capsys, "check", "--findings", saved, "--readings", before, *words[5:])
    assert code == 2 and "no finished work" in err


def test_compare_two_surveys(saved, tmp_path, capsys):
    findings = small_study().findings
    stations = {**findings.stations.columns}
    stations["edge_drop_mm"] = stations["edge_drop_mm"] + 60.0
    run_record = {**findings.run, "made": "later", "terrain_checksum": "another"}
    later = tmp_path / "later.gpkg"
    write_findings(replace(findings, stations=Table(stations), run=run_record), later)
    tables = [tmp_path / "s.csv", tmp_path / "r.csv"]
    words = ("compare", "--before", saved, "--after", later, "--before-date", "2024-05-01")
    code, said, err = run(
        capsys, *words, "--after-date", "2026-05-01", "--stations", tables[0], "--reaches",
        tables[1], "--third-date", "2027-05-01", "--gpkg", tmp_path / "changes.gpkg",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "thornwick (2024-05-01) against later (2026-05-01)" in said
    assert "For 2027-05-01 a straight line" in said
    with tables[1].open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["change"] for row in rows} <= {"changed", "can't tell"}
    told = [float(row["drop_change_mm"]) for row in rows if row["drop_change_mm"]]
    assert told == pytest.approx([60.0] * len(told))
    # as layers, with the places of the earlier survey; fiona reads back what the table says
    with fiona.open(tmp_path / "changes.gpkg", layer="reach_changes") as layer:
        assert layer.crs_wkt
        held = list(layer)
    assert [row["change"] for row in rows] == [one["properties"]["change"] for one in held]
    assert [row["drop_change_mm"] for row in rows] == [
        "" if one["properties"]["drop_change_mm"] is None
        else f"{one['properties']['drop_change_mm']:.6g}" for one in held
    ]  # fmt: skip
    for one, line in zip(held, findings.reach_lines, strict=True):
        assert np.allclose(one["geometry"]["coordinates"], line)
    with (
        fiona.open(tmp_path / "changes.gpkg", layer="station_changes") as layer,
        tables[0].open(encoding="utf-8-sig", newline="") as file,
    ):
        label = {(s, round(m, 3)): xy for s, m, xy in zip(
            stations["side"], stations["station_m"], findings.station_xy, strict=True)}  # fmt: skip
        points = list(layer)
        assert len(points) == len(list(csv.DictReader(file)))
        for one in points:
            own = one["properties"]
            place = label[own["side"], round(own["station_m"], 3)]
            assert np.allclose(one["geometry"]["coordinates"], place)
    with fiona.open(tmp_path / "changes.gpkg", layer="surveys") as layer:
        (survey,) = layer
    assert survey["properties"]["after_day"] == "2026-05-01"
    assert "traffic control" in survey["properties"]["cautions"]
    # again over its own, but never over findings
    again = (*words, "--after-date", "2026-05-01", "--gpkg")
    assert run(capsys, *again, tmp_path / "changes.gpkg")[0] == 0
    shutil.copy(later, tmp_path / "kept.gpkg")
    code, _, err = run(capsys, *again, tmp_path / "kept.gpkg")
    assert code == 2 and "won't be overwritten" in err
    for date, told in (("May", "2026-04-12"), ("2023-01-01", "in their order")):
        code, _, err = run(capsys, *words, "--after-date", date)
        assert code == 2 and told in err


def test_check_refuses_in_one_sentence(saved, tmp_path, capsys):
    few = tmp_path / "few.csv"
    few.write_text("station,side,reading_mm\n1100,left,40\n", encoding="utf-8")
    words = ("check", "--findings", saved)
    for more, told in (
        ((), "--readings or --after"),
        (("--after", saved, "--plot", "p.svg"), "--plot needs readings"),
        (("--readings", few, "--plot", "p.gif"), ".svg or .png"),
        (("--readings", few, "--recalibrate", tmp_path / "L.toml"), "too few"),
    ):
        code, _, err = run(capsys, *words, *more)
        assert code == 2 and told in err
    assert not Path(tmp_path / "L.toml").exists()


def test_compare_leaves_out_what_was_rejected(saved, tmp_path, capsys):
    """A reach that a reviewer rejected is in no output: not in what changed either."""
    findings = small_study().findings
    run_record = {**findings.run, "made": "later", "terrain_checksum": "another"}
    later, earlier = tmp_path / "later.gpkg", tmp_path / "earlier.gpkg"
    write_findings(replace(findings, run=run_record), later)
    reaches = findings.reaches
    row = int(np.flatnonzero(reaches["finding"] != "none")[0])
    review = Review("rejected", "bushes", finding=str(reaches["finding"][row]))
    reviews = review_table({reach_places(reaches)[row]: review})
    write_findings(replace(findings, reviews=reviews), earlier)
    table, layers = tmp_path / "r.csv", tmp_path / "changes.gpkg"
    days = ("--before-date", "2024-05-01", "--after-date", "2026-05-01")
    outputs = ("--reaches", table, "--gpkg", layers)
    words = ("compare", "--before", earlier, "--after", later, *days, *outputs)
    code, _, err = run(capsys, *words)
    assert (code, err) == (0, "")
    with table.open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.DictReader(file))) == len(reaches) - 1
    with fiona.open(layers, layer="reach_changes") as layer:
        places = {(one["side"], one["from_m"]) for one in (f["properties"] for f in layer)}
    assert len(places) == len(reaches) - 1
    assert (str(reaches["side"][row]), float(reaches["from_m"][row])) not in places
