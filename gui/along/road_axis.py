"""What the views along a road share: an axis labelled in stations, and how they pan and zoom."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QObject, QPointF, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QWidget

from analysis.common.types import Floats
from analysis.common.verdicts import Verdict
from gui.drawing.figure import figure_font, tick_values
from gui.look import theme
from gui.look.making import later, named
from gui.look.turns import PaintedInTurns, ViewInTurns, turns
from gui.look.units import METRIC, US, shown
from gui.look.words import QT_TRANSLATE_NOOP, station_words

if TYPE_CHECKING:
    from gui.state.model import WindowModel

__all__ = [
    "AXIS_WIDTH",
    "KEYS",
    "MARKED",
    "MOST_MARKS",
    "RoadView",
    "SpanLink",
    "mark_data",
    "verdict_marks",
]

AXIS_WIDTH = 46
# Above this many stations in the road, marks at each would be a smear that costs time.
MOST_MARKS = 20_000
# Height of what is painted in one turn, pixels: about half a plot.
STRIP = 55

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
        road = self._model.road
        if road is None or len(road.distance_m) < 2:
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


# What is marked: what doesn't plainly shed.
MARKED = (Verdict.WONT_SHED, Verdict.CANT_TELL, Verdict.NO_DATA)


def mark_data(
    name: Verdict, x: Floats, y: Floats, verdict: NDArray[Any], *, size: int, hollow: QColor
) -> dict[str, Any] | None:
    """Return what a scatter shows of one verdict, which isn't filled where it isn't sure.

    None if there is nothing, or so much that it would be a smear.
    """
    here = (verdict == name) & np.isfinite(y)
    if not here.any() or here.sum() > MOST_MARKS:
        return None
    look = theme.verdict_look(name)
    return {
        "x": x[here],
        "y": y[here],
        "symbol": look.symbol,
        "size": size,
        "pen": pg.mkPen(look.color, width=1.4),
        "brush": pg.mkBrush(look.color if name == Verdict.WONT_SHED else hollow),
    }


def verdict_marks(
    x: Floats, y: Floats, verdict: NDArray[Any], *, size: int, hollow: QColor
) -> Iterator[pg.ScatterPlotItem]:
    """Make the marks of what doesn't plainly shed; those that aren't sure are `hollow`."""
    for name in MARKED:
        data = mark_data(name, x, y, verdict, size=size, hollow=hollow)
        if data is not None:
            yield pg.ScatterPlotItem(**data)


class SpanLink(QObject):
    """Keeps one view's x range equal to the model's span, without echoes.

    `moved_by_hand` is sent after the person panned or zoomed this view.
    """

    moved_by_hand = Signal()

    def __init__(self, model: WindowModel, view: pg.ViewBox, parent: QWidget) -> None:
        super().__init__(parent)
        self._model, self._view, self._widget = model, view, parent
        self._taking = False
        # What the other views went to while nobody saw this one.
        self._missed: tuple[float, float] | None = None
        # Telling the map of every step of a drag would make it read tiles for each.
        self._timer = later(self, self._tell, 40)
        # Fitted by itself to what is drawn it would pass for moved by the person.
        view.disableAutoRange(view.XAxis)
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
        if self._model.span_origin is self:
            return
        if self._widget.isVisible():
            self.take(s0, s1)
        else:
            self._missed = (s0, s1)

    def catch_up(self) -> None:
        """Go to where the other views went while this one wasn't seen."""
        if self._missed is not None:
            self.take(*self._missed)

    def take(self, s0: float, s1: float) -> None:
        """Show a part of the road without telling the model."""
        self._missed = None
        self._timer.stop()
        self._taking = True
        try:
            self._view.setXRange(s0, max(s1, s0 + 1e-3), padding=0.0)
        finally:
            self._taking = False

    def take_whole(self) -> bool:
        """Show the whole current road here, whatever the others show; False if there is none."""
        road = self._model.road
        if road is None or not len(road.distance_m):
            return False
        s0, s1 = float(road.distance_m[0]), float(road.distance_m[-1])
        pad = 0.01 * (s1 - s0) + 1.0
        self.take(s0 - pad, s1 + pad)
        return True

    def show_whole(self) -> None:
        """Show the whole current road, here and in all linked views."""
        if self.take_whole():
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
        selected = self._model.place_m
        middle = 0.5 * (s0 + s1) if selected is None or not s0 <= selected <= s1 else selected
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


