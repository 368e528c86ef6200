"""Ruts and ridges: a straightedge laid across the shoulder, on ground that a grid has smeared.

The rut is the largest gap under a straightedge that rests on the shoulder, square to it (as
ASTM E1703/E1703M 3.2.1 defines a rut's depth); the ridge is its mirror image, the largest rise
above a straight line that the ground touches from above. Both are taken between the pavement
edge and the hinge; a straightedge shorter than the shoulder may lie anywhere on it.

A grid shows neither directly. Its cells are means over their area, which takes a quarter or
more off the depth of a wheel rut, and the largest of many noisy gaps is never zero. So the
shape of the shoulder is *estimated*: what the fitted planes leave of the cells is averaged in
narrow bins along the road, and the section that lies under it is found by regression through
the footprint of a cell, as a smooth curve (a Gaussian process with a squared exponential
covariance; Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, ch. 2) whose
amplitude the cells themselves tell. The straightedge is then laid on many sections that agree
with the cells: the mean of the gaps is the rut, and their scatter its standard error, with a
share for rims sharper than a smooth curve has. A sound shoulder gets a small amplitude and so a
rut near zero, whatever the noise; a rut too narrow for the grid gets a wide standard error.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from analysis.common.station_arrays import stations_of
from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.corridor.line_noise import line_correlation
from analysis.edges.values import Breaks
from analysis.shoulder.values import Noise

if TYPE_CHECKING:
    from analysis.shoulder.regression import SideFit
    from analysis.shoulder.strip import Strip

__all__ = [
    "SLANT",
    "STRAIGHTEDGE_M",
    "Gaps",
    "detectable_rut_mm",
    "lay_straightedge",
    "section_gaps",
]


STRAIGHTEDGE_M = 1.8
"""Default length; ASTM E1703 allows 1.73 to 3.66 m (from memory)."""

SLANT = (0.92, 0.39)
"""Box widths of a cell across the road, in cells, where its rows run at 23 degrees to the road:
halfway between along them and along their diagonal. Taken before any road is known."""

SMOOTH_M = 0.25
"""Over about this distance the ground of a shoulder keeps its height: what wheels press out is a
few decimetres wide (common practice)."""

AMPLITUDES_MM = (0.7, 2.0, 5.0, 10.0, 20.0, 35.0, 60.0)
"""How uneven a shoulder may be: standard deviation of its section."""

AMPLITUDE_SHARES = (0.33, 0.25, 0.17, 0.10, 0.07, 0.05, 0.03)
"""How common each unevenness is before anything is measured: about one shoulder in ten has
a rut over 30 mm. Our own choice; a grid that shows the shoulder's shape overrules it."""

WHEEL_RUT_M = 0.8
"""Width of the rut whose least detectable depth is told (common practice: a wheel's track and
what it presses aside); at most six tenths of the shoulder."""

_KNOT_M = 0.1
_MOST_KNOTS = 64
_BIN_M = 0.1
_DRAWS = 64
_ROUGH_M = 0.001
_LOOSE_M = 0.3
_LEAST_WIDTH_M = 0.3
_BLOCK = 1024
# how far off a smooth curve is at the rims of a rut that has sharp ones, as a share of its depth
_RIM_SHARE = 0.05
# A wheel rut may lie anywhere across, so that noise has several places to look like one: seen
# where there is none one time in a hundred at one place, missed one time in twenty.
_TOLD = float(ndtri(0.95) + ndtri(0.99))


@dataclass(frozen=True, slots=True)
class Gaps:
    """What the straightedge shows at n stations of one side, millimetres; NaN = unknown.

    Attributes
    ----------
    rut_mm, rut_se, ridge_mm, ridge_se : (n,)
        Means and standard deviations over all sections that agree with the cells.
    detectable_mm : (n,)
        Depth of a wheel rut (`WHEEL_RUT_M` wide) that is told from none with 95 % certainty.
    """

    rut_mm: Floats
    rut_se: Floats
    ridge_mm: Floats
    ridge_se: Floats
    detectable_mm: Floats

    def values(self) -> dict[str, Floats]:
        """Return the arrays under the names that `Measures` has for them."""
        return {
            "rut_mm": self.rut_mm,
            "rut_se": self.rut_se,
            "ridge_mm": self.ridge_mm,
            "ridge_se": self.ridge_se,
            "rut_detectable_mm": self.detectable_mm,
        }


