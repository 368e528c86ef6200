"""What is said, and what isn't, where the road itself isn't found."""

from dataclasses import fields, replace

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ground
from analysis.shoulder import measure
from analysis.shoulder.values import Measures, Status, Why
from analysis.verdict.reasons import reason_sentence
from tests.builders.cells_road import LANE, both_sides, box_for, known_breaks, straight_cells

STATIONS = np.arange(20.0, 101.0, 10.0)


@pytest.fixture(scope="module")
def measured() -> Measures:
    """Two stations of nine have two places for the road, one lies beyond the search."""
    cells = straight_cells(both_sides(shoulder=0.06), sigma=0.01)
    rivals = np.full((STATIONS.size, 2), np.nan)
    rivals[3], rivals[4], rivals[7, 0] = (0.26, -1.9), (0.41, -2.1), -3.4
    breaks = replace(known_breaks(STATIONS), rivals=rivals)
    box = box_for(STATIONS.size, 0.5, 24.0)
    case = Case(None, LANE, STATIONS, box, Settings(), default_limits(), Extras())
    return measure(case, Ground(cells, None), breaks).measures


def test_nothing_is_measured_without_the_road(measured):
    """No slope, drop or rut is left there, and nobody judges it; the others are untouched."""
    lost = np.isin(np.arange(STATIONS.size), (3, 4, 7))
    assert (measured.status[lost] == Status.NOT_JUDGED).all()
    assert (measured.status[~lost] == Status.OK).all()
    for name in (f.name for f in fields(Measures)):
        if name.endswith(("_pct", "_mm", "_se", "_cov", "_z_m")):
            value = getattr(measured, name)
            assert np.isnan(value[lost]).all(), name
    np.testing.assert_allclose(measured.shoulder_slope_pct[~lost], 6.0, atol=1.0)


def test_both_places_are_told(measured):
    """The sentence names the places, to half a metre, so that neighbours say the same."""
    sentences = {reason_sentence(reason) for reason in measured.reason[[3, 4]].ravel()}
    assert len(sentences) == 1
    (sentence,) = sentences
    assert "isn't found" in sentence and "0.5 m" in sentence and "-2.0 m" in sentence
    beyond = measured.reason[7, 0]
    assert beyond.kind == Why.ROAD_BEYOND and "-3.5 m" in reason_sentence(beyond)
