"""Findings for others: GeoJSON in WGS 84, CSV, and work sheets.

Every file is written beside its place and then renamed, so that a good one is never replaced by
half of a new one. Unknown is null or empty, never zero; what a reviewer rejected isn't there
unless it was asked for (`selecting`).
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS, Column
from analysis.common.errors import OutputError
from analysis.common.outputs import check_own, safe_cell
from analysis.common.stations import station_text
from analysis.common.table import Table
from analysis.common.types import Floats, Progress
from analysis.common.writing import Writing
from analysis.findings.geopackage import plain_value, records, with_marks
from analysis.findings.placed import (
    DEGREE_DECIMALS,
    check_placed,
    degrees_of,
    layer_at,
    shape_of,
    write_text,
)
from analysis.findings.selecting import for_output
from analysis.findings.sheet_text import Sheet, to_html, to_markdown

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["PrintBook", "write_csv", "write_geojson", "write_reach_csv", "write_sheets"]
__all__ += ["told_in", "write_table_csv"]


PrintBook = Callable[[Sequence[Sheet], Path], None]

# A table has no place for sentences about all of it, so that every row carries the shortest.
_ROW_CAUTION = (
    "Screening from terrain: check on site, under traffic control; local codes and licensed "
    "practice rule."
)


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
    findings = for_output(findings)
    reaches, stations = findings.reaches, findings.stations
    of_reach, of_station = (
        with_marks(REACH_COLUMNS, reaches),
        with_marks(STATION_COLUMNS, stations),
    )
    kinds = (
        ("reach", reaches, of_reach, "LineString", findings.reach_lines, 2),
        ("station", stations, of_station, "Point", findings.station_xy, 1),
        ("pond", findings.ponds, POND_COLUMNS, "Polygon", findings.pond_rings, 4),
    )
    every = {"id": "str", "layer": "str"}
    for _, _, columns, *_ in kinds:
        every |= {name: column.type for name, column in columns.items()}
    blank = dict.fromkeys(every)
    with layer_at(
        path,
        driver="GeoJSON",
        schema={"geometry": ["Point", "LineString", "Polygon"], "properties": every},
        crs_wkt=findings.crs_wkt,
        RFC7946="YES",
        WRITE_BBOX="YES",
        WRITE_NAME="NO",
        ID_FIELD="id",
        COORDINATE_PRECISION=str(DEGREE_DECIMALS),
        SIGNIFICANT_FIGURES="9",
        NATIVE_DATA=json.dumps({"cautions": CAUTIONS}),
        NATIVE_MEDIA_TYPE="application/vnd.geo+json",
    ) as layer:
        for kind, table, columns, geometry, coordinates, least in kinds:
            shapes = (shape_of(geometry, points, least) for points in coordinates)
            layer.writerecords(
                {**record, "properties": {**blank, "id": f"{kind}-{row}", "layer": kind, **own}}
                for row, record in enumerate(records(table, columns, shapes))
                for own in (record["properties"],)
            )


def write_csv(findings: Findings, path: str | os.PathLike[str]) -> int:
    """Write the stations as a CSV table (RFC 4180), unknown values empty.

    Columns are those of the findings with their units in the name, led by the station as road
    people write it and followed by coordinates in the findings' own system and in WGS 84, and by a
    caution. Texts that a spreadsheet would run as a formula get an apostrophe before them.

    Returns
    -------
    int
        How many texts got one.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    findings = for_output(findings)
    labels = {"station": "station_m"}
    return _write_table(
        findings, findings.stations, STATION_COLUMNS, labels, {"": findings.station_xy}, path
    )


def write_reach_csv(findings: Findings, path: str | os.PathLike[str]) -> int:
    """Write the reaches as a CSV table as `write_csv` does the stations, with both ends placed.

    Returns
    -------
    int
        How many texts got an apostrophe.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    findings = for_output(findings)
    ends = {
        f"{name}_": np.array([line[k] for line in findings.reach_lines], dtype=float)
        for name, k in (("from", 0), ("to", -1))
    }
    labels = {"from": "from_m", "to": "to_m"}
    return _write_table(findings, findings.reaches, REACH_COLUMNS, labels, ends, path)


def _write_table(
    findings: Findings,
    table: Table,
    contract: Mapping[str, Column],
    labels: Mapping[str, str],
    places: Mapping[str, Floats],
    path: str | os.PathLike[str],
) -> int:
    coordinates: dict[str, list[str]] = {}
    for before, given in places.items():
        xy = np.asarray(given, dtype=np.float64).reshape(-1, 2)
        wgs = degrees_of(findings, xy)
        for name, along, decimals in (
            ("x", xy[:, 0], 3),
            ("y", xy[:, 1], 3),
            ("longitude", wgs[:, 0], DEGREE_DECIMALS),
            ("latitude", wgs[:, 1], DEGREE_DECIMALS),
        ):
            coordinates[before + name] = [
                f"{v:.{decimals}f}" if math.isfinite(v) else "" for v in along.tolist()
            ]
    return write_table_csv(table, with_marks(contract, table), path, labels, coordinates)


def write_table_csv(
    table: Table,
    columns: Mapping[str, Column],
    path: str | os.PathLike[str],
    labels: Mapping[str, str],
    more: Mapping[str, Sequence[str]] | None = None,
) -> int:
    """Write a table as CSV (RFC 4180), led by labels of stations, followed by a caution.

    Parameters
    ----------
    table, columns
        What to write, and its columns by name.
    path : path
    labels
        Heading of each label, and the column of stations that it is written from.
    more
        Further columns as texts.

    Returns
    -------
    int
        How many texts began like a formula and got an apostrophe.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    more = more or {}
    stream = io.StringIO(newline="")
    changed = 0
    out = csv.writer(stream, lineterminator="\r\n")
    out.writerow([*labels, *table.names(), *more, "caution"])
    texts = ["str"] * len(labels) + [columns[name].type for name in table.names()]
    for row in range(len(table)):
        values = table.row(row)
        cells = [station_text(float(values[name])) for name in labels.values()]
        cells += [_cell(value, columns[name].type) for name, value in values.items()]
        safe = [
            safe_cell(cell) if kind == "str" else cell
            for cell, kind in zip(cells, texts, strict=True)
        ]
        changed += sum(a != b for a, b in zip(cells, safe, strict=True))
        out.writerow([*safe, *(given[row] for given in more.values()), _ROW_CAUTION])
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
