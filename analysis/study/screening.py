"""The whole job as one readable pipeline: grid and centreline in, findings out.

`screen` measures every road and judges it; `rejudge` judges again under other limits without
measuring; `remeasure` measures one road again after a person corrected its breaks.
"""

import platform
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import known_median
from analysis.common.columns import EDIT_COLUMNS
from analysis.common.errors import RoadError
from analysis.common.limits import (
    Limits,
    default_limits,
    limits_to_toml,
)
from analysis.common.settings import Settings
from analysis.common.station_arrays import joined, spliced, stations_of
from analysis.common.table import Table
from analysis.common.types import Floats, Progress
from analysis.corridor import ribbon
from analysis.corridor.values import Cells, Extras, Ribbon
from analysis.earthwork.areas import areas
from analysis.edges.find_breaks import edges_show, find_breaks
from analysis.edges.values import Breaks, Overrides
from analysis.findings.geopackage import Findings
from analysis.road.roadline import Road, frames, station_grid, to_map, to_road
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.not_shoulder import suspect, withhold
from analysis.shoulder.resolving import resolving_of, road_resolving_text
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Measures, Noise, Sections
from analysis.study.corrections import (
    changed_stations,
    given_breaks,
    grouped,
    overrides_for,
    same_overrides,
)
from analysis.study.tables import (
    pond_table,
    reach_lines,
    reach_table,
    station_table,
)
from analysis.study.values import Measured, RoadStudy, Study
from analysis.terrain.grid import Terrain, checksum
from analysis.verdict.beliefs import Beliefs, informed
from analysis.verdict.labelling import label_stations
from analysis.verdict.reaches import build_reaches
from analysis.verdict.stations import judge_stations
from analysis.water.assess import assess_across, assess_water, judge_ditch

__all__ = ["rejudge", "remeasure", "screen"]

_UNPAVED_SOURCE = (
    "FHWA/LTAP Gravel Roads Construction & Maintenance Guide, Section I: a gravel road's shoulder "
    "slopes the same as, or slightly more than, its surface (from memory)"
)


