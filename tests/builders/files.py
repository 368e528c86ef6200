"""Terrain grids and vector layers as files, and the small road that most tests screen."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from analysis.terrain.geofiles import fiona, rasterio

UTM = "EPSG:32610"
EAST, NORTH = 500_000.0, 5_000_000.0


def line(*points: tuple[float, ...]) -> dict[str, Any]:
    """A line geometry, in metres east and north of the grid's west-south corner."""
    moved = [(EAST + p[0], NORTH + p[1], *p[2:]) for p in points]
    return {"type": "LineString", "coordinates": moved}


def write_grid(
    path: Path,
    z: np.ndarray,
    *,
    cell: float = 1.0,
    corner: tuple[float, float] | None = None,
    transform: tuple[float, ...] | None = None,
    crs: str | None = UTM,
    dtype: str = "float64",
    units: str | None = None,
    scale: tuple[float, float] | None = None,
    tags: Mapping[str, str] | None = None,
    **profile: Any,
) -> Path:
    """Write heights as a raster; returns its path.

    The west-north corner is `corner`, else EAST and NORTH + rows * cell; `transform` overrides
    both. `scale` is (factor, offset) by which a reader turns the numbers into heights.
    """
    bands = z if z.ndim == 3 else z[None]
    count, rows, columns = bands.shape
    if transform is None:
        west, north = corner or (EAST, NORTH + rows * cell)
        transform = (cell, 0.0, west, 0.0, -cell, north)
    whole = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": count,
        "dtype": dtype,
        "crs": crs,
        "transform": rasterio.Affine(*transform),
        **profile,
    }
    with rasterio.open(path, "w", **whole) as dataset:
        dataset.write(bands.astype(dtype))
        if units is not None:
            dataset.units = [units] * count
        if scale is not None:
            dataset.scales, dataset.offsets = [scale[:1] * count, scale[1:] * count]
        if tags is not None:
            dataset.update_tags(**tags)
    return path


def write_lines(
    path: Path,
    geometries: Sequence[Any],
    properties: Sequence[Mapping[str, Any]] | None = None,
    *,
    layer: str | None = None,
    kind: str = "LineString",
    crs: str | None = UTM,
    driver: str = "GPKG",
    **options: Any,
) -> Path:
    """Write geometries, whole or as coordinates, with attributes as a layer; returns the path."""
    rows = properties if properties is not None else [{} for _ in geometries]
    types = {str: "str", int: "int", float: "float"}
    fields = {key: types[type(value)] for row in rows for key, value in row.items()}
    schema = {"geometry": kind, "properties": fields}
    named = {} if layer is None else {"layer": layer}
    with fiona.open(path, "w", driver=driver, crs=crs, schema=schema, **named, **options) as sink:
        for given, row in zip(geometries, rows, strict=True):
            geometry = given
            if not isinstance(given, Mapping):
                geometry = {"type": kind.removeprefix("3D "), "coordinates": _plain(given)}
            full = {key: row.get(key) for key in fields}
            sink.write({"type": "Feature", "geometry": geometry, "properties": full})
    return path


def _plain(coordinates: Any) -> Any:
    if isinstance(coordinates, np.ndarray):
        return coordinates.tolist()
    return [_plain(part) for part in coordinates] if isinstance(coordinates, list) else coordinates


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
    grid: Path, centreline: Path, name: str, z: np.ndarray, **profile: Any
) -> tuple[str, str]:
    """Write the heights of a `crowned_road` as a terrain, and its centreline."""
    along = line((2.0, 20.0), (0.5 * z.shape[1] - 2.0, 20.0))
    write_grid(grid, z, cell=0.5, dtype="float32", units="metre", **profile)
    write_lines(centreline, [along], [{"name": name}])
    return str(grid), str(centreline)
