"""What there is to say of one finding: sentence, quantities, and what lies before and after it."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QGridLayout, QLabel, QWidget

from analysis.common.columns import REACH_COLUMNS, STATION_COLUMNS
from analysis.common.verdicts import Finding, Verdict
from gui.look import theme
from gui.look.fields import scrolled
from gui.look.icons import finding_icon
from gui.look.making import SELECTABLE, abreast, named, stacked, yielding
from gui.look.units import DASH, range_text
from gui.look.words import (
    column_heading,
    column_meaning,
    finding_text,
    marked_review,
    number_text,
    reach_sentence,
    side_text,
    station_sentence,
    station_words,
    treatment_text,
    verdict_text,
)

if TYPE_CHECKING:
    from gui.review.queue import Item
    from gui.state.model import WindowModel

__all__ = ["FindingPanel"]

_OF_REACH = (
    "length_m",
    "worst_drop_mm",
    "cut_m3",
    "fill_m3",
    "balance_m3",
    "import_m3_loose",
    "loads",
    "ditch_clean_m",
)
_OF_STATION = (
    "shoulder_slope_pct",
    "required_slope_pct",
    "edge_drop_mm",
    "rut_mm",
    "ridge_mm",
    "retained_mm",
    "p_wont_shed",
)
_COLUMNS = 4


class FindingPanel(QWidget):
    """The words and numbers of the finding whose turn it is."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self.setAccessibleName(self.tr("The finding in words and numbers"))
        self.picture = QLabel()
        self.title = yielding(QLabel())
        font = QFont(self.title.font())
        font.setBold(True)
        font.setPointSizeF(font.pointSizeF() * 1.15)
        self.title.setFont(font)
        self.sentence = named(
            QLabel(wordWrap=True, textInteractionFlags=SELECTABLE), self.tr("Finding in words")
        )
        self.neighbours = named(QLabel(wordWrap=True), self.tr("Before, after and opposite"))
        self.neighbours.setTextFormat(Qt.TextFormat.RichText)
        self.neighbours.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._cells = [(QLabel(), QLabel()) for _ in range(max(len(_OF_REACH), len(_OF_STATION)))]
        grid = QGridLayout()
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(1)
        for number, (head, value) in enumerate(self._cells):
            row, column = divmod(number, _COLUMNS // 2)
            grid.addWidget(head, row, 2 * column)
            grid.addWidget(value, row, 2 * column + 1, Qt.AlignmentFlag.AlignRight)
        numbers = abreast(None, grid, (self.neighbours, 1), spacing=22)
        inside = QWidget()
        head_row = abreast(None, self.picture, (self.title, 1), spacing=8)
        parts = (head_row, self.sentence, numbers, None)
        stacked(inside, *parts, margins=(10, 6, 10, 6), spacing=5)
        self.area = scrolled(inside)
        stacked(self, (self.area, 1))

    def show_item(self, item: Item | None) -> None:
        """Say what is known of a finding; None says that there is none."""
        found = self._model.findings
        if item is None or found is None:
            self.title.setText(self.tr("No finding to review"))
            for label in (self.sentence, self.neighbours, self.picture):
                label.clear()
            self._fill((), {})
            return
        reach = item.place.kind == "reach"
        table = found.reaches if reach else found.stations
        row: dict[str, Any] = table.row(item.row)
        why = found.why.get(item.place.kind)
        if why:
            row["why"] = why[item.row]
        units, style = self._model.units, self._model.station_style
        say = reach_sentence(row, units, style) if reach else station_sentence(row, units)
        self.sentence.setText(say)
        self.title.setText(self._title(row, reach))
        finding = str(row["finding"])
        drawn = finding_icon(finding)
        self.picture.setPixmap(drawn.pixmap(24, 24)) if drawn else self.picture.clear()
        self._fill(_OF_REACH if reach else _OF_STATION, row)
        self.neighbours.setText("<br>".join(self._around(item)))
        self.area.verticalScrollBar().setValue(0)

    def _title(self, row: dict[str, Any], reach: bool) -> str:
        style = self._model.station_style
        ends = [float(row[n]) for n in (("from_m", "to_m") if reach else ("station_m",))]
        where = " ".join((str(row["road"]), side_text(str(row["side"]))))
        words = [station_words(end, style) for end in ends]
        place = range_text(*words) if reach else words[0]
        what = finding_text(str(row["finding"]))
        if str(row["finding"]) in (Finding.NONE, Finding.CANT_TELL, Finding.NO_DATA):
            what = verdict_text(str(row["verdict"]))
        text = self.tr("{what}: {where} {place}").format(
            what=what[:1].upper() + what[1:], where=where, place=place
        )
        treatment = str(row.get("treatment") or "")
        if treatment not in ("", "none", str(row["finding"])):
            text += f" → {treatment_text(treatment)}"
        return text

    def _fill(self, names: tuple[str, ...], row: dict[str, Any]) -> None:
        units = self._model.units
        columns = {**STATION_COLUMNS, **REACH_COLUMNS}
        for number, (head, value) in enumerate(self._cells):
            there = number < len(names)
            head.setVisible(there)
            value.setVisible(there)
            if not there:
                continue
            name = names[number]
            error = columns[name].error
            se = float(row.get(error, float("nan"))) if error else float("nan")
            head.setText(column_heading(name, units))
            head.setToolTip(column_meaning(name))
            text = number_text(name, float(row[name]), se, units, with_unit=False)
            if name == "ditch_clean_m" and row[name] == 0.0:
                text = self.tr("none")
            value.setText(text or DASH)

    def _around(self, item: Item) -> list[str]:
        """What lies before and after on the same side, and opposite."""
        loaded = self._model.loaded
        assert loaded is not None
        if item.place.kind != "reach":
            first = last = item.station
        else:
            first, last = int(loaded.reach_first[item.row]), int(loaded.reach_last[item.row])
        sides = (
            (self.tr("Before"), loaded.reach_at(item.road, first - 1, item.side)),
            (self.tr("After"), loaded.reach_at(item.road, last + 1, item.side)),
            (self.tr("Opposite"), loaded.reach_at(item.road, item.station, 1 - item.side)),
        )
        return [f"<b>{escape(name)}</b> {self._short(row)}" for name, row in sides]

    def _short(self, row: int) -> str:
        found = self._model.findings
        if row < 0 or found is None:
            return DASH
        reach = found.reaches.row(row)
        verdict, finding = str(reach["verdict"]), str(reach["finding"])
        look = theme.verdict_look(verdict)
        words = verdict_text(verdict)
        if verdict == Verdict.WONT_SHED:
            words += f", {finding_text(finding)}"
        units = self._model.units
        length = number_text("length_m", float(reach["length_m"]), float("nan"), units)
        given = self._model.reach_reviews.given[row]
        told = f" ({escape(marked_review(given.state))})" if given is not None else ""
        mark = f'<span style="color:{look.color.name()}">{look.mark}</span>'
        return f"{mark} {escape(words, quote=False)}, {escape(length)}{told}"
