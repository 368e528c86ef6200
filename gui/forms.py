"""Inputs and limits as forms: every number with its unit, its source and what it does.

Limits judge at once: the measured values stay and the verdicts follow. Inputs take effect with
the next screening, and show beforehand what the grid will be able to tell.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QSignalBlocker, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QFont
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QFrame,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from analysis.errors import VergelineError
from analysis.limits import (
    SURFACES,
    Limits,
    LimitSpec,
    default_limits,
    limit_specs,
    read_limits,
    write_limits,
)
from gui import theme
from gui.power_panel import PowerPanel
from gui.units import SYSTEMS, from_shown, number, shown, unit_of, value_text
from gui.words import limit_title

if TYPE_CHECKING:
    from gui.model import WindowModel

__all__ = ["InputsForm", "LimitsForm", "QuantityBox"]

_JUDGE_MS = 120


class QuantityBox(QDoubleSpinBox):
    """Spin box for a stored quantity, shown in the chosen units.

    The stored value is kept, so that showing it in feet and back never changes it.
    """

    stored_changed = Signal(float)

    def __init__(
        self,
        unit: str,
        low: float,
        high: float,
        *,
        decimals: int | None = None,
        step: float | None = None,
    ) -> None:
        super().__init__()
        self._unit, self._low, self._high = unit, low, high
        self._decimals, self._step = decimals, step
        self._system = SYSTEMS[0]
        self._stored = low
        self.setKeyboardTracking(False)
        self.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.setMinimumWidth(96)
        self.set_system(self._system)
        self.valueChanged.connect(self._on_value)

    def set_system(self, system: str) -> None:
        """Show the value in another system of units."""
        self._system = system
        how = unit_of(self._unit, system)
        with QSignalBlocker(self):
            places = how.decimals if self._decimals is None else self._decimals
            if system != "metric" and how.factor != 1.0:
                places = max(places, 1)
            self.setDecimals(places)
            self.setRange(
                float(shown(self._low, self._unit, system)),
                float(shown(self._high, self._unit, system)),
            )
            step = self._step if self._step is not None else 10.0**-places
            self.setSingleStep(
                step if system == "metric" else max(10.0**-places, round(step * how.factor, places))
            )
            self.setSuffix(f" {how.text}" if how.text else "")
            self.setValue(float(shown(self._stored, self._unit, system)))

    @property
    def stored(self) -> float:
        """The value in its stored unit."""
        return self._stored

    def set_stored(self, value: float) -> None:
        """Show a stored value without telling anyone."""
        self._stored = value
        with QSignalBlocker(self):
            self.setValue(float(shown(value, self._unit, self._system)))

    def _on_value(self, value: float) -> None:
        stored = from_shown(value, self._unit, self._system)
        stored = min(max(stored, self._low), self._high)
        # Trailing binary dust from the conversion would show up in the limits file.
        self._stored = float(f"{stored:.9g}")
        self.stored_changed.emit(self._stored)

    def wheelEvent(self, event: Any) -> None:
        """Scroll the form, not a limit that the pointer happens to pass over."""
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()


class _CalmCombo(QComboBox):
    """Combo box that only turns with the wheel when it was chosen first."""

    def __init__(self) -> None:
        super().__init__()
        # Its longest entry must not decide how narrow the form can be.
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(7)

    def wheelEvent(self, event: Any) -> None:
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()


def _scrolled(inside: QWidget) -> QScrollArea:
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setWidget(inside)
    inside.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
    return area


# -- limits ----------------------------------------------------------------------------------------


class _LimitRow(QWidget):
    """One limit: its value, whether it is as shipped, and a way back."""

    changed = Signal(str, float)
    reset = Signal(str)

    def __init__(self, spec: LimitSpec) -> None:
        super().__init__()
        self.spec = spec
        self.share = spec.unit in ("fraction", "") and spec.high <= 1.0
        places = {"mm": 0, "passes": 0, "m": 2, "fraction": 2, "": 2}.get(spec.unit)
        if self.share:
            self.box = QuantityBox("%", 100.0 * spec.low, 100.0 * spec.high, decimals=0, step=1.0)
            if spec.high < 1.0:
                self.box = QuantityBox(
                    "%", 100.0 * spec.low, 100.0 * spec.high, decimals=1, step=1.0
                )
        else:
            step = {"mm": 1.0, "passes": 1.0, "points": 0.5, "%": 0.5}.get(spec.unit)
            self.box = QuantityBox(spec.unit, spec.low, spec.high, decimals=places, step=step)
        self.box.setAccessibleName(limit_title(spec.title))
        self.label = QLabel(limit_title(spec.title))
        self.label.setBuddy(self.box)
        self.label.setWordWrap(True)
        self.back = QToolButton()
        self.back.setText("↺")
        self.back.setAccessibleName(
            self.tr("Back to the shipped value: {title}").format(title=limit_title(spec.title))
        )
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(4)
        row.addWidget(self.label, 1)
        row.addWidget(self.box)
        row.addWidget(self.back)
        keep = self.back.sizePolicy()
        keep.setRetainSizeWhenHidden(True)
        self.back.setSizePolicy(keep)
        self.box.stored_changed.connect(
            lambda v: self.changed.emit(spec.name, v / 100.0 if self.share else v)
        )
        self.back.clicked.connect(lambda: self.reset.emit(spec.name))

    def show_limit(self, limits: Limits, shipped: Limits, system: str) -> None:
        """Show the value, its source and whether it was changed."""
        limit, plain = limits[self.spec.name], shipped[self.spec.name]
        self.box.set_system(system)
        self.box.set_stored(100.0 * limit.value if self.share else limit.value)
        changed = limit.value != plain.value
        self.back.setVisible(changed)
        plain_text = (
            f"{number(100.0 * plain.value, 0)} %"
            if self.share
            else value_text(plain.value, plain.unit, system)
        )
        self.back.setToolTip(self.tr("Back to {value}").format(value=plain_text))
        font = QFont(self.label.font())
        font.setBold(changed)
        self.label.setFont(font)
        tip = self.tr("{note}\n\nSource: {source}").format(note=limit.note, source=limit.source)
        if changed:
            tip += "\n" + self.tr("Shipped value: {value}, {source}").format(
                value=plain_text, source=plain.source
            )
        for part in (self.label, self.box):
            part.setToolTip(tip)
        self.box.setAccessibleDescription(tip)


class LimitsForm(QWidget):
    """All limits, in groups; a change is judged at once."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("LimitsForm")
        self.setAccessibleName(self.tr("Limits"))
        self.model = model
        self.rows: dict[str, _LimitRow] = {}
        self._wanted: dict[str, float] = {}
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(_JUDGE_MS)
        self._timer.timeout.connect(self._push)
        self._build()
        model.limits_changed.connect(self._show)
        model.units_changed.connect(self._show)
        self._show()

    def _build(self) -> None:
        self.surface_box = _CalmCombo()
        self.surface_box.setAccessibleName(self.tr("Surface"))
        self.surface_box.setToolTip(
            self.tr("What the shoulder is made of; least slopes and material numbers follow it.")
        )
        for surface in SURFACES:
            self.surface_box.addItem(_surface_text(surface), surface)
        self.surface_box.currentIndexChanged.connect(self._on_surface)
        self.find_box = QLineEdit()
        self.find_box.setPlaceholderText(self.tr("Find a limit"))
        self.find_box.setClearButtonEnabled(True)
        self.find_box.setAccessibleName(self.tr("Find a limit"))
        self.find_box.textChanged.connect(self._on_find)
        self.changed_only = QCheckBox(self.tr("Changed only"))
        self.changed_only.toggled.connect(lambda _on: self._on_find(self.find_box.text()))
        top = QHBoxLayout()
        top.setContentsMargins(8, 6, 8, 4)
        top.addWidget(QLabel(self.tr("Surface")))
        top.addWidget(self.surface_box)
        top.addWidget(self.find_box, 1)
        top.addWidget(self.changed_only)

        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(8, 2, 8, 8)
        column.setSpacing(8)
        self.groups: dict[str, QGroupBox] = {}
        for spec in limit_specs().values():
            group = self.groups.get(spec.group)
            if group is None:
                group = QGroupBox(_group_text(spec.group))
                inner = QVBoxLayout(group)
                inner.setContentsMargins(8, 6, 8, 8)
                inner.setSpacing(3)
                self.groups[spec.group] = group
                column.addWidget(group)
            row = _LimitRow(spec)
            row.changed.connect(self._on_changed)
            row.reset.connect(self._on_reset)
            group.layout().addWidget(row)
            self.rows[spec.name] = row

        self.note = QLabel()
        self.note.setWordWrap(True)
        self.note.setAccessibleName(self.tr("Note on the limits"))
        self.read_button = QPushButton(self.tr("Read…"))
        self.read_button.setToolTip(self.tr("Read limits from a TOML file."))
        self.write_button = QPushButton(self.tr("Write…"))
        self.write_button.setToolTip(self.tr("Write all limits with their sources to a TOML file."))
        self.all_back = QPushButton(self.tr("All as shipped"))
        self.all_back.setToolTip(self.tr("Set every limit back to its shipped value."))
        self.read_button.clicked.connect(self.read_dialog)
        self.write_button.clicked.connect(self.write_dialog)
        self.all_back.clicked.connect(self.reset_all)
        foot = QHBoxLayout()
        foot.setContentsMargins(8, 4, 8, 6)
        foot.addWidget(self.note, 1)
        for button in (self.read_button, self.write_button, self.all_back):
            foot.addWidget(button)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addLayout(top)
        whole.addWidget(_scrolled(inside), 1)
        whole.addLayout(foot)

    def sizeHint(self) -> QSize:
        return QSize(430, 620)

    # -- showing ---------------------------------------------------------------------------------

    def _show(self) -> None:
        limits = self.model.limits
        shipped = default_limits(limits.surface)
        with QSignalBlocker(self.surface_box):
            self.surface_box.setCurrentIndex(self.surface_box.findData(limits.surface))
        changed = 0
        for name, row in self.rows.items():
            # A value that is still being typed isn't overwritten by the echo of an older one.
            if name not in self._wanted:
                row.show_limit(limits, shipped, self.model.units)
            changed += limits[name].value != shipped[name].value
        self.note.setStyleSheet("")
        self.note.setText(
            self.tr("Changed: {count}").format(count=changed)
            if changed
            else self.tr("All as shipped")
        )
        self.all_back.setEnabled(bool(changed))
        self._on_find(self.find_box.text())

    def _on_find(self, text: str) -> None:
        words = text.casefold().split()
        limits, shipped = self.model.limits, default_limits(self.model.limits.surface)
        for group in self.groups.values():
            group.setVisible(True)
        for name, row in self.rows.items():
            hay = f"{limit_title(row.spec.title)} {limits[name].note}".casefold()
            fits = all(word in hay for word in words)
            if self.changed_only.isChecked():
                fits = fits and limits[name].value != shipped[name].value
            row.setVisible(fits)
        for key, group in self.groups.items():
            group.setVisible(
                any(not r.isHidden() for r in self.rows.values() if r.spec.group == key)
            )

    # -- changing --------------------------------------------------------------------------------

    def _on_changed(self, name: str, value: float) -> None:
        self._wanted[name] = value
        self._timer.start()

    def _on_reset(self, name: str) -> None:
        self._push()
        shipped = default_limits(self.model.limits.surface)
        self._set(replace(self.model.limits, **{name: shipped[name]}), name)

    def _push(self) -> None:
        """Hand the typed values to the model, or say why they can't be."""
        self._timer.stop()
        wanted, self._wanted = self._wanted, {}
        limits = self.model.limits
        for name, value in wanted.items():
            if limits[name].value == value:
                continue
            try:
                limits = limits.with_value(name, value)
            except VergelineError as error:
                self._show()
                self._refuse(str(error))
                return
        if limits is not self.model.limits:
            self._set(limits, next(iter(wanted)))

    def _set(self, limits: Limits, name: str) -> None:
        title = limit_title(self.rows[name].spec.title)
        self.model.set_limits(
            limits, text=self.tr("Change “{title}”").format(title=title), merge=f"limit {name}"
        )
        self._show()

    def _refuse(self, sentence: str) -> None:
        self.note.setText(sentence)
        self.note.setStyleSheet(f"color: {theme.color('warn').name()}")

    def _on_surface(self, _index: int) -> None:
        from gui.model import with_surface

        self._push()
        surface = self.surface_box.currentData()
        if surface and surface != self.model.limits.surface:
            self.model.set_limits(
                with_surface(self.model.limits, surface), text=self.tr("Change the surface")
            )

    def reset_all(self) -> None:
        """Set every limit back to its shipped value."""
        self._wanted.clear()
        self.model.set_limits(
            default_limits(self.model.limits.surface), text=self.tr("All limits as shipped")
        )

    # -- files -----------------------------------------------------------------------------------

    def read_dialog(self) -> None:
        """Ask for a limits file and read it."""
        path, _ = QFileDialog.getOpenFileName(
            self, self.tr("Read limits"), "", self.tr("Limits (*.toml)")
        )
        if path:
            self.read(path)

    def read(self, path: str) -> None:
        """Read limits from a file; a bad one changes nothing."""
        try:
            limits = read_limits(path)
        except VergelineError as error:
            self._refuse(str(error))
            return
        self._wanted.clear()
        self.model.set_limits(limits, text=self.tr("Read limits"))

    def write_dialog(self) -> None:
        """Ask for a file and write the limits to it."""
        path, _ = QFileDialog.getSaveFileName(
            self, self.tr("Write limits"), "limits.toml", self.tr("Limits (*.toml)")
        )
        if path:
            self.write(path)

    def write(self, path: str) -> None:
        """Write all limits to a file."""
        self._push()
        try:
            write_limits(self.model.limits, path)
        except VergelineError as error:
            self._refuse(str(error))
            return
        self.model.message.emit(self.tr("Saved {name}").format(name=Path(path).name))


