"""Time the screening of one long road: growth, memory, workers, and ratios to what it can't beat.

Run on demand: ``python -m tests.benchmarks.speed [km ...] [--old FOLDER] [--workers N]``. Lengths
are 1 to 300 km (default 2 5 10). Each run is a process of its own, all in one go, so that their
ratios hold on a busy machine too as far as seconds of the processor go. ``--old`` names a copy of
this project at another state, whose `screen` is timed on the same road.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.benchmarks.long_road import centreline, write_long_road

__all__ = ["main"]

HOME = Path(__file__).parents[2]
START_KM = 0.5
"""A road so short that its workers do little but start."""

RUNS_IN = Path(tempfile.gettempdir()) / "vergeline_speed"

OLD = """
import json, resource, sys, time
import numpy as np
xy = np.load(sys.argv[2])
try:
    from analysis import open_terrain, screen
    from analysis.road.roadline import make_road
except ImportError:
    from analysis.roadline import make_road
    from analysis.screening import screen
    from analysis.terrain import open_terrain
grid = open_terrain(sys.argv[1])
screen(grid, [make_road("first", xy[:16])])
wall, cpu = time.perf_counter(), time.process_time()
screen(grid, [make_road("long", xy)])
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
print(json.dumps([time.perf_counter() - wall, time.process_time() - cpu, peak]))
"""


def line(km: float) -> np.ndarray:
    """The handed-out line: it swings about the road by up to 0.8 m."""
    xy = centreline(1000.0 * km - 100.0, 50.0)
    xy[:, 1] += 0.8 * np.sin(np.arange(len(xy)) / 3.0)
    return xy


def timed(what: Callable[[], object]) -> list[float]:
    """Seconds, seconds of the processor (children too), and peak memory in MB."""
    before = _cpu()
    wall = time.perf_counter()
    what()
    peak = max(resource.getrusage(who).ru_maxrss for who in _WHO) / 1024.0
    return [time.perf_counter() - wall, _cpu() - before, peak]


_WHO = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)


def _cpu() -> float:
    return sum(sum(resource.getrusage(who)[:2]) for who in _WHO)


def network(km: float, workers: int) -> list[float]:
    """One road through the engine: by so many workers, or by this process alone (0)."""
    from multiprocessing import forkserver

    from analysis import open_terrain, screen
    from analysis.network.crews import own_crew, process_crew
    from analysis.network.engine import screen_network
    from analysis.road.roadline import make_road

    grid = open_terrain(terrain(km))
    screen(grid, [make_road("first", line(km)[:16])])
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.gpkg"

        def job() -> None:
            crew = process_crew(workers) if workers else own_crew
            screen_network(grid, [make_road("long", line(km))], out, crew=crew)
            # what its workers used counts once it has ended
            forkserver._forkserver._stop()

        return timed(job)


def references(km: float) -> dict[str, list[float]]:
    """The bare read of the corridor's blocks, and heights at its points by two libraries."""
    import rasterio
    from scipy.ndimage import map_coordinates

    from analysis import open_terrain
    from analysis.corridor.ribbon import _BLOCK, _Corridor
    from analysis.road.roadline import Tracker, make_road
    from analysis.terrain.grid import reading

    grid, road = open_terrain(terrain(km)), make_road("long", line(km))
    corridor = _Corridor(grid, Tracker(road), 16.0, (0.5, 0.5), (0.0, road.length_m))
    blocks = corridor._blocks()

    def bare() -> None:
        with reading(grid) as window:
            for row, col in blocks:
                window(row, row + _BLOCK, col, col + _BLOCK)

    frames, o = corridor.frames, corridor.o
    x = (frames.x[:, None] + frames.ty[:, None] * o).ravel()
    y = (frames.y[:, None] - frames.tx[:, None] * o).ravel()

    def sampled() -> None:
        with rasterio.open(grid.path) as source:
            for _ in source.sample(zip(x, y, strict=True)):
                pass

    def interpolated() -> None:
        with rasterio.open(grid.path) as source:
            z = source.read(1)
        map_coordinates(z, grid.to_grid(x, y), order=1)

    work = {"bare read": bare, "map_coordinates": interpolated, "rasterio.sample": sampled}
    return {name: timed(what) for name, what in work.items()}


