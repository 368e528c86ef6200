"""What the window asks of `analysis`, as plain functions for the runner.

They run in a worker thread, and what computes for long in a process of its own (`calculating`), so
they touch nothing of Qt. They import the heavy parts late, so that the window opens before
rasterio, numba or scipy are loaded.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common.errors import Cancelled, VergelineError
from analysis.common.outputs import check_no_input, check_own
from analysis.findings.reviews import Reviews, review_table, reviews_of
from gui.state.copying import copier
from gui.state.corrections import Corrections, correction_table, corrections_of
from gui.state.loaded import Loaded, loaded
from gui.state.preparing import prepare

if TYPE_CHECKING:
    from analysis.common.limits import Limits
    from analysis.common.settings import Settings
    from analysis.common.table import Table
    from analysis.corridor.values import Extras
    from analysis.findings.geopackage import Findings
    from analysis.findings.handing_out import Outputs
    from analysis.findings.selecting import Selection
    from analysis.road.roadline import Road
    from analysis.study.noticing import Notice
    from analysis.study.trying import Change
    from analysis.study.values import Study
    from analysis.terrain.grid import Terrain
    from gui.state.runner import Progress

__all__ = [
    "Inputs",
    "Opened",
    "RoadSource",
    "SaveOrder",
    "ScreenOrder",
    "TerrainSource",
    "beside",
    "is_same",
    "look_through",
    "notices",
    "open_extras",
    "open_inputs",
    "open_moved",
    "open_roads",
    "open_sample",
    "open_study",
    "save",
    "screen",
    "screen_again",
    "screen_network",
    "screen_other",
    "try_limits",
    "unread",
    "update",
]


@dataclass(frozen=True, slots=True)
class TerrainSource:
    """Where the terrain comes from, how it is read, and the day of its survey (ISO) if known."""

    path: str
    vertical_unit: str | None = None
    warp: bool = False
    crs: str | None = None
    surveyed: str = ""

    def record(self) -> dict[str, Any]:
        """Entries for the run record."""
        return {
            "vertical_unit": self.vertical_unit or "",
            "crs_given": self.crs or "",
            "surveyed": self.surveyed,
        }


@dataclass(frozen=True, slots=True)
class RoadSource:
    """Where centrelines come from and how they are read."""

    path: str
    layer: str | None = None
    start_m: float = 0.0
    reverse: bool = False
    crs: str | None = None
    name_field: str | None = None
    use_measures: bool = True
    traffic_field: str | None = None
    speed_field: str | None = None
    curve_field: str | None = None

    def record(self) -> dict[str, Any]:
        """Entries for the run record."""
        return {
            "centreline": os.path.abspath(self.path),
            "centreline_layer": self.layer or "",
            "centreline_crs": self.crs or "",
            "name_field": self.name_field or "",
            "traffic_field": self.traffic_field or "",
            "speed_field": self.speed_field or "",
            "curve_field": self.curve_field or "",
            "use_measures": self.use_measures,
            "start_m": self.start_m,
            "reverse": self.reverse,
        }


@dataclass(frozen=True, slots=True)
class Inputs:
    """An open grid, the roads read into its plane, and what a person added.

    `extra_paths` names the files of `extras` by kind ("mask", "edges", "widths", "culverts",
    "points", "image", "kerbs");
    `note` is for the status bar; roads that are `left_out` don't touch the grid.
    """

    terrain: Terrain | None = None
    roads: tuple[Road, ...] = ()
    terrain_source: TerrainSource | None = None
    source: RoadSource | None = None
    extra_paths: Mapping[str, str] = field(default_factory=dict)
    extras: Extras | None = None
    note: str = ""
    left_out: tuple[Road, ...] = ()

    @property
    def grid(self) -> Terrain:
        """The open grid, where one is sure to be."""
        assert self.terrain is not None
        return self.terrain

    @property
    def paths(self) -> tuple[str, ...]:
        """Every file that was read."""
        sources = (self.terrain_source, self.source)
        named = [source.path for source in sources if source is not None]
        return tuple(
            path for text in (*named, *self.extra_paths.values()) for path in text.split("\n")
        )

    def check_place(self, path: str) -> None:
        """Refuse to write where a file lies that was read, or one of another kind.

        Raises
        ------
        OutputError
            If there is such a file.
        """
        check_no_input(path, self.paths)
        check_own(path, Path(path).suffix.lower(), "choose another name, or delete it first")

    def writing_to(self, path: str, work: Callable[[Progress], Any]) -> Callable[[Progress], Any]:
        """Return a job that looks at the place of its file before it begins."""

        def job(progress: Progress) -> Any:
            self.check_place(path)
            return work(progress)

        return job


@dataclass(frozen=True, slots=True)
class Opened:
    """A saved study as it comes back."""

    loaded: Loaded
    inputs: Inputs
    settings: Settings
    limits: Limits
    corrections: Corrections
    reviews: Reviews
    stamp: Stamp | None = None
    beside: str = ""


@dataclass(frozen=True, slots=True)
class ScreenOrder:
    """All that a screening needs, taken from the model when it was asked for."""

    inputs: Inputs
    settings: Settings
    limits: Limits
    corrections: Corrections


@dataclass(frozen=True, slots=True)
class SaveOrder:
    """All that saving needs, taken from the model when it was asked for."""

    findings: Findings
    settings: Settings
    limits: Limits
    corrections: Corrections
    reviews: Reviews
    path: str
    seen: Stamp | None = None
    beside: str = ""
    copy: bool = False


Stamp = tuple[int, int]
"""When a file was last written to, and how long it is."""


def stamp_of(path: str) -> Stamp | None:
    """Return the stamp of a file; None if it isn't there."""
    try:
        about = os.stat(path)
    except OSError:
        return None
    return about.st_mtime_ns, about.st_size


