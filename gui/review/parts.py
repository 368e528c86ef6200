"""Small parts of the review's page: a bar of what is done, and the buttons of decisions."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QPushButton, QSizePolicy, QWidget

from gui.look import theme
from gui.look.making import named

__all__ = ["ShareBar", "big_button"]


class ShareBar(QWidget):
    """A bar that fills. Qt's own paints at once whenever it is told, and the key would wait."""

    def __init__(self) -> None:
        super().__init__()
        self._share = 0.0
        self.setFixedSize(110, 10)

    def show_share(self, share: float) -> None:
        """Fill it to a share from 0 to 1."""
        self._share = share
        self.setAccessibleDescription(f"{round(100 * share)} %")
        self.update()

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setPen(theme.pen("line", 1.0))
        painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
        inside = self.rect().adjusted(1, 1, -1, -1)
        inside.setWidth(round(self._share * inside.width()))
        painter.fillRect(inside, theme.color("accent"))


def big_button(text: str, slot: Callable[[], object], tip: str) -> QPushButton:
    """Make a button of a decision; the keyboard reaches it by Tab only."""
    made = named(QPushButton(text), text, tip)
    made.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
    made.setMinimumHeight(32)
    # The keys do the same; a button that keeps the focus would take Space and Return for itself.
    made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    made.clicked.connect(lambda _checked=False: slot())
    return made
