"""Compiled loops of the robust fits; imported only when something is really measured.

The functions compute and check nothing: `analysis.shoulder.regression` prepares their arrays.
All that `fit_windows` calls stands here, because the compiler keeps its work by the date of one
file: a kernel kept from before wouldn't see that what it calls in another file has changed.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from analysis.common.compiled import compiled, compiled_sums
from analysis.shoulder.strip import Strip, Windows

__all__ = ["Expected", "Fits", "Ways", "blank_fits", "cholesky_inverse", "fit_windows"]

# Columns of the design: height at the edge, grade, vertical curve, pavement slope, its change
# along the road, kink at the edge, step at the edge, kink at the hinge, step at the hinge.
COLUMNS = 9
# Kink, step and hinge stand in a row.
_KINK, _STEP, _HINGE, _SHIFT = 5, 6, 7, 8
# What the step at the hinge is for: a hinge that lies elsewhere than assumed looks like one, to
# first order. Its size is kept small by how well the hinge is known.

MOST_KNOTS = 8
# Knots across the shoulder carry what isn't straight.

_FEW = 8
# Where fewer than one cell in so many changes its weight, bringing sums after it is less work.

_CLOSE = 0.15
# A guess of the median is as good as this.

_SLOTS, _MOST_BINS = 40, 512
# A window is cut into so many slots along the road to see how much of it has cells, and into
# bins a cell wide across it: no strip of more than 35 mm cells has more than these.


class Expected(NamedTuple):
    """What is known of n windows before they are fitted.

    Attributes
    ----------
    sigma_m, edge_se_m, hinge_se_m, width_m : (n,)
        Noise of a cell, how well edge and hinge are known, width of the shoulder.
    inflation : (n,)
        Variance of a mean along the window over that of white noise.
    correlation_m, nugget : (n,)
        Of the noise.
    exact : (n,) bool
        Windows whose covariance is to be summed with the correlation of the noise.
    beat : (n,) bool
        Windows whose word on a cell's weight counts: they lie alike whatever stations there are.
    arc_se_m2 : (n,)
        How well the variance is known by which an arc smears the hinge; 0 = there is none.
    smear_se_m2 : float
        How well the variance of what smears the ground is known.
    """

    sigma_m: Any
    edge_se_m: Any
    hinge_se_m: Any
    width_m: Any
    inflation: Any
    correlation_m: Any
    nugget: Any
    exact: Any
    beat: Any
    arc_se_m2: Any
    smear_se_m2: float


class Ways(NamedTuple):
    """Other places of the edge in n windows, k of each.

    Attributes
    ----------
    edge, width : (n, k)
        Edge beyond that of the strip, width of the shoulder; NaN = not to be looked at.
    """

    edge: Any
    width: Any


class _Algebra(NamedTuple):
    """Work space for normal equations.

    Attributes
    ----------
    sums, right : (COLUMNS, COLUMNS), (COLUMNS,)
        Products of the design's columns with each other and with the heights, by the cells'
        weights; of the first only what lies below the diagonal and on it.
    normal, inverse, work : (COLUMNS, COLUMNS)
    """

    sums: Any
    right: Any
    normal: Any
    inverse: Any
    work: Any


class _Cells(NamedTuple):
    """The m usable cells of one window.

    Attributes
    ----------
    index, place : (m,) int
        Which cell of the strip, and in which bin across it lies.
    order, start : (m,), (bins + 1,) int
        The cells bin by bin, and where each bin begins among them.
    design, y, weight : (COLUMNS + MOST_KNOTS, m), (m,), (m,)
    residual, buffer, spare, impulse : (m,)
        The last is the smeared impulse at the edge.
    shape : (bins,)
        Median residual of each bin across.
    """

    index: Any
    place: Any
    order: Any
    start: Any
    design: Any
    y: Any
    weight: Any
    residual: Any
    buffer: Any
    spare: Any
    impulse: Any
    shape: Any


class _Planes(NamedTuple):
    """What the robust fit of a window says, and the knots that its shoulder gets.

    Attributes
    ----------
    b : (COLUMNS,)
    step : float
        Step at the edge, less what its noise and a misplaced kink make of it.
    tight : float
        Weight of the prior on the step at the hinge.
    sigma, inflation : float
        Noise of a cell; variance of a mean along the window over that of white noise.
    knots : int
    gap : float
        Distance of the knots.
    """

    b: Any
    step: float
    tight: float
    sigma: float
    inflation: float
    knots: int
    gap: float


class Fits(NamedTuple):
    """Results for n windows of a strip of m cells.

    Attributes
    ----------
    beta, covariance, scatter : (n, 9), (n, 9, 9), (n, 9, 9)
        Parameters; their covariance for white noise of unit variance; and where asked that for
        noise with the given correlation.
    lever : (n, 9)
        Change of the parameters per metre of error of the edge's place.
    blur, bow : (n, 9)
        What one standard error of the smear makes of each, and one of the arc at the hinge.
    knots, knots_cov, knot_count : (n, MOST_KNOTS), (n, MOST_KNOTS, MOST_KNOTS), (n,)
        Heights of the knots over the line from edge to hinge, metres, and their covariance
        for white noise, metres squared.
    tally : (n, 8)
        Cells on the shoulder, on the pavement, beyond the hinge; share of shoulder cells
        left out; robust scatter of shoulder residuals; the same with the section's own shape
        taken out; covered share of the window's length; scatter of pavement residuals.
    weight : (m,)
        Least weight that the window of any beat gave a cell.
    evidence : (n,)
        Log evidence of the fit, to be compared with that of another on the same cells.
    """

    beta: Any
    covariance: Any
    scatter: Any
    lever: Any
    blur: Any
    bow: Any
    knots: Any
    knots_cov: Any
    knot_count: Any
    tally: Any
    weight: Any
    evidence: Any


class _Answers(NamedTuple):
    """Solutions with each of q amounts of roughness, and how well each explains the cells.

    Roughness adds to the diagonal of the knots alone: with the other columns eliminated, a matrix
    of their size is left to be inverted for each (block inversion; Golub and Van Loan 2013, Matrix
    Computations, 2.1.4).

    Attributes
    ----------
    inner : (COLUMNS, COLUMNS)
        Inverse of the normal matrix without knots.
    lean : (COLUMNS, k)
        By how much the parameters give way to each knot.
    knots : (q, k, k)
        The knots' part of the inverse.
    beta, share : (q, COLUMNS + k), (q,)
    """

    inner: Any
    lean: Any
    knots: Any
    beta: Any
    share: Any


@compiled
def cholesky_inverse(a: Any, out: Any, work: Any) -> bool:
    """Invert a symmetric positive definite matrix; False where it isn't one."""
    return not np.isnan(_invert(a, out, work))


