"""Compiled loops of the search for breaks; imported only when a road is really searched.

The functions compute and check nothing: `analysis.edges.find_breaks` and
`analysis.edges.segmentation` prepare their arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled

__all__ = [
    "Bins",
    "Candidates",
    "Expected",
    "Products",
    "Shapes",
    "Tables",
    "best_segments",
    "line_evidence",
    "pair_evidence",
    "tie_line",
    "tie_pairs",
]

_FLAT = 1e-4
# Precision of the level beforehand: next to none.

_PLAIN, _MOST_KNOTS = 6, 16
# Columns of a straight section (level, slope, kink at the edge, kink and step at the hinge, step
# at the edge); knots that a shoulder may have beside.


class Expected(NamedTuple):
    """What sections look like before the ground is looked at.

    Attributes
    ----------
    kinks : (4, 2)
        Mean and standard deviation of slope, kink at the edge, kink at the hinge, and kink at
        an edge that has no shoulder.
    steps : (q, 3)
        Steps at the edge: weight, mean, standard deviation.
    between : float
        Standard deviation of the step that stands for a hinge between two candidates.
    """

    kinks: Any
    steps: Any
    between: float


class Candidates(NamedTuple):
    """Places where edge and hinge are looked for.

    Attributes
    ----------
    place : (p,)
        Even steps outward; edges are ``place[:edges]``, hinges ``place[first_hinge:]``.
    edges, first_hinge : int
    apart : float
        Least distance of edge and hinge (the footprint).
    """

    place: Any
    edges: int
    first_hinge: int
    apart: float


class Products(NamedTuple):
    """Inner products of the heights of b blocks with the parts of a section.

    Attributes
    ----------
    sums : (b, 5)
        Weighted sums of 1, u, u*u, z, u*z of each block.
    ramp : (b, p, 4)
        Weighted sums of R, u*R, R*R, z*R of the smeared ramp at each place.
    step : (b, p, 5)
        Weighted sums of H, u*H, H*H, z*H, R*H of the smeared step at each place.
    """

    sums: Any
    ramp: Any
    step: Any


class Bins(NamedTuple):
    """Heights z (b, k) and their inverse variances (b, k) at places u (k,)."""

    u: Any
    z: Any
    precision: Any


class Tables(NamedTuple):
    """Smeared ramps and steps for each of f footprints.

    Attributes
    ----------
    place : (p,)
    kind : (b,)
        Which footprint each block has.
    ramp, step : (f, p, k)
    """

    place: Any
    kind: Any
    ramp: Any
    step: Any


class Shapes(NamedTuple):
    """What a shoulder may be that isn't straight.

    Attributes
    ----------
    knot_m, rough_m : float
        A rough one: a chain of knots so far apart, beginning at the edge, and their scatter.
    forms : (r, 3) int
        Begin, middle and end of some plain form beside an edge that is flush (a rut, a lip, a
        worn edge), in places outward from the edge. One that begins at its middle begins with
        a step.
    form_m : float
        Scatter of their heights.
    """

    knot_m: float
    rough_m: float
    forms: Any
    form_m: float


class _Algebra(NamedTuple):
    """Normal matrix, its triangle, and the right-hand side, solved forward in place."""

    a: Any
    low: Any
    right: Any


class _Columns(NamedTuple):
    """Inner products of all columns of a section; of a form only those with the plain ones."""

    row: Any
    product: Any
    pull: Any
    chosen: Any


@compiled
def _piece_costs(x: Any, z: Any, weight: Any, least: int, prefix: Any, cost: Any) -> bool:
    """Squared misfit of every piece of a section; False where no height is known."""
    k = x.size
    # heights about their own mean keep the difference of prefix sums accurate
    total = 0.0
    mean = 0.0
    for i in range(k):
        if weight[i] > 0.0:
            total += weight[i]
            mean += weight[i] * z[i]
    if total <= 0.0:
        return False
    mean /= total
    for q in range(6):
        prefix[0, q] = 0.0
    middle = 0.5 * (x[0] + x[k - 1])
    for i in range(k):
        w = weight[i]
        xi = x[i] - middle
        zi = z[i] - mean if w > 0.0 else 0.0
        prefix[i + 1, 0] = prefix[i, 0] + w
        prefix[i + 1, 1] = prefix[i, 1] + w * xi
        prefix[i + 1, 2] = prefix[i, 2] + w * xi * xi
        prefix[i + 1, 3] = prefix[i, 3] + w * zi
        prefix[i + 1, 4] = prefix[i, 4] + w * xi * zi
        prefix[i + 1, 5] = prefix[i, 5] + w * zi * zi
    for i in range(k):
        for j in range(i + least, k + 1):
            w = prefix[j, 0] - prefix[i, 0]
            if w <= 0.0:
                cost[i, j] = 0.0
                continue
            sx = prefix[j, 1] - prefix[i, 1]
            sz = prefix[j, 3] - prefix[i, 3]
            sxx = prefix[j, 2] - prefix[i, 2] - sx * sx / w
            sxz = prefix[j, 4] - prefix[i, 4] - sx * sz / w
            szz = prefix[j, 5] - prefix[i, 5] - sz * sz / w
            misfit = szz - (sxz * sxz / sxx if sxx > 1e-12 * w else 0.0)
            cost[i, j] = max(misfit, 0.0)
    return True


@compiled
def best_segments(x: Any, z: Any, weight: Any, segments: int, least: int, out: Any) -> None:
    """Cut each section into straight pieces of least squared misfit.

    Parameters
    ----------
    x : (k,)
    z, weight : (n, k)
        Heights; weight 0 = unknown.
    segments, least : int
        Number of pieces and least number of points in each.
    out : (n, segments + 1)
        Filled with the first point of each piece, and k; -1 where there are too few points.
    """
    n, k = z.shape
    prefix = np.empty((k + 1, 6))
    cost = np.empty((k, k + 1))
    best = np.empty((segments + 1, k + 1))
    came = np.empty((segments + 1, k + 1), dtype=np.int64)
    for row in range(n):
        out[row] = -1
        if not _piece_costs(x, z[row], weight[row], least, prefix, cost):
            continue
        best[:] = np.inf
        best[0, 0] = 0.0
        for m in range(1, segments + 1):
            for j in range(m * least, k + 1):
                for i in range((m - 1) * least, j - least + 1):
                    value = best[m - 1, i] + cost[i, j]
                    if value < best[m, j]:
                        best[m, j] = value
                        came[m, j] = i
        if best[segments, k] == np.inf:
            continue
        out[row, segments] = k
        for m in range(segments, 0, -1):
            out[row, m - 1] = came[m, out[row, m]]


@compiled
def _step_gain(precision: float, pull: float, mean: float, spread: float) -> float:
    """Log evidence of a step with a normal prior, from what the data say of it."""
    sharp = precision + 1.0 / spread**2
    centre = pull + mean / spread**2
    return float(
        0.5 * centre * centre / sharp - 0.5 * (mean / spread) ** 2 - 0.5 * np.log(sharp * spread**2)
    )


@compiled
def _mixture(precision: float, pull: float, steps: Any) -> float:
    """Log evidence of a mixture of steps."""
    most = -np.inf
    total = 0.0
    for q in range(steps.shape[0]):
        part = np.log(steps[q, 0]) + _step_gain(precision, pull, steps[q, 1], steps[q, 2])
        if part > most:
            total = total * np.exp(most - part) + 1.0
            most = part
        else:
            total += np.exp(part - most)
    return float(most + np.log(total))


@compiled
def _solve(algebra: _Algebra, p: int, base: float) -> float:
    """Add to `base` the log evidence of the first p columns; -inf where they aren't told apart.

    The column after them stays as it is: its precision and pull once all else is fitted are
    then ``low[p, p]`` and ``right[p]``.
    """
    a, low, right = algebra
    good = True
    for r in range(p + 1):
        for c in range(r + 1):
            total = a[r, c]
            for q in range(c):
                total -= low[r, q] * low[c, q]
            if r != c:
                low[r, c] = total / low[c, c]
            elif r == p:
                low[r, r] = max(total, 0.0)
            else:
                good = good and total > 0.0
                low[r, r] = np.sqrt(max(total, 1e-12))
        total = right[r]
        for q in range(r):
            total -= low[r, q] * right[q]
        right[r] = total / low[r, r] if r < p else total
    value = base
    for r in range(p):
        value += 0.5 * right[r] * right[r] - np.log(low[r, r])
    return float(value) if good else -np.inf


@compiled
def _gain(algebra: _Algebra, p: int, step: Any) -> float:
    """Log evidence of a step at the edge once all else is fitted."""
    return _step_gain(algebra.low[p, p], algebra.right[p], step[1], step[2])


@compiled
def _edge_columns(
    block: Products, expected: Expected, ie: int, kink: int, algebra: _Algebra
) -> float:
    """Fill in level, slope and kink at the edge; the scale of their priors is returned, log."""
    a, _, right = algebra
    prior = expected.kinks
    a[0, 0] = block.sums[0] + _FLAT
    a[1, 0] = block.sums[1]
    a[1, 1] = block.sums[2] + 1.0 / prior[0, 1] ** 2
    right[0] = block.sums[3]
    right[1] = block.sums[4] + prior[0, 0] / prior[0, 1] ** 2
    a[2, 0] = block.ramp[ie, 0]
    a[2, 1] = block.ramp[ie, 1]
    a[2, 2] = block.ramp[ie, 2] + 1.0 / prior[kink, 1] ** 2
    right[2] = block.ramp[ie, 3] + prior[kink, 0] / prior[kink, 1] ** 2
    return float(-0.5 * (prior[kink, 0] / prior[kink, 1]) ** 2 - np.log(prior[kink, 1]))


@compiled
def _hinge_columns(
    block: Products, expected: Expected, ih: int, e: float, algebra: _Algebra
) -> None:
    """Fill in the kink at the hinge, and a step there, beside an edge at e.

    The hinge may lie between two candidates: to first order a small step.
    """
    a, _, right = algebra
    ramp, step, prior = block.ramp[ih], block.step[ih], expected.kinks[2]
    a[3, 0] = ramp[0]
    a[3, 1] = ramp[1]
    a[3, 2] = ramp[1] - e * ramp[0]
    a[3, 3] = ramp[2] + 1.0 / prior[1] ** 2
    right[3] = ramp[3] + prior[0] / prior[1] ** 2
    a[4, 0] = step[0]
    a[4, 1] = step[1]
    a[4, 2] = step[1] - e * step[0]
    a[4, 3] = step[4]
    a[4, 4] = step[2] + 1.0 / expected.between**2
    right[4] = step[3]


@compiled
def pair_evidence(
    candidates: Candidates, products: Products, expected: Expected, out: Any, out_none: Any
) -> None:
    """Log evidence of every pair of edge and hinge in every block, and of an edge alone.

    The section is a Gaussian linear model: level, slope, kink and step at the edge, kink at the
    hinge, each with a prior; its marginal likelihood needs only inner products, and those of
    two kinks at least a footprint apart follow from those of each alone.

    Parameters
    ----------
    candidates : Candidates
    products : Products
    expected : Expected
    out, out_none : (b, edges, hinges), (b, edges)
        Results; -inf for a pair that is too close.
    """
    place, edges, first_hinge, apart = candidates
    prior, steps, between = expected
    algebra = _Algebra(np.empty((6, 6)), np.empty((6, 6)), np.empty(6))
    a, low, right = algebra
    for b in range(products.sums.shape[0]):
        block = Products(products.sums[b], products.ramp[b], products.step[b])
        for ie in range(edges):
            e = place[ie]
            for j in range(-1, place.size - first_hinge):
                ih = first_hinge + j
                if j >= 0 and place[ih] - e < apart:
                    out[b, ie, j] = -np.inf
                    continue
                # the step at the edge comes last
                p = 3
                base = _edge_columns(block, expected, ie, 1 if j >= 0 else 3, algebra)
                if j >= 0:
                    p = 5
                    _hinge_columns(block, expected, ih, e, algebra)
                    base += -0.5 * (prior[2, 0] / prior[2, 1]) ** 2 - np.log(prior[2, 1])
                    base -= np.log(between)
                    a[p, 3] = block.ramp[ih, 0]
                    a[p, 4] = block.step[ih, 0]
                a[p, 0] = block.step[ie, 0]
                a[p, 1] = block.step[ie, 1]
                a[p, 2] = block.step[ie, 4]
                a[p, p] = block.step[ie, 2]
                right[p] = block.step[ie, 3]
                value = _solve(algebra, p, base)
                # the step: precision and pull of the data after all else is fitted
                value += _mixture(low[p, p], right[p], steps)
                if j >= 0:
                    out[b, ie, j] = value
                else:
                    out_none[b, ie] = value


@compiled
def _column_products(
    bins: Bins,
    tables: Tables,
    shapes: Shapes,
    b: int,
    ie: int,
    ih: int,
    knots: int,
    columns: _Columns,
) -> None:
    """Sum the inner products of all columns over the bins of a block."""
    row, product, pull, _ = columns
    place, forms, knot_m = tables.place, shapes.forms, shapes.knot_m
    f = tables.kind[b]
    ramp, step = tables.ramp[f], tables.step[f]
    e, last = place[ie], place.size - 2
    rough_end = _PLAIN + knots
    count = rough_end + forms.shape[0]
    for r in range(count):
        pull[r] = 0.0
        for c in range(r + 1):
            product[r, c] = 0.0
    for j in range(bins.u.size):
        w = bins.precision[b, j]
        if w <= 0.0:
            continue
        row[0] = 1.0
        row[1] = bins.u[j]
        row[2] = ramp[ie, j]
        row[3] = ramp[ih, j]
        row[4] = step[ih, j]
        row[5] = step[ie, j]
        for q in range(knots):
            row[_PLAIN + q] = max(0.0, 1.0 - abs(bins.u[j] - e - (q + 1) * knot_m) / knot_m)
        for q in range(forms.shape[0]):
            begin, middle, end = ie + forms[q, 0], ie + forms[q, 1], ie + forms[q, 2]
            row[rough_end + q] = 0.0
            if end > min(ih, last):
                continue
            if begin == middle:
                height = step[begin, j]
            else:
                height = ramp[begin, j] - ramp[middle, j]
                height /= place[middle] - place[begin]
            fall = ramp[middle, j] - ramp[end, j]
            row[rough_end + q] = height - fall / (place[end] - place[middle])
        for r in range(count):
            if row[r] != 0.0:
                wr = w * row[r]
                pull[r] += wr * bins.z[b, j]
                for c in range(r + 1 if r < rough_end else _PLAIN):
                    product[r, c] += wr * row[c]
                if r >= rough_end:
                    product[r, r] += wr * row[r]


@compiled
def _take_columns(
    columns: _Columns, first: int, extra: int, scatter: float, expected: Expected, algebra: _Algebra
) -> float:
    """Set up a straight section with `extra` more columns from `first` on, each with a prior.

    The step at the edge comes last. The scale of the priors is returned, log.
    """
    a, _, right = algebra
    chosen, prior = columns.chosen, expected.kinks
    p = _PLAIN - 1 + extra
    for r in range(_PLAIN - 1):
        chosen[r] = r
    for q in range(extra):
        chosen[_PLAIN - 1 + q] = first + q
    chosen[p] = _PLAIN - 1
    for r in range(p + 1):
        right[r] = columns.pull[chosen[r]]
        for c in range(r + 1):
            one, other = chosen[r], chosen[c]
            a[r, c] = columns.product[max(one, other), min(one, other)]
    a[0, 0] += _FLAT
    base = 0.0
    for r in range(1, 4):
        a[r, r] += 1.0 / prior[r - 1, 1] ** 2
        right[r] += prior[r - 1, 0] / prior[r - 1, 1] ** 2
        base -= 0.5 * (prior[r - 1, 0] / prior[r - 1, 1]) ** 2
        base -= np.log(prior[r - 1, 1])
    a[4, 4] += 1.0 / expected.between**2
    for q in range(extra):
        a[5 + q, 5 + q] += 1.0 / scatter**2
        base -= np.log(scatter)
    return base


@compiled
def line_evidence(
    bins: Bins,
    edge_at: Any,
    hinge_at: Any,
    tables: Tables,
    expected: Expected,
    shapes: Shapes,
    out: Any,
) -> None:
    """Log evidence of listed pairs of edge and hinge in every block, directly on the bins.

    Models of the shoulder compete: straight, rough, and some plain form beside a flush edge.

    Parameters
    ----------
    bins : Bins
    edge_at, hinge_at : (b, c)
        Edge and hinge of each candidate as indices into the places; -1 = not a candidate.
    tables : Tables
    expected : Expected
    shapes : Shapes
    out : (b, c, 2 q + r)
        Evidence of each of the q steps beside the straight shoulder, then beside the rough
        one, then of the forms; -inf where not a candidate.
    """
    place, forms, steps = tables.place, shapes.forms, expected.steps
    levels = steps.shape[0]
    last = place.size - 2
    size = _PLAIN + _MOST_KNOTS + forms.shape[0]
    room = np.empty(size, dtype=np.int64)
    columns = _Columns(np.empty(size), np.empty((size, size)), np.empty(size), room)
    most = _PLAIN + _MOST_KNOTS
    algebra = _Algebra(np.empty((most, most)), np.empty((most, most)), np.empty(most))
    for b in range(edge_at.shape[0]):
        for i in range(edge_at.shape[1]):
            ie = edge_at[b, i]
            ih = hinge_at[b, i]
            if ie < 0 or ih < 0:
                out[b, i] = -np.inf
                continue
            knots = int((place[ih] - place[ie] - 0.3 * shapes.knot_m) / shapes.knot_m)
            knots = min(max(knots, 0), _MOST_KNOTS)
            _column_products(bins, tables, shapes, b, ie, ih, knots, columns)
            for rough in range(2):
                extra = knots if rough else 0
                base = _take_columns(columns, _PLAIN, extra, shapes.rough_m, expected, algebra)
                p = _PLAIN - 1 + extra
                value = _solve(algebra, p, base)
                for q in range(levels):
                    gain = _gain(algebra, p, steps[q])
                    out[b, i, rough * levels + q] = value + gain
            for form in range(forms.shape[0]):
                at = 2 * levels + form
                if ie + forms[form, 2] > min(ih, last):
                    out[b, i, at] = -np.inf
                    continue
                first = _PLAIN + knots + form
                base = _take_columns(columns, first, 1, shapes.form_m, expected, algebra)
                out[b, i, at] = _solve(algebra, _PLAIN, base) + _gain(algebra, _PLAIN, steps[0])


@compiled
def _move(source: Any, kernel: Any, turned: bool, moved: Any) -> None:
    """Convolve every column of (p, m) with the kernel (2r + 1,), or with the kernel turned."""
    p, m = source.shape
    r = kernel.size // 2
    for i in range(p):
        for q in range(m):
            moved[i, q] = 0.0
        for k in range(max(-r, -i), min(r, p - 1 - i) + 1):
            weight = kernel[r - k] if turned else kernel[r + k]
            for q in range(m):
                moved[i, q] += weight * source[i + k, q]


@compiled
def _line_forward(evidence: Any, kernel: Any, start: Any, switch: Any, post: Any) -> None:
    """Let `post` hold what each block and those before it say."""
    blocks, p, m = evidence.shape
    before = np.empty(m)
    moved = np.empty((p, m))
    for b in range(blocks):
        most = evidence[b].max()
        total = 0.0
        if b > 0:
            _move(post[b - 1], kernel[b], True, moved)
        for i in range(p):
            if b > 0:
                before[:] = 0.0
                for g in range(m):
                    for q in range(m):
                        before[q] += switch[g, q] * moved[i, g]
            else:
                before[:] = start
            for q in range(m):
                post[b, i, q] = before[q] * np.exp(evidence[b, i, q] - most) + 1e-300
                total += post[b, i, q]
        for i in range(p):
            for q in range(m):
                post[b, i, q] /= total


@compiled
def _line_backward(evidence: Any, kernel: Any, switch: Any, post: Any) -> None:
    """Bring in what all later blocks say."""
    blocks, p, m = evidence.shape
    to = switch.T.copy()
    moved = np.empty((p, m))
    seen = np.empty((p, m))
    back = np.ones((p, m))
    for b in range(blocks - 2, -1, -1):
        most = evidence[b + 1].max()
        for i in range(p):
            for q in range(m):
                seen[i, q] = back[i, q] * np.exp(evidence[b + 1, i, q] - most)
        _move(seen, kernel[b + 1], False, moved)
        top = 0.0
        for i in range(p):
            back[i] = 0.0
            for g in range(m):
                for q in range(m):
                    back[i, q] += to[g, q] * moved[i, g]
            for q in range(m):
                top = max(top, back[i, q])
        total = 0.0
        for i in range(p):
            for q in range(m):
                back[i, q] = back[i, q] / top + 1e-300
                post[b, i, q] *= back[i, q]
                total += post[b, i, q]
        for i in range(p):
            for q in range(m):
                post[b, i, q] /= total


@compiled
def tie_line(evidence: Any, kernel: Any, start: Any, switch: Any, post: Any) -> None:
    """Posterior of a place and a mode in every block (forward-backward).

    Parameters
    ----------
    evidence : (b, p, m)
        Log evidence of place and mode.
    kernel : (b, 2r + 1)
        How likely each move from the block before is, from r places inward to r outward.
    start : (m,)
        Probability of each mode in the first block.
    switch : (m, m)
        Probability of going from one mode to another; rows sum to 1.
    post : (b, p, m)
        Result; sums to 1 in each block.
    """
    _line_forward(evidence, kernel, start, switch, post)
    _line_backward(evidence, kernel, switch, post)


@compiled
def _spread(source: Any, kernel: Any, target: Any, work: Any) -> None:
    """Convolve (p, q) with the kernel both ways."""
    p, q = source.shape
    r = kernel.size // 2
    for i in range(p):
        for j in range(q):
            work[i, j] = 0.0
            target[i, j] = 0.0
    for i in range(p):
        for k in range(-r, r + 1):
            m = i + k
            if m >= 0 and m < p:
                g = kernel[k + r]
                for j in range(q):
                    work[i, j] += g * source[m, j]
    for i in range(p):
        for j in range(q):
            total = 0.0
            for k in range(max(-r, -j), min(r, q - 1 - j) + 1):
                total += kernel[k + r] * work[i, j + k]
            target[i, j] = total


@compiled
def _spread_line(source: Any, kernel: Any, target: Any) -> None:
    p = source.size
    r = kernel.size // 2
    for i in range(p):
        total = 0.0
        for k in range(max(-r, -i), min(r, p - 1 - i) + 1):
            total += kernel[k + r] * source[i + k]
        target[i] = total


@compiled
def _pairs_forward(
    evidence: Any, evidence_none: Any, fresh: Any, kernel: Any, switch: float, post: Any, none: Any
) -> None:
    """Let `post` and `none` hold what each block and those before it say."""
    blocks, p, q = evidence.shape
    moved = np.empty((p, q))
    work = np.empty((p, q))
    line = np.empty(p)
    sums = np.empty(p)
    for b in range(blocks):
        most = max(evidence_none[b].max(), evidence[b].max())
        if b > 0:
            _spread(post[b - 1], kernel, moved, work)
            _spread_line(none[b - 1], kernel, line)
            for i in range(p):
                sums[i] = 0.0
                for j in range(q):
                    sums[i] += moved[i, j]
        total = 0.0
        for i in range(p):
            for j in range(q):
                if b == 0:
                    before = fresh[i, j] * (1.0 - switch)
                else:
                    before = moved[i, j] * (1.0 - switch) + line[i] * switch * fresh[i, j]
                post[b, i, j] = before * np.exp(evidence[b, i, j] - most)
                total += post[b, i, j]
            before = switch if b == 0 else line[i] * (1.0 - switch) + sums[i] * switch
            none[b, i] = before * np.exp(evidence_none[b, i] - most)
            total += none[b, i]
        scale = 1.0 / total if total > 0.0 else 0.0
        for i in range(p):
            none[b, i] = none[b, i] * scale + 1e-300
            for j in range(q):
                post[b, i, j] = post[b, i, j] * scale + 1e-300


@compiled
def _pairs_backward(
    evidence: Any, evidence_none: Any, fresh: Any, kernel: Any, switch: float, post: Any, none: Any
) -> None:
    """Bring in the message of all later blocks."""
    blocks, p, q = evidence.shape
    moved = np.empty((p, q))
    work = np.empty((p, q))
    line = np.empty(p)
    sums = np.empty(p)
    back = np.ones((p, q))
    back_none = np.ones(p)
    given = np.empty((p, q))
    given_none = np.empty(p)
    for b in range(blocks - 2, -1, -1):
        most = max(evidence_none[b + 1].max(), evidence[b + 1].max())
        for i in range(p):
            given_none[i] = back_none[i] * np.exp(evidence_none[b + 1, i] - most)
            sums[i] = 0.0
            for j in range(q):
                given[i, j] = back[i, j] * np.exp(evidence[b + 1, i, j] - most)
                sums[i] += given[i, j] * fresh[i, j]
        _spread(given, kernel, moved, work)
        _spread_line(given_none, kernel, line)
        # from a shoulder to none: the hinge is forgotten; from none: drawn afresh
        top = 0.0
        for i in range(p):
            for j in range(q):
                back[i, j] = (1.0 - switch) * moved[i, j] + switch * line[i]
                top = max(top, back[i, j])
        _spread_line(sums, kernel, given_none)
        for i in range(p):
            back_none[i] = (1.0 - switch) * line[i] + switch * given_none[i]
            top = max(top, back_none[i])
        total = 0.0
        for i in range(p):
            back_none[i] = back_none[i] / top + 1e-300
            none[b, i] *= back_none[i]
            total += none[b, i]
            for j in range(q):
                back[i, j] = back[i, j] / top + 1e-300
                post[b, i, j] *= back[i, j]
                total += post[b, i, j]
        for i in range(p):
            none[b, i] /= total
            for j in range(q):
                post[b, i, j] /= total


@compiled
def tie_pairs(
    evidence: Any, evidence_none: Any, fresh: Any, kernel: Any, switch: float, post: Any, none: Any
) -> None:
    """Posterior of edge and hinge in every block, given all blocks (forward-backward).

    Parameters
    ----------
    evidence, evidence_none : (b, p, q), (b, p)
        Log evidence with a shoulder and without one.
    fresh : (p, q)
        Probability of a hinge where a shoulder begins, for each edge; rows sum to 1.
    kernel : (2r + 1,)
        How far a break moves from one block to the next.
    switch : float
        Probability that a shoulder begins or ends from one block to the next.
    post, none : (b, p, q), (b, p)
        Results; they sum to 1 in each block.
    """
    _pairs_forward(evidence, evidence_none, fresh, kernel, switch, post, none)
    _pairs_backward(evidence, evidence_none, fresh, kernel, switch, post, none)
