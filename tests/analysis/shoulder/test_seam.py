"""Strips of a survey that stand apart: found on the pavement, brought level, never made up."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ground, Ribbon
from analysis.edges.find_breaks import find
from analysis.edges.values import Overrides
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.seam import _Told, find_seam, seam_text, usual_box
from analysis.shoulder.slopes import measure_sides
from tests.builders.cells_road import (
    LANE,
    both_sides,
    box_for,
    seen_from_its_other_end,
    straight_cells,
)

STATIONS = np.arange(20.0, 281.0, 10.0)
SHAPE = both_sides(drop=0.02)


def _surveyed(profile, seed):
    """Ground and breaks of a straight road of 300 m with cells of 0.5 m and 20 mm of noise."""
    cells = straight_cells(profile, cell=0.5, length=300.0, half=14.0, sigma=0.02, seed=seed)
    box = box_for(STATIONS.size, 0.5, 24.0)
    case = Case(None, LANE, STATIONS, box, Settings(), default_limits(), Extras())
    ground = Ground(cells, Ribbon(STATIONS, np.arange(-9.0, 9.1), np.zeros((27, 19)), 10.0, 1.0))
    return case, ground, find(case, ground, Overrides())


@pytest.mark.parametrize(("at", "rise"), [(-1.8, 0.02), (1.5, 0.03)])
def test_a_jump_on_the_pavement_is_found_and_brought_level(at, rise):
    """Height and place come back within their errors; what is measured is as without the jump."""
    case, ground, breaks = _surveyed(lambda o: SHAPE(o) + np.where(o > at, rise, 0.0), 5)
    box = usual_box(case)
    seam = find_seam(ground.cells, breaks, box)
    assert seam is not None and seam.length_m >= 250.0
    assert abs(seam.rise_m - rise) <= 3.0 * seam.se_m and seam.se_m < 0.3 * abs(rise)
    np.testing.assert_allclose(np.median(seam.offset), at, atol=0.3)
    assert f"{1000.0 * abs(seam.rise_m):.0f} ± " in seam_text(seam)
    level = seam.levelled(ground, box)
    right = level.ribbon.o > at + 1.0
    np.testing.assert_allclose(level.ribbon.z[:, right], -seam.rise_m)
    np.testing.assert_allclose(level.ribbon.z[:, level.ribbon.o < at - 1.0], 0.0)
    breaks = find(case, level, Overrides())
    noise = estimate_noise(level.cells, breaks)
    measures, _ = measure_sides(level.cells, breaks, noise, box_m=case.box_m)
    plain = replace(level.cells, shared_m=None)
    without, _ = measure_sides(plain, breaks, noise, box_m=case.box_m)
    # shoulders of the road fall 4 % (see `both_sides`); a jump left in would tilt all of one side
    off = (measures.pavement_slope_pct - 2.0) / measures.pavement_slope_se
    assert np.sqrt(np.nanmean(off**2)) < 1.6
    assert (measures.pavement_slope_se >= without.pavement_slope_se - 1e-12).all()
    astride = int(at > 0.0)
    wider = measures.pavement_slope_se[:, astride] / without.pavement_slope_se[:, astride]
    assert np.median(wider) > 1.02


def test_a_road_seen_from_its_other_end_has_the_same_seam():
    case, ground, breaks = _surveyed(lambda o: SHAPE(o) + np.where(o > 1.5, 0.03, 0.0), 5)
    # no whole number of blocks long
    cells, box = ground.cells.part(ground.cells.s < 273.0), usual_box(case)
    one = find_seam(cells, breaks, box)
    other = find_seam(*seen_from_its_other_end(cells, breaks, 300.0), box)
    assert other.rise_m == pytest.approx(-one.rise_m, rel=1e-6)
    assert other.se_m == pytest.approx(one.se_m, rel=1e-6)
    np.testing.assert_allclose(other.offset[::-1], -one.offset, atol=1e-6)


@pytest.mark.parametrize("comes", [False, True])
def test_a_seam_that_leaves_the_pavement_goes_on_in_its_line(comes):
    """What the edge search would take for an edge is brought level, and doubted on its way."""
    drop, rise = 0.05, 0.03

    def line(s):
        return 0.8 + 0.014 * (300.0 - s if comes else s)

    cells = straight_cells(
        both_sides(drop=drop),
        cell=0.5,
        length=300.0,
        half=14.0,
        sigma=0.02,
        seed=5,
        extra=lambda s, o: rise * (o > line(s)),
    )
    box = box_for(STATIONS.size, 0.5, 24.0)
    case = Case(None, LANE, STATIONS, box, Settings(), default_limits(), Extras())
    ribbon = Ribbon(STATIONS, np.arange(-9.0, 9.1), np.zeros((STATIONS.size, 19)), 10.0, 1.0)
    ground = Ground(cells, ribbon)
    seam = find_seam(cells, find(case, ground, Overrides()), usual_box(case))
    assert seam is not None and seam.length_m < 200.0
    # the edge lies at 3.5 m, the hinge at 5 m: crossed 193 m and 300 m from the seam's inner end
    beside = (line(seam.s) > 3.6) & (line(seam.s) < 4.9)
    np.testing.assert_allclose(seam.offset[beside], line(seam.s[beside]), atol=0.5)
    rises = np.diff(seam.astride.chance[beside, 1])
    assert (rises < 0.0 if comes else rises > 0.0).all()
    assert not seam.astride.chance[:, 0].any()
    assert "as it ran there" in seam_text(seam)
    level = seam.levelled(ground, usual_box(case))
    breaks = find(case, level, Overrides())
    measures, _ = measure_sides(level.cells, breaks, estimate_noise(level.cells, breaks), box_m=box)
    late = line(STATIONS) > 3.5
    z = (measures.edge_drop_mm - 1000.0 * drop)[late, 1] / measures.edge_drop_se[late, 1]
    assert np.sqrt(np.mean(z**2)) < 1.3
    np.testing.assert_allclose(breaks.edge[late, 1], 3.5, atol=0.35)
    left, right = np.median(measures.edge_drop_se[late], axis=0)
    assert right > 1.3 * left


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_no_seam_where_there_is_none(seed):
    """Neither on an even road nor beside worn lanes, whose shape is smooth and stays all along."""
    case, ground, breaks = _surveyed(SHAPE, seed)
    assert find_seam(ground.cells, breaks, usual_box(case)) is None

    def worn(o):
        return SHAPE(o) - 0.012 * np.exp(-0.5 * ((np.abs(o) - 1.8) / 0.35) ** 2)

    case, ground, breaks = _surveyed(worn, seed)
    assert find_seam(ground.cells, breaks, usual_box(case)) is None


@pytest.mark.parametrize(("blocks", "each", "found"), [(500, 0.04, False), (60, 0.4, True)])
def test_what_adds_up_along_a_long_road_is_no_seam(monkeypatch, blocks, each, found):
    """A trace in every block, as chance leaves it, isn't a jump however long the road is."""
    case, ground, breaks = _surveyed(SHAPE, 2)
    rise, places, knots = 0.018, 13, 4
    gain, weight = np.zeros((2, blocks, places))
    weight[:], gain[:, 7] = 2.0 * each / rise**2, 2.0 * each / rise
    none = np.zeros((blocks, places, knots)), np.zeros((blocks, knots, knots))
    s = 10.0 * np.arange(blocks) + 5.0
    sides = np.full((blocks, 2), 3.5), np.full((blocks, 2), 1.5)
    told = _Told(s, np.zeros(blocks), *sides, gain, weight, *none, np.zeros((blocks, knots)))
    monkeypatch.setattr("analysis.shoulder.seam._tell", lambda *given: told)
    seam = find_seam(ground.cells, breaks, usual_box(case))
    assert (seam is not None) == found
    assert seam is None or seam.rise_m == pytest.approx(rise)


def test_no_seam_without_cells():
    case, ground, breaks = _surveyed(SHAPE, 2)
    none = ground.cells.part(slice(0, 0))
    assert find_seam(none, breaks, usual_box(case)) is None
    assert seam_text(None) == ""
