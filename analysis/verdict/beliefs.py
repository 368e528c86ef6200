"""What to believe of a station once the rest of its road is known too.

A station measured by itself says "30 mm high, give or take 25": taken alone that is an even
chance of a fault, although its road may stand flush everywhere else. Here the measurements of a
station are weighed against those of its own road: the pavement's cross slope changes slowly
along a road, how many edges stand flush, high or low, and which slopes its shoulders have, is
learnt from all of them. The measurements themselves stay as they are; only probabilities are taken
from the beliefs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.common.along import by_strands
from analysis.common.station_arrays import PerStation, stations_of
from analysis.common.types import Floats
from analysis.shoulder.values import Measures

__all__ = ["DROPS", "SLOPES", "Beliefs", "Kinds", "alone", "informed", "learnt"]
__all__ += ["learnt_text", "steadied"]


@dataclass(frozen=True, slots=True)
class Kinds:
    """Kinds of stations that a road may have, each normal about a centre with a spread.

    Attributes
    ----------
    centres, spreads, usual : (k,)
        `usual` is the share of each before a road is known.
    """

    centres: Floats
    spreads: Floats
    usual: Floats


DROPS = Kinds(
    centres=np.zeros(6),
    spreads=np.array([3.0, 8.0, 16.0, 32.0, 64.0, 128.0]),
    usual=np.array([0.60, 0.25, 0.03, 0.05, 0.05, 0.02]),
)
"""Edges that lie about flush, mm (common practice: most are flush)."""

_SLOPES = np.arange(-10.0, 15.0)
SLOPES = Kinds(_SLOPES, np.full(_SLOPES.size, 0.6), np.full(_SLOPES.size, 1.0 / _SLOPES.size))
"""Shoulders by their slope, percent: before a road is known, any is as likely as any other. The
spread lets neighbouring kinds overlap, so that all slopes between are about as likely too."""

USUAL_WEIGHT = 10.0
"""So many stations of a road count as much as what is usual."""

_CHANGES_PCT = (0.01, 0.03, 0.1, 0.17, 0.3, 0.55, 1.0)
"""Points of percent by which a pavement's slope may move from station to station."""

_TAIL = 3.0
"""Degrees of freedom of those moves: nearly none on a straight, large ones where a curve begins."""

_ROUNDS, _MOST_LEARNT = 40, 2000
_FLUSH_MM = 16.0


@dataclass(frozen=True, slots=True)
class Beliefs:
    """What is believed of n stations; (n, 2) with side 0 left, 1 right, NaN = unknown.

    Attributes
    ----------
    pavement_slope_pct, pavement_slope_se, shoulder_slope_pct, shoulder_slope_se, slope_cov : (n, 2)
        As in `Measures`, given the pavement along the road and what its shoulders are like.
    drop_share, drop_mean_mm, drop_sd_mm : (n, 2, k)
        The edge drop as a mixture of normals.
    """

    pavement_slope_pct: PerStation[Floats]
    pavement_slope_se: PerStation[Floats]
    shoulder_slope_pct: PerStation[Floats]
    shoulder_slope_se: PerStation[Floats]
    slope_cov: PerStation[Floats]
    drop_share: PerStation[Floats]
    drop_mean_mm: PerStation[Floats]
    drop_sd_mm: PerStation[Floats]

    def chance_drop_below(self, limit_mm: float) -> Floats:
        """Probability that the edge drop is below a limit, (n, 2)."""
        z = (limit_mm - self.drop_mean_mm) / np.maximum(self.drop_sd_mm, 1e-9)
        return np.asarray((self.drop_share * ndtr(z)).sum(axis=-1))


def alone(measures: Measures) -> Beliefs:
    """Believe each station's own measurements and nothing else."""
    m = measures
    known = np.isfinite(m.edge_drop_mm) & np.isfinite(m.edge_drop_se)
    return Beliefs(
        m.pavement_slope_pct,
        m.pavement_slope_se,
        m.shoulder_slope_pct,
        m.shoulder_slope_se,
        m.slope_cov,
        np.where(known, 1.0, np.nan)[..., None],
        m.edge_drop_mm[..., None],
        m.edge_drop_se[..., None],
    )


