"""The target line of one section, and the outlines of cut and fill against it, for drawing."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.along import runs
from analysis.common.types import Floats

__all__ = ["cut_fill_rings", "target_line", "targets_pct"]


def targets_pct(required_pct: Floats, allowed_points: float) -> Floats:
    """Slopes to build and to accept along a reach, (n,), from what its stations require.

    What is required follows the measured pavement and so its noise: nobody builds that. One slope,
    to a tenth, holds for the reach, but for stations that lie farther from it than work may be
    off, as where a curve begins: these get their own, to half a percent.
    """
    known = np.isfinite(required_pct)
    if not known.any():
        return np.asarray(required_pct, dtype=np.float64)
    one = round(float(np.median(required_pct[known])), 1)
    own = np.round(2.0 * required_pct) / 2.0
    near = np.abs(required_pct - one) <= allowed_points
    return np.where(known & ~near, own, np.where(known, one, np.nan))


def target_line(
    u: ArrayLike, height_m: ArrayLike, width_m: float, required_pct: float, foreslope_ratio: float
) -> Floats:
    """Target line of one section as points (u, height above the pavement edge).

    Edge, hinge, and where it comes out of the ground beyond the hinge, if it does.

    Returns
    -------
    (2 or 3, 2) float
        Empty (0, 2) where width or slope is unknown.
    """
    if not (width_m > 0.0) or math.isnan(required_pct):
        return np.empty((0, 2))
    x = np.asarray(u, dtype=np.float64)
    ground = np.asarray(height_m, dtype=np.float64)
    hinge = -required_pct / 100.0 * width_m
    points = [(0.0, 0.0), (width_m, hinge)]
    beyond = np.flatnonzero(x > width_m)
    at_hinge = float(np.interp(width_m, x, ground))
    gap = at_hinge - hinge
    if beyond.size == 0 or math.isnan(gap) or gap == 0.0:
        return np.array(points)
    if gap < 0.0 and foreslope_ratio <= 0.0:
        return np.array(points)
    fall = required_pct / 100.0 if gap > 0.0 else 1.0 / foreslope_ratio
    at, depth = width_m, gap
    for k in beyond:
        to = float(ground[k] - (hinge - fall * (x[k] - width_m)))
        if math.isnan(to):
            break
        if (to <= 0.0) if gap > 0.0 else (to >= 0.0):
            end = at + (x[k] - at) * depth / (depth - to)
            points.append((end, hinge - fall * (end - width_m)))
            break
        at, depth = float(x[k]), to
    return np.array(points)


def cut_fill_rings(
    u: ArrayLike, height_m: ArrayLike, target: ArrayLike
) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    """Give the closed outlines between ground and target line, split where they cross.

    Parameters
    ----------
    u, height_m : (K,)
        Ground of one section.
    target : (m, 2)
        Points of the target line, from `target_line`.

    Returns
    -------
    cut, fill : tuples of (k, 2)
        Rings in (u, height), first point repeated at the end; their areas add up to cut and fill.
    """
    line = np.asarray(target, dtype=np.float64)
    x = np.asarray(u, dtype=np.float64)
    ground = np.asarray(height_m, dtype=np.float64)
    if line.shape[0] < 2:
        return (), ()
    start, end = line[0, 0], line[-1, 0]
    nodes = np.unique(np.concatenate([x[(x > start) & (x < end)], line[:, 0]]))
    z = np.interp(nodes, x, ground)
    t = np.interp(nodes, line[:, 0], line[:, 1])
    d = z - t
    crossings = np.flatnonzero(d[:-1] * d[1:] < 0.0)
    if crossings.size:
        share = d[crossings] / (d[crossings] - d[crossings + 1])
        at = nodes[crossings] + share * (nodes[crossings + 1] - nodes[crossings])
        level = t[crossings] + share * (t[crossings + 1] - t[crossings])
        order = np.argsort(np.concatenate([nodes, at]), kind="stable")
        nodes = np.concatenate([nodes, at])[order]
        z = np.concatenate([z, level])[order]
        t = np.concatenate([t, level])[order]
        d = np.concatenate([d, np.zeros(at.size)])[order]
    rings: dict[int, list[Floats]] = {1: [], -1: []}
    middle = np.sign(d[:-1] + d[1:])
    for first, last in zip(*runs(middle), strict=True):
        sign = middle[first]
        if sign in (1.0, -1.0):
            part = slice(first, last + 2)
            top = np.column_stack([nodes[part], z[part]])
            bottom = np.column_stack([nodes[part], t[part]])[::-1]
            # Rounding where the line comes out of the ground leaves slivers without area.
            if abs(float(np.trapezoid(z[part] - t[part], nodes[part]))) > 1e-9:
                rings[int(sign)].append(np.concatenate([top, bottom, top[:1]]))
    return tuple(rings[1]), tuple(rings[-1])
