"""Tables of reaches and stations: order, filter, sentences, reviews, and many rows."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QItemSelectionModel, QRect, Qt
from PySide6.QtGui import QColor, QGuiApplication, QIcon, QImage, QPalette
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QFileDialog, QWidget

from analysis.common.columns import STATION_COLUMNS
from analysis.common.table import Table
from analysis.common.verdicts import DEFECTS, Finding
from analysis.findings.reviews import Place
from analysis.shoulder.values import Reason, Why
from gui.look.icons import finding_icon
from gui.look.remembered import remembered
from gui.look.turns import turns
from gui.look.words import reach_sentence, station_sentence
from gui.state.model import WindowModel
from gui.tables.rows_view import RowsView
from gui.tables.table_model import Condition, Filter, FindingsModel, TextColumn, prepare
from gui.tables.tables import ReachTable, StationTable

COLUMNS = ("station_m", "side", "verdict", "shoulder_slope_pct", "edge_drop_mm", "review")


def texts(values: list[str]) -> np.ndarray:
    column = np.empty(len(values), dtype=object)
    column[:] = values
    return column


def station_rows(n: int, seed: int = 1) -> Table:
    """Make a station table of n rows with every verdict and some unknown numbers."""
    rng = np.random.default_rng(seed)
    verdicts = ["sheds", "won't shed", "can't tell", "no data"]
    findings = ["none", "flat", "can't tell", "no data"]
    kind = rng.integers(0, 4, n)
    columns: dict[str, np.ndarray] = {}
    for name, kind_name in STATION_COLUMNS.items():
        columns[name] = texts([""] * n) if kind_name.type == "str" else rng.normal(0.0, 5.0, n)
    columns["road"] = texts(["Fernhollow Road"] * n)
    columns["side"] = texts([("left", "right")[i % 2] for i in range(n)])
    columns["station_m"] = columns["distance_m"] = (np.arange(n) // 2) * 10.0
    columns["verdict"] = texts([verdicts[k] for k in kind])
    columns["finding"] = texts([findings[k] for k in kind])
    columns["reason"] = texts([f"reason {k} number {i % 97}" for i, k in enumerate(kind)])
    for name in ("shoulder_slope_pct", "edge_drop_mm", "p_wont_shed"):
        columns[name] = np.where(kind == 3, np.nan, columns[name])
    columns["kerb"] = np.zeros(n)
    return Table(columns)


def station_model(n: int = 40) -> FindingsModel:
    model = FindingsModel("station", COLUMNS)
    model.set_table(station_rows(n))
    return model


# -- order -------------------------------------------------------------------------------------


@pytest.mark.parametrize("ascending", [True, False])
def test_sort_by_number_puts_unknown_last(qapp: Any, ascending: bool) -> None:
    model = station_model(200)
    model.sort_by("edge_drop_mm", ascending)
    values = np.array([model.table["edge_drop_mm"][r] for r in model.source_rows()])
    known = values[np.isfinite(values)]
    step = np.diff(known)
    assert np.all(step >= 0) if ascending else np.all(step <= 0)
    assert np.isnan(values[len(known) :]).all()
    assert len(known) < len(values)


def test_sort_by_text_matches_python(qapp: Any) -> None:
    model = station_model(60)
    model.sort_by("verdict")
    shown = [str(model.table["verdict"][r]) for r in model.source_rows()]
    assert shown == sorted(shown, key=str.casefold)


def test_sort_keeps_the_order_of_equal_rows(qapp: Any) -> None:
    """Sorting by slope and then by verdict leaves slopes in order within a verdict."""
    model = station_model(300)
    model.sort_by("shoulder_slope_pct")
    model.sort_by("verdict")
    rows = model.source_rows()
    for verdict in ("sheds", "won't shed"):
        of_it = [r for r in rows if model.table["verdict"][r] == verdict]
        values = model.table["shoulder_slope_pct"][of_it]
        assert np.all(np.diff(values[np.isfinite(values)]) >= 0)


@settings(max_examples=60, deadline=None)
@given(values=st.lists(st.text(alphabet="abcXYZ äß", max_size=6), min_size=1, max_size=30))
def test_text_column_sorts_and_searches_as_python_does(values: list[str]) -> None:
    column = TextColumn(texts(values))
    order = np.argsort(column.keys, kind="stable")
    known = [values[i] for i in order if values[i]]
    expected = sorted((v for v in values if v), key=str.casefold)
    assert [v.casefold() for v in known] == [v.casefold() for v in expected]
    for word in ("a", "xy", "ab", "ss", "zz"):
        assert column.holds(word).tolist() == [word in v.casefold() for v in values]


# -- filter ------------------------------------------------------------------------------------


def test_filter_parts_combine(qapp: Any) -> None:
    model = station_model(400)
    table = model.table
    model.set_filter(
        Filter(
            verdicts=frozenset({"won't shed", "can't tell"}),
            sides=frozenset({"left"}),
            condition=Condition("edge_drop_mm", True, 2.0),
        )
    )
    expected = [
        r
        for r in range(len(table))
        if table["verdict"][r] in ("won't shed", "can't tell")
        and table["side"][r] == "left"
        and table["edge_drop_mm"][r] >= 2.0
    ]
    assert sorted(model.source_rows().tolist()) == expected
    assert expected


def test_filter_condition_never_passes_unknown(qapp: Any) -> None:
    model = station_model(400)
    for at_least in (True, False):
        model.set_filter(Filter(condition=Condition("edge_drop_mm", at_least, 0.0)))
        assert all(np.isfinite(model.table["edge_drop_mm"][r]) for r in model.source_rows())


def test_filter_words_all_must_occur(qapp: Any) -> None:
    model = station_model(400)
    model.set_filter(Filter(text="FLAT 13"))
    found = model.source_rows().tolist()
    table = model.table
    assert found == [
        r
        for r in range(len(table))
        if table["finding"][r] == "flat" and "13" in str(table["reason"][r])
    ]


def test_filter_by_station(qapp: Any) -> None:
    model = station_model(400)
    model.set_filter(Filter(text="0+120"))
    assert {float(model.table["station_m"][r]) for r in model.source_rows()} == {120.0}
    model.set_filter(Filter(text="0+124 left"))
    rows = model.source_rows()
    assert [float(model.table["station_m"][r]) for r in rows] == [120.0]


def test_view_row_is_the_inverse_of_source_row(qapp: Any) -> None:
    model = station_model(101)
    model.sort_by("edge_drop_mm", False)
    model.set_filter(Filter(sides=frozenset({"right"})))
    for row in range(model.rowCount()):
        assert model.view_row(model.source_row(row)) == row
    hidden = next(r for r in range(101) if model.table["side"][r] == "left")
    assert model.view_row(hidden) == -1
    assert model.view_row(-1) == -1


# -- cells -------------------------------------------------------------------------------------


def test_text_unknown_is_a_dash_never_zero(qapp: Any) -> None:
    model = station_model(40)
    row = next(r for r in range(40) if np.isnan(model.table["edge_drop_mm"][r]))
    assert model.text(row, "edge_drop_mm") == "–"
    assert model.text(row, "shoulder_slope_pct") == "–"


def test_text_carries_error_and_follows_units(qapp: Any) -> None:
    table = station_rows(4)
    table.columns["edge_drop_mm"][0] = 50.8
    table.columns["edge_drop_se"][0] = 25.4
    model = FindingsModel("station", COLUMNS)
    model.set_table(table)
    assert model.text(0, "edge_drop_mm") == "51 ± 25"
    model.set_units("us", "feet-hundreds")
    assert model.text(0, "edge_drop_mm") == "2.0 ± 1.0"
    assert model.heading("edge_drop_mm") == "Edge drop, in"


def test_verdict_has_a_mark_beside_its_colour(qapp: Any) -> None:
    model = station_model(60)
    marks = {
        model.text(r, "verdict").split(" ")[0]
        for r in range(60)
        if model.table["verdict"][r] in ("sheds", "won't shed", "can't tell", "no data")
    }
    assert len(marks) == 4


def test_model_passes_qt_own_checks(qapp: Any, qtmodeltester: Any) -> None:
    model = station_model(12)
    qtmodeltester.check(model)
    model.sort_by("verdict")
    model.set_filter(Filter(sides=frozenset({"left"})))


# -- sentences ---------------------------------------------------------------------------------


ROW = {
    "verdict": "won't shed",
    "finding": "flat",
    "shoulder_slope_pct": 1.04,
    "shoulder_slope_se": 0.55,
    "required_slope_pct": 4.0,
    "edge_drop_mm": 12.0,
    "edge_drop_se": 8.0,
    "p_wont_shed": 0.9994,
    "kerb": 0.0,
}


def test_station_sentence_flat() -> None:
    assert station_sentence(ROW) == (
        "Flat: the shoulder falls 1.0 ± 0.6 % where 4.0 % is required; "
        "> 99 % likely that it won't shed."
    )


def test_a_sound_shoulder_says_which_ruts_would_show() -> None:
    """ "Sheds" goes only as far as the grid shows ruts."""
    row = {**ROW, "finding": "none", "verdict": "sheds", "rut_detectable_mm": 66.04}
    assert station_sentence(row).endswith(" below the pavement edge. Ruts show from 66 mm.")
    assert station_sentence(row, "us").endswith(" Ruts show from 2.6 in.")
    for blind, says in ((4.0e9, " Ruts don't show."), (np.nan, " Ruts couldn't be measured.")):
        assert station_sentence({**row, "rut_detectable_mm": blind}).endswith(says)
    row |= {"finding": "can't tell", "likeliest": "rutted", "rut_mm": np.nan, "ridge_mm": np.nan}
    assert "whether it is rutted: ruts couldn't be measured; " in station_sentence(row)


def test_station_sentence_high_in_inches() -> None:
    row = {**ROW, "finding": "high", "edge_drop_mm": -50.8, "edge_drop_se": 12.7}
    assert station_sentence(row, "us") == (
        "High: the shoulder stands 2.0 ± 0.5 in above the pavement edge; > 99 % likely that it "
        "won't shed."
    )


def test_station_sentence_names_what_drives_the_doubt() -> None:
    row = {**ROW, "finding": "can't tell", "verdict": "can't tell", "p_wont_shed": 0.5}
    high = {**row, "likeliest": "high", "edge_drop_mm": -25.4, "edge_drop_se": 12.7}
    assert station_sentence(high, "us") == (
        "Can't tell whether it is high: the shoulder stands 1.0 ± 0.5 in above the pavement edge; "
        "50 % likely that it won't shed."
    )
    assert "falls 1.0 ± 0.6 % where 4.0 %" in station_sentence({**row, "likeliest": "flat"})


def test_sentences_say_where_the_edge_is_only_assumed() -> None:
    station = {**ROW, "edge_found": 0.0, "kerb_away_m": 1.524}
    assert station_sentence(station, "us").endswith(
        "The edge is assumed from the given width. It stands 5.0 ft outside that edge: check the "
        "pavement width."
    )
    reach = {"finding": "flat", "treatment": "reshape", "edge_assumed_m": 30.48, "side": "left"}
    place = {"from_m": 0.0, "to_m": 50.0, "length_m": 50.0}
    assert reach_sentence({**reach, **place}, "us").endswith(
        "The edge is assumed from the given width over 100 ft."
    )


def test_a_reach_that_cant_be_told_names_the_fault_in_question() -> None:
    row = {"finding": "can't tell", "treatment": "can't tell", "likeliest": "too steep"}
    row |= {"side": "right", "from_m": 0.0, "to_m": 50.0, "length_m": 50.0, "p_wont_shed": 0.3}
    assert "can't tell whether it is too steep" in reach_sentence(row)


def test_sentences_say_both_consequences_of_what_may_be_a_kerb() -> None:
    station = {**ROW, "finding": "kerb or high shoulder", "edge_drop_mm": -120.0}
    assert "if one does, check its inlets" in station_sentence(station)
    reach = {"finding": "kerb or high shoulder", "treatment": "reshape", "cut_m3": 12.3}
    text = reach_sentence({**reach, "side": "left", "from_m": 0.0, "to_m": 50.0, "length_m": 50.0})
    assert "If no kerb stands here, cut 12.3 m³; if one does, check its inlets." in text


def test_station_sentence_no_data_gives_the_reason() -> None:
    row = {"verdict": "no data", "reason": "No grid cells here.", "shoulder_slope_pct": np.nan}
    assert station_sentence(row) == "No grid cells here."
    assert station_sentence({"verdict": "no data"}) == "Nothing was measured here."


@pytest.mark.parametrize(
    "finding", ["none", "flat", "reversed", "high", "rutted", "eroded edge", "ponding", "new word"]
)
@pytest.mark.parametrize("verdict", ["sheds", "won't shed", "can't tell", "no data"])
def test_station_sentence_is_one_sentence_without_nan(finding: str, verdict: str) -> None:
    row = {**ROW, "finding": finding, "verdict": verdict, "rut_mm": np.nan}
    text = station_sentence(row)
    assert text.endswith(".")
    assert "nan" not in text.casefold()


def test_reach_sentence_names_material() -> None:
    row = {
        "side": "right",
        "from_m": 1240.0,
        "to_m": 1310.0,
        "length_m": 70.0,
        "finding": "eroded edge",
        "treatment": "replenish",
        "mean_slope_pct": 3.0,
        "worst_drop_mm": 81.0,
        "import_m3_loose": 12.34,
        "loads": 2.0,
    }
    assert reach_sentence(row) == (
        "Right 1+240 – 1+310 (70 m): eroded edge, falls 3.0 % on average, at worst 81 mm below "
        "the edge; replenish with 12.3 m³ loose in 2 loads."
    )
    assert reach_sentence({**row, "loads": 1.0}).endswith(" in 1 load.")


def test_reach_sentence_says_what_stands_in_the_way() -> None:
    row = {
        "side": "left",
        "from_m": 0.0,
        "to_m": 50.0,
        "length_m": 50.0,
        "finding": "can't tell",
        "treatment": "can't tell",
        "reason": "Can't tell over 50 m: A kerb stands at the edge.",
    }
    where = "Left 0+000 – 0+050 (50 m): can't tell."
    assert reach_sentence(row) == f"{where} {row['reason']}"
    assert reach_sentence({**row, "why": None}) == where
    row["why"] = Reason(Why.KERB, (150.0,))
    rest = (
        "stands at the pavement edge, like a kerb: water can't leave over it, so check its inlets; "
        "the verge behind it isn't judged as a shoulder."
    )
    assert reach_sentence(row) == f"{where} A step up of about 150 mm {rest}"
    assert reach_sentence(row, "us").endswith(f"A step up of about 5.9 in {rest}")


def test_every_reason_has_its_figures_in_the_chosen_units() -> None:
    noisy = Reason(Why.TOO_NOISY, (20.0, 3.04, 25.4))
    text = station_sentence({"verdict": "no data", "why": noisy}, "us")
    assert text.startswith(
        "Averaged over 65.6 ft the shoulder slope is only known to ± 3.0 % points"
    )
    assert "the edge to ± 1.0 in" in text


# -- widgets -----------------------------------------------------------------------------------


@pytest.fixture
def reaches(screened: WindowModel, qtbot: Any) -> ReachTable:
    page = ReachTable(screened)
    qtbot.addWidget(page)
    page.resize(1200, 400)
    page.show()
    return page


@pytest.fixture
def stations(screened: WindowModel, qtbot: Any) -> StationTable:
    page = StationTable(screened)
    qtbot.addWidget(page)
    page.resize(1200, 400)
    page.show()
    return page


def faulty_row(model: WindowModel) -> int:
    table = model.findings.reaches
    return next(r for r in range(len(table)) if table["verdict"][r] == "won't shed")


def test_reach_chosen_in_the_table_is_selected_everywhere(
    reaches: ReachTable, screened: WindowModel
) -> None:
    row = faulty_row(screened)
    screened.select_station(0, 0, 0)
    reaches.view.selectRow(reaches.rows.view_row(row))
    assert screened.reach_row == row
    shown = screened.findings.reaches.row(row) | {"why": screened.findings.why["reach"][row]}
    assert reaches.sentence.text() == reach_sentence(shown)


def test_arrow_stands_over_the_column_that_sorts(reaches: ReachTable) -> None:
    """Also after a column, such as the road of several, came in before it."""
    header = reaches.view.horizontalHeader()
    for columns in (reaches.rows.columns, ("road", *reaches.rows.columns)):
        reaches._set_columns(columns)
        assert reaches.rows.columns[header.sortIndicatorSection()] == "rank"
    ranks = [float(reaches.rows.table["rank"][row]) for row in reaches.rows.source_rows()]
    known = [rank for rank in ranks if math.isfinite(rank)]
    assert known == sorted(known)
    header.setSortIndicator(reaches.rows.columns.index("length_m"), Qt.SortOrder.DescendingOrder)
    assert reaches.rows.sorted_by == ("length_m", False)


@pytest.mark.parametrize("width", [420, 900])
def test_sentence_below_the_rows_is_whole(
    reaches: ReachTable, screened: WindowModel, settle: Callable[..., None], width: int
) -> None:
    """Its words wrap in a narrow pane, and the lines have room."""
    reaches.resize(width, 400)
    screened.select_reach(faulty_row(screened))
    settle(lambda: len(reaches.sentence.text()) > 60)
    settle()
    words = reaches.sentence
    assert words.width() <= width
    assert words.height() >= words.heightForWidth(words.width())
    assert words.geometry().bottom() < reaches.height()


def test_sheets_of_chosen_rows_are_shown_first(
    reaches: ReachTable, stations: StationTable, screened: WindowModel
) -> None:
    """A book with a sheet of each; a station chosen on both sides is one."""
    asked: list[tuple[Any, str]] = []
    screened.sheets_asked.connect(lambda book, name: asked.append((book, name)))
    reaches.view.selectAll()
    reaches.sheets_dialog()
    book, name = asked.pop()
    assert len(book.makers) == reaches.rows.total
    assert name == "Fernhollow Road reach sheets"
    screened.select_station(0, 3, 0)
    stations.view.selectAll()
    stations.sheets_dialog()
    assert len(asked.pop()[0].makers) == stations.rows.total // 2


def test_saving_rows_asks_without_stopping_the_window(
    reaches: ReachTable, settle: Callable[..., None], tmp_path: Path
) -> None:
    """The call comes back at once; the name tells road, table and day."""
    remembered().set_value("folder", str(tmp_path))
    reaches.save_csv_dialog()
    dialog = reaches.findChild(QFileDialog)
    assert dialog is not None
    settle(dialog.isVisible)
    name = Path(dialog.selectedFiles()[0]).name
    assert name == f"Fernhollow Road Reaches {date.today().isoformat()}.csv"
    dialog.fileSelected.emit(str(tmp_path / "rows.csv"))
    settle((tmp_path / "rows.csv").is_file)
    dialog.close()


def test_station_table_follows_the_selection(stations: StationTable, screened: WindowModel) -> None:
    screened.select_station(0, 7, 1)
    row = screened.station_row(0, 7, 1)
    assert stations.rows.source_row(stations.view.currentIndex().row()) == row
    stations.verdict_box.setCurrentIndex(stations.verdict_box.findText("no data"))
    assert stations.rows.rowCount() < stations.rows.total


def test_filter_box_counts(stations: StationTable, settle: Callable[..., None]) -> None:
    stations.search.setText("left")
    stations.search.returnPressed.emit()
    assert stations.rows.rowCount() == stations.rows.total // 2
    assert stations.count.text() == f"{stations.rows.total // 2} of {stations.rows.total}"
    stations.search.clear()
    settle(lambda: stations.rows.rowCount() == stations.rows.total)


@pytest.mark.parametrize("width", (360, 620, 1200))
def test_every_filter_can_be_reached_at_each_width(
    stations: StationTable, settle: Callable[..., None], width: int
) -> None:
    """Nothing hides behind an overflow mark that doesn't open; the button says what holds."""
    stations.resize(width, 320)
    settle()
    button = stations.filter_button
    assert button.visibleRegion().boundingRect().width() == button.width()
    menu = button.menu()
    menu.popup(button.mapToGlobal(button.rect().bottomLeft()))
    settle()
    boxes = (stations.verdict_box, stations.side_box, stations.review_box, stations.where_box)
    assert all(box.isVisible() and not box.visibleRegion().isEmpty() for box in boxes)
    QTest.keyClick(stations.side_box, Qt.Key.Key_Down)
    assert stations.rows.rowCount() == stations.rows.total // 2
    assert button.text() == "Filters: 1"
    stations.show_all()
    assert (stations.rows.rowCount(), button.text()) == (stations.rows.total, "Filters")
    menu.close()


