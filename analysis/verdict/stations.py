"""Verdicts with probabilities: what is likely wrong at each station and side.

Each gets the probability of every fault from the joint errors of what was measured there.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr, ndtri, owens_t

from analysis.common.along import chance_below
from analysis.common.limits import Limits, ShapeLimits
from analysis.common.required_slope import over_road_pct, required_pct, required_slope
from analysis.common.types import Floats
from analysis.common.verdicts import DEFECTS, HOLDING, Finding, Verdict
from analysis.shoulder.section_gaps import chance_deeper, usual_over
from analysis.shoulder.values import Measures, Status
from analysis.verdict.beliefs import Beliefs, alone
from analysis.verdict.values import Judgement
from analysis.water.held_by_section import Retained

__all__ = ["bivariate_normal", "judge_stations", "named"]

_FINDINGS = np.array(tuple(Finding), dtype=object)
_HOLDING = np.isin(_FINDINGS[: len(DEFECTS) + 1], HOLDING)

_NODES, _WEIGHTS = hermegauss(33)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


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


def _chance_gentler(beliefs: Beliefs, bound: Callable[[Floats], Floats]) -> Floats:
    """Probability that the shoulder falls less than a bound that hangs on the pavement's slope.

    By the joint error of both slopes: the pavement's is taken at the nodes of a Gauss-Hermite rule,
    the shoulder's is normal given each.
    """
    pavement, pavement_se = beliefs.pavement_slope_pct, np.maximum(beliefs.pavement_slope_se, 1e-9)
    tied = beliefs.slope_cov / pavement_se**2
    left = np.maximum(beliefs.shoulder_slope_se**2 - tied * beliefs.slope_cov, 1e-12)
    off = pavement_se[..., None] * _NODES
    shoulder = beliefs.shoulder_slope_pct[..., None] + tied[..., None] * off
    z = (bound(pavement[..., None] + off) - shoulder) / np.sqrt(left)[..., None]
    return np.asarray((ndtr(z) * _WEIGHTS).sum(axis=-1))


def _chance_too_flat(beliefs: Beliefs, limits: ShapeLimits, paved: bool = True) -> Floats:
    """Probability that the shoulder falls less than required outward, nor over an unpaved road."""
    tolerance = limits.slope_shortfall_points.value

    def outward(p: Floats) -> Floats:
        return required_pct(p, limits) - tolerance

    if paved:
        return _chance_gentler(beliefs, outward)

    def steepest(p: Floats) -> Floats:
        least, most = over_road_pct(p, limits)
        return np.minimum(np.minimum(least, most), outward(p))

    def gentlest(p: Floats) -> Floats:
        return np.minimum(over_road_pct(p, limits)[1], outward(p))

    over_road = _chance_gentler(beliefs, gentlest) - _chance_gentler(beliefs, steepest)
    return np.clip(_chance_gentler(beliefs, outward) - over_road, 0.0, 1.0)


def _chance_too_steep(beliefs: Beliefs, limits: ShapeLimits) -> Floats:
    """Probability that it falls more steeply than may be built, or than its pavement does."""
    most, tolerance = limits.shoulder_most_pct.value, limits.slope_excess_points.value
    return 1.0 - _chance_gentler(beliefs, lambda p: np.maximum(p, most) + tolerance)


def _chance_breakover(beliefs: Beliefs, limits: ShapeLimits) -> Floats:
    """Probability that it breaks off from the pavement by more than allowed."""
    most = limits.breakover_most_points.value + limits.slope_excess_points.value
    return 1.0 - _chance_gentler(beliefs, lambda p: p + most)


def judge_stations(
    measures: Measures,
    held: Retained,
    p_kerb: Floats,
    limits: Limits,
    beliefs: Beliefs | None = None,
    *,
    paved: bool = True,
) -> Judgement:
    """Turn measured values and their errors into probabilities, verdicts and findings.

    Parameters
    ----------
    measures
        What was measured, arrays (n, 2).
    held
        Water that the sections hold.
    p_kerb
        (n, 2), how likely a step up at the edge is a kerb, which is meant to stand high.
    limits
        The criteria. `limits.decision.certainty` is how sure a verdict must be.
    beliefs
        Slopes and drops in the light of the road; default each station's own.
    paved
        False for a gravel or earth road, over which its shoulders may drain where it is banked.
    """
    beliefs = alone(measures) if beliefs is None else beliefs
    shape, certainty = limits.shape, limits.decision.certainty.value
    own = None if paved else measures.shoulder_slope_pct
    required = required_slope(measures.pavement_slope_pct, shape, own)
    # what surely is a kerb may stand as high as it does
    kerb = p_kerb >= certainty
    p_high = np.where(kerb, 0.0, beliefs.chance_drop_below(-shape.high_shoulder_mm.value))
    p_rut = np.fmax(
        # either alone, where the other is unknown
        chance_deeper(measures.rut_over, shape.rut_mm.value),
        chance_deeper(measures.ridge_over, shape.ridge_mm.value),
    )
    p_flat = _chance_too_flat(beliefs, shape, paved)
    p_reversed = chance_below(beliefs.shoulder_slope_pct, beliefs.shoulder_slope_se, 0.0)
    unsettled = (p_kerb > 1.0 - certainty) & ~kerb
    chances = {
        Finding.ERODED_EDGE: 1.0 - beliefs.chance_drop_below(shape.edge_drop_mm.value),
        Finding.HIGH: np.where(unsettled, 0.0, p_high),
        Finding.KERB_OR_HIGH: np.where(unsettled, p_high, 0.0),
        Finding.RUTTED: _as_usual_where_unknown(p_rut, shape),
        Finding.REVERSED: np.minimum(p_reversed, p_flat),
        Finding.FLAT: p_flat,
        Finding.PONDING: np.where(kerb, 0.0, _chance_ponding(measures, held, limits)),
        Finding.TOO_STEEP: _chance_too_steep(beliefs, shape),
        Finding.BREAKOVER: _chance_breakover(beliefs, shape),
    }

    def measured(chance: Floats) -> Floats:
        chance[measures.status != Status.OK] = np.nan
        return chance

    p_pond = chances[Finding.PONDING]
    p_wont = measured(_chance_wont_shed(measures, p_flat, p_high, p_pond, certainty))
    shift = limits.decision.log_odds_shift.value
    if shift:
        p_wont = expit(logit(p_wont) + shift)
    # where only the step is known, as where it stands away from the edge, it is all there is to say
    lone = ~np.isfinite(p_flat) & (p_high >= certainty)
    said = {fault: np.where(lone, np.nan_to_num(p), p) for fault, p in chances.items()}
    shares = measured(_finding_shares(said))
    every = measured(np.stack([chances[fault] for fault in DEFECTS], axis=-1))
    most = np.argmax(np.nan_to_num(every), axis=-1)
    judgement = Judgement(
        required_slope_pct=required.pct,
        follows_pavement=required.follows_pavement,
        p_wont_shed=p_wont,
        p_drop=measured(chances[Finding.ERODED_EDGE]),
        p_high=measured(p_high),
        p_rut=measured(p_rut),
        p_flat=measured(p_flat),
        p_pond=measured(p_pond),
        p_too_steep=measured(chances[Finding.TOO_STEEP]),
        p_breakover=measured(chances[Finding.BREAKOVER]),
        p_finding=shares,
        verdict=np.full(p_wont.shape, Verdict.CANT_TELL, dtype=object),
        finding=np.full(p_wont.shape, Finding.CANT_TELL, dtype=object),
        likeliest=_FINDINGS[1 + most],
        p_likeliest=np.take_along_axis(every, most[..., None], axis=-1)[..., 0],
    )
    return named(judgement, measures.status, certainty)


def _as_usual_where_unknown(p_rut: Floats, limits: ShapeLimits) -> Floats:
    """Chances of a rut or ridge (n, 2); what couldn't be measured is as likely rutted as any.

    So is what cells too coarse for ruts show: neither is a shoulder without them.
    """
    unknown = np.isnan(p_rut)
    if not unknown.any():
        return p_rut
    usual = np.array([usual_over()])
    depths = limits.rut_mm.value, limits.ridge_mm.value
    return np.where(unknown, max(float(chance_deeper(usual, mm)[0]) for mm in depths), p_rut)


def _chance_ponding(measures: Measures, held: Retained, limits: Limits) -> Floats:
    """Probability that a section holds water beyond what the edge is allowed to, (n, 2).

    One rule for water at the edge, whatever the cell size: a step up within the limit for a high
    shoulder may hold what it holds, and counts once, as high, where it is over it.
    """
    step = np.clip(np.nan_to_num(-measures.edge_drop_mm), 0.0, limits.shape.high_shoulder_mm.value)
    beyond = held.depth_mm - step
    chance = 1.0 - chance_below(beyond, held.se_mm, limits.water.retained_mm.value)
    with np.errstate(invalid="ignore"):
        return np.where(held.depth_mm > held.chance_mm, chance, 0.0)


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
        # an unknown slope: water that surely stands, or can't leave, is the one thing to say
        np.where(np.fmax(p_pond, p_high) >= certainty, np.fmax(p_pond, p_high), np.nan),
    )


def _finding_shares(chances: Mapping[Finding, Floats]) -> Floats:
    """Exclusive probabilities (n, 2, L) of no fault and of each defect: the worst one is named."""
    rest = np.ones_like(chances[Finding.FLAT])
    shares = np.empty((*rest.shape, 1 + len(DEFECTS)))
    for label, finding in enumerate(DEFECTS, start=1):
        p = chances[finding]
        if finding == Finding.FLAT:
            # what is reversed is too flat as well
            p_reversed = chances[Finding.REVERSED]
            p = (p - p_reversed) / np.maximum(1.0 - p_reversed, 1e-12)
        shares[..., label] = rest * p
        rest = rest * (1.0 - p)
    shares[..., 0] = rest
    return shares


def named(judgement: Judgement, status: NDArray[np.int8], certainty: float) -> Judgement:
    """Fill in verdict and finding, which never contradict each other.

    The most likely fault is named where one is certain enough. One that holds water is named only
    where the water surely stays, and none that lets it leave is named sound while others are open:
    what leaves either open leaves both open.
    """
    known = np.nan_to_num(judgement.p_finding, nan=0.0)
    faults, p_worn = known[..., 1:], judgement.p_worn
    worn = np.where(_HOLDING[1:], 0.0, faults)
    with np.errstate(invalid="ignore"):
        stays = judgement.p_wont_shed >= certainty
        leaves = judgement.p_wont_shed <= 1.0 - certainty
        finding = np.full(stays.shape, Finding.CANT_TELL, dtype=object)
        finding[leaves & (known[..., 0] >= certainty)] = Finding.NONE
        # where something surely is wrong, it is what is likelier there than not
        something = (known[..., 0] <= 1.0 - certainty) & (p_worn >= 0.5)
        for here, among in ((something | (p_worn >= certainty), worn), (stays, faults)):
            finding[here] = _FINDINGS[1 + np.argmax(among, axis=-1)][here]
    open_ = ~np.isfinite(judgement.p_finding).all(axis=-1)
    # water that surely stands is the one thing that can be said there
    finding[open_] = np.where(stays, Finding.PONDING, Finding.CANT_TELL)[open_]
    verdict = np.full(stays.shape, Verdict.CANT_TELL, dtype=object)
    verdict[stays] = Verdict.WONT_SHED
    verdict[leaves & (finding != Finding.CANT_TELL)] = Verdict.SHEDS
    verdict[status == Status.NO_DATA] = Verdict.NO_DATA
    finding[status == Status.NO_DATA] = Finding.NO_DATA
    return replace(judgement, verdict=verdict, finding=finding)