def stages(km: float) -> dict[str, float]:
    """Seconds of each stage, by what is reported."""
    from analysis import open_terrain, screen
    from analysis.road.roadline import make_road

    grid, spent = open_terrain(terrain(km)), {}
    screen(grid, [make_road("first", line(km)[:16])])
    last = [time.perf_counter(), "start"]

    def note(_share: float, words: str, _road: str) -> None:
        now = time.perf_counter()
        spent[last[1]] = spent.get(last[1], 0.0) + now - last[0]
        last[:] = [now, words]

    screen(grid, [make_road("long", line(km))], progress=note)
    return spent


def terrain(km: float) -> str:
    """Path of the grid, made where it isn't there."""
    RUNS_IN.mkdir(exist_ok=True)
    return str(write_long_road(RUNS_IN / f"long_{km:g}.tif", 1000.0 * km))


def old(km: float, folder: str) -> list[float]:
    """`screen` of another state of the project."""
    place = RUNS_IN / "line.npy"
    np.save(place, line(km))
    environment = {**os.environ, "PYTHONPATH": folder}
    run = subprocess.run(
        [sys.executable, "-c", OLD, terrain(km), str(place)],
        cwd=folder, env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return [float(v) for v in json.loads(run.stdout.splitlines()[-1])]


def apart(*words: object) -> object:
    """Do one of the runs in a process of its own."""
    run = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.speed", "--run", *map(str, words)],
        cwd=HOME, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(run.stdout.splitlines()[-1])


def show(name: str, km: float, found: list[float]) -> None:
    """Print one run."""
    wall, cpu, peak = found
    print(
        f"{name:<24} {km:6g} km  {wall:8.2f} s  {cpu:8.2f} s of processor "
        f"({cpu / km:6.3f} per km)  {peak:6.0f} MB",
        flush=True,
    )


def compare_workers(km: float, workers: int, own: list[float]) -> None:
    """Print how much faster many workers are than one.

    A worker is one core: a process that computes with one thread. One process by itself computes
    with as many threads as there are cores, which no two workers of two cores can halve.
    """
    start = apart("network", START_KM, workers)
    show("workers of a short road", START_KM, start)
    few, many = (apart("network", km, count) for count in (1, workers))
    show("1 worker", km, few)
    show(f"{workers} workers", km, many)
    apart_from_start = (few[0] - start[0]) / max(many[0] - start[0], 1e-9)
    print(
        f"  {few[0] / many[0]:.2f} times as fast as one worker ({apart_from_start:.2f} once they "
        f"have started), {own[0] / many[0]:.2f} times as fast as one process with all cores"
    )


def main() -> None:
    """Print a table of all runs."""
    parser = argparse.ArgumentParser()
    parser.add_argument("km", nargs="*", type=float, default=[2.0, 5.0, 10.0])
    parser.add_argument("--old", default="")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--run", nargs="+", default=[])
    options = parser.parse_args()
    if options.run:
        name, km, *rest = options.run
        runs = {"network": network, "references": references, "stages": stages}
        print(json.dumps(runs[name](float(km), *(int(v) for v in rest))))
        return
    one = {}
    for km in options.km:
        one[km] = apart("network", km, 0)
        show("one process", km, one[km])
    if len(one) > 1:
        slope = np.polyfit(np.log(list(one)), np.log([v[1] for v in one.values()]), 1)[0]
        print(f"grows with the length to the power of {slope:.3f}")
    km = options.km[len(options.km) // 2]
    compare_workers(km, options.workers, one[km])
    for name, found in apart("references", km).items():
        show(name, km, found)
        print(f"  the screening takes {one[km][1] / found[1]:.0f} times as long")
    if options.old:
        found = old(km, options.old)
        show("the other state", km, found)
        print(f"  this one takes {one[km][1] / found[1]:.2f} of its processor time per km")
    spent = apart("stages", km)
    for name, seconds in sorted(spent.items(), key=lambda pair: -pair[1]):
        print(f"  {name:<40} {seconds:8.2f} s")


if __name__ == "__main__":
    main()
