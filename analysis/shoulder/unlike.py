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

FEWEST_CELLS = 40
"""Windows of fewer cells aren't asked."""

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
    from analysis.shoulder.stretch_kernels import Stretches, Told, apart_along, unlike_windows

    s, half_m = windows.s, windows.half_m
    n = s.size
    parts = np.maximum(LEAST_STRETCHES, np.rint(2.0 * half_m / STRETCH_M)).astype(np.int64)
    prior = (sigma_m / np.maximum(hinge_step_m, 1e-6)) ** 2
    told = Told(np.zeros((n, 3)), np.zeros((n, 3)))
    kept = strip.usable & (weight >= 0.5)
    cut = Stretches(parts, prior, _ASKED, FEWEST_CELLS)
    good = unlike_windows(windows, strip, kept, cut, told)
    told.expected[good] *= (sigma_m[good] ** 2)[:, None]
    freedom = np.where(good, parts - 2, 0)
    # stations whose windows overlap share cells
    spacing = float(np.median(np.diff(s))) if n > 1 else 1.0
    counts = freedom * np.minimum(1.0, spacing / (2.0 * half_m))
    return np.asarray(apart_along(s, told, counts, REACH_M, EXPECTED_STRETCHES))


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
