"""Forms and help: limits judged at once, inputs checked, what a grid can tell, words drawn."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QScrollArea, QWidget

from analysis.common.cautions import CAUTIONS
from analysis.common.limits import default_limits, limit_specs, read_limits
from analysis.study.trying import sums_of
from gui.forms.forms import InputsForm, LimitsForm
from gui.forms.help import TERMS, HelpPage
from gui.look.fields import CalmCombo, QuantityBox
from gui.state import jobs
from gui.state.model import WindowModel
from tests.builders.files import write_lines
from tests.gui.conftest import ARTEFACTS


@pytest.fixture
def limits(model: WindowModel, qtbot: Any) -> LimitsForm:
    form = LimitsForm(model)
    qtbot.addWidget(form)
    form.resize(440, 700)
    form.show()
    form.build_all()
    return form


@pytest.fixture
def inputs(model: WindowModel, qtbot: Any) -> InputsForm:
    form = InputsForm(model)
    qtbot.addWidget(form)
    form.resize(440, 800)
    form.show()
    return form


def inside_names(widget: QWidget) -> list[str]:
    """Names that a screen reader gets for everything that takes the keyboard."""
    return [
        child.accessibleName() or getattr(child, "text", lambda: "")()
        for child in widget.findChildren(QWidget)
        if child.focusPolicy() & Qt.FocusPolicy.TabFocus
        and child.metaObject().className()
        in ("QuantityBox", "CalmCombo", "QLineEdit", "QToolButton", "QPushButton", "QCheckBox")
    ]


def test_columns_that_tell_a_roads_use_are_named_in_the_inputs(
    inputs: InputsForm, model: WindowModel, road_files: tuple[str, str], settle: Callable[..., None]
) -> None:
    """Traffic by a column of the road layer; a wrong name is answered with those that there are."""
    import fiona

    with fiona.open(road_files[1]) as layer:
        lines = [feature["geometry"]["coordinates"] for feature in layer]
        crs = layer.crs_wkt
    used = Path(road_files[1]).with_name("used.gpkg")
    write_lines(used, lines, [{"name": "Fernhollow Road", "adt": 4000.0}] * len(lines), crs=crs)
    assert not any(line.isEnabled() for line in inputs.used.values())
    model.open_terrain(road_files[0])
    settle(lambda: model.terrain is not None)
    model.open_roads(jobs.RoadSource(str(used)))
    settle(lambda: bool(model.roads))
    traffic = inputs.used["traffic_field"]
    traffic.setText("adt")
    traffic.editingFinished.emit()
    settle(lambda: bool(model.roads and model.roads[0].uses))
    assert model.roads[0].uses[0].traffic_per_day == 4000.0
    assert traffic.text() == "adt" and model.inputs.source.traffic_field == "adt"
    traffic.setText("lorries")
    traffic.editingFinished.emit()
    settle(lambda: "lorries" in inputs.state.text())
    assert "adt" in inputs.state.text() and model.inputs.source.traffic_field == "adt"
    assert traffic.text() == "adt"


# -- quantity box ------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(value=st.floats(0.5, 200.0))
def test_quantity_box_unit_switch_changes_nothing(qapp_session: Any, value: float) -> None:
    box = QuantityBox("m", 0.0, 500.0, decimals=2)
    box.set_stored(value)
    told: list[float] = []
    box.stored_changed.connect(told.append)
    for system in ("us", "metric", "us", "metric"):
        box.set_system(system)
    assert box.stored == value
    assert told == []


@pytest.fixture(scope="module")
def qapp_session(qapp: QApplication) -> QApplication:
    return qapp


def test_quantity_box_typed_in_inches(qapp: Any) -> None:
    box = QuantityBox("mm", 0.0, 300.0, decimals=0)
    box.set_system("us")
    box.setValue(2.0)
    assert box.stored == pytest.approx(50.8)
    assert box.suffix() == " in"


def test_quantity_box_never_leaves_its_range(qapp: Any) -> None:
    box = QuantityBox("m", 0.2, 10.0, decimals=2)
    box.set_system("us")
    box.setValue(box.maximum())
    assert box.stored <= 10.0
    box.setValue(box.minimum())
    assert box.stored >= 0.2


def test_wheel_scrolls_the_inputs_and_changes_none(
    inputs: InputsForm, model: WindowModel, qtbot: Any
) -> None:
    """Real wheel turns over each field, chosen before or not: only the form moves.

    Qt gives a field the focus with the wheel, so asking for the focus was no guard.
    """
    inputs.activateWindow()
    before = model.settings
    fields = [*inputs.findChildren(QuantityBox), *inputs.findChildren(CalmCombo)]
    assert len(fields) > 8
    for chosen in (False, True):
        for field in fields:
            if not field.isEnabled():
                continue
            area = inputs.findChild(QScrollArea)
            area.ensureWidgetVisible(field)
            if chosen:
                field.setFocus()
            at = field.mapTo(inputs, field.rect().center())
            for turn in (120, -120):
                QTest.wheelEvent(inputs.windowHandle(), QPointF(at), QPoint(0, turn))
                QApplication.processEvents()
    assert model.settings == before
    assert model.undo.count() == 0


def test_deeds_and_doubts_are_said_in_whole_sentences(
    inputs: InputsForm,
    model: WindowModel,
    write_grid: Callable[..., str],
    settle: Callable[..., None],
) -> None:
    """The button says what it does; a doubt ends before its advice begins."""
    assert inputs.screen_button.text() == "Screen the road"
    model.open_terrain(write_grid(np.full((50, 50), 20.0), name="bare.tif"))
    settle(lambda: "Check that" in inputs.terrain_note.text())
    assert "the file doesn't say. Check that: a wrong unit" in inputs.terrain_note.text()


# -- limits ------------------------------------------------------------------------------------


def test_every_limit_has_a_row_with_unit_and_source(limits: LimitsForm) -> None:
    shipped = default_limits("gravel")
    assert set(limits.rows) == set(limit_specs())
    for name, row in limits.rows.items():
        assert shipped[name].source in row.box.toolTip()
        assert row.box.accessibleName()
        shown = row.box.stored / (100.0 if row.share else 1.0)
        assert shown == pytest.approx(shipped[name].value)
    limits.grab().save(str(ARTEFACTS / "limits_form.png"))


def test_changed_limit_reaches_the_model_and_is_marked(
    limits: LimitsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    row = limits.rows["edge_drop_mm"]
    row.box.setValue(40.0)
    settle(lambda: model.limits.shape.edge_drop_mm.value == 40.0)
    assert model.limits.shape.edge_drop_mm.source == "set by the user"
    assert row.label.font().bold()
    assert row.back.isVisibleTo(limits)
    assert "Shipped value: 50 mm" in row.box.toolTip()
    assert limits.note.text() == "Changed: 1"
    row.back.click()
    assert model.limits == default_limits("gravel")
    assert not row.label.font().bold()


def test_limit_typed_in_inches_is_stored_in_millimetres(
    limits: LimitsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    model.set_units("us")
    settle()
    limits.rows["edge_drop_mm"].box.setValue(3.0)
    settle(lambda: model.limits.shape.edge_drop_mm.value == pytest.approx(76.2))


def test_switching_units_changes_no_limit(limits: LimitsForm, model: WindowModel) -> None:
    for units in ("us", "metric", "us"):
        model.set_units(units)
    limits.push()
    assert model.limits == default_limits("gravel")
    assert not model.undo.canUndo()


def test_share_is_shown_in_percent(
    limits: LimitsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    row = limits.rows["recovery"]
    assert row.box.suffix() == " %"
    row.box.setValue(60.0)
    settle(lambda: model.limits.material.recovery.value == pytest.approx(0.6))


def test_limits_that_contradict_are_refused_in_words(
    limits: LimitsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    """Least slope above steepest slope: the sentence says so and nothing changes."""
    limits.rows["shoulder_least_pct"].box.setValue(15.0)
    settle(lambda: limits.note.text() not in ("", "All as shipped"))
    assert model.limits == default_limits("gravel")
    assert limits.rows["shoulder_least_pct"].box.stored == pytest.approx(4.0)
    assert limits.note.text().endswith(".")


def test_undo_brings_a_limit_back_into_the_form(
    limits: LimitsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    limits.rows["rut_mm"].box.setValue(20.0)
    settle(lambda: model.limits.shape.rut_mm.value == 20.0)
    model.undo.undo()
    assert limits.rows["rut_mm"].box.stored == 30.0
    model.undo.redo()
    assert limits.rows["rut_mm"].box.stored == 20.0


def test_surface_keeps_what_was_set_by_hand(
    limits: LimitsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    limits.rows["rut_mm"].box.setValue(20.0)
    settle(lambda: model.limits.shape.rut_mm.value == 20.0)
    limits.surface_box.setCurrentIndex(limits.surface_box.findData("turf"))
    turf = default_limits("turf")
    assert model.limits.surface == "turf"
    assert model.limits.shape.rut_mm.value == 20.0
    assert model.limits.shape.shoulder_least_pct == turf.shape.shoulder_least_pct


def test_find_hides_the_others(limits: LimitsForm) -> None:
    limits.find_box.setText("truck load loose")
    visible = [name for name, row in limits.rows.items() if row.isVisibleTo(limits)]
    assert visible == ["truck_m3"]
    limits.find_box.clear()
    limits.changed_only.setChecked(True)
    assert not [name for name, row in limits.rows.items() if row.isVisibleTo(limits)]


def test_write_and_read_a_file(
    limits: LimitsForm, model: WindowModel, tmp_path: Path, settle: Callable[..., None]
) -> None:
    path = tmp_path / "limits.toml"
    limits.rows["high_shoulder_mm"].box.setValue(20.0)
    limits.write(str(path))
    assert read_limits(path).shape.high_shoulder_mm.value == 20.0
    limits.reset_all()
    assert model.limits == default_limits("gravel")
    limits.read(str(path))
    assert model.limits.shape.high_shoulder_mm.value == 20.0


def test_bad_file_is_one_sentence_and_changes_nothing(
    limits: LimitsForm, model: WindowModel, tmp_path: Path
) -> None:
    path = tmp_path / "limits.toml"
    path.write_text("[gravel\nrut_mm = 3")
    limits.read(str(path))
    assert "isn't valid TOML" in limits.note.text()
    limits.read(str(tmp_path / "missing.toml"))
    assert "doesn't exist" in limits.note.text()
    limits.write(str(tmp_path / "nowhere" / "limits.toml"))
    assert "can't be written" in limits.note.text()
    assert model.limits == default_limits("gravel")


def test_limit_is_tried_before_it_is_kept(
    screened: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    """A limit says at once what it changes; kept, the study is what it said, without measuring."""
    form = LimitsForm(screened)
    qtbot.addWidget(form)
    form.build_all()
    measures, before = screened.study.roads[0].measures, screened.findings
    form.rows["shoulder_over_pavement_points"].box.setValue(6.0)
    settle(lambda: form.trial.change is not None)
    assert screened.findings is before
    assert not screened.undo.canUndo()
    assert form.rows["shoulder_over_pavement_points"].label.font().bold()
    change = form.trial.change
    assert change.after.failing_m > change.before.failing_m
    assert f"{change.changed_m:.0f} m of shoulder" in form.trial_bar.words.text()
    form.trial_bar.keep_button.click()
    settle(lambda: screened.study.limits.shape.shoulder_over_pavement_points.value == 6.0)
    assert form.trial_bar.isHidden()
    assert change.after == sums_of(screened.findings.reaches)
    assert change.before == sums_of(before.reaches)
    assert screened.study.roads[0].measures is measures
    assert "Change" in screened.undo.undoText()


def test_tried_limits_are_dropped_without_a_trace(
    screened: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    """Several limits tried together go together; an undo elsewhere ends the trial too."""
    form = LimitsForm(screened)
    qtbot.addWidget(form)
    form.build_all()
    shipped = screened.limits
    form.rows["rut_mm"].box.setValue(20.0)
    settle(lambda: form.trial.change is not None)
    form.rows["edge_drop_mm"].box.setValue(40.0)
    settle(lambda: form.trial.limits["edge_drop_mm"].value == 40.0)
    assert form.trial.limits["rut_mm"].value == 20.0
    assert form.note.text() == "Changed: 2"
    form.trial_bar.drop_button.click()
    assert screened.limits is shipped
    assert form.rows["rut_mm"].box.stored == 30.0
    assert form.trial_bar.isHidden()
    form.rows["rut_mm"].box.setValue(20.0)
    settle(lambda: form.trial.change is not None)
    screened.set_limits(shipped.with_value("edge_drop_mm", 45.0))
    assert form.trial.limits is None
    settle(lambda: screened.runner.idle())


def test_groups_come_by_themselves(
    model: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    form = LimitsForm(model)
    qtbot.addWidget(form)
    assert 0 < len(form.rows) < len(limit_specs())
    form.show()
    settle(lambda: len(form.rows) == len(limit_specs()))


# -- inputs ------------------------------------------------------------------------------------


def test_settings_reach_the_model(inputs: InputsForm, model: WindowModel) -> None:
    inputs.spacing.setValue(5.0)
    inputs.pavement.setValue(6.2)
    inputs.shoulder.setValue(1.2)
    assert model.settings.spacing_m == 5.0
    assert model.settings.pavement_width_m == pytest.approx(6.2)
    assert model.settings.shoulder_width_m == pytest.approx(1.2)
    model.undo.undo()
    assert inputs.shoulder.stored == 1.5
    inputs.grab().save(str(ARTEFACTS / "inputs_form.png"))


def test_width_in_feet(inputs: InputsForm, model: WindowModel, settle: Callable[..., None]) -> None:
    model.set_units("us")
    settle()
    inputs.pavement.setValue(22.0)
    assert model.settings.pavement_width_m == pytest.approx(22.0 * 0.3048)


def test_settings_that_contradict_are_refused_in_words(
    inputs: InputsForm, model: WindowModel
) -> None:
    before = model.settings
    inputs.half_width.setValue(3.0)
    assert model.settings == before
    assert "raise “Read to each side”" in inputs.state.text()
    assert inputs.half_width.stored == before.half_width_m


def test_automatic_average_and_given_noise(inputs: InputsForm, model: WindowModel) -> None:
    inputs.average_auto.setChecked(True)
    assert model.settings.average_m == "auto"
    assert not inputs.average.isEnabled()
    inputs.average_auto.setChecked(False)
    assert model.settings.average_m == pytest.approx(20.0)
    inputs.noise_auto.setChecked(False)
    inputs.noise.setValue(45.0)
    assert model.settings.noise_m == pytest.approx(0.045)
    inputs.noise_auto.setChecked(True)
    assert model.settings.noise_m is None


def test_density_of_points_is_the_commands_option(
    inputs: InputsForm, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """Given in the window, per area in either system, it finds what the command finds with it."""
    from analysis import screen
    from analysis.cli import _settings_and_limits, build_parser

    model = screened
    settle(model.runner.idle)
    assert not inputs.density.isEnabled() and inputs.density_auto.isChecked()
    inputs.density_auto.setChecked(False)
    model.set_units("us")
    settle()
    # 10.7639 square feet are a square metre (NIST Handbook 44, Appendix C)
    inputs.density.setValue(0.56)
    assert inputs.density.suffix() == " /ft²"
    assert model.settings.points_per_m2 == pytest.approx(0.56 * 10.7639, rel=1e-4)
    model.set_units("metric")
    settle()
    inputs.density.setValue(6.0)
    words = "screen --grid g --centreline c --out o --point-density 6"
    told, limits = _settings_and_limits(build_parser().parse_args(words.split()))
    assert told == model.settings
    model.screen()
    settle(lambda: not model.stale and model.runner.idle())
    assert model.study is not None and model.study.roads[0].case.grain.given
    roads = [part.road for part in model.study.roads]
    same = screen(model.study.terrain, roads, told, limits)
    for name, column in same.findings.stations.columns.items():
        found = model.study.findings.stations[name]
        assert np.array_equal(column, found, equal_nan=column.dtype.kind == "f"), name
    assert model.study.settings.points_per_m2 == 6.0
    rows = dict((what, much) for what, much, _ in inputs.power.told.rows)
    assert rows["Footprint of a height"].startswith("0.84 ± 0.0")
    inputs.density_auto.setChecked(True)
    assert model.settings.points_per_m2 is None


def test_what_the_grid_tells_is_unknown_before_a_road_is_screened(
    inputs: InputsForm, settle: Callable[..., None]
) -> None:
    settle(inputs.model.runner.idle)
    ((_, much, _),) = inputs.power.told.rows
    assert much == "unknown"


def test_what_the_grid_tells_shows_after_screening(
    inputs: InputsForm, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """Every row has a number with its unit and a sentence; what would help comes last."""
    settle(screened.runner.idle)
    rows = inputs.power.told.rows
    assert len(rows) >= 13 and rows[-1][0] == "What would help"
    assert all(much and means.endswith(".") for _, much, means in rows)
    label = inputs.power.told
    settle(lambda: label.height() >= label.heightForWidth(label.width()))


def test_buttons_ask_the_window(inputs: InputsForm, model: WindowModel) -> None:
    asked: list[str] = []
    model.asked.connect(asked.append)
    for button in inputs.findChildren(QWidget):
        if button.accessibleName().startswith("Open: "):
            button.click()
    assert asked[:2] == ["terrain", "road"]


def test_screen_button_follows_what_is_open(
    inputs: InputsForm, model: WindowModel, road_files: tuple[str, str], settle: Callable[..., None]
) -> None:
    from gui.state.jobs import RoadSource

    assert not inputs.screen_button.isEnabled()
    model.open_files(road_files[0], RoadSource(road_files[1]))
    settle(lambda: model.can_screen)
    assert inputs.screen_button.isEnabled()
    assert "Fernhollow Road" in inputs.road_note.text()
    assert "0.50 m" in inputs.terrain_note.text()
    inputs.screen_button.click()
    settle(lambda: model.study is not None)
    settle(model.runner.idle)
    assert inputs.state.text() == "The findings are of these inputs."
    inputs.spacing.setValue(20.0)
    assert "screen again" in inputs.state.text()


def test_surface_moves_settings_and_limits_in_one_undo(
    inputs: InputsForm, model: WindowModel
) -> None:
    inputs.surface_box.setCurrentIndex(inputs.surface_box.findData("turf"))
    inputs.surface_box.activated.emit(inputs.surface_box.currentIndex())
    assert model.settings.surface == model.limits.surface == "turf"
    model.undo.undo()
    assert model.settings.surface == model.limits.surface == "gravel"


def test_everything_has_a_name_for_screen_readers(inputs: InputsForm, limits: LimitsForm) -> None:
    for form in (inputs, limits):
        names = inside_names(form)
        assert names and all(names)


# -- what the grid can tell --------------------------------------------------------------------


def test_power_says_when_a_grid_cannot_tell(
    inputs: InputsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    """A narrow shoulder, short averaging and a noisy 1 m grid can't tell 4 % from 2 %."""
    model.set_settings(replace(model.settings, noise_m=0.06, average_m=5.0, shoulder_width_m=2.0))
    settle(model.runner.idle)
    assert "can't tell 4 % from 2 %" in inputs.power.words.text()
    model.set_settings(replace(model.settings, average_m=200.0, noise_m=0.01))
    settle(model.runner.idle)
    assert "That tells 4 % from 2 %" in inputs.power.words.text()
    model.set_settings(replace(model.settings, shoulder_width_m=0.3))
    settle(model.runner.idle)
    assert "too narrow" in inputs.power.words.text()


