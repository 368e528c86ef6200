"""Compiled loops of the search for breaks; imported only when a road is really searched.

The functions compute and check nothing: `analysis.edges.find_breaks` and
`analysis.edges.segmentation` prepare their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = [
    "FLAT",
    "Bins",
    "Candidates",
    "Expected",
    "Products",
    "Shapes",
    "Tables",
    "best_segments",
    "pair_evidence",
]

FLAT = 1e-4
# Precision of the level beforehand: next to none.

_LEAST = 1e-12
# Least square of a pivot.


class Expected(NamedTuple):
    """What sections look like before the ground is looked at.

    Attributes
    ----------
    kinks : (4, 2)
        Mean and standard deviation of slope, kink at the edge, kink at the hinge, and kink at
        an edge that has no shoulder.
    steps : (q, 3)
        Steps at the edge: weight, mean, standard deviation.
    between : float
        Standard deviation of the step that stands for a hinge between two candidates.
    """

    kinks: Any
    steps: Any
    between: float


class Candidates(NamedTuple):
    """Places where edge and hinge are looked for.

    Attributes
    ----------
    place : (p,)
        Even steps outward; edges are ``place[:edges]``, hinges ``place[first_hinge:]``.
    edges, first_hinge : int
    apart : float
        Least distance of edge and hinge (the footprint).
    """

    place: Any
    edges: int
    first_hinge: int
    apart: float


class Products(NamedTuple):
    """Inner products of the heights of b blocks with the parts of a section.

    Attributes
    ----------
    sums : (b, 5)
        Weighted sums of 1, u, u*u, z, u*z of each block.
    ramp : (b, p, 4)
        Weighted sums of R, u*R, R*R, z*R of the smeared ramp at each place.
    step : (b, p, 5)
        Weighted sums of H, u*H, H*H, z*H, R*H of the smeared step at each place.
    """

    sums: Any
    ramp: Any
    step: Any


class Bins(NamedTuple):
    """Heights z (b, k) and their inverse variances (b, k) at places u (k,)."""

    u: Any
    z: Any
    precision: Any


class Tables(NamedTuple):
    """Smeared ramps and steps for each of f footprints.

    Attributes
    ----------
    place : (p,)
    kind : (b,)
        Which footprint each block has.
    ramp, step : (f, p, k)
    """

    place: Any
    kind: Any
    ramp: Any
    step: Any


class Shapes(NamedTuple):
    """What a shoulder may be that isn't straight.

    Attributes
    ----------
    knot_m, rough_m : float
        A rough one: a chain of knots so far apart, beginning at the edge, and their scatter.
    forms : (r, 3) int
        Begin, middle and end of some plain form beside an edge that is flush (a rut, a lip, a
        worn edge), in places outward from the edge. One that begins at its middle begins with
        a step.
    form_m : float
        Scatter of their heights.
    """

    knot_m: float
    rough_m: float
    forms: Any
    form_m: float


@compiled
def _piece_costs(x: Any, z: Any, weight: Any, least: int, prefix: Any, cost: Any) -> bool:
    """Squared misfit of every piece of a section; False where no height is known."""
    k = x.size
    # heights about their own mean keep the difference of prefix sums accurate
    total = 0.0
    mean = 0.0
    for i in range(k):
        if weight[i] > 0.0:
            total += weight[i]
            mean += weight[i] * z[i]
    if total <= 0.0:
        return False
    mean /= total
    for q in range(6):
        prefix[0, q] = 0.0
    middle = 0.5 * (x[0] + x[k - 1])
    for i in range(k):
        w = weight[i]
        xi = x[i] - middle
        zi = z[i] - mean if w > 0.0 else 0.0
        prefix[i + 1, 0] = prefix[i, 0] + w
        prefix[i + 1, 1] = prefix[i, 1] + w * xi
        prefix[i + 1, 2] = prefix[i, 2] + w * xi * xi
        prefix[i + 1, 3] = prefix[i, 3] + w * zi
        prefix[i + 1, 4] = prefix[i, 4] + w * xi * zi
        prefix[i + 1, 5] = prefix[i, 5] + w * zi * zi
    for i in range(k):
        for j in range(i + least, k + 1):
            w = prefix[j, 0] - prefix[i, 0]
            if w <= 0.0:
                cost[i, j] = 0.0
                continue
            sx = prefix[j, 1] - prefix[i, 1]
            sz = prefix[j, 3] - prefix[i, 3]
            sxx = prefix[j, 2] - prefix[i, 2] - sx * sx / w
            sxz = prefix[j, 4] - prefix[i, 4] - sx * sz / w
            szz = prefix[j, 5] - prefix[i, 5] - sz * sz / w
            misfit = szz - (sxz * sxz / sxx if sxx > 1e-12 * w else 0.0)
            cost[i, j] = max(misfit, 0.0)
    return True


@compiled
def best_segments(x: Any, z: Any, weight: Any, segments: int, least: int, out: Any) -> None:
    """Cut each section into straight pieces of least squared misfit.

    Parameters
    ----------
    x : (k,)
    z, weight : (n, k)
        Heights; weight 0 = unknown.
    segments, least : int
        Number of pieces and least number of points in each.
    out : (n, segments + 1)
        Filled with the first point of each piece, and k; -1 where there are too few points.
    """
    n, k = z.shape
    prefix = np.empty((k + 1, 6))
    cost = np.empty((k, k + 1))
    best = np.empty((segments + 1, k + 1))
    came = np.empty((segments + 1, k + 1), dtype=np.int64)
    for row in range(n):
        out[row] = -1
        if not _piece_costs(x, z[row], weight[row], least, prefix, cost):
            continue
        best[:] = np.inf
        best[0, 0] = 0.0
        for m in range(1, segments + 1):
            for j in range(m * least, k + 1):
                for i in range((m - 1) * least, j - least + 1):
                    value = best[m - 1, i] + cost[i, j]
                    if value < best[m, j]:
                        best[m, j] = value
                        came[m, j] = i
        if best[segments, k] == np.inf:
            continue
        out[row, segments] = k
        for m in range(segments, 0, -1):
            out[row, m - 1] = came[m, out[row, m]]


@compiled
def _mixture(precision: float, pull: float, steps: Any) -> float:
    """Log evidence of a mixture of steps, from what the data say of one."""
    most = -np.inf
    for q in range(steps.shape[0]):
        part = _step_gain(precision, pull, steps[q, 1], steps[q, 2])
        most = max(most, part)
    total = 0.0
    for q in range(steps.shape[0]):
        part = _step_gain(precision, pull, steps[q, 1], steps[q, 2]) - most
        total += steps[q, 0] * np.exp(part) / np.sqrt(1.0 + precision * steps[q, 2] ** 2)
    return float(most + np.log(total))


@compiled
def _step_gain(precision: float, pull: float, mean: float, spread: float) -> float:
    """Log evidence of a step with a normal prior, but for the size of what is left open."""
    centre = pull + mean / spread**2
    return float(0.5 * centre * centre / (precision + 1.0 / spread**2) - 0.5 * (mean / spread) ** 2)


@compiled
def _fit_hinges(first: int, products: Products, expected: Expected, b: int, fits: Any) -> float:
    """Fit level and slope of a block, then ramp and step at each hinge after them.

    `fits` (h, 10) gets the rows of ramp and step without their diagonals, the inverses of these,
    both numbers of the right-hand side, and the log evidence. That of level and slope is returned,
    whose row, inverses and numbers stand in the last row of `fits`.
    """
    sums, ramp, step = products
    kinks, _, between = expected
    level = sums[b, 0] + FLAT
    i0 = 1.0 / np.sqrt(level)
    l10 = sums[b, 1] * i0
    slope = sums[b, 2] + 1.0 / kinks[0, 1] ** 2 - l10 * l10
    i1 = 1.0 / np.sqrt(max(slope, _LEAST))
    y0 = sums[b, 3] * i0
    y1 = (sums[b, 4] + kinks[0, 0] / kinks[0, 1] ** 2 - l10 * y0) * i1
    base = fits.shape[0] - 1
    fits[base, 0], fits[base, 1], fits[base, 2] = l10, i0, i1
    fits[base, 3], fits[base, 4] = y0, y1
    for j in range(base):
        ih = first + j
        l20 = ramp[b, ih, 0] * i0
        l21 = (ramp[b, ih, 1] - l20 * l10) * i1
        square = ramp[b, ih, 2] + 1.0 / kinks[2, 1] ** 2 - l20 * l20 - l21 * l21
        i2 = 1.0 / np.sqrt(max(square, _LEAST))
        y2 = (ramp[b, ih, 3] + kinks[2, 0] / kinks[2, 1] ** 2 - l20 * y0 - l21 * y1) * i2
        l30 = step[b, ih, 0] * i0
        l31 = (step[b, ih, 1] - l30 * l10) * i1
        l32 = (step[b, ih, 4] - l30 * l20 - l31 * l21) * i2
        other = step[b, ih, 2] + 1.0 / between**2 - l30 * l30 - l31 * l31 - l32 * l32
        i3 = 1.0 / np.sqrt(max(other, _LEAST))
        y3 = (step[b, ih, 3] - l30 * y0 - l31 * y1 - l32 * y2) * i3
        fits[j, 0], fits[j, 1], fits[j, 2], fits[j, 3], fits[j, 4] = l20, l21, l30, l31, l32
        fits[j, 5], fits[j, 6], fits[j, 7], fits[j, 8] = i2, i3, y2, y3
        fits[j, 9] = 0.5 * (y2 * y2 + y3 * y3) + np.log(i2) + np.log(i3)
    return float(0.5 * (y0 * y0 + y1 * y1) + np.log(i0) + np.log(i1))


@compiled
def pair_evidence(
    candidates: Candidates, products: Products, expected: Expected, out: Any, out_none: Any
) -> None:
    """Log evidence of every pair of edge and hinge in every block, and of an edge alone.

    The section is a Gaussian linear model: level, slope, kink and step at the edge, kink at the
    hinge, each with a prior; its marginal likelihood needs only inner products, and those of
    two kinks at least a footprint apart follow from those of each alone. The hinge may lie between
    two candidates: to first order a small step. Triangles are made of level and slope once for a
    block, of each hinge after them, and then of ramp and step at the edge.

    Parameters
    ----------
    candidates : Candidates
    products : Products
    expected : Expected
    out, out_none : (b, edges, hinges), (b, edges)
        Results; -inf for a pair that is too close.
    """
    place, edges, first, apart = candidates
    sums, ramp, step = products
    kinks, steps, between = expected
    hinges = place.size - first
    fits = np.empty((hinges + 1, 10))
    scale = np.zeros(4)
    for r in range(4):
        scale[r] = -0.5 * (kinks[r, 0] / kinks[r, 1]) ** 2 - np.log(kinks[r, 1])
    for b in range(sums.shape[0]):
        start = _fit_hinges(first, products, expected, b, fits)
        l10, i0, i1, y0, y1 = (
            fits[hinges, 0],
            fits[hinges, 1],
            fits[hinges, 2],
            fits[hinges, 3],
            fits[hinges, 4],
        )
        for ie in range(edges):
            e = place[ie]
            # rows of ramp and step at the edge, and what they leave after level and slope
            r0 = ramp[b, ie, 0] * i0
            r1 = (ramp[b, ie, 1] - r0 * l10) * i1
            h0 = step[b, ie, 0] * i0
            h1 = (step[b, ie, 1] - h0 * l10) * i1
            rr = ramp[b, ie, 2] - r0 * r0 - r1 * r1
            hh = step[b, ie, 2] - h0 * h0 - h1 * h1
            rh = step[b, ie, 4] - r0 * h0 - r1 * h1
            zr = ramp[b, ie, 3] - r0 * y0 - r1 * y1
            zh = step[b, ie, 3] - h0 * y0 - h1 * y1
            for j in range(-1, hinges):
                kink = 1 if j >= 0 else 3
                stiff = 1.0 / kinks[kink, 1] ** 2
                square, pull = rr + stiff, zr + kinks[kink, 0] * stiff
                both, left, drawn = rh, hh, zh
                value = start + scale[0] + scale[kink]
                if j >= 0:
                    ih = first + j
                    if place[ih] - e < apart:
                        out[b, ie, j] = -np.inf
                        continue
                    r2 = ramp[b, ih, 1] - e * ramp[b, ih, 0] - r0 * fits[j, 0] - r1 * fits[j, 1]
                    h2 = ramp[b, ih, 0] - h0 * fits[j, 0] - h1 * fits[j, 1]
                    r2 *= fits[j, 5]
                    h2 *= fits[j, 5]
                    r3 = step[b, ih, 1] - e * step[b, ih, 0] - r0 * fits[j, 2] - r1 * fits[j, 3]
                    h3 = step[b, ih, 0] - h0 * fits[j, 2] - h1 * fits[j, 3]
                    r3 = (r3 - r2 * fits[j, 4]) * fits[j, 6]
                    h3 = (h3 - h2 * fits[j, 4]) * fits[j, 6]
                    square -= r2 * r2 + r3 * r3
                    both -= r2 * h2 + r3 * h3
                    left -= h2 * h2 + h3 * h3
                    pull -= r2 * fits[j, 7] + r3 * fits[j, 8]
                    drawn -= h2 * fits[j, 7] + h3 * fits[j, 8]
                    value += fits[j, 9] + scale[2] - np.log(between)
                square = max(square, _LEAST)
                value += 0.5 * pull * pull / square - 0.5 * np.log(square)
                # the step: what the data still say of it after all else is fitted
                left = max(left - both * both / square, 0.0)
                value += _mixture(left, drawn - both * pull / square, steps)
                if j >= 0:
                    out[b, ie, j] = value
                else:
                    out_none[b, ie] = value
