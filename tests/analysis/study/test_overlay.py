"""Two surveys of one place laid over each other: level on the pavement, apart where work was."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.study.overlay import laid_over
from analysis.study.sections import section_view
from tests.builders.small_study import small_study


def test_other_survey_is_brought_level_on_the_pavement() -> None:
    """40 mm higher as a whole and a shoulder cut by 60 mm: only the cut is left to see."""
    own = section_view(small_study(), 0, 10)
    right = float(own.sides[1].edge_o)
    outside = own.profile_o > right + 0.1
    other = replace(own, profile_z=own.profile_z + 0.040 - np.where(outside, 0.060, 0.0))
    line, raised = laid_over(own, other)
    assert raised == pytest.approx(-0.040, abs=1e-6)
    np.testing.assert_array_equal(line[:, 0], own.profile_o)
    gap = line[:, 1] - own.profile_z
    known = np.isfinite(gap)
    np.testing.assert_allclose(gap[known & ~outside], 0.0, atol=1e-6)
    np.testing.assert_allclose(gap[known & outside], -0.060, atol=1e-6)


def test_a_few_points_that_differ_move_nothing() -> None:
    """A parked car on a third of the pavement in one survey doesn't tilt the comparison."""
    own = section_view(small_study(), 0, 10)
    left, right = (float(side.edge_o) for side in own.sides)
    car = (own.profile_o > 0.0) & (own.profile_o < (right - left) / 3.0)
    other = replace(own, profile_z=own.profile_z - 0.020 + np.where(car, 1.2, 0.0))
    _line, raised = laid_over(own, other)
    assert raised == pytest.approx(0.020, abs=1e-6)


def test_without_a_common_pavement_the_line_stays() -> None:
    own = section_view(small_study(), 0, 10)
    line, raised = laid_over(own, replace(own, profile_z=np.full_like(own.profile_z, np.nan)))
    assert np.isnan(raised)
    assert np.isnan(line[:, 1]).all()
