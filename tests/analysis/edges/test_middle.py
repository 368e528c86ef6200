"""The middle of the road: found between banks, walls and kerbs, or said not to be found."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from analysis.common.limits import default_limits
from analysis.common.settings import Settings
from analysis.common.sides import Source
from analysis.corridor.values import Case, Extras, Grain, Ground
from analysis.edges.at_stations import contradicted, nominal_breaks
from analysis.edges.find_breaks import find
from analysis.edges.middle import (
    KERB,
    LINE_SHARES,
    PARTS,
    Middle,
    RoadSection,
    Widths,
    _settle,
    behind_kerbs,
    find_middle,
    section_shapes,
    tie_places,
    ways_on,
)
from analysis.edges.values import Overrides
from tests.builders.cells_road import LANE, both_sides, box_for, straight_cells
from tests.builders.roadsides import PAVEMENT_WIDTHS, ROADSIDES, section, twin_roads, without_road

STATIONS = np.arange(20.0, 181.0, 10.0)

USUAL_GRAIN, SHARED_GRAIN = Grain(), Grain(triangles=1.0, shared_m2=2.6)
"""Cells that each tell for themselves, and cells of a published grid of 1 m (measured on a grid of
a national survey: 2.6 and 3.3 m² of ground for each independent height)."""

TWINS = {"pavement_width_m": 4.0, "shoulder_width_m": 0.5}
"""Sizes of each of the twin roads."""


def _found(
    profile,
    *,
    line_off=0.0,
    cell=0.5,
    sigma=0.02,
    overrides=None,
    seed=3,
    grain=USUAL_GRAIN,
    **settings,
):
    """Breaks of a straight road whose line lies so far left of its middle."""
    cells = straight_cells(
        lambda o: profile(o - line_off), cell=cell, length=200.0, half=14.0, sigma=sigma, seed=seed
    )
    box = box_for(STATIONS.size, cell, 24.0)
    case = Case(None, LANE, STATIONS, box, Settings(**settings), default_limits(), Extras(), grain)
    return find(case, Ground(cells, None), overrides or Overrides())


def _between(breaks):
    return 0.5 * (breaks.edge[:, 1] - breaks.edge[:, 0])


@pytest.mark.parametrize("line_off", [0.0, 0.8, -1.7, 2.5])
@pytest.mark.parametrize("roadside", ROADSIDES)
def test_find_between_roadsides(roadside, line_off):
    """Where the road is said to be found, its middle is within half a metre."""
    found = _found(
        ROADSIDES[roadside],
        line_off=line_off,
        pavement_width_m=PAVEMENT_WIDTHS[roadside],
        shoulder_width_m=1.0,
    )
    there = ~found.lost()
    assert (np.abs(_between(found) - line_off)[there] <= 0.5).all()
    # all of these roads show themselves
    assert there.mean() > 0.8


@pytest.mark.parametrize("roadside", ROADSIDES)
def test_find_on_coarse_cells(roadside):
    """The same on cells of 1 m with the noise of an old survey."""
    found = _found(
        ROADSIDES[roadside],
        line_off=1.0,
        cell=1.0,
        sigma=0.03,
        pavement_width_m=PAVEMENT_WIDTHS[roadside],
        shoulder_width_m=1.0,
    )
    assert (np.abs(_between(found) - 1.0)[~found.lost()] <= 0.8).all()


@pytest.mark.parametrize("seed", [3, 5, 6])
def test_find_beside_unequal_shoulders(seed):
    """Shoulders of 0.3 and 1.2 m, and ground of its own shape beyond them, on cells of 1 m.

    The hinges, all that shows, lie 0.45 m to one side: beside a line that is right to a metre they
    don't move the road far.
    """
    left = ([0.0, 0.3, 1.5, 2.2, 4.2, 6.0, 30.0], [0.0, -0.01, -0.4, -0.3, -0.1, 0.5, 0.9])
    right = ([0.0, 1.2, 2.6, 4.5, 5.5, 30.0], [0.0, -0.06, -0.4, -0.2, -0.4, -0.9])
    found = _found(
        section(left, right, 2.6),
        cell=1.0,
        sigma=0.03,
        seed=seed,
        grain=SHARED_GRAIN,
        pavement_width_m=5.0,
        shoulder_width_m=1.0,
        search_m=1.0,
    )
    assert not found.lost().any()
    assert (np.abs(_between(found)) <= 0.5).all()


def test_a_road_without_edges_is_weighed_once(monkeypatch):
    """Its breaks are searched twice, but it lies where it lay: places are weighed in two passes."""
    weighed = []

    def weigh(*given, **options):
        weighed.append(given)
        return find_middle(*given, **options)

    monkeypatch.setattr("analysis.edges.find_breaks.find_middle", weigh)
    plane = both_sides(pavement=0.04, shoulder=0.04)
    found = _found(plane, line_off=0.5, paved=False)
    assert len(weighed) == 2 and (found.edge_source == Source.NOMINAL).all()


def test_find_says_which_places_compete():
    """Between two like roads neither is taken: both places are told, nothing counts as found."""
    found = _found(twin_roads, **TWINS, search_m=4.0)
    assert found.lost().all()
    assert (found.edge_source == Source.NOMINAL).all() and (found.edge_confidence == 0.0).all()
    np.testing.assert_allclose(np.sort(found.rivals, axis=1), [[-3.0, 3.0]] * 17, atol=0.75)
    # nearer to one of them there is no doubt
    near = _found(twin_roads, line_off=-2.7, **TWINS, search_m=1.5)
    assert not near.lost().any()
    np.testing.assert_allclose(_between(near), 0.3, atol=0.5)


def test_find_beyond_the_search():
    """A road that lies farther off than the line may be isn't found, with the place it has."""
    found = _found(both_sides(drop=0.05), line_off=2.0, sigma=0.005, search_m=1.0)
    assert found.lost().all()
    assert (np.abs(found.rivals[:, 0]) > 0.99).all() and np.isnan(found.rivals[:, 1]).all()


