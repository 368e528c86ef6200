"""A tile that was cut off or is gone takes its own stations along and nothing else.

The reference is the grid whole, and the same tiles with a gap where the broken one lay.
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest
import rasterio
from rasterio.windows import Window

from analysis import Settings, open_terrain, read_findings, rejudge, screen
from analysis.common.errors import TerrainError
from analysis.corridor.values import Extras
from analysis.findings.geopackage import write_findings
from analysis.network.engine import _mark_of, screen_network
from analysis.network.tasks import Common
from analysis.road.roadline import make_road
from analysis.study import pieces
from analysis.terrain.tiles import joined_tiles
from tests.benchmarks.long_road import centreline, write_long_road

SETTINGS = Settings(spacing_m=20.0, half_width_m=12.0)
TILE, LENGTH_M, START_M = 384, 720.0, 20.0


@pytest.fixture(scope="module")
def tiles(tmp_path_factory):
    """A folder of tiles that lie one after another along the road."""
    folder = tmp_path_factory.mktemp("tiles")
    whole = write_long_road(tmp_path_factory.mktemp("long") / "long.tif", 780.0)
    with rasterio.open(whole) as source:
        for k, first in enumerate(range(0, source.width, TILE)):
            part = Window(first, 0, min(TILE, source.width - first), source.height)
            z = source.read(1, window=part)
            profile = {
                "driver": "COG", "count": 1, "dtype": "float32", "crs": source.crs,
                "nodata": -9999.0, "height": z.shape[0], "width": z.shape[1],
                "transform": source.window_transform(part), "compress": "deflate",
            }  # fmt: skip
            with rasterio.open(folder / f"t{k}.tif", "w", **profile) as out:
                out.write(z, 1)
                out.units = ("metre",)
    return folder


def road(length_m=LENGTH_M, start_m=START_M, name="road"):
    return make_road(name, centreline(length_m, start_m))


@pytest.fixture
def broken(tiles, tmp_path):
    """The same with one tile cut off in the middle: its head is whole, most heights are gone."""
    folder = tmp_path / "broken"
    shutil.copytree(tiles, folder)
    whole = (folder / "t2.tif").read_bytes()
    (folder / "t2.tif").write_bytes(whole[: len(whole) // 20])
    return folder


def as_vrt(folder, place):
    place.write_text(joined_tiles(folder))
    return place


def stations(grid):
    return screen(open_terrain(grid), [road()], SETTINGS).findings.stations


@pytest.fixture(scope="module")
def with_gap(tiles, tmp_path_factory):
    """What is found where the third tile isn't there at all: a gap."""
    folder = tmp_path_factory.mktemp("gap") / "tiles"
    shutil.copytree(tiles, folder)
    (folder / "t2.tif").unlink()
    return stations(folder)


@pytest.mark.parametrize("kind", ["folder", "vrt", "gone from a vrt"])
def test_a_broken_tile_is_a_gap_that_is_named(kind, broken, with_gap, tmp_path):
    grid = broken if kind == "folder" else as_vrt(broken, tmp_path / "grid.vrt")
    if kind.startswith("gone"):
        (broken / "t2.tif").unlink()
    found = stations(grid)
    lost = np.array(["the file t2.tif is damaged or gone" in why for why in found["reason"]])
    # its 192 m at stations each 20 m, on both sides, and where what is beside it is too little
    assert 16 <= lost.sum() <= 22
    assert set(found["verdict"][lost]) == {"no data"}
    assert not set(with_gap["verdict"][lost]) & {"sheds", "won't shed"}
    for name, column in with_gap.columns.items():
        if column.dtype.kind == "f":
            np.testing.assert_array_equal(found[name], column, err_msg=name)
        else:
            assert found[name][~lost].tolist() == column[~lost].tolist(), name


def test_a_road_on_nothing_but_a_broken_tile_fails_and_the_others_do_not(broken, tmp_path):
    roads = [road(150.0, START_M, "whole"), road(120.0, 400.0, "lost")]
    done = screen_network(open_terrain(broken), roads, tmp_path / "out.gpkg", SETTINGS)
    assert done.roads == 1
    assert dict(done.failed)["lost"] == (
        'No height near the road "lost" can be read: t2.tif of broken is damaged or gone; fetch it '
        "again."
    )


def test_a_screening_leaves_out_a_road_on_nothing_but_a_broken_tile(broken, tmp_path):
    """As a network does: its row and line stand among the roads, also after other limits."""
    grid, roads = open_terrain(broken), [road(120.0, 400.0, "lost"), road(150.0, START_M, "whole")]
    study = screen(grid, roads, SETTINGS)
    done = screen_network(grid, roads, tmp_path / "network.gpkg", SETTINGS)
    network = read_findings(tmp_path / "network.gpkg")
    rejudged = rejudge(study, study.limits.with_value("shoulder_least_pct", 5.0))
    write_findings(rejudged.findings, tmp_path / "screened.gpkg")
    assert [part.road.name for part in study.roads] == ["whole"]
    for found in (study.findings, rejudged.findings, read_findings(tmp_path / "screened.gpkg")):
        assert f"lost: {dict(done.failed)['lost'][:20]}" in str(found.run["roads_failed"])
        assert found.roads["road"].tolist() == ["whole", "lost"]
        assert found.roads["outcome"].tolist() == ["screened", "not screened"]
        assert found.roads["reason"].tolist() == network.roads["reason"].tolist()
        for line, other in zip(found.road_lines, network.road_lines, strict=True):
            np.testing.assert_allclose(line, other)
    with pytest.raises(TerrainError, match=r"t2\.tif of broken is damaged or gone"):
        screen(grid, roads[:1], SETTINGS)


def test_a_piece_on_nothing_but_a_broken_tile_is_no_data(broken, monkeypatch, tmp_path):
    """The road is cut so that one of its pieces lies there wholly."""
    for what, value in (("PIECE_M", 130.0), ("WHOLE_M", 200.0), ("OVERLAP_M", 10.0)):
        monkeypatch.setattr(pieces, what, value)
    out = tmp_path / "out.gpkg"
    screen_network(open_terrain(broken), [road(390.0, 265.0)], out, SETTINGS)
    found = read_findings(out)
    lost = np.array(["the file t2.tif is damaged" in why for why in found.stations["reason"]])
    assert lost.sum() >= 16 and set(found.stations["verdict"][lost]) == {"no data"}
    # one reach a side
    assert sum("t2.tif" in row for row in found.reaches["reason"]) == 2


def test_a_job_that_was_ended_forgets_what_it_found_once_the_tile_is_mended(tiles, broken):
    """A VRT stays as it is when one of its tiles is fetched again."""
    grid = open_terrain(as_vrt(broken, broken.parent / "grid.vrt"))
    common = Common(grid, SETTINGS, None, Extras())
    before = _mark_of(common, [road()])
    shutil.copyfile(tiles / "t2.tif", broken / "t2.tif")
    assert _mark_of(common, [road()]) != before