@compiled
def _invert(a: Any, out: Any, work: Any) -> float:
    """Invert as `cholesky_inverse` does; return the log determinant of `a`, NaN for none."""
    p, log_det = a.shape[0], 0.0
    for i in range(p):
        for j in range(i + 1):
            total = a[i, j]
            for k in range(j):
                total -= work[i, k] * work[j, k]
            if i == j:
                if total <= 1e-13 * a[i, i] or not total > 0.0:
                    return np.nan
                work[i, i] = np.sqrt(total)
                log_det += np.log(total)
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
    return log_det


@compiled_sums
def _sum_up(cells: _Cells, algebra: _Algebra) -> None:
    """Fill the sums of the first columns anew."""
    design, y, weight = cells.design, cells.y, cells.weight
    m = y.size
    weighted = cells.buffer
    for i in range(COLUMNS):
        right = 0.0
        for r in range(m):
            weighted[r] = weight[r] * design[i, r]
            right += weighted[r] * y[r]
        algebra.right[i] = right
        for j in range(i + 1):
            total = 0.0
            for r in range(m):
                total += weighted[r] * design[j, r]
            algebra.sums[i, j] = total


@compiled
def _reweigh(cells: _Cells, new: Any, algebra: _Algebra) -> None:
    """Take new weights, and bring the sums after them: after the first round few change."""
    design, y, weight = cells.design, cells.y, cells.weight
    changed = 0
    for r in range(y.size):
        changed += new[r] != weight[r]
    few = changed * _FEW < y.size
    for r in range(y.size):
        more = new[r] - weight[r]
        weight[r] = new[r]
        if few and more != 0.0:
            for i in range(COLUMNS):
                pulled = more * design[i, r]
                algebra.right[i] += pulled * y[r]
                for j in range(i + 1):
                    algebra.sums[i, j] += pulled * design[j, r]
    if not few:
        _sum_up(cells, algebra)


@compiled_sums
def _knot_sums(cells: _Cells, knots: int, a: Any, b: Any) -> None:
    """Fill the rows of the knots."""
    design, y, weight, weighted = cells.design, cells.y, cells.weight, cells.buffer
    for k in range(COLUMNS, COLUMNS + knots):
        right = 0.0
        for r in range(y.size):
            weighted[r] = weight[r] * design[k, r]
            right += weighted[r] * y[r]
        b[k] = right
        for j in range(k + 1):
            total = 0.0
            for r in range(y.size):
                total += weighted[r] * design[j, r]
            a[k, j] = total


@compiled
def _make_regular(a: Any) -> None:
    """Fill the upper half, and keep a column without data from sinking the others.

    A prior of next to no weight (no cell lies beyond the hinge, say) gives it a huge variance.
    """
    for i in range(a.shape[0]):
        a[i, i] += 1e-9 * (a[i, i] + 1.0)
        for j in range(i):
            a[j, i] = a[i, j]


def blank_fits(windows: int, cells: int) -> Fits:
    """Make room for the results of `fit_windows`."""
    unknown = np.full((windows, COLUMNS, COLUMNS), np.nan)
    return Fits(
        beta=unknown[:, 0].copy(),
        covariance=unknown,
        scatter=unknown.copy(),
        lever=unknown[:, 0].copy(),
        blur=np.zeros((windows, COLUMNS)),
        bow=np.zeros((windows, COLUMNS)),
        knots=np.zeros((windows, MOST_KNOTS)),
        knots_cov=np.zeros((windows, MOST_KNOTS, MOST_KNOTS)),
        knot_count=np.zeros(windows, dtype=np.int64),
        tally=np.zeros((windows, 8)),
        weight=np.ones(cells),
        evidence=np.full(windows, -np.inf),
    )


@compiled
def _row(design: Any, m: int, t: float, basis: Any, c: int) -> None:
    x = basis[0, c]
    design[0, m] = 1.0
    design[1, m] = t
    design[2, m] = t * t - 1.0 / 3.0
    design[3, m] = x
    design[4, m] = t * x
    design[5, m] = basis[1, c]
    design[6, m] = -basis[2, c]
    design[7, m] = basis[3, c]
    design[8, m] = basis[4, c]


