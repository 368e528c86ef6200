"""One robust regression per station and side, on the native cells of its stretch of road.

Height is modelled as the pavement's plane, a step at the edge, a kink at the edge and a kink
at the hinge, each as the grid's cells see it (`analysis.corridor.footprint`), so that no cell next
to a break has to be thrown away. A slight vertical curve and a change of cross slope along the
stretch are fitted too: they are even and odd about the station, so that they cost next to nothing,
and without them a half-empty stretch would be biased.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.edges.values import Breaks
from analysis.shoulder.values import Noise

if TYPE_CHECKING:
    from analysis.corridor.values import Cells

__all__ = [
    "Shape",
    "SideFit",
    "Strip",
    "fit_side",
    "road_slant",
    "side_ground",
    "side_section",
    "side_strip",
]


BEYOND_HINGE_M = 1.25
"""How much of the foreslope takes part in a fit."""

PAVEMENT_M = 4.5
"""How much of the pavement inside the edge takes part: a cambered one isn't a plane farther in."""

OUTSIDE_M = 12.5
"""How far outside the edge cells are gathered, for the sections."""

STRIP_M = PAVEMENT_M + 1.0 + OUTSIDE_M
"""Width of the strip of cells gathered on a side."""

KNOT_CELLS, LEAST_KNOT_M = 0.6, 0.2
"""Least distance of the knots that carry a shoulder's shape, in cells and in metres."""

ROUGHNESS = ((0.0, 0.80), (0.004, 0.05), (0.01, 0.05), (0.025, 0.05), (0.06, 0.05))
"""Scatter of the knots about a straight shoulder, metres, and how likely it is beforehand."""

STEP_SHARE = 0.2
"""An edge is found where the section fits together, on these same cells: beside an even shoulder
flush with it, most of the error that its place brings into the step is undone by the noise that
misplaced it (share by trials)."""

UNEVEN_M, STEPPED_M = 0.008, 0.03
"""A shoulder whose knots are this uneven, or that stands this far from flush, leaves its edge to
guesswork: all of the error counts."""

_EXACT_STATIONS = 24


@dataclass(frozen=True, slots=True)
class Strip:
    """Cells of one side, sorted along the road.

    Attributes
    ----------
    s, x, z : (m,)
        Distance along the road, distance outward from the edge, height.
    width : (m,)
        Shoulder width at each cell, NaN where there is no shoulder.
    usable : (m,) bool
        Takes part in the fits.
    masked : (m,) bool
        Taken out by the user's layer.
    basis : (7, m)
        See `analysis.shoulder.fitting_kernels.fit_windows`.
    box : (m, 2)
        Box widths of each cell across the road, the wider first.
    cell_m : float
    """

    s: Floats
    x: Floats
    z: Floats
    width: Floats
    usable: NDArray[np.bool_]
    masked: NDArray[np.bool_]
    basis: Floats
    box: Floats
    cell_m: float


@dataclass(frozen=True, slots=True)
class Shape:
    """What isn't straight in n shoulders: heights at even knots between edge and hinge.

    Attributes
    ----------
    height_m, covariance : (n, k), (n, k, k)
        Over the line from edge to hinge; only the first `count` knots of a row count.
    count : (n,) int
    width_m : (n,)
    """

    height_m: Floats
    covariance: Floats
    count: NDArray[np.int64]
    width_m: Floats


@dataclass(frozen=True, slots=True)
class SideFit:
    """Fits of n stations on one side; parameters in the order of the kernel's columns.

    Attributes
    ----------
    half_m : (n,)
        Half the averaging length.
    first, last : (n,) int
        Cells of each station as a slice of the strip.
    beta : (n, p)
    covariance : (n, p, p)
        With noise, its correlation, and the uncertain places of edge and hinge.
    inflation : (n,)
        Variance of the shoulder slope over what white noise would give.
    shape : Shape
    tally : (n, 8)
        See `analysis.shoulder.fitting_kernels.fit_windows`.
    weight : (m,)
        Least weight that any fit gave each cell of the strip.
    """

    half_m: Floats
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    beta: Floats
    covariance: Floats
    inflation: Floats
    shape: Shape
    tally: Floats
    weight: Floats


