"""Measuring distance and fall between two places of the map."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QObject, QPointF, Signal
from PySide6.QtWidgets import QLabel

from gui.look import theme
from gui.look.making import named
from gui.look.units import value_text
from gui.map.map_items import LinesItem
from gui.state.model import WindowModel
from gui.state.runner import Progress

if TYPE_CHECKING:
    from analysis.terrain.grid import Terrain

__all__ = ["Ruler"]

Place = tuple[float, float]


class Ruler(QObject):
    """A line between two clicks, with its length and fall; all places in local metres.

    `on` says whether clicks measure, `start` is the first of two.

    Signals
    -------
    measured(str)
        The words of a finished measurement; "" once it no longer shows.
    """

    measured = Signal(str)

    def __init__(self, model: WindowModel, parent: QObject) -> None:
        super().__init__(parent)
        self._model = model
        self.on = False
        self.start: Place | None = None
        self._line, self._ends = LinesItem(9.0), pg.ScatterPlotItem()
        self._ends.setZValue(9.5)
        self.items = (self._line, self._ends)
        self.text = named(QLabel(), self.tr("Measured distance and fall"))

    def dress(self) -> None:
        """Take the colours of light or dark."""
        self._line.set_pens([[theme.pen("halo", 4.5, alpha=0.8), theme.pen("ink", 2.0)]])

    def set_on(self, on: bool) -> None:
        """Let clicks measure, or no more."""
        self.on, self.start = on, None
        if not on:
            self.clear()

    def clear(self) -> None:
        """Take the line and its words away."""
        self._line.set_lines([])
        self._ends.setData([], [])
        self.text.setText("")
        self.measured.emit("")

    def click(self, point: QPointF, terrain: Terrain | None, origin: Place) -> None:
        """Begin a measurement, or end the one that is under way."""
        here = (point.x(), point.y())
        if self.start is None:
            self.start = here
            self.draw(here, here)
            return
        start, self.start = self.start, None
        self.draw(start, here)
        if terrain is None:
            return
        x, y = origin
        a, b = (start[0] + x, start[1] + y), (here[0] + x, here[1] + y)

        def work(_progress: Progress) -> Any:
            from analysis.study.relief import fall_between

            return fall_between(terrain, a, b)

        self._model.runner.submit("map/measure", work, self._take_fall)

    def _take_fall(self, fall: Any) -> None:
        units = self._model.units
        words = self.tr("{distance}, fall unknown: no ground height at an end")
        if math.isfinite(fall.fall_m):
            words = self.tr("{distance}, {verb} {drop} ({slope})")
        words = words.format(
            distance=value_text(fall.distance_m, "m", units),
            verb=self.tr("falls") if fall.fall_m >= 0 else self.tr("rises"),
            drop=value_text(abs(fall.fall_m), "m", units),
            slope=value_text(abs(fall.slope_pct), "%", units),
        )
        self.text.setText(words)
        self.measured.emit(words)

    def draw(self, start: Place, end: Place) -> None:
        """Show the line from one place to another."""
        self._line.set_lines([(np.array([start, end]), 0)])
        self._ends.setData(
            x=[start[0], end[0]],
            y=[start[1], end[1]],
            symbol="s",
            size=8.0,
            brush=theme.color("halo"),
            pen=theme.pen("ink", 1.5),
        )
