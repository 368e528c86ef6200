"""The state behind the window: signals on real change, selection in step, edits undoable."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.common.errors import VergelineError
from analysis.findings.reviews import Place, Review, reach_places
from gui.state.corrections import StationKey, correction_table, corrections_of
from gui.state.file_kinds import is_study, kind_of, line_layers
from gui.state.jobs import RoadSource
from gui.state.model import WindowModel

Settle = Callable[..., None]


class Count:
    """Counts a signal's emissions and keeps their arguments."""

    def __init__(self, signal: Any) -> None:
        self.seen: list[tuple[Any, ...]] = []
        signal.connect(lambda *arguments: self.seen.append(arguments))

    def __len__(self) -> int:
        return len(self.seen)


def test_set_settings_same_value_is_no_change(model: WindowModel) -> None:
    """A setter called with what is there already says nothing and leaves nothing to undo."""
    count = Count(model.settings_changed)
    model.set_settings(replace(model.settings))
    model.set_limits(model.limits)
    assert len(count) == 0
    assert model.undo.count() == 0
    assert not model.modified


def test_set_settings_undo_and_redo(model: WindowModel) -> None:
    """An edit is told once, taken back and done again; the modified mark follows."""
    before, count = model.settings, Count(model.settings_changed)
    model.set_settings(replace(before, spacing_m=5.0))
    assert (model.settings.spacing_m, len(count), model.modified) == (5.0, 1, True)
    model.undo.undo()
    assert (model.settings, len(count), model.modified) == (before, 2, False)
    model.undo.redo()
    assert model.settings.spacing_m == 5.0


def test_set_settings_quick_steps_merge(model: WindowModel) -> None:
    """Turning one spin box is one edit; going back to the start leaves none."""
    before = model.settings
    for value in (7.1, 7.2, 7.3):
        model.set_settings(replace(model.settings, pavement_width_m=value), merge="width")
    assert model.undo.count() == 1
    model.undo.undo()
    assert model.settings == before


def test_set_units_only_real_change_is_told_and_remembered(model: WindowModel) -> None:
    """Units are a habit of the person: told once, kept for the next window."""
    count = Count(model.units_changed)
    model.set_units("metric")
    model.set_units("us")
    model.set_units("us")
    assert len(count) == 1
    assert WindowModel(model.runner).units == "us"


@pytest.mark.parametrize("call", ["units", "style", "state", "what"])
def test_setters_refuse_unknown_words(screened_or_empty: WindowModel, call: str) -> None:
    """A misspelt option is an error of the program, not a silent default."""
    model = screened_or_empty
    with pytest.raises(ValueError, match="must be"):
        if call == "units":
            model.set_units("imperial")
        elif call == "style":
            model.set_station_style("miles")
        elif call == "state":
            model.set_review(Place.station("r", "left", 0.0), "maybe")
        else:
            model.correct(0, 0, 0, "crown", 1.0)


@pytest.fixture
def screened_or_empty(model: WindowModel) -> WindowModel:
    return model


def test_set_span_drops_echo(model: WindowModel) -> None:
    """A view that answers with nearly what it was told changes nothing."""
    count = Count(model.span_changed)
    asker = object()
    model.set_span(100.0, 200.0, origin=asker)
    assert model.span_origin is asker
    model.set_span(100.05, 199.95)
    model.set_span(200.0, 100.0)
    assert len(count) == 1
    model.set_span(100.0, 260.0)
    assert count.seen[-1] == (100.0, 260.0)


def test_road_without_terrain_waits_with_a_word(model: WindowModel) -> None:
    """A road is read into the plane of its terrain: it waits for that, and the person is told."""
    count = Count(model.message)
    source = RoadSource("/nowhere/road.gpkg")
    model.open_roads(source)
    assert count.seen == [("road.gpkg is read as soon as its terrain is open.",)]
    assert model.inputs.source == source
    assert not model.can_screen


def test_screen_without_inputs_is_one_sentence(model: WindowModel) -> None:
    """Screening nothing says what is missing."""
    count = Count(model.failed)
    model.screen()
    assert len(count) == 1


