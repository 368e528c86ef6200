"""Compiled kernels of the volumes and of the reach sums in `areas`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.common.compiled import compiled
from analysis.common.types import Floats

__all__ = [
    "EDGE_TIE_M",
    "HINGE_TIE_M",
    "REACH_SUMS",
    "greatest_move_kernel",
    "prismoidal_kernel",
    "reach_sums",
]


REACH_SUMS = (
    "length", "known", "cut", "fill", "cut_variance", "fill_variance", "net_variance", "moved",
    "moved_with_strip", "shoulder_area", "cut_prismoidal", "fill_prismoidal",
)  # fmt: skip
"""Columns that `reach_sums` fills."""

HINGE_TIE_M, EDGE_TIE_M = 21.0, 25.0
"""How far along the road errors of the found hinge and edge go together, metres.

Breaks are tied along the road, so their errors outlast the averaging window. Measured on unseen
roads: correlation of edge errors 0.91, 0.82, 0.70, 0.55, 0.27, 0.13 and of hinge errors 0.59,
0.41, 0.26, 0.14, 0.05, 0.0 at 10, 20, 30, 40, 60 and 80 m."""


@compiled
def greatest_move_kernel(s: Floats, have: Floats, need: Floats, most_m: float) -> float:
    """Serve the needs in order, each from the supply furthest back that still reaches it."""
    count = s.shape[0]
    left = have.copy()
    moved = 0.0
    back = 0
    for i in range(count):
        want = need[i]
        while back < count and (left[back] <= 0.0 or s[back] < s[i] - most_m - 1e-9):
            back += 1
        k = back
        while want > 0.0 and k < count and s[k] <= s[i] + most_m + 1e-9:
            taken = min(left[k], want)
            left[k] -= taken
            want -= taken
            moved += taken
            k += 1
    return moved


@compiled
def prismoidal_kernel(s: Floats, area: Floats) -> float:
    """Prismoidal volume over pairs of intervals, by end area where there is no true middle."""
    count = s.shape[0]
    total = 0.0
    i = 0
    while i + 1 < count:
        if i + 2 < count:
            length = s[i + 2] - s[i]
            if abs(s[i + 1] - 0.5 * (s[i] + s[i + 2])) <= 1e-6 * length:
                total += length * (area[i] + 4.0 * area[i + 1] + area[i + 2]) / 6.0
                i += 2
                continue
            total += (s[i + 1] - s[i]) * (area[i] + area[i + 1]) / 2.0
            i += 1
        total += (s[i + 1] - s[i]) * (area[i] + area[i + 1]) / 2.0
        i += 1
    return total


@compiled
def _window_variance(s: Floats, windows: Floats, term: Floats) -> float:
    """Variance of a sum whose unit errors neighbouring windows share.

    Two stations whose averaging windows overlap share that part of their noise: correlation =
    overlap / sqrt(window x window).
    """
    longest = 0.0
    for i in range(s.shape[0]):
        longest = max(longest, windows[i])
    variance = 0.0
    for i in range(s.shape[0]):
        variance += term[i] ** 2
        j = i + 1
        while j < s.shape[0] and s[j] - s[i] < longest:
            overlap = min(0.5 * (windows[i] + windows[j]) - (s[j] - s[i]), windows[i], windows[j])
            if overlap > 0.0:
                share = overlap / np.sqrt(windows[i] * windows[j])
                variance += 2.0 * share * term[i] * term[j]
            j += 1
    return max(variance, 0.0)


@compiled
def _hinge_variance(s: Floats, term: Floats) -> float:
    """Variance of a sum whose unit errors have the correlation exp(-d / `HINGE_TIE_M`)."""
    variance = before = 0.0
    for i in range(s.shape[0]):
        if i > 0:
            before = (before + term[i - 1]) * np.exp(-(s[i] - s[i - 1]) / HINGE_TIE_M)
        variance += term[i] * (term[i] + 2.0 * before)
    return max(variance, 0.0)


@compiled
def _edge_variance(s: Floats, term: Floats) -> float:
    """Variance of a sum whose unit errors have the correlation (1 + x) exp(-x), x = d / tie.

    The Matern correlation of order 3/2; `EDGE_TIE_M` is the tie. `before` holds the sum of
    exp(-x) times what lies behind, `weighed` that of x exp(-x), so one pass does.
    """
    variance = before = weighed = 0.0
    for i in range(s.shape[0]):
        if i > 0:
            x = (s[i] - s[i - 1]) / EDGE_TIE_M
            fade = np.exp(-x)
            before += term[i - 1]
            weighed = (weighed + x * before) * fade
            before *= fade
        variance += term[i] * (term[i] + 2.0 * (before + weighed))
    return max(variance, 0.0)


@compiled
def _sum_variance(s: Floats, windows: Floats, terms: Floats) -> float:
    """Variance of a sum over stations of the errors with weights `terms` (n, 4).

    The columns are independent: two of the fit, the hinge's place, the edge's place.
    """
    fit = _window_variance(s, windows, terms[:, 0]) + _window_variance(s, windows, terms[:, 1])
    return fit + _hinge_variance(s, terms[:, 2]) + _edge_variance(s, terms[:, 3])


@compiled
def reach_sums(
    s: Floats,
    cut: Floats,
    fill: Floats,
    cut_terms: Floats,
    fill_terms: Floats,
    width: Floats,
    windows: Floats,
    firsts: NDArray[np.int64],
    lasts: NDArray[np.int64],
    ends: Floats,
    fit: float,
    strip_area: float,
    most_m: float,
    out: Floats,
) -> None:
    """Fill `out` (reaches, columns of `REACH_SUMS`) from the stations (n,) of a line.

    `fit` is the compacted volume that a bank volume yields, `strip_area` the area that may be
    taken outside the hinge. Unknown stations count in the length only.
    """
    longest = 0
    for r in range(firsts.shape[0]):
        longest = max(longest, lasts[r] - firsts[r] + 1)
    at, part = np.empty(longest), np.empty(longest)
    cuts, fills = np.empty(longest), np.empty(longest)
    have, more, need = np.empty(longest), np.empty(longest), np.empty(longest)
    span = np.empty(longest)
    cut_w = np.empty((longest, cut_terms.shape[1]))
    fill_w = np.empty((longest, fill_terms.shape[1]))
    for r in range(firsts.shape[0]):
        count = 0
        total = known = cut_sum = fill_sum = area_sum = 0.0
        for i in range(firsts[r], lasts[r] + 1):
            low = ends[r, 0] if i == firsts[r] else 0.5 * (s[i - 1] + s[i])
            high = ends[r, 1] if i == lasts[r] else 0.5 * (s[i] + s[i + 1])
            length = high - low
            total += length
            if not np.isfinite(cut[i] + cut_terms[i].sum() + fill_terms[i].sum()):
                continue
            known += length
            cut_sum += cut[i] * length
            fill_sum += fill[i] * length
            area_sum += width[i] * length
            at[count], part[count], span[count] = s[i], length, windows[i]
            cuts[count], fills[count] = cut[i], fill[i]
            have[count] = cut[i] * length * fit
            more[count] = have[count] + strip_area * length * fit
            need[count] = fill[i] * length
            cut_w[count] = cut_terms[i] * length
            fill_w[count] = fill_terms[i] * length
            count += 1
        a = at[:count]
        moved = greatest_move_kernel(a, have[:count], need[:count], most_m)
        with_strip = moved
        if strip_area > 0.0:
            with_strip = greatest_move_kernel(a, more[:count], need[:count], most_m)
        # Between the outer stations by prismoids, beyond them with the outer areas.
        cut_p = prismoidal_kernel(a, cuts[:count])
        fill_p = prismoidal_kernel(a, fills[:count])
        for k in range(count):
            inner = 0.0
            if k > 0:
                inner += 0.5 * (a[k] - a[k - 1])
            if k + 1 < count:
                inner += 0.5 * (a[k + 1] - a[k])
            cut_p += cuts[k] * (part[k] - inner)
            fill_p += fills[k] * (part[k] - inner)
        out[r, 0] = total
        out[r, 1] = known
        out[r, 2] = cut_sum
        out[r, 3] = fill_sum
        out[r, 4] = _sum_variance(a, span[:count], cut_w[:count])
        out[r, 5] = _sum_variance(a, span[:count], fill_w[:count])
        out[r, 6] = _sum_variance(a, span[:count], fit * cut_w[:count] + fill_w[:count])
        out[r, 7] = moved
        out[r, 8] = with_strip
        out[r, 9] = area_sum
        out[r, 10] = cut_p
        out[r, 11] = fill_p
