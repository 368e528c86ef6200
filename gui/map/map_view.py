"""The map: terrain, road, breaks, stations and reaches; selecting, measuring, following."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QAction, QContextMenuEvent, QGuiApplication, QKeyEvent, QPen
from PySide6.QtWidgets import QLabel, QMenu, QWidget

from analysis.common.sides import SIDES
from analysis.common.verdicts import Verdict
from gui.look import theme
from gui.look.making import abreast, later, named, stacked
from gui.look.marks import change_scatter, check_scatter, review_scatter
from gui.look.remembered import remembered
from gui.look.turns import PaintedInTurns, ViewInTurns
from gui.look.units import value_text
from gui.look.words import side_text, station_words
from gui.map import layers
from gui.map.change_layer import ChangeLayer
from gui.map.finding_marks import FindingMarks
from gui.map.layers import VERDICTS, MapLayers
from gui.map.map_items import Furniture, LinesItem, TileItem, pond_brush
from gui.map.map_key import MapKey, spread
from gui.map.picture import MapPicture
from gui.map.ruler import Ruler
from gui.map.tiles import Light, ReliefTiles, TerrainTiles, TilePlan, TileStore
from gui.state.model import WindowModel
from gui.state.runner import Progress

__all__ = ["MapView"]

# More symbols than this are a smear; the reaches along the edge then tell where to look.
MOST_STATIONS = 4000
STATIONS_COARSEST_M = 1.6
BREAKS_COARSEST_M = 3.0
PICK_PIXELS = 40.0
AFTER_MOVE_MS = 50
RELIEF_LIMITS_CM = (5.0, 10.0, 20.0, 40.0)


class _Plot(ViewInTurns, pg.PlotWidget):
    """The canvas; keys and the context menu are the map's own."""

    key_pressed = Signal(QKeyEvent)
    menu_wanted = Signal(QContextMenuEvent)
    left = Signal()
    resized = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._painted = PaintedInTurns(self.viewport(), lambda: theme.color("plate"))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        event.ignore()
        self.key_pressed.emit(event)
        if not event.isAccepted():
            super().keyPressEvent(event)

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        self.menu_wanted.emit(event)

    def leaveEvent(self, event: QEvent) -> None:
        self.left.emit()
        super().leaveEvent(event)

    def resizeEvent(self, event: Any) -> None:
        super().resizeEvent(event)
        self.resized.emit()


