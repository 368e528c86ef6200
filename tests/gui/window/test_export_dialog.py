"""The export dialog: says how much fits, writes what is wanted, spares what isn't its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from PySide6.QtWidgets import QMessageBox, QWidget

from analysis.findings.geopackage import read_findings, write_findings
from analysis.findings.reviews import reach_places
from gui.look.remembered import remembered
from gui.state.model import WindowModel
from gui.window.dialogs import Dialogs
from gui.window.export_dialog import ExportDialog
from gui.window.exporting import Exporting


@pytest.fixture
def dialog(screened: WindowModel, settle: Callable[..., None], tmp_path: Path) -> ExportDialog:
    remembered().set_value("folder", str(tmp_path))
    made = ExportDialog(screened)
    settle(lambda: "Reaches" in made.words.text())
    return made


def test_counts_what_fits(dialog: ExportDialog, settle: Callable[..., None]) -> None:
    model = dialog.model
    assert model.findings is not None
    total = len(model.findings.reaches)
    assert f"Reaches: {total};" in dialog.words.text()
    dialog.side.setCurrentIndex(1)
    left = int((model.findings.reaches["side"] == "left").sum())
    settle(lambda: f"Reaches: {left};" in dialog.words.text())
    dialog.first.setText("nowhere")
    settle(lambda: "is no station" in dialog.words.text())
    dialog.first.setText("0+100")
    assert dialog.selection().from_m == 100.0


def test_writes_what_is_wanted_without_what_was_rejected(
    dialog: ExportDialog, settle: Callable[..., None], tmp_path: Path
) -> None:
    model = dialog.model
    assert model.findings is not None
    places = reach_places(model.findings.reaches)
    model.set_review(places[0], "rejected", "bushes")
    for box in dialog.kinds.values():
        box.setChecked(True)
    dialog.name.setText("for the crew")
    window = QWidget()
    exporting = Exporting(model, Dialogs(window))
    dialog.wanted.connect(exporting.write)
    dialog.go.click()
    settle(lambda: not model.runner.busy)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == [
        "for the crew excerpt.gpkg",
        "for the crew reaches.csv",
        "for the crew stations.csv",
        "for the crew.geojson",
        "for the crew.gpx",
        "for the crew.kml",
        "for the crew.pdf",
    ]
    back = read_findings(tmp_path / "for the crew excerpt.gpkg")
    assert len(back.reaches) == len(places) - 1


def test_spares_the_study_and_other_files(
    dialog: ExportDialog, settle: Callable[..., None], tmp_path: Path
) -> None:
    model = dialog.model
    assert model.findings is not None
    window = QWidget()
    dialogs = Dialogs(window)
    exporting = Exporting(model, dialogs)
    dialog.name.setText("mine")
    for name, box in dialog.kinds.items():
        box.setChecked(name == "geopackage")
    study = tmp_path / "mine excerpt.gpkg"
    write_findings(model.findings, study)
    model.path = str(study)
    before = study.read_bytes()
    exporting.write(dialog.outputs(), dialog.selection(), "A4")
    settle(lambda: isinstance(dialogs.shown, QMessageBox))
    assert "would be lost" in dialogs.shown.text()
    assert study.read_bytes() == before
    dialogs.shown.close()
    dialogs.shown = None
    dialog.kinds["geopackage"].setChecked(False)
    dialog.kinds["kml"].setChecked(True)
    (tmp_path / "mine.kml").write_text("another program's")
    exporting.write(dialog.outputs(), dialog.selection(), "A4")
    settle(lambda: isinstance(dialogs.shown, QMessageBox))
    assert (tmp_path / "mine.kml").read_text() == "another program's"


def test_nothing_chosen_cannot_be_exported(dialog: ExportDialog) -> None:
    for box in dialog.kinds.values():
        box.setChecked(False)
    assert not dialog.go.isEnabled()