def test_review_by_key_is_stored_and_undone(
    stations: StationTable, screened: WindowModel, qtbot: Any
) -> None:
    screened.select_station(0, 5, 1)
    qtbot.keyClick(stations.view, Qt.Key.Key_A)
    key = screened.station_key(0, 5, 1)
    assert screened.review(key) == ("agreed", "")
    row = screened.station_row(0, 5, 1)
    assert stations.rows.text(row, "review") == "✓ agreed"
    screened.undo.undo()
    assert screened.review(key) == ("", "")
    assert stations.rows.text(row, "review") == ""


def test_rejection_asks_for_a_reason(reaches: ReachTable, screened: WindowModel) -> None:
    row = faulty_row(screened)
    reaches.view.selectRow(reaches.rows.view_row(row))
    asked: list[list[Place]] = []
    screened.reason_wanted.connect(asked.append)
    reaches.review_chosen("rejected")
    assert asked == [[screened.reach_key(row)]]
    assert screened.review(screened.reach_key(row)) == ("", "")
    reaches.review_chosen("rejected", "parked vehicle")
    assert screened.review(screened.reach_key(row)) == ("rejected", "parked vehicle")
    assert reaches.reviewed.text() == "rejected: parked vehicle"
    reaches.review_box.setCurrentIndex(reaches.review_box.findText("rejected"))
    assert reaches.rows.source_rows().tolist() == [row]


