"""A shoulder that departs from the other as under a seam of strips: doubted, not judged."""

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ground, Ribbon
from analysis.edges.find_breaks import find
from analysis.edges.values import Overrides
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.one_sided import _as_a_seam, find_one_sided
from analysis.shoulder.seam import seam_text, usual_box
from analysis.shoulder.slopes import measure_sides
from analysis.verdict.beliefs import informed
from tests.builders.cells_road import both_sides, box_for, straight_cells
from tests.builders.tables import make_measures

WIDTH = 1.5
S = np.arange(0.0, 601.0, 10.0)
SHAPE = default_limits().shape


class _Breaks:
    """What is asked of breaks: stations, edges and hinges."""

    s = S
    edge = np.full((S.size, 2), 3.5)
    hinge = np.full((S.size, 2), 3.5 + WIDTH)


def _line_through_step(rise_m, share):
    """Slope (points, falls outward) and drop (mm) that a line through a step adds: by numpy."""
    t = (np.arange(3000) + 0.5) / 3000 * WIDTH
    tilt, level = np.polyfit(t, rise_m * (t > share * WIDTH), 1)
    return np.array([-100.0 * tilt, -1000.0 * level])


def _measured(seed, *, slope=0.0, drop=0.0, on=(0.0, 600.0), varies=0.0):
    """Sound shoulders of 4.5 % beside 2 %; the right one departs between two distances."""
    rng = np.random.default_rng(seed)
    here = ((on[0] <= S) & (on[1] >= S))[:, None] * np.array([0.0, 1.0])
    wander = varies * np.sin(S / 25.0)[:, None]
    return make_measures(
        S.size,
        pavement_slope_pct=2.0,
        pavement_slope_se=0.1,
        shoulder_slope_pct=4.5 + here * (slope + wander) + 0.5 * rng.standard_normal((S.size, 2)),
        shoulder_slope_se=0.5,
        slope_cov=0.0,
        edge_drop_mm=here * drop + 5.0 * rng.standard_normal((S.size, 2)),
        edge_drop_se=5.0,
    )


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7])
@pytest.mark.parametrize("rise", [-0.02, 0.015, 0.03])
def test_a_step_through_a_shoulder_may_be_a_seam(share, rise):
    assert _as_a_seam(_line_through_step(rise, share), WIDTH)


@pytest.mark.parametrize("departs", [(-6.0, 0.0), (0.0, 65.0), (0.0, -60.0), (5.0, -20.0)])
def test_what_no_seam_makes_is_none(departs):
    """A reversed shoulder, drops and lips that are too high, a lip that falls outward."""
    assert not _as_a_seam(np.array(departs), WIDTH)


@pytest.mark.parametrize(("rise", "share"), [(0.02, 0.5), (-0.02, 0.5), (0.02, 0.0)])
def test_the_longer_it_lasts_the_more_it_is_doubted(rise, share):
    slope, drop = _line_through_step(rise, share)
    sizes = []
    for length in (120.0, 300.0, 500.0):
        on = (60.0, 60.0 + length)
        found = find_one_sided(_Breaks, _measured(3, slope=slope, drop=drop, on=on), SHAPE)
        chance = np.zeros((S.size, 2)) if found is None else found.astride.chance
        assert not chance[:, 0].any()
        assert not chance[(on[0] - 25.0 > S) | (on[1] + 25.0 < S)].any()
        sizes.append(chance.max())
    assert sizes[0] == 0.0 and 0.1 < sizes[1] < 0.4 < sizes[2] <= 0.5
    np.testing.assert_allclose(found.astride.step_m[30, 1], -0.5 * drop / 1000.0, atol=0.004)
    np.testing.assert_allclose(
        found.astride.rise_m[30, 1], -0.5 * slope * WIDTH / 100.0, atol=0.006
    )
    assert "as if two strips" in seam_text(found)


