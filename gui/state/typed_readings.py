"""Readings that a person typed in: they stand in no file until they are saved to one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

if TYPE_CHECKING:
    from analysis.findings.readings import Reading

__all__ = ["TypedReadings"]


class TypedReadings(QObject):
    """The readings of the window, and whether any of them would be lost with it.

    Attributes
    ----------
    readings
        All of them, in order.
    unsaved
        Whether one was typed in or taken out since they were read from a file or saved.

    Signals
    -------
    changed()
        Either is another.
    """

    changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.readings: tuple[Reading, ...] = ()
        self.unsaved = False

    def put(self, readings: Sequence[Reading], *, unsaved: bool) -> None:
        """Put readings in place of those that were."""
        new = tuple(readings), unsaved and bool(readings)
        if new != (self.readings, self.unsaved):
            self.readings, self.unsaved = new
            self.changed.emit()

    def saved(self, readings: Sequence[Reading]) -> None:
        """Note that readings stand in a file now; those typed in meanwhile don't."""
        if self.readings == tuple(readings):
            self.put(self.readings, unsaved=False)

    def record(self) -> list[dict[str, Any]]:
        """Return what isn't saved as plain values, for a copy to keep."""
        return [asdict(reading) for reading in self.readings] if self.unsaved else []

    def recover(self, record: Sequence[dict[str, Any]]) -> None:
        """Take back what a copy has kept.

        Raises
        ------
        TypeError
            If another version of the program kept it under other names.
        """
        from analysis.findings.readings import Reading

        if record:
            self.put([Reading(**values) for values in record], unsaved=True)