def open_inputs(
    progress: Progress,
    terrain_source: TerrainSource,
    source: RoadSource | None = None,
    extra_paths: Mapping[str, str] | None = None,
) -> Inputs:
    """Open a grid, and read roads and whatever was added into its plane.

    Only a grid that can't be opened is an error: roads and additions that don't fit it are left
    out, and the note says why.
    """
    from analysis.terrain.grid import open_terrain
    from analysis.terrain.point_grid import grid_of
    from analysis.terrain.points import is_points, open_points

    progress(0.1, Path(terrain_source.path).name)
    files = terrain_source.path.splitlines()
    unit, crs = terrain_source.vertical_unit, terrain_source.crs
    if is_points(files[0]):
        survey = open_points(files, vertical_unit=unit, crs=crs)
        terrain = grid_of(survey, progress=progress)
        extra_paths = {**(extra_paths or {}), "points": terrain_source.path}
    else:
        warp = terrain_source.warp
        terrain = open_terrain(terrain_source.path, vertical_unit=unit, warp=warp, crs=crs)
    note = f"{terrain.name}: {terrain.cols} × {terrain.rows} cells of {terrain.cell_m:.3g} m"
    if not terrain.z_unit_sure:
        note += f"; heights: {terrain.z_unit_source}"
    inputs = Inputs(terrain, (), terrain_source, note=note)
    notes = [note]
    if source is not None:
        try:
            inputs = open_roads(progress, inputs, source)
            notes.append(inputs.note)
        except VergelineError as error:
            notes.append(str(error))
    if extra_paths:
        try:
            inputs = open_extras(progress, inputs, extra_paths)
            notes.append(inputs.note)
        except VergelineError as error:
            notes.append(str(error))
    progress(1.0, "")
    return replace(inputs, note=". ".join(text.rstrip(".") for text in notes if text))


def open_roads(progress: Progress, inputs: Inputs, source: RoadSource) -> Inputs:
    """Read centrelines into the plane of the open grid."""
    from analysis.road.read_roads import read_roads
    from analysis.road.use import UseFields

    progress(0.2, Path(source.path).name)
    notes: list[str] = []
    left_out: list[Road] = []
    roads = read_roads(
        source.path,
        inputs.grid,
        layer=source.layer,
        name_field=source.name_field,
        start_m=source.start_m,
        reverse=source.reverse,
        crs=source.crs,
        use_measures=source.use_measures,
        use_fields=UseFields(source.traffic_field, source.speed_field, source.curve_field),
        notes=notes,
        left_out=left_out,
    )
    length_m = sum(road.length_m for road in roads)
    names = ", ".join(road.name for road in roads[:3]) + (" …" if len(roads) > 3 else "")
    note = " ".join([f"{names}: {length_m / 1000:.2f} km.", *notes])
    return replace(inputs, roads=roads, left_out=tuple(left_out), source=source, note=note)


