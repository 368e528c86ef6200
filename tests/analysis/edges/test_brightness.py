"""Edges that only brightness shows: on made coplanar roads, from points and from an image."""

import numpy as np
import pytest
import rasterio

from analysis.common.errors import TerrainCrsError, TerrainError
from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.corridor import Extras, lay_out, read
from analysis.edges import find
from analysis.edges.brightness import Brightness, brightness_of
from analysis.edges.values import Overrides
from analysis.road.roadline import make_road
from analysis.terrain.grid import open_terrain
from analysis.terrain.image import check_image
from analysis.terrain.point_grid import grid_of
from analysis.terrain.points import open_points
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points
from tests.builders.files import EAST, NORTH, UTM, write_grid

EDGE_M, HINGE_M = 3.3, 4.8
LENGTH_M = 300.0
SETTINGS = Settings(pavement_width_m=7.0, shoulder_width_m=1.5)


def height(out):
    """Pavement and shoulder in one plane of 4 % to both sides, then a foreslope."""
    return 100.0 - 0.04 * np.minimum(out, HINGE_M) - 0.3 * np.maximum(out - HINGE_M, 0.0)


def coplanar_points(contrast, density=8.0, seed=1):
    rng = np.random.default_rng(seed)
    count = int(LENGTH_M * 32.0 * density)
    x, y = rng.uniform(0.0, LENGTH_M, count), rng.uniform(-16.0, 16.0, count)
    out = np.abs(y)
    z = height(out) + 0.02 * rng.standard_normal(count)
    bright = np.where(out < EDGE_M, 0.3, 0.3 + contrast) + 0.12 * rng.standard_normal(count)
    x, y = (v + 0.08 * rng.standard_normal(count) for v in (x, y))
    strip = np.zeros(count, dtype=int)
    return Points(EAST + x, NORTH + 20.0 + y, z, strip, np.clip(bright, 0.0, 1.0))


def edges_of(grid, extras):
    xy = np.column_stack([np.linspace(0.0, LENGTH_M, 7) + EAST, np.full(7, NORTH + 20.4)])
    road = make_road("Lane", xy)
    case = lay_out(grid, road, SETTINGS, default_limits("gravel"), extras)
    breaks = find(case, read(case), Overrides())
    inside = (case.s > 15.0) & (case.s < LENGTH_M - 15.0)
    # the line lies 0.4 m left of the crown
    truth = EDGE_M + np.array([-0.4, 0.4])
    return breaks.edge[inside] - truth, breaks.edge_source[inside], breaks.edge_se[inside]


def from_points(tmp_path, contrast):
    write_points(coplanar_points(contrast), tmp_path / "a.laz", crs=UTM)
    survey = open_points([tmp_path / "a.laz"])
    return edges_of(grid_of(survey), Extras(points=survey))


@pytest.mark.parametrize("contrast", [0.35, 0.12])
def test_a_coplanar_edge_is_found_from_intensity_within_0_2_m(tmp_path, contrast):
    off, source, se = from_points(tmp_path, contrast)
    assert (source == Source.FOUND).all()
    assert np.abs(off).max() < 0.2
    assert np.sqrt(np.mean((off / se) ** 2)) < 1.5


def test_intensity_without_contrast_shows_no_edge(tmp_path):
    """Nothing in the ground and nothing to be seen: no edge may be claimed on the shoulder."""
    off, source, _ = from_points(tmp_path, 0.0)
    found = source == Source.FOUND
    assert not (found & (off < HINGE_M - EDGE_M - 0.3)).any()


def image_of(path, contrast, *, cell=0.2, crs=UTM, dtype="uint8"):
    """An orthophoto of three colours over the same road."""
    rng = np.random.default_rng(7)
    y = 40.0 - (np.arange(int(40.0 / cell)) + 0.5) * cell
    shape = (3, y.size, int(LENGTH_M / cell))
    tone = np.where(np.abs(y - 20.0) < EDGE_M, 90.0, 90.0 + contrast)[None, :, None]
    value = np.clip(tone + 12.0 * rng.standard_normal(shape), 0, 255)
    transform = rasterio.transform.from_origin(EAST, NORTH + 40.0, cell, cell)
    profile = {"count": 3, "height": shape[1], "width": shape[2], "crs": crs}
    with rasterio.open(path, "w", dtype=dtype, transform=transform, **profile) as out:
        out.write(value.astype(dtype))
    return str(path)


