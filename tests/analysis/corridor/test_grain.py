"""How a grid was made, told from cells of known making: means, triangles, repeats, bridges."""

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.optimize import nnls
from scipy.spatial import Delaunay

from analysis.common.errors import SettingsError
from analysis.common.settings import Settings
from analysis.corridor.footprint import smeared_ramp
from analysis.corridor.grain import (
    SIDEWAYS_M,
    SMEAR_SHARE,
    estimate_grain,
    grain_of_points,
    left_over,
    smeared_boxes,
)
from analysis.corridor.made_up import made_up
from analysis.corridor.repeated import put_together
from analysis.corridor.values import Grain
from tests.builders.cells_road import both_sides, crown_section, lattice, make_cells, straight_cells

LENGTH, HALF = 300.0, 9.0


def _triangles(per_m2, *, cell=0.5, sigma=0.02, seed=1, hole=None, profile=None):
    """Points at random on a road, joined by scipy's Delaunay triangles, read at cell centres."""
    rng = np.random.default_rng(seed)
    size = rng.poisson(per_m2 * (LENGTH + 20.0) * (2.0 * HALF + 4.0))
    at = rng.uniform((-10.0, -HALF - 2.0), (LENGTH + 10.0, HALF + 2.0), (size, 2))
    if hole is not None:
        low, high = hole
        at = at[~((at > low) & (at < high)).all(axis=1)]
    section = crown_section if profile is None else profile
    z = 100.0 + section(np.abs(at[:, 1])) + sigma * rng.standard_normal(len(at))
    s, o, row, col = lattice(cell=cell, length=LENGTH, half=HALF)
    read = LinearNDInterpolator(Delaunay(at), z)
    return make_cells(s, o, read(np.column_stack([s, o])), row, col, cell)


@pytest.mark.parametrize("per_m2", [3.0, 6.0])
def test_density_of_triangles_is_told_from_the_grid(per_m2):
    grain = estimate_grain(_triangles(per_m2))
    assert grain.triangles > 0.95
    assert grain.smear_m2 - SIDEWAYS_M**2 == pytest.approx(SMEAR_SHARE / per_m2, rel=0.25)
    assert grain_of_points(per_m2).smear_m2 == pytest.approx(grain.smear_m2, rel=0.25)


def test_a_grid_read_once_more_between_its_cells_is_smeared_by_both():
    """Triangles read at 0.5 m, then halved with bilinear weights: variances of kernels add up."""
    rng, per_m2 = np.random.default_rng(8), 8.0
    at = rng.uniform((-10.0, -HALF - 2.0), (LENGTH + 10.0, HALF + 2.0), (46_000, 2))
    at = at[: round(per_m2 * (LENGTH + 20.0) * (2.0 * HALF + 4.0))]
    read = LinearNDInterpolator(Delaunay(at), 0.02 * rng.standard_normal(len(at)))
    s, o, row, col = lattice(cell=0.25, length=LENGTH, half=HALF)
    place = np.linalg.lstsq(
        np.column_stack([row, col, np.ones_like(row)]), np.column_stack([s, o]), rcond=None
    )[0]
    z = np.zeros(len(s))
    for down in (0, 1):
        for along in (0, 1):
            # the middles of coarse cells lie half a fine cell beside those of fine ones
            k, m = (row - 0.5) / 2.0, (col - 0.5) / 2.0
            r, c = np.floor(k) + down, np.floor(m) + along
            coarse = np.column_stack([2.0 * r + 0.5, 2.0 * c + 0.5, np.ones_like(r)]) @ place
            z += (1.0 - np.abs(k - r)) * (1.0 - np.abs(m - c)) * read(coarse)
    grain = estimate_grain(make_cells(s, o, 100.0 + z, row, col, 0.25))
    # a weight of 3/4 and one of 1/4, half a metre apart: variance 3/16 of a square
    expected = SMEAR_SHARE / per_m2 + 3.0 / 16.0 * 0.5**2 + SIDEWAYS_M**2
    assert grain.triangles > 0.95
    assert grain.smear_m2 == pytest.approx(expected, rel=0.15)
    assert abs(grain.smear_m2 - expected) < 2.0 * grain.smear_se_m2


def test_cell_means_keep_the_box_of_their_cells():
    grain = estimate_grain(straight_cells(both_sides(), length=LENGTH, sigma=0.02, seed=3))
    assert grain.triangles < 0.2
    assert smeared_boxes(np.array([[0.5, 0.0]]), grain)[0, 0] == pytest.approx(0.5, rel=0.05)
    assert grain.cells_per_value(0.5) == pytest.approx(1.0, abs=0.05)


def test_noise_that_goes_on_for_metres_is_no_wide_footprint():
    """Half of the variance each cell's own, half fading over a metre: drawn by its spectrum."""
    cells = straight_cells(both_sides(), length=LENGTH)
    rng = np.random.default_rng(4)
    shape = (int(cells.row.max()) + 1, int(cells.col.max()) + 1)
    fy, fx = np.fft.fftfreq(shape[0], 0.5)[:, None], np.fft.rfftfreq(shape[1], 0.5)[None, :]
    # spectrum of exp(-d / L) in the plane, L = 1 m
    power = (1.0 + (2.0 * np.pi) ** 2 * (fx**2 + fy**2)) ** -1.5
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) * np.sqrt(power), shape)
    field /= field.std()
    noise = 0.014 * (field[cells.row, cells.col] + rng.standard_normal(len(cells)))
    spoiled = make_cells(cells.s, cells.o, cells.z + noise, cells.row, cells.col, 0.5)
    assert estimate_grain(spoiled).triangles < 0.1


