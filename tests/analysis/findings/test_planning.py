"""A programme from findings: in text, as a table, and as one page."""

import csv
from datetime import date

import pytest

from analysis.common.columns import WORK_COLUMNS
from analysis.common.writing import Writing
from analysis.earthwork.costs import Rates
from analysis.earthwork.programme import Calendar
from analysis.earthwork.what_fits import Means
from analysis.findings.planning import PlanOrder, make_programme, write_programme_csv
from analysis.findings.planning_text import programme_sheet, programme_text
from analysis.findings.sheet_text import to_markdown
from tests.builders.work_findings import make_findings


@pytest.fixture(scope="module")
def planned():
    order = PlanOrder(
        rates=Rates(currency="kr", material_per_t=100.0),
        calendar=Calendar(start=date(2027, 4, 10)),
        means=Means(crew_days=3.0),
        traffic_plan="TCP 14-B",
    )
    return make_programme(make_findings(terrain="/data/hill.tif"), order)


def test_text_says_what_when_and_how_much(planned):
    text = programme_text(planned, Writing())
    for words in (
        "1 reaches with work",
        "1 reaches must be looked at first",
        "2027-04-12 Mon",
        "replenish and clean ditch",
        "12.6",
        "1,260",
        "Costs are without grader",
        "1 of 1 reaches fit and mend 100 % of the harm",
        "1+000 to 1+070",
        "moist",
        "local codes",
        "hill.tif",
    ):
        assert words.lower() in text.lower(), words


def test_text_in_us_units(planned):
    text = programme_text(planned, Writing("us"))
    # 12.6 t = 13.89 short tons; 1000 m = 32+81, 1070 m = 35+10
    assert "13.9" in text and "32+81 to 35+10" in text and "m³" not in text


def test_the_page_has_a_map_totals_and_the_most_urgent(planned):
    sheet = programme_sheet(planned, Writing())
    assert sum(block.figure is not None for block in sheet.blocks) == 1
    text = to_markdown(sheet)
    for words in ("By severity", "By treatment", "Most urgent first", "TCP 14-B", "What fits"):
        assert words in text
    assert "| 1 | Höhen & Täler \\<Weg\\> | left | 1+003 to 1+062 | eroded edge |" in text


def test_table_holds_every_reach_with_its_day(planned, tmp_path):
    path = tmp_path / "a.csv"
    write_programme_csv(planned, path)
    with path.open(encoding="utf-8-sig", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert set(WORK_COLUMNS) < set(row)
    assert (row["work_from"], row["work_to"], row["day"]) == ("1+000", "1+070", "2027-04-12")
    # all of the stretch is this reach's own: whole loads, and the crew's whole time
    sums = planned.programme.plan.totals
    assert float(row["loads"]) == sums.import_loads
    assert float(row["crew_h"]) == pytest.approx(sums.crew_h, abs=1e-5)
    assert float(row["cost"]) == pytest.approx(1260.0)
    assert "local codes" in row["caution"]


def test_findings_of_an_earlier_version_are_ranked_by_what_they_hold():
    made = make_findings()
    assert "harm_class" in made.reaches
    made.reaches["harm_class"][:] = float("nan")
    made.reaches["worst_drop_mm"][0] = 120.0
    (item,) = make_programme(made).programme.plan.items
    assert item.reach.harm_class == 1 and item.reach.harm == pytest.approx(59.0)
