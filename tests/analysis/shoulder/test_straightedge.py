"""Ruts and ridges: against hulls from elsewhere, closed forms, and shoulders whose rut is known."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.special import k1

from analysis.common.settings import Settings
from analysis.corridor.line_noise import line_correlation
from analysis.corridor.values import Cells
from analysis.edges.values import Breaks
from analysis.road.roadline import make_road
from analysis.shoulder.section_gaps import LOOSE_M, Sighted, chance_deeper, section_gaps
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.straightedge import STRAIGHTEDGE_M, TOLD, detectable_rut_mm
from analysis.shoulder.straightedge_kernels import largest_gaps
from analysis.shoulder.values import Noise
from analysis.study.screening import screen
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain

EDGE, WIDTH = 3.5, 1.5
SQUARE = np.array([0.9, 0.45])


def _hump(x, middle, half):
    off = np.abs(x - middle)
    return np.where(off < half, 0.5 + 0.5 * np.cos(np.pi * off / half), 0.0)


def _rut(depth, *, width=WIDTH, middle=0.42, half=0.42):
    return lambda x: -depth * _hump(x, middle * width, half)


# -- the straightedge itself -----------------------------------------------------------------------


def straightedge_gaps(x, z, length_m=STRAIGHTEDGE_M):
    """Rut and ridge of one section of which every point is known."""
    out = np.empty((1, 2))
    largest_gaps(np.atleast_2d(x), np.atleast_2d(z), length_m, out)
    return out[0]


@pytest.mark.parametrize(
    ("z", "rut", "ridge"),
    [
        ([0.0, -0.02, -0.04, -0.06], 0.0, 0.0),  # straight
        ([0.0, -0.05, 0.0, 0.0], 0.05, 0.025),  # a rut: what is beside it rises over its bottom
        ([0.0, 0.05, 0.0, 0.0], 0.025, 0.05),  # a ridge is its mirror image
        ([0.0, 0.03, 0.04, 0.03], 0.0, 0.02),  # crowned: nothing under it, a rise above its ends
    ],
)
def test_straightedge_gaps_closed_forms(z, rut, ridge):
    """Four points half a metre apart; the gaps follow from similar triangles."""
    found = straightedge_gaps([0.0, 0.5, 1.0, 1.5], z)
    np.testing.assert_allclose(found, (rut, ridge), atol=2e-4)


def test_straightedge_gaps_square_to_the_edge():
    """Turning the whole section doesn't change a depth (ASTM E1703 3.2.1: perpendicular)."""
    x = np.linspace(0.0, 1.5, 61)
    z = _rut(0.06)(x)
    turn = np.deg2rad(6.0)
    tilted = x * np.cos(turn) + z * np.sin(turn), -x * np.sin(turn) + z * np.cos(turn)
    level = straightedge_gaps(x, z, length_m=5.0)
    np.testing.assert_allclose(straightedge_gaps(*tilted, length_m=5.0), level, atol=1e-4)


@given(st.lists(st.floats(-0.1, 0.1), min_size=3, max_size=25))
def test_straightedge_gaps_equal_scipys_hull(heights):
    """With a straightedge longer than the shoulder both gaps are those to the convex hull."""
    z = np.array(heights)
    x = np.linspace(0.0, 1.5, z.size)
    # a corner far below (above) leaves the upper (lower) hull alone
    for sign, found in zip((1.0, -1.0), straightedge_gaps(x, z, length_m=5.0), strict=True):
        points = np.column_stack([np.append(x, [0.0, 1.5]), np.append(sign * z, [-9.0, -9.0])])
        planes = ConvexHull(points).equations
        upper = planes[planes[:, 1] > 1e-9]
        gaps = -(upper[:, :2] @ points[:-2].T + upper[:, 2:]).max(axis=0)
        assert found == pytest.approx(max(gaps.max(), 0.0), abs=1e-9)


