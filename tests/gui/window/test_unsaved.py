"""Unsaved work: asked about, copied while it goes on, found again after a crash."""

import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analysis.findings.geopackage import Findings, write_findings
from analysis.findings.readings import Reading
from gui.look.remembered import remembered
from gui.section.section_page import SectionPage
from gui.state.copying import Copier
from gui.state.jobs import RoadSource
from gui.state.model import WindowModel
from gui.state.runner import Progress
from gui.window.autosave import Autosave
from gui.window.places import unsaved_folder
from gui.window.window import Window
from tests.gui.window.conftest import Settle, choose_file, dialog_text, dispose, press


def test_close_with_unsaved_changes_asks(full: Window, settle: Settle, tmp_path: Path) -> None:
    """Closing asks; Cancel keeps all, Don't save closes."""
    full.close()
    settle()
    assert full.isVisible()
    assert "aren't saved" in dialog_text(full)
    press(full, "Cancel")
    settle()
    assert full.isVisible()
    full.close()
    press(full, "Don't save")
    settle()
    assert not full.isVisible()


def test_close_and_save(full: Window, settle: Settle, tmp_path: Path) -> None:
    """Save in the question saves first and then closes."""
    model, path = full.model, str(tmp_path / "kept.gpkg")
    model.save(path)
    settle(lambda: model.path == path)
    model.set_review(model.reach_key(0), "agreed")
    full.close()
    press(full, "Save")
    settle(lambda: not full.isVisible())
    from analysis.findings.geopackage import read_findings

    assert list(read_findings(path).reviews["state"]) == ["agreed"]


def test_opening_another_terrain_asks_about_the_study(
    full: Window, shared_files: tuple[str, str], settle: Settle
) -> None:
    """A new terrain would drop the study: asked first."""
    study = full.model.study
    full.files.open_terrain(shared_files[0])
    settle()
    assert "aren't saved" in dialog_text(full)
    press(full, "Cancel")
    assert full.model.study is study


@pytest.fixture
def moved(
    window: Window, road_files: tuple[str, str], tmp_path: Path, settle: Settle
) -> tuple[Window, Path]:
    """A study with a review, open while its terrain lies in another folder."""
    model = window.model
    model.open_files(road_files[0], RoadSource(road_files[1]))
    settle(lambda: bool(model.roads))
    model.screen()
    settle(lambda: model.study is not None)
    model.set_review(model.reach_key(0), "agreed")
    path = str(tmp_path / "study.gpkg")
    model.save(path)
    settle(lambda: model.path == path)
    model.close_study()
    other = tmp_path / "elsewhere"
    other.mkdir()
    grid = Path(road_files[0]).rename(other / "renamed.tif")
    model.open_study(path)
    settle(lambda: model.findings is not None and model.runner.idle())
    assert model.terrain is None
    return window, grid


def test_moved_terrain_is_found_again(moved: tuple[Window, Path], settle: Settle) -> None:
    """The same file at another place belongs to the study: sections are back, nothing is lost."""
    window, grid = moved
    model = window.model
    window.step_bar.button.click()
    choose_file(window, str(grid))
    settle(lambda: model.study is not None)
    assert Path(model.terrain.path) == grid
    assert model.review(model.reach_key(0)) == ("agreed", "")
    assert model.path.endswith("study.gpkg")
    assert model.modified, "the new place is worth saving"


def test_other_terrain_is_asked_about(moved: tuple[Window, Path], settle: Settle) -> None:
    """A file with other content is used only if the person says so; the study stays meanwhile."""
    window, grid = moved
    model = window.model
    with grid.open("ab") as file:
        file.write(b"\0" * 64)
    window.files.open_terrain(str(grid))
    settle(lambda: window.dialogs.shown is not None)
    assert "content differs" in dialog_text(window)
    assert model.findings is not None and model.terrain is None
    press(window, "Use it for these findings")
    settle(lambda: model.study is not None)
    assert model.review(model.reach_key(0)) == ("agreed", "")


