"""What a screening saw that doesn't fit what was given: widths, line, surface, kerbs.

Each notice says what was found and, where one change of what was given would answer it, which.
Nothing is changed here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np

from analysis.common.errors import SettingsError
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.common.types import Floats
from analysis.common.verdicts import Finding
from analysis.shoulder.values import Why
from analysis.study.values import RoadStudy, Study

__all__ = ["NOTICES", "OFFERS", "OFFERS_HERE", "Notice", "Seen", "notices"]

# Found widths are good to two or three decimetres, and the search starts well enough within half a
# metre (own trials on plain roads).
_WIDTH_OFF_M, _SHOULDER_OFF_M, _LINE_OFF_M = 0.5, 0.4, 0.75
# Roads whose widths differ by more than this get one each.
_ALIKE_M = 0.8
_MOST_SIDES, _MANY_SIDES = 0.5, 0.3
_LEAST_KERB_M = 30.0
_FURTHEST_SEARCH_M = 15.0


class Seen(StrEnum):
    """What was seen."""

    PAVEMENT_WIDTH = "pavement width"
    KERB_WIDTH = "kerb width"
    SHOULDER_WIDTH = "shoulder width"
    LINE_LEFT = "line left"
    LINE_RIGHT = "line right"
    ROAD_BEYOND = "road beyond"
    UNPAVED = "unpaved"
    GRASS = "grass"
    KERB_OR_HIGH = "kerb or high"


NOTICES: Mapping[Seen, str] = {
    Seen.PAVEMENT_WIDTH: "The pavement edges stand {0} apart, where {1} is given.",
    Seen.KERB_WIDTH: "Steps like kerbs stand {0} apart, where the pavement is given as {1} wide.",
    Seen.SHOULDER_WIDTH: "The shoulders are {0} wide, where {1} is given.",
    Seen.LINE_LEFT: "The line runs {0} left of the road's middle, which was found all the same.",
    Seen.LINE_RIGHT: "The line runs {0} right of the road's middle, which was found all the same.",
    Seen.ROAD_BEYOND: (
        "Along {0} the road isn't found within {1} of the line: it seems to lie farther off."
    ),
    Seen.UNPAVED: "Along {0} no pavement edge shows: is the road itself gravel or earth?",
    Seen.GRASS: "Grass stands on {0} of the shoulders: are they turf?",
    Seen.KERB_OR_HIGH: "Along {0} a step up may be a kerb or a high shoulder.",
}
"""What is said of each, with places for lengths in metres (`Notice.numbers`)."""

OFFERS: Mapping[Seen, str] = {
    Seen.PAVEMENT_WIDTH: "Use {0} and screen again",
    Seen.KERB_WIDTH: "Use {0} and screen again",
    Seen.SHOULDER_WIDTH: "Use {0} and screen again",
    Seen.ROAD_BEYOND: "Search within {2} and screen again",
    Seen.UNPAVED: "Call it unpaved and screen again",
    Seen.GRASS: "Call them turf and screen again",
    Seen.KERB_OR_HIGH: "No kerb stands on these roads: screen again",
}
"""What one click does about it."""

OFFERS_HERE: Mapping[Seen, str] = {
    kind: "Use {0} there and screen that road again"
    for kind in (Seen.PAVEMENT_WIDTH, Seen.KERB_WIDTH, Seen.SHOULDER_WIDTH)
}
"""The same where it is one of several roads that is built otherwise."""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that doesn't fit what was given.

    Attributes
    ----------
    kind
        What it is.
    numbers
        Metres for the places in its sentence.
    road
        The road it is about; empty where it is all of them.
    changes
        The settings that would answer it, by name; those of its `road` if it has one. Empty where
        none would.
    no_kerbs
        Whether saying that no kerbs stand would answer it.
    """

    kind: Seen
    numbers: tuple[float, ...]
    road: str = ""
    changes: Mapping[str, Any] = field(default_factory=dict)
    no_kerbs: bool = False

    @property
    def can_be_answered(self) -> bool:
        """Whether one change would answer it."""
        return bool(self.changes) or self.no_kerbs

    def answered(self, settings: Settings) -> Settings:
        """Settings with what would answer it; others may have changed since it was seen.

        Raises
        ------
        SettingsError
            If they can't be screened with.
        """
        if self.road:
            return settings.with_own_widths(self.road, **self.changes)
        return settings.changed(**self.changes)


def notices(study: Study) -> tuple[Notice, ...]:
    """What a study shows that doesn't fit what was given, the most telling first.

    Examples
    --------
    >>> from analysis import Settings, open_terrain, read_roads, sample_files, screen
    >>> terrain, centrelines = sample_files()
    >>> grid = open_terrain(terrain)
    >>> lane = read_roads(centrelines, grid)[1:]
    >>> settings = Settings(pavement_width_m=9.0)
    >>> first = notices(screen(grid, lane, settings))[0]
    >>> first.kind.value, first.numbers[1]
    ('pavement width', 9.0)
    """
    if not study.roads:
        return ()
    found = [
        *_beyond(study),
        *_unpaved(study),
        *_pavement(study),
        *_shoulders(study),
        *_line(study),
        *_grass(study),
        *_kerbs(study),
    ]
    return tuple(_with_an_answer(notice, study.settings) for notice in found)


def _with_an_answer(notice: Notice, settings: Settings) -> Notice:
    """The notice; unanswered where nothing can be screened with its answer."""
    try:
        notice.answered(settings)
    except SettingsError:
        return replace(notice, changes={})
    return notice


