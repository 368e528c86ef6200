"""Shoulders hardly wider than a cell: an edge that can't be told isn't found at the hinge."""

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges import find
from analysis.edges.values import Overrides
from tests.builders.cells_road import LANE, both_sides, box_for, straight_cells

STATIONS = np.arange(20.0, 181.0, 10.0)


def _breaks(edge, shoulder, sigma, seed):
    """Breaks of a pavement a little narrower than given, with shoulders of 1 m on cells of 1 m."""
    azimuth = 10.0 + 40.0 * np.random.default_rng([seed, 5]).random()
    cells = straight_cells(
        both_sides(edge=edge, width=1.0, shoulder=shoulder),
        length=200.0,
        half=14.0,
        cell=1.0,
        azimuth_deg=azimuth,
        sigma=sigma,
        seed=seed,
    )
    box = box_for(STATIONS.size, 1.0, azimuth)
    settings = Settings(shoulder_width_m=1.0)
    case = Case(None, LANE, STATIONS, box, settings, default_limits(), Extras())
    return find(case, Ground(cells, None), Overrides())


def test_shoulder_of_a_cell_is_not_taken_for_none():
    """Its edge was found 0.9 m out, at the hinge, give or take 0.15 m.

    A pavement without shoulder fits such cells as well.
    """
    breaks = _breaks(3.0, 0.045, 0.02, 1)
    off = np.abs(breaks.edge - 3.0)
    assert (off[breaks.edge_source == Source.FOUND] < 0.5).all()
    # what isn't found says how far it may be off
    assert (off < 2.5 * breaks.edge_se).all()


@pytest.mark.parametrize("seed", [4, 9])
def test_edges_found_stay_where_others_are_nominal(seed):
    """A few stations whose edge widths had to put drew those of all others 0.8 m out."""
    breaks = _breaks(3.18, 0.06, 0.03, seed)
    found = breaks.edge_source == Source.FOUND
    assert 0.1 < found.mean() < 0.9
    assert (np.abs(breaks.edge - 3.18)[found] < 0.5).all()


@pytest.mark.parametrize(("edge", "shoulder", "sigma", "seed"), [
    (3.2, 0.045, 0.03, 2), (3.0, 0.045, 0.02, 4), (3.3, 0.03, 0.02, 1),
])  # fmt: skip
def test_hinge_is_not_pushed_away_by_a_nominal_edge(edge, shoulder, sigma, seed):
    """It was found 0.3 to 0.6 m out, give or take 0.05 m, or no shoulder was."""
    breaks = _breaks(edge, shoulder, sigma, seed)
    assert (breaks.edge_source == Source.NOMINAL).any()
    off = np.abs(breaks.hinge - (edge + 1.0))
    assert (off < 0.25).all()
    assert (off < 3.0 * breaks.hinge_se).all()
