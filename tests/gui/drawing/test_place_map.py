"""Sketches of places, told apart without colour; one page for a manager, whatever the network."""

from __future__ import annotations

import unicodedata
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from PySide6.QtCore import QRectF, QSizeF
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication

from analysis.common.writing import Writing
from analysis.earthwork.costs import Rates
from analysis.earthwork.programme import Calendar
from analysis.earthwork.what_fits import Means
from analysis.findings.place_map import HARM_WORDS, MarkedLine, PlaceMap
from analysis.findings.planning import PlanOrder, make_programme
from analysis.findings.planning_text import programme_sheet
from gui.drawing.pictures import to_image
from gui.drawing.place_map import draw_place
from gui.drawing.printing import print_sheets
from gui.look import theme
from tests.builders.network_findings import network_findings
from tests.gui.conftest import ARTEFACTS


@pytest.mark.parametrize(("paper", "system"), [("A4", "metric"), ("Letter", "us")])
def test_programme_of_a_network_takes_one_page(
    qapp: QApplication, tmp_path: Path, paper: str, system: str
) -> None:
    rates = Rates(currency="EUR", grader_per_h=95.0, crew_per_day=900.0, material_per_t=18.0)
    order = PlanOrder(
        rates=rates, calendar=Calendar(start=date(2027, 4, 12)), means=Means(crew_days=12.0)
    )
    sheet = programme_sheet(make_programme(network_findings(), order), Writing(system))
    path = tmp_path / "a.pdf"
    print_sheets([sheet], path, paper=paper)
    pages = PdfReader(path).pages
    assert len(pages) == 1
    text = " ".join(unicodedata.normalize("NFKC", pages[0].extract_text()).split())
    for words in ("By severity", "By treatment", "By road", "What fits", "Most urgent first"):
        assert words in text
    path.replace(ARTEFACTS / f"programme_{paper}.pdf")


def grey(place: PlaceMap) -> np.ndarray:
    """The sketch as a black-and-white printer sees it, 0 to 255."""
    size = QSizeF(400.0, 240.0)
    palette = theme.palette(dark=False)
    image = to_image(size, lambda p: draw_place(p, QRectF(0.0, 0.0, 400.0, 240.0), place, palette))
    plain = image.convertToFormat(QImage.Format.Format_Grayscale8)
    rows = np.frombuffer(plain.constBits(), np.uint8).reshape(plain.height(), -1)
    return rows[:, : plain.width()].astype(int)


def line_of(harm: int, **given: object) -> PlaceMap:
    own = MarkedLine(np.array([[0.0, 0.0], [1000.0, 0.0]]), harm, **given)  # type: ignore[arg-type]
    return PlaceMap((), (own,), (-200.0, -400.0, 1200.0, 400.0), False, Writing())


def test_classes_differ_without_colour(qapp: QApplication) -> None:
    ink = {}
    for harm in HARM_WORDS:
        rows = grey(line_of(harm))
        middle = rows[rows.shape[0] // 3 : 2 * rows.shape[0] // 3]
        dark = middle < 200
        # How high the line is, and how much of its length is drawn.
        ink[harm] = (int(dark.any(axis=1).sum()), round(float(dark.any(axis=0).mean()), 2))
    heights = [ink[harm][0] for harm in (1, 2, 3)]
    assert heights[0] > heights[1] + 2 and heights[1] > heights[2] + 1
    # Dashes and dots of one width: solid, dashed, dotted.
    assert ink[3][1] > ink[4][1] + 0.1 > ink[0][1]
    assert len(set(ink.values())) == len(HARM_WORDS)


def test_ends_are_named_beside_their_points(qapp: QApplication) -> None:
    bare, named = grey(line_of(3)), grey(line_of(3, ends=("1+003", "1+062")))
    changed = np.abs(bare - named) > 60
    # Names stand outside of the reach, at both ends of it.
    width = changed.shape[1]
    columns = changed.any(axis=0)
    assert columns[: width // 3].any() and columns[2 * width // 3 :].any()
    assert not columns[width // 3 + 30 : 2 * width // 3 - 30].any()


def test_scale_is_true(qapp: QApplication) -> None:
    """The bar says 500 m: as long on paper as 500 m of the line, which is 1000 m long."""
    rows = grey(line_of(1))
    line = (rows[rows.shape[0] // 3 : 2 * rows.shape[0] // 3] < 200).any(axis=0)
    drawn = int(line.sum())
    foot = rows[-24:] < 110
    # the longest run of dark in one row is the bar
    longest = max(
        max((len(run) for run in "".join("x" if v else " " for v in row).split()), default=0)
        for row in foot[:-6]
    )
    assert longest == pytest.approx(0.2 * drawn, rel=0.05) or longest == pytest.approx(
        0.5 * drawn, rel=0.05
    )
