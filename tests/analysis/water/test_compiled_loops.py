"""Compiled loops of the water against the same written plainly, and against other libraries."""

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter, label, map_coordinates

from analysis.corridor.values import Ribbon
from analysis.water.filling import fill_ribbon, spill_cell
from analysis.water.filling_kernels import Blocks, deepest_pits
from analysis.water.noise_kernels import Planes, Thrown, draw_held, draw_pools, pools, read_across
from analysis.water.pond_kernels import Told, pond_at_stations
from analysis.water.ponds import _outline

EIGHT = np.ones((3, 3), bool)


@pytest.fixture(scope="module")
def hilly():
    return gaussian_filter(np.random.default_rng(1).normal(size=(80, 30)), 1.5)


def test_noise_is_read_as_scipy_interpolates():
    field = np.random.default_rng(2).normal(size=(16, 16))
    start, angle, step, out = np.array([3.2, 14.9]), 2.1, np.array([1.3, 0.7]), np.empty((40, 30))
    read_across(field, start, np.array([np.cos(angle), np.sin(angle)]), step, out)
    s, o = np.mgrid[0:40, 0:30] * step[:, None, None]
    x = start[0] + s * np.cos(angle) - o * np.sin(angle)
    y = start[1] + s * np.sin(angle) + o * np.cos(angle)
    plain = map_coordinates(field, [x, y], order=1, mode="grid-wrap")
    np.testing.assert_allclose(out, plain, atol=1e-12)


def test_planes_hold_what_their_sections_do():
    """Sections of crown, edge, shoulder and hinge, the ground far lower beyond."""
    rng = np.random.default_rng(4)
    many = np.column_stack(
        [*rng.normal(0.0, [4.0, 40.0, 5.0], (300, 3)).T, *rng.uniform(0.5, 4.0, (2, 300))]
    )
    many[0, 0] = many[1, 1] = np.nan
    planes = Planes(*many.T.copy())

    def plain(pavement, drop, shoulder, inner, outer):
        corners = np.array([10.0 * pavement * inner, 0.0, -drop, -drop - 10.0 * shoulder * outer])
        z = np.concatenate([[-1e9], corners, [-1e9]])
        level = np.minimum(np.maximum.accumulate(z), np.maximum.accumulate(z[::-1])[::-1])
        return (level - z)[2:4].max() if np.isfinite(corners).all() else np.nan

    depth, level = np.empty((2, 300))
    pools(planes, depth, level)
    expected = np.array([plain(*row) for row in many])
    np.testing.assert_allclose(depth, expected, atol=1e-9)
    errors = rng.normal(0.0, 1.0, (3, 300))
    sums, held = np.zeros((2, 300)), np.empty(300)
    dry = planes._replace(drop=np.abs(planes.drop))
    draw_pools(planes, dry, errors, depth, sums, held)
    off = np.column_stack([*errors, np.zeros((300, 2))])
    change = np.nan_to_num(np.array([plain(*row) for row in many + off]) - expected)
    np.testing.assert_allclose(sums, [change, change**2], atol=1e-6)
    many[:, 1] = np.abs(many[:, 1])
    np.testing.assert_allclose(
        held, np.nan_to_num(np.array([plain(*row) for row in many + off])), atol=1e-6
    )


def test_sections_hold_what_running_maxima_say():
    """More sections than are drawn side by side; numpy's running maxima, draw by draw."""
    rng = np.random.default_rng(3)
    ground, frozen = rng.normal(size=(2, 150, 12))
    se, judged = rng.random((150, 12)), rng.random((150, 12)) < 0.7
    ground[rng.random(ground.shape) < 0.1] = -np.inf
    frozen[np.isinf(ground)] = -np.inf
    judged &= np.isfinite(ground)
    dice = rng.normal(size=(5, 12))
    sums, by_chance = np.zeros((2, 150)), np.empty((5, 150))
    parts = (np.ascontiguousarray(part.T) for part in (ground, frozen, se, judged))
    draw_held(Thrown(*parts), dice, sums, by_chance)

    def plain(ground, thrown):
        z = ground + se * thrown
        back = np.maximum.accumulate(z[:, ::-1], axis=1)[:, ::-1]
        level = np.minimum(np.maximum.accumulate(z, axis=1), back)
        return np.where(judged, level - np.where(judged, z, 0.0), 0.0).max(axis=1)

    change = np.array([plain(ground, thrown) - plain(ground, 0.0) for thrown in dice])
    np.testing.assert_allclose(sums, [change.sum(axis=0), (change**2).sum(axis=0)], atol=1e-12)
    np.testing.assert_array_equal(by_chance, [plain(frozen, thrown) for thrown in dice])


