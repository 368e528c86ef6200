"""What stands on a sheet: section cards and reach sheets, drawn with any painter.

Drawing units are 1/108 inch (two thirds of a point), so that a 12-unit font is 8 points on paper
and the signs of the section drawing keep the size they have on screen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QCoreApplication, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath

from analysis.common.columns import CHECKED_NUMBERS, column_of
from gui.drawing.figure import figure_font, pen, text_at, text_box
from gui.drawing.section_figure import axes_for, draw_legend, draw_section, fitting_exaggeration
from gui.look import theme
from gui.look.units import (
    METRIC,
    number,
    value_text,
)
from gui.look.words import (
    cautions,
    column_title,
    finding_text,
    number_text,
    side_text,
    station_sentence,
    station_words,
    treatment_text,
    verdict_text,
)

if TYPE_CHECKING:
    from analysis.study.sections import SectionView

__all__ = [
    "HEAD_SIZE",
    "ROW_HEIGHT",
    "SMALL_SIZE",
    "TEXT_SIZE",
    "TITLE_SIZE",
    "UNITS_PER_INCH",
    "Style",
    "draw_cautions",
    "draw_heading",
    "draw_section_card",
    "draw_table",
    "draw_verdict",
]

UNITS_PER_INCH = 108.0

TITLE_SIZE, HEAD_SIZE, TEXT_SIZE, SMALL_SIZE = 20.0, 14.0, 12.0, 11.0
ROW_HEIGHT = 16.5


translate = QCoreApplication.translate


@dataclass(frozen=True, slots=True)
class Style:
    """How numbers are written on a sheet, and its colours."""

    palette: Mapping[str, QColor]
    system: str = METRIC
    station_style: str = "km"

    def station(self, station_m: float) -> str:
        """Station as it is written."""
        return station_words(station_m, self.station_style)


def draw_cautions(painter: QPainter, box: QRectF, style: Style, *, measure: bool = False) -> float:
    """Draw the cautions in a frame at the top of the box; returns the height they take."""
    painter.save()
    painter.setFont(figure_font(SMALL_SIZE))
    text = "  ".join(f"▸ {sentence}" for sentence in cautions())
    inner = box.adjusted(28.0, 5.0, -8.0, 0.0)
    flags = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop)
    flags |= int(Qt.TextFlag.TextWordWrap)
    needed = painter.boundingRect(QRectF(inner.left(), 0.0, inner.width(), 1e5), flags, text)
    height = needed.height() + 10.0
    if not measure:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(pen(style.palette["warn"], 1.0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(box.left(), box.top(), box.width(), height))
        sign = QPainterPath(QPointF(box.left() + 14.0, box.top() + 6.0))
        sign.lineTo(box.left() + 22.0, box.top() + 20.0)
        sign.lineTo(box.left() + 6.0, box.top() + 20.0)
        sign.closeSubpath()
        painter.drawPath(sign)
        painter.setFont(figure_font(SMALL_SIZE, bold=True))
        text_at(painter, QPointF(box.left() + 14.0, box.top() + 14.5), "!", style.palette["warn"])
        painter.setFont(figure_font(SMALL_SIZE))
        painter.setPen(style.palette["ink"])
        painter.drawText(QRectF(inner.left(), inner.top(), inner.width(), 1e5), flags, text)
    painter.restore()
    return height


def draw_heading(
    painter: QPainter,
    box: QRectF,
    title: str,
    right: str,
    style: Style,
    *,
    size: float = TITLE_SIZE,
) -> float:
    """Draw a title with a remark on its right and a rule below; returns the height used."""
    painter.setFont(figure_font(size, bold=True))
    text_at(
        painter,
        QPointF(box.left(), box.top()),
        title,
        style.palette["ink"],
        Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop,
    )
    painter.setFont(figure_font(TEXT_SIZE))
    text_at(
        painter,
        QPointF(box.right(), box.top() + size * 0.35),
        right,
        style.palette["muted"],
        Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop,
    )
    bottom = box.top() + size * 1.45
    painter.setPen(pen(style.palette["ink"], 1.2))
    painter.drawLine(QPointF(box.left(), bottom), QPointF(box.right(), bottom))
    return size * 1.45 + 6.0


# -- section card ----------------------------------------------------------------------------------


def draw_section_card(
    painter: QPainter, box: QRectF, view: SectionView, style: Style, *, with_cautions: bool = True
) -> None:
    """Draw a section with title, key, verdicts, numbers and cautions, filling the box."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    y = box.top()
    y += draw_heading(
        painter,
        QRectF(box.left(), y, box.width(), 40.0),
        translate("sheets", "{road}, station {station}").format(
            road=view.road, station=style.station(view.station_m)
        ),
        translate("sheets", "averaged over {length} of road; errors are one standard error").format(
            length=value_text(view.average_m, "m", style.system, decimals=0)
        ),
        style,
    )
    caution_height = draw_cautions(painter, box, style, measure=True) if with_cautions else 0.0
    rows = math.ceil((len(CHECKED_NUMBERS) + 1) / 2)
    numbers_height = (rows + 1) * ROW_HEIGHT + 6.0
    words_height = 52.0
    legend_height = 36.0
    below = numbers_height + words_height + legend_height + caution_height + 62.0
    figure = QRectF(
        box.left() + 62.0, y + 4.0, box.width() - 66.0, max(120.0, box.bottom() - y - below)
    )
    stretch = fitting_exaggeration(view, figure)
    draw_section(
        painter,
        axes_for(view, figure, stretch),
        view,
        style.palette,
        system=style.system,
        font_size=TEXT_SIZE,
        grips=False,
    )
    painter.setFont(figure_font(SMALL_SIZE))
    text_at(
        painter,
        QPointF(figure.right() - 6.0, figure.top() + 10.0),
        translate("sheets", "heights × {factor}").format(factor=number(stretch, 0)),
        style.palette["muted"],
        Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
        plate=style.palette["paper"],
    )
    y = figure.bottom() + 40.0
    used = draw_legend(
        painter,
        QRectF(figure.left(), y, figure.width(), legend_height),
        style.palette,
        font_size=SMALL_SIZE,
    )
    y += used + 6.0
    half = (box.width() - 20.0) / 2.0
    for side in view.sides:
        left = box.left() + (half + 20.0) * side.side
        _verdict_words(painter, QRectF(left, y, half, words_height), side, style)
    y += words_height + 4.0
    _number_blocks(painter, QRectF(box.left(), y, box.width(), numbers_height), view, style)
    if with_cautions:
        draw_cautions(
            painter,
            QRectF(box.left(), box.bottom() - caution_height, box.width(), caution_height),
            style,
        )
    painter.restore()


