"""Measures (M values) of lines, read from the file itself."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import numpy as np
import shapely

from analysis.common.types import Floats

__all__ = ["read_measures"]

_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_POLYLINE_Z, _POLYLINE_M = 13, 23
_NO_MEASURE = -1e38  # any number below this means "no value" in a shapefile


def read_measures(path: str, layer: str, driver: str) -> dict[str, list[Floats]]:
    """Read the measures (M values) of the lines in one layer of a GeoPackage or shapefile.

    The library that reads the layers has no place for M and drops it, so these two formats are
    looked into directly; in others there are no measures.

    Returns
    -------
    dict
        Feature id (as text) to a list with one (m,) float64 array per part, NaN where the
        file has no measure. Features without measures are left out.
    """
    try:
        if driver == "GPKG":
            return _geopackage_measures(path, layer)
        if driver == "ESRI Shapefile":
            found = Path(path)
            return _shapefile_measures(found if found.suffix else found / f"{layer}.shp")
    except (OSError, sqlite3.Error, struct.error, ValueError, shapely.errors.ShapelyError):
        pass  # the geometry itself is read all the same; a file gone astray only lacks measures
    return {}


def _geopackage_measures(path: str, layer: str) -> dict[str, list[Floats]]:
    """Read a GeoPackage: a short header, then ISO well-known binary (OGC 12-128r19, 2.1.3)."""
    uri = Path(path).resolve().as_uri() + "?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as base:
        row = base.execute(
            "SELECT column_name, m FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
        ).fetchone()
        if row is None or not row[1]:
            return {}
        column, table = (str(word).replace('"', '""') for word in (row[0], layer))
        out = {}
        for number, blob in base.execute(f'SELECT rowid, "{column}" FROM "{table}"'):
            if blob is None or blob[:2] != b"GP":
                continue
            shape = shapely.from_wkb(blob[8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 7] :])
            if shape is not None and shape.has_m:
                out[str(number)] = [
                    shapely.get_coordinates(part, include_m=True)[:, -1]
                    for part in shapely.get_parts(shape)
                ]
        return out


def _shapefile_measures(path: Path) -> dict[str, list[Floats]]:
    """Read a shapefile's records 13 PolyLineZ and 23 PolyLineM (ESRI description, July 1998)."""
    blob = path.read_bytes()
    out = {}
    at, number = 100, 0
    while at + 12 <= len(blob):
        start, end = at + 8, at + 8 + 2 * struct.unpack_from(">i", blob, at + 4)[0]
        (kind,) = struct.unpack_from("<i", blob, start)
        if kind in (_POLYLINE_Z, _POLYLINE_M):
            parts, points = struct.unpack_from("<ii", blob, start + 36)
            first = np.frombuffer(blob, "<i4", parts, start + 44)
            # behind the points, and the range of Z and the Zs, stand the range of M and the Ms
            tail = start + 44 + 4 * parts + 16 * points + 16
            tail += (16 + 8 * points) * (kind == _POLYLINE_Z)
            if tail + 8 * points <= end:
                m = np.frombuffer(blob, "<f8", points, tail)
                out[str(number)] = np.split(np.where(m < _NO_MEASURE, np.nan, m), first[1:])
        at, number = end, number + 1
    return out
