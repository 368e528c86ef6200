"""Readings back from the field: compared with what was measured, and finished work by them.

A camber board laid across the shoulder from the pavement edge outward gives the fall over its
length; that is a slope at one place, where the grid gives a mean over some length of road. Both
errors, and the spread between place and mean, enter the comparison.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.errors import ReadingsError
from analysis.common.limits import FieldLimits
from analysis.common.types import Floats
from analysis.findings.readings import Reading
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = [
    "ACCEPTED",
    "BORDERLINE",
    "NOT_ACCEPTED",
    "NOT_COMPARED",
    "Acceptance",
    "Comparison",
    "accept",
    "compare",
]


ACCEPTED, BORDERLINE, NOT_ACCEPTED = "accepted", "borderline", "not accepted"
NOT_COMPARED = "not compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One reading beside what was measured there; NaN = unknown.

    `row` is that of the station it belongs to, None where there is none; `measured_at_m` is that
    station's label. `z` is the difference in standard errors of the difference. `reason` says why
    nothing could be compared, empty otherwise.
    """

    reading: Reading
    row: int | None
    road: str
    measured_at_m: float
    slope_pct: float
    slope_se: float
    measured_slope_pct: float
    measured_slope_se: float
    required_slope_pct: float
    difference_points: float
    z: float
    edge_difference_mm: float
    edge_z: float
    verdict: str
    p_wont_shed: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """Finished work at one reading, and why."""

    reading: Reading
    required_slope_pct: float
    difference_points: float
    slope_before_pct: float
    state: str
    reason: str


# ---------------------------------------------------------------- before the work


def compare(
    readings: Sequence[Reading], findings: Findings, limits: FieldLimits
) -> tuple[Comparison, ...]:
    """Set each reading beside the station nearest to it.

    Parameters
    ----------
    readings : sequence of Reading
    findings : Findings
    limits : FieldLimits
        Standard error of a board reading, and the spread of a place about the mean.

    Raises
    ------
    ReadingsError
        If a reading names no road where the findings hold several, or one that they don't hold; or
        tells its place by a position where the findings have none on the earth.
    """
    places = _Places(findings, readings)
    return tuple(
        _compare(reading, places.row(k), places.stations, limits)
        for k, reading in enumerate(readings)
    )


_NEAR_M = 15.0
"""A position belongs to a station within this: handhelds are good to some metres, and stations lie
10 m apart (common practice)."""


class _Places:
    """Finds the station of each reading, by its label or else by its position."""

    def __init__(self, findings: Findings, readings: Sequence[Reading]) -> None:
        self.stations, self.readings = StationRows(findings.stations), readings
        self._xy = np.asarray(findings.station_xy, dtype=np.float64).reshape(-1, 2)
        self._side = findings.stations["side"].astype(str)
        self._road = findings.stations["road"].astype(str)
        self._spots = _placed(findings, readings)

    def row(self, k: int) -> int | None:
        """Row of the station that reading k belongs to."""
        reading = self.readings[k]
        if not math.isnan(reading.station_m):
            return _nearest(reading, self.stations)
        here = self._side == reading.side
        if reading.road:
            here &= self._road == _road_of(reading, self.stations.roads)
        rows = np.flatnonzero(here)
        away = np.hypot(*(self._xy[rows] - self._spots[k]).T)
        if not rows.size or not np.isfinite(away).any():
            return None
        nearest = int(np.nanargmin(away))
        return int(rows[nearest]) if away[nearest] <= _NEAR_M else None


def _placed(findings: Findings, readings: Sequence[Reading]) -> Floats:
    """(n, 2) positions of readings without a station, in the plane of the findings; else NaN."""
    out = np.full((len(readings), 2), np.nan)
    rows = [k for k, r in enumerate(readings) if math.isnan(r.station_m)]
    if not rows:
        return out
    if not findings.crs_wkt:
        raise ReadingsError(
            f"Line {readings[rows[0]].line} of the readings tells its place by latitude and "
            "longitude, but these findings have no coordinate system: write its station."
        )
    from analysis.terrain.geofiles import CRS, rasterio

    source, target = CRS.from_epsg(4326), CRS.from_wkt(findings.crs_wkt)
    longitude, latitude = (
        [getattr(readings[k], n) for k in rows] for n in ("longitude", "latitude")
    )
    try:
        out[rows] = np.transpose(rasterio.warp.transform(source, target, longitude, latitude))
    except rasterio.errors.RasterioError:
        raise ReadingsError(
            f"Line {readings[rows[0]].line} of the readings tells its place by latitude and "
            "longitude, which lead nowhere in the findings' coordinate system: write its station."
        ) from None
    return out


def _road_of(reading: Reading, roads: Sequence[str]) -> str:
    """Name of the road that a reading belongs to."""
    if reading.road in roads:
        return reading.road
    names = ", ".join(roads)
    if not reading.road and len(roads) == 1:
        return roads[0]
    if not reading.road:
        raise ReadingsError(
            f"Line {reading.line} of the readings names no road; add a column road with one "
            f"of {names}."
        )
    raise ReadingsError(
        f"The road {reading.road!r} in line {reading.line} of the readings isn't in these "
        f"findings; it must be one of {names}."
    )


