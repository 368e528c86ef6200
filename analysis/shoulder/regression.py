"""One robust regression per station and side, on the native cells of its stretch of road.

Height is modelled as the pavement's plane, a step at the edge, a kink at the edge and a kink
at the hinge, each as the grid's cells see it (`analysis.corridor.footprint`), so that no cell next
to a break has to be thrown away. A slight vertical curve and a change of cross slope along the
stretch are fitted too: they are even and odd about the station, so that they cost next to nothing,
and without them a half-empty stretch would be biased.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.common.along import fading, slope_along, spread_out
from analysis.common.sides import Source
from analysis.common.types import Bools, Floats
from analysis.edges.tied_breaks import USUALLY_ROUNDED_M
from analysis.edges.values import Breaks
from analysis.shoulder.rival_sets import LEAST_SHARE, sets_of, with_rivals
from analysis.shoulder.strip import BEYOND_HINGE_M, Strip, Windows
from analysis.shoulder.unlike import PAVEMENT, SHOULDER, STEP, shared_shift, unlike_stretches
from analysis.shoulder.values import Noise

if TYPE_CHECKING:
    from analysis.shoulder.fitting_kernels import Expected, Fits

__all__ = [
    "Fitted",
    "Shape",
    "SideFit",
    "fit_side",
    "hats_of",
    "road_slant",
    "side_ground",
    "side_section",
]


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

ROUGHER = 0.25
"""A shoulder's own variance counts from where it exceeds the pavement's by this share: a scatter is
uncertain by a few hundredths itself."""


class Way(NamedTuple):
    """What an edge may be before the cells are asked.

    Attributes
    ----------
    spreads_m
        Spreads of its step, metres, each as likely.
    sign
        -1 where it is one up, 1 where it is one down, else 0.
    share
        How likely it is.
    """

    spreads_m: tuple[float, ...]
    sign: int
    share: float


FLUSH_M, HIGH_LOW_M = (0.01,), (0.0125, 0.025, 0.1)

WAYS = (
    Way((), 0, 0.1),
    Way(FLUSH_M, 0, 0.6),
    Way(HIGH_LOW_M, -1, 0.075),
    Way(HIGH_LOW_M, 1, 0.075),
    Way(FLUSH_M, -1, 0.075),
    Way(FLUSH_M, 1, 0.075),
)
"""Edges as found, which may be any of the others, flush, high, low, and those that stand halfway
between a flush one and a high or low one: beside a kink, a step of 10 mm lies a third of a metre
from a flush edge, and where only a step of an inch competes with that, one of half an inch passes
for either (own choice, proven on plain roads with steps of 0 to 60 mm)."""

STAYS_M = 200.0
"""So far an edge goes on flush, high or low, on average: steps are built along whole jobs, and what
wears them is shorter (our own choice)."""

STEADY_M, SWAY_M, CHANGES = 60.0, 0.004, 0.5
"""The step of a way is steady: it strays by so much from its median within so many metres, but for
a share of stations where it is another (our own choice, by trials on made and on plain roads)."""

SWAYS = ((3, 0.001), (5, 0.002), (7, 0.01), (8, 0.002))
"""Columns that go on along the road beside the step, slopes of pavement, shoulder and bank and what
a misplaced hinge looks like, and how far they stray from window to window (our own choice)."""

ARC_SE_SHARE = 0.4
"""Standard error of half the length of an arc, of what it is longer than usual: it stands for the
beginning of a bank then, which curves on otherwise (our own choice, by trials on plain roads)."""

_EXACT_STATIONS = 24


@dataclass(frozen=True, slots=True)
class Shape:
    """What isn't straight in n shoulders: heights at even knots between edge and hinge.

    Attributes
    ----------
    height_m, covariance : (n, k), (n, k, k)
        Over the line from edge to hinge; only the first `count` knots of a row count.
    count : (n,) int
    width_m : (n,)
    arc_m : (n,)
        Half the length of the arc by which the shoulder passes into its bank.
    """

    height_m: Floats
    covariance: Floats
    count: NDArray[np.int64]
    width_m: Floats
    arc_m: Floats


class Fitted(NamedTuple):
    """Places along a road that are fitted, n of them.

    Attributes
    ----------
    breaks, noise
        What is known of them.
    length_m : (n, 2)
        Averaging lengths.
    stations : (k,) int
        Those that are stations.
    beats : (b,) int
        Those that tell what goes on along the road: how stretches of it scatter, which steps are
        usual. They lie alike whatever stations are asked for.
    """

    breaks: Breaks
    noise: Noise
    length_m: Floats
    stations: NDArray[np.int64]
    beats: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SideFit:
    """Fits of n stations on one side; parameters in the order of the kernel's columns.

    Attributes
    ----------
    windows : Windows
        Stretch of road of each station.
    beta : (n, p)
        With edge and hinge at their likeliest places.
    covariance : (n, p, p)
        With noise, its correlation, the uncertain places of edge and hinge, and what stations
        share: levels of strips, and how the grid smears the ground.
    mixed, mixed_covariance : (n, p), (n, p, p)
        The same over all places that edge and hinge may have.
    own_covariance : (n, p, p)
        With noise alone, which differs from stretch to stretch of road.
    placed_covariance : (n, p, p)
        With noise, levels of the survey and its footprint, but edge and hinge where they are said
        to be.
    edge_beyond_m, edge_beyond_se : (n,)
        Mean of the edge's places that the step is mixed over, outward from the one found, and
        standard error of the edge about it.
    inflation : (n,)
        Variance of the shoulder slope over what white noise would give.
    shape : Shape
    tally : (n, 8)
        See `analysis.shoulder.fitting_kernels.Fits`.
    weight : (m,)
        Least weight that any fit gave each cell of the strip.
    """

    windows: Windows
    beta: Floats
    covariance: Floats
    mixed: Floats
    mixed_covariance: Floats
    own_covariance: Floats
    placed_covariance: Floats
    edge_beyond_m: Floats
    edge_beyond_se: Floats
    inflation: Floats
    shape: Shape
    tally: Floats
    weight: Floats

    def at(self, rows: NDArray[np.int64]) -> SideFit:
        """Return the fits of some of the stations, (k,)."""
        if rows.size == self.windows.s.size:
            return self
        shape = replace(
            self.shape, **{of.name: getattr(self.shape, of.name)[rows] for of in fields(Shape)}
        )
        own = [of.name for of in fields(SideFit) if of.name not in ("windows", "shape", "weight")]
        held = {name: getattr(self, name)[rows] for name in own}
        return replace(self, windows=self.windows.of(rows), shape=shape, **held)


def road_slant(breaks: Breaks) -> Floats:
    """Return how the true road runs beside the given line: offset gained per metre, (n,).

    Sections stand square to the given line; where that slants against the road, part of the
    grade would pass for cross slope.
    """
    line = breaks.along()
    if line.s.size <= 2:
        return np.zeros(breaks.s.size)
    return slope_along(line.s, line.axis, 25.0, breaks.s)


def fit_side(strip: Strip, fitted: Fitted, side: int, *, smear_se_m2: float = 0.0) -> SideFit:
    """Fit every place of one side.

    Parameters
    ----------
    strip : Strip
    fitted : Fitted
    side : int
    smear_se_m2 : float
        How well the variance per axis is known by which the grid smears the ground.

    Returns
    -------
    SideFit
    """
    from analysis.shoulder.fitting_kernels import Expected, Ways, blank_fits, fit_windows

    breaks, noise, beats = fitted.breaks, fitted.noise, fitted.beats
    n = breaks.s.size
    half = 0.5 * fitted.length_m[:, side]
    first, last = (np.searchsorted(strip.s, breaks.s + away) for away in (-half, half))
    windows = Windows(breaks.s, half, first, last)
    sets = sets_of(breaks, side)
    exact, beat = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    beat[beats] = True
    if (noise.correlation_m > 0.0).any():
        exact[beats[spread_out(beats.size, _EXACT_STATIONS)]] = True
    edge_se = np.nan_to_num(breaks.edge_se[:, side], nan=0.0)
    expected = Expected(
        sigma_m=noise.known_sigma_m(),
        edge_se_m=edge_se,
        hinge_se_m=np.nan_to_num(sets[:, 0, 2], nan=0.05),
        width_m=np.nan_to_num(breaks.hinge[:, side] - breaks.edge[:, side]),
        inflation=_mean_inflation(noise, half, strip.cell_m),
        correlation_m=np.maximum(noise.correlation_m, 1e-3),
        nugget=noise.nugget,
        exact=exact,
        beat=beat,
        arc_se_m2=_arc_variance_error(breaks, side),
        smear_se_m2=smear_se_m2,
    )
    knot_m = max(KNOT_CELLS * strip.cell_m, LEAST_KNOT_M)
    shapes = np.array([(knot_m, 0.0), *ROUGHNESS])
    places = _places(breaks, side)
    rivals = np.where(sets[:, 1:, 3:] > LEAST_SHARE, sets[:, 1:], np.nan)
    beyond = np.concatenate([places[:, :, 0], rivals[:, :, 0]], axis=1)
    off = np.concatenate([places[:, :, 0], rivals[:, :, 0] - rivals[:, :, 1]], axis=1)
    k = beyond.shape[1]
    ways = Ways(beyond, expected.width_m[:, None] - off)
    fits, others = blank_fits(n, strip.s.size), blank_fits(n * k, 0)
    fit_windows(windows, strip, expected, ways, shapes, fits, others)
    variance = (expected.sigma_m**2)[:, None, None]
    factor = _with_correlation(breaks.s, fits.covariance, fits.scatter, exact)
    covariance, slope_inflation = _correlated(fits.covariance, factor)
    wider = _where_measured(strip, windows, fits, expected, covariance, beats)
    covariance = covariance * wider[:, :, None] * wider[:, None, :] * variance
    own = covariance
    slope_inflation = slope_inflation * wider[:, 5] ** 2
    unevenness = np.sqrt(np.sum(fits.knots**2, axis=1) / np.maximum(fits.knot_count, 1))
    # a step within twice its noise isn't told from none
    step = np.sqrt(np.maximum(fits.beta[:, 6] ** 2 - 4.0 * covariance[:, 6, 6], 0.0))
    guesswork = np.minimum(np.hypot(unevenness / UNEVEN_M, step / STEPPED_M), 1.0)
    counts = STEP_SHARE + (1.0 - STEP_SHARE) * guesswork
    shift = fits.lever * edge_se[:, None]
    shift[:, 6] *= counts
    covariance = covariance + shift[:, :, None] * shift[:, None, :]
    unsure = np.concatenate([places[:, :, 1], np.tile(edge_se[:, None], k - places.shape[1])], 1)
    other_shift = others.lever.reshape(n, k, -1) * unsure[:, :, None]
    other, _ = _correlated(others.covariance, np.repeat(factor, k, axis=0))
    other = (other * np.repeat(variance, k, axis=0)).reshape(n, k, *covariance.shape[1:])
    other = other * wider[:, None, :, None] * wider[:, None, None, :]
    free = _freedom(np.concatenate([own[:, None], other[:, : places.shape[1]]], axis=1))
    other = other + other_shift[..., :, None] * other_shift[..., None, :]
    level = shared_shift(strip, windows, fits.weight, expected.sigma_m)
    shared = level[:, :, None] * level[:, None, :]
    for pulled in (fits.blur, fits.bow):
        shared += pulled[:, :, None] * pulled[:, None, :]
    placed = own + shared
    covariance, other = covariance + shared, other + shared[:, None]
    other_beta, other_evidence = others.beta.reshape(n, k, -1), others.evidence.reshape(n, k)
    edges = slice(0, places.shape[1])
    mean, spread, likely = _mixed_ways(
        windows,
        np.concatenate([fits.beta[:, None], other_beta[:, edges]], axis=1),
        np.concatenate([covariance[:, None], other[:, edges]], axis=1),
        # what scatters more says less
        (np.column_stack([fits.evidence, other_evidence[:, edges]]) - free) / wider[:, 6:7] ** 2,
        np.exp(-((unevenness / UNEVEN_M) ** 2)),
        beats,
    )
    far = slice(places.shape[1], k)
    share = np.where(np.isfinite(other_evidence[:, far]), np.nan_to_num(rivals[:, :, 3]), 0.0)
    mean, spread = with_rivals(mean, spread, other_beta[:, far], share)
    at = np.nan_to_num(np.column_stack([np.zeros(n), places[:, :, 0]]))
    at_se = np.nan_to_num(np.column_stack([edge_se, places[:, :, 1]]))
    beyond_m = (likely * at).sum(axis=1)
    scatter = (likely * (at_se**2 + (at - beyond_m[:, None]) ** 2)).sum(axis=1)
    told, width = with_rivals(beyond_m[:, None], scatter[:, None, None], rivals[:, :, :1], share)
    knots_cov = fits.knots_cov * expected.inflation[:, None, None]
    arc_m = np.zeros(n) if breaks.arc_m is None else breaks.arc_m[:, side]
    shape = Shape(fits.knots, knots_cov, fits.knot_count, expected.width_m, arc_m)
    return SideFit(
        windows=windows,
        beta=fits.beta,
        covariance=covariance,
        mixed=mean,
        mixed_covariance=spread,
        own_covariance=own,
        placed_covariance=placed,
        edge_beyond_m=told[:, 0],
        edge_beyond_se=np.sqrt(width[:, 0, 0]),
        inflation=slope_inflation,
        shape=shape,
        tally=fits.tally,
        weight=fits.weight,
    )


def _arc_variance_error(breaks: Breaks, side: int) -> Floats:
    """How well the variance is known by which an arc smears the hinge, square metres, (n,)."""
    if breaks.arc_m is None:
        return np.zeros(breaks.s.size)
    arc = breaks.arc_m[:, side]
    off = ARC_SE_SHARE * np.maximum(arc - USUALLY_ROUNDED_M, 0.0)
    # an arc smears as a box of its whole length, see `analysis.corridor.footprint.rounded_box`
    return np.asarray(((arc + off) ** 2 - arc**2) / 3.0)


def _where_measured(
    strip: Strip,
    windows: Windows,
    fits: Fits,
    expected: Expected,
    covariance: Floats,
    beats: NDArray[np.int64],
) -> Floats:
    """By how much each parameter's error exceeds what the pavement's noise makes of it, (n, p)."""
    step_m = np.abs(np.nan_to_num(fits.beta[:, 7])) * expected.hinge_se_m
    told = unlike_stretches(
        strip, windows.of(beats), fits.weight, expected.sigma_m[beats], step_m[beats]
    )
    unlike = _from_beats(windows.s, beats, told)
    factor = np.ones((windows.s.size, 3))
    for kind, of in ((PAVEMENT, [3]), (SHOULDER, [3, 5]), (STEP, [6])):
        plain, full = (c[:, of][:, :, of].sum(axis=(1, 2)) for c in (fits.covariance, covariance))
        with np.errstate(invalid="ignore", divide="ignore"):
            factor[:, kind] = np.fmax(unlike[:, kind] * plain / full, 1.0)
    # cells of the shoulder that scatter more here than those of the pavement do
    rough = (fits.tally[:, 5] / expected.sigma_m) ** 2
    factor[:, SHOULDER:] = np.maximum(factor[:, SHOULDER:], (rough - ROUGHER)[:, None])
    out = np.repeat(np.sqrt(factor[:, [PAVEMENT]]), covariance.shape[1], axis=1)
    out[:, [5, 7, 8]] = np.sqrt(factor[:, [SHOULDER]])
    out[:, 6] = np.sqrt(factor[:, STEP])
    return out


def _places(breaks: Breaks, side: int) -> Floats:
    """Place beyond the edge found and standard error of each of `WAYS` but the first, (n, 5, 2)."""
    if breaks.edge_ways is None:
        return np.full((breaks.s.size, len(WAYS) - 1, 2), np.nan)
    # what a person gave has no other place, and what isn't shown lies as its error says
    found = breaks.edge_source[:, side] == Source.FOUND
    flush, *others = np.moveaxis(
        np.where(found[:, None, None], breaks.edge_ways[:, side], np.nan), 1, 0
    )
    halfway = [0.5 * (flush + other) for other in others]
    return np.stack([flush, *others, *halfway], axis=1)


def _from_beats(s: Floats, beats: NDArray[np.int64], told: Floats) -> Floats:
    """What is told at beats (b, w) at all places (n,), which the beats are some of."""
    if beats.size == s.size:
        return told
    return np.column_stack([np.interp(s, s[beats], column) for column in told.T])


def _mixed_ways(
    windows: Windows,
    beta: Floats,
    covariance: Floats,
    evidence: Floats,
    even: Floats,
    beats: NDArray[np.int64],
) -> tuple[Floats, Floats, Floats]:
    """Mix the fits of all `WAYS` of the edge: (n, p), (n, p, p), how likely each is (n, w).

    Which of them it is, the cells of the beats about a station tell; covariances are those within
    the fits and between them. Where a shoulder isn't `even` (n,), 1 to 0, the edge stays as found:
    a rut beside it looks much like a step, and the search has ruts to choose from.
    """
    known = np.isfinite(beta).all(axis=2) & np.isfinite(evidence)
    step = np.where(known, beta[:, :, 6], np.nan)
    variance = np.maximum(covariance[:, :, 6, 6], 1e-12)
    told = _likely_ways(
        windows.of(beats), step[beats], variance[beats], evidence[beats], even[beats]
    )
    share = _from_beats(windows.s, beats, told) * known
    share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-300)
    share *= even[:, None]
    share[:, 0] += 1.0 - share.sum(axis=1)
    unfit = ~known[:, 0]
    beta = np.where(known[:, :, None], beta, 0.0)
    mean = np.einsum("nk,nkj->nj", share, beta)
    off = beta - mean[:, None]
    within = np.where(known[:, :, None, None], covariance, 0.0)
    spread = np.einsum("nk,nkij->nij", share, within + off[..., :, None] * off[..., None, :])
    mean[unfit], spread[unfit] = np.nan, np.nan
    return mean, spread, share


def _freedom(covariance: Floats) -> Floats:
    """Log of how many shapes beside a step that is known fit the cells of each window, (n, w).

    Evidence holds it anew in each window, though what goes on along the road is free but once: the
    narrower a shoulder would be, the more shapes fit it, and that added up to an edge too far out.
    Of covariances (n, w, p, p) within the fits, to what their columns stray by.
    """
    columns = [column for column, _ in SWAYS]
    stray = np.diag([sway**2 for _, sway in SWAYS])
    beside = covariance[:, :, columns, 6]
    known = np.maximum(covariance[:, :, 6, 6], 1e-12)[:, :, None, None]
    inner = covariance[:, :, columns][:, :, :, columns]
    inner = inner - beside[..., :, None] * beside[..., None, :] / known + stray
    # ways that no cells tell are left out later
    return np.asarray(0.5 * np.linalg.slogdet(np.where(np.isfinite(inner), inner, stray))[1])


def _likely_ways(
    windows: Windows, step: Floats, variance: Floats, evidence: Floats, even: Floats
) -> Floats:
    """How likely each way is, (n, w), by its step, NaN where it isn't known, and its evidence."""
    known = np.isfinite(step)
    usual, lone = _usual_step(windows, step)
    top = np.where(known, evidence, -np.inf).max(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        total = variance + SWAY_M**2
        steady = np.exp(-0.5 * (step - usual) ** 2 / total) / np.sqrt(2.0 * np.pi * total)
        chance = (1.0 - CHANGES) * steady + CHANGES * _step_chance(step, variance)
        seen = np.where(known, np.exp(evidence - top) * chance, 0.0)
        seen = np.where(known, seen, 0.0) ** even[:, None] * known
        # how large a step may be counts once for all stations that share it
        prior = np.where(known, _step_chance(usual, lone[:, None] * variance), 0.0)
    prior *= np.array([way.share for way in WAYS])
    return _tied_ways(windows.s, windows.half_m, prior, seen)


def _usual_step(windows: Windows, step: Floats) -> tuple[Floats, Floats]:
    """Median of each way's steps about each station (n, w), NaN of none, and its part of variance.

    The part (n,) is that of one window, by how many of them lie end to end there.
    """
    from analysis.shoulder.noise_kernels import medians_between

    s, half_m = windows.s, windows.half_m
    # no rounding decides whether stations so far away count
    first = np.searchsorted(s, s - STEADY_M - 1e-6)
    last = np.searchsorted(s, s + STEADY_M + 1e-6, side="right")
    usual = np.empty_like(step)
    medians_between(step, first, last, usual)
    return usual, 1.0 / (1.0 + (s[last - 1] - s[first]) / (2.0 * half_m))


def _step_chance(step: Floats, variance: Floats) -> Floats:
    """Density beforehand of the step in each fit: flush ones are small, others have a sign."""
    out = np.zeros_like(step)
    for k, way in enumerate(WAYS[1:], 1):
        # one found may be any of them
        for column in (k, 0):
            at, of = step[:, column], variance[:, column]
            density = np.zeros_like(at)
            for spread in way.spreads_m:
                total = of + spread**2
                part = np.exp(-0.5 * at * at / total) / np.sqrt(2.0 * np.pi * total)
                if way.sign:
                    part = part * 2.0 * ndtr(way.sign * at * spread / np.sqrt(total * of))
                density += part / len(way.spreads_m)
            out[:, column] = np.fmax(out[:, column], density)
    return out


def _tied_ways(s: Floats, half_m: Floats, prior: Floats, seen: Floats) -> Floats:
    """Probability of each way (n, w), tied along the road (forward-backward).

    Parameters
    ----------
    s, half_m : (n,)
        Stations and half the stretch that each looks at: those that share cells share what
        these say.
    prior, seen : (n, w)
        How likely each way is beforehand, and how likely it makes the cells.
    """
    from analysis.shoulder.noise_kernels import tie_ways

    n = s.size
    usual = np.where(prior.sum(axis=1, keepdims=True) > 0.0, prior, 1.0 / prior.shape[1])
    usual = usual / usual.sum(axis=1, keepdims=True)
    known = np.isfinite(seen).any(axis=1) & (np.nan_to_num(seen).sum(axis=1) > 0.0)
    gaps = np.diff(s)
    own = np.full(n, 2.0 * half_m) if n == 1 else np.zeros(n)
    own[:-1] += 0.5 * gaps
    own[1:] += 0.5 * gaps
    if n > 1:
        own[[0, -1]] *= 2.0
    own = np.minimum(own / (2.0 * half_m), 1.0)
    chance = np.maximum(np.nan_to_num(seen), 1e-100) ** own[:, None]
    chance = np.where(known[:, None], chance, 1.0) * (usual > 0.0)
    stay = np.exp(-gaps / STAYS_M)
    ways = np.empty_like(usual)
    tie_ways(usual, chance, stay, ways)
    return np.asarray(ways)


def _with_correlation(s: Floats, plain: Floats, tied: Floats, exact: NDArray[np.bool_]) -> Floats:
    """Carry the effect of correlated noise from the stations summed exactly to all others.

    Seen from the white covariance's own square root, the correlated one is a matrix that
    changes slowly along the road: it is interpolated there, (n, p, p).
    """
    n, p, _ = plain.shape
    usable = exact & np.isfinite(tied).all(axis=(1, 2)) & np.isfinite(plain).all(axis=(1, 2))
    if not usable.any():
        return np.tile(np.eye(p), (n, 1, 1))
    root = np.full_like(plain, np.nan)
    good = np.isfinite(plain).all(axis=(1, 2))
    root[good] = np.linalg.cholesky(plain[good])
    inner = np.linalg.inv(root[usable])
    factor = inner @ tied[usable] @ np.swapaxes(inner, 1, 2)
    at = s[usable]
    wide = np.stack([np.interp(s, at, factor[:, i, j]) for i in range(p) for j in range(p)], axis=1)
    return wide.reshape(n, p, p)


def _correlated(plain: Floats, factor: Floats) -> tuple[Floats, Floats]:
    """Covariances (n, p, p) with the noise's correlation, and what it does to a slope's variance.

    `factor` is what `_with_correlation` gives.
    """
    p = plain.shape[1]
    root = np.full_like(plain, np.nan)
    good = np.isfinite(plain).all(axis=(1, 2))
    root[good] = np.linalg.cholesky(plain[good])
    full = root @ factor @ np.swapaxes(root, 1, 2)
    slope = np.zeros(p)
    slope[[3, 5]] = 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.einsum("i,nij,j->n", slope, full, slope) / np.einsum(
            "i,nij,j->n", slope, plain, slope
        )
    return full, ratio


def side_section(strip: Strip, fit: SideFit, noise: Noise, u: Floats) -> tuple[Floats, Floats]:
    """Average the ground of each station relative to its pavement plane at the edge.

    Parameters
    ----------
    strip, fit, noise
    u : (k,)
        Places outward from the edge, even steps.

    Returns
    -------
    height_m, se_m : (n, k)
        NaN where there are no cells.
    """
    from analysis.shoulder.section_kernels import section_means

    height = np.full((fit.windows.s.size, u.size), np.nan)
    spread = np.full_like(height, np.nan)
    # cells that a fit left out as bush or car, and those under the user's mask
    weight = np.where(strip.masked | (strip.usable & (fit.weight < 0.5)), 0.0, 1.0)
    section_means(fit.windows, strip, weight, fit.beta, u, 1.25 * strip.cell_m, height, spread)
    factor = _mean_inflation(noise, fit.windows.half_m, strip.cell_m)
    return height, spread * (noise.known_sigma_m() * np.sqrt(factor))[:, None]


def hats_of(shape: Shape) -> tuple[Bools, Floats, Floats, Floats]:
    """Hats that shapes are made of: which knots count, where they lie, half widths, tilts.

    All (n, k) but the half widths, (n, 1). The tilt is the slope of the straight line through a hat
    of unit height over the whole shoulder, by least squares.
    """
    width, count = shape.width_m[:, None], shape.count[:, None]
    knots = np.arange(shape.height_m.shape[1], dtype=np.float64)[None, :]
    gap = np.asarray(width / (count + 1.0))
    middle = (knots + 1.0) * gap
    with np.errstate(invalid="ignore", divide="ignore"):
        tilt = 12.0 * gap * (middle - 0.5 * width) / width**3
    return knots < count, middle, gap, tilt


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
    slope, at_edge = beta[:, 3] + beta[:, 5], -beta[:, 6]
    used, middle, gap, tilt = hats_of(shape)
    tops = np.where(used, shape.height_m, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        # The line through the whole shape holds these parts of the hats; without them it runs
        # from edge to hinge.
        level = gap / width[:, None] - 0.5 * width[:, None] * tilt
        slope = slope - (tops * np.where(used, tilt, 0.0)).sum(axis=1)
        at_edge = at_edge - (tops * np.where(used, level, 0.0)).sum(axis=1)
        line = at_edge[:, None] + slope[:, None] * u
        inside = line.copy()
        for k in range(int(shape.count.max(initial=0))):
            off = np.abs(u[None, :] - middle[:, k : k + 1]) / gap
            inside += tops[:, k : k + 1] * np.maximum(1.0 - off, 0.0)
        fall = beta[:, 3] + beta[:, 5] + beta[:, 7]
        at_hinge = at_edge + slope * width + beta[:, 8]
        fore = at_hinge[:, None] + fall[:, None] * (u - width[:, None])
        falls = (fall < slope)[:, None]
        outside = np.where(falls, np.minimum(line, fore), np.maximum(line, fore))
        ground = np.where(u <= width[:, None], inside, outside)
        # an arc, a parabola as good as, cuts the corner
        arc = shape.arc_m[:, None]
        within = np.maximum(arc - np.abs(u - width[:, None]), 0.0)
        ground = ground + beta[:, 7:8] * within**2 / np.maximum(4.0 * arc, 1e-9)
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
        mean = 0.5 * (fading(along, length) + fading(np.hypot(along, cell_m), length))
        out[same] = nugget + (1.0 - nugget) * 2.0 * count * float(mean.mean())
    return out
