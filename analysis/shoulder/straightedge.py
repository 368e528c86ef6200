"""Ruts and ridges: a straightedge laid across the shoulder, on ground that a grid has smeared.

The rut is the largest gap under a straightedge that rests on the shoulder, square to it (as
ASTM E1703/E1703M 3.2.1 defines a rut's depth); the ridge is its mirror image, the largest rise
above a straight line that the ground touches from above. Both are taken between the pavement
edge and the hinge; a straightedge shorter than the shoulder may lie anywhere on it.

A grid shows neither directly. Its cells are means over their area, which takes a quarter or
more off the depth of a wheel rut, and the largest of many noisy gaps is never zero. So the
shape of the shoulder is *estimated*: what the fitted planes leave of the cells is averaged in
narrow bins along the road, and the straightedge is laid on many sections that agree with these
(`analysis.shoulder.section_gaps`): the median of the gaps is the rut, and their scatter about it
its standard error, with a share for rims sharper than a smooth curve has. No gap is below none, so
that their mean is drawn up by the few deep ones that a grid can't rule out: a sound shoulder would
be told a deeper rut than most sections have that agree with it. A rut too narrow for the grid gets
a wide standard error.

A drop at the edge may be the inner wall of a rut beside an edge that is flush, and lie farther
inward then: both are weighed by the cells, and mixed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from analysis.common.sides import Source
from analysis.common.station_arrays import stations_of
from analysis.common.types import Floats
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.corridor.line_noise import line_correlation
from analysis.edges.values import Breaks
from analysis.shoulder.section_gaps import (
    LOOSE_M,
    OVER_MM,
    RIM_SHARE,
    ROUGH_M,
    SectionGaps,
    Sighted,
    section_gaps,
)
from analysis.shoulder.values import Noise

if TYPE_CHECKING:
    from analysis.shoulder.regression import SideFit
    from analysis.shoulder.strip import Strip

__all__ = ["SLANT", "STRAIGHTEDGE_M", "Gaps", "detectable_rut_mm", "lay_straightedge"]


STRAIGHTEDGE_M = 1.8
"""Default length; ASTM E1703 allows 1.73 to 3.66 m (from memory)."""

SLANT = (0.92, 0.39)
"""Box widths of a cell across the road, in cells, where its rows run at 23 degrees to the road:
halfway between along them and along their diagonal. Taken before any road is known."""

STEP_TOLD_M = 0.015
"""A step at the edge of less than this hides no rut worth the search (our own choice)."""

FLUSH_M, STEPPED_M = 0.01, 0.08
"""Scatter of the step at an edge that is flush and at one that isn't."""

FLUSH_SHARES, APART_M = (0.7, 0.95), 0.1
"""How likely an edge is flush beforehand: where the search put it at the place of a stepped one,
and where at that of a flush one, if these lie so far apart; halfway where they don't tell. A rut
beside a flush edge looks much like a step, so that neither is ever sure (own choice, by trials).
"""

TRUST = 0.5
"""Share of the log evidence for an edge that counts: neither steps nor ruts have quite the shapes
that stand for them (Miller and Dunson 2019, Journal of the American Statistical Association 114;
share by trials)."""

TOLD = float(ndtri(0.95) + ndtri(0.99))
"""So many standard errors tell a wheel rut from none. It may lie anywhere across, so that noise has
several places to look like one: seen where there is none one time in a hundred at one place, missed
one time in twenty."""

OUTLYING = 0.2
"""Over so much of its weight about a half a cell passes from lying on the planes to lying off them,
which counts in no section: not all at once."""

_BIN_M = 0.1
_LEAST_WIDTH_M = 0.3
_BLOCK = 1024


