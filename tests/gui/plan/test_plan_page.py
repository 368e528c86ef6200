"""The programme pane: follows reviews and means, selects reaches, and is handed on."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from pypdf import PdfReader
from PySide6.QtCore import QDate

from analysis.findings.reviews import reach_places
from gui.plan.plan_page import PlanPage
from gui.state.model import WindowModel


@pytest.fixture
def page(screened: WindowModel, settle: Callable[..., None]) -> PlanPage:
    made = PlanPage(screened)
    made.resize(700, 500)
    made.show()
    settle(lambda: made.planned is not None and bool(made.summary.toPlainText()))
    return made


def planned_again(page: PlanPage, settle: Callable[..., None]) -> None:
    before = page.planned
    settle(lambda: page.planned is not before and page.planned is not None)


def test_summary_and_order_show_the_plan(page: PlanPage) -> None:
    planned = page.planned
    assert planned is not None
    items = planned.programme.plan.items
    assert items and page.rows.rowCount() == len(items)
    text = page.summary.toPlainText()
    for words in ("By treatment", "Stretches worked together", "moist"):
        assert words in text
    page.table.selectRow(0)
    assert page.model.reach_row == items[0].reach.row


def test_a_rejected_reach_leaves_the_plan(page: PlanPage, settle: Callable[..., None]) -> None:
    planned, model = page.planned, page.model
    assert planned is not None and model.findings is not None
    count = len(planned.programme.plan.items)
    row = planned.programme.plan.items[0].reach.row
    model.set_review(reach_places(model.findings.reaches)[row], "rejected", "bushes")
    planned_again(page, settle)
    assert page.rows.rowCount() == count - 1
    assert "rejected, left out: 1" in page.words.text()
    model.undo.undo()
    planned_again(page, settle)
    assert page.rows.rowCount() == count


def test_means_and_days(page: PlanPage, settle: Callable[..., None]) -> None:
    planned = page.planned
    assert planned is not None
    page.dated.setChecked(True)
    page.start.setDate(QDate(2027, 4, 10))
    page.crew_days.setValue(0.1)
    planned_again(page, settle)
    settle(lambda: page.planned is not None and page.planned.fit is not None)
    settle(lambda: "What fits" in page.summary.toPlainText())
    assert "Left over" in page.summary.toPlainText()
    page.crew_days.setValue(0.0)
    settle(lambda: page.planned is not None and page.planned.fit is None)
    assert page.planned is not None
    # 2027-04-10 is a Saturday
    assert page.planned.programme.days[0].day == date(2027, 4, 12)
    page.money.setValue(100.0)
    settle(lambda: "no rate" in page.words.text())


def test_page_and_table_are_written(
    page: PlanPage, settle: Callable[..., None], tmp_path: Path
) -> None:
    page.print_page(str(tmp_path / "a.pdf"))
    settle(lambda: (tmp_path / "a.pdf").is_file())
    assert len(PdfReader(tmp_path / "a.pdf").pages) == 1
    page.save_table(str(tmp_path / "a.csv"))
    settle(lambda: (tmp_path / "a.csv").is_file())
    with (tmp_path / "a.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert len(list(csv.DictReader(stream))) == page.rows.rowCount()
    (tmp_path / "other.csv").write_text("mine")
    page.save_table(str(tmp_path / "other.csv"))
    settle(lambda: "nothing that this program wrote" in page.words.text())


def test_nothing_to_plan(model: WindowModel) -> None:
    page = PlanPage(model)
    assert not page.page_button.isEnabled() and "Screen a road" in page.words.text()
