"""A table: named columns of one length, as people and other programs read them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import Column

__all__ = ["Table", "column"]


@dataclass(frozen=True, slots=True)
class Table:
    """Named columns of one length; numbers are float arrays (NaN unknown), texts object arrays."""

    columns: Mapping[str, NDArray[Any]]

    def __post_init__(self) -> None:
        """Refuse columns of unequal length: a row would then mix two stations."""
        lengths = {name: len(column) for name, column in self.columns.items()}
        if len(set(lengths.values())) > 1:
            raise ValueError(f"columns of one table must be equally long, got {lengths}")

    def __repr__(self) -> str:
        return f"<Table of {len(self)} rows: {', '.join(self.columns)}>"

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()))) if self.columns else 0

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.columns[name]

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def names(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(self.columns)

    def row(self, index: int) -> dict[str, Any]:
        """One row as a plain dictionary."""
        return {name: column[index] for name, column in self.columns.items()}

    def where(self, keep: NDArray[Any]) -> Table:
        """Return the rows that a mask or an index array keeps."""
        return Table({name: column[keep] for name, column in self.columns.items()})

    def joined(self, other: Table) -> Table:
        """Return this table's rows, then those of another with the same columns."""
        parts = ((name, [column, other[name]]) for name, column in self.columns.items())
        return Table({name: np.concatenate(columns) for name, columns in parts})

    @classmethod
    def of(cls, columns: Mapping[str, Column], values: Mapping[str, Any]) -> Table:
        """Return a table with `columns` from arrays or lists of `values`, flattened."""
        return cls(
            {
                name: np.asarray(
                    values[name], dtype=object if column.type == "str" else float
                ).ravel()
                for name, column in columns.items()
            }
        )

    @classmethod
    def empty(cls, columns: Mapping[str, Column]) -> Table:
        """Return a table without rows."""
        return cls.of(columns, dict.fromkeys(columns, ()))


def column(values: Sequence[Any], kind: str) -> NDArray[Any]:
    """Column for a table: NaN or an empty text where the file has NULL."""
    if kind == "str":
        column = np.empty(len(values), dtype=object)
        column[:] = ["" if value is None else value for value in values]
        return column
    return np.array([np.nan if value is None else float(value) for value in values], dtype=float)
