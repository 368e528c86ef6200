"""Result tables, and the GeoPackage that holds them.

A findings file is an ordinary GeoPackage (OGC 12-128r18) that any GIS opens. Column names and
units are a contract with other programs: they may grow but never change. Unknown is NULL in the
file and NaN or an empty text here, never 0.
"""

import json
import os
import sqlite3
import warnings
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import repeat
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common.columns import (
    EDIT_COLUMNS,
    MARK_COLUMNS,
    POND_COLUMNS,
    REACH_COLUMNS,
    REVIEW_COLUMNS,
    ROAD_COLUMNS,
    STATION_COLUMNS,
    Column,
)
from analysis.common.errors import Cancelled, OutputError
from analysis.common.given_databases import check_database, looking_into
from analysis.common.given_files import check_given
from analysis.common.outputs import is_disk_full, replacing
from analysis.common.table import Table, column
from analysis.common.types import Floats
from analysis.findings.stored import Stored, lines_of, points_of
from analysis.shoulder.values import Reason

__all__ = [
    "Findings",
    "check_replaceable",
    "plain_value",
    "read_findings",
    "records",
    "road_summaries",
    "with_marks",
    "write_findings",
    "write_in_parts",
]


@dataclass(frozen=True, slots=True)
class Findings:
    """What a screening found, as tables with geometry in the grid's CRS (CRS units).

    Attributes
    ----------
    stations, reaches, ponds
        Tables with the columns of `analysis.common.columns`.
    station_xy
        (n, 2) pavement edge of each row of `stations`.
    reach_lines, pond_rings
        One (m, 2) array for each row of `reaches` and `ponds`.
    run
        What went in: files, checksums, settings, limits, versions, noise, counts, time.
    edits
        A person's corrections of breaks: `what` is "edge" or "hinge", `u_m` the distance outward.
    reviews
        A person's view of a station or reach: `state` is "to check", "agreed" or "rejected".
    roads, road_lines
        A summary of each road, and its centreline (m, 2); empty in files of older versions.
    why
        Why the rows of each table aren't judged, None where they are; by "station" and "reach",
        empty where the findings come from a file, which holds the sentences only.
    """

    stations: Table
    reaches: Table
    ponds: Table
    station_xy: Floats
    reach_lines: tuple[Floats, ...]
    pond_rings: tuple[Floats, ...]
    crs_wkt: str
    run: Mapping[str, Any]
    edits: Table = field(default_factory=lambda: Table.empty(EDIT_COLUMNS))
    reviews: Table = field(default_factory=lambda: Table.empty(REVIEW_COLUMNS))
    roads: Table = field(default_factory=lambda: Table.empty(ROAD_COLUMNS))
    road_lines: tuple[Floats, ...] = ()
    why: Mapping[str, Sequence[Reason | None]] = field(default_factory=dict)


