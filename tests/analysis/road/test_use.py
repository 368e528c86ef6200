"""Use of a road by columns of its layer, and what it does to the ranking."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.common.errors import RoadError
from analysis.road.read_roads import read_roads
from analysis.road.roadline import reversed_road, road_part
from analysis.road.use import Use, UseFields, exposure, read_use
from analysis.study.judging import rejudge
from analysis.verdict.values import Harm
from tests.builders.small_study import small_study

WANTED = UseFields("adt", "limit_kmh", "bend")


@pytest.fixture
def terrain(plane_terrain):
    return plane_terrain(rows=100, cols=400)


def line(grid, *points):
    """Points given from the grid's south-west corner."""
    west, south = grid.bounds[:2]
    return [(west + x, south + y) for x, y in points]


def test_uses_follow_joined_and_reversed_lines(write_lines, terrain):
    """Each stretch keeps its own, whichever way it was drawn."""
    shapes = [line(terrain, (10, 50), (110, 50)), line(terrain, (310, 50), (110, 50))]
    rows = [
        {"name": "A", "adt": 2000, "limit_kmh": "40", "bend": "no"},
        {"name": "A", "adt": 500, "limit_kmh": "80", "bend": "yes"},
    ]
    path = write_lines(shapes, rows)
    (road,) = read_roads(path, terrain, use_fields=WANTED)
    assert road.uses == (Use(0.0, 100.0, 2000.0, 40.0, 0.0), Use(100.0, 300.0, 500.0, 80.0, 1.0))
    # 2 × (40 / 80)² and 0.5 × 1 × 2
    np.testing.assert_allclose(exposure(road.uses, np.array([50.0, 250.0])), [0.5, 1.0])
    back = reversed_road(road)
    np.testing.assert_allclose(exposure(back.uses, np.array([50.0, 250.0])), [1.0, 0.5])
    (turned,) = read_roads(path, terrain, use_fields=WANTED, reverse=True)
    np.testing.assert_allclose(exposure(turned.uses, np.array([50.0, 250.0])), [1.0, 0.5])
    part, s = road_part(road, 250.0, 60.0)
    np.testing.assert_allclose(exposure(part.uses, np.array([s])), [1.0])
    (plain,) = read_roads(path, terrain)
    assert plain.uses == ()


def test_what_is_not_told_counts_once():
    (use,) = read_use({"adt": None, "limit_kmh": "", "bend": None}, WANTED, 100.0, "roads.gpkg")
    np.testing.assert_array_equal(exposure([use], np.array([50.0])), [1.0])
    (empty,) = read_use({"adt": 0}, UseFields("adt"), 100.0, "roads.gpkg")
    assert 0.0 < exposure([empty], np.array([50.0]))[0] < 0.1


def test_a_speed_in_miles():
    (use,) = read_use({"speed_mph": 55}, UseFields(speed="speed_mph"), 1.0, "roads.gpkg")
    # 1 mile is 1.609344 km
    assert use.speed_kmh == pytest.approx(88.514, abs=1e-3)


@pytest.mark.parametrize("value", ["heavy", -5, "1e999"])
def test_no_number_is_told(value):
    with pytest.raises(RoadError, match=r"adt.*roads\.gpkg.*number of 0 or more"):
        read_use({"adt": value}, UseFields("adt"), 1.0, "roads.gpkg")


def test_an_unknown_field_is_told():
    with pytest.raises(RoadError, match=r'no field "adt"; it has name, lanes'):
        read_use({"name": "A", "lanes": 2}, UseFields("adt"), 1.0, "roads.gpkg")


def test_traffic_lifts_a_reach_where_it_runs():
    """A thousand times the traffic over one reach, on both sides, and none elsewhere."""
    study = small_study()
    part = study.roads[0]
    faults = [reach for reach in part.reaches if reach.harm != Harm.NONE]
    least = min(faults, key=lambda reach: reach.priority)
    road = replace(part.case.road, uses=(Use(least.s0, least.s1, traffic_per_day=1e6),))
    busy = replace(part, case=replace(part.case, road=road))
    again = rejudge(replace(study, roads=(busy,)), part.case.limits).roads[0].reaches
    (same,) = [r for r in again if (r.s0, r.side) == (least.s0, least.side)]
    assert same.priority == pytest.approx(1000.0 * least.priority)
    apart = [
        k for k, r in enumerate(part.reaches) if r.s0 >= least.s1 - 1e-6 or r.s1 <= least.s0 + 1e-6
    ]
    assert [again[k].priority for k in apart] == [part.reaches[k].priority for k in apart]
