"""Where the parts of the road begin and end, and what a person fixed of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats

__all__ = ["Breaks", "Overrides"]


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
    foreslope_end : (n, 2), optional
        Where the foreslope ends, at the ditch's bottom or its own foot; NaN where unknown.
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
    foreslope_end: Floats | None = None


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
