"""The map: what it shows, selecting, following, measuring, and staying live on a huge grid."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from analysis.common.table import Table
from gui.look import theme
from gui.look.icons import finding_icon
from gui.map.finding_marks import marks_of
from gui.map.layers import VERDICTS, MapLayers, RoadLayer
from gui.map.map_items import nice_length
from gui.map.map_view import MapView
from gui.state.model import WindowModel
from tests.builders.files import EAST, NORTH
from tests.gui.conftest import ARTEFACTS
from tests.gui.heartbeat import Heartbeat, run_loop

Settle = Callable[..., None]


@pytest.fixture
def view(screened: WindowModel, settle: Settle) -> Iterator[MapView]:
    """Yield the map of the small screened road, fully drawn."""
    made = map_of(screened, settle, 900, 600)
    yield made
    dispose(made)


def map_of(model: WindowModel, settle: Settle, width: int, height: int) -> MapView:
    """Return a map that shows the whole road, fully drawn."""
    made = MapView(model)
    made.resize(width, height)
    made.show()
    settle(lambda: bool(made.layers.roads))
    made.show_road()
    settle(lambda: model.runner.idle() and made.idle())
    return made


def dispose(view: MapView) -> None:
    """Close a map and have it destroyed now."""
    view.close()
    view.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)


def place_of(view: MapView, point: Any) -> QPoint:
    """Where a place in local metres is on the canvas."""
    scene = view.view.mapViewToScene(QPointF(float(point[0]), float(point[1])))
    return view.plot.mapFromScene(scene)


def station_point(view: MapView, station: int, side: int) -> np.ndarray:
    """Local metres of a station's symbol."""
    return np.asarray(view.layers.roads[0].stations[station, side])


def save(view: MapView, name: str) -> None:
    """Keep a picture to look at."""
    assert view.grab().save(str(ARTEFACTS / name))


def test_marks_stand_outward_of_their_reach_and_in_the_key(view: MapView) -> None:
    """Drawn for what was found, by plain geometry: left of a road northward is west."""
    line = np.array([[0.0, 0.0], [0.0, 60.0], [0.0, 100.0]])
    reaches = Table(
        {
            "side": np.array(["left", "right", "left"], dtype=object),
            "finding": np.array(["flat", "rutted", "none"], dtype=object),
            "verdict": np.array(["won't shed", "can't tell", "sheds"], dtype=object),
            "rank": np.array([2.0, 1.0, np.nan]),
        }
    )
    marks = marks_of(reaches, [line, line, line[::-1]])
    assert [mark.finding for mark in marks] == ["rutted", "flat", "none"]
    assert marks[0].at == (0.0, 50.0) and marks[0].length_m == 100.0
    assert [mark.outward[0] for mark in marks] == [1.0, -1.0, 1.0]
    view.marks.set_marks(marks)
    assert view.marks.findings == ("rutted", "flat"), "sound reaches have none"


def test_marks_show_the_findings_in_view(view: MapView, settle: Settle) -> None:
    """As pictograms near their reaches, none over another, and all named in the key."""
    settle(view.idle)
    view.grab()
    drawn = view.marks.drawn
    found = {name for name in view.model.findings.reaches["finding"] if finding_icon(name)}
    assert drawn and {name for name, _ in drawn} <= found
    for place, (_, plate) in enumerate(drawn):
        assert not any(plate.intersects(other) for _, other in drawn[:place])
    assert set(view.furniture.findings) == found
    without = view.furniture.key_size()
    view.furniture.findings = ()
    assert view.furniture.key_size().width() < without.width()


def test_whole_road_means_every_road() -> None:
    """Of two roads apart from each other the box holds both, not the first alone."""
    lines = [np.array([[0.0, 0.0], [100.0, 20.0]]), np.array([[300.0, -50.0], [500.0, 900.0]])]
    roads = tuple(
        RoadLayer(name, line, None, np.empty(0), np.empty(0), np.empty((0, 2, 2)), np.empty((0, 2)))
        for name, line in zip(("a", "b"), lines, strict=True)
    )
    assert MapLayers(roads=roads).bounds == (0.0, -50.0, 500.0, 900.0)


