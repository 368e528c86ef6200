"""What a screening says of stations and reaches, as the rooms after this one take it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from analysis.common.station_arrays import PerStation, stations_of
from analysis.common.types import Bools, Floats
from analysis.common.verdicts import Finding, Treatment, Verdict
from analysis.earthwork.areas import Areas, AreasAlong
from analysis.earthwork.balance import Balance
from analysis.edges.values import Breaks, Overrides
from analysis.shoulder.seam import Seam
from analysis.shoulder.values import Measures, Reason, Sections, Shoulder
from analysis.verdict.beliefs import Beliefs
from analysis.water.assess import Water
from analysis.water.ditch import Ditch
from analysis.water.held_by_section import Retained

__all__ = ["Evidence", "Harm", "Judged", "Judgement", "Measured", "Reach", "Standing", "Told"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What places along a road are judged by; fields as in `Measured` and what that holds.

    `beliefs` is None where nothing is believed yet, and so are `sections` where they are held
    elsewhere.
    """

    s: PerStation[Floats]
    measures: PerStation[Measures]
    held: PerStation[Retained]
    p_kerb: PerStation[Floats]
    beliefs: PerStation[Beliefs | None]
    breaks: PerStation[Breaks]
    ditch: PerStation[Ditch]
    kerb: PerStation[Bools]
    sections: PerStation[Sections | None] = None

    def within(self, low: float, high: float) -> Evidence:
        """The part with ``low <= s < high``."""
        return stations_of(self, slice(*np.searchsorted(self.s, [low, high]).tolist()))


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured on one road; how it is judged doesn't enter.

    Attributes
    ----------
    fixed
        The breaks that were fixed by what was given and by a person.
    breaks, shoulder, water
        What the stages found.
    beliefs
        Slopes and drops in the light of the road.
    seam
        Where two strips of the survey meet on the road; None where they don't, as far as it shows.
    between
        What was measured at the beats of the road that lie between its stations; None where all
        beats are stations. It is told to nobody, but what is believed of stations, and what their
        neighbours leave of them, comes of it too, and so do reaches and their volumes: they are the
        same as with stations there.
    """

    fixed: PerStation[Overrides]
    breaks: PerStation[Breaks]
    shoulder: PerStation[Shoulder]
    water: PerStation[Water]
    beliefs: PerStation[Beliefs]
    seam: Seam | None = None
    between: Evidence | None = None

    def evidence(self) -> Evidence:
        """What the stations are judged by; their sections stay where they are."""
        shoulder, breaks, water = self.shoulder, self.breaks, self.water
        return Evidence(
            water.s,
            shoulder.measures,
            water.held,
            shoulder.p_kerb,
            self.beliefs,
            # the line that breaks are drawn through isn't asked for any more
            replace(breaks, line=None),
            water.ditch,
            water.kerb,
        )


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is likely wrong at each station and side; arrays are (n, 2), left then right.

    Probabilities are NaN where nothing was measured. `p_finding` is (n, 2, L): the exclusive
    probabilities of no fault and of each of `DEFECTS`, in the order of `Finding`.
    `follows_pavement` is as in `analysis.common.required_slope.RequiredSlope`; `verdict` and
    `finding` hold `Verdict` and `Finding`, and `likeliest` the fault that is most likely there,
    certain or not, with its probability `p_likeliest`.
    """

    required_slope_pct: PerStation[Floats]
    follows_pavement: PerStation[Bools]
    p_wont_shed: PerStation[Floats]
    p_drop: PerStation[Floats]
    p_high: PerStation[Floats]
    p_rut: PerStation[Floats]
    p_flat: PerStation[Floats]
    p_pond: PerStation[Floats]
    p_too_steep: PerStation[Floats]
    p_breakover: PerStation[Floats]
    p_finding: PerStation[Floats]
    verdict: PerStation[NDArray[np.object_]]
    finding: PerStation[NDArray[np.object_]]
    likeliest: PerStation[NDArray[np.object_]]
    p_likeliest: PerStation[Floats]

    def chance_of(self, fault: Finding) -> Floats:
        """(n, 2) probability of one fault by itself."""
        return {
            Finding.ERODED_EDGE: self.p_drop,
            Finding.HIGH: self.p_high,
            Finding.KERB_OR_HIGH: self.p_high,
            Finding.RUTTED: self.p_rut,
            Finding.TOO_STEEP: self.p_too_steep,
            Finding.BREAKOVER: self.p_breakover,
            Finding.PONDING: self.p_pond,
        }.get(fault, self.p_flat)

    @property
    def p_worn(self) -> Floats:
        """(n, 2) probability of a fault past which water leaves."""
        # what can't be known of a slope doesn't hide what is known of the edge
        others = map(np.nan_to_num, (self.p_rut, self.p_too_steep, self.p_breakover))
        return np.asarray(1.0 - np.prod([1.0 - p for p in (self.p_drop, *others)], axis=0))


@dataclass(frozen=True, slots=True)
class Told:
    """What is told of places along a road, their neighbours heard.

    Attributes
    ----------
    evidence, judgement
        What each is judged by, and what it and its neighbours say.
    labels : (n, 2) int8
        Of the cheapest labelling.
    stays : (n, 2)
        Probability that water stays, pooled: a reach is as sure as its places are together.
    """

    evidence: PerStation[Evidence]
    judgement: PerStation[Judgement]
    labels: PerStation[NDArray[np.int8]]
    stays: PerStation[Floats]


@dataclass(frozen=True, slots=True)
class Reach:
    """A run of beats on one side with one finding, and the work it asks for.

    It begins and ends half way between two beats, wherever stations are. `i0` and `i1` are the
    first and last station (inclusive) in it, or both the one before where there is none; `side` 0
    is left; lengths in metres, volumes in the state that their names say. `drained` is how much
    pavement sheds this way, in half widths, and `rut_shown_mm` from what depth wheel ruts show on
    average; `why` says what stands in the way of a judgement. `harm` is what the reach may do, by
    which it is ranked before its `priority`. `likeliest` is the fault that is most likely, certain
    or not, and `p_likeliest` the mean of its probability along the reach; `also` are the lengths of
    it along which another fault was found than the reach is named for, and `edge_assumed_m` the
    length along which the given width puts the edge. NaN is unknown.
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
    rut_shown_mm: float
    drained: float
    balance: Balance | None
    severity: float
    harm: Harm
    priority: float
    why: Reason | None
    likeliest: Finding
    p_likeliest: float
    edge_assumed_m: float
    also: Mapping[Finding, float]


class Harm(IntEnum):
    """What a reach may do to people and road, the worst first."""

    DROP_OFF = 1
    WATER_ON_PAVEMENT = 2
    OTHER = 3
    UNJUDGED = 4
    NONE = 5


@dataclass(frozen=True, slots=True)
class Standing:
    """As much of a reach as it takes to rank it among those of other roads."""

    harm: Harm
    priority: float
    finding: Finding


@dataclass(frozen=True, slots=True)
class Judged:
    """All of one road that depends on the limits.

    Attributes
    ----------
    areas, judgement
        Cut and fill to the required slope, and what is likely wrong.
    along
        The same cut and fill at the beats of the road, which its volumes come of.
    labels : (n, 2) int8
        Indices into `labelling.FINDINGS`.
    reaches
        In order along the left side, then along the right.
    """

    areas: PerStation[Areas]
    along: AreasAlong
    judgement: PerStation[Judgement]
    labels: PerStation[NDArray[np.int8]]
    reaches: tuple[Reach, ...]
