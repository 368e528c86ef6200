"""The whole job as one readable pipeline: grid and centreline in, findings out.

What comes later, other limits or a person's corrections, starts from what it found (`judging`).
"""

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from analysis.common.errors import RoadError, VergelineError
from analysis.common.hands import ABREAST, started
from analysis.common.limits import Limits, default_limits
from analysis.common.settings import Settings
from analysis.common.table import Table
from analysis.common.types import RoadProgress, on_road, share_of, shares_of_one
from analysis.corridor import Extras, lay_out
from analysis.road.roadline import Road
from analysis.study.job import run_record, terrain_sum, told_of
from analysis.study.judging import road_study
from analysis.study.pieces import measured_of
from analysis.study.tables import gather
from analysis.study.values import RoadStudy, Study
from analysis.study.warm_up import note_run
from analysis.terrain.grid import Terrain

__all__ = ["screen", "screen_again"]


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
    since = time.perf_counter()
    settings = settings or Settings()
    limits = limits or default_limits(settings.surface)
    extras = extras or Extras()
    if not roads:
        raise RoadError("There is no road to screen: choose a layer with at least one centreline.")
    cases = [(grid, road, settings, limits, extras) for road in roads]
    parts, lost = [], []
    summed = started(partial(terrain_sum, grid))
    screened = _screened(cases, edits, progress, pieces_abreast)
    for road, one in zip(roads, screened, strict=True):
        if isinstance(one, VergelineError):
            lost.append((road, one))
        else:
            parts.append(one)
    if not parts:
        raise lost[0][1]
    told_of_roads = [told_of(part) for part in parts]
    record = run_record(parts[0].case, told_of_roads, sources or {}, lambda _: summed())
    if lost:
        record["roads_failed"] = [f"{road.name}: {why}" for road, why in lost]
    record["seconds"] = round(time.perf_counter() - since, 3)
    note_run()
    return gather(parts, record, edits, lost=[(road, str(why)) for road, why in lost])


def screen_again(
    study: Study,
    settings: Settings,
    edits: Table | None = None,
    *,
    progress: RoadProgress | None = None,
    pieces_abreast: int = ABREAST,
) -> Study:
    """Screen again the roads whose own widths are others, and leave all else as it is.

    The same comes out as if all roads were screened with these settings.

    Parameters
    ----------
    study
        The study to start from.
    settings
        Those of the study but for widths of single roads (`Settings.roads_apart`).
    edits, progress, pieces_abreast
        As for `screen`.

    Raises
    ------
    ValueError
        If more than that is other.
    VergelineError
        If one of these roads can't be measured.
    Cancelled
        If `progress` raised it; nothing was changed.
    """
    since = time.perf_counter()
    apart = study.settings.roads_apart(settings)
    if apart is None:
        raise ValueError("these settings change more than the widths of single roads")
    numbers = [k for k, part in enumerate(study.roads) if part.road.name in apart]
    parts = [replace(part, case=replace(part.case, settings=settings)) for part in study.roads]
    cases = [parts[k].case for k in numbers]
    given = [(case.grid, case.road, settings, case.limits, case.extras) for case in cases]
    summed = started(partial(terrain_sum, parts[0].case.grid))
    for k, one in zip(numbers, _screened(given, edits, progress, pieces_abreast), strict=True):
        if isinstance(one, VergelineError):
            raise one
        parts[k] = one
    found, case = study.findings, parts[0].case
    told_of_roads = [told_of(part) for part in parts]
    record = {**found.run, **run_record(case, told_of_roads, {}, lambda _: summed())}
    record["seconds"] = round(time.perf_counter() - since, 3)
    return gather(parts, record, edits, found, moved=True)


def _screened(
    given: Sequence[tuple[Terrain, Road, Settings, Limits, Extras]],
    edits: Table | None,
    progress: RoadProgress | None,
    pieces_abreast: int,
) -> Iterator[RoadStudy | VergelineError]:
    """Roads from the ground up, or why one can't be; `given` is what `lay_out` takes of each."""
    told = shares_of_one(progress, [road.length_m for _, road, *_ in given])
    reports = [on_road(tell, road.name) for tell, (_, road, *_) in zip(told, given, strict=True)]
    cases = (lay_out(*one) for one in given)
    shares = (share_of(report, 0.0, 0.95) for report in reports)
    for one, report in zip(measured_of(cases, shares, pieces_abreast), reports, strict=True):
        if isinstance(one, VergelineError):
            yield one
        else:
            yield road_study(*one, edits, progress=share_of(report, 0.95, 1.0))
