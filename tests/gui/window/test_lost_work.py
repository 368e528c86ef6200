"""What was open, set or typed when a window died or was closed: nothing goes unasked."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import QDate, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QMessageBox

from analysis.findings.geopackage import read_findings
from gui.field.field_page import FieldPage
from gui.forms.forms import InputsForm
from gui.forms.limits_form import LimitsForm
from gui.plan.plan_page import PlanPage
from gui.state.beside import SECOND
from gui.state.jobs import RoadSource
from gui.state.model import WindowModel
from gui.window.autosave import Autosave
from gui.window.window import Window
from tests.gui.window.conftest import close_dialog, dispose

Settle = Callable[..., None]


@pytest.fixture
def after_dying(settle: Settle) -> Iterator[Callable[[Window], Window]]:
    """Return a function that lets a window die and a new one recover what is there."""
    made: list[Window] = []

    def die(window: Window) -> Window:
        autosave, runner = window.files.autosave, window.model.runner
        autosave.save_now()
        settle(runner.idle)
        # The system lets go of the lock, nothing else happens.
        assert autosave._lock is not None
        autosave._lock.unlock()
        autosave._timer.stop()
        (left,) = Autosave.leftovers()
        other = Window(WindowModel(runner))
        made.append(other)
        other.show()
        other.files.recover(left)
        settle(runner.idle)
        settle(lambda: not other.panes.coming)
        return other

    yield die
    for window in made:
        dispose(window)


def question(window: Window) -> str:
    """Return what the window asks before it closes; it is then told to stay."""
    window.close()
    box = window.dialogs.shown
    assert isinstance(box, QMessageBox) and window.isVisible()
    text = box.text()
    close_dialog(window)
    return text


def test_what_was_open_before_the_first_screening_comes_back(
    window: Window,
    shared_files: tuple[str, str],
    settle: Settle,
    after_dying: Callable[[Window], Window],
) -> None:
    """Files and how they are read, widths, surface and limits; and it is asked about."""
    model = window.model
    source = RoadSource(shared_files[1], start_m=300.0, reverse=True)
    model.open_files(shared_files[0], source)
    settle(lambda: model.can_screen)
    assert not window.files.holds_unsaved(), "files that are only open are in no danger"
    form = window.panes["inputs"].fill()
    assert isinstance(form, InputsForm)
    form.pavement.setValue(6.4)
    form._set_surface("turf")
    model.set_limits(model.limits.with_value("rut_mm", 21.0))
    model.set_surveyed("2026-04-12")
    settle(lambda: not window.panes.coming)
    assert "Nothing was screened yet" in question(window)
    other = after_dying(window).model
    assert other.findings is None and other.can_screen and other.modified
    assert other.inputs.source == source
    assert other.inputs.terrain_source == model.inputs.terrain_source
    assert other.settings == model.settings and other.limits == model.limits
    assert other.surveyed == "2026-04-12"
    model.undo.clear()


def test_road_that_waits_for_its_terrain_comes_back(
    window: Window, shared_files: tuple[str, str], after_dying: Callable[[Window], Window]
) -> None:
    window.model.open_roads(RoadSource(shared_files[1]))
    other = after_dying(window).model
    assert other.inputs.source == RoadSource(shared_files[1]) and not other.roads


def test_what_stood_in_fields_and_panes_comes_back(
    full: Window,
    shared_files: tuple[str, str],
    settle: Settle,
    tmp_path: Path,
    after_dying: Callable[[Window], Window],
) -> None:
    """Half a width, a note, a reading, means and days, two surveys and the grid compared with."""
    model = full.model
    earlier = str(tmp_path / "earlier.gpkg")
    model.save(earlier)
    settle(lambda: model.path == earlier)
    assert not full.files.holds_unsaved()
    field, plan = full.panes["field"].fill(), full.panes["plan"].fill()
    assert isinstance(field, FieldPage) and isinstance(plan, PlanPage)
    field.readings.station.setText("0+050")
    field.readings.fall.setText("48")
    field.readings.add()
    field.readings.station.setText("0+070")
    field.check.missed.setValue(7.0)
    field.surveys.this_day.setDate(QDate(2026, 5, 1))
    field.surveys.other_day.setDate(QDate(2019, 8, 30))
    field.surveys.other_name.setText("before the flood")
    plan.crew_days.setValue(12.5)
    plan.dated.setChecked(True)
    plan.start.setDate(QDate(2027, 3, 1))
    plan.traffic_plan.setText("TC 14")
    limits = full.panes["limits"].fill()
    assert isinstance(limits, LimitsForm)
    limits.trial.start(model.limits.with_value("rut_mm", 18.0), "Change limits")
    model.drafts.notes[model.reach_key(1)] = "look at the culv"
    # As opening it does, which a window that is killed covers.
    model.beside.put(SECOND, shared_files[0])
    form = full.panes["inputs"].fill()
    assert isinstance(form, InputsForm)
    full.activateWindow()
    full.panes["inputs"].raise_()
    form.shoulder.setFocus()
    form.shoulder.selectAll()
    QTest.keyClicks(form.shoulder, "2.2")
    width = model.settings.shoulder_width_m
    # What the window is told meanwhile doesn't write over what is being typed.
    model.study_changed.emit()
    assert form.shoulder.lineEdit().text().startswith("2.2")
    kept = model.beside.to_json()
    other = after_dying(full)
    again = other.model
    assert again.modified
    assert again.beside.to_json() == kept
    assert [r.reading_mm for r in again.typed.readings] == [48.0]
    assert again.surveyed == "2026-05-01"
    settle(lambda: again.second_study is not None)
    field, plan = other.panes["field"].fill(), other.panes["plan"].fill()
    assert isinstance(field, FieldPage) and isinstance(plan, PlanPage)
    assert field.readings.station.text() == "0+070"
    assert field.check.missed.value() == 7.0
    surveys = field.surveys
    days = [box.date().toString("yyyy-MM-dd") for box in (surveys.this_day, surveys.other_day)]
    assert days == ["2026-05-01", "2019-08-30"]
    assert surveys.other_name.text() == "before the flood"
    assert (plan.crew_days.value(), plan.traffic_plan.text()) == (12.5, "TC 14")
    assert plan.dated.isChecked() and plan.start.date() == QDate(2027, 3, 1)
    assert again.drafts.notes == {model.reach_key(1): "look at the culv"}
    form = other.panes["inputs"].fill()
    assert isinstance(form, InputsForm)
    settle(lambda: form.shoulder.lineEdit().text().startswith("2.2"))
    assert again.settings.shoulder_width_m == width, "it is typed, not entered"
    limits = other.panes["limits"].fill()
    assert isinstance(limits, LimitsForm) and limits.trial.limits is not None
    assert limits.trial.limits["rut_mm"].value == 18.0 != again.limits["rut_mm"].value
    settle(lambda: limits.trial.change is not None)
    # Saved with the findings, and there when they are opened again; a scrap of text isn't.
    again.save(earlier)
    settle(lambda: again.path == earlier)
    assert not again.modified
    asked = question(other)
    assert asked.startswith("Typed and not entered yet: ")
    assert all(name in asked for name in ("Station", "Limits that are tried", "Note of the review"))
    assert "TC 14" in str(read_findings(earlier).run["panes_wanted"])
    model.close_study()
    assert model.beside.to_json() == "" and plan.traffic_plan.text() == "TC 14"


def test_typed_readings_are_asked_about(full: Window, settle: Settle, tmp_path: Path) -> None:
    """They are part of the work: closing asks, and saving keeps them."""
    model, path = full.model, str(tmp_path / "findings.gpkg")
    model.save(path)
    settle(lambda: not model.modified)
    field = full.panes["field"].fill()
    assert isinstance(field, FieldPage)
    field.readings.station.setText("0+050")
    field.readings.fall.setText("48")
    QTest.keyClick(field.readings.fall, Qt.Key.Key_Return)
    assert "findings.gpkg has changes that aren't saved" in question(full)
    model.save(path)
    settle(lambda: not model.modified)
    model.close_study()
    assert model.typed.readings == () and field.readings.readings == []
    model.open_study(path)
    settle(lambda: bool(field.readings.readings))
    assert not model.modified
