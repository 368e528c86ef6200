"""What the window asks of `analysis`, as plain functions for the runner.

They run in a worker thread, touch nothing of Qt, and import the heavy parts late, so that the
window opens before rasterio, numba or scipy are loaded.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import Cancelled, VergelineError
from gui.state.preparing import prepare
from gui.state.runner import Progress

if TYPE_CHECKING:
    from analysis.common.limits import Limits
    from analysis.common.settings import Settings
    from analysis.common.table import Table
    from analysis.corridor.values import Extras
    from analysis.findings.geopackage import Findings
    from analysis.road.roadline import Road
    from analysis.study.values import Study
    from analysis.terrain.grid import Terrain

__all__ = [
    "Inputs",
    "Loaded",
    "Opened",
    "Review",
    "RoadIndex",
    "RoadSource",
    "SaveOrder",
    "ScreenOrder",
    "StationKey",
    "TerrainSource",
    "edit_table",
    "edits_of",
    "is_study",
    "kind_of",
    "line_layers",
    "loaded",
    "open_extras",
    "open_inputs",
    "open_roads",
    "open_sample",
    "open_study",
    "print_reaches",
    "print_sections",
    "review_table",
    "reviews_of",
    "road_index",
    "same_stations",
    "save",
    "screen",
    "screen_other",
    "summary",
    "update",
]

SHEDS = "sheds"
GRIDS = (".tif", ".tiff", ".vrt", ".asc", ".img", ".bil", ".flt", ".dem", ".grd", ".nc", ".jp2")
LINES = (".gpkg", ".shp", ".geojson", ".json", ".fgb", ".kml", ".gml", ".csv", ".dxf", ".gpx")


class StationKey(NamedTuple):
    """Where a person's correction belongs; kept across runs, whatever the spacing."""

    road: str
    distance_m: float
    side: str
    what: str


class Review(NamedTuple):
    """A person's view of a station or reach."""

    state: str
    reason: str
    at: str


@dataclass(frozen=True, slots=True)
class TerrainSource:
    """Where the terrain comes from and how it is read."""

    path: str
    vertical_unit: str | None = None
    warp: bool = False
    crs: str | None = None

    def record(self) -> dict[str, Any]:
        """Entries for the run record."""
        return {"vertical_unit": self.vertical_unit or "", "crs_given": self.crs or ""}


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

    def record(self) -> dict[str, Any]:
        """Entries for the run record."""
        return {
            "centreline": os.path.abspath(self.path),
            "centreline_layer": self.layer or "",
            "centreline_crs": self.crs or "",
            "name_field": self.name_field or "",
            "use_measures": self.use_measures,
            "start_m": self.start_m,
            "reverse": self.reverse,
        }


@dataclass(frozen=True, slots=True)
class Inputs:
    """An open grid, the roads read into its plane, and what a person added.

    `extra_paths` names the files of `extras` by kind ("mask", "edges", "widths", "culverts");
    `note` is for the status bar.
    """

    terrain: Terrain | None = None
    roads: tuple[Road, ...] = ()
    terrain_source: TerrainSource | None = None
    source: RoadSource | None = None
    extra_paths: Mapping[str, str] = field(default_factory=dict)
    extras: Extras | None = None
    note: str = ""

    @property
    def grid(self) -> Terrain:
        """The open grid, where one is sure to be."""
        assert self.terrain is not None
        return self.terrain


@dataclass(frozen=True, slots=True)
class RoadIndex:
    """Stations of one road and where they are in the station table (left row, then right)."""

    name: str
    first_row: int
    rows: NDArray[np.int64]
    station_m: NDArray[np.float64]
    distance_m: NDArray[np.float64]

    def nearest(self, s: float) -> int:
        """Station nearest to the distance `s` along the road."""
        if not len(self.distance_m):
            return 0
        return int(np.argmin(np.abs(self.distance_m - s)))

    def nearest_label(self, station_m: float) -> int:
        """Station whose label is nearest."""
        if not len(self.station_m):
            return 0
        return int(np.argmin(np.abs(self.station_m - station_m)))


