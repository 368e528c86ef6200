"""Ponds: closed-form shapes, what holes hide, what noise makes, and laws they must keep."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import maximum_filter1d

from analysis.common.along import average_along, correlated_share, interpolate_along, rows_for
from analysis.common.errors import Cancelled
from analysis.edges.at_stations import nominal_breaks
from analysis.edges.values import Overrides
from analysis.water.chance import NoiseMaker, rare_maximum
from analysis.water.filling import fill_ribbon
from analysis.water.outlets import Outlets, culvert_cells
from analysis.water.zones import BEYOND, DITCH, PAVEMENT, SHOULDER, WHERE, roughness, zoned
from tests.builders.plain_road import EDGE, HINGE, STEP, lifted, mirrored, plain_noise, plain_road
from tests.builders.stopping import WORDS, stop_from
from tests.builders.waters import ponds_of

MIDDLE_M = 200.0


def bowl(depth_m, half_s, half_o, o_m=4.25, at_m=MIDDLE_M):
    """A paraboloid dug into the shoulder."""

    def shape(s, o):
        r2 = ((s - at_m) / half_s) ** 2 + ((o - o_m) / half_o) ** 2
        return -depth_m * np.maximum(1.0 - r2, 0.0)

    return shape


def plug(at_m=MIDDLE_M, half_m=15.0, height_m=0.4, o_m=8.0):
    """Fill across one ditch, from shoulder to back slope."""

    def shape(s, o):
        across = np.abs(o - o_m) <= 3.0
        return height_m * np.clip(half_m + 1.0 - np.abs(s - at_m), 0.0, 1.0) * across

    return shape


def flat_ground(shape_z, step=0.25):
    """Level ground with a shape in it, as a ribbon without road; nothing but the shape ponds."""
    n, k = shape_z.shape
    s = np.arange(n) * step
    o = (np.arange(k) - k // 2) * step
    ribbon = SimpleNamespace(s=s, o=o, z=shape_z, step_s=step, step_o=step)
    stations = np.arange(0.0, s[-1], 10.0)
    wide, none = np.full(stations.size, 2e3), np.zeros((stations.size, 2))
    breaks = nominal_breaks(stations, wide, none, Overrides())
    noise = plain_noise(breaks)
    return ribbon, breaks, noise


# --- closed forms ----------------------------------------------------------------------------


def test_find_ponds_triangle_across_the_road():
    """A V gutter 0.1 m deep, 1:20 both ways, 30 m long: volume is a prism with hipped ends."""
    step = 0.25
    s = np.arange(401) * step
    o = (np.arange(81) - 40) * step
    depth = (
        np.clip(0.1 - np.abs(o) / 20.0, 0.0, None)[None, :] * (np.abs(s - 50.0) <= 15.0)[:, None]
    )
    ribbon, breaks, noise = flat_ground(-depth, step)
    ponds = ponds_of(ribbon, breaks, noise, windows_m=(step,))
    assert len(ponds) == 1
    assert ponds.depth_mm[0] == pytest.approx(100.0)
    assert ponds.volume_m3[0] == pytest.approx(0.5 * 4.0 * 0.1 * 30.25, rel=1e-9)
    assert ponds.area_m2[0] == pytest.approx(3.75 * 30.25, rel=1e-9)
    assert ponds.level_m[0] == 0.0
    assert ponds.certain[0]


def test_find_ponds_paraboloid_volume():
    """A round bowl of radius 4 m and depth 0.2 m holds half of its cylinder."""
    step = 0.1
    s = np.arange(161) * step
    o = (np.arange(121) - 60) * step
    r2 = ((s[:, None] - 8.0) ** 2 + o[None, :] ** 2) / 16.0
    ribbon, breaks, noise = flat_ground(-0.2 * np.maximum(1.0 - r2, 0.0), step)
    ponds = ponds_of(ribbon, breaks, noise, windows_m=(step,))
    assert ponds.depth_mm[0] == pytest.approx(200.0)
    assert ponds.volume_m3[0] == pytest.approx(0.5 * np.pi * 16.0 * 0.2, rel=2e-3)
    assert ponds.area_m2[0] == pytest.approx(np.pi * 16.0, rel=5e-3)


def test_find_ponds_parabola_in_a_sag():
    """A gutter with a parabolic profile h = x^2/(2R) that spills at 20 m on both sides.

    Between upright kerbs 2 m apart the volume is 4/3 of half length times depth times width.
    """
    step, radius = 0.25, 1000.0
    s = np.arange(321) * step
    profile = np.minimum((s - 40.0) ** 2, 400.0) / (2.0 * radius)
    z = np.full((s.size, 41), 1.0)
    z[:, 17:25] = profile[:, None]
    z[(s < 20.0) | (s > 60.0), 17:25] = 0.2 - 0.001
    ribbon, breaks, noise = flat_ground(z, step)
    ponds = ponds_of(ribbon, breaks, noise, windows_m=(step,))
    assert len(ponds) == 1
    assert ponds.depth_mm[0] == pytest.approx(200.0, abs=1.0)
    assert ponds.volume_m3[0] == pytest.approx(4.0 / 3.0 * 20.0 * 0.2 * 2.0, rel=0.02)


def test_find_ponds_area_on_a_bend():
    """On the outside of a bend cells are longer than the step, on the inside shorter."""
    ribbon, breaks, noise = plain_road(400.0, shape=plug())
    bend = np.full(ribbon.s.size, 1.0 / 100.0)  # turns right: the right ditch is inside
    straight = ponds_of(ribbon, breaks, noise)
    inside = ponds_of(ribbon, breaks, noise, curvature=bend)
    outside = ponds_of(ribbon, breaks, noise, curvature=-bend)
    assert inside.area_m2[0] == pytest.approx(straight.area_m2[0] * 0.92, rel=0.01)
    assert outside.area_m2[0] == pytest.approx(straight.area_m2[0] * 1.08, rel=0.01)


def test_find_ponds_behind_a_plug():
    """Depth, spill point, side and outline of the water behind a plug in a 1 % ditch."""
    ribbon, breaks, noise = plain_road(400.0, shape=plug())
    ponds = ponds_of(ribbon, breaks, noise)
    assert len(ponds) == 1
    assert ponds.where[0] == "ditch"
    assert ponds.side[0] == 1
    assert ponds.depth_mm[0] == pytest.approx(390.0, abs=20.0)
    assert ponds.spill_s[0] == pytest.approx(185.0, abs=2.0)
    assert ponds.to_s[0] == pytest.approx(185.0, abs=1.5)
    assert ponds.from_s[0] == pytest.approx(185.0 - 40.0, abs=2.0)
    assert ponds.o[0] == 8.0
    # in a 1 % ditch with banks 1:5 and 1:3 the full pond is a pyramid on its downstream face
    assert ponds.volume_m3[0] == pytest.approx(0.5 * 8.0 * 0.39**2 * 39.0 / 3.0, rel=0.1)


def test_find_ponds_outline_encloses_its_cells():
    """The ring is valid, closed, and has the area of the cells."""
    ribbon, breaks, noise = plain_road(400.0, shape=plug())
    ponds = ponds_of(ribbon, breaks, noise)
    ring = ponds.outlines[0]
    assert np.array_equal(ring[0], ring[-1])
    polygon = shapely.Polygon(ring)
    assert polygon.is_valid
    assert polygon.area == pytest.approx(ponds.area_m2[0], rel=1e-6)
    assert shapely.contains_xy(polygon, ponds.s[0], ponds.o[0])
    assert np.hypot(*np.diff(ring, axis=0).T).max() <= 5.0 + 1e-9
    assert (ponds.labels == 1).sum() * STEP**2 == pytest.approx(ponds.area_m2[0])


def test_find_ponds_outline_of_cells_that_touch_at_a_corner():
    """Two pools joined at a corner are one pond with one valid ring."""
    z = np.zeros((40, 21))
    z[10:14, 6:9] = -0.2
    z[14:18, 9:12] = -0.2
    ribbon, breaks, noise = flat_ground(z, 0.5)
    ponds = ponds_of(ribbon, breaks, noise, windows_m=(0.5,))
    assert len(ponds) == 1
    polygon = shapely.Polygon(ponds.outlines[0])
    assert polygon.is_valid
    assert polygon.area == pytest.approx(24 * 0.25, rel=0.05)


@pytest.mark.parametrize(
    ("o_m", "half_o", "where", "side"),
    [(1.75, 1.0, "pavement", 1), (-4.25, 0.7, "shoulder", 0), (4.25, 0.7, "shoulder", 1)],
)
def test_find_ponds_says_where(o_m, half_o, where, side):
    ribbon, breaks, noise = plain_road(400.0, grade=0.0, shape=bowl(0.2, 6.0, half_o, o_m))
    ponds = ponds_of(ribbon, breaks, noise)
    assert len(ponds) == 1
    assert ponds.where[0] == where
    assert ponds.side[0] == side
    assert where in WHERE


def test_find_ponds_none_on_a_road_that_drains():
    ribbon, breaks, noise = plain_road(200.0)
    ponds = ponds_of(ribbon, breaks, noise)
    assert len(ponds) == 0
    assert ponds.outlines == ()
    assert (ponds.labels == 0).all()


# --- ways out --------------------------------------------------------------------------------


def test_find_ponds_culvert_drains():
    ribbon, breaks, noise = plain_road(400.0, shape=plug())
    assert len(ponds_of(ribbon, breaks, noise, culverts=np.array([[183.5, 8.0]]))) == 0
    assert len(ponds_of(ribbon, breaks, noise, culverts=np.array([[183.5, -8.0]]))) == 1
    assert culvert_cells(ribbon, np.empty((0, 2))) is None


def test_find_ponds_hole_makes_a_pond_uncertain():
    """A hole next to the plug may hide a way through it: possible, not certain."""
    ribbon, breaks, noise = plain_road(400.0, shape=plug())
    beside = (ribbon.s[:, None] > 180.0) & (ribbon.s[:, None] < 184.0)
    ribbon.z[beside & (np.abs(ribbon.o[None, :] - 8.0) < 2.0)] = np.nan
    ponds = ponds_of(ribbon, breaks, noise)
    doubtful = np.flatnonzero(~ponds.certain)
    assert doubtful.size >= 1
    p = doubtful[np.argmax(ponds.depth_most_mm[doubtful])]
    assert np.isnan(ponds.depth_mm[p])
    assert ponds.depth_most_mm[p] == pytest.approx(350.0, abs=60.0)
    assert ponds.touches_unknown[p]
    assert "without data" in ponds.doubt[p]
    assert not (ponds.certain & (np.nan_to_num(ponds.depth_mm) > 100.0)).any()


def test_find_ponds_hole_elsewhere_changes_nothing():
    """A hole on the other side neither hides nor invents a pond."""
    ribbon, breaks, noise = plain_road(400.0, shape=plug())
    before = ponds_of(ribbon, breaks, noise)
    ribbon.z[300:330, 8:14] = np.nan
    after = ponds_of(ribbon, breaks, noise)
    assert after.certain.tolist() == [True]
    assert after.depth_mm == pytest.approx(before.depth_mm)
    assert after.area_m2 == pytest.approx(before.area_m2)
    assert not after.touches_unknown.any()


def test_find_ponds_crossing_takes_the_certainty():
    ribbon, breaks, noise = plain_road(400.0, shape=plug(half_m=3.0, height_m=0.6))
    crossing = np.array([[1.0, 196.0, 204.0]])
    ponds = ponds_of(ribbon, breaks, noise, crossings=crossing)
    assert ponds.certain.tolist() == [False]
    assert np.isnan(ponds.depth_mm[0])
    assert ponds.depth_most_mm[0] > 400.0
    assert "crossing" in ponds.doubt[0]
    other_side = ponds_of(ribbon, breaks, noise, crossings=crossing * [0.0, 1.0, 1.0])
    assert other_side.certain.tolist() == [True]


def test_find_ponds_against_a_kerb_is_doubtful():
    """A gutter leads water to inlets that no grid shows; without the kerb it is a pond."""
    ribbon, breaks, noise = plain_road(400.0, grade=0.0, shape=bowl(0.2, 6.0, 0.7))
    kerb = np.zeros(breaks.edge.shape, bool)
    kerb[:, 0] = True
    assert ponds_of(ribbon, breaks, noise, kerb=kerb).certain.tolist() == [True]
    kerb[:, 1] = True
    ponds = ponds_of(ribbon, breaks, noise, kerb=kerb)
    assert ponds.certain.tolist() == [False]
    assert "kerb" in ponds.doubt[0]


def test_find_ponds_looks_into_a_basin_that_needs_an_outlet():
    """A road in a closed sag: the lake is doubtful, the dent in its shoulder isn't."""

    def crown(s):
        return 0.01 * np.abs(s - MIDDLE_M)

    def ground(s, o):
        return 4.0 * (np.abs(o) > 11.5) + bowl(0.25, 8.0, 0.7, 4.25, 120.0)(s, o)

    ribbon, breaks, noise = plain_road(400.0, grade=crown, half_m=12.0, shape=ground)
    ponds = ponds_of(ribbon, breaks, noise)
    lakes = np.array(["drown the pavement" in why for why in ponds.doubt])
    assert lakes.any()
    assert not ponds.certain[lakes].any()
    assert ponds.where[ponds.certain].tolist() == ["shoulder"]
    assert ponds.s[ponds.certain] == pytest.approx([120.0], abs=5.0)


