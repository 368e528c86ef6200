"""Heights above the pavement plane, and the ground between two points, against closed forms."""

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from analysis.road.roadline import Tracker, make_road
from analysis.study.relief import (
    Relief,
    display_range,
    fall_between,
    pavement_heights,
    relief_on_map,
)
from tests.builders.files import EAST, NORTH


def made_study(grade: float = 0.03, shoulder_pct: float = 5.0) -> Any:
    """A straight road, pavement 2 % to both sides of a crown 0.5 m right of the line."""
    s, o = np.arange(0.0, 100.5, 0.5), np.arange(-8.0, 8.25, 0.25)
    axis, half = 0.5, 3.5
    out = np.abs(o - axis)
    across = np.where(out <= half, -0.02 * out, -0.02 * half - shoulder_pct / 100.0 * (out - half))
    z = 200.0 + grade * s[:, None] + across[None, :]
    stations = np.arange(5.0, 96.0, 10.0)
    n = len(stations)
    edge = np.column_stack([np.full(n, half - axis), np.full(n, half + axis)])
    edge_z = np.column_stack([200.0 + grade * stations - 0.02 * half] * 2)
    return SimpleNamespace(
        s=stations,
        ground=SimpleNamespace(ribbon=SimpleNamespace(s=s, o=o, z=z, step_s=0.5, step_o=0.25)),
        breaks=SimpleNamespace(axis=np.full(n, axis), edge=edge),
        measures=SimpleNamespace(edge_z_m=edge_z, pavement_slope_pct=np.full((n, 2), 2.0)),
    )


@pytest.mark.parametrize("average_m", [0.0, 5.0])
@pytest.mark.parametrize("grade", [0.0, 0.04, -0.06])
def test_pavement_heights_are_zero_on_the_pavement(grade: float, average_m: float) -> None:
    """On the pavement the height is nothing, on any grade, averaged or not."""
    relief = pavement_heights(made_study(grade), average_m=average_m)
    inside = (relief.s >= 5.0) & (relief.s <= 95.0)
    pavement = np.abs(relief.o - 0.5) <= 3.5
    np.testing.assert_allclose(relief.height_cm[np.ix_(inside, pavement)], 0.0, atol=1e-8)


def test_pavement_heights_of_the_shoulder_follow_its_slope() -> None:
    """A shoulder 3 points steeper lies 3 cm lower for every metre out."""
    relief = pavement_heights(made_study(), average_m=0.0)
    row = relief.height_cm[100]
    out = np.abs(relief.o - 0.5) - 3.5
    np.testing.assert_allclose(row[out > 0], -3.0 * out[out > 0], atol=1e-8)


def test_pavement_heights_unknown_stays_unknown() -> None:
    """Holes and what lies beyond the outermost stations aren't filled in."""
    study = made_study()
    study.ground.ribbon.z[60:64, 20] = np.nan
    study.measures.edge_z_m[4, 0] = np.nan
    relief = pavement_heights(study)
    assert np.isnan(relief.height_cm[60:64, 20]).all()
    assert np.isnan(relief.height_cm[relief.s < 5.0]).all()
    assert np.isnan(relief.height_cm[relief.s > 95.0]).all()


def test_pavement_heights_averaging_lowers_noise() -> None:
    """Eleven rows averaged leave about a third of white noise."""
    study = made_study(0.0)
    rng = np.random.default_rng(3)
    study.ground.ribbon.z = study.ground.ribbon.z + rng.normal(
        0.0, 0.02, study.ground.ribbon.z.shape
    )
    inside = slice(20, 180)
    raw = pavement_heights(study, average_m=0.0).height_cm[inside, 20:40]
    averaged = pavement_heights(study, average_m=5.5).height_cm[inside, 20:40]
    assert averaged.std() == pytest.approx(raw.std() / math.sqrt(11.0), rel=0.25)