def test_find_level_ground_has_no_road():
    """On ground that shows nothing the line alone says where the road is: that's not enough."""
    assert _found(without_road).lost().all()


def test_find_knows_the_road_by_what_is_fixed():
    """An edge that a person gives at one station tells of the road there and beside it."""
    free = _found(twin_roads, **TWINS, search_m=4.0)
    edge = np.full((STATIONS.size, 2), np.nan)
    edge[4:13] = (-1.0, 5.0)
    fixed = _found(twin_roads, **TWINS, search_m=4.0, overrides=Overrides(edge=edge))
    assert free.lost().all() and not fixed.lost()[4:13].any()
    np.testing.assert_array_equal(fixed.edge[4:13], edge[4:13])


def test_narrow_search_doesnt_move_the_road():
    """How far is searched decides whether a road is found, not where."""
    wide, narrow = (
        _found(
            ROADSIDES["in a cut"],
            line_off=0.4,
            pavement_width_m=5.0,
            shoulder_width_m=1.0,
            search_m=search,
        )
        for search in (3.0, 1.0)
    )
    both = ~wide.lost() & ~narrow.lost()
    assert both.mean() > 0.8
    np.testing.assert_allclose(wide.edge[both], narrow.edge[both], atol=0.5)


def test_road_section_is_a_mixture_of_normals():
    """The evidence is the density of a mixture of normals (scipy's own, multivariate_normal)."""
    widths = Widths(3.5, 1.5, 0.5)
    x = (np.arange(48) - 23.5) * 0.26
    section = RoadSection.laid(x, widths)
    z = 0.02 * np.random.default_rng(4).standard_normal((3, x.size)) - 0.02 * np.abs(x)
    shapes, parts = section_shapes(x, widths), len(PARTS)
    ramps = (shapes.shape[1] - parts) // 2
    total = np.full(len(z), -np.inf)
    for left, right in product(ways_on(), repeat=2):
        design = shapes[:, [*range(parts), parts + left.ramp, parts + ramps + right.ramp]]
        mean = np.array([*(m for m, _ in PARTS), left.mean, right.mean])
        spread = np.array([*(sd for _, sd in PARTS), left.sd, right.sd])
        cov = design @ np.diag(spread**2) @ design.T + np.diag(section.sd**2)
        density = multivariate_normal(design @ mean, cov).logpdf(z)
        total = np.logaddexp(total, density + left.weight + right.weight)
    _, height, height_sd = KERB
    kerbed = [(height, height_sd) if part in (5, 6) else PARTS[part] for part in range(parts)]
    for left, right in product(behind_kerbs(), repeat=2):
        design = shapes[:, [*range(parts), parts + left.ramp, parts + ramps + right.ramp]]
        mean = np.array([*(m for m, _ in kerbed), left.mean, right.mean])
        spread = np.array([*(sd for _, sd in kerbed), left.sd, right.sd])
        cov = design @ np.diag(spread**2) @ design.T + np.diag(section.sd**2)
        density = multivariate_normal(design @ mean, cov).logpdf(z)
        total = np.logaddexp(total, density + left.weight + right.weight)
    value, least = np.full(len(z), -np.inf), np.full(len(z), np.inf)
    section.weigh(z, 0.0, value, least)
    np.testing.assert_allclose(value - 0.5 * x.size * np.log(2 * np.pi), total, rtol=1e-6)


