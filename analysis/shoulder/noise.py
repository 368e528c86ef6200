"""How noisy the grid is on this road: scatter of the pavement about smooth planes.

Planes are fitted to short pieces of pavement. How far the cells scatter about them gives the
noise, reach by reach (flight lines differ); how alike neighbouring cells are gives the share
that is correlated and over which length. A plane swallows part of any noise, the more the
longer its correlation; the same is done to each model of the noise before it is compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.ribbon import height_step
from analysis.edges.values import Breaks
from analysis.shoulder.values import Noise

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = ["estimate_noise"]


LEAST_SIGMA_M = 1e-4
"""No survey is better than this; keeps exact test surfaces from dividing by nothing."""

TOLD_STEP_M = 0.01
"""Rounding of heights from which the source of the noise mentions it."""

PIECE_M = 15.0
"""Greatest length of a plane."""

FINEST_LATTICE_M = 0.25

REACH_M = 100.0
"""Noise is a weighted mean over about this far to both sides of a station."""

_LENGTHS_M = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 4.5, 7.0)
_FARTHEST_LAG_M = 4.0
_MOST_CELLS = 30_000


@dataclass(frozen=True, slots=True)
class _Residuals:
    """Cells of the pavement about their planes; `piece` numbers the planes."""

    value: Floats
    row: NDArray[np.int64]
    col: NDArray[np.int64]
    piece: NDArray[np.int64]
    middle: Floats  # distance along the road of each plane
    scatter: Floats  # robust scatter of each plane, made good for its parameters
    shape: tuple[float, float]  # median length and width of a piece, metres


def estimate_noise(cells: Cells, breaks: Breaks, *, given_m: float | None = None) -> Noise:
    """Estimate the noise from the pavement.

    Parameters
    ----------
    cells : Cells
    breaks : Breaks
    given_m : float, optional
        Noise that the user sets, from a published quality level for example; its correlation
        is still taken from the ground.

    Returns
    -------
    Noise
        `sigma_m` is NaN where there is no pavement to estimate it from.
    """
    n = breaks.s.size
    step = height_step(cells.z)
    note = f", heights rounded to {step:.3g} m" if step >= TOLD_STEP_M else ""
    residuals = _pavement_residuals(cells, breaks)
    if residuals is None:
        sigma = np.full(n, np.nan if given_m is None else float(given_m))
        source = "unknown: no pavement cells" if given_m is None else "given"
        return Noise(sigma, np.zeros(n), np.ones(n), source)
    stride = max(1, round(FINEST_LATTICE_M / cells.cell_m))
    length, nugget, kept = _correlation(residuals, stride * cells.cell_m)
    if given_m is not None:
        sigma = np.full(n, max(float(given_m), LEAST_SIGMA_M))
    else:
        sigma = _along(breaks.s, residuals) / np.sqrt(kept)
        # rounded heights can look smoother than they are: whole patches are alike
        sigma = np.maximum(sigma, max(LEAST_SIGMA_M, step / np.sqrt(12.0)))
    source = "given" if given_m is not None else "estimated from the pavement"
    return Noise(sigma, np.full(n, length), np.full(n, nugget), source + note)


def _pavement_residuals(cells: Cells, breaks: Breaks) -> _Residuals | None:
    axis = np.interp(cells.s, breaks.s, breaks.axis)
    start = float(cells.s[0]) if cells.s.size else 0.0
    values, rows, cols, pieces, middles, scatters, widths = [], [], [], [], [], [], []
    number = 0
    # fewer metres where cells are small: all pairs of a piece's cells are summed later
    piece_m = float(np.clip(112.0 * cells.cell_m**2, 7.0, max(PIECE_M, 10.0 * cells.cell_m**2)))
    # a finer lattice than this tells no more about correlation: thin it out
    stride = max(1, round(FINEST_LATTICE_M / cells.cell_m))
    kept = (cells.row % stride == 0) & (cells.col % stride == 0)
    for side, sign in enumerate(SIDE_SIGN):
        edge = np.interp(cells.s, breaks.s, breaks.edge[:, side])
        u = sign * cells.o
        on = (u > sign * axis + cells.cell_m) & (u < edge - cells.cell_m)
        on &= np.isfinite(cells.z) & kept
        s, x, z = cells.s[on], (u - edge)[on], cells.z[on]
        row = cells.row[on].astype(np.int64) // stride
        col = cells.col[on].astype(np.int64) // stride
        if s.size == 0:
            continue
        group = ((s - start) / piece_m).astype(np.int64)
        first = np.searchsorted(group, np.arange(group[-1] + 2))
        for a, b in pairwise(first):
            if b - a < 20:
                continue
            t = (s[a:b] - s[a:b].mean()) / piece_m
            design = np.column_stack([np.ones(b - a), t, t * t, x[a:b], t * x[a:b]])
            residual = _robust_residual(design, z[a:b] - z[a:b].mean())
            p = design.shape[1]
            spread = 1.4826 * float(np.median(np.abs(residual)))
            values.append(residual)
            rows.append(row[a:b])
            cols.append(col[a:b])
            pieces.append(np.full(b - a, number))
            middles.append(float(s[a:b].mean()))
            scatters.append(spread * np.sqrt((b - a) / (b - a - p)))
            widths.append((float(np.ptp(s[a:b])), float(np.ptp(x[a:b])) + cells.cell_m))
            number += 1
    if not values:
        return None
    size = np.median(np.array(widths), axis=0)
    return _Residuals(
        np.concatenate(values),
        np.concatenate(rows),
        np.concatenate(cols),
        np.concatenate(pieces),
        np.array(middles),
        np.array(scatters),
        (float(size[0]), float(size[1])),
    )


def _robust_residual(design: Floats, z: Floats) -> Floats:
    """Residuals of a plane that doesn't follow a parked car."""
    weight = np.ones(z.size)
    residual = z
    for _ in range(3):
        root = np.sqrt(weight)
        beta = np.linalg.lstsq(design * root[:, None], z * root, rcond=None)[0]
        residual = z - design @ beta
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-9)
        weight = np.minimum(1.0, 2.5 * scale / np.maximum(np.abs(residual), 1e-12))
        if weight.min() > 0.8:
            break
    return np.asarray(residual)


