"""Centrelines: reading, stationing, and the map between plane and road."""

import struct

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st

from analysis.common.errors import RoadError, SettingsError
from analysis.common.stations import parse_station, station_text
from analysis.road.measures import read_measures
from analysis.road.read_roads import read_roads
from analysis.road.roadline import (
    Course,
    Road,
    Tracker,
    calmed_road,
    frames,
    make_road,
    reversed_road,
    road_part,
    station_grid,
    to_map,
    to_road,
)
from analysis.road.vectors import line_layers, read_features
from analysis.terrain.grid import Terrain, open_terrain
from tests.builders.files import EAST, NORTH, UTM, line


def terrain(crs: str = UTM, unit: float = 1.0, size: int = 1000) -> Terrain:
    """Describe a grid of 1 m cells from EAST, NORTH; no file behind it."""
    from analysis.terrain.geofiles import CRS

    matrix = (unit, 0.0, EAST * unit, 0.0, -unit, (NORTH + size) * unit)
    wkt = CRS.from_user_input(crs).to_wkt()
    return Terrain("grid.tif", wkt, matrix, size, size, unit, 1.0, "given")


def bent_road(turns, step=20.0, name="bent") -> Road:
    """A polyline with the given turn angles (radians) every `step` metres."""
    heading = np.concatenate([[0.3], 0.3 + np.cumsum(turns)])
    steps = step * np.column_stack([np.cos(heading), np.sin(heading)])
    return make_road(name, np.concatenate([[[0.0, 0.0]], np.cumsum(steps, axis=0)]))


def circle_road(radius, *, right=False, step=1.0, part=1.5) -> Road:
    """A finely drawn arc about the origin, `part` radians long."""
    angle = np.linspace(0.0, part, int(radius * part / step) + 2)
    angle = -angle if right else angle
    return make_road("arc", radius * np.column_stack([np.cos(angle), np.sin(angle)]))


gentle = st.lists(st.floats(-0.25, 0.25), min_size=1, max_size=12)

# ---------------------------------------------------------------- roads and stationing


def test_make_road_drops_repeated_vertices_and_measures_with_them():
    road = make_road("a", [[0, 0], [0, 0], [3, 4], [3, 4], [3, 14]], measure=[5, 5, 10, 10, 20])
    np.testing.assert_array_equal(road.xy, [[0, 0], [3, 4], [3, 14]])
    np.testing.assert_array_equal(road.distance, [0, 5, 15])
    np.testing.assert_array_equal(road.measure, [5, 10, 20])
    assert road.length_m == 15.0
    with pytest.raises(ValueError, match="read-only"):
        road.xy[0, 0] = 1.0


def test_label_default_is_start_plus_distance_also_beyond_the_ends():
    road = make_road("a", [[0, 0], [100, 0]], start_m=1000.0)
    np.testing.assert_allclose(road.label([-5, 0, 40, 130]), [995, 1000, 1040, 1130])
    np.testing.assert_allclose(road.at_label([995, 1000, 1040, 1130]), [-5, 0, 40, 130])


@given(gentle, st.booleans(), st.lists(st.floats(-50, 300), min_size=1, max_size=5))
def test_at_label_undoes_label(turns, falls, s):
    road = bent_road(turns)
    rng = np.random.default_rng(len(turns))
    measure = np.cumsum(rng.uniform(5, 30, len(road.xy)))
    road = make_road("m", road.xy, measure=-measure if falls else measure)
    np.testing.assert_allclose(road.at_label(road.label(s)), s, atol=1e-8)


def test_reversed_road_keeps_labels_on_the_ground():
    road = make_road("a", [[0, 0], [60, 0], [60, 40]], start_m=500.0)
    back = reversed_road(road)
    assert back.length_m == road.length_m
    np.testing.assert_allclose(back.label([0, 40, 100]), [600, 560, 500])
    x, y = to_map(back, back.at_label(530.0), 0.0)
    np.testing.assert_allclose((x, y), to_map(road, road.at_label(530.0), 0.0), atol=1e-9)


@given(gentle, st.floats(1, 60), st.floats(-500, 5000), st.booleans())
def test_station_grid_has_round_labels_in_order(turns, spacing, start, turn_round):
    road = make_road("a", bent_road(turns).xy, start_m=start)
    road = reversed_road(road) if turn_round else road
    s = station_grid(road, spacing)
    assert np.all(np.diff(s) > 0) or len(s) < 2
    if len(s):
        assert s[0] >= 0 and s[-1] <= road.length_m
        labels = road.label(s) / spacing
        np.testing.assert_allclose(labels, np.round(labels), atol=1e-6)
    assert abs(len(s) - road.length_m / spacing) <= 1 + 1e-9


def test_station_grid_takes_both_round_ends():
    road = make_road("a", [[0, 0], [0.1 * 3, 0]], start_m=0.0)
    np.testing.assert_allclose(station_grid(road, 0.1), [0, 0.1, 0.2, 0.3])


@pytest.mark.parametrize("spacing", [0.0, -1.0, np.nan, np.inf])
def test_station_grid_invalid_spacing(spacing):
    with pytest.raises(SettingsError, match="spacing must be more than 0 m"):
        station_grid(make_road("a", [[0, 0], [9, 0]]), spacing)


