"""Readings back from the field: compared with what was measured, and finished work by them.

A camber board laid across the shoulder from the pavement edge outward gives the fall over its
length; that is a slope at one place, where the grid gives a mean over some length of road. Both
errors, and the spread between place and mean, enter the comparison.
"""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc

from analysis.common.cautions import ACCEPTANCE_CAUTION, CAUTIONS
from analysis.common.errors import ReadingsError
from analysis.common.limits import FieldLimits
from analysis.common.stations import station_text
from analysis.findings.readings import Reading, read_readings
from analysis.findings.sheets import limits_of
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = [
    "ACCEPTED",
    "BORDERLINE",
    "NOT_ACCEPTED",
    "NOT_COMPARED",
    "Acceptance",
    "Agreement",
    "Comparison",
    "accept",
    "agreement",
    "compare",
    "report",
]


ACCEPTED, BORDERLINE, NOT_ACCEPTED = "accepted", "borderline", "not accepted"
NOT_COMPARED = "not compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One reading beside what was measured there; NaN = unknown.

    `z` is the difference in standard errors of the difference. `reason` says why nothing could
    be compared, empty otherwise.
    """

    reading: Reading
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
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How readings and measurements agree; `chance` is that of so poor a fit if all were well."""

    compared: int
    left_out: int
    mean_difference_points: float = math.nan
    mean_difference_se: float = math.nan
    rms_difference_points: float = math.nan
    z_spread: float = math.nan
    within_two: float = math.nan
    chance: float = math.nan


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
        If a reading names no road where the findings hold several, or one that they don't hold.
    """
    stations = StationRows(findings.stations)
    return tuple(_compare(reading, stations, limits) for reading in readings)


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
    road = _road_of(reading, stations.roads)
    return stations.nearest(road, reading.side, reading.station_m)


def _compare(reading: Reading, stations: StationRows, limits: FieldLimits) -> Comparison:
    board_se = limits.board_se_mm.value / (10.0 * reading.board_m)
    slope_se = math.hypot(board_se, limits.point_se_points.value)
    row = _nearest(reading, stations)
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
    return Comparison(
        reading=reading,
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
        reason=reason,
    )


def _ratio(difference: float, error: float) -> float:
    return difference / error if error > 0.0 else math.nan


def agreement(compared: Sequence[Comparison], *, average_m: float = 20.0) -> Agreement:
    """Say how well readings and measurements agree, by their joint errors.

    Parameters
    ----------
    compared : sequence of Comparison
    average_m : float
        Averaging length of the measurements: neighbours within it share their error.

    Returns
    -------
    Agreement
        Numbers are NaN where nothing could be compared.
    """
    used = [c for c in compared if not math.isnan(c.z)]
    count = len(used)
    if count == 0:
        return Agreement(compared=0, left_out=len(compared))
    difference = np.array([c.difference_points for c in used])
    z = np.array([c.z for c in used])
    own = np.array([c.slope_se for c in used])
    measured = np.array([c.measured_slope_se for c in used])
    at = np.array([c.reading.station_m for c in used])
    line = np.array([f"{c.reading.road}|{c.reading.side}" for c in used])
    shared = np.clip(1.0 - np.abs(at[:, None] - at[None, :]) / average_m, 0.0, 1.0)
    shared = np.where(line[:, None] == line[None, :], shared, 0.0)
    covariance = np.outer(measured, measured) * shared + np.diag(np.maximum(own, 1e-6) ** 2)
    fit = float(difference @ np.linalg.solve(covariance, difference))
    return Agreement(
        compared=count,
        left_out=len(compared) - count,
        mean_difference_points=float(difference.mean()),
        mean_difference_se=float(np.sqrt(covariance.sum())) / count,
        rms_difference_points=float(np.sqrt(np.mean(difference**2))),
        z_spread=float(np.sqrt(np.mean(z**2))),
        within_two=float(np.mean(np.abs(z) <= 2.0)),
        chance=float(chdtrc(count, fit)),
    )


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
    stations = StationRows(findings.stations)
    before = [r for r in readings if r.when == "before"]
    return tuple(_accept(r, before, stations, limits) for r in readings if r.when == "after")


def _accept(
    reading: Reading, before: Sequence[Reading], stations: StationRows, limits: FieldLimits
) -> Acceptance:
    row = _nearest(reading, stations)
    required = stations.value(row, "required_slope_pct")
    road = _road_of(reading, stations.roads)
    earlier = min(
        (b for b in before if b.side == reading.side and _road_of(b, stations.roads) == road),
        key=lambda b: abs(b.station_m - reading.station_m),
        default=None,
    )
    was = stations.value(row, "shoulder_slope_pct")
    if earlier is not None and abs(earlier.station_m - reading.station_m) <= 5.0:
        was = earlier.slope_pct
    difference = reading.slope_pct - required
    if math.isnan(difference):
        state, reason = NOT_COMPARED, "The required slope isn't known here."
    else:
        slope_se = limits.board_se_mm.value / (10.0 * reading.board_m)
        state, reason = _within(
            difference, limits.accept_slope_points.value, slope_se, "slope", "% points"
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


def _within(off: float, allowed: float, error: float, what: str, unit: str) -> tuple[str, str]:
    text = f"The {what} is off by {off:+.1f} {unit}, {allowed:g} allowed."
    if abs(abs(off) - allowed) < error:
        return BORDERLINE, f"{text} Too close to call: read it again."
    return (ACCEPTED if abs(off) <= allowed else NOT_ACCEPTED), text


# ---------------------------------------------------------------- in words


def report(findings: Findings, readings_path: str | os.PathLike[str]) -> str:
    """Read a table of readings and say in plain text how they compare and what is accepted.

    Raises
    ------
    ReadingsError
        If the table can't be used.
    """
    limits = limits_of(findings)
    readings = read_readings(readings_path, limits.field)
    compared = compare([r for r in readings if r.when == "before"], findings, limits.field)
    accepted = accept(readings, findings, limits.field)
    lines: list[str] = []
    if compared:
        average = StationRows(findings.stations).average_m
        lines += _comparison_lines(compared, agreement(compared, average_m=average))
    if accepted:
        lines += [*_acceptance_lines(accepted), "", ACCEPTANCE_CAUTION, *CAUTIONS]
    return "\n".join(lines)


def _place(reading: Reading) -> str:
    name = f"{reading.road} " if reading.road else ""
    return f"{name}{station_text(reading.station_m)} {reading.side}"


def _comparison_lines(compared: Sequence[Comparison], summary: Agreement) -> list[str]:
    lines = ["Readings beside what was measured"]
    for c in compared:
        if math.isnan(c.z):
            lines.append(f"  {_place(c.reading)}: read {c.slope_pct:.1f} %; {c.reason}")
            continue
        edge = (
            ""
            if math.isnan(c.edge_z)
            else (f"; edge off by {c.edge_difference_mm:+.0f} mm (z {c.edge_z:+.1f})")
        )
        lines.append(
            f"  {_place(c.reading)}: read {c.slope_pct:.1f} ± {c.slope_se:.1f} %, measured "
            f"{c.measured_slope_pct:.1f} ± {c.measured_slope_se:.1f} %, difference "
            f"{c.difference_points:+.1f} % points (z {c.z:+.1f}){edge}"
        )
    if summary.compared == 0:
        lines.append("  None of the readings could be compared.")
        return lines
    lines.append(
        f"  {summary.compared} compared, {summary.left_out} left out; mean difference "
        f"{summary.mean_difference_points:+.2f} ± {summary.mean_difference_se:.2f} points, root "
        f"mean square {summary.rms_difference_points:.2f}, z spread {summary.z_spread:.2f}, "
        f"{100.0 * summary.within_two:.0f} % within two standard errors."
    )
    if summary.chance >= 0.05:
        lines.append("  Readings and measurements agree within their errors.")
    elif abs(summary.mean_difference_points) > 2.0 * summary.mean_difference_se:
        way = "steeper" if summary.mean_difference_points > 0.0 else "flatter"
        lines.append(
            f"  The shoulder reads {way} than measured beyond chance: has it changed since the "
            "terrain was taken, or is the edge misplaced?"
        )
    else:
        lines.append(
            "  They scatter more than their errors allow: raise the noise, or look at the places "
            "with the largest z."
        )
    return lines


def _acceptance_lines(accepted: Sequence[Acceptance]) -> list[str]:
    lines = ["Finished work"]
    for a in accepted:
        was = "" if math.isnan(a.slope_before_pct) else f", was {a.slope_before_pct:.1f} %"
        lines.append(
            f"  {_place(a.reading)}: {a.state}; {a.reading.slope_pct:.1f} % of "
            f"{a.required_slope_pct:.1f} % required{was}. {a.reason}"
            if a.state != NOT_COMPARED
            else f"  {_place(a.reading)}: {a.state}. {a.reason}"
        )
    counts = Counter(a.state for a in accepted)
    order = (ACCEPTED, BORDERLINE, NOT_ACCEPTED, NOT_COMPARED)
    told = ", ".join(f"{counts[state]} {state}" for state in order if counts[state])
    readings = "1 reading" if len(accepted) == 1 else f"{len(accepted)} readings"
    lines.append(f"  {readings}: {told}.")
    return lines