def test_open_bad_files_loses_nothing(
    screened: WindowModel, tmp_path: Path, settle: Settle
) -> None:
    """A missing or unreadable file ends in one sentence; study, terrain and roads stay."""
    told: list[VergelineError] = []
    study, terrain, roads = screened.study, screened.terrain, screened.roads
    bad = tmp_path / "notes.tif"
    bad.write_text("no raster")
    for call in (
        lambda: screened.open_terrain(str(tmp_path / "missing.tif"), failed=told.append),
        lambda: screened.open_terrain(str(bad), failed=told.append),
        lambda: screened.open_roads(RoadSource(str(bad)), failed=told.append),
        lambda: screened.open_study(str(bad), failed=told.append),
    ):
        before = len(told)
        call()
        settle(lambda n=before: len(told) > n)
        settle(screened.runner.idle)
    assert len(told) == 4
    assert all("Traceback" not in text and "\n" not in text for text in map(str, told))
    assert screened.study is study
    assert (screened.terrain, screened.roads) == (terrain, roads)


def test_screen_finds_the_fault(screened: WindowModel) -> None:
    """The reversed right shoulder between 80 and 140 m won't shed, the rest of it mostly does."""
    stations = screened.findings.stations
    right = stations["side"] == "right"
    s = stations["distance_m"]
    inside = right & (s > 90.0) & (s < 128.0)
    outside = ~right & (s > 20.0) & (s < 180.0)
    assert set(stations["verdict"][inside]) == {"won't shed"}
    assert "won't shed" not in set(stations["verdict"][outside])
    assert screened.modified


def test_index_rows_agree_with_table(screened: WindowModel) -> None:
    """Road, station and side lead to the row that says the same, and back."""
    stations = screened.findings.stations
    for road_index, road in enumerate(screened.index):
        for station_index in (0, 3, len(road.station_m) - 1):
            for side in (0, 1):
                row = screened.station_row(road_index, station_index, side)
                assert stations["road"][row] == road.name
                assert stations["side"][row] == ("left", "right")[side]
                assert stations["station_m"][row] == road.station_m[station_index]
                assert screened.station_at_row(row) == (road_index, station_index, side)
    with pytest.raises(IndexError, match="has no row"):
        screened.station_at_row(len(stations))


def test_select_station_told_once_and_consistent(screened: WindowModel) -> None:
    """One selection is one signal, with the reach already in step."""
    seen: list[tuple[int, int, int]] = []
    screened.select_station(0, 0, 0)
    screened.selection_changed.connect(
        lambda: seen.append((screened.station_index, screened.side, screened.reach_row))
    )
    fault = screened.nearest_station(0, 110.0)
    screened.select_station(0, fault, 1)
    screened.select_station(0, fault, 1)
    assert len(seen) == 1
    station, side, row = seen[0]
    reaches = screened.findings.reaches
    label = screened.index[0].station_m[station]
    assert reaches["side"][row] == ("left", "right")[side] == "right"
    low, high = sorted((reaches["from_m"][row], reaches["to_m"][row]))
    assert low - 10.0 <= label <= high + 10.0


@pytest.mark.parametrize(("asked", "kept"), [(-5, 0), (10**6, None)])
def test_select_station_beyond_the_ends_stays_on_the_road(
    screened: WindowModel, asked: int, kept: int | None
) -> None:
    """Going past the end stops at the end."""
    screened.select_station(0, 5)
    screened.select_station(0, asked)
    last = len(screened.index[0].station_m) - 1
    assert screened.station_index == (last if kept is None else kept)
    screened.select_station(7, 0)
    assert screened.road_index == 0


def test_select_reach_goes_to_its_worst_station(screened: WindowModel) -> None:
    """Choosing a reach looks at the station in it that is most likely at fault."""
    row = screened.failing_reaches()[0]
    screened.select_reach(row)
    stations, loaded = screened.findings.stations, screened.loaded
    first, last = int(loaded.reach_first[row]), int(loaded.reach_last[row])
    rows = screened.index[0].rows[first : last + 1, screened.side]
    here = stations["p_wont_shed"][screened.station_row(0, screened.station_index, screened.side)]
    assert here == np.nanmax(stations["p_wont_shed"][rows])
    assert screened.reach_row == row


def test_next_finding_visits_each_and_wraps(screened: WindowModel) -> None:
    """Stepping through findings meets every unsound reach once, then begins again."""
    unsound = np.flatnonzero(screened.findings.reaches["verdict"] != "sheds")
    screened.select_station(0, 0, 0)
    seen = []
    for _ in range(len(unsound)):
        screened.next_finding(1)
        seen.append(screened.reach_row)
    assert sorted(seen) == sorted(unsound.tolist())
    screened.next_finding(1)
    assert screened.reach_row == seen[0]
    screened.next_finding(-1)
    assert screened.reach_row == seen[-1]


