"""Text that was typed but not entered: it outlives a crash, and closing asks about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from PySide6.QtCore import QCoreApplication, QObject

from analysis.findings.reviews import Place

__all__ = ["Drafts"]

Read = Callable[[], str]
Write = Callable[[str], object]


class Drafts(QObject):
    """What stands in fields until a key or button takes it.

    Attributes
    ----------
    notes, reasons
        Of findings that are under review, by their place: a note, own words why it is wrong.
    """

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.notes: dict[Place, str] = {}
        self.reasons: dict[Place, str] = {}
        self._fields: dict[str, tuple[Read, Write]] = {}
        self._coming: dict[str, str] = {}

    def hold(self, name: str, read: Read, write: Write, owner: QObject) -> None:
        """Hold what a field says from now on, for as long as its `owner` lives.

        `name` is what a person calls the field. What was typed there before a crash is written
        at once.
        """
        self._fields[name] = (read, write)
        owner.destroyed.connect(lambda: self._fields.pop(name, None))
        if name in self._coming:
            write(self._coming.pop(name))

    def typed(self) -> dict[str, str]:
        """Return the text of every held field that has some, also of such as aren't made yet."""
        there = {name: text for name, (read, _) in self._fields.items() if (text := read())}
        return {**self._coming, **there}

    def names(self) -> list[str]:
        """Return what a person calls the fields that hold text."""
        found = list(self.typed())
        if any(map(str.strip, self.notes.values())):
            found.append(QCoreApplication.translate("Drafts", "Note of the review"))
        if any(map(str.strip, self.reasons.values())):
            found.append(QCoreApplication.translate("Drafts", "Reason in own words"))
        return found

    def record(self) -> dict[str, Any]:
        """Return everything as plain values, for a copy to keep; empty where nothing is."""
        texts = {"notes": self.notes, "reasons": self.reasons}
        kept: dict[str, Any] = {
            name: [[*place, text] for place, text in found.items()]
            for name, found in texts.items()
            if found
        }
        return {**kept, "fields": typed} if (typed := self.typed()) else kept

    def recover(self, record: Mapping[str, Any]) -> None:
        """Put back what a copy has kept.

        Raises
        ------
        TypeError, ValueError
            If another version of the program kept it in another way.
        """
        for texts, name in ((self.notes, "notes"), (self.reasons, "reasons")):
            for *place, text in record.get(name, ()):
                texts[Place(*place)] = str(text)
        for name, text in dict(record.get("fields", {})).items():
            if name in self._fields:
                self._fields[name][1](str(text))
            else:
                self._coming[name] = str(text)

    def forget(self) -> None:
        """Drop everything: other findings are open, or the person let it go."""
        self.notes.clear()
        self.reasons.clear()
        self._coming.clear()
        for name in self.typed():
            self._fields[name][1]("")
