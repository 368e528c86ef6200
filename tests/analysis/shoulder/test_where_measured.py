"""Errors and reasons from the shoulder itself: rough ground, shared points, grass, bridges."""

import numpy as np
import pytest

from analysis.shoulder.grass import grass_height
from analysis.shoulder.not_shoulder import bridged_share
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Reason, Why
from analysis.shoulder.withhold import not_the_ground
from analysis.verdict.reasons import reason_sentence
from tests.builders.cells_road import (
    EDGE,
    WIDTH,
    both_sides,
    box_for,
    known_breaks,
    known_noise,
    lattice,
    make_cells,
    straight_cells,
)

LENGTH = 300.0
S = np.arange(10.0, LENGTH - 9.0, 10.0)


def _slopes(cells, sigma):
    noise = known_noise(S.size, sigma=sigma)
    box_m = box_for(S.size, cells.cell_m, 24.0)
    return measure_sides(cells, known_breaks(S), noise, average_m=20.0, box_m=box_m)[0]


def _honesty(measures, slope_pct=4.0):
    z = (measures.shoulder_slope_pct - slope_pct) / measures.shoulder_slope_se
    return float(np.sqrt(np.mean(z**2)))


def test_errors_of_white_noise_stay_as_they_are():
    """The closed form of least squares needs no help from the stretches."""
    cells = straight_cells(both_sides(), length=LENGTH, sigma=0.02, seed=1)
    ratio = (
        _slopes(cells, 0.02).shoulder_slope_se
        / _slopes(
            straight_cells(both_sides(), length=LENGTH, sigma=1e-4, seed=1), 0.02
        ).shoulder_slope_se
    )
    assert np.median(ratio) == pytest.approx(1.0, abs=0.1)


def test_a_shoulder_rougher_than_the_pavement_has_larger_errors():
    """Twice the noise beyond the edge: the error that is stated is the error that is made."""

    def rough(s, o):
        draws = np.random.default_rng(2).standard_normal(s.size)
        return np.where(np.abs(o) > EDGE, 0.04, 0.02) * draws

    cells = straight_cells(both_sides(), length=LENGTH, extra=rough)
    # by the noise of the pavement it would be 2
    assert 0.7 < _honesty(_slopes(cells, 0.02)) < 1.4


def test_cells_that_repeat_their_neighbours_tell_less():
    """Noise drawn for squares of two by two cells: four of them tell as much as one."""
    s, o, row, col = lattice(cell=0.25, length=LENGTH)
    smooth = straight_cells(both_sides(), cell=0.25, length=LENGTH)
    draws = 0.02 * np.random.default_rng(3).standard_normal(
        (row.max() // 2 + 1, col.max() // 2 + 1)
    )
    cells = make_cells(s, o, smooth.z + draws[row // 2, col // 2], row, col, 0.25)
    assert 0.7 < _honesty(_slopes(cells, 0.02)) < 1.3


@pytest.mark.parametrize("side", [0, 1])
def test_grass_is_told_from_a_bank(side):
    """Heights over the ground exponential with a mean of 30 mm, against a smooth rise of 30 mm."""
    rng = np.random.default_rng(4)
    sign = 1.0 if side else -1.0
    breaks = known_breaks(S)

    def grown(s, o):
        on = (sign * o > EDGE) & (s > 100.0) & (s < 200.0)
        return np.where(on, rng.exponential(0.03, s.size), 0.0)

    def bank(s, o):
        return np.where((sign * o > EDGE) & (s > 100.0) & (s < 200.0), 0.03, 0.0)

    grass, smooth = (
        grass_height(
            straight_cells(both_sides(), length=LENGTH, sigma=0.015, seed=5, extra=extra), breaks
        )
        for extra in (grown, bank)
    )
    inside = (S > 115.0) & (S < 185.0)
    assert (grass[inside, side] > 0.02).mean() > 0.9
    assert np.all(grass[inside, side] < 0.06)
    assert (grass[:, 1 - side] > 0.0).mean() < 0.15
    assert (smooth > 0.0).mean() < 0.15


def test_error_of_the_drop_covers_the_grass_that_is_measured_instead_of_ground():
    """Grass of a mean height of 30 mm on a flush shoulder makes a step up: the error says so.

    Each cell lies between two points, as in a grid of triangles.
    """
    z = []
    for seed in range(5):
        rng = np.random.default_rng(seed)

        def grown(s, o, rng=rng):
            on = (np.abs(o) > EDGE) & (s > 80.0) & (s < 220.0)
            return np.where(on, rng.exponential(0.03, (2, s.size)).mean(axis=0), 0.0)

        cells = straight_cells(both_sides(), length=LENGTH, sigma=0.015, seed=seed, extra=grown)
        measures = not_the_ground(_slopes(cells, 0.015), grass_height(cells, known_breaks(S)), None)
        inside = (S > 95.0) & (S < 205.0)
        z.append(np.abs(measures.edge_drop_mm / measures.edge_drop_se)[inside])
    # here and there the grass is as even as ground
    assert 0.6 < np.median(z) < 1.15


def test_share_that_bridges_a_hole_is_counted_at_its_side():
    cells = straight_cells(both_sides(), length=LENGTH)
    hole = (cells.s > 140.0) & (cells.s < 160.0) & (cells.o > EDGE) & (cells.o < EDGE + WIDTH)
    share = bridged_share(cells.part(~hole), cells.part(hole), known_breaks(S))
    at = int(np.flatnonzero(S == 150.0)[0])
    # of two metres of pavement and the whole shoulder
    assert share[at, 1] == pytest.approx(WIDTH / (2.0 + WIDTH), abs=0.03)
    assert share[at, 0] == 0.0
    assert share[np.abs(S - 150.0) > 15.0].max() == 0.0


def test_reasons_say_what_it_looks_like():
    assert "about 30 mm high" in reason_sentence(Reason(Why.GRASS, (30.0,)))
    assert "41 %" in reason_sentence(Reason(Why.MADE_UP, (41.3,)))
