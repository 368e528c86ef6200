"""A drawing as a file: PNG for documents, SVG for drawing programs."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QBuffer, QCoreApplication, QIODevice, QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import QGuiApplication, QImage, QPainter

__all__ = ["PER_INCH", "need_application", "png_bytes", "svg_bytes", "to_image"]

PER_INCH = 96.0
"""All is laid out in 1/96 inch, the pixel of CSS, whatever it is drawn on."""

_IMAGE_SCALE = 2.0

Draw = Callable[[QPainter], None]


def need_application() -> None:
    """Make fonts available where no window is open; Qt loads none without an application."""
    if QCoreApplication.instance() is None:
        # Kept on the function, or Python would destroy it at once.
        need_application.app = QGuiApplication(  # type: ignore[attr-defined]
            ["vergeline", "-platform", "offscreen"]
        )


def to_image(size: QSizeF, draw: Draw) -> QImage:
    """Return what `draw` draws on white paper of a size."""
    need_application()
    image = QImage((size * _IMAGE_SCALE).toSize(), QImage.Format.Format_ARGB32_Premultiplied)
    # So that a word processor places it at the size of the sheet.
    per_metre = round(PER_INCH * _IMAGE_SCALE / 0.0254)
    image.setDotsPerMeterX(per_metre)
    image.setDotsPerMeterY(per_metre)
    # by which the program knows its own file again
    image.setText("Software", "Vergeline")
    painter = QPainter(image)
    # Ended whatever happens: Qt aborts where a painter outlives its device.
    try:
        painter.scale(_IMAGE_SCALE, _IMAGE_SCALE)
        _on_paper(painter, size, draw)
    finally:
        painter.end()
    return image


def _on_paper(painter: QPainter, size: QSizeF, draw: Draw) -> None:
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.fillRect(QRectF(QPointF(0.0, 0.0), size), Qt.GlobalColor.white)
    draw(painter)


def png_bytes(size: QSizeF, draw: Draw) -> bytes:
    """Return the drawing as a PNG file."""
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    # The binding takes a str; its stubs say bytes.
    to_image(size, draw).save(buffer, "PNG")  # type: ignore[call-overload]
    return bytes(buffer.data().data())


def svg_bytes(size: QSizeF, draw: Draw, title: str) -> bytes:
    """Return the drawing as an SVG file."""
    from PySide6.QtSvg import QSvgGenerator

    need_application()
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setResolution(round(PER_INCH))
    generator.setSize(size.toSize())
    generator.setViewBox(QRectF(QPointF(0.0, 0.0), size))
    generator.setTitle(title)
    generator.setDescription("Vergeline")
    painter = QPainter(generator)
    try:
        _on_paper(painter, size, draw)
    finally:
        painter.end()
    return bytes(buffer.data().data())
