"""Centrelines and other lines, areas and points from map files, in the working plane.

The mathematics of stationing lives in `analysis.roadline` and is handed on from here.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.errors import RoadError, SettingsError
from analysis.roadline import (
    CHORD_M,
    Frames,
    Road,
    Tracker,
    frames,
    make_road,
    reversed_road,
    road_part,
    station_grid,
    to_map,
    to_road,
)
from analysis.stations import StationStyle, parse_station, station_text
from analysis.terrain import Terrain
from analysis.units import METRES_PER_FOOT, METRES_PER_MILE

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = [
    "CHORD_M",
    "Feature",
    "Frames",
    "Road",
    "StationStyle",
    "Tracker",
    "frames",
    "line_layers",
    "make_road",
    "parse_station",
    "read_features",
    "read_lines",
    "read_points",
    "read_polygons",
    "read_roads",
    "reversed_road",
    "road_part",
    "station_grid",
    "station_text",
    "to_map",
    "to_road",
]

_NAME_FIELDS = (
    *("name", "road", "road_name", "roadname", "street", "full_name", "ref"),
    *("route", "route_id", "road_id", "id"),
)
_START_FIELDS = ("start_m", "from_m", "begin_m", "start_station", "from_station")
# ends closer than this are one point: centrelines are never digitised finer
_SAME_POINT_M = 0.02
_MEASURE_UNITS_M = {
    "metres": 1.0,
    "feet": METRES_PER_FOOT,
    "kilometres": 1000.0,
    "miles": METRES_PER_MILE,
}
_MEASURE_FIT = 0.1
_MEASURE_GAP_M = 1.0
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


@dataclass(frozen=True, slots=True)
class _Part:
    """A stretch of road on its way to becoming a `Road`."""

    name: str
    xy: NDArray[np.float64]
    measure: NDArray[np.float64] | None

    def turned(self) -> _Part:
        measure = None if self.measure is None else self.measure[::-1]
        return _Part(self.name, self.xy[::-1], measure)


def read_roads(
    path: str | os.PathLike[str],
    terrain: Terrain,
    *,
    layer: str | None = None,
    name_field: str | None = None,
    start_m: float = 0.0,
    reverse: bool = False,
    crs: str | None = None,
    use_measures: bool = True,
    notes: list[str] | None = None,
) -> tuple[Road, ...]:
    """Read road centrelines into the working plane of a terrain grid.

    Stretches of one name that meet end to end become one road; what stays apart becomes
    ``name (2)`` and so on. Station labels come from M values (GeoPackage, shapefile) or
    from a start field such as ``start_m``, else from `start_m`. Roads that don't touch the
    grid are left out as long as one does.

    Parameters
    ----------
    path : path
        Any vector file that fiona reads.
    terrain : Terrain
        Settles the working plane.
    layer : str, optional
        Layer of the file; needed when it holds several with lines.
    name_field : str, optional
        Field with the road's name; found by itself if called name, road, ref, id or alike.
    start_m : float, default 0
        Label of the first vertex of roads that bring no labels of their own.
    reverse : bool, default False
        Run the roads against the direction they were drawn in.
    crs : str, optional
        Coordinate system of the lines, for a file that has none or a wrong one.
    use_measures : bool, default True
        False ignores M values and start fields.
    notes : list of str, optional
        Sentences about what was assumed or left out are appended here.

    Returns
    -------
    tuple of Road
        At least one.

    Raises
    ------
    RoadError
        Missing or unreadable file, unknown layer or field, no lines, a line without two
        different vertices, coordinates that are no numbers, no road on the grid, unusable
        measures.
    """
    told = notes if notes is not None else []
    source = _Source(path, terrain, layer, _KINDS["lines"], "lines", crs, told)
    field = _name_field(source.fields, name_field, source.text)
    parts: list[_Part] = []
    for number, feature in source.features():
        name = _name(feature.properties, field)
        lines = list(_lines(feature.geometry))
        measures = source.measures(number, lines) if use_measures else None
        start = _start(feature.properties, source.text) if use_measures else None
        done_m = 0.0
        for i, line in enumerate(lines):
            xy = source.place(line)
            called = name or source.stem
            if len(xy) < 2 or not np.any(np.hypot(*np.diff(xy, axis=0).T) > 1e-5):
                told.append(f'A line of "{called}" in {source.text} has no length; left out.')
                continue
            measure = None
            if measures is not None:
                measure = _measure_in_metres(measures[i], xy, called, source.text)
            if measure is None and start is not None:
                along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
                measure = start + done_m + along
                done_m += float(along[-1])
            parts.append(_Part(name, xy, measure))
    if not parts:
        if source.count:
            raise RoadError(
                f"The lines in {source.text} have no length (each needs two different "
                "vertices); draw the centreline again."
            )
        raise RoadError(f"The layer of lines in {source.text} is empty; draw the centreline first.")
    source.check_overlap(part.xy for part in parts)
    roads = []
    for name, xy, measure in _named(_joined(parts), source.stem):
        if reverse and measure is None:
            xy = xy[::-1]
        road = make_road(name, xy, measure=measure, start_m=start_m)
        road = reversed_road(road) if reverse and measure is not None else road
        if _touches(terrain, road.xy):
            roads.append(road)
        else:
            told.append(f'The road "{name}" doesn\'t touch the terrain grid; left out.')
    return tuple(roads)


def read_features(
    path: str | os.PathLike[str],
    terrain: Terrain,
    what: Literal["lines", "areas", "points"],
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
    source = _Source(path, terrain, layer, _KINDS[what], what, crs, notes)
    found = []
    for _, raw in source.features():
        shapes: Iterable[list[list[tuple[float, ...]]]]
        if what == "lines":
            shapes = ([line] for line in _lines(raw.geometry) if line)
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
class _Raw:
    geometry: dict[str, Any]
    properties: dict[str, Any]


class _Source:
    """One layer of a vector file on its way into the working plane."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        terrain: Terrain,
        layer: str | None,
        kinds: tuple[str, ...],
        what: str,
        crs: str | None,
        notes: list[str] | None,
    ) -> None:
        from analysis import geofiles

        self.text = os.fspath(path)
        self.stem = Path(self.text).stem
        self.terrain = terrain
        self.what = what
        self._notes = notes if notes is not None else []
        layers = _layers(self.text, kinds if layer is None else ())
        if layer is None:
            if not layers:
                raise RoadError(f"The file {self.text} has no layer of {what}; give one that has.")
            if len(layers) > 1:
                raise RoadError(
                    f"The file {self.text} has several layers of {what} "
                    f"({', '.join(layers)}); name the one to use."
                )
            layer = layers[0]
        elif layer not in layers:
            raise RoadError(
                f'The file {self.text} has no layer "{layer}"; it has {", ".join(layers)}.'
            )
        fiona = geofiles.fiona
        self._raw: list[tuple[str, _Raw]] = []
        try:
            with fiona.open(self.text, layer=layer) as collection:
                self.fields = list(collection.schema["properties"])
                wkt = collection.crs_wkt
                driver = collection.driver
                for item in collection:
                    if item.geometry is not None:
                        geometry = item.geometry.__geo_interface__
                        self._raw.append((str(item.id), _Raw(geometry, dict(item.properties))))
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
        from analysis import geofiles

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
                if _touches(self.terrain, corners * self.terrain.xy_unit_m):
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

    def features(self) -> Iterator[tuple[str, _Raw]]:
        yield from self._raw

    def measures(
        self, number: str, lines: list[list[tuple[float, ...]]]
    ) -> list[NDArray[np.float64]] | None:
        """Return the M values of a feature if the file has some for just these vertices."""
        from analysis.mvalues import read_measures

        if self._measures is None:
            self._measures = read_measures(self.text, self._layer, self._driver)
        found = self._measures.get(number)
        if found is None or [len(m) for m in found] != [len(line) for line in lines]:
            return None
        return found

    def place(self, points: Iterable[tuple[float, ...]]) -> NDArray[np.float64]:
        """Return vertices in the working plane, (m, 2) metres."""
        from analysis import geofiles

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
        return xy * self.terrain.xy_unit_m

    def check_overlap(self, lines: Iterable[NDArray[np.float64]]) -> None:
        if any(_touches(self.terrain, xy) for xy in lines):
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
    from analysis import geofiles

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
    for line in _lines(geometry):
        yield from line
    for rings in _polygons(geometry):
        for ring in rings:
            yield from ring
    yield from _points(geometry)


