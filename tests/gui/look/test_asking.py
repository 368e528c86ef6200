"""File dialogs stay when closed: one that goes writes to the disk, and the window waits for it."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtWidgets import QWidget
from shiboken6 import isValid

from gui.look.asking import ask_file, ask_files, ask_name
from gui.look.remembered import remembered

Settle = Callable[..., None]


@pytest.fixture
def parent(qapp: object) -> Iterator[QWidget]:
    made = QWidget()
    made.show()
    yield made
    made.deleteLater()


def test_closed_file_dialog_is_asked_again(parent: QWidget, tmp_path: Path, settle: Settle) -> None:
    """With another title, filter and answer, and nothing of the one before it."""
    taken: list[tuple[str, str]] = []
    first = ask_file(parent, "Open terrain", "Grid (*.tif)", lambda p: taken.append(("a", p)))
    settle(first.isVisible)
    first.fileSelected.emit(str(tmp_path / "a.tif"))
    first.close()
    settle()
    assert isValid(first), "it would have written how it looked"
    assert remembered().value("folder") == str(tmp_path)
    second = ask_file(
        parent, "Open roads", "Lines (*.gpkg);;Lines (*.shp)", lambda p: taken.append(("b", p))
    )
    settle(second.isVisible)
    assert second is first and second.windowTitle() == "Open roads"
    assert second.nameFilters() == ["Lines (*.gpkg)", "Lines (*.shp)"]
    assert second.directory().path() == str(tmp_path)
    second.fileSelected.emit(str(tmp_path / "b.gpkg"))
    assert taken == [("a", str(tmp_path / "a.tif")), ("b", str(tmp_path / "b.gpkg"))]
    third = ask_file(parent, "Unit rates", "Rates (*.toml)", lambda p: None)
    assert third is not second, "that one is still in use"
    second.close()
    third.close()


def test_name_that_was_offered_before_is_not_offered_again(
    parent: QWidget, tmp_path: Path, settle: Settle
) -> None:
    for name in ("first rows.csv", "sheets.pdf"):
        dialog = ask_name(parent, "Save", str(tmp_path / name), "Any (*)", lambda p: None)
        settle(dialog.isVisible)
        assert dialog.selectedFiles() == [str(tmp_path / name)]
        assert dialog.defaultSuffix() == name[-3:]
        dialog.close()


def test_several_files_are_taken_together(parent: QWidget, tmp_path: Path, settle: Settle) -> None:
    taken: list[list[str]] = []
    names = [str(tmp_path / name) for name in ("a.jpg", "b.jpg")]
    dialog = ask_files(parent, "Photographs", "Pictures (*.jpg)", taken.append)
    settle(dialog.isVisible)
    dialog.filesSelected.emit(names)
    assert taken == [names]
    dialog.close()
