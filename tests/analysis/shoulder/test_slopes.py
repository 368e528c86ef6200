"""Fits on native cells: closed forms, numpy's and scipy's answers, and errors that come true."""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate
from shapely import affinity
from shapely.geometry import Polygon, box

from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.shoulder.regression import road_slant
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Noise, Status, Why
from sample_terrain.cells import correlated_noise
from tests.builders.cells_road import (
    EDGE,
    FORESLOPE,
    PAVEMENT,
    SHOULDER,
    WIDTH,
    both_sides,
    box_for,
    crown_section,
    known_breaks,
    known_noise,
    lattice,
    make_cells,
    straight_cells,
    turned_box,
)

VALUES = ["pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm", "grade_pct", "foreslope_pct"]
ERRORS = ["pavement_slope_se", "shoulder_slope_se", "edge_drop_se"]


def _measured(cells, breaks, azimuth, *, noise=None, average=20.0, **options):
    n = breaks.s.size
    noise = known_noise(n) if noise is None else noise
    boxes = box_for(n, cells.cell_m, azimuth)
    return measure_sides(cells, breaks, noise, average_m=average, box_m=boxes, **options)[0]


@pytest.fixture
def straight_only(monkeypatch):
    """Shoulders that can only be straight, and errors of the given noise alone: least squares."""
    monkeypatch.setattr("analysis.shoulder.regression.ROUGHNESS", ((0.0, 1.0),))
    monkeypatch.setattr(
        "analysis.shoulder.regression._where_measured",
        lambda strip, windows, *_: np.ones((windows.s.size, 9)),
    )


# -- what a cell sees ------------------------------------------------------------------------------


def _footprint(cell, azimuth):
    """The cell as a polygon: x across the road, y along it."""
    half = 0.5 * cell
    return affinity.rotate(box(-half, -half, half, half), azimuth, origin=(0.0, 0.0))


@pytest.mark.parametrize("azimuth", [0.0, 12.0, 45.0, 71.0, 90.0])
@pytest.mark.parametrize("cell", [0.25, 1.0])
def test_smeared_step_equals_clipped_polygon(cell, azimuth):
    """The share of a turned square past a line, by shapely's clipping."""
    square = _footprint(cell, azimuth)
    x = cell * np.linspace(-0.8, 0.8, 23)
    shares = [affinity.translate(square, q, 0.0).intersection(box(0, -9, 9, 9)).area for q in x]
    found = smeared_step(x, turned_box(cell, azimuth))
    inside = np.abs(x) > 1e-9  # a face right on the middle of a cell side counts as half
    np.testing.assert_allclose(found[inside], np.array(shares)[inside] / cell**2, atol=1e-9)


@pytest.mark.parametrize("azimuth", [0.0, 12.0, 45.0, 71.0])
def test_smeared_ramp_equals_integral(azimuth):
    """The mean of max(x, 0) over a turned square, by scipy's double quadrature."""
    cell = 0.5
    a, b = turned_box(cell, azimuth)
    x = np.array([-0.4, -0.2, -0.07, 0.0, 0.11, 0.3])

    def mean(at):
        def inner(q):
            kink = np.clip(-(at + b * q) / a, -0.5, 0.5)
            return integrate.quad(lambda p: max(at + a * p + b * q, 0.0), kink, 0.5)[0]

        ends = [np.clip((sign * 0.5 * a - at) / b, -0.5, 0.5) for sign in (-1, 1)] if b else []
        return integrate.quad(inner, -0.5, 0.5, points=ends)[0]

    np.testing.assert_allclose(smeared_ramp(x, [a, b]), [mean(at) for at in x], atol=1e-9)


