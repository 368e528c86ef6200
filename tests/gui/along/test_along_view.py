"""Plots along the road and the road laid straight: linked, selectable, honest about gaps."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pyqtgraph as pg
import pytest
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QImage, QPainter
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QToolBar

from gui.along import straight_view
from gui.along.along_view import _PLOTS, AlongView
from gui.along.road_axis import StationAxis
from gui.along.straight_view import StraightView
from gui.look import theme
from gui.state.model import WindowModel
from tests.gui.conftest import ARTEFACTS


@pytest.fixture
def along(screened: WindowModel, qtbot: Any, settle: Callable[..., None]) -> AlongView:
    """Return the plots of the small road."""
    made = AlongView(screened)
    qtbot.addWidget(made)
    made.resize(1000, 520)
    made.show()
    settle(lambda: bool(made.bars.bars))
    settle()
    return made


@pytest.fixture
def straight(screened: WindowModel, qtbot: Any, settle: Callable[..., None]) -> StraightView:
    """Return the small road laid straight."""
    made = StraightView(screened)
    qtbot.addWidget(made)
    made.resize(1000, 240)
    made.show()
    settle(screened.runner.idle)
    settle(lambda: made.image.image is not None)
    return made


def line_of(along: AlongView, plot: str, pen_colour: str) -> pg.PlotDataItem:
    colour = theme.color(pen_colour)
    for item in along.plots[plot].items:
        if isinstance(item, pg.PlotDataItem) and item.opts["pen"].color() == colour:
            return item
    raise AssertionError(f"no line in {pen_colour} in {plot}")


def settled_span(
    model: WindowModel, settle: Callable[..., None], wanted: tuple[float, float]
) -> None:
    settle(
        lambda: (
            model.span is not None
            and abs(model.span[0] - wanted[0]) < 1.0
            and abs(model.span[1] - wanted[1]) < 1.0
        ),
        timeout_s=5.0,
    )


# -- plots -------------------------------------------------------------------------------------


def test_without_findings_it_says_what_to_do(
    screened: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    """Words instead of empty axes; the plots come with the first study and go with it."""
    made = AlongView(screened)
    qtbot.addWidget(made)
    made.show()
    settle(lambda: made.area.isVisible())
    assert made.empty.isHidden()
    screened.close_study()
    settle(lambda: made.empty.isVisible())
    assert "screen a road" in made.empty.text()
    assert made.area.isHidden()
    assert made.key.isHidden()


def test_plots_show_the_whole_road_without_moving_the_map(
    along: AlongView, screened: WindowModel
) -> None:
    """Where several roads are open the map shows them all; nobody asked it to go to one."""
    assert screened.span is None
    s0, s1 = along.plots["reaches"].getViewBox().viewRange()[0]
    assert s0 <= screened.road.distance_m[0] and s1 >= screened.road.distance_m[-1]


def test_strip_writes_findings_out_or_draws_them(
    along: AlongView, settle: Callable[..., None]
) -> None:
    """No bar holds a lone letter: the word where it fits, else a picture, none where none is."""
    drawn: list[str] = []

    class Ear(QPainter):
        def drawText(self, *args: Any) -> None:
            drawn.extend(a for a in args if isinstance(a, str))

    picture = QImage(800, 88, QImage.Format.Format_RGB32)
    for width in (200.0, 30.0, 8.0):
        painter = Ear(picture)
        drawn.clear()
        picture.fill(0)
        along.bars._name(painter, QRectF(20.0, 20.0, width, 20.0), "ponding")
        painter.end()
        inked = any(picture.pixel(x, 30) & 0xFFFFFF for x in range(20, 20 + int(width)))
        assert inked == (width > 8.0)
        assert drawn in ([], ["ponding"])


def test_key_is_whole_at_every_width(along: AlongView) -> None:
    """Every line and every pictogram of the strip is explained; no entry is cut or parted."""
    words = [entry.words for entry in along.key.entries]
    found = {bar[4] for bar in along.bars.bars} - {"none", "can't tell", "no data"}
    assert {"left", "right", "won't shed"} | found <= set(words)
    for width in (300, 700, 1500):
        along.key.resize(width, 10)
        places = along.key.places(float(width))
        assert max(place.right() for place in places) <= width
        assert along.key.height() >= places[-1].bottom()
        for place, other in itertools.pairwise(places):
            assert not place.intersects(other)


def test_titles_stand_beside_their_plots(along: AlongView) -> None:
    """Within a plot they lay on its curves."""
    for name, title in along.titles.items():
        plot = along.plots[name]
        if plot.isVisible():
            inside = plot.getViewBox().sceneBoundingRect()
            assert not inside.intersects(title.item.sceneBoundingRect()), name
            assert title.item.sceneBoundingRect().right() <= along.area.viewport().width()


def test_toggling_a_plot_leaves_every_curve_its_height(
    along: AlongView, settle: Callable[..., None]
) -> None:
    """A real click on a plot's button shares the height out anew; nothing is flattened."""
    bar = along.findChild(QToolBar)
    for name in ("retained", "slope left", "slope left", "retained"):
        QTest.mouseClick(bar.widgetForAction(along.buttons[name]), Qt.MouseButton.LeftButton)
        settle(lambda: not along.to_draw)
        settle()
        for shown, plot in along.plots.items():
            if plot.isVisible() and shown != "reaches":
                assert plot.getViewBox().height() > 40, (name, shown)
        low = max(plot.geometry().bottom() for plot in along.plots.values() if plot.isVisible())
        assert low == pytest.approx(along.area.viewport().height(), abs=6)


