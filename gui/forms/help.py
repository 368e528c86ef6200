"""What each number means, with a drawing: choose a word and the drawing shows where it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySide6.QtCore import QCoreApplication, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPainterPath, QPaintEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QSizePolicy,
    QSplitter,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from gui.drawing.figure import arrow, figure_font, hatch, pen, text_at
from gui.look import theme
from gui.look.words import QT_TRANSLATE_NOOP, cautions

__all__ = ["TERMS", "HelpPage", "SectionDiagram", "Term"]


translate = QCoreApplication.translate


@dataclass(frozen=True, slots=True)
class Term:
    """A word, what it means, and the part of the drawing it belongs to ("" for none)."""

    title: str
    text: str
    part: str = ""


TERMS: tuple[Term, ...] = (
    Term(
        QT_TRANSLATE_NOOP("help", "Station, left and right"),
        QT_TRANSLATE_NOOP(
            "help",
            "A station is the distance along the centreline from its start, written 2+340 "
            "(kilometres and metres) or 23+40 (hundreds of feet). Left and right are as seen when "
            "looking up-station, towards rising numbers.",
        ),
        "sides",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Offset u"),
        QT_TRANSLATE_NOOP(
            "help",
            "Distance outward from the centreline, square to it. The drawn line may lie beside "
            "the real middle of the road: the program finds the edges, so that doesn't matter.",
        ),
        "u",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Crown"),
        QT_TRANSLATE_NOOP(
            "help",
            "The highest line of the pavement. From it the pavement falls to both sides; on a "
            "superelevated curve it falls one way only, and its slope on the high side is "
            "negative.",
        ),
        "crown",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Pavement edge e"),
        QT_TRANSLATE_NOOP(
            "help",
            "Where pavement ends and shoulder begins. “Found” means that the terrain shows it; "
            "“nominal” that it doesn't and the width you gave is used; “by hand” that a reviewer "
            "put it there. Drag it in the section if it is wrong.",
        ),
        "edge",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Hinge h"),
        QT_TRANSLATE_NOOP(
            "help", "The outer break of the shoulder, where the foreslope to the ditch begins."
        ),
        "hinge",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Cross slope"),
        QT_TRANSLATE_NOOP(
            "help",
            "Fall across the road in percent; positive falls outward, away from the crown. It is "
            "fitted through all grid cells of the strip, not between two points. A shoulder should "
            "fall more steeply than the pavement beside it: pavement 2 % gives shoulder 4 % "
            "(common practice).",
        ),
        "slope",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Breakover"),
        QT_TRANSLATE_NOOP(
            "help",
            "Shoulder cross slope minus pavement cross slope, in percentage points. Too much makes "
            "a vehicle lurch; on the high side of a curve it limits how far the shoulder may fall "
            "outward.",
        ),
        "breakover",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Edge drop"),
        QT_TRANSLATE_NOOP(
            "help",
            "Height of the pavement plane above the shoulder plane, both carried to the edge. "
            "Positive: the shoulder lies lower, a drop-off for a wheel. Negative: the shoulder "
            "stands high and holds water on the pavement.",
        ),
        "drop",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Rut and ridge"),
        QT_TRANSLATE_NOOP(
            "help",
            "The largest gap under, and the largest rise above, a straightedge laid across the "
            "shoulder. A grid of coarse cells can't show a narrow rut: then the program says so "
            "instead of giving 0.",
        ),
        "rut",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Retained depth"),
        QT_TRANSLATE_NOOP(
            "help",
            "Depth of water that the cross-section holds before it spills outward or inward. Pond "
            "depth is the same when water may also escape along the road.",
        ),
        "water",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Ditch"),
        QT_TRANSLATE_NOOP(
            "help",
            "The invert is its lowest line. Depth is measured below the pavement edge; grade is "
            "its slope along the road. A ditch that is flat or rises towards its outlet holds "
            "water.",
        ),
        "ditch",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Target line, cut and fill"),
        QT_TRANSLATE_NOOP(
            "help",
            "The shape to build: from the pavement edge, flush after compaction, at the required "
            "slope to the hinge, then down to the foreslope. Cut is ground above it, fill is "
            "ground missing below it; they are reckoned apart, never netted first.",
        ),
        "target",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "± standard error"),
        QT_TRANSLATE_NOOP(
            "help",
            "How far a number would scatter if the survey were flown again. About two times in "
            "three the true value lies within ± 1 standard error, nineteen times in twenty within "
            "± 2.",
        ),
        "band",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Averaging length"),
        QT_TRANSLATE_NOOP(
            "help",
            "Length of road behind one measurement. Longer makes the errors smaller, but blurs "
            "faults that are shorter. The inputs show which length this grid needs.",
        ),
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Verdict"),
        QT_TRANSLATE_NOOP(
            "help",
            "“Sheds” and “won't shed” are said only when the probability settles it; otherwise it "
            "is “can't tell”, and “no data” where the grid has holes. Unknown never counts as "
            "good. The probability weighs what was measured here against the rest of the road: a "
            "doubtful step counts for less where all other edges are flush.",
        ),
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Reach"),
        QT_TRANSLATE_NOOP(
            "help",
            "A run of stations on one side with one finding, long enough to be worth a job. The "
            "ranking is how bad × how long × how much pavement drains over it.",
        ),
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Treatment"),
        QT_TRANSLATE_NOOP(
            "help",
            "Reshape: the shoulder's own material is enough. Replenish: new material must come in. "
            "Either may go with cleaning the ditch. The balance has an error too, so here as well "
            "the answer can be “can't tell”.",
        ),
        "target",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Bank, loose, compacted"),
        QT_TRANSLATE_NOOP(
            "help",
            "The same material takes up different room: as it lies (bank), on the truck (loose), "
            "and rolled (compacted). Every volume here says which it is.",
        ),
    ),
)

# The drawn section, in metres (offset from the middle, height); heights are stretched.
_CROWN = (0.0, 0.0)
_EDGE = (3.4, -0.070)
_SHOULDER_AT_EDGE = (3.4, -0.115)
_HINGE = (5.0, -0.150)
_INVERT = (7.2, -0.42)
_BACK = (8.8, -0.24)


class SectionDiagram(QWidget):
    """The cross-section with its words; the chosen part is in full colour."""

    part_picked = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.part = ""
        self._spots: list[tuple[str, QRectF]] = []
        self.setMinimumSize(280, 160)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(self.tr("Drawing of a cross-section"))
        self.setAccessibleDescription(
            self.tr(
                "From the crown in the middle the pavement falls to the edge, the shoulder from "
                "the edge to the hinge, the foreslope from the hinge to the ditch invert, and the "
                "backslope rises from there."
            )
        )
        theme.watcher().changed.connect(self.update)

    def sizeHint(self) -> QSize:
        return QSize(760, 360)

    def show_part(self, part: str) -> None:
        """Bring out one part of the drawing."""
        self.part = part
        self.update()

    def _at(self, point: tuple[float, float]) -> QPointF:
        x, y = point
        width, height = self.width(), self.height()
        scale = min((width - 40.0) / 18.2, 56.0)
        # Heights are stretched as far as the ditch allows, or a 45 mm drop could not be seen.
        stretch = 0.54 * height / 0.50
        return QPointF(width / 2.0 + x * scale, 0.41 * height - y * stretch)

    def _ink(self, part: str) -> QColor:
        if self.part in ("", part):
            return theme.color("ink")
        return theme.color("muted", 0.55)

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), theme.color("paper"))
        self._spots = []
        self._draw_ground(painter)
        self._draw_right(painter)
        self._draw_left(painter)
        self._draw_words(painter)

    # -- parts -----------------------------------------------------------------------------------

    def _draw_ground(self, painter: QPainter) -> None:
        right = [_CROWN, _EDGE, _SHOULDER_AT_EDGE, _HINGE, _INVERT, _BACK]
        # The left shoulder stands high and holds water, so that both kinds of fault are shown.
        left = [(-8.8, -0.24), (-7.2, -0.42), (-5.0, -0.075), (-4.3, -0.045), (-3.75, -0.02)]
        left += [(-3.4, -0.030), (-3.4, -0.070)]
        points = [*left, *right]
        ground = QPainterPath(self._at(points[0]))
        for point in points[1:]:
            ground.lineTo(self._at(point))
        body = QPainterPath(ground)
        body.lineTo(self._at((8.8, -0.50)))
        body.lineTo(self._at((-8.8, -0.50)))
        body.closeSubpath()
        painter.fillPath(body, theme.color("ground", 0.12))
        painter.setPen(pen(theme.color("ground"), 1.6))
        painter.drawPath(ground)
        slab = QPainterPath(self._at((-3.4, -0.070)))
        for point in (_CROWN, _EDGE, (3.4, -0.105), (0.0, -0.035), (-3.4, -0.105)):
            slab.lineTo(self._at(point))
        slab.closeSubpath()
        painter.fillPath(slab, theme.color("pavement", 0.45))
        painter.setPen(pen(theme.color("pavement"), 2.2))
        painter.drawLine(self._at((-3.4, -0.070)), self._at(_CROWN))
        painter.drawLine(self._at(_CROWN), self._at(_EDGE))

    def _draw_right(self, painter: QPainter) -> None:
        on = self.part
        # Fitted shoulder with its band.
        band = QPainterPath(self._at((3.4, -0.095)))
        for point in ((4.2, -0.123), (5.0, -0.128), (5.0, -0.172), (4.2, -0.142), (3.4, -0.135)):
            band.lineTo(self._at(point))
        band.closeSubpath()
        painter.fillPath(band, theme.color("shoulder", 0.45 if on == "band" else 0.22))
        if on in ("", "target"):
            fill = QPainterPath(self._at(_EDGE))
            for point in ((5.0, -0.134), _HINGE, _SHOULDER_AT_EDGE):
                fill.lineTo(self._at(point))
            fill.closeSubpath()
            hatch(painter, fill, theme.color("fill"), -45.0)
        painter.setPen(pen(theme.color("shoulder"), 2.8))
        painter.drawLine(self._at(_SHOULDER_AT_EDGE), self._at(_HINGE))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        target = theme.color("target", 1.0 if on in ("", "target") else 0.4)
        painter.setPen(pen(target, 2.0, dashes=(5.0, 2.2, 1.2, 2.2)))
        line = QPainterPath(self._at(_EDGE))
        line.lineTo(self._at((5.0, -0.134)))
        line.lineTo(self._at((5.5, -0.25)))
        painter.drawPath(line)
        # Cells scattered about the shoulder.
        painter.setPen(pen(theme.color("cells"), 0.9))
        for i in range(16):
            u = 3.5 + 1.45 * i / 15.0
            off = 0.016 * math.sin(12.9898 * i) * math.cos(4.1 * i)
            painter.drawEllipse(self._at((u, -0.115 - 0.022 * (u - 3.4) + off)), 2.0, 2.0)

    def _draw_left(self, painter: QPainter) -> None:
        on = self.part
        water = QPainterPath(self._at((-3.75, -0.02)))
        for point in ((-1.0, -0.02), (-3.4, -0.070), (-3.4, -0.030)):
            water.lineTo(self._at(point))
        water.closeSubpath()
        painter.fillPath(water, theme.color("water", 0.55 if on in ("", "water") else 0.2))
        painter.setPen(pen(theme.color("water"), 1.5))
        painter.drawLine(self._at((-3.75, -0.02)), self._at((-1.0, -0.02)))
        if on in ("", "target"):
            cut = QPainterPath(self._at((-3.4, -0.070)))
            for point in (
                (-3.4, -0.030),
                (-3.75, -0.02),
                (-4.3, -0.045),
                (-5.0, -0.075),
                (-5.0, -0.134),
            ):
                cut.lineTo(self._at(point))
            cut.closeSubpath()
            hatch(painter, cut, theme.color("cut"), 45.0)

    # -- words -----------------------------------------------------------------------------------

    def _label(
        self,
        painter: QPainter,
        at: QPointF,
        text: str,
        part: str,
        align: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignCenter,
    ) -> None:
        chosen = self.part == part
        painter.setFont(figure_font(13.0 if chosen else 12.0, bold=chosen))
        colour = theme.color("accent") if chosen else self._ink(part)
        box = text_at(painter, at, text, colour, align, plate=theme.color("paper"))
        self._spots.append((part, box.adjusted(-2, -2, 2, 2)))

    def _leader(self, painter: QPainter, start: QPointF, end: QPointF, part: str) -> None:
        painter.setPen(pen(theme.color("accent") if self.part == part else self._ink(part), 1.0))
        painter.drawLine(start, end)

    def _draw_words(self, painter: QPainter) -> None:
        top = 22.0
        up, side_right = Qt.AlignmentFlag.AlignBottom, Qt.AlignmentFlag.AlignLeft
        middle = self._at(_CROWN)
        edge, hinge, invert = self._at(_EDGE), self._at(_HINGE), self._at(_INVERT)
        self._label(
            painter, QPointF(self._at((-6.4, 0)).x(), top), translate("help", "left"), "sides"
        )
        self._label(
            painter, QPointF(self._at((6.4, 0)).x(), top), translate("help", "right"), "sides"
        )
        painter.setPen(pen(self._ink("crown"), 1.0, dashes=(9.0, 3.0, 2.0, 3.0)))
        painter.drawLine(QPointF(middle.x(), top + 18.0), QPointF(middle.x(), middle.y() + 56.0))
        self._label(painter, QPointF(middle.x(), top + 10.0), translate("help", "crown"), "crown")
        for part, point, word, at_y in (
            ("edge", edge, translate("help", "edge e"), top + 26.0),
            ("hinge", hinge, translate("help", "hinge h"), top + 46.0),
        ):
            self._leader(painter, QPointF(point.x(), at_y + 8.0), point, part)
            self._label(painter, QPointF(point.x(), at_y), word, part)
        # u, from the middle outward.
        y = self._at((0.0, 0.06)).y() - 8.0
        colour = theme.color("accent") if self.part == "u" else self._ink("u")
        arrow(painter, QPointF(middle.x(), y), QPointF(edge.x() - 6.0, y), colour)
        self._label(painter, QPointF((middle.x() + edge.x()) / 2.0, y), "u", "u")
        # Slopes, with the fall drawn as a triangle.
        self._slope(painter, _CROWN, _EDGE, translate("help", "pavement slope"), 1.3, 78.0)
        self._slope(
            painter, _SHOULDER_AT_EDGE, _HINGE, translate("help", "shoulder slope"), 4.2, 58.0
        )
        # Edge drop between the two planes.
        colour = theme.color("accent") if self.part == "drop" else self._ink("drop")
        x = edge.x() - 9.0
        foot = self._at(_SHOULDER_AT_EDGE)
        painter.setPen(pen(colour, 1.2))
        for level in (edge.y(), foot.y()):
            painter.drawLine(QPointF(x - 4.0, level), QPointF(edge.x(), level))
        arrow(painter, QPointF(x, edge.y() - 16.0), QPointF(x, edge.y()), colour, 4.5)
        arrow(painter, QPointF(x, foot.y() + 16.0), QPointF(x, foot.y()), colour, 4.5)
        self._label(
            painter,
            QPointF(x - 8.0, foot.y() + 20.0),
            translate("help", "edge drop"),
            "drop",
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
        )
        # Breakover, the angle between both slopes.
        self._leader(painter, QPointF(edge.x(), foot.y() + 96.0), foot, "breakover")
        self._label(
            painter,
            QPointF(edge.x() - 4.0, foot.y() + 104.0),
            translate("help", "breakover"),
            "breakover",
        )
        # Left side: water, high shoulder, rut.
        water = self._at((-2.3, -0.02))
        self._leader(painter, QPointF(water.x(), water.y() - 40.0), water, "water")
        self._label(
            painter,
            QPointF(water.x(), water.y() - 48.0),
            translate("help", "retained depth"),
            "water",
            up,
        )
        rut = self._at((-4.3, -0.045))
        start, end = self._at((-3.75, -0.02)), self._at((-5.0, -0.075))
        painter.setPen(pen(self._ink("rut"), 2.0))
        lift = 7.0
        painter.drawLine(QPointF(start.x(), start.y() - lift), QPointF(end.x(), end.y() - lift))
        self._leader(painter, QPointF(rut.x() - 6.0, rut.y() - 88.0), rut, "rut")
        self._label(
            painter,
            QPointF(rut.x() - 30.0, rut.y() - 92.0),
            translate("help", "rut, ridge: under a straightedge"),
            "rut",
            up,
        )
        self._label(
            painter,
            QPointF(invert.x(), invert.y() + 14.0),
            translate("help", "ditch invert"),
            "ditch",
        )
        fore = self._at((6.15, -0.28))
        self._label(
            painter,
            QPointF(fore.x() + 10.0, fore.y() - 12.0),
            translate("help", "foreslope"),
            "ditch",
            side_right | Qt.AlignmentFlag.AlignVCenter,
        )
        left_target = self._at((-5.0, -0.134))
        self._label(
            painter,
            QPointF(left_target.x() + 26.0, left_target.y() + 46.0),
            translate("help", "cut"),
            "target",
        )
        self._leader(
            painter,
            QPointF(left_target.x() + 26.0, left_target.y() + 38.0),
            self._at((-4.5, -0.09)),
            "target",
        )
        right_target = self._at((4.6, -0.134))
        self._label(
            painter,
            QPointF(right_target.x() + 74.0, right_target.y() - 30.0),
            translate("help", "target line, fill"),
            "target",
        )
        self._leader(
            painter,
            QPointF(right_target.x() + 40.0, right_target.y() - 22.0),
            right_target,
            "target",
        )

    def _slope(
        self,
        painter: QPainter,
        start: tuple[float, float],
        end: tuple[float, float],
        word: str,
        at_u: float,
        below: float,
    ) -> None:
        colour = theme.color("accent") if self.part == "slope" else self._ink("slope")
        share = (at_u - start[0]) / (end[0] - start[0])
        point = self._at((at_u, start[1] + share * (end[1] - start[1])))
        y = point.y() + below
        arrow(
            painter, QPointF(point.x() - 22.0, y - 2.0), QPointF(point.x() + 22.0, y + 4.0), colour
        )
        self._label(painter, QPointF(point.x(), y + 14.0), word, "slope")

    def mousePressEvent(self, event: QMouseEvent) -> None:
        for part, box in self._spots:
            if box.contains(event.position()):
                self.part_picked.emit(part)
                return
        super().mousePressEvent(event)


class HelpPage(QWidget):
    """Words on the left, the drawing and the meaning on the right."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("HelpPage")
        self.setAccessibleName(self.tr("What the numbers mean"))
        self.search = QLineEdit()
        self.search.setPlaceholderText(self.tr("Find a word"))
        self.search.setClearButtonEnabled(True)
        self.search.setAccessibleName(self.tr("Find a word"))
        self.search.textChanged.connect(self._on_search)
        self.words = QListWidget()
        self.words.setAccessibleName(self.tr("Words"))
        for term in TERMS:
            item = QListWidgetItem(translate("help", term.title))
            item.setData(Qt.ItemDataRole.UserRole, term)
            self.words.addItem(item)
        self.words.currentItemChanged.connect(self._on_term)
        self.diagram = SectionDiagram()
        self.diagram.part_picked.connect(self._on_part)
        self.text = QTextBrowser()
        self.text.setAccessibleName(self.tr("Meaning"))
        self.text.setFrameShape(QTextBrowser.Shape.NoFrame)
        left = QWidget()
        column = QVBoxLayout(left)
        column.setContentsMargins(6, 6, 0, 6)
        column.setSpacing(4)
        column.addWidget(self.search)
        column.addWidget(self.words, 1)
        right = QSplitter(Qt.Orientation.Vertical)
        right.addWidget(self.diagram)
        right.addWidget(self.text)
        right.setStretchFactor(0, 3)
        right.setStretchFactor(1, 2)
        both = QSplitter(Qt.Orientation.Horizontal)
        both.addWidget(left)
        both.addWidget(right)
        both.setStretchFactor(0, 0)
        both.setStretchFactor(1, 1)
        both.setSizes([200, 700])
        whole = QHBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(both)
        theme.watcher().changed.connect(self._write)
        self._write()

    def sizeHint(self) -> QSize:
        return QSize(940, 560)

    def _on_search(self, text: str) -> None:
        wanted = text.casefold().split()
        first = None
        for row in range(self.words.count()):
            item = self.words.item(row)
            term = item.data(Qt.ItemDataRole.UserRole)
            hay = f"{translate('help', term.title)} {translate('help', term.text)}".casefold()
            fits = all(word in hay for word in wanted)
            item.setHidden(not fits)
            if fits and first is None:
                first = item
        if wanted and first is not None:
            self.words.setCurrentItem(first)

    def _on_term(self, item: QListWidgetItem | None, _old: QListWidgetItem | None) -> None:
        term = item.data(Qt.ItemDataRole.UserRole) if item is not None else None
        self.diagram.show_part(term.part if term is not None else "")
        self._write()

    def _on_part(self, part: str) -> None:
        for row in range(self.words.count()):
            if self.words.item(row).data(Qt.ItemDataRole.UserRole).part == part:
                self.words.setCurrentRow(row)
                return

    def _write(self) -> None:
        from html import escape

        item = self.words.currentItem()
        parts = []
        if item is None:
            hint = self.tr("Choose a word on the left or in the drawing.")
            parts.append(f"<p>{escape(hint)}</p>")
        else:
            term = item.data(Qt.ItemDataRole.UserRole)
            title, text = translate("help", term.title), translate("help", term.text)
            parts.append(f"<h3>{escape(title)}</h3><p>{escape(text)}</p>")
        colour, heading = theme.color("warn").name(), self.tr("Before any work")
        parts.append(
            f'<p style="color:{colour}"><b>⚠ {escape(heading)}</b></p><ul>'
            + "".join(f"<li>{escape(sentence)}</li>" for sentence in cautions())
            + "</ul>"
        )
        self.text.setHtml("".join(parts))
