"""Sections and sheets as files: PNG, SVG, CSV and PDF.

Everything here may run in a worker thread or without any window. A file is written beside its
place and renamed when it is whole, so that a good one is never half replaced.
"""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import (
    QBuffer,
    QByteArray,
    QCoreApplication,
    QIODevice,
    QMarginsF,
    QPointF,
    QRectF,
    QSize,
    QSizeF,
    Qt,
)
from PySide6.QtGui import (
    QGuiApplication,
    QImage,
    QPageLayout,
    QPageSize,
    QPaintDevice,
    QPainter,
    QPdfWriter,
)

from analysis.common.errors import OutputError
from analysis.common.outputs import replacing
from analysis.common.types import Progress
from gui.drawing.figure import figure_font, pen, text_at
from gui.drawing.reach_sheet import draw_reach_sheet, rows_that_fit
from gui.drawing.sheets import UNITS_PER_INCH, Style, draw_section_card
from gui.look import theme
from gui.look.units import METRIC
from gui.look.words import side_text

if TYPE_CHECKING:
    from analysis.study.sections import SectionView
    from analysis.study.values import Study

__all__ = [
    "PAPERS",
    "reach_sheets",
    "section_csv",
    "section_image",
    "section_pdf",
    "section_png",
    "section_sheets",
    "section_svg",
    "sheet_name",
    "stations_sheets",
    "whole_file",
]


PAPERS = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}

_CARD = QSizeF(1220.0, 860.0)
_IMAGE_SCALE = 2.0
_MARGIN = 24.0


translate = QCoreApplication.translate


def _need_application() -> None:
    """Make fonts available where no window is open; Qt loads none without an application."""
    if QCoreApplication.instance() is None:
        # Kept on the function, or Python would destroy it at once.
        _need_application.app = QGuiApplication(  # type: ignore[attr-defined]
            ["vergeline", "-platform", "offscreen"]
        )


def _style(system: str, station_style: str) -> Style:
    return Style(theme.palette(dark=False), system, station_style)


def _output_error(path: str | os.PathLike[str], why: str) -> OutputError:
    return OutputError(
        f"{Path(path).name} can't be written ({why}): check that the folder {Path(path).parent} "
        "exists and is writable and the file isn't open elsewhere."
    )


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a name beside `path` to write to; it takes the place of `path` only if all went well."""
    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{target} is a folder: choose a file name.")
    try:
        with replacing(target) as beside:
            yield beside
    except OSError as error:
        raise _output_error(path, error.strerror or str(error)) from error


@contextmanager
def _from_memory(path: str | os.PathLike[str]) -> Iterator[QBuffer]:
    """Give a buffer for Qt to write to; Python writes it out, and so gets the plain reason."""
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    yield buffer
    buffer.close()
    with whole_file(path) as beside:
        beside.write_bytes(data.data())


# -- one section -----------------------------------------------------------------------------------


def section_image(view: SectionView, *, system: str = METRIC, station_style: str = "km") -> QImage:
    """Draw one section with its numbers and cautions into an image."""
    _need_application()
    image = QImage(
        round(_CARD.width() * _IMAGE_SCALE),
        round(_CARD.height() * _IMAGE_SCALE),
        QImage.Format.Format_ARGB32_Premultiplied,
    )
    # So that a word processor places it at the size of the sheet.
    per_metre = round(UNITS_PER_INCH * _IMAGE_SCALE / 0.0254)
    image.setDotsPerMeterX(per_metre)
    image.setDotsPerMeterY(per_metre)
    image.fill(Qt.GlobalColor.white)
    with _painting(image) as painter:
        painter.scale(_IMAGE_SCALE, _IMAGE_SCALE)
        _draw_card(painter, view, _style(system, station_style))
    return image


@contextmanager
def _painting(device: QPaintDevice) -> Iterator[QPainter]:
    """Give a painter that is ended whatever happens: Qt aborts where one outlives its device."""
    painter = QPainter(device)
    try:
        yield painter
    finally:
        painter.end()


def _draw_card(painter: QPainter, view: SectionView, style: Style) -> None:
    box = QRectF(QPointF(0.0, 0.0), _CARD).adjusted(_MARGIN, _MARGIN, -_MARGIN, -_MARGIN)
    draw_section_card(painter, box, view, style)


def section_png(
    view: SectionView,
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
) -> None:
    """Write one section as a PNG, with or without a window.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    image = section_image(view, system=system, station_style=station_style)
    with _from_memory(path) as buffer:
        # The binding takes a str; its stubs say bytes.
        if not image.save(buffer, "PNG"):  # type: ignore[call-overload]
            raise _output_error(path, "the image could not be made")