@given(st.lists(st.floats(-0.1, 0.1), min_size=3, max_size=14), st.floats(0.3, 2.5))
def test_straightedge_gaps_short_equals_every_pair(heights, length):
    """A short straightedge: the best of all pairs of points that it can rest on."""
    z = np.array(heights)
    x = np.linspace(0.0, 2.0, z.size)
    for sign, found in zip((1.0, -1.0), straightedge_gaps(x, z, length_m=length), strict=True):
        best = 0.0
        for a in range(z.size):
            for b in range(a + 2, z.size):
                if x[b] - x[a] > length + 1e-9:
                    break
                slope = (z[b] - z[a]) / (x[b] - x[a])
                under = sign * (z[a] + slope * (x[a : b + 1] - x[a]) - z[a : b + 1])
                if under.min() >= -1e-12:
                    best = max(best, under.max() / np.hypot(1.0, slope))
        assert found == pytest.approx(best, abs=1e-9)


def test_straightedge_gaps_longer_finds_no_less():
    """Both lengths that ASTM E1703 allows (1.73 and 3.66 m, from memory) on a 4 m wide shoulder."""
    x = np.linspace(0.0, 4.0, 81)
    z = -0.08 * _hump(x, 2.0, 1.9)
    short, long = (straightedge_gaps(x, z, length_m=length)[0] for length in (1.73, 3.66))
    assert 0.02 < short < long <= 0.08


# -- noise along the road --------------------------------------------------------------------------


def test_line_correlation_bessel():
    """Long lines of small cells: 2 d K1(d / L) / length, and 2 L / length for one line."""
    d, length, tie = np.array([0.0, 0.5, 1.0, 3.0]), 2000.0, 1.5
    found = line_correlation(d, length, cell_m=0.01, correlation_m=tie, nugget=0.25)
    expected = 0.75 * 2.0 * np.append(tie, d[1:] * k1(d[1:] / tie)) / length
    np.testing.assert_allclose(found, expected, rtol=0.01)


@pytest.mark.parametrize("tie", [0.5, 2.0])
def test_line_correlation_lattice(tie):
    """Variance of a band's mean on a slanting lattice, summed over all pairs of its cells."""
    c, length, band, nugget = 0.5, 20.0, 1.0, 0.3
    i, j = (part.ravel() for part in np.mgrid[-60:60, -60:60])
    turn = np.arctan(0.4)
    s = c * (i * np.cos(turn) - j * np.sin(turn))
    x = c * (i * np.sin(turn) + j * np.cos(turn))
    inside = (np.abs(s) < 0.5 * length) & (np.abs(x) < 0.5 * band)
    s, x = s[inside], x[inside]
    apart = np.hypot(s[:, None] - s, x[:, None] - x)
    exact = np.where(apart == 0.0, 1.0, (1.0 - nugget) * np.exp(-apart / tie)).mean()
    u = (np.arange(40) + 0.5) * band / 40
    lines = line_correlation(
        u[:, None] - u, length, cell_m=c, correlation_m=tie, nugget=nugget
    ).mean()
    assert 1.0 / s.size + lines == pytest.approx(exact, rel=0.05)


def test_line_correlation_white():
    """Nothing but the cells themselves."""
    assert line_correlation(0.0, 20.0, cell_m=0.5, correlation_m=0.0, nugget=1.0) == 0.0
    assert line_correlation(0.0, 20.0, cell_m=0.5, correlation_m=2.0, nugget=1.0) == 0.0


# -- estimates from binned sections ----------------------------------------------------------------


def _binned(profile, *, cell=0.5, sigma=0.02, average=20.0, width=WIDTH, n=300, seed=1):
    """Means in bins across for n shoulders: the ground averaged over each cell, then noise.

    The averaging is a plain mean over points spread evenly in the cell.
    """
    dice = np.random.default_rng(seed)
    box = np.tile(cell * SQUARE, (n, 1))
    margin = 0.5 * box[0].sum()
    bins = int(np.ceil((width + 2.0 * margin) / max(0.1, 0.2 * cell)))
    size = (width + 2.0 * margin) / bins
    x = -margin + (np.arange(bins) + 0.5) * size
    part = (np.arange(40) + 0.5) / 40 - 0.5
    inside = x[:, None, None] + box[0, 0] * part[:, None] + box[0, 1] * part
    on = (inside >= 0.0) & (inside <= width)
    ground = np.where(on, profile(inside), np.where(inside > width, profile(width), 0.0))
    mean = ground.mean(axis=(1, 2))
    spread = sigma / np.sqrt(average * size / cell**2)
    covariance = np.tile(np.eye(bins) * (spread**2 + 1e-6), (n, 1, 1))
    noisy = mean + spread * dice.standard_normal((n, bins))
    return np.full(n, width), np.tile(x, (n, 1)), noisy, covariance, box


