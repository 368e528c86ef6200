"""Results ready for the views, with the look-ups between tables and what can be selected."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import OutputError
from analysis.common.sides import SIDES
from analysis.common.verdicts import Verdict
from analysis.findings.reviews import Place, reach_places
from gui.state.corrections import Corrections

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.geopackage import Findings
    from analysis.study.values import Study

__all__ = ["Loaded", "RoadIndex", "dated", "loaded", "road_index", "same_stations", "summary"]


@dataclass(frozen=True, slots=True)
class RoadIndex:
    """Stations of one road and where they are in the station table (left row, then right)."""

    name: str
    first_row: int
    rows: NDArray[np.int64]
    station_m: NDArray[np.float64]
    distance_m: NDArray[np.float64]
    by_label: NDArray[np.int64]

    def row_at(self, station_m: float, side: int) -> int:
        """Row of the station with a label, to the millimetre; -1 if there is none."""
        place = int(np.searchsorted(self.station_m, station_m - 2e-3, sorter=self.by_label))
        station = int(self.by_label[place]) if place < len(self.by_label) else -1
        near = station >= 0 and abs(float(self.station_m[station]) - station_m) <= 2e-3
        return int(self.rows[station, side]) if near else -1

    def nearest(self, s: float) -> int:
        """Station nearest to the distance `s` along the road."""
        if not len(self.distance_m):
            return 0
        return int(np.argmin(np.abs(self.distance_m - s)))

    def nearest_label(self, station_m: float) -> int:
        """Station whose label is nearest."""
        if not len(self.station_m):
            return 0
        return int(np.argmin(np.abs(self.station_m - station_m)))


@dataclass(frozen=True, slots=True)
class Loaded:
    """Results ready for the views, with the look-ups between tables and selections."""

    study: Study | None
    findings: Findings
    index: tuple[RoadIndex, ...]
    corrections: Corrections
    reach_road: NDArray[np.int64]
    reach_side: NDArray[np.int64]
    reach_first: NDArray[np.int64]
    reach_last: NDArray[np.int64]
    reach_station: NDArray[np.int64]
    reach_order: NDArray[np.int64]
    reach_places: tuple[Place, ...]
    reach_rows: Mapping[Place, int]

    def row_of(self, place: Place) -> int:
        """Row of the reaches or stations at a place that reviews know, or -1."""
        if place.kind == "reach":
            return self.reach_rows.get(place, -1)
        for road in self.index:
            if road.name == place.road:
                return road.row_at(place.from_m, SIDES.index(place.side))
        return -1

    def reach_at(self, road_index: int, station_index: int, side: int) -> int:
        """Row of the reach that holds a station and side, or -1."""
        held = (
            (self.reach_road == road_index)
            & (self.reach_side == side)
            & (self.reach_first <= station_index)
            & (self.reach_last >= station_index)
        )
        rows = np.flatnonzero(held)
        return int(rows[0]) if len(rows) else -1

    def station_of_reach(self, row: int) -> tuple[int, int, int]:
        """Road, station and side to look at first in a reach."""
        return int(self.reach_road[row]), int(self.reach_station[row]), int(self.reach_side[row])

    def next_reach(self, road: int, station: int, side: int, current: int, step: int) -> int:
        """Next (+1) or previous (-1) reach that isn't sound, in road order; wraps; -1 if none."""
        order = self.reach_order
        if not len(order):
            return -1
        place = np.flatnonzero(order == current)
        if len(place):
            return int(order[(int(place[0]) + step) % len(order)])
        keys = (self.reach_road[order], self.reach_first[order], self.reach_side[order])
        here = (road, station, side)
        after = sum(key <= here for key in zip(*keys, strict=True))
        return int(order[(after if step > 0 else after - 1) % len(order)])


