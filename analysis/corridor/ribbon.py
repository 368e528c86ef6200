"""The ground along a road: native cells with road coordinates, and a road-aligned grid.

The grid is walked once, block by block. In each block a coarse lattice of corners finds
the cells that can be near the road and where along it; only these get road coordinates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import NoGroundError, SettingsError
from analysis.common.types import Progress
from analysis.corridor.height_unit import check_height_unit
from analysis.corridor.values import TILE, Cells, Ribbon, Unread
from analysis.road.roadline import SEED_STEP_M, Frames, Road, Tracker
from analysis.terrain.grid import Terrain, Window, reading

if TYPE_CHECKING:
    from analysis.corridor.ribbon_kernels import Block

__all__ = ["FINEST_STEP_M", "footprint", "height_step", "no_heights", "none_read", "read_corridor"]


FINEST_STEP_M = 0.25
"""Ribbons aren't finer than this, whatever the grid."""

UNREAD_EVERY_M = 2.0
"""Places that can't be read are kept so far apart, or at every cell."""

_BLOCK = 512
# sections closer than this share of their spacing on the line have as good as met
_LEAST_SPREAD = 0.05
# below this share a point near the road may have a foot at several stations
_CROWDED_SPREAD = 0.5


def read_corridor(
    terrain: Terrain,
    road: Road,
    half_width_m: float,
    *,
    step_s_m: float | None = None,
    step_o_m: float | None = None,
    s_range: tuple[float, float] | None = None,
    tracker: Tracker | None = None,
    unread: list[Unread] | None = None,
    progress: Progress | None = None,
) -> tuple[Cells, Ribbon]:
    """Read the ground along a road, as native cells and as a road-aligned grid.

    Each cell goes to the nearest part of the road; memory is about 32 bytes per cell plus 8
    per ribbon point. Give `s_range` to walk a very long road in pieces.

    Parameters
    ----------
    terrain : Terrain
    road : Road
    half_width_m : float
        Largest distance from the line, metres.
    step_s_m, step_o_m : float, optional
        Steps of the ribbon; default the cell size, not finer than 0.25 m.
    s_range : (float, float), optional
        Part of the road, as distances; default all of it.
    tracker : Tracker, optional
        Of the road, where there is one already.
    unread : list, optional
        Takes what lies in files that can't be read, and the rest is read all the same; without it,
        such a file is an error.
    progress : callable, optional
        Called between blocks with a fraction and a few words; may raise `Cancelled`.

    Returns
    -------
    Cells, Ribbon

    Raises
    ------
    SettingsError
        Width, step or range that makes no corridor.
    TerrainError
        No height anywhere near the road, the file can't be read, or heights in another
        unit than they were read in (`check_height_unit`).
    """
    fine = max(terrain.cell_m, FINEST_STEP_M)
    step_s = fine if step_s_m is None else step_s_m
    step_o = fine if step_o_m is None else step_o_m
    for name, value in (
        ("half width of the corridor", half_width_m),
        ("step along the road", step_s),
        ("step across the road", step_o),
    ):
        if not (math.isfinite(value) and value > 0):
            raise SettingsError(f"The {name} must be more than 0 m, not {value}.")
    start, end = (0.0, road.length_m) if s_range is None else s_range
    start, end = max(float(start), 0.0), min(float(end), road.length_m)
    if not end > start:
        raise SettingsError(
            f'The part of the road "{road.name}" to read has no length; give one between 0 and '
            f"{road.length_m:.0f} m."
        )
    tracker = Tracker(road) if tracker is None else tracker
    corridor = _Corridor(terrain, tracker, half_width_m, (step_s, step_o), (start, end), unread)
    cells, ribbon = corridor.read(progress)
    check_height_unit(terrain, road, ribbon, terrain.cell_m)
    return cells, ribbon


def no_heights(terrain: Terrain, road: Road, half_width_m: float) -> NoGroundError:
    """What is said of a road that lies in a gap of its grid."""
    return NoGroundError(
        f'The terrain grid {terrain.name} has no heights near the road "{road.name}" (within '
        f"{half_width_m:g} m); check that the road lies on the ground part of the grid."
    )


