"""Slopes, edge drops, ruts and their standard errors, from the native cells of each station.

One regression per station and side: pavement plane, step at the edge, shoulder and
foreslope, each as the grid's cells see it (`analysis.corridor.footprint`), so that no cell next to
a break has to be thrown away.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import interpolate_along
from analysis.common.hands import each_by_hands
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats, Progress
from analysis.edges.values import Breaks
from analysis.shoulder.ground_errors import ground_errors
from analysis.shoulder.regression import (
    Fitted,
    SideFit,
    fit_side,
    road_slant,
    side_ground,
    side_section,
)
from analysis.shoulder.resolving import averaging_lengths, too_coarse
from analysis.shoulder.straightedge import STRAIGHTEDGE_M, lay_straightedge
from analysis.shoulder.strip import STRIP_M, side_strip
from analysis.shoulder.values import Measures, Noise, Reason, Sections, Status, Why

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = ["measure_sides"]


def measure_sides(
    cells: Cells,
    breaks: Breaks,
    noise: Noise,
    *,
    average_m: float | Literal["auto"] = 20.0,
    box_m: Floats,
    smear_se_m2: float = 0.0,
    mask: NDArray[np.bool_] | None = None,
    straightedge_m: float = STRAIGHTEDGE_M,
    beats: Floats | None = None,
    line_box_m: Floats | None = None,
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
    smear_se_m2 : float
        How well the variance of what they smear is known, see `analysis.corridor.values.Grain`.
    mask : (m,) bool, optional
        Cells that the user's layer says aren't shoulder.
    straightedge_m : float
        Length of the straightedge for ruts and ridges.
    beats : (b,), optional
        Places that tell what goes on along the road; None: the stations. The breaks' line tells of
        those that are no stations.
    line_box_m : (k, 2), optional
        Box widths at the places of the breaks' line; None: as between stations.
    progress : callable, optional
        Called with a fraction and a few words; may raise `analysis.common.errors.Cancelled`.

    Returns
    -------
    Measures, Sections
    """
    n = breaks.s.size
    if average_m == "auto":
        length = averaging_lengths(breaks, noise, cells.cell_m)
    else:
        length = np.full((n, 2), float(average_m))
    step = 0.5 * cells.cell_m
    u = np.asarray(np.arange(-round(5.0 / step), round(12.0 / step) + 1) * step, dtype=np.float64)
    height = np.full((n, 2, u.size), np.nan)
    height_se = np.full((n, 2, u.size), np.nan)
    ground = np.full((n, 2, u.size), np.nan)
    shape_se = np.zeros((n, 2, u.size))
    given = np.zeros(cells.s.size, dtype=bool) if mask is None else mask
    fitted = _with_beats(breaks, noise, length, breaks.s if beats is None else beats)
    slant = road_slant(breaks)
    seen = np.zeros((n, 2))

    def one_side(side: int) -> dict[str, Floats]:
        strip = side_strip(cells, breaks, side, box_m, given, line_box_m)
        fit = fit_side(strip, fitted, side, smear_se_m2=smear_se_m2).at(fitted.stations)
        seen[:, side] = fit.windows.last - fit.windows.first
        gaps = lay_straightedge(strip, fit, breaks, noise, side, box_m, length_m=straightedge_m)
        height[:, side], height_se[:, side] = side_section(strip, fit, noise, u)
        ground[:, side] = side_ground(fit, u, height[:, side])
        shape_se[:, side] = ground_errors(fit, u)
        return _side_values(fit, SIDE_SIGN[side] * slant) | gaps.values()

    if progress is not None:
        progress(0.0, "measuring both sides")
    found = each_by_hands(one_side, (0, 1))
    values: dict[str, Any] = {
        name: np.stack([part[name] for part in found], axis=1) for name in found[0]
    }
    values["shoulder_width_m"] = breaks.hinge - breaks.edge
    status = np.zeros((n, 2), dtype=np.int8)
    reason = np.full((n, 2), None, dtype=object)
    few = (values["cells"] < 8) | ~np.isfinite(values["edge_z_m"])
    status[few] = Status.NO_DATA
    reason[few] = Reason(Why.FEW_CELLS)
    # a coarse grid isn't one with holes: it has as many cells near the road as it can have
    coarse = too_coarse(
        breaks, cells.cell_m, values["shoulder_slope_se"], values["edge_drop_se"], length
    )
    blind = coarse.astype(bool) & (
        (_too_noisy(coarse) & ~few) | (seen > 0.3 * STRIP_M * length / cells.cell_m**2)
    )
    status[blind] = Status.TOO_COARSE
    reason[blind] = coarse[blind]
    for name, value in values.items():
        if name not in ("shoulder_width_m", "cells"):
            value[few | blind] = np.nan
    values.update(average_m=length, status=status, reason=reason)
    if progress is not None:
        progress(1.0, "measuring")
    return Measures(**values), Sections(breaks.s, u, height, height_se, ground, shape_se)