@settings(max_examples=50)
@given(st.floats(-2.0, 2.0), st.floats(0.05, 1.0), st.floats(0.0, 1.0))
def test_smeared_ramp_slope_is_the_step(x, wide, narrow):
    """The step is the derivative of the ramp, and far off both are those of a point."""
    size = [wide, narrow]
    d = 1e-5
    rise = float(smeared_ramp(x + d, size) - smeared_ramp(x - d, size)) / (2.0 * d)
    step = float(smeared_step(x, size))
    assert -1e-9 <= step <= 1.0 + 1e-9
    # the step changes by no more than d / wide within d
    assert rise == pytest.approx(step, abs=1e-3)
    if abs(x) > 0.5 * sum(size) + 1e-9:
        assert step == float(x > 0)
        assert float(smeared_ramp(x, size)) == pytest.approx(max(x, 0.0), abs=1e-9)


# -- closed forms ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("azimuth", "edge", "axis", "cell"),
    [(0.0, 3.5, 0.0, 0.5), (17.0, 3.31, 0.4, 0.5), (45.0, 3.9, -0.7, 0.25), (80.0, 4.2, 0.0, 1.0)],
)
def test_measure_tilted_plane(azimuth, edge, axis, cell):
    """A plane has one cross slope everywhere, its own grade, and no step."""
    s, o, row, col = lattice(cell=cell, azimuth_deg=azimuth)
    cells = make_cells(s, o, 250.0 + 0.031 * s - 0.027 * o, row, col, cell)
    stations = np.arange(20.0, 101.0, 20.0)
    sides = np.array([edge - axis, edge + axis])
    breaks = known_breaks(stations, edge=np.tile(sides, (5, 1)), width=1.8, axis=axis)
    m = _measured(cells, breaks, azimuth)
    expected = np.tile([-2.7, 2.7], (5, 1))
    for name in ("pavement_slope_pct", "shoulder_slope_pct", "foreslope_pct"):
        np.testing.assert_allclose(getattr(m, name), expected, atol=1e-6)
    np.testing.assert_allclose(m.grade_pct, 3.1, atol=1e-6)
    np.testing.assert_allclose(m.edge_drop_mm, 0.0, atol=1e-5)
    at_edge = 250.0 + 0.031 * stations[:, None] - 0.027 * sides * np.array([-1.0, 1.0])
    np.testing.assert_allclose(m.edge_z_m, at_edge, atol=1e-7)
    assert (m.status == Status.OK).all() and not m.reason.any()


def test_measure_plane_beside_slanting_line():
    """Where the given line slants against the road, slopes are square to the road, not the line."""
    s, o, row, col = lattice()
    across, along, slant = 0.03, 0.06, 0.05
    cells = make_cells(s, o, 80.0 + along * s - across * o, row, col, 0.5)
    stations = np.arange(20.0, 101.0, 10.0)
    axis = slant * (stations - 60.0)
    breaks = known_breaks(stations, edge=EDGE + np.outer(axis, [-1.0, 1.0]), axis=axis)
    np.testing.assert_allclose(road_slant(breaks), slant, atol=1e-12)
    turn = np.arctan(slant)
    # gradient of the plane along the road and along its right-hand normal
    falls = across * np.cos(turn) + along * np.sin(turn)
    climbs = along * np.cos(turn) - across * np.sin(turn)
    m = _measured(cells, breaks, 24.0)
    for name in ("pavement_slope_pct", "shoulder_slope_pct"):
        expected = np.tile([-100.0 * falls, 100.0 * falls], (9, 1))
        # beyond the first and last station the edge is taken to run on straight along the line
        np.testing.assert_allclose(getattr(m, name)[1:-1], expected[1:-1], atol=1e-6)
    np.testing.assert_allclose(m.grade_pct[1:-1], 100.0 * climbs, atol=1e-6)


@pytest.mark.parametrize("azimuth", [0.0, 24.0, 45.0])
@pytest.mark.parametrize("drop", [0.05, -0.05])
def test_measure_step_on_a_plane(azimuth, drop):
    """A step of 50 mm comes out as 50 mm although the cells smear it over half a metre."""
    plane = both_sides(pavement=0.02, shoulder=0.02, fore=0.02, drop=drop)
    cells = straight_cells(plane, azimuth_deg=azimuth)
    m = _measured(cells, known_breaks(np.arange(20.0, 101.0, 20.0)), azimuth)
    np.testing.assert_allclose(m.edge_drop_mm, 1000.0 * drop, atol=0.1)
    np.testing.assert_allclose(m.shoulder_slope_pct, 2.0, atol=0.01)


