"""Compiled loops of the corridor against plain numpy."""

from itertools import product

import numpy as np
import pytest

from analysis.common.along import fading, lines_at
from analysis.corridor.block_kernels import Frame, Placed, carry, medians, place, smooth_across
from analysis.corridor.blocks import moving_sum
from analysis.corridor.lattice import heights_of, places_of
from analysis.corridor.lattice_kernels import (
    count_alike,
    lag_sums,
    line_misses,
    number_parts,
    straight_parts,
    sum_misses,
)
from analysis.corridor.likeness import (
    Fading,
    Residuals,
    expected_products,
    lags_of,
    plane_residuals,
)


def _misses(z, arms):
    """Squares of how far heights miss the middle of two others, by shifted arrays."""
    wide = np.pad(z, 8, constant_values=np.nan)
    rows, cols = (np.arange(size) + 8 for size in z.shape)
    middles = [
        0.5 * (wide[np.ix_(rows + down, cols + along)] + wide[np.ix_(rows - down, cols - along)])
        for down, along in arms
    ]
    return (np.stack(middles, axis=-1) - z[..., None]) ** 2


def test_misses_are_those_of_a_dense_array():
    """Cells strewn over a lattice, some of them missing, across borders of tiles."""
    rng = np.random.default_rng(2)
    z = rng.normal(size=(90, 70))
    z[rng.random(z.shape) < 0.2] = np.nan
    row, col = np.nonzero(np.isfinite(z))
    order = rng.permutation(len(row))
    row, col = row[order], col[order]
    heights = heights_of(row, col, z[row, col])
    arms = np.array([[0, 3], [2, -5], [7, 1]])
    out, want = np.empty(len(row) * 3), _misses(z, arms)[row, col]
    count = line_misses(row, col, z[row, col], heights, arms, out)
    np.testing.assert_array_equal(out[:count], want[np.isfinite(want)])
    assert 0 < count < out.size


@pytest.mark.parametrize("size", [5, 6])
def test_straight_squares_are_those_of_a_dense_array(size):
    """Squares of cells, and those that begin half a square later, each summed up by itself."""
    rng = np.random.default_rng(3)
    z = rng.normal(size=(34, 38))
    z[9:23, 11:27] = 0.1 * np.arange(16)
    z[rng.random(z.shape) < 0.1] = np.nan
    row, col = np.nonzero(np.isfinite(z))
    arms, fewest, most = np.array([[0, 2], [3, -1]]), 0.4 * size**2, 0.3
    heights, dense = heights_of(row, col, z[row, col]), _misses(z, arms)
    want = np.zeros(z.shape, dtype=bool)
    half = size // 2
    for r, c in product(range(-half, 34), range(-half, 38)):
        if (r % size in (0, size - half)) and (c % size in (0, size - half)):
            square = slice(max(r, 0), r + size), slice(max(c, 0), c + size)
            lines = np.isfinite(dense[square]).sum(axis=(0, 1))
            want[square] |= (
                (np.nansum(dense[square], axis=(0, 1)) < most * lines) & (lines >= fewest)
            ).any()
    number, part = np.full((16, 18), -1, dtype=np.int32), np.empty(len(row), dtype=np.int32)
    lines, total = np.zeros((2, number_parts(row, col, size, number, part), 2))
    sum_misses(row, col, z[row, col], part, heights, arms, lines, total)
    found = straight_parts(number, lines, total, fewest, most)[part]
    np.testing.assert_array_equal(found, want[row, col])
    assert 0 < found.sum() < len(row)


@pytest.mark.parametrize("bend", [1, 3])
def test_residuals_are_those_of_least_squares(bend):
    """Without outliers no weight changes, and the planes are plain least squares (numpy)."""
    rng = np.random.default_rng(4)
    s, x = np.sort(rng.uniform(0.0, 14.9, 150)), rng.uniform(-1.5, 1.5, 150)
    z = 5.0 + 0.01 * s - 0.02 * x + rng.uniform(-0.01, 0.01, 150)
    lattice = (np.arange(150), np.zeros(150, dtype=np.int64))
    found = plane_residuals(s, x, z, lattice, ends=(0.0, 30.0), cell_m=0.5, bend=bend)
    assert found is not None and len(found.middle) == 1
    t, across = s - s.mean(), x - x.mean()
    design = np.column_stack(
        [np.ones(150), t, t * t, x, t * x, *(across**k for k in range(2, bend + 1))]
    )
    plain = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    np.testing.assert_allclose(found.value, plain, atol=1e-12)
    assert found.middle[0] == pytest.approx(s.mean())
    assert found.size[0, 0] == pytest.approx(np.ptp(s))


