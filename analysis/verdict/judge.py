"""Verdicts with probabilities, and the reaches that they make along a road.

Each station and side gets the probability of every fault from the joint errors of what was
measured there. Reaches come from a minimum-cost labelling of the stations: every metre costs the
chance that its label is wrong, and a change of label costs what a fault over a third of the
shortest workable length would, so a lone doubtful station doesn't cut a reach in two and a plain
fault is never lost. The outcome doesn't depend on the direction of the road.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, owens_t

from analysis.common.limits import Limits, ShapeLimits
from analysis.common.types import Floats
from analysis.shoulder.values import Measures
from analysis.verdict.beliefs import Beliefs, alone

__all__ = [
    "CANT_TELL",
    "DEFECTS",
    "FINDINGS",
    "NO_DATA",
    "SHEDS",
    "WONT_SHED",
    "Judgement",
    "bivariate_normal",
    "cheapest_labels",
    "describe_stations",
    "judge",
    "label_stations",
    "pooled",
    "runs",
]


SHEDS, WONT_SHED, CANT_TELL, NO_DATA = "sheds", "won't shed", "can't tell", "no data"

# The order is the order of the label numbers below; faults come worst first.
DEFECTS = ("eroded edge", "high", "rutted", "reversed", "flat", "ponding")
FINDINGS = ("none", *DEFECTS, CANT_TELL, NO_DATA)
_NONE, _CANT, _NO_DATA = 0, len(DEFECTS) + 1, len(DEFECTS) + 2

# What a change of label costs, in wrongly labelled stations per station of the shortest workable
# reach, half of it to leave and half to enter. A plain fault as long as the shortest reach must
# stand (both changes under 1), half as long must not (over 1/2), and a border between two reaches
# must not become a reach of doubt (entering doubt dearer than half of a change).
_SETTLE = 0.175
_SETTLE_IN_DOUBT = 0.10

# Evidence from one station never counts for more than this: a model error of 1 in 1000 is
# always possible, whatever the standard errors say.
_LEAST_PROBABILITY = 1e-3


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is likely wrong at each station and side; arrays are (n, 2), left then right.

    Probabilities are NaN where nothing was measured. `p_finding` is (n, 2, 7): the exclusive
    probabilities of no fault and of each of `DEFECTS`, in the order of `FINDINGS`.
    """

    required_slope_pct: Floats
    p_wont_shed: Floats
    p_drop: Floats
    p_high: Floats
    p_rut: Floats
    p_finding: Floats
    verdict: NDArray[np.object_]
    finding: NDArray[np.object_]


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


def _chance_below(value: Floats, se: Floats, limit: Floats | float) -> Floats:
    """Probability that the true value is below `limit`; NaN where value or error is unknown."""
    known = np.isfinite(value) & np.isfinite(se)
    z = (limit - value) / np.maximum(np.where(known, se, 1.0), 1e-9)
    return np.where(known, ndtr(np.where(known, z, 0.0)), np.nan)


def _chance_too_flat(beliefs: Beliefs, crowned: NDArray[np.bool_], limits: ShapeLimits) -> Floats:
    """Probability that the shoulder falls less than required, by the joint error of both slopes.

    What is required is told by `limits.required_slope`: steeper than the pavement by the wanted
    points and steeper than the least slope, but never beyond the breakover limit; on the high side
    of a curve the first of the three doesn't count. Each of the three compares the shoulder with a
    constant or with the pavement, so the chance that they hold together is a bivariate normal one.
    """
    shoulder, pavement = beliefs.shoulder_slope_pct, beliefs.pavement_slope_pct
    tolerance = limits.slope_shortfall_points.value
    over = limits.shoulder_over_pavement_points.value
    steepest = limits.shoulder_most_pct.value
    se = np.maximum(beliefs.shoulder_slope_se, 1e-9)
    # Where the steepest to build rules, the pavement's slope and its error don't count.
    by_pavement = pavement + over < steepest
    joint_var = beliefs.shoulder_slope_se**2 + beliefs.pavement_slope_se**2
    joint_var = np.maximum(joint_var - 2.0 * beliefs.slope_cov, 1e-18)
    joint_se = np.sqrt(joint_var)
    joint_rho = (beliefs.shoulder_slope_se**2 - beliefs.slope_cov) / (joint_se * se)
    steeper_se = np.where(by_pavement, joint_se, se)
    steeper_rho = np.where(by_pavement, joint_rho, 1.0)
    wanted = np.where(by_pavement, pavement + over, np.maximum(steepest, pavement))

    steeper = (shoulder - wanted + tolerance) / steeper_se
    enough = (shoulder - limits.shoulder_least_pct.value + tolerance) / se
    capped = (shoulder - pavement - limits.breakover_most_points.value + tolerance) / joint_se
    high_side = ~crowned[:, None] & (pavement < 0.0)
    holds = np.where(high_side, ndtr(enough), bivariate_normal(steeper, enough, steeper_rho))
    holds = holds + ndtr(capped) - bivariate_normal(capped, enough, joint_rho)
    return np.clip(1.0 - holds, 0.0, 1.0)


