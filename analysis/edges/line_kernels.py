"""Compiled loop that weighs listed pairs of edge and hinge; imported only when a road is searched.

A section is a sum of columns: level, slope, ramp and step at the hinge, ramp at the edge, what the
shoulder may have beside, and last the step at the edge. Ramps and steps are straight but for the
cells that their footprint reaches, and what shoulders have beside is short: only these cells are
summed one by one, the others stand in running sums.

Every function goes through all candidates of a block: handing arrays over costs more than what is
reckoned for one of them.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled
from analysis.edges.kernels import FLAT, Bins, Expected, Shapes, Tables

__all__ = ["line_evidence"]

_MOST_KNOTS = 16
# Knots that a rough shoulder may have.

_PLAIN = 5
# Columns of a straight section: level, slope, ramp and step at the hinge, ramp at the edge.

_HINGE, _EDGE, _LAST, _BESIDE = 0, 2, 3, 4
# Where the columns of a candidate stand: from these on those of hinge and edge, ramp and step;
# the step at the edge, which is fitted last; and what the shoulder has beside, knots, then forms.

_STEP, _SELF, _PULL, _BEFORE, _WIDTH = 5, 6, 7, 8, 9
# What is known of a column: its products with the plain ones, then with the step at the edge,
# itself, the heights, and the column before it.

_LEAST = 1e-12
# Least square of a pivot; smaller ones tell that columns aren't told apart.


class _Block(NamedTuple):
    """One block: its heights and weights (k,), its tables, and sums from each bin outward.

    `tail` (k + 1, 5) sums the weights times 1, u, u*u, z, u*z; `reach` (p, 2) holds the first bin
    that a ramp at each place has risen in, and the first from which on it is straight.
    """

    u: Any
    z: Any
    weight: Any
    place: Any
    ramp: Any
    step: Any
    reach: Any
    tail: Any


class _Beside(NamedTuple):
    """What a shoulder may have beside, laid beside edges at each place.

    `value` (p, q, w) are the heights of knots, then forms, in the bins `span` (p, q, 2), once they
    are `laid` (p,).
    """

    laid: Any
    value: Any
    span: Any


@compiled
def _reaches(tables: Tables, reach: Any) -> None:
    """Tell for each footprint and place where its ramp begins and where it is straight."""
    for f in range(tables.ramp.shape[0]):
        for i in range(tables.place.size):
            straight = tables.step.shape[2]
            while straight > 0 and tables.step[f, i, straight - 1] == 1.0:
                straight -= 1
            begin = 0
            while begin < straight and tables.step[f, i, begin] == 0.0:
                begin += 1
            reach[f, i, 0], reach[f, i, 1] = begin, straight


@compiled
def _sum_tails(u: Any, z: Any, weight: Any, tail: Any) -> None:
    k = u.size
    for q in range(5):
        tail[k, q] = 0.0
    for j in range(k - 1, -1, -1):
        w = weight[j]
        tail[j, 0] = tail[j + 1, 0] + w
        tail[j, 1] = tail[j + 1, 1] + w * u[j]
        tail[j, 2] = tail[j + 1, 2] + w * u[j] * u[j]
        tail[j, 3] = tail[j + 1, 3] + w * z[j]
        tail[j, 4] = tail[j + 1, 4] + w * u[j] * z[j]


@compiled
def _sum_breaks(block: _Block, at: Any, column: int, plain: int, columns: Any) -> None:
    """Sum the products of ramp and step at a break of each candidate.

    They go to columns from `column` on; `plain` is the ramp's place among the plain ones.
    """
    u, z, weight, place, ramp, step, reach, tail = block
    for i in range(at.size):
        a = at[i]
        if a < 0:
            continue
        if i > 0 and a == at[i - 1]:
            for c in range(column, column + 2):
                for q in range(_WIDTH):
                    columns[i, c, q] = columns[i - 1, c, q]
            continue
        x, end = place[a], reach[a, 1]
        r1, ru, rz, rr = 0.0, 0.0, 0.0, 0.0
        h1, hu, hz, hr, hh = 0.0, 0.0, 0.0, 0.0, 0.0
        for j in range(reach[a, 0], end):
            r, h = ramp[a, j], step[a, j]
            wr, wh = weight[j] * r, weight[j] * h
            r1 += wr
            ru += wr * u[j]
            rz += wr * z[j]
            rr += wr * r
            h1 += wh
            hu += wh * u[j]
            hz += wh * z[j]
            hr += wh * r
            hh += wh * h
        t0, t1, t2, tz = tail[end, 0], tail[end, 1], tail[end, 2], tail[end, 3]
        straight = t1 - x * t0
        columns[i, column, 0] = r1 + straight
        columns[i, column, 1] = ru + t2 - x * t1
        columns[i, column, _SELF] = rr + t2 - x * t1 - x * straight
        columns[i, column, _PULL] = rz + tail[end, 4] - x * tz
        columns[i, column + 1, 0] = h1 + t0
        columns[i, column + 1, 1] = hu + t1
        columns[i, column + 1, plain] = hr + straight
        columns[i, column + 1, _SELF] = hh + t0
        columns[i, column + 1, _PULL] = hz + tz


@compiled
def _join_breaks(block: _Block, edge_at: Any, hinge_at: Any, columns: Any) -> None:
    """Sum the products of ramp and step at the edge with those at the hinge."""
    u, _, weight, place, ramp, step, reach, _ = block
    for i in range(edge_at.size):
        ie, ih = edge_at[i], hinge_at[i]
        if ie < 0 or ih < 0:
            continue
        e = place[ie]
        seen = 1.0 if reach[ie, 0] < u.size else 0.0
        rr = seen * (columns[i, _HINGE, 1] - e * columns[i, _HINGE, 0])
        rh = seen * (columns[i, _HINGE + 1, 1] - e * columns[i, _HINGE + 1, 0])
        hr, hh = seen * columns[i, _HINGE, 0], seen * columns[i, _HINGE + 1, 0]
        # where the edge's footprint reaches into the hinge's, its ramp isn't straight there
        for j in range(reach[ih, 0], reach[ie, 1] if seen > 0.0 else 0):
            bent, short = ramp[ie, j] - (u[j] - e), step[ie, j] - 1.0
            wr, wh = weight[j] * ramp[ih, j], weight[j] * step[ih, j]
            rr += wr * bent
            rh += wh * bent
            hr += wr * short
            hh += wh * short
        columns[i, _EDGE, 2], columns[i, _EDGE, 3] = rr, rh
        columns[i, _LAST, 2], columns[i, _LAST, 3] = hr, hh


@compiled
def _knots(place: Any, ie: int, ih: int, knot_m: float) -> int:
    """How many knots lie between an edge and a hinge."""
    knots = int((place[ih] - place[ie] - 0.3 * knot_m) / knot_m)
    return min(max(knots, 0), _MOST_KNOTS)


@compiled
def _first_at(u: Any, x: float) -> int:
    """Give the first of ascending places that isn't below x."""
    first, stop = 0, u.size
    while first < stop:
        middle = (first + stop) // 2
        if u[middle] < x:
            first = middle + 1
        else:
            stop = middle
    return first