def test_slopes_are_those_of_the_study(along: AlongView, screened: WindowModel) -> None:
    part = screened.study.roads[0]
    for side, name in enumerate(("slope left", "slope right")):
        line = line_of(along, name, ("left", "right")[side])
        np.testing.assert_allclose(line.yData, part.measures.shoulder_slope_pct[:, side])
        np.testing.assert_allclose(line.xData, part.s)
        required = line_of(along, name, "required")
        np.testing.assert_allclose(
            required.yData, part.judged.judgement.required_slope_pct[:, side]
        )
    along.grab().save(str(ARTEFACTS / "along_view.png"))


def test_left_and_right_differ_in_pattern_not_only_in_colour(along: AlongView) -> None:
    left = line_of(along, "edge drop", "left").opts["pen"]
    right = line_of(along, "edge drop", "right").opts["pen"]
    assert left.style() != right.style()


def test_gap_stays_a_gap(along: AlongView, screened: WindowModel) -> None:
    """An unknown station breaks the line and the band; it is never drawn at 0."""
    along._columns["edge_drop_mm"][4, 0] = np.nan
    item = along.plots["edge drop"]
    along._clear(item)
    plot = next(p for p in _PLOTS if p.name == "edge drop")
    along._draw_values(item, plot, "metric")
    line = line_of(along, "edge drop", "left")
    assert np.isnan(line.yData[4])
    assert line.opts["connect"] == "finite"


