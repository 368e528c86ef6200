"""Ground points along a road in the place of cells: where they are, and strips brought level.

A point is the ground at one place, known sideways to its horizontal error only; that error is the
footprint with which a step or kink is seen. The room of a point takes the place of a cell's area.
"""

from __future__ import annotations

import numpy as np

from analysis.common.errors import NoGroundError, TerrainError
from analysis.common.types import Floats, Progress
from analysis.corridor.strips import StripTally
from analysis.corridor.values import Case, Cells, Strips
from analysis.road.roadline import SEED_STEP_M, Road, Tracker
from analysis.terrain.points import Points, ground_points, joined, no_points

__all__ = ["boxes_along", "point_boxes", "read_points", "strips_along"]

_BOX_M = 100.0
_STRETCH_M = 2000.0


def boxes_along(road: Road, half_width_m: float, span: tuple[float, float] | None = None) -> Floats:
    """Return boxes (k, 4) west, south, east, north that cover a corridor, metres.

    With a `span`, only those that any of the road from there to there lies in.
    """
    count = max(1, int(np.ceil(road.length_m / _BOX_M)))
    tracker = Tracker(road)
    piece = np.minimum((tracker.seed_s / road.length_m * count).astype(int), count - 1)
    first = np.searchsorted(piece, np.arange(count))
    low = np.minimum.reduceat(tracker.seed_xy, first) - half_width_m - SEED_STEP_M
    high = np.maximum.reduceat(tracker.seed_xy, first) + half_width_m + SEED_STEP_M
    boxes = np.asarray(np.hstack([low, high]))
    if span is None:
        return boxes
    begin, end = (np.floor(at / road.length_m * count) for at in span)
    return boxes[max(int(begin) - 1, 0) : int(end) + 2]


def point_boxes(sideways_m: float, stations: int) -> Floats:
    """Return box widths (n, 2) of a point: two equal boxes with its sideways variance.

    Two boxes of width w have the variance w² / 6, and come close to a normal error.
    """
    return np.full((stations, 2), np.sqrt(6.0) * sideways_m)


def strips_along(case: Case) -> Strips:
    """Learn what the strips along a whole road have in common, however long it is.

    The road is walked in stretches, so that no more than the points of one are held.

    Raises
    ------
    NoGroundError
        No ground point near the road.
    TerrainError
        A file can't be read.
    """
    road, tally = case.road, StripTally()
    bounds = np.arange(0.0, road.length_m, _STRETCH_M).tolist()
    tracker = Tracker(road)
    for low, high in zip(bounds, [*bounds[1:], np.inf], strict=True):
        s, o, points = _near(case, tracker, (low, high), None)
        tally.add(s, o, points, case.pavement_width_m)
    if not tally:
        raise _none_near(case)
    return tally.told(case.pavement_width_m)


def read_points(
    case: Case, span: tuple[float, float] | None = None, progress: Progress | None = None
) -> Cells:
    """Read the ground points along a road, strips brought to one level.

    Parameters
    ----------
    case
        The road, its survey, and, for a piece, what the whole road's strips have in common.
    span : (float, float), optional
        Part of the road to read, distances; default all of it.
    progress : callable, optional
        Called between chunks; may raise `Cancelled`.

    Raises
    ------
    NoGroundError
        No ground point near the road, or near that part of it.
    TerrainError
        A file can't be read.
    """
    s, o, points = _near(case, Tracker(case.road), span, progress)
    if not len(s):
        raise _none_near(case)
    strips = case.strips
    if strips is None:
        tally = StripTally()
        tally.add(s, o, points, case.pavement_width_m)
        strips = tally.told(case.pavement_width_m)
    own, room = np.searchsorted(strips.ids, points.strip), strips.room_m
    if not np.array_equal(strips.ids[np.minimum(own, len(strips.ids) - 1)], points.strip):
        raise TerrainError(
            f'The points along the road "{case.road.name}" changed while they were read; leave '
            "their files alone and start again."
        )
    west, north = strips.corner
    bright = points.intensity / strips.usual[own] if strips.bright else None
    return Cells(
        s,
        o,
        points.z - strips.level_m[own],
        ((north - points.y) / room).astype(np.int32),
        ((points.x - west) / room).astype(np.int32),
        room,
        lattice=(room, 0.0, west, 0.0, -room, north),
        intensity=bright,
    )


def _near(
    case: Case, tracker: Tracker, span: tuple[float, float] | None, progress: Progress | None
) -> tuple[Floats, Floats, Points]:
    """Ground points along a part of the road, sorted along it: distances, offsets, and they."""
    survey, road, half_m = case.extras.points, case.road, case.settings.half_width_m
    assert survey is not None
    low, high = (0.0, road.length_m) if span is None else (span[0], min(span[1], road.length_m))
    places, parts = [np.empty((0, 2))], [no_points()]
    boxes = boxes_along(road, half_m, (low, high))
    for points in ground_points(survey, boxes, progress):
        away, _ = tracker.seeds.query(
            np.column_stack([points.x, points.y]), distance_upper_bound=half_m + SEED_STEP_M
        )
        points = points.part(np.isfinite(away))
        s, o = tracker.to_road(points.x, points.y)
        kept = (np.abs(o) <= half_m) & (s >= low)
        kept &= (s < high) if high < road.length_m else (s <= high)
        if kept.any():
            places.append(np.column_stack([s[kept], o[kept]]))
            parts.append(points.part(kept))
    s, o = np.concatenate(places).T
    order = np.argsort(s, kind="stable")
    return s[order], o[order], joined(parts).part(order)


def _none_near(case: Case) -> NoGroundError:
    survey = case.extras.points
    assert survey is not None
    return NoGroundError(
        f'The points of {survey.paths[0]} have no ground near the road "{case.road.name}" (within '
        f"{case.settings.half_width_m:g} m); check that the road lies on them."
    )
