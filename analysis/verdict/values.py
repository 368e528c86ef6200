"""What a screening says of stations and reaches, as the rooms after this one take it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.station_arrays import PerStation
from analysis.common.types import Bools, Floats
from analysis.common.verdicts import Finding, Treatment, Verdict
from analysis.earthwork.balance import Balance
from analysis.shoulder.values import Reason

__all__ = ["Judgement", "Reach"]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is likely wrong at each station and side; arrays are (n, 2), left then right.

    Probabilities are NaN where nothing was measured. `p_finding` is (n, 2, 7): the exclusive
    probabilities of no fault and of each of `DEFECTS`, in the order of `Finding`.
    `follows_pavement` is as in `analysis.common.limits.RequiredSlope`; `verdict` and `finding`
    hold `Verdict` and `Finding`.
    """

    required_slope_pct: PerStation[Floats]
    follows_pavement: PerStation[Bools]
    p_wont_shed: PerStation[Floats]
    p_drop: PerStation[Floats]
    p_high: PerStation[Floats]
    p_rut: PerStation[Floats]
    p_finding: PerStation[Floats]
    verdict: PerStation[NDArray[np.object_]]
    finding: PerStation[NDArray[np.object_]]


@dataclass(frozen=True, slots=True)
class Reach:
    """A run of stations on one side with one finding, and the work it asks for.

    `i0` and `i1` are the first and last station (inclusive), `side` 0 is left; lengths in metres,
    volumes in the state that their names say. `drained` is how much pavement sheds this way, in
    half widths; `why` says what stands in the way of a judgement. NaN is unknown.
    """

    side: int
    i0: int
    i1: int
    from_m: float
    to_m: float
    s0: float
    s1: float
    length_m: float
    finding: Finding
    verdict: Verdict
    treatment: Treatment
    clean_ditch: bool
    ditch_clean_m: float
    mean_slope_pct: float
    mean_slope_se: float
    required_slope_pct: float
    p_wont_shed: float
    worst_drop_mm: float
    worst_rut_mm: float
    worst_ridge_mm: float
    drained: float
    balance: Balance | None
    severity: float
    priority: float
    why: Reason | None
