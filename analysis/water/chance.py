"""What noise alone does to a ribbon: made noise, and the depths that it reaches by chance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.along import average_along, fading, known_median, rows_for
from analysis.common.types import Floats
from analysis.water.filling import fill_ribbon
from analysis.water.outlets import Outlets
from analysis.water.zones import WHERE, Zoned

if TYPE_CHECKING:
    from analysis.shoulder.values import Noise

__all__ = [
    "FALSE_PER_KM",
    "BlockSize",
    "ChanceLevel",
    "NoiseKind",
    "NoiseMaker",
    "chance_level",
    "rare_maximum",
]


FALSE_PER_KM = 0.1
"""Ponds, or sags of one ditch, that noise alone makes and that are put up with, per kilometre."""

_EULER = 0.5772156649015329
_FIELD = 1024
_MOST_HAVE_ONE = 0.8
_BLOCK_M = 100.0
_BEYOND_M = 30.0
_TOO_DEEP = 1.5  # sigma of one cell, for ground averaged over 10 m


@dataclass(frozen=True, slots=True)
class ChanceLevel:
    """Depth that noise alone reaches, by averaging length and zone.

    Attributes
    ----------
    windows_m : tuple of float
        Averaging lengths along the road.
    per_sigma : ndarray, shape (windows, zones)
        Level as a multiple of the local noise of one grid cell; zones as in `WHERE`.
    source : str
        How the level was found, for people.
    """

    windows_m: tuple[float, ...]
    per_sigma: Floats
    source: str


class NoiseKind(NamedTuple):
    """What noise is like, and the seed that it is made with."""

    cell_m: float
    correlation_m: float
    nugget: float
    seed: int

    @classmethod
    def of(cls, noise: Noise, cell_m: float, *, seed: int) -> NoiseKind:
        """A road's usual kind of noise."""
        correlation, nugget = (
            known_median(noise.correlation_m, 0.0),
            known_median(noise.nugget, 1.0),
        )
        return cls(cell_m, correlation, nugget, seed)


class BlockSize(NamedTuple):
    """How many blocks of noise, how large, and how far their rows and columns lie apart."""

    blocks: int
    rows: int
    columns: int
    step_s: float
    step_o: float


class NoiseMaker:
    """Noise as the ribbon sees it: made on native cells, then interpolated as the ribbon is.

    A ribbon of 0.5 m steps over 0.5 m cells has less noise than the cells (bilinear
    interpolation averages) and its neighbours share cells; both change how deep a pit noise
    can dig, so noise is made on a square grid and read along blocks lying at random angles.

    Parameters
    ----------
    cell_m : float
        Size of the grid's cells, metres.
    correlation_m : float
        Distance at which the correlated part's has fallen to 1/e, metres; see `fading`.
    nugget : float
        Share of white noise in the variance, 0..1.
    seed : int
        The same seed gives the same noise, so that a run can be repeated to the digit.
    """

    def __init__(self, cell_m: float, correlation_m: float, nugget: float, *, seed: int) -> None:
        self._cell = cell_m
        share = float(np.clip(nugget, 0.0, 1.0))
        smooth = share < 1.0 and correlation_m > 0
        drawn, state = _drawn(seed, 2 if smooth else 1)
        self._random = np.random.default_rng()
        self._random.bit_generator.state = state
        field = drawn[0].astype(np.float64)
        if smooth:
            # past an eighth of it the field would meet itself round its ends
            length = min(correlation_m / cell_m, _FIELD / 8)
            field = np.sqrt(share) * field + np.sqrt(1.0 - share) * _tied(seed, length)
        self._field = field

    @classmethod
    def like(cls, noise: Noise, cell_m: float, *, seed: int) -> NoiseMaker:
        """Make noise of a road's usual nature."""
        kind = NoiseKind.of(noise, cell_m, seed=seed)
        return cls(kind.cell_m, kind.correlation_m, kind.nugget, seed=kind.seed)

    def block(self, rows: int, columns: int, step_s: float, step_o: float) -> Floats:
        """Make one block of unit noise, shape (rows, columns), at a random place and angle."""
        from analysis.water.noise_kernels import read_across

        angle = self._random.uniform(0.0, 2.0 * np.pi)
        start = self._random.uniform(0.0, _FIELD, 2)
        out = np.empty((rows, columns))
        turn = np.array([np.cos(angle), np.sin(angle)])
        read_across(self._field, start, turn, np.array([step_s, step_o]) / self._cell, out)
        return out