def judge(
    measures: Measures,
    crowned: NDArray[np.bool_],
    required_slope_pct: Floats,
    retained_mm: Floats,
    retained_se_mm: Floats,
    retained_chance_mm: Floats,
    kerb: NDArray[np.bool_],
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
    required_slope_pct
        (n, 2), percent.
    retained_mm, retained_se_mm
        (n, 2), depth of water held on shoulder and pavement, and its standard error; NaN unknown.
    retained_chance_mm
        (n, 2), depth that noise alone makes a section hold: less isn't told from none.
    kerb
        (n, 2), True where a kerb stands at the edge: it is meant to be high.
    limits
        The criteria. `limits.certainty` is how sure a verdict must be.
    beliefs
        Slopes and drops in the light of the road; default each station's own.
    """
    beliefs = alone(measures) if beliefs is None else beliefs
    drop_se = measures.edge_drop_se
    ok = measures.status == 0

    p_flat = _chance_too_flat(beliefs, crowned, limits.shape)
    p_high = beliefs.chance_drop_below(-limits.shape.high_shoulder_mm.value)
    p_high = np.where(kerb, 0.0, p_high)
    p_drop = 1.0 - beliefs.chance_drop_below(limits.shape.edge_drop_mm.value)
    p_rut = 1.0 - _chance_below(measures.rut_mm, measures.rut_se, limits.shape.rut_mm.value)
    p_ridge = 1.0 - _chance_below(measures.ridge_mm, measures.ridge_se, limits.shape.ridge_mm.value)
    p_rut = np.fmax(p_rut, p_ridge)  # either alone, where the other is unknown
    p_pond = 1.0 - _chance_below(retained_mm, retained_se_mm, limits.water.retained_mm.value)
    with np.errstate(invalid="ignore"):
        p_pond = np.where((retained_mm > retained_chance_mm) & ~kerb, p_pond, 0.0)

    # Either fault alone keeps water on the road: P(A or B) by the correlation that the fit gives
    # between slope and drop; a pond is what those two make, so it only ever adds what they miss.
    flat_z, high_z = (
        ndtri(np.clip(p_flat, 1e-12, 1 - 1e-12)),
        ndtri(np.clip(p_high, 1e-12, 1 - 1e-12)),
    )
    rho = measures.drop_shoulder_cov / np.maximum(measures.shoulder_slope_se * drop_se, 1e-12)
    neither = bivariate_normal(-flat_z, -high_z, np.clip(rho, -1.0, 1.0))
    certainty = limits.decision.certainty.value
    p_wont = np.where(
        np.isfinite(neither),
        np.fmax(1.0 - neither, p_pond),
        # an unknown slope or drop: water that surely stands is the one thing that can be said
        np.where(p_pond >= certainty, p_pond, np.nan),
    )
    p_wont = np.where(ok, p_wont, np.nan)

    p_reversed = _chance_below(beliefs.shoulder_slope_pct, beliefs.shoulder_slope_se, 0.0)
    p_reversed = np.minimum(p_reversed, p_flat)
    rest = np.ones_like(p_flat)
    shares = np.empty((*p_flat.shape, 1 + len(DEFECTS)))
    for label, p in enumerate((p_drop, p_high, np.nan_to_num(p_rut, nan=0.0)), start=1):
        shares[..., label] = rest * p
        rest = rest * (1.0 - p)
    shares[..., 4] = rest * p_reversed
    shares[..., 5] = rest * (p_flat - p_reversed)
    rest = rest * (1.0 - p_flat)
    shares[..., 6] = rest * p_pond
    shares[..., _NONE] = rest * (1.0 - p_pond)
    shares = np.where(ok[..., None], shares, np.nan)

    verdict = np.full(p_wont.shape, CANT_TELL, dtype=object)
    with np.errstate(invalid="ignore"):
        verdict[p_wont >= certainty] = WONT_SHED
        verdict[p_wont <= 1.0 - certainty] = SHEDS
    verdict[measures.status == 1] = NO_DATA

    finding = _station_findings(shares, certainty)
    finding[~ok] = CANT_TELL
    finding[measures.status == 1] = NO_DATA
    return Judgement(
        required_slope_pct=required_slope_pct,
        p_wont_shed=p_wont,
        p_drop=np.where(ok, p_drop, np.nan),
        p_high=np.where(ok, p_high, np.nan),
        p_rut=np.where(ok, p_rut, np.nan),
        p_finding=shares,
        verdict=verdict,
        finding=finding,
    )


def _station_findings(shares: Floats, certainty: float) -> NDArray[np.object_]:
    """Name the most likely fault where a fault, or its absence, is certain enough."""
    known = np.nan_to_num(shares, nan=0.0)
    sound = known[..., _NONE]
    likeliest = 1 + np.argmax(known[..., 1:], axis=-1)
    finding = np.full(sound.shape, CANT_TELL, dtype=object)
    finding[sound >= certainty] = "none"
    faulty = (1.0 - sound) >= certainty
    finding[faulty] = np.array(FINDINGS, dtype=object)[likeliest[faulty]]
    finding[~np.isfinite(shares).all(axis=-1)] = CANT_TELL
    return finding


def label_stations(
    judgement: Judgement,
    status: NDArray[np.int8],
    *,
    spacing_m: float,
    average_m: float,
    limits: Limits,
) -> NDArray[np.int8]:
    """Label every station and side by the cheapest labelling along the road.

    Returns
    -------
    (n, 2) int8 indices into `FINDINGS`.

    Notes
    -----
    First the evidence of neighbours is pooled (`pooled`): ten stations that each say "probably
    flat" together say "flat"; a station that is sure by itself keeps its own word. Neighbouring
    stations share cells when the averaging length is longer than the spacing; their evidence is
    weighed by spacing / averaging length so that it isn't counted twice. Then each metre costs
    the chance that its label is wrong (times what a missed defect or a wasted visit costs, as the
    limits say), or, where it is labelled "can't tell", as much as the doubt that a verdict may
    have; and each change of label costs about what a fault over a third of the
    shortest workable length would.
    """
    shares = judgement.p_finding
    doubt = 1.0 - limits.decision.certainty.value
    # Both 1 where a missed defect costs as much as a wasted visit.
    visit = 2.0 * limits.decision.act_at_probability
    miss = 2.0 - visit
    weight = min(1.0, spacing_m / average_m)
    shortest = limits.decision.shortest_reach_m.value
    # A few times the shortest workable length is as far as a neighbour's word should carry.
    change = min(0.3, spacing_m / (4.0 * shortest))
    stations_in_shortest = max(1.0, shortest / spacing_m)
    settle = np.full(len(FINDINGS), _SETTLE * stations_in_shortest)
    settle[_CANT] = _SETTLE_IN_DOUBT * stations_in_shortest
    p = np.nan_to_num(shares, nan=0.0)
    sound = _settled_by_neighbours(shares[..., _NONE], weight, change)
    costs = np.empty((*status.shape, len(FINDINGS)))
    costs[..., _NONE] = miss * (1.0 - sound)
    # Which fault it is matters far less than whether there is one: a stretch that is half flat
    # and half reversed is one job for the grader, and never "can't tell".
    kind = p[..., 1:] / np.maximum(1.0 - p[..., _NONE], 1e-12)[..., None]
    faulty = (1.0 - sound)[..., None]
    costs[..., 1:_CANT] = visit * sound[..., None] + 0.05 * (1.0 - kind) * faulty
    costs[..., _CANT] = doubt
    costs[..., _NO_DATA] = np.inf
    # What wasn't measured says nothing about the neighbours either.
    costs[status != 0] = np.inf
    costs[status == 1, _NO_DATA] = 0.0
    costs[(status != 0) & (status != 1), _CANT] = 0.0
    return np.stack([cheapest_labels(costs[:, side], settle) for side in (0, 1)], axis=1)


def _settled_by_neighbours(own: Floats, weight: float, change: float) -> Floats:
    """(n, 2) probability of no fault: pooled where a station is in doubt, its own where it is sure.

    `own` (n, 2) is NaN where a station has no evidence.
    """
    either = np.stack((own, 1.0 - own), axis=-1)
    sides = [pooled(either[:, side], weight, change)[:, 0] for side in (0, 1)]
    together = np.stack(sides, axis=1)
    known = np.isfinite(own)
    sure = np.where(known, np.abs(2.0 * own - 1.0), 0.0)
    return np.asarray(sure * np.where(known, own, 0.0) + (1.0 - sure) * together)


def pooled(shares: Floats, weight: float, change: float) -> Floats:
    """Probabilities of each label given the evidence of the whole line (forward-backward).

    Parameters
    ----------
    shares
        (n, L) probability of each label at each station from its own evidence; a row of NaN has
        none and passes its neighbours' on.
    weight
        Power to which a station's evidence counts, for stations that share cells.
    change
        Probability that the label changes from one station to the next.

    Returns
    -------
    (n, L), rows summing to 1. Exact for a Markov chain (Rabiner 1989, Proceedings of the IEEE 77).
    """
    from analysis.verdict.labelling_kernels import forward_backward

    evidence = np.where(np.isfinite(shares), np.maximum(shares, _LEAST_PROBABILITY), 1.0) ** weight
    out = np.empty_like(evidence)
    if len(evidence):
        forward_backward(evidence, change, out)
    return out


def cheapest_labels(costs: Floats, settle: Floats) -> NDArray[np.int8]:
    """Labels of least total cost along a line, where changes of label cost.

    Parameters
    ----------
    costs
        (n, L) cost of each label at each station; inf forbids it.
    settle
        (L,) what it costs to leave or to enter each label: a change from a to b costs
        ``settle[a] + settle[b]``. A change into or out of a station where only one label is
        allowed is free: the road, not the evidence, made that break.

    Returns
    -------
    (n,) int8 label of each station. Exact by dynamic programming (Viterbi 1967, IEEE
    Transactions on Information Theory 13).
    """
    from analysis.verdict.labelling_kernels import cheapest_path

    out = np.empty(len(costs), dtype=np.int8)
    if len(costs):
        cheapest_path(np.ascontiguousarray(costs), np.asarray(settle, dtype=float), out)
    return out


def runs(
    labels: NDArray[Any], begins: Sequence[int] | NDArray[np.intp] = ()
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last index (inclusive) of each run of equal labels in (n,).

    Where lines lie end to end, a run begins at each of the indices `begins` whatever the labels.

    >>> [ends.tolist() for ends in runs(np.array([0, 0, 3, 3, 0], dtype=np.int8))]
    [[0, 2, 4], [1, 3, 4]]
    """
    starts = np.ones(len(labels), dtype=bool)
    np.not_equal(labels[1:], labels[:-1], out=starts[1:])
    starts[np.asarray(begins, dtype=np.intp)] = True
    first = np.flatnonzero(starts)
    return first, np.append(first[1:], len(labels))[: len(first)] - 1


def describe_stations(
    measures: Measures, judgement: Judgement, limits: Limits, kerb: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Say in one plain sentence, with its numbers, what was found at each station and why; (n, 2).

    `kerb` (n, 2) is True where a kerb stands at the edge.
    """
    falls = "shoulder falls %.1f ± %.1f %% where %.1f %% is required"
    slopes = (
        measures.shoulder_slope_pct,
        measures.shoulder_slope_se,
        judgement.required_slope_pct,
    )
    drop, drop_se, p_wont = measures.edge_drop_mm, measures.edge_drop_se, judgement.p_wont_shed
    wont = "(probability %.2f that it won't shed)."
    sentences: dict[str, tuple[str, tuple[Floats, ...]]] = {
        "none": (f"Sound: {falls}, edge drop %.0f ± %.0f mm.", (*slopes, drop, drop_se)),
        "eroded edge": (
            "Eroded edge: %.0f ± %.0f mm below the pavement edge, over the limit of "
            f"{limits.shape.edge_drop_mm.value:.0f} mm (probability %.2f).",
            (drop, drop_se, judgement.p_drop),
        ),
        "high": (
            "High: stands %.0f ± %.0f mm above the pavement edge, over the limit of "
            f"{limits.shape.high_shoulder_mm.value:.0f} mm (probability %.2f).",
            (-drop, drop_se, judgement.p_high),
        ),
        "rutted": (
            "Rutted: rut %.0f ± %.0f mm, ridge %.0f ± %.0f mm, limit "
            f"{limits.shape.rut_mm.value:.0f} mm (probability %.2f).",
            (
                measures.rut_mm,
                measures.rut_se,
                measures.ridge_mm,
                measures.ridge_se,
                judgement.p_rut,
            ),
        ),
        "reversed": (f"Reversed: {falls} {wont}", (*slopes, p_wont)),
        "flat": (f"Flat: {falls} {wont}", (*slopes, p_wont)),
        "ponding": (f"Holds water although the slope is enough: {falls}.", slopes),
        CANT_TELL: (
            f"Can't tell: {falls}; probability %.2f that it won't shed.",
            (*slopes, p_wont),
        ),
    }
    ok = measures.status == 0
    texts = np.where(ok, "", measures.reason).astype(object)
    for finding, (sentence, columns) in sentences.items():
        here = ok & (judgement.finding == finding)
        if here.any():
            rows = zip(*(column[here].tolist() for column in columns), strict=True)
            texts[here] = [sentence % row for row in rows]
    walled = ok & kerb
    texts[walled] = [
        f"{text} A kerb stands at the edge, so its height isn't judged." for text in texts[walled]
    ]
    return texts
