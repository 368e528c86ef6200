"""Habits of a good window: finding commands, keys in tips, layouts, previews, work in progress."""

import math
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtPrintSupport import QPrinter
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QInputDialog, QLabel, QMessageBox, QStatusBar
from rasterio.transform import from_bounds

from gui.drawing.books import reach_book, station_book
from gui.look.remembered import remembered
from gui.look.turns import turns
from gui.section.section_page import SectionPage
from gui.state import preparing
from gui.state.model import WindowModel
from gui.state.runner import Progress, Runner
from gui.window.finder import CommandFinder
from gui.window.job_bar import JobBar
from gui.window.preview import PreviewDialog
from gui.window.window import Window
from tests.gui.conftest import ARTEFACTS
from tests.gui.window.conftest import choose_file, close_dialog

Settle = Callable[..., None]


# -- commands and their keys -------------------------------------------------------


def finder_of(window: Window) -> CommandFinder:
    window.commands["find"].trigger()
    found = window.dialogs.shown
    assert isinstance(found, CommandFinder)
    # Dialogs open in a turn of their own.
    while not turns().idle:
        QApplication.processEvents()
    return found


def shown_rows(finder: CommandFinder) -> list[str]:
    items = [finder.rows.topLevelItem(k) for k in range(finder.rows.topLevelItemCount())]
    return [item.text(0) for item in items if not item.isHidden()]


def test_command_is_found_by_its_words_and_done(full: Window) -> None:
    """By words in any order, of the menu too; arrows choose, Enter does it, keys are told."""
    model = full.model
    model.select_station(0, 4, 0)
    finder = finder_of(full)
    everything = shown_rows(finder)
    assert {"Next station", "Screen the road", "Metric", "Cautions"} <= set(everything)
    QTest.keyClicks(finder.search, "station next")
    assert shown_rows(finder) == ["Next station"]
    item = finder.rows.currentItem()
    assert item is not None and "Ctrl+Right" in item.text(2) and item.text(1) == "Go"
    QTest.keyClick(finder.search, Qt.Key.Key_Return)
    assert model.station_index == 5
    finder = finder_of(full)
    QTest.keyClicks(finder.search, "station")
    before = finder.rows.currentItem()
    QTest.keyClick(finder.search, Qt.Key.Key_Down)
    assert finder.rows.currentItem() is not before
    finder.search.setText("print")
    assert {"Section sheet", "Reach sheet"} <= set(shown_rows(finder))
    finder.search.setText("no such words")
    assert shown_rows(finder) == [] and finder.note.text()
    finder.do_chosen()
    assert finder.isVisible()


def test_what_cant_be_done_now_is_shown_and_not_done(window: Window) -> None:
    """It is there to be found, greyed out; nothing happens."""
    finder = finder_of(window)
    finder.search.setText("screen the road")
    assert shown_rows(finder) == ["Screen the road"]
    assert finder.rows.topLevelItem(0) is not None
    finder.do_chosen()
    assert finder.isVisible() and finder.note.text()


def test_tips_tell_the_keys_and_ends_of_the_road_have_some(full: Window) -> None:
    """Also after an action's words changed."""
    commands = full.commands
    for name in ("screen", "next_finding", "relief", "measure", "save", "last_station"):
        keys = (
            commands[name].shortcut().toString(commands[name].shortcut().SequenceFormat.NativeText)
        )
        assert keys and commands[name].toolTip().endswith(f"({keys})"), name
        assert commands[name].toolTip().count(f"({keys})") == 1
    full.model.select_station(0, 3, 1)
    assert "right side" in commands["other_side"].toolTip().lower()
    assert commands["other_side"].toolTip().endswith("(F7)")
    full.model.set_review(full.model.reach_key(0), "agreed")
    assert "Review" in commands["undo"].toolTip() and "(Ctrl+Z)" in commands["undo"].toolTip()
    model = full.model
    model.select_station(0, 5, 1)
    full.commands["last_station"].trigger()
    assert model.station_index == len(model.road.distance_m) - 1
    full.commands["first_station"].trigger()
    assert (model.station_index, model.side) == (0, 1)


def test_no_dialog_runs_a_loop_of_its_own() -> None:
    """Jobs that end while one is up couldn't show their results; only the program's loop runs."""
    top = Path(__file__).parents[3] / "gui"
    found = [
        f"{path.name}: {line.strip()}"
        for path in top.rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"\.exec\(|getSaveFileName|getOpenFileName|\.get(Text|Item|Int)\(", line)
    ]
    assert found == ["app.py: code = app.exec()"]


