"""Layers of vector files in the working plane of a terrain grid."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import RoadError
from analysis.terrain.grid import Terrain

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = [
    "Feature",
    "Layer",
    "Raw",
    "line_layers",
    "lines_of",
    "read_features",
    "read_lines",
    "read_points",
    "read_polygons",
    "touches",
]

Vertices = list[tuple[float, ...]]
What = Literal["lines", "areas", "points"]

# more than twice round the earth; no plane coordinates reach so far
_FARTHEST_M = 1e8

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

    xy: NDArray[np.float64]
    properties: dict[str, Any]
    holes: tuple[NDArray[np.float64], ...] = ()


def read_features(
    path: str | os.PathLike[str],
    terrain: Terrain,
    what: What,
    *,
    layer: str | None = None,
    crs: str | None = None,
    notes: list[str] | None = None,
) -> list[Feature]:
    """Read lines, areas or points with their attributes into the working plane.

    Parameters
    ----------
    path : path
        Any vector file that fiona reads.
    terrain : Terrain
        Settles the working plane.
    what : {"lines", "areas", "points"}
        Kind of geometry to read; others are passed over.
    layer : str, optional
        Layer of the file; needed when it holds several of that kind.
    crs : str, optional
        Coordinate system, for a file that has none or a wrong one.
    notes : list of str, optional
        Sentences about what was assumed are appended here.

    Returns
    -------
    list of Feature
        At least one; parts of multi-part features one by one.

    Raises
    ------
    RoadError
        Missing or unreadable file, unknown layer, coordinates that are no numbers, or
        nothing of that kind in it.
    """
    source = Layer(path, terrain, layer, what, crs, notes)
    found = []
    for _, raw in source.features():
        shapes: Iterable[list[Vertices]]
        if what == "lines":
            shapes = ([line] for line in lines_of(raw.geometry) if line)
        elif what == "areas":
            shapes = _polygons(raw.geometry)
        else:
            shapes = ([[point]] for point in _points(raw.geometry))
        for shape in shapes:
            placed = [source.place(part) for part in shape]
            found.append(Feature(placed[0], raw.properties, tuple(placed[1:])))
    if not found:
        raise RoadError(f"The layer of {what} in {source.text} is empty; fill it or leave it out.")
    return found


def read_lines(
    path: str | os.PathLike[str], terrain: Terrain, layer: str | None = None
) -> list[NDArray[np.float64]]:
    """Read lines such as pavement edges: (m, 2) metres each; see `read_features`.

    Raises
    ------
    RoadError
        As in `read_features`.
    """
    return [feature.xy for feature in read_features(path, terrain, "lines", layer=layer)]


def read_polygons(
    path: str | os.PathLike[str], terrain: Terrain, layer: str | None = None
) -> list[NDArray[np.float64]]:
    """Read outer rings of areas such as masks: (m, 2) metres each; see `read_features`.

    Raises
    ------
    RoadError
        As in `read_features`.
    """
    return [feature.xy for feature in read_features(path, terrain, "areas", layer=layer)]


def read_points(
    path: str | os.PathLike[str], terrain: Terrain, layer: str | None = None
) -> NDArray[np.float64]:
    """Read points such as culvert ends: (c, 2) metres; see `read_features`.

    Raises
    ------
    RoadError
        As in `read_features`.
    """
    found = read_features(path, terrain, "points", layer=layer)
    return np.concatenate([feature.xy for feature in found])


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
    """A feature as the file has it: geometry in its own coordinates, and attributes."""

    geometry: dict[str, Any]
    properties: dict[str, Any]


class Layer:
    """One layer of a vector file on its way into the working plane."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        terrain: Terrain,
        layer: str | None,
        what: What,
        crs: str | None,
        notes: list[str] | None,
    ) -> None:
        from analysis.terrain import geofiles

        self.text = os.fspath(path)
        self.stem = Path(self.text).stem
        self.terrain = terrain
        self.what = what
        self._notes = notes if notes is not None else []
        layers = _layers(self.text, _KINDS[what] if layer is None else ())
        if layer is None:
            if not layers:
                raise RoadError(f"The file {self.text} has no layer of {what}; give one that has.")
            if len(layers) > 1:
                raise RoadError(
                    f"The file {self.text} has several layers of {what} "
                    f"({', '.join(layers)}); name the one to use (--layer on the command line)."
                )
            layer = layers[0]
        elif layer not in layers:
            raise RoadError(
                f'The file {self.text} has no layer "{layer}"; it has {", ".join(layers)}.'
            )
        fiona = geofiles.fiona
        self._raw: list[tuple[str, Raw]] = []
        try:
            with fiona.open(self.text, layer=layer) as collection:
                self.fields = list(collection.schema["properties"])
                wkt = collection.crs_wkt
                driver = collection.driver
                for item in collection:
                    if item.geometry is not None:
                        geometry = item.geometry.__geo_interface__
                        self._raw.append((str(item.id), Raw(geometry, dict(item.properties))))
        except (fiona.errors.FionaError, OSError, UnicodeDecodeError) as error:
            raise RoadError(
                f'The layer "{layer}" of {self.text} can\'t be read; check that the file is whole.'
            ) from error
        self.count = len(self._raw)
        self._layer, self._driver = layer, driver
        self._measures: dict[str, list[NDArray[np.float64]]] | None = None
        self._grid_crs = geofiles.CRS.from_wkt(terrain.crs_wkt)
        self._crs = self._source_crs(wkt, crs)

    def _source_crs(self, wkt: str, given: str | None) -> CRS | None:
        """Return the coordinate system to transform from; None = already the grid's."""
        from analysis.terrain import geofiles

        if given is None and not wkt:
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
                [point[:2] for _, raw in self._raw for point in _vertices(raw.geometry)]
            ).reshape(-1, 2)
            if np.any(np.abs(corners) > 360.0):
                if touches(self.terrain, corners * self.terrain.xy_unit_m):
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

    def features(self) -> Iterator[tuple[str, Raw]]:
        """Return feature ids and features that have a geometry."""
        yield from self._raw

    def measures(self, number: str, lines: list[Vertices]) -> list[NDArray[np.float64]] | None:
        """Return the M values of a feature if the file has some for just these vertices."""
        from analysis.road.mvalues import read_measures

        if self._measures is None:
            self._measures = read_measures(self.text, self._layer, self._driver)
        found = self._measures.get(number)
        if found is None or [len(m) for m in found] != [len(line) for line in lines]:
            return None
        return found

    def place(self, points: Iterable[tuple[float, ...]]) -> NDArray[np.float64]:
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

    def check_overlap(self, lines: Iterable[NDArray[np.float64]]) -> None:
        """Refuse a layer of which no line touches the terrain grid."""
        if any(touches(self.terrain, xy) for xy in lines):
            return
        assumed = any("assumed" in note and self.text in note for note in self._notes)
        hint = (
            "it has no coordinate system of its own, so give that first"
            if assumed
            else "check that both are of the same place and that their coordinate systems are right"
        )
        raise RoadError(
            f"The road in {self.text} lies outside the terrain grid {self.terrain.name}; {hint}."
        )


