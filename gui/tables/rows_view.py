"""The rows of a large table, and their way into a CSV file."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QEvent, QItemSelection, QItemSelectionModel, Qt
from PySide6.QtGui import QKeyEvent, QKeySequence, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView

from analysis.common.outputs import safe_cell
from gui.look.turns import PaintedInTurns, ViewInTurns

if TYPE_CHECKING:
    from analysis.common.table import Table

__all__ = ["RowsView", "write_rows"]

# Height of what is painted in one turn, pixels: some rows.
STRIP = 200
_REVIEWS = {Qt.Key.Key_A: "agreed", Qt.Key.Key_R: "rejected", Qt.Key.Key_T: "to check"}


class RowsView(ViewInTurns, QTableView):
    """Table view of whole rows that stays quick with many of them."""

    def __init__(self, page: Any) -> None:
        super().__init__(page)
        self._page = page
        # Qt asks Python for each of seven properties of each cell: a screenful takes a while.
        self._painted = PaintedInTurns(
            self.viewport(), lambda: self.palette().base().color(), STRIP
        )
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setCornerButtonEnabled(False)
        self.setShowGrid(False)
        rows = self.verticalHeader()
        rows.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        rows.setDefaultSectionSize(self.fontMetrics().height() + 8)
        rows.hide()

    def free_headers(self) -> None:
        """Cut the headers loose from the selection.

        To mark a heading they ask every row of every column whether it is selected: half a minute
        for "select all" on 200 000 rows.
        """
        for header in (self.horizontalHeader(), self.verticalHeader()):
            header.setSelectionModel(QItemSelectionModel(self.model(), header))

    def event(self, event: QEvent) -> bool:
        # The window reviews the selected reach by the same keys; here they mean the chosen rows.
        if event.type() == QEvent.Type.ShortcutOverride and isinstance(event, QKeyEvent):
            plain = event.modifiers() == Qt.KeyboardModifier.NoModifier
            if plain and event.key() in _REVIEWS:
                event.accept()
                return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        keys = Qt.Key
        plain = event.modifiers() == Qt.KeyboardModifier.NoModifier
        if plain and event.key() in _REVIEWS:
            self._page.review_chosen(_REVIEWS[keys(event.key())])
        elif plain and event.key() == keys.Key_Delete:
            self._page.review_chosen("")
        elif event.matches(QKeySequence.StandardKey.Copy):
            self._page.copy_chosen()
        else:
            super().keyPressEvent(event)
            return
        event.accept()

    def paintEvent(self, event: QPaintEvent) -> None:
        now = self._painted.to_paint(event)
        if now is None:
            return
        painter = QPainter(self.viewport())
        painter.setClipRegion(now.region())
        painter.fillRect(self.viewport().rect(), self.palette().base())
        painter.end()
        QTableView.paintEvent(self, now)

    def scrollContentsBy(self, dx: int, dy: int) -> None:
        super().scrollContentsBy(dx, dy)
        self._painted.scrolled()

    def resizeEvent(self, event: QResizeEvent) -> None:
        here = self.currentIndex()
        row = self.visualRect(here)
        seen = here.isValid() and 0 <= row.top() and row.bottom() <= event.oldSize().height()
        super().resizeEvent(event)
        if seen:
            self.scrollTo(here)

    def keyboardSearch(self, search: str) -> None:
        """Letters are reviews here, so they don't also jump about in the table."""
        del search

    def selectionChanged(self, selected: QItemSelection, deselected: QItemSelection) -> None:
        super().selectionChanged(selected, deselected)
        self._page.on_chosen()


def write_rows(
    table: Table, rows: Any, reviews: Sequence[tuple[str, str]], path: str, progress: Any
) -> int:
    """Write rows of a table as CSV; unknown is an empty cell.

    Returns how many texts got an apostrophe, so that no spreadsheet runs them as a formula.
    """
    from gui.drawing.printing import whole_file

    names = list(table.names())
    columns = [table[name][rows] for name in names]
    changed = 0
    with whole_file(path) as beside, beside.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow([*names, "review", "review_reason"])
        for i in range(len(rows)):
            if i % 2000 == 0:
                progress(i / max(1, len(rows)), "")
            values = [*(column[i] for column in columns), *reviews[i]]
            cells = [safe_cell(v) if isinstance(v, str) else _csv_number(v) for v in values]
            changed += sum(
                isinstance(v, str) and v != c for v, c in zip(values, cells, strict=True)
            )
            writer.writerow(cells)
    return changed


def _csv_number(value: Any) -> str:
    number = float(value)
    return (
        f"{number:.6g}"
        if math.isfinite(number) and abs(number) < 1e5
        else (f"{number:.3f}" if math.isfinite(number) else "")
    )
