"""Books of sheets: made one by one, laid on pages, and shown before they are printed."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QCoreApplication, Qt
from PySide6.QtGui import QImage, QPainter

from analysis.common.errors import OutputError
from analysis.common.types import Progress, share_of
from analysis.common.writing import Writing
from analysis.findings.sheet_text import Sheet
from analysis.findings.sheets import WorkSheets, source_of
from analysis.study.section_sheet import section_sheet, worst_section
from gui.drawing.pictures import PER_INCH, need_application
from gui.drawing.printing import Laid, draw_foot, page_layout, page_size, paint_sheets, print_sheets

if TYPE_CHECKING:
    from PySide6.QtPrintSupport import QPrinter

    from analysis.findings.geopackage import Findings
    from analysis.study.values import Study

__all__ = ["Book", "Page", "reach_book", "station_book"]

translate = QCoreApplication.translate

# Share of the time that goes into making sheets; laying them out and painting takes the rest.
_MAKING = 0.4


@dataclass(frozen=True, slots=True)
class Page:
    """A picture of a page, and which (from 0) of how many pages of its sheet it is."""

    image: QImage
    number: int
    of: int


@dataclass(frozen=True, slots=True)
class Book:
    """Sheets that are made when they are asked for: a thousand at once would fill the memory.

    `single` says that each takes one page.
    """

    title: str
    makers: tuple[Callable[[], Sheet], ...]
    single: bool = False

    def sheets(self) -> Iterator[Sheet]:
        """Make one sheet after the other."""
        return (make() for make in self.makers)

    def page(self, sheet: int, number: int, paper: str, width: int) -> Page:
        """Draw a page of a sheet, both from 0, so many pixels wide; its last if it has no such one.

        Raises
        ------
        OutputError
            If the book has no sheet.
        """
        if not self.makers:
            raise OutputError("There is nothing to print: choose at least one station or reach.")
        need_application()
        made = self.makers[sheet]()
        size, layout = page_size(paper, made.landscape), page_layout(paper, made.landscape)
        whole, inside = (
            box(int(PER_INCH)) for box in (layout.fullRectPixels, layout.paintRectPixels)
        )
        laid = Laid(made, size)
        number = min(max(number, 0), laid.pages - 1)
        scale = width / whole.width()
        image = QImage(width, round(whole.height() * scale), QImage.Format.Format_RGB32)
        image.fill(Qt.GlobalColor.white)
        painter = QPainter(image)
        # Ended whatever happens: Qt aborts where a painter outlives its device.
        try:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.scale(scale, scale)
            painter.translate(inside.topLeft())
            laid.draw(painter, number)
            draw_foot(painter, size, made.source)
        finally:
            painter.end()
        return Page(image, number, laid.pages)

    def save(
        self, path: str | os.PathLike[str], paper: str = "A4", progress: Progress | None = None
    ) -> None:
        """Write the book as PDF.

        Raises
        ------
        OutputError
            If the file can't be written or there is no sheet.
        """
        if self.single:
            pages, sheets, begun = len(self.makers), self.sheets(), 0.0
        else:
            # How many pages there will be shows only once all are made.
            making = share_of(progress, 0.0, _MAKING)
            pages, sheets, begun = 0, iter(self._made(making)), _MAKING
        print_sheets(
            sheets,
            path,
            title=self.title,
            paper=paper,
            pages=pages,
            progress=share_of(progress, begun, 1.0),
        )

    def _made(self, tell: Progress) -> list[Sheet]:
        """Make every sheet, which is the first part of the work."""
        made = []
        for k, make in enumerate(self.makers):
            words = translate("printing", "sheet {n}").format(n=k + 1)
            tell(k / len(self.makers), words)
            made.append(make())
        return made

    def send(self, printer: QPrinter, paper: str, progress: Progress | None = None) -> None:
        """Paint the book on a printer; Qt lets that be done in a worker.

        Raises
        ------
        OutputError
            If the printer takes no page.
        """
        pages = len(self.makers) if self.single else 0
        try:
            paint_sheets(self.sheets(), printer, paper=paper, pages=pages, progress=progress)
        except OSError as error:
            raise OutputError(
                f"The printer {printer.printerName()} takes no page: check that it is on and has "
                "paper, or save the sheets as PDF."
            ) from error


def station_book(study: Study, places: Sequence[tuple[int, int]], writing: Writing) -> Book:
    """Return the sections of a study's stations, given as (road, station) indices.

    Findings may have roads that the study hasn't: their stations are left out.
    """
    from analysis.study.sections import section_view

    source = source_of(study.findings)
    there = [place for place in places if place[0] < len(study.roads)]

    def sheet(place: tuple[int, int]) -> Sheet:
        return section_sheet(section_view(study, *place), writing, source)

    title = translate("printing", "Section sheets")
    return Book(title, tuple(partial(sheet, place) for place in there), single=True)


def reach_book(
    study: Study, rows: Sequence[int], writing: Writing, findings: Findings | None = None
) -> Book:
    """Return the sheets of reaches, given as rows of the reach table, with their worst sections.

    `findings` are those of the study with their reviews as they are now.
    """
    made: list[WorkSheets] = []
    alone = threading.Lock()

    def sheet(row: int) -> Sheet:
        # What one sheet says of order and trucks depends on all reaches, so that is planned once.
        with alone:
            if not made:
                made.append(WorkSheets(findings or study.findings, study.limits, writing=writing))
        return made[0].reach_sheet(row, worst_section(study, row, writing))

    title = translate("printing", "Reach sheets")
    return Book(title, tuple(partial(sheet, row) for row in rows))
