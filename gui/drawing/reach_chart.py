"""Charts of a reach: slope, edge drop, cut and fill along the road."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from PySide6.QtCore import QCoreApplication, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath

from analysis.common.types import Floats
from analysis.findings.sheet_figures import ReachCourse
from gui.drawing.figure import Axes, figure_font, hatch, pen, tick_values, tint
from gui.drawing.section_figure import Palette
from gui.look.units import from_shown, shown

__all__ = ["draw_reach"]

_GAP, _LEFT, _BELOW, _FONT = 9.0, 52.0, 16.0, 9.0

translate = QCoreApplication.translate


def draw_reach(painter: QPainter, box: QRectF, course: ReachCourse, palette: Palette) -> None:
    """Draw the charts of a reach into the box; what lies beyond the reach is shaded."""
    s, writing = course.numbers["station_m"], course.writing
    if not s.size:
        return
    x0, x1 = float(s[0]), float(s[-1])
    pad = 0.02 * (x1 - x0) or 5.0
    height = (box.height() - 2.0 * _GAP - _BELOW) / 3.0
    ticks = _station_ticks(course, x0, x1, max(3, int((box.width() - _LEFT) / 80.0)))
    charts = (_slope_chart(course), _drop_chart(course), _area_chart(course))
    for i, (label, (low, high), paint) in enumerate(charts):
        left, top = box.left() + _LEFT, box.top() + 3.0 + i * (height + _GAP)
        frame = QRectF(left, top, box.width() - _LEFT - 4.0, height)
        axes = Axes(frame, x0 - pad, x1 + pad, low, high)
        last = i == len(charts) - 1
        axes.draw(
            painter,
            ink=palette["ink"],
            grid=palette["faint"],
            font=figure_font(_FONT),
            x_ticks=ticks,
            x_text=writing.place if last else lambda _value: "",
            y_label=label,
            y_gap=20.0,
        )
        painter.save()
        painter.setClipRect(frame)
        shade = tint(palette["muted"], 0.10)
        for a, b in (
            (frame.left(), axes.x(course.ends_m[0])),
            (axes.x(course.ends_m[1]), frame.right()),
        ):
            painter.fillRect(QRectF(QPointF(a, frame.top()), QPointF(b, frame.bottom())), shade)
        paint(painter, axes, palette)
        painter.restore()


_Chart = tuple[str, tuple[float, float], Callable[[QPainter, Axes, Palette], None]]


def _slope_chart(course: ReachCourse) -> _Chart:
    s, required = course.numbers["station_m"], course.numbers["required_slope_pct"]
    slope, se = course.numbers["shoulder_slope_pct"], course.numbers["shoulder_slope_se"]

    def paint(painter: QPainter, axes: Axes, palette: Palette) -> None:
        _band(painter, axes, s, (slope, se), palette["shoulder"])
        painter.setPen(pen(palette["required"], 1.2, dashes=(5.0, 3.0)))
        painter.drawPath(axes.line(s, required))

    return translate("sheets", "slope, %"), _range(slope - se, slope + se, slope, required), paint


def _drop_chart(course: ReachCourse) -> _Chart:
    unit = course.writing.unit("mm")
    drop, se = (course.numbers[n] * unit.factor for n in ("edge_drop_mm", "edge_drop_se"))
    limits = np.array(course.drop_limits_mm) * unit.factor

    def paint(painter: QPainter, axes: Axes, palette: Palette) -> None:
        painter.setPen(pen(palette["required"], 1.2, dashes=(5.0, 3.0)))
        for limit in limits.tolist():
            painter.drawLine(axes.point(axes.x0, limit), axes.point(axes.x1, limit))
        _band(painter, axes, course.numbers["station_m"], (drop, se), palette["shoulder"])

    label = translate("sheets", "drop, {unit}").format(unit=unit.text)
    return label, _range(drop - se, drop + se, drop, limits), paint


def _area_chart(course: ReachCourse) -> _Chart:
    unit, s = course.writing.unit("m2"), course.numbers["station_m"]
    cut, fill = (course.numbers[n] * unit.factor for n in ("cut_m2", "fill_m2"))
    half = 0.35 * float(np.median(np.diff(s))) if len(s) > 1 else 1.0

    def paint(painter: QPainter, axes: Axes, palette: Palette) -> None:
        for values, name, angle in ((cut, "cut", 45.0), (-fill, "fill", -45.0)):
            for at, value in zip(s.tolist(), values.tolist(), strict=True):
                if math.isfinite(value) and value != 0.0:
                    bar = QPainterPath()
                    ends = axes.point(at - half, 0.0), axes.point(at + half, value)
                    bar.addRect(QRectF(*ends).normalized())
                    hatch(painter, bar, palette[name], angle, 4.0)
        painter.setPen(pen(palette["ink"], 0.8))
        painter.drawLine(axes.point(axes.x0, 0.0), axes.point(axes.x1, 0.0))

    label = translate("sheets", "fill | cut, {unit}").format(unit=unit.text)
    return label, _range(cut, -fill, np.zeros(1)), paint


def _station_ticks(course: ReachCourse, low: float, high: float, most: int) -> list[float]:
    """Labels that are round as they are written."""
    # Hundreds of feet are round where the stations are, whatever the other units.
    system = "us" if course.writing.style == "feet-hundreds" else "metric"
    first, last = (float(shown(value, "m", system)) for value in (low, high))
    return [from_shown(label, "m", system) for label in tick_values(first, last, most)[0]]


def _range(*parts: Floats) -> tuple[float, float]:
    values = np.concatenate(parts)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return -1.0, 1.0
    low, high = float(values.min()), float(values.max())
    pad = 0.12 * (high - low) or 1.0
    return low - pad, high + pad


def _band(
    painter: QPainter, axes: Axes, s: Floats, measured: Sequence[Floats], colour: QColor
) -> None:
    """Line with a band of one standard error and a dot at each station."""
    value, se = measured
    known = np.isfinite(value) & np.isfinite(se)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        run = slice(int(a), int(b))
        x = np.concatenate((s[run], s[run][::-1]))
        y = np.concatenate((value[run] - se[run], (value[run] + se[run])[::-1]))
        painter.fillPath(axes.ring(x, y), tint(colour, 0.25))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(pen(colour, 1.6))
    painter.drawPath(axes.line(s, value))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    for at, v in zip(s.tolist(), value.tolist(), strict=True):
        if math.isfinite(v):
            painter.drawEllipse(axes.point(at, v), 1.8, 1.8)
    painter.setBrush(Qt.BrushStyle.NoBrush)
