"""Two roads on one grid that differ only in how wide they are built: plain geometry."""

from pathlib import Path

import numpy as np

from tests.builders.files import line, write_grid, write_lines

NARROW, WIDE = "Fernhollow Road", "Old Quarry Road"
NARROW_M, WIDE_M = 7.0, 13.0
"""From edge to edge of each pavement."""

_APART_M, _LENGTH_M, _CELL_M, _NOISE_M = 60.0, 200.0, 0.5, 0.008


def write_two_widths(folder: Path) -> tuple[str, str]:
    """Write the grid and both centrelines; return the two paths.

    Each road is straight, along x, with pavement at 2 %, shoulders of 1.5 m at 5 %, foreslopes 1:3
    into ditches 1 m below them, and a grade of 1 %.
    """
    x = np.arange(_CELL_M / 2, _LENGTH_M, _CELL_M)
    y = _APART_M - np.arange(_CELL_M / 2, 2.0 * _APART_M, _CELL_M)
    middles = {NARROW: 0.5 * _APART_M, WIDE: -0.5 * _APART_M}
    rows = np.where(y > 0.0, _profile(y - middles[NARROW], NARROW_M), 0.0)
    rows = np.where(y > 0.0, rows, _profile(y - middles[WIDE], WIDE_M))
    z = 100.0 + 0.01 * x[None, :] + rows[:, None]
    z += np.random.default_rng(5).normal(0.0, _NOISE_M, z.shape)
    grid, roads = folder / "two_widths.tif", folder / "two_widths.gpkg"
    write_grid(grid, z, cell=_CELL_M, dtype="float32", units="metre")
    lines = [line((2.0, _APART_M + y), (_LENGTH_M - 2.0, _APART_M + y)) for y in middles.values()]
    write_lines(roads, lines, [{"name": name} for name in middles])
    return str(grid), str(roads)


def _profile(o: np.ndarray, wide_m: float) -> np.ndarray:
    """Heights across a road above its crown, at offsets from its middle."""
    edge = 0.5 * wide_m
    places = edge * np.array([0.0, 1.0, 1.0, 1.0, 1.0]) + [0.0, 0.0, 1.5, 4.5, 5.5]
    falls = 0.02 * edge * np.array([0.0, 1.0, 1.0, 1.0, 1.0]) + [0.0, 0.0, 0.075, 1.075, 1.075]
    return np.interp(np.abs(o), places, -falls)
