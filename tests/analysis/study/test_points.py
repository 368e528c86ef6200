"""A road screened from a survey's own points, by the command and again from its findings."""

import numpy as np
import pytest

from analysis.cli import main
from analysis.findings.geopackage import read_findings
from analysis.study.job import job_of
from gui.state import jobs
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points
from tests.builders.files import EAST, NORTH, UTM, line, write_grid, write_lines


def surveyed_road(length_m=200.0, density=8.0, noise_m=0.015):
    """A straight crowned road along x: shoulders 1.5 m at 5 %, on the right 1 % towards it."""
    rng = np.random.default_rng(4)
    count = int(density * length_m * 32.0)
    x, y = rng.uniform(0.0, length_m, count), rng.uniform(-16.0, 16.0, count)
    out = np.abs(y)
    left = np.interp(out, [0.0, 3.5, 5.0, 8.0, 16.0], [0.0, -0.07, -0.145, -1.145, -1.145])
    right = np.interp(out, [0.0, 3.5, 5.0, 8.0, 16.0], [0.0, -0.07, -0.055, -1.055, -1.055])
    z = 100.0 + 0.01 * x + np.where(y > 0.0, left, right) + noise_m * rng.standard_normal(count)
    x, y = (v + 0.03 * rng.standard_normal(count) for v in (x, y))
    bright = np.where(out < 3.5, 0.25, 0.6) + 0.05 * rng.standard_normal(count)
    strip = rng.integers(0, 2, count)
    return Points(EAST + x, NORTH + 20.0 + y, z + 0.03 * strip, strip, bright)


@pytest.fixture(scope="module")
def screened(tmp_path_factory):
    folder = tmp_path_factory.mktemp("points")
    points = surveyed_road()
    for k, half in enumerate((points.x < EAST + 90.0, points.x >= EAST + 90.0)):
        write_points(points.part(half), folder / f"tile_{k}.laz", crs=UTM)
    write_lines(folder / "road.gpkg", [line((0.0, 20.5), (200.0, 20.0))], [{"name": "Lane"}])
    tiles = [str(folder / f"tile_{k}.laz") for k in (0, 1)]
    words = ["--centreline", str(folder / "road.gpkg"), "--out", str(folder / "found.gpkg")]
    assert main(["screen", "--points", *tiles, *words, "--point-error", "0.03", "--quiet"]) == 0
    return folder, tiles


def test_slopes_are_those_of_the_ground(screened):
    folder, _ = screened
    table = read_findings(str(folder / "found.gpkg")).stations
    inside = (table["station_m"] > 15.0) & (table["station_m"] < 185.0)
    for side, slope in (("left", 5.0), ("right", -1.0)):
        here = inside & (np.asarray(table["side"], dtype=str) == side)
        off = table["shoulder_slope_pct"][here] - slope
        z = off / table["shoulder_slope_se"][here]
        assert np.abs(off).max() < 1.0
        assert np.sqrt(np.mean(z**2)) < 1.6
    right = inside & (np.asarray(table["side"], dtype=str) == "right")
    assert (np.asarray(table["verdict"], dtype=str)[right] == "won't shed").all()


def test_findings_say_which_points_they_come_from_and_open_again(screened):
    folder, tiles = screened
    found = read_findings(str(folder / "found.gpkg"))
    assert str(found.run["points"]).splitlines() == tiles
    assert str(found.run["points_checksum"]).count("sha256:") == 2
    job = job_of(found, str(folder / "found.gpkg"))
    assert job.terrain_path.splitlines() == tiles
    opened = jobs.open_study(lambda _share, _words: None, str(folder / "found.gpkg"))
    assert opened.inputs.terrain is not None
    assert opened.inputs.extras.points.paths == tuple(tiles)
    assert [road.name for road in opened.inputs.roads] == ["Lane"]


def test_a_section_is_plotted_from_points(screened, capsys):
    folder, tiles = screened
    words = ["--centreline", str(folder / "road.gpkg"), "--station", "0+100"]
    assert main(["section", "--points", *tiles, *words]) == 0
    assert "won't shed" in capsys.readouterr().out


def test_neither_grid_nor_points_is_refused(screened, capsys):
    folder, _ = screened
    words = ["--centreline", str(folder / "road.gpkg"), "--out", str(folder / "no.gpkg")]
    assert main(["screen", *words]) == 2
    assert "give --grid, --points or both" in capsys.readouterr().err


def test_a_grid_in_another_plane_is_refused_beside_points(screened, capsys):
    folder, tiles = screened
    write_grid(folder / "other.tif", np.full((60, 200), 100.0), crs="EPSG:32611")
    words = ["--centreline", str(folder / "road.gpkg"), "--out", str(folder / "no.gpkg")]
    grid = ["--grid", str(folder / "other.tif"), "--centreline-crs", "EPSG:32611"]
    assert main(["screen", "--points", *tiles, *grid, *words]) == 2
    assert "are in another coordinate system than the terrain grid" in capsys.readouterr().err
