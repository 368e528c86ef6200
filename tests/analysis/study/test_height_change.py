"""One survey's ground over another's, against what was done to the second by hand."""

from copy import deepcopy
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.study.height_change import height_change
from tests.analysis.study.test_relief import made_study


def other_of(study: Any, **changes: Any) -> Any:
    other = deepcopy(study)
    other.ground.ribbon = SimpleNamespace(**{**vars(study.ground.ribbon), **changes})
    return other


def test_work_on_the_shoulder_is_what_is_left_of_a_survey_that_lies_higher() -> None:
    """The other lies 60 to 80 mm higher, as flight strips do; 50 mm were bladed off since."""
    own = made_study()
    ribbon = own.ground.ribbon
    worked = (ribbon.s[:, None] > 40.0) & (ribbon.s[:, None] < 60.0) & (ribbon.o > 4.5)
    drift = 0.060 + 0.0002 * ribbon.s[:, None]
    other = other_of(own, z=ribbon.z + drift + np.where(worked, 0.050, 0.0))
    found = height_change(own, other, average_m=0.0)
    inside = (ribbon.s >= 5.0) & (ribbon.s <= 95.0)
    here = np.where(worked, -5.0, 0.0)[inside]
    np.testing.assert_allclose(found.relief.height_cm[inside], here, atol=1e-6)
    assert found.noise_mm == pytest.approx(0.0, abs=1e-5)


def test_noise_bounds_what_differs_where_nothing_changed() -> None:
    """19 of 20 places on the pavement, of two surveys with 8 and 6 mm of noise: 19.6 mm."""
    rng = np.random.default_rng(11)
    own = made_study()
    ribbon = own.ground.ribbon
    own.ground.ribbon = SimpleNamespace(
        **{**vars(ribbon), "z": ribbon.z + rng.normal(0.0, 0.008, ribbon.z.shape)}
    )
    other = other_of(own, z=ribbon.z + rng.normal(0.0, 0.006, ribbon.z.shape))
    found = height_change(own, other, average_m=0.0)
    # 1.96 of sqrt(8² + 6²) = 10 mm
    assert found.noise_mm == pytest.approx(19.6, rel=0.05)
    paved = np.abs(found.relief.o - 0.5) < 3.0
    gaps = np.abs(10.0 * found.relief.height_cm[20:-20][:, paved])
    assert np.mean(gaps > found.noise_mm) == pytest.approx(0.05, abs=0.01)
    # Averaged along the road there is less of it.
    assert height_change(own, other).noise_mm < 0.5 * found.noise_mm


def test_other_grid_of_other_steps_and_unknown_ground() -> None:
    """Bilinear on a plane is exact; where either survey has nothing, nothing is told."""
    own = made_study()
    s, o = np.arange(0.0, 101.0, 1.0), np.arange(-6.0, 6.5, 0.5)
    fine = own.ground.ribbon
    rows, cols = np.searchsorted(fine.s, s), np.searchsorted(fine.o, o)
    z = fine.z[np.ix_(rows, cols)] + 0.030
    z[50, :] = np.nan
    found = height_change(own, other_of(own, s=s, o=o, z=z, step_s=1.0, step_o=0.5))
    change = found.relief.height_cm
    assert np.isnan(change[:, np.abs(fine.o) > 6.01]).all()
    assert np.isnan(change[np.abs(fine.s - 50.0) < 0.9]).all()
    away = np.abs(fine.s - 50.0) > 12.0
    known = away & (fine.s > 16.0) & (fine.s < 84.0)
    flat = np.abs(fine.o - 0.5) < 2.9
    np.testing.assert_allclose(change[np.ix_(known, flat)], 0.0, atol=0.2)


def test_without_a_common_pavement_nothing_is_told() -> None:
    own = made_study()
    nothing = np.full_like(own.ground.ribbon.z, np.nan)
    found = height_change(own, other_of(own, z=nothing))
    assert np.isnan(found.relief.height_cm).all() and np.isnan(found.noise_mm)