def test_power_numbers_are_those_of_the_analysis(
    inputs: InputsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    from analysis.shoulder.resolving import least_average, resolving_power

    model.set_settings(replace(model.settings, noise_m=0.03, average_m=20.0, shoulder_width_m=2.0))
    power = resolving_power(1.0, 0.03, 2.0, 20.0, pavement_width_m=7.0)
    settle(model.runner.idle)
    text = inputs.power.words.text()
    assert f"± {power.slope_se:.1f} % points" in text
    assert f"± {power.drop_se:.0f} mm" in text
    least = least_average(1.0, 0.03, 2.0, difference_pct=2.0, pavement_width_m=7.0)
    assert f"at least {math.ceil(least)} m" in text


def test_power_falls_with_length(
    inputs: InputsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    model.set_settings(replace(model.settings, shoulder_width_m=3.0))
    settle(model.runner.idle)
    errors = inputs.power.answer.errors
    assert len(errors) > 3
    assert all(a > b for a, b in itertools.pairwise(errors))
    assert math.isfinite(inputs.power.answer.wanted)


def test_power_with_edges_given_is_better(
    inputs: InputsForm, model: WindowModel, settle: Callable[..., None]
) -> None:
    model.set_settings(replace(model.settings, shoulder_width_m=3.0))
    settle(model.runner.idle)
    searched = inputs.power.answer.slope_se
    inputs.find_edges.setChecked(False)
    settle(model.runner.idle)
    assert inputs.power.answer.slope_se < searched


# -- help --------------------------------------------------------------------------------------


def test_every_word_is_explained_and_drawn(qtbot: Any) -> None:
    page = HelpPage()
    qtbot.addWidget(page)
    page.resize(940, 560)
    page.show()
    for row, term in enumerate(TERMS):
        page.words.setCurrentRow(row)
        assert term.title in page.text.toPlainText()
        assert page.diagram.part == term.part
        page.diagram.grab()
        if term.part:
            assert not page.diagram.spots()[term.part].isEmpty(), term.part
    page.grab().save(str(ARTEFACTS / "help_page.png"))


def test_cautions_are_always_in_sight(qtbot: Any) -> None:
    page = HelpPage()
    qtbot.addWidget(page)
    for row in (-1, 0, 5):
        page.words.setCurrentRow(row)
        for sentence in CAUTIONS:
            assert sentence in page.text.toPlainText()


def test_click_in_the_drawing_explains(qtbot: Any) -> None:
    page = HelpPage()
    qtbot.addWidget(page)
    page.resize(940, 560)
    page.show()
    page.diagram.grab()
    spot = page.diagram.spots()["drop"].center().toPoint()
    qtbot.mouseClick(page.diagram, Qt.MouseButton.LeftButton, pos=spot)
    assert page.words.currentItem().text() == "Edge drop"


def test_search_finds_by_meaning(qtbot: Any) -> None:
    page = HelpPage()
    qtbot.addWidget(page)
    page.search.setText("straightedge")
    shown = [
        page.words.item(i).text()
        for i in range(page.words.count())
        if not page.words.item(i).isHidden()
    ]
    assert shown == ["Rut and ridge"]


def test_day_of_the_survey_goes_onto_sheets_and_into_the_file(
    screened: WindowModel, qtbot: Any, tmp_path: Path, settle: Callable[..., None]
) -> None:
    """Given after the screening it is in all that leaves; undone, saved, opened it is the same."""
    from analysis.findings.planning import make_programme
    from analysis.findings.sheets import WorkSheets

    form = InputsForm(screened)
    qtbot.addWidget(form)
    stations = screened.findings.stations  # type: ignore[union-attr]

    def typed(text: str) -> None:
        form.surveyed.setText(text)
        form.surveyed.editingFinished.emit()

    def told() -> tuple[str, str]:
        found = screened.reviewed_findings()
        assert found is not None
        return WorkSheets(found).source, make_programme(found).source

    assert all("day of survey not given" in text for text in told())
    typed("12.4.2026")
    assert "2026-04-12" in form.state.text()
    assert form.surveyed.text() == "12.4.2026"
    assert not screened.surveyed
    typed("2026-04-12")
    assert all("surveyed 2026-04-12" in text for text in told())
    assert screened.modified
    assert not screened.stale
    assert screened.findings.stations is stations  # type: ignore[union-attr]
    screened.undo.undo()
    assert form.surveyed.text() == ""
    assert all("day of survey not given" in text for text in told())
    screened.undo.redo()
    # judging by other limits starts from the same study
    other = screened.limits.with_value("edge_drop_mm", 61.0)
    screened.set_limits(other)
    settle(lambda: screened.study is not None and screened.study.limits == other)
    assert all("surveyed 2026-04-12" in text for text in told())
    path = str(tmp_path / "dated.gpkg")
    screened.save(path)
    settle(lambda: screened.path == path)
    opened = jobs.open_study(lambda *_: None, path)  # type: ignore[arg-type]
    assert opened.inputs.terrain_source is not None
    assert opened.inputs.terrain_source.surveyed == "2026-04-12"
    assert jobs._sources(opened.inputs)["surveyed"] == "2026-04-12"