def test_show_road_fits_the_road(view: MapView) -> None:
    """The whole road is in view, with the same scale both ways."""
    rect = view.view.viewRect()
    bounds = view.layers.bounds
    assert bounds is not None
    west, south, east, north = bounds
    assert rect.left() <= west
    assert rect.right() >= east
    assert rect.top() <= south
    assert rect.bottom() >= north
    across, down = view.view.viewPixelSize()
    assert across == pytest.approx(down, rel=1e-3)
    save(view, "map_road.png")


def test_span_told_just_after_the_findings_were_closed(view: MapView) -> None:
    """The road is still drawn then; a stretch beyond it shows its nearest station."""
    view.model.close_study()
    assert view.layers.roads
    view.model.set_span(5000.0, 5010.0)
    last = view.layers.roads[0].stations[-1]
    assert view.view.viewRect().contains(*last[0])


def test_coordinates_are_local(view: MapView) -> None:
    """What is handed to the drawing has no seven-figure coordinates."""
    rect = view.view.viewRect()
    assert max(abs(rect.left()), abs(rect.bottom())) < 10_000.0


def test_terrain_is_drawn_where_it_lies(view: MapView, settle: Settle) -> None:
    """The picture has ground inside the grid's bounds and the bare plate outside."""
    view.show_terrain()
    settle(lambda: view.model.runner.idle() and view.idle())
    picture = view.plot.grab().toImage()
    plate = theme.color("plate").name()
    x, y = view.origin
    inside = place_of(view, (EAST + 100.0 - x, NORTH + 35.0 - y))
    outside = place_of(view, (EAST + 100.0 - x, NORTH + 60.0 - y))
    ratio = picture.devicePixelRatio()
    assert picture.pixelColor(int(inside.x() * ratio), int(inside.y() * ratio)).name() != plate
    assert picture.pixelColor(int(outside.x() * ratio), int(outside.y() * ratio)).name() == plate


def test_place_text_tells_coordinates_station_and_offset(view: MapView) -> None:
    """Under the cursor: the grid's own coordinates, station along and offset to the side."""
    x, y = view.origin
    text = view.place_text(EAST + 62.0 - x, NORTH + 20.0 - 4.0 - y)
    east, north = (f"{v:,.1f}".replace(",", " ") for v in (EAST + 62.0, NORTH + 16.0))
    assert text.startswith(f"E {east}   N {north}")
    assert "0+060" in text
    assert "right" in text
    assert "4.00 m" in text
    left = view.place_text(EAST + 62.0 - x, NORTH + 20.0 + 4.0 - y)
    assert "left" in left
    far = view.place_text(EAST + 62.0 - x, NORTH + 400.0 - y)
    assert "0+0" not in far


def test_place_text_follows_units(view: MapView) -> None:
    """US units show the offset in feet (4 m = 13.12 ft)."""
    view.model.set_units("us")
    x, y = view.origin
    assert "13.1" in view.place_text(EAST + 62.0 - x, NORTH + 16.0 - y)


def test_click_selects_the_nearest_station(view: MapView, settle: Settle) -> None:
    """A click near a symbol selects that station and side everywhere."""
    view.show_station()
    settle(lambda: view.idle())
    view.show_road()
    settle(lambda: view.idle())
    target = place_of(view, station_point(view, 9, 1)) + QPoint(2, 2)
    QTest.mouseClick(view.plot.viewport(), Qt.MouseButton.LeftButton, pos=target)
    settle(lambda: view.model.station_index == 9)
    assert view.model.side == 1


def test_click_far_from_any_station_selects_nothing(view: MapView, settle: Settle) -> None:
    """A click into the fields leaves the selection alone."""
    view.model.select_station(0, 4, 0)
    corner = QPoint(5, 5)
    menu = view.menu_at(view.view.mapSceneToView(view.plot.mapToScene(corner)))
    assert not menu.actions()[0].isEnabled()
    menu.close()
    QTest.mouseClick(view.plot.viewport(), Qt.MouseButton.LeftButton, pos=corner)
    settle()
    assert view.model.station_index == 4


