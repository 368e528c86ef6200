"""Stations whose shoulder can't be judged, and why: what `not_shoulder` found, put to use."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import known_median
from analysis.common.sides import SIDE_SIGN, Source
from analysis.common.station_arrays import stations_of
from analysis.common.types import Bools, Floats
from analysis.corridor.values import Unread
from analysis.edges.values import Breaks
from analysis.shoulder.kerb_or_high import SURELY_KERB, kerb_chances
from analysis.shoulder.not_shoulder import NOTHING, STEEPEST_PCT, WALL_RISE_M, Suspicion
from analysis.shoulder.values import Measures, Reason, Shoulder, Status, Why

__all__ = ["Kerbed", "answered", "cant_be_read", "not_the_ground", "withhold"]


KERB_SHARE = 0.4
"""A station isn't judged where a kerb, wall or bridge takes this share of its averaging length."""

OUTLIERS_MOST = 0.35
"""Share of shoulder cells left out of a fit beyond which it isn't to be trusted."""

LEAST_KNOWN = 0.5
"""With less of its pavement or shoulder in the grid, what can't be measured has no data."""

MADE_UP_MOST = 0.3
"""With more of the ground at a station only bridging a hole, nothing was surveyed there: whole
patches are found, so that about half of a hole shows (own trials)."""

GRASS_LEAST, GRASS_MOST = 0.3, 2.0
"""A shoulder with grass stands high by such a share of the grass: patches don't fill all of a
station. One that doesn't stand high is judged, rough as it is, and so is one that would still
stand high without its grass."""

GRASS_FELT = 1.0
"""Share of the grass's height by which the drop is off (standard deviation): the fit goes through
nine tenths of its mean height on made roads, and not all of it is told from ground."""

MOST_OF = 0.5
"""What takes more than this of a window leaves too little of its shoulder: a mask, or vehicles."""

NEAR_M = 10.0
"""A block of road says something of stations this near, whatever their averaging length."""

KERB_ROUND_M = 0.05
"""Kerbs' heights are told to this, so that neighbours agree, and as twice this at least."""

PLACE_ROUND_M = 0.5
"""Places where the road may lie are told to this."""

UNSEEN_SHARE, UNPAVED_PCT = 0.9, 3.0
"""A road whose edges don't show on this share of it, and whose middle falls more steeply than any
pavement, is gravel or earth: paved roads fall by 1.5 to 2.5 % (common practice)."""

FAR_APART_M, NEXT_TO_NONE_M = 1.5, 0.6
"""So is one whose edges were found this much farther apart than given, beside shoulders narrower
than this: they are its hinges."""

AWAY_ROUND_M = 0.5
"""How far a step stands outside the edge is told to this."""

UNREAD_BESIDE_M = 2.0
"""So much of the ground beside an edge counts where no hinge is known: about a shoulder."""

_SEEN_BESIDE = (
    *(Why.KERB, Why.KERB_AWAY, Why.DROPPED_KERB, Why.ACCESS, Why.OBSTACLE, Why.MASKED, Why.GRASS),
)
_KERBS = [Why.KERB, Why.KERB_AWAY, Why.DROPPED_KERB]
_BEHIND_THE_EDGE = (
    *("shoulder_slope_pct", "shoulder_slope_se", "shoulder_slope_shared_se", "slope_cov"),
    *("drop_shoulder_cov", "rut_mm", "rut_se", "ridge_mm", "ridge_se", "rut_detectable_mm"),
    *("rut_over", "ridge_over", "foreslope_pct", "shoulder_width_m"),
)


class Kerbed(NamedTuple):
    """What stands up along the edges; all (n, 2).

    `kerb` is where a kerb surely stands, `p_kerb` how likely what stands here or near is one, and
    `away_m` how far outside the edge it stands where it isn't at it, NaN elsewhere.
    """

    kerb: NDArray[np.bool_]
    p_kerb: Floats
    away_m: Floats