def draw_verdict(
    painter: QPainter,
    box: QRectF,
    head: str,
    verdict: str,
    finding: str,
    treatment: str,
    style: Style,
) -> None:
    """Draw the verdict's mark and `head` at the top of the box, with finding and treatment."""
    look = theme.verdict_look(verdict)
    left_middle = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
    painter.setFont(figure_font(HEAD_SIZE, bold=True))
    top = box.top() + 9.0
    mark = text_at(painter, QPointF(box.left(), top), look.mark, look.color, left_middle)
    if finding not in ("", "none", verdict):
        head += f", {finding_text(finding)}"
    if treatment not in ("", "none", verdict):
        head += f" → {treatment_text(treatment)}"
    text_at(painter, QPointF(mark.right() + 4.0, top), head, style.palette["ink"], left_middle)
    painter.setFont(figure_font(TEXT_SIZE))


def _verdict_words(painter: QPainter, box: QRectF, side: Any, style: Style) -> None:
    head = f"{side_text(side.side).capitalize()}: {verdict_text(side.verdict)}"
    draw_verdict(painter, box, head, side.verdict, side.finding, side.treatment, style)
    row: dict[str, Any] = {
        "verdict": side.verdict,
        "finding": side.finding,
        "reason": side.reason,
    }
    for name, (value, se) in side.numbers.items():
        row[name] = value
        row[column_of(name).error] = se
    text_box(
        painter,
        QRectF(box.left(), box.top() + 20.0, box.width(), box.height() - 20.0),
        station_sentence(row, style.system),
        style.palette["ink"],
    )


def _number_blocks(painter: QPainter, box: QRectF, view: SectionView, style: Style) -> None:
    """Numbers of both sides in two blocks side by side."""
    names = list(CHECKED_NUMBERS)
    names.insert(1, "required_slope_pct")
    rows = math.ceil(len(names) / 2)
    width = (box.width() - 20.0) / 2.0
    for block in range(2):
        part = names[block * rows : (block + 1) * rows]
        texts = [
            [
                column_title(name),
                *(
                    number_text(name, *side.numbers[name][:2], system=style.system)
                    for side in view.sides
                ),
            ]
            for name in part
        ]
        draw_table(
            painter,
            QRectF(box.left() + block * (width + 20.0), box.top(), width, box.height()),
            ["", translate("sheets", "left"), translate("sheets", "right")],
            texts,
            [0.46, 0.27, 0.27],
            style,
        )


def draw_table(
    painter: QPainter,
    box: QRectF,
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    shares: Sequence[float],
    style: Style,
    *,
    left_aligned: int = 1,
    boxes: int = 0,
) -> float:
    """Ruled table: `left_aligned` columns of text, numbers, and `boxes` columns to write in."""
    edges = [box.left()]
    for share in shares:
        edges.append(edges[-1] + share * box.width())
    y = box.top()
    faint = style.palette["faint"]
    for line, texts in enumerate([heads, *rows]):
        painter.setFont(figure_font(SMALL_SIZE, bold=line == 0))
        if line % 2 == 0 and line > 0:
            painter.fillRect(QRectF(box.left(), y, box.width(), ROW_HEIGHT), style.palette["plate"])
        for column, text in enumerate(texts):
            cell = QRectF(edges[column], y, edges[column + 1] - edges[column], ROW_HEIGHT)
            flags = Qt.AlignmentFlag.AlignVCenter | (
                Qt.AlignmentFlag.AlignLeft if column < left_aligned else Qt.AlignmentFlag.AlignRight
            )
            if column >= len(texts) - boxes:
                flags = Qt.AlignmentFlag.AlignCenter
                painter.setPen(pen(faint, 0.8))
                painter.drawLine(cell.topLeft(), cell.bottomLeft())
            painter.setPen(style.palette["ink"])
            painter.drawText(
                cell.adjusted(4.0, 0.0, -4.0, 0.0),
                int(flags) | int(Qt.TextFlag.TextDontClip),
                text,
            )
        y += ROW_HEIGHT
        painter.setPen(pen(style.palette["ink"] if line == 0 else faint, 0.8))
        painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
    return y - box.top()
