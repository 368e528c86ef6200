"""Steps of an inch or less at an edge that has to be found: the error says how unsure they are."""

import numpy as np
import pytest

from analysis.common.along import error_of_mean
from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges import find
from analysis.edges.values import Overrides
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.regression import STEADY_M, _usual_step
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.strip import Windows
from tests.builders.cells_road import LANE, both_sides, box_for, straight_cells


def _measured(drop, seed, cell=0.25):
    """Stations, edge drops and their errors and common parts, mm, on a road with 10 mm of noise."""
    azimuth = 40.0 * np.random.default_rng([seed, 3]).random()
    cells = straight_cells(
        both_sides(drop=drop, shoulder=0.05),
        length=160.0,
        half=14.0,
        cell=cell,
        azimuth_deg=azimuth,
        sigma=0.01,
        seed=seed,
    )
    s = np.arange(20.0, 141.0, 10.0)
    box = box_for(s.size, cell, azimuth)
    case = Case(None, LANE, s, box, Settings(), default_limits(), Extras())
    breaks = find(case, Ground(cells, None), Overrides())
    noise = estimate_noise(cells, breaks)
    measures, _ = measure_sides(cells, breaks, noise, box_m=box)
    return s, measures.edge_drop_mm, measures.edge_drop_se, measures.edge_drop_shared_se


@pytest.mark.parametrize(
    ("cell", "drops"), [(0.25, (5.0, -15.0, 15.0, 20.0, 30.0)), (0.5, (10.0, -15.0, 15.0, -10.0))]
)
def test_small_steps_are_as_unsure_as_they_say(cell, drops):
    """Beside a kink, a small step passes for a flush edge half a metre off: doubt, not 0 ± 2 mm.

    z is 1 for honest errors of plain geometry; it was 6 to 10 with the edge as found alone. Means
    along the road share that doubt: theirs was 3 to 5 as long as stations counted as independent.
    """
    z, of_means = [], []
    for seed, drop in enumerate(drops):
        s, value, se, shared = _measured(1e-3 * drop, 400 + seed, cell)
        assert np.isfinite(value).all()
        z.append((value - drop) / se)
        # 1.8 for 5 mm on the finer cells, as long as nothing stood between flush and an inch
        assert np.sqrt(np.mean(np.square(z[-1]))) < 1.3
        of_means += [
            (value[:, side].mean() - drop) / error_of_mean(s, se[:, side], shared[:, side], 20.0)
            for side in (0, 1)
        ]
    assert np.sqrt(np.mean(np.square(z))) < 1.15
    assert np.sqrt(np.mean(np.square(of_means))) < 1.2


@pytest.mark.parametrize("seed", [703, 720])
def test_steady_step_is_told_by_all_its_stations(seed):
    """A step that goes on along the road counts once: 15 mm were off by 7 to 14 by each alone."""
    _, value, _, _ = _measured(-0.015, seed)
    assert np.sqrt(np.mean(np.square(value + 15.0))) < 5.0


def test_usual_step_is_the_median_about_each_station():
    """Beside numpy's own, of uneven stations some of which know nothing."""
    rng = np.random.default_rng(5)
    s = np.cumsum(rng.uniform(2.0, 30.0, 40))
    step = np.where(rng.random((40, 6)) < 0.3, np.nan, rng.standard_normal((40, 6)))
    step[:, 3] = np.nan
    step[10:30, 4] = np.nan
    windows = Windows(s, np.full(40, 10.0), np.zeros(40, int), np.zeros(40, int))
    usual, part = _usual_step(windows, step)
    for i, at in enumerate(s):
        near = np.abs(s - at) <= STEADY_M
        for way in range(6):
            known = step[near, way][np.isfinite(step[near, way])]
            expected = np.median(known) if known.size else np.nan
            assert np.array_equal(usual[i, way], expected, equal_nan=True)
        assert part[i] == pytest.approx(20.0 / (20.0 + np.ptp(s[near])))


def test_flush_edge_stays_flush():
    """The doubt costs a flush edge little: its drop is 0 within the error of a found edge."""
    _, value, se, _ = _measured(0.0, 410)
    assert np.sqrt(np.mean(np.square(value / se))) < 1.5
    assert np.sqrt(np.mean(np.square(value))) < 4.0
