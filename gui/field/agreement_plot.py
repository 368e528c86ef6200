"""Board against grid, and their difference against their mean, as plots to look around in."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QWidget

from gui.look import theme
from gui.look.making import abreast
from gui.look.units import number

if TYPE_CHECKING:
    from analysis.findings.field_report import FieldCheck

__all__ = ["AgreementPlot"]


class AgreementPlot(QWidget):
    """Both plots."""

    def __init__(self) -> None:
        super().__init__()
        self.setAccessibleName(self.tr("Board against grid"))
        self.setMinimumHeight(190)
        self.pairs, self.differences = (_plot() for _ in range(2))
        self.pairs.setLabel("bottom", self.tr("grid, %"))
        self.pairs.setLabel("left", self.tr("board, %"))
        self.differences.setLabel("bottom", self.tr("mean of both, %"))
        self.differences.setLabel("left", self.tr("board − grid, % points"))
        abreast(self, (self.pairs, 1), (self.differences, 1), spacing=8)
        self._check: FieldCheck | None = None
        theme.watcher().changed.connect(self._on_theme)

    def _on_theme(self) -> None:
        self.show_check(self._check)

    def show_check(self, check: FieldCheck | None) -> None:
        """Show what readings and measurements differ by."""
        self._check = check
        for plot in (self.pairs, self.differences):
            plot.clear()
            for side in ("left", "bottom"):
                plot.getAxis(side).setPen(theme.color("faint"))
                plot.getAxis(side).setTextPen(theme.color("muted"))
        used = [] if check is None else [c for c in check.compared if not math.isnan(c.z)]
        if check is None or not used:
            return
        grid, grid_se, board, board_se = (
            np.array([getattr(c, name) for c in used])
            for name in ("measured_slope_pct", "measured_slope_se", "slope_pct", "slope_se")
        )
        self.pairs.addItem(
            pg.ErrorBarItem(
                x=grid,
                y=board,
                width=2.0 * grid_se,
                height=2.0 * board_se,
                pen=pg.mkPen(theme.color("left", 0.45)),
            )
        )
        line = pg.InfiniteLine(angle=45, pen=theme.pen("required", 1.3, Qt.PenStyle.DashLine))
        self.pairs.addItem(line)
        self._dots(self.pairs, grid, board)
        found = check.summary.slope
        for value in (found.low, found.mean, found.high):
            if math.isfinite(value):
                self.differences.addItem(
                    pg.InfiniteLine(
                        pos=value,
                        angle=0,
                        pen=theme.pen("warn", 1.3, Qt.PenStyle.DashLine),
                        label=number(value, 2),
                        labelOpts={"position": 0.06, "color": theme.color("warn")},
                    )
                )
        zero = pg.InfiniteLine(pos=0.0, angle=0, pen=theme.pen("muted", 1.0))
        self.differences.addItem(zero)
        self._dots(self.differences, 0.5 * (grid + board), board - grid)

    @staticmethod
    def _dots(plot: pg.PlotWidget, x: np.ndarray, y: np.ndarray) -> None:
        plot.addItem(
            pg.ScatterPlotItem(
                x=x, y=y, size=8, brush=theme.color("left"), pen=theme.pen("paper", 1.0)
            )
        )
        plot.autoRange()


def _plot() -> pg.PlotWidget:
    made = pg.PlotWidget(background=None, enableMenu=False)
    made.setFrameShape(made.Shape.NoFrame)
    made.hideButtons()
    made.showGrid(x=True, y=True, alpha=0.15)
    return made
