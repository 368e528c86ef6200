"""Two surveys of one road brought together on what nobody changed between them: its pavement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import rest_of_error
from analysis.common.errors import ReadingsError
from analysis.common.types import Floats
from analysis.common.writing import Writing
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["EdgeDrops", "Registration", "edge_at_its_place", "edge_places", "errors_in_place"]
__all__ += ["refuse_itself", "registered_text", "registration"]

_AROUND_M = 100.0
"""So far beyond a stretch its pavement tells how the two surveys lie to each other."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How the later survey lies to the earlier one on the pavement of a stretch; NaN unknown.

    `tilt_points` is positive where the later one falls more to the right.
    """

    level_mm: float
    tilt_points: float
    tilt_se: float


class EdgeDrops(NamedTuple):
    """Edge drops where the earlier survey has the pavement's edge, mm.

    Attributes
    ----------
    mm, se, shared_se : (n,)
        Drops, standard errors at that place, and that part of each which the stretch has in common.
    place_se : (n,)
        What the place itself leaves open, beside `se`: all have it in common.
    """

    mm: Floats
    se: Floats
    shared_se: Floats
    place_se: Floats


def refuse_itself(before: Findings, after: Findings) -> None:
    """Refuse two findings of one and the same terrain.

    Raises
    ------
    ReadingsError
        If both were made from the same file, or, where that isn't known, at the same time.
    """
    known = before.run.get("terrain_checksum"), after.run.get("terrain_checksum")
    # two screenings can be made within one second, so that counts only where nothing else tells
    one, other = known if all(known) else (before.run.get("made"), after.run.get("made"))
    if one and one == other:
        raise ReadingsError(
            "The later findings come from the same terrain as the earlier ones, so they can't "
            "show what was done since: screen a survey taken after the work and give that file."
        )


def edge_at_its_place(
    earlier: StationRows, planned: NDArray[np.intp], later: StationRows, rows: NDArray[np.intp]
) -> EdgeDrops:
    """Edge drop after the work where the pavement ended before it.

    Work on the shoulder doesn't move the pavement's edge. A later survey by itself may not know
    where it is: a shoulder left a little high and falling more steeply than the pavement crosses
    the pavement's plane farther out, and looks like a flush edge there.
    """
    drop, slope, pavement = (later.values(rows, name) for name in _DROP_COLUMNS)
    edge, _ = edge_places(later, rows)
    by_itself, slope_errors = (
        later.errors(rows, name) for name in ("edge_drop_mm", "shoulder_slope_pct")
    )
    was, was_se = edge_places(earlier, planned)
    known = np.isfinite(was) & np.isfinite(was_se)
    if not known.any() or not rows.size:
        return EdgeDrops(drop, *by_itself, np.zeros(rows.size))
    near = np.abs(later.station[rows][:, None] - earlier.station[planned][known]).argmin(axis=1)
    moved = edge - was[known][near]
    breakover = slope - pavement
    there = drop - 10.0 * breakover * moved
    # The shoulder's plane is drawn out farther, by a slope whose error goes with the drop's.
    error, shared = (
        of_drop + 10.0 * np.abs(moved) * of_slope
        for of_drop, of_slope in zip(errors_in_place(later, rows), slope_errors, strict=True)
    )
    place = 10.0 * np.abs(breakover) * was_se[known][near]
    told = np.isfinite(there) & np.isfinite(error) & np.isfinite(place)
    return EdgeDrops(
        mm=np.where(told, there, drop),
        se=np.where(told, error, by_itself[0]),
        shared_se=np.where(told, shared, by_itself[1]),
        place_se=np.where(told, place, 0.0),
    )


def edge_places(stations: StationRows, rows: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Where edge drops are told, metres from the line, and how far the edge may lie from there.

    Findings of earlier versions know the place found alone.
    """
    beyond, beyond_se, edge, edge_se = (
        stations.values(rows, name)
        for name in ("edge_drop_at_m", "edge_drop_at_se", "edge_offset_m", "edge_se_m")
    )
    place_se = np.where(np.isfinite(beyond_se), beyond_se, edge_se)
    return np.abs(edge) + np.nan_to_num(beyond), place_se


def errors_in_place(stations: StationRows, rows: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Errors of edge drops where they are told, wherever the edge lies; and their common parts."""
    place = np.nan_to_num(stations.values(rows, "edge_drop_place_se"))
    se, shared = (rest_of_error(error, place) for error in stations.errors(rows, "edge_drop_mm"))
    return se, shared


_DROP_COLUMNS = ("edge_drop_mm", "shoulder_slope_pct", "pavement_slope_pct")


def registration(
    earlier: StationRows, later: StationRows, road: str, low: float, high: float
) -> Registration:
    """Level and tilt of the later survey by what both saw of the pavement, left and right.

    Parameters
    ----------
    earlier, later : StationRows
    road : str
    low, high : float
        Labels of a stretch; the pavement 100 m around it tells as well.
    """
    low, high = low - _AROUND_M, high + _AROUND_M
    sides = [_both(earlier, later, road, side, low, high) for side in ("left", "right")]
    level = np.concatenate([after["edge_z_m"] - was["edge_z_m"] for was, after in sides])
    level = 1000.0 * level[np.isfinite(level)]
    # A pavement that was built anew turns alike on both sides: only a tilt turns them apart.
    (left, left_se), (right, right_se) = (
        _mean_turn(was, after, later.stride(road, side))
        for side, (was, after) in zip(("left", "right"), sides, strict=True)
    )
    tilt, tilt_se = 0.5 * (right - left), 0.5 * math.hypot(left_se, right_se)
    middle = float(np.median(level)) if level.size else math.nan
    return Registration(middle, tilt, tilt_se)


def _mean_turn(
    was: dict[str, Floats], after: dict[str, Floats], stride: int
) -> tuple[float, float]:
    """How much steeper the pavement falls outward on one side, and the error; NaN unknown."""
    turn = after["pavement_slope_pct"] - was["pavement_slope_pct"]
    error = np.hypot(after["pavement_slope_se"], was["pavement_slope_se"])
    known = np.isfinite(turn) & np.isfinite(error)
    if known.sum() < 2:
        return math.nan, math.nan
    spread = math.sqrt(stride * float((error[known] ** 2).sum())) / float(known.sum())
    return float(turn[known].mean()), spread


_PAVEMENT = ("edge_z_m", "pavement_slope_pct", "pavement_slope_se")


def _both(
    earlier: StationRows, later: StationRows, road: str, side: str, low: float, high: float
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Columns of the pavement at the stations that both surveys have."""
    was, after = (own.within(road, side, low, high) for own in (earlier, later))
    here, there = (np.round(o.station[r], 1) for o, r in ((earlier, was), (later, after)))
    one, two = np.isin(here, there), np.isin(there, here)
    return (
        {name: earlier.values(was[one], name) for name in _PAVEMENT},
        {name: later.values(after[two], name) for name in _PAVEMENT},
    )


def registered_text(found: Registration, writing: Writing | None = None) -> str:
    """Say how the later survey lies to the earlier one."""
    if math.isnan(found.tilt_points):
        return "The pavement doesn't show how the two surveys lie to each other."
    level = "" if math.isnan(found.level_mm) else f"{found.level_mm:+.0f} mm and "
    return (writing or Writing()).recorded(
        f"On the pavement the later survey lies {level}{found.tilt_points:+.2f} ± "
        f"{found.tilt_se:.2f} % points to the right of the earlier one; this is taken off."
    )
