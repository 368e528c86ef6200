"""Icons: one-colour line drawings that take the ink of light or dark."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

from PySide6.QtCore import QByteArray, QRectF, QSize, Qt
from PySide6.QtGui import QGuiApplication, QIcon, QPainter, QPixmap, QPixmapCache
from PySide6.QtSvg import QSvgRenderer

from analysis.common.pictures import finding_picture
from gui.look import theme

__all__ = ["app_icon", "finding_icon", "icon"]

# Side of a toolbar's icon, in pixels at 100 percent.
SIDE = 20
# How strongly what can't be done now is drawn.
_PALE = 0.35


def _drawing(name: str) -> bytes:
    return files("resources").joinpath("icons", f"{name}.svg").read_bytes()


def _sizes() -> list[int]:
    """Pixels that the screens want of a toolbar's icon, and twice as many to be scaled down."""
    ratios = {screen.devicePixelRatio() for screen in QGuiApplication.screens()}
    return sorted({round(SIDE * ratio) for ratio in (*ratios, 1.0, 2.0)})


def _pixmap(renderer: QSvgRenderer, size: int) -> QPixmap:
    made = QPixmap(QSize(size, size))
    made.fill(Qt.GlobalColor.transparent)
    painter = QPainter(made)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    renderer.render(painter, QRectF(0, 0, size, size))
    painter.end()
    return made


def _drawn(name: str, colour: str, sizes: Sequence[int]) -> list[QPixmap]:
    """Return the drawing in a colour, in all sizes, from where Qt keeps its pictures if it can."""
    renderer: QSvgRenderer | None = None
    every = []
    for size in sizes:
        key, drawn = f"vergeline {name} {colour} {size}", QPixmap()
        if not QPixmapCache.find(key, drawn):
            if renderer is None:
                data = _drawing(name).replace(b"#000000", colour.encode())
                renderer = QSvgRenderer(QByteArray(data))
            drawn = _pixmap(renderer, size)
            QPixmapCache.insert(key, drawn)
        every.append(drawn)
    return every


def _paler(drawn: QPixmap) -> QPixmap:
    made = QPixmap(drawn.size())
    made.fill(Qt.GlobalColor.transparent)
    painter = QPainter(made)
    painter.setOpacity(_PALE)
    painter.drawPixmap(0, 0, drawn)
    painter.end()
    return made


def icon(name: str, ink: str = "ink", *, in_rows: bool = False) -> QIcon:
    """Return the icon called `name` in a colour of the theme.

    One that stands `in_rows` also has pictures that show on a selected row.

    Its pictures are kept where Qt keeps its own, so that going from light to dark and back is
    quick.
    """
    made, sizes = QIcon(), _sizes()
    for drawn in _drawn(name, theme.color(ink).name(), sizes):
        made.addPixmap(drawn, QIcon.Mode.Normal)
        made.addPixmap(_paler(drawn), QIcon.Mode.Disabled)
    for drawn in _drawn(name, theme.color("accent_ink").name(), sizes) if in_rows else ():
        made.addPixmap(drawn, QIcon.Mode.Selected)
    return made


def finding_icon(finding: str) -> QIcon | None:
    """Return a finding's pictogram, or None for what has none: sound, can't tell, no data.

    What they show is told in `analysis.common.pictures`.
    """
    if not finding_picture(finding):
        return None
    return icon(f"finding-{finding.replace(' ', '-')}", in_rows=True)


def app_icon() -> QIcon:
    """Return the program's own icon, in its own colours."""
    made = QIcon()
    for drawn in _drawn("vergeline", "#000000", (16, 24, 32, 48, 64, 128, 256)):
        made.addPixmap(drawn)
    return made