def _lines(geometry: dict[str, Any]) -> Iterator[list[tuple[float, ...]]]:
    if geometry["type"] == "GeometryCollection":
        for part in geometry["geometries"]:
            yield from _lines(part)
    elif geometry["type"] == "LineString":
        yield list(geometry["coordinates"])
    elif geometry["type"] == "MultiLineString":
        yield from (list(line) for line in geometry["coordinates"])


def _polygons(geometry: dict[str, Any]) -> Iterator[list[list[tuple[float, ...]]]]:
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


def _touches(terrain: Terrain, xy: NDArray[np.float64]) -> bool:
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


def _name_field(fields: list[str], wanted: str | None, text: str) -> str | None:
    if wanted is not None:
        if wanted not in fields:
            raise RoadError(
                f'The file {text} has no field "{wanted}"; it has {", ".join(fields) or "none"}.'
            )
        return wanted
    lower = {field.lower(): field for field in reversed(fields)}
    return next((lower[name] for name in _NAME_FIELDS if name in lower), None)


def _name(properties: dict[str, Any], field: str | None) -> str:
    value = properties.get(field) if field is not None else None
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip()


def _start(properties: dict[str, Any], text: str) -> float | None:
    lower = {key.lower(): value for key, value in properties.items()}
    for field in _START_FIELDS:
        value = lower.get(field)
        if value is None or value == "":
            continue
        try:
            number = parse_station(value) if isinstance(value, str) else float(value)
        except (SettingsError, TypeError, ValueError) as error:
            raise RoadError(
                f'The start station "{value}" in the field {field} of {text} is no station; write '
                "it in metres or like 2+340."
            ) from error
        if math.isfinite(number):
            return number
    return None


