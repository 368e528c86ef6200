"""Sections cut into straight pieces, and the foreslope and ditch that they show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import whole_steps
from analysis.common.types import Floats

__all__ = ["foreslope_end", "segment_sections"]


PLACES_M, MOST_PIECES = 0.25, 6
"""Distance of the places between which a section is cut, and into how many pieces: finer ones
would cut noise, more would cut curves."""

INSIDE_EDGE_M = 1.0
"""How much of the pavement is cut with it, so that the edge can lie inside its nominal place."""

FORESLOPE = 0.10
"""A piece that falls more steeply than this is foreslope: shoulders are built at 4 to 8 % (common
practice)."""

BEYOND_EDGE_M = 0.3
"""A steep piece that ends nearer than this to the nominal edge lies on the pavement."""

FORESLOPE_M = 1.75
"""How much of the foreslope takes part in the search."""

FEW_BLOCKS = 5
"""Neighbouring blocks whose foreslopes end alike: as many as their mean sections share."""

TURN_M = 0.3
"""So far from where a steep piece begins the ground may turn as steep."""

NO_FORESLOPE_M = 1.5
"""Without a foreslope the search goes this far beyond the nominal hinge."""

AFTER_DROP_M = 2.25
"""A fall that begins within this of the nominal hinge may follow a drop at the edge: as far out as
hinges are looked for, and a place between which sections are cut."""

DROP_M = 0.12
"""What falls by less and is followed by another fall was a drop at the edge, not a foreslope."""

OUTSIDE_EDGE_M = 0.5
"""Ditches lie farther out than this from the nominal edge."""

DITCH_RISE_M = 0.15
"""The ground beyond a ditch rises again by more than this, which is more than a rut is deep."""

DITCH_DEPTH_M, DITCH_DEPTH_FLAT_M = 0.10, 0.08
"""Least depth of a ditch below the edge; the second where nothing falls steeply to it."""

BOTTOM_M, BOTTOM_REACH_M = 0.02, 1.0
"""The invert is the middle of what lies within this of the lowest place, in height and across."""

BOTTOM_EDGE_M = 0.03
"""A foreslope ends where the ground comes this near to the height of the ditch's bottom."""


def segment_sections(x: Floats, z: Floats, segments: int, *, least: int = 2) -> NDArray[np.int64]:
    """Cut sections into straight pieces so that the sum of squared misfits is least.

    Parameters
    ----------
    x : (k,)
        Places across, ascending, the same for all sections.
    z : (n, k)
        Heights, NaN = unknown.
    segments : int
        Number of pieces.
    least : int
        Least number of places in a piece.

    Returns
    -------
    (n, segments + 1) int64
        First place of each piece, then k; -1 in sections without any known height.

    Examples
    --------
    >>> x = np.arange(6.0)
    >>> segment_sections(x, np.array([[0, 0, 0, 1, 2, 3.0]]), 2).tolist()
    [[0, 2, 6]]
    """
    from analysis.edges.kernels import best_segments

    x = np.ascontiguousarray(x, dtype=np.float64)
    heights = np.ascontiguousarray(np.atleast_2d(z), dtype=np.float64)
    if segments < 1 or least < 1 or x.size < segments * least:
        raise ValueError(
            f"{x.size} places can't be cut into {segments} pieces of {least} or more each"
        )
    known = np.isfinite(heights)
    out = np.empty((heights.shape[0], segments + 1), dtype=np.int64)
    best_segments(x, np.where(known, heights, 0.0), known.astype(np.float64), segments, least, out)
    return out


def foreslope_end(
    u: Floats, z: Floats, edge_m: Floats, shoulder_m: Floats
) -> tuple[Floats, Floats]:
    """Find where the foreslope ends, and the invert of the ditch, by segmentation.

    Parameters
    ----------
    u : (k,)
        Places outward from the axis.
    z : (b, k)
        Heights of averaged sections.
    edge_m, shoulder_m : (b,)
        Nominal place of the edge, nominal width of the shoulder.

    Returns
    -------
    outer, ditch : (b,)
        Outer end of the foreslope; invert of the ditch, NaN where the ground doesn't rise
        again.
    """
    stride = max(1, int(whole_steps(PLACES_M, u[1] - u[0])))
    inner = float(np.median(edge_m)) - INSIDE_EDGE_M
    keep = np.flatnonzero(u >= inner - 1e-6)[::stride]
    x, part = u[keep], np.ascontiguousarray(z[:, keep])
    outer, falls = _foreslope(x, part, edge_m, edge_m + shoulder_m)
    ditch, bottom = _ditch(x, part, edge_m, falls)
    # what lies in the ditch's bottom isn't foreslope, however short that is
    outer = np.where(np.isfinite(ditch), np.minimum(outer, bottom), outer)
    return _usual_of_few(outer) - 0.5 * (x[1] - x[0]), ditch


def _usual_of_few(values: Floats) -> Floats:
    """Mean of the middle ones of a few neighbours about each block, (b,).

    A single block whose ground can be cut in two ways mustn't go its own way.
    """
    about = np.arange(values.size)[:, None] + np.arange(FEW_BLOCKS) - FEW_BLOCKS // 2
    each = np.sort(values[np.clip(about, 0, values.size - 1)], axis=1)
    apart = FEW_BLOCKS // 4
    return np.asarray(each[:, apart : FEW_BLOCKS - apart].mean(axis=1))


