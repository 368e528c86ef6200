"""The true ground of a road: height at any distance and offset from the true axis.

A cross-section is a chain of pieces outward from the crown (pavement, edge, shoulder,
hinge, foreslope, ditch, back slope, natural ground), and every dimension of the chain
is a function of the distance along the road, held in a table with a row each quarter
metre and straight lines between the rows. That table *is* the road: heights follow from
it exactly.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["ROW_STEP_M", "SIDE_FIELDS", "Surface", "section_height"]

ROW_STEP_M = 0.25
EDGE_FACE_M = 0.04
"""Width over which a step is spread, half of it on the pavement; no edge is quite vertical."""

SIDE_FIELDS = (
    "edge",  # crown to pavement edge, m
    "pavement",  # pavement cross slope, fraction, falls outward
    "width",  # shoulder width, m
    "slope",  # shoulder cross slope, fraction
    "drop",  # shoulder below the pavement at the edge, m
    "rut_depth",
    "rut_at",  # middle of the rut from the edge, m
    "rut_half",  # half of its whole width, m
    "ridge_height",
    "ridge_at",
    "ridge_half",
    "lip_height",  # turf standing up at the edge, m
    "lip_width",  # over which it runs out
    "worn_depth",  # washed-out ground next to the edge, m
    "worn_width",  # over which it is full; it runs out over as much again
    "kerb",  # step up at the edge, m
    "fore",  # fall of the foreslope, fraction
    "depth",  # ditch invert (or toe of the fill) below the pavement edge, m
    "bottom",  # width of the ditch bottom, m
    "back",  # rise of the back slope, fraction
    "back_run",  # its width, m
    "natural",  # rise of the ground beyond, fraction
    "drive",  # 0..1, share of the section that is a driveway
    "drive_slope",
)
_N = len(SIDE_FIELDS)
_HEAD = 2  # crown height, crown offset


@dataclass(frozen=True, slots=True)
class Surface:
    """Heights of one road's ground.

    Attributes
    ----------
    table : (rows, 2 + 2 * len(SIDE_FIELDS)) array
        Crown height (m), crown offset from the axis (m, right positive), then the fields of
        the left side and those of the right side.
    """

    table: NDArray[np.float64]

    @property
    def s(self) -> NDArray:
        """Distance of each row, metres."""
        return np.arange(len(self.table)) * ROW_STEP_M

    def value(self, name: str, s: NDArray, side: int) -> NDArray:
        """Return a field of one side (0 left, 1 right) at distances `s`."""
        return np.interp(s, self.s, self.table[:, _HEAD + side * _N + SIDE_FIELDS.index(name)])

    def crown_offset(self, s: NDArray) -> NDArray:
        """Return the offset of the crown from the axis, right positive, metres."""
        return np.interp(s, self.s, self.table[:, 1])

    def crown_height(self, s: NDArray) -> NDArray:
        """Return the height of the crown, metres."""
        return np.interp(s, self.s, self.table[:, 0])

    def edge_height(self, s: NDArray, side: int) -> NDArray:
        """Return the height of the pavement at its edge, metres."""
        return self.crown_height(s) - self.value("pavement", s, side) * self.value("edge", s, side)

    def height(self, s: NDArray, o: NDArray) -> NDArray:
        """Return ground heights at distances `s` and offsets `o`, any one shape."""
        s, o = np.broadcast_arrays(np.asarray(s, float), np.asarray(o, float))
        return _heights(self.table, s.ravel(), o.ravel()).reshape(s.shape)

    def outward(self, s: NDArray, side: int, t: NDArray) -> NDArray:
        """Return ground heights `t` metres beyond the pavement edge of one side."""
        sign = 1.0 if side else -1.0
        return self.height(s, self.crown_offset(s) + sign * (self.value("edge", s, side) + t))


@njit(cache=True)
def _hump(t, middle, half):  # pragma: no cover - compiled
    """Raised cosine of height 1."""
    if half <= 0.0:
        return 0.0
    d = abs(t - middle)
    if d >= half:
        return 0.0
    return 0.5 * (1.0 + np.cos(np.pi * d / half))


@njit(cache=True)
def section_height(table, s, o):  # pragma: no cover - compiled
    """Height of the ground at one distance and offset; constant dimensions beyond the ends."""
    rows = table.shape[0]
    at = s / 0.25
    i = int(at)
    if i < 0 or at < 0.0:
        i = 0
        at = 0.0
    if i > rows - 2:
        i = rows - 2
        at = min(at, rows - 1.0)
    f = at - i
    a = table[i]
    b = table[i + 1]
    crown = a[1] + f * (b[1] - a[1])
    z = a[0] + f * (b[0] - a[0])
    d = o - crown
    base = 2
    if d >= 0.0:
        base = 2 + 24
    else:
        d = -d
    edge = a[base] + f * (b[base] - a[base])
    pavement = a[base + 1] + f * (b[base + 1] - a[base + 1])
    if d <= edge - 0.02:
        return z - pavement * d
    edge_z = z - pavement * edge
    face = min((d - edge + 0.02) / 0.04, 1.0)
    t = max(d - edge, 0.0)
    v = np.empty(24)
    for j in range(2, 24):
        v[j] = a[base + j] + f * (b[base + j] - a[base + j])
    width = v[2]
    on = min(t, width)
    z = edge_z - v[3] * on + pavement * max(edge - d, 0.0)
    step = -v[4] + v[15]
    if width > 0.0 or v[15] > 0.0:
        z += step * face
    if t < width:
        z -= v[5] * _hump(t, v[6], v[7])
        z += v[8] * _hump(t, v[9], v[10])
        if v[12] > 0.0:
            z += face * v[11] * max(0.0, 1.0 - t / v[12])
        if v[14] > 0.0:
            z -= face * v[13] * min(1.0, max(0.0, 2.0 - t / v[14]))
    else:
        beyond = t - width
        invert = edge_z - v[17]
        fall = max(0.0, z - invert)
        run = fall / v[16]
        if beyond < run:
            z -= v[16] * beyond
        else:
            z -= fall
            beyond -= run + v[18]
            if beyond > 0.0:
                up = min(beyond, v[20])
                z += v[19] * up + v[21] * (beyond - up)
    if v[22] > 0.0:
        share = v[22]
        if t > 12.0:
            q = min((t - 12.0) / 6.0, 1.0)
            share *= 1.0 - q * q * (3.0 - 2.0 * q)
        z += share * (edge_z - v[23] * t - z)
    return z


@njit(cache=True)
def _heights(table, s, o):  # pragma: no cover - compiled
    out = np.empty(s.size)
    for i in range(s.size):
        out[i] = section_height(table, s[i], o[i])
    return out
