"""What a square grid cell makes of a step and of a kink in the ground under it.

A cell of an area-averaged grid holds the mean height over its square. Seen across the
road, the square is the convolution of two boxes: for a cell of size ``c`` turned by an
angle ``theta`` against the road their widths are ``c |cos theta|`` and ``c |sin theta|``.
A vertical step in the ground thus reaches the grid as the integral of that convolution
(a trapezoid), and a kink as its second integral. With both known in closed form, a step
can be fitted through the cells that straddle it, instead of leaving them out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["smeared_ramp", "smeared_step"]

# Below this width (m) a box is a point: the difference quotients would lose digits and
# the ramp differs by less than width**2 / 24, a millionth of a millimetre.
_LEAST_BOX_M = 1e-4


def smeared_step(x: ArrayLike, box_m: ArrayLike) -> NDArray[np.float64]:
    """Give the unit step at 0 as the cells see it.

    Parameters
    ----------
    x : (...) array_like
        Distance of cell centres outward from the step, metres.
    box_m : (..., 2) array_like
        The two box widths, metres; broadcast against ``x``.

    Returns
    -------
    (...) ndarray
        0 well inside, 1 well outside, between them the share of the cell past the step.

    Examples
    --------
    >>> smeared_step([-0.5, 0.0, 0.125], [0.5, 0.0]).tolist()
    [0.0, 0.5, 0.75]
    """
    return _smeared(x, box_m, 1)


def smeared_ramp(x: ArrayLike, box_m: ArrayLike) -> NDArray[np.float64]:
    """Give the unit kink ``max(x, 0)`` as the cells see it; arguments as for `smeared_step`.

    Examples
    --------
    >>> smeared_ramp([-0.5, 0.0, 2.0], [0.5, 0.0]).tolist()
    [0.0, 0.0625, 2.0]
    """
    return _smeared(x, box_m, 2)


def _smeared(x: ArrayLike, box_m: ArrayLike, order: int) -> NDArray[np.float64]:
    """Convolve ``max(x, 0)**(order - 1)`` with both boxes."""
    x = np.asarray(x, dtype=np.float64)
    box = np.abs(np.asarray(box_m, dtype=np.float64))
    wide = np.maximum(box[..., 0], box[..., 1])
    narrow = np.minimum(box[..., 0], box[..., 1])
    x, wide, narrow = np.broadcast_arrays(x, wide, narrow)
    far = 0.5 * (wide + narrow)
    near = 0.5 * (wide - narrow)
    # np.array: of a single number, numpy's functions make no array
    value: NDArray[np.float64] = np.array(
        np.maximum(x, 0.0) if order == 2 else np.heaviside(x, 0.5)
    )
    one_box = (narrow < _LEAST_BOX_M) & (wide >= _LEAST_BOX_M) & (np.abs(x) < far)
    two_boxes = (narrow >= _LEAST_BOX_M) & (np.abs(x) < far)
    if one_box.any():
        xs, ws = x[one_box], wide[one_box]
        inside = np.clip(xs + 0.5 * ws, 0.0, ws)
        value[one_box] = inside / ws if order == 1 else 0.5 * inside**2 / ws
    if two_boxes.any():
        xs, fs, ns = x[two_boxes], far[two_boxes], near[two_boxes]
        power, factor = order + 1, 2.0 if order == 1 else 6.0

        def kernel(shift: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.asarray(np.maximum(xs + shift, 0.0) ** power / factor)

        area = wide[two_boxes] * narrow[two_boxes]
        value[two_boxes] = (kernel(fs) - kernel(ns) - kernel(-ns) + kernel(-fs)) / area
    return value
