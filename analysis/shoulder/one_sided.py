"""A shoulder that departs from the other by one amount for a long way: maybe a seam of strips.

A jump in level that runs on a shoulder or by its edge looks to the heights like a flatter or a
steeper shoulder and a step at the edge: nothing in the shape of so few cells tells them apart. What
tells something is the rest of the road. Wear and repairs begin and end, and vary between; a seam
leaves one shoulder, never both, off by one amount all along, and no part of that shoulder looks
like the other. The longer that lasts the likelier it is, but never likelier than not: slopes and
drops are those of a mixture of both, half of the amount taken off at most, with as large an error.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from analysis.common.limits import ShapeLimits, required_slope
from analysis.common.types import Bools, Floats
from analysis.edges.values import Breaks
from analysis.shoulder.seam import Astride, Seam
from analysis.shoulder.values import Measures, Status

__all__ = ["find_one_sided"]


CROWN_PCT = (0.5, 3.5)
"""Sides are compared where both halves of the pavement fall so: in a curve they are built unlike.
Common practice."""

VARIES = np.array([0.3, 4.0])
"""How far sound shoulders of one road are off each other beside noise: slope in points, edge drop
in mm. Our own choice."""

DEPARTS = np.array([1.5, 10.0])
"""A shoulder departs from the other by at least one of these: less is usual between two sides that
were built alike (our own choice)."""

RISES_M = (0.008, 0.03)
"""Heights of the jumps that are thought of: strips of one survey are mostly within some 30 mm of
each other (common practice)."""

FITS = 2.0
"""Most distance, in standard errors, of a departure from what a seam could make."""

FIT_SPREAD = np.array([0.4, 6.0])
"""How well a departure is told from that, in points and mm: edges near a seam are found off."""

MEMBER, NEAR_M, LEAST_SHARE, MOST_LIKE_OTHER = 3.0, 100.0, 0.5, 0.1
"""A station has the departure within so many errors; half the stretch in which the usual one is
sought; least share of stations on the way that have it (faults are left), and most that are as the
other shoulder is."""

FAULT, PART_M, CONSTANT = 4.5, 60.0, np.array([1.0, 2.0])
"""A seam keeps its height, wear doesn't: beside faults, which are farther off than so many errors,
medians over such parts scatter about the whole with at most this times the variance that their
errors and half of `VARIES` make; an edge near a seam jumps."""

LEAST_LENGTH_M = 200.0

ODDS, FAULT_M, SEAM_M, MOST_LIKELY = 0.02, 80.0, 250.0, 0.5
"""Odds of a seam against a fault of one size where either begins; how far each goes on, on average;
and how likely this alone makes a seam: no likelier than a fault. Our own choice."""

_PLACES = np.arange(-0.2, 1.101, 0.05)


class _Alike(NamedTuple):
    """Stations of one side that depart alike: which, from where to where, by (points, mm)."""

    members: Bools
    first: int
    last: int
    departs: Floats


def find_one_sided(breaks: Breaks, measures: Measures, shape: ShapeLimits) -> Seam | None:
    """Look for a shoulder that may lie under a seam of survey strips, by what was measured.

    Parameters
    ----------
    breaks, measures
        Of one road, in order along it.
    shape
        Tells which of two unlike shoulders is as it should be.

    Returns
    -------
    Seam or None
        One that lies beside the pavement only.
    """
    values = np.stack([measures.shoulder_slope_pct, measures.edge_drop_mm], axis=2)
    ses = np.stack([measures.shoulder_slope_se, measures.edge_drop_se], axis=2)
    pavement = measures.pavement_slope_pct
    with np.errstate(invalid="ignore"):
        crown = np.all((pavement > CROWN_PCT[0]) & (pavement < CROWN_PCT[1]), axis=1)
    known = (measures.status == Status.OK) & crown[:, None]
    known &= np.isfinite(values).all(axis=2) & np.isfinite(ses).all(axis=2)
    step_m, rise_m, chance = (np.zeros(pavement.shape) for _ in range(3))
    longest = 0.0
    required = required_slope(pavement, shape).pct
    for side in (0, 1):
        here, other = known[:, side], known[:, 1 - side]
        if min(here.sum(), other.sum()) < 5:
            continue
        usual = _usual(values[other, 1 - side], ses[other, 1 - side])
        sound = np.array([np.median(required[here, side]), 0.0])
        found = _departing(breaks.s, values[:, side], ses[:, side], here, usual)
        for alike in found:
            width = float(
                np.nanmedian((breaks.hinge - breaks.edge)[alike.first : alike.last, side])
            )
            # of two unlike shoulders the one farther from sound is the one to doubt
            off, of_other = (
                np.hypot(*((v - sound) / DEPARTS)) for v in (usual + alike.departs, usual)
            )
            if off < of_other or not _as_a_seam(alike.departs, width):
                continue
            length = float(breaks.s[alike.last] - breaks.s[alike.first])
            odds = ODDS * np.exp(min(length * (1.0 / FAULT_M - 1.0 / SEAM_M), 50.0))
            p = min(odds / (1.0 + odds), MOST_LIKELY)
            on = slice(alike.first, alike.last + 1)
            chance[on, side] = p
            step_m[on, side] = -alike.departs[1] / 1000.0
            rise_m[on, side] = -alike.departs[0] / 100.0 * width
            longest = max(longest, length)
    if longest == 0.0:
        return None
    widths = np.nan_to_num(breaks.hinge - breaks.edge)
    # mean and spread of being there and not being there
    spread = np.sqrt(chance * (1.0 - chance))
    beside = Astride(breaks.edge, widths, chance, spread * step_m, spread * rise_m, evened=True)
    away = np.full(breaks.s.size, 1e3)
    return Seam(breaks.s, away, 0.0, 0.0, 0.0, beside)


def _usual(values: Floats, ses: Floats) -> Floats:
    """Where most of the values (n, 2) lie, (2,): a mean of those about the place of most."""
    spread = ses**2 + VARIES**2
    off = (values[:, None] - values[None, :]) ** 2 / spread[None, :]
    most = int(np.exp(-0.5 * off.sum(axis=2)).sum(axis=1).argmax())
    near = off[most].sum(axis=1) < MEMBER**2
    return _mean(values[near], np.sqrt(spread[near]))


def _mean(values: Floats, ses: Floats) -> Floats:
    """Weighted mean of values (n, 2), (2,)."""
    weight = 1.0 / ses**2
    return np.asarray((weight * values).sum(axis=0) / weight.sum(axis=0))


def _departing(s: Floats, values: Floats, ses: Floats, known: Bools, usual: Floats) -> list[_Alike]:
    """Find stretches of one side, (n, 2) values, that depart alike from the usual value (2,)."""
    found: list[_Alike] = []
    free = known.copy()
    while free.any() and np.ptp(s[free]) >= LEAST_LENGTH_M:
        best = None
        for middle in np.arange(s[free][0], s[free][-1], NEAR_M):
            near = free & (np.abs(s - middle) <= NEAR_M)
            if near.sum() < 5:
                continue
            at = _usual(values[near], ses[near])
            alike = _stretch(s, values, ses, free, usual, at)
            if alike is not None and (best is None or _length(s, alike) > _length(s, best)):
                best = alike
        if best is None:
            break
        found.append(best)
        free[best.first : best.last + 1] = False
    return found


def _length(s: Floats, alike: _Alike) -> float:
    return float(s[alike.last] - s[alike.first])


def _stretch(
    s: Floats, values: Floats, ses: Floats, known: Bools, usual: Floats, at: Floats
) -> _Alike | None:
    """The longest stretch that keeps to the value `at` (2,), if it is a long one; else None."""
    for _ in range(2):
        if not (np.abs(at - usual) > DEPARTS).any():
            return None
        mine, other = (
            np.where(known, np.sqrt((((values - v) / ses) ** 2).sum(axis=1)), np.inf)
            for v in (at, usual)
        )
        told = 0.5 * (np.fmin(other, 9.0) ** 2 - np.fmin(mine, 9.0) ** 2)
        members, like_other = (mine < MEMBER) & (told > 0.0), (other < MEMBER) & (told < -2.0)
        # a fault on the way tells neither
        of_either = np.fmin(mine, other) < MEMBER
        score = np.where(of_either, np.clip(told, -2.0, 1.0), np.where(known, -0.35, 0.0))
        total = np.concatenate([[0.0], np.cumsum(score)])
        low = np.minimum.accumulate(total)
        last = int((total - low)[1:].argmax())
        first = int(np.flatnonzero(total[: last + 1] == low[last + 1])[-1])
        on = np.zeros(s.size, dtype=bool)
        on[first : last + 1] = True
        members, like_other = members & on, like_other & on
        if members.sum() < 5:
            return None
        at = _mean(values[members], ses[members])
    first, last = np.flatnonzero(members)[[0, -1]].tolist()
    count = known[first : last + 1].sum()
    near = known & (mine < FAULT) & (s >= s[first]) & (s <= s[last])
    if (
        s[last] - s[first] < LEAST_LENGTH_M
        or not (np.abs(at - usual) > DEPARTS).any()
        or members.sum() < LEAST_SHARE * count
        or like_other.sum() > MOST_LIKE_OTHER * count
        or (_scatter(s[near], (values - at)[near], ses[near]) > CONSTANT).any()
    ):
        return None
    return _Alike(members, first, last, at - usual)


def _scatter(s: Floats, off: Floats, ses: Floats) -> Floats:
    """Variance of medians over parts of a stretch about 0, over what is expected of it, (2,)."""
    part = ((s - s[0]) / PART_M).astype(np.int64)
    found = []
    for k in np.flatnonzero(np.bincount(part) > 2):
        here = part == k
        # neighbouring stations share about half of their cells; medians vary more than means
        expected = 0.5 * np.pi * 2.0 / (1.0 / ses[here] ** 2).sum(axis=0) + (0.5 * VARIES) ** 2
        found.append(np.median(off[here], axis=0) ** 2 / expected)
    return np.asarray(np.mean(found, axis=0)) if found else np.full(2, np.inf)


def _as_a_seam(departs: Floats, width_m: float) -> bool:
    """Whether a jump somewhere on a shoulder or by its edge could make such a departure (2,).

    A line through a shoulder with a step of height r at the share q of its width tilts by
    ``6 r q (1 - q) / width`` and begins ``r (1 - q) (1 - 3 q)`` higher (least squares).
    """
    q = np.clip(_PLACES, 0.0, 1.0)
    slope = -600.0 * q * (1.0 - q) / max(width_m, 0.5)
    drop = -1000.0 * (1.0 - q) * (1.0 - 3.0 * q)
    made = np.column_stack([slope, drop]) / FIT_SPREAD
    seen = departs / FIT_SPREAD
    rise = made @ seen / np.maximum((made**2).sum(axis=1), 1e-12)
    rise = np.sign(rise) * np.clip(np.abs(rise), *RISES_M)
    off = np.sqrt(((made * rise[:, None] - seen) ** 2).sum(axis=1))
    return bool(off.min() <= FITS)
