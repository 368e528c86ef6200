"""Heights relative to the pavement, for looking at: along the ribbon, and laid back on the map.

On shaded terrain a shoulder that stands 3 cm too high can't be seen; as height above the plane of
the pavement beside it, it can.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import average_along, interpolate_along, rows_for
from analysis.common.types import Floats
from analysis.road.roadline import SEED_STEP_M, Tracker

if TYPE_CHECKING:
    from analysis.study.values import RoadStudy
    from analysis.terrain.grid import Terrain

__all__ = ["Fall", "Relief", "display_range", "fall_between", "pavement_heights", "relief_on_map"]


# Pixels of one block that is asked as a whole whether it lies near the road.
_BLOCK = 16


@dataclass(frozen=True, slots=True)
class Relief:
    """Ground relative to the pavement on a road-aligned grid.

    Attributes
    ----------
    s : (n,) float64
        Distance along the road, ascending, metres.
    o : (k,) float64
        Offset, right positive, ascending, metres.
    height_cm : (n, k) float64
        Ground minus the pavement plane of that side, carried on outward from the crown;
        centimetres, NaN unknown.
    """

    s: Floats
    o: Floats
    height_cm: Floats


@dataclass(frozen=True, slots=True)
class Fall:
    """Distance and fall from one point of the ground to another.

    Attributes
    ----------
    distance_m : float
        Along the plane, metres.
    fall_m : float
        Positive where the second point is lower; NaN where a height is unknown.
    slope_pct : float
        Fall over distance; NaN for points on top of each other.
    """

    distance_m: float
    fall_m: float
    slope_pct: float


def fall_between(terrain: Terrain, start: tuple[float, float], end: tuple[float, float]) -> Fall:
    """Measure the ground between two points of the plane, with bilinear heights.

    Parameters
    ----------
    terrain : Terrain
        The grid.
    start, end : tuple of float
        x and y in metres of the working plane.

    Returns
    -------
    Fall
    """
    distance = math.hypot(end[0] - start[0], end[1] - start[1])
    first, last = (_height_at(terrain, point) for point in (start, end))
    fall = first - last
    return Fall(distance, fall, 100.0 * fall / distance if distance else math.nan)


def _height_at(terrain: Terrain, point: tuple[float, float]) -> float:
    from analysis.terrain.grid import read_window

    row, col = (float(value) for value in terrain.to_grid(*point))
    row0, col0 = math.floor(row), math.floor(col)
    z = read_window(terrain, row0, row0 + 2, col0, col0 + 2)
    r, c = row - row0, col - col0
    return float(np.array([1.0 - r, r]) @ z @ np.array([1.0 - c, c]))


def display_range(z: NDArray[np.floating]) -> tuple[float, float]:
    """Lowest and highest elevation to tint, without the outermost two percent at each end.

    Parameters
    ----------
    z : array
        Heights in metres, NaN unknown.

    Returns
    -------
    low, high : float
        NaN where nothing is known.
    """
    known = z[np.isfinite(z)]
    if known.size == 0:
        return math.nan, math.nan
    low, high = np.percentile(known, [2.0, 98.0])
    return float(low), float(high)


def pavement_heights(part: RoadStudy, *, average_m: float = 5.0) -> Relief:
    """Heights of one road's ribbon above the plane of its pavement.

    The plane of a side passes through the pavement edge with the pavement's measured cross slope;
    between stations its edge height, edge place and slope are interpolated along the road.

    Parameters
    ----------
    part : RoadStudy
        A measured road.
    average_m : float, default 5
        Length along the road that heights are averaged over, so that the noise of single cells
        doesn't hide a few centimetres; 0 leaves them as they are.

    Returns
    -------
    Relief
        On the ribbon's own (s, o).
    """
    ribbon, s = part.ground.ribbon, part.s
    height = np.full(ribbon.z.shape, np.nan)
    axis = _along(ribbon.s, s, part.breaks.axis)
    for side, sign in enumerate((-1.0, 1.0)):
        edge_u = _along(ribbon.s, s, part.breaks.edge[:, side])
        edge_z = _along(ribbon.s, s, part.measures.edge_z_m[:, side])
        slope = _along(ribbon.s, s, part.measures.pavement_slope_pct[:, side]) / 100.0
        here = (ribbon.o[None, :] - axis[:, None]) * sign >= 0.0
        outward = sign * ribbon.o[None, :] - edge_u[:, None]
        plane = edge_z[:, None] - slope[:, None] * outward
        height = np.where(here, 100.0 * (ribbon.z - plane), height)
    if average_m > 0.0:
        averaged, _ = average_along(height, rows_for(average_m, ribbon.step_s))
        height = np.where(np.isnan(height), np.nan, averaged)
    return Relief(ribbon.s, ribbon.o, height)


def _along(at: Floats, s: Floats, values: Floats) -> Floats:
    """Interpolate along the road; beyond the outermost stations nothing is known."""
    inside = (at >= s[0]) & (at <= s[-1])
    return np.where(inside, interpolate_along(at, s, values), np.nan)


def relief_on_map(
    relief: Relief,
    tracker: Tracker,
    bounds: tuple[float, float, float, float],
    rows: int,
    cols: int,
) -> Floats | None:
    """Lay the relief on a north-up picture of the map (nearest ribbon cell).

    Parameters
    ----------
    relief : Relief
        What to lay out.
    tracker : Tracker
        The same road, prepared.
    bounds : tuple of float
        West, south, east, north of the picture, metres.
    rows, cols : int
        Size of the picture.

    Returns
    -------
    (rows, cols) float64 or None
        Centimetres, NaN off the ribbon; None where the picture misses the ribbon altogether.
    """
    west, south, east, north = bounds
    dx, dy = (east - west) / cols, (north - south) / rows
    reach = max(abs(float(relief.o[0])), abs(float(relief.o[-1])))
    half_block = 0.5 * _BLOCK * math.hypot(dx, dy)
    block_x = west + (np.arange(math.ceil(cols / _BLOCK)) + 0.5) * _BLOCK * dx
    block_y = north - (np.arange(math.ceil(rows / _BLOCK)) + 0.5) * _BLOCK * dy
    grid_x, grid_y = np.meshgrid(block_x, block_y)
    # The seeds stand closer together than twice their spacing to any foot of a point.
    away, _ = tracker.seeds.query(
        np.column_stack([grid_x.ravel(), grid_y.ravel()]),
        distance_upper_bound=reach + half_block + 2.0 * SEED_STEP_M,
    )
    near = np.isfinite(away).reshape(grid_x.shape)
    if not near.any():
        return None
    wanted = np.kron(near, np.ones((_BLOCK, _BLOCK), dtype=bool))[:rows, :cols]
    row, col = np.nonzero(wanted)
    s, o = tracker.to_road(west + (col + 0.5) * dx, north - (row + 0.5) * dy)
    step_s = _step(relief.s)
    step_o = _step(relief.o)
    with np.errstate(invalid="ignore"):
        i = np.rint((s - relief.s[0]) / step_s)
        k = np.rint((o - relief.o[0]) / step_o)
        on = (i >= 0) & (i < len(relief.s)) & (k >= 0) & (k < len(relief.o))
    picture = np.full((rows, cols), np.nan)
    i, k = i[on].astype(np.intp), k[on].astype(np.intp)
    picture[row[on], col[on]] = relief.height_cm[i, k]
    return picture


def _step(axis: Floats) -> float:
    return float(axis[-1] - axis[0]) / max(len(axis) - 1, 1) or 1.0