def road_slant(breaks: Breaks) -> Floats:
    """Return how the true road runs beside the given line: offset gained per metre, (n,).

    Sections stand square to the given line; where that slants against the road, part of the
    grade would pass for cross slope.
    """
    s, axis = breaks.s, breaks.axis
    if s.size < 3:
        return np.zeros(s.size)
    slant = np.empty(s.size)
    for i, here in enumerate(s):
        away = s - here
        order = np.argsort(np.abs(away), kind="stable")[: max(3, int(np.sum(np.abs(away) <= 25.0)))]
        d = away[order] - away[order].mean()
        slant[i] = np.sum(d * axis[order]) / np.sum(d * d)
    return slant


def side_strip(
    cells: Cells,
    breaks: Breaks,
    side: int,
    box_m: Floats,
    masked: NDArray[np.bool_],
    guard_m: float = 0.0,
) -> Strip:
    """Gather the cells of one side about its edge.

    Parameters
    ----------
    cells : Cells
    breaks : Breaks
    side : int
        0 left, 1 right.
    box_m : (n, 2)
        Box widths of a cell across the road.
    masked : (m,) bool
        Cells that aren't shoulder.
    guard_m : float
        Cells this near to a break are left out.

    Returns
    -------
    Strip
    """
    sign, c = SIDE_SIGN[side], cells.cell_m
    edge = np.interp(cells.s, breaks.s, breaks.edge[:, side])
    x = sign * cells.o - edge
    near = (x > -PAVEMENT_M - 1.0) & (x < OUTSIDE_M) & np.isfinite(cells.z)
    s, x, z = cells.s[near], x[near], cells.z[near]
    known = np.isfinite(breaks.hinge[:, side])
    width = np.full(s.size, np.nan)
    if known.any():
        gap = (breaks.hinge - breaks.edge)[known, side]
        width = np.interp(s, breaks.s[known], gap)
    inner = np.interp(s, breaks.s, sign * breaks.axis) - edge[near]
    box = np.column_stack([np.interp(s, breaks.s, box_m[:, k]) for k in (0, 1)])
    guard = 0.5 * box.sum(axis=1) + 0.25
    outer = width + BEYOND_HINGE_M
    if breaks.foreslope_end is not None:
        end = np.interp(s, breaks.s, breaks.foreslope_end[:, side]) - edge[near]
        # a cell that reaches into the ditch's bottom belongs to neither
        end = np.maximum(end - 0.5 * box.sum(axis=1), width)
        outer = np.fmin(outer, end)
    usable = (x > np.maximum(inner + guard, -PAVEMENT_M)) & (x < outer) & ~masked[near]
    if guard_m > 0.0:
        usable &= (np.abs(x) >= guard_m) & ~(np.abs(x - width) < guard_m)
    basis = np.zeros((7, s.size))
    basis[0] = x
    basis[1] = smeared_ramp(x, box)
    basis[2] = smeared_step(x, box)
    basis[3] = smeared_ramp(x - width, box)
    basis[4] = smeared_step(x - width, box)
    basis[5] = (smeared_step(x + 1e-4, box) - smeared_step(x - 1e-4, box)) / 2e-4
    basis[6] = np.floor((x + PAVEMENT_M + 2.0) / c)
    box = np.ascontiguousarray(np.sort(np.abs(box), axis=1)[:, ::-1])
    return Strip(s, x, z, width, usable, masked[near], basis, box, c)