def test_findings_have_pictures_that_differ(
    reaches: ReachTable, screened: WindowModel, qapp: Any
) -> None:
    """The table shows word and picture, and so does the choice of findings: that is their key."""
    row = faulty_row(screened)
    place = reaches.rows.index(reaches.rows.view_row(row), reaches.rows.columns.index("finding"))
    assert not place.data(Qt.ItemDataRole.DecorationRole).isNull()
    seen: dict[bytes, str] = {}
    for finding in (*DEFECTS, Finding.BLOCKED_DITCH):
        picture = finding_icon(finding)
        if picture is None:
            continue
        image = picture.pixmap(40, 40).toImage()
        assert seen.setdefault(bytes(image.constBits()), finding) == finding
    assert len(seen) == len(DEFECTS) + 1
    assert all(finding_icon(name) is None for name in (Finding.NONE, Finding.CANT_TELL, ""))


def test_picture_shows_on_a_chosen_row_too(qapp: Any) -> None:
    """On the dark bar of the selection it is drawn light."""
    picture = finding_icon("flat")
    assert picture is not None
    plain, chosen = (
        picture.pixmap(20, mode).toImage() for mode in (QIcon.Mode.Normal, QIcon.Mode.Selected)
    )
    inked = [(x, y) for x in range(20) for y in range(20) if plain.pixelColor(x, y).alphaF() > 0.9]
    assert inked
    for x, y in inked:
        assert chosen.pixelColor(x, y).lightnessF() > 0.9 > plain.pixelColor(x, y).lightnessF()


