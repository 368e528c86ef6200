"""The roads of a network: listed with how they are, opened one at a time, never saved over it."""

from __future__ import annotations

import shutil
import threading
from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from analysis import read_findings
from analysis.common.columns import ROAD_COLUMNS
from analysis.common.table import Table
from analysis.findings.geopackage import road_summaries, write_in_parts
from analysis.road.roadline import make_road
from analysis.study.road_rows import failed_roads
from gui.state import jobs
from gui.window import network_dialog
from gui.window.network_dialog import NetworkDialog, is_network
from gui.window.network_rows import NetworkRows
from tests.builders.files import write_lines


def rows_of(names, stations, rank, reason):
    nothing = np.full(len(names), np.nan)
    columns = dict.fromkeys(ROAD_COLUMNS, nothing)
    text = {"road": names, "reason": reason, "outcome": [""] * len(names)}
    columns |= {name: np.array(values, dtype=object) for name, values in text.items()}
    columns |= {"stations": np.array(stations), "rank": np.array(rank)}
    columns |= {"length_m": np.array([1609.344, 2000.0, 3000.0])}
    return Table(columns)


ROWS = rows_of(
    ["Wren Lane", "Otter Road", "Gone Way"], [5000.0, 4000.0, 0.0], [7.0, 2.0, np.nan],
    ["", "", "The terrain grid has no heights near the road."],
)  # fmt: skip


def cell(dialog, row, column, role=Qt.ItemDataRole.DisplayRole):
    return dialog.rows.index(row, column).data(role)


def shown(dialog):
    return [cell(dialog, row, 0) for row in range(dialog.rows.rowCount())]


def test_most_urgent_road_first_and_one_that_failed_cannot_be_opened(qtbot):
    dialog = NetworkDialog("county.gpkg", ROWS, None, "us")
    qtbot.addWidget(dialog)
    assert shown(dialog) == ["Otter Road", "Wren Lane", "Gone Way"]
    # the international mile is 1609.344 m by definition
    assert [str(cell(dialog, row, 1)) for row in range(3)] == ["1.24", "1", "1.86"]
    with qtbot.waitSignal(dialog.chosen) as caught:
        qtbot.mouseClick(dialog.open_button, Qt.MouseButton.LeftButton)
    assert caught.args == ["Otter Road"]
    dialog.table.selectRow(2)
    assert not dialog.open_button.isEnabled()
    assert "no heights" in cell(dialog, 2, 5, Qt.ItemDataRole.ToolTipRole)
    assert cell(dialog, 2, 4) is None


def test_roads_are_sorted_and_the_chosen_one_stays_chosen(qtbot):
    """What isn't known comes last, up or down; the road that is chosen goes with its row."""
    dialog = NetworkDialog("county.gpkg", ROWS)
    qtbot.addWidget(dialog)
    dialog.table.selectRow(1)
    assert dialog.road() == "Wren Lane"
    head, down = dialog.table.horizontalHeader(), Qt.SortOrder.DescendingOrder
    head.setSortIndicator(0, Qt.SortOrder.AscendingOrder)
    assert shown(dialog) == ["Gone Way", "Otter Road", "Wren Lane"]
    assert dialog.road() == "Wren Lane"
    head.setSortIndicator(4, down)
    assert shown(dialog) == ["Wren Lane", "Otter Road", "Gone Way"]
    head.setSortIndicator(1, down)
    assert [cell(dialog, row, 1) for row in range(3)] == [3, 2, 1.61]
    assert dialog.road() == "Wren Lane"


def test_three_thousand_roads_are_not_made_before_they_are_seen(qtbot, monkeypatch):
    """A cell made for each would hold the window for most of a second."""
    asked, really = set(), NetworkRows.value
    monkeypatch.setattr(
        NetworkRows, "value", lambda self, row, name: asked.add(row) or really(self, row, name)
    )
    many = ROWS.where(np.arange(3000) % 2)
    dialog = NetworkDialog("county.gpkg", many)
    qtbot.addWidget(dialog)
    dialog.show()
    qtbot.waitExposed(dialog)
    QApplication.processEvents()
    assert dialog.rows.rowCount() == 3000
    assert dialog.table.rowAt(5) == 0
    assert 0 < len(asked) < 200


def test_what_counts_as_a_network():
    assert is_network(ROWS)
    assert not is_network(ROWS.where(np.array([0])))
    assert not is_network(Table({**ROWS.columns, "stations": np.array([20.0, 30.0, np.nan])}))


OTHER = "Otter's Way"


