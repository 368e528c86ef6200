"""Plots along the road: what is measured against what is wanted, left and right, with errors."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QAction, QBrush, QColor, QPainter, QPen, QShowEvent
from PySide6.QtWidgets import QLabel, QToolBar, QWidget

from analysis.common.columns import column_of
from analysis.common.types import Floats
from analysis.common.verdicts import Finding, Verdict
from gui.along.key_flow import KeyFlow, line_entry, mark_entry, picture_entry, words_entry
from gui.along.road_axis import AXIS_WIDTH, MOST_MARKS, RoadView, SpanLink, verdict_marks
from gui.drawing.figure import figure_font, text_at
from gui.look import theme
from gui.look.icons import finding_icon
from gui.look.making import later, named, stacked, yielding
from gui.look.units import DASH, number, shown, unit_of
from gui.look.words import (
    column_meaning,
    column_title,
    finding_text,
    side_text,
    station_words,
    verdict_text,
)

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings
    from gui.state.loaded import RoadIndex
    from gui.state.model import WindowModel

__all__ = ["AlongView"]

# Pixels: side of a pictogram in the strip of reaches, least width of the titles beside the plots.
PICTURE = 16.0
_LEAST_PICTURE = 11.0
TITLE_WIDTH = 112


@dataclass(frozen=True, slots=True)
class _Plot:
    """What one plot shows; `side` None overlays both."""

    name: str
    column: str
    error: str
    side: int | None
    start: bool


_PLOTS = (
    _Plot("slope left", "shoulder_slope_pct", "shoulder_slope_se", 0, True),
    _Plot("slope right", "shoulder_slope_pct", "shoulder_slope_se", 1, True),
    _Plot("edge drop", "edge_drop_mm", "edge_drop_se", None, True),
    _Plot("retained", "retained_mm", "", None, False),
    _Plot("ditch", "ditch_grade_pct", "", None, False),
    _Plot("cut and fill", "cut_m2", "", None, False),
    _Plot("balance", "", "", None, False),
    _Plot("slope change", "slope_change_points", "slope_change_se", None, False),
    _Plot("drop change", "drop_change_mm", "drop_change_se", None, False),
)
_CHANGES = ("slope_change_points", "slope_change_se", "drop_change_mm", "drop_change_se")
_COLUMNS = (
    "shoulder_slope_pct",
    "shoulder_slope_se",
    "pavement_slope_pct",
    "required_slope_pct",
    "edge_drop_mm",
    "edge_drop_se",
    "retained_mm",
    "ditch_grade_pct",
    "cut_m2",
    "fill_m2",
)
_PATTERNS: dict[str, Qt.BrushStyle] = {
    Verdict.WONT_SHED: Qt.BrushStyle.SolidPattern,
    Verdict.CANT_TELL: Qt.BrushStyle.BDiagPattern,
    Verdict.NO_DATA: Qt.BrushStyle.Dense6Pattern,
}


class _ReachBars(pg.GraphicsObject):
    """Reaches as two rows of bars, left above right, with the finding in words or drawn."""

    def __init__(self) -> None:
        super().__init__()
        self.bars: list[tuple[float, float, int, str, str, int]] = []
        self.current = -1

    def set_bars(self, bars: list[tuple[float, float, int, str, str, int]]) -> None:
        """Show other reaches: (s0, s1, side, verdict, finding, row)."""
        self.prepareGeometryChange()
        self.bars = bars
        self.informViewBoundsChanged()
        self.update()

    def boundingRect(self) -> QRectF:
        if not self.bars:
            return QRectF()
        s0, s1 = min(b[0] for b in self.bars), max(b[1] for b in self.bars)
        return QRectF(s0, 0.0, s1 - s0, 2.0)

    def row_at(self, s: float, y: float) -> int:
        """Row of the reach at a place, or -1."""
        side = 0 if y >= 1.0 else 1
        for s0, s1, bar_side, _verdict, _finding, row in self.bars:
            if bar_side == side and s0 <= s <= s1:
                return row
        return -1

    def paint(self, painter: QPainter, *_args: Any) -> None:
        transform = painter.transform()
        painter.save()
        # Drawn in pixels, so that hatch and letters keep their size at every zoom.
        painter.resetTransform()
        painter.setFont(figure_font(10.0, bold=True))
        for s0, s1, side, verdict, finding, row in self.bars:
            low = 1.06 if side == 0 else 0.06
            box = transform.mapRect(QRectF(s0, low, s1 - s0, 0.88))
            if box.width() < 1.0:
                box.setWidth(1.0)
            colour = theme.verdict_look(verdict).color
            fill = QColor(colour)
            fill.setAlphaF(0.85 if verdict == Verdict.WONT_SHED else 0.6)
            painter.setPen(theme.pen("selected", 2.0) if row == self.current else colour)
            painter.setBrush(QBrush(fill, _PATTERNS.get(verdict, Qt.BrushStyle.NoBrush)))
            painter.drawRect(box.adjusted(0.5, 0.5, -0.5, -0.5))
            self._name(painter, box, finding)
        painter.restore()

    @staticmethod
    def _name(painter: QPainter, box: QRectF, finding: str) -> None:
        """Write the finding into its bar where the word fits, else draw its pictogram."""
        if finding == Finding.NONE:
            return
        words, picture = finding_text(finding), finding_icon(finding)
        if box.width() > painter.fontMetrics().horizontalAdvance(words) + 14.0:
            text_at(painter, box.center(), words, theme.color("ink"), plate=theme.color("paper"))
        elif picture is not None and box.width() >= _LEAST_PICTURE + 2.0:
            size = min(PICTURE, box.width() - 2.0, box.height())
            place = QRectF(0.0, 0.0, size, size)
            place.moveCenter(box.center())
            painter.fillRect(place, theme.color("paper"))
            picture.paint(painter, place.toRect())


class AlongView(RoadView):
    """Plots along the current road, linked with the map through the model.

    A click selects the nearest station; panning and zooming move all linked views.
    """

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(model, self.tr("Plots along the road"), parent)
        self._clear_data()
        self.plots: dict[str, pg.PlotItem] = {}
        self._cursors: list[pg.InfiniteLine] = []
        self._marks: list[pg.InfiniteLine] = []
        self.spans: list[pg.LinearRegionItem] = []
        self._build()
        self.link = SpanLink(model, self._first().getViewBox(), self)
        self._later = later(self, self._draw)
        self._next_due = later(self, self._draw_next)
        self._arrange_due = later(self, self._arrange_some)
        self.to_draw: list[_Plot] = []
        for signal in (
            model.study_changed,
            model.limits_changed,
            model.units_changed,
            model.survey_change_changed,
            theme.watcher().changed,
        ):
            signal.connect(self._later.start)
        model.selection_changed.connect(later(self, self._on_selection).start)
        self._later.start()

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        # A tool bar lets what doesn't fit spill into a menu.
        bar = named(QToolBar(), self.tr("Plots to show"))
        self.buttons: dict[str, QAction] = {}
        for plot in _PLOTS:
            action = QAction(self._title(plot.name), self, checkable=True, checked=plot.start)
            action.setToolTip(self._meaning(plot))
            action.toggled.connect(lambda on, name=plot.name: self.show_plot(name, on))
            self.buttons[plot.name] = action
            bar.addAction(action)
        selectable = Qt.TextInteractionFlag.TextSelectableByMouse
        numbers = QLabel(textInteractionFlags=selectable)
        self.readout = yielding(named(numbers, self.tr("Numbers at the station")))
        self.readout.setContentsMargins(AXIS_WIDTH + 8, 1, 8, 0)
        self.area.ci.layout.setSpacing(2)
        self.bars = _ReachBars()
        strip = self._new_plot("reaches")
        strip.addItem(self.bars)
        strip.setYRange(0.0, 2.0, padding=0.02)
        strip.getAxis("left").setTicks([[(1.5, self.tr("left")), (0.5, self.tr("right"))]])
        strip.setFixedHeight(44)
        self.titles: dict[str, pg.LabelItem] = {}
        self._arrange()
        self.key = named(KeyFlow(), self.tr("Key to lines and pictograms"))
        self.key.left = 8.0
        nothing = self.tr("Nothing to plot yet: screen a road first.")
        self.empty = QLabel(nothing, alignment=Qt.AlignmentFlag.AlignCenter, wordWrap=True)
        stacked(self, bar, self.readout, (self.area, 1), self.key, (self.empty, 1))
        self.empty.hide()

    def _new_plot(self, name: str) -> pg.PlotItem:
        plot = self._plot_over_road(pg.AxisItem("left"))
        plot.showGrid(x=True, y=name != "reaches", alpha=0.18)
        box = plot.getViewBox()
        box.setAutoVisible(y=True)
        box.enableAutoRange(y=name != "reaches", x=False)
        if self.plots:
            plot.setXLink(self._first())
        mark = pg.InfiniteLine(angle=90, movable=False)
        cursor = pg.InfiniteLine(angle=90, movable=False)
        span = pg.LinearRegionItem(movable=False)
        span.setZValue(-20)
        for line in (mark, cursor):
            line.setZValue(30)
        for item in (span, mark, cursor):
            plot.addItem(item, ignoreBounds=True)
            item.hide()
        self._marks.append(mark)
        self._cursors.append(cursor)
        self.spans.append(span)
        self.plots[name] = plot
        return plot

    def _made(self, name: str) -> pg.PlotItem:
        """Return a plot, made when it is first wanted: each costs some 20 ms."""
        if name not in self.plots:
            self._new_plot(name)
            # Beside the plot: within, they would lie on the curves.
            title = self.titles[name] = pg.LabelItem("", justify="left")
            title.setFixedWidth(TITLE_WIDTH)
        return self.plots[name]

    def _first(self) -> pg.PlotItem:
        return self.plots["reaches"]

    def _arrange(self) -> None:
        """Put the chosen plots one below the other; the lowest carries the stations."""
        held = self.area.ci.items
        chosen = ["reaches", *(n for n, b in self.buttons.items() if b.isChecked())]
        for name, plot in self.plots.items():
            for part in (plot, self.titles.get(name)):
                if name not in chosen and part in held:
                    self.area.removeItem(part)
        # Each keeps its row; empty ones take no room. To lay all out anew costs several turns.
        rows = {name: row for row, name in enumerate(("reaches", *self.buttons))}
        for name in chosen:
            if self._made(name) not in held:
                self.area.addItem(self.plots[name], row=rows[name], col=0)
                if name in self.titles:
                    self.area.addItem(self.titles[name], row=rows[name], col=1)
            axis = self.plots[name].getAxis("bottom")
            last = name == chosen[-1]
            axis.setStyle(showValues=last)
            axis.setHeight(None if last else 4)
            self.plots[name].setVisible(True)
            if name == "reaches":
                self.plots[name].setFixedHeight(44 + (22 if last else 0))
        for name, plot in self.plots.items():
            if name not in chosen:
                plot.setVisible(False)

    def _arrange_some(self) -> None:
        """Make one plot that is wanted, or lay out what is there."""
        for name, button in self.buttons.items():
            if button.isChecked() and name not in self.plots:
                self._made(name)
                self._arrange_due.start()
                return
        self._arrange()
        self._later.start()

    def show_plot(self, name: str, on: bool) -> None:
        """Show or hide one plot."""
        self.buttons[name].setChecked(on)
        if not on and name in self.plots:
            self.plots[name].setVisible(False)
        self._arrange_due.start()

    def sizeHint(self) -> QSize:
        return QSize(980, 420)

    def _title(self, name: str) -> str:
        return {
            "slope left": self.tr("Slope left"),
            "slope right": self.tr("Slope right"),
            "edge drop": self.tr("Edge drop"),
            "retained": self.tr("Retained depth"),
            "ditch": self.tr("Ditch grade"),
            "cut and fill": self.tr("Cut and fill"),
            "balance": self.tr("Mass haul"),
            "slope change": self.tr("Change of slope"),
            "drop change": self.tr("Change of drop"),
        }[name]

    def _short_title(self, name: str) -> str:
        """Title beside a plot, where there is less room than on its button."""
        short = {"slope change": self.tr("Δ slope"), "drop change": self.tr("Δ drop")}
        return short.get(name) or self._title(name)

    def _meaning(self, plot: _Plot) -> str:
        if plot.name == "balance":
            return self.tr(
                "Running sum of reusable cut minus fill from the start of the road: it rises "
                "where there is material to spare and falls where some is needed."
            )
        if plot.name == "cut and fill":
            return self.tr("Cut above the line, fill below it, per station and side.")
        if plot.column in _CHANGES:
            return column_meaning(plot.column) + " " + self.tr("Compare two surveys to see it.")
        return column_meaning(plot.column)

    # -- data ------------------------------------------------------------------------------------

    def _clear_data(self) -> None:
        self._columns: dict[str, Floats] = {}
        self._balance: Floats | None = None
        self._verdicts: NDArray[Any] = np.empty((0, 2), dtype=object)
        self._s: Floats = np.empty(0)

    def _load(self) -> None:
        """Take the current road's columns, (n, 2) left and right, from the tables."""
        model = self.model
        findings, road = model.findings, model.road
        self._clear_data()
        self.bars.set_bars([])
        if findings is None or road is None:
            return
        stations = findings.stations
        self._s = np.asarray(road.distance_m, dtype=float)
        for name in _COLUMNS:
            self._columns[name] = np.asarray(stations[name], dtype=float)[road.rows]
        self._verdicts = stations["verdict"][road.rows]
        self._load_changes(road)
        part = model.measured_here
        if part is not None:
            from analysis.earthwork.balance import mass_haul

            if len(part.s) == len(self._s):
                self._balance = mass_haul(part.s, part.judged.along, model.limits.material)
        self._load_bars(findings, road)

    def _load_changes(self, road: RoadIndex) -> None:
        """Take what changed between two surveys, unknown where nothing was compared."""
        for name in _CHANGES:
            self._columns[name] = np.full(road.rows.shape, np.nan)
        change = self.model.survey_change
        if change is None or not len(road.station_m):
            return
        here = change.stations.where(change.stations["road"] == road.name)
        label = np.asarray(here["station_m"], dtype=float)
        place = np.searchsorted(road.station_m, label - 2e-3, sorter=road.by_label)
        station = road.by_label[np.minimum(place, len(road.by_label) - 1)]
        same = np.abs(road.station_m[station] - label) <= 2e-3
        side = (here["side"] == "right").astype(int)
        for name in _CHANGES:
            self._columns[name][station[same], side[same]] = here[name][same]

    def _load_bars(self, findings: Findings, road: RoadIndex) -> None:
        reaches = findings.reaches
        station_m = np.asarray(road.station_m, dtype=float)
        order = np.argsort(station_m, kind="stable")
        bars = []
        for row in np.flatnonzero(reaches["road"] == road.name).tolist():
            ends = [float(reaches["from_m"][row]), float(reaches["to_m"][row])]
            s = np.interp(ends, station_m[order], self._s[order]) if len(order) else [0.0, 0.0]
            bars.append(
                (
                    float(min(s)),
                    float(max(s)),
                    0 if reaches["side"][row] == "left" else 1,
                    str(reaches["verdict"][row]),
                    str(reaches["finding"][row]),
                    row,
                )
            )
        self.bars.set_bars(bars)

    # -- drawing -----------------------------------------------------------------------------------

    def _draw(self) -> None:
        if not self.isVisible():
            self._dirty = True
            return
        self._dirty = False
        self._load()
        known = bool(len(self._s))
        self.empty.setVisible(not known)
        for part in (self.area, self.key, self.readout):
            part.setVisible(known)
        for plot in _PLOTS:
            there = plot.name != "balance" or self._balance is not None
            if plot.column in _CHANGES:
                there = self.model.survey_change is not None
            self.buttons[plot.name].setEnabled(there)
        # One with each turn of the event loop: filling and painting all at once holds it up.
        # Those that aren't wanted first: they cost nothing, and a turn for them alone is a waste.
        self.to_draw = sorted(_PLOTS, key=lambda plot: self.buttons[plot.name].isChecked())
        self._next_due.start()
        self._style()
        self._follow_road()
        self._on_selection()

    def _draw_next(self) -> None:
        """Draw the next plot that is wanted; those before it cost nothing."""
        while self.to_draw:
            plot = self.to_draw.pop(0)
            if plot.name in self.plots:
                self._clear(self.plots[plot.name])
            if not self.buttons[plot.name].isChecked():
                continue
            if plot.name in self.plots:
                self._draw_one(plot)
            else:
                # Making it is a turn's work by itself.
                self._made(plot.name)
                self._style()
                self.to_draw.insert(0, plot)
            break
        if self.to_draw:
            self._next_due.start()

    def _draw_one(self, plot: _Plot) -> None:
        system, item = self.model.units, self.plots[plot.name]
        unit = unit_of(column_of(plot.column).unit if plot.column else "m3", system).text
        self.titles[plot.name].setText(
            f"{self._short_title(plot.name)}, {unit}",
            color=theme.color("ink").name(),
            bold=True,
            size="9pt",
        )
        title = self.titles[plot.name]
        title.setFixedWidth(max(TITLE_WIDTH, math.ceil(title.itemRect().width()) + 4))
        if not len(self._s):
            return
        if plot.name == "cut and fill":
            self._draw_areas(item, system)
        elif plot.name == "balance":
            self._draw_balance(item, system)
        else:
            self._draw_values(item, plot, system)

    def _clear(self, item: pg.PlotItem) -> None:
        keep = {*self._marks, *self._cursors, *self.spans}
        for old in [i for i in item.items if i not in keep]:
            item.removeItem(old)

    def _draw_values(self, item: pg.PlotItem, plot: _Plot, system: str) -> None:
        unit = column_of(plot.column).unit
        sides = (0, 1) if plot.side is None else (plot.side,)
        for side in sides:
            value = np.asarray(shown(self._columns[plot.column][:, side], unit, system))
            colour = "left" if side == 0 else "right"
            if plot.error:
                se = np.asarray(shown(self._columns[plot.error][:, side], unit, system))
                self._band(item, value, se, colour)
            if plot.side is not None:
                pavement = self._columns["pavement_slope_pct"][:, side]
                self._line(item, pavement, theme.pen("pavement", 1.0, Qt.PenStyle.DotLine))
                required = self._columns["required_slope_pct"][:, side]
                self._line(item, required, theme.pen("required", 1.5, Qt.PenStyle.DashLine))
            self._line(item, value, theme.side_pen(side))
            if plot.side is not None and len(value) <= MOST_MARKS:
                verdicts, paper = self._verdicts[:, side], theme.color("paper")
                for marks in verdict_marks(self._s, value, verdicts, size=7, hollow=paper):
                    item.addItem(marks)
        for level in self._levels(plot.name):
            pen = theme.pen("required", 1.3, Qt.PenStyle.DashLine)
            self._level(item, float(shown(level, unit, system)), pen)
        if plot.name in ("edge drop", "ditch") or plot.column in _CHANGES:
            self._level(item)

    def _level(self, item: pg.PlotItem, at: float = 0.0, pen: QPen | None = None) -> None:
        pen = pen if pen is not None else theme.pen("muted", 0.8)
        item.addItem(pg.InfiniteLine(pos=at, angle=0, pen=pen), ignoreBounds=True)

    def _levels(self, name: str) -> tuple[float, ...]:
        shape, water = self.model.limits.shape, self.model.limits.water
        if name == "edge drop":
            return (shape.edge_drop_mm.value, -shape.high_shoulder_mm.value)
        if name == "retained":
            return (water.retained_mm.value,)
        if name == "ditch":
            least = water.ditch_least_grade_pct.value
            return (least, -least)
        return ()

    def _line(self, item: pg.PlotItem, value: Floats, pen: Any) -> pg.PlotDataItem:
        line = pg.PlotDataItem(self._s, value, pen=pen, connect="finite", antialias=True)
        # Only once it is in the plot: before, clipping would look for a view box in vain.
        item.addItem(line)
        line.setDownsampling(auto=True, method="peak")
        line.setClipToView(True)
        # The cursor crosses every curve at each step; dashes drawn anew would cost most of it.
        line.curve.setCacheMode(line.curve.CacheMode.DeviceCoordinateCache)
        return line

    def _band(self, item: pg.PlotItem, value: Floats, se: Floats, colour: str) -> None:
        """One standard error to both sides, with gaps where the value is unknown."""
        known = np.isfinite(value) & np.isfinite(se)
        # Two curves with NaN can't be filled between; a closed outline per known run can.
        path = pg.QtGui.QPainterPath()
        edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if b - a < 2:
                continue
            run = slice(a, b)
            x = np.concatenate((self._s[run], self._s[run][::-1]))
            y = np.concatenate((value[run] + se[run], (value[run] - se[run])[::-1]))
            part = pg.arrayToQPath(x, y, connect="all")
            part.closeSubpath()
            path.addPath(part)
        band = pg.QtWidgets.QGraphicsPathItem(path)
        band.setPen(pg.mkPen(None))
        band.setBrush(theme.color(colour, 0.20))
        band.setZValue(-10)
        band.setCacheMode(band.CacheMode.DeviceCoordinateCache)
        item.addItem(band, ignoreBounds=True)

    def _draw_areas(self, item: pg.PlotItem, system: str) -> None:
        for name, sign, colour in (("cut_m2", 1.0, "cut"), ("fill_m2", -1.0, "fill")):
            for side in (0, 1):
                value = sign * np.asarray(shown(self._columns[name][:, side], "m2", system))
                pattern = Qt.PenStyle.SolidLine if side == 0 else Qt.PenStyle.DashLine
                line = self._line(item, value, theme.pen(colour, 1.6, pattern))
                if side == 0:
                    line.setFillLevel(0.0)
                    line.setFillBrush(theme.color(colour, 0.12))
        self._level(item)

    def _draw_balance(self, item: pg.PlotItem, system: str) -> None:
        if self._balance is None:
            return
        for side in (0, 1):
            value = np.asarray(shown(self._balance[:, side], "m3", system))
            self._line(item, value, theme.side_pen(side))
        self._level(item)

    def _style(self) -> None:
        self.area.setBackground(theme.color("paper"))
        for plot, mark in zip(self.plots.values(), self._marks, strict=True):
            self._dress(plot, mark)
        for cursor in self._cursors:
            cursor.setPen(theme.pen("muted", 1.0, Qt.PenStyle.DotLine))
        for span in self.spans:
            span.setBrush(theme.color("accent", 0.12))
            for line in span.lines:
                line.setPen(theme.pen("accent", 1.0, alpha=0.6))
        self._write_key()

    def _write_key(self) -> None:
        """Say what the lines, marks and pictograms are."""
        wont, cant = theme.verdict_look(Verdict.WONT_SHED), theme.verdict_look(Verdict.CANT_TELL)
        dash, dot = Qt.PenStyle.DashLine, Qt.PenStyle.DotLine
        entries = [
            line_entry(self.tr("left"), theme.side_pen(0)),
            line_entry(self.tr("right"), theme.side_pen(1)),
            words_entry(self.tr("band: ± 1 standard error")),
            line_entry(self.tr("required, or a limit"), theme.pen("required", 1.5, dash)),
            line_entry(self.tr("pavement slope"), theme.pen("pavement", 1.0, dot)),
            mark_entry(verdict_text(Verdict.WONT_SHED), wont.mark, wont.color),
            mark_entry(verdict_text(Verdict.CANT_TELL), "◇", cant.color),
        ]
        found = {bar[4] for bar in self.bars.bars}
        drawn = [finding for finding in Finding if finding in found]
        entries += [
            picture_entry(finding_text(finding), finding)
            for finding in drawn
            if finding_icon(finding) is not None
        ]
        self.key.set_entries(entries)

    # -- selection ----------------------------------------------------------

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._dirty:
            self._later.start()

    def _on_selection(self) -> None:
        if not self.isVisible():
            self._dirty = True
            return
        model = self.model
        if self._road_name() != self._road:
            self._later.start()
            return
        known = model.station_index < len(self._s)
        for mark in self._marks:
            mark.setVisible(known)
            if known:
                mark.setPos(float(self._s[model.station_index]))
        bar = next((b for b in self.bars.bars if b[5] == model.reach_row), None)
        for span in self.spans:
            span.setVisible(bar is not None)
            if bar is not None:
                span.setRegion((bar[0], bar[1]))
        self.bars.current = model.reach_row
        self.bars.update()
        if known:
            self.link.bring_into_view(float(self._s[model.station_index]))
            self._read_out(model.station_index)
        else:
            self.readout.setText("")

    def _read_out(self, station: int) -> None:
        """Write the numbers of a station beside the buttons."""
        model = self.model
        if model.road is None or station >= len(self._s):
            return
        label = float(model.road.station_m[station])
        parts = [f"<b>{station_words(label, model.station_style)}</b>"]
        for side in (0, 1):
            slope = self._columns["shoulder_slope_pct"][station, side]
            drop = self._columns["edge_drop_mm"][station, side]
            unit = unit_of("mm", model.units)
            words = "{side} {slope}, {drop}".format(
                side=side_text(side),
                slope=f"{number(slope, 1)} %" if math.isfinite(slope) else DASH,
                drop=f"{number(drop * unit.factor, unit.decimals)} {unit.text}"
                if math.isfinite(drop)
                else DASH,
            )
            mark = theme.verdict_look(str(self._verdicts[station, side])).mark
            parts.append(f"{mark} {words}")
        self.readout.setText("   ".join(parts))
        self.readout.setToolTip(
            "; ".join((column_title("shoulder_slope_pct"), column_title("edge_drop_mm")))
        )

    # -- mouse and keyboard ----------------------------------------------------------

    def _plot_at(self, at: QPointF) -> tuple[str, QPointF] | None:
        for name, plot in self.plots.items():
            if plot.isVisible() and plot.getViewBox().sceneBoundingRect().contains(at):
                return name, plot.getViewBox().mapSceneToView(at)
        return None

    def click_at(self, at: QPointF) -> None:
        """Select what lies at a point of the scene: a reach in the strip, else a station."""
        found = self._plot_at(at)
        if found is None or not len(self._s):
            return
        name, place = found
        side = {"slope left": 0, "slope right": 1}.get(name)
        if name == "reaches":
            row = self.bars.row_at(place.x(), place.y())
            if row >= 0:
                self.model.select_reach(row)
                return
            side = 0 if place.y() >= 1.0 else 1
        station = self.model.nearest_station(self.model.road_index, place.x())
        self.model.select_station(self.model.road_index, station, side)

    def _on_mouse(self, at: QPointF) -> None:
        found = self._plot_at(at)
        if not len(self._s):
            found = None
        for cursor in self._cursors:
            cursor.setVisible(found is not None)
            if found is not None:
                cursor.setPos(found[1].x())
        if found is not None:
            self._read_out(self.model.nearest_station(self.model.road_index, found[1].x()))

    def leaveEvent(self, event: Any) -> None:
        for cursor in self._cursors:
            cursor.hide()
        self._read_out(self.model.station_index)
        super().leaveEvent(event)
