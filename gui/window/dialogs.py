"""Dialogs: how they are opened, and the small ones of our own.

How a road is read, the light on the terrain, the shortcut sheet, cautions.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from PySide6.QtCore import QObject, Qt, QUrl, Signal
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDial,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFormLayout,
    QLabel,
    QLineEdit,
    QMessageBox,
    QSlider,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from analysis.common.errors import VergelineError
from gui.look.asking import ask_file, ask_folder, ask_name, open_soon
from gui.look.icons import app_icon
from gui.look.making import abreast, named, stacked
from gui.look.remembered import remembered
from gui.map.tiles import Light
from gui.state.jobs import RoadSource
from gui.window.places import log_path

__all__ = [
    "CautionsDialog",
    "Dialogs",
    "LightPanel",
    "RoadDialog",
    "ShortcutSheet",
    "remembered_light",
]

log = logging.getLogger("vergeline")


class Dialogs(QObject):
    """Opens the dialogs of one window; none stops the event loop, so that jobs go on.

    `shown` is the last one.
    """

    def __init__(self, window: QWidget) -> None:
        super().__init__(window)
        self.window = window
        self.shown: QDialog | None = None

    def show(self, dialog: QDialog) -> None:
        """Show a dialog, which goes when it is closed."""
        self.shown = dialog
        open_soon(dialog)

    def box(self, title: str, text: str, icon: QMessageBox.Icon) -> QMessageBox:
        """Return a message box that is still to be shown."""
        made = QMessageBox(self.window)
        made.setIcon(icon)
        made.setWindowTitle(title)
        made.setText(text)
        return made

    def tell(self, title: str, sentence: str | VergelineError) -> None:
        """Say in one sentence what can't be done; nothing is lost by it."""
        log.warning("%s: %s", title, sentence)
        box = self.box(title or "Vergeline", str(sentence), QMessageBox.Icon.Warning)
        box.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.show(box)

    def ask_file(self, title: str, filters: str, slot: Callable[[str], Any]) -> None:
        """Ask for a file that is there."""
        self.shown = ask_file(self.window, title, filters, slot)

    def ask_folder(self, title: str, slot: Callable[[str], Any]) -> None:
        """Ask for a folder that is there."""
        self.shown = ask_folder(self.window, title, slot)

    def ask_name(self, title: str, name: str, filters: str, slot: Callable[[str], Any]) -> None:
        """Ask for the name of a file to write; `name` ends as all of them do."""
        self.shown = ask_name(self.window, title, name, filters, slot)

    def show_cautions(self) -> None:
        """Show the cautions."""
        from gui.look.words import cautions

        self.show(CautionsDialog(cautions(), self.window))

    def show_log(self) -> None:
        """Open the log file with the system's viewer."""
        if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(log_path()))):
            self.tell(self.tr("Log file"), str(log_path()))

    def show_about(self) -> None:
        """Say what this is."""
        from importlib.metadata import PackageNotFoundError, version

        try:
            number = version("vergeline")
        except PackageNotFoundError:
            number = "?"
        box = self.box(self.tr("About Vergeline"), f"Vergeline {number}", QMessageBox.Icon.NoIcon)
        box.setIconPixmap(app_icon().pixmap(64, 64))
        box.setInformativeText(
            self.tr(
                "Finds where earth and gravel road shoulders no longer shed water, from a terrain "
                "grid and a road centreline. It advises; local codes and the judgement of a "
                "licensed engineer rule."
            )
        )
        self.show(box)


def _buttons(dialog: QDialog, which: QDialogButtonBox.StandardButton) -> QDialogButtonBox:
    made = QDialogButtonBox(which)
    made.accepted.connect(dialog.accept)
    made.rejected.connect(dialog.reject)
    return made