def test_one_click_says_for_a_whole_reach_that_a_kerb_stands_there(
    reaches: ReachTable, screened: WindowModel, settle: Callable[..., None]
) -> None:
    row = faulty_row(screened)
    reaches.view.selectRow(reaches.rows.view_row(row))
    # asked only where it may be one
    assert all(button.isHidden() for button in reaches.kerb_buttons)
    before = screened.findings
    table = before.reaches
    count = int(table["last_index"][row] - table["first_index"][row]) + 1
    reaches.answer_kerb(True)
    answers = {key: u_m for key, u_m in screened.corrections.items() if key.what == "kerb"}
    assert len(answers) == count and set(answers.values()) == {1.0}
    settle(lambda: screened.findings is not before)
    stations = screened.findings.stations
    assert int((stations["kerb"] == 1.0).sum()) == count
    assert set(stations["verdict"][stations["kerb"] == 1.0]) == {"can't tell"}
    screened.undo.undo()
    assert not screened.corrections


def test_many_reviews_are_one_undo(stations: StationTable, screened: WindowModel) -> None:
    stations.view.selectAll()
    stations.review_chosen("to check")
    assert len(screened.reviews) == stations.rows.total
    screened.undo.undo()
    assert not screened.reviews


def test_copy_is_tab_separated_with_headings(reaches: ReachTable, screened: WindowModel) -> None:
    reaches.view.selectRow(reaches.rows.view_row(faulty_row(screened)))
    reaches.copy_chosen()
    lines = QGuiApplication.clipboard().text().split("\n")
    assert len(lines) == 2
    assert lines[0].split("\t")[0] == "Rank"
    assert len(lines[0].split("\t")) == len(lines[1].split("\t"))


