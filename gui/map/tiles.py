"""Pictures of the terrain in tiles, read and shaded beside the window.

The map never asks for a whole file. It asks for the tiles under the view, at the thinning that the
zoom needs; each is read decimated from the file in a worker, shaded there, and kept in a cache that
throws out what was used longest ago once its memory limit is reached.
"""

from __future__ import annotations

import itertools
import math
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from cachetools import LRUCache
from numpy.typing import NDArray
from PySide6.QtCore import QObject, QRectF, Signal
from PySide6.QtGui import QImage

from analysis.common.errors import VergelineError
from gui.look import theme
from gui.state.runner import Progress, Runner

if TYPE_CHECKING:
    from analysis.road.roadline import Tracker
    from analysis.study.relief import Relief
    from analysis.terrain.grid import Terrain

__all__ = [
    "TILE",
    "Light",
    "ReliefTiles",
    "TerrainTiles",
    "Tile",
    "TileKey",
    "TilePlan",
    "TileStore",
    "image_of",
    "paint",
    "parent_of",
]

TILE = 384
# Pixels read beyond each edge, so that the shading of neighbours meets without a seam.
MARGIN = 2
PICTURE_BYTES = 128 * 2**20
HEIGHT_BYTES = 64 * 2**20
_store_numbers = itertools.count()

# Heights of a tile and the box that they fill: west, south, east, north in metres.
Heights = tuple[NDArray[Any], tuple[float, float, float, float]]


class TileKey(NamedTuple):
    """Thinning (2**level grid cells per pixel) and place in tiles from the north-west corner."""

    level: int
    col: int
    row: int


@dataclass(frozen=True, slots=True)
class Light:
    """How the terrain is drawn: where the light comes from, and the tint by elevation."""

    azimuth_deg: float = 315.0
    altitude_deg: float = 45.0
    exaggeration: float = 1.5
    tint: bool = True
    low_m: float = math.nan
    high_m: float = math.nan


@dataclass(slots=True)
class Tile:
    """One picture and where it lies: west, south, east, north in metres.

    `part` is the piece of the picture that fills these bounds, in pixels; around it are those read
    beyond the edges for the shading.
    """

    image: QImage
    bounds: tuple[float, float, float, float]
    part: QRectF


def _bytes_of(held: Tile | Heights | None) -> int:
    if held is None:
        return 64
    return int(held.image.sizeInBytes() if isinstance(held, Tile) else held[0].nbytes)


@dataclass(frozen=True, slots=True)
class TilePlan:
    """Which tiles a box of terrain has, at every thinning."""

    bounds: tuple[float, float, float, float]
    cell_m: float

    @property
    def top(self) -> int:
        """The level at which one tile holds everything."""
        west, south, east, north = self.bounds
        across = max(east - west, north - south) / self.cell_m
        return max(0, math.ceil(math.log2(max(across, 1.0) / TILE)))

    def tile_m(self, level: int) -> float:
        """Side of a tile in metres."""
        return TILE * self.cell_m * 2.0**level

    def level_for(self, pixel_m: float) -> int:
        """Level whose pixels are just finer than screen pixels of `pixel_m` metres."""
        ratio = max(pixel_m, 1e-9) / self.cell_m
        return min(max(0, math.floor(math.log2(ratio) + 0.25) if ratio > 0 else 0), self.top)

    def bounds_of(self, key: TileKey) -> tuple[float, float, float, float]:
        """West, south, east, north of a tile, cut to the terrain."""
        west, south, east, north = self.bounds
        side = self.tile_m(key.level)
        w, n = west + key.col * side, north - key.row * side
        return w, max(n - side, south), min(w + side, east), n

    def visible(self, view: QRectF, level: int) -> Iterator[TileKey]:
        """Tiles of a level that a view (x, y up, metres) touches, the middle ones first."""
        west, south, east, north = self.bounds
        left, right = max(view.left(), west), min(view.right(), east)
        low, high = max(view.top(), south), min(view.bottom(), north)
        if left >= right or low >= high:
            return iter(())
        side = self.tile_m(level)
        c0, c1 = int((left - west) / side), math.ceil((right - west) / side)
        r0, r1 = int((north - high) / side), math.ceil((north - low) / side)
        middle = ((c0 + c1 - 1) / 2.0, (r0 + r1 - 1) / 2.0)
        keys = [TileKey(level, c, r) for r in range(r0, r1) for c in range(c0, c1)]
        keys.sort(key=lambda k: (k.col - middle[0]) ** 2 + (k.row - middle[1]) ** 2)
        return iter(keys)


