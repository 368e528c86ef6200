"""Compiling ahead, the first time: said in the window, done in a process of its own."""

import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analysis.common.errors import Cancelled
from gui.state import jobs, preparing
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.state.runner import Runner
from gui.window.window import Window
from tests.gui.conftest import quiet_progress
from tests.gui.window.conftest import dispose

Settle = Callable[..., None]


@pytest.fixture
def first_time(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Make it the first run; return a function that says what the other process does.

    That process notes its number in the returned file, a line for every start.
    """
    from analysis.study import warm_up

    monkeypatch.setattr(warm_up, "is_first_run", lambda: True)
    preparing._tried.clear()
    note = tmp_path / "started"

    def instead(code: str) -> Path:
        start = f"import os, time; open({str(note)!r}, 'a').write(f'{{os.getpid()}}\\n'); {code}"
        monkeypatch.setattr(preparing, "command", lambda: [sys.executable, "-c", start])
        return note

    yield instead
    preparing._tried.clear()


def open_window(model: WindowModel, results: tuple[jobs.Inputs, Loaded], settle: Settle) -> Window:
    window = Window(model)
    window.show()
    model.take_inputs(results[0])
    settle(lambda: model.runner.idle() and not window.panes.coming)
    return window


def is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_screening_says_that_it_prepares_and_then_screens(
    model: WindowModel,
    shared_results: tuple[jobs.Inputs, Loaded],
    settle: Settle,
    first_time: Callable[[str], Path],
) -> None:
    """The sentence stands by a bar without a share; the time left isn't guessed from the wait."""
    note = first_time("time.sleep(1.5)")
    window = open_window(model, shared_results, settle)
    left: list[tuple[float, float]] = []
    model.runner.progressed.connect(lambda _key, share, _words, s: left.append((share, s)))
    model.screen()
    settle(lambda: window.job_bar.words.text() == preparing.words())
    assert window.job_bar.words.isVisible()
    assert (window.job_bar.bar.minimum(), window.job_bar.bar.maximum()) == (0, 0)
    assert window.job_bar.stop.isVisible()
    settle(lambda: model.study is not None)
    assert len(note.read_text().split()) == 1
    assert all(seconds < 0.0 for share, seconds in left if math.isnan(share))
    assert max(seconds for share, seconds in left if not math.isnan(share)) < 30.0
    model.screen()
    settle(lambda: not model.runner.busy)
    assert len(note.read_text().split()) == 1, "one attempt is enough"
    dispose(window)


def test_cancelling_ends_the_other_process(
    model: WindowModel,
    shared_results: tuple[jobs.Inputs, Loaded],
    settle: Settle,
    first_time: Callable[[str], Path],
) -> None:
    """Nothing is left running, and nothing is screened."""
    note = first_time("time.sleep(60)")
    window = open_window(model, shared_results, settle)
    model.screen()
    settle(lambda: note.exists() and note.read_text().endswith("\n"))
    process = int(note.read_text())
    assert is_alive(process)
    settle(window.job_bar.stop.isVisible)
    window.job_bar.cancel()
    settle(lambda: not model.runner.busy)
    assert not is_alive(process)
    assert model.study is None
    dispose(window)


def test_two_jobs_share_one_process(
    runner: Runner, settle: Settle, first_time: Callable[[str], Path]
) -> None:
    """What the start began, a screening waits for; calling the screening off leaves it alone."""
    note = first_time("time.sleep(1.0)")
    done: list[str] = []
    runner.submit("a", preparing.prepare, lambda _: done.append("a"), lane="slow start")
    settle(note.exists)
    runner.submit("b", preparing.prepare, lambda _: done.append("b"), lane="long")
    runner.submit("c", preparing.prepare, lambda _: done.append("c"), lane="quick")
    runner.cancel("c")
    settle(runner.idle)
    assert sorted(done) == ["a", "b"]
    assert len(note.read_text().split()) == 1


@pytest.mark.parametrize("code", ["raise SystemExit(3)", "os.abort()"])
def test_a_failure_leaves_the_compiling_to_the_screening(
    first_time: Callable[[str], Path], code: str, caplog: pytest.LogCaptureFixture
) -> None:
    """It is noted in the log and nowhere else."""
    first_time(code)
    preparing.prepare(quiet_progress())
    assert "compiling ahead ended with code" in caplog.text
    assert not preparing.is_needed()


def test_no_interpreter_to_start(
    first_time: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Neither a missing interpreter nor a packed program is an error."""
    first_time("")
    monkeypatch.setattr(preparing, "command", lambda: ["no-such-interpreter-here"])
    preparing.prepare(quiet_progress())
    assert "could not be started" in caplog.text
    preparing._tried.clear()
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    monkeypatch.setattr(preparing, "_run", lambda *_: pytest.fail("started all the same"))
    preparing.prepare(quiet_progress())


def test_called_off_before_it_began(first_time: Callable[[str], Path]) -> None:
    """A job that nobody wants any more starts no process."""
    note = first_time("time.sleep(60)")
    with pytest.raises(Cancelled):
        preparing.prepare(quiet_progress(called_off=True))
    assert not note.exists()
    assert preparing.is_needed(), "the next job must try again"


def test_first_run_is_told_from_the_note_of_an_earlier_one(tmp_path: Path) -> None:
    """Nothing noted, noted, noted but copied since, noted by another compiler, switched off."""
    code = (
        "import os\n"
        "import numba\n"
        "from analysis.study import warm_up\n"
        "told = [warm_up.is_first_run()]\n"
        "warm_up.note_run()\n"
        "told.append(warm_up.is_first_run())\n"
        f"for folder, _, names in os.walk({str(tmp_path)!r}):\n"
        "    for name in names:\n"
        "        os.utime(os.path.join(folder, name), (1.0, 1.0))\n"
        "told.append(warm_up.is_first_run())\n"
        "numba.__version__ = 'another'\n"
        "told.append(warm_up.is_first_run())\n"
        "print(told)\n"
    )

    def told(**given: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "kernels"), **given},
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout.strip()

    assert told() == "[True, False, False, True]"
    assert told(NUMBA_DISABLE_JIT="1") == "[False, False, False, False]"
