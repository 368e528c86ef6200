"""How a grid was made, told from itself: how wide its heights are smeared, and what is news in it.

A cell is seldom the mean of the ground under it. Points joined to triangles and read at cell
centres smear the ground over the distance between points, and so does a grid that was read again
from another; either way neighbouring cells share what they were made of, and it shows on the
pavement: heights next to each other are alike, and those a few points apart aren't. Noise of the
survey itself fades otherwise: part of it is each cell's own, the rest goes on for metres.

The two go together. Where each height is a mean of point heights by weights that fall off with
distance, ground is smeared by those weights, and the likeness of two heights is how much of their
weights they share: its variance across is twice that of the smear. For triangles of points at
random the constants are exact (Delaunay triangulations of 3600 Poisson points, 120,000 places,
own simulation): with `a` the root of the area per point, variance of the smear per axis
``0.324 a**2``, likeness ``exp(-1.2 (d / a)**1.58)`` to 0.01. Where such a grid is read once more
between its cells, neighbours are alike by more and farther ones by less: ``exp(-(d / b)**1.9)`` to
0.01, variance of the smear ``0.33 b**2`` to a twentieth (4 to 12 points per m² in cells of 0.5 m,
halved or turned by 30° with bilinear weights, own simulation).
"""

from __future__ import annotations

import numpy as np

from analysis.common.along import fading
from analysis.common.types import Floats
from analysis.corridor.likeness import (
    FINEST_LATTICE_M,
    Fading,
    Residuals,
    expected_products,
    lag_products,
    lags_of,
    lattice_of,
    on_lattice,
    plane_residuals,
)
from analysis.corridor.values import Cells, Grain

__all__ = ["SHARED_SHARE", "estimate_grain", "grain_of_points", "left_over", "smeared_boxes"]


SMEAR_SHARE, SHARED_SHARE = 0.324, 2.88
"""Variance of the smear per axis, and area of the likeness, over the area per point."""

AGAIN_SMEAR_SHARE, AGAIN_SHARED_SHARE = 0.33, 3.2
"""The same over the square of the length `b` where a grid was read once more."""

SMEAR_MISFIT = 0.1
"""What a smear told from likeness is off by, as a share, however well the likeness is known."""

LEAST_CHANCE = 0.01
"""Less of a chance that heights share what they were made of is none: cells are means then."""

SIDEWAYS_M = 0.07
"""Error of the place of a point, per axis: 0.05 to 0.10 m is usual from the air (common practice);
what it smears doesn't show in any likeness."""

STRIP_M = 1.5
"""Half the width of the strips of road that are looked at: one of them misses crown and edges."""

BEND = 3
"""Highest power across the strips: where the line lies off, the crown can be in all of them."""

_MIDDLES_M = (-2.0, -1.0, 0.0, 1.0, 2.0)
_FADING_M = (0.7, 1.0, 1.4, 2.0, 3.0, 4.5)
_LONG_M = (2.0, 4.5)
_WIDEST_M = 3.0
_RATIO, _AGAIN_RATIO = 1.12, 1.08
# what each part of a model must earn, and how far real likeness keeps to a model
_COST, _MISFIT = 3.0, 0.01
# squared sine of the angle below which two columns are one
_SAME = 1e-18
_LEAST_PAIRS = 50


def grain_of_points(per_m2: float) -> Grain:
    """Return the grain of triangles between points of a known density, read at cell centres."""
    area = 1.0 / per_m2
    return Grain(
        triangles=1.0,
        smear_m2=SMEAR_SHARE * area + SIDEWAYS_M**2,
        smear_se_m2=SIDEWAYS_M**2,
        shared_m2=SHARED_SHARE * area,
        given=True,
    )


