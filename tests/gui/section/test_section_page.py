"""The cross-section: what it shows, moving breaks by mouse and keyboard, comparing, handing out."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, QRectF, Qt
from PySide6.QtGui import QGuiApplication, QImage, QPainter, QPainterPath
from PySide6.QtWidgets import QScrollArea

from analysis.common.verdicts import Verdict
from gui.drawing.figure import Axes, hatch, tick_values
from gui.drawing.section_figure import (
    EXAGGERATIONS,
    _keep_within,
    axes_for,
    break_handles,
    draw_section,
    fitting_exaggeration,
    view_extent,
)
from gui.look import theme
from gui.look.units import DASH
from gui.section.section_page import SectionPage
from gui.state.model import WindowModel
from tests.gui.conftest import ARTEFACTS


def test_labels_move_sideways_into_the_drawing() -> None:
    """A label at a rim is pushed in by as much as it stuck out; one that fits stays."""
    frame = QRectF(40.0, 10.0, 200.0, 100.0)
    for left, wanted in ((20.0, 40.0), (200.0, 160.0), (100.0, 100.0)):
        box = QRectF(left, 30.0, 80.0, 20.0)
        _keep_within(box, frame)
        assert (box.left(), box.width(), box.top()) == (wanted, 80.0, 30.0)
    wide = QRectF(0.0, 30.0, 500.0, 20.0)
    _keep_within(wide, frame)
    assert wide.left() == frame.left()


@pytest.fixture
def view(screened: WindowModel, qtbot: Any, settle: Callable[..., None]) -> SectionPage:
    """Yield the section view at a faulty station of the small road."""
    made = SectionPage(screened)
    qtbot.addWidget(made)
    made.resize(1200, 520)
    screened.select_station(0, 11, 1)
    made.show()
    settle(screened.runner.idle)
    settle()
    return made


def test_sight_follows_the_road_and_ends_with_it(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """After "Left shoulder" each next section is in sight; one of another road begins whole."""
    canvas = view.canvas
    canvas.show_shoulder(0)
    for station in (0, 25):
        screened.select_station(0, station, 1)
        settle(screened.runner.idle)
        settle()
        side, axes = canvas.view.sides[0], canvas.axes()
        assert axes.x0 < side.edge_o < axes.x1
        assert axes.y0 < side.edge_z < axes.y1
    canvas.set_view(replace(canvas.view, road="Another Road"))
    assert canvas.sight()[1:] == (1.0, None)


def grip_of(view: SectionPage, side: int, kind: str) -> QPoint:
    canvas = view.canvas
    handle = next(
        h for h in break_handles(canvas.view, canvas.axes()) if (h.side, h.kind) == (side, kind)
    )
    return handle.grip.center().toPoint()


def drag(qtbot: Any, widget: Any, start: QPoint, end: QPoint) -> None:
    qtbot.mousePress(widget, Qt.MouseButton.LeftButton, pos=start)
    for share in (0.3, 0.7, 1.0):
        qtbot.mouseMove(widget, start + (end - start) * share)
    qtbot.mouseRelease(widget, Qt.MouseButton.LeftButton, pos=end)


# -- drawing aids ------------------------------------------------------------------------------


def test_axes_undo_themselves() -> None:
    axes = Axes(QRectF(10.0, 20.0, 300.0, 200.0), -4.0, 6.0, 99.0, 101.0)
    for x, y in ((-4.0, 99.0), (0.0, 100.2), (6.0, 101.0)):
        at = axes.point(x, y)
        assert axes.value_x(at.x()) == pytest.approx(x)
        assert axes.value_y(at.y()) == pytest.approx(y)
    assert axes.point(-4.0, 99.0) == QPointF(10.0, 220.0)


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0.0, 1.0, 5, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (-2.3, 2.3, 5, [-2.0, -1.0, 0.0, 1.0, 2.0]),
        (99.97, 100.04, 4, [99.98, 100.0, 100.02, 100.04]),
        (5.0, 5.0, 5, []),
        (math.nan, 1.0, 5, []),
    ],
)
def test_tick_values_are_round(low: float, high: float, most: int, expected: list[float]) -> None:
    assert tick_values(low, high, most)[0] == pytest.approx(expected)


@pytest.mark.parametrize("angle", [45.0, -45.0, 0.0])
def test_hatch_rules_lines_inside_only(qapp: Any, angle: float) -> None:
    image = QImage(60, 60, QImage.Format.Format_ARGB32)
    image.fill(Qt.GlobalColor.white)
    painter = QPainter(image)
    area = QPainterPath()
    area.addRect(10.0, 10.0, 40.0, 40.0)
    hatch(painter, area, theme.palette()["cut"], angle)
    painter.end()
    assert image.pixelColor(4, 4) == image.pixelColor(56, 56)
    inside = {image.pixelColor(x, 30).rgba() for x in range(15, 45)}
    down = {image.pixelColor(30, y).rgba() for y in range(15, 45)}
    assert len(inside | down) > 1, "a flat tint would be colour alone"


def test_cut_and_fill_differ_in_hatch_not_only_in_colour(qapp: Any) -> None:
    """The same outline in the same colour looks different as cut and as fill."""
    pictures = []
    for angle in (45.0, -45.0):
        image = QImage(60, 60, QImage.Format.Format_ARGB32)
        image.fill(Qt.GlobalColor.white)
        painter = QPainter(image)
        area = QPainterPath()
        area.addRect(10.0, 10.0, 40.0, 40.0)
        hatch(painter, area, theme.palette()["ink"], angle)
        painter.end()
        pictures.append(image)
    assert pictures[0] != pictures[1]


def drawn_texts(
    view: SectionPage, axes: Axes, monkeypatch: pytest.MonkeyPatch, **how: Any
) -> list[str]:
    """Return what is written into a drawing of the section."""
    from gui.drawing import figure, section_figure

    said: list[str] = []
    kept = figure.text_at

    def noted(painter: Any, point: Any, text: str, *rest: Any, **more: Any) -> Any:
        said.append(text)
        return kept(painter, point, text, *rest, **more)

    for module in (section_figure, figure):
        monkeypatch.setattr(module, "text_at", noted)
    image = QImage(900, 400, QImage.Format.Format_ARGB32)
    painter = QPainter(image)
    try:
        draw_section(painter, axes, view.section, theme.palette(), **how)
    finally:
        painter.end()
    monkeypatch.undo()
    return said


def test_close_up_says_nothing_of_the_other_side(
    view: SectionPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An edge out of sight has no label, least of all one at the frame."""
    box = QRectF(60.0, 10.0, 820.0, 340.0)
    both = drawn_texts(view, axes_for(view.section, box, 5.0), monkeypatch)
    assert sum(text.startswith(("drop ", "high by ")) for text in both) == 2
    right = view.section.sides[1]
    there = axes_for(view.section, box, 5.0, zoom=5.0, centre=(right.hinge_o, right.edge_z))
    assert view.section.sides[0].edge_o < there.x0
    close = drawn_texts(view, there, monkeypatch)
    assert sum(text.startswith(("drop ", "high by ")) for text in close) == 1


