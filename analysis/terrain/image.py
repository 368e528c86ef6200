"""How bright the ground is, from a raster beside the grid: an intensity, or an orthophoto."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import TerrainCrsError, TerrainError
from analysis.common.given_databases import check_database
from analysis.common.given_files import check_given
from analysis.common.types import Floats
from analysis.terrain.grid import Terrain

__all__ = ["brightness_at", "check_image", "check_same_place"]

_BLOCK = 512
_COLOURS = 3


def check_image(path: str, grid: Terrain) -> None:
    """See that an image can be laid over a grid.

    Raises
    ------
    TerrainError
        Not a raster, without a place on the ground, or of another place.
    """
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    check_given(path, "The image", TerrainError)
    check_database(path, "The image", TerrainError)
    try:
        with rasterio.open(path) as image:
            crs, bounds = image.crs, image.bounds
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The image {path} can't be read as a raster; give an intensity or orthophoto as "
            "GeoTIFF or another raster that GDAL reads."
        ) from error
    if not crs:
        raise TerrainCrsError(
            f"The image {path} has no coordinate system; put a .prj file beside it or "
            "georeference it."
        )
    west, south, east, north = rasterio.warp.transform_bounds(
        crs, geofiles.CRS.from_wkt(grid.crs_wkt), *bounds
    )
    unit = grid.xy_unit_m
    check_same_place(
        f"The image {path}", (west * unit, south * unit, east * unit, north * unit), grid
    )


def check_same_place(what: str, bounds: tuple[float, float, float, float], grid: Terrain) -> None:
    """See that west, south, east, north (metres on the terrain's plane) touch the grid.

    Raises
    ------
    TerrainError
        If not; `what` begins the sentence.
    """
    west, south, east, north = bounds
    there = grid.bounds
    if west > there[2] or east < there[0] or south > there[3] or north < there[1]:
        raise TerrainError(
            f"{what} lies outside the terrain grid {grid.name}; check that both are of the same "
            "place."
        )


def brightness_at(
    path: str, grid: Terrain, row: NDArray[np.int64], col: NDArray[np.int64]
) -> Floats:
    """Return the mean of an image's bands over cells of a grid.

    Parameters
    ----------
    path : str
        A raster in any coordinate system; its first three bands count, as for colours.
    grid : Terrain
    row, col : (m,) int
        Cells of the grid.

    Returns
    -------
    (m,) float64
        NaN outside the image and where it has no value.

    Raises
    ------
    TerrainError
        The file can't be read (any more).
    """
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    out = np.full(len(row), np.nan)
    block = (row // _BLOCK) * (2**32) + col // _BLOCK
    order = np.argsort(block, kind="stable")
    first = np.flatnonzero(np.diff(block[order], prepend=-1))
    try:
        with rasterio.open(path) as image, _laid_over(image, grid) as view:
            bands = [k + 1 for k in range(min(image.count, _COLOURS))]
            for here in np.split(order, first[1:]):
                r, c = row[here], col[here]
                window = rasterio.windows.Window(
                    int(c.min()), int(r.min()), int(np.ptp(c)) + 1, int(np.ptp(r)) + 1
                )
                read = view.read(bands, window=window, masked=True).astype(float)
                mean = np.ma.filled(read.mean(axis=0), np.nan)
                out[here] = mean[r - r.min(), c - c.min()]
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"The image {path} can't be read any more; check that the file is still there and "
            "whole."
        ) from error
    return out


def _laid_over(image: Any, grid: Terrain) -> Any:
    """View an image in the cells of a grid: means where it is finer."""
    from analysis.terrain import geofiles

    rasterio = geofiles.rasterio
    return rasterio.vrt.WarpedVRT(
        image,
        crs=geofiles.CRS.from_wkt(grid.crs_wkt),
        transform=rasterio.transform.Affine(*(v / grid.xy_unit_m for v in grid.transform)),
        width=grid.cols,
        height=grid.rows,
        resampling=rasterio.enums.Resampling.average,
    )
