"""Compiled loops of the robust fits; imported only when something is really measured.

The functions compute and check nothing: `analysis.surfaces` prepares their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.compiled import compiled

__all__ = ["correlated_scatter", "fit_windows", "section_means"]

# Columns of the design: height at the edge, grade, vertical curve, pavement slope, its change
# along the road, kink at the edge, step at the edge, kink at the hinge, step at the hinge.
COLUMNS = 9
# What the step at the hinge is for: a hinge that lies elsewhere than assumed looks like one, to
# first order. Its size is kept small by how well the hinge is known.
_KINK, _SHIFT = 7, 8


@compiled
def _cholesky_inverse(a: Any, out: Any, work: Any) -> bool:
    """Invert a symmetric positive definite matrix; False where it isn't one."""
    p = a.shape[0]
    for i in range(p):
        for j in range(i + 1):
            total = a[i, j]
            for k in range(j):
                total -= work[i, k] * work[j, k]
            if i == j:
                if total <= 1e-13 * a[i, i] or not total > 0.0:
                    return False
                work[i, i] = np.sqrt(total)
            else:
                work[i, j] = total / work[j, j]
    # inverse of the triangle, then its product with itself
    for i in range(p):
        out[i, i] = 1.0 / work[i, i]
        for j in range(i):
            total = 0.0
            for k in range(j, i):
                total -= work[i, k] * out[k, j]
            out[i, j] = total / work[i, i]
    for i in range(p):
        for j in range(i + 1):
            total = 0.0
            for k in range(i, p):
                total += out[k, i] * out[k, j]
            work[i, j] = total
    for i in range(p):
        for j in range(i + 1):
            out[i, j] = work[i, j]
            out[j, i] = work[i, j]
    return True


@compiled
def _row(row: Any, t: float, basis: Any, i: int) -> None:
    x = basis[0, i]
    row[0] = 1.0
    row[1] = t
    row[2] = t * t - 1.0 / 3.0
    row[3] = x
    row[4] = t * x
    row[5] = basis[1, i]
    row[6] = -basis[2, i]
    row[7] = basis[3, i]
    row[8] = basis[4, i]


@compiled
def _solve(
    design: Any,
    y: Any,
    weight: Any,
    m: int,
    tight: float,
    beta: Any,
    inverse: Any,
    normal: Any,
    work: Any,
) -> bool:
    p = COLUMNS
    for i in range(p):
        beta[i] = 0.0
        for j in range(p):
            normal[i, j] = 0.0
    right = np.zeros(p)
    for r in range(m):
        w = weight[r]
        if w <= 0.0:
            continue
        for i in range(p):
            wx = w * design[r, i]
            right[i] += wx * y[r]
            for j in range(i + 1):
                normal[i, j] += wx * design[r, j]
    # A column without data (no cell beyond the hinge) must not sink the others: a prior of
    # next to no weight keeps the matrix regular and gives that column a huge variance.
    for i in range(p):
        normal[i, i] += 1e-9 * (normal[i, i] + 1.0)
    normal[_SHIFT, _SHIFT] += tight
    if not _cholesky_inverse(normal, inverse, work):
        return False
    for i in range(p):
        total = 0.0
        for j in range(p):
            total += inverse[i, j] * right[j]
        beta[i] = total
    return True


@compiled
def _tightness(sigma: float, kink: float, hinge_se: float) -> float:
    """Weight of the prior on the step at the hinge, in units of one cell."""
    spread = max(abs(kink) * hinge_se, 1e-9)
    return min((sigma / spread) ** 2, 1e12)


@compiled
def _section_shape(residual: Any, place: Any, m: int, bins: int, shape: Any, buffer: Any) -> None:
    """Median residual at each distance from the edge: ruts and lips, which aren't outliers."""
    count = np.zeros(bins + 1, dtype=np.int64)
    for r in range(m):
        count[place[r] + 1] += 1
    for b in range(bins):
        count[b + 1] += count[b]
    fill = count.copy()
    for r in range(m):
        b = place[r]
        buffer[fill[b]] = residual[r]
        fill[b] += 1
    for b in range(bins):
        if count[b + 1] - count[b] >= 5:
            shape[b] = np.median(buffer[count[b] : count[b + 1]])
        else:
            shape[b] = 0.0


