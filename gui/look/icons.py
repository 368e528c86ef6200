"""Icons: one-colour line drawings that take the ink of light or dark."""

from __future__ import annotations

from importlib.resources import files

from PySide6.QtCore import QByteArray, QRectF, QSize, Qt
from PySide6.QtGui import QIcon, QPainter, QPixmap, QPixmapCache
from PySide6.QtSvg import QSvgRenderer

from analysis.common.pictures import finding_picture
from gui.look import theme

__all__ = ["app_icon", "finding_icon", "icon"]

# Sizes of toolbar icons at 100 to 300 percent.
SIZES = (20, 30, 40, 60)


def _drawing(name: str) -> bytes:
    return files("resources").joinpath("icons", f"{name}.svg").read_bytes()


def _pixmap(renderer: QSvgRenderer, size: int, opacity: float) -> QPixmap:
    made = QPixmap(QSize(size, size))
    made.fill(Qt.GlobalColor.transparent)
    painter = QPainter(made)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setOpacity(opacity)
    renderer.render(painter, QRectF(0, 0, size, size))
    painter.end()
    return made


def icon(name: str, ink: str = "ink", *, in_rows: bool = False) -> QIcon:
    """Return the icon called `name` in a colour of the theme.

    One that stands `in_rows` also has pictures that show on a selected row.

    Its pictures are kept where Qt keeps its own, so that going from light to dark and back is
    quick.
    """
    made = QIcon()
    modes = [(QIcon.Mode.Normal, ink, 1.0), (QIcon.Mode.Disabled, ink, 0.35)]
    if in_rows:
        modes.append((QIcon.Mode.Selected, "accent_ink", 1.0))
    for mode, colour_name, opacity in modes:
        colour = theme.color(colour_name).name()
        renderer: QSvgRenderer | None = None
        for size in SIZES:
            key, drawn = f"vergeline {name} {colour} {size} {opacity}", QPixmap()
            if not QPixmapCache.find(key, drawn):
                if renderer is None:
                    data = _drawing(name).replace(b"#000000", colour.encode())
                    renderer = QSvgRenderer(QByteArray(data))
                drawn = _pixmap(renderer, size, opacity)
                QPixmapCache.insert(key, drawn)
            made.addPixmap(drawn, mode)
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
    renderer = QSvgRenderer(QByteArray(_drawing("vergeline")))
    made = QIcon()
    for size in (16, 24, 32, 48, 64, 128, 256):
        made.addPixmap(_pixmap(renderer, size, 1.0))
    return made