def test_terrain_moved_with_its_study_opens_by_itself(
    moved: tuple[Window, Path], tmp_path: Path, settle: Settle
) -> None:
    """Beside the study, with its old name and content, it needs no asking."""
    window, grid = moved
    model = window.model
    folder = tmp_path / "sent"
    folder.mkdir()
    name = Path(str(model.findings.run["terrain"])).name
    grid.rename(folder / name)
    study = Path(model.path).rename(folder / "study.gpkg")
    model.close_study()
    model.open_study(str(study))
    settle(lambda: model.study is not None)
    assert Path(model.terrain.path) == folder / name


def test_reopened_study_says_that_it_is_measured(
    full: Window, tmp_path: Path, settle: Settle
) -> None:
    """While the road is measured again the section asks for nothing that is open already."""
    model, page = full.model, full.panes["section"].fill()
    assert isinstance(page, SectionPage)
    path = str(tmp_path / "again.gpkg")
    model.save(path)
    settle(lambda: model.path == path)
    said: set[str] = set()
    model.runner.busy_changed.connect(lambda _busy: said.add(page.canvas.empty_text))
    model.study_changed.connect(lambda: said.add(page.canvas.empty_text))
    model.open_study(path)
    settle(lambda: model.findings is not None and model.study is None and not model.path == "")
    settle(lambda: page.section is None)
    assert page.canvas.empty_text == "The road is measured again; then its sections are here."
    settle(lambda: page.section is not None)
    assert not any("Open the terrain" in text for text in said)


def test_autosave_recovers_after_a_crash(
    full: Window, settle: Settle, runner: Any, tmp_path: Path
) -> None:
    """The copy of a window that died is offered and brings back what wasn't saved."""
    model = full.model
    model.set_review(model.reach_key(0), "rejected", "side road")
    model.correct(0, 6, 1, "hinge", 5.3)
    settle(runner.idle)
    full.files.autosave.save_now()
    settle(runner.idle)
    copy = full.files.autosave.copy
    assert copy.is_file()
    assert model.modified
    assert model.path == ""
    assert Autosave.leftovers() == [], "the copy of a living window is no leftover"
    # The program dies: the system lets go of its lock, nothing else happens.
    full.files.autosave._lock.unlock()

    other = Window(WindowModel(runner))
    other.show()
    other.files.offer_recovery()
    assert "unsaved work" in dialog_text(other)
    press(other, "Recover it")
    settle(lambda: other.model.study is not None)
    settle(runner.idle)
    assert other.model.modified
    assert other.model.path == ""
    assert other.model.corrections == model.corrections
    assert other.model.review(model.reach_key(0)) == ("rejected", "side road")
    other.files.autosave.save_now()
    settle(runner.idle)
    assert not copy.exists(), "once the work has a new copy the old one goes"
    dispose(other)


def test_autosave_goes_on_after_a_moved_edge(full: Window, settle: Settle) -> None:
    """Each change is in the next copy: also one of results, which hold arrays."""
    from analysis.findings.geopackage import read_findings

    model, autosave = full.model, full.files.autosave
    for station, edge in ((6, 3.1), (9, 3.2)):
        autosave.save_now()
        settle(model.runner.idle)
        model.correct(0, station, 1, "edge", edge)
        settle(model.runner.idle)
        autosave.save_now()
        settle(model.runner.idle)
        assert edge in list(read_findings(str(autosave.copy)).edits["u_m"])
    # Another edit at the same place of the undo stack is another state.
    model.undo.undo()
    model.correct(0, 9, 1, "edge", 3.3)
    settle(model.runner.idle)
    autosave.save_now()
    settle(model.runner.idle)
    assert 3.3 in list(read_findings(str(autosave.copy)).edits["u_m"])