def test_set_limits_judges_again_and_undo_brings_the_verdicts_back(
    screened: WindowModel, settle: Settle
) -> None:
    """Strict limits accuse sound stretches without measuring; undo takes that back."""
    before = list(screened.findings.stations["verdict"])
    breaks = screened.study.roads[0].breaks
    strict = screened.limits.with_value("shoulder_over_pavement_points", 6.0)
    screened.set_limits(strict)
    settle(lambda: screened.study.limits == strict)
    after = list(screened.findings.stations["verdict"])
    assert after.count("won't shed") > 2 * before.count("won't shed")
    assert screened.study.roads[0].breaks is breaks
    screened.undo.undo()
    settle(lambda: screened.study.limits == screened.limits)
    settle(screened.runner.idle)
    assert list(screened.findings.stations["verdict"]) == before


def test_correct_measures_again_and_is_marked(screened: WindowModel, settle: Settle) -> None:
    """A corrected edge is used, marked as given, kept by a new screening, and given back."""
    station = screened.nearest_station(0, 60.0)
    found = float(screened.study.roads[0].breaks.edge[station, 0])
    screened.correct(0, station, 0, "edge", found + 0.4)
    settle(lambda: screened.study.roads[0].breaks.edge[station, 0] == pytest.approx(found + 0.4))
    assert screened.correction(0, station, 0, "edge") == pytest.approx(found + 0.4)
    row = screened.station_row(0, station, 0)
    assert screened.findings.stations["edge_source"][row] == "given"
    study = screened.study
    screened.screen()
    settle(lambda: screened.study is not study)
    settle(screened.runner.idle)
    assert screened.study.roads[0].breaks.edge[station, 0] == pytest.approx(found + 0.4)
    screened.clear_corrections()
    settle(lambda: screened.study.roads[0].breaks.edge[station, 0] != pytest.approx(found + 0.4))
    assert screened.corrections == {}


def test_set_settings_after_screening_is_stale_until_screened(
    screened: WindowModel, settle: Settle
) -> None:
    """Other widths don't change the study by themselves; the window says that it is behind."""
    stale = Count(screened.stale_changed)
    study = screened.study
    screened.set_settings(replace(screened.settings, spacing_m=20.0))
    assert (screened.stale, len(stale)) == (True, 1)
    screened.screen()
    settle(lambda: screened.study is not study)
    assert not screened.stale
    assert screened.study.settings.spacing_m == 20.0


def test_screen_cancel_keeps_the_old_study(screened: WindowModel, settle: Settle) -> None:
    """A cancelled screening changes nothing and leaves nothing busy."""
    study = screened.study
    off: list[str] = []
    screened.runner.called_off.connect(lambda key, title: off.append(key))
    screened.screen()
    screened.runner.cancel("screen")
    settle(screened.runner.idle)
    assert screened.study is study
    assert off == ["screen"]
    assert not screened.runner.busy


def test_save_and_reopen_exactly(
    screened: WindowModel, tmp_path: Path, settle: Settle, runner: Any
) -> None:
    """What was saved comes back: tables, settings, limits, corrections, reviews, sections."""
    station = screened.nearest_station(0, 60.0)
    screened.correct(0, station, 0, "hinge", 5.2)
    screened.set_review(screened.station_key(0, station, 0), "rejected", "a driveway")
    screened.set_review(screened.reach_key(0), "agreed")
    screened.set_limits(screened.limits.with_value("rut_mm", 25.0))
    settle(screened.runner.idle)
    path = str(tmp_path / "study.gpkg")
    screened.save(path)
    settle(lambda: screened.path == path)
    assert not screened.modified

    other = WindowModel(runner)
    other.open_study(path)
    settle(lambda: other.study is not None)
    settle(runner.idle)
    assert other.path == path
    assert not other.modified
    assert other.settings == screened.settings
    assert other.limits == screened.limits
    assert other.corrections == screened.corrections
    assert other.reviews == screened.reviews
    for name in ("stations", "reaches"):
        mine, theirs = getattr(screened.findings, name), getattr(other.findings, name)
        for column in mine.names():
            if mine[column].dtype == object:
                assert list(mine[column]) == list(theirs[column]), column
            else:
                np.testing.assert_allclose(
                    mine[column], theirs[column], rtol=1e-9, atol=1e-9, err_msg=column
                )


def test_save_while_judging_holds_what_was_asked_for(
    screened: WindowModel, tmp_path: Path, settle: Settle
) -> None:
    """Saving right after an edit waits for its result."""
    from analysis.findings.geopackage import read_findings

    before = list(screened.findings.stations["verdict"]).count("won't shed")
    screened.set_limits(screened.limits.with_value("shoulder_over_pavement_points", 6.0))
    path = str(tmp_path / "study.gpkg")
    screened.save(path)
    settle(lambda: screened.path == path)
    assert list(read_findings(path).stations["verdict"]).count("won't shed") > 2 * before


