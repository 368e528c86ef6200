"""SQLite files, GeoPackages among them, looked through before GDAL opens them.

One changed byte in the schema of such a file is enough to end the whole program inside the map
library. SQLite itself doesn't mind: it is asked first whether the file is whole, all names are
read as the texts they should be, and every geometry is decoded by a library that refuses what
isn't one.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from analysis.common.errors import VergelineError

__all__ = ["check_database", "geometry_of", "looking_into"]

Stop = Callable[[], bool]

_MAGIC = b"SQLite format 3\0"
_PATIENCE_S = 60.0
_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_CURVES = range(8, 15)
_AT_ONCE = 10_000


def looking_into(path: str | os.PathLike[str]) -> sqlite3.Connection:
    """Open an SQLite file to read it only; nothing that its schema holds is run."""
    uri = f"{Path(path).resolve().as_uri()}?mode=ro"
    base = sqlite3.connect(uri, uri=True, timeout=2.0)
    _give_patience(base)
    base.execute("PRAGMA trusted_schema = OFF")
    return base


def _give_patience(base: sqlite3.Connection, stop: Stop | None = None) -> None:
    """Let what takes longer than a minute from now be interrupted, and what is called off."""
    end = time.monotonic() + _PATIENCE_S

    def enough() -> int:
        return int(time.monotonic() > end or (stop is not None and stop()))

    base.set_progress_handler(enough, 100_000)


def check_database(
    path: str | os.PathLike[str],
    what: str,
    error: type[VergelineError] = VergelineError,
    *,
    shapes: bool = True,
    stop: Stop | None = None,
) -> None:
    """Refuse an SQLite file that is damaged, or whose names or geometries aren't what they claim.

    Parameters
    ----------
    path : path
        Any file; one that isn't SQLite is passed over.
    what : str
        What it should be, as in "The file".
    error : type
        Raised, with one sentence.
    shapes : bool
        Whether geometries are looked at too; else by whoever reads them.
    stop : callable, optional
        Asked now and then; once it says so, nothing more is looked at and nothing is said.
    """
    if not os.path.isfile(path):
        return
    with open(path, "rb") as file:
        if file.read(len(_MAGIC)) != _MAGIC:
            return
    try:
        with closing(looking_into(path)) as base:
            _check_whole(base, stop)
            for table, column in _geometry_columns(base) if shapes else ():
                _check_geometries(base, table, column)
    except _Odd as odd:
        raise error(f"{what} {os.fspath(path)} {odd}; fetch or write it again.") from None
    except (sqlite3.Error, UnicodeError, OverflowError, MemoryError) as problem:
        if stop is not None and stop():
            return
        if "interrupted" in str(problem):
            raise error(
                f"{what} {os.fspath(path)} takes over {_PATIENCE_S:.0f} s to look through; give a "
                "copy with only the layer that is needed."
            ) from None
        reason = str(problem).splitlines()[0] if str(problem) else type(problem).__name__
        raise error(
            f"{what} {os.fspath(path)} is damaged ({reason}); fetch or write it again."
        ) from None


class _Odd(Exception):
    """What is odd about a file, as the end of a sentence."""


def _check_whole(base: sqlite3.Connection, stop: Stop | None) -> None:
    if stop is not None:
        _give_patience(base, stop)
    try:
        said = [str(row[0]) for row in base.execute("PRAGMA quick_check(1)")]
    except sqlite3.OperationalError as problem:
        if "interrupted" not in str(problem) or (stop is not None and stop()):
            raise
        # a raster of many gigabytes: what was read till now was whole
        said = ["ok"]
        _give_patience(base, stop)
    if said != ["ok"]:
        raise _Odd(f"is damaged ({said[0].splitlines()[0]})" if said else "is damaged")
    # Reading a text decodes it: one that isn't UTF-8 raises here and not in the map library.
    for kind, table, *_ in base.execute("SELECT type, name, tbl_name, sql FROM sqlite_master"):
        if not isinstance(table, str):
            raise _Odd("has a table without a name")
        if kind == "table" and table.startswith("gpkg_"):
            base.execute(f"SELECT * FROM {_quoted(table)}").fetchall()


def _geometry_columns(base: sqlite3.Connection) -> list[tuple[str, str]]:
    # a layer may be a view of another
    held = base.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")
    tables = {row[0] for row in held}
    if "gpkg_geometry_columns" not in tables:
        return []
    found = base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall()
    for table, column in found:
        if not (isinstance(table, str) and isinstance(column, str)):
            raise _Odd("names its layers by something else than text")
    return [pair for pair in found if pair[0] in tables]


def _check_geometries(base: sqlite3.Connection, table: str, column: str) -> None:
    rows = base.execute(f"SELECT {_quoted(column)} FROM {_quoted(table)}")
    first = 0
    while blobs := [row[0] for row in rows.fetchmany(_AT_ONCE)]:
        for number, blob in enumerate(blobs, start=first + 1):
            if blob is not None and geometry_of(blob) is None:
                raise _Odd(f"holds no geometry where row {number} of {table} should have one")
        _check_shapes([b for b in map(geometry_of, blobs) if b], table)
        first += len(blobs)


def _check_shapes(blobs: list[bytes], table: str) -> None:
    import shapely

    plain = [blob for blob in blobs if not _is_curve(blob)]
    try:
        # a vertex that is no number is told by whoever reads the layer
        with np.errstate(invalid="ignore"):
            shapely.from_wkb(np.array(plain, dtype=object))
    except (shapely.errors.ShapelyError, ValueError, TypeError) as problem:
        reason = str(problem).splitlines()[0]
        raise _Odd(f"has a geometry in {table} that can't be decoded ({reason})") from None


def _is_curve(blob: bytes) -> bool:
    """Whether a shape is of arcs, which the library that draws straight lines can't decode."""
    order = "little" if blob[:1] == b"\1" else "big"
    return int.from_bytes(blob[1:5], order) % 1000 in _CURVES  # type: ignore[arg-type]


def geometry_of(blob: object) -> bytes | None:
    """Well-known binary in a GeoPackage's geometry (OGC 12-128r18, 2.1.3); None if it isn't one."""
    if not isinstance(blob, bytes) or len(blob) < 8 or blob[:2] != b"GP":
        return None
    length = _ENVELOPE_BYTES.get((blob[3] >> 1) & 7)
    return None if length is None or len(blob) < 13 + length else blob[8 + length :]


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
