"""Terrain grids: opening, units, coordinate systems, blocks of heights.

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
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.errors import DegreesError, TerrainError, VergelineError
from analysis.common.given_databases import check_database
from analysis.common.given_files import check_given
from analysis.common.types import Bools, Floats
from analysis.terrain.grid_units import (
    linear_unit,
    source_crs,
    units_stated,
    utm_zone,
    vertical_unit_of,
)
from analysis.terrain.patchy import Lost, Patchy, broken_part
from analysis.terrain.tiles import is_tiles, joined_tiles, tiles_checksum

if TYPE_CHECKING:
    from rasterio.crs import CRS

__all__ = [
    "HIGHEST_M",
    "LOWEST_M",
    "Terrain",
    "checksum",
    "files_of",
    "heights",
    "open_terrain",
    "opened",
    "read_window",
    "reading",
]

# No ground on earth lies outside this range (deepest open pits and the Dead Sea shore are
# above -1000 m), while undeclared "no value" codes such as -9999 or -3.4e38 do.
LOWEST_M, HIGHEST_M = -1000.0, 10_000.0
_FINEST_CELL_M = 0.02
_WHOLE_FILE_BYTES = 64 * 1024 * 1024
_PART_BYTES = 8 * 1024 * 1024

Window = Callable[[int, int, int, int], Floats]


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
    z_unit_sure : bool
        False when the vertical unit was assumed and not stated by the file or a person.
    held : object
        Keeps a grid that was made in memory from being thrown away while it is used.
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
    z_unit_sure: bool = True
    held: Any = field(default=None, repr=False, compare=False)

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

    def to_plane(self, row: ArrayLike, col: ArrayLike) -> tuple[Floats, Floats]:
        """Return plane coordinates (metres) of grid positions; whole numbers = cell centres."""
        a, b, c, d, e, f = self.transform
        r = np.asarray(row, dtype=float) + 0.5
        q = np.asarray(col, dtype=float) + 0.5
        return a * q + b * r + c, d * q + e * r + f

    def to_grid(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return grid positions (row, col) of plane coordinates; whole numbers = cell centres."""
        a, b, c, d, e, f = self.transform
        det = a * e - b * d
        dx = np.asarray(x, dtype=float) - c
        dy = np.asarray(y, dtype=float) - f
        return (a * dy - d * dx) / det - 0.5, (e * dx - b * dy) / det - 0.5


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
        Any raster that GDAL reads, or a folder of tiles; the first band holds the heights.
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

    Examples
    --------
    >>> from analysis import open_terrain, sample_files
    >>> grid = open_terrain(sample_files()[0])
    >>> grid.cell_m, grid.z_unit_source
    (0.5, 'file: the unit of the band says metre')
    """
    text = os.fspath(path)
    with _raster(text) as dataset:
        _check_heights(dataset, text)
        source = source_crs(dataset, text, crs)
        z_unit_m, z_source, sure = vertical_unit_of(
            units_stated(dataset), source, vertical_unit, text
        )
        if source.is_geographic:
            if not warp:
                raise DegreesError(
                    f"The terrain grid {text} is in degrees; reproject it to a plane in metres or "
                    "feet (for example its UTM zone), or ask for warping on the way in (--warp on "
                    "the command line)."
                )
            plane = utm_zone(dataset, source, text)
            unit_m, warp_crs = 1.0, plane.to_wkt()
            with _warped(dataset, source, plane) as view:
                matrix, rows, cols = view.transform, view.height, view.width
        else:
            _check_placed(dataset, text)
            plane, unit_m, warp_crs = source, linear_unit(source, text), None
            matrix, rows, cols = dataset.transform, dataset.height, dataset.width
        if not all(math.isfinite(value) for value in matrix):
            raise TerrainError(
                f"The corner or cell size of the terrain grid {text} is no number; georeference it."
            )
        if matrix.determinant == 0:
            raise TerrainError(
                f"The cells of the terrain grid {text} have no area; georeference it."
            )
        a, b, c, d, e, f = (float(value) * unit_m for value in tuple(matrix)[:6])
        if math.sqrt(abs(a * e - b * d)) < _FINEST_CELL_M:
            raise TerrainError(
                f"The cells of the terrain grid {text} are finer than {1000 * _FINEST_CELL_M:g} "
                "mm, more than memory holds along a road; average them to 50 mm or more."
            )
        return Terrain(
            path=text,
            crs_wkt=plane.to_wkt(),
            transform=(a, b, c, d, e, f),
            rows=rows,
            cols=cols,
            xy_unit_m=unit_m,
            z_unit_m=z_unit_m,
            z_unit_source=z_source,
            nodata=None if dataset.nodata is None else float(dataset.nodata),
            warp_crs=warp_crs,
            source_crs_wkt=source.to_wkt(),
            z_unit_sure=sure,
        )


@contextmanager
def reading(terrain: Terrain, lost: Lost | None = None) -> Iterator[Window]:
    """Open the grid for several reads in one thread.

    Parameters
    ----------
    terrain : Terrain
    lost : callable, optional
        Told the name of each file that can't be read, and which cells of a window (bool) it takes
        along: they are unknown then. Without it, such a file is an error.

    Yields
    ------
    callable
        ``window(row0, row1, col0, col1)`` as in `read_window`.
    """
    with opened(terrain) as view:
        read = partial(_heights, view, terrain)
        if lost is None:
            yield partial(_read, read, terrain)
            return
        patchy = Patchy(view, read, _library_errors(), Path(terrain.path).name)
        yield partial(_read_around, patchy, terrain, lost)


def read_window(terrain: Terrain, row0: int, row1: int, col0: int, col1: int) -> Floats:
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


def files_of(terrain: Terrain) -> tuple[str, ...]:
    """All files that a grid is made of, itself among them.

    Raises
    ------
    TerrainError
        It can't be opened (any more).
    """
    with opened(terrain) as view:
        return tuple(view.files)


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
    check_given(path, "The file", TerrainError)
    if is_tiles(path):
        return tiles_checksum(path)
    try:
        size = os.path.getsize(path)
        with open(path, "rb") as file:
            if size <= _WHOLE_FILE_BYTES:
                return f"sha256:{hashlib.file_digest(file, 'sha256').hexdigest()}"
            digest = hashlib.sha256(str(size).encode())
            digest.update(file.read(_PART_BYTES))
            file.seek(size - _PART_BYTES)
            digest.update(file.read(_PART_BYTES))
    except OSError as error:
        raise TerrainError(
            f"The file {os.fspath(path)} can't be read for its checksum; check the path and the "
            "permissions."
        ) from error
    return f"sha256 of size, first and last 8 MiB:{digest.hexdigest()}"


@contextmanager
def _raster(text: str) -> Iterator[Any]:
    """Open a file that should be a raster; what the library trips over in it is a sentence."""
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    check_given(text, "The terrain grid", TerrainError)
    check_database(text, "The terrain grid", TerrainError)
    if os.path.isfile(text) and os.path.getsize(text) == 0:
        raise TerrainError(f"The terrain grid {text} is an empty file; fetch it again.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            dataset = rasterio.open(_opened_as(text))
        with dataset:
            yield dataset
    except VergelineError:
        raise
    except geofiles.LIBRARY_ERRORS as error:
        raise TerrainError(
            f"The terrain grid {text} can't be read as a raster; give a GeoTIFF, VRT, ASCII grid "
            "or another raster that GDAL reads."
        ) from error


def _opened_as(path: str) -> str:
    """What the map library opens: the file, or the tiles of a folder side by side."""
    return joined_tiles(path) if is_tiles(path) else path


def _check_placed(dataset: Any, text: str) -> None:
    if dataset.gcps[0]:
        raise TerrainError(
            f"The terrain grid {text} is placed by control points only; rectify it to a "
            "regular grid first."
        )
    if dataset.transform.is_identity:
        raise TerrainError(
            f"The terrain grid {text} has no place on the ground (no corner and cell "
            "size); add a world file or georeference it."
        )


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
def opened(terrain: Terrain) -> Iterator[Any]:
    """Open the grid, warped if it is to be."""
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    try:
        with rasterio.open(_opened_as(terrain.path)) as dataset:
            if terrain.warp_crs is None:
                yield dataset
            else:
                source = geofiles.CRS.from_wkt(terrain.source_crs_wkt)
                target = geofiles.CRS.from_wkt(terrain.warp_crs)
                with _warped(dataset, source, target) as view:
                    yield view
    except _library_errors() as error:
        part = broken_part(error)
        if part and part != Path(terrain.path).name:
            raise TerrainError(
                f"The tile {part} of the terrain grid {terrain.path} can't be read; fetch it "
                "again, or take it out."
            ) from error
        raise TerrainError(
            f"The terrain grid {terrain.path} can't be read any more; check that the file is "
            "still there and whole."
        ) from error


def _library_errors() -> tuple[type[BaseException], ...]:
    """What the map library raises for a file that can't be read."""
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    return rasterio.errors.RasterioError, rasterio._err.CPLE_BaseError


