"""Terrain grids: opening, units, coordinate systems, blocks of heights, shaded relief.

Everything leaves this module in metres: the working plane is the grid's own coordinate
system with its axes scaled to metres, heights are metres, unknown heights are NaN. A grid
is held as a description only; the file is opened anew for each read, because an open
dataset must not be shared between threads.
"""

from __future__ import annotations

import hashlib
import math
import os
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.errors import TerrainError
from analysis.terrain.grid_units import (
    VERTICAL_UNITS,
    in_degrees,
    linear_unit,
    source_crs,
    utm_zone,
)
from analysis.terrain.grid_units import (
    vertical_unit as settle_vertical_unit,
)

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = [
    "VERTICAL_UNITS",
    "Overview",
    "Terrain",
    "checksum",
    "hillshade",
    "open_terrain",
    "read_overview",
    "read_window",
    "reading",
]

# No ground on earth lies outside this range (deepest open pits and the Dead Sea shore are
# above -1000 m), while undeclared "no value" codes such as -9999 or -3.4e38 do.
_LOWEST_M, _HIGHEST_M = -1000.0, 10_000.0
_WHOLE_FILE_BYTES = 64 * 1024 * 1024
_PART_BYTES = 8 * 1024 * 1024
_THIN_CELLS = 16_000_000
_THIN_THREADS = 4

