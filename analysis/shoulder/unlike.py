"""How far stretches of one window differ from each other: its errors where they are measured.

Noise that is told from the pavement says nothing of grass on the shoulder, of points that lie off
sideways on a foreslope, nor of heights between two points that miss the hinge between them; and a
model of how alike neighbouring cells are may be another than the ground's. All of that shows in
what a few short stretches of the same window say of slope and step, each for itself: they scatter
about what all say together by as much as their errors are, whatever these come from.
"""

from __future__ import annotations

import numpy as np

from analysis.common.types import Floats
from analysis.shoulder.strip import Strip, Windows

__all__ = ["PAVEMENT", "SHOULDER", "STEP", "shared_shift", "unlike_stretches"]


PAVEMENT, SHOULDER, STEP = range(3)
"""What the stretches are asked for: slopes of pavement and shoulder, step at the edge."""

STRETCH_M, LEAST_STRETCHES = 4.0, 4
"""Length of a stretch: some times the distance over which cells of common grids are alike."""

HINGE_STEP_M = 0.02
"""Usual size of the step that a misplaced hinge looks like."""

REACH_M = 100.0
"""Stretches within this of a station count for it, nearer ones more."""

EXPECTED_STRETCHES = 25.0
"""As many stretches that scatter as white noise does are supposed beforehand."""

_ASKED = np.zeros((3, 9))
_ASKED[PAVEMENT, 3] = 1.0
_ASKED[SHOULDER, [3, 5]] = 1.0
_ASKED[STEP, 6] = 1.0


def unlike_stretches(
    strip: Strip, windows: Windows, weight: Floats, sigma_m: Floats, hinge_step_m: Floats
) -> Floats:
    """Return by how much the variance of what is measured exceeds that of white noise, (n, 3).

    Parameters
    ----------
    strip, windows
        Cells of one side, and the stretch of road of each of n stations.
    weight : (m,)
        Weight of each cell; less than a half counts as left out.
    sigma_m : (n,)
        Noise of a cell.
    hinge_step_m : (n,)
        Usual size of the step that a misplaced hinge looks like.

    Returns
    -------
    (n, 3)
        Of `PAVEMENT`, `SHOULDER` and `STEP`, averaged along the road; 1 where nothing is known.
    """
    from analysis.shoulder.stretch_kernels import Told, scatter_of

    n = windows.s.size
    seen, expected, freedom = np.zeros((n, 3)), np.zeros((n, 3)), np.zeros(n)
    kept = strip.usable & (weight >= 0.5)
    for i in range(n):
        here = slice(int(windows.first[i]), int(windows.last[i]))
        on = kept[here]
        if on.sum() < 40:
            continue
        t = (strip.s[here][on] - windows.s[i]) / windows.half_m[i]
        design = _design(t, strip.basis[:, here][:, on])
        prior = (sigma_m[i] / max(float(hinge_step_m[i]), 1e-6)) ** 2
        z = strip.z[here][on]
        parts = max(LEAST_STRETCHES, round(2.0 * windows.half_m[i] / STRETCH_M))
        # a hair more, so that a cell on the border of two stretches always falls to the same
        part = np.clip(((t + 1.0) * 0.5 * parts + 1e-6).astype(np.int64), 0, parts - 1)
        told = Told(seen[i], expected[i])
        if scatter_of(design, z - z.mean(), part, parts, prior, _ASKED, told):
            expected[i] *= sigma_m[i] ** 2
            freedom[i] = parts - 2
    return _along(windows, seen, expected, freedom)


def shared_shift(strip: Strip, windows: Windows, weight: Floats, sigma_m: Floats) -> Floats:
    """Return what one standard error of the level that cells share makes of each parameter, (n, 9).

    Arguments are those of `unlike_stretches`; 0 where no cells share one.
    """
    out = np.zeros((windows.s.size, 9))
    if strip.shared_m.size == 0:
        return out
    kept = strip.usable & (weight >= 0.5)
    for i in range(windows.s.size):
        here = slice(int(windows.first[i]), int(windows.last[i]))
        on = kept[here]
        shared = strip.shared_m[here][on]
        # a level that all cells share is no slope
        if on.sum() < 20 or np.ptp(shared) == 0.0:
            continue
        t = (strip.s[here][on] - windows.s[i]) / windows.half_m[i]
        design = _design(t, strip.basis[:, here][:, on])
        normal = design.T @ design
        normal[8, 8] += (sigma_m[i] / HINGE_STEP_M) ** 2
        # a column without cells tells nothing
        normal[np.diag_indices(9)] += 1e-9 * (np.diag(normal) + 1.0)
        out[i] = np.linalg.solve(normal, design.T @ shared)
    return out


def _design(t: Floats, basis: Floats) -> Floats:
    """The columns of the fit; see `analysis.shoulder.fitting_kernels`."""
    x = basis[0]
    one = np.ones_like(t)
    return np.stack(
        [one, t, t * t - 1.0 / 3.0, x, t * x, basis[1], -basis[2], basis[3], basis[4]], axis=1
    )


def _along(windows: Windows, seen: Floats, expected: Floats, freedom: Floats) -> Floats:
    """Ratio of seen to expected about each station; stations whose windows overlap share cells."""
    s = windows.s
    out = np.ones((s.size, 3))
    spacing = float(np.median(np.diff(s))) if s.size > 1 else 1.0
    own = np.minimum(1.0, spacing / (2.0 * windows.half_m))
    for i, here in enumerate(s):
        near = np.abs(s - here) <= REACH_M + 1e-6
        weight = (1.0 - 0.5 * np.abs(s[near] - here) / REACH_M) * (expected[near, 0] > 0.0)
        counts = weight * freedom[near] * own[near]
        with np.errstate(invalid="ignore", divide="ignore"):
            each = np.where(expected[near] > 0.0, seen[near] / expected[near], 1.0)
        # a station at the end of a driveway must not speak for all
        each = np.minimum(each, 4.0 * np.maximum(np.median(each, axis=0), 0.5))
        total = counts.sum() + EXPECTED_STRETCHES
        out[i] = (counts @ each + EXPECTED_STRETCHES) / total
    return out
