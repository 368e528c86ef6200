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

__all__ = ["rounded_box", "smeared_ramp", "smeared_step"]


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


def rounded_box(box_m: ArrayLike, arc_m: ArrayLike) -> NDArray[np.float64]:
    """Widths of two boxes that smear a kink as cells do one which is rounded by an arc.

    Parameters
    ----------
    box_m : (..., 2)
        Box widths of a cell.
    arc_m : (...)
        Half the length of the arc, metres. A flat arc is a parabola: the kink, smeared by a box of
        its whole length, whose variance ``arc_m**2 / 3`` goes to both boxes alike.
    """
    arc = np.asarray(arc_m)[..., None]
    return np.asarray(np.sqrt(np.square(box_m) + 2.0 * arc**2))


def _smeared(x: ArrayLike, box_m: ArrayLike, order: int) -> NDArray[np.float64]:
    """Convolve ``max(x, 0)**(order - 1)`` with both boxes."""
    from analysis.corridor.footprint_kernels import smear

    x = np.asarray(x, dtype=np.float64)
    box = np.abs(np.asarray(box_m, dtype=np.float64))
    shape = np.broadcast_shapes(x.shape, box.shape[:-1])
    out = np.empty(shape)
    if box.ndim > 1:
        box = np.broadcast_to(box, (*shape, 2))
    smear(np.broadcast_to(x, shape).ravel(), box.reshape(-1, 2), order, out.reshape(-1))
    return out
