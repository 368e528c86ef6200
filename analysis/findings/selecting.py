"""Which findings leave: what a reviewer rejected stays behind, and what a person doesn't ask for.

Every output goes through here, so that a rejected reach is ordered, counted and handed on nowhere.
Who wants to see what was rejected asks for it, and finds it marked by the columns of the review.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import MARK_COLUMNS
from analysis.common.errors import SettingsError
from analysis.common.sides import SIDES
from analysis.common.stations import station_text
from analysis.common.table import Table
from analysis.common.types import Bools
from analysis.common.verdicts import Finding, Treatment, Verdict
from analysis.findings.reviews import Decision, Review, Standing, standing

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["UNDECIDED", "Kept", "Selection", "for_output", "kept"]
__all__ += ["not_rejected", "selected"]

UNDECIDED = "undecided"
"""What isn't reviewed yet, beside the decisions."""
_ALLOWED: Mapping[str, tuple[str, ...]] = {
    "reviews": (*Decision, UNDECIDED),
    "treatments": tuple(Treatment),
    "verdicts": tuple(Verdict),
    "sides": SIDES,
}
_SAME_M = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """What is asked for; an empty set and None ask for all.

    Attributes
    ----------
    reviews
        Decisions, and `UNDECIDED`; rejected ones only where they are named or `with_rejected`.
    treatments, verdicts, sides, roads
        By name.
    rank_most
        No rank beyond it; what has no rank is then left out.
    from_m, to_m
        Station labels; a reach that reaches into them is taken whole.
    look_first
        Only reaches that somebody must look at before work: what can't be told, what may be a kerb.
    with_rejected
        What was rejected comes too, marked.
    """

    reviews: frozenset[str] = frozenset()
    treatments: frozenset[str] = frozenset()
    verdicts: frozenset[str] = frozenset()
    sides: frozenset[str] = frozenset()
    roads: frozenset[str] = frozenset()
    rank_most: int | None = None
    from_m: float | None = None
    to_m: float | None = None
    look_first: bool = False
    with_rejected: bool = False

    def __post_init__(self) -> None:
        """Refuse words that no findings know."""
        for name, known in _ALLOWED.items():
            strange = sorted(getattr(self, name) - set(known))
            if strange:
                raise SettingsError(
                    f"There are no {name} {', '.join(map(repr, strange))}; choose among "
                    f"{', '.join(known)}."
                )
        if self.rank_most is not None and self.rank_most < 1:
            raise SettingsError(f"The last rank is {self.rank_most}; give 1 or more.")

    @property
    def words(self) -> str:
        """What is asked for, for whoever reads the output; empty where it is all."""
        said = [
            f"{f.name}: {', '.join(sorted(value))}"
            for f in fields(self)
            if isinstance(value := getattr(self, f.name), frozenset) and value
        ]
        if self.rank_most is not None:
            said.append(f"rank: 1 to {self.rank_most}")
        if self.from_m is not None:
            said.append(f"from {station_text(self.from_m)}")
        if self.to_m is not None:
            said.append(f"to {station_text(self.to_m)}")
        if self.look_first:
            said.append("look first")
        if self.with_rejected:
            said.append("with what was rejected")
        return "; ".join(said)


@dataclass(frozen=True, slots=True)
class Kept:
    """Rows that stay, as masks over the tables, and the reviews that govern them."""

    reaches: Bools
    stations: Bools
    ponds: Bools
    standing: Standing


def kept(findings: Findings, selection: Selection | None = None) -> Kept:
    """Which rows of findings stay.

    Reaches are taken as is asked for. A station stays where its own review, verdict, side and
    place fit and it lies in a reach whose treatment and rank do; a pond where its reach stays.
    """
    want = selection or Selection()
    given = standing(findings)
    reaches, stations = findings.reaches, findings.stations
    by_work = _by_work(reaches, want)
    by_review = _by_review(given.reach_states(), want)
    low, high = _ends(reaches)
    placed = _by_place(reaches, low, high, want)
    reach_stays = by_work & by_review & placed & _among(reaches["verdict"], want.verdicts)
    label = np.asarray(stations["station_m"], dtype=np.float64)
    station_stays = (
        _by_review(given.station_states(), want)
        & _by_place(stations, label, label, want)
        & _among(stations["verdict"], want.verdicts)
    )
    if not by_work.all():
        station_stays &= _within(stations, label, reaches, by_work)
    pond_at = np.asarray(findings.ponds["station_m"], dtype=np.float64)
    pond_stays = np.ones(len(findings.ponds), dtype=bool)
    if not reach_stays.all():
        pond_stays = ~_within(findings.ponds, pond_at, reaches, ~reach_stays)
    return Kept(reach_stays, station_stays, pond_stays, given)


def not_rejected(findings: Findings, rows: Kept) -> Bools:
    """(stations,) what no reviewer rejected; of a reach that stays although it was, all."""
    fine = rows.standing.station_states() != Decision.REJECTED
    stays = np.asarray(rows.reaches & (rows.standing.reach_states() == Decision.REJECTED))
    if not stays.any():
        return np.asarray(fine, dtype=bool)
    label = np.asarray(findings.stations["station_m"], dtype=np.float64)
    return np.asarray(fine | _within(findings.stations, label, findings.reaches, stays), dtype=bool)


