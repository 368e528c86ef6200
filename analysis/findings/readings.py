"""Camber board readings, and the table in which they come back from the field."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.common.errors import ReadingsError
from analysis.common.given_files import read_text
from analysis.common.limits import FieldLimits, default_limits
from analysis.common.outputs import safe_cell
from analysis.common.stations import parse_station
from analysis.common.units import METRES_PER_FOOT, METRES_PER_INCH

__all__ = [
    "FALL_COLUMNS",
    "FORM_COLUMNS",
    "ReadBack",
    "Reading",
    "expected_fall_mm",
    "read_readings",
]
__all__ += ["reading_of", "slope_from_board_pct", "us_form_columns"]

FORM_COLUMNS = (
    *("place", "road", "station", "side", "latitude", "longitude", "reading_mm", "reading_2_mm"),
    *("reading_3_mm", "board_m", "board", "edge_mm", "sheds", "when", "note"),
)
"""Columns of the table as it is handed out; of these only side, reading_mm and a place are needed.
"""

FALL_COLUMNS = ("reading_mm", "reading_2_mm", "reading_3_mm")
"""Falls at one place, one each time that the board was laid."""

_TEXTS = ("place", "road", "station", "side", "board", "sheds", "when")
_NUMBERS = ("board_m", "edge_mm", "latitude", "longitude", *FALL_COLUMNS)
# Heading as written in the file: column of a reading.
_HEADINGS: Mapping[str, str] = {
    **{name: name for name in (*_TEXTS, *_NUMBERS)},
    "station_m": "station",
}
_US_HEADINGS: Mapping[str, tuple[str, float]] = {
    **{name.replace("_mm", "_in"): (name, 1000.0 * METRES_PER_INCH) for name in FALL_COLUMNS},
    "edge_in": ("edge_mm", 1000.0 * METRES_PER_INCH),
    "board_ft": ("board_m", METRES_PER_FOOT),
}
"""Headings in US units: the column that they stand for, and what its numbers are multiplied by."""

_SIDES: Mapping[str, str] = {"left": "left", "l": "left", "right": "right", "r": "right"}
_WHEN: Mapping[str, str] = {"": "before", "before": "before", "after": "after"}
_SHEDS: Mapping[str, bool | None] = {
    "": None,
    **dict.fromkeys(("yes", "y", "1", "true"), True),
    **dict.fromkeys(("no", "n", "0", "false"), False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading.

    Parameters
    ----------
    road : str
        Empty where the findings hold one road only.
    station_m : float
        Station label in metres; NaN where a position tells the place.
    side : {"left", "right"}
    reading_mm : float
        Fall of the shoulder over the board, positive outward; the mean where it was laid often.
    board_m : float
        Length of the board.
    edge_mm : float
        Step at the pavement edge, positive where the shoulder is lower; NaN = not read.
    when : {"before", "after"}
        Before or after the work.
    line : int
        Line in the file; 0 = typed in.
    laid : int
        How often the board was laid there.
    place : str
        Name of the place on the form.
    board : str
        Which board: readings with one board share its bias.
    sheds : bool or None
        What whoever stood there saw: does water leave? None = not said.
    latitude, longitude : float
        Position in WGS 84, degrees; NaN = not given.
    """

    road: str
    station_m: float
    side: str
    reading_mm: float
    board_m: float
    edge_mm: float = math.nan
    when: str = "before"
    line: int = 0
    laid: int = 1
    place: str = ""
    board: str = ""
    sheds: bool | None = None
    latitude: float = math.nan
    longitude: float = math.nan

    @property
    def slope_pct(self) -> float:
        """Slope that was read, percent."""
        return slope_from_board_pct(self.reading_mm, self.board_m)

    def slope_se(self, limits: FieldLimits) -> float:
        """Standard error of that slope by reading the board alone, its bias left out."""
        return limits.board_se_mm.value / (10.0 * self.board_m * math.sqrt(self.laid))


