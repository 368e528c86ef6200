"""Screenings in a process of their own: the same results, the same sentences, and crashes."""

import dataclasses
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.common.errors import Cancelled, HeightUnitError, VergelineError
from gui.state import calculating, jobs
from gui.state.calculating import InProcess
from gui.state.corrections import StationKey
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.state.runner import Progress, Request, Runner
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points
from tests.builders.files import EAST, NORTH, UTM
from tests.gui.conftest import quiet_progress
from tests.gui.state import works

WAIT_S = 20.0


@pytest.fixture(scope="module")
def calculator() -> Iterator[InProcess]:
    made = InProcess(load_ahead=False)
    yield made
    made.leave()


def is_alive(process: int) -> bool:
    """Whether a process runs; one that ended and wasn't asked after yet doesn't."""
    try:
        return "Z" not in Path(f"/proc/{process}/stat").read_text().rpartition(")")[2]
    except OSError:
        return False


def until(done: Callable[[], object]) -> None:
    end = time.monotonic() + WAIT_S
    while not done():
        assert time.monotonic() < end
        time.sleep(0.01)


def telling_progress() -> tuple[Progress, Request, list[tuple[float, str]]]:
    """Return a progress, what calls it off, and what it is told."""
    told: list[tuple[float, str]] = []
    request = Request("k", lambda _: None, lambda: None, lambda: None, "")
    return Progress(request, lambda _r, far, words: told.append((far, words))), request, told


def check_same(one: Any, two: Any, at: str = "") -> None:
    """Check that two values are the same to the last bit."""
    assert type(one) is type(two), at
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            check_same(getattr(one, field.name), getattr(two, field.name), f"{at}.{field.name}")
    elif isinstance(one, np.ndarray) and one.dtype != object:
        assert (one.dtype, one.shape) == (two.dtype, two.shape), at
        assert one.tobytes() == two.tobytes(), at
    elif isinstance(one, dict):
        # When a run was made, and how long it took.
        names = [name for name in one if name not in ("made", "seconds")]
        assert list(one) == list(two), at
        for name in names:
            check_same(one[name], two[name], f"{at}[{name}]")
    elif isinstance(one, tuple | list | np.ndarray):
        assert len(one) == len(two), at
        for number, pair in enumerate(zip(one, two, strict=True)):
            check_same(*pair, f"{at}[{number}]")
    else:
        assert one == two or one != one, at


def test_results_are_those_of_this_process(
    calculator: InProcess, shared_results: tuple[jobs.Inputs, Loaded]
) -> None:
    """A screening, other limits, and a correction: to the last bit, with nothing held twice."""
    from analysis.common.limits import default_limits
    from analysis.common.settings import Settings

    inputs, here = shared_results
    settings, limits = Settings(), default_limits()
    order = jobs.ScreenOrder(inputs, settings, limits, {})
    there = calculator.run(quiet_progress(), jobs.screen, order)
    check_same(there, here)
    assert there.study is not None and here.study is not None
    assert there.study.terrain is inputs.terrain and there.study.settings is settings
    assert there.study.roads[0].road is inputs.roads[0]
    assert there.study.findings is there.findings

    road = here.index[0]
    place = StationKey(road.name, float(road.distance_m[10]), "right", "edge")
    for other, corrections in (
        (limits.with_value("shoulder_least_pct", 5.0), {}),
        (limits.with_value("straightedge_m", 3.0), {}),
        (limits.with_value("shoulder_least_pct", 5.0), {place: 3.3}),
    ):
        given = here, other, corrections
        unread = jobs.unread(*given)
        reads = bool(corrections) or other["straightedge_m"] != limits["straightedge_m"]
        assert bool(unread) != reads
        found = calculator.run(quiet_progress(), jobs.update, *given, unread=unread)
        check_same(found, jobs.update(quiet_progress(), *given))
        assert found.study is not None
        assert found.study.roads[0].ground is here.study.roads[0].ground
        assert (found.study.roads[0].breaks is here.study.roads[0].breaks) != bool(corrections)
        if not corrections:
            tried = calculator.run(quiet_progress(), jobs.try_limits, here, other, unread=unread)
            assert tried == jobs.try_limits(quiet_progress(), here, other)

    own = dataclasses.replace(
        order, settings=settings.with_own_widths(road.name, pavement_width_m=7.4)
    )
    again = calculator.run(quiet_progress(), jobs.screen_again, here, own)
    check_same(again, jobs.screen_again(quiet_progress(), here, own))
    assert again.study is not None
    assert again.study.terrain is inputs.terrain and again.study.settings is own.settings
    assert again.study.roads[0].road is inputs.roads[0]