def _by_work(reaches: Table, want: Selection) -> Bools:
    fits = _among(reaches["treatment"], want.treatments)
    if want.look_first:
        # As the work plan lists them: what may be a kerb, and what can't be told.
        kerb = reaches["finding"] == Finding.KERB_OR_HIGH
        fits &= np.asarray(kerb | (reaches["treatment"] == Treatment.CANT_TELL), dtype=bool)
    if want.rank_most is not None:
        # Unknown is beyond any rank.
        fits &= (
            np.nan_to_num(np.asarray(reaches["rank"], dtype=float), nan=np.inf) <= want.rank_most
        )
    return fits


def _by_review(states: NDArray[np.object_], want: Selection) -> Bools:
    words = np.where(states == "", UNDECIDED, states).astype(str)
    fits = _among(words, want.reviews)
    if not want.with_rejected and Decision.REJECTED not in want.reviews:
        fits &= words != Decision.REJECTED
    elif want.with_rejected:
        fits |= words == Decision.REJECTED
    return fits


def _among(values: NDArray[Any], wanted: frozenset[str]) -> Bools:
    if not wanted:
        return np.ones(len(values), dtype=bool)
    return np.asarray(np.isin(values.astype(str), sorted(wanted)), dtype=bool)


def _ends(reaches: Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ends = np.column_stack([np.asarray(reaches[n], dtype=float) for n in ("from_m", "to_m")])
    return ends.min(axis=1, initial=np.inf), ends.max(axis=1, initial=-np.inf)


def _by_place(
    table: Table, low: NDArray[np.float64], high: NDArray[np.float64], want: Selection
) -> Bools:
    first = -math.inf if want.from_m is None else want.from_m
    last = math.inf if want.to_m is None else want.to_m
    first, last = min(first, last), max(first, last)
    near = (high >= first - _SAME_M) & (low <= last + _SAME_M)
    return near & _among(table["side"], want.sides) & _among(table["road"], want.roads)


def _within(table: Table, at: NDArray[np.float64], reaches: Table, rows: Bools) -> Bools:
    """Whether each place lies in one of some reaches, on its side of its road."""
    inside = np.zeros(len(table), dtype=bool)
    here: dict[tuple[str, str], NDArray[np.intp]] = {}
    low, high = _ends(reaches)
    for row in np.flatnonzero(rows):
        key = (str(reaches["road"][row]), str(reaches["side"][row]))
        if key not in here:
            here[key] = np.flatnonzero((table["road"] == key[0]) & (table["side"] == key[1]))
        near = here[key]
        inside[near] |= (at[near] >= low[row] - _SAME_M) & (at[near] <= high[row] + _SAME_M)
    return inside


def selected(findings: Findings, selection: Selection | None = None) -> Findings:
    """Return the findings that are asked for, each row with its review beside it.

    Never what was rejected unless that is asked for, then marked. The run record says what was
    asked for and carries the cautions.
    """
    want = selection or Selection()
    rows = kept(findings, want)
    reaches = _marked(findings.reaches, rows.standing.reaches).where(rows.reaches)
    stations = _marked(findings.stations, rows.standing.stations).where(rows.stations)
    reviews = findings.reviews
    stays = _among(reviews["road"], want.roads) & _among(reviews["side"], want.sides)
    if not want.with_rejected and Decision.REJECTED not in want.reviews:
        stays &= reviews["state"] != Decision.REJECTED
    masks = {"reach": rows.reaches, "station": rows.stations}
    return replace(
        findings,
        reaches=reaches,
        stations=stations,
        ponds=findings.ponds.where(rows.ponds),
        station_xy=np.asarray(findings.station_xy).reshape(-1, 2)[rows.stations],
        reach_lines=_picked(findings.reach_lines, rows.reaches),
        pond_rings=_picked(findings.pond_rings, rows.ponds),
        edits=findings.edits.where(_among(findings.edits["road"], want.roads)),
        reviews=reviews.where(stays),
        why={name: _picked(why, masks[name]) for name, why in findings.why.items()},
        run={**findings.run, "excerpt": want.words, "cautions": "\n".join(CAUTIONS)},
    )


def _picked(values: Sequence[Any], rows: Bools) -> tuple[Any, ...]:
    return tuple(values[k] for k in np.flatnonzero(rows).tolist())


def _marked(table: Table, reviews: Sequence[Review | None]) -> Table:
    def texts(name: str) -> list[str]:
        return ["" if own is None else _text_of(own, name) for own in reviews]

    marks = Table.of(MARK_COLUMNS, {name: texts(name) for name in MARK_COLUMNS})
    return Table({**table.columns, **marks.columns})


def _text_of(review: Review, name: str) -> str:
    field = {"review": "state", "reviewed_at": "at"}.get(name, name.removeprefix("review_"))
    value = getattr(review, field)
    return "\n".join(value) if isinstance(value, tuple) else str(value)


def for_output(findings: Findings) -> Findings:
    """Return findings that may leave: those selected, else all that nobody rejected."""
    return findings if "review" in findings.reaches else selected(findings)