# -- layouts -------------------------------------------------------------------


def test_layout_is_kept_under_a_name_and_comes_back(full: Window, settle: Settle) -> None:
    layouts, panes = full.commands.submenus.layouts, full.panes
    panes["straight"].hide()
    menu = full.commands["layouts"].menu()
    menu.aboutToShow.emit()
    next(a for a in menu.actions() if a.text().startswith("&Keep")).trigger()
    dialog = full.dialogs.shown
    assert isinstance(dialog, QInputDialog)
    dialog.textValueSelected.emit("two/screens")
    assert layouts.names() == ["two-screens"]
    panes.usual()
    settle(lambda: not panes.coming)
    assert not panes["straight"].isHidden()
    menu.aboutToShow.emit()
    next(a for a in menu.actions() if a.text() == "two-screens").trigger()
    settle()
    assert panes["straight"].isHidden() and not panes["section"].isHidden()
    layouts.forget("two-screens")
    assert layouts.names() == []
    told: list[str] = []
    full.model.message.connect(told.append)
    remembered().set_value("layouts/spoiled", "rubbish")
    layouts.take("spoiled")
    assert "can't be used" in told[-1]


def test_panes_come_one_by_one_and_are_painted_once(full: Window, settle: Settle) -> None:
    """Painted with each that comes, plots and map together would hold the loop for long."""
    panes, painted = full.panes, []

    class Painted(QObject):
        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            if event.type() == QEvent.Type.Paint:
                painted.append(panes.coming)
            return False

    seen = Painted()
    full.map.plot.viewport().installEventFilter(seen)
    panes["straight"].hide()
    settle()
    painted.clear()
    panes.usual()
    assert panes.coming
    settle(lambda: not panes.coming and bool(painted))
    assert all(not panes[name].isHidden() for name in ("along", "straight", "field"))
    assert panes["help"].isHidden()
    assert not any(painted)


def test_splitter_of_the_section_stays(
    screened: WindowModel, qtbot: object, settle: Settle
) -> None:
    """As set by hand, also in the next window and at other widths."""
    shares = []
    for width in (1200, 1200, 1000):
        page = SectionPage(screened)
        page.resize(width, 340)
        page.show()
        settle()
        if not shares:
            page.splitter.moveSplitter(400, 1)
        drawing, numbers = page.splitter.sizes()
        shares.append(drawing / (drawing + numbers))
        page.close()
        page.deleteLater()
    assert shares[0] == pytest.approx(400 / 1200, abs=0.02)
    assert shares[1:] == pytest.approx([shares[0]] * 2, abs=0.02)


def test_picture_is_handed_in_as_evidence_with_one_click(
    full: Window, settle: Settle, tmp_path: Path
) -> None:
    """Opened from the menu, shown, and searched for pavement edges; and taken out again."""
    terrain, model = full.model.terrain, full.model
    assert terrain is not None
    path, place = str(tmp_path / "ortho.tif"), from_bounds(*terrain.bounds, 40, 40)
    kept = {"width": 40, "height": 40, "count": 3, "dtype": "uint8", "crs": terrain.crs_wkt}
    with rasterio.open(path, "w", driver="GTiff", transform=place, **kept) as out:
        out.write(np.full((3, 40, 40), 90, dtype=np.uint8))
    menu = full.commands["picture"].menu()
    actions = {action.text().replace("&", ""): action for action in menu.actions()}
    evidence = actions["Look for pavement edges in it too"]
    menu.aboutToShow.emit()
    assert not evidence.isEnabled()
    actions["Open a picture…"].trigger()
    choose_file(full, path)
    settle(lambda: full.map.picture.path == path)
    menu.aboutToShow.emit()
    assert evidence.isEnabled() and not evidence.isChecked()
    evidence.trigger()
    settle(lambda: model.inputs.extra_paths.get("image") == path)
    assert model.inputs.extras.image == path and model.stale
    menu.aboutToShow.emit()
    assert evidence.isChecked()
    evidence.trigger()
    settle(lambda: "image" not in model.inputs.extra_paths)


# -- sheets before they are printed ---------------------------------------------------


