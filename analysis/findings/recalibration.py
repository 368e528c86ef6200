"""Limits that take over what readings in the field say of a screening; only when asked for.

Two numbers change: what the estimated noise is multiplied by, and by how much the odds that water
stays are shifted. Each keeps in its source which readings it comes from, so every file and sheet
made with these limits tells it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit, ndtri

from analysis.common.errors import ReadingsError
from analysis.common.limits import Limits
from analysis.common.verdicts import Verdict
from analysis.findings.agreement import Agreement
from analysis.findings.misses import CLOSE, FieldCall

__all__ = ["Recalibration", "odds_shift", "recalibrated", "recalibration"]

_PRIOR_SD = 1.0
"""Shift of the log odds that is expected of a screening before anybody looks (our own choice)."""

_LEAST_PLACES = 10
"""Fewer places shift nothing (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recalibration:
    """What readings say: factor of the noise, shift of the log odds that water stays.

    The factor multiplies the noise that these findings were measured with. NaN = too few readings.
    """

    noise_factor: float
    noise_low: float
    noise_high: float
    shift: float
    shift_low: float
    shift_high: float
    readings: int
    places: int
    source: str


def odds_shift(calls: Sequence[FieldCall]) -> tuple[float, float, float]:
    """Shift of the log odds that water stays, and its 95 % interval.

    Logistic regression of what was found in the field on what was foretold, with the slope held
    at 1 (Cox 1958, Two further applications of a model for binary regression, Biometrika 45,
    562-565) and a normal belief about the shift before, so that ten places without a surprise
    don't shift it without end. Places too close to call count half. The condition is what was
    foretold: it doesn't matter which verdicts were looked at more often.
    """
    known = [call for call in calls if math.isfinite(call.p_wont_shed)]
    if len(known) < _LEAST_PLACES:
        return math.nan, math.nan, math.nan
    told = logit(np.clip([call.p_wont_shed for call in known], 1e-4, 1.0 - 1e-4))
    found = np.array(
        [0.5 if c.call == CLOSE else float(c.call == Verdict.WONT_SHED) for c in known]
    )
    shift = 0.0
    for _ in range(50):
        p = expit(told + shift)
        curve = float((p * (1.0 - p)).sum()) + _PRIOR_SD**-2
        step = (float((found - p).sum()) - shift * _PRIOR_SD**-2) / curve
        # far from where it ends the curve is flat, and a whole step would overshoot
        shift += max(-1.0, min(1.0, step))
        if abs(step) < 1e-10:
            break
    p = expit(told + shift)
    reach = float(ndtri(0.975)) / math.sqrt(float((p * (1.0 - p)).sum()) + _PRIOR_SD**-2)
    return shift, shift - reach, shift + reach


def recalibration(summary: Agreement, calls: Sequence[FieldCall], source: str) -> Recalibration:
    """What the readings say; `source` names the file, its checksum and the day."""
    shift, shift_low, shift_high = odds_shift(calls)
    noise = summary.noise
    return Recalibration(
        noise_factor=noise.factor,
        noise_low=noise.low,
        noise_high=noise.high,
        shift=shift,
        shift_low=shift_low,
        shift_high=shift_high,
        readings=summary.compared,
        places=len(calls),
        source=source,
    )


def recalibrated(limits: Limits, found: Recalibration) -> Limits:
    """Limits with what the readings say taken over; both add to what was taken over before.

    Not all of an error hangs on the noise (where an edge lies does little), so errors grow by less
    than the factor: readings compared again with what is then measured tell what is still missing.

    Raises
    ------
    ReadingsError
        If there are too few readings to change anything.
    """
    new, bounds = limits, (0.2, 5.0)
    if math.isfinite(found.noise_factor):
        factor = limits.field.noise_factor.value * found.noise_factor
        new = new.with_value(
            "noise_factor",
            round(min(max(factor, bounds[0]), bounds[1]), 3),
            source=f"{found.readings} readings: {found.source}; 95 % interval "
            f"{found.noise_low:.2f} to {found.noise_high:.2f} times "
            f"{limits.field.noise_factor.value:g}",
        )
    if math.isfinite(found.shift):
        shift = limits.decision.log_odds_shift.value + found.shift
        new = new.with_value(
            "log_odds_shift",
            round(min(max(shift, -5.0), 5.0), 3),
            source=f"{found.places} places: {found.source}; 95 % interval "
            f"{found.shift_low:+.2f} to {found.shift_high:+.2f} beside "
            f"{limits.decision.log_odds_shift.value:g}",
        )
    if new is limits:
        raise ReadingsError(
            f"{found.places} places with {found.readings} comparable readings are too few to "
            f"change noise or probabilities by: read at least {_LEAST_PLACES} places."
        )
    return new