class _Area(ViewInTurns, pg.GraphicsLayoutWidget):
    """Plots below each other that always fill the view.

    Each time a plot comes or goes the layout would else shrink to the least its plots can do with,
    which is no height at all, until the view itself is resized.
    """

    def __init__(self) -> None:
        super().__init__()
        self._painted = PaintedInTurns(
            self.viewport(),
            lambda: theme.color("paper"),
            STRIP,
            # Ranges and transforms of all plots, which are else found within the first strip.
            lambda: self.scene().prepareForPaint(),
        )

    def resizeEvent(self, event: QResizeEvent) -> None:
        # Several plots laid out anew are a turn's work, beside all else that a resize sets off.
        if self.isVisible():
            turns().ask(self, self._fit)
        else:
            self._fit()

    def _fit(self) -> None:
        size = self.viewport().size()
        if self.centralWidget is not None:
            self.centralWidget.setMinimumSize(size)
        super().resizeEvent(QResizeEvent(size, size))


class RoadView(QWidget):
    """Plots over the current road, linked with the other views through the model.

    A click selects what lies there (`click_at`), a double click shows the whole road.
    """

    link: SpanLink

    def __init__(self, model: WindowModel, title: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName(type(self).__name__)
        self.setAccessibleName(title)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.model = model
        # Whether something changed while nobody saw it; the name of the road on show.
        self._dirty = True
        self._road = ""
        self.area = named(_Area(), title)
        self.area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.area.setMinimumSize(200, 60)
        self.area.ci.layout.setContentsMargins(4, 2, 8, 2)
        self.area.scene().sigMouseClicked.connect(self._on_click)
        self.area.scene().sigMouseMoved.connect(self._on_mouse)

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self.link.catch_up()

    def _plot_over_road(self, left: pg.AxisItem) -> pg.PlotItem:
        axes = {"bottom": StationAxis(self.model), "left": left}
        plot = pg.PlotItem(axisItems=axes, enableMenu=False)
        plot.hideButtons()
        plot.setMouseEnabled(x=True, y=False)
        left.setWidth(AXIS_WIDTH)
        left.enableAutoSIPrefix(False)
        for axis in axes.values():
            # Axes carry the grid; drawn anew at each step of the cursor they cost half of it.
            axis.setCacheMode(axis.CacheMode.DeviceCoordinateCache)
        return plot

    def _dress(self, plot: pg.PlotItem, mark: pg.InfiniteLine) -> None:
        """Give axes and the mark of the selected station the colours of now."""
        for name in ("left", "bottom"):
            axis = plot.getAxis(name)
            axis.setPen(theme.pen("line", 1.0))
            axis.setTextPen(theme.color("muted"))
            axis.setTickFont(figure_font(10.0))
        mark.setPen(theme.pen("selected", 1.6))

    def _road_name(self) -> str:
        road = self.model.road
        return road.name if road is not None else ""

    def _follow_road(self) -> None:
        """Where another road is on show, go to what the other views show of it, or to all."""
        name = self._road_name()
        if name != self._road:
            self._road = name
            if self.model.span is not None and self.model.span_origin is not self.link:
                self.link.take(*self.model.span)
            else:
                # Nobody asked for it: the map may be showing all roads.
                self.link.take_whole()

    def click_at(self, at: QPointF) -> None:
        """Select what lies at a point of the scene."""
        raise NotImplementedError

    def _on_mouse(self, at: QPointF) -> None:
        raise NotImplementedError

    def _on_click(self, event: Any) -> None:
        if event.button() != Qt.MouseButton.LeftButton:
            return
        self.setFocus()
        if event.double():
            self.link.show_whole()
        else:
            self.click_at(event.scenePos())

    def keyPressEvent(self, event: QKeyEvent) -> None:
        model, link, keys = self.model, self.link, Qt.Key
        shift = event.modifiers() & Qt.KeyboardModifier.ShiftModifier
        go = model.next_finding if shift else model.next_station
        match event.key():
            case keys.Key_Left:
                go(-1)
            case keys.Key_Right:
                go(1)
            case keys.Key_Up | keys.Key_Down:
                model.flip_side()
            case keys.Key_PageUp:
                link.shift(-0.6)
            case keys.Key_PageDown:
                link.shift(0.6)
            case keys.Key_Plus | keys.Key_Equal:
                link.zoom(1.5)
            case keys.Key_Minus:
                link.zoom(1.0 / 1.5)
            case keys.Key_0 | keys.Key_Home:
                link.show_whole()
            case _:
                super().keyPressEvent(event)
                return
        event.accept()
