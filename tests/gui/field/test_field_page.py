"""What goes to the field and comes back, in the window."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import fiona
import numpy as np
import pytest
from PySide6.QtCore import QDate

from analysis.common.table import Table
from analysis.findings.geopackage import write_findings
from analysis.findings.readings import read_readings
from gui.field.field_page import FieldPage
from gui.map.map_view import MapView
from gui.state.model import WindowModel

Settle = Callable[..., None]


@pytest.fixture
def page(screened: WindowModel) -> FieldPage:
    return FieldPage(screened)


def drawn(page: FieldPage, settle: Settle) -> None:
    check = page.check
    for box, value in ((check.missed, 20.0), (check.alarms, 30.0)):
        box.set_stored(value)
    check.open_places.setValue(2)
    check.draw()
    settle(lambda: check.plan is not None)


def written(page: FieldPage, settle: Settle, path: Path) -> None:
    """Answer the dialog that is open with a path, and wait for the file."""
    part = page.check
    part.shown.fileSelected.emit(str(path))  # type: ignore[attr-defined]
    part.shown.close()  # type: ignore[attr-defined]
    settle(lambda: str(path) in part.said.text())
    assert path.stat().st_size > 0


def test_places_are_drawn_shown_and_handed_out(
    page: FieldPage, settle: Settle, tmp_path: Path
) -> None:
    check, model = page.check, page.model
    assert "mustn't be swayed" in check.words.text()
    assert not check.gpx_button.isEnabled()
    drawn(page, settle)
    assert check.plan is not None
    assert check.table.model().rowCount() == len(check.plan.places) > 0
    assert "if none turns out otherwise" in check.words.text()
    # a row leads to its place everywhere
    place = check.plan.places[-1]
    check.table.selectRow(len(check.plan.places) - 1)
    assert model.road is not None
    assert model.road.station_m[model.station_index] == pytest.approx(place.station_m)
    assert ("left", "right")[model.side] == place.side
    for button, name in (
        (check.gpx_button, "c.gpx"),
        (check.form_button, "c.csv"),
        (check.sheet_button, "c.pdf"),
    ):
        button.click()
        written(page, settle, tmp_path / name)
    # never over what was read
    check.gpx_button.click()
    road = model.inputs.source
    assert road is not None
    check.shown.fileSelected.emit(road.path)  # type: ignore[attr-defined]
    settle(lambda: "input files" in check.said.text())


def test_what_cant_be_drawn_is_said(page: FieldPage, settle: Settle) -> None:
    page.check.missed.set_stored(0.0)
    page.check.draw()
    settle(lambda: "share" in page.check.said.text())
    assert page.check.plan is None


def filled(page: FieldPage, path: Path) -> int:
    """A form that came back: half a point steeper than measured, one line of it bad."""
    table = page.model.findings.stations  # type: ignore[union-attr]
    rows = [
        {
            "station": f"{at:.1f}".replace(".", ","),
            "side": side,
            "reading_mm": f"{12.0 * (slope + 0.5 + 0.2 * (-1) ** k):.1f}".replace(".", ","),
            "edge_mm": "2",
        }
        for k, (at, side, slope) in enumerate(
            zip(table["station_m"], table["side"], table["shoulder_slope_pct"], strict=True)
        )
        if np.isfinite(slope) and k % 5 < 2
    ]
    rows[1]["side"] = "upper"
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=";")
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)


def test_readings_come_back_and_are_taken_over(
    page: FieldPage, settle: Settle, tmp_path: Path
) -> None:
    part, model = page.readings, page.model
    count = filled(page, tmp_path / "back.csv")
    part.open_file(str(tmp_path / "back.csv"))
    settle(lambda: part.check is not None)
    assert part.check is not None
    assert len(part.readings) == count - 1
    assert "'upper' in line 3 of back.csv" in part.said.text()
    assert f"{count - 1} slopes compared" in part.words.text()
    assert "off the grid by 0.5" in part.words.text()
    assert not part.plot.isHidden()
    # the table has a row each, the plot a point each
    assert part.table.model().rowCount() == count - 1
    before = model.limits
    part.take_over()
    settle(lambda: model.limits != before and not model.runner.busy)
    assert "back.csv" in model.limits.field.noise_factor.source
    model.undo.undo()
    assert model.limits == before


def test_readings_are_typed_in(page: FieldPage, settle: Settle, tmp_path: Path) -> None:
    part, model = page.readings, page.model
    part.add()
    assert "Type what was read" in part.said.text()
    part.fall.setText("48")
    part.station.setText("nowhere")
    part.add()
    assert "nowhere" in part.said.text()
    assert part.readings == []
    model.set_units("us")
    # typed in millimetres before, in inches now
    part.fall.setText("1.89")
    part.station.setText("0+98.4")
    part.sheds.setCurrentIndex(2)
    part.add()
    (made,) = part.readings
    # 98.4 ft in hundreds of feet
    assert made.station_m == pytest.approx(98.4 * 0.3048, abs=1e-3)
    assert made.reading_mm == pytest.approx(1.89 * 25.4, abs=1e-3)
    assert made.sheds is False
    settle(lambda: part.check is not None)
    part.save_button.click()
    (offered,) = part.shown.selectedFiles()  # type: ignore[attr-defined]
    assert Path(offered).name.startswith("Fernhollow Road readings 20")
    target = tmp_path / "typed.csv"
    part.shown.fileSelected.emit(str(target))  # type: ignore[attr-defined]
    settle(lambda: str(target) in part.said.text())
    (again,) = read_readings(target).readings
    assert (again.reading_mm, again.sheds, again.side) == (made.reading_mm, False, "left")
    part.table.selectRow(0)
    part.remove_button.click()
    assert part.readings == []
    assert part.check is None


def later_findings(page: FieldPage, path: Path, drop_mm: float, surveyed: str = "") -> None:
    """The same road surveyed again, dropped all along."""
    found = page.model.findings
    assert found is not None
    stations = {**found.stations.columns}
    stations["edge_drop_mm"] = stations["edge_drop_mm"] + drop_mm
    run = {**found.run, "made": "another", "terrain_checksum": "another"}
    run["surveyed"] = surveyed
    write_findings(replace(found, stations=Table(stations), run=run), path)


def test_finished_work_is_accepted_and_printed(
    page: FieldPage, settle: Settle, tmp_path: Path
) -> None:
    part, read = page.accept, page.readings
    assert not part.sheet_button.isEnabled()
    assert "no inspection" in part.words.text()
    read.station.setText("0+100")
    read.fall.setText("48")
    read.when.setCurrentIndex(1)
    read.add()
    settle(lambda: len(part.accepted()) == 1)
    assert part.sheet_button.isEnabled()
    later_findings(page, tmp_path / "later.gpkg", 0.0)
    part.open_later(str(tmp_path / "later.gpkg"))
    settle(lambda: bool(part.judged))
    assert part.table.model().rowCount() == len(part.judged) + 1
    # With other findings it goes, with these it comes again; looking is no change to be saved.
    kept = page.model.beside.to_json()
    assert "later.gpkg" in kept
    page.model.beside.recover("")
    assert part.judged == () and part.later_path == ""
    page.model.beside.recover(kept)
    settle(lambda: bool(part.judged))
    settle(lambda: len(part.accepted()) == 1)
    part.sheet_button.click()
    target = tmp_path / "accepted.pdf"
    part.shown.fileSelected.emit(str(target))  # type: ignore[attr-defined]
    settle(lambda: str(target) in part.said.text())
    assert target.read_bytes().startswith(b"%PDF")
    # its own terrain is refused in a sentence
    write_findings(page.model.findings, tmp_path / "same.gpkg")  # type: ignore[arg-type]
    part.open_later(str(tmp_path / "same.gpkg"))
    settle(lambda: "same terrain" in part.said.text())


def test_places_drawn_stand_on_the_map_until_other_findings_come(
    page: FieldPage, settle: Settle
) -> None:
    """A frame around each station drawn, and an entry in the key; both go with their findings."""
    view = MapView(page.model)
    settle(page.model.runner.idle)
    assert not any("□" in row for row in view.furniture._words_only())
    drawn(page, settle)
    plan, found = page.check.plan, page.model.findings
    assert plan is not None and found is not None
    # each mark is drawn twice: its rim first
    shown = np.column_stack(view._checks.getData())[::2] + view.origin
    assert np.allclose(shown, found.station_xy[[place.row for place in plan.places]])
    assert any("□" in row for row in view.furniture._words_only())
    page.model.set_surveyed("2026-04-12")
    page.check.refresh()
    assert page.check.plan is plan
    page.model.close_study()
    assert page.check.plan is None
    assert len(view._checks.getData()[0]) == 0
    assert not any("□" in row for row in view.furniture._words_only())
    view.close()


def test_two_surveys_are_compared_by_their_days(
    page: FieldPage, settle: Settle, tmp_path: Path
) -> None:
    part = page.surveys
    later_findings(page, tmp_path / "old.gpkg", -60.0)
    part.this_day.setDate(QDate(2026, 5, 1))
    part.other_day.setDate(QDate(2024, 5, 1))
    part.open_other(str(tmp_path / "old.gpkg"))
    settle(lambda: part.change is not None)
    assert part.change is not None
    # the other one is the earlier: since then the edge has dropped
    changes = part.change.reaches["drop_change_mm"].astype(float)
    assert np.nanmedian(changes) == pytest.approx(60.0, abs=15.0)
    assert "old 2024-05-01 →" in part.words.text()
    assert "nothing shows that it goes on" in part.words.text()
    part.reaches_button.click()
    target = tmp_path / "changes.csv"
    part.shown.fileSelected.emit(str(target))  # type: ignore[attr-defined]
    settle(lambda: str(target) in part.said.text())
    assert target.read_text("utf-8-sig").startswith("road,side,from_m")
    part.layers_button.click()
    layers = tmp_path / "changes.gpkg"
    part.shown.fileSelected.emit(str(layers))  # type: ignore[attr-defined]
    settle(lambda: str(layers) in part.said.text())
    with fiona.open(layers, layer="reach_changes") as held:
        assert len(held) == len(part.change.reaches)
    # named by hand, and dated by what the other file says of its survey
    part.other_name.setText("before the flood")
    part.compare()
    settle(lambda: "before the flood 2024-05-01 → open 2026-05-01" in part.words.text())
    page.model.set_surveyed("2026-06-15")
    later_findings(page, tmp_path / "dated.gpkg", -60.0, surveyed="2023-04-12")
    part.open_other(str(tmp_path / "dated.gpkg"))
    settle(lambda: "dated 2023-04-12 → open 2026-06-15" in part.words.text())
    part.other_day.setDate(QDate(2026, 6, 15))
    part.compare()
    settle(lambda: "in their order" in part.said.text())
