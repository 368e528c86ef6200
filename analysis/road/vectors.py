"""Layers of vector files in the working plane of a terrain grid."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.common.errors import RoadCrsError, RoadError
from analysis.common.given_databases import check_database
from analysis.common.given_files import check_given
from analysis.common.types import Floats
from analysis.terrain.grid import Terrain

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = ["Feature", "Layer", "line_layers", "parts_of", "read_features", "touches"]

What = Literal["lines", "areas", "points"]

# more than twice round the earth; no plane coordinates reach so far
_FARTHEST_M = 1e8

_LEAST = {"lines": 2, "areas": 3, "points": 1}
_KINDS = {
    "lines": ("LineString", "MultiLineString", "GeometryCollection", "Unknown"),
    "areas": ("Polygon", "MultiPolygon", "GeometryCollection", "Unknown"),
    "points": ("Point", "MultiPoint", "GeometryCollection", "Unknown"),
}


@dataclass(frozen=True, slots=True)
class Feature:
    """One line, area or point of a map file.

    Attributes
    ----------
    xy : (m, 2) float64
        Vertices in the working plane, metres (an area's outer ring; one row for a point).
    properties : dict
        Attributes as they are in the file.
    holes : tuple of (m, 2) float64
        Inner rings of an area.
    """

    xy: Floats
    properties: dict[str, Any]
    holes: tuple[Floats, ...] = ()


def read_features(path: str | os.PathLike[str], terrain: Terrain, what: What) -> list[Feature]:
    """Read lines, areas or points with their attributes into the working plane.

    Parameters
    ----------
    path : path
        Any vector file that fiona reads.
    terrain : Terrain
        Settles the working plane.
    what : {"lines", "areas", "points"}
        Kind of geometry to read; others are passed over.

    Returns
    -------
    list of Feature
        At least one; parts of multi-part features one by one.

    Raises
    ------
    RoadError
        Missing or unreadable file, several layers of that kind, coordinates that are no numbers,
        or nothing of that kind in it.
    """
    source = Layer(path, terrain, what)
    found = []
    for raw in source.features:
        for shape in parts_of(raw.geometry, what):
            # a line is one row of vertices, a point one vertex of one, an area several rings
            rows = {"lines": [shape], "points": [[shape]], "areas": shape}[what]
            placed = [source.place(row) for row in rows]
            if 0 < len(placed[0]) < _LEAST[what]:
                raise RoadError(
                    f"The file {source.text} has one of its {what} with only {len(placed[0])} "
                    "vertices; mend or delete it."
                )
            if len(placed[0]):
                found.append(Feature(placed[0], raw.properties, tuple(placed[1:])))
    if not found:
        raise RoadError(f"The layer of {what} in {source.text} is empty; fill it or leave it out.")
    return found


def line_layers(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Return the layers of a vector file that can hold lines.

    Raises
    ------
    RoadError
        Missing or unreadable file.
    """
    return tuple(_layers(os.fspath(path), _KINDS["lines"]))


@dataclass(frozen=True, slots=True)
class Raw:
    """A feature as the file has it: its number, geometry in its own coordinates, attributes."""

    number: str
    geometry: dict[str, Any]
    properties: dict[str, Any]


class Layer:
    """One layer of a vector file on its way into the working plane."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        terrain: Terrain,
        what: What,
        *,
        layer: str | None = None,
        crs: str | None = None,
        notes: list[str] | None = None,
    ) -> None:
        from analysis.terrain import geofiles

        self.text = os.fspath(path)
        self.stem = Path(self.text).stem
        self.terrain = terrain
        self._notes = notes if notes is not None else []
        self._crs_assumed = False
        layers = _layers(self.text, _KINDS[what] if layer is None else ())
        if layer is None:
            if not layers:
                raise RoadError(f"The file {self.text} has no layer of {what}; give one that has.")
            if len(layers) > 1:
                raise RoadError(
                    f"The file {self.text} has several layers of {what} "
                    f"({', '.join(layers)}); name the one to use (--layer on the command line for "
                    "the centreline) or give a file with one."
                )
            layer = layers[0]
        elif layer not in layers:
            raise RoadError(
                f'The file {self.text} has no layer "{layer}"; it has {", ".join(layers)}.'
            )
        fiona = geofiles.fiona
        self.features: list[Raw] = []
        try:
            with fiona.open(self.text, layer=layer) as collection:
                self.fields = list(collection.schema["properties"])
                wkt = collection.crs_wkt
                driver = collection.driver
                for item in collection:
                    if item.geometry is not None:
                        geometry = item.geometry.__geo_interface__
                        self.features.append(Raw(str(item.id), geometry, dict(item.properties)))
        except geofiles.LIBRARY_ERRORS as error:
            raise RoadError(
                f'The layer "{layer}" of {self.text} can\'t be read; check that the file is whole.'
            ) from error
        self._layer, self._driver = layer, driver
        self._grid_crs = geofiles.CRS.from_wkt(terrain.crs_wkt)
        self._crs = self._source_crs(wkt, crs)

    def _source_crs(self, wkt: str, given: str | None) -> CRS | None:
        """Return the coordinate system to transform from; None = already the grid's."""
        from analysis.terrain import geofiles

        if given is None and not wkt:
            self._crs_assumed = True
            self._notes.append(
                f"The file {self.text} has no coordinate system; the terrain grid's was assumed."
            )
            return None
        try:
            found = geofiles.CRS.from_user_input(given if given is not None else wkt)
        except geofiles.rasterio.errors.CRSError as error:
            raise RoadError(
                f"The coordinate system of {self.text} is not known; give it as EPSG:number."
            ) from error
        if given is None and found.is_geographic:
            corners = np.array(
                [point[:2] for raw in self.features for point in _vertices(raw.geometry)]
            ).reshape(-1, 2)
            if np.any(np.abs(corners) > 360.0):
                if touches(self.terrain, corners * self.terrain.xy_unit_m):
                    self._crs_assumed = True
                    self._notes.append(
                        f"The coordinates in {self.text} are no degrees; the terrain grid's "
                        "coordinate system was assumed."
                    )
                    return None
                raise RoadError(
                    f"The coordinates in {self.text} are no degrees though the file says so; give "
                    "its coordinate system (for example EPSG:32610)."
                )
        return None if found == self._grid_crs else found

    @cached_property
    def _measures(self) -> dict[str, list[Floats]]:
        from analysis.road.measures import read_measures

        return read_measures(self.text, self._layer, self._driver)

    def measures(self, raw: Raw) -> list[Floats] | None:
        """Return the M values of a feature's lines if the file has some for just these vertices."""
        found = self._measures.get(raw.number, [])
        lines = [len(line) for line in parts_of(raw.geometry, "lines")]
        return found if found and [len(m) for m in found] == lines else None

    def place(self, points: Iterable[tuple[float, ...]]) -> Floats:
        """Return vertices in the working plane, (m, 2) metres."""
        from analysis.terrain import geofiles

        xy = np.array([point[:2] for point in points], dtype=float).reshape(-1, 2)
        if not np.isfinite(xy).all():
            raise RoadError(
                f"The file {self.text} has a vertex whose coordinates are no numbers; mend or "
                "delete it."
            )
        if self._crs is not None and len(xy):
            try:
                moved = geofiles.rasterio.warp.transform(
                    self._crs, self._grid_crs, xy[:, 0].tolist(), xy[:, 1].tolist()
                )
                xy = np.column_stack(moved)
            except Exception:  # the library's own errors for this are private
                xy = np.full_like(xy, np.nan)
            plane = self._grid_crs
            if not np.isfinite(xy).all() and not (plane.is_projected or plane.is_geographic):
                raise RoadError(
                    f"The terrain grid {self.terrain.path} is in a local coordinate system, into "
                    f"which {self.text} can't be brought; give the grid's real one (--crs on the "
                    "command line), or the layer in the local one."
                )
            if not np.isfinite(xy).all():
                raise RoadError(
                    f"The coordinates in {self.text} don't fit its coordinate system; give the "
                    "right one (for example EPSG:32610)."
                )
        xy = xy * self.terrain.xy_unit_m
        if np.any(np.abs(xy) > _FARTHEST_M):
            raise RoadError(
                f"The file {self.text} has a vertex farther off than any map reaches; mend or "
                "delete it, or give the right coordinate system."
            )
        return xy

    def check_overlap(self, lines: Iterable[Floats]) -> None:
        """Refuse a layer of which no line touches the terrain grid."""
        if any(touches(self.terrain, xy) for xy in lines):
            return
        begin = f"The road in {self.text} lies outside the terrain grid {self.terrain.name};"
        if self._crs_assumed:
            raise RoadCrsError(
                f"{begin} it has no coordinate system of its own, so give that first."
            )
        raise RoadError(
            f"{begin} check that both are of the same place and that their coordinate systems are "
            "right."
        )


def _layers(text: str, kinds: tuple[str, ...]) -> list[str]:
    """Return layer names, only those of some kinds if `kinds` names any."""
    from analysis.terrain import geofiles

    fiona = geofiles.fiona
    check_given(text, "The file", RoadError)
    check_database(text, "The file", RoadError)
    _check_shapefile(text)
    try:
        names = list(fiona.listlayers(text))
        if not kinds:
            return names
        fitting = []
        for name in names:
            with fiona.open(text, layer=name) as collection:
                kind = collection.schema["geometry"]
            kinds_of_layer = [kind] if isinstance(kind, str) else list(kind)
            if any(one.replace("3D ", "").split(" ")[0] in kinds for one in kinds_of_layer):
                fitting.append(name)
    except geofiles.LIBRARY_ERRORS as error:
        raise RoadError(
            f"The file {text} can't be read as a map file; give a GeoPackage, shapefile, GeoJSON "
            "or another vector file that GDAL reads."
        ) from error
    return fitting


def _check_shapefile(text: str) -> None:
    """Refuse a shapefile shorter than its head says (ESRI description, July 1998)."""
    if not text.lower().endswith(".shp") or not os.path.isfile(text):
        return
    with open(text, "rb") as file:
        head = file.read(28)
    if len(head) < 28 or os.path.getsize(text) < 2 * int.from_bytes(head[24:28], "big"):
        raise RoadError(f"The shapefile {text} is cut off; fetch or write it again.")


def parts_of(geometry: dict[str, Any], what: What) -> Iterator[Any]:
    """Return the coordinates of each line, area (rings) or point in a geometry."""
    kind = geometry["type"]
    if kind == "GeometryCollection":
        for part in geometry["geometries"]:
            yield from parts_of(part, what)
    elif kind.removeprefix("Multi") == _KINDS[what][0] and geometry["coordinates"]:
        yield from geometry["coordinates"] if kind == _KINDS[what][1] else [geometry["coordinates"]]


def _vertices(geometry: dict[str, Any]) -> Iterator[tuple[float, ...]]:
    yield from parts_of(geometry, "points")
    for line in parts_of(geometry, "lines"):
        yield from line
    for rings in parts_of(geometry, "areas"):
        for ring in rings:
            yield from ring


def touches(terrain: Terrain, xy: Floats) -> bool:
    """Return True where some point of a line lies on the grid."""
    import shapely

    at = np.column_stack(terrain.to_grid(xy[:, 0], xy[:, 1]))
    line = shapely.LineString(at) if len(at) > 1 else shapely.MultiPoint(at)
    grid = shapely.box(-0.5, -0.5, terrain.rows - 0.5, terrain.cols - 0.5)
    return bool(shapely.intersects(line, grid))
