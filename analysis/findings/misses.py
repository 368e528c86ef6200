"""What the screening got wrong where somebody went to look: misses, false alarms, and how many.

A miss is a shoulder judged to shed that doesn't, a false alarm one judged not to shed that does.
Whether it sheds is what whoever stood there saw; else what the board says: it falls as much as is
required, and doesn't stand too high. Where the reading lies closer to that than its own error, it
is open, and an interval takes it both ways.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.common.limits import Limits
from analysis.common.verdicts import Verdict
from analysis.findings.fieldcheck import Comparison
from analysis.findings.proportions import exact_interval, most_share

__all__ = ["CLOSE", "FieldCall", "MissRate", "call_places", "miss_rates", "wrong_most"]

CLOSE = "too close to call"

_OTHERWISE = {Verdict.SHEDS: Verdict.WONT_SHED, Verdict.WONT_SHED: Verdict.SHEDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCall:
    """What the readings at one station side say, beside what the screening said."""

    row: int
    road: str
    side: str
    station_m: float
    surface: str
    verdict: str
    p_wont_shed: float
    call: str
    readings: int
    seen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MissRate:
    """How often one verdict was wrong in a lot of places; `surface`, `road` empty = all.

    `low` and `high` hold the share that is wrong with the certainty asked for, `most` is the
    greatest share by itself: it is passed with no more than what the certainty leaves.
    """

    verdict: str
    surface: str
    road: str
    places: int
    wrong: int
    close: int
    low: float
    high: float
    most: float


def call_places(
    compared: Sequence[Comparison], limits: Limits, surface: str = ""
) -> tuple[FieldCall, ...]:
    """Say for each station side with readings whether it sheds.

    Parameters
    ----------
    compared : sequence of Comparison
        Readings before any work; several at one station count as one place.
    limits : Limits
        What is required, and what a reading is worth.
    surface : str
        Of the shoulders, for the lots.
    """
    places: dict[int, list[Comparison]] = {}
    for one in compared:
        if one.row is not None:
            places.setdefault(one.row, []).append(one)
    calls = []
    for row, own in sorted(places.items()):
        call, seen = _call(own, limits)
        if call:
            calls.append(
                FieldCall(
                    row=row,
                    road=own[0].road,
                    side=own[0].reading.side,
                    station_m=own[0].measured_at_m,
                    surface=surface,
                    verdict=own[0].verdict,
                    p_wont_shed=own[0].p_wont_shed,
                    call=call,
                    readings=len(own),
                    seen=seen,
                )
            )
    return tuple(calls)


def _call(own: Sequence[Comparison], limits: Limits) -> tuple[str, bool]:
    """What the readings at one place say, and whether somebody saw it."""
    seen = [c.reading.sheds for c in own if c.reading.sheds is not None]
    if seen:
        if len(set(seen)) > 1:
            return CLOSE, True
        return (Verdict.SHEDS if seen[0] else Verdict.WONT_SHED), True
    field, shape = limits.field, limits.shape
    margins = []
    slopes = [c for c in own if math.isfinite(c.slope_pct)]
    if slopes:
        slope = float(np.mean([c.slope_pct for c in slopes]))
        board = math.hypot(*(c.reading.slope_se(field) for c in slopes)) / len(slopes)
        least = slopes[0].required_slope_pct - shape.slope_shortfall_points.value
        error = math.hypot(board, field.board_bias_se_points.value)
        margins.append((slope - least) / max(error, 1e-9))
    edges = [c.reading.edge_mm for c in own if math.isfinite(c.reading.edge_mm)]
    if edges:
        over = float(np.mean(edges)) + shape.high_shoulder_mm.value
        margins.append(over / max(field.board_se_mm.value / math.sqrt(len(edges)), 1e-9))
    margins = [margin for margin in margins if not math.isnan(margin)]
    # An edge by itself may hold water, but doesn't show that none stays.
    if not margins or (not slopes and min(margins) > -1.0):
        return "", False
    worst = min(margins)
    if abs(worst) < 1.0:
        return CLOSE, False
    return (Verdict.SHEDS if worst > 0.0 else Verdict.WONT_SHED), False


def miss_rates(calls: Sequence[FieldCall], certainty: float = 0.95) -> tuple[MissRate, ...]:
    """How often each verdict is wrong: on the whole, then by surface and road.

    Exact intervals of the binomial distribution, which hold for places drawn at random by length
    (`analysis.findings.checkplan`). Lots of one road or surface only are told where there is more
    than one.
    """
    rates = []
    for verdict, other in _OTHERWISE.items():
        own = [call for call in calls if call.verdict == verdict]
        lots = {("", ""): own} if own else {}
        for call in own:
            lots.setdefault((call.surface, call.road), []).append(call)
        if len(lots) == 2:
            lots = {("", ""): own}
        rates += [_rate(verdict, other, *key, lot, certainty) for key, lot in lots.items()]
    return tuple(rates)


def wrong_most(
    rates: Sequence[MissRate], lengths_m: Mapping[str, float], certainty: float = 0.95
) -> float:
    """Greatest share of all that was judged that can be wrong; NaN where a verdict wasn't read.

    The bounds of both verdicts by their lengths, each passed with half of what the certainty leaves
    (Bonferroni): what sheds may be wrong in one way and what doesn't in the other.

    Parameters
    ----------
    rates : sequence of MissRate
    lengths_m : mapping
        Metres by verdict (`analysis.findings.checkplan.verdict_lengths`).
    """
    whole = {rate.verdict: rate for rate in rates if not (rate.road or rate.surface)}
    judged = {verdict: lengths_m.get(verdict, 0.0) for verdict in _OTHERWISE}
    total = sum(judged.values())
    if not total or any(length > 0.0 and v not in whole for v, length in judged.items()):
        return math.nan
    shared = 1.0 - (1.0 - certainty) / sum(length > 0.0 for length in judged.values())
    return sum(
        length / total * most_share(whole[v].wrong + whole[v].close, whole[v].places, shared)
        for v, length in judged.items()
        if length > 0.0
    )


def _rate(
    verdict: str, other: str, surface: str, road: str, lot: Sequence[FieldCall], certainty: float
) -> MissRate:
    wrong = sum(call.call == other for call in lot)
    close = sum(call.call == CLOSE for call in lot)
    return MissRate(
        verdict=verdict,
        surface=surface,
        road=road,
        places=len(lot),
        wrong=wrong,
        close=close,
        low=exact_interval(wrong, len(lot), certainty)[0],
        high=exact_interval(wrong + close, len(lot), certainty)[1],
        most=most_share(wrong + close, len(lot), certainty),
    )
