"""Compiled loop over short pieces of a shoulder; imported only when one is measured.

The function computes and checks nothing: `analysis.shoulder.grass` prepares its arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.common.compiled import compiled

__all__ = ["plane_residuals"]


@compiled
def plane_residuals(s: Any, x: Any, z: Any, bounds: Any, fewest: int, out: Any) -> None:
    """Heights over the plane of each piece by least squares.

    Parameters
    ----------
    s, x, z : (m,)
        Along the road, across it, height.
    bounds : (p + 1,) int
        Cells of each piece.
    fewest : int
        A piece of fewer cells has no plane.
    out : (m,)
        Filled; NaN where there is none.
    """
    for p in range(bounds.size - 1):
        first, last = bounds[p], bounds[p + 1]
        if last - first < fewest:
            out[first:last] = np.nan
            continue
        s0, x0, z0 = s[first:last].mean(), x[first:last].mean(), z[first:last].mean()
        ss = sx = xx = sz = xz = 0.0
        for i in range(first, last):
            ds, dx, dz = s[i] - s0, x[i] - x0, z[i] - z0
            ss += ds * ds
            sx += ds * dx
            xx += dx * dx
            sz += ds * dz
            xz += dx * dz
        along = across = 0.0
        spread = ss * xx - sx * sx
        if spread > 1e-12 * ss * xx:
            along, across = (sz * xx - xz * sx) / spread, (xz * ss - sz * sx) / spread
        elif ss + xx > 0.0:
            # cells in a line: the plane that is level square to it
            along, across = sz / (ss + xx), xz / (ss + xx)
        for i in range(first, last):
            out[i] = z[i] - z0 - along * (s[i] - s0) - across * (x[i] - x0)
