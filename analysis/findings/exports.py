"""Findings for others: GeoJSON and GPX in WGS 84, CSV, and work sheets.

Every file is written beside its place and then renamed, so that a good one is never replaced by
half of a new one. Unknown is null or empty, never zero.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.errors import OutputError
from analysis.common.outputs import check_own, is_disk_full, replacing, safe_cell
from analysis.common.stations import station_text
from analysis.common.table import Table
from analysis.common.types import Floats, Progress
from analysis.common.verdicts import Finding, Verdict
from analysis.common.writing import Writing
from analysis.findings.geopackage import plain_value, records
from analysis.findings.sheet_text import Sheet, to_html, to_markdown

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = [
    "check_placed",
    "degrees_of",
    "flagged_stations",
    "told_in",
    "write_csv",
    "write_geojson",
    "write_gpx",
]
__all__ += ["write_gpx", "write_sheets", "write_text"]


PrintBook = Callable[[Sequence[Sheet], Path], None]

# Seven decimals of a degree are about a centimetre; more would only claim precision.
_DEGREE_DECIMALS = 7
_SOUND = (Finding.NONE, Finding.NO_DATA, Finding.CANT_TELL, "")


def told_in(findings: Findings, writing: Writing) -> Findings:
    """Findings whose sentences are in a person's units; columns stay as they are, in metres."""

    def told(table: Table) -> Table:
        if "reason" not in table:
            return table
        reason = np.array([writing.recorded(text) for text in table["reason"]], dtype=object)
        return Table({**table.columns, "reason": reason})

    return replace(findings, stations=told(findings.stations), reaches=told(findings.reaches))


def write_geojson(findings: Findings, path: str | os.PathLike[str]) -> None:
    """Write reaches, stations and ponds as one GeoJSON feature collection (RFC 7946).

    Each feature tells its kind in the property ``layer``; columns that its kind doesn't have are
    null. The cautions stand beside the features, as a member of their own.

    Parameters
    ----------
    findings : Findings
    path : path
        Usually ending in .geojson.

    Raises
    ------
    OutputError
        If the file can't be written or the findings have no coordinate system.
    """
    check_placed(findings)
    kinds = (
        ("reach", findings.reaches, REACH_COLUMNS, "LineString", findings.reach_lines, 2),
        ("station", findings.stations, STATION_COLUMNS, "Point", findings.station_xy, 1),
        ("pond", findings.ponds, POND_COLUMNS, "Polygon", findings.pond_rings, 4),
    )
    every = {"id": "str", "layer": "str"}
    for _, _, columns, *_ in kinds:
        every |= {name: column.type for name, column in columns.items()}
    blank = dict.fromkeys(every)
    with _layer(
        path,
        driver="GeoJSON",
        schema={"geometry": ["Point", "LineString", "Polygon"], "properties": every},
        crs_wkt=findings.crs_wkt,
        RFC7946="YES",
        WRITE_BBOX="YES",
        WRITE_NAME="NO",
        ID_FIELD="id",
        COORDINATE_PRECISION=str(_DEGREE_DECIMALS),
        SIGNIFICANT_FIGURES="9",
        NATIVE_DATA=json.dumps({"cautions": CAUTIONS}),
        NATIVE_MEDIA_TYPE="application/vnd.geo+json",
    ) as layer:
        for kind, table, columns, geometry, coordinates, least in kinds:
            shapes = (_shape(geometry, points, least) for points in coordinates)
            layer.writerecords(
                {**record, "properties": {**blank, "id": f"{kind}-{row}", "layer": kind, **own}}
                for row, record in enumerate(records(table, columns, shapes))
                for own in (record["properties"],)
            )


def check_placed(findings: Findings) -> None:
    """Refuse findings that can't be placed on the earth; OutputError says why."""
    if not findings.crs_wkt:
        raise OutputError(
            "These findings have no coordinate system, so they can't be placed in WGS 84; "
            "screen again on a terrain that has one."
        )
    if not _is_placed(findings):
        raise OutputError(
            "The coordinate system of these findings is a local one without a place on the earth, "
            "so they can't be placed in WGS 84; screen again on a terrain that has a real one."
        )


def _is_placed(findings: Findings) -> bool:
    """Whether the coordinate system is one that leads to WGS 84."""
    from analysis.terrain.geofiles import CRS, rasterio

    try:
        found = CRS.from_wkt(findings.crs_wkt)
    except rasterio.errors.CRSError:
        return False
    return bool(found.is_projected or found.is_geographic)


