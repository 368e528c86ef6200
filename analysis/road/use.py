"""How a road is used: traffic, speed, curves, by columns of the road layer that a person names.

They only weigh how urgent a reach is: the same drop-off does more harm where more wheels pass it,
faster, and in a curve.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.common.errors import RoadError
from analysis.common.types import Floats
from analysis.common.units import METRES_PER_MILE

__all__ = ["Use", "UseFields", "exposure", "read_use", "shifted", "turned"]

_TRAFFIC_PER_DAY, _LEAST_TRAFFIC = 1000.0, 50.0
_SPEED_KMH = 80.0
_IN_CURVES = 2.0
"""What counts once: 1000 vehicles a day at 80 km/h on a straight; harm goes with the square of the
speed, and a curve counts twice (our own choice: crash rates in curves are about three times those
of straights, from memory). A road without traffic still has its maintenance."""

_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")


@dataclass(frozen=True, slots=True)
class UseFields:
    """Names of the columns with vehicles per day, speed (km/h; mph where so named) and curves."""

    traffic: str | None = None
    speed: str | None = None
    curve: str | None = None


@dataclass(frozen=True, slots=True)
class Use:
    """Use of a stretch of road; distances along it in metres, NaN = not told."""

    from_s: float
    to_s: float
    traffic_per_day: float = math.nan
    speed_kmh: float = math.nan
    curve: float = math.nan


def read_use(
    properties: Mapping[str, Any], wanted: UseFields, length_m: float, text: str
) -> tuple[Use, ...]:
    """Use of one line of a layer; nothing where no column was named.

    Raises
    ------
    RoadError
        For a named column that the layer lacks, or a value that is no number (no yes or no).
    """
    if wanted == UseFields():
        return ()
    speed = _number(properties, wanted.speed, text)
    if wanted.speed and "mph" in wanted.speed.lower():
        speed *= METRES_PER_MILE / 1000.0
    traffic, curve = (_number(properties, name, text) for name in (wanted.traffic, wanted.curve))
    return (Use(0.0, length_m, traffic, speed, curve),)


def _number(properties: Mapping[str, Any], name: str | None, text: str) -> float:
    if name is None:
        return math.nan
    if name not in properties:
        fields = ", ".join(properties) or "none"
        raise RoadError(f'The file {text} has no field "{name}"; it has {fields}.')
    value = properties[name]
    word = str(value).strip().lower() if value is not None else ""
    if word in _YES or word in _NO:
        return float(word in _YES)
    try:
        number = float(word) if word else math.nan
    except ValueError:
        number = -1.0
    if number < 0.0 or math.isinf(number):
        raise RoadError(
            f'The field "{name}" of {text} holds {value!r}; it must be a number of 0 or more, '
            "yes or no, or empty."
        )
    return number


def turned(uses: Sequence[Use], length_m: float) -> tuple[Use, ...]:
    """The same, seen from the other end."""
    return tuple(
        replace(use, from_s=length_m - use.to_s, to_s=length_m - use.from_s) for use in uses
    )


def shifted(uses: Sequence[Use], by_m: float) -> tuple[Use, ...]:
    """The same, as many metres further on."""
    return tuple(replace(use, from_s=use.from_s + by_m, to_s=use.to_s + by_m) for use in uses)


def exposure(uses: Sequence[Use], s: Floats) -> Floats:
    """How much traffic a fault meets at distances s (n,): 1 where nothing is told.

    >>> use = Use(0.0, 100.0, traffic_per_day=2000.0, speed_kmh=40.0, curve=1.0)
    >>> exposure([use], np.array([50.0, 150.0])).tolist()
    [1.0, 1.0]
    """
    weight = np.ones(len(s))
    for use in uses:
        factor = 1.0
        if math.isfinite(use.traffic_per_day):
            factor *= max(use.traffic_per_day, _LEAST_TRAFFIC) / _TRAFFIC_PER_DAY
        if math.isfinite(use.speed_kmh):
            factor *= (use.speed_kmh / _SPEED_KMH) ** 2
        if use.curve > 0.0:
            factor *= _IN_CURVES
        weight[(s >= use.from_s - 1e-6) & (s <= use.to_s + 1e-6)] = factor
    return weight
