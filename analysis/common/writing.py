"""Numbers and places as sheets write them: metric or US, errors beside values, unknown said so."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from analysis.common.columns import REACH_COLUMNS, STATION_COLUMNS
from analysis.common.errors import SettingsError
from analysis.common.stations import StationStyle, station_text
from analysis.common.units import METRIC, SYSTEMS, US, Unit, unit_of

__all__ = ["UNKNOWN", "Writing", "chance_text"]

UNKNOWN = "unknown"

_AMOUNT = re.compile(
    r"(?<![\w.])(?P<value>[+-]?\d+(?:\.\d+)?)(?: ± (?P<error>\d+(?:\.\d+)?))? "
    r"(?P<unit>mm|m³|m)(?![\w²³/])"
)
"""An amount as the sentences of findings write it, with its error where that is told."""


@dataclass(frozen=True, slots=True)
class Writing:
    """How numbers and places are written: a system of units and a style of stations."""

    system: str = METRIC
    station_style: StationStyle | None = None

    def __post_init__(self) -> None:
        """Refuse a system that isn't known."""
        if self.system not in SYSTEMS:
            raise SettingsError(f"The units {self.system!r} aren't known; use metric or us.")

    @property
    def style(self) -> StationStyle:
        """How stations are written: as given, else as is usual with the units."""
        return self.station_style or ("feet-hundreds" if self.system == US else "km")

    def place(self, station_m: float) -> str:
        """Station as it is written."""
        return station_text(station_m, style=self.style)

    def unit(self, name: str) -> Unit:
        """How a column of the findings, or else a stored unit, is written."""
        column = STATION_COLUMNS.get(name) or REACH_COLUMNS.get(name)
        return column.shown(self.system) if column else unit_of(name, self.system)

    def bare(self, value: float, name: str, se: float = math.nan) -> str:
        """Value of a column or in a unit, without its unit; with its error where that is known."""
        if not math.isfinite(value):
            return UNKNOWN
        unit = self.unit(name)
        # Rounding to "-0.0" would show a direction that isn't there.
        text = f"{round(value * unit.factor, unit.decimals) + 0.0:,.{unit.decimals}f}"
        return f"{text} ± {se * unit.factor:,.{unit.decimals}f}" if math.isfinite(se) else text

    def say(self, value: float, name: str, se: float = math.nan) -> str:
        """Value with its unit, and with its standard error where that is known."""
        if name.startswith("p_"):
            return chance_text(value)
        text = self.bare(value, name, se)
        return text if text == UNKNOWN else f"{text} {self.unit(name).text}"

    def length(self, metres: float) -> str:
        """Return a length along the road."""
        return self.say(metres, "length_m")

    def span(self, from_m: float, to_m: float) -> str:
        """Two stations as a stretch."""
        return f"{self.place(from_m)} to {self.place(to_m)}"

    def recorded(self, sentence: str) -> str:
        """Return a sentence of the findings, which are kept in metric units, in these units.

        >>> Writing("us").recorded("Up to 51 mm high over 61 m: cut 7.6 ± 1.5 m³.")
        'Up to 2.0 in high over 200 ft: cut 9.9 ± 2.0 yd³.'
        """
        return sentence if self.system == METRIC else _AMOUNT.sub(self._reworded, sentence)

    def _reworded(self, found: re.Match[str]) -> str:
        value, error, unit = found["value"], found["error"], found["unit"]
        stored = {"m³": "m3"}.get(unit, unit)
        shown = unit_of(stored, self.system)
        # lengths along a road are told without decimals, widths and cells with them
        plain = stored == "m" and "." not in value
        decimals = 0 if plain and float(value) >= 10.0 else shown.decimals

        def said(text: str) -> str:
            sign = "+" if text.startswith("+") else ""
            amount = round(float(text) * shown.factor, decimals) + 0.0
            return f"{sign}{amount:.{decimals}f}"

        within = f" ± {said(error)}" if error else ""
        return f"{said(value)}{within} {shown.text}"


def chance_text(probability: float) -> str:
    """Probability in percent, never rounded to a certainty that nobody has."""
    if not math.isfinite(probability):
        return UNKNOWN
    percent = 100.0 * probability
    return "< 1 %" if percent < 1.0 else "> 99 %" if percent > 99.0 else f"{percent:.0f} %"
