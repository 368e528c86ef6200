"""Parts of the section pane: a table to copy from, the breaks as numbers, one side's numbers."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QGuiApplication, QKeySequence, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QGridLayout,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QToolButton,
    QWidget,
)

from analysis.common.columns import CHECKED_NUMBERS, column_of
from gui.drawing.section_figure import break_of, source_text
from gui.look.fields import CalmSpin
from gui.look.making import named, tool_button, yielding
from gui.look.units import from_shown, number, shown, unit_of
from gui.look.words import station_sentence

if TYPE_CHECKING:
    from analysis.study.sections import SectionSide, SectionView

__all__ = ["BreakFields", "CopyTable", "SideNumbers"]


# Around the text of a cell, left and right together.
_PAD = 11


def _plain(item: QTableWidgetItem | None) -> str:
    """Text of a cell in one line, with spaces as anybody types them."""
    return " ".join(item.text().replace("\n", " | ").split()) if item is not None else ""


class CopyTable(QTableWidget):
    """Read-only table whose selected cells can be copied with their headings.

    Signals
    -------
    room_changed()
        It has another width for its columns.
    """

    room_changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        copy = QAction(self.tr("Copy"), self)
        copy.setShortcut(QKeySequence.StandardKey.Copy)
        copy.setShortcutContext(Qt.ShortcutContext.WidgetShortcut)
        copy.triggered.connect(self.copy_selection)
        self.addAction(copy)
        self.setContextMenuPolicy(Qt.ContextMenuPolicy.ActionsContextMenu)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if event.oldSize().width() != event.size().width():
            self.room_changed.emit()

    def fit(self, width: int) -> None:
        """Lay the columns into a width: words wrap before anything is to be scrolled sideways."""
        if not self.columnCount():
            return
        metrics, header = self.fontMetrics(), self.horizontalHeader()
        heads = [self.horizontalHeaderItem(k) for k in range(self.columnCount())]
        texts = [
            [item.text() for item in (heads[k], *self._column(k)) if item is not None]
            for k in range(self.columnCount())
        ]

        def widest(pieces: Sequence[str]) -> int:
            return max((metrics.horizontalAdvance(piece) for piece in pieces), default=0) + _PAD

        # A value and its error are held together by a space that doesn't break.
        whole = [widest([line for text in own for line in text.split("\n")]) for own in texts]
        words = [[word for text in own for word in re.split("[ \n]", text)] for own in texts]
        least = [widest(own) for own in words]
        spare = width - sum(least)
        # Numbers first, those that want least of them: a name reads well on two lines.
        values = sorted(range(1, len(texts)), key=lambda k: whole[k] - least[k])
        for place, k in enumerate((*values, 0)):
            most = max(spare, 0) // max(len(values) - place, 1)
            more = min(most, whole[k] - least[k])
            header.resizeSection(k, least[k] + more)
            spare -= more
        lines = 1
        for k, own in enumerate(texts):
            box = metrics.boundingRect(
                0, 0, self.columnWidth(k) - _PAD + 2, 1000, Qt.TextFlag.TextWordWrap, own[0]
            )
            lines = max(lines, math.ceil(box.height() / metrics.height()))
        header.setFixedHeight(lines * metrics.height() + 10)
        self.resizeRowsToContents()

    def _column(self, column: int) -> list[QTableWidgetItem | None]:
        return [self.item(row, column) for row in range(self.rowCount())]

    def text_of(self, whole: bool = False) -> str:
        """Return the selection, or the whole table, as tab-separated lines."""
        chosen = {(i.row(), i.column()) for i in self.selectedIndexes()}
        rows: Sequence[int] = range(self.rowCount())
        columns: Sequence[int] = range(self.columnCount())
        if not whole and chosen:
            rows = sorted({r for r, _ in chosen})
            columns = sorted({c for _, c in chosen})
        lines = [[self.item(row, column) for column in columns] for row in rows]
        if whole:
            lines.insert(0, [self.horizontalHeaderItem(column) for column in columns])
        rows_of = ("\t".join(_plain(item) for item in line) for line in lines)
        return "\n".join(rows_of)

    def copy_selection(self) -> None:
        """Put the selected cells on the clipboard."""
        QGuiApplication.clipboard().setText(self.text_of())


class BreakFields(QWidget):
    """Numbers of the four breaks: typing one corrects it, a button gives it back."""

    moved = Signal(int, str, float)
    released = Signal(int, str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.system = "metric"
        self._filling = False
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(6)
        grid.setVerticalSpacing(3)
        self.boxes: dict[tuple[int, str], CalmSpin] = {}
        self.notes: dict[tuple[int, str], QLabel] = {}
        self.backs: dict[tuple[int, str], QToolButton] = {}
        titles = {
            (0, "edge"): self.tr("Edge, left"),
            (0, "hinge"): self.tr("Hinge, left"),
            (1, "edge"): self.tr("Edge, right"),
            (1, "hinge"): self.tr("Hinge, right"),
        }
        tip = self.tr("Distance outward from the centreline; type to correct it by hand.")
        for row, (key, title) in enumerate(titles.items()):
            box = named(CalmSpin(decimals=2, minimum=-20.0, maximum=120.0), title, tip)
            box.setKeyboardTracking(False)
            box.setMinimumWidth(70)
            box.valueChanged.connect(lambda value, k=key: self._on_value(k, value))
            label = QLabel(title)
            label.setBuddy(box)
            note = yielding(named(QLabel(), self.tr("Where it comes from")), high=False)
            back = tool_button(
                "↺",
                partial(self.released.emit, *key),
                name=self.tr("Give back: {title}").format(title=title),
                tip=self.tr("Give back: forget the correction, let the search decide again."),
            )
            self.boxes[key], self.notes[key], self.backs[key] = box, note, back
            for place, part in enumerate((label, box, note, back)):
                grid.addWidget(part, row, place)
        grid.setColumnStretch(2, 1)

    def show_view(self, view: SectionView | None, system: str) -> None:
        """Fill the fields from a section."""
        self.system = system
        unit = unit_of("m", system)
        self._filling = True
        try:
            for (side, kind), box in self.boxes.items():
                here = break_of(view.sides[side], kind) if view is not None else None
                offset = here.offset_m if here is not None else math.nan
                known = math.isfinite(offset)
                box.setEnabled(here is not None)
                box.setSuffix(f" {unit.text}")
                box.setSingleStep(0.05 if system == "metric" else 0.2)
                if known:
                    box.setSpecialValueText("")
                    box.setValue(float(shown((-1.0 if side == 0 else 1.0) * offset, "m", system)))
                else:
                    # A spin box has no empty state: its lowest value stands for unknown.
                    box.setSpecialValueText(self.tr("unknown"))
                    box.setValue(box.minimum())
                words = tip = ""
                if here is not None:
                    words = source_text(here.source)
                    if known and math.isfinite(here.se_m) and here.source == 1:
                        words += f" ± {number(here.se_m * unit.factor, 2)}"
                    if math.isfinite(here.confidence):
                        share = number(here.confidence * 100.0, 0)
                        tip = self.tr("Confidence {share} %").format(share=share)
                note = self.notes[(side, kind)]
                note.setText(words)
                note.setToolTip(tip)
                self.backs[(side, kind)].setVisible(here is not None and here.source == 2)
        finally:
            self._filling = False

    def _on_value(self, key: tuple[int, str], value: float) -> None:
        box = self.boxes[key]
        if self._filling or (box.specialValueText() and value == box.minimum()):
            return
        self.moved.emit(*key, round(from_shown(value, "m", self.system), 3))


class SideNumbers:
    """Numbers of one side, whether from a section or from a row of a findings file."""

    def __init__(self, numbers: dict[str, tuple[float, float]], row: dict[str, Any]) -> None:
        self._numbers, self._row = numbers, row
        self.verdict = str(row.get("verdict", ""))
        self.finding = str(row.get("finding", ""))
        self.treatment = str(row.get("treatment", ""))

    @classmethod
    def of_side(cls, side: SectionSide) -> SideNumbers:
        """Take the numbers of a section's side."""
        numbers = {name: (float(v), float(se)) for name, (v, se) in side.numbers.items()}
        row: dict[str, Any] = {
            "verdict": side.verdict,
            "finding": side.finding,
            "treatment": side.treatment,
            "reason": side.reason,
            "why": side.why,
        }
        for name, (value, se) in numbers.items():
            row |= {name: value, column_of(name).error: se}
        return cls(numbers, row)

    @classmethod
    def of_row(cls, row: dict[str, Any]) -> SideNumbers:
        """Take the numbers of a row of the station table."""
        numbers = {}
        for name in ("required_slope_pct", *CHECKED_NUMBERS):
            value = float(row.get(name, math.nan))
            numbers[name] = (value, float(row.get(column_of(name).error, math.nan)))
        return cls(numbers, row)

    def value(self, name: str) -> tuple[float, float]:
        """Value and standard error, NaN where unknown."""
        return self._numbers.get(name, (math.nan, math.nan))

    def sentence(self, system: str) -> str:
        """Return the finding in one sentence."""
        return station_sentence(self._row, system)