def test_relief_on_map_agrees_with_the_road_coordinates_of_each_pixel() -> None:
    """Every pixel on the ribbon shows its own cell, every other is unknown; on a bend too."""
    angle = np.linspace(0.0, 1.2, 60)
    xy = np.column_stack([EAST + 80.0 * np.sin(angle), NORTH + 80.0 * (1 - np.cos(angle))])
    road = make_road("Bend", xy)
    tracker = Tracker(road)
    s, o = np.arange(0.0, road.length_m, 0.5), np.arange(-10.0, 10.5, 0.5)
    height = s[:, None] + 1000.0 * o[None, :]
    rows, cols = 120, 150
    bounds = (EAST - 10.0, NORTH - 15.0, EAST + 90.0, NORTH + 65.0)
    picture = relief_on_map(Relief(s, o, height), tracker, bounds, rows, cols)
    assert picture is not None
    x = bounds[0] + (np.arange(cols) + 0.5) * (bounds[2] - bounds[0]) / cols
    y = bounds[3] - (np.arange(rows) + 0.5) * (bounds[3] - bounds[1]) / rows
    at_s, at_o = tracker.to_road(*np.meshgrid(x, y))
    i, k = np.rint(at_s / 0.5), np.rint((at_o + 10.0) / 0.5)
    on = (i >= 0) & (i < len(s)) & (k >= 0) & (k < len(o))
    np.testing.assert_array_equal(np.isfinite(picture), on)
    wanted = height[i[on].astype(int), k[on].astype(int)]
    np.testing.assert_allclose(picture[on], wanted)


def test_relief_on_map_away_from_the_road_is_none() -> None:
    """A picture that misses the road costs nothing and is none."""
    road = make_road("Line", np.array([[0.0, 0.0], [100.0, 0.0]]))
    s, o = np.arange(0.0, 100.0), np.arange(-5.0, 6.0)
    relief = Relief(s, o, np.zeros((len(s), len(o))))
    assert relief_on_map(relief, Tracker(road), (0.0, 500.0, 100.0, 600.0), 64, 64) is None


def test_fall_between_equals_bilinear_reference(write_grid: Callable[..., str]) -> None:
    """Fall and slope are those of the heights that scipy's bilinear interpolation gives."""
    from analysis.terrain.grid import open_terrain

    rng = np.random.default_rng(5)
    z = 100.0 + rng.normal(0.0, 1.0, (40, 50))
    terrain = open_terrain(write_grid(z, cell=0.5, units="metre"))
    a, b = (EAST + 3.3, NORTH + 4.4), (EAST + 18.1, NORTH + 15.7)
    fall = fall_between(terrain, a, b)
    rows, cols = terrain.to_grid([a[0], b[0]], [a[1], b[1]])
    first, last = map_coordinates(z, [rows, cols], order=1)
    assert fall.fall_m == pytest.approx(first - last, abs=1e-9)
    assert fall.distance_m == pytest.approx(math.hypot(14.8, 11.3))
    assert fall.slope_pct == pytest.approx(100.0 * (first - last) / fall.distance_m)


def test_fall_between_off_the_grid_is_unknown(write_grid: Callable[..., str]) -> None:
    """Beside the grid the distance stands, the fall is unknown; one point twice has no slope."""
    from analysis.terrain.grid import open_terrain

    terrain = open_terrain(write_grid(np.full((20, 20), 7.0), units="metre"))
    inside = (EAST + 5.0, NORTH + 5.0)
    fall = fall_between(terrain, inside, (EAST + 500.0, NORTH + 5.0))
    assert fall.distance_m == pytest.approx(495.0)
    assert math.isnan(fall.fall_m)
    assert math.isnan(fall_between(terrain, inside, inside).slope_pct)


def test_display_range_none_known_is_unknown() -> None:
    """Nothing known has no range; else numpy's percentiles."""
    assert all(math.isnan(v) for v in display_range(np.full(4, np.nan)))
    low, high = display_range(np.arange(101.0))
    assert (low, high) == (2.0, 98.0)
