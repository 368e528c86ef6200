"""Compiled loops of the search for the road's middle; imported only when a road is searched.

The functions compute and check nothing: `analysis.edges.middle` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Regressions", "follow_places", "weigh_sections"]

_LANES = 64
# Sections that are weighed side by side: the inner loops run over them.

_MOST_PRODUCTS = 2**17
# So many products of a matrix with another one are done in one thread: see `common.hands`.

_NEXT_TO_NONE = -36.0
# Log share of a sum below which a part of it no longer changes its last digits.


class Regressions(NamedTuple):
    """Regressions of a section, one for each pair of ways in which its two sides may go on.

    All share their first columns; each has one more for its left way and one for its right way.

    Attributes
    ----------
    whiten, start : (p, p), (p,)
        Lower triangle that makes independent numbers of what pulls at the shared columns, and what
        is added to these.
    ramp, shift : (w, 2) int, (w, 2)
        Column of each way left and right, and what its prior adds to what pulls at it.
    project : (q - p, p)
        How far the columns of the ways are made of the shared ones.
    inverse : (w, w, 3)
        Of each pair's own two columns once all else is fitted: left, both, right.
    weight, prior : (w, w)
        Log probability of each pair, and the square of its prior's means in units of their spread.
    """

    whiten: Any
    start: Any
    ramp: Any
    shift: Any
    project: Any
    inverse: Any
    weight: Any
    prior: Any


@compiled
def _left_over(pull: Any, regressions: Regressions, lanes: Any, own: Any, base: Any) -> None:
    """What the shared columns explain of some sections, and what they leave to the ways' columns.

    `lanes` are the first of the sections and the first after them; `own` (q, lanes) holds what they
    leave, behind as many independent numbers as there are shared columns.
    """
    whiten, start, project = regressions.whiten, regressions.start, regressions.project
    shared = start.size
    first, many = lanes[0], lanes[1] - lanes[0]
    for v in range(many):
        base[v] = 0.0
    for r in range(shared):
        for v in range(many):
            own[r, v] = start[r]
        for c in range(r + 1):
            share = whiten[r, c]
            for v in range(many):
                own[r, v] += share * pull[c, first + v]
        for v in range(many):
            base[v] += own[r, v] * own[r, v]
    for k in range(project.shape[0]):
        for v in range(many):
            own[shared + k, v] = pull[shared + k, first + v]
        for c in range(shared):
            share = project[k, c]
            for v in range(many):
                own[shared + k, v] -= share * own[c, v]


@compiled
def _share(log: float) -> float:
    """Exponential of a number that isn't above 0, right to 12 digits, without a branch.

    A short series far down, squared ten times: a loop of it runs in lanes.
    """
    x = max(log, _NEXT_TO_NONE) * 2.0**-10
    value = 1.0 + x * (1.0 / 6.0) * (1.0 + x * (1.0 / 7.0))
    for n in range(5, 0, -1):
        value = 1.0 + x * (1.0 / n) * value
    for _ in range(10):
        value *= value
    return value


@compiled
def _weigh(
    pull: Any, square: Any, regressions: Regressions, share: float, value: Any, least: Any
) -> None:
    """Add the evidence of sections to a log sum of such, and see whether they misfit less.

    What the regressions share is reckoned once for each section; of a pair of ways only its own two
    columns are left. `pull` (q, b) are products of all columns with the heights, `square` (b,) sums
    of the heights' squares; all else is as for `weigh_sections`.
    """
    ramp, shift = regressions.ramp, regressions.shift
    inverse, weight, prior = regressions.inverse, regressions.weight, regressions.prior
    ways, shared = ramp.shape[0], regressions.start.size
    own = np.empty((pull.shape[0], _LANES))
    base, most, best, total = np.empty((4, _LANES))
    found = np.empty((ways * ways, _LANES))
    for first in range(0, pull.shape[1], _LANES):
        stop = min(first + _LANES, pull.shape[1])
        many = stop - first
        _left_over(pull, regressions, (first, stop), own, base)
        for v in range(many):
            most[v] = -np.inf
            best[v] = -np.inf
            total[v] = 0.0
        for left in range(ways):
            x, more = own[shared + ramp[left, 0]], shift[left, 0]
            for right in range(ways):
                y, other = own[shared + ramp[right, 1]], shift[right, 1]
                one, both, two = inverse[left, right]
                less, log = prior[left, right], weight[left, right]
                row = found[left * ways + right]
                for v in range(many):
                    a, b = x[v] + more, y[v] + other
                    explained = base[v] + (one * a + 2.0 * both * b) * a + two * b * b - less
                    best[v] = max(best[v], explained)
                    row[v] = 0.5 * explained + log
                    most[v] = max(most[v], row[v])
        for m in range(ways * ways):
            for v in range(many):
                total[v] += _share(found[m, v] - most[v])
        for v in range(many):
            told = most[v] + np.log(total[v]) - 0.5 * square[first + v] + share
            before = value[first + v]
            more = np.log1p(np.exp(-abs(told - before))) if before > -np.inf else 0.0
            value[first + v] = max(told, before) + more
            least[first + v] = min(least[first + v], square[first + v] - best[v])


@compiled
def weigh_sections(
    columns: Any,
    precision: Any,
    z: Any,
    groups: tuple[Regressions, Regressions],
    share: float,
    value: Any,
    least: Any,
) -> None:
    """Add the evidence of sections to a log sum of such, and see whether they misfit less.

    Heights are multiplied some sections at a time: so few that the library doesn't deal them out to
    threads of its own, and in one call, as whoever comes back to the interpreter waits for it.

    Parameters
    ----------
    columns : (k, q)
        What heights say of all columns.
    precision : (k,)
        Weight of the heights' squares.
    z : (b, k)
        Heights.
    groups : two Regressions
    share : float
        Log share of these regressions in the sum.
    value, least : (b,)
        The log sum, and the least square misfit of all that is in it.
    """
    blocks, (k, q) = z.shape[0], columns.shape
    rows = min(max(_MOST_PRODUCTS // (k * q), 1), _LANES)
    pull, square = np.empty((q, blocks)), np.empty(blocks)
    height, told = np.empty((rows, k)), np.empty((rows, q))
    for first in range(0, blocks, rows):
        many = min(rows, blocks - first)
        for v in range(many):
            for i in range(k):
                height[v, i] = z[first + v, i]
        np.dot(height, columns, told)
        for v in range(many):
            for c in range(q):
                pull[c, first + v] = told[v, c]
            for i in range(k):
                height[v, i] *= height[v, i]
        square[first : first + many] = np.dot(height, precision)[:many]
    for group in groups:
        _weigh(pull, square, group, share, value, least)


@compiled
def _turns(offset: Any, turn: Any) -> int:
    """Number the different moves from block to block, `turn` (b - 1,), and return how many."""
    count = 0
    for b in range(offset.shape[0] - 1):
        same = b > 0
        for i in range(offset.shape[1]):
            same = same and offset[b, i] == offset[b - 1, i] and offset[b + 1, i] == offset[b, i]
        count += 0 if same else 1
        turn[b] = count - 1
    return count


@compiled
def _beforehand(offset: Any, sd_m: float, farthest: float, likely: Any) -> None:
    """How likely places (p,) are beforehand."""
    total = 0.0
    for i in range(offset.size):
        likely[i] = np.exp(-0.5 * min((offset[i] / sd_m) ** 2, farthest))
        total += likely[i]
    for i in range(offset.size):
        likely[i] /= total


@compiled
def _moves(offset: Any, turn: Any, sd_m: float, hold: float, farthest: float, likely: Any) -> None:
    """How likely each place of a block follows on each of the block before, (turns, p, p).

    Both ways along the road are averaged: where places end, one of them alone would be another from
    the road's other end.
    """
    p = offset.shape[1]
    per_metre = 1.0 / (sd_m * np.sqrt(1.0 - hold * hold))
    least = np.exp(-0.5 * farthest)
    here, there, onward, back = np.empty(p), np.empty(p), np.empty(p), np.empty(p)
    for b in range(turn.size):
        if b > 0 and turn[b] == turn[b - 1]:
            continue
        to = likely[turn[b]]
        _beforehand(offset[b], sd_m, farthest, here)
        _beforehand(offset[b + 1], sd_m, farthest, there)
        onward[:] = 0.0
        back[:] = 0.0
        for i in range(p):
            for j in range(p):
                away = (offset[b + 1, j] - hold * offset[b, i]) * per_metre
                square = away * away
                to[i, j] = np.exp(-0.5 * square) if square < farthest else least
                onward[i] += to[i, j]
                back[j] += to[i, j] * here[i]
        for i in range(p):
            for j in range(p):
                to[i, j] *= 0.5 * (1.0 / onward[i] + there[j] / back[j])


@compiled
def follow_places(
    seen: Any, offset: Any, sd_m: float, hold: float, farthest: float, post: Any
) -> float:
    """Posterior of places that follow on each other along the road, by forward-backward.

    Parameters
    ----------
    seen, offset : (b, p)
        Evidence and place of each candidate, the latter counted from the line.
    sd_m, hold : float
        Standard deviation of the line's error, and its correlation from block to block.
    farthest : float
        Squared distance in standard deviations beyond which all places are alike unlikely.
    post : (b, p)
        Filled; sums to 1 in each block.

    Returns
    -------
    float
        Log probability of all evidence.
    """
    blocks, p = seen.shape
    turn = np.empty(max(blocks - 1, 0), dtype=np.int64)
    likely = np.empty((_turns(offset, turn), p, p))
    _moves(offset, turn, sd_m, hold, farthest, likely)
    before = np.empty(p)
    _beforehand(offset[0], sd_m, farthest, before)
    told = 0.0
    for b in range(blocks):
        total = 0.0
        for i in range(p):
            post[b, i] = before[i] * seen[b, i]
            total += post[b, i]
        told += np.log(total)
        for i in range(p):
            post[b, i] /= total
            before[i] = 0.0
        if b + 1 < blocks:
            for i in range(p):
                share = post[b, i]
                for j in range(p):
                    before[j] += share * likely[turn[b], i, j]
    back, given = np.ones(p), np.empty(p)
    for b in range(blocks - 2, -1, -1):
        most = 0.0
        for j in range(p):
            given[j] = back[j] * seen[b + 1, j]
        for i in range(p):
            total = 0.0
            for j in range(p):
                total += likely[turn[b], i, j] * given[j]
            back[i] = total
            most = max(most, total)
        total = 0.0
        for i in range(p):
            back[i] /= most
            post[b, i] *= back[i]
            total += post[b, i]
        for i in range(p):
            post[b, i] /= total
    return told