def estimate_grain(cells: Cells) -> Grain:
    """Estimate how a grid was made from how alike its heights are on the road.

    Parameters
    ----------
    cells : Cells
        Near the road, sorted along it.

    Returns
    -------
    Grain
        That of cell means where too little shows.
    """
    residuals = _road_residuals(cells)
    if residuals is None:
        return Grain()
    cell_m = cells.cell_m * max(1, round(FINEST_LATTICE_M / cells.cell_m))
    lags = lags_of(cell_m)
    product, pairs = lag_products(residuals, lags)
    known = pairs > _LEAST_PAIRS
    if known.sum() < 6:
        return Grain()
    spans, again = _spans(0.5 * cell_m, _RATIO), _spans(0.8 * cell_m, _AGAIN_RATIO)
    fades = [length for length in _FADING_M if length >= 0.5 * cell_m - 1e-6]
    models = [
        *(Fading(_shared, a) for a in spans),
        *(Fading(_read_again, b) for b in again),
        *(Fading(fading, b) for b in fades),
    ]
    white, shapes = expected_products(residuals, cell_m, lags, models)
    first = len(spans) + len(again)
    shared, faded = shapes[:first], shapes[first:]
    root = known / np.sqrt(2.0 / np.maximum(pairs, 1.0) + _MISFIT**2)

    def misfit(*parts: Floats) -> float:
        return left_over(product * root, *(part * root for part in parts))

    own = [misfit(white)] + [misfit(white, part) + 2.0 * _COST for part in faded]
    long = [part for part, b in zip(faded, fades, strict=True) if b in _LONG_M]
    made = [
        min(misfit(part) + _COST, *(misfit(part, far) + 2.0 * _COST for far in long))
        for part in shared
    ]
    least = min(*own, *made)
    # as many places for a span as it takes to tell two of them apart count as one model
    each = np.repeat([0.5 / len(spans), 0.5 / len(again)], [len(spans), len(again)])
    weight = each * np.exp(-0.5 * (np.array(made) - least))
    rest = float(np.exp(-0.5 * (min(own) - least)))
    triangles = float(weight.sum() / (weight.sum() + rest))
    if triangles < LEAST_CHANCE:
        return Grain()
    weight = weight / weight.sum()
    area, area_again = np.array(spans) ** 2, np.array(again) ** 2
    told = np.concatenate([SMEAR_SHARE * area, AGAIN_SMEAR_SHARE * area_again])
    shares = np.concatenate([SHARED_SHARE * area, AGAIN_SHARED_SHARE * area_again])
    smear = told + SIDEWAYS_M**2
    mean = float(weight @ smear)
    apart = triangles * (1.0 - triangles) * (mean - cells.cell_m**2 / 12.0) ** 2
    each_se = (SMEAR_MISFIT * told) ** 2 + SIDEWAYS_M**4
    within = triangles * float(weight @ ((smear - mean) ** 2 + each_se))
    return Grain(triangles, mean, float(np.sqrt(apart + within)), float(weight @ shares))


def left_over(of: Floats, one: Floats, other: Floats | None = None) -> float:
    """Sum of squares that shares of one or two columns leave of a third, none of them negative.

    In closed form: the library that has it for any number of columns takes long to load. Where
    the best two shares aren't both positive, the best one alone is as good as it gets.
    """

    def without(column: Floats) -> Floats:
        size = float(column @ column)
        return of - max(float(column @ of) / size, 0.0) * column if size > 0.0 else of

    rest = without(one)
    if other is None:
        return float(rest @ rest)
    size = float(one @ one)
    across = float(one @ other) / size if size > 0.0 else 0.0
    own = other - across * one
    if size > 0.0 and own @ own > _SAME * (other @ other):
        second = float(own @ of) / float(own @ own)
        first = float(one @ of) / size - across * second
        if first >= 0.0 and second >= 0.0:
            rest = of - first * one - second * other
            return float(rest @ rest)
    alone = without(other)
    return min(float(rest @ rest), float(alone @ alone))


def smeared_boxes(box_m: Floats, grain: Grain) -> Floats:
    """Widths of two boxes that smear as the grid does, (n, 2), from those of a cell (`footprint`).

    A smear that is the same to all sides is two boxes of one width w, its variance ``w**2 / 6``.
    """
    share = grain.triangles
    if share <= 0.0:
        return box_m
    return np.asarray(np.sqrt((1.0 - share) * box_m**2 + share * 6.0 * grain.smear_m2))


def _road_residuals(cells: Cells) -> Residuals | None:
    """Residuals about planes on the evenest of a few strips along the road, piece by piece."""
    if cells.s.size == 0:
        return None
    stride = max(1, round(FINEST_LATTICE_M / cells.cell_m))
    kept = on_lattice(cells, stride)
    half, ends = max(STRIP_M, 2.0 * cells.cell_m), (float(cells.s[0]), float(cells.s[-1]))
    strips = []
    for middle in _MIDDLES_M:
        on = kept & (np.abs(cells.o - middle) <= half)
        lattice = lattice_of(cells, on, stride)
        strip = plane_residuals(
            cells.s[on],
            cells.o[on],
            cells.z[on],
            lattice,
            ends=ends,
            cell_m=cells.cell_m,
            bend=BEND,
        )
        if strip is not None:
            strips.append(strip)
    if not strips:
        return None
    scatter = np.array([np.median(strip.scatter) for strip in strips])
    least = strips[int(scatter.argmin())]
    return least.of(least.scatter <= 2.0 * float(np.median(least.scatter)))


def _spans(least_m: float, ratio: float) -> list[float]:
    """Lengths that are weighed, each so many times the one before."""
    count = max(int(np.log(_WIDEST_M / least_m) / np.log(ratio)) + 1, 1)
    return [least_m * ratio**k for k in range(count)]


def _shared(distance_m: Floats, apart_m: float) -> Floats:
    """Likeness of heights read from triangles of points so far apart."""
    return np.asarray(np.exp(-1.2 * (distance_m / apart_m) ** 1.58))


def _read_again(distance_m: Floats, length_m: float) -> Floats:
    """Likeness of heights read between the cells of a grid of triangles."""
    return np.asarray(np.exp(-((distance_m / length_m) ** 1.9)))