def _with_beats(breaks: Breaks, noise: Noise, length: Floats, beats: Floats) -> Fitted:
    """All places that are fitted: stations, and beats that are none."""
    wide = breaks.with_those_at(beats)
    stations, own = np.searchsorted(wide.s, breaks.s), np.flatnonzero(np.isin(wide.s, beats))
    if wide.s.size == breaks.s.size:
        return Fitted(breaks, noise, length, stations, own if own.size else stations)

    along = interpolate_along(wide.s, breaks.s, length)
    return Fitted(wide, noise.at(wide.s, breaks.s), along, stations, own)


def _too_noisy(reasons: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Where the errors are too large, whatever they come from: at an end of the grid, say."""
    loose = (Why.TOO_NOISY, Why.TOO_NOISY_FOR_ASSUMED)
    kinds: list[Reason | None] = reasons.ravel().tolist()
    found = [why is not None and why.kind in loose for why in kinds]
    return np.array(found, dtype=bool).reshape(reasons.shape)


def _side_values(fit: SideFit, slant: Floats) -> dict[str, Floats]:
    """Turn the fits of one side into the values of `Measures`."""
    beta, full = fit.mixed, fit.mixed_covariance
    p = beta.shape[1]
    # The road runs aslant to the given line: `bend` is how far it goes outward per metre.
    length = np.sqrt(1.0 + slant**2)
    pavement = np.zeros((beta.shape[0], p))
    pavement[:, 3] = -100.0 * length
    pavement[:, 1] = 100.0 * slant / length / fit.windows.half_m
    shoulder = pavement.copy()
    shoulder[:, 5] = -100.0 * length
    foreslope = shoulder.copy()
    foreslope[:, 7] = -100.0 * length
    drop = np.zeros_like(pavement)
    drop[:, 6] = 1000.0

    def value(of: Floats) -> Floats:
        return np.asarray(np.einsum("nj,nj->n", of, beta))

    def both(one: Floats, other: Floats, covariance: Floats = full) -> Floats:
        return np.asarray(np.einsum("ni,nij,nj->n", one, covariance, other))

    def beyond_se(of: Floats, covariance: Floats) -> Floats:
        """Part of an error that isn't in a covariance."""
        return np.sqrt(np.maximum(both(of, of) - both(of, of, covariance), 0.0))

    return {
        "pavement_slope_pct": value(pavement),
        "pavement_slope_se": np.sqrt(both(pavement, pavement)),
        "shoulder_slope_pct": value(shoulder),
        "shoulder_slope_se": np.sqrt(both(shoulder, shoulder)),
        "slope_cov": both(pavement, shoulder),
        "edge_drop_mm": value(drop),
        "edge_drop_se": np.sqrt(both(drop, drop)),
        "drop_shoulder_cov": both(drop, shoulder),
        "shoulder_slope_shared_se": beyond_se(shoulder, fit.own_covariance),
        "edge_drop_shared_se": beyond_se(drop, fit.own_covariance),
        "edge_drop_place_se": beyond_se(drop, fit.placed_covariance),
        "edge_drop_at_m": fit.edge_beyond_m,
        "edge_drop_at_se": fit.edge_beyond_se,
        "foreslope_pct": value(foreslope),
        "grade_pct": 100.0 * beta[:, 1] / fit.windows.half_m / length,
        "edge_z_m": fit.beta[:, 0] - fit.beta[:, 2] / 3.0,
        "cells": fit.tally[:, 0].astype(np.int64),
        "effective_cells": fit.tally[:, 0] / fit.inflation,
        "outlier_share": fit.tally[:, 3].copy(),
        "roughness_mm": 1000.0 * fit.tally[:, 4],
    }
