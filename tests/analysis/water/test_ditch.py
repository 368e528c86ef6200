"""Ditch profile, sags, dams and crossings."""

import numpy as np
import pytest

from analysis.water.filling import fill_ribbon
from tests.builders.plain_road import DITCH, STEP, lifted, mirrored, plain_noise, plain_road
from tests.builders.waters import ditch_of

INVERT_BELOW_EDGE = 0.66


def dam(at_m, half_m, height_m, side=1, reach_m=3.0):
    """A plug in one ditch: level over `half_m` either way, with slopes of 1 m."""

    def shape(s, o):
        across = np.abs((1 if side else -1) * o - DITCH) <= reach_m
        return height_m * np.clip(half_m + 1.0 - np.abs(s - at_m), 0.0, 1.0) * across

    return shape


# --- grade -----------------------------------------------------------------------------------


def test_ditch_profile_worked_example_is_adverse_in_the_third_interval():
    """Inverts at 25 m, the third interval rising on the water's way: it is found."""
    length = 100.0
    knots = [50.00, 49.95, 49.93, 49.94, 49.85]

    def crown(s):
        return np.interp(s, np.arange(5) * 25.0, knots)

    ribbon, breaks, _ = plain_road(length, grade=crown)
    ditch = ditch_of(ribbon, breaks)
    rising = ditch.s[ditch.rising[:, 1]]
    assert rising.min() >= 45.0
    assert rising.max() <= 80.0
    assert ((rising >= 50) & (rising <= 70)).any()
    assert len(ditch.sags) == 2
    # the 10 mm that hold water, less what averaging over 2.5 m takes from crest and bottom
    assert ditch.sags.depth_mm == pytest.approx([10.0, 10.0], abs=4.0)


@pytest.mark.parametrize("grade", [-0.03, 0.004, 0.02])
def test_ditch_profile_plain_grade(grade):
    ribbon, breaks, _ = plain_road(300.0, grade=grade)
    ditch = ditch_of(ribbon, breaks)
    assert ditch.grade_pct == pytest.approx(100.0 * grade, abs=1e-6)
    assert ditch.depth_m == pytest.approx(INVERT_BELOW_EDGE, abs=1e-6)
    assert ditch.invert_u == pytest.approx(DITCH)
    assert not ditch.rising.any()
    assert not ditch.dammed.any()
    assert len(ditch.sags) == 0
    assert (ditch.sag_mm == 0.0).all()


def test_ditch_profile_grade_error_comes_true():
    """Scatter of the measured grade against the standard error that is given with it."""
    grades, errors = [], []
    for seed in range(6):
        ribbon, breaks, noise = plain_road(400.0, grade=0.01, sigma_m=0.02, seed=seed)
        ditch = ditch_of(ribbon, breaks, noise)
        inner = slice(2, -2, 2)  # stations 20 m apart share no rows
        grades.append(ditch.grade_pct[inner].ravel())
        errors.append(ditch.grade_se[inner].ravel())
    z = (np.concatenate(grades) - 1.0) / np.concatenate(errors)
    assert abs(z.mean()) < 0.35
    assert 0.6 < z.std() < 1.15


# --- sags, dams, crossings -------------------------------------------------------------------


def test_ditch_profile_dam_holds_water_up_stream():
    """A plug 0.4 m high on a 1 % ditch: depth and reach in closed form."""
    shape = dam(200.0, 15.0, 0.4)
    ribbon, breaks, _ = plain_road(400.0, grade=0.01, shape=shape)
    ditch = ditch_of(ribbon, breaks)
    assert len(ditch.sags) == 1
    assert ditch.sags.side[0] == 1
    # spills over the downstream crest of the plug's top at 215 m: 0.4 m up, 0.15 m down grade
    crest_level = 0.4 - 0.01 * 185.0
    bottom_level = -0.01 * 184.0
    assert ditch.sags.depth_mm[0] == pytest.approx(1000 * (crest_level - bottom_level), abs=25.0)
    assert ditch.sags.bottom_s[0] == pytest.approx(184.0, abs=1.0)
    assert ditch.sags.spill_s[0] == pytest.approx(185.0, abs=2.0)
    assert ditch.sags.from_s[0] == pytest.approx(184.0 - 39.0, abs=3.0)
    assert ditch.dammed[:, 1].any()
    assert not ditch.dammed[:, 0].any()
    blocked = ditch.s[ditch.dammed[:, 1]]
    assert blocked.min() >= 170.0
    assert blocked.max() <= 225.0
    assert ditch.hump_m[20, 1] == pytest.approx(0.4, abs=0.02)
    assert not ditch.crossing.any()