def _along(s: Floats, residuals: _Residuals) -> Floats:
    """Scatter at each station: mean variance of the planes around, weighted by nearness.

    The planes' robust scatters scatter themselves; a median within the window keeps one
    plane across a pothole from counting, and the mean of what is left keeps the noise low.
    """
    out = np.empty(s.size)
    for i, here in enumerate(s):
        away = np.abs(residuals.middle - here)
        near = away <= max(REACH_M, float(np.sort(away)[min(5, away.size - 1)]))
        value = residuals.scatter[near] ** 2
        middle = float(np.median(value))
        good = value <= 4.0 * middle + 1e-18
        weight = 1.0 - 0.5 * away[near][good] / max(REACH_M, float(away[near].max()))
        out[i] = np.sqrt(np.sum(weight * value[good]) / np.sum(weight))
    return out


def _correlation(residuals: _Residuals, cell_m: float) -> tuple[float, float, float]:
    """Fit the correlation of the noise.

    Returns
    -------
    correlation_m, nugget, kept
        `kept` is the expected square of a plane's scatter over the variance of the noise:
        less than 1 where a plane swallows part of the correlated noise.
    """
    lags = _lags(cell_m)
    product, pairs = _lag_products(residuals, lags)
    known = pairs > 50
    if known.sum() < 3:
        return 0.0, 1.0, 1.0
    lengths = [length for length in _LENGTHS_M if length >= 0.5 * cell_m]
    white, mixed = _expected_products(residuals, cell_m, lags, lengths)
    root = np.sqrt(pairs) * known
    target = product * root
    best = (np.inf, 0.0, 1.0, 1.0)
    for length, shape in [(0.0, white), *zip(lengths, mixed, strict=True)]:
        # variances of the white and the correlated part, neither of them negative
        alone = float(shape @ (root * target) / np.sum((root * shape) ** 2))
        choices = [(0.0, alone)]
        if length == 0.0:
            choices = [(alone, 0.0)]
        else:
            design = np.column_stack([white, shape]) * root[:, None]
            both = np.linalg.lstsq(design, target, rcond=None)[0]
            if both.min() > 0.0:
                choices.append((float(both[0]), float(both[1])))
        for plain, tied in choices:
            misfit = float(np.sum((target - root * (plain * white + tied * shape)) ** 2))
            # a correlated part must earn its parameters
            misfit += 0.0 if length == 0.0 else 6.0
            if misfit < best[0] and plain + tied > 0.0:
                nugget = plain / (plain + tied)
                kept = nugget + (1.0 - nugget) * float(shape[0] / white[0])
                best = (misfit, length, nugget, kept)
    return best[1], best[2], best[3]


