"""Camber board readings, and the table in which they come back from the field."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from analysis.common.errors import ReadingsError
from analysis.common.given_files import read_text
from analysis.common.limits import FieldLimits, default_limits
from analysis.common.stations import parse_station

__all__ = ["Reading", "expected_fall_mm", "read_readings", "slope_from_board_pct"]

# Heading as written in the file: column of a reading.
_HEADINGS: Mapping[str, str] = {
    **{name: name for name in ("road", "side", "reading_mm", "board_m", "edge_mm", "when")},
    **dict.fromkeys(("station", "station_m"), "station"),
}
_SIDES: Mapping[str, str] = {"left": "left", "l": "left", "right": "right", "r": "right"}
_WHEN: Mapping[str, str] = {"": "before", "before": "before", "after": "after"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading.

    Parameters
    ----------
    road : str
        Empty where the findings hold one road only.
    station_m : float
        Station label in metres.
    side : {"left", "right"}
    reading_mm : float
        Fall of the shoulder over the board, positive outward.
    board_m : float
        Length of the board.
    edge_mm : float
        Step at the pavement edge, positive where the shoulder is lower; NaN = not read.
    when : {"before", "after"}
        Before or after the work.
    line : int
        Line in the file.
    """

    road: str
    station_m: float
    side: str
    reading_mm: float
    board_m: float
    edge_mm: float = math.nan
    when: str = "before"
    line: int = 0

    @property
    def slope_pct(self) -> float:
        """Slope that was read, percent."""
        return slope_from_board_pct(self.reading_mm, self.board_m)


def expected_fall_mm(slope_pct: float, board_m: float) -> float:
    """Fall over a board laid across, 10 mm per metre and percent.

    >>> expected_fall_mm(4.0, 1.20)
    48.0
    """
    return slope_pct * board_m * 10.0


def slope_from_board_pct(reading_mm: float, board_m: float) -> float:
    """Slope from the fall over a board; the inverse of `expected_fall_mm`."""
    return reading_mm / (10.0 * board_m)


def read_readings(
    path: str | os.PathLike[str], limits: FieldLimits | None = None
) -> tuple[Reading, ...]:
    """Read a table of readings.

    Columns ``station`` (1+240 or metres), ``side``, ``reading_mm``; if wanted ``road``,
    ``board_m`` (else the limit's), ``edge_mm``, ``when`` (before or after). Separated by comma,
    semicolon or tab; a decimal comma is read where it isn't the separator. Rows without a reading
    are left out: a sheet may come back half filled. Other columns are ignored.

    Raises
    ------
    ReadingsError
        One sentence with the file, the line and what to write there.
    """
    file = Path(path)
    limits = limits or default_limits().field
    text = read_text(file, "The readings file", ReadingsError)
    head = text.split("\n", 1)[0]
    separator = max(",;\t", key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        raise ReadingsError(f"{file.name} isn't a readable CSV table: {error}.") from None
    if not rows:
        raise ReadingsError(f"{file.name} is empty; it needs station, side and reading_mm.")
    columns = {
        _HEADINGS[name.strip().lower()]: k
        for k, name in enumerate(rows[0])
        if name.strip().lower() in _HEADINGS
    }
    for name in ("station", "side", "reading_mm"):
        if name not in columns:
            raise ReadingsError(
                f"{file.name} has no column {name}; it needs station, side and reading_mm."
            )
    readings = []
    for number, row in enumerate(rows[1:], start=2):
        if any(cell.strip() for cell in row[len(rows[0]) :]):
            raise ReadingsError(
                f"Line {number} of {file.name} has more cells than its first line names: write "
                "decimals with a point (40.5), or separate the cells by semicolons."
            )
        cells = {name: row[k].strip() if k < len(row) else "" for name, k in columns.items()}
        if cells["reading_mm"]:
            readings.append(_reading(cells, file.name, number, separator, limits))
    if not readings:
        raise ReadingsError(f"{file.name} holds no reading; fill in the column reading_mm.")
    return tuple(readings)


def _reading(
    cells: Mapping[str, str], name: str, line: int, separator: str, limits: FieldLimits
) -> Reading:
    where = f"line {line} of {name}"
    try:
        station = parse_station(_point(cells["station"], separator))
    except ValueError:
        raise ReadingsError(
            f"The station {cells['station']!r} in {where} can't be read; write 1+240 or metres."
        ) from None
    side = _SIDES.get(cells["side"].lower())
    if side is None:
        raise ReadingsError(f"The side {cells['side']!r} in {where} must be left or right.")
    when = _WHEN.get(cells.get("when", "").lower())
    if when is None:
        raise ReadingsError(f"{cells['when']!r} in {where} must be before or after, or empty.")
    return Reading(
        road=cells.get("road", ""),
        station_m=station,
        side=side,
        reading_mm=_value(cells, "reading_mm", (-1000.0, 1000.0), math.nan, where, separator),
        board_m=_value(cells, "board_m", (0.3, 4.0), limits.board_m.value, where, separator),
        edge_mm=_value(cells, "edge_mm", (-500.0, 500.0), math.nan, where, separator),
        when=when,
        line=line,
    )


def _point(text: str, separator: str) -> str:
    """Turn a decimal comma into a point, where a comma can't be the separator."""
    return text.replace(",", ".") if separator != "," else text


def _value(
    cells: Mapping[str, str],
    name: str,
    allowed: tuple[float, float],
    default: float,
    where: str,
    separator: str,
) -> float:
    text = cells.get(name, "")
    if not text:
        return default
    low, high = allowed
    try:
        number = float(_point(text, separator))
    except ValueError:
        number = math.nan
    # NaN fails the comparison too.
    if not low <= number <= high:
        raise ReadingsError(
            f"{name} in {where} is {text!r}; it must be a number from {low:g} to {high:g}."
        )
    return number
