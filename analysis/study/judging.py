"""Roads judged: at the end of their screening, under other limits, or corrected by a person."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from analysis.common.limits import Limits
from analysis.common.table import Table
from analysis.common.types import Progress, RoadProgress, on_road, share_of
from analysis.corridor import Case, Ground
from analysis.study.corrections import corrected
from analysis.study.job import limits_record
from analysis.study.measuring import Step, run
from analysis.study.tables import gather
from analysis.study.values import RoadStudy, Study
from analysis.verdict import Measured, judge
from analysis.verdict.door import believe

__all__ = ["measures_again", "rejudge", "remeasure", "road_study"]


def road_study(
    case: Case,
    ground: Callable[[], Ground],
    measured: Measured,
    edits: Table | None,
    before: RoadStudy | None = None,
    progress: Progress | None = None,
) -> RoadStudy:
    """One road, corrected and judged; `before` is what was known of it before these corrections.

    `ground` is called once it is needed: to judge a road takes none.
    """
    report = share_of(progress, 0.0, 1.0)
    now = corrected(case, ground, measured, edits, before, share_of(progress, 0.0, 0.9))
    report(0.9, "judging")
    (judged,) = judge([case], [now])
    report(1.0, "done")
    return RoadStudy(case, ground(), now, judged, None if now is measured else measured)


def rejudge(study: Study, limits: Limits) -> Study:
    """Judge what was measured under other limits.

    Nothing is measured again, unless the length of the straightedge changed, which makes ruts and
    ridges what they are, or what the noise is multiplied by, which every error stands on.

    Examples
    --------
    See `analysis` for one that acts on less certainty; here an agency asks for steeper shoulders:

    >>> from analysis import Settings, open_terrain, read_roads, rejudge, sample_files, screen
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> study = screen(grid, read_roads(centrelines, grid)[1:], Settings(spacing_m=20.0))
    >>> steeper = rejudge(study, study.limits.with_value("shoulder_least_pct", 5.0))
    >>> def failing(study):
    ...     return int((study.findings.stations["verdict"] == "won't shed").sum())
    >>> failing(steeper) > failing(study)
    True
    """
    cases = [replace(part.case, limits=limits) for part in study.roads]
    found = study.findings
    if not measures_again(study, limits):
        judged = judge(cases, [part.measured for part in study.roads])
        rows = zip(study.roads, cases, judged, strict=True)
        parts = [replace(part, case=case, judged=own) for part, case, own in rows]
    else:
        parts = [
            _laid_again(part, case, found.edits)
            for part, case in zip(study.roads, cases, strict=True)
        ]
    return gather(parts, {**found.run, **limits_record(limits)}, found.edits, found)


def measures_again(study: Study, limits: Limits) -> bool:
    """Whether other limits change what was measured, and not its judgement only."""
    return _measured_with(limits) != _measured_with(study.limits)


def _measured_with(limits: Limits) -> tuple[float, float]:
    """Limits that measurements stand on, and not judgements only."""
    return limits.shape.straightedge_m.value, limits.field.noise_factor.value


def _laid_again(part: RoadStudy, case: Case, edits: Table) -> RoadStudy:
    """One road with another straightedge or noise."""
    before = part.uncorrected or part.measured
    factors = [c.limits.field.noise_factor.value for c in (case, part.case)]
    if factors[0] != factors[1]:
        noise = before.shoulder.noise.times(factors[0] / factors[1])
        before = replace(before, shoulder=replace(before.shoulder, noise=noise))
    measured = run(case, part.ground, before.fixed, before, start=Step.SHOULDER)
    beliefs, between = believe(case, measured.shoulder.measures, measured.between)
    measured = replace(measured, beliefs=beliefs, between=between)
    return road_study(case, lambda: part.ground, measured, edits)


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
    part = road_study(before.case, lambda: before.ground, measured, edits, before, report)
    parts = [*study.roads[:road_index], part, *study.roads[road_index + 1 :]]
    return gather(parts, found.run, edits, found, moved=True)
