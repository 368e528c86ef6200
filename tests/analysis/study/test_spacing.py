"""What is told of a place is the same however far apart stations lie."""

from dataclasses import replace

import numpy as np
import pytest

from analysis import Settings, Table, remeasure, screen
from analysis.corridor.door import BEAT_M
from analysis.earthwork.balance import balances, mass_haul
from analysis.road.roadline import make_road
from analysis.study import pieces
from analysis.study.tables import reach_lines
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain

EVERY_M = 20.0


@pytest.fixture(scope="module")
def grid_and_road(tmp_path_factory):
    """A coarse grid of a road with faults: many of its stations are in doubt."""
    spec = random_spec(77, "ordinary", length_m=420.0, shoulder_width_m=2.0)
    scene = make_scene(spec, cell_m=1.0, seed=77)
    path = tmp_path_factory.mktemp("spacing") / "grid.tif"
    write_terrain(scene, path, compress=False)
    return open_terrain(path), make_road("Fallowmere Lane", scene.roads[0].xy)


@pytest.fixture(scope="module")
def screened(grid_and_road):
    grid, road = grid_and_road

    def at(spacing_m):
        settings = Settings(spacing_m=spacing_m, shoulder_width_m=2.0, half_width_m=14.0)
        return screen(grid, [road], settings)

    return {spacing: at(spacing) for spacing in (5.0, BEAT_M, EVERY_M)}


def told(study):
    """Numbers and verdicts at the stations that all spacings have."""
    part = study.roads[0]
    common = np.abs(part.s - EVERY_M * np.round(part.s / EVERY_M)) < 1e-6
    judgement, measures = part.judged.judgement, part.measures
    numbers = [judgement.p_wont_shed, judgement.p_finding, measures.rut_mm, measures.ridge_mm]
    numbers += [part.measured.beliefs.shoulder_slope_pct, part.measured.beliefs.slope_cov]
    names = judgement.verdict[common], part.judged.labels[common]
    return [own[common] for own in numbers], names


@pytest.mark.parametrize("spacing", [5.0, EVERY_M])
def test_chances_and_verdicts_stay(screened, spacing):
    """Neighbours are heard at the same places: some of them are no stations, or none that count."""
    (numbers, names), (others, other_names) = told(screened[BEAT_M]), told(screened[spacing])
    assert len(names[0]) > 15
    for one, two in zip(numbers, others, strict=True):
        np.testing.assert_allclose(one, two, rtol=1e-6, atol=1e-6)
    for one, two in zip(names, other_names, strict=True):
        np.testing.assert_array_equal(one, two)
    # some are in doubt, so that what neighbours say has a say
    p = numbers[0][np.isfinite(numbers[0])]
    assert ((p > 0.05) & (p < 0.95)).sum() >= 3


@pytest.mark.parametrize("spacing", [5.0, EVERY_M])
def test_ditches_lie_where_they_lay(screened, spacing):
    """Their inverts are followed through the breaks' own line, which stations don't bend."""
    depths = []
    for table in (screened[at].findings.stations for at in (BEAT_M, spacing)):
        station = np.asarray(table["station_m"], float)
        common = np.abs(station - EVERY_M * np.round(station / EVERY_M)) < 1e-6
        depths.append(np.asarray(table["ditch_depth_m"])[common])
    assert np.isfinite(depths[0]).mean() > 0.4
    np.testing.assert_allclose(*depths, atol=1e-6)


@pytest.mark.parametrize("spacing", [5.0, EVERY_M])
def test_volumes_of_fixed_lengths_stay(screened, spacing):
    """They are added up over the same places, whichever of them are stations."""
    limits, ends = (
        screened[BEAT_M].limits,
        np.array([[20.0, 120.0], [115.0, 222.5], [300.0, 400.0]]),
    )
    sides, none = np.repeat([0, 1], 3), np.full(6, np.nan)
    one, two = (
        balances(
            [screened[at].roads[0].judged.along],
            np.zeros(6, dtype=int),
            sides,
            np.tile(ends, (2, 1)),
            limits,
            worst_drop_mm=none,
            worst_drop_se=none,
        )
        for at in (BEAT_M, spacing)
    )
    assert max(made.fill_m3_compacted for made in one) > 1.0
    for a, b in zip(one, two, strict=True):
        assert a.known_share == pytest.approx(b.known_share)
        assert a.cut_m3_bank == pytest.approx(b.cut_m3_bank, abs=1e-3 * a.cut_se_m3)
        assert a.fill_m3_compacted == pytest.approx(b.fill_m3_compacted, abs=1e-3 * a.fill_se_m3)
        assert a.balance_se_m3 == pytest.approx(b.balance_se_m3, rel=1e-3)


@pytest.mark.parametrize("spacing", [5.0, EVERY_M])
def test_running_sum_of_material_stays(screened, spacing):
    sums = []
    for part in (screened[at].roads[0] for at in (BEAT_M, spacing)):
        common = np.abs(part.s - EVERY_M * np.round(part.s / EVERY_M)) < 1e-6
        total = mass_haul(part.s, part.judged.along, part.case.limits.material)
        sums.append(total[common])
    assert np.nanmax(np.abs(sums[0])) > 1.0
    np.testing.assert_allclose(*sums, atol=1e-4)