@pytest.mark.parametrize(
    ("station_m", "options", "text"),
    [
        (2340.0, {}, "2+340"),
        (0.0, {}, "0+000"),
        (999.6, {}, "1+000"),
        (999.96, {"decimals": 1}, "1+000.0"),
        (1234.56, {"decimals": 1}, "1+234.6"),
        (-50.0, {}, "-0+050"),
        (-0.2, {}, "0+000"),
        (2340 * 0.3048, {"style": "feet-hundreds"}, "23+40"),
        (99.6 * 0.3048, {"style": "feet-hundreds"}, "1+00"),
        (np.nan, {}, ""),
    ],
)
def test_station_text(station_m, options, text):
    assert station_text(station_m, **options) == text


@given(st.integers(-10_000_000, 10_000_000), st.sampled_from(["km", "feet-hundreds"]))
def test_parse_station_undoes_station_text(tenths, style):
    unit = 1.0 if style == "km" else 0.3048
    text = station_text(tenths / 10 * unit, style=style, decimals=1)
    assert parse_station(text, style=style) == pytest.approx(tenths / 10 * unit, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "metres"), [("2+340", 2340), (" 2 + 340.5 ", 2340.5), ("1240", 1240), ("−0+050", -50)]
)
def test_parse_station(text, metres):
    assert parse_station(text) == metres


@pytest.mark.parametrize("text", ["", "abc", "2+34", "2+3400", "nan", "1+2+3"])
def test_parse_station_invalid(text):
    with pytest.raises(SettingsError, match=r"is no station; write it like 2\+340"):
        parse_station(text)


def test_station_style_invalid():
    with pytest.raises(SettingsError, match='style "miles" is not known'):
        station_text(1.0, style="miles")  # type: ignore[arg-type]


def test_road_part_keeps_labels_and_place():
    road = make_road("a", [[0, 0], [60, 0], [60, 40], [200, 40]], start_m=1000.0)
    part, s = road_part(road, 1070.0, 20.0)
    assert part.length_m == pytest.approx(40.0)
    assert part.label(s) == pytest.approx(1070.0)
    np.testing.assert_allclose(to_map(part, s, 0.0), to_map(road, 70.0, 0.0), atol=1e-9)
    whole, s = road_part(road, 1000.0, 1e6)
    np.testing.assert_allclose(whole.xy, road.xy)
    assert s == 0.0
    part, s = road_part(reversed_road(road), 1070.0, 20.0)
    assert part.label(s) == pytest.approx(1070.0)


def test_road_part_off_the_road():
    with pytest.raises(RoadError, match=r"no station 5\+000; it runs from 0\+000 to 0\+009"):
        road_part(make_road("a", [[0, 0], [9, 0]]), 5000.0, 100.0)


def test_road_part_invalid_reach():
    with pytest.raises(SettingsError, match="reach around a station must be more than 0 m"):
        road_part(make_road("a", [[0, 0], [9, 0]]), 5.0, 0.0)


# ---------------------------------------------------------------- plane and road


@given(gentle, st.floats(0, 1), st.floats(-15, 15))
def test_stationing_equals_shapely_with_no_chord(turns, share, o):
    """Reference: shapely's project, distance and interpolate on the same polyline."""
    road = bent_road(turns)
    shape = shapely.LineString(road.xy)
    x, y = Course(road, chord_m=0.0).to_map(share * road.length_m, o)
    point = shapely.Point(float(x), float(y))
    s_ref = shape.project(point)
    assume(1e-6 < s_ref < road.length_m - 1e-6)
    s, away = Tracker(road, chord_m=0.0).to_road(x, y)
    assert abs(away) == pytest.approx(shape.distance(point), abs=1e-9)
    # two places equally near are both right: compare the distance there, then the place
    at = shape.interpolate(float(s))
    assert at.distance(point) == pytest.approx(shape.distance(point), abs=1e-9)
    if shapely.LineString([at, shape.interpolate(s_ref)]).length < 1e-3:
        assert s == pytest.approx(s_ref, abs=1e-7)


def test_stationing_equals_shapely_in_bulk_around_a_bend():
    road = bent_road([0.2, -0.3, 0.25, 0.4, -0.2])
    shape = shapely.LineString(road.xy)
    rng = np.random.default_rng(3)
    x, y = to_map(road, rng.uniform(0, road.length_m, 2000), rng.uniform(-15, 15, 2000))
    points = shapely.points(x, y)
    s_ref = shapely.line_locate_point(shape, points)
    s, o = Tracker(road, chord_m=0.0).to_road(x, y)
    inside = (s_ref > 0) & (s_ref < road.length_m)
    np.testing.assert_allclose(
        np.abs(o)[inside], shapely.distance(shape, points)[inside], atol=1e-9
    )
    assert np.mean(np.abs(s - s_ref)[inside] < 1e-7) > 0.999


@given(st.floats(0, 300), st.floats(-20, 20), st.floats(0, 10))
def test_straight_road_is_plain_projection_whatever_the_chord(s, o, chord):
    """A straight line with extra vertices, against the dot product."""
    direction = np.array([0.6, 0.8])
    road = make_road("a", np.outer([0, 7, 7.5, 120, 300], direction))
    x, y = direction * s + np.array([0.8, -0.6]) * o
    np.testing.assert_allclose(Tracker(road, chord_m=chord).to_road(x, y), (s, o), atol=1e-9)
    np.testing.assert_allclose(Course(road, chord_m=chord).to_map(s, o), (x, y), atol=1e-9)


