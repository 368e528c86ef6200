"""Ways out for water that the ground alone doesn't show: culverts, given or to be looked for.

A grid shows the ground, not the pipes under it. Filled as it stands, a road in a sag becomes
a lake with the road at its bottom. Such a basin says that there must be a way out that nobody
has named (or that the road floods); it is reported as that, and its lowest point is opened, so
that the ponds inside it can be seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import average_along, rows_for
from analysis.common.types import Floats
from analysis.water.filling import cells_named, fill_ribbon, spill_cell
from analysis.water.zones import PAVEMENT, Zoned

if TYPE_CHECKING:
    from analysis.corridor.values import Ribbon

__all__ = ["AVERAGE_M", "Basin", "Outlets", "culvert_cells", "find_outlets", "road_outlets"]


AVERAGE_M = 10.0
"""Length along the road over which ground is averaged before outlets are looked for."""

_EIGHT = np.ones((3, 3), bool)
_ROUNDS = 8
_CULVERT_REACH_M = 2.0  # water leaves through all cells this near to an inlet
# A basin drowns the pavement where it stands deeper than the first on it and is deeper than the
# second beside it; a dent of the pavement itself is a pond.
_DROWNED_M, _DEEP_M = 0.05, 0.3
_OPENED = 3.0  # cells around the lowest one, so that other averages find it open too


@dataclass(frozen=True, slots=True)
class Basin:
    """A depression that would drown the pavement before it ran over.

    Attributes
    ----------
    cells : ndarray of int, shape (m,)
        Flat indices of its cells on the ribbon, deepest first.
    depth : ndarray, shape (m,)
        Depth of the full basin on them, metres.
    level : float
        Height of its surface.
    spill : int
        Flat index of the cell over which it would run over.
    opened : ndarray of bool, shape (m,)
        Cells through which it is assumed to drain.
    """

    cells: NDArray[np.intp]
    depth: Floats
    level: float
    spill: int
    opened: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Outlets:
    """Where water leaves the ribbon besides its borders.

    Attributes
    ----------
    cells : ndarray of bool, shape (n, k), or None
        Given and assumed outlets; None where there are none.
    basins : tuple of Basin
        What the assumed outlets drain.
    """

    cells: NDArray[np.bool_] | None
    basins: tuple[Basin, ...]

    def on_average(self, rows: int) -> NDArray[np.bool_] | None:
        """Give the outlets for ground averaged over so many rows.

        The average raises the ground at an inlet that lies close before a dam; carried as far
        along the road as the average reaches, the outlet is at its own height again.
        """
        if self.cells is None or rows <= 1:
            return self.cells
        out = np.zeros_like(self.cells)
        # there are few of them
        row, column = np.nonzero(self.cells)
        for away in range(-(rows // 2), rows // 2 + 1):
            out[np.clip(row + away, 0, len(out) - 1), column] = True
        return out


def culvert_cells(ribbon: Ribbon, culverts: Floats) -> NDArray[np.bool_] | None:
    """Mark the cells of the ribbon within reach of a culvert inlet.

    Parameters
    ----------
    ribbon
        The road's ribbon.
    culverts : ndarray, shape (c, 2)
        Inlets as (s, o).

    Returns
    -------
    ndarray of bool, shape (n, k), or None
    """
    if len(culverts) == 0:
        return None
    mask = np.zeros(ribbon.z.shape, bool)
    for s, o in np.asarray(culverts, np.float64):
        rows = np.flatnonzero(np.abs(ribbon.s - s) <= _CULVERT_REACH_M)
        columns = np.flatnonzero(np.abs(ribbon.o - o) <= _CULVERT_REACH_M)
        near = np.hypot(ribbon.s[rows, None] - s, ribbon.o[None, columns] - o) <= _CULVERT_REACH_M
        mask[np.ix_(rows, columns)] |= near
    return mask


def find_outlets(
    ground: Floats, pavement: NDArray[np.bool_], given: NDArray[np.bool_] | None
) -> Outlets:
    """Open the lowest point of every basin that would drown the pavement.

    Parameters
    ----------
    ground : ndarray, shape (n, k)
        Averaged heights, NaN unknown.
    pavement : ndarray of bool, shape (n, k)
        Cells of the pavement.
    given : ndarray of bool, shape (n, k), or None
        Outlets that the user named.

    Returns
    -------
    Outlets
    """
    from scipy.ndimage import label

    cells = None if given is None else given.copy()
    basins: list[Basin] = []
    for _ in range(_ROUNDS):
        level = fill_ribbon(ground, outlets=cells, holes_drain=True)
        depth = np.nan_to_num(level - ground)
        drowned, deep = pavement & (depth > _DROWNED_M), ~pavement & (depth > _DEEP_M)
        # telling basins apart holds up other threads: most roads drown nowhere
        if not (drowned.any() and deep.any()):
            break
        names, _ = label(depth > 0.0, _EIGHT)
        wanted = np.intersect1d(names[drowned], names[deep])
        if wanted.size == 0:
            break
        cells = np.zeros(ground.shape, bool) if cells is None else cells
        for flat in cells_named(names, wanted):
            d = depth.ravel()[flat]
            order = np.argsort(-d, kind="stable")
            flat, d = flat[order], d[order]
            i, j = np.unravel_index(flat, ground.shape)
            height = float(level.ravel()[flat[0]])
            near = np.hypot(i - i[0], j - j[0]) <= _OPENED
            basins.append(Basin(flat, d, height, spill_cell(level, flat, height), near))
            cells.ravel()[flat[near]] = True
    return Outlets(cells, tuple(basins))


def road_outlets(zoned: Zoned, culverts: Floats) -> Outlets:
    """Gather a road's outlets: the culverts given, and those that its basins must have.

    Parameters
    ----------
    zoned
        The road's ribbon with its zones.
    culverts : ndarray, shape (c, 2)
        Inlets as (s, o).

    Returns
    -------
    Outlets
    """
    ribbon = zoned.ribbon
    rows = rows_for(AVERAGE_M, ribbon.step_s)
    ground, _ = average_along(ribbon.z, rows)
    given = Outlets(culvert_cells(ribbon, culverts), ())
    found = find_outlets(ground, zoned.zone == PAVEMENT, given.on_average(rows))
    if found.cells is None or not found.basins:
        return given
    assumed = np.zeros(ribbon.z.shape, bool)
    for basin in found.basins:
        assumed.ravel()[basin.cells[basin.opened]] = True
    return Outlets(assumed if given.cells is None else given.cells | assumed, found.basins)