def test_neighbours_are_counted_as_in_a_dense_array():
    rng = np.random.default_rng(5)
    z = rng.integers(0, 3, (40, 50)).astype(float)
    z[rng.random(z.shape) < 0.2] = np.nan
    row, col = np.nonzero(np.isfinite(z))
    order = rng.permutation(len(row))
    row, col = row[order], col[order]
    for along in (True, False):
        out = np.zeros((3, 2), dtype=np.int64)
        count_alike(row, col, z[row, col], places_of(row, col), along, out)
        turned = z if along else z.T
        both = np.isfinite(turned[:, 1:]) & np.isfinite(turned[:, :-1])
        for k in range(3):
            here = np.arange(1, turned.shape[1]) % 3 == k
            same = both & (turned[:, 1:] == turned[:, :-1])
            assert out[k].tolist() == [both[:, here].sum(), same[:, here].sum()]


def test_products_are_those_of_a_dense_array():
    """Cells strewn over a lattice in two pieces, one place taken twice."""
    rng = np.random.default_rng(7)
    dense = rng.normal(size=(60, 50))
    dense[rng.random(dense.shape) < 0.2] = np.nan
    row, col = np.nonzero(np.isfinite(dense))
    piece, value = (col > 30).astype(np.int64), dense[row, col]
    lags = np.array([[0, 0], [0, 3], [2, -5]])
    total, pairs = np.zeros((2, 3))
    row, col, piece = (np.append(part, part[0]) for part in (row, col, piece))
    value = np.append(value, 9.0)
    lag_sums(row, col, value, piece, places_of(row, col), lags, total, pairs)
    wide = np.pad(dense, 8, constant_values=np.nan)
    for k, (down, along) in enumerate(lags):
        product = dense * wide[8 + down : 68 + down, 8 + along : 58 + along]
        other = np.arange(50) + along
        product[:, (np.arange(50) > 30) != (other > 30)] = np.nan
        assert pairs[k] == np.isfinite(product).sum()
        assert total[k] == pytest.approx(np.nansum(product))


def test_expected_products_are_those_of_the_whole_covariance():
    """What planes by least squares leave of a covariance, written out."""
    size, lags = np.array([[4.0, 2.0]]), lags_of(0.5)
    none = np.empty(0)
    whole = np.empty(0, dtype=np.int64)
    residuals = Residuals(none, whole, whole, whole, none, none, size)
    white, (fade,) = expected_products(residuals, 0.5, lags, [Fading(fading, 1.4)])
    i, j = (part.ravel() for part in np.mgrid[0:8, 0:4])
    design = np.column_stack([np.ones(32), i, i**2, j, i * j])
    kept = np.eye(32) - design @ np.linalg.pinv(design)
    apart = 0.5 * np.hypot(i[:, None] - i, j[:, None] - j)
    for found, covariance in ((white, np.eye(32)), (fade, np.exp(-apart / 1.4))):
        left = kept @ covariance @ kept
        for k, (down, along) in enumerate(lags.tolist()):
            ways = {(down, along), (along, down)}
            there = [(i[:, None] + d == i) & (j[:, None] + a == j) for d, a in ways]
            pairs = np.concatenate([left[where] for where in there])
            assert found[k] == pytest.approx(pairs.mean() if pairs.size else 0.0, abs=1e-12)


def test_places_on_lines_are_those_of_numpy():
    rng = np.random.default_rng(8)
    for n in (1, 2, 30):
        at, values = np.sort(rng.uniform(0.0, 9.0, n)), rng.normal(size=n)
        there = np.sort(np.concatenate([rng.uniform(-1.0, 10.0, 200), at]))
        np.testing.assert_array_equal(lines_at(there, at, values), np.interp(there, at, values))