def _share_of(part: RoadStudy, why: Why) -> float:
    """Share of the station sides that aren't judged for a reason."""
    given = [reason is not None and reason.kind == why for reason in part.measures.reason.ravel()]
    return float(np.mean(given)) if given else 0.0


def _length_of(study: Study, why: Why) -> float:
    return sum(_share_of(part, why) * part.road.length_m for part in study.roads)


def _mostly(study: Study, why: Why, least: float) -> bool:
    length = sum(part.road.length_m for part in study.roads)
    return length > 0.0 and _length_of(study, why) >= least * length


def _beyond(study: Study) -> Iterator[Notice]:
    settings = study.settings
    lost = _length_of(study, Why.ROAD_BEYOND)
    if _mostly(study, Why.ROAD_BEYOND, 0.2) and settings.search_m < _FURTHEST_SEARCH_M:
        further = min(max(2.0 * settings.search_m, 3.0), _FURTHEST_SEARCH_M)
        numbers = lost, settings.search_m, further
        yield Notice(Seen.ROAD_BEYOND, numbers, changes={"search_m": further})


def _unpaved(study: Study) -> Iterator[Notice]:
    if study.settings.paved and _mostly(study, Why.UNPAVED, _MOST_SIDES):
        length = _length_of(study, Why.UNPAVED)
        yield Notice(Seen.UNPAVED, (length,), changes={"paved": False})


def _grass(study: Study) -> Iterator[Notice]:
    if study.settings.surface != "turf" and _mostly(study, Why.GRASS, _MANY_SIDES):
        length = _length_of(study, Why.GRASS)
        yield Notice(Seen.GRASS, (length,), changes={"surface": "turf"})


def _pavement(study: Study) -> Iterator[Notice]:
    settings = study.settings
    if not settings.find_edges or not settings.paved:
        return
    kerbs = [_kerb_width(part) for part in study.roads]
    if np.isfinite(kerbs).any():
        kind, widths = Seen.KERB_WIDTH, kerbs
    else:
        kind, widths = Seen.PAVEMENT_WIDTH, [_found_width(part) for part in study.roads]
    given = [part.case.pavement_width_m for part in study.roads]
    yield from _widths(study, kind, widths, given, _WIDTH_OFF_M)


def _shoulders(study: Study) -> Iterator[Notice]:
    if not study.settings.find_edges:
        return
    widths = [_found_shoulder(part) for part in study.roads]
    given = [part.case.shoulder_width_m for part in study.roads]
    yield from _widths(study, Seen.SHOULDER_WIDTH, widths, given, _SHOULDER_OFF_M)


def _widths(
    study: Study, kind: Seen, widths: list[float], given: list[float], least_off: float
) -> Iterator[Notice]:
    """One notice for all roads if they are alike, given and found, else one for each that is off.

    `widths` and `given` are those of each road; not finite where nothing tells.
    """
    known = np.array(widths)[np.isfinite(widths)]
    if not known.size:
        return
    name = "shoulder_width_m" if kind == Seen.SHOULDER_WIDTH else "pavement_width_m"
    if np.ptp(known) <= _ALIKE_M and len(set(given)) == 1:
        width = round(float(np.median(known)), 1)
        if abs(width - given[0]) >= least_off:
            yield Notice(kind, (width, given[0]), changes={name: width})
        return
    for part, found, told in zip(study.roads, widths, given, strict=True):
        if abs(found - told) >= least_off:
            width = round(found, 1)
            yield Notice(kind, (width, told), part.road.name, {name: width})


def _found_width(part: RoadStudy) -> float:
    """Median distance between edges that were both found; NaN where few were."""
    breaks = part.breaks
    both = (breaks.edge_source == Source.FOUND).all(axis=1)
    return _median(breaks.edge.sum(axis=1), both)


def _kerb_width(part: RoadStudy) -> float:
    """Median distance between steps like kerbs that stand outside the edges; NaN where few do."""
    away = part.measured.shoulder.kerb_away_m
    outside = np.isfinite(away) & (away > 0.3)
    return 2.0 * _median(part.breaks.edge + away, outside, least=_MANY_SIDES)


def _found_shoulder(part: RoadStudy) -> float:
    breaks = part.breaks
    found = (breaks.edge_source == Source.FOUND) & (breaks.hinge_source == Source.FOUND)
    return _median(breaks.hinge - breaks.edge, found)


def _median(values: Floats, use: np.ndarray, least: float = _MOST_SIDES) -> float:
    good = use & np.isfinite(values)
    return float(np.median(values[good])) if good.size and good.mean() >= least else float("nan")


def _line(study: Study) -> Iterator[Notice]:
    for part in study.roads:
        off = _median(part.breaks.axis, part.breaks.axis_source == Source.FOUND)
        if abs(off) >= _LINE_OFF_M:
            # The middle lies right of the line where the offset is positive.
            kind = Seen.LINE_LEFT if off > 0.0 else Seen.LINE_RIGHT
            yield Notice(kind, (round(abs(off), 1),), part.road.name)


def _kerbs(study: Study) -> Iterator[Notice]:
    reaches = study.findings.reaches
    length = float(reaches["length_m"][reaches["finding"] == Finding.KERB_OR_HIGH].sum())
    if length >= _LEAST_KERB_M:
        yield Notice(Seen.KERB_OR_HIGH, (length,), no_kerbs=True)
