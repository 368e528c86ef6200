"""Compiled loops that look for steps up in averaged sections; imported only when needed.

The functions compute and check nothing: `analysis.shoulder.kerbs` prepares their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Profiles", "Rises", "find_steps"]

# Columns of a fit: level, slope, rise, and a kink where the rise ends.
_COLUMNS = 4
_INSIDE_M = 1.5
_OUTSIDE_M = 1.2
_BEHIND_M = 0.7


class Profiles(NamedTuple):
    """Averaged sections of b blocks of road.

    Attributes
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
    """

    count: Any
    x: Any
    r: Any
    first_x: float
    bin_m: float
    limit_x: Any
    hinge_x: Any
    box: Any


class Rises(NamedTuple):
    """What passes for a rise.

    Attributes
    ----------
    widths : (v,)
        Widths tried, ascending, the first zero.
    sharp : int
        So many of the widths count as sharp.
    least_m : float
        Rises smaller than this don't count.
    sigma_m : float
        Noise of a cell.
    """

    widths: Any
    sharp: int
    least_m: float
    sigma_m: float


class _Section(NamedTuple):
    """One block's bins, its cells' box widths, and how far about a place is looked."""

    count: Any
    x: Any
    r: Any
    wide: float
    narrow: float
    smear: float
    half: float
    inside: float
    outside: float


class _Algebra(NamedTuple):
    """Normal equations of a fit, what they give, and a row of the design."""

    normal: Any
    right: Any
    beta: Any
    inverse: Any
    row: Any


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
def _section(profiles: Profiles, i: int) -> _Section:
    wide, narrow = profiles.box[i, 0], profiles.box[i, 1]
    # at least one row of cells before and behind a place, and two for a slope
    return _Section(
        profiles.count[i],
        profiles.x[i],
        profiles.r[i],
        wide,
        narrow,
        0.5 * (wide + narrow),
        max(0.5, wide),
        max(_INSIDE_M, 2.0 * wide),
        max(_OUTSIDE_M, 1.5 * wide),
    )


@compiled
def _height_behind(section: _Section, place: float) -> float:
    """How much higher the ground lies behind a place than before it; -1 unknown."""
    smear, half = section.smear, section.half
    before = after = 0.0
    n_before = n_after = 0.0
    for q in range(section.x.size):
        n = section.count[q]
        if n <= 0.0:
            continue
        d = section.x[q] - place
        if -smear - half <= d <= -smear:
            before += n * section.r[q]
            n_before += n
        elif smear <= d <= smear + half:
            after += n * section.r[q]
            n_after += n
    if n_before > 0.0 and n_after > 0.0 and before / n_before > -0.15:
        return after / n_after - before / n_before
    return -1.0


@compiled
def _misfit(
    section: _Section,
    place: float,
    outer: float,
    at: float,
    width: float,
    sigma_m: float,
    algebra: _Algebra,
) -> float:
    """Misfit of a rise at a place near `place`, in units of the noise; inf where none fits."""
    normal, right, beta, inverse, row = algebra
    for a in range(_COLUMNS):
        right[a] = 0.0
        for b in range(_COLUMNS):
            normal[a, b] = 0.0
    total = 0.0
    for q in range(section.x.size):
        n = section.count[q]
        if n <= 0.0:
            continue
        d = section.x[q] - place
        if d < -section.inside - section.smear or section.x[q] > outer:
            continue
        d = section.x[q] - at
        row[0] = 1.0
        row[1] = d
        row[2] = _rise(d, width, section.wide, section.narrow)
        row[3] = max(d - 0.5 * width, 0.0)
        y = section.r[q]
        total += n * y * y
        for a in range(_COLUMNS):
            right[a] += n * row[a] * y
            for b in range(_COLUMNS):
                normal[a, b] += n * row[a] * row[b]
    for a in range(_COLUMNS):
        normal[a, a] += 1e-9 * (1.0 + normal[a, a])
    # before looking: the pavement goes on as its plane, give or take 1 in 50, and the ground
    # behind a rise may bend by 1 in 10 either way
    normal[1, 1] += (sigma_m / 0.02) ** 2
    normal[3, 3] += (sigma_m / 0.1) ** 2
    if not _solve(normal, right, beta, inverse):
        return np.inf
    for a in range(_COLUMNS):
        total -= beta[a] * right[a]
    return float(total / (sigma_m * sigma_m))


@compiled
def _fit_rises(
    section: _Section, rises: Rises, place: float, outer: float, algebra: _Algebra, found: Any
) -> bool:
    """Fit rises of all widths near a place; False where the best sharp one is too small."""
    beta = algebra.beta
    least = np.inf
    for v in range(rises.widths.size):
        if v == rises.sharp and not (np.isfinite(least) and found[1] >= rises.least_m):
            return False
        width = rises.widths[v]
        lowest = np.inf
        for shift in range(-5, 6):
            at = place + 0.1 * shift
            misfit = _misfit(section, place, outer, at, width, rises.sigma_m, algebra)
            if misfit < lowest:
                lowest = misfit
                if v < rises.sharp and misfit < least:
                    least = misfit
                    found[0] = at
                    found[1] = beta[2]
                    found[2] = rises.sigma_m * np.sqrt(max(algebra.inverse[2, 2], 0.0))
                    found[3] = beta[0]
                    top = beta[0] + beta[1] * 0.5 * width + beta[2]
                    found[4] = top + _BEHIND_M * (beta[1] + beta[3])
        found[5 + v] = lowest
    return bool(np.isfinite(least) and found[1] >= rises.least_m)


@compiled
def find_steps(profiles: Profiles, rises: Rises, found: Any) -> None:
    """Find the innermost step up of each section and fit it with rises of several widths.

    Parameters
    ----------
    profiles : Profiles
    rises : Rises
    found : (b, 5 + v)
        Place of the best sharp rise, its height and the standard error of that, height of its
        foot over the pavement's plane, and height over that plane 0.7 m behind its top; then
        the misfit of the best rise of each width in units of the noise, over the least
        of them. NaN where there is none.
    """
    blocks, bins = profiles.count.shape
    first_x, bin_m = profiles.first_x, profiles.bin_m
    rise = np.empty(bins)
    p = _COLUMNS
    algebra = _Algebra(np.empty((p, p)), np.empty(p), np.empty(p), np.empty((p, p)), np.empty(p))
    for i in range(blocks):
        section = _section(profiles, i)
        smear = section.smear
        for k in range(bins):
            place = first_x + k * bin_m
            looked = -1.0 <= place <= profiles.limit_x[i]
            rise[k] = _height_behind(section, place) if looked else -1.0
        found[i] = np.nan
        taken, none_at = False, -1
        for k in range(bins):
            # a rise that turns out to be none gives way to one farther out
            if taken or rise[k] < 0.6 * rises.least_m:
                continue
            # the highest rise within reach of this one's foot
            best = k
            for q in range(k, min(bins, k + int(np.ceil((smear + section.half) / bin_m)) + 1)):
                if rise[q] > rise[best]:
                    best = q
            if best == none_at:
                continue
            place = first_x + best * bin_m
            # the fall beyond the hinge, smeared inward, isn't part of what stands behind the rise
            outer = place + section.outside + smear
            hinge = profiles.hinge_x[i]
            if hinge > place:
                outer = min(outer, max(hinge - 0.5 * smear, place + 0.5 + smear))
            taken = _fit_rises(section, rises, place, outer, algebra, found[i])
            none_at = best
        if not taken:
            found[i] = np.nan
            continue
        least = found[i, 5:].min()
        for v in range(rises.widths.size):
            found[i, 5 + v] -= least