def _gaps(profile, **options):
    binned = _binned(profile, **options)
    wide = binned[0]
    return section_gaps(
        Sighted(*binned, wide[0]), length_m=STRAIGHTEDGE_M, step_m=np.full(wide.size, LOOSE_M)
    )


def _gaps_mm(profile, **options):
    """Rut and ridge with their errors, and the depth of a wheel rut that is told from none."""
    found = _gaps(profile, **options)
    middle = found.middle_m
    spread = np.sqrt(found.square_m2 - 2.0 * middle * found.mean_m + middle**2)
    middle, spread = 1000.0 * middle, 1000.0 * np.hypot(spread, 0.08 * middle)
    return middle[:, 0], spread[:, 0], middle[:, 1], spread[:, 1], 1000.0 * TOLD / found.clear_per_m


def test_section_gaps_gives_back_what_a_cell_takes():
    """A cell of 0.5 m takes a quarter off a wheel rut; the estimate has it again.

    Mean of ``(1 + cos(pi x / h)) / 2`` over a box of width c is ``(1 + sinc(c / 2h)) / 2``.
    """
    half, depth = 0.42, 60.0
    rut = _rut(0.001 * depth, middle=0.5, half=half)
    kept = np.prod([np.sinc(0.5 * 0.5 * size / half) for size in SQUARE])
    smeared = 0.5 * (1.0 + kept)
    assert smeared < 0.8
    _, x, naive, _, _ = _binned(rut, sigma=1e-9, n=1)
    at_bottom = np.interp(0.5 * WIDTH, x[0], naive[0])
    assert -1000.0 * at_bottom == pytest.approx(smeared * depth, rel=0.03)
    # how wide it is, the cells hardly tell: a wide one may be narrower and deeper, and the reverse
    wide, narrow = (
        _gaps_mm(_rut(0.001 * depth, middle=0.5, half=of))[0].mean() for of in (half, 0.3)
    )
    assert 0.5 * (wide + narrow) == pytest.approx(depth, abs=5.0)
    assert (wide, narrow) == pytest.approx((depth, depth), abs=8.0)


def test_section_gaps_sound_isnt_accused():
    """A straight shoulder: P(rut > 30 mm) under 3 % on the mean, whatever noise does."""
    found = _gaps(lambda x: 0.0 * x, n=1000)
    over = chance_deeper(found.over, 30.0)
    assert over.mean() < 0.03
    assert (over > 0.5).mean() < 0.002
    # and what it shows is no bigger than its error
    rut, rut_se, ridge, ridge_se, _ = _gaps_mm(lambda x: 0.0 * x, n=1000)
    for value, se in ((rut, rut_se), (ridge, ridge_se)):
        assert np.mean(value <= 2.0 * se) > 0.99


SHAPES = {
    "V": lambda off: np.maximum(1.0 - np.abs(off) / 0.3, 0.0),
    "wheel": lambda off: _hump(off, 0.0, 0.3),
    "box": lambda off: np.clip((0.3 - np.abs(off)) / 0.1, 0.0, 1.0),
}


