"""What lies across a shoulder, as the cells of a grid see it: smooth sections, forms, steps.

A section is drawn by straight lines between even knots. What a straightedge can't see of it
(height, slope, what lies beyond the hinge) is left loose.
"""

from __future__ import annotations

import numpy as np

from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step

__all__ = [
    "WHEEL_RUT_M",
    "form_heights",
    "knot_count",
    "loose_columns",
    "smeared_hats",
    "waves",
    "wheel_rut",
]


SMOOTH_M = 0.25
"""Over about this distance the ground of a shoulder keeps its height: what wheels press out is a
few decimetres wide (common practice)."""

WHEEL_RUT_M = 0.8
"""Width of the rut whose least detectable depth is told (common practice: a wheel's track and
what it presses aside); at most six tenths of the shoulder."""

FORM_HALVES_M, FORM_STEP = (0.3, 0.45, 0.65), 0.7
"""Half widths of single ruts and ridges, and how far apart their middles lie in these: wheels press
out half a metre to a metre (common practice)."""

KNOT_M, MOST_KNOTS = 0.1, 64


def knot_count(widest_m: float) -> int:
    """Knots of sections up to so wide; an odd number, so that one lies in the middle."""
    return 2 * int(np.clip(np.ceil(0.5 * widest_m / KNOT_M), 4, MOST_KNOTS // 2)) + 1


def wheel_rut(width: Floats, knots: Floats) -> Floats:
    """Depth of a wheel rut of unit depth in the middle of the shoulder, (n, k): half a wave."""
    half = np.minimum(0.5 * WHEEL_RUT_M, 0.3 * width)[:, None]
    off = knots - 0.5 * width[:, None]
    return np.where(np.abs(off) < half, 0.5 + 0.5 * np.cos(np.pi * off / half), 0.0)


def form_heights(width: Floats, knots: Floats, widest_m: float) -> Floats:
    """Single ruts or ridges of unit height all over the shoulder, at the knots, (n, f, k)."""
    out = []
    for half in FORM_HALVES_M:
        count = int(np.ceil(widest_m / (FORM_STEP * half))) + 1
        middle = width[:, None] * np.linspace(0.0, 1.0, count)
        off = (knots[:, None, :] - middle[:, :, None]) / half
        # much like half a wave, and sooner computed
        out.append(np.maximum(1.0 - off * off, 0.0) ** 2)
    return np.concatenate(out, axis=1)


def waves(width: Floats, knots: Floats, widest_m: float) -> Floats:
    """Waves that a smooth section of unit unevenness is made of, at the knots, (n, m, k).

    Cosines over a stretch somewhat longer than the shoulder, weighted by the spectrum of the
    squared exponential covariance (Solin and Särkkä 2020, Statistics and Computing 30).
    """
    smooth = SMOOTH_M
    whole = width + 4.0 * smooth
    m = int(np.ceil(3.0 / smooth * (widest_m + 4.0 * smooth) / np.pi)) + 1
    omega = np.pi * np.arange(m) / whole[:, None]
    density = smooth * np.sqrt(2.0 * np.pi) * np.exp(-0.5 * (omega * smooth) ** 2)
    weight = np.sqrt(density * np.where(np.arange(m) == 0, 1.0, 2.0) / whole[:, None])
    return np.asarray(
        np.cos(omega[:, :, None] * (knots + 2.0 * smooth)[:, None, :]) * weight[:, :, None]
    )


def smeared_hats(width: Floats, place: Floats, box: Floats, count: int) -> Floats:
    """What each knot of a section given by straight lines adds to each bin, (n, b, k).

    The section begins with a step at the edge and goes on level beyond the hinge.
    """
    step = width / (count - 1)
    at = width[:, None] * np.linspace(0.0, 1.0, count)
    off = place[:, :, None] - at[:, None, :]
    ramp = smeared_ramp(off, box[:, None, None, :])
    bend = np.empty((*off.shape[:2], count))
    # second differences of ramps are hats
    bend[:, :, 1:-1] = ramp[:, :, :-2] - 2.0 * ramp[:, :, 1:-1] + ramp[:, :, 2:]
    bend[:, :, 0] = ramp[:, :, 1] - ramp[:, :, 0]
    bend[:, :, -1] = ramp[:, :, -2] - ramp[:, :, -1]
    out = bend / step[:, None, None]
    out[:, :, 0] += smeared_step(off[:, :, 0], box[:, None, :])
    return np.asarray(out)


def loose_columns(width: Floats, place: Floats, box: Floats) -> Floats:
    """What a straightedge can't see, (n, b, 3): height and slope of the shoulder, the foreslope."""
    wide = box[:, None, :]
    beyond = smeared_ramp(place - width[:, None], wide)
    return np.stack([smeared_step(place, wide), smeared_ramp(place, wide) - beyond, beyond], axis=2)