def test_right_is_right():
    road = make_road("east", [[0, 0], [100, 0]])
    _, o = to_road(road, [50, 50], [-3, 3])
    np.testing.assert_allclose(o, [3, -3])


@given(
    gentle,
    st.floats(-0.05, 1.05),
    st.floats(-15, 15),
    st.sampled_from([2.0, 5.0, 12.0]),
    st.sampled_from([(0.0, 0.0), (674_321.5, 5_123_456.25)]),
)
def test_to_road_undoes_to_map(turns, share, o, chord, shift):
    road = bent_road(turns)
    road = make_road("a", road.xy + shift)
    s = share * road.length_m
    tracker = Tracker(road, chord_m=chord)
    a, b = tracker.spread(s)
    assume(a[0] - b[0] * o > 0.1)
    x, y = tracker.to_map(s, o)
    back_s, back_o = tracker.to_road(x, y)
    if abs(back_s - s) > 1.0:
        # another part of the road may be nearer: then it must truly be nearer
        assert abs(back_o) < abs(o) + 0.5
        return
    assert back_s == pytest.approx(s, abs=1e-6)
    assert back_o == pytest.approx(o, abs=1e-6)


@given(gentle, st.floats(0, 1), st.floats(-10, 10))
def test_reversing_the_road_mirrors_offsets(turns, share, o):
    road = bent_road(turns)
    x, y = to_map(road, share * road.length_m, o)
    s1, o1 = to_road(road, x, y)
    s2, o2 = to_road(reversed_road(road), x, y)
    assume(abs(o1) < 12)
    if abs(s1 + s2 - road.length_m) < 1.0:
        assert s1 + s2 == pytest.approx(road.length_m, abs=1e-6)
        assert o1 == pytest.approx(-o2, abs=1e-6)


@given(gentle, st.floats(0, 1), st.floats(-10, 10), st.floats(-1e6, 1e6), st.floats(0, 6.3))
def test_moving_the_plane_changes_nothing(turns, share, o, shift, turn):
    road = bent_road(turns)
    c, s = np.cos(turn), np.sin(turn)
    matrix = np.array([[c, s], [-s, c]])
    moved = make_road("a", road.xy @ matrix + [shift, -shift])
    at = to_map(road, share * road.length_m, o)
    there = np.array(at) @ matrix + [shift, -shift]
    np.testing.assert_allclose(to_map(moved, share * road.length_m, o), there, atol=1e-6)
    here, far = to_road(road, *at), to_road(moved, *there)
    if abs(here[0] - far[0]) < 1.0:
        np.testing.assert_allclose(here, far, atol=1e-6)


@pytest.mark.parametrize("right", [True, False])
def test_arc_has_its_radius(right):
    """Closed form: distance from the centre and angle times radius."""
    road = circle_road(60.0, right=right, step=0.5)
    s = np.linspace(5, road.length_m - 5, 40)
    shape = frames(road, s)
    np.testing.assert_allclose(shape.curvature, (1 if right else -1) / 60.0, rtol=2e-3)
    np.testing.assert_allclose(shape.tx * shape.x + shape.ty * shape.y, 0.0, atol=0.05)
    x, y = to_map(road, s, 4.0)
    np.testing.assert_allclose(np.hypot(x, y), 56.0 if right else 64.0, atol=2e-3)


def test_frames_turn_smoothly_through_a_kink():
    road = make_road("kink", [[0, 0], [50, 0], [100, 20]])
    heading = np.unwrap(np.arctan2(*(lambda f: (f.ty, f.tx))(frames(road, np.arange(40, 60, 0.1)))))
    assert np.all(np.diff(heading) > -1e-12)
    assert np.max(np.diff(heading)) < 0.02
    assert heading[0] == pytest.approx(0.0, abs=1e-12)
    assert heading[-1] == pytest.approx(np.arctan2(20, 50), abs=1e-12)


def test_frames_no_chord_at_a_vertex_is_the_bisector():
    shape = Course(make_road("kink", [[0, 0], [10, 0], [10, 10]]), chord_m=0.0).frames([5, 10, 15])
    half = np.sqrt(0.5)
    np.testing.assert_allclose(shape.tx, [1, half, 0], atol=1e-9)
    np.testing.assert_allclose(shape.ty, [0, half, 1], atol=1e-9)


def test_hairpin_points_go_to_the_nearer_leg():
    angle = np.linspace(-np.pi / 2, np.pi / 2, 30)
    turn = np.column_stack([100 + 8 * np.cos(angle), 8 + 8 * np.sin(angle)])
    road = make_road("hairpin", np.concatenate([[[0, 0]], turn, [[0, 16]]]))
    y = np.array([-3.0, 2.0, 7.5, 8.5, 13.0, 19.0])
    s, o = to_road(road, np.full(6, 40.0), y)
    np.testing.assert_allclose(s[:3], 40.0, atol=1e-9)
    np.testing.assert_allclose(s[3:], road.length_m - 40.0, atol=1e-9)
    np.testing.assert_allclose(o, [3, -2, -7.5, -7.5, -3, 3], atol=1e-9)


