"""Things drawn on the map: tiles, many lines at once, and the furniture on top."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QFontMetricsF,
    QLinearGradient,
    QPainter,
    QPen,
    QPolygonF,
)
from PySide6.QtWidgets import QWidget

from analysis.common.units import METRES_PER_FOOT, METRES_PER_INCH
from gui.look import theme
from gui.look.icons import finding_icon
from gui.look.making import later
from gui.look.units import value_text
from gui.look.words import finding_text, verdict_text
from gui.map.layers import VERDICTS, Piece, pieces_of
from gui.map.tiles import TileKey, TileStore, parent_of

__all__ = ["ChangeKey", "Furniture", "LinesItem", "TileItem", "draw_symbol"]
__all__ += ["nice_length", "pond_brush"]

WANT_AFTER_MS = 25
# Where the key's ramp of heights is told its colour; between them Qt blends.
_SHARES = np.linspace(0.0, 1.0, 7)


class TileItem(pg.GraphicsObject):
    """Draws the tiles under the view, and asks for those that aren't there yet."""

    def __init__(self, z_value: float) -> None:
        super().__init__()
        self.setZValue(z_value)
        self.store: TileStore | None = None
        self._origin = (0.0, 0.0)
        self._bounds = QRectF()
        self._want: list[TileKey] = []
        self._level, self._ratio = 0, 1.0
        self._ahead: list[QRectF] = []
        self._timer = later(self, self._ask, WANT_AFTER_MS)

    def set_store(self, store: TileStore | None, origin: tuple[float, float]) -> None:
        """Draw tiles of another store; `origin` is subtracted from its coordinates."""
        self.prepareGeometryChange()
        if self.store is not None:
            self.store.drop_requests()
            self.store.arrived.disconnect(self._on_arrived)
        self.store, self._origin = store, origin
        self._ahead = []
        self._bounds = QRectF()
        if store is not None:
            west, south, east, north = store.plan.bounds
            self._bounds = QRectF(west - origin[0], south - origin[1], east - west, north - south)
            store.arrived.connect(self._on_arrived)
        self.update()

    def settled(self) -> bool:
        """Whether all that the view needs is there as it should look now."""
        if self.store is None:
            return True
        return not self._timer.isActive() and all(self.store.has(key) for key in self._want)

    def _on_arrived(self) -> None:
        self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def look_ahead(self, views: Sequence[QRectF]) -> None:
        """Load also what is likely to be in view next, at the present scale, after all else."""
        self._ahead = list(views)
        self._level = self._level_now()
        self._timer.start()

    def _level_now(self) -> int:
        store, view = self.store, self.getViewBox()
        if store is None or view is None:
            return 0
        width = max(view.width(), 1.0)
        return store.plan.level_for(view.viewRect().width() / (width * self._ratio))

    def _ask(self) -> None:
        if self.store is None:
            return
        keys = dict.fromkeys(self._want)
        for view in self._ahead:
            there = view.translated(*self._origin)
            keys |= dict.fromkeys(self.store.plan.visible(there, self._level))
        self.store.want(list(keys))

    def paint(self, painter: QPainter, _option: Any, widget: QWidget | None = None) -> None:
        store, view = self.store, self.getViewBox()
        if store is None or view is None:
            return
        rect = view.viewRect()
        ratio = self._ratio = widget.devicePixelRatioF() if widget is not None else 1.0
        level = self._level_now()
        if level != self._level:
            self._level, self._ahead = level, []
        there = rect.translated(*self._origin)
        keys = list(store.plan.visible(there, level))
        painter.save()
        world = painter.worldTransform()
        painter.resetTransform()
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, True)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        backed: set[TileKey] = set()
        ready = []
        for key in keys:
            tile = store.tile(key)
            if tile is not None:
                ready.append(tile)
                continue
            # Until it comes, a coarser picture of the same ground stands in.
            behind = key
            while behind.level < store.plan.top:
                behind = parent_of(behind)
                if behind in backed:
                    break
                coarse = store.tile(behind)
                if coarse is not None:
                    backed.add(behind)
                    self._draw(painter, world, coarse, ratio)
                    break
        for tile in ready:
            self._draw(painter, world, tile, ratio)
        painter.restore()
        top = TileKey(store.plan.top, 0, 0)
        self._want = [top, *keys] if store.tile(top) is None else keys
        # Not begun anew by every move, or nothing would come until the hand rests.
        if not self._timer.isActive():
            self._timer.start()

    def _draw(self, painter: QPainter, world: Any, tile: Any, ratio: float) -> None:
        west, south, east, north = tile.bounds
        x, y = self._origin
        a = world.map(QPointF(west - x, north - y))
        b = world.map(QPointF(east - x, south - y))
        # Whole device pixels on both sides of a seam, so that no hairline shows between tiles.
        left, top, right, low = (
            round(value * ratio) / ratio for value in (a.x(), a.y(), b.x(), b.y())
        )
        painter.drawImage(QRectF(left, top, right - left, low - top), tile.image, tile.part)


