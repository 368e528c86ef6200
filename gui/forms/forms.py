"""Inputs as a form: what goes into a screening, and what the grid can tell with it.

Inputs take effect with the next screening; what the grid will be able to tell shows beforehand.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QSize, Qt
from PySide6.QtWidgets import (
    QCheckBox,
    QFormLayout,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from analysis.common.errors import VergelineError
from analysis.common.limits import SURFACES
from gui.forms.limits_form import LimitsForm
from gui.forms.power_panel import PowerPanel
from gui.look import theme
from gui.look.fields import CalmCombo, QuantityBox, scrolled, surface_text
from gui.look.units import value_text

if TYPE_CHECKING:
    from gui.state.model import WindowModel

__all__ = ["InputsForm", "LimitsForm"]


class InputsForm(QWidget):
    """What goes into a screening, and what the grid can tell with it."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("InputsForm")
        self.setAccessibleName(self.tr("Inputs"))
        self.model = model
        self._filling = False
        self._build()
        model.inputs_changed.connect(self._show)
        model.settings_changed.connect(self._show)
        model.study_changed.connect(self._show)
        model.units_changed.connect(self._show)
        model.stale_changed.connect(lambda _stale: self._show_state())
        model.runner.busy_changed.connect(lambda _busy: self._show_state())
        theme.watcher().changed.connect(self._show_files)
        self._show()

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(8, 6, 8, 8)
        column.setSpacing(8)

        files = QGroupBox(self.tr("Terrain and road"))
        form = self._form(files)
        self.terrain_line, terrain_row, _ = self._file_row(self.tr("Terrain grid"), "terrain")
        form.addRow(self.tr("Terrain grid"), terrain_row)
        self.terrain_note = QLabel()
        self.terrain_note.setWordWrap(True)
        self.terrain_note.setAccessibleName(self.tr("About the grid"))
        form.addRow("", self.terrain_note)
        self.unit_box = CalmCombo()
        self.unit_box.setAccessibleName(self.tr("Unit of the heights"))
        self.unit_box.setToolTip(
            self.tr("Set it where the file doesn't say, or says it wrongly; slopes depend on it.")
        )
        for text, unit in (
            (self.tr("as the file says"), None),
            (self.tr("metres"), "metre"),
            (self.tr("international feet"), "foot"),
            (self.tr("US survey feet"), "us-foot"),
        ):
            self.unit_box.addItem(text, unit)
        self.unit_box.activated.connect(self._on_unit)
        form.addRow(self.tr("Heights in"), self.unit_box)
        self.road_line, road_row, _ = self._file_row(self.tr("Road centreline"), "road")
        form.addRow(self.tr("Road centreline"), road_row)
        self.road_note = QLabel()
        self.road_note.setWordWrap(True)
        self.road_note.setAccessibleName(self.tr("About the road"))
        form.addRow("", self.road_note)
        column.addWidget(files)

        added = QGroupBox(self.tr("Added to the road"))
        form = self._form(added)
        self.extras: dict[str, tuple[QLineEdit, QToolButton, QWidget]] = {}
        for kind, title, tip in (
            (
                "mask",
                self.tr("Not shoulder (areas)"),
                self.tr("Driveways, side roads, bridges, barriers: left out of the measuring."),
            ),
            (
                "edges",
                self.tr("Pavement edge lines"),
                self.tr("Where they run they are taken as the edge; nothing is searched."),
            ),
            (
                "widths",
                self.tr("Widths by station (CSV)"),
                self.tr("Pavement and shoulder widths by road and stretch; taken as they are."),
            ),
            (
                "culverts",
                self.tr("Culverts (points)"),
                self.tr("Places where the ditch is drained under the road."),
            ),
        ):
            line, holder, row = self._file_row(title, kind)
            line.setToolTip(tip)
            clear = QToolButton()
            clear.setText("✕")
            clear.setAccessibleName(self.tr("Take out: {title}").format(title=title))
            clear.setToolTip(self.tr("Take it out again."))
            clear.clicked.connect(lambda _c=False, k=kind: self.model.set_extra(k, None))
            row.addWidget(clear)
            self.extras[kind] = (line, clear, holder)
            label = QLabel(title)
            label.setToolTip(tip)
            form.addRow(label, holder)
        column.addWidget(added)

        widths = QGroupBox(self.tr("Road as built"))
        form = self._form(widths)
        self.pavement = QuantityBox("m", 2.0, 60.0, decimals=2, step=0.1)
        self._row(
            form,
            self.tr("Pavement width"),
            self.pavement,
            self.tr("Edge to edge. The search starts here; where no edge shows, this is used."),
        )
        self.shoulder = QuantityBox("m", 0.2, 10.0, decimals=2, step=0.1)
        self._row(
            form,
            self.tr("Shoulder width"),
            self.shoulder,
            self.tr("From the pavement edge to the hinge. The search for the hinge starts here."),
        )
        self.surface_box = CalmCombo()
        for surface in SURFACES:
            self.surface_box.addItem(surface_text(surface), surface)
        self._row(
            form,
            self.tr("Surface"),
            self.surface_box,
            self.tr("What the shoulder is made of; the limits follow it."),
        )
        self.paved = QCheckBox(self.tr("The road is paved"))
        self.paved.setToolTip(
            self.tr(
                "A gravel or earth road's shoulder need only be as steep as the road itself "
                "(Gravel Roads Construction & Maintenance Guide, from memory)."
            )
        )
        form.addRow("", self.paved)
        self.find_edges = QCheckBox(self.tr("Find edges and hinges in the terrain"))
        self.find_edges.setToolTip(
            self.tr("Off: measure at the given widths from the centreline, without searching.")
        )
        form.addRow("", self.find_edges)
        self.search = QuantityBox("m", 0.0, 15.0, decimals=1, step=0.5)
        self._row(
            form,
            self.tr("Line may lie off by"),
            self.search,
            self.tr("How far the drawn centreline may lie beside the real one."),
        )
        column.addWidget(widths)

        measuring = QGroupBox(self.tr("Measuring"))
        form = self._form(measuring)
        self.spacing = QuantityBox("m", 0.5, 1000.0, decimals=1, step=1.0)
        self._row(
            form,
            self.tr("Station spacing"),
            self.spacing,
            self.tr("Distance between stations along the road."),
        )
        self.average = QuantityBox("m", 1.0, 1000.0, decimals=0, step=5.0)
        self.average_auto = QCheckBox(self.tr("least that can tell"))
        self.average_auto.setToolTip(
            self.tr("Take the least length that tells a good slope from a failing one.")
        )
        self._row(
            form,
            self.tr("Average over"),
            self._beside(self.average, self.average_auto),
            self.tr(
                "Length of road behind each measurement: longer is surer, but blurs short faults."
            ),
            buddy=self.average,
        )
        self.noise = QuantityBox("mm", 0.5, 1000.0, decimals=0, step=1.0)
        self.noise_auto = QCheckBox(self.tr("estimate from the pavement"))
        self.noise_auto.setToolTip(
            self.tr("Take the scatter of the cells about the fitted pavement.")
        )
        self._row(
            form,
            self.tr("Noise of heights"),
            self._beside(self.noise, self.noise_auto),
            self.tr(
                "Standard deviation of single cells relative to their neighbours (repeatability), "
                "not the absolute accuracy of the survey."
            ),
            buddy=self.noise,
        )
        self.half_width = QuantityBox("m", 3.0, 100.0, decimals=0, step=1.0)
        self._row(
            form,
            self.tr("Read to each side"),
            self.half_width,
            self.tr("How far the terrain is read; far enough to hold both ditches."),
        )
        column.addWidget(measuring)

        self.power = PowerPanel(self.model)
        column.addWidget(self.power)

        showing = QGroupBox(self.tr("Showing numbers"))
        form = self._form(showing)
        self.system_box = CalmCombo()
        self.system_box.addItem(self.tr("metric"), "metric")
        self.system_box.addItem(self.tr("US (feet, inches, cubic yards)"), "us")
        self.system_box.activated.connect(
            lambda _i: self.model.set_units(self.system_box.currentData())
        )
        self._row(
            form,
            self.tr("Units"),
            self.system_box,
            self.tr("Only what is shown and printed; files keep metric columns."),
        )
        self.style_box = CalmCombo()
        self.style_box.addItem(self.tr("2+340 (kilometres and metres)"), "km")
        self.style_box.addItem(self.tr("23+40 (hundreds of feet)"), "feet-hundreds")
        self.style_box.activated.connect(
            lambda _i: self.model.set_station_style(self.style_box.currentData())
        )
        self._row(form, self.tr("Stations"), self.style_box, self.tr("How stations are written."))
        column.addWidget(showing)

        self.state = QLabel()
        self.state.setWordWrap(True)
        self.state.setAccessibleName(self.tr("State of the inputs"))
        self.screen_button = QPushButton(self.tr("Screen"))
        self.screen_button.setToolTip(self.tr("Measure and judge the road with these inputs."))
        self.screen_button.setDefault(True)
        self.screen_button.clicked.connect(lambda: self.model.screen())
        foot = QHBoxLayout()
        foot.setContentsMargins(8, 4, 8, 6)
        foot.addWidget(self.state, 1)
        foot.addWidget(self.screen_button)

        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addWidget(scrolled(inside), 1)
        whole.addLayout(foot)

        self._quantities = (
            (self.pavement, "pavement_width_m", 1.0),
            (self.shoulder, "shoulder_width_m", 1.0),
            (self.search, "search_m", 1.0),
            (self.spacing, "spacing_m", 1.0),
            (self.half_width, "half_width_m", 1.0),
        )
        for box, name, _factor in self._quantities:
            box.stored_changed.connect(lambda value, n=name: self._set(**{n: value}))
        self.average.stored_changed.connect(lambda value: self._set(average_m=value))
        self.noise.stored_changed.connect(lambda value: self._set(noise_m=value / 1000.0))
        self.average_auto.toggled.connect(
            lambda on: self._set(average_m="auto" if on else self.average.stored)
        )
        self.noise_auto.toggled.connect(
            lambda on: self._set(noise_m=None if on else self.noise.stored / 1000.0)
        )
        self.paved.toggled.connect(lambda on: self._set(paved=on))
        self.find_edges.toggled.connect(lambda on: self._set(find_edges=on))
        self.surface_box.activated.connect(
            lambda _i: self._set_surface(self.surface_box.currentData())
        )

    def _form(self, group: QGroupBox) -> QFormLayout:
        form = QFormLayout(group)
        form.setContentsMargins(8, 6, 8, 8)
        form.setVerticalSpacing(4)
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        form.setLabelAlignment(Qt.AlignmentFlag.AlignLeft)
        return form

    def _row(
        self,
        form: QFormLayout,
        title: str,
        field: QWidget,
        tip: str,
        *,
        buddy: QWidget | None = None,
    ) -> None:
        label = QLabel(title)
        target = buddy if buddy is not None else field
        label.setBuddy(target)
        for part in (label, target):
            part.setToolTip(tip)
        target.setAccessibleName(title)
        target.setAccessibleDescription(tip)
        form.addRow(label, field)

    def _beside(self, *parts: QWidget) -> QWidget:
        holder = QWidget()
        row = QHBoxLayout(holder)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(6)
        for part in parts:
            row.addWidget(part)
        row.addStretch(1)
        return holder

    def _file_row(self, title: str, what: str) -> tuple[QLineEdit, QWidget, QHBoxLayout]:
        """Line with a file name and a button that asks the window for another."""
        line = QLineEdit()
        line.setReadOnly(True)
        line.setAccessibleName(title)
        line.setPlaceholderText(self.tr("none yet"))
        button = QToolButton()
        button.setText(self.tr("Open…"))
        button.setAccessibleName(self.tr("Open: {title}").format(title=title))
        button.clicked.connect(lambda _checked=False: self.model.asked.emit(what))
        holder = QWidget()
        row = QHBoxLayout(holder)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(4)
        row.addWidget(line, 1)
        row.addWidget(button)
        return line, holder, row

    def sizeHint(self) -> QSize:
        return QSize(430, 640)

    # -- showing ---------------------------------------------------------------------------------

    def _show(self) -> None:
        settings, system = self.model.settings, self.model.units
        self._filling = True
        try:
            for box, name, factor in self._quantities:
                box.set_system(system)
                box.set_stored(factor * float(getattr(settings, name)))
            auto = settings.average_m == "auto"
            self.average.set_system(system)
            self.average_auto.setChecked(auto)
            self.average.setEnabled(not auto)
            if not auto:
                self.average.set_stored(float(settings.average_m))
            given = settings.noise_m is not None
            self.noise.set_system(system)
            self.noise_auto.setChecked(not given)
            self.noise.setEnabled(given)
            if settings.noise_m is not None:
                self.noise.set_stored(1000.0 * settings.noise_m)
            else:
                self.noise.set_stored(1000.0 * self.power.sigma_m()[0])
            self.paved.setChecked(settings.paved)
            self.find_edges.setChecked(settings.find_edges)
            self.search.setEnabled(settings.find_edges)
            self.surface_box.setCurrentIndex(self.surface_box.findData(settings.surface))
            self.system_box.setCurrentIndex(self.system_box.findData(system))
            self.style_box.setCurrentIndex(self.style_box.findData(self.model.station_style))
        finally:
            self._filling = False
        self._show_files()
        self._show_state()
        self.power.refresh()

    def _show_files(self) -> None:
        terrain, system = self.model.terrain, self.model.units
        if terrain is None:
            self.terrain_line.clear()
            self.terrain_note.setText("")
        else:
            self.terrain_line.setText(Path(terrain.path).name)
            self.terrain_line.setToolTip(terrain.path)
            text = self.tr("{cols} × {rows} cells of {cell}; heights: {source}").format(
                cols=terrain.cols,
                rows=terrain.rows,
                cell=value_text(terrain.cell_m, "m", system, decimals=2),
                source=terrain.z_unit_source,
            )
            if not terrain.z_unit_sure:
                text += " " + self.tr("Check that: a wrong unit makes every slope wrong.")
            self.terrain_note.setText(text)
            colour = theme.color("muted" if terrain.z_unit_sure else "warn").name()
            self.terrain_note.setStyleSheet(f"color: {colour}")
        self.unit_box.setEnabled(terrain is not None)
        opened = self.model.terrain_source
        given = opened.vertical_unit if opened is not None else None
        self.unit_box.setCurrentIndex(max(0, self.unit_box.findData(given)))
        for kind, (line, clear, holder) in self.extras.items():
            path = self.model.extra_paths.get(kind, "")
            line.setText(Path(path).name if path else "")
            holder.setEnabled(terrain is not None)
            clear.setEnabled(bool(path))
        source, roads = self.model.road_source, self.model.roads
        self.road_line.setText(Path(source.path).name if source is not None else "")
        self.road_line.setToolTip(source.path if source is not None else "")
        if roads:
            length = sum(road.length_m for road in roads)
            names = ", ".join(road.name for road in roads[:3])
            more = len(roads) - 3
            if more > 0:
                names += self.tr(" and {count} more").format(count=more)
            self.road_note.setText(f"{names}: {value_text(length / 1000.0, 'km', system)}")
        else:
            self.road_note.setText("")
        self.road_note.setStyleSheet(f"color: {theme.color('muted').name()}")

    def _show_state(self) -> None:
        model = self.model
        self.screen_button.setEnabled(model.can_screen and not model.runner.is_running("screen"))
        if not model.can_screen:
            text = self.tr("Open a terrain grid and a road centreline.")
        elif model.runner.is_running("screen"):
            text = self.tr("Screening …")
        elif model.findings is None:
            text = self.tr("Ready to screen.")
        elif model.stale:
            text = self.tr("The inputs changed after the screening: screen again.")
        else:
            text = self.tr("The findings are of these inputs.")
        self.state.setStyleSheet("")
        if model.stale:
            self.state.setStyleSheet(f"color: {theme.color('warn').name()}")
        self.state.setText(text)

    # -- changing --------------------------------------------------------------------------------

    def _set(self, **changes: Any) -> None:
        """Put changed settings into the model, or say why they can't be."""
        if self._filling:
            return
        name, value = next(iter(changes.items()))
        try:
            settings = replace(self.model.settings, **changes)
        except VergelineError as error:
            self._show()
            self.state.setText(str(error))
            self.state.setStyleSheet(f"color: {theme.color('warn').name()}")
            return
        del value
        self.model.set_settings(settings, merge=f"setting {name}")
        self._show()

    def _set_surface(self, surface: str) -> None:
        from gui.state.model import with_surface

        if self._filling or surface == self.model.settings.surface:
            return
        self.model.undo.beginMacro(self.tr("Change the surface"))
        try:
            # Limits first: untouched ones follow the surface of the settings by themselves, and
            # then the undo would have nothing to bring back.
            self.model.set_limits(with_surface(self.model.limits, surface))
            self.model.set_settings(replace(self.model.settings, surface=surface))
        finally:
            self.model.undo.endMacro()
        self._show()

    def _on_unit(self, _index: int) -> None:
        source = self.model.terrain_source
        if source is not None:
            self.model.open_terrain(
                source.path,
                vertical_unit=self.unit_box.currentData(),
                warp=source.warp,
                crs=source.crs,
            )
