"""Kerb or high shoulder: how likely a step up along the edge is one or the other.

Water can't leave over either, but what follows is not the same: a kerb is meant to stand there and
has inlets, a high shoulder is to be cut. The odds are added up for whole stretches: what the step
itself is like (`kerbs`), whether one stands on the other side too, and the ground behind it, which
lies level or rises behind a kerb, and beside an open road falls to a hinge at the road's usual
width, and on to a ditch. All odds are our own choice, made so that neither the step's shape nor the
ground alone settles it against the other.
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

HINGE_OFF, FORESLOPE_BEYOND_PCT, HINGE_ODDS = 0.5, 6.0, 1.2
"""A hinge lies at the road's usual width to within this share of it, and the ground beyond it is
so much steeper than the shoulder."""

DITCH_ODDS, NO_DITCH_ODDS = -0.8, 0.4
"""Kerbed streets have no ditches; many a shoulder on a fill has none either."""


def kerb_chances(measures: Measures, breaks: Breaks, suspicion: Suspicion) -> Floats:
    """Probability that what stands up at the edge is a kerb, (b, 2) by block; 0 where nothing does.

    Parameters
    ----------
    measures, breaks
        At the n stations.
    suspicion
        With the steps up that may be kerbs, by block.
    """
    stands = np.isfinite(suspicion.kerb_shape)
    chance = np.zeros(stands.shape)
    for side in (0, 1):
        stretches = flag_runs(stands[:, side])
        for first, last in stretches:
            odds = float(suspicion.kerb_shape[first, side])
            both = stands[first:last, 1 - side].mean() >= 0.5
            odds += BOTH_SIDES_ODDS if both else ONE_SIDE_ODDS
            along = suspicion.s[first], suspicion.s[last - 1]
            here = (breaks.s >= along[0]) & (breaks.s <= along[1])
            odds += _by_ground(measures, breaks, side, here)
            chance[first:last, side] = expit(odds)
        for (_, begin), (end, _) in pairwise(stretches):
            # a gap between two is a dropped kerb as surely as both are kerbs
            gap = suspicion.kind[begin:end, side] == Why.DROPPED_KERB
            between = min(chance[begin - 1, side], chance[end, side])
            chance[begin:end, side] = np.where(gap, between, 0.0)
    return chance


def _by_ground(measures: Measures, breaks: Breaks, side: int, here: NDArray[np.bool_]) -> float:
    """Log odds that it is a kerb by the ground behind it, at the stations `here` (n,)."""
    slope = known_median(measures.shoulder_slope_pct[here, side])
    if not np.isfinite(slope):
        return 0.0
    se = known_median(measures.shoulder_slope_se[here, side], 0.0)
    falls = ndtr((slope - FALL_PCT) / np.hypot(FALL_SPREAD_PCT, se))
    odds = FALL_ODDS * (1.0 - 2.0 * float(falls))
    widths = breaks.hinge[:, side] - breaks.edge[:, side]
    usual = known_median(widths)
    with np.errstate(invalid="ignore"):
        hinged = np.abs(widths - usual) <= HINGE_OFF * usual
        hinged &= breaks.hinge_source[:, side] != Source.NOMINAL
        beyond = measures.foreslope_pct[:, side] - measures.shoulder_slope_pct[:, side]
        hinged &= beyond >= FORESLOPE_BEYOND_PCT
    odds += HINGE_ODDS * (1.0 - 2.0 * float(hinged[here].mean()))
    ditch = float(np.isfinite(breaks.ditch[here, side]).mean())
    return odds + ditch * DITCH_ODDS + (1.0 - ditch) * NO_DITCH_ODDS