def informed(
    measures: Measures,
    weight: float,
    *,
    usual: Measures | None = None,
    strands: Sequence[NDArray[np.intp]] | None = None,
) -> Beliefs:
    """Believe each station's measurements in the light of all those of its road.

    Parameters
    ----------
    measures : Measures
        Of one road, in order along it.
    weight : float
        How much of its own a station has: distance to the next of its strand / averaging length,
        at most 1.
    usual : Measures, optional
        What edges are like on this road is learnt from these; default the same.
    strands
        Stations (k,) that are followed together, where others lie between; the first of them teach
        what the road is like. Default all in one.

    Returns
    -------
    Beliefs
    """
    m = measures
    if strands is None:
        strands = [np.arange(len(m.edge_drop_mm))]

    def followed(value: Floats, se: Floats) -> Floats:
        sides = [steadied(value[:, side], se[:, side], weight) for side in (0, 1)]
        return np.stack([np.column_stack(pair) for pair in zip(*sides, strict=True)], axis=1)

    along = by_strands(strands, followed, m.pavement_slope_pct, m.pavement_slope_se)
    pavement, pavement_se = along[:, 0], along[:, 1]
    # the shoulder's slope is fitted together with the pavement's and moves with it
    share = m.slope_cov / np.maximum(m.pavement_slope_se, 1e-9) ** 2
    settled = m.pavement_slope_se**2 - pavement_se**2
    shoulder_se = np.sqrt(np.maximum(m.shoulder_slope_se**2 - share**2 * settled, 1e-12))
    shoulder = m.shoulder_slope_pct + share * (pavement - m.pavement_slope_pct)
    source = stations_of(measures if usual is None else usual, strands[0])
    edges = learnt(DROPS, source.edge_drop_mm.ravel(), source.edge_drop_se.ravel(), weight)
    drop_share, drop_mean, drop_sd = _weighed(DROPS, edges, m.edge_drop_mm, m.edge_drop_se)
    slope, slope_se = _likely_slope(source, shoulder, shoulder_se, weight)
    # what the road says of the shoulder leaves less of it to go with the pavement
    held = (slope_se / np.maximum(shoulder_se, 1e-9)) ** 2
    return Beliefs(
        pavement_slope_pct=pavement,
        pavement_slope_se=pavement_se,
        shoulder_slope_pct=slope,
        shoulder_slope_se=slope_se,
        slope_cov=share * pavement_se**2 * np.minimum(held, 1.0),
        drop_share=drop_share,
        drop_mean_mm=drop_mean,
        drop_sd_mm=drop_sd,
    )


def _likely_slope(
    source: Measures, slope: Floats, se: Floats, weight: float
) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the shoulder's slope among those of its road, (n, 2)."""
    usual = (source.shoulder_slope_pct.ravel(), source.shoulder_slope_se.ravel())
    share, mean, sd = _weighed(SLOPES, learnt(SLOPES, *usual, weight), slope, se)
    middle = (share * mean).sum(axis=-1)
    spread = np.sqrt((share * (sd**2 + (mean - middle[..., None]) ** 2)).sum(axis=-1))
    # beyond all kinds the road has nothing to say
    known = (slope >= SLOPES.centres[0]) & (slope <= SLOPES.centres[-1])
    return np.where(known, middle, slope), np.where(known, spread, se)


def _weighed(
    kinds: Kinds, shares: Floats, value: Floats, se: Floats
) -> tuple[Floats, Floats, Floats]:
    """Share, mean and standard deviation of each kind given what was measured, all (n, 2, k)."""
    variance, spread = se[..., None] ** 2, kinds.spreads**2
    total = variance + spread
    off = value[..., None] - kinds.centres
    found = shares * _likelihood(off, total)
    mean = kinds.centres + off * spread / total
    return found / found.sum(axis=-1, keepdims=True), mean, np.sqrt(variance * spread / total)