def _surface_text(surface: str) -> str:
    from PySide6.QtCore import QCoreApplication

    names = {
        "gravel": QCoreApplication.translate("forms", "gravel"),
        "earth": QCoreApplication.translate("forms", "earth"),
        "turf": QCoreApplication.translate("forms", "turf"),
    }
    return names.get(surface, surface)


def _group_text(group: str) -> str:
    from PySide6.QtCore import QCoreApplication

    names = {
        "shape": QCoreApplication.translate("forms", "Shape of the shoulder"),
        "water": QCoreApplication.translate("forms", "Water"),
        "decision": QCoreApplication.translate("forms", "Deciding"),
        "material": QCoreApplication.translate("forms", "Material"),
        "work": QCoreApplication.translate("forms", "Plant and hours"),
        "field": QCoreApplication.translate("forms", "Checking in the field"),
    }
    return names.get(group, group.capitalize())


# -- inputs ----------------------------------------------------------------------------------------


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
        model.busy_changed.connect(lambda _busy: self._show_state())
        self._show()

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(8, 6, 8, 8)
        column.setSpacing(8)

        files = QGroupBox(self.tr("Terrain and road"))
        form = self._form(files)
        self.terrain_line, terrain_row = self._file_row(self.tr("Terrain grid"), "terrain")
        form.addRow(self.tr("Terrain grid"), terrain_row)
        self.terrain_note = QLabel()
        self.terrain_note.setWordWrap(True)
        self.terrain_note.setAccessibleName(self.tr("About the grid"))
        form.addRow("", self.terrain_note)
        self.unit_box = _CalmCombo()
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
        self.road_line, road_row = self._file_row(self.tr("Road centreline"), "road")
        form.addRow(self.tr("Road centreline"), road_row)
        self.road_note = QLabel()
        self.road_note.setWordWrap(True)
        self.road_note.setAccessibleName(self.tr("About the road"))
        form.addRow("", self.road_note)
        column.addWidget(files)

        added = QGroupBox(self.tr("Added to the road"))
        form = self._form(added)
        self.extras: dict[str, tuple[QLineEdit, QToolButton]] = {}
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
            line, holder = self._file_row(title, kind)
            line.setToolTip(tip)
            clear = QToolButton()
            clear.setText("✕")
            clear.setAccessibleName(self.tr("Take out: {title}").format(title=title))
            clear.setToolTip(self.tr("Take it out again."))
            clear.clicked.connect(lambda _c=False, k=kind: self.model.set_extra(k, None))
            holder.layout().addWidget(clear)
            self.extras[kind] = (line, clear)
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
        self.surface_box = _CalmCombo()
        for surface in SURFACES:
            self.surface_box.addItem(_surface_text(surface), surface)
        self._row(
            form,
            self.tr("Surface"),
            self.surface_box,
            self.tr("What the shoulder is made of; the limits follow it."),
        )
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
        self.system_box = _CalmCombo()
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
        self.style_box = _CalmCombo()
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
        whole.addWidget(_scrolled(inside), 1)
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

    def _file_row(self, title: str, what: str) -> tuple[QLineEdit, QWidget]:
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
        return line, holder

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
        for kind, (line, clear) in self.extras.items():
            path = self.model.extra_paths.get(kind, "")
            line.setText(Path(path).name if path else "")
            line.parentWidget().setEnabled(terrain is not None)
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
        from gui.model import with_surface

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
