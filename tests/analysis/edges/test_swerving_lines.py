"""Roads that their line leaves and comes back to: sections are laid about what the hinges say."""

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges import find
from analysis.edges.values import Overrides
from tests.builders.cells_road import (
    LANE,
    both_sides,
    box_for,
    cell_mean,
    lattice,
    make_cells,
    turned_box,
)

EDGE, WIDTH, CELL, SIGMA = 3.1, 2.0, 0.25, 0.01


@pytest.mark.parametrize(("aside", "wave", "seed"), [(1.5, 150.0, 1), (3.0, 200.0, 2)])
def test_all_of_a_road_is_looked_at_about_its_hinges(aside, wave, seed):
    """Some of it was moved and some not: edges lay 0.13 and 0.16 m off, up to 0.37 m."""
    azimuth, length = 15.0 + 10.0 * seed, 300.0
    s, o, row, col = lattice(cell=CELL, azimuth_deg=azimuth, length=length, half=14.0)

    def swerve(at):
        return aside * np.sin(2.0 * np.pi * (at + 7.0 * seed) / wave)

    section = both_sides(edge=EDGE, width=WIDTH, shoulder=0.045, fore=0.3)
    z = cell_mean(section, o - swerve(s), turned_box(CELL, azimuth))
    z += SIGMA * np.random.default_rng(seed).standard_normal(z.size)
    stations = np.arange(20.0, length - 19.0, 10.0)
    box = box_for(stations.size, CELL, azimuth)
    settings = Settings(shoulder_width_m=WIDTH)
    case = Case(None, LANE, stations, box, settings, default_limits(), Extras())
    cells = make_cells(s, o, z, row, col, CELL)
    breaks = find(case, Ground(cells, None), Overrides())
    edge = EDGE + np.column_stack([-swerve(stations), swerve(stations)])
    assert not breaks.lost().any()
    for off, se in (
        (breaks.edge - edge, breaks.edge_se),
        (breaks.hinge - edge - WIDTH, breaks.hinge_se),
    ):
        assert np.sqrt(np.mean(off**2)) < 0.1 and np.abs(off).max() < 0.2
        assert np.sqrt(np.mean((off / se) ** 2)) < 1.2