def withhold(
    measures: Measures,
    breaks: Breaks,
    suspicion: Suspicion,
    *,
    pavement_width_m: float | None = None,
    beats: Bools | None = None,
) -> tuple[Measures, Kerbed]:
    """Give stations where no shoulder can be judged their reason; tell kerbs.

    Parameters
    ----------
    measures : Measures
        Fitted without the cells that `suspect` calls foreign.
    breaks : Breaks
    suspicion : Suspicion
    pavement_width_m : float, optional
        Given width of a road that is said to be paved and whose edges were looked for.
    beats : (n,) bool, optional
        Stations that tell what goes on along the road; None: all.

    Returns
    -------
    Measures
        With `status` and `reason` set. What lacks cells is "no data" only where the grid has no
        heights; where there are heights but no shoulder to measure, it says that. Where the step
        stands away from the edge, it is the edge drop, and what lies behind it isn't known.
    Kerbed
    """
    shape = breaks.edge.shape
    kerb, p_kerb, away = np.zeros(shape, dtype=bool), np.zeros(shape), np.full(shape, np.nan)
    if suspicion.s.size == 0 or breaks.s.size == 0:
        return measures, Kerbed(kerb, p_kerb, away)
    measures, away = _stepped_away(measures, breaks, suspicion)
    told_by = slice(None) if beats is None or not beats.any() else np.flatnonzero(beats)
    usual = stations_of(measures, told_by), stations_of(breaks, told_by)
    chance = kerb_chances(*usual, suspicion)
    status, reason = measures.status.copy(), measures.reason.copy()
    # a step that may be a high shoulder is judged like one
    doubtful = np.isin(suspicion.kind, _KERBS) & (chance < SURELY_KERB)
    kinds = np.where(doubtful, NOTHING, suspicion.kind).astype(np.int8)
    suspicion = replace(suspicion, kind=kinds)
    unpaved = pavement_width_m is not None and _like_gravel(*usual, pavement_width_m)
    at = _nearest(suspicion.s, breaks.s)
    away_m = np.abs(suspicion.s[at] - breaks.s)
    for side in (0, 1):
        half = 0.5 * measures.average_m[:, side]
        # beyond the grid the nearest block, however far off, says nothing of the station
        beyond = away_m > np.fmax(half, NEAR_M)
        shoulder = np.isfinite(breaks.hinge[:, side] - breaks.edge[:, side])
        told = _told(measures, suspicion, breaks.s, side, ~shoulder)
        told[beyond] = NOTHING
        kerb[:, side] = (told == Why.KERB) | (told == Why.KERB_AWAY)
        p_kerb[:, side] = _window_most(suspicion.s, chance[:, side], breaks.s, half)
        plain = told == NOTHING
        few = measures.status[:, side] == Status.NO_DATA
        unmeasured = few | (measures.status[:, side] == Status.TOO_COARSE)
        masked, known = (
            np.where(beyond, 0.0, _window_mean(suspicion.s, share[:, side], breaks.s, half))
            for share in (suspicion.masked, suspicion.known)
        )
        judged = np.where(plain, Status.OK, Status.NOT_JUDGED)
        for chosen, state, why in (
            (few & plain & shoulder, Status.TOO_COARSE, Why.NARROW),
            (few & plain & ~shoulder, Status.NOT_JUDGED, Why.NO_SHOULDER),
            (plain & ~beyond & unpaved, Status.NOT_JUDGED, Why.UNPAVED),
            (masked > MOST_OF, Status.NOT_JUDGED, Why.MASKED),
            (unmeasured & (known < LEAST_KNOWN), Status.NO_DATA, Why.NO_HEIGHTS),
        ):
            judged[chosen], told[chosen] = state, why
        new = judged != Status.OK
        status[new, side] = judged[new]
        heights, wall = _near_height(suspicion, side, at), np.full(at.size, 1000.0 * WALL_RISE_M)
        places = np.nan_to_num(AWAY_ROUND_M * np.round(away[:, side] / AWAY_ROUND_M))
        numbers = {Why.KERB: (heights,), Why.KERB_AWAY: (heights, places), Why.WALL: (wall,)}
        reason[new, side] = [
            Reason(Why(told[k]), tuple(float(told_of[k]) for told_of in numbers.get(told[k], ())))
            for k in np.flatnonzero(new)
        ]
    measures = replace(measures, status=status, reason=reason)
    lost = breaks.lost()[:, None] & (status != Status.NO_DATA)
    kerbed = Kerbed(kerb & ~lost, np.where(lost, 0.0, p_kerb), np.where(lost, np.nan, away))
    return _without_road(measures, breaks, lost), kerbed