def lay_straightedge(
    strip: Strip,
    fit: SideFit,
    breaks: Breaks,
    noise: Noise,
    side: int,
    box_m: Floats,
    *,
    length_m: float = STRAIGHTEDGE_M,
) -> Gaps:
    """Measure ruts and ridges of one side from its native cells.

    Parameters
    ----------
    strip : Strip
    fit : SideFit
        The fitted planes; what they leave of the cells is looked at.
    breaks : Breaks
    noise : Noise
    side : int
        0 left, 1 right.
    box_m : (n, 2)
        Box widths of a cell across the road.
    length_m : float
        Of the straightedge.

    Returns
    -------
    Gaps
    """
    from analysis.shoulder.straightedge_kernels import Bins, bin_means

    n = breaks.s.size
    width = breaks.hinge[:, side] - breaks.edge[:, side]
    usable = np.isfinite(width) & (width >= _LEAST_WIDTH_M) & np.isfinite(fit.beta[:, 0])
    blank = np.full(n, np.nan)
    if not usable.any():
        return Gaps(blank, blank.copy(), blank.copy(), blank.copy(), blank.copy())
    margin = 0.5 * box_m.sum(axis=1)
    span = width + 2.0 * margin
    keep = ~strip.masked & (fit.weight >= 0.5)
    found = np.full((5, n), np.nan)
    for rows, bins in _alike(width, span, np.flatnonzero(usable), strip.cell_m):
        count, place, mean = (np.zeros((rows.size, bins)) for _ in range(3))
        windows, beta, box = fit.windows.of(rows), fit.beta[rows], box_m[rows]
        into = Bins(-margin[rows], span[rows] / bins, count, place, mean)
        bin_means(windows, strip, keep, beta, into)
        own = stations_of(noise, rows)
        covariance = _bin_covariance(place, count, own, 2.0 * windows.half_m, strip.cell_m)
        place_se = breaks.edge_se[rows, side], breaks.hinge_se[rows, side]
        covariance += _break_covariance(place, width[rows], beta, place_se, box)
        found[:, rows] = section_gaps(width[rows], place, mean, covariance, box, length_m=length_m)
    return Gaps(*(1000.0 * found))


def _alike(
    width: Floats, span: Floats, at: NDArray[np.intp], cell_m: float
) -> Iterator[tuple[NDArray[np.intp], int]]:
    """Stations `at` in blocks of about one width, each with the bins that its sections get.

    How finely a section is drawn and binned follows from its own width alone: what a straightedge
    shows there mustn't hang on which other stations are asked for. In blocks a long road doesn't
    hold all its draws in memory either.
    """
    wide = _to_half_metre(np.column_stack([width[at], span[at]]))
    kinds, which = np.unique(wide, axis=0, return_inverse=True)
    for k, (_, widest) in enumerate(kinds.tolist()):
        rows = at[which.ravel() == k]
        for block in np.array_split(rows, range(_BLOCK, rows.size, _BLOCK)):
            yield block, _bin_count(widest, cell_m)


def _bin_count(span_m: float, cell_m: float) -> int:
    """Bins across; finer than the footprint of a cell tells nothing more."""
    return max(8, int(np.ceil(span_m / max(_BIN_M, 0.2 * cell_m))))


