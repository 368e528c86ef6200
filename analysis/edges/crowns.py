"""Where the road lies beside its given centreline, and where its crown is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import moving_sums
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.corridor.blocks import BlockSections
from analysis.corridor.footprint import smeared_ramp

__all__ = ["Crown", "bin_precision", "cheapest_path", "find_crown", "road_shift"]


_PAVEMENT_VARIANTS_M = (-0.6, 0.0, 0.6)
_SHOULDER_VARIANTS_M = (-0.4, 0.0, 0.5)
_BEYOND_M = 1.25

_TEMPLATE = (
    (0.0, 10.0),  # level
    (0.0, 0.04),  # slope of the whole road
    (-0.02, 0.02),  # half the kink at the crown
    (-0.02, 0.03),  # kinks at the edges, left and right
    (-0.02, 0.03),
    # kinks at the hinges: a wider prior takes ground without any kink for a hinge, and the road
    # is then found beside itself
    (-0.25, 0.08),
    (-0.25, 0.08),
)
"""Mean and standard deviation of the parts of a symmetrical section, rise outward."""

_TEMPLATE_MISFIT_M = 0.02
_BARE_COST = 4.0

_MISFIT_M = 0.005
"""How far the mean of a quarter metre lies off a straight piece of real ground."""

_SHARED_BLOCKS = 5.0
"""Neighbouring wide sections share most of their cells: so many of them count as one."""

_FAR_COST = 0.02
"""What a square metre of shift costs: of two places alike the nearer one is likelier."""

_SMOOTH_BLOCKS = 7
"""Blocks over which the path of least misfit is smoothed: it goes in steps."""

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


def road_shift(
    sections: BlockSections,
    half_m: float,
    shoulder_m: float,
    search_m: float,
    *,
    swerve_m: float = 0.3,
) -> Floats | None:
    """Find how far the middle of the road lies beside the given line, block by block.

    A symmetrical section (crown, edges, hinges; nominal widths and a little narrower or wider)
    is fitted at every shift within the search window; the path of least misfit and least
    swerving along the road is taken.

    Parameters
    ----------
    sections : BlockSections
    half_m, shoulder_m : float
        Half the nominal pavement width, nominal shoulder width.
    search_m : float
        Largest shift.
    swerve_m : float
        Change of the shift from block to block that costs one unit of log likelihood.

    Returns
    -------
    (b,) ndarray or None
        Offset of the middle, right positive, metres; None where nothing can be told.
    """
    step = max(0.125, 0.5 * sections.bin_m)
    shifts = np.arange(-round(search_m / step), round(search_m / step) + 1) * step
    cost = np.full((sections.s.size, shifts.size), np.inf)
    prior = np.array(_TEMPLATE)
    for edge, hinges, rarity in _templates(half_m, shoulder_m):
        reach = half_m + shoulder_m + _BEYOND_M
        for j, shift in enumerate(shifts):
            x = sections.o - shift
            inside = np.abs(x) <= reach
            x = x[inside]
            kinks = [np.maximum(sign * x - edge, 0.0) for sign in (-1, 1)]
            kinks += [np.maximum(-x - hinges[0], 0.0), np.maximum(x - hinges[1], 0.0)]
            design = np.column_stack([np.ones_like(x), x, np.abs(x), *kinks])
            # least squares with a prior: its rows join those of the ground
            whole = np.vstack([design / _TEMPLATE_MISFIT_M, np.diag(1.0 / prior[:, 1])])
            q, r = np.linalg.qr(whole)
            wanted = prior[:, 0] / prior[:, 1]
            z = sections.wide[:, inside] / _TEMPLATE_MISFIT_M
            z = z - z.mean(axis=1, keepdims=True)
            fitted = z @ q[: x.size] + wanted @ q[x.size :]
            misfit = np.sum(z * z, axis=1) + wanted @ wanted - np.sum(fitted**2, axis=1)
            value = 0.5 * misfit + np.log(np.abs(np.diag(r))).sum() + rarity
            cost[:, j] = np.minimum(cost[:, j], value)
    enough = (sections.count > 0).mean(axis=1) > 0.3
    if not enough.any():
        return None
    cost = np.where(enough[:, None], cost - cost.min(axis=1, keepdims=True), 0.0) / _SHARED_BLOCKS
    swerve = (np.subtract.outer(shifts, shifts) / swerve_m) ** 2
    path = cheapest_path(cost + _FAR_COST * shifts**2, swerve)
    return _smooth(np.asarray(shifts[path], dtype=np.float64), _SMOOTH_BLOCKS)


def cheapest_path(cost: Floats, change: Floats) -> NDArray[np.int64]:
    """Choose a state per row so that the sum of costs and of changes is least.

    Parameters
    ----------
    cost : (b, k)
        Cost of each state in each row.
    change : (k, k)
        Cost of going from state i in one row to state j in the next.

    Returns
    -------
    (b,) int64 array
        The states, by dynamic programming (exact).
    """
    rows, states = cost.shape
    came = np.empty((rows, states), dtype=np.int64)
    best = cost[0].copy()
    for i in range(1, rows):
        total = best[:, None] + change
        came[i] = np.argmin(total, axis=0)
        best = total[came[i], np.arange(states)] + cost[i]
    path = np.empty(rows, dtype=np.int64)
    path[-1] = int(np.argmin(best))
    for i in range(rows - 1, 0, -1):
        path[i - 1] = came[i, path[i]]
    return path


def _templates(half_m: float, shoulder_m: float) -> list[tuple[float, tuple[float, float], float]]:
    """Return edge, left and right hinge, and cost of the sections that a road may have."""
    out = []
    for wider in _PAVEMENT_VARIANTS_M:
        edge = max(half_m + wider, 1.0)
        cost = 0.5 * (wider / 0.6) ** 2
        for broader in _SHOULDER_VARIANTS_M:
            hinge = edge + max(shoulder_m + broader, 0.3)
            out.append((edge, (hinge, hinge), cost + 0.5 * (broader / 0.4) ** 2))
        # a side without shoulder
        hinge = edge + shoulder_m
        out.append((edge, (edge, hinge), cost + _BARE_COST))
        out.append((edge, (hinge, edge), cost + _BARE_COST))
    return out


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
    inside = np.abs(sections.o) <= reach
    x = sections.o[inside]
    count = sections.count[:, inside]
    z = np.where(count > 0, sections.z[:, inside], 0.0)
    precision = bin_precision(count, sigma_m, sections.bin_m)
    centre = np.zeros(z.shape[0])
    if between is not None:
        margin = 0.5 * sum(box_m) + EDGE_MARGIN_M
        precision[x[None, :] < between[0][:, None] + margin] = 0.0
        precision[x[None, :] > between[1][:, None] - margin] = 0.0
        centre = 0.5 * (between[0] + between[1])
    window = min(MOST_CROWN_M, near - CROWN_CLEAR_M)
    steps = round(window / STEP_M)
    places = np.asarray(np.arange(-steps, steps + 1) * STEP_M, dtype=np.float64)
    evidence = _kink_evidence(x, z, precision, places, box_m)
    away = (places - centre[:, None]) / CROWN_SPREAD_M
    evidence -= 0.5 * (sections.length_m / 60.0) * away**2
    drift = CROWN_DRIFT_M * np.sqrt(sections.length_m / 5.0)
    kernel = np.exp(-0.5 * (np.subtract.outer(places, places) / drift) ** 2)
    kernel = (1.0 - JUMP) * kernel / kernel.sum(axis=1, keepdims=True) + JUMP / places.size
    post, sure = _tie_line(evidence, kernel, CROWN_SWITCH)
    mean = post @ places
    spread = np.sqrt(np.maximum(post @ places**2 - mean**2, 0.0) + STEP_M**2 / 12.0)
    return Crown(mean, spread, sure, _falls(x[None, :] - mean[:, None], z, precision))


def _kink_evidence(
    x: Floats, z: Floats, precision: Floats, places: Floats, box_m: tuple[float, float]
) -> Floats:
    """Log evidence of a kink at each place in each block, (b, p), against a straight section.

    Level and slope are free, the kink has a prior.
    """
    ramp = smeared_ramp(x[None, :] - places[:, None], np.array(box_m))
    base = np.column_stack([np.ones_like(x), x])
    normal = np.einsum("bk,ki,kj->bij", precision, base, base, optimize=True) + 1e-6 * np.eye(2)
    pull = (precision * z) @ base
    inverse = np.linalg.inv(normal)
    cross = np.stack([(precision * column) @ ramp.T for column in base.T], axis=1)
    projected = np.einsum("bij,bjp->bip", inverse, cross)
    sharp = precision @ (ramp**2).T - np.einsum("bip,bip->bp", cross, projected)
    gain = (precision * z) @ ramp.T - np.einsum("bip,bi->bp", projected, pull)
    mean, sd = CROWN_KINK
    after = sharp + 1.0 / sd**2
    return np.asarray(
        0.5 * (gain + mean / sd**2) ** 2 / after
        - 0.5 * (mean / sd) ** 2
        - 0.5 * np.log(after * sd**2)
    )


def _falls(x: Floats, z: Floats, precision: Floats) -> Floats:
    """Fall of the pavement left and right of the crown, (b, 2), averaged over a few blocks."""
    slope = np.full((x.shape[0], 2), np.nan)
    for side, sign in enumerate(SIDE_SIGN):
        u = sign * x
        w = np.where(u > CROWN_ROUND_M, precision, 0.0)
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
    variance = sigma_m**2 / np.maximum(count, 1.0) + misfit
    return np.where(count > 0, 1.0 / variance, 0.0)


def _tie_line(evidence: Floats, kernel: Floats, switch: float) -> tuple[Floats, Floats]:
    """Forward-backward over places with a kink, and one more state without any.

    Returns the posterior of the place (rows sum to 1) and the probability of a kink.
    """
    blocks, places = evidence.shape
    # without a kink the evidence is that of the slope alone, 0 here; the place drifts on
    top = np.maximum(evidence.max(axis=1), 0.0)
    seen = np.exp(evidence - top[:, None])
    blank = np.exp(-top)
    ahead = np.empty((blocks, 2, places))
    before = np.full((2, places), 0.5 / places)
    for b in range(blocks):
        if b > 0:
            moved = ahead[b - 1] @ kernel
            before = (1.0 - switch) * moved + switch * moved[::-1]
        ahead[b, 0] = before[0] * seen[b]
        ahead[b, 1] = before[1] * blank[b]
        ahead[b] /= ahead[b].sum()
    back = np.ones((2, places))
    post = np.empty((blocks, 2, places))
    post[-1] = ahead[-1]
    for b in range(blocks - 2, -1, -1):
        given = np.stack([back[0] * seen[b + 1], back[1] * blank[b + 1]])
        moved = given @ kernel.T
        back = (1.0 - switch) * moved + switch * moved[::-1]
        back /= back.max()
        post[b] = ahead[b] * back
    post /= post.sum(axis=(1, 2), keepdims=True)
    return post.sum(axis=1), post[:, 0].sum(axis=1)


def _smooth(values: Floats, rows: int) -> Floats:
    edge = rows // 2
    padded = np.pad(values, edge, mode="edge")
    return np.convolve(padded, np.full(rows, 1.0 / rows), mode="valid")
