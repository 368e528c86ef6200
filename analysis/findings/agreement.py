"""How readings and measurements agree: limits of agreement, the board's bias, the grid's errors.

Differences are reading minus measurement. They scatter by the board, by how much a place differs
from the mean that was measured, and by the measurements' own errors, which neighbours within the
averaging length share; and all readings with one board are off by what that board is off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc, ndtri, stdtrit

from analysis.common.types import Floats

if TYPE_CHECKING:
    from analysis.findings.fieldcheck import Comparison

__all__ = ["Agreement", "BoardBias", "LimitsOfAgreement", "NoiseFactor", "agreement"]
__all__ += ["limits_of_agreement"]

_SURE = 0.95
"""Certainty of every interval here."""

_FACTORS = np.geomspace(0.2, 5.0, 81)
"""What the measurements' stated errors may have to be multiplied by."""

_LEAST_FOR_NOISE = 8
"""Fewer readings say nothing of how the measurements scatter (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsOfAgreement:
    """Mean difference and the limits that hold most differences, with intervals of each.

    All in the unit of the differences, NaN where there are too few; `limit_se` is the standard
    error of either limit.
    """

    count: int
    mean: float = math.nan
    mean_low: float = math.nan
    mean_high: float = math.nan
    spread: float = math.nan
    low: float = math.nan
    high: float = math.nan
    limit_se: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardBias:
    """By how much the readings with one board are off the grid, points; NaN unknown."""

    board: str
    count: int
    bias_points: float
    se: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class NoiseFactor:
    """What the measurements' stated errors must be multiplied by to explain the differences."""

    factor: float = math.nan
    low: float = math.nan
    high: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How readings and measurements agree; `chance` is that of so poor a fit if all were well."""

    compared: int
    left_out: int
    mean_difference_points: float = math.nan
    mean_difference_se: float = math.nan
    rms_difference_points: float = math.nan
    z_spread: float = math.nan
    within_two: float = math.nan
    chance: float = math.nan
    slope: LimitsOfAgreement = LimitsOfAgreement(count=0)
    edge: LimitsOfAgreement = LimitsOfAgreement(count=0)
    boards: tuple[BoardBias, ...] = ()
    noise: NoiseFactor = NoiseFactor()


def limits_of_agreement(differences: Floats, hold: float = 0.95) -> LimitsOfAgreement:
    """Limits between which a share `hold` of the differences lie, if they are normal.

    Notes
    -----
    Bland and Altman (1986), Statistical methods for assessing agreement between two methods of
    clinical measurement, Lancet 327, 307-310: mean ± z s, with standard errors s/√n of the mean
    and √(3/n) s of either limit, and the t distribution for the mean's interval.
    """
    known = differences[np.isfinite(differences)]
    n = known.size
    if n < 2:
        return LimitsOfAgreement(count=n, mean=float(known[0]) if n else math.nan)
    mean, spread = float(known.mean()), float(known.std(ddof=1))
    reach = float(stdtrit(n - 1, 0.5 + 0.5 * _SURE)) * spread / math.sqrt(n)
    width = float(ndtri(0.5 + 0.5 * hold)) * spread
    return LimitsOfAgreement(
        count=n,
        mean=mean,
        mean_low=mean - reach,
        mean_high=mean + reach,
        spread=spread,
        low=mean - width,
        high=mean + width,
        limit_se=math.sqrt(3.0 / n) * spread,
    )


def agreement(
    compared: Sequence[Comparison], *, average_m: float = 20.0, bias_se_points: float = 0.0
) -> Agreement:
    """Say how well readings and measurements agree, by their joint errors.

    Parameters
    ----------
    compared : sequence of Comparison
    average_m : float
        Averaging length of the measurements: neighbours within it share their error.
    bias_se_points : float
        Standard error that all readings with one board have in common.

    Returns
    -------
    Agreement
        Numbers are NaN where nothing could be compared.
    """
    used = [c for c in compared if not math.isnan(c.z)]
    edges = limits_of_agreement(np.array([c.edge_difference_mm for c in compared]))
    count = len(used)
    if count == 0:
        return Agreement(compared=0, left_out=len(compared), edge=edges)
    difference = np.array([c.difference_points for c in used])
    z = np.array([c.z for c in used])
    measured, own = _covariances(used, average_m)
    boards = np.array([c.reading.board for c in used])
    covariance = measured + own + bias_se_points**2 * (boards[:, None] == boards[None, :])
    fit = float(difference @ np.linalg.solve(covariance, difference))
    noise = _noise_factor(difference, boards, measured, own)
    # the errors as the readings show them, but never smaller than as they are stated
    factor = max(noise.factor, 1.0) if math.isfinite(noise.factor) else 1.0
    return Agreement(
        compared=count,
        left_out=len(compared) - count,
        mean_difference_points=float(difference.mean()),
        mean_difference_se=float(np.sqrt(covariance.sum())) / count,
        rms_difference_points=float(np.sqrt(np.mean(difference**2))),
        z_spread=float(np.sqrt(np.mean(z**2))),
        within_two=float(np.mean(np.abs(z) <= 2.0)),
        chance=float(chdtrc(count, fit)),
        slope=limits_of_agreement(difference),
        edge=edges,
        boards=_biases(difference, boards, factor**2 * measured + own),
        noise=noise,
    )


def _covariances(used: Sequence[Comparison], average_m: float) -> tuple[Floats, Floats]:
    """Covariances (n, n) of the measurements' errors, and of the readings' but for their bias."""
    own = np.array([c.slope_se for c in used])
    measured = np.array([c.measured_slope_se for c in used])
    at = np.array([c.measured_at_m for c in used])
    line = np.array([f"{c.road}|{c.reading.side}" for c in used])
    shared = np.clip(1.0 - np.abs(at[:, None] - at[None, :]) / average_m, 0.0, 1.0)
    shared = np.where(line[:, None] == line[None, :], shared, 0.0)
    return np.outer(measured, measured) * shared, np.diag(np.maximum(own, 1e-6) ** 2)


def _by_board(boards: Floats) -> tuple[list[str], Floats]:
    names = list(dict.fromkeys(boards.tolist()))
    return names, (boards[:, None] == np.array(names)[None, :]).astype(float)


def _biases(difference: Floats, boards: Floats, covariance: Floats) -> tuple[BoardBias, ...]:
    """Bias of each board by generalised least squares; normal errors, their scatter stated."""
    names, design = _by_board(boards)
    solved = np.linalg.solve(covariance, np.column_stack([design, difference]))
    inverse = np.linalg.inv(design.T @ solved[:, :-1])
    bias = inverse @ (design.T @ solved[:, -1])
    reach = float(ndtri(0.5 + 0.5 * _SURE))
    return tuple(
        BoardBias(
            board=name,
            count=int(design[:, k].sum()),
            bias_points=float(bias[k]),
            se=float(se),
            low=float(bias[k] - reach * se),
            high=float(bias[k] + reach * se),
        )
        for k, (name, se) in enumerate(zip(names, np.sqrt(np.diag(inverse)), strict=True))
    )


def _noise_factor(difference: Floats, boards: Floats, measured: Floats, own: Floats) -> NoiseFactor:
    """Restricted maximum likelihood of the factor, the boards' biases being unknown.

    Patterson and Thompson (1971), Biometrika 58, 545-554; the interval holds what twice the
    likelihood's fall leaves by the chi-square distribution of one degree of freedom.
    """
    _, design = _by_board(boards)
    if difference.size - design.shape[1] < _LEAST_FOR_NOISE or not measured.any():
        return NoiseFactor()
    # In the directions in which both kinds of error are independent every factor is a division.
    root = np.sqrt(np.diag(own))
    spread, turn = np.linalg.eigh(measured / np.outer(root, root))
    turned = turn.T @ (np.column_stack([design, difference]) / root[:, None])
    variances = _FACTORS[:, None] ** 2 * np.maximum(spread, 0.0) + 1.0
    likely = np.array([_restricted(turned, variance) for variance in variances])
    open_ = np.flatnonzero(2.0 * (likely.max() - likely) <= float(ndtri(0.5 + 0.5 * _SURE)) ** 2)
    low, high = open_[[0, -1]]
    return NoiseFactor(
        float(_FACTORS[likely.argmax()]),
        float(_FACTORS[low]) if low > 0 else 0.0,
        float(_FACTORS[high]) if high < _FACTORS.size - 1 else math.inf,
    )


def _restricted(turned: Floats, variance: Floats) -> float:
    """Logarithm of the restricted likelihood but for a constant; the last column is the data."""
    whitened = turned / np.sqrt(variance)[:, None]
    x, d = whitened[:, :-1], whitened[:, -1]
    within = x.T @ x
    left = d - x @ np.linalg.solve(within, x.T @ d)
    logs = np.log(variance).sum() + np.linalg.slogdet(within)[1]
    return -0.5 * (float(logs) + float(left @ left))
