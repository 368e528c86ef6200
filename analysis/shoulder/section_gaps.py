"""Gaps under and over a straightedge on all sections that agree with the cells of a shoulder.

What the cells tell of a section is a mean height in narrow bins across. The section that lies under
it is a smooth curve (a Gaussian process with a squared exponential covariance; Rasmussen and
Williams 2006, Gaussian Processes for Machine Learning, ch. 2) whose amplitude the cells tell, and
on it there may lie a single rut or ridge of any place, width and height. Without the latter, one
rut on an otherwise even shoulder would have to be paid for as unevenness all over it, and what a
step at the edge explains as well would pass for no rut. The straightedge is laid on sections drawn
from all of these.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats
from analysis.shoulder.section_shapes import (
    form_heights,
    knot_count,
    loose_columns,
    smeared_hats,
    waves,
    wheel_rut,
)

__all__ = [
    "LOOSE_M",
    "OVER_MM",
    "RIM_SHARE",
    "ROUGH_M",
    "SectionGaps",
    "Sighted",
    "chance_deeper",
    "section_gaps",
    "usual_over",
]


AMPLITUDES_MM = (0.7, 2.0, 5.0, 10.0, 20.0, 35.0, 60.0)
"""How uneven a shoulder may be: standard deviation of its section."""

AMPLITUDE_SHARES = (0.40, 0.28, 0.17, 0.08, 0.04, 0.02, 0.01)
"""How common each unevenness is before anything is measured, beside single ruts and ridges. Our own
choice; a grid that shows the shoulder's shape overrules it."""

FORMS_MM = (30.0, 80.0)
"""Standard deviations of the height of a single rut (down) or ridge (up)."""

MEASURED, BELIEVED = 0.75, 0.06
"""How likely a single rut or ridge is before anything is measured. A depth is told as if most
shoulders had one, so that its error holds beside a rut as well as beside none; how likely a rut is
deeper than a limit is told with ruts as rare as they are: about one shoulder in fourteen has one
over 30 mm. Our own choice, by trials."""

OVER_MM = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0, 80.0, 100.0, 150.0, 300.0)
"""Depths for which is kept how likely a rut or ridge is deeper."""

LOOSE_M = 0.3
"""Scatter of what a straightedge can't see."""

# draws of a section, and of each of several that it may be
_DRAWS, _DRAWS_OF_EACH = 48, 32
# of 400 lots of them the one that tells best, of a shoulder of which nothing is known, what 9,600
# draws tell of it: all stations have the same, so that what chance left in them would be in all
_SEED = 467
# the middle gap is the mean of a quarter of the draws, so that no single one of them decides it
MIDDLE = 0.125
# how far off a smooth curve is at the rims of a rut that has sharp ones, as a share of its depth,
# and what of any depth isn't ground: stones, crumbs
RIM_SHARE, ROUGH_M = 0.08, 0.001
# what a height of which nothing is known scatters by, squared, and the straightedge laid there
_UNSEEN_M2, _USUAL_EDGE_M = 1e6, 1.8


@dataclass(frozen=True, slots=True)
class SectionGaps:
    """What a straightedge shows on n sections; the first axis of two is rut, ridge.

    Attributes
    ----------
    middle_m, mean_m, square_m2 : (n, 2)
        Gap that about as many sections pass as don't, mean gap and mean of its square.
    over : (n, 2, k)
        How likely the gap is over each of `OVER_MM`.
    evidence : (n, 2)
        Log evidence of the cells with forms as likely as `MEASURED` and as `BELIEVED`.
    clear_per_m : (n,)
        By how many standard errors a wheel rut a metre deep would stand out.
    """

    middle_m: Floats
    mean_m: Floats
    square_m2: Floats
    over: Floats
    evidence: Floats
    clear_per_m: Floats


class Sighted(NamedTuple):
    """n sections in bins across the shoulder.

    Attributes
    ----------
    width_m : (n,)
        Edge to hinge.
    place_m, mean_m : (n, b)
        Places of the bins outward from the edge, and mean heights over any straight line across.
    covariance_m2 : (n, b, b)
        Of `mean_m`.
    box_m : (n, 2)
        Box widths of a cell across the road.
    widest_m : float
        No section is wider; how finely all of them are drawn follows from this.
    """

    width_m: Floats
    place_m: Floats
    mean_m: Floats
    covariance_m2: Floats
    box_m: Floats
    widest_m: float


def chance_deeper(over: Floats, limit_mm: float) -> Floats:
    """How likely gaps are over a limit, of what is kept for each of `OVER_MM`, (..., k).

    Straight between those depths; every gap is over none, and none over one beyond the last.

    >>> chance_deeper(np.linspace(0.9, 0.0, len(OVER_MM))[None], 27.5).round(3)
    array([0.588])
    """
    known = np.concatenate([np.ones_like(over[..., :1]), over], axis=-1)
    depths = np.concatenate([[0.0], OVER_MM])
    at = int(np.clip(np.searchsorted(depths, limit_mm), 1, depths.size - 1))
    along = min((limit_mm - depths[at - 1]) / (depths[at] - depths[at - 1]), 1.0)
    return np.asarray(known[..., at - 1] + along * (known[..., at] - known[..., at - 1]))