@dataclass(frozen=True, slots=True)
class Loaded:
    """Results ready for the views, with the look-ups between tables and selections."""

    study: Study | None
    findings: Findings
    index: tuple[RoadIndex, ...]
    edits: Mapping[Any, float]
    reach_road: NDArray[np.int64]
    reach_side: NDArray[np.int64]
    reach_first: NDArray[np.int64]
    reach_last: NDArray[np.int64]
    reach_station: NDArray[np.int64]
    reach_order: NDArray[np.int64]

    def reach_at(self, road_index: int, station_index: int, side: int) -> int:
        """Row of the reach that holds a station and side, or -1."""
        held = (
            (self.reach_road == road_index)
            & (self.reach_side == side)
            & (self.reach_first <= station_index)
            & (self.reach_last >= station_index)
        )
        rows = np.flatnonzero(held)
        return int(rows[0]) if len(rows) else -1

    def station_of_reach(self, row: int) -> tuple[int, int, int]:
        """Road, station and side to look at first in a reach."""
        return int(self.reach_road[row]), int(self.reach_station[row]), int(self.reach_side[row])

    def next_reach(self, road: int, station: int, side: int, current: int, step: int) -> int:
        """Next (+1) or previous (-1) reach that isn't sound, in road order; wraps; -1 if none."""
        order = self.reach_order
        if not len(order):
            return -1
        place = np.flatnonzero(order == current)
        if len(place):
            return int(order[(int(place[0]) + step) % len(order)])
        keys = list(
            zip(
                self.reach_road[order].tolist(),
                self.reach_first[order].tolist(),
                self.reach_side[order].tolist(),
                strict=True,
            )
        )
        here = (road, station, side)
        after = sum(key <= here for key in keys)
        return int(order[(after if step > 0 else after - 1) % len(order)])


@dataclass(frozen=True, slots=True)
class Opened:
    """A saved study as it comes back."""

    loaded: Loaded
    inputs: Inputs
    settings: Settings
    limits: Limits
    edits: Mapping[Any, float]
    reviews: Mapping[tuple[str, ...], Any]


@dataclass(frozen=True, slots=True)
class ScreenOrder:
    """All that a screening needs, taken from the model when it was asked for."""

    inputs: Inputs
    settings: Settings
    limits: Limits
    edits: Mapping[Any, float]


@dataclass(frozen=True, slots=True)
class SaveOrder:
    """All that saving needs, taken from the model when it was asked for."""

    findings: Findings
    settings: Settings
    edits: Mapping[Any, float]
    reviews: Mapping[tuple[str, ...], Any]
    path: str


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

    progress(0.1, Path(terrain_source.path).name)
    terrain = open_terrain(
        terrain_source.path,
        vertical_unit=terrain_source.vertical_unit,
        warp=terrain_source.warp,
        crs=terrain_source.crs,
    )
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
        except VergelineError as error:
            notes.append(str(error))
    progress(1.0, "")
    return replace(inputs, note=". ".join(text.rstrip(".") for text in notes if text))


def open_roads(progress: Progress, inputs: Inputs, source: RoadSource) -> Inputs:
    """Read centrelines into the plane of the open grid."""
    from analysis.road.read_roads import read_roads

    progress(0.2, Path(source.path).name)
    notes: list[str] = []
    roads = read_roads(
        source.path,
        inputs.grid,
        layer=source.layer,
        name_field=source.name_field,
        start_m=source.start_m,
        reverse=source.reverse,
        crs=source.crs,
        use_measures=source.use_measures,
        notes=notes,
    )
    length_m = sum(road.length_m for road in roads)
    names = ", ".join(road.name for road in roads[:3]) + (" …" if len(roads) > 3 else "")
    note = " ".join([f"{names}: {length_m / 1000:.2f} km.", *notes])
    return replace(inputs, roads=roads, source=source, note=note)