def test_selection_elsewhere_comes_into_view(view: MapView, settle: Settle) -> None:
    """When another view selects a station out of sight, the map goes there at the same scale."""
    view.model.select_station(0, 1, 0)
    view.show_station()
    settle(lambda: view.idle())
    pixel = view.pixel_m
    last = len(view.model.index[0].distance_m) - 1
    view.model.select_station(0, last, 1)
    settle(lambda: view.idle())
    point = station_point(view, last, 1)
    assert view.view.viewRect().contains(QPointF(*point))
    assert view.pixel_m == pytest.approx(pixel, rel=1e-6)
    marked = view.ring.getData()
    assert marked[0][0] == pytest.approx(point[0])


def test_zoom_tells_the_span_and_a_span_moves_the_map(view: MapView, settle: Settle) -> None:
    """Map and along-road views show the same stretch, each told once."""
    told: list[tuple[float, float]] = []
    view.model.select_station(0, 9, 0)
    view.show_station()
    settle(lambda: view.idle())
    view.model.span_changed.connect(lambda a, b: told.append((a, b)))
    view.zoom(2.5)
    settle(lambda: bool(told))
    low, high = told[-1]
    s = view.model.index[0].distance_m[9]
    assert low < s < high
    before = len(told)
    view.model.set_span(20.0, 60.0, origin=object())
    settle(lambda: view.idle())
    assert len(told) == before + 1
    road = view.layers.roads[0]
    rect = view.view.viewRect()
    inside = np.array([rect.contains(QPointF(*point)) for point in road.stations[:, 0]])
    assert inside[(road.s >= 20.0) & (road.s <= 60.0)].all()
    assert not inside[road.s > 150.0].any()


def test_stations_show_close_up_with_symbol_and_colour(view: MapView, settle: Settle) -> None:
    """Close up, each verdict has its own symbol and its own colour; far off there are none."""
    view.show_road()
    settle(lambda: view.idle())
    symbols = {(p.symbol(), p.brush().color().name()) for p in view.stations.points()}
    shown = {VERDICTS[v] for v in np.unique(view.layers.roads[0].verdict)}
    assert {s for s, _ in symbols} >= {
        theme.verdict_look(name).symbol for name in shown & {"sheds", "won't shed"}
    }
    looks = [theme.verdict_look(name) for name in VERDICTS]
    assert len({look.symbol for look in looks}) == len(VERDICTS)
    assert len({look.color.name() for look in looks}) == len(VERDICTS)
    assert len({look.mark for look in looks}) == len(VERDICTS)
    view.zoom(50.0)
    settle(lambda: view.idle())
    assert len(view.stations.points()) == 0


def test_measure_distance_and_fall(view: MapView, settle: Settle) -> None:
    """Two clicks along the crown give the distance and the grade (1 %, falling back)."""
    told: list[str] = []
    view.measured.connect(told.append)
    view.measure_action.setChecked(True)
    assert view.furniture.hint
    x, y = view.origin
    for east in (160.0, 60.0):
        where = place_of(view, (EAST + east - x, NORTH + 20.0 - y))
        QTest.mouseClick(view.plot.viewport(), Qt.MouseButton.LeftButton, pos=where)
        settle()
    settle(lambda: bool(told))
    assert "falls" in told[0]
    number = float(told[0].split()[0])
    assert number == pytest.approx(100.0, abs=1.0)
    slope = float(told[0].split("(")[1].split()[0])
    assert slope == pytest.approx(1.0, abs=0.15)
    QTest.keyClick(view.plot, Qt.Key.Key_Escape)
    settle()
    assert not view.measure_action.isChecked()
    assert view.ruler_text.text() == ""


def test_measuring_does_not_select(view: MapView, settle: Settle) -> None:
    """While measuring, a click on a station measures."""
    view.model.select_station(0, 2, 0)
    view.measure_action.setChecked(True)
    where = place_of(view, station_point(view, 10, 1))
    QTest.mouseClick(view.plot.viewport(), Qt.MouseButton.LeftButton, pos=where)
    settle()
    assert view.model.station_index == 2


