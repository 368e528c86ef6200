"""The floors of the house: no module knows a later floor, and none goes round in a circle.

Imports inside functions and for types only count like any other, and so does the name of a module
kept as a string to be imported later.
"""

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

HOME = Path(__file__).parents[1]

FLOORS = {
    "analysis": "common, terrain, road, corridor, edges, shoulder, water earthwork, verdict, "
    "findings, study, network, cli_field cli_plan, cli",
    "gui": "look, drawing, state, map along section tables forms field plan, review, window, "
    "launch screenshot catalogue",
}
"""From the ground up; rooms on one floor don't know each other."""


def imports_of(package: Path) -> dict[str, set[str]]:
    """Modules of the package, each with those of the same package that it imports."""
    paths = {
        ".".join(path.relative_to(package.parent).with_suffix("").parts): path
        for path in package.rglob("*.py")
    }
    paths = {module.removesuffix(".__init__"): path for module, path in paths.items()}

    def named(node: ast.AST) -> set[str]:
        match node:
            case ast.Import(names=names):
                return {alias.name for alias in names}
            case ast.ImportFrom(module=module, names=names, level=0):
                whole = {f"{module}.{alias.name}" for alias in names}
                return {name if name in paths else str(module) for name in whole}
            case ast.Constant(value=str(name)):
                return {name}
        return set()

    return {
        module: set().union(*map(named, ast.walk(ast.parse(path.read_text()))))
        & (paths.keys() - {module})
        for module, path in paths.items()
    }


def room_of(module: str) -> str:
    """The room's name; that of the package itself is empty."""
    return module.split(".")[1] if "." in module else ""


def faults(package: str, home: Path = HOME) -> list[str]:
    """What breaks the rule."""
    floors = enumerate(FLOORS[package].split(","))
    heights = {room: height for height, rooms in floors for room in rooms.split()}
    heights[""] = len(heights)
    graph = imports_of(home / package)
    rooms = {room_of(module) for module in graph}
    found = [f"{room} is a room without a floor" for room in rooms - heights.keys()]
    found += [f"{room} is a floor without a room" for room in heights.keys() - rooms]
    found += [
        f"{module} imports {name}"
        for module, names in graph.items()
        for name in names
        if room_of(name) != room_of(module)
        and heights.get(room_of(name), 0) >= heights.get(room_of(module), 0)
    ]
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as circle:
        found.append("a circle: " + " < ".join(circle.args[1]))
    return found


@pytest.mark.parametrize("package", FLOORS)
def test_no_module_knows_a_later_floor_or_goes_in_a_circle(package):
    assert not faults(package)


def test_the_rule_sees_imports_of_every_kind(tmp_path):
    (tmp_path / "gui" / "look").mkdir(parents=True)
    kinds = {
        "plain": "import gui.map.tiles",
        "inside": "def f():\n    from gui.map import tiles",
        "for_types": "if TYPE_CHECKING:\n    from gui.map.tiles import Tiles",
        "by_name": "VIEWS = [('map', 'gui.map.tiles')]",
    }
    for name, text in kinds.items():
        (tmp_path / "gui" / "look" / f"{name}.py").write_text(text)
    (tmp_path / "gui" / "map").mkdir()
    (tmp_path / "gui" / "map" / "tiles.py").write_text("from gui.look import plain, inside")
    found = faults("gui", tmp_path)
    for name in kinds:
        assert f"gui.look.{name} imports gui.map.tiles" in found
    assert any(fault.startswith("a circle") for fault in found)
