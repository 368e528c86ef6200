"""Window tests run offscreen, with settings and data folders of their own."""

import os
import shutil

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import QSettings, QStandardPaths
from PySide6.QtWidgets import QApplication

from gui.look.remembered import remembered
from gui.look.turns import turns
from gui.state import jobs
from gui.state.garbage import GarbageTurns
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.state.runner import Progress, Request, Runner
from tests.builders.files import crowned_road, write_road

ARTEFACTS = Path(__file__).parents[1] / "artefacts"
ARTEFACTS.mkdir(exist_ok=True)


@pytest.fixture(scope="session")
def qapp_cls() -> type[QApplication]:
    return QApplication


@pytest.fixture(scope="session", autouse=True)
def own_places(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep the tests away from the settings and files of whoever runs them."""
    home = tmp_path_factory.mktemp("home")
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"):
        os.environ[name] = str(home)
    QStandardPaths.setTestModeEnabled(True)
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, str(home))


@pytest.fixture(scope="session", autouse=True)
def garbage_in_turns(qapp: QApplication) -> None:
    """Leave what tests leave behind to this thread: a worker that took it apart would crash."""
    GarbageTurns(qapp)


@pytest.fixture(autouse=True)
def fresh_settings(qapp: QApplication) -> Iterator[None]:
    """Begin every test with nothing remembered."""
    qapp.setOrganizationName("VergelineTests")
    qapp.setApplicationName("VergelineTests")
    remembered().clear()
    yield
    remembered().clear()


@pytest.fixture
def runner(qapp: QApplication) -> Iterator[Runner]:
    """Yield a runner that must end its threads in time."""
    made = Runner()
    yield made
    assert made.shutdown(20.0), "a worker thread didn't end"


@pytest.fixture
def model(runner: Runner) -> WindowModel:
    """Return an empty model."""
    return WindowModel(runner)


@pytest.fixture
def settle(qapp: QApplication) -> Callable[..., None]:
    """Return a function that runs the event loop until a condition holds."""

    def run(done: Callable[[], bool] | None = None, *, timeout_s: float = 60.0) -> None:
        if done is None:
            for _ in range(5):
                qapp.processEvents()
            done = lambda: turns().idle  # noqa: E731
        end = time.monotonic() + timeout_s
        while not done():
            if time.monotonic() > end:
                raise AssertionError(f"did not happen within {timeout_s:g} s")
            qapp.processEvents()
            time.sleep(0.002)

    return run


@pytest.fixture(scope="session")
def shared_files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """Write a small terrain with a road, and its centreline, for all tests to read."""
    folder = tmp_path_factory.mktemp("road")
    places = folder / "fernhollow.tif", folder / "fernhollow.gpkg"
    return write_road(*places, "Fernhollow Road", crowned_road())


@pytest.fixture
def road_files(shared_files: tuple[str, str], tmp_path: Path) -> tuple[str, str]:
    """Copy the small terrain and its road for one test to spoil."""
    return tuple(shutil.copy(path, tmp_path) for path in shared_files)  # type: ignore[return-value]


@pytest.fixture(scope="session")
def shared_results(shared_files: tuple[str, str]) -> tuple[jobs.Inputs, Loaded]:
    """Screen the small road once; nothing in the result can be changed by a test."""
    from analysis.common.limits import default_limits
    from analysis.common.settings import Settings

    progress = quiet_progress()
    inputs = jobs.open_inputs(
        progress, jobs.TerrainSource(shared_files[0]), jobs.RoadSource(shared_files[1])
    )
    order = jobs.ScreenOrder(inputs, Settings(), default_limits(), {})
    return inputs, jobs.screen(progress, order)


def quiet_progress(*, called_off: bool = False) -> Progress:
    """Return a progress that reports to nobody, of a job that may have been called off."""

    def nothing(*_: Any) -> None:
        return None

    request = Request("k", nothing, nothing, nothing, "")
    if called_off:
        request.cancel.set()
    return Progress(request, nothing)


@pytest.fixture
def screened(model: WindowModel, shared_results: tuple[jobs.Inputs, Loaded]) -> WindowModel:
    """Return a model with the small road screened, as if just done."""
    inputs, loaded = shared_results
    model.take_inputs(inputs)
    model.take_screened(loaded)
    return model
