"""Lines cut to what a grid can tell of: no vertex by the millimetre, no hundred miles beyond it.

A line stays as it was drawn unless it would only cost time and memory.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.common.errors import RoadError
from analysis.common.types import Floats
from analysis.road.roadline import Road, distances
from analysis.terrain.grid import Terrain

__all__ = ["BEYOND_M", "check_drawn", "stretches_on", "thinned"]

BEYOND_M = 1000.0
"""How far beyond the grid a road is still followed, as "no data", metres."""

# a section is squared to a chord of metres: nothing finer than this shows in it
_CLOSEST_M = 0.1
# a road that covers the whole of its own surroundings, strip beside strip, is a scribble
_STRIP_M = 4.0
_SURROUNDINGS_M = 20.0


def check_drawn(name: str, xy: Floats) -> None:
    """Refuse a line that fills the place it lies in, as a pen does that never leaves the paper.

    Parameters
    ----------
    name : str
    xy : (m, 2) float64
        Vertices, metres.

    Raises
    ------
    RoadError
        The line is longer than a road could be there.
    """
    length_m = float(distances(xy)[-1])
    wide, high = np.ptp(xy, axis=0) + 2.0 * _SURROUNDINGS_M
    if length_m * _STRIP_M > wide * high:
        raise RoadError(
            f'The line of "{name}" is {length_m / 1000:.0f} km long within {wide:.0f} by '
            f"{high:.0f} m, so it runs over itself again and again; draw the centreline once, or "
            "smooth the track."
        )


def thinned(xy: Floats, measure: Floats | None) -> tuple[Floats, Floats | None]:
    """Leave out vertices that crowd, of a line that has them by the millimetre.

    Parameters
    ----------
    xy : (m, 2) float64
        Vertices, metres.
    measure : (m,) float64, optional
        Station labels at the vertices.

    Returns
    -------
    xy, measure
        The same arrays unless half of the segments are shorter than 100 mm. Else the first and
        last vertex and those between that lie at least so far from the last one kept.

    Examples
    --------
    >>> import numpy as np
    >>> dense = np.column_stack([np.linspace(0.0, 7.0, 1001), np.zeros(1001)])
    >>> len(thinned(dense, None)[0])
    68
    """
    if len(xy) < 3 or np.median(np.hypot(*np.diff(xy, axis=0).T)) >= _CLOSEST_M:
        return xy, measure
    kept, (x, y) = [0], xy[0].tolist()
    for number, (px, py) in enumerate(xy[1:-1].tolist(), start=1):
        if math.hypot(px - x, py - y) >= _CLOSEST_M:
            kept.append(number)
            x, y = px, py
    kept.append(len(xy) - 1)
    return xy[kept], None if measure is None else measure[kept]


def stretches_on(road: Road, terrain: Terrain) -> list[tuple[float, float]]:
    """Return the stretches of a road that lie on a grid or not far beyond it.

    Parameters
    ----------
    road : Road
    terrain : Terrain

    Returns
    -------
    list of (float, float)
        Distances along the road of begin and end, in order; each reaches `BEYOND_M` beyond the
        grid, and stretches that meet there are one.
    """
    row, col = terrain.to_grid(road.xy[:, 0], road.xy[:, 1])
    low, high = np.zeros(len(row) - 1), np.ones(len(row) - 1)
    for at, count in ((row, terrain.rows), (col, terrain.cols)):
        # where each segment enters and leaves the strip, as shares of it (Liang and Barsky 1984)
        step = np.diff(at)
        with np.errstate(divide="ignore", invalid="ignore"):
            first, last = (-0.5 - at[:-1]) / step, (count - 0.5 - at[:-1]) / step
        inside = (at[:-1] >= -0.5) & (at[:-1] <= count - 0.5)
        first = np.where(step == 0, np.where(inside, 0.0, 2.0), first)
        last = np.where(step == 0, np.where(inside, 1.0, 2.0), last)
        low = np.maximum(low, np.minimum(first, last))
        high = np.minimum(high, np.maximum(first, last))
    length = np.diff(road.distance)
    found: list[tuple[float, float]] = []
    for k in np.flatnonzero(low <= high):
        begin = max(float(road.distance[k] + low[k] * length[k]) - BEYOND_M, 0.0)
        end = min(float(road.distance[k] + high[k] * length[k]) + BEYOND_M, road.length_m)
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found
