"""Numbers as a person reads them: metric or US units, errors beside values, unknown as unknown.

Inside the program every length is in metres, every slope in percent. Only what is shown, typed
or printed passes through here; files keep the metric columns of the contract.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QCoreApplication, QLocale

from analysis.common.units import (
    CUBIC_METRES_PER_CUBIC_YARD,
    LITRES_PER_US_GALLON,
    METRES_PER_FOOT,
    METRES_PER_INCH,
    METRES_PER_MILE,
    METRES_PER_YARD,
    SQUARE_METRES_PER_SQUARE_FOOT,
    TONNES_PER_SHORT_TON,
)

__all__ = [
    "DASH",
    "METRIC",
    "SYSTEMS",
    "US",
    "Unit",
    "column_unit",
    "error_column",
    "from_shown",
    "number",
    "range_text",
    "shown",
    "unit_of",
    "unit_text",
    "value_text",
]

METRIC, US = "metric", "us"
SYSTEMS = (METRIC, US)
DASH = "–"
_MINUS = "−"


@dataclass(frozen=True, slots=True)
class Unit:
    """How one kind of quantity is shown: `shown = stored * factor`."""

    text: str
    factor: float
    decimals: int


_CUBIC_YARD_M3 = CUBIC_METRES_PER_CUBIC_YARD

# stored unit -> (metric display, US display)
_UNITS: Mapping[str, tuple[Unit, Unit]] = {
    "m": (Unit("m", 1.0, 2), Unit("ft", 1.0 / METRES_PER_FOOT, 1)),
    "mm": (Unit("mm", 1.0, 0), Unit("in", 1e-3 / METRES_PER_INCH, 1)),
    "cm": (Unit("cm", 1.0, 1), Unit("in", 1e-2 / METRES_PER_INCH, 1)),
    "km": (Unit("km", 1.0, 2), Unit("mi", 1000.0 / METRES_PER_MILE, 2)),
    "m2": (Unit("m²", 1.0, 3), Unit("ft²", 1.0 / SQUARE_METRES_PER_SQUARE_FOOT, 2)),
    "m3": (Unit("m³", 1.0, 1), Unit("yd³", 1.0 / _CUBIC_YARD_M3, 1)),
    "m3/m": (Unit("m³/m", 1.0, 3), Unit("yd³/ft", METRES_PER_FOOT / _CUBIC_YARD_M3, 3)),
    "t": (Unit("t", 1.0, 1), Unit("ton", 1.0 / TONNES_PER_SHORT_TON, 1)),
    "t/m3": (Unit("t/m³", 1.0, 2), Unit("ton/yd³", _CUBIC_YARD_M3 / TONNES_PER_SHORT_TON, 2)),
    "km/h": (Unit("km/h", 1.0, 1), Unit("mph", 1000.0 / METRES_PER_MILE, 1)),
    "m/h": (Unit("m/h", 1.0, 0), Unit("ft/h", 1.0 / METRES_PER_FOOT, 0)),
    "m2/h": (Unit("m²/h", 1.0, 0), Unit("yd²/h", METRES_PER_YARD**-2, 0)),
    "l/m2": (Unit("l/m²", 1.0, 1), Unit("gal/yd²", METRES_PER_YARD**2 / LITRES_PER_US_GALLON, 2)),
    "%": (Unit("%", 1.0, 1), Unit("%", 1.0, 1)),
    "points": (Unit("points", 1.0, 1), Unit("points", 1.0, 1)),
    "h": (Unit("h", 1.0, 1), Unit("h", 1.0, 1)),
    "1": (Unit("", 1.0, 2), Unit("", 1.0, 2)),
    "count": (Unit("", 1.0, 0), Unit("", 1.0, 0)),
    "min": (Unit("min", 1.0, 0), Unit("min", 1.0, 0)),
    "h:1v": (Unit(": 1", 1.0, 1), Unit(": 1", 1.0, 1)),
}

# Other spellings of the same stored unit, as limits and files use them.
_ALIASES: Mapping[str, str] = {
    "": "1",
    "ratio": "1",
    "fraction": "1",
    "relative": "1",
    "m³/m³": "1",
    "passes": "count",
    "m²": "m2",
    "m³": "m3",
    "t/m³": "t/m3",
    "H:1V": "h:1v",
}

_SUFFIXES: tuple[tuple[str, str], ...] = (
    ("_m3_loose", "m3"),
    ("_m3", "m3"),
    ("_m2", "m2"),
    ("_mm", "mm"),
    ("_cm", "cm"),
    ("_pct", "%"),
    ("_points", "points"),
    ("_t", "t"),
    ("_m", "m"),
)

# Columns whose unit can't be read off the end of the name.
_COLUMNS: Mapping[str, str] = {
    "pavement_slope_se": "%",
    "shoulder_slope_se": "%",
    "mean_slope_se": "%",
    "edge_drop_se": "mm",
    "rut_se": "mm",
    "ridge_se": "mm",
    "cut_se": "m2",
    "fill_se": "m2",
    "balance_se": "m3",
    "loads": "count",
    "rank": "count",
    "severity": "1",
    "p_wont_shed": "1",
    "p_drop": "1",
    "p_high": "1",
    "p_rut": "1",
    "first_index": "count",
    "last_index": "count",
}


def column_unit(name: str) -> str:
    """Return the stored unit of a table column, from its name; "1" where it has none."""
    if name in _COLUMNS:
        return _COLUMNS[name]
    for suffix, unit in _SUFFIXES:
        if name.endswith(suffix):
            return unit
    return "1"


def error_column(name: str) -> str:
    """Return the name of the column that holds the standard error of another."""
    for suffix in ("_pct", "_mm", "_m2", "_m3", "_points", "_m"):
        if name.endswith(suffix):
            return name[: -len(suffix)] + "_se"
    return name + "_se"


def unit_of(unit: str, system: str = METRIC) -> Unit:
    """Return how values stored in `unit` are shown in a unit system.

    A unit that isn't known is shown as it is stored, under its own name: a wrong factor would
    be worse than no conversion.
    """
    key = _ALIASES.get(unit, unit)
    pair = _UNITS.get(key)
    if pair is None:
        return Unit(unit, 1.0, 2)
    return pair[1] if system == US else pair[0]


def unit_text(unit: str, system: str = METRIC) -> str:
    """Name of the unit in which `unit` is shown."""
    return unit_of(unit, system).text


def shown(
    value: float | NDArray[np.float64], unit: str, system: str = METRIC
) -> float | NDArray[np.float64]:
    """Convert a stored value or array to the shown unit."""
    return value * unit_of(unit, system).factor


def from_shown(value: float, unit: str, system: str = METRIC) -> float:
    """Typed value back in the stored unit."""
    return value / unit_of(unit, system).factor


def number(value: float, decimals: int) -> str:
    """Figure in the reader's locale, with a true minus sign; a dash where it is unknown."""
    if value is None or not math.isfinite(value):
        return DASH
    # Rounding to "-0.0" would show a direction that isn't there.
    rounded = round(float(value), decimals) + 0.0
    locale = QLocale()
    locale.setNumberOptions(QLocale.NumberOption.OmitGroupSeparator)
    return locale.toString(rounded, "f", decimals).replace("-", _MINUS)


def value_text(
    value: float,
    unit: str,
    system: str = METRIC,
    *,
    se: float | None = None,
    with_unit: bool = True,
    decimals: int | None = None,
) -> str:
    """Value with its standard error and unit, as "3.4 ± 0.6 %"; "unknown" if not measured.

    An error that is itself unknown is left out rather than shown as 0.
    """
    if value is None or not math.isfinite(value):
        return QCoreApplication.translate("units", "unknown")
    how = unit_of(unit, system)
    places = how.decimals if decimals is None else decimals
    text = number(value * how.factor, places)
    if se is not None and math.isfinite(se):
        text += f" ± {number(se * how.factor, places)}"
    if with_unit and how.text:
        text += f" {how.text}"
    return text


def range_text(first: str, last: str) -> str:
    """Two station texts as a stretch."""
    return f"{first} {DASH} {last}"
