"""How noisy the grid is on this road: scatter of the pavement about smooth planes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.breaks import SIDE_SIGN, Breaks

if TYPE_CHECKING:
    from analysis.ribbon import Cells

__all__ = ["Noise", "estimate_noise"]

Floats = NDArray[np.float64]

LEAST_SIGMA_M = 1e-4
"""No survey is better than this; keeps exact test surfaces from dividing by nothing."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Vertical noise of one cell, per station.

    Attributes
    ----------
    sigma_m : (n,)
        Standard deviation.
    correlation_m : (n,)
        Length over which the correlated part falls to 1/e; 0 where there is none.
    nugget : (n,)
        Share of the variance that is white.
    source : str
        Where the numbers come from.
    """

    sigma_m: Floats
    correlation_m: Floats
    nugget: Floats
    source: str


def estimate_noise(cells: Cells, breaks: Breaks, *, given_m: float | None = None) -> Noise:
    """Estimate the noise from the pavement.

    Parameters
    ----------
    cells : Cells
    breaks : Breaks
    given_m : float, optional
        Noise that the user sets, from a published quality level for example.

    Returns
    -------
    Noise
    """
    n = breaks.s.size
    if given_m is not None:
        return Noise(np.full(n, float(given_m)), np.zeros(n), np.ones(n), "given")
    block_m = 10.0
    axis = np.interp(cells.s, breaks.s, breaks.axis)
    scatter, at = [], []
    for side, sign in enumerate(SIDE_SIGN):
        edge = np.interp(cells.s, breaks.s, breaks.edge[:, side])
        u = sign * cells.o
        on = (u > sign * axis + cells.cell_m) & (u < edge - cells.cell_m)
        s, x, z = cells.s[on], u[on] - edge[on], cells.z[on]
        if s.size == 0:
            continue
        group = ((s - s[0]) / block_m).astype(np.int64)
        first = np.searchsorted(group, np.arange(group[-1] + 2))
        for a, b in pairwise(first):
            if b - a < 15:
                continue
            t = (s[a:b] - s[a:b].mean()) / block_m
            design = np.column_stack([np.ones(b - a), t, t * t, x[a:b], t * x[a:b]])
            beta, *_ = np.linalg.lstsq(design, z[a:b], rcond=None)
            residual = z[a:b] - design @ beta
            scatter.append(
                1.4826 * float(np.median(np.abs(residual))) * np.sqrt((b - a) / (b - a - 5))
            )
            at.append(float(s[a:b].mean()))
    if not scatter:
        return Noise(np.full(n, np.nan), np.zeros(n), np.ones(n), "unknown: no pavement cells")
    values, places = np.array(scatter), np.array(at)
    sigma = np.array(
        [
            np.median(values[np.abs(places - here) < 150.0])
            if (np.abs(places - here) < 150.0).any()
            else np.median(values)
            for here in breaks.s
        ]
    )
    sigma = np.maximum(sigma, LEAST_SIGMA_M)
    return Noise(sigma, np.zeros(n), np.ones(n), "estimated from the pavement")