# --- noise -----------------------------------------------------------------------------------


def test_find_ponds_noise_alone_makes_hardly_any():
    """4 km of sound road with 20 mm noise: the bare fill is full of pits, the list is empty."""
    ribbon, breaks, noise = plain_road(4000.0, grade=0.005, sigma_m=0.02, seed=4)
    wet = fill_ribbon(ribbon.z) > ribbon.z
    assert wet.mean() > 0.05
    ponds = ponds_of(ribbon, breaks, noise)
    assert len(ponds) <= 1
    assert "noise" in ponds.chance.source


@pytest.mark.parametrize("sigma_m", [0.01, 0.03])
def test_find_ponds_deeper_than_three_sigma_are_found(sigma_m):
    """Reached by area among bowls and plugs whose true depth is over three sigma."""
    rng = np.random.default_rng(11)
    places = np.arange(60.0, 1950.0, 60.0)
    parts = []
    for place in places:
        if rng.random() < 0.5:
            half = rng.uniform(3.0, 12.0)
            deep = 0.09 + sigma_m * rng.uniform(3.0, 7.0)
            parts.append(bowl(deep, half, 0.9, rng.choice([-4.25, 4.25]), place))
        else:
            high = sigma_m * rng.uniform(3.5, 9.0) + 0.02
            parts.append(plug(place, rng.uniform(2.0, 8.0), high, rng.choice([-8.0, 8.0])))

    def ground(s, o):
        return sum(part(s, o) for part in parts)

    clean, _, _ = plain_road(2000.0, grade=0.004, shape=ground)
    ribbon, breaks, noise = plain_road(2000.0, grade=0.004, shape=ground, sigma_m=sigma_m, seed=8)
    from scipy.ndimage import label, maximum
    from scipy.ndimage import sum as total

    depth = fill_ribbon(clean.z) - clean.z
    names, count = label(depth > 0, np.ones((3, 3)))
    index = np.arange(1, count + 1)
    deep = maximum(depth, names, index) > 3.0 * sigma_m
    area = total(np.ones_like(depth), names, index)
    ponds = ponds_of(ribbon, breaks, noise)
    reported = total(ponds.labels > 0, names, index)
    assert deep.sum() >= 15
    assert area[deep & (reported > 0)].sum() / area[deep].sum() >= 0.95
    assert reported[deep].sum() / area[deep].sum() >= 0.85  # of the area itself
    dry = [depth[ponds.labels == p + 1].max() < 0.2 * sigma_m for p in range(len(ponds))]
    assert sum(dry) <= 1
    assert (ponds.depth_mm[ponds.certain] > ponds.chance_mm[ponds.certain]).all()


