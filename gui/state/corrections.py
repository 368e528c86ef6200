"""What a person corrects of single breaks, and the table that is kept of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analysis.common.table import Table

__all__ = ["Corrections", "StationKey", "correction_table", "corrections_of"]


class StationKey(NamedTuple):
    """Where a person's correction belongs; kept across runs, whatever the spacing."""

    road: str
    distance_m: float
    side: str
    what: str


# Metres outward by place.
Corrections = Mapping[StationKey, float]


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
