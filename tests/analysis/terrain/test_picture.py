"""Pictures of the terrain: overviews and shading."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import analysis.terrain.picture as picture
from analysis.terrain.grid import open_terrain
from analysis.terrain.picture import hillshade, read_overview
from tests.builders.files import EAST, NORTH

RAMP = np.arange(60.0).reshape(6, 10) + 100.0


# ---------------------------------------------------------------- overviews


def test_read_overview_whole_grid_unthinned(write_grid):
    found = open_terrain(write_grid(RAMP))
    view = read_overview(found, None, 100, 100)
    np.testing.assert_array_equal(view.z, RAMP)
    assert view.bounds == found.bounds and view.pixel_m == (1.0, 1.0)


def test_read_overview_part_snaps_to_cells(write_grid):
    view = read_overview(
        open_terrain(write_grid(RAMP)), (EAST + 2.4, NORTH + 1.2, EAST + 4.6, NORTH + 2.9), 100, 100
    )
    assert view.bounds == (EAST + 2, NORTH + 1, EAST + 5, NORTH + 3)
    np.testing.assert_array_equal(view.z, RAMP[3:5, 2:5])


def test_read_overview_thinned_keeps_bounds_and_shape(write_grid):
    z = np.add.outer(np.arange(400.0), np.arange(600.0))
    found = open_terrain(write_grid(z))
    view = read_overview(found, None, 100, 100)
    assert view.z.shape == (66, 100) and view.bounds == found.bounds
    # a plane thinned by picking cells stays within a pixel's rise of the plane
    rise = view.z[30, 50] - (400 * 30.5 / 66 + 600 * 50.5 / 100)
    assert abs(rise) < 6


def test_read_overview_south_up_and_mirrored_turn_north_up(write_grid):
    found = open_terrain(write_grid(RAMP, transform=(-1.0, 0, EAST + 10, 0, 1.0, NORTH)))
    view = read_overview(found, None, 100, 100)
    np.testing.assert_array_equal(view.z, RAMP[::-1, ::-1])
    assert view.bounds == (EAST, NORTH, EAST + 10, NORTH + 6)


def test_read_overview_rotated_is_laid_north_up(write_grid):
    """A quarter turn has a known answer."""
    found = open_terrain(write_grid(RAMP, transform=(0.0, 1.0, EAST, 1.0, 0.0, NORTH)))
    view = read_overview(found, None, 100, 100)
    np.testing.assert_array_equal(view.z, RAMP.T[::-1])
    assert view.bounds == pytest.approx((EAST, NORTH, EAST + 6, NORTH + 10))


def test_read_overview_rotated_corners_are_unknown(write_grid):
    found = open_terrain(write_grid(np.full((40, 40), 7.0), transform=(1, 1, EAST, 1, -1, NORTH)))
    view = read_overview(found, None, 100, 100)
    assert np.isnan(view.z[0, 0]) and view.z[view.z.shape[0] // 2, view.z.shape[1] // 2] == 7.0


def test_read_overview_beside_the_grid_is_empty(write_grid):
    assert read_overview(open_terrain(write_grid(RAMP)), (0, 0, 1, 1), 10, 10).z.size == 0


def test_read_overview_bands_side_by_side_equal_one_read(write_grid, monkeypatch):
    z = np.random.default_rng(1).normal(size=(317, 203))
    found = open_terrain(write_grid(z, tiled=True, blockxsize=64, blockysize=64))
    plain = read_overview(found, None, 61, 61).z
    monkeypatch.setattr(picture, "_THIN_CELLS", 1)
    monkeypatch.setattr(picture.os, "cpu_count", lambda: 3)
    np.testing.assert_array_equal(read_overview(found, None, 61, 61).z, plain)


# ---------------------------------------------------------------- shading


def test_hillshade_level_ground_is_sine_of_altitude():
    shade = hillshade(np.full((4, 5), 12.0), 1.0, 1.0, altitude_deg=30.0)
    np.testing.assert_allclose(shade, 0.5)


@given(p=st.floats(-2, 2), q=st.floats(-2, 2), azimuth=st.floats(0, 360), altitude=st.floats(5, 85))
def test_hillshade_of_a_plane_is_lamberts_law(p, q, azimuth, altitude):
    """Closed form: normal (-p, -q, 1) against the light."""
    x, y = np.arange(5) * 2.0, np.arange(4)[::-1] * 3.0
    shade = hillshade(p * x + q * y[:, None], 2.0, 3.0, azimuth_deg=azimuth, altitude_deg=altitude)
    a, h = np.radians([azimuth, altitude])
    light = np.array([np.sin(a) * np.cos(h), np.cos(a) * np.cos(h), np.sin(h)])
    normal = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
    np.testing.assert_allclose(shade, max(normal @ light, 0.0), atol=1e-9)


def test_hillshade_unknown_stays_unknown_and_does_not_spread():
    z = np.add.outer(np.arange(5.0), np.arange(5.0))
    whole = hillshade(z, 1.0, 1.0)
    z[2, 2] = np.nan
    holed = hillshade(z, 1.0, 1.0)
    assert np.isnan(holed).sum() == 1 and np.isnan(holed[2, 2])
    np.testing.assert_allclose(np.delete(holed, 12), np.delete(whole, 12))
