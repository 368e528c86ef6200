"""Files come in by dropping, from the list of recent ones, and as their dialog asks."""

import json
from dataclasses import replace

import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication

from gui.look.remembered import remembered
from gui.state.jobs import RoadSource
from gui.window import recent
from gui.window.dialogs import RoadDialog
from gui.window.window import Window
from tests.gui.window.conftest import Settle, dialog_text


def test_drop_terrain_and_road_together(
    window: Window, shared_files: tuple[str, str], settle: Settle
) -> None:
    """Two files dropped at once open as one."""
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(path) for path in shared_files])
    enter = QDragEnterEvent(
        QPoint(50, 50),
        Qt.DropAction.CopyAction,
        mime,
        Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )
    window.dragEnterEvent(enter)
    assert enter.isAccepted()
    window.dropEvent(
        QDropEvent(
            QPointF(50, 50),
            Qt.DropAction.CopyAction,
            mime,
            Qt.MouseButton.LeftButton,
            Qt.KeyboardModifier.NoModifier,
        )
    )
    settle(lambda: bool(window.model.roads))
    settle(window.model.runner.idle)
    assert window.model.terrain.name == "fernhollow"


def test_recent_remembers_and_opens(
    window: Window, shared_files: tuple[str, str], settle: Settle
) -> None:
    """What was open is offered again, on the page and in the menu; gone files are told."""
    window.files.open_paths(list(shared_files))
    settle(lambda: bool(window.model.roads))
    settle(window.model.runner.idle)
    window.commands["close_study"].trigger()
    entries = recent.entries()
    assert len(entries) == 1
    assert (entries[0].terrain, entries[0].road) == shared_files
    window.commands.submenus.recent_menu.aboutToShow.emit()
    assert window.commands.submenus.recent_menu.actions()[0].text() == entries[0].title
    window.files.open_recent(entries[0])
    settle(lambda: bool(window.model.roads))
    settle(window.model.runner.idle)
    window.files.open_recent(recent.Recent(study="/gone/study.gpkg"))
    assert "isn't there" in dialog_text(window)


def test_recent_survives_rubbish_in_the_settings(qapp: QApplication) -> None:
    """Settings that can't be read count as none."""
    remembered().set_value("recent", "{broken")
    assert recent.entries() == []
    remembered().set_value("recent", json.dumps([{"nonsense": 1}]))
    assert recent.entries() == []
    for number in range(15):
        recent.add(recent.Recent(study=f"/s{number}.gpkg"))
    assert [e.study for e in recent.entries()][:2] == ["/s14.gpkg", "/s13.gpkg"]
    assert len(recent.entries()) == 10


def test_recent_remembers_how_the_road_was_read(qapp: QApplication) -> None:
    """All of it: a road read in the wrong CRS lies elsewhere."""
    source = RoadSource("road.gpkg", "lines", 5.0, True, "EPSG:32633", "street", False)
    recent.add(recent.Recent.of("dem.tif", source))
    assert recent.entries()[0].source == source
    assert recent.Recent.of("dem.tif", None).source is None


# -- dialogs ------------------------------------------------------------------------------------


def test_road_dialog_reads_as_asked(
    window: Window, shared_files: tuple[str, str], settle: Settle
) -> None:
    """Start station and direction of the road can be set, and change the labels."""
    window.files.open_paths(list(shared_files))
    settle(lambda: bool(window.model.roads))
    settle(window.model.runner.idle)
    window.commands["road_reading"].trigger()
    dialog = window.dialogs.shown
    assert isinstance(dialog, RoadDialog)
    dialog.start.setValue(1000.0)
    dialog.reverse.setChecked(True)
    dialog.accept()
    window.dialogs.shown = None
    settle(lambda: window.model.inputs.source.reverse)
    settle(window.model.runner.idle)
    road = window.model.roads[0]
    assert float(road.label(0.0)) == pytest.approx(1000.0)
    assert window.model.inputs.source.start_m == 1000.0


def test_road_dialog_keeps_what_it_does_not_ask(qapp: QApplication) -> None:
    """A given CRS, the field of names and whether measures are used come back as they went in."""
    source = RoadSource(
        "road.gpkg", "lines", 5.0, True, "EPSG:32633", "street", False, "adt", "mph"
    )
    dialog = RoadDialog(source, ["lines"])
    assert dialog.source() == source
    dialog.start.setValue(7.0)
    assert dialog.source() == replace(source, start_m=7.0)
