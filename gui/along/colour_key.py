"""The key to the colours of a road laid straight."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize
from PySide6.QtGui import QImage, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from gui.drawing.figure import BELOW, figure_font, text_at
from gui.look import theme
from gui.look.units import number, unit_of

__all__ = ["ColourKey"]


class ColourKey(QWidget):
    """The colours with their heights, in steps that can be counted."""

    def __init__(self, limit_cm: float) -> None:
        super().__init__()
        self.limit_cm = limit_cm
        self.system = "metric"
        self.setMinimumSize(240, 34)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(self.tr("Key to the colours"))

    def sizeHint(self) -> QSize:
        return QSize(330, 34)

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        box = QRectF(20.0, 3.0, self.width() - 40.0, 13.0)
        heights = np.linspace(-self.limit_cm, self.limit_cm, max(2, int(box.width())))
        rgba = np.ascontiguousarray(theme.relief_rgba(heights[None, :], self.limit_cm))
        image = QImage(
            rgba.data, rgba.shape[1], 1, rgba.shape[1] * 4, QImage.Format.Format_RGBA8888
        )
        painter.drawImage(box, image)
        painter.setPen(theme.pen("line", 1.0))
        painter.drawRect(box)
        painter.setFont(figure_font(10.0))
        unit = unit_of("cm", self.system)
        half = 0.5 * self.limit_cm * unit.factor
        places = 0 if abs(half - round(half)) < 1e-6 else 1
        for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
            x = box.center().x() + share * box.width() / 2.0
            painter.setPen(theme.pen("muted", 1.0))
            painter.drawLine(QPointF(x, box.bottom()), QPointF(x, box.bottom() + 3.0))
            value = number(share * self.limit_cm * unit.factor, places)
            words = ("+" if share > 0.0 else "") + value + (f" {unit.text}" if share == 1.0 else "")
            at = QPointF(x, box.bottom() + 3.0)
            text_at(painter, at, words, theme.color("muted"), BELOW)
