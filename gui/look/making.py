"""Making widgets and layouts: what Qt wants said call by call, said at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from PySide6.QtCore import QObject, Qt
from PySide6.QtWidgets import (
    QBoxLayout,
    QHBoxLayout,
    QLayout,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from gui.look.turns import Later

__all__ = [
    "SELECTABLE",
    "abreast",
    "later",
    "named",
    "paint_again",
    "stacked",
    "tool_button",
    "yielding",
]

# Text that mouse and keyboard can select, to copy it.
SELECTABLE = (
    Qt.TextInteractionFlag.TextSelectableByMouse | Qt.TextInteractionFlag.TextSelectableByKeyboard
)

W = TypeVar("W", bound=QWidget)
# A widget or layout, alone or with its stretch; None takes the room that is left.
Part = QWidget | QLayout | tuple[QWidget | QLayout, int] | None
Margins = tuple[int, int, int, int]


def named(widget: W, name: str, tip: str = "") -> W:
    """Give a widget the name that a screen reader says, and a tip."""
    widget.setAccessibleName(name)
    widget.setToolTip(tip)
    return widget


def yielding(widget: W, *, high: bool = True) -> W:
    """Let a widget be narrower than what it says; its height is fixed unless `high` is False."""
    down = QSizePolicy.Policy.Fixed if high else QSizePolicy.Policy.Preferred
    widget.setSizePolicy(QSizePolicy.Policy.Ignored, down)
    return widget


def tool_button(
    text: str, slot: Callable[[], object], *, name: str = "", tip: str = ""
) -> QToolButton:
    """Make a button with a text, which is also its name unless another is given."""
    made = named(QToolButton(), name or text, tip)
    made.setText(text)
    made.clicked.connect(lambda _checked=False: slot())
    return made


def stacked(
    inside: QWidget | None, *parts: Part, margins: Margins | None = (0, 0, 0, 0), spacing: int = 0
) -> QVBoxLayout:
    """Lay parts out below each other, in a widget if one is given.

    The style decides where `margins` is None, and where `spacing` is -1.
    """
    return _filled(QVBoxLayout(), inside, parts, margins, spacing)


def abreast(
    inside: QWidget | None, *parts: Part, margins: Margins | None = (0, 0, 0, 0), spacing: int = -1
) -> QHBoxLayout:
    """Lay parts out beside each other, as `stacked` does below each other."""
    return _filled(QHBoxLayout(), inside, parts, margins, spacing)


L = TypeVar("L", bound=QBoxLayout)


def _filled(
    layout: L,
    inside: QWidget | None,
    parts: tuple[Part, ...],
    margins: Margins | None,
    spacing: int,
) -> L:
    if margins is not None:
        layout.setContentsMargins(*margins)
    layout.setSpacing(spacing)
    for part in parts:
        what, stretch = part if isinstance(part, tuple) else (part, 0)
        if isinstance(what, QWidget):
            layout.addWidget(what, stretch)
        elif what is not None:
            layout.addLayout(what, stretch)
        else:
            layout.addStretch(1)
    if inside is not None:
        inside.setLayout(layout)
    return layout


def paint_again(widget: QWidget) -> None:
    """Paint a widget anew whose updates were disabled.

    Enabled alone it may stay as it is for good: Qt has asked for what was waiting to be painted
    then, got nothing, and doesn't ask again.
    """
    widget.setUpdatesEnabled(True)
    widget.repaint()


def later(owner: QObject, slot: Callable[[], Any], ms: int = 0) -> Later:
    """Make a timer that calls once, in a turn of its own, `ms` after it was started last."""
    return Later(owner, slot, ms)