@lru_cache(maxsize=1)
def usual_over() -> tuple[float, ...]:
    """How likely a rut is over each of `OVER_MM` on a shoulder of which the cells tell nothing.

    What is believed before anything is measured, on the mean of shoulders of usual widths.
    """
    width = np.arange(0.8, 3.01, 0.1)
    place = width[:, None] * np.linspace(0.0, 1.0, 12)
    blind = np.tile(_UNSEEN_M2 * np.eye(12), (width.size, 1, 1))
    box = np.tile([0.5, 0.2], (width.size, 1))
    none = Sighted(width, place, 0.0 * place, blind, box, float(width[-1]))
    gaps = section_gaps(none, length_m=_USUAL_EDGE_M, step_m=np.full(width.size, LOOSE_M))
    return tuple(gaps.over[:, 0].mean(axis=0).tolist())


class _Told(NamedTuple):
    """What the cells tell of waves (m) and forms (f), the waves along axes of their own.

    `axes` (n, m, m) are those axes, in columns; `shapes` (n, m, k) and `forms` (n, f, k) heights at
    the knots; `power`, `pull` (n, m) and `own`, `own_pull` (n, f) how well and where to the cells
    pull each; `tied` (n, f, m) both.
    """

    axes: Floats
    shapes: Floats
    forms: Floats
    power: Floats
    pull: Floats
    own: Floats
    own_pull: Floats
    tied: Floats


def section_gaps(
    sighted: Sighted, *, length_m: float, step_m: Floats, weighed: bool = False
) -> SectionGaps:
    """Lay a straightedge on n shoulders of which the cells in bins are known.

    Parameters
    ----------
    sighted : Sighted
    length_m : float
        Of the straightedge.
    step_m : (n,)
        Scatter of the step at the edge.
    weighed : bool
        Whether the evidence is wanted such that different edges of one section can be compared.

    Returns
    -------
    SectionGaps
    """
    width, place, mean, covariance, box, widest = sighted
    knots = width[:, None] * np.linspace(0.0, 1.0, knot_count(widest))
    loose = LOOSE_M * loose_columns(width, place, box)
    loose[:, :, 0] *= (step_m / LOOSE_M)[:, None]
    covariance = covariance + loose @ np.swapaxes(loose, 1, 2)
    hats = smeared_hats(width, place, box, knots.shape[1])
    solved = np.linalg.solve(covariance, np.concatenate([hats, mean[:, :, None]], axis=2))
    power = np.swapaxes(hats, 1, 2) @ solved
    power, pull = power[:, :, :-1], power[:, :, -1]
    told = _told(sighted, knots, power, pull)
    chance, height, height_se = _weigh(told)
    measured, believed = (_shares(chance.shape[2], form) for form in (MEASURED, BELIEVED))
    top = chance.max(axis=(1, 2))
    seen = np.exp(chance - top[:, None, None])
    both = np.stack([measured.ravel(), believed.ravel()], axis=1)
    evidence = np.log(seen.reshape(width.size, -1) @ both) + top[:, None]
    if weighed:
        misfit = (mean * solved[:, :, -1]).sum(axis=1)
        evidence -= 0.5 * (misfit + np.linalg.slogdet(covariance)[1])[:, None]
    # As many as make scores even in every direction. They come as measured; those of rarer kinds
    # count for less in what is believed.
    draws = max(_DRAWS_OF_EACH if weighed else _DRAWS, 2 * told.power.shape[1] + 4)
    kind, share = _picked(seen * measured, draws)
    rarer = share * (believed / measured).ravel()[kind]
    gaps = _laid(told, knots, kind, share, height, height_se, length_m)
    middle, mean_gap, square = _weighed(gaps, share)
    # a matched filter: how many standard errors a wheel rut a metre deep would stand out by
    wheel = wheel_rut(width, knots)
    clear = np.sqrt(np.maximum(np.einsum("nk,nkj,nj->n", wheel, power, wheel), 1e-18))
    return SectionGaps(
        middle_m=middle,
        mean_m=mean_gap,
        square_m2=square,
        over=_over(gaps, rarer / rarer.sum(axis=1, keepdims=True)),
        evidence=evidence,
        clear_per_m=clear,
    )


def _told(sighted: Sighted, knots: Floats, power: Floats, pull: Floats) -> _Told:
    """What the cells tell of waves and forms by what they tell of knots, (n, k, k) and (n, k)."""
    width, widest = sighted.width_m, sighted.widest_m
    shapes, forms = waves(width, knots, widest), form_heights(width, knots, widest)
    known, axes = np.linalg.eigh(shapes @ power @ np.swapaxes(shapes, 1, 2))
    # along the axes that the cells know best and least
    shapes = np.swapaxes(axes, 1, 2) @ shapes
    single = forms @ power
    return _Told(
        axes=axes,
        shapes=shapes,
        forms=forms,
        power=np.maximum(known, 0.0),
        pull=(shapes @ pull[:, :, None])[:, :, 0],
        own=(single * forms).sum(axis=2),
        own_pull=(forms @ pull[:, :, None])[:, :, 0],
        tied=single @ np.swapaxes(shapes, 1, 2),
    )


