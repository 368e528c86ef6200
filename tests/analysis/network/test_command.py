"""The command `vergeline network`, from the files to the findings."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from analysis import read_findings
from analysis.cli import main
from tests.benchmarks.long_road import CRS, centreline, write_long_road


@pytest.fixture(scope="module")
def words(tmp_path_factory):
    folder = tmp_path_factory.mktemp("command")
    grid = write_long_road(folder / "grid.tif", 200.0)
    road = {"type": "LineString", "coordinates": centreline(140.0, 30.0).tolist()}
    feature = {"type": "Feature", "properties": {"name": "Teal Road"}, "geometry": road}
    crs = {"type": "name", "properties": {"name": CRS}}
    lines = {"type": "FeatureCollection", "crs": crs, "features": [feature]}
    (folder / "roads.geojson").write_text(json.dumps(lines))
    inputs = ["--grid", str(grid), "--centreline", str(folder / "roads.geojson")]
    return ["network", *inputs, "--spacing", "20", "--half-width", "12"]


def test_a_network_is_screened_and_its_record_says_from_what(words, tmp_path, capsys):
    out = tmp_path / "out.gpkg"
    assert main([*words, "--out", str(out), "--workers", "1"]) == 0
    said = capsys.readouterr().out
    assert "1 road, 0.14 km screened." in said and "Never work on a shoulder" in said
    found = read_findings(out)
    assert found.roads["road"].tolist() == ["Teal Road"]
    assert str(found.run["centreline"]).endswith("roads.geojson")
    assert found.run["roads_failed"] == "[]"


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--workers", "0"], "--workers is 0, but must be 1 or more."),
        (["--workers", "some"], "Argument --workers: invalid int value"),
    ],
)
def test_a_wrong_option_is_one_sentence(words, tmp_path, capsys, more, sentence):
    assert main([*words, "--out", str(tmp_path / "out.gpkg"), *more]) == 2
    error = capsys.readouterr().err
    assert sentence in error and error.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_a_road_off_the_grid_stands_in_the_record(words, tmp_path, capsys):
    roads = json.loads(Path(words[words.index("--centreline") + 1]).read_text())
    away = json.loads(json.dumps(roads["features"][0]))
    away["properties"]["name"] = "Umber Road"
    away["geometry"]["coordinates"] = [[x, y + 9e3] for x, y in away["geometry"]["coordinates"]]
    (tmp_path / "two.geojson").write_text(
        json.dumps({**roads, "features": [away, *roads["features"]]})
    )
    words = [*words, "--centreline", str(tmp_path / "two.geojson"), "--workers", "1"]
    assert main([*words, "--out", str(tmp_path / "out.gpkg"), "--quiet"]) == 0
    said = capsys.readouterr().err
    assert said.count("Umber Road") == 1 and "doesn't touch the terrain grid" in said
    rows = read_findings(tmp_path / "out.gpkg").roads
    assert rows["road"].tolist() == ["Teal Road", "Umber Road"]
    assert "doesn't touch the terrain grid" in rows["reason"][1]
    assert np.isnan(rows["sheds_m"][1])
