"""Compiled kernel of `analysis.earthwork.areas`: cut and fill of piecewise-linear sections."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.common.compiled import compiled
from analysis.common.types import Floats

__all__ = ["areas_kernel"]


_SQRT_2 = math.sqrt(2.0)
_SQRT_2PI = math.sqrt(2.0 * math.pi)
# Places and weights (of 18) of the three-point rule on 0 to 1.
_GAUSS = ((0.1127016653792583, 5.0), (0.5, 8.0), (0.8872983346207417, 5.0))


@compiled
def _upper_part(a: float, b: float) -> tuple[float, float]:
    """Mean of max(d, 0) for d linear from a to b, and the share of the way where d > 0."""
    if a >= 0.0 and b >= 0.0:
        return 0.5 * (a + b), (1.0 if a + b > 0.0 else 0.0)
    if a <= 0.0 and b <= 0.0:
        return 0.0, 0.0
    high = max(a, b)
    share = high / abs(b - a)
    return 0.5 * high * share, share


@compiled
def _excess_integral(x: float) -> float:
    """Integral from 0 to x of phi(t) - |t| Phi(-|t|), closed form."""
    t = abs(x)
    upper = 0.5 * math.erfc(t / _SQRT_2)
    density = math.exp(-0.5 * t * t) / _SQRT_2PI
    value = 0.5 * ((1.0 - upper) + t * density - t * t * upper) - 0.25
    return value if x >= 0.0 else -value


@compiled
def _excess_mean(a: float, b: float, sigma: float) -> float:
    """Mean of E[max(d + e, 0)] - max(d, 0) for d linear from a to b, e normal with `sigma`."""
    if not sigma > 0.0:
        return 0.0
    xa, xb = a / sigma, b / sigma
    if (xa > 6.0 and xb > 6.0) or (xa < -6.0 and xb < -6.0):
        return 0.0
    if abs(xb - xa) < 1e-4:
        t = abs(0.5 * (xa + xb))
        density = math.exp(-0.5 * t * t) / _SQRT_2PI
        return sigma * (density - t * 0.5 * math.erfc(t / _SQRT_2))
    return float(sigma * (_excess_integral(xb) - _excess_integral(xa)) / (xb - xa))


@compiled
def _spread(
    at: float, local: float, first: float, mixed: float, second: float, level: float
) -> float:
    """Standard error of the height over the target at `at`: of the fit, not less than local."""
    fitted = math.sqrt((first + mixed * at) ** 2 + (second * at) ** 2 + level * level)
    # NaN, no local error known, fails the comparison.
    return local if local > fitted else fitted


@compiled
def _part_above(
    a: float, b: float, sa: float, sb: float, at: float, length: float
) -> tuple[float, float]:
    """Length and moment of the part of a step where the true d, linear from a to b, is above 0.

    Each place counts by its probability, so that a part next to the target isn't taken for
    certain; where there is no error the part is cut off sharply.
    """
    if not sa + sb > 0.0:
        _, share = _upper_part(a, b)
        # The upper part lies at the end where d is greater.
        left = at if a > b else at + (1.0 - share) * length
        return share * length, share * length * (left + 0.5 * share * length)
    size = moment = 0.0
    for x, weight in _GAUSS:
        d, s = a + x * (b - a), sa + x * (sb - sa)
        if s > 0.0:
            chance = 0.5 * math.erfc(-d / s / _SQRT_2)
        else:
            chance = 1.0 if d > 0.0 else 0.0
        size += weight / 18.0 * chance * length
        moment += weight / 18.0 * chance * length * (at + x * length)
    return size, moment


@compiled
def areas_kernel(
    u: Floats,
    height: Floats,
    sigma: Floats,
    width: Floats,
    slope: Floats,
    drop: Floats,
    fitted: Floats,
    guard: Floats,
    error: Floats,
    ratio: float,
    out: Floats,
    comes_out: NDArray[np.bool_],
) -> None:
    """Fill `out` (rows, 8): cut, fill, excess, length and moment of cut and of fill, face.

    `error` (rows, 4) holds the fit's errors: those of the edge drop, the part of the slope's
    that goes with it, and the rest, as metres, fractions, fractions; and what the edge's place
    does to the height over the target, metres; NaN = no fit.
    Rows that can't be known stay NaN. Slopes are fractions, positive falling outward.
    """
    count = u.shape[0]
    for row in range(height.shape[0]):
        w, g = width[row], slope[row]
        if not (w > 0.0 and u[0] <= 0.0 and u[count - 1] >= w and not math.isnan(g)):
            continue
        # Inside the guards the grid smears the step at the edge and the break at the hinge;
        # the fitted plane, which allows for that, stands in.
        near = guard[row] if not math.isnan(drop[row] + fitted[row]) else 0.0
        cut = fill = excess = 0.0
        cut_length = cut_moment = fill_length = fill_moment = 0.0
        k = 0
        while u[k + 1] <= 0.0 and k + 2 < count:
            k += 1
        # Interpolating only where needed keeps a hole on the pavement from spoiling the sum.
        if near > 0.0:
            d = -drop[row]
        elif u[k] == 0.0:
            d = height[row, k]
        elif u[k + 1] == 0.0:
            d = height[row, k + 1]
        else:
            share = -u[k] / (u[k + 1] - u[k])
            d = height[row, k] + share * (height[row, k + 1] - height[row, k])
        at = 0.0
        while u[k] <= 0.0:
            k += 1
        first, mixed, second, level = error[row]
        if math.isnan(first + mixed + second + level):
            first = mixed = second = level = 0.0
        sa = _spread(0.0, sigma[row, k], first, mixed, second, level)
        known = not math.isnan(d)
        inside = True
        while known and inside:
            inside = k < count and u[k] < w
            if inside:
                x = u[k]
                if near > 0.0 and (x < near or x > w - near):
                    h = -drop[row] - fitted[row] * x
                else:
                    h = height[row, k]
            else:
                x = w
                if near > 0.0:
                    h = -drop[row] - fitted[row] * x
                elif u[k] == w:
                    h = height[row, k]
                else:
                    share = (w - u[k - 1]) / (u[k] - u[k - 1])
                    h = height[row, k - 1] + share * (height[row, k] - height[row, k - 1])
            if math.isnan(h):
                known = False
                break
            sb = _spread(x, sigma[row, min(k, count - 1)], first, mixed, second, level)
            to = h + g * x
            length = x - at
            cut += _upper_part(d, to)[0] * length
            fill += _upper_part(-d, -to)[0] * length
            excess += _excess_mean(d, to, 0.5 * (sa + sb)) * length
            size, moment = _part_above(d, to, sa, sb, at, length)
            cut_length += size
            cut_moment += moment
            fill_length += length - size
            fill_moment += length * (at + 0.5 * length) - moment
            at, d, sa = x, to, sb
            k += 1
        if not known:
            continue
        face = max(-d, 0.0)
        # Beyond the hinge, until the line comes out of the ground.
        sign = 1.0 if d > 0.0 else -1.0
        out_there = True
        if d > 0.0 or (d < 0.0 and ratio > 0.0):
            fall = g if d > 0.0 else 1.0 / ratio
            base = -g * w
            area = area_length = area_moment = 0.0
            depth = sign * d
            out_there = False
            k = 0
            while k < count and u[k] <= w:
                k += 1
            while k < count:
                if math.isnan(height[row, k]):
                    known = False
                    break
                to = sign * (height[row, k] - (base - fall * (u[k] - w)))
                length = u[k] - at
                up, up_share = _upper_part(depth, to)
                area += up * length
                area_length += up_share * length
                area_moment += up_share * length * (at + 0.5 * up_share * length)
                at, depth = u[k], to
                if to <= 0.0:
                    out_there = True
                    break
                k += 1
            if not known:
                continue
            if out_there and sign > 0.0:
                cut += area
                cut_length += area_length
                cut_moment += area_moment
            elif out_there:
                fill += area
                fill_length += area_length
                fill_moment += area_moment
        comes_out[row] = out_there
        # Less than either, so that neither turns negative and their difference stays.
        excess = min(excess, cut, fill)
        out[row, 0] = cut - excess
        out[row, 1] = fill - excess
        out[row, 2] = excess
        out[row, 3] = cut_length
        out[row, 4] = cut_moment
        out[row, 5] = fill_length
        out[row, 6] = fill_moment
        out[row, 7] = face
