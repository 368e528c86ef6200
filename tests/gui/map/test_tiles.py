"""Tiles: what is read, where it lies, how it is lit, and that memory stays bounded."""

import math
import threading
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QImage

from gui.map.tiles import (
    TILE,
    Light,
    TerrainTiles,
    Tile,
    TileKey,
    TilePlan,
    TileStore,
    image_of,
    paint,
    parent_of,
)
from gui.state.runner import Progress, Runner
from tests.gui.conftest import quiet_progress

Settle = Callable[..., None]


def bytes_of(image: QImage) -> np.ndarray:
    """Return a picture as (rows, cols, 4) RGBA bytes."""
    plain = image.convertToFormat(QImage.Format.Format_RGBA8888)
    raw = np.frombuffer(plain.constBits(), dtype=np.uint8)
    rows = raw.reshape(plain.height(), plain.bytesPerLine())
    return rows[:, : 4 * plain.width()].reshape(plain.height(), plain.width(), 4).copy()


@given(
    width=st.floats(1.0, 1e5),
    height=st.floats(1.0, 1e5),
    cell=st.floats(0.1, 10.0),
    level=st.integers(0, 6),
)
def test_plan_tiles_cover_the_terrain_once(
    width: float, height: float, cell: float, level: int
) -> None:
    """The tiles of one level neither overlap nor leave a gap."""
    plan = TilePlan((500.0, 1000.0, 500.0 + width, 1000.0 + height), cell)
    if width * height / plan.tile_m(level) ** 2 > 400:
        return
    keys = list(plan.visible(QRectF(0.0, 0.0, 1e6, 1e6), level))
    assert len(set(keys)) == len(keys)
    areas = []
    for key in keys:
        west, south, east, north = plan.bounds_of(key)
        assert west < east
        assert south < north
        areas.append((east - west) * (north - south))
    assert sum(areas) == pytest.approx(width * height, rel=1e-9)


def test_plan_top_tile_holds_everything() -> None:
    """At the coarsest level there is exactly one tile."""
    plan = TilePlan((0.0, 0.0, 50_000.0, 30_000.0), 1.0)
    keys = list(plan.visible(QRectF(-1e5, -1e5, 3e5, 3e5), plan.top))
    assert keys == [TileKey(plan.top, 0, 0)]
    assert plan.bounds_of(keys[0]) == (0.0, 0.0, 50_000.0, 30_000.0)
    assert 50_000 / 2**plan.top <= TILE < 50_000 / 2 ** (plan.top - 1)


def test_plan_level_is_not_finer_than_the_grid_nor_much_coarser_than_the_screen() -> None:
    """Each screen pixel gets between half a tile pixel and a bit more than one."""
    plan = TilePlan((0.0, 0.0, 1e5, 1e5), 0.5)
    assert plan.level_for(0.01) == 0
    for pixel in np.geomspace(0.6, 60.0, 40):
        tile_pixel = 0.5 * 2 ** plan.level_for(float(pixel))
        assert 0.55 <= tile_pixel / pixel <= 1.2
    assert plan.level_for(1e9) == plan.top


def test_plan_outside_view_has_no_tiles() -> None:
    """A view beside the terrain wants nothing."""
    plan = TilePlan((0.0, 0.0, 1000.0, 1000.0), 1.0)
    assert list(plan.visible(QRectF(2000.0, 0.0, 10.0, 10.0), 0)) == []


def test_plan_middle_comes_first() -> None:
    """What lies in the middle of the view is read first."""
    plan = TilePlan((0.0, 0.0, 5.0 * TILE, 5.0 * TILE), 1.0)
    first = next(plan.visible(QRectF(0.0, 0.0, 5.0 * TILE, 5.0 * TILE), 0))
    assert (first.col, first.row) == (2, 2)


def test_parent_holds_its_children() -> None:
    """The stand-in of a missing tile covers it."""
    plan = TilePlan((0.0, 0.0, 1e4, 1e4), 1.0)
    key = TileKey(2, 3, 5)
    w, s, e, n = plan.bounds_of(key)
    pw, ps, pe, pn = plan.bounds_of(parent_of(key))
    assert pw <= w
    assert ps <= s
    assert pe >= e
    assert pn >= n


