"""A short screened road with some defects, made once for all tests that only look at it."""

import tempfile
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from analysis.common.settings import Settings
from analysis.common.verdicts import DEFECTS
from analysis.road.roadline import make_road
from analysis.study import screening
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain


@lru_cache(maxsize=1)
def small_study() -> screening.Study:
    """Screen 300 m of an invented road; its labels begin at 1+200 and fall."""
    scene = make_scene(random_spec(31, "ordinary", length_m=300.0), seed=5)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "grid.tif"
        write_terrain(scene, path, compress=False)
        grid = open_terrain(path)
        road = make_road("Thornwick Lane", scene.roads[0].xy)
        road = make_road(road.name, road.xy, measure=1200.0 - road.distance)
        return screening.screen(grid, [road], Settings(half_width_m=12.0))


def dropped_study(drop_mm: float) -> tuple[screening.Study, int]:
    """The small road with an edge drop all along its least urgent fault, and that reach's row."""
    study = small_study()
    part, rank = study.roads[0], study.findings.reaches["rank"]
    faulty = [k for k, reach in enumerate(part.reaches) if reach.finding in DEFECTS]
    row = max(faulty, key=lambda k: rank[k])
    reach, shoulder = part.reaches[row], part.measured.shoulder
    drop = shoulder.measures.edge_drop_mm.copy()
    here = slice(reach.i0, reach.i1 + 1), reach.side
    drop[here] = drop_mm
    # half of the ground lies as much lower: material is short there, and left over beside it
    half = slice(reach.i0, (reach.i0 + reach.i1) // 2), reach.side
    sections = shoulder.sections
    lower = {name: getattr(sections, name).copy() for name in ("height_m", "ground_m")}
    for heights in lower.values():
        heights[half] -= np.where(sections.u > 0.0, drop_mm / 1000.0, 0.0)
    shoulder = replace(
        shoulder,
        measures=replace(shoulder.measures, edge_drop_mm=drop),
        sections=replace(sections, **lower),
    )
    dropped = replace(part, measured=replace(part.measured, shoulder=shoulder))
    return replace(study, roads=(dropped,)), row
