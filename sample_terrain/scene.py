"""A whole invented scene: terrain grid, handed-out centrelines and the truth about them."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_terrain.axis import Axis
from sample_terrain.cells import Frame, cell_means, correlated_noise, frame_around, spoil
from sample_terrain.spec import Spec, build_surface
from sample_terrain.truth import Truth, tell_truth

__all__ = ["CRS", "Scene", "SceneRoad", "make_scene", "wander", "write_roads", "write_terrain"]

CRS = "EPSG:32628"
"""UTM zone 28 north; the valley would lie in open ocean, so it can be taken for no real place."""

NODATA = -9999.0


@dataclass(frozen=True, slots=True)
class SceneRoad:
    """One road of a scene.

    Attributes
    ----------
    name : str
    xy : (m, 2) array
        The handed-out centreline, off by up to the stated error.
    spec : Spec
    axis : Axis
    """

    name: str
    xy: NDArray
    spec: Spec
    axis: Axis

    @property
    def length_m(self) -> float:
        """Length of the handed-out centreline."""
        return float(np.hypot(*np.diff(self.xy, axis=0).T).sum())

    def truth(self, s: NDArray, *, average_m: float = 20.0) -> Truth:
        """Return the truth at stations `s` along the handed-out centreline."""
        return tell_truth(self.spec, self.axis, self.xy, np.asarray(s, float), average_m=average_m)


@dataclass(frozen=True, slots=True)
class Scene:
    """Terrain grid (rows, cols) in metres with NaN holes, its place, and its roads."""

    z: NDArray
    frame: Frame
    roads: tuple[SceneRoad, ...]
    crs: str = CRS

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Affine coefficients (a, b, c, d, e, f) of the upper left cell corners."""
        return self.frame.transform


def wander(spec: Spec, axis: Axis, error_m: float, rng: np.random.Generator) -> NDArray:
    """Return a digitised centreline (m, 2) that leaves the true axis by up to `error_m`.

    The error is a sum of slow waves (150 to 600 m); vertices lie 10 to 30 m apart, closer in
    tight curves so that chords add no more than about 0.1 m.
    """
    begin, end = spec.lead_m, axis.length_m - spec.lead_m
    at = [begin]
    while at[-1] < end - 10.0:
        bend = abs(float(np.interp(at[-1], axis.s, axis.curvature))) + 1e-9
        most = min(30.0, max(10.0, np.sqrt(0.8 / bend)))
        at.append(at[-1] + rng.uniform(10.0, most))
    at[-1] = end
    s = np.array(at)
    fine = np.arange(begin, end, 1.0)
    waves = rng.uniform(150.0, 600.0, 4)
    phases = rng.uniform(0.0, 2 * np.pi, 4)
    sizes = rng.uniform(0.4, 1.0, 4)

    def shape(q: NDArray) -> NDArray:
        return (sizes * np.sin(2 * np.pi * q[:, None] / waves + phases)).sum(axis=1)

    top = np.abs(shape(fine)).max(initial=1e-9)
    x, y = axis.to_map(s, error_m * shape(s) / top)
    return np.column_stack([x, y])


def make_scene(
    spec: Spec,
    *,
    cell_m: float = 0.5,
    sigma_m: float = 0.02,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
    correlation_kind: str = "exponential",
    centreline_error_m: float = 1.5,
    half_width_m: float = 25.0,
    subcells: int | None = None,
    seed: int = 0,
) -> Scene:
    """Make the terrain grid of one road.

    Parameters
    ----------
    spec : Spec
    cell_m : float
        Cell size.
    sigma_m, correlation_m, nugget, correlation_kind
        Vertical noise, see `sample_terrain.cells.correlated_noise`.
    centreline_error_m : float
        How far the handed-out centreline wanders from the true axis.
    half_width_m : float
        Cells farther from the axis are NaN.
    subcells : int, optional
        Sub-cells along each side of a cell for its area mean.
    seed : int

    Returns
    -------
    Scene
    """
    rng = np.random.default_rng(seed)
    axis = spec.axis()
    frame = frame_around([axis], half_width_m + 2 * cell_m, cell_m)
    surface = build_surface(spec)
    z, s, o = cell_means(axis, surface, frame, half_width_m=half_width_m, subcells=subcells)
    spoil(z, s, o, spec, axis, frame)
    z += correlated_noise(
        z.shape,
        cell_m,
        rng,
        sigma_m=sigma_m,
        correlation_m=correlation_m,
        nugget=nugget,
        kind=correlation_kind,
    )
    xy = wander(spec, axis, centreline_error_m, rng)
    road = SceneRoad(spec.name, xy, spec, axis)
    return Scene(z, frame, (road,))


def write_terrain(scene: Scene, path: str | Path, *, compress: bool = True) -> None:
    """Write the grid of a scene as a GeoTIFF of 32-bit floats, holes as nodata."""
    import rasterio
    from rasterio.transform import Affine

    options = (
        {"compress": "deflate", "predictor": 3, "zlevel": 9, "tiled": True} if compress else {}
    )
    z = np.where(np.isfinite(scene.z), scene.z, NODATA).astype(np.float32)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=z.shape[1],
        height=z.shape[0],
        count=1,
        dtype="float32",
        crs=scene.crs,
        transform=Affine(*scene.transform),
        nodata=NODATA,
        **options,
    ) as file:
        file.write(z, 1)
        file.units = ("metre",)


def write_roads(scene: Scene, path: str | Path) -> None:
    """Write the handed-out centrelines of a scene as a GeoPackage layer `roads`."""
    import fiona

    schema = {"geometry": "LineString", "properties": {"name": "str"}}
    # a fixed date of change, so that the same scene gives the same file
    with (
        fiona.Env(OGR_CURRENT_DATE="2024-01-01T00:00:00.000Z"),
        fiona.open(path, "w", driver="GPKG", layer="roads", schema=schema, crs=scene.crs) as out,
    ):
        for road in scene.roads:
            out.write(
                {
                    "geometry": {"type": "LineString", "coordinates": road.xy.tolist()},
                    "properties": {"name": road.name},
                }
            )