def _bin_covariance(
    place: Floats, count: Floats, noise: Noise, length_m: Floats, cell_m: float
) -> Floats:
    """Covariance (n, b, b) of the means of bins across the road."""
    n, bins = place.shape
    apart = np.abs(place[:, :, None] - place[:, None, :])
    out = np.zeros((n, bins, bins))
    kinds = np.column_stack([noise.correlation_m, noise.nugget, length_m])
    for row in np.unique(kinds, axis=0):
        same = (kinds == row).all(axis=1)
        out[same] = line_correlation(
            apart[same], row[2], cell_m=cell_m, correlation_m=row[0], nugget=row[1]
        )
    # an empty bin knows nothing
    alone = np.where(count > 0.0, 1.0 / np.maximum(count, 1.0), 1e8)
    k = np.arange(bins)
    out[:, k, k] += alone
    out *= (noise.known_sigma_m() ** 2)[:, None, None]
    out[:, k, k] += _ROUGH_M**2
    return out


def _break_covariance(
    place: Floats, width: Floats, beta: Floats, place_se: tuple[Floats, Floats], box_m: Floats
) -> Floats:
    """Covariance (n, b, b) from edge and hinge that lie elsewhere than the fit assumed.

    `place_se` (n,) are the standard errors of where the two lie.
    """
    box = box_m[:, None, :]
    kink, step, bend = (beta[:, j][:, None] for j in (5, 6, 7))
    edge_se = np.nan_to_num(place_se[0], nan=0.0)[:, None]
    hinge_se = np.nan_to_num(place_se[1], nan=0.05)[:, None]
    w, bend = width[:, None], np.nan_to_num(bend)
    out = np.zeros((*place.shape, place.shape[1]))
    for sign in (-1.0, 1.0):
        moved = sign * edge_se
        change = kink * (smeared_ramp(place - moved, box) - smeared_ramp(place, box))
        change = change - step * (smeared_step(place - moved, box) - smeared_step(place, box))
        change = np.nan_to_num(change)
        out += 0.5 * change[:, :, None] * change[:, None, :]
        moved = sign * hinge_se
        change = bend * (smeared_ramp(place - w - moved, box) - smeared_ramp(place - w, box))
        out += 0.5 * change[:, :, None] * change[:, None, :]
    return out