def open_extras(progress: Progress, inputs: Inputs, paths: Mapping[str, str]) -> Inputs:
    """Read what a person adds to grid and centreline: mask, edge lines, widths, culverts."""
    from analysis.study.inputs import read_extras

    progress(0.2, ", ".join(Path(path).name for path in paths.values()))
    extras = read_extras(inputs.grid, **paths) if paths else None
    return replace(inputs, extra_paths=dict(paths), extras=extras, note="")


def screen(progress: Progress, order: ScreenOrder) -> Loaded:
    """Screen the roads on the grid."""
    from analysis.study import screening

    prepare(progress)
    progress(0.0, "getting ready")
    inputs = order.inputs
    record: dict[str, Any] = {}
    for source in (inputs.terrain_source, inputs.source):
        if source is not None:
            record.update(source.record())
    record.update({kind: os.path.abspath(path) for kind, path in inputs.extra_paths.items()})
    study = screening.screen(
        inputs.grid,
        inputs.roads,
        order.settings,
        order.limits,
        extras=inputs.extras,
        edits=edit_table(order.edits),
        sources=record,
        progress=progress,
    )
    return loaded(study, study.findings, order.edits)


def screen_other(progress: Progress, order: ScreenOrder, path: str) -> Loaded:
    """Screen the same roads on another grid."""
    mine = order.inputs
    if mine.source is None:
        raise Cancelled
    inputs = open_roads(progress, open_inputs(progress, TerrainSource(path)), mine.source)
    if mine.extra_paths:
        inputs = open_extras(progress, inputs, mine.extra_paths)
    return screen(progress, replace(order, inputs=inputs))


def update(
    progress: Progress, before: Loaded, limits: Limits, edits: Mapping[Any, float]
) -> Loaded:
    """Bring a study up to other limits and corrections, measuring no more than needed."""
    from analysis.study import screening

    study = before.study
    if study is None:
        raise Cancelled
    prepare(progress)
    changed = {key for key in {*before.edits, *edits} if before.edits.get(key) != edits.get(key)}
    roads = {key.road for key in changed}
    wanted = edit_table(edits)
    if study.limits != limits:
        progress(0.1, "judging")
        study = screening.rejudge(study, limits)
    for number, part in enumerate(study.roads):
        if part.road.name in roads:
            study = screening.remeasure(study, number, wanted, progress=progress)
    progress(1.0, "")
    return loaded(study, study.findings, edits)


def save(progress: Progress, order: SaveOrder) -> None:
    """Write the study as one GeoPackage (beside its place, then renamed)."""
    from analysis.findings.geopackage import write_findings

    run = dict(order.findings.run)
    run["settings_wanted"] = order.settings.to_json()
    whole = replace(
        order.findings,
        run=run,
        edits=edit_table(order.edits),
        reviews=review_table(order.reviews),
    )
    write_findings(whole, order.path, progress=progress)


def open_study(progress: Progress, path: str) -> Opened:
    """Read a saved study, and open the grid and roads it was made from if they are there."""
    from analysis.common.settings import Settings
    from analysis.findings.geopackage import read_findings
    from analysis.study.job import job_of

    progress(0.05, Path(path).name)
    found = read_findings(path)
    job = job_of(found, path)
    progress(0.6, "")
    terrain_source = TerrainSource(job.terrain_path, job.vertical_unit, job.warp, job.crs)
    source = RoadSource(
        job.road_path,
        job.layer,
        job.start_m,
        job.reverse,
        job.road_crs,
        job.name_field,
        job.use_measures,
    )
    try:
        inputs = open_inputs(progress, terrain_source, source, job.extras)
    except VergelineError as error:
        note = f"The findings are here, the sections aren't: {error}"
        inputs = Inputs(None, (), None, source, note=note)
    settings = job.settings
    if found.run.get("settings_wanted"):
        settings = Settings.from_json(str(found.run["settings_wanted"]))
    edits = edits_of(found.edits)
    return Opened(
        loaded(None, found, edits), inputs, settings, job.limits, edits, reviews_of(found.reviews)
    )