class RoadDialog(QDialog):
    """How a centreline is read: layer, station of its start, direction, what tells its use."""

    chosen = Signal(object)

    def __init__(
        self, source: RoadSource, line_layers: Sequence[str], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(self.tr("How to read the road"))
        self._source = source
        form = QFormLayout(self)
        form.setContentsMargins(16, 14, 16, 12)
        form.setSpacing(8)
        path = named(QLineEdit(source.path, readOnly=True), self.tr("File"))
        path.setMinimumWidth(360)
        form.addRow(self.tr("File"), path)
        self.layer = named(QComboBox(), self.tr("Layer"))
        self.layer.addItems(list(line_layers))
        if source.layer:
            self.layer.setCurrentText(source.layer)
        self.layer.setEnabled(len(line_layers) > 1)
        form.addRow(self.tr("&Layer"), self.layer)
        self.start = named(
            QDoubleSpinBox(decimals=2, minimum=-1e7, maximum=1e7, suffix=" m"),
            self.tr("Station of the start"),
            self.tr("Label of the first vertex, where the file brings no stations of its own"),
        )
        self.start.setValue(source.start_m)
        form.addRow(self.tr("&Station of the start"), self.start)
        self.reverse = QCheckBox(self.tr("Run against the direction it was drawn in"))
        self.reverse.setChecked(source.reverse)
        form.addRow("", self.reverse)
        self.used = {
            name: named(QLineEdit(getattr(source, name) or ""), title, tip)
            for name, title, tip in (
                ("traffic_field", self.tr("Field with vehicles per day"), ""),
                ("speed_field", self.tr("Field with the speed"), self.tr("km/h; mph if so named")),
                ("curve_field", self.tr("Field that tells curves"), self.tr("yes or no")),
            )
        }
        for line in self.used.values():
            form.addRow(line.accessibleName(), line)
        standard = QDialogButtonBox.StandardButton
        form.addRow(_buttons(self, standard.Ok | standard.Cancel))
        self.accepted.connect(lambda: self.chosen.emit(self.source()))

    def source(self) -> RoadSource:
        """Return what was set."""
        layer = self.layer.currentText() or self._source.layer
        return replace(
            self._source,
            layer=layer or None,
            start_m=self.start.value(),
            reverse=self.reverse.isChecked(),
            traffic_field=self._field("traffic_field"),
            speed_field=self._field("speed_field"),
            curve_field=self._field("curve_field"),
        )

    def _field(self, name: str) -> str | None:
        return self.used[name].text().strip() or None


class LightPanel(QWidget):
    """Where the light comes from, and whether elevation is tinted; small enough for a menu."""

    changed = Signal(object)

    def __init__(self, light: Light, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._light = light
        self.setAccessibleName(self.tr("Light on the terrain"))
        form = QFormLayout(self)
        form.setContentsMargins(14, 12, 14, 12)
        self.azimuth = named(
            QDial(wrapping=True, notchesVisible=True), self.tr("Direction the light comes from")
        )
        self.azimuth.setRange(0, 359)
        self.azimuth.setSingleStep(15)
        self.azimuth.setFixedSize(64, 64)
        # A dial begins at the bottom; a compass begins at the top.
        self.azimuth.setValue((round(light.azimuth_deg) + 180) % 360)
        self.altitude, self.steepness = (QSlider(Qt.Orientation.Horizontal) for _ in range(2))
        named(self.altitude, self.tr("Height of the light above the horizon"))
        self.altitude.setRange(5, 90)
        self.altitude.setValue(round(light.altitude_deg))
        self.altitude.setMinimumWidth(150)
        named(self.steepness, self.tr("Vertical exaggeration of the shading"))
        self.steepness.setRange(2, 80)
        self.steepness.setValue(round(light.exaggeration * 4))
        self.azimuth_text, self.altitude_text, self.steepness_text = (QLabel() for _ in range(3))
        form.addRow(self.tr("Light from"), abreast(None, self.azimuth, (self.azimuth_text, 1)))
        for title, slider, text in (
            (self.tr("Height"), self.altitude, self.altitude_text),
            (self.tr("Exaggeration"), self.steepness, self.steepness_text),
        ):
            text.setMinimumWidth(44)
            form.addRow(title, abreast(None, (slider, 1), text))
        self.tint = QCheckBox(self.tr("Tint by elevation"))
        self.tint.setChecked(light.tint)
        form.addRow("", self.tint)
        for signal in (
            self.azimuth.valueChanged,
            self.altitude.valueChanged,
            self.steepness.valueChanged,
            self.tint.toggled,
        ):
            signal.connect(self._tell)
        self._write()

    def _write(self) -> None:
        self.azimuth_text.setText(f"{self._azimuth()}°")
        self.altitude_text.setText(f"{self.altitude.value()}°")
        self.steepness_text.setText(f"× {self.steepness.value() / 4:.3g}")

    def _azimuth(self) -> int:
        return (self.azimuth.value() + 180) % 360

    def _tell(self) -> None:
        self._write()
        self._light = replace(
            self._light,
            azimuth_deg=float(self._azimuth()),
            altitude_deg=float(self.altitude.value()),
            exaggeration=self.steepness.value() / 4.0,
            tint=self.tint.isChecked(),
        )
        store = remembered()
        store.set_value("light/azimuth", self._light.azimuth_deg)
        store.set_value("light/altitude", self._light.altitude_deg)
        store.set_value("light/exaggeration", self._light.exaggeration)
        store.set_value("light/tint", "true" if self._light.tint else "false")
        self.changed.emit(self._light)


def remembered_light() -> Light:
    """Return the light as it was last set."""
    store, usual = remembered(), Light()

    def number(name: str, default: float, low: float, high: float) -> float:
        try:
            value = float(str(store.value(name, default)))
        except (TypeError, ValueError):
            return default
        return value if low <= value <= high else default

    return Light(
        number("light/azimuth", usual.azimuth_deg, 0.0, 360.0),
        number("light/altitude", usual.altitude_deg, 5.0, 90.0),
        number("light/exaggeration", usual.exaggeration, 0.5, 20.0),
        store.value("light/tint", "true") == "true",
    )


class ShortcutSheet(QDialog):
    """Every action that has keys: rows of where, what and keys."""

    def __init__(self, rows: Sequence[tuple[str, str, str]], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(self.tr("Keyboard shortcuts"))
        table = named(QTableWidget(len(rows), 3), self.tr("Keyboard shortcuts"))
        table.setHorizontalHeaderLabels([self.tr("Where"), self.tr("What"), self.tr("Keys")])
        table.verticalHeader().hide()
        table.setEditTriggers(table.EditTrigger.NoEditTriggers)
        table.setSelectionBehavior(table.SelectionBehavior.SelectRows)
        table.setAlternatingRowColors(True)
        table.setShowGrid(False)
        for number, texts in enumerate(rows):
            for place, text in enumerate(texts):
                table.setItem(number, place, QTableWidgetItem(text))
        table.resizeColumnsToContents()
        wide = sum(table.columnWidth(place) for place in range(3))
        self.resize(max(520, wide + 70), 620)
        table.horizontalHeader().setStretchLastSection(True)
        buttons = _buttons(self, QDialogButtonBox.StandardButton.Close)
        stacked(self, table, buttons, margins=None, spacing=-1)


class CautionsDialog(QDialog):
    """What must be right before anyone works on a shoulder."""

    def __init__(self, sentences: Sequence[str], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(self.tr("Cautions"))
        self.setMinimumWidth(480)
        lines = [
            abreast(
                None,
                QLabel("▲", alignment=Qt.AlignmentFlag.AlignTop),
                (QLabel(sentence, wordWrap=True), 1),
            )
            for sentence in sentences
        ]
        buttons = _buttons(self, QDialogButtonBox.StandardButton.Close)
        stacked(self, *lines, buttons, margins=(18, 16, 18, 12), spacing=10)
