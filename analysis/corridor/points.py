"""Ground points along a road in the place of cells: where they are, and strips brought level.

A point is the ground at one place, known sideways to its horizontal error only; that error is the
footprint with which a step or kink is seen. The room of a point takes the place of a cell's area.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import TerrainError
from analysis.common.types import Bools, Floats, Progress
from analysis.corridor.values import Cells
from analysis.road.roadline import SEED_STEP_M, Road, Tracker
from analysis.terrain.points import PointFiles, ground_points, joined

__all__ = ["boxes_along", "point_boxes", "read_points", "strip_levels"]

_BOX_M = 100.0
_ALONG_M, _LANE_M = 10.0, 2.0
_LEAST_OF_A_STRIP = 4
_SCARCE_M = 2.0


def boxes_along(road: Road, half_width_m: float) -> Floats:
    """Return boxes (k, 4) west, south, east, north that cover a corridor, metres."""
    count = max(1, int(np.ceil(road.length_m / _BOX_M)))
    tracker = Tracker(road)
    piece = np.minimum((tracker.seed_s / road.length_m * count).astype(int), count - 1)
    first = np.searchsorted(piece, np.arange(count))
    low = np.minimum.reduceat(tracker.seed_xy, first) - half_width_m - SEED_STEP_M
    high = np.maximum.reduceat(tracker.seed_xy, first) + half_width_m + SEED_STEP_M
    return np.asarray(np.hstack([low, high]))


def point_boxes(sideways_m: float, stations: int) -> Floats:
    """Return box widths (n, 2) of a point: two equal boxes with its sideways variance.

    Two boxes of width w have the variance w² / 6, and come close to a normal error.
    """
    return np.full((stations, 2), np.sqrt(6.0) * sideways_m)


def read_points(
    survey: PointFiles,
    road: Road,
    half_width_m: float,
    pavement_m: float,
    progress: Progress | None = None,
) -> Cells:
    """Read the ground points along a road, strips brought to one level.

    Parameters
    ----------
    survey : PointFiles
    road : Road
    half_width_m : float
        Largest distance from the line, metres.
    pavement_m : float
        Usual width of the pavement, where strips are compared.
    progress : callable, optional
        Called between chunks; may raise `Cancelled`.

    Raises
    ------
    TerrainError
        No ground point near the road, or a file can't be read.
    """
    tracker = Tracker(road)
    places, parts = [], []
    for points in ground_points(survey, boxes_along(road, half_width_m), progress):
        away, _ = tracker.seeds.query(
            np.column_stack([points.x, points.y]), distance_upper_bound=half_width_m + SEED_STEP_M
        )
        points = points.part(np.isfinite(away))
        s, o = tracker.to_road(points.x, points.y)
        kept = (np.abs(o) <= half_width_m) & (s >= 0.0) & (s <= road.length_m)
        if kept.any():
            places.append(np.column_stack([s[kept], o[kept]]))
            parts.append(points.part(kept))
    if not parts:
        raise TerrainError(
            f'The points of {survey.paths[0]} have no ground near the road "{road.name}" (within '
            f"{half_width_m:g} m); check that the road lies on them."
        )
    s, o = np.concatenate(places).T
    order = np.argsort(s, kind="stable")
    s, o, points = s[order], o[order], joined(parts).part(order)
    strips, strip = np.unique(points.strip, return_inverse=True)
    near = np.abs(o) <= 0.5 * pavement_m
    levels = strip_levels(s, o, points.z, strip, near)
    room = _room_m(s[near], pavement_m)
    west, north = float(points.x.min()), float(points.y.max())
    return Cells(
        s,
        o,
        points.z - levels[strip],
        ((north - points.y) / room).astype(np.int32),
        ((points.x - west) / room).astype(np.int32),
        room,
        lattice=(room, 0.0, west, 0.0, -room, north),
        intensity=_evened(points.intensity, strip, len(strips), near),
    )


def strip_levels(s: Floats, o: Floats, z: Floats, strip: NDArray[np.int64], near: Bools) -> Floats:
    """Return how far each strip stands above the mean of those that it meets, metres.

    Where strips meet on the pavement, short pieces of one lane are fitted by a surface that bends
    across, with a level of its own for each strip; all pieces together give the levels by least
    squares. A strip that meets no other stays as it is.

    Parameters
    ----------
    s, o, z : (m,)
        Points sorted along the road.
    strip : (m,) int
        Strip of each point, from 0.
    near : (m,) bool
        Points of the pavement.

    Returns
    -------
    (k,) ndarray
        One level a strip.
    """
    count = int(strip.max()) + 1
    normal, pull = np.zeros((count, count)), np.zeros(count)
    if count == 1:
        return pull
    s, o, z, strip = s[near], o[near], z[near], strip[near]
    piece = np.floor(s / _ALONG_M).astype(np.int64) * 1000 + np.floor(o / _LANE_M).astype(np.int64)
    order = np.argsort(piece, kind="stable")
    first = np.flatnonzero(np.diff(piece[order], prepend=np.iinfo(np.int64).min))
    for here in np.split(order, first[1:]):
        names, own, hits = np.unique(strip[here], return_inverse=True, return_counts=True)
        enough = (hits >= _LEAST_OF_A_STRIP)[own]
        if (hits >= _LEAST_OF_A_STRIP).sum() < 2:
            continue
        here, own = here[enough], own[enough]
        of = (own[:, None] == np.unique(own)).astype(float)
        x, t = (v[here] - v[here].mean() for v in (o, s))
        bend, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x, x * x, t]))
        apart, height = of - bend @ (bend.T @ of), z[here] - z[here].mean()
        height = height - bend @ (bend.T @ height)
        level = np.linalg.lstsq(apart, height, rcond=1e-6)[0]
        rest = height - apart @ level
        variance = (1.4826 * np.median(np.abs(rest))) ** 2 + 1e-8
        at = names[np.unique(own)]
        normal[np.ix_(at, at)] += apart.T @ apart / variance
        pull[at] += apart.T @ height / variance
    return np.asarray(np.linalg.pinv(normal, rcond=1e-9, hermitian=True) @ pull)


def _room_m(s: Floats, pavement_m: float) -> float:
    """Side of the square that a point of the pavement has to itself, where points are scarce."""
    if not len(s):
        return _SCARCE_M
    counts = np.bincount(((s - s[0]) / _ALONG_M).astype(np.int64))
    density = float(np.quantile(counts[counts > 0], 0.25)) / (_ALONG_M * pavement_m)
    return float(1.0 / np.sqrt(density))


def _evened(
    intensity: NDArray[np.float32], strip: NDArray[np.int64], strips: int, near: Bools
) -> Floats | None:
    """Intensities relative to the usual one of their strip on the pavement; None without any.

    Strips differ in range and gain.
    """
    out = intensity.astype(np.float64)
    for k in range(strips):
        own = strip == k
        seen = out[own & near] if (own & near).any() else out[own]
        usual = float(np.median(seen))
        out[own] = out[own] / usual if usual > 0.0 else np.nan
    return out if np.isfinite(out).any() and np.ptp(out[np.isfinite(out)]) > 0.0 else None
