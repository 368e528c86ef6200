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
from analysis.common.stations import station_text
from analysis.common.table import Table
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


def change_text(change: SurveyChange) -> str:
    """Say in plain text what changed, reach by reach."""
    dates, table = change.dates, change.reaches
    lines = [
        f"{dates.before_name} ({dates.before}) against {dates.after_name} ({dates.after}).",
        straight_rate_text(dates),
    ]
    for row, register in enumerate(change.registrations):
        reach = table.row(row)
        place = (
            f"{reach['road']}, {reach['side']}, {station_text(float(reach['from_m']))} to "
            f"{station_text(float(reach['to_m']))}: {reach['change']}"
        )
        if not math.isfinite(float(reach["slope_change_points"])):
            lines.append(f"{place}. {reach['reason']}")
            continue
        lines.append(
            f"{place}; slope {_change(reach, 'slope', '%', '% points')}, edge drop "
            f"{_change(reach, 'drop', 'mm', 'mm')}, material {reach['volume_change_m3']:+.1f} ± "
            f"{reach['volume_change_se']:.1f} m³. {reach['reason']} {registered_text(register)}"
        )
    counts = Counter(str(state) for state in table["change"])
    told = ", ".join(f"{counts[s]} {s}" for s in (CHANGED, NOT_CHANGED, OPEN) if counts[s])
    return "\n".join([*lines, f"Reaches: {told or 'none'}.", *CAUTIONS])


def _change(reach: Mapping[str, object], name: str, unit: str, change_unit: str) -> str:
    places = 0 if unit == "mm" else 1
    ending, change = ("mm", "mm") if unit == "mm" else ("pct", "points")

    def number(key: str) -> float:
        return float(str(reach[f"{name}_{key}"]))

    def said(value: float, sign: str = "") -> str:
        return f"{round(value, places) + 0.0:{sign}.{places}f}"

    third, off = number(f"third_{ending}"), 1.96 * number("third_se")
    return (
        f"{said(number(f'change_{change}'), '+')} ± {said(number('change_se'))} {change_unit} "
        f"({said(number(f'before_{ending}'))} to {said(number(f'after_{ending}'))} {unit}; at a "
        f"straight rate {said(third - off)} to {said(third + off)} {unit}, 95 %)"
    )
