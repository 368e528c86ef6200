"""Grass that a ground filter left on the shoulder: rough, skewed upward, and in the way.

Points stop anywhere in grass, most of them low and some high, so that the heights scatter more
than on the pavement and more upward than downward. What is measured there is the grass, by about
its mean height too high.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import lines_at
from analysis.common.hands import product_alone
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Bools, Floats

if TYPE_CHECKING:
    from analysis.corridor.values import Cells
    from analysis.edges.values import Breaks

__all__ = ["grass_height"]


PIECE_M = 5.0
"""Length of the pieces of shoulder whose planes are looked at: shorter than patches of grass."""

NEAR_M, REACH_M = 10.0, 100.0
"""What counts for a station on its shoulder, and on the pavement that it is compared with."""

SHAPE_M = 27.5
"""What keeps its shape over so much road is a rut or a lip, not grass."""

ROUGHER, SKEWED = 1.5, 0.1
"""Least ratio of the variances of shoulder and pavement, and least skewness (own trials)."""

SHARED = 0.5
"""Variance of a height between three points over that of one of them, on average."""

_MARGIN_M = 0.2
_LEAST_CELLS = 10


def grass_height(cells: Cells, breaks: Breaks, foreign: Bools | None = None) -> Floats:
    """Estimate how high grass stands on the shoulders.

    Parameters
    ----------
    cells : Cells
    breaks : Breaks
    foreign : (m,) bool, optional
        Cells that are known to be something else: a car is rough ground, too.

    Returns
    -------
    (n, 2) float64
        Metres; 0 where the shoulder is no rougher than the pavement, or not upward.
    """
    out = np.zeros(breaks.edge.shape)
    if breaks.s.size == 0 or len(cells) == 0:
        return out
    line, ends = breaks.along(), (float(cells.s[0]), float(cells.s[-1]))
    for side, sign in enumerate(SIDE_SIGN):
        edge = lines_at(cells.s, line.s, line.edge[:, side])
        width = (line.hinge - line.edge)[:, side]
        known = np.isfinite(width)
        if not known.any():
            continue
        width = lines_at(cells.s, line.s[known], width[known])
        x = sign * cells.o - edge
        # as wide a strip of the pavement, so that planes swallow as much of its noise
        on = (x > 0.0) & (x < width - _MARGIN_M)
        beside = (x < 0.0) & (x > _MARGIN_M - width)
        if foreign is not None:
            on &= ~foreign
        shoulder, pavement = (
            _moments(cells.s[part], x[part], cells.z[part], cells.cell_m, ends)
            for part in (on, beside)
        )
        here = _pooled(shoulder, breaks.s, NEAR_M)
        there = _pooled(pavement, breaks.s, REACH_M)
        with np.errstate(invalid="ignore", divide="ignore"):
            skewness = here[:, 1] / here[:, 0] ** 1.5
            rough = (here[:, 0] > ROUGHER * there[:, 0]) & (skewness > SKEWED)
            height = np.sqrt(np.maximum(here[:, 0] - there[:, 0], 0.0) / SHARED)
        out[:, side] = np.where(rough, height, 0.0)
    return out


def _moments(s: Floats, x: Floats, z: Floats, cell_m: float, ends: tuple[float, float]) -> Floats:
    """Second and third moments about the planes of short pieces: middle, cells, m2, m3; (p, 4).

    The pieces share out the road between its ends evenly: they lie alike from either of them.
    """
    if s.size == 0:
        return np.zeros((0, 4))
    from analysis.shoulder.grass_kernels import plane_residuals

    pieces = max(1, round((ends[1] - ends[0]) / PIECE_M))
    share = (s - ends[0]) / max(ends[1] - ends[0], 1e-9)
    group = np.minimum((share * pieces).astype(np.int64), pieces - 1)
    place = np.floor((x - x.min()) / cell_m).astype(np.int64)
    residual = np.empty(s.size)
    bounds = np.searchsorted(group, np.arange(group[-1] + 2))
    plane_residuals(s, x, z, bounds, _LEAST_CELLS, residual)
    known = np.isfinite(residual)
    group, place, residual, s = group[known], place[known], residual[known], s[known]
    residual = residual - _shape(group, place, residual)
    count = np.bincount(group).astype(np.float64)
    used = count >= _LEAST_CELLS
    n = np.maximum(count, 4.0)
    columns = [
        np.bincount(group, s) / n,
        count,
        np.bincount(group, residual**2) / (n - 3.0),
        np.bincount(group, residual**3) / (n - 3.0),
    ]
    return np.column_stack(columns)[used]


def _shape(group: NDArray[np.int64], place: NDArray[np.int64], residual: Floats) -> Floats:
    """What the residuals at the same place across have in common over some road, per cell."""
    if group.size == 0:
        return np.zeros(0)
    half = round(0.5 * (SHAPE_M / PIECE_M - 1.0))
    shape = int(group.max()) + 1, int(place.max()) + 1
    flat = group * shape[1] + place
    size = shape[0] * shape[1]
    sums = [
        np.pad(np.bincount(flat, value, size).reshape(shape), ((half, half), (0, 0)))
        for value in (np.ones(residual.size), residual)
    ]
    count, total = (sum(part[k : k + shape[0]] for k in range(2 * half + 1)) for part in sums)
    return np.asarray((total / np.maximum(count, 1.0))[group, place])


def _pooled(pieces: Floats, s: Floats, reach_m: float) -> Floats:
    """Mean moments of the pieces about each station, by their cells, (n, 2); NaN without any."""
    near = np.abs(pieces[None, :, 0] - s[:, None]) <= reach_m
    weight = near * pieces[None, :, 1]
    with np.errstate(invalid="ignore"):
        return np.asarray(product_alone(weight, pieces[:, 2:]) / weight.sum(axis=1, keepdims=True))
