"""Edits that can be undone."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from PySide6.QtGui import QUndoCommand

__all__ = ["Edit"]

# Two steps of one spin box within this time are one edit for undo.
MERGE_WITHIN_S = 1.0


class Edit(QUndoCommand):
    """One edit that can be undone: `put` is handed the new value, or the old one again."""

    def __init__(
        self, text: str, put: Callable[[Any], None], old: Any, new: Any, merge: str
    ) -> None:
        super().__init__(text)
        self._put, self._old, self._new = put, old, new
        self._merge, self._at = merge, time.monotonic()

    def id(self) -> int:
        return 1 if self._merge else -1

    def mergeWith(self, other: QUndoCommand) -> bool:
        if not isinstance(other, Edit) or other._merge != self._merge:
            return False
        if other._at - self._at > MERGE_WITHIN_S:
            return False
        self._new, self._at = other._new, other._at
        if self._new == self._old:
            self.setObsolete(True)
        return True

    def redo(self) -> None:
        self._put(self._new)

    def undo(self) -> None:
        self._put(self._old)