def _lags(cell_m: float) -> NDArray[np.int64]:
    """Vectors between lattice points, in cells: none first, then along both axes and diagonals."""
    most = max(2, int(_FARTHEST_LAG_M / cell_m))
    steps = [k for k in (1, 2, 3, 4, 6, 8, 12, 16) if k <= most]
    vectors = [(0, 0)]
    for k in steps:
        vectors += [(0, k), (k, 0), (k, k), (k, -k)]
    return np.array(vectors, dtype=np.int64)


def _lag_products(residuals: _Residuals, lags: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Mean products of residuals a lag apart within one plane, and the number of pairs."""
    piece = residuals.piece
    keep = np.ones(piece.size, dtype=bool)
    if piece.size > _MOST_CELLS:
        keep = piece % int(np.ceil(piece.size / _MOST_CELLS)) == 0
    scatter = np.maximum(residuals.scatter[piece[keep]], 1e-12)
    value = np.clip(residuals.value[keep] / scatter, -3.5, 3.5)
    row = residuals.row[keep] - residuals.row.min()
    col = residuals.col[keep] - residuals.col.min()
    margin = int(np.abs(lags).max()) + 1
    stride = int(col.max()) + 2 * margin + 1
    key = (row + margin) * stride + col + margin
    order = np.argsort(key, kind="stable")
    key, value, member = key[order], value[order], piece[keep][order]
    # points, unlike cells, may share a place in their lattice: one of them stands there
    alone = np.append(True, key[1:] != key[:-1])
    key, value, member = key[alone], value[alone], member[alone]
    product = np.zeros(len(lags))
    pairs = np.zeros(len(lags))
    for k, (down, along) in enumerate(lags):
        at = np.searchsorted(key, key + down * stride + along)
        at = np.minimum(at, key.size - 1)
        pair = (key[at] == key + down * stride + along) & (member[at] == member)
        pairs[k] = pair.sum()
        if pairs[k]:
            product[k] = float(np.mean(value[pair] * value[at[pair]]))
    return product, pairs


def _expected_products(
    residuals: _Residuals, cell_m: float, lags: NDArray[np.int64], lengths: list[float]
) -> tuple[Floats, list[Floats]]:
    """Mean products that white noise and each correlated noise of unit variance would leave."""
    long, broad = (max(3, round(size / cell_m)) for size in residuals.shape)
    long = min(long, max(8, 350 // broad))
    i, j = (part.ravel() for part in np.mgrid[0:long, 0:broad])
    t, x = (i / long - 0.5), j * cell_m
    basis, _ = np.linalg.qr(np.column_stack([np.ones_like(t), t, t * t, x, t * x]))
    lists = []
    for lag in lags:
        for down, along in {(int(lag[0]), int(lag[1])), (int(lag[1]), int(lag[0]))}:
            inside = (i + down >= 0) & (i + down < long) & (j + along >= 0) & (j + along < broad)
            begin = np.flatnonzero(inside)
            lists.append((begin, begin + down * broad + along))
    owner = np.concatenate(
        [[k] * len({(int(v[0]), int(v[1])), (int(v[1]), int(v[0]))}) for k, v in enumerate(lags)]
    )

    def means(covariance: Floats) -> Floats:
        half = covariance @ basis
        left = covariance - half @ basis.T - basis @ half.T + basis @ (basis.T @ half) @ basis.T
        total = np.zeros(len(lags))
        count = np.zeros(len(lags))
        for k, (a, b) in zip(owner, lists, strict=True):
            total[k] += left[a, b].sum()
            count[k] += a.size
        return np.asarray(total / np.maximum(count, 1.0))

    distance = cell_m * np.hypot(i[:, None] - i[None, :], j[:, None] - j[None, :])
    white = means(np.eye(i.size))
    return white, [means(np.exp(-distance / length)) for length in lengths]