def section_gaps(
    width_m: Floats,
    place_m: Floats,
    mean_m: Floats,
    covariance_m2: Floats,
    box_m: Floats,
    *,
    length_m: float = STRAIGHTEDGE_M,
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Estimate ruts and ridges of n shoulders from binned sections.

    Parameters
    ----------
    width_m : (n,)
        Edge to hinge.
    place_m, mean_m : (n, b)
        Places of the bins outward from the edge, and the mean height there over any straight
        line across the shoulder.
    covariance_m2 : (n, b, b)
        Of `mean_m`.
    box_m : (n, 2)
        Box widths of a cell across the road.
    length_m : float
        Of the straightedge.

    Returns
    -------
    rut, rut_se, ridge, ridge_se, detectable : (n,)
        Metres; see `Gaps`.
    """
    n = width_m.size
    knots = width_m[:, None] * np.linspace(0.0, 1.0, _knot_count(width_m))
    hats = _smeared_hats(width_m, place_m, box_m, knots.shape[1])
    waves = _waves(width_m, knots)
    loose = _loose_columns(width_m, place_m, box_m)
    covariance = covariance_m2 + _LOOSE_M**2 * (loose @ np.swapaxes(loose, 1, 2))
    design, wheel = hats @ waves, (hats @ _wheel_rut(width_m, knots)[:, :, None])[:, :, 0]
    columns = np.concatenate([design, mean_m[:, :, None], wheel[:, :, None]], axis=2)
    solved = np.linalg.solve(covariance, columns)
    information = np.swapaxes(design, 1, 2) @ solved[:, :, :-1]
    power, axes = np.linalg.eigh(information[:, :, :-1])
    power, axes = np.maximum(power, 0.0), axes * _turned(axes)[:, None, :]
    pull = np.einsum("nji,nj->ni", axes, information[:, :, -1])
    # profiles of unit scores along the axes that the cells know best and least: (n, m, k)
    shapes = np.swapaxes(waves @ axes, 1, 2)
    amplitude = 0.001 * np.asarray(AMPLITUDES_MM)
    evidence = np.empty((n, amplitude.size))
    for j, tau in enumerate(amplitude):
        variance = 1.0 / (1.0 / tau**2 + power)
        evidence[:, j] = 0.5 * (variance * pull**2 - np.log1p(tau**2 * power)).sum(axis=1)
    share = np.exp(evidence - evidence.max(axis=1, keepdims=True)) * np.asarray(AMPLITUDE_SHARES)
    share /= share.sum(axis=1, keepdims=True)
    normal, lot = _even_normals(shapes.shape[1])
    # each pair of opposite draws gets an amplitude, all in the shares that the cells give them
    which = (lot[None, :, None] > np.cumsum(share, axis=1)[:, None, :-1]).sum(axis=2)
    tau = amplitude[which][:, :, None]
    variance = 1.0 / (1.0 / tau**2 + power[:, None, :])
    scores = variance * pull[:, None, :] + np.sqrt(variance) * normal
    gaps = _gaps_of(knots, scores @ shapes, length_m)
    mean = gaps.mean(axis=1)
    spread = np.hypot(gaps.std(axis=1), _RIM_SHARE * mean)
    # a matched filter: how many standard errors a wheel rut a metre deep would stand out by
    clear = np.sqrt(np.maximum((wheel * solved[:, :, -1]).sum(axis=1), 1e-18))
    detectable = _TOLD / clear
    return mean[:, 0], spread[:, 0], mean[:, 1], spread[:, 1], detectable


def _turned(axes: Floats) -> Floats:
    """Signs (n, m) that let each axis (n, :, m) point the way of its largest part.

    Either way is an axis, and the last bit of what is solved decides which is given: draws that
    turned with it would scatter for nothing.
    """
    top = np.abs(axes).argmax(axis=1)[:, None, :]
    return np.asarray(np.sign(np.take_along_axis(axes, top, axis=1)[:, 0]))


def _gaps_of(knots: Floats, profiles: Floats, length_m: float) -> Floats:
    """Ruts and ridges (n, d, 2) of d profiles (n, d, k) at each row of `knots` (n, k)."""
    from analysis.shoulder.straightedge_kernels import largest_gaps

    n, d, k = profiles.shape
    out = np.empty((n * d, 2))
    rows = np.repeat(np.arange(n), d)
    largest_gaps(rows, knots, profiles.reshape(n * d, k), length_m, out)
    return out.reshape(n, d, 2)


def _knot_count(width: Floats) -> int:
    """Knots of a section; an odd number, so that one lies in the middle."""
    return 2 * int(np.clip(np.ceil(0.5 * _widest(width) / _KNOT_M), 4, _MOST_KNOTS // 2)) + 1


def _widest(width: Floats) -> float:
    """Widest shoulder to half a metre, so that one station more or less changes no other's."""
    return float(_to_half_metre(width.max()))


def _to_half_metre(width: ArrayLike) -> Floats:
    """Widths up to the next half metre."""
    return 0.5 * np.ceil(2.0 * np.asarray(width, np.float64) - 1e-9)


def _wheel_rut(width: Floats, knots: Floats) -> Floats:
    """Depth of a wheel rut of unit depth in the middle of the shoulder, (n, k)."""
    half = np.minimum(0.5 * WHEEL_RUT_M, 0.3 * width)[:, None]
    off = knots - 0.5 * width[:, None]
    return np.where(np.abs(off) < half, 0.5 + 0.5 * np.cos(np.pi * off / half), 0.0)


def _waves(width: Floats, knots: Floats) -> Floats:
    """Waves that a smooth section of unit unevenness is made of, at the knots, (n, k, m).

    Cosines over a stretch somewhat longer than the shoulder, weighted by the spectrum of the
    squared exponential covariance (Solin and Särkkä 2020, Statistics and Computing 30).
    """
    smooth = SMOOTH_M
    whole = width + 4.0 * smooth
    m = int(np.ceil(3.0 / smooth * (_widest(width) + 4.0 * smooth) / np.pi)) + 1
    omega = np.pi * np.arange(m) / whole[:, None]
    density = smooth * np.sqrt(2.0 * np.pi) * np.exp(-0.5 * (omega * smooth) ** 2)
    weight = np.sqrt(density * np.where(np.arange(m) == 0, 1.0, 2.0) / whole[:, None])
    return np.asarray(
        np.cos(omega[:, None, :] * (knots + 2.0 * smooth)[:, :, None]) * weight[:, None, :]
    )


def _smeared_hats(width: Floats, place: Floats, box: Floats, count: int) -> Floats:
    """What each knot of a section given by straight lines adds to each bin, (n, b, k).

    The section begins with a step at the edge and goes on level beyond the hinge.
    """
    step = width / (count - 1)
    at = width[:, None] * np.linspace(0.0, 1.0, count)
    off = place[:, :, None] - at[:, None, :]
    ramp = smeared_ramp(off, box[:, None, None, :])
    bend = np.empty((*off.shape[:2], count))
    # second differences of ramps are hats
    bend[:, :, 1:-1] = ramp[:, :, :-2] - 2.0 * ramp[:, :, 1:-1] + ramp[:, :, 2:]
    bend[:, :, 0] = ramp[:, :, 1] - ramp[:, :, 0]
    bend[:, :, -1] = ramp[:, :, -2] - ramp[:, :, -1]
    out = bend / step[:, None, None]
    out[:, :, 0] += smeared_step(off[:, :, 0], box[:, None, :])
    return np.asarray(out)


def _loose_columns(width: Floats, place: Floats, box: Floats) -> Floats:
    """What a straightedge can't see, (n, b, 3): height and slope of the shoulder, the foreslope."""
    wide = box[:, None, :]
    beyond = smeared_ramp(place - width[:, None], wide)
    return np.stack([smeared_step(place, wide), smeared_ramp(place, wide) - beyond, beyond], axis=2)


@lru_cache(maxsize=8)
def _even_normals(m: int) -> tuple[Floats, Floats]:
    """Scores (d, m) of an even spread, always the same, and a lot (d,) in 0..1 for each.

    The scores have mean 0 and covariance 1 exactly; opposite scores share a lot.
    """
    draws = max(_DRAWS, 2 * m + 2)
    dice = np.random.default_rng(20)
    half = dice.standard_normal((draws // 2, m))
    both = np.concatenate([half, -half])
    root = np.linalg.cholesky(both.T @ both / draws)
    lot = (dice.permutation(draws // 2) + 0.5) / (draws // 2)
    return np.asarray(np.linalg.solve(root, both.T).T), np.concatenate([lot, lot])


def detectable_rut_mm(
    cell_m: float,
    sigma_m: float,
    shoulder_width_m: float,
    average_m: float,
    *,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
) -> float:
    """Say before any run how deep a rut must be to be told from none.

    Parameters
    ----------
    cell_m, sigma_m, shoulder_width_m, average_m : float
        Metres.
    correlation_m, nugget : float
        Of the noise, see `analysis.shoulder.values.Noise`.

    Returns
    -------
    float
        Millimetres; see `Gaps`. The cells' rows are taken to run at a slant to
        the road, so that they fall evenly over all places across.
    """
    box = cell_m * np.array([SLANT])
    margin = 0.5 * box.sum()
    bins = _bin_count(shoulder_width_m + 2.0 * margin, cell_m)
    bin_m = (shoulder_width_m + 2.0 * margin) / bins
    place = (-margin + (np.arange(bins) + 0.5) * bin_m)[None, :]
    count = np.full((1, bins), average_m * bin_m / cell_m**2)
    one = np.ones(1)
    noise = Noise(sigma_m * one, correlation_m * one, nugget * one, "given")
    covariance = _bin_covariance(place, count, noise, average_m * one, cell_m)
    gaps = section_gaps(shoulder_width_m * one, place, np.zeros_like(place), covariance, box)
    return 1000.0 * float(gaps[4][0])