@compiled
def _solve(tight: float, algebra: _Algebra, b: Any) -> bool:
    normal, inverse = algebra.normal, algebra.inverse
    normal[:] = algebra.sums
    _make_regular(normal)
    normal[_SHIFT, _SHIFT] += tight
    if not cholesky_inverse(normal, inverse, algebra.work):
        return False
    for i in range(COLUMNS):
        total = 0.0
        for j in range(COLUMNS):
            total += inverse[i, j] * algebra.right[j]
        b[i] = total
    return True


@compiled
def _tightness(sigma: float, kink: float, hinge_se: float) -> float:
    """Weight of the prior on the step at the hinge, in units of one cell."""
    spread = max(abs(kink) * hinge_se, 1e-9)
    return min((sigma / spread) ** 2, 1e12)


@compiled
def _residuals(cells: _Cells, b: Any) -> None:
    residual, design = cells.residual, cells.design
    residual[:] = cells.y
    for j in range(COLUMNS):
        for r in range(residual.size):
            residual[r] -= design[j, r] * b[j]


@compiled
def _sort_by_place(cells: _Cells) -> None:
    """Put the cells in order, bin by bin."""
    place, start = cells.place, cells.start
    start[:] = 0
    for r in range(place.size):
        start[place[r] + 1] += 1
    for b in range(start.size - 1):
        start[b + 1] += start[b]
    fill = start.copy()
    for r in range(place.size):
        cells.order[fill[place[r]]] = r
        fill[place[r]] += 1