def test_relief_shows_height_above_the_pavement(view: MapView, settle: Settle) -> None:
    """The reversed shoulder stands out in orange, the sound one doesn't."""
    view.model.select_station(0, view.model.nearest_station(0, 110.0), 1)
    view.show_station()
    view.relief_action.setChecked(True)
    settle(lambda: view.relief_item.store is not None)
    # tiles are asked for when the item is painted first, which a busy machine does late
    settle(lambda: len(view.relief_item.store.cache) > 0)
    settle(lambda: view.model.runner.idle() and view.idle())
    assert view.furniture.relief_cm == view.relief_limit_cm
    save(view, "map_relief.png")
    picture = view.plot.grab().toImage()
    x, y = view.origin
    ratio = picture.devicePixelRatio()

    def warmth(o: float) -> float:
        """Red minus blue, on average along a bit of road at an offset."""
        values = []
        for east in np.arange(104.0, 120.0, 0.7):
            at = place_of(view, (EAST + east - x, NORTH + 20.0 - o - y))
            pixel = picture.pixelColor(int(at.x() * ratio), int(at.y() * ratio))
            values.append(pixel.red() - pixel.blue())
        return float(np.mean(values))

    # 4.6 m out the reversed shoulder is 5.9 cm above the pavement plane; the sound one 3.3 below.
    assert warmth(4.6) > warmth(-4.6) + 40.0
    view.set_relief_limit(40.0)
    assert view.furniture.relief_cm == 40.0
    view.relief_action.setChecked(False)
    assert view.furniture.relief_cm == 0.0


def test_light_changes_the_picture(view: MapView, settle: Settle) -> None:
    """Light from the other side shades the other slopes."""
    from dataclasses import replace

    before = view.plot.grab().toImage()
    view.set_light(replace(view.light, azimuth_deg=135.0))
    settle(lambda: view.idle() and view.model.runner.idle())
    assert view.plot.grab().toImage() != before


def test_keys_move_and_zoom(view: MapView, settle: Settle) -> None:
    """Arrows pan, plus and minus zoom, Home shows the whole road."""
    view.plot.setFocus()
    rect = view.view.viewRect()
    QTest.keyClick(view.plot, Qt.Key.Key_Right)
    assert view.view.viewRect().left() > rect.left()
    QTest.keyClick(view.plot, Qt.Key.Key_Up)
    assert view.view.viewRect().top() > rect.top()
    QTest.keyClick(view.plot, "+")
    assert view.view.viewRect().width() < rect.width()
    QTest.keyClick(view.plot, "-")
    QTest.keyClick(view.plot, Qt.Key.Key_Home)
    settle(lambda: view.idle())
    assert view.view.viewRect().width() == pytest.approx(rect.width(), rel=0.02)


def test_context_menu_does_what_it_says(view: MapView, settle: Settle) -> None:
    """Select, copy and measure from the menu at a place."""
    point = QPointF(*station_point(view, 12, 1))
    menu = view.menu_at(point)
    actions = {a.text(): a for a in menu.actions() if a.text()}
    actions["Select this station"].trigger()
    assert view.model.station_index == 12
    actions["Copy this place"].trigger()
    assert QApplication.clipboard().text() == view.place_text(point.x(), point.y())
    actions["Measure from here"].trigger()
    assert view.measure_action.isChecked()
    assert view.measure_from == (point.x(), point.y())
    menu.close()
    away = view.menu_at(QPointF(-5000.0, -5000.0))
    assert not away.actions()[0].isEnabled()
    away.close()


def test_ponds_breaks_and_reaches_are_laid_out(view: MapView) -> None:
    """Edges lie at the stations, hinges outside them, a line for each reach."""
    road = view.layers.roads[0]
    findings = view.model.findings
    assert len(view.layers.reach_lines) == len(findings.reaches)
    assert len(view.layers.pond_rings) == len(findings.ponds)
    np.testing.assert_allclose(road.edge[0], road.stations[:, 0])
    middle = road.line[:, 1].mean()
    edge_out = np.abs(road.edge[1][:, 1] - middle)
    hinge_out = np.abs(road.hinge[1][:, 1] - middle)
    known = np.isfinite(hinge_out)
    assert known.any()
    assert (hinge_out[known] > edge_out[known]).all()