def section_svg(
    view: SectionView,
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
) -> None:
    """Write one section as an SVG.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    from PySide6.QtSvg import QSvgGenerator

    _need_application()
    with _from_memory(path) as buffer:
        generator = QSvgGenerator()
        generator.setOutputDevice(buffer)
        generator.setResolution(round(UNITS_PER_INCH))
        generator.setSize(QSize(round(_CARD.width()), round(_CARD.height())))
        generator.setViewBox(QRectF(QPointF(0.0, 0.0), _CARD))
        generator.setTitle(translate("printing", "Cross-section of {road}").format(road=view.road))
        with _painting(generator) as painter:
            painter.fillRect(QRectF(QPointF(0.0, 0.0), _CARD), Qt.GlobalColor.white)
            _draw_card(painter, view, _style(system, station_style))


def section_csv(
    view: SectionView,
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
) -> None:
    """Write every point of a section as CSV, in metres whatever is shown on screen.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    from analysis.study.sections import section_rows

    del system, station_style  # files keep metres: other programs read them
    with whole_file(path) as beside, beside.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["road", "station_m", "kind", "side", "offset_m", "height_m"])
        for kind, side, offset, height in section_rows(view):
            writer.writerow(
                [
                    view.road,
                    f"{view.station_m:.3f}",
                    kind,
                    side,
                    "" if not math.isfinite(offset) else f"{offset:.4f}",
                    "" if not math.isfinite(height) else f"{height:.4f}",
                ]
            )


def section_pdf(
    view: SectionView,
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
    paper: str = "A4",
) -> None:
    """Write one section as a sheet.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    section_sheets(
        [view],
        path,
        system=system,
        station_style=station_style,
        paper=paper,
        footer="",
    )


# -- books of sheets -------------------------------------------------------------------------------


def _footer_of(study: Study) -> str:
    """Where the numbers come from, for the foot of every sheet."""
    run = study.findings.run
    noise = float(run.get("noise_median_m", math.nan))
    parts = [
        Path(str(run.get("terrain", ""))).name,
        translate("printing", "cells {cell} m").format(
            cell=f"{float(run.get('cell_m', math.nan)):.2f}"
        ),
    ]
    if math.isfinite(noise):
        parts.append(
            translate("printing", "noise {noise} mm").format(noise=f"{1000.0 * noise:.0f}")
        )
    parts.append(
        translate("printing", "screened {when}").format(when=str(run.get("made", ""))[:10])
    )
    return " · ".join(part for part in parts if part)


def _book(
    path: str | os.PathLike[str],
    title: str,
    pages: Sequence[Callable[[QPainter, QRectF], None]],
    *,
    paper: str,
    landscape: bool,
    footer: str,
    progress: Progress | None,
) -> None:
    """Write pages as one PDF."""
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}, not {paper!r}")
    if not pages:
        raise OutputError("There is nothing to print: choose at least one station or reach.")
    _need_application()
    with whole_file(path) as beside:
        # Writing through Python's own file gives the plain reason when the place is no good.
        beside.touch()
        writer = QPdfWriter(str(beside))
        writer.setResolution(600)
        writer.setTitle(title)
        writer.setCreator("Vergeline")
        writer.setPageLayout(
            QPageLayout(
                QPageSize(PAPERS[paper]),
                QPageLayout.Orientation.Landscape
                if landscape
                else QPageLayout.Orientation.Portrait,
                QMarginsF(12.0, 11.0, 12.0, 10.0),
                QPageLayout.Unit.Millimeter,
            )
        )
        painter = QPainter()
        if not painter.begin(writer):
            raise _output_error(path, "the printer file could not be opened")
        try:
            scale = writer.resolution() / UNITS_PER_INCH
            inside = QRectF(0.0, 0.0, writer.width() / scale, writer.height() / scale)
            for i, page in enumerate(pages):
                if progress is not None:
                    progress(i / len(pages), translate("printing", "sheet {n}").format(n=i + 1))
                if i and not writer.newPage():
                    raise _output_error(path, "a page could not be added")
                painter.save()
                painter.scale(scale, scale)
                page(painter, inside.adjusted(0.0, 0.0, 0.0, -22.0))
                _draw_foot(painter, inside, title, footer, i + 1, len(pages))
                painter.restore()
        finally:
            painter.end()
    if progress is not None:
        progress(1.0, translate("printing", "written"))


def _draw_foot(
    painter: QPainter, box: QRectF, title: str, footer: str, page: int, pages: int
) -> None:
    palette = theme.palette(dark=False)
    painter.setFont(figure_font(10.0))
    y = box.bottom() - 6.0
    painter.setPen(pen(palette["line"], 0.8))
    painter.drawLine(QPointF(box.left(), y - 10.0), QPointF(box.right(), y - 10.0))
    printed = translate("printing", "printed {when}").format(
        when=datetime.now().strftime("%Y-%m-%d")
    )
    left = " · ".join(part for part in (title, footer, printed) if part)
    text_at(
        painter,
        QPointF(box.left(), y),
        left,
        palette["muted"],
        Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter,
    )
    text_at(
        painter,
        QPointF(box.right(), y),
        translate("printing", "sheet {page} of {pages}").format(page=page, pages=pages),
        palette["muted"],
        Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
    )


def section_sheets(
    views: Sequence[SectionView],
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
    paper: str = "A4",
    footer: str = "",
    progress: Progress | None = None,
) -> None:
    """Write sections as PDF, one to a landscape sheet.

    Raises
    ------
    OutputError
        If the file can't be written or there is no section.
    """
    style = _style(system, station_style)

    def page_of(view: SectionView) -> Callable[[QPainter, QRectF], None]:
        return lambda painter, box: draw_section_card(painter, box, view, style)

    _book(
        path,
        translate("printing", "Section sheets"),
        [page_of(view) for view in views],
        paper=paper,
        landscape=True,
        footer=footer,
        progress=progress,
    )


def stations_sheets(
    study: Study,
    places: Sequence[tuple[int, int]],
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
    paper: str = "A4",
    progress: Progress | None = None,
) -> None:
    """Write the sections of a study's stations, given as (road, station) indices, as PDF."""
    from analysis.study.sections import section_view

    style = _style(system, station_style)

    def page_of(road: int, station: int) -> Callable[[QPainter, QRectF], None]:
        # Collected when the sheet is drawn: a thousand sections at once would fill the memory.
        return lambda painter, box: draw_section_card(
            painter, box, section_view(study, road, station), style
        )

    _book(
        path,
        translate("printing", "Section sheets"),
        [page_of(road, station) for road, station in places],
        paper=paper,
        landscape=True,
        footer=_footer_of(study),
        progress=progress,
    )


