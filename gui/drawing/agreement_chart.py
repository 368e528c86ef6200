"""Readings against measurements: board against grid, and their difference against their mean."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QCoreApplication, QPointF, QRectF, QSizeF
from PySide6.QtGui import QPainter

from analysis.common.cautions import CAUTIONS
from analysis.common.types import Floats
from gui.drawing.figure import BELOW, RIGHT_OF, Axes, figure_font, pen, text_at, tint
from gui.drawing.pictures import png_bytes, svg_bytes
from gui.drawing.printing import whole_file
from gui.drawing.section_figure import Palette
from gui.look import theme
from gui.look.units import number

if TYPE_CHECKING:
    from analysis.findings.field_report import FieldCheck

__all__ = ["draw_agreement", "save_agreement"]

_SIZE = QSizeF(900.0, 470.0)
_FONT = 11.0

translate = QCoreApplication.translate


def save_agreement(check: FieldCheck, path: str) -> None:
    """Write the drawing as PNG or SVG, by the ending of the file.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    draw = partial(
        draw_agreement,
        box=QRectF(QPointF(0.0, 0.0), _SIZE),
        check=check,
        palette=theme.palette(dark=False),
    )
    title = translate("agreement", "Readings against measurements")
    data = (
        svg_bytes(_SIZE, draw, title) if Path(path).suffix.lower() == ".svg"
        else png_bytes(_SIZE, draw)
    )  # fmt: skip
    with whole_file(path) as beside:
        beside.write_bytes(data)


def draw_agreement(painter: QPainter, box: QRectF, check: FieldCheck, palette: Palette) -> None:
    """Draw both charts side by side."""
    used = [c for c in check.compared if not math.isnan(c.z)]
    painter.setFont(figure_font(_FONT + 2.0, bold=True))
    title = translate("agreement", "Slope read by the board against slope measured on the grid")
    text_at(painter, QPointF(box.left() + 16.0, box.top() + 10.0), title, palette["ink"],
            BELOW | RIGHT_OF)  # fmt: skip
    painter.setFont(figure_font(_FONT - 1.0))
    foot = QPointF(box.left() + 16.0, box.bottom() - 12.0)
    text_at(painter, foot, f"{CAUTIONS[0]} {CAUTIONS[-1]}", palette["muted"], RIGHT_OF)
    painter.setFont(figure_font(_FONT))
    if not used:
        words = translate("agreement", "None of the readings could be compared.")
        text_at(painter, box.center(), words, palette["muted"])
        return
    grid, grid_se, board, board_se = (
        np.array([getattr(c, name) for c in used])
        for name in ("measured_slope_pct", "measured_slope_se", "slope_pct", "slope_se")
    )
    half = 0.5 * box.width()
    inside = QRectF(0.0, 0.0, half - 84.0, box.height() - 118.0)
    inside.moveTopLeft(QPointF(box.left() + 62.0, box.top() + 44.0))
    _draw_pairs(painter, inside, (grid, grid_se, board, board_se), palette)
    _draw_differences(painter, inside.translated(half, 0.0), (grid, board), check, palette)


def _draw_pairs(
    painter: QPainter, box: QRectF, pairs: tuple[Floats, ...], palette: Palette
) -> None:
    grid, grid_se, board, board_se = pairs
    low, high = _ends(grid - grid_se, grid + grid_se, board - board_se, board + board_se)
    axes = Axes(box, low, high, low, high)
    axes.draw(
        painter,
        ink=palette["ink"],
        grid=palette["faint"],
        font=figure_font(_FONT),
        x_label=translate("agreement", "grid, %"),
        y_label=translate("agreement", "board, %"),
    )
    painter.setPen(pen(palette["required"], 1.2, dashes=(5.0, 3.0)))
    painter.drawLine(axes.point(low, low), axes.point(high, high))
    painter.setPen(pen(tint(palette["left"], 0.45), 1.0))
    for x, x_se, y, y_se in zip(*(part.tolist() for part in pairs), strict=True):
        painter.drawLine(axes.point(x - x_se, y), axes.point(x + x_se, y))
        painter.drawLine(axes.point(x, y - y_se), axes.point(x, y + y_se))
    _dots(painter, axes, grid, board, palette)


def _draw_differences(
    painter: QPainter,
    box: QRectF,
    pairs: tuple[Floats, Floats],
    check: FieldCheck,
    palette: Palette,
) -> None:
    grid, board = pairs
    mean, difference = 0.5 * (grid + board), board - grid
    found = check.summary.slope
    lines = [v for v in (found.low, found.mean, found.high) if math.isfinite(v)]
    axes = Axes(box, *_ends(mean), *_ends(difference, np.array([0.0, *lines])))
    axes.draw(
        painter,
        ink=palette["ink"],
        grid=palette["faint"],
        font=figure_font(_FONT),
        x_label=translate("agreement", "mean of both, %"),
        y_label=translate("agreement", "board minus grid, % points"),
    )
    painter.setPen(pen(palette["ink"], 0.9))
    painter.drawLine(axes.point(axes.x0, 0.0), axes.point(axes.x1, 0.0))
    _dots(painter, axes, mean, difference, palette)
    for value in lines:
        painter.setPen(pen(palette["warn"], 1.3, dashes=(5.0, 3.0)))
        painter.drawLine(axes.point(axes.x0, value), axes.point(axes.x1, value))
        at = axes.point(axes.x0, value) + QPointF(4.0, 0.0)
        text_at(painter, at, number(value, 2), palette["warn"], RIGHT_OF, plate=palette["paper"])


def _dots(painter: QPainter, axes: Axes, x: Floats, y: Floats, palette: Palette) -> None:
    painter.setPen(pen(palette["paper"], 0.8))
    painter.setBrush(palette["left"])
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        painter.drawEllipse(axes.point(a, b), 3.2, 3.2)


def _ends(*parts: Floats) -> tuple[float, float]:
    values = np.concatenate(parts)
    low, high = float(values.min()), float(values.max())
    pad = 0.06 * (high - low) or 0.5
    return low - pad, high + pad
