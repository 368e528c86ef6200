"""The cells of one side of a road, straightened along its edge, as all fits take them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step

if TYPE_CHECKING:
    from analysis.corridor.values import Cells
    from analysis.edges.values import Breaks

__all__ = ["BEYOND_HINGE_M", "PAVEMENT_M", "STRIP_M", "Strip", "Windows", "side_strip"]


BEYOND_HINGE_M = 1.25
"""How much of the foreslope takes part in a fit."""

PAVEMENT_M = 4.5
"""How much of the pavement inside the edge takes part: a cambered one isn't a plane farther in."""

OUTSIDE_M = 12.5
"""How far outside the edge cells are gathered, for the sections."""

STRIP_M = PAVEMENT_M + 1.0 + OUTSIDE_M
"""Width of the strip of cells gathered on a side."""


class Windows(NamedTuple):
    """Stretches of road about n stations.

    Attributes
    ----------
    s, half_m : (n,)
        Middles, and half the averaging lengths.
    first, last : (n,) int
        Cells of each as a slice of the strip.
    """

    s: Floats
    half_m: Floats
    first: NDArray[np.int64]
    last: NDArray[np.int64]


class Strip(NamedTuple):
    """Cells of one side, sorted along the road.

    Attributes
    ----------
    s, x, z : (m,)
        Distance along the road, distance outward from the edge, height.
    width : (m,)
        Shoulder width at each cell, NaN where there is no shoulder.
    usable : (m,) bool
        Takes part in the fits.
    masked : (m,) bool
        Taken out by the user's layer.
    basis : (7, m)
        Per cell: x, smeared ramp and step at the edge, smeared ramp at the hinge, smeared
        step at the hinge, smeared impulse at the edge, place across (bin number).
    box : (m, 2)
        Box widths of each cell across the road, the wider first.
    cell_m : float
    shared_m : (m,) or (0,)
        Standard error of the level that cells share, see `Cells`; empty where they share none.
    """

    s: Floats
    x: Floats
    z: Floats
    width: Floats
    usable: NDArray[np.bool_]
    masked: NDArray[np.bool_]
    basis: Floats
    box: Floats
    cell_m: float
    shared_m: Floats


def side_strip(
    cells: Cells, breaks: Breaks, side: int, box_m: Floats, masked: NDArray[np.bool_]
) -> Strip:
    """Gather the cells of one side about its edge.

    Parameters
    ----------
    cells : Cells
    breaks : Breaks
    side : int
        0 left, 1 right.
    box_m : (n, 2)
        Box widths of a cell across the road.
    masked : (m,) bool
        Cells that aren't shoulder.

    Returns
    -------
    Strip
    """
    sign, c = SIDE_SIGN[side], cells.cell_m
    edge = np.interp(cells.s, breaks.s, breaks.edge[:, side])
    x = sign * cells.o - edge
    near = (x > -PAVEMENT_M - 1.0) & (x < OUTSIDE_M) & np.isfinite(cells.z)
    s, x, z = cells.s[near], x[near], cells.z[near]
    known = np.isfinite(breaks.hinge[:, side])
    width = np.full(s.size, np.nan)
    if known.any():
        gap = (breaks.hinge - breaks.edge)[known, side]
        width = np.interp(s, breaks.s[known], gap)
    inner = np.interp(s, breaks.s, sign * breaks.axis) - edge[near]
    box = np.column_stack([np.interp(s, breaks.s, box_m[:, k]) for k in (0, 1)])
    guard = 0.5 * box.sum(axis=1) + 0.25
    outer = width + BEYOND_HINGE_M
    if breaks.foreslope_end is not None:
        end = np.interp(s, breaks.s, breaks.foreslope_end[:, side]) - edge[near]
        # a cell that reaches into the ditch's bottom belongs to neither
        end = np.maximum(end - 0.5 * box.sum(axis=1), width)
        outer = np.fmin(outer, end)
    usable = (x > np.maximum(inner + guard, -PAVEMENT_M)) & (x < outer) & ~masked[near]
    basis = np.zeros((7, s.size))
    basis[0] = x
    basis[1] = smeared_ramp(x, box)
    basis[2] = smeared_step(x, box)
    basis[3] = smeared_ramp(x - width, box)
    basis[4] = smeared_step(x - width, box)
    basis[5] = (smeared_step(x + 1e-4, box) - smeared_step(x - 1e-4, box)) / 2e-4
    basis[6] = np.floor((x + PAVEMENT_M + 2.0) / c)
    box = np.ascontiguousarray(np.sort(np.abs(box), axis=1)[:, ::-1])
    shared = np.zeros(0) if cells.shared_m is None else cells.shared_m[near]
    return Strip(s, x, z, width, usable, masked[near], basis, box, c, shared)
