"""Window tests run offscreen, with settings and data folders of their own."""

import os
import shutil

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QSettings, QStandardPaths
from PySide6.QtWidgets import QApplication

from gui.state import jobs
from gui.state.model import WindowModel
from gui.state.runner import Progress, Request, Runner

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


@pytest.fixture(autouse=True)
def fresh_settings(qapp: QApplication) -> Iterator[None]:
    """Begin every test with nothing remembered."""
    qapp.setOrganizationName("VergelineTests")
    qapp.setApplicationName("VergelineTests")
    QSettings().clear()
    yield
    QSettings().clear()


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
            return
        end = time.monotonic() + timeout_s
        while not done():
            if time.monotonic() > end:
                raise AssertionError(f"did not happen within {timeout_s:g} s")
            qapp.processEvents()
            time.sleep(0.002)

    return run


def crowned_road(
    *, length_m: float = 200.0, cell: float = 0.5, fault: tuple[float, float] = (80.0, 140.0)
) -> np.ndarray:
    """Heights of a straight crowned road along x, its right shoulder reversed for a stretch.

    Pavement 7 m at 2 %, shoulders 1.5 m at 5 %, foreslopes 1:3 into ditches, grade 1 %.
    """
    x = np.arange(cell / 2, length_m, cell)
    y = 20.0 - np.arange(cell / 2, 40.0, cell)
    out = np.abs(y)
    profile = np.interp(
        out, [0.0, 3.5, 5.0, 8.0, 9.0, 12.0], [0.0, -0.07, -0.145, -1.145, -1.145, 0]
    )
    z = 100.0 + 0.01 * x[None, :] + profile[:, None]
    reversed_ = np.interp(out, [3.5, 5.0, 6.0], [-0.07, -0.02, -0.478])
    right = (y < -3.5) & (out < 6.0)
    here = (x >= fault[0]) & (x <= fault[1])
    bad = 100.0 + 0.01 * x[None, :] + reversed_[:, None]
    z = np.where(right[:, None] & here[None, :], bad, z)
    noise = np.random.default_rng(7).normal(0.0, 0.008, z.shape)
    return z + noise


def write_road(
    folder: str | Path, stem: str, road_name: str, z: np.ndarray, **profile: Any
) -> tuple[str, str]:
    """Write the heights of a `crowned_road` as a terrain, and its centreline."""
    from analysis.terrain.geofiles import fiona, rasterio
    from tests.conftest import EAST, NORTH, UTM, line

    z = z.astype("float32")
    grid, road = f"{folder}/{stem}.tif", f"{folder}/{stem}.gpkg"
    with rasterio.open(
        grid,
        "w",
        driver="GTiff",
        width=z.shape[1],
        height=z.shape[0],
        count=1,
        dtype="float32",
        crs=UTM,
        transform=rasterio.Affine(0.5, 0.0, EAST, 0.0, -0.5, NORTH + 0.5 * z.shape[0]),
        **profile,
    ) as dataset:
        dataset.write(z, 1)
        dataset.units = ["metre"]
    schema = {"geometry": "LineString", "properties": {"name": "str"}}
    with fiona.open(road, "w", driver="GPKG", crs=UTM, schema=schema) as sink:
        geometry = line((2.0, 20.0), (0.5 * z.shape[1] - 2.0, 20.0))
        sink.write({"type": "Feature", "geometry": geometry, "properties": {"name": road_name}})
    return grid, road


@pytest.fixture(scope="session")
def shared_files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """Write a small terrain with a road, and its centreline, for all tests to read."""
    folder = tmp_path_factory.mktemp("road")
    return write_road(folder, "fernhollow", "Fernhollow Road", crowned_road())


@pytest.fixture
def road_files(shared_files: tuple[str, str], tmp_path: Path) -> tuple[str, str]:
    """Copy the small terrain and its road for one test to spoil."""
    return tuple(shutil.copy(path, tmp_path) for path in shared_files)  # type: ignore[return-value]


@pytest.fixture(scope="session")
def shared_results(shared_files: tuple[str, str]) -> tuple[jobs.Inputs, jobs.Loaded]:
    """Screen the small road once; nothing in the result can be changed by a test."""
    from analysis.common.limits import default_limits
    from analysis.common.settings import Settings

    progress = quiet_progress()
    inputs = jobs.open_inputs(
        progress, jobs.TerrainSource(shared_files[0]), jobs.RoadSource(shared_files[1])
    )
    order = jobs.ScreenOrder(inputs, Settings(), default_limits(), {})
    return inputs, jobs.screen(progress, order)


def quiet_progress() -> Progress:
    """Return a progress that reports to nobody."""

    def nothing(*_: Any) -> None:
        return None

    return Progress(Request(1, "k", nothing, nothing, nothing, "quick", ""), nothing)


@pytest.fixture
def screened(model: WindowModel, shared_results: tuple[jobs.Inputs, jobs.Loaded]) -> WindowModel:
    """Return a model with the small road screened, as if just done."""
    inputs, loaded = shared_results
    model._take_inputs(inputs)
    model._take_screened(loaded)
    return model