@pytest.mark.parametrize("seed", range(5))
def test_real_faults_are_not_doubted(seed):
    """Wear varies; faults leave sound parts between them; a road may be built like that."""
    flat = {"slope": -2.2, "drop": 4.0}
    assert find_one_sided(_Breaks, _measured(seed, **flat, varies=1.2), SHAPE) is None
    assert find_one_sided(_Breaks, _measured(seed, slope=-6.0), SHAPE) is None
    assert find_one_sided(_Breaks, _measured(seed, drop=65.0), SHAPE) is None
    assert find_one_sided(_Breaks, _measured(seed), SHAPE) is None
    parts = [
        _measured(seed, **flat, on=on) for on in ((40.0, 160.0), (220.0, 340.0), (420.0, 560.0))
    ]
    worn = parts[0]
    for part in parts[1:]:
        where = np.abs(part.shoulder_slope_pct - worn.shoulder_slope_pct) > 1.0
        at = where & (part.shoulder_slope_pct < worn.shoulder_slope_pct)
        worn.shoulder_slope_pct[at] = part.shoulder_slope_pct[at]
    assert find_one_sided(_Breaks, worn, SHAPE) is None
    both = _measured(seed, **flat)
    both.shoulder_slope_pct[:, 0] = both.shoulder_slope_pct[::-1, 1]
    assert find_one_sided(_Breaks, both, SHAPE) is None


def test_an_error_that_stations_share_is_not_averaged_away():
    m = _measured(1, slope=-2.2)
    m.shared_slope_pct[:] = 0.0
    own = informed(m, 0.5).shoulder_slope_se
    m.shared_slope_pct[:, 1] = 1.5
    m.shoulder_slope_se[:, 1] = np.hypot(0.5, 1.5)
    told = informed(m, 0.5).shoulder_slope_se
    np.testing.assert_allclose(told[:, 1], np.hypot(own[:, 1], 1.5), rtol=1e-6)
    np.testing.assert_allclose(told[:, 0], own[:, 0], rtol=1e-6)


@pytest.mark.parametrize("rise", [0.02, -0.02])
def test_cells_under_a_seam_carry_it_as_an_error(rise):
    """A jump in the middle of one shoulder, all along: errors grow to what is off, there alone."""
    stations = np.arange(20.0, 581.0, 10.0)
    cells = straight_cells(
        both_sides(),
        cell=0.5,
        length=600.0,
        half=9.0,
        sigma=0.02,
        seed=5,
        extra=lambda s, o: rise * (o > 4.25),
    )
    box = box_for(stations.size, 0.5, 24.0)
    case = Case(None, None, stations, box, Settings(), default_limits(), Extras())
    ribbon = Ribbon(stations, np.arange(-9.0, 9.1), np.zeros((stations.size, 19)), 10.0, 1.0)
    ground = Ground(cells, ribbon)
    breaks = find(case, ground, Overrides())
    noise = estimate_noise(cells, breaks)
    before, _ = measure_sides(cells, breaks, noise, box_m=box)
    seam = find_one_sided(breaks, before, SHAPE)
    assert seam is not None and not seam.astride.chance[:, 0].any()
    level = seam.levelled(ground, usual_box(case))
    after, _ = measure_sides(level.cells, breaks, noise, box_m=box)
    off = after.shoulder_slope_pct - 4.0
    was = before.shoulder_slope_pct - 4.0
    assert np.sqrt(np.nanmean((was / before.shoulder_slope_se)[:, 1] ** 2)) > 1.8
    assert np.sqrt(np.nanmean((off / after.shoulder_slope_se)[:, 1] ** 2)) < 1.2
    assert abs(np.nanmean(off[:, 1])) < 0.7 * abs(np.nanmean(was[:, 1]))
    np.testing.assert_allclose(
        after.shoulder_slope_se[:, 0], before.shoulder_slope_se[:, 0], rtol=1e-6
    )
    assert np.nanmedian(after.shared_slope_pct[:, 1]) > 0.5
