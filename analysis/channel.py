"""What an open ditch carries: Manning's equation, normal and critical depth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["GRAVITY", "ChannelFlow", "critical_depth", "manning", "normal_depth"]

GRAVITY = 9.80665
"""Standard gravity, m/s2 (CGPM 1901)."""


@dataclass(frozen=True, slots=True)
class ChannelFlow:
    """Uniform flow in an open channel.

    Attributes
    ----------
    depth_m, area_m2, perimeter_m, radius_m, top_m : float
        Depth, wetted area and perimeter, hydraulic radius, width of the surface.
    velocity_ms, discharge_m3s, froude : float
        Mean velocity, discharge and Froude number.
    """

    depth_m: float
    area_m2: float
    perimeter_m: float
    radius_m: float
    top_m: float
    velocity_ms: float
    discharge_m3s: float
    froude: float


def manning(
    depth_m: float,
    grade: float,
    roughness: float,
    *,
    bottom_m: float = 0.0,
    foreslope: float = 4.0,
    backslope: float = 3.0,
) -> ChannelFlow:
    """Uniform flow in a ditch by Manning's equation (SI form).

    Parameters
    ----------
    depth_m : float
        Depth of flow.
    grade : float
        Fall of the invert as a fraction, positive.
    roughness : float
        Manning's n.
    bottom_m : float
        Width of the bottom; 0 for a V ditch.
    foreslope, backslope : float
        Run per unit of rise of the two banks.

    Returns
    -------
    ChannelFlow

    Raises
    ------
    ValueError
        If depth, grade or n isn't positive, or a dimension is negative.
    """
    if not (depth_m > 0 and grade > 0 and roughness > 0):
        raise ValueError(
            f"depth, grade and n must be positive, got {depth_m}, {grade} and {roughness}"
        )
    area, perimeter, top = _channel(depth_m, bottom_m, foreslope, backslope)
    radius = area / perimeter
    velocity = radius ** (2.0 / 3.0) * grade**0.5 / roughness
    froude = velocity / (GRAVITY * area / top) ** 0.5
    return ChannelFlow(depth_m, area, perimeter, radius, top, velocity, velocity * area, froude)


def normal_depth(
    discharge_m3s: float,
    grade: float,
    roughness: float,
    *,
    bottom_m: float = 0.0,
    foreslope: float = 4.0,
    backslope: float = 3.0,
) -> float:
    """Depth (m) at which a ditch carries a discharge in uniform flow; arguments as `manning`."""
    from scipy.optimize import brentq

    def surplus(depth: float) -> float:
        flow = manning(
            depth,
            grade,
            roughness,
            bottom_m=bottom_m,
            foreslope=foreslope,
            backslope=backslope,
        )
        return flow.discharge_m3s - discharge_m3s

    return float(brentq(surplus, 1e-6, _deep_enough(surplus), xtol=1e-10))


def critical_depth(
    discharge_m3s: float,
    *,
    bottom_m: float = 0.0,
    foreslope: float = 4.0,
    backslope: float = 3.0,
) -> float:
    """Depth (m) at which a discharge flows at Froude number 1."""
    from scipy.optimize import brentq

    def surplus(depth: float) -> float:
        area, _, top = _channel(depth, bottom_m, foreslope, backslope)
        return area**3 / top - discharge_m3s**2 / GRAVITY

    return float(brentq(surplus, 1e-6, _deep_enough(surplus), xtol=1e-10))


def _deep_enough(surplus: Callable[[float], float]) -> float:
    depth = 1.0
    while surplus(depth) < 0:
        depth *= 2.0
    return depth


def _channel(
    depth: float, bottom: float, foreslope: float, backslope: float
) -> tuple[float, float, float]:
    if bottom < 0 or foreslope < 0 or backslope < 0:
        raise ValueError(
            "bottom width and side slopes can't be negative, "
            f"got {bottom}, {foreslope} and {backslope}"
        )
    top = bottom + (foreslope + backslope) * depth
    banks = (1.0 + foreslope**2) ** 0.5 + (1.0 + backslope**2) ** 0.5
    return 0.5 * (bottom + top) * depth, bottom + banks * depth, top