@contextmanager
def _layer(path: str | os.PathLike[str], **options: Any) -> Iterator[Any]:
    """Open a layer beside `path` that replaces it once it is whole."""
    from analysis.terrain.geofiles import fiona

    with _beside(path) as beside:
        # Touching the file first gives the plain reason (permission, no space) before GDAL's own.
        beside.touch()
        beside.unlink()
        with fiona.open(beside, "w", **options) as layer:
            yield layer


def _shape(kind: str, points: Floats, least: int) -> dict[str, Any] | None:
    """Return the geometry, or None (unlocated) where a position is unknown or too few are left."""
    if len(np.atleast_2d(points)) < least or not np.isfinite(points).all():
        return None
    plain = points.tolist()
    return {"type": kind, "coordinates": [plain] if kind == "Polygon" else plain}


def degrees_of(findings: Findings, xy: Floats) -> Floats:
    """(n, 2) coordinates as longitude and latitude in WGS 84, NaN where they can't be placed."""
    placed = _is_placed(findings) if findings.crs_wkt else False
    return _degrees(findings, xy) if placed else np.full(xy.shape, np.nan)


def _degrees(findings: Findings, xy: Floats) -> Floats:
    """(n, 2) coordinates as longitude and latitude in WGS 84, NaN where they can't be placed."""
    from analysis.terrain.geofiles import CRS, rasterio

    # The transformation gives infinity for what it can't place, and trips over NaN.
    known = np.isfinite(xy).all(axis=1)
    placed = np.full(xy.shape, np.nan)
    if known.any():
        source, target = CRS.from_wkt(findings.crs_wkt), CRS.from_epsg(4326)
        placed[known] = np.transpose(rasterio.warp.transform(source, target, *xy[known].T))
    return np.where(np.isfinite(placed), np.round(placed, _DEGREE_DECIMALS), np.nan)


def write_csv(findings: Findings, path: str | os.PathLike[str]) -> int:
    """Write the stations as a CSV table (RFC 4180), unknown values empty.

    Columns are those of the findings with their units in the name, led by the station as road
    people write it and followed by coordinates in the findings' own system and in WGS 84. Texts
    that a spreadsheet would run as a formula get an apostrophe before them.

    Returns
    -------
    int
        How many texts got one.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    table = findings.stations
    xy = np.asarray(findings.station_xy, dtype=np.float64).reshape(-1, 2)
    degrees = _degrees(findings, xy) if _is_placed(findings) else np.full(xy.shape, np.nan)
    stream = io.StringIO(newline="")
    changed = 0
    out = csv.writer(stream, lineterminator="\r\n")
    out.writerow(["station", *table.names(), "x", "y", "longitude", "latitude"])
    for row, place in enumerate(np.column_stack([xy, degrees])):
        values = table.row(row)
        cells = [_cell(value, STATION_COLUMNS[name].type) for name, value in values.items()]
        at = [
            f"{v:.{decimals}f}" if math.isfinite(v) else ""
            for v, decimals in zip(place, (3, 3, _DEGREE_DECIMALS, _DEGREE_DECIMALS), strict=True)
        ]
        cells = [station_text(float(values["station_m"])), *cells]
        texts = ["str", *(STATION_COLUMNS[name].type for name in values)]
        safe = [
            safe_cell(cell) if kind == "str" else cell
            for cell, kind in zip(cells, texts, strict=True)
        ]
        changed += sum(a != b for a, b in zip(cells, safe, strict=True))
        out.writerow([*safe, *at])
    # The mark tells spreadsheets that this is UTF-8.
    write_text(path, "\ufeff" + stream.getvalue())
    return changed


def _cell(value: Any, kind: str) -> str:
    plain = plain_value(value, kind)
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "true" if plain else "false"
    return f"{round(plain, 6):.10g}" if isinstance(plain, float) else str(plain)


def flagged_stations(findings: Findings) -> NDArray[np.intp]:
    """Rows of the stations table with a fault: of the shoulder, or of the ditch."""
    table = findings.stations
    flagged = np.asarray(table["verdict"] == Verdict.WONT_SHED, dtype=bool)
    if "finding" in table:
        flagged |= ~np.isin(table["finding"].astype(str), _SOUND)
    if "ditch_blocked" in table:
        flagged |= np.nan_to_num(np.asarray(table["ditch_blocked"], dtype=np.float64)) > 0.0
    return np.flatnonzero(flagged)


def write_gpx(findings: Findings, path: str | os.PathLike[str]) -> None:
    """Write the flagged stations as GPX 1.1 waypoints, to walk to.

    Raises
    ------
    OutputError
        If the file can't be written or the findings have no coordinate system.
    """
    check_placed(findings)
    table, rows = findings.stations, flagged_stations(findings)
    # what may be a kerb is looked at first
    if "finding" in table:
        kerb = table["finding"][rows] == Finding.KERB_OR_HIGH
        rows = rows[np.argsort(~np.asarray(kerb, dtype=bool), kind="stable")]
    xy = np.asarray(findings.station_xy, dtype=np.float64).reshape(-1, 2)
    with _layer(
        path,
        driver="GPX",
        layer="waypoints",
        schema={"geometry": "Point", "properties": {"ele": "float", **_WAYPOINT_TEXTS}},
        crs="EPSG:4326",
        CREATOR="Vergeline",
        METADATA_DESCRIPTION=" ".join(CAUTIONS),
    ) as layer:
        for row, place in zip(rows, _degrees(findings, xy[rows]), strict=True):
            if np.isfinite(place).all():
                shape = {"type": "Point", "coordinates": place.tolist()}
                layer.write(
                    {"type": "Feature", "geometry": shape, "properties": _waypoint(table.row(row))}
                )


_WAYPOINT_TEXTS = dict.fromkeys(("name", "cmt", "desc", "type"), "str")


def _waypoint(row: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of a waypoint, as GPX names them; many receivers show only these."""
    height, finding = float(row.get("edge_z_m", math.nan)), str(row.get("finding", ""))
    what = finding
    if finding in _SOUND:
        wet = str(row["verdict"]) == Verdict.WONT_SHED
        what = Verdict.WONT_SHED if wet else Finding.BLOCKED_DITCH
    return {
        "ele": round(height, 2) if math.isfinite(height) else None,
        "name": f"{row['road']} {station_text(float(row['station_m']))} {row['side']}",
        "cmt": CAUTIONS[0],
        "desc": str(row["reason"]),
        "type": what,
    }


