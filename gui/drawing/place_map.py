"""Sketches of where reaches lie: lines, names of ends, north and scale; told apart without colour.

What a reach may do shows by width and dashes first, so that a black-and-white print says it too.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QCoreApplication, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath

from analysis.common.types import Floats
from analysis.common.units import METRES_PER_FOOT, METRES_PER_MILE, US
from analysis.findings.place_map import HARM_WORDS, MarkedLine, PlaceMap
from gui.drawing.figure import LEFT_OF, RIGHT_OF, arrow, figure_font, pen, text_at
from gui.drawing.section_figure import Palette

__all__ = ["draw_place"]

translate = QCoreApplication.translate

_FONT, _MARGIN, _KEY_ROW = 9.0, 14.0, 13.0
_M_PER_PX = 0.0254 / 96.0
# Width, dashes in units of it, and colour's name in the palette by class of harm.
_LOOKS: dict[int, tuple[float, tuple[float, ...] | None, str]] = {
    1: (6.5, None, "warn"),
    2: (4.2, None, "left"),
    3: (2.6, None, "ink"),
    4: (2.6, (2.2, 1.6), "muted"),
    0: (2.6, (0.8, 1.0), "accent"),
    5: (2.6, None, "muted"),
}


class _View:
    """From metres to the page, north up, the same scale both ways."""

    def __init__(self, box: QRectF, frame: tuple[float, float, float, float]) -> None:
        west, south, east, north = frame
        wide, high = max(east - west, 1.0), max(north - south, 1.0)
        self.per_m = min(box.width() / wide, box.height() / high)
        self.x0 = box.center().x() - 0.5 * (west + east) * self.per_m
        self.y0 = box.center().y() + 0.5 * (south + north) * self.per_m

    def point(self, xy: Floats) -> QPointF:
        return QPointF(self.x0 + float(xy[0]) * self.per_m, self.y0 - float(xy[1]) * self.per_m)

    def path(self, line: Floats) -> QPainterPath:
        path = QPainterPath(self.point(line[0]))
        for xy in line[1:]:
            path.lineTo(self.point(xy))
        return path


def draw_place(painter: QPainter, box: QRectF, place: PlaceMap, palette: Palette) -> None:
    """Draw the sketch into the box."""
    classes = [k for k in HARM_WORDS if any(own.harm_class == k for own in place.marked)]
    below = _KEY_ROW * len(classes) if place.key else 0.0
    frame = box.adjusted(0.5, 0.5, -0.5, -0.5 - below)
    view = _View(frame.adjusted(_MARGIN, _MARGIN + 6.0, -_MARGIN, -_MARGIN - 10.0), place.frame)
    painter.save()
    painter.setPen(pen(palette["line"], 0.8))
    painter.drawRect(frame)
    painter.setClipRect(frame)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(pen(palette["muted"], 0.8))
    for line in place.context:
        painter.drawPath(view.path(line))
    for own in place.marked:
        _draw_line(painter, view, own, palette)
    taken: list[QRectF] = []
    painter.setFont(figure_font(_FONT))
    _draw_north(painter, frame, palette)
    _draw_scale(painter, frame, view, place, palette, taken)
    for own in reversed(place.marked):
        _draw_names(painter, view, own, palette, taken)
    painter.restore()
    if place.key:
        _draw_key(
            painter, QRectF(box.left(), frame.bottom() + 2.0, box.width(), below), classes, palette
        )


def _draw_line(painter: QPainter, view: _View, own: MarkedLine, palette: Palette) -> None:
    width, dashes, colour = _LOOKS[own.harm_class]
    path = view.path(own.line)
    painter.setPen(pen(palette["paper"], width + 2.0))
    painter.drawPath(path)
    painter.setPen(pen(palette[colour], width, dashes=dashes))
    if path.length() < 2.0 * width:
        # On a map of a network most reaches are shorter than they are wide.
        painter.setPen(pen(palette[colour], 1.0))
        painter.setBrush(palette[colour])
        painter.drawEllipse(path.pointAtPercent(0.5), 0.7 * width, 0.7 * width)
        painter.setBrush(Qt.BrushStyle.NoBrush)
    else:
        painter.drawPath(path)


def _draw_names(
    painter: QPainter, view: _View, own: MarkedLine, palette: Palette, taken: list[QRectF]
) -> None:
    """Names of the ends, and the label; a label that would cover another is left out."""
    for text, xy, inner in zip(
        own.ends, (own.line[0], own.line[-1]), (own.line[1], own.line[-2]), strict=True
    ):
        if not text:
            continue
        at, towards = view.point(xy), view.point(inner)
        painter.setPen(pen(palette["ink"], 1.2))
        painter.setBrush(palette["paper"])
        painter.drawEllipse(at, 3.2, 3.2)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        left = at.x() <= towards.x()
        beside = QPointF(at.x() + (-7.0 if left else 7.0), at.y() - 9.0)
        side = LEFT_OF if left else RIGHT_OF
        taken.append(text_at(painter, beside, text, palette["ink"], side, plate=palette["paper"]))
    if own.label:
        at = view.path(own.line).pointAtPercent(0.5) + QPointF(0.0, -8.0)
        wide = 6.0 * len(own.label) + 4.0
        box = QRectF(at.x() - 0.5 * wide, at.y() - 6.0, wide, 12.0)
        if not any(box.intersects(other) for other in taken):
            text_at(painter, at, own.label, palette["ink"], plate=palette["paper"])
            taken.append(box)


def _draw_north(painter: QPainter, frame: QRectF, palette: Palette) -> None:
    foot = QPointF(frame.right() - 13.0, frame.top() + 34.0)
    arrow(painter, foot, foot - QPointF(0.0, 22.0), palette["ink"], 7.0)
    text_at(painter, foot - QPointF(0.0, 27.0), translate("place map", "N"), palette["ink"])


def _draw_scale(
    painter: QPainter,
    frame: QRectF,
    view: _View,
    place: PlaceMap,
    palette: Palette,
    taken: list[QRectF],
) -> None:
    """A bar of a round length, and the scale of a print that isn't resized."""
    most_m = 0.3 * frame.width() / view.per_m
    unit_m, unit = 1.0, "m"
    if place.writing.system == US:
        unit_m, unit = METRES_PER_FOOT, "ft"
        if most_m > METRES_PER_MILE:
            unit_m, unit = METRES_PER_MILE, "mi"
    elif most_m > 2000.0:
        unit_m, unit = 1000.0, "km"
    length = _round_below(most_m / unit_m)
    decimals = max(0, -math.floor(math.log10(length)))
    wide = length * unit_m * view.per_m
    left, y = frame.left() + 8.0, frame.bottom() - 7.0
    painter.setPen(pen(palette["ink"], 1.4))
    painter.drawLine(QPointF(left, y), QPointF(left + wide, y))
    for x in (left, left + wide):
        painter.drawLine(QPointF(x, y - 3.0), QPointF(x, y + 3.0))
    ratio = 1.0 / (view.per_m * _M_PER_PX) if view.per_m > 0.0 else 0.0
    nice = round(ratio, -max(0, math.floor(math.log10(max(ratio, 1.0))) - 1))
    words = translate(
        "place map", "{length} {unit}   about 1 : {ratio} as printed; grid north"
    ).format(length=f"{length:,.{decimals}f}", unit=unit, ratio=f"{nice:,.0f}")
    at = QPointF(left + wide + 6.0, y)
    taken.append(text_at(painter, at, words, palette["muted"], RIGHT_OF, plate=palette["paper"]))


def _round_below(length: float) -> float:
    """Greatest of 1, 2 and 5 times a power of ten that isn't beyond a length."""
    power = 10.0 ** math.floor(math.log10(max(length, 1e-9)))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= length * 1.000001)


def _draw_key(painter: QPainter, box: QRectF, classes: list[int], palette: Palette) -> None:
    painter.save()
    painter.setFont(figure_font(_FONT))
    for k, harm in enumerate(classes):
        x, y = box.left(), box.top() + (k + 0.5) * _KEY_ROW
        width, dashes, colour = _LOOKS[harm]
        painter.setPen(pen(QColor(palette[colour]), width, dashes=dashes))
        painter.drawLine(QPointF(x + 2.0, y), QPointF(x + 24.0, y))
        text_at(painter, QPointF(x + 28.0, y), harm_text(harm), palette["ink"], RIGHT_OF)
    painter.restore()


def harm_text(harm_class: int) -> str:
    """What a reach may do, in words."""
    return {
        1: translate("place map", "edge drop-off at the safety limit"),
        2: translate("place map", "keeps water on the pavement"),
        3: translate("place map", "other fault or blocked ditch"),
        4: translate("place map", "can't be judged: look first"),
        0: translate("place map", "sheds, but has work"),
    }[harm_class]
