"""One dialog for all that is handed on: which findings, in which formats, where to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QGridLayout,
    QGroupBox,
    QLabel,
    QLineEdit,
    QWidget,
)

from analysis.common.errors import VergelineError
from analysis.common.sides import SIDES
from analysis.common.stations import parse_station
from analysis.common.verdicts import Treatment, Verdict
from analysis.findings.reviews import Decision
from analysis.findings.selecting import UNDECIDED, Selection
from gui.look.asking import ask_folder_near, dated_name
from gui.look.fields import CalmCombo, CalmSpin
from gui.look.making import abreast, later, named, stacked, tool_button
from gui.look.remembered import remembered
from gui.look.words import review_text, side_text, treatment_text, verdict_text
from gui.state.model import WindowModel

if TYPE_CHECKING:
    from analysis.findings.handing_out import Outputs

__all__ = ["ExportDialog"]

_WAIT_MS = 200


class ExportDialog(QDialog):
    """Asks what to hand on, and says how much that is before it is written.

    Signals
    -------
    wanted(outputs, selection, paper)
        The person wants it written.
    """

    wanted = Signal(object, object, str)

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = model
        self.setWindowTitle(self.tr("Export"))
        self._due = later(self, self._count, _WAIT_MS)
        store = remembered()
        self.kinds = {
            "geopackage": QCheckBox(self.tr("GeoPackage, an excerpt")),
            "geojson": QCheckBox(self.tr("GeoJSON")),
            "stations_csv": QCheckBox(self.tr("Stations as CSV")),
            "reaches_csv": QCheckBox(self.tr("Reaches as CSV")),
            "gpx": QCheckBox(self.tr("GPX waypoints: ends of reaches")),
            "kml": QCheckBox(self.tr("KML")),
            "pdf": QCheckBox(self.tr("Work sheets as PDF")),
        }
        chosen = str(store.value("export", "geopackage gpx pdf")).split()
        for name, box in self.kinds.items():
            box.setChecked(name in chosen)
            box.toggled.connect(self._on_kinds)
        self.gpx_stations = QCheckBox(self.tr("with flagged stations"))
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.go = self.buttons.addButton(self.tr("&Export"), QDialogButtonBox.ButtonRole.AcceptRole)
        self.buttons.rejected.connect(self.reject)
        self.go.clicked.connect(self._on_go)
        self.words = named(QLabel(wordWrap=True), self.tr("What will be written"))
        above = abreast(None, self._make_filters(), self._make_kinds())
        stacked(self, above, self.words, self.buttons, margins=None, spacing=-1)
        self._on_kinds()
        self._count()

    # -- which --------------------------------------------------------------------------------

    def _make_filters(self) -> QGroupBox:
        made = QGroupBox(self.tr("Which findings"))
        rows = QFormLayout(made)
        every = self.tr("all")
        reviews: list[tuple[str, Any]] = [(self.tr("all that nobody rejected"), None)]
        reviews += [(review_text(state), (str(state),)) for state in Decision]
        reviews.append((self.tr("not reviewed"), (UNDECIDED,)))
        self.review = self._combo(self.tr("Review"), reviews)
        self.treatment = self._combo(
            self.tr("Treatment"),
            [(every, None), *((treatment_text(name), (str(name),)) for name in Treatment)],
        )
        self.verdict = self._combo(
            self.tr("Verdict"),
            [(every, None), *((verdict_text(name), (str(name),)) for name in Verdict)],
        )
        self.side = self._combo(
            self.tr("Side"), [(every, None), *((side_text(name), (name,)) for name in SIDES)]
        )
        roads = [road.name for road in self.model.index]
        self.road = self._combo(
            self.tr("Road"), [(every, None), *((name, (name,)) for name in roads)]
        )
        self.rank = named(CalmSpin(), self.tr("Most urgent"))
        self.rank.setDecimals(0)
        self.rank.setRange(0.0, 1e6)
        self.rank.setSpecialValueText(every)
        self.rank.valueChanged.connect(self._changed)
        ends = [named(QLineEdit(), name) for name in (self.tr("From"), self.tr("To"))]
        for box in ends:
            box.setPlaceholderText("0+000" if self.model.station_style == "km" else "0+00")
            box.textChanged.connect(self._changed)
        self.first, self.last = ends
        self.look_first = QCheckBox(self.tr("Only what must be looked at first"))
        self.marked = QCheckBox(self.tr("With what was rejected, marked"))
        for check in (self.look_first, self.marked):
            check.toggled.connect(self._changed)
        fields: tuple[tuple[str, QWidget], ...] = (
            (self.tr("Review"), self.review),
            (self.tr("Treatment"), self.treatment),
            (self.tr("Verdict"), self.verdict),
            (self.tr("Side"), self.side),
            (self.tr("Road"), self.road),
            (self.tr("Ranks up to"), self.rank),
        )
        for title, field in fields:
            rows.addRow(title, field)
        rows.addRow(self.tr("From, to"), abreast(None, self.first, self.last))
        rows.addRow(self.look_first)
        rows.addRow(self.marked)
        return made

    def _combo(self, name: str, choices: Iterable[tuple[str, Any]]) -> QComboBox:
        box = named(CalmCombo(), name)
        for text, data in choices:
            box.addItem(text, data)
        box.currentIndexChanged.connect(self._changed)
        return box

    def selection(self) -> Selection:
        """What is asked for.

        Raises
        ------
        SettingsError
            If a station can't be read.
        """

        def words(box: QComboBox) -> frozenset[str]:
            return frozenset(box.currentData() or ())

        def station(box: QLineEdit) -> float | None:
            text = box.text().strip()
            return parse_station(text, style=self.model.station_style) if text else None

        return Selection(
            reviews=words(self.review),
            treatments=words(self.treatment),
            verdicts=words(self.verdict),
            sides=words(self.side),
            roads=words(self.road),
            rank_most=int(self.rank.value()) or None,
            from_m=station(self.first),
            to_m=station(self.last),
            look_first=self.look_first.isChecked(),
            with_rejected=self.marked.isChecked(),
        )

    # -- what, where ----------------------------------------------------------------------------

    def _make_kinds(self) -> QGroupBox:
        made = QGroupBox(self.tr("What to write"))
        grid = QGridLayout(made)
        for row, kind in enumerate(self.kinds.values()):
            grid.addWidget(kind, row, 0, 1, 2)
        grid.addWidget(self.gpx_stations, list(self.kinds).index("gpx"), 2)
        self.setMinimumWidth(780)
        roads = self.model.index
        name = dated_name(roads[0].name if roads else "", ending="")
        grid.setColumnStretch(1, 1)
        folder = str(remembered().value("folder", "")) or str(Path.home())
        self.folder = named(QLineEdit(folder), self.tr("Folder"))
        self.name = named(QLineEdit(name), self.tr("Name of the files"))
        self.paper = named(CalmCombo(), self.tr("Paper"))
        self.paper.addItems(["A4", "Letter"])
        self.paper.setCurrentIndex(int(self.model.units == "us"))
        self.traffic_plan = named(QLineEdit(), self.tr("Traffic-control plan"))
        self.traffic_plan.setPlaceholderText(self.tr("its number; no work without it"))
        pick = tool_button(self.tr("Choose…"), self._ask_folder)
        row = len(self.kinds)
        fields: tuple[tuple[str, QWidget, int], ...] = (
            (self.tr("Folder"), self.folder, 1),
            (self.tr("Name"), self.name, 2),
            (self.tr("Paper"), self.paper, 2),
            (self.tr("Traffic-control plan"), self.traffic_plan, 2),
        )
        for title, box, width in fields:
            grid.addWidget(QLabel(title), row, 0)
            grid.addWidget(box, row, 1, 1, width)
            row += 1
        grid.addWidget(pick, len(self.kinds), 2)
        for edit in (self.folder, self.name):
            edit.textChanged.connect(self._on_kinds)
        return made

    def _ask_folder(self) -> None:
        ask_folder_near(self, self.tr("Folder"), self.folder.text(), self.folder.setText)

    def outputs(self) -> Outputs:
        """Where each kind that is wanted goes.

        Raises
        ------
        SettingsError
            If the unit rates can't be read.
        """
        from analysis.findings.handing_out import ENDINGS, Outputs
        from analysis.study.inputs import read_rates

        # Those of the programme.
        rates = str(remembered().value("rates", ""))
        base = Path(self.folder.text() or ".") / self.name.text().strip()
        more = {"stations_csv": " stations", "reaches_csv": " reaches", "geopackage": " excerpt"}
        paths = {
            name: f"{base}{more.get(name, '')}{ENDINGS[name]}"
            for name, box in self.kinds.items()
            if box.isChecked()
        }
        return replace(
            Outputs.at(paths),
            gpx_stations=self.gpx_stations.isChecked(),
            traffic_plan=self.traffic_plan.text().strip(),
            rates=read_rates(rates) if rates else None,
            writing=self.model.writing,
        )

    # -- saying and doing -------------------------------------------------------------------------

    def _on_kinds(self, *_: object) -> None:
        self.gpx_stations.setEnabled(self.kinds["gpx"].isChecked())
        for widget in (self.paper, self.traffic_plan):
            widget.setEnabled(self.kinds["pdf"].isChecked())
        some = any(box.isChecked() for box in self.kinds.values())
        named_all = bool(self.name.text().strip() and self.folder.text().strip())
        self.go.setEnabled(some and named_all)

    def _changed(self, *_: object) -> None:
        self._due.start()

    def _count(self) -> None:
        """Say how much fits; looked up beside the window."""
        from analysis.findings.selecting import kept

        found = self.model.reviewed_findings()
        if found is None:
            return
        try:
            asked = self.selection()
        except VergelineError as error:
            self.words.setText(str(error))
            return

        def count(_progress: object) -> tuple[int, int, int]:
            rows = kept(found, asked)
            states = rows.standing.reach_states()
            left_out = int(((states == Decision.REJECTED) & ~rows.reaches).sum())
            return int(rows.reaches.sum()), int(rows.stations.sum()), left_out

        self.model.runner.submit("count export", count, self._show_count, self._failed)

    def _show_count(self, counts: tuple[int, int, int]) -> None:
        text = self.tr("Reaches: {reaches}; stations and sides: {stations}.").format(
            reaches=counts[0], stations=counts[1]
        )
        if counts[2]:
            text += " " + self.tr("Rejected and left out: {n}.").format(n=counts[2])
        self.words.setText(text)

    def _failed(self, error: VergelineError) -> None:
        self.words.setText(str(error))

    def _on_go(self) -> None:
        try:
            asked, outputs = self.selection(), self.outputs()
        except VergelineError as error:
            self.words.setText(str(error))
            return
        store = remembered()
        store.set_value("export", " ".join(n for n, box in self.kinds.items() if box.isChecked()))
        store.set_value("folder", self.folder.text())
        self.wanted.emit(outputs, asked, self.paper.currentText())
        self.accept()