@pytest.mark.parametrize(
    ("cell", "sigma", "most"),
    [(0.25, 0.02, 1.4), (0.5, 0.01, 1.55), (0.5, 0.03, 1.6), (1.0, 0.02, 1.4)],
)
def test_section_gaps_say_no_confident_wrong_number(cell, sigma, most):
    """Ruts of 0 to 60 mm of any place and shape: seen, or with an error that admits of them."""
    x = np.linspace(0.0, WIDTH, 601)
    z = []
    for shape, middle, depth in itertools.product(SHAPES, (0.3, 0.65, 1.0), (0.0, 0.03, 0.06)):

        def profile(x, shape=shape, middle=middle, depth=depth):
            return -depth * SHAPES[shape](x - middle)

        rut, se, *_ = _gaps_mm(profile, cell=cell, sigma=sigma, n=60)
        z.append((rut - 1000.0 * straightedge_gaps(x, profile(x))[0]) / se)
    assert np.sqrt(np.mean(np.square(z))) < most
    assert np.mean(np.abs(z) > 3.0) < 0.06


@pytest.mark.parametrize(("cell", "depth"), [(0.25, 0.035), (0.5, 0.05), (0.5, 0.08), (0.25, 0.08)])
def test_section_gaps_errors_come_true(cell, depth):
    """Ruts well over the detectable depth: errors scatter as the standard errors say."""
    profile = _rut(depth)
    rut, se, ridge, ridge_se, detectable = _gaps_mm(profile, cell=cell)
    x = np.linspace(0.0, WIDTH, 301)
    true_rut, true_ridge = (1000.0 * v for v in straightedge_gaps(x, profile(x)))
    assert true_rut > detectable.mean()
    z = (rut - true_rut) / se
    assert abs(z.mean()) < 1.0 and 0.4 < z.std() < 1.25
    assert np.mean(np.abs(z) < 2.0) > 0.9
    z = (ridge - true_ridge) / ridge_se
    assert abs(z.mean()) < 1.0 and 0.4 < z.std() < 1.3


@pytest.mark.parametrize(
    ("cell", "sigma", "average"), [(0.25, 0.02, 20.0), (0.5, 0.02, 20.0), (1.0, 0.01, 40.0)]
)
def test_section_gaps_detectable_is_detected(cell, sigma, average):
    """A wheel rut of the detectable depth looks unlike none 95 times in a hundred.

    "Unlike" is above what 95 % of sound shoulders show.
    """
    options = {"cell": cell, "sigma": sigma, "average": average}
    sound = _gaps_mm(lambda x: 0.0 * x, seed=2, n=600, **options)
    depth = float(sound[4].mean())
    found = _gaps_mm(_rut(0.001 * depth, middle=0.5, half=0.4), n=600, **options)[0]
    assert np.mean(found > np.quantile(sound[0], 0.95)) >= 0.93
    half_as_deep = _gaps_mm(_rut(0.0005 * depth, middle=0.5, half=0.4), n=600, **options)[0]
    assert np.mean(half_as_deep > np.quantile(sound[0], 0.95)) < 0.9


def test_section_gaps_a_coarse_grid_says_little():
    """Cells of 2 m: whatever lies on the shoulder, its error stays wide and nothing is claimed."""
    rut, se, _, _, detectable = _gaps_mm(_rut(0.06), cell=2.0)
    assert detectable.mean() > 100.0
    over = chance_deeper(_gaps(_rut(0.06), cell=2.0).over[:, 0], 30.0)
    assert np.mean(over > 0.8) < 0.01 and np.mean(over < 0.02) < 0.01
    assert (np.abs(rut - 60.0) / se).max() < 3.0


def test_section_gaps_mirror():
    """A ridge is found as its mirror image would be as a rut."""
    down = _gaps_mm(_rut(0.05), n=400)
    up = _gaps_mm(lambda x: -_rut(0.05)(x), n=400)
    assert up[2].mean() == pytest.approx(down[0].mean(), abs=2.0)
    assert up[0].mean() == pytest.approx(down[2].mean(), abs=2.0)


def test_section_gaps_repeat():
    """The same sections give the same numbers to the last digit."""
    for a, b in zip(_gaps_mm(_rut(0.04), n=5), _gaps_mm(_rut(0.04), n=5), strict=True):
        np.testing.assert_array_equal(a, b)