def test_crossing_and_loop_go_to_the_nearer_part():
    road = make_road("loop", [[0, 0], [100, 0], [100, 60], [50, 60], [50, -60]])
    s, o = to_road(road, [30.0, 47.0, 52.0, 58.0], [1.0, 20.0, 5.0, 3.0])
    np.testing.assert_allclose(o, [-1, 3, -2, -3], atol=1e-9)
    np.testing.assert_allclose(s, [30, 250, 265, 58], atol=1e-9)


def test_closed_loop_has_one_answer_per_point():
    angle = np.linspace(0, 2 * np.pi, 200)
    road = make_road("ring", 50 * np.column_stack([np.cos(angle), np.sin(angle)]))
    x, y = to_map(road, np.linspace(5, road.length_m - 5, 50), -6.0)
    s, o = to_road(road, x, y)
    np.testing.assert_allclose(s, np.linspace(5, road.length_m - 5, 50), atol=1e-6)
    np.testing.assert_allclose(o, -6.0, atol=1e-6)


def test_line_doubling_back_still_gives_numbers():
    road = make_road("there and back", [[0, 0], [50, 0], [0, 0.0]])
    s, o = to_road(road, [20.0, 49.9], [2.0, 1.0])
    assert np.isfinite(s).all() and np.isfinite(o).all()
    assert np.isfinite(frames(road, [49.0, 50.0, 51.0]).tx).all()


@pytest.mark.parametrize("chord", [0.0, 12.0])
def test_many_points_are_placed_as_few_are(chord):
    """The compiled search finds the feet that plain numpy finds, also about vertices and ends."""
    xy = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 40.0], [20.0, 45.0], [20.0, 90.0]])
    tracker = Tracker(make_road("a", xy), chord_m=chord)
    x, y = np.random.default_rng(1).uniform(-30.0, 130.0, (2, 1200))
    x[:5], y[:5] = xy.T
    few = [tracker.to_road(x[i : i + 300], y[i : i + 300]) for i in range(0, 1200, 300)]
    np.testing.assert_array_equal(tracker.to_road(x, y), np.concatenate(few, axis=1))


def test_to_road_nan_and_shapes():
    road = make_road("a", [[0, 0], [100, 0]])
    s, o = to_road(road, [[10.0, np.nan]], [[1.0, 2.0]])
    assert s.shape == (1, 2) and np.isnan(s[0, 1]) and np.isnan(o[0, 1]) and s[0, 0] == 10.0
    assert to_road(road, 5.0, 1.0)[0].shape == ()
    assert to_road(road, [], [])[0].shape == (0,)


@pytest.mark.parametrize("chord", [-1.0, np.nan])
def test_frames_invalid_chord(chord):
    with pytest.raises(SettingsError, match="chord must be 0 or more metres"):
        Course(make_road("a", [[0, 0], [9, 0]]), chord_m=chord)


def test_calmed_road_lengthens_the_chord_of_a_zigzag_only():
    x = np.arange(0.0, 400.0)
    noise = np.random.default_rng(0).normal(0, 0.2, 400)
    zigzag = calmed_road(make_road("a", np.column_stack([x, noise])), 15.0)
    assert zigzag.chord_m in (10.0, 20.0, 40.0)
    a, b = Tracker(zigzag).spread(x)
    assert np.mean(a - np.abs(b) * 15.0 <= 0) < 0.02
    assert calmed_road(circle_road(60.0), 15.0).chord_m == 5.0
    # a true hairpin crosses whatever the chord
    assert calmed_road(circle_road(12.0, part=3.1), 15.0).chord_m == 5.0
    assert reversed_road(zigzag).chord_m == road_part(zigzag, 50.0, 20.0)[0].chord_m
    assert calmed_road(make_road("short", [[0, 0], [0.5, 0]]), 15.0).chord_m == 5.0


def test_read_roads_says_that_a_line_zigzags(write_lines):
    noise = np.random.default_rng(0).normal(0, 0.3, 200)
    notes: list[str] = []
    path = write_lines([line(*[(float(x), 50 + y) for x, y in enumerate(noise)])])
    (road,) = read_roads(path, terrain(), notes=notes)
    assert road.chord_m > 5.0 and "zigzags; its sections are squared to a chord" in notes[0]


# ---------------------------------------------------------------- reading roads


def test_read_roads_places_names_and_labels(write_lines):
    path = write_lines(
        [line((10, 10), (110, 10)), line((10, 200), (10, 300))],
        [{"Name": "Alder Road"}, {"Name": "Birch Lane"}],
    )
    one, two = read_roads(path, terrain(), start_m=100.0)
    assert (one.name, two.name) == ("Alder Road", "Birch Lane")
    np.testing.assert_allclose(one.xy, [[EAST + 10, NORTH + 10], [EAST + 110, NORTH + 10]])
    np.testing.assert_allclose(one.measure, [100, 200])


