"""No number moves for a change that is none: plain sections, by another rounding of their cells."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.blocks import block_sections
from analysis.corridor.grain import estimate_grain
from analysis.corridor.likeness import lags_of
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges.crowns import find_crown
from analysis.edges.find_breaks import find
from analysis.edges.values import Overrides
from tests.builders.cells_road import LANE, box_for, straight_cells
from tests.builders.roadsides import CUT, FILL, section

STATIONS = np.arange(0.0, 161.0, 10.0)


def _found(cells, box):
    settings = Settings(shoulder_width_m=1.0)
    case = Case(None, LANE, STATIONS, box, settings, default_limits(), Extras())
    return find(case, Ground(cells, None), Overrides())


@pytest.mark.parametrize("cell", [0.5, 1.0])
@pytest.mark.parametrize("away", [0.0, np.inf])
def test_breaks_stay_where_a_cell_is_another_in_its_last_place(cell, away):
    """How many places are looked at hangs on quotients of round numbers."""
    cells = straight_cells(
        section(CUT, FILL, 3.5), cell=cell, length=160.0, half=15.0, sigma=0.02, seed=3
    )
    other = float(np.nextafter(cell, away))
    one = _found(cells, box_for(STATIONS.size, cell, 24.0))
    two = _found(replace(cells, cell_m=other), box_for(STATIONS.size, other, 24.0))
    for name in ("axis", "edge", "edge_se", "hinge", "hinge_se", "ditch", "foreslope_end"):
        np.testing.assert_allclose(getattr(two, name), getattr(one, name), rtol=0.0, atol=1e-6)


def _crowned(ridge_m=0.6):
    """Blocks of a road whose crown lies off the middle."""
    cells = straight_cells(
        lambda o: -0.02 * np.abs(o - ridge_m), length=160.0, half=6.0, sigma=0.01, seed=7
    )
    return block_sections(cells, half_width_m=5.0, bin_m=0.25)


def test_crown_is_the_same_from_either_end():
    """Also near the last of the places where it is looked for."""
    ahead = _crowned()
    behind = replace(
        ahead,
        s=160.0 - ahead.s[::-1],
        z=np.ascontiguousarray(ahead.z[::-1, ::-1]),
        count=np.ascontiguousarray(ahead.count[::-1, ::-1]),
    )
    one, two = (find_crown(part, 2.0, 0.01, (0.5, 0.0)) for part in (ahead, behind))
    np.testing.assert_allclose(-two.offset[::-1], one.offset, atol=1e-9)
    np.testing.assert_allclose(two.sure[::-1], one.sure, atol=1e-9)
    np.testing.assert_allclose(two.slope[::-1, ::-1], one.slope, atol=1e-12)


def test_crown_moves_by_a_hair_where_the_edges_do():
    """A bin that edges leave out, or leave in, does so by degrees."""
    sections = _crowned()
    blocks = np.zeros(sections.s.size)
    # half a footprint and the margin beside them lies right on the middle of a bin
    edges = [(blocks - 3.575 - away, blocks + 3.575) for away in (-1e-9, 1e-9)]
    one, two = (find_crown(sections, 3.5, 0.01, (0.5, 0.0), between=at) for at in edges)
    np.testing.assert_allclose(two.offset, one.offset, atol=1e-6)
    np.testing.assert_allclose(two.slope, one.slope, atol=1e-8)


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
def test_noise_is_compared_over_the_same_lags(cell):
    for away in (0.0, np.inf):
        np.testing.assert_array_equal(lags_of(float(np.nextafter(cell, away))), lags_of(cell))


def test_grain_stays_where_a_cell_is_another_in_its_last_place():
    dice = np.random.default_rng(5)
    cells = straight_cells(section(CUT, FILL, 3.5), length=160.0, half=12.0)
    rough = np.round(cells.s), np.round(cells.o)
    key = np.unique(np.column_stack(rough), axis=0, return_inverse=True)[1].ravel()
    cells = replace(cells, z=cells.z + 0.02 * dice.standard_normal(key.max() + 1)[key])
    one = estimate_grain(cells)
    assert 0.0 < one.triangles
    for away in (0.0, np.inf):
        two = estimate_grain(replace(cells, cell_m=float(np.nextafter(cells.cell_m, away))))
        assert two.smear_m2 == pytest.approx(one.smear_m2, rel=1e-6)
        assert two.triangles == pytest.approx(one.triangles, rel=1e-6)


@pytest.mark.parametrize("cell", [0.5, 1.0])
def test_breaks_stay_where_a_road_is_seen_from_its_other_end(cell):
    """Left is right then, and what comes before comes after."""
    cells = straight_cells(
        section(CUT, FILL, 3.5),
        cell=cell,
        length=160.0,
        half=15.0,
        # no cell lies just where two blocks meet
        shift=(0.137, 0.211),
        sigma=0.03,
        seed=3,
    )
    order = np.arange(len(cells))[::-1]
    turned = replace(cells.part(order), s=160.0 - cells.s[order], o=-cells.o[order])
    one, two = (_found(part, box_for(STATIONS.size, cell, 24.0)) for part in (cells, turned))
    for name in ("edge", "edge_se", "hinge", "hinge_se", "ditch", "foreslope_end"):
        back = getattr(two, name)[::-1, ::-1]
        np.testing.assert_allclose(back, getattr(one, name), rtol=0.0, atol=1e-4)
    np.testing.assert_allclose(-two.axis[::-1], one.axis, rtol=0.0, atol=1e-4)
