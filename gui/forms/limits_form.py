"""Limits as a form: each with its unit, its source and what it does; a change is tried first."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QCoreApplication, QSignalBlocker, QSize, QTimer, Signal
from PySide6.QtGui import QFont, QShowEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QGroupBox,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from analysis.common.errors import VergelineError
from analysis.common.limits import (
    SURFACES,
    Limit,
    Limits,
    LimitSpec,
    default_limits,
    limit_specs,
    read_limits,
    write_limits,
)
from gui.forms.trial_bar import TrialBar
from gui.look import theme
from gui.look.asking import ask_file, ask_name, dated_name
from gui.look.fields import CalmCombo, QuantityBox, scrolled, surface_text
from gui.look.making import abreast, later, named, stacked, tool_button
from gui.look.units import number, value_text
from gui.look.words import limit_note, limit_title
from gui.state.trial import Trial

if TYPE_CHECKING:
    from gui.state.model import WindowModel

__all__ = ["LimitsForm"]

_JUDGE_MS = 120
# How long the form makes rows before it lets the window go on, and for how long at least.
_TURN_S = 0.008
_TURN_MS = 5


class _LimitRow(QWidget):
    """One limit: its value, whether it is as shipped, and a way back."""

    changed = Signal(str, float)
    reset = Signal(str)

    def __init__(self, spec: LimitSpec) -> None:
        super().__init__()
        self.spec = spec
        self._told: tuple[Limit, Limit, str] | None = None
        self.share = spec.unit in ("fraction", "") and spec.high <= 1.0
        title = limit_title(spec.title)
        if self.share:
            low, high, decimals = 100.0 * spec.low, 100.0 * spec.high, 1 if spec.high < 1.0 else 0
            self.box = QuantityBox("%", low, high, decimals=decimals, step=1.0)
        else:
            places = {"mm": 0, "passes": 0, "m": 2, "fraction": 2, "": 2}.get(spec.unit)
            step = {"mm": 1.0, "passes": 1.0, "points": 0.5, "%": 0.5}.get(spec.unit)
            self.box = QuantityBox(spec.unit, spec.low, spec.high, decimals=places, step=step)
        self.box.setAccessibleName(title)
        self.label = QLabel(title, wordWrap=True)
        self.label.setBuddy(self.box)
        name = self.tr("Back to the shipped value: {title}").format(title=title)
        self.back = tool_button("↺", lambda: self.reset.emit(spec.name), name=name)
        abreast(self, (self.label, 1), self.box, self.back, spacing=4)
        keep = self.back.sizePolicy()
        keep.setRetainSizeWhenHidden(True)
        self.back.setSizePolicy(keep)
        self.box.stored_changed.connect(
            lambda v: self.changed.emit(spec.name, v / 100.0 if self.share else v)
        )

    def show_limit(self, limits: Limits, shipped: Limits, system: str) -> None:
        """Show the value, its source and whether it was changed."""
        limit, plain = limits[self.spec.name], shipped[self.spec.name]
        self.box.set_system(system)
        self.box.set_stored(100.0 * limit.value if self.share else limit.value)
        if (limit, plain, system) == self._told:
            # Of seventy rows most are as they were, and each tip costs as much as the number.
            return
        self._told = (limit, plain, system)
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
        tip = self.tr("{note}\n\nSource: {source}").format(
            note=limit_note(limit.note), source=limit.source
        )
        if changed:
            tip += "\n" + self.tr("Shipped value: {value}, {source}").format(
                value=plain_text, source=plain.source
            )
        for part in (self.label, self.box):
            part.setToolTip(tip)
        self.box.setAccessibleDescription(tip)


class LimitsForm(QWidget):
    """All limits, in groups; what a change would change is shown at once, before it is kept."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("LimitsForm")
        self.setAccessibleName(self.tr("Limits"))
        self.model = model
        self.rows: dict[str, _LimitRow] = {}
        self._wanted: dict[str, float] = {}
        self._timer = later(self, self.push, _JUDGE_MS)
        self.trial = Trial(model, self)
        self._build()
        self.trial.changed.connect(self._on_trial)
        model.limits_changed.connect(self._show)
        # Some seventy rows, which nobody waits for.
        model.units_changed.connect(later(self, self._show).start)
        self._show()
        self._build_some()

    def _build(self) -> None:
        tip = self.tr("What the shoulder is made of; least slopes and material numbers follow it.")
        self.surface_box = named(CalmCombo(), self.tr("Surface"), tip)
        for surface in SURFACES:
            self.surface_box.addItem(surface_text(surface), surface)
        self.surface_box.currentIndexChanged.connect(self._on_surface)
        find = self.tr("Find a limit")
        self.find_box = named(QLineEdit(placeholderText=find, clearButtonEnabled=True), find)
        self.find_box.textChanged.connect(self._on_find)
        self.changed_only = QCheckBox(self.tr("Changed only"))
        self.changed_only.toggled.connect(lambda _on: self._on_find(self.find_box.text()))
        surface_label = QLabel(self.tr("Surface"))
        parts = (surface_label, self.surface_box, (self.find_box, 1), self.changed_only)
        top = abreast(None, *parts, margins=(8, 6, 8, 4))

        inside = QWidget()
        self.groups: dict[str, QGroupBox] = {}
        self._inside: dict[str, QVBoxLayout] = {}
        self._column = stacked(inside, margins=(8, 2, 8, 8), spacing=8)
        # Some seventy rows at once would hold the window up.
        specs = limit_specs().values()
        order = list(dict.fromkeys(spec.group for spec in specs))
        self._waiting = sorted(specs, key=lambda spec: order.index(spec.group))
        self._builder = QTimer(self)
        self._builder.setInterval(_TURN_MS)
        self._builder.timeout.connect(self._build_some)

        self.note = named(QLabel(wordWrap=True), self.tr("Note on the limits"))
        self.read_button = QPushButton(self.tr("Read…"))
        self.read_button.setToolTip(self.tr("Read limits from a TOML file."))
        self.write_button = QPushButton(self.tr("Write…"))
        self.write_button.setToolTip(self.tr("Write all limits with their sources to a TOML file."))
        self.all_back = QPushButton(self.tr("All as shipped"))
        self.all_back.setToolTip(self.tr("Set every limit back to its shipped value."))
        self.read_button.clicked.connect(self.read_dialog)
        self.write_button.clicked.connect(self.write_dialog)
        self.all_back.clicked.connect(self.reset_all)
        buttons = (self.read_button, self.write_button, self.all_back)
        foot = self.foot = QWidget()
        abreast(foot, (self.note, 1), *buttons, margins=(8, 4, 8, 6))
        self.trial_bar = TrialBar(self.trial, self.model.units)
        self.model.units_changed.connect(lambda: self.trial_bar.set_units(self.model.units))
        stacked(self, top, (scrolled(inside), 1), self.trial_bar, foot)

    @property
    def limits(self) -> Limits:
        """The limits on show: those that are tried, else those of the model."""
        return self.trial.limits or self.model.limits

    def _build_some(self) -> None:
        """Make limits for as long as the window can spare."""
        end = time.perf_counter() + _TURN_S
        while self._waiting and time.perf_counter() < end:
            self._build_row(self._waiting.pop(0))
        if not self._waiting:
            self._builder.stop()
            self._on_find(self.find_box.text())

    def _build_row(self, spec: LimitSpec) -> None:
        inner = self._inside.get(spec.group)
        if inner is None:
            group = self.groups[spec.group] = QGroupBox(_group_text(spec.group))
            inner = self._inside[spec.group] = stacked(group, margins=(8, 6, 8, 8), spacing=3)
            self._column.addWidget(group)
        made = self.rows[spec.name] = _LimitRow(spec)
        made.changed.connect(self._on_changed)
        made.reset.connect(self._on_reset)
        limits = self.limits
        made.show_limit(limits, default_limits(limits.surface), self.model.units)
        inner.addWidget(made)

    def build_all(self) -> None:
        """Make all limits that are still missing, now."""
        while self._waiting:
            self._build_some()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._waiting:
            self._builder.start()

    def sizeHint(self) -> QSize:
        return QSize(430, 620)

    # -- showing ---------------------------------------------------------------------------------

    def _show(self) -> None:
        limits = self.limits
        shipped = default_limits(limits.surface)
        with QSignalBlocker(self.surface_box):
            self.surface_box.setCurrentIndex(self.surface_box.findData(limits.surface))
        changed = sum(limits[name].value != shipped[name].value for name in limit_specs())
        for name, row in self.rows.items():
            # A value that is still being typed isn't overwritten by the echo of an older one.
            if name not in self._wanted:
                row.show_limit(limits, shipped, self.model.units)
        self.note.setStyleSheet("")
        self.note.setText(
            self.tr("Changed: {count}").format(count=changed)
            if changed
            else self.tr("All as shipped")
        )
        self.all_back.setEnabled(bool(changed))
        self._on_find(self.find_box.text())

    def _on_trial(self) -> None:
        # In a low pane both would leave no row of the limits in sight.
        self.foot.setVisible(self.trial.limits is None or bool(self.trial.trouble))
        self._show()

    def _on_find(self, text: str) -> None:
        words = text.casefold().split()
        if words or self.changed_only.isChecked():
            self.build_all()
        limits, shipped = self.limits, default_limits(self.limits.surface)
        for group in self.groups.values():
            group.setVisible(True)
        for name, row in self.rows.items():
            hay = f"{limit_title(row.spec.title)} {limit_note(limits[name].note)}".casefold()
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
        self.push()
        shipped = default_limits(self.limits.surface)
        self._set(self.limits.with_entries({name: shipped[name]}), name)

    def push(self) -> None:
        """Try the typed values, or say why they can't be; without a study they hold at once."""
        self._timer.stop()
        wanted, self._wanted = self._wanted, {}
        before = limits = self.limits
        for name, value in wanted.items():
            if limits[name].value == value:
                continue
            try:
                limits = limits.with_value(name, value)
            except VergelineError as error:
                self._show()
                self._refuse(str(error))
                return
        if limits is not before:
            self._set(limits, next(iter(wanted)))

    def _set(self, limits: Limits, name: str) -> None:
        title = limit_title(self.rows[name].spec.title)
        text = self.tr("Change “{title}”").format(title=title)
        if self.trial.limits is not None and not only_differs(limits, self.model.limits, name):
            text = self.tr("Change limits")
        self._try(limits, text, f"limit {name}")
        self._show()

    def _try(self, limits: Limits, text: str, merge: str = "") -> None:
        """Try limits where there is a study to try them on, else judge by them from now on."""
        if self.trial.possible:
            self.trial.start(limits, text, merge)
        else:
            self.model.set_limits(limits, text=text, merge=merge)

    def _refuse(self, sentence: str) -> None:
        self.note.setText(sentence)
        self.note.setStyleSheet(f"color: {theme.color('warn').name()}")

    def _on_surface(self, _index: int) -> None:
        from gui.state.model import with_surface

        self.push()
        surface = self.surface_box.currentData()
        if surface and surface != self.limits.surface:
            self._try(with_surface(self.limits, surface), self.tr("Change the surface"))

    def reset_all(self) -> None:
        """Set every limit back to its shipped value."""
        self._wanted.clear()
        self._try(default_limits(self.limits.surface), self.tr("All limits as shipped"))

    # -- files -----------------------------------------------------------------------------------

    def read_dialog(self) -> None:
        """Ask for a limits file and read it."""
        ask_file(self, self.tr("Read limits"), self.tr("Limits (*.toml)"), self.read)

    def read(self, path: str) -> None:
        """Read limits from a file; a bad one changes nothing."""
        try:
            limits = read_limits(path)
        except VergelineError as error:
            self._refuse(str(error))
            return
        self._wanted.clear()
        self._try(limits, self.tr("Read limits"))

    def write_dialog(self) -> None:
        """Ask for a file and write the limits to it."""
        name = dated_name(self.tr("limits"), self.model.limits.surface, ending=".toml")
        ask_name(self, self.tr("Write limits"), name, self.tr("Limits (*.toml)"), self.write)

    def write(self, path: str) -> None:
        """Write all limits to a file."""
        self.push()
        try:
            self.model.inputs.check_place(path)
            write_limits(self.limits, path)
        except VergelineError as error:
            self._refuse(str(error))
            return
        self.model.message.emit(self.tr("Saved {name}").format(name=Path(path).name))


def only_differs(one: Limits, other: Limits, name: str) -> bool:
    """Whether two sets of limits differ in nothing but one."""
    return all(one[n] == other[n] for n in one if n != name)


def _group_text(group: str) -> str:
    names = {
        "shape": QCoreApplication.translate("forms", "Shape of the shoulder"),
        "water": QCoreApplication.translate("forms", "Water"),
        "decision": QCoreApplication.translate("forms", "Deciding"),
        "material": QCoreApplication.translate("forms", "Material"),
        "work": QCoreApplication.translate("forms", "Plant and hours"),
        "field": QCoreApplication.translate("forms", "Checking in the field"),
    }
    return names.get(group, group.capitalize())