def coplanar_grid(path, cell=0.5):
    rng = np.random.default_rng(3)
    y = 40.0 - (np.arange(int(40.0 / cell)) + 0.5) * cell
    z = height(np.abs(y - 20.0))[:, None] + 0.01 * rng.standard_normal((y.size, 600))
    return open_terrain(str(write_grid(path, z, cell=cell, corner=(EAST, NORTH + 40.0))))


def test_a_coplanar_edge_is_found_from_an_image_beside_a_grid(tmp_path):
    grid = coplanar_grid(tmp_path / "grid.tif")
    image = image_of(tmp_path / "photo.tif", 40.0)
    check_image(image, grid)
    off, source, se = edges_of(grid, Extras(image=image))
    assert (source == Source.FOUND).all()
    # cells of 0.5 m along the road: one of them straddles the edge, and belongs to neither side
    assert np.abs(off).max() < 0.35
    assert np.abs(off / se).max() < 2.5


def test_images_that_cannot_be_used_are_refused_with_the_mend(tmp_path):
    grid = coplanar_grid(tmp_path / "grid.tif")
    with pytest.raises(TerrainError, match="doesn't exist"):
        check_image(str(tmp_path / "none.tif"), grid)
    (tmp_path / "text.tif").write_text("no picture")
    with pytest.raises(TerrainError, match="can't be read as a raster"):
        check_image(str(tmp_path / "text.tif"), grid)
    with pytest.raises(TerrainCrsError, match="has no coordinate system"):
        check_image(image_of(tmp_path / "plain.tif", 40.0, crs=None), grid)
    with pytest.raises(TerrainError, match="lies outside the terrain grid"):
        check_image(image_of(tmp_path / "far.tif", 40.0, crs="EPSG:32612"), grid)


def a_brightness(b=6, step_at=3.0, noise=0.05):
    u = np.arange(0.125, 8.0, 0.25)
    rng = np.random.default_rng(2)
    mean = np.where(u < step_at, 1.0, 1.5) + noise * rng.standard_normal((b, u.size))
    edge = np.full(b, 3.3)
    return brightness_of(u, mean, np.ones_like(mean), noise, edge, 1)


def test_evidence_of_one_level_is_the_normal_distributions():
    """Beside scipy: one unknown level and white noise are a multivariate normal distribution."""
    from scipy.stats import multivariate_normal

    rng = np.random.default_rng(4)
    u = np.arange(0.5, 8.0, 1.0)
    mean = rng.normal(1.0, 0.3, (1, u.size))
    precision = rng.uniform(5.0, 50.0, (1, u.size))
    seen = Brightness(u, mean, precision, 1, 0.4)
    whole, none = seen._before(np.array([np.inf])), seen._before(np.array([0.0]))
    usual = float((precision * mean).sum() / precision.sum())
    covariance = np.diag(1.0 / precision[0]) + 0.4**2
    expected = multivariate_normal(np.full(u.size, usual), covariance).logpdf(mean[0])
    white = 0.5 * np.sum(np.log(precision[0])) - 0.5 * u.size * np.log(2.0 * np.pi)
    assert float(seen._level(whole)[0, 0]) + white == pytest.approx(expected)
    assert float(seen._level(none)[0, 0]) == 0.0


def test_pairs_and_edges_point_to_the_step_and_stay_bounded():
    seen = a_brightness()
    edges, hinges = np.arange(1.5, 5.0, 0.25), np.arange(4.0, 7.0, 0.25)
    both, _ = seen.pairs(edges, hinges)
    assert (np.abs(edges[both.max(axis=2).argmax(axis=1)] - 3.0) <= 0.25).all()
    along = seen.edges(edges, np.full(6, 4.5))
    assert (np.abs(edges[along.argmax(axis=1)] - 3.0) <= 0.25).all()
    assert both.min() >= np.log(0.1) - 1e-9 and both.max() <= np.log(both[0].size * 2.0)
    gain = seen.gain(np.full(6, 3.0), np.full(6, 4.5))
    assert (gain > 1.0).all() and (gain <= 2.0).all()
    flat = a_brightness(step_at=99.0)
    assert flat.gain(np.full(6, 3.0), np.full(6, 4.5)).max() < 0.5
