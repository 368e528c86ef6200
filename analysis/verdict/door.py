"""The way into the verdict: from what was measured to findings, cut and fill, and reaches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import known_median
from analysis.common.limits import Limits
from analysis.common.station_arrays import joined, stations_of
from analysis.corridor.door import BEAT_M
from analysis.corridor.values import Case
from analysis.earthwork.areas import Areas, AreasAlong
from analysis.earthwork.areas import areas as earth_areas
from analysis.shoulder.values import Measures, Sections
from analysis.verdict.beliefs import Beliefs, informed, learnt_text
from analysis.verdict.labelling import Ties, label_stations, settled
from analysis.verdict.neighbours import with_neighbours
from analysis.verdict.reaches import build_reaches
from analysis.verdict.stations import judge_stations
from analysis.verdict.values import Evidence, Judged, Judgement, Measured, Told

__all__ = ["areas_of", "believe", "judge", "usual_text"]

_Held = TypeVar("_Held")
AreasOf = Callable[[Measured, Judgement, Judgement, Limits], tuple[Areas, Areas | None]]

_USUAL_AVERAGE_M = 20.0
"""Averaging length of a road none of which was measured: that of the settings as they come."""


@dataclass(frozen=True, slots=True)
class _Along:
    """Places of one road whose word counts: its stations, and the beats between them.

    Attributes
    ----------
    order : (n,)
        What is told of stations and, behind it, of what lies between, in order along the road.
    stations, others : (k,), (n - k,)
        Where in that order they are.
    strands
        Places (m,) that hear each other; the first of them tell what the road is like.
    apart_m
        How far the places of a strand lie apart.
    """

    order: NDArray[np.intp]
    stations: NDArray[np.intp]
    others: NDArray[np.intp]
    strands: list[NDArray[np.intp]]
    apart_m: float

    @classmethod
    def of(cls, case: Case, between: Evidence | None) -> _Along:
        """Those of one road."""
        count, spacing = case.s.size, case.settings.spacing_m
        if between is None:
            strands, all_ = case.strands(), np.arange(count)
            return cls(all_, all_, all_[:0], strands, spacing * len(strands))
        order = np.argsort(np.concatenate([case.s, between.s]), kind="stable")
        own, others = np.flatnonzero(order < count), np.flatnonzero(order >= count)
        apart_m = spacing / max(1, round(spacing / BEAT_M))
        return cls(order, own, others, [np.arange(order.size)], apart_m)

    def all_of(self, own: _Held, between: _Held | None) -> _Held:
        """Dataclass of arrays over all places, of one over stations and one over the others."""
        return own if between is None else stations_of(joined([own, between]), self.order)

    def at_beats(self, all_places: _Held) -> _Held:
        """Dataclass of arrays over the beats, of one over all places."""
        return all_places if len(self.strands) == 1 else stations_of(all_places, self.strands[0])

    def measures(self, own: Measures, between: Evidence | None) -> Measures:
        """What was measured at all places."""
        return self.all_of(own, None if between is None else between.measures)

    def average_m(self, measures: Measures) -> float:
        """Usual averaging length of those that tell what the road is like."""
        return known_median(measures.average_m[self.strands[0]], _USUAL_AVERAGE_M)

    def weight(self, measures: Measures) -> float:
        """How much of its own a place has, as neighbours share cells."""
        return min(1.0, self.apart_m / self.average_m(measures))


def believe(
    case: Case, measures: Measures, between: Evidence | None, usual: Measures | None = None
) -> tuple[Beliefs, Evidence | None]:
    """Beliefs about the stations of one road, and `between` with those about its beats.

    `usual` is what the stations of the road teach, where not `measures` themselves do.
    """
    along = _Along.of(case, between)
    own = along.measures(measures, between)
    beliefs = informed(
        own,
        along.weight(own),
        usual=None if usual is None else along.measures(usual, between),
        strands=along.strands,
    )
    if between is None:
        return beliefs, None
    others = replace(between, beliefs=stations_of(beliefs, along.others))
    return stations_of(beliefs, along.stations), others


def usual_text(case: Case, measured: Measured) -> str:
    """Say what a road teaches about its stations: most shoulders' slopes, and flush edges."""
    along = _Along.of(case, measured.between)
    own = along.measures(measured.shoulder.measures, measured.between)
    return learnt_text(stations_of(own, along.strands[0]), along.weight(own))