@lru_cache(maxsize=4)
def _drawn(seed: int, fields: int) -> tuple[tuple[NDArray[np.float32], ...], dict[str, Any]]:
    """Square fields of white noise, always the same, and where the dice stand after them."""
    random = np.random.default_rng(seed)
    made = []
    for _ in range(fields):
        # single precision is twice as fast to draw and noise needs no more
        field = random.standard_normal((_FIELD, _FIELD), dtype=np.float32)
        field.setflags(write=False)
        made.append(field)
    return tuple(made), dict(random.bit_generator.state)


@lru_cache(maxsize=4)
def _tied(seed: int, length: float) -> Floats:
    """Make noise of unit variance that fades over a length, in cells, from drawn white noise."""
    from scipy import fft

    white = _drawn(seed, 2)[0][1].astype(np.float64)
    f = white.shape[0]
    away = np.minimum(np.arange(f), f - np.arange(f))
    power = fft.rfft2(fading(np.hypot(away[:, None], away[None, :]), length)).real
    field = fft.irfft2(np.sqrt(np.maximum(power, 0.0)) * fft.rfft2(white), s=white.shape)
    made = np.asarray(field / field.std())
    made.setflags(write=False)
    return made


@lru_cache(maxsize=2)
def _first_blocks(kind: NoiseKind, size: BlockSize) -> Floats:
    maker = NoiseMaker(kind.cell_m, kind.correlation_m, kind.nugget, seed=kind.seed)
    blocks = [
        maker.block(size.rows, size.columns, size.step_s, size.step_o) for _ in range(size.blocks)
    ]
    made = np.stack(blocks)
    made.setflags(write=False)
    return made