@pytest.mark.parametrize(("n", "rows"), [(30, 7), (5, 11), (1, 3), (4, 1)])
def test_sums_of_rows_are_those_of_each_row_by_itself(n, rows):
    values = np.random.default_rng(6).normal(size=(n, 4))
    half = rows // 2
    plain = [values[max(i - half, 0) : i + half + 1].sum(axis=0) for i in range(n)]
    np.testing.assert_allclose(moving_sum(values, rows), plain, atol=1e-12)


def test_blocks_are_those_of_plain_sums():
    """Medians, bins, lines across and carried heights, each written out with numpy."""
    rng = np.random.default_rng(6)
    s, o = np.sort(rng.uniform(0.0, 20.0, 900)), rng.uniform(-4.0, 4.0, 900)
    z = 3.0 + 0.1 * s - 0.02 * np.abs(o) + rng.normal(0.0, 0.01, 900)
    z[7] = np.nan
    cut, out = np.array([0, 300, 300, 900]), np.empty(3)
    medians(o, cut, out)
    np.testing.assert_array_equal(out, [np.median(o[:300]), np.nan, np.median(o[300:])])
    at = np.array([2.0, 9.0, 18.0])
    frame = Frame(0.0, 5.0, 0.5, 4, 12, at, 3.0 + 0.1 * at)
    whole = np.empty(1800, dtype=np.int64)
    placed = Placed(whole, whole.copy(), *(np.empty(1800) for _ in range(3)))
    placed = Placed(*(part[: place(s, o, z, frame, placed)] for part in placed))
    # a cell fades from one bin to the next over a quarter of a bin on either side of their border
    border = np.arange(13)
    away = (o / 0.5 + 6.0)[:, None] - border
    above = np.clip(0.5 + 2.0 * away, 0.0, 1.0)
    shares = above[:, :-1] - above[:, 1:]
    known = np.isfinite(z)[:, None] & (shares > 0.0)
    cell, col = np.nonzero(known)
    order = np.lexsort((placed.flat, placed.index))
    np.testing.assert_array_equal(placed.index[order], cell)
    np.testing.assert_array_equal(placed.flat[order], (s // 5.0).astype(int)[cell] * 12 + col)
    np.testing.assert_allclose(placed.share[order], shares[known], atol=1e-12)
    over = z - np.interp(s, at, frame.profile)
    np.testing.assert_allclose(placed.z[order], over[cell], atol=1e-12)

    count, total = (
        np.bincount(placed.flat, weight, 48).reshape(4, 12) for weight in (None, placed.z)
    )
    count[1, 2:9] = 0.0
    weight, away, wide = np.array([0.5, 1.0, 0.5]), np.array([-0.5, 0.0, 0.5]), np.empty((4, 12))
    smooth_across(np.where(count > 0.0, total, 0.0), count.astype(float), weight, away, 0.01, wide)
    assert np.isnan(wide[1, 3:8]).all() and np.isfinite(np.delete(wide, 1, axis=0)).all()
    x = np.repeat(np.arange(4, 7) * 0.5, 1)
    mean, n = total[2, 4:7] / count[2, 4:7], count[2, 4:7] * weight
    line = np.polynomial.Polynomial.fit(x, mean, 1, w=np.sqrt(n))
    assert wide[2, 5] == pytest.approx(line(2.5))

    wide, slope = rng.normal(0.0, 0.01, 48), rng.normal(0.0, 0.01, 48)
    middle, value = (np.arange(12) - 5.5) * 0.5, np.empty(placed.z.size)
    scatter = carry(placed, wide, slope, middle, 2.0, value)
    carried = placed.z - slope[placed.flat] * (placed.o - middle[placed.flat % 12])
    off = carried - wide[placed.flat]
    near = (np.abs(placed.o) < 2.0) & (placed.share > 0.5)
    assert scatter == pytest.approx(1.4826 * np.median(np.abs(off[near])))
    limit = 4.0 * scatter + 0.03
    np.testing.assert_allclose(value, carried - off + np.clip(off, -limit, limit), atol=1e-12)
