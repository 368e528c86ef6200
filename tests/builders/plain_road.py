"""A plain straight road on a ribbon, for tests of water: every height known in closed form."""

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ribbon
from analysis.edges.values import Breaks
from analysis.road.roadline import make_road
from analysis.shoulder.values import Noise
from analysis.water.chance import NoiseMaker

EDGE, HINGE, DITCH = 3.5, 5.0, 8.0
"""Outward places of pavement edge, hinge and invert, metres."""

STEP = 0.5
SECTION_U = (0.0, 3.5, 5.0, 8.0, 11.0, 16.0)
SECTION_Z = (0.0, -0.07, -0.13, -0.73, 0.27, 0.42)
"""2 % pavement, 4 % shoulder, 1:5 foreslope, invert 0.66 m below the edge, 1:3 back slope."""

Shape = Callable[[np.ndarray, np.ndarray], np.ndarray]


def along(length_m):
    return np.arange(round(length_m / STEP) + 1) * STEP


def plain_breaks(length_m, spacing_m=10.0):
    s = np.arange(0.0, length_m + 1e-9, spacing_m)

    def both(value):
        return np.full((s.size, 2), float(value))

    found = np.ones((s.size, 2), np.int8)
    return Breaks(
        s=s,
        axis=np.zeros(s.size),
        axis_source=np.ones(s.size, np.int8),
        edge=both(EDGE),
        edge_se=both(0.05),
        edge_confidence=both(1.0),
        edge_source=found,
        hinge=both(HINGE),
        hinge_se=both(0.05),
        hinge_confidence=both(1.0),
        hinge_source=found,
        ditch=both(DITCH),
        ditch_source=found,
        crowned=np.ones(s.size, bool),
    )


def plain_noise(breaks, sigma_m=0.0, correlation_m=0.0, nugget=1.0):
    n = breaks.s.size
    return Noise(
        np.full(n, sigma_m), np.full(n, correlation_m), np.full(n, nugget), "made for a test"
    )


def plain_road(
    length_m=400.0,
    *,
    grade: float | Shape = 0.01,
    shape: Shape | None = None,
    sigma_m=0.0,
    half_m=15.0,
    seed=0,
):
    """Make (ribbon, breaks, noise); `grade` falls up-station, or gives heights of the crown.

    `shape(s, o)` is added to the heights.
    """
    s = along(length_m)
    o = np.arange(-round(half_m / STEP), round(half_m / STEP) + 1) * STEP
    crown = grade(s) if callable(grade) else -grade * s
    z = 100.0 + crown[:, None] + np.interp(np.abs(o), SECTION_U, SECTION_Z)[None, :]
    if shape is not None:
        z = z + shape(s[:, None], o[None, :])
    if sigma_m:
        z = z + sigma_m * NoiseMaker(STEP, 0.0, 1.0, seed=seed).block(s.size, o.size, STEP, STEP)
    breaks = plain_breaks(length_m)
    return Ribbon(s=s, o=o, z=z, step_s=STEP, step_o=STEP), breaks, plain_noise(breaks, sigma_m)


def plain_case(breaks):
    """The road of these breaks as a case, on a grid whose cells are as large as a step."""
    return Case(
        grid=SimpleNamespace(cell_m=STEP),
        road=make_road("Plain Road", [[0.0, 0.0], [breaks.s[-1], 0.0]]),
        s=breaks.s,
        box_m=np.tile([STEP, 0.0], (breaks.s.size, 1)),
        settings=Settings(),
        limits=default_limits(),
        extras=Extras(),
    )


def mirrored(ribbon):
    """Swap left and right."""
    return Ribbon(
        s=ribbon.s,
        o=-ribbon.o[::-1],
        z=np.ascontiguousarray(ribbon.z[:, ::-1]),
        step_s=ribbon.step_s,
        step_o=ribbon.step_o,
    )


def lifted(ribbon, metres):
    """Raise the ground everywhere."""
    return Ribbon(
        s=ribbon.s, o=ribbon.o, z=ribbon.z + metres, step_s=ribbon.step_s, step_o=ribbon.step_o
    )