@pytest.mark.parametrize(
    ("driver", "name"),
    [("GPKG", "a.gpkg"), ("ESRI Shapefile", "a.shp"), ("FlatGeobuf", "a.fgb"), ("GML", "a.gml")],
)
def test_read_roads_formats(write_lines, driver, name):
    path = write_lines([line((10, 10), (110, 10))], [{"road": "A"}], driver=driver, name=name)
    (road,) = read_roads(path, terrain())
    assert road.length_m == pytest.approx(100.0, abs=1e-6)
    assert road.xy[0] == pytest.approx([EAST + 10, NORTH + 10], abs=1e-6)


def test_read_roads_geojson_degrees_to_the_grid(write_lines):
    """Hand values: the central meridian is easting 500 000; UTM scale there is 0.9996."""
    degree = {"type": "LineString", "coordinates": [(-123.0, 45.1), (-123.0, 45.101)]}
    path = write_lines([degree], name="a.geojson", driver="GeoJSON", crs="EPSG:4326")
    from analysis.terrain.geofiles import CRS

    grid = Terrain(
        "g.tif",
        CRS.from_user_input(UTM).to_wkt(),
        (1, 0, 499_000, 0, -1, 4_999_000),
        9000,
        9000,
        1.0,
        1.0,
        "given",
    )
    (road,) = read_roads(path, grid)
    np.testing.assert_allclose(road.xy[:, 0], 500_000.0, atol=1e-6)
    # meridian arc of 0.001 degree at 45.1: radius of curvature of the WGS 84 meridian
    a, e2, lat = 6378137.0, 0.00669437999014, np.radians(45.1005)
    arc = a * (1 - e2) / (1 - e2 * np.sin(lat) ** 2) ** 1.5 * np.radians(0.001) * 0.9996
    assert road.length_m == pytest.approx(arc, abs=1e-4)


def test_read_roads_feet_and_metres_give_the_same_road(write_lines):
    """EPSG 2994 is the foot version of 2993; only the unit differs (false easting 400 000 m)."""
    metres = {"type": "LineString", "coordinates": [(194000.0, 259300.0), (194100.0, 259300.0)]}
    path = write_lines([metres], crs="EPSG:2993")
    from analysis.terrain.geofiles import CRS

    foot = 0.3048
    grid = Terrain(
        "g.tif",
        CRS.from_user_input("EPSG:2994").to_wkt(),
        (foot, 0, 193900.0, 0, -foot, 259400.0),
        1000,
        1000,
        foot,
        foot,
        "file",
    )
    (road,) = read_roads(path, grid)
    np.testing.assert_allclose(road.xy, metres["coordinates"], atol=1e-3)


def test_read_roads_joins_stretches_end_to_end(write_lines):
    """Reference: shapely's line_merge of the same stretches."""
    stretches = [((0, 0), (50, 0)), ((90, 10), (120, 30)), ((50, 0), (70, 5), (90, 10))]
    path = write_lines([line(*p) for p in stretches], [{"name": "A"}] * 3)
    (road,) = read_roads(path, terrain())
    merged = shapely.line_merge(shapely.MultiLineString([list(p) for p in stretches]))
    np.testing.assert_allclose(road.xy - [EAST, NORTH], shapely.get_coordinates(merged), atol=1e-6)


def test_read_roads_joins_parts_drawn_against_each_other(write_lines):
    parts = [[(0, 0), (50, 0)], [(90, 10), (50, 0)]]
    coordinates = [[(EAST + x, NORTH + y) for x, y in part] for part in parts]
    geometry = {"type": "MultiLineString", "coordinates": coordinates}
    (road,) = read_roads(write_lines([geometry], kind="MultiLineString"), terrain())
    np.testing.assert_allclose(road.xy - [EAST, NORTH], [[0, 0], [50, 0], [90, 10]], atol=1e-6)
    assert road.name == "road"


def test_read_roads_separate_parts_get_numbers(write_lines):
    path = write_lines(
        [line((0, 0), (50, 0)), line((60, 0), (99, 0)), line((0, 50), (9, 50))],
        [{"ref": "A"}, {"ref": "A"}, {"ref": "B"}],
    )
    roads = read_roads(path, terrain())
    assert [road.name for road in roads] == ["A", "A (2)", "B"]


def test_read_roads_junction_is_not_joined(write_lines):
    path = write_lines(
        [line((0, 0), (50, 0)), line((50, 0), (99, 0)), line((50, 0), (50, 60))],
        [{"name": "A"}] * 3,
    )
    assert len(read_roads(path, terrain())) == 3


def test_read_roads_closed_loop_stays_whole(write_lines):
    path = write_lines([line((0, 0), (50, 0), (50, 50), (0, 0))])
    (road,) = read_roads(path, terrain())
    assert road.length_m == pytest.approx(100 + np.hypot(50, 50))


def test_read_roads_reverse_counts_from_the_other_end(write_lines):
    path = write_lines([line((0, 0), (50, 0))])
    (road,) = read_roads(path, terrain(), reverse=True, start_m=10.0)
    np.testing.assert_allclose(road.xy[:, 0], [EAST + 50, EAST])
    np.testing.assert_allclose(road.measure, [10, 60])


