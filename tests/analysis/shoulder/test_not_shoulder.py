"""What isn't shoulder is told from what is wrong with one: kerbs, accesses, vehicles, bridges."""

import csv
from collections import Counter
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from analysis.common.settings import Settings
from analysis.common.table import Table
from analysis.corridor.footprint import smeared_ramp, smeared_step
from analysis.corridor.values import Cells
from analysis.road.read_roads import read_roads
from analysis.road.roadline import make_road
from analysis.shoulder.not_shoulder import NOTHING, suspect
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.unrolled import closed, grown, moving_sums, short_pulses, unroll
from analysis.shoulder.values import Reason, Shoulder, Status, Why
from analysis.shoulder.withhold import answered, withhold
from analysis.study import inputs, judging, screening
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain
from tests.builders.plain_road import EDGE, HINGE, plain_breaks, plain_noise

PAVEMENT, SHOULDER, FORESLOPE = 0.02, 0.05, 0.25
WIDTH = HINGE - EDGE


def sound(s, x):
    """Height over the pavement's edge at distances x outward from it; an open ditch far out."""
    out = np.where(x < 0.0, -PAVEMENT * x, -SHOULDER * np.minimum(x, WIDTH))
    return out - FORESLOPE * np.clip(x - WIDTH, 0.0, 3.0) + 0.3 * np.maximum(x - WIDTH - 3.4, 0.0)


def road(left=sound, right=sound, *, length_m=300.0, cell_m=0.5, sigma_m=0.0, seed=0, grade=0.03):
    """Cells of a straight road along the grid, each the mean of its square across the road.

    `left` and `right` give heights over the pavement edge, of (s, x).
    """
    c, part = cell_m, 8
    s = np.arange(0.5 * c, length_m, c)
    o = np.arange(-13.0 + 0.23 * c, 13.0, c)
    fine = o[None, :, None] + c * ((np.arange(part) + 0.5) / part - 0.5)
    s3 = s[:, None, None] + 0.0 * fine
    x = np.abs(fine) - EDGE
    z = np.where(fine < 0.0, left(s3, x + 0.0 * s3), right(s3, x + 0.0 * s3)).mean(axis=2)
    z += 100.0 + grade * s[:, None]
    if sigma_m:
        z += np.random.default_rng(seed).normal(0.0, sigma_m, z.shape)
    i, j = np.indices(z.shape)
    return Cells(
        s=np.repeat(s, o.size),
        o=np.tile(o, s.size),
        z=z.ravel(),
        row=i.ravel().astype(np.int32),
        col=j.ravel().astype(np.int32),
        cell_m=c,
    )


def look(cells, *, mask=None, breaks=None, sigma_m=0.02, length_m=300.0):
    """Run all that a screening runs; breaks are known."""
    breaks = breaks or plain_breaks(length_m)
    noise = plain_noise(breaks, sigma_m)
    box = np.tile([cells.cell_m, 0.0], (breaks.s.size, 1))
    found = suspect(cells, breaks, noise, box_m=box, mask=mask)
    out = found.foreign if mask is None else found.foreign | mask
    measures, _ = measure_sides(cells, breaks, noise, average_m=20.0, box_m=box, mask=out)
    judged, kerbed = withhold(measures, breaks, found)
    return SimpleNamespace(
        **kerbed._asdict(), found=found, measures=judged, s=breaks.s, status=judged.status
    )


def kinds(found, side, begin, end):
    """Kinds found in the blocks between two distances."""
    here = (found.s > begin) & (found.s < end)
    return Counter(found.kind[here, side].tolist())


def between(shape, begin, end, taper_m=0.0):
    """`shape` from begin to end of the road, with tapers inside, `sound` elsewhere."""

    def height(s, x):
        share = np.clip(np.minimum(s - begin, end - s) / max(taper_m, 1e-9), 0.0, 1.0)
        return sound(s, x) + share * (shape(s, x) - sound(s, x))

    return height


def kerb(height_m, *, face_m=0.04):
    """A kerb with a level verge behind it."""

    def shape(s, x):
        return np.where(x < 0.0, sound(s, x), height_m * np.clip(x / face_m, 0.0, 1.0))

    return shape


def step(height_m, *, verge=0.02):
    """The same face, but the ground behind it falls to the hinge, and on to the ditch."""

    def shape(s, x):
        verge_falls = (SHOULDER - verge) * np.clip(x, 0.0, WIDTH)
        return sound(s, x) + np.where(
            x < 0.0, 0.0, verge_falls + height_m * np.clip(x / 0.04, 0, 1)
        )

    return shape


def lip(height_m, width_m=0.9):
    """Turf standing up at the edge and running out over `width_m`."""

    def shape(s, x):
        up = np.clip(x / 0.04, 0.0, 1.0) * height_m * np.maximum(0.0, 1.0 - x / width_m)
        return sound(s, x) + np.where(x < 0.0, 0.0, up)

    return shape


def ramp(height_m, width_m):
    """Ground that rises over `width_m` from the edge and stays up to the hinge."""

    def shape(s, x):
        return sound(s, x) + height_m * np.clip(x / width_m, 0.0, 1.0)

    return shape