def _layers(text: str, kinds: tuple[str, ...]) -> list[str]:
    """Return layer names, only those of some kinds if `kinds` names any."""
    from analysis.terrain import geofiles

    fiona = geofiles.fiona
    plain = not (text.startswith("/vsi") or "://" in text)
    if plain and not os.path.exists(text):
        raise RoadError(f"The file {text} doesn't exist; check the path and the file name.")
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
    except (fiona.errors.FionaError, OSError, ValueError, UnicodeDecodeError) as error:
        raise RoadError(
            f"The file {text} can't be read as a map file; give a GeoPackage, shapefile, GeoJSON "
            "or another vector file that GDAL reads."
        ) from error
    return fitting


def _vertices(geometry: dict[str, Any]) -> Iterator[tuple[float, ...]]:
    for line in lines_of(geometry):
        yield from line
    for rings in _polygons(geometry):
        for ring in rings:
            yield from ring
    yield from _points(geometry)


def lines_of(geometry: dict[str, Any]) -> Iterator[Vertices]:
    """Return the lines in a geometry, part by part."""
    if geometry["type"] == "GeometryCollection":
        for part in geometry["geometries"]:
            yield from lines_of(part)
    elif geometry["type"] == "LineString":
        yield list(geometry["coordinates"])
    elif geometry["type"] == "MultiLineString":
        yield from (list(line) for line in geometry["coordinates"])


def _polygons(geometry: dict[str, Any]) -> Iterator[list[Vertices]]:
    if geometry["type"] == "GeometryCollection":
        for part in geometry["geometries"]:
            yield from _polygons(part)
    elif geometry["type"] == "Polygon" and geometry["coordinates"]:
        yield [list(ring) for ring in geometry["coordinates"]]
    elif geometry["type"] == "MultiPolygon":
        yield from ([list(ring) for ring in rings] for rings in geometry["coordinates"])


def _points(geometry: dict[str, Any]) -> Iterator[tuple[float, ...]]:
    if geometry["type"] == "GeometryCollection":
        for part in geometry["geometries"]:
            yield from _points(part)
    elif geometry["type"] == "Point":
        yield geometry["coordinates"]
    elif geometry["type"] == "MultiPoint":
        yield from geometry["coordinates"]


def touches(terrain: Terrain, xy: NDArray[np.float64]) -> bool:
    """Return True where some point of a line lies on the grid."""
    if terrain.covers(xy[:, 0], xy[:, 1]).any():
        return True
    if len(xy) < 2:
        return False
    # a long segment can cross the grid with both its ends outside
    row, col = terrain.to_grid(xy[:, 0], xy[:, 1])
    low, high = np.zeros(len(xy) - 1), np.ones(len(xy) - 1)
    for at, size in ((row + 0.5, terrain.rows), (col + 0.5, terrain.cols)):
        start, step = at[:-1], np.diff(at)
        with np.errstate(divide="ignore", invalid="ignore"):
            one, two = (0.0 - start) / step, (size - start) / step
        flat = step == 0
        outside = flat & ((start < 0) | (start > size))
        enter = np.where(flat, 0.0, np.minimum(one, two))
        leave = np.where(flat, np.where(outside, -1.0, 1.0), np.maximum(one, two))
        low, high = np.maximum(low, enter), np.minimum(high, leave)
    return bool(np.any(low < high))
