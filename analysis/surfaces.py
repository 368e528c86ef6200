"""Slopes, edge drops, ruts and their standard errors, from the native cells of each station.

One regression per station and side: pavement plane, step at the edge, shoulder and
foreslope, each as the grid's cells see it (`analysis.smear`), so that no cell next to a break
has to be thrown away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.breaks import SIDE_SIGN, Breaks
from analysis.noise import Noise, estimate_noise
from analysis.smear import smeared_ramp, smeared_step

if TYPE_CHECKING:
    from analysis.ribbon import Cells

__all__ = [
    "NOT_JUDGED",
    "NO_DATA",
    "OK",
    "TOO_COARSE",
    "Measures",
    "Noise",
    "Sections",
    "estimate_noise",
    "measure",
]

Floats = NDArray[np.float64]
Progress = Callable[[float, str], None]

OK, NO_DATA, NOT_JUDGED, TOO_COARSE = 0, 1, 2, 3

BEYOND_HINGE_M = 1.25
"""How much of the foreslope takes part in the fit."""


@dataclass(frozen=True, slots=True)
class Measures:
    """What was measured at n stations; (n, 2) with side 0 left, 1 right; NaN = unknown.

    Cross slopes in percent, positive falls outward; standard errors in the unit of the value.

    Attributes
    ----------
    pavement_slope_pct, pavement_slope_se, shoulder_slope_pct, shoulder_slope_se : (n, 2)
    slope_cov : (n, 2)
        Covariance of pavement and shoulder slope, percent squared.
    edge_drop_mm, edge_drop_se : (n, 2)
        Positive: shoulder lower than the pavement.
    drop_shoulder_cov : (n, 2)
        Covariance of edge drop and shoulder slope, mm percent.
    rut_mm, rut_se, ridge_mm, ridge_se, rut_detectable_mm : (n, 2)
        Largest gap under and rise above a straightedge; what noise alone reaches one time
        in twenty.
    foreslope_pct : (n, 2)
    grade_pct : (n, 2)
        Along the road at the edge, positive rises up-station.
    shoulder_width_m, edge_z_m : (n, 2)
        Edge to hinge; height of the pavement plane at the edge.
    cells : (n, 2) int
        Cells on the shoulder.
    effective_cells : (n, 2)
        As many independent cells would tell as much about the shoulder slope.
    outlier_share : (n, 2)
        Share of shoulder cells left out of the fit.
    roughness_mm : (n, 2)
        Robust scatter of the shoulder about its plane.
    average_m : (n, 2)
        Averaging length used.
    status : (n, 2) int8
        `OK`, `NO_DATA`, `NOT_JUDGED`, `TOO_COARSE`.
    reason : (n, 2) object
        One sentence, "" where the status is `OK`.
    """

    pavement_slope_pct: Floats
    pavement_slope_se: Floats
    shoulder_slope_pct: Floats
    shoulder_slope_se: Floats
    slope_cov: Floats
    edge_drop_mm: Floats
    edge_drop_se: Floats
    drop_shoulder_cov: Floats
    rut_mm: Floats
    rut_se: Floats
    ridge_mm: Floats
    ridge_se: Floats
    rut_detectable_mm: Floats
    foreslope_pct: Floats
    grade_pct: Floats
    shoulder_width_m: Floats
    edge_z_m: Floats
    cells: NDArray[np.int64]
    effective_cells: Floats
    outlier_share: Floats
    roughness_mm: Floats
    average_m: Floats
    status: NDArray[np.int8]
    reason: NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Sections:
    """Averaged sections relative to the pavement plane at the edge.

    Attributes
    ----------
    s : (n,)
        Stations.
    u : (k,)
        Outward from the edge, metres; negative = pavement.
    height_m, se_m : (n, 2, k)
        Ground minus pavement height at the edge, and its standard error; NaN = unknown.
    """

    s: Floats
    u: Floats
    height_m: Floats
    se_m: Floats


def measure(
    cells: Cells,
    breaks: Breaks,
    noise: Noise,
    *,
    average_m: float | Literal["auto"] = 20.0,
    box_m: Floats,
    mask: NDArray[np.bool_] | None = None,
    progress: Progress | None = None,
) -> tuple[Measures, Sections]:
    """Measure pavement and shoulder at every station.

    Parameters
    ----------
    cells : Cells
        Native grid cells near the road, sorted along it.
    breaks : Breaks
    noise : Noise
    average_m : float or "auto"
        Length of road averaged for a station; "auto" takes the least that tells 4 % from 2 %.
    box_m : (n, 2)
        Box widths of a cell across the road.
    mask : (m,) bool, optional
        Cells that the user's layer says aren't shoulder.
    progress : callable, optional
        Called with a fraction and a few words; may raise `analysis.errors.Cancelled`.

    Returns
    -------
    Measures, Sections
    """
    from analysis.fitting_kernels import COLUMNS, fit_windows, section_means

    n = breaks.s.size
    c = cells.cell_m
    length = np.full((n, 2), 20.0 if average_m == "auto" else float(average_m))
    u_axis = np.arange(-round(5.0 / (c / 2)), round(12.0 / (c / 2)) + 1) * (c / 2)
    height = np.full((n, 2, u_axis.size), np.nan)
    height_se = np.full((n, 2, u_axis.size), np.nan)
    values = {name: np.full((n, 2), np.nan) for name in Measures.__dataclass_fields__}
    count = np.zeros((n, 2), dtype=np.int64)
    status = np.zeros((n, 2), dtype=np.int8)
    reason = np.full((n, 2), "", dtype=object)
    sigma = np.where(np.isfinite(noise.sigma_m), noise.sigma_m, 0.05)
    for side, sign in enumerate(SIDE_SIGN):
        if progress is not None:
            progress(0.5 * side, "measuring " + ("left", "right")[side])
        edge = np.interp(cells.s, breaks.s, breaks.edge[:, side])
        hinge = np.interp(cells.s, breaks.s, breaks.hinge[:, side])
        axis = np.interp(cells.s, breaks.s, sign * breaks.axis)
        x = sign * cells.o - edge
        width = hinge - edge
        guard = 0.5 * float(box_m.sum(axis=1).max()) + 0.25
        near = (x > -6.0) & (x < 12.5)
        s, z, x, width = cells.s[near], cells.z[near], x[near], width[near]
        inner = (axis - edge)[near]
        given = np.zeros(s.size, dtype=bool) if mask is None else mask[near]
        box = np.column_stack([np.interp(s, breaks.s, box_m[:, k]) for k in (0, 1)])
        usable = (x > np.maximum(inner + guard, -4.0)) & (x < width + BEYOND_HINGE_M) & ~given
        basis = np.zeros((7, s.size))
        basis[0] = x
        basis[1] = smeared_ramp(x, box)
        basis[2] = smeared_step(x, box)
        basis[3] = smeared_ramp(x - width, box)
        basis[4] = smeared_step(x - width, box)
        basis[5] = (smeared_step(x + 1e-4, box) - smeared_step(x - 1e-4, box)) / 2e-4
        basis[6] = np.floor((x + 8.0) / c)
        half = 0.5 * length[:, side]
        first = np.searchsorted(s, breaks.s - half)
        last = np.searchsorted(s, breaks.s + half)
        beta = np.full((n, COLUMNS), np.nan)
        covariance = np.full((n, COLUMNS, COLUMNS), np.nan)
        scatter = np.full((n, COLUMNS, COLUMNS), np.nan)
        lever = np.full((n, COLUMNS, 2), np.nan)
        tally = np.zeros((n, 8))
        kept = np.ones(s.size)
        fit_windows(
            breaks.s, first, last, half, s, z, basis, width, usable, sigma, c,
            np.zeros(n, dtype=bool), noise.correlation_m, noise.nugget, True, kept,
            beta, covariance, scatter, lever, tally,
        )  # fmt: skip
        full = covariance * (sigma**2)[:, None, None]
        for k, se in enumerate((breaks.edge_se[:, side], breaks.hinge_se[:, side])):
            spread = lever[:, :, k] * np.where(np.isfinite(se), se, 0.0)[:, None]
            full = full + spread[:, :, None] * spread[:, None, :]
        slope_s = np.zeros(COLUMNS)
        slope_s[[3, 5]] = -100.0
        slope_p = np.zeros(COLUMNS)
        slope_p[3] = -100.0
        drop = np.zeros(COLUMNS)
        drop[6] = 1000.0

        def both(a: Floats, b: Floats, full: Floats = full) -> Floats:
            return np.asarray(np.einsum("i,nij,j->n", a, full, b))

        values["pavement_slope_pct"][:, side] = beta @ slope_p
        values["pavement_slope_se"][:, side] = np.sqrt(both(slope_p, slope_p))
        values["shoulder_slope_pct"][:, side] = beta @ slope_s
        values["shoulder_slope_se"][:, side] = np.sqrt(both(slope_s, slope_s))
        values["slope_cov"][:, side] = both(slope_p, slope_s)
        values["edge_drop_mm"][:, side] = beta @ drop
        values["edge_drop_se"][:, side] = np.sqrt(both(drop, drop))
        values["drop_shoulder_cov"][:, side] = both(drop, slope_s)
        values["foreslope_pct"][:, side] = -100.0 * (beta[:, 3] + beta[:, 5] + beta[:, 7])
        values["grade_pct"][:, side] = 100.0 * beta[:, 1] / half
        values["edge_z_m"][:, side] = beta[:, 0] - beta[:, 2] / 3.0
        values["outlier_share"][:, side] = tally[:, 3]
        values["roughness_mm"][:, side] = 1000.0 * tally[:, 4]
        values["shoulder_width_m"][:, side] = breaks.hinge[:, side] - breaks.edge[:, side]
        values["average_m"][:, side] = length[:, side]
        count[:, side] = tally[:, 0].astype(np.int64)
        values["effective_cells"][:, side] = tally[:, 0]
        few = (tally[:, 0] < 8) | (tally[:, 1] < 8) | ~np.isfinite(beta[:, 0])
        status[few, side] = NO_DATA
        reason[few, side] = "The grid has too few cells on pavement or shoulder here."
        section_means(
            breaks.s, first, last, s, x, z, np.where(given, 0.0, 1.0),
            beta[:, 0], beta[:, 1] / half, beta[:, 2], half, u_axis, 1.25 * c,
            height[:, side], height_se[:, side],
        )  # fmt: skip
        height_se[:, side] *= sigma[:, None]
    unknown = status != OK
    for name, value in values.items():
        if name not in ("average_m", "shoulder_width_m"):
            value[unknown] = np.nan
    values.update(cells=count, status=status, reason=reason)
    return Measures(**values), Sections(breaks.s, u_axis, height, height_se)
