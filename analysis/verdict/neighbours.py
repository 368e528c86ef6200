"""How likely a station won't shed once its neighbours have been heard.

Faults come in stretches. A station in doubt between two that are sure is likelier to be like them
than the road as a whole tells; one that is sure by itself hardly moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from analysis.common.along import by_strands
from analysis.common.types import Floats
from analysis.shoulder.values import Measures
from analysis.verdict.stations import named
from analysis.verdict.values import Judgement

__all__ = ["heard", "with_neighbours"]

WORD = 0.9
"""How much of the log odds of its neighbours against those of its road a station takes over. Chosen
on 170 unseen roads of the kinds of the benchmark, where it tells most; near 1, as for a chain."""

NEAR_M, FAR_M = 10.0, 30.0
"""Neighbours up to the first distance count in full, those beyond the second not at all."""

CLEAREST = 0.05
"""Neighbours and road are never taken to be surer than this."""

ROAD_STEP = 0.05
"""The road's share is taken in such steps, so that one station doesn't move all the others."""


def with_neighbours(
    judgement: Judgement,
    measures: Measures,
    spacing_m: float,
    shift: float,
    certainty: float,
    strands: Sequence[NDArray[np.intp]] | None = None,
) -> Judgement:
    """Name verdicts and findings of one road again, each station with its neighbours heard.

    Parameters
    ----------
    judgement, measures
        Of the stations of one road in order, each judged for itself.
    spacing_m
        Distance between stations that hear each other.
    shift
        Log odds that a field check adds to every probability; neighbours are heard without it.
    certainty
        How sure a verdict must be.
    strands
        Stations (k,) that hear each other, where others lie between; default all in one. What is
        usual along the road, the first of them tell.
    """
    own = judgement.p_wont_shed
    plain = expit(logit(own) - shift) if shift else own
    strands = [np.arange(len(plain))] if strands is None else strands
    road = _usual(plain[strands[0]])

    def along(own: Floats, average_m: Floats) -> Floats:
        return heard(own, spacing_m, average_m, road)

    p = by_strands(strands, along, plain, measures.average_m)
    p = expit(logit(p) + shift) if shift else p
    return named(replace(judgement, p_wont_shed=p), measures.status, certainty)


def _usual(own: Floats) -> float | None:
    """How likely a fault is along the road; None where nobody knows."""
    known = np.isfinite(own)
    return ROAD_STEP * float(np.round(own[known].mean() / ROAD_STEP)) if known.any() else None


def heard(own: Floats, spacing_m: float, average_m: Floats, road: float | None = None) -> Floats:
    """Probabilities (n, 2) of stations along a road, each with its neighbours heard.

    `own` is NaN where a station has none, and stays so; `average_m` (n, 2) is the length of road
    behind each: a neighbour that shares more than half of it counts less. `road` is how likely it
    is along the road; default the mean of these.

    >>> own = np.array([[0.02, 0.5], [0.5, 0.5], [0.02, 0.5]])
    >>> heard(own, 10.0, np.full((3, 2), 20.0))[1].round(2)
    array([0.11, 0.64])
    """
    total, weight = np.zeros(own.shape), np.zeros(own.shape)
    reach = int(FAR_M / spacing_m - 1e-9) if spacing_m > 0.0 else 0
    for steps in range(1, min(reach, len(own) - 1) + 1):
        away = steps * spacing_m
        near = float(np.clip((FAR_M - away) / (FAR_M - NEAR_M), 0.0, 1.0))
        new = np.minimum(1.0, 2.0 * away / np.maximum(average_m, 1e-9))
        for here, there in (
            (slice(steps, None), slice(None, -steps)),
            (slice(None, -steps), slice(steps, None)),
        ):
            known = np.isfinite(own[there])
            counts = np.where(known, near * np.nan_to_num(new[here], nan=1.0), 0.0)
            total[here] += counts * np.where(known, own[there], 0.0)
            weight[here] += counts
    known, road = np.isfinite(own), _usual(own) if road is None else road
    if road is None:
        return own
    around = np.where(weight > 0.0, total / np.maximum(weight, 1e-12), road)
    said = logit(np.clip(around, CLEAREST, 1.0 - CLEAREST))
    said -= logit(np.clip(road, CLEAREST, 1.0 - CLEAREST))
    return np.where(known, expit(logit(own) + WORD * said), np.nan)