def _piece_ends(x: Floats, z: Floats, cut: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Where each piece begins and ends, (n, p), by the straight lines through them.

    Two pieces part where their lines meet, between the last place of one and the first of the next:
    a place that fits both as well lies there, whichever it was given to.
    """
    n, off = z.shape[0], x - x.mean()
    s0 = np.diff(cut)
    s1, s2 = (np.diff(np.append(0.0, np.cumsum(part))[cut]) for part in (off, off * off))
    upto = (np.column_stack([np.zeros(n), np.cumsum(part, axis=1)]) for part in (z, off * z))
    t0, t1 = (np.diff(np.take_along_axis(part, cut, axis=1)) for part in upto)
    slope = (t1 - s1 * t0 / s0) / (s2 - s1 * s1 / s0)
    level = (t0 - slope * s1) / s0
    last, first = x[cut[:, 1:-1] - 1], x[cut[:, 1:-1]]
    bend = np.diff(slope, axis=1)
    meet = x.mean() - np.diff(level, axis=1) / np.where(bend == 0.0, np.inf, bend)
    meet = np.clip(meet, last, first)
    half = 0.5 * (x[1] - x[0])
    begin = np.column_stack([np.full(n, x[0]), meet + half])
    end = np.column_stack([meet - half, np.full(n, x[-1])])
    return begin, end


def _turns(x: Floats, z: Floats) -> Floats:
    """Where sections begin to fall as steeply as a foreslope, (n, k - 1); infinite where not.

    A bend that is rounded can be cut into pieces here as well as there; how steep the ground is
    doesn't hang on it.
    """
    fall = np.gradient(z, x, axis=1) + FORESLOPE
    before, after = fall[:, :-1], fall[:, 1:]
    turns = (before >= 0.0) & (after < 0.0)
    at = x[:-1] + (x[1] - x[0]) * before / np.where(turns, before - after, 1.0)
    return np.where(turns, at, np.inf)


def _turn_near(turns: Floats, place: Floats) -> Floats:
    """The turn of each section nearest to its place (n,); that place if there is none near."""
    off = np.abs(turns - place[:, None])
    rows, nearest = np.arange(place.size), off.argmin(axis=1)
    return np.where(off[rows, nearest] <= TURN_M, turns[rows, nearest], place)


def _foreslope(
    x: Floats, z: Floats, edge_m: Floats, hinge_m: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Outer end of the foreslope of each section, and whether there is one."""
    # a coarse grid has few places across
    pieces = max(1, min(MOST_PIECES, x.size // 2))
    cut = segment_sections(x, z, pieces, least=2)
    rows = np.arange(z.shape[0])
    outer = np.minimum(hinge_m + NO_FORESLOPE_M, x[-1])
    begin, end = _piece_ends(x, z, cut)
    turns = _turns(x, z)
    begun = np.zeros(rows.size, dtype=bool)
    done = np.zeros(rows.size, dtype=bool)
    start = np.full(rows.size, np.inf)
    fallen = np.zeros(rows.size)
    for piece in range(pieces):
        first, last = cut[:, piece], cut[:, piece + 1] - 1
        run = np.maximum(x[last] - x[first], x[1] - x[0])
        slope = (z[rows, last] - z[rows, first]) / run
        falls = (slope < -FORESLOPE) & (end[:, piece] > edge_m + BEYOND_EDGE_M)
        # A drop at the edge, smeared by the cells, falls as steeply; but not far, and the
        # ground falls once more outside it.
        drop = falls & done & (fallen < DROP_M)
        drop &= (begin[:, piece] > outer) & (begin[:, piece] < hinge_m + AFTER_DROP_M)
        begun, done = begun & ~drop, done & ~drop
        fallen = np.where(drop, 0.0, fallen)
        start = np.where(falls & ~begun, _turn_near(turns, begin[:, piece]), start)
        grows = falls & ~done
        # what lies far down the slope says nothing about the hinge, and may bend again
        outer = np.where(grows, np.minimum(end[:, piece], start + FORESLOPE_M), outer)
        fallen = np.where(grows, fallen + z[rows, first] - z[rows, last], fallen)
        done |= begun & ~falls
        begun |= falls
    return outer, begun


def _ditch(x: Floats, z: Floats, edge_m: Floats, falls: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Invert of the ditch, NaN where there is none, and where its bottom begins.

    It is the lowest ground outside the edge, if that rises again.
    """
    rows = np.arange(z.shape[0])
    beyond = x[None, :] > (edge_m + OUTSIDE_EDGE_M)[:, None]
    low = np.where(beyond, z, np.inf)
    lowest = np.argmin(low, axis=1)
    depth = low[rows, lowest]
    after = np.arange(x.size)[None, :] > lowest[:, None]
    rise = np.where(after, z, -np.inf).max(axis=1) - depth
    at_edge = z[rows, np.clip(np.searchsorted(x, edge_m), 0, x.size - 1)]
    least = np.where(falls, DITCH_DEPTH_M, DITCH_DEPTH_FLAT_M)
    found = (rise > DITCH_RISE_M) & (at_edge - depth > least)
    flat = z <= (depth + BOTTOM_M)[:, None]
    flat &= np.abs(x - x[lowest][:, None]) < BOTTOM_REACH_M
    middle = np.where(flat, x[None, :], 0.0).sum(axis=1) / np.maximum(flat.sum(axis=1), 1)
    return np.where(found, middle, np.nan), _first_below(x, low, depth + BOTTOM_EDGE_M)


def _first_below(x: Floats, z: Floats, level: Floats) -> Floats:
    """Half a place beyond where sections come down to a level, (b,), which each does somewhere."""
    rows, at = np.arange(z.shape[0]), np.argmax(z <= level[:, None], axis=1)
    above, below = z[rows, np.maximum(at - 1, 0)], z[rows, at]
    # what isn't looked at counts as infinitely high
    falls = np.isfinite(above) & (above > below)
    fall = np.where(falls, above - below, 1.0)
    left = np.where(falls, (level - below) / fall, 0.5)
    return np.asarray(x[at] + (0.5 - np.clip(left, 0.0, 1.0)) * (x[1] - x[0]))