def _stepped_away(
    measures: Measures, breaks: Breaks, suspicion: Suspicion
) -> tuple[Measures, Floats]:
    """Take a step that stands outside the edge for the edge drop, and say how far out, (n, 2).

    What was fitted about the edge there is pavement.
    """
    away = np.full(breaks.edge.shape, np.nan)
    drop, drop_se = measures.edge_drop_mm.copy(), measures.edge_drop_se.copy()
    at = _nearest(suspicion.s, breaks.s)
    for side in (0, 1):
        half = 0.5 * measures.average_m[:, side]
        stands = np.isfinite(suspicion.kerb_away_m[:, side])
        known = np.flatnonzero(stands)
        if known.size == 0:
            continue
        near = np.abs(suspicion.s[at] - breaks.s) <= np.fmax(half, NEAR_M)
        share = np.where(near, _window_mean(suspicion.s, stands, breaks.s, half), 0.0)
        nearest = known[_nearest(known.astype(np.float64), at.astype(np.float64))]
        step = -1000.0 * suspicion.kerb_height_m[nearest, side]
        # along part of a window: which of the two is the drop, the next survey may see otherwise
        apart = np.sqrt(share * (1.0 - share)) * np.abs(np.nan_to_num(step - drop[:, side]))
        here = share >= KERB_SHARE
        step_se = 1000.0 * suspicion.kerb_se_m[nearest, side]
        drop_se[:, side] = np.hypot(np.where(here, step_se, drop_se[:, side]), apart)
        drop[here, side] = step[here]
        away[here, side] = suspicion.kerb_away_m[nearest, side][here]
    stood = np.isfinite(away)
    behind: dict[str, Any] = {
        name: _without(getattr(measures, name), stood) for name in _BEHIND_THE_EDGE
    }
    # that the shoulder couldn't be measured doesn't hide the step
    known = stood & (measures.status != Status.NO_DATA)
    status, reason = measures.status.copy(), measures.reason.copy()
    status[known], reason[known] = Status.OK, None
    for name in ("edge_drop_shared_se", "edge_drop_place_se"):
        behind[name] = np.where(stood, 0.0, getattr(measures, name))
    behind |= {"edge_drop_mm": drop, "edge_drop_se": drop_se}
    return replace(measures, status=status, reason=reason, **behind), away


def _without(values: Floats, where: Bools) -> Floats:
    """Values (n, 2, ...) that are unknown at some stations and sides (n, 2)."""
    out = np.array(values, dtype=np.float64)
    out[where] = np.nan
    return out


def not_the_ground(measures: Measures, grass_m: Floats, bridged: Floats | None) -> Measures:
    """Give stations their reason where what was measured isn't the ground itself.

    Parameters
    ----------
    measures : Measures
    grass_m : (n, 2)
        How high grass seems to stand on the shoulder; 0 = none.
    bridged : (n, 2), optional
        Share of the ground at each station that only bridges a hole.
    """
    status, reason = measures.status.copy(), measures.reason.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        share = -0.001 * measures.edge_drop_mm / grass_m
    grown = (share > GRASS_LEAST) & (share < GRASS_MOST) & (grass_m > 0.0)
    grown &= status == Status.OK
    status[grown] = Status.NOT_JUDGED
    told_mm = 10.0 * np.maximum(np.round(100.0 * grass_m[grown]), 1.0)
    reason[grown] = [Reason(Why.GRASS, (float(height),)) for height in told_mm]
    if bridged is not None:
        drawn = bridged > MADE_UP_MOST
        status[drawn] = Status.NO_DATA
        reason[drawn] = [Reason(Why.MADE_UP, (100.0 * float(part),)) for part in bridged[drawn]]
    felt_mm = 1000.0 * GRASS_FELT * grass_m
    return replace(
        measures,
        status=status,
        reason=reason,
        edge_drop_se=np.hypot(measures.edge_drop_se, felt_mm),
        edge_drop_shared_se=np.hypot(measures.edge_drop_shared_se, felt_mm),
    )


