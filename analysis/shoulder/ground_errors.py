"""How surely the ground of a section is known where a fitted shape stands in for its average."""

from __future__ import annotations

import numpy as np

from analysis.common.types import Floats
from analysis.shoulder.regression import SideFit, hats_of

__all__ = ["ground_errors"]


def ground_errors(fit: SideFit, u: Floats) -> Floats:
    """Standard errors of `analysis.shoulder.regression.side_ground` about the fitted planes.

    What isn't straight in a shoulder is told at knots, through the blur of cells: with cells half
    as wide as the shoulder by some 20 mm, ten times as vaguely as the average of a section.

    Parameters
    ----------
    fit : SideFit
    u : (k,)
        Places outward from the edge.

    Returns
    -------
    (n, k)
        Metres; 0 outside the shoulder, where an average stands, and where there is no fit.
    """
    shape = fit.shape
    width = shape.width_m[:, None]
    used, middle, gap, tilt = hats_of(shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        hats = np.maximum(1.0 - np.abs(u[None, :, None] - middle[:, None, :]) / gap[:, None], 0.0)
        # the line through a shape is the fitted plane, whose error is told with slope and drop
        line = (gap / width + tilt * (u[:, None, None] - 0.5 * width)).swapaxes(0, 1)
        beside = np.where(used[:, None, :], hats - line, 0.0)
        covariance = np.where(used[:, :, None] & used[:, None, :], shape.covariance, 0.0)
        variance = np.einsum("nuk,nkl,nul->nu", beside, covariance, beside)
    inside = (u >= 0.0) & (u <= shape.width_m[:, None]) & np.isfinite(variance)
    return np.where(inside, np.sqrt(np.maximum(variance, 0.0)), 0.0)
