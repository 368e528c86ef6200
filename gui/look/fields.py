"""Fields that forms are made of: quantities with units, and boxes that don't turn by accident."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QCoreApplication, QDate, QSignalBlocker, Qt, Signal, SignalInstance
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import (
    QAbstractSpinBox,
    QComboBox,
    QDateEdit,
    QDoubleSpinBox,
    QFrame,
    QLineEdit,
    QScrollArea,
    QSizePolicy,
    QSpinBox,
    QWidget,
)

from gui.look.units import SYSTEMS, from_shown, shown, unit_of

__all__ = ["CalmCombo", "CalmSpin", "CountBox", "DayBox", "QuantityBox", "day_field"]
__all__ += ["is_being_typed", "scrolled", "show_text", "surface_text"]


def is_being_typed(field: QAbstractSpinBox | QLineEdit) -> bool:
    """Whether a field holds text that a person typed and hasn't entered yet."""
    if isinstance(field, QLineEdit):
        return field.hasFocus() and field.isModified()
    entered = field.text()
    if isinstance(field, QDoubleSpinBox | QSpinBox):
        special = field.specialValueText() if field.value() == field.minimum() else ""
        value = field.textFromValue(field.value())  # type: ignore[arg-type]  # each its own kind
        entered = special or f"{field.prefix()}{value}{field.suffix()}"
    line = field.lineEdit()
    return line.hasFocus() and line.isModified() and line.text() != entered


def show_text(line: QLineEdit, text: str) -> None:
    """Show a text, but never over what is just being typed."""
    if not is_being_typed(line):
        line.setText(text)


class Calm:
    """Field that leaves the wheel to the form around it, focus or not.

    By Qt's habit the wheel first gives such a field the focus and then turns it: who scrolls past
    a limit would change it without seeing so.
    """

    def wheelEvent(self, event: QWheelEvent) -> None:
        event.ignore()


class CalmSpin(Calm, QDoubleSpinBox):
    """Spin box that never turns with the wheel."""


class CountBox(Calm, QSpinBox):
    """Box for a whole number that never turns with the wheel."""


class DayBox(Calm, QDateEdit):
    """Box for a day that never turns with the wheel."""


def day_field(box: QDateEdit) -> tuple[Callable[[], str], Callable[[str], None], SignalInstance]:
    """Return how a day is read and written as text (ISO), and the signal that it changed."""

    def read() -> str:
        return box.date().toString(Qt.DateFormat.ISODate)

    def write(day: str) -> None:
        box.setDate(QDate.fromString(day, Qt.DateFormat.ISODate))

    return read, write, box.dateChanged


class QuantityBox(CalmSpin):
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
        self._system = ""
        self._stored = low
        self.setKeyboardTracking(False)
        self.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.setMinimumWidth(96)
        self.set_system(SYSTEMS[0])
        self.valueChanged.connect(self._on_value)

    def set_system(self, system: str) -> None:
        """Show the value in another system of units."""
        if system == self._system:
            return
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
        """Show a stored value without telling anyone, but never over what is being typed."""
        self._stored = value
        if is_being_typed(self):
            return
        with QSignalBlocker(self):
            self.setValue(float(shown(value, self._unit, self._system)))

    def _on_value(self, value: float) -> None:
        stored = from_shown(value, self._unit, self._system)
        stored = min(max(stored, self._low), self._high)
        # Trailing binary dust from the conversion would show up in the limits file.
        self._stored = float(f"{stored:.9g}")
        self.stored_changed.emit(self._stored)


class CalmCombo(Calm, QComboBox):
    """Combo box that never turns with the wheel."""

    def __init__(self) -> None:
        super().__init__()
        # Its longest entry must not decide how narrow the form can be.
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(7)


def scrolled(inside: QWidget) -> QScrollArea:
    """Put a form in an area that scrolls up and down only."""
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setWidget(inside)
    inside.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
    return area


def surface_text(surface: str) -> str:
    """Return the name of a surface for a person."""
    names = {
        "gravel": QCoreApplication.translate("forms", "gravel"),
        "earth": QCoreApplication.translate("forms", "earth"),
        "turf": QCoreApplication.translate("forms", "turf"),
    }
    return names.get(surface, surface)
