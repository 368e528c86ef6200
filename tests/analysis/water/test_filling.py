"""Depression filling against two general-purpose libraries, closed forms and its own laws."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyflwdir
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy.ndimage import find_objects, gaussian_filter, label
from skimage.morphology import reconstruction

from analysis.water.filling import (
    cells_named,
    fill_bounds,
    fill_profile,
    fill_ribbon,
    holes,
    spill_cell,
)
from tests.builders.plain_flood import plain_flood

EIGHT = np.ones((3, 3))
SAMPLE = Path(__file__).parents[3] / "sample_terrain" / "data" / "terrain.tif"

ribbons = arrays(
    np.float64,
    array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9),
    elements=st.integers(-20, 20).map(float),
)


def reconstructed(ground, free):
    """Fill by scikit-image: erode a raised marker that touches the ground where water leaves."""
    top = np.nanmax(np.where(np.isfinite(ground), ground, np.nan)) + 1.0
    mask = np.clip(ground, -1e9, top)
    return reconstruction(np.where(free, mask, top), mask, method="erosion", footprint=EIGHT)


def border(shape):
    edge = np.zeros(shape, bool)
    edge[0] = edge[-1] = True
    edge[:, 0] = edge[:, -1] = True
    return edge


def rough(shape, seed, blur=0.0):
    z = np.random.default_rng(seed).normal(size=shape)
    return gaussian_filter(z, blur) if blur else z


@pytest.mark.parametrize("blur", [0.0, 1.0, 4.0])
@pytest.mark.parametrize("shape", [(1, 30), (30, 1), (2, 2), (3, 3), (61, 40), (300, 23), (7, 90)])
def test_fill_ribbon_equals_grey_scale_reconstruction(shape, blur):
    """Reference: skimage.morphology.reconstruction, same footprint, equal to the last bit."""
    z = rough(shape, seed=sum(shape), blur=blur)
    assert np.array_equal(fill_ribbon(z), reconstructed(z, border(shape)))


@pytest.mark.parametrize("blur", [0.0, 2.0])
def test_fill_ribbon_equals_priority_flood_of_pyflwdir(blur):
    """Reference: pyflwdir.dem.fill_depressions (Wang and Liu, 2006); it works in float32."""
    z = rough((150, 60), seed=3, blur=blur).astype(np.float32)
    filled, _ = pyflwdir.dem.fill_depressions(z, nodata=-9999.0, outlets="edge")
    assert np.abs(fill_ribbon(z) - filled).max() <= 1e-6


def test_fill_ribbon_equals_references_on_the_sample_terrain():
    """A whole window of the sample grid, with its noise and its holes as bottomless cells."""
    from analysis.terrain.geofiles import rasterio

    with rasterio.open(SAMPLE) as grid:
        rows, columns = grid.height // 2, grid.width // 2
        z = grid.read(
            1, window=((rows // 2, rows // 2 + 400), (columns, columns + 400)), masked=True
        )
    z = z.filled(np.nan).astype(np.float64)
    known = np.isfinite(z)
    assert known.mean() > 0.02
    free = border(z.shape) | ~known
    expected = reconstructed(np.where(known, z, -1e9), free)
    ours = fill_ribbon(z, holes_drain=True)
    assert np.array_equal(np.isnan(ours), ~known)
    assert np.abs(ours - expected)[known].max() <= 1e-6
    theirs, _ = pyflwdir.dem.fill_depressions(
        np.where(known, z, -9999.0).astype(np.float32), nodata=-9999.0, outlets="edge"
    )
    # heights about 150 m have steps of 1.5e-5 m in float32
    assert np.abs(ours - theirs)[known].max() <= 2e-5


@pytest.mark.parametrize("seed", range(6))
def test_fill_ribbon_equals_the_plain_flood(seed):
    """Two engines, one answer: compiled sweeps and the plain priority queue."""
    rng = np.random.default_rng(seed)
    z = rough((40, 27), seed, blur=seed % 3)
    z[rng.random(z.shape) < 0.08] = np.nan
    outlets = rng.random(z.shape) < 0.01
    for drain in (False, True):
        fast = fill_ribbon(z, outlets=outlets, holes_drain=drain)
        plain = plain_flood(z, outlets, drain)
        assert np.array_equal(fast, plain, equal_nan=True)


def test_fill_ribbon_spiral_needs_the_ordered_stage():
    """A winding channel runs against both sweeps many times over."""
    n = 41
    z = np.full((n, n), 10.0)
    i = j = n // 2
    path, step, di, dj = [(i, j)], 2, 0, 1
    while 1 < i < n - 2 and 1 < j < n - 2:
        for _ in range(2):
            for _ in range(step):
                i, j = i + di, j + dj
                path.append((i, j))
            di, dj = dj, -di
        step += 2
    path = [(a, b) for a, b in path if 0 <= a < n and 0 <= b < n]
    for place, (a, b) in enumerate(path):
        z[a, b] = 5.0 - 1e-3 * place
    a, b = path[-1]
    z[a:, b] = np.minimum(z[a:, b], 1.0)
    assert np.array_equal(fill_ribbon(z), reconstructed(z, border(z.shape)))
    assert np.array_equal(fill_ribbon(z), plain_flood(z))
    assert np.array_equal(fill_ribbon(z), z)  # the channel drains all of it


def test_fill_ribbon_corners_and_diagonals():
    """Water leaves through a corner and through a diagonal gap."""
    z = np.full((4, 4), 9.0)
    z[0, 0], z[1, 1], z[2, 2] = 1.0, 3.0, 2.0
    filled = fill_ribbon(z)
    assert filled[1, 1] == 3.0
    assert filled[2, 2] == 3.0
    assert np.array_equal(fill_ribbon(z[::-1, ::-1])[::-1, ::-1], filled)


def test_fill_ribbon_empty_and_single():
    assert fill_ribbon(np.empty((0, 5))).shape == (0, 5)
    assert fill_ribbon(np.empty((5, 0))).shape == (5, 0)
    assert fill_ribbon([[4.0]]).tolist() == [[4.0]]
    assert np.isnan(fill_ribbon(np.full((4, 4), np.nan))).all()


def test_fill_ribbon_leaves_its_input_alone():
    z = np.asfortranarray(rough((30, 20), 1))
    z[5, 5] = np.nan
    before = z.copy()
    z.setflags(write=False)
    fill_ribbon(z)
    assert np.array_equal(z, before, equal_nan=True)


def test_fill_ribbon_invalid():
    with pytest.raises(ValueError, match="two axes"):
        fill_ribbon(np.zeros(3))
    with pytest.raises(ValueError, match="outlets must have the ribbon's shape"):
        fill_ribbon(np.zeros((3, 3)), outlets=np.zeros((2, 3), bool))


def test_fill_ribbon_outlet_drains_to_its_own_height():
    """A culvert inlet keeps the basin at the inlet's ground, not lower."""
    z = np.full((9, 9), 5.0)
    z[3:6, 3:6] = 2.0
    z[4, 4] = 1.0
    inlet = np.zeros(z.shape, bool)
    inlet[3, 3] = True
    filled = fill_ribbon(z, outlets=inlet)
    assert filled[3, 3] == 2.0
    assert filled[4, 4] == 2.0
    assert fill_ribbon(z)[4, 4] == 5.0