def _read(read: Window, terrain: Terrain, row0: int, row1: int, col0: int, col1: int) -> Floats:
    """Read a window that may reach outside the grid."""
    out = np.full((max(row1 - row0, 0), max(col1 - col0, 0)), np.nan)
    r0, r1 = max(row0, 0), min(row1, terrain.rows)
    c0, c1 = max(col0, 0), min(col1, terrain.cols)
    if r1 > r0 and c1 > c0:
        out[r0 - row0 : r1 - row0, c0 - col0 : c1 - col0] = read(r0, r1, c0, c1)
    return out


def _read_around(
    patchy: Patchy, terrain: Terrain, lost: Lost, row0: int, row1: int, col0: int, col1: int
) -> Floats:
    """Read a window around what can't be read."""

    def inside(r0: int, r1: int, c0: int, c1: int) -> Floats:
        return patchy.window(r0, r1, c0, c1, tell)

    def tell(name: str, cells: Bools) -> None:
        out = np.zeros((row1 - row0, col1 - col0), dtype=bool)
        first_row, first_col = max(-row0, 0), max(-col0, 0)
        rows, cols = cells.shape
        out[first_row : first_row + rows, first_col : first_col + cols] = cells
        lost(name, out)

    return _read(inside, terrain, row0, row1, col0, col1)


def _heights(view: Any, terrain: Terrain, row0: int, row1: int, col0: int, col1: int) -> Floats:
    return heights(view, terrain, ((row0, row1), (col0, col1)), None)


def heights(
    view: Any,
    terrain: Terrain,
    window: tuple[tuple[float, float], tuple[float, float]],
    shape: tuple[int, int] | None,
) -> Floats:
    """Read heights in metres through a view from `opened`, NaN unknown, thinned to `shape`."""
    raw = view.read(1, window=window, out_shape=shape)
    with np.errstate(invalid="ignore"):  # a damaged or undeclared NaN is unknown, see below
        z = raw.astype(float)
    if (view.scales[0], view.offsets[0]) != (1.0, 0.0):
        z = z * view.scales[0] + view.offsets[0]
    z *= terrain.z_unit_m
    unknown = ~((z >= LOWEST_M) & (z <= HIGHEST_M))
    if view.nodata is not None:
        unknown |= raw == view.nodata
    elif "all_valid" not in {flag.name for flag in view.mask_flag_enums[0]}:
        unknown |= view.read_masks(1, window=window, out_shape=shape) == 0
    z[unknown] = np.nan
    return np.asarray(z)