def test_pits_of_noise_are_those_of_single_fillings(hilly):
    rng = np.random.default_rng(4)
    drained = fill_ribbon(hilly)
    drained[20:23, 5:9] = np.nan
    sigma, zone = rng.uniform(0.1, 0.3, hilly.shape), rng.integers(0, 3, hilly.shape, np.uint8)
    free, noise = rng.random(hilly.shape) < 0.02, rng.normal(size=(3, 24, 30))
    first, inner = np.array([0, 13, 56]), (np.arange(24) >= 4) & (np.arange(24) < 20)
    zone[60:, :] = 2
    deepest = np.empty((3, 2))
    deepest_pits(Blocks(first, inner, drained, sigma, zone, free), noise, deepest)
    for b, row in enumerate(first):
        here = slice(row, row + 24)
        made = drained[here] + sigma[here] * noise[b]
        depth = fill_ribbon(made, outlets=free[here], holes_drain=True) - made
        depth = np.nan_to_num(depth / sigma[here])
        for k in (0, 1):
            counts = (zone[here] == k) & inner[:, None]
            plain = depth[counts].max() if counts.any() else np.nan
            assert deepest[b, k] == pytest.approx(plain, nan_ok=True)
    assert np.isnan(deepest[2]).all() and deepest[0].min() > 0.0


def test_outlines_are_those_of_united_cells(hilly):
    """Shapely's union of single cells; holes are filled, a touching corner is no way in."""
    ribbon = Ribbon(3.0 + 0.5 * np.arange(80), 0.25 * np.arange(30) - 3.0, hilly, 0.5, 0.25)
    names, count = label(hilly > 0.03, EIGHT)
    assert count > 10
    for number in range(1, count + 1):
        i, j = np.nonzero(names == number)
        s, o = ribbon.s[i], ribbon.o[j]
        union = shapely.union_all(shapely.box(s - 0.25, o - 0.125, s + 0.25, o + 0.125))
        found = shapely.Polygon(_outline(ribbon, i, j))
        parts = shapely.get_parts(union)
        plain = shapely.union_all(shapely.polygons(shapely.get_exterior_ring(parts)))
        assert found.is_valid
        # cells that touch at a corner only are joined by a hair's breadth
        hair = 0.0 if plain.geom_type == "Polygon" else 0.01 * plain.length
        assert found.symmetric_difference(plain).area <= hair + 1e-9
        assert shapely.length(shapely.get_exterior_ring(found)) <= plain.length + 0.1


@pytest.mark.parametrize("seed", [5, 6])
def test_spill_cell_is_the_first_that_leads_down(hilly, seed):
    z = hilly.copy()
    z[np.random.default_rng(seed).random(z.shape) < 0.01] = np.nan
    level = fill_ribbon(z, holes_drain=True)
    names, count = label(np.nan_to_num(level - z) > 0.0, EIGHT)
    wide = np.pad(level, 1, constant_values=-1e9)
    for number in range(1, count + 1):
        inside = names == number
        height = level[inside][0]
        rim = np.argwhere(~inside & (_grown(inside) > 0))
        ways = [c for c in rim if level[tuple(c)] <= height]
        down = [(i, j) for i, j in ways if not (wide[i : i + 3, j : j + 3] >= height).all()]
        lost = [tuple(c) for c in rim if np.isnan(level[tuple(c)])]
        best = (down or [tuple(c) for c in ways] or lost or [np.argwhere(inside)[0]])[0]
        found = spill_cell(level, np.flatnonzero(inside), height)
        assert divmod(found, 30) == tuple(best)


def _grown(inside):
    wide = np.pad(inside, 1)
    shifts = [(a, b) for a in range(3) for b in range(3)]
    return sum(
        wide[a : a + inside.shape[0], b : b + inside.shape[1]].astype(int) for a, b in shifts
    )


def test_ponds_at_stations_are_those_of_their_cells():
    rng = np.random.default_rng(7)
    near, labels = rng.integers(0, 6, (30, 8), np.int8), rng.integers(0, 5, (30, 8), np.int32)
    near[near == 3] = 0
    near[20:][near[20:] > 3] -= 3  # heights unknown
    labels[:5] = 0
    told = Told(
        np.array([0.0, 30.0, np.nan, 50.0, 20.0]), np.array([False, True, True, False, True])
    )
    first, last = np.array([0, 4, 9, 12, 20, 30]), np.array([5, 6, 12, 20, 30, 30])
    out = np.empty((6, 2))
    pond_at_stations(first, last, near, labels, told, out)
    for i, side in np.ndindex(out.shape):
        rows = slice(first[i], last[i])
        here = near[rows] % 3 == side + 1
        ponds = {int(p) for p in labels[rows][here] if told.on_road[p]}
        depths = [told.depth[p] for p in ponds]
        doubt = np.isnan(depths).any() or not here.any() or (near[rows][here] > 3).mean() < 0.5
        deepest = np.nanmax([0.0, *depths])
        plain = deepest if here.any() and (deepest > 0.0 or not doubt) else np.nan
        assert out[i, side] == pytest.approx(plain, nan_ok=True)
    assert np.isfinite(out).any() and np.isnan(out).any()
