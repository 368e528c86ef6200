"""Pictograms of what was found, beside the reaches on the map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QIcon, QPainter, QPen
from PySide6.QtWidgets import QWidget

from gui.look import theme
from gui.look.icons import finding_icon

if TYPE_CHECKING:
    from analysis.common.table import Table

__all__ = ["FindingMarks", "Mark", "marks_of"]

# Pixels: side of a pictogram and of its plate, and how far beside the reach it stands.
_PICTURE, _PLATE, _AWAY = 16.0, 20.0, 26.0
# A reach that shows shorter than this has no mark: its pictogram would be longer than itself.
_LEAST_PIXELS = 24.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding at the middle of its reach, and which way is outward (a unit vector)."""

    at: tuple[float, float]
    outward: tuple[float, float]
    length_m: float
    finding: str
    verdict: str


def marks_of(reaches: Table, lines: Sequence[NDArray[Any]]) -> tuple[Mark, ...]:
    """Return marks of the reaches that have a pictogram, the most urgent first.

    Parameters
    ----------
    reaches
        The reach table.
    lines : (m, 2) each
        The reaches on the map, up-station; NaN where a place isn't known.
    """
    made: list[tuple[float, Mark]] = []
    for row, line in enumerate(lines):
        known = line[np.isfinite(line).all(axis=1)]
        if len(known) < 2:
            continue
        lengths = np.hypot(*np.diff(known, axis=0).T)
        whole = float(lengths.sum())
        if whole <= 0.0:
            continue
        along = np.concatenate(([0.0], np.cumsum(lengths)))
        middle = [float(np.interp(0.5 * whole, along, known[:, k])) for k in (0, 1)]
        part = min(int(np.searchsorted(along, 0.5 * whole, side="right")) - 1, len(lengths) - 1)
        dx, dy = known[part + 1] - known[part]
        length = float(np.hypot(dx, dy)) or 1.0
        # Left of the way up-station is a quarter turn against the clock.
        turn = 1.0 if reaches["side"][row] == "left" else -1.0
        outward = (-turn * float(dy) / length, turn * float(dx) / length)
        finding, verdict = str(reaches["finding"][row]), str(reaches["verdict"][row])
        rank = float(reaches["rank"][row])
        mark = Mark((middle[0], middle[1]), outward, whole, finding, verdict)
        made.append((rank if np.isfinite(rank) else np.inf, mark))
    return tuple(mark for _, mark in sorted(made, key=lambda pair: pair[0]))


class FindingMarks(pg.GraphicsObject):
    """Draws marks beside their reaches, none over another: the more urgent keeps its place."""

    def __init__(self, z_value: float) -> None:
        super().__init__()
        self.setZValue(z_value)
        self._marks: tuple[Mark, ...] = ()
        self._bounds = QRectF()
        self.drawn: list[tuple[str, QRectF]] = []

    def set_marks(self, marks: Sequence[Mark]) -> None:
        """Show other marks; those without a pictogram are left out."""
        self.prepareGeometryChange()
        self._marks = tuple(mark for mark in marks if finding_icon(mark.finding) is not None)
        self._bounds = QRectF()
        if self._marks:
            at = np.array([mark.at for mark in self._marks])
            # What stands beside a line still shows where the line is at the rim of the view.
            (west, south), (east, north) = at.min(axis=0) - 500.0, at.max(axis=0) + 500.0
            self._bounds = QRectF(west, south, east - west, north - south)
        self.update()

    @property
    def findings(self) -> tuple[str, ...]:
        """What the marks stand for, the most urgent first."""
        return tuple(dict.fromkeys(mark.finding for mark in self._marks))

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, _option: Any, _widget: QWidget | None = None) -> None:
        view = self.getViewBox()
        self.drawn = []
        if view is None or not self._marks:
            return
        sight = view.viewRect()
        pixel = sight.width() / max(view.width(), 1.0)
        spare = 2.0 * _AWAY * pixel
        near = sight.adjusted(-spare, -spare, spare, spare)
        world = painter.worldTransform()
        painter.save()
        painter.resetTransform()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        pictures: dict[str, QIcon | None] = {}
        for mark in self._marks:
            if mark.length_m < _LEAST_PIXELS * pixel or not near.contains(QPointF(*mark.at)):
                continue
            # Up on the map is down in pixels.
            beside = QPointF(_AWAY * mark.outward[0], -_AWAY * mark.outward[1])
            plate = QRectF(0.0, 0.0, _PLATE, _PLATE)
            plate.moveCenter(world.map(QPointF(*mark.at)) + beside)
            if any(plate.intersects(other) for _, other in self.drawn):
                continue
            self.drawn.append((mark.finding, plate))
            if mark.finding not in pictures:
                pictures[mark.finding] = finding_icon(mark.finding)
            self._draw(painter, plate, mark, pictures[mark.finding])
        painter.restore()

    @staticmethod
    def _draw(painter: QPainter, plate: QRectF, mark: Mark, picture: QIcon | None) -> None:
        painter.setPen(QPen(theme.verdict_look(mark.verdict).color, 1.6))
        painter.setBrush(theme.color("raised", 0.95))
        painter.drawRoundedRect(plate, 4.0, 4.0)
        if picture is not None:
            inside = QRectF(0.0, 0.0, _PICTURE, _PICTURE)
            inside.moveCenter(plate.center())
            picture.paint(painter, inside.toRect())
