"""The whole job: the sample against its truth, and what must not change the findings."""

import csv
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.common.settings import Settings
from analysis.common.units import METRES_PER_FOOT
from analysis.road.read_roads import read_roads
from analysis.road.roadline import make_road
from analysis.study import inputs, judging, screening
from analysis.study.warm_up import is_first_run
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain
from tests.builders.agreement import contradictions


@pytest.fixture(scope="module")
def sample():
    """The sample screened with default settings, and its truth in the order of the stations."""
    grid_path, road_path = inputs.sample_files()
    grid = open_terrain(grid_path)
    study = screening.screen(grid, read_roads(road_path, grid))
    stations = study.findings.stations
    with open(grid_path.replace("terrain.tif", "truth.csv"), encoding="utf-8") as file:
        rows = {(r["road"], round(float(r["s"])), r["side"]): r for r in csv.DictReader(file)}
    keys = zip(stations["road"], stations["distance_m"], stations["side"], strict=True)
    truth = [rows[road, round(float(s)), side] for road, s, side in keys]

    def column(name):
        return np.array([float(r[name]) if r[name] else np.nan for r in truth])

    # Where a stretch begins or ends, and at driveways and holes, there is no one right answer.
    clear = (column("edge_of_stretch") == 0) & np.array([r["kind"] == "shoulder" for r in truth])
    return SimpleNamespace(study=study, stations=stations, truth=truth, column=column, clear=clear)


def _rmse(found, truth, clear):
    known = np.isfinite(found) & np.isfinite(truth) & clear
    assert known.mean() > 0.5
    return float(np.sqrt(np.mean((found - truth)[known] ** 2)))


def test_a_screening_leaves_word_that_it_compiled(sample):
    assert sample.study.roads and not is_first_run()


@pytest.mark.parametrize(
    ("name", "most"),
    [("shoulder_slope_pct", 0.6), ("pavement_slope_pct", 0.6), ("edge_drop_mm", 15.0)],
)
def test_sample_slopes_and_drops(sample, name, most):
    """Slopes within 0.6 points and drops within 15 mm at 20 m averaging (0.5 m cells, 20 mm)."""
    rmse = _rmse(sample.stations[name], sample.column(name), sample.clear)
    assert rmse <= most, f"{name}: {rmse:.2f}"


def test_sample_defects_found_and_sound_left_alone(sample):
    """At least 90 % of failing stations are found, at most 3 % of sound ones accused."""
    failing = (sample.column("fails") == 1) & sample.clear
    blocked = sample.column("ditch_blocked") == 1
    sound = (sample.column("fails") == 0) & sample.clear & ~blocked
    finding = sample.stations["finding"]
    accused = ~np.isin(finding, ["none", "can't tell", "no data"])
    assert failing.sum() > 80 and sound.sum() > 200
    assert accused[failing].mean() >= 0.9
    assert accused[sound].mean() <= 0.03


def test_sample_reaches_cover_every_metre_once(sample):
    """On each side of each road the reaches join up without gap or overlap."""
    table = sample.study.findings.reaches
    for part in sample.study.roads:
        for side in ("left", "right"):
            here = (table["road"] == part.road.name) & (table["side"] == side)
            order = np.argsort(table["from_m"][here])
            begins, ends = table["from_m"][here][order], table["to_m"][here][order]
            np.testing.assert_allclose(begins[1:], ends[:-1], atol=1e-9)
            assert table["length_m"][here].sum() == pytest.approx(part.road.length_m)


def test_sample_says_one_thing_of_each_place(sample):
    """Stations, their reach, its sentence and its headline never contradict each other."""
    assert contradictions(sample.study) == []


@pytest.mark.parametrize("fault", ["too steep", "breakover"])
def test_sample_stretches_where_water_leaves_too_fast(sample, fault):
    """Found, measured, and material asked for, where the valley has a shoulder of that kind."""
    truth = np.array([row["defect"] for row in sample.truth])
    here = (truth == fault) & sample.clear
    assert here.sum() >= 4
    assert (sample.stations["finding"][here] == fault).mean() >= 0.9
    assert (sample.stations["verdict"][here] == "sheds").all()
    for name, most in (("shoulder_slope_pct", 1.0), ("breakover_points", 1.0)):
        right = sample.column("shoulder_slope_pct")
        if name == "breakover_points":
            right = right - sample.column("pavement_slope_pct")
        assert np.abs(sample.stations[name] - right)[here].mean() <= most
    table = sample.study.findings.reaches
    (row,) = np.flatnonzero(table["finding"] == fault)
    assert table["treatment"][row] == "replenish" and np.isfinite(table["rank"][row])
    # 11.6 % where 8 % is steepest, 12 points where 8 are allowed
    assert table["severity"][row] == pytest.approx(1.5, abs=0.15)