@pytest.mark.parametrize("value", [1250.0, "1+250", 1250])
def test_read_roads_start_field(write_lines, value):
    path = write_lines([line((0, 0), (50, 0))], [{"name": "A", "start_m": value}])
    (road,) = read_roads(path, terrain())
    np.testing.assert_allclose(road.measure, [1250, 1300])
    (plain,) = read_roads(path, terrain(), use_measures=False)
    np.testing.assert_allclose(plain.measure, [0, 50])
    (back,) = read_roads(path, terrain(), reverse=True)
    np.testing.assert_allclose(back.measure, [1300, 1250])


def test_read_roads_start_fields_join_only_where_labels_go_on(write_lines):
    shapes = [line((0, 0), (50, 0)), line((50, 0), (99, 0)), line((99, 0), (120, 0))]
    rows = [{"name": "A", "from_m": 0.0}, {"name": "A", "from_m": 50.0}]
    path = write_lines(shapes, [*rows, {"name": "A", "from_m": 700.0}])
    one, two = read_roads(path, terrain())
    np.testing.assert_allclose(one.measure, [0, 50, 99])
    np.testing.assert_allclose(two.measure, [700, 721])


def test_read_roads_three_dimensional_lines(write_lines):
    path = write_lines([line((0, 0, 7.0), (50, 0, 8.0))], kind="3D LineString")
    (road,) = read_roads(path, terrain())
    assert road.xy.shape == (2, 2)


def test_read_roads_name_field_given(write_lines):
    path = write_lines([line((0, 0), (50, 0))], [{"name": "A", "local": "B", "id": 7}])
    assert read_roads(path, terrain(), name_field="local")[0].name == "B"
    assert read_roads(path, terrain(), name_field="id")[0].name == "7"


def test_read_roads_off_the_grid_left_out_and_said(write_lines):
    shapes = [line((0, 0), (50, 0)), line((5000, 0), (5050, 0)), line((-50, 500), (2000, 510))]
    path = write_lines(shapes, [{"name": name} for name in "ABC"])
    notes: list[str] = []
    roads = read_roads(path, terrain(), notes=notes)
    # C crosses the grid though both its vertices lie outside
    assert [road.name for road in roads] == ["A", "C"]
    assert notes == ['The road "B" doesn\'t touch the terrain grid; left out.']


def test_read_roads_without_crs_takes_the_grids_and_says_so(write_lines):
    path = write_lines([line((0, 0), (50, 0))], name="a.shp", driver="ESRI Shapefile", crs=None)
    notes: list[str] = []
    (road,) = read_roads(path, terrain(), notes=notes)
    assert road.length_m == pytest.approx(50.0)
    assert "has no coordinate system; the terrain grid's was assumed" in notes[0]


def test_read_roads_geojson_with_plane_coordinates(write_lines, tmp_path):
    text = (
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":'
        f'{{"type":"LineString","coordinates":[[{EAST},{NORTH}],[{EAST + 50},{NORTH}]]}}}}]}}'
    )
    (tmp_path / "a.geojson").write_text(text)
    notes: list[str] = []
    (road,) = read_roads(tmp_path / "a.geojson", terrain(), notes=notes)
    assert road.length_m == pytest.approx(50.0) and "are no degrees" in notes[0]


def test_read_roads_layer_choice(write_lines):
    path = write_lines([line((0, 0), (50, 0))], layer="old")
    write_lines([line((0, 0), (60, 0))], layer="new")
    point = {"type": "Point", "coordinates": (EAST, NORTH)}
    write_lines([point], layer="signs", kind="Point")
    assert line_layers(path) == ("old", "new")
    assert read_roads(path, terrain(), layer="new")[0].length_m == pytest.approx(60.0)
    with pytest.raises(RoadError, match=r"several layers of lines \(old, new\); name the one"):
        read_roads(path, terrain())
    with pytest.raises(RoadError, match=r'has no layer "x"; it has old, new, signs'):
        read_roads(path, terrain(), layer="x")


# ---------------------------------------------------------------- M values


def geopackage_with_measures(write_lines, wkt: str, order: int = 1) -> str:
    """Put a line with M into a GeoPackage (binary header of OGC 12-128, clause 2.1.3)."""
    import sqlite3
    from contextlib import closing

    path = write_lines([line((0, 0), (50, 0))], [{"name": "A"}], SPATIAL_INDEX="NO")
    shape = shapely.from_wkt(wkt)
    wkb = shapely.to_wkb(shape, flavor="iso", byte_order=order)
    blob = b"GP" + struct.pack("<BBi", 0, 1, 32610) + wkb
    with closing(sqlite3.connect(path)) as base:
        base.execute("UPDATE gpkg_geometry_columns SET m = 1")
        base.execute("UPDATE road SET geom = ?", (blob,))
        base.commit()
    return path


def shifted(points):
    return ", ".join(f"{EAST + x} {NORTH + y} {m}" for x, y, m in points)


@pytest.mark.parametrize(
    ("factor", "unit"), [(1.0, "m"), (1 / 0.3048, "ft"), (0.001, "km"), (1 / 1609.344, "mi")]
)
def test_read_roads_measures_from_geopackage(write_lines, factor, unit):
    points = [(0, 0, 1000 * factor), (50, 0, 1051 * factor), (50, 40, 1092 * factor)]
    path = geopackage_with_measures(write_lines, f"LINESTRING M ({shifted(points)})")
    (road,) = read_roads(path, terrain())
    np.testing.assert_allclose(road.measure, [1000, 1051, 1092], rtol=1e-9)