@compiled
def _widest(u: Any, reach: Any, shapes: Shapes) -> int:
    """Most bins that a knot or form covers."""
    most = 1
    for j in range(u.size):
        most = max(most, _first_at(u, u[j] + 2.0 * shapes.knot_m) - j + 1)
    for f in range(reach.shape[0]):
        for q in range(shapes.forms.shape[0]):
            begin, end = shapes.forms[q, 0], shapes.forms[q, 2]
            for i in range(reach.shape[1] - end):
                most = max(most, reach[f, i + end, 1] - reach[f, i + begin, 0])
    return int(most)


@compiled
def _lay_beside(block: _Block, ie: int, shapes: Shapes, beside: _Beside) -> None:
    """Lay knots and forms beside an edge."""
    u, _, _, place, ramp, step, reach, _ = block
    laid, value, span = beside
    laid[ie] = True
    forms, knot_m = shapes.forms, shapes.knot_m
    knots = span.shape[1] - forms.shape[0]
    for q in range(span.shape[1]):
        if q < knots:
            at = place[ie] + (q + 1) * knot_m
            first, stop = _first_at(u, at - knot_m), _first_at(u, at + knot_m)
            for j in range(first, stop):
                value[ie, q, j - first] = max(0.0, 1.0 - abs(u[j] - at) / knot_m)
            span[ie, q, 0], span[ie, q, 1] = first, stop
            continue
        form = q - knots
        begin, middle, end = ie + forms[form, 0], ie + forms[form, 1], ie + forms[form, 2]
        if end > place.size - 2 or place[end] <= place[middle]:
            continue
        first, stop = reach[begin, 0], reach[end, 1]
        fall = 1.0 / (place[end] - place[middle])
        rise = 0.0 if begin == middle else 1.0 / (place[middle] - place[begin])
        for j in range(first, stop):
            up = (ramp[begin, j] - ramp[middle, j]) * rise if rise > 0.0 else step[begin, j]
            value[ie, q, j - first] = up - (ramp[middle, j] - ramp[end, j]) * fall
        span[ie, q, 0], span[ie, q, 1] = first, stop


