"""Colours, symbols and lines, in one place, for light and dark.

Data colours are those of Okabe and Ito (2008, "Color Universal Design", https://jfly.uni-koeln.de/color/),
which people with any common colour blindness can tell apart. Colour is never the only sign: each
verdict also has a symbol and a line pattern, left and right differ in dash, cut and fill in hatch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QPalette, QPen
from PySide6.QtWidgets import QApplication, QToolTip

from analysis.common.verdicts import Verdict
from gui.look.turns import turns

__all__ = [
    "Look",
    "apply",
    "color",
    "is_dark",
    "palette",
    "pen",
    "relief_rgba",
    "set_appearance",
    "side_pen",
    "verdict_look",
    "watcher",
]

# Okabe and Ito's eight.
BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"

# What each colour is in light, and in dark.
_COLOURS = {
    "ink": ("#1B2420", "#E4EAE5"),
    "muted": ("#5A6660", "#9FACA4"),
    "faint": ("#D5DBD6", "#38413C"),
    "line": ("#C3CBC5", "#465049"),
    "paper": ("#FFFFFF", "#181D1A"),
    "plate": ("#F3F5F2", "#222824"),
    "raised": ("#FBFCFA", "#2A312D"),
    "accent": ("#2B6A5B", "#6DBFA8"),
    "accent_ink": ("#FFFFFF", "#0E1512"),
    "left": (BLUE, SKY),
    "right": ("#B86E00", ORANGE),
    "required": ("#1B2420", "#E4EAE5"),
    "pavement": ("#5A6660", "#B4BFB8"),
    # Not a verdict's: the fit is drawn alike whether it sheds or not.
    "shoulder": ("#1B2420", "#F4F7F4"),
    "ground": ("#6B5B45", "#BBA988"),
    "cells": ("#8A7A63", "#A39477"),
    "target": (PURPLE, "#E3A3C6"),
    "water": ("#3D9BD6", SKY),
    # Neither is the colour of a side: both stand in one plot with the sides told by dashes.
    "cut": ("#8C2D62", "#E08BBB"),
    "fill": ("#55780A", "#A9C94A"),
    "warn": ("#A33B00", "#F2A366"),
    "selected": ("#101512", "#FFFFFF"),
    "halo": ("#FFFFFF", "#101512"),
    "road": ("#1B2420", "#101512"),
    "edge": ("#FFFFFF", "#FFFFFF"),
    "hinge": (YELLOW, YELLOW),
    "ditch": (SKY, SKY),
    "pond": ("#3D9BD6", SKY),
}

# Which parts of the style take which colour.
_ROLES = {
    "plate": "Window AlternateBase",
    "ink": "WindowText Text ButtonText ToolTipText Shadow",
    "paper": "Base",
    "raised": "Button ToolTipBase Light",
    "warn": "BrightText",
    "muted": "PlaceholderText Dark",
    "accent": "Highlight Link LinkVisited Accent",
    "accent_ink": "HighlightedText",
    "faint": "Midlight",
    "line": "Mid",
}


@dataclass(frozen=True, slots=True)
class Look:
    """How a verdict is drawn: colour, pyqtgraph symbol, line pattern, and a mark for text."""

    color: QColor
    symbol: str
    pattern: Qt.PenStyle
    mark: str


class _Watcher(QObject):
    """Tells views that light and dark changed."""

    changed = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.dark = False
        hints = QGuiApplication.styleHints()
        if hints is not None:
            hints.colorSchemeChanged.connect(self._on_scheme)

    def _on_scheme(self, _scheme: Qt.ColorScheme) -> None:
        app = QApplication.instance()
        if isinstance(app, QApplication):
            apply(app)


_the_watcher: _Watcher | None = None


def watcher() -> _Watcher:
    """Return the one object whose `changed` signal tells that light and dark changed."""
    global _the_watcher
    if _the_watcher is None:
        _the_watcher = _Watcher()
    return _the_watcher


def is_dark() -> bool:
    """Whether the dark colours are in use."""
    return watcher().dark


def palette(dark: bool | None = None) -> dict[str, QColor]:
    """Return the named colours in use, or those of one mode (sheets on paper are always light)."""
    chosen = is_dark() if dark is None else dark
    return {name: QColor(values[chosen]) for name, values in _COLOURS.items()}


def color(name: str, alpha: float = 1.0) -> QColor:
    """Return one named colour, optionally see-through."""
    found = QColor(_COLOURS[name][is_dark()])
    found.setAlphaF(alpha)
    return found


def pen(
    name: str, width: float = 1.5, pattern: Qt.PenStyle = Qt.PenStyle.SolidLine, alpha: float = 1.0
) -> QPen:
    """Return a cosmetic pen (its width is in pixels at every zoom) in a named colour."""
    made = QPen(color(name, alpha))
    made.setWidthF(width)
    made.setStyle(pattern)
    made.setCosmetic(True)
    return made


def side_pen(side: int, width: float = 1.8) -> QPen:
    """Return the pen of the left (solid) or right (dashed) side."""
    if side == 0:
        return pen("left", width)
    return pen("right", width, Qt.PenStyle.DashLine)


def verdict_look(verdict: str, dark: bool | None = None) -> Look:
    """Return how a verdict is drawn; anything not known looks like "no data"."""
    dark = is_dark() if dark is None else dark
    looks: dict[str, Look] = {
        Verdict.SHEDS: Look(QColor("#2BC59A" if dark else GREEN), "o", Qt.PenStyle.SolidLine, "●"),
        Verdict.WONT_SHED: Look(
            QColor("#F07A30" if dark else VERMILION), "t", Qt.PenStyle.SolidLine, "▼"
        ),
        Verdict.CANT_TELL: Look(
            QColor("#E39CC4" if dark else "#B4558A"), "d", Qt.PenStyle.DashLine, "◆"
        ),
    }
    unknown = Look(QColor("#8E9892" if dark else "#7A837E"), "x", Qt.PenStyle.DotLine, "✕")
    return looks.get(verdict, unknown)


def set_appearance(which: str) -> None:
    """Use "light" or "dark" colours, or follow the "system"."""
    schemes = {"light": Qt.ColorScheme.Light, "dark": Qt.ColorScheme.Dark}
    hints = QGuiApplication.styleHints()
    if hasattr(hints, "setColorScheme"):
        hints.setColorScheme(schemes.get(which, Qt.ColorScheme.Unknown))
    app = QApplication.instance()
    if isinstance(app, QApplication):
        apply(app, dark={"light": False, "dark": True}.get(which))


def apply(app: QApplication, dark: bool | None = None) -> None:
    """Give the application our palette, for light or dark as the system has it."""
    if dark is None:
        dark = QGuiApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark
    told = watcher()
    before, told.dark = told.dark, dark
    named = palette()
    roles = QPalette.ColorRole
    made = QPalette()
    for name, parts in _ROLES.items():
        for part in parts.split():
            made.setColor(roles[part], named[name])
    for role in (roles.WindowText, roles.Text, roles.ButtonText):
        grey = QColor(named["muted"])
        grey.setAlphaF(0.6)
        made.setColor(QPalette.ColorGroup.Disabled, role, grey)
    made.setColor(QPalette.ColorGroup.Disabled, roles.Highlight, named["faint"])
    app.setPalette(made)
    QToolTip.setPalette(made)
    # The style outlines fields darker than the window, which can't be seen on a dark one: there
    # they are filled lighter instead.
    for kind, fill in (
        ("QLineEdit", "faint"),
        ("QAbstractSpinBox", "faint"),
        ("QCheckBox", "line"),
        ("QRadioButton", "line"),
    ):
        field = QPalette(made)
        field.setColor(roles.Base, named[fill if dark else "paper"])
        # Each goes through all widgets there are: with a window on the screen in turns of its own.
        if dark != before and app.topLevelWidgets():
            turns().ask(told, partial(_set_fields, app, kind, field), (told, kind))
        else:
            _set_fields(app, kind, field)
    # The system tells once more what it was just told, and views take long to draw anew.
    if dark != before:
        told.changed.emit()


def _set_fields(app: QApplication, kind: str, field: QPalette) -> None:
    # The system tells once more what it was just told, and every field hears of a palette.
    # The binding takes a str; its stubs say bytes.
    if QApplication.palette(kind) != field:  # type: ignore[call-overload]
        app.setPalette(field, kind)  # type: ignore[arg-type]


# Height above the pavement plane: below in blues, level is clear, above in oranges. The two arms
# differ in lightness as well, so that they also part in grey.
_RELIEF_AT = np.linspace(-1.0, 1.0, 7)
_RELIEF = np.array(
    [
        [8, 64, 122, 235],
        [42, 121, 184, 225],
        [132, 188, 222, 205],
        [246, 246, 240, 150],
        [250, 190, 120, 215],
        [222, 110, 24, 230],
        [140, 52, 4, 240],
    ],
    dtype=float,
)


# The colours of so many heights from -4 to 4 times the limit; beyond they are those at the ends.
_RELIEF_ENDS, _RELIEF_STEPS = 4.0, 4096


@cache
def _relief_table() -> NDArray[np.uint8]:
    share = np.linspace(-_RELIEF_ENDS, _RELIEF_ENDS, _RELIEF_STEPS + 1)
    table = np.empty((len(share) + 1, 4), dtype=np.uint8)
    for band in range(4):
        table[:-1, band] = np.interp(share, _RELIEF_AT, _RELIEF[:, band])
    # Ditches and banks are far off the scale; they step back, so that the shoulder stands out.
    table[:-1, 3] = table[:-1, 3] * np.interp(np.abs(share), [1.5, _RELIEF_ENDS], [1.0, 0.3])
    table[-1] = 0
    table.setflags(write=False)
    return table


def relief_rgba(height_cm: NDArray[Any], limit_cm: float) -> NDArray[np.uint8]:
    """Colour heights above the pavement plane; (..., 4) bytes, see-through where unknown."""
    table = _relief_table()
    per_limit = _RELIEF_STEPS / (2.0 * _RELIEF_ENDS)
    place = np.array(height_cm, dtype=np.float32)
    unknown = ~np.isfinite(place)
    place *= per_limit / limit_cm
    # Rounded, as what follows cuts off.
    place += _RELIEF_STEPS / 2.0 + 0.5
    np.clip(place, 0.0, _RELIEF_STEPS, out=place)
    place[unknown] = _RELIEF_STEPS + 1
    # Four bytes at once.
    whole = table.view(np.uint32)[:, 0][place.astype(np.int32)]
    return np.asarray(whole)[..., None].view(np.uint8)
