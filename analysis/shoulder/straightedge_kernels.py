"""Compiled loops of the straightedge; imported only when something is really measured.

The functions compute and check nothing: `analysis.shoulder.straightedge` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.bin_kernels import bin_shares
from analysis.common.compiled import compiled
from analysis.shoulder.strip import Strip, Windows

__all__ = ["Bins", "bin_means", "draw_gaps", "largest_gaps", "pick", "shares_over", "weigh_gaps"]


class Bins(NamedTuple):
    """Bins across the road at n stations, and what lies in them.

    Attributes
    ----------
    start_x, size_m : (n,)
        Where the first bin of a station begins, and how wide its bins are.
    count, place, mean : (n, b)
        Cells, those by a border by their share, their mean x and their mean height over the fit.
    """

    start_x: Any
    size_m: Any
    count: Any
    place: Any
    mean: Any


@compiled
def bin_means(windows: Windows, strip: Strip, keep: Any, beta: Any, bins: Bins) -> None:
    """Average what the fitted planes leave of each station's cells in bins across the road.

    Parameters
    ----------
    windows : Windows
    strip : Strip
    keep : (m,)
        How much of each cell counts, 0 to 1.
    beta : (n, 9)
        In the order of `analysis.shoulder.fitting_kernels`; NaN = no fit.
    bins : Bins
        Filled in; the place of an empty bin is its middle.
    """
    start_x, size_m, count, place, mean = bins
    basis = strip.basis
    for i in range(start_x.size):
        for b in range(count.shape[1]):
            count[i, b] = 0.0
            place[i, b] = 0.0
            mean[i, b] = 0.0
        if not (np.isfinite(beta[i, 0]) and np.isfinite(size_m[i])):
            continue
        for c in range(windows.first[i], windows.last[i]):
            if keep[c] == 0.0:
                continue
            own, beside, other = bin_shares((strip.x[c] - start_x[i]) / size_m[i])
            if max(own, beside) < 0 or min(own, beside) >= count.shape[1]:
                continue
            t = (strip.s[c] - windows.s[i]) / windows.half_m[i]
            fitted = (
                beta[i, 0]
                + beta[i, 1] * t
                + beta[i, 2] * (t * t - 1.0 / 3.0)
                + (beta[i, 3] + beta[i, 4] * t) * basis[0, c]
                + beta[i, 5] * basis[1, c]
                - beta[i, 6] * basis[2, c]
                + beta[i, 7] * basis[3, c]
                + beta[i, 8] * basis[4, c]
            )
            for b, part in ((own, 1.0 - other), (beside, other)):
                if 0 <= b < count.shape[1]:
                    share = keep[c] * part
                    count[i, b] += share
                    place[i, b] += share * strip.x[c]
                    mean[i, b] += share * (strip.z[c] - fitted)
        for b in range(count.shape[1]):
            if count[i, b] > 0.0:
                place[i, b] /= count[i, b]
                mean[i, b] /= count[i, b]
            else:
                place[i, b] = start_x[i] + (b + 0.5) * size_m[i]


@compiled
def _gap(x: Any, z: Any, row: int, low: int, high: int, sign: float, keep: Any, best: Any) -> None:
    """Largest gap of points low..high-1 to their hull above (sign 1) or below (-1).

    They lie at the places of a row of `x`. `best` gets the gap and the length of the straight piece
    that it lies under.
    """
    top = 0
    for i in range(low, high):
        while top >= 2:
            a = keep[top - 2]
            b = keep[top - 1]
            bend = (x[row, b] - x[row, a]) * (z[i] - z[a]) - (z[b] - z[a]) * (x[row, i] - x[row, a])
            if sign * bend >= 0.0:
                top -= 1
            else:
                break
        keep[top] = i
        top += 1
    best[0] = 0.0
    best[1] = 0.0
    for j in range(top - 1):
        a = keep[j]
        b = keep[j + 1]
        slope = (z[b] - z[a]) / (x[row, b] - x[row, a])
        # square to the edge, not plumb
        lean = sign / np.sqrt(1.0 + slope * slope)
        for i in range(a + 1, b):
            gap = (z[a] + slope * (x[row, i] - x[row, a]) - z[i]) * lean
            if gap > best[0]:
                best[0] = gap
                best[1] = x[row, b] - x[row, a]


@compiled
def _gap_under(
    x: Any, z: Any, row: int, sign: float, length_m: float, keep: Any, best: Any
) -> float:
    """Rut (sign 1) or ridge (-1) of one section.

    Both points that the straightedge touches lie within its length. `keep` (k,) int64 and `best`
    (2,) are work space.
    """
    k = x.shape[1]
    reach = length_m + 1e-9
    # no shorter straightedge shows a larger gap than one over the whole shoulder
    _gap(x, z, row, 0, k, sign, keep, best)
    if best[1] <= reach:
        return float(best[0])
    most = 0.0
    high = 0
    for low in range(k):
        before = high
        while high < k and x[row, high] - x[row, low] <= reach:
            high += 1
        if low == 0 or high > before:
            _gap(x, z, row, low, high, sign, keep, best)
            most = max(most, best[0])
        if high >= k:
            break
    return most


@compiled
def largest_gaps(x: Any, z: Any, length_m: float, out: Any) -> None:
    """Rut and ridge (n, 2) of profiles (n, k) at the places x (n, k)."""
    keep = np.empty(x.shape[1], dtype=np.int64)
    best = np.empty(2)
    profile = np.empty(x.shape[1])
    for i in range(x.shape[0]):
        for j in range(x.shape[1]):
            profile[j] = z[i, j]
        for which in range(2):
            sign = 1.0 - 2.0 * which
            out[i, which] = _gap_under(x, profile, i, sign, length_m, keep, best)


@compiled
def draw_gaps(
    told: Any,
    kind: Any,
    share: Any,
    kinds: int,
    height: Any,
    height_se: Any,
    variance: Any,
    scores: Any,
    knots: Any,
    length_m: float,
    gaps: Any,
) -> None:
    """Rut and ridge (n, 2 d, 2) of sections that agree with the cells of each of n shoulders.

    Parameters
    ----------
    told
        See `analysis.shoulder.section_gaps`.
    kind, share : (n, 2 d)
        Of which amplitude and form each section is, of so many `kinds` an amplitude, and what it
        counts, see `pick`.
    height, height_se : (n, t * kinds)
        Of the form of each kind.
    variance : (t,)
        Of amplitudes.
    scores : (d, m + 1)
        Of each wave, and of the form.
    knots : (n, k)
    length_m : float
        Of the straightedge.
    gaps : (n, 2 d, 2)
        Filled in; 0 of those that don't count.
    """
    axes, shapes, forms, power, pull, _, _, tied = told
    n, draws = kind.shape[0], scores.shape[0]
    m, k = shapes.shape[1:]
    keep = np.empty(k, dtype=np.int64)
    best = np.empty(2)
    z, turned = np.empty(k), np.empty(m)
    for i in range(n):
        for d in range(draws):
            # Scores belong to the waves, not to their axes: where the cells tell several of these
            # alike, the last bit of what is solved decides how they lie.
            for w in range(m):
                turned[w] = 0.0
            for v in range(m):
                for w in range(m):
                    turned[w] += axes[i, v, w] * scores[d, v]
            for turn in (d, draws + d):
                if share[i, turn] == 0.0:
                    gaps[i, turn, 0] = gaps[i, turn, 1] = 0.0
                    continue
                of = kind[i, turn]
                prior = variance[of // kinds]
                form = max(of % kinds - 1, 0) % forms.shape[1]
                at = height[i, of] + height_se[i, of] * scores[d, m]
                for j in range(k):
                    z[j] = at * forms[i, form, j]
                for w in range(m):
                    left = prior / (1.0 + prior * power[i, w])
                    score = left * (pull[i, w] - tied[i, form, w] * at) + np.sqrt(left) * turned[w]
                    for j in range(k):
                        z[j] += score * shapes[i, w, j]
                for which in range(2):
                    sign = 1.0 - 2.0 * which
                    gaps[i, turn, which] = _gap_under(knots, z, i, sign, length_m, keep, best)


@compiled
def pick(weight: Any, lot: Any, kind: Any, share: Any) -> None:
    """Pick two of c kinds for each of d draws, at a quarter of its lot and at three quarters.

    A lot is a d-th of all the weights. What each of the two counts follows from where one ends and
    the other begins: a kind that gains by a hair takes a hair of a draw, and not the whole draw.

    Parameters
    ----------
    weight : (n, c)
    lot : (d,)
        Whole numbers, each once.
    kind, share : (n, 2 d)
        Filled in: the first of each draw, then the second of each, and what each counts.
    """
    n, c = weight.shape
    draws = lot.size
    upto = np.empty(c)
    for i in range(n):
        total = 0.0
        for j in range(c):
            total += weight[i, j]
            upto[j] = total
        size = total / draws
        for d in range(draws):
            low, high = (lot[d] + 0.25) * size, (lot[d] + 0.75) * size
            first = min(np.searchsorted(upto, low), c - 1)
            second = min(np.searchsorted(upto, high), c - 1)
            of_first = 1.0
            if first < second:
                between = 0.5 * (upto[first] + upto[second - 1])
                of_first = min(max((between - low) / (high - low), 0.0), 1.0)
            kind[i, d], kind[i, draws + d] = first, second
            share[i, d], share[i, draws + d] = of_first / draws, (1.0 - of_first) / draws


@compiled
def weigh_gaps(gaps: Any, weight: Any, half: float, middle: Any, mean: Any, square: Any) -> None:
    """Sum up gaps (n, d, 2) that count so much (n, d), a sum of 1 for each n, into (n, 2) each.

    `middle` is the mean of those whose share of all lies within `half` of one half.
    """
    for i in range(gaps.shape[0]):
        for w in range(2):
            order = np.argsort(gaps[i, :, w])
            upto = 0.0
            middle[i, w] = mean[i, w] = square[i, w] = 0.0
            for d in order:
                gap, part = gaps[i, d, w], weight[i, d]
                mean[i, w] += part * gap
                square[i, w] += part * gap * gap
                within = min(upto + part, 0.5 + half) - max(upto, 0.5 - half)
                middle[i, w] += max(within, 0.0) / (2.0 * half) * gap
                upto += part


@compiled
def shares_over(gaps: Any, weight: Any, over: Any, unsure: Any, out: Any) -> None:
    """Share of the weights (n, d) of gaps (n, d, 2) over each of k depths, into `out` (n, 2, k).

    `unsure` are the share of a gap and the length by which it may be another.
    """
    n, draws, _ = gaps.shape
    out[:] = 0.0
    for i in range(n):
        for d in range(draws):
            for w in range(2):
                gap = gaps[i, d, w]
                # even between these two, whose standard deviation is what is unsure
                slope = 0.5 / (np.sqrt(3.0) * (unsure[0] * gap + unsure[1]))
                for k in range(over.size):
                    part = 0.5 + (gap - over[k]) * slope
                    out[i, w, k] += weight[i, d] * min(max(part, 0.0), 1.0)
