"""The same in, the same out, to the last bit: whatever the number of threads."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from analysis.common import hands
from analysis.findings.geopackage import write_findings
from analysis.road.read_roads import read_roads
from analysis.study.screening import screen
from analysis.terrain.grid import open_terrain
from tests.builders.files import crowned_road, write_road
from tests.builders.same_findings import differences


@pytest.mark.parametrize("threads", [1, 5])
def test_any_number_of_threads_finds_the_same(tmp_path, monkeypatch, threads):
    grid, centreline = write_road(
        tmp_path / "grid.tif", tmp_path / "road.gpkg", "Alder Lane", crowned_road(length_m=120.0)
    )
    terrain = open_terrain(grid)
    roads = read_roads(centreline, terrain)
    write_findings(screen(terrain, roads).findings, tmp_path / "two.gpkg")
    monkeypatch.setattr(hands, "_all_hands", lambda: threads)
    asked = [1]
    monkeypatch.setattr(
        hands, "ThreadPoolExecutor", lambda count: asked.append(count) or ThreadPoolExecutor(count)
    )
    write_findings(screen(terrain, roads).findings, tmp_path / "other.gpkg")
    assert max(asked) == threads
    assert differences(tmp_path / "two.gpkg", tmp_path / "other.gpkg") == []