def test_noise_maker_is_as_loud_as_it_says():
    """Unit variance on the cells, 4/9 of it on average after bilinear interpolation."""
    made = NoiseMaker(0.5, 0.0, 1.0, seed=1).block(2000, 60, 0.5, 0.5)
    assert made.std() == pytest.approx(2.0 / 3.0, rel=0.05)
    smooth = NoiseMaker(0.5, 4.0, 0.0, seed=1).block(4000, 60, 0.5, 0.5)
    assert smooth.std() == pytest.approx(1.0, rel=0.1)
    for apart in (1.0, 2.0, 4.0, 8.0):
        lag = int(apart / 0.5)
        correlation = np.mean(smooth[:-lag] * smooth[lag:]) / smooth.var()
        assert correlation == pytest.approx(np.exp(-apart / 4.0), abs=0.08)
    again = NoiseMaker(0.5, 0.0, 1.0, seed=1).block(2000, 60, 0.5, 0.5)
    assert np.array_equal(made, again)


def test_rare_maximum_of_known_distributions():
    """Gumbel maxima give their own quantile; mostly empty blocks an exponential one."""
    random = np.random.default_rng(3)
    maxima = random.gumbel(10.0, 2.0, 20_000)
    expected = 10.0 - 2.0 * np.log(-np.log(0.999))
    assert rare_maximum(maxima, 0.001) == pytest.approx(expected, rel=0.02)
    some = np.where(random.random(20_000) < 0.3, random.exponential(2.0, 20_000), 0.0)
    assert rare_maximum(some, 0.001) == pytest.approx(2.0 * np.log(0.3 / 0.001), rel=0.05)
    assert rare_maximum(np.zeros(10), 0.01) == 0.0
    assert np.isnan(rare_maximum([np.nan, 1.0], 0.01))


