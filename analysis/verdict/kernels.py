"""Compiled loops over a line of stations; the plain functions of this room prepare their arrays."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled, compiled_sums

__all__ = ["forward_backward", "label_cheaply", "learn_shares", "local_level", "sustained"]


@compiled
def local_level(
    value: Any, variance: Any, change: Any, mean: Any, spread: Any, moved: Any
) -> float:
    """Level at each place of a line given all its measurements (Kalman filter, RTS smoother).

    Parameters
    ----------
    value, variance : (n,)
        Measurements and their error variances; NaN = not measured.
    change : (n,)
        Variance of the level's move from the place before; the first isn't used.
    mean, spread, moved : (n,)
        Filled: mean and variance of the level, and the expected square of its move.

    Returns
    -------
    float
        Log likelihood of the measurements, but for a constant.
    """
    n = value.size
    ahead, ahead_var = np.empty(n), np.empty(n)
    likelihood = 0.0
    begun = False
    level, var = 0.0, 1e8
    for i in range(n):
        if i > 0:
            var += change[i]
        ahead[i], ahead_var[i] = level, var
        if np.isfinite(value[i]) and np.isfinite(variance[i]):
            total = var + variance[i]
            off = value[i] - level
            if begun:
                likelihood -= 0.5 * (np.log(total) + off * off / total)
            begun = True
            gain = var / total
            level += gain * off
            var *= 1.0 - gain
        mean[i], spread[i] = level, var
    moved[0] = 0.0
    for i in range(n - 2, -1, -1):
        back = spread[i] / ahead_var[i + 1]
        before = spread[i]
        mean[i] += back * (mean[i + 1] - ahead[i + 1])
        spread[i] = before + back * back * (spread[i + 1] - ahead_var[i + 1])
        step = mean[i + 1] - mean[i]
        moved[i + 1] = step * step + spread[i + 1] + spread[i] - 2.0 * back * spread[i + 1]
    return float(likelihood)


@compiled
def forward_backward(evidence: Any, change: float, out: Any) -> None:
    """Posterior of each label along a chain.

    Parameters
    ----------
    evidence : (n, L)
        Likelihood of each label at each station, above 0.
    change : float
        Probability that the label changes from one station to the next.
    out : (n, L)
        Filled; rows sum to 1.
    """
    n, labels = evidence.shape
    leave = change / (labels - 1)
    stay = 1.0 - change - leave
    total = 0.0
    for k in range(labels):
        out[0, k] = evidence[0, k]
        total += out[0, k]
    for k in range(labels):
        out[0, k] /= total
    for i in range(1, n):
        total = 0.0
        for k in range(labels):
            out[i, k] = (stay * out[i - 1, k] + leave) * evidence[i, k]
            total += out[i, k]
        for k in range(labels):
            out[i, k] /= total
    backward = np.ones(labels)
    for i in range(n - 2, -1, -1):
        total = 0.0
        for k in range(labels):
            backward[k] *= evidence[i + 1, k]
            total += backward[k]
        for k in range(labels):
            backward[k] = stay * backward[k] / total + leave
        total = 0.0
        for k in range(labels):
            out[i, k] *= backward[k]
            total += out[i, k]
        for k in range(labels):
            out[i, k] /= total
        # The row is needed no more as a forward one: rows are visited from the end.


@compiled_sums
def _held_by_kinds(chance: Any, shares: Any, per_total: Any, held: Any) -> None:
    """How many of n measurements each kind holds, `held` (k,), with its share in each summed up."""
    per_total[:] = 0.0
    for kind in range(shares.size):
        for i in range(per_total.size):
            per_total[i] += shares[kind] * chance[kind, i]
    for i in range(per_total.size):
        per_total[i] = 1.0 / per_total[i]
    for kind in range(shares.size):
        total = 0.0
        for i in range(per_total.size):
            total += chance[kind, i] * per_total[i]
        held[kind] = shares[kind] * total


@compiled
def learn_shares(chance: Any, usual: Any, before: float, weight: float, shares: Any) -> None:
    """Learn shares of kinds by one round of expectation and maximisation after another.

    Parameters
    ----------
    chance : (k, n)
        Likelihood of each measurement as one of each kind, above 0.
    usual : (k,)
        Shares that are usual.
    before, weight
        How many measurements count as much as what is usual, and how much each of these counts.
    shares : (rounds + 1, k)
        The first row is where it begins; the others are filled.
    """
    per_total, held = np.empty(chance.shape[1]), np.empty(usual.size)
    for i in range(shares.shape[0] - 1):
        _held_by_kinds(chance, shares[i], per_total, held)
        for kind in range(usual.size):
            told = before * usual[kind] + weight * held[kind]
            shares[i + 1, kind] = told / (before + weight * chance.shape[1])


@compiled
def label_cheaply(costs: Any, settle: Any, out: Any) -> None:
    """Labels of least total cost.

    Parameters
    ----------
    costs : (n, L)
        Cost of each label at each station; inf forbids it.
    settle : (L,)
        Cost to leave or enter a label; free beside a station where only one label is allowed.
    out : (n,)
        Filled with labels.
    """
    n, labels = costs.shape
    came_from = np.empty((n, labels), dtype=np.int8)
    best = costs[0].copy()
    before = np.empty(labels)
    allowed = 0
    for k in range(labels):
        if np.isfinite(costs[0, k]):
            allowed += 1
    was_forced = allowed <= 1
    for i in range(1, n):
        allowed = 0
        for k in range(labels):
            before[k] = best[k]
            if np.isfinite(costs[i, k]):
                allowed += 1
        forced = allowed <= 1
        free = forced or was_forced
        cheapest = 0
        price = np.inf
        for k in range(labels):
            leaving = before[k] if free else before[k] + settle[k]
            if leaving < price:
                price = leaving
                cheapest = k
        for k in range(labels):
            moved = price if free else price + settle[k]
            if before[k] <= moved:
                came_from[i, k] = k
                best[k] = before[k] + costs[i, k]
            else:
                came_from[i, k] = cheapest
                best[k] = moved + costs[i, k]
        was_forced = forced
    last = 0
    for k in range(labels):
        if best[k] < best[last]:
            last = k
    out[n - 1] = last
    for i in range(n - 1, 0, -1):
        last = came_from[i, last]
        out[i - 1] = last


@compiled
def sustained(values: Any, first: Any, last: Any, span: Any, out: Any, where: Any) -> None:
    """Greatest value that each run of stations keeps over a number of them.

    Parameters
    ----------
    values : (n,)
        NaN is unknown and passed over.
    first, last : (runs,)
        Ends of each run, inclusive.
    span : (runs,)
        Over how many stations, or over all of a shorter run.
    out, where : (runs,)
        Filled with the value, NaN where none is known, and its station.
    """
    for run in range(first.size):
        begin, end = first[run], last[run]
        count = min(span[run], end - begin + 1)
        best = -np.inf
        at = begin
        for start in range(begin, end - count + 2):
            least = np.inf
            least_at = start
            for i in range(start, start + count):
                if not np.isnan(values[i]) and values[i] < least:
                    least = values[i]
                    least_at = i
            if np.isfinite(least) and least > best:
                best = least
                at = least_at
        out[run] = best if np.isfinite(best) else np.nan
        where[run] = at
