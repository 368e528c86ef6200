"""Where the parts of the road begin and end, and what a person fixed of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.common.station_arrays import PerStation, joined, stations_of
from analysis.common.types import Bools, Floats

__all__ = ["Breaks", "Overrides", "end_to_end"]


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
    foreslope_end : (n, 2), optional
        Where the foreslope ends, at the ditch's bottom or its own foot; NaN where unknown.
    rivals : (n, 2), optional
        Where the road itself isn't found: the likeliest place of its middle and the next one, right
        positive from the given centreline; the second is NaN where it only lies beyond the limit of
        the search, and both are where the road is found.
    hinge_ways : (n, 2, 3, 4), optional
        Sets of edge and hinge: the one found, and rivals with the hinge inward and outward of it.
        How far the edge lies beyond `edge` in each, how far the hinge does beyond `hinge`, the
        standard error of that place, and how likely the set is. NaN where there is no shoulder;
        `hinge_se` is what all of them together leave.
    edge_ways : (n, 2, 3, 2), optional
        Where an edge would lie that is flush, that steps up and that steps down: metres beyond
        `edge`, and standard error.
    arc_m : (n, 2), optional
        Half the length of the arc by which the shoulder passes into its bank at the hinge, which is
        where the two would meet; 0 = a kink.
    line : Breaks, optional
        The same at places of the road's own, its blocks and beats: what lies between stations is
        taken from these, so that nothing measured there hangs on where stations are asked for.
        None: of stations themselves.
    """

    s: PerStation[Floats]
    axis: PerStation[Floats]
    axis_source: PerStation[NDArray[np.int8]]
    edge: PerStation[Floats]
    edge_se: PerStation[Floats]
    edge_confidence: PerStation[Floats]
    edge_source: PerStation[NDArray[np.int8]]
    hinge: PerStation[Floats]
    hinge_se: PerStation[Floats]
    hinge_confidence: PerStation[Floats]
    hinge_source: PerStation[NDArray[np.int8]]
    ditch: PerStation[Floats]
    ditch_source: PerStation[NDArray[np.int8]]
    crowned: PerStation[NDArray[np.bool_]]
    foreslope_end: PerStation[Floats | None] = None
    rivals: PerStation[Floats | None] = None
    edge_ways: PerStation[Floats | None] = None
    hinge_ways: PerStation[Floats | None] = None
    arc_m: PerStation[Floats | None] = None
    line: Breaks | None = None

    def along(self) -> Breaks:
        """The breaks that lines along the road are drawn through."""
        return self if self.line is None else self.line

    def with_those_at(self, places: Floats) -> Breaks:
        """The same with more stations, those `places` (k,) where the line tells the breaks."""
        more = np.setdiff1d(places, self.s)
        if self.line is None or not more.size:
            return self
        at = np.searchsorted(self.line.s, more)
        at = at[np.isin(more, self.line.s)]
        both = joined([self, stations_of(self.line, at)])
        return stations_of(both, np.argsort(both.s, kind="stable"))

    def line_within(self, low: float, high: float) -> Breaks:
        """The part of `along` with ``low <= s < high``."""
        line = self.along()
        return stations_of(line, slice(*np.searchsorted(line.s, [low, high]).tolist()))

    def lost(self) -> Bools:
        """Where the road itself isn't found, (n,)."""
        none = np.zeros(self.s.size, dtype=bool)
        return none if self.rivals is None else np.isfinite(self.rivals[:, 0])


@dataclass(frozen=True, slots=True)
class Overrides:
    """What a person fixed, per station; NaN = not given, None = nothing given.

    Attributes
    ----------
    edge, hinge : (n, 2)
        Outward from the given centreline, metres.
    axis : (n,)
        Offset of the crown, right positive, metres.
    kerb : (n, 2)
        1 where a kerb stands at the edge, 0 where none does.
    """

    edge: PerStation[Floats | None] = None
    hinge: PerStation[Floats | None] = None
    axis: PerStation[Floats | None] = None
    kerb: PerStation[Floats | None] = None


def end_to_end(breaks: Breaks, lines: Sequence[Breaks]) -> Breaks:
    """The breaks of stations with a line that is put together of parts, ascending."""
    return replace(breaks, line=joined([replace(part, line=None) for part in lines]))