def test_roughness_sees_a_rough_verge_only():
    ribbon, breaks, _ = plain_road(400.0, sigma_m=0.01)
    zone = zoned(ribbon, breaks, 1.5).zone
    rough = np.random.default_rng(0).normal(scale=0.03, size=ribbon.z.shape)
    z = ribbon.z + rough * (zone >= DITCH)
    factor = roughness(z, zone, STEP)
    assert (factor[:, PAVEMENT] == 1.0).all()
    assert (factor[:, SHOULDER] < 1.3).all()
    assert (factor[:, DITCH] > 2.0).all()


def test_zones_of_the_section():
    ribbon, breaks, _ = plain_road(50.0)
    zone = zoned(ribbon, breaks, 1.5).zone
    u = np.abs(ribbon.o)
    assert (zone[:, u <= EDGE] == PAVEMENT).all()
    assert (zone[:, (u > EDGE) & (u <= HINGE)] == SHOULDER).all()
    assert (zone[:, (u > HINGE) & (u <= 11.0)] == DITCH).all()
    assert (zone[:, u > 11.0] == BEYOND).all()


# --- laws ------------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(st.floats(-500.0, 3000.0), st.integers(0, 99))
def test_find_ponds_raised_or_mirrored(metres, seed):
    """Raising the ground changes nothing; a mirrored road has its ponds on the other side."""
    ribbon, breaks, _ = plain_road(200.0, shape=plug(100.0), sigma_m=0.005, seed=seed)
    noise = plain_noise(breaks)  # nothing left to chance, so that nothing depends on draws
    windows = (2.5, 10.0)
    here = ponds_of(ribbon, breaks, noise, windows_m=windows, least_depth_m=0.05)
    high = ponds_of(lifted(ribbon, metres), breaks, noise, windows_m=windows, least_depth_m=0.05)
    other = ponds_of(mirrored(ribbon), breaks, noise, windows_m=windows, least_depth_m=0.05)
    assert len(here) == len(high) == len(other) >= 1
    assert high.depth_mm == pytest.approx(here.depth_mm, abs=1e-6)
    assert high.volume_m3 == pytest.approx(here.volume_m3, rel=1e-6)
    assert sorted(other.depth_mm) == pytest.approx(sorted(here.depth_mm), abs=1e-6)
    assert sorted(other.side) == sorted(1 - here.side)


