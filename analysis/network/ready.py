"""Loads what a worker needs, in the process that workers are forked from.

Libraries take a second to load and compiled kernels another, which one process does for all
workers, and while the first one reads what there is to do. A short road that nobody asked for is
measured for it: that loads what measuring uses, and nothing else.
"""

from __future__ import annotations

import math
import os
import signal
import warnings
from contextlib import suppress

__all__ = ["ASKED", "load"]

ASKED = "VERGELINE_LOAD_AHEAD"
"""Set where that process begins: for anybody else this is a module like others."""

CELL_M, LENGTH_M, HALF_M = 0.5, 120.0, 20.0


def load() -> None:
    """Measure a short road on a grid in memory."""
    import numpy as np

    from analysis.common.limits import default_limits
    from analysis.common.settings import Settings
    from analysis.corridor.values import Extras
    from analysis.network.tasks import Common, Item, Task, work
    from analysis.road.roadline import make_road
    from analysis.study.pieces import Taught, pieces_of
    from analysis.terrain import geofiles
    from analysis.terrain.grid import open_terrain

    rasterio = geofiles.rasterio
    x, o = (np.arange(0.5 * CELL_M, reach, CELL_M) for reach in (LENGTH_M, 2.0 * HALF_M))
    u = np.abs(o - HALF_M)
    z = 50.0 - 0.02 * np.minimum(u, 3.5) - 0.05 * np.clip(u - 3.5, 0.0, 1.5)
    z = z - np.clip(u - 5.0, 0.0, 3.0) / 4.0 + np.maximum(u - 9.0, 0.0) / 3.0
    noise = np.random.default_rng(1).normal(0.0, 0.01, (len(o), len(x)))
    with rasterio.io.MemoryFile(filename="ready.tif") as memory:
        with memory.open(
            driver="GTiff", width=len(x), height=len(o), count=1, dtype="float32",
            crs="EPSG:32628", nodata=math.nan,
            transform=rasterio.transform.from_origin(0.0, 2.0 * HALF_M, CELL_M, CELL_M),
        ) as out:  # fmt: skip
            out.units = ["metre"]
            out.write((z[:, None] + noise).astype(np.float32), 1)
        road = make_road("ready", np.array([[5.0, HALF_M], [LENGTH_M - 5.0, HALF_M]]))
        settings = Settings()
        limits = default_limits(settings.surface)
        common = Common(open_terrain(memory.name), settings, limits, Extras())
        (piece,) = pieces_of(common.case(road))
        work(common, Task((Item(0, 0, piece, Taught()),), (road,)))


if os.environ.pop(ASKED, ""):
    # Ctrl-C reaches all processes of a terminal: the first one tells the others to stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # a worker that isn't ready loads what it lacks by itself
    with suppress(Exception), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        load()
