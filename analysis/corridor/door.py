"""The way into the corridor: from a road and what was set to the ground along it."""

from __future__ import annotations

from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.types import Progress
from analysis.corridor.ribbon import footprint, read_corridor
from analysis.corridor.values import Case, Extras, Ground
from analysis.road.roadline import Road, frames, station_grid
from analysis.terrain.grid import Terrain

__all__ = ["lay_out", "read"]


def lay_out(grid: Terrain, road: Road, settings: Settings, limits: Limits, extras: Extras) -> Case:
    """Lay stations out along a road; nothing of the grid is read yet."""
    s = station_grid(road, settings.spacing_m)
    return Case(grid, road, s, footprint(grid, frames(road, s)), settings, limits, extras)


def read(case: Case, progress: Progress | None = None) -> Ground:
    """Read the ground along a road.

    Raises
    ------
    TerrainError
        No height anywhere near the road, the file can't be read, or heights that must be feet
        read as metres.
    """
    return Ground(
        *read_corridor(case.grid, case.road, case.settings.half_width_m, progress=progress)
    )
