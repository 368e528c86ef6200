"""Station labels as text."""

from __future__ import annotations

import math
import re
from typing import Literal

from analysis.common.errors import SettingsError
from analysis.common.units import METRES_PER_FOOT

__all__ = ["StationStyle", "parse_station", "station_text"]

StationStyle = Literal["km", "feet-hundreds"]


def station_text(station_m: float, *, style: StationStyle = "km", decimals: int = 0) -> str:
    """Write a station the way road people do.

    Parameters
    ----------
    station_m : float
        Station label in metres.
    style : {"km", "feet-hundreds"}, default "km"
        ``2+340`` is 2 km and 340 m; in hundreds of (international) feet ``23+40`` is 2340 ft.
    decimals : int, default 0
        Decimals of the metres or feet.

    Returns
    -------
    str
        An empty string for NaN.

    Raises
    ------
    SettingsError
        Unknown style.
    """
    per_big, digits, unit = _station_style(style)
    if not math.isfinite(station_m):
        return ""
    value = round(station_m / unit, decimals)
    sign = "-" if value < 0 else ""
    # whole numbers of the last decimal, so that 999.96 can't become "0+1000.0"
    ticks = round(abs(value) * 10**decimals)
    big, rest = divmod(ticks, per_big * 10**decimals)
    width = digits + (decimals + 1 if decimals else 0)
    return f"{sign}{big}+{rest / 10**decimals:0{width}.{decimals}f}"


def parse_station(text: str, *, style: StationStyle = "km") -> float:
    """Read a station such as ``2+340``, or a plain number of metres (feet in that style).

    Parameters
    ----------
    text : str
    style : {"km", "feet-hundreds"}, default "km"

    Returns
    -------
    float
        Station label in metres.

    Raises
    ------
    SettingsError
        Text that is no station, or an unknown style.
    """
    per_big, digits, unit = _station_style(style)
    tidy = text.strip().replace("−", "-").replace(" ", "")
    match = re.fullmatch(rf"([-+]?)(\d+)\+(\d{{{digits}}}(?:\.\d*)?)", tidy)
    if match:
        value = int(match[2]) * per_big + float(match[3])
        return (-value if match[1] == "-" else value) * unit
    if re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)", tidy):
        return float(tidy) * unit
    example = "2+340" if style == "km" else "23+40"
    raise SettingsError(f'"{text}" is no station; write it like {example} or as a plain number.')


def _station_style(style: str) -> tuple[int, int, float]:
    if style == "km":
        return 1000, 3, 1.0
    if style == "feet-hundreds":
        return 100, 2, METRES_PER_FOOT
    raise SettingsError(f'The station style "{style}" is not known; use km or feet-hundreds.')