def test_measure_section_with_all_breaks():
    """Pavement 2 %, shoulder 4 % (common practice), drop 30 mm, foreslope 1:4."""
    cells = straight_cells(both_sides(drop=0.03), grade=-0.02)
    m = _measured(cells, known_breaks(np.arange(20.0, 101.0, 20.0)), 24.0)
    for name, value, within in (
        ("pavement_slope_pct", 100.0 * PAVEMENT, 1e-3),
        ("shoulder_slope_pct", 100.0 * SHOULDER, 0.02),
        ("foreslope_pct", 100.0 * FORESLOPE, 0.05),
        ("edge_drop_mm", 30.0, 0.1),
        ("grade_pct", -2.0, 1e-3),
        ("shoulder_width_m", WIDTH, 1e-9),
    ):
        np.testing.assert_allclose(getattr(m, name), value, atol=within, err_msg=name)
    # cells whose centre lies on the shoulder: area of the strip over that of a cell
    np.testing.assert_allclose(m.cells, 20.0 * WIDTH / 0.25, rtol=0.05)


def test_measure_step_in_noise():
    """With 20 mm of noise the step is right within its error, which is under 10 mm."""
    cells = straight_cells(both_sides(drop=0.05), length=420.0, sigma=0.02, seed=3)
    m = _measured(cells, known_breaks(np.arange(10.0, 411.0, 20.0)), 24.0)
    assert (m.edge_drop_se < 10.0).all()
    z = (m.edge_drop_mm - 50.0) / m.edge_drop_se
    assert np.abs(z).max() < 3.5 and 0.7 < z.std() < 1.3


def test_measure_curve_and_grade_dont_bias():
    """A sag of 500 m radius and 6 % grade: cross slopes and drop as on the level."""
    s0 = np.arange(20.0, 101.0, 20.0)
    level = straight_cells(both_sides(drop=0.03))
    bent = straight_cells(
        both_sides(drop=0.03), extra=lambda s, o: 0.06 * s + (s - 60.0) ** 2 / 1000.0
    )
    flat, sag = (_measured(c, known_breaks(s0), 24.0) for c in (level, bent))
    for name in ("pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm"):
        np.testing.assert_allclose(getattr(sag, name), getattr(flat, name), atol=1e-4)
    expected = 6.0 + 100.0 * (s0 - 60.0) / 500.0
    np.testing.assert_allclose(sag.grade_pct, expected[:, None].repeat(2, 1), atol=1e-3)


def test_measure_superelevation_transition():
    """Pavement turning by 6 points within 60 m: bias under 0.1 points through the transition."""

    def turning(s, o):
        return -0.06 * np.clip((s - 40.0) / 60.0, 0.0, 1.0) * o

    s0 = np.arange(20.0, 121.0, 10.0)
    cells = straight_cells(both_sides(), length=140.0, extra=turning)
    m = _measured(cells, known_breaks(s0), 24.0)
    # the mean turn over the averaging length, in closed form
    fine = s0[:, None] + np.linspace(-10.0, 10.0, 2001)
    turn = 6.0 * np.clip((fine - 40.0) / 60.0, 0.0, 1.0).mean(axis=1)
    sides = turn[:, None] * np.array([-1.0, 1.0])
    np.testing.assert_allclose(m.pavement_slope_pct, 2.0 + sides, atol=0.1)
    np.testing.assert_allclose(m.shoulder_slope_pct, 4.0 + sides, atol=0.1)
    np.testing.assert_allclose(m.edge_drop_mm, 0.0, atol=1.0)


# -- against numpy and scipy -----------------------------------------------------------------------