def access(slope):
    """A driveway: level, without a ditch."""

    def shape(s, x):
        return np.where(x < 0.0, sound(s, x), -slope * x)

    return shape


# --- kerbs ---------------------------------------------------------------------------------


@pytest.mark.parametrize("cell_m", [0.25, 0.5, 0.61])
@pytest.mark.parametrize("height_m", [0.10, 0.125, 0.15, 0.20])
def test_a_kerb_is_told_and_its_verge_not_judged(cell_m, height_m):
    """Kerbs of usual heights (100 to 200 mm, common practice), with noise of 20 mm."""
    cells = road(between(kerb(height_m), 80.0, 240.0), cell_m=cell_m, sigma_m=0.02)
    seen = look(cells)
    inside = (seen.s >= 90.0) & (seen.s <= 230.0)
    outside = (seen.s <= 60.0) | (seen.s >= 260.0)
    assert (seen.status[inside, 0] == Status.NOT_JUDGED).all()
    assert seen.kerb[inside, 0].all()
    assert len(set(seen.measures.reason[inside, 0])) == 1
    found = np.nanmedian(seen.found.kerb_height_m[:, 0])
    assert found == pytest.approx(height_m, abs=0.02)
    rounded = 50 * round(found / 0.05)
    assert seen.measures.reason[inside, 0][0] == Reason(Why.KERB, (rounded,))
    assert (seen.status[outside] == Status.OK).all() and (seen.status[:, 1] == Status.OK).all()
    assert not seen.kerb[outside].any() and not seen.kerb[:, 1].any()


@pytest.mark.parametrize("height_m", [0.10, 0.15])
def test_what_may_be_a_kerb_or_a_high_shoulder_is_judged(height_m):
    """A kerb's face before a shoulder's ground: neither is certain, and water can't leave."""
    cells = road(between(step(height_m), 80.0, 240.0), sigma_m=0.02)
    seen = look(cells)
    inside = (seen.s >= 90.0) & (seen.s <= 230.0)
    assert (seen.status[inside, 0] == Status.OK).all() and not seen.kerb.any()
    assert ((seen.p_kerb[inside, 0] > 0.2) & (seen.p_kerb[inside, 0] < 0.8)).all()
    assert (seen.p_kerb[:, 1] == 0.0).all()
    far = between(step(height_m), 80.0, 240.0, 30.0)
    tapered = look(road(far, sigma_m=0.02)).p_kerb[15, 0]
    assert tapered < seen.p_kerb[15, 0]


def test_a_person_says_what_it_is():
    """Either answer holds, also against what the ground says, and "nobody said" changes nothing."""
    level, falls = (look(road(between(f(0.13), 80.0, 240.0), sigma_m=0.02)) for f in (kerb, step))
    for seen in (level, falls):
        shoulder = Shoulder(None, seen.measures, None, seen.kerb, seen.p_kerb, seen.away_m)
        said = np.full(seen.status.shape, np.nan)
        assert answered(shoulder, said) is shoulder and answered(shoulder, None) is shoulder
        said[15, 0], said[16, 0] = 1.0, 0.0
        found = answered(shoulder, said)
        assert found.measures.status[15:17, 0].tolist() == [Status.NOT_JUDGED, Status.OK]
        assert found.measures.reason[15, 0] == Reason(Why.KERB, (150.0,))
        assert found.measures.reason[16, 0] is None
        assert found.kerb[15:17, 0].tolist() == [True, False]
        assert found.p_kerb[15:17, 0].tolist() == [1.0, 0.0]
        np.testing.assert_array_equal(found.measures.status[17:], seen.status[17:])


@pytest.mark.parametrize("cell_m", [0.25, 0.5])
@pytest.mark.parametrize(
    "shape",
    [
        pytest.param(lip(0.06), id="lip 60 mm"),
        pytest.param(lip(0.09), id="lip 90 mm"),
        pytest.param(lip(0.12), id="lip 120 mm"),
        pytest.param(lip(0.12, 1.2), id="broad lip 120 mm"),
        pytest.param(ramp(0.06, 0.3), id="rise of 60 mm over 0.3 m"),
        pytest.param(ramp(0.12, 1.0), id="rise of 120 mm over 1 m"),
        pytest.param(ramp(0.10, 0.9), id="rise of 100 mm over 0.9 m"),
        pytest.param(ramp(0.05, 0.04), id="high by 50 mm"),
        pytest.param(ramp(0.075, 0.04), id="high by 75 mm"),
    ],
)
def test_a_high_shoulder_is_no_kerb(shape, cell_m):
    """Lips that fall again, gradual rises, and spread material below a kerb's height."""
    cells = road(between(shape, 80.0, 240.0, 10.0), cell_m=cell_m, sigma_m=0.02)
    seen = look(cells)
    assert set(seen.found.kind.ravel()) == {NOTHING}
    assert (seen.status == Status.OK).all()


