"""A reach that a reviewer rejected is in no output of any kind."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from PySide6.QtWidgets import QApplication

from analysis.common.limits import default_limits
from analysis.common.table import Table
from analysis.common.writing import Writing
from analysis.findings.acceptance import accept_reaches
from analysis.findings.geopackage import Findings
from analysis.findings.handing_out import Outputs, hand_out
from analysis.findings.planning import make_programme, write_programme_csv
from analysis.findings.planning_text import programme_sheet, programme_text
from analysis.findings.reviews import Review, reach_places, review_table
from analysis.findings.selecting import Selection
from gui.drawing.printing import print_sheets
from tests.builders.work_findings import make_findings


def words_of(folder: Path) -> dict[str, str]:
    """All that can be read in the files of a folder, without spaces."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            continue
        if path.suffix == ".pdf":
            text = "".join(page.extract_text() for page in PdfReader(path).pages)
        else:
            text = path.read_bytes().decode("utf-8", "replace")
        found[str(path.relative_to(folder))] = "".join(text.split())
    return found


def everything(made: Findings, folder: Path, selection: Selection | None = None) -> dict[str, str]:
    folder.mkdir()
    kinds = {
        "geopackage": "a.gpkg",
        "geojson": "a.geojson",
        "stations_csv": "s.csv",
        "reaches_csv": "r.csv",
        "gpx": "a.gpx",
        "kml": "a.kml",
        "pdf": "a.pdf",
        "sheets": "sheets",
    }
    outputs = Outputs(**{k: str(folder / v) for k, v in kinds.items()}, gpx_stations=True)
    hand_out(made, outputs, selection, print_book=print_sheets)
    planned = make_programme(made, selection=selection)
    write_programme_csv(planned, folder / "plan.csv")
    (folder / "plan.txt").write_text(programme_text(planned, Writing()), encoding="utf-8")
    print_sheets([programme_sheet(planned, Writing())], folder / "plan.pdf")
    return words_of(folder)


@pytest.fixture(scope="module")
def rejected() -> Findings:
    """Two reaches with work; of one, whose numbers are like no other, a reviewer thinks nothing."""
    made = make_findings()
    reaches = Table({name: values.copy() for name, values in made.reaches.columns.items()})
    reaches["treatment"][2] = "reshape"
    reaches["finding"][2] = "rutted"
    reaches["from_m"][2], reaches["to_m"][2] = 1067.0, 1109.0
    reaches["length_m"][2] = 42.0
    reaches["rank"][2] = 7.0
    reaches["reason"][2] = "Ruts like no other."
    for name in ("cut_m3", "fill_m3", "import_m3_loose", "import_t", "haul_away_m3_loose"):
        reaches[name][2] = 1.0
    label = made.stations["station_m"]
    inside = (made.stations["side"] == "left") & (label > 1067.0) & (label < 1109.0)
    made.stations["reason"][inside] = "Ruts like no other."
    lines = (*made.reach_lines[:2], np.array([[500067.0, 5400003.5], [500109.0, 5400003.5]]))
    xy = np.where(np.isnan(made.station_xy), 500000.0, made.station_xy)
    review = {reach_places(reaches)[2]: Review("rejected", "bushes", finding="rutted")}
    return replace(
        made, reaches=reaches, reach_lines=lines, station_xy=xy, reviews=review_table(review)
    )


TELLTALES = ("rutted", "Rutslikenoother", "1+067", "1067.0", "1+109", "bushes")


def test_rejected_reach_is_in_no_output(
    qapp: QApplication, rejected: Findings, tmp_path: Path
) -> None:
    clean = everything(rejected, tmp_path / "clean")
    asked = everything(rejected, tmp_path / "asked", Selection(with_rejected=True))
    assert len(clean) >= 12
    for name, text in clean.items():
        for telltale in TELLTALES:
            assert telltale not in text, (name, telltale)
    # Each of them would have shown it: asked for, it is there, so that the test can fail.
    for name in (name for name in clean if not name.startswith("sheets/001_")):
        # The text on screen names stretches, not reaches: there it shows in the sums.
        shown = any(telltale in asked[name] for telltale in TELLTALES)
        assert shown or (name == "plan.txt" and "2reacheswithwork" in asked[name]), name


def test_acceptance_passes_a_rejected_reach_by(rejected: Findings) -> None:
    later = replace(rejected, run={**rejected.run, "made": "2032-01-01"})
    earlier = replace(rejected, run={**rejected.run, "made": "2031-01-01"})
    found = accept_reaches(earlier, later, default_limits())
    assert [own.row for own in found] == [0]
