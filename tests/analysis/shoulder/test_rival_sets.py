"""Doubt about edge and hinge, carried into slope and drop: plain sections, and plain moments."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges.find_breaks import find
from analysis.edges.values import Overrides
from analysis.shoulder.rival_sets import with_rivals
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Status, Why
from tests.builders.cells_road import LANE, box_for, known_breaks, known_noise, straight_cells
from tests.builders.roadsides import section

STATIONS = np.arange(20.0, 141.0, 10.0)
BOX = box_for(STATIONS.size, 0.5, 24.0)
SIGMA = 0.015

VERGE = ([0.0, 10.5], [0.0, -0.42])
"""Level ground that goes on at 4 %: it has no hinge."""

BANK = ([0.0, 0.9, 10.5], [0.0, -0.03, 1.57])
"""A bank that begins 0.9 m beside the pavement and goes on rising by a sixth."""

TWO_BENDS = ([0.0, 1.0, 2.0, 10.5], [0.0, -0.04, -0.14, -2.69])
"""A shoulder of 4 %, an outer part of 10 %, and a foreslope."""


def _cells(side, seed=0):
    return straight_cells(section(side, side, 3.5), length=160.0, half=14.0, sigma=SIGMA, seed=seed)


def _measured(cells, breaks):
    return measure_sides(cells, breaks, known_noise(STATIONS.size, SIGMA), box_m=BOX)[0]


def _found(cells, **fixed):
    settings = Settings(shoulder_width_m=1.5)
    case = Case(None, LANE, STATIONS, BOX, settings, default_limits(), Extras())
    return find(case, Ground(cells, None), Overrides(**fixed))


def test_no_hinge_is_said_and_costs_certainty():
    """Where the ground shows no hinge the nominal width stands, over straight ground as well."""
    cells = _cells(VERGE)
    found = _found(cells)
    assert (found.hinge_source == Source.NOMINAL).all()
    assert (found.hinge_confidence == 0.0).all()
    np.testing.assert_allclose(found.hinge - found.edge, 1.5)
    np.testing.assert_allclose(found.hinge_ways[..., 3].sum(axis=2), 1.0)
    measures = _measured(cells, found)
    off = measures.shoulder_slope_pct - 4.0
    assert (np.abs(off) < 3.0 * measures.shoulder_slope_se).all()
    # a straight shoulder has one slope, however wide it is taken
    assert np.median(measures.shoulder_slope_se) < 0.8


def test_hinge_given_by_a_person_has_no_rival():
    cells = _cells(VERGE)
    given = np.full((STATIONS.size, 2), 4.8)
    found = _found(cells, hinge=given)
    assert (found.hinge_source == Source.GIVEN).all()
    np.testing.assert_array_equal(found.hinge_ways[:, :, 0, 3], 1.0)
    np.testing.assert_array_equal(found.hinge_ways[:, :, 1:, 3], 0.0)


def test_slope_over_shoulder_and_bank_together_cant_be_told():
    """With the hinge anywhere between shoulder and bank there is no slope with a small error."""
    cells = _cells(BANK)
    breaks = known_breaks(STATIONS, edge=3.5, width=1.5)
    sure = _measured(cells, breaks)
    # the shoulder falls by 3.3 %; taken together with the bank it seems to rise
    assert np.median(sure.shoulder_slope_pct) < -2.0
    assert np.median(sure.shoulder_slope_se) < 1.0
    ways = np.zeros((STATIONS.size, 2, 3, 4))
    ways[..., 1:, 1] = (-0.75, 0.75)
    ways[..., 3] = (2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0)
    unsure = _measured(cells, replace(breaks, hinge_ways=ways))
    assert (unsure.status == Status.TOO_COARSE).all()
    assert {why.kind for why in unsure.reason.ravel()} == {Why.TOO_NOISY}
    assert all(why.numbers[1] > 3.0 for why in unsure.reason.ravel())


@pytest.mark.parametrize("share", [0.1, 0.5])
def test_rival_hinges_are_mixed_by_their_shares(share):
    """Mean and error of two sets are those of a mixture of the fits with each of them."""
    cells = _cells(TWO_BENDS)
    near, far = (
        _measured(cells, known_breaks(STATIONS, edge=3.5, width=width)) for width in (1.0, 2.0)
    )
    breaks = known_breaks(STATIONS, edge=3.5, width=1.0)
    ways = np.zeros((STATIONS.size, 2, 3, 4))
    ways[:, :, 2, 1], ways[:, :, 2, 3], ways[:, :, 0, 3] = 1.0, share, 1.0 - share
    mixed = _measured(cells, replace(breaks, hinge_ways=ways))
    apart = far.shoulder_slope_pct - near.shoulder_slope_pct
    assert np.median(apart) > 2.0
    mean = near.shoulder_slope_pct + share * apart
    se = np.sqrt(near.shoulder_slope_se**2 + share * (1.0 - share) * apart**2)
    # with the wider shoulder more of the foreslope takes part
    np.testing.assert_allclose(mixed.shoulder_slope_pct, mean, atol=0.25)
    np.testing.assert_allclose(mixed.shoulder_slope_se, se, rtol=0.1)


def test_moments_of_the_mixture():
    """The same as numpy's weighted mean and covariance of the sets, and their own covariance."""
    dice = np.random.default_rng(4)
    mean, beta = dice.normal(size=(3, 9)), dice.normal(size=(3, 2, 9))
    root = dice.normal(size=(3, 9, 9))
    spread = root @ np.swapaxes(root, 1, 2)
    share = np.array([[0.2, 0.3], [0.0, 0.5], [0.4, 0.1]])
    beta[2, 1] = np.nan
    middle, whole = with_rivals(mean, spread, beta, share)
    share[2, 1] = 0.0
    for i in range(3):
        sets = np.vstack([mean[i], np.nan_to_num(beta[i])])
        weights = np.array([1.0 - share[i].sum(), *share[i]])
        np.testing.assert_allclose(middle[i], np.average(sets, axis=0, weights=weights))
        between = np.cov(sets.T, aweights=weights, ddof=0)
        np.testing.assert_allclose(whole[i], spread[i] + between)


@pytest.mark.parametrize("side", [BANK, TWO_BENDS])
def test_unsure_hinges_leave_ruts_and_ridges_unsure(side):
    """Whether the ground rises or falls beyond the hinge."""
    cells = _cells(side)
    sure, unsure = (
        _measured(cells, known_breaks(STATIONS, edge=3.5, width=1.0, hinge_se=se))
        for se in (0.02, 0.3)
    )
    assert (unsure.rut_detectable_mm > sure.rut_detectable_mm).all()
    assert np.median(unsure.rut_detectable_mm / sure.rut_detectable_mm) > 1.01