def screen(
    grid: Terrain,
    roads: Sequence[Road],
    settings: Settings | None = None,
    limits: Limits | None = None,
    *,
    extras: Extras | None = None,
    edits: Table | None = None,
    sources: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
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
        Called with the share done and a few words; raise `Cancelled` in it to stop.

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
    total = sum(road.length_m for road in roads)
    done, parts = 0.0, []
    for road in roads:
        share = road.length_m / total
        report = _part_of(progress, done, share, road.name)
        parts.append(_screen_road(grid, road, settings, limits, extras, edits, report))
        done += share
    record = _run_record(grid, parts, settings, limits, sources or {})
    record["seconds"] = round(time.perf_counter() - started, 3)
    return _assemble(grid, settings, limits, parts, extras, record, edits)


def _part_of(
    progress: Progress | None, start: float, share: float, name: str
) -> Callable[[float, str], None]:
    def report(fraction: float, words: str) -> None:
        if progress is not None:
            progress(min(1.0, start + share * fraction), f"{name}: {words}")

    return report


def _screen_road(
    grid: Terrain,
    road: Road,
    settings: Settings,
    limits: Limits,
    extras: Extras,
    edits: Table | None,
    report: Progress,
) -> RoadStudy:
    report(0.0, "reading the terrain")
    step = max(grid.cell_m, 0.25)
    cells, strip = ribbon.read_corridor(
        grid,
        road,
        settings.half_width_m,
        step_s_m=step,
        step_o_m=step,
        progress=lambda f, w: report(0.35 * f, w),
    )
    s = station_grid(road, settings.spacing_m)
    box_m = ribbon.footprint(grid, frames(road, s))
    given = given_breaks(road, s, extras)
    measured = _measure_road(
        grid, road, s, cells, strip, box_m, given, settings, limits, extras, report
    )
    report(0.95, "judging")
    corrected = _corrected(grid, measured, None, edits, settings, limits, extras)
    part = _road_study(corrected, measured, settings, limits)
    report(1.0, "done")
    return part


def _road_study(
    corrected: Measured, measured: Measured, settings: Settings, limits: Limits
) -> RoadStudy:
    values = {f.name: getattr(corrected, f.name) for f in fields(Measured)}
    return RoadStudy(
        **values,
        **_judged([corrected], settings, limits)[0],
        uncorrected=None if corrected is measured else measured,
    )


def _measure_road(
    grid: Terrain,
    road: Road,
    s: Floats,
    cells: Cells,
    strip: Ribbon,
    box_m: Floats,
    overrides: Overrides,
    settings: Settings,
    limits: Limits,
    extras: Extras,
    report: Progress,
) -> Measured:
    report(0.35, "finding edges and hinges")
    breaks = _find_breaks(
        cells, s, box_m, overrides, settings, lambda f, w: report(0.35 + 0.2 * f, w)
    )
    report(0.55, "measuring slopes and drops")
    noise = estimate_noise(cells, breaks, given_m=settings.noise_m)
    masked = _masked_cells(grid, cells, extras.mask)
    breaks, measures, sections = _measure(
        cells,
        breaks,
        noise,
        box_m,
        masked,
        settings,
        limits,
        lambda f, w: report(0.55 + 0.2 * f, w),
    )
    report(0.75, "following the water")
    held = assess_water(
        strip,
        breaks,
        noise,
        measures,
        sections,
        spacing_m=settings.spacing_m,
        shoulder_width_m=settings.shoulder_width_m,
        cell_m=grid.cell_m,
        curvature=frames(road, strip.s).curvature,
        culverts=_culverts_on(road, extras.culverts, settings.half_width_m),
        progress=lambda f, w: report(0.75 + 0.2 * f, w),
    )
    return Measured(
        road=road,
        s=s,
        cells=cells,
        ribbon=strip,
        box_m=box_m,
        overrides=overrides,
        breaks=breaks,
        noise=noise,
        measures=measures,
        sections=sections,
        water=held,
        beliefs=_believed(measures, settings),
    )


def _believed(measures: Measures, settings: Settings, usual: Measures | None = None) -> Beliefs:
    """Beliefs about the stations of one road, neighbours of which share cells."""
    shared = settings.spacing_m / known_median(measures.average_m, 20.0)
    return informed(measures, min(1.0, shared), usual=usual)


def _find_breaks(
    cells: Cells,
    s: Floats,
    box_m: Floats,
    overrides: Overrides,
    settings: Settings,
    progress: Progress | None = None,
    *,
    like: Breaks | None = None,
) -> Breaks:
    """Find breaks; those of a piece of road `like` the whole one, whose edges show or don't."""
    return find_breaks(
        cells,
        s,
        pavement_width_m=settings.pavement_width_m,
        shoulder_width_m=settings.shoulder_width_m,
        search_m=settings.search_m if settings.find_edges else 0.0,
        box_m=box_m,
        sigma_m=settings.noise_m,
        overrides=overrides,
        paved=settings.paved,
        edges_seen=None if like is None else edges_show(like),
        progress=progress,
    )


def _measure(
    cells: Cells,
    breaks: Breaks,
    noise: Noise,
    box_m: Floats,
    masked: NDArray[np.bool_] | None,
    settings: Settings,
    limits: Limits,
    progress: Progress | None = None,
) -> tuple[Breaks, Measures, Sections]:
    """Fits without what isn't shoulder, and the reason where there is no shoulder to judge."""
    suspicion = suspect(cells, breaks, noise, box_m=box_m, mask=masked)
    measures, sections = measure_sides(
        cells,
        breaks,
        noise,
        average_m=settings.average_m,
        box_m=box_m,
        mask=suspicion.foreign if masked is None else suspicion.foreign | masked,
        straightedge_m=limits.shape.straightedge_m.value,
        progress=progress,
    )
    measures, breaks = withhold(
        measures,
        breaks,
        suspicion,
        pavement_width_m=settings.pavement_width_m
        if settings.paved and settings.find_edges
        else None,
    )
    return breaks, measures, sections


def _corrected(
    grid: Terrain,
    measured: Measured,
    before: RoadStudy | None,
    edits: Table | None,
    settings: Settings,
    limits: Limits,
    extras: Extras,
    report: Progress | None = None,
) -> Measured:
    """What was measured, with a person's corrections put into it.

    Corrections near each other are measured together; those too far apart to feel each other are
    not, and what `before` holds of them is taken over. Without corrections `measured` itself comes
    back.
    """
    n, s = len(measured.s), measured.s
    wanted = overrides_for(s, edits, measured.road, given=measured.overrides)
    felt = max(3.0 * known_median(measured.measures.average_m, 20.0), 60.0)
    groups = grouped(changed_stations(measured.overrides, wanted), s, 4.0 * felt)
    if not groups:
        return measured
    held = [] if before is None else _groups_held(before, measured.overrides, felt)
    out, touched = replace(measured, overrides=wanted), []
    for done, group in enumerate(groups):
        if report is not None:
            report(done / len(groups), "measuring around the corrections")
        low, high = s[group[0]], s[group[-1]]
        here = slice(*np.searchsorted(s, (low - 2.0 * felt, high + 2.0 * felt + 1e-9)).tolist())
        keep = slice(*np.searchsorted(s, (low - felt, high + felt + 1e-9)).tolist())
        same = any(np.array_equal(group, other) for other in held)
        if before is not None and same and same_overrides(before.overrides, wanted, here):
            taken = {
                name: spliced(getattr(out, name), getattr(before, name), slice(0, n), keep)
                for name in ("breaks", "measures", "sections", "water")
            }
            out = replace(out, **taken)
        else:
            out = _measured_around(grid, out, here, keep, settings, limits, extras)
        touched.append(keep)
    # a correction changes what is believed near it, not what the road taught
    beliefs, whole = out.beliefs, slice(0, n)
    again = _believed(out.measures, settings, usual=measured.measures)
    for keep in touched:
        beliefs = spliced(beliefs, again, whole, keep)
    return replace(out, beliefs=beliefs)


def _groups_held(before: RoadStudy, given: Overrides, felt: float) -> list[NDArray[np.intp]]:
    if before.uncorrected is None:
        return []
    return grouped(changed_stations(given, before.overrides), before.s, 4.0 * felt)


def _measured_around(
    grid: Terrain,
    part: Measured,
    here: slice,
    keep: slice,
    settings: Settings,
    limits: Limits,
    extras: Extras,
) -> Measured:
    """Measure the stations `keep` again under `part.overrides`; the others stay as they are.

    More road, `here`, is looked at than is put back, so that the ends of the piece, where the
    search has no neighbours to lean on, don't show.
    """
    s = part.s
    margin = settings.spacing_m + 0.5 * known_median(part.measures.average_m, 20.0)
    low, high = s[here.start] - margin, s[here.stop - 1] + margin
    cells = part.cells.part(part.cells.window(low, high))
    box_m = part.box_m[here]
    overrides = stations_of(part.overrides, here)
    breaks = _find_breaks(cells, s[here], box_m, overrides, settings, like=part.breaks)
    breaks, measures, sections = _measure(
        cells,
        breaks,
        stations_of(part.noise, here),
        box_m,
        _masked_cells(grid, cells, extras.mask),
        settings,
        limits,
    )
    breaks = spliced(part.breaks, breaks, here, keep)
    measures = spliced(part.measures, measures, here, keep)
    sections = spliced(part.sections, sections, here, keep)
    held = assess_across(
        part.water,
        keep,
        stations_of(breaks, keep),
        stations_of(measures, keep),
        stations_of(sections, keep),
        shoulder_width_m=settings.shoulder_width_m,
    )
    return replace(part, breaks=breaks, measures=measures, sections=sections, water=held)


def _judged(parts: Sequence[Measured], settings: Settings, limits: Limits) -> list[dict[str, Any]]:
    """Everything of each road that depends on the limits, from what was measured: the fast path.

    Stations are judged and reaches made for all roads at once: a network of many short roads
    would spend its time in calls on short arrays.
    """
    if not settings.paved:
        limits = limits.with_value("shoulder_over_pavement_points", 0.0, source=_UNPAVED_SOURCE)
    measures = joined([part.measures for part in parts])
    crowned, kerb = (
        np.concatenate([getattr(part.breaks, name) for part in parts])
        for name in ("crowned", "kerb")
    )
    retained, retained_se, retained_chance = (
        np.concatenate([getattr(part.water, name) for part in parts])
        for name in ("retained_mm", "retained_se_mm", "retained_chance_mm")
    )
    together = judge_stations(
        measures,
        crowned,
        retained,
        retained_se,
        retained_chance,
        kerb,
        limits,
        joined([part.beliefs for part in parts]),
    )
    ends = np.cumsum([0, *(len(part.s) for part in parts)]).tolist()
    judgements = [stations_of(together, slice(*own)) for own in pairwise(ends)]
    grounds = [
        areas(
            part.sections,
            part.measures,
            judgement.required_slope_pct,
            limits,
            follows_pavement=judgement.follows_pavement,
            width_se=part.breaks.hinge_se,
            edge_se=part.breaks.edge_se,
        )
        for part, judgement in zip(parts, judgements, strict=True)
    ]
    labels = [
        label_stations(
            judgement,
            part.measures.status,
            spacing_m=settings.spacing_m,
            average_m=known_median(part.measures.average_m, 20.0),
            limits=limits,
        )
        for part, judgement in zip(parts, judgements, strict=True)
    ]
    reaches = build_reaches(
        [part.road for part in parts],
        [part.s for part in parts],
        crowned,
        np.concatenate([judge_ditch(part.water, limits.water) for part in parts]),
        measures,
        joined(grounds),
        together,
        np.concatenate(labels),
        settings,
        limits,
    )
    names = ("areas", "judgement", "labels", "reaches")
    rows = zip(grounds, judgements, labels, reaches, strict=True)
    return [dict(zip(names, row, strict=True)) for row in rows]


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
    parts = list(study.roads)
    if limits.shape.straightedge_m.value != study.limits.shape.straightedge_m.value:
        parts = [_laid_again(study, part, limits) for part in parts]
    judged = _judged(parts, study.settings, limits)
    parts = [replace(part, **own) for part, own in zip(parts, judged, strict=True)]
    record = {**study.findings.run, **_limits_record(limits)}
    again = _assemble(
        study.terrain,
        study.settings,
        limits,
        parts,
        study.extras,
        record,
        study.findings.edits,
        measured=study.findings,
    )
    return replace(again, findings=replace(again.findings, reviews=study.findings.reviews))


def _laid_again(study: Study, part: RoadStudy, limits: Limits) -> RoadStudy:
    """One road with another length of straightedge."""
    measured = part.uncorrected or _only_measured(part)
    breaks, measures, sections = _measure(
        measured.cells,
        measured.breaks,
        measured.noise,
        measured.box_m,
        _masked_cells(study.terrain, measured.cells, study.extras.mask),
        study.settings,
        limits,
    )
    measured = replace(measured, breaks=breaks, measures=measures, sections=sections)
    corrected = _corrected(
        study.terrain,
        measured,
        None,
        study.findings.edits,
        study.settings,
        limits,
        study.extras,
    )
    return _road_study(corrected, measured, study.settings, limits)


def _only_measured(part: RoadStudy) -> Measured:
    return Measured(**{f.name: getattr(part, f.name) for f in fields(Measured)})


def remeasure(
    study: Study, road_index: int, edits: Table, *, progress: Progress | None = None
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
    before = study.roads[road_index]
    report = _part_of(progress, 0.0, 1.0, before.road.name)
    measured = before.uncorrected or _only_measured(before)
    corrected = _corrected(
        study.terrain,
        measured,
        before,
        edits,
        study.settings,
        study.limits,
        study.extras,
        lambda share, words: report(0.9 * share, words),
    )
    report(0.9, "judging")
    part = _road_study(corrected, measured, study.settings, study.limits)
    parts = [*study.roads[:road_index], part, *study.roads[road_index + 1 :]]
    again = _assemble(
        study.terrain,
        study.settings,
        study.limits,
        parts,
        study.extras,
        study.findings.run,
        edits,
    )
    return replace(again, findings=replace(again.findings, reviews=study.findings.reviews))


def _masked_cells(
    grid: Terrain, cells: Cells, polygons: Sequence[Floats]
) -> NDArray[np.bool_] | None:
    if not polygons:
        return None
    import shapely

    a, b, c, d, e, f = grid.transform
    col, row = cells.col + 0.5, cells.row + 0.5
    x, y = a * col + b * row + c, d * col + e * row + f
    masked = np.zeros(len(cells.z), dtype=bool)
    for polygon in polygons:
        area = shapely.Polygon(polygon)
        shapely.prepare(area)
        west, south, east, north = area.bounds
        near = np.flatnonzero((x >= west) & (x <= east) & (y >= south) & (y <= north))
        masked[near] |= shapely.contains_xy(area, x[near], y[near])
    return masked


def _culverts_on(road: Road, points: Floats, half_width_m: float) -> Floats:
    if len(points) == 0:
        return np.empty((0, 2))
    s, o = to_road(road, points[:, 0], points[:, 1])
    near = np.isfinite(s) & (np.abs(o) <= half_width_m)
    return np.column_stack((s[near], o[near]))


def _edge_points(road: Road, s: Floats, breaks: Breaks) -> Floats:
    points = np.empty((len(s), 2, 2))
    for side, sign in enumerate((-1.0, 1.0)):
        x, y = to_map(road, s, sign * breaks.edge[:, side])
        points[:, side, 0], points[:, side, 1] = x, y
    return points


def _assemble(
    grid: Terrain,
    settings: Settings,
    limits: Limits,
    parts: Sequence[RoadStudy],
    extras: Extras,
    record: Mapping[str, Any],
    edits: Table | None,
    measured: Findings | None = None,
) -> Study:
    """Tables and geometry over all roads; ranks run over the whole network screened.

    `measured` holds findings of the same measurements, whose places and ponds still stand.
    """
    numbered, row = [], 0
    for part in parts:
        numbered.append(replace(part, first_row=row))
        row += 2 * len(part.s)
    parts = numbered
    scale = 1.0 / grid.xy_unit_m
    if measured is None:
        ponds, rings = pond_table(parts)
        pond_rings = tuple(ring * scale for ring in rings)
        points = [_edge_points(p.road, p.s, p.breaks).reshape(-1, 2) * scale for p in parts]
        station_xy = np.concatenate(points)
    else:
        ponds, pond_rings = measured.ponds, measured.pond_rings
        station_xy = measured.station_xy
    findings = Findings(
        stations=station_table(parts, limits),
        reaches=reach_table(parts, limits),
        ponds=ponds,
        station_xy=station_xy,
        reach_lines=tuple(line for part in parts for line in reach_lines(part, grid.xy_unit_m)),
        pond_rings=pond_rings,
        crs_wkt=grid.crs_wkt,
        run=dict(record),
        edits=edits if edits is not None else Table.empty(EDIT_COLUMNS),
    )
    return Study(grid, settings, limits, tuple(parts), findings, extras)


def _run_record(
    grid: Terrain,
    parts: Sequence[RoadStudy],
    settings: Settings,
    limits: Limits,
    sources: Mapping[str, Any],
) -> dict[str, Any]:
    try:
        own = version("vergeline")
    except PackageNotFoundError:
        own = "not installed"
    stations = sum(len(part.s) for part in parts)
    return {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "vergeline": own,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "terrain": str(Path(grid.path).resolve()) if Path(grid.path).is_file() else grid.path,
        "terrain_checksum": checksum(grid.path) if Path(grid.path).is_file() else "",
        "crs_wkt": grid.crs_wkt,
        "cell_m": grid.cell_m,
        "vertical_unit_m": grid.z_unit_m,
        "vertical_unit_source": grid.z_unit_source,
        "warped_to": grid.warp_crs or "",
        **sources,
        "roads": [part.road.name for part in parts],
        "length_m": float(sum(part.road.length_m for part in parts)),
        "stations": stations,
        "noise_median_m": known_median(np.concatenate([p.noise.sigma_m for p in parts])),
        "noise_source": parts[0].noise.source,
        "resolving": [
            f"{p.road.name}: {road_resolving_text(resolving_of(p.measures, p.noise))}"
            for p in parts
        ],
        "settings": settings.to_json(),
        **_limits_record(limits),
    }


def _limits_record(limits: Limits) -> dict[str, Any]:
    return {"surface": limits.surface, "limits": limits_to_toml(limits)}
