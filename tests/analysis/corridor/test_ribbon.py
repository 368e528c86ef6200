"""The ground along a road: native cells, the bilinear ribbon, and the footprint of a cell."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

import analysis.corridor.ribbon as ribbon_module
from analysis.common.errors import Cancelled, SettingsError, TerrainError
from analysis.corridor.ribbon import footprint, height_step, read_corridor
from analysis.corridor.values import Cells
from analysis.road.roadline import Tracker, frames, make_road, reversed_road, to_map, to_road
from analysis.terrain.grid import Terrain, open_terrain, read_window
from tests.builders.files import EAST, NORTH
from tests.builders.stopping import WORDS, stop_from


def road_at(*points, name="road"):
    return make_road(name, np.add(points, [EAST, NORTH]))


def rough(rows=60, cols=120, seed=0):
    """Rough but quiet ground, so that no check takes it for a mistake."""
    return 100.0 + np.random.default_rng(seed).normal(0.0, 0.05, (rows, cols))


BENT = ((5, 20), (40, 22), (70, 38), (115, 40))

# ---------------------------------------------------------------- cells


def test_cells_are_just_those_within_the_half_width(write_grid):
    """Every cell against its own road coordinates, found one by one without blocks."""
    found = open_terrain(write_grid(rough(), units="metre"))
    road = road_at(*BENT)
    cells, _ = read_corridor(found, road, 9.0)
    row, col = np.mgrid[:60, :120]
    s, o = to_road(road, *found.to_plane(row, col))
    inside = (np.abs(o) <= 9.0) & (s >= 0) & (s <= road.length_m)
    assert set(zip(cells.row, cells.col, strict=True)) == set(zip(*np.nonzero(inside), strict=True))
    np.testing.assert_allclose(cells.s, s[cells.row, cells.col], atol=1e-9)
    np.testing.assert_allclose(cells.o, o[cells.row, cells.col], atol=1e-9)
    np.testing.assert_array_equal(cells.z, read_window(found, 0, 60, 0, 120)[cells.row, cells.col])
    assert np.all(np.diff(cells.s) >= 0)
    assert cells.row.dtype == np.int32 and cells.cell_m == 1.0


def test_cells_window():
    cells = Cells(
        s=np.array([0.0, 1.0, 1.0, 2.0, 5.0]),
        o=np.zeros(5),
        z=np.zeros(5),
        row=np.zeros(5, np.int32),
        col=np.zeros(5, np.int32),
        cell_m=1.0,
    )
    assert cells.window(1.0, 2.0) == slice(1, 3)
    assert cells.window(6.0, 9.0) == slice(5, 5)
    assert len(cells) == 5


def test_cells_do_not_depend_on_blocks(write_grid, monkeypatch):
    found = open_terrain(write_grid(rough(), units="metre"))
    road = road_at(*BENT)
    whole, strip = read_corridor(found, road, 9.0)
    monkeypatch.setattr(ribbon_module, "_BLOCK", 16)
    cut, cut_strip = read_corridor(found, road, 9.0)
    order, cut_order = (np.lexsort((c.col, c.row)) for c in (whole, cut))
    for name in ("row", "col", "z"):
        np.testing.assert_array_equal(
            getattr(whole, name)[order], getattr(cut, name)[cut_order], err_msg=name
        )
    np.testing.assert_allclose(whole.s[order], cut.s[cut_order], atol=1e-9)
    np.testing.assert_array_equal(np.isnan(strip.z), np.isnan(cut_strip.z))
    np.testing.assert_allclose(strip.z, cut_strip.z, atol=1e-12)


def test_unknown_cells_are_left_out(write_grid):
    z = rough()
    z[25:35, 50:60] = -9999.0
    found = open_terrain(write_grid(z, units="metre", nodata=-9999.0))
    cells, strip = read_corridor(found, road_at(*BENT), 9.0)
    hole = (cells.row >= 25) & (cells.row < 35) & (cells.col >= 50) & (cells.col < 60)
    assert not hole.any() and np.isfinite(cells.z).all()
    assert np.isnan(strip.z).any()


def test_grid_is_read_once(write_grid, monkeypatch):
    """No cell is asked for twice but for the halo of one cell around each block."""
    found = open_terrain(write_grid(rough(), units="metre"))
    monkeypatch.setattr(ribbon_module, "_BLOCK", 16)
    asked = np.zeros((62, 122), dtype=int)
    genuine = ribbon_module.reading

    from contextlib import contextmanager

    @contextmanager
    def counted(terrain, tell):
        with genuine(terrain, tell) as window:

            def count(r0, r1, c0, c1):
                asked[r0 + 2 : r1, c0 + 2 : c1] += 1
                return window(r0, r1, c0, c1)

            yield count

    monkeypatch.setattr(ribbon_module, "reading", counted)
    read_corridor(found, road_at(*BENT), 9.0)
    assert asked.max() == 1


def test_part_of_the_road_fits_the_whole(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    road = road_at(*BENT)
    cells, strip = read_corridor(found, road, 9.0)
    cuts = [0.0, 33.3, 70.0, road.length_m]
    parts = [read_corridor(found, road, 9.0, s_range=cut) for cut in pairwise(cuts)]
    np.testing.assert_allclose(np.concatenate([c.s for c, _ in parts]), cells.s, atol=1e-9)
    np.testing.assert_array_equal(
        np.sort(np.concatenate([c.z for c, _ in parts])), np.sort(cells.z)
    )
    for _, part in parts:
        at = np.searchsorted(strip.s, part.s - 1e-6)
        np.testing.assert_allclose(part.z, strip.z[at], atol=1e-12)


# ---------------------------------------------------------------- ribbon


def test_ribbon_equals_scipy_bilinear(write_grid):
    """Reference: scipy.ndimage.map_coordinates of order 1 at the same places."""
    z = rough()
    found = open_terrain(write_grid(z, units="metre"))
    road = road_at(*BENT)
    _, strip = read_corridor(found, road, 9.0, step_s_m=0.4, step_o_m=0.3)
    x, y = to_map(road, strip.s[:, None], strip.o[None, :])
    expected = map_coordinates(z, found.to_grid(x, y), order=1, mode="constant", cval=np.nan)
    known = np.isfinite(strip.z)
    assert known.mean() > 0.99
    np.testing.assert_allclose(strip.z[known], expected[known], atol=1e-12)


def test_ribbon_grid(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    road = road_at((10, 30), (110, 30))
    _, strip = read_corridor(found, road, 9.0)
    np.testing.assert_array_equal(strip.s, np.arange(101.0))
    np.testing.assert_array_equal(strip.o, np.arange(-9.0, 10.0))
    assert (strip.step_s, strip.step_o) == (1.0, 1.0)
    _, fine = read_corridor(found, road, 2.0, step_o_m=0.25)
    np.testing.assert_array_equal(fine.o, np.arange(-2.0, 2.1, 0.25))


def test_ribbon_default_steps_are_no_finer_than_a_quarter_metre(write_grid):
    found = open_terrain(write_grid(rough(100, 200), cell=0.1, units="metre"))
    _, strip = read_corridor(found, road_at((2, 5), (18, 5)), 2.0)
    assert (strip.step_s, strip.step_o) == (0.25, 0.25)


@pytest.mark.parametrize("edge", ["start", "side", "nan"])
def test_ribbon_unknown_where_one_of_four_cells_is(write_grid, edge):
    z = rough(20, 40)
    z[10, 20] = np.nan
    found = open_terrain(write_grid(z, units="metre"))
    _, strip = read_corridor(found, road_at((-4.75, 9.75), (35, 9.75)), 5.0, step_s_m=1, step_o_m=1)
    if edge == "start":
        # the first whole cell pair lies beyond x = 0.5
        assert np.isnan(strip.z[:6]).all() and np.isfinite(strip.z[6:20]).all()
    elif edge == "side":
        _, low = read_corridor(found, road_at((2, 1.75), (35, 1.75)), 5.0, step_s_m=1, step_o_m=1)
        unknown = np.isnan(low.z[5])
        np.testing.assert_array_equal(unknown, low.o > 1.25)
    else:
        assert np.isnan(strip.z[6:]).sum() == 4


@given(
    gx=st.floats(-0.05, 0.05),
    gy=st.floats(-0.05, 0.05),
    turn=st.floats(0, 6.28),
    flip=st.sampled_from([1.0, -1.0]),
    cell=st.sampled_from([0.5, 1.0, 2.0]),
)
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_plane_is_exact_on_any_grid(write_grid, gx, gy, turn, flip, cell):
    """A tilted plane on north-up, south-up and rotated grids comes back to 1e-9."""
    c, s = cell * np.cos(turn), cell * np.sin(turn)
    mid = 60.0 * cell
    matrix = (
        c,
        s * flip,
        EAST - c * 60 - s * flip * 60,
        s,
        -c * flip,
        NORTH - s * 60 + c * flip * 60,
    )
    found = Terrain("", "", matrix, 120, 120, 1.0, 1.0, "given")
    x, y = found.to_plane(*np.mgrid[:120, :120])
    path = write_grid(100 + gx * (x - EAST) + gy * (y - NORTH), transform=matrix, units="metre")
    road = road_at((-0.6 * mid, 0.1 * mid), (0.1 * mid, 0.0), (0.6 * mid, 0.3 * mid))
    cells, strip = read_corridor(open_terrain(path), road, 0.2 * mid)
    x, y = to_map(road, cells.s, cells.o)
    np.testing.assert_allclose(cells.z, 100 + gx * (x - EAST) + gy * (y - NORTH), atol=1e-8)
    x, y = to_map(road, strip.s[:, None], strip.o)
    plane = 100 + gx * (x - EAST) + gy * (y - NORTH)
    known = np.isfinite(strip.z)
    assert known.mean() > 0.95
    np.testing.assert_allclose(strip.z[known], plane[known], atol=1e-8)
    # the corridor's area in cells, less the two ends where the chord leans
    expected = road.length_m * 0.4 * mid / cell**2
    assert len(cells) == pytest.approx(expected, rel=0.03)


def test_reversing_the_road_mirrors_the_ribbon(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    road = road_at((5, 20), (40, 22), (70, 38), (100, 40))
    road = make_road(
        "a", road.xy * (96.0 / road.length_m) + (1 - 96.0 / road.length_m) * road.xy[0]
    )
    cells, strip = read_corridor(found, road, 9.0)
    back_cells, back = read_corridor(found, reversed_road(road), 9.0)
    np.testing.assert_allclose(back.z[::-1, ::-1], strip.z, atol=1e-9)
    assert len(cells) == len(back_cells)
    np.testing.assert_allclose(np.sort(-back_cells.o), np.sort(cells.o), atol=1e-9)
    np.testing.assert_allclose(road.length_m - back_cells.s[::-1], cells.s, atol=1e-9)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (-499_000.0, 2_000_000.0), (9.0e6, 0.0)])
def test_moving_the_origin_changes_nothing(write_grid, shift):
    z = rough()
    here = open_terrain(write_grid(z, units="metre"))
    matrix = (1.0, 0.0, EAST + shift[0], 0.0, -1.0, NORTH + 60 + shift[1])
    there = open_terrain(write_grid(z, name="there.tif", transform=matrix, units="metre"))
    road = road_at(*BENT)
    cells, strip = read_corridor(here, road, 9.0)
    moved_cells, moved = read_corridor(there, make_road("m", road.xy + shift), 9.0)
    assert len(cells) == len(moved_cells)
    np.testing.assert_allclose(moved_cells.s, cells.s, atol=1e-6)
    np.testing.assert_allclose(moved.z, strip.z, atol=1e-6)


def test_feet_and_metres_give_the_same_cells(write_grid):
    """The same ground written in feet (plane and heights) and in metres."""
    z, foot = rough(), 0.3048
    metric = (1.0, 0.0, 200_000.0, 0.0, -1.0, 260_000.0)
    a = open_terrain(write_grid(z, crs="EPSG:2993", transform=metric, units="metre"))
    feet = tuple(value / foot for value in metric)
    b = open_terrain(write_grid(z / foot, name="feet.tif", crs="EPSG:2994", transform=feet))
    assert b.z_unit_source.startswith("assumed foot")
    road = make_road("a", np.add(BENT, [200_000.0, 259_940.0]))
    (ca, ra), (cb, rb) = (read_corridor(t, road, 9.0, step_s_m=1, step_o_m=1) for t in (a, b))
    np.testing.assert_array_equal(ca.row, cb.row)
    for one, two in ((ca.s, cb.s), (ca.o, cb.o), (ca.z, cb.z), (ra.z, rb.z)):
        np.testing.assert_allclose(one, two, atol=1e-6)


# ---------------------------------------------------------------- bends, hairpins, crossings


def hairpin():
    angle = np.linspace(-np.pi / 2, np.pi / 2, 60)
    turn = np.column_stack([80 + 8 * np.cos(angle), 30 + 8 * np.sin(angle)])
    return road_at((10, 22), *turn, (10, 38))


def test_hairpin_cells_go_to_the_nearer_leg_and_ribbon_stops_there(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    road = hairpin()
    cells, strip = read_corridor(found, road, 15.0)
    # once each
    assert len(set(zip(cells.row, cells.col, strict=True))) == len(cells)
    middle = (cells.s > 5) & (cells.s < 60)
    assert cells.o[middle].min() >= -8.0 - 1e-9 and cells.o[middle].max() > 14.0
    x, y = to_map(road, strip.s[:, None], strip.o)
    s, _ = to_road(road, x, y)
    known = np.isfinite(strip.z)
    np.testing.assert_allclose(
        s[known], np.broadcast_to(strip.s[:, None], s.shape)[known], atol=1e-2
    )
    assert np.isnan(strip.z[20, strip.o < -8.5]).all()
    assert np.isfinite(strip.z[20, strip.o > -7.5]).all()


def test_sections_do_not_cross_inside_a_tight_bend(write_grid):
    """Closed form: beyond the radius of an arc nothing belongs to its station."""
    found = open_terrain(write_grid(rough(), units="metre"))
    angle = np.linspace(0, np.pi / 2, 40)
    arc = np.column_stack([60 + 10 * np.sin(angle), 40 - 10 * (1 - np.cos(angle))])
    road = road_at((20, 40), *arc, (70, 5))
    _, strip = read_corridor(found, road, 15.0, step_s_m=0.5, step_o_m=0.5)
    on_arc = np.flatnonzero((strip.s > 44) & (strip.s < 51))
    assert np.isnan(strip.z[on_arc][:, strip.o > 10.3]).all()
    assert np.isfinite(strip.z[on_arc][:, (strip.o > -12) & (strip.o < 9.5)]).all()
    tracker = Tracker(road)
    a, b = tracker.spread(strip.s[on_arc])
    np.testing.assert_allclose(b / a, 0.1, rtol=0.1)


def test_crossing_of_a_road_with_itself_counts_each_cell_once(write_grid):
    found = open_terrain(write_grid(rough(100, 120), units="metre"))
    road = road_at((10, 50), (110, 50), (110, 90), (60, 90), (60, 10))
    cells, _ = read_corridor(found, road, 8.0)
    assert len(set(zip(cells.row, cells.col, strict=True))) == len(cells)
    x, y = found.to_plane(cells.row, cells.col)
    _, o = to_road(road, x, y)
    np.testing.assert_allclose(np.abs(cells.o), np.abs(o), atol=0.3)


def test_road_reaching_beyond_the_grid(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    cells, strip = read_corridor(found, road_at((-200, 30), (300, 30)), 9.0)
    assert cells.s.min() == pytest.approx(200.5) and cells.s.max() == pytest.approx(319.5)
    assert np.isnan(strip.z[:200]).all() and np.isfinite(strip.z[202:318]).all()


def test_road_touching_the_grid_with_its_side_only(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    cells, _ = read_corridor(found, road_at((10, -5), (100, -5)), 9.0)
    # the line runs outside, east: the grid is on its left
    assert cells.o.max() == pytest.approx(-5.5) and cells.o.min() >= -9.0


# ---------------------------------------------------------------- footprint


def test_footprint_of_square_cells(plane_terrain):
    """Closed form: a side of length c at angle t to the section is c*cos t and c*sin t wide."""
    found = plane_terrain(rows=4, cols=4, cell=0.5)
    angle = np.array([0.0, 30.0, 45.0, 90.0])
    for a in angle:
        road = make_road("a", [[0, 0], [100 * np.cos(np.radians(a)), 100 * np.sin(np.radians(a))]])
        widths = footprint(found, frames(road, [50.0]))[0]
        np.testing.assert_allclose(
            widths, [0.5 * np.sin(np.radians(a)), 0.5 * np.cos(np.radians(a))], atol=1e-12
        )


def test_footprint_spread_equals_that_of_points_in_the_cell(write_grid):
    """Variance across of points spread over a rotated cell: sum of two boxes, w*w/12 each."""
    matrix = (1.5, 0.4, 0.0, 0.3, -2.0, 0.0)
    found = Terrain("", "", matrix, 5, 5, 1.0, 1.0, "given")
    shape = frames(make_road("a", [[0, 0], [30, 70]]), [10.0])
    row, col = (np.mgrid[0:200, 0:200] + 0.5) / 200 - 0.5
    x, y = found.to_plane(row, col)
    across = x * shape.ty + y * -shape.tx
    widths = footprint(found, shape)[0]
    assert np.var(across) == pytest.approx((widths**2).sum() / 12, rel=1e-3)


# ---------------------------------------------------------------- rounded heights


@pytest.mark.parametrize("step", [0.01, 0.1, 0.3048, 1.0])
@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_height_step_of_rounded_heights(step, dtype):
    z = 300.0 + np.random.default_rng(0).uniform(0, 8, 5000)
    rounded = (np.round(z / step) * step).astype(dtype).astype(float)
    assert height_step(rounded) == pytest.approx(step, rel=1e-3)


@pytest.mark.parametrize("dtype", ["float32", "float64"])
@pytest.mark.parametrize("count", [0, 1, 3, 50, 5000, 300_000])
def test_height_step_of_measured_heights_is_none(count, dtype):
    z = 300.0 + np.random.default_rng(0).normal(0, 2, count)
    assert height_step(z.astype(dtype).astype(float)) == 0.0


def test_height_step_none_known():
    assert height_step(np.full(5, np.nan)) == 0.0


# ---------------------------------------------------------------- progress and bad input


def test_progress_and_cancel(write_grid, monkeypatch):
    found = open_terrain(write_grid(rough(), units="metre"))
    monkeypatch.setattr(ribbon_module, "_BLOCK", 16)
    seen = []
    read_corridor(found, road_at(*BENT), 9.0, progress=lambda part, words: seen.append(part))
    assert seen[0] == 0.0 and seen[-1] == 1.0 and seen == sorted(seen) and len(seen) > 4

    with pytest.raises(Cancelled, match=WORDS):
        read_corridor(found, road_at(*BENT), 9.0, progress=stop_from(0.3))


def test_read_corridor_no_heights_near_the_road(write_grid):
    z = rough()
    z[:45] = np.nan
    found = open_terrain(write_grid(z, units="metre"))
    with pytest.raises(TerrainError, match=r'no heights near the road "road" .*within 9 m'):
        read_corridor(found, road_at((10, 40), (110, 40)), 9.0)


def test_read_corridor_road_off_the_grid(write_grid):
    found = open_terrain(write_grid(rough(), units="metre"))
    with pytest.raises(TerrainError, match="has no heights near the road"):
        read_corridor(found, road_at((10, 400), (110, 400)), 9.0)


@pytest.mark.parametrize("width", [0.0, -3.0, np.nan, np.inf])
def test_read_corridor_invalid_width(plane_terrain, width):
    with pytest.raises(SettingsError, match="half width of the corridor must be more than 0 m"):
        read_corridor(plane_terrain(), road_at(*BENT), width)


def test_read_corridor_invalid_step_and_range(plane_terrain):
    found = plane_terrain()
    with pytest.raises(SettingsError, match="step along the road must be more than 0 m"):
        read_corridor(found, road_at(*BENT), 9.0, step_s_m=0.0)
    with pytest.raises(SettingsError, match="step across the road must be more than 0 m"):
        read_corridor(found, road_at(*BENT), 9.0, step_o_m=-1.0)
    with pytest.raises(SettingsError, match='part of the road "road" to read has no length'):
        read_corridor(found, road_at(*BENT), 9.0, s_range=(500.0, 600.0))


def crowned(slope):
    """A road along y = 30, in cells of half a metre."""
    y = 60 - 0.25 - np.arange(120) / 2
    return 100.0 - slope * np.abs(y - 30.0)[:, None] + np.zeros(240)


@pytest.mark.parametrize(
    ("slope", "units", "vertical_unit", "refused"),
    [
        (0.02 / 0.3048, None, None, True),  # a 2 % crown, its feet read as metres
        (0.04 / 0.3048, None, None, True),
        (0.02, None, None, False),
        (0.04, None, None, False),
        (0.02 / 0.3048, "metre", None, False),  # the file says so
        (0.02 / 0.3048, None, "metre", False),  # a person says so
        (0.02 / 0.3048, None, "foot", False),
    ],
)
def test_feet_read_as_metres_are_refused_where_it_can_be_told(
    write_grid, slope, units, vertical_unit, refused
):
    found = open_terrain(
        write_grid(crowned(slope), cell=0.5, units=units), vertical_unit=vertical_unit
    )
    # drawn a metre off, as real centrelines are
    road = road_at((5, 31), (115, 31))
    if refused:
        with pytest.raises(
            TerrainError, match=r"look like feet read as metres.*falls [0-9.]+ % to"
        ):
            read_corridor(found, road, 9.0)
    else:
        read_corridor(found, road, 9.0)


def banked(crown, bank, scale):
    """A crowned road along y = 30 between banks, its heights in metres times `scale`."""
    away = np.abs(60 - 0.25 - np.arange(120) / 2 - 30.0)
    fall = np.interp(away, [0.0, 3.5, 5.0, 9.0], np.cumsum([0, 3.5 * crown, 0.075, 4 * bank]))
    noise = np.random.default_rng(2).normal(0.0, 0.02, (120, 240))
    return scale * (100.0 - fall[:, None] + noise)


@pytest.mark.parametrize(
    ("crown", "bank", "unit", "given", "refused"),
    [
        (0.015, 0.5, "foot", None, True),  # metres that the file calls feet
        (0.02, 0.33, "US survey foot", None, True),
        (0.028, 0.25, "foot", None, True),
        (0.02, 0.33, "foot", "us-foot", False),  # a person says so
        (0.02, 0.33, "foot", "metre", False),
        (0.02, 0.33, "metre", None, False),
        (0.04, 0.33, "foot", None, False),  # an unpaved crown: it can't be told
        (0.0, 0.33, "foot", None, False),  # nor without a crown
    ],
)
def test_metres_read_as_feet_are_refused_where_it_can_be_told(
    write_grid, crown, bank, unit, given, refused
):
    written = write_grid(banked(crown, bank, 1.0), cell=0.5, units=unit)
    found = open_terrain(written, vertical_unit=given)
    road = road_at((5, 31), (115, 31))
    if refused:
        with pytest.raises(TerrainError, match=r"metres read as feet.*falls only 0\.[5-9] %"):
            read_corridor(found, road, 14.0)
    else:
        read_corridor(found, road, 14.0)


@pytest.mark.parametrize("crown", [0.012, 0.02, 0.04])
def test_heights_in_feet_that_are_feet_are_read(write_grid, crown):
    written = write_grid(banked(crown, 0.17, 1 / 0.3048), cell=0.5, units="foot")
    read_corridor(open_terrain(written), road_at((5, 31), (115, 31)), 14.0)


def test_steep_banks_beside_a_narrow_road_are_not_taken_for_feet(write_grid):
    y = 60 - 0.25 - np.arange(120) / 2
    away = np.abs(y - 30.0)
    z = 100.0 - np.where(away < 2.0, 0.03 * away, 0.06 + 0.5 * (away - 2.0))
    found = open_terrain(write_grid(z[:, None] + np.zeros(240), cell=0.5))
    read_corridor(found, road_at((5, 31), (115, 31)), 9.0)


def test_grades_of_feet_read_as_metres_are_refused(write_grid):
    x = np.arange(120.0)
    found = open_terrain(write_grid(100 + 0.3 * x + np.zeros((60, 1))))
    with pytest.raises(TerrainError, match="rises and falls 30 % along"):
        read_corridor(found, road_at((5, 31), (115, 31)), 9.0)


def test_spikes_are_not_taken_for_feet(write_grid):
    """A bird every few metres is no grade: it is left to whoever looks at single cells."""
    z = banked(0.02, 0.33, 1.0)
    z[:, 9::80] += 60.0
    z[:, 10::80] += 60.0
    read_corridor(open_terrain(write_grid(z, cell=0.5)), road_at((5, 31), (115, 31)), 9.0)
