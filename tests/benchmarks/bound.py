"""Cramér–Rao bound of slope and drop for known breaks, from the true geometry alone.

Nothing of the tool is used here: what each cell sees of each plane is summed over its sub-cells
in the true frame, and the noise has its true covariance.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky

from sample_terrain.cells import Frame
from sample_terrain.scene import Scene, SceneRoad
from sample_terrain.spec import build_surface

__all__ = ["cramer_rao"]

BEYOND_HINGE_M = 1.25
"""How much foreslope takes part; more tells nothing about the shoulder."""


def _cells_near(frame: Frame, x: float, y: float, reach: float) -> tuple[NDArray, NDArray]:
    cx, cy = frame.centres()
    col = np.flatnonzero(np.abs(cx - x) <= reach)
    row = np.flatnonzero(np.abs(cy - y) <= reach)
    gx, gy = np.meshgrid(cx[col], cy[row])
    return gx.ravel(), gy.ravel()


def cramer_rao(
    scene: Scene,
    road: SceneRoad,
    true_s: float,
    side: int,
    *,
    average_m: float,
    sigma_m: float,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
    subcells: int = 6,
) -> dict[str, float]:
    """Return the least standard errors that any unbiased estimate can have.

    The model: pavement plane (level, grade, slope), step at the edge, shoulder slope and foreslope
    slope, all breaks known, cells within half the averaging length of the station.

    Returns
    -------
    dict
        slope (points), drop (mm), pavement (points).
    """
    surface, axis = build_surface(road.spec), road.axis
    sign = 1.0 if side else -1.0
    edge = float(surface.value("edge", np.array([true_s]), side)[0])
    width = float(surface.value("width", np.array([true_s]), side)[0])
    crown = float(surface.crown_offset(np.array([true_s]))[0])
    x, y = axis.to_map(np.array(true_s), np.array(crown + sign * edge))
    gx, gy = _cells_near(scene.frame, float(x), float(y), 0.5 * average_m + edge + width + 3.0)
    s, o = axis.to_road(gx, gy)
    far = sign * (o - crown) - edge
    use = (
        (np.abs(s - true_s) <= 0.5 * average_m)
        & (far >= -edge + 0.5 * scene.frame.cell_m)
        & (far <= width + BEYOND_HINGE_M)
    )
    gx, gy = gx[use], gy[use]
    part = ((np.arange(subcells) + 0.5) / subcells - 0.5) * scene.frame.cell_m
    sx = (gx[:, None, None] + part[None, :, None] + 0 * part[None, None, :]).reshape(len(gx), -1)
    sy = (gy[:, None, None] + 0 * part[None, :, None] + part[None, None, :]).reshape(len(gx), -1)
    s, o = axis.to_road(sx, sy)
    t = sign * (o - crown) - edge
    basis = np.stack(
        [
            np.ones_like(t),
            s - true_s,
            t,
            (t > 0).astype(float),
            np.maximum(t, 0.0),
            np.maximum(t - width, 0.0),
        ],
        axis=-1,
    ).mean(axis=1)
    if correlation_m > 0 and nugget < 1:
        d = np.hypot(gx[:, None] - gx[None, :], gy[:, None] - gy[None, :])
        covariance = (1.0 - nugget) * np.exp(-d / correlation_m)
        covariance[np.diag_indices_from(covariance)] = 1.0
        root = cholesky(covariance, lower=True, overwrite_a=True, check_finite=False)
        information = basis.T @ cho_solve((root, True), basis, check_finite=False)
    else:
        information = basis.T @ basis
    least = sigma_m**2 * np.linalg.inv(information)
    slope = np.array([0, 0, 1.0, 0, 1.0, 0])
    return {
        "slope": 100.0 * float(np.sqrt(slope @ least @ slope)),
        "drop": 1000.0 * float(np.sqrt(least[3, 3])),
        "pavement": 100.0 * float(np.sqrt(least[2, 2])),
    }