def open_extras(progress: Progress, inputs: Inputs, paths: Mapping[str, str]) -> Inputs:
    """Read what a person adds to grid and centreline: mask, edge lines, points and so on."""
    from analysis.study.inputs import misplaced, read_extras

    progress(0.2, ", ".join(Path(path).name for path in paths.values()))
    read = inputs.terrain_source
    told = {"crs": read.crs, "vertical_unit": read.vertical_unit} if read is not None else {}
    extras = read_extras(inputs.grid, **paths, **told) if paths else None
    note = " ".join(misplaced(extras, inputs.roads)) if extras and inputs.roads else ""
    return replace(inputs, extra_paths=dict(paths), extras=extras, note=note)


def screen(progress: Progress, order: ScreenOrder) -> Loaded:
    """Screen the roads on the grid."""
    from analysis.study import screening

    prepare(progress)
    progress(0.0, "getting ready")
    inputs = order.inputs
    study = screening.screen(
        inputs.grid,
        inputs.roads,
        order.settings,
        order.limits,
        extras=inputs.extras,
        edits=correction_table(order.corrections),
        sources=_sources(inputs),
        progress=progress,
        # the window needs its turn too
        pieces_abreast=1,
    )
    return loaded(study, study.findings, order.corrections)


def screen_again(progress: Progress, before: Loaded, order: ScreenOrder) -> Loaded:
    """Screen again the roads whose own widths alone are others than in a study of these inputs."""
    from analysis.study import screening

    if before.study is None:
        raise Cancelled
    prepare(progress)
    study = screening.screen_again(
        before.study,
        order.settings,
        correction_table(before.corrections),
        progress=progress,
        pieces_abreast=1,
    )
    return loaded(study, study.findings, before.corrections)


def _sources(inputs: Inputs) -> dict[str, Any]:
    """What the record of a run keeps of where everything came from."""
    from analysis.study.inputs import kept_path
    from analysis.terrain.grid import checksum

    record: dict[str, Any] = {}
    for source in (inputs.terrain_source, inputs.source):
        if source is not None:
            record.update(source.record())
    if inputs.source is not None and os.path.isfile(inputs.source.path):
        record["centreline_checksum"] = checksum(inputs.source.path)
    kept = {kind: path for kind, path in inputs.extra_paths.items() if kind != "points"}
    record.update({kind: kept_path(path) for kind, path in kept.items()})
    return record


def screen_other(progress: Progress, order: ScreenOrder, path: str) -> Loaded:
    """Screen the same roads on another grid."""
    mine = order.inputs
    if mine.source is None:
        raise Cancelled
    inputs = open_roads(progress, open_inputs(progress, TerrainSource(path)), mine.source)
    # points belong to their own time
    added = {kind: path for kind, path in mine.extra_paths.items() if kind != "points"}
    if added:
        inputs = open_extras(progress, inputs, {**added, **inputs.extra_paths})
    return screen(progress, replace(order, inputs=inputs))


def update(progress: Progress, before: Loaded, limits: Limits, corrections: Corrections) -> Loaded:
    """Bring a study up to other limits and corrections, measuring no more than needed."""
    from analysis.study import judging

    study = before.study
    if study is None:
        raise Cancelled
    prepare(progress)
    roads = _corrected(before, corrections)
    wanted = correction_table(corrections)
    if study.limits != limits:
        progress(0.1, "judging")
        study = judging.rejudge(study, limits)
    for number, part in enumerate(study.roads):
        if part.road.name in roads:
            study = judging.remeasure(study, number, wanted, progress=progress)
    progress(1.0, "")
    return loaded(study, study.findings, corrections)


def _corrected(before: Loaded, corrections: Corrections) -> set[str]:
    """Names of the roads on which other breaks are corrected, or to another place."""
    old = before.corrections
    changed = {key for key in {*old, *corrections} if old.get(key) != corrections.get(key)}
    return {key.road for key in changed}


