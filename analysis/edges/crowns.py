"""Where the crown of a road is, if it has one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.common.along import moving_sums
from analysis.common.hands import product_alone
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.blocks import BlockSections
from analysis.corridor.footprint import smeared_ramp

__all__ = ["Crown", "bin_precision", "bins_beyond", "find_crown"]


_MISFIT_M = 0.005
"""How far the mean of a quarter metre lies off a straight piece of real ground."""

CROWN_KINK = (-0.05, 0.03)
"""Kink of a crown, mean and standard deviation: 1.5 to 5 % each way (common practice)."""

STEP_M = 0.1
"""Step of the places where a crown is looked for."""

MOST_CROWN_M, CROWN_CLEAR_M = 1.5, 0.8
"""How far off the middle it may lie, and how much pavement it has to have on both sides."""

EDGE_CLEAR_M, LEAST_REACH_M = 0.5, 1.0
"""Pavement next to its nominal edge is left out, but this much about the middle is looked at."""

EDGE_MARGIN_M = 0.2
"""Beside edges that were found, so much more than half a footprint is left out."""

CROWN_SPREAD_M = 0.4
"""Standard deviation of a crown about the middle; counts once per 60 m of road."""

CROWN_DRIFT_M, JUMP = 0.05, 0.03
"""Standard deviation of a crown's move in 5 m, and how likely it jumps to anywhere."""

CROWN_SWITCH = 0.02
"""How likely a crown begins or ends from one block to the next, as where a curve begins."""

CROWN_ROUND_M, FALL_BLOCKS = 0.3, 5
"""A crown is rounded off over this much to both sides; blocks over which falls are averaged."""


@dataclass(frozen=True, slots=True)
class Crown:
    """Crown in b blocks of road.

    Attributes
    ----------
    offset, se : (b,)
        Offset from the centre of the sections, right positive, and its standard error.
    sure : (b,)
        Probability that there is a kink at all.
    slope : (b, 2)
        Fall of the pavement outward left and right of it, fraction.
    """

    offset: Floats
    se: Floats
    sure: Floats
    slope: Floats


def find_crown(
    sections: BlockSections,
    half_m: float,
    sigma_m: float,
    box_m: tuple[float, float],
    *,
    between: tuple[Floats, Floats] | None = None,
) -> Crown:
    """Find the ridge kink of the pavement, tied along the road.

    Parameters
    ----------
    sections : BlockSections
        Centred on the middle of the road.
    half_m : float
        Half the nominal pavement width.
    sigma_m : float
        Noise of a cell.
    box_m : (float, float)
        Box widths of a cell across the road.
    between : ((b,), (b,)), optional
        Offsets of the left and right pavement edge, if they are known already.

    Returns
    -------
    Crown
    """
    near = max(half_m - EDGE_CLEAR_M, LEAST_REACH_M)
    reach = near if between is None else max(near, float(np.max(np.abs(between))))
    inside = np.abs(sections.o) <= reach + 1e-6
    x = sections.o[inside]
    count = sections.count[:, inside]
    z = np.where(count > 0, sections.z[:, inside], 0.0)
    precision = bin_precision(count, sigma_m, sections.bin_m)
    centre = np.zeros(z.shape[0])
    if between is not None:
        margin = 0.5 * sum(box_m) + EDGE_MARGIN_M
        precision *= bins_beyond(x - (between[0][:, None] + margin), sections.bin_m)
        precision *= bins_beyond((between[1][:, None] - margin) - x, sections.bin_m)
        centre = 0.5 * (between[0] + between[1])
    window = min(MOST_CROWN_M, near - CROWN_CLEAR_M)
    steps = round(window / STEP_M)
    places = np.asarray(np.arange(-steps, steps + 1) * STEP_M, dtype=np.float64)
    evidence = _kink_evidence(x, z, precision, places, box_m)
    away = (places - centre[:, None]) / CROWN_SPREAD_M
    evidence -= 0.5 * (sections.length_m / 60.0) * away**2
    drift = CROWN_DRIFT_M * np.sqrt(sections.length_m / 5.0)
    kernel = np.exp(-0.5 * (np.subtract.outer(places, places) / drift) ** 2)
    # as likely the other way round: a road is the same from either of its ends
    usual = kernel.sum(axis=1) / kernel.sum()
    kernel = (1.0 - JUMP) * kernel / kernel.sum(axis=1, keepdims=True) + JUMP * usual
    post, sure = _tie_line(evidence, kernel, usual, CROWN_SWITCH)
    mean = product_alone(post, places)
    square = product_alone(post, places**2)
    spread = np.sqrt(np.maximum(square - mean**2, 0.0) + STEP_M**2 / 12.0)
    off = x[None, :] - mean[:, None]
    return Crown(mean, spread, sure, _falls(off, z, precision, sections.bin_m))


