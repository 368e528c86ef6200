"""What to believe of a station once the rest of its road is known too.

A station measured by itself says "30 mm high, give or take 25": taken alone that is an even
chance of a fault, although its road may stand flush everywhere else. Here the measurements of a
station are weighed against those of its own road: the pavement's cross slope changes slowly
along a road, and how many edges stand flush, high or low is learnt from all of them. The
measurements themselves stay as they are; only probabilities are taken from the beliefs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analysis.common.station_arrays import PerStation
from analysis.common.types import Floats
from analysis.shoulder.values import Measures

__all__ = ["Beliefs", "alone", "drop_shares", "informed", "steadied"]


DROP_SPREADS_MM = (3.0, 8.0, 16.0, 32.0, 64.0, 128.0)
"""Scatter about flush of the kinds of edges that a road may have."""

USUAL_SHARES = (0.60, 0.25, 0.03, 0.05, 0.05, 0.02)
"""How many edges are of each kind before a road is known (common practice: most are flush)."""

USUAL_WEIGHT = 10.0
"""So many stations of a road count as much as what is usual."""

_CHANGES_PCT = (0.01, 0.03, 0.1, 0.17, 0.3, 0.55, 1.0)
"""Points of percent by which a pavement's slope may move from station to station."""

_TAIL = 3.0
"""Degrees of freedom of those moves: nearly none on a straight, large ones where a curve begins."""

_ROUNDS, _MOST_LEARNT = 40, 2000


@dataclass(frozen=True, slots=True)
class Beliefs:
    """What is believed of n stations; (n, 2) with side 0 left, 1 right, NaN = unknown.

    Attributes
    ----------
    pavement_slope_pct, pavement_slope_se, shoulder_slope_pct, shoulder_slope_se, slope_cov : (n, 2)
        As in `Measures`, given the pavement along the road.
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


def informed(measures: Measures, weight: float, *, usual: Measures | None = None) -> Beliefs:
    """Believe each station's measurements in the light of all those of its road.

    Parameters
    ----------
    measures : Measures
        Of one road, in order along it.
    weight : float
        How much of its own a station has: spacing / averaging length, at most 1.
    usual : Measures, optional
        What edges are like on this road is learnt from these; default the same.

    Returns
    -------
    Beliefs
    """
    m = measures
    pavement, pavement_se = np.empty_like(m.edge_drop_mm), np.empty_like(m.edge_drop_mm)
    for side in (0, 1):
        pavement[:, side], pavement_se[:, side] = steadied(
            m.pavement_slope_pct[:, side], m.pavement_slope_se[:, side], weight
        )
    # the shoulder's slope is fitted together with the pavement's and moves with it
    share = m.slope_cov / np.maximum(m.pavement_slope_se, 1e-9) ** 2
    settled = m.pavement_slope_se**2 - pavement_se**2
    shoulder_var = np.maximum(m.shoulder_slope_se**2 - share**2 * settled, 1e-12)
    spreads = np.array(DROP_SPREADS_MM)
    drop, drop_se = m.edge_drop_mm, m.edge_drop_se
    source = measures if usual is None else usual
    shares = drop_shares(source.edge_drop_mm.ravel(), source.edge_drop_se.ravel(), weight)
    total = drop_se[..., None] ** 2 + spreads**2
    kinds = shares * _likelihood(drop[..., None], total)
    return Beliefs(
        pavement_slope_pct=pavement,
        pavement_slope_se=pavement_se,
        shoulder_slope_pct=m.shoulder_slope_pct + share * (pavement - m.pavement_slope_pct),
        shoulder_slope_se=np.sqrt(shoulder_var),
        slope_cov=share * pavement_se**2,
        drop_share=kinds / kinds.sum(axis=-1, keepdims=True),
        drop_mean_mm=drop[..., None] * spreads**2 / total,
        drop_sd_mm=drop_se[..., None] * spreads / np.sqrt(total),
    )


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


def drop_shares(drop_mm: Floats, se_mm: Floats, weight: float) -> Floats:
    """Learn how many edges of a road stand how far from flush.

    Parameters
    ----------
    drop_mm, se_mm : (m,)
        Edge drops and their standard errors; NaN = unknown.
    weight : float
        How much of its own a station has.

    Returns
    -------
    (k,) ndarray
        Share of each of `DROP_SPREADS_MM`.

    Notes
    -----
    Mixture of normals about zero with fixed spreads, shares by expectation-maximisation: adaptive
    shrinkage (Stephens, Biostatistics 18, 2017).
    """
    known = np.flatnonzero(np.isfinite(drop_mm) & np.isfinite(se_mm))
    usual = np.array(USUAL_SHARES)
    # a long road tells its shares by every so manieth station as well
    stride = max(1, int(np.ceil(known.size / _MOST_LEARNT)))
    some = known[::stride]
    weight *= stride
    total = se_mm[some, None] ** 2 + np.array(DROP_SPREADS_MM) ** 2
    chance = _likelihood(drop_mm[some, None], total)
    shares = usual
    for _ in range(_ROUNDS):
        kinds = shares * chance
        kinds /= kinds.sum(axis=1, keepdims=True)
        held = USUAL_WEIGHT * usual + weight * kinds.sum(axis=0)
        shares = held / (USUAL_WEIGHT + weight * some.size)
    return shares


def _likelihood(value: Floats, variance: Floats) -> Floats:
    # a value that no kind explains is still the widest one's
    return np.maximum(np.exp(-0.5 * value**2 / variance), 1e-300) / np.sqrt(variance)
