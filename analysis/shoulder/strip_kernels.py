"""Compiled loop that straightens the cells of a side; imported only when one is measured.

The function computes and checks nothing: `analysis.shoulder.strip` prepares its arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled
from analysis.corridor.footprint_kernels import ramp_of, step_of

__all__ = ["AtStations", "Gathered", "gather_side"]

_HAIR_M = 1e-4


class AtStations(NamedTuple):
    """What is known of one side at n stations or other places.

    Attributes
    ----------
    s, edge, inner : (n,)
        Distances, and how far out edge and crown lie.
    width_s, width : (k,)
        Where the shoulder's width is known, and that width.
    end : (n,)
        Where the foreslope ends; NaN unknown.
    box : (n, 2)
        Box widths of a cell across the road.
    """

    s: Any
    edge: Any
    inner: Any
    width_s: Any
    width: Any
    end: Any
    box: Any


class Gathered(NamedTuple):
    """What of m cells a `Strip` has, see there; the last is how far the sides of cells reach."""

    x: Any
    width: Any
    usable: Any
    basis: Any
    box: Any
    cell_m: float


@compiled
def _after(s: float, at: Any, k: int) -> int:
    """Last of the places that isn't beyond `s`, searched onward from the k-th."""
    while k + 1 < at.size and at[k + 1] <= s:
        k += 1
    return k


@compiled
def _slope(at: Any, values: Any, k: int) -> float:
    """Slope of the straight line from the k-th place to the next; 0 beyond the last."""
    if k + 1 >= at.size:
        return 0.0
    return float((values[k + 1] - values[k]) / (at[k + 1] - at[k]))


@compiled
def _between(s: float, at: Any, values: Any, k: int, slope: float) -> float:
    """Value on the straight line from the k-th place to the next; beyond the ends, that there."""
    if s <= at[0]:
        return float(values[0])
    if s == at[k] or k + 1 >= at.size:
        return float(values[k])
    return float(slope * (s - at[k]) + values[k])


@compiled
def gather_side(s: Any, masked: Any, known: AtStations, reach: Any, out: Gathered) -> None:
    """Fill in what a strip has of its cells.

    Parameters
    ----------
    s : (m,)
        Ascending distances along the road.
    masked : (m,) bool
        Cells that aren't shoulder.
    known : AtStations
    reach : (2,)
        How much pavement inside the edge, and how much beyond the hinge takes part.
    out : Gathered
        Filled, but for `x`.
    """
    j = w = last_j = last_w = -1
    edge_slope = inner_slope = one_slope = other_slope = end_slope = width_slope = 0.0
    pavement_m, beyond_m = reach[0], reach[1]
    for i in range(s.size):
        x = out.x[i]
        j = _after(s[i], known.s, max(j, 0))
        if j != last_j:
            last_j = j
            edge_slope, inner_slope = (
                _slope(known.s, known.edge, j),
                _slope(known.s, known.inner, j),
            )
            one_slope = _slope(known.s, known.box[:, 0], j)
            other_slope = _slope(known.s, known.box[:, 1], j)
            end_slope = _slope(known.s, known.end, j)
        width = np.nan
        if known.width_s.size > 0:
            w = _after(s[i], known.width_s, max(w, 0))
            if w != last_w:
                last_w, width_slope = w, _slope(known.width_s, known.width, w)
            width = _between(s[i], known.width_s, known.width, w, width_slope)
        edge = _between(s[i], known.s, known.edge, j, edge_slope)
        inner = _between(s[i], known.s, known.inner, j, inner_slope) - edge
        one = _between(s[i], known.s, known.box[:, 0], j, one_slope)
        other = _between(s[i], known.s, known.box[:, 1], j, other_slope)
        outer = width + beyond_m
        end = _between(s[i], known.s, known.end, j, end_slope) - edge
        if not (np.isnan(end) or np.isnan(width)):
            # a cell that reaches into the ditch's bottom belongs to neither
            outer = min(outer, max(end - 0.5 * (one + other), width))
        guard = 0.5 * (one + other) + 0.25
        wide, narrow = max(abs(one), abs(other)), min(abs(one), abs(other))
        out.width[i] = width
        out.usable[i] = inner + guard < x < outer and x > -pavement_m and not masked[i]
        out.basis[0, i] = x
        out.basis[1, i] = ramp_of(x, wide, narrow)
        out.basis[2, i] = step_of(x, wide, narrow)
        out.basis[3, i] = ramp_of(x - width, wide, narrow)
        out.basis[4, i] = step_of(x - width, wide, narrow)
        rise = step_of(x + _HAIR_M, wide, narrow) - step_of(x - _HAIR_M, wide, narrow)
        out.basis[5, i] = rise / (2.0 * _HAIR_M)
        out.basis[6, i] = np.floor((x + pavement_m + 2.0) / out.cell_m)
        out.box[i, 0], out.box[i, 1] = wide, narrow
