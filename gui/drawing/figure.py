"""Scaled drawing for sections, charts and sheets, the same on screen, in an image, SVG or PDF.

All coordinates are in the painter's own units (pixels on screen, points on paper), and fonts are
sized in those units, so one drawing routine serves every device.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QPaintEngine,
    QPainter,
    QPainterPath,
    QPen,
)

from gui.look.units import number

__all__ = [
    "BELOW",
    "LEFT_OF",
    "ON_TOP_OF",
    "RIGHT_OF",
    "Axes",
    "arrow",
    "figure_font",
    "hatch",
    "path_of",
    "pen",
    "stamp_circles",
    "text_at",
    "tick_values",
    "tint",
]

# Where text stands to its point; to the other way it is centred.
RIGHT_OF, LEFT_OF = Qt.AlignmentFlag.AlignLeft, Qt.AlignmentFlag.AlignRight
BELOW, ON_TOP_OF = Qt.AlignmentFlag.AlignTop, Qt.AlignmentFlag.AlignBottom


def figure_font(size: float, *, bold: bool = False, italic: bool = False) -> QFont:
    """Font whose height is `size` drawing units on every device."""
    font = QFont()
    # Pixel sizes are whole numbers: draw at a size that is one and let the painter's own scale
    # do the rest only for print, where drawing units are large.
    font.setPixelSize(max(1, round(size)))
    font.setBold(bold)
    font.setItalic(italic)
    font.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    return font


def tint(colour: QColor, alpha: float) -> QColor:
    """Return a colour as see-through as `alpha` says."""
    made = QColor(colour)
    made.setAlphaF(alpha)
    return made


def pen(
    colour: QColor,
    width: float = 1.0,
    style: Qt.PenStyle = Qt.PenStyle.SolidLine,
    dashes: Sequence[float] | None = None,
) -> QPen:
    """Pen with round joins; `dashes` in units of the width."""
    made = QPen(colour, width, style, Qt.PenCapStyle.FlatCap, Qt.PenJoinStyle.RoundJoin)
    if dashes is not None:
        made.setDashPattern(list(dashes))
    return made


def tick_values(low: float, high: float, most: int) -> tuple[list[float], int]:
    """Round values between two ends, at most about `most` of them, and the decimals they need."""
    span = high - low
    if not math.isfinite(span) or span <= 0.0 or most < 1:
        return [], 0
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next((m * power for m in (1.0, 2.0, 5.0) if m * power >= raw * 0.999), 10.0 * power)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [i * step for i in range(first, last + 1)], decimals


def path_of(x: NDArray[np.float64], y: NDArray[np.float64]) -> QPainterPath:
    """Line through the points, broken where one is unknown."""
    path = QPainterPath()
    down = False
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if math.isfinite(a) and math.isfinite(b):
            if down:
                path.lineTo(a, b)
            else:
                path.moveTo(a, b)
            down = True
        else:
            down = False
    return path


def hatch(
    painter: QPainter, area: QPainterPath, colour: QColor, angle_deg: float, gap: float = 5.0
) -> None:
    """Fill an outline with a pale tint and ruled lines.

    Ruled by hand because Qt's own brush patterns are bitmaps: they scale with the view, and print
    and SVG show them as coarse tiles.
    """
    box = area.boundingRect()
    if box.isEmpty():
        return
    painter.save()
    painter.setPen(Qt.PenStyle.NoPen)
    painter.fillPath(area, tint(colour, 0.22))
    painter.setClipPath(area, Qt.ClipOperation.IntersectClip)
    painter.setPen(pen(colour, 0.9))
    if angle_deg == 0.0:
        y = math.floor(box.top() / gap) * gap
        while y <= box.bottom():
            painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
            y += gap
    else:
        # Lines x + k*y = c, one every `gap` across them.
        k = -1.0 / math.tan(math.radians(angle_deg))
        step = gap * math.hypot(1.0, k)
        corners = [x + k * y for x in (box.left(), box.right()) for y in (box.top(), box.bottom())]
        c = math.floor(min(corners) / step) * step
        while c <= max(corners):
            painter.drawLine(
                QPointF(c - k * box.top(), box.top()), QPointF(c - k * box.bottom(), box.bottom())
            )
            c += step
    painter.restore()
    painter.save()
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(pen(colour, 0.8))
    painter.drawPath(area)
    painter.restore()


# Circles are stamped at this many places within a pixel, each way.
_PHASES = 4


@lru_cache(maxsize=8)
def _circle_stamps(radius: float, width: float) -> NDArray[np.float32]:
    """Coverage (0..1) of an open circle at each place within a pixel: (phases, phases, k, k)."""
    half = math.ceil(radius + width / 2.0) + 1
    size = 2 * half + 1
    stamps = np.empty((_PHASES, _PHASES, size, size), dtype=np.float32)
    for down in range(_PHASES):
        for across in range(_PHASES):
            image = QImage(size, size, QImage.Format.Format_Grayscale8)
            image.fill(0)
            painter = QPainter(image)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(pen(QColor(Qt.GlobalColor.white), width))
            middle = QPointF(half + (across + 0.5) / _PHASES, half + (down + 0.5) / _PHASES)
            painter.drawEllipse(middle, radius, radius)
            painter.end()
            drawn = np.frombuffer(image.constBits(), dtype=np.uint8)
            stamps[down, across] = drawn.reshape(size, -1)[:, :size] / 255.0
    stamps.setflags(write=False)
    return stamps


def stamp_circles(
    painter: QPainter,
    box: QRectF,
    groups: Sequence[tuple[NDArray[np.float64], float]],
    radius: float,
    width: float,
    colour: QColor,
) -> None:
    """Draw thousands of small open circles in a box, of one colour.

    On what is made of pixels they are stamped, a tenth of the time that outlining each takes; on
    paper and in SVG each is outlined.

    Parameters
    ----------
    groups
        Middles, (n, 2) page coordinates, and opacity (0..1); later ones are drawn above.
    """
    engine, place = painter.paintEngine(), painter.deviceTransform()
    raster = engine is not None and engine.type() == QPaintEngine.Type.Raster
    if not raster or place.isRotating() or place.m11() <= 0.0 or place.m11() != place.m22():
        for middles, alpha in groups:
            path = QPainterPath()
            for x, y in middles.tolist():
                path.addEllipse(QPointF(x, y), radius, radius)
            painter.setPen(pen(tint(colour, alpha), width))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawPath(path)
        return
    scale = place.m11()
    stamps = _circle_stamps(round(radius * scale, 3), round(width * scale, 3))
    size = stamps.shape[-1]
    # In pixels of the device, from a whole one on, with a frame for what sticks out of the box.
    shown = place.mapRect(box)
    left, top = math.floor(shown.left()) - size, math.floor(shown.top()) - size
    wide, high = math.ceil(shown.right()) + size - left, math.ceil(shown.bottom()) + size - top
    half = size // 2
    spots = []
    for middles, alpha in groups:
        x = middles[:, 0] * scale + place.dx() - left
        y = middles[:, 1] * scale + place.dy() - top
        inside = (x >= half) & (x < wide - half) & (y >= half) & (y < high - half)
        # Where circles coincide they are one.
        at = np.floor(np.column_stack((y[inside], x[inside])) * _PHASES).astype(np.int64)
        spots.append((np.unique(at[:, 0] * wide * _PHASES + at[:, 1]), alpha))
    rows = [at // (wide * _PHASES) // _PHASES for at, _alpha in spots if len(at)]
    if not rows:
        return
    # Only as high as there are circles.
    first = min(int(part[0]) for part in rows) - half
    high = max(int(part[-1]) for part in rows) + half + 1 - first
    corner = np.arange(size)[:, None] * wide + np.arange(size)
    clear = np.ones(high * wide, dtype=np.float32)
    for at, alpha in spots:
        row, column = np.divmod(at, wide * _PHASES)
        (row, down), (column, across) = np.divmod(row, _PHASES), np.divmod(column, _PHASES)
        where = ((row - half - first) * wide + column - half)[:, None, None]
        bare = np.ones_like(clear)
        np.multiply.at(bare, (where + corner).ravel(), 1.0 - stamps[down, across].ravel())
        clear *= 1.0 - alpha * (1.0 - bare)
    # Kept until it is drawn: the image only points to it.
    kept = np.rint(255.0 * (1.0 - clear)).astype(np.uint8).tobytes()
    image = QImage(kept, wide, high, wide, QImage.Format.Format_Indexed8)
    image.setColorTable([tint(colour, level / 255.0).rgba() for level in range(256)])
    corner_at = QPointF((left - place.dx()) / scale, (top + first - place.dy()) / scale)
    painter.save()
    painter.setClipRect(box, Qt.ClipOperation.IntersectClip)
    painter.drawImage(QRectF(corner_at, QSizeF(wide / scale, high / scale)), image)
    painter.restore()


def text_at(
    painter: QPainter,
    point: QPointF,
    text: str,
    colour: QColor,
    align: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignCenter,
    *,
    plate: QColor | None = None,
) -> QRectF:
    """Text at a point, on a plate if given; returns the box it took.

    It is centred on the point in each direction of which `align` says nothing.
    """
    metrics = QFontMetricsF(painter.font(), painter.device())
    width = max((metrics.horizontalAdvance(line) for line in text.split("\n")), default=0.0) + 2.0
    height = metrics.lineSpacing() * (text.count("\n") + 1)
    x, y = point.x(), point.y()
    if align & Qt.AlignmentFlag.AlignRight:
        x -= width
    elif not align & Qt.AlignmentFlag.AlignLeft:
        x -= width / 2.0
    if align & Qt.AlignmentFlag.AlignBottom:
        y -= height
    elif not align & Qt.AlignmentFlag.AlignTop:
        y -= height / 2.0
    box = QRectF(x, y, width, height)
    if plate is not None:
        painter.fillRect(box.adjusted(-2.0, 0.0, 2.0, 0.0), plate)
    painter.setPen(colour)
    across = align & (LEFT_OF | RIGHT_OF) or Qt.AlignmentFlag.AlignHCenter
    flags = int(across | Qt.AlignmentFlag.AlignVCenter) | int(Qt.TextFlag.TextDontClip)
    painter.drawText(box, flags, text)
    return box


def arrow(
    painter: QPainter, start: QPointF, end: QPointF, colour: QColor, size: float = 5.0
) -> None:
    """Line with a filled head at its end."""
    dx, dy = end.x() - start.x(), end.y() - start.y()
    length = math.hypot(dx, dy)
    if length < 1e-6:
        return
    ux, uy = dx / length, dy / length
    painter.setPen(pen(colour, 1.2))
    painter.drawLine(start, QPointF(end.x() - ux * size * 0.8, end.y() - uy * size * 0.8))
    head = QPainterPath(end)
    head.lineTo(end.x() - ux * size - uy * size * 0.45, end.y() - uy * size + ux * size * 0.45)
    head.lineTo(end.x() - ux * size + uy * size * 0.45, end.y() - uy * size - ux * size * 0.45)
    head.closeSubpath()
    painter.fillPath(head, QBrush(colour))


@dataclass(frozen=True, slots=True)
class Axes:
    """A rectangle of the page and the values that its edges stand for; y values grow upward."""

    box: QRectF
    x0: float
    x1: float
    y0: float
    y1: float

    def x(self, value: float) -> float:
        """Page coordinate of an x value."""
        return self.box.left() + (value - self.x0) / (self.x1 - self.x0) * self.box.width()

    def y(self, value: float) -> float:
        """Page coordinate of a y value."""
        return self.box.bottom() - (value - self.y0) / (self.y1 - self.y0) * self.box.height()

    def point(self, x: float, y: float) -> QPointF:
        """Page point of a pair of values."""
        return QPointF(self.x(x), self.y(y))

    def value_x(self, page: float) -> float:
        """Value that a page coordinate stands for."""
        return self.x0 + (page - self.box.left()) / self.box.width() * (self.x1 - self.x0)

    def value_y(self, page: float) -> float:
        """Value that a page coordinate stands for."""
        return self.y0 + (self.box.bottom() - page) / self.box.height() * (self.y1 - self.y0)

    def places(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Page coordinates of pairs of values."""
        return (
            self.box.left() + (x - self.x0) / (self.x1 - self.x0) * self.box.width(),
            self.box.bottom() - (y - self.y0) / (self.y1 - self.y0) * self.box.height(),
        )

    def line(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> QPainterPath:
        """Line through pairs of values, broken where one is unknown."""
        return path_of(*self.places(x, y))

    def ring(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> QPainterPath:
        """Close an outline through pairs of values."""
        path = self.line(x, y)
        path.closeSubpath()
        return path

    def moved(self, dx: float, dy: float) -> "Axes":
        """Return the axes showing values shifted by the given amounts."""
        return replace(self, x0=self.x0 + dx, x1=self.x1 + dx, y0=self.y0 + dy, y1=self.y1 + dy)

    def draw(
        self,
        painter: QPainter,
        *,
        ink: QColor,
        grid: QColor,
        font: QFont,
        x_label: str = "",
        y_label: str = "",
        x_text: Callable[[float], str] | None = None,
        x_ticks: Sequence[float] | None = None,
        x_gap: float = 60.0,
        y_gap: float = 30.0,
    ) -> None:
        """Draw grid, ticks and labels around the box."""
        painter.save()
        painter.setFont(font)
        metrics = QFontMetricsF(font, painter.device())
        ys, y_places = tick_values(self.y0, self.y1, max(2, int(self.box.height() / y_gap)))
        if x_ticks is None:
            xs, x_places = tick_values(self.x0, self.x1, max(2, int(self.box.width() / x_gap)))
        else:
            xs, x_places = list(x_ticks), 0
        painter.setPen(pen(grid, 0.7))
        for value in ys:
            painter.drawLine(self.point(self.x0, value), self.point(self.x1, value))
        for value in xs:
            painter.drawLine(self.point(value, self.y1), self.point(value, self.y0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(pen(ink, 0.8))
        painter.drawRect(self.box)
        widest = 0.0
        for value in ys:
            text = number(value, y_places)
            at = QPointF(self.box.left() - 4.0, self.y(value))
            widest = max(widest, text_at(painter, at, text, ink, LEFT_OF).width())
        for value in xs:
            text = x_text(value) if x_text else number(value, x_places)
            text_at(painter, QPointF(self.x(value), self.box.bottom() + 2.0), text, ink, BELOW)
        if x_label:
            foot = self.box.bottom() + 3.0 + metrics.lineSpacing()
            text_at(painter, QPointF(self.box.center().x(), foot), x_label, ink, BELOW)
        if y_label:
            painter.save()
            painter.translate(self.box.left() - 8.0 - widest, self.box.center().y())
            painter.rotate(-90.0)
            text_at(painter, QPointF(0.0, 0.0), y_label, ink, ON_TOP_OF)
            painter.restore()
        painter.restore()
