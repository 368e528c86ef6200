"""Sheets as PDF and sections as files: PNG, SVG, CSV.

What a sheet says comes from `analysis`, the same for window and command; here it is laid out by
Qt and printed, the drawings as lines. Everything may run in a worker thread or without any window.
A file is written beside its place and renamed when it is whole, so that a good one is never half
replaced.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, cast

from PySide6.QtCore import QByteArray, QCoreApplication, QMarginsF, QPointF, QRect, QRectF, QSizeF
from PySide6.QtGui import (
    QAbstractTextDocumentLayout,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPalette,
    QPdfWriter,
    QPyTextObject,
    QTextBlock,
    QTextCursor,
    QTextDocument,
    QTextFormat,
)
from PySide6.QtSvg import QSvgRenderer

from analysis.common.errors import OutputError
from analysis.common.outputs import is_disk_full, replacing, safe_cell
from analysis.common.pictures import finding_picture
from analysis.common.types import Progress
from analysis.common.writing import Writing
from analysis.findings.place_map import PlaceMap
from analysis.findings.sheet_figures import ReachCourse, ReachSection
from analysis.findings.sheet_text import Figure, Sheet, body_html, head_html, shorter, style_css
from analysis.study.section_sheet import SectionSubject, section_sheet
from gui.drawing.figure import LEFT_OF, RIGHT_OF, figure_font, pen, text_at
from gui.drawing.pictures import PER_INCH, need_application, png_bytes, svg_bytes, to_image
from gui.drawing.place_map import draw_place
from gui.drawing.profile import draw_profile
from gui.drawing.reach_chart import draw_reach
from gui.drawing.section_figure import axes_for, draw_legend, draw_section, fitting_exaggeration
from gui.look import theme
from gui.look.turns import after_window

if TYPE_CHECKING:
    from PySide6.QtPrintSupport import QPrinter

    from analysis.study.sections import SectionView

__all__ = [
    "PAPERS",
    "Laid",
    "draw_foot",
    "page_layout",
    "page_size",
    "paint_sheets",
    "print_sheets",
    "save_section",
    "section_image",
    "whole_file",
]

PAPERS = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}

_FOOT = 20.0
_CARD = QSizeF(1088.0, 768.0)
_CARD_MARGIN = 20.0
_LEAST_FIGURE = 150.0
_PICTURE = QSizeF(14.0, 14.0)
_HEADING_SIZES = {1: 17, 2: 12}
_BELOW_AXES, _LEGEND = 34.0, 36.0

translate = QCoreApplication.translate


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a name beside `path` to write to; it takes the place of `path` only if all went well.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{target} is a folder: choose a file name.")
    try:
        with replacing(target) as beside:
            yield beside
    except OSError as error:
        full = is_disk_full(error, target.parent)
        reason = "the disk is full" if full else error.strerror or error
        raise OutputError(
            f"{target.name} can't be written ({reason}): check that the folder "
            f"{target.parent} exists and is writable and the file isn't open elsewhere."
        ) from error


# -- laying out ------------------------------------------------------------------------------------


class _Drawings(QPyTextObject):
    """Draws figures and pictograms of a sheet where its text has an image, as lines, not pixels."""

    def __init__(self, sheet: Sheet, width: float) -> None:
        super().__init__()
        self.blocks, self.width, self.left = sheet.blocks, width, 0.0

    def intrinsicSize(self, _document: QTextDocument, _at: int, form: QTextFormat) -> QSizeF:
        name = form.toImageFormat().name()
        if not name.isdecimal():
            return _PICTURE
        block = self.blocks[int(name)]
        assert block.figure is not None
        width = self.width if block.column == 0 else 0.5 * self.width - 8.0
        return QSizeF(width, block.figure.height_px or max(self.left, _LEAST_FIGURE))

    def drawObject(
        self,
        painter: QPainter,
        box: QRectF | QRect,
        _document: QTextDocument,
        _at: int,
        form: QTextFormat,
    ) -> None:
        name = form.toImageFormat().name()
        if not name.isdecimal():
            picture = finding_picture(name).replace(
                "#000000", theme.palette(dark=False)["ink"].name()
            )
            QSvgRenderer(QByteArray(picture.encode())).render(painter, QRectF(box))
            return
        figure = self.blocks[int(name)].figure
        assert figure is not None
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        _draw_figure(painter, QRectF(box), figure)
        painter.restore()


def _draw_figure(painter: QPainter, box: QRectF, figure: Figure) -> None:
    palette = theme.palette(dark=False)
    if isinstance(figure.subject, ReachCourse):
        draw_reach(painter, box, figure.subject, palette)
        return
    if isinstance(figure.subject, ReachSection):
        draw_profile(painter, box, figure.subject, palette)
        return
    if isinstance(figure.subject, PlaceMap):
        draw_place(painter, box, figure.subject, palette)
        return
    view, system = cast(SectionSubject, figure.subject)
    big = figure.height_px == 0
    font = 11.0 if big else 9.0
    below = _BELOW_AXES + (_LEGEND if big else 0.0)
    inside = box.adjusted(52.0, 2.0, -4.0, -below)
    stretch = fitting_exaggeration(view, inside)
    axes = axes_for(view, inside, stretch)
    draw_section(
        painter, axes, view, palette, system=system, font_size=font, labels=big, grips=False
    )
    painter.setFont(figure_font(font))
    words = translate("sheets", "heights × {factor}").format(factor=f"{stretch:.0f}")
    corner = QPointF(inside.right() - 5.0, inside.top() + 8.0)
    text_at(painter, corner, words, palette["muted"], LEFT_OF, plate=palette["paper"])
    if big:
        legend = QRectF(inside.left(), box.bottom() - _LEGEND, inside.width(), _LEGEND)
        draw_legend(painter, legend, palette, font_size=font)


def _document(html: str, width: float) -> QTextDocument:
    after_window()
    document = QTextDocument()
    document.setUndoRedoEnabled(False)
    document.setDocumentMargin(0.0)
    document.setUseDesignMetrics(True)
    document.setDefaultFont(figure_font(11.0))
    document.setDefaultStyleSheet(style_css())
    document.setHtml(f"<body>{html}</body>")
    document.setTextWidth(width)
    for block in _headings(document):
        # Qt sizes headings by the text around them and takes no size from the style.
        size = _HEADING_SIZES[block.blockFormat().headingLevel()]
        for start, length in _written(block):
            cursor = QTextCursor(block)
            cursor.setPosition(start)
            cursor.setPosition(start + length, QTextCursor.MoveMode.KeepAnchor)
            form = block.charFormat()
            form.clearProperty(QTextFormat.Property.FontSizeAdjustment)
            form.setProperty(QTextFormat.Property.FontPixelSize, size)
            cursor.setCharFormat(form)
    return document


def _written(block: QTextBlock) -> list[tuple[int, int]]:
    """Where a block's words begin and how long they are; a pictogram before them keeps its form."""
    found, part = [], block.begin()
    while not part.atEnd():
        fragment = part.fragment()
        if not fragment.charFormat().isImageFormat():
            found.append((fragment.position(), fragment.length()))
        part += 1
    return found


