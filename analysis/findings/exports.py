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
import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.errors import OutputError
from analysis.common.outputs import replacing
from analysis.common.stations import station_text
from analysis.common.types import Floats, Progress
from analysis.findings.sheet_text import Sheet, to_html, to_markdown

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.geopackage import Findings

__all__ = [
    "flagged_stations",
    "write_csv",
    "write_geojson",
    "write_gpx",
    "write_sheets",
]


PrintBook = Callable[[Sequence[Sheet], Path], None]

_COLUMNS_OF = {"station": STATION_COLUMNS, "reach": REACH_COLUMNS, "pond": POND_COLUMNS}
# Seven decimals of a degree are about a centimetre; more would only claim precision.
_DEGREE_DECIMALS = 7
_SOUND = ("none", "no data", "can't tell", "")


def write_geojson(findings: Findings, path: str | os.PathLike[str]) -> None:
    """Write reaches, stations and ponds as one GeoJSON feature collection.

    Coordinates are longitude and latitude in WGS 84, outlines wind counterclockwise and there is
    no ``crs`` member, as RFC 7946 has it. Each feature tells its kind in the property ``layer``.

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
    place = _Degrees(findings)
    features: list[dict[str, Any]] = []
    shape: dict[str, Any]
    for row, line in enumerate(findings.reach_lines):
        shape = {"type": "LineString", "coordinates": place.positions(line)}
        features.append(_feature("reach", findings.reaches, row, _checked(shape, 2)))
    points = place.positions(findings.station_xy) if len(findings.stations) else []
    for row, position in enumerate(points):
        shape = {"type": "Point", "coordinates": position}
        features.append(_feature("station", findings.stations, row, _checked(shape, 0)))
    for row, ring in enumerate(findings.pond_rings):
        closed = _counterclockwise(place.positions(ring))
        shape = {"type": "Polygon", "coordinates": [closed]}
        features.append(_feature("pond", findings.ponds, row, _checked(shape, 4)))
    collection: dict[str, Any] = {"type": "FeatureCollection"}
    box = _bounds(features)
    if box:
        collection["bbox"] = box
    collection["features"] = features
    _write_beside(path, json.dumps(collection, ensure_ascii=False, allow_nan=False) + "\n")


class _Degrees:
    """Turns the findings' coordinates into longitude and latitude."""

    def __init__(self, findings: Findings) -> None:
        from analysis.terrain.geofiles import CRS, rasterio

        if not findings.crs_wkt:
            raise OutputError(
                "These findings have no coordinate system, so they can't be placed in WGS 84; "
                "screen again on a terrain that has one."
            )
        self._transform = rasterio.warp.transform
        self._from = CRS.from_wkt(findings.crs_wkt)
        self._to = CRS.from_epsg(4326)

    def positions(self, xy: Floats) -> list[list[float]]:
        """(n, 2) coordinates as [longitude, latitude]."""
        points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        # The transformation gives infinity for what it can't place, and trips over NaN.
        known = np.isfinite(points).all(axis=1)
        placed = np.full(points.shape, np.nan)
        if known.any():
            x, y = self._transform(self._from, self._to, points[known, 0], points[known, 1])
            placed[known] = np.round(np.column_stack([x, y]), _DEGREE_DECIMALS)
        return [[float(lon), float(lat)] for lon, lat in placed]


def _checked(shape: dict[str, Any], least: int) -> dict[str, Any] | None:
    """Return the geometry, or None (unlocated) where a position is unknown or too few are left."""
    coordinates = shape["coordinates"]
    flat = coordinates[0] if shape["type"] == "Polygon" else coordinates
    if not np.isfinite(np.asarray(flat, dtype=np.float64)).all() or len(flat) < least:
        return None
    return shape


def _counterclockwise(ring: list[list[float]]) -> list[list[float]]:
    if not ring:
        return ring
    closed = ring if ring[0] == ring[-1] else [*ring, ring[0]]
    twice = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(closed))
    return closed[::-1] if twice < 0.0 else closed


def _feature(layer: str, table: Table, row: int, shape: dict[str, Any] | None) -> dict[str, Any]:
    kinds = _COLUMNS_OF[layer]
    values = {name: _plain(value, kinds[name].type) for name, value in table.row(row).items()}
    return {
        "type": "Feature",
        "id": f"{layer}-{row}",
        "geometry": shape,
        "properties": {"layer": layer, **values},
    }


def _plain(value: Any, kind: str) -> Any:
    """Return a plain value of its kind; None where it is unknown."""
    if value is None or isinstance(value, str):
        return value or None
    number = float(value)
    if not math.isfinite(number):
        return None
    if kind == "bool":
        return bool(number)
    return int(number) if kind == "int" else round(number, 6)