@compiled
def fit_windows(
    station_s: Any,
    first: Any,
    last: Any,
    half_m: Any,
    s: Any,
    z: Any,
    basis: Any,
    width: Any,
    usable: Any,
    sigma: Any,
    hinge_se: Any,
    scatter_at: Any,
    correlation_m: Any,
    nugget: Any,
    keep_weights: bool,
    weights_out: Any,
    beta: Any,
    covariance: Any,
    scatter: Any,
    lever: Any,
    tally: Any,
) -> None:
    """Fit pavement, edge step, shoulder and foreslope to the cells of every window.

    Parameters
    ----------
    station_s, first, last, half_m, sigma, hinge_se : (n,)
        Middle of each window, its cells as a slice of the sorted arrays, half its length, the
        noise there, and how well the hinge is known.
    s, z, width, usable : (m,)
        Cells of one side sorted along the road; shoulder width at each; False = leave out.
    basis : (7, m)
        Per cell: x, smeared ramp and step at the edge, smeared ramp at the hinge, smeared
        step at the hinge, smeared impulse at the edge, place across (bin number).
    scatter_at : (n,) bool
        Windows whose covariance is to be summed with the correlation of the noise.
    beta, covariance, scatter : (n, 9), (n, 9, 9), (n, 9, 9)
        Results: parameters; their covariance for white noise of unit variance; and where asked
        that for noise with the given correlation.
    lever : (n, 9)
        Change of the parameters per metre of error of the edge's place.
    tally : (n, 8)
        Cells on the shoulder, on the pavement, beyond the hinge; share of shoulder cells
        left out; robust scatter of shoulder residuals; the same with the section's own shape
        taken out; covered share of the window's length; scatter of pavement residuals.
    """
    p = COLUMNS
    n = station_s.size
    most = 1
    for i in range(n):
        most = max(most, last[i] - first[i])
    design = np.empty((most, p))
    y = np.empty(most)
    residual = np.empty(most)
    weight = np.empty(most)
    place = np.empty(most, dtype=np.int64)
    index = np.empty(most, dtype=np.int64)
    buffer = np.empty(most)
    shape = np.zeros(512)
    normal = np.empty((p, p))
    inverse = np.empty((p, p))
    work = np.empty((p, p))
    b = np.empty(p)
    slots = 40
    seen = np.zeros(slots)
    for i in range(n):
        for k in range(tally.shape[1]):
            tally[i, k] = 0.0
        m = 0
        half = half_m[i]
        mean = 0.0
        low = 1 << 30
        high = 0
        for c in range(first[i], last[i]):
            if usable[c]:
                _row(design[m], (s[c] - station_s[i]) / half, basis, c)
                y[m] = z[c]
                mean += z[c]
                index[m] = c
                place[m] = int(basis[6, c])
                low = min(low, place[m])
                high = max(high, place[m])
                m += 1
        if m < p + 4:
            for j in range(p):
                beta[i, j] = np.nan
            continue
        mean /= m
        bins = min(high - low + 1, 512)
        for r in range(m):
            y[r] -= mean
            weight[r] = 1.0
            place[r] = min(place[r] - low, 511)
        tight = _tightness(sigma[i], 0.2, hinge_se[i])
        good = _solve(design, y, weight, m, tight, b, inverse, normal, work)
        scale = sigma[i]
        # Two rounds of bounded influence bring the planes off cars and bushes, three rounds
        # then reject what is far off, measured from the section's own shape.
        for round_ in range(5):
            if not good:
                break
            for r in range(m):
                fitted = 0.0
                for j in range(p):
                    fitted += design[r, j] * b[j]
                residual[r] = y[r] - fitted
            if round_ >= 1:
                _section_shape(residual, place, m, bins, shape, buffer)
                for r in range(m):
                    buffer[r] = abs(residual[r] - shape[place[r]])
            else:
                for r in range(m):
                    buffer[r] = abs(residual[r])
            if round_ == 1:
                tight = _tightness(sigma[i], b[_KINK], hinge_se[i])
            scale = max(sigma[i], 1.4826 * np.median(buffer[:m]), 1e-6)
            largest = 0.0
            for r in range(m):
                size = buffer[r] / scale
                if round_ < 2:
                    new = 1.0 if size <= 2.5 else 2.5 / size
                elif size <= 3.5:
                    new = 1.0
                elif size >= 6.0:
                    new = 0.0
                else:
                    new = (1.0 - ((size - 3.5) / 2.5) ** 2) ** 2
                largest = max(largest, abs(new - weight[r]))
                weight[r] = new
            if largest < 1e-3 and round_ >= 2:
                break
            good = _solve(design, y, weight, m, tight, b, inverse, normal, work)
        if not good:
            for j in range(p):
                beta[i, j] = np.nan
            continue
        for j in range(p):
            beta[i, j] = b[j]
            for k in range(p):
                covariance[i, j, k] = inverse[j, k]
        beta[i, 0] += mean
        # Where the edge lies elsewhere than assumed by d, the ground differs from the model by
        # d times its derivative; the fit turns that into an error of the parameters.
        pull = np.zeros(p)
        for r in range(m):
            c = index[r]
            change = -b[3] - b[5] * basis[2, c] + b[6] * basis[5, c]
            for j in range(p):
                pull[j] += weight[r] * design[r, j] * change
        for j in range(p):
            total = 0.0
            for k in range(p):
                total += inverse[j, k] * pull[k]
            lever[i, j] = total
        # Counts and residuals.
        for k in range(slots):
            seen[k] = 0.0
        on = 0
        for r in range(m):
            c = index[r]
            x = basis[0, c]
            fitted = 0.0
            for j in range(p):
                fitted += design[r, j] * b[j]
            residual[r] = y[r] - fitted
            if x < 0.0:
                tally[i, 1] += 1.0
            elif x <= width[c]:
                tally[i, 0] += 1.0
                if weight[r] < 0.5:
                    tally[i, 3] += 1.0
                else:
                    slot = int((design[r, 1] + 1.0) * 0.5 * slots)
                    seen[min(max(slot, 0), slots - 1)] = 1.0
            else:
                tally[i, 2] += 1.0
        _section_shape(residual, place, m, bins, shape, buffer)
        for r in range(m):
            c = index[r]
            if basis[0, c] >= 0.0 and basis[0, c] <= width[c]:
                buffer[on] = abs(residual[r])
                on += 1
        if on > 0:
            tally[i, 3] /= on
            tally[i, 4] = 1.4826 * np.median(buffer[:on])
            on = 0
            for r in range(m):
                c = index[r]
                if basis[0, c] >= 0.0 and basis[0, c] <= width[c]:
                    buffer[on] = abs(residual[r] - shape[place[r]])
                    on += 1
            tally[i, 5] = 1.4826 * np.median(buffer[:on])
        # Share of the window's length with shoulder cells; slots shorter than the cells'
        # own spacing along the road would stay empty for no fault of the ground.
        tally[i, 6] = seen.sum() / slots
        on = 0
        for r in range(m):
            if basis[0, index[r]] < 0.0:
                buffer[on] = abs(residual[r])
                on += 1
        if on > 0:
            tally[i, 7] = 1.4826 * np.median(buffer[:on])
        if keep_weights:
            for r in range(m):
                weights_out[index[r]] = min(weights_out[index[r]], weight[r])
        if scatter_at[i]:
            _scatter(design, weight, index, s, basis, m, correlation_m[i], nugget[i], normal)
            normal[_SHIFT, _SHIFT] += tight
            for j in range(p):
                for k in range(p):
                    total = 0.0
                    for a in range(p):
                        part = 0.0
                        for q in range(p):
                            part += normal[a, q] * inverse[q, k]
                        total += inverse[j, a] * part
                    scatter[i, j, k] = total