def _one_side(cells, station, average, azimuth, *, edge=EDGE, width=WIDTH):
    """Design and heights of the right side, written down again from the model's description."""
    x = cells.o - edge
    size = turned_box(cells.cell_m, azimuth)
    near = np.abs(cells.s - station) < 0.5 * average
    near &= (x > max(-edge + 0.5 * size.sum() + 0.25, -4.5)) & (x < width + 1.25)
    t, x = (cells.s[near] - station) / (0.5 * average), x[near]
    design = np.column_stack(
        [
            np.ones_like(x),
            t,
            t * t - 1.0 / 3.0,
            x,
            t * x,
            smeared_ramp(x, size),
            -smeared_step(x, size),
            smeared_ramp(x - width, size),
        ]
    )
    return design, cells.z[near], cells.s[near], cells.o[near]


SHOULDER_ROW = np.array([0, 0, 0, -100.0, 0, -100.0, 0, 0])
PAVEMENT_ROW = np.array([0, 0, 0, -100.0, 0, 0, 0, 0])
DROP_ROW = np.array([0, 0, 0, 0, 0, 0, 1000.0, 0])


def _even_noise(sigma, seed):
    """Noise within 1.7 sigma, so that no cell is taken for a bush."""
    dice = np.random.default_rng(seed)
    return lambda s, o: dice.uniform(-np.sqrt(3.0) * sigma, np.sqrt(3.0) * sigma, s.size)


def test_measure_equals_lstsq(straight_only):
    """Slopes, drop and their covariance are numpy's least squares and sigma^2 (X'X)^-1."""
    sigma = 0.02
    cells = straight_cells(both_sides(drop=0.02), extra=_even_noise(sigma, 1))
    stations = np.array([30.0, 60.0, 90.0])
    m = _measured(cells, known_breaks(stations), 24.0, noise=known_noise(3, sigma))
    for i, at in enumerate(stations):
        design, z, _, _ = _one_side(cells, at, 20.0, 24.0)
        beta = np.linalg.lstsq(design, z - z.mean(), rcond=None)[0]
        cov = sigma**2 * np.linalg.inv(design.T @ design)
        found = [m.shoulder_slope_pct, m.pavement_slope_pct, m.edge_drop_mm]
        se = [m.shoulder_slope_se, m.pavement_slope_se, m.edge_drop_se]
        rows = [SHOULDER_ROW, PAVEMENT_ROW, DROP_ROW]
        for row, value, error in zip(rows, found, se, strict=True):
            assert value[i, 1] == pytest.approx(row @ beta, rel=1e-5)
            assert error[i, 1] == pytest.approx(np.sqrt(row @ cov @ row), rel=1e-5)
        assert m.slope_cov[i, 1] == pytest.approx(PAVEMENT_ROW @ cov @ SHOULDER_ROW, rel=1e-4)
        assert m.drop_shoulder_cov[i, 1] == pytest.approx(DROP_ROW @ cov @ SHOULDER_ROW, rel=1e-4)


def test_measure_correlated_covariance_is_the_sandwich(straight_only):
    """With correlated noise the errors are those of (X'X)^-1 X'CX (X'X)^-1."""
    sigma, tie, nugget = 0.03, 3.0, 0.4
    cells = straight_cells(both_sides(), cell=1.0, length=60.0, extra=_even_noise(sigma, 2))
    stations = np.array([20.0, 40.0])
    noise = known_noise(2, sigma, correlation=tie, nugget=nugget)
    m = _measured(cells, known_breaks(stations), 24.0, noise=noise, average=10.0)
    for i, at in enumerate(stations):
        design, _, s, o = _one_side(cells, at, 10.0, 24.0)
        apart = np.hypot(s[:, None] - s, o[:, None] - o)
        c = np.where(apart == 0.0, 1.0, (1.0 - nugget) * np.exp(-apart / tie))
        left = np.linalg.inv(design.T @ design) @ design.T
        cov = sigma**2 * left @ c @ left.T
        for row, error in (
            (SHOULDER_ROW, m.shoulder_slope_se),
            (PAVEMENT_ROW, m.pavement_slope_se),
            (DROP_ROW, m.edge_drop_se),
        ):
            assert error[i, 1] == pytest.approx(np.sqrt(row @ cov @ row), rel=1e-4)
        assert m.slope_cov[i, 1] == pytest.approx(PAVEMENT_ROW @ cov @ SHOULDER_ROW, rel=1e-3)
        white = sigma**2 * SHOULDER_ROW @ np.linalg.inv(design.T @ design) @ SHOULDER_ROW
        inflation = SHOULDER_ROW @ cov @ SHOULDER_ROW / white
        share = m.effective_cells[i, 1] / m.cells[i, 1]
        assert share == pytest.approx(1.0 / inflation, rel=1e-3)


