"""Compiled: steps and kinks as cells see them; imported only where many are asked for.

The functions compute and check nothing: `analysis.corridor.footprint` says what they are. Kernels
in other files that call these don't see them change, for the compiler keeps its work by the date
of one file: whoever changes one of them saves those files anew.
"""

from __future__ import annotations

from typing import Any

from analysis.common.compiled import compiled

__all__ = ["LEAST_BOX_M", "ramp_of", "smear", "step_of"]

LEAST_BOX_M = 1e-4
"""Below this width a box is a point: the difference quotients would lose digits and
the ramp differs by less than width**2 / 24, a millionth of a millimetre."""


@compiled
def step_of(x: float, wide: float, narrow: float) -> float:
    """Smeared step of one cell whose boxes are so wide."""
    far = 0.5 * (wide + narrow)
    if wide >= LEAST_BOX_M and abs(x) < far:
        if narrow < LEAST_BOX_M:
            return min(max(x + 0.5 * wide, 0.0), wide) / wide
        near = 0.5 * (wide - narrow)
        most, some, least = x + far, max(x + near, 0.0), max(x - near, 0.0)
        return (0.5 * most * most - 0.5 * some * some - 0.5 * least * least) / (wide * narrow)
    if x > 0.0:
        return 1.0
    return 0.0 if x < 0.0 else 0.5 + 0.0 * x


@compiled
def ramp_of(x: float, wide: float, narrow: float) -> float:
    """Smeared ramp of one cell whose boxes are so wide."""
    far = 0.5 * (wide + narrow)
    if wide >= LEAST_BOX_M and abs(x) < far:
        if narrow < LEAST_BOX_M:
            inside = min(max(x + 0.5 * wide, 0.0), wide)
            return 0.5 * inside * inside / wide
        near = 0.5 * (wide - narrow)
        most, some, least = x + far, max(x + near, 0.0), max(x - near, 0.0)
        cubes = most * most * most - some * some * some - least * least * least
        return cubes / (6.0 * wide * narrow)
    return x if not x < 0.0 else 0.0


@compiled
def smear(x: Any, box: Any, order: int, out: Any) -> None:
    """Smeared steps (order 1) or ramps (2) at (m,) places.

    Parameters
    ----------
    x, out : (m,)
    box : (1, 2) or (m, 2)
        Box widths, in any order.
    """
    each = box.shape[0] > 1
    for i in range(x.size):
        k = i if each else 0
        wide, narrow = max(box[k, 0], box[k, 1]), min(box[k, 0], box[k, 1])
        out[i] = step_of(x[i], wide, narrow) if order == 1 else ramp_of(x[i], wide, narrow)
