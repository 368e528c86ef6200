"""What a script sees: the names that `analysis` hands out, and the lines that README shows."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import analysis
from analysis.common.limits import limits_from_toml
from tests.builders.files import crowned_road, write_road

HOME = Path(__file__).parents[1]


def test_every_name_is_handed_out_and_documented():
    for name in analysis.__all__:
        assert getattr(analysis, name).__doc__, name
        assert name in dir(analysis)
    with pytest.raises(AttributeError, match="no attribute 'scream'"):
        _ = analysis.scream


def test_type_checkers_see_the_names_where_they_come_from():
    tree = ast.parse(Path(analysis.__file__).read_text())
    seen = {
        alias.name: node.module
        for branch in tree.body
        if isinstance(branch, ast.If)
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert sorted(seen) == sorted(analysis.__all__)
    for name, module in seen.items():
        assert getattr(analysis, name) is getattr(sys.modules[module], name)


def test_nothing_heavy_is_imported_before_it_is_asked_for():
    code = "import analysis, sys; print(*{'numpy', 'numba', 'rasterio'} & sys.modules.keys())"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not found.stdout.strip()


def test_the_lines_of_the_readme(tmp_path, monkeypatch, capsys):
    (lines,) = re.findall(r"```python\n(.*?)```", (HOME / "README.md").read_text(), re.DOTALL)
    assert len(lines.split("\n")) <= 12
    monkeypatch.chdir(tmp_path)
    write_road(tmp_path / "dem.tif", tmp_path / "roads.gpkg", "Fernhollow Road", crowned_road())
    exec(compile(lines, "README.md", "exec"), {})
    said = capsys.readouterr().out
    # the right shoulder leans towards the road from 80 to 140 m
    assert said.startswith("Reversed over")
    reaches = analysis.read_findings("findings.gpkg").reaches
    assert said.split("\n")[:-1] == list(reaches["reason"][reaches["verdict"] == "won't shed"])
    stricter = analysis.read_findings("stricter.gpkg")
    assert limits_from_toml(stricter.run["limits"])["rut_mm"].value == 20.0
