"""A road that is wider than the others gets its own width by one click, and only it is screened."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from gui.forms.forms import InputsForm
from gui.state.jobs import RoadSource
from gui.window.window import Window
from tests.builders.two_widths import NARROW, WIDE, WIDE_M, write_two_widths

Settle = Callable[..., None]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    return write_two_widths(tmp_path_factory.mktemp("two"))


@pytest.fixture
def two(window: Window, files: tuple[str, str], settle: Settle) -> Window:
    """A window with both roads screened, told 7 m as only one of them is."""
    window.model.open_files(files[0], RoadSource(files[1]))
    settle(lambda: window.model.can_screen)
    window.model.screen()
    settle(lambda: window.noticed.first is not None and window.model.runner.idle())
    return window


def screened_again(window: Window, settle: Settle) -> None:
    settle(lambda: not window.model.stale and window.model.runner.idle())
    settle()


def inputs_of(window: Window) -> InputsForm:
    return window.findChild(InputsForm)


def test_own_width_is_offered_used_seen_and_undone(two: Window, settle: Settle) -> None:
    """Each click uses what was seen on this road; the other isn't measured again."""
    model, bar = two.model, two.step_bar
    before = model.study
    assert before is not None
    assert bar.words.text().startswith(f"{WIDE}: The pavement edges stand 1")
    assert bar.button.text().endswith("m there and screen that road again")
    steps = 0
    while two.noticed.first is not None and steps < 4:
        bar.button.click()
        screened_again(two, settle)
        steps += 1
    assert steps == 2
    after = model.study
    assert after is not None
    assert after.roads[0].measured is before.roads[0].measured
    assert after.roads[1].measured is not before.roads[1].measured
    assert model.settings.widths_of(WIDE)[0] == pytest.approx(WIDE_M, abs=0.3)
    assert model.settings.pavement_width_m == 7.0

    form = inputs_of(two)
    assert set(form.own_widths.rows) == {WIDE}
    row = form.own_widths.rows[WIDE]
    assert row.pavement.stored == model.settings.widths_of(WIDE)[0]
    assert row.shoulder.stored == 1.5
    for _ in range(steps):
        model.undo.undo()
    assert model.settings.road_widths == ()
    assert model.stale
    assert not form.own_widths.rows
    model.undo.redo()
    assert set(form.own_widths.rows) == {WIDE}


def test_second_answer_keeps_the_first(two: Window, settle: Settle) -> None:
    """Answered while the screening with the first is still under way."""
    model, (seen,) = two.model, [two.noticed.first]
    assert seen is not None
    other = replace(seen, road=NARROW, changes={"pavement_width_m": 6.8})
    two.noticed.accept(seen)
    two.noticed.accept(other)
    screened_again(two, settle)
    assert model.study is not None
    assert model.study.settings.widths_of(NARROW)[0] == 6.8
    assert model.study.settings.widths_of(WIDE)[0] == seen.numbers[0]


def test_own_widths_are_given_changed_and_taken_out_in_inputs(two: Window, settle: Settle) -> None:
    """For the road that is looked at; the widths of all stay."""
    model, form = two.model, inputs_of(two)
    own = form.own_widths
    assert own.more.text() == f"Other widths on {NARROW}"
    model.select_road(1)
    assert own.more.text() == f"Other widths on {WIDE}"
    QTest.mouseClick(own.more, Qt.MouseButton.LeftButton)
    assert own.more.isHidden()
    row = own.rows[WIDE]
    row.pavement.setValue(13.0)
    row.shoulder.setValue(1.2)
    assert model.settings.widths_of(WIDE) == (13.0, 1.2)
    assert model.settings.widths_of(NARROW) == (7.0, 1.5)
    # 26 m and what lies beside it reach farther than the 16 m that are read
    row.pavement.setValue(26.0)
    assert model.settings.half_width_m == 18.0
    QTest.mouseClick(row.clear, Qt.MouseButton.LeftButton)
    assert model.settings.road_widths == ()
    assert not own.rows
    settle()
    assert own.more.text() == f"Other widths on {WIDE}"


def test_long_name_of_a_road_leaves_the_form_as_wide(two: Window, settle: Settle) -> None:
    """Whether it has widths of its own or is offered some."""
    model, own = two.model, inputs_of(two).own_widths
    before = own.minimumSizeHint().width()
    long = " and all that leads to it" * 6
    roads = tuple(replace(road, name=road.name + long) for road in model.roads)
    inputs = replace(model.inputs, roads=roads)
    model.close_study()
    model.take_inputs(inputs)
    own.show_widths()
    assert "…" in own.more.text()
    assert own.minimumSizeHint().width() <= before + 150
    own.more.click()
    assert len(own.rows) == 1
    assert own.minimumSizeHint().width() <= before + 150


def test_own_widths_are_kept_with_the_study(two: Window, settle: Settle, tmp_path: Path) -> None:
    """Also such as nothing was screened with yet."""
    model, path = two.model, str(tmp_path / "kept.gpkg")
    two.step_bar.button.click()
    screened_again(two, settle)
    screened = model.settings
    model.select_road(1)
    inputs_of(two).own_widths.rows[WIDE].shoulder.setValue(1.2)
    wanted = model.settings
    model.save(path)
    settle(lambda: model.path == path and model.runner.idle())
    model.close_study()
    settle()
    assert not inputs_of(two).own_widths.rows
    model.open_study(path)
    settle(lambda: model.study is not None and model.runner.idle())
    assert model.settings == wanted != screened
    assert set(inputs_of(two).own_widths.rows) == {WIDE}
    assert model.study is not None
    assert model.study.settings == wanted


def test_all_is_screened_where_more_than_widths_differs(two: Window, settle: Settle) -> None:
    """A road added to the grid since, or a spacing: what wasn't screened with it can't stay."""
    model, before = two.model, two.model.study
    assert before is not None
    seen = two.noticed.first
    assert seen is not None
    model.set_settings(model.settings.changed(spacing_m=20.0))
    two.noticed.accept(seen)
    screened_again(two, settle)
    assert model.study is not None
    assert model.study.roads[0].measured is not before.roads[0].measured
    assert {part.case.settings for part in model.study.roads} == {model.settings}


def test_map_shows_both_roads_once_they_are_screened(two: Window, settle: Settle) -> None:
    """No view that only fitted itself to the first of them passes for one that was moved."""
    two.panes["straight"].raise_()
    settle()
    QTest.qWait(200)
    seen, bounds = two.map.view.viewRect(), two.map.layers.bounds
    assert bounds is not None
    west, south, east, north = bounds
    assert seen.contains(west, south)
    assert seen.contains(east, north)
    assert two.model.span is None