def test_tie_places_sums_over_all_ways_along_the_road():
    """The posterior is that of summing over every sequence of places, one by one."""
    dice = np.random.default_rng(8)
    places, sd, hold = np.array([-1.0, 0.0, 1.0]), 0.8, 0.7
    evidence, centre = dice.uniform(-2.0, 0.0, (5, 3)), dice.uniform(-0.5, 0.5, 5)
    offset = centre[:, None] + places
    usual = [norm(0.0, sd).pdf(row) / norm(0.0, sd).pdf(row).sum() for row in offset]

    def onward(b, to):
        """How likely places and those of the block `to` beside it are together, drawn from here."""
        move = norm(hold * offset[b][:, None], sd * np.sqrt(1.0 - hold**2)).pdf(offset[to])
        return usual[b][:, None] * move / move.sum(axis=1, keepdims=True)

    # a road is the same from either end
    both = [0.5 * (onward(b, b + 1) + onward(b + 1, b).T) for b in range(4)]
    moves = [pairs / usual[b][:, None] for b, pairs in enumerate(both)]
    mass = np.zeros((5, 3))
    for way in product(range(3), repeat=5):
        steps = np.prod([moves[b][way[b], way[b + 1]] for b in range(4)])
        seen = np.exp(sum(evidence[b, k] for b, k in enumerate(way)))
        mass[np.arange(5), way] += norm(0.0, sd).pdf(offset[0, way[0]]) * steps * seen
    expected = mass / mass.sum(axis=1, keepdims=True)
    found, told = tie_places(evidence, offset, sd, hold)
    np.testing.assert_allclose(found, expected, rtol=1e-9)
    # the first place's prior is a probability too
    first = norm(0.0, sd).pdf(offset[0]).sum()
    np.testing.assert_allclose(told, np.log(mass[0].sum() / first), rtol=1e-9)


def test_the_whole_road_tells_how_good_its_line_is():
    """What says little stays at a good line, and goes with the road beside a poor one."""
    places = np.arange(-40, 41) * 0.1
    offset = np.tile(places, (40, 1))

    def middle(drawn_off):
        # plain evidence at both ends, next to none for a place 1 m aside between them
        at, sd = np.full(40, drawn_off), np.full(40, 0.4)
        at[15:25], sd[15:25] = drawn_off + 1.0, 4.0
        evidence = -0.5 * ((places - at[:, None]) / sd[:, None]) ** 2
        hold = np.exp(-5.0 / 100.0)
        ways = [tie_places(evidence, offset, share * 3.0, hold) for share in LINE_SHARES]
        return [told for _, told in ways]

    good, poor = middle(0.0), middle(2.0)
    assert good[0] > good[1] and poor[1] > poor[0]