class MapView(QWidget):
    """Map of the open terrain, roads and findings.

    `light` says how the terrain is shaded and tinted; height above the pavement takes its full
    colour at `relief_limit_cm`.

    Signals
    -------
    measured(str)
        The words of a finished measurement; "" once it no longer shows.
    """

    measured = Signal(str)

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = model
        self.setAccessibleName(self.tr("Map"))
        self.layers = MapLayers()
        self._reach_middles = np.empty((0, 2))
        self._terrain: Any = None
        self.tiles: TerrainTiles | None = None
        self._store: TileStore | None = None
        self._relief_store: TileStore | None = None
        self._relief_wanted = False
        self.relief_limit_cm = 10.0
        self.light = Light()
        self._following = False
        self._fit_wanted = True
        self.origin = (0.0, 0.0)
        self._build()
        self._build_actions()
        model.inputs_changed.connect(self._on_inputs)
        model.study_changed.connect(self._on_study)
        model.selection_changed.connect(self._on_selection)
        model.span_changed.connect(self._on_span)
        model.second_changed.connect(self._on_second)
        model.units_changed.connect(self._on_units)
        model.reviews_changed.connect(self._mark_reviews)
        model.survey_change_changed.connect(self._mark_changes)
        model.check_plan_changed.connect(self._mark_checks)
        theme.watcher().changed.connect(later(self, self._on_theme).start)
        self._on_theme()
        self._on_units()
        if model.terrain is not None or model.findings is not None:
            self._on_inputs()

    # -- building -------------------------------------------------------

    def _build(self) -> None:
        self.plot = named(_Plot(), self.tr("Map canvas"))
        self.plot.setAccessibleDescription(
            self.tr("Terrain with the road and its stations; arrow keys move, + and − zoom.")
        )
        self.plot.hideAxis("left")
        self.plot.hideAxis("bottom")
        self.plot.hideButtons()
        self.plot.setMenuEnabled(False)
        self.plot.setFrameShape(self.plot.Shape.NoFrame)
        self.view = self.plot.getViewBox()
        self.view.setAspectLocked(True)
        self.view.setDefaultPadding(0.0)
        self.view.disableAutoRange()
        self.terrain_item = TileItem(0.0)
        self.relief_item = TileItem(1.0)
        self.picture = MapPicture(self.model, self)
        self.change = ChangeLayer(self.model, self._arrange, self)
        self._ponds = LinesItem(2.0)
        self._road_lines = LinesItem(3.0)
        self._breaks = LinesItem(4.0)
        self._breaks.coarsest_m = BREAKS_COARSEST_M
        self._chosen_reach = LinesItem(4.8)
        self._reaches = LinesItem(5.0)
        self.stations, self.ring = pg.ScatterPlotItem(), pg.ScatterPlotItem()
        self.stations.setZValue(6.0)
        self._section = LinesItem(7.0)
        self.ring.setZValue(8.0)
        self.marks = FindingMarks(8.5)
        self._checks = pg.ScatterPlotItem()
        self._checks.setZValue(7.1)
        self._changed = pg.ScatterPlotItem()
        self._changed.setZValue(7.2)
        self._reviewed = pg.ScatterPlotItem()
        self._reviewed.setZValue(7.5)
        self.ruler = Ruler(self.model, self)
        self.ruler.measured.connect(self.measured)
        images = (self.terrain_item, self.picture.item, self.relief_item, self.change.item)
        lines = (self._ponds, self._road_lines, self._breaks, self._chosen_reach, self._reaches)
        marks = (self.stations, self._section, self._checks, self._changed, self._reviewed)
        rulers = self.ruler.items
        for item in (*images, *lines, *marks, self.ring, self.marks, *rulers):
            self.plot.addItem(item, ignoreBounds=True)
        self.furniture = Furniture(self.plot)
        self.key = MapKey(self.plot, self.furniture)
        self.place = named(QLabel(), self.tr("Place under the cursor"))
        self.ruler_text = self.ruler.text
        strip = QWidget()
        strip.setFixedHeight(24)
        abreast(strip, (self.place, 1), self.ruler_text, margins=(8, 2, 8, 2))
        stacked(self, (self.plot, 1), strip)
        self._moved = later(self, self._after_move, AFTER_MOVE_MS)
        self._by_hand = False
        self.view.sigRangeChanged.connect(self._on_range)
        self.view.sigRangeChangedManually.connect(self._on_hand)
        self.plot.scene().sigMouseMoved.connect(self._on_mouse)
        self.plot.scene().sigMouseClicked.connect(self._on_click)
        self.plot.key_pressed.connect(self._on_key)
        self.plot.menu_wanted.connect(self._on_menu)
        self.plot.left.connect(self.place.clear)
        self.plot.resized.connect(self._on_resized)

    def _build_actions(self) -> None:
        def action(text: str, keys: str, slot: Any, *, switch: bool = False) -> QAction:
            made = QAction(text, self, checkable=switch)
            made.setShortcut(keys)
            (made.toggled if switch else made.triggered).connect(slot)
            self.addAction(made)
            return made

        whole, close_up = self.tr("Whole &terrain"), self.tr("&Close up on the station")
        measure = self.tr("&Measure distance and fall")
        relief = self.tr("Height &above the pavement")
        self.fit_road_action = action(self.tr("Whole &road"), "Ctrl+0", self.show_road)
        self.fit_terrain_action = action(whole, "Ctrl+Shift+0", self.show_terrain)
        self.near_action = action(close_up, "Ctrl+9", self.show_station)
        self.closer_action = action(self.tr("Zoom &in"), "Ctrl++", lambda: self.zoom(0.6))
        self.wider_action = action(self.tr("Zoom &out"), "Ctrl+-", lambda: self.zoom(1.0 / 0.6))
        self.measure_action = action(measure, "Ctrl+M", self._set_measuring, switch=True)
        self.relief_action = action(relief, "Ctrl+H", self._set_relief, switch=True)
        change = self.tr("Height change to the &other grid")
        self.change_action = action(change, "Ctrl+Shift+H", self._set_change, switch=True)
        self.key_action = action(self.tr("Map &key"), "Ctrl+K", self._show_key, switch=True)
        on = remembered().value("map/key", "true") == "true"
        self.key_action.setChecked(on)
        self.key.set_on(on, by_hand=False)

    # -- what is shown -------------------------------------------------------

    def set_light(self, light: Light) -> None:
        """Shade the terrain by another light."""
        self.light = light
        if self._store is not None:
            self._store.set_style(light)
            self.terrain_item.update()

    def set_relief_limit(self, limit_cm: float) -> None:
        """Colour the height above the pavement to another full scale."""
        self.relief_limit_cm = limit_cm
        if self._relief_store is not None:
            self._relief_store.set_style(limit_cm)
            self.relief_item.update()
        self._arrange()

    def _set_change(self, on: bool) -> None:
        if on:
            # Two colourings of the same ground would hide each other.
            self.relief_action.setChecked(False)
        self.change.set_on(on)

    def _set_relief(self, on: bool) -> None:
        if on:
            self.change_action.setChecked(False)
        self._relief_wanted = on
        self._load_relief()
        self._arrange()

    def _on_inputs(self) -> None:
        terrain = self.model.terrain
        if terrain is not self._terrain:
            self._terrain = terrain
            self._set_terrain()
            self._fit_wanted = True
        elif not self.model.index:
            self._fit_wanted = True
        self._load_layers()

    def _set_terrain(self) -> None:
        terrain = self._terrain
        self._set_measuring(False)
        self.measure_action.setChecked(False)
        self.ruler.clear()
        if terrain is None:
            self._store = self.tiles = None
            self.terrain_item.set_store(None, self.origin)
            self.picture.follow_terrain(self.origin)
            self.change.follow_terrain(None, self.origin)
            return
        west, south, _, _ = terrain.bounds
        # Seven-figure coordinates would lose centimetres in the drawing's arithmetic.
        self.origin = (math.floor(west / 1000.0) * 1000.0, math.floor(south / 1000.0) * 1000.0)
        self.tiles = tiles = TerrainTiles(terrain)
        self._store = TileStore(self.model.runner, tiles.plan, tiles.load, parent=self)
        self._store.trouble.connect(self.model.message)
        self._store.set_style(self.light)
        self.terrain_item.set_store(self._store, self.origin)
        self.picture.follow_terrain(self.origin)
        self.change.follow_terrain(tiles.plan, self.origin)
        light = self.light
        self.model.runner.submit(
            "map/range", lambda progress: tiles.with_range(progress, light), self._take_range
        )

    def _take_range(self, light: Light) -> None:
        self.set_light(replace(self.light, low_m=light.low_m, high_m=light.high_m))

    def _on_study(self) -> None:
        self._load_layers()
        self._load_relief()
        self.change.refresh()

    def _on_second(self) -> None:
        """Show what changed as soon as there is something to compare with."""
        self.change_action.setChecked(self.model.second_study is not None)
        self.change.refresh()

    def _load_layers(self) -> None:
        terrain, roads, loaded = self.model.terrain, self.model.roads, self.model.loaded
        origin = self.origin
        self.model.runner.submit(
            "map/layers",
            lambda progress: layers.map_layers(progress, terrain, roads, loaded, origin),
            self._take_layers,
        )

    def _take_layers(self, made: MapLayers) -> None:
        self.layers = made
        self._reach_middles = np.array(
            [line[len(line) // 2] for line in made.reach_lines], dtype=float
        ).reshape(-1, 2)
        self._road_lines.set_pieces(made.road_pieces)
        self._breaks.set_pieces(made.break_pieces)
        self._reaches.set_pieces(made.reach_pieces)
        self._ponds.set_pieces(made.pond_pieces)
        self.marks.set_marks(made.marks)
        if self._fit_wanted:
            self._fit_wanted = False
            if made.bounds is not None:
                self.show_road()
            else:
                self.show_terrain()
        self._mark_selection(follow=False)
        self._mark_reviews()
        self._mark_changes()
        self._mark_checks()
        self._arrange()
        self._scatter()

    def _load_relief(self) -> None:
        loaded = self.model.loaded
        if not self._relief_wanted or loaded is None or loaded.study is None:
            self._relief_store = None
            self.relief_item.set_store(None, self.origin)
            return
        if self.tiles is None:
            return
        plan = self.tiles.plan

        def work(progress: Progress) -> tuple[Any, TilePlan]:
            return layers.relief_layers(progress, loaded), plan

        self.model.runner.submit("map/relief", work, self._take_relief)

    def _take_relief(self, result: tuple[Any, TilePlan]) -> None:
        roads, plan = result
        if not self._relief_wanted:
            return
        tiles = ReliefTiles(plan, roads)
        self._relief_store = TileStore(self.model.runner, plan, tiles.load, parent=self)
        self._relief_store.set_style(self.relief_limit_cm)
        self.relief_item.set_store(self._relief_store, self.origin)
        self._arrange()

    # -- colours and furniture -------------------------------------------------------

    def _on_theme(self) -> None:
        self.plot.setBackground(theme.color("plate"))
        casing = theme.pen("road", 4.0, alpha=0.45)
        self._road_lines.set_pens([[theme.pen("road", 1.6, Qt.PenStyle.DashDotLine, 0.9)]])
        self._breaks.set_pens(
            [
                [casing, theme.pen("edge", 1.8)],
                [casing, theme.pen("hinge", 1.8, Qt.PenStyle.DashLine)],
                [casing, theme.pen("ditch", 1.8, Qt.PenStyle.DotLine)],
            ]
        )
        pens = []
        for name in VERDICTS:
            look = theme.verdict_look(name)
            pen = pg.mkPen(look.color, width=5.0 if name == Verdict.WONT_SHED else 3.5)
            pen.setStyle(look.pattern)
            pen.setCosmetic(True)
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            halo = theme.pen("halo", pen.widthF() + 2.5, alpha=0.65)
            halo.setCapStyle(Qt.PenCapStyle.FlatCap)
            pens.append([halo, pen])
        self._reaches.set_pens(pens)
        self._chosen_reach.set_pens([[theme.pen("selected", 12.0, alpha=0.7)]])
        self._section.set_pens([[theme.pen("halo", 4.5, alpha=0.8), theme.pen("selected", 1.8)]])
        self.ruler.dress()
        self._ponds.set_pens([[theme.pen("pond", 1.4)]], pond_brush())
        self._scatter()
        self._mark_selection(follow=False)
        self._mark_reviews()
        self._mark_changes()
        self._mark_checks()
        self.furniture.update()

    def _on_units(self) -> None:
        self.furniture.units = self.model.units
        self.furniture.update()

    def _arrange(self) -> None:
        there = self.furniture
        there.setGeometry(0, 0, self.plot.width(), self.plot.height())
        there.pixel_m = self.pixel_m
        there.units = self.model.units
        there.has_stations = any(len(road.s) for road in self.layers.roads)
        there.has_ponds = bool(self.layers.pond_rings)
        there.has_reviews = bool(self.model.reviews)
        there.findings = self.marks.findings
        shown = self._relief_wanted and self._relief_store is not None
        there.relief_cm = self.relief_limit_cm if shown else 0.0
        there.change = self.change.key
        there.hint = self.tr("Click two points; Esc ends measuring") if self.ruler.on else ""
        there.update()
        self._place_key()

    def _place_key(self) -> None:
        if not self.furniture.show_key:
            return
        rect, box = self.view.viewRect(), self.view.sceneBoundingRect()
        if rect.width() <= 0.0 or rect.height() <= 0.0:
            return
        corner = np.array([rect.left(), rect.bottom()])
        scale = np.array([box.width() / rect.width(), -box.height() / rect.height()])
        shift = np.array([box.left(), box.top()])
        roads, ditches = [], []
        for road in self.layers.roads:
            body = road.stations
            if road.hinge:
                hinge = np.stack(road.hinge, axis=1)
                body = np.where(np.isfinite(hinge), hinge, body)
            roads.append((body - corner) * scale + shift)
            for line in road.ditch:
                ditches.append((np.stack([line, line], axis=1) - corner) * scale + shift)
        width, height = self.plot.width(), self.plot.height()
        self.key.place(spread(roads, width, height), spread(ditches, width, height))

    @property
    def pixel_m(self) -> float:
        """Metres that one pixel of the screen covers."""
        return float(self.view.viewRect().width() / max(self.view.width(), 1.0))

    def _on_resized(self) -> None:
        self._arrange()
        self._moved.start()

    # -- moving about -------------------------------------------------------

    def _on_range(self, *_: Any) -> None:
        self._moved.start()
        self.furniture.pixel_m = self.pixel_m
        self.furniture.update()

    def _on_hand(self, *_: Any) -> None:
        self._by_hand = True

    def _moved_by_hand(self) -> None:
        self._by_hand = True
        self._moved.start()

    def _after_move(self) -> None:
        self._scatter()
        self._mark_reviews()
        self._place_key()
        if self._by_hand:
            self._by_hand = False
            self._tell_span()

    def _tell_span(self) -> None:
        """Tell the other views which part of the current road is in sight."""
        road = self._current_road()
        if road is None or len(road.s) < 2:
            return
        seen = road.s[self._in_view(road.stations).any(axis=1)]
        if len(seen) > 1:
            self.model.set_span(float(seen[0]), float(seen[-1]), origin=self)

    def _on_span(self, s0: float, s1: float) -> None:
        if self.model.span_origin is self:
            return
        road = self._current_road()
        if road is None or len(road.s) < 2:
            return
        inside = (road.s >= s0) & (road.s <= s1)
        if not inside.any():
            # Of the road as it is drawn: the findings may have been closed a moment ago.
            inside[int(np.argmin(np.abs(road.s - 0.5 * (s0 + s1))))] = True
        self._show_points(road.stations[inside].reshape(-1, 2), least_m=30.0)

    def _show_points(self, points: NDArray[Any], *, least_m: float = 0.0) -> None:
        low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
        if not (np.isfinite(low).all() and np.isfinite(high).all()):
            return
        self.show_box(low[0], low[1], high[0], high[1], least_m=least_m)

    def show_box(
        self, west: float, south: float, east: float, north: float, *, least_m: float = 0.0
    ) -> None:
        spare = max(0.0, least_m - max(east - west, north - south)) / 2.0
        self.view.setRange(
            QRectF(west - spare, south - spare, east - west + 2 * spare, north - south + 2 * spare),
            padding=0.06,
        )

    def show_road(self) -> None:
        """Show every road whole."""
        bounds = self.layers.bounds
        if bounds is None:
            self.show_terrain()
            return
        self.show_box(*bounds, least_m=50.0)
        self._moved_by_hand()

    def show_current_road(self) -> None:
        """Show the current road whole."""
        road = self._current_road()
        if road is None:
            return
        points = road.line if len(road.line) else road.stations.reshape(-1, 2)
        if len(points):
            self._show_points(points, least_m=50.0)
            self._moved_by_hand()

    def show_terrain(self) -> None:
        """Show the terrain whole."""
        if self._terrain is None:
            return
        west, south, east, north = self._terrain.bounds
        x, y = self.origin
        self.show_box(west - x, south - y, east - x, north - y)
        self._moved_by_hand()

    def show_station(self) -> None:
        """Go close to the selected station."""
        point = self._selected_point()
        if point is None:
            return
        half = 15.0
        self.show_box(*(point - half), *(point + half))
        self._moved_by_hand()

    def set_key_away(self, away: bool) -> None:
        """Put the key out of the way of a small map, or show it as the person has it."""
        self.key.set_on(not away and self.key_action.isChecked(), by_hand=False)
        self._place_key()

    def _show_key(self, on: bool) -> None:
        self.key.set_on(on, by_hand=True)
        self._place_key()

    def look_ahead(self, places: Sequence[tuple[int, int, int]]) -> None:
        """Load what is around the places (road, station, side) that are likely to be seen next."""
        roads, views = self.layers.roads, []
        for number, station, side in places:
            known = number < len(roads) and station < len(roads[number].stations)
            if known and np.isfinite(point := roads[number].stations[station, side]).all():
                view = QRectF(self.view.viewRect())
                view.moveCenter(QPointF(*point))
                views.append(view)
        for item in (self.terrain_item, self.picture.item, self.relief_item, self.change.item):
            item.look_ahead(views)

    def look_at_station(self, half_m: float) -> None:
        """Show the selected station and so much around it, without moving the other views."""
        point = self._selected_point()
        if point is not None:
            self.show_box(*(point - half_m), *(point + half_m))

    def zoom(self, factor: float) -> None:
        """Zoom about the middle; a factor under 1 goes closer."""
        self.view.scaleBy((factor, factor))
        self._moved_by_hand()

    def _on_key(self, event: QKeyEvent) -> None:
        keys, modifiers = Qt.Key, Qt.KeyboardModifier
        steps: dict[int, tuple[int, int]] = {
            keys.Key_Left: (-1, 0),
            keys.Key_Right: (1, 0),
            keys.Key_Up: (0, 1),
            keys.Key_Down: (0, -1),
        }
        key = event.key()
        plain = event.modifiers() in (modifiers.NoModifier, modifiers.KeypadModifier)
        if key in steps and plain:
            rect = self.view.viewRect()
            dx, dy = steps[key]
            self.view.translateBy((0.15 * dx * rect.width(), 0.15 * dy * rect.height()))
            self._by_hand = True
        elif event.text() == "+":
            self.zoom(0.7)
        elif event.text() == "-":
            self.zoom(1.0 / 0.7)
        elif key == Qt.Key.Key_Home:
            self.show_road()
        elif key == Qt.Key.Key_Escape and self.ruler.on:
            self.measure_action.setChecked(False)
        else:
            return
        self._moved.start()
        event.accept()

    # -- stations -------------------------------------------------------

    def _current_road(self) -> Any:
        roads, number = self.layers.roads, self.model.road_index
        return roads[number] if number < len(roads) else None

    def _in_view(self, points: NDArray[Any]) -> NDArray[np.bool_]:
        rect = self.view.viewRect()
        x, y = points[..., 0], points[..., 1]
        across = (x >= rect.left()) & (x <= rect.right())
        inside: NDArray[np.bool_] = across & (y >= rect.top()) & (y <= rect.bottom())
        return inside

    def _scatter(self) -> None:
        """Draw the symbols of the stations in view, unless they would be a smear."""
        places, codes = [], []
        if self.pixel_m <= STATIONS_COARSEST_M:
            for road in self.layers.roads:
                inside = self._in_view(road.stations)
                places.append(road.stations[inside])
                codes.append(road.verdict[inside])
        count = sum(len(part) for part in places)
        if not count or count > MOST_STATIONS:
            self.stations.setData([], [])
            return
        points, verdict = np.concatenate(places), np.concatenate(codes)
        looks = [theme.verdict_look(name) for name in VERDICTS]
        size = 11.0 if self.pixel_m < 0.4 else 8.0 if self.pixel_m < 1.5 else 6.0
        # Sound stations go underneath.
        order = np.argsort(verdict != 0, kind="stable")
        points, verdict = points[order], verdict[order]
        brushes, rim, _rings = _pens(theme.is_dark())
        symbols = np.array([look.symbol for look in looks], dtype=object)
        self.stations.setData(
            x=points[:, 0],
            y=points[:, 1],
            symbol=symbols[verdict],
            brush=brushes[verdict],
            pen=rim,
            size=size,
        )

    def _selected_point(self) -> NDArray[Any] | None:
        road = self._current_road()
        if road is None or self.model.station_index >= len(road.stations):
            return None
        point = road.stations[self.model.station_index, self.model.side]
        return point if np.isfinite(point).all() else None

    def _on_selection(self) -> None:
        self._mark_selection(follow=True)

    def _mark_selection(self, *, follow: bool) -> None:
        point, road = self._selected_point(), self._current_road()
        if point is None:
            self.ring.setData([], [])
            self._section.set_lines([])
            self._chosen_reach.set_lines([])
            return
        self.ring.setData(
            x=[point[0], point[0]],
            y=[point[1], point[1]],
            symbol="o",
            size=[20.0, 16.0],
            brush=None,
            pen=_pens(theme.is_dark())[2],
        )
        section = road.stations[self.model.station_index]
        if road.tracker is not None:
            half = self.model.settings.half_width_m
            s = float(road.s[self.model.station_index])
            x, y = road.tracker.to_map([s, s], [-half, half])
            section = np.column_stack([x, y]) - np.array(self.origin)
        self._section.set_lines([(section, 0)])
        row = self.model.reach_row
        lines = self.layers.reach_lines
        self._chosen_reach.set_lines([(lines[row], 0)] if 0 <= row < len(lines) else [])
        if follow:
            self._bring_into_view(point)

    def _mark_reviews(self) -> None:
        """Mark the reaches in view that somebody decided on, in the middle of each."""
        loaded, middles = self.model.loaded, self._reach_middles
        if self.furniture.has_reviews != bool(self.model.reviews):
            self._arrange()
        if loaded is None or len(middles) != len(loaded.reach_places) or not self.model.reviews:
            self._reviewed.clear()
            return
        governing = self.model.reach_reviews.given
        rows = [int(row) for row in np.flatnonzero(self._in_view(middles)) if governing[row]]
        states = [review.state for row in rows if (review := governing[row]) is not None]
        self._reviewed.setData(**review_scatter(middles[rows], states))

    def _mark_changes(self) -> None:
        """Mark the reaches that changed between two surveys: filled, or hollow where it's open."""
        change, places, sure = self.model.survey_change, [], []
        roads = {road.name: road for road in self.layers.roads if len(road.s)}
        for row in range(len(change.reaches) if change is not None else 0):
            assert change is not None
            reach = change.reaches.row(row)
            road = roads.get(str(reach["road"]))
            if road is None or reach["change"] == "not changed":
                continue
            middle = 0.5 * (float(reach["from_m"]) + float(reach["to_m"]))
            station = int(np.argmin(np.abs(road.station_m - middle)))
            places.append(road.stations[station, SIDES.index(str(reach["side"]))])
            sure.append(reach["change"] == "changed")
        self._changed.setData(**change_scatter(places, sure))
        if self.furniture.has_changes != bool(places):
            self.furniture.has_changes = bool(places)
            self._arrange()

    def _mark_checks(self) -> None:
        """Mark the places drawn to be checked."""
        plan = self.model.check_plan
        roads = {road.name: road for road in self.layers.roads if len(road.s)}
        places = []
        for place in plan.places if plan is not None else ():
            road = roads.get(place.road)
            if road is not None:
                station = int(np.argmin(np.abs(road.station_m - place.station_m)))
                places.append(road.stations[station, SIDES.index(place.side)])
        self._checks.setData(**check_scatter(places))
        if self.furniture.has_checks != bool(places):
            self.furniture.has_checks = bool(places)
            self._arrange()

    def _bring_into_view(self, point: NDArray[Any]) -> None:
        rect = self.view.viewRect()
        inner = rect.adjusted(
            0.08 * rect.width(), 0.08 * rect.height(), -0.08 * rect.width(), -0.08 * rect.height()
        )
        if not inner.contains(QPointF(*point)):
            middle = rect.center()
            self.view.translateBy((point[0] - middle.x(), point[1] - middle.y()))
            self._moved.start()

    def _pick(self, at: QPointF) -> tuple[int, int, int] | None:
        """Return the nearest road, station and side under the cursor."""
        best, found = (PICK_PIXELS * self.pixel_m) ** 2, None
        for number, road in enumerate(self.layers.roads):
            if not len(road.stations):
                continue
            away = (road.stations[..., 0] - at.x()) ** 2 + (road.stations[..., 1] - at.y()) ** 2
            place = int(np.nanargmin(away)) if np.isfinite(away).any() else 0
            if away.flat[place] < best:
                best = float(away.flat[place])
                station, side = divmod(place, 2)
                found = (number, station, side)
        return found

    # -- mouse -------------------------------------------------------

    def _on_mouse(self, at: QPointF) -> None:
        if not self.view.sceneBoundingRect().contains(at):
            return
        point = self.view.mapSceneToView(at)
        self.place.setText(self.place_text(point.x(), point.y()))
        if self.ruler.on and self.ruler.start is not None:
            self.ruler.draw(self.ruler.start, (point.x(), point.y()))

    def place_text(self, x: float, y: float) -> str:
        """Return coordinates, and station and offset where a road is near (local metres)."""
        terrain = self._terrain
        unit_m = terrain.xy_unit_m if terrain is not None else 1.0
        east, north = (x + self.origin[0]) / unit_m, (y + self.origin[1]) / unit_m
        words = f"E {east:,.1f}   N {north:,.1f}".replace(",", " ")
        near = self._station_at(x, y)
        return f"{words}   ·   {near}" if near else words

    def _station_at(self, x: float, y: float) -> str:
        reach_m = 60.0
        best: tuple[float, str] | None = None
        ex, ny = x + self.origin[0], y + self.origin[1]
        for road in self.layers.roads:
            if road.tracker is None:
                continue
            away, _ = road.tracker.seeds.query([ex, ny], distance_upper_bound=reach_m)
            if not math.isfinite(away) or (best is not None and away >= best[0]):
                continue
            s, o = (float(v[0]) for v in road.tracker.to_road([ex], [ny]))
            if not 0.0 <= s <= road.tracker.road.length_m:
                continue
            label = float(road.tracker.road.label(s))
            side = side_text(SIDES[0 if o < 0 else 1])
            offset = value_text(abs(o), "m", self.model.units)
            station = station_words(label, self.model.station_style)
            name = f"{road.name} " if len(self.layers.roads) > 1 else ""
            best = (float(away), f"{name}{station} {side} {offset}")
        return best[1] if best is not None else ""

    def _on_click(self, event: Any) -> None:
        if event.button() != Qt.MouseButton.LeftButton:
            return
        point = self.view.mapSceneToView(event.scenePos())
        event.accept()
        self.plot.setFocus(Qt.FocusReason.MouseFocusReason)
        if self.ruler.on:
            self._measure_click(point)
            return
        found = self._pick(point)
        if found is not None:
            self.model.select_station(*found)
            if event.double():
                self.show_station()

    def _on_menu(self, event: QContextMenuEvent) -> None:
        point = self.view.mapSceneToView(self.plot.mapToScene(event.pos()))
        menu = self.menu_at(point)
        menu.popup(event.globalPos())

    def menu_at(self, point: QPointF) -> QMenu:
        """Return the context menu for a place on the map."""
        menu = QMenu(self)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        found = self._pick(point)
        select = menu.addAction(self.tr("Select this station"))
        select.setEnabled(found is not None)
        if found is not None:
            select.triggered.connect(lambda: self.model.select_station(*found))
        copy = menu.addAction(self.tr("Copy this place"))
        text = self.place_text(point.x(), point.y())
        copy.triggered.connect(lambda: QGuiApplication.clipboard().setText(text))
        start = menu.addAction(self.tr("Measure from here"))
        start.triggered.connect(lambda: self._measure_at(point))
        menu.addSeparator()
        menu.addActions([self.near_action, self.fit_road_action, self.fit_terrain_action])
        menu.addActions([self.closer_action, self.wider_action])
        menu.addSeparator()
        menu.addActions([self.relief_action, self.change_action])
        menu.addActions([self.measure_action, self.key_action])
        return menu

    # -- measuring -------------------------------------------------------

    @property
    def measure_from(self) -> tuple[float, float] | None:
        """Where the measurement that is under way began, local metres."""
        return self.ruler.start

    def _set_measuring(self, on: bool) -> None:
        self.ruler.set_on(on)
        self.plot.setCursor(Qt.CursorShape.CrossCursor if on else Qt.CursorShape.ArrowCursor)
        self._arrange()

    def _measure_at(self, point: QPointF) -> None:
        self.measure_action.setChecked(True)
        self._measure_click(point)

    def _measure_click(self, point: QPointF) -> None:
        self.ruler.click(point, self._terrain, self.origin)

    # -- state kept between runs -------------------------------------------------------

    def idle(self) -> bool:
        """Whether every tile in view is there (for pictures and tests)."""
        tiles = (self.terrain_item, self.picture.item, self.relief_item, self.change.item)
        return all(item.settled() for item in tiles) and not self._moved.isActive()


@lru_cache(maxsize=2)
def _pens(_dark: bool) -> tuple[NDArray[Any], QPen, list[QPen]]:
    """Brushes of the verdicts, rim of the stations, pens of the ring round the selected one.

    Always the same ones: the plot draws a symbol anew for each pen and brush that it meets.
    """
    brushes = [pg.mkBrush(theme.verdict_look(name).color) for name in VERDICTS]
    rings = [theme.pen("halo", 4.0), theme.pen("selected", 2.0)]
    return np.array(brushes, dtype=object), theme.pen("halo", 0.8), rings
