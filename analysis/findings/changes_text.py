"""What changed between two surveys, in words and as tables."""

from __future__ import annotations

import csv
import io
import math
import os
from collections import Counter
from collections.abc import Mapping

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import REACH_CHANGE_COLUMNS, STATION_CHANGE_COLUMNS, Column
from analysis.common.outputs import safe_cell
from analysis.common.table import Table
from analysis.common.units import Unit
from analysis.common.writing import Writing
from analysis.findings.geopackage import plain_value
from analysis.findings.placed import write_text
from analysis.findings.registering import registered_text
from analysis.findings.two_surveys import CHANGED, NOT_CHANGED, OPEN, Dates, SurveyChange

__all__ = ["change_text", "straight_rate_text", "write_reach_changes", "write_station_changes"]


def write_station_changes(change: SurveyChange, path: str | os.PathLike[str]) -> None:
    """Write the changes by station side as a CSV table; unknown is empty, positions by label.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    _write(change.stations, STATION_CHANGE_COLUMNS, path)


def write_reach_changes(change: SurveyChange, path: str | os.PathLike[str]) -> None:
    """Write the changes by reach likewise."""
    _write(change.reaches, REACH_CHANGE_COLUMNS, path)


def _write(table: Table, columns: Mapping[str, Column], path: str | os.PathLike[str]) -> None:
    stream = io.StringIO(newline="")
    out = csv.writer(stream, lineterminator="\r\n")
    out.writerow(columns)
    for row in range(len(table)):
        values = (plain_value(table[name][row], column.type) for name, column in columns.items())
        out.writerow([_cell(value) for value in values])
    # The mark tells spreadsheets that this is UTF-8.
    write_text(path, "\ufeff" + stream.getvalue())


def _cell(value: object) -> str:
    if isinstance(value, str):
        return safe_cell(value)
    return "" if value is None else f"{value:.6g}"


def straight_rate_text(dates: Dates) -> str:
    """Say what the numbers at the third date are, and what they aren't."""
    return (
        f"For {dates.reckoned} a straight line through both surveys, {dates.years:.1f} years "
        "apart: nothing shows that it goes on like this, and its error grows with the distance."
    )


def change_text(change: SurveyChange, writing: Writing | None = None) -> str:
    """Say in plain text what changed, reach by reach."""
    writing = writing or Writing()
    dates, table = change.dates, change.reaches
    lines = [
        f"{dates.before_name} ({dates.before}) against {dates.after_name} ({dates.after}).",
        straight_rate_text(dates),
    ]
    for row, register in enumerate(change.registrations):
        reach = table.row(row)
        stretch = writing.span(float(reach["from_m"]), float(reach["to_m"]))
        place = f"{reach['road']}, {reach['side']}, {stretch}: {reach['change']}"
        reason = writing.recorded(str(reach["reason"]))
        if not math.isfinite(float(reach["slope_change_points"])):
            lines.append(f"{place}. {reason}")
            continue
        volume = writing.unit("m3")
        material = " ± ".join(
            _said(float(reach[f"volume_change_{name}"]), volume, sign)
            for name, sign in (("m3", "+"), ("se", ""))
        )
        lines.append(
            f"{place}; slope {_change(reach, 'slope', Unit('%', 1.0, 1))}, edge drop "
            f"{_change(reach, 'drop', writing.unit('mm'))}, material {material} "
            f"{volume.text}. {reason} {registered_text(register, writing)}"
        )
    counts = Counter(str(state) for state in table["change"])
    told = ", ".join(f"{counts[s]} {s}" for s in (CHANGED, NOT_CHANGED, OPEN) if counts[s])
    return "\n".join([*lines, f"Reaches: {told or 'none'}.", *CAUTIONS])


def _said(value: float, unit: Unit, sign: str = "") -> str:
    # Rounding to "-0.0" would show a direction that isn't there.
    return f"{round(value * unit.factor, unit.decimals) + 0.0:{sign}.{unit.decimals}f}"


def _change(reach: Mapping[str, object], name: str, unit: Unit) -> str:
    slope = name == "slope"
    ending, change = ("pct", "points") if slope else ("mm", "mm")

    def number(key: str) -> float:
        return float(str(reach[f"{name}_{key}"]))

    def said(value: float, sign: str = "") -> str:
        return _said(value, unit, sign)

    third, off = number(f"third_{ending}"), 1.96 * number("third_se")
    return (
        f"{said(number(f'change_{change}'), '+')} ± {said(number('change_se'))} "
        f"{'% points' if slope else unit.text} "
        f"({said(number(f'before_{ending}'))} to {said(number(f'after_{ending}'))} {unit.text}; at "
        f"a straight rate {said(third - off)} to {said(third + off)} {unit.text}, 95 %)"
    )
