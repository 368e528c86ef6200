"""Numbers as a person reads them: metric or US units, errors beside values, unknown as unknown.

Inside the program every length is in metres, every slope in percent. Only what is shown, typed
or printed passes through here; files keep the metric columns of the contract.
"""

import math

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QCoreApplication, QLocale

from analysis.common.units import METRIC, SYSTEMS, US, Unit, unit_of

__all__ = [
    "DASH",
    "METRIC",
    "SYSTEMS",
    "US",
    "Unit",
    "from_shown",
    "number",
    "range_text",
    "shown",
    "unit_of",
    "value_text",
]

DASH = "–"
_MINUS = "−"


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
