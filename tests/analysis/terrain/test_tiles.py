"""A folder of tiles reads as the grid it was cut from; the reference is numpy's own slicing."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from analysis import TerrainError, open_terrain
from analysis.corridor import ribbon
from analysis.corridor.ribbon import read_corridor
from analysis.road.roadline import make_road
from analysis.terrain.grid import checksum, read_window

WEST, NORTH, CELL = 1000.0, 2000.0, 0.5
CRS = "EPSG:32628"


def write_tile(path, z, row, col, *, nodata=-9999.0, dtype="float32", **options):
    given = {"crs": CRS, "cell": CELL, "unit": "metre", **options}
    place = from_origin(WEST + col * CELL, NORTH - row * CELL, given["cell"], given["cell"])
    if options.get("shift"):
        place = from_origin(WEST + col * CELL + options["shift"], NORTH - row * CELL, CELL, CELL)
    profile = {
        "driver": options.get("driver", "GTiff"), "count": 1, "dtype": dtype, "nodata": nodata,
        "height": z.shape[0], "width": z.shape[1], "crs": given["crs"], "transform": place,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        out.write(np.where(np.isnan(z), nodata, z).astype(dtype), 1)
        if profile["driver"] == "GTiff":
            out.units = (given["unit"],)


@pytest.fixture(scope="module")
def ground():
    rng = np.random.default_rng(1)
    z = (100.0 + rng.normal(0.0, 0.02, (240, 900))).astype(np.float32).astype(float)
    z[100:110, 50:60] = np.nan
    return z


@pytest.fixture(scope="module")
def tiles(ground, tmp_path_factory):
    """Three of four tiles, each with its own "no value", one as COG; the third is missing."""
    folder = tmp_path_factory.mktemp("tiles")
    write_tile(folder / "a.tif", ground[:, :256], 0, 0)
    write_tile(
        folder / "b.tif", ground[:, 256:512], 0, 256, nodata=0.0, dtype="float64", driver="COG"
    )
    write_tile(folder / "d.tif", ground[:, 768:], 0, 768, nodata=float("nan"))
    (folder / "readme.txt").write_text("not a tile")
    return folder


def with_gap(ground):
    out = ground.copy()
    out[:, 512:768] = np.nan
    return out


def test_tiles_read_as_the_grid_they_were_cut_from(tiles, ground):
    grid = open_terrain(tiles)
    assert (grid.rows, grid.cols, grid.cell_m) == (240, 900, CELL)
    np.testing.assert_array_equal(read_window(grid, 0, 240, 0, 900), with_gap(ground))


def test_a_road_across_seams_and_a_gap_meets_every_cell_once(tiles, ground, tmp_path):
    whole = tmp_path / "whole.tif"
    write_tile(whole, with_gap(ground), 0, 0)
    road = make_road("across", [[WEST + 5.0, NORTH - 50.0], [WEST + 445.0, NORTH - 70.0]])
    found = read_corridor(open_terrain(tiles), road, 12.0)
    wanted = read_corridor(open_terrain(whole), road, 12.0)
    for part, other in zip(found, wanted, strict=True):
        np.testing.assert_array_equal(part.z, other.z)
        np.testing.assert_array_equal(part.s, other.s)
    places = found[0].row.astype(np.int64) * 10_000 + found[0].col
    assert len(np.unique(places)) == len(places)


def test_only_blocks_that_the_road_touches_are_read_and_each_once(tmp_path, monkeypatch):
    """A road through one corner of a wide grid; blocks of 64 cells."""
    monkeypatch.setattr(ribbon, "_BLOCK", 64)
    write_tile(tmp_path / "wide.tif", np.full((1000, 1000), 100.0), 0, 0)
    grid, read = open_terrain(tmp_path / "wide.tif"), []
    real = ribbon.reading

    def watched(terrain, lost=None):
        from contextlib import contextmanager

        @contextmanager
        def opened():
            with real(terrain, lost) as window:
                yield lambda *box: read.append(box) or window(*box)

        return opened()

    monkeypatch.setattr(ribbon, "reading", watched)
    start, end = np.array([WEST + 20.0, NORTH - 20.0]), np.array([WEST + 140.0, NORTH - 60.0])
    read_corridor(grid, make_road("corner", [start, end]), 10.0)
    blocks = [(r // 64, c // 64) for r, _, c, _ in np.array(read) + 1]
    assert len(set(blocks)) == len(blocks)
    # by plain geometry: a block counts if its box comes within the half width of the line
    import shapely

    line = shapely.LineString([start, end])
    near = {
        (r, c)
        for r in range(16)
        for c in range(16)
        if shapely.box(WEST + 32 * c, NORTH - 32 * (r + 1), WEST + 32 * (c + 1), NORTH - 32 * r)
        .distance(line) <= 10.0
    }  # fmt: skip
    assert near <= set(blocks)
    assert len(blocks) <= 1.5 * len(near)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"crs": "EPSG:32629"}, "another coordinate system"),
        ({"cell": 1.0}, "another cell size"),
        ({"unit": "foot"}, "another unit of heights"),
        ({"shift": 0.2}, "cells that lie between those"),
    ],
)
def test_tiles_that_do_not_fit_are_named(ground, tmp_path, options, words):
    write_tile(tmp_path / "a.tif", ground[:50, :50], 0, 0)
    write_tile(tmp_path / "odd.tif", ground[:50, :50], 0, 50, **options)
    with pytest.raises(TerrainError, match=rf"odd\.tif has {words}"):
        open_terrain(tmp_path)


def test_a_tile_that_is_none_is_named(ground, tmp_path):
    write_tile(tmp_path / "a.tif", ground[:50, :50], 0, 0)
    (tmp_path / "b.tif").write_bytes(b"nothing")
    with pytest.raises(TerrainError, match=r"b\.tif can't be read as a raster"):
        open_terrain(tmp_path)


def test_the_fingerprint_of_tiles_changes_with_them(ground, tmp_path):
    write_tile(tmp_path / "a.tif", ground[:50, :50], 0, 0)
    before = checksum(tmp_path)
    write_tile(tmp_path / "b.tif", ground[:50, :50], 0, 50)
    assert checksum(tmp_path) != before


def test_the_tile_that_is_broken_is_named(ground, tmp_path):
    """Its head is whole, and half of its heights are gone."""
    for name, first in (("a", 0), ("b", 256)):
        # a COG has its head in front
        part = ground[:, first : first + 256]
        write_tile(tmp_path / f"{name}.tif", part, 0, first, driver="COG")
    whole = (tmp_path / "b.tif").read_bytes()
    (tmp_path / "b.tif").write_bytes(whole[: len(whole) // 2])
    grid = open_terrain(tmp_path)
    np.testing.assert_array_equal(read_window(grid, 0, 240, 0, 256), ground[:, :256])
    with pytest.raises(TerrainError, match=r"The tile b\.tif of the terrain grid .* can't be read"):
        read_window(grid, 0, 240, 0, 512)
