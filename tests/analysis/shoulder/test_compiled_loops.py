"""Compiled loops of the shoulder against the same written plainly with numpy."""

from dataclasses import replace
from itertools import pairwise, product

import numpy as np
import pytest

from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.shoulder.grass_kernels import plane_residuals
from analysis.shoulder.noise_kernels import scatter_along, tie_ways
from analysis.shoulder.seam_kernels import Asked, Paved, Said, ask_blocks, best_way
from analysis.shoulder.stretch_kernels import (
    Stretches,
    Told,
    apart_along,
    scatter_of,
    unlike_windows,
)
from analysis.shoulder.strip import BEYOND_HINGE_M, PAVEMENT_M, Windows, side_strip
from tests.builders.cells_road import both_sides, box_for, known_breaks, straight_cells

STATIONS = np.arange(5.0, 56.0, 10.0)


@pytest.fixture(scope="module")
def cells():
    return straight_cells(both_sides(), cell=0.5, length=60.0, half=14.0, sigma=0.02, seed=1)


def test_cells_of_a_side_are_those_of_interpolated_breaks(cells):
    breaks = known_breaks(STATIONS)
    edge = 3.0 + 0.1 * np.arange(12).reshape(6, 2)
    hinge = edge + np.array([1.5, np.nan, 1.2, 1.6, 1.4, np.nan])[:, None]
    end = hinge + np.array([1.0, 0.4, np.nan, 2.0, 0.1, 1.0])[:, None]
    breaks = replace(breaks, edge=edge, hinge=hinge, foreslope_end=end)
    box = box_for(STATIONS.size, 0.5, 24.0) * np.linspace(0.9, 1.1, 6)[:, None]
    masked = np.random.default_rng(2).random(len(cells)) < 0.1
    for side, sign in ((0, -1.0), (1, 1.0)):
        strip = side_strip(cells, breaks, side, box, masked)

        def at(values, s=strip.s):
            return np.interp(s, STATIONS, values)

        known = np.isfinite(hinge[:, side])
        width = np.interp(strip.s, STATIONS[known], (hinge - edge)[known, side])
        wide = np.column_stack([at(box[:, 0]), at(box[:, 1])])
        x, half = strip.x, 0.5 * wide.sum(axis=1)
        np.testing.assert_array_equal(strip.width, width)
        np.testing.assert_array_equal(strip.box, np.sort(wide, axis=1)[:, ::-1])
        for row, plain in enumerate((
            x, smeared_ramp(x, wide), smeared_step(x, wide), smeared_ramp(x - width, wide),
            smeared_step(x - width, wide),
            (smeared_step(x + 1e-4, wide) - smeared_step(x - 1e-4, wide)) / 2e-4,
            np.floor((x + PAVEMENT_M + 2.0) / 0.5),
        )):  # fmt: skip
            np.testing.assert_allclose(strip.basis[row], plain, atol=1e-9)
        outward = np.maximum(at(end[:, side]) - at(edge[:, side]) - half, width)
        outer = np.fmin(width + BEYOND_HINGE_M, outward)
        inner = at(sign * breaks.axis) - at(edge[:, side]) + half + 0.25
        usable = (x > np.maximum(inner, -PAVEMENT_M)) & (x < outer) & ~strip.masked
        np.testing.assert_array_equal(strip.usable, usable)
        assert usable.any() and not usable.all() and strip.masked.any()


def test_blocks_say_what_projections_say():
    """Numpy's QR takes out what a pavement may be; products of what is left are what is said."""
    rng = np.random.default_rng(3)
    s, y = np.sort(rng.uniform(0.0, 20.0, 300)), rng.uniform(-3.0, 3.0, 300)
    z = 50.0 - 0.02 * np.abs(y) + np.where(y > 1.0, 0.02, 0.0) + rng.normal(0.0, 0.01, 300)
    places, lanes, crowns = np.arange(-2.5, 2.6, 0.5), np.arange(-2.4, 2.5, 0.6), [-0.4, 0.0, 0.4]
    box = np.array([0.45, 0.2])
    asked = Asked(places, lanes, np.array(crowns), *box, 0.6, 0.25, 10.0)
    p, q = places.size, lanes.size
    shapes = (2, p), (2, p), (2, p, q), (2, q, q), (2, q)
    said = Said(*(np.zeros(shape) for shape in shapes))
    bounds = np.searchsorted(s, [0.0, 10.0, 20.0])
    ask_blocks(Paved(s, y, z), bounds, 60, asked, said)
    for b in (0, 1):
        here = slice(*bounds[b : b + 2])
        t, across = (s[here] - s[here].mean()) / 10.0, y[here]
        base = [np.ones_like(t), t, t * t, across, t * across]
        base += [smeared_ramp(across - crown, box) for crown in crowns]
        basis, _ = np.linalg.qr(np.column_stack(base))
        free = np.eye(t.size) - basis @ basis.T
        rest = free @ z[here]
        sigma = 1.4826 * np.median(np.abs(rest))
        rest = np.clip(rest, -3.0 * sigma, 3.0 * sigma) / sigma
        step = free @ smeared_step(across[:, None] - places, box) / sigma
        step *= (places > across.min() + 0.25) & (places < across.max() - 0.25)
        lane = free @ np.maximum(1.0 - np.abs(across[:, None] - lanes) / 0.6, 0.0) / sigma
        plain = step.T @ rest, (step**2).sum(axis=0), step.T @ lane, lane.T @ lane, lane.T @ rest
        for found, expected in zip(said, plain, strict=True):
            np.testing.assert_allclose(found[b], expected, atol=1e-7 * np.abs(expected).max())


