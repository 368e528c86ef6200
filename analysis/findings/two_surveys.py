"""Two dated surveys of the same roads: what changed between them, with errors, and what didn't.

Both are first brought together on the pavement, which neither weather nor traffic turns, and the
edge is taken where the earlier survey has it. What a third date would bring is a straight line
through two points and no more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.common.along import error_of_mean
from analysis.common.columns import REACH_CHANGE_COLUMNS, STATION_CHANGE_COLUMNS
from analysis.common.errors import ReadingsError
from analysis.common.limits import Limits
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.findings.registering import (
    Registration,
    edge_at_its_place,
    edge_places,
    errors_in_place,
    refuse_itself,
    registration,
)
from analysis.findings.sheets import limits_of
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["CHANGED", "NOT_CHANGED", "OPEN", "Dates", "SurveyChange", "compare_surveys"]

CHANGED, NOT_CHANGED, OPEN = "changed", "not changed", "can't tell"

_YEAR_DAYS = 365.25

_LEAST_KNOWN = 0.5
"""Where less of a reach was seen twice, nothing is said of it (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dates:
    """When the two surveys were taken, what they are called, and a third date to reckon to.

    Raises
    ------
    ReadingsError
        If they aren't in order.
    """

    before: date
    after: date
    before_name: str = "earlier"
    after_name: str = "later"
    third: date | None = None

    def __post_init__(self) -> None:
        """Refuse dates that aren't one after the other."""
        if self.before >= self.after:
            raise ReadingsError(
                f"The earlier survey is of {self.before}, the later one of {self.after}: give them "
                "in their order, each with its day."
            )
        if self.third is not None and self.third <= self.after:
            raise ReadingsError(
                f"The third date {self.third} must come after the later survey, {self.after}."
            )

    @property
    def years(self) -> float:
        """Years between the two."""
        return (self.after - self.before).days / _YEAR_DAYS

    @property
    def reckoned(self) -> date:
        """The third date; as long after the later survey as that is after the earlier one."""
        return self.third or self.after + (self.after - self.before)

    @property
    def further(self) -> float:
        """How far the third date lies beyond the later survey, in multiples of their distance."""
        return (self.reckoned - self.after) / (self.after - self.before)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyChange:
    """What changed, by station side (`STATION_CHANGE_COLUMNS`) and reach (`REACH_CHANGE_COLUMNS`).

    `registrations` has for each reach how the later survey lies to the earlier one, and
    `station_rows` (n,) the rows of `stations` in the earlier findings. The reaches are all of
    those, in their order.
    """

    dates: Dates
    stations: Table
    reaches: Table
    registrations: tuple[Registration, ...]
    station_rows: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Pair:
    """One quantity at n stations by both surveys: values, errors, and the error they share.

    `before_shared`, `after_shared` and `change_shared` are those parts of the errors that stations
    have in common. The change is surer than either survey where both leave the same open.
    """

    before: Floats
    before_se: Floats
    before_shared: Floats
    after: Floats
    after_se: Floats
    after_shared: Floats
    change_se: Floats
    change_shared: Floats
    common_se: float

    @property
    def change(self) -> Floats:
        return self.after - self.before


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Stations of a reach, as both surveys saw them.

    `volume` is the change at each in m³, its own error, that part of it which stations have in
    common, and the error that both surveys share.
    """

    rows: NDArray[np.intp]
    station_m: Floats
    slope: _Pair
    drop: _Pair
    volume: tuple[Floats, Floats, Floats, float]
    average_m: float

    def known(self) -> NDArray[np.bool_]:
        return np.asarray(np.isfinite(self.slope.change) & np.isfinite(self.drop.change))

    def mean(
        self,
        values: Floats,
        se: Floats,
        shared_se: Floats,
        common_se: float,
        here: NDArray[np.bool_],
    ) -> _Mean:
        """Mean over some stations, and its error."""
        if not here.any():
            return _Mean(math.nan, math.nan)
        own = error_of_mean(self.station_m[here], se[here], shared_se[here], self.average_m)
        return _Mean(float(values[here].mean()), math.hypot(own, common_se))


@dataclass(frozen=True, slots=True)
class _Mean:
    value: float
    se: float

    def chance_beyond(self, limit: float) -> float:
        """Probability that the true mean is further from 0 than a limit."""
        if not math.isfinite(self.value + self.se):
            return math.nan
        se = max(self.se, 1e-9)
        return float(ndtr((self.value - limit) / se) + ndtr((-limit - self.value) / se))


def compare_surveys(
    before: Findings, after: Findings, dates: Dates, limits: Limits | None = None
) -> SurveyChange:
    """Say what changed between two surveys.

    Parameters
    ----------
    before, after : Findings
        Of the same roads; stations are matched by road, side and station.
    dates : Dates
    limits : Limits, optional
        What counts as a change, and how sure it must be; else those of the earlier findings.

    Raises
    ------
    ReadingsError
        If both come from one terrain, or have no road in common.

    Notes
    -----
    A reach has changed where the mean of all of it, or of a piece as long as the shortest workable
    reach, changed by more than the limits with the certainty asked for, the chance of a mistake
    shared out among the pieces (Bonferroni). It hasn't where its mean surely lies within the
    limits and no piece is likelier beyond them than not. Else it can't be told.
    """
    refuse_itself(before, after)
    limits = limits or limits_of(before)
    earlier, later = StationRows(before.stations), StationRows(after.stations)
    if not set(earlier.roads) & set(later.roads):
        raise ReadingsError(
            f"The two surveys have no road in common: the earlier one has "
            f"{', '.join(earlier.roads)}, the later one {', '.join(later.roads)}."
        )
    table, found, stations, registers = before.reaches, [], [], []
    rows = [np.empty(0, dtype=np.intp)]
    for row in range(len(table)):
        road, side = str(table["road"][row]), str(table["side"][row])
        low, high = sorted((float(table["from_m"][row]), float(table["to_m"][row])))
        register = registration(earlier, later, road, low, high)
        stretch = _stretch(earlier, later, (road, side, low, high), register)
        registers.append(register)
        rows.append(stretch.rows)
        stations.append(_station_rows(stretch, road, side, dates))
        found.append({**_reach_row(stretch, dates, limits), **_place_of(table, row)})
    return SurveyChange(
        dates=dates,
        stations=_gathered(STATION_CHANGE_COLUMNS, stations),
        reaches=_gathered(REACH_CHANGE_COLUMNS, [{k: [v] for k, v in r.items()} for r in found]),
        registrations=tuple(registers),
        station_rows=np.concatenate(rows),
    )


def _place_of(table: Table, row: int) -> dict[str, object]:
    names = ("road", "side", "from_m", "to_m", "finding", "length_m")
    return {name: table[name][row] for name in names}


def _gathered(columns: Mapping[str, object], parts: Sequence[Mapping[str, object]]) -> Table:
    if not parts:
        return Table.empty(columns)  # type: ignore[arg-type]
    joined = {name: np.concatenate([np.asarray(p[name]) for p in parts]) for name in columns}
    return Table.of(columns, joined)  # type: ignore[arg-type]


# ---------------------------------------------------------------- one reach


def _stretch(
    earlier: StationRows,
    later: StationRows,
    place: tuple[str, str, float, float],
    register: Registration,
) -> _Stretch:
    """Both surveys' numbers at the stations of a reach that the later one has as well."""
    road, side, low, high = place
    rows = earlier.within(road, side, low, high)
    near = later.of(road, side)
    within = 0.5 * min(earlier.spacing(road, side), later.spacing(road, side)) + 1e-6
    match = np.full(rows.size, -1)
    if near.size and rows.size:
        away = np.abs(later.station[near][None, :] - earlier.station[rows][:, None])
        match = np.where(away.min(axis=1) <= within, near[away.argmin(axis=1)], -1)
    seen = match >= 0
    there = match[seen]
    tilt, tilt_se = np.nan_to_num([register.tilt_points, register.tilt_se])
    turn = tilt if side == "right" else -tilt

    def spread(values: Floats) -> Floats:
        out = np.full(rows.size, np.nan)
        out[seen] = values
        return out

    before_se, before_shared = earlier.errors(rows, "shoulder_slope_pct")
    after_se, after_shared = later.errors(there, "shoulder_slope_pct")
    slope = _Pair(
        before=earlier.values(rows, "shoulder_slope_pct"),
        before_se=before_se,
        before_shared=before_shared,
        after=spread(later.values(there, "shoulder_slope_pct") - turn),
        after_se=spread(after_se),
        after_shared=spread(after_shared),
        change_se=np.hypot(before_se, spread(after_se)),
        change_shared=np.hypot(before_shared, spread(after_shared)),
        common_se=float(tilt_se),
    )
    edge = edge_at_its_place(earlier, rows[seen], later, there)
    place_se = spread(edge.place_se)
    after_se, after_shared = spread(edge.se), spread(edge.shared_se)
    before_se, before_shared = errors_in_place(earlier, rows)
    # The edge's own place is the same for both: it only moves what the slope's change makes of it.
    moves = 10.0 * np.nan_to_num(edge_places(earlier, rows)[1] * np.abs(slope.change))
    whole_se, whole_shared = earlier.errors(rows, "edge_drop_mm")
    drop = _Pair(
        before=earlier.values(rows, "edge_drop_mm"),
        before_se=whole_se,
        before_shared=whole_shared,
        after=spread(edge.mm),
        after_se=np.hypot(after_se, place_se),
        after_shared=np.hypot(after_shared, place_se),
        change_se=np.hypot(np.hypot(before_se, after_se), moves),
        change_shared=np.hypot(np.hypot(before_shared, after_shared), moves),
        common_se=0.0,
    )
    return _Stretch(
        rows,
        earlier.station[rows],
        slope,
        drop,
        _volumes(earlier, rows, slope, drop, earlier.spacing(road, side)),
        max(earlier.average_m, later.average_m),
    )


def _volumes(
    stations: StationRows, rows: NDArray[np.intp], slope: _Pair, drop: _Pair, spacing_m: float
) -> tuple[Floats, Floats, Floats, float]:
    """Material gained at each station, m³, with the errors of `_Stretch.volume`.

    A plane that lies ``d`` mm lower at the edge and falls ``s`` points more loses
    ``w d / 1000 + w² s / 200`` m² over a width ``w``. Errors of slope and drop at the edge pull
    against each other, for the plane is best known half way out: the variance is that of its
    height there times ``w²``.
    """
    width = stations.values(rows, "shoulder_width_m")
    area = -(width * drop.change / 1000.0 + width**2 * slope.change / 200.0)
    edge = (width * drop.change_se / 1000.0) ** 2
    middle = np.maximum(edge - (width**2 * slope.change_se / 200.0) ** 2, 0.1 * edge)
    # as much of it is common to all stations as of the edge's
    common = np.sqrt(middle) * drop.change_shared / np.maximum(drop.change_se, 1e-9)
    known = width[np.isfinite(width)]
    turned = float((known**2).mean()) / 200.0 * slope.common_se if known.size else math.nan
    own = spacing_m * np.sqrt(middle)
    return spacing_m * area, own, spacing_m * common, spacing_m * turned


def _pair_columns(
    name: str, unit: str, change: str, pair: _Pair, dates: Dates
) -> dict[str, Floats]:
    """Columns of one quantity by station: both surveys, their change, and the straight line on."""
    k, common = dates.further, pair.common_se
    third_se = np.hypot((1.0 + k) * np.hypot(pair.after_se, common), k * pair.before_se)
    return {
        f"{name}_before_{unit}": pair.before,
        f"{name}_before_se": pair.before_se,
        f"{name}_after_{unit}": pair.after,
        f"{name}_after_se": np.hypot(pair.after_se, common),
        f"{name}_change_{change}": pair.change,
        f"{name}_change_se": np.hypot(pair.change_se, common),
        f"{name}_third_{unit}": pair.after + k * pair.change,
        f"{name}_third_se": third_se,
    }


def _station_rows(stretch: _Stretch, road: str, side: str, dates: Dates) -> dict[str, object]:
    n = stretch.rows.size
    return {
        "road": np.full(n, road, dtype=object),
        "side": np.full(n, side, dtype=object),
        "station_m": stretch.station_m,
        **_pair_columns("slope", "pct", "points", stretch.slope, dates),
        **_pair_columns("drop", "mm", "mm", stretch.drop, dates),
        "volume_change_m3": stretch.volume[0],
        "volume_change_se": np.hypot(stretch.volume[1], stretch.volume[3]),
    }


def _reach_row(stretch: _Stretch, dates: Dates, limits: Limits) -> dict[str, object]:
    """Means over the reach, and whether it changed."""
    known = stretch.known()
    row: dict[str, object] = {}
    for name, unit, change, pair in (
        ("slope", "pct", "points", stretch.slope),
        ("drop", "mm", "mm", stretch.drop),
    ):
        means = _means(stretch, pair, known)
        columns = _pair_columns(name, unit, change, means, dates)
        row |= {key: float(value[0]) for key, value in columns.items()}
    mean = stretch.mean(*stretch.volume, known)
    count = int(known.sum())
    share = float(known.mean()) if known.size else 0.0
    state, p_changed, reason = _judged(stretch, known, limits)
    return {
        **row,
        "volume_change_m3": mean.value * count if count else math.nan,
        "volume_change_se": mean.se * count if count else math.nan,
        "known_share": share,
        "change": state,
        "p_changed": p_changed,
        "reason": reason,
    }


def _means(stretch: _Stretch, pair: _Pair, known: NDArray[np.bool_]) -> _Pair:
    """Means of both surveys over the stations that both show."""
    before = stretch.mean(pair.before, pair.before_se, pair.before_shared, 0.0, known)
    after = stretch.mean(pair.after, pair.after_se, pair.after_shared, 0.0, known)
    change = stretch.mean(pair.change, pair.change_se, pair.change_shared, 0.0, known)
    was, was_se, now, now_se, se = (
        np.array([v]) for v in (before.value, before.se, after.value, after.se, change.se)
    )
    none = np.zeros(1)
    return _Pair(was, was_se, none, now, now_se, none, se, none, pair.common_se)


def _judged(stretch: _Stretch, known: NDArray[np.bool_], limits: Limits) -> tuple[str, float, str]:
    """State of a reach, the probability that it changed, and why."""
    if not known.size or known.mean() < _LEAST_KNOWN:
        share = 100.0 * float(known.mean()) if known.size else 0.0
        return OPEN, math.nan, f"Both surveys show only {share:.0f} % of it."
    sure = limits.decision.certainty.value
    pieces = _pieces(stretch, known, limits.decision.shortest_reach_m.value)
    chances: list[tuple[float, str]] = []
    whole, overall, likeliest = [], [], 0.0
    for what, unit, pair, limit in (
        ("slope", "% points", stretch.slope, limits.field.change_slope_points.value),
        ("edge drop", "mm", stretch.drop, limits.field.change_edge_mm.value),
    ):
        means = [
            stretch.mean(pair.change, pair.change_se, pair.change_shared, pair.common_se, here)
            for here in (known, *pieces)
        ]
        chances += [
            (m.chance_beyond(limit), f"{what} by {m.value:+.1f} ± {m.se:.1f} {unit}") for m in means
        ]
        whole.append(means[0].chance_beyond(limit))
        overall.append(chances[-len(means)][1])
        shrunk = _shrunk(means[0], means[1:])
        likeliest = max([likeliest, *(mean.chance_beyond(limit) for mean in shrunk)])
    most, words = max(chances)
    # all pieces are looked at, so one of them must be the surer
    mistake = min(1.0, (1.0 - most) * len(chances))
    if mistake <= 1.0 - sure:
        return CHANGED, 1.0 - mistake, f"Changed most: {words}."
    within = math.prod(1.0 - chance for chance in whole)
    likeliest = max(likeliest, 1.0 - within)
    if within >= sure and likeliest < 0.5:
        return NOT_CHANGED, likeliest, f"On the whole {'; '.join(overall)}."
    return OPEN, likeliest, f"The errors are too large to say; most: {words}."


def _shrunk(whole: _Mean, pieces: Sequence[_Mean]) -> list[_Mean]:
    """Pieces in the light of the reach: as far apart as their errors don't explain.

    The spread of the true means is that of DerSimonian and Laird (1986), Controlled Clinical
    Trials 7, 177-188, by every other piece, as neighbours overlap.
    """
    apart = pieces[::2]
    if len(apart) < 2:
        return list(pieces)
    value, weight = np.array([p.value for p in apart]), np.array([p.se**-2.0 for p in apart])
    middle = float(weight @ value / weight.sum())
    scatter = float(weight @ (value - middle) ** 2)
    free = float(weight.sum() - (weight**2).sum() / weight.sum())
    spread = max(0.0, (scatter - (len(apart) - 1)) / free)
    out = []
    for piece in pieces:
        own = spread / (spread + piece.se**2)
        out.append(
            _Mean(
                whole.value + own * (piece.value - whole.value),
                math.hypot(math.sqrt(own) * piece.se, (1.0 - own) * whole.se),
            )
        )
    return out


def _pieces(
    stretch: _Stretch, known: NDArray[np.bool_], length_m: float
) -> list[NDArray[np.bool_]]:
    """Runs of stations as long as the shortest workable reach, each beginning half way in."""
    at = stretch.station_m
    if not known.any() or at[-1] - at[0] <= 1.5 * length_m:
        return []
    length_m = max(length_m, stretch.average_m)
    starts = np.arange(at[0], at[-1] - 0.5 * length_m, 0.5 * length_m)
    runs = [known & (at >= start - 1e-6) & (at < start + length_m - 1e-6) for start in starts]
    return [run for run in runs if run.sum() >= 2]