def test_read_roads_falling_measures_and_reverse(write_lines):
    points = [(0, 0, 300), (50, 0, 250), (50, 40, 210)]
    path = geopackage_with_measures(write_lines, f"LINESTRING M ({shifted(points)})")
    (road,) = read_roads(path, terrain())
    np.testing.assert_allclose(road.measure, [300, 250, 210])
    (back,) = read_roads(path, terrain(), reverse=True)
    np.testing.assert_allclose(back.measure, [210, 250, 300])


def test_read_roads_measures_all_zero_are_none(write_lines):
    points = [(0, 0, 0), (50, 0, 0)]
    path = geopackage_with_measures(write_lines, f"LINESTRING M ({shifted(points)})")
    np.testing.assert_allclose(read_roads(path, terrain())[0].measure, [0, 50])


def test_read_roads_measures_that_fit_nothing(write_lines):
    points = [(0, 0, 10), (50, 0, 11)]
    path = geopackage_with_measures(write_lines, f"LINESTRING M ({shifted(points)})")
    with pytest.raises(RoadError, match="neither metres, feet, kilometres nor miles; mend them or"):
        read_roads(path, terrain())
    assert read_roads(path, terrain(), use_measures=False)[0].measure[0] == 0.0


def test_read_roads_measures_to_and_fro(write_lines):
    points = [(0, 0, 0), (50, 0, 60), (100, 0, 55), (150, 0, 150)]
    path = geopackage_with_measures(write_lines, f"LINESTRING M ({shifted(points)})")
    with pytest.raises(RoadError, match="neither rise nor fall all the way"):
        read_roads(path, terrain())