@compiled
def _scatter(
    design: Any,
    weight: Any,
    index: Any,
    s: Any,
    basis: Any,
    m: int,
    correlation_m: float,
    nugget: float,
    out: Any,
) -> None:
    """Sum X'W C W X over all pairs of cells closer than five correlation lengths."""
    p = COLUMNS
    reach = 5.0 * correlation_m
    pull = np.empty(p)
    for j in range(p):
        for k in range(p):
            out[j, k] = 0.0
    for r in range(m):
        if weight[r] <= 0.0:
            continue
        for j in range(p):
            pull[j] = 0.5 * weight[r] * design[r, j]
        sr = s[index[r]]
        xr = basis[0, index[r]]
        for q in range(r + 1, m):
            ds = s[index[q]] - sr
            if ds > reach:
                break
            dx = basis[0, index[q]] - xr
            d = np.sqrt(ds * ds + dx * dx)
            if d < reach:
                c = (1.0 - nugget) * np.exp(-d / correlation_m) * weight[q]
                for j in range(p):
                    pull[j] += c * design[q, j]
        # half of the diagonal and one of each pair, made whole by adding the transpose
        for j in range(p):
            wx = weight[r] * design[r, j]
            for k in range(p):
                out[j, k] += wx * pull[k]
    for j in range(p):
        for k in range(j + 1):
            total = out[j, k] + out[k, j]
            out[j, k] = total
            out[k, j] = total