def test_the_best_way_is_that_of_all_ways():
    rng = np.random.default_rng(4)
    evidence, move = rng.normal(size=(5, 4)), rng.uniform(0.0, 1.0, (4, 4))
    move[0, 3] = move[3, 0] = np.inf

    def worth(way):
        return evidence[range(5), way].sum() - sum(move[a, b] for a, b in pairwise(way))

    way = np.empty(5, dtype=np.int64)
    found = best_way(evidence, move, way)
    best = max(product(range(4), repeat=5), key=worth)
    assert tuple(way) == best and found == pytest.approx(worth(best))


def test_residuals_are_those_of_least_squares():
    rng = np.random.default_rng(5)
    s, x, z = rng.normal(size=(3, 60)) + 40.0
    x[40:] = 2.0 * s[40:]  # cells in a line
    out = np.empty(60)
    plane_residuals(s, x, z, np.array([0, 5, 40, 60]), 10, out)
    assert np.isnan(out[:5]).all()
    for here in (slice(5, 40), slice(40, 60)):
        design = np.column_stack([np.ones_like(s[here]), s[here] - 40.0, x[here] - x[here].mean()])
        plain = z[here] - design @ np.linalg.lstsq(design, z[here], rcond=None)[0]
        np.testing.assert_allclose(out[here], plain, atol=1e-10)


def test_scatter_along_is_that_of_the_planes_around():
    rng = np.random.default_rng(6)
    middle, variance = rng.uniform(0.0, 500.0, 40), rng.exponential(1.0, 40)
    variance[3] = 100.0
    s = np.array([0.0, 180.0, 500.0, 900.0])
    for i, found in enumerate(scatter_along(s, middle, variance, 60.0, 6)):
        away = np.abs(middle - s[i])
        near = away <= max(60.0, np.sort(away)[5])
        good = near & (variance <= 4.0 * np.median(variance[near]))
        weight = 1.0 - 0.5 * away[good] / max(60.0, away[near].max())
        assert found == pytest.approx(np.sqrt(np.average(variance[good], weights=weight)))


def test_windows_are_asked_and_averaged_one_by_one(cells):
    breaks = known_breaks(STATIONS)
    strip = side_strip(cells, breaks, 1, box_for(6, 0.5, 24.0), np.zeros(len(cells), bool))
    first, last = (np.searchsorted(strip.s, STATIONS + away) for away in (-10.0, 10.0))
    last[2] = first[2] + 30  # too few
    windows = Windows(STATIONS, np.full(6, 10.0), first, last)
    asked = np.zeros((3, 9))
    asked[0, 3] = asked[1, 5] = asked[2, 6] = 1.0
    cut = Stretches(np.full(6, 5), np.full(6, 2.0), asked, 40)
    told = Told(np.zeros((6, 3)), np.zeros((6, 3)))
    good = unlike_windows(windows, strip, strip.usable, cut, told)
    assert good.tolist() == [True, True, False, True, True, True]
    for i in np.flatnonzero(good):
        here = slice(first[i], last[i])
        on = strip.usable[here]
        t, basis = (strip.s[here][on] - STATIONS[i]) / 10.0, strip.basis[:, here][:, on]
        design = [np.ones_like(t), t, t * t - 1.0 / 3.0, basis[0], t * basis[0]]
        design = np.column_stack([*design, basis[1], -basis[2], basis[3], basis[4]])
        part = np.clip(((t + 1.0) * 2.5 + 1e-6).astype(int), 0, 4)
        own, z = Told(np.zeros(3), np.zeros(3)), strip.z[here][on]
        assert scatter_of(design, z - z.mean(), part, 5, 2.0, asked, own)
        np.testing.assert_allclose(told.seen[i], own.seen, rtol=1e-6)
        np.testing.assert_allclose(told.expected[i], own.expected, rtol=1e-9)
    counts = np.array([1.0, 2.0, 0.0, 1.0, 3.0, 1.0])
    found = apart_along(STATIONS, told, counts, 20.0, 7.0)
    for i, s in enumerate(STATIONS):
        near = np.abs(STATIONS - s) <= 20.0
        due = np.where(good[:, None], told.expected, 1.0)[near]
        ratio = np.where(good[near, None], told.seen[near] / due, 1.0)
        ratio = np.minimum(ratio, 4.0 * np.maximum(np.median(ratio, axis=0), 0.5))
        weight = (1.0 - np.abs(STATIONS - s)[near] / 40.0) * counts[near] * good[near]
        plain = (weight @ ratio + 7.0) / (weight.sum() + 7.0)
        np.testing.assert_allclose(found[i], plain, rtol=1e-9)


def test_tied_ways_are_those_of_all_paths():
    """Every path along five stations, weighed one by one; the same from either end."""
    rng = np.random.default_rng(9)
    usual, chance = rng.random((2, 5, 3))
    usual /= usual.sum(axis=1, keepdims=True)
    stay, found, plain = rng.random(4), np.empty((5, 3)), np.zeros((5, 3))
    ends = np.sqrt(usual)
    tie_ways(usual, chance, stay, found)
    for path in product(range(3), repeat=5):
        weight = ends[0, path[0]] * chance[0, path[0]] * ends[-1, path[-1]]
        for i, (old, new) in enumerate(pairwise(path)):
            move = stay[i] * (old == new) + (1.0 - stay[i]) * ends[i, old] * ends[i + 1, new]
            weight *= move * chance[i + 1, new]
        plain[np.arange(5), path] += weight
    np.testing.assert_allclose(found, plain / plain.sum(axis=1, keepdims=True), atol=1e-12)
