"""No number moves for a change that is none: other stations, a road seen from its other end."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges import find
from analysis.edges.values import Overrides
from analysis.shoulder.door import noise_of
from analysis.shoulder.slopes import measure_sides
from tests.builders.cells_road import LANE, both_sides, box_for, straight_cells

LENGTH_M, AZIMUTH = 160.0, 24.0


def _cells(cell, drop=0.02, seed=3):
    """A road that its line swings about, by more than straight lines over 10 m can follow."""
    cells = straight_cells(
        both_sides(drop=drop),
        cell=cell,
        length=LENGTH_M,
        half=15.0,
        # no cell lies just where two blocks meet
        shift=(0.137, 0.211),
        sigma=0.02,
        seed=seed,
    )
    return replace(cells, o=cells.o + 0.3 * np.sin(cells.s / 9.0))


def _measured(cells, spacing):
    """Numbers at the stations every 20 m, and their errors: {name: (value, error)}."""
    s = np.arange(0.0, LENGTH_M + 1.0, spacing)
    box = box_for(s.size, cells.cell_m, AZIMUTH)
    beats = np.arange(0.0, LENGTH_M + 1.0, 10.0)
    case = Case(
        None, LANE, s, box, Settings(spacing_m=spacing), default_limits(), Extras(), beats=beats
    )
    breaks = find(case, Ground(cells, None), Overrides())
    noise = noise_of(case, cells, breaks)
    measures, _ = measure_sides(cells, breaks, noise, box_m=box, beats=beats)
    told = {name: (getattr(breaks, name), getattr(breaks, f"{name}_se")) for name in BREAKS}
    for name, error in MEASURES.items():
        told[name] = getattr(measures, name), getattr(measures, error)
    every = round(20.0 / spacing)
    return {name: (value[::every], se[::every]) for name, (value, se) in told.items()}


BREAKS = ("edge", "hinge")
MEASURES = {
    "pavement_slope_pct": "pavement_slope_se",
    "shoulder_slope_pct": "shoulder_slope_se",
    "edge_drop_mm": "edge_drop_se",
    "rut_mm": "rut_se",
    "ridge_mm": "ridge_se",
}


def _farthest(one, two):
    """Largest difference of all numbers, in their errors."""
    apart = [np.abs(one[name][0] - two[name][0]) / one[name][1] for name in one]
    assert all(np.isfinite(part).all() for part in apart)
    return {name: float(part.max()) for name, part in zip(one, apart, strict=True)}


@pytest.mark.parametrize("cell", [0.5, 1.0])
@pytest.mark.parametrize("spacing", [5.0, 20.0])
def test_numbers_stay_where_stations_lie_closer_or_farther(cell, spacing):
    cells = _cells(cell)
    assert max(_farthest(_measured(cells, 10.0), _measured(cells, spacing)).values()) < 0.1


def test_numbers_stay_where_a_road_is_seen_from_its_other_end():
    cells = _cells(0.5)
    order = np.arange(len(cells))[::-1]
    turned = replace(cells.part(order), s=LENGTH_M - cells.s[order], o=-cells.o[order])
    one, two = _measured(cells, 10.0), _measured(turned, 10.0)
    back = {name: tuple(part[::-1, ::-1] for part in told) for name, told in two.items()}
    assert max(_farthest(one, back).values()) < 0.1


@pytest.mark.parametrize(("cell", "drop", "seed"), [
    (0.5, 0.02, 2), (0.5, 0.02, 5), (0.5, 0.06, 4),
])  # fmt: skip
def test_numbers_stay_where_heights_are_others_in_their_last_place(cell, drop, seed):
    """Of 32 bits, at 100 m over the sea: ruts moved by up to 0.4 of their errors, slopes by 0.2.

    Cells left one bin for another, whole draws one kind of section, and breaks were rounded.
    """
    cells = _cells(cell, drop, seed)
    hair = 1e-5 * np.random.default_rng(seed).choice([-1.0, 1.0], len(cells))
    other = replace(cells, z=cells.z + hair)
    assert max(_farthest(_measured(cells, 10.0), _measured(other, 10.0)).values()) < 0.1
