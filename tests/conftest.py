"""Shared fixtures: tiny terrain grids and lines with known geometry."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

# shared machines are slow at times; a slow example is no failure
settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")

UTM = "EPSG:32610"
EAST, NORTH = 500_000.0, 5_000_000.0


@pytest.fixture
def write_grid(tmp_path: Path) -> Callable[..., str]:
    """Write heights as a raster; returns its path. West-north corner at EAST, NORTH + rows*cell."""
    from analysis.terrain.geofiles import rasterio

    def write(
        z: np.ndarray,
        *,
        name: str = "grid.tif",
        cell: float = 1.0,
        crs: str | None = UTM,
        transform: tuple[float, ...] | None = None,
        units: str | None = None,
        tags: dict[str, str] | None = None,
        dtype: str = "float64",
        **profile: Any,
    ) -> str:
        path = tmp_path / name
        if transform is None:
            transform = (cell, 0.0, EAST, 0.0, -cell, NORTH + z.shape[-2] * cell)
        bands = z if z.ndim == 3 else z[None]
        with rasterio.open(
            path,
            "w",
            **{
                "driver": "GTiff",
                "width": bands.shape[2],
                "height": bands.shape[1],
                "count": bands.shape[0],
                "dtype": dtype,
                "crs": crs,
                "transform": rasterio.Affine(*transform),
                **profile,
            },
        ) as dataset:
            dataset.write(bands.astype(dtype))
            if units is not None:
                dataset.units = [units] * bands.shape[0]
            if tags is not None:
                dataset.update_tags(**tags)
        return str(path)

    return write


@pytest.fixture
def write_lines(tmp_path: Path) -> Callable[..., str]:
    """Write geometries with attributes as a vector file; returns its path."""
    from analysis.terrain.geofiles import fiona

    def write(
        geometries: list[dict[str, Any]],
        properties: list[dict[str, Any]] | None = None,
        *,
        name: str = "road.gpkg",
        layer: str | None = None,
        kind: str = "LineString",
        crs: str | None = UTM,
        driver: str = "GPKG",
        **options: Any,
    ) -> str:
        path = tmp_path / name
        rows = properties if properties is not None else [{} for _ in geometries]
        types = {str: "str", int: "int", float: "float"}
        fields = {key: types[type(value)] for row in rows for key, value in row.items()}
        with fiona.open(
            path,
            "w",
            driver=driver,
            crs=crs,
            schema={"geometry": kind, "properties": fields},
            **({} if layer is None else {"layer": layer}),
            **options,
        ) as sink:
            for geometry, row in zip(geometries, rows, strict=True):
                full = {key: row.get(key) for key in fields}
                sink.write({"type": "Feature", "geometry": geometry, "properties": full})
        return str(path)

    return write


def line(*points: tuple[float, ...]) -> dict[str, Any]:
    """A line geometry, in metres east and north of the grid's west-south corner."""
    moved = [(EAST + p[0], NORTH + p[1], *p[2:]) for p in points]
    return {"type": "LineString", "coordinates": moved}


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