def test_ditch_profile_short_flush_crossing_is_not_called_a_dam():
    """A side access over the ditch may have a culvert: told apart, never called blocked."""
    ribbon, breaks, _ = plain_road(400.0, grade=0.01, shape=dam(200.0, 3.0, 0.6))
    ditch = ditch_of(ribbon, breaks)
    assert ditch.crossing[20, 1]
    assert not ditch.dammed.any()
    assert ditch.crossings.shape == (1, 3)
    assert ditch.crossings[0, 1] <= 197.5
    assert ditch.crossings[0, 2] >= 202.5


def test_ditch_profile_culvert_drains_its_sag():
    """Water that reaches a given culvert is gone, to the height of its inlet."""
    shape = dam(200.0, 15.0, 0.4)
    ribbon, breaks, _ = plain_road(400.0, grade=0.01, shape=shape)
    ditch = ditch_of(ribbon, breaks, culverts=np.array([[183.5, DITCH]]))
    assert len(ditch.sags) == 0
    assert not ditch.dammed.any()
    wrong_side = ditch_of(ribbon, breaks, culverts=np.array([[183.5, -DITCH]]))
    assert len(wrong_side.sags) == 1


def test_ditch_profile_sag_that_would_drown_the_road_needs_an_outlet():
    """Ditches run to a low point with ground rising all round."""

    def crown(s):
        return 0.02 * np.abs(s - 200.0)

    ribbon, breaks, _ = plain_road(
        400.0, grade=crown, half_m=12.0, shape=lambda s, o: 4.0 * (np.abs(o) > 11.5)
    )
    ditch = ditch_of(ribbon, breaks)
    assert ditch.sags.needs_outlet.any()
    deepest = ditch.sags.bottom_s[ditch.sags.needs_outlet]
    assert deepest == pytest.approx(200.0, abs=1.0)
    assert np.isnan(ditch.sag_mm[20]).all()
    drained = ditch_of(ribbon, breaks, culverts=np.array([[200.0, DITCH], [200.0, -DITCH]]))
    assert not drained.sags.needs_outlet.any()


def test_ditch_profile_noise_is_not_called_a_sag():
    """On 4 km of flat-graded ditch with noise of 20 mm hardly a sag is reported."""
    ribbon, breaks, noise = plain_road(4000.0, grade=0.004, sigma_m=0.02, seed=5)
    raw = fill_ribbon(ribbon.z) - ribbon.z
    column = np.argmin(np.abs(ribbon.o - DITCH))
    assert (raw[:, column] > 0.03).sum() > 20  # the bare fill shows dozens
    assert len(ditch_of(ribbon, breaks, noise).sags) <= 1


def test_ditch_profile_gap_in_the_ditch_is_bridged():
    """Where a fill hides the invert, the line goes on and shows the hump."""
    ribbon, breaks, _ = plain_road(400.0, grade=0.01, shape=dam(200.0, 15.0, 0.6))
    breaks.ditch[18:23, 1] = np.nan
    ditch = ditch_of(ribbon, breaks)
    assert np.isfinite(ditch.depth_m[18:23, 1]).all()
    assert ditch.dammed[19:22, 1].all()
    breaks.ditch[5:35, 1] = np.nan  # 300 m without: no ditch there
    none = ditch_of(ribbon, breaks)
    assert np.isnan(none.depth_m[8:32, 1]).all()
    assert np.isnan(none.sag_mm[20, 1])
    assert not none.dammed[8:32, 1].any()


def test_ditch_profile_no_ditch_at_all():
    ribbon, breaks, noise = plain_road(100.0, sigma_m=0.02)
    breaks.ditch[:] = np.nan
    ditch = ditch_of(ribbon, breaks, noise)
    assert np.isnan(ditch.depth_m).all()
    assert np.isnan(ditch.grade_pct).all()
    assert len(ditch.sags) == 0


def test_ditch_profile_mirrored_and_lifted():
    shape = dam(200.0, 15.0, 0.4)
    ribbon, breaks, noise = plain_road(400.0, grade=0.01, shape=shape, sigma_m=0.01)
    here = ditch_of(ribbon, breaks, noise)
    other = ditch_of(mirrored(ribbon), breaks, noise)
    higher = ditch_of(lifted(ribbon, 64.0), breaks, noise)
    assert other.depth_m[:, ::-1] == pytest.approx(here.depth_m, abs=1e-9)
    assert np.array_equal(other.dammed[:, ::-1], here.dammed)
    assert higher.depth_m == pytest.approx(here.depth_m, abs=1e-9)
    assert higher.grade_pct == pytest.approx(here.grade_pct, abs=1e-9)
    assert np.array_equal(higher.dammed, here.dammed)


def test_ditch_profile_error_of_the_invert():
    ribbon, breaks, noise = plain_road(100.0, sigma_m=0.02)
    assert ditch_of(ribbon, breaks, noise).invert_se == pytest.approx(
        0.02 * np.sqrt(STEP / 2.5), rel=1.2
    )
    assert plain_noise(breaks).source