def bins_beyond(off_m: Floats, bin_m: float) -> Floats:
    """How much of bins whose middles lie `off_m` beyond a place does so, 0 to 1.

    Whole bins that came in or dropped out as the place moves by a hair would turn a hair into more.
    """
    return np.clip(off_m / bin_m + 0.5, 0.0, 1.0)


def _kink_evidence(
    x: Floats, z: Floats, precision: Floats, places: Floats, box_m: tuple[float, float]
) -> Floats:
    """Log evidence of a kink at each place in each block, (b, p), against a straight section.

    Level and slope are free, the kink has a prior.
    """
    ramp = smeared_ramp(x[None, :] - places[:, None], np.array(box_m))
    base = np.column_stack([np.ones_like(x), x])
    pairs = (base[:, :, None] * base[:, None, :]).reshape(-1, 4)
    normal = product_alone(precision, pairs).reshape(-1, 2, 2) + 1e-6 * np.eye(2)
    pull = product_alone(precision * z, base)
    inverse = np.linalg.inv(normal)
    cross = np.stack([product_alone(precision * column, ramp.T) for column in base.T], axis=1)
    projected = np.einsum("bij,bjp->bip", inverse, cross)
    sharp = product_alone(precision, (ramp**2).T) - np.einsum("bip,bip->bp", cross, projected)
    gain = product_alone(precision * z, ramp.T) - np.einsum("bip,bi->bp", projected, pull)
    mean, sd = CROWN_KINK
    after = sharp + 1.0 / sd**2
    return np.asarray(
        0.5 * (gain + mean / sd**2) ** 2 / after
        - 0.5 * (mean / sd) ** 2
        - 0.5 * np.log(after * sd**2)
    )


def _falls(x: Floats, z: Floats, precision: Floats, bin_m: float) -> Floats:
    """Fall of the pavement left and right of the crown, (b, 2), averaged over a few blocks."""
    slope = np.full((x.shape[0], 2), np.nan)
    for side, sign in enumerate(SIDE_SIGN):
        u = sign * x
        w = precision * bins_beyond(u - CROWN_ROUND_M, bin_m)
        sums = [
            moving_sums(np.sum(w * a, axis=1), FALL_BLOCKS)
            for a in (np.ones_like(u), u, u * u, z, u * z)
        ]
        with np.errstate(invalid="ignore", divide="ignore"):
            across = sums[2] - sums[1] ** 2 / sums[0]
            slope[:, side] = -(sums[4] - sums[1] * sums[3] / sums[0]) / across
    return slope


def bin_precision(count: Floats, sigma_m: float, bin_m: float) -> Floats:
    """Return inverse variances of bin means; real ground is never quite straight."""
    misfit = _MISFIT_M**2 * 0.25 / bin_m
    return np.asarray(count / (sigma_m**2 + count * misfit), dtype=np.float64)


def _tie_line(
    evidence: Floats, kernel: Floats, start: Floats, switch: float
) -> tuple[Floats, Floats]:
    """Forward-backward over places with a kink, and one more state without any.

    Returns the posterior of the place (rows sum to 1) and the probability of a kink.
    """
    from analysis.edges.tie_kernels import tie_crown

    # without a kink the evidence is that of the slope alone, 0 here; the place drifts on
    top = np.maximum(evidence.max(axis=1), 0.0)
    post = np.empty((len(evidence), 2, evidence.shape[1]))
    tie_crown(np.exp(evidence - top[:, None]), np.exp(-top), kernel, start, switch, post)
    return post.sum(axis=1), post[:, 0].sum(axis=1)