def test_csv_holds_metric_columns_and_empty_unknowns(
    stations: StationTable, screened: WindowModel, tmp_path: Path, settle: Callable[..., None]
) -> None:
    screened.set_units("us")
    path = tmp_path / "rows.csv"
    stations.side_box.setCurrentIndex(1)
    stations.save_csv(str(path))
    settle(screened.runner.idle)
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    table = screened.findings.stations
    assert len(rows) == len(table) // 2
    assert {row["side"] for row in rows} == {"left"}
    drops = table["edge_drop_mm"][table["side"] == "left"]
    for row, drop in zip(rows, drops, strict=True):
        if np.isfinite(drop):
            assert float(row["edge_drop_mm"]) == pytest.approx(drop, rel=1e-5, abs=1e-6)
        else:
            assert row["edge_drop_mm"] == ""


def test_column_can_be_shown_and_hidden(stations: StationTable) -> None:
    stations.show_column("kerb", True)
    assert "kerb" in stations.rows.columns
    stations.show_column("kerb", False)
    assert "kerb" not in stations.rows.columns


def test_us_units_reach_the_headings(
    stations: StationTable, screened: WindowModel, settle: Callable[..., None]
) -> None:
    screened.set_units("us")
    settle()
    headings = [stations.rows.heading(n) for n in stations.rows.columns]
    assert "Edge drop, in" in headings