def test_dark_and_light_redraw(view: MapView, settle: Settle) -> None:
    """Switching colours redraws everything without a fault."""
    light = view.plot.grab().toImage()
    try:
        theme.apply(QApplication.instance(), dark=True)
        settle()
        assert view.plot.grab().toImage() != light
        save(view, "map_dark.png")
    finally:
        theme.apply(QApplication.instance(), dark=False)


def test_everything_has_a_name_for_screen_readers(view: MapView) -> None:
    """The parts that take the focus or tell something are named."""
    for widget in (view, view.plot, view.place, view.ruler_text):
        assert widget.accessibleName()


@pytest.mark.parametrize(
    ("most", "length"), [(7.3, 5.0), (1.0, 1.0), (19.9, 10.0), (0.26, 0.2), (999.0, 500.0)]
)
def test_nice_length(most: float, length: float) -> None:
    """A scale bar has a round length."""
    assert nice_length(most) == pytest.approx(length)


def huge_vrt(folder: Path, tile: str, size: int, tile_cells: int) -> str:
    """Write a virtual raster of many copies of a small tile."""
    count = size // tile_cells
    sources = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{Path(tile).name}</SourceFilename>'
        f"<SourceBand>1</SourceBand>"
        f'<SrcRect xOff="0" yOff="0" xSize="{tile_cells}" ySize="{tile_cells}"/>'
        f'<DstRect xOff="{c * tile_cells}" yOff="{r * tile_cells}" '
        f'xSize="{tile_cells}" ySize="{tile_cells}"/></SimpleSource>'
        for r in range(count)
        for c in range(count)
    )
    path = folder / "huge.vrt"
    path.write_text(
        f'<VRTDataset rasterXSize="{size}" rasterYSize="{size}"><SRS>EPSG:32610</SRS>'
        f"<GeoTransform>{EAST}, 1, 0, {NORTH + size}, 0, -1</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{sources}</VRTRasterBand></VRTDataset>'
    )
    return str(path)


def roam(view: MapView, steps: int) -> Callable[[], bool]:
    """Pan and zoom step by step from a timer, as a hand would; tells when done."""
    done = [0]
    timer = QTimer(view)
    timer.setInterval(15)

    def step() -> None:
        place = done[0] % 90
        width = view.view.viewRect().width()
        if place == 0:
            view.show_terrain()
        elif place < 50:
            view.view.scaleBy((0.86, 0.86), center=view.view.viewRect().topLeft())
        elif place < 70:
            view.view.translateBy((0.04 * width, 0.03 * width))
        else:
            view.view.scaleBy((1 / 0.8, 1 / 0.8))
        done[0] += 1
        if done[0] >= steps:
            timer.stop()

    timer.timeout.connect(step)
    timer.start()
    return lambda: done[0] >= steps


def test_huge_grid_keeps_the_loop_alive_and_memory_bound(
    model: WindowModel, write_grid: Callable[..., str], tmp_path: Path
) -> None:
    """A grid of 50 000 × 50 000 opens, pans and zooms; the loop lives, the caches stay bounded.

    The strict limit of 100 ms by the clock is measured by the benchmark; here, on a machine busy
    with other tests, what the window's own thread worked between two beats counts.
    """
    from gui.window.app import warm_up

    size, cells = 50_000, 1000
    y, x = np.mgrid[0:cells, 0:cells]
    z = 100.0 + 8.0 * np.sin(x / 60.0) + 5.0 * np.cos(y / 45.0)
    tile = write_grid(z, name="tile.tif", dtype="float32", tiled=True)
    path = huge_vrt(tmp_path, tile, size, cells)
    model.runner.submit("warm-up", warm_up, lane="long")
    run_loop(model.runner.idle)
    view = MapView(model)
    view.resize(900, 600)
    view.show()
    heart = Heartbeat()
    model.open_terrain(path)
    run_loop(lambda: model.terrain is not None)
    assert (model.terrain.rows, model.terrain.cols) == (size, size)
    run_loop(lambda: view.terrain_item.store is not None and len(view.terrain_item.store.cache) > 0)
    run_loop(roam(view, 180))
    run_loop(lambda: model.runner.idle() and view.idle())
    worked_s = max(heart.work_s)
    heart.stop()
    store, tiles = view.terrain_item.store, view.tiles
    assert store is not None
    assert tiles is not None
    assert store.cache.currsize <= store.cache.maxsize
    assert tiles.heights.currsize <= tiles.heights.maxsize
    assert worked_s < 0.1
    save(view, "map_huge.png")
    dispose(view)