def cant_be_read(measures: Measures, breaks: Breaks, unread: Unread) -> Measures:
    """Give stations their reason whose pavement or shoulder lies where the grid can't be read.

    One that could be judged all the same is, and one keeps its reason that stands on the ground
    beside what is missing, as a kerb does.
    """
    status, reason = measures.status.copy(), measures.reason.copy()
    order = np.argsort(unread.s, kind="stable")
    s, o, file = unread.s[order], unread.o[order], unread.file[order]
    outer = np.where(np.isfinite(breaks.hinge), breaks.hinge, breaks.edge + UNREAD_BESIDE_M)
    half = 0.5 * measures.average_m
    for station, side in np.argwhere(status != Status.OK).tolist():
        why = reason[station, side]
        if status[station, side] != Status.NO_DATA and why.kind in _SEEN_BESIDE:
            continue
        at, reach = breaks.s[station], half[station, side]
        near = slice(*np.searchsorted(s, [at - reach, at + reach]).tolist())
        u = SIDE_SIGN[side] * o[near]
        here = file[near][(u >= 0.0) & (u <= outer[station, side])]
        if here.size:
            status[station, side] = Status.NO_DATA
            reason[station, side] = Reason(
                Why.UNREAD, file=unread.names[int(np.bincount(here).argmax())]
            )
    return replace(measures, status=status, reason=reason)


def answered(shoulder: Shoulder, kerb: Floats | None) -> Shoulder:
    """The shoulders once a person has said where kerbs stand.

    Parameters
    ----------
    shoulder
        As measured.
    kerb : (n, 2), optional
        1 where one stands, 0 where none does, NaN where nobody said.
    """
    if kerb is None or not np.isfinite(kerb).any():
        return shoulder
    measures, yes, no = shoulder.measures, kerb == 1.0, kerb == 0.0
    status, reason = measures.status.copy(), measures.reason.copy()
    judged = status == Status.OK
    height = np.nan_to_num(-measures.edge_drop_mm[yes & judged])
    reason[yes & judged] = [Reason(Why.KERB, (float(mm),)) for mm in _rounded(height)]
    status[yes & judged] = Status.NOT_JUDGED
    kinds = np.array([0 if why is None else why.kind for why in reason.ravel()])
    lifted = no & np.isin(kinds.reshape(reason.shape), _KERBS)
    # the step alone says that water can't leave
    lifted &= np.isfinite(measures.edge_drop_se)
    lifted &= np.isfinite(measures.shoulder_slope_se) | np.isfinite(shoulder.kerb_away_m)
    status[lifted], reason[lifted] = Status.OK, None
    return replace(
        shoulder,
        measures=replace(measures, status=status, reason=reason),
        kerb=(shoulder.kerb & ~no) | yes,
        p_kerb=np.where(np.isfinite(kerb), kerb, shoulder.p_kerb),
    )


def _without_road(measures: Measures, breaks: Breaks, lost: NDArray[np.bool_]) -> Measures:
    """Take back what was measured where the road itself isn't found, `lost` (n, 2)."""
    if breaks.rivals is None or not lost.any():
        return measures
    # rounded so that neighbours agree
    places = PLACE_ROUND_M * np.round(breaks.rivals / PLACE_ROUND_M) + 0.0
    reason, status = measures.reason.copy(), np.where(lost, Status.NOT_JUDGED, measures.status)
    for station, side in np.argwhere(lost):
        best, rival = places[station].tolist()
        why = Why.ROAD_BEYOND if np.isnan(rival) else Why.ROAD_RIVALS
        reason[station, side] = Reason(why, (best,) if np.isnan(rival) else (best, rival))
    kept = ("shoulder_width_m", "cells", "average_m", "status", "reason")
    unknown: dict[str, Any] = {
        field.name: _without(getattr(measures, field.name), lost)
        for field in fields(measures)
        if field.name not in kept
    }
    return replace(measures, **unknown, reason=reason, status=status.astype(np.int8))


