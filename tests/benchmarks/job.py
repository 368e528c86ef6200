"""Time the whole job on the sample, stage by stage, and judging again under other limits.

Run on demand: ``python -m tests.benchmarks.job``. The first screening compiles kernels where no
cached ones are found, so it is timed apart.
"""

import cProfile
import pstats
import sys
import time
from dataclasses import replace

from analysis import alignment, inputs, screening, terrain


def main(*, profiled: bool) -> None:
    """Print seconds for each stage."""
    grid_path, road_path = inputs.sample_files()
    started = time.perf_counter()
    grid = terrain.open_terrain(grid_path)
    roads = alignment.read_roads(road_path, grid)
    print(f"open grid and roads        {time.perf_counter() - started:7.3f} s")
    for words in ("first screening", "second screening"):
        started = time.perf_counter()
        study = screening.screen(grid, roads)
        print(f"{words:<26} {time.perf_counter() - started:7.3f} s")
    stages = []
    last = [time.perf_counter(), "start"]

    def note(_share: float, words: str) -> None:
        stages.append((last[1], time.perf_counter() - last[0]))
        last[:] = [time.perf_counter(), words]

    screening.screen(grid, roads[:1], progress=note)
    for name in dict.fromkeys(name for name, _ in stages):
        print(f"  {name:<40} {sum(t for n, t in stages if n == name):7.3f} s")

    per_study = sum(len(part.s) for part in study.roads)
    times = -(-10_000 // per_study)
    large = replace(study, roads=study.roads * times)
    limits = study.limits.with_value("rut_mm", 25.0)
    started = time.perf_counter()
    screening.rejudge(study, limits)
    print(f"judge {per_study} stations again     {time.perf_counter() - started:7.3f} s")
    profile = cProfile.Profile()
    started = time.perf_counter()
    if profiled:
        profile.runcall(screening.rejudge, large, limits)
    else:
        screening.rejudge(large, limits)
    print(f"judge {per_study * times} stations again   {time.perf_counter() - started:7.3f} s")
    if profiled:
        pstats.Stats(profile).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main(profiled="--profile" in sys.argv)