Window = Callable[[int, int, int, int], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Terrain:
    """What is known about a terrain grid without holding it open.

    Attributes
    ----------
    path : str
        File as given.
    crs_wkt : str
        Coordinate system of the grid as it is read (after warping, if warped).
    transform : tuple of float
        ``(a, b, c, d, e, f)`` with ``x = a*col + b*row + c`` and ``y = d*col + e*row + f``
        in metres; whole numbers are cell corners.
    rows, cols : int
        Size of the grid.
    xy_unit_m, z_unit_m : float
        Length of one unit of the plane, and of the heights, in metres.
    z_unit_source : str
        Where the vertical unit comes from, for the run record.
    nodata : float or None
        The file's code for "no value", in file units.
    warp_crs : str or None
        Coordinate system the grid is warped to on the way in; None = not warped.
    source_crs_wkt : str
        Coordinate system of the file itself.
    block_rows, block_cols : int
        Size of the file's own blocks.
    z_unit_sure : bool
        False when the vertical unit was assumed and not stated by the file or a person.
    """

    path: str
    crs_wkt: str
    transform: tuple[float, float, float, float, float, float]
    rows: int
    cols: int
    xy_unit_m: float
    z_unit_m: float
    z_unit_source: str
    nodata: float | None = None
    warp_crs: str | None = None
    source_crs_wkt: str = ""
    block_rows: int = 256
    block_cols: int = 256
    z_unit_sure: bool = True

    @property
    def name(self) -> str:
        """File name without folder and ending."""
        return Path(self.path).stem

    @property
    def cell_m(self) -> float:
        """Side of a square with the area of one cell, in metres."""
        a, b, _, d, e, _ = self.transform
        return math.sqrt(abs(a * e - b * d))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north of the box around the grid, in metres."""
        x, y = self.to_plane(
            np.array([0.0, 0.0, self.rows, self.rows]) - 0.5,
            np.array([0.0, self.cols, 0.0, self.cols]) - 0.5,
        )
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    def to_plane(
        self, row: ArrayLike, col: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return plane coordinates (metres) of grid positions; whole numbers = cell centres."""
        a, b, c, d, e, f = self.transform
        r = np.asarray(row, dtype=float) + 0.5
        q = np.asarray(col, dtype=float) + 0.5
        return a * q + b * r + c, d * q + e * r + f

    def to_grid(
        self, x: ArrayLike, y: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return grid positions (row, col) of plane coordinates; whole numbers = cell centres."""
        a, b, c, d, e, f = self.transform
        det = a * e - b * d
        dx = np.asarray(x, dtype=float) - c
        dy = np.asarray(y, dtype=float) - f
        return (a * dy - d * dx) / det - 0.5, (e * dx - b * dy) / det - 0.5

    def covers(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.bool_]:
        """Return True where points of the plane lie inside the grid (NaN points do not)."""
        row, col = self.to_grid(x, y)
        inside = (row >= -0.5) & (row <= self.rows - 0.5)
        return np.asarray(inside & (col >= -0.5) & (col <= self.cols - 0.5))


@dataclass(frozen=True, slots=True)
class Overview:
    """A thinned picture of the terrain, north up.

    Attributes
    ----------
    z : (rows, cols) float64
        Heights in metres, row 0 in the north, NaN unknown.
    bounds : tuple of float
        West, south, east, north in metres of the outer edges of the returned pixels.
    """

    z: NDArray[np.float64]
    bounds: tuple[float, float, float, float]

    @property
    def pixel_m(self) -> tuple[float, float]:
        """Width and height of one pixel in metres."""
        w, s, e, n = self.bounds
        return (e - w) / max(self.z.shape[1], 1), (n - s) / max(self.z.shape[0], 1)


def open_terrain(
    path: str | os.PathLike[str],
    *,
    vertical_unit: str | None = None,
    warp: bool = False,
    crs: str | None = None,
) -> Terrain:
    """Describe a terrain grid and settle its units.

    The vertical unit is, in this order: the one given, the unit of the band, a metadata
    tag such as ``VERTICAL_UNITS``, the vertical part of the coordinate system, and failing
    all of these the linear unit of the coordinate system (a grid in feet nearly always has
    heights in feet); `Terrain.z_unit_source` says which.

    Parameters
    ----------
    path : path
        Any raster that GDAL reads; the first band holds the heights.
    vertical_unit : {"metre", "foot", "us-foot"}, optional
        Unit of the heights (international or United States survey foot).
    warp : bool, default False
        Warp a grid in degrees to the UTM zone of its middle on the way in. Ignored for
        grids that are not in degrees.
    crs : str, optional
        Coordinate system (such as ``EPSG:32610`` or WKT) for a file that has none, or in
        place of a wrong one.

    Returns
    -------
    Terrain

    Raises
    ------
    TerrainError
        Missing file, not a raster, a picture and not heights, no coordinate system, grid
        in degrees, no place on the ground, or an unknown vertical unit.
    """
    from analysis.terrain import geofiles

    text = os.fspath(path)
    if vertical_unit is not None and vertical_unit not in VERTICAL_UNITS:
        raise TerrainError(
            f'The vertical unit "{vertical_unit}" is not known; give metre, foot or us-foot.'
        )
    if _is_plain_path(text):
        if not os.path.exists(text):
            raise TerrainError(
                f"The terrain grid {text} doesn't exist; check the path and the file name."
            )
        if os.path.isfile(text) and os.path.getsize(text) == 0:
            raise TerrainError(f"The terrain grid {text} is an empty file; fetch it again.")
    rasterio = geofiles.rasterio
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            dataset = rasterio.open(text)
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The terrain grid {text} can't be read as a raster; give a GeoTIFF, VRT, ASCII grid "
            "or another raster that GDAL reads."
        ) from error
    with dataset:
        _check_heights(dataset, text)
        source = source_crs(dataset, text, crs)
        if in_degrees(source) and not warp:
            raise TerrainError(
                f"The terrain grid {text} is in degrees; reproject it to a plane in metres or "
                "feet (for example its UTM zone), or ask for warping on the way in (--warp on the "
                "command line)."
            )
        z_unit_m, z_source, sure = settle_vertical_unit(dataset, source, vertical_unit, text)
        blocks = dataset.block_shapes[0]
        nodata = None if dataset.nodata is None else float(dataset.nodata)
        if in_degrees(source):
            target = utm_zone(dataset, source, text)
            with _warped(dataset, source, target) as view:
                matrix, rows, cols = view.transform, view.height, view.width
            unit_m, wkt, warp_crs = 1.0, target.to_wkt(), target.to_wkt()
        else:
            if dataset.transform.is_identity and dataset.gcps[0] == []:
                raise TerrainError(
                    f"The terrain grid {text} has no place on the ground (no corner and cell "
                    "size); add a world file or georeference it."
                )
            if dataset.gcps[0]:
                raise TerrainError(
                    f"The terrain grid {text} is placed by control points only; rectify it to a "
                    "regular grid first."
                )
            matrix, rows, cols = dataset.transform, dataset.height, dataset.width
            unit_m = linear_unit(source, text)
            wkt, warp_crs = source.to_wkt(), None
    if matrix.determinant == 0:
        raise TerrainError(f"The cells of the terrain grid {text} have no area; georeference it.")
    a, b, c, d, e, f = (float(value) * unit_m for value in tuple(matrix)[:6])
    return Terrain(
        path=text,
        crs_wkt=wkt,
        transform=(a, b, c, d, e, f),
        rows=rows,
        cols=cols,
        xy_unit_m=unit_m,
        z_unit_m=z_unit_m,
        z_unit_source=z_source,
        nodata=nodata,
        warp_crs=warp_crs,
        source_crs_wkt=source.to_wkt(),
        block_rows=int(blocks[0]),
        block_cols=int(blocks[1]),
        z_unit_sure=sure,
    )


@contextmanager
def reading(terrain: Terrain) -> Iterator[Window]:
    """Open the grid for several reads in one thread.

    Parameters
    ----------
    terrain : Terrain

    Yields
    ------
    callable
        ``window(row0, row1, col0, col1)`` as in `read_window`.
    """
    with _open(terrain) as view:

        def window(row0: int, row1: int, col0: int, col1: int) -> NDArray[np.float64]:
            return _read(view, terrain, row0, row1, col0, col1)

        yield window


def read_window(
    terrain: Terrain, row0: int, row1: int, col0: int, col1: int
) -> NDArray[np.float64]:
    """Read a block of heights.

    Parameters
    ----------
    terrain : Terrain
    row0, row1, col0, col1 : int
        Half-open ranges of rows and columns; they may reach outside the grid.

    Returns
    -------
    (row1 - row0, col1 - col0) float64
        Heights in metres; NaN outside the grid, where the file has no value, and where the
        number can't be a height on earth (undeclared codes such as -9999).

    Raises
    ------
    TerrainError
        The file can't be read (any more).
    """
    with reading(terrain) as window:
        return window(row0, row1, col0, col1)


def read_overview(
    terrain: Terrain,
    bounds: tuple[float, float, float, float] | None,
    max_rows: int,
    max_cols: int,
) -> Overview:
    """Read a thinned part of the terrain for display, using the file's overviews.

    Parameters
    ----------
    terrain : Terrain
    bounds : tuple of float or None
        West, south, east, north in metres of the wanted part; None = the whole grid.
    max_rows, max_cols : int
        Largest size of the result.

    Returns
    -------
    Overview
        North up, whatever way the file lies. Empty (0 x 0) when the bounds miss the grid.

    Raises
    ------
    TerrainError
        The file can't be read (any more).
    """
    west, south, east, north = terrain.bounds if bounds is None else bounds
    row, col = terrain.to_grid([west, east, west, east], [south, south, north, north])
    row0 = max(math.floor(row.min() + 0.5 + 1e-6), 0)
    row1 = min(math.ceil(row.max() + 0.5 - 1e-6), terrain.rows)
    col0 = max(math.floor(col.min() + 0.5 + 1e-6), 0)
    col1 = min(math.ceil(col.max() + 0.5 - 1e-6), terrain.cols)
    if row1 <= row0 or col1 <= col0:
        return Overview(np.empty((0, 0)), (west, south, west, south))
    a, b, _, d, e, _ = terrain.transform
    upright = abs(b) + abs(d) < 1e-9 * (abs(a) + abs(e))
    shrink = max((row1 - row0) / max_rows, (col1 - col0) / max_cols, 1.0)
    out_rows = max(int((row1 - row0) / shrink), 1)
    out_cols = max(int((col1 - col0) / shrink), 1)
    z = _thinned(terrain, (row0, row1, col0, col1), (out_rows, out_cols))
    if upright:
        x, y = terrain.to_plane(np.array([row0, row1]) - 0.5, np.array([col0, col1]) - 0.5)
        if x[1] < x[0]:
            z = z[:, ::-1]
        if y[1] > y[0]:
            z = z[::-1]
        box = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))
        return Overview(np.ascontiguousarray(z), box)
    return _turned(terrain, z, (row0, row1, col0, col1), (west, south, east, north), shrink)


def hillshade(
    z: NDArray[np.float64],
    dx_m: float,
    dy_m: float,
    *,
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
    exaggeration: float = 1.0,
) -> NDArray[np.float64]:
    """Shade a north-up picture of heights by a light from one direction.

    Parameters
    ----------
    z : (rows, cols) array
        Heights in metres, row 0 in the north, NaN unknown.
    dx_m, dy_m : float
        Pixel width and height in metres, positive.
    azimuth_deg : float, default 315
        Compass direction the light comes from.
    altitude_deg : float, default 45
        Height of the light above the horizon.
    exaggeration : float, default 1
        Factor on the heights.

    Returns
    -------
    (rows, cols) float64
        Cosine of the angle between the ground's normal and the light, 0..1 (Lambert's law);
        NaN where the height is unknown.
    """
    z = np.asarray(z, dtype=float)
    east = _slope(z, axis=1) / dx_m * exaggeration
    north = -_slope(z, axis=0) / dy_m * exaggeration
    azimuth, altitude = math.radians(azimuth_deg), math.radians(altitude_deg)
    lx, ly = math.sin(azimuth) * math.cos(altitude), math.cos(azimuth) * math.cos(altitude)
    shade = (math.sin(altitude) - east * lx - north * ly) / np.sqrt(1.0 + east**2 + north**2)
    return np.where(np.isnan(z), np.nan, np.clip(shade, 0.0, 1.0))


def checksum(path: str | os.PathLike[str]) -> str:
    """Return a fingerprint of a file's content, with the way it was made.

    Files over 64 MiB are hashed by size, first and last 8 MiB only; the text says so.

    Parameters
    ----------
    path : path

    Returns
    -------
    str
        ``"sha256:<hex>"`` or ``"sha256 of size, first and last 8 MiB:<hex>"``.

    Raises
    ------
    TerrainError
        The file can't be read.
    """
    digest = hashlib.sha256()
    try:
        size = os.path.getsize(path)
        with open(path, "rb") as file:
            if size <= _WHOLE_FILE_BYTES:
                while chunk := file.read(1 << 20):
                    digest.update(chunk)
                return f"sha256:{digest.hexdigest()}"
            digest.update(str(size).encode())
            digest.update(file.read(_PART_BYTES))
            file.seek(size - _PART_BYTES)
            digest.update(file.read(_PART_BYTES))
    except OSError as error:
        raise TerrainError(
            f"The file {os.fspath(path)} can't be read for its checksum; check the path and the "
            "permissions."
        ) from error
    return f"sha256 of size, first and last 8 MiB:{digest.hexdigest()}"


def _is_plain_path(text: str) -> bool:
    return not (text.startswith("/vsi") or "://" in text or text.count(":") > 1)


def _check_heights(dataset: Any, text: str) -> None:
    if dataset.count == 0:
        raise TerrainError(
            f"The terrain grid {text} holds no band of its own; name one of its parts "
            "(for example its subdataset)."
        )
    kind = dataset.dtypes[0]
    names = {colour.name for colour in dataset.colorinterp}
    if kind.startswith("complex") or "palette" in names or {"red", "green", "blue"} <= names:
        raise TerrainError(
            f"The raster {text} is a picture and not a grid of heights; give the terrain grid."
        )


def _warped(dataset: Any, source: CRS, target: CRS) -> Any:
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    wide = dataset.dtypes[0] in ("float64", "int32", "uint32", "int64", "uint64")
    return rasterio.vrt.WarpedVRT(
        dataset,
        src_crs=source,
        crs=target,
        resampling=rasterio.enums.Resampling.bilinear,
        nodata=math.nan,
        dtype="float64" if wide else "float32",
    )


@contextmanager
def _open(terrain: Terrain) -> Iterator[Any]:
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    try:
        with rasterio.open(terrain.path) as dataset:
            if terrain.warp_crs is None:
                yield dataset
            else:
                source = geofiles.CRS.from_wkt(terrain.source_crs_wkt)
                target = geofiles.CRS.from_wkt(terrain.warp_crs)
                with _warped(dataset, source, target) as view:
                    yield view
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The terrain grid {terrain.path} can't be read any more; check that the file is "
            "still there and whole."
        ) from error


def _read(
    view: Any, terrain: Terrain, row0: int, row1: int, col0: int, col1: int
) -> NDArray[np.float64]:
    out = np.full((max(row1 - row0, 0), max(col1 - col0, 0)), np.nan)
    r0, r1 = max(row0, 0), min(row1, terrain.rows)
    c0, c1 = max(col0, 0), min(col1, terrain.cols)
    if r1 > r0 and c1 > c0:
        out[r0 - row0 : r1 - row0, c0 - col0 : c1 - col0] = _heights(
            view, terrain, ((r0, r1), (c0, c1)), None
        )
    return out


def _heights(
    view: Any,
    terrain: Terrain,
    window: tuple[tuple[float, float], tuple[float, float]],
    shape: tuple[int, int] | None,
) -> NDArray[np.float64]:
    raw = view.read(1, window=window, out_shape=shape)
    with np.errstate(invalid="ignore"):  # a damaged or undeclared NaN is unknown, see below
        z = raw.astype(float)
    if (view.scales[0], view.offsets[0]) != (1.0, 0.0):
        z = z * view.scales[0] + view.offsets[0]
    z *= terrain.z_unit_m
    unknown = ~((z >= _LOWEST_M) & (z <= _HIGHEST_M))
    if view.nodata is not None:
        unknown |= raw == view.nodata
    elif "all_valid" not in {flag.name for flag in view.mask_flag_enums[0]}:
        unknown |= view.read_masks(1, window=window, out_shape=shape) == 0
    z[unknown] = np.nan
    return np.asarray(z)


def _thinned(
    terrain: Terrain, block: tuple[int, int, int, int], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Read a block with fewer pixels than cells.

    A big file without overviews has to be unpacked whole; bands of it are then read side by
    side, each thread with its own open file.
    """
    row0, row1, col0, col1 = block
    with _open(terrain) as view:
        threads = min(os.cpu_count() or 1, _THIN_THREADS, shape[0])
        small = (row1 - row0) * (col1 - col0) < _THIN_CELLS
        if small or threads == 1 or view.overviews(1) or terrain.warp_crs is not None:
            return _heights(view, terrain, ((row0, row1), (col0, col1)), shape)
    scale = (row1 - row0) / shape[0]
    cuts = [round(shape[0] * i / threads) for i in range(threads + 1)]

    def band(first: int, last: int) -> NDArray[np.float64]:
        window = ((row0 + first * scale, row0 + last * scale), (col0, col1))
        with _open(terrain) as view:
            return _heights(view, terrain, window, (last - first, shape[1]))

    with ThreadPoolExecutor(threads) as pool:
        return np.concatenate(list(pool.map(band, cuts[:-1], cuts[1:])))


def _turned(
    terrain: Terrain,
    z: NDArray[np.float64],
    window: tuple[int, int, int, int],
    bounds: tuple[float, float, float, float],
    shrink: float,
) -> Overview:
    """Lay a thinned block of a rotated grid north up (nearest pixel)."""
    row0, row1, col0, col1 = window
    full = terrain.bounds
    west, south = max(bounds[0], full[0]), max(bounds[1], full[1])
    east, north = min(bounds[2], full[2]), min(bounds[3], full[3])
    pixel = terrain.cell_m * shrink
    rows, cols = max(round((north - south) / pixel), 1), max(round((east - west) / pixel), 1)
    x = west + (np.arange(cols) + 0.5) * (east - west) / cols
    y = north - (np.arange(rows) + 0.5) * (north - south) / rows
    row, col = terrain.to_grid(x[None, :], y[:, None])
    r = np.floor((row + 0.5 - row0) / (row1 - row0) * z.shape[0]).astype(int)
    c = np.floor((col + 0.5 - col0) / (col1 - col0) * z.shape[1]).astype(int)
    inside = (r >= 0) & (r < z.shape[0]) & (c >= 0) & (c < z.shape[1])
    out = np.full((rows, cols), np.nan)
    out[inside] = z[r[inside], c[inside]]
    return Overview(out, (west, south, east, north))


def _slope(z: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Return the rise per pixel: central, one-sided beside unknown pixels, else level."""
    z = np.moveaxis(z, axis, 0)
    ahead, behind = np.full_like(z, np.nan), np.full_like(z, np.nan)
    step = np.diff(z, axis=0)
    ahead[:-1], behind[1:] = step, step
    both = np.where(
        np.isnan(ahead), behind, np.where(np.isnan(behind), ahead, (ahead + behind) / 2)
    )
    return np.moveaxis(np.nan_to_num(both, nan=0.0), 0, axis)