def loaded(study: Study | None, found: Findings, edits: Mapping[Any, float]) -> Loaded:
    """Work out the look-ups between the tables and what can be selected."""
    index = road_index(found.stations)
    reaches = found.reaches
    number = {road.name: i for i, road in enumerate(index)}
    road = np.array([number.get(name, 0) for name in reaches["road"]], dtype=np.int64)
    side = (reaches["side"] == "right").astype(np.int64)
    first = np.zeros(len(reaches), dtype=np.int64)
    last = np.zeros(len(reaches), dtype=np.int64)
    best = np.zeros(len(reaches), dtype=np.int64)
    chance = np.nan_to_num(found.stations["p_wont_shed"], nan=-1.0)
    for row in range(len(reaches)):
        stations = index[road[row]] if index else None
        if stations is None or not len(stations.station_m):
            continue
        ends = sorted(
            int(np.argmin(np.abs(stations.station_m - float(reaches[name][row]))))
            for name in ("from_m", "to_m")
        )
        if "first_index" in reaches and np.isfinite(reaches["first_index"][row]):
            ends = [int(reaches["first_index"][row]), int(reaches["last_index"][row])]
        first[row], last[row] = ends
        rows = stations.rows[ends[0] : ends[1] + 1, side[row]]
        best[row] = ends[0] + (int(np.argmax(chance[rows])) if len(rows) else 0)
    unsound = np.flatnonzero(reaches["verdict"] != SHEDS)
    order = unsound[np.lexsort((side[unsound], first[unsound], road[unsound]))]
    return Loaded(study, found, index, dict(edits), road, side, first, last, best, order)


def road_index(stations: Table) -> tuple[RoadIndex, ...]:
    """Split the station table into roads: rows run road by road, left then right."""
    n = len(stations)
    if n == 0:
        return ()
    names = stations["road"]
    cuts = np.flatnonzero(names[2::2] != names[:-2:2]) * 2 + 2
    bounds = [0, *cuts.tolist(), n]
    return tuple(
        RoadIndex(
            name=str(names[start]),
            first_row=start,
            rows=np.arange(start, stop, dtype=np.int64).reshape(-1, 2),
            station_m=stations["station_m"][start:stop:2],
            distance_m=stations["distance_m"][start:stop:2],
        )
        for start, stop in itertools.pairwise(bounds)
    )


def summary(result: Loaded) -> str:
    """Say in one line what a screening found."""
    from gui.look.words import verdict_text

    verdicts = list(result.findings.stations["verdict"])
    counts = [
        f"{verdicts.count(name)} {verdict_text(name)}"
        for name in ("sheds", "won't shed", "can't tell", "no data")
        if name in verdicts
    ]
    return f"{len(verdicts)} stations and sides: " + ", ".join(counts)


def same_stations(a: Loaded, b: Loaded) -> bool:
    """Whether two results hold the same verdicts and slopes."""
    one, two = a.findings.stations, b.findings.stations
    if len(one) != len(two) or list(one["verdict"]) != list(two["verdict"]):
        return False
    return bool(
        np.allclose(one["shoulder_slope_pct"], two["shoulder_slope_pct"], atol=1e-6, equal_nan=True)
    )


def edit_table(edits: Mapping[Any, float]) -> Table:
    """Corrections as the table that `analysis` and the file hold."""
    from analysis.common.columns import EDIT_COLUMNS
    from analysis.common.table import Table

    keys = list(edits)
    return Table.of(
        EDIT_COLUMNS,
        {
            "road": [key.road for key in keys],
            "distance_m": [key.distance_m for key in keys],
            "side": [key.side for key in keys],
            "what": [key.what for key in keys],
            "u_m": [edits[key] for key in keys],
        },
    )