def _height(document: QTextDocument) -> float:
    """Height without the empty line that Qt leaves under a table at the end."""
    frame = document.rootFrame().childFrames()[-1]
    return document.documentLayout().frameBoundingRect(frame).bottom()


def _headings(document: QTextDocument) -> Iterator[QTextBlock]:
    block = document.begin()
    while block.isValid():
        if block.blockFormat().headingLevel():
            yield block
        block = block.next()


def _opening(heading: QTextBlock) -> QTextBlock:
    """Return what has to stand on a page with a heading: a table's first row, else a sentence."""
    block = heading.next()
    while block.isValid() and not block.blockFormat().headingLevel():
        table = QTextCursor(block).currentTable()
        if table is not None:
            return table.cellAt(min(1, table.rows() - 1), 0).firstCursorPosition().block()
        block = block.next()
    return heading.next() if heading.next().isValid() else heading


class Laid:
    """A sheet laid out on pages of a size: its cautions head each, its blocks flow through them."""

    def __init__(self, sheet: Sheet, page: QSizeF) -> None:
        self.page = page
        self._lay(sheet)
        while sheet.one_page and self.pages > 1 and (less := shorter(sheet)) is not None:
            sheet = less
            self._lay(sheet)

    def _lay(self, sheet: Sheet) -> None:
        width = self.page.width()
        self.head = _document(head_html(sheet), width)
        again = ", ".join(part for part in (sheet.remark, translate("sheets", "continued")) if part)
        self.head_again = _document(head_html(sheet, again), width)
        self.top = max(map(_height, (self.head, self.head_again)))
        self.body = _document(body_html(sheet), width)
        self.drawings = _Drawings(sheet, width)
        layout = self.body.documentLayout()
        layout.registerHandler(QTextFormat.ObjectTypes.ImageObject, self.drawings)
        self.room = self.page.height() - self.top
        after_window()
        if any(block.figure and not block.figure.height_px for block in sheet.blocks):
            # What the text leaves of the page, so that the sheet fills it.
            self.body.markContentsDirty(0, self.body.characterCount())
            self.drawings.left = self.room - (_height(self.body) - _LEAST_FIGURE) - 2.0
            after_window()
        self.body.setPageSize(QSizeF(width, self.room))
        self._keep_headings()
        self.pages = self.body.pageCount()

    def _keep_headings(self) -> None:
        """Begin a new page where a heading would stand apart from what it heads."""
        for block in _headings(self.body):
            if QTextCursor(block).currentTable():
                continue
            if self._page_of(block) != self._page_of(_opening(block)):
                after_window()
                form = block.blockFormat()
                form.setPageBreakPolicy(QTextFormat.PageBreakFlag.PageBreak_AlwaysBefore)
                QTextCursor(block).setBlockFormat(form)

    def _page_of(self, block: QTextBlock) -> int:
        return int(self.body.documentLayout().blockBoundingRect(block).bottom() // self.room)

    def draw(self, painter: QPainter, number: int) -> None:
        """Draw one page, from 0, at the origin of the painter."""
        after_window()
        box = QRectF(0.0, number * self.room, self.page.width(), self.room)
        _draw_text(painter, self.head_again if number else self.head, QRectF())
        painter.save()
        painter.translate(0.0, self.top - box.top())
        _draw_text(painter, self.body, box)
        painter.restore()


def _draw_text(painter: QPainter, document: QTextDocument, box: QRectF) -> None:
    painter.save()
    context = QAbstractTextDocumentLayout.PaintContext()
    # Paper is white in the dark too.
    context.palette.setColor(QPalette.ColorRole.Text, theme.palette(dark=False)["ink"])
    if box.isValid():
        painter.setClipRect(box)
        context.clip = box
    document.documentLayout().draw(painter, context)
    painter.restore()


# -- books of sheets -------------------------------------------------------------------------------


def print_sheets(
    sheets: Iterable[Sheet],
    path: str | os.PathLike[str],
    *,
    title: str = "",
    paper: str = "A4",
    pages: int = 0,
    progress: Progress | None = None,
) -> None:
    """Write sheets as one PDF, each beginning a page of its own.

    Parameters
    ----------
    sheets
        A sequence, or any iterable where `pages` is given.
    paper
        "A4" or "Letter".
    pages
        How many there will be, where each sheet takes one; 0 = to be counted.
    progress
        Called with the share done and a few words; may raise `Cancelled`.

    Raises
    ------
    OutputError
        If the file can't be written or there is no sheet.
    """
    if paper not in PAPERS:
        raise OutputError(f"The paper {paper!r} isn't known; use {' or '.join(PAPERS)}.")
    need_application()
    if not pages:
        sheets = list(sheets)
        # Laid out twice, since a thousand sheets at once would fill the memory.
        pages = sum(Laid(sheet, page_size(paper, sheet.landscape)).pages for sheet in sheets)
    if not pages:
        raise OutputError("There is nothing to print: choose at least one station or reach.")
    with whole_file(path) as beside:
        # Writing through Python's own file gives the plain reason when the place is no good.
        beside.touch()
        writer = QPdfWriter(str(beside))
        writer.setResolution(600)
        writer.setTitle(title or translate("printing", "Work sheets"))
        writer.setCreator("Vergeline")
        paint_sheets(sheets, writer, paper=paper, pages=pages, progress=progress)
    if progress is not None:
        progress(1.0, translate("printing", "written"))


def paint_sheets(
    sheets: Iterable[Sheet],
    device: QPdfWriter | QPrinter,
    *,
    paper: str,
    pages: int = 0,
    progress: Progress | None = None,
) -> None:
    """Paint sheets on a file or a printer; `pages` is how many there will be, 0 = not known.

    Raises
    ------
    OSError
        If the device takes no page.
    """
    painter, number, scale = QPainter(), 0, device.resolution() / PER_INCH
    try:
        for sheet in sheets:
            size = page_size(paper, sheet.landscape)
            laid = Laid(sheet, size)
            for part in range(laid.pages):
                if progress is not None:
                    words = translate("printing", "sheet {n}").format(n=number + 1)
                    progress(number / pages if pages else math.nan, words)
                device.setPageLayout(page_layout(paper, sheet.landscape))
                if not (device.newPage() if number else painter.begin(device)):
                    raise OSError(None, "a page could not be added")
                number += 1
                painter.save()
                painter.scale(scale, scale)
                laid.draw(painter, part)
                draw_foot(painter, size, sheet.source, number, pages)
                painter.restore()
    finally:
        painter.end()


def page_layout(paper: str, landscape: bool) -> QPageLayout:
    """Return size, margins and way of a page."""
    turned = QPageLayout.Orientation.Landscape if landscape else QPageLayout.Orientation.Portrait
    margins = QMarginsF(12.0, 11.0, 12.0, 10.0)
    return QPageLayout(QPageSize(PAPERS[paper]), turned, margins, QPageLayout.Unit.Millimeter)


def page_size(paper: str, landscape: bool) -> QSizeF:
    """Room between margins and above the foot."""
    inside = page_layout(paper, landscape).paintRectPixels(int(PER_INCH))
    return QSizeF(inside.width(), inside.height() - _FOOT)


def draw_foot(
    painter: QPainter, page: QSizeF, source: str, number: int = 0, pages: int = 0
) -> None:
    """Write where the numbers come from and, where it is known, which of how many pages it is."""
    palette = theme.palette(dark=False)
    # The rule also closes a table that goes on.
    top = page.height() - 0.5
    painter.setPen(pen(palette["line"], 0.8))
    painter.drawLine(QPointF(0.0, top), QPointF(page.width(), top))
    painter.setFont(figure_font(9.0))
    printed = translate("printing", "printed {when}").format(when=date.today().isoformat())
    count = ""
    if pages:
        count = translate("printing", "page {page} of {pages}").format(page=number, pages=pages)
    left = " · ".join(part for part in (source, printed) if part)
    for x, text, align in ((0.0, left, RIGHT_OF), (page.width(), count, LEFT_OF)):
        text_at(painter, QPointF(x, top + 11.0), text, palette["muted"], align)


# -- one section -----------------------------------------------------------------------------------


def section_image(view: SectionView, writing: Writing) -> QImage:
    """Draw one section with its numbers and cautions into an image."""
    return to_image(_CARD, partial(_draw_card, view=view, writing=writing))


def _draw_card(painter: QPainter, view: SectionView, writing: Writing) -> None:
    page = QRectF(QPointF(0.0, 0.0), _CARD)
    room = page.adjusted(_CARD_MARGIN, _CARD_MARGIN, -_CARD_MARGIN, -_CARD_MARGIN)
    painter.translate(room.topLeft())
    Laid(section_sheet(view, writing), room.size()).draw(painter, 0)


def save_section(view: SectionView, path: str | os.PathLike[str], writing: Writing) -> None:
    """Write one section as PNG, SVG, PDF or CSV, by the ending of the file.

    Raises
    ------
    OutputError
        If the file can't be written or its ending isn't one of these.
    """
    ending = Path(path).suffix.lower()
    if ending == ".pdf":
        print_sheets([section_sheet(view, writing)], path, pages=1)
    elif ending in (".png", ".svg", ".csv"):
        make = {".png": _png, ".svg": _svg, ".csv": _csv}[ending]
        data = make(view, writing)
        with whole_file(path) as beside:
            beside.write_bytes(data)
    else:
        raise OutputError(
            f"A section can't be saved as {ending or 'a file without an ending'}: name the file "
            ".png, .svg, .pdf or .csv."
        )


def _png(view: SectionView, writing: Writing) -> bytes:
    return png_bytes(_CARD, partial(_draw_card, view=view, writing=writing))


def _svg(view: SectionView, writing: Writing) -> bytes:
    title = translate("printing", "Cross-section of {road}").format(road=view.road)
    return svg_bytes(_CARD, partial(_draw_card, view=view, writing=writing), title)


def _csv(view: SectionView, _writing: Writing) -> bytes:
    """Every point, in metres whatever is shown on screen: other programs read it."""
    from analysis.study.sections import section_rows

    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(["road", "station_m", "kind", "side", "offset_m", "height_m"])
    for kind, side, *point in section_rows(view):
        known = ["" if not math.isfinite(v) else f"{v:.4f}" for v in point]
        writer.writerow([safe_cell(view.road), f"{view.station_m:.3f}", kind, side, *known])
    return text.getvalue().encode("utf-8")
