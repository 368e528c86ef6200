"""Reaches in the order of the harm that they may do."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.columns import RANKING, column_of
from analysis.common.limits import default_limits
from analysis.common.verdicts import Finding
from analysis.findings.sheets import WorkSheets
from analysis.study.judging import rejudge
from analysis.verdict.reaches import ranks
from analysis.verdict.values import Harm
from gui.forms.help import TERMS
from tests.builders.small_study import dropped_study, small_study


@pytest.fixture(scope="module")
def reaches():
    return small_study().roads[0].reaches


def test_harm_goes_before_size(reaches):
    """A short drop-off comes before a long flat reach, and what can't be judged comes last."""
    harm_and_size = [
        (Harm.OTHER, 5000.0),
        (Harm.NONE, 0.0),
        (Harm.DROP_OFF, 10.0),
        (Harm.UNJUDGED, 9000.0),
        (Harm.WATER_ON_PAVEMENT, 30.0),
        (Harm.DROP_OFF, 40.0),
    ]
    made = [replace(reaches[0], harm=h, priority=p) for h, p in harm_and_size]
    np.testing.assert_array_equal(ranks(made), [4, np.nan, 2, 5, 3, 1])


def test_only_what_is_sound_has_no_rank(reaches):
    """Each finding but "none" has a rank of its own, a blocked ditch too."""
    rank = ranks(reaches)
    sound = np.array([reach.finding == Finding.NONE for reach in reaches])
    np.testing.assert_array_equal(np.isnan(rank), sound)
    assert sorted(rank[~sound]) == list(range(1, int((~sound).sum()) + 1))


def test_a_drop_at_the_safety_limit_comes_first():
    """The least urgent fault comes first once its edge drops by 80 mm and the limit is 80 mm."""
    study, row = dropped_study(80.0)

    def judged(limit_mm):
        limits = default_limits().with_value("edge_drop_safety_mm", limit_mm)
        table = rejudge(study, limits).findings.reaches
        return table["rank"][row], "comes first" in table["reason"][row]

    before = study.findings.reaches["rank"][row]
    assert before > 1
    assert judged(80.0) == (1, True)
    assert judged(80.5) == (before, False)


def test_ditches_are_ranked_with_their_severity():
    """A ditch without depth is worse than one nearly deep enough; 1 and the share that is lost."""
    study = small_study()
    part = study.roads[0]
    measured = part.measured.water
    depth = np.full_like(measured.ditch.depth_m, 0.2)
    ditch = replace(
        measured.ditch,
        depth_m=depth,
        sag_mm=np.zeros_like(depth),
        crossing=np.zeros(depth.shape, bool),
    )
    severity = []
    for least in (0.25, 0.4):
        limits = default_limits().with_value("ditch_least_depth_m", least)
        water = replace(measured, ditch=ditch, kerb=np.zeros(depth.shape, bool))
        turned = replace(part, measured=replace(part.measured, water=water))
        judged = rejudge(replace(study, roads=(turned,)), limits).roads[0].reaches
        found = [r for r in judged if r.finding == Finding.BLOCKED_DITCH]
        assert found and all(r.harm == Harm.OTHER for r in found)
        severity.append(found[0].severity)
    # Of 0.25 m are 0.05 m lost, of 0.4 m half.
    assert severity == pytest.approx([1.2, 1.5])


def test_a_ditch_as_flat_as_its_road_is_not_cleaned():
    """Deepened, it would still hold its water; a dam in it is taken out all the same."""
    study = small_study()
    part = study.roads[0]
    water, shoulder = part.measured.water, part.measured.shoulder
    none = np.zeros(water.kerb.shape, bool)
    for grade, dammed, cleaned in ((0.2, False, False), (0.2, True, True), (2.0, False, True)):
        measures = replace(shoulder.measures, grade_pct=np.full(none.shape, grade))
        ditch = replace(
            water.ditch, depth_m=np.full(none.shape, 0.2), crossing=none, dammed=none | dammed
        )
        filled = replace(water, ditch=ditch, kerb=none)
        measured = replace(
            part.measured, water=filled, shoulder=replace(shoulder, measures=measures)
        )
        again = rejudge(replace(study, roads=(replace(part, measured=measured),)), default_limits())
        table = again.findings.reaches
        here = table["finding"] == Finding.BLOCKED_DITCH
        assert here.any()
        assert (table["ditch_clean_m"][here] > 0.0).all() == cleaned
        assert all(("too flat for cleaning" in why) != cleaned for why in table["reason"][here])


def test_the_ranking_is_put_into_words_once():
    """The same text in the registry, in help and on the plan."""
    assert column_of("rank").meaning == RANKING
    assert RANKING in [term.text for term in TERMS]
    plan = WorkSheets(small_study().findings).plan_sheet()
    order = next(block for block in plan.blocks if block.heading == "Order of work")
    assert any(RANKING in text for text in order.text)
    assert "rank" in order.columns
