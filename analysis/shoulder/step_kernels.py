"""Compiled loops that look for steps up in averaged sections; imported only when needed.

The functions compute and check nothing: `analysis.shoulder.not_shoulder` prepares their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["find_steps"]

# Columns of a fit: level, slope, rise, and a kink where the rise ends.
_COLUMNS = 4
_INSIDE_M = 1.5
_OUTSIDE_M = 1.2
_BEHIND_M = 0.7


@compiled
def _cubed(value: float) -> float:
    return value * value * value if value > 0.0 else 0.0


@compiled
def _squared(value: float) -> float:
    return value * value if value > 0.0 else 0.0


@compiled
def _rise(x: float, width: float, wide: float, narrow: float) -> float:
    """Rise from 0 to 1 over `width` about 0, as a cell with these two box widths sees it."""
    far, near = 0.5 * (wide + narrow), 0.5 * (wide - narrow)
    area = wide * narrow
    if width <= 0.0:
        if x >= far:
            return 1.0
        part = _squared(x + far) - _squared(x + near) - _squared(x - near) + _squared(x - far)
        return 0.5 * part / area
    if x >= far + 0.5 * width:
        return 1.0
    total = 0.0
    for sign in (1.0, -1.0):
        y = x + sign * 0.5 * width
        part = _cubed(y + far) - _cubed(y + near) - _cubed(y - near) + _cubed(y - far)
        total += sign * part / (6.0 * area)
    return total / width


@compiled
def _solve(normal: Any, right: Any, out: Any, inverse: Any) -> bool:
    """Solve a small symmetric system by Gauss-Jordan, and give its inverse."""
    p = _COLUMNS
    work = np.zeros((p, 2 * p))
    for i in range(p):
        for j in range(p):
            work[i, j] = normal[i, j]
        work[i, p + i] = 1.0
    for i in range(p):
        best = i
        for k in range(i + 1, p):
            if abs(work[k, i]) > abs(work[best, i]):
                best = k
        if abs(work[best, i]) < 1e-10:
            return False
        for j in range(2 * p):
            kept = work[i, j]
            work[i, j] = work[best, j]
            work[best, j] = kept
        pivot = work[i, i]
        for j in range(2 * p):
            work[i, j] /= pivot
        for k in range(p):
            if k != i and work[k, i] != 0.0:
                factor = work[k, i]
                for j in range(2 * p):
                    work[k, j] -= factor * work[i, j]
    for i in range(p):
        out[i] = 0.0
        for j in range(p):
            inverse[i, j] = work[i, p + j]
            out[i] += inverse[i, j] * right[j]
    return True


@compiled
def find_steps(
    count: Any,
    x: Any,
    r: Any,
    first_x: float,
    bin_m: float,
    limit_x: Any,
    hinge_x: Any,
    box: Any,
    widths: Any,
    least_m: float,
    sigma: float,
    sharp: int,
    found: Any,
) -> None:
    """Find the innermost step up of each section and fit it with rises of several widths.

    Parameters
    ----------
    count, x, r : (b, k)
        Cells in each bin, their mean place outward from the edge, and their mean height over
        the pavement's plane.
    first_x, bin_m : float
        Middle of the first bin, width of a bin.
    limit_x : (b,)
        How far out a step is looked for.
    hinge_x : (b,)
        Where the shoulder or verge ends, as far as is known: what lies beyond falls away.
    box : (b, 2)
        Box widths of a cell across the road, wider one first, neither of them zero.
    widths : (v,)
        Widths of the rises tried, ascending, the first zero.
    least_m : float
        Rises smaller than this don't count.
    sigma : float
        Noise of a cell.
    sharp : int
        So many of the widths count as sharp.
    found : (b, 5 + v)
        Place of the best sharp rise, its height and the standard error of that, height of its
        foot over the pavement's plane, and height over that plane 0.7 m behind its top; then
        the misfit of the best rise of each width in units of the noise, over the least
        of them. NaN where there is none.
    """
    blocks, bins = count.shape
    rise = np.empty(bins)
    beta = np.empty(_COLUMNS)
    inverse = np.empty((_COLUMNS, _COLUMNS))
    normal = np.empty((_COLUMNS, _COLUMNS))
    right = np.empty(_COLUMNS)
    row = np.empty(_COLUMNS)
    for i in range(blocks):
        for j in range(found.shape[1]):
            found[i, j] = np.nan
        wide, narrow = box[i, 0], box[i, 1]
        smear = 0.5 * (wide + narrow)
        # at least one row of cells before and behind a place, and two for a slope
        half = max(0.5, wide)
        inside = max(_INSIDE_M, 2.0 * wide)
        outside = max(_OUTSIDE_M, 1.5 * wide)
        # how much higher the ground lies behind each place than before it
        for k in range(bins):
            rise[k] = -1.0
            place = first_x + k * bin_m
            if place < -1.0 or place > limit_x[i]:
                continue
            before = after = 0.0
            n_before = n_after = 0.0
            for q in range(bins):
                if count[i, q] <= 0.0:
                    continue
                d = x[i, q] - place
                if -smear - half <= d <= -smear:
                    before += count[i, q] * r[i, q]
                    n_before += count[i, q]
                elif smear <= d <= smear + half:
                    after += count[i, q] * r[i, q]
                    n_after += count[i, q]
            if n_before > 0.0 and n_after > 0.0 and before / n_before > -0.15:
                rise[k] = after / n_after - before / n_before
        taken = False
        for k in range(bins):
            if taken or rise[k] < 0.6 * least_m:
                continue
            # the highest rise within reach of this one's foot
            best = k
            for q in range(k, min(bins, k + int(np.ceil((smear + half) / bin_m)) + 1)):
                if rise[q] > rise[best]:
                    best = q
            place = first_x + best * bin_m
            # the fall beyond the hinge, smeared inward, isn't part of what stands behind the rise
            outer = place + outside + smear
            if hinge_x[i] > place:
                outer = min(outer, max(hinge_x[i] - 0.5 * smear, place + 0.5 + smear))
            least = np.inf
            for v in range(widths.size):
                lowest = np.inf
                for shift in range(-5, 6):
                    at = place + 0.1 * shift
                    for a in range(_COLUMNS):
                        right[a] = 0.0
                        for b in range(_COLUMNS):
                            normal[a, b] = 0.0
                    total = 0.0
                    for q in range(bins):
                        n = count[i, q]
                        if n <= 0.0:
                            continue
                        d = x[i, q] - place
                        if d < -inside - smear or x[i, q] > outer:
                            continue
                        d = x[i, q] - at
                        row[0] = 1.0
                        row[1] = d
                        row[2] = _rise(d, widths[v], wide, narrow)
                        row[3] = max(d - 0.5 * widths[v], 0.0)
                        y = r[i, q]
                        total += n * y * y
                        for a in range(_COLUMNS):
                            right[a] += n * row[a] * y
                            for b in range(_COLUMNS):
                                normal[a, b] += n * row[a] * row[b]
                    for a in range(_COLUMNS):
                        normal[a, a] += 1e-9 * (1.0 + normal[a, a])
                    # before looking: the pavement goes on as its plane, give or take 1 in 50,
                    # and the ground behind a rise may bend by 1 in 10 either way
                    normal[1, 1] += (sigma / 0.02) ** 2
                    normal[3, 3] += (sigma / 0.1) ** 2
                    if not _solve(normal, right, beta, inverse):
                        continue
                    misfit = total
                    for a in range(_COLUMNS):
                        misfit -= beta[a] * right[a]
                    misfit /= sigma * sigma
                    if misfit < lowest:
                        lowest = misfit
                        if v < sharp and misfit < least:
                            least = misfit
                            found[i, 0] = at
                            found[i, 1] = beta[2]
                            found[i, 2] = sigma * np.sqrt(max(inverse[2, 2], 0.0))
                            found[i, 3] = beta[0]
                            top = beta[0] + beta[1] * 0.5 * widths[v] + beta[2]
                            found[i, 4] = top + _BEHIND_M * (beta[1] + beta[3])
                found[i, 5 + v] = lowest
            if not np.isfinite(least):
                continue
            # a rise that turns out to be none gives way to one farther out
            taken = found[i, 1] >= least_m
        if not taken:
            for j in range(found.shape[1]):
                found[i, j] = np.nan
            continue
        least = found[i, 5]
        for v in range(1, widths.size):
            least = min(least, found[i, 5 + v])
        for v in range(widths.size):
            found[i, 5 + v] -= least