def write_sheets(
    sheets: Sequence[Sheet],
    folder: str | os.PathLike[str],
    *,
    print_book: PrintBook | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write sheets as HTML and Markdown, and all as one PDF where there is a printer.

    Parameters
    ----------
    sheets : sequence of Sheet
        From `analysis.findings.sheets.WorkSheets`.
    folder : path
        Made if it isn't there; its parent must be.
    print_book : callable, optional
        Writes sheets to a PDF file, as the window's side can.
    force : bool, default False
        Replace files that this program didn't write.
    progress : callable, optional
        Called with the share done and a few words; may raise `analysis.common.errors.Cancelled`.

    Returns
    -------
    tuple of Path
        Files written: the PDF, then pages in the order of the sheets, HTML before Markdown.

    Raises
    ------
    OutputError
        If the folder can't be made or written to, or a file of another kind is there.
    """
    target = Path(folder)
    try:
        target.mkdir(exist_ok=True)
    except FileExistsError:
        raise OutputError(f"{target} is a file; choose a folder for the work sheets.") from None
    except OSError as error:
        raise OutputError(
            f"The folder {target} can't be made ({error.strerror}); choose another."
        ) from None
    book = [target / "sheets.pdf"] if print_book is not None else []
    pages = {end: [target / f"{sheet.name}.{end}" for sheet in sheets] for end in ("html", "md")}
    places = [*book, *pages["html"], *pages["md"]]
    for place in () if force else places:
        check_own(place, place.suffix, "choose another folder, or say --force to replace it")
    if print_book is not None:
        print_book(sheets, book[0])
    for ending, text_of in (("html", to_html), ("md", to_markdown)):
        for number, (sheet, place) in enumerate(zip(sheets, pages[ending], strict=True)):
            if progress is not None:
                progress(number / len(sheets), "writing work sheets")
            write_text(place, text_of(sheet))
    return tuple(places)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a text as UTF-8; a good file is replaced only by a whole new one.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    with _beside(path) as beside:
        beside.write_text(text, encoding="utf-8", newline="")


@contextmanager
def _beside(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Place beside `path` for a file that replaces it once it is whole."""
    from analysis.terrain.geofiles import fiona

    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{target} is a folder; choose a file name.")
    try:
        with replacing(target) as beside:
            yield beside
    except (OSError, fiona.errors.FionaError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        if is_disk_full(error, target.parent):
            reason = "the disk is full"
        raise OutputError(
            f"{target} can't be written ({reason}); check that the folder is there and writable."
        ) from error