@compiled
def correlated_scatter(design: Any, s: Any, u: Any, correlation_m: float, nugget: float) -> Any:
    """Return X'CX for a design whose rows lie at (s, u), sorted by s."""
    m, p = design.shape
    out = np.zeros((p, p))
    reach = 5.0 * correlation_m
    pull = np.empty(p)
    for r in range(m):
        for j in range(p):
            pull[j] = 0.5 * design[r, j]
        for q in range(r + 1, m):
            ds = s[q] - s[r]
            if ds > reach:
                break
            d = np.sqrt(ds * ds + (u[q] - u[r]) ** 2)
            if d < reach:
                c = (1.0 - nugget) * np.exp(-d / correlation_m)
                for j in range(p):
                    pull[j] += c * design[q, j]
        for j in range(p):
            for k in range(p):
                out[j, k] += design[r, j] * pull[k]
    return out + out.T


@compiled
def section_means(
    station_s: Any,
    first: Any,
    last: Any,
    s: Any,
    x: Any,
    z: Any,
    weight: Any,
    edge_z: Any,
    grade: Any,
    curve: Any,
    half_m: Any,
    u: Any,
    reach_m: float,
    height: Any,
    spread: Any,
) -> None:
    """Average the ground of each window, relative to the pavement plane at the edge.

    A straight line is fitted through the cells within `reach_m` of each distance `u`, so that
    cells that lie to one side of it don't tilt the answer. `spread` gets the factor by which
    the noise of a single cell is to be multiplied.
    """
    n = station_s.size
    k = u.size
    step = u[1] - u[0]
    sums = np.empty((k, 8))
    for i in range(n):
        for j in range(k):
            for q in range(8):
                sums[j, q] = 0.0
            height[i, j] = np.nan
            spread[i, j] = np.nan
        if not np.isfinite(edge_z[i]):
            continue
        for c in range(first[i], last[i]):
            w = weight[c]
            if w <= 0.0:
                continue
            t = s[c] - station_s[i]
            along = t / half_m[i]
            value = z[c] - edge_z[i] - grade[i] * t - curve[i] * (along * along - 1.0 / 3.0)
            low = int(np.ceil((x[c] - reach_m - u[0]) / step))
            high = int(np.floor((x[c] + reach_m - u[0]) / step))
            for j in range(max(low, 0), min(high, k - 1) + 1):
                d = x[c] - u[j]
                v = w * (1.0 - abs(d) / reach_m)
                sums[j, 0] += v
                sums[j, 1] += v * d
                sums[j, 2] += v * d * d
                sums[j, 3] += v * value
                sums[j, 4] += v * d * value
                sums[j, 5] += v * v
                sums[j, 6] += v * v * d
                sums[j, 7] += v * v * d * d
        for j in range(k):
            total = sums[j, 0]
            if total < 1e-9:
                continue
            centre = sums[j, 1] / total
            across = sums[j, 2] / total - centre * centre
            mean = sums[j, 3] / total
            if across > 1e-3 * reach_m * reach_m:
                slope = (sums[j, 4] / total - centre * mean) / across
                height[i, j] = mean - slope * centre
                # each cell counts v / total * (p - q d)
                q = centre / across
                p = 1.0 + q * centre
                square = p * p * sums[j, 5] - 2.0 * p * q * sums[j, 6] + q * q * sums[j, 7]
                spread[i, j] = np.sqrt(max(square, 0.0)) / total
            elif abs(centre) < 0.6 * step:
                height[i, j] = mean
                spread[i, j] = np.sqrt(sums[j, 5]) / total
