"""The programme pane: what there is to work with, what it takes, and what is left over."""

from __future__ import annotations

from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QDate, QModelIndex
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QFormLayout,
    QLabel,
    QLineEdit,
    QTableView,
    QTabWidget,
    QTextBrowser,
    QWidget,
)

from analysis.common.errors import VergelineError
from gui.look.asking import ask_file, ask_name, dated_name
from gui.look.fields import CalmCombo, CalmSpin, DayBox, day_field, scrolled
from gui.look.making import abreast, later, named, stacked, tool_button
from gui.look.remembered import remembered
from gui.plan.order_table import OrderRows
from gui.state.beside import KeptFields
from gui.state.model import WindowModel

if TYPE_CHECKING:
    from analysis.findings.planning import Planned, PlanOrder

__all__ = ["PlanPage"]

_WAIT_MS = 250
_ROWS = 12
"""Of each table of the summary: Qt lays all rows out at once, and the other tab has them all."""


class PlanPage(QWidget):
    """Plans the reaches that nobody rejected, with the means and days that a person gives."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = model
        self.planned: Planned | None = None
        self._due = later(self, self._plan, _WAIT_MS)
        self._words_due = later(self, self._show_words)
        self._rates_path = str(remembered().value("rates", ""))
        form = self._make_form()
        self.summary = named(QTextBrowser(), self.tr("Summary of the programme"))
        self.rows = OrderRows(self)
        self.table = named(QTableView(), self.tr("Reaches in the order of work"))
        self.table.setModel(self.rows)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.verticalHeader().hide()
        self.table.selectionModel().currentRowChanged.connect(self._on_row)
        tabs = self.tabs = QTabWidget()
        tabs.addTab(self.summary, self.tr("Summary"))
        tabs.addTab(self.table, self.tr("Order of work"))
        tabs.addTab(scrolled(form), self.tr("Means and days"))
        self.page_button = tool_button(self.tr("Print the page…"), self._ask_page)
        self.csv_button = tool_button(self.tr("Save the table…"), self._ask_table)
        self.words = QLabel()
        below = abreast(None, (self.words, 1), self.page_button, self.csv_button)
        stacked(self, (tabs, 1), below, margins=(4, 4, 4, 4), spacing=4)
        for signal in (
            model.study_changed,
            model.reviews_changed,
            model.limits_changed,
            model.units_changed,
            model.surveyed_changed,
        ):
            signal.connect(self._refresh)
        self._keep()
        self._refresh()

    def _keep(self) -> None:
        """Keep means, days and the traffic-control plan with the findings."""
        kept = KeptFields(self.model.beside, "plan", self)
        boxes = {name: getattr(self, name) for name in ("crew_days", "loads", "money", "crews")}
        for name, box in boxes.items():
            kept.add(name, box.value, box.setValue, box.valueChanged)
        for name, month in zip(("season_from", "season_to"), self.months, strict=True):
            kept.add(name, month.currentIndex, month.setCurrentIndex, month.currentIndexChanged)
        kept.add("dated", self.dated.isChecked, self.dated.setChecked, self.dated.toggled)
        kept.add("start", *day_field(self.start))
        plan = self.traffic_plan
        # With each letter: who is killed while typing has typed that much.
        kept.add("traffic_plan", plan.text, plan.setText, plan.textChanged)
        self.model.beside.taken.connect(self._refresh)
        kept.show()

    def _make_form(self) -> QWidget:
        made = QWidget()
        rows = QFormLayout(made)

        def spin(low: float, high: float, name: str, decimals: int, special: str) -> CalmSpin:
            box = named(CalmSpin(), name)
            box.setRange(low, high)
            box.setDecimals(decimals)
            box.setSpecialValueText(special)
            box.setKeyboardTracking(False)
            box.valueChanged.connect(self._refresh)
            return box

        no_limit = self.tr("no limit")
        self.crew_days = spin(0.0, 1e6, self.tr("Crew days there are"), 1, no_limit)
        self.loads = spin(0.0, 1e6, self.tr("Truck loads there are"), 0, no_limit)
        self.money = spin(0.0, 1e12, self.tr("Money there is"), 0, no_limit)
        rows.addRow(self.tr("Crew days"), self.crew_days)
        rows.addRow(self.tr("Truck loads"), self.loads)
        rows.addRow(self.tr("Money"), self.money)
        self.rates = QLabel()
        pick = tool_button(self.tr("Unit rates…"), self._ask_rates)
        none = tool_button(self.tr("None"), partial(self._take_rates, ""))
        rows.addRow(self.tr("Rates"), abreast(None, (self.rates, 1), pick, none))
        self.dated = QCheckBox(self.tr("Put it on a calendar"))
        self.dated.toggled.connect(self._refresh)
        rows.addRow("", self.dated)
        today = date.today()
        self.start = named(DayBox(QDate(today.year, today.month, today.day)), self.tr("Start"))
        self.start.setCalendarPopup(True)
        self.start.setDisplayFormat("yyyy-MM-dd")
        self.start.dateChanged.connect(self._refresh)
        rows.addRow(self.tr("First day"), self.start)
        self.crews = spin(1.0, 100.0, self.tr("Crews at a time"), 0, "")
        rows.addRow(self.tr("Crews"), self.crews)
        self.months = [named(CalmCombo(), self.tr("Month of the season")) for _ in range(2)]
        for box, chosen in zip(self.months, (1, 12), strict=True):
            for month in range(1, 13):
                box.addItem(str(month), month)
            box.setCurrentIndex(chosen - 1)
            box.currentIndexChanged.connect(self._refresh)
        rows.addRow(self.tr("Season, by months"), abreast(None, *self.months))
        self.traffic_plan = named(QLineEdit(), self.tr("Traffic-control plan"))
        self.traffic_plan.setPlaceholderText(self.tr("its number; no work without it"))
        self.traffic_plan.editingFinished.connect(self._refresh)
        rows.addRow(self.tr("Traffic-control plan"), self.traffic_plan)
        self._show_rates()
        return made

    # -- planning -----------------------------------------------------------------------------

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self.planned is None:
            self._refresh()

    def _refresh(self, *_: object) -> None:
        """Plan again soon; not while nobody looks."""
        there = self.model.findings is not None
        for widget in (self.page_button, self.csv_button):
            widget.setEnabled(there)
        if not there:
            self.planned = None
            self.summary.clear()
            self.words.setText(self.tr("Screen a road first."))
        elif self.isVisible():
            self._due.start()
        else:
            self.planned = None

    def _order(self) -> PlanOrder:
        from analysis.earthwork.programme import Calendar
        from analysis.earthwork.what_fits import Means
        from analysis.findings.planning import PlanOrder
        from analysis.study.inputs import read_rates

        given = {
            name: box.value()
            for name, box in (
                ("crew_days", self.crew_days),
                ("loads", self.loads),
                ("money", self.money),
            )
            if box.value() > 0.0
        }
        calendar = None
        if self.dated.isChecked():
            day = self.start.date()
            calendar = Calendar(
                start=date(day.year(), day.month(), day.day()),
                crews=int(self.crews.value()),
                season=(int(self.months[0].currentData()), int(self.months[1].currentData())),
            )
        return PlanOrder(
            rates=read_rates(self._rates_path) if self._rates_path else None,
            calendar=calendar,
            means=Means(**given) if given else None,
            traffic_plan=self.traffic_plan.text().strip(),
        )

    def _plan(self) -> None:
        from analysis.findings.planning import make_programme

        found, limits = self.model.reviewed_findings(), self.model.limits
        if found is None:
            return
        try:
            order = self._order()
        except VergelineError as error:
            self._failed(error)
            return
        self.words.setText(self.tr("Planning…"))
        self.model.runner.submit(
            "plan",
            lambda _progress: make_programme(found, order, limits=limits),
            self._show,
            self._failed,
        )

    def _failed(self, error: VergelineError) -> None:
        self.words.setText(str(error))

    def _show(self, planned: Planned) -> None:
        self.planned = planned
        writing = self.model.writing
        self.rows.show(planned, writing)
        for column, width in enumerate(self.rows.widths(self.table.fontMetrics())):
            self.table.setColumnWidth(column, width)
        # A turn of the event loop each.
        self._words_due.start()
        made = planned.programme
        said = [self.tr("Reaches with work: {n}").format(n=len(made.plan.items))]
        said.append(self.tr("crew days: {n:.1f}").format(n=made.whole.crew_days))
        if planned.rejected:
            said.append(self.tr("rejected, left out: {n}").format(n=planned.rejected))
        self.words.setText("; ".join(said))

    def _show_words(self) -> None:
        from analysis.findings.planning_text import programme_overview
        from analysis.findings.sheet_text import body_html, style_css

        planned, writing = self.planned, self.model.writing
        if planned is None:
            return
        overview = programme_overview(planned, writing, most=_ROWS)
        self.summary.document().setDefaultStyleSheet(_readable(style_css()))
        # Qt sizes headings by the text around them and takes no size from the style.
        html = body_html(overview, drawn=False)
        self.summary.setHtml(html.replace("<h2>", "<p><b>").replace("</h2>", "</b></p>"))

    def _on_row(self, current: QModelIndex, _before: QModelIndex) -> None:
        reach = self.rows.reach(current.row())
        if reach >= 0:
            self.model.select_reach(reach)

    # -- rates ----------------------------------------------------------------------------------

    def _ask_rates(self) -> None:
        filters = self.tr("Unit rates") + " (*.toml)"
        ask_file(self, self.tr("Unit rates"), filters, self._take_rates)

    def _take_rates(self, path: str) -> None:
        self._rates_path = path
        remembered().set_value("rates", path)
        self._show_rates()
        self._refresh()

    def _show_rates(self) -> None:
        none = self.tr("none: no costs are shown")
        self.rates.setText(Path(self._rates_path).name if self._rates_path else none)

    # -- handing on -------------------------------------------------------------------------------

    def _ask_page(self) -> None:
        name = dated_name(self.model.only_road, self.tr("Programme"), ending=".pdf")
        ask_name(self, self.tr("Print the page"), name, "PDF (*.pdf)", self.print_page)

    def _ask_table(self) -> None:
        name = dated_name(self.model.only_road, self.tr("Programme"), ending=".csv")
        ask_name(self, self.tr("Save the table"), name, "CSV (*.csv)", self.save_table)

    def print_page(self, path: str) -> None:
        """Write the programme's page as PDF."""
        from analysis.findings.planning_text import programme_sheet
        from gui.drawing.printing import print_sheets

        planned, writing = self.planned, self.model.writing
        paper = "Letter" if self.model.units == "us" else "A4"
        if planned is not None:
            self._write(
                path,
                lambda progress: print_sheets(
                    [programme_sheet(planned, writing)], path, paper=paper, progress=progress
                ),
            )

    def save_table(self, path: str) -> None:
        """Write the reaches in the order of work as a table."""
        from analysis.findings.planning import write_programme_csv

        planned = self.planned
        if planned is not None:
            self._write(path, lambda _progress: write_programme_csv(planned, path))

    def _write(self, path: str, work: Any) -> None:
        written = self.tr("Written: {name}").format(name=Path(path).name)
        self.model.runner.submit(
            "write programme",
            self.model.inputs.writing_to(path, work),
            lambda _result: self.words.setText(written),
            self._failed,
            lane="long",
            title=self.tr("Writing the programme"),
            writes=True,
        )


def _readable(css: str) -> str:
    """The style of the paper with the window's own ink, which may be light on dark."""
    kept = [line for line in css.splitlines() if not line.startswith("body")]
    return "\n".join(kept)
