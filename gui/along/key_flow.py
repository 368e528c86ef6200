"""The key under the plots: swatches with words, in as many rows as they need."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from gui.drawing.figure import RIGHT_OF, text_at
from gui.look import theme
from gui.look.icons import finding_icon

__all__ = ["KeyEntry", "KeyFlow", "line_entry", "mark_entry", "picture_entry", "words_entry"]

_SWATCH, _BETWEEN, _GAP = 22.0, 5.0, 14.0


@dataclass(frozen=True, slots=True)
class KeyEntry:
    """A swatch `wide` pixels across, drawn into a box when it is shown, and what it means."""

    words: str
    wide: float
    draw: Callable[[QPainter, QRectF], None]


def line_entry(words: str, pen: QPen) -> KeyEntry:
    """Return the entry of a line."""

    def draw(painter: QPainter, box: QRectF) -> None:
        painter.setPen(pen)
        painter.drawLine(
            QPointF(box.left(), box.center().y()), QPointF(box.right(), box.center().y())
        )

    return KeyEntry(words, _SWATCH, draw)


def mark_entry(words: str, mark: str, colour: QColor) -> KeyEntry:
    """Return the entry of a sign that is a letter of the font, in its colour."""

    def draw(painter: QPainter, box: QRectF) -> None:
        text_at(painter, box.center(), mark, colour)

    return KeyEntry(words, 12.0, draw)


def picture_entry(words: str, finding: str) -> KeyEntry:
    """Return the entry of a finding's pictogram."""

    def draw(painter: QPainter, box: QRectF) -> None:
        picture = finding_icon(finding)
        if picture is not None:
            place = QRectF(0.0, 0.0, 16.0, 16.0)
            place.moveCenter(box.center())
            picture.paint(painter, place.toRect())

    return KeyEntry(words, 16.0, draw)


def words_entry(words: str) -> KeyEntry:
    """Return an entry that has no swatch."""
    return KeyEntry(words, 0.0, lambda _painter, _box: None)


class KeyFlow(QWidget):
    """Entries one after the other; none is ever parted from its swatch, or cut off."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.entries: tuple[KeyEntry, ...] = ()
        self.left = 0.0
        policy = QSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    def set_entries(self, entries: Sequence[KeyEntry]) -> None:
        """Show other entries."""
        self.entries = tuple(entries)
        self.setAccessibleDescription(", ".join(entry.words for entry in entries))
        self._fit()
        self.update()

    def places(self, width: float) -> list[QRectF]:
        """Return the box of each entry, swatch and words, in a width."""
        metrics = self.fontMetrics()
        row = float(metrics.height() + 3)
        x, y, found = self.left, 1.0, []
        for entry in self.entries:
            needed = entry.wide + (_BETWEEN if entry.wide else 0.0)
            needed += metrics.horizontalAdvance(entry.words)
            if x + needed > width - 4.0 and x > self.left:
                x, y = self.left, y + row
            found.append(QRectF(x, y, needed, row))
            x += needed + _GAP
        return found

    def heightForWidth(self, width: int) -> int:
        places = self.places(float(width))
        return round(places[-1].bottom()) + 2 if places else 0

    def sizeHint(self) -> QSize:
        return QSize(320, self.heightForWidth(max(self.width(), 320)))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self.setFixedHeight(max(self.heightForWidth(self.width()), 1))

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        ink = theme.color("muted")
        for entry, place in zip(self.entries, self.places(float(self.width())), strict=True):
            swatch = QRectF(place.left(), place.top(), entry.wide, place.height())
            painter.save()
            entry.draw(painter, swatch)
            painter.restore()
            at = QPointF(swatch.right() + (_BETWEEN if entry.wide else 0.0), place.center().y())
            painter.setPen(Qt.PenStyle.NoPen)
            text_at(painter, at, entry.words, ink, RIGHT_OF)
