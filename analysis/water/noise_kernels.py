"""Compiled loops over made noise; imported only when water is followed.

The functions compute and check nothing: `analysis.water.chance` and
`analysis.water.held_by_section` prepare their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["Planes", "Thrown", "draw_held", "draw_pools", "pools", "read_across"]

_LANES = 64
# Sections that noise is put on side by side: the inner loops run over them.


class Planes(NamedTuple):
    """m pavements and shoulders, (m,) each.

    Attributes
    ----------
    pavement, drop, shoulder
        Slope, percent; step down to the shoulder, mm; slope.
    inner, outer
        From crown to edge, and from edge to hinge, metres.
    """

    pavement: Any
    drop: Any
    shoulder: Any
    inner: Any
    outer: Any


@compiled
def read_across(field: Any, start: Any, turn: Any, step: Any, out: Any) -> None:
    """Read a field, which repeats itself to all sides, along rows at an angle: bilinear.

    Parameters
    ----------
    field : (n, n)
        n a power of two.
    start, turn, step : (2,)
        Place of the first, cosine and sine of the angle, and distance of rows and columns; all in
        cells.
    out : (rows, columns)
        Filled.
    """
    rows, columns = out.shape
    rest = field.shape[0] - 1
    for i in range(rows):
        for j in range(columns):
            s, o = i * step[0], j * step[1]
            x = start[0] + s * turn[0] - o * turn[1]
            y = start[1] + s * turn[1] + o * turn[0]
            low_x, low_y = np.floor(x), np.floor(y)
            a, b = x - low_x, y - low_y
            p, q = int(low_x) & rest, int(low_y) & rest
            p1, q1 = (p + 1) & rest, (q + 1) & rest
            near = (1.0 - b) * field[p, q] + b * field[p, q1]
            far = (1.0 - b) * field[p1, q] + b * field[p1, q1]
            out[i, j] = (1.0 - a) * near + a * far


class Thrown(NamedTuple):
    """Sections that noise is put on, m of them with k points each.

    Attributes
    ----------
    ground, frozen : (k, m)
        Heights, and those with their water frozen; -inf where they are unknown, which holds none.
    se : (k, m)
        Their standard errors.
    judged : (k, m) bool
        What counts; heights are known there.
    """

    ground: Any
    frozen: Any
    se: Any
    judged: Any


@compiled
def _deepest_held(ground: Any, error: Any, judged: Any, first: int, work: Any, out: Any) -> None:
    """Greatest judged depth of water that some sections hold, from the `first` on; 0 for none.

    Loops run over sections, so that they run in lanes. `error` (k, lanes) is added to the heights;
    `work` (k + 1, lanes) is room, `out` (lanes,) is filled.
    """
    k, many, top = ground.shape[0], out.size, work[-1]
    for v in range(many):
        top[v] = -np.inf
        out[v] = 0.0
    for j in range(k - 1, -1, -1):
        for v in range(many):
            top[v] = max(top[v], ground[j, first + v] + error[j, v])
            work[j, v] = top[v]
    for v in range(many):
        top[v] = -np.inf
    for j in range(k):
        for v in range(many):
            z = ground[j, first + v] + error[j, v]
            top[v] = max(top[v], z)
            deeper = max(out[v], min(top[v], work[j, v]) - z)
            out[v] = deeper if judged[j, first + v] else out[v]


@compiled
def draw_held(sections: Thrown, dice: Any, sums: Any, by_chance: Any) -> None:
    """Put errors on sections, and on those with frozen water, and see how deep water stands.

    Parameters
    ----------
    sections : Thrown
    dice : (d, k)
        Errors in standard errors.
    sums : (2, m)
        Zeros; filled with the sum of what errors change, and of its square.
    by_chance : (d, m)
        Filled with what frozen sections hold.
    """
    ground, frozen, se, judged = sections
    k, m = ground.shape
    for first in range(0, m, _LANES):
        many = min(_LANES, m - first)
        error, work = np.zeros((k, many)), np.empty((k + 1, many))
        plain, held = np.empty(many), np.empty(many)
        _deepest_held(ground, error, judged, first, work, plain)
        for d in range(dice.shape[0]):
            for j in range(k):
                for v in range(many):
                    error[j, v] = se[j, first + v] * dice[d, j]
            _deepest_held(ground, error, judged, first, work, held)
            for v in range(many):
                change = held[v] - plain[v]
                sums[0, first + v] += change
                sums[1, first + v] += change * change
            _deepest_held(frozen, error, judged, first, work, held)
            for v in range(many):
                by_chance[d, first + v] = held[v]


@compiled
def _pool(
    pavement: float, drop: float, shoulder: float, inner: float, outer: float
) -> tuple[float, float]:
    """Depth and level of water at the edge of one section; see `pools`."""
    crown = 10.0 * pavement * inner
    top = -drop  # shoulder at the edge
    hinge = top - 10.0 * shoulder * outer
    if np.isnan(crown + hinge):
        return np.nan, np.nan
    behind = max(crown, 0.0)  # highest pavement between crown and edge
    ahead = max(top, hinge)  # highest shoulder
    on_pavement = min(behind, max(ahead, 0.0))
    over_shoulder = min(max(behind, top), ahead)
    if over_shoulder - top > on_pavement:
        return over_shoulder - top, over_shoulder
    return on_pavement, on_pavement


@compiled
def pools(planes: Planes, depth: Any, level: Any) -> None:
    """Depth and level (mm above the pavement at the edge) of water at the edge, either side.

    `depth` and `level` (m,) are filled; NaN where anything is unknown.
    """
    pavement, drop, shoulder, inner, outer = planes
    for i in range(drop.size):
        depth[i], level[i] = _pool(pavement[i], drop[i], shoulder[i], inner[i], outer[i])


@compiled
def draw_pools(planes: Planes, dry: Planes, errors: Any, depth: Any, sums: Any, held: Any) -> None:
    """Put an error on planes, and on planes that hold nothing, and see what they hold.

    Parameters
    ----------
    planes, dry : Planes
    errors : (3, m)
        Of pavement, drop and shoulder.
    depth : (m,)
        What the planes hold without any.
    sums : (2, m)
        Change of that and its square are added where they are known.
    held : (m,)
        Filled with what the dry planes hold; 0 where that is unknown.
    """
    pavement, drop, shoulder, inner, outer = planes
    for i in range(drop.size):
        p, d, s = errors[0, i], errors[1, i], errors[2, i]
        change = _pool(pavement[i] + p, drop[i] + d, shoulder[i] + s, inner[i], outer[i])[0]
        change -= depth[i]
        if not np.isnan(change):
            sums[0, i] += change
            sums[1, i] += change * change
        of_dry = _pool(
            dry.pavement[i] + p, dry.drop[i] + d, dry.shoulder[i] + s, dry.inner[i], dry.outer[i]
        )[0]
        held[i] = 0.0 if np.isnan(of_dry) else of_dry
