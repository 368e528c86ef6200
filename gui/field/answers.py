"""A table of answers to read: rows of texts, each of which may lead to a place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt, Signal
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView

__all__ = ["AnswerTable", "Place"]

AnyIndex = QModelIndex | QPersistentModelIndex
_ROOT = QModelIndex()


@dataclass(frozen=True, slots=True)
class Place:
    """A station side that a row tells of."""

    road: str
    side: str
    station_m: float


class _Rows(QAbstractTableModel):
    def __init__(self) -> None:
        super().__init__()
        self.heads: tuple[str, ...] = ()
        self.rows: Sequence[Sequence[str]] = ()
        self.words = 0

    def show(self, heads: tuple[str, ...], rows: Sequence[Sequence[str]], words: int) -> None:
        self.beginResetModel()
        self.heads, self.rows, self.words = heads, rows, words
        self.endResetModel()

    def rowCount(self, parent: AnyIndex = _ROOT) -> int:
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: AnyIndex = _ROOT) -> int:
        return 0 if parent.isValid() else len(self.heads)

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole):
            return self.rows[index.row()][index.column()]
        if role == Qt.ItemDataRole.TextAlignmentRole and index.column() >= self.words:
            return int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        return None

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        across = orientation == Qt.Orientation.Horizontal
        if across and role == Qt.ItemDataRole.DisplayRole:
            return self.heads[section]
        return None


class AnswerTable(QTableView):
    """Shows answers.

    Signals
    -------
    chosen(object)
        The `Place` of the row that was gone to.
    """

    chosen = Signal(object)

    def __init__(self, name: str) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.answers = _Rows()
        self.setModel(self.answers)
        self.places: Sequence[Place | None] = ()
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setAlternatingRowColors(True)
        self.setWordWrap(False)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setMinimumHeight(90)
        rows = self.verticalHeader()
        rows.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        rows.setDefaultSectionSize(self.fontMetrics().height() + 8)
        rows.hide()
        self.selectionModel().currentRowChanged.connect(lambda now, _was: self._go(now.row()))

    def show_answers(
        self,
        heads: tuple[str, ...],
        rows: Sequence[Sequence[str]],
        places: Sequence[Place | None],
        words: int = 1,
    ) -> None:
        """Show rows under headings; the first `words` columns hold words, the others numbers."""
        self.places = places
        self.answers.show(heads, rows, words)
        header = self.horizontalHeader()
        metrics = self.fontMetrics()
        for column, head in enumerate(heads):
            # The first rows tell how wide it must be; asking all of them takes long.
            texts = (head, *(row[column] for row in rows[:50]))
            width = max(metrics.horizontalAdvance(text) for text in texts) + 18
            header.resizeSection(column, min(width, 420))
        header.setStretchLastSection(True)

    @property
    def row(self) -> int:
        """The chosen row, -1 where there is none."""
        return self.currentIndex().row()

    def _go(self, row: int) -> None:
        if 0 <= row < len(self.places) and self.places[row] is not None:
            self.chosen.emit(self.places[row])