@dataclass(frozen=True, slots=True)
class ReadBack:
    """A table as it came back: readings, and a sentence for each line that can't be used."""

    readings: tuple[Reading, ...]
    faults: tuple[str, ...] = ()


def expected_fall_mm(slope_pct: float, board_m: float) -> float:
    """Fall over a board laid across, 10 mm per metre and percent.

    >>> expected_fall_mm(4.0, 1.20)
    48.0
    """
    return slope_pct * board_m * 10.0


def slope_from_board_pct(reading_mm: float, board_m: float) -> float:
    """Slope from the fall over a board; the inverse of `expected_fall_mm`."""
    return reading_mm / (10.0 * board_m)


def read_readings(path: str | os.PathLike[str], limits: FieldLimits | None = None) -> ReadBack:
    """Read a table of readings.

    Columns ``side``, ``reading_mm`` and ``station`` (1+240 or metres), or ``latitude`` and
    ``longitude`` in its place; if wanted ``road``, ``reading_2_mm`` and ``reading_3_mm`` where the
    board was laid more than once, ``board_m`` (else the limit's), ``board`` (which one),
    ``edge_mm``, ``sheds`` (yes or no, as seen), ``when`` (before or after), ``place``. In US units
    ``reading_in``, ``edge_in`` and ``board_ft`` stand in for theirs. Separated by comma, semicolon
    or tab; decimals with a point or a comma. Rows without a reading are left out: a sheet may come
    back half filled. Other columns are ignored.

    Returns
    -------
    ReadBack
        Rows that can't be used are told by line; the others are kept.

    Raises
    ------
    ReadingsError
        If no row can be used: one sentence with the file, the line and what to write there.
    """
    file = Path(path)
    limits = limits or default_limits().field
    rows = _rows(read_text(file, "The readings file", ReadingsError), file.name)
    if not rows:
        raise ReadingsError(f"{file.name} is empty; it needs station, side and reading_mm.")
    heads = [name.strip().lower() for name in rows[0][1]]
    columns = {_HEADINGS[name]: k for k, name in enumerate(heads) if name in _HEADINGS}
    foreign = {_US_HEADINGS[name]: k for k, name in enumerate(heads) if name in _US_HEADINGS}
    columns |= {name: k for (name, _), k in foreign.items()}
    placed = "station" in columns or {"latitude", "longitude"} <= columns.keys()
    for name, there in (
        ("station", placed),
        ("side", "side" in columns),
        ("reading_mm", "reading_mm" in columns),
    ):
        if not there:
            raise ReadingsError(
                f"{file.name} has no column {name}; it needs station, side and reading_mm."
            )
    readings, faults = [], []
    for line, row in rows[1:]:
        cells = {name: row[k].strip() if k < len(row) else "" for name, k in columns.items()}
        for name, factor in foreign:
            cells[name] = _converted(cells[name], factor)
        try:
            if any(cell.strip() for cell in row[len(heads) :]):
                raise ReadingsError(
                    f"Line {line} of {file.name} has more cells than its first line names: write "
                    "decimals with a point (40.5), or separate the cells by semicolons."
                )
            if any(cells.get(name) for name in (*FALL_COLUMNS, "edge_mm", "sheds")):
                where = f"line {line} of {file.name}"
                readings.append(replace(reading_of(cells, where, limits), line=line))
        except ReadingsError as fault:
            faults.append(str(fault))
    if not readings:
        raise ReadingsError(
            faults[0] if faults else f"{file.name} holds no reading; fill in the column reading_mm."
        )
    return ReadBack(tuple(readings), tuple(faults))


def _rows(text: str, name: str) -> list[tuple[int, list[str]]]:
    """Rows of a table that hold anything, each with its line in the file."""
    first, _, rest = text.partition("\n")
    skipped = 0
    if first.strip().lower().startswith("sep="):
        # some spreadsheets put the separator on a line of its own before the table
        text, skipped = rest, 1
        first = rest.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows, begin = [], skipped + 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((begin, row))
            begin = skipped + reader.line_num + 1
    except csv.Error as error:
        raise ReadingsError(f"{name} isn't a readable CSV table: {error}.") from None
    return rows