class LinesItem(pg.GraphicsObject):
    """Many long lines in one pen each, drawn piece by piece where the view is."""

    def __init__(self, z_value: float) -> None:
        super().__init__()
        self.setZValue(z_value)
        self._pieces: list[Piece] = []
        self._pens: list[list[QPen]] = []
        self._brush: QBrush | None = None
        self._bounds = QRectF()
        self.coarsest_m = float("inf")

    def set_lines(self, lines: Sequence[tuple[NDArray[Any], int]]) -> None:
        """Draw a few (m, 2) lines; the number beside each says which pens it takes."""
        self.set_pieces(pieces_of(lines))

    def set_pieces(self, pieces: Sequence[Piece]) -> None:
        """Draw lines that a worker has cut into pieces."""
        self.prepareGeometryChange()
        self._pieces = list(pieces)
        whole = QRectF()
        for bounds, _, _ in self._pieces:
            whole = whole.united(bounds)
        self._bounds = whole
        self.update()

    def set_pens(self, pens: list[list[QPen]], brush: QBrush | None = None) -> None:
        """Give each group its pens, drawn one over the other."""
        self._pens, self._brush = pens, brush
        self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, _option: Any, _widget: QWidget | None = None) -> None:
        view = self.getViewBox()
        if view is None or not self._pieces:
            return
        rect = view.viewRect()
        if rect.width() / max(view.width(), 1.0) > self.coarsest_m:
            return
        shown = [(path, group) for box, path, group in self._pieces if box.intersects(rect)]
        if self._brush is not None:
            painter.setBrush(self._brush)
        for layer in range(max((len(pens) for pens in self._pens), default=0)):
            for path, group in shown:
                pens = self._pens[group]
                if layer < len(pens):
                    painter.setPen(pens[layer])
                    painter.drawPath(path)


