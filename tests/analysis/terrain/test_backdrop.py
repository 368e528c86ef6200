"""The picture behind the map: where it lies and what it shows, against rasterio and geometry."""

import numpy as np
import pytest
import rasterio
from rasterio.control import GroundControlPoint
from rasterio.transform import from_origin
from rasterio.warp import transform

from analysis.common.errors import TerrainError
from analysis.terrain.backdrop import open_backdrop, read_backdrop
from analysis.terrain.grid import open_terrain
from tests.builders.files import write_grid

SIDE = 60


@pytest.fixture(scope="module")
def grid(tmp_path_factory):
    """Return a level grid of 60 cells of 1 m, its north-west corner at EAST, NORTH."""
    path = tmp_path_factory.mktemp("grid") / "level.tif"
    write_grid(path, np.full((SIDE, SIDE), 100.0), cell=1.0)
    return open_terrain(str(path))


def paint(path, bands, grid, *, pixel=0.5, west=0.0, north=0.0, crs=None, **more):
    """Write a picture (k, rows, cols) whose corner lies so far east and north of the grid's."""
    place = {"crs": crs or grid.crs_wkt, "transform": more.pop("at", None)}
    if place["transform"] is None:
        place["transform"] = from_origin(
            grid.bounds[0] + west, grid.bounds[3] + north, pixel, pixel
        )
    if place["crs"] == "none":
        del place["crs"]
    count, rows, cols = bands.shape
    table, points = more.pop("table", None), more.pop("points", None)
    if points:
        place = {"gcps": points, "crs": crs}
    kept = {"width": cols, "height": rows, "count": count, "dtype": bands.dtype, **place, **more}
    with rasterio.open(path, "w", driver="GTiff", **kept) as out:
        out.write(bands)
        if table:
            out.write_colormap(1, table)
    return str(path)


def quarters(rows=120, cols=120):
    """Red in the north-west, green in the north-east, blue south."""
    bands = np.zeros((3, rows, cols), dtype=np.uint8)
    bands[0, : rows // 2, : cols // 2] = 200
    bands[1, : rows // 2, cols // 2 :] = 150
    bands[2, rows // 2 :] = 100
    return bands


def test_colours_lie_where_they_were_painted(grid, tmp_path):
    made = open_backdrop(paint(tmp_path / "p.tif", quarters(), grid), grid)
    assert made.pixel_m == pytest.approx(0.5)
    assert made.bounds == pytest.approx(grid.bounds)
    drawn = read_backdrop(made, grid.bounds, 60, 60)
    assert drawn.shape == (60, 60, 4)
    assert drawn[10, 10].tolist() == [200, 0, 0, 255]
    assert drawn[10, 50].tolist() == [0, 150, 0, 255]
    assert drawn[50, 30].tolist() == [0, 0, 100, 255]


def test_outside_the_picture_is_see_through(grid, tmp_path):
    """A picture 20 m east of the grid's corner shows nothing in the first 20 m."""
    made = open_backdrop(paint(tmp_path / "p.tif", quarters(), grid, west=20.0), grid)
    drawn = read_backdrop(made, grid.bounds, 60, 60)
    assert not drawn[:, :19, 3].any()
    assert (drawn[:, 21:, 3] == 255).all()


def test_picture_in_another_system_is_warped(grid, tmp_path):
    """A mark painted at a place in degrees is found at that place on the grid's plane."""
    west, south, east, north = grid.bounds
    lon, lat = transform(
        grid.crs_wkt, "EPSG:4326", [west - 20, east + 20], [north + 20, south - 20]
    )
    rows = cols = 400
    step = from_origin(lon[0], lat[0], (lon[1] - lon[0]) / cols, (lat[0] - lat[1]) / rows)
    at_lon, at_lat = transform(grid.crs_wkt, "EPSG:4326", [west + 40.0], [north - 15.0])
    col, row = (int(v) for v in ~step * (at_lon[0], at_lat[0]))
    bands = np.zeros((1, rows, cols), dtype=np.uint8)
    bands[0, row - 6 : row + 7, col - 6 : col + 7] = 255
    path = paint(tmp_path / "p.tif", bands, grid, crs="EPSG:4326", at=step)
    drawn = read_backdrop(open_backdrop(path, grid), grid.bounds, 240, 240)
    rows_lit, cols_lit = np.nonzero(drawn[..., 0] > 128)
    assert rows_lit.mean() / 4.0 == pytest.approx(15.0, abs=0.5)
    assert cols_lit.mean() / 4.0 == pytest.approx(40.0, abs=0.5)


def test_plan_with_a_palette_and_control_points(grid, tmp_path):
    """A scanned plan: colours by number, placed by four points; numbers are never averaged."""
    west, _, _, north = grid.bounds
    bands = np.zeros((1, 60, 60), dtype=np.uint8)
    bands[0, :, 30:] = 2
    corners = [(0, 0), (0, 60), (60, 0), (60, 60)]
    points = [GroundControlPoint(r, c, west + c, north - r) for r, c in corners]
    table = {0: (10, 20, 30, 255), 1: (255, 0, 255, 255), 2: (200, 210, 220, 255)}
    path = paint(
        tmp_path / "p.tif", bands, grid, crs=grid.crs_wkt, table=table, points=points,
        photometric="palette",
    )  # fmt: skip
    drawn = read_backdrop(open_backdrop(path, grid), grid.bounds, 60, 60)
    seen = {tuple(colour) for colour in drawn[2:-2, 2:-2].reshape(-1, 4).tolist()}
    assert seen == {(10, 20, 30, 255), (200, 210, 220, 255)}
    assert drawn[30, 5, 0] == 10 and drawn[30, 55, 0] == 200


def test_intensity_takes_the_range_that_occurs(grid, tmp_path):
    """Of 16 bits hardly any are used: without it the picture would be black. Gaps stay gaps."""
    ramp = np.tile(np.linspace(1000, 2000, 120), (120, 1))[None].astype(np.uint16)
    ramp[0, :10] = 0
    path = paint(tmp_path / "p.tif", ramp, grid, nodata=0)
    drawn = read_backdrop(open_backdrop(path, grid), grid.bounds, 60, 60)
    middle = drawn[30]
    assert middle[1, 0] < 10 and middle[-2, 0] > 245
    assert (np.diff(middle[:, 0].astype(int)) >= 0).all()
    assert (middle[:, 0] == middle[:, 2]).all()
    assert not drawn[1, :, 3].any() and (drawn[30, 1:-1, 3] == 255).all()


@pytest.mark.parametrize(
    ("name", "how", "words"),
    [
        ("far.tif", {"west": 5000.0}, "outside the terrain"),
        ("bare.tif", {"crs": "none"}, "no coordinate system"),
    ],
)
def test_picture_that_cannot_lie_there_is_refused(grid, tmp_path, name, how, words):
    with pytest.raises(TerrainError, match=words):
        open_backdrop(paint(tmp_path / name, quarters(), grid, **how), grid)


def test_no_picture_is_one_sentence(grid, tmp_path):
    (tmp_path / "text.tif").write_text("no picture")
    for name, words in (("text.tif", "can't be read"), ("none.tif", "none.tif")):
        with pytest.raises(TerrainError, match=words):
            open_backdrop(str(tmp_path / name), grid)
