"""Stamped circles against Qt's own outlines of the same ones."""

import numpy as np
import pytest
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QImage, QPainter, QPainterPath
from PySide6.QtWidgets import QApplication

from analysis.common.types import Floats
from gui.drawing.figure import pen, stamp_circles, tint

BOX = QRectF(13.0, 9.5, 180.0, 120.0)
INK = QColor("#8A7A63")


def drawn(middles: Floats, scale: float, *, stamped: bool) -> Floats:
    """Return the pixels, as grey levels, of circles drawn into an image."""
    image = QImage(round(210 * scale), round(150 * scale), QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(scale)
    image.fill(0xFFFFFFFF)
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.translate(3.25, 1.5)
    painter.setClipRect(BOX)
    if stamped:
        stamp_circles(painter, BOX, [(middles, 0.85)], 2.0, 0.7, INK)
    else:
        path = QPainterPath()
        for x, y in middles.tolist():
            path.addEllipse(QPointF(x, y), 2.0, 2.0)
        painter.setPen(pen(tint(INK, 0.85), 0.7))
        painter.drawPath(path)
    painter.end()
    grey = image.convertToFormat(QImage.Format.Format_Grayscale8)
    rows = np.frombuffer(grey.constBits(), dtype=np.uint8).reshape(grey.height(), -1)
    return 255.0 - rows[:, : grey.width()].astype(float)


@pytest.mark.parametrize("scale", [1.0, 1.5, 2.0])
def test_stamped_circles_look_like_outlined_ones(qapp: QApplication, scale: float) -> None:
    chance = np.random.default_rng(5)
    # Some stick out of the box, and some lie on each other.
    middles = chance.uniform((5.0, 0.0), (200.0, 140.0), (150, 2))
    outlined = drawn(middles, scale, stamped=False)
    stamped = drawn(middles, scale, stamped=True)
    assert outlined.max() > 40.0
    # The same amount of ink (but where circles meet, which an outline counts once) in the same
    # places, at most an eighth of a pixel aside.
    assert stamped.sum() == pytest.approx(outlined.sum(), rel=0.04)
    aside = np.roll(outlined, 1, axis=1)
    assert np.abs(stamped - outlined).mean() < 0.4 * np.abs(aside - outlined).mean()


def test_no_circles_leave_the_paper(qapp: QApplication) -> None:
    assert drawn(np.empty((0, 2)), 1.0, stamped=True).max() == 0.0
    assert drawn(np.array([[-500.0, 20.0]]), 1.0, stamped=True).max() == 0.0
