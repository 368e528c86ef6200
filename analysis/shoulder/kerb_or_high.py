"""Kerb or high shoulder: how likely a step up along the edge is one or the other.

Water can't leave over either, but what follows is not the same: a kerb is meant to stand there and
has inlets, a high shoulder is to be cut. The odds are added up for whole stretches: what the step
itself is like (`kerbs`), whether one stands on the other side too, and the ground behind it, which
lies level or rises behind a kerb, and beside an open road falls to a hinge at the road's usual
width, and on to a ditch. What these settle of one stretch is evidence for its neighbours across
the road and beyond a gap: a street is kerbed as a whole. All odds are our own choice, made so that
neither the step's shape nor the ground alone settles it against the other.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from analysis.common.along import flag_runs, known_median
from analysis.common.sides import Source
from analysis.common.types import Floats
from analysis.edges.values import Breaks
from analysis.shoulder.kerbs import DROPPED_M
from analysis.shoulder.not_shoulder import Suspicion
from analysis.shoulder.values import Measures, Why

__all__ = ["SURELY_KERB", "kerb_chances"]


SURELY_KERB = 0.8
"""From this probability on the ground behind a step isn't judged as a shoulder; our own choice,
that of the verdicts."""

BOTH_SIDES_ODDS, ONE_SIDE_ODDS = 0.7, -0.2
"""A kerbed street has two kerbs, as a rule."""

FALL_PCT, FALL_SPREAD_PCT, FALL_ODDS = 1.0, 1.0, 1.5
"""A shoulder falls by 2 % or more, a verge lies level or rises: halfway between, how widely both
scatter, and the log odds of the extremes."""

CROWN_PCT = 2.0
"""Cross slope of a pavement that couldn't be measured (common practice)."""

HINGE_OFF, FORESLOPE_BEYOND_PCT, HINGE_ODDS = 0.5, 6.0, 1.2
"""A hinge lies at the road's usual width to within this share of it, and the ground beyond it is
so much steeper than the shoulder."""

ALONG_ODDS = 1.5
"""What stands across the road or beyond a gap is mostly of one kind with what stands here: log odds
where all of that is surely a kerb, and against it where it surely is none."""

DITCH_ODDS, NO_DITCH_ODDS = -0.8, 0.4
"""Kerbed streets have no ditches; many a shoulder on a fill has none either."""


def kerb_chances(measures: Measures, breaks: Breaks, suspicion: Suspicion) -> Floats:
    """Probability that what stands up at the edge is a kerb, (b, 2) by block; 0 where nothing does.

    Parameters
    ----------
    measures, breaks
        At the n stations that tell what the road is like.
    suspicion
        With the steps up that may be kerbs, by block.
    """
    stands = np.isfinite(suspicion.kerb_shape)
    stretches = [flag_runs(stands[:, side]) for side in (0, 1)]
    odds = np.zeros(stands.shape)
    for side in (0, 1):
        for first, last in stretches[side]:
            own = float(suspicion.kerb_shape[first, side])
            both = stands[first:last, 1 - side].mean() >= 0.5
            own += BOTH_SIDES_ODDS if both else ONE_SIDE_ODDS
            along = suspicion.s[first], suspicion.s[last - 1]
            here = (breaks.s >= along[0]) & (breaks.s <= along[1])
            behind = float(suspicion.kerb_falls_pct[first, side])
            odds[first:last, side] = own + _by_ground(measures, breaks, side, here, behind)
    told = odds + ALONG_ODDS * _by_neighbours(odds, stands, stretches, suspicion)
    chance = np.where(stands, expit(told), 0.0)
    for side in (0, 1):
        for (_, begin), (end, _) in pairwise(stretches[side]):
            # a gap between two is a dropped kerb as surely as both are kerbs
            gap = suspicion.kind[begin:end, side] == Why.DROPPED_KERB
            between = min(chance[begin - 1, side], chance[end, side])
            chance[begin:end, side] = np.where(gap, between, 0.0)
    return chance


def _by_neighbours(
    odds: Floats,
    stands: NDArray[np.bool_],
    stretches: list[list[tuple[int, int]]],
    suspicion: Suspicion,
) -> Floats:
    """What each stretch's neighbours say, -1 (none a kerb) to 1 (all kerbs), (b, 2).

    Those in doubt themselves say nothing, so that two doubts never make a certainty.
    """
    doubt = 2.0 * SURELY_KERB - 1.0
    lean = 2.0 * expit(odds) - 1.0
    sure = np.sign(lean) * np.maximum(np.abs(lean) - doubt, 0.0) / (1.0 - doubt)
    said = np.zeros(stands.shape)
    for side in (0, 1):
        own = stretches[side]
        for k, (first, last) in enumerate(own):
            across = stands[first:last, 1 - side]
            total = float(sure[first:last, 1 - side][across].sum())
            count = float(across.sum())
            for a, b in own[max(k - 1, 0) : k] + own[k + 1 : k + 2]:
                gap = suspicion.s[max(first, a)] - suspicion.s[min(last, b) - 1]
                if gap <= DROPPED_M:
                    total, count = total + float(sure[a, side]) * (b - a), count + b - a
            said[first:last, side] = total / max(count, last - first, 1.0)
    return said


def _by_ground(
    measures: Measures, breaks: Breaks, side: int, here: NDArray[np.bool_], behind_pct: float
) -> float:
    """Log odds that it is a kerb by the ground behind it, at the stations `here` (n,).

    `behind_pct` is by how much that falls more than the pavement, where it isn't the shoulder that
    was measured.
    """
    if not here.any():
        # too short for any of them to lie there
        return 0.0
    slope = known_median(measures.shoulder_slope_pct[here, side])
    if np.isfinite(behind_pct):
        slope = known_median(measures.pavement_slope_pct[here, side], CROWN_PCT) + behind_pct
    if not np.isfinite(slope):
        return 0.0
    se = known_median(measures.shoulder_slope_se[here, side], 0.0)
    falls = ndtr((slope - FALL_PCT) / np.hypot(FALL_SPREAD_PCT, se))
    odds = FALL_ODDS * (1.0 - 2.0 * float(falls))
    ditch = float(np.isfinite(breaks.ditch[here, side]).mean())
    if np.isfinite(behind_pct):
        # with the edge elsewhere, hinge and ditch weren't looked for where they would be
        return odds + ditch * DITCH_ODDS
    widths = breaks.hinge[:, side] - breaks.edge[:, side]
    usual = known_median(widths)
    with np.errstate(invalid="ignore"):
        hinged = np.abs(widths - usual) <= HINGE_OFF * usual
        hinged &= breaks.hinge_source[:, side] != Source.NOMINAL
        beyond = measures.foreslope_pct[:, side] - measures.shoulder_slope_pct[:, side]
        hinged &= beyond >= FORESLOPE_BEYOND_PCT
    odds += HINGE_ODDS * (1.0 - 2.0 * float(hinged[here].mean()))
    return odds + ditch * DITCH_ODDS + (1.0 - ditch) * NO_DITCH_ODDS
