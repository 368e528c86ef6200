"""How a person likes the columns of a table: which, how wide, in which order; as last time."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from PySide6.QtWidgets import QTableView

from gui.look.making import later
from gui.look.remembered import remembered

__all__ = ["ColumnHabits"]

# Dragging a border sends a signal for each pixel.
_STORE_MS = 300


class ColumnHabits:
    """Remembers by their names which columns are shown, how wide, and in which order.

    Parameters
    ----------
    view : QTableView
        Its header is watched.
    kind : str
        Of which table; habits of one kind are one.
    """

    def __init__(self, view: QTableView, kind: str) -> None:
        self._view, self._key = view, f"columns/{kind}"
        self._names: Sequence[str] = ()
        self._laying_out = False
        kept = _read(self._key)
        widths, order, shown = (kept.get(name) for name in ("widths", "order", "shown"))
        self._widths: dict[str, int] = {
            str(name): width
            for name, width in (widths.items() if isinstance(widths, dict) else ())
            if isinstance(width, int) and 10 <= width <= 4000
        }
        self._order = [str(name) for name in order] if isinstance(order, list) else []
        self._shown = [str(name) for name in shown] if isinstance(shown, list) else []
        self._due = later(view, self._store, _STORE_MS)
        header = view.horizontalHeader()
        header.sectionResized.connect(self._on_resized)
        header.sectionMoved.connect(self._on_moved)

    def shown(self, usual: Sequence[str], possible: Sequence[str]) -> list[str]:
        """Return which columns a person chose to see, else the `usual` ones."""
        return [name for name in self._shown if name in possible] or list(usual)

    def choose(self, names: Sequence[str]) -> None:
        """Remember which columns a person chose to see."""
        self._shown = list(names)
        self._due.start()

    def lay_out(self, names: Sequence[str], usual: Mapping[str, int]) -> None:
        """Give the columns `names` the widths and order liked, else the `usual` widths."""
        header = self._view.horizontalHeader()
        self._names, self._laying_out = tuple(names), True
        try:
            for place, name in enumerate(names):
                self._view.setColumnWidth(place, self._widths.get(name, usual[name]))
            for at, name in enumerate(in_order(names, self._order)):
                header.moveSection(header.visualIndex(list(names).index(name)), at)
        finally:
            self._laying_out = False

    def _on_resized(self, place: int, _old: int, new: int) -> None:
        if not self._laying_out and new > 0 and place < len(self._names):
            self._widths[self._names[place]] = new
            self._due.start()

    def _on_moved(self, *_places: int) -> None:
        if not self._laying_out:
            header = self._view.horizontalHeader()
            seen = (header.logicalIndex(at) for at in range(header.count()))
            self._order = [self._names[place] for place in seen if place < len(self._names)]
            self._due.start()

    def _store(self) -> None:
        kept = {"widths": self._widths, "order": self._order, "shown": self._shown}
        remembered().set_value(self._key, json.dumps(kept))


def in_order(names: Sequence[str], order: Sequence[str]) -> list[str]:
    """Put names into an order; one that it doesn't know comes after the one it stood behind.

    >>> in_order(["a", "b", "c", "d"], ["d", "a", "c"])
    ['d', 'a', 'b', 'c']
    """
    found = [name for name in order if name in names]
    for at, name in enumerate(names):
        if name not in found:
            found.insert(found.index(names[at - 1]) + 1 if at else 0, name)
    return found


def _read(key: str) -> dict[str, Any]:
    try:
        kept = json.loads(str(remembered().value(key, "") or "{}"))
    except ValueError:
        return {}
    return kept if isinstance(kept, dict) else {}
