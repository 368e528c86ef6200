"""The queue of a review: what is to be seen, what is next, what is left, and what undo does."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.common.verdicts import Finding, Verdict
from analysis.findings.reviews import Review
from analysis.shoulder.values import Reason, Why
from analysis.verdict.reasons import WITHHELD
from gui.review.finding_panel import FindingPanel
from gui.review.queue import ReviewQueue
from gui.state import jobs
from gui.state.loaded import Loaded, loaded
from gui.state.model import WindowModel
from tests.builders.many_findings import many_findings

AGREED = Review("agreed")


@pytest.fixture
def many(model: WindowModel, shared_results: tuple[jobs.Inputs, Loaded]) -> WindowModel:
    """Return a model with twelve findings."""
    inputs, real = shared_results
    model.take_inputs(inputs)
    model.take_screened(many_findings(real, 12))
    return model


@pytest.fixture
def queue(many: WindowModel) -> ReviewQueue:
    """Return a queue that has begun."""
    made = ReviewQueue(many)
    made.start()
    return made


def swapped(model: WindowModel, **columns: object) -> None:
    """Put other results in place, with columns of the reaches replaced."""
    found = model.loaded.findings
    reaches = replace(found.reaches, columns={**found.reaches.columns, **columns})
    model.take_screened(loaded(model.study, replace(found, reaches=reaches), {}))


def test_most_pressing_first_and_on_to_the_next_open_one(queue: ReviewQueue) -> None:
    """Every decision goes on by itself; what is decided isn't seen again until all are."""
    ranks = queue._model.findings.reaches["rank"]
    seen = []
    while queue.open_count:
        seen.append(ranks[queue.current.row])
        assert queue.decide(AGREED)
    assert seen == sorted(ranks)
    assert len(seen) == 12
    assert queue.decide(Review("rejected", "driveway"))
    assert queue.open_count == 0


def test_later_leaves_it_open_and_comes_round_again(queue: ReviewQueue) -> None:
    first = queue.current
    queue.skip()
    assert queue.current != first
    for _ in range(11):
        queue.decide(AGREED)
    assert queue.current == first
    assert queue.open_count == 1
    # Next and previous go everywhere, decided or not.
    queue.step(-1)
    assert queue.review is not None
    assert queue.current == queue.items[-1]


def test_undo_goes_back_to_what_it_undid(queue: ReviewQueue, many: WindowModel) -> None:
    first = queue.current
    queue.decide(Review("rejected", "driveway"))
    queue.decide(AGREED)
    many.undo.undo()
    many.undo.undo()
    assert queue.current == first
    assert queue.review is None
    assert queue.open_count == 12
    many.undo.redo()
    assert queue.current == first
    assert queue.review.reason == "driveway"


def test_order_along_the_road(queue: ReviewQueue) -> None:
    queue.want(by_rank=False)
    places = [(item.station, item.side) for item in queue.items]
    assert places == sorted(places)
    assert queue.current is not None


def test_skips_what_cant_be_told_at_driveways(queue: ReviewQueue, many: WindowModel) -> None:
    """By the kind of the reason where it is known, by its sentence where a file holds only that."""
    found = many.findings
    why = [Reason(Why.ACCESS, ()) if row == 2 else None for row in range(12)]
    kept = many.loaded
    many.loaded = replace(kept, findings=replace(found, why={"reach": why}))
    queue.want(skip_access=True)
    assert 2 not in [item.row for item in queue.items]
    assert len(queue.items) == 11
    queue.want(skip_access=False)
    reason = found.reaches["reason"].copy()
    reason[5] = WITHHELD[Why.ACCESS]
    many.loaded = kept
    swapped(many, reason=reason)
    queue.want(skip_access=True)
    assert sorted({*range(12)} - {item.row for item in queue.items}) == [5]


def test_reaches_that_shed_are_left_out_unless_wanted(
    queue: ReviewQueue, many: WindowModel
) -> None:
    verdict = many.findings.reaches["verdict"].copy()
    verdict[:3] = Verdict.SHEDS
    swapped(many, verdict=verdict)
    assert len(queue.items) == 9
    queue.want(sound=True)
    assert len(queue.items) == 12


def test_single_stations_that_fail_beside_reaches(queue: ReviewQueue, many: WindowModel) -> None:
    """A station that won't shed in a reach that was found sound can be seen too."""
    verdict = many.findings.reaches["verdict"].copy()
    verdict[:] = Verdict.SHEDS
    stations = many.findings.stations
    failing = stations["verdict"] == Verdict.WONT_SHED
    swapped(many, verdict=verdict)
    queue.want(only_reaches=False)
    assert [item.row for item in queue.items] == np.flatnonzero(failing).tolist()
    if queue.items:
        assert {item.place.kind for item in queue.items} == {"station"}
        queue.decide(Review("rejected", "bushes"))
        assert queue._model.reviews[queue.items[0].place].finding


def test_only_what_changed_since_it_was_reviewed(queue: ReviewQueue, many: WindowModel) -> None:
    for _ in range(12):
        queue.decide(AGREED)
    queue.want(only_changed=True)
    assert queue.items == []
    assert queue.current is None
    assert not queue.decide(AGREED)
    finding = many.findings.reaches["finding"].copy()
    finding[4] = Finding.RUTTED if finding[4] != Finding.RUTTED else Finding.HIGH
    swapped(many, finding=finding)
    assert [item.row for item in queue.items] == [4]
    assert queue.review is None


def test_time_left_is_the_pace_times_what_is_open(
    queue: ReviewQueue, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unknown at first; then the median of the last looks, of which a tea break is none."""
    import time

    now = [1000.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    queue._shown_at = now[0]
    assert queue.left_s is None
    for look in (10.0, 20.0, 4000.0, 12.0):
        now[0] += look
        queue.decide(AGREED)
    assert queue.left_s == pytest.approx(12.0 * 8)


def test_note_and_photographs_are_kept(queue: ReviewQueue) -> None:
    """A note on an open finding makes it one to check; a decision later keeps both."""
    first = queue.current
    queue.annotate("  wet here  ", ("a.jpg",))
    assert queue.current == first
    review = queue.review
    assert (review.state, review.note, review.photos) == ("to check", "wet here", ("a.jpg",))


@pytest.mark.parametrize(("length_m", "words"), [(0.0, "none"), (120.0, "120")])
def test_ditch_to_clean_is_a_length_or_none(
    queue: ReviewQueue, many: WindowModel, qtbot: Any, length_m: float, words: str
) -> None:
    """ "0.00 m" would look like a measurement."""
    swapped(many, ditch_clean_m=np.full(len(many.findings.reaches), length_m))
    panel = FindingPanel(many)
    qtbot.addWidget(panel)
    panel.show_item(queue.current)
    said = {head.text(): value.text() for head, value in panel._cells}
    assert said["Ditch to clean, m"].startswith(words)


def test_what_was_left_behind_is_not_shown_among_fewer_findings(
    many: WindowModel, queue: ReviewQueue, qtbot: Any, shared_results: tuple[jobs.Inputs, Loaded]
) -> None:
    """Nobody follows what is found while there is no review; found by random input."""
    panel = FindingPanel(many)
    qtbot.addWidget(panel)
    queue.moved.connect(lambda: panel.show_item(queue.current))
    queue.step(-1)
    queue.stop()
    many.take_screened(many_findings(shared_results[1], 2))
    queue.step(-1)
    queue.skip()
    assert queue.current is None
    assert not queue.decide(AGREED)
    queue.annotate("seen", ())
    assert not many.reviews
    queue.start()
    assert len(queue.items) == 2
    assert queue.current in queue.items
