"""Compiled loops of the robust fits; imported only when something is really measured.

The functions compute and check nothing: `analysis.shoulder.regression` prepares their arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled
from analysis.shoulder.matrix_kernels import cholesky_inverse, log_det

__all__ = ["COLUMNS", "MOST_KNOTS", "fit_windows"]

# Columns of the design: height at the edge, grade, vertical curve, pavement slope, its change
# along the road, kink at the edge, step at the edge, kink at the hinge, step at the hinge.
COLUMNS = 9
_KINK, _STEP, _HINGE, _SHIFT = 5, 6, 7, 8
# What the step at the hinge is for: a hinge that lies elsewhere than assumed looks like one, to
# first order. Its size is kept small by how well the hinge is known.

MOST_KNOTS = 8
# Knots across the shoulder carry what isn't straight: ruts, lips, washed-out edges.


@compiled
def _ramp(x: float, wide: float, narrow: float) -> float:
    """Smeared ramp of `analysis.corridor.footprint`, one value."""
    far = 0.5 * (wide + narrow)
    if x <= -far:
        return 0.0
    if x >= far:
        return x
    if narrow < 1e-4:
        if wide < 1e-4:
            return max(x, 0.0)
        return 0.5 * (x + 0.5 * wide) ** 2 / wide
    near = 0.5 * (wide - narrow)
    total = (x + far) ** 3
    if x + near > 0.0:
        total -= (x + near) ** 3
    if x - near > 0.0:
        total -= (x - near) ** 3
    return total / (6.0 * wide * narrow)


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
def _normal_equations(design: Any, y: Any, weight: Any, m: int, p: int, a: Any, b: Any) -> None:
    for i in range(p):
        b[i] = 0.0
        for j in range(i + 1):
            a[i, j] = 0.0
    for r in range(m):
        w = weight[r]
        if w <= 0.0:
            continue
        for i in range(p):
            wx = w * design[r, i]
            if wx == 0.0:
                continue
            b[i] += wx * y[r]
            for j in range(i + 1):
                a[i, j] += wx * design[r, j]
    # A column without data (no cell beyond the hinge) must not sink the others: a prior of
    # next to no weight keeps the matrix regular and gives that column a huge variance.
    for i in range(p):
        a[i, i] += 1e-9 * (a[i, i] + 1.0)
        for j in range(i):
            a[j, i] = a[i, j]


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
    right = np.empty(p)
    _normal_equations(design, y, weight, m, p, normal, right)
    normal[_SHIFT, _SHIFT] += tight
    if not cholesky_inverse(normal, inverse, work):
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
def _robust(
    design: Any,
    y: Any,
    place: Any,
    m: int,
    bins: int,
    sigma: float,
    hinge_se: float,
    weight: Any,
    b: Any,
    inverse: Any,
    normal: Any,
    work: Any,
    residual: Any,
    buffer: Any,
    shape: Any,
) -> float:
    """Weigh the cells of a window; return the prior's weight on the hinge step, or -1.

    Two rounds of bounded influence bring the planes off cars and bushes, three rounds then
    reject what is far off, measured from the section's own shape: a rut that runs along the
    road is not an outlier.
    """
    tight = _tightness(sigma, 0.2, hinge_se)
    for r in range(m):
        weight[r] = 1.0
    if not _solve(design, y, weight, m, tight, b, inverse, normal, work):
        return -1.0
    for round_ in range(5):
        for r in range(m):
            fitted = 0.0
            for j in range(COLUMNS):
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
            tight = _tightness(sigma, b[_HINGE], hinge_se)
        scale = max(sigma, 1.4826 * np.median(buffer[:m]), 1e-6)
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
        if not _solve(design, y, weight, m, tight, b, inverse, normal, work):
            return -1.0
    return tight


@compiled
def _knot_columns(
    design: Any, basis: Any, box: Any, index: Any, m: int, knots: int, gap: float
) -> None:
    """Add a smeared hat at each knot to the design."""
    for r in range(m):
        c = index[r]
        x = basis[0, c]
        reach = 0.5 * (box[c, 0] + box[c, 1])
        for k in range(knots):
            middle = (k + 1) * gap
            if x <= middle - gap - reach or x >= middle + gap + reach:
                design[r, COLUMNS + k] = 0.0
                continue
            d = x - middle
            design[r, COLUMNS + k] = (
                _ramp(d + gap, box[c, 0], box[c, 1])
                - 2.0 * _ramp(d, box[c, 0], box[c, 1])
                + _ramp(d - gap, box[c, 0], box[c, 1])
            ) / gap


@compiled
def _straight_parts(knots: int, gap: float, part: Any) -> None:
    """Slope and height at the edge of the least-squares line through each hat.

    Integrals over the whole width w of the shoulder, in closed form: a hat of height 1 about
    c has area `gap` and first moment `gap * c`.
    """
    w = (knots + 1) * gap
    for k in range(knots):
        c = (k + 1) * gap
        part[k, 0] = 12.0 * gap * (c - 0.5 * w) / w**3
        part[k, 1] = gap / w - 0.5 * w * part[k, 0]


@compiled
def fit_windows(
    station_s: Any,
    first: Any,
    last: Any,
    half_m: Any,
    s: Any,
    z: Any,
    basis: Any,
    box: Any,
    width: Any,
    usable: Any,
    sigma: Any,
    hinge_se: Any,
    station_width: Any,
    knot_m: float,
    rough: Any,
    shape_inflation: Any,
    scatter_at: Any,
    correlation_m: Any,
    nugget: Any,
    weights_out: Any,
    beta: Any,
    covariance: Any,
    scatter: Any,
    lever: Any,
    knots_out: Any,
    knots_cov: Any,
    knot_count: Any,
    tally: Any,
) -> None:
    """Fit pavement, edge step, shoulder and foreslope to the cells of every window.

    The shoulder is a straight line plus knots whose heights scatter about it by an unknown
    amount. Several amounts (`rough`), none among them, are weighed by how well they explain
    the cells; a straight shoulder so costs no precision, and a rutted one doesn't pull its
    line aside. The parameters handed out are those of the least-squares line through the
    shoulder's whole shape.

    Parameters
    ----------
    station_s, first, last, half_m, sigma, hinge_se, station_width : (n,)
        Middle of each window, its cells as a slice of the sorted arrays, half its length, the
        noise there, how well the hinge is known, and the width of the shoulder.
    s, z, width, usable : (m,)
        Cells of one side sorted along the road; shoulder width at each; False = leave out.
    basis : (7, m)
        Per cell: x, smeared ramp and step at the edge, smeared ramp at the hinge, smeared
        step at the hinge, smeared impulse at the edge, place across (bin number).
    box : (m, 2)
        Box widths of each cell, the wider first.
    knot_m : float
        Least distance of knots.
    rough : (q, 2)
        Amounts in metres and their prior probabilities; the first is 0.
    shape_inflation : (n,)
        Variance of a mean along the window over that of white noise.
    scatter_at : (n,) bool
        Windows whose covariance is to be summed with the correlation of the noise.
    weights_out : (m,)
        Lowered to the least weight that any window gave a cell.
    beta, covariance, scatter : (n, 9), (n, 9, 9), (n, 9, 9)
        Results: parameters; their covariance for white noise of unit variance; and where asked
        that for noise with the given correlation.
    lever : (n, 9)
        Change of the parameters per metre of error of the edge's place.
    knots_out, knots_cov, knot_count : (n, MOST_KNOTS), (n, MOST_KNOTS, MOST_KNOTS), (n,)
        Heights of the knots over the line from edge to hinge, metres, and their covariance
        for white noise, metres squared.
    tally : (n, 8)
        Cells on the shoulder, on the pavement, beyond the hinge; share of shoulder cells
        left out; robust scatter of shoulder residuals; the same with the section's own shape
        taken out; covered share of the window's length; scatter of pavement residuals.
    """
    n = station_s.size
    most = 1
    for i in range(n):
        most = max(most, last[i] - first[i])
    design = np.empty((most, COLUMNS + MOST_KNOTS))
    y = np.empty(most)
    residual = np.empty(most)
    weight = np.empty(most)
    place = np.empty(most, dtype=np.int64)
    index = np.empty(most, dtype=np.int64)
    buffer = np.empty(most)
    shape = np.zeros(512)
    normal = np.empty((COLUMNS, COLUMNS))
    inverse = np.empty((COLUMNS, COLUMNS))
    work = np.empty((COLUMNS, COLUMNS))
    b = np.empty(COLUMNS)
    for i in range(n):
        for j in range(COLUMNS):
            beta[i, j] = np.nan
        for k in range(tally.shape[1]):
            tally[i, k] = 0.0
        knot_count[i] = 0
        m = 0
        mean = 0.0
        low = 1 << 30
        high = 0
        for c in range(first[i], last[i]):
            if usable[c]:
                _row(design[m], (s[c] - station_s[i]) / half_m[i], basis, c)
                y[m] = z[c]
                mean += z[c]
                index[m] = c
                place[m] = int(basis[6, c])
                low = min(low, place[m])
                high = max(high, place[m])
                m += 1
        if m < COLUMNS + 4:
            continue
        mean /= m
        for r in range(m):
            y[r] -= mean
            place[r] = min(place[r] - low, 511)
        bins = min(high - low + 1, 512)
        tight = _robust(
            design, y, place, m, bins, sigma[i], hinge_se[i],
            weight, b, inverse, normal, work, residual, buffer, shape,
        )  # fmt: skip
        if tight < 0.0:
            continue
        _tally(
            design, y, b, weight, place, index, basis, width, m, bins,
            residual, buffer, shape, tally[i],
        )  # fmt: skip
        for r in range(m):
            weights_out[index[r]] = min(weights_out[index[r]], weight[r])
        knots = int(station_width[i] / knot_m + 0.3) - 1
        knots = min(max(knots, 0), MOST_KNOTS)
        gap = station_width[i] / (knots + 1.0)
        knot_count[i] = knots
        _knot_columns(design, basis, box, index, m, knots, gap)
        good = _weigh_shapes(
            design, y, weight, index, basis, s, m, knots, gap, tight, b, sigma[i], rough,
            shape_inflation[i], scatter_at[i], correlation_m[i], nugget[i], beta[i],
            covariance[i], scatter[i], lever[i], knots_out[i], knots_cov[i],
        )  # fmt: skip
        if good:
            beta[i, 0] += mean
        else:
            beta[i, 0] = np.nan


@compiled
def _weigh_shapes(
    design: Any,
    y: Any,
    weight: Any,
    index: Any,
    basis: Any,
    s: Any,
    m: int,
    knots: int,
    gap: float,
    tight: float,
    b: Any,
    sigma: float,
    rough: Any,
    inflation: float,
    exact: bool,
    correlation_m: float,
    nugget: float,
    beta: Any,
    covariance: Any,
    scatter: Any,
    lever: Any,
    knots_out: Any,
    knots_cov: Any,
) -> bool:
    """Solve with every amount of roughness and mix the answers by their evidence."""
    p = COLUMNS + knots
    amounts = rough.shape[0] if knots > 0 else 1
    base = np.empty((p, p))
    right = np.empty(p)
    _normal_equations(design, y, weight, m, p, base, right)
    base[_SHIFT, _SHIFT] += tight
    # where the edge lies elsewhere than assumed by d, the ground differs from the model by d
    # times its derivative
    pull = np.zeros(p)
    for r in range(m):
        c = index[r]
        change = -b[3] - b[_KINK] * basis[2, c] + b[_STEP] * basis[5, c]
        for j in range(p):
            pull[j] += weight[r] * design[r, j] * change
    to_line = np.zeros((COLUMNS, p))
    part = np.zeros((MOST_KNOTS, 2))
    _straight_parts(knots, gap, part)
    for j in range(COLUMNS):
        to_line[j, j] = 1.0
    for k in range(knots):
        to_line[_KINK, COLUMNS + k] = part[k, 0]
        to_line[_STEP, COLUMNS + k] = -part[k, 1]
        to_line[_HINGE, COLUMNS + k] = -part[k, 0]
    inverses = np.empty((amounts, p, p))
    answers = np.empty((amounts, p))
    share = np.empty(amounts)
    a = np.empty((p, p))
    work = np.empty((p, p))
    for q in range(amounts):
        for i in range(p):
            for j in range(p):
                a[i, j] = base[i, j]
        penalty = 1e12 if rough[q, 0] <= 0.0 else (sigma / rough[q, 0]) ** 2
        for k in range(COLUMNS, p):
            a[k, k] += penalty
        if not cholesky_inverse(a, inverses[q], work):
            return False
        gain = 0.0
        for i in range(p):
            total = 0.0
            for j in range(p):
                total += inverses[q, i, j] * right[j]
            answers[q, i] = total
            gain += total * right[i]
        share[q] = 0.5 * gain / (sigma * sigma * inflation) + np.log(rough[q, 1])
        # log of |inverse| * |prior precision|, for the knots alone
        share[q] += 0.5 * (log_det(inverses[q], a) + knots * np.log(penalty))
    top = share.max()
    total = 0.0
    best = 0
    for q in range(amounts):
        if share[q] == top:
            best = q
        share[q] = np.exp(share[q] - top)
        total += share[q]
    lines = np.zeros((amounts, COLUMNS))
    for j in range(COLUMNS):
        beta[j] = 0.0
        lever[j] = 0.0
        for k in range(COLUMNS):
            covariance[j, k] = 0.0
    for k in range(MOST_KNOTS):
        knots_out[k] = 0.0
        for j in range(MOST_KNOTS):
            knots_cov[k, j] = 0.0
    unit = sigma * sigma
    for q in range(amounts):
        share[q] /= total
        lines[q] = to_line @ answers[q]
        beta += share[q] * lines[q]
        covariance += share[q] * (to_line @ inverses[q] @ to_line.T)
        lever += share[q] * (to_line @ (inverses[q] @ pull))
        for k in range(knots):
            knots_out[k] += share[q] * answers[q, COLUMNS + k]
            for j in range(knots):
                knots_cov[k, j] += share[q] * inverses[q, COLUMNS + k, COLUMNS + j] * unit
    extra = np.zeros((COLUMNS, COLUMNS))
    for q in range(amounts):
        for j in range(COLUMNS):
            for k in range(COLUMNS):
                extra[j, k] += share[q] * (lines[q, j] - beta[j]) * (lines[q, k] - beta[k]) / unit
        for k in range(knots):
            for j in range(knots):
                knots_cov[k, j] += (
                    share[q]
                    * (answers[q, COLUMNS + k] - knots_out[k])
                    * (answers[q, COLUMNS + j] - knots_out[j])
                )
    if exact:
        middle = np.zeros((p, p))
        _scatter(design, weight, index, s, basis, m, p, correlation_m, nugget, middle)
        middle[_SHIFT, _SHIFT] += tight
        if rough[best, 0] > 0.0:
            for k in range(COLUMNS, p):
                middle[k, k] += (sigma / rough[best, 0]) ** 2
        left = to_line @ inverses[best]
        scatter[:, :] = left @ middle @ left.T + extra
    covariance += extra
    return True


@compiled
def _tally(
    design: Any,
    y: Any,
    b: Any,
    weight: Any,
    place: Any,
    index: Any,
    basis: Any,
    width: Any,
    m: int,
    bins: int,
    residual: Any,
    buffer: Any,
    shape: Any,
    out: Any,
) -> None:
    """Count the cells of a window and how far they scatter; see `fit_windows`."""
    slots = 40
    seen = np.zeros(slots)
    on = 0
    for r in range(m):
        c = index[r]
        x = basis[0, c]
        fitted = 0.0
        for j in range(COLUMNS):
            fitted += design[r, j] * b[j]
        residual[r] = y[r] - fitted
        if x < 0.0:
            out[1] += 1.0
        elif x <= width[c]:
            out[0] += 1.0
            if weight[r] < 0.5:
                out[3] += 1.0
            else:
                slot = int((design[r, 1] + 1.0) * 0.5 * slots)
                seen[min(max(slot, 0), slots - 1)] = 1.0
        else:
            out[2] += 1.0
    _section_shape(residual, place, m, bins, shape, buffer)
    for r in range(m):
        c = index[r]
        if basis[0, c] >= 0.0 and basis[0, c] <= width[c]:
            buffer[on] = abs(residual[r])
            on += 1
    if on > 0:
        out[3] /= on
        out[4] = 1.4826 * np.median(buffer[:on])
        on = 0
        for r in range(m):
            c = index[r]
            if basis[0, c] >= 0.0 and basis[0, c] <= width[c]:
                buffer[on] = abs(residual[r] - shape[place[r]])
                on += 1
        out[5] = 1.4826 * np.median(buffer[:on])
    # the road is cut into slots; with coarse cells some stay empty for no fault of the ground
    out[6] = seen.sum() / slots
    on = 0
    for r in range(m):
        if basis[0, index[r]] < 0.0:
            buffer[on] = abs(residual[r])
            on += 1
    if on > 0:
        out[7] = 1.4826 * np.median(buffer[:on])


@compiled
def _scatter(
    design: Any,
    weight: Any,
    index: Any,
    s: Any,
    basis: Any,
    m: int,
    p: int,
    correlation_m: float,
    nugget: float,
    out: Any,
) -> None:
    """Sum X'W C W X over all pairs of cells closer than five correlation lengths."""
    reach = 5.0 * correlation_m
    pull = np.empty(p)
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
