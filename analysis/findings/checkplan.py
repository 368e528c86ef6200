"""Where to check a screening in the field: a random sample that bounds what it got wrong.

Each verdict is a lot of its own, its station sides laid end to end by surface, road, side and
station and cut into as many equal lengths as places are wanted; one place is drawn at random in
each. So every metre has the same chance, surfaces and roads get their shares, and an exact bound
for draws of one chance holds for these too: draws of unlike chances scatter less (Hoeffding 1956,
On the distribution of the number of successes in independent trials, Annals of Mathematical
Statistics 27, 713-721).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import SettingsError
from analysis.common.types import Floats
from analysis.common.verdicts import Verdict
from analysis.findings.proportions import most_share, places_needed
from analysis.findings.reviews import Decision, standing
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["CheckOrder", "CheckPlace", "CheckPlan", "Lot", "draw_checks", "driving_order"]
__all__ += ["verdict_lengths"]

_DRAWS = 40
"""Draws in a length before what is left of it is looked through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOrder:
    """What the sample is to show.

    Parameters
    ----------
    missed : float
        Greatest share of what "sheds" that may be wrong, to be shown with `certainty` as long as
        no more than `misses` are found.
    alarms : float
        Likewise of what "won't shed"; 0 = none of these are looked at.
    open_places : int
        Places among those that the screening can't tell.
    spacing_m : float
        Readings on one side lie at least so far apart; 0 = as far as measurements share ground.
    seed : int
        The same seed draws the same places.
    keep : {"right", "left"}
        Side of the road that is driven on, for the order of the places.

    Raises
    ------
    SettingsError
        With one sentence that names what can't be.
    """

    missed: float = 0.05
    alarms: float = 0.1
    open_places: int = 10
    certainty: float = 0.95
    misses: int = 0
    spacing_m: float = 0.0
    seed: int = 1
    keep: str = "right"

    def __post_init__(self) -> None:
        """Refuse what no sample can be drawn for."""
        if not (math.isfinite(self.spacing_m) and self.spacing_m >= 0.0):
            raise SettingsError(
                f"The distance between places is {self.spacing_m:g}; give metres, or 0."
            )
        if self.open_places < 0:
            raise SettingsError(
                f"The places that can't be told are {self.open_places}; give 0 or more."
            )
        if self.seed < 0:
            raise SettingsError(f"The seed is {self.seed}; give a whole number from 0 up.")
        if self.keep not in ("left", "right"):
            raise SettingsError(f"The side to drive on is {self.keep!r}; give left or right.")

    def wanted(self) -> dict[str, int]:
        """Places that each verdict needs."""
        alarms = places_needed(self.alarms, self.certainty, self.misses) if self.alarms else 0
        return {
            Verdict.SHEDS: places_needed(self.missed, self.certainty, self.misses),
            Verdict.WONT_SHED: alarms,
            Verdict.CANT_TELL: self.open_places,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPlace:
    """One place to read, a row of the stations table; `name` counts in driving order."""

    name: str
    row: int
    road: str
    station_m: float
    side: str
    verdict: str
    surface: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Station sides of one verdict, surface and road, and how many of them are to be read."""

    verdict: str
    surface: str
    road: str
    length_m: float
    places: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPlan:
    """A sample, in the order in which to drive to it.

    Attributes
    ----------
    wanted, drawn : dict
        Places by verdict: asked for, and found far enough apart.
    rejected : int
        Station sides left out since a reviewer rejected what was found there.
    """

    order: CheckOrder
    places: tuple[CheckPlace, ...]
    lots: tuple[Lot, ...]
    wanted: dict[str, int]
    drawn: dict[str, int]
    spacing_m: float
    rejected: int = 0
    notes: tuple[str, ...] = field(default=())

    def shows(self, verdict: str) -> float:
        """Greatest share of a verdict that can be wrong if no more than the allowed misses are.

        NaN where nothing of it is to be read.
        """
        n = self.drawn.get(verdict, 0)
        if n == 0:
            return math.nan
        return most_share(min(self.order.misses, n), n, self.order.certainty)


def draw_checks(findings: Findings, order: CheckOrder | None = None) -> CheckPlan:
    """Draw the places to read.

    Raises
    ------
    SettingsError
        If nothing was judged, or what is asked for can't be shown by any sample.
    """
    order = order or CheckOrder()
    wanted = order.wanted()
    stations = StationRows(findings.stations)
    table = findings.stations
    spacing = order.spacing_m or stations.average_m
    surface = np.full(len(table), str(findings.run.get("surface") or ""), dtype=object)
    out = standing(findings).station_states() == Decision.REJECTED
    verdict = np.where(out, "", table["verdict"].astype(str))
    lengths = _lengths(stations)
    dice = np.random.default_rng(order.seed)
    drawn: list[int] = []
    near = _Near(stations, spacing)
    for name, count in wanted.items():
        rows = np.flatnonzero((verdict == name) & (lengths > 0.0))
        rows = rows[_end_to_end(stations, surface, rows)]
        drawn += _draw(rows, lengths, count, near, dice)
    if not drawn:
        raise SettingsError(
            "There is nothing to check: no station of these findings was judged (or all were "
            "rejected by a reviewer)."
        )
    places = [
        CheckPlace(
            name=f"C{number:03d}",
            row=row,
            road=str(table["road"][row]),
            station_m=float(stations.station[row]),
            side=str(table["side"][row]),
            verdict=str(table["verdict"][row]),
            surface=str(surface[row]),
        )
        for number, row in enumerate(driving_order(findings, drawn, order.keep), start=1)
    ]
    got = Counter(place.verdict for place in places)
    return CheckPlan(
        order=order,
        places=tuple(places),
        lots=_lots(places, stations, surface, verdict, lengths, wanted),
        wanted=wanted,
        drawn={name: got[name] for name in wanted},
        spacing_m=spacing,
        rejected=int(out.sum()),
        notes=tuple(
            f"Only {got[name]} of {count} places of {name!r} lie {spacing:g} m and more apart."
            for name, count in wanted.items()
            if got[name] < count
        ),
    )


def verdict_lengths(findings: Findings) -> dict[str, float]:
    """Metres of station sides by verdict, without what a reviewer rejected."""
    stations = StationRows(findings.stations)
    left = standing(findings).station_states() != Decision.REJECTED
    lengths, verdict = _lengths(stations), findings.stations["verdict"].astype(str)
    return {
        name: float(lengths[left & (verdict == name)].sum()) for name in np.unique(verdict).tolist()
    }


def _lengths(stations: StationRows) -> Floats:
    """(n,) length of road that each row stands for: to half way to its neighbours."""
    lengths = np.zeros(stations.station.size)
    for rows in stations.rows.values():
        at = stations.station[rows]
        if at.size < 2:
            lengths[rows] = stations.average_m
            continue
        middle = 0.5 * (at[1:] + at[:-1])
        ends = np.concatenate([at[:1], middle, at[-1:]])
        lengths[rows] = np.diff(ends)
    return lengths


def _end_to_end(
    stations: StationRows, surface: NDArray[np.object_], rows: NDArray[np.intp]
) -> NDArray[np.intp]:
    """Order of rows by surface, road, side and station."""
    table = stations.table
    keys = (table["side"][rows], table["road"][rows], surface[rows])
    return np.lexsort((stations.station[rows], *(np.asarray(k, dtype=str) for k in keys)))


class _Near:
    """Which rows lie too near to a place that was drawn, on the same side of the same road."""

    def __init__(self, stations: StationRows, spacing_m: float) -> None:
        self.stations, self.spacing_m = stations, spacing_m
        self.blocked = np.zeros(stations.station.size, dtype=bool)
        self._sides = np.empty(stations.station.size, dtype=object)
        for rows in stations.rows.values():
            for row in rows.tolist():
                self._sides[row] = rows

    def take(self, row: int) -> None:
        """Block what lies too near to this row."""
        rows = self._sides[row]
        away = np.abs(self.stations.station[rows] - self.stations.station[row])
        self.blocked[rows[away < self.spacing_m - 1e-6]] = True


def _draw(
    rows: NDArray[np.intp], lengths: Floats, count: int, near: _Near, dice: np.random.Generator
) -> list[int]:
    """Draw one row in each of `count` equal lengths of rows laid end to end."""
    ends = np.cumsum(lengths[rows])
    if not rows.size or count == 0:
        return []
    step = float(ends[-1]) / count
    drawn = []
    for zone in range(count):
        low, high = zone * step, (zone + 1) * step
        row = _one_of(rows, ends, (low, high), near, dice)
        if row is not None:
            drawn.append(row)
            near.take(row)
    return drawn


def _one_of(
    rows: NDArray[np.intp],
    ends: Floats,
    zone: tuple[float, float],
    near: _Near,
    dice: np.random.Generator,
) -> int | None:
    last = rows.size - 1
    for at in dice.uniform(*zone, _DRAWS):
        row = int(rows[min(int(np.searchsorted(ends, at, side="right")), last)])
        if not near.blocked[row]:
            return row
    first, behind = (int(np.searchsorted(ends, at, side="right")) for at in zone)
    left = rows[first : behind + 1]
    left = left[~near.blocked[left]]
    return int(dice.choice(left)) if left.size else None


def _lots(
    places: Sequence[CheckPlace],
    stations: StationRows,
    surface: NDArray[np.object_],
    verdict: NDArray[np.object_],
    lengths: Floats,
    wanted: dict[str, int],
) -> tuple[Lot, ...]:
    """Every verdict, surface and road with its length and how much of it is to be read."""
    got = Counter((p.verdict, p.surface, p.road) for p in places)
    road = stations.table["road"]
    every: dict[tuple[str, str, str], float] = {}
    for row in np.flatnonzero(np.isin(verdict, list(wanted))).tolist():
        key = (str(verdict[row]), str(surface[row]), str(road[row]))
        every[key] = every.get(key, 0.0) + float(lengths[row])
    order = list(wanted)
    return tuple(
        Lot(verdict=key[0], surface=key[1], road=key[2], length_m=length, places=got[key])
        for key, length in sorted(every.items(), key=lambda e: (order.index(e[0][0]), e[0][1:]))
    )


def driving_order(findings: Findings, rows: Sequence[int], keep: str = "right") -> list[int]:
    """Rows in the order in which to drive to them.

    A road is driven along its near side and back along the other, so that nobody crosses it on
    foot; from either end, and the next road is the one whose end is nearest as the crow flies.

    Parameters
    ----------
    rows : sequence of int
        Rows of the stations table.
    keep : {"right", "left"}
        Side of the road that is driven on.
    """
    table, xy = findings.stations, np.asarray(findings.station_xy, dtype=np.float64)
    stations = StationRows(table)
    along = stations.values(np.arange(len(table)), "distance_m")
    along = np.where(np.isfinite(along), along, stations.station)
    roads: dict[str, list[int]] = {}
    for row in rows:
        roads.setdefault(str(table["road"][row]), []).append(row)
    out_side = "right" if keep == "right" else "left"
    loops: dict[str, tuple[list[int], list[int]]] = {}
    for road, own in roads.items():
        own.sort(key=lambda row: along[row])
        up = [row for row in own if str(table["side"][row]) == out_side]
        back = [row for row in reversed(own) if str(table["side"][row]) != out_side]
        # from the low end up and back; from the high end back first, then up
        loops[road] = (up + back, back + up)
    order: list[int] = []
    here = None
    while loops:
        best = min(
            ((road, way) for road in loops for way in (0, 1)),
            key=lambda pick: (_away(xy, here, loops[pick[0]][pick[1]][0]), pick[1]),
        )
        order += loops.pop(best[0])[best[1]]
        here = order[-1]
    return order


def _away(xy: Floats, here: int | None, there: int) -> float:
    if here is None:
        return 0.0
    return float(np.nan_to_num(np.hypot(*(xy[there] - xy[here])), nan=math.inf))
