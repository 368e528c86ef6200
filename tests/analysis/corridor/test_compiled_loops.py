"""Compiled loops of the corridor against plain numpy."""

import numpy as np
import pytest

from analysis.corridor.lattice_kernels import (
    TILE,
    Places,
    fill_places,
    line_misses,
    number_patches,
    straight_patches,
)
from analysis.corridor.likeness import plane_residuals


def test_misses_are_those_of_a_dense_array():
    """Cells strewn over a lattice, some of them missing, across borders of tiles."""
    rng = np.random.default_rng(2)
    z = rng.normal(size=(90, 70))
    z[rng.random(z.shape) < 0.2] = np.nan
    row, col = np.nonzero(np.isfinite(z))
    order = rng.permutation(len(row))
    row, col = row[order], col[order]
    tile = np.full((90 // TILE + 1, 70 // TILE + 1), -1, dtype=np.int32)
    count = number_patches(row, col, TILE, tile)
    places = Places(tile, np.full((count, TILE * TILE), -1, dtype=np.int32))
    fill_places(row, col, places)
    arms = np.array([[0, 3], [2, -5], [7, 1]])
    out = np.empty((len(row), 3))
    line_misses(row, col, z[row, col], places, arms, out)
    wide = np.pad(z, 8, constant_values=np.nan)
    for k, (down, along) in enumerate(arms):
        one = wide[row + 8 + down, col + 8 + along]
        other = wide[row + 8 - down, col + 8 - along]
        np.testing.assert_array_equal(out[:, k], (0.5 * (one + other) - z[row, col]) ** 2)


def test_straight_patches_are_those_of_bincount():
    rng = np.random.default_rng(3)
    patch, misses = rng.integers(0, 5, 400), rng.exponential(1.0, (400, 2))
    misses[patch == 3] *= 0.01
    misses[rng.random(misses.shape) < 0.1] = np.nan
    found = straight_patches(
        patch, misses, 20.0, 0.1, np.zeros((5, 2), dtype=np.int64), np.zeros((5, 2))
    )
    assert found.tolist() == [False, False, False, True, False]


@pytest.mark.parametrize("bend", [1, 3])
def test_residuals_are_those_of_least_squares(bend):
    """Without outliers no weight changes, and the planes are plain least squares (numpy)."""
    rng = np.random.default_rng(4)
    s, x = np.sort(rng.uniform(0.0, 14.9, 150)), rng.uniform(-1.5, 1.5, 150)
    z = 5.0 + 0.01 * s - 0.02 * x + rng.uniform(-0.01, 0.01, 150)
    lattice = (np.arange(150), np.zeros(150, dtype=np.int64))
    found = plane_residuals(s, x, z, lattice, start=0.0, cell_m=0.5, bend=bend)
    assert found is not None and len(found.middle) == 1
    t, across = s - s.mean(), x - x.mean()
    design = np.column_stack(
        [np.ones(150), t, t * t, x, t * x, *(across**k for k in range(2, bend + 1))]
    )
    plain = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    np.testing.assert_allclose(found.value, plain, atol=1e-12)
    assert found.middle[0] == pytest.approx(s.mean())
    assert found.size[0, 0] == pytest.approx(np.ptp(s))