def footprint(terrain: Terrain, frames: Frames) -> NDArray[np.float64]:
    """Return the widths of one cell across the road.

    Seen along the section, a cell (a parallelogram, nearly always a square) is the
    convolution of two boxes, one per side of the cell.

    Parameters
    ----------
    terrain : Terrain
    frames : Frames
        Directions at n stations.

    Returns
    -------
    (n, 2) float64
        Widths in metres of the two boxes: for square cells of side c at an angle t to the
        section, ``c*|cos t|`` and ``c*|sin t|``.
    """
    a, b, _, d, e, _ = terrain.transform
    along_row = np.abs(a * frames.ty - d * frames.tx)
    along_col = np.abs(b * frames.ty - e * frames.tx)
    return np.column_stack([along_row, along_col])


def height_step(z: NDArray[np.float64]) -> float:
    """Return the step to which heights were rounded before they were written.

    Rounded heights carry an error of their own, evenly spread over one step, with a standard
    deviation of step/sqrt(12); the scatter about a plane doesn't show it where a whole patch
    was rounded alike.

    Parameters
    ----------
    z : (m,) array
        Heights such as `Cells.z`, metres.

    Returns
    -------
    float
        Step in metres; 0 where the heights are not on steps.
    """
    levels = np.unique(z[np.isfinite(z)])
    gaps = np.diff(levels)
    # heights held as 4-byte floats are off their step by a little
    rounding = np.spacing(np.float32(np.max(np.abs(levels), initial=1.0)))
    gaps = gaps[gaps > 4.0 * rounding]
    if len(gaps) < 3:
        return 0.0
    step = float(np.quantile(gaps, 0.1))
    off = np.abs(gaps / step - np.round(gaps / step)) * step
    if step < 16.0 * rounding or np.mean(off > max(4.0 * rounding, 0.02 * step)) > 0.01:
        return 0.0
    # many gaps of one step each pin it down better than one of them
    return float(gaps.sum() / np.round(gaps / step).sum())


def none_read(terrain: Terrain, road: str, names: Sequence[str]) -> NoGroundError:
    """What is said of a road all of whose ground lies in files that can't be read."""
    files = ", ".join(names)
    of = "" if names == [Path(terrain.path).name] else f" of {Path(terrain.path).name}"
    return NoGroundError(
        f'No height near the road "{road}" can be read: {files}{of} is damaged or gone; fetch it '
        "again."
    )


