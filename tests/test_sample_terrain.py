"""The generator itself: heights, area means, noise and truth against independent reckoning."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.spatial import ConvexHull
from shapely import LineString, Point

from sample_terrain.axis import Piece, build_axis
from sample_terrain.cells import cell_means, correlated_noise, frame_around
from sample_terrain.roads import RANDOM_KINDS, lane, random_spec, valley_road
from sample_terrain.scene import make_scene, wander
from sample_terrain.spec import (
    Driveway,
    Hole,
    Obstacle,
    Roadside,
    Spec,
    Stretch,
    Superelevation,
    build_surface,
    built_slope,
    required_slope,
)
from sample_terrain.truth import hull_gaps, section_truth, tell_truth, true_volumes
from tests.benchmarks.bound import cramer_rao

STRAIGHT = Spec(
    "Straight", (Piece(200.0),), heading_deg=63.0, grades=((0.0, 0.03),), margin=(0.005, 0.005)
)


def _s(*values: float) -> np.ndarray:
    return np.array(values, float)


def test_axis_clothoid_equals_an_integrated_differential_equation():
    pieces = (Piece(80), Piece(60, 0, 1 / 150), Piece(90, 1 / 150, 1 / 150), Piece(60, 1 / 150, 0))
    axis = build_axis(pieces, (10.0, 20.0), 30.0)
    ends = np.cumsum([0] + [p.length_m for p in pieces])

    def slope(s, state):
        i = min(np.searchsorted(ends, s, side="right") - 1, len(pieces) - 1)
        p = pieces[i]
        k = p.curvature_begin + (p.curvature_end - p.curvature_begin) * (s - ends[i]) / p.length_m
        return [np.cos(state[2]), np.sin(state[2]), -k]

    state = [10.0, 20.0, np.radians(60.0)]
    for a, b in pairwise(ends):
        state = solve_ivp(slope, (a, b), state, rtol=1e-11, atol=1e-11, max_step=1.0).y[:, -1]
    assert axis.length_m == pytest.approx(290.0)
    np.testing.assert_allclose([axis.x[-1], axis.y[-1], axis.heading[-1]], state, atol=1e-7)


def test_axis_positions_there_and_back_and_against_shapely():
    axis = valley_road().axis()
    rng = np.random.default_rng(3)
    s = rng.uniform(5, axis.length_m - 5, 400)
    o = rng.uniform(-30, 30, 400)
    x, y = axis.to_map(s, o)
    s2, o2 = axis.to_road(x, y)
    np.testing.assert_allclose(s2, s, atol=1e-6)
    np.testing.assert_allclose(o2, o, atol=1e-6)
    line = LineString(np.column_stack([axis.x, axis.y]))
    for k in range(0, 400, 40):
        # the nodes are half a metre apart, so chords differ from the curve by under 0.3 mm
        assert line.project(Point(x[k], y[k])) == pytest.approx(s[k], abs=0.02)
        assert line.distance(Point(x[k], y[k])) == pytest.approx(abs(o[k]), abs=1e-3)


def test_surface_has_the_slopes_of_its_description():
    surface = build_surface(STRAIGHT)
    s = _s(100.0)
    z = surface.height(s, _s(0.0, 3.5, 5.0, -3.5, -5.0))
    assert z[0] == pytest.approx(142.0 + 3.0)
    assert z[0] - z[1] == pytest.approx(0.02 * 3.5)
    assert z[1] - z[2] == pytest.approx(0.045 * 1.5)
    np.testing.assert_allclose(z[1:3], z[3:5])


def test_required_slope_by_the_rule_of_the_shared_trade_facts():
    # common practice: 4 % beside 2 %; the low side of a curve follows the superelevation; a
    # breakover of at most 8 points on the high side
    pavement = _s(0.02, 0.03, 0.06, 0.07, 0.09, -0.02, -0.06, -0.08)
    required, built = required_slope(STRAIGHT, pavement), built_slope(STRAIGHT, pavement)
    np.testing.assert_allclose(
        required, [0.04, 0.045, 0.06, 0.07, 0.09, 0.04, 0.02, 0.0], atol=1e-12
    )
    # the same road's shoulders are built two points steeper than the pavement there too
    np.testing.assert_allclose(built, [0.04, 0.05, 0.08, 0.08, 0.09, 0.04, 0.02, 0.0], atol=1e-12)


def test_superelevation_turns_both_halves_and_keeps_the_breakover():
    spec = Spec("Curve", (Piece(400.0),), superelevations=(Superelevation(100, 300, 0.06, 60),))
    surface = build_surface(spec)
    assert surface.value("pavement", _s(200.0), 1)[0] == pytest.approx(0.06)
    assert surface.value("pavement", _s(200.0), 0)[0] == pytest.approx(-0.06)
    s = np.linspace(0, 400, 801)
    for side in (0, 1):
        p, k = surface.value("pavement", s, side), surface.value("slope", s, side)
        assert np.all(k - p <= 0.08 + spec.margin[side] + 1e-9)
        assert np.all(k - p >= np.minimum(0.02, 0.08 - p) - 1e-9)


def test_cells_of_a_tilted_plane_hold_its_value_at_the_centre():
    spec = Spec(
        "Plane",
        (Piece(120.0),),
        heading_deg=33.0,
        grades=((0.0, 0.04),),
        widths=((0.0, 80.0),),
        superelevations=(Superelevation(-300, 500, 0.05, 60),),
    )
    axis = spec.axis()
    frame = frame_around([axis], 20.0, 0.5)
    z, s, o = cell_means(axis, build_surface(spec), frame, half_width_m=15.0)
    on = np.isfinite(z)
    assert on.sum() == pytest.approx(120.0 * 30.0 / 0.25, rel=0.02)
    on &= (s > 1.0) & (s < 119.0)  # past its ends a road is level
    np.testing.assert_allclose(z[on], 142.0 + 0.04 * s[on] - 0.05 * o[on], atol=1e-9)


@pytest.mark.parametrize("cell", [0.5, 1.0])
def test_cell_mean_of_a_step_equals_its_integral(cell):
    # road due east and its edge between two rows: each cell's mean is a 1-D integral across
    spec = Spec(
        "Step",
        (Piece(60.0),),
        heading_deg=90.0,
        grades=((0.0, 0.0),),
        stretches=(Stretch("scarce", 1, -50, 200),),
        widths=((0.0, 7.13),),
    )
    axis, surface = spec.axis(), build_surface(spec)
    frame = frame_around([axis], 10.0, cell)
    z, _, o = cell_means(axis, surface, frame, half_width_m=7.0)
    column = frame.cols // 2
    for row in np.flatnonzero(np.isfinite(z[:, column])):
        middle = o[row, column]
        breaks = [b for b in (0.0, 3.545, 3.585, 5.065) if abs(b - middle) < cell / 2]
        exact, _ = quad(
            lambda q: float(surface.height(_s(30.0), _s(q))[0]),
            middle - cell / 2,
            middle + cell / 2,
            points=breaks or None,
            limit=200,
        )
        assert z[row, column] == pytest.approx(exact / cell, abs=1.5e-3)


def test_more_subcells_change_a_curved_scene_by_less_than_a_millimetre():
    spec = random_spec(4, "superelevated", length_m=150.0)
    coarse = make_scene(spec, sigma_m=0.0, half_width_m=9.0)
    fine = make_scene(spec, sigma_m=0.0, half_width_m=9.0, subcells=16)
    difference = np.abs(coarse.z - fine.z)
    assert np.nanmax(difference) < 3e-3
    assert np.sqrt(np.nanmean(difference**2)) < 6e-4


def test_noise_has_the_stated_size_and_correlation():
    rng = np.random.default_rng(5)
    noise = correlated_noise((600, 700), 0.5, rng, sigma_m=0.03, correlation_m=1.0, nugget=0.4)
    assert noise.std() == pytest.approx(0.03, rel=0.02)
    for lag in (1, 2, 4):
        for a, b in ((noise[lag:], noise[:-lag]), (noise[:, lag:], noise[:, :-lag])):
            seen = float((a * b).mean()) / 0.03**2
            assert seen == pytest.approx(0.6 * np.exp(-0.5 * lag), abs=0.02)
    white = correlated_noise((600, 700), 0.5, rng, sigma_m=0.02)
    assert abs(float((white[1:] * white[:-1]).mean())) / 0.02**2 < 0.01


def test_wander_reaches_the_stated_error_and_no_more():
    spec = valley_road()
    axis = spec.axis()
    xy = wander(spec, axis, 2.5, np.random.default_rng(1))
    _, o = axis.to_road(xy[:, 0], xy[:, 1])
    assert 2.2 < np.abs(o).max() <= 2.5 + 1e-6
    gaps = np.hypot(*np.diff(xy, axis=0).T)
    assert gaps[:-1].min() > 9.0 and gaps.max() < 42.0
    assert LineString(xy).is_simple


def test_truth_of_a_plain_road_is_its_description():
    axis = STRAIGHT.axis()
    xy = np.column_stack(axis.to_map(_s(20.0, 180.0), _s(0.7, 0.7)))
    truth = tell_truth(STRAIGHT, axis, xy, np.arange(0.0, 160.0, 10.0))
    np.testing.assert_allclose(truth.axis_o, -0.7, atol=1e-6)
    np.testing.assert_allclose(truth.edge_u, np.tile([4.2, 2.8], (16, 1)), atol=1e-6)
    np.testing.assert_allclose(truth.hinge_u - truth.edge_u, 1.5, atol=1e-6)
    np.testing.assert_allclose(truth.pavement_slope_pct, 2.0, atol=1e-9)
    np.testing.assert_allclose(truth.shoulder_slope_pct, 4.5, atol=1e-6)
    np.testing.assert_allclose(truth.edge_drop_mm, 0.0, atol=1e-6)
    np.testing.assert_allclose(truth.grade_pct, 3.0, atol=1e-6)
    # ditch invert: 0.6 m below the edge, foreslope 1:4 from a hinge 67.5 mm down, half a bottom
    np.testing.assert_allclose(truth.ditch_u - truth.hinge_u, (0.6 - 0.0675) * 4 + 0.2, atol=1e-6)
    # a wedge 1.5 m wide between 4 % and 4.5 %
    np.testing.assert_allclose(truth.fill_m2, 0.005 * 1.5**2 / 2, rtol=1e-3)
    assert not truth.fails.any()
    assert set(truth.treatment.ravel()) == {"none"}


def test_truth_stations_run_along_the_handed_out_line():
    spec = valley_road()
    axis = spec.axis()
    xy = wander(spec, axis, 1.5, np.random.default_rng(2))
    s = np.arange(50.0, 2900.0, 150.0)
    truth = tell_truth(spec, axis, xy, s)
    line = LineString(xy)
    for i in range(0, len(s), 3):
        for side, sign in ((0, -1.0), (1, 1.0)):
            width = float(np.interp(truth.true_s[i, side], *np.array(spec.widths).T))
            # an edge lies half a width off the true axis whatever line was handed out
            x, y = axis.to_map(_s(truth.true_s[i, side]), _s(sign * 0.5 * width))
            edge = Point(x[0], y[0])
            # the section's direction is taken over a chord, so small kinks shift the foot
            assert line.project(edge) == pytest.approx(s[i], abs=0.35)
            assert line.distance(edge) == pytest.approx(truth.edge_u[i, side], abs=0.03)


def test_straightedge_gaps_equal_scipys_convex_hull():
    rng = np.random.default_rng(8)
    x = np.linspace(0.0, 1.5, 40)
    for _ in range(20):
        z = -0.04 * x + 0.02 * rng.standard_normal(40).cumsum() / 5
        hull = ConvexHull(np.column_stack([x, z]))
        corner = np.sort(hull.vertices)
        chord = z[0] + (z[-1] - z[0]) * (x - x[0]) / (x[-1] - x[0])
        upper = [i for i in corner if z[i] >= chord[i] - 1e-15]
        lower = [i for i in corner if z[i] <= chord[i] + 1e-15]
        rut = (np.interp(x, x[upper], z[upper]) - z).max()
        ridge = (z - np.interp(x, x[lower], z[lower])).max()
        np.testing.assert_allclose(hull_gaps(x, z[None, :])[0], [rut, ridge], atol=1e-12)


def _one(kind: str, amount: float | None = None, **extra) -> dict[str, float]:
    spec = Spec(
        kind,
        (Piece(200.0),),
        margin=(0.0, 0.0),
        stretches=(Stretch(kind, 1, 0.0, 200.0, amount),),
        **extra,
    )
    found = section_truth(build_surface(spec), spec, _s(100.0), 1)
    return {name: float(value[0]) for name, value in found.items()}


def test_flat_shoulder():
    t = _one("flat", 0.01)
    assert t["slope"] == pytest.approx(0.01)
    assert t["drop"] == pytest.approx(0.0, abs=1e-9)
    # 30 per mille too high over 1.5 m, and on outside the hinge down the 1:4 foreslope
    shoulder = 0.03 * 1.5**2 / 2
    outside = 0.045**2 / 2 / (0.25 - 0.04)
    assert t["cut"] == pytest.approx(shoulder + outside, rel=2e-3)
    assert t["retained"] == pytest.approx(0.0, abs=1e-9)


def test_reversed_shoulder_holds_its_rise():
    t = _one("reversed", -0.02)
    assert t["slope"] == pytest.approx(-0.02)
    # water stands to the hinge, 2 % of 1.5 m above the edge
    assert t["retained"] == pytest.approx(0.03, abs=1e-6)


def test_scarce_material_is_filled_like_the_worked_example():
    # constructed example 4 of the standards page: drop 50 mm, 8 % where 5 % is wanted, 1.5 m
    spec = Spec(
        "Low",
        (Piece(200.0),),
        least_slope=0.05,
        margin=(0.03, 0.03),
        stretches=(Stretch("scarce", 1, 0.0, 200.0, 0.05),),
    )
    t = section_truth(build_surface(spec), spec, _s(100.0), 1)
    # the face of the step is spread over 40 mm, half of it outside the edge
    assert t["fill"][0] == pytest.approx(0.10875, abs=4e-4)
    assert t["cut"][0] == 0.0
    assert t["drop"][0] == pytest.approx(0.05, abs=1e-9)
    cut, fill = true_volumes(spec, 1, 50.0, 150.0)
    assert (cut, fill) == pytest.approx((0.0, 100 * t["fill"][0]), rel=1e-6)


def test_high_shoulder_worked_example():
    # constructed example 5 of the standards page: 40 mm high and flat, 5 % wanted, 1.2 m: 0.084 m2
    spec = Spec(
        "High",
        (Piece(200.0),),
        least_slope=0.05,
        margin=(-0.05, -0.05),
        shoulder=(((0.0, 1.2),), ((0.0, 1.2),)),
        stretches=(Stretch("high", 1, 0.0, 200.0, 0.04),),
    )
    t = section_truth(build_surface(spec), spec, _s(100.0), 1)
    outside = (0.04 + 0.05 * 1.2) ** 2 / 2 / (0.25 - 0.05)
    assert t["cut"][0] == pytest.approx(0.084 + outside, abs=4e-4)
    assert t["retained"][0] == pytest.approx(0.04, abs=1e-3)


def test_rut_is_as_deep_as_described():
    spec = Spec(
        "Rut",
        (Piece(200.0),),
        shoulder=(((0.0, 2.0),), ((0.0, 2.0),)),
        stretches=(Stretch("rutted", 1, 0.0, 200.0, 0.05),),
    )
    t = section_truth(build_surface(spec), spec, _s(100.0), 1)
    # deeper than described by the ridge pressed up beside it, not by more than its height
    assert 0.05 < t["rut"][0] < 0.05 + 0.35 * 0.05


def test_eroded_edge_drops_and_is_replenished():
    t = _one("eroded", 0.075)
    assert 0.05 < t["drop"] < 0.1
    assert t["fill"] > 0.03


@pytest.mark.parametrize("kind", RANDOM_KINDS)
def test_random_roads_hold_together(kind):
    spec = random_spec(11, kind, length_m=520.0)
    scene = make_scene(spec, cell_m=1.0, seed=2)
    road = scene.roads[0]
    assert road.length_m == pytest.approx(520.0, rel=0.02)
    truth = road.truth(np.arange(0.0, road.length_m, 20.0))
    for name in ("axis_o", "edge_u", "pavement_slope_pct", "required_pct", "grade_pct"):
        assert np.isfinite(getattr(truth, name)).all(), name
    shoulder = np.isin(truth.kind, ("shoulder", "no edge")) & ~truth.edge_of_stretch
    assert np.isfinite(truth.shoulder_slope_pct[shoulder]).all()
    sound = shoulder & ~truth.fails & (truth.cause == "none")
    assert sound.any()
    beside = truth.pavement_slope_pct if kind == "gravel" else truth.required_pct
    assert (truth.shoulder_slope_pct - beside)[sound].min() > -0.05
    assert np.isfinite(scene.z).mean() > 0.02


def test_defects_come_out_as_named():
    spec = valley_road()
    axis = spec.axis()
    xy = np.column_stack([axis.x, axis.y])[40:-40:20]
    truth = tell_truth(spec, axis, xy, np.arange(0.0, 2990.0, 10.0))
    clear = ~truth.edge_of_stretch & truth.fails
    seen = set(truth.defect[clear])
    assert seen == {
        *("flat", "reversed", "high", "rutted", "eroded edge", "too steep", "breakover")
    }
    assert truth.ditch_blocked.any()
    assert {"driveway", "hole", "kerb", "no shoulder"} <= set(truth.kind.ravel())
    flat = clear & (truth.defect == "flat")
    assert (truth.shoulder_slope_pct < truth.required_pct - 2.0)[flat].all()
    low = clear & (truth.defect == "eroded edge")
    assert (truth.edge_drop_mm[low] > 50.0).all()
    assert set(truth.treatment[low]) == {"replenish"}
    reshape = clear & np.isin(truth.defect, ("flat", "reversed", "high"))
    assert set(truth.treatment[reshape]) == {"reshape"}
    steep = clear & (truth.defect == "too steep")
    assert (truth.shoulder_slope_pct[steep] > 10.0).all()
    off = clear & (truth.defect == "breakover")
    breakover = truth.shoulder_slope_pct - truth.pavement_slope_pct
    # 8 points at most (AASHTO, from memory), beside a pavement that is banked up
    assert (breakover[off] > 10.0).all() and (truth.pavement_slope_pct[off] < 0.0).all()
    # flatter is what both need, and that takes material
    assert set(truth.treatment[steep | off]) == {"replenish"}
    rutted = clear & (truth.defect == "rutted")
    assert (np.maximum(truth.rut_mm, truth.ridge_mm)[rutted] > 40.0).all()


def test_driveway_hole_bush_and_kerb_are_in_the_grid():
    spec = Spec(
        "Things",
        (Piece(240.0),),
        heading_deg=90.0,
        stretches=(Stretch("kerb", 0, 20.0, 60.0),),
        driveways=(Driveway(1, 100.0),),
        holes=(Hole(150.0, 170.0, 2.0, 8.0),),
        obstacles=(Obstacle("bush", 200.0, 4.2, 0.5, 0.6), Obstacle("car", 220.0, -4.5, 1.4)),
    )
    scene = make_scene(spec, sigma_m=0.0, half_width_m=12.0)
    plain = make_scene(
        Spec("Plain", (Piece(240.0),), heading_deg=90.0), sigma_m=0.0, half_width_m=12.0
    )
    x, y = scene.frame.centres()
    x0, y0 = spec.start_xy

    def difference(s: float, o: float) -> float:
        row, col = np.argmin(np.abs(y - (y0 - o))), np.argmin(np.abs(x - (x0 + s)))
        return float(scene.z[row, col] - plain.z[row, col])

    assert difference(40.0, -4.2) == pytest.approx(0.12 + 0.026 * 0.7, abs=0.02)
    assert difference(100.0, 8.0) > 0.4
    assert np.isnan(difference(160.0, 5.0))
    assert difference(200.0, 4.2) > 0.2
    assert difference(220.0, -4.5) == pytest.approx(1.4, abs=0.01)
    assert difference(130.0, 4.0) == 0.0


def test_fill_and_cut_go_the_right_way():
    spec = Spec(
        "Sides",
        (Piece(200.0),),
        roadside=(
            (Roadside(0.0, 1 / 3, 1.5, 0.0, -0.04, 0.0, -0.04),),
            (Roadside(0.0, 1 / 4, 0.6, 0.4, 1 / 2, 4.0, 0.1),),
        ),
    )
    surface = build_surface(spec)
    edge = surface.edge_height(_s(100.0), 0)[0]
    z = surface.height(_s(100.0), _s(-15.0, 15.0))
    assert z[0] < edge - 1.5
    assert z[1] > edge + 0.5


def test_same_seed_same_scene_other_seed_another():
    spec = lane()
    a, b, c = (make_scene(spec, cell_m=1.0, seed=k) for k in (5, 5, 6))
    np.testing.assert_array_equal(a.z, b.z)
    np.testing.assert_array_equal(a.roads[0].xy, b.roads[0].xy)
    assert np.nanmax(np.abs(a.z - c.z)) > 0.01
    assert random_spec(3) == random_spec(3)
    assert random_spec(3) != random_spec(4)


def test_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="choose from ordinary"):
        random_spec(1, "bridge")


def test_bound_brackets_the_closed_form_of_a_fitted_line():
    # se(slope) = sigma / sqrt(sum (t - mean)^2), the formula of any textbook on regression; level
    # and slope beyond the hinge tell a little more, cells across the breaks are shared
    spec = Spec("Wide", (Piece(80.0),), heading_deg=90.0, grades=((0.0, 0.0),), widths=((0, 8.0),))
    scene = make_scene(spec, sigma_m=0.03, half_width_m=14.0)
    least = cramer_rao(scene, scene.roads[0], 40.0, 1, average_m=10.0, sigma_m=0.03)
    t = np.repeat([0.25, 0.75, 1.25], 20)
    line = 100 * 0.03 / np.sqrt(((t - t.mean()) ** 2).sum())
    assert 0.6 * line < least["slope"] < line
    twice = cramer_rao(scene, scene.roads[0], 40.0, 1, average_m=20.0, sigma_m=0.06)
    assert twice["slope"] == pytest.approx(2 / np.sqrt(2) * least["slope"], rel=0.03)
    clotted = cramer_rao(
        scene,
        scene.roads[0],
        40.0,
        1,
        average_m=10.0,
        sigma_m=0.03,
        correlation_m=2.0,
        nugget=0.999,
    )
    assert clotted["slope"] == pytest.approx(least["slope"], rel=0.05)


def test_least_squares_on_the_cells_finds_the_truth():
    # the truth table against numpy's least squares on cells of a noise-free scene, which knows
    # nothing of sections: level, grade and slope of the cells that lie wholly on the shoulder
    spec = random_spec(21, "ordinary", length_m=400.0, shoulder_width_m=3.0)
    scene = make_scene(spec, sigma_m=0.0, centreline_error_m=2.0)
    road = scene.roads[0]
    truth = road.truth(np.arange(20.0, road.length_m - 20.0, 20.0))
    cx, cy = scene.frame.centres()
    rows, cols = np.nonzero(np.isfinite(scene.z))
    s, o = road.axis.to_road(cx[cols], cy[rows])
    z = scene.z[rows, cols]
    surface = build_surface(spec)
    use = ~truth.edge_of_stretch & np.isin(truth.cause, ("none", "flat", "reversed", "scarce"))
    assert use.sum() > 10
    for i, side in zip(*np.nonzero(use), strict=True):
        sign = 1.0 if side else -1.0
        t = sign * (o - surface.crown_offset(s)) - surface.value("edge", s, side)
        on = (np.abs(s - truth.true_s[i, side]) < 10.0) & (t > 0.4) & (t < 2.6)
        along = s[on] - truth.true_s[i, side]
        basis = np.column_stack([np.ones(on.sum()), along, along**2, t[on]])
        beta, *_ = np.linalg.lstsq(basis, z[on] - z[on].mean(), rcond=None)
        assert -100 * beta[3] == pytest.approx(truth.shoulder_slope_pct[i, side], abs=0.15)
