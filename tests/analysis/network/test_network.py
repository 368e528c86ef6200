"""A network equals a plain screening to the last bit, whoever measures it and however it was ended.

The roads are plain geometry (`tests.benchmarks.long_road`), the pieces much shorter than usual.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import fiona
import numpy as np
import pytest

from analysis import (
    RoadError,
    Settings,
    TerrainError,
    open_terrain,
    read_findings,
    screen,
    write_findings,
)
from analysis.network.crews import own_crew, process_crew
from analysis.network.engine import screen_network
from analysis.network.tasks import work
from analysis.road.roadline import make_road
from analysis.study import pieces
from tests.benchmarks.long_road import centreline, write_long_road
from tests.builders.same_findings import differences

SETTINGS = Settings(spacing_m=20.0, half_width_m=12.0)


@pytest.fixture(scope="module", autouse=True)
def short_pieces():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pieces, "PIECE_M", 260.0)
        patch.setattr(pieces, "WHOLE_M", 300.0)
        patch.setattr(pieces, "OVERLAP_M", 60.0)
        yield


@pytest.fixture(scope="module")
def grid(tmp_path_factory):
    return open_terrain(write_long_road(tmp_path_factory.mktemp("long") / "long.tif", 780.0))


def named_roads():
    """One of two pieces, one of one, and one that lies off the grid."""
    beside = centreline(150.0, 100.0) + np.array([0.0, 5000.0])
    named = {"long": centreline(560.0, 20.0), "lost": beside, "short": centreline(140.0, 600.0)}
    return [make_road(name, xy) for name, xy in named.items()]


@pytest.fixture(scope="module")
def roads():
    return named_roads()


@pytest.fixture(scope="module")
def plain(grid, roads, tmp_path_factory):
    """What a plain screening of the two that have ground writes."""
    out = tmp_path_factory.mktemp("plain") / "plain.gpkg"
    write_findings(screen(grid, [roads[0], roads[2]], SETTINGS).findings, out)
    return out


@pytest.fixture(scope="module")
def uninterrupted(grid, roads, tmp_path_factory):
    out = tmp_path_factory.mktemp("whole") / "whole.gpkg"
    done = screen_network(grid, roads, out, SETTINGS)
    assert (done.roads, [name for name, _ in done.failed]) == (2, ["lost"])
    return out


def test_a_road_that_fails_is_recorded_and_the_rest_is_as_in_a_plain_screening(
    plain, uninterrupted
):
    differ = differences(plain, uninterrupted)
    assert {name.split(".")[0] for name in differ} <= {"roads", "run"}
    rows = read_findings(uninterrupted).roads
    assert rows["road"].tolist() == ["long", "short", "lost"]
    assert "doesn't touch the terrain grid" in rows["reason"][2]
    assert np.isnan(rows["sheds_m"][2])
    assert not list(uninterrupted.parent.glob(".*"))


def test_lengths_by_road_are_those_of_its_reaches(uninterrupted):
    found = read_findings(uninterrupted)
    by_verdict = ("sheds_m", "wont_shed_m", "cant_tell_m", "no_data_m")
    total = sum(found.roads[name][:2] for name in by_verdict)
    # both shoulders, whole length: plain arithmetic
    assert total == pytest.approx(2.0 * found.roads["length_m"][:2], rel=1e-9)
    with fiona.open(uninterrupted, layer="roads") as layer:
        assert len(layer) == 3 and layer.schema["geometry"] == "LineString"


def test_two_processes_find_the_same(grid, roads, uninterrupted, tmp_path):
    out = tmp_path / "two.gpkg"
    screen_network(grid, roads, out, SETTINGS, crew=process_crew(2))
    assert differences(uninterrupted, out) == []


class Ended(BaseException):
    """The job is over at once, as by a power cut."""


def test_a_job_that_was_ended_goes_on_and_finds_the_same(grid, roads, uninterrupted, tmp_path):
    out, asked = tmp_path / "resumed.gpkg", []

    def short_lived(common, tasks):
        for count, task in enumerate(tasks):
            if count == 1:
                raise Ended
            yield task, work(common, task)

    def noting(common, tasks):
        for task in tasks:
            asked.extend((item.road, item.number) for item in task.items)
            yield task, work(common, task)

    with pytest.raises(Ended):
        screen_network(grid, roads, out, SETTINGS, crew=short_lived)
    done = screen_network(grid, roads, out, SETTINGS, crew=noting)
    assert differences(uninterrupted, out) == []
    assert asked == [(0, 1), (2, 0)]
    assert done.resumed_m == pytest.approx(280.0, abs=10.0)
    assert not (tmp_path / ".resumed.gpkg.unfinished").exists()


def test_what_another_job_left_is_not_taken_up(grid, roads, tmp_path):
    out = tmp_path / "other.gpkg"

    def ended(common, tasks):
        for task in tasks:
            yield task, work(common, task)
        raise Ended

    with pytest.raises(Ended):
        screen_network(grid, roads[2:], out, SETTINGS, crew=ended)
    done = screen_network(grid, roads[2:], out, Settings(spacing_m=40.0, half_width_m=12.0))
    assert done.resumed_m == 0.0
    assert len(read_findings(out).stations) == 8


KILLED = """
import sys
sys.path[:0] = [{home!r}]
from tests.analysis.network import test_network as t
t.pieces.PIECE_M, t.pieces.WHOLE_M, t.pieces.OVERLAP_M = 260.0, 300.0, 60.0
grid = t.open_terrain({grid!r})
t.screen_network(grid, t.named_roads(), {out!r}, t.SETTINGS)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_killed_process_loses_nothing_that_was_done(grid, roads, uninterrupted, tmp_path):
    out = tmp_path / "killed.gpkg"
    home = str(Path(__file__).parents[3])
    code = KILLED.format(home=home, grid=grid.path, out=str(out))
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL)
    spool = tmp_path / ".killed.gpkg.unfinished"
    end = time.monotonic() + 120.0
    while not list(spool.glob("r*p*")) and time.monotonic() < end and process.poll() is None:
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    done = screen_network(grid, roads, out, SETTINGS)
    assert done.resumed_m > 0.0
    assert differences(uninterrupted, out) == []


