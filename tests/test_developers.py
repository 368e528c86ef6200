"""What DEVELOPERS.md, README and the benchmarks name is there."""

import ast
import re
from importlib.util import find_spec
from pathlib import Path
from pkgutil import resolve_name

import pytest

from tests.test_floors import FLOORS

HOME = Path(__file__).parents[1]
TEXT = (HOME / "DEVELOPERS.md").read_text()


def is_there(name: str) -> bool:
    try:
        resolve_name(name)
    except (ImportError, AttributeError):
        return False
    return True


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`([a-z_]+(?:\.\w+)+)`", TEXT))))
def test_what_developers_are_sent_to_is_there(name):
    assert any(is_there(start + name) for start in ("", "analysis.", "gui."))


@pytest.mark.parametrize("package", FLOORS)
def test_the_drawing_of_the_house_shows_every_room_in_its_order(package):
    drawing = next(part for part in TEXT.split("```") if part.startswith(f"\n{package}, "))
    first_words = [line.split() for line in drawing.splitlines() if line.startswith(" ")]
    rooms = FLOORS[package].replace(",", "").split()
    shown = [word for words in first_words for word in words if word in rooms]
    assert list(dict.fromkeys(shown)) == rooms


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "README.md"])
def test_modules_that_are_run_are_there(page):
    named = re.findall(r"python -m ([\w.]+)", (HOME / page).read_text())
    assert named
    for name in named:
        assert find_spec(name), name


@pytest.mark.parametrize(
    "path", sorted((HOME / "tests" / "benchmarks").glob("*.py")), ids=lambda path: path.stem
)
def test_benchmarks_import_what_is_there(path):
    """They aren't run with the suite, so a name that moved would be missed there last."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module != "__future__":
            for alias in node.names:
                assert is_there(f"{node.module}.{alias.name}"), f"{node.module}.{alias.name}"