def test_what_the_grid_cannot_tell_from_a_kerb_may_be_one():
    """150 mm over 0.55 m, staying up: like a kerb to 0.6 m cells, a ramp to 0.2 m ones."""
    shape = between(ramp(0.15, 0.55), 80.0, 240.0, 10.0)
    coarse = look(road(shape, cell_m=0.61, sigma_m=0.02))
    fine = look(road(shape, cell_m=0.2, sigma_m=0.01), sigma_m=0.01)
    assert coarse.p_kerb[15, 0] > 0.0 and fine.p_kerb[15, 0] == 0.0


@given(
    height=st.floats(0.0, 0.075),
    width=st.floats(0.05, 1.2),
    slope=st.floats(-0.04, 0.08),
    falls=st.booleans(),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=25)
def test_nothing_lower_than_a_kerb_is_ever_taken_for_one(height, width, slope, falls, seed):
    """Whatever the shape of the edge and the slope of the shoulder, 30 m or more of it."""

    def shape(s, x):
        up = height * np.clip(x / width, 0.0, 1.0)
        if falls:
            up = up * np.clip(2.0 - x / width, 0.0, 1.0)
        # over the pavement's plane it never stands higher than that
        over = np.minimum(up + (PAVEMENT - slope) * np.clip(x, 0.0, WIDTH), height)
        raised = sound(s, x) + over + (SHOULDER - PAVEMENT) * np.clip(x, 0.0, WIDTH)
        return np.where(x < 0.0, sound(s, x), raised)

    cells = road(between(shape, 40.0, 110.0, 10.0), length_m=150.0, sigma_m=0.02, seed=seed)
    seen = look(cells, length_m=150.0)
    assert not np.isin(seen.found.kind, (Why.KERB, Why.KERB_AWAY, Why.DROPPED_KERB)).any()
    assert not seen.kerb.any()


def test_a_dropped_kerb_between_two_kerbs():
    """A gap as long as the kerbs beside it or shorter; a longer one is judged again."""

    def shape(s, x):
        up = kerb(0.13)(s, x)
        gap = (s > 90.0) & (s < 105.0)
        wide = (s > 170.0) & (s < 280.0)
        return np.where(gap | wide, sound(s, x), up)

    seen = look(road(shape, sigma_m=0.02, length_m=400.0), length_m=400.0)
    assert kinds(seen.found, 0, 93.0, 102.0) == {Why.DROPPED_KERB: 4}
    assert (seen.status[seen.s < 160.0, 0] == Status.NOT_JUDGED).all()
    assert (seen.status[(seen.s > 190.0) & (seen.s < 260.0), 0] == Status.OK).all()
    at = np.flatnonzero(seen.s == 100.0)[0]
    assert seen.measures.reason[at, 0] == Reason(Why.DROPPED_KERB)


def test_a_kerb_outside_the_assumed_edge():
    """With the pavement taken 5 m too narrow, the step is measured, and said to be away from it.

    The verge lies level: were it to fall by 1 %, between a verge and a shoulder, it would be
    either.
    """

    def shape(s, x):
        return np.where(x < 2.5, -PAVEMENT * x, -PAVEMENT * 2.5 + 0.15)

    seen = look(road(shape, shape, sigma_m=0.015), sigma_m=0.015)
    assert (seen.status == Status.NOT_JUDGED).all()
    assert {why.kind for why in seen.measures.reason.ravel()} == {Why.KERB_AWAY}
    inner = slice(1, -1)
    assert {why.numbers for why in seen.measures.reason[inner].ravel()} == {(150.0, 2.5)}
    z = (seen.measures.edge_drop_mm + 150.0) / seen.measures.edge_drop_se
    assert (np.abs(z) < 3.5).all() and (seen.measures.edge_drop_se < 20.0).all()
    np.testing.assert_allclose(seen.away_m, 2.5, atol=0.2)
    # what lies between the taken edge and the step is pavement, and no shoulder was measured
    assert np.isnan(seen.measures.shoulder_slope_pct).all()
    nobody = np.full(seen.status.shape, 0.0)
    shoulder = Shoulder(None, seen.measures, None, seen.kerb, seen.p_kerb, seen.away_m)
    denied = answered(shoulder, nobody).measures
    assert (denied.status == Status.OK).all()


def test_a_short_step_is_no_kerb():
    """Eight metres of raised edge stand there for another reason."""
    seen = look(road(between(kerb(0.13), 150.0, 158.0), sigma_m=0.02))
    assert not np.isin(seen.found.kind, (Why.KERB, Why.KERB_AWAY, Why.DROPPED_KERB)).any()


@pytest.mark.parametrize("width_m", [0.0, 0.35, 0.7])
def test_the_fit_of_a_rise_is_exact(width_m):
    """A smeared rise of known place, height and width comes back, and fits best at its width."""
    from analysis.shoulder.step_kernels import Profiles, Rises, find_steps

    box = np.array([[0.43, 0.25]])
    x = np.arange(-3.0, 5.0, 0.25) + 0.125
    at, height = 0.225, 0.14
    if width_m:
        ramps = [smeared_ramp(x - at + q * width_m, box[0]) for q in (0.5, -0.5)]
        rise = (ramps[0] - ramps[1]) / width_m
    else:
        rise = smeared_step(x - at, box[0])
    r = height * rise - 0.03 * np.maximum(x - at - 0.5 * width_m, 0.0) + 0.004 * x
    found = np.full((1, 8), np.nan)
    widths = np.array([0.0, 0.35, 0.7])
    profiles = Profiles(
        *(np.full((1, x.size), 10.0), x[None], r[None]), x[0], 0.25,
        *(np.array([3.5]), np.array([9.0]), box),
    )  # fmt: skip
    find_steps(profiles, Rises(widths, 3, 0.05, 0.01), found)
    place, high, _, foot, behind = found[0, :5]
    assert place == pytest.approx(at, abs=0.051)
    assert high == pytest.approx(height, abs=0.012)
    assert foot == pytest.approx(0.0, abs=0.012)
    assert behind == pytest.approx(height - 0.03 * 0.7, abs=0.012)
    assert int(np.argmin(found[0, 5:])) == [0.0, 0.35, 0.7].index(width_m)