# -- many rows ---------------------------------------------------------------------------------


class Page(QWidget):
    """Stand-in for the page around the rows."""

    def on_chosen(self) -> None:
        """Hear of a selection."""


def test_many_rows_stay_exact(qapp: Any, qtbot: Any) -> None:
    """200 000 rows: sorting, filtering and selecting all give what plain numpy gives."""
    n = 200_000
    table = station_rows(n)
    model = FindingsModel("station", COLUMNS)
    model.set_table(table, prepare(table))
    page = Page()
    qtbot.addWidget(page)
    view = RowsView(page)
    view.setModel(model)
    view.free_headers()
    model.sort_by("edge_drop_mm")
    values = table["edge_drop_mm"]
    expected = np.argsort(values, kind="stable")
    known = int(np.isfinite(values).sum())
    np.testing.assert_array_equal(model.source_rows()[:known], expected[:known])
    model.set_filter(Filter(text="number 13"))
    hits = [i for i in range(n) if i % 97 == 13 or "13" in str(table["reason"][i])]
    assert model.rowCount() == len(hits)
    model.set_filter(Filter())
    view.selectAll()
    qapp.processEvents()
    selected = view.selectionModel().selection()
    assert sum(part.height() for part in selected) == n
    view.selectionModel().select(
        model.index(5, 0),
        QItemSelectionModel.SelectionFlag.ClearAndSelect | QItemSelectionModel.SelectionFlag.Rows,
    )


