"""The sheet on which finished work is accepted."""

import re

import pytest

from analysis.common.cautions import ACCEPTANCE_CAUTION, CAUTIONS
from analysis.common.errors import ReadingsError
from analysis.common.writing import Writing
from analysis.findings.acceptance_sheet import acceptance_sheet
from analysis.findings.fieldcheck import accept
from analysis.findings.sheet_text import to_html, to_markdown
from tests.analysis.findings.test_acceptance import planned, surveyed
from tests.builders.even_road import GRAVEL, findings
from tests.builders.readings import reading


def test_it_says_rule_state_and_who_signs():
    page = to_html(acceptance_sheet(planned(), surveyed()))
    assert "90 % of its station sides within 1 % points" in page
    assert "Velmarrow Road" in page and "0+995 to 1+305" in page
    assert "1 accepted" in page
    assert "who accepts it" in page and "signature" in page
    assert ACCEPTANCE_CAUTION in page and CAUTIONS[0] in page


def test_readings_after_the_work_stand_there_too():
    readings = [reading(reading_mm=47.0, edge_mm=5.0, when="after"),
                reading(station_m=1020.0, reading_mm=20.0, when="after")]  # fmt: skip
    sheet = acceptance_sheet(findings(), None, accept(readings, findings(), GRAVEL.field))
    assert sheet.remark == "1 accepted, 1 not accepted"
    (table,) = [block for block in sheet.blocks if block.heading == "Readings after the work"]
    assert table.table[0][3:8] == ("accepted", "1.0", "4.0", "3.9", "5")
    assert "| 1+020 | not accepted |" in to_markdown(sheet)


def test_us_units_throughout():
    text = to_markdown(acceptance_sheet(planned(), surveyed(), writing=Writing("us")))
    # 10 mm and 20 mm, and no millimetre of our own words
    assert "0.4 in of the pavement edge" in text
    assert not re.search(r"\d mm\b", text.split("Rule")[1].split("Signed")[0])


def test_no_work_no_sheet():
    with pytest.raises(ReadingsError, match="no finished work"):
        acceptance_sheet(planned("none"), surveyed())
