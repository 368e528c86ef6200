"""The reaches of a programme in the order of work, as rows of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, QPersistentModelIndex, Qt
from PySide6.QtGui import QFontMetrics

from gui.look.words import finding_text, side_text, treatment_text

if TYPE_CHECKING:
    from analysis.common.writing import Writing
    from analysis.findings.planning import Planned

__all__ = ["OrderRows"]

Index = QModelIndex | QPersistentModelIndex
_WORDS = 8
_MEASURED, _PAD = 30, 18


class OrderRows(QAbstractTableModel):
    """Rows of a programme; row by row made when it is looked at."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._heads: tuple[str, ...] = ()
        self._rows: list[tuple[str, ...]] = []
        self._reaches: list[int] = []

    def show(self, planned: Planned, writing: Writing) -> None:
        """Show another programme."""
        days: dict[int, str] = {}
        for day in planned.programme.days:
            for part in day.parts:
                days.setdefault(part.stretch.number, day.day.isoformat())
        self.beginResetModel()
        self._heads = self._make_heads(writing)
        self._rows = [
            (
                str(item.order),
                str(item.stretch),
                days.get(item.stretch, ""),
                str(item.reach.rank or "–"),
                item.reach.road,
                side_text(item.reach.side),
                writing.span(item.start_m, item.end_m),
                f"{finding_text(item.reach.finding)} → {treatment_text(item.reach.treatment)}",
                writing.bare(item.import_t, "t"),
                f"{item.import_loads:.1f}",
                f"{item.away_loads:.1f}",
                f"{item.crew_h:.1f}",
            )
            for item in planned.programme.plan.items
        ]
        self._reaches = [item.reach.row for item in planned.programme.plan.items]
        self.endResetModel()

    def _make_heads(self, writing: Writing) -> tuple[str, ...]:
        return (
            self.tr("No."),
            self.tr("Stretch"),
            self.tr("Day"),
            self.tr("Rank"),
            self.tr("Road"),
            self.tr("Side"),
            self.tr("From, to"),
            self.tr("Work"),
            self.tr("Import {unit}").format(unit=writing.unit("t").text),
            self.tr("Loads in"),
            self.tr("Loads away"),
            self.tr("Crew h"),
        )

    def widths(self, metrics: QFontMetrics) -> list[int]:
        """Widths of the columns that hold their heads and the first rows."""
        rows = [self._heads, *self._rows[:_MEASURED]]
        return [
            max(metrics.horizontalAdvance(row[k]) for row in rows) + _PAD
            for k in range(len(self._heads))
        ]

    def reach(self, row: int) -> int:
        """Row of the reach table that a row here is about; -1 for none."""
        return self._reaches[row] if 0 <= row < len(self._reaches) else -1

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008 - as Qt has it
        return 0 if parent.isValid() else len(self._rows)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008 - as Qt has it
        return 0 if parent.isValid() else len(self._heads)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role == Qt.ItemDataRole.DisplayRole:
            return self._rows[index.row()][index.column()]
        if role == Qt.ItemDataRole.TextAlignmentRole and index.column() >= _WORDS:
            return int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        return None

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if role == Qt.ItemDataRole.DisplayRole and orientation == Qt.Orientation.Horizontal:
            return self._heads[section] if section < len(self._heads) else None
        return None
