"""Jobs run beside the window, the newest request wins, and nothing stays busy for ever."""

import os
import sys
import threading
import time
from collections.abc import Callable

import pytest
from PySide6.QtCore import QObject

from analysis.common.errors import TerrainError, VergelineError
from gui.state.runner import Progress, Runner, sentence_for

Settle = Callable[..., None]


def test_submit_result_arrives_in_window_thread(runner: Runner, settle: Settle) -> None:
    """A job runs in another thread; its answer comes back in this one."""
    seen: dict[str, object] = {}

    def job(progress: Progress) -> str:
        seen["job"] = threading.get_ident()
        return "answer"

    def done(value: str) -> None:
        seen["value"], seen["done"] = value, threading.get_ident()

    runner.submit("a", job, done)
    settle(runner.idle)
    assert seen["value"] == "answer"
    assert seen["done"] == threading.get_ident() != seen["job"]


@pytest.mark.skipif(sys.platform != "linux", reason="only there a thread has a priority of its own")
def test_threads_dont_stand_back(runner: Runner, settle: Settle) -> None:
    """One that held the interpreter while other programs go first would hold up the window."""
    found: list[int] = []

    def job(progress: Progress) -> int:
        return os.getpriority(os.PRIO_PROCESS, threading.get_native_id())

    for lane in ("long", "quick", "slow start"):
        runner.submit(lane, job, found.append, lane=lane)
    settle(runner.idle)
    assert set(found) == {os.getpriority(os.PRIO_PROCESS, 0)}


def test_submit_newest_wins(runner: Runner, settle: Settle) -> None:
    """Of several requests with one key only the last is answered, whichever ends first."""
    release = threading.Event()
    answers: list[int] = []

    def slow(progress: Progress) -> int:
        release.wait(10.0)
        return 1

    runner.submit("key", slow, answers.append)
    runner.submit("key", lambda progress: 2, answers.append)
    runner.submit("key", lambda progress: 3, answers.append)
    release.set()
    settle(runner.idle)
    assert answers == [3]


def test_submit_other_keys_stand(runner: Runner, settle: Settle) -> None:
    """Requests with different keys don't call each other off."""
    answers: list[int] = []
    for number in range(20):
        runner.submit(f"k{number}", lambda progress, n=number: n, answers.append)
    settle(runner.idle)
    assert sorted(answers) == list(range(20))


def test_priority_overtakes_in_queue(runner: Runner, settle: Settle) -> None:
    """While the lane is taken, the more urgent of the waiting jobs goes first."""
    release = threading.Event()
    order: list[str] = []
    runner.submit("hold", lambda progress: release.wait(10.0), lane="long")
    settle(lambda: True)
    runner.submit("low", lambda progress: "low", order.append, lane="long", priority=-5)
    runner.submit("high", lambda progress: "high", order.append, lane="long", priority=5)
    release.set()
    settle(runner.idle)
    assert order == ["high", "low"]


def test_cancel_running_job_stops_at_its_next_report(runner: Runner, settle: Settle) -> None:
    """Cancel raises inside the job at its next report; the answer never comes."""
    answers: list[object] = []
    called_off: list[str] = []
    steps: list[int] = []
    runner.called_off.connect(lambda key, title: called_off.append(title))

    def job(progress: Progress) -> str:
        for step in range(10_000):
            steps.append(step)
            progress(step / 10_000, "working")
            time.sleep(0.001)
        return "whole"

    runner.submit("job", job, answers.append, lane="long", title="Counting")
    settle(lambda: len(steps) > 20)
    runner.cancel("job")
    settle(runner.idle, timeout_s=5.0)
    assert answers == []
    assert called_off == ["Counting"]
    assert len(steps) < 10_000
    assert not runner.busy


def test_failed_job_gives_one_sentence_and_clears_busy(runner: Runner, settle: Settle) -> None:
    """An error for people is handed on as it is; busy ends."""
    told: list[VergelineError | str] = []
    busy: list[bool] = []
    runner.busy_changed.connect(busy.append)

    def job(progress: Progress) -> None:
        raise TerrainError("The grid is torn: mend it.")

    runner.submit("job", job, lambda _: told.append("done"), told.append, title="Trying")
    settle(runner.idle)
    assert list(map(str, told)) == ["The grid is torn: mend it."]
    assert busy == [True, False]


def test_failed_job_without_callback_is_signalled(runner: Runner, settle: Settle) -> None:
    """Nobody's failure still reaches the window."""
    told: list[tuple[str, str]] = []
    runner.failed.connect(lambda title, sentence: told.append((title, sentence)))

    def job(progress: Progress) -> None:
        raise ZeroDivisionError("division by zero")

    runner.submit("job", job, title="Dividing")
    settle(runner.idle)
    assert told[0][0] == "Dividing"
    assert "ZeroDivisionError" in told[0][1]
    assert "Traceback" not in told[0][1]


