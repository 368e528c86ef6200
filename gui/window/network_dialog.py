"""The roads of a network's findings: how each is, and which one to open."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QDialog,
    QDialogButtonBox,
    QHeaderView,
    QLabel,
    QTableView,
    QWidget,
)

from analysis.common.table import Table
from analysis.common.units import unit_of
from gui.look.making import named, stacked
from gui.window.network_rows import COLUMNS, NetworkRows

__all__ = ["MOST_STATIONS", "NetworkDialog", "is_network"]

MOST_STATIONS = 6000
"""With more stations than this the roads of a file are opened one at a time."""


_LOOK_AT_ROWS = 60


def is_network(rows: Table) -> bool:
    """Whether findings are of so many roads that they are opened one at a time."""
    return len(rows) > 1 and bool(np.nansum(rows["stations"]) > MOST_STATIONS)


class NetworkDialog(QDialog):
    """Lists the roads of a network, the most urgent first, and opens the one that is chosen.

    Signals
    -------
    chosen(str)
        Name of the road to open.
    """

    chosen = Signal(str)

    def __init__(
        self, name: str, rows: Table, parent: QWidget | None = None, system: str = "metric"
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(self.tr("Roads of {name}").format(name=name))
        unit = unit_of("km", system).text
        titles = (
            self.tr("Road"),
            self.tr("Length, {unit}").format(unit=unit),
            self.tr("Won't shed, {unit}").format(unit=unit),
            self.tr("Can't tell, {unit}").format(unit=unit),
            self.tr("Most urgent reach"),
            self.tr("Why not screened"),
        )
        self.rows = NetworkRows(rows, titles, system, self)
        self.table = named(QTableView(), self.tr("Roads"))
        self.table.setModel(self.rows)
        self.table.verticalHeader().hide()
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        head = self.table.horizontalHeader()
        head.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)  # as they stand, until asked
        self.table.setSortingEnabled(True)
        head.setHighlightSections(False)
        # Of thousands of roads the first tell well enough how wide a column is.
        head.setResizeContentsPrecision(_LOOK_AT_ROWS)
        self.table.resizeColumnsToContents()
        self.table.setColumnWidth(COLUMNS.index("reason"), 160)
        head.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.note = QLabel(
            self.tr(
                "{count} roads are too many to be shown at once: choose one. Saved, it gets a file "
                "of its own; this one stays as it is."
            ).format(count=len(rows))
        )
        self.note.setWordWrap(True)
        standard = QDialogButtonBox.StandardButton
        buttons = QDialogButtonBox(standard.Open | standard.Cancel)
        self.open_button = buttons.button(standard.Open)
        self.open_button.setText(self.tr("Open the road"))
        buttons.accepted.connect(self._choose)
        buttons.rejected.connect(self.reject)
        self.table.selectionModel().selectionChanged.connect(lambda *_: self._tell())
        self.table.doubleClicked.connect(lambda _index: self._choose())
        stacked(self, self.note, (self.table, 1), buttons, margins=(16, 14, 16, 12), spacing=10)
        self.resize(820, 480)
        self.table.selectRow(0)
        self._tell()

    def road(self) -> str:
        """Name of the chosen road; empty where none is, or it wasn't screened."""
        chosen = self.table.selectionModel().selectedRows()
        if not chosen or self.rows.value(chosen[0].row(), "reason"):
            return ""
        return str(self.rows.value(chosen[0].row(), "road"))

    def _tell(self) -> None:
        self.open_button.setEnabled(bool(self.road()))

    def _choose(self) -> None:
        road = self.road()
        if road:
            self.accept()
            self.chosen.emit(road)
