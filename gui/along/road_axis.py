"""What the views along a road share: an axis labelled in stations, and how they pan and zoom."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QObject, Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent

from gui.drawing.figure import tick_values
from gui.look import theme
from gui.look.units import METRIC, US, shown
from gui.look.words import QT_TRANSLATE_NOOP, station_words

if TYPE_CHECKING:
    from gui.state.model import WindowModel

__all__ = [
    "KEYS",
    "SpanLink",
    "StationAxis",
    "handle_road_click",
    "handle_road_key",
]

# Keys of the views along the road, for the shortcut sheet: (keys, what they do).
KEYS: tuple[tuple[str, str], ...] = (
    ("← / →", QT_TRANSLATE_NOOP("Keys", "previous / next station")),
    ("Shift+← / Shift+→", QT_TRANSLATE_NOOP("Keys", "previous / next finding")),
    ("↑ / ↓", QT_TRANSLATE_NOOP("Keys", "the other side")),
    ("PgUp / PgDown", QT_TRANSLATE_NOOP("Keys", "move along the road")),
    ("+ / − / 0", QT_TRANSLATE_NOOP("Keys", "zoom in / out / show the whole road")),
)


class StationAxis(pg.AxisItem):
    """Bottom axis whose values are distances along the road and whose labels are stations."""

    def __init__(self, model: WindowModel) -> None:
        super().__init__("bottom")
        self._model = model
        self.enableAutoSIPrefix(False)

    def _labels(self) -> tuple[np.ndarray, np.ndarray] | None:
        """Distances and labels of the current road's stations."""
        model = self._model
        if model.road_index >= len(model.index):
            return None
        road = model.index[model.road_index]
        if len(road.distance_m) < 2:
            return None
        return np.asarray(road.distance_m), np.asarray(road.station_m)

    def tickValues(self, low: float, high: float, size: float) -> list[tuple[float, list[float]]]:
        known = self._labels()
        if known is None:
            return list(super().tickValues(low, high, size))
        distance, label = known
        # Round in the unit that stations are written in, or 100 ft would read 0+99.
        system = US if self._model.station_style == "feet-hundreds" else METRIC
        label = np.asarray(shown(label, "m", system))
        ends = np.interp([low, high], distance, label)
        values, _places = tick_values(float(ends.min()), float(ends.max()), max(2, int(size / 95)))
        # Labels may fall along the road; np.interp needs them rising.
        order = np.argsort(label)
        at = np.interp(values, label[order], distance[order]) if values else np.empty(0)
        inside = at[(at >= low) & (at <= high)]
        return [(1.0, [float(v) for v in inside])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        known = self._labels()
        if known is None:
            return list(super().tickStrings(values, scale, spacing))
        distance, label = known
        style = self._model.station_style
        return [
            station_words(round(float(np.interp(v, distance, label)), 3), style) for v in values
        ]


class SpanLink(QObject):
    """Keeps one view's x range equal to the model's span, without echoes.

    `moved_by_hand` is sent after the person panned or zoomed this view.
    """

    moved_by_hand = Signal()

    def __init__(self, model: WindowModel, view: pg.ViewBox, parent: QObject) -> None:
        super().__init__(parent)
        self._model, self._view = model, view
        self._taking = False
        # Telling the map of every step of a drag would make it read tiles for each.
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(40)
        self._timer.timeout.connect(self._tell)
        view.sigXRangeChanged.connect(self._on_range)
        model.span_changed.connect(self._on_span)

    def _on_range(self, _view: Any, _range: Any) -> None:
        if not self._taking:
            self._timer.start()

    def _tell(self) -> None:
        s0, s1 = self._view.viewRange()[0]
        self._model.set_span(s0, s1, origin=self)
        self.moved_by_hand.emit()

    def _on_span(self, s0: float, s1: float) -> None:
        if self._model.span_origin is not self:
            self.take(s0, s1)

    def take(self, s0: float, s1: float) -> None:
        """Show a part of the road without telling the model."""
        self._taking = True
        try:
            self._view.setXRange(s0, max(s1, s0 + 1e-3), padding=0.0)
        finally:
            self._taking = False

    def show_whole(self) -> None:
        """Show the whole current road, here and in all linked views."""
        model = self._model
        if model.road_index < len(model.index):
            distance = model.index[model.road_index].distance_m
            if len(distance):
                pad = 0.01 * float(distance[-1] - distance[0]) + 1.0
                self.take(float(distance[0]) - pad, float(distance[-1]) + pad)
                self._tell()

    def shift(self, share: float) -> None:
        """Move along the road by a share of what is in view."""
        s0, s1 = self._view.viewRange()[0]
        step = share * (s1 - s0)
        self.take(s0 + step, s1 + step)
        self._tell()

    def zoom(self, factor: float) -> None:
        """Show a longer or shorter part, about the selected station if it is in view."""
        s0, s1 = self._view.viewRange()[0]
        model = self._model
        middle = 0.5 * (s0 + s1)
        if model.road_index < len(model.index):
            distance = model.index[model.road_index].distance_m
            if model.station_index < len(distance):
                selected = float(distance[model.station_index])
                if s0 <= selected <= s1:
                    middle = selected
        half0, half1 = (middle - s0) / factor, (s1 - middle) / factor
        self.take(middle - half0, middle + half1)
        self._tell()

    def bring_into_view(self, s: float) -> None:
        """Move just enough that a place along the road is seen."""
        s0, s1 = self._view.viewRange()[0]
        if not s0 <= s <= s1:
            half = 0.5 * (s1 - s0)
            self.take(s - half, s + half)
            self._tell()


def handle_road_click(view: Any, link: SpanLink, event: Any) -> None:
    """Let a click select what lies there (`view.click_at`), a double click show the whole road."""
    if event.button() != Qt.MouseButton.LeftButton:
        return
    view.setFocus()
    if event.double():
        link.show_whole()
        return
    view.click_at(event.scenePos())


def handle_road_key(event: QKeyEvent, model: WindowModel, link: SpanLink) -> bool:
    """Do what a key means in a view along the road; tells whether it meant something."""
    key, keys = event.key(), Qt.Key
    shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
    if key in (keys.Key_Left, keys.Key_Right):
        step = 1 if key == keys.Key_Right else -1
        if shift:
            model.next_finding(step)
        else:
            model.next_station(step)
    elif key in (keys.Key_Up, keys.Key_Down):
        model.flip_side()
    elif key == keys.Key_PageUp:
        link.shift(-0.6)
    elif key == keys.Key_PageDown:
        link.shift(0.6)
    elif key in (keys.Key_Plus, keys.Key_Equal):
        link.zoom(1.5)
    elif key == keys.Key_Minus:
        link.zoom(1.0 / 1.5)
    elif key in (keys.Key_0, keys.Key_Home):
        link.show_whole()
    else:
        return False
    event.accept()
    return True


def selection_pen() -> Any:
    """Pen of the line that marks the selected station."""
    return theme.pen("selected", 1.6)
