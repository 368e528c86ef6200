"""What noise alone does to a ribbon: made noise, and the depths it reaches by chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["NoiseMaker", "rare_maximum"]

Floats = NDArray[np.float64]

_EULER = 0.5772156649015329
_FIELD = 1024
_MOST_HAVE_ONE = 0.8


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
        field = self._random.standard_normal((_FIELD, _FIELD))
        share = float(np.clip(nugget, 0.0, 1.0))
        if share < 1.0 and correlation_m > 0:
            from scipy.ndimage import gaussian_filter

            # White noise through a Gaussian of width g correlates as exp(-d^2 / 4 g^2).
            width = min(0.5 * correlation_m / cell_m, _FIELD / 16)
            smooth = gaussian_filter(
                self._random.standard_normal((_FIELD, _FIELD)), width, mode="wrap"
            )
            smooth /= smooth.std()
            field = np.sqrt(share) * field + np.sqrt(1.0 - share) * smooth
        self._field = field

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