def nice_length(most: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above `most`."""
    power = 10.0 ** np.floor(np.log10(max(most, 1e-9)))
    for step in (5.0, 2.0, 1.0):
        if step * power <= most * (1.0 + 1e-9):
            return float(step * power)
    return float(power)


@dataclass(frozen=True, slots=True)
class ChangeKey:
    """What the colours of a change between two surveys mean."""

    other: str
    limit_cm: float
    noise_mm: float


class Furniture(QWidget):
    """Scale bar, north arrow and key, drawn over the map and deaf to the mouse.

    The plotting library's own legend and scale bar can't do this: the key must fold and move off
    the road and shows lines over their casing, the bar keeps to 1, 2 or 5 in metres or feet.
    """

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setAttribute(Qt.WidgetAttribute.WA_NoSystemBackground)
        self.pixel_m = 1.0
        self.units = "metric"
        self.relief_cm = 0.0
        self.change: ChangeKey | None = None
        self.show_key = True
        self.has_stations = False
        self.has_ponds = self.has_changes = self.has_reviews = self.has_checks = False
        self.findings: tuple[str, ...] = ()
        self.hint = ""
        self.key_place = QRectF()
        self._second_column = 0.0

    def _small_font(self) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(max(7.5, font.pointSizeF() - 1.0))
        return font

    def paintEvent(self, _event: Any) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(self._small_font())
        try:
            self._scale_bar(painter)
            self._north(painter)
            if self.show_key and self.has_stations and not self.key_place.isEmpty():
                self._key(painter)
            if self.relief_cm > 0.0 or self.change is not None:
                self._relief_key(painter)
            if self.hint:
                self._hint(painter)
        finally:
            painter.end()

    def _plate(self, painter: QPainter, rect: QRectF) -> None:
        painter.setPen(QPen(theme.color("line"), 1.0))
        painter.setBrush(theme.color("raised", 0.9))
        painter.drawRoundedRect(rect, 4.0, 4.0)

    def _scale_bar(self, painter: QPainter) -> None:
        unit_m, unit = (METRES_PER_FOOT, "ft") if self.units == "us" else (1.0, "m")
        length = nice_length(150.0 * self.pixel_m / unit_m)
        text = f"{length:g} {unit}"
        if unit == "m" and length >= 1000.0:
            text = f"{length / 1000.0:g} km"
        pixels = length * unit_m / self.pixel_m
        metrics = QFontMetricsF(painter.font())
        width = max(pixels, metrics.horizontalAdvance(text)) + 20.0
        plate = QRectF(10.0, self.height() - 46.0, width, 36.0)
        self._plate(painter, plate)
        left, base = plate.left() + 10.0, plate.bottom() - 9.0
        ink = theme.color("ink")
        painter.setPen(ink)
        painter.drawText(QPointF(left, base - 9.0), text)
        painter.setPen(Qt.PenStyle.NoPen)
        for part in range(4):
            painter.setBrush(ink if part % 2 == 0 else theme.color("paper"))
            painter.drawRect(QRectF(left + part * pixels / 4.0, base - 4.0, pixels / 4.0, 5.0))
        painter.setPen(QPen(ink, 1.0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(left, base - 4.0, pixels, 5.0))

    def _north(self, painter: QPainter) -> None:
        # The map is always north up; the arrow says so.
        x, y = self.width() - 26.0, 14.0
        self._plate(painter, QRectF(x - 12.0, y - 6.0, 24.0, 42.0))
        painter.setPen(theme.color("ink"))
        painter.drawText(
            QRectF(x - 12.0, y + 18.0, 24.0, 16.0), Qt.AlignmentFlag.AlignCenter, self.tr("N")
        )
        painter.setPen(Qt.PenStyle.NoPen)
        for name, dx in (("ink", 5.0), ("muted", -5.0)):
            half = [QPointF(x, y), QPointF(x + dx, y + 17.0), QPointF(x, y + 13.0)]
            painter.setBrush(theme.color(name))
            painter.drawPolygon(QPolygonF(half))

    def _key_lines(self) -> list[tuple[str, str, Qt.PenStyle]]:
        return [
            (self.tr("Pavement edge"), "edge", Qt.PenStyle.SolidLine),
            (self.tr("Hinge"), "hinge", Qt.PenStyle.DashLine),
            (self.tr("Ditch invert"), "ditch", Qt.PenStyle.DotLine),
        ]

    def key_size(self) -> QSizeF:
        """Return how large the key is."""
        metrics = QFontMetricsF(self._small_font())
        texts = [verdict_text(name) for name in VERDICTS]
        texts += [text for text, _, _ in self._key_lines()]
        if self.has_ponds:
            texts.append(self.tr("Standing water"))
        texts += self._words_only()
        width = max(metrics.horizontalAdvance(text) for text in texts) + 50.0
        self._second_column = width
        rows = max(len(texts), len(self.findings))
        if self.findings:
            wide = max(metrics.horizontalAdvance(finding_text(name)) for name in self.findings)
            width += wide + 42.0
        return QSizeF(width, (metrics.height() + 3.0) * rows + 12.0)

    def corners(self, size: QSizeF) -> list[QRectF]:
        """Return four places for something: clear of scale bar, arrow and colour key.

        Top left, top right, bottom left, bottom right; empty where it doesn't fit.
        """
        w, h = size.width(), size.height()
        right, foot = self.width() - 10.0 - w, self.height() - 10.0 - h
        above_relief = 78.0 if self.change else 60.0 if self.relief_cm > 0.0 else 0.0
        places = [
            QRectF(10.0, 10.0, w, h),
            QRectF(right - 36.0, 10.0, w, h),
            QRectF(10.0, foot - 44.0, w, h),
            QRectF(right, foot - above_relief, w, h),
        ]
        mine = QRectF(self.rect())
        return [place if mine.contains(place) else QRectF() for place in places]

    def _key(self, painter: QPainter) -> None:
        metrics = QFontMetricsF(painter.font())
        step = metrics.height() + 3.0
        plate = self.key_place
        self._plate(painter, plate)
        y = plate.top() + 6.0
        for text, name in [(verdict_text(name), name) for name in VERDICTS]:
            look = theme.verdict_look(name)
            middle = QPointF(plate.left() + 20.0, y + step / 2.0)
            draw_symbol(painter, middle, look.symbol, look.color, 9.0)
            self._row_text(painter, plate, y, step, text)
            y += step
        for text, name, pattern in self._key_lines():
            here = QPointF(plate.left() + 8.0, y + step / 2.0)
            there = QPointF(plate.left() + 32.0, y + step / 2.0)
            painter.setPen(theme.pen("road", 4.0, alpha=0.55))
            painter.drawLine(here, there)
            painter.setPen(theme.pen(name, 2.0, pattern))
            painter.drawLine(here, there)
            self._row_text(painter, plate, y, step, text)
            y += step
        if self.has_ponds:
            box = QRectF(plate.left() + 10.0, y + 3.0, 20.0, step - 6.0)
            painter.setPen(theme.pen("pond", 1.4))
            painter.setBrush(pond_brush())
            painter.drawRect(box)
            self._row_text(painter, plate, y, step, self.tr("Standing water"))
            y += step
        for text in self._words_only():
            self._row_text(painter, plate, y, step, text)
            y += step
        self._key_findings(painter, plate, step)

    def _words_only(self) -> list[str]:
        """Rows of the key whose marks are characters."""
        rows = []
        if self.has_reviews:
            rows.append(self.tr("✓ agreed, ✗ rejected, ? to check"))
        if self.has_checks:
            rows.append(self.tr("□ where to check"))
        if self.has_changes:
            rows.append(self.tr("★ changed since, ☆ perhaps"))
        return rows

    def _key_findings(self, painter: QPainter, plate: QRectF, step: float) -> None:
        """Say what the pictograms beside the reaches stand for, in a column of its own."""
        beside = plate.adjusted(self._second_column, 0.0, 0.0, 0.0)
        y = plate.top() + 6.0
        for name in self.findings:
            picture = finding_icon(name)
            if picture is not None:
                place = QRectF(beside.left() + 10.0, y + 0.5 * step - 8.0, 16.0, 16.0)
                picture.paint(painter, place.toRect())
            self._row_text(
                painter, beside.adjusted(-8.0, 0.0, 0.0, 0.0), y, step, finding_text(name)
            )
            y += step

    def _row_text(self, painter: QPainter, plate: QRectF, y: float, step: float, text: str) -> None:
        painter.setPen(theme.color("ink"))
        box = QRectF(plate.left() + 40.0, y, plate.width() - 44.0, step)
        painter.drawText(box, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, text)

    def _scale_words(self) -> tuple[str, str, str, str]:
        """Title of the colour key, its greatest value, the unit, and a line below."""
        inches = self.units == "us"
        if self.change is None:
            shown = self.relief_cm * (0.01 / METRES_PER_INCH if inches else 1.0)
            title = self.tr("Above the pavement plane")
            return title, f"{shown:.3g}", "in" if inches else "cm", ""
        change, noise = self.change, ""
        title = self.tr("Higher (+) or lower (−) than {name}").format(name=change.other)
        if math.isfinite(change.noise_mm):
            noise = self.tr("within ±{noise} it may be noise").format(
                noise=value_text(change.noise_mm, "mm", self.units)
            )
        limit = value_text(10.0 * change.limit_cm, "mm", self.units, with_unit=False)
        return title, limit, "in" if inches else "mm", noise

    def _relief_key(self, painter: QPainter) -> None:
        metrics = QFontMetricsF(painter.font())
        title, limit, unit, below = self._scale_words()
        room = self.width() - 30.0
        width = max(metrics.horizontalAdvance(text) + 20.0 for text in (title, below))
        width = min(max(190.0, width), room)
        title = metrics.elidedText(title, Qt.TextElideMode.ElideMiddle, width - 20.0)
        height = 70.0 if below else 52.0
        plate = QRectF(self.width() - width - 10.0, self.height() - height - 10.0, width, height)
        self._plate(painter, plate)
        painter.setPen(theme.color("ink"))
        painter.drawText(QPointF(plate.left() + 10.0, plate.top() + 15.0), title)
        bar = QRectF(plate.left() + 10.0, plate.top() + 21.0, width - 20.0, 9.0)
        colours = QLinearGradient(bar.topLeft(), bar.topRight())
        for share, rgba in zip(_SHARES, theme.relief_rgba(2.0 * _SHARES - 1.0, 1.0), strict=True):
            colours.setColorAt(float(share), QColor(*rgba.tolist()))
        painter.setPen(QPen(theme.color("line"), 1.0))
        painter.setBrush(colours)
        painter.drawRect(bar)
        painter.setPen(theme.color("ink"))
        foot = QRectF(bar.left(), bar.bottom() + 1.0, bar.width(), 18.0)
        flags = Qt.AlignmentFlag
        painter.drawText(foot, flags.AlignLeft, f"−{limit}")
        painter.drawText(foot, flags.AlignHCenter, "0")
        painter.drawText(foot, flags.AlignRight, f"+{limit} {unit}")
        painter.drawText(foot.translated(0.0, 18.0), flags.AlignLeft, below)

    def _hint(self, painter: QPainter) -> None:
        metrics = QFontMetricsF(painter.font())
        width = metrics.horizontalAdvance(self.hint) + 24.0
        plate = QRectF((self.width() - width) / 2.0, 10.0, width, metrics.height() + 12.0)
        self._plate(painter, plate)
        painter.setPen(theme.color("ink"))
        painter.drawText(plate, Qt.AlignmentFlag.AlignCenter, self.hint)


def pond_brush() -> QBrush:
    """Return the hatched brush of standing water."""
    return QBrush(theme.color("pond", 0.75), Qt.BrushStyle.BDiagPattern)


def draw_symbol(painter: QPainter, at: QPointF, symbol: str, color: QColor, size: float) -> None:
    """Draw one of the plot symbols (o, t, d, x) with a thin outline."""
    painter.save()
    painter.translate(at)
    painter.scale(size, size)
    path = pg.graphicsItems.ScatterPlotItem.Symbols[symbol]
    outline = QPen(theme.color("halo"), 1.0)
    outline.setCosmetic(True)
    painter.setPen(outline)
    painter.setBrush(color)
    painter.drawPath(path)
    painter.restore()
