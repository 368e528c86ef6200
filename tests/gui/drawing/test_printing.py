"""Sheets: what stands on them, page by page, and that a good file is never spoilt."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QRectF, QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgGenerator, QSvgRenderer

from analysis.common.errors import Cancelled, OutputError
from analysis.earthwork.workplan import CAUTIONS
from analysis.study.sections import section_view
from gui.drawing import printing
from gui.drawing.reach_sheet import draw_reach_sheet
from gui.drawing.sheets import Style, draw_section_card
from gui.look import theme
from gui.state.model import WindowModel
from tests.gui.conftest import ARTEFACTS


def pages(path: Path) -> int:
    return len(re.findall(rb"/Type\s*/Page[^s]", path.read_bytes()))


def words_of(draw: Callable[[QPainter], None], size: tuple[float, float]) -> str:
    """Draw into an SVG and return all its words: what a reader of the sheet can read."""
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setSize(QSize(round(size[0]), round(size[1])))
    painter = QPainter(generator)
    draw(painter)
    painter.end()
    buffer.close()
    svg = data.data().decode("utf-8")
    texts = re.findall(r"<text[^>]*>(.*?)</text>", svg, re.S)
    joined = " ".join(" ".join(re.sub(r"<[^>]*>", " ", t).split()) for t in texts)
    return joined.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


@pytest.fixture
def style(qapp: Any) -> Style:
    return Style(theme.palette(dark=False))


def reach_words(study: Any, row: int, style: Style, view: Any = None, **options: Any) -> str:
    table = study.findings.reaches
    given = {
        "first_station": int(table["first_index"][row]),
        "last_station": int(table["last_index"][row]),
        "continued": False,
        **options,
    }
    return words_of(
        lambda painter: draw_reach_sheet(
            painter, QRectF(0, 0, 790, 1160), study, row, style, view=view, **given
        ),
        (800, 1200),
    )


def faulty(study: Any) -> int:
    table = study.findings.reaches
    return next(r for r in range(len(table)) if table["verdict"][r] == "won't shed")


# -- what stands on them -----------------------------------------------------------------------


def test_section_card_has_numbers_and_every_caution(screened: WindowModel, style: Style) -> None:
    view = section_view(screened.study, 0, 11)
    text = words_of(
        lambda painter: draw_section_card(painter, QRectF(0, 0, 1200, 840), view, style),
        (1220, 860),
    )
    assert "Fernhollow Road, station 0+110" in text
    for sentence in CAUTIONS:
        assert squeezed(sentence) in squeezed(text)
    value, se = view.sides[1].numbers["shoulder_slope_pct"]
    assert f"{value:.1f} ± {se:.1f} %".replace("-", "−") in text
    assert "one standard error" in text


def test_section_card_in_us_units(screened: WindowModel) -> None:
    view = section_view(screened.study, 0, 11)
    style = Style(theme.palette(dark=False), "us", "feet-hundreds")
    text = words_of(
        lambda painter: draw_section_card(painter, QRectF(0, 0, 1200, 840), view, style),
        (1220, 860),
    )
    assert "station 3+61" in text
    assert " ft" in text and " mm" not in text and " m²" not in text
    drop = view.sides[1].numbers["edge_drop_mm"][0] / 25.4
    assert f"{abs(drop):.1f} ±" in text


def test_reach_sheet_has_quantities_stations_and_cautions(
    screened: WindowModel, style: Style
) -> None:
    study = screened.study
    row = faulty(study)
    table = study.findings.reaches
    text = reach_words(study, row, style, view=section_view(study, 0, 11))
    for sentence in CAUTIONS:
        assert squeezed(sentence) in squeezed(text)
    for station in range(int(table["first_index"][row]), int(table["last_index"][row]) + 1):
        assert f"0+{10 * station:03d}" in text
    assert f"{table['cut_m3'][row]:.1f} m³" in text
    assert "read in the field" in text
    assert "nan" not in text.casefold()


def test_following_page_has_cautions_too(screened: WindowModel, style: Style) -> None:
    study = screened.study
    row = faulty(study)
    text = reach_words(study, row, style, continued=True)
    assert "continued" in text
    assert squeezed(CAUTIONS[0]) in squeezed(text)
    assert "Quantity" not in text


def test_unknown_quantities_are_said_to_be_unknown(screened: WindowModel, style: Style) -> None:
    study = screened.study
    table = study.findings.reaches
    sound = next(r for r in range(len(table)) if not np.isfinite(table["cut_m3"][r]))
    text = reach_words(study, sound, style)
    assert "unknown" in text
    assert "0.0 m³" not in text


# -- files -------------------------------------------------------------------------------------


def test_section_sheets_one_page_each(screened: WindowModel, tmp_path: Path) -> None:
    path = tmp_path / "sections.pdf"
    printing.stations_sheets(screened.study, [(0, 3), (0, 9), (0, 11)], path)
    assert pages(path) == 3
    path.replace(ARTEFACTS / "section_sheets.pdf")


def test_reach_sheets_break_long_reaches(screened: WindowModel, tmp_path: Path) -> None:
    """A reach of more stations than a page holds goes on, and no station is lost."""
    path = tmp_path / "reaches.pdf"
    study = screened.study
    rows = list(range(len(study.findings.reaches)))
    printing.reach_sheets(study, rows, path)
    assert pages(path) >= len(rows)
    path.replace(ARTEFACTS / "reach_sheets.pdf")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_sizes(screened: WindowModel, tmp_path: Path, paper: str) -> None:
    """Media boxes by ISO 216 (A4, 210 x 297 mm) and ANSI A (8.5 x 11 in), in points."""
    path = tmp_path / "one.pdf"
    printing.stations_sheets(screened.study, [(0, 3)], path, paper=paper)
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", path.read_bytes())
    assert box is not None
    size = sorted(float(v) for v in box.groups())
    expected = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}[paper]
    assert size == pytest.approx(expected, abs=1.0)


def test_progress_and_cancel_leave_the_old_file(screened: WindowModel, tmp_path: Path) -> None:
    path = tmp_path / "sections.pdf"
    path.write_bytes(b"good")

    def stop(fraction: float, _words: str) -> None:
        if fraction > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        printing.stations_sheets(screened.study, [(0, i) for i in range(4)], path, progress=stop)
    assert path.read_bytes() == b"good"
    assert [p.name for p in tmp_path.iterdir()] == ["sections.pdf"]


def test_nothing_to_print_is_said(screened: WindowModel, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="nothing to print"):
        printing.reach_sheets(screened.study, [], tmp_path / "none.pdf")


@pytest.mark.parametrize("write", ["section_png", "section_svg", "section_csv", "section_pdf"])
def test_bad_place_is_one_sentence(screened: WindowModel, tmp_path: Path, write: str) -> None:
    view = section_view(screened.study, 0, 3)
    with pytest.raises(OutputError, match="can't be written") as caught:
        getattr(printing, write)(view, tmp_path / "missing" / "section.x")
    assert "\n" not in str(caught.value)


def test_folder_in_place_of_a_file(screened: WindowModel, tmp_path: Path) -> None:
    view = section_view(screened.study, 0, 3)
    with pytest.raises(OutputError, match="is a folder"):
        printing.section_png(view, tmp_path)


@pytest.mark.parametrize("write", ["section_png", "section_svg", "section_pdf"])
def test_failure_while_drawing_is_an_error_not_a_crash(
    screened: WindowModel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: str
) -> None:
    def fail(*_args: object, **_options: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(printing, "draw_section_card", fail)
    with pytest.raises(ZeroDivisionError):
        getattr(printing, write)(section_view(screened.study, 0, 3), tmp_path / "section.x")
    assert not list(tmp_path.iterdir())


def test_svg_is_readable_and_not_blank(screened: WindowModel, tmp_path: Path) -> None:
    path = tmp_path / "section.svg"
    printing.section_svg(section_view(screened.study, 0, 11), path)
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
        "from gui.drawing.printing import section_png\n"
        "section_png(pickle.loads(Path(sys.argv[1]).read_bytes()), sys.argv[2])\n"
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
    assert (image.width(), image.height()) == (2440, 1720)
    image.save(str(ARTEFACTS / "section_card.png"))


def test_paper_is_white_in_the_dark(screened: WindowModel, qapp: Any) -> None:
    theme.apply(qapp, dark=True)
    try:
        image = printing.section_image(section_view(screened.study, 0, 11))
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
    printing.section_png(view, here)
    screened.runner.submit("draw", lambda _progress: printing.section_png(view, there))
    settle(screened.runner.idle)
    assert QImage(str(here)) == QImage(str(there))