def test_fault_in_callback_is_signalled(runner: Runner, settle: Settle) -> None:
    """An exception while an answer is shown doesn't vanish."""
    told: list[str] = []
    runner.failed.connect(lambda title, sentence: told.append(sentence))

    def done(value: object) -> None:
        raise KeyError("no such row")

    runner.submit("job", lambda progress: 1, done)
    settle(runner.idle)
    assert "no such row" in told[0]


def test_answer_for_a_dead_object_is_dropped(runner: Runner, settle: Settle) -> None:
    """A job whose asker is gone ends quietly."""
    told: list[str] = []
    runner.failed.connect(lambda title, sentence: told.append(sentence))

    class Asker(QObject):
        def take(self, value: object) -> None:
            told.append("called")

    release = threading.Event()
    asker = Asker()
    runner.submit("job", lambda progress: release.wait(10.0), asker.take)
    del asker
    release.set()
    settle(runner.idle)
    assert told == []


def test_progress_tells_time_left(runner: Runner, settle: Settle) -> None:
    """After a second of steady work the time left is about right."""
    seen: list[tuple[float, float]] = []
    runner.progressed.connect(lambda key, f, words, left: seen.append((f, left)))

    def job(progress: Progress) -> None:
        for step in range(60):
            progress(step / 60, f"step {step}")
            time.sleep(0.03)

    runner.submit("job", job, title="Steady")
    settle(runner.idle)
    assert [left for f, left in seen if f < 0.2] and all(left < 0 for f, left in seen if f < 0.2)
    late = [(f, left) for f, left in seen if left >= 0]
    assert late
    whole_s = 60 * 0.03
    for fraction, left in late:
        assert left == pytest.approx(whole_s * (1 - fraction), rel=0.6, abs=0.3)


def test_progress_is_thinned(runner: Runner, settle: Settle) -> None:
    """A job that reports all the time doesn't flood the window."""
    seen: list[float] = []
    runner.progressed.connect(lambda key, f, words, left: seen.append(f))

    def job(progress: Progress) -> None:
        end = time.monotonic() + 0.5
        while time.monotonic() < end:
            progress(0.5, "busy")

    runner.submit("job", job, title="Chatty")
    settle(runner.idle)
    assert 1 <= len(seen) <= 15


def test_quick_lane_goes_on_during_a_long_job(runner: Runner, settle: Settle) -> None:
    """Tiles don't wait for a screening."""
    release = threading.Event()
    answers: list[str] = []
    runner.submit("long", lambda progress: release.wait(10.0), lane="long", title="Long")
    runner.submit("quick", lambda progress: "tile", answers.append)
    settle(lambda: answers == ["tile"], timeout_s=5.0)
    assert runner.busy
    release.set()
    settle(runner.idle)


def test_shutdown_ends_threads_and_refuses_more(qapp: object) -> None:
    """After shutdown no thread is left and a new request is nothing."""
    made = Runner()
    started, ended = threading.Event(), threading.Event()

    def job(progress: Progress) -> None:
        started.set()
        try:
            while True:
                progress(0.1)
                time.sleep(0.005)
        finally:
            ended.set()

    made.submit("job", job, lane="long", title="Endless")
    assert started.wait(5.0)
    assert made.shutdown(10.0)
    assert ended.is_set()
    assert not made.submit("more", lambda progress: 1)


def test_shutdown_tells_of_a_job_that_does_not_stop(qapp: object) -> None:
    """It waits as long as it was told to and no longer; what only waited is never begun."""
    made = Runner()
    release, started, begun = threading.Event(), threading.Event(), threading.Event()

    def deaf(progress: Progress) -> None:
        started.set()
        release.wait(10.0)

    made.submit("deaf", deaf, lane="long")
    assert started.wait(5.0)
    made.submit("next", lambda progress: begun.set(), lane="long")
    assert not made.shutdown(0.1)
    release.set()
    assert made.shutdown(10.0)
    assert not begun.is_set()


@pytest.mark.parametrize(
    ("error", "word"),
    [
        (TerrainError("As it is."), "As it is."),
        (MemoryError(), "memory"),
        (PermissionError(13, "Permission denied", "/x/y.gpkg"), "y.gpkg"),
        (RuntimeError("odd"), "log file"),
    ],
)
def test_sentence_for_names_the_trouble(qapp: object, error: BaseException, word: str) -> None:
    """Every kind of error becomes one sentence without a traceback."""
    sentence = sentence_for(error)
    assert word in sentence
    assert "\n" not in sentence
