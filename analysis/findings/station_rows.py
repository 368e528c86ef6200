"""Rows of the stations table by road and side, for whoever looks up a place or a stretch."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import error_of_mean
from analysis.common.columns import column_of
from analysis.common.table import Table
from analysis.common.types import Floats

__all__ = ["StationRows"]

_DEFAULT_AVERAGE_M = 20.0
_DEFAULT_SPACING_M = 10.0


class StationRows:
    """Rows of a stations table by road and side; made once for many reaches or readings."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.station = np.asarray(table["station_m"], dtype=np.float64)
        self.roads = tuple(dict.fromkeys(str(name) for name in table["road"]))
        keys = [f"{r}|{s}" for r, s in zip(table["road"], table["side"], strict=True)]
        names, index = np.unique(np.array(keys, dtype=str), return_inverse=True)
        order = np.lexsort((self.station, index))
        parts = np.split(order, np.cumsum(np.bincount(index, minlength=names.size))[:-1])
        self.rows = dict(zip(names.tolist(), parts, strict=True)) if names.size else {}
        self._spacing: dict[str, float] = {}

    def of(self, road: str, side: str) -> NDArray[np.intp]:
        """Rows of one side of a road, ascending by label."""
        return np.asarray(self.rows.get(f"{road}|{side}", ()), dtype=np.intp)

    def within(self, road: str, side: str, low_m: float, high_m: float) -> NDArray[np.intp]:
        """Rows between two labels, ascending."""
        rows = self.of(road, side)
        at = self.station[rows]
        return np.asarray(rows[(at >= low_m - 1e-6) & (at <= high_m + 1e-6)])

    def nearest(self, road: str, side: str, station_m: float) -> int | None:
        """Row of the nearest station on that side, None if none is within a spacing."""
        rows = self.of(road, side)
        if rows.size == 0:
            return None
        at = self.station[rows]
        k = int(np.argmin(np.abs(at - station_m)))
        spacing = self.spacing(road, side)
        return int(rows[k]) if abs(at[k] - station_m) <= spacing + 1e-6 else None

    def spacing(self, road: str, side: str) -> float:
        """Usual distance between stations on that side."""
        key = f"{road}|{side}"
        if key not in self._spacing:
            at = self.station[self.of(road, side)]
            usual = float(np.median(np.diff(at))) if at.size > 1 else _DEFAULT_SPACING_M
            self._spacing[key] = usual
        return self._spacing[key]

    def values(self, rows: NDArray[np.intp], name: str) -> Floats:
        """Numbers of a column, NaN where the table lacks it."""
        if name not in self.table:
            return np.full(rows.size, np.nan)
        return np.asarray(self.table[name], dtype=np.float64)[rows]

    def value(self, row: int | None, name: str) -> float:
        """One number of a row; NaN where there is no row or the table lacks the column."""
        known = row is not None and name in self.table
        return float(self.table[name][row]) if known else math.nan

    def stride(self, road: str, side: str) -> int:
        """Stations from one to the next that shares no ground with it; 1 where none do."""
        spacing = self.spacing(road, side)
        return max(1, round(self.average_m / spacing)) if spacing > 0.0 else 1

    def mean(self, rows: NDArray[np.intp], name: str) -> float:
        """Mean of the known values of a column."""
        values = self.values(rows, name)
        known = values[np.isfinite(values)]
        return float(known.mean()) if known.size else math.nan

    def mean_se(self, rows: NDArray[np.intp], name: str) -> float:
        """Standard error of that mean."""
        rows = rows[np.isfinite(self.values(rows, name))]
        return error_of_mean(self.station[rows], *self.errors(rows, name), self.average_m)

    def errors(self, rows: NDArray[np.intp], name: str) -> tuple[Floats, Floats]:
        """Standard errors of a column, and that part of each which a stretch has in common.

        That part is 0 in findings of earlier versions, which don't tell.
        """
        column = column_of(name)
        return self.values(rows, column.error), np.nan_to_num(self.values(rows, column.shared))

    def most(self, rows: NDArray[np.intp], name: str) -> float:
        """Greatest known value of a column."""
        values = self.values(rows, name)
        return float(np.nanmax(values)) if np.isfinite(values).any() else math.nan

    def known_share(self, rows: NDArray[np.intp], name: str) -> float:
        """Share of rows where a column is known."""
        return float(np.isfinite(self.values(rows, name)).mean()) if rows.size else 0.0

    def at(self, rows: NDArray[np.intp], name: str, station_m: float) -> float:
        """Known value nearest to a station."""
        values = self.values(rows, name)
        known = np.isfinite(values)
        if not known.any():
            return math.nan
        nearest = np.argmin(np.abs(self.station[rows][known] - station_m))
        return float(values[known][nearest])

    @property
    def average_m(self) -> float:
        """Averaging length of the measurements, 20 m where the table doesn't say."""
        known = self.values(np.arange(len(self.table)), "average_m")
        known = known[np.isfinite(known)]
        return float(np.median(known)) if known.size else _DEFAULT_AVERAGE_M