def _amplitudes() -> Floats:
    return 0.001 * np.asarray(AMPLITUDES_MM)


def _shares(kinds: int, form: float) -> Floats:
    """How likely each of so many kinds of section is beforehand, where a form is so likely."""
    shares = np.full(kinds, form / (kinds - 1))
    shares[0] = 1.0 - form
    return np.outer(AMPLITUDE_SHARES, shares)


def _weigh(told: _Told) -> tuple[Floats, Floats, Floats]:
    """Log evidence of each kind of section; height of its form, and standard error of that.

    All (n, t, c): t amplitudes, and no form, then each form of each scatter.
    """
    variance = _amplitudes()[:, None] ** 2
    known = told.power[:, None, :] * variance
    left = variance / (1.0 + known)
    even = 0.5 * (left * told.pull[:, None, :] ** 2 - np.log1p(known)).sum(axis=2)
    tied = np.swapaxes(told.tied, 1, 2)
    pull = told.own_pull[:, None, :] - (left * told.pull[:, None, :]) @ tied
    power = np.maximum(told.own[:, None, :] - left @ tied**2, 0.0)
    gain, height, spread = [np.zeros_like(even)[..., None]], [], []
    for scatter in FORMS_MM:
        of = 1.0 / (1e6 / scatter**2 + power)
        height.append(pull * of)
        spread.append(np.sqrt(of))
        gain.append(0.5 * pull * height[-1] - 0.5 * np.log1p(1e-6 * scatter**2 * power))
    none = [np.zeros((*even.shape, 1))]
    return (
        even[..., None] + np.concatenate(gain, axis=2),
        np.concatenate(none + height, axis=2),
        np.concatenate(none + spread, axis=2),
    )


def _picked(weight: Floats, draws: int) -> tuple[NDArray[np.int64], Floats]:
    """Kinds of so many draws and what each counts, (n, 2 d), by the weights (n, t, c) of kinds.

    A draw may be shared by two.
    """
    from analysis.shoulder.straightedge_kernels import pick

    n = weight.shape[0]
    kind, share = np.empty((n, 2 * draws), dtype=np.int64), np.empty((n, 2 * draws))
    pick(weight.reshape(n, -1), _lots(draws), kind, share)
    return kind, share


def _weighed(gaps: Floats, share: Floats) -> tuple[Floats, Floats, Floats]:
    """Middle, mean and mean square (n, 2) of gaps (n, d, 2) that count so much (n, d)."""
    from analysis.shoulder.straightedge_kernels import weigh_gaps

    middle, mean, square = (np.empty((gaps.shape[0], 2)) for _ in range(3))
    weigh_gaps(gaps, share, MIDDLE, middle, mean, square)
    return middle, mean, square


def _laid(
    told: _Told,
    knots: Floats,
    kind: NDArray[np.int64],
    share: Floats,
    height: Floats,
    height_se: Floats,
    length_m: float,
) -> Floats:
    """Ruts and ridges (n, d, 2) of sections of the kinds (n, d) that agree with the cells.

    Those that don't count aren't laid.
    """
    from analysis.shoulder.straightedge_kernels import draw_gaps

    n, _, c = height.shape
    gaps = np.empty((*kind.shape, 2))
    scores = _even_normals(kind.shape[1] // 2, told.power.shape[1] + 1)
    of_form = height.reshape(n, -1), height_se.reshape(n, -1)
    draw_gaps(told, kind, share, c, *of_form, _amplitudes() ** 2, scores, knots, length_m, gaps)
    return gaps


def _over(gaps: Floats, weight: Floats) -> Floats:
    """How likely gaps are over each of `OVER_MM`, (n, 2, k), of draws (n, d, 2) that count so much.

    Each stands for gaps about it that are as likely, as far as rims may make it another.
    """
    from analysis.shoulder.straightedge_kernels import shares_over

    out = np.empty((gaps.shape[0], 2, len(OVER_MM)))
    shares_over(gaps, weight, 0.001 * np.asarray(OVER_MM), (RIM_SHARE, ROUGH_M), out)
    return out


@lru_cache(maxsize=8)
def _lots(draws: int) -> Floats:
    """A lot for each draw: which of as many even parts it stands for, in no order."""
    return np.random.default_rng(_SEED).permutation(draws).astype(np.float64)


@lru_cache(maxsize=8)
def _even_normals(draws: int, m: int) -> Floats:
    """Scores (d, m) of an even spread, always the same, of mean 0 and covariance 1 exactly."""
    half = np.random.default_rng(_SEED + 1).standard_normal((draws // 2, m))
    both = np.concatenate([half, -half])
    root = np.linalg.cholesky(both.T @ both / draws)
    return np.asarray(np.linalg.solve(root, both.T).T)