def edits_of(table: Table) -> dict[Any, float]:
    """Corrections from the table in a file."""
    return {
        StationKey(
            str(table["road"][row]),
            round(float(table["distance_m"][row]), 3),
            str(table["side"][row]),
            str(table["what"][row]),
        ): float(table["u_m"][row])
        for row in range(len(table))
    }


def review_table(reviews: Mapping[tuple[str, ...], Any]) -> Table:
    """Reviews as the table that the file holds."""
    from analysis.common.columns import REVIEW_COLUMNS
    from analysis.common.table import Table

    keys = list(reviews)
    return Table.of(
        REVIEW_COLUMNS,
        {
            "kind": [key[0] for key in keys],
            "road": [key[1] for key in keys],
            "side": [key[2] for key in keys],
            "from_m": [float(key[3]) for key in keys],
            "to_m": [float(key[4]) for key in keys],
            "state": [reviews[key].state for key in keys],
            "reason": [reviews[key].reason for key in keys],
            "at": [reviews[key].at for key in keys],
        },
    )


def reviews_of(table: Table) -> dict[tuple[str, ...], Any]:
    """Reviews from the table in a file."""
    return {
        (
            str(table["kind"][row]),
            str(table["road"][row]),
            str(table["side"][row]),
            f"{float(table['from_m'][row]):.3f}",
            f"{float(table['to_m'][row]):.3f}",
        ): Review(str(table["state"][row]), str(table["reason"][row]), str(table["at"][row]))
        for row in range(len(table))
    }


def open_sample(progress: Progress) -> Inputs:
    """Open the sample terrain with its roads."""
    from analysis.study.inputs import sample_files

    terrain, road = sample_files()
    return open_inputs(progress, TerrainSource(terrain), RoadSource(road))


def print_sections(
    progress: Progress,
    study: Study,
    places: Sequence[tuple[int, int]],
    path: str,
    units: str,
    station_style: str,
) -> None:
    """Write the sections of some stations as PDF."""
    from gui.drawing.printing import stations_sheets

    stations_sheets(
        study, places, path, system=units, station_style=station_style, progress=progress
    )


def print_reaches(
    progress: Progress,
    study: Study,
    rows: Sequence[int],
    path: str,
    units: str,
    station_style: str,
) -> None:
    """Write the sheets of some reaches as PDF."""
    from gui.drawing.printing import reach_sheets

    reach_sheets(study, rows, path, system=units, station_style=station_style, progress=progress)


def line_layers(path: str) -> list[str]:
    """Names of the vector layers of a GeoPackage; empty for any other file.

    Read from the file's table of contents (OGC 12-128r18, 1.1.3), which takes no geometry library
    and so no time.
    """
    return [name for name, kind in _contents(path) if kind == "features"]


def _contents(path: str) -> list[tuple[str, str]]:
    if not path.lower().endswith(".gpkg") or not os.path.isfile(path):
        return []
    import sqlite3
    from contextlib import closing

    try:
        with closing(sqlite3.connect(f"{Path(path).resolve().as_uri()}?mode=ro", uri=True)) as file:
            return list(file.execute("SELECT table_name, data_type FROM gpkg_contents"))
    except sqlite3.Error:
        return []


def kind_of(path: str) -> str:
    """Tell what a dropped file is by its name: "terrain", "road", "limits", or "" for neither.

    A GeoPackage may be a road or a saved study: that is settled by its layers.
    """
    suffix = Path(path).suffix.lower()
    if suffix == ".toml":
        return "limits"
    if suffix in GRIDS:
        return "terrain"
    if suffix in LINES:
        return "road"
    return ""


def is_study(path: str) -> bool:
    """Whether a GeoPackage is a saved study, from its list of layers."""
    return {"stations", "reaches", "run"} <= {name for name, _ in _contents(path)}