def test_copy_keeps_limits_before_they_were_judged_by_and_typed_readings(
    full: Window, settle: Settle
) -> None:
    """A copy holds what was done, whether it was worked out yet or is part of any file."""
    model, autosave = full.model, full.files.autosave
    # A copy that the clock began earlier isn't called off for a newer one.
    autosave._timer.stop()
    settle(model.runner.idle)
    reading = Reading(
        road="Fernhollow Road", station_m=51.37, side="left", reading_mm=48.0, board_m=1.2
    )
    model.typed.put([reading])
    entry = model.limits["shoulder_least_pct"]
    wanted = model.limits.with_entries({"shoulder_least_pct": replace(entry, value=4.4)})
    model.set_limits(wanted)
    model.runner.cancel("update")
    autosave.save_now()
    settle(model.runner.idle)
    autosave._lock.unlock()
    (left,) = Autosave.leftovers()
    other = Window(WindowModel(model.runner))
    other.files.recover(left)
    settle(lambda: other.model.findings is not None)
    assert other.model.limits == wanted
    # NaN is unequal to itself.
    assert repr(other.model.typed.readings) == repr((reading,))
    dispose(other)


def test_layout_is_kept_before_the_window_closes(full: Window, settle: Settle) -> None:
    full._keep_layout()
    remembered().remove("layout")
    full._keep_layout()
    assert not remembered().contains("layout"), "nothing changed"
    full.panes.by_name["along"].hide()
    settle()
    full._keep_layout()
    assert remembered().value("layout") == full.panes.keep()


def test_autosave_copy_goes_when_saved(full: Window, settle: Settle, tmp_path: Path) -> None:
    """Saving by hand makes the copy needless."""
    autosaver = full.files.autosave
    autosaver._timer.stop()
    settle(full.model.runner.idle)
    autosaver.save_now()
    settle(full.model.runner.idle)
    assert autosaver.copy.is_file()
    path = str(tmp_path / "s.gpkg")
    full.model.save(path)
    settle(lambda: full.model.path == path)
    settle()
    assert not autosaver.copy.exists()
    assert list(unsaved_folder().glob("*.json")) == []


def test_lock_of_the_copy_is_taken_once(full: Window, settle: Settle, tmp_path: Path) -> None:
    """Taking it waits for the disk; one that a dead window left is cleared away."""
    model, autosave = full.model, full.files.autosave
    autosave._timer.stop()
    locks = []
    for state in ("agreed", "rejected"):
        model.set_review(model.reach_key(0), state)
        autosave.save_now()
        settle(model.runner.idle)
        assert autosave.copy.is_file()
        locks.append(autosave._lock)
        model.save(str(tmp_path / "saved.gpkg"))
        settle(model.runner.idle)
        assert [p.suffix for p in autosave.copy.parent.glob(f"{autosave.copy.stem}*")] == [".lock"]
    assert locks[0] is locks[1] and locks[0].isLocked()
    orphan = autosave.copy.with_name("dead.lock")
    orphan.write_text("999999999\n\n\n")
    assert Autosave.leftovers() == []
    assert not orphan.exists() and locks[0].isLocked()
    autosave.discard()
    assert not list(autosave.copy.parent.glob(f"{autosave.copy.stem}*"))


def test_copy_that_was_called_off_too_late_is_deleted(
    full: Window, settle: Settle, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whole before its process could be stopped, it would lie there for good."""
    autosaver = full.files.autosave
    autosaver._timer.stop()
    settle(full.model.runner.idle)
    begun, go_on = threading.Event(), threading.Event()

    def write(_copier: object, progress: Progress, findings: Findings, path: str) -> None:
        begun.set()
        go_on.wait(20.0)
        write_findings(findings, path)

    monkeypatch.setattr(Copier, "write", write)
    autosaver._changes += 1
    autosaver.save_now()
    settle(begun.is_set)
    autosaver.discard()
    go_on.set()
    settle(full.model.runner.idle)
    assert not autosaver.copy.exists()
