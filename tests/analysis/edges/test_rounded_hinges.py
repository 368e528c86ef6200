"""Shoulders that pass into their bank by an arc: it is neither an edge nor a hinge farther in."""

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.footprint import rounded_box, smeared_ramp
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges import find
from analysis.edges.values import Overrides
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.slopes import measure_sides
from tests.builders.cells_road import (
    LANE,
    both_sides,
    box_for,
    cell_mean,
    crown_section,
    straight_cells,
)

EDGE, WIDTH, SHOULDER, BANK = 3.5, 1.6, 0.045, 0.3


def _rounded(half):
    """A section whose hinge is a circle tangent to shoulder and bank, `half` m before and after."""
    falls = np.arctan([SHOULDER, BANK])
    radius = half / np.tan(0.5 * (falls[1] - falls[0]))
    start, stop = -half * np.cos(falls[0]), half * np.cos(falls[1])
    middle = start - radius * np.sin(falls[0])
    level = -SHOULDER * start - radius * np.cos(falls[0])

    def section(o):
        u = np.abs(o)
        x = u - EDGE - WIDTH
        arc = level + np.sqrt(np.maximum(radius**2 - (x - middle) ** 2, 0.0))
        over = np.where(x < 0.0, -SHOULDER * x, -BANK * x)
        z = crown_section(u, edge=EDGE, width=WIDTH, shoulder=SHOULDER, fore=BANK)
        return z + np.where((x > start) & (x < stop), arc - over, 0.0)

    return section


def _measured(profile, seed, cell=0.5, extra=None):
    azimuth = 15.0 + 10.0 * seed
    cells = straight_cells(
        profile,
        cell=cell,
        length=200.0,
        half=14.0,
        azimuth_deg=azimuth,
        sigma=0.015,
        seed=seed,
        extra=extra,
    )
    s = np.arange(20.0, 181.0, 10.0)
    box = box_for(s.size, cell, azimuth)
    case = Case(None, LANE, s, box, Settings(), default_limits(), Extras())
    breaks = find(case, Ground(cells, None), Overrides())
    return breaks, measure_sides(cells, breaks, estimate_noise(cells, breaks), box_m=box)[0]


@pytest.mark.parametrize("half", [0.5, 0.75])
def test_a_rounded_hinge_lies_where_shoulder_and_bank_would_meet(half):
    """z is 1 for honest errors; with a kink alone, the arc's begin passed for the pavement edge."""
    breaks, found = _measured(_rounded(half), 3)
    assert (breaks.arc_m > 0.0).all()
    for off, se in (
        (breaks.edge - EDGE, breaks.edge_se),
        (breaks.hinge - EDGE - WIDTH, breaks.hinge_se),
        (found.shoulder_slope_pct - 100.0 * SHOULDER, found.shoulder_slope_se),
        (found.edge_drop_mm, found.edge_drop_se),
    ):
        assert np.sqrt(np.mean((off / se) ** 2)) < 1.55
    assert np.median(found.shoulder_slope_se) < 1.2


def _curving(length, steepest):
    """A section whose bank curves on from the shoulder's end, over some length to some slope."""

    def section(o):
        u = np.abs(o)
        x = np.maximum(u - EDGE - WIDTH, 0.0)
        on = np.minimum(x, length)
        bent = 0.5 * (steepest - SHOULDER) / length * on**2 + (steepest - SHOULDER) * (x - on)
        return crown_section(u, edge=EDGE, width=WIDTH, shoulder=SHOULDER, fore=SHOULDER) - bent

    return section


def test_a_bank_that_curves_on_takes_less_of_the_shoulder_for_itself():
    """Its beginning is an arc longer than is usual: with those alone z is 2.1, half a point off."""
    off, z = [], []
    for length, steepest in ((3.0, 0.33), (5.0, 0.5)):
        for seed in (3, 5):
            breaks, found = _measured(_curving(length, steepest), seed)
            assert (breaks.arc_m >= 1.0).all()
            off.append(found.shoulder_slope_pct - 100.0 * SHOULDER)
            z.append(off[-1] / found.shoulder_slope_se)
    assert np.sqrt(np.mean(np.square(z))) < 1.7 and abs(np.mean(off)) < 0.2


@pytest.mark.parametrize("half", [0.4, 0.6])
def test_lengths_between_those_that_are_tried_first_are_told(half):
    """On 0.25 m cells, which show them: slopes were 0.5 to 0.8 points off, with z 1.7 and 2.0."""
    breaks, found = _measured(_rounded(half), 21, cell=0.25)
    np.testing.assert_allclose(breaks.arc_m, half, atol=0.05)
    off = found.shoulder_slope_pct - 100.0 * SHOULDER
    assert np.sqrt(np.mean(off**2)) < 0.4
    assert np.sqrt(np.mean((off / found.shoulder_slope_se) ** 2)) < 1.5


@pytest.mark.parametrize("length", [2.0, 8.0])
def test_fine_cells_know_no_more_of_a_bank_than_that_it_curves_on(length):
    """Its arc's length is a guess: on 0.25 m cells z was 2.3, with errors of 0.1 points."""
    breaks, found = _measured(_curving(length, 0.33), 3, cell=0.25)
    assert (breaks.arc_m >= 1.0).all()
    off = found.shoulder_slope_pct - 100.0 * SHOULDER
    assert np.sqrt(np.mean((off / found.shoulder_slope_se) ** 2)) < 1.7
    assert np.abs(off).max() < 1.0


def test_a_kink_stays_one():
    breaks, _ = _measured(both_sides(edge=EDGE, width=WIDTH, shoulder=SHOULDER, fore=BANK), 4)
    assert (breaks.arc_m == 0.0).all()


@pytest.mark.parametrize("seed", [6, 7])
def test_a_kink_stays_one_where_some_of_the_edge_is_washed_out(seed):
    """An arc bore that better, and the sound rest of the shoulder came out 0.9 points flatter."""

    def washed(s, o):
        x = (np.abs(o) - EDGE) / 0.8
        return np.where((x > 0.0) & (x < 1.0) & (s < 90.0), -0.1 * (1.0 - x), 0.0)

    kink = both_sides(edge=EDGE, width=WIDTH, shoulder=SHOULDER, fore=BANK)
    breaks, found = _measured(kink, seed, cell=0.25, extra=washed)
    assert (breaks.arc_m == 0.0).all()
    off = (found.shoulder_slope_pct - 100.0 * SHOULDER)[breaks.s > 110.0]
    assert np.abs(off.mean()) < 0.1


def test_an_arc_is_a_kink_smeared_by_its_length():
    """A circle averaged over cells by running sums, against the wider boxes: within 2 mm."""
    half, box = 0.6, (0.4, 0.3)
    x = np.linspace(-3.0, 3.0, 61)
    plain = cell_mean(_rounded(half), EDGE + WIDTH + x, box)
    straight = -0.02 * EDGE - SHOULDER * (WIDTH + x)
    kink = (SHOULDER - BANK) * smeared_ramp(x, rounded_box(np.array(box), half))
    away = x > -1.5 + half
    np.testing.assert_allclose(plain[away], (straight + kink)[away], atol=0.002)
