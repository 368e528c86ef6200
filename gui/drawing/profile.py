"""A shoulder's section in straight lines: as found, and as it is to be built."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QCoreApplication, QPointF, QRectF
from PySide6.QtGui import QPainter

from analysis.common.types import Floats
from analysis.findings.sheet_figures import ReachSection
from gui.drawing.figure import LEFT_OF, ON_TOP_OF, RIGHT_OF, Axes, figure_font, pen, text_at
from gui.drawing.section_figure import Palette

__all__ = ["draw_profile"]

translate = QCoreApplication.translate

_FONT, _ROW = 9.0, 13.0


def draw_profile(painter: QPainter, box: QRectF, section: ReachSection, palette: Palette) -> None:
    """Draw the section into the box, outward to the right, with its numbers under it."""
    known = [line for line in (section.found, section.target) if len(line)]
    if not known:
        return
    points = np.concatenate(known)
    frame = box.adjusted(2.0, 8.0, -2.0, -4.0 * _ROW - 6.0)
    low, high = float(points[:, 1].min()), float(points[:, 1].max())
    pad = 0.12 * max(high - low, 0.1)
    u0, u1 = float(points[:, 0].min()), float(points[:, 0].max())
    axes = Axes(frame, u0, u1, low - pad, high + pad)
    painter.save()
    painter.setFont(figure_font(_FONT))
    _edge(painter, axes, palette)
    _line(painter, axes, section.target, palette, "target", 1.6, (5.0, 3.0))
    _line(painter, axes, section.found, palette, "ink", 2.2, None)
    stretch = (frame.height() / (high - low + 2.0 * pad)) / (frame.width() / max(u1 - u0, 0.1))
    words = translate("profile", "heights × {factor}").format(factor=f"{stretch:.0f}")
    corner = QPointF(frame.right() - 4.0, frame.top() + 6.0)
    text_at(painter, corner, words, palette["muted"], LEFT_OF)
    _numbers(painter, box, section, palette)
    painter.restore()


def _edge(painter: QPainter, axes: Axes, palette: Palette) -> None:
    top, bottom = axes.box.top(), axes.box.bottom()
    x = axes.x(0.0)
    painter.setPen(pen(palette["muted"], 0.8, dashes=(2.0, 2.0)))
    painter.drawLine(QPointF(x, top), QPointF(x, bottom))
    words = translate("profile", "pavement edge")
    text_at(painter, QPointF(x - 4.0, bottom), words, palette["muted"], LEFT_OF | ON_TOP_OF)


def _line(
    painter: QPainter,
    axes: Axes,
    line: Floats,
    palette: Palette,
    colour: str,
    width: float,
    dashes: tuple[float, ...] | None,
) -> None:
    if len(line):
        painter.setPen(pen(palette[colour], width, dashes=dashes))
        painter.drawPath(axes.line(line[:, 0], line[:, 1]))


def _numbers(painter: QPainter, box: QRectF, section: ReachSection, palette: Palette) -> None:
    say, numbers = section.writing.say, section.numbers
    drop = numbers["drop"]
    where = (
        translate("profile", "not known")
        if math.isnan(drop)
        else translate("profile", "{drop} below the edge").format(drop=say(drop, "mm"))
        if drop >= 0.0
        else translate("profile", "{drop} above the edge").format(drop=say(-drop, "mm"))
    )
    slope, target = (say(numbers[name], "required_slope_pct") for name in ("slope", "target"))
    lines = (
        (None, translate("profile", "as found: falls {slope}").format(slope=slope)),
        (None, where),
        ((5.0, 3.0), translate("profile", "to build: flush, falls {slope}").format(slope=target)),
        (
            None,
            translate("profile", "shoulder {width} wide; pavement falls {slope}").format(
                width=say(numbers["width"], "m"),
                slope=say(numbers["pavement"], "pavement_slope_pct"),
            ),
        ),
    )
    for k, (dashes, text) in enumerate(lines):
        y = box.bottom() - (len(lines) - k - 0.5) * _ROW
        left = box.left() + 4.0
        if k in (0, 2):
            colour, width = ("target", 1.6) if dashes else ("ink", 2.2)
            painter.setPen(pen(palette[colour], width, dashes=dashes))
            painter.drawLine(QPointF(left, y), QPointF(left + 22.0, y))
        text_at(painter, QPointF(left + 27.0, y), text, palette["ink"], RIGHT_OF)