def parent_of(key: TileKey) -> TileKey:
    """Return the tile one level coarser that holds this one."""
    return TileKey(key.level + 1, key.col // 2, key.row // 2)


def image_of(rgba: NDArray[np.uint8]) -> QImage:
    """Return a picture that owns its memory, from (rows, cols, 4) bytes."""
    rgba = np.ascontiguousarray(rgba)
    rows, cols = rgba.shape[:2]
    made = QImage(rgba.data, cols, rows, 4 * cols, QImage.Format.Format_RGBA8888)
    return made.convertToFormat(QImage.Format.Format_ARGB32_Premultiplied)


class TileStore(QObject):
    """Tiles of one layer: what is ready, and the asking for what isn't.

    Signals
    -------
    arrived()
        More tiles are ready.
    """

    arrived = Signal()
    trouble = Signal(str)

    def __init__(
        self,
        runner: Runner,
        plan: TilePlan,
        load: Callable[[Progress, TileKey, Any], Tile | None],
        *,
        limit_bytes: int = PICTURE_BYTES,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._runner = runner
        self.plan = plan
        self._load = load
        self.style: Any = None
        self._older: Any = None
        self.cache: LRUCache[tuple[Any, TileKey], Tile] = LRUCache(limit_bytes, _bytes_of)
        self._prefix = f"tile/{next(_store_numbers)}/"
        self._asked: dict[str, TileKey] = {}
        self._empty: set[Any] = set()
        self._broken = False

    def set_style(self, style: Any) -> None:
        """Draw tiles another way; the old pictures stay on show until new ones come."""
        if style != self.style:
            self._older, self.style = self.style, style
            self.drop_requests()

    def tile(self, key: TileKey) -> Tile | None:
        """Return a ready tile, in the present style or the one before."""
        found = self.cache.get((self.style, key))
        if found is None and self._older is not None:
            found = self.cache.get((self._older, key))
        return found

    def has(self, key: TileKey) -> bool:
        """Whether a tile is ready in the present style, or known to be empty or unreadable."""
        mark = (self.style, key)
        return mark in self.cache or mark in self._empty or self._broken

    def want(self, keys: list[TileKey]) -> None:
        """Ask for what the view needs, most urgent first; call off what it needs no more."""
        if self._broken:
            return
        wanted: dict[str, TileKey] = {}
        for key in keys:
            if self.has(key):
                continue
            wanted[f"{self._prefix}{key.level}/{key.col}/{key.row}"] = key
        for name in [name for name in self._asked if name not in wanted]:
            self._runner.cancel(name)
            del self._asked[name]
        for place, (name, key) in enumerate(wanted.items()):
            if name not in self._asked:
                self._asked[name] = key
                self._submit(name, key, priority=-place)

    def _submit(self, name: str, key: TileKey, priority: int) -> None:
        style, load = self.style, self._load

        def done(tile: Tile | None) -> None:
            self._asked.pop(name, None)
            if tile is None:
                self._empty.add((style, key))
            else:
                self.cache[style, key] = tile
                self.arrived.emit()

        def failed(error: VergelineError) -> None:
            self._asked.pop(name, None)
            if not self._broken:
                # One sentence is enough: a file that is gone would fail for every tile.
                self._broken = True
                self.drop_requests()
                self.trouble.emit(str(error))

        self._runner.submit(
            name, lambda progress: load(progress, key, style), done, failed, priority=priority
        )

    def drop_requests(self) -> None:
        """Call off everything asked for."""
        for name in self._asked:
            self._runner.cancel(name)
        self._asked.clear()

    @property
    def waiting(self) -> int:
        """How many tiles are asked for."""
        return len(self._asked)


class ReliefTiles:
    """Loads tiles of height above the pavement, laid back on the map."""

    def __init__(self, plan: TilePlan, roads: Sequence[tuple[Relief, Tracker]]) -> None:
        self.plan = plan
        self.roads = roads

    def load(self, progress: Progress, key: TileKey, limit_cm: float) -> Tile | None:
        """Draw one tile; None where no road passes."""
        from analysis.study.relief import relief_on_map

        bounds = self.plan.bounds_of(key)
        west, south, east, north = bounds
        pixel = self.plan.cell_m * 2.0**key.level
        rows = max(1, round((north - south) / pixel))
        cols = max(1, round((east - west) / pixel))
        whole: NDArray[Any] | None = None
        for relief, tracker in self.roads:
            progress(0.1)
            part = relief_on_map(relief, tracker, bounds, rows, cols)
            if part is None:
                continue
            whole = part if whole is None else np.where(np.isnan(whole), part, whole)
        if whole is None or not np.isfinite(whole).any():
            return None
        picture = image_of(self.paint(whole, limit_cm))
        return Tile(picture, bounds, QRectF(0.0, 0.0, cols, rows))

    def paint(self, height_cm: NDArray[Any], limit_cm: float) -> NDArray[np.uint8]:
        """Colour heights (rows, cols) to a full scale."""
        return theme.relief_rgba(height_cm, limit_cm)


class TerrainTiles:
    """Loads tiles of a terrain grid: heights once, pictures for every light."""

    def __init__(self, terrain: Terrain, *, limit_bytes: int = HEIGHT_BYTES) -> None:
        self.terrain = terrain
        self.plan = TilePlan(terrain.bounds, terrain.cell_m)
        self.heights: LRUCache[TileKey, Heights | None] = LRUCache(limit_bytes, _bytes_of)
        self._reading: dict[TileKey, threading.Lock] = {}
        self._guard = threading.Lock()

    def load(self, progress: Progress, key: TileKey, light: Light) -> Tile | None:
        """Read (or remember) the heights of a tile and shade them; None if nothing is there."""
        from analysis.terrain.picture import hillshade

        progress(0.0)
        held = self._heights(key)
        if held is None:
            return None
        z, bounds = held
        progress(0.5)
        west, south, east, north = bounds
        dx, dy = (east - west) / z.shape[1], (north - south) / z.shape[0]
        shade = hillshade(
            z,
            dx,
            dy,
            azimuth_deg=light.azimuth_deg,
            altitude_deg=light.altitude_deg,
            exaggeration=light.exaggeration,
        )
        progress(0.8)
        w, s, e, n = self.plan.bounds_of(key)
        part = QRectF((w - west) / dx, (north - n) / dy, (e - w) / dx, (n - s) / dy)
        return Tile(image_of(paint(z, shade, light)), (w, s, e, n), part)

    def _heights(self, key: TileKey) -> Heights | None:
        # The coarsest tile of a big file takes seconds and is asked for twice at the start.
        with self._guard:
            lock = self._reading.setdefault(key, threading.Lock())
        with lock:
            try:
                return self._heights_alone(key)
            finally:
                with self._guard:
                    self._reading.pop(key, None)

    def _heights_alone(self, key: TileKey) -> Heights | None:
        from analysis.terrain.picture import read_overview

        with self._guard:
            if key in self.heights:
                return self.heights[key]
        west, south, east, north = self.plan.bounds_of(key)
        pixel = self.terrain.cell_m * 2.0**key.level
        full = self.terrain.bounds
        wide = (
            max(west - MARGIN * pixel, full[0]),
            max(south - MARGIN * pixel, full[1]),
            min(east + MARGIN * pixel, full[2]),
            min(north + MARGIN * pixel, full[3]),
        )
        rows = max(1, math.ceil((wide[3] - wide[1]) / pixel - 1e-6))
        cols = max(1, math.ceil((wide[2] - wide[0]) / pixel - 1e-6))
        view = read_overview(self.terrain, wide, rows, cols)
        z = view.z.astype(np.float32)
        held = (z, view.bounds) if np.isfinite(z).any() else None
        with self._guard:
            self.heights[key] = held
        return held

    def with_range(self, progress: Progress, light: Light) -> Light:
        """Return the light with the elevation range of the terrain, from its coarsest tile."""
        from analysis.study.relief import display_range

        held = self._heights(TileKey(self.plan.top, 0, 0))
        progress(0.9)
        if held is None:
            return light
        low, high = display_range(held[0])
        return replace(light, low_m=low, high_m=high)


# A quiet ramp from low to high ground (valley green-grey, straw, pale stone); light enough that
# every data colour stands out on it, and with rising lightness, so that it also reads in grey.
_RAMP_AT = np.linspace(0.0, 1.0, 5)
_RAMP = np.array(
    [[136, 158, 143], [166, 178, 150], [199, 195, 163], [219, 211, 190], [236, 233, 226]],
    dtype=np.float32,
)
_PLAIN = np.array([205, 208, 204], dtype=np.float32)


def paint(z: NDArray[Any], shade: NDArray[Any], light: Light) -> NDArray[np.uint8]:
    """Mix shading and tint into (rows, cols, 4) bytes; unknown ground is see-through."""
    rgba = np.zeros((*z.shape, 4), dtype=np.uint8)
    known = np.isfinite(z)
    lit = np.where(known, shade, 0.0).astype(np.float32)
    # Full black hides the ground in a shadow: the darkest is a third of the lightest.
    lit = 0.34 + 0.78 * lit
    spread = light.high_m - light.low_m
    for band in range(3):
        if light.tint and math.isfinite(spread) and spread > 0:
            level = np.where(known, (z - light.low_m) / spread, 0.0)
            base = np.interp(level, _RAMP_AT, _RAMP[:, band])
        else:
            base = _PLAIN[band]
        rgba[..., band] = np.clip(base * lit, 0, 255)
    rgba[..., 3] = np.where(known, 255, 0)
    return rgba