class _Corridor:
    """The walk over the blocks."""

    def __init__(
        self,
        terrain: Terrain,
        tracker: Tracker,
        half_width_m: float,
        steps: tuple[float, float],
        s_range: tuple[float, float],
        unread: list[Unread] | None = None,
    ) -> None:
        self.terrain = terrain
        self.unread = unread
        # files that can't be read, and cells of the window just read that they take along
        self.lost: list[tuple[str, NDArray[np.bool_]]] = []
        self.road = tracker.road
        self.half = half_width_m
        self.start, self.end = s_range
        self.step_s, self.step_o = steps
        self.tracker = tracker
        # stations count from the start of the road, so that pieces fit together
        first = math.ceil(self.start / self.step_s - 1e-9)
        last = math.floor(self.end / self.step_s + 1e-9)
        self.s = np.arange(first, last + 1, dtype=float) * self.step_s
        across = math.floor(half_width_m / self.step_o + 1e-9)
        self.o = np.arange(-across, across + 1, dtype=float) * self.step_o
        self.z = np.full((len(self.s), len(self.o)), np.nan)
        self.frames = self.tracker.frames(self.s)
        a, b = self.tracker.spread(self.s)
        self.crossed: NDArray[np.bool_] = a[:, None] - b[:, None] * self.o < _LEAST_SPREAD
        a, b = self.tracker.seed_spread
        crowded = a - np.abs(b) * self.half < _CROWDED_SPREAD
        self.crowded_before = np.concatenate([[0], np.cumsum(crowded)])
        self.found: list[tuple[NDArray[Any], ...]] = []
        ta, tb, _, td, te, _ = terrain.transform
        # size of a tile, corner to corner and a bit; how far feet in it may lie off its corners'
        self.tile_m = TILE * (math.hypot(ta, td) + math.hypot(tb, te))
        self.slack = self.tile_m / 2.0 + 2.0 * SEED_STEP_M

    def read(self, progress: Progress | None) -> tuple[Cells, Ribbon]:
        blocks = self._blocks()
        tell = None if self.unread is None else self._lose
        with reading(self.terrain, tell) as window:
            for i, (row0, col0) in enumerate(blocks):
                if progress is not None:
                    progress(i / len(blocks), "reading the ground")
                self._block(window, row0, col0)
        if progress is not None:
            progress(1.0, "reading the ground")
        if not self.found and self.unread:
            names = dict.fromkeys(name for part in self.unread for name in part.names)
            raise none_read(self.terrain, self.road.name, list(names))
        if not self.found:
            raise no_heights(self.terrain, self.road, self.half)
        # column by column, so that a long road isn't held twice over
        columns = [list(part) for part in zip(*self.found, strict=True)]
        self.found.clear()
        order = np.argsort(np.concatenate(columns[0]), kind="stable")
        # joined one after the other, so that no more than one is held twice
        s, o, z, row, col = (np.concatenate(columns.pop(0))[order] for _ in range(5))
        cells = Cells(s, o, z, row, col, self.terrain.cell_m)
        return cells, Ribbon(self.s, self.o, self.z, self.step_s, self.step_o)

    def _blocks(self) -> list[tuple[int, int]]:
        """Return first row and column of every block the corridor can touch, in road order."""
        terrain = self.terrain
        a, b, _, d, e, _ = terrain.transform
        area = abs(a * e - b * d)
        reach = self.half + self.step_s + 1.0
        # distance between neighbouring rows is area over length of a step along the row
        rows = reach * math.hypot(a, d) / area + 1
        cols = reach * math.hypot(b, e) / area + 1
        step = max(min(_BLOCK / 4 * terrain.cell_m, self.half), 1.0)
        count = max(math.ceil((self.end - self.start) / step), 1) + 1
        s = np.linspace(self.start, self.end, count)
        line = self.tracker.frames(s)
        row, col = terrain.to_grid(line.x, line.y)
        rows += step / 2 * math.hypot(a, d) / area
        cols += step / 2 * math.hypot(b, e) / area
        first_r = np.maximum(np.floor((row - rows) / _BLOCK), 0).astype(int)
        last_r = np.minimum(np.floor((row + rows) / _BLOCK), (terrain.rows - 1) // _BLOCK)
        first_c = np.maximum(np.floor((col - cols) / _BLOCK), 0).astype(int)
        last_c = np.minimum(np.floor((col + cols) / _BLOCK), (terrain.cols - 1) // _BLOCK)
        seen: dict[tuple[int, int], None] = {}
        for r0, r1, c0, c1 in zip(
            first_r, last_r.astype(int), first_c, last_c.astype(int), strict=True
        ):
            for r in range(r0, r1 + 1):
                for c in range(c0, c1 + 1):
                    seen[(r * _BLOCK, c * _BLOCK)] = None
        return list(seen)

    def _block(self, window: Window, row0: int, col0: int) -> None:
        terrain = self.terrain
        rows = min(_BLOCK, terrain.rows - row0)
        cols = min(_BLOCK, terrain.cols - col0)
        near, low, high = self._tiles(row0, col0, rows, cols)
        if not near.any():
            return
        # one cell of halo on each side, for bilinear points between blocks
        z = window(row0 - 1, row0 + rows + 1, col0 - 1, col0 + cols + 1)
        unsure = near & (high - low > self.tile_m + 2.0 * SEED_STEP_M)
        seeds = self.tracker.seed_s
        first = np.searchsorted(seeds, low - self.slack)
        last = np.searchsorted(seeds, high + self.slack)
        unsure |= near & (self.crowded_before[last] > self.crowded_before[first])
        from analysis.corridor.ribbon_kernels import Block

        block = Block(z, row0, col0, terrain.transform, near, unsure, low, high)
        self._take_cells(block)
        self._take_lost(row0, col0, near)
        self._take_ribbon(block)

    def _tiles(
        self, row0: int, col0: int, rows: int, cols: int
    ) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
        """Return which tiles are near the road, and the range of distances along it there."""
        r = np.arange(math.ceil(rows / TILE) + 1) * TILE + row0 - 0.5
        c = np.arange(math.ceil(cols / TILE) + 1) * TILE + col0 - 0.5
        x, y = self.terrain.to_plane(r[:, None], c[None, :])
        away, nearest = self.tracker.seeds.query(
            np.column_stack([x.ravel(), y.ravel()]),
            distance_upper_bound=self.half + self.tile_m + SEED_STEP_M,
        )
        away = np.reshape(away, x.shape)
        s = np.append(self.tracker.seed_s, np.nan)[nearest].reshape(x.shape)
        corners = [s[:-1, :-1], s[1:, :-1], s[:-1, 1:], s[1:, 1:]]
        least = np.minimum(
            np.minimum(away[:-1, :-1], away[1:, :-1]), np.minimum(away[:-1, 1:], away[1:, 1:])
        )
        near = least <= self.half + self.tile_m / 2.0 + SEED_STEP_M
        low = np.fmin(np.fmin(corners[0], corners[1]), np.fmin(corners[2], corners[3]))
        high = np.fmax(np.fmax(corners[0], corners[1]), np.fmax(corners[2], corners[3]))
        return near, low, high

    def _take_cells(self, block: Block) -> None:
        from analysis.corridor.ribbon_kernels import Listed, list_cells

        most = int(block.near.sum()) * TILE**2
        row, col = np.empty(most, dtype=np.int32), np.empty(most, dtype=np.int32)
        height, x, y, seed = np.empty((4, most))
        listed = Listed(row, col, height, x, y, seed, np.empty(most, dtype=bool))
        count = list_cells(block, listed)
        row, col, height, x, y, seed, ask = (column[:count] for column in listed)
        if ask.any():
            seed[ask] = self.tracker.seed(x[ask], y[ask])
        s, o = self.tracker.to_road(x, y, seed=seed)
        keep = np.abs(o) <= self.half
        keep &= (s >= self.start) & ((s < self.end) | (s <= self.road.length_m) & (s <= self.end))
        if keep.any():
            self.found.append((s[keep], o[keep], height[keep], row[keep], col[keep]))

    def _lose(self, name: str, cells: NDArray[np.bool_]) -> None:
        self.lost.append((name, cells))

    def _take_lost(self, row0: int, col0: int, near: NDArray[np.bool_]) -> None:
        """Note where what can't be read lies along the road."""
        wide = np.repeat(np.repeat(near, TILE, axis=0), TILE, axis=1)
        every = max(1, round(UNREAD_EVERY_M / self.terrain.cell_m))
        for name, cells in self.lost:
            rows, cols = (size - 2 for size in cells.shape)
            lost = (cells[1:-1, 1:-1] & wide[:rows, :cols])[::every, ::every]
            row, col = np.nonzero(lost)
            s, o = self.tracker.to_road(
                *self.terrain.to_plane(every * row + row0, every * col + col0)
            )
            keep = (np.abs(o) <= self.half) & (s >= self.start) & (s <= self.end)
            if keep.any() and self.unread is not None:
                first = np.zeros(int(keep.sum()), dtype=np.int64)
                self.unread.append(Unread(s[keep], o[keep], first, (name,)))
        self.lost.clear()

    def _take_ribbon(self, block: Block) -> None:
        from analysis.corridor.ribbon_kernels import Points, fill_points, fill_ribbon

        margin = 2.0 * self.tile_m + self.step_s
        mark = np.zeros(len(self.s) + 1, dtype=np.int32)
        first = np.searchsorted(self.s, block.low[block.near] - margin)
        last = np.searchsorted(self.s, block.high[block.near] + margin)
        np.add.at(mark, first, 1)
        np.add.at(mark, last, -1)
        station = np.flatnonzero(np.cumsum(mark[:-1]) > 0)
        f = self.frames
        points = Points(self.s, f.x, f.y, f.tx, f.ty, self.o, self.crossed, self.z)
        asked = np.empty((len(station) * len(self.o), 2), dtype=np.int64)
        asked = asked[: fill_ribbon(block, points, station, self.slack, asked)]
        if not len(asked):
            return
        i, k = asked.T
        x, y = f.x[i] + f.ty[i] * self.o[k], f.y[i] - f.tx[i] * self.o[k]
        foot, _ = self.tracker.to_road(x, y)
        own = ~(np.abs(foot - self.s[i]) > 1e-3)
        fill_points(block, points, asked[own], x[own], y[own])
