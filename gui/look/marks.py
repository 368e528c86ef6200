"""Marks of what a reviewer decided: shapes that colour isn't needed to tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import ArrayLike
from PySide6.QtGui import QBrush, QPainterPath, QPen

from analysis.findings.reviews import Decision
from gui.look import theme

__all__ = ["change_scatter", "check_scatter", "review_scatter"]


def _shape(*strokes: tuple[tuple[float, float], ...]) -> QPainterPath:
    path = QPainterPath()
    for first, *rest in strokes:
        path.moveTo(*first)
        for point in rest:
            path.lineTo(*point)
    return path


# In a square from -0.5 to 0.5, y down, as pyqtgraph draws symbols.
_SHAPES = {
    Decision.AGREED: _shape(((-0.45, 0.05), (-0.12, 0.38), (0.45, -0.38))),
    Decision.REJECTED: _shape(((-0.4, -0.4), (0.4, 0.4)), ((0.4, -0.4), (-0.4, 0.4))),
    Decision.TO_CHECK: _shape(
        ((-0.28, -0.25), (-0.12, -0.45), (0.15, -0.45), (0.28, -0.25), (0.0, 0.0), (0.0, 0.18)),
        ((0.0, 0.36), (0.0, 0.46)),
    ),
}


def review_scatter(places: ArrayLike, states: Sequence[str], size: float = 13.0) -> dict[str, Any]:
    """Data for a scatter: each mark on a plate of its own, so that it reads on any ground."""
    count = len(states)
    points = np.repeat(np.asarray(places, dtype=float).reshape(-1, 2), 2, axis=0)
    rim, stroke, plate, clear = _tools(theme.is_dark())
    return {
        "x": points[:, 0],
        "y": points[:, 1],
        "symbol": [part for state in states for part in ("o", _SHAPES[Decision(state)])],
        "size": [size + 7.0, size] * count,
        "pen": [rim, stroke] * count,
        "brush": [plate, clear] * count,
    }


def change_scatter(places: ArrayLike, sure: Sequence[bool]) -> dict[str, Any]:
    """Data for a scatter of what changed between two surveys: filled where that is sure."""
    points = np.asarray(places, dtype=float).reshape(-1, 2)
    rim, _stroke, plate, _clear = _tools(theme.is_dark())
    full = _change_brush(theme.is_dark())
    return {
        "x": points[:, 0],
        "y": points[:, 1],
        "symbol": "star",
        "size": 17.0,
        "pen": rim,
        "brush": [full if is_sure else plate for is_sure in sure],
    }


def check_scatter(places: ArrayLike) -> dict[str, Any]:
    """Data for a scatter of places to check: a frame around the station, whose mark stays seen."""
    points = np.asarray(places, dtype=float).reshape(-1, 2)
    return {
        "x": np.repeat(points[:, 0], 2),
        "y": np.repeat(points[:, 1], 2),
        "symbol": "s",
        "size": 18.0,
        "pen": [theme.pen("halo", 4.0, alpha=0.8), theme.pen("ink", 1.6)] * len(points),
        "brush": _tools(theme.is_dark())[3],
    }


@lru_cache(maxsize=2)
def _change_brush(_dark: bool) -> QBrush:
    return QBrush(theme.color("accent"))


@lru_cache(maxsize=2)
def _tools(_dark: bool) -> tuple[QPen, QPen, QBrush, QBrush]:
    """Pens and brushes, always the same ones: the plot draws a mark anew for each that it meets."""
    plate = pg.mkBrush(theme.color("raised", 0.9))
    return theme.pen("ink", 1.0), theme.pen("ink", 2.0), plate, pg.mkBrush(None)