def test_find_ponds_same_input_same_answer():
    ribbon, breaks, noise = plain_road(300.0, shape=plug(150.0), sigma_m=0.02)
    a, b = ponds_of(ribbon, breaks, noise), ponds_of(ribbon, breaks, noise)
    assert np.array_equal(a.depth_mm, b.depth_mm)
    assert np.array_equal(a.chance.per_sigma, b.chance.per_sigma, equal_nan=True)


def test_find_ponds_progress_and_cancel():
    ribbon, breaks, noise = plain_road(200.0)
    told = []
    ponds_of(ribbon, breaks, noise, progress=lambda f, words: told.append(f))
    assert told == sorted(told)

    with pytest.raises(Cancelled, match=WORDS):
        ponds_of(ribbon, breaks, noise, progress=stop_from(0.0))


# --- averaging -------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(3, 40), st.sampled_from([1, 3, 5, 11]), st.floats(-0.2, 0.2), st.integers(0, 99))
def test_average_along_keeps_a_grade_whatever_is_missing(n, rows, grade, seed):
    """A straight grade comes back unchanged, at the ends and beside holes too."""
    z = 50.0 + grade * np.arange(n)[:, None] + np.array([[0.0, 1.0, -2.0]])
    z[np.random.default_rng(seed).random(z.shape) < 0.2] = np.nan
    average, spread = average_along(z, rows)
    assert np.array_equal(np.isnan(average), np.isnan(z))
    assert average == pytest.approx(z, abs=1e-9, nan_ok=True)
    assert np.array_equal(np.isnan(spread), np.isnan(z))


