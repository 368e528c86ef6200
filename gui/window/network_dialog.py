"""The roads of a network's findings: how each is, and which one to open."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QDialog,
    QDialogButtonBox,
    QHeaderView,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from analysis.common.table import Table
from analysis.common.units import unit_of
from gui.look.making import named, stacked

__all__ = ["MOST_STATIONS", "NetworkDialog", "is_network"]

MOST_STATIONS = 6000
"""With more stations than this the roads of a file are opened one at a time."""


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
        # the most urgent first; last those without any urgent reach, or not screened
        self._rows = rows.where(np.argsort(rows["rank"], kind="stable"))
        self._system = system
        unit = unit_of("km", system).text
        titles = (
            self.tr("Road"),
            self.tr("Length, {unit}").format(unit=unit),
            self.tr("Won't shed, {unit}").format(unit=unit),
            self.tr("Can't tell, {unit}").format(unit=unit),
            self.tr("Most urgent reach"),
            self.tr("Why not screened"),
        )
        self.table = named(QTableWidget(len(rows), len(titles)), self.tr("Roads"))
        self.table.setHorizontalHeaderLabels(titles)
        self.table.verticalHeader().hide()
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self._fill()
        head = self.table.horizontalHeader()
        head.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)  # as they stand, until asked
        self.table.setSortingEnabled(True)
        self.table.resizeColumnsToContents()
        self.table.setColumnWidth(5, 160)
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
        self.table.itemSelectionChanged.connect(self._tell)
        self.table.itemDoubleClicked.connect(lambda _item: self._choose())
        stacked(self, self.note, (self.table, 1), buttons, margins=(16, 14, 16, 12), spacing=10)
        self.resize(820, 480)
        self.table.selectRow(0)
        self._tell()

    def _fill(self) -> None:
        unit = unit_of("km", self._system)
        for row in range(len(self._rows)):
            held = self._rows.row(row)
            cells: list[str | float] = [held["road"]]
            cells += [
                round(0.001 * unit.factor * float(held[name]), unit.decimals)
                for name in ("length_m", "wont_shed_m", "cant_tell_m")
            ]
            cells += [float(held["rank"]), held["reason"]]
            for place, value in enumerate(cells):
                self.table.setItem(row, place, _item(value))

    def road(self) -> str:
        """Name of the chosen road; empty where none is, or it wasn't screened."""
        row = self.table.currentRow()
        item, why = self.table.item(row, 0), self.table.item(row, 5)
        return "" if item is None or why is None or why.text() else item.text()

    def _tell(self) -> None:
        self.open_button.setEnabled(bool(self.road()))

    def _choose(self) -> None:
        road = self.road()
        if road:
            self.accept()
            self.chosen.emit(road)


def _item(value: str | float) -> QTableWidgetItem:
    """Cell that sorts as what it is."""
    item = QTableWidgetItem()
    if isinstance(value, str):
        item.setText(value)
        item.setToolTip(value)
    elif math.isfinite(value):
        item.setData(Qt.ItemDataRole.DisplayRole, int(value) if value == int(value) else value)
        item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
    return item