# --- accesses, vehicles, walls, bridges ----------------------------------------------------


@pytest.mark.parametrize("slope", [-0.02, 0.0, 0.03])
@pytest.mark.parametrize("width_m", [4.0, 8.0])
def test_an_access_is_left_out_and_its_neighbours_are_judged(slope, width_m):
    """A driveway is not judged at its own station; the next ones keep their own slope."""
    begin, end = 150.0 - 0.5 * width_m - 1.5, 150.0 + 0.5 * width_m + 1.5
    cells = road(between(access(slope), begin, end, 1.5), sigma_m=0.02)
    seen = look(cells)
    at = int(np.flatnonzero(seen.s == 150.0)[0])
    assert seen.status[at, 0] == Status.NOT_JUDGED
    assert seen.measures.reason[at, 0].kind == Why.ACCESS
    others = np.abs(seen.s - 150.0) > 15.0
    assert (seen.status[others] == Status.OK).all()
    beside = np.abs(np.abs(seen.s - 150.0) - 10.0) < 1.0
    known = beside & (seen.status[:, 0] == Status.OK)
    slopes = seen.measures.shoulder_slope_pct[known, 0]
    error = np.abs(slopes - 100.0 * SHOULDER)
    assert (error <= 4.0 * seen.measures.shoulder_slope_se[known, 0]).all()
    left_out = cells.s[seen.found.foreign]
    assert left_out.min() >= begin - 4.0 and left_out.max() <= end + 4.0
    assert (cells.o[seen.found.foreign] < 0.0).all()


def test_a_filled_ditch_is_no_access():
    """Ground that runs on level for 60 m and more is a blocked ditch, whatever fills it."""
    for length in (50.0, 120.0):
        seen = look(road(between(access(0.03), 100.0, 100.0 + length, 10.0), sigma_m=0.02))
        assert not (seen.found.kind == Why.ACCESS).any()


def test_a_vehicle_is_left_out_and_the_shoulder_judged_without_it():
    """4.4 m of parked car on a window of 20 m: the rest of the window tells the slope."""

    def shape(s, x):
        car = (np.abs(s - 150.0) < 2.2) & (np.abs(x - 0.9) < 0.9)
        return sound(s, x) + 1.4 * car

    cells = road(shape, sigma_m=0.02)
    seen = look(cells)
    assert kinds(seen.found, 0, 148.0, 152.0).get(Why.OBSTACLE)
    car = (np.abs(cells.s - 150.0) < 2.2) & (np.abs(-cells.o - EDGE - 0.9) < 0.6)
    assert seen.found.foreign[car].all()
    assert seen.found.foreign.mean() < 0.02
    assert (seen.status == Status.OK).all()
    error = np.abs(seen.measures.shoulder_slope_pct - 100.0 * SHOULDER)
    assert (error < 5.0 * seen.measures.shoulder_slope_se).all()


def test_a_row_of_vehicles_hides_the_shoulder():
    """Where most of an averaging length is covered, the station says so."""

    def shape(s, x):
        row = (np.abs(s - 150.0) < 25.0) & (np.mod(s - 150.0 + 3.0, 10.0) < 6.0)
        return sound(s, x) + 1.4 * (row & (np.abs(x - 0.9) < 0.9))

    seen = look(road(shape, sigma_m=0.02))
    at = int(np.flatnonzero(seen.s == 150.0)[0])
    assert seen.status[at, 0] == Status.NOT_JUDGED
    assert seen.measures.reason[at, 0].kind == Why.WALL
    assert (seen.status[:, 1] == Status.OK).all()


def test_a_wall_on_the_shoulder():
    """A concrete barrier 0.8 m high and 0.5 m wide."""

    def shape(s, x):
        return sound(s, x) + 0.8 * (np.abs(x - 1.0) < 0.25)

    seen = look(road(between(shape, 80.0, 240.0), sigma_m=0.02))
    inside = (seen.s >= 100.0) & (seen.s <= 220.0)
    assert kinds(seen.found, 0, 90.0, 230.0) == {Why.WALL: 56}
    assert (seen.status[inside, 0] == Status.NOT_JUDGED).all()
    assert (seen.status[seen.s < 60.0] == Status.OK).all()


