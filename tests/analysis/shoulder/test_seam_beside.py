"""Strips of a survey that may meet on a shoulder: thought of where shape allows it, only there."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.corridor.values import Case, Extras, Ground, Ribbon
from analysis.edges.find_breaks import find
from analysis.edges.values import Overrides
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.seam import find_seam, seam_text, usual_box
from analysis.shoulder.seam_beside import chance_beside, think_of_seam
from analysis.shoulder.seam_beside_kernels import Asked, SideCells, sum_up_blocks
from analysis.shoulder.slopes import measure_sides
from tests.builders.cells_road import (
    LANE,
    both_sides,
    box_for,
    crown_section,
    seen_from_its_other_end,
    straight_cells,
)

STATIONS = np.arange(20.0, 481.0, 10.0)
DROP, RIGHT = 0.01, 1
SHAPE = both_sides(drop=DROP)


def _surveyed(profile, seed, extra=None):
    """Ground of a straight road of 500 m, cells of 0.5 m with 20 mm of noise, and its breaks."""
    cells = straight_cells(
        profile, cell=0.5, length=500.0, half=9.0, sigma=0.02, seed=seed, extra=extra
    )
    box = box_for(STATIONS.size, 0.5, 24.0)
    case = Case(None, LANE, STATIONS, box, Settings(), default_limits(), Extras())
    ribbon = Ribbon(STATIONS, np.arange(-9.0, 9.1), np.zeros((STATIONS.size, 19)), 10.0, 1.0)
    return case, Ground(cells, ribbon), find(case, Ground(cells, ribbon), Overrides())


def _measured(case, ground, breaks):
    noise = estimate_noise(ground.cells, breaks)
    return measure_sides(ground.cells, breaks, noise, box_m=case.box_m)[0]


def _off(measures):
    """Slopes of the right shoulder off the true 4 %, and the root mean square of their z scores."""
    off = (measures.shoulder_slope_pct - 4.0)[:, RIGHT]
    z = off / measures.shoulder_slope_se[:, RIGHT]
    return float(np.nanmedian(off)), float(np.sqrt(np.nanmean(z**2)))


@pytest.mark.parametrize(("at", "rise"), [(4.3, -0.02), (4.3, 0.02), (4.5, 0.02)])
def test_a_jump_on_a_shoulder_is_thought_of_and_carried(at, rise):
    """Before, the slope of a sound shoulder was several of its errors off all along the road."""
    case, ground, breaks = _surveyed(lambda o: SHAPE(o) + np.where(o > at, rise, 0.0), 7)
    bias, z = _off(_measured(case, ground, breaks))
    assert abs(bias) > 1.0 and z > 2.0
    box = usual_box(case)
    seam = think_of_seam(ground.cells, breaks, box, 1.0)
    assert seam is not None
    assert np.sign(seam.rise_m) == np.sign(rise)
    assert abs(seam.rise_m - rise) < 3.0 * seam.se_m and abs(np.median(seam.offset) - at) < 0.4
    assert "may meet on the right shoulder" in seam_text(seam)
    level = seam.levelled(ground, box)
    np.testing.assert_allclose(level.ribbon.z[:, level.ribbon.o < 3.0], 0.0)
    left, right = level.ribbon.z[:, -1], -seam.rise_m * np.interp(STATIONS, seam.s, seam.share)
    np.testing.assert_allclose(left, right)
    breaks = find(case, level, Overrides())
    carried = _measured(case, level, breaks)
    less, honest = _off(carried)
    assert abs(less) < 0.7 * abs(bias) and honest < 0.6 * z
    plain = replace(level.cells, shared_m=None)
    without = _measured(case, Ground(plain, level.ribbon), breaks)
    wider = carried.shoulder_slope_se[:, RIGHT] / without.shoulder_slope_se[:, RIGHT]
    assert np.nanmedian(wider) > 1.05


def test_a_road_seen_from_its_other_end_has_the_same_chance():
    """Blocks lie alike from both, with the last cell as much as the first."""
    case, ground, breaks = _surveyed(lambda o: SHAPE(o) + np.where(o > 4.3, -0.02, 0.0), 7)
    box = usual_box(case)
    turned = seen_from_its_other_end(ground.cells, breaks, 500.0)
    (one,), (other,) = (
        chance_beside(cells, along, box, 1.0)
        for cells, along in ((ground.cells, replace(breaks, line=None)), turned)
    )
    assert one.chance.max() > 0.2
    for name, sign in (("offset", -1.0), ("rise_m", -1.0), ("chance", 1.0)):
        back = sign * getattr(other, name)[::-1]
        np.testing.assert_allclose(back, getattr(one, name), rtol=1e-6, err_msg=name)


@pytest.mark.parametrize("slope", [0.01, 0.0, -0.02])
def test_a_shoulder_that_is_flat_all_along_stays_found(slope):
    """One side flat or reversed for half a kilometre is straight: no jump explains it."""

    def flat(o):
        return np.where(
            o > 0.0, crown_section(o, drop=DROP, shoulder=slope), crown_section(-o, drop=DROP)
        )

    case, ground, breaks = _surveyed(flat, 6)
    seam = think_of_seam(ground.cells, breaks, usual_box(case), 1.0)
    assert seam is None or np.abs(seam.share).max() < 0.1


@pytest.mark.parametrize("seed", [2, 3])
def test_none_is_thought_of_on_sound_shoulders(seed):
    case, ground, breaks = _surveyed(SHAPE, seed)
    assert not chance_beside(ground.cells, breaks, usual_box(case), 1.0)


def test_ruts_of_a_stretch_dont_make_a_seam():
    """What a fifth of the road has worn to speaks for itself, however loud."""

    def worn(s, o):
        rut = 0.06 * np.exp(-0.5 * ((o - 4.2) / 0.25) ** 2)
        return np.where((s > 200.0) & (s < 300.0), -rut, 0.0)

    case, ground, breaks = _surveyed(SHAPE, 5, worn)
    told = chance_beside(ground.cells, breaks, usual_box(case), 1.0)
    assert all(beside.chance.max() < 0.2 for beside in told)


def test_a_fault_that_ends_is_no_seam():
    """Half of the side is as the other one is: a seam would run on."""

    def step(s, o):
        return np.where((s > 250.0) & (o > 4.2), 0.02, 0.0)

    case, ground, breaks = _surveyed(SHAPE, 5, step)
    assert not chance_beside(ground.cells, breaks, usual_box(case), 1.0)


def test_an_edge_drawn_to_a_seam_comes_back_where_a_fault_shows_it():
    """A jump inside the edge passes for one; where the shoulder is worn low the true one shows."""
    at, rise = 2.7, 0.02

    def surveyed(s, o):
        worn = np.where((s > 300.0) & (s < 420.0) & (o > 3.5), -0.06, 0.0)
        return worn + np.where(o > at, rise, 0.0)

    case, ground, breaks = _surveyed(SHAPE, 7, surveyed)
    sound = STATIONS < 280.0
    assert np.median(breaks.edge[sound, RIGHT]) < 3.0
    box = usual_box(case)
    seam = think_of_seam(ground.cells, breaks, box, 1.0)
    assert seam is not None and seam.share.max() == 0.5
    assert abs(seam.rise_m - rise) < 3.0 * seam.se_m and abs(np.median(seam.offset) - at) < 0.3
    level = seam.levelled(ground, box)
    again = find(case, level, Overrides())
    assert np.median(again.edge[sound, RIGHT]) > 3.2
    off = [
        np.nanmedian(_measured(case, *of).edge_drop_mm[sound, RIGHT]) - 1000.0 * DROP
        for of in ((ground, breaks), (level, again))
    ]
    assert abs(off[1]) < 0.75 * abs(off[0])


def test_a_jump_ends_where_none_is_found(monkeypatch):
    """What a stretch of road tells isn't carried on over one that was asked and told none."""
    case, ground, breaks = _surveyed(SHAPE, 7, lambda s, o: 0.02 * ((o > 4.3) & (s < 250.0)))
    monkeypatch.setattr("analysis.shoulder.seam_beside.STRETCH_M", 250.0)
    (beside,) = chance_beside(ground.cells, breaks, usual_box(case), 1.0)
    assert beside.chance[beside.s < 240.0].min() > 0.05
    assert not beside.chance[beside.s > 260.0].any()


