"""How noisy the grid is on this road: scatter of the pavement about smooth planes.

Planes are fitted to short pieces of pavement. How far the cells scatter about them gives the
noise, reach by reach (flight lines differ); how alike neighbouring cells are gives the share
that is correlated and over which length. A plane swallows part of any noise, the more the
longer its correlation; the same is done to each model of the noise before it is compared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.common.along import fading, lines_at
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.likeness import (
    FINEST_LATTICE_M,
    Fading,
    Residuals,
    expected_products,
    joined,
    lag_products,
    lags_of,
    lattice_of,
    on_lattice,
    plane_residuals,
)
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

REACH_M = 100.0
"""Noise is a weighted mean over about this far to both sides of a station."""

FEWEST_PLANES = 6
"""So many planes speak for a station, however far they lie."""

_LENGTHS_M = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 4.5, 7.0)


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


def _pavement_residuals(cells: Cells, breaks: Breaks) -> Residuals | None:
    line = breaks.along()
    axis = lines_at(cells.s, line.s, line.axis)
    ends = (float(cells.s[0]), float(cells.s[-1])) if cells.s.size else (0.0, 0.0)
    stride = max(1, round(FINEST_LATTICE_M / cells.cell_m))
    kept = on_lattice(cells, stride)
    parts = []
    for side, sign in enumerate(SIDE_SIGN):
        edge = lines_at(cells.s, line.s, line.edge[:, side])
        u = sign * cells.o
        on = kept & (u > sign * axis + cells.cell_m) & (u < edge - cells.cell_m)
        lattice = lattice_of(cells, on, stride)
        part = plane_residuals(
            cells.s[on], (u - edge)[on], cells.z[on], lattice, ends=ends, cell_m=cells.cell_m
        )
        if part is not None:
            parts.append(part)
    return joined(parts) if parts else None


def _along(s: Floats, residuals: Residuals) -> Floats:
    """Scatter at each station: mean variance of the planes around, weighted by nearness.

    The planes' robust scatters scatter themselves; a median within the window keeps one
    plane across a pothole from counting, and the mean of what is left keeps the noise low.
    """
    from analysis.shoulder.noise_kernels import scatter_along

    return np.asarray(
        scatter_along(s, residuals.middle, residuals.scatter**2, REACH_M, FEWEST_PLANES)
    )


def _correlation(residuals: Residuals, cell_m: float) -> tuple[float, float, float]:
    """Fit the correlation of the noise.

    Returns
    -------
    correlation_m, nugget, kept
        `kept` is the expected square of a plane's scatter over the variance of the noise:
        less than 1 where a plane swallows part of the correlated noise.
    """
    lags = lags_of(cell_m)
    product, pairs = lag_products(residuals, lags)
    known = pairs > 50
    if known.sum() < 3:
        return 0.0, 1.0, 1.0
    lengths = [length for length in _LENGTHS_M if length >= 0.5 * cell_m - 1e-6]
    white, mixed = expected_products(
        residuals, cell_m, lags, [Fading(fading, length) for length in lengths]
    )
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
