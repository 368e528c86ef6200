"""Readings from the field: kept, saved and recovered with the findings they are compared with."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from gui.state.beside import Beside

if TYPE_CHECKING:
    from analysis.findings.readings import Reading

__all__ = ["TypedReadings"]

_PANE = "readings"
# Of these a reading may have none, and yet they must be given.
_UNKNOWN = dict.fromkeys(("station_m", "reading_mm", "board_m"), math.nan)


class TypedReadings(QObject):
    """The readings of the window, typed in or from a file.

    Attributes
    ----------
    readings
        All of them, in order.

    Signals
    -------
    changed()
        They are others.
    """

    changed = Signal()

    def __init__(self, beside: Beside, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._beside = beside
        self.readings: tuple[Reading, ...] = ()
        beside.taken.connect(self._take)

    def put(self, readings: Sequence[Reading]) -> None:
        """Put readings in place of those that were."""
        if tuple(readings) != self.readings:
            self.readings = tuple(readings)
            # Unknown numbers are left out: JSON has none.
            kept = [{n: v for n, v in asdict(one).items() if v == v} for one in self.readings]
            self._beside.put(_PANE, kept)
            self.changed.emit()

    def _take(self) -> None:
        """Take back what was kept; what another version kept under other names is left out."""
        kept = self._beside.get(_PANE) or []
        if not kept and not self.readings:
            return
        from analysis.findings.readings import Reading

        readings = []
        for values in kept:
            try:
                readings.append(Reading(**{**_UNKNOWN, **values}))
            except TypeError:
                continue
        self.readings = tuple(readings)
        self.changed.emit()
