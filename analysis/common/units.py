"""Exact definitions of the units that people and files use beside the metre and the kilogram.

Source: International yard and pound agreement of 1959 (foot 0.3048 m, pound 0.45359237 kg);
US survey foot 1200/3937 m (Mendenhall order, in use for US state plane coordinates until 2022);
US liquid gallon 231 cubic inches (NIST Handbook 44, Appendix C).

Stored are metres, percent and tonnes; `unit_of` says how a quantity is shown in either system.
"""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = [
    "CUBIC_METRES_PER_CUBIC_YARD",
    "KILOGRAMS_PER_SHORT_TON",
    "LITRES_PER_US_GALLON",
    "METRES_PER_FOOT",
    "METRES_PER_INCH",
    "METRES_PER_MILE",
    "METRES_PER_US_SURVEY_FOOT",
    "METRES_PER_YARD",
    "METRIC",
    "SQUARE_METRES_PER_SQUARE_FOOT",
    "SYSTEMS",
    "TONNES_PER_SHORT_TON",
    "US",
    "Unit",
    "unit_of",
]

METRES_PER_FOOT = 0.3048
METRES_PER_INCH = 0.0254
METRES_PER_YARD = 0.9144
METRES_PER_MILE = 1609.344
METRES_PER_US_SURVEY_FOOT = 1200.0 / 3937.0
SQUARE_METRES_PER_SQUARE_FOOT = METRES_PER_FOOT**2
CUBIC_METRES_PER_CUBIC_YARD = METRES_PER_YARD**3
KILOGRAMS_PER_SHORT_TON = 2000.0 * 0.45359237
TONNES_PER_SHORT_TON = KILOGRAMS_PER_SHORT_TON / 1000.0
LITRES_PER_US_GALLON = 231.0 * METRES_PER_INCH**3 * 1000.0

METRIC, US = "metric", "us"
SYSTEMS = (METRIC, US)


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
    # Water and the fall at a board's end are read in units of their own.
    "m3 water": (Unit("m³", 1.0, 1), Unit("gal", 1000.0 / LITRES_PER_US_GALLON, 0)),
    "mm fall": (Unit("mm", 1.0, 0), Unit("in", 1e-3 / METRES_PER_INCH, 2)),
    "m3/m": (Unit("m³/m", 1.0, 3), Unit("yd³/ft", METRES_PER_FOOT / _CUBIC_YARD_M3, 3)),
    "t": (Unit("t", 1.0, 1), Unit("short ton", 1.0 / TONNES_PER_SHORT_TON, 1)),
    "t/m3": (Unit("t/m³", 1.0, 2), Unit("short ton/yd³", _CUBIC_YARD_M3 / TONNES_PER_SHORT_TON, 2)),
    "km/h": (Unit("km/h", 1.0, 1), Unit("mph", 1000.0 / METRES_PER_MILE, 1)),
    "m/h": (Unit("m/h", 1.0, 0), Unit("ft/h", 1.0 / METRES_PER_FOOT, 0)),
    "m2/h": (Unit("m²/h", 1.0, 0), Unit("yd²/h", METRES_PER_YARD**-2, 0)),
    "l/m2": (Unit("l/m²", 1.0, 1), Unit("gal/yd²", METRES_PER_YARD**2 / LITRES_PER_US_GALLON, 2)),
    "1/m2": (Unit("/m²", 1.0, 1), Unit("/ft²", SQUARE_METRES_PER_SQUARE_FOOT, 2)),
    "%": (Unit("%", 1.0, 1), Unit("%", 1.0, 1)),
    # Of percentages; "points" alone could be anything.
    "points": (Unit("% points", 1.0, 1), Unit("% points", 1.0, 1)),
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
