"""How well a grid's footprint is known goes into the errors of all that is fitted to it."""

import numpy as np
import pytest

from analysis.shoulder.slopes import measure_sides
from tests.builders.cells_road import (
    box_for,
    cell_mean,
    crown_section,
    known_breaks,
    known_noise,
    lattice,
    make_cells,
    turned_box,
)

S, CELL, TURN = np.arange(20.0, 101.0, 20.0), 0.5, 24.0
SE_M2 = 0.006


@pytest.mark.parametrize("drop", [0.0, 0.04])
def test_an_error_is_what_a_ground_smeared_by_so_much_more_makes(drop):
    """Heights without noise, averaged by running sums over boxes whose variance is larger."""
    s, o, row, col = lattice(cell=CELL, azimuth_deg=TURN)
    noise, breaks = known_noise(S.size, 0.02), known_breaks(S, hinge_se=0.02)
    as_supposed, wider = (
        turned_box(CELL, TURN),
        np.hypot(turned_box(CELL, TURN), np.sqrt(6 * SE_M2)),
    )
    found = []
    for box in (as_supposed, wider):
        z = cell_mean(lambda u: crown_section(np.abs(u), drop=drop), o, box)
        cells = make_cells(s, o, z, row, col, CELL)
        at = box_for(S.size, CELL, TURN)
        found.append([
            measure_sides(cells, breaks, noise, box_m=at, smear_se_m2=se)[0] for se in (0.0, SE_M2)
        ])  # fmt: skip
    (plain, unsure), (smeared, _) = found
    for value, error, least in (
        ("shoulder_slope_pct", "shoulder_slope_se", 0.05),
        ("edge_drop_mm", "edge_drop_se", 0.3),
    ):
        off = np.abs(getattr(smeared, value) - getattr(plain, value))
        told = np.sqrt(getattr(unsure, error) ** 2 - getattr(plain, error) ** 2)
        assert (off > least).all()
        np.testing.assert_allclose(told, off, rtol=0.1)
        np.testing.assert_array_equal(getattr(unsure, value), getattr(plain, value))
        # it goes the same way all along a road: no mean is surer of it
        shared = error.replace("_se", "_shared_se")
        rise = getattr(unsure, shared) ** 2 - getattr(plain, shared) ** 2
        np.testing.assert_allclose(np.sqrt(rise), told, rtol=1e-6)