def test_where_no_road_has_ground_nothing_is_written(grid, roads, tmp_path):
    out = tmp_path / "none.gpkg"
    with pytest.raises(RoadError, match=r"No road can be screened: .* doesn't touch the terrain"):
        screen_network(grid, roads[1:2], out, SETTINGS, crew=own_crew)
    assert not list(tmp_path.iterdir())


def test_a_long_road_in_a_gap_of_the_grid_fails(grid, roads, tmp_path):
    """All its pieces lie where nothing is known; the road on the ground is screened."""
    import rasterio

    gap = tmp_path / "gap.tif"
    with rasterio.open(grid.path) as source:
        z, profile = source.read(1), source.profile
    z[:, :1210] = profile["nodata"]
    with rasterio.open(gap, "w", **profile) as out:
        out.write(z, 1)
    out = tmp_path / "out.gpkg"
    done = screen_network(open_terrain(gap), [roads[0], roads[2]], out, SETTINGS)
    assert done.roads == 1
    ((name, why),) = done.failed
    assert name == "long" and "no heights near the road" in why
    with pytest.raises(TerrainError, match="no heights near the road"):
        screen(open_terrain(gap), roads[:1], SETTINGS)


def test_stations_in_a_gap_of_the_grid_have_no_data(grid, roads, tmp_path):
    """A gap as long as two pieces, in the middle of a road."""
    import rasterio

    holed = tmp_path / "holed.tif"
    with rasterio.open(grid.path) as source:
        z = source.read(1)
        profile = source.profile
    z[:, 380:1160] = profile["nodata"]
    with rasterio.open(holed, "w", **profile) as out:
        out.write(z, 1)
    road = make_road("holed", centreline(720.0, 20.0))
    study = screen(open_terrain(holed), [road], SETTINGS)
    stations = study.findings.stations
    inside = (stations["distance_m"] > 180.0) & (stations["distance_m"] < 530.0)
    assert set(stations["verdict"][inside]) == {"no data"}
    assert (stations["verdict"][~inside] != "no data").mean() > 0.8
