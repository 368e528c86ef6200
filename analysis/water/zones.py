"""Parts of the road on the ribbon, and how uneven each part is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import interpolate_along, median_of
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats

if TYPE_CHECKING:
    from analysis.corridor.values import Ribbon
    from analysis.edges.values import Breaks

__all__ = ["BEYOND", "DITCH", "PAVEMENT", "SHOULDER", "WHERE", "Zoned", "roughness", "zoned"]


WHERE = ("pavement", "shoulder", "ditch", "beyond")
"""Names of the zones, by number."""
PAVEMENT, SHOULDER, DITCH, BEYOND = range(4)


_BLOCK_M = 100.0


@dataclass(frozen=True, slots=True)
class Zoned:
    """A ribbon, the breaks of its sections, and the part of the road in which each cell lies.

    Attributes
    ----------
    zone : ndarray of uint8, shape (n, k)
        Index into `WHERE`. The ditch reaches from the hinge to as far beyond the invert as
        the hinge is before it; ground outside a hinge without ditch is "beyond".
    """

    ribbon: Ribbon
    breaks: Breaks
    zone: NDArray[np.uint8]


def zoned(ribbon: Ribbon, breaks: Breaks, shoulder_width_m: float) -> Zoned:
    """Tell in which part of the road each cell of the ribbon lies.

    Parameters
    ----------
    ribbon, breaks
        The road's ribbon and the breaks of its sections.
    shoulder_width_m : float
        Width that stands in where no hinge was found.

    Returns
    -------
    Zoned
    """
    line = breaks.along()
    axis, edge, hinge, ditch = (
        interpolate_along(ribbon.s, line.s, found)
        for found in (line.axis, line.edge, line.hinge, line.ditch)
    )
    hinge = np.where(np.isnan(hinge), edge + shoulder_width_m, hinge)
    outer = np.where(np.isnan(ditch), hinge, ditch + np.maximum(ditch - hinge, 1.0))
    result = np.full((ribbon.s.size, ribbon.o.size), BEYOND, np.uint8)
    axis = np.where(np.isnan(axis), 0.0, axis)[:, None]
    for side, sign in enumerate(SIDE_SIGN):
        u = sign * ribbon.o[None, :]
        here = (ribbon.o[None, :] < axis) if side == 0 else (ribbon.o[None, :] >= axis)
        result[here & (u <= outer[:, side, None])] = DITCH
        result[here & (u <= hinge[:, side, None])] = SHOULDER
        result[here & (u <= edge[:, side, None])] = PAVEMENT
    return Zoned(ribbon, breaks, result)


def roughness(z: Floats, zone: NDArray[np.uint8], step_s: float) -> Floats:
    """Compare the short-range unevenness of each zone with that of the pavement.

    Grass and rubble in a verge scatter heights more than the pavement, where the grid's noise
    is measured. The second difference along the road sees that and nothing of grades and
    curves; its median doesn't see the rare step.

    Parameters
    ----------
    z : ndarray, shape (n, k)
        Heights, NaN unknown.
    zone : ndarray, shape (n, k)
        Index into `WHERE`.
    step_s : float
        Metres between rows.

    Returns
    -------
    ndarray, shape (n, 4)
        Factor on the noise, 1 on the pavement, from 1 to 5 elsewhere.
    """
    n = z.shape[0]
    factor = np.ones((n, len(WHERE)))
    if n < 3:
        return factor
    rows = max(8, round(_BLOCK_M / step_s))
    bend = np.abs(z[2:] - 2.0 * z[1:-1] + z[:-2])
    for first in range(0, n - 2, rows):
        part, where = bend[first : first + rows], zone[first + 1 : first + 1 + rows]
        known = np.isfinite(part)
        size = np.full(len(WHERE), np.nan)
        for number in range(len(WHERE)):
            values = part[known & (where[: part.shape[0]] == number)]
            if values.size >= 50:
                size[number] = median_of(values)
        if size[PAVEMENT] > 0:
            ratio = np.nan_to_num(size / size[PAVEMENT], nan=1.0)
            factor[first : first + rows + 2] = np.clip(ratio, 1.0, 5.0)
    return factor