def test_measure_edge_error_reaches_the_drop():
    """An edge out by d shifts the drop by d times the breakover: its error says so."""
    cells = straight_cells(both_sides(pavement=0.02, shoulder=0.08))
    s0 = np.arange(20.0, 101.0, 20.0)
    sure, unsure = (
        _measured(cells, known_breaks(s0, edge_se=se), 24.0, noise=known_noise(5, 1e-3))
        for se in (0.0, 0.10)
    )
    more = np.sqrt(unsure.edge_drop_se**2 - sure.edge_drop_se**2)
    moved = _measured(cells, known_breaks(s0, edge=EDGE + 0.1), 24.0, noise=known_noise(5, 1e-3))
    assert 0.0 < np.abs(moved.edge_drop_mm).max() < 12.0
    np.testing.assert_allclose(more, np.abs(moved.edge_drop_mm), atol=4.0)


def test_measure_edge_that_nobody_sees_leaves_a_flush_slope_as_sure():
    """Gravel: a plane to the hinge has the same slope wherever its edge is taken to be.

    The noise of the step there was taken for one that the place of the edge could tilt slopes by,
    which made their variance 1.14 times as large.
    """
    s0 = np.arange(10.0, 291.0, 10.0)
    noise, z, more = known_noise(s0.size, 0.02), [], []
    for seed in range(4):
        cells = straight_cells(
            both_sides(pavement=0.04, shoulder=0.04), length=300.0, sigma=0.02, seed=seed
        )
        sure, unsure = (
            _measured(cells, known_breaks(s0, edge_se=se), 24.0, noise=noise) for se in (0.0, 0.3)
        )
        z.append((unsure.shoulder_slope_pct - 4.0) / unsure.shoulder_slope_se)
        more.append(np.mean(unsure.shoulder_slope_se**2) / np.mean(sure.shoulder_slope_se**2))
    assert np.mean(more) < 1.09
    assert 0.8 < np.sqrt(np.mean(np.square(z))) < 1.2


# -- worked examples (constructed, recomputed by hand) ---------------------------------------------


def _rows(cell, edge, lane, shoulder_z, *, rows=40):
    """Rows of cells square to the road: pavement level at 100.05, then the shoulder as given."""
    count = len(shoulder_z)
    x = (np.arange(-lane, count + 1) + 0.5) * cell
    z = np.concatenate([np.full(lane, 100.05), shoulder_z, [99.5]])
    s = (np.arange(rows) + 0.5) * cell
    ss, oo = (part.ravel() for part in np.meshgrid(s, x + edge, indexing="ij"))
    r, c = (part.ravel() for part in np.meshgrid(np.arange(rows), np.arange(x.size), indexing="ij"))
    cells = make_cells(ss, oo, np.tile(z, rows), r, c, cell)
    breaks = known_breaks(np.array([0.5 * rows * cell]), edge=edge, width=count * cell)
    return cells, breaks, rows * cell


def test_measure_worked_slope_fit(straight_only):
    """Constructed: heights 100.01, 99.97, 99.97, 99.93 a metre apart fall by 2.400 %.

    Intercept 100.006; residual SD 0.012649 gives a standard error of 0.5657 % for one section.
    """
    cells, breaks, length = _rows(1.0, 4.0, 3, [100.01, 99.97, 99.97, 99.93])
    m = _measured(cells, breaks, 0.0, noise=known_noise(1, 0.012649), average=length)
    assert m.shoulder_slope_pct[0, 1] == pytest.approx(2.400, abs=1e-3)
    assert m.shoulder_slope_se[0, 1] * np.sqrt(40) == pytest.approx(0.5657, rel=1e-3)
    first = m.edge_z_m[0, 1] - m.edge_drop_mm[0, 1] / 1000.0 - 0.024 * 0.5
    assert first == pytest.approx(100.006, abs=1e-4)


