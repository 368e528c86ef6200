"""A road of any length in plain geometry, written strip by strip: what the speed is measured on.

The road swings about a straight line, so that its grid is a narrow band and a terrain of 300 km
stays below a gigabyte. Pavement, shoulders, foreslopes and ditches are straight lines across;
shoulders fail here and there. Nothing of the sample's generator is used.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from analysis.common.types import Floats

__all__ = ["CELL_M", "CRS", "centreline", "write_long_road"]

CELL_M, CRS = 0.5, "EPSG:32628"
SWING_M, WAVE_M, HALF_BAND_M = 15.0, 900.0, 40.0
WEST, NORTH = 300_000.0, 5_000_000.0
STRETCH_M, STRIP_COLS = 60.0, 4096
EDGE_M, SHOULDER_M, DITCH_M, NOISE_M = 3.5, 1.5, 0.6, 0.015


def _line(x: Floats) -> tuple[Floats, Floats]:
    """Northing of the road's axis above the band's middle, and its slope."""
    turn = 2.0 * np.pi * x / WAVE_M
    return SWING_M * np.sin(turn), SWING_M * 2.0 * np.pi / WAVE_M * np.cos(turn)


def centreline(length_m: float, start_m: float = 0.0) -> Floats:
    """(m, 2) the road's axis, a vertex each 20 m of easting."""
    x = np.linspace(start_m, start_m + length_m, max(2, int(length_m / 20.0) + 1))
    y, _ = _line(x)
    return np.column_stack([WEST + x, NORTH - HALF_BAND_M + y])


def _of_stretch(x: Floats, salt: int) -> Floats:
    """An even number in 0..1 for each stretch of road."""
    key = np.floor(x / STRETCH_M) * 12.9898 + salt * 78.233
    return np.asarray(np.abs(np.sin(key) * 43758.5453) % 1.0)


def _ground(x: Floats, y: Floats) -> Floats:
    """Heights of places counted from the band's west and middle."""
    axis, slope = _line(x)
    o = (axis - y) / np.hypot(1.0, slope)
    u, side = np.abs(o), (o > 0).astype(int)
    dice = np.where(side, _of_stretch(x, 1), _of_stretch(x, 2))
    falls = np.select([dice < 0.15, dice < 0.25], [0.5, -3.0], 5.0)
    dice = np.where(side, _of_stretch(x, 3), _of_stretch(x, 4))
    step = np.select([dice < 0.08, dice < 0.13], [-0.06, 0.05], 0.0)
    out = np.clip(u - EDGE_M, 0.0, SHOULDER_M)
    beyond = np.maximum(u - EDGE_M - SHOULDER_M, 0.0)
    down = np.minimum(beyond / 4.0, DITCH_M) - np.maximum(beyond - 4.0 * DITCH_M - 0.5, 0.0) / 3.0
    z = -0.02 * np.minimum(u, EDGE_M) - 0.01 * falls * out - down
    return np.asarray(
        z + np.where(u > EDGE_M, step, 0.0) + 80.0 + 0.008 * 700.0 * np.sin(x / 700.0)
    )


def write_long_road(path: Path, length_m: float) -> Path:
    """Write the grid of a road of this length, unless it is there; tiles of 256 cells."""
    import rasterio
    from rasterio.transform import from_origin

    if path.exists():
        return path
    rows, cols = int(2 * HALF_BAND_M / CELL_M), int((length_m + 40.0) / CELL_M)
    y = HALF_BAND_M - (np.arange(rows) + 0.5) * CELL_M
    part = path.with_suffix(".part.tif")
    with rasterio.open(
        part, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs=CRS,
        transform=from_origin(WEST - 20.0, NORTH, CELL_M, CELL_M), nodata=-9999.0, tiled=True,
        blockxsize=256, blockysize=256,
    ) as file:  # fmt: skip
        file.units = ("metre",)
        random = np.random.default_rng(11)
        for first in range(0, cols, STRIP_COLS):
            count = min(STRIP_COLS, cols - first)
            x = (first + np.arange(count) + 0.5) * CELL_M - 20.0
            z = np.zeros((rows, count))
            for dx in (-0.25, 0.25):
                for dy in (-0.25, 0.25):
                    z += 0.25 * _ground(x + dx * CELL_M, (y + dy * CELL_M)[:, None])
            z += random.normal(0.0, NOISE_M, z.shape)
            file.write(z.astype(np.float32), 1, window=((0, rows), (first, first + count)))
    part.rename(path)
    return path
