"""Water on stations: held depth, flow, and the whole assessment against known ground."""

import csv
from dataclasses import fields, replace
from operator import attrgetter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.common.errors import Cancelled
from analysis.common.limits import default_limits
from analysis.corridor.values import Ground
from analysis.shoulder.values import Measures, Sections, Shoulder
from analysis.water import held_by_section
from analysis.water.assess import flow, follow, follow_across, judge_ditch
from analysis.water.held_by_section import PlaneErrors, join
from tests.builders.plain_road import (
    DITCH,
    EDGE,
    HINGE,
    SECTION_U,
    SECTION_Z,
    lifted,
    mirrored,
    plain_breaks,
    plain_case,
    plain_noise,
    plain_road,
)
from tests.builders.stopping import WORDS, stop_from
from tests.builders.waters import ditch_of

SAMPLE = Path(__file__).parents[3] / "sample_terrain" / "data"
U = np.arange(-4.0, 8.01, 0.05)


def retained_depth(u, height_m, **given):
    """Sections without error, whose breaks aren't known, unless given."""
    usual = {"se_m": 0.0, "crown_u": np.nan, "hinge_u": np.nan, "outlet_u": np.nan}
    given = {**usual, "shoulder_width_m": 1.5, **given}
    return held_by_section.retained_depth(u, height_m, **given)


def held_by_planes(pavement, drop, shoulder, errors=None, **size):
    """Planes without error unless given."""
    errors = errors or PlaneErrors(0.0, 0.0, 0.0, 0.0, 0.0)
    return held_by_section.held_by_planes(pavement, drop, shoulder, **size, errors=errors)


def section(*knots):
    """One section for both sides through (u, height) knots, shape (1, 2, k)."""
    u, z = np.array(knots, float).T
    return np.broadcast_to(np.interp(U, u, z), (1, 2, U.size)).copy()


SOUND = ((-3.5, 0.07), (0.0, 0.0), (1.5, -0.06), (4.0, -0.66), (7.0, 0.2), (8.0, 0.3))


# --- held depth in a section -----------------------------------------------------------------