@lru_cache(maxsize=8)
def _averaged_blocks(kind: NoiseKind, size: BlockSize, rows: int, margin: int) -> Floats:
    """The first blocks averaged over `rows` along the road, without `margin` rows at both ends."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(_first_blocks(kind, size), rows, axis=1)
    kept = smooth[:, margin : size.rows - margin].copy()
    kept.setflags(write=False)
    return kept


def rare_maximum(maxima: ArrayLike, probability: float) -> float:
    """Give the value that a maximum exceeds with a small probability.

    A distribution is fitted, which lets a few dozen simulated blocks speak about one block
    in a thousand: that of maxima (Gumbel, by L-moments; Hosking, 1990) or, where a good part
    of the blocks have no such value at all, an exponential tail over the others.

    Parameters
    ----------
    maxima : array_like, shape (m,)
        Largest values of independent blocks, 0 for none, NaN ignored.
    probability : float
        Chance of exceeding, per block.

    Returns
    -------
    float
        Never below the mean of the maxima; NaN if fewer than two are known.
    """
    values = np.asarray(maxima, np.float64)
    values = np.sort(values[np.isfinite(values)])
    if values.size < 2:
        return float("nan")
    mean = float(values.mean())
    some = values[values > 0.0]
    share = some.size / values.size
    if share == 0.0:
        return 0.0
    if share < _MOST_HAVE_ONE:
        return max(mean, float(some.mean() * np.log(share / probability)))
    weights = np.arange(values.size) / (values.size - 1.0)
    second = 2.0 * float(np.mean(weights * values)) - mean
    scale = max(second, 0.0) / np.log(2.0)
    place = mean - _EULER * scale
    return max(mean, float(place - scale * np.log(-np.log1p(-probability))))


def chance_level(
    zoned: Zoned, sigma_m: Floats, outlets: Outlets, windows_m: tuple[float, ...], kind: NoiseKind
) -> ChanceLevel:
    """Find the depth of pond that noise alone makes on this road.

    Blocks of 100 m are taken all along the ribbon, averaged and drained (every depression of
    the average is filled, so nothing real is left to find). Noise is put on them, averaged
    over each window, filled, and the deepest pit per block, zone and window kept. The level
    is the depth that such a maximum exceeds `FALSE_PER_KM` times per kilometre.

    Parameters
    ----------
    zoned
        The road's ribbon with its zones.
    sigma_m : ndarray, shape (n, zones)
        Noise of one grid cell, metres, by row and zone.
    outlets : Outlets
        Where water leaves besides the borders.
    windows_m : tuple of float
        Averaging lengths along the road.
    kind : NoiseKind
        The road's noise.

    Returns
    -------
    ChanceLevel
    """
    from analysis.water.filling_kernels import Blocks, deepest_pits

    ribbon, zone = zoned.ribbon, zoned.zone
    step_s = float(ribbon.step_s)
    n, k = ribbon.z.shape
    ways_out = outlets.on_average(rows_for(max(windows_m), step_s))
    ground, _ = average_along(ribbon.z, min(rows_for(10.0, step_s), n - 1 + n % 2))
    drained = fill_ribbon(ground, outlets=ways_out, holes_drain=True)
    starts, inner = _blocks(n, step_s)
    count, rows = starts.size, inner.size
    margin = rows_for(max(windows_m), step_s) // 2
    size = BlockSize(count, rows + 2 * margin, k, step_s, float(ribbon.step_o))
    sigma = np.take_along_axis(sigma_m, zone.astype(np.intp), axis=1)
    judged = ~_real_ponds(ground, drained, sigma)
    free = np.zeros((0, 0), bool) if ways_out is None else ways_out
    pieces = Blocks(
        starts, inner, drained, sigma, np.where(judged, zone, len(WHERE)).astype(np.uint8), free
    )
    judged_m = np.count_nonzero(inner) * step_s
    cases = 3 * len(windows_m)  # averages share the allowance, and so do the zones
    chance = -np.expm1(-FALSE_PER_KM * judged_m / 1000.0 / cases)
    levels = np.full((len(windows_m), len(WHERE)), np.nan)
    deepest = np.empty((count, len(WHERE)))
    for w, window in enumerate(windows_m):
        noise = _averaged_blocks(kind, size, rows_for(window, step_s), margin)
        deepest_pits(pieces, noise, deepest)
        levels[w] = [rare_maximum(deepest[:, number], chance) for number in range(len(WHERE))]
    text = (
        f"noise alone on this road's own drained ground, {count} blocks of "
        f"{judged_m:.0f} m: deeper pits come {FALSE_PER_KM:g} times per km"
    )
    return ChanceLevel(tuple(windows_m), levels, text)


def _blocks(n: int, step_s: float) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """First row of each block, (blocks,), and which rows of a block are judged, (rows,).

    Ends are open; ground beyond the judged part keeps them from draining it.
    """
    beyond = min(round(_BEYOND_M / step_s), max(0, (n - 8) // 4))
    judged = min(max(8, round(_BLOCK_M / step_s)), n - 2 * beyond)
    rows = judged + 2 * beyond
    count = int(np.clip(round(n * step_s / _BLOCK_M), 60, 80))
    starts = np.round(np.linspace(0, n - rows, count)).astype(int)
    inner = np.zeros(rows, bool)
    inner[beyond : beyond + judged] = True
    return starts, inner


def _real_ponds(ground: Floats, drained: Floats, sigma_m: Floats) -> NDArray[np.bool_]:
    """Mark depressions too deep for noise: drained, they are flat ground that isn't there."""
    from scipy.ndimage import label

    depth = np.nan_to_num(drained - ground)
    names, count = label(depth > 0.0, np.ones((3, 3), bool))
    deep = depth > _TOO_DEEP * sigma_m
    real = np.zeros(count + 1, bool)
    real[names[deep]] = True
    real[0] = False
    return np.asarray(real[names])
