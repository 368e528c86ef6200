"""Cells found by their place in the grid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats

if TYPE_CHECKING:
    from analysis.corridor.lattice_kernels import Heights, Places

__all__ = ["from_first", "heights_of", "places_of"]


def from_first(place: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Places (m,), at least one, counted from the first of them; and that first one."""
    first = int(place.min())
    return place - first, first


def places_of(row: NDArray[np.int64], col: NDArray[np.int64]) -> Places:
    """Tell which cell lies where, from rows and columns (m,) that aren't negative."""
    from analysis.corridor.lattice_kernels import TILE, Places, fill_places

    tile, count = _tiles_of(row, col)
    places = Places(tile, np.full((count, TILE * TILE), -1, dtype=np.int32))
    fill_places(row, col, places)
    return places


def heights_of(row: NDArray[np.int64], col: NDArray[np.int64], z: Floats) -> Heights:
    """Tell which height lies where, from rows, columns and heights (m,)."""
    from analysis.corridor.lattice_kernels import TILE, Heights, fill_heights

    tile, count = _tiles_of(row, col)
    heights = Heights(tile, np.full((count, TILE * TILE), np.nan))
    fill_heights(row, col, z, heights)
    return heights


def _tiles_of(row: NDArray[np.int64], col: NDArray[np.int64]) -> tuple[NDArray[np.int32], int]:
    """Number the tiles that hold cells; and how many there are."""
    from analysis.corridor.lattice_kernels import TILE, number_tiles

    tile = np.full((int(row.max()) // TILE + 1, int(col.max()) // TILE + 1), -1, dtype=np.int32)
    return tile, number_tiles(row, col, tile)