@compiled
def _sum_beside(
    block: _Block,
    edge_at: Any,
    hinge_at: Any,
    shapes: Shapes,
    beside: _Beside,
    room: Any,
    columns: Any,
) -> None:
    """Sum the products of what shoulders may have beside.

    `room` (c, q) is filled with what lies between edge and hinge of each candidate.
    """
    u, z, weight, place, ramp, step, reach, _ = block
    laid, value, span = beside
    forms = shapes.forms
    most = room.shape[1] - forms.shape[0]
    was = -1
    for i in range(edge_at.size):
        ie, ih = edge_at[i], hinge_at[i]
        if ie < 0 or ih < 0:
            continue
        if not laid[ie]:
            _lay_beside(block, ie, shapes, beside)
        knots = _knots(place, ie, ih, shapes.knot_m)
        for q in range(room.shape[1]):
            form = q - most
            if form < 0:
                room[i, q] = q < knots
            else:
                end = ie + forms[form, 2]
                room[i, q] = end <= place.size - 2 and place[end] <= place[ih]
            if not room[i, q]:
                continue
            c, first, stop = _BESIDE + q, span[ie, q, 0], span[ie, q, 1]
            if was >= 0 and ie == edge_at[was] and room[was, q]:
                for part in range(_WIDTH):
                    columns[i, c, part] = columns[was, c, part]
            else:
                s1, su, sz, sr, sh, ss = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
                for j in range(first, stop):
                    v = value[ie, q, j - first]
                    w = weight[j] * v
                    s1 += w
                    su += w * u[j]
                    sz += w * z[j]
                    sr += w * ramp[ie, j]
                    sh += w * step[ie, j]
                    ss += w * v
                before = 0.0
                if 0 < q < most:
                    other = span[ie, q - 1, 0]
                    for j in range(first, span[ie, q - 1, 1]):
                        before += weight[j] * value[ie, q, j - first] * value[ie, q - 1, j - other]
                columns[i, c, 0], columns[i, c, 1], columns[i, c, 4] = s1, su, sr
                columns[i, c, _STEP], columns[i, c, _SELF] = sh, ss
                columns[i, c, _PULL], columns[i, c, _BEFORE] = sz, before
            sr, sh = 0.0, 0.0
            for j in range(max(first, reach[ih, 0]), stop):
                w = weight[j] * value[ie, q, j - first]
                sr += w * ramp[ih, j]
                sh += w * step[ih, j]
            columns[i, c, 2], columns[i, c, 3] = sr, sh
        was = i


@compiled
def _half_log(square: float) -> float:
    """Half the logarithm of a square; infinite where it isn't one."""
    return 0.5 * np.log(square) if square > 0.0 else np.inf


