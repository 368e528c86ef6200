"""The slope a shoulder needs beside its pavement, and over an unpaved road that is banked."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.common.limits import SURFACES, default_limits
from analysis.common.required_slope import required_slope
from sample_terrain.axis import Piece
from sample_terrain.spec import Spec
from sample_terrain.spec import required_slope as truly_required

SLOPES = st.floats(-10.0, 10.0)


def test_outward_by_hand():
    shape = default_limits("gravel").shape
    # Normal crown: 4 % beside 2 % (common practice). Low side: 6 % beside 6 %, the shoulder
    # follows the superelevation (AASHTO Green Book 4.4.3, from memory). High side: beside -6 % at
    # most 2 % under a breakover of 8 points (own arithmetic on the same); beside -4 % the 4 % fit.
    pavement = np.array([[2.0, 2.0], [1.0, 2.5], [-6.0, 6.0], [4.0, -4.0], [np.nan, 10.0]])
    expected = [[4.0, 4.0], [4.0, 4.5], [2.0, 6.0], [4.5, 4.0], [np.nan, 10.0]]
    np.testing.assert_allclose(required_slope(pavement, shape).pct, expected)


def test_as_agencies_differ():
    """One that wants the low side steeper than the pavement by as much as a crown's shoulder."""
    limits = default_limits("turf").with_value("low_side_over_pavement_points", 2.0)
    np.testing.assert_allclose(required_slope([2.0, 5.0], limits.shape).pct, [6.0, 7.0])


@given(pavement=SLOPES, points=st.floats(0.0, 4.0), surface=st.sampled_from(SURFACES))
def test_keeps_every_limit(pavement, points, surface):
    limits = default_limits(surface).with_value("low_side_over_pavement_points", points)
    slope = float(required_slope(pavement, limits.shape).pct)
    assert slope - pavement <= limits.shape.breakover_most_points.value + 1e-12
    assert slope <= max(limits.shape.shoulder_most_pct.value, pavement) + 1e-12
    # Whatever the side, the pavement's water isn't held back by a flatter shoulder.
    assert slope >= min(pavement, limits.shape.shoulder_least_pct.value) - 1e-12
    assert slope >= pavement
    # no step from one case to the next: it never changes by more than the pavement does
    near = float(required_slope(pavement + 0.01, limits.shape).pct)
    assert -1e-12 <= near - slope <= 0.01 + 1e-12


@pytest.mark.parametrize(
    ("pavement", "shoulder", "required"),
    [
        (-4.0, -4.0, -4.0),  # in the road's plane: it drains over it
        (-4.0, -2.5, -4.0),
        (-4.0, 0.0, 4.0),  # level: asked to fall outward
        (-4.0, -1.5, 4.0),
        (-1.0, -4.0, 4.0),  # the road itself lies level
        (4.0, -4.0, 4.0),  # a normal crown is no high side
        (4.0, 4.0, 4.0),
        (-4.0, np.nan, 4.0),
        (np.nan, -4.0, np.nan),
    ],
)
def test_high_side_of_an_unpaved_road_may_drain_over_it(pavement, shoulder, required):
    shape = default_limits("gravel").with_value("shoulder_over_pavement_points", 0.0).shape
    found = required_slope([pavement], shape, [shoulder])
    np.testing.assert_array_equal(found.pct, [required])
    # in the plane of the road it turns with it
    assert found.follows_pavement[0] == (required == pavement)


@pytest.mark.parametrize("unpaved", [False, True])
def test_truth_of_invented_roads_asks_for_the_same(unpaved):
    """Written twice, from one rule: what a road should be isn't told by what judges it."""
    shape = default_limits("gravel").shape
    own = None
    pavement, shoulder = (v.ravel() for v in np.mgrid[-8.0:8.1:0.31, -9.0:9.1:0.37])
    if unpaved:
        shape = default_limits("gravel").with_value("shoulder_over_pavement_points", 0.0).shape
        own = shoulder
    spec = Spec("Plain Road", (Piece(100.0),), unpaved=unpaved)
    truly = truly_required(spec, pavement / 100.0, shoulder / 100.0)
    np.testing.assert_allclose(required_slope(pavement, shape, own).pct, 100.0 * truly, atol=1e-9)