def test_retained_depth_sound_section_holds_nothing():
    held = retained_depth(U, section(*SOUND), crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert held.depth_mm.tolist() == [[0.0, 0.0]]
    assert np.isnan(held.level_m).all()


def test_retained_depth_rut_is_a_triangle_against_its_lower_lip():
    """A V rut 50 mm deep on a 4 % shoulder: full to the outer lip, which lies lower."""
    knots = (*SOUND[:2], (0.5, -0.02), (0.75, -0.09), (1.0, -0.04), *SOUND[2:])
    held = retained_depth(U, section(*knots), crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert held.depth_mm == pytest.approx(50.0, abs=0.1)
    assert held.level_m == pytest.approx(-0.04, abs=1e-6)
    assert held.to_u == pytest.approx(1.0, abs=1e-6)
    # the inner bank falls 70 mm over 0.25 m: water stands 50 mm up it
    assert held.from_u == pytest.approx(0.75 - 0.25 * 50 / 70, abs=0.02)


def test_retained_depth_reversed_shoulder():
    """A shoulder that rises 30 mm outward holds 30 mm at the edge."""
    knots = ((-3.5, 0.07), (0.0, 0.0), (1.5, 0.03), (4.0, -0.57), (8.0, 0.4))
    held = retained_depth(U, section(*knots), crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert held.depth_mm == pytest.approx(30.0, abs=0.1)
    assert held.from_u == pytest.approx(-1.5, abs=1e-6)
    assert held.to_u == pytest.approx(1.5, abs=1e-6)


def test_retained_depth_is_limited_by_the_crown():
    """A bank 0.5 m high outside: water runs over the crown, 70 mm above the edge."""
    knots = ((-3.5, 0.07), (0.0, 0.0), (1.5, 0.5), (4.0, -0.5), (8.0, 0.0))
    held = retained_depth(U, section(*knots), crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert held.depth_mm == pytest.approx(70.0, abs=0.1)


def test_retained_depth_high_side_of_a_curve_drains_inward():
    """Pavement and shoulder fall the other way: nothing stands."""
    knots = ((-3.5, -0.2), (0.0, 0.0), (1.5, 0.06), (4.0, -0.5), (8.0, 0.4))
    held = retained_depth(U, section(*knots), crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert held.depth_mm == pytest.approx(0.0, abs=1e-9)


def test_retained_depth_the_ditch_itself_does_not_count():
    """What stands beyond the hinge stands in the ditch, given or found."""
    for outlet in (4.0, np.nan, None):
        held = retained_depth(U, section(*SOUND), crown_u=-3.5, hinge_u=1.5, outlet_u=outlet)
        assert held.depth_mm.tolist() == [[0.0, 0.0]]


def test_retained_depth_hole_that_does_not_matter():
    """A hole on the pavement: the level is set outward, so it is known."""
    knots = ((-3.5, 0.07), (0.0, 0.0), (1.5, 0.03), (4.0, -0.57), (8.0, 0.4))
    z = section(*knots)
    z[..., (U > -3.0) & (U < -2.0)] = np.nan
    held = retained_depth(U, z, crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert held.depth_mm == pytest.approx(30.0, abs=0.1)


def test_retained_depth_hole_that_matters_is_unknown():
    """A hole where the outer lip would be: can't tell."""
    knots = ((-3.5, 0.07), (0.0, 0.0), (1.5, 0.03), (4.0, -0.57), (8.0, 0.4))
    z = section(*knots)
    z[..., (U > 1.2) & (U < 1.8)] = np.nan
    held = retained_depth(U, z, crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    assert np.isnan(held.depth_mm).all()
    z[:] = np.nan
    assert np.isnan(retained_depth(U, z).depth_mm).all()


def test_retained_depth_invalid():
    with pytest.raises(ValueError, match="u must have the sections'"):
        retained_depth(U[:-1], section(*SOUND))


def test_retained_depth_chance_level_is_rarely_passed():
    """Noise on sound sections passes its chance level one time in a hundred."""
    se, coarse = 0.004, U[::5]
    rng = np.random.default_rng(2)
    z = np.repeat(section(*SOUND)[..., ::5], 1200, axis=0)
    z = z + rng.normal(scale=se, size=z.shape)
    held = retained_depth(coarse, z, se_m=se, crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    passed = (held.depth_mm > held.chance_mm).mean()
    assert passed < 0.012
    assert held.depth_mm.mean() < 2.0
    assert np.median(held.chance_mm) > 5.0


def test_retained_depth_error_comes_true():
    """Depth of a reversed shoulder under noise: no bias worth a name, scatter as stated."""
    se, coarse = 0.004, U[::5]
    knots = ((-3.5, 0.07), (0.0, 0.0), (1.5, 0.06), (4.0, -0.57), (8.0, 0.4))
    clean = section(*knots)[..., ::5]
    true = retained_depth(coarse, clean, crown_u=-3.5, hinge_u=1.5, outlet_u=4.0).depth_mm[0, 0]
    rng = np.random.default_rng(5)
    z = np.repeat(clean, 500, axis=0)
    z = z + rng.normal(scale=se, size=z.shape)
    held = retained_depth(coarse, z, se_m=se, crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    score = (held.depth_mm - true) / held.se_mm
    assert abs(score.mean()) < 0.5
    assert 0.7 < score.std() < 1.2


@given(st.integers(0, 10_000), st.floats(-900.0, 900.0))
def test_retained_depth_laws(seed, lift):
    """Raising the ground changes nothing; both sides are treated alike; never negative."""
    rng = np.random.default_rng(seed)
    z = np.cumsum(rng.normal(scale=0.02, size=(2, 2, U.size)), axis=-1)
    options = {"crown_u": -3.5, "hinge_u": 1.5, "outlet_u": 4.0}
    here = retained_depth(U, z, **options)
    assert (here.depth_mm >= 0.0).all()
    assert retained_depth(U, z + lift, **options).depth_mm == pytest.approx(here.depth_mm, abs=1e-6)
    other = retained_depth(U, z[:, ::-1], **options)
    assert np.array_equal(other.depth_mm[:, ::-1], here.depth_mm)


# --- held depth between planes ---------------------------------------------------------------


@settings(max_examples=50)
@given(st.floats(-2.0, 6.0), st.floats(-120.0, 120.0), st.floats(-6.0, 8.0), st.floats(0.5, 3.0))
def test_held_by_planes_equals_the_section(pavement, drop, shoulder, width):
    """The closed form against the section through the same planes."""
    step = 1e-6
    u = np.unique(
        np.concatenate([np.linspace(-3.5, 0.0, 71), [step], np.linspace(0.05, width, 60)])
    )
    u = np.append(u, width + 5.0)
    z = np.where(u <= 0.0, -0.01 * pavement * u, -0.001 * drop - 0.01 * shoulder * u)
    z[-1] = -9.0
    expected = retained_depth(
        u, np.broadcast_to(z, (1, 2, z.size)), crown_u=-3.5, hinge_u=width, outlet_u=width + 5.0
    )
    held = held_by_planes(pavement, drop, shoulder, pavement_m=3.5, shoulder_m=width)
    assert float(held.depth_mm) == pytest.approx(float(expected.depth_mm[0, 0]), abs=1e-3)
    if held.depth_mm > 0.01:
        assert float(held.level_m) == pytest.approx(float(expected.level_m[0, 0]), abs=1e-6)


def test_what_a_section_holds_hangs_on_none_of_the_others():
    """The same sections, fewer of them and the other way round, hold the same to the last bit."""
    rng = np.random.default_rng(3)
    height = section(*SOUND) + rng.normal(scale=0.01, size=(9, 2, U.size))
    limits = {"crown_u": -3.5, "hinge_u": 1.5, "outlet_u": 4.0, "se_m": 0.01}
    all_, some = retained_depth(U, height, **limits), retained_depth(U, height[::-3], **limits)
    slope, drop = rng.uniform(0.0, 4.0, (9, 2)), rng.normal(scale=20.0, size=(9, 2))
    size = {"pavement_m": 3.5, "shoulder_m": 1.5, "errors": PlaneErrors(0.1, 0.5, 8.0, 0.0, 0.0)}
    planes = held_by_planes(2.0, drop, slope, **size)
    fewer = held_by_planes(2.0, drop[::-3], slope[::-3], **size)
    for one, two in ((all_, some), (planes, fewer)):
        for name in ("depth_mm", "se_mm", "chance_mm"):
            np.testing.assert_array_equal(getattr(two, name), getattr(one, name)[::-3])


def test_held_by_planes_errors():
    """Noise in a step: scatter equals the step's, chance level is rarely passed."""
    n = 4000
    rng = np.random.default_rng(7)
    se = 8.0
    zero = np.zeros((n, 2))
    errors = PlaneErrors(zero + 0.1, zero + 0.5, zero + se, zero, zero)
    size = {"pavement_m": 7.0, "shoulder_m": 1.5, "errors": errors}
    high = held_by_planes(2.0, -60.0 + rng.normal(scale=se, size=(n, 2)), 4.0, **size)
    assert high.se_mm == pytest.approx(se, rel=0.6)
    assert np.median(high.se_mm) == pytest.approx(se, rel=0.1)
    flush = held_by_planes(2.0, rng.normal(scale=se, size=(n, 2)), 4.0, **size)
    assert (flush.depth_mm > flush.chance_mm).mean() < 0.02


def test_join_takes_the_rut_that_planes_cannot_see():
    knots = (*SOUND[:2], (0.5, -0.02), (0.75, -0.09), (1.0, -0.04), *SOUND[2:])
    rut = retained_depth(U, section(*knots), crown_u=-3.5, hinge_u=1.5, outlet_u=4.0)
    planes = held_by_planes(
        np.full((1, 2), 2.0), 0.0, [[4.0, np.nan]], pavement_m=3.5, shoulder_m=1.5
    )
    both = join(planes, rut)
    assert both.depth_mm == pytest.approx(50.0, abs=0.1)
    deeper = held_by_planes(np.full((1, 2), 2.0), -60.0, 4.0, pavement_m=3.5, shoulder_m=1.5)
    assert join(deeper, rut).depth_mm == pytest.approx(60.0)


# --- flow ------------------------------------------------------------------------------------


def test_flow_worked_example():
    """Worked by hand: cross slope 4 %, grade 3 %: 5 %; 1.875 m over a 1.5 m shoulder."""
    way = flow(4.0, 3.0, 1.5)
    assert float(way.resultant_pct) == pytest.approx(5.0)
    assert float(way.path_m) == pytest.approx(1.875)
    # rises up-station, so water turns down-station: -36.87 degrees
    assert float(way.direction_deg) == pytest.approx(-np.degrees(np.arctan2(3.0, 4.0)))
    assert not way.runs_along


def test_flow_follows_a_steep_flat_shoulder():
    way = flow([1.0, 4.0, -1.0, 0.0, 4.0], [5.0, 5.0, 5.0, 0.5, -8.0], 1.5)
    assert way.runs_along.tolist() == [True, False, True, False, True]
    assert np.isinf(way.path_m[2:4]).all()
    assert way.direction_deg[4] > 0.0


def test_flow_unknown_and_level():
    way = flow([np.nan, 0.0], [1.0, 0.0], 1.5)
    assert np.isnan(way.resultant_pct[0])
    assert np.isnan(way.path_m[0])
    assert np.isnan(way.direction_deg).all()
    assert not way.runs_along.any()


@given(st.floats(0.5, 12.0), st.floats(-12.0, 12.0), st.floats(0.5, 4.0))
def test_flow_reversing_the_road_turns_the_way_round(cross, grade, width):
    here, back = flow(cross, grade, width), flow(cross, -grade, width)
    assert float(here.path_m) == pytest.approx(float(back.path_m))
    assert float(here.direction_deg) == pytest.approx(-float(back.direction_deg))
    assert float(here.path_m) >= width


# --- the whole -------------------------------------------------------------------------------


def plain_measures(breaks, grade=0.01, drop_mm=0.0, shoulder_pct=4.0, up=0.0):
    n = breaks.s.size

    def both(value):
        return np.full((n, 2), float(value))

    crown = 100.0 + up - grade * breaks.s
    edge_z = np.repeat((crown - 0.02 * EDGE)[:, None], 2, axis=1)
    unknown = {f.name: both(np.nan) for f in fields(Measures)}
    known = dict(
        pavement_slope_pct=both(2.0),
        pavement_slope_se=both(0.1),
        shoulder_slope_pct=both(shoulder_pct),
        shoulder_slope_se=both(0.4),
        slope_cov=both(0.0),
        edge_drop_mm=both(drop_mm),
        edge_drop_se=both(5.0),
        drop_shoulder_cov=both(0.0),
        grade_pct=both(-100.0 * grade),
        rut_mm=both(0.0),
        rut_se=both(4.0),
        rut_detectable_mm=both(25.0),
        shoulder_width_m=both(HINGE - EDGE),
        edge_z_m=edge_z,
    )
    return Measures(**unknown | known)


def plain_sections(breaks, se_m=0.003):
    u = np.arange(-5.0, 10.01, 0.25)
    z = np.interp(u + EDGE, SECTION_U, SECTION_Z) + 0.07
    height = np.broadcast_to(z, (breaks.s.size, 2, u.size)).copy()
    return Sections(breaks.s, u, height, np.full_like(height, se_m))


def assess(ribbon, breaks, noise, **options):
    measures = plain_measures(
        breaks, **{k: options.pop(k) for k in ("up", "drop_mm") if k in options}
    )
    shoulder = shoulder_of(noise, measures, plain_sections(breaks))
    return follow(plain_case(breaks), Ground(None, ribbon), breaks, shoulder, **options)


def shoulder_of(noise, measures, sections):
    """All of a shoulder without kerbs."""
    none = np.zeros((sections.s.size, 2))
    never = np.full(none.shape, np.nan)
    return Shoulder(noise, measures, sections, none.astype(bool), none, never)


def plug(s, o):
    return 0.4 * np.clip(16.0 - np.abs(s - 200.0), 0.0, 1.0) * (np.abs(o - DITCH) <= 3.0)


def dent(s, o):
    r2 = ((s - 100.0) / 8.0) ** 2 + ((o + 4.25) / 0.7) ** 2
    return -0.35 * np.maximum(1.0 - r2, 0.0)


def test_follow_plain_road():
    ribbon, breaks, noise = plain_road(200.0, sigma_m=0.01)
    water = assess(ribbon, breaks, noise)
    assert (water.held.depth_mm < water.held.chance_mm).all()
    assert np.isnan(water.held.level_m).all()
    assert (water.pond_depth_mm == 0.0).all()
    assert water.ditch.depth_m == pytest.approx(0.66, abs=0.05)
    assert water.ditch.grade_pct == pytest.approx(1.0, abs=0.25)
    assert water.way.path_m == pytest.approx(1.5 * np.hypot(4.0, 1.0) / 4.0)
    limits = default_limits()
    assert not judge_ditch(water.ditch, water.kerb, limits.water).any()


def test_follow_finds_dent_and_plug():
    ribbon, breaks, noise = plain_road(
        400.0, sigma_m=0.01, shape=lambda s, o: plug(s, o) + dent(s, o)
    )
    water = assess(ribbon, breaks, noise)
    assert water.pond_depth_mm[10, 0] > 100.0
    assert (water.pond_depth_mm[:, 1] == 0.0).all()  # the plug's water stands in the ditch
    assert (water.pond_depth_mm[[0, 20, 40], 0] == 0.0).all()
    assert water.ditch.sag_mm[18, 1] > 200.0
    assert water.ditch.dammed[20, 1]
    assert not water.ditch.dammed[:, 0].any()
    blocked = judge_ditch(water.ditch, water.kerb, default_limits().water)
    assert blocked[19:21, 1].all()
    assert not blocked[:15].any()
    assert sorted(water.ponds.where) == ["ditch", "shoulder"]


def test_follow_high_shoulder_holds_water():
    ribbon, breaks, noise = plain_road(100.0)
    water = assess(ribbon, breaks, noise, drop_mm=-50.0)
    assert water.held.depth_mm == pytest.approx(50.0)
    assert (water.held.depth_mm > water.held.chance_mm).all()
    assert water.held.level_m == pytest.approx(0.05)
    assert water.held.from_u == pytest.approx(-2.5)
    assert water.held.se_mm == pytest.approx(5.0, rel=0.5)


def test_follow_unknown_is_not_dry():
    """A side without data has no pond depth, no ditch: unknown, never 0."""
    ribbon, breaks, noise = plain_road(200.0)
    ribbon.z[:, ribbon.o > 0.0] = np.nan
    water = assess(ribbon, breaks, noise)
    assert np.isnan(water.pond_depth_mm[:, 1]).all()
    assert (water.pond_depth_mm[:, 0] == 0.0).all()
    assert np.isnan(water.ditch.depth_m[:, 1]).all()
    assert np.isnan(water.ditch.sag_mm[:, 1]).all()


def test_follow_hole_under_the_pond_is_unknown():
    ribbon, breaks, noise = plain_road(200.0, grade=0.0, shape=dent)
    ribbon.z[(np.abs(ribbon.s - 100.0) < 1.5)[:, None] & (np.abs(ribbon.o + 4.25) < 0.6)] = np.nan
    water = assess(ribbon, breaks, noise)
    assert np.isnan(water.pond_depth_mm[10, 0])
    assert not water.ponds.certain.any()


def test_follow_mirrored_and_lifted():
    ribbon, breaks, noise = plain_road(400.0, shape=lambda s, o: plug(s, o) + dent(s, o))
    here = assess(ribbon, breaks, noise)
    high = assess(lifted(ribbon, 256.0), breaks, noise, up=256.0)
    other = assess(mirrored(ribbon), breaks, noise)
    for name in (
        "held.depth_mm",
        "pond_depth_mm",
        "ditch.depth_m",
        "ditch.grade_pct",
        "ditch.sag_mm",
    ):
        value = attrgetter(name)
        assert value(high) == pytest.approx(value(here), abs=1e-6)
    for name in ("pond_depth_mm", "ditch.depth_m", "ditch.sag_mm", "ditch.dammed"):
        value = attrgetter(name)
        assert value(other)[:, ::-1] == pytest.approx(value(here), abs=1e-6)


def test_follow_across_changes_its_stations_only():
    """Measured again with a higher edge, three stations hold water; ponds and ditch stay."""
    ribbon, breaks, noise = plain_road(200.0)
    water = assess(ribbon, breaks, noise)
    here = slice(5, 8)
    measures = plain_measures(breaks, drop_mm=-50.0)
    shoulder = shoulder_of(noise, measures, plain_sections(breaks))
    again = follow_across(plain_case(breaks), water, here, breaks, shoulder)
    assert again.held.depth_mm[here] == pytest.approx(50.0)
    outside = np.r_[0:5, 8 : breaks.s.size]
    assert np.array_equal(again.held.depth_mm[outside], water.held.depth_mm[outside])
    assert again.ponds is water.ponds
    assert again.ditch is water.ditch
    assert (water.held.depth_mm < 50.0).all()  # the first answer is left as it was


def test_follow_unblurred_ground_shows_a_rut():
    """The fitted shape shows water in a rut that the cells' average has lost."""
    ribbon, breaks, noise = plain_road(100.0)
    sections = plain_sections(breaks)
    ground = sections.height_m + np.interp(sections.u, [0.25, 0.75, 1.25], [0.0, -0.07, 0.0])
    with_shape = replace(sections, ground_m=ground)
    measures = plain_measures(breaks)
    case, ground = plain_case(breaks), Ground(None, ribbon)
    held = follow(case, ground, breaks, shoulder_of(noise, measures, with_shape))
    assert held.held.depth_mm == pytest.approx(50.0, abs=4.0)  # 70 mm less the 4 % fall to its lip
    assert (held.held.depth_mm > held.held.chance_mm).all()
    vague = replace(with_shape, shape_se_m=np.full_like(sections.se_m, 0.025))
    doubted = follow(case, ground, breaks, shoulder_of(noise, measures, vague)).held
    # as deep as likely, but no more surely than the heights of rut and lip, two of 25 mm
    np.testing.assert_allclose(doubted.depth_mm, held.held.depth_mm)
    assert (held.held.se_mm < 10.0).all() and (doubted.se_mm > 20.0).all()
    blind = follow(case, ground, breaks, shoulder_of(noise, measures, sections))
    assert (blind.held.depth_mm < blind.held.chance_mm).all()


def test_follow_progress_and_cancel():
    ribbon, breaks, noise = plain_road(100.0)
    told = []
    assess(ribbon, breaks, noise, progress=lambda f, words: told.append(f))
    assert told == sorted(told)
    assert told[-1] <= 1.0

    with pytest.raises(Cancelled, match=WORDS):
        assess(ribbon, breaks, noise, progress=stop_from(0.0))


def test_sample_road_blocked_ditches():
    """Known inverts on the sample grid: blocked ditches found, side accesses not accused."""
    from analysis.corridor.ribbon import read_corridor
    from analysis.road.read_roads import read_roads
    from analysis.terrain.grid import open_terrain

    with (SAMPLE / "truth.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["road"] == "Velmarrow Road"]
    sides = [[row for row in rows if row["side"] == side] for side in ("left", "right")]

    def column(name):
        return np.array([[float(r[name] or "nan") for r in side] for side in sides]).T

    s = column("s")[:, 0]
    grid = open_terrain(str(SAMPLE / "terrain.tif"))
    road = next(
        r for r in read_roads(str(SAMPLE / "roads.gpkg"), grid) if r.name == rows[0]["road"]
    )
    _, ribbon = read_corridor(grid, road, 15.0)
    breaks = plain_breaks(s[-1], float(s[1] - s[0]))
    assert breaks.s.size == s.size
    for name, column_name in (("edge", "edge_u"), ("hinge", "hinge_u"), ("ditch", "ditch_u")):
        getattr(breaks, name)[:] = column(column_name)
    breaks.axis[:] = column("axis_o")[:, 0]
    ditch = ditch_of(ribbon, breaks, plain_noise(breaks, 0.02))
    true = column("ditch_blocked") > 0
    blocked = (ditch.dammed | (ditch.depth_m < 0.3)) & ~ditch.crossing
    assert true.sum() >= 20
    assert (blocked & true).sum() / true.sum() >= 0.9
    assert (blocked & ~true).sum() <= 0.01 * true.size
    assert ditch.crossing.any()
    depth_error = ditch.depth_m - column("ditch_depth_m")
    ordinary = ~ditch.crossing & np.isfinite(depth_error)
    assert abs(np.median(depth_error[ordinary])) < 0.05
