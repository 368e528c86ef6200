"""Measures (M values) of lines, read from the file itself.

The vector library in use drops the M of each vertex. Two open formats carry it and are
simple enough to read directly: GeoPackage (OGC 12-128r19, clause 2.1.3: a short header and
then ISO well-known binary) and the shapefile (ESRI Shapefile Technical Description, 1998:
record types 13 PolyLineZ and 23 PolyLineM).
"""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["read_measures"]

Parts = list[NDArray[np.float64]]

_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_LINE, _MULTI_LINE = 2, 5
_POLYLINE_Z, _POLYLINE_M = 13, 23
_NO_MEASURE = -1e38  # any number below this means "no value" in a shapefile


def read_measures(path: str, layer: str, driver: str) -> dict[str, Parts]:
    """Read the measures of the lines in one layer.

    Parameters
    ----------
    path, layer : str
    driver : str
        Format as the vector library names it.

    Returns
    -------
    dict
        Feature id (as text) to a list with one (m,) float64 array per part, NaN where the
        file has no measure. Features without measures are left out, and so is everything
        in formats other than GeoPackage and shapefile.
    """
    try:
        if driver == "GPKG":
            return _geopackage(path, layer)
        if driver == "ESRI Shapefile":
            found = Path(path)
            return _shapefile(found if found.suffix else found / f"{layer}.shp")
    except (OSError, sqlite3.Error, struct.error, ValueError):
        # the geometry itself was read by the library; a file this reader can't follow
        # only lacks measures
        return {}
    return {}


def _geopackage(path: str, layer: str) -> dict[str, Parts]:
    uri = Path(path).resolve().as_uri() + "?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as base:
        row = base.execute(
            "SELECT column_name, m FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
        ).fetchone()
        if row is None or not row[1]:
            return {}
        column, table = (str(word).replace('"', '""') for word in (row[0], layer))
        out: dict[str, Parts] = {}
        for number, blob in base.execute(f'SELECT rowid, "{column}" FROM "{table}"'):
            if blob is None or blob[:2] != b"GP":
                continue
            parts, _ = _wkb(blob, 8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 7])
            if parts:
                out[str(number)] = parts
        return out


def _wkb(blob: bytes, at: int) -> tuple[Parts, int]:
    order = "<" if blob[at] == 1 else ">"
    (code,) = struct.unpack_from(order + "I", blob, at + 1)
    at += 5
    has_z, has_m = bool(code & 0x80000000), bool(code & 0x40000000)
    if code & 0x20000000:
        at += 4
    code &= 0x0FFFFFFF
    has_z |= code // 1000 in (1, 3)
    has_m |= code // 1000 in (2, 3)
    (count,) = struct.unpack_from(order + "I", blob, at)
    at += 4
    parts: Parts = []
    if code % 1000 == _MULTI_LINE:
        for _ in range(count):
            more, at = _wkb(blob, at)
            parts += more
    elif code % 1000 == _LINE:
        width = 2 + has_z + has_m
        values = np.frombuffer(blob, order + "f8", count * width, at).reshape(count, width)
        at += values.nbytes
        if has_m:
            parts.append(values[:, -1].astype(float))
    return parts, at


def _shapefile(path: Path) -> dict[str, Parts]:
    blob = path.read_bytes()
    out: dict[str, Parts] = {}
    at, number = 100, 0
    while at + 12 <= len(blob):
        (words,) = struct.unpack_from(">i", blob, at + 4)
        start, end = at + 8, at + 8 + 2 * words
        (kind,) = struct.unpack_from("<i", blob, start)
        if kind in (_POLYLINE_Z, _POLYLINE_M):
            parts, points = struct.unpack_from("<ii", blob, start + 36)
            first = np.frombuffer(blob, "<i4", parts, start + 44)
            tail = start + 44 + 4 * parts + 16 * points
            if kind == _POLYLINE_Z:
                tail += 16 + 8 * points
            if tail + 16 + 8 * points <= end:
                m = np.frombuffer(blob, "<f8", points, tail + 16).astype(float)
                m[m < _NO_MEASURE] = np.nan
                out[str(number)] = np.split(m, first[1:])
        at, number = end, number + 1
    return out
