"""Field campaigns on screened roads whose truth is known: places drawn, read with errors, judged.

A frame is a set of findings with what is true at each row; a campaign draws a sample of it as the
tool does and reads it with a board that has an error, a bias, and shoulders that differ from place
to place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.limits import default_limits, limits_to_toml
from analysis.common.table import Table
from analysis.common.verdicts import Verdict
from analysis.findings.checkplan import CheckOrder, CheckPlan, draw_checks
from analysis.findings.field_report import FieldCheck, check_readings
from analysis.findings.geopackage import Findings
from analysis.findings.readings import ReadBack, Reading
from analysis.findings.station_rows import StationRows
from tests.builders.tables import filled

__all__ = ["Frame", "Outcome", "campaign", "invented_frame", "true_share"]

GRAVEL = default_limits("gravel")
BOARD_M = 1.2


@dataclass(frozen=True)
class Frame:
    """Findings, and at each of their rows: does it fail, its slope and drop, does water stand."""

    findings: Findings
    fails: NDArray[np.bool_]
    slope_pct: NDArray[np.float64]
    drop_mm: NDArray[np.float64]
    stands: NDArray[np.bool_]


@dataclass(frozen=True)
class Outcome:
    """What a campaign was planned as, and what came of it."""

    plan: CheckPlan
    check: FieldCheck


def invented_frame(
    miss_share: float, *, seed: int, stretch_m: float = 60.0, roads: int = 4, length_m: float = 4e3
) -> Frame:
    """Make roads whose shoulders are judged to shed, where so much of the length doesn't.

    What is missed comes in stretches, as a screening misses; one road has none of it. Measured is
    the truth within half a point, and the gap between good and bad is wide.
    """
    dice = np.random.default_rng(seed)
    at = np.arange(5.0, length_m, 10.0)
    n = at.size
    names = [f"Invented Road {k}" for k in range(roads)]
    rows = roads * n * 2
    along = np.tile(np.repeat(at, 2), roads)
    bad = np.zeros((roads, n, 2), dtype=bool)
    per = round(stretch_m / 10.0)
    for road in range(1, roads):
        for side in (0, 1):
            count = miss_share * n * roads / ((roads - 1) * per)
            starts = dice.choice(n // per, dice.binomial(n // per, count / (n // per)), False)
            for start in starts:
                bad[road, per * start : per * (start + 1), side] = True
    fails = bad.ravel()
    slope = np.where(fails, 1.5, 5.0) + dice.normal(0.0, 0.2, rows)
    stations = filled(
        STATION_COLUMNS,
        rows,
        road=np.repeat(np.array(names, dtype=object), 2 * n),
        side=np.tile(np.array(["left", "right"], dtype=object), n * roads),
        station_m=along,
        distance_m=along,
        verdict=Verdict.SHEDS,
        p_wont_shed=0.05,
        shoulder_slope_pct=slope + dice.normal(0.0, 0.5, rows),
        shoulder_slope_se=0.5,
        edge_drop_mm=dice.normal(0.0, 5.0, rows),
        edge_drop_se=5.0,
        required_slope_pct=4.0,
        average_m=20.0,
    )
    return Frame(of_rows(stations), fails, slope, np.zeros(rows), np.zeros(rows, dtype=bool))


def of_rows(stations: Table) -> Findings:
    """Findings that hold nothing but these stations."""
    return Findings(
        stations=stations,
        reaches=Table.empty(REACH_COLUMNS),
        ponds=Table.empty(POND_COLUMNS),
        station_xy=np.column_stack([stations["station_m"], np.zeros(len(stations))]).astype(float),
        reach_lines=(),
        pond_rings=(),
        crs_wkt="",
        run={"limits": limits_to_toml(GRAVEL), "surface": "gravel"},
    )


def true_share(frame: Frame, verdict: str) -> float:
    """Share of the length with a verdict that fails; rows stand for equal lengths."""
    return float(frame.fails[frame.findings.stations["verdict"] == verdict].mean())


def campaign(
    frame: Frame,
    order: CheckOrder,
    *,
    bias_points: float = 0.0,
    place_sd_points: float = 0.3,
    board_sd_mm: float = 2.0,
    laid: int = 3,
) -> Outcome:
    """Draw the places, read them, and judge the screening by it."""
    plan = draw_checks(frame.findings, order)
    dice = np.random.default_rng([order.seed, 71])
    readings = []
    for place in plan.places:
        slope = frame.slope_pct[place.row] + bias_points
        slope += float(dice.normal(0.0, place_sd_points, laid).mean())
        fall = 10.0 * BOARD_M * slope + float(dice.normal(0.0, board_sd_mm, laid).mean())
        readings.append(
            Reading(
                road=place.road,
                station_m=place.station_m,
                side=place.side,
                reading_mm=fall,
                board_m=BOARD_M,
                edge_mm=frame.drop_mm[place.row] + float(dice.normal(0.0, board_sd_mm)),
                laid=laid,
                place=place.name,
                board="A",
                sheds=False if frame.stands[place.row] else None,
            )
        )
    limits = GRAVEL.with_value("point_se_points", place_sd_points)
    limits = limits.with_value("board_se_mm", board_sd_mm)
    return Outcome(plan, check_readings(frame.findings, ReadBack(tuple(readings)), limits))


def pooled(frames: list[Frame]) -> Frame:
    """One frame of several, whose roads must have different names."""
    tables = [frame.findings.stations for frame in frames]
    stations = Table(
        {name: np.concatenate([t[name] for t in tables]) for name in tables[0].names()}
    )
    xy = np.concatenate([f.findings.station_xy for f in frames])
    found = replace(of_rows(stations), station_xy=xy)
    assert len(StationRows(stations).roads) == sum(len(StationRows(t).roads) for t in tables)
    rest = (
        np.concatenate([getattr(frame, name) for frame in frames])
        for name in ("fails", "slope_pct", "drop_mm", "stands")
    )
    return Frame(found, *rest)
