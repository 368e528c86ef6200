"""What noise alone does to a ribbon: made noise, and the depths that it reaches by chance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.along import average_along, rows_for
from analysis.common.types import Floats
from analysis.water.filling import fill_ribbon
from analysis.water.zones import WHERE

if TYPE_CHECKING:
    from analysis.corridor.values import Ribbon

__all__ = ["ChanceLevel", "NoiseMaker", "chance_level", "rare_maximum"]


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
    false_per_km : float
        Ponds per kilometre of road that noise makes above the level, all windows and zones
        together.
    simulated_m : float
        Length of road that was simulated.
    source : str
        How the level was found, for people.
    """

    windows_m: tuple[float, ...]
    per_sigma: Floats
    false_per_km: float
    simulated_m: float
    source: str


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
        Distance at which the smooth part's correlation has fallen to 1/e, metres.
    nugget : float
        Share of white noise in the variance, 0..1.
    seed : int
        The same seed gives the same noise, so that a run can be repeated to the digit.
    """

    def __init__(self, cell_m: float, correlation_m: float, nugget: float, *, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._cell = cell_m
        field = self._white()
        share = float(np.clip(nugget, 0.0, 1.0))
        if share < 1.0 and correlation_m > 0:
            from scipy.ndimage import gaussian_filter

            # White noise through a Gaussian of width g correlates as exp(-d^2 / 4 g^2).
            width = min(0.5 * correlation_m / cell_m, _FIELD / 16)
            smooth = gaussian_filter(self._white(), width, mode="wrap")
            smooth /= smooth.std()
            field = np.sqrt(share) * field + np.sqrt(1.0 - share) * smooth
        self._field = field

    def _white(self) -> Floats:
        # single precision is twice as fast to draw and noise needs no more
        drawn = self._random.standard_normal((_FIELD, _FIELD), dtype=np.float32)
        return drawn.astype(np.float64)

    def block(self, rows: int, columns: int, step_s: float, step_o: float) -> Floats:
        """Make one block of unit noise, shape (rows, columns), at a random place and angle."""
        from scipy.ndimage import map_coordinates

        angle = self._random.uniform(0.0, 2.0 * np.pi)
        start = self._random.uniform(0.0, _FIELD, 2)
        s = np.arange(rows)[:, None] * (step_s / self._cell)
        o = np.arange(columns)[None, :] * (step_o / self._cell)
        x = start[0] + s * np.cos(angle) - o * np.sin(angle)
        y = start[1] + s * np.sin(angle) + o * np.cos(angle)
        return np.asarray(
            map_coordinates(self._field, [x, y], order=1, mode="grid-wrap"), np.float64
        )


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
    ribbon: Ribbon,
    zone: NDArray[np.uint8],
    sigma_m: Floats,
    *,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
    cell_m: float | None = None,
    windows_m: tuple[float, ...],
    false_per_km: float = 0.1,
    outlets: NDArray[np.bool_] | None = None,
    seed: int = 20_000,
) -> ChanceLevel:
    """Find the depth of pond that noise alone makes on this road.

    Blocks of 100 m are taken all along the ribbon, averaged and drained (every depression of
    the average is filled, so nothing real is left to find). Noise is put on them, averaged
    over each window, filled, and the deepest pit per block, zone and window kept. The level
    is the depth that such a maximum exceeds `false_per_km` times per kilometre.

    Parameters
    ----------
    ribbon
        The road's ribbon.
    zone : ndarray, shape (n, k)
        From `zones`.
    sigma_m : ndarray, shape (n, k) or (n, zones)
        Noise of one grid cell, metres, by row and zone.
    correlation_m, nugget, cell_m
        Nature of the noise; the cell size defaults to the ribbon's step.
    windows_m, false_per_km
        As for `find_ponds`.
    outlets : ndarray of bool, shape (n, k), optional
        Cells through which water leaves.
    seed : int
        Same seed, same level.

    Returns
    -------
    ChanceLevel
    """
    step_s, step_o = float(ribbon.step_s), float(ribbon.step_o)
    n, k = ribbon.z.shape
    ground, _ = average_along(ribbon.z, min(rows_for(10.0, step_s), _odd(n)))
    drained = fill_ribbon(ground, outlets=outlets, holes_drain=True)
    margin = rows_for(max(windows_m), step_s) // 2
    # Ends are open; ground beyond the judged part keeps them from draining it.
    beyond = min(round(_BEYOND_M / step_s), max(0, (n - 8) // 4))
    judged = min(max(8, round(_BLOCK_M / step_s)), n - 2 * beyond)
    rows = judged + 2 * beyond
    count = int(np.clip(round(n * step_s / _BLOCK_M), 60, 80))
    starts = np.round(np.linspace(0, n - rows, count)).astype(int)
    maker = NoiseMaker(cell_m or step_o, correlation_m, nugget, seed=seed)
    noise = np.stack([maker.block(rows + 2 * margin, k, step_s, step_o) for _ in starts])
    index = starts[:, None] + np.arange(rows)[None, :]
    where = zone[index]
    sigma = np.take_along_axis(sigma_m[index], where.astype(np.intp), axis=2)
    base = drained[index]
    pond = _real_ponds(ground, drained, sigma_m, zone)[index]
    tall = np.full((count, rows + 1, k), np.nan)  # an unknown row parts the blocks
    ways_out: NDArray[np.bool_] | None = None
    if outlets is not None:
        parted = np.zeros(tall.shape, bool)
        parted[:, :-1] = outlets[index]
        ways_out = parted.reshape(-1, k)
    levels = np.full((len(windows_m), len(WHERE)), np.nan)
    cases = 3 * len(windows_m)  # averages share the allowance, and so do the zones
    chance = -np.expm1(-false_per_km * judged * step_s / 1000.0 / cases)
    middle = np.zeros((1, rows, 1), bool)
    middle[:, beyond : beyond + judged] = True
    from scipy.ndimage import uniform_filter1d

    for w, window in enumerate(windows_m):
        smooth = uniform_filter1d(noise, rows_for(window, step_s), axis=1)
        tall[:, :-1] = base + sigma * smooth[:, margin : margin + rows]
        flat = tall.reshape(-1, k)
        depth = fill_ribbon(flat, outlets=ways_out, holes_drain=True) - flat
        depth = depth.reshape(tall.shape)[:, :-1] / np.maximum(sigma, 1e-9)
        depth[~np.isfinite(depth)] = 0.0
        for number in range(len(WHERE)):
            inside = (where == number) & ~pond & middle
            deepest = np.max(np.where(inside, depth, 0.0), axis=(1, 2))
            there = inside.any(axis=(1, 2))
            levels[w, number] = rare_maximum(np.where(there, deepest, np.nan), chance)
    text = (
        f"noise alone on this road's own drained ground, {count} blocks of "
        f"{judged * step_s:.0f} m: deeper pits come {false_per_km:g} times per km"
    )
    return ChanceLevel(tuple(windows_m), levels, false_per_km, count * judged * step_s, text)


def _real_ponds(
    ground: Floats, drained: Floats, sigma_m: Floats, zone: NDArray[np.uint8]
) -> NDArray[np.bool_]:
    """Mark depressions too deep for noise: drained, they are flat ground that isn't there."""
    from scipy.ndimage import label

    depth = np.nan_to_num(drained - ground)
    names, count = label(depth > 0.0, np.ones((3, 3), bool))
    deep = depth > _TOO_DEEP * np.take_along_axis(sigma_m, zone.astype(np.intp), axis=1)
    real = np.zeros(count + 1, bool)
    real[names[deep]] = True
    real[0] = False
    return np.asarray(real[names])


def _odd(n: int) -> int:
    return n if n % 2 else max(1, n - 1)