@compiled
def _section_shape(cells: _Cells) -> None:
    """Median residual at each distance from the edge: ruts and lips, which aren't outliers.

    The cells of each bin are put in order of their residuals, which from one round to the next
    hardly changes.
    """
    order, residual = cells.order, cells.residual
    for b in range(cells.shape.size):
        first, n = cells.start[b], cells.start[b + 1] - cells.start[b]
        for i in range(first + 1, first + n):
            cell, j = order[i], i
            while j > first and residual[order[j - 1]] > residual[cell]:
                order[j] = order[j - 1]
                j -= 1
            order[j] = cell
        cells.shape[b] = 0.0
        if n >= 5:
            low, high = order[first + (n - 1) // 2], order[first + n // 2]
            cells.shape[b] = 0.5 * (residual[low] + residual[high])


@compiled
def _median_near(values: Any, guess: float, close: Any) -> float:
    """Median; those close to a good guess are few, and only they are put in order."""
    n, below, found = values.size, 0, 0
    low, high = (1.0 - _CLOSE) * guess, (1.0 + _CLOSE) * guess
    for i in range(n):
        below += values[i] < low
        close[found] = values[i]
        found += low <= values[i] <= high
    first, second = (n - 1) // 2 - below, n // 2 - below
    if first < 0 or second >= found:
        return float(np.median(values))
    part = np.sort(close[:found])
    return 0.5 * float(part[first] + part[second])


@compiled
def _influence(size: float, bounded: bool) -> float:
    """Weight of a cell that is off by so many times the scatter."""
    if bounded:
        return 1.0 if size <= 2.5 else 2.5 / size
    if size <= 3.5:
        return 1.0
    if size >= 6.0:
        return 0.0
    return (1.0 - ((size - 3.5) / 2.5) ** 2) ** 2


@compiled
def _robust(cells: _Cells, sigma: float, hinge_se: float, algebra: _Algebra, b: Any) -> float:
    """Weigh the cells of a window; return the prior's weight on the hinge step, or -1.

    Two rounds of bounded influence bring the planes off cars and bushes, three rounds then
    reject what is far off, measured from the section's own shape: a rut that runs along the
    road is not an outlier.
    """
    weight, buffer = cells.weight, cells.buffer
    tight = _tightness(sigma, 0.2, hinge_se)
    weight[:] = 1.0
    middle = sigma / 1.4826
    _sum_up(cells, algebra)
    if not _solve(tight, algebra, b):
        return -1.0
    for round_ in range(5):
        _residuals(cells, b)
        if round_ >= 1:
            _section_shape(cells)
            for r in range(weight.size):
                buffer[r] = abs(cells.residual[r] - cells.shape[cells.place[r]])
        else:
            for r in range(weight.size):
                buffer[r] = abs(cells.residual[r])
        if round_ == 1:
            tight = _tightness(sigma, b[_HINGE], hinge_se)
        middle = _median_near(buffer, middle, cells.spare)
        scale = max(sigma, 1.4826 * middle, 1e-6)
        largest = 0.0
        for r in range(weight.size):
            new = _influence(buffer[r] / scale, round_ < 2)
            largest = max(largest, abs(new - weight[r]))
            buffer[r] = new
        _reweigh(cells, buffer, algebra)
        if largest < 1e-3 and round_ >= 2:
            break
        if not _solve(tight, algebra, b):
            return -1.0
    return tight


@compiled
def fit_windows(
    windows: Windows,
    strip: Strip,
    expected: Expected,
    ways: Ways,
    shapes: Any,
    fits: Fits,
    others: Fits,
) -> None:
    """Fit pavement, edge step, shoulder and foreslope to the cells of every window.

    The shoulder is a straight line plus knots whose heights scatter about it by an unknown
    amount. Several amounts (`rough`), none among them, are weighed by how well they explain
    the cells; a straight shoulder so costs no precision, and a rutted one doesn't pull its
    line aside. The parameters handed out are those of the least-squares line through the
    shoulder's whole shape.

    Parameters
    ----------
    windows : Windows
    strip : Strip
        Cells that aren't `usable` are left out.
    expected : Expected
    ways : Ways
        Other places of the edge, fitted to the same cells with the same weights.
    shapes : (1 + q, 2)
        Least distance of knots; then amounts of roughness in metres and their prior
        probabilities, the first 0.
    fits, others : Fits
        Filled in; a window without enough cells gets NaN. The others have k rows for each window.
    """
    knot_m, rough = shapes[0, 0], shapes[1:]
    room = _room(windows)
    size = (COLUMNS, COLUMNS)
    right = np.empty(COLUMNS)
    algebra = _Algebra(np.zeros(size), right, np.empty(size), np.empty(size), np.empty(size))
    b = np.empty(COLUMNS)
    for i in range(windows.s.size):
        for j in range(COLUMNS):
            fits.beta[i, j] = np.nan
        for k in range(fits.tally.shape[1]):
            fits.tally[i, k] = 0.0
        fits.knot_count[i] = 0
        m, bins, mean = _gather(windows, strip, i, room)
        if m < COLUMNS + 4:
            continue
        cells = _part(room, m, bins)
        _sort_by_place(cells)
        sigma = expected.sigma_m[i]
        tight = _robust(cells, sigma, expected.hinge_se_m[i], algebra, b)
        if tight < 0.0:
            continue
        _tally(cells, strip, b, fits.tally[i])
        for r in range(m if expected.beat[i] else 0):
            c = cells.index[r]
            fits.weight[c] = min(fits.weight[c], cells.weight[r])
        correlation = np.array([expected.correlation_m[i], expected.nugget[i]])
        if not expected.exact[i]:
            correlation = correlation[:0]
        step = _step_beyond_noise(b, expected, i, algebra)
        planes = _lay_knots(cells, strip, b, step, tight, expected, i, expected.width_m[i], knot_m)
        smear_se = expected.smear_se_m2, expected.arc_se_m2[i]
        if _weigh_shapes(cells, strip, planes, rough, correlation, smear_se, algebra, fits, i):
            fits.beta[i, 0] += mean
        else:
            fits.beta[i, 0] = np.nan
            continue
        for k in range(ways.width.shape[1]):
            width = ways.width[i, k]
            if not width > 0.5 * knot_m:
                continue
            _lay_elsewhere(cells, strip, ways.edge[i, k], width)
            _sum_up(cells, algebra)
            if _solve(tight, algebra, b):
                step = _step_beyond_noise(b, expected, i, algebra)
                planes = _lay_knots(cells, strip, b, step, tight, expected, i, width, knot_m)
                row = i * ways.width.shape[1] + k
                alone = correlation[:0]
                if not _weigh_shapes(
                    cells, strip, planes, rough, alone, (0.0, 0.0), algebra, others, row
                ):
                    others.evidence[row] = -np.inf


@compiled
def _lay_knots(
    cells: _Cells,
    strip: Strip,
    b: Any,
    step: float,
    tight: float,
    expected: Expected,
    i: int,
    width: float,
    knot_m: float,
) -> _Planes:
    """Lay even knots across a shoulder of some width."""
    knots = min(max(int(width / knot_m + 0.3) - 1, 0), MOST_KNOTS)
    gap = width / (knots + 1.0)
    _knot_columns(cells, strip, knots, gap)
    return _Planes(b, step, tight, expected.sigma_m[i], expected.inflation[i], knots, gap)


@compiled
def _step_beyond_noise(b: Any, expected: Expected, i: int, algebra: _Algebra) -> float:
    """Step at the edge without what noise and a kink that lies elsewhere make of it, on average.

    Only a step that is there pulls at the slopes where its place is wrong: beside a flush edge
    that is hardly known, the noise of the step would widen the errors of slopes a second time.
    """
    by_noise = expected.sigma_m[i] ** 2 * expected.inflation[i] * algebra.inverse[_STEP, _STEP]
    by_kink = (b[_KINK] * expected.edge_se_m[i]) ** 2
    left = b[_STEP] ** 2 - by_noise - by_kink
    return float(np.sign(b[_STEP]) * np.sqrt(max(left, 0.0)))


@compiled
def _lay_elsewhere(cells: _Cells, strip: Strip, edge: float, width: float) -> None:
    """Set up the design for an edge that lies so far beyond the strip's, and a shoulder's width."""
    design = cells.design
    for r in range(cells.index.size):
        c = cells.index[r]
        x, wide, narrow = strip.x[c] - edge, strip.box[c, 0], strip.box[c, 1]
        design[3, r] = x
        design[4, r] = design[1, r] * x
        # away from the edge all of these are plain
        design[5, r] = max(x, 0.0)
        design[6, r] = -1.0 if x > 0.0 else 0.0
        cells.impulse[r] = 0.0
        if abs(x) < 0.5 * (wide + narrow) + 1e-4:
            design[5, r] = _ramp(x, wide, narrow)
            design[6, r] = -_step(x, wide, narrow)
            rise = _step(x + 1e-4, wide, narrow) - _step(x - 1e-4, wide, narrow)
            cells.impulse[r] = rise / 2e-4
        far_wide, far_narrow = strip.hinge_box[c, 0], strip.hinge_box[c, 1]
        design[7, r] = _ramp(x - width, far_wide, far_narrow)
        design[8, r] = _step(x - width, far_wide, far_narrow)


@compiled
def _room(windows: Windows) -> _Cells:
    """Make room for the cells of the fullest window."""
    most = 1
    for i in range(windows.s.size):
        most = max(most, windows.last[i] - windows.first[i])
    return _Cells(
        np.empty(most, dtype=np.int64),
        np.empty(most, dtype=np.int64),
        np.empty(most, dtype=np.int64),
        np.zeros(_MOST_BINS + 1, dtype=np.int64),
        np.empty(((COLUMNS + MOST_KNOTS) * most, 1)),
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.empty(most),
        np.zeros(_MOST_BINS),
    )


@compiled
def _columns(room: _Cells, m: int) -> Any:
    """Room for the columns of m cells, each of them in one piece."""
    whole = COLUMNS + MOST_KNOTS
    return room.design[: whole * m].reshape((whole, m))


@compiled
def _part(room: _Cells, m: int, bins: int) -> _Cells:
    """Take the first m cells."""
    return _Cells(
        room.index[:m],
        room.place[:m],
        room.order[:m],
        room.start[: bins + 1],
        _columns(room, m),
        room.y[:m],
        room.weight[:m],
        room.residual[:m],
        room.buffer[:m],
        room.spare[:m],
        room.impulse[:m],
        room.shape[:bins],
    )


@compiled
def _gather(windows: Windows, strip: Strip, i: int, room: _Cells) -> tuple[int, int, float]:
    """Take in the usable cells of a window: their number, bins across, mean height.

    Heights are then counted from the mean, which keeps the fit accurate.
    """
    count = 0
    for c in range(windows.first[i], windows.last[i]):
        count += strip.usable[c]
    design = _columns(room, count)
    m = 0
    mean = 0.0
    low = 1 << 30
    high = 0
    for c in range(windows.first[i], windows.last[i]):
        if strip.usable[c]:
            _row(design, m, (strip.s[c] - windows.s[i]) / windows.half_m[i], strip.basis, c)
            room.y[m] = strip.z[c]
            room.impulse[m] = strip.basis[5, c]
            mean += strip.z[c]
            room.index[m] = c
            room.place[m] = int(strip.basis[6, c])
            low = min(low, room.place[m])
            high = max(high, room.place[m])
            m += 1
    if m == 0:
        return 0, 0, 0.0
    mean /= m
    for r in range(m):
        room.y[r] -= mean
        room.place[r] = min(room.place[r] - low, _MOST_BINS - 1)
    return m, min(high - low + 1, _MOST_BINS), mean


@compiled
def _tally(cells: _Cells, strip: Strip, b: Any, out: Any) -> None:
    """Count the cells of a window and how far they scatter; see `Fits`."""
    seen = np.zeros(_SLOTS)
    _residuals(cells, b)
    for r in range(cells.index.size):
        c = cells.index[r]
        if strip.x[c] < 0.0:
            out[1] += 1.0
        elif strip.x[c] <= strip.width[c]:
            out[0] += 1.0
            if cells.weight[r] < 0.5:
                out[3] += 1.0
            else:
                slot = int((cells.design[1, r] + 1.0) * 0.5 * _SLOTS)
                seen[min(max(slot, 0), _SLOTS - 1)] = 1.0
        else:
            out[2] += 1.0
    _section_shape(cells)
    if out[0] > 0.0:
        out[3] /= out[0]
    out[4] = _robust_scatter(cells, strip, True, False)
    out[5] = _robust_scatter(cells, strip, True, True)
    # the road is cut into slots; with coarse cells some stay empty for no fault of the ground
    out[6] = seen.sum() / _SLOTS
    out[7] = _robust_scatter(cells, strip, False, False)


@compiled
def _robust_scatter(cells: _Cells, strip: Strip, on_shoulder: bool, shape_out: bool) -> float:
    """Robust scatter of the residuals on shoulder or pavement; 0 without cells."""
    on = 0
    for r in range(cells.index.size):
        c = cells.index[r]
        if on_shoulder:
            taken = strip.x[c] >= 0.0 and strip.x[c] <= strip.width[c]
        else:
            taken = strip.x[c] < 0.0
        if taken:
            off = cells.residual[r]
            if shape_out:
                off -= cells.shape[cells.place[r]]
            cells.buffer[on] = abs(off)
            on += 1
    return 1.4826 * np.median(cells.buffer[:on]) if on > 0 else 0.0


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
def _step(x: float, wide: float, narrow: float) -> float:
    """Smeared step of `analysis.corridor.footprint`, one value."""
    far = 0.5 * (wide + narrow)
    if x <= -far:
        return 0.0
    if x >= far:
        return 1.0
    if narrow < 1e-4:
        return (x + 0.5 * wide) / wide if wide >= 1e-4 else 0.5
    near = 0.5 * (wide - narrow)
    total = (x + far) ** 2 - max(x + near, 0.0) ** 2 - max(x - near, 0.0) ** 2
    return total / (2.0 * wide * narrow)


@compiled
def _knot_columns(cells: _Cells, strip: Strip, knots: int, gap: float) -> None:
    """Add a smeared hat at each knot to the design: second differences of ramps."""
    design, ramp = cells.design, np.empty(MOST_KNOTS + 2)
    for r in range(cells.index.size):
        c = cells.index[r]
        x, wide, narrow = design[3, r], strip.box[c, 0], strip.box[c, 1]
        reach = 0.5 * (wide + narrow)
        if x <= -reach or x >= (knots + 1) * gap + reach:
            for k in range(knots):
                design[COLUMNS + k, r] = 0.0
            continue
        for k in range(knots + 2):
            ramp[k] = _ramp(x - k * gap, wide, narrow)
        for k in range(knots):
            design[COLUMNS + k, r] = 0.0
            if k * gap - reach < x < (k + 2) * gap + reach:
                design[COLUMNS + k, r] = (ramp[k] - 2.0 * ramp[k + 1] + ramp[k + 2]) / gap


@compiled
def _parts_of_line(knots: int, gap: float) -> Any:
    """What each knot adds to kink, step and hinge of the least-squares line, (3, knots).

    That line goes through the shoulder's whole shape. The parts of a hat are integrals over the
    whole width w of the shoulder, in closed form: a hat of height 1 about c has area `gap` and
    first moment `gap * c`.
    """
    out = np.empty((3, knots))
    w = (knots + 1) * gap
    for k in range(knots):
        c = (k + 1) * gap
        slope = 12.0 * gap * (c - 0.5 * w) / w**3
        level = gap / w - 0.5 * w * slope
        out[0, k], out[1, k], out[2, k] = slope, -level, -slope
    return out


@compiled
def _to_line(knots: int, gap: float) -> Any:
    """What each parameter adds to the least-squares line through the whole shape."""
    out = np.zeros((COLUMNS, COLUMNS + knots))
    for j in range(COLUMNS):
        out[j, j] = 1.0
    out[_KINK : _KINK + 3, COLUMNS:] = _parts_of_line(knots, gap)
    return out


@compiled_sums
def _edge_pull(cells: _Cells, b: Any, step: float, p: int) -> Any:
    """Change of the right-hand side per metre of error of the edge's place.

    Where the edge lies elsewhere than assumed by d, the ground differs from the model by d
    times its derivative; `step` is what stands at the edge.
    """
    pull, change = np.zeros(p), cells.buffer
    for r in range(change.size):
        off = -b[3] + b[_KINK] * cells.design[_STEP, r] + step * cells.impulse[r]
        change[r] = cells.weight[r] * off
    for j in range(p):
        total = 0.0
        for r in range(change.size):
            total += cells.design[j, r] * change[r]
        pull[j] = total
    return pull


@compiled
def _smear_pull(
    cells: _Cells, strip: Strip, b: Any, edge_m2: float, hinge_m2: float, p: int
) -> Any:
    """Change of the right-hand side where the ground is smeared by one standard error more.

    At the edge by `edge_m2` of variance, at the hinge by `hinge_m2`: a smear has that of its two
    boxes, ``(wide**2 + narrow**2) / 12``.
    """
    pull = np.zeros(p)
    for r in range(cells.index.size):
        c = cells.index[r]
        wide, narrow = strip.box[c, 0], strip.box[c, 1]
        wider = np.sqrt(wide * wide + 6.0 * edge_m2)
        other = np.sqrt(narrow * narrow + 6.0 * edge_m2)
        reach = 0.5 * (wider + other)
        x = cells.design[3, r]
        beyond = x - strip.width[c]
        change = 0.0
        if edge_m2 > 0.0 and abs(x) < reach:
            change += b[_KINK] * (_ramp(x, wider, other) - cells.design[_KINK, r])
            change -= b[_STEP] * (_step(x, wider, other) + cells.design[_STEP, r])
        wide, narrow = strip.hinge_box[c, 0], strip.hinge_box[c, 1]
        wider = np.sqrt(wide * wide + 6.0 * hinge_m2)
        other = np.sqrt(narrow * narrow + 6.0 * hinge_m2)
        if abs(beyond) < 0.5 * (wider + other):
            change += b[_HINGE] * (_ramp(beyond, wider, other) - cells.design[_HINGE, r])
            change += b[_SHIFT] * (_step(beyond, wider, other) - cells.design[_SHIFT, r])
        if change != 0.0:
            for j in range(p):
                pull[j] += cells.weight[r] * cells.design[j, r] * change
    return pull


@compiled
def _solve_each(
    base: Any, right: Any, planes: _Planes, rough: Any, algebra: _Algebra, answers: _Answers
) -> bool:
    """Solve with every amount of roughness; False where a matrix can't be inverted.

    A share is of the log of ``|inverse| * |prior precision|``, but for what all amounts have in
    common.
    """
    inner, lean, knots = answers.inner, answers.lean, planes.knots
    algebra.normal[:] = base[:COLUMNS, :COLUMNS]
    inner_log = _invert(algebra.normal, inner, algebra.work)
    if np.isnan(inner_log):
        return False
    alone, rest = np.empty(COLUMNS), np.empty(knots)
    left, a, work = np.empty((3, knots, knots))
    gain = 0.0
    for i in range(COLUMNS):
        alone[i] = _sum_of_row(inner, i, right)
        gain += alone[i] * right[i]
        for k in range(knots):
            total = 0.0
            for j in range(COLUMNS):
                total += inner[i, j] * base[COLUMNS + k, j]
            lean[i, k] = total
    for k in range(knots):
        rest[k] = right[COLUMNS + k]
        for i in range(COLUMNS):
            rest[k] -= base[COLUMNS + k, i] * alone[i]
        for j in range(k + 1):
            total = base[COLUMNS + k, COLUMNS + j]
            for i in range(COLUMNS):
                total -= base[COLUMNS + k, i] * lean[i, j]
            left[k, j], left[j, k] = total, total
    for q in range(answers.share.size):
        penalty = 1e12 if rough[q, 0] <= 0.0 else (planes.sigma / rough[q, 0]) ** 2
        a[:] = left
        for k in range(knots):
            a[k, k] += penalty
        told, beta = answers.knots[q], answers.beta[q]
        log_det = _invert(a, told, work)
        if np.isnan(log_det):
            return False
        explained = gain
        beta[:COLUMNS] = alone
        for k in range(knots):
            height = _sum_of_row(told, k, rest)
            beta[COLUMNS + k] = height
            explained += height * rest[k]
            for i in range(COLUMNS):
                beta[i] -= lean[i, k] * height
        explained *= 0.5 / (planes.sigma**2 * planes.inflation)
        # log of |inverse| * |prior precision|, for the knots alone
        room = 0.5 * (knots * np.log(penalty) - inner_log - log_det)
        answers.share[q] = explained + np.log(rough[q, 1]) + room
    return True


@compiled
def _sum_of_row(matrix: Any, row: int, vector: Any) -> float:
    """Product of one row of a square matrix with a vector that may be longer."""
    total = 0.0
    for j in range(matrix.shape[1]):
        total += matrix[row, j] * vector[j]
    return total


@compiled
def _dot(left: Any, right: Any) -> float:
    total = 0.0
    for i in range(left.size):
        total += left[i] * right[i]
    return total


@compiled
def _times(matrix: Any, vector: Any) -> Any:
    """Product of a small matrix and a vector: a library's call takes longer than the sum."""
    out = np.empty(matrix.shape[0])
    for i in range(out.size):
        out[i] = _dot(matrix[i], vector)
    return out


@compiled
def _whole_inverse(answers: _Answers, knots: Any) -> Any:
    """Inverse of the whole normal matrix, from the knots' part of it."""
    inner, lean = answers.inner, answers.lean
    k = knots.shape[0]
    out = np.empty((COLUMNS + k, COLUMNS + k))
    out[COLUMNS:, COLUMNS:] = knots
    for i in range(COLUMNS):
        pulled = _times(knots, lean[i])
        out[i, COLUMNS:], out[COLUMNS:, i] = -pulled, -pulled
        for j in range(i + 1):
            out[i, j] = inner[i, j] + _dot(pulled, lean[j])
            out[j, i] = out[i, j]
    return out


@compiled
def _shares(evidence: Any) -> tuple[int, float]:
    """Turn log evidence into shares of one; the place of the greatest, and the whole evidence."""
    top = evidence.max()
    total = 0.0
    best = 0
    for q in range(evidence.size):
        if evidence[q] == top:
            best = q
        evidence[q] = np.exp(evidence[q] - top)
        total += evidence[q]
    for q in range(evidence.size):
        evidence[q] /= total
    return best, top + np.log(total)


@compiled
def _mix_lines(answers: _Answers, planes: _Planes, pulls: Any, fits: Fits, i: int) -> Any:
    """Mix the lines by their shares; how far they lie apart is returned, (9, 9).

    `pulls` are those of the edge's place, of the smear and of the hinge's arc.
    """
    amounts, knots = answers.share.size, planes.knots
    beta, lines = fits.beta[i], np.empty((amounts, COLUMNS))
    parts, mixed = _parts_of_line(knots, planes.gap), np.zeros((knots, knots))
    beta[:] = 0.0
    for q in range(amounts):
        share, line, told = answers.share[q], lines[q], answers.beta[q]
        for j in range(COLUMNS):
            line[j] = told[j]
        for k in range(knots):
            for c in range(3):
                line[_KINK + c] += parts[c, k] * told[COLUMNS + k]
            for j in range(knots):
                mixed[k, j] += share * answers.knots[q, k, j]
        for j in range(COLUMNS):
            beta[j] += share * line[j]
    _line_covariance(answers, mixed, parts, fits.covariance[i])
    _line_moved(answers, mixed, parts, pulls[0], fits.lever[i])
    _line_moved(answers, mixed, parts, pulls[1], fits.blur[i])
    _line_moved(answers, mixed, parts, pulls[2], fits.bow[i])
    apart, unit = np.zeros((COLUMNS, COLUMNS)), planes.sigma * planes.sigma
    for q in range(amounts):
        share, line = answers.share[q] / unit, lines[q]
        for j in range(COLUMNS):
            off = share * (line[j] - beta[j])
            for k in range(COLUMNS):
                apart[j, k] += off * (line[k] - beta[k])
    return apart


@compiled
def _line_covariance(answers: _Answers, mixed: Any, parts: Any, out: Any) -> None:
    """Covariance of the line through the whole shape, from the knots' part of the inverse."""
    inner, lean = answers.inner, answers.lean
    knots = mixed.shape[0]
    pulled = np.empty(knots)
    for i in range(COLUMNS):
        for k in range(knots):
            pulled[k] = 0.0
            for j in range(knots):
                pulled[k] += mixed[k, j] * lean[i, j]
        for j in range(i + 1):
            total = inner[i, j]
            for k in range(knots):
                total += pulled[k] * lean[j, k]
            out[i, j], out[j, i] = total, total
    for c in range(3):
        for k in range(knots):
            pulled[k] = 0.0
            for j in range(knots):
                pulled[k] += mixed[k, j] * parts[c, j]
        for i in range(COLUMNS):
            total = 0.0
            for k in range(knots):
                total -= pulled[k] * lean[i, k]
            out[i, _KINK + c] += total
            out[_KINK + c, i] += total
        for d in range(3):
            total = 0.0
            for k in range(knots):
                total += pulled[k] * parts[d, k]
            out[_KINK + c, _KINK + d] += total


@compiled
def _line_moved(answers: _Answers, mixed: Any, parts: Any, pull: Any, out: Any) -> None:
    """By how much what pulls at the right-hand side moves the line through the whole shape."""
    inner, lean = answers.inner, answers.lean
    knots = mixed.shape[0]
    rest, height = np.empty(knots), np.empty(knots)
    for k in range(knots):
        rest[k] = pull[COLUMNS + k]
        for i in range(COLUMNS):
            rest[k] -= lean[i, k] * pull[i]
    for k in range(knots):
        height[k] = _sum_of_row(mixed, k, rest)
    for i in range(COLUMNS):
        out[i] = _sum_of_row(inner, i, pull)
        for k in range(knots):
            out[i] -= lean[i, k] * height[k]
    for c in range(3):
        for k in range(knots):
            out[_KINK + c] += parts[c, k] * height[k]


@compiled
def _mix_knots(answers: _Answers, knots: int, unit: float, height: Any, covariance: Any) -> None:
    """Mix the heights of the knots; what they scatter by adds to their covariance."""
    for k in range(MOST_KNOTS):
        height[k] = 0.0
        for j in range(MOST_KNOTS):
            covariance[k, j] = 0.0
    beta, share = answers.beta, answers.share
    for q in range(share.size):
        for k in range(knots):
            height[k] += share[q] * beta[q, COLUMNS + k]
            for j in range(knots):
                covariance[k, j] += share[q] * answers.knots[q, k, j] * unit
    for q in range(share.size):
        for k in range(knots):
            for j in range(knots):
                covariance[k, j] += (
                    share[q]
                    * (beta[q, COLUMNS + k] - height[k])
                    * (beta[q, COLUMNS + j] - height[j])
                )


@compiled
def _weigh_shapes(
    cells: _Cells,
    strip: Strip,
    planes: _Planes,
    rough: Any,
    correlation: Any,
    smear_se_m2: tuple[float, float],
    algebra: _Algebra,
    fits: Fits,
    i: int,
) -> bool:
    """Solve with every amount of roughness and mix the answers by their evidence.

    `correlation` (2,) is length and nugget of the noise where the covariance is to be summed
    with it, else empty; the smear, and the arc at the hinge, aren't asked where their error is 0.
    `algebra` holds the sums without knots. False where the cells don't tell the parameters.
    """
    p = COLUMNS + planes.knots
    amounts = rough.shape[0] if planes.knots > 0 else 1
    base, right = np.empty((p, p)), np.empty(p)
    base[:COLUMNS, :COLUMNS], right[:COLUMNS] = algebra.sums, algebra.right
    _knot_sums(cells, planes.knots, base, right)
    _make_regular(base)
    base[_SHIFT, _SHIFT] += planes.tight
    k = planes.knots
    answers = _Answers(
        np.empty((COLUMNS, COLUMNS)),
        np.empty((COLUMNS, k)),
        np.empty((amounts, k, k)),
        np.empty((amounts, p)),
        np.empty(amounts),
    )
    if not _solve_each(base, right, planes, rough, algebra, answers):
        return False
    best, fits.evidence[i] = _shares(answers.share)
    fits.knot_count[i] = planes.knots
    pulls = np.zeros((3, p))
    pulls[0] = _edge_pull(cells, planes.b, planes.step, p)
    whole_m2, arc_m2 = smear_se_m2
    if whole_m2 > 0.0:
        pulls[1] = _smear_pull(cells, strip, planes.b, whole_m2, whole_m2, p)
    if arc_m2 > 0.0:
        pulls[2] = _smear_pull(cells, strip, planes.b, 0.0, arc_m2, p)
    unit = planes.sigma * planes.sigma
    apart = _mix_lines(answers, planes, pulls, fits, i)
    _mix_knots(answers, planes.knots, unit, fits.knots[i], fits.knots_cov[i])
    if correlation.size > 0:
        middle = np.zeros((p, p))
        _sum_correlated(cells, strip, correlation[0], correlation[1], middle)
        middle[_SHIFT, _SHIFT] += planes.tight
        if rough[best, 0] > 0.0:
            for k in range(COLUMNS, p):
                middle[k, k] += (planes.sigma / rough[best, 0]) ** 2
        left = _to_line(planes.knots, planes.gap) @ _whole_inverse(answers, answers.knots[best])
        fits.scatter[i] = left @ middle @ left.T + apart
    covariance = fits.covariance[i]
    covariance += apart
    return True


@compiled
def _sum_correlated(
    cells: _Cells, strip: Strip, correlation_m: float, nugget: float, out: Any
) -> None:
    """Sum X'W C W X over all pairs of cells closer than five correlation lengths."""
    index, design, weight = cells.index, cells.design, cells.weight
    m, p = index.size, out.shape[0]
    reach = 5.0 * correlation_m
    pull = np.empty(p)
    for r in range(m):
        if weight[r] <= 0.0:
            continue
        for j in range(p):
            pull[j] = 0.5 * weight[r] * design[j, r]
        sr = strip.s[index[r]]
        xr = strip.x[index[r]]
        for q in range(r + 1, m):
            ds = strip.s[index[q]] - sr
            if ds > reach:
                break
            dx = strip.x[index[q]] - xr
            d = np.sqrt(ds * ds + dx * dx)
            if d < reach:
                c = (1.0 - nugget) * np.exp(-d / correlation_m) * weight[q]
                for j in range(p):
                    pull[j] += c * design[j, q]
        # half of the diagonal and one of each pair, made whole by adding the transpose
        for j in range(p):
            wx = weight[r] * design[j, r]
            for k in range(p):
                out[j, k] += wx * pull[k]
    for j in range(p):
        for k in range(j + 1):
            total = out[j, k] + out[k, j]
            out[j, k] = total
            out[k, j] = total
