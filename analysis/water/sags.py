"""Water standing in the ditches: sags, what holds the water, and what may be a side access."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.water.filling import cells_named, spill_cell
from analysis.water.outlets import Outlets

if TYPE_CHECKING:
    from analysis.corridor.values import Ribbon

__all__ = ["InvertLine", "SagMap", "Sags", "find_sags"]


_HUMP_M = 0.05  # a rise of the invert by less doesn't dam a ditch
_BESIDE_M = 2.0  # a spill point farther from the invert isn't in the ditch
# What fills a ditch flush with the road over a few metres is driven on: a side access.
_FLUSH_M = 0.25
_CROSSING_M = 15.0


@dataclass(frozen=True, slots=True)
class Sags:
    """Stretches of a ditch that hold water, one row each; m sags.

    Attributes
    ----------
    side : ndarray of int8, shape (m,)
        0 left, 1 right.
    from_s, to_s : ndarray, shape (m,)
        Where standing water begins and ends when the sag is full.
    bottom_s, spill_s : ndarray, shape (m,)
        Lowest point, and the high point over which it overflows.
    depth_mm, chance_mm : ndarray, shape (m,)
        Depth at the bottom, and the depth that noise alone makes.
    spill_o : ndarray, shape (m,)
        Offset of the point where it runs over: in the ditch, or out to one side.
    level_m : ndarray, shape (m,)
        Height of the water.
    needs_outlet : ndarray of bool, shape (m,)
        Full, it would drown the pavement: there is a culvert that nobody has named, or the
        road floods.
    """

    side: NDArray[np.int8]
    from_s: Floats
    to_s: Floats
    bottom_s: Floats
    spill_s: Floats
    spill_o: Floats
    depth_mm: Floats
    chance_mm: Floats
    level_m: Floats
    needs_outlet: NDArray[np.bool_]

    def __len__(self) -> int:
        return self.side.size


@dataclass(frozen=True, slots=True)
class InvertLine:
    """The two ditches seen at one averaging length.

    Attributes
    ----------
    ground, water : ndarray, shape (r, k)
        Averaged ribbon, and the same filled.
    column : ndarray of int, shape (r, 2)
        Column of the ribbon on which the invert lies, where `u` is known.
    u, z, level : ndarray, shape (r, 2)
        Outward place and height of the invert, and of the water over it.
    chance : ndarray, shape (r, 2)
        Depth of sag that noise alone makes, metres.
    """

    ground: Floats
    water: Floats
    column: NDArray[np.intp]
    u: Floats
    z: Floats
    level: Floats
    chance: Floats


@dataclass(frozen=True, slots=True)
class SagMap:
    """Sags and what they mean row by row; (r, 2) unless said.

    Attributes
    ----------
    sags : Sags
    standing : ndarray
        Depth of standing water, metres; NaN where it depends on an outlet not shown.
    rising, dammed, crossing : ndarray of bool
        See `ditch.Ditch`.
    crossings : ndarray, shape (c, 3)
        (side, from s, to s).
    """

    sags: Sags
    standing: Floats
    rising: NDArray[np.bool_]
    dammed: NDArray[np.bool_]
    crossing: NDArray[np.bool_]
    crossings: Floats


@dataclass(frozen=True, slots=True)
class _Sag:
    side: int
    rows: NDArray[np.intp]
    depth: Floats
    level: float
    spill: int
    chance: float
    drowns: bool

    @property
    def bottom(self) -> int:
        return int(self.rows[np.argmax(self.depth)])

    @property
    def deepest(self) -> float:
        return float(self.depth.max())


def find_sags(
    ribbon: Ribbon, lines: tuple[InvertLine, ...], outlets: Outlets, depth_m: Floats, hump_m: Floats
) -> SagMap:
    """Find where water stands in the ditches, and tell dams from crossings.

    Parameters
    ----------
    ribbon
        The road's ribbon.
    lines : tuple of InvertLine
        The ditches at one or more averaging lengths, the most faithful first.
    outlets : Outlets
        Ways out that were given or assumed.
    depth_m, hump_m : ndarray, shape (r, 2)
        Ditch below the pavement edge, and how much shallower it is than around.

    Returns
    -------
    SagMap
    """
    found = [sag for line in lines for sag in _standing_water(ribbon, line)]
    found.sort(key=lambda sag: -sag.deepest / max(sag.chance, 1e-3))
    found += _basins(ribbon, lines[0], outlets)
    shape = depth_m.shape
    standing = np.zeros(shape)
    rising, dammed, crossing = (np.zeros(shape, bool) for _ in range(3))
    taken = np.zeros(shape, bool)
    kept: list[_Sag] = []
    crossings: list[tuple[float, float, float]] = []
    u = lines[0].u
    for sag in found:
        side = sag.side
        if taken[sag.bottom, side] and not sag.drowns:
            continue
        kept.append(sag)
        free = sag.rows[~taken[sag.rows, side]]
        if sag.drowns:
            standing[free, side] = np.nan
        else:
            standing[sag.rows, side] = np.fmax(standing[sag.rows, side], sag.depth)
            taken[sag.rows, side] = True
        row, column = divmod(sag.spill, ribbon.o.size)
        if not abs(SIDE_SIGN[side] * ribbon.o[column] - u[row, side]) <= _BESIDE_M:
            continue  # it runs over sideways: nothing in the ditch stands in its way
        climb = slice(sag.bottom, row + 1) if row >= sag.bottom else slice(row, sag.bottom + 1)
        crest = _crest(hump_m[:, side], row)
        high = float(np.nanmax(hump_m[crest, side], initial=-np.inf))
        top = float(np.nanmin(depth_m[crest, side], initial=np.inf))
        stands = high > max(_HUMP_M, sag.chance)
        if stands and top < _FLUSH_M and crest.size * ribbon.step_s < _CROSSING_M:
            crossing[crest, side] = True
            crossings.append((side, float(ribbon.s[crest[0]]), float(ribbon.s[crest[-1]])))
            continue
        rising[climb, side] = True
        if stands:
            dammed[climb, side] = True
            dammed[crest, side] = True
    return SagMap(
        sags=_table(ribbon, kept),
        standing=standing,
        rising=rising,
        dammed=dammed,
        crossing=crossing,
        crossings=np.array(crossings, np.float64).reshape(-1, 3),
    )


def _standing_water(ribbon: Ribbon, line: InvertLine) -> list[_Sag]:
    """Depressions that reach an invert, deeper than chance."""
    from scipy.ndimage import label

    with np.errstate(invalid="ignore"):
        names, _ = label(line.water > line.ground, np.ones((3, 3), bool))
    at = np.arange(ribbon.s.size)
    result = []
    for side in (0, 1):
        column, known = line.column[:, side], np.isfinite(line.u[:, side])
        name = np.where(known, names[at, column], 0)
        wet = np.flatnonzero(name)
        stands = line.level[wet, side] - line.z[wet, side]
        # the deepest row of each comes first
        deepest = wet[np.lexsort((-stands, name[wet]))]
        deepest = deepest[np.diff(name[deepest], prepend=0) != 0]
        most = line.level[deepest, side] - line.z[deepest, side]
        deepest = deepest[most > line.chance[deepest, side]]
        for row, cells in zip(deepest, cells_named(names, name[deepest]), strict=True):
            number = int(name[row])
            rows = wet[name[wet] == number]
            depth = line.level[rows, side] - line.z[rows, side]
            limit = float(line.chance[row, side])
            height = float(line.water[rows[0], column[rows[0]]])
            spill = spill_cell(line.water, cells, height)
            result.append(_Sag(side, rows, depth, height, spill, limit, False))
    return result


def _basins(ribbon: Ribbon, line: InvertLine, outlets: Outlets) -> list[_Sag]:
    """Carry the basins that need an outlet onto the inverts."""
    at = np.arange(ribbon.s.size)
    result = []
    for basin in outlets.basins:
        for side in (0, 1):
            cell = at * ribbon.o.size + line.column[:, side]
            known = np.isfinite(line.u[:, side])
            rows = np.flatnonzero(np.isin(cell, basin.cells) & known)
            depth = basin.level - line.z[rows, side]
            if rows.size and depth.max() > 0.0:
                limit = float(np.nan_to_num(line.chance[rows[np.argmax(depth)], side]))
                result.append(_Sag(side, rows, depth, basin.level, basin.spill, limit, True))
    return result


def _table(ribbon: Ribbon, kept: list[_Sag]) -> Sags:
    k = ribbon.o.size
    half = 0.5 * ribbon.step_s
    kept = sorted(kept, key=lambda sag: (int(sag.rows.min()), sag.side))
    places = [(sag.rows.min(), sag.rows.max(), sag.bottom, sag.spill) for sag in kept]
    first, last, bottom, spill = np.array(places, np.intp).reshape(-1, 4).T
    return Sags(
        side=np.array([sag.side for sag in kept], np.int8),
        from_s=ribbon.s[first] - half,
        to_s=ribbon.s[last] + half,
        bottom_s=ribbon.s[bottom],
        spill_s=ribbon.s[spill // k],
        spill_o=ribbon.o[spill % k],
        depth_mm=1000.0 * np.array([sag.deepest for sag in kept], np.float64),
        chance_mm=1000.0 * np.array([sag.chance for sag in kept], np.float64),
        level_m=np.array([sag.level for sag in kept], np.float64),
        needs_outlet=np.array([sag.drowns for sag in kept], bool),
    )


def _crest(hump: Floats, spill: int) -> NDArray[np.intp]:
    """Rows of the rise at the spill point: as far both ways as a quarter of it stands up."""
    if not np.isfinite(hump[spill]):
        return np.array([spill])
    near = slice(max(0, spill - 3), spill + 4)
    part = 0.25 * max(float(np.nanmax(hump[near])), 0.0)
    low = np.flatnonzero(~(hump > part))
    before, after = low[low < spill], low[low > spill]
    first = before[-1] + 1 if before.size else 0
    last = after[0] - 1 if after.size else hump.size - 1
    return np.arange(min(first, spill), max(last, spill) + 1)
