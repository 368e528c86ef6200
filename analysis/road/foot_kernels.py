"""Compiled search for the feet of many points; imported only where there are many.

The function computes and checks nothing: `analysis.road.roadline` prepares its arrays, and does the
same without it for a few points.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Cuts", "find_feet"]


class Cuts(NamedTuple):
    """A line cut into k pieces, on which it is straight and its chord turns evenly.

    Attributes
    ----------
    origin, low, high : (k,)
        Distance along the line from which a piece is counted, and where it begins and ends from
        there.
    place, along, chord, turn : (k, 2)
        At the origin: place, and chord; and how they change per metre.
    along_chord, along_turn : (k,)
        Products of `along` with the other two.
    """

    origin: Any
    low: Any
    high: Any
    place: Any
    along: Any
    chord: Any
    turn: Any
    along_chord: Any
    along_turn: Any


@compiled
def find_feet(x: Any, y: Any, first: Any, cuts: Cuts, s: Any, o: Any) -> None:
    """Find the foot of each point, walking from piece to piece.

    Parameters
    ----------
    x, y : (n,)
    first : (n,) int
        Piece to begin at.
    cuts : Cuts
    s, o : (n,)
        Filled: distance along the line, offset from it.
    """
    for i in range(x.size):
        k = first[i]
        heading = 0
        at_knot = False
        while True:
            wx, wy = x[i] - cuts.place[k, 0], y[i] - cuts.place[k, 1]
            c0 = wx * cuts.chord[k, 0] + wy * cuts.chord[k, 1]
            c1 = wx * cuts.turn[k, 0] + wy * cuts.turn[k, 1] - cuts.along_chord[k]
            c2 = -cuts.along_turn[k]
            low, high = cuts.low[k], cuts.high[k]
            move = 0
            if not np.isinf(high) and c0 + high * (c1 + high * c2) > 0:
                move = 1
            elif not np.isinf(low) and c0 + low * (c1 + low * c2) < 0:
                move = -1
            if move * heading < 0:
                # sent to and fro: the foot is the vertex
                at_knot = True
                if move > 0:
                    k += 1
                break
            if move == 0:
                break
            heading = move
            k += move
        if at_knot:
            t = cuts.low[k]
        else:
            root = math.sqrt(max(c1 * c1 - 4.0 * c2 * c0, 0.0))
            below = root - c1
            if below > 1e-12:
                t = 2.0 * c0 / below
            elif c2 != 0.0:
                t = (-c1 - root) / (2.0 * c2)
            else:
                t = 0.0 if c1 == -root else math.copysign(1e300, -c1 - root)
            t = min(max(t, low), high)
        px, py = cuts.place[k, 0] + t * cuts.along[k, 0], cuts.place[k, 1] + t * cuts.along[k, 1]
        cx, cy = cuts.chord[k, 0] + t * cuts.turn[k, 0], cuts.chord[k, 1] + t * cuts.turn[k, 1]
        wx, wy = x[i] - px, y[i] - py
        length = math.hypot(cx, cy)
        away = (wx * cy - wy * cx) / length if length > 0.0 else np.nan
        if at_knot:
            away = math.copysign(math.hypot(wx, wy), away)
        s[i], o[i] = cuts.origin[k] + t, away
