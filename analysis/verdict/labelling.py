"""One label for every station, so that the labels along a road make workable reaches.

Reaches come from a minimum-cost labelling: every metre costs the chance that its label is wrong,
and a change of label costs what a fault over a third of the shortest workable length would, so a
lone doubtful station doesn't cut a reach in two and a plain fault is never lost. The outcome
doesn't depend on the direction of the road.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import by_strands, runs
from analysis.common.limits import Limits
from analysis.common.station_arrays import PerStation
from analysis.common.types import Floats
from analysis.common.verdicts import DEFECTS, HOLDING, Finding
from analysis.shoulder.values import Status
from analysis.verdict.values import Judgement

__all__ = ["FINDINGS", "Settled", "Ties", "cheapest_labels", "label_stations", "pooled", "settled"]

FINDINGS = tuple(Finding)[: len(DEFECTS) + 3]
"""What a label number means."""

_HOLDING = np.isin(np.array(DEFECTS, dtype=object), HOLDING)
_NONE, _CANT, _NO_DATA = map(FINDINGS.index, (Finding.NONE, Finding.CANT_TELL, Finding.NO_DATA))

# What a change of label costs, in wrongly labelled stations per station of the shortest workable
# reach, half of it to leave and half to enter. A plain fault as long as the shortest reach must
# stand (both changes under 1), half as long must not (over 1/2), and a border between two reaches
# must not become a reach of doubt (entering doubt dearer than half of a change).
_SETTLE = 0.175
_SETTLE_IN_DOUBT = 0.10

# What it costs to leave open a station that surely tells.
_UNTOLD = 0.5

# Evidence from one station never counts for more than this: a model error of 1 in 1000 is
# always possible, whatever the standard errors say.
_LEAST_PROBABILITY = 1e-3


def label_stations(
    judgement: Judgement,
    status: NDArray[np.int8],
    pooled_evidence: Settled,
    *,
    apart_m: float,
    limits: Limits,
    strands: Sequence[NDArray[np.intp]] | None = None,
) -> NDArray[np.int8]:
    """Label every station and side by the cheapest labelling along the road.

    Parameters
    ----------
    judgement, status
        Of the stations, (n, 2).
    pooled_evidence
        What `settled` tells of them.
    apart_m
        How far those of a strand lie apart.
    limits
        What decides.
    strands
        Stations (k,) of each; default all in one. The first are labelled by themselves; the others
        only say where between two of these one label ends and the next begins.

    Returns
    -------
    (n, 2) int8 indices into `FINDINGS`.

    Notes
    -----
    The evidence of neighbours is pooled first (`pooled`): ten stations that each say "probably
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
    stations_in_shortest = max(1.0, limits.decision.shortest_reach_m.value / apart_m)
    settle = np.full(len(FINDINGS), _SETTLE * stations_in_shortest)
    settle[_CANT] = _SETTLE_IN_DOUBT * stations_in_shortest
    p = np.nan_to_num(shares, nan=0.0)
    faults = np.where(np.isfinite(shares[..., _NONE]), 1.0 - p[..., _NONE], 0.0)
    sound, stays, worn = pooled_evidence.sound, pooled_evidence.stays, pooled_evidence.worn
    costs = np.empty((*status.shape, len(FINDINGS)))
    costs[..., _NONE] = miss * (1.0 - sound)
    # Which fault it is matters far less than whether there is one: a stretch that is half flat
    # and half reversed is one job for the grader, and never "can't tell".
    kind = p[..., 1:] / np.maximum(1.0 - p[..., _NONE], 1e-12)[..., None]
    faulty = (1.0 - sound)[..., None]
    # A fault that holds water isn't named where water rather leaves, nor another that rather isn't.
    own = np.where(_HOLDING, stays[..., None], worn[..., None])
    wrong = np.where(own > 0.5, sound[..., None], 1.0 - own)
    costs[..., 1:_CANT] = visit * wrong + 0.05 * (1.0 - kind) * faulty
    # To say "can't tell" of a station that tells is half as bad as to say the opposite.
    some = np.nan_to_num(np.fmax(judgement.p_wont_shed, judgement.p_worn))
    tells = np.maximum(p[..., _NONE], np.minimum(faults, some))
    sure = np.clip((tells - 1.0 + doubt) / max(doubt, 1e-9), 0.0, 1.0)
    costs[..., _CANT] = doubt + np.maximum(_UNTOLD - doubt, 0.0) * sure
    costs[..., _NO_DATA] = np.inf
    # What wasn't measured says nothing about the neighbours either.
    costs[status != Status.OK] = np.inf
    costs[status == Status.NO_DATA, _NO_DATA] = 0.0
    costs[(status != Status.OK) & (status != Status.NO_DATA), _CANT] = 0.0
    told = slice(None) if strands is None else strands[0]
    labels = np.empty(status.shape, dtype=np.int8)
    for side in (0, 1):
        here = cheapest_labels(costs[told, side], settle)
        _name_by_most(here, (kind * own)[told, side])
        labels[told, side] = here
        if strands is not None and len(strands) > 1:
            between = _allowed_between(costs[:, side], strands[0], here)
            labels[:, side] = cheapest_labels(between, settle / len(strands))
    return labels