def check_replaceable(
    path: str | os.PathLike[str], layers: Collection[str] = ("stations", "reaches", "run")
) -> None:
    """Refuse to replace a file that lacks `layers`, or is open in another program.

    Raises
    ------
    OutputError
        If there is such a file at the place.
    """
    target = Path(path)
    if not target.is_file() or target.stat().st_size == 0:
        return
    # A journal left beside a new file would be played into it and spoil it.
    for ending in ("-wal", "-journal"):
        journal = target.with_name(target.name + ending)
        if journal.is_file() and journal.stat().st_size > 0:
            raise OutputError(
                f"{target} is open in another program: close it there, or choose another name."
            )
    try:
        uri = f"{target.resolve().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=0.2)) as base:
            tables = {row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")}
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise OutputError(
                f"{target} is being written by another program: wait, or choose another name."
            ) from error
        tables = set()
    except sqlite3.Error:
        tables = set()
    if not tables.issuperset(layers):
        raise OutputError(
            f"{target} holds something else, which won't be overwritten: choose another name."
        )


def write_findings(
    findings: Findings,
    path: str | os.PathLike[str],
    *,
    progress: Callable[[float, str], None] | None = None,
) -> None:
    """Write findings as one GeoPackage; a good file is replaced only by a whole new one.

    Raises
    ------
    OutputError
        If the folder is missing or can't be written to, the disk refuses, or there is another
        kind of file at the place (`check_replaceable`).
    """
    write_in_parts([findings], findings.run, path, progress=progress)


def write_in_parts(
    parts: Iterable[Findings],
    record: Mapping[str, Any],
    path: str | os.PathLike[str],
    *,
    lost: tuple[Table, Sequence[Floats]] | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> None:
    """Write findings that come road by road, as one GeoPackage; only one is held at a time.

    Parameters
    ----------
    parts
        Findings to stand one after another; gone over once for each layer.
    record
        What the run layer keeps.
    path
        Where they go; a good file is replaced only by a whole new one.
    lost
        Rows of roads that have no findings, and their lines.
    progress
        Called with the share written and a few words; may raise `Cancelled`.

    Raises
    ------
    OutputError
        As for `write_findings`.
    """
    target = Path(path)
    if target.suffix.lower() != ".gpkg":
        raise OutputError(f"Findings go into a GeoPackage: name the file {target.stem}.gpkg.")
    if not target.parent.is_dir():
        raise OutputError(f"The folder {target.parent} doesn't exist: make it, or choose another.")
    if target.is_dir():
        raise OutputError(f"{target} is a folder: choose a file name for the findings.")
    check_replaceable(target)
    try:
        # GDAL goes by the ending
        with replacing(target, ending=".part.gpkg") as beside:
            _write_layers(parts, record, beside, lost, progress or (lambda _share, _words: None))
    except (OutputError, Cancelled):
        raise
    except Exception as error:
        # fiona and GDAL raise many types for a full disk, a read-only folder or a lock.
        if is_disk_full(error, target.parent):
            raise OutputError(
                f"The disk is full, so the findings can't be written to {target}: free some space "
                "or choose another disk."
            ) from error
        raise OutputError(
            f"The findings can't be written to {target} ({_first_line(error)}): "
            "check that the folder is writable and the file isn't open elsewhere."
        ) from error


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]


_LAYERS: Mapping[str, tuple[str, Mapping[str, Column], str]] = {
    "stations": ("Point", STATION_COLUMNS, "station_xy"),
    "reaches": ("LineString", REACH_COLUMNS, "reach_lines"),
    "ponds": ("Polygon", POND_COLUMNS, "pond_rings"),
    "roads": ("LineString", ROAD_COLUMNS, "road_lines"),
    "edits": ("None", EDIT_COLUMNS, ""),
    "reviews": ("None", REVIEW_COLUMNS, ""),
}
"""Kind of geometry of each layer, its columns, and where findings have the geometry."""


def _write_layers(
    parts: Iterable[Findings],
    record: Mapping[str, Any],
    path: Path,
    lost: tuple[Table, Sequence[Floats]] | None,
    progress: Callable[[float, str], None],
) -> None:
    from analysis.terrain.geofiles import fiona

    path.unlink(missing_ok=True)
    # Touching the file first gives the plain reason (permission, no space) before GDAL's own.
    path.touch()
    path.unlink()
    first = next(iter(parts))
    with warnings.catch_warnings():
        # GDAL says once for each layer that a column named like a keyword is fine.
        warnings.simplefilter("ignore")
        for step, (name, (kind, columns, place)) in enumerate(_LAYERS.items()):
            progress(step / len(_LAYERS), "writing the findings")
            if name in ("stations", "reaches"):
                columns = with_marks(columns, getattr(first, name))
            properties = {key: column.type for key, column in columns.items()}
            schema = {"geometry": kind, "properties": properties}
            crs = {} if kind == "None" else {"crs_wkt": first.crs_wkt}
            with fiona.open(path, "w", driver="GPKG", layer=name, schema=schema, **crs) as layer:
                for part in parts:
                    shapes = _shapes(kind, getattr(part, place)) if place else repeat(None)
                    layer.writerecords(records(getattr(part, name), columns, shapes))
                if name == "roads" and lost is not None:
                    layer.writerecords(records(lost[0], columns, _shapes(kind, lost[1])))
        row = _run_row(record)
        schema = {"geometry": "None", "properties": {k: _type_of(v) for k, v in row.items()}}
        with fiona.open(path, "w", driver="GPKG", layer="run", schema=schema) as layer:
            layer.write({"type": "Feature", "geometry": None, "properties": row})
    if lost is not None:
        _index_roads(path)
    progress(1.0, "written")


def _index_roads(path: Path) -> None:
    """Let one of many roads be found without going through all rows."""
    with closing(sqlite3.connect(path)) as base:
        for table in ("stations", "reaches", "ponds"):
            base.execute(f"CREATE INDEX {table}_road ON {table} (road)")
        base.commit()


def _shapes(kind: str, coordinates: Iterable[Any]) -> Iterator[dict[str, Any]]:
    for values in coordinates:
        plain = [values.tolist()] if kind == "Polygon" else values.tolist()
        yield {"type": kind, "coordinates": plain}


def records(
    table: Table, columns: Mapping[str, Column], shapes: Iterable[dict[str, Any] | None]
) -> Iterator[dict[str, Any]]:
    """Rows of a table as features for OGR, each with its shape; unknown values are None."""
    cells = [[plain_value(v, column.type) for v in table[name]] for name, column in columns.items()]
    for values, shape in zip(zip(*cells, strict=True), shapes, strict=False):
        yield {
            "type": "Feature",
            "geometry": shape,
            "properties": dict(zip(columns, values, strict=True)),
        }


def with_marks(columns: Mapping[str, Column], table: Table) -> Mapping[str, Column]:
    """Columns of a table with those of the review, where it has them."""
    return {**columns, **{name: own for name, own in MARK_COLUMNS.items() if name in table}}


def plain_value(value: Any, kind: str) -> Any:
    """Value of a column for a file: None for what is unknown."""
    if kind == "str":
        return str(value) if value is not None and value != "" else None
    number = float(value)
    if not np.isfinite(number):
        return None
    if kind == "bool":
        return bool(number)
    return int(number) if kind == "int" else number


def _run_row(run: Mapping[str, Any]) -> dict[str, Any]:
    """Run record as one row: plain values stay, the rest becomes JSON text."""
    return {
        key: value
        if isinstance(value, str | int | float | bool)
        else json.dumps(value, ensure_ascii=False, default=str)
        for key, value in run.items()
    }


def _type_of(value: Any) -> str:
    return next((kind.__name__ for kind in (bool, int, float) if isinstance(value, kind)), "str")


def road_summaries(path: str | os.PathLike[str]) -> Table:
    """Summaries of the roads of a findings file; nothing else of it is read.

    Returns
    -------
    Table
        With `ROAD_COLUMNS`; without rows where the file is of an older version.

    Raises
    ------
    OutputError
        If the file can't be read.
    """
    check_given(path, "The findings file", OutputError)
    try:
        with closing(looking_into(path)) as base:
            held = {row[1] for row in base.execute("PRAGMA table_info(roads)")}
            if not held >= set(ROAD_COLUMNS):
                return Table.empty(ROAD_COLUMNS)
            rows = base.execute(f"SELECT {', '.join(ROAD_COLUMNS)} FROM roads").fetchall()
        columns = zip(*rows, strict=True) if rows else repeat(())
        return Table(
            {
                name: column(values, kind.type)
                for (name, kind), values in zip(ROAD_COLUMNS.items(), columns, strict=False)
            }
        )
    except (sqlite3.Error, ValueError, TypeError) as error:
        raise OutputError(
            f"{Path(path).name} can't be read as a findings file ({_first_line(error)}): "
            "choose a GeoPackage that this program wrote."
        ) from error


def read_findings(path: str | os.PathLike[str], *, road: str = "") -> Findings:
    """Read a findings file back, or what it holds of one road.

    Raises
    ------
    OutputError
        If the file is missing, no GeoPackage, or lacks a layer or column of the contract.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from analysis import open_terrain, read_findings, read_roads, sample_files, screen
    >>> from analysis import write_findings
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> study = screen(grid, read_roads(centrelines, grid)[1:])
    >>> with TemporaryDirectory() as folder:
    ...     write_findings(study.findings, Path(folder) / "findings.gpkg")
    ...     found = read_findings(Path(folder) / "findings.gpkg")
    >>> len(found.stations) == len(study.findings.stations)
    True
    """
    source = Path(path)
    check_given(source, "The findings file", OutputError)
    if source.is_dir():
        raise OutputError(f"{source} is a folder: name the findings file in it.")
    if not road:
        check_database(source, "The findings file", OutputError, shapes=False)
    with Stored(source, road) as stored:
        held: dict[str, tuple[Table, Any]] = {}
        for name, (kind, columns, place) in _LAYERS.items():
            if name in stored.layers:
                held[name] = stored.layer(name, columns, kind if place else "")
            else:
                held[name] = Table.empty(columns), np.empty(0, dtype=object)
        crs_wkt, run = stored.crs_wkt(), stored.record()
    return Findings(
        stations=held["stations"][0],
        reaches=held["reaches"][0],
        ponds=held["ponds"][0],
        edits=held["edits"][0],
        reviews=held["reviews"][0],
        roads=held["roads"][0],
        station_xy=points_of(held["stations"][1]),
        reach_lines=lines_of(held["reaches"][1]),
        pond_rings=lines_of(held["ponds"][1]),
        road_lines=lines_of(held["roads"][1]),
        crs_wkt=crs_wkt,
        run=run,
    )
