"""The commands `plan` and `export`: from a findings file to a programme and to other formats."""

import csv
from dataclasses import replace

import numpy as np
import pytest

from analysis import cli
from analysis.findings.geopackage import read_findings, write_findings
from analysis.findings.reviews import Review, reach_places, review_table
from tests.builders.work_findings import make_findings


@pytest.fixture(scope="module")
def findings(tmp_path_factory):
    """A findings file with two reaches to work or to look at, one of them rejected."""
    made = make_findings()
    lines = (*made.reach_lines[:2], made.reach_lines[0] + np.array([59.0, 0.0]))
    xy = np.where(np.isnan(made.station_xy), 500000.0, made.station_xy)
    review = {reach_places(made.reaches)[2]: Review("rejected", "bushes")}
    made = replace(made, reach_lines=lines, station_xy=xy, reviews=review_table(review))
    path = tmp_path_factory.mktemp("cli") / "findings.gpkg"
    write_findings(made, path)
    return str(path)


def run(capsys, *words):
    code = cli.main(list(words))
    said = capsys.readouterr()
    return code, said.out, said.err


def refused(capsys, words, sentence):
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "") and sentence in err and err.count("\n") == 1


def test_plan_says_the_programme(findings, tmp_path, capsys):
    table = tmp_path / "plan.csv"
    rates = tmp_path / "rates.toml"
    rates.write_text('currency = "EUR"\ncrew_per_day = 900.0\n')
    words = ("plan", "--findings", findings, "--start", "2027-04-10", "--season", "4-10")
    code, said, err = run(capsys, *words, "--rates", str(rates), "--csv", str(table))
    assert (code, err) == (0, "")
    # The tenth is a Saturday.
    for text in ("2027-04-12 Mon", "1 reaches that a reviewer rejected", "cost EUR", "moist"):
        assert text in said
    with table.open(encoding="utf-8-sig", newline="") as stream:
        assert [row["treatment"] for row in csv.DictReader(stream)] == ["replenish and clean ditch"]
    # Its own table is written again; another's isn't.
    assert run(capsys, *words, "--csv", str(table))[0] == 0
    table.write_text("mine")
    assert run(capsys, *words, "--csv", str(table))[0] == 2
    assert table.read_text() == "mine"


def test_plan_says_what_fits(findings, capsys):
    code, said, _ = run(capsys, "plan", "--findings", findings, "--crew-days", "0.05")
    assert code == 0
    assert "0 of 1 reaches fit" in said and "Left over" in said
    code, said, _ = run(capsys, "plan", "--findings", findings, "--loads", "20")
    assert "1 of 1 reaches fit and mend 100 %" in said


def test_plan_refuses_in_a_sentence(findings, capsys):
    words = ["plan", "--findings", findings]
    refused(capsys, [*words, "--start", "soon"], "give a day such as 2027-04-12")
    refused(capsys, [*words, "--start", "2027-04-12", "--season", "0-13"], "from 1 to 12")
    refused(capsys, [*words, "--start", "2027-04-12", "--free", "x"], "--free has 'x'")
    refused(capsys, [*words, "--start", "2027-04-12", "--crews", "0"], "crews is 0")
    refused(capsys, [*words, "--money", "5"], "no rate to spend it at")
    refused(capsys, [*words, "--road", "Elm Lane"], "no road 'Elm Lane'")
    refused(capsys, [*words, "--csv", "a.txt"], "name it a.csv")


def test_export_writes_what_is_asked_for(findings, tmp_path, capsys):
    names = ("gpkg", "geojson", "csv", "reach-csv", "gpx", "kml")
    places = {name: tmp_path / f"{name}.{name.rpartition('-')[2]}" for name in names}
    words = [word for name, path in places.items() for word in (f"--{name}", str(path))]
    code, said, err = run(capsys, "export", "--findings", findings, *words, "--side", "left")
    assert (code, err) == (0, "")
    assert said.count("Written: ") == len(names)
    found = read_findings(places["gpkg"])
    assert found.reaches["from_m"].tolist() == [1003.0]
    assert found.run["excerpt"] == "sides: left"
    # Again, since all of them are its own.
    assert run(capsys, "export", "--findings", findings, *words)[0] == 0
    assert len(read_findings(places["gpkg"]).reaches) == 2


def test_export_marks_what_was_rejected_if_asked(findings, tmp_path, capsys):
    path = tmp_path / "r.csv"
    words = ("export", "--findings", findings, "--reach-csv", str(path), "--with-rejected")
    assert run(capsys, *words)[0] == 0
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["review"] for row in rows] == ["", "", "rejected"]
    assert rows[2]["review_reason"] == "bushes"


def test_export_refuses_in_a_sentence(findings, tmp_path, capsys):
    words = ["export", "--findings", findings]
    refused(capsys, words, "Say what to write")
    refused(capsys, [*words, "--gpx", "a.gpx", "--side", "middle"], "choose among left, right")
    refused(capsys, [*words, "--gpx", "a.gpx", "--from", "x"], "is no station")
    refused(capsys, [*words, "--gpkg", findings], "one of the input files")
    refused(capsys, [*words, "--pdf", str(tmp_path / "a.pdf")], "leave the PDF out")
    (tmp_path / "a.kml").write_text("mine")
    refused(capsys, [*words, "--kml", str(tmp_path / "a.kml")], "nothing that this program wrote")
