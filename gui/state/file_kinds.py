"""What a file is, told by its name and, of a GeoPackage, by its table of contents."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["GRIDS", "LINES", "POINTS", "is_study", "kind_of", "line_layers"]

GRIDS = (".tif", ".tiff", ".vrt", ".asc", ".img", ".bil", ".flt", ".dem", ".grd", ".nc", ".jp2")
POINTS = (".las", ".laz")
LINES = (".gpkg", ".shp", ".geojson", ".json", ".fgb", ".kml", ".gml", ".csv", ".dxf", ".gpx")


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

    A GeoPackage may be a road or a saved study: that is settled by its layers. A folder is a
    terrain where it holds tiles of one, or of points.
    """
    if os.path.isdir(path):
        from analysis.terrain.points import is_points
        from analysis.terrain.tiles import is_tiles

        return "terrain" if is_tiles(path) or is_points(path) else ""
    suffix = Path(path).suffix.lower()
    if suffix == ".toml":
        return "limits"
    if suffix in (*GRIDS, *POINTS):
        return "terrain"
    if suffix in LINES:
        return "road"
    return ""


def is_study(path: str) -> bool:
    """Whether a GeoPackage is a saved study, from its list of layers."""
    return {"stations", "reaches", "run"} <= {name for name, _ in _contents(path)}