def test_a_bridge_taken_out_of_the_grid():
    """The road dives into a gap of 16 m: neither side is judged there."""
    cells = road(sigma_m=0.02)
    gap = 2.5 * np.clip(1.0 - np.abs(cells.s - 150.0) / 8.0, 0.0, 1.0)
    seen = look(replace(cells, z=cells.z - gap))
    assert set(kinds(seen.found, 0, 145.0, 155.0)) == {Why.BRIDGE}
    at = np.abs(seen.s - 150.0) < 1.0
    assert (seen.status[at] == Status.NOT_JUDGED).all()
    assert (seen.status[np.abs(seen.s - 150.0) > 60.0] == Status.OK).all()


def test_a_bridge_left_in_the_grid():
    """A deck with the ground 3 m below, at once, on both sides; one side alone is a wall below."""

    def shape(s, x):
        return np.where((x > 0.8) & (np.abs(s - 150.0) < 15.0), -3.0, sound(s, x))

    both = look(road(shape, shape, sigma_m=0.02))
    one = look(road(shape, sound, sigma_m=0.02))
    assert set(kinds(both.found, 1, 140.0, 160.0)) == {Why.BRIDGE}
    assert Why.BRIDGE not in kinds(one.found, 0, 140.0, 160.0)


@pytest.mark.parametrize("grades", [(-0.06, 0.06), (0.08, -0.08)])
def test_sags_and_crests_are_no_bridges(grades):
    """A grade that changes by 12 or 16 % over 60 m, tight even for a country lane."""
    cells = road(sigma_m=0.02, grade=0.0)
    before, after = grades
    t = np.clip((cells.s - 120.0) / 60.0, 0.0, 1.0)
    rise = before * cells.s + (after - before) * (30.0 * t**2 + np.maximum(cells.s - 180.0, 0.0))
    seen = look(replace(cells, z=cells.z + rise))
    assert set(seen.found.kind.ravel()) == {NOTHING}


# --- true faults stay judged ---------------------------------------------------------------


def _rutted(s, x):
    return sound(s, x) - 0.06 * np.clip(1.0 - np.abs(x - 0.7) / 0.3, 0.0, 1.0)


def _eroded(s, x):
    return sound(s, x) - 0.09 * np.where(x > 0.0, np.clip(2.0 - x / 0.45, 0.0, 1.0), 0.0)


def _tilted(slope):
    def shape(s, x):
        return sound(s, x) + (SHOULDER - slope) * np.clip(x, 0.0, WIDTH)

    return shape


FAULTS = {
    "flat": _tilted(0.005),
    "reversed": _tilted(-0.03),
    "high": ramp(0.06, 0.04),
    "lip": lip(0.08),
    "rutted": _rutted,
    "eroded": _eroded,
    "scarce": ramp(-0.08, 0.04),
    "windrow": lambda s, x: sound(s, x) + 0.08 * np.clip(1.0 - np.abs(x - 1.1) / 0.3, 0.0, 1.0),
}


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize(("cell_m", "sigma_m"), [(0.25, 0.03), (0.5, 0.03), (1.0, 0.03)])
def test_faults_are_judged_not_suspected(name, cell_m, sigma_m):
    """60 m of every fault, tapers of 10 m: no station of it is withheld."""
    cells = road(between(FAULTS[name], 120.0, 180.0, 10.0), cell_m=cell_m, sigma_m=sigma_m, seed=3)
    seen = look(cells, sigma_m=sigma_m)
    # what a grid of 1 m can't tell is another matter
    assert set(seen.status.ravel()) == {Status.OK if cell_m < 1.0 else Status.TOO_COARSE}
    assert set(seen.found.kind.ravel()) == {NOTHING}
    assert not seen.found.foreign.any()


def test_a_washed_out_gully_is_never_hidden():
    """A short hole is a fault, not a thing left in the grid: suspicion only ever looks up."""

    def shape(s, x):
        return sound(s, x) - 0.3 * (np.abs(s - 150.0) < 3.0) * np.clip(x, 0.0, 1.0)

    seen = look(road(shape, sigma_m=0.02))
    assert not np.isin(seen.found.kind, (Why.ACCESS, Why.OBSTACLE)).any()
    assert (seen.status == Status.OK).all()


# --- missing, masked, too narrow, none -----------------------------------------------------


def test_masked_shoulder_says_so():
    """The user's layer: where it covers most of an averaging length, nothing is judged."""
    cells = road(sigma_m=0.02)
    mask = (cells.o > 0.0) & (np.abs(cells.s - 150.0) < 8.0)
    seen = look(cells, mask=mask)
    at = int(np.flatnonzero(seen.s == 150.0)[0])
    assert seen.status[at, 1] == Status.NOT_JUDGED
    assert seen.measures.reason[at, 1] == Reason(Why.MASKED)
    others = np.abs(seen.s - 150.0) > 1.0
    assert (seen.status[others] == Status.OK).all() and (seen.status[:, 0] == Status.OK).all()
    nearly = look(cells, mask=(cells.o > 0.0) & (np.abs(cells.s - 150.0) < 4.0))
    assert (nearly.status == Status.OK).all()


