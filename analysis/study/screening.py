"""The whole job as one readable pipeline: grid and centreline in, findings out.

`screen` measures every road and judges it; `rejudge` judges again under other limits without
measuring; `remeasure` measures one road again after a person corrected its breaks.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import accumulate
from typing import Any

from analysis.common.errors import RoadError
from analysis.common.limits import Limits, default_limits
from analysis.common.settings import Settings
from analysis.common.table import Table
from analysis.common.types import Progress, RoadProgress, on_road, share_of
from analysis.corridor.door import lay_out, read
from analysis.corridor.values import Case, Extras, Ground
from analysis.findings.geopackage import Findings
from analysis.road.roadline import Road
from analysis.study.corrections import corrected, given_breaks
from analysis.study.job import limits_record, run_record
from analysis.study.measuring import Step, run
from analysis.study.tables import gather
from analysis.study.values import RoadStudy, Study
from analysis.terrain.grid import Terrain
from analysis.verdict.door import judge
from analysis.verdict.values import Measured

__all__ = ["rejudge", "remeasure", "screen"]


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
) -> Study:
    """Screen roads on a terrain grid.

    Parameters
    ----------
    grid
        The terrain, as `terrain.open_terrain` gives it.
    roads
        Centrelines in the grid's working plane, as `alignment.read_roads` gives them.
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

    Raises
    ------
    RoadError, TerrainError
        If nothing can be measured.
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
    total, done, parts = sum(road.length_m for road in roads), 0.0, []
    for road in roads:
        start, done = done, done + road.length_m
        report = share_of(on_road(progress, road.name), start / total, done / total)
        report(0.0, "reading the terrain")
        case = lay_out(grid, road, settings, limits, extras)
        ground = read(case, share_of(report, 0.0, 0.35))
        fixed = given_breaks(road, case.s, extras)
        measured = run(case, ground, fixed, progress=share_of(report, 0.35, 0.95))
        part = _road_study(case, ground, measured, edits, progress=share_of(report, 0.95, 1.0))
        parts.append(part)
    record = run_record(parts, sources or {})
    record["seconds"] = round(time.perf_counter() - started, 3)
    return _study(parts, record, edits)


def rejudge(study: Study, limits: Limits) -> Study:
    """Judge what was measured under other limits.

    Nothing is measured again, unless the length of the straightedge changed: ruts and ridges are
    what it makes them.

    Examples
    --------
    See `analysis` for one that acts on less certainty; here an agency takes flatter shoulders:

    >>> from analysis import Settings, open_terrain, read_roads, rejudge, sample_files, screen
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> study = screen(grid, read_roads(centrelines, grid)[1:], Settings(spacing_m=20.0))
    >>> flatter = rejudge(study, study.limits.with_value("shoulder_least_pct", 2.0))
    >>> def failing(study):
    ...     return int((study.findings.stations["verdict"] == "won't shed").sum())
    >>> failing(flatter) < failing(study)
    True
    """
    cases = [replace(part.case, limits=limits) for part in study.roads]
    found = study.findings
    if limits.shape.straightedge_m.value == study.limits.shape.straightedge_m.value:
        judged = judge(cases, [part.measured for part in study.roads])
        rows = zip(study.roads, cases, judged, strict=True)
        parts = [replace(part, case=case, judged=own) for part, case, own in rows]
    else:
        parts = [
            _laid_again(part, case, found.edits)
            for part, case in zip(study.roads, cases, strict=True)
        ]
    again = _study(parts, {**found.run, **limits_record(limits)}, found.edits, found)
    return replace(again, findings=replace(again.findings, reviews=found.reviews))


def _laid_again(part: RoadStudy, case: Case, edits: Table) -> RoadStudy:
    """One road with another length of straightedge."""
    before = part.uncorrected or part.measured
    measured = run(case, part.ground, before.fixed, before, start=Step.SHOULDER)
    return _road_study(case, part.ground, measured, edits)


def remeasure(
    study: Study, road_index: int, edits: Table, *, progress: RoadProgress | None = None
) -> Study:
    """Measure one road again around a person's corrections; the grid isn't read again.

    Parameters
    ----------
    study
        The study to start from.
    road_index
        Which road.
    edits
        All corrections that hold from now on, of every road.

    Examples
    --------
    The right pavement edge at 100 m lies 3.2 m from the centreline, somebody says:

    >>> import numpy as np
    >>> from analysis import Settings, Table, open_terrain, read_roads, sample_files
    >>> from analysis import remeasure, screen
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> study = screen(grid, read_roads(centrelines, grid)[1:], Settings(spacing_m=20.0))
    >>> edit = {"road": "Quillhanger Lane", "distance_m": 100.0, "side": "right"}
    >>> edit |= {"what": "edge", "u_m": 3.2}
    >>> edits = Table({name: np.array([value]) for name, value in edit.items()})
    >>> stations = remeasure(study, 0, edits).findings.stations
    >>> here = (stations["distance_m"] == 100.0) & (stations["side"] == "right")
    >>> stations["edge_offset_m"][here].tolist()
    [3.2]
    """
    before, found = study.roads[road_index], study.findings
    report = on_road(progress, before.road.name)
    measured = before.uncorrected or before.measured
    part = _road_study(before.case, before.ground, measured, edits, before, report)
    parts = [*study.roads[:road_index], part, *study.roads[road_index + 1 :]]
    again = _study(parts, found.run, edits)
    return replace(again, findings=replace(again.findings, reviews=found.reviews))


def _road_study(
    case: Case,
    ground: Ground,
    measured: Measured,
    edits: Table | None,
    before: RoadStudy | None = None,
    progress: Progress | None = None,
) -> RoadStudy:
    """One road, corrected and judged; `before` is what was known of it before these corrections."""
    report = share_of(progress, 0.0, 1.0)
    now = corrected(case, ground, measured, edits, before, share_of(progress, 0.0, 0.9))
    report(0.9, "judging")
    (judged,) = judge([case], [now])
    report(1.0, "done")
    return RoadStudy(case, ground, now, judged, None if now is measured else measured)


def _study(
    parts: Sequence[RoadStudy],
    record: Mapping[str, Any],
    edits: Table | None,
    before: Findings | None = None,
) -> Study:
    """All roads, their rows numbered, with the findings made of them."""
    sizes = accumulate((2 * len(part.s) for part in parts), initial=0)
    numbered = tuple(replace(part, first_row=row) for part, row in zip(parts, sizes, strict=False))
    return Study(numbered, gather(numbered, record, edits, before))
