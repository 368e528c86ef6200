"""A grid made of a survey's ground points, in memory: for search, water and drawing."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import PurePosixPath
from pickle import PickleBuffer
from typing import Any, SupportsIndex

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import NoGroundError
from analysis.common.types import Bools, Floats, Progress
from analysis.terrain.grid import Terrain, open_terrain
from analysis.terrain.points import PointFiles, Points, ground_points

__all__ = ["grid_of", "is_plane_of", "plane_of"]

_FINEST_CELL_M, _COARSEST_CELL_M = 0.25, 2.0
_TILE, _HALO = 128, 3
_MOST_CELLS = 40_000_000


def plane_of(survey: PointFiles) -> Terrain:
    """Return the grid that `grid_of` makes everywhere, as a description without heights.

    Enough to read roads into its plane, before it is known where heights are wanted.
    """
    cell = float(np.clip(1.0 / math.sqrt(survey.density_per_m2), _FINEST_CELL_M, _COARSEST_CELL_M))
    west, south, east, north = survey.bounds
    return Terrain(
        path=survey.paths[0],
        crs_wkt=survey.crs_wkt,
        transform=(cell, 0.0, west, 0.0, -cell, north),
        rows=math.ceil((north - south) / cell) + 1,
        cols=math.ceil((east - west) / cell) + 1,
        xy_unit_m=survey.xy_unit_m,
        z_unit_m=1.0,
        z_unit_source=survey.z_unit_source,
        source_crs_wkt=survey.crs_wkt,
        z_unit_sure=survey.z_unit_sure or survey.z_unit_m != 1.0,
    )


def is_plane_of(survey: PointFiles, grid: Terrain) -> bool:
    """Whether a grid is only the description that `plane_of` gives, without heights."""
    return grid.held is None and grid.path == survey.paths[0]


def grid_of(
    survey: PointFiles, boxes: Floats | None = None, progress: Progress | None = None
) -> Terrain:
    """Make a grid of ground points, held in memory only: for search, water and drawing.

    A cell is about as wide as points lie apart. It holds the mean of its points carried to its
    middle along the slope there; a cell that no point hit lies on the plane of its neighbours.
    Where there are none either, nothing is known.

    Parameters
    ----------
    survey : PointFiles
    boxes : (k, 4), optional
        Where a grid is wanted, metres; default everywhere.
    progress : callable, optional

    Returns
    -------
    Terrain

    Raises
    ------
    TerrainError
        No ground point in the boxes (`NoGroundError`), or a file can't be read.
    """
    plane = plane_of(survey)
    cell, _, west, _, _, north = plane.transform
    if boxes is None:
        cell *= max(1.0, math.sqrt(plane.rows * plane.cols / _MOST_CELLS))
    _, south, east, _ = survey.bounds
    shape = (math.ceil((north - south) / cell) + 1, math.ceil((east - west) / cell) + 1)
    sums = _Sums(west, north, cell, shape)
    wanted = None if boxes is None else sums.tiles_of(boxes)
    for points in ground_points(survey, boxes, progress):
        sums.add(points, wanted)
    if not sums.tiles:
        raise NoGroundError(
            f"The points of {survey.paths[0]} don't reach any road: give the files that cover them."
        )
    return _in_memory(survey, sums)


class _Sums:
    """Sums over the points of each cell, in tiles where there are any."""

    def __init__(self, west: float, north: float, cell_m: float, shape: tuple[int, int]) -> None:
        self.west, self.north, self.cell_m = west, north, cell_m
        self.rows, self.cols = shape
        self.across = math.ceil(self.cols / _TILE)
        # count, height, and how far east and south of the middle of the cell
        self.tiles: dict[int, Floats] = {}

    def tiles_of(self, boxes: Floats) -> NDArray[np.int64]:
        """Return the tiles that any of the boxes touches."""
        side = _TILE * self.cell_m
        found: set[int] = set()
        for west, south, east, north in boxes:
            c0, c1 = (int((v - self.west) // side) for v in (west, east))
            r0, r1 = (int((self.north - v) // side) for v in (north, south))
            for r in range(max(r0, 0), r1 + 1):
                found.update(
                    r * self.across + c for c in range(max(c0, 0), min(c1, self.across - 1) + 1)
                )
        return np.array(sorted(found), dtype=np.int64)

    def add(self, points: Points, wanted: NDArray[np.int64] | None) -> None:
        """Add points; only those in the tiles `wanted`."""
        c = (points.x - self.west) / self.cell_m
        r = (self.north - points.y) / self.cell_m
        # a header may be off by a little: what lies beyond it is left out
        inside = (c >= 0) & (c < self.cols) & (r >= 0) & (r < self.rows)
        if not inside.all():
            points, c, r = points.part(inside), c[inside], r[inside]
        col, row = np.floor(c).astype(np.int64), np.floor(r).astype(np.int64)
        tile = (row // _TILE) * self.across + col // _TILE
        place = (row % _TILE) * _TILE + col % _TILE
        values = (None, points.z, c - col - 0.5, r - row - 0.5)
        order = np.argsort(tile, kind="stable")
        names, first = np.unique(tile[order], return_index=True)
        for name, here in zip(names.tolist(), np.split(order, first[1:]), strict=True):
            if wanted is not None and not np.isin(name, wanted):
                continue
            sums = self.tiles.setdefault(name, np.zeros((4, _TILE, _TILE)))
            for k, value in enumerate(values):
                weight = None if value is None else value[here]
                sums[k] += np.bincount(place[here], weight, _TILE**2).reshape(_TILE, _TILE)

    def heights(self, name: int) -> Floats:
        """Heights of the cells of a tile, NaN unknown."""
        size = _TILE + 2 * _HALO
        block = np.zeros((4, size, size))
        row, col = divmod(name, self.across)
        spans = {
            -1: (slice(0, _HALO), slice(-_HALO, None)),
            0: (slice(_HALO, -_HALO), slice(None)),
            1: (slice(-_HALO, None), slice(0, _HALO)),
        }
        for i, (to_row, from_row) in spans.items():
            for k, (to_col, from_col) in spans.items():
                inside = 0 <= col + k < self.across
                other = self.tiles.get((row + i) * self.across + col + k) if inside else None
                if other is not None:
                    block[:, to_row, to_col] = other[:, from_row, from_col]
        return _carried(block)[_HALO:-_HALO, _HALO:-_HALO]


def _carried(sums: Floats) -> Floats:
    """Mean heights carried to the middles of their cells, small gaps filled."""
    count = sums[0]
    hit = count > 0
    if not hit.any():
        return np.full(count.shape, np.nan)
    mean = sums[1:] / np.maximum(count, 1.0)
    level = float(np.median(mean[0][hit]))
    z = np.where(hit, mean[0] - level, 0.0)
    slopes: tuple[Floats, Floats] = (np.zeros_like(z), np.zeros_like(z))
    for _ in range(3):
        smooth, _ = _smoothed(z, hit, slopes)
        down, right = np.gradient(smooth)
        south, east = np.asarray(np.nan_to_num(down)), np.asarray(np.nan_to_num(right))
        slopes = (south, east)
        z = np.where(hit, mean[0] - level - east * mean[1] - south * mean[2], 0.0)
    for _ in range(2):
        smooth, around = _smoothed(z, hit, slopes)
        # a gap is a cell among others, and no hole
        gap = ~hit & (around >= 3)
        z = np.where(gap, smooth, z)
        hit = hit | gap
    return np.where(hit, z + level, np.nan)


def _smoothed(
    z: Floats, known: Bools, slopes: tuple[Floats, Floats]
) -> tuple[Floats, NDArray[np.int64]]:
    """Weighted means over the cells next to each, NaN without any, and how many of them count.

    The known cells may lie to one side: their mean is carried to the middle along the slopes.
    """
    from scipy.ndimage import convolve

    weight = np.outer([0.25, 0.5, 0.25], [0.25, 0.5, 0.25])
    # convolution turns its weights about
    away = np.array([1.0, 0.0, -1.0])
    kernels = (weight, weight * away[:, None], weight * away[None, :])
    total, south, east = (
        convolve(known.astype(float), kernel, mode="constant") for kernel in kernels
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = convolve(np.where(known, z, 0.0), weight, mode="constant")
        mean = (mean - slopes[0] * south - slopes[1] * east) / total
    around = convolve(known.astype(np.int64), np.ones((3, 3), np.int64), mode="constant")
    return mean, around - known


def _in_memory(survey: PointFiles, sums: _Sums) -> Terrain:
    """Hand out the heights as a grid that GDAL holds in memory, as long as anybody uses it."""
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    unit, cell = survey.xy_unit_m, sums.cell_m
    memory = rasterio.io.MemoryFile(filename=f"{survey.name}.tif")
    profile = {
        "driver": "GTiff", "width": sums.cols, "height": sums.rows, "count": 1, "dtype": "float32",
        "nodata": math.nan, "tiled": True, "blockxsize": _TILE, "blockysize": _TILE,
        "sparse_ok": True, "bigtiff": "if_safer", "crs": geofiles.CRS.from_wkt(survey.crs_wkt),
        "transform": rasterio.transform.from_origin(
            sums.west / unit, sums.north / unit, cell / unit, cell / unit
        ),
    }  # fmt: skip
    with memory.open(**profile) as out:
        out.units = ["metre"]
        for name in sums.tiles:
            row, col = (_TILE * k for k in divmod(name, sums.across))
            height, width = min(_TILE, sums.rows - row), min(_TILE, sums.cols - col)
            window = rasterio.windows.Window(col, row, width, height)
            block = sums.heights(name)[:height, :width]
            out.write(block.astype(np.float32), 1, window=window)
    told = plane_of(survey)
    return replace(
        open_terrain(memory.name),
        z_unit_source=told.z_unit_source,
        z_unit_sure=told.z_unit_sure,
        held=_InMemory(memory),
    )


class _InMemory:
    """A file that the map library holds under a name of its own, as long as anybody has this.

    Pickled, the file goes along, and is held under the same name in the other process.
    """

    def __init__(self, file: Any) -> None:
        self._file = file

    def __reduce_ex__(self, protocol: SupportsIndex) -> tuple[Any, ...]:
        whole = memoryview(self._file.getbuffer())
        beside = protocol.__index__() >= 5
        return _held_again, (self._file.name, PickleBuffer(whole) if beside else bytes(whole))


def _held_again(name: str, whole: bytes) -> _InMemory:
    from analysis.terrain import geofiles

    place = PurePosixPath(name)
    there = {"dirname": place.parent.name, "filename": place.name}
    return _InMemory(geofiles.rasterio.io.MemoryFile(bytes(whole), **there))