def unread(before: Loaded, limits: Limits, corrections: Corrections) -> tuple[Any, ...]:
    """What `update` only hands on of the study.

    That is a grid held in memory, which was read, and the ground under roads not measured again.
    """
    from analysis.study import judging

    study = before.study
    if study is None:
        return ()
    held = () if study.terrain.held is None else (study.terrain.held,)
    if judging.measures_again(study, limits):
        return held
    roads = _corrected(before, corrections)
    return *held, *(part.ground for part in study.roads if part.road.name not in roads)


def try_limits(progress: Progress, before: Loaded, limits: Limits) -> Change:
    """Judge a study by other limits, and say what that would change; the study stays."""
    from analysis.study import judging
    from analysis.study.trying import change_between

    if before.study is None:
        raise Cancelled
    prepare(progress)
    progress(0.1, "judging")
    after = judging.rejudge(before.study, limits)
    progress(1.0, "")
    return change_between(before.findings.reaches, after.findings.reaches)


def notices(_progress: Progress, study: Study) -> tuple[Notice, ...]:
    """What a study shows that doesn't fit what was given."""
    from analysis.study.noticing import notices

    return notices(study)


def save(
    progress: Progress,
    order: SaveOrder,
    writing: Callable[[Progress, Findings, str], None] | None = None,
) -> Stamp | None:
    """Write the study as one GeoPackage (beside its place, then renamed); returns its stamp.

    `writing` is `write`, or does that in another process; it isn't asked for a copy.

    Raises
    ------
    OutputError
        If it can't be written, or the file isn't any more what it was when it was `seen`.
    """
    from analysis.common.errors import OutputError
    from analysis.common.limits import limits_to_toml

    now = stamp_of(order.path)
    if order.seen is not None and now is not None and now != order.seen:
        raise OutputError(
            f"{Path(order.path).name} was changed by another window or program since it was opened "
            "here, and saving would lose that: save under another name, then compare the two."
        )

    run = dict(order.findings.run)
    run["settings_wanted"] = order.settings.to_json()
    # Those that it was judged by are in the run already; a copy doesn't wait for judging again.
    run["limits_wanted"] = limits_to_toml(order.limits)
    run["panes_wanted"] = order.beside
    whole = replace(
        order.findings,
        run=run,
        edits=correction_table(order.corrections),
        reviews=review_table(order.reviews),
    )
    if order.copy:
        try:
            copier().write(progress, whole, order.path)
        finally:
            # Called off because nothing is unsaved any more, it may have been whole already by
            # the time that its process was stopped, and nobody would ever delete it.
            if progress.cancelled():
                Path(order.path).unlink(missing_ok=True)
    else:
        (writing or write)(progress, whole, order.path)
    return stamp_of(order.path)


def write(progress: Progress, findings: Findings, path: str) -> None:
    """Write findings as one GeoPackage."""
    from analysis.findings.geopackage import write_findings

    write_findings(findings, path, progress=progress)


def hand_out(
    progress: Progress, findings: Findings, outputs: Outputs, selection: Selection
) -> tuple[str, ...]:
    """Write what is wanted of findings, but sheets; return a line for each."""
    from analysis.findings.handing_out import hand_out

    return hand_out(findings, outputs, selection, progress=progress)


def screen_network(progress: Progress, order: ScreenOrder, path: str) -> str:
    """Screen the roads by all cores into a file, and return it; nothing of it is held.

    A job that was called off goes on from where it was when it is asked for again.
    """
    from analysis.network.crews import process_crew
    from analysis.network.engine import screen_network as screen_into
    from analysis.study.inputs import check_writable

    check_writable(path, suffix=".gpkg", inputs=order.inputs.paths)
    prepare(progress)
    inputs = order.inputs
    screen_into(
        inputs.grid,
        [*inputs.roads, *inputs.left_out],
        path,
        order.settings,
        order.limits,
        extras=inputs.extras,
        sources=_sources(inputs),
        crew=process_crew(os.cpu_count() or 1),
        progress=progress,
    )
    return path