def test_a_grid_made_of_points_goes_along(calculator: InProcess, tmp_path: Path) -> None:
    """It is held in memory only, and what only hands it on isn't sent it."""
    x, y = np.random.default_rng(1).uniform(0.0, 60.0, (2, 8000))
    none = np.zeros(8000)
    points = Points(EAST + x, NORTH + y, 20.0 + 0.02 * x, none.astype(int), none)
    write_points(points, tmp_path / "tile.laz", crs=UTM)
    source = jobs.TerrainSource(str(tmp_path / "tile.laz"))
    terrain = jobs.open_inputs(quiet_progress(), source).grid
    _, here = works.heights(None, terrain)
    process, there = calculator.run(quiet_progress(), works.heights, terrain)
    assert process != os.getpid()
    check_same(there, here)
    again = calculator.run(quiet_progress(), works.same, terrain, unread=[terrain.held])
    assert again is terrain


def test_words_and_sentences_come_through(
    calculator: InProcess, caplog: pytest.LogCaptureFixture
) -> None:
    """Progress with its road, an error of the family with its kind, and a fault with its place."""
    progress, _, told = telling_progress()
    progress._last = -1e9
    assert calculator.run(progress, works.same, "value") == "value"
    with pytest.raises(HeightUnitError, match="look like feet"):
        calculator.run(quiet_progress(), works.doubt)
    with pytest.raises(MemoryError):
        calculator.run(quiet_progress(), works.fault, MemoryError)
    with pytest.raises(ZeroDivisionError, match="deep inside") as fault:
        calculator.run(quiet_progress(), works.fault, ZeroDivisionError)
    assert "works.py" in "".join(fault.value.__notes__)
    with pytest.raises(RuntimeError, match="Odd: that no pickle holds"):
        calculator.run(quiet_progress(), works.odd_fault)
    assert calculator.run(quiet_progress(), works.chatter) == ""
    assert told and not caplog.records


def test_calling_off_is_at_once_and_leaves_the_process(
    calculator: InProcess, runner: Runner, tmp_path: Path, settle: Callable[..., None]
) -> None:
    """The next work is done by the same process, as soon as that has noticed."""
    note = tmp_path / "note"
    words: list[str] = []
    runner.progressed.connect(lambda _key, _far, text, _left: words.append(text))
    runner.submit("x", lambda p: calculator.run(p, works.wait, str(note)), title="Waiting")
    settle(lambda: "judging" in words)
    began = time.monotonic()
    runner.cancel("x")
    settle(runner.idle)
    assert time.monotonic() - began < 1.0
    process = int(note.read_text())
    assert is_alive(process)
    assert calculator.run(quiet_progress(), works.number_of_process) == process


def test_a_process_that_doesnt_notice_is_ended(
    calculator: InProcess, runner: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calculating, "STOPPING_S", 0.2)
    note = tmp_path / "note"
    runner.submit("x", lambda p: calculator.run(p, works.wait_deaf, str(note)))
    until(lambda: note.exists() and note.read_text())
    runner.cancel("x")
    process = int(note.read_text())
    until(lambda: not runner._lanes["quick"].activeThreadCount())
    assert is_alive(process)
    assert calculator.run(quiet_progress(), works.number_of_process) != process
    assert not is_alive(process)


def test_what_writes_is_waited_for_when_called_off(
    calculator: InProcess, runner: Runner, tmp_path: Path, settle: Callable[..., None]
) -> None:
    """Else nobody would know whether the file is the new one."""
    note = tmp_path / "note"
    runner.submit("x", lambda p: calculator.run(p, works.write_note, str(note), writes=True))
    settle(note.exists)
    runner.cancel("x")
    settle(runner.idle)
    assert not note.exists()


