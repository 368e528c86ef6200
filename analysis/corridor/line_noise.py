"""How alike the means of two lines of cells along the road are, for noise with a correlation.

Everything that is fitted across the road from a stretch of it sees the noise through such means:
each place across is an average over the cells that lie along the stretch there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.along import fading
from analysis.common.types import Floats

__all__ = ["line_correlation"]


# exp(-8) of the correlation is all that is left out
_FARTHEST_LENGTHS = 8.0
_NODES = 400


def line_correlation(
    distance_m: ArrayLike, length_m: float, *, cell_m: float, correlation_m: float, nugget: float
) -> Floats:
    """Return the mean correlation of different cells of two lines that run along the road.

    The correlation of two cells a distance d apart is ``(1 - nugget) exp(-d / correlation_m)``.
    Cells lie on a lattice of any direction, so that around each cell the area of one cell holds
    no other: pairs closer than that are left out here, and the cell itself (correlation 1 with
    itself) is to be added as 1 / number of cells. With that the covariance of the means of bins
    across the road is ``sigma**2 * (identity / cells_in_bin + line_correlation)``.

    Parameters
    ----------
    distance_m : (...) array_like
        Between the two lines, metres; 0 is a line with itself.
    length_m : float
        Of both lines, metres.
    cell_m : float
    correlation_m : float
        Metres; next to nothing beside a cell is white noise.
    nugget : float
        Share of the variance that is white, 0 to 1.

    Returns
    -------
    (...) ndarray
        Between 0 and 1.

    Notes
    -----
    For a long line and small cells the mean is ``2 d K1(d / L) / length`` with the modified
    Bessel function of the second kind, and ``2 L / length`` for a line with itself.
    """
    distance = np.abs(np.asarray(distance_m, dtype=np.float64))
    if correlation_m <= 0.01 * cell_m or nugget >= 1.0 or length_m <= 0.0:
        return np.zeros_like(distance)
    reach = min(length_m, _FARTHEST_LENGTHS * correlation_m + cell_m)
    # denser near 0, where the correlation has its kink
    t = reach * ((np.arange(_NODES) + 0.5) / _NODES) ** 2
    step = reach * (np.arange(1, _NODES + 1) ** 2 - np.arange(_NODES) ** 2) / _NODES**2
    top = float(distance.max(initial=0.0))
    at = np.linspace(0.0, max(top, cell_m), 129)
    apart = np.hypot(at[:, None], t[None, :])
    alike = np.where(apart > cell_m / np.sqrt(np.pi), fading(apart, correlation_m), 0.0)
    mean = 2.0 * (alike * (1.0 - t / length_m) * step).sum(axis=1) / length_m
    return np.asarray((1.0 - nugget) * np.interp(distance, at, mean))
