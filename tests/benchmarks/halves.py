"""Does the tool agree with itself? Run on demand: `python -m tests.benchmarks.halves [...]`.

Two grids from two halves of one survey (points drawn at random, two strips, alternate cells) are
screened alike. No truth is needed, so it works on real terrain too. Over *all* pairs of station
sides that both halves decide to measure, z is the difference over its standard error; a flip is a
side that one half accuses (P ≥ 0.9) and the other acquits (P ≤ 0.1).
"""

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.settings import Settings
from analysis.road.read_roads import read_roads
from analysis.study.screening import screen
from analysis.terrain.grid import open_terrain
from sample_terrain.cells import frame_around
from sample_terrain.surveys import GRIDDINGS
from tests.benchmarks.surveyed import Survey, columns, gridded, screened, settings_for, spread
from tests.benchmarks.surveyed import surveyed as survey_road

SAME_M = 0.25
Stations = dict[str, NDArray]


def compare(one: Stations, two: Stations) -> dict[str, float]:
    """Compare two screenings of the same stations; z over all pairs and over equal breaks."""
    out: dict[str, float] = {}
    near = np.abs(one["edge_offset_m"] - two["edge_offset_m"]) <= SAME_M
    near &= np.abs(one["hinge_offset_m"] - two["hinge_offset_m"]) <= SAME_M
    for name, value in (("slope", "shoulder_slope_pct"), ("drop", "edge_drop_mm")):
        se = (name == "slope" and "shoulder_slope_se") or "edge_drop_se"
        z = (one[value] - two[value]) / np.hypot(one[se], two[se])
        known = np.isfinite(z)
        out[f"n {name}"] = int(known.sum())
        out[f"z {name}"] = spread(z[known])
        out[f"z {name}, same breaks"] = spread(z[known & near])
        beyond = int((np.abs(z[known]) > 3.0).sum())
        out[f"beyond 3 {name} %"] = 100.0 * beyond / max(int(known.sum()), 1)
        out[f"worst {name}"] = float(np.abs(z[known]).max(initial=0.0))
    p, q = one["p_wont_shed"], two["p_wont_shed"]
    sure = (np.maximum(p, q) >= 0.9) & (np.minimum(p, q) <= 0.1)
    out["flips"] = int(sure.sum())
    decided = (one["verdict"] != "can't tell") & (two["verdict"] != "can't tell")
    decided &= (one["verdict"] != "no data") & (two["verdict"] != "no data")
    out["both decide"] = int(decided.sum())
    out["verdicts differ"] = int((decided & (one["verdict"] != two["verdict"])).sum())
    return out


def point_halves(survey: Survey) -> tuple[Stations, Stations]:
    """Random halves of the points of a made survey, each gridded by itself."""
    spec, points = survey_road(survey)
    rng = np.random.default_rng([survey.seed, 11])
    first = rng.random(points.x.size) < 0.5
    scene = gridded(survey, spec, points)
    frame = frame_around([spec.axis()], 25.0 + 2 * survey.cell_m, survey.cell_m)
    one, two = (
        screened(
            GRIDDINGS[survey.gridding](points.part(half), frame),
            frame,
            scene.roads[0].xy,
            settings_for(survey),
        )
        for half in (first, ~first)
    )
    return one, two


