"""Pictures of the terrain: a thinned overview, north up, and its shading."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.common.types import Floats
from analysis.terrain.grid import Terrain, heights, opened

__all__ = ["Overview", "hillshade", "read_overview"]

_THIN_CELLS = 16_000_000
_THIN_THREADS = 4


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

    z: Floats
    bounds: tuple[float, float, float, float]

    @property
    def pixel_m(self) -> tuple[float, float]:
        """Width and height of one pixel in metres."""
        w, s, e, n = self.bounds
        return (e - w) / max(self.z.shape[1], 1), (n - s) / max(self.z.shape[0], 1)


def read_overview(
    terrain: Terrain, bounds: tuple[float, float, float, float] | None, max_rows: int, max_cols: int
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
    z: Floats,
    dx_m: float,
    dy_m: float,
    *,
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
    exaggeration: float = 1.0,
) -> Floats:
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


def _thinned(terrain: Terrain, block: tuple[int, int, int, int], shape: tuple[int, int]) -> Floats:
    """Read a block with fewer pixels than cells.

    A big file without overviews has to be unpacked whole; bands of it are then read side by
    side, each thread with its own open file.
    """
    row0, row1, col0, col1 = block
    with opened(terrain) as view:
        threads = min(os.cpu_count() or 1, _THIN_THREADS, shape[0])
        small = (row1 - row0) * (col1 - col0) < _THIN_CELLS
        if small or threads == 1 or view.overviews(1) or terrain.warp_crs is not None:
            return heights(view, terrain, ((row0, row1), (col0, col1)), shape)
        scale = (row1 - row0) / shape[0]
        cuts = [round(shape[0] * i / threads) for i in range(threads + 1)]

        def band(first: int, last: int, own: Any) -> Floats:
            window = ((row0 + first * scale, row0 + last * scale), (col0, col1))
            return heights(own, terrain, window, (last - first, shape[1]))

        def other_band(first: int, last: int) -> Floats:
            with opened(terrain) as own:
                return band(first, last, own)

        # The first with the file that is open: one of many parts takes long to open.
        with ThreadPoolExecutor(threads - 1) as pool:
            others = pool.map(other_band, cuts[1:-1], cuts[2:])
            return np.concatenate([band(cuts[0], cuts[1], view), *others])


def _turned(
    terrain: Terrain,
    z: Floats,
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


def _slope(z: Floats, axis: int) -> Floats:
    """Return the rise per pixel: central, one-sided beside unknown pixels, else level."""
    z = np.moveaxis(z, axis, 0)
    ahead, behind = np.full_like(z, np.nan), np.full_like(z, np.nan)
    step = np.diff(z, axis=0)
    ahead[:-1], behind[1:] = step, step
    both = np.where(
        np.isnan(ahead), behind, np.where(np.isnan(behind), ahead, (ahead + behind) / 2)
    )
    return np.moveaxis(np.nan_to_num(both, nan=0.0), 0, axis)