def test_preview_shows_the_page_and_leafs(screened: WindowModel, settle: Settle) -> None:
    """One page at a time, by buttons and keys; another paper is drawn anew."""
    idle = screened.runner.idle
    assert screened.study is not None
    book = reach_book(screened.study, [0, 1], screened.writing)
    preview = PreviewDialog(book, screened.runner, "A4")
    preview.show()
    settle(lambda: not preview.picture.pixmap().isNull())
    page = preview.picture.pixmap().toImage()
    assert page.height() / page.width() == pytest.approx(297 / 210, abs=0.01)
    inked = sum(page.pixelColor(x, y).lightness() < 128 for x in range(0, page.width(), 3)
                for y in range(0, page.height(), 3))  # fmt: skip
    assert inked > 200
    preview.grab().save(str(ARTEFACTS / "preview.png"))
    assert preview.place.text().startswith("Sheet 1 of 2")
    assert not preview.buttons["previous"].isEnabled()
    preview.buttons["last"].click()
    settle(idle)
    assert preview.place.text().startswith("Sheet 2 of 2")
    preview.leaf("previous")
    settle(idle)
    assert preview.place.text().startswith("Sheet 1 of 2")
    preview.paper.setCurrentText("Letter")
    settle(idle)
    page = preview.picture.pixmap().toImage()
    assert page.height() / page.width() == pytest.approx(11.0 / 8.5, abs=0.01)
    assert remembered().value("paper") == "Letter"
    preview.reject()


def test_book_is_sent_to_a_printer(screened: WindowModel, tmp_path: Path, settle: Settle) -> None:
    """Beside the window, each sheet on its page, as any printer would get it."""
    from pypdf import PdfReader

    assert screened.study is not None
    book = station_book(screened.study, [(0, 2), (0, 11)], screened.writing)
    printer = QPrinter()
    printer.setOutputFormat(QPrinter.OutputFormat.PdfFormat)
    path = tmp_path / "printed.pdf"
    printer.setOutputFileName(str(path))
    screened.runner.submit("print", lambda progress: book.send(printer, "A4", progress))
    settle(screened.runner.idle)
    pages = [" ".join(page.extract_text().split()) for page in PdfReader(path).pages]
    assert len(pages) == 2 and "page 2 of 2" in pages[1]


# -- work in progress -----------------------------------------------------------------


def test_every_job_shows_its_share_and_can_be_called_off(
    runner: Runner, qtbot: object, settle: Settle
) -> None:
    """The last begun leads, the others are a click away, and the share is told for the title."""
    bar = JobBar(QStatusBar(), runner)
    shares: list[str] = []
    bar.share_changed.connect(shares.append)
    go = {name: threading.Event() for name in ("long", "quick")}

    def job(name: str) -> Callable[[Progress], None]:
        def work(progress: Progress) -> None:
            while not go[name].wait(0.01):
                progress(0.43 if name == "long" else math.nan, f"working on {name}")

        return work

    runner.submit("a", job("long"), lane="long", title="Screening")
    settle(lambda: "working on long" in bar.words.text())
    assert "43 %" in shares
    runner.submit("b", job("quick"), title="Saving")
    settle(lambda: "working on quick" in bar.words.text())
    assert bar.more.text() == "and 1 more" and shares[-1] == ""
    bar.menu.aboutToShow.emit()
    texts = [action.text() for action in bar.menu.actions()]
    assert texts[0].startswith("Cancel: Saving") and "43 %" in texts[1]
    go["quick"].set()
    settle(lambda: "working on long" in bar.words.text())
    assert shares[-1] == "43 %" and bar.more.isHidden()
    bar.menu.aboutToShow.emit()
    bar.menu.actions()[0].trigger()
    settle(runner.idle)
    assert bar.bar.isHidden() and shares[-1] == ""


def test_job_that_waits_says_for_what_and_can_be_called_off(
    runner: Runner, qtbot: object, settle: Settle
) -> None:
    """It never begins then, and the one that it waited for goes on."""
    bar, go, begun = JobBar(QStatusBar(), runner), threading.Event(), []
    over: list[str] = []
    runner.called_off.connect(lambda key, _title: over.append(key))

    def screening(progress: Progress) -> None:
        while not go.wait(0.01):
            progress(0.43, "finding edges")

    runner.submit("a", screening, lane="long", title="Screening")
    settle(lambda: "finding edges" in bar.words.text())
    runner.submit("b", lambda _: begun.append("b"), lane="long", title="Exporting")
    settle(lambda: not bar.more.isHidden())
    assert bar.more.text() == "Exporting waits"
    runner.submit("c", lambda _: begun.append("c"), lane="long", title="Saving")
    settle(lambda: bar.more.text() == "and 2 more")
    bar.menu.aboutToShow.emit()
    texts = [action.text() for action in bar.menu.actions()]
    assert texts[0].startswith("Cancel: Screening") and "43 %" in texts[0]
    assert texts[1:] == [
        "Cancel: Exporting  ·  waits for: Screening",
        "Cancel: Saving  ·  waits for: Screening",
    ]
    bar.menu.actions()[1].trigger()
    assert over == ["b"]
    assert bar.more.text() == "Saving waits"
    assert "finding edges" in bar.words.text()
    go.set()
    settle(runner.idle)
    assert begun == ["c"]
    assert bar.more.isHidden() and bar.words.isHidden()