def fit_side(strip: Strip, breaks: Breaks, noise: Noise, side: int, length_m: Floats) -> SideFit:
    """Fit every station of one side.

    Parameters
    ----------
    strip : Strip
    breaks : Breaks
    noise : Noise
    side : int
    length_m : (n,)
        Averaging lengths.

    Returns
    -------
    SideFit
    """
    from analysis.shoulder.fitting_kernels import COLUMNS, MOST_KNOTS, fit_windows

    n = breaks.s.size
    half = 0.5 * length_m
    first = np.searchsorted(strip.s, breaks.s - half)
    last = np.searchsorted(strip.s, breaks.s + half)
    beta = np.full((n, COLUMNS), np.nan)
    plain = np.full((n, COLUMNS, COLUMNS), np.nan)
    tied = np.full((n, COLUMNS, COLUMNS), np.nan)
    lever = np.full((n, COLUMNS), np.nan)
    knots = np.zeros((n, MOST_KNOTS))
    knots_cov = np.zeros((n, MOST_KNOTS, MOST_KNOTS))
    knot_count = np.zeros(n, dtype=np.int64)
    tally = np.zeros((n, 8))
    weight = np.ones(strip.s.size)
    sigma = np.where(np.isfinite(noise.sigma_m), noise.sigma_m, 0.05)
    hinge_se = np.nan_to_num(breaks.hinge_se[:, side], nan=0.05)
    width = np.nan_to_num(breaks.hinge[:, side] - breaks.edge[:, side])
    correlated = noise.correlation_m > 0.0
    exact = np.zeros(n, dtype=bool)
    if correlated.any():
        exact[np.unique(np.linspace(0, n - 1, min(n, _EXACT_STATIONS)).astype(int))] = True
    inflation = _mean_inflation(noise, half, strip.cell_m)
    fit_windows(
        breaks.s, first, last, half, strip.s, strip.z, strip.basis, strip.box,
        np.nan_to_num(strip.width), strip.usable, sigma, hinge_se, width,
        max(KNOT_CELLS * strip.cell_m, LEAST_KNOT_M), np.array(ROUGHNESS), inflation, exact,
        np.maximum(noise.correlation_m, 1e-3), noise.nugget, weight, beta, plain, tied, lever,
        knots, knots_cov, knot_count, tally,
    )  # fmt: skip
    covariance, slope_inflation = _with_correlation(breaks.s, plain, tied, exact)
    covariance = covariance * (sigma**2)[:, None, None]
    edge_se = np.nan_to_num(breaks.edge_se[:, side], nan=0.0)
    shift = lever * edge_se[:, None]
    unevenness = np.sqrt(np.sum(knots**2, axis=1) / np.maximum(knot_count, 1))
    # a step within twice its noise isn't told from none
    step = np.sqrt(np.maximum(beta[:, 6] ** 2 - 4.0 * covariance[:, 6, 6], 0.0))
    guesswork = np.minimum(np.hypot(unevenness / UNEVEN_M, step / STEPPED_M), 1.0)
    shift[:, 6] *= STEP_SHARE + (1.0 - STEP_SHARE) * guesswork
    covariance = covariance + shift[:, :, None] * shift[:, None, :]
    shape = Shape(knots, knots_cov * inflation[:, None, None], knot_count, width)
    return SideFit(half, first, last, beta, covariance, slope_inflation, shape, tally, weight)