@pytest.mark.parametrize(
    ("cell", "sigma", "percent"), [(1.0, 0.03, 1.342), (1.0, 0.06, 2.683), (0.5, 0.03, 2.683)]
)
def test_measure_worked_slope_noise(straight_only, cell, sigma, percent):
    """Constructed: SD(slope) = s / sqrt(sum (x - xm)^2) for four cells across."""
    cells, breaks, length = _rows(cell, 4.0, 6, [100.0] * 4)
    m = _measured(cells, breaks, 0.0, noise=known_noise(1, sigma), average=length)
    assert m.shoulder_slope_se[0, 1] * np.sqrt(40) == pytest.approx(percent, rel=1e-3)


@pytest.mark.parametrize(
    ("cell", "lane", "count", "millimetres"),
    [(1.0, 3, 2, 39.8), (0.5, 7, 3, 28.6), (0.25, 14, 8, 17.8)],
)
def test_measure_worked_drop_noise(straight_only, cell, lane, count, millimetres):
    """Constructed: two lines extrapolated to the edge, s = 20 mm, cells at half cells."""
    cells, breaks, length = _rows(cell, 4.0, lane, [100.0] * count)
    m = _measured(cells, breaks, 0.0, noise=known_noise(1, 0.02), average=length)
    assert m.edge_drop_se[0, 1] * np.sqrt(40) == pytest.approx(millimetres, abs=0.06)


def test_measure_worked_averaging(straight_only):
    """Constructed: 30 mm, 20 cells half a metre either side of the middle give 1.34 points."""
    cells, breaks, length = _rows(1.0, 4.0, 3, [100.0] * 2, rows=10)
    m = _measured(cells, breaks, 0.0, noise=known_noise(1, 0.03), average=length)
    assert m.cells[0, 1] == 20
    assert m.shoulder_slope_se[0, 1] == pytest.approx(0.03 / np.sqrt(20 * 0.25) * 100.0, rel=1e-4)


# -- errors that come true -------------------------------------------------------------------------


@pytest.mark.parametrize(("tie", "nugget"), [(0.0, 1.0), (1.0, 0.4)])
def test_measure_z_scores(tie, nugget):
    """Errors of slope and drop over their standard errors scatter by one."""
    sigma, draws = 0.02, 20
    s0 = np.arange(15.0, 296.0, 30.0)
    clean = straight_cells(both_sides(drop=0.03), length=310.0, half=7.0)
    breaks = known_breaks(s0)
    noise = known_noise(s0.size, sigma, correlation=tie, nugget=nugget)
    shape = int(clean.row.max()) + 1, int(clean.col.max()) + 1
    z = {name: [] for name in ("slope", "pavement", "drop")}
    for draw in range(draws):
        field = correlated_noise(
            shape,
            0.5,
            np.random.default_rng([7, draw]),
            sigma_m=sigma,
            correlation_m=tie,
            nugget=nugget,
        )
        m = _measured(
            replace(clean, z=clean.z + field[clean.row, clean.col]), breaks, 24.0, noise=noise
        )
        z["slope"].append((m.shoulder_slope_pct - 4.0) / m.shoulder_slope_se)
        z["pavement"].append((m.pavement_slope_pct - 2.0) / m.pavement_slope_se)
        z["drop"].append((m.edge_drop_mm - 30.0) / m.edge_drop_se)
    for name, parts in z.items():
        pooled = np.concatenate([part.ravel() for part in parts])
        assert pooled.size == draws * 2 * s0.size
        assert 0.85 < pooled.std() < 1.15, name
        assert abs(pooled.mean()) < 0.2, name


def _bump(at, o_from, o_to, length, height):
    def add(s, o):
        return height * ((np.abs(s - at) < 0.5 * length) & (o > o_from) & (o < o_to))

    return add