def test_job_that_waits_but_a_moment_isnt_said_to(
    runner: Runner, qtbot: object, settle: Settle
) -> None:
    bar, go, shown = JobBar(QStatusBar(), runner), threading.Event(), []
    runner.submit("a", lambda _: go.wait(5.0), lane="long", title="Saving")
    runner.submit("b", lambda _: None, lane="long", title="Exporting")
    runner.progressed.connect(lambda *_: shown.append(bar.more.isHidden()))
    settle(lambda: not bar.words.isHidden())
    assert bar.more.isHidden()
    go.set()
    settle(runner.idle)
    assert bar.more.isHidden() and bar.words.isHidden()


def test_export_during_a_screening_says_that_it_waits(
    full: Window, settle: Settle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is written once the screening is called off."""
    from analysis.findings.handing_out import Outputs
    from analysis.findings.selecting import Selection
    from gui.state import jobs
    from gui.window.exporting import Exporting

    def slow(progress: Progress, _order: object) -> None:
        while True:
            progress(0.1, "finding edges")
            time.sleep(0.01)

    monkeypatch.setattr(jobs, "screen", slow)
    out, bar = tmp_path / "found.csv", full.job_bar
    full.model.screen()
    settle(lambda: "finding edges" in bar.words.text())
    Exporting(full.model, full.dialogs).write(Outputs(stations_csv=str(out)), Selection(), "A4")
    settle(lambda: bar.more.isVisible())
    assert bar.more.text() == "Exporting waits"
    assert not out.exists()
    full.close()
    unsaved = full.dialogs.shown
    assert isinstance(unsaved, QMessageBox) and unsaved.text() == "These findings aren't saved."
    next(b for b in unsaved.buttons() if b.text() == "Don't save").click()
    settle(lambda: full.dialogs.shown is not unsaved)
    missing = full.dialogs.shown
    assert isinstance(missing, QMessageBox) and full.isVisible()
    assert missing.text() == "Not finished yet: Exporting. What it writes would be missing."
    close_dialog(full)
    assert full.isVisible()
    bar.stop.click()
    settle(full.model.runner.idle)
    assert out.exists()
    assert bar.more.isHidden()


def test_share_stands_in_the_title(window: Window) -> None:
    window.job_bar.share_changed.emit("43 %")
    assert window.windowTitle().startswith("43 % · ")
    window.job_bar.share_changed.emit("")
    assert window.windowTitle() == "Vergeline"


def test_title_without_a_name_has_no_mark_of_changes(window: Window, qtlog: Any) -> None:
    """Qt says "title does not contain a '[*]' placeholder" where it is asked for one."""
    window.model._put_and_tell("modified", True)
    assert window.windowTitle() == "Vergeline" and not window.isWindowModified()
    assert not [record for record in qtlog.records if "setWindowModified" in record.message]
    window.model._put_and_tell("modified", False)


def test_first_run_is_said_in_the_middle(
    full: Window, monkeypatch: pytest.MonkeyPatch, settle: Settle
) -> None:
    """On the first page and above the map, for as long as it takes."""
    from gui.window import app

    go, loaded = threading.Event(), []
    monkeypatch.setattr(app, "warm_up", lambda _progress: loaded.append(go.is_set()) or True)
    monkeypatch.setattr(preparing, "prepare", lambda _progress: go.wait(30.0))
    app._after_show(full, [])
    card = full.getting_ready
    settle(lambda: card.isVisible())
    said = " ".join(label.text() for label in card.findChildren(QLabel))
    assert "once" in said and "minute" in said
    assert not full.first_page.getting_ready.isHidden()
    go.set()
    settle(lambda: card.isHidden() and full.first_page.getting_ready.isHidden())
    # What was compiled is loaded before anybody asks for it.
    settle(lambda: loaded == [False, True])