def test_sample_unknown_is_never_a_number(sample):
    """Where nothing was measured there is neither a slope nor a probability, and no verdict."""
    stations = sample.stations
    unmeasured = stations["verdict"] == "no data"
    assert unmeasured.any()
    for name in ("shoulder_slope_pct", "p_wont_shed", "edge_drop_mm"):
        assert np.isnan(stations[name][unmeasured]).all()
    unknown = ~np.isfinite(stations["p_wont_shed"])
    assert set(stations["verdict"][unknown]) <= {"no data", "can't tell"}
    assert all(stations["reason"][unknown] != "")


def test_rejudge_same_limits_changes_nothing(sample):
    """Judging again under the same limits gives the same tables."""
    again = judging.rejudge(sample.study, sample.study.limits)
    for name in sample.stations.names():
        np.testing.assert_array_equal(again.findings.stations[name], sample.stations[name], name)
    for name in sample.study.findings.reaches.names():
        np.testing.assert_array_equal(
            again.findings.reaches[name], sample.study.findings.reaches[name], name
        )


def test_roads_are_judged_as_if_each_were_alone(sample):
    """Judged together, no station, reach or line takes anything from another road's."""
    study, limits = sample.study, sample.study.limits.with_value("certainty", 0.9)
    assert len(study.roads) > 1
    together = judging.rejudge(study, limits).findings
    alone = [
        judging.rejudge(replace(study, roads=(part,)), limits).findings for part in study.roads
    ]
    for table in ("stations", "reaches"):
        for name in getattr(together, table).names():
            if name not in ("rank", "look_first"):  # run over all roads
                apart = np.concatenate([getattr(one, table)[name] for one in alone])
                np.testing.assert_array_equal(getattr(together, table)[name], apart, name)
    lines = [line for one in alone for line in one.reach_lines]
    for line, other in zip(together.reach_lines, lines, strict=True):
        np.testing.assert_array_equal(line, other)


def test_rejudge_stricter_limit_finds_more(sample):
    """A lower limit for drops only ever finds more of them, and nothing is measured again."""
    stricter = judging.rejudge(sample.study, sample.study.limits.with_value("edge_drop_mm", 25.0))
    before, after = sample.study.findings.stations, stricter.findings.stations
    known = np.isfinite(before["p_drop"])
    assert (after["p_drop"][known] >= before["p_drop"][known] - 1e-12).all()
    assert (after["p_drop"][known] > before["p_drop"][known] + 0.1).any()
    np.testing.assert_array_equal(after["edge_drop_mm"], before["edge_drop_mm"])


def test_rejudge_with_another_straightedge_is_as_screened_with_it(plain):
    """Ruts and the water in them are those of the other length, to the last digit."""
    limits = plain.limits.with_value("straightedge_m", 1.0)
    again = judging.rejudge(plain, limits).findings.stations
    whole = screening.screen(
        plain.terrain, [part.road for part in plain.roads], plain.settings, limits
    ).findings.stations
    assert not np.array_equal(whole["rut_mm"], plain.findings.stations["rut_mm"], equal_nan=True)
    for name in whole.names():
        np.testing.assert_array_equal(again[name], whole[name], name)


@pytest.fixture(scope="module")
def scene():
    return make_scene(random_spec(31, "ordinary", length_m=400.0), seed=5)


def _study(tmp_path, z, transform, xy, crs="EPSG:32628", unit="metre", **settings):
    """Screen a grid given as an array (through a file, as a user would)."""
    made = SimpleNamespace(z=z, transform=transform, crs=crs)
    path = tmp_path / "grid.tif"
    write_terrain(made, path, compress=False)
    grid = open_terrain(path, vertical_unit=unit)
    road = make_road("Thornwick Lane", np.asarray(xy) * grid.xy_unit_m)
    return screening.screen(grid, [road], Settings(**settings))


@pytest.fixture
def plain(tmp_path, scene):
    return _study(tmp_path, scene.z, scene.transform, scene.roads[0].xy)


_VALUES = (
    ("pavement_slope_pct", 0.03),
    ("shoulder_slope_pct", 0.10),
    ("edge_drop_mm", 2.0),
    ("p_wont_shed", 0.05),
)


def _assert_same(a, b, share=0.97):
    """Same values but for rounding, and where a tie may fall either way for a few stations."""
    for name, most in _VALUES:
        both = np.isfinite(a[name]) & np.isfinite(b[name])
        assert (np.isfinite(a[name]) == np.isfinite(b[name])).mean() >= share
        assert (np.abs(a[name] - b[name])[both] <= most).mean() >= share, name
    assert (a["finding"] == b["finding"]).mean() >= share


def _sides_swapped(table):
    order = np.arange(len(table)).reshape(-1, 2)[:, ::-1].ravel()
    return table.where(order)


def test_mirrored_ground_mirrors_the_findings(tmp_path, scene, plain):
    """Left and right swap when the ground is mirrored, and nothing else changes."""
    a, b, c, d, e, f = scene.transform
    columns = scene.z.shape[1]
    mirrored = scene.z[:, ::-1]
    xy = scene.roads[0].xy.copy()
    xy[:, 0] = 2.0 * c + a * columns - xy[:, 0]
    study = _study(tmp_path, mirrored, (a, b, c, d, e, f), xy)
    _assert_same(plain.findings.stations, _sides_swapped(study.findings.stations))


