"""Shoulders hardly wider than a cell: an edge that can't be told isn't found at the hinge."""

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges import find
from analysis.edges.values import Overrides
from tests.builders.cells_road import both_sides, box_for, straight_cells

STATIONS = np.arange(20.0, 181.0, 10.0)


@pytest.mark.parametrize(("edge", "seed"), [(3.0, 1), (3.0, 2), (3.18, 0)])
def test_find_shoulder_of_a_cell(edge, seed):
    """Of a pavement a little narrower than given, and a shoulder of 1 m on cells of 1 m.

    Its edge was found 0.8 to 1 m out, at the hinge, give or take 0.15 m: a pavement without
    shoulder fits such cells as well.
    """
    azimuth = 10.0 + 40.0 * np.random.default_rng([seed, 5]).random()
    cells = straight_cells(
        both_sides(edge=edge, width=1.0, shoulder=0.045),
        length=200.0,
        half=14.0,
        cell=1.0,
        azimuth_deg=azimuth,
        sigma=0.02,
        seed=seed,
    )
    box = box_for(STATIONS.size, 1.0, azimuth)
    settings = Settings(shoulder_width_m=1.0)
    case = Case(None, None, STATIONS, box, settings, default_limits(), Extras())
    breaks = find(case, Ground(cells, None), Overrides())
    off = np.abs(breaks.edge - edge)
    assert (off[breaks.edge_source == Source.FOUND] < 0.5).all()
    # what isn't found says how far it may be off
    assert (off < 2.5 * breaks.edge_se).all()