def reach_sheets(
    study: Study,
    rows: Sequence[int],
    path: str | os.PathLike[str],
    *,
    system: str = METRIC,
    station_style: str = "km",
    paper: str = "A4",
    progress: Progress | None = None,
) -> None:
    """Write reaches as PDF: what was found, how much work it is, and each station to check.

    Parameters
    ----------
    rows
        Rows of the reach table.

    Raises
    ------
    OutputError
        If the file can't be written or no reach is given.
    """
    from analysis.earthwork.workplan import plan
    from analysis.findings.sheets import work_reaches
    from analysis.study.sections import section_view

    style = _style(system, station_style)
    reaches = study.findings.reaches
    # The order of work and the trucks depend on all reaches, not only on those printed.
    items = plan(work_reaches(study.findings), study.limits).items
    works = {item.reach.row: item for item in items}
    roads = {part.road.name: i for i, part in enumerate(study.roads)}
    page_mm = QPageSize(PAPERS[paper]).size(QPageSize.Unit.Millimeter)
    box = QRectF(
        0.0,
        0.0,
        (page_mm.width() - 24.0) / 25.4 * UNITS_PER_INCH,
        (page_mm.height() - 21.0) / 25.4 * UNITS_PER_INCH - 22.0,
    )

    def page_of(
        row: int, first: int, last: int, continued: bool, worst: tuple[int, int] | None
    ) -> Callable[[QPainter, QRectF], None]:
        def draw(painter: QPainter, inside: QRectF) -> None:
            draw_reach_sheet(
                painter,
                inside,
                study,
                row,
                style,
                first_station=first,
                last_station=last,
                continued=continued,
                view=section_view(study, *worst) if worst is not None else None,
                work=works.get(row),
            )

        return draw

    pages = []
    for row in rows:
        first, last = int(reaches["first_index"][row]), int(reaches["last_index"][row])
        road = roads[str(reaches["road"][row])]
        side = 0 if str(reaches["side"][row]) == "left" else 1
        chance = np.nan_to_num(
            study.roads[road].judged.judgement.p_wont_shed[first : last + 1, side]
        )
        worst = (road, first + int(np.argmax(chance)))
        start, on_first = first, True
        while start <= last:
            end = min(last, start + rows_that_fit(box, on_first) - 1)
            pages.append(page_of(row, start, end, not on_first, worst if on_first else None))
            start, on_first = end + 1, False
    _book(
        path,
        translate("printing", "Reach sheets"),
        pages,
        paper=paper,
        landscape=False,
        footer=_footer_of(study),
        progress=progress,
    )


def sheet_name(study: Study, row: int) -> str:
    """Return a file name for the sheet of one reach."""
    reach = study.findings.reaches.row(row)
    return f"{reach['road']} {side_text(str(reach['side']))} {float(reach['from_m']):.0f}.pdf"