def test_where_the_line_lies_off_by_does_not_decide_between_places():
    """Places lie at even steps; shifted together by any amount they are the same places."""
    places = np.arange(-12, 13) * 0.25
    rng = np.random.default_rng(4)
    post = rng.dirichlet(np.full(places.size, 0.3), 40)
    s = np.arange(40.0)
    trust = np.ones(40)
    plain = _settle(s, post, np.tile(places, (40, 1)), trust, 9.0)
    for shift in (0.1, 1.0 / 3.0, np.pi, 1e-9):
        moved = _settle(s, post, np.tile(places + shift, (40, 1)), trust, 9.0)
        np.testing.assert_allclose(moved.offset - shift, plain.offset, atol=1e-9)
        np.testing.assert_array_equal(np.isnan(moved.rival), np.isnan(plain.rival))


@pytest.mark.parametrize(
    ("between", "middle", "trust", "sure", "lost"),
    [
        (0.4, 0.0, 1.0, False, False),
        (0.6, 0.0, 1.0, False, True),
        (0.6, 0.0, 1.0, True, False),
        # sections unlike a road's: the line's own accuracy of 1 m counts
        (0.6, 0.6, 1.0, False, False),
        (0.6, 0.6, 0.25, False, True),
        (0.6, 0.6, 0.25, True, False),
    ],
)
def test_edges_that_do_not_tell_surely_contradict_the_sections(between, middle, trust, sure, lost):
    """Places of both are told then; an edge that a person fixed leaves no doubt."""
    s = np.arange(0.0, 50.0, 10.0)
    plain = nominal_breaks(s, np.full(5, 7.0), np.full((5, 2), 1.5), Overrides())
    breaks = replace(
        plain,
        edge=plain.edge + np.array([-between, between]),
        edge_se=np.full((5, 2), 0.05 if sure else 0.3),
        edge_source=np.full((5, 2), Source.FOUND, dtype=np.int8),
    )
    one, none, there = np.ones(5), np.full(5, np.nan), np.ones(5, dtype=bool)
    sections = Middle(s, middle * one, trust * one, none, there, there, 1.5, 1.0)
    told = contradicted(breaks, sections, Overrides())
    assert (told.lost() == lost).all()
    if lost:
        assert (np.nanmin(np.abs(told.rivals - between), axis=1) < 1e-9).all()
        assert (told.edge_source == Source.NOMINAL).all() and (told.edge_se >= 0.5).all()
    edge = np.full((5, 2), np.nan)
    edge[2, 0] = 3.5
    given = contradicted(breaks, sections, Overrides(edge=edge))
    assert not given.lost()[2] and (given.lost()[[0, 1, 3, 4]] == lost).all()


@pytest.mark.parametrize(
    ("between", "shoulders", "lost"),
    [
        # sections of a road with one shoulder lie up to half of it aside, toward it
        (-0.7, (0.0, 1.5), False),
        (-0.7, (1.5, 0.0), True),
        (0.7, (1.5, 0.0), False),
        (-1.4, (0.0, 1.5), True),
        (-0.7, (1.5, 1.5), True),
        (-0.7, (0.0, 0.0), True),
    ],
)
def test_one_shoulder_draws_the_sections_toward_it(between, shoulders, lost):
    """Edges that lie aside by what the missing shoulder explains don't contradict the sections."""
    s, width = np.arange(0.0, 50.0, 10.0), np.array(shoulders)
    plain = nominal_breaks(s, np.full(5, 7.0), np.full((5, 2), 1.5), Overrides())
    edge = plain.edge + np.array([-between, between])
    breaks = replace(
        plain,
        edge=edge,
        hinge=np.where(width > 0.0, edge + width, np.nan),
        edge_se=np.full((5, 2), 0.3),
        edge_source=np.full((5, 2), Source.FOUND, dtype=np.int8),
    )
    one, none, there = np.ones(5), np.full(5, np.nan), np.ones(5, dtype=bool)
    sections = Middle(s, 0.0 * one, 0.25 * one, none, there, there, 3.0, 3.0)
    assert (contradicted(breaks, sections, Overrides()).lost() == lost).all()
