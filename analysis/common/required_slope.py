"""How steeply a shoulder has to fall beside its pavement, or over a banked unpaved road."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.limits import ShapeLimits
from analysis.common.types import Bools, Floats

__all__ = ["RequiredSlope", "over_road_pct", "required_pct", "required_slope"]


@dataclass(frozen=True, slots=True)
class RequiredSlope:
    """Shoulder slope to build beside a given pavement slope, and what it comes from.

    Attributes
    ----------
    pct : ndarray
        What is required, percent; NaN where the pavement slope is unknown.
    follows_pavement : ndarray of bool
        Where it moves with the pavement's slope, and so has that slope's error.
    """

    pct: Floats
    follows_pavement: Bools


def required_slope(
    pavement_slope_pct: ArrayLike,
    limits: ShapeLimits,
    unpaved_shoulder_pct: ArrayLike | None = None,
) -> RequiredSlope:
    """Shoulder slope to build beside a given pavement slope.

    Normal crown: the pavement plus the set points, at least the surface's minimum. Low side of a
    curve, beyond the steepest normal crown: what that crown asks, or the pavement with its own set
    points (no more than those of a crown) where that is steeper, so that the shoulder follows the
    superelevation. High side: the minimum, but no more than the breakover allows. Never steeper
    than the steepest to build, unless the pavement itself is: a shoulder flatter than the pavement
    that drains onto it holds water back. One continuous rule of the pavement's slope: no step where
    one case becomes another.

    The shoulder of an unpaved road is of what the road is, and graded with it: on the high side of
    a banked curve it may fall outward by that rule, or go on in the road's plane and drain over it
    to the low side. One that does is asked to stay in that plane.

    Parameters
    ----------
    pavement_slope_pct : array_like
        Percent, positive falls outward; NaN = unknown.
    limits : ShapeLimits
        Limits to use.
    unpaved_shoulder_pct : array_like, optional
        Slope of the shoulder as it lies, where the road is unpaved.

    Examples
    --------
    Normal crown, low side and high side, on gravel:

    >>> from analysis.common.limits import default_limits
    >>> required_slope([2.0, 6.0, -6.0], default_limits().shape).pct.tolist()
    [4.0, 6.0, 2.0]
    """
    pavement = np.asarray(pavement_slope_pct, dtype=np.float64)
    required, hair = required_pct(pavement, limits), 1e-6
    follows = required_pct(pavement + hair, limits) - required > 0.5 * hair
    if unpaved_shoulder_pct is not None:
        _, most = over_road_pct(pavement, limits)
        with np.errstate(invalid="ignore"):
            over = (np.asarray(unpaved_shoulder_pct) <= most) & (pavement <= most)
        required, follows = np.where(over, pavement, required), follows | over
    return RequiredSlope(required, follows)


def required_pct(pavement: NDArray[np.float64], limits: ShapeLimits) -> NDArray[np.float64]:
    """Slope of `required_slope` outward, percent."""
    crown, least = limits.normal_crown_most_pct.value, limits.shoulder_least_pct.value
    over = limits.shoulder_over_pavement_points.value
    low_over = min(over, limits.low_side_over_pavement_points.value)
    breakover, most = limits.breakover_most_points.value, limits.shoulder_most_pct.value
    wanted = np.maximum(np.minimum(pavement, crown) + over, pavement + low_over)
    built = np.minimum(np.maximum(wanted, least), np.maximum(pavement, most))
    return np.asarray(np.minimum(built, pavement + breakover))


def over_road_pct(pavement: Floats, limits: ShapeLimits) -> tuple[Floats, Floats]:
    """Slopes from which and up to which a shoulder drains over an unpaved road, percent.

    It may fall towards the road no more steeply than the road goes on falling, and not so little
    that it lies level; where the first is above the second the road isn't banked enough.

    >>> from analysis.common.limits import default_limits
    >>> over_road_pct(np.array([-4.0, 4.0]), default_limits().shape)[0].tolist()
    [-5.0, 3.0]
    """
    tolerance = limits.slope_shortfall_points.value
    most = min(tolerance - limits.unpaved_over_road_least_pct.value, 0.0)
    return pavement - tolerance, np.full_like(pavement, most)