def test_save_failure_keeps_the_good_file(
    screened: WindowModel, tmp_path: Path, settle: Settle
) -> None:
    """A place that can't be written is one sentence; the study stays modified."""
    told: list[VergelineError] = []
    screened.save(str(tmp_path / "none" / "study.gpkg"), failed=told.append)
    settle(lambda: bool(told))
    assert "folder" in str(told[0])
    assert screened.modified
    assert screened.path == ""


def test_open_study_without_its_terrain_shows_the_tables(
    model: WindowModel, tmp_path: Path, settle: Settle, runner: Any, road_files: tuple[str, str]
) -> None:
    """A study whose grid is gone still shows its findings, and says why there are no sections."""
    screened = model
    model.open_files(road_files[0], RoadSource(road_files[1]))
    settle(lambda: bool(model.roads))
    model.screen()
    settle(lambda: model.study is not None)
    path = str(tmp_path / "study.gpkg")
    screened.save(path)
    settle(lambda: screened.path == path)
    Path(road_files[0]).unlink()
    other = WindowModel(runner)
    told = Count(other.message)
    other.open_study(path)
    settle(lambda: other.findings is not None)
    settle(runner.idle)
    assert other.study is None
    assert len(other.findings.stations) == len(screened.findings.stations)
    assert any("sections" in words[0] for words in told.seen)
    other.select_reach(0)
    assert other.reach_row == 0


def test_close_study_empties_everything(screened: WindowModel) -> None:
    """Closing goes back to the very beginning."""
    screened.correct(0, 3, 0, "edge", 3.3)
    screened.close_study()
    assert screened.findings is screened.terrain is None
    assert screened.roads == ()
    assert screened.corrections == {}
    assert not screened.modified
    assert screened.undo.count() == 0
    screened.next_station(1)
    screened.next_finding(1)
    screened.select_reach(0)


def test_correction_table_round_trip() -> None:
    """Corrections survive the way through the file's table."""
    edits = {StationKey("A", 12.5, "left", "edge"): 3.45}
    assert corrections_of(correction_table(edits)) == edits
    assert corrections_of(correction_table({})) == {}


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("dem.TIF", "terrain"),
        ("dem.vrt", "terrain"),
        ("road.gpkg", "road"),
        ("road.shp", "road"),
        ("limits.toml", "limits"),
        ("notes.txt", ""),
    ],
)
def test_kind_of(name: str, kind: str) -> None:
    """Dropped files are told by their names."""
    assert kind_of(name) == kind


def test_is_study_and_line_layers(
    screened: WindowModel, tmp_path: Path, settle: Settle, road_files: tuple[str, str]
) -> None:
    """A GeoPackage is told apart by its layers, any other file is neither."""
    path = str(tmp_path / "study.gpkg")
    screened.save(path)
    settle(lambda: screened.path == path)
    assert is_study(path)
    assert not is_study(road_files[1])
    assert not is_study(road_files[0])
    assert len(line_layers(road_files[1])) == 1
    assert line_layers(str(tmp_path / "none.gpkg")) == []


def test_review_is_signed_and_remembers_what_was_found(screened: WindowModel) -> None:
    """Who, when and on what finding; a later word keeps note and photographs; all undoable."""
    screened.set_reviewer("  A. Walker ")
    place = screened.reach_key(0)
    given = Review("agreed", note="after rain", photos=("north end.jpg",))
    screened.put_review(place, given)
    put = screened.reviews[place]
    assert (put.reviewer, put.note, put.photos) == ("A. Walker", "after rain", ("north end.jpg",))
    assert screened.findings is not None
    assert put.finding == screened.findings.reaches["finding"][0]
    assert put.verdict == screened.findings.reaches["verdict"][0]
    assert put.at.endswith("+00:00")
    screened.set_review(place, "rejected", "driveway")
    assert screened.reviews[place].photos == ("north end.jpg",)
    found = screened.reviewed_findings()
    assert found is not None
    assert list(found.reviews["state"]) == ["rejected"]
    screened.undo.undo()
    assert not screened.reviews or screened.reviews[place].state == "agreed"


def test_reaches_to_work_leave_out_what_was_rejected(screened: WindowModel) -> None:
    rows = screened.reaches_to_work()
    assert screened.findings is not None and rows
    ranks = screened.findings.reaches["rank"][rows]
    assert ranks.tolist() == sorted(ranks)
    place = reach_places(screened.findings.reaches)[rows[0]]
    screened.set_review(place, "rejected", "bushes")
    assert screened.reaches_to_work() == rows[1:]