def loaded(study: Study | None, found: Findings, corrections: Corrections) -> Loaded:
    """Work out the look-ups between the tables and what can be selected."""
    index = road_index(found.stations)
    reaches = found.reaches
    number = {road.name: i for i, road in enumerate(index)}
    road = np.array([number.get(name, 0) for name in reaches["road"]], dtype=np.int64)
    side = (reaches["side"] == "right").astype(np.int64)
    first, last, best = np.zeros((3, len(reaches)), dtype=np.int64)
    chance = np.nan_to_num(found.stations["p_wont_shed"], nan=-1.0)
    for row in range(len(reaches)):
        stations = index[road[row]] if index else None
        if stations is None or not len(stations.station_m):
            continue
        ends = sorted(
            int(np.argmin(np.abs(stations.station_m - float(reaches[name][row]))))
            for name in ("from_m", "to_m")
        )
        if "first_index" in reaches and np.isfinite(reaches["first_index"][row]):
            ends = [int(reaches["first_index"][row]), int(reaches["last_index"][row])]
        first[row], last[row] = ends
        rows = stations.rows[ends[0] : ends[1] + 1, side[row]]
        best[row] = ends[0] + (int(np.argmax(chance[rows])) if len(rows) else 0)
    unsound = np.flatnonzero(reaches["verdict"] != Verdict.SHEDS)
    order = unsound[np.lexsort((side[unsound], first[unsound], road[unsound]))]
    places = tuple(reach_places(reaches))
    rows = {place: row for row, place in enumerate(places)}
    lookups = (road, side, first, last, best, order, places, rows)
    return Loaded(study, found, index, dict(corrections), *lookups)


def dated(result: Loaded, day: str) -> Loaded:
    """Put the day of the survey (ISO; empty if unknown) into the record of a run."""
    if str(result.findings.run.get("surveyed") or "") == day:
        return result
    found = replace(result.findings, run={**result.findings.run, "surveyed": day})
    study = None if result.study is None else replace(result.study, findings=found)
    return replace(result, study=study, findings=found)


def road_index(stations: Table) -> tuple[RoadIndex, ...]:
    """Split the station table into roads: rows run road by road, left then right."""
    n = len(stations)
    if n == 0:
        return ()
    names, sides = stations["road"], stations["side"]
    known = np.isfinite(stations["station_m"]) & np.isfinite(stations["distance_m"])
    paired = n % 2 == 0 and bool(np.all(sides[::2] == "left") and np.all(sides[1::2] == "right"))
    if not paired or not known.all():
        raise OutputError(
            "The stations of these findings have no place along their road or lack a side, so they "
            "can't be shown: screen again, or take a copy that is whole."
        )
    cuts = np.flatnonzero(names[2::2] != names[:-2:2]) * 2 + 2
    bounds = [0, *cuts.tolist(), n]
    return tuple(
        RoadIndex(
            name=str(names[start]),
            first_row=start,
            rows=np.arange(start, stop, dtype=np.int64).reshape(-1, 2),
            station_m=stations["station_m"][start:stop:2],
            distance_m=stations["distance_m"][start:stop:2],
            by_label=np.argsort(stations["station_m"][start:stop:2], kind="stable"),
        )
        for start, stop in itertools.pairwise(bounds)
    )


def summary(result: Loaded) -> str:
    """Say in one line what a screening found, and of each road left out why."""
    from analysis.study.road_rows import NOT_SCREENED
    from gui.look.words import verdict_text

    verdicts = list(result.findings.stations["verdict"])
    counts = [
        f"{verdicts.count(name)} {verdict_text(name)}" for name in Verdict if name in verdicts
    ]
    roads = result.findings.roads
    left_out = roads["reason"][roads["outcome"] == NOT_SCREENED]
    found = f"{len(verdicts)} stations and sides: " + ", ".join(counts)
    return ". ".join([found, *left_out])


def same_stations(a: Loaded, b: Loaded) -> bool:
    """Whether two results hold the same verdicts and slopes."""
    one, two = a.findings.stations, b.findings.stations
    if len(one) != len(two) or list(one["verdict"]) != list(two["verdict"]):
        return False
    return bool(
        np.allclose(one["shoulder_slope_pct"], two["shoulder_slope_pct"], atol=1e-6, equal_nan=True)
    )
