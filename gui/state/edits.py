"""What a person changes: corrections of breaks, and edits that can be undone."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from PySide6.QtGui import QUndoCommand

if TYPE_CHECKING:
    from analysis.common.table import Table

__all__ = ["Corrections", "Edit", "StationKey", "correction_table", "corrections_of"]

# Two steps of one spin box within this time are one edit for undo.
MERGE_WITHIN_S = 1.0


class StationKey(NamedTuple):
    """Where a person's correction belongs; kept across runs, whatever the spacing."""

    road: str
    distance_m: float
    side: str
    what: str


# Metres outward by place.
Corrections = Mapping[StationKey, float]


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


def correction_table(corrections: Corrections) -> Table:
    """Corrections as the table that `analysis` and the file hold."""
    from analysis.common.columns import EDIT_COLUMNS
    from analysis.common.table import Table

    keys = list(corrections)
    return Table.of(
        EDIT_COLUMNS,
        {
            **{name: [getattr(key, name) for key in keys] for name in StationKey._fields},
            "u_m": [corrections[key] for key in keys],
        },
    )


def corrections_of(table: Table) -> dict[StationKey, float]:
    """Corrections from the table in a file."""
    return {
        StationKey(
            str(table["road"][row]),
            round(float(table["distance_m"][row]), 3),
            str(table["side"][row]),
            str(table["what"][row]),
        ): float(table["u_m"][row])
        for row in range(len(table))
    }