def test_click_selects_the_station_and_side(
    along: AlongView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    box = along.plots["slope right"].getViewBox()
    along.click_at(box.mapViewToScene(QPointF(113.0, 3.0)))
    s = screened.study.roads[0].s
    assert screened.station_index == int(np.argmin(np.abs(s - 113.0)))
    assert screened.side == 1
    settle()
    assert "0+1" in along.readout.text()


def test_click_on_a_bar_selects_the_reach(
    along: AlongView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    table = screened.findings.reaches
    row = next(r for r in range(len(table)) if table["verdict"][r] == "won't shed")
    s0, s1, side, *_ = next(b for b in along.bars.bars if b[5] == row)
    box = along.plots["reaches"].getViewBox()
    along.click_at(box.mapViewToScene(QPointF((s0 + s1) / 2.0, 1.5 if side == 0 else 0.5)))
    assert screened.reach_row == row
    settle()
    assert along.spans[0].isVisible()
    np.testing.assert_allclose(along.spans[0].getRegion(), (s0, s1))


def test_pan_reaches_the_model_and_comes_back(
    along: AlongView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    along.plots["edge drop"].getViewBox().setXRange(40.0, 90.0, padding=0.0)
    settled_span(screened, settle, (40.0, 90.0))
    screened.set_span(10.0, 60.0, origin=screened)
    for plot in along.plots.values():
        if plot.isVisible():
            np.testing.assert_allclose(plot.getViewBox().viewRange()[0], (10.0, 60.0), atol=1e-6)


def test_no_echo(along: AlongView, screened: WindowModel, settle: Callable[..., None]) -> None:
    """A span that came from outside isn't told back."""
    told: list[tuple[float, float]] = []
    screened.span_changed.connect(lambda a, b: told.append((a, b)))
    screened.set_span(20.0, 70.0, origin=screened)
    for _ in range(30):
        settle()
    assert told == [(20.0, 70.0)]


def test_keys_walk_the_road(along: AlongView, screened: WindowModel, qtbot: Any) -> None:
    screened.select_station(0, 3, 0)
    qtbot.keyClick(along, Qt.Key.Key_Right)
    assert screened.station_index == 4
    qtbot.keyClick(along, Qt.Key.Key_Left)
    qtbot.keyClick(along, Qt.Key.Key_Down)
    assert (screened.station_index, screened.side) == (3, 1)
    qtbot.keyClick(along, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert screened.findings.reaches["verdict"][screened.reach_row] != "sheds"
    before = along.plots["reaches"].getViewBox().viewRange()[0]
    qtbot.keyClick(along, Qt.Key.Key_Plus)
    after = along.plots["reaches"].getViewBox().viewRange()[0]
    assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 1.5)
    qtbot.keyClick(along, Qt.Key.Key_0)
    whole = along.plots["reaches"].getViewBox().viewRange()[0]
    s = screened.study.roads[0].s
    assert whole[0] <= s[0] and whole[1] >= s[-1]


@pytest.mark.parametrize("name", ["retained", "ditch", "cut and fill", "balance"])
def test_every_plot_can_be_shown(along: AlongView, settle: Callable[..., None], name: str) -> None:
    along.buttons[name].setChecked(True)
    settle(lambda: name in along.plots and len(along.plots[name].listDataItems()) >= 2)
    assert along.plots[name].isVisible()
    along.buttons[name].setChecked(False)
    assert not along.plots[name].isVisible()


def test_plots_in_inches(
    along: AlongView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    screened.set_units("us")
    settle()
    drop = screened.study.roads[0].measures.edge_drop_mm[:, 0]
    line = line_of(along, "edge drop", "left")
    np.testing.assert_allclose(line.yData, drop / 25.4)
    assert along.titles["edge drop"].text == "Edge drop, in"


def test_axis_labels_are_round_stations(screened: WindowModel) -> None:
    axis = StationAxis(screened)
    ((_, values),) = axis.tickValues(0.0, 196.0, 800.0)
    texts = axis.tickStrings(values, 1.0, 1.0)
    assert "0+050" in texts and "0+100" in texts
    assert len(texts) == len(set(texts))


def test_axis_in_hundreds_of_feet(screened: WindowModel) -> None:
    screened.set_station_style("feet-hundreds")
    axis = StationAxis(screened)
    ((_, values),) = axis.tickValues(0.0, 190.0, 800.0)
    texts = axis.tickStrings(values, 1.0, 1.0)
    assert {"1+00", "2+00", "3+00"} <= set(texts)


def test_axis_of_a_falling_road(screened: WindowModel, monkeypatch: pytest.MonkeyPatch) -> None:
    """Labels that fall along the road are still at their places."""
    from dataclasses import replace

    road = screened.index[0]
    falling = replace(road, station_m=1000.0 - road.distance_m)
    monkeypatch.setattr(type(screened), "index", property(lambda self: (falling,)))
    axis = StationAxis(screened)
    ((_, values),) = axis.tickValues(0.0, 190.0, 800.0)
    for value, text in zip(values, axis.tickStrings(values, 1.0, 1.0), strict=True):
        thousands, metres = divmod(round(1000.0 - value), 1000)
        assert text == f"{thousands}+{metres:03d}"


def test_without_a_road_keys_do_nothing_and_words_say_why(
    model: WindowModel, qtbot: Any, settle: Any
) -> None:
    before = model.road_index, model.station_index, model.span
    along, straight = AlongView(model), StraightView(model)
    for made in (along, straight):
        qtbot.addWidget(made)
        made.resize(600, 300)
        made.show()
        settle()
        qtbot.keyClick(made, Qt.Key.Key_Right)
        qtbot.keyClick(made, Qt.Key.Key_0)
    assert (model.road_index, model.station_index, model.span) == before
    assert along.empty.isVisible() and "screen a road first" in along.empty.text()
    assert straight.note.isVisible() and straight.note.text() == "Nothing screened yet."


def test_one_plot_is_filled_with_each_turn(
    along: AlongView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """Filling them all at once would hold the window up."""
    for button in along.buttons.values():
        button.setChecked(button.isEnabled())
    settle()

    def filled() -> dict[str, set[int]]:
        return {
            name: {id(i) for i in plot.items if isinstance(i, pg.PlotDataItem)}
            for name, plot in along.plots.items()
            if name != "reaches"
        }

    before = filled()
    along._draw()
    turns = 0
    while along.to_draw:
        along._draw_next()
        after = filled()
        assert sum(before[name] != after[name] for name in after) == 1
        before, turns = after, turns + 1
    assert turns == sum(button.isChecked() for button in along.buttons.values()) >= 6


# -- straight ----------------------------------------------------------------------------------


def test_straight_shows_left_above_right(straight: StraightView, screened: WindowModel) -> None:
    box = straight.plot.getViewBox()
    left = box.mapViewToScene(QPointF(100.0, -4.0))
    right = box.mapViewToScene(QPointF(100.0, 4.0))
    assert left.y() < right.y()
    straight.click_at(left)
    assert screened.side == 0
    straight.click_at(right)
    assert screened.side == 1
    straight.grab().save(str(ARTEFACTS / "straight_view.png"))


def test_straight_image_lies_where_the_ribbon_is(
    straight: StraightView, screened: WindowModel
) -> None:
    relief = straight.relief
    rect = straight.image.mapRectToView(straight.image.boundingRect())
    step = relief.o[1] - relief.o[0]
    assert rect.top() == pytest.approx(relief.o[0] - step / 2.0)
    assert rect.bottom() == pytest.approx(relief.o[-1] + step / 2.0)
    assert rect.left() <= 2.0 and rect.right() >= 190.0


def test_straight_reads_heights(straight: StraightView) -> None:
    relief = straight.relief
    i, k = len(relief.s) // 2, int(np.argmin(np.abs(relief.o - 4.2)))
    text = straight.words_at(float(relief.s[i]), float(relief.o[k]))
    height = relief.height_cm[i, k]
    assert f"{abs(height):.1f} cm" in text
    assert ("above" if height >= 0 else "below") in text
    assert f"{relief.o[k]:.1f} m right" in text


def test_straight_unknown_is_see_through_and_said(straight: StraightView) -> None:
    rgba = theme.relief_rgba(np.array([[np.nan, 0.0]]), 10.0)
    assert rgba[0, 0, 3] == 0 and rgba[0, 1, 3] > 0
    relief = straight.relief
    relief.height_cm[7, 3] = np.nan
    assert "unknown" in straight.words_at(float(relief.s[7]), float(relief.o[3]))


def test_straight_is_linked(
    straight: StraightView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    straight.plot.getViewBox().setXRange(30.0, 80.0, padding=0.0)
    settled_span(screened, settle, (30.0, 80.0))
    screened.set_span(90.0, 140.0, origin=screened)
    np.testing.assert_allclose(straight.plot.getViewBox().viewRange()[0], (90.0, 140.0), atol=1e-6)


def test_straight_marks_follow_the_limits(
    straight: StraightView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """Heights stay when only the limits change; the marks of the verdicts don't."""

    def marked() -> int:
        return sum(len(i.data) for i in straight.lines if isinstance(i, pg.ScatterPlotItem))

    before, heights = marked(), straight.relief
    screened.set_limits(screened.limits.with_value("shoulder_least_pct", 8.0))
    settle(screened.runner.idle)
    wanted = sum(
        int((part.judged.judgement.verdict != "sheds").sum()) for part in screened.study.roads[:1]
    )
    assert straight.relief is heights
    assert marked() == wanted != before


def test_straight_lines_out_of_sight_follow_the_colours(
    straight: StraightView, settle: Callable[..., None]
) -> None:
    """Lines that can't be seen are drawn in the new colours once they can."""
    app = QApplication.instance()
    assert isinstance(app, QApplication)
    straight.hide()
    try:
        theme.apply(app, dark=True)
        assert straight.lines[0].opts["pen"].color() != theme.color("ink")
        straight.show()
        settle()
        assert straight.lines[0].opts["pen"].color() == theme.color("ink")
    finally:
        theme.apply(app, dark=False)


def test_straight_thins_a_long_road(straight: StraightView) -> None:
    """However long the road, no more columns are coloured than the screen can show."""
    from analysis.study.relief import Relief

    n = 100_000
    straight.relief = Relief(
        s=np.arange(n) * 0.5, o=np.arange(-8.0, 8.01, 0.5), height_cm=np.zeros((n, 33))
    )
    straight.link.take(0.0, 50_000.0)
    straight._draw_image()
    assert straight.image.image.shape[1] <= 2400
    rect = straight.image.mapRectToView(straight.image.boundingRect())
    assert rect.right() == pytest.approx(50_000.0, abs=60.0)


def test_change_between_surveys_is_plotted_where_it_was_compared(
    along: AlongView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """Off while nothing is compared; then each change, and nothing where none is known."""
    from datetime import date

    from analysis.common.columns import STATION_CHANGE_COLUMNS
    from analysis.common.table import Table
    from analysis.findings.two_surveys import Dates, SurveyChange

    assert not along.buttons["drop change"].isEnabled()
    road = screened.index[0]
    rows = {name: [np.nan, np.nan] for name in STATION_CHANGE_COLUMNS}
    rows |= {"road": [road.name] * 2, "side": ["left", "right"], "drop_change_mm": [12.0, -7.0]}
    rows |= {"station_m": [road.station_m[3], road.station_m[5]], "drop_change_se": [2.0, 2.0]}
    stations = Table.of(STATION_CHANGE_COLUMNS, rows)
    reaches = Table.empty({})
    dates = Dates(before=date(2021, 5, 1), after=date(2023, 5, 1))
    screened.set_survey_change(
        SurveyChange(
            dates=dates,
            stations=stations,
            reaches=reaches,
            registrations=(),
            station_rows=np.arange(len(stations)),
        )
    )
    settle(lambda: along.buttons["drop change"].isEnabled())
    along.show_plot("drop change", True)
    settle()
    drawn = [
        item.getOriginalDataset()[1]
        for item in along.plots["drop change"].listDataItems()
        if isinstance(item, pg.PlotDataItem)
    ]
    left = next(y for y in drawn if np.nansum(y == 12.0))
    right = next(y for y in drawn if np.nansum(y == -7.0))
    assert np.flatnonzero(np.isfinite(left)).tolist() == [3]
    assert np.flatnonzero(np.isfinite(right)).tolist() == [5]
    screened.set_survey_change(None)
    settle(lambda: not along.buttons["drop change"].isEnabled())


def test_image_follows_a_jump_before_it_is_painted(
    straight: StraightView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """After a jump the first picture is whole; out of sight none is made until it is seen."""
    settle(lambda: straight.relief is not None and not straight._later.isActive())
    road = screened.road
    assert road is not None
    end = float(road.distance_m[-1])

    def seen() -> tuple[float, float]:
        rect = straight.image.mapRectToView(straight.image.boundingRect())
        return rect.left(), rect.right()

    screened.set_span(0.1 * end, 0.2 * end)
    assert not straight._later.isActive()
    before = seen()
    assert before[0] <= 0.1 * end
    assert before[1] >= 0.2 * end
    straight.hide()
    screened.set_span(0.7 * end, 0.8 * end)
    assert seen() == before
    straight._draw_image_when_seen()
    assert seen() == before
    straight.show()
    # Pictures wait for what they show.
    settle()
    assert seen()[1] >= 0.8 * end


def test_straight_makes_the_next_road_ahead_and_keeps_the_last(
    straight: StraightView,
    screened: WindowModel,
    settle: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Findings by urgency go from road to road: neither is laid straight twice."""
    made: list[Any] = []
    really = straight_view._relief_of
    monkeypatch.setattr(straight_view, "_relief_of", lambda part: made.append(part) or really(part))
    settle(lambda: straight.relief is not None and screened.runner.idle())
    first, loaded = straight.relief, screened.loaded
    assert loaded is not None and loaded.study is not None
    (part,) = loaded.study.roads
    # As long as the first, yet measured for itself.
    other = replace(part, ground=replace(part.ground, ribbon=replace(part.ground.ribbon)))
    both = replace(loaded.study, roads=(part, other))
    screened.loaded = replace(loaded, study=both, index=loaded.index * 2)
    straight.make_ahead([1, 0])
    settle(screened.runner.idle)
    assert made == [other]
    assert straight.relief is first
    screened.road_index = 1
    straight._ask()
    assert straight.relief is not first
    screened.road_index = 0
    straight._ask()
    assert straight.relief is first
    straight.make_ahead([1])
    settle(screened.runner.idle)
    assert made == [other]