@dataclass(frozen=True, slots=True)
class Gaps:
    """What the straightedge shows at n stations of one side, millimetres; NaN = unknown.

    Attributes
    ----------
    rut_mm, rut_se, ridge_mm, ridge_se : (n,)
        Medians over all sections that agree with the cells, and root mean squares about these.
    rut_over, ridge_over : (n, k)
        How likely each is over the depths `OVER_MM`.
    detectable_mm : (n,)
        Depth of a wheel rut (`WHEEL_RUT_M` wide) that is told from none with 95 % certainty.
    """

    rut_mm: Floats
    rut_se: Floats
    ridge_mm: Floats
    ridge_se: Floats
    rut_over: Floats
    ridge_over: Floats
    detectable_mm: Floats

    def values(self) -> dict[str, Floats]:
        """Return the arrays under the names that `Measures` has for them."""
        return {
            "rut_mm": self.rut_mm,
            "rut_se": self.rut_se,
            "ridge_mm": self.ridge_mm,
            "ridge_se": self.ridge_se,
            "rut_over": self.rut_over,
            "ridge_over": self.ridge_over,
            "rut_detectable_mm": self.detectable_mm,
        }


class _Way(NamedTuple):
    """An edge as it may be at n stations.

    Attributes
    ----------
    beyond_m, se_m : (n,)
        How far outward of the edge found it lies, and how surely.
    stands : (n,)
        1 where it has the step that was fitted, 0 where it is flush.
    step_m : (n,)
        Scatter of its step.
    share : (n,)
        How likely it is beforehand.
    """

    beyond_m: Floats
    se_m: Floats
    stands: Floats
    step_m: Floats
    share: Floats

    def of(self, rows: NDArray[np.intp]) -> _Way:
        """The same at some of the stations."""
        return _Way(*(part[rows] for part in self))


class _Across(NamedTuple):
    """n stations of one side in bins across, as they are seen from the edge found.

    Heights are over the pavement's plane, their covariance is that of the noise alone. `beta`
    (n, p) was fitted there, and `hinge_se_m` (n,) is how surely the hinge lies where the fit had
    it.
    """

    sighted: Sighted
    beta: Floats
    hinge_se_m: Floats

    def from_edge(self, way: _Way) -> Sighted:
        """The sections as they are seen from an edge."""
        here = self.sighted
        return here._replace(
            width_m=here.width_m - way.beyond_m,
            place_m=here.place_m - way.beyond_m[:, None],
            covariance_m2=here.covariance_m2 + _break_covariance(self, way),
        )


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
    n = breaks.s.size
    width = breaks.hinge[:, side] - breaks.edge[:, side]
    usable = np.isfinite(width) & (width >= _LEAST_WIDTH_M) & np.isfinite(fit.beta[:, 0])
    margin = 0.5 * box_m.sum(axis=1)
    keep = np.where(strip.masked, 0.0, np.clip(0.5 + (fit.weight - 0.5) / OUTLYING, 0.0, 1.0))
    hinge_se = np.nan_to_num(breaks.hinge_se[:, side], nan=0.05)
    found, *others = _ways(fit, breaks, side)
    stepped = usable & (np.abs(fit.mixed[:, 6]) > STEP_TOLD_M)
    middle, spread = np.full((2, n, 2), np.nan)
    over, clear = np.full((n, 2, len(OVER_MM)), np.nan), np.full(n, np.nan)
    for those, ways in ((usable & ~stepped, [found]), (stepped, others)):
        begin = np.minimum.reduce([way.beyond_m for way in ways])
        wide = width - begin
        begin, span = begin - margin, wide + 2.0 * margin
        for rows, widest, bins in _alike(wide, span, np.flatnonzero(those), strip.cell_m):
            size = span[rows] / bins
            place, height, covariance = _binned(
                strip, fit, keep, stations_of(noise, rows), rows, begin[rows], size, bins
            )
            sighted = Sighted(width[rows], place, height, covariance, box_m[rows], widest)
            across = _Across(sighted, fit.beta[rows], hinge_se[rows])
            here = [way.of(rows) for way in ways]
            laid = [
                section_gaps(
                    across.from_edge(way),
                    length_m=length_m,
                    step_m=way.step_m,
                    weighed=len(ways) > 1,
                )
                for way in here
            ]
            middle[rows], spread[rows], over[rows], clear[rows] = _mixed(laid, here)
    spread = np.sqrt(spread**2 + (RIM_SHARE * middle) ** 2 + ROUGH_M**2)
    return Gaps(
        rut_mm=1000.0 * middle[:, 0],
        rut_se=1000.0 * spread[:, 0],
        ridge_mm=1000.0 * middle[:, 1],
        ridge_se=1000.0 * spread[:, 1],
        rut_over=over[:, 0],
        ridge_over=over[:, 1],
        detectable_mm=1000.0 * TOLD / clear,
    )