@pytest.fixture
def saved(shared_results, tmp_path):
    """The small road, and the same ground once more under another name."""
    found, path = shared_results[1].findings, tmp_path / "network.gpkg"

    def renamed(table):
        return Table({**table.columns, "road": np.full(len(table), OTHER, dtype=object)})

    names = ("stations", "reaches", "ponds", "roads")
    other = replace(found, **{name: renamed(getattr(found, name)) for name in names})
    write_in_parts([found, other], found.run, path)
    return path


def test_one_road_of_a_file_is_what_was_written_of_it(saved, shared_results):
    found, one = shared_results[1].findings, read_findings(saved, road=OTHER)
    for table in ("stations", "reaches", "ponds"):
        own, back = getattr(found, table), getattr(one, table)
        assert set(back["road"]) <= {OTHER}
        assert len(back) == len(own)
    np.testing.assert_allclose(
        one.stations["shoulder_slope_pct"], found.stations["shoulder_slope_pct"]
    )
    assert road_summaries(saved)["road"].tolist() == [str(found.roads["road"][0]), OTHER]
    assert len(read_findings(saved, road="it's not there").stations) == 0


def test_the_window_asks_which_road_and_opens_it_alone(window, saved, settle, monkeypatch):
    monkeypatch.setattr(network_dialog, "MOST_STATIONS", 10)
    window.files.open_findings(str(saved))
    dialog = window.dialogs.shown
    assert isinstance(dialog, NetworkDialog)
    name = dialog.road()
    dialog.open_button.click()
    settle(lambda: window.model.loaded is not None)
    assert [road.name for road in window.model.loaded.index] == [name]
    # saving it there would lose the other roads
    assert window.model.path == ""


def test_a_road_that_failed_does_not_fail_the_others_again(shared_results, tmp_path):
    """What is measured again for the sections is what was screened."""
    inputs, loaded = shared_results
    (lane,) = inputs.roads
    both = [lane.xy, lane.xy + np.array([0.0, 3.0])]
    names = [{"name": lane.name}, {"name": "Gone Way"}]
    lines = write_lines(tmp_path / "two.gpkg", both, names)
    run = {**loaded.findings.run, "centreline": str(lines), "centreline_layer": ""}
    lost = failed_roads([make_road("Gone Way", both[1])], ["Its tile is broken."])
    path = tmp_path / "findings.gpkg"
    write_in_parts([loaded.findings], run, path, lost=(lost, [both[1]]))
    opened = jobs.open_study(lambda *_: None, str(path))
    assert [road.name for road in opened.inputs.roads] == [lane.name]
    assert "Not screened, as the table of roads says: Gone Way" in opened.inputs.note


def test_damage_elsewhere_in_the_file_is_said_once_the_road_is_there(
    window, saved, settle, monkeypatch
):
    """Nobody waits for the rest of the file to be looked through, yet it is."""
    whole = bytearray(saved.read_bytes())
    whole[36:40] = (7).to_bytes(4, "big")  # pages that aren't in use; SQLite file format, 1.3.9
    saved.write_bytes(bytes(whole))
    looked, go = jobs.look_through, threading.Event()
    monkeypatch.setattr(jobs, "look_through", lambda *given: go.wait(20.0) and looked(*given))
    window.model.open_study(str(saved), road=OTHER)
    settle(lambda: window.model.loaded is not None)
    assert window.dialogs.shown is None
    go.set()
    settle(lambda: window.dialogs.shown is not None)
    assert "is damaged" in window.dialogs.shown.text()
    assert [road.name for road in window.model.loaded.index] == [OTHER]


def test_the_window_screens_into_a_file(window, road_files, settle, tmp_path):
    terrain, road = road_files
    window.files.open_paths([terrain, road])
    settle(lambda: window.model.can_screen)
    out, done = str(tmp_path / "out.gpkg"), []
    window.model.screen_network(out, done.append)
    settle(lambda: bool(done))
    assert len(road_summaries(out)) == 1
    # nothing was opened by it
    assert window.model.loaded is None


def test_a_folder_of_tiles_is_opened_like_a_grid(window, road_files, settle, tmp_path):
    terrain, road = road_files
    tiles, other = tmp_path / "tiles", tmp_path / "letters"
    for folder in (tiles, other):
        folder.mkdir()
    shutil.copy(terrain, tiles / "a.tif")
    window.files.open_paths([str(tiles), road])
    settle(lambda: window.model.can_screen)
    assert window.model.terrain.path == str(tiles)
    window.files.open_paths([str(other)])
    assert "letters holds no tiles" in window.dialogs.shown.text()