def open_study(progress: Progress, path: str, road: str = "") -> Opened:
    """Read a saved study, or one road of it, and open the grid and roads that it was made from."""
    from analysis.common.limits import limits_from_toml
    from analysis.common.settings import Settings
    from analysis.findings.geopackage import read_findings
    from analysis.study.job import job_of

    progress(0.05, Path(path).name)
    stamp = stamp_of(path)
    found = read_findings(path, road=road)
    job = job_of(found, path)
    progress(0.6, "")
    folder = Path(path).resolve().parent
    terrain_path = beside(folder, job.terrain_path, str(found.run.get("terrain_checksum") or ""))
    terrain_source = TerrainSource(terrain_path, job.vertical_unit, job.warp, job.crs, job.surveyed)
    source = RoadSource(
        beside(folder, job.road_path, str(found.run.get("centreline_checksum") or "")),
        job.layer,
        job.start_m,
        job.reverse,
        job.road_crs,
        job.name_field,
        job.use_measures,
        job.use_fields.traffic,
        job.use_fields.speed,
        job.use_fields.curve,
    )
    try:
        inputs = open_inputs(progress, terrain_source, source, job.extras)
        if road:
            inputs = replace(inputs, roads=tuple(r for r in inputs.roads if r.name == road))
        inputs = _without_failed(inputs, found.roads)
    except VergelineError as error:
        note = f"The findings are here, the sections aren't: {error}"
        inputs = Inputs(None, (), terrain_source, source, job.extras, note=note)
    settings = job.settings
    if found.run.get("settings_wanted"):
        settings = Settings.from_json(str(found.run["settings_wanted"]))
    limits = job.limits
    if found.run.get("limits_wanted"):
        limits = limits_from_toml(str(found.run["limits_wanted"]))
    corrections = corrections_of(found.edits)
    return Opened(
        loaded(None, found, corrections),
        inputs,
        settings,
        limits,
        corrections,
        reviews_of(found.reviews),
        stamp,
        str(found.run.get("panes_wanted") or ""),
    )


def _without_failed(inputs: Inputs, rows: Table) -> Inputs:
    """Leave out roads that couldn't be screened: one of them would fail the others again."""
    from analysis.study.road_rows import NOT_SCREENED

    failed = set(rows["road"][rows["outcome"] == NOT_SCREENED])
    there = [road.name for road in inputs.roads if road.name in failed]
    if not there:
        return inputs
    few = ", ".join(there[:3]) + (" …" if len(there) > 3 else "")
    note = f"{inputs.note.rstrip('.')}. Not screened, as the table of roads says: {few}"
    kept = tuple(road for road in inputs.roads if road.name not in failed)
    return replace(inputs, roads=kept, note=note)


def look_through(progress: Progress, path: str) -> None:
    """Look through findings of which only a part was read: what is told of that part may lack rows.

    Raises
    ------
    OutputError
        If they are damaged anywhere.
    """
    from analysis.common.errors import OutputError
    from analysis.common.given_databases import check_database

    what = "The findings file"
    check_database(path, what, OutputError, shapes=False, stop=progress.cancelled)


def beside(folder: Path, path: str, fingerprint: str) -> str:
    """Find a file of a study that was moved: the same name and content in a folder, else `path`.

    Without a fingerprint the name has to do, as for the tiles of one survey, a line each.
    """
    if "\n" in path:
        return "\n".join(beside(folder, tile, "") for tile in path.splitlines())
    here = folder / Path(path).name
    if os.path.isfile(path) or not here.is_file():
        return path
    return str(here) if not fingerprint or is_same(str(here), fingerprint) else path


def is_same(path: str, fingerprint: str) -> bool:
    """Whether a file holds what a study recorded of its own; False where it recorded nothing."""
    from analysis.terrain.grid import checksum

    return bool(fingerprint) and checksum(path) == fingerprint


def open_moved(progress: Progress, inputs: Inputs, path: str) -> Inputs:
    """Open the terrain of a study at its new place, with its road and all that was added.

    A road or addition that isn't where it was either is taken from beside the terrain.
    """
    folder = Path(path).resolve().parent
    was, source = inputs.terrain_source, inputs.source
    terrain = replace(was, path=path) if was is not None else TerrainSource(path)
    if source is not None:
        source = replace(source, path=beside(folder, source.path, ""))
    extras = {kind: beside(folder, place, "") for kind, place in inputs.extra_paths.items()}
    return open_inputs(progress, terrain, source, extras)


def open_sample(progress: Progress) -> Inputs:
    """Open the sample terrain with its roads."""
    from analysis.study.inputs import sample_files

    terrain, road = sample_files()
    return open_inputs(progress, TerrainSource(terrain), RoadSource(road))