def test_a_mask_over_an_access_is_the_mask():
    """What the user has named needs no suspicion."""
    cells = road(between(access(0.0), 140.0, 160.0, 1.5), sigma_m=0.02)
    mask = (cells.o < 0.0) & (np.abs(cells.s - 150.0) < 14.0)
    seen = look(cells, mask=mask)
    at = int(np.flatnonzero(seen.s == 150.0)[0])
    assert seen.measures.reason[at, 0].kind == Why.MASKED


def test_no_data_is_only_where_heights_are_missing():
    """A hole has no data; a shoulder without width, or none at all, has a reason of its own."""
    cells = road(sigma_m=0.02)
    hole = (cells.o > 2.0) & (np.abs(cells.s - 150.0) < 16.0)
    keep = ~hole
    holed = Cells(
        s=cells.s[keep], o=cells.o[keep], z=cells.z[keep], row=cells.row[keep],
        col=cells.col[keep], cell_m=cells.cell_m,
    )  # fmt: skip
    at = int(np.flatnonzero(plain_breaks(300.0).s == 150.0)[0])
    seen = look(holed)
    assert seen.status[at, 1] == Status.NO_DATA
    assert seen.measures.reason[at, 1].kind == Why.NO_HEIGHTS
    assert seen.status[at, 0] == Status.OK

    breaks = plain_breaks(300.0)
    near = np.abs(breaks.s - 150.0) < 25.0
    hinge = breaks.hinge.copy()
    hinge[near, 1] = EDGE + 0.05
    seen = look(cells, breaks=replace(breaks, hinge=hinge))
    assert seen.status[at, 1] == Status.TOO_COARSE
    assert seen.measures.reason[at, 1].kind != Why.NO_HEIGHTS

    hinge[:, 1] = np.nan
    seen = look(cells, breaks=replace(breaks, hinge=hinge))
    assert (seen.status[:, 1] == Status.NOT_JUDGED).all()
    assert seen.measures.reason[at, 1].kind == Why.NO_SHOULDER


def test_a_foreslope_or_a_bank_beside_the_edge_is_no_shoulder():
    """A plane of 1 in 3 isn't a shoulder that sheds well, nor one that is reversed."""
    for slope, kind in ((0.33, Why.FALLS), (-0.33, Why.RISES)):

        def shape(s, x, slope=slope):
            return np.where(x < 0.0, sound(s, x), -slope * x)

        seen = look(road(shape, sigma_m=0.02))
        assert (seen.status[:, 0] == Status.NOT_JUDGED).all()
        told = {reason.kind for reason in seen.measures.reason[:, 0]}
        assert kind in told or told == {Why.WALL}
        assert (seen.status[:, 1] == Status.OK).all()


def test_many_outliers_are_said():
    """A fit that had to leave out much of the shoulder isn't trusted."""
    cells = road(sigma_m=0.02)
    breaks, noise = plain_breaks(300.0), plain_noise(plain_breaks(300.0), 0.02)
    box = np.tile([0.5, 0.0], (breaks.s.size, 1))
    found = suspect(cells, breaks, noise, box_m=box)
    measures, _ = measure_sides(cells, breaks, noise, average_m=20.0, box_m=box)
    share = measures.outlier_share.copy()
    share[5, 0] = 0.5
    judged, _ = withhold(replace(measures, outlier_share=share), breaks, found)
    assert judged.status[5, 0] == Status.NOT_JUDGED and judged.reason[5, 0].kind == Why.UNEVEN
    assert (np.delete(judged.status, 5, axis=0) == Status.OK).all()


def test_nothing_to_look_at():
    """No cells, no stations: an empty answer, no error."""
    blank = np.zeros(0)
    nothing = Cells(blank, blank, blank, blank.astype(np.int32), blank.astype(np.int32), 0.5)
    breaks = plain_breaks(50.0)
    noise = plain_noise(breaks, np.nan)
    box = np.tile([0.5, 0.0], (breaks.s.size, 1))
    found = suspect(nothing, breaks, noise, box_m=box)
    assert found.s.size == 0 and found.foreign.size == 0
    measures, _ = measure_sides(nothing, breaks, noise, average_m=20.0, box_m=box)
    judged, _ = withhold(measures, breaks, found)
    assert (judged.status == Status.NO_DATA).all()


# --- invariance ----------------------------------------------------------------------------


def _busy(s, x):
    """A kerb, an access, a vehicle and a fault on one side."""
    z = np.where(s < 90.0, kerb(0.13)(s, x), sound(s, x))
    z = np.where(np.abs(s - 130.0) < 4.0, access(0.0)(s, x), z)
    z = z + 1.0 * ((np.abs(s - 180.0) < 2.2) & (np.abs(x - 0.9) < 0.9))
    return z + np.where((s > 220.0) & (x > 0.0), 0.05 * np.clip(x, 0.0, WIDTH), 0.0)


def test_mirrored_ground_is_mirrored():
    """Left and right have no say."""
    cells = road(_busy, sound, sigma_m=0.02)
    order = np.lexsort((-cells.o, cells.s))
    mirrored = replace(cells, o=-cells.o[order], z=cells.z[order], s=cells.s[order])
    one, other = look(cells), look(mirrored)
    np.testing.assert_array_equal(one.found.kind, other.found.kind[:, ::-1])
    np.testing.assert_array_equal(one.measures.reason, other.measures.reason[:, ::-1])
    assert len(set(one.measures.reason[:, 0])) >= 3