def _ways(fit: SideFit, breaks: Breaks, side: int) -> tuple[_Way, _Way, _Way]:
    """The edge found, whatever its step; one that is flush, and one that isn't."""
    n = breaks.s.size
    none, se = np.zeros(n), np.nan_to_num(breaks.edge_se[:, side], nan=0.0)
    up_or_down = np.where(fit.mixed[:, 6] > 0.0, 2, 1)
    (flush, flush_se), (apart, apart_se) = (
        _way_at(breaks, side, way) for way in (np.zeros(n, dtype=np.int64), up_or_down)
    )
    # the pavement's plane is known to so much at its edge
    level = np.sqrt(np.maximum(np.nan_to_num(fit.own_covariance[:, 0, 0]), 0.0))
    away = apart - flush
    told = np.abs(away) > APART_M
    at_flush = np.where(told, np.clip(apart / np.where(told, away, 1.0), 0.0, 1.0), 0.5)
    share = FLUSH_SHARES[0] + (FLUSH_SHARES[1] - FLUSH_SHARES[0]) * at_flush
    return (
        _Way(none, se, np.ones(n), np.full(n, LOOSE_M), np.ones(n)),
        _Way(flush, flush_se, none, np.hypot(FLUSH_M, level), share),
        _Way(apart, apart_se, np.ones(n), np.hypot(STEPPED_M, level), 1.0 - share),
    )