def test_smear_of_triangles_is_the_mean_of_many_triangulations():
    """A kink read from triangles of points at random, averaged over the places of the points."""
    rng = np.random.default_rng(5)
    x = np.array([-0.4, -0.2, 0.0, 0.2, 0.4])
    found = []
    for _ in range(25):
        at = rng.uniform(-4.0, 4.0, (rng.poisson(4.0 * 64.0), 2))
        read = LinearNDInterpolator(Delaunay(at), np.maximum(at[:, 0], 0.0))
        y = np.linspace(-2.5, 2.5, 21)
        found.append(read(*np.meshgrid(x, y)).mean(axis=0))
    grain = Grain(1.0, SMEAR_SHARE / 4.0)
    expected = smeared_ramp(x, smeared_boxes(np.array([0.5, 0.0]), grain))
    # two boxes stand in for a kernel with a sharper peak; means of cells would be 0.0625 here
    np.testing.assert_allclose(np.mean(found, axis=0), expected, atol=0.015)


def test_repeated_cells_are_put_together():
    s, o, row, col = lattice(cell=0.25, length=100.0)
    rng = np.random.default_rng(6)
    coarse = 100.0 + 0.02 * rng.standard_normal((row.max() // 2 + 2, col.max() // 2 + 2))
    cells = make_cells(s, o, coarse[(row + 1) // 2, col // 2], row, col, 0.25)
    whole = put_together(cells)
    assert (whole.cell_m, whole.every) == (0.5, 2)
    # the middle of each block, and a height that its block holds
    assert len(whole) == pytest.approx(len(cells) / 4, rel=0.06)
    at = (whole.row + 1) // 2, whole.col // 2
    np.testing.assert_array_equal(whole.z, coarse[at])
    turn = np.deg2rad(24.0)
    fine = {(r, c): (a, b) for r, c, a, b in zip(row, col, s, o, strict=True)}
    first = np.array([fine[key] for key in zip(whole.row, whole.col, strict=True)])
    to_middle = 0.125 * np.array([np.cos(turn) - np.sin(turn), np.sin(turn) + np.cos(turn)])
    np.testing.assert_allclose(np.column_stack([whole.s, whole.o]), first + to_middle, atol=1e-9)


def test_other_cells_arent_put_together():
    for sigma in (0.0, 0.02):
        cells = straight_cells(both_sides(), length=60.0, sigma=sigma)
        assert put_together(cells) is cells


def test_ground_that_bridges_a_hole_is_made_up():
    cells = _triangles(8.0, hole=((100.0, 3.0), (112.0, 7.0)))
    found = made_up(cells, estimate_grain(cells))
    inside = (cells.s > 101.0) & (cells.s < 111.0) & (cells.o > 3.8) & (cells.o < 6.2)
    away = (cells.s < 99.0) | (cells.s > 113.0) | (cells.o < 2.0) | (cells.o > 8.0)
    assert found[inside].mean() > 0.6
    assert found[away].mean() < 0.002


@pytest.mark.parametrize("per_m2", [2.0, 4.0, 12.0])
def test_facets_between_three_points_are_ground(per_m2):
    cells = _triangles(per_m2, cell=0.25 if per_m2 > 3.0 else 0.5)
    assert made_up(cells, estimate_grain(cells)).mean() < 0.002


def test_a_hole_filled_with_one_height_is_made_up():
    def filled(s, o):
        return np.where((s > 40.0) & (s < 52.0) & (o > 3.0) & (o < 7.0), np.nan, 0.0)

    cells = straight_cells(both_sides(), sigma=0.02, extra=filled)
    known = set(zip(cells.row, cells.col, strict=True))
    s, o, row, col = lattice()
    hole = np.array([key not in known for key in zip(row, col, strict=True)])
    whole = straight_cells(both_sides(), sigma=0.02)
    z = np.where(hole, 99.5, whole.z)
    found = made_up(make_cells(s, o, z, row, col, 0.5), Grain())
    assert found[hole].mean() > 0.6
    assert found[~hole].mean() < 0.02


def test_density_must_be_one():
    with pytest.raises(SettingsError, match=r"points_per_m2 is 0, but must be a number from 0\.05"):
        Settings(points_per_m2=0)


def test_left_over_is_that_of_nonnegative_least_squares():
    """Against scipy's own, with shares that would be negative, columns alike, and one of zeros."""
    dice = np.random.default_rng(6)
    for k in range(300):
        one, other, of = dice.normal(size=(3, 20))
        other = one * dice.normal() + other * 10.0 ** dice.integers(-6, 1) if k % 3 else other
        other = np.zeros(20) if k == 7 else other
        for table in ([one], [one, other], [other, one]):
            expected = nnls(np.column_stack(table), of)[1] ** 2
            np.testing.assert_allclose(left_over(of, *table), expected, rtol=1e-9)
