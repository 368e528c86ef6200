"""Heights that nobody surveyed: ground drawn straight from one side of a hole to the other.

Where points are missing (under a parked lorry, a wet spot, a bridge that was taken out) triangles
span the hole, or one height fills it. From side to side such ground is straight to the last place,
while any that was surveyed scatters: three heights in a line, farther apart than cells share
points, miss a straight line by about the noise. Where over a patch they don't in any one
direction, the patch is made up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import median_of
from analysis.common.types import Bools, Floats
from analysis.corridor.grain import SHARED_SHARE
from analysis.corridor.lattice import from_first, heights_of
from analysis.corridor.likeness import lattice_of
from analysis.corridor.values import Cells, Grain

if TYPE_CHECKING:
    from analysis.corridor.lattice_kernels import Heights

__all__ = ["made_up"]


PATCH_M, PATCH_CELLS, PATCH_SPANS = 2.5, 5, 5.0
"""Least size of a patch, also in distances between points: small ones are straight by chance, or
lie within one triangle."""

STRAIGHT = 0.12
"""Share of the usual squared miss up to which a patch is straight (own trials)."""

LEAST_ARM_M, ARM_SPANS = 1.0, 2.2
"""Length of the lines: at least this, and as many distances between points as share no more."""

COARSEST_M = 0.5 * PATCH_M
"""Wider cells need a patch so large that sound ground may lie as straight."""

_ANGLES = 8
_ROAD_M = 3.0
_FULL = 0.5


def made_up(cells: Cells, grain: Grain) -> Bools:
    """Tell which cells only bridge a hole.

    Parameters
    ----------
    cells : Cells
        m of them.
    grain : Grain
        How the grid was made.

    Returns
    -------
    (m,) bool
        None of them where the road's own surface shows no noise to compare with, nor where cells
        are wider than `COARSEST_M`.
    """
    out = np.zeros(len(cells), dtype=bool)
    if len(cells) == 0 or cells.cell_m > COARSEST_M:
        return out
    span = float(np.sqrt(grain.triangles * grain.shared_m2 / SHARED_SHARE))
    arm = max(LEAST_ARM_M, ARM_SPANS * span, 1.5 * cells.cell_m) / cells.cell_m
    row, col = (from_first(part)[0] for part in lattice_of(cells, slice(None), 1))
    ground = heights_of(row, col, cells.z)
    angles = np.pi * np.arange(_ANGLES) / _ANGLES
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    arms = np.rint(arm * ways).astype(np.int64)
    misses = _misses_on_road(row, col, cells, ground, arms)
    if misses.size < 100:
        return out
    usual = median_of(misses) / 0.455  # median of chi squared of one
    if usual <= 1e-10:
        return out
    size = max(PATCH_CELLS, round(max(PATCH_M, PATCH_SPANS * span) / cells.cell_m))
    out = _straight(row, col, cells.z, ground, arms, size, STRAIGHT * usual)
    return _grown(row, col, out, size // 4) if out.any() else out


def _misses_on_road(
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    cells: Cells,
    ground: Heights,
    arms: NDArray[np.int64],
) -> Floats:
    """Squares of how far cells of the road's own surface miss the middle of two others."""
    from analysis.corridor.lattice_kernels import line_misses

    on = np.abs(cells.o) <= _ROAD_M
    here = np.flatnonzero(on)
    out = np.empty(here.size * len(arms))
    count = line_misses(row[here], col[here], cells.z[here], ground, arms, out)
    return out[:count]


def _straight(
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    z: Floats,
    ground: Heights,
    arms: NDArray[np.int64],
    size: int,
    most: float,
) -> Bools:
    """Cells of patches whose lines miss by less than `most` in any direction.

    Patches begin at every half of their size: they are made of quarters, each of which is summed
    up once.
    """
    from analysis.corridor.lattice_kernels import number_parts, straight_parts, sum_misses

    quarters = (2 * (int(of.max()) // size + 1) for of in (row, col))
    number = np.full(tuple(quarters), -1, dtype=np.int32)
    part = np.empty(row.size, dtype=np.int32)
    count = number_parts(row, col, size, number, part)
    lines, total = np.zeros((2, count, len(arms)))
    sum_misses(row, col, z, part, ground, arms, lines, total)
    return np.asarray(straight_parts(number, lines, total, _FULL * size**2, most)[part])


def _grown(row: NDArray[np.int64], col: NDArray[np.int64], chosen: Bools, by: int) -> Bools:
    """The chosen cells and those around them: whole patches don't reach into all corners."""
    stride = int(col.max()) + 2 * by + 1
    key = row * stride + col + by
    steps = np.arange(-by, by + 1)
    around = (steps[:, None] * stride + steps).ravel()
    return np.isin(key, np.unique(key[chosen][:, None] + around))
