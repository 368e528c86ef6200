"""What people decided about findings, and for which of today's rows it stands.

A review belongs to a place on a road (a reach from station to station, or one station side) and
remembers what was found there when it was given. Findings move: another limit or a corrected edge
splits, joins and renames reaches. A review then governs a row of today only where it was given on
the same finding and covers nearly all of it; where it doesn't, the row is open again and counts
as changed, so that no old rejection hides a new fault.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import REVIEW_COLUMNS
from analysis.common.table import Table
from analysis.common.types import Floats

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = [
    "NOBODY",
    "Decision",
    "Place",
    "Review",
    "Reviews",
    "Standing",
    "StandingReaches",
    "reach_places",
    "review_table",
    "reviews_of",
    "standing",
    "standing_reaches",
]

# Share of a reach that a review must cover to govern it: common sense, no published value.
_COVERED = 0.8
# Less than this share of a reach is a neighbour's end, not the same thing seen before.
_TOUCHED = 0.1
# Stations of one place in two runs differ by rounding only.
_SAME_M = 1e-3


class Decision(StrEnum):
    """What a reviewer decides of a finding, as the column `state` holds it."""

    TO_CHECK = "to check"
    AGREED = "agreed"
    REJECTED = "rejected"


class Place(NamedTuple):
    """Where a review belongs; stations are labels in metres, rounded to the millimetre."""

    kind: str
    road: str
    side: str
    from_m: float
    to_m: float

    @classmethod
    def reach(cls, road: str, side: str, from_m: float, to_m: float) -> Place:
        """Return the place of a reach."""
        return cls("reach", str(road), str(side), round(float(from_m), 3), round(float(to_m), 3))

    @classmethod
    def station(cls, road: str, side: str, station_m: float) -> Place:
        """Return the place of a station on one side."""
        label = round(float(station_m), 3)
        return cls("station", str(road), str(side), label, label)


@dataclass(frozen=True, slots=True)
class Review:
    """A person's view of a station or reach.

    Attributes
    ----------
    state
        One of `Decision`.
    reason, note
        Why, from the list of reasons or in own words; and whatever else is worth saying.
    reviewer, at
        Who decided, and when (ISO 8601); empty where a file doesn't say.
    photos
        Paths of photographs.
    finding, verdict
        What was found when it was decided; empty where a file doesn't say.
    """

    state: str
    reason: str = ""
    note: str = ""
    reviewer: str = ""
    at: str = ""
    photos: tuple[str, ...] = ()
    finding: str = ""
    verdict: str = ""

    def __post_init__(self) -> None:
        """Refuse a state that is none."""
        if self.state not in tuple(Decision):
            raise ValueError(f"state must be one of {', '.join(Decision)}, not {self.state!r}")


Reviews = Mapping[Place, Review]
_TEXTS = ("state", "reason", "note", "reviewer", "at", "finding", "verdict")


def review_table(reviews: Reviews) -> Table:
    """Reviews as the table that the findings file holds."""
    given = list(reviews.values())
    values = {name: [getattr(place, name) for place in reviews] for name in Place._fields}
    values |= {name: [getattr(review, name) for review in given] for name in _TEXTS}
    values["photos"] = ["\n".join(review.photos) for review in given]
    return Table.of(REVIEW_COLUMNS, values)


def reviews_of(table: Table) -> dict[Place, Review]:
    """Reviews from the table of a findings file; a row whose state is unknown is left out."""
    found: dict[Place, Review] = {}
    for number in range(len(table)):
        row = table.row(number)
        place = Place(
            str(row["kind"]),
            str(row["road"]),
            str(row["side"]),
            round(float(row["from_m"]), 3),
            round(float(row["to_m"]), 3),
        )
        if row["state"] not in tuple(Decision):
            continue
        texts: dict[str, Any] = {name: str(row[name]) for name in _TEXTS}
        photos = tuple(filter(None, str(row["photos"]).split("\n")))
        found[place] = Review(**texts, photos=photos)
    return found


@dataclass(frozen=True, slots=True)
class Standing:
    """What reviews say of the rows of today.

    Attributes
    ----------
    reaches, stations
        For each row of the tables the review that governs it, or None while nobody decided. A
        station takes its own, else that of its reach.
    changed
        (reaches,) Whether a review lies here that was given on something else.
    """

    reaches: tuple[Review | None, ...]
    stations: tuple[Review | None, ...]
    changed: NDArray[np.bool_]

    def reach_states(self) -> NDArray[np.object_]:
        """(reaches,) "agreed", "rejected", "to check", or "" where nobody decided."""
        return _states(self.reaches)

    def station_states(self) -> NDArray[np.object_]:
        """(stations,) the same for the rows of the station table."""
        return _states(self.stations)


def _states(reviews: tuple[Review | None, ...]) -> NDArray[np.object_]:
    states = np.empty(len(reviews), dtype=object)
    states[:] = ["" if review is None else review.state for review in reviews]
    return states


def reach_places(reaches: Table) -> list[Place]:
    """Place of each row of the reach table."""
    names = ("road", "side", "from_m", "to_m")
    return [Place.reach(*row) for row in zip(*(reaches[name] for name in names), strict=True)]


def standing(findings: Findings) -> Standing:
    """For which rows the reviews of findings stand.

    Examples
    --------
    >>> from analysis import sample_files, open_terrain, read_roads, screen
    >>> from dataclasses import replace
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> found = screen(grid, read_roads(centrelines, grid)[1:]).findings
    >>> first = reach_places(found.reaches)[0]
    >>> reviews = review_table({first: Review("rejected", "parked vehicle")})
    >>> governed = standing(replace(found, reviews=reviews))
    >>> governed.reach_states().tolist().count("rejected")
    1
    """
    reviews = reviews_of(findings.reviews)
    reaches, changed = standing_reaches(findings.reaches, reviews)
    return Standing(reaches, _standing_stations(findings, reviews, reaches), changed)


class StandingReaches(NamedTuple):
    """The review that governs each reach, or None; and whether one lies there that no longer fits.

    `given` has one entry for each row of the reach table, `changed` is (reaches,).
    """

    given: tuple[Review | None, ...]
    changed: NDArray[np.bool_]


NOBODY = StandingReaches((), np.zeros(0, dtype=bool))
"""What stands where there are no reaches."""


def standing_reaches(
    reaches: Table, reviews: Reviews, places: Sequence[Place] | None = None
) -> StandingReaches:
    """For which reaches reviews stand; `places` are those of the reaches, if they are at hand."""
    places = reach_places(reaches) if places is None else places
    findings = reaches["finding"]
    governing: list[Review | None] = [None] * len(reaches)
    changed = np.zeros(len(reaches), dtype=bool)
    given: dict[tuple[str, str], list[Place]] = {}
    for place in reviews:
        if place.kind == "reach":
            given.setdefault((place.road, place.side), []).append(place)
    open_rows: dict[tuple[str, str], list[int]] = {}
    for row, place in enumerate(places):
        exact = reviews.get(place)
        if exact is not None and exact.finding in ("", str(findings[row])):
            governing[row] = exact
        elif (place.road, place.side) in given:
            open_rows.setdefault((place.road, place.side), []).append(row)
    for key, rows in open_rows.items():
        lying = given[key]
        covered = _shares_covered([places[row] for row in rows], lying)
        found_then = np.array([reviews[place].finding for place in lying], dtype=object)
        for row, shares in zip(rows, covered, strict=True):
            if not (shares >= _TOUCHED).any():
                continue
            fitting = np.where(found_then == str(findings[row]), shares, 0.0)
            best = int(np.argmax(fitting))
            governs = bool(fitting[best] >= _COVERED)
            governing[row] = reviews[lying[best]] if governs else None
            changed[row] = not governs
    return StandingReaches(tuple(governing), changed)


def _shares_covered(places: Sequence[Place], by: Sequence[Place]) -> Floats:
    """(places, by) Share of the length of each place that each of others covers."""
    ends, others = (np.sort([place[3:] for place in part], axis=1) for part in (places, by))
    low, high = ends[:, :1], ends[:, 1:]
    common = np.minimum(high, others[:, 1]) - np.maximum(low, others[:, 0])
    point = high - low <= _SAME_M
    length = np.where(point, 1.0, high - low)
    shares: Floats = np.where(point, common >= -_SAME_M, np.maximum(common, 0.0) / length)
    return shares


def _standing_stations(
    findings: Findings, reviews: Reviews, reaches: tuple[Review | None, ...]
) -> tuple[Review | None, ...]:
    stations = findings.stations
    found: list[Review | None] = [None] * len(stations)
    rows: dict[tuple[str, str], NDArray[np.int64]] = {}
    places = reach_places(findings.reaches)
    own = [place for place in reviews if place.kind == "station"]
    governed = [place for place, review in zip(places, reaches, strict=True) if review]
    for key in {(place.road, place.side) for place in (*own, *governed)}:
        here = (stations["road"] == key[0]) & (stations["side"] == key[1])
        rows[key] = np.flatnonzero(here)
    label = stations["station_m"]
    for place, given in zip(places, reaches, strict=True):
        if given is not None:
            low, high = sorted(place[3:])
            near = rows[place.road, place.side]
            held = near[(label[near] >= low - _SAME_M) & (label[near] <= high + _SAME_M)]
            for row in held:
                found[row] = given
    for place in own:
        review, near = reviews[place], rows[place.road, place.side]
        for row in near[np.abs(label[near] - place.from_m) <= 2 * _SAME_M]:
            if review.finding in ("", str(stations["finding"][row])):
                found[row] = review
    return tuple(found)
