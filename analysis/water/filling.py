"""Depression filling on a ribbon: the lowest level at which water on a cell gets away.

Water moves to any of the eight neighbours and leaves freely over the outer border of the
ribbon (both sides and both ends) and through given outlets (culvert inlets). Cells without a
height are of two kinds. Those outside everything known (before the first or after the last
known cell of a row, and whole rows at the ends) only move the border inward. The others are
*holes*: nobody knows whether water gets away through them, so each filling says how it takes
them, and `fill_bounds` gives the two answers between which the truth lies.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.types import Floats

__all__ = ["cells_named", "fill_bounds", "fill_profile", "fill_ribbon", "holes", "spill_cell"]


def fill_ribbon(
    z: ArrayLike, *, outlets: NDArray[np.bool_] | None = None, holes_drain: bool = False
) -> Floats:
    """Fill every depression of a ribbon to the level at which it spills.

    Parameters
    ----------
    z : array_like of float, shape (n, k)
        Ground heights, NaN where unknown.
    outlets : ndarray of bool, shape (n, k), optional
        Cells through which water leaves freely at ground level.
    holes_drain : bool, default False
        False takes holes as closed (the result is the highest level that is possible),
        True takes them as bottomless (the lowest level that is possible).

    Returns
    -------
    ndarray of float64, shape (n, k)
        Water level if every depression is full, at least `z`; NaN where `z` is, and where
        holes close off every way out so that no level can be named.

    Raises
    ------
    ValueError
        If `z` isn't two-dimensional or `outlets` has another shape.

    Examples
    --------
    >>> import numpy as np
    >>> z = np.array([[3.0, 3, 3], [3, 1, 2], [3, 3, 3]])
    >>> fill_ribbon(z)[1].tolist()
    [3.0, 2.0, 2.0]
    """
    ground = _check_ribbon(z)
    if outlets is not None and outlets.shape != ground.shape:
        raise ValueError(
            f"outlets must have the ribbon's shape {ground.shape}, got {outlets.shape}"
        )
    if ground.size == 0:
        return ground.copy()
    from analysis.water.filling_kernels import begin, end, spread

    none = np.zeros((0, 0), bool)
    closed = none if holes_drain else holes(ground)
    base, level = np.empty_like(ground), np.empty_like(ground)
    unknown = begin(ground, none if outlets is None else outlets, closed, base, level)
    spread(base, level)
    if unknown:
        end(ground, level)
    return level


def fill_bounds(z: ArrayLike, *, outlets: NDArray[np.bool_] | None = None) -> tuple[Floats, Floats]:
    """Fill twice, so that the true level lies between the two whatever holes hide.

    Parameters
    ----------
    z, outlets
        As for `fill_ribbon`.

    Returns
    -------
    least, most : ndarray of float64, shape (n, k)
        Levels with holes bottomless and with holes closed. They are one and the same array
        where the ribbon has no holes. A depth against `least` is certain; a depth against
        `most` only is possible. NaN in `most` alone: no upper bound exists.
    """
    ground = _check_ribbon(z)
    most = fill_ribbon(ground, outlets=outlets)
    if not holes(ground).any():
        return most, most
    least = fill_ribbon(ground, outlets=outlets, holes_drain=True)
    return least, most


def holes(z: ArrayLike) -> NDArray[np.bool_]:
    """Find the unknown cells that have known ground on both sides of them.

    Parameters
    ----------
    z : array_like of float, shape (n, k)
        Ground heights, NaN where unknown.

    Returns
    -------
    ndarray of bool, shape (n, k)
        True on holes; False on known cells and on unknown cells outside everything known.
    """
    unknown = np.isnan(_check_ribbon(z))
    return unknown & ~_outside(unknown) if unknown.any() else unknown


def fill_profile(z: ArrayLike) -> Floats:
    """Fill a profile along one line, both ends open.

    Parameters
    ----------
    z : array_like of float, shape (n,)
        Heights along the line, NaN where unknown. Unknown stretches cut the profile: what
        lies beside them is filled as if water left there, so that depths are certain.

    Returns
    -------
    ndarray of float64, shape (n,)
        Level, at least `z`; NaN where `z` is.
    """
    ground = np.asarray(z, np.float64)
    if ground.ndim != 1:
        raise ValueError(f"a profile must have one axis, got {ground.ndim}")
    if ground.size == 0:
        return ground.copy()
    unknown = np.isnan(ground)
    # A free point splits the line: water only has to reach the nearest one on either side.
    free = unknown.copy()
    free[0] = free[-1] = True
    base = np.where(unknown, -np.inf, ground)
    ahead = _highest_since(base, free)
    behind = _highest_since(base[::-1], free[::-1])[::-1]
    level = np.minimum(ahead, behind)
    level[unknown] = np.nan
    return level


def cells_named(names: NDArray[Any], wanted: NDArray[Any]) -> list[NDArray[np.intp]]:
    """Cells of some of many labelled depressions, in their order.

    Parameters
    ----------
    names : (n, k) int
        Labels from 1 on, 0 for none.
    wanted : (w,) int
        Labels, sorted, each once and on some cell.

    Returns
    -------
    list of w arrays
        Indices into the flattened array, ascending.
    """
    asked = np.zeros(int(names.max(initial=0)) + 1, bool)
    asked[wanted] = True
    cells = np.flatnonzero(asked[names])
    name = names.ravel()[cells]
    order = np.argsort(name, kind="stable")
    bounds = np.searchsorted(name[order], wanted)
    return np.split(cells[order], bounds[1:]) if len(wanted) else []


def spill_cell(level: Floats, cells: NDArray[np.intp], height: float) -> int:
    """Find the cell over which a depression runs over.

    Parameters
    ----------
    level : ndarray, shape (n, k)
        Filled ribbon.
    cells : ndarray of int, shape (m,)
        Flat indices of all cells of one depression.
    height : float
        Its level.

    Returns
    -------
    int
        Flat index of a cell next to it whose ground is at its level; of an unknown cell where
        that is the way out.
    """
    from analysis.water.pond_kernels import spill_of

    return int(spill_of(level, cells, height))


def _highest_since(z: Floats, start: NDArray[np.bool_]) -> Floats:
    """Return the running maximum that begins anew at each start."""
    # Lifting every segment clear above the one before makes one running maximum do for all.
    segment = np.cumsum(start)
    order = np.lexsort((z, segment))
    rank = np.empty(z.size, np.int64)
    rank[order] = np.arange(z.size)
    top = np.maximum.accumulate(rank)
    return z[order][top]


def _check_ribbon(z: ArrayLike) -> Floats:
    ground = np.ascontiguousarray(z, np.float64)
    if ground.ndim != 2:
        raise ValueError(f"a ribbon must have two axes (stations, offsets), got {ground.ndim}")
    return ground


def _outside(unknown: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark unknown cells beyond everything known: at row ends, and whole rows at both ends."""
    leading = np.logical_and.accumulate(unknown, axis=1)
    trailing = np.logical_and.accumulate(unknown[:, ::-1], axis=1)[:, ::-1]
    empty = leading[:, -1]
    at_ends = np.logical_and.accumulate(empty) | np.logical_and.accumulate(empty[::-1])[::-1]
    outside = (leading | trailing) & ~empty[:, None]
    outside[at_ends] = True
    return outside