def test_what_either_side_may_have_is_carried_by_both():
    """A jump by an edge tells the sides apart but not which of them was moved."""
    shape = both_sides(drop=0.0)
    case, ground, breaks = _surveyed(lambda o: shape(o) + np.where(o > 3.4, 0.02, 0.0), 7)
    box = usual_box(case)
    told = chance_beside(ground.cells, breaks, box, 1.0)
    assert len(told) == 2 and sum(float(beside.chance[0]) for beside in told) <= 1.0
    seam = think_of_seam(ground.cells, breaks, box, 1.0)
    assert "right shoulder" in seam_text(seam) and "left shoulder" in seam_text(seam)
    level = seam.levelled(ground, box)
    carried = _measured(case, level, breaks).edge_drop_se
    plain = replace(level.cells, shared_m=None)
    without = _measured(case, Ground(plain, level.ribbon), breaks).edge_drop_se
    assert (np.nanmedian(carried / without, axis=0) > 1.1).all()


def test_none_without_cells():
    case, ground, breaks = _surveyed(SHAPE, 2)
    none = ground.cells.part(slice(0, 0))
    assert think_of_seam(none, breaks, usual_box(case), 1.0) is None


@pytest.mark.parametrize("crown", [-1.1, 1.2])
def test_a_crown_off_the_middle_is_no_seam(crown):
    """A bend where none was asked for passed for strips 18 mm apart, and drew the crown inward."""

    def beside(o):
        u = np.abs(o)
        outside = np.where(o > 0.0, -0.02 * (3.5 - crown), -0.02 * (3.5 + crown)) - DROP
        outside = outside - 0.04 * np.clip(u - 3.5, 0.0, 1.5) - 0.25 * np.maximum(u - 5.0, 0.0)
        return np.where(u <= 3.5, -0.02 * np.abs(o - crown), outside)

    for seed in (1, 2, 3):
        case, ground, breaks = _surveyed(beside, seed)
        assert find_seam(ground.cells, breaks, usual_box(case)) is None
        assert not chance_beside(ground.cells, breaks, usual_box(case), 1.0)


