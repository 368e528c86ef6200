"""Compiled loops of the search for breaks; imported only when a road is really searched.

The functions compute and check nothing: `analysis.edges.find_breaks` and
`analysis.edges.segmentation` prepare their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["best_segments", "line_evidence", "pair_evidence", "tie_line", "tie_pairs"]


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
        # heights about their own mean keep the difference of prefix sums accurate
        total = 0.0
        mean = 0.0
        for i in range(k):
            if weight[row, i] > 0.0:
                total += weight[row, i]
                mean += weight[row, i] * z[row, i]
        for j in range(segments + 1):
            out[row, j] = -1
        if total <= 0.0:
            continue
        mean /= total
        for q in range(6):
            prefix[0, q] = 0.0
        middle = 0.5 * (x[0] + x[k - 1])
        for i in range(k):
            w = weight[row, i]
            xi = x[i] - middle
            zi = z[row, i] - mean if w > 0.0 else 0.0
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
        for j in range(k + 1):
            for m in range(segments + 1):
                best[m, j] = np.inf
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
def pair_evidence(
    place: Any,
    first_edge: int,
    edges: int,
    first_hinge: int,
    hinges: int,
    apart: float,
    sums: Any,
    ramp: Any,
    step: Any,
    prior: Any,
    steps: Any,
    between: float,
    out: Any,
    out_none: Any,
) -> None:
    """Log evidence of every pair of edge and hinge in every block, and of an edge alone.

    The section is a Gaussian linear model: level, slope, kink and step at the edge, kink at the
    hinge, each with a prior; its marginal likelihood needs only inner products, and those of
    two kinks at least a footprint apart follow from those of each alone.

    Parameters
    ----------
    place : (p,)
        Candidate places, even steps outward; edges are ``place[first_edge:][:edges]``, hinges
        ``place[first_hinge:][:hinges]``.
    apart : float
        Least distance of edge and hinge (the footprint).
    sums : (b, 5)
        Weighted sums of 1, u, u*u, z, u*z of each block.
    ramp : (b, p, 4)
        Weighted sums of R, u*R, R*R, z*R of the smeared ramp at each place.
    step : (b, p, 5)
        Weighted sums of H, u*H, H*H, z*H, R*H of the smeared step at each place.
    prior : (4, 2)
        Mean and standard deviation of slope, kink at the edge, kink at the hinge, and kink at
        an edge that has no shoulder.
    steps : (q, 3)
        Mixture of steps at the edge: weight, mean, standard deviation.
    between : float
        Standard deviation of the step that stands for a hinge between two candidates.
    out, out_none : (b, edges, hinges), (b, edges)
        Results; -inf for a pair that is too close.
    """
    blocks = sums.shape[0]
    a = np.empty((6, 6))
    low = np.empty((6, 6))
    right = np.empty(6)
    half = np.empty(6)
    flat = 1e-4
    for b in range(blocks):
        for i in range(edges):
            ie = first_edge + i
            e = place[ie]
            for j in range(-1, hinges):
                p = 5 if j >= 0 else 3
                ih = first_hinge + j if j >= 0 else 0
                if j >= 0 and place[ih] - e < apart:
                    out[b, i, j] = -np.inf
                    continue
                # order: level, slope, kink at edge, kink and step at hinge, step at edge (last)
                a[0, 0] = sums[b, 0] + flat
                a[1, 0] = sums[b, 1]
                a[1, 1] = sums[b, 2] + 1.0 / prior[0, 1] ** 2
                right[0] = sums[b, 3]
                right[1] = sums[b, 4] + prior[0, 0] / prior[0, 1] ** 2
                a[2, 0] = ramp[b, ie, 0]
                a[2, 1] = ramp[b, ie, 1]
                k = 1 if j >= 0 else 3
                a[2, 2] = ramp[b, ie, 2] + 1.0 / prior[k, 1] ** 2
                right[2] = ramp[b, ie, 3] + prior[k, 0] / prior[k, 1] ** 2
                base = -0.5 * (prior[k, 0] / prior[k, 1]) ** 2 - np.log(prior[k, 1])
                if j >= 0:
                    a[3, 0] = ramp[b, ih, 0]
                    a[3, 1] = ramp[b, ih, 1]
                    a[3, 2] = ramp[b, ih, 1] - e * ramp[b, ih, 0]
                    a[3, 3] = ramp[b, ih, 2] + 1.0 / prior[2, 1] ** 2
                    right[3] = ramp[b, ih, 3] + prior[2, 0] / prior[2, 1] ** 2
                    base += -0.5 * (prior[2, 0] / prior[2, 1]) ** 2 - np.log(prior[2, 1])
                    # the hinge may lie between two candidates: to first order a small step
                    a[4, 0] = step[b, ih, 0]
                    a[4, 1] = step[b, ih, 1]
                    a[4, 2] = step[b, ih, 1] - e * step[b, ih, 0]
                    a[4, 3] = step[b, ih, 4]
                    a[4, 4] = step[b, ih, 2] + 1.0 / between**2
                    right[4] = step[b, ih, 3]
                    base -= np.log(between)
                a[p, 0] = step[b, ie, 0]
                a[p, 1] = step[b, ie, 1]
                a[p, 2] = step[b, ie, 4]
                if j >= 0:
                    a[p, 3] = ramp[b, ih, 0]
                    a[p, 4] = step[b, ih, 0]
                a[p, p] = step[b, ie, 2]
                right[p] = step[b, ie, 3]
                good = True
                for r in range(p + 1):
                    for c in range(r + 1):
                        total = a[r, c]
                        for q in range(c):
                            total -= low[r, q] * low[c, q]
                        if r == c:
                            if r == p:
                                low[r, r] = max(total, 0.0)
                            elif total <= 0.0:
                                good = False
                                low[r, r] = 1.0
                            else:
                                low[r, r] = np.sqrt(total)
                        else:
                            low[r, c] = total / low[c, c]
                    total = right[r]
                    for q in range(r):
                        total -= low[r, q] * half[q]
                    half[r] = total / low[r, r] if r < p else total
                value = base
                for r in range(p):
                    value += 0.5 * half[r] * half[r] - np.log(low[r, r])
                # the step: precision and pull of the data after all else is fitted
                value += _mixture(low[p, p], half[p], steps)
                if not good:
                    value = -np.inf
                if j >= 0:
                    out[b, i, j] = value
                else:
                    out_none[b, i] = value


@compiled
def line_evidence(
    u: Any,
    z: Any,
    precision: Any,
    edge_at: Any,
    hinge_at: Any,
    place: Any,
    kind: Any,
    ramp: Any,
    step: Any,
    prior: Any,
    between: float,
    steps: Any,
    knot_m: float,
    rough_m: float,
    forms: Any,
    form_m: float,
    out: Any,
) -> None:
    """Log evidence of listed pairs of edge and hinge in every block, directly on the bins.

    Models of the shoulder compete: straight, rough (a chain of knots `knot_m` apart whose heights
    scatter by `rough_m`, beginning at the edge), and some plain form beside an edge that is
    flush: a rut, a lip, a worn edge.

    Parameters
    ----------
    u : (k,)
    z, precision : (b, k)
        Heights and inverse variances.
    edge_at, hinge_at : (b, c)
        Edge and hinge of each candidate as indices into `place`; -1 = not a candidate.
    place : (p,)
    kind : (b,)
        Which footprint each block has.
    ramp, step : (f, p, k)
        Smeared ramp and step at each place, for each footprint.
    prior, between, steps
        As for `pair_evidence`.
    forms : (r, 3) int
        Begin, middle and end of each form, in places outward from the edge. One that begins at
        its middle begins with a step.
    form_m : float
        Scatter of their heights.
    out : (b, c, 2 q + r)
        Evidence of each of the q steps beside the straight shoulder, then beside the rough
        one, then of the forms; -inf where not a candidate.
    """
    levels = steps.shape[0]
    last = place.size - 2
    blocks, k = z.shape
    plain, most = 6, 16
    size = plain + most + forms.shape[0]
    row = np.empty(size)
    # inner products of all columns; of a form only those with the plain ones and itself
    product = np.empty((size, size))
    pull = np.empty(size)
    chosen = np.empty(size, dtype=np.int64)
    a = np.empty((plain + most, plain + most))
    low = np.empty((plain + most, plain + most))
    half = np.empty(plain + most)
    for b in range(blocks):
        for i in range(edge_at.shape[1]):
            ie = edge_at[b, i]
            ih = hinge_at[b, i]
            if ie < 0 or ih < 0:
                for q in range(out.shape[2]):
                    out[b, i, q] = -np.inf
                continue
            f = kind[b]
            e = place[ie]
            knots = int((place[ih] - e - 0.3 * knot_m) / knot_m)
            knots = min(max(knots, 0), most)
            rough_end = plain + knots
            count = rough_end + forms.shape[0]
            for r in range(count):
                pull[r] = 0.0
                for c in range(r + 1):
                    product[r, c] = 0.0
            for j in range(k):
                w = precision[b, j]
                if w <= 0.0:
                    continue
                # level, slope, kink at the edge, kink and step at the hinge, step at the edge
                row[0] = 1.0
                row[1] = u[j]
                row[2] = ramp[f, ie, j]
                row[3] = ramp[f, ih, j]
                row[4] = step[f, ih, j]
                row[5] = step[f, ie, j]
                for q in range(knots):
                    row[plain + q] = max(0.0, 1.0 - abs(u[j] - e - (q + 1) * knot_m) / knot_m)
                for q in range(forms.shape[0]):
                    begin, middle, end = ie + forms[q, 0], ie + forms[q, 1], ie + forms[q, 2]
                    row[rough_end + q] = 0.0
                    if end > min(ih, last):
                        continue
                    if begin == middle:
                        height = step[f, begin, j]
                    else:
                        height = ramp[f, begin, j] - ramp[f, middle, j]
                        height /= place[middle] - place[begin]
                    fall = ramp[f, middle, j] - ramp[f, end, j]
                    row[rough_end + q] = height - fall / (place[end] - place[middle])
                for r in range(count):
                    if row[r] != 0.0:
                        wr = w * row[r]
                        pull[r] += wr * z[b, j]
                        for c in range(r + 1 if r < rough_end else plain):
                            product[r, c] += wr * row[c]
                        if r >= rough_end:
                            product[r, r] += wr * row[r]
            for shape in range(2 + forms.shape[0]):
                extra = knots if shape == 1 else 0
                first = plain
                if shape > 1:
                    if ie + forms[shape - 2, 2] > min(ih, last):
                        out[b, i, 2 * levels + shape - 2] = -np.inf
                        continue
                    extra, first = 1, rough_end + shape - 2
                # the step at the edge comes last
                p = 5 + extra
                for r in range(5):
                    chosen[r] = r
                for q in range(extra):
                    chosen[5 + q] = first + q
                chosen[p] = 5
                for r in range(p + 1):
                    half[r] = pull[chosen[r]]
                    for c in range(r + 1):
                        one, other = chosen[r], chosen[c]
                        a[r, c] = product[max(one, other), min(one, other)]
                a[0, 0] += 1e-4
                base = 0.0
                for r in range(1, 4):
                    a[r, r] += 1.0 / prior[r - 1, 1] ** 2
                    half[r] += prior[r - 1, 0] / prior[r - 1, 1] ** 2
                    base -= 0.5 * (prior[r - 1, 0] / prior[r - 1, 1]) ** 2
                    base -= np.log(prior[r - 1, 1])
                a[4, 4] += 1.0 / between**2
                scatter = form_m if shape > 1 else rough_m
                for q in range(extra):
                    a[5 + q, 5 + q] += 1.0 / scatter**2
                    base -= np.log(scatter)
                for r in range(p + 1):
                    for c in range(r + 1):
                        total = a[r, c]
                        for q in range(c):
                            total -= low[r, q] * low[c, q]
                        if r == c:
                            low[r, r] = max(total, 0.0) if r == p else np.sqrt(max(total, 1e-12))
                        else:
                            low[r, c] = total / low[c, c]
                    total = half[r]
                    for q in range(r):
                        total -= low[r, q] * half[q]
                    half[r] = total / low[r, r] if r < p else total
                value = base
                for r in range(p):
                    value += 0.5 * half[r] * half[r] - np.log(low[r, r])
                if shape > 1:
                    gain = _step_gain(low[p, p], half[p], steps[0, 1], steps[0, 2])
                    out[b, i, 2 * levels + shape - 2] = value + gain
                    continue
                for q in range(levels):
                    gain = _step_gain(low[p, p], half[p], steps[q, 1], steps[q, 2])
                    out[b, i, shape * levels + q] = value + gain


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
    blocks, p, m = evidence.shape
    line = np.empty(p)
    moved = np.empty((p, m))
    seen = np.empty((p, m))
    for b in range(blocks):
        most = evidence[b].max()
        total = 0.0
        if b > 0:
            for q in range(m):
                _spread_line(post[b - 1, :, q], kernel[b, ::-1], line)
                moved[:, q] = line
        for i in range(p):
            for q in range(m):
                before = start[q]
                if b > 0:
                    before = 0.0
                    for g in range(m):
                        before += switch[g, q] * moved[i, g]
                post[b, i, q] = before * np.exp(evidence[b, i, q] - most) + 1e-300
                total += post[b, i, q]
        for i in range(p):
            for q in range(m):
                post[b, i, q] /= total
    back = np.ones((p, m))
    for b in range(blocks - 2, -1, -1):
        most = evidence[b + 1].max()
        for q in range(m):
            for i in range(p):
                seen[i, q] = back[i, q] * np.exp(evidence[b + 1, i, q] - most)
            _spread_line(seen[:, q], kernel[b + 1], line)
            moved[:, q] = line
        top = 0.0
        for i in range(p):
            for q in range(m):
                after = 0.0
                for g in range(m):
                    after += switch[q, g] * moved[i, g]
                back[i, q] = after
                top = max(top, after)
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
    blocks, p, q = evidence.shape
    moved = np.empty((p, q))
    work = np.empty((p, q))
    line = np.empty(p)
    sums = np.empty(p)
    # forward: post and none hold the filtered distributions
    for b in range(blocks):
        most = -np.inf
        for i in range(p):
            most = max(most, evidence_none[b, i])
            for j in range(q):
                most = max(most, evidence[b, i, j])
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
    # backward: message of all later blocks to this one
    back = np.ones((p, q))
    back_none = np.ones(p)
    given = np.empty((p, q))
    given_none = np.empty(p)
    for b in range(blocks - 2, -1, -1):
        most = -np.inf
        for i in range(p):
            most = max(most, evidence_none[b + 1, i])
            for j in range(q):
                most = max(most, evidence[b + 1, i, j])
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
