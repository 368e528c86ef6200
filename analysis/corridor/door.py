"""The way into the corridor: from a road and what was set to the ground along it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.common.errors import NoGroundError
from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.types import Floats, Progress, share_of
from analysis.corridor.grain import estimate_grain, grain_of_points, smeared_boxes
from analysis.corridor.height_unit import check_height_unit
from analysis.corridor.made_up import made_up
from analysis.corridor.points import boxes_along, point_boxes, read_points
from analysis.corridor.repeated import put_together
from analysis.corridor.ribbon import FINEST_STEP_M, footprint, read_corridor
from analysis.corridor.values import Case, Cells, Extras, Grain, Ground, Ribbon, Unread
from analysis.road.roadline import Road, frames, station_grid
from analysis.terrain.grid import Terrain
from analysis.terrain.image import brightness_at
from analysis.terrain.point_grid import grid_of, is_plane_of

_AROUND_M = 20.0
"""A grid made of the points of a part of a road reaches so far beyond it: cells lean on others."""

BEAT_M = 10.0
"""How far the places lie apart that tell what goes on along a road: that of the stations of most
roads, which cost nothing more then."""

_USUAL_EACH_M = 5.0
"""What is usual along a road is told by places so far apart, wherever stations are."""

__all__ = ["as_made", "lay_out", "no_ground", "read", "smeared"]


def lay_out(grid: Terrain, road: Road, settings: Settings, limits: Limits, extras: Extras) -> Case:
    """Lay stations out along a road; nothing of the grid is read yet."""
    s = station_grid(road, settings.spacing_m)
    count = max(1, round(road.length_m / _USUAL_EACH_M))
    along = (np.arange(count) + 0.5) * road.length_m / count
    if extras.points is None:
        box_m, usual = (footprint(grid, frames(road, at)) for at in (s, along))
    else:
        box_m, usual = (point_boxes(extras.points.sideways_m, len(at)) for at in (s, along))
    return Case(
        grid,
        road,
        s,
        box_m,
        settings,
        limits,
        extras,
        usual_box_m=np.median(usual, axis=0),
        even_box_m=usual,
        beats=_beats(road, s, settings.spacing_m),
    )


def _beats(road: Road, s: Floats, spacing_m: float) -> Floats:
    """Places (b,) that tell what goes on along a road: about `BEAT_M` apart, whatever the spacing.

    Stations that lie closer are left out but for every so manieth, and between such as lie farther
    apart there are more.
    """
    closer, farther = max(1, round(BEAT_M / spacing_m)), max(1, round(spacing_m / BEAT_M))
    beats = station_grid(road, spacing_m * closer / farther)
    if not s.size or not beats.size:
        return s
    # those that are stations are so to the last place
    nearest = s[np.clip(np.searchsorted(0.5 * (s[1:] + s[:-1]), beats), 0, s.size - 1)]
    return np.where(np.abs(nearest - beats) < 1e-6, nearest, beats)


def read(
    case: Case, progress: Progress | None = None, *, span: tuple[float, float] | None = None
) -> Ground:
    """Read the ground along a road, or along the `span` of it only.

    What can't be read of it, as a tile that was cut off, is unknown (`Ground.unread`).

    Raises
    ------
    TerrainError
        No height anywhere near the road, the file can't be opened, or heights that must be in
        another unit (`check_height_unit`).
    """
    half_m, points = case.settings.half_width_m, case.extras.points
    unread: list[Unread] = []
    if points is None:
        try:
            cells, ribbon = read_corridor(
                case.grid,
                case.road,
                half_m,
                s_range=span,
                tracker=case.tracker,
                unread=unread,
                progress=progress,
            )
        except NoGroundError:
            # a piece of a road that can't be read isn't the same as one in a gap
            if span is None or not unread:
                raise
            return replace(no_ground(case, span), unread=Unread.joined(unread))
        return Ground(_seen(cells, case), ribbon, unread=Unread.joined(unread))
    none = None if span is None else no_ground(case, span)
    report = share_of(progress, 0.0, 0.5)
    try:
        grid = _grid_along(case, span)
        _, ribbon = read_corridor(
            grid, case.road, half_m, s_range=span, unread=unread, progress=report
        )
        check_height_unit(points, case.road, ribbon, grid.cell_m)
    except NoGroundError:
        # on a piece of a road points may go on where the grid has a gap, and the other way round
        if none is None:
            raise
        ribbon = none.ribbon
    report = share_of(progress, 0.5, 1.0)
    try:
        cells = read_points(case, span, report)
    except NoGroundError:
        if none is None or ribbon is none.ribbon:
            raise
        return replace(none, ribbon=ribbon, unread=Unread.joined(unread))
    return Ground(_seen(cells, case), ribbon, unread=Unread.joined(unread))


def _grid_along(case: Case, span: tuple[float, float] | None) -> Terrain:
    """The grid under a part of the road; made of its points where nobody gave one."""
    points = case.extras.points
    if points is None or not is_plane_of(points, case.grid):
        return case.grid
    low, high = (0.0, case.road.length_m) if span is None else span
    around = low - _AROUND_M, high + _AROUND_M
    return grid_of(points, boxes_along(case.road, case.settings.half_width_m + 1.0, around))


def no_ground(case: Case, span: tuple[float, float], *, cell_m: float | None = None) -> Ground:
    """The ground of a piece that lies wholly in a gap of the survey."""
    step, half_m = max(case.grid.cell_m, FINEST_STEP_M), case.settings.half_width_m
    low, high = span
    s = np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step
    across = np.floor(half_m / step + 1e-9)
    o = np.arange(-across, across + 1.0) * step
    none, nowhere = np.empty(0), np.empty(0, dtype=np.int32)
    if cell_m is None:
        cell_m = case.grid.cell_m if case.strips is None else case.strips.room_m
    cells = Cells(none, none, none, nowhere, nowhere, cell_m)
    return Ground(cells, Ribbon(s, o, np.full((len(s), len(o)), np.nan), step, step))


def _seen(cells: Cells, case: Case) -> Cells:
    """The same cells with their brightness from the image, where one is given."""
    if case.extras.image is None:
        return cells
    row, col = cells.row.astype(np.int64), cells.col.astype(np.int64)
    if cells.lattice is not None:
        a, b, c, d, e, f = cells.lattice
        place = case.grid.to_grid(
            a * (col + 0.5) + b * (row + 0.5) + c, d * (col + 0.5) + e * (row + 0.5) + f
        )
        row, col = (np.rint(v).astype(np.int64) for v in place)
    inside = (row >= 0) & (row < case.grid.rows) & (col >= 0) & (col < case.grid.cols)
    seen = np.full(len(cells), np.nan)
    seen[inside] = brightness_at(case.extras.image, case.grid, row[inside], col[inside])
    return replace(cells, intensity=seen if np.isfinite(seen).any() else None)


def smeared(case: Case, grain: Grain, every: int) -> Case:
    """The case with boxes as a grid smears them whose cells are put together of `every` a side."""

    def made(box_m: Floats | None) -> Floats | None:
        return None if box_m is None else smeared_boxes(every * box_m, grain)

    return replace(
        case,
        grain=grain,
        box_m=smeared_boxes(every * case.box_m, grain),
        usual_box_m=made(case.usual_box_m),
        even_box_m=made(case.even_box_m),
    )


def as_made(case: Case, ground: Ground, grain: Grain | None = None) -> tuple[Case, Ground]:
    """Tell how a grid was made: return its footprint, and the ground without what is made up.

    Points are the ground as it was surveyed: nothing is told of them. `grain` is what is known
    already, as for a piece of a longer road.
    """
    if case.extras.points is not None:
        return case, ground
    cells, per_m2 = put_together(ground.cells), case.settings.points_per_m2
    if grain is None:
        grain = estimate_grain(cells) if per_m2 is None else grain_of_points(per_m2)
    case = smeared(case, grain, cells.every)
    bridges = made_up(cells, grain)
    kept, left = (cells.part(chosen) for chosen in (~bridges, bridges))
    return case, replace(ground, cells=kept, made_up=left)
