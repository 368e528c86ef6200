"""Noise from the pavement: known noise given back, flight lines told apart, correlation met."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import cholesky

from analysis.corridor.values import Cells
from analysis.edges.values import Breaks
from analysis.shoulder.noise import LEAST_SIGMA_M, estimate_noise
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Noise
from sample_terrain.cells import correlated_noise
from tests.builders.cells_road import both_sides, box_for, known_breaks, known_noise, straight_cells


def _road(length=600.0, *, cell=0.5, spacing=10.0) -> tuple[Cells, Breaks]:
    cells = straight_cells(both_sides(drop=0.02), cell=cell, length=length, half=6.0, grade=0.03)
    return cells, known_breaks(np.arange(10.0, length - 9.0, spacing))


def _with_field(cells: Cells, seed: int, **options) -> Cells:
    """Add noise of the lattice itself; its covariance is the stated one in two dimensions."""
    shape = int(cells.row.max()) + 1, int(cells.col.max()) + 1
    field = correlated_noise(shape, cells.cell_m, np.random.default_rng(seed), **options)
    return replace(cells, z=cells.z + field[cells.row, cells.col])


def _correlation(noise: Noise, d):
    """Correlation that an estimate tells for two cells `d` apart."""
    length = max(float(noise.correlation_m[0]), 1e-9)
    return (1.0 - float(noise.nugget[0])) * np.exp(-np.asarray(d) / length)


@pytest.mark.parametrize(("cell", "sigma"), [(0.25, 0.02), (0.5, 0.01), (0.5, 0.02), (0.5, 0.06)])
def test_estimate_noise_white(cell, sigma):
    """White noise of 10 to 60 mm is found within 5 %, at every station within 15 %."""
    cells, breaks = _road(200.0 if cell < 0.5 else 600.0, cell=cell)
    noise = estimate_noise(_with_field(cells, 1, sigma_m=sigma), breaks)
    assert np.mean(noise.sigma_m) == pytest.approx(sigma, rel=0.05)
    np.testing.assert_allclose(noise.sigma_m, sigma, rtol=0.15)
    # neighbours tell nothing of each other
    assert _correlation(noise, 0.5) < 0.1
    assert noise.source == "estimated from the pavement"


def test_estimate_noise_coarse_cells():
    """Cells of a metre leave few to a plane; the noise is still right within 10 %."""
    cells, breaks = _road(cell=1.0)
    noise = estimate_noise(_with_field(cells, 2, sigma_m=0.03), breaks)
    assert np.mean(noise.sigma_m) == pytest.approx(0.03, rel=0.10)


@pytest.mark.parametrize(
    ("tie", "nugget", "within"),
    [(0.7, 0.3, 0.08), (1.0, 0.0, 0.08), (1.5, 0.5, 0.08), (2.0, 0.2, 0.15)],
)
def test_estimate_noise_correlated(tie, nugget, within):
    """A mixture of white and correlated noise: sigma, and the correlation at every distance.

    The longer the correlation, the more of it a lane of 3.5 m hides in its planes.
    """
    found = []
    for seed in range(4):
        cells, breaks = _road(500.0)
        spoiled = _with_field(cells, seed, sigma_m=0.02, correlation_m=tie, nugget=nugget)
        found.append(estimate_noise(spoiled, breaks))
    sigma = np.mean([np.mean(noise.sigma_m) for noise in found])
    assert sigma == pytest.approx(0.02, rel=0.10)
    d = np.array([0.5, 1.0, 1.5, 2.0, 3.0])
    mean = np.mean([_correlation(noise, d) for noise in found], axis=0)
    np.testing.assert_allclose(mean, (1.0 - nugget) * np.exp(-d / tie), atol=within)
    assert tie / 2.0 < np.median([noise.correlation_m[0] for noise in found]) < 2.0 * tie
    assert np.mean([noise.nugget[0] for noise in found]) == pytest.approx(nugget, abs=0.12)


@pytest.mark.parametrize(("tie", "nugget"), [(0.0, 1.0), (1.0, 0.3), (2.0, 0.2)])
def test_estimate_noise_gives_the_right_errors(tie, nugget):
    """Standard errors with estimated noise are those with the true noise, within 8 %."""
    cells, breaks = _road(400.0)
    boxes = box_for(breaks.s.size, 0.5, 24.0)
    true = known_noise(breaks.s.size, 0.02, correlation=tie, nugget=nugget)
    expected, _ = measure_sides(cells, breaks, true, average_m=20.0, box_m=boxes)
    ratios = []
    for seed in range(3):
        spoiled = _with_field(cells, seed, sigma_m=0.02, correlation_m=tie, nugget=nugget)
        noise = estimate_noise(spoiled, breaks)
        found, _ = measure_sides(spoiled, breaks, noise, average_m=20.0, box_m=boxes)
        ratios.append(
            [
                np.mean(found.shoulder_slope_se / expected.shoulder_slope_se),
                np.mean(found.edge_drop_se / expected.edge_drop_se),
            ]
        )
    np.testing.assert_allclose(np.mean(ratios, axis=0), 1.0, atol=0.08)


def test_estimate_noise_of_drawn_covariance():
    """Noise drawn by scipy's Cholesky factor of the covariance itself, in blocks of road."""
    cells, breaks = _road(180.0)
    sigma, tie, nugget = 0.03, 1.2, 0.25
    dice = np.random.default_rng(11)
    z = cells.z.copy()
    for start in np.arange(0.0, 180.0, 15.0):
        here = cells.window(start, start + 15.0)
        on = np.flatnonzero(np.abs(cells.o[here]) < 3.6) + here.start
        s, o = cells.s[on], cells.o[on]
        apart = np.hypot(s[:, None] - s, o[:, None] - o)
        covariance = np.where(apart == 0.0, 1.0, (1.0 - nugget) * np.exp(-apart / tie))
        z[on] += sigma * (cholesky(covariance, lower=True) @ dice.standard_normal(on.size))
    noise = estimate_noise(replace(cells, z=z), breaks)
    assert np.mean(noise.sigma_m) == pytest.approx(sigma, rel=0.12)
    d = np.array([0.5, 1.0, 2.0])
    np.testing.assert_allclose(_correlation(noise, d), (1.0 - nugget) * np.exp(-d / tie), atol=0.12)


