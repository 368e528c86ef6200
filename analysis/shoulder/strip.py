"""The cells of one side of a road, straightened along its edge, as all fits take them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import lines_at
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.footprint import rounded_box, smeared_ramp, smeared_step

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

    def of(self, rows: NDArray[np.int64]) -> Windows:
        """Return those of some stations."""
        return Windows(self.s[rows], self.half_m[rows], self.first[rows], self.last[rows])


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
    hinge_box : (m, 2)
        The same at the hinge, which an arc may round.
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
    hinge_box: Floats
    cell_m: float
    shared_m: Floats


def side_strip(
    cells: Cells,
    breaks: Breaks,
    side: int,
    box_m: Floats,
    masked: NDArray[np.bool_],
    line_box_m: Floats | None = None,
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
    line_box_m : (k, 2), optional
        Box widths at the places that lines are drawn through, `breaks.along()`; None: as between
        stations.

    Returns
    -------
    Strip
    """
    from analysis.shoulder.strip_kernels import AtStations, Gathered, gather_side

    sign = SIDE_SIGN[side]
    line = breaks.along()
    outward = sign * cells.o - lines_at(cells.s, line.s, line.edge[:, side])
    inside = (outward > -PAVEMENT_M - 1.0) & (outward < OUTSIDE_M) & np.isfinite(cells.z)
    near = np.flatnonzero(inside)
    s, x, z, masked = cells.s[near], outward[near], cells.z[near], masked[near]
    if line_box_m is None:
        line_box_m = np.column_stack([lines_at(line.s, breaks.s, box) for box in box_m.T])
    hinged = np.isfinite(line.hinge[:, side])
    unknown, end = np.full(line.s.size, np.nan), line.foreslope_end
    known = AtStations(
        s=line.s,
        edge=np.ascontiguousarray(line.edge[:, side]),
        inner=sign * line.axis,
        width_s=line.s[hinged],
        width=(line.hinge - line.edge)[hinged, side],
        end=unknown if end is None else np.ascontiguousarray(end[:, side]),
        box=line_box_m,
    )
    m, c = s.size, cells.cell_m
    out = Gathered(x, np.empty(m), np.empty(m, bool), np.empty((7, m)), np.empty((m, 2)), c)
    gather_side(s, masked, known, np.array([PAVEMENT_M, BEYOND_HINGE_M]), out)
    shared = np.zeros(0) if cells.shared_m is None else cells.shared_m[near]
    hinge_box = out.box
    if line.arc_m is not None and (line.arc_m[:, side] > 0.0).any():
        hinge_box = rounded_box(out.box, lines_at(s, line.s, line.arc_m[:, side]))
        out.basis[3] = smeared_ramp(x - out.width, hinge_box)
        out.basis[4] = smeared_step(x - out.width, hinge_box)
    return Strip(s, x, z, out.width, out.usable, masked, out.basis, out.box, hinge_box, c, shared)
