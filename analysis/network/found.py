"""A road put together from what was measured on its pieces: judged, and as rows of the findings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.common.limits import Limits
from analysis.common.station_arrays import joined, stations_of
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.corridor.door import no_ground
from analysis.corridor.values import Case
from analysis.earthwork.areas import Areas
from analysis.findings.geopackage import Findings
from analysis.network.spool import read_back
from analysis.shoulder.values import Sections
from analysis.study.job import RoadTold, told_of
from analysis.study.pieces import PieceFound, pieces_of, put_pieces_together
from analysis.study.tables import gather
from analysis.study.values import RoadStudy
from analysis.verdict.door import areas_of, judge
from analysis.verdict.reaches import looks_first, ranks
from analysis.verdict.values import Judgement, Measured, Standing

__all__ = ["Found", "RankedParts", "put_together"]


@dataclass(frozen=True, slots=True)
class Found:
    """What was found on one road.

    Attributes
    ----------
    findings
        Of this road alone, its run record empty.
    told
        What the record of a run keeps of it.
    standing
        What its reaches are ranked by, among those of all roads.
    """

    findings: Findings
    told: RoadTold
    standing: tuple[Standing, ...]


def put_together(case: Case, pieces: Sequence[Callable[[], bytes]]) -> Found:
    """Put a road together; no more than one piece's sections are held at a time.

    Parameters
    ----------
    case
        The road as it was laid out.
    pieces
        Give what `tasks.work` made of each piece.
    """
    parts: list[PieceFound] = [read_back(piece()) for piece in pieces]
    case, measured = put_pieces_together(case, parts)
    ends = np.cumsum([0, *(len(part.box_m) for part in parts)]).tolist()
    others = [part.measured.between for part in parts]
    other_ends = np.cumsum([0, *(0 if o is None else o.s.size for o in others)]).tolist()
    cell_m = parts[0].cell_m
    # the road is whole now: of a long one, holding both costs more than measuring it did
    del parts, others

    def areas(
        whole: Measured, judgement: Judgement, between: Judgement, limits: Limits
    ) -> tuple[Areas, Areas | None]:
        made = []
        for piece, own, other in zip(pieces, _slices(ends), _slices(other_ends), strict=True):
            here = _with_sections(whole, own, other, read_back(piece(), 1))
            judged = stations_of(judgement, own), stations_of(between, other)
            made.append(areas_of(here, *judged, limits))
        at_others = [part for _, part in made if part is not None]
        return joined([part for part, _ in made]), joined(at_others) if at_others else None

    (judged,) = judge([case], [measured], areas)
    first = pieces_of(case)[0]
    ground = no_ground(case, (first.low, first.high), cell_m=cell_m)
    study = RoadStudy(case, ground, measured, judged)
    findings = gather([study], {}, None).findings
    return Found(
        replace(findings, why={}),
        told_of(study),
        tuple(Standing(r.harm, r.priority, r.finding) for r in judged.reaches),
    )


def _slices(ends: Sequence[int]) -> Iterator[slice]:
    return (slice(*pair) for pair in pairwise(ends))


def _with_sections(
    whole: Measured, own: slice, other: slice, held: tuple[Sections, Sections | None]
) -> Measured:
    """Stations `own` of a road and what lies between them, `other`, with the sections of both."""
    between = whole.between
    if between is not None:
        between = replace(stations_of(between, other), sections=held[1])
    here = stations_of(whole, own)
    return replace(here, shoulder=replace(here.shoulder, sections=held[0]), between=between)


class RankedParts:
    """Findings of many roads, one after another, ranked among each other; gone over repeatedly.

    Parameters
    ----------
    roads
        Give what was found on each road.
    """

    def __init__(self, roads: Sequence[Callable[[], Found]]) -> None:
        self.roads = roads
        self.told: list[RoadTold] = []
        standing: list[Standing] = []
        ends = []
        for road in roads:
            found = road()
            self.told.append(found.told)
            standing += found.standing
            ends.append(len(standing))
        self.ranks, self.looks = (
            np.split(made(standing), ends[:-1]) for made in (ranks, looks_first)
        )

    def __iter__(self) -> Iterator[Findings]:
        for road, rank, look in zip(self.roads, self.ranks, self.looks, strict=True):
            findings = road().findings
            best = np.array([np.nanmin(rank) if np.isfinite(rank).any() else np.nan])
            yield replace(
                findings,
                reaches=_with(findings.reaches, {"rank": rank, "look_first": look}),
                roads=_with(findings.roads, {"rank": best}),
            )


def _with(table: Table, columns: Mapping[str, Floats]) -> Table:
    return Table({**table.columns, **columns})
