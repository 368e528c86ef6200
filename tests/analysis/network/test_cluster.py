"""The same tasks on a Dask cluster, one of whose workers dies (on demand: -m cluster)."""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from analysis import SettingsError
from analysis.corridor.points import boxes_along
from analysis.network.crews import cluster_crew, process_crew
from analysis.network.engine import screen_network
from analysis.network.tasks import Common, Failed
from analysis.study.pieces import pieces_of
from analysis.terrain.point_grid import grid_of
from tests.analysis.network.test_network import SETTINGS, named_roads, short_pieces
from tests.analysis.study.test_pieces import surveyed
from tests.benchmarks.long_road import write_long_road
from tests.builders.same_findings import differences

pytestmark = pytest.mark.cluster

__all__ = ["short_pieces", "surveyed"]


@pytest.fixture(scope="module")
def grid(tmp_path_factory):
    from analysis import open_terrain

    return open_terrain(write_long_road(tmp_path_factory.mktemp("long") / "long.tif", 780.0))


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_whose_worker_dies_finds_the_same(grid, tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[3]))
    serial, out = tmp_path / "serial.gpkg", tmp_path / "cluster.gpkg"
    screen_network(grid, named_roads(), serial, SETTINGS)
    killed = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        crew = cluster_crew(cluster.scheduler_address)

        def with_a_death(common, tasks):
            for result in crew(common, tasks):
                if not killed:
                    killed.append(next(iter(cluster.workers.values())).pid)
                    os.kill(killed[0], signal.SIGKILL)
                yield result

        done = screen_network(grid, named_roads(), out, SETTINGS, crew=with_a_death)
    assert killed
    assert [name for name, _ in done.failed] == ["lost"]
    assert differences(serial, out) == []


@pytest.fixture(scope="module", params=["beside a grid", "alone, as the window hands them over"])
def by_points(request, surveyed, tmp_path_factory):
    """A road of points, what is screened of it, and what this process finds."""
    case = surveyed
    if request.param != "beside a grid":
        held = grid_of(case.extras.points, boxes_along(case.road, 12.0))
        case = replace(case, grid=held)
    assert len(pieces_of(case)) > 1
    out = tmp_path_factory.mktemp("serial") / "serial.gpkg"
    given = {"settings": case.settings, "limits": case.limits, "extras": case.extras}
    screen_network(case.grid, [case.road], out, **given)
    return case, given, out


def test_points_give_the_same_by_workers(by_points, tmp_path):
    case, given, serial = by_points
    out = tmp_path / "two.gpkg"
    screen_network(case.grid, [case.road], out, **given, crew=process_crew(2))
    assert differences(serial, out) == []


@pytest.mark.filterwarnings("ignore")
def test_points_give_the_same_by_a_cluster(by_points, tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[3]))
    case, given, serial = by_points
    out = tmp_path / "cluster.gpkg"
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        crew = cluster_crew(cluster.scheduler_address)
        screen_network(case.grid, [case.road], out, **given, crew=crew)
    assert differences(serial, out) == []


def test_nobody_at_the_address_is_said(grid):
    pytest.importorskip("distributed")
    crew = cluster_crew("tcp://127.0.0.1:9")
    with pytest.raises(SettingsError, match=r"No cluster answers at tcp://127\.0\.0\.1:9"):
        next(iter(crew(Common(grid, SETTINGS, None, None), iter(()))))


def test_a_worker_that_is_killed_again_and_again_fails_its_road_only(grid, tmp_path, monkeypatch):
    """A road whose measuring ends the process, as where memory runs out."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[3]))
    monkeypatch.setenv("VERGELINE_TEST_DIES_AT", "short")
    import analysis.network.crews as crews

    monkeypatch.setattr(crews, "_work_here", _dying_work)
    out = tmp_path / "some.gpkg"
    done = screen_network(grid, named_roads(), out, SETTINGS, crew=process_crew(2))
    assert dict(done.failed)["short"].startswith("The process that measured the road")
    assert done.roads == 1


def _dying_work(task):
    from analysis.network.crews import _HELD
    from analysis.network.tasks import work

    if any(road.name == os.environ["VERGELINE_TEST_DIES_AT"] for road in task.roads):
        os.kill(os.getpid(), signal.SIGKILL)
    results = work(_HELD[0], task)
    assert not any(isinstance(r, Failed) and "fault" in r.sentence for r in results)
    return results
