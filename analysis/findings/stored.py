"""Layers of a findings file read by SQLite alone.

The map library is never handed what a stranger may have written, and no more of a file is read
than is asked for: one road of a whole county costs what that road has. What is read is looked at as
it comes: types, texts and geometries that aren't what they must be are a sentence.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import FIRST_LATER, Column
from analysis.common.errors import OutputError
from analysis.common.given_databases import geometry_of, looking_into
from analysis.common.table import Table, column
from analysis.common.types import Floats

__all__ = ["Stored", "lines_of", "points_of"]

_NEEDED = {"stations", "reaches", "ponds", "run"}
_UNDEFINED = (-1, 0, 99999)
"""No coordinate system (OGC 12-128r18, 1.1.2), the last as GDAL writes it."""


class Stored:
    """A findings file that is open for reading; use it in a `with`.

    Parameters
    ----------
    path
        The file.
    road : str
        Only what belongs to it is read; all without one.

    Raises
    ------
    OutputError
        No GeoPackage, damaged where it is read, or without what findings have.
    """

    def __init__(self, path: str | os.PathLike[str], road: str = "") -> None:
        self.path, self.road = Path(path), road
        try:
            self._base = looking_into(path)
        except sqlite3.Error as error:
            raise self._problem(error) from None

    def __enter__(self) -> Stored:
        try:
            self.layers = self._layers()
        except BaseException as error:
            self.__exit__(type(error), error, None)
            raise
        missing = _NEEDED - self.layers
        if missing:
            self._base.close()
            raise OutputError(
                f"{self.path.name} isn't a findings file: it lacks the layers "
                f"{', '.join(sorted(missing))}; choose one that this program wrote."
            )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file, and turn what SQLite says of it into a sentence."""
        self._base.close()
        if isinstance(error, sqlite3.Error | UnicodeError | OverflowError | MemoryError):
            raise self._problem(error) from None

    def _problem(self, error: BaseException) -> OutputError:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        if "not a database" in reason or "unable to open" in reason:
            return OutputError(
                f"{self.path.name} can't be read as a findings file ({reason}): choose a "
                "GeoPackage that this program wrote."
            )
        if "interrupted" in reason:
            return OutputError(
                f"The findings file {self.path} takes over a minute to read; give a copy with less."
            )
        return OutputError(
            f"The findings file {self.path} is damaged ({reason}); fetch or write it again."
        )

    def _layers(self) -> set[str]:
        """Layers that the contents name, and that are tables."""
        held = {row[0] for row in self._rows("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not {"gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys"} <= held:
            raise OutputError(
                f"{self.path.name} can't be read as a findings file (it has no table of contents): "
                "choose a GeoPackage that this program wrote."
            )
        named = {row[0] for row in self._rows("SELECT table_name FROM gpkg_contents")}
        return named & held

    def _rows(self, words: str, given: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        with closing(self._base.execute(words, given)) as found:
            return found.fetchall()

    def layer(
        self, name: str, columns: Mapping[str, Column], kind: str = ""
    ) -> tuple[Table, NDArray[Any]]:
        """Read a layer.

        Parameters
        ----------
        name
            A table of the file.
        columns
            The columns it should have; those that came later may be missing.
        kind : {"Point", "LineString", "Polygon", ""}
            What each row must have as its geometry; empty without one.

        Returns
        -------
        Table, (n,) array of geometries
        """
        declared = self._rows(f'PRAGMA table_info("{name}")')
        held = {row[1] for row in declared}
        contract = list(columns)
        if name in FIRST_LATER:
            contract = contract[: contract.index(FIRST_LATER[name])]
        missing = set(contract) - held
        if missing:
            raise OutputError(
                f"Layer {name} of {self.path.name} lacks the columns {', '.join(sorted(missing))}: "
                "choose a file that this program wrote."
            )
        here = [key for key in columns if key in held]
        shape = self._geometry_column(name, held) if kind else ""
        wanted = ", ".join(f'"{key}"' for key in (*here, *([shape] if shape else ())))
        key = next((f' ORDER BY "{row[1]}"' for row in declared if row[5]), "")
        only = (" WHERE road = ?", (self.road,)) if self.road else ("", ())
        rows = self._rows(f'SELECT {wanted} FROM "{name}"{only[0]}{key}', only[1])
        by_column = list(zip(*rows, strict=True)) if rows else [()] * (len(here) + bool(shape))
        values = dict(zip(here, by_column, strict=False))
        none = (None,) * len(rows)
        table = Table(
            {
                key: self._column(values.get(key, none), name, key, own)
                for key, own in columns.items()
            }
        )
        shapes = self._shapes(by_column[-1], name, kind) if shape else np.empty(0, dtype=object)
        return table, shapes

    def _column(self, values: Sequence[Any], name: str, key: str, own: Column) -> NDArray[Any]:
        """One column; text where a number belongs, or bytes anywhere, are refused."""
        wrong = (bytes,) if own.type == "str" else (bytes, str)
        if any(isinstance(value, wrong) for value in values):
            what, mend = ("text", "numbers") if own.type != "str" else ("bytes", "texts")
            raise OutputError(
                f"{self.path.name} holds {what} in the column {key} of {name}, where {mend} must "
                f"stand: put the {mend} back, or take a copy that is whole."
            )
        if own.type == "str":
            values = [value if isinstance(value, str | None) else str(value) for value in values]
        return column(values, own.type)

    def _geometry_column(self, name: str, held: set[str]) -> str:
        found = self._rows(
            "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (name,)
        )
        if not found or not isinstance(found[0][0], str) or found[0][0] not in held:
            raise OutputError(
                f"{self.path.name} is damaged: it doesn't say where the geometries of {name} are; "
                "screen again, or take a copy that is whole."
            )
        return str(found[0][0])

    def _shapes(self, blobs: Sequence[Any], name: str, kind: str) -> NDArray[Any]:
        import shapely

        plain = [geometry_of(blob) for blob in blobs]
        for number, (blob, inner) in enumerate(zip(blobs, plain, strict=True), start=1):
            if blob is None:
                raise self._not_a(kind, name, "nothing")
            if inner is None:
                raise OutputError(
                    f"The findings file {self.path} holds no geometry where row {number} of {name} "
                    "should have one; fetch or write it again."
                )
        try:
            with np.errstate(invalid="ignore"):
                found = np.asarray(shapely.from_wkb(np.array(plain, dtype=object)))
        except (shapely.errors.ShapelyError, ValueError, TypeError) as problem:
            reason = str(problem).splitlines()[0]
            raise OutputError(
                f"The findings file {self.path} has a geometry in {name} that can't be decoded "
                f"({reason}); fetch or write it again."
            ) from None
        for shape in found:
            if shape.geom_type != kind:
                raise self._not_a(kind, name, shape.geom_type)
        if len(found) and bool(shapely.is_empty(found).any()):
            raise self._not_a(kind, name, "an empty shape")
        return found

    def _not_a(self, kind: str, name: str, found: str) -> OutputError:
        return OutputError(
            f"{self.path.name} is damaged: layer {name} has {found} where a {kind} should be; "
            "screen again, or take a copy that is whole."
        )

    def crs_wkt(self) -> str:
        """Coordinate system of the stations, as WKT; empty where it is undefined."""
        from analysis.terrain.geofiles import CRS, rasterio

        rows = self._rows(
            "SELECT srs_id, organization, organization_coordsys_id, definition FROM "
            "gpkg_geometry_columns JOIN gpkg_spatial_ref_sys USING (srs_id) "
            "WHERE table_name = 'stations'"
        )
        number, organization, code, definition = rows[0] if rows else (0, "", 0, "")
        if number in _UNDEFINED:
            return ""
        if str(organization).upper() == "EPSG" and isinstance(code, int):
            try:
                return str(CRS.from_epsg(code).to_wkt())
            except rasterio.errors.CRSError:
                pass
        try:
            return str(CRS.from_wkt(str(definition)).to_wkt())
        except rasterio.errors.CRSError:
            return ""

    def record(self) -> dict[str, Any]:
        """What the layer `run` keeps: plain values by name."""
        declared = self._rows('PRAGMA table_info("run")')
        rows = self._rows('SELECT * FROM "run" LIMIT 1')
        if not rows:
            raise OutputError(
                f"{self.path.name} doesn't say how it was made (its layer run is empty): choose "
                "another or screen again."
            )
        out: dict[str, Any] = {}
        for (_, key, kind, _, _, is_key), value in zip(declared, rows[0], strict=True):
            if is_key:
                continue
            if isinstance(value, bytes):
                raise OutputError(
                    f"{self.path.name} holds bytes in the column {key} of run, where a text must "
                    "stand: take a copy that is whole."
                )
            out[key] = bool(value) if kind == "BOOLEAN" and value is not None else value
        return out


def points_of(shapes: NDArray[Any]) -> Floats:
    """Coordinates (n, 2) of points."""
    import shapely

    return np.asarray(shapely.get_coordinates(shapes), dtype=float).reshape(-1, 2)


def lines_of(shapes: NDArray[Any]) -> tuple[Floats, ...]:
    """Coordinates (m, 2) of each line, or of the outer ring of each polygon."""
    import shapely

    if not len(shapes):
        return ()
    polygons = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    lines = np.where(polygons, shapely.get_exterior_ring(shapes), shapes)
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    return tuple(np.split(xy, np.searchsorted(owner, np.arange(1, len(lines)))))
