"""The way into the corridor: from a road and what was set to the ground along it."""

from __future__ import annotations

from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.types import Progress, share_of
from analysis.corridor.points import point_boxes, read_points
from analysis.corridor.ribbon import footprint, read_corridor
from analysis.corridor.values import Case, Extras, Ground
from analysis.road.roadline import Road, frames, station_grid
from analysis.terrain.grid import Terrain

__all__ = ["lay_out", "read"]


def lay_out(grid: Terrain, road: Road, settings: Settings, limits: Limits, extras: Extras) -> Case:
    """Lay stations out along a road; nothing of the grid is read yet."""
    s = station_grid(road, settings.spacing_m)
    if extras.points is None:
        box_m = footprint(grid, frames(road, s))
    else:
        box_m = point_boxes(extras.points.sideways_m, len(s))
    return Case(grid, road, s, box_m, settings, limits, extras)


def read(case: Case, progress: Progress | None = None) -> Ground:
    """Read the ground along a road.

    Raises
    ------
    TerrainError
        No height anywhere near the road, the file can't be read, or heights that must be feet
        read as metres.
    """
    half_m, points = case.settings.half_width_m, case.extras.points
    if points is None:
        return Ground(*read_corridor(case.grid, case.road, half_m, progress=progress))
    _, ribbon = read_corridor(case.grid, case.road, half_m, progress=share_of(progress, 0.0, 0.5))
    pavement_m = case.settings.pavement_width_m
    report = share_of(progress, 0.5, 1.0)
    return Ground(read_points(points, case.road, half_m, pavement_m, report), ribbon)