def steadied(value: Floats, se: Floats, weight: float) -> tuple[Floats, Floats]:
    """Follow what changes slowly along a road, with sudden changes here and there.

    A local level whose moves have a heavy tail. How far it moves is taken from the measurements by
    maximum likelihood; the tail by weighting the moves anew a few times.

    Parameters
    ----------
    value, se : (n,)
        Measurements in order along the road and their standard errors; NaN = unknown.
    weight : float
        How much of its own a measurement has; those that share cells count for less.

    Returns
    -------
    value, se : (n,)
        NaN where nothing was measured; nowhere less sure than the measurement itself.

    Notes
    -----
    Kalman filter and Rauch-Tung-Striebel smoother (AIAA Journal 3, 1965).
    """
    from analysis.verdict.kernels import local_level

    n = value.size
    variance = se**2 / weight
    mean, spread, moved = np.empty(n), np.empty(n), np.empty(n)

    def follow(change: Floats) -> float:
        return local_level(value, variance, change, mean, spread, moved)

    known = np.isfinite(value) & np.isfinite(se)
    if not known.any():
        return np.full(n, np.nan), np.full(n, np.nan)
    chances = [follow(np.full(n, c * c)) for c in _CHANGES_PCT]
    usual = _CHANGES_PCT[int(np.argmax(chances))] ** 2
    change = np.full(n, usual)
    for _ in range(4):
        follow(change)
        change = (_TAIL * usual + moved) / (_TAIL + 1.0)
    value, se = np.where(known, value, np.nan), np.where(known, se, np.nan)
    surer = known & (spread < np.nan_to_num(se) ** 2)
    return np.where(surer, mean, value), np.where(surer, np.sqrt(spread), se)


def learnt(kinds: Kinds, value: Floats, se: Floats, weight: float) -> Floats:
    """Learn how many stations of a road are of each kind.

    Parameters
    ----------
    kinds : Kinds
        With k kinds.
    value, se : (m,)
        Measurements and their standard errors; NaN = unknown.
    weight : float
        How much of its own a station has.

    Returns
    -------
    (k,) ndarray
        Share of each kind.

    Notes
    -----
    Mixture of normals with fixed centres and spreads, shares by expectation-maximisation: adaptive
    shrinkage (Stephens, Biostatistics 18, 2017).
    """
    from analysis.verdict.kernels import learn_shares

    known = np.flatnonzero(np.isfinite(value) & np.isfinite(se))
    # a long road tells its shares by every so manieth station as well
    stride = max(1, int(np.ceil(known.size / _MOST_LEARNT)))
    some = known[::stride]
    weight *= stride
    total = se[some] ** 2 + kinds.spreads[:, None] ** 2
    chance = _likelihood(value[some] - kinds.centres[:, None], total)
    shares = np.empty((_ROUNDS + 1, kinds.usual.size))
    shares[0] = kinds.usual
    learn_shares(chance, kinds.usual, USUAL_WEIGHT, weight, shares)
    return np.asarray(shares[-1])


def learnt_text(measures: Measures, weight: float) -> str:
    """Say in one sentence what a road's shoulders and edges are like, as it weighs its stations."""
    slopes = (measures.shoulder_slope_pct.ravel(), measures.shoulder_slope_se.ravel())
    drops = (measures.edge_drop_mm.ravel(), measures.edge_drop_se.ravel())
    slope, drop = learnt(SLOPES, *slopes, weight), learnt(DROPS, *drops, weight)
    most = sorted(np.argsort(-slope, kind="stable")[:3].tolist())
    falls = ", ".join(f"{SLOPES.centres[k]:.0f} % ({100.0 * slope[k]:.0f} in 100)" for k in most)
    flush = 100.0 * drop[DROPS.spreads <= _FLUSH_MM].sum()
    return f"Most shoulders fall {falls}; {flush:.0f} in 100 edges lie about flush."


def _likelihood(value: Floats, variance: Floats) -> Floats:
    # a value that no kind explains is still the widest one's
    return np.maximum(np.exp(-0.5 * value**2 / variance), 1e-300) / np.sqrt(variance)
