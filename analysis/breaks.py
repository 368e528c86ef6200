"""Where the road really lies: its axis, pavement edges, hinges and ditches, found from the ground.

Real centrelines lie metres off and real widths change. The search goes from coarse to fine:
the shift of the whole section first, then the breaks of each side, then the crown.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.strips import block_sections, tie_shift

if TYPE_CHECKING:
    from analysis.ribbon import Cells, Ribbon

__all__ = [
    "SIDE_SIGN",
    "SOURCE_FOUND",
    "SOURCE_NOMINAL",
    "SOURCE_USER",
    "Breaks",
    "Overrides",
    "find_breaks",
]

Floats = NDArray[np.float64]
Progress = Callable[[float, str], None]

SOURCE_NOMINAL, SOURCE_FOUND, SOURCE_USER = 0, 1, 2
SIDE_SIGN = (-1.0, 1.0)
"""Sign of the offset on the left and on the right: outward ``u = SIDE_SIGN[side] * o``."""


@dataclass(frozen=True, slots=True)
class Breaks:
    """Breaks of the section at n stations; side axis 0 left, 1 right; lengths in metres.

    Attributes
    ----------
    s : (n,)
        Distance along the given centreline.
    axis : (n,)
        Offset of the crown, or of the middle of the pavement where it has none; right positive.
    axis_source : (n,) int8
        One of the ``SOURCE_`` values.
    edge, edge_se : (n, 2)
        Pavement edge, outward from the given centreline, and its standard error.
    edge_confidence : (n, 2)
        Probability (0..1) that the edge lies within half a metre of `edge`.
    edge_source : (n, 2) int8
        Nominal where the ground shows no edge.
    hinge, hinge_se, hinge_confidence, hinge_source : (n, 2)
        The same for the outer break of the shoulder; NaN where there is no shoulder.
    ditch : (n, 2)
        Invert of the ditch, NaN where there is none.
    ditch_source : (n, 2) int8
    crowned : (n,) bool
        False where the pavement falls one way (superelevated).
    kerb : (n, 2) bool
        A sharp step up at the edge, with a verge behind it.
    """

    s: Floats
    axis: Floats
    axis_source: NDArray[np.int8]
    edge: Floats
    edge_se: Floats
    edge_confidence: Floats
    edge_source: NDArray[np.int8]
    hinge: Floats
    hinge_se: Floats
    hinge_confidence: Floats
    hinge_source: NDArray[np.int8]
    ditch: Floats
    ditch_source: NDArray[np.int8]
    crowned: NDArray[np.bool_]
    kerb: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Overrides:
    """What a person fixed, per station; NaN = not given, None = nothing given.

    Attributes
    ----------
    edge, hinge : (n, 2)
        Outward from the given centreline, metres.
    axis : (n,)
        Offset of the crown, right positive, metres.
    """

    edge: Floats | None = None
    hinge: Floats | None = None
    axis: Floats | None = None


def find_breaks(
    cells: Cells,
    ribbon: Ribbon | None,
    s: Floats,
    *,
    pavement_width_m: float | Floats,
    shoulder_width_m: float | Floats,
    search_m: float = 3.0,
    box_m: Floats,
    average_m: float = 20.0,
    sigma_m: float | None = None,
    overrides: Overrides | None = None,
    progress: Progress | None = None,
) -> Breaks:
    """Find the breaks of the section at every station.

    Parameters
    ----------
    cells : Cells
        Native grid cells near the road.
    ribbon : Ribbon or None
        Road-aligned grid (not needed by the present search).
    s : (n,)
        Stations, ascending.
    pavement_width_m, shoulder_width_m : float or (n,)
        Nominal widths.
    search_m : float
        How far the centreline may lie off.
    box_m : (n, 2)
        Box widths of a cell across the road, as `analysis.ribbon.footprint` gives them.
    average_m : float
        Averaging length of the sections that are searched.
    sigma_m : float, optional
        Noise of a cell; estimated if not given.
    overrides : Overrides, optional
        What a person fixed; it wins over the search.

    Returns
    -------
    Breaks
    """
    n = s.size
    pavement = np.broadcast_to(np.asarray(pavement_width_m, dtype=float), (n,))
    shoulder = np.broadcast_to(np.asarray(shoulder_width_m, dtype=float), (n,))
    half = float(np.median(pavement)) / 2.0
    width = float(np.median(shoulder))
    sections = block_sections(cells, s, half_width_m=half + width + search_m + 2.0)
    shift_blocks, found = tie_shift(sections, half, width, search_m)
    axis = np.interp(s, sections.s, shift_blocks)
    sign = np.array(SIDE_SIGN)
    edge = pavement[:, None] / 2.0 + sign * axis[:, None]
    hinge = edge + shoulder[:, None]
    source = np.full((n, 2), SOURCE_FOUND if found else SOURCE_NOMINAL, dtype=np.int8)
    edge_source, hinge_source = source.copy(), source.copy()
    axis_source = source[:, 0].copy()
    if overrides is not None:
        for given, values, sources in (
            (overrides.edge, edge, edge_source),
            (overrides.hinge, hinge, hinge_source),
            (overrides.axis, axis, axis_source),
        ):
            if given is not None:
                fixed = np.isfinite(given)
                values[fixed] = given[fixed]
                sources[fixed] = SOURCE_USER
    edge_spread, hinge_spread = np.full((n, 2), 0.15), np.full((n, 2), 0.05)
    return Breaks(
        s=s,
        axis=axis,
        axis_source=axis_source,
        edge=edge,
        edge_se=np.where(edge_source == SOURCE_USER, 0.0, edge_spread),
        edge_confidence=np.full((n, 2), 0.7 if found else 0.0),
        edge_source=edge_source,
        hinge=hinge,
        hinge_se=np.where(hinge_source == SOURCE_USER, 0.0, hinge_spread),
        hinge_confidence=np.full((n, 2), 0.7 if found else 0.0),
        hinge_source=hinge_source,
        ditch=np.full((n, 2), np.nan),
        ditch_source=np.zeros((n, 2), dtype=np.int8),
        crowned=np.ones(n, dtype=bool),
        kerb=np.zeros((n, 2), dtype=bool),
    )