def test_detectable_rut_orders():
    """Less noise, smaller cells and longer averaging show shallower ruts."""
    base = detectable_rut_mm(0.5, 0.02, 1.5, 20.0)
    assert detectable_rut_mm(0.5, 0.01, 1.5, 20.0) < base
    assert detectable_rut_mm(0.25, 0.02, 1.5, 20.0) < 0.6 * base
    assert detectable_rut_mm(0.5, 0.02, 1.5, 80.0) < 0.6 * base
    assert detectable_rut_mm(1.0, 0.02, 1.5, 20.0) > 1.5 * base


@pytest.mark.parametrize(("cell", "tie"), [(0.5, 0.0), (0.5, 0.8), (0.25, 0.5)])
def test_detectable_rut_cell_by_cell(cell, tie):
    """The same from all cells of a lattice with their full covariance, without any bins.

    Generalised least squares of a rut of known place and shape beside a free step, line and
    foreslope; its depth is told from none where it is 1.645 + 2.326 standard errors.
    """
    sigma, width, average, nugget = 0.02, 1.5, 10.0, 0.3
    turn = np.arctan(0.39 / 0.92)
    reach = int(average / cell)
    i, j = (part.ravel() for part in np.mgrid[-reach:reach, -reach:reach])
    s = cell * (i * np.cos(turn) - j * np.sin(turn))
    x = cell * (i * np.sin(turn) + j * np.cos(turn)) + 0.5 * width + 0.1
    margin = 0.5 * cell * (np.cos(turn) + np.sin(turn))
    near = (np.abs(s) < 0.5 * average) & (x > -margin) & (x < width + margin)
    s, x = s[near], x[near]
    part = (np.arange(24) + 0.5) / 24 - 0.5
    inside = x[:, None, None] + cell * (np.cos(turn) * part[:, None] + np.sin(turn) * part)
    off = inside - 0.5 * width
    rut = np.where(np.abs(off) < 0.4, 0.5 + 0.5 * np.cos(np.pi * off / 0.4), 0.0)
    beside = (inside > 0.0, np.clip(inside, 0.0, width), np.maximum(inside - width, 0.0))
    design = np.column_stack([part.mean(axis=(1, 2)) for part in (rut, *beside)])
    apart = np.hypot(s[:, None] - s, x[:, None] - x)
    covariance = np.eye(s.size)
    if tie > 0.0:
        covariance = np.where(apart == 0.0, 1.0, (1.0 - nugget) * np.exp(-apart / tie))
    information = design.T @ np.linalg.solve(sigma**2 * covariance, design)
    exact = 1000.0 * (1.645 + 2.326) * np.sqrt(np.linalg.inv(information)[0, 0])
    found = detectable_rut_mm(cell, sigma, width, average, correlation_m=tie, nugget=nugget)
    assert found == pytest.approx(exact, rel=0.15)


# -- from cells ------------------------------------------------------------------------------------


