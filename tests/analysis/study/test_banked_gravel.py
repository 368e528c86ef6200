"""Gravel roads as plain geometry, most banked one way: edges, slopes and what is said of them.

On the high side the shoulder is graded with the road: in its plane it drains over it to the low
side, and falling outward it drains outward; level it does neither (common practice).
"""

import numpy as np
import pytest

from analysis import Settings
from analysis.common.verdicts import Finding, Verdict
from tests.builders.agreement import contradictions
from tests.scenes import EDGE_M, Scene, Side, middle, screened

GRAVEL = Settings(half_width_m=14.0, paved=False)


def banked(bank, high, low=None, **options):
    """The left side is the high one; the road falls to the right by `bank` percent."""
    low = max(bank, 4.0) if low is None else low
    left, right = Side(-bank, high, high), Side(bank, low, low)
    return Scene(left=left, right=right, **options)


@pytest.mark.parametrize("bank", [3.5, 5.0])
def test_a_shoulder_in_the_plane_of_the_road_drains_over_it(bank):
    study = screened(banked(bank, -bank), GRAVEL)
    high = {
        name: middle(study, name, sides=["left"])
        for name in ("finding", "verdict", "required_slope_pct", "pavement_slope_pct")
    }
    # what is open is so by noise: nothing is accused
    assert set(high["finding"]) <= {Finding.NONE, Finding.CANT_TELL}
    assert (high["verdict"] == Verdict.SHEDS).mean() > 0.8
    np.testing.assert_allclose(high["required_slope_pct"], high["pavement_slope_pct"], atol=1e-9)
    assert not contradictions(study)


def test_a_level_shoulder_drains_neither_way():
    study = screened(banked(4.0, 0.0), GRAVEL)
    assert set(middle(study, "finding", sides=["left"])) <= {Finding.FLAT, Finding.REVERSED}
    assert (middle(study, "verdict", sides=["left"]) == Verdict.WONT_SHED).all()
    assert (middle(study, "required_slope_pct", sides=["left"]) > 3.5).all()


def test_one_that_falls_towards_the_road_more_than_this_is_reversed():
    study = screened(banked(4.0, -8.0), GRAVEL)
    assert set(middle(study, "finding", sides=["left"])) == {Finding.REVERSED}


def test_beside_a_pavement_it_is_reversed_all_the_same():
    study = screened(banked(4.0, -4.0, low=6.0))
    assert set(middle(study, "finding", sides=["left"])) == {Finding.REVERSED}


@pytest.mark.parametrize(("bank", "high"), [(4.0, 3.6), (2.5, -2.5), (3.0, 4.0)])
@pytest.mark.parametrize("seed", [7, 8])
def test_edges_lie_where_the_widths_put_them_between_the_hinges(bank, high, seed):
    """The hinge of the low side, which is one plane with the road, isn't taken for its edge."""
    study = screened(banked(bank, high, seed=seed), GRAVEL)
    np.testing.assert_allclose(np.abs(middle(study, "edge_offset_m")), EDGE_M, atol=0.2)
    z = (middle(study, "shoulder_slope_pct", sides=["left"]) - high) / middle(
        study, "shoulder_slope_se", sides=["left"]
    )
    assert np.isfinite(z).all()
    assert np.sqrt(np.mean(z**2)) < 1.5


@pytest.mark.parametrize(
    ("pavement_m", "shoulder_m", "off"),
    [(7.8, 1.5, 0.2), (6.2, 1.5, -0.2), (7.0, 1.8, -0.15), (7.0, 1.2, 0.15), (7.6, 1.2, 0.3)],
)
def test_both_widths_tell_an_edge_that_does_not_show(pavement_m, shoulder_m, off):
    """Half the surface from the middle, and the shoulder from the hinge: what either is off by."""
    widths = GRAVEL.changed(pavement_width_m=pavement_m, shoulder_width_m=shoulder_m)
    study = screened(Scene.both(Side(4.0, 4.0, 4.0), seed=31), widths)
    breaks = study.roads[0].breaks
    away = breaks.edge - EDGE_M
    np.testing.assert_allclose(away.mean(), off, atol=0.05)
    assert np.sqrt(np.mean((away / breaks.edge_se) ** 2)) < 1.6
    z = (middle(study, "shoulder_slope_pct") - 4.0) / middle(study, "shoulder_slope_se")
    assert 0.7 < np.sqrt(np.mean(z**2)) < 1.2


def test_widths_that_contradict_each_other_leave_the_surface_its_own():
    """A shoulder of 3 m from the hinge would leave hardly half of the surface."""
    study = screened(Scene.both(Side(4.0, 4.0, 4.0), seed=31), GRAVEL.changed(shoulder_width_m=3.0))
    breaks = study.roads[0].breaks
    np.testing.assert_allclose(breaks.edge, EDGE_M, atol=0.2)
    assert (breaks.edge_se >= 0.29).all()
