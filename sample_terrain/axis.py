"""The true axis of an invented road: a curve made of pieces whose curvature changes evenly."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

__all__ = ["Axis", "Piece", "build_axis"]

NODE_STEP_M = 0.5


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of axis whose curvature runs evenly from one value to another.

    Equal values give a straight or an arc; different ones give a clothoid.

    Attributes
    ----------
    length_m : float
        Length along the axis.
    curvature_begin, curvature_end : float
        1/m, positive where the road turns right.
    """

    length_m: float
    curvature_begin: float = 0.0
    curvature_end: float = 0.0


@dataclass(frozen=True, slots=True)
class Axis:
    """A dense table of the axis; between its nodes a cubic through points and directions.

    Attributes
    ----------
    s, x, y, heading, curvature : (n,) arrays
        Distance, position (m), direction (radians from the x axis, anticlockwise) and
        curvature (1/m, positive turns right).
    """

    s: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    heading: NDArray[np.float64]
    curvature: NDArray[np.float64]

    @property
    def length_m(self) -> float:
        """Length of the axis in metres."""
        return float(self.s[-1])

    @property
    def step_m(self) -> float:
        """Distance between two nodes of the table."""
        return float(self.s[1])

    def to_map(self, s: NDArray, o: NDArray) -> tuple[NDArray, NDArray]:
        """Return map x, y of distances `s` and offsets `o` (right positive), any one shape."""
        s, o = np.broadcast_arrays(np.asarray(s, float), np.asarray(o, float))
        x, y, heading = _points(
            self.x, self.y, self.heading, self.curvature, s.ravel(), self.step_m
        )
        return (
            (x + o.ravel() * np.sin(heading)).reshape(s.shape),
            (y - o.ravel() * np.cos(heading)).reshape(s.shape),
        )

    def to_road(self, x: NDArray, y: NDArray) -> tuple[NDArray, NDArray]:
        """Return distance and offset of the foot of the perpendicular from each map point."""
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        tree = cKDTree(np.column_stack([self.x, self.y]))
        _, nearest = tree.query(np.column_stack([x.ravel(), y.ravel()]))
        s, o = _project(
            *(self.x, self.y, self.heading, self.curvature, self.step_m),
            *(x.ravel(), y.ravel(), self.s[nearest]),
        )
        return s.reshape(x.shape), o.reshape(x.shape)


def build_axis(
    pieces: tuple[Piece, ...], start_xy: tuple[float, float], heading_deg: float
) -> Axis:
    """Integrate the pieces into an axis.

    Parameters
    ----------
    pieces : tuple of Piece
        In order; curvature should agree where two of them meet.
    start_xy : (x, y)
        Map position of the start, metres.
    heading_deg : float
        Direction of the start, degrees clockwise from north.

    Returns
    -------
    Axis
    """
    breaks = np.concatenate([[0.0], np.cumsum([p.length_m for p in pieces])])
    k0 = np.array([p.curvature_begin for p in pieces])
    rate = np.array([(p.curvature_end - p.curvature_begin) / p.length_m for p in pieces])
    turned = np.concatenate(
        [[0.0], np.cumsum(k0 * np.diff(breaks) + 0.5 * rate * np.diff(breaks) ** 2)]
    )
    start = np.radians(90.0 - heading_deg)

    def direction(s: NDArray) -> tuple[NDArray, NDArray]:
        i = np.clip(np.searchsorted(breaks, s, side="right") - 1, 0, len(pieces) - 1)
        d = s - breaks[i]
        return start - (turned[i] + k0[i] * d + 0.5 * rate[i] * d * d), k0[i] + rate[i] * d

    count = round(float(breaks[-1]) / NODE_STEP_M) + 1
    s = np.linspace(0.0, breaks[-1], count)
    points, weights = np.polynomial.legendre.leggauss(4)
    step = s[1] - s[0]
    inner, _ = direction(s[:-1, None] + 0.5 * step * (points + 1.0))
    x = start_xy[0] + np.concatenate([[0.0], np.cumsum(np.cos(inner) @ weights * step / 2)])
    y = start_xy[1] + np.concatenate([[0.0], np.cumsum(np.sin(inner) @ weights * step / 2)])
    heading, curvature = direction(s)
    return Axis(s, x, y, heading, curvature)


@njit(cache=True)
def _point(x, y, heading, curvature, s, step):  # pragma: no cover - compiled
    """Position, direction and curvature at one distance; straight on beyond both ends."""
    n = x.size
    i = int(s / step)
    if i < 0:
        i = 0
    if i > n - 2:
        i = n - 2
    d = s - i * step
    if d < 0.0 or d > step:
        j = 0 if d < 0.0 else n - 1
        run = s - j * step
        c, q = np.cos(heading[j]), np.sin(heading[j])
        return x[j] + run * c, y[j] + run * q, heading[j], 0.0
    t = d / step
    h00 = (1 + 2 * t) * (1 - t) ** 2
    h10 = t * (1 - t) ** 2
    h01 = t * t * (3 - 2 * t)
    h11 = t * t * (t - 1)
    px = h00 * x[i] + h01 * x[i + 1]
    px += step * (h10 * np.cos(heading[i]) + h11 * np.cos(heading[i + 1]))
    py = h00 * y[i] + h01 * y[i + 1]
    py += step * (h10 * np.sin(heading[i]) + h11 * np.sin(heading[i + 1]))
    k = curvature[i] + t * (curvature[i + 1] - curvature[i])
    turn = heading[i] - d * (curvature[i] + 0.5 * t * (curvature[i + 1] - curvature[i]))
    return px, py, turn, k


@njit(cache=True)
def _points(x, y, heading, curvature, s, step):  # pragma: no cover - compiled
    out_x = np.empty(s.size)
    out_y = np.empty(s.size)
    out_h = np.empty(s.size)
    for i in range(s.size):
        out_x[i], out_y[i], out_h[i], _ = _point(x, y, heading, curvature, s[i], step)
    return out_x, out_y, out_h


@njit(cache=True)
def foot(x, y, heading, curvature, step, px, py, s):  # pragma: no cover - compiled
    """Distance, offset, direction and curvature at the foot of one point, by Newton from `s`."""
    turn = 0.0
    k = 0.0
    o = 0.0
    for _ in range(12):
        rx, ry, turn, k = _point(x, y, heading, curvature, s, step)
        c, q = np.cos(turn), np.sin(turn)
        along = (px - rx) * c + (py - ry) * q
        o = (px - rx) * q - (py - ry) * c
        lever = max(1.0 - k * o, 0.2)
        s += along / lever
        if abs(along) < 1e-9:
            break
    return s, o, turn, k


@njit(cache=True)
def _project(x, y, heading, curvature, step, px, py, s0):  # pragma: no cover - compiled
    s = np.empty(px.size)
    o = np.empty(px.size)
    for i in range(px.size):
        s[i], o[i], _, _ = foot(x, y, heading, curvature, step, px[i], py[i], s0[i])
    return s, o