def _with_correlation(
    s: Floats, plain: Floats, tied: Floats, exact: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Carry the effect of correlated noise from the stations summed exactly to all others.

    Seen from the white covariance's own square root, the correlated one is a matrix that
    changes slowly along the road: it is interpolated there.
    """
    n, p, _ = plain.shape
    usable = exact & np.isfinite(tied).all(axis=(1, 2)) & np.isfinite(plain).all(axis=(1, 2))
    if not usable.any():
        return plain, np.ones(n)
    root = np.full_like(plain, np.nan)
    good = np.isfinite(plain).all(axis=(1, 2))
    root[good] = np.linalg.cholesky(plain[good])
    inner = np.linalg.inv(root[usable])
    factor = inner @ tied[usable] @ np.swapaxes(inner, 1, 2)
    at = s[usable]
    wide = np.stack([np.interp(s, at, factor[:, i, j]) for i in range(p) for j in range(p)], axis=1)
    full = root @ wide.reshape(n, p, p) @ np.swapaxes(root, 1, 2)
    slope = np.zeros(p)
    slope[[3, 5]] = 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.einsum("i,nij,j->n", slope, full, slope) / np.einsum(
            "i,nij,j->n", slope, plain, slope
        )
    return full, ratio


def side_section(
    strip: Strip, fit: SideFit, breaks: Breaks, noise: Noise, u: Floats
) -> tuple[Floats, Floats]:
    """Average the ground of each station relative to its pavement plane at the edge.

    Parameters
    ----------
    strip, fit, breaks, noise
    u : (k,)
        Places outward from the edge, even steps.

    Returns
    -------
    height_m, se_m : (n, k)
        NaN where there are no cells.
    """
    from analysis.shoulder.section_kernels import section_means

    n = breaks.s.size
    height = np.full((n, u.size), np.nan)
    spread = np.full((n, u.size), np.nan)
    # cells that a fit left out as bush or car, and those under the user's mask
    weight = np.where(strip.masked | (strip.usable & (fit.weight < 0.5)), 0.0, 1.0)
    section_means(
        breaks.s, fit.first, fit.last, strip.s, strip.x, strip.z, weight,
        fit.beta[:, 0], fit.beta[:, 1] / fit.half_m, fit.beta[:, 2], fit.half_m, u,
        1.25 * strip.cell_m, height, spread,
    )  # fmt: skip
    sigma = np.where(np.isfinite(noise.sigma_m), noise.sigma_m, 0.05)
    factor = _mean_inflation(noise, fit.half_m, strip.cell_m)
    return height, spread * (sigma * np.sqrt(factor))[:, None]


def side_ground(fit: SideFit, u: Floats, height_m: Floats) -> Floats:
    """Ground of each station as it lies, without the blur of cells and of averaging across.

    From the edge to some way beyond the hinge the fitted shape stands in for the averaged
    section: the shoulder's line with its knots, then the foreslope from where the two meet.

    Parameters
    ----------
    fit : SideFit
    u : (k,)
        Places outward from the edge.
    height_m : (n, k)
        Averaged sections, from `side_section`.

    Returns
    -------
    (n, k)
        The averaged section where there is no fit.
    """
    beta, shape = fit.beta, fit.shape
    width = shape.width_m
    gap = width / (shape.count + 1.0)
    slope, at_edge = beta[:, 3] + beta[:, 5], -beta[:, 6]
    knots = np.arange(shape.height_m.shape[1])
    used = knots[None, :] < shape.count[:, None]
    tops = np.where(used, shape.height_m, 0.0)
    middle = (knots[None, :] + 1.0) * gap[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        # The line through the whole shape holds these parts of the hats; without them it runs
        # from edge to hinge.
        tilt = 12.0 * gap[:, None] * (middle - 0.5 * width[:, None]) / width[:, None] ** 3
        level = (gap / width)[:, None] - 0.5 * width[:, None] * tilt
        slope = slope - (tops * np.where(used, tilt, 0.0)).sum(axis=1)
        at_edge = at_edge - (tops * np.where(used, level, 0.0)).sum(axis=1)
        line = at_edge[:, None] + slope[:, None] * u
        inside = line.copy()
        for k in range(int(shape.count.max(initial=0))):
            off = np.abs(u[None, :] - middle[:, k : k + 1]) / gap[:, None]
            inside += tops[:, k : k + 1] * np.maximum(1.0 - off, 0.0)
        fall = beta[:, 3] + beta[:, 5] + beta[:, 7]
        at_hinge = at_edge + slope * width + beta[:, 8]
        fore = at_hinge[:, None] + fall[:, None] * (u - width[:, None])
        falls = (fall < slope)[:, None]
        outside = np.where(falls, np.minimum(line, fore), np.maximum(line, fore))
        ground = np.where(u <= width[:, None], inside, outside)
        fitted = (u >= 0.0) & (u <= width[:, None] + BEYOND_HINGE_M) & (width > 0.0)[:, None]
    return np.where(fitted & np.isfinite(ground), ground, height_m)


def _mean_inflation(noise: Noise, half_m: Floats, cell_m: float) -> Floats:
    """Variance of a mean over the cells of a narrow band along the road, over the white one's."""
    out = np.ones(half_m.size)
    pairs = np.column_stack([noise.correlation_m, noise.nugget, half_m])
    for row in np.unique(pairs, axis=0):
        length, nugget, half = row
        if length <= 0.0 or nugget >= 1.0:
            continue
        same = (pairs == row).all(axis=1)
        count = max(2, round(2.0 * half / cell_m))
        i = np.arange(count) * cell_m
        # a band two cells wide, as the means have it
        along = np.abs(i[:, None] - i[None, :])
        mean = 0.5 * (np.exp(-along / length) + np.exp(-np.hypot(along, cell_m) / length))
        out[same] = nugget + (1.0 - nugget) * 2.0 * count * float(mean.mean())
    return out