def test_reaches_that_changed_are_starred(
    view: MapView, screened: WindowModel, settle: Callable[..., None]
) -> None:
    """A star for what changed, a hollow one for what can't be told, none for what didn't."""
    from datetime import date

    from analysis.common.columns import REACH_CHANGE_COLUMNS
    from analysis.common.table import Table
    from analysis.findings.two_surveys import Dates, SurveyChange

    settle(lambda: bool(view.layers.roads))
    road = screened.index[0]
    ends = [(float(road.station_m[k]), float(road.station_m[k + 2])) for k in (2, 6, 10)]
    rows = {n: ["" if c.type == "str" else np.nan] * 3 for n, c in REACH_CHANGE_COLUMNS.items()}
    rows |= {"road": [road.name] * 3, "side": ["left", "right", "left"]}
    rows |= {"from_m": [low for low, _ in ends], "to_m": [high for _, high in ends]}
    rows |= {"change": ["changed", "not changed", "can't tell"]}
    change = SurveyChange(
        dates=Dates(before=date(2021, 5, 1), after=date(2023, 5, 1)),
        stations=Table.empty({}),
        reaches=Table.of(REACH_CHANGE_COLUMNS, rows),
        registrations=(),
        station_rows=np.empty(0, dtype=int),
    )
    screened.set_survey_change(change)
    spots = view._changed.points()
    places = view.layers.roads[0].stations
    assert [tuple(spot.pos()) for spot in spots] == [tuple(places[3, 0]), tuple(places[11, 0])]
    assert spots[0].brush().color() != spots[1].brush().color()
    assert view.furniture.has_changes
    screened.set_survey_change(None)
    assert not len(view._changed.points())


def test_change_to_the_other_grid_is_shaded(view: MapView, settle: Settle) -> None:
    """The other lies 60 mm higher all over, its left shoulder 40 mm more: only that shows, blue."""
    study = view.model.study
    assert study is not None and view.model.loaded is not None
    (part,) = study.roads
    ribbon = part.ground.ribbon
    worked = (ribbon.o < -3.6) & (ribbon.o > -5.0)
    higher = replace(ribbon, z=ribbon.z + 0.060 + np.where(worked, 0.040, 0.0))
    other = replace(part, ground=replace(part.ground, ribbon=higher))
    view.relief_action.setChecked(True)
    view.model._take_second(
        replace(view.model.loaded, study=replace(study, roads=(other,), findings=study.findings))
    )
    assert view.change_action.isChecked() and not view.relief_action.isChecked()
    settle(lambda: view.change.key is not None)
    view.model.select_station(0, view.model.nearest_station(0, 60.0), 0)
    view.show_station()
    settle(lambda: view.change.item.store is not None and len(view.change.item.store.cache) > 0)
    settle(lambda: view.model.runner.idle() and view.idle())
    key = view.furniture.change
    assert key is not None and key.noise_mm == pytest.approx(0.0, abs=1e-6)
    title, limit, unit, below = view.furniture._scale_words()
    assert (limit, unit) == ("30", "mm") and "than fernhollow" in title and "noise" in below
    picture = view.plot.grab().toImage()
    x, y = view.origin
    ratio = picture.devicePixelRatio()

    def blue(o: float) -> float:
        values = []
        for east in np.arange(53.0, 58.0, 0.7):
            at = place_of(view, (EAST + east - x, NORTH + 20.0 - o - y))
            pixel = picture.pixelColor(int(at.x() * ratio), int(at.y() * ratio))
            values.append(pixel.blue() - pixel.red())
        return float(np.mean(values))

    assert blue(-4.3) > max(blue(4.3), blue(1.5)) + 60.0
    # measured anew, in arrays of its own
    view.model.loaded = replace(view.model.loaded, study=replace(study, roads=(other,)))
    view.change.refresh()
    assert view.model.runner.is_running("map/change")
    settle(view.model.runner.idle)
    view.model.close_second()
    assert view.furniture.change is None and not view.change_action.isChecked()
