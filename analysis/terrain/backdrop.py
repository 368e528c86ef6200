"""A picture behind the map: an orthophoto, a scanned plan, any raster with a place."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import TerrainCrsError, TerrainError
from analysis.common.given_databases import check_database
from analysis.common.given_files import check_given
from analysis.common.types import Floats
from analysis.terrain.grid import Terrain
from analysis.terrain.image import check_same_place

__all__ = ["Backdrop", "open_backdrop", "read_backdrop"]

# Of values that aren't bytes this share at each end is let go to black or white.
_CLIPPED_PCT = 2.0
# Side of the thinned picture that tells the range of values, pixels.
_LOOK = 512
_COLOURS = 3

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Backdrop:
    """A picture and where it lies on the plane of a terrain.

    Attributes
    ----------
    path : str
    crs_wkt, xy_unit_m
        The plane of the terrain, and its unit.
    bounds : tuple of float
        West, south, east, north in metres.
    pixel_m : float
        Side of a pixel, metres.
    low, high : (k,) tuples
        Values drawn black and white, band by band.
    """

    path: str
    crs_wkt: str
    xy_unit_m: float
    bounds: Box
    pixel_m: float
    low: tuple[float, ...]
    high: tuple[float, ...]

    @property
    def name(self) -> str:
        """File name."""
        return Path(self.path).name


def open_backdrop(path: str, grid: Terrain) -> Backdrop:
    """Open a picture to be laid over a grid, in whatever coordinate system it is.

    Raises
    ------
    TerrainError
        Not a raster, without a place on the ground, or of another place.
    """
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    check_given(path, "The picture", TerrainError)
    check_database(path, "The picture", TerrainError)
    crs = geofiles.CRS.from_wkt(grid.crs_wkt)
    try:
        with warnings.catch_warnings():
            # Said in a sentence instead.
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            with rasterio.open(path) as picture:
                _check_placed(picture)
                placed = _placed(rasterio, picture)
                with rasterio.vrt.WarpedVRT(picture, crs=crs, **placed) as view:
                    bounds, (across, down) = view.bounds, view.res
                low, high = _range(picture)
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The picture {path} can't be read as a raster with a place on the ground; give an "
            "orthophoto or a scanned plan as GeoTIFF or another raster that GDAL reads."
        ) from error
    unit = grid.xy_unit_m
    west, south, east, north = (float(value) * unit for value in bounds)
    box = (west, south, east, north)
    check_same_place(f"The picture {path}", box, grid)
    pixel = float(min(across, down)) * unit
    return Backdrop(path, grid.crs_wkt, unit, box, pixel, low, high)


def read_backdrop(backdrop: Backdrop, bounds: Box, rows: int, cols: int) -> NDArray[np.uint8]:
    """Draw a part of a picture, north up, by the file's overviews where it has any.

    Parameters
    ----------
    backdrop : Backdrop
    bounds : tuple of float
        West, south, east, north in metres on the terrain's plane.
    rows, cols : int
        Size of the result.

    Returns
    -------
    (rows, cols, 4) uint8
        Red, green, blue, opacity; see-through outside the picture and where it has no value.

    Raises
    ------
    TerrainError
        The file can't be read (any more).
    """
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    west, south, east, north = (value / backdrop.xy_unit_m for value in bounds)
    place = rasterio.transform.from_bounds(west, south, east, north, cols, rows)
    try:
        with (
            rasterio.open(backdrop.path) as picture,
            rasterio.vrt.WarpedVRT(
                picture,
                crs=geofiles.CRS.from_wkt(backdrop.crs_wkt),
                transform=place,
                width=cols,
                height=rows,
                resampling=_resampling(rasterio, picture),
                add_alpha=not _has_alpha(rasterio, picture),
                **_placed(rasterio, picture),
            ) as view,
        ):
            bands = list(range(1, picture.count + 1 - _has_alpha(rasterio, picture)))[:_COLOURS]
            values = view.read(bands)
            opacity = view.read(view.count)
            table = _colour_table(picture)
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The picture {backdrop.path} can't be read any more; check that the file is still "
            "there and whole."
        ) from error
    out = np.zeros((rows, cols, 4), dtype=np.uint8)
    if table is not None:
        out[:] = table[np.clip(values[0].astype(int), 0, len(table) - 1)]
        out[..., 3] = np.minimum(out[..., 3], np.where(opacity > 0, 255, 0))
        return out
    drawn = [
        _stretched(band, low, high)
        for band, low, high in zip(values, backdrop.low, backdrop.high, strict=False)
    ]
    for place_of, band in enumerate(drawn if len(drawn) == _COLOURS else drawn[:1] * _COLOURS):
        out[..., place_of] = band
    # An opacity of 16 bits is full where it is greatest, as one of bytes is.
    full = float(np.iinfo(opacity.dtype).max) if opacity.dtype.kind in "iu" else 1.0
    known = np.isfinite(values).all(axis=0)
    out[..., 3] = np.where(known, np.clip(255.0 * opacity / full, 0.0, 255.0), 0.0)
    return out


def _check_placed(picture: Any) -> None:
    if not (picture.crs or picture.gcps[1]):
        raise TerrainCrsError(
            f"The picture {picture.name} has no coordinate system; put a .prj file beside it or "
            "georeference it."
        )


def _placed(rasterio: Any, picture: Any) -> dict[str, Any]:
    """Where a picture lies by its control points, if by nothing else: the affine that fits best."""
    points, crs = picture.gcps
    if not points or picture.crs:
        return {}
    return {"src_crs": crs, "src_transform": rasterio.transform.from_gcps(points)}


def _has_alpha(rasterio: Any, picture: Any) -> bool:
    return bool(picture.colorinterp[-1] == rasterio.enums.ColorInterp.alpha)


def _colour_table(picture: Any) -> NDArray[np.uint8] | None:
    """Return the colours (n, 4) of a picture with a palette, such as a scanned plan."""
    try:
        table = picture.colormap(1)
    except ValueError:
        return None
    return np.array([table.get(k, (0, 0, 0, 0)) for k in range(max(table) + 1)], dtype=np.uint8)


def _resampling(rasterio: Any, picture: Any) -> Any:
    """Means of colours; but never of the numbers that stand for them."""
    kinds = rasterio.enums.Resampling
    return kinds.nearest if _colour_table(picture) is not None else kinds.bilinear


def _range(picture: Any) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Values to draw black and white: those of bytes as they are, others by what occurs."""
    bands = range(1, min(picture.count, _COLOURS) + 1)
    if picture.dtypes[0] == "uint8":
        return (0.0,) * len(bands), (255.0,) * len(bands)
    shape = (min(picture.height, _LOOK), min(picture.width, _LOOK))
    ends = []
    for band in bands:
        seen = picture.read(band, out_shape=shape, masked=True)
        known = np.ma.compressed(seen).astype(float)
        known = known[np.isfinite(known)]
        ends.append(
            np.percentile(known, [_CLIPPED_PCT, 100.0 - _CLIPPED_PCT])
            if known.size
            else np.array([0.0, 1.0])
        )
    return tuple(float(end[0]) for end in ends), tuple(float(end[1]) for end in ends)


def _stretched(band: NDArray[Any], low: float, high: float) -> Floats:
    share = (np.nan_to_num(band.astype(float), nan=low) - low) / max(high - low, 1e-12)
    return np.asarray(np.clip(255.0 * share, 0.0, 255.0))
