"""Sheets: what stands on them, page by page, and that a good file is never spoilt."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgRenderer

from analysis.common.cautions import CAUTIONS
from analysis.common.errors import Cancelled, OutputError
from analysis.common.pictures import finding_picture
from analysis.common.stations import station_text
from analysis.common.table import Table
from analysis.common.writing import Writing
from analysis.findings.geopackage import write_findings
from analysis.findings.sheet_text import Sheet, to_html, to_markdown
from analysis.findings.sheets import WorkSheets
from analysis.study.section_sheet import section_sheet
from analysis.study.sections import section_view
from gui.drawing import books, printing
from gui.launch import main
from gui.look import theme
from gui.state.model import WindowModel
from tests.builders.stopping import WORDS, stop_from
from tests.gui.conftest import ARTEFACTS


def squeezed(text: str) -> str:
    """Return the text without spaces, and ligatures as letters."""
    return "".join(unicodedata.normalize("NFKC", text).split())


def pages_of(path: Path) -> list[str]:
    """Words of each page without spaces, as a reader of PDF that isn't Qt's finds them."""
    return [squeezed(page.extract_text()) for page in PdfReader(path).pages]


def sayings(sheet: Sheet) -> list[str]:
    """Every sentence, heading and cell of a sheet."""
    said = [sheet.title, sheet.remark, sheet.source]
    for block in (sheet.cautions, *sheet.blocks):
        said += [block.heading, *block.text, *block.points, *block.columns]
        said += [cell for row in block.table for cell in row]
    return [squeezed(text) for text in said if text]


def faulty(study: Any) -> int:
    table = study.findings.reaches
    return next(r for r in range(len(table)) if table["verdict"][r] == "won't shed")


# -- what stands on them -----------------------------------------------------------------------


def test_section_sheet_has_numbers_and_every_caution(screened: WindowModel, tmp_path: Path) -> None:
    view = section_view(screened.study, 0, 11)
    printing.save_section(view, tmp_path / "one.pdf", Writing())
    (text,) = pages_of(tmp_path / "one.pdf")
    assert squeezed("Fernhollow Road, station 0+110") in text
    for sentence in CAUTIONS:
        assert squeezed(sentence) in text
    value, se = view.sides[1].numbers["shoulder_slope_pct"]
    assert squeezed(f"{value:.1f} ± {se:.1f} %") in text
    assert squeezed("errors are one standard error") in text


def test_section_sheet_in_us_units(screened: WindowModel, tmp_path: Path) -> None:
    view = section_view(screened.study, 0, 11)
    printing.save_section(view, tmp_path / "one.pdf", Writing("us"))
    (text,) = pages_of(tmp_path / "one.pdf")
    # 110 m = 360.9 ft
    assert squeezed("station 3+61") in text
    drop = view.sides[1].numbers["edge_drop_mm"][0] / 25.4
    assert squeezed(f"{drop:z.1f} ±") in text
    for side in view.sides:
        text = text.replace(squeezed(Writing("us").recorded(side.reason)), "")
    assert "mm" not in text and "m3" not in text and "ft2" in text


def test_command_and_window_print_the_same_sheet(screened: WindowModel, tmp_path: Path) -> None:
    """From a study and from the findings in a file: word for word, in text and in PDF."""
    study, file = screened.study, tmp_path / "findings.gpkg"
    write_findings(study.findings, file)
    folder = tmp_path / "sheets"
    assert main(["export", "--findings", str(file), "--sheets", str(folder)]) == 0
    sheets = WorkSheets(study.findings, study.limits)
    rows = [item.reach.row for item in sheets.plan.items]
    books.reach_book(study, rows, Writing()).save(tmp_path / "window.pdf")
    by_command = "".join(pages_of(folder / "sheets.pdf"))
    by_window = "".join(pages_of(tmp_path / "window.pdf"))
    assert rows
    for row in rows:
        sheet = sheets.reach_sheet(row)
        assert (folder / f"{sheet.name}.md").read_text("utf-8") == to_markdown(sheet)
        for words in sayings(sheet):
            assert words in by_command, words
            assert words in by_window, words
    (folder / "sheets.pdf").replace(ARTEFACTS / "work_sheets.pdf")


def test_reach_sheet_shows_the_worst_section(screened: WindowModel, tmp_path: Path) -> None:
    study = screened.study
    row = faulty(study)
    books.reach_book(study, [row], Writing()).save(tmp_path / "one.pdf")
    text = "".join(pages_of(tmp_path / "one.pdf"))
    stations, reach = study.findings.stations, study.findings.reaches.row(row)
    here = (stations["side"] == reach["side"]) & (stations["station_m"] >= reach["from_m"])
    here &= stations["station_m"] <= reach["to_m"]
    worst = np.flatnonzero(here)[np.argmax(stations["p_wont_shed"][here])]
    place = station_text(float(stations["station_m"][worst]))
    assert squeezed(f"Section at {place}, where it is worst") in text
    assert "heights×" in text


def test_sheets_draw_the_finding_beside_its_name(
    screened: WindowModel, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """On paper as lines, in a page as the same drawing; words alone where there is no picture."""
    study = screened.study
    row = faulty(study)
    finding = str(study.findings.reaches["finding"][row])
    assert finding_picture(finding)
    asked: list[str] = []

    def noted(name: str) -> str:
        asked.append(name)
        return finding_picture(name)

    monkeypatch.setattr(printing, "finding_picture", noted)
    books.reach_book(study, [row], Writing()).save(tmp_path / "one.pdf")
    assert finding in asked
    sheet = WorkSheets(study.findings, study.limits).reach_sheet(row)
    page = to_html(sheet)
    assert page.count('<svg class="finding"') == 1 and "<img" not in page
    sound = section_view(study, 0, 0)
    assert {side.finding for side in sound.sides} == {"none"}
    assert "<svg" not in to_html(section_sheet(sound, Writing()))


def test_unknown_quantities_are_said_to_be_unknown(screened: WindowModel, tmp_path: Path) -> None:
    study = screened.study
    table = study.findings.reaches
    sound = next(r for r in range(len(table)) if not np.isfinite(table["cut_m3"][r]))
    books.reach_book(study, [sound], Writing()).save(tmp_path / "one.pdf")
    text = "".join(pages_of(tmp_path / "one.pdf"))
    assert "unknown" in text
    assert "0.0m3" not in text and "nan" not in text.casefold()


# -- files -------------------------------------------------------------------------------------


def test_section_sheets_one_page_each(screened: WindowModel, tmp_path: Path) -> None:
    path = tmp_path / "sections.pdf"
    books.station_book(screened.study, [(0, 3), (0, 9), (0, 11)], Writing()).save(path)
    texts = pages_of(path)
    assert [f"page{k}of3" in text for k, text in enumerate(texts, start=1)] == [True] * 3
    path.replace(ARTEFACTS / "section_sheets.pdf")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_long_reaches_go_on(screened: WindowModel, tmp_path: Path, paper: str) -> None:
    """No station is lost, every page has the cautions and its number, a new reach a new page."""
    findings = screened.study.findings
    station_m = np.repeat(10.0 * np.arange(200), 2)
    rows = np.resize(np.arange(len(findings.stations)), station_m.size)
    stations = Table({**findings.stations.where(rows).columns, "station_m": station_m})
    stations["side"][:] = np.resize(np.array(["left", "right"], dtype=object), station_m.size)
    reaches = findings.reaches.where(np.array([faulty(screened.study)] * 2))
    reaches["from_m"][:], reaches["to_m"][:] = [0.0, 900.0], [800.0, 1990.0]
    sheets = WorkSheets(
        dataclasses.replace(findings, stations=stations, reaches=reaches), screened.study.limits
    )
    path = tmp_path / "long.pdf"
    printing.print_sheets([sheets.reach_sheet(0), sheets.reach_sheet(1)], path, paper=paper)
    texts = pages_of(path)
    for k, text in enumerate(texts, start=1):
        assert f"page{k}of{len(texts)}" in text
        for sentence in CAUTIONS:
            assert squeezed(sentence) in text
    second = next(k for k, text in enumerate(texts) if "0+900to1+990" in text)
    assert second > 1 and len(texts) - second > 1
    assert all("continued" in text for k, text in enumerate(texts) if k not in (0, second))
    heading = squeezed("Stations and camber board readings")
    for first, last, part in ((0, 80, texts[:second]), (90, 199, texts[second:])):
        assert any(heading in text and station_text(10.0 * first + 10.0) in text for text in part)
        joined = "".join(text.split("atthe", 1)[-1] for text in part)
        for k in range(first, last + 1):
            assert station_text(10.0 * k) in joined
    path.replace(ARTEFACTS / "reach_sheets.pdf")


def test_nothing_lies_outside_the_page(screened: WindowModel, tmp_path: Path) -> None:
    """A word on paper ends within the margins, in the widest words that a sheet has."""
    path = tmp_path / "one.pdf"
    books.reach_book(screened.study, [faulty(screened.study)], Writing("us")).save(path)
    page = PdfReader(path).pages[0]
    places: list[tuple[float, float]] = []

    def visit(text: str, cm: Any, tm: Any, _font: Any, _size: Any) -> None:
        if text.strip():
            x, y = tm[4], tm[5]
            places.append((x * cm[0] + y * cm[2] + cm[4], x * cm[1] + y * cm[3] + cm[5]))

    page.extract_text(visitor_text=visit)
    margin = 10.0 / 25.4 * 72.0
    width, height = float(page.mediabox.width), float(page.mediabox.height)
    assert len(places) > 50
    for x, y in places:
        assert margin <= x <= width - margin and margin <= y <= height - margin


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_sizes(screened: WindowModel, tmp_path: Path, paper: str) -> None:
    """Media boxes by ISO 216 (A4, 210 x 297 mm) and ANSI A (8.5 x 11 in), in points."""
    path = tmp_path / "one.pdf"
    books.station_book(screened.study, [(0, 3)], Writing()).save(path, paper=paper)
    box = PdfReader(path).pages[0].mediabox
    size = sorted((float(box.width), float(box.height)))
    expected = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}[paper]
    assert size == pytest.approx(expected, abs=1.0)


def test_progress_and_cancel_leave_the_old_file(screened: WindowModel, tmp_path: Path) -> None:
    path = tmp_path / "sections.pdf"
    path.write_bytes(b"good")

    stations = [(0, i) for i in range(4)]
    with pytest.raises(Cancelled, match=WORDS):
        books.station_book(screened.study, stations, Writing()).save(path, progress=stop_from(0.3))
    assert path.read_bytes() == b"good"
    assert [p.name for p in tmp_path.iterdir()] == ["sections.pdf"]


def test_nothing_to_print_is_said(screened: WindowModel, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="nothing to print"):
        books.reach_book(screened.study, [], Writing()).save(tmp_path / "none.pdf")


@pytest.mark.parametrize("ending", ["png", "svg", "csv", "pdf"])
def test_bad_place_is_one_sentence(screened: WindowModel, tmp_path: Path, ending: str) -> None:
    view = section_view(screened.study, 0, 3)
    with pytest.raises(OutputError, match="can't be written") as caught:
        printing.save_section(view, tmp_path / "missing" / f"section.{ending}", Writing())
    assert "\n" not in str(caught.value)


def test_folder_in_place_of_a_file(screened: WindowModel, tmp_path: Path) -> None:
    view = section_view(screened.study, 0, 3)
    (tmp_path / "a.png").mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        printing.save_section(view, tmp_path / "a.png", Writing())


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_failure_while_drawing_is_an_error_not_a_crash(
    screened: WindowModel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str
) -> None:
    def fail(*_args: object, **_options: object) -> None:
        raise ZeroDivisionError("the pen broke")

    monkeypatch.setattr(printing, "draw_section", fail)
    with pytest.raises(ZeroDivisionError, match="the pen broke"):
        printing.save_section(
            section_view(screened.study, 0, 3), tmp_path / f"section.{ending}", Writing()
        )
    assert not list(tmp_path.iterdir())


def test_svg_is_readable_and_not_blank(screened: WindowModel, tmp_path: Path) -> None:
    path = tmp_path / "section.svg"
    printing.save_section(section_view(screened.study, 0, 11), path, Writing())
    renderer = QSvgRenderer(str(path))
    assert renderer.isValid()
    image = QImage(610, 430, QImage.Format.Format_ARGB32)
    image.fill(0)
    painter = QPainter(image)
    renderer.render(painter)
    painter.end()
    colours = {image.pixel(x, y) for x in range(0, 610, 5) for y in range(0, 430, 5)}
    assert len(colours) > 10


def test_png_is_drawn_without_any_window(screened: WindowModel, tmp_path: Path) -> None:
    """As the command line does it: a process of its own that never opened a window."""
    import pickle

    view = section_view(screened.study, 0, 11)
    stored = tmp_path / "view.pickle"
    stored.write_bytes(pickle.dumps(view))
    out = tmp_path / "section.png"
    code = (
        "import pickle, sys\n"
        "from pathlib import Path\n"
        "from gui.drawing.printing import save_section\n"
        "from analysis.common.writing import Writing\n"
        "save_section(pickle.loads(Path(sys.argv[1]).read_bytes()), sys.argv[2], Writing())\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(stored), str(out)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    image = QImage(str(out))
    assert (image.width(), image.height()) == (2176, 1536)
    image.save(str(ARTEFACTS / "section_card.png"))


def test_paper_is_white_in_the_dark(screened: WindowModel, qapp: Any) -> None:
    theme.apply(qapp, dark=True)
    try:
        image = printing.section_image(section_view(screened.study, 0, 11), Writing())
    finally:
        theme.apply(qapp, dark=False)
    assert image.pixelColor(4, 4).name() == "#ffffff"
    assert image.pixelColor(300, 300).lightness() > 200


def test_sheets_drawn_in_a_worker(
    screened: WindowModel, tmp_path: Path, settle: Callable[..., None]
) -> None:
    """The runner draws while the window lives, and the result is the same as drawn here."""
    here, there = tmp_path / "here.png", tmp_path / "there.png"
    view = section_view(screened.study, 0, 11)
    printing.save_section(view, here, Writing())
    screened.runner.submit("draw", lambda _progress: printing.save_section(view, there, Writing()))
    settle(screened.runner.idle)
    assert QImage(str(here)) == QImage(str(there))