@pytest.mark.parametrize(
    "thing",
    [
        _bump(60.0, 3.9, 4.8, 1.2, 0.6),  # a bush
        _bump(62.0, 2.6, 4.4, 4.5, 1.4),  # a parked car, half on the shoulder
        _bump(57.0, 4.2, 4.7, 0.5, 1.1),  # a mailbox
    ],
    ids=["bush", "parked car", "mailbox"],
)
def test_measure_leaves_out_things(thing):
    """What stands on the shoulder changes its slope by less than one standard error."""
    s0 = np.array([60.0])
    for seed in range(4):
        options = {"sigma": 0.02, "seed": seed}
        clear = straight_cells(both_sides(), **options)
        spoiled = replace(clear, z=clear.z + thing(clear.s, clear.o))
        assert not np.array_equal(clear.z, spoiled.z)
        m, n = (_measured(c, known_breaks(s0), 24.0) for c in (clear, spoiled))
        away = np.abs(n.shoulder_slope_pct - m.shoulder_slope_pct)[0, 1]
        assert away < m.shoulder_slope_se[0, 1]
        assert n.outlier_share[0, 1] > m.outlier_share[0, 1]
        assert abs(n.edge_drop_mm - m.edge_drop_mm)[0, 1] < m.edge_drop_se[0, 1]


# -- unknown stays unknown -------------------------------------------------------------------------


def _numbers(m, i, side):
    skip = ("status", "reason", "cells", "average_m", "shoulder_width_m")
    return {f.name: getattr(m, f.name)[i, side] for f in fields(m) if f.name not in skip}


def test_measure_hole_is_no_data():
    """Without cells on a side there is no number and a status that says so."""
    cells = straight_cells(both_sides(), sigma=0.02)
    hole = (cells.o > 1.0) & (np.abs(cells.s - 60.0) < 15.0)
    keep = make_cells(
        cells.s, cells.o, np.where(hole, np.nan, cells.z), cells.row, cells.col, cells.cell_m
    )
    m = _measured(keep, known_breaks(np.array([20.0, 60.0, 100.0])), 24.0)
    assert m.status[1, 1] == Status.NO_DATA and m.reason[1, 1].kind == Why.FEW_CELLS
    assert all(np.isnan(value).all() for value in _numbers(m, 1, 1).values())
    assert m.status[1, 0] == Status.OK
    assert all(np.isfinite(value).all() for value in _numbers(m, 1, 0).values())
    assert (m.status[[0, 2]] == Status.OK).all()


def test_measure_nan_heights_count_as_holes():
    """Unknown heights among the cells give the same as leaving those cells out."""
    cells = straight_cells(both_sides(), sigma=0.02)
    gone = np.random.default_rng(5).random(cells.z.size) < 0.3
    gone |= (np.abs(cells.s - 100.0) < 11.0) & (cells.o < 0.0)
    holed = replace(cells, z=np.where(gone, np.nan, cells.z))
    left = make_cells(cells.s, cells.o, holed.z, cells.row, cells.col, cells.cell_m)
    breaks = known_breaks(np.array([20.0, 60.0, 100.0]))
    a, b = _measured(holed, breaks, 24.0), _measured(left, breaks, 24.0)
    for f in fields(a):
        np.testing.assert_array_equal(getattr(a, f.name), getattr(b, f.name), err_msg=f.name)
    assert a.status[2, 0] == Status.NO_DATA


def test_measure_masked_cells_dont_count():
    """A masked access changes nothing but the number of cells."""
    cells = straight_cells(both_sides(), sigma=0.02)
    access = (cells.o > 3.0) & (np.abs(cells.s - 62.0) < 3.0)
    spoiled = replace(cells, z=cells.z + 0.3 * access)
    breaks = known_breaks(np.array([60.0]))
    masked = _measured(spoiled, breaks, 24.0, mask=access)
    clear = _measured(cells, breaks, 24.0, mask=access)
    for name in VALUES + ERRORS:
        np.testing.assert_array_equal(getattr(masked, name), getattr(clear, name))
    assert masked.cells[0, 1] < masked.cells[0, 0]