def _cells_and_breaks(profile, *, cell=0.5, sigma=0.0, length=80.0, seed=4):
    """A straight road on a slanting lattice, `profile` added to its right shoulder."""
    turn = np.arctan(0.45)
    reach = int(1.2 * length / cell)
    i, j = (part.ravel() for part in np.mgrid[-reach:reach, -reach:reach])
    box = cell * np.array([np.cos(turn), np.sin(turn)])
    s = cell * (i * np.cos(turn) - j * np.sin(turn))
    o = cell * (i * np.sin(turn) + j * np.cos(turn))
    near = (np.abs(s - 0.5 * length) < 0.5 * length) & (np.abs(o) < 9.0)
    s, o, i, j = s[near], o[near], i[near], j[near]
    part = (np.arange(12) + 0.5) / 12 - 0.5
    across = (o[:, None, None] + box[0] * part[:, None] + box[1] * part).reshape(o.size, -1)
    u = np.abs(across)
    z = np.interp(u, [0.0, EDGE, EDGE + WIDTH, 9.0], [0.0, -0.07, -0.13, -1.13])
    on = (across > EDGE) & (across < EDGE + WIDTH)
    z = (z + np.where(on, profile(across - EDGE), 0.0)).mean(axis=1) + 50.0 + 0.02 * s
    z += sigma * np.random.default_rng(seed).standard_normal(z.size)
    order = np.argsort(s, kind="stable")
    cells = Cells(
        s=s[order],
        o=o[order],
        z=z[order],
        row=i[order].astype(np.int32),
        col=j[order].astype(np.int32),
        cell_m=cell,
    )
    stations = np.arange(15.0, length - 14.0, 10.0)

    def both(value):
        return np.full((stations.size, 2), float(value))

    given = np.full((stations.size, 2), 2, np.int8)
    breaks = Breaks(
        s=stations,
        axis=np.zeros(stations.size),
        axis_source=np.ones(stations.size, np.int8),
        edge=both(EDGE),
        edge_se=both(0.02),
        edge_confidence=both(1.0),
        edge_source=given,
        hinge=both(EDGE + WIDTH),
        hinge_se=both(0.02),
        hinge_confidence=both(1.0),
        hinge_source=given,
        ditch=both(np.nan),
        ditch_source=given,
        crowned=np.ones(stations.size, bool),
    )
    n = stations.size
    noise = Noise(np.full(n, max(sigma, 0.005)), np.zeros(n), np.ones(n), "given")
    return cells, breaks, noise, np.tile(box, (n, 1))


def test_measure_rut_on_cells():
    """A rut on the right shoulder of a made road: right there, none on the left."""
    cells, breaks, noise, box = _cells_and_breaks(_rut(0.06), sigma=0.01)
    measures, _ = measure_sides(cells, breaks, noise, average_m=20.0, box_m=box)
    right, left = measures.rut_mm[:, 1], measures.rut_mm[:, 0]
    np.testing.assert_allclose(right, 60.0, atol=12.0)
    assert (np.abs(right - 60.0) <= 2.5 * measures.rut_se[:, 1]).all()
    assert (left < 8.0).all()
    assert (measures.rut_detectable_mm < 30.0).all()


def test_measure_ruts_under_a_mask_are_unknown():
    """Where all of a shoulder is masked nothing is said about ruts."""
    cells, breaks, noise, box = _cells_and_breaks(_rut(0.06), sigma=0.01)
    mask = cells.o > 2.0
    measures, _ = measure_sides(cells, breaks, noise, average_m=20.0, box_m=box, mask=mask)
    rut, se = measures.rut_mm[:, 1], measures.rut_se[:, 1]
    assert (np.isnan(rut) | (se > 10.0)).all()
    assert np.isfinite(measures.rut_mm[:, 0]).all()


@pytest.fixture(scope="module")
def unseen(tmp_path_factory):
    """An unseen road screened with default settings, and its truth."""
    spec = random_spec(
        7, "ordinary", length_m=700.0, shoulder_width_m=1.8, defects=("rutted", "flat")
    )
    scene = make_scene(spec, seed=7)
    path = tmp_path_factory.mktemp("rutted") / "grid.tif"
    write_terrain(scene, path, compress=False)
    grid = open_terrain(str(path))
    road = make_road("Wennick Row", scene.roads[0].xy)
    study = screen(grid, [road], Settings(shoulder_width_m=1.8))
    return study.roads[0], scene.roads[0].truth(study.roads[0].s)


def test_unseen_road_ruts_found_and_sound_left_alone(unseen):
    """Stations on rutted stretches show a rut over 30 mm, sound and flat ones none at all."""
    part, truth = unseen
    clear = (truth.kind == "shoulder") & ~truth.edge_of_stretch & (part.measures.status == 0)
    rutted = clear & (truth.cause == "rutted")
    even = clear & np.isin(truth.cause, ["none", "flat"])
    assert rutted.sum() >= 8 and even.sum() >= 60
    p = part.judged.judgement.p_rut
    assert np.mean(p[rutted] > 0.5) >= 0.8
    assert np.mean(p[even] > 0.2) <= 0.01
    named = part.judged.judgement.finding[even]
    assert not (named == "rutted").any()