def judge(
    cases: Sequence[Case], measured: Sequence[Measured], areas: AreasOf | None = None
) -> list[Judged]:
    """Judge what was measured, each road as if it were alone: the fast path.

    Stations are judged and reaches made for all roads at once: a network of many short roads
    would spend its time in calls on short arrays.

    Parameters
    ----------
    cases
        The roads, at least one; settings and limits are the same for all.
    measured
        What was measured on each.
    areas
        Gives cut and fill of a road as `areas_of` does, where its sections aren't at hand but
        piece by piece.
    """
    areas_here = areas or areas_of
    settings, limits = cases[0].settings, cases[0].limits
    if not settings.paved:
        over = limits.shape.unpaved_over_surface_points
        limits = limits.with_entries({"shoulder_over_pavement_points": over})
    alongs = [_Along.of(case, part.between) for case, part in zip(cases, measured, strict=True)]
    told = _told_along(alongs, measured, limits, paved=settings.paved)
    # sections are large and judged road by road: they stay where they are
    own, others = (
        [
            stations_of(here.judgement, getattr(along, name))
            for along, here in zip(alongs, told, strict=True)
        ]
        for name in ("stations", "others")
    )
    ground = [areas_here(*each, limits) for each in zip(measured, own, others, strict=True)]
    beats = [
        along.at_beats(along.all_of(AreasAlong(case.s, at_stations), _beside(part, at_others)))
        for along, case, part, (at_stations, at_others) in zip(
            alongs, cases, measured, ground, strict=True
        )
    ]
    at_beats = [along.at_beats(here) for along, here in zip(alongs, told, strict=True)]
    reaches = build_reaches(cases, joined(at_beats), beats, limits)
    labels = [here.labels[along.stations] for along, here in zip(alongs, told, strict=True)]
    areas_told = [at_stations for at_stations, _ in ground]
    return [Judged(*each) for each in zip(areas_told, beats, own, labels, reaches, strict=True)]


def _beside(part: Measured, areas_there: Areas | None) -> AreasAlong | None:
    """Cut and fill at the beats between stations, where there are such."""
    between = part.between
    return None if between is None or areas_there is None else AreasAlong(between.s, areas_there)


def _told_along(
    alongs: Sequence[_Along], measured: Sequence[Measured], limits: Limits, *, paved: bool
) -> list[Told]:
    """What is told of all places of each road, their neighbours heard.

    Beats between stations are judged like these, and heard.
    """
    places = [
        along.all_of(part.evidence(), part.between)
        for along, part in zip(alongs, measured, strict=True)
    ]
    judgement = judge_stations(
        joined([place.measures for place in places]),
        joined([place.held for place in places]),
        np.concatenate([place.p_kerb for place in places]),
        limits,
        joined([place.beliefs for place in places]),
        paved=paved,
    )
    shift, certainty = limits.decision.log_odds_shift.value, limits.decision.certainty.value
    ends = np.cumsum([0, *(along.order.size for along in alongs)]).tolist()
    told = []
    for along, place, own in zip(alongs, places, pairwise(ends), strict=True):
        heard = with_neighbours(
            stations_of(judgement, slice(*own)),
            place.measures,
            along.apart_m,
            shift,
            certainty,
            along.strands,
        )
        tie = Ties.of(along.apart_m, along.average_m(place.measures), limits)
        pooled = settled(heard, tie, along.strands)
        labels = label_stations(
            heard,
            place.measures.status,
            pooled,
            apart_m=along.apart_m,
            limits=limits,
            strands=along.strands,
        )
        stays = np.where(np.isfinite(heard.p_wont_shed), pooled.stays, np.nan)
        told.append(Told(place, heard, labels, stays))
    return told


def areas_of(
    part: Measured, judgement: Judgement, between: Judgement, limits: Limits
) -> tuple[Areas, Areas | None]:
    """Cut and fill of one road to the slope that it needs: at its stations, and between them.

    `judgement` and `between` are of either; of none where all beats are stations.
    """
    own = _areas(part.evidence(), part.shoulder.sections, judgement, limits)
    others = part.between
    if others is None or others.sections is None:
        return own, None
    return own, _areas(others, others.sections, between, limits)


def _areas(places: Evidence, sections: Sections, judgement: Judgement, limits: Limits) -> Areas:
    return earth_areas(
        sections,
        places.measures,
        judgement.required_slope_pct,
        limits,
        follows_pavement=judgement.follows_pavement,
        width_se=places.breaks.hinge_se,
        edge_se=places.breaks.edge_se,
    )