@pytest.mark.parametrize("seed", [20, 22])
def test_a_ridge_all_along_one_shoulder_is_never_surely_a_seam(seed):
    """Sod 20 mm high at the rim of one side fits a jump: slopes move by no more than they carry."""

    def ridge(o):
        return SHAPE(o) + 0.02 * np.exp(-0.5 * ((o - 4.8) / 0.15) ** 2)

    case, ground, breaks = _surveyed(ridge, seed)
    seam = think_of_seam(ground.cells, breaks, usual_box(case), 1.0)
    assert seam is not None and np.abs(seam.share).max() <= 0.5
    level = seam.levelled(ground, usual_box(case))
    after = _measured(case, level, find(case, level, Overrides()))
    before = _measured(case, ground, breaks)
    moved = (after.shoulder_slope_pct - before.shoulder_slope_pct)[:, RIGHT]
    assert np.nanmedian(np.abs(moved) / after.shoulder_slope_se[:, RIGHT]) < 2.0


def test_blocks_are_summed_up_as_least_squares_say():
    """Shapes are freed of what a block may be otherwise: what is left is what no fit explains."""
    rng = np.random.default_rng(11)
    s, x = np.sort(rng.uniform(0.0, 40.0, 900)), rng.uniform(-2.6, 2.4, 900)
    z, beyond = rng.normal(0.0, 0.02, 900) - 0.03 * np.maximum(x, 0.0), x - 1.5
    z[[100, 600]] += 1.0
    bend_box = np.tile([0.5, 0.1], (900, 1))
    steps, kinks, at = np.array([-0.3, 0.0, 0.6]), np.array([0.0]), np.array([0.0, 20.0, 40.0])
    usual = np.array([0, 1, 2, 3, 4, 5, 6, 9, 11])
    asked = Asked(steps, kinks, usual, 0.4, 0.2, 20.0, -0.6, 100.0, 20.0, 4.0, 0.64)
    products, falls, count = np.empty((2, 5, 5)), np.empty(2), np.empty(2)
    cut = np.searchsorted(s, at)
    cells = SideCells(s, x, z, beyond, bend_box)
    sum_up_blocks(cells, at, cut, asked, products, falls, count)
    np.testing.assert_array_equal(count, np.diff(cut))
    for b, here in enumerate(slice(*ends) for ends in pairwise(cut)):
        t, u = (s[here] - (10.0 + 20.0 * b)) / 20.0, x[here]
        bend = smeared_ramp(beyond[here], [0.5, 0.1])
        free = np.stack([np.ones_like(t), t, t * t, u, t * u, bend, t * bend])
        shapes = [smeared_step(u - k, [0.4, 0.2]) for k in steps]
        shapes += [smeared_ramp(u, [0.4, 0.2]), smeared_step(beyond[here], [0.4, 0.2])]
        heights, rows = z[here] - z[here].mean(), np.vstack([free, shapes[1], shapes[3]])
        fitted = rows.T @ np.linalg.lstsq(rows.T, heights, rcond=None)[0]
        rest = heights - fitted
        reach = 4.0 * 1.4826 * np.median(np.abs(rest))
        heights = fitted + np.clip(rest, -reach, reach)
        asked_for = np.stack([heights, *shapes])
        left = asked_for - (free.T @ np.linalg.lstsq(free.T, asked_for.T, rcond=None)[0]).T
        whole = left @ left.T
        # a step at the hinge that is held to 0, eliminated (Schur complement)
        want = whole[:-1, :-1] - np.outer(whole[:-1, -1], whole[-1, :-1]) / (whole[-1, -1] + 0.64)
        np.testing.assert_allclose(products[b], want, rtol=1e-7, atol=1e-9)
        paved = u < -0.6
        plane = np.stack([np.ones_like(t), t, u])[:, paved]
        fall = np.linalg.lstsq(plane.T, z[here][paved], rcond=None)[0][2]
        assert falls[b] == pytest.approx(-fall, rel=1e-6)
