"""Finished work held against a terrain taken after it: accepted, not accepted, or not shown.

A mean over a reach says nothing of its parts: half too flat and half too steep is right on
average. So each station side counts, by the probability that its true slope and edge lie within
what the contract allows; the rule for the lot is a share of them, and a worst value that none may
pass. Both surveys are first brought together on the pavement, which the work doesn't touch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, roots_hermitenorm

from analysis.common.along import error_of_mean, rest_of_error
from analysis.common.cautions import ACCEPTANCE_CAUTION, CAUTIONS
from analysis.common.limits import FieldLimits, Limits
from analysis.common.types import Floats
from analysis.common.verdicts import REPLENISHING, RESHAPING
from analysis.common.writing import Writing
from analysis.earthwork.target import targets_pct
from analysis.findings.fieldcheck import ACCEPTED, NOT_ACCEPTED, NOT_COMPARED
from analysis.findings.registering import (
    Registration,
    edge_at_its_place,
    refuse_itself,
    registered_text,
    registration,
)
from analysis.findings.selecting import kept, not_rejected
from analysis.findings.sheets import limits_of
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["NOT_SHOWN", "Lot", "ReachAcceptance", "accept_reaches"]
__all__ += ["acceptance_report", "judge_lot", "rule_text"]

NOT_SHOWN = "not shown"
"""What the later terrain leaves open: its errors are too large for the rule."""

_SPREADS = np.array([0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.6, 2.5])
"""How much finished work may vary within a lot, in multiples of what is allowed."""

_NODES = 7
"""Points of a quadrature over a normal error."""


@dataclass(frozen=True, slots=True)
class Lot:
    """Station sides of a reach within what is allowed.

    `within` of `known` were measured within it. Of the true ones the expected share is `share`,
    between `low` and `high` by the certainty of the limits; `p_rule` is the probability that the
    rule for the lot holds.
    """

    within: int
    known: int
    share: float
    low: float
    high: float
    p_rule: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachAcceptance:
    """A reach that was worked, measured again on a later terrain; NaN = unknown.

    `p_within` is the probability that slope and edge both keep the rule for the lot, `known_share`
    the share of station sides that the later terrain shows.
    """

    row: int
    road: str
    side: str
    from_m: float
    to_m: float
    required_slope_pct: float
    slope_before_pct: float
    slope_after_pct: float
    slope_after_se: float
    edge_after_mm: float
    edge_after_se: float
    known_share: float
    registration: Registration
    slope: Lot
    edge: Lot
    p_within: float
    state: str


def accept_reaches(
    before: Findings, after: Findings, limits: Limits
) -> tuple[ReachAcceptance, ...]:
    """Judge finished work by a terrain taken after it.

    Every reach that called for work, and that no reviewer rejected, is looked up in the later
    findings. It is accepted, or not, where the probability that the lots of slope and edge keep
    their rule reaches the limits' certainty; not shown otherwise; not compared where less than that
    share of its station sides could be measured again.

    Parameters
    ----------
    before, after : Findings
        Of the same roads; stations are matched by road, side and station.
    limits : Limits
        Allowed deviations, the rule for the lot, and certainty.

    Raises
    ------
    ReadingsError
        If both were made from the same terrain.
    """
    refuse_itself(before, after)
    rows = kept(before)
    earlier = StationRows(before.stations.where(not_rejected(before, rows)))
    later = StationRows(after.stations)
    return tuple(
        _accept_reach(before, row, earlier, later, limits)
        for row in np.flatnonzero(rows.reaches).tolist()
        if str(before.reaches["treatment"][row]) in (*RESHAPING, *REPLENISHING)
    )


def _accept_reach(
    before: Findings, row: int, earlier: StationRows, later: StationRows, limits: Limits
) -> ReachAcceptance:
    table, field, sure = before.reaches, limits.field, limits.decision.certainty.value
    road, side = str(table["road"][row]), str(table["side"][row])
    low, high = sorted((float(table["from_m"][row]), float(table["to_m"][row])))
    planned, rows = (own.within(road, side, low, high) for own in (earlier, later))
    register = registration(earlier, later, road, low, high)
    tilt, tilt_se = np.nan_to_num([register.tilt_points, register.tilt_se])
    target = _targets(earlier, planned, later.station[rows], field)
    slope = later.values(rows, "shoulder_slope_pct") - (tilt if side == "right" else -tilt)
    slope_errors = later.errors(rows, "shoulder_slope_pct")
    edge = edge_at_its_place(earlier, planned, later, rows)
    known = np.isfinite(slope - target) & np.isfinite(edge.mm)
    place_se = _mean(edge.place_se[known]) if known.any() else 0.0
    step = later.stride(road, side)
    lots = [
        judge_lot(off[known], *errors, allowed.value, worst.value, field, sure, step)
        for off, errors, allowed, worst in (
            (
                *(slope - target, _apart(*slope_errors, float(tilt_se), known)),
                *(field.accept_slope_points, field.accept_worst_slope_points),
            ),
            (
                *(edge.mm, _apart(edge.se, edge.shared_se, place_se, known)),
                *(field.accept_edge_mm, field.accept_worst_edge_mm),
            ),
        )
    ]
    share = float(known.mean()) if rows.size else 0.0
    within = lots[0].p_rule * lots[1].p_rule
    kept = rows[known]
    return ReachAcceptance(
        row=row,
        road=road,
        side=side,
        from_m=float(table["from_m"][row]),
        to_m=float(table["to_m"][row]),
        required_slope_pct=_mean(target[known]),
        slope_before_pct=earlier.mean(planned, "shoulder_slope_pct"),
        slope_after_pct=_mean(slope[known]),
        slope_after_se=math.hypot(later.mean_se(kept, "shoulder_slope_pct"), float(tilt_se)),
        edge_after_mm=_mean(edge.mm[known]),
        edge_after_se=math.hypot(
            place_se,
            error_of_mean(
                later.station[kept], edge.se[known], edge.shared_se[known], later.average_m
            ),
        ),
        known_share=share,
        registration=register,
        slope=lots[0],
        edge=lots[1],
        p_within=within,
        state=_state(share, within, sure),
    )


def _state(known_share: float, within: float, sure: float) -> str:
    if known_share < sure or math.isnan(within):
        return NOT_COMPARED
    if within >= sure:
        return ACCEPTED
    return NOT_ACCEPTED if within <= 1.0 - sure else NOT_SHOWN


def _apart(
    se: Floats, shared_se: Floats, common_se: float, known: NDArray[np.bool_]
) -> tuple[Floats, float]:
    """Error of each station of a lot by itself, and the one that all of them have in common."""
    own = rest_of_error(se, shared_se)[known]
    return own, math.hypot(common_se, _mean(shared_se[known]) if own.size else 0.0)


def _mean(values: Floats) -> float:
    return float(values.mean()) if values.size else math.nan


def _targets(
    earlier: StationRows, planned: NDArray[np.intp], station_m: Floats, limits: FieldLimits
) -> Floats:
    """Slopes that the work sheet asked for, at the stations of the later survey."""
    required = earlier.values(planned, "required_slope_pct")
    known = np.isfinite(required)
    if not known.any() or not station_m.size:
        return np.full(station_m.size, np.nan)
    asked = targets_pct(required[known], limits.accept_slope_points.value)
    near = np.abs(station_m[:, None] - earlier.station[planned][known]).argmin(axis=1)
    return np.asarray(asked[near])


# ---------------------------------------------------------------- one lot


def judge_lot(
    off: Floats,
    se: Floats,
    common_se: float,
    allowed: float,
    worst: float,
    limits: FieldLimits,
    certainty: float,
    stride: int = 1,
) -> Lot:
    """Say how many station sides of a lot lie within what is allowed, and whether the rule holds.

    True deviations of a lot are taken as normal about its own mean with its own spread, neither
    known beforehand; each station's own measurement and error then say where it lies.

    Parameters
    ----------
    off, se : (n,)
        Measured deviations from the target and their own standard errors, in order along the road.
    common_se : float
        Standard error that all measurements of the lot have in common.
    allowed, worst : float
        What each may be off, and what none may be off, either way.
    limits : FieldLimits
        The share that must lie within.
    certainty : float
        Of the interval of the share.
    stride : int
        Stations that share ground: every so manieth is one of its own. Each such set is judged by
        itself; none beyond the worst value has to hold in all of them.

    Notes
    -----
    Counts of unlike chances follow the Poisson binomial distribution, reckoned exactly by
    convolution; unknown mean and spread by quadrature (hierarchical normal model: Gelman et al.,
    Bayesian Data Analysis, ch. 5; from memory).
    """
    within = int((np.abs(off) <= allowed).sum())
    if not off.size:
        return Lot(0, 0, math.nan, math.nan, math.nan, math.nan)
    se = np.maximum(se, 1e-3 * allowed)
    sets = [
        _judge_set(off[k::stride], se[k::stride], allowed, worst, common_se) for k in range(stride)
    ]
    sets = [pair for pair in sets if pair[0].size > 1]
    least = limits.accept_share.value
    rules, counts = [], []
    for inside, none_beyond in sets:
        n = inside.size - 1
        rules.append(float(none_beyond[math.ceil(least * n - 1e-9) :].sum()))
        counts.append((np.arange(n + 1) / n, inside))
    shares = np.concatenate([share for share, _ in counts])
    weight = np.concatenate([inside / len(sets) for _, inside in counts])
    order = np.argsort(shares, kind="stable")
    below = np.cumsum(weight[order])
    tail = 0.5 * (1.0 - certainty)
    low, high = (
        float(shares[order][min(int(np.searchsorted(below, q)), below.size - 1)])
        for q in (tail, 1.0 - tail)
    )
    mean = float(shares @ weight)
    p_rule = min(float(np.mean(rules)), *(float(chance.sum()) for _, chance in sets))
    return Lot(within, off.size, mean, low, high, p_rule)


def _judge_set(
    off: Floats, se: Floats, allowed: float, worst: float, common_se: float
) -> tuple[Floats, Floats]:
    """Chances (n + 1,) that 0 to n lie within what is allowed: of all, and with none beyond worst.

    Stations of the set are independent of each other but for the lot that they share.
    """
    if not off.size:
        return np.empty(0), np.empty(0)
    mean, variance, weight = _true_values(off, se, allowed)
    nodes, shares = roots_hermitenorm(_NODES if common_se > 0.0 else 1)
    mean = np.concatenate([mean + node * common_se for node in nodes])
    variance = np.concatenate([variance] * len(nodes))
    weight = np.concatenate([weight * share for share in shares / shares.sum()])
    sd = np.sqrt(variance)
    inside, possible = (
        ndtr((bound - mean) / sd) - ndtr((-bound - mean) / sd)
        for bound in (allowed, max(worst, allowed))
    )
    return (
        weight @ _counts(inside, 1.0 - inside),
        weight @ _counts(inside, np.maximum(possible - inside, 0.0)),
    )


def _true_values(off: Floats, se: Floats, allowed: float) -> tuple[Floats, Floats, Floats]:
    """Means and variances (q, n) of the true deviations over q likely lots, and weights (q,)."""
    spread = (_SPREADS * allowed)[:, None] ** 2
    precision = 1.0 / (spread + se**2)
    total = precision.sum(axis=1)
    middle = (precision * off).sum(axis=1) / total
    misfit = (precision * (off - middle[:, None]) ** 2).sum(axis=1)
    likely = 0.5 * (np.log(precision).sum(axis=1) - np.log(total) - misfit)
    likely = np.exp(likely - likely.max())
    nodes, shares = roots_hermitenorm(_NODES)
    lots = middle[:, None] + nodes / np.sqrt(total)[:, None]
    weight = (likely / likely.sum())[:, None] * shares / shares.sum()
    own = spread / (spread + se**2)
    mean = lots[..., None] + own[:, None, :] * (off - lots[..., None])
    variance = np.broadcast_to((own * se**2)[:, None, :], mean.shape)
    return mean.reshape(-1, off.size), variance.reshape(-1, off.size), weight.ravel()


def _counts(inside: Floats, otherwise: Floats) -> Floats:
    """Chances (q, n + 1) of 0 to n inside, by multiplying out station after station."""
    chance = np.ones((inside.shape[0], 1))
    for p, q in zip(inside.T, otherwise.T, strict=True):
        longer = np.zeros((chance.shape[0], chance.shape[1] + 1))
        longer[:, :-1] = chance * q[:, None]
        longer[:, 1:] += chance * p[:, None]
        chance = longer
    return chance


# ---------------------------------------------------------------- in words


def acceptance_report(before: Findings, after: Findings, writing: Writing | None = None) -> str:
    """Say in plain text which reaches with work are accepted on a terrain taken after it."""
    writing = writing or Writing()
    limits = limits_of(before)
    judged = accept_reaches(before, after, limits)
    if not judged:
        return "There was no reach with work to accept."
    lines = [rule_text(limits, writing), *(_reach_line(reach, writing) for reach in judged)]
    counts = {
        state: sum(r.state == state for r in judged)
        for state in dict.fromkeys(reach.state for reach in judged)
    }
    lines.append(", ".join(f"{count} {state}" for state, count in counts.items()) + ".")
    return "\n".join([*lines, "", ACCEPTANCE_CAUTION, *CAUTIONS])


def rule_text(limits: Limits, writing: Writing | None = None) -> str:
    """Say by which rule a lot is accepted."""
    field, say = limits.field, (writing or Writing()).say
    return (
        f"Rule for a reach: {100 * field.accept_share.value:.0f} % of its station sides within "
        f"{field.accept_slope_points.value:g} % points of the slope asked for and "
        f"{say(field.accept_edge_mm.value, 'mm')} of the pavement edge, none off by more than "
        f"{field.accept_worst_slope_points.value:g} % points or "
        f"{say(field.accept_worst_edge_mm.value, 'mm')}. Ranges hold with "
        f"{100 * limits.decision.certainty.value:.0f} % certainty."
    )


def _reach_line(reach: ReachAcceptance, writing: Writing) -> str:
    stretch = writing.span(reach.from_m, reach.to_m)
    place = f"{reach.road}, {reach.side}, {stretch}: {reach.state}"
    if reach.state == NOT_COMPARED:
        return f"{place}; {100 * reach.known_share:.0f} % of it was measured again."
    doubt = " The grid can't show more." if reach.state == NOT_SHOWN else ""
    return (
        f"{place}; falls {reach.slope_after_pct:.1f} ± {reach.slope_after_se:.1f} % "
        f"({reach.slope_before_pct:.1f} % before, {reach.required_slope_pct:.1f} % asked for), "
        f"edge drop {writing.say(reach.edge_after_mm, 'mm', reach.edge_after_se)}. Within what is "
        f"allowed: slope {_lot_text(reach.slope)}; edge {_lot_text(reach.edge)}. Probability "
        f"{reach.p_within:.2f} that the rule holds.{doubt} "
        f"{registered_text(reach.registration, writing)}"
    )


def _lot_text(lot: Lot) -> str:
    return (
        f"measured at {lot.within} of {lot.known} station sides, truly at "
        f"{100 * lot.low:.0f} to {100 * lot.high:.0f} %"
    )
