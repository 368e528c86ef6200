"""How alike the heights of cells are that lie a lag apart, about planes through pieces of road.

A plane swallows part of any noise, the more the longer its correlation; the same is done to each
model of the noise before it is compared (`expected_products`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Bools, Floats
from analysis.corridor.lattice import from_first, places_of

if TYPE_CHECKING:
    from analysis.corridor.likeness_kernels import Planes
    from analysis.corridor.values import Cells

__all__ = [
    "FINEST_LATTICE_M",
    "Fading",
    "Residuals",
    "expected_products",
    "joined",
    "lag_products",
    "lags_of",
    "lattice_of",
    "on_lattice",
    "piece_length",
    "plane_residuals",
]


FINEST_LATTICE_M = 0.25
"""A finer lattice tells no more about correlation: it is thinned out to this."""

PIECE_M = 15.0
"""Greatest length of a plane."""

LEAST_CELLS = 20
"""Fewer cells make no plane."""

_FARTHEST_LAG_M = 4.0
_MOST_CELLS = 30_000


@dataclass(frozen=True, slots=True)
class Residuals:
    """m cells about their planes, p of them.

    Attributes
    ----------
    value : (m,)
        Metres over the plane.
    row, col, piece : (m,) int
        Place in the lattice, and the number of the plane.
    middle : (p,)
        Distance along the road of each plane.
    scatter : (p,)
        Robust scatter of each plane, made good for its parameters.
    size : (p, 2)
        Length and width of each piece, metres.
    bend : int
        Highest power across the road: 1 = planes.
    """

    value: Floats
    row: NDArray[np.int64]
    col: NDArray[np.int64]
    piece: NDArray[np.int64]
    middle: Floats
    scatter: Floats
    size: Floats
    bend: int = 1

    def of(self, pieces: NDArray[np.bool_]) -> Residuals:
        """Return those of the chosen pieces, (p,), numbered anew."""
        kept = pieces[self.piece]
        number = np.cumsum(pieces) - 1
        return Residuals(
            self.value[kept],
            self.row[kept],
            self.col[kept],
            number[self.piece[kept]],
            self.middle[pieces],
            self.scatter[pieces],
            self.size[pieces],
            self.bend,
        )


def lattice_of(
    cells: Cells, on: Bools | slice, stride: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of the chosen cells in the lattice of every `stride`-th one."""
    step = stride * cells.every
    row, col = (part[on].astype(np.int64) for part in (cells.row, cells.col))
    return (row, col) if step == 1 else (row // step, col // step)


def on_lattice(cells: Cells, stride: int) -> Bools:
    """Tell which cells lie in the lattice of every `stride`-th one and have a height, (m,)."""
    if stride == 1:
        return np.isfinite(cells.z)
    row, col = cells.row // cells.every, cells.col // cells.every
    return np.asarray((row % stride == 0) & (col % stride == 0) & np.isfinite(cells.z))


def piece_length(cell_m: float) -> float:
    """Length of a piece: shorter where cells are small, for all pairs of its cells are summed."""
    return float(np.clip(112.0 * cell_m**2, 7.0, max(PIECE_M, 10.0 * cell_m**2)))


def plane_residuals(
    s: Floats,
    x: Floats,
    z: Floats,
    lattice: tuple[NDArray[np.int64], NDArray[np.int64]],
    *,
    ends: tuple[float, float],
    cell_m: float,
    bend: int = 1,
) -> Residuals | None:
    """Residuals of the cells of a strip, piece by piece; None where no piece has enough of them.

    Parameters
    ----------
    s, x, z : (m,)
        Distance along (ascending) and across the road, and height, metres.
    lattice : (m,), (m,)
        Row and column of each cell.
    ends : (float, float)
        Where the first piece begins and the last one ends: all are of one length, so that they lie
        alike from either end of a road.
    cell_m : float
    bend : int
        Highest power across the road: 1 = planes.
    """
    if s.size == 0:
        return None
    from analysis.corridor.likeness_kernels import Planes, Strip, robust_planes

    piece_m, length_m = piece_length(cell_m), ends[1] - ends[0]
    most = max(1, round(length_m / piece_m))
    piece_m = length_m / most if length_m > 0.0 else piece_m
    group = np.minimum((s - ends[0]) / piece_m, most - 1).astype(np.int64)
    bounds = np.searchsorted(group, np.arange(group[-1] + 2))
    full = np.diff(bounds) >= LEAST_CELLS
    first, last = bounds[:-1][full], bounds[1:][full]
    pieces = int(full.sum())
    if not pieces:
        return None
    planes = Planes(np.empty(s.size), np.empty(pieces), np.empty(pieces, dtype=np.bool_))
    robust_planes(Strip(s / piece_m, x, z, first, last), 4 + bend, planes)
    for k in np.flatnonzero(~planes.good).tolist():
        here = slice(int(first[k]), int(last[k]))
        planes.scatter[k] = _least_squares(s[here] / piece_m, x[here], z[here], bend, planes, here)
    within = np.zeros(s.size + 1, dtype=np.int64)
    np.add.at(within, first, 1)
    np.add.at(within, last, -1)
    kept = np.cumsum(within[:-1]) > 0
    begin = np.cumsum(np.r_[0, (last - first)[:-1]])
    return Residuals(
        planes.value[kept],
        lattice[0][kept],
        lattice[1][kept],
        np.repeat(np.arange(pieces), last - first),
        np.add.reduceat(s[kept], begin) / (last - first),
        planes.scatter,
        np.column_stack([_spans(s[kept], begin), _spans(x[kept], begin) + cell_m]),
        bend,
    )


def _spans(values: Floats, begin: NDArray[np.intp]) -> Floats:
    return np.asarray(np.maximum.reduceat(values, begin) - np.minimum.reduceat(values, begin))


def _least_squares(
    s: Floats, x: Floats, z: Floats, bend: int, planes: Planes, here: slice
) -> float:
    """Fit a piece whose columns hardly differ: fill its residuals in, return its scatter."""
    design = _surface(s - s.mean(), x - x.mean() if bend > 1 else x, bend)
    residual = _robust_residual(design, z - z.mean())
    planes.value[here] = residual
    spread = 1.4826 * float(np.median(np.abs(residual)))
    return spread * float(np.sqrt(s.size / (s.size - design.shape[1])))


def joined(parts: Sequence[Residuals]) -> Residuals:
    """Put the pieces of several strips together."""
    before = np.cumsum([0, *(part.middle.size for part in parts)])
    return Residuals(
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.row for part in parts]),
        np.concatenate([part.col for part in parts]),
        np.concatenate([part.piece + k for part, k in zip(parts, before[:-1], strict=True)]),
        np.concatenate([part.middle for part in parts]),
        np.concatenate([part.scatter for part in parts]),
        np.concatenate([part.size for part in parts]),
        parts[0].bend,
    )