def _nearest(reading: Reading, stations: StationRows) -> int | None:
    """Row of the station nearest to a label."""
    road = _road_of(reading, stations.roads)
    return stations.nearest(road, reading.side, reading.station_m)


def _compare(
    reading: Reading, row: int | None, stations: StationRows, limits: FieldLimits
) -> Comparison:
    point_se = limits.point_se_points.value / math.sqrt(reading.laid)
    slope_se = math.hypot(reading.slope_se(limits), point_se)
    measured = stations.value(row, "shoulder_slope_pct")
    measured_se = stations.value(row, "shoulder_slope_se")
    drop, drop_se = stations.value(row, "edge_drop_mm"), stations.value(row, "edge_drop_se")
    difference = reading.slope_pct - measured
    edge = reading.edge_mm - drop
    reason = ""
    if row is None:
        reason = "No station of the findings lies within a spacing of it."
    elif math.isnan(measured):
        reason = str(stations.table["reason"][row]) or "Nothing was measured there."
    elif math.isnan(difference):
        reason = "No slope was read."
    return Comparison(
        reading=reading,
        row=row,
        road=reading.road if row is None else str(stations.table["road"][row]),
        measured_at_m=reading.station_m if row is None else float(stations.station[row]),
        slope_pct=reading.slope_pct,
        slope_se=slope_se,
        measured_slope_pct=measured,
        measured_slope_se=measured_se,
        required_slope_pct=stations.value(row, "required_slope_pct"),
        difference_points=difference,
        z=_ratio(difference, math.hypot(slope_se, measured_se)),
        edge_difference_mm=edge,
        edge_z=_ratio(edge, math.hypot(limits.board_se_mm.value, drop_se)),
        verdict="" if row is None else str(stations.table["verdict"][row]),
        p_wont_shed=stations.value(row, "p_wont_shed"),
        reason=reason,
    )


def _ratio(difference: float, error: float) -> float:
    return difference / error if error > 0.0 else math.nan


# ---------------------------------------------------------------- after the work


def accept(
    readings: Sequence[Reading], findings: Findings, limits: FieldLimits
) -> tuple[Acceptance, ...]:
    """Judge finished work by readings taken after it.

    Accepted: slope and, if read, edge lie within what the limits allow. Borderline: so close to
    what is allowed that the error of reading decides; read again.

    Parameters
    ----------
    readings : sequence of Reading
        Those with `when` "after" are judged; those "before" give the slope to compare with.
    findings : Findings
        For the required slope at each place.
    limits : FieldLimits
        Allowed deviation of slope and edge, standard error of a board reading.
    """
    if not any(r.when == "after" for r in readings):
        return ()
    before = compare([r for r in readings if r.when == "before"], findings, limits)
    after = compare([r for r in readings if r.when == "after"], findings, limits)
    return tuple(_accept(one, before, limits) for one in after)


def _accept(one: Comparison, before: Sequence[Comparison], limits: FieldLimits) -> Acceptance:
    reading, required = one.reading, one.required_slope_pct
    earlier = min(
        (b for b in before if b.reading.side == reading.side and b.road == one.road),
        key=lambda b: abs(_at(b) - _at(one)),
        default=None,
    )
    was = one.measured_slope_pct
    if earlier is not None and abs(_at(earlier) - _at(one)) <= _BEFORE_M:
        was = earlier.slope_pct
    difference = reading.slope_pct - required
    if math.isnan(difference):
        unread = math.isnan(reading.slope_pct)
        why = "No slope was read." if unread else "The required slope isn't known here."
        state, reason = NOT_COMPARED, why
    else:
        state, reason = _within(
            difference,
            limits.accept_slope_points.value,
            reading.slope_se(limits),
            "slope",
            "% points",
        )
        if not math.isnan(reading.edge_mm):
            edge_state, edge_reason = _within(
                reading.edge_mm, limits.accept_edge_mm.value, limits.board_se_mm.value, "edge", "mm"
            )
            order = (ACCEPTED, BORDERLINE, NOT_ACCEPTED)
            state = max(state, edge_state, key=order.index)
            reason = f"{reason} {edge_reason}"
    return Acceptance(
        reading=reading,
        required_slope_pct=required,
        difference_points=difference,
        slope_before_pct=was,
        state=state,
        reason=reason,
    )


_BEFORE_M = 5.0
"""A reading before the work within this tells what was there."""


def _at(one: Comparison) -> float:
    """Where a reading was taken: its own label, else that of the station its position leads to."""
    own = one.reading.station_m
    return one.measured_at_m if math.isnan(own) else own


def _within(off: float, allowed: float, error: float, what: str, unit: str) -> tuple[str, str]:
    text = f"The {what} is off by {off:+.1f} {unit}, {allowed:g} allowed."
    if abs(abs(off) - allowed) < error:
        return BORDERLINE, f"{text} Too close to call: read it again."
    return (ACCEPTED if abs(off) <= allowed else NOT_ACCEPTED), text