def _measure_in_metres(
    m: NDArray[np.float64], xy: NDArray[np.float64], name: str, text: str
) -> NDArray[np.float64] | None:
    """Return station labels in metres from M values in a unit found from the line's length."""
    known = np.isfinite(m)
    # a line with a dimension for M but nothing in it (all zero, or empty) has no measures
    if known.sum() < 2 or np.ptp(m[known]) == 0:
        return None
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    first, last = np.flatnonzero(known)[[0, -1]]
    ratio = abs(m[last] - m[first]) / max(along[last] - along[first], 1e-9)
    for unit_m in _MEASURE_UNITS_M.values():
        if abs(ratio * unit_m - 1.0) <= _MEASURE_FIT:
            values = np.interp(along, along[known], m[known]) * unit_m
            sense = math.copysign(1.0, m[last] - m[first])
            values[:first] = values[first] - sense * (along[first] - along[:first])
            values[last + 1 :] = values[last] + sense * (along[last + 1 :] - along[last])
            return np.asarray(values)
    raise RoadError(
        f'The measures of "{name}" in {text} run from {m[first]:g} to {m[last]:g} over '
        f"{along[last] - along[first]:.0f} m, which is neither metres, feet, kilometres nor miles; "
        "mend them or read the road without its measures."
    )


def _joined(parts: list[_Part]) -> list[_Part]:
    """Join stretches of one name where just two of them meet."""
    out: list[_Part] = []
    names = list(dict.fromkeys(part.name for part in parts))
    for name in names:
        group: list[_Part | None] = [part for part in parts if part.name == name]
        while _join_once(group):
            pass
        out += [part for part in group if part is not None]
    return out


def _join_once(group: list[_Part | None]) -> bool:
    """Join what can be joined in one pass over the ends; tell whether anything was."""
    ends: list[tuple[int, bool, NDArray[np.float64]]] = []
    for i, part in enumerate(group):
        if part is not None:
            ends += [(i, False, part.xy[0]), (i, True, part.xy[-1])]
    if len(ends) < 4:
        return False
    places = np.array([end[2] for end in ends])
    from scipy.spatial import cKDTree

    near = cKDTree(places).query_ball_point(places, _SAME_POINT_M)
    used: set[int] = set()
    joined = False
    for meeting in near:
        if len(meeting) != 2:
            continue
        (i, i_last, _), (j, j_last, _) = ends[meeting[0]], ends[meeting[1]]
        if i == j or i in used or j in used:
            continue
        one, two = group[i], group[j]
        if one is None or two is None:
            continue
        if i_last:
            whole = _end_to_start(one, two if not j_last else two.turned())
        else:
            # the stretch that comes first in the file keeps its direction
            whole = _end_to_start(two if j_last else two.turned(), one)
        if whole is not None:
            group[i], group[j] = whole, None
            used |= {i, j}
            joined = True
    return joined


def _end_to_start(one: _Part, two: _Part) -> _Part | None:
    xy = np.concatenate([one.xy, two.xy[1:]])
    if one.measure is None and two.measure is None:
        return _Part(one.name, xy, None)
    if one.measure is None or two.measure is None:
        return None
    if abs(one.measure[-1] - two.measure[0]) > _MEASURE_GAP_M:
        return None
    measure = np.concatenate([one.measure, two.measure[1:]])
    step = np.diff(measure)[np.hypot(*np.diff(xy, axis=0).T) > 1e-5]
    if not (np.all(step > 0) or np.all(step < 0)):
        return None
    return _Part(one.name, xy, measure)


def _named(
    parts: list[_Part], stem: str
) -> Iterator[tuple[str, NDArray[np.float64], NDArray[np.float64] | None]]:
    """Give each road a name of its own: ``name``, ``name (2)``, ..."""
    taken: set[str] = set()
    for part in parts:
        base = part.name or stem
        name, count = base, 1
        while name in taken:
            count += 1
            name = f"{base} ({count})"
        taken.add(name)
        yield name, part.xy, part.measure
