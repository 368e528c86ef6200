"""The roads of a network as a view asks for them: nothing is made of what is out of sight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, QPersistentModelIndex, Qt

from analysis.common.table import Table
from analysis.common.units import unit_of

__all__ = ["COLUMNS", "NetworkRows"]

COLUMNS = ("road", "length_m", "wont_shed_m", "cant_tell_m", "rank", "reason")
_LENGTHS = ("length_m", "wont_shed_m", "cant_tell_m")
_TEXTS = ("road", "reason")

Index = QModelIndex | QPersistentModelIndex
_NOWHERE = QModelIndex()


class NetworkRows(QAbstractTableModel):
    """One row a road; the most urgent first, last those without any urgent reach or not screened.

    Parameters
    ----------
    rows
        Table of roads, as in findings.
    titles
        One for each of `COLUMNS`.
    system
        Units to show lengths in: "metric" or "us".
    """

    def __init__(
        self, rows: Table, titles: Sequence[str], system: str, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._titles = list(titles)
        unit = unit_of("km", system)
        self._shown: dict[str, Any] = {name: rows[name] for name in (*_TEXTS, "rank")}
        for name in _LENGTHS:
            km = 0.001 * unit.factor * np.asarray(rows[name], dtype=float)
            self._shown[name] = np.round(km, unit.decimals)
        self._order = np.argsort(rows["rank"], kind="stable")

    def rowCount(self, parent: Index = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self._order)

    def columnCount(self, parent: Index = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(COLUMNS)

    def value(self, row: int, name: str) -> Any:
        """What stands in a row of the view: a text, or a number that may be NaN."""
        found = self._shown[name][self._order[row]]
        return str(found) if name in _TEXTS else float(found)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        roles, name = Qt.ItemDataRole, COLUMNS[index.column()]
        if role == roles.TextAlignmentRole and name not in _TEXTS:
            return Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        if role not in (roles.DisplayRole, roles.ToolTipRole):
            return None
        value = self.value(index.row(), name)
        if name in _TEXTS:
            return value
        if role == roles.ToolTipRole or not math.isfinite(value):
            return None
        return int(value) if value == int(value) else value

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return self._titles[section]
        return None

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        """Sort by a column, equal ones as they stood; what isn't known comes last either way."""
        if not 0 <= column < len(COLUMNS):
            return
        name = COLUMNS[column]
        values = self._shown[name][self._order]
        down = order == Qt.SortOrder.DescendingOrder
        if name in _TEXTS:
            keys = [str(value).casefold() for value in values]
            places = np.array(sorted(range(len(keys)), key=keys.__getitem__, reverse=down), int)
        else:
            places = np.argsort(-values if down else values, kind="stable")
        self.layoutAboutToBeChanged.emit()
        # Only now: what is chosen asks for its places when it hears that.
        kept = self.persistentIndexList()
        self._order = self._order[places]
        now = np.argsort(places)
        moved = [self.index(int(now[i.row()]), i.column()) for i in kept]
        self.changePersistentIndexList(kept, moved)
        self.layoutChanged.emit()