def test_average_along_is_the_mean_inside():
    z = np.random.default_rng(0).normal(size=(100, 3))
    average, spread = average_along(z, 7)
    assert average[50] == pytest.approx(z[47:54].mean(axis=0))
    assert (spread[10:90] == 1.0).all()
    assert (spread[0] > 1.5).all()


def test_average_along_spread_is_the_error_at_an_end():
    """Scatter of the averaged noise against the factor that is given with it."""
    z = np.random.default_rng(1).normal(size=(41, 20_000))
    average, spread = average_along(z, 9)
    assert average.std(axis=1) * 3.0 == pytest.approx(spread[:, 0], rel=0.05)


def test_average_along_invalid():
    with pytest.raises(ValueError, match="odd number"):
        average_along(np.zeros((5, 5)), 4)
    with pytest.raises(ValueError, match="two axes"):
        average_along(np.zeros(5), 3)


def test_interpolate_along_never_crosses_the_unknown():
    s = np.array([0.0, 10.0, 20.0, 30.0])
    values = np.array([1.0, 2.0, np.nan, 4.0])
    at = [-5.0, 5.0, 14.0, 16.0, 24.0, 26.0, 35.0]
    found = interpolate_along(at, s, values)
    assert found[:3].tolist() == [1.0, 1.5, 2.0]
    assert np.isnan(found[3:5]).all()
    assert found[5:].tolist() == [4.0, 4.0]


def test_correlated_share_of_white_and_frozen_noise():
    assert correlated_share(10.0, 0.5, 0.0, 1.0) == pytest.approx(np.sqrt(0.05))
    assert correlated_share(10.0, 0.5, 1e6, 0.0) == pytest.approx(1.0, abs=1e-3)
    assert rows_for(2.5, 0.5) == 5
    assert rows_for(0.1, 0.5) == 1


@pytest.mark.parametrize(("window", "length", "nugget"), [(10.0, 1.0, 0.0), (2.5, 4.0, 0.3)])
def test_correlated_share_is_that_of_a_sum_over_all_pairs(window, length, nugget):
    """Cells so small that their sum is the integral, each pair with its own correlation."""
    cell = 0.01
    at = cell * np.arange(round(window / cell))
    tied = np.exp(-np.abs(at[:, None] - at) / length).mean()
    expected = np.sqrt(nugget * cell / window + (1.0 - nugget) * tied)
    assert correlated_share(window, cell, length, nugget) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("rows", [1, 3, 7, 21])
def test_outlets_on_an_average_reach_as_far_as_it_does(rows):
    """Reference: scipy.ndimage.maximum_filter1d."""
    cells = np.random.default_rng(6).random((40, 9)) < 0.02
    cells[0, 4] = cells[-1, 2] = True
    found = Outlets(cells, ()).on_average(rows)
    np.testing.assert_array_equal(found, maximum_filter1d(cells, rows, axis=0))