def reading_of(cells: Mapping[str, str], where: str, limits: FieldLimits) -> Reading:
    """Make a reading of texts by column, as a file or a person gives them.

    Parameters
    ----------
    cells : mapping
        Texts by the names of `FORM_COLUMNS`; what isn't there is empty.
    where : str
        Where the texts stand, as in "line 4 of field.csv", for what is wrong with them.
    limits : FieldLimits
        For the length of the board where it isn't given.

    Raises
    ------
    ReadingsError
        One sentence that says what can't be read and what to write.
    """
    latitude = _value(cells, "latitude", (-90.0, 90.0), math.nan, where)
    longitude = _value(cells, "longitude", (-180.0, 180.0), math.nan, where)
    station = math.nan
    if cells.get("station") or math.isnan(latitude + longitude):
        text = cells.get("station", "")
        try:
            station = parse_station(_point(text))
        except ValueError:
            raise ReadingsError(
                f"The station {text!r} in {where} can't be read; write 1+240 or metres."
            ) from None
    side = _SIDES.get(cells.get("side", "").lower())
    if side is None:
        raise ReadingsError(f"The side {cells.get('side', '')!r} in {where} must be left or right.")
    when = _WHEN.get(cells.get("when", "").lower())
    if when is None:
        raise ReadingsError(f"{cells['when']!r} in {where} must be before or after, or empty.")
    sheds = cells.get("sheds", "").lower()
    if sheds not in _SHEDS:
        raise ReadingsError(f"sheds in {where} is {cells['sheds']!r}; it must be yes, no or empty.")
    falls = _falls(cells, where)
    return Reading(
        road=_plain(cells.get("road", "")),
        station_m=station,
        side=side,
        reading_mm=sum(falls) / len(falls) if falls else math.nan,
        board_m=_value(cells, "board_m", (0.3, 4.0), limits.board_m.value, where),
        edge_mm=_value(cells, "edge_mm", (-500.0, 500.0), math.nan, where),
        when=when,
        laid=max(len(falls), 1),
        place=_plain(cells.get("place", "")),
        board=_plain(cells.get("board", "")),
        sheds=_SHEDS[sheds],
        latitude=latitude,
        longitude=longitude,
    )


def _falls(cells: Mapping[str, str], where: str) -> Sequence[float]:
    """Falls that were read, as often as the board was laid."""
    falls = [_value(cells, name, (-1000.0, 1000.0), math.nan, where) for name in FALL_COLUMNS]
    return [fall for fall in falls if not math.isnan(fall)]


def us_form_columns() -> tuple[str, ...]:
    """Columns of the table as it is handed out in US units."""
    names = {name: heading for heading, (name, _) in _US_HEADINGS.items()}
    return tuple(names.get(name, name) for name in FORM_COLUMNS)


def _converted(text: str, factor: float) -> str:
    """Number times a factor; what is no number stays as it is and is told later."""
    try:
        return f"{float(_point(text)) * factor:.9g}"
    except ValueError:
        return text


def _plain(text: str) -> str:
    """Take off the apostrophe that keeps a spreadsheet from running a text."""
    return text[1:] if text.startswith("'") and safe_cell(text[1:]) == text else text


def _point(text: str) -> str:
    """Turn a decimal comma into a point: within a cell no comma can be anything else."""
    return text.replace(",", ".")


def _value(
    cells: Mapping[str, str], name: str, allowed: tuple[float, float], default: float, where: str
) -> float:
    text = cells.get(name, "")
    if not text:
        return default
    low, high = allowed
    try:
        number = float(_point(text))
    except ValueError:
        number = math.nan
    # NaN fails the comparison too.
    if not low <= number <= high:
        raise ReadingsError(
            f"{name} in {where} is {text!r}; it must be a number from {low:g} to {high:g}."
        )
    return number