def cell_halves(
    terrain_path: str, road_path: str, settings: Settings, folder: Path
) -> dict[str, tuple[Stations, Stations]]:
    """The black and the white squares of a real grid, each half by itself.

    Once with the other colour as no data; and once as a grid of its own that has none: squares of
    one colour are a grid as well, turned by 45° and of cells 1.41 times as large.
    """
    import rasterio

    with rasterio.open(terrain_path) as source:
        z, profile, units = source.read(1), source.profile, source.units
    colour = np.indices(z.shape).sum(axis=0) % 2

    def half(which: int, turned: bool) -> Stations:
        path = folder / f"{which}{turned}.tif"
        heights, transform = np.where(colour == which, z, -9999.0), profile["transform"]
        if turned:
            heights, transform = _turned_half(heights, colour == which, which, transform)
        rows, cols = heights.shape
        kept = {key: profile[key] for key in ("driver", "count", "dtype", "crs")}
        shape = {"height": rows, "width": cols, "transform": transform, "nodata": -9999.0}
        with rasterio.open(path, "w", **{**kept, **shape}) as out:
            out.write(heights.astype(z.dtype), 1)
            out.units = units
        grid = open_terrain(str(path))
        return columns(screen(grid, read_roads(road_path, grid), settings).findings.stations)

    return {
        name: (half(0, turned), half(1, turned))
        for name, turned in (("alternate cells", False), ("alternate cells, turned", True))
    }


def _turned_half(z: NDArray, chosen: NDArray, which: int, transform: Any) -> tuple[NDArray, Any]:
    """Heights of the `chosen` squares (rows, cols) in rows and columns along their diagonals."""
    from affine import Affine

    row, col = np.nonzero(chosen)
    # a square lies half their sum down the diagonals, and half their difference along
    down, along = (col + which + row) // 2, (col + which - row) // 2
    first = int(along.min())
    out = np.full((int(down.max()) + 1, int(along.max()) - first + 1), -9999.0)
    out[down, along - first] = z[chosen]
    # middles of squares, which lie half a square from their corners in both
    to_square = Affine(1.0, 1.0, first - which - 0.5, -1.0, 1.0, 0.5 - first)
    return out, transform * to_square


def _made(survey: Survey) -> tuple[str, dict[str, float]]:
    return survey.group, compare(*point_halves(survey))


def made_cases() -> list[Survey]:
    """Roads whose seeds nothing else uses."""
    out = []
    for k in range(4):
        out.append(Survey(seed=7100 + k, density=12.0, group="points 12 per m², 0.5 m cells"))
        out.append(
            Survey(
                seed=7200 + k,
                density=8.0,
                cell_m=1.0,
                width_m=2.0,
                group="points 8 per m², 1 m cells",
            )
        )
    return out


def main() -> None:
    """Print one line for each comparison."""
    import tempfile

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.halves")
    parser.add_argument("--real", nargs=2, action="append", metavar=("GRID", "CENTRELINE"))
    parser.add_argument("--pavement-width", type=float, default=7.0)
    parser.add_argument("--shoulder-width", type=float, default=1.5)
    parser.add_argument("--surface", default="gravel")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    if options.real:
        settings = Settings(
            pavement_width_m=options.pavement_width,
            shoulder_width_m=options.shoulder_width,
            surface=options.surface,
        )
        for grid, road in options.real:
            with tempfile.TemporaryDirectory() as folder:
                halves = cell_halves(grid, road, settings, Path(folder))
            for how, pair in halves.items():
                _show(f"{Path(grid).name}, {how}", [compare(*pair)])
        return
    os.environ["NUMBA_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(options.workers) as pool:
        found = list(pool.map(_made, made_cases()))
    for group in dict.fromkeys(name for name, _ in found):
        _show(group, [q for name, q in found if name == group])


def _show(name: str, found: list[dict[str, float]]) -> None:
    """Counts add up, z scores go together by their squares."""
    print(f"\n{name} ({len(found)} roads)")
    for key in found[0]:
        values = np.array([q[key] for q in found], dtype=float)
        if key.startswith("z "):
            weights = np.array([q[f"n {key.split()[1].strip(',')}"] for q in found], dtype=float)
            known = np.isfinite(values)
            value = (
                float(np.sqrt(np.average(values[known] ** 2, weights=weights[known])))
                if known.any()
                else np.nan
            )
        elif key.startswith(("worst", "beyond")):
            value = float(values.max())
        else:
            value = float(values.sum())
        print(f"  {key:<24} {value:8.2f}")


if __name__ == "__main__":
    main()
