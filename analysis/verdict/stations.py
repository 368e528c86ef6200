"""Verdicts with probabilities: what is likely wrong at each station and side.

Each gets the probability of every fault from the joint errors of what was measured there.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, owens_t

from analysis.common.along import chance_below
from analysis.common.limits import Limits, ShapeLimits, required_slope
from analysis.common.types import Bools, Floats
from analysis.common.verdicts import DEFECTS, Finding, Verdict
from analysis.shoulder.values import Measures, Status
from analysis.verdict.beliefs import Beliefs, alone
from analysis.verdict.values import Judgement

__all__ = ["bivariate_normal", "judge_stations"]

_FINDINGS = np.array(tuple(Finding), dtype=object)


def bivariate_normal(h: Floats, k: Floats, rho: Floats) -> Floats:
    """Probability that two standard normals of correlation `rho` lie below `h` and `k`.

    Closed form by Owen's T function (Owen 1956, Annals of Mathematical Statistics 27),
    broadcast over its arguments. NaN in gives NaN out.

    >>> round(float(bivariate_normal(np.array(0.0), np.array(0.0), np.array(0.5))), 6)
    0.333333
    """
    h, k, rho = (np.asarray(a, dtype=float) for a in np.broadcast_arrays(h, k, rho))
    h = np.clip(h, -37.0, 37.0)
    k = np.clip(k, -37.0, 37.0)
    rho = np.clip(rho, -0.999999, 0.999999)
    # A zero argument divides by zero in the formula; a shift of 1e-12 changes nothing else.
    h = np.where(h == 0.0, 1e-12, h)
    k = np.where(k == 0.0, 1e-12, k)
    root = np.sqrt(1.0 - rho * rho)
    opposite = np.where(h * k < 0.0, 0.5, 0.0)
    below = (
        0.5 * (ndtr(h) + ndtr(k))
        - owens_t(h, (k / h - rho) / root)
        - owens_t(k, (h / k - rho) / root)
        - opposite
    )
    return np.asarray(np.clip(below, 0.0, 1.0))


def _chance_too_flat(beliefs: Beliefs, crowned: Bools, limits: ShapeLimits) -> Floats:
    """Probability that the shoulder falls less than required, by the joint error of both slopes.

    What is required (`required_slope`) compares the shoulder with a constant, with the pavement or
    with both, so the chance that all hold together is a bivariate normal one.
    """
    shoulder, pavement = beliefs.shoulder_slope_pct, beliefs.pavement_slope_pct
    required = required_slope(pavement, crowned, limits)
    tolerance = limits.slope_shortfall_points.value
    se = np.maximum(beliefs.shoulder_slope_se, 1e-9)
    # Where the steepest to build rules, the pavement's slope and its error don't count.
    by_pavement = required.steeper < limits.shoulder_most_pct.value
    joint_var = beliefs.shoulder_slope_se**2 + beliefs.pavement_slope_se**2
    joint_var = np.maximum(joint_var - 2.0 * beliefs.slope_cov, 1e-18)
    joint_se = np.sqrt(joint_var)
    joint_rho = (beliefs.shoulder_slope_se**2 - beliefs.slope_cov) / (joint_se * se)
    steeper_se = np.where(by_pavement, joint_se, se)
    steeper_rho = np.where(by_pavement, joint_rho, 1.0)

    steeper = (shoulder - np.minimum(required.steeper, required.steepest) + tolerance) / steeper_se
    enough = (shoulder - required.least + tolerance) / se
    capped = (shoulder - pavement - limits.breakover_most_points.value + tolerance) / joint_se
    holds = bivariate_normal(steeper, enough, steeper_rho)
    holds = np.where(required.high_side, ndtr(enough), holds)
    holds = holds + ndtr(capped) - bivariate_normal(capped, enough, joint_rho)
    return np.clip(1.0 - holds, 0.0, 1.0)


def judge_stations(
    measures: Measures,
    crowned: Bools,
    retained_mm: Floats,
    retained_se_mm: Floats,
    retained_chance_mm: Floats,
    kerb: Bools,
    limits: Limits,
    beliefs: Beliefs | None = None,
) -> Judgement:
    """Turn measured values and their errors into probabilities, verdicts and findings.

    Parameters
    ----------
    measures
        What was measured, arrays (n, 2).
    crowned
        (n,), False where the pavement falls one way.
    retained_mm, retained_se_mm
        (n, 2), depth of water held on shoulder and pavement, and its standard error; NaN unknown.
    retained_chance_mm
        (n, 2), depth that noise alone makes a section hold: less isn't told from none.
    kerb
        (n, 2), True where a kerb stands at the edge: it is meant to be high.
    limits
        The criteria. `limits.decision.certainty` is how sure a verdict must be.
    beliefs
        Slopes and drops in the light of the road; default each station's own.
    """
    beliefs = alone(measures) if beliefs is None else beliefs
    required = required_slope(measures.pavement_slope_pct, crowned, limits.shape)
    certainty = limits.decision.certainty.value
    p_flat = _chance_too_flat(beliefs, crowned, limits.shape)
    p_high = np.where(kerb, 0.0, beliefs.chance_drop_below(-limits.shape.high_shoulder_mm.value))
    p_drop = 1.0 - beliefs.chance_drop_below(limits.shape.edge_drop_mm.value)
    p_rut = 1.0 - chance_below(measures.rut_mm, measures.rut_se, limits.shape.rut_mm.value)
    p_ridge = 1.0 - chance_below(measures.ridge_mm, measures.ridge_se, limits.shape.ridge_mm.value)
    p_rut = np.fmax(p_rut, p_ridge)  # either alone, where the other is unknown
    p_pond = 1.0 - chance_below(retained_mm, retained_se_mm, limits.water.retained_mm.value)
    with np.errstate(invalid="ignore"):
        p_pond = np.where((retained_mm > retained_chance_mm) & ~kerb, p_pond, 0.0)
    p_reversed = chance_below(beliefs.shoulder_slope_pct, beliefs.shoulder_slope_se, 0.0)

    def measured(chance: Floats) -> Floats:
        chance[measures.status != Status.OK] = np.nan
        return chance

    p_wont = measured(_chance_wont_shed(measures, p_flat, p_high, p_pond, certainty))
    shares = measured(_finding_shares(p_drop, p_high, p_rut, p_flat, p_reversed, p_pond))
    return Judgement(
        required_slope_pct=required.pct,
        follows_pavement=required.follows_pavement,
        p_wont_shed=p_wont,
        p_drop=measured(p_drop),
        p_high=measured(p_high),
        p_rut=measured(p_rut),
        p_finding=shares,
        verdict=_station_verdicts(p_wont, measures.status, certainty),
        finding=_station_findings(shares, measures.status, certainty),
    )


def _chance_wont_shed(
    measures: Measures, p_flat: Floats, p_high: Floats, p_pond: Floats, certainty: float
) -> Floats:
    """Probability that water stays, (n, 2).

    Either fault alone keeps water on the road: P(A or B) by the correlation that the fit gives
    between slope and drop; a pond is what those two make, so it only ever adds what they miss.
    """
    flat_z, high_z = (ndtri(np.clip(p, 1e-12, 1 - 1e-12)) for p in (p_flat, p_high))
    spread = np.maximum(measures.shoulder_slope_se * measures.edge_drop_se, 1e-12)
    rho = np.clip(measures.drop_shoulder_cov / spread, -1.0, 1.0)
    neither = bivariate_normal(-flat_z, -high_z, rho)
    return np.where(
        np.isfinite(neither),
        np.fmax(1.0 - neither, p_pond),
        # an unknown slope or drop: water that surely stands is the one thing that can be said
        np.where(p_pond >= certainty, p_pond, np.nan),
    )


def _finding_shares(
    p_drop: Floats,
    p_high: Floats,
    p_rut: Floats,
    p_flat: Floats,
    p_reversed: Floats,
    p_pond: Floats,
) -> Floats:
    """Exclusive probabilities (n, 2, 7) of no fault and of each defect: the worst one is named."""
    rest = np.ones_like(p_flat)
    shares = np.empty((*p_flat.shape, 1 + len(DEFECTS)))
    for label, p in enumerate((p_drop, p_high, np.nan_to_num(p_rut, nan=0.0)), start=1):
        shares[..., label] = rest * p
        rest = rest * (1.0 - p)
    p_reversed = np.minimum(p_reversed, p_flat)
    shares[..., 4] = rest * p_reversed
    shares[..., 5] = rest * (p_flat - p_reversed)
    rest = rest * (1.0 - p_flat)
    shares[..., 6] = rest * p_pond
    shares[..., 0] = rest * (1.0 - p_pond)
    return shares


def _station_verdicts(
    p_wont: Floats, status: NDArray[np.int8], certainty: float
) -> NDArray[np.object_]:
    verdict = np.full(p_wont.shape, Verdict.CANT_TELL, dtype=object)
    with np.errstate(invalid="ignore"):
        verdict[p_wont >= certainty] = Verdict.WONT_SHED
        verdict[p_wont <= 1.0 - certainty] = Verdict.SHEDS
    verdict[status == Status.NO_DATA] = Verdict.NO_DATA
    return verdict


def _station_findings(
    shares: Floats, status: NDArray[np.int8], certainty: float
) -> NDArray[np.object_]:
    """Name the most likely fault where a fault, or its absence, is certain enough."""
    known = np.nan_to_num(shares, nan=0.0)
    sound = known[..., 0]
    likeliest = 1 + np.argmax(known[..., 1:], axis=-1)
    finding = np.full(sound.shape, Finding.CANT_TELL, dtype=object)
    finding[sound >= certainty] = Finding.NONE
    faulty = (1.0 - sound) >= certainty
    finding[faulty] = _FINDINGS[likeliest[faulty]]
    finding[~np.isfinite(shares).all(axis=-1)] = Finding.CANT_TELL
    finding[status == Status.NO_DATA] = Finding.NO_DATA
    return finding
