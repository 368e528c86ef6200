"""Plain scenes with one question each: a straight road, and the same thing over 300 m.

Everything is plain geometry, straight lines across and nothing of the sample's own surface:
pavement, shoulder, foreslope and ditch as given, read as the mean over each cell or at its centre,
with white noise.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis import Extras, Limits, Settings, Study, open_terrain, screen
from analysis.common.sides import SIDE_SIGN
from analysis.common.types import Floats
from analysis.road.roadline import make_road

__all__ = ["Scene", "Side", "middle", "screened", "write_scene"]

TURN_DEG = 8.0
"""The road's angle with the rows of the grid: no break runs along a row of cells."""

LEVEL_M, HALF_M, SUBCELLS = 100.0, 20.0, 5


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the road; slopes in percent that fall outward, lengths in metres.

    `step` (positive up) stands at the pavement's edge and `slope` is the shoulder's, between
    `begin` and `end` along the road; before and behind the shoulder is flush at `usual_slope`.
    `step` may also be a function of the distance along the road. The ground beyond the hinge falls
    1 in `foreslope` to a ditch that lies `ditch` below the edge, and rises again 1 in 3 behind it;
    with `ditch` 0 it goes on at the shoulder's slope. `shape` gives what the stretch's shoulder has
    over its plane, a rut or a ridge, at distances beyond the edge.
    """

    pavement: float = 2.0
    slope: float = 4.6
    usual_slope: float = 4.6
    step: float | Callable[[Floats], Floats] = 0.0
    width: float = 1.5
    foreslope: float = 4.0
    ditch: float = 0.6
    shape: Callable[[Floats], Floats] | None = None

    def heights(self, s: Floats, u: Floats, here: Floats) -> Floats:
        """Heights above the crown at distances along and outward; `here` 0..1 is how fully."""
        step = self.step(s) if callable(self.step) else self.step
        edge = -0.01 * self.pavement * EDGE_M
        slope = self.usual_slope + here * (self.slope - self.usual_slope)
        out = u - EDGE_M
        shoulder = edge + here * step - 0.01 * slope * np.minimum(out, self.width)
        beyond = np.maximum(out - self.width, 0.0)
        if self.ditch:
            run = (shoulder - (edge - self.ditch)) * self.foreslope
            shoulder = shoulder - np.minimum(beyond, run) / self.foreslope
            shoulder = shoulder + np.maximum(beyond - run - 0.4, 0.0) / 3.0
        else:
            shoulder = shoulder - 0.01 * slope * beyond
        if self.shape is not None:
            shoulder = shoulder + here * np.where(out < self.width, self.shape(out), 0.0)
        return np.where(out < 0.0, -0.01 * self.pavement * u, shoulder)


EDGE_M = 3.5
"""From the crown to the pavement's edge."""


@dataclass(frozen=True, slots=True)
class Scene:
    """A straight road of 420 m, as its two sides and the way it was surveyed.

    What a side asks for holds from `begin_m` to `end_m`, with tapers of `taper_m` inside.
    """

    left: Side = Side()
    right: Side = Side()
    begin_m: float = 60.0
    end_m: float = 360.0
    taper_m: float = 0.0
    length_m: float = 420.0
    grade: float = 0.01
    cell_m: float = 0.5
    sigma_m: float = 0.02
    cells: Literal["mean", "centre"] = "mean"
    seed: int = 7

    @classmethod
    def both(cls, side: Side, **options: object) -> Scene:
        """The same on both sides."""
        return replace(cls(left=side, right=side), **options)  # type: ignore[arg-type]

    def ground(self, s: Floats, o: Floats) -> Floats:
        """Heights at distances along the road and offsets, right positive."""
        taper = max(self.taper_m, 1e-6)
        here = np.minimum((s - self.begin_m) / taper, (self.end_m - s) / taper)
        here = np.clip(here, 0.0, 1.0)
        left, right = (
            side.heights(s, sign * o, here)
            for sign, side in zip(SIDE_SIGN, (self.left, self.right), strict=True)
        )
        return np.asarray(LEVEL_M + self.grade * s + np.where(o < 0.0, left, right))


def write_scene(scene: Scene, folder: Path) -> tuple[Path, Floats]:
    """Write the grid of a scene as a GeoTIFF; return its path and the centreline (2, 2)."""
    import rasterio
    from rasterio.transform import from_origin

    turn = np.deg2rad(TURN_DEG)
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([along[1], -along[0]])
    start = np.array([5_000.0, 5_000.0])
    corners = [start + a * along + b * across for a in (0.0, scene.length_m) for b in (-25.0, 25.0)]
    west, south = np.floor(np.min(corners, axis=0))
    east, north = np.ceil(np.max(corners, axis=0))
    cell = scene.cell_m
    cols, rows = round((east - west) / cell), round((north - south) / cell)
    n = SUBCELLS if scene.cells == "mean" else 1
    total = np.zeros((rows, cols))
    for i in range(n):
        for j in range(n):
            x = west + (np.arange(cols) + (i + 0.5) / n) * cell - start[0]
            y = north - (np.arange(rows) + (j + 0.5) / n) * cell - start[1]
            s = x[None, :] * along[0] + y[:, None] * along[1]
            o = x[None, :] * across[0] + y[:, None] * across[1]
            total += np.where(np.abs(o) <= HALF_M, scene.ground(s, o), np.nan)
    z = total / n**2
    z += scene.sigma_m * np.random.default_rng(scene.seed).standard_normal(z.shape)
    path = folder / "scene.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float64",
        crs="EPSG:32633", transform=from_origin(west, north, cell, cell), nodata=np.nan,
    ) as file:  # fmt: skip
        file.write(z, 1)
        file.units = ("metre",)
    return path, np.array([start, start + scene.length_m * along])


@lru_cache(maxsize=64)
def screened(
    scene: Scene,
    settings: Settings = Settings(half_width_m=14.0),  # noqa: B008 - frozen
    limits: Limits | None = None,
    kerbs: Literal["none", "unknown"] = "unknown",
) -> Study:
    """Screen a scene; kept, as several tests ask of the same one."""
    with tempfile.TemporaryDirectory() as folder:
        path, line = write_scene(scene, Path(folder))
        grid = open_terrain(str(path))
        extras = Extras(kerbs=() if kerbs == "none" else None)
        return screen(grid, [make_road("Plain Road", line)], settings, limits, extras=extras)


def middle(
    study: Study, name: str, low: float = 80.0, high: float = 340.0, sides: Sequence[str] = ()
) -> NDArray[np.generic]:
    """A column of the stations well within the stretch, of both sides unless named."""
    table = study.findings.stations
    here = (table["station_m"] >= low) & (table["station_m"] <= high)
    if sides:
        here &= np.isin(table["side"], sides)
    return np.asarray(table[name][here])