@compiled
def _weigh_block(
    tail: Any,
    columns: Any,
    live: Any,
    room: Any,
    expected: Expected,
    shapes: Shapes,
    out: Any,
    told: Any,
) -> None:
    """Log evidence of the candidates of a block by the products of their columns.

    The normal matrix is cut into triangles row by row: level and slope for the whole block, the
    plain columns, then beside them nothing, the knots, or one of the forms. The step at the edge is
    kept as the last row: `sharp` and `pull` are what the heights still say of it.
    """
    kinks, steps, between = expected
    levels, most = steps.shape[0], room.shape[1] - shapes.forms.shape[0]
    size = _PLAIN + max(most, 1)
    low = np.zeros((size, size))
    inverse, right, last = np.zeros(size), np.zeros(size), np.zeros(size)
    flat = tail[0] + FLAT
    inverse[0] = 1.0 / np.sqrt(max(flat, _LEAST))
    right[0] = tail[3] * inverse[0]
    low[1, 0] = tail[1] * inverse[0]
    slope = tail[2] + 1.0 / kinks[0, 1] ** 2 - low[1, 0] ** 2
    inverse[1] = 1.0 / np.sqrt(max(slope, _LEAST))
    right[1] = (tail[4] + kinks[0, 0] / kinks[0, 1] ** 2 - low[1, 0] * right[0]) * inverse[1]
    start = 0.5 * (right[0] ** 2 + right[1] ** 2) - _half_log(flat) - _half_log(slope)
    for r in range(3):
        start -= 0.5 * (kinks[r, 0] / kinks[r, 1]) ** 2 + np.log(kinks[r, 1])
    # what the priors add to the columns: ramp and step at the hinge, ramp at the edge
    stiff = (kinks[2, 1] ** -2.0, between**-2.0, kinks[1, 1] ** -2.0)
    shift = (kinks[2, 0] * stiff[0], 0.0, kinks[1, 0] * stiff[2])
    log_rough, log_form = np.log(shapes.rough_m), np.log(shapes.form_m)
    for i in range(live.size):
        if not live[i]:
            for q in range(out.shape[1]):
                out[i, q] = -np.inf
            told[i] = 0.0
            continue
        last[0] = columns[i, _LAST, 0] * inverse[0]
        last[1] = (columns[i, _LAST, 1] - last[0] * low[1, 0]) * inverse[1]
        plain_value = start
        plain_sharp = columns[i, _LAST, _SELF] - last[0] ** 2 - last[1] ** 2
        plain_pull = columns[i, _LAST, _PULL] - last[0] * right[0] - last[1] * right[1]
        knots = 0
        while knots < most and room[i, knots]:
            knots += 1
        # straight, rough, then each form
        for model in range(2 + shapes.forms.shape[0]):
            at = levels * model if model < 2 else 2 * levels + model - 2
            column = _BESIDE if model < 2 else _BESIDE + most + model - 2
            rows = 3 if model == 0 else knots if model == 1 else 1
            if model > 1 and not room[i, column - _BESIDE]:
                out[i, at] = -np.inf
                continue
            value, sharp, pull, squares = plain_value, plain_sharp, plain_pull, 1.0
            for n in range(rows):
                r, c = (2 + n, n) if model == 0 else (_PLAIN + n, column + n)
                if model == 0:
                    square, drawn = columns[i, c, _SELF] + stiff[n], columns[i, c, _PULL] + shift[n]
                    lean = columns[i, _LAST, r]
                else:
                    scatter = shapes.rough_m if model == 1 else shapes.form_m
                    square, drawn = columns[i, c, _SELF] + scatter**-2.0, columns[i, c, _PULL]
                    lean = columns[i, c, _STEP]
                    value -= log_rough if model == 1 else log_form
                for k in range(r):
                    # of all others beside only the knot before overlaps
                    part = columns[i, c, k] if k < _PLAIN else 0.0
                    if k >= _PLAIN and k == r - 1:
                        part = columns[i, c, _BEFORE]
                    for q in range(k):
                        part -= low[r, q] * low[k, q]
                    part *= inverse[k]
                    low[r, k] = part
                    square -= part * part
                    drawn -= part * right[k]
                    lean -= part * last[k]
                inverse[r] = 1.0 / np.sqrt(max(square, _LEAST))
                right[r], last[r] = drawn * inverse[r], lean * inverse[r]
                squares *= square if square > 0.0 else 0.0
                value += 0.5 * right[r] ** 2
                sharp -= last[r] ** 2
                pull -= last[r] * right[r]
            value -= _half_log(squares)
            if model == 0:
                told[i] = max((kinks[1, 1] / inverse[_PLAIN - 1]) ** 2 - 1.0, 0.0)
                plain_value, plain_sharp, plain_pull = value, sharp, pull
            sharp = max(sharp, 0.0)
            spread, wide = 0.0, 0.0
            for q in range(levels if model < 2 else 1):
                if steps[q, 2] != spread:
                    spread = steps[q, 2]
                    wide = 0.5 * np.log1p(sharp * spread**2)
                centre = pull + steps[q, 1] / spread**2
                gain = 0.5 * centre * centre / (sharp + 1.0 / spread**2)
                out[i, at + q] = value + gain - 0.5 * (steps[q, 1] / spread) ** 2 - wide