def basin_with_hole():
    z = np.full((9, 12), 5.0)
    z[3:6, 3:9] = 2.0
    z[4, 5:7] = np.nan
    return z


def test_fill_bounds_hole_is_neither_sink_nor_wall():
    """Beside a hole the pond is possible, not certain; away from it nothing changes."""
    z = basin_with_hole()
    z[1:3, 10] = 4.0
    least, most = fill_bounds(z)
    assert (least[3:6, 3:5] == 2.0).all()
    assert (most[3:6, 3:5] == 5.0).all()
    assert least[1, 10] == most[1, 10] == 5.0
    assert np.isnan(least[4, 5])
    assert np.isnan(most[4, 6])
    assert holes(z).sum() == 2


def test_fill_bounds_without_holes_is_one_array():
    least, most = fill_bounds(rough((8, 8), 2))
    assert least is most


@pytest.mark.parametrize("seed", range(20))
def test_fill_bounds_hold_whatever_the_hole_hides(seed):
    """Whatever ground is put into the holes, the level lies between the bounds."""
    rng = np.random.default_rng(seed)
    truth = rough((24, 18), seed, blur=1.5)
    z = truth.copy()
    z[6:9, 5:8] = np.nan
    z[15:17, 9:14] = np.nan
    least, most = fill_bounds(z)
    known = np.isfinite(z)
    hidden = truth.copy()
    hidden[~known] = rng.normal(scale=3.0, size=(~known).sum())
    level = fill_ribbon(hidden)
    assert (least[known] <= level[known] + 1e-12).all()
    assert (level[known] <= most[known] + 1e-12).all()


def test_fill_ribbon_outside_moves_the_border_inward():
    """Unknown cells outside everything known leave the same answer as cutting them off."""
    z = rough((30, 20), 7, blur=1.0)
    wide = np.full((34, 27), np.nan)
    wide[2:32, 3:23] = z
    assert np.array_equal(fill_ribbon(wide)[2:32, 3:23], fill_ribbon(z))
    assert not holes(wide).any()


