"""What changed between two surveys, as a GeoPackage that any GIS opens."""

from __future__ import annotations

import os
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import (
    REACH_CHANGE_COLUMNS,
    STATION_CHANGE_COLUMNS,
    SURVEY_COLUMNS,
    Column,
)
from analysis.common.errors import OutputError
from analysis.common.table import Table
from analysis.findings.changes_text import straight_rate_text
from analysis.findings.geopackage import check_replaceable, records
from analysis.findings.placed import beside, shape_of

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings
    from analysis.findings.two_surveys import SurveyChange

__all__ = ["CHANGE_LAYERS", "check_changes_place", "write_changes"]

# Of other names than those of findings, for which nobody is to take them.
CHANGE_LAYERS = ("station_changes", "reach_changes", "surveys")


def check_changes_place(path: str | os.PathLike[str]) -> None:
    """Refuse a place that can't be written to, or holds something else than changes.

    Raises
    ------
    OutputError
        If so.
    """
    target = Path(path)
    if target.suffix.lower() != ".gpkg":
        raise OutputError(f"Changes go into a GeoPackage: name the file {target.stem}.gpkg.")
    check_replaceable(target, CHANGE_LAYERS)


def write_changes(change: SurveyChange, before: Findings, path: str | os.PathLike[str]) -> None:
    """Write the changes as points and lines of the earlier survey, in its coordinates.

    Parameters
    ----------
    change : SurveyChange
    before : Findings
        The earlier findings that were compared.
    path : path

    Raises
    ------
    OutputError
        If the place holds something else, or can't be written to.
    """
    check_changes_place(path)
    points = [shape_of("Point", xy, 1) for xy in before.station_xy[change.station_rows]]
    lines = [shape_of("LineString", line, 2) for line in before.reach_lines]
    with beside(path, ".part.gpkg") as part, warnings.catch_warnings():
        # GDAL says once for each layer that a column named like a keyword is fine.
        warnings.simplefilter("ignore")
        for name, kind, table, columns, shapes in (
            ("station_changes", "Point", change.stations, STATION_CHANGE_COLUMNS, points),
            ("reach_changes", "LineString", change.reaches, REACH_CHANGE_COLUMNS, lines),
            ("surveys", "None", _surveys(change, before), SURVEY_COLUMNS, [None]),
        ):
            rows = records(table, columns, shapes)
            _write_layer(part, name, (kind, before.crs_wkt), columns, rows)


def _write_layer(
    path: Path, name: str, place: tuple[str, str], columns: Mapping[str, Column], rows: Any
) -> None:
    from analysis.terrain.geofiles import fiona

    kind, crs_wkt = place
    schema = {"geometry": kind, "properties": {key: own.type for key, own in columns.items()}}
    crs = {} if kind == "None" else {"crs_wkt": crs_wkt}
    with fiona.open(path, "w", driver="GPKG", layer=name, schema=schema, **crs) as layer:
        layer.writerecords(rows)


def _surveys(change: SurveyChange, before: Findings) -> Table:
    dates = change.dates
    row: dict[str, Sequence[str]] = {
        "before_name": [dates.before_name],
        "before_day": [dates.before.isoformat()],
        "before_terrain": [str(before.run.get("terrain") or "")],
        "after_name": [dates.after_name],
        "after_day": [dates.after.isoformat()],
        "third_day": [dates.reckoned.isoformat()],
        "rate": [straight_rate_text(dates)],
        "cautions": ["\n".join(CAUTIONS)],
    }
    return Table.of(SURVEY_COLUMNS, row)