@compiled
def line_evidence(
    bins: Bins,
    edge_at: Any,
    hinge_at: Any,
    tables: Tables,
    expected: Expected,
    shapes: Shapes,
    out: Any,
    told: Any,
) -> None:
    """Log evidence of listed pairs of edge and hinge in every block, directly on the bins.

    Models of the shoulder compete: straight, rough, and some plain form beside a flush edge.

    Parameters
    ----------
    bins : Bins
        Places ascend.
    edge_at, hinge_at : (b, c)
        Edge and hinge of each candidate as indices into the places; -1 = not a candidate.
    tables : Tables
    expected : Expected
    shapes : Shapes
    out : (b, c, 2 q + r)
        Evidence of each of the q steps beside the straight shoulder, then beside the rough
        one, then of the forms; -inf where not a candidate.
    told : (b, c)
        How much the heights of a block say of the kink at a flush edge: in units of what is
        expected of it beforehand, as inverse variances; 0 where not a candidate.
    """
    k, p, kinds, many = bins.u.size, tables.place.size, tables.ramp.shape[0], edge_at.shape[1]
    reach = np.empty((kinds, p, 2), dtype=np.int64)
    _reaches(tables, reach)
    knots = 0
    for b in range(edge_at.shape[0]):
        for i in range(many):
            if edge_at[b, i] >= 0 and hinge_at[b, i] >= 0:
                between = _knots(tables.place, edge_at[b, i], hinge_at[b, i], shapes.knot_m)
                knots = max(knots, between)
    beside = knots + shapes.forms.shape[0]
    laid = np.zeros((kinds, p), dtype=np.bool_)
    value = np.empty((kinds, p, beside, _widest(bins.u, reach, shapes)))
    span = np.zeros((kinds, p, beside, 2), dtype=np.int64)
    columns = np.zeros((many, _BESIDE + beside, _WIDTH))
    room = np.zeros((many, beside), dtype=np.bool_)
    tail = np.empty((k + 1, 5))
    for b in range(edge_at.shape[0]):
        f, z, weight = tables.kind[b], bins.z[b], bins.precision[b]
        _sum_tails(bins.u, z, weight, tail)
        block = _Block(
            bins.u, z, weight, tables.place, tables.ramp[f], tables.step[f], reach[f], tail
        )
        _sum_breaks(block, hinge_at[b], _HINGE, 2, columns)
        _sum_breaks(block, edge_at[b], _EDGE, 4, columns)
        _join_breaks(block, edge_at[b], hinge_at[b], columns)
        shoulder = _Beside(laid[f], value[f], span[f])
        _sum_beside(block, edge_at[b], hinge_at[b], shapes, shoulder, room, columns)
        live = (edge_at[b] >= 0) & (hinge_at[b] >= 0)
        _weigh_block(tail[0], columns, live, room, expected, shapes, out[b], told[b])