def test_name_of_the_axis_is_whole_in_a_narrow_drawing(
    view: SectionPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the long one has no room a short one stands, never a cut one."""
    for width, words in ((700.0, "distance from the centreline"), (190.0, "left  ◂  m  ▸  right")):
        axes = axes_for(view.section, QRectF(60.0, 10.0, width, 340.0), 5.0)
        assert any(words in text for text in drawn_texts(view, axes, monkeypatch))


def test_cut_and_fill_lie_on_the_ground_that_is_drawn(view: SectionPage) -> None:
    """Every corner of cut or fill is on the drawn ground or on the target line."""
    section = view.section
    rings = 0
    for side in section.sides:
        order = np.argsort(side.target_line[:, 0])
        target = side.target_line[order]
        for ring in (*side.cut_polygons, *side.fill_polygons):
            rings += 1
            ground = np.interp(ring[:, 0], section.ground_o, section.ground_z)
            aimed = np.interp(ring[:, 0], target[:, 0], target[:, 1])
            away = np.minimum(np.abs(ring[:, 1] - ground), np.abs(ring[:, 1] - aimed))
            assert away.max() < 1e-6
    assert rings


def test_colours_of_a_section_mean_one_thing() -> None:
    """The shoulder's fit has no verdict's colour, cut and fill have none of a side."""
    for dark in (False, True):
        named = {name: colour.name() for name, colour in theme.palette(dark).items()}
        verdicts = {theme.verdict_look(name, dark).color.name() for name in Verdict}
        assert named["shoulder"] not in verdicts
        assert not {named["cut"], named["fill"]} & {named["left"], named["right"], *verdicts}


# -- what is shown -----------------------------------------------------------------------------


def test_section_shows_the_selected_station(view: SectionPage, screened: WindowModel) -> None:
    assert view.section is not None
    assert view.section.station_index == 11
    assert view.title.text() == "Fernhollow Road, station 0+110"
    assert "won't shed" in view.verdicts[1].text()
    view.grab().save(str(ARTEFACTS / "section_view.png"))


def test_numbers_are_those_of_the_study(view: SectionPage, screened: WindowModel) -> None:
    part = screened.study.roads[0]
    slope = part.measures.shoulder_slope_pct[11]
    se = part.measures.shoulder_slope_se[11]
    for side in (0, 1):
        text = view.table.item(0, 1 + side).text().replace("\u00a0", " ")
        value = f"{slope[side]:.1f} ± {se[side]:.1f}".replace("-", "−")
        assert text == value


def test_unknown_number_is_a_dash(view: SectionPage) -> None:
    section = view.section
    sides = tuple(
        replace(side, numbers={**side.numbers, "edge_drop_mm": (math.nan, math.nan)})
        for side in section.sides
    )
    view.take_sections((replace(section, sides=sides), None))
    texts = [view.table.item(3, column).text() for column in (1, 2)]
    assert texts == ["–", "–"]


def test_section_follows_the_selection(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    screened.next_station(1)
    settle(lambda: view.section.station_index == 12)


def test_axes_keep_the_exaggeration(view: SectionPage) -> None:
    box = QRectF(0.0, 0.0, 700.0, 300.0)
    for factor in EXAGGERATIONS:
        axes = axes_for(view.section, box, factor, zoom=1.7)
        per_x = box.width() / (axes.x1 - axes.x0)
        per_y = box.height() / (axes.y1 - axes.y0)
        assert per_y / per_x == pytest.approx(factor)


def test_fitting_exaggeration_shows_the_whole_section(view: SectionPage) -> None:
    box = QRectF(0.0, 0.0, 700.0, 300.0)
    axes = axes_for(view.section, box, fitting_exaggeration(view.section, box))
    left, right, low, high = view_extent(view.section)
    assert axes.x0 <= left and axes.x1 >= right
    assert axes.y0 <= low and axes.y1 >= high


def test_drawing_survives_nothing_known(view: SectionPage, qapp: Any) -> None:
    """A section without cells, fits and breaks is drawn empty, not with an error."""
    nothing = np.empty((0, 2))
    section = view.section
    sides = tuple(
        replace(
            side,
            edge_o=math.nan,
            edge_z=math.nan,
            hinge_o=math.nan,
            hinge_z=math.nan,
            ditch_o=math.nan,
            ditch_z=math.nan,
            pavement_line=nothing,
            shoulder_line=nothing,
            shoulder_band=np.empty((0, 3)),
            target_line=nothing,
            water_line=nothing,
            cut_polygons=(),
            fill_polygons=(),
            numbers={name: (math.nan, math.nan) for name in side.numbers},
            verdict="no data",
        )
        for side in section.sides
    )
    empty = replace(
        section,
        cells_o=np.empty(0),
        cells_z=np.empty(0),
        cells_ds=np.empty(0),
        profile_o=np.empty(0),
        profile_z=np.empty(0),
        ground_o=np.empty(0),
        ground_z=np.empty(0),
        sides=sides,
    )
    image = QImage(500, 300, QImage.Format.Format_ARGB32)
    painter = QPainter(image)
    box = QRectF(50.0, 10.0, 440.0, 240.0)
    draw_section(painter, axes_for(empty, box, 1.0), empty, theme.palette())
    painter.end()
    view.take_sections((empty, None))
    view.grab()
    assert view.verdicts[0].text().count("no data") >= 1


# -- breaks ------------------------------------------------------------------------------------


def test_dragging_the_edge_is_stored_and_measured_again(
    view: SectionPage, screened: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    before = screened.study
    old = float(view.section.sides[1].edge_o)
    start = grip_of(view, 1, "edge")
    pixels = view.canvas.axes().x(old + 0.3) - view.canvas.axes().x(old)
    drag(qtbot, view.canvas, start, start + QPoint(round(pixels), 0))
    u = screened.correction(0, 11, 1, "edge")
    assert u == pytest.approx(old + 0.3, abs=0.03)
    assert view.canvas.busy_text
    settle(lambda: screened.study is not before)
    settle(lambda: abs(view.section.sides[1].edge_o - u) < 1e-6)
    assert view.section.sides[1].edge_source == 2
    assert view.breaks.notes[(1, "edge")].text() == "by hand"
    # The other breaks of the station stay as they were found.
    assert view.section.sides[0].edge_source != 2
    view.grab().save(str(ARTEFACTS / "section_by_hand.png"))
    screened.undo.undo()
    settle(lambda: view.section.sides[1].edge_source != 2)
    assert view.section.sides[1].edge_o == pytest.approx(old)


def test_left_break_is_stored_outward(
    view: SectionPage, screened: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    """On the left the offset is negative, the stored distance outward is positive."""
    old = float(view.section.sides[0].hinge_o)
    start = grip_of(view, 0, "hinge")
    drag(qtbot, view.canvas, start, start - QPoint(20, 0))
    u = screened.correction(0, 11, 0, "hinge")
    assert u is not None and u > -old > 0.0


def test_edge_never_passes_the_hinge(view: SectionPage, screened: WindowModel, qtbot: Any) -> None:
    start = grip_of(view, 1, "edge")
    drag(qtbot, view.canvas, start, start + QPoint(400, 0))
    u = screened.correction(0, 11, 1, "edge")
    assert u <= float(view.section.sides[1].hinge_o) - 0.1 + 6e-4  # kept to the millimetre


def test_breaks_by_keyboard(
    view: SectionPage, screened: WindowModel, qtbot: Any, settle: Callable[..., None]
) -> None:
    canvas = view.canvas
    canvas.setFocus()
    for _ in range(3):
        qtbot.keyClick(canvas, Qt.Key.Key_B)
    assert canvas.active == (1, "edge")
    old = float(view.section.sides[1].edge_o)
    qtbot.keyClick(canvas, Qt.Key.Key_Right)
    qtbot.keyClick(canvas, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert screened.correction(0, 11, 1, "edge") is None, "nothing is measured before Return"
    qtbot.keyClick(canvas, Qt.Key.Key_Escape)
    assert canvas.active is None
    for _ in range(3):
        qtbot.keyClick(canvas, Qt.Key.Key_B)
    qtbot.keyClick(canvas, Qt.Key.Key_Right)
    qtbot.keyClick(canvas, Qt.Key.Key_Return)
    assert screened.correction(0, 11, 1, "edge") == pytest.approx(old + 0.05, abs=2e-3)
    settle(lambda: view.section.sides[1].edge_source == 2)
    qtbot.keyClick(canvas, Qt.Key.Key_Delete)
    assert screened.correction(0, 11, 1, "edge") is None
    settle(lambda: view.section.sides[1].edge_source != 2)


def test_break_typed_in_feet(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    screened.set_units("us")
    settle()
    view.breaks.boxes[(1, "hinge")].setValue(17.0)
    assert screened.correction(0, 11, 1, "hinge") == pytest.approx(17.0 * 0.3048, abs=1e-3)
    settle(lambda: view.section.sides[1].hinge_source == 2)
    assert not view.breaks.backs[(1, "hinge")].isHidden()
    view.breaks.backs[(1, "hinge")].click()
    assert screened.correction(0, 11, 1, "hinge") is None


def test_showing_a_section_corrects_nothing(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """Filling the fields, in whatever units, is no correction."""
    for station in (3, 8, 14):
        screened.select_station(0, station, 0)
        settle(lambda s=station: view.section.station_index == s)
    screened.set_units("us")
    screened.set_units("metric")
    assert not screened.corrections


# -- comparing ---------------------------------------------------------------------------------


def test_second_grid_stands_beside(
    view: SectionPage,
    screened: WindowModel,
    road_files: tuple[str, str],
    settle: Callable[..., None],
) -> None:
    columns = view.table.columnCount()
    screened.open_second(road_files[0])
    settle(lambda: screened.second_study is not None)
    settle(lambda: not view.other.isHidden())
    assert view.other.view.station_m == view.section.station_m
    assert view.table.columnCount() == columns + 2
    # The same grid twice: both pairs of columns agree.
    for row in range(view.table.rowCount()):
        assert view.table.item(row, 1).text() == view.table.item(row, 3).text()
    # And laid over this one it lies on it, named.
    line, own = view.canvas.overlay, view.section
    np.testing.assert_allclose(line[:, 1], own.profile_z, atol=1e-6)
    assert view.canvas.caption == "fernhollow (dashed: fernhollow)"
    assert "0 mm" in view.other.caption
    view.canvas.zoom_at(QPointF(300.0, 150.0), 2.0)
    a, b = view.canvas.sight(), view.other.sight()
    assert a[1:] == b[1:]
    assert view.canvas.exaggeration == view.other.exaggeration
    screened.close_second()
    # something else may be shown anew before the section without it has come
    view._show()
    settle(lambda: view.other.isHidden())
    assert view.canvas.overlay is None


# -- handing out -------------------------------------------------------------------------------


def test_copy_numbers_gives_a_table(view: SectionPage) -> None:
    view.copy_numbers()
    lines = QGuiApplication.clipboard().text().split("\n")
    assert lines[0] == "Fernhollow Road, station 0+110"
    assert any(line.startswith("Edge drop, mm\t") for line in lines)


def test_copy_drawing_gives_an_image(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """It is drawn beside the window; the clipboard is the window's own."""
    QGuiApplication.clipboard().clear()
    view.copy_drawing()
    assert QGuiApplication.clipboard().image().isNull()
    settle(screened.runner.idle)
    image = QGuiApplication.clipboard().image()
    assert image.width() > 1000


@pytest.mark.parametrize("ending", ["png", "svg", "pdf", "csv"])
def test_save_each_kind(
    view: SectionPage,
    screened: WindowModel,
    tmp_path: Path,
    settle: Callable[..., None],
    ending: str,
) -> None:
    path = tmp_path / f"section.{ending}"
    view.save(str(path))
    settle(screened.runner.idle)
    head = path.read_bytes()[:200]
    marks = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF", "csv": b"road,station_m"}
    assert head.startswith(marks[ending])
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".part"] == []


