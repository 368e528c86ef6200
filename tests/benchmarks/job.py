"""Time the whole job on the sample, stage by stage, and judging again under other limits.

Run on demand: ``python -m tests.benchmarks.job``. The first screening compiles kernels where no
cached ones are found, so it is timed apart.
"""

import cProfile
import pstats
import sys
import time
from dataclasses import replace

import numpy as np

from analysis.road.read_roads import read_roads
from analysis.study import inputs, judging, screening
from analysis.terrain.grid import open_terrain


def main(*, profiled: bool) -> None:
    """Print seconds for each stage."""
    grid_path, road_path = inputs.sample_files()
    started = time.perf_counter()
    grid = open_terrain(grid_path)
    roads = read_roads(road_path, grid)
    print(f"open grid and roads        {time.perf_counter() - started:7.3f} s")
    for words in ("first screening", "second screening"):
        started = time.perf_counter()
        study = screening.screen(grid, roads)
        print(f"{words:<26} {time.perf_counter() - started:7.3f} s")
    stages = []
    last = [time.perf_counter(), "start"]

    def note(_share: float, words: str, _road: str) -> None:
        stages.append((last[1], time.perf_counter() - last[0]))
        last[:] = [time.perf_counter(), words]

    screening.screen(grid, roads[:1], progress=note)
    for name in dict.fromkeys(name for name, _ in stages):
        print(f"  {name:<40} {sum(t for n, t in stages if n == name):7.3f} s")

    per_study = sum(len(part.s) for part in study.roads)
    times = -(-10_000 // per_study)
    large = replace(study, roads=study.roads * times)
    limits = study.limits.with_value("rut_mm", 25.0)
    ragged, short = _ragged(large), limits.with_value("shortest_reach_m", 5.0)
    for words, case, wanted in (
        ("the sample", study, limits),
        (f"{times} samples", large, limits),
        ("with ragged ground", ragged, limits),
        ("and short reaches", ragged, short),
    ):
        seconds = []
        for _ in range(5):
            started = time.perf_counter()
            again = judging.rejudge(case, wanted)
            seconds.append(time.perf_counter() - started)
        stations = sum(len(part.s) for part in case.roads)
        print(
            f"judge again, {words:<20} {stations:6} stations, {len(again.findings.reaches):5} "
            f"reaches: first {seconds[0]:6.3f} s, least of 5 {min(seconds):6.3f} s"
        )
    if profiled:
        profile = cProfile.Profile()
        profile.runcall(judging.rejudge, large, limits)
        pstats.Stats(profile).sort_stats("tottime").print_stats(25)


def _ragged(study: screening.Study) -> screening.Study:
    """The same study where neighbouring stations differ, so that reaches are many and short."""
    random = np.random.default_rng(3)
    parts = []
    for part in study.roads:
        held = part.measures
        shape = held.status.shape
        measures = replace(
            held,
            shoulder_slope_pct=held.shoulder_slope_pct + random.normal(0.0, 2.0, shape),
            edge_drop_mm=held.edge_drop_mm + random.normal(0.0, 25.0, shape),
            rut_mm=held.rut_mm + np.abs(random.normal(0.0, 12.0, shape)),
            shoulder_slope_se=np.minimum(held.shoulder_slope_se, 0.3),
            edge_drop_se=np.minimum(held.edge_drop_se, 4.0),
        )
        shoulder = replace(part.measured.shoulder, measures=measures)
        parts.append(replace(part, measured=replace(part.measured, shoulder=shoulder)))
    return replace(study, roads=tuple(parts))


if __name__ == "__main__":
    main(profiled="--profile" in sys.argv)
