"""Icons: one-colour line drawings that take the ink of light or dark."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from importlib.resources import files

from PySide6.QtCore import QByteArray, QRectF, QSize, Qt
from PySide6.QtGui import QGuiApplication, QIcon, QPainter, QPixmap, QPixmapCache
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QAbstractButton, QStyle, QWidget

from analysis.common.pictures import finding_picture
from gui.look import theme

__all__ = ["app_icon", "finding_icon", "icon", "ink_small_buttons"]

# Side of a toolbar's icon, in pixels at 100 percent.
SIDE = 20
# How strongly what can't be done now is drawn.
_PALE = 0.35


@cache
def _drawing(name: str) -> bytes:
    return files("resources").joinpath("icons", f"{name}.svg").read_bytes()


def _sizes() -> list[int]:
    """Pixels that the screens want of a toolbar's icon, and twice as many to be scaled down."""
    ratios = {screen.devicePixelRatio() for screen in QGuiApplication.screens()}
    return sorted({round(SIDE * ratio) for ratio in (*ratios, 1.0, 2.0)})


def _kept(key: str, draw: Callable[[], QPixmap]) -> QPixmap:
    """Return a picture from where Qt keeps its own, drawn if it isn't there."""
    held = QPixmap()
    if not QPixmapCache.find(key, held):
        held = draw()
        QPixmapCache.insert(key, held)
    return held


def _drawn(name: str, colour: str, size: int) -> QPixmap:
    """Return the drawing in a colour; black is what is coloured."""

    def draw() -> QPixmap:
        data = _drawing(name).replace(b"#000000", colour.encode())
        made = QPixmap(QSize(size, size))
        made.fill(Qt.GlobalColor.transparent)
        painter = QPainter(made)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        QSvgRenderer(QByteArray(data)).render(painter, QRectF(0, 0, size, size))
        painter.end()
        return made

    return _kept(f"vergeline {name} {colour} {size}", draw)


def _pale(name: str, colour: str, size: int) -> QPixmap:
    """Return the drawing as that of what can't be done now."""

    def draw() -> QPixmap:
        drawn = _drawn(name, colour, size)
        made = QPixmap(drawn.size())
        made.fill(Qt.GlobalColor.transparent)
        painter = QPainter(made)
        painter.setOpacity(_PALE)
        painter.drawPixmap(0, 0, drawn)
        painter.end()
        return made

    return _kept(f"vergeline {name} {colour} {size} pale", draw)


def icon(name: str, ink: str = "ink", *, in_rows: bool = False) -> QIcon:
    """Return the icon called `name` in a colour of the theme.

    One that stands `in_rows` also has pictures that show on a selected row.

    Its pictures are kept where Qt keeps its own, so that going from light to dark and back is
    quick.
    """
    over = theme.color("accent_ink").name() if in_rows else ""
    return _made(name, theme.color(ink).name(), over, tuple(_sizes()))


@lru_cache(maxsize=256)
def _made(name: str, colour: str, over: str, sizes: tuple[int, ...]) -> QIcon:
    made = QIcon()
    for size in sizes:
        made.addPixmap(_drawn(name, colour, size), QIcon.Mode.Normal)
        made.addPixmap(_pale(name, colour, size), QIcon.Mode.Disabled)
        if over:
            made.addPixmap(_drawn(name, over, size), QIcon.Mode.Selected)
    return made


def finding_icon(finding: str) -> QIcon | None:
    """Return a finding's pictogram, or None for what has none: sound, can't tell, no data.

    What they show is told in `analysis.common.pictures`.
    """
    if not finding_picture(finding):
        return None
    return icon(f"finding-{finding.replace(' ', '-')}", in_rows=True)


# Qt's own buttons at the end of toolbars and in the titles of docks, by Qt's names for them.
_SMALL_BUTTONS = {
    "qt_toolbar_ext_button": QStyle.StandardPixmap.SP_ToolBarHorizontalExtensionButton,
    "qt_dockwidget_floatbutton": QStyle.StandardPixmap.SP_TitleBarNormalButton,
    "qt_dockwidget_closebutton": QStyle.StandardPixmap.SP_DockWidgetCloseButton,
}


def ink_small_buttons(parent: QWidget) -> None:
    """Draw the small buttons of toolbars and docks in the ink of light or dark.

    The style has them in black only, which nobody sees on a dark window.
    """
    ink = theme.color("ink")
    for name, which in _SMALL_BUTTONS.items():
        buttons = parent.findChildren(QAbstractButton, name)
        if not buttons:
            continue
        theirs, made = parent.style().standardIcon(which), QIcon()
        for size in theirs.availableSizes():
            drawn = theirs.pixmap(size)
            painter = QPainter(drawn)
            painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceIn)
            painter.fillRect(drawn.rect(), ink)
            painter.end()
            made.addPixmap(drawn)
        for button in buttons:
            button.setIcon(made)


def app_icon() -> QIcon:
    """Return the program's own icon, in its own colours."""
    made = QIcon()
    for size in (16, 24, 32, 48, 64, 128, 256):
        made.addPixmap(_drawn("vergeline", "#000000", size))
    return made