def test_widths_and_order_of_columns_are_remembered(
    screened: WindowModel, stations: StationTable, settle: Callable[..., None]
) -> None:
    """A person's widths and order are there next time, also beside columns shown anew."""
    header, names = stations.view.horizontalHeader(), list(stations.rows.columns)
    usual = header.sectionSize(2)
    header.resizeSection(1, 137)
    header.moveSection(3, 0)
    settle(lambda: "137" in str(remembered().value("columns/station")))
    again = StationTable(screened)
    assert again._columns_in_sight() == [names[3], *names[:3], *names[4:]]
    seen = again.view.horizontalHeader()
    assert (seen.sectionSize(1), seen.sectionSize(2)) == (137, usual)
    again.show_column("kerb", True)
    assert again._columns_in_sight()[0] == names[3]
    assert "kerb" in again._columns_in_sight()
    again.show_column(names[1], False)
    settle(lambda: "kerb" in str(remembered().value("columns/station")))
    third = StationTable(screened)
    assert third._columns_in_sight() == again._columns_in_sight()
    assert names[1] not in third.rows.columns
    third.deleteLater()
    again.deleteLater()
    remembered().set_value("columns/station", "[spoilt")
    plain = StationTable(screened)
    assert plain._columns_in_sight() == names
    plain.deleteLater()


def test_scrolled_while_half_painted(stations: StationTable, settle: Callable[..., None]) -> None:
    """What was still to be painted has moved with the rows; in the end all of it is right."""
    stations.resize(1100, 600)
    stations.show()
    view = stations.view
    # Soon after it is shown it scrolls to the selected station.
    settle(view.selectionModel().hasSelection)
    settle()
    port, bar = view.viewport(), view.verticalScrollBar()
    assert bar.maximum() >= 9

    def is_right() -> bool:
        """Whether what stands on the screen is what a picture of the table shows."""
        screen = stations.window().backingStore().paintDevice()
        at = port.mapTo(stations.window(), port.rect().topLeft())
        assert isinstance(screen, QImage)
        form = QImage.Format.Format_RGB32
        seen = screen.copy(QRect(at, port.size())).convertToFormat(form)
        return seen == port.grab().toImage().convertToFormat(form)

    for to, ink in ((9, "#aa2020"), (2, "#2020aa")):
        look = view.palette()
        look.setColor(QPalette.ColorRole.Text, QColor(ink))
        view.setPalette(look)
        port.repaint()
        # One strip of several; below it are the old colours still.
        turns()._turn()
        bar.setValue(to)
        assert not is_right()
        settle(is_right)
