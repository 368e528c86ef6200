"""What can't be read or written is told in one sentence, and nothing is lost."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtWidgets import QInputDialog, QMessageBox

from gui.window.window import Window
from tests.gui.window.conftest import Settle, close_dialog, dialog_text, press


def bad_file(kind: str, folder: Path, write_grid: Callable[..., str]) -> tuple[str, str]:
    """Return a file that can't be used, and a word that the message must hold."""
    if kind == "missing":
        return str(folder / "nowhere.tif"), "nowhere.tif"
    if kind == "no raster":
        path = folder / "words.tif"
        path.write_text("these are words")
        return str(path), "words.tif"
    if kind == "unknown ending":
        path = folder / "letter.docx"
        path.write_text("dear all")
        return str(path), "letter.docx"
    if kind == "all nodata":
        grid = write_grid(np.full((40, 40), -9999.0), name="empty.tif", nodata=-9999.0)
        return grid, "empty"
    raise AssertionError(kind)


@pytest.mark.parametrize("kind", ["missing", "no raster", "unknown ending"])
def test_bad_files_are_told_in_one_sentence_and_lose_nothing(
    full: Window, kind: str, tmp_path: Path, write_grid: Callable[..., str], settle: Settle
) -> None:
    """Whatever is dropped on it, the open study stays."""
    model = full.model
    model.runner.failed.connect(lambda *_: None)
    study, terrain = model.study, model.terrain
    path, word = bad_file(kind, tmp_path, write_grid)
    model.undo.setClean()
    model._unsaved_result = False
    model._tell_modified()
    if kind == "no raster":
        # As a second grid to compare with: the study must survive.
        model.open_second(path, lambda sentence: full.dialogs.tell("Comparing", sentence))
    else:
        full.files.open_paths([path])
    settle(lambda: isinstance(full.dialogs.shown, QMessageBox))
    text = dialog_text(full)
    assert word in text
    assert "\n" not in text
    assert "Traceback" not in text
    assert model.study is study
    assert model.terrain is terrain


def test_degree_grid_offers_to_warp(
    window: Window, write_grid: Callable[..., str], settle: Settle
) -> None:
    """A grid in degrees is refused with the offer to warp it, which then works."""
    z = 100.0 + np.zeros((60, 60))
    grid = write_grid(
        z,
        name="degrees.tif",
        crs="EPSG:4326",
        transform=(1e-5, 0.0, 15.0, 0.0, -1e-5, 47.0),
        units="metre",
    )
    window.files.open_paths([grid])
    settle(lambda: isinstance(window.dialogs.shown, QMessageBox))
    assert "degrees" in dialog_text(window)
    press(window, "Warp it to metres while reading")
    settle(lambda: window.model.terrain is not None)
    assert window.model.terrain.warp_crs is not None
    settle(window.model.runner.idle)


def test_grid_without_crs_asks_for_one(
    window: Window, write_grid: Callable[..., str], settle: Settle
) -> None:
    """A grid that doesn't say its CRS can be told it on the spot."""
    grid = write_grid(np.full((50, 50), 20.0), name="bare.tif", crs=None, units="metre")
    window.files.open_paths([grid])
    settle(lambda: isinstance(window.dialogs.shown, QInputDialog))
    dialog = window.dialogs.shown
    assert isinstance(dialog, QInputDialog)
    dialog.textValueSelected.emit("EPSG:32633")
    close_dialog(window)
    settle(lambda: window.model.terrain is not None)
    assert window.model.inputs.terrain_source.crs == "EPSG:32633"
    settle(window.model.runner.idle)


def test_unsure_height_unit_can_be_corrected(
    window: Window, write_grid: Callable[..., str], settle: Settle
) -> None:
    """Where the file doesn't say the unit of the heights, one press reads them in the other."""
    grid = write_grid(np.full((50, 50), 20.0), name="bare.tif")
    window.files.open_paths([grid])
    settle(lambda: window.model.terrain is not None)
    settle(window.model.runner.idle)
    settle()
    assert "metres" in window.step_bar.second.text()
    window.step_bar.second.click()
    settle(lambda: window.model.terrain.z_unit_m == pytest.approx(0.3048))
    settle(window.model.runner.idle)


def test_save_over_an_input_is_refused(full: Window, settle: Settle) -> None:
    """The centreline's own file is never overwritten by a study."""
    road = full.model.inputs.source.path
    before = Path(road).read_bytes()
    full.files.save_to(road)
    settle()
    assert "input" in dialog_text(full)
    assert Path(road).read_bytes() == before


def test_save_to_a_bad_place_is_one_sentence(full: Window, tmp_path: Path, settle: Settle) -> None:
    """No folder, no file: told; still modified."""
    full.files.save_to(str(tmp_path / "none" / "x.gpkg"))
    settle(lambda: full.dialogs.shown is not None)
    assert "folder" in dialog_text(full)
    assert full.isWindowModified()


def test_read_bad_limits(full: Window, tmp_path: Path, settle: Settle) -> None:
    """A limits file with a wrong key is told; the limits stay."""
    path = tmp_path / "limits.toml"
    path.write_text("[gravel]\nno_such_limit = 3\n")
    before = full.model.limits
    full.files.open_paths([str(path)])
    settle(lambda: full.dialogs.shown is not None)
    assert "no_such_limit" in dialog_text(full)
    assert full.model.limits == before