def test_fill_ribbon_gap_right_across_is_a_hole():
    """A stretch without data hides whether water goes on along the road."""
    z = np.tile(np.array([5.0, 5, 1, 5, 5]), (9, 1)) - 0.1 * np.arange(9)[:, None]
    z[4] = np.nan
    least, most = fill_bounds(z)
    assert holes(z)[4].all()
    assert least[3, 2] == z[3, 2]
    assert most[3, 2] > z[3, 2]


def test_fill_ribbon_closed_in_by_holes_is_unknown():
    """Where holes close off every way out no level can be named."""
    z = np.full((7, 7), 3.0)
    z[2:5, 2:5] = np.nan
    z[3, 3] = 1.0
    least, most = fill_bounds(z)
    assert np.isnan(most[3, 3])
    assert least[3, 3] == 1.0


@settings(max_examples=60, deadline=None)
@given(ribbons)
def test_fill_ribbon_laws(z):
    """Never below the ground, border untouched, filling twice changes nothing."""
    filled = fill_ribbon(z)
    edge = border(z.shape)
    assert (filled >= z).all()
    assert np.array_equal(filled[edge], z[edge])
    assert np.array_equal(fill_ribbon(filled), filled)
    assert np.array_equal(filled, reconstructed(z, edge))


@settings(max_examples=40, deadline=None)
@given(ribbons, st.integers(-1000, 1000).map(float))
def test_fill_ribbon_raised_or_mirrored(z, lift):
    """Raising the ground raises the level; mirrored ground has mirrored levels."""
    filled = fill_ribbon(z)
    assert np.array_equal(fill_ribbon(z + lift), filled + lift)
    assert np.array_equal(fill_ribbon(z[:, ::-1])[:, ::-1], filled)
    assert np.array_equal(fill_ribbon(z[::-1])[::-1], filled)
    assert np.array_equal(fill_ribbon(z.T).T, filled)


@settings(max_examples=60, deadline=None)
@given(arrays(np.float64, st.integers(1, 30), elements=st.integers(-9, 9).map(float)))
def test_fill_profile_equals_a_ribbon_between_walls(z):
    """A line is a ribbon of one column between walls."""
    wall = np.full(z.size, 1e6)
    expected = fill_ribbon(np.column_stack([wall, z, wall]))[:, 1]
    assert np.array_equal(fill_profile(z), expected)


def test_fill_profile_unknown_cuts_the_line():
    z = np.array([5.0, 1, 5, 2, np.nan, 2, 4, 3, 4])
    assert fill_profile(z)[:4].tolist() == [5.0, 5.0, 5.0, 2.0]
    assert fill_profile(z)[5:].tolist() == [2.0, 4.0, 4.0, 4.0]
    assert np.isnan(fill_profile(z)[4])
    assert fill_profile(np.empty(0)).size == 0
    with pytest.raises(ValueError, match="one axis"):
        fill_profile(np.zeros((2, 2)))


def test_spill_cell_is_the_lowest_saddle():
    z = np.full((7, 9), 5.0)
    z[2:5, 2:6] = 1.0
    z[3, 6:] = 3.0
    level = fill_ribbon(z)
    cells = np.flatnonzero((level - z).ravel() > 0)
    assert np.unravel_index(spill_cell(level, cells, 3.0), z.shape) == (3, 6)


def test_fill_ribbon_with_the_compiler_off():
    """Uncompiled, the kernels check every index: corner and edge cases must still pass."""
    script = (
        "import numpy as np\n"
        "from analysis.water.filling import fill_ribbon\n"
        "from tests.builders.plain_flood import plain_flood\n"
        "rng = np.random.default_rng(0)\n"
        "for shape in [(1, 1), (1, 5), (5, 1), (2, 2), (9, 7), (25, 12)]:\n"
        "    z = rng.normal(size=shape)\n"
        "    z[rng.random(shape) < 0.1] = np.nan\n"
        "    same = np.array_equal(fill_ribbon(z), plain_flood(z), equal_nan=True)\n"
        "    assert same, shape\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_cells_named_are_those_of_the_labels():
    """Of many labelled pieces the wanted ones, as scipy's own boxes find them."""
    names, count = label(np.random.default_rng(3).random((40, 30)) < 0.3)
    boxes, wanted = find_objects(names), np.array([2, 5, count], np.int32)
    for name, cells in zip(wanted, cells_named(names, wanted), strict=True):
        box = boxes[name - 1]
        i, j = np.nonzero(names[box] == name)
        expected = (i + box[0].start) * 30 + j + box[1].start
        np.testing.assert_array_equal(cells, expected)
    assert cells_named(names, np.empty(0, np.int32)) == []
