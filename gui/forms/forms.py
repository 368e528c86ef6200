"""Inputs as a form: what goes into a screening, and what the grid can tell with it.

Inputs take effect with the next screening; what the grid will be able to tell shows beforehand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
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
    QWidget,
)

from analysis.common.days import read_day
from analysis.common.errors import VergelineError
from analysis.common.limits import SURFACES
from gui.forms.limits_form import LimitsForm
from gui.forms.own_widths import OwnWidths
from gui.forms.power_panel import PowerPanel
from gui.look import theme
from gui.look.fields import CalmCombo, QuantityBox, scrolled, show_text, surface_text
from gui.look.making import abreast, later, named, stacked, tool_button
from gui.look.units import value_text

if TYPE_CHECKING:
    from analysis.common.settings import Settings
    from gui.state.model import WindowModel

__all__ = ["InputsForm", "LimitsForm"]

USUAL_POINTS_PER_M2 = 4.0
"""Where a person begins to give a density: what national surveys from the air have (common
practice: 2 to 10)."""

_ACROSS = {"pavement_width_m", "shoulder_width_m", "search_m"}


class InputsForm(QWidget):
    """What goes into a screening, and what the grid can tell with it."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("InputsForm")
        self.setAccessibleName(self.tr("Inputs"))
        self.model = model
        self._filling = False
        self._build()
        # What was set is in its field at once, or it would pass for typed and not entered.
        model.inputs_changed.connect(self._show)
        model.settings_changed.connect(self._show)
        model.surveyed_changed.connect(self._show)
        show_due = later(self, self._show)
        model.study_changed.connect(show_due.start)
        model.units_changed.connect(show_due.start)
        model.stale_changed.connect(lambda _stale: self._show_state())
        model.runner.busy_changed.connect(lambda _busy: self._show_state())
        theme.watcher().changed.connect(later(self, self._show_files).start)
        self._show()
        model.drafts.hold(
            self.tr("Day of the survey"),
            lambda: self._unentered(self.surveyed, model.surveyed),
            self._enter_surveyed,
            self.surveyed,
        )

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        self._quantities: list[tuple[QuantityBox, str]] = []
        inside = QWidget()
        self.power = PowerPanel(self.model)
        parts = (
            # First what nobody but the person knows; the files have been opened by then.
            self._road_group(),
            self._files_group(),
            self._extras_group(),
            self._measuring_group(),
            self.power,
            self._showing_group(),
        )
        stacked(inside, *parts, margins=(8, 6, 8, 8), spacing=8)
        self.state = named(QLabel(wordWrap=True), self.tr("State of the inputs"))
        self.screen_button = QPushButton(self.tr("Screen the road"), default=True)
        self.screen_button.setToolTip(self.tr("Measure and judge the road with these inputs."))
        self.screen_button.clicked.connect(lambda: self.model.screen())
        foot = abreast(None, (self.state, 1), self.screen_button, margins=(8, 4, 8, 6))
        stacked(self, (scrolled(inside), 1), foot)

    def _files_group(self) -> QGroupBox:
        files, form = _group(self.tr("Terrain and road"))
        self.terrain_line, terrain_row, _ = self._file_row(self.tr("Terrain grid"), "terrain")
        form.addRow(self.tr("Terrain grid"), terrain_row)
        self.terrain_note = self._note(form, self.tr("About the grid"))
        self.surveyed = QLineEdit(placeholderText=self.tr("not given; such as 2026-04-12"))
        self.surveyed.editingFinished.connect(self._on_surveyed)
        tip = self.tr("Stands on sheets and programmes, and dates this survey against another.")
        _row(form, self.tr("Day of the survey"), self.surveyed, tip)
        self.unit_box = _choice(
            (self.tr("as the file says"), None),
            (self.tr("metres"), "metre"),
            (self.tr("international feet"), "foot"),
            (self.tr("US survey feet"), "us-foot"),
        )
        self.unit_box.activated.connect(self._on_unit)
        tip = self.tr("Set it where the file doesn't say, or says it wrongly; slopes depend on it.")
        _row(form, self.tr("Heights in"), self.unit_box, tip)
        self.unit_box.setAccessibleName(self.tr("Unit of the heights"))
        self.road_line, road_row, _ = self._file_row(self.tr("Road centreline"), "road")
        form.addRow(self.tr("Road centreline"), road_row)
        self.road_note = self._note(form, self.tr("About the road"))
        self.used = {
            name: self._column_row(form, name, title, tip)
            for name, title, tip in (
                (
                    "traffic_field",
                    self.tr("Field with vehicles per day"),
                    self.tr("Column of the road layer; reaches with more traffic rank higher."),
                ),
                (
                    "speed_field",
                    self.tr("Field with the speed"),
                    self.tr("Column of the road layer, km/h, or mph where it is so named."),
                ),
                (
                    "curve_field",
                    self.tr("Field that tells curves"),
                    self.tr("Column of the road layer, yes or no; curves count twice."),
                ),
            )
        }
        return files

    def _column_row(self, form: QFormLayout, name: str, title: str, tip: str) -> QLineEdit:
        """Line for the name of a column of the road layer, by which reaches are ranked."""
        line = QLineEdit(placeholderText=self.tr("none"))
        line.editingFinished.connect(lambda: self._set_column(name, line.text().strip() or None))
        _row(form, title, line, tip)

        def enter(text: str) -> None:
            line.setText(text)
            if text:
                self._set_column(name, text)

        self.model.drafts.hold(
            title,
            lambda: self._unentered(line, getattr(self.model.inputs.source, name, None) or ""),
            enter,
            line,
        )
        return line

    def _set_column(self, name: str, column: str | None) -> None:
        source = self.model.inputs.source
        if source is None or getattr(source, name) == column:
            return

        def failed(error: VergelineError) -> None:
            self._show_files()
            self._say(str(error), warn=True)

        changed: dict[str, Any] = {name: column}
        self.model.open_roads(replace(source, **changed), failed)

    def _note(self, form: QFormLayout, name: str) -> QLabel:
        made = named(QLabel(wordWrap=True), name)
        form.addRow("", made)
        return made

    def _extras_group(self) -> QGroupBox:
        added, form = _group(self.tr("Added to the road"))
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
                self.tr(
                    "Pavement and shoulder widths by road and stretch; taken as they are, in place "
                    "of the widths above, where the search only begins."
                ),
            ),
            (
                "culverts",
                self.tr("Culverts (points)"),
                self.tr("Places where the ditch is drained under the road."),
            ),
            (
                "points",
                self.tr("Ground points (LAS, LAZ)"),
                self.tr("A survey's own points: measured in place of the grid's cells."),
            ),
            (
                "image",
                self.tr("Intensity or orthophoto"),
                self.tr("May show a pavement edge that the ground hides."),
            ),
            (
                "kerbs",
                self.tr("Kerbs (lines)"),
                self.tr(
                    "Where kerbs stand: nowhere else is one. Without it, a step up along the edge "
                    "may be a kerb or a high shoulder."
                ),
            ),
        ):
            line, holder, beside = self._file_row(title, kind)
            line.setToolTip(tip)
            clear = tool_button(
                "✕",
                partial(self.model.set_extra, kind, None),
                name=self.tr("Take out: {title}").format(title=title),
                tip=self.tr("Take it out again."),
            )
            if kind == "kerbs":
                none = tool_button(
                    self.tr("None"),
                    partial(self.model.set_extra, kind, "none"),
                    name=self.tr("No kerbs on this road"),
                    tip=self.tr("No kerb stands on this road: every step up is a high shoulder."),
                )
                beside.addWidget(none)
            beside.addWidget(clear)
            self.extras[kind] = (line, clear, holder)
            label = QLabel(title)
            label.setToolTip(tip)
            form.addRow(label, holder)
        return added

    def _road_group(self) -> QGroupBox:
        made, form = _group(self.tr("Road as built"))
        self.pavement = self._quantity("pavement_width_m", 2.0, 60.0, 2, 0.1)
        tip = self.tr("Edge to edge. The search starts here; where no edge shows, this is used.")
        _row(form, self.tr("Pavement width"), self.pavement, tip)
        self.shoulder = self._quantity("shoulder_width_m", 0.2, 10.0, 2, 0.1)
        tip = self.tr("From the pavement edge to the hinge. The search for the hinge starts here.")
        _row(form, self.tr("Shoulder width"), self.shoulder, tip)
        self.own_widths = OwnWidths(self.model, self._set_own_widths)
        form.addRow(self.own_widths)
        self.surface_box = _choice(*((surface_text(name), name) for name in SURFACES))
        self.surface_box.activated.connect(
            lambda _i: self._set_surface(self.surface_box.currentData())
        )
        tip = self.tr("What the shoulder is made of; the limits follow it.")
        _row(form, self.tr("Surface"), self.surface_box, tip)
        self.paved = _check(
            self.tr("The road is paved"),
            self.tr(
                "A gravel or earth road's shoulder need only be as steep as the road itself "
                "(Gravel Roads Construction & Maintenance Guide, from memory)."
            ),
            lambda on: self._set(paved=on),
        )
        form.addRow("", self.paved)
        self.find_edges = _check(
            self.tr("Find edges and hinges in the terrain"),
            self.tr("Off: measure at the given widths from the centreline, without searching."),
            lambda on: self._set(find_edges=on),
        )
        form.addRow("", self.find_edges)
        self.search = self._quantity("search_m", 0.0, 15.0, 1, 0.5)
        tip = self.tr("How far the drawn centreline may lie beside the real one.")
        _row(form, self.tr("Line may lie off by"), self.search, tip)
        return made

    def _measuring_group(self) -> QGroupBox:
        made, form = _group(self.tr("Measuring"))
        self.spacing = self._quantity("spacing_m", 0.5, 1000.0, 1, 1.0)
        tip = self.tr("Distance between stations along the road.")
        _row(form, self.tr("Station spacing"), self.spacing, tip)
        self.average = QuantityBox("m", 1.0, 1000.0, decimals=0, step=5.0)
        self.average.stored_changed.connect(lambda value: self._set(average_m=value))
        self.average_auto = _check(
            self.tr("least that can tell"),
            self.tr("Take the least length that tells a good slope from a failing one."),
            lambda on: self._set(average_m="auto" if on else self.average.stored),
        )
        tip = self.tr(
            "Length of road behind each measurement: longer is surer, but blurs short faults."
        )
        _row(form, self.tr("Average over"), self.average, tip, self.average_auto)
        self.noise = QuantityBox("mm", 0.5, 1000.0, decimals=0, step=1.0)
        self.noise.stored_changed.connect(lambda value: self._set(noise_m=value / 1000.0))
        self.noise_auto = _check(
            self.tr("estimate from the pavement"),
            self.tr("Take the scatter of the cells about the fitted pavement."),
            lambda on: self._set(noise_m=None if on else self.noise.stored / 1000.0),
        )
        tip = self.tr(
            "Standard deviation of single cells relative to their neighbours (repeatability), "
            "not the absolute accuracy of the survey."
        )
        _row(form, self.tr("Noise of heights"), self.noise, tip, self.noise_auto)
        self.density = QuantityBox("1/m2", 0.05, 10_000.0, decimals=2, step=1.0)
        self.density.set_stored(USUAL_POINTS_PER_M2)
        self.density.stored_changed.connect(lambda value: self._set(points_per_m2=value))
        self.density_auto = _check(
            self.tr("tell from the grid"),
            self.tr("Estimate from how alike neighbouring heights are how the grid was made."),
            lambda on: self._set(points_per_m2=None if on else self.density.stored),
        )
        tip = self.tr(
            "Ground points per area that the grid was joined of to triangles. It says how wide "
            "steps and breaks are smeared; ground points given as such need none."
        )
        _row(form, self.tr("Points of the survey"), self.density, tip, self.density_auto)
        self.half_width = self._quantity("half_width_m", 3.0, 100.0, 0, 1.0)
        tip = self.tr("How far the terrain is read; far enough to hold both ditches.")
        _row(form, self.tr("Read to each side"), self.half_width, tip)
        return made

    def _showing_group(self) -> QGroupBox:
        made, form = _group(self.tr("Showing numbers"))
        self.system_box = _choice(
            (self.tr("metric"), "metric"), (self.tr("US (feet, inches, cubic yards)"), "us")
        )
        self.system_box.activated.connect(
            lambda _i: self.model.set_units(self.system_box.currentData())
        )
        tip = self.tr("Only what is shown and printed; files keep metric columns.")
        _row(form, self.tr("Units"), self.system_box, tip)
        self.style_box = _choice(
            (self.tr("2+340 (kilometres and metres)"), "km"),
            (self.tr("23+40 (hundreds of feet)"), "feet-hundreds"),
        )
        self.style_box.activated.connect(
            lambda _i: self.model.set_station_style(self.style_box.currentData())
        )
        _row(form, self.tr("Stations"), self.style_box, self.tr("How stations are written."))
        return made

    def _quantity(
        self, name: str, low: float, high: float, decimals: int, step: float
    ) -> QuantityBox:
        """Make the box of a setting in metres."""
        made = QuantityBox("m", low, high, decimals=decimals, step=step)
        made.stored_changed.connect(lambda value: self._set(**{name: value}))
        self._quantities.append((made, name))
        return made

    def _file_row(self, title: str, what: str) -> tuple[QLineEdit, QWidget, QHBoxLayout]:
        """Line with a file name and a button that asks the window for another."""
        line = named(QLineEdit(readOnly=True, placeholderText=self.tr("none yet")), title)
        name = self.tr("Open: {title}").format(title=title)
        button = tool_button(self.tr("Open…"), partial(self.model.asked.emit, what), name=name)
        holder = QWidget()
        return line, holder, abreast(holder, (line, 1), button, spacing=4)

    def sizeHint(self) -> QSize:
        return QSize(430, 640)

    # -- showing ---------------------------------------------------------------------------------

    def _show(self) -> None:
        settings, system = self.model.settings, self.model.units
        self._filling = True
        try:
            for box, name in self._quantities:
                box.set_system(system)
                box.set_stored(float(getattr(settings, name)))
            auto = settings.average_m == "auto"
            if not auto:
                self.average.set_stored(float(settings.average_m))
            self.noise.set_stored(1000.0 * self.power.sigma_m()[0])
            if settings.points_per_m2 is not None:
                self.density.set_stored(settings.points_per_m2)
            for box, check, by_itself in (
                (self.average, self.average_auto, auto),
                (self.noise, self.noise_auto, settings.noise_m is None),
                (self.density, self.density_auto, settings.points_per_m2 is None),
            ):
                box.set_system(system)
                box.setEnabled(not by_itself)
                check.setChecked(by_itself)
            self.paved.setChecked(settings.paved)
            self.find_edges.setChecked(settings.find_edges)
            self.search.setEnabled(settings.find_edges)
            self.surface_box.setCurrentIndex(self.surface_box.findData(settings.surface))
            self.system_box.setCurrentIndex(self.system_box.findData(system))
            self.style_box.setCurrentIndex(self.style_box.findData(self.model.station_style))
        finally:
            self._filling = False
        self.own_widths.show_widths()
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
            text = self.tr("{cols} × {rows} cells of {cell}; heights: {source}.").format(
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
        self.surveyed.setEnabled(self.model.inputs.terrain_source is not None)
        show_text(self.surveyed, self.model.surveyed)
        self.unit_box.setEnabled(terrain is not None)
        opened = self.model.inputs.terrain_source
        given = opened.vertical_unit if opened is not None else None
        self.unit_box.setCurrentIndex(max(0, self.unit_box.findData(given)))
        for kind, (line, clear, holder) in self.extras.items():
            path = self.model.inputs.extra_paths.get(kind, "")
            line.setText(Path(path).name if path else "")
            holder.setEnabled(terrain is not None)
            clear.setEnabled(bool(path))
        source, roads = self.model.inputs.source, self.model.roads
        self.road_line.setText(Path(source.path).name if source is not None else "")
        self.road_line.setToolTip(source.path if source is not None else "")
        for name, field in self.used.items():
            field.setEnabled(source is not None)
            show_text(field, "" if source is None else getattr(source, name) or "")
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
        self._say(text, warn=model.stale)

    def _say(self, text: str, *, warn: bool) -> None:
        self.state.setStyleSheet(f"color: {theme.color('warn').name()}" if warn else "")
        self.state.setText(text)

    # -- changing --------------------------------------------------------------------------------

    def _set(self, **changes: Any) -> None:
        """Put changed settings into the model, or say why they can't be."""
        if self._filling:
            return
        now, across = self.model.settings, bool(changes.keys() & _ACROSS)
        made = partial(now.changed if across else partial(replace, now), **changes)
        self._take(made, across=across, merge=f"setting {' '.join(changes)}")

    def _set_own_widths(self, road: str, **widths: float | None) -> None:
        """Put widths of one road into the model, or say why they can't be."""
        if not self._filling:
            text = self.tr("Change the widths of {road}").format(road=road)
            made = partial(self.model.settings.with_own_widths, road, **widths)
            self._take(made, across=True, text=text, merge=f"widths {road}")

    def _take(
        self, make: Callable[[], Settings], *, across: bool, merge: str, text: str = ""
    ) -> None:
        """Go on with the settings that are made, or say why there are none such.

        Those of a width `across` the road may have the terrain read farther out, which is said.
        """
        before = self.model.settings
        try:
            settings = make()
        except VergelineError as error:
            self._show()
            self._say(self._in_words(str(error)), warn=True)
            return
        self.model.set_settings(settings, text=text, merge=merge)
        if across and settings.half_width_m > before.half_width_m:
            wide = value_text(settings.half_width_m, "m", self.model.units, decimals=0)
            self.model.message.emit(
                self.tr(
                    "The terrain is now read {width} to each side, as this width needs."
                ).format(width=wide)
            )
        self._show()

    def _in_words(self, sentence: str) -> str:
        """Name settings as the form does, not as the file does."""
        for name, title in {
            "pavement_width_m": self.tr("“Pavement width”"),
            "shoulder_width_m": self.tr("“Shoulder width”"),
            "search_m": self.tr("“Line may lie off by”"),
            "half_width_m": self.tr("“Read to each side”"),
            "spacing_m": self.tr("“Station spacing”"),
            "average_m": self.tr("“Average over”"),
            "noise_m": self.tr("“Noise of heights”"),
            "points_per_m2": self.tr("“Points of the survey”"),
        }.items():
            sentence = sentence.replace(name, title)
        return sentence

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

    @staticmethod
    def _unentered(line: QLineEdit, entered: str) -> str:
        return line.text() if line.text().strip() != entered else ""

    def _enter_surveyed(self, text: str) -> None:
        self.surveyed.setText(text or self.model.surveyed)
        if text:
            self._on_surveyed()

    def _on_surveyed(self) -> None:
        text = self.surveyed.text().strip()
        try:
            day = read_day(text, self.tr("“Day of the survey”")).isoformat() if text else ""
        except VergelineError as error:
            # What was typed stays, to be mended.
            self._say(str(error), warn=True)
            return
        self.model.set_surveyed(day)
        self.surveyed.setText(day)
        self._show_state()

    def _on_unit(self, _index: int) -> None:
        source = self.model.inputs.terrain_source
        if source is not None:
            self.model.open_terrain(
                source.path,
                vertical_unit=self.unit_box.currentData(),
                warp=source.warp,
                crs=source.crs,
            )


def _group(title: str) -> tuple[QGroupBox, QFormLayout]:
    made = QGroupBox(title)
    form = QFormLayout(made)
    form.setContentsMargins(8, 6, 8, 8)
    form.setVerticalSpacing(4)
    form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
    form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
    form.setLabelAlignment(Qt.AlignmentFlag.AlignLeft)
    return made, form


def _row(
    form: QFormLayout, title: str, field: QWidget, tip: str, beside: QWidget | None = None
) -> None:
    """Add a field with its title and tip, and what stands beside it."""
    label = QLabel(title)
    label.setBuddy(field)
    for part in (label, field):
        part.setToolTip(tip)
    field.setAccessibleName(title)
    field.setAccessibleDescription(tip)
    if beside is None:
        form.addRow(label, field)
    else:
        form.addRow(label, abreast(None, field, beside, None, spacing=6))


def _choice(*options: tuple[str, str | None]) -> CalmCombo:
    made = CalmCombo()
    for text, value in options:
        made.addItem(text, value)
    return made


def _check(text: str, tip: str, slot: Callable[[bool], None]) -> QCheckBox:
    made = QCheckBox(text)
    made.setToolTip(tip)
    made.toggled.connect(slot)
    return made