def test_a_road_run_backwards_says_the_same():
    """Nor has the direction of stationing; stations are every 10 m from either end."""
    cells = road(_busy, sound, sigma_m=0.02)
    backwards = replace(
        cells, s=300.0 - cells.s[::-1], o=-cells.o[::-1], z=cells.z[::-1],
    )  # fmt: skip
    one, other = look(cells), look(backwards)
    np.testing.assert_array_equal(one.found.kind, other.found.kind[::-1, ::-1])
    np.testing.assert_array_equal(one.measures.reason, other.measures.reason[::-1, ::-1])


def test_height_and_grade_have_no_say():
    """A road 2 km up on a grade of 9 % shows the same."""
    low = road(_busy, sound, sigma_m=0.02, grade=0.0)
    high = replace(low, z=low.z + 2000.0 + 0.09 * low.s)
    one, other = look(low), look(high)
    np.testing.assert_array_equal(one.found.kind, other.found.kind)


# --- the tools under it --------------------------------------------------------------------


@given(
    values=st.lists(st.floats(-1.0, 1.0, allow_nan=False), min_size=3, max_size=40),
    most=st.integers(1, 9),
)
def test_short_pulses_are_a_white_top_hat(values, most):
    """Against the library's top hat; runs at the ends are left alone."""
    z = np.array(values)
    hat = ndimage.white_tophat(z, size=2 * (most // 2) + 1, mode="nearest")
    expected = hat >= 0.5
    inner = np.flatnonzero(~expected)
    got = short_pulses(z, most, 0.5)
    if inner.size:
        middle = slice(inner[0], inner[-1] + 1)
        half = most // 2
        safe = np.zeros(z.size, dtype=bool)
        safe[2 * half : z.size - 2 * half] = True
        safe[: middle.start] = False
        safe[middle.stop :] = False
        np.testing.assert_array_equal(got[safe], expected[safe])
    assert not got[0] and not got[-1]


@given(flags=st.lists(st.booleans(), min_size=1, max_size=40), most=st.integers(0, 5))
def test_gaps_and_growth(flags, most):
    """Growing is a dilation; gaps are closed up to their length and no further."""
    f = np.array(flags)
    dilated = ndimage.binary_dilation(f, np.ones(2 * most + 1)) if most else f
    np.testing.assert_array_equal(grown(f, most), dilated)
    out = closed(f, most)
    assert (out >= f).all()
    runs = np.split(f, np.flatnonzero(np.diff(f)) + 1)
    inner = runs[1:-1] if len(runs) > 2 else []
    filled = sum(len(run) for run in inner if not run[0] and len(run) <= most)
    assert out.sum() == f.sum() + filled


def test_moving_sums_are_sums():
    """Against the plain loop."""
    z = np.random.default_rng(1).normal(size=(17, 3))
    plain = [z[max(0, i - 2) : i + 3].sum(axis=0) for i in range(17)]
    np.testing.assert_allclose(moving_sums(z, 5), plain)


def test_unrolled_heights_lie_over_the_pavement_plane():
    """Without noise: zero on the pavement, the shoulder's extra fall beyond, on any grade."""
    cells = road(grade=0.07)
    breaks = plain_breaks(300.0)
    box = np.tile([0.5, 0.0], (breaks.s.size, 1))
    side = unroll(cells, breaks, 1, box, np.zeros(len(cells), dtype=bool))
    with np.errstate(invalid="ignore"):
        r = np.where(side.count > 0, side.r_sum / side.count, np.nan)
        x = np.where(side.count > 0, side.x_sum / side.count, np.nan)
    inner = np.nanmax(np.abs(np.where(x < -0.4, r, np.nan)))
    assert inner < 1e-9
    on = (x > 0.3) & (x < 1.2)
    np.testing.assert_allclose(r[on], -(SHOULDER - PAVEMENT) * x[on], atol=1e-9)
    assert side.known.min() > 0.9 and side.masked.max() == 0.0


# --- whole roads ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sample():
    """The main road of the sample, screened, with its truth."""
    grid_path, road_path = inputs.sample_files()
    grid = open_terrain(grid_path)
    roads = [r for r in read_roads(road_path, grid) if r.length_m > 2000.0]
    study = screening.screen(grid, roads)
    stations = study.findings.stations
    with open(grid_path.replace("terrain.tif", "truth.csv"), encoding="utf-8") as file:
        rows = {(r["road"], round(float(r["s"])), r["side"]): r for r in csv.DictReader(file)}
    keys = zip(stations["road"], stations["distance_m"], stations["side"], strict=True)
    truth = [rows[name, round(float(s)), side] for name, s, side in keys]
    return SimpleNamespace(
        stations=stations,
        status=study.roads[0].measures.status.ravel(),
        kerb=study.roads[0].measured.shoulder.kerb.ravel(),
        reaches=study.findings.reaches,
        column=lambda name: np.array([r[name] for r in truth]),
    )


def test_sample_kerb_and_accesses_are_not_judged(sample):
    """Every kerbed and every driveway station says what it is, and the right one."""
    kind, reason = sample.column("kind"), sample.stations["reason"]
    driveway = kind == "driveway"
    assert driveway.sum() >= 3 and (sample.status[driveway] == Status.NOT_JUDGED).all()
    assert all("driveway" in text for text in reason[driveway])
    assert set(sample.stations["verdict"][driveway]) == {"can't tell"}
    # the ground behind the kerb of the sample falls to a hinge and a ditch like a shoulder's
    kerbed = kind == "kerb"
    assert kerbed.sum() >= 3
    assert set(sample.stations["finding"][kerbed]) == {"kerb or high shoulder"}
    assert set(sample.stations["verdict"][kerbed]) == {"won't shed"}
    assert all("check its inlets" in text for text in reason[kerbed])
    cause = sample.column("cause")
    far = np.isin(cause, ("lip", "high", "none")) & (sample.column("edge_of_stretch") == "0")
    assert not sample.kerb[far].any()


def test_sample_faults_are_not_hidden(sample):
    """Of the failing stations at least 95 % are judged; "can't tell" there is the noise's."""
    failing = (sample.column("fails") == "1") & (sample.column("edge_of_stretch") == "0")
    failing &= sample.column("kind") == "shoulder"
    assert failing.sum() > 80
    assert (sample.status[failing] == Status.OK).mean() >= 0.95
    lips = failing & np.isin(sample.column("cause"), ("lip", "high"))
    assert (sample.status[lips] == Status.OK).all()


def test_sample_no_data_is_a_hole(sample):
    """No data only where the sample has holes."""
    none = sample.stations["verdict"] == "no data"
    assert none.any()
    assert set(sample.column("kind")[none]) == {"hole"}


def test_sample_reaches_repeat_the_reason(sample):
    """The reach along the kerb (80 m) says that it may be one, and takes in nothing else."""
    table = sample.reaches
    kerbed = np.array(["kerb" in text for text in table["reason"]])
    assert kerbed.sum() == 1
    assert 60.0 <= table["length_m"][kerbed][0] <= 100.0
    accesses = ["driveway" in text for text in table["reason"]]
    assert (table["length_m"][accesses] <= 30.0).all() and sum(accesses) == 3


@pytest.mark.parametrize(("kind", "seed"), [("kerbed", 21), ("cluttered", 22)])
def test_unseen_roads(tmp_path, kind, seed):
    """Kerbs and accesses of roads that nothing was tuned on; their faults stay judged."""
    scene = make_scene(random_spec(seed, kind, length_m=500.0), seed=seed)
    path = tmp_path / "grid.tif"
    write_terrain(scene, path, compress=False)
    grid = open_terrain(path)
    line = make_road("Thornwick Lane", scene.roads[0].xy)
    part = screening.screen(grid, [line]).roads[0]
    truth = scene.roads[0].truth(part.s, average_m=20.0)
    status = part.measures.status
    pure = ~truth.edge_of_stretch
    finding, kerbed = part.judged.judgement.finding, (truth.kind == "kerb") & pure
    special = (truth.kind == "driveway") | kerbed
    assert special.sum() >= 3
    left_open = (status == Status.NOT_JUDGED) | (finding == "kerb or high shoulder")
    assert left_open[special].mean() >= 0.9 and not (finding[kerbed] == "high").any()
    failing = truth.fails & pure
    assert failing.sum() >= 5
    assert (status[failing] == Status.OK).mean() >= 0.95
    plain = pure & (truth.kind == "shoulder") & ~truth.fails
    assert (status[plain] == Status.OK).mean() >= 0.95


@pytest.mark.parametrize("length", [300.0, 400.0])
def test_gravel_road_called_paved_says_so(tmp_path, length):
    """Hinges taken for edges: the sentence names the way out, and unpaved the road is judged."""
    scene = make_scene(random_spec(12, "gravel", length_m=length, defects=()), seed=12)
    path = tmp_path / "grid.tif"
    write_terrain(scene, path, compress=False)
    grid = open_terrain(path)
    line = make_road("Sallowby Track", scene.roads[0].xy)
    paved = Settings(pavement_width_m=6.5)
    study = screening.screen(grid, [line], paved)
    stations = study.findings.stations
    assert set(stations["verdict"]) == {"can't tell"}
    hinted = ["call it unpaved" in text for text in stations["reason"]]
    assert np.mean(hinted) > 0.9
    # a corrected edge says nothing of the edges beside it: they stay as unsure as they were
    part = study.roads[0]
    middle = len(part.s) // 2
    columns = ("road", "distance_m", "side", "what", "u_m")
    row = (part.road.name, part.s[middle], "right", "edge", 3.2)
    types = (object, float, object, object, float)
    edits = Table({n: np.array([v], dtype=t) for n, v, t in zip(columns, row, types, strict=True)})
    again = judging.remeasure(study, 0, edits).roads[0].breaks
    others = np.arange(len(part.s)) != middle
    np.testing.assert_array_equal(again.edge_se[others], part.breaks.edge_se[others])
    stations = screening.screen(grid, [line], replace(paved, paved=False)).findings.stations
    assert np.mean(stations["verdict"] == "sheds") > 0.9