@pytest.mark.parametrize("flip", [False, True], ids=["north-up", "south-up"])
def test_load_places_heights_where_they_belong(write_grid: Callable[..., str], flip: bool) -> None:
    """A step in the terrain shows in the picture at its own coordinates, either way up."""
    from analysis.terrain.grid import open_terrain
    from tests.builders.files import EAST, NORTH

    rows, cols = 700, 900
    z = np.full((rows, cols), 100.0)
    z[:, 500:] = 140.0
    transform = None
    if flip:
        transform = (1.0, 0.0, EAST, 0.0, 1.0, NORTH)
    terrain = open_terrain(write_grid(z, units="metre", transform=transform))
    tiles = TerrainTiles(terrain)
    light = Light(low_m=100.0, high_m=140.0)
    step_at = EAST + 500.0
    for level in (0, 1, tiles.plan.top):
        side = tiles.plan.tile_m(level)
        key = TileKey(level, int(500.0 // side), 0)
        tile = tiles.load(quiet_progress(), key, light)
        assert tile is not None
        west, _, east, _ = tile.bounds
        assert west <= step_at <= east
        picture = bytes_of(tile.image)
        part = tile.part
        row = int(part.y() + part.height() / 2)
        line = picture[row, int(part.x()) : int(part.x() + part.width()), 0].astype(int)
        # The slope facing west is lit otherwise than the flats on both sides of it.
        steepest = int(np.argmax(np.abs(np.diff(line))))
        place = west + (steepest + 1) * (east - west) / len(line)
        assert place == pytest.approx(step_at, abs=1.5 * 2**level)


def test_load_neighbours_share_their_seam(write_grid: Callable[..., str]) -> None:
    """Shading across a tile's edge agrees with the same ground shaded as one piece."""
    from analysis.terrain.grid import open_terrain
    from analysis.terrain.picture import hillshade

    y, x = np.mgrid[0:500, 0:900]
    z = 100.0 + 4.0 * np.sin(x / 23.0) + 3.0 * np.cos(y / 17.0)
    terrain = open_terrain(write_grid(z, units="metre"))
    tiles = TerrainTiles(terrain)
    light = Light(tint=False)
    whole = paint(z, hillshade(z, 1.0, 1.0, exaggeration=light.exaggeration), light)
    for col in (0, 1):
        tile = tiles.load(quiet_progress(), TileKey(0, col, 0), light)
        assert tile is not None
        part = tile.part
        x0, y0 = round(part.x()), round(part.y())
        inner = bytes_of(tile.image)[y0 : y0 + TILE, x0 : x0 + TILE]
        wanted = whole[:TILE, col * TILE : (col + 1) * TILE]
        difference = np.abs(inner[..., :3].astype(int) - wanted[..., :3].astype(int))
        assert difference.max() <= 1


def test_load_nodata_is_see_through(write_grid: Callable[..., str]) -> None:
    """Where nothing is known nothing is drawn; a tile without ground is none at all."""
    from analysis.terrain.grid import open_terrain

    z = np.full((900, 900), np.nan)
    z[:200, :200] = 50.0
    terrain = open_terrain(write_grid(z, units="metre", nodata=math.nan))
    tiles = TerrainTiles(terrain)
    tile = tiles.load(quiet_progress(), TileKey(0, 0, 0), Light())
    assert tile is not None
    alpha = bytes_of(tile.image)[..., 3]
    assert alpha[50, 50] == 255
    assert alpha[300, 300] == 0
    assert tiles.load(quiet_progress(), TileKey(0, 2, 2), Light()) is None


def test_load_reads_once_for_every_light(
    write_grid: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Turning the light shades again but doesn't read again."""
    import analysis.terrain.picture
    from analysis.terrain.grid import open_terrain

    z = 100.0 + np.add.outer(np.arange(400.0), np.arange(400.0)) * 0.1
    terrain = open_terrain(write_grid(z, units="metre"))
    tiles = TerrainTiles(terrain)
    reads: list[int] = []
    real = analysis.terrain.picture.read_overview

    def counted(*args: Any) -> Any:
        reads.append(1)
        return real(*args)

    monkeypatch.setattr(analysis.terrain.picture, "read_overview", counted)
    key = TileKey(0, 0, 0)
    one = tiles.load(quiet_progress(), key, Light(azimuth_deg=315.0))
    two = tiles.load(quiet_progress(), key, Light(azimuth_deg=135.0))
    assert one is not None
    assert two is not None
    assert len(reads) == 1
    assert not np.array_equal(bytes_of(one.image), bytes_of(two.image))


def test_with_range_is_the_bulk_of_the_heights(write_grid: Callable[..., str]) -> None:
    """The tint runs between the 2nd and 98th percentile, as numpy has them."""
    from analysis.terrain.grid import open_terrain

    z = np.linspace(0.0, 100.0, 300 * 300).reshape(300, 300)
    terrain = open_terrain(write_grid(z, units="metre"))
    light = TerrainTiles(terrain).with_range(quiet_progress(), Light())
    low, high = np.percentile(z, [2.0, 98.0])
    assert light.low_m == pytest.approx(low, abs=0.01)
    assert light.high_m == pytest.approx(high, abs=0.01)


def test_paint_lightness_rises_with_the_ground() -> None:
    """The tint reads in grey as well: higher ground is lighter."""
    z = np.linspace(0.0, 1.0, 50)[None, :]
    rgba = paint(z, np.full_like(z, 0.7), Light(low_m=0.0, high_m=1.0)).astype(float)
    grey = rgba[0, :, :3] @ [0.299, 0.587, 0.114]
    assert (np.diff(grey) >= -0.6).all()
    assert grey[-1] - grey[0] > 30.0


def test_relief_colours_part_in_grey_and_sign() -> None:
    """Level is the lightest; below goes blue, above goes orange; unknown is clear."""
    from gui.look import theme

    rgba = theme.relief_rgba(np.array([-10.0, 0.0, 10.0, np.nan]), 10.0).astype(float)
    grey = rgba[:3, :3] @ [0.299, 0.587, 0.114]
    assert grey[1] > grey[0] + 60.0
    assert grey[1] > grey[2] + 60.0
    assert rgba[0, 2] > rgba[0, 0]
    assert rgba[2, 0] > rgba[2, 2]
    assert rgba[3, 3] == 0


def colour_tile(color: str, size: int = 16) -> Tile:
    """Return a tile of one colour."""
    image = QImage(size, size, QImage.Format.Format_ARGB32_Premultiplied)
    image.fill(QColor(color))
    return Tile(image, (0.0, 0.0, 1.0, 1.0), QRectF(0, 0, size, size))


def test_store_keeps_old_pictures_until_new_ones_come(runner: Runner, settle: Settle) -> None:
    """Another style doesn't blank the map."""
    store = TileStore(
        runner, TilePlan((0, 0, 100, 100), 1.0), lambda progress, key, style: colour_tile(style)
    )
    store.set_style("red")
    key = TileKey(0, 0, 0)
    store.want([key])
    settle(runner.idle)
    store.set_style("blue")
    old = store.tile(key)
    assert old is not None
    assert old.image.pixelColor(3, 3) == QColor("red")
    store.want([key])
    settle(runner.idle)
    new = store.tile(key)
    assert new is not None
    assert new.image.pixelColor(3, 3) == QColor("blue")


def test_store_calls_off_what_is_no_longer_in_view(runner: Runner, settle: Settle) -> None:
    """Panning on drops the requests left behind that haven't begun."""
    loaded: list[int] = []
    release = threading.Event()

    def load(progress: Progress, key: TileKey, style: object) -> Tile:
        release.wait(10.0)
        loaded.append(key.col)
        return colour_tile("red")

    store = TileStore(runner, TilePlan((0, 0, 1e6, 1e6), 1.0), load)
    store.want([TileKey(0, col, 0) for col in range(10)])
    store.want([TileKey(0, col, 0) for col in range(100, 104)])
    release.set()
    settle(runner.idle)
    assert {100, 101, 102, 103} <= set(loaded)
    assert len([col for col in loaded if col < 10]) <= 2
    assert store.waiting == 0


def test_store_memory_stays_under_its_limit(runner: Runner, settle: Settle) -> None:
    """However far one pans, the pictures held fit the limit."""
    limit = 40 * 64 * 64 * 4
    store = TileStore(
        runner,
        TilePlan((0, 0, 1e6, 1e6), 1.0),
        lambda progress, key, style: colour_tile("red", 64),
        limit_bytes=limit,
    )
    for start in range(0, 200, 10):
        store.want([TileKey(0, col, 0) for col in range(start, start + 10)])
        settle(runner.idle)
        assert store.cache.currsize <= limit
        assert store.tile(TileKey(0, 0, 0)) is not None or start >= 40
    assert len(store.cache) == 40
    assert store.tile(TileKey(0, 199, 0)) is not None


def test_store_tells_one_sentence_when_the_file_is_gone(runner: Runner, settle: Settle) -> None:
    """A failing file is told once and not asked again and again."""
    from analysis.common.errors import TerrainError

    told: list[str] = []
    tries: list[int] = []

    def load(progress: Progress, key: TileKey, style: object) -> Tile:
        tries.append(1)
        raise TerrainError("The grid is gone.")

    store = TileStore(runner, TilePlan((0, 0, 1e6, 1e6), 1.0), load)
    store.trouble.connect(told.append)
    store.want([TileKey(0, col, 0) for col in range(6)])
    settle(runner.idle)
    store.want([TileKey(0, col, 0) for col in range(20, 26)])
    settle(runner.idle)
    assert told == ["The grid is gone."]
    assert len(tries) <= 6


def test_image_of_owns_its_memory(qapp: object) -> None:
    """Changing the array later doesn't change the picture."""
    rgba = np.full((4, 4, 4), 255, dtype=np.uint8)
    image = image_of(rgba)
    rgba[:] = 0
    assert image.pixelColor(1, 1) == QColor("white")
