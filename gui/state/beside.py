"""What a person sets in the panes beside the findings: it is kept, saved and recovered with them.

Means and days of a programme, what a sample is to show, names and days of two surveys, readings
from the field: none of it is part of what was measured, all of it was typed by somebody.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from PySide6.QtCore import QObject, Signal, SignalInstance

__all__ = ["LATER_SURVEY", "OTHER_SURVEY", "SECOND", "Beside", "KeptFields"]

SECOND, OTHER_SURVEY, LATER_SURVEY = "second", "other survey", "later survey"
"""Under these names: the grid, the findings of another survey and those of one after the work that
the findings are compared with."""
_LOOKED_AT = (SECOND, OTHER_SURVEY, LATER_SURVEY)


class Beside(QObject):
    """Plain values by pane, as JSON knows them.

    Signals
    -------
    changed()
        A value is another.
    taken()
        All values are those of other findings now: panes show them.
    """

    changed = Signal()
    taken = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._values: dict[str, Any] = {}
        self._saved = ""

    @property
    def unsaved(self) -> bool:
        """Whether something that was typed is another than in the file."""
        return _typed(self.to_json()) != _typed(self._saved)

    @property
    def comparing(self) -> bool:
        """Whether something is open that the findings are compared with."""
        return any(name in self._values for name in _LOOKED_AT)

    def get(self, pane: str) -> Any:
        """Return what was put for a pane; None where nothing was."""
        return self._values.get(pane)

    def put(self, pane: str, values: Any) -> None:
        """Keep the values of a pane; none at all forgets it."""
        before = self.to_json()
        if values:
            self._values[pane] = values
        else:
            self._values.pop(pane, None)
        if self.to_json() != before:
            self.changed.emit()

    def to_json(self) -> str:
        """Return everything as text for a file; empty where nothing was set."""
        return json.dumps(self._values, sort_keys=True) if self._values else ""

    def take(self, text: str) -> None:
        """Go on with the values of a file; what can't be read is left out."""
        self._saved = text
        self.recover(text)

    def recover(self, text: str) -> None:
        """Go on with values that may be others than those in the file."""
        self._values = _read(text)
        self.taken.emit()
        self.changed.emit()

    def note_saved(self, text: str) -> None:
        """Note what stands in the file now."""
        self._saved = text
        self.changed.emit()


def _read(text: str) -> dict[str, Any]:
    try:
        values = json.loads(text) if text else {}
    except ValueError:
        return {}
    return values if isinstance(values, dict) else {}


def _typed(text: str) -> dict[str, Any]:
    """All but what is only looked at, which is no reason to ask before the window closes."""
    return {pane: values for pane, values in _read(text).items() if pane not in _LOOKED_AT}


class KeptFields(QObject):
    """The fields of one pane whose values are kept, if they differ from the usual ones."""

    def __init__(self, beside: Beside, pane: str, parent: QObject) -> None:
        super().__init__(parent)
        self._beside, self._pane = beside, pane
        self._fields: dict[str, tuple[Callable[[], Any], Callable[[Any], object], Any]] = {}
        self._showing = False
        beside.taken.connect(self.show)

    def add(
        self,
        name: str,
        read: Callable[[], Any],
        write: Callable[[Any], object],
        changed: SignalInstance,
    ) -> None:
        """Keep a field: how it is read and written, and the signal that it changed."""
        self._fields[name] = (read, write, read())
        changed.connect(lambda *_: self.keep())

    def set_usual(self, name: str, value: Any) -> None:
        """Show a value that nobody typed: it is the usual one from now on."""
        read, write, _ = self._fields[name]
        self._showing = True
        try:
            write(value)
        finally:
            self._showing = False
        self._fields[name] = (read, write, read())

    def keep(self) -> None:
        """Keep the values of now."""
        if not self._showing:
            now = {
                name: read() for name, (read, _, usual) in self._fields.items() if read() != usual
            }
            self._beside.put(self._pane, now)

    def show(self) -> None:
        """Show the values that are kept, and the usual ones where none are."""
        kept = self._beside.get(self._pane)
        values: Mapping[str, Any] = kept if isinstance(kept, dict) else {}
        self._showing = True
        try:
            for name, (_, write, usual) in self._fields.items():
                try:
                    write(values.get(name, usual))
                except TypeError:
                    # Another version kept something else under this name.
                    write(usual)
        finally:
            self._showing = False