def test_csv_holds_the_cells(
    view: SectionPage, screened: WindowModel, tmp_path: Path, settle: Callable[..., None]
) -> None:
    path = tmp_path / "section.csv"
    view.save(str(path))
    settle(screened.runner.idle)
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    cells = [row for row in rows if row["kind"] == "cell"]
    assert len(cells) == len(view.section.cells_o)
    assert float(cells[0]["height_m"]) == pytest.approx(view.section.cells_z[0], abs=1e-4)


def test_save_of_another_kind_says_so(
    view: SectionPage, screened: WindowModel, tmp_path: Path, settle: Callable[..., None]
) -> None:
    failures: list[str] = []
    screened.failed.connect(lambda _title, sentence: failures.append(sentence))
    view.save(str(tmp_path / "section.docx"))
    settle(lambda: bool(failures))
    assert ".docx" in failures[0] and ".svg" in failures[0]


def test_section_of_a_file_without_grid_shows_its_numbers(
    view: SectionPage,
    screened: WindowModel,
    settle: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With a findings file alone there is no drawing, but the numbers are there."""
    monkeypatch.setattr(type(screened), "study", property(lambda self: None))
    screened.next_station(1)
    settle(lambda: view.section is None)
    assert view.table.rowCount() > 0
    assert "numbers are from the file" in view.canvas.empty_text
    view.grab()


def test_drawing_keeps_its_share_until_a_person_changes_it(
    view: SectionPage, settle: Callable[..., None]
) -> None:
    """A pane that shrinks takes from drawing and numbers alike, not all from the drawing."""
    for width in (1200, 620, 540, 700):
        view.resize(width, 260)
        settle()
        drawing, numbers = view.splitter.sizes()
        assert drawing >= 0.5 * (drawing + numbers)
    view.splitter.moveSplitter(260, 1)
    view.splitter.splitterMoved.emit(260, 1)
    before = view.splitter.sizes()
    view.resize(710, 260)
    settle()
    assert abs(view.splitter.sizes()[1] - before[1]) <= 12


def test_numbers_make_room_for_the_bar_that_scrolls_them(
    view: SectionPage, settle: Callable[..., None]
) -> None:
    """It comes as the table grows, and the pane itself keeps its size."""
    table = view.table
    panel = next(area for area in view.findChildren(QScrollArea) if area.isAncestorOf(table))
    view.resize(550, 300)
    panel.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    settle(lambda: not view._fit_due.isActive())
    before = table.viewport().width()
    panel.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOn)
    settle(lambda: not view._fit_due.isActive() and table.viewport().width() < before)
    settle(lambda: not view._fit_due.isActive())
    assert table.horizontalHeader().length() <= table.viewport().width()


def test_numbers_of_a_narrow_pane_need_no_scrolling_sideways(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """As wide as on a small screen: words wrap, and what is required stands under its number."""
    wide = {view.table.item(row, 3).text() for row in range(view.table.rowCount())}
    for width in (550, 700):
        view.resize(width, 300)
        settle(lambda: not view._fit_due.isActive())
        table = view.table
        assert table.horizontalHeader().length() <= table.viewport().width()
        assert table.horizontalScrollBar().maximum() == 0
        assert table.columnCount() == 3
        names = [table.item(row, 0).text() for row in range(table.rowCount())]
        told = {name.split("\n(")[1][:-1] for name in names if "\n(" in name}
        assert told == {text for text in wide if text}
        metrics = table.fontMetrics()
        for row in range(table.rowCount()):
            for column in (1, 2):
                text = table.item(row, column).text()
                widest = max(metrics.horizontalAdvance(word) for word in text.split(" "))
                assert widest < table.columnWidth(column)
    # The same grid again below each other.
    screened._take_second(screened.loaded)
    settle(lambda: view._second is not None and not view._fit_due.isActive())
    assert view.other.isHidden()
    assert table.horizontalScrollBar().maximum() == 0
    mine, there = table.item(0, 1).text().split("\n")
    assert mine == there
    view.resize(1200, 340)
    settle(lambda: not view._fit_due.isActive())
    assert table.columnCount() == 6 and not view.other.isHidden()


def test_edge_names_never_lie_on_each_other(
    view: SectionPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the pavement has no room for two words, one between the lines stands for both."""
    for width, count in ((700.0, 2), (200.0, 1)):
        axes = axes_for(view.section, QRectF(60.0, 10.0, width, 340.0), 5.0)
        said = drawn_texts(view, axes, monkeypatch)
        assert sum(text == "edge" for text in said) == count


@pytest.mark.parametrize("width", [400, 900])
def test_caption_ends_within_the_drawing(
    view: SectionPage, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    """A long name of a file is shortened in its middle, what is said of it isn't cut off."""
    from gui.section import section_canvas

    ends: list[tuple[str, float]] = []
    kept = section_canvas.text_at

    def noted(painter: Any, point: Any, text: str, *rest: Any, **more: Any) -> Any:
        ends.append((text, point.x() + painter.fontMetrics().horizontalAdvance(text)))
        return kept(painter, point, text, *rest, **more)

    monkeypatch.setattr(section_canvas, "text_at", noted)
    canvas = view.canvas
    canvas.caption = "survey of the upper moor road before the works of 2025, dashed 60 mm lower"
    canvas.resize(width, 300)
    canvas.grab()
    ((words, end),) = [(text, x) for text, x in ends if text.endswith("60 mm lower")]
    assert end <= width
    assert ("…" in words) == (width < 500)


def test_caption_says_how_much_higher_the_other_grid_lies(
    view: SectionPage, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """60 mm higher as a whole, so it is drawn dashed 60 mm lower."""
    screened._take_second(screened.loaded)
    settle(lambda: view._second is not None)
    own = view.section
    view.take_sections((own, replace(own, profile_z=own.profile_z + 0.060)))
    assert "dashed 60 mm lower" in view.other.caption
    screened.set_units("us")
    settle()
    assert "dashed 2.4 in lower" in view.other.caption


def test_what_is_required_is_a_dash_where_nobody_knows_it(view: SectionPage) -> None:
    """The required slope hangs on the pavement's, which may be unknown on one side or on both."""

    class Row:
        def __init__(self, required: float) -> None:
            self.required = required

        def value(self, name: str) -> tuple[float, float]:
            assert name == "required_slope_pct"
            return self.required, math.nan

    def wanted(*sides: float) -> str:
        return view._wanted("shoulder_slope_pct", [Row(required) for required in sides])

    assert wanted(4.0, 4.0) == "≥ 4.0"
    assert wanted(math.nan, 4.0) == f"≥ {DASH} | 4.0"
    assert wanted(math.nan, math.nan) == ""
