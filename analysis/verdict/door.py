"""The way into the verdict: from what was measured to findings, cut and fill, and reaches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from analysis.common.along import known_median
from analysis.common.limits import Limits
from analysis.common.station_arrays import joined, stations_of
from analysis.corridor.values import Case
from analysis.earthwork.areas import Areas
from analysis.earthwork.areas import areas as earth_areas
from analysis.shoulder.values import Measures
from analysis.verdict.beliefs import Beliefs, informed, learnt_text
from analysis.verdict.labelling import Ties, label_stations, settled_by_neighbours
from analysis.verdict.neighbours import with_neighbours
from analysis.verdict.reaches import build_reaches
from analysis.verdict.stations import judge_stations
from analysis.verdict.values import Judged, Judgement, Measured

__all__ = ["areas_of", "believe", "judge", "usual_text"]

AreasOf = Callable[[Measured, Judgement, Limits], Areas]

_USUAL_AVERAGE_M = 20.0
"""Averaging length of a road none of which was measured: that of the settings as they come."""


def believe(case: Case, measures: Measures, usual: Measures | None = None) -> Beliefs:
    """Beliefs about the stations of one road, neighbours of which share cells.

    `usual` is what the road teaches, where not `measures` themselves do.
    """
    return informed(measures, _weight(case, measures), usual=usual)


def usual_text(case: Case, measures: Measures) -> str:
    """Say what a road teaches about its stations: most shoulders' slopes, and flush edges."""
    return learnt_text(measures, _weight(case, measures))


def _weight(case: Case, measures: Measures) -> float:
    """How much of its own a station has, as neighbours share cells."""
    average = known_median(measures.average_m, _USUAL_AVERAGE_M)
    return min(1.0, case.settings.spacing_m / average)


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
        Gives cut and fill of a road, where its sections aren't at hand but piece by piece.
    """
    areas_here = areas or areas_of
    settings, limits = cases[0].settings, cases[0].limits
    if not settings.paved:
        over = limits.shape.unpaved_over_surface_points
        limits = limits.with_entries({"shoulder_over_pavement_points": over})
    # sections are large and judged road by road: they stay where they are
    measures = joined([part.shoulder.measures for part in measured])
    water = joined([part.water for part in measured])
    breaks = joined([part.breaks for part in measured])
    judgement = judge_stations(
        measures,
        water.held,
        np.concatenate([part.shoulder.p_kerb for part in measured]),
        limits,
        joined([part.beliefs for part in measured]),
    )
    shift = limits.decision.log_odds_shift.value
    certainty = limits.decision.certainty.value
    ends = np.cumsum([0, *(len(case.s) for case in cases)]).tolist()
    apart = [
        with_neighbours(
            stations_of(judgement, slice(*own)),
            part.shoulder.measures,
            settings.spacing_m,
            shift,
            certainty,
        )
        for part, own in zip(measured, pairwise(ends), strict=True)
    ]
    roads = list(zip(cases, measured, apart, strict=True))
    ground = [areas_here(part, own, limits) for _, part, own in roads]
    labels, along = [], []
    for _, part, own in roads:
        average_m = known_median(part.shoulder.measures.average_m, _USUAL_AVERAGE_M)
        tie = Ties.of(settings.spacing_m, average_m, limits)
        stays = settled_by_neighbours(own.p_wont_shed, tie)
        labels.append(
            label_stations(
                own,
                part.shoulder.measures.status,
                spacing_m=settings.spacing_m,
                average_m=average_m,
                limits=limits,
            )
        )
        along.append(np.where(np.isfinite(own.p_wont_shed), stays, np.nan))
    reaches = build_reaches(
        cases,
        breaks,
        water,
        measures,
        joined(ground),
        # a reach is as sure as its stations are together
        replace(joined(apart), p_wont_shed=np.concatenate(along)),
        np.concatenate(labels),
        limits,
    )
    return [Judged(*own) for own in zip(ground, apart, labels, reaches, strict=True)]


def areas_of(part: Measured, judgement: Judgement, limits: Limits) -> Areas:
    """Cut and fill of one road to the slope that it needs."""
    return earth_areas(
        part.shoulder.sections,
        part.shoulder.measures,
        judgement.required_slope_pct,
        limits,
        follows_pavement=judgement.follows_pavement,
        width_se=part.breaks.hinge_se,
        edge_se=part.breaks.edge_se,
    )
