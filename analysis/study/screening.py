"""The whole job as one readable pipeline: grid and centreline in, findings out.

What comes later, other limits or a person's corrections, starts from what it found (`judging`).
"""

import time
from collections.abc import Mapping, Sequence
from typing import Any

from analysis.common.errors import RoadError, VergelineError
from analysis.common.hands import ABREAST
from analysis.common.limits import Limits, default_limits
from analysis.common.settings import Settings
from analysis.common.table import Table
from analysis.common.types import RoadProgress, on_road, share_of, shares_of_one
from analysis.corridor import Extras, lay_out
from analysis.road.roadline import Road
from analysis.study.job import run_record, told_of
from analysis.study.judging import road_study
from analysis.study.pieces import measured_of
from analysis.study.tables import gather
from analysis.study.values import Study
from analysis.study.warm_up import note_run
from analysis.terrain.grid import Terrain

__all__ = ["screen"]


def screen(
    grid: Terrain,
    roads: Sequence[Road],
    settings: Settings | None = None,
    limits: Limits | None = None,
    *,
    extras: Extras | None = None,
    edits: Table | None = None,
    sources: Mapping[str, Any] | None = None,
    progress: RoadProgress | None = None,
    pieces_abreast: int = ABREAST,
) -> Study:
    """Screen roads on a terrain grid.

    Parameters
    ----------
    grid
        The terrain, as `grid.open_terrain` gives it.
    roads
        Centrelines in the grid's working plane, as `read_roads.read_roads` gives them.
    settings, limits
        None takes the defaults.
    extras
        Mask, edge lines, widths and culverts.
    edits
        A person's corrections of breaks (`common.columns.EDIT_COLUMNS`).
    sources
        What to keep in the run record about where the roads came from.
    progress
        Called with the share done, a few words and the road's name; raise `Cancelled` to stop.
    pieces_abreast
        How many pieces of road are measured side by side at most, where there are cores for them.

    Raises
    ------
    VergelineError
        If nothing can be measured. A road that can't be is recorded with its sentence among the
        findings' roads, and the rest is done.
    Cancelled
        If `progress` raised it; nothing was changed.

    Examples
    --------
    >>> from analysis import Settings, open_terrain, read_roads, sample_files, screen
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> lane = read_roads(centrelines, grid)[1]
    >>> study = screen(grid, [lane], Settings(spacing_m=20.0))
    >>> print(*sorted(set(study.findings.stations["verdict"])), sep=", ")
    can't tell, sheds, won't shed
    """
    started = time.perf_counter()
    settings = settings or Settings()
    limits = limits or default_limits(settings.surface)
    extras = extras or Extras()
    if not roads:
        raise RoadError("There is no road to screen: choose a layer with at least one centreline.")
    told = shares_of_one(progress, [road.length_m for road in roads])
    reports = [on_road(tell, road.name) for tell, road in zip(told, roads, strict=True)]
    cases = (lay_out(grid, road, settings, limits, extras) for road in roads)
    shares = (share_of(report, 0.0, 0.95) for report in reports)
    parts, lost = [], []
    measured = measured_of(cases, shares, pieces_abreast)
    for road, one, report in zip(roads, measured, reports, strict=True):
        if isinstance(one, VergelineError):
            lost.append((road, one))
        else:
            parts.append(road_study(*one, edits, progress=share_of(report, 0.95, 1.0)))
    if not parts:
        raise lost[0][1]
    record = run_record(parts[0].case, [told_of(part) for part in parts], sources or {})
    if lost:
        record["roads_failed"] = [f"{road.name}: {why}" for road, why in lost]
    record["seconds"] = round(time.perf_counter() - started, 3)
    note_run()
    return gather(parts, record, edits, lost=[(road, str(why)) for road, why in lost])