def _way_at(breaks: Breaks, side: int, way: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """How far beyond the edge found one of `Breaks.edge_ways` (n,) lies, and how surely, (n,)."""
    none, se = np.zeros(way.size), np.nan_to_num(breaks.edge_se[:, side], nan=0.0)
    if breaks.edge_ways is None:
        return none, se
    place = breaks.edge_ways[np.arange(way.size), side, way]
    # what a person gave has no other place, and what isn't shown lies as its error says
    moves = (breaks.edge_source[:, side] == Source.FOUND) & np.isfinite(place).all(axis=1)
    most = breaks.hinge[:, side] - breaks.edge[:, side] - _LEAST_WIDTH_M
    return np.where(moves, np.minimum(place[:, 0], most), none), np.where(moves, place[:, 1], se)


def _mixed(
    laid: Sequence[SectionGaps], ways: Sequence[_Way]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Middle gaps, spreads about them, how likely they are over depths, how clear ruts would be.

    Each way counts by what was likely beforehand and what the cells of its sections say.
    """
    evidence = np.stack([one.evidence for one in laid], axis=-1)
    shares = np.exp(TRUST * (evidence - evidence.max(axis=-1, keepdims=True)))
    shares *= np.stack([way.share for way in ways], axis=-1)[:, None]
    shares /= shares.sum(axis=-1, keepdims=True)
    measured, believed = shares[:, 0], shares[:, 1]

    def mix(parts: list[Floats], share: Floats) -> Floats:
        return np.asarray(np.einsum("nw,wn...->n...", share, np.stack(parts)))

    # of all sections together the middle of the middles is near enough
    middle = mix([one.middle_m for one in laid], measured)
    mean, square = (
        mix([getattr(one, of) for one in laid], measured) for of in ("mean_m", "square_m2")
    )
    spread = np.sqrt(np.maximum(square - 2.0 * middle * mean + middle**2, 0.0))
    return (
        middle,
        spread,
        mix([one.over for one in laid], believed),
        mix([one.clear_per_m for one in laid], measured),
    )


def _binned(
    strip: Strip,
    fit: SideFit,
    keep: Floats,
    noise: Noise,
    rows: NDArray[np.intp],
    begin: Floats,
    size: Floats,
    bins: int,
) -> tuple[Floats, Floats, Floats]:
    """Places (n, b), heights over the pavement's plane, and covariance (n, b, b) of noise alone."""
    from analysis.shoulder.straightedge_kernels import Bins, bin_means

    count, place, mean = (np.zeros((rows.size, bins)) for _ in range(3))
    windows = fit.windows.of(rows)
    # without step and kink at the edge, which may be another
    planes = fit.beta[rows].copy()
    planes[:, 5:7] = 0.0
    bin_means(windows, strip, keep, planes, Bins(begin, size, count, place, mean))
    return place, mean, _bin_covariance(place, count, noise, 2.0 * windows.half_m, strip.cell_m)


def _alike(
    width: Floats, span: Floats, at: NDArray[np.intp], cell_m: float
) -> Iterator[tuple[NDArray[np.intp], float, int]]:
    """Stations `at` in blocks of about one width: that, and the bins that their sections get.

    How finely a section is drawn and binned follows from its own width alone: what a straightedge
    shows there mustn't hang on which other stations are asked for. In blocks a long road doesn't
    hold all its draws in memory either.
    """
    wide = _to_half_metre(np.column_stack([width[at], span[at]]))
    kinds, which = np.unique(wide, axis=0, return_inverse=True)
    for k, (widest, widest_span) in enumerate(kinds.tolist()):
        rows = at[which.ravel() == k]
        for block in np.array_split(rows, range(_BLOCK, rows.size, _BLOCK)):
            yield block, widest, _bin_count(widest_span, cell_m)


def _to_half_metre(width: ArrayLike) -> Floats:
    """Widths up to the next half metre."""
    return 0.5 * np.ceil(2.0 * np.asarray(width, np.float64) - 1e-9)


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
    alone = 1.0 / np.maximum(count, 1e-8)
    k = np.arange(bins)
    out[:, k, k] += alone
    out *= (noise.known_sigma_m() ** 2)[:, None, None]
    out[:, k, k] += ROUGH_M**2
    return out


def _break_covariance(across: _Across, way: _Way) -> Floats:
    """Covariance (n, b, b) from edge and hinge that lie elsewhere than they are said to."""
    width, place = across.sighted.width_m, across.sighted.place_m
    kink, step, bend = (np.nan_to_num(across.beta[:, j])[:, None] for j in (5, 6, 7))
    step = step * way.stands[:, None]
    edge, hinge = way.beyond_m[:, None], width[:, None]
    box = across.sighted.box_m[None, :, None, :]

    def moved(at: Floats, se: Floats) -> Floats:
        """Distances (3, n, b) from a break where it is said to lie, and on both sides of that."""
        return place - at - np.array([0.0, -1.0, 1.0])[:, None, None] * se[:, None]

    off = moved(edge, way.se_m)
    ramp, stood = smeared_ramp(off, box), smeared_step(off, box)
    bank = smeared_ramp(moved(hinge, across.hinge_se_m), box)
    out = np.zeros((*place.shape, place.shape[1]))
    for k in (1, 2):
        for change in (
            kink * (ramp[k] - ramp[0]) - step * (stood[k] - stood[0]),
            bend * (bank[k] - bank[0]),
        ):
            out += 0.5 * change[:, :, None] * change[:, None, :]
    return out


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
    widest = float(_to_half_metre(shoulder_width_m))
    sighted = Sighted(shoulder_width_m * one, place, 0.0 * place, covariance, box, widest)
    gaps = section_gaps(sighted, length_m=STRAIGHTEDGE_M, step_m=LOOSE_M * one)
    return 1000.0 * TOLD / float(gaps.clear_per_m[0])