def test_saving_is_done_there(
    calculator: InProcess,
    runner: Runner,
    shared_results: tuple[jobs.Inputs, Loaded],
    settle: Callable[..., None],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A study saved by the other process is what the window has, and can be saved over."""
    from analysis.findings import geopackage

    def here(*_: Any, **__: Any) -> None:
        raise AssertionError("the window wrote it")

    monkeypatch.setattr(geopackage, "write_findings", here)
    model = WindowModel(runner, calculator=calculator)
    said: list[str] = []
    model.failed.connect(lambda _title, sentence: said.append(sentence))
    model.take_inputs(shared_results[0])
    model.take_screened(shared_results[1])
    path, loaded = str(tmp_path / "study.gpkg"), shared_results[1]
    for state in ("agreed", "rejected"):
        model.set_review(loaded.reach_places[0], state)
        model.save(path)
        settle(runner.idle)
        assert not model.modified and not said
        found = geopackage.read_findings(path)
        assert list(found.reviews["state"]) == [state]
        assert list(found.reaches["reason"]) == list(loaded.findings.reaches["reason"])


def test_called_off_before_it_began(calculator: InProcess) -> None:
    with pytest.raises(Cancelled):
        calculator.run(quiet_progress(called_off=True), works.number_of_process)


@pytest.mark.parametrize("number", [signal.SIGSEGV, signal.SIGKILL])
def test_a_crash_is_one_sentence_and_the_next_work_goes_on(
    calculator: InProcess, number: int, caplog: pytest.LogCaptureFixture
) -> None:
    before = calculator.run(quiet_progress(), works.number_of_process)
    with pytest.raises(VergelineError, match="your work was left as it was"):
        calculator.run(quiet_progress(), works.die, number)
    assert f"ended with code {-number}" in caplog.text
    after = calculator.run(quiet_progress(), works.number_of_process)
    assert after != before and is_alive(after)
    os.kill(after, signal.SIGKILL)
    until(lambda: not is_alive(after))
    # Killed between two works it isn't missed.
    assert calculator.run(quiet_progress(), works.same, 5) == 5


@pytest.mark.parametrize("command", [["no-such-interpreter-here"], [sys.executable, "-c", ""]])
def test_without_a_process_the_work_is_done_here(
    command: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    """None can be started, or it ends before it begins; both are noted in the log."""
    calculator = InProcess()
    calculator._command = command
    with caplog.at_level(logging.WARNING):
        assert calculator.run(quiet_progress(), works.number_of_process) == os.getpid()
    assert "in the window's process" in caplog.text
    calculator.leave()


def test_what_cant_be_sent_is_done_here(calculator: InProcess) -> None:
    assert calculator.run(quiet_progress(), lambda _progress: os.getpid()) == os.getpid()


def test_leaving_ends_the_process_in_the_middle_of_a_work(runner: Runner, tmp_path: Path) -> None:
    calculator, note = InProcess(load_ahead=False), tmp_path / "note"
    runner.submit("x", lambda p: calculator.run(p, works.wait_deaf, str(note)))
    until(lambda: note.exists() and note.read_text())
    assert runner.shutdown(5.0)
    process = int(note.read_text())
    assert calculator.process_id == process
    if sys.platform == "linux":
        back = os.getpriority(os.PRIO_PROCESS, process) - os.getpriority(os.PRIO_PROCESS, 0)
        assert back == calculating.STEP_BACK
    calculator.leave()
    assert not is_alive(process) and calculator.process_id is None


def test_no_process_outlives_a_killed_window(tmp_path: Path) -> None:
    """Neither one that is at work and asks nobody."""
    note = tmp_path / "note"
    code = (
        "import sys\n"
        "from gui.state.calculating import InProcess\n"
        "from tests.gui.conftest import quiet_progress\n"
        "from tests.gui.state import works\n"
        "InProcess(load_ahead=False).run(quiet_progress(), works.wait_deaf, sys.argv[1])\n"
    )
    window = subprocess.Popen([sys.executable, "-c", code, str(note)])
    until(lambda: note.exists() and note.read_text())
    process = int(note.read_text())
    assert is_alive(process)
    window.kill()
    window.wait()
    until(lambda: not is_alive(process))


def test_the_window_screens_there_and_says_that_it_was_ended(
    runner: Runner,
    shared_results: tuple[jobs.Inputs, Loaded],
    settle: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What was found before stays; screened again, it is there."""
    model = WindowModel(runner, calculator=InProcess(load_ahead=False))
    said: list[str] = []
    model.failed.connect(lambda _title, sentence: said.append(sentence))
    model.take_inputs(shared_results[0])
    model.take_screened(shared_results[1])
    settle(runner.idle)
    process = model.calculator.process_id
    assert process is not None and is_alive(process)
    with monkeypatch.context() as patch:
        patch.setattr(jobs, "screen", works.die_screening)
        model.screen()
        settle(lambda: bool(said))
    assert "was ended" in said[0] and model.loaded is not None
    assert model.study is shared_results[1].study
    model.screen()
    settle(lambda: model.study is not shared_results[1].study)
    check_same(model.study, shared_results[1].study)
    assert model.calculator.process_id not in (None, process)
    model.calculator.leave()