@pytest.mark.parametrize("kind", [13, 23])
def test_read_roads_measures_from_shapefile(write_lines, kind):
    """A record written by the published layout; its coordinates are read back by GDAL."""
    path = write_lines(
        [line((0, 0), (50, 0))], [{"name": "A"}], name="a.shp", driver="ESRI Shapefile"
    )
    xy = [(EAST, NORTH), (EAST + 50, NORTH), (EAST + 50, NORTH + 40)]
    box = (EAST, NORTH, EAST + 50, NORTH + 40)
    body = struct.pack("<i4d2i1i", kind, *box, 1, 3, 0)
    body += b"".join(struct.pack("<2d", *point) for point in xy)
    if kind == 13:
        body += struct.pack("<2d3d", 5, 7, 5, 6, 7)
    body += struct.pack("<2d3d", 100, 190, 100, -1e39, 190)
    record = struct.pack(">2i", 1, len(body) // 2) + body

    def header(size):
        return struct.pack(">7i", 9994, 0, 0, 0, 0, 0, size // 2) + struct.pack(
            "<2i8d", 1000, kind, *box, 5, 7, 100, 190
        )

    with open(path, "wb") as file:
        file.write(header(100 + len(record)) + record)
    with open(path.replace(".shp", ".shx"), "wb") as file:
        file.write(header(108) + struct.pack(">2i", 50, len(body) // 2))
    (road,) = read_roads(path, terrain())
    np.testing.assert_allclose(road.xy, xy)
    # the middle vertex has no measure: by distance between its neighbours
    np.testing.assert_allclose(road.measure, [100, 150, 190])


@pytest.mark.parametrize("order", [0, 1])
@pytest.mark.parametrize(
    ("wkt", "measures"),
    [
        ("LINESTRING ZM (0 0 9 5, 1 0 9 6)", [[5, 6]]),
        ("MULTILINESTRING M ((0 0 5, 1 0 6), (2 0 7, 3 0 8, 4 0 9))", [[5, 6], [7, 8, 9]]),
        ("LINESTRING Z (0 0 5, 1 0 6)", None),
        ("LINESTRING (0 0, 1 0)", None),
    ],
)
def test_read_measures_part_by_part(write_lines, order, wkt, measures):
    """Every kind of line that a GeoPackage may hold, in either order of bytes."""
    path = geopackage_with_measures(write_lines, wkt, order)
    found = read_measures(path, "road", "GPKG").get("1")
    assert (found and [part.tolist() for part in found]) == measures


# ---------------------------------------------------------------- other layers


def test_read_features_areas_points_lines(write_lines):
    grid = terrain()
    ring = [(EAST, NORTH), (EAST + 9, NORTH), (EAST + 9, NORTH + 9), (EAST, NORTH)]
    hole = [
        (EAST + 5, NORTH + 1),
        (EAST + 6, NORTH + 1),
        (EAST + 6, NORTH + 2),
        (EAST + 5, NORTH + 1),
    ]
    areas = write_lines(
        [{"type": "Polygon", "coordinates": [ring, hole]}],
        [{"kind": "drive"}],
        name="areas.gpkg",
        kind="Polygon",
    )
    (feature,) = read_features(areas, grid, "areas")
    np.testing.assert_allclose(feature.xy, ring)
    assert feature.properties == {"kind": "drive"}
    np.testing.assert_allclose(feature.holes[0], hole)
    points = write_lines(
        [{"type": "MultiPoint", "coordinates": [(EAST, NORTH), (EAST + 5, NORTH)]}],
        name="points.gpkg",
        kind="MultiPoint",
    )
    found = [feature.xy for feature in read_features(points, grid, "points")]
    np.testing.assert_allclose(found, [[[EAST, NORTH]], [[EAST + 5, NORTH]]])
    lines = write_lines([line((0, 0), (50, 0)), line((0, 9), (50, 9))], name="lines.gpkg")
    found = read_features(lines, grid, "lines")
    assert len(found) == 2 and found[1].xy.shape == (2, 2)


# ---------------------------------------------------------------- bad input, one sentence each


def test_read_roads_missing_file(tmp_path):
    with pytest.raises(RoadError, match=r"none\.gpkg doesn't exist; check the path"):
        read_roads(tmp_path / "none.gpkg", terrain())


def test_read_roads_not_a_vector_file(tmp_path):
    (tmp_path / "a.gpkg").write_text("no map")
    with pytest.raises(RoadError, match="can't be read as a map file; give a GeoPackage"):
        read_roads(tmp_path / "a.gpkg", terrain())


def test_read_roads_raster_given_for_roads(write_grid):
    with pytest.raises(RoadError, match="can't be read as a map file"):
        read_roads(write_grid(np.ones((3, 3))), terrain())


def test_read_roads_empty_layer(write_lines):
    with pytest.raises(
        RoadError, match=r"layer of lines in .* is empty; draw the centreline first"
    ):
        read_roads(write_lines([]), terrain())


def test_read_roads_no_line_layer(write_lines):
    path = write_lines([{"type": "Point", "coordinates": (EAST, NORTH)}], kind="Point")
    with pytest.raises(RoadError, match="has no layer of lines; give one that has"):
        read_roads(path, terrain())


def test_read_roads_zero_length(write_lines):
    with pytest.raises(RoadError, match=r"have no length .*draw the centreline again"):
        read_roads(write_lines([line((5, 5), (5, 5))]), terrain())


def test_read_roads_one_vertex(tmp_path):
    (tmp_path / "a.geojson").write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},'
        '"geometry":{"type":"LineString","coordinates":[[-123,45]]}}]}'
    )
    with pytest.raises(RoadError, match="have no length"):
        read_roads(tmp_path / "a.geojson", terrain())


def test_read_roads_outside_the_grid(write_lines):
    with pytest.raises(RoadError, match="lies outside the terrain grid grid; check that both"):
        read_roads(write_lines([line((5000, 0), (5100, 0))]), terrain())


def test_read_roads_outside_without_crs(write_lines):
    path = write_lines(
        [line((5000, 0), (5100, 0))], name="a.shp", driver="ESRI Shapefile", crs=None
    )
    with pytest.raises(RoadError, match="it has no coordinate system of its own, so give that"):
        read_roads(path, terrain())


def test_read_roads_nan_coordinates(write_lines):
    with pytest.raises(RoadError, match="vertex whose coordinates are no numbers"):
        read_roads(write_lines([line((0, 0), (np.nan, 5), (9, 9))]), terrain())


def test_read_roads_coordinates_against_their_system(write_lines):
    wild = {"type": "LineString", "coordinates": [(1e30, 1e30), (2e30, 1e30)]}
    with pytest.raises(
        RoadError, match=r"don't fit its coordinate system|outside the terrain grid"
    ):
        read_roads(write_lines([wild], crs="EPSG:32611"), terrain())
    far = {"type": "LineString", "coordinates": [(5e6, 10.0), (5e6 + 9, 10.0)]}
    path = write_lines([far], crs="EPSG:4326", name="deg.gpkg")
    with pytest.raises(RoadError, match="are no degrees though the file says so"):
        read_roads(path, terrain())


def test_read_roads_unknown_field(write_lines):
    with pytest.raises(RoadError, match='has no field "nick"; it has name'):
        read_roads(
            write_lines([line((0, 0), (9, 0))], [{"name": "A"}]), terrain(), name_field="nick"
        )


def test_read_roads_bad_start_field(write_lines):
    path = write_lines([line((0, 0), (9, 0))], [{"start_m": "near the bridge"}])
    with pytest.raises(RoadError, match=r'start station "near the bridge" .* is no station'):
        read_roads(path, terrain())


def test_read_roads_unknown_crs_given(write_lines):
    with pytest.raises(RoadError, match="is not known; give it as EPSG:number"):
        read_roads(write_lines([line((0, 0), (9, 0))]), terrain(), crs="EPSG:1")


def test_read_features_empty(write_lines):
    with pytest.raises(RoadError, match=r"layer of points in .* is empty; fill it or leave it out"):
        read_features(write_lines([], kind="Point"), terrain(), "points")


def test_make_road_bad_vertices():
    with pytest.raises(RoadError, match=r'road "a" has a vertex without a place \(number 2\)'):
        make_road("a", [[0, 0], [np.inf, 0]])
    with pytest.raises(RoadError, match='road "a" has no length'):
        make_road("a", [[0, 0]])
    with pytest.raises(RoadError, match='road "a" has no length'):
        make_road("a", [])


def test_open_terrain_and_roads_together(write_grid, write_lines):
    found = open_terrain(write_grid(np.full((60, 120), 5.0)))
    assert len(read_roads(write_lines([line((5, 30), (115, 30))]), found)) == 1
