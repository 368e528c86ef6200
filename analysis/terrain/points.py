"""Ground points of a survey (LAS, LAZ, COPC): headers settled, points read in chunks.

Only points of class 2 (ground) that aren't withheld are taken: which points are ground is for the
survey to say. Everything leaves this module in metres, as from a grid.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import Cancelled, TerrainCrsError, TerrainError
from analysis.common.given_files import check_given, is_local
from analysis.common.types import Bools, Floats, Progress, share_of
from analysis.terrain.grid import HIGHEST_M, LOWEST_M, Terrain
from analysis.terrain.grid_units import linear_unit, vertical_unit_of
from analysis.terrain.point_heads import check_head

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = [
    "POINT_ENDINGS",
    "SIDEWAYS_M",
    "PointFiles",
    "Points",
    "check_same_plane",
    "ground_points",
    "is_points",
    "joined",
    "no_points",
    "open_points",
]

POINT_ENDINGS = (".las", ".laz")

SIDEWAYS_M = 0.08
"""Horizontal error of a point, per axis, where nobody gives one: between a mobile survey (some
20 mm) and one from the air (100 to 200 mm); common practice."""

GROUND = 2
"""Class of ground points. Source: LAS 1.4 R15, tables 9 and 17."""

_CHUNK = 1_000_000
# units of the plane: no survey in one file reaches farther, and no header is off by more
_WIDEST, _OFF = 1e6, 10.0
_LOOKED_THROUGH = 3
_SQUARE_M = 5.0
# GeoTIFF keys in a LAS header. Source: OGC GeoTIFF 1.1 (19-008r4), sections 7 and 8.
_PLANE_KEY, _DEGREES_KEY, _VERTICAL_KEY, _VERTICAL_UNIT_KEY = 3072, 2048, 4096, 4099
_UNIT_CODES = {9001: "metre", 9002: "foot", 9003: "us survey foot"}

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class _File:
    path: str
    copc: bool
    count: int
    bounds: Box  # west, south, east, north, metres
    # of the ground in each chunk, where it was looked through: what is far away isn't read again
    chunks: tuple[Box, ...] = ()


@dataclass(frozen=True, slots=True)
class PointFiles:
    """What is known of a survey's files without holding them open.

    Attributes
    ----------
    files
        Every file with its bounds; folders are opened up.
    crs_wkt : str
        Coordinate system of the points.
    xy_unit_m, z_unit_m : float
        Length of one unit of the plane, and of the heights, in metres.
    z_unit_source : str
        Where the vertical unit comes from; `z_unit_sure` is False when it was assumed.
    density_per_m2 : float
        Ground points per square metre where there are any.
    sideways_m : float
        Standard deviation of a point's horizontal error, per axis.
    """

    files: tuple[_File, ...]
    crs_wkt: str
    xy_unit_m: float
    z_unit_m: float
    z_unit_source: str
    z_unit_sure: bool
    density_per_m2: float
    sideways_m: float = SIDEWAYS_M

    @property
    def paths(self) -> tuple[str, ...]:
        """The files."""
        return tuple(file.path for file in self.files)

    @property
    def name(self) -> str:
        """How the survey is called: its first file, without folder and ending."""
        return Path(self.files[0].path).name.split(".")[0]

    @property
    def bounds(self) -> Box:
        """West, south, east, north of all points, metres."""
        west, south, east, north = np.array([file.bounds for file in self.files]).T
        return float(west.min()), float(south.min()), float(east.max()), float(north.max())


@dataclass(frozen=True, slots=True)
class Points:
    """Ground points; arrays (m,), metres.

    Attributes
    ----------
    x, y, z
        In the plane of the files, scaled to metres.
    intensity
        Strength of the return, as the file has it.
    strip
        Which strip each comes from (point source ID).
    """

    x: Floats
    y: Floats
    z: Floats
    intensity: NDArray[np.float32]
    strip: NDArray[np.uint16]

    def part(self, keep: Bools | NDArray[np.intp]) -> Points:
        """Return the points `keep`, a mask or indices."""
        return Points(
            self.x[keep], self.y[keep], self.z[keep], self.intensity[keep], self.strip[keep]
        )


def joined(parts: Sequence[Points]) -> Points:
    """Return the points of several chunks, at least one, in a row."""
    return Points(
        *(np.concatenate([getattr(p, name.name) for p in parts]) for name in fields(Points))
    )


def no_points() -> Points:
    """Return none at all, to join others to."""
    none = np.empty(0)
    return Points(none, none, none, np.empty(0, np.float32), np.empty(0, np.uint16))


def open_points(
    paths: Sequence[str | os.PathLike[str]],
    *,
    crs: str | None = None,
    vertical_unit: str | None = None,
    sideways_m: float = SIDEWAYS_M,
) -> PointFiles:
    """Describe the files of a survey, settle their units and see that ground is classified.

    Parameters
    ----------
    paths
        LAS, LAZ or COPC files, or folders of them.
    crs : str, optional
        Coordinate system for files that have none, or in place of a wrong one.
    vertical_unit : {"metre", "foot", "us-foot"}, optional
        Unit of the heights; else that of the header, else that of the plane.
    sideways_m : float
        Horizontal error of a point, per axis.

    Returns
    -------
    PointFiles

    Raises
    ------
    TerrainError
        No file, unreadable, no or different coordinate systems, in degrees, no ground class, or
        nothing to read such files with.
    """
    if not (math.isfinite(sideways_m) and 0.0 <= sideways_m <= 2.0):
        raise TerrainError(f"The points' horizontal error must be 0 to 2 m, not {sideways_m}.")
    found = [path for given in paths for path in _opened_up(os.fspath(given))]
    if not found:
        raise TerrainError("There are no files of points: give at least one LAS or LAZ file.")
    heads = [_head(path) for path in found]
    plane, words = _one_plane([(path, *head[3:]) for path, head in zip(found, heads, strict=True)])
    if crs is not None or plane is None:
        plane, words = _given_plane(crs, found[0]), ""
    if plane.is_geographic:
        raise TerrainError(
            f"The points of {found[0]} are in degrees; reproject them to a plane in metres or feet "
            "(for example their UTM zone)."
        )
    unit = linear_unit(plane, found[0])
    stated = [(words, "the header")] if words else []
    z_unit, source, sure = vertical_unit_of(stated, plane, vertical_unit, found[0])
    files = tuple(
        _File(path, copc, count, tuple(value * unit for value in box))  # type: ignore[arg-type]
        for path, (copc, count, box, *_) in zip(found, heads, strict=True)
    )
    survey = PointFiles(files, plane.to_wkt(), unit, z_unit, source, sure, math.nan, sideways_m)
    return _looked_through(survey)


def is_points(path: str) -> bool:
    """Tell by its name whether a file, or what a folder holds, is points."""
    if os.path.isdir(path):
        return any(name.lower().endswith(POINT_ENDINGS) for name in os.listdir(path))
    return path.lower().endswith(POINT_ENDINGS)


def check_same_plane(survey: PointFiles, grid: Terrain) -> None:
    """See that points and grid lie in one plane.

    Raises
    ------
    TerrainCrsError
        They don't.
    """
    from analysis.terrain import geofiles

    here, there = (geofiles.CRS.from_wkt(wkt) for wkt in (survey.crs_wkt, grid.crs_wkt))
    west, south, east, north = survey.bounds
    x, y = np.array([west, east]), np.array([south, north])
    unit = survey.xy_unit_m
    moved = geofiles.rasterio.warp.transform(here, there, x / unit, y / unit)
    off = np.hypot(moved[0] * np.array(grid.xy_unit_m) - x, moved[1] * np.array(grid.xy_unit_m) - y)
    if not off.max() < 0.01:
        raise TerrainCrsError(
            f"The points of {survey.paths[0]} are in another coordinate system than the terrain "
            f"grid {grid.path}; reproject one of them, or leave the grid out: one is made of the "
            "points."
        )


def ground_points(
    survey: PointFiles, boxes: Floats | None = None, progress: Progress | None = None
) -> Iterator[Points]:
    """Read ground points in chunks.

    Parameters
    ----------
    survey : PointFiles
    boxes : (k, 4), optional
        West, south, east, north in metres; only points in any of them are read, each once.
    progress : callable, optional
        Called between chunks; may raise `Cancelled`.

    Yields
    ------
    Points

    Raises
    ------
    TerrainError
        A file can't be read (any more).
    """
    tell = share_of(progress, 0.0, 1.0)
    wanted = [
        (file, None if boxes is None else _touching(boxes, file.bounds)) for file in survey.files
    ]
    total = sum(file.count for file, near in wanted if near is None or len(near)) or 1
    done = 0
    for file, near in wanted:
        if near is not None and not len(near):
            continue
        chunks = _boxes_of(file, survey, near) if file.copc and near is not None else None
        for raw in chunks or _chunks_of(file, near):
            tell(min(done / total, 1.0), "reading the points")
            done += len(raw)
            points = _ground_of(raw, survey, file)
            if near is not None and len(points.x):
                points = points.part(_within(points.x, points.y, near))
            if len(points.x):
                yield points
    tell(1.0, "reading the points")


def _opened_up(path: str) -> list[str]:
    check_given(path, "The file of points", TerrainError)
    if os.path.isdir(path):
        found = sorted(
            str(file) for file in Path(path).iterdir() if file.suffix.lower() in POINT_ENDINGS
        )
        for file in found:
            check_given(file, "The file of points", TerrainError)
        if not found:
            raise TerrainError(f"The folder {path} holds no LAS or LAZ file; give another one.")
        return found
    if not is_local(path):
        raise TerrainError(f"The file of points {path} must lie on a disk here; copy it first.")
    return [path]


@contextmanager
def _reading(path: str) -> Iterator[Any]:
    """Hand out laspy, and turn what it may raise into a sentence."""
    try:
        import laspy
        import lazrs  # noqa: F401 - laspy reads LAZ by it
    except ImportError as error:
        raise TerrainError(
            'Reading points needs two more libraries: pip install "vergeline[points]".'
        ) from error
    try:
        yield laspy
    except (TerrainError, Cancelled):
        raise
    except Exception as error:
        # a damaged file makes the libraries raise whatever stands nearest
        raise TerrainError(
            f"The file {path} can't be read as points; give whole LAS, LAZ or COPC files."
        ) from error


def _head(path: str) -> tuple[bool, int, Box, CRS | None, str]:
    """COPC or not, number of points, bounds in file units, coordinate system, vertical unit."""
    check_head(path)
    with _reading(path) as laspy, laspy.open(path) as reader:
        header = reader.header
        records = [*header.vlrs, *(header.evlrs or [])]
        copc = any(isinstance(v, laspy.copc.CopcInfoVlr) for v in records)
        box = (*header.mins[:2].tolist(), *header.maxs[:2].tolist())
        wide, high = box[2] - box[0], box[3] - box[1]
        if not (0.0 <= wide <= _WIDEST and 0.0 <= high <= _WIDEST):
            raise TerrainError(
                f"The header of {path} doesn't say where its points lie (from {box[0]:g}, "
                f"{box[1]:g} to {box[2]:g}, {box[3]:g}); write or fetch the file again."
            )
        if header.point_count == 0:
            raise TerrainError(f"The file {path} holds no points; leave it out.")
        return copc, int(header.point_count), box, *_plane_of(records, path)


def _plane_of(records: Sequence[Any], path: str) -> tuple[CRS | None, str]:
    """Coordinate system that a header names, and the vertical unit that it names beside it."""
    from analysis.terrain import geofiles

    texts = [v.string for v in records if hasattr(v, "string")]
    keys = {k.id: k.value_offset for v in records for k in getattr(v, "geo_keys", ())}
    code = keys.get(_PLANE_KEY) or keys.get(_DEGREES_KEY)
    upward = keys.get(_VERTICAL_KEY)
    try:
        for text in texts:
            if text.strip():
                return geofiles.CRS.from_wkt(text), ""
        if code is None or not 1024 <= code <= 32766:
            return None, ""
        words = _UNIT_CODES.get(keys.get(_VERTICAL_UNIT_KEY, 0), "")
        if not words and upward is not None and 1024 <= upward <= 32766:
            return geofiles.CRS.from_user_input(f"EPSG:{code}+{upward}"), ""
        return geofiles.CRS.from_epsg(code), words
    except geofiles.rasterio.errors.CRSError as error:
        raise TerrainCrsError(
            f"The header of {path} names a coordinate system that isn't known; give it "
            "(such as EPSG:32610; --crs on the command line)."
        ) from error


def _one_plane(heads: Sequence[tuple[str, CRS | None, str]]) -> tuple[CRS | None, str]:
    """The coordinate system that all files share."""
    path, plane, words = heads[0]
    for other, its_plane, its_words in heads[1:]:
        if its_plane != plane or its_words != words:
            raise TerrainCrsError(
                f"The files {path} and {other} are in different coordinate systems; reproject "
                "them to one, or give only files of one."
            )
    return plane, words


def _given_plane(crs: str | None, path: str) -> CRS:
    from analysis.terrain import geofiles

    if crs is None:
        raise TerrainCrsError(
            f"The header of {path} names no coordinate system; give it (such as EPSG:32610; --crs "
            "on the command line)."
        )
    try:
        return geofiles.CRS.from_user_input(crs)
    except geofiles.rasterio.errors.CRSError as error:
        raise TerrainError(
            f'The coordinate system "{crs}" is not known; give it as EPSG:number or as WKT.'
        ) from error


def _looked_through(survey: PointFiles) -> PointFiles:
    """Look a few files through for the density of ground points; they remember where it lies.

    Raises
    ------
    TerrainError
        No point of any file is classified as ground.
    """
    files = list(survey.files)
    spread = np.unique(np.linspace(0, len(files) - 1, _LOOKED_THROUGH).astype(int)).tolist()
    for numbers in (spread, [k for k in range(len(files)) if k not in spread]):
        count, squares = 0, set()
        for k in numbers:
            chunks = []
            for raw in _chunks_of(files[k]):
                points = _ground_of(raw, survey, files[k])
                chunks.append(_bounds(points))
                count += len(points.x)
                at = np.floor(np.column_stack([points.x, points.y]) / _SQUARE_M).astype(np.int64)
                squares.update(np.unique(at[:, 0] * 2**32 + at[:, 1]).tolist())
            files[k] = replace(files[k], chunks=tuple(chunks))
        if count:
            density = count / (len(squares) * _SQUARE_M**2)
            return replace(survey, files=tuple(files), density_per_m2=density)
    raise TerrainError(
        f"The points of {survey.paths[0]} aren't classified (none is of class 2, ground); have the "
        "ground classified first, or give a terrain grid made of them."
    )


def _bounds(points: Points) -> Box:
    """West, south, east, north of points; of none such that touch nothing."""
    x, y = points.x, points.y
    if not len(x):
        return math.inf, math.inf, -math.inf, -math.inf
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _chunks_of(file: _File, near: Floats | None = None) -> Iterator[Any]:
    with _reading(file.path) as laspy, laspy.open(file.path) as reader:
        if near is None or len(file.chunks) < 2:
            yield from reader.chunk_iterator(_CHUNK)
            return
        for k, box in enumerate(file.chunks):
            if len(_touching(near, box)):
                reader.seek(k * _CHUNK)
                yield reader.read_points(_CHUNK)


def _boxes_of(file: _File, survey: PointFiles, boxes: Floats) -> Iterator[Any]:
    """Ask a COPC file for one box after another; what an earlier box holds is left out."""
    with _reading(file.path) as laspy, laspy.CopcReader.open(file.path) as reader:
        for k, box in enumerate(boxes):
            low, high = box[:2] / survey.xy_unit_m, box[2:] / survey.xy_unit_m
            found = reader.query(laspy.copc.Bounds(mins=low, maxs=high))
            x, y = np.asarray(found.x) * survey.xy_unit_m, np.asarray(found.y) * survey.xy_unit_m
            yield found[~_within(x, y, boxes[:k])] if k else found


def _ground_of(raw: Any, survey: PointFiles, file: _File) -> Points:
    kept = (np.asarray(raw.classification) == GROUND) & (np.asarray(raw.withheld) == 0)
    # codes for "no height", such as -9999, are no ground
    height = np.asarray(raw.z) * survey.z_unit_m
    kept &= (height >= LOWEST_M) & (height <= HIGHEST_M)
    points = Points(
        np.asarray(raw.x)[kept] * survey.xy_unit_m,
        np.asarray(raw.y)[kept] * survey.xy_unit_m,
        np.asarray(raw.z)[kept] * survey.z_unit_m,
        np.asarray(raw.intensity)[kept].astype(np.float32),
        np.asarray(raw.point_source_id)[kept].astype(np.uint16),
    )
    _check_within(points, file, survey.xy_unit_m)
    return points


def _check_within(points: Points, file: _File, unit_m: float) -> None:
    """Refuse points that lie where the header of their file says that none is."""
    west, south, east, north = file.bounds
    off = _OFF * unit_m
    inside = (points.x >= west - off) & (points.x <= east + off)
    inside &= (points.y >= south - off) & (points.y <= north + off)
    if not inside.all():
        raise TerrainError(
            f"The file {file.path} is damaged: {int((~inside).sum())} of its points lie outside "
            "the bounds that its header gives; write or fetch it again."
        )


def _touching(boxes: Floats, bounds: Box) -> Floats:
    west, south, east, north = bounds
    near = (boxes[:, 0] <= east) & (boxes[:, 2] >= west)
    return boxes[near & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)]


def _within(x: Floats, y: Floats, boxes: Floats) -> Bools:
    """Which points lie in any of the boxes."""
    inside = np.zeros(len(x), dtype=bool)
    if not len(x):
        return inside
    for west, south, east, north in _touching(boxes, (x.min(), y.min(), x.max(), y.max())):
        inside |= (x >= west) & (x <= east) & (y >= south) & (y <= north)
    return inside