def _told(
    measures: Measures, suspicion: Suspicion, s: Floats, side: int, bare: NDArray[np.bool_]
) -> NDArray[np.int8]:
    """Why each station of a side isn't judged, or `NOTHING`, (n,); later ones win.

    Where the search found no shoulder, `bare` (n,), there is less to be sure of.
    """
    kind = suspicion.kind[:, side]
    here, half = kind[_nearest(suspicion.s, s)], 0.5 * measures.average_m[:, side]
    shares = np.stack(
        [_window_mean(suspicion.s, kind == why, s, half) for why in range(Why.BRIDGE + 1)], axis=1
    )
    told = np.zeros(s.size, dtype=np.int8)
    measured = measures.status[:, side] != Status.NO_DATA
    slope, se = measures.shoulder_slope_pct[:, side], measures.shoulder_slope_se[:, side]
    with np.errstate(invalid="ignore"):
        told[(measures.outlier_share[:, side] > OUTLIERS_MOST) & measured] = Why.UNEVEN
        least = np.where(bare, slope, slope - 2.0 * se)
        told[(least > STEEPEST_PCT) & measured] = Why.FALLS
        told[(slope + 2.0 * se < -STEEPEST_PCT) & measured] = Why.RISES
    crowded = shares[:, Why.ACCESS] + shares[:, Why.OBSTACLE] > MOST_OF
    told[crowded] = Why.OBSTACLE
    told[crowded & (shares[:, Why.ACCESS] >= shares[:, Why.OBSTACLE])] = Why.ACCESS
    told[here == Why.ACCESS] = Why.ACCESS
    told[shares[:, Why.WALL] >= KERB_SHARE] = Why.WALL
    told[(here == Why.BRIDGE) | (shares[:, Why.BRIDGE] >= KERB_SHARE)] = Why.BRIDGE
    walled = shares[:, _KERBS].sum(axis=1) >= KERB_SHARE
    told[walled] = np.array(_KERBS)[shares[:, _KERBS].argmax(axis=1)][walled]
    return told


def _nearest(at: Floats, s: Floats) -> NDArray[np.intp]:
    """Which of the ascending places `at` lies nearest to each of `s`, the earlier of two."""
    after = np.clip(np.searchsorted(at, s), 0, at.size - 1)
    before = np.maximum(after - 1, 0)
    return np.where(np.abs(at[before] - s) <= np.abs(at[after] - s), before, after)


def _like_gravel(measures: Measures, breaks: Breaks, pavement_width_m: float) -> bool:
    """Tell whether a road falls like gravel and shows no edges, or hinges for edges."""
    unseen = np.mean(breaks.edge_source == Source.NOMINAL) >= UNSEEN_SHARE
    apart = np.median(breaks.edge.sum(axis=1)) > pavement_width_m + FAR_APART_M
    narrow = known_median(breaks.hinge - breaks.edge, 0.0) < NEXT_TO_NONE_M
    falls = known_median(np.abs(measures.pavement_slope_pct))
    if np.isnan(falls):
        return bool(apart and narrow)
    return bool((unseen or (apart and narrow)) and falls > UNPAVED_PCT)


def _near_height(suspicion: Suspicion, side: int, at: NDArray[np.int64]) -> Floats:
    """Height in mm of the kerb nearest to the stations' blocks, to 50 mm: neighbours agree."""
    height = suspicion.kerb_height_m[:, side]
    known = np.flatnonzero(np.isfinite(height))
    if known.size == 0:
        return np.zeros(at.size)
    nearest = np.clip(np.searchsorted(known, at), 0, known.size - 1)
    before = np.maximum(nearest - 1, 0)
    closer = np.abs(known[before] - at) < np.abs(known[nearest] - at)
    chosen = height[known[np.where(closer, before, nearest)]]
    return _rounded(1000.0 * chosen)


def _rounded(height_mm: Floats) -> Floats:
    """A kerb's height as it is told."""
    step = 1000.0 * KERB_ROUND_M
    return np.asarray(step * np.maximum(np.round(height_mm / step), 2.0))


def _window_mean(at: Floats, values: Floats | NDArray[np.bool_], s: Floats, half: Floats) -> Floats:
    """Mean of block values within `half` of each station; of the nearest block if none is."""
    running = np.concatenate([[0.0], np.cumsum(np.asarray(values, dtype=np.float64))])
    first = np.searchsorted(at, s - half)
    last = np.searchsorted(at, s + half)
    none = last <= first
    nearest = np.clip(first, 0, at.size - 1)
    first, last = np.where(none, nearest, first), np.where(none, nearest + 1, last)
    return np.asarray((running[last] - running[first]) / (last - first))


def _window_most(at: Floats, values: Floats, s: Floats, half: Floats) -> Floats:
    """Greatest of the block values within `half` of each station; 0 if there is no block."""
    first = np.searchsorted(at, s - half)
    last = np.searchsorted(at, s + half)
    pairs = zip(first, last, strict=True)
    return np.array([values[a:b].max(initial=0.0) for a, b in pairs])
