"""Shared fixtures: tiny terrain grids and lines with known geometry."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
# a worker of the suite is one core: libraries that take all of them wait for each other
os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

from tests.builders import files

# shared machines are slow at times; a slow example is no failure
settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")


@pytest.fixture(scope="session", autouse=True)
def application(qapp: Any) -> None:
    """Have the window's application from the start: a command that draws would make a lesser one.

    There can be but one in a process, and any test may come before those of the window.
    """


@pytest.fixture
def write_grid(tmp_path: Path) -> Callable[..., str]:
    """Write heights as a raster in the test's own folder; returns its path."""

    def write(z: np.ndarray, *, name: str = "grid.tif", **options: Any) -> str:
        return str(files.write_grid(tmp_path / name, z, **options))

    return write


@pytest.fixture
def write_lines(tmp_path: Path) -> Callable[..., str]:
    """Write geometries with attributes as a vector file; returns its path."""

    def write(
        geometries: Sequence[Any], *rest: Any, name: str = "road.gpkg", **options: Any
    ) -> str:
        return str(files.write_lines(tmp_path / name, geometries, *rest, **options))

    return write


@pytest.fixture
def plane_terrain(write_grid: Callable[..., str]) -> Callable[..., Any]:
    """Open a grid of z = z0 + gx*x + gy*y (x, y metres from the west-south corner)."""
    from analysis.terrain.grid import open_terrain

    def build(
        *,
        rows: int = 60,
        cols: int = 120,
        cell: float = 1.0,
        z0: float = 100.0,
        gx: float = 0.0,
        gy: float = 0.0,
        **options: Any,
    ) -> Any:
        x = (np.arange(cols) + 0.5) * cell
        y = (rows - 0.5 - np.arange(rows)) * cell
        return open_terrain(
            write_grid(z0 + gx * x[None, :] + gy * y[:, None], cell=cell, units="metre", **options)
        )

    return build