def test_estimate_noise_given():
    """A noise that the user sets holds; its correlation still comes from the ground."""
    cells, breaks = _road()
    spoiled = _with_field(cells, 3, sigma_m=0.02, correlation_m=1.0, nugget=0.3)
    given, free = (estimate_noise(spoiled, breaks, given_m=g) for g in (0.06, None))
    np.testing.assert_array_equal(given.sigma_m, 0.06)
    assert given.source == "given"
    np.testing.assert_array_equal(given.correlation_m, free.correlation_m)
    np.testing.assert_array_equal(given.nugget, free.nugget)


def test_estimate_noise_follows_flight_lines():
    """Noise that doubles halfway along the road doubles in the estimate too."""
    length = 1000.0
    cells, breaks = _road(length)
    dice = np.random.default_rng(4)
    sigma = np.where(cells.s < 0.5 * length, 0.015, 0.03)
    noise = estimate_noise(
        replace(cells, z=cells.z + sigma * dice.standard_normal(sigma.size)), breaks
    )
    before, after = breaks.s < 380.0, breaks.s > 620.0
    assert np.mean(noise.sigma_m[before]) == pytest.approx(0.015, rel=0.08)
    assert np.mean(noise.sigma_m[after]) == pytest.approx(0.03, rel=0.08)
    assert 1.8 < noise.sigma_m[-1] / noise.sigma_m[0] < 2.2


def test_estimate_noise_ignores_what_stands_on_the_road():
    """Two parked cars and a pothole don't make the survey look noisy."""
    cells, breaks = _road()
    clear = _with_field(cells, 5, sigma_m=0.02)
    z = clear.z.copy()
    for at, side in ((150.0, 1.0), (310.0, -1.0)):
        z[(np.abs(cells.s - at) < 2.2) & (np.abs(side * cells.o - 2.4) < 0.9)] += 1.4
    z[np.hypot(cells.s - 420.0, cells.o - 1.5) < 0.8] -= 0.08
    a, b = estimate_noise(clear, breaks), estimate_noise(replace(clear, z=z), breaks)
    np.testing.assert_allclose(b.sigma_m, a.sigma_m, rtol=0.10)


def test_estimate_noise_road_shape_isnt_noise():
    """Grade, a sag, a turning pavement and a drop at the edge leave no noise behind."""
    cells, breaks = _road(300.0)
    bent = cells.z + (cells.s - 150.0) ** 2 / 2000.0 - 0.0006 * (cells.s - 150.0) * cells.o
    noise = estimate_noise(replace(cells, z=bent), breaks)
    assert (noise.sigma_m < 1e-3).all() and (noise.sigma_m >= LEAST_SIGMA_M).all()


def test_estimate_noise_scales_with_heights():
    """Noise twice as high is twice as high, with the same correlation."""
    cells, breaks = _road(300.0)
    field = _with_field(cells, 6, sigma_m=0.02, correlation_m=1.0, nugget=0.4).z - cells.z
    one, two = (estimate_noise(replace(cells, z=cells.z + f * field), breaks) for f in (1.0, 2.0))
    np.testing.assert_allclose(two.sigma_m, 2.0 * one.sigma_m, rtol=0.02)
    np.testing.assert_array_equal(two.correlation_m, one.correlation_m)


def test_estimate_noise_without_pavement():
    """No cells on the pavement: unknown, not zero, unless it was given."""
    cells, breaks = _road(100.0)
    off = np.abs(cells.o) > 4.0
    bare = Cells(cells.s[off], cells.o[off], cells.z[off], cells.row[off], cells.col[off], 0.5)
    noise = estimate_noise(bare, breaks)
    assert np.isnan(noise.sigma_m).all() and noise.source.startswith("unknown")
    np.testing.assert_array_equal(estimate_noise(bare, breaks, given_m=0.03).sigma_m, 0.03)