def _bounds(features: Sequence[dict[str, Any]]) -> list[float] | None:
    corners = [
        np.asarray(
            shape["coordinates"][0] if shape["type"] == "Polygon" else shape["coordinates"]
        ).reshape(-1, 2)
        for feature in features
        if (shape := feature["geometry"]) is not None
    ]
    if not corners:
        return None
    points = np.concatenate(corners)
    return [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]


def write_csv(findings: Findings, path: str | os.PathLike[str]) -> None:
    """Write the stations as a CSV table (RFC 4180), unknown values empty.

    Columns are those of the findings with their units in the name, led by the station as road
    people write it and followed by coordinates in the findings' own system and in WGS 84.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    table = findings.stations
    names = list(table.names())
    xy = np.asarray(findings.station_xy, dtype=np.float64).reshape(-1, 2)
    degrees = _Degrees(findings).positions(xy) if findings.crs_wkt else [[math.nan] * 2] * len(xy)
    stream = io.StringIO(newline="")
    out = csv.writer(stream, lineterminator="\r\n")
    out.writerow(["station", *names, "x", "y", "longitude", "latitude"])
    kinds = [STATION_COLUMNS[name].type for name in names]
    for row in range(len(table)):
        values = table.row(row)
        cells = [_cell(values[name], kind) for name, kind in zip(names, kinds, strict=True)]
        station = station_text(float(values["station_m"]))
        place = [
            f"{v:.{k}f}" if math.isfinite(v) else ""
            for v, k in (
                (xy[row, 0], 3),
                (xy[row, 1], 3),
                (degrees[row][0], 7),
                (degrees[row][1], 7),
            )
        ]
        out.writerow([station, *cells, *place])
    # The mark tells spreadsheets that this is UTF-8.
    _write_beside(path, "\ufeff" + stream.getvalue())


def _cell(value: Any, kind: str) -> str:
    plain = _plain(value, kind)
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "true" if plain else "false"
    return f"{plain:.10g}" if isinstance(plain, float) else str(plain)


def flagged_stations(findings: Findings) -> NDArray[np.intp]:
    """Rows of the stations table with a fault: of the shoulder, or of the ditch."""
    table = findings.stations
    flagged = np.asarray(table["verdict"] == "won't shed", dtype=bool)
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
    table = findings.stations
    rows = flagged_stations(findings)
    xy = np.asarray(findings.station_xy, dtype=np.float64).reshape(-1, 2)
    places = _Degrees(findings).positions(xy[rows])
    points = []
    for row, (lon, lat) in zip(rows, places, strict=True):
        if not (math.isfinite(lon) and math.isfinite(lat)):
            continue
        height = float(table["edge_z_m"][row]) if "edge_z_m" in table else math.nan
        finding = str(table["finding"][row]) if "finding" in table else ""
        road, side = str(table["road"][row]), str(table["side"][row])
        name = f"{road} {station_text(float(table['station_m'][row]))} {side}"
        what = finding if finding not in _SOUND else "blocked ditch"
        if finding in _SOUND and str(table["verdict"][row]) == "won't shed":
            what = "won't shed"
        # Order of the elements is fixed by the GPX schema.
        parts = [f"    <ele>{height:.2f}</ele>"] if math.isfinite(height) else []
        parts += [
            f"    <name>{_xml(name)}</name>",
            f"    <desc>{_xml(str(table['reason'][row]))}</desc>",
            f"    <type>{_xml(what)}</type>",
        ]
        inner = "\n".join(parts)
        points.append(f'  <wpt lat="{lat:.7f}" lon="{lon:.7f}">\n{inner}\n  </wpt>')
    body = "\n".join(points)
    _write_beside(
        path,
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="Vergeline" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f"{body}\n</gpx>\n",
    )


# Characters that XML 1.0 can't hold, even escaped.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _xml(text: str) -> str:
    return escape(_NOT_XML.sub("", text))


def write_sheets(
    sheets: Sequence[Sheet],
    folder: str | os.PathLike[str],
    *,
    print_book: PrintBook | None = None,
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
    progress : callable, optional
        Called with the share done and a few words; may raise `analysis.common.errors.Cancelled`.

    Returns
    -------
    tuple of Path
        Files written: the PDF, then pages in the order of the sheets, HTML before Markdown.

    Raises
    ------
    OutputError
        If the folder can't be made or written to.
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
    written = []
    if print_book is not None:
        written.append(target / "sheets.pdf")
        print_book(sheets, written[0])
    for ending, text_of in (("html", to_html), ("md", to_markdown)):
        for number, sheet in enumerate(sheets):
            if progress is not None:
                progress(number / len(sheets), "writing work sheets")
            written.append(target / f"{sheet.name}.{ending}")
            _write_beside(written[-1], text_of(sheet))
    return tuple(written)


def _write_beside(path: str | os.PathLike[str], text: str) -> None:
    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{target} is a folder; choose a file name.")
    try:
        with replacing(target) as beside:
            beside.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise OutputError(
            f"{target} can't be written ({error.strerror}); check that the folder is there and "
            "writable."
        ) from None
