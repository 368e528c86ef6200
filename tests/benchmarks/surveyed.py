"""Roads surveyed and gridded as surveys are: scenes for `surveys` and `halves`."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.settings import Settings
from analysis.corridor.points import boxes_along
from analysis.corridor.values import Extras
from analysis.road.roadline import make_road
from analysis.study.screening import screen
from analysis.terrain.grid import open_terrain
from analysis.terrain.point_grid import grid_of
from analysis.terrain.points import open_points
from sample_terrain.cells import Frame, frame_around
from sample_terrain.point_files import write_points
from sample_terrain.roads import random_spec
from sample_terrain.scene import CRS, Scene, SceneRoad, wander, write_terrain
from sample_terrain.spec import Hole, Spec
from sample_terrain.surveys import (
    GRIDDINGS,
    Grass,
    Points,
    Strip,
    hit_ground,
    repeated,
    resampled,
    turned,
)

__all__ = ["Survey", "columns", "drawn", "gridded", "screened", "screened_points", "surveyed"]


@dataclass(frozen=True, slots=True)
class Survey:
    """One road and the way it was surveyed and gridded.

    `gridding` is a key of `GRIDDINGS`; `again` reads the grid once more: "", "bilinear twice",
    "repeated twice" or "turned 30°". `grass_share` of each shoulder is grown over; `holes` are
    bridged by the triangles; `strip_mm` is the step between two strips that meet over the road.
    With `itself` the points are screened as they are, not a grid of them.
    """

    kind: str = "ordinary"
    seed: int = 1
    cell_m: float = 0.5
    density: float = 8.0
    sideways_m: float = 0.08
    sigma_m: float = 0.02
    gridding: str = "triangles"
    again: str = ""
    grass_share: float = 0.0
    holes: bool = False
    strip_mm: float = 0.0
    error_m: float = 1.5
    width_m: float = 1.5
    length_m: float = 600.0
    defects: tuple[str, ...] | None = None
    group: str = ""
    itself: bool = False


def surveyed(survey: Survey) -> tuple[Spec, Points]:
    """Draw the road and hit it with points."""
    drawn: dict[str, Any] = {} if survey.defects is None else {"defects": survey.defects}
    spec = random_spec(
        survey.seed, survey.kind, length_m=survey.length_m, shoulder_width_m=survey.width_m, **drawn
    )
    if survey.holes:
        rng = np.random.default_rng([survey.seed, 5])
        at = np.arange(60.0, survey.length_m - 40.0, 90.0) + rng.uniform(-20.0, 20.0)
        side = rng.choice([-1.0, 1.0], at.size)
        spans = [sorted((k * 3.0, k * 7.0)) for k in side]
        spec = replace(
            spec,
            holes=tuple(
                Hole(float(a), float(a) + 12.0, low, high)
                for a, (low, high) in zip(at, spans, strict=True)
            ),
        )
    grass = (
        tuple(Grass(side, 0.0, spec.length_m, share=survey.grass_share) for side in (0, 1))
        if survey.grass_share
        else ()
    )
    strips: tuple[Strip, ...] = (Strip(),)
    if survey.strip_mm:
        at_o = float(np.random.default_rng([survey.seed, 6]).uniform(-4.5, 4.5))
        strips = (Strip(to_o_m=at_o), Strip(from_o_m=at_o, level_m=survey.strip_mm / 1000.0))
    points = hit_ground(
        spec,
        # strips side by side hardly overlap: each has the full density
        density_per_m2=survey.density * len(strips),
        sideways_m=survey.sideways_m,
        sigma_m=survey.sigma_m,
        strips=strips,
        grass=grass,
        seed=survey.seed,
    )
    return spec, points


def drawn(survey: Survey, spec: Spec) -> SceneRoad:
    """Return the road with its centreline as somebody drew it, where the axis lies."""
    axis = spec.axis()
    xy = wander(spec, axis, survey.error_m, np.random.default_rng([survey.seed, 8]))
    return SceneRoad(spec.name, xy, spec, axis)


def gridded(survey: Survey, spec: Spec, points: Points) -> Scene:
    """Make the grid and hand out a centreline; everything turned where the grid is turned."""
    road = drawn(survey, spec)
    frame = frame_around([road.axis], 25.0 + 2 * survey.cell_m, survey.cell_m)
    z = GRIDDINGS[survey.gridding](points, frame)
    if survey.again == "bilinear twice":
        z, frame = resampled(z, frame)
    elif survey.again == "repeated twice":
        z, frame = repeated(z, frame)
    elif survey.again:
        z, frame, move = turned(z, frame, road.axis)
        start = np.column_stack(move(road.xy[:, 0], road.xy[:, 1]))
        return Scene(z, frame, (replace(road, xy=start),))
    return Scene(z, frame, (road,))


def screened(z: NDArray, frame: Frame, xy: NDArray, settings: Settings) -> dict[str, NDArray]:
    """Screen one grid; the columns of the stations' table, see `columns`."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "terrain.tif"
        write_terrain(Scene(z, frame, (), CRS), path, compress=False)
        study = screen(open_terrain(str(path)), [make_road("Survey Lane", xy)], settings)
    return columns(study.findings.stations)


def screened_points(
    survey: Survey, points: Points, xy: NDArray, settings: Settings
) -> dict[str, NDArray]:
    """Screen the points themselves, as they come out of a file; columns as `screened` gives."""
    road = make_road("Survey Lane", xy)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "survey.las"
        write_points(points, path, crs=CRS)
        files = open_points([path], sideways_m=survey.sideways_m)
        grid = grid_of(files, boxes_along(road, settings.half_width_m))
        study = screen(grid, [road], settings, extras=Extras(points=files))
    return columns(study.findings.stations)


def columns(table: Any) -> dict[str, NDArray]:
    """Return the stations' columns as (n, 2) arrays, left then right."""
    side = np.asarray(table["side"], dtype=str)
    order = [np.flatnonzero(side == name) for name in ("left", "right")]
    names = (
        "station_m", "edge_offset_m", "hinge_offset_m", "shoulder_slope_pct", "shoulder_slope_se",
        "edge_drop_mm", "edge_drop_se", "pavement_slope_pct", "pavement_slope_se",
        "rut_mm", "rut_se", "p_wont_shed", "verdict", "finding", "reason",
    )  # fmt: skip
    return {
        name: np.column_stack([np.asarray(table[name])[rows] for rows in order]) for name in names
    }


def settings_for(survey: Survey, **changed: Any) -> Settings:
    """Return what a user would set for a road of the benchmark."""
    return Settings(shoulder_width_m=survey.width_m, **changed)


def spread(values: Sequence[float] | NDArray) -> float:
    """Root mean square about zero of z scores: 1 where the stated errors are honest."""
    z = np.asarray(values, dtype=float)
    z = z[np.isfinite(z)]
    return float(np.sqrt(np.mean(z**2))) if z.size else float("nan")
