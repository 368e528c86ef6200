"""What a screening notices on plain roads whose widths and line are known, and given wrongly."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from analysis import Settings, Study, open_terrain, screen
from analysis.road.roadline import make_road
from analysis.shoulder.values import Reason, Why
from analysis.study.noticing import NOTICES, OFFERS, OFFERS_HERE, Notice, Seen, notices
from tests.scenes import Scene, write_scene

SCENE = Scene(length_m=140.0, begin_m=20.0, end_m=120.0)
"""Pavement 7.0 m, shoulders 1.5 m: as `tests.scenes` has them unless asked."""


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory):
    """Screen the plain road with settings, its line moved so many metres to the right."""
    path, line = write_scene(SCENE, tmp_path_factory.mktemp("plain"))
    grid = open_terrain(str(path))
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    right = np.array([along[1], -along[0]])

    @lru_cache
    def make(moved_m: float = 0.0, **settings: object) -> Study:
        road = make_road("Plain Road", line + moved_m * right)
        return screen(grid, [road], Settings(half_width_m=16.0, spacing_m=20.0, **settings))

    return make


def test_nothing_is_noticed_where_all_fits(plain) -> None:
    assert notices(plain()) == ()


def test_wrong_pavement_width_is_found_and_answered(plain) -> None:
    """9.0 m given, 7.0 m built: the answer holds, and screened with it nothing is noticed."""
    (notice,) = notices(plain(pavement_width_m=9.0))
    assert notice.kind == Seen.PAVEMENT_WIDTH
    width, given = notice.numbers
    assert given == 9.0
    assert width == pytest.approx(7.0, abs=0.3)
    assert notice.answered(Settings()).pavement_width_m == width
    assert notices(plain(pavement_width_m=width)) == ()


def test_width_far_off_is_reached_in_two_answers(plain) -> None:
    """13 m given: edges are looked for no further than that allows, so it takes two steps."""
    study, seen = plain(pavement_width_m=13.0), []
    while (found := notices(study)) and len(seen) < 3:
        seen.append(found[0].answered(study.settings))
        study = plain(
            pavement_width_m=seen[-1].pavement_width_m, shoulder_width_m=seen[-1].shoulder_width_m
        )
    assert len(seen) == 2
    assert seen[-1].pavement_width_m == pytest.approx(7.0, abs=0.3)


def test_wrong_shoulder_width_is_found(plain) -> None:
    (notice,) = notices(plain(shoulder_width_m=3.0))
    assert notice.kind == Seen.SHOULDER_WIDTH
    assert notice.changes["shoulder_width_m"] == pytest.approx(1.5, abs=0.2)


@pytest.mark.parametrize(("moved", "kind"), [(1.4, Seen.LINE_RIGHT), (-1.4, Seen.LINE_LEFT)])
def test_line_beside_the_road_is_told_with_its_side(plain, moved: float, kind: Seen) -> None:
    (notice,) = notices(plain(moved))
    assert (notice.kind, notice.road) == (kind, "Plain Road")
    assert notice.numbers[0] == pytest.approx(1.4, abs=0.15)
    assert not notice.can_be_answered


def test_road_beyond_the_search_is_searched_for_further(plain) -> None:
    """4.5 m off with a search of 3 m: searched 6 m far it is found, and only the line is told."""
    (notice,) = notices(plain(4.5))
    assert notice.kind == Seen.ROAD_BEYOND
    assert notice.answered(Settings()).search_m == 6.0
    (later,) = notices(plain(4.5, search_m=6.0))
    assert (later.kind, later.numbers) == (Seen.LINE_RIGHT, (pytest.approx(4.5, abs=0.2),))


def withheld(study: Study, why: Why, share: float) -> Study:
    """The study with a share of its station sides not judged for a reason."""
    part = study.roads[0]
    reason = np.full(part.measures.reason.shape, None, dtype=object)
    reason.ravel()[: round(share * reason.size)] = Reason(why, (50.0,))
    measures = replace(part.measures, reason=reason)
    shoulder = replace(part.measured.shoulder, measures=measures)
    part = replace(part, measured=replace(part.measured, shoulder=shoulder))
    return replace(study, roads=(part,))


@pytest.mark.parametrize(
    ("why", "kind", "changed"),
    [(Why.UNPAVED, Seen.UNPAVED, {"paved": False}), (Why.GRASS, Seen.GRASS, {"surface": "turf"})],
)
def test_surface_that_looks_like_another(plain, why: Why, kind: Seen, changed: dict) -> None:
    """Told where most of the road shows it, not where a little does, nor where it was said."""
    study = plain()
    (notice,) = notices(withheld(study, why, 0.9))
    assert notice.kind == kind
    assert notice.numbers[0] == pytest.approx(0.9 * 140.0, rel=0.1)
    assert notice.changes == changed
    assert notices(withheld(study, why, 0.1)) == ()


def test_every_notice_has_its_words() -> None:
    """Sentences and offers take the numbers that notices carry."""
    for kind in Seen:
        assert NOTICES[kind].format("1 m", "2 m", "3 m").endswith((".", "?"))
    assert set(OFFERS) == set(Seen) - {Seen.LINE_LEFT, Seen.LINE_RIGHT}
    assert set(OFFERS_HERE) == {kind for kind in Seen if kind.endswith("width")}
    for offer in (*OFFERS.values(), *OFFERS_HERE.values()):
        assert "{" not in offer.format("1 m", "2 m", "3 m")
    assert not Notice(Seen.LINE_LEFT, (1.0,)).can_be_answered