@pytest.mark.parametrize("spacing", [5.0, EVERY_M])
def test_reaches_stay(screened, spacing):
    """They begin, end and say the same, and have the stations that lie in them."""
    one, two = (screened[at].roads[0] for at in (BEAT_M, spacing))
    assert [(r.side, r.finding, r.treatment) for r in one.reaches] == [
        (r.side, r.finding, r.treatment) for r in two.reaches
    ]
    numbers = ("s0", "s1", "mean_slope_pct", "mean_slope_se", "worst_drop_mm", "p_wont_shed")
    for name in (*numbers, "drained", "edge_assumed_m", "severity"):
        told = [[getattr(reach, name) for reach in part.reaches] for part in (one, two)]
        # the water that stands in a ditch is looked for as far as stations lie apart
        np.testing.assert_allclose(*told, rtol=2e-3 if name == "severity" else 1e-5, atol=1e-5)
    assert any(reach.balance is not None for reach in one.reaches)
    for a, b in zip(one.reaches, two.reaches, strict=True):
        assert (a.balance is None) == (b.balance is None)
        if a.balance is not None:
            assert a.balance.balance_m3_compacted == pytest.approx(
                b.balance.balance_m3_compacted, abs=1e-3 * a.balance.balance_se_m3
            )
    for reach in two.reaches:
        inside = np.flatnonzero((two.s >= reach.s0 - 1e-6) & (two.s < reach.s1 - 1e-6))
        if inside.size:
            assert (reach.i0, reach.i1) == (inside[0], max(inside[-1], reach.i1))
        assert two.s[reach.i1] <= reach.s1


def test_a_reach_without_a_station_has_the_one_before(grid_and_road, screened):
    """At 80 m some are shorter than it is from one station to the next; their lines are whole."""
    grid, road = grid_and_road
    settings = replace(screened[BEAT_M].roads[0].case.settings, spacing_m=80.0)
    study = screen(grid, [road], settings)
    part = study.roads[0]
    assert [r.s0 for r in part.reaches] == [r.s0 for r in screened[BEAT_M].roads[0].reaches]
    bare = [r for r in part.reaches if not ((part.s >= r.s0) & (part.s < r.s1)).any()]
    assert bare
    for reach in bare:
        assert reach.i0 == reach.i1
        assert 0.0 <= reach.s0 - part.s[reach.i0] < 80.0
    for line, reach in zip(reach_lines(part), part.reaches, strict=True):
        length = np.hypot(*np.diff(line, axis=0).T).sum()
        assert length == pytest.approx(reach.length_m, rel=0.1)


def test_kerbs_are_as_likely(tmp_path):
    """What the ground behind a step is like, the same places tell."""
    scene = make_scene(random_spec(9712, "kerbed", length_m=240.0), sigma_m=0.03, seed=5)
    write_terrain(scene, tmp_path / "grid.tif", compress=False)
    grid, road = open_terrain(tmp_path / "grid.tif"), make_road("Kerbed", scene.roads[0].xy)
    chances = []
    for spacing in (5.0, BEAT_M):
        part = screen(grid, [road], Settings(spacing_m=spacing, half_width_m=12.0)).roads[0]
        chances.append(part.measured.shoulder.p_kerb[:: round(BEAT_M / spacing)])
    one, two = chances
    assert ((one > 0.02) & (one < 0.98)).any()
    np.testing.assert_allclose(one, two, atol=1e-3)


def test_pieces_hear_what_lies_between_stations_of_others(grid_and_road, screened, monkeypatch):
    """Cut in two, a road's beats between stations are those of the whole.

    But for single ones where two shapes of a shoulder are about as likely.
    """
    monkeypatch.setattr(pieces, "WHOLE_M", 300.0)
    monkeypatch.setattr(pieces, "PIECE_M", 210.0)
    whole = screened[EVERY_M]
    grid, road = grid_and_road
    parts = screen(grid, [road], whole.roads[0].case.settings)
    one, two = (study.roads[0].measured.between for study in (whole, parts))
    np.testing.assert_array_equal(one.s, two.s)
    off = np.abs(one.measures.edge_drop_mm - two.measures.edge_drop_mm)
    off /= one.measures.edge_drop_se
    assert np.nanquantile(off, 0.95) < 0.5
    assert one.beliefs.drop_share.shape == two.beliefs.drop_share.shape


def test_a_correction_reaches_what_lies_between_stations(screened):
    """An edge that a person moved is moved between stations too, and far off nothing is."""
    study = screened[EVERY_M]
    edge = study.roads[0].breaks.edge[5, 1]
    edit = {"road": "Fallowmere Lane", "distance_m": 100.0, "side": "right"}
    edit |= {"what": "edge", "u_m": edge + 0.6}
    edits = Table({name: np.array([value]) for name, value in edit.items()})
    before, after = (s.roads[0].measured.between for s in (study, remeasure(study, 0, edits)))
    np.testing.assert_array_equal(before.s, after.s)
    moved = np.abs(after.measures.edge_drop_mm - before.measures.edge_drop_mm)[:, 1] > 0.1
    assert moved[np.abs(before.s - 100.0) < 15.0].all()
    np.testing.assert_array_equal(before.ditch.depth_m, after.ditch.depth_m)
    far = np.abs(before.s - 100.0) > 250.0
    assert far.any() and not moved[far].any()