def test_reversed_road_keeps_the_findings(tmp_path, scene, plain):
    """Stationing from the other end swaps sides and order; stations fall elsewhere by a rest."""
    xy = scene.roads[0].xy
    length = plain.roads[0].road.length_m
    rest = length % 10.0
    study = _study(tmp_path, scene.z, scene.transform, xy[::-1])
    forward, backward = plain.findings.stations, study.findings.stations
    s = forward["distance_m"][::2]
    for name, most in (("shoulder_slope_pct", 0.6), ("edge_drop_mm", 15.0)):
        for side in (0, 1):
            mine = forward[name][side::2]
            other = np.interp(
                length - s, backward["distance_m"][::2], backward[name][1 - side :: 2]
            )
            known = np.isfinite(mine) & np.isfinite(other)
            assert known.mean() > 0.9
            difference = np.abs(mine - other)[known]
            assert np.median(difference) <= most * (0.05 + rest / 10.0)


def test_shifted_origin_keeps_the_findings(tmp_path, scene, plain):
    """Large coordinates and heights don't matter."""
    a, b, c, d, e, f = scene.transform
    dx, dy, dz = 123_000.0, 2_345_000.0, 2_000.0
    study = _study(
        tmp_path, scene.z + dz, (a, b, c + dx, d, e, f + dy), scene.roads[0].xy + np.array([dx, dy])
    )
    _assert_same(plain.findings.stations, study.findings.stations)


def test_feet_keep_the_findings(tmp_path, scene, plain):
    """The same ground in feet gives the same findings in metres and millimetres."""
    foot = METRES_PER_FOOT
    study = _study(
        tmp_path,
        scene.z / foot,
        tuple(value / foot for value in scene.transform),
        scene.roads[0].xy / foot,
        crs="EPSG:2994",
        unit="foot",
    )
    _assert_same(plain.findings.stations, study.findings.stations)
    np.testing.assert_allclose(
        study.findings.station_xy * foot, plain.findings.station_xy, atol=0.05
    )


def test_south_up_grid_keeps_the_findings(tmp_path, scene, plain):
    """A grid stored from south to north is the same ground."""
    a, b, c, d, e, f = scene.transform
    rows = scene.z.shape[0]
    study = _study(tmp_path, scene.z[::-1], (a, b, c, d, -e, f + e * rows), scene.roads[0].xy)
    _assert_same(plain.findings.stations, study.findings.stations)


def test_remeasure_takes_a_correction(plain):
    """A corrected edge is used, marked, and leaves the other stations alone."""
    part = plain.roads[0]
    middle = len(part.s) // 2
    u = float(part.breaks.edge[middle, 1]) - 0.4
    edits = replace(
        plain.findings.edits,
        columns={
            "road": np.array([part.road.name], dtype=object),
            "distance_m": np.array([part.s[middle]]),
            "side": np.array(["right"], dtype=object),
            "what": np.array(["edge"], dtype=object),
            "u_m": np.array([u]),
        },
    )
    study = judging.remeasure(plain, 0, edits)
    row = 2 * middle + 1
    stations = study.findings.stations
    assert stations["edge_offset_m"][row] == pytest.approx(u)
    assert stations["edge_source"][row] == "given"
    assert len(study.findings.edits) == 1
    # Everything farther off stays exactly as it was.
    far = np.abs(stations["distance_m"] - part.s[middle]) > 61.0
    for name in stations.names():
        np.testing.assert_array_equal(stations[name][far], plain.findings.stations[name][far], name)
    # And what is near is what a whole new screening with this correction gives.
    whole = screening.screen(study.terrain, [part.road], study.settings, edits=edits)
    for name, most in (("shoulder_slope_pct", 0.3), ("edge_drop_mm", 5.0)):
        difference = np.abs(stations[name] - whole.findings.stations[name])
        assert np.nanmax(difference[~far]) <= most, name
    back = judging.remeasure(study, 0, plain.findings.edits)
    for name in ("shoulder_slope_pct", "edge_offset_m"):
        np.testing.assert_allclose(
            back.findings.stations[name], plain.findings.stations[name], atol=0.3
        )


def test_cancel_stops_and_changes_nothing(tmp_path, scene):
    """Raising in the progress call stops the job wherever it is."""
    from analysis.common.errors import Cancelled

    calls = []

    def stop(share, words, _road):
        calls.append((share, words))
        if share > 0.4:
            raise Cancelled("that is enough")

    path = tmp_path / "grid.tif"
    write_terrain(scene, path, compress=False)
    grid = open_terrain(path)
    road = make_road("Thornwick Lane", scene.roads[0].xy)
    with pytest.raises(Cancelled, match="that is enough"):
        screening.screen(grid, [road], progress=stop)
    shares = [share for share, _ in calls]
    assert shares == sorted(shares)
    assert all(words for _, words in calls)