def _allowed_between(costs: Floats, told: NDArray[np.intp], labels: NDArray[np.int8]) -> Floats:
    """Costs (n, L) that leave stations between two labelled ones, `told`, only what either has.

    What isn't judged itself keeps what it is.
    """
    out = np.full(costs.shape, np.inf)
    behind = np.clip(np.searchsorted(told, np.arange(len(costs)), side="right") - 1, 0, None)
    ahead = np.clip(np.searchsorted(told, np.arange(len(costs))), None, told.size - 1)
    rows = np.arange(len(costs))
    for nearby in (behind, ahead):
        of = labels[nearby]
        out[rows, of] = costs[rows, of]
    lost = ~np.isfinite(out).any(axis=1)
    out[lost] = costs[lost]
    return out


def _name_by_most(labels: NDArray[np.int8], kind: Floats) -> None:
    """Give each stretch with a fault the one that most of it has, in place.

    `kind` (n, faults) is how much each fault has of a station.
    """
    starts, ends = runs(labels)
    for first, last in zip(starts, ends, strict=True):
        if 0 < labels[first] < _CANT:
            labels[first : last + 1] = 1 + kind[first : last + 1].sum(axis=0).argmax()


@dataclass(frozen=True, slots=True)
class Ties:
    """How far a station's word goes for its neighbours.

    Attributes
    ----------
    weight
        Power to which its evidence counts, for stations that share cells.
    change
        Probability that what holds changes from one station to the next.
    """

    weight: float
    change: float

    @classmethod
    def of(cls, spacing_m: float, average_m: float, limits: Limits) -> Ties:
        """Those of stations so far apart that are averaged over such a length."""
        # A few times the shortest workable length is as far as a neighbour's word should carry.
        change = spacing_m / (4.0 * limits.decision.shortest_reach_m.value or spacing_m)
        return cls(min(1.0, spacing_m / average_m), min(0.3, change))


@dataclass(frozen=True, slots=True)
class Settled:
    """Probabilities (n, 2), pooled where a station is in doubt and its own where it is sure.

    Attributes
    ----------
    sound, stays, worn
        That nothing is wrong, that water stays, and that a fault lets it leave.
    """

    sound: PerStation[Floats]
    stays: PerStation[Floats]
    worn: PerStation[Floats]


def settled(judgement: Judgement, tie: Ties, strands: Sequence[NDArray[np.intp]]) -> Settled:
    """Pool the evidence of stations, each strand of them (k,) by itself."""

    def along(own: Floats) -> Floats:
        return by_strands(strands, lambda part: _settled_by_neighbours(part, tie), own)

    sound = judgement.p_finding[..., _NONE]
    return Settled(along(sound), along(judgement.p_wont_shed), along(judgement.p_worn))


def _settled_by_neighbours(own: Floats, tie: Ties) -> Floats:
    """(n, 2) probability: pooled where a station is in doubt, its own where it is sure.

    `own` (n, 2) is NaN where a station has no evidence.
    """
    either = np.stack((own, 1.0 - own), axis=-1)
    sides = [pooled(either[:, side], tie.weight, tie.change)[:, 0] for side in (0, 1)]
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
    from analysis.verdict.kernels import forward_backward

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
    from analysis.verdict.kernels import label_cheaply

    out = np.empty(len(costs), dtype=np.int8)
    if len(costs):
        label_cheaply(np.ascontiguousarray(costs), np.asarray(settle, dtype=float), out)
    return out