def test_measure_without_shoulder():
    """No hinge: whatever is told, it is no shoulder slope."""
    cells = straight_cells(both_sides(width=0.0), sigma=0.01)
    breaks = known_breaks(np.array([60.0]), width=np.nan)
    m = _measured(cells, breaks, 24.0)
    assert np.isnan(m.shoulder_width_m).all()
    assert (m.status == Status.NO_DATA).all()
    assert np.isnan(m.shoulder_slope_pct).all() and np.isnan(m.edge_drop_mm).all()


# -- nothing depends on where the road lies --------------------------------------------------------


@settings(max_examples=6)
@given(
    st.floats(0.0, 90.0), st.floats(-0.03, 0.08), st.floats(-0.06, 0.06), st.integers(0, 2**31 - 1)
)
def test_measure_mirrored_reversed_shifted(azimuth, shoulder, drop, seed):
    """Left and right, up and down the road, height and origin are only names."""
    # no cell right on the end of a window
    s, o, row, col = lattice(azimuth_deg=azimuth, length=60.0, shift=(0.0712, 0.0))
    right = o > 0.0
    z = np.where(
        right,
        crown_section(np.abs(o), shoulder=shoulder, drop=drop),
        crown_section(np.abs(o), width=1.2),
    )
    z = 40.0 + 0.02 * s + z + 0.02 * np.random.default_rng(seed).standard_normal(s.size)
    s0 = np.array([20.0, 30.0, 40.0])
    width = np.tile([1.2, WIDTH], (3, 1))
    breaks = known_breaks(s0, width=width, edge_se=0.05, hinge_se=0.1)
    base = _measured(make_cells(s, o, z, row, col, 0.5), breaks, azimuth)
    lifted = _measured(make_cells(s, o, z + 1234.5, row, col, 0.5), breaks, azimuth)
    moved = _measured(
        make_cells(s + 5000.0, o, z, row + 99, col + 7, 0.5),
        replace(breaks, s=s0 + 5000.0),
        azimuth,
    )
    flipped = replace(breaks, hinge=breaks.hinge[:, ::-1].copy())
    mirrored = _measured(make_cells(s, -o, z, row, col, 0.5), flipped, azimuth)
    back = np.argsort(60.0 - s, kind="stable")
    turned = _measured(
        make_cells((60.0 - s)[back], -o[back], z[back], row[back], col[back], 0.5),
        replace(flipped, hinge=flipped.hinge[::-1].copy()),
        azimuth,
    )
    for name in VALUES + ERRORS:
        value = getattr(base, name)
        np.testing.assert_allclose(getattr(lifted, name), value, rtol=1e-5, atol=1e-5)
        np.testing.assert_allclose(getattr(moved, name), value, rtol=1e-5, atol=1e-5)
        np.testing.assert_allclose(getattr(mirrored, name)[:, ::-1], value, rtol=1e-5, atol=1e-5)
        sign = -1.0 if name == "grade_pct" else 1.0
        other = sign * getattr(turned, name)[::-1, ::-1]
        np.testing.assert_allclose(other, value, rtol=1e-5, atol=1e-5)


def test_measure_polygon_of_a_cell():
    """The box widths that the fits use are those of the cell's own outline."""
    outline = Polygon(_footprint(0.5, 24.0))
    west, _, east, _ = outline.bounds
    assert turned_box(0.5, 24.0).sum() == pytest.approx(east - west)


def test_errors_too_large_for_any_verdict_are_withheld_also_beside_a_hole():
    """At the end of a grid most of the cells are missing; what is left tells nothing to go by."""
    s = np.array([0.0, 60.0])
    cells = straight_cells(both_sides(width=2.0), cell=1.0, length=120.0, sigma=0.2, seed=2)
    near = cells.part(cells.s > 5.0)
    noise = Noise(np.full(2, 0.2), np.zeros(2), np.ones(2), "given")
    breaks = known_breaks(s, width=2.0, edge_se=0.3, hinge_se=0.2)
    measures, _ = measure_sides(near, breaks, noise, box_m=box_for(2, 1.0, 24.0))
    assert not (measures.status[0] == Status.OK).any()
    assert np.isnan(measures.shoulder_slope_pct[0]).all()