def _surface(t: Floats, x: Floats, bend: int) -> Floats:
    """Columns of a plane with a vertical curve and a twist, bent across the road."""
    powers = [x**k for k in range(2, bend + 1)]
    return np.column_stack([np.ones_like(t), t, t * t, x, t * x, *powers])


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


def lags_of(cell_m: float) -> NDArray[np.int64]:
    """Vectors between lattice points, in cells: none first, then along both axes and diagonals."""
    most = max(2, int(_FARTHEST_LAG_M / cell_m + 1e-6))
    steps = [k for k in (1, 2, 3, 4, 6, 8, 12, 16) if k <= most]
    vectors = [(0, 0)]
    for k in steps:
        vectors += [(0, k), (k, 0), (k, k), (k, -k)]
    return np.array(vectors, dtype=np.int64)


def lag_products(residuals: Residuals, lags: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Mean products of residuals a lag apart within one plane, and the number of pairs."""
    from analysis.corridor.lattice_kernels import lag_sums

    piece = residuals.piece
    keep = np.ones(piece.size, dtype=bool)
    if piece.size > _MOST_CELLS:
        keep = piece % int(np.ceil(piece.size / _MOST_CELLS)) == 0
    scatter = np.maximum(residuals.scatter[piece[keep]], 1e-12)
    value = np.clip(residuals.value[keep] / scatter, -3.5, 3.5)
    row, col = (from_first(part)[0][keep] for part in (residuals.row, residuals.col))
    total, pairs = np.zeros((2, len(lags)))
    lag_sums(row, col, value, piece[keep], places_of(row, col), lags, total, pairs)
    return total / np.maximum(pairs, 1.0), pairs


class Fading(NamedTuple):
    """A correlated noise: what it is of two cells some metres apart, by its length in metres."""

    of: Callable[[Floats, float], Floats]
    length_m: float


def expected_products(
    residuals: Residuals, cell_m: float, lags: NDArray[np.int64], models: Sequence[Fading]
) -> tuple[Floats, list[Floats]]:
    """Mean products that white noise and each correlated noise of unit variance would leave."""
    long, broad = (max(3, round(size / cell_m)) for size in np.median(residuals.size, axis=0))
    long = min(long, max(8, 350 // broad))
    white, *shapes = _expected(
        long, broad, cell_m, residuals.bend, tuple(map(tuple, lags.tolist())), tuple(models)
    )
    return white, shapes


@lru_cache(maxsize=16)
def _expected(
    long: int,
    broad: int,
    cell_m: float,
    bend: int,
    lags: tuple[tuple[int, int], ...],
    models: tuple[Fading, ...],
) -> tuple[Floats, ...]:
    """Mean products of white noise, then of models, on a piece of `long` by `broad` cells.

    What a surface leaves of a covariance C is C - C B B' - B B' C + B B' C B B', with B its columns
    made orthonormal: the mean over all pairs of cells a lag apart needs C B only, and C at the lag.
    """
    i, j = (part.ravel() for part in np.mgrid[0:long, 0:broad])
    t, x = (i / long - 0.5), j * cell_m
    basis, _ = np.linalg.qr(_surface(t, x, bend))
    q = basis.shape[1]
    beside, both = np.zeros((len(lags), i.size, q)), np.zeros((len(lags), q, q))
    count = np.zeros(len(lags))
    for k, lag in enumerate(lags):
        for down, along in {lag, lag[::-1]}:
            inside = (i + down >= 0) & (i + down < long) & (j + along >= 0) & (j + along < broad)
            a = np.flatnonzero(inside)
            b = a + down * broad + along
            # no cell is twice the first of a pair, nor twice the second
            beside[k, a] += basis[b]
            beside[k, b] += basis[a]
            both[k] += basis[a].T @ basis[b]
            count[k] += a.size
    from_surface, on_surface = (part.reshape(len(lags), -1) for part in (beside, both))
    at_lag = cell_m * np.hypot(*np.array(lags, dtype=np.float64).T)
    steps = cell_m * np.hypot(*np.mgrid[0:long, 0:broad].astype(np.float64))
    apart = np.abs(i[:, None] - i) * broad + np.abs(j[:, None] - j)

    def means(at: Floats, known: Floats) -> Floats:
        half = known.ravel()[apart] @ basis
        left = count * at - from_surface @ half.ravel() + on_surface @ (basis.T @ half).ravel()
        out = np.asarray(left / np.maximum(count, 1.0))
        out.setflags(write=False)
        return out

    white = means((at_lag == 0.0).astype(np.float64), (steps == 0.0).astype(np.float64))
    return (white, *(means(of(at_lag, length), of(steps, length)) for of, length in models))
