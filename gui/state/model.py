"""The state behind the window: what is open, what was found, what is selected, how it is shown.

Views hold no results. They read from `WindowModel`, call its setters, and listen to its signals,
each of which is sent only when something really changed. An edit of a person (limits, settings, a
corrected break, a review) goes through the undo stack; measuring and judging again happens in the
runner and ends in `study_changed`.
"""

from __future__ import annotations

import getpass
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, QTimer, Signal
from PySide6.QtGui import QUndoStack

from analysis.common.errors import HeightUnitError, VergelineError
from analysis.common.sides import SIDES
from analysis.common.verdicts import Treatment, Verdict
from analysis.common.writing import Writing
from analysis.findings.reviews import (
    NOBODY,
    Decision,
    Place,
    Review,
    Reviews,
    StandingReaches,
    review_table,
    standing_reaches,
)
from gui.look.remembered import remembered
from gui.state import jobs
from gui.state.beside import SECOND, Beside
from gui.state.calculating import Calculator, InThread
from gui.state.corrections import StationKey
from gui.state.drafts import Drafts
from gui.state.edits import Edit
from gui.state.loaded import Loaded, RoadIndex, dated, same_stations, summary
from gui.state.runner import Progress, Runner
from gui.state.typed_readings import TypedReadings

if TYPE_CHECKING:
    from analysis.common.limits import Limits
    from analysis.common.settings import Settings
    from analysis.common.stations import StationStyle
    from analysis.findings.checkplan import CheckPlan
    from analysis.findings.geopackage import Findings
    from analysis.findings.two_surveys import SurveyChange
    from analysis.road.roadline import Road
    from analysis.study.values import RoadStudy, Study
    from analysis.terrain.grid import Terrain

__all__ = ["EXTRA_KINDS", "SIDES", "StationKey", "WindowModel"]

EXTRA_KINDS = ("mask", "edges", "widths", "culverts", "points", "image", "kerbs")


class WindowModel(QObject):
    """State of one window.

    Signals
    -------
    inputs_changed
        Another terrain or other roads are open.
    study_changed
        `study` or `findings` is another (screened, judged or measured again, opened, closed).
    selection_changed
        Road, station, side or reach; sent once with all four already consistent.
    span_changed(s0, s1)
        The part of the current road that the views show, metres along it. `span_origin` is the
        object that asked for it: a view skips its own echo.
    units_changed, limits_changed, settings_changed, corrections_changed, reviews_changed
        As named.
    modified_changed(bool), path_changed(str), stale_changed(bool)
        Whether there is something to save; the study's file; whether inputs or settings changed
        after the screening.
    second_changed
        The study to compare with was opened or closed.
    surveyed_changed
        The day of the survey behind the terrain is another.
    survey_change_changed
        What changed between two dated surveys is another, or nothing any more.
    check_plan_changed
        Other places are drawn to be checked, or none any more.
    asked(what)
        A view asks the window for something that needs a dialog: "terrain", "road", or one of
        `EXTRA_KINDS`.
    sheets_asked(book, name)
        A view asks the window to show a book of sheets, to be saved under a name or printed.
    reason_wanted(places)
        A view wants places rejected, and the window asks why.
    unit_doubted(str)
        The road can't be screened because its heights look like feet; says by what.
    message(str), failed(str, str)
        A line for the status bar; title and sentence of something that failed.

    Attributes
    ----------
    Views read these and leave them alone: what changes them also tells.

    inputs
        The open grid, its roads and what was added, with their files.
    loaded
        Study and findings with their look-ups, as one unchanging thing for workers.
    road_index, station_index, side, reach_row
        What is selected: 0 left, 1 right; `reach_row` is the row of the reach table that holds
        the station and side, or -1.
    span
        The part of the current road that the views show, or None before any view told.
    units, station_style
        How numbers are shown ("metric" or "us"), and stations: "km" (2+340) or "feet-hundreds"
        (23+40).
    beside, typed, drafts
        What was set in the panes beside the findings, among it readings from the field, both kept
        with them; what was typed and not entered.
    path
        File of the open study; empty for one that was never saved.
    modified, stale
        Whether there is something to save; whether inputs or settings changed after the screening.
    """

    inputs_changed = Signal()
    study_changed = Signal()
    selection_changed = Signal()
    span_changed = Signal(float, float)
    units_changed = Signal()
    limits_changed = Signal()
    settings_changed = Signal()
    corrections_changed = Signal()
    reviews_changed = Signal()
    modified_changed = Signal(bool)
    path_changed = Signal(str)
    stale_changed = Signal(bool)
    second_changed = Signal()
    surveyed_changed = Signal()
    survey_change_changed = Signal()
    check_plan_changed = Signal()
    message = Signal(str)
    failed = Signal(str, str)
    asked = Signal(str)
    sheets_asked = Signal(object, str)
    reason_wanted = Signal(object)
    unit_doubted = Signal(str)

    inputs: jobs.Inputs
    road_index: int
    span: tuple[float, float] | None
    _settings: Settings | None
    _limits: Limits | None
    _corrections: dict[StationKey, float]
    _reviews: Reviews
    _screen_due: bool
    _screened_from: jobs.Inputs | None

    def __init__(
        self,
        runner: Runner | None = None,
        parent: QObject | None = None,
        *,
        calculator: Calculator | None = None,
    ) -> None:
        super().__init__(parent)
        self.runner = runner if runner is not None else Runner()
        self.calculator = calculator if calculator is not None else InThread()
        self.undo = QUndoStack(self)
        self.undo.setUndoLimit(500)
        self.beside = Beside(self)
        self.typed = TypedReadings(self.beside, self)
        self.drafts = Drafts(self)
        self._after_update: list[Callable[[], None]] = []
        self.loaded: Loaded | None = None
        self._second: Loaded | None = None
        self.survey_change: SurveyChange | None = None
        self.check_plan: CheckPlan | None = None
        self._standing: tuple[Loaded | None, Reviews, StandingReaches] | None = None
        self._start_over(jobs.Inputs())
        self.span_origin: object | None = None
        self.path = ""
        self.modified = self.stale = False
        store = remembered()
        self.units = "us" if store.value("units") == "us" else "metric"
        style = store.value("station_style")
        self.station_style: StationStyle = "feet-hundreds" if style == "feet-hundreds" else "km"
        self.undo.cleanChanged.connect(self._tell_modified)
        self.beside.changed.connect(self._tell_modified)
        self.runner.failed.connect(self.failed)
        self.runner.ended.connect(self._on_ended)

    # -- what is open -------------------------------------------------------

    @property
    def terrain(self) -> Terrain | None:
        """The open grid."""
        return self.inputs.terrain

    @property
    def roads(self) -> tuple[Road, ...]:
        """The open centrelines."""
        return self.inputs.roads

    @property
    def study(self) -> Study | None:
        """Everything measured, or None while only a saved file is open."""
        return self.loaded.study if self.loaded else None

    @property
    def measured_here(self) -> RoadStudy | None:
        """What was measured of the selected road; None where the study lacks it."""
        study = self.study
        if study is None or self.road_index >= len(study.roads):
            return None
        return study.roads[self.road_index]

    @property
    def findings(self) -> Findings | None:
        """The result tables."""
        return self.loaded.findings if self.loaded else None

    @property
    def index(self) -> tuple[RoadIndex, ...]:
        """Per road: its name, stations and their rows in the station table."""
        return self.loaded.index if self.loaded else ()

    @property
    def second_study(self) -> Study | None:
        """The study to compare with (before or after)."""
        return self._second.study if self._second else None

    @property
    def settings(self) -> Settings:
        """Spacing, averaging length, nominal widths, surface."""
        if self._settings is None:
            from analysis.common.settings import Settings

            self._settings = Settings()
        return self._settings

    @property
    def limits(self) -> Limits:
        """What counts as a fault."""
        if self._limits is None:
            from analysis.common.limits import default_limits

            self._limits = default_limits(self.settings.surface)
        return self._limits

    @property
    def surveyed(self) -> str:
        """Day on which the open terrain was surveyed (ISO); empty if nobody said."""
        source = self.inputs.terrain_source
        return "" if source is None else source.surveyed

    @property
    def can_screen(self) -> bool:
        """Whether terrain and at least one road are open."""
        return self.terrain is not None and bool(self.roads)

    # -- opening and saving -------------------------------------------------------

    def open_terrain(
        self,
        path: str,
        *,
        vertical_unit: str | None = None,
        warp: bool = False,
        crs: str | None = None,
        failed: Callable[[VergelineError], None] | None = None,
    ) -> None:
        """Open a grid in the runner; roads and additions are read again into its plane."""
        now = self.inputs
        same = now.terrain_source is not None and now.terrain_source.path == path
        day = self.surveyed if same else ""
        wanted = jobs.TerrainSource(path, vertical_unit, warp, crs, day)
        self._open(
            lambda progress: jobs.open_inputs(progress, wanted, now.source, now.extra_paths),
            failed,
            self.tr("Opening the terrain"),
        )

    @property
    def wants_terrain(self) -> bool:
        """Whether a study is open whose terrain isn't where it was."""
        return self.loaded is not None and self.terrain is None

    def give_terrain(
        self, path: str, failed: Callable[[VergelineError], None] | None = None
    ) -> None:
        """Go on with the open study and its terrain at another place; nothing of it is dropped."""
        inputs = self.inputs

        def done(opened: jobs.Inputs) -> None:
            self.take_inputs(opened)
            # The new place is worth saving, whatever the numbers say.
            self._unsaved_result = True
            self._tell_modified()
            if self.can_screen:
                self._put_and_tell("stale", False)
                self._measure_again()

        self.runner.submit(
            "open",
            lambda progress: jobs.open_moved(progress, inputs, path),
            done,
            failed,
            lane="long",
            title=self.tr("Opening the terrain"),
        )

    def open_roads(
        self, source: jobs.RoadSource, failed: Callable[[VergelineError], None] | None = None
    ) -> None:
        """Read centrelines in the runner, or with the terrain where none is open yet."""
        inputs = self.inputs
        if inputs.terrain is None:
            # It is read into the plane of the terrain, so it waits for that.
            self.inputs = replace(inputs, source=source)
            self.inputs_changed.emit()
            self.message.emit(
                self.tr("{name} is read as soon as its terrain is open.").format(
                    name=Path(source.path).name
                )
            )
            return
        self._open(
            lambda progress: jobs.open_roads(progress, inputs, source),
            failed,
            self.tr("Opening the road"),
        )

    def set_extra(
        self, kind: str, path: str | None, failed: Callable[[VergelineError], None] | None = None
    ) -> None:
        """Add a file to grid and road (one of `EXTRA_KINDS`), or take it out again.

        `path` may also be "none" for kerbs: none stands on this road.
        """
        if kind not in EXTRA_KINDS:
            raise ValueError(f"kind must be one of {', '.join(EXTRA_KINDS)}, not {kind!r}")
        inputs = self.inputs
        if inputs.terrain is None:
            return
        paths = {k: p for k, p in inputs.extra_paths.items() if k != kind}
        if path:
            paths[kind] = path
        self._open(
            lambda progress: jobs.open_extras(progress, inputs, paths),
            failed,
            self.tr("Reading what was added"),
        )

    def open_files(
        self,
        terrain: str,
        source: jobs.RoadSource | None,
        failed: Callable[[VergelineError], None] | None = None,
    ) -> None:
        """Open a grid and a road together."""
        wanted = jobs.TerrainSource(terrain)
        self._open(
            lambda progress: jobs.open_inputs(progress, wanted, source), failed, self.tr("Opening")
        )

    def _open(
        self,
        job: Callable[[Any], jobs.Inputs],
        failed: Callable[[VergelineError], None] | None,
        title: str,
    ) -> None:
        self.runner.submit("open", job, self.take_inputs, failed, lane="long", title=title)

    def open_sample(self) -> None:
        """Open the sample terrain with its roads."""
        self._open(jobs.open_sample, None, self.tr("Opening the sample"))

    def take_inputs(self, inputs: jobs.Inputs) -> None:
        """Go on with inputs that a job has opened."""
        self.inputs = inputs
        if self.can_screen:
            ready = self.calculator.get_ready
            self.runner.submit("get ready", lambda _progress: ready(), lane="slow start")
        self._show_in_feet()
        if self.loaded is None:
            self.road_index = min(self.road_index, max(0, len(self.roads) - 1))
        self.inputs_changed.emit()
        self._put_and_tell("stale", self.loaded is not None)
        if inputs.note:
            self.message.emit(inputs.note)
        due, self._screen_due = self._screen_due, False
        if due and self.can_screen:
            self.screen()

    def _show_in_feet(self) -> None:
        """Show a grid that is in feet in feet, unless the person chose units before."""
        terrain = self.terrain
        if terrain is None or remembered().contains("units"):
            return
        if terrain.xy_unit_m != 1.0 and terrain.z_unit_m != 1.0:
            self.set_units("us")
            remembered().remove("units")
            remembered().remove("station_style")

    def screen(self) -> None:
        """Screen the open roads; the result replaces the study in one go."""
        if not self.can_screen:
            self.failed.emit(
                self.tr("Screening"), self.tr("Open a terrain grid and a road centreline first.")
            )
            return
        self._screen(self.take_screened, self.tr("Screening"))

    def screen_network(self, path: str, done: Callable[[str], None]) -> None:
        """Screen the open roads into a file, by all cores; what is open here stays."""
        order = self._order()
        self.runner.submit(
            "network",
            lambda progress: self.calculator.run(progress, jobs.screen_network, order, path),
            done,
            lane="long",
            title=self.tr("Screening into a file"),
            writes=True,
        )

    def _screen(self, take: Callable[[Loaded], None], title: str) -> None:
        order, before = self._order(), self.loaded
        work: tuple[Any, ...] = (jobs.screen, order)
        if before is not None and self._only_own_widths_differ():
            work = (jobs.screen_again, before, order)

        def done(loaded: Loaded) -> None:
            self._screened_from = order.inputs
            take(loaded)

        self.runner.submit(
            "screen",
            lambda progress: self.calculator.run(progress, *work),
            done,
            self._on_unscreened,
            lane="long",
            title=title,
        )

    def _only_own_widths_differ(self) -> bool:
        """Whether all is as it was screened, but for widths that single roads have of their own."""
        study, was, now = self.study, self._screened_from, self.inputs
        if study is None or was is None or study.settings == self.settings:
            return False
        same = all(getattr(was, n) is getattr(now, n) for n in ("terrain", "roads", "extras"))
        apart = study.settings.roads_apart(self.settings)
        screened = {part.road.name for part in study.roads}
        return same and apart is not None and apart <= screened

    def _on_unscreened(self, error: VergelineError) -> None:
        if isinstance(error, HeightUnitError):
            self.unit_doubted.emit(str(error))
        else:
            self.failed.emit(self.tr("Screening"), str(error))

    def screen_once_open(self) -> None:
        """Screen as soon as what is being opened is there."""
        self._screen_due = True

    def _order(self) -> jobs.ScreenOrder:
        return jobs.ScreenOrder(self.inputs, self.settings, self.limits, dict(self._corrections))

    def take_screened(self, loaded: Loaded) -> None:
        """Go on with what a job has screened; nobody has saved it yet."""
        self._unsaved_result = True
        self._take(loaded)
        stale = (
            loaded.study is None
            or loaded.study.settings != self.settings
            or loaded.study.terrain is not self.terrain
        )
        self._put_and_tell("stale", stale)
        self._tell_modified()
        self.message.emit(summary(loaded))
        self._bring_up_to_date()

    def open_study(
        self,
        path: str,
        failed: Callable[[VergelineError], None] | None = None,
        *,
        recovered: bool = False,
        road: str = "",
        then: Callable[[], None] | None = None,
    ) -> None:
        """Open a saved study; its terrain is then measured again behind the scenes.

        A `recovered` one is an autosaved copy: it has no file of its own and needs saving. One
        `road` of a network has none either: saved there, the other roads would be lost. Once it is
        open, `then` go on.
        """

        def done(opened: jobs.Opened) -> None:
            self._take_opened(opened, "" if recovered or road else path)
            if recovered:
                self._unsaved_result = True
                self._tell_modified()
            if road:
                # nothing waits for the rest of the file, but a damaged one is said to be so
                self.runner.submit(
                    "look through",
                    lambda progress: jobs.look_through(progress, path),
                    failed=failed,
                    title=self.tr("Looking through the findings"),
                )
            if then is not None:
                then()

        self.runner.submit(
            "open",
            lambda progress: jobs.open_study(progress, path, road),
            done,
            failed,
            lane="long",
            title=self.tr("Opening the findings"),
        )

    def _take_opened(self, opened: jobs.Opened, path: str) -> None:
        for key in ("update", "screen", "look through"):
            self.runner.cancel(key)
        self.close_second()
        self._start_over(opened.inputs)
        self._corrections, self._reviews = dict(opened.corrections), opened.reviews
        self._settings, self._limits = opened.settings, opened.limits
        self._take(opened.loaded)
        self._stamp = opened.stamp if path else None
        self._put_and_tell("path", path)
        self.beside.take(opened.beside)
        self._tell_all()
        if opened.inputs.note:
            self.message.emit(opened.inputs.note)
        if opened.loaded.study is None and self.can_screen:
            self._measure_again()

    def _measure_again(self) -> None:
        self._screen(self._take_measured_again, self.tr("Measuring again for the sections"))

    def _take_measured_again(self, loaded: Loaded) -> None:
        # The file's tables are what the person saved; only the measurements behind them are new,
        # unless the numbers differ, which the person must then know.
        same = self.loaded is not None and same_stations(self.loaded, loaded)
        self._take(loaded)
        if not same:
            self._unsaved_result = True
            self._tell_modified()
            self.message.emit(
                self.tr(
                    "Measured again with other numbers than the file holds: the terrain, the road "
                    "or the program is another one now."
                )
            )
        self._bring_up_to_date()
        self._open_second_again()

    def save(
        self,
        path: str,
        done: Callable[[], None] | None = None,
        failed: Callable[[VergelineError], None] | None = None,
        *,
        copy: bool = False,
    ) -> None:
        """Write the study as one GeoPackage; `copy` leaves path and modified state alone.

        A copy waits for no other work: what a person changed is in it before it was measured.
        """
        if self.loaded is None:
            return
        if not copy and self.runner.is_running("update"):
            # The file must hold what the person sees asked for, so the update goes first.
            self._after_update.append(lambda: self.save(path, done, failed))
            return
        order = jobs.SaveOrder(
            self.loaded.findings,
            self.settings,
            self.limits,
            dict(self._corrections),
            self._reviews,
            path,
            self._stamp if path == self.path and not copy else None,
            self.beside.to_json(),
            copy,
        )
        loaded, undo_index = self.loaded, self.undo.index()

        def saved(stamp: jobs.Stamp | None) -> None:
            if not copy:
                self._stamp = stamp
                if self.loaded is loaded:
                    self._unsaved_result = False
                if self.undo.index() == undo_index:
                    self.undo.setClean()
                self.beside.note_saved(order.beside)
                self._put_and_tell("path", path)
                self._tell_modified()
                self.message.emit(self.tr("Saved {name}").format(name=Path(path).name))
            if done is not None:
                done()

        self.runner.submit(
            "autosave" if copy else "save",
            lambda progress: jobs.save(progress, order, self._write),
            saved,
            failed,
            lane="quick" if copy else "long",
            title="" if copy else self.tr("Saving"),
        )

    def _write(self, progress: Progress, findings: Findings, path: str) -> None:
        """Write findings without holding the window; for workers."""
        self.calculator.run(progress, jobs.write, findings, path, writes=True)

    def open_second(
        self, path: str, failed: Callable[[VergelineError], None] | None = None
    ) -> None:
        """Screen the open roads on a second grid, to compare before and after."""
        if self.loaded is None or not self.roads:
            self.failed.emit(
                self.tr("Comparing"), self.tr("Screen a road first, then add a grid to compare.")
            )
            return
        order = self._order()
        self.beside.put(SECOND, path)
        self.runner.submit(
            "second",
            lambda progress: self.calculator.run(progress, jobs.screen_other, order, path),
            self._take_second,
            failed,
            lane="long",
            title=self.tr("Screening the grid to compare"),
        )

    def _open_second_again(self) -> None:
        """Go on comparing with the grid that was open with these findings."""
        path = self.beside.get(SECOND)
        if path and self._second is None and not self.runner.is_running("second"):
            self.open_second(str(path), lambda error: self.message.emit(str(error)))

    def _forget_second(self) -> None:
        if self._second is None and not self.runner.is_running("second"):
            self.beside.put(SECOND, None)

    def _take_second(self, loaded: Loaded) -> None:
        self._second = loaded
        self.second_changed.emit()

    def set_survey_change(self, change: SurveyChange | None) -> None:
        """Let the views show what changed between two surveys of these roads."""
        if change is not self.survey_change:
            self.survey_change = change
            self.survey_change_changed.emit()

    def set_check_plan(self, plan: CheckPlan | None) -> None:
        """Let the map show which places are drawn to be checked."""
        if plan is not self.check_plan:
            self.check_plan = plan
            self.check_plan_changed.emit()

    def close_second(self) -> None:
        """Stop comparing."""
        self.beside.put(SECOND, None)
        if self._second is not None:
            self._second = None
            self.second_changed.emit()

    def close_study(self) -> None:
        """Back to an empty window; the caller has asked about unsaved changes."""
        self.runner.cancel_all()
        self.close_second()
        self._start_over(jobs.Inputs())
        self.loaded = None
        self._put_and_tell("path", "")
        self.study_changed.emit()
        self.beside.take("")
        self._tell_all()

    def _start_over(self, inputs: jobs.Inputs) -> None:
        self.undo.clear()
        self.drafts.forget()
        self.inputs = inputs
        self._corrections, self._reviews = {}, {}
        self._settings = self._limits = None
        self._unsaved_result = self._screen_due = False
        self._screened_from = None
        self._stamp = None
        self.road_index = self.station_index = self.side = 0
        self.reach_row = -1
        self.span = None

    def _tell_all(self) -> None:
        self._put_and_tell("stale", False)
        self._tell_modified()
        for signal in (
            self.inputs_changed,
            self.settings_changed,
            self.limits_changed,
            self.corrections_changed,
            self.reviews_changed,
            self.selection_changed,
        ):
            signal.emit()

    # -- edits, all undoable -------------------------------------------------------

    def set_limits(self, limits: Limits, *, text: str = "", merge: str = "") -> None:
        """Judge by other limits; the study follows at once."""
        if limits != self.limits:
            self._edit(text or self.tr("Change limits"), "limits", limits, merge)

    def set_settings(self, settings: Settings, *, text: str = "", merge: str = "") -> None:
        """Change spacing, widths and the like; takes effect with the next screening."""
        if settings != self.settings:
            self._edit(text or self.tr("Change settings"), "settings", settings, merge)

    def set_surveyed(self, day: str) -> None:
        """Say on which day the terrain was surveyed (ISO; empty if unknown); nothing is measured.

        The findings of this terrain say so from now on, and all that leaves the tool with them.
        """
        source, now = self.inputs.terrain_source, self.surveyed
        if source is None or day == now:
            return
        # A day belongs to its terrain: undone once another is open, it is left alone.
        put = partial(self._put_surveyed, source.path)
        text = self.tr("Change the day of the survey")
        self.undo.push(Edit(text, put, now, day, f"day {source.path}"))

    def _put_surveyed(self, path: str, day: str) -> None:
        source = self.inputs.terrain_source
        if source is None or source.path != path:
            return
        self.inputs = replace(self.inputs, terrain_source=replace(source, surveyed=day))
        if self.loaded is not None:
            self.loaded = self._dated(self.loaded)
        self.surveyed_changed.emit()
        self._tell_modified()

    def _dated(self, loaded: Loaded) -> Loaded:
        """Date findings as the open terrain is, unless they are of another one."""
        study = loaded.study
        own = not self.stale if study is None else study.terrain is self.terrain
        return dated(loaded, self.surveyed) if own else loaded

    def correct(
        self, road_index: int, station_index: int, side: int, what: str, u_m: float | None
    ) -> None:
        """Correct an edge or hinge (metres outward), or give it back to the search with None."""
        if what not in ("edge", "hinge"):
            raise ValueError(f"what is corrected must be 'edge' or 'hinge', not {what!r}")
        key = self._break_key(road_index, station_index, side, what)
        if self._corrections.get(key) == u_m:
            return
        corrections = dict(self._corrections)
        if u_m is None:
            corrections.pop(key, None)
            text = self.tr("Give back the {what}")
        else:
            corrections[key] = float(u_m)
            text = self.tr("Move the {what}")
        words = {"edge": self.tr("edge"), "hinge": self.tr("hinge")}[what]
        self._edit(text.format(what=words), "corrections", corrections, f"{key}")

    def answer_kerb(self, reach_row: int, stands: bool) -> None:
        """Say for a whole reach whether a kerb stands there; it survives like any correction."""
        found = self.findings
        if found is None or self.study is None:
            return
        reach = {name: found.reaches[name][reach_row] for name in ("road", "side")}
        road_index = [road.name for road in self.index].index(reach["road"])
        side = SIDES.index(reach["side"])
        ends = (int(found.reaches[name][reach_row]) for name in ("first_index", "last_index"))
        first, last = ends
        corrections = dict(self._corrections)
        for station in range(first, last + 1):
            key = self._break_key(road_index, station, side, "kerb")
            corrections[key] = float(stands)
        text = self.tr("A kerb stands here") if stands else self.tr("No kerb stands here")
        self._edit(text, "corrections", corrections)

    def clear_corrections(self) -> None:
        """Give every corrected break back to the search."""
        if self._corrections:
            self._edit(self.tr("Give back all breaks"), "corrections", {})

    @property
    def corrections(self) -> dict[StationKey, float]:
        """A person's corrections: metres outward, and 1 or 0 for a kerb."""
        return dict(self._corrections)

    @property
    def reviews(self) -> Reviews:
        """All reviews by their place."""
        return self._reviews

    @property
    def reach_reviews(self) -> StandingReaches:
        """Which review governs each reach of the table; worked out once for all who ask."""
        known = self._standing
        if known is None or known[0] is not self.loaded or known[1] is not self._reviews:
            fresh, loaded = NOBODY, self.loaded
            if loaded is not None:
                reaches, places = loaded.findings.reaches, loaded.reach_places
                fresh = standing_reaches(reaches, self._reviews, places)
            known = self._standing = (loaded, self._reviews, fresh)
        return known[2]

    def reviewed_findings(self) -> Findings | None:
        """Return the result tables with the reviews as they are now, for whatever leaves."""
        found = self.findings
        return None if found is None else replace(found, reviews=review_table(self._reviews))

    def correction(self, road_index: int, station_index: int, side: int, what: str) -> float | None:
        """Return the correction at one station, or None."""
        return self._corrections.get(self._break_key(road_index, station_index, side, what))

    def _break_key(self, road_index: int, station_index: int, side: int, what: str) -> StationKey:
        road = self.index[road_index]
        distance = round(float(road.distance_m[station_index]), 3)
        return StationKey(road.name, distance, SIDES[side], what)

    def set_review(self, place: Place, state: str, reason: str = "") -> None:
        """Note a person's view of a station or reach; an empty state takes it back."""
        self.review_all([place], state, reason)

    def review_all(self, places: Sequence[Place], state: str, reason: str = "") -> None:
        """Give one review to many places, as one edit; note and photographs of each stay."""
        new: dict[Place, Review | None] = {}
        for place in places:
            old = self._reviews.get(place)
            if (old is None and not state) or (old and (old.state, old.reason) == (state, reason)):
                continue
            kept = old if old is not None else Review(Decision.TO_CHECK)
            new[place] = replace(kept, state=state, reason=reason) if state else None
        if new:
            self._put_reviews(new)

    def put_review(self, place: Place, review: Review) -> None:
        """Give a place a whole review, with note and photographs; it is signed and dated here."""
        self._put_reviews({place: review})

    def _put_reviews(self, new: Mapping[Place, Review | None]) -> None:
        reviews = dict(self._reviews)
        now = datetime.now(UTC).isoformat(timespec="seconds")
        for place, review in new.items():
            reviews.pop(place, None)
            if review is not None:
                finding, verdict = self._found_at(place)
                review = replace(review, reviewer=self.reviewer, at=now)
                reviews[place] = replace(review, finding=finding, verdict=verdict)
        words = self.tr("Review")
        if len(new) > 1:
            words = self.tr("Review (rows: {count})").format(count=len(new))
        self._edit(words, "reviews", reviews, f"review {next(iter(new))}" if len(new) == 1 else "")

    def _found_at(self, place: Place) -> tuple[str, str]:
        """Return finding and verdict at a place, both empty where none is."""
        loaded = self.loaded
        row = -1 if loaded is None else loaded.row_of(place)
        if loaded is None or row < 0:
            return "", ""
        found = loaded.findings
        table = found.reaches if place.kind == "reach" else found.stations
        return str(table["finding"][row]), str(table["verdict"][row])

    def review(self, place: Place) -> tuple[str, str]:
        """State and reason that a person gave; both empty if none."""
        found = self._reviews.get(place)
        return (found.state, found.reason) if found else ("", "")

    @property
    def reviewer(self) -> str:
        """Name that reviews are signed with: as set, else as the person logged in."""
        return str(remembered().value("reviewer", "") or login_name())

    def set_reviewer(self, name: str) -> None:
        """Sign reviews with another name from now on."""
        remembered().set_value("reviewer", name.strip())

    def _edit(self, text: str, name: str, new: Any, merge: str = "") -> None:
        """Change a field by the undo stack; edits of one `merge` soon after each other are one."""
        self.undo.push(Edit(text, partial(self._put, name), getattr(self, name), new, merge))

    def _put(self, name: str, value: Any) -> None:
        """Put an edited field in its place (called by the undo stack only)."""
        setattr(self, f"_{name}", value)
        getattr(self, f"{name}_changed").emit()
        if name == "settings":
            study = self.study
            self._put_and_tell("stale", study is not None and study.settings != value)
        elif name in ("limits", "corrections"):
            self._bring_up_to_date()
        self._tell_modified()

    def _bring_up_to_date(self) -> None:
        """Measure and judge again whatever the wanted limits and corrections ask for."""
        loaded = self.loaded
        if loaded is None or loaded.study is None:
            return
        if loaded.corrections == self._corrections and loaded.study.limits == self.limits:
            self.runner.cancel("update")
            return
        limits, corrections = self.limits, dict(self._corrections)

        def job(progress: Progress) -> Loaded:
            unread = jobs.unread(loaded, limits, corrections)
            given = loaded, limits, corrections
            return self.calculator.run(progress, jobs.update, *given, unread=unread)

        self.runner.submit(
            "update", job, self._take_updated, lane="long", title=self.tr("Judging again")
        )

    def _take_updated(self, loaded: Loaded) -> None:
        self._take(loaded)
        self._bring_up_to_date()

    def _on_ended(self, key: str) -> None:
        if key == "update" and self._after_update:
            # The result is delivered right after this signal.
            waiting, self._after_update = self._after_update, []
            for call in waiting:
                QTimer.singleShot(0, call)
        elif key == "second":
            # Called off or failed, unless the result is just on its way.
            QTimer.singleShot(0, self._forget_second)

    # -- showing -------------------------------------------------------

    def set_units(self, units: str) -> None:
        """Show numbers in "metric" or "us" units; stations are then written to match."""
        if units in ("metric", "us") and units != self.units:
            self.station_style = "feet-hundreds" if units == "us" else "km"
            remembered().set_value("station_style", self.station_style)
        self._write_as("units", units, ("metric", "us"))

    def _write_as(self, name: str, value: str, known: Sequence[str]) -> None:
        if value not in known:
            raise ValueError(f"{name} must be one of {', '.join(known)}, not {value!r}")
        if value != getattr(self, name):
            setattr(self, name, value)
            remembered().set_value(name, value)
            self.units_changed.emit()

    @property
    def writing(self) -> Writing:
        """How sheets write numbers and stations."""
        return Writing(self.units, self.station_style)

    def set_station_style(self, style: str) -> None:
        """Write stations as "km" (2+340) or "feet-hundreds" (23+40)."""
        self._write_as("station_style", style, ("km", "feet-hundreds"))

    # -- selection -------------------------------------------------------

    @property
    def road(self) -> RoadIndex | None:
        """The stations of the current road, or None where none was screened."""
        return self.index[self.road_index] if self.road_index < len(self.index) else None

    @property
    def only_road(self) -> str:
        """Name of the road where there is only one, for the names of files; else empty."""
        names = [road.name for road in self.index or self.roads]
        return names[0] if len(names) == 1 else ""

    @property
    def place_m(self) -> float | None:
        """Distance of the current station along its road, or None where none was screened."""
        road, station = self.road, self.station_index
        if road is None or station >= len(road.distance_m):
            return None
        return float(road.distance_m[station])

    def select_station(self, road_index: int, station_index: int, side: int | None = None) -> None:
        """Select a station; the side stays unless given, the reach follows."""
        if not 0 <= road_index < len(self.index):
            return
        road = self.index[road_index]
        if not len(road.distance_m):
            return
        station_index = min(max(int(station_index), 0), len(road.distance_m) - 1)
        side = self.side if side is None else int(side)
        reach = self.loaded.reach_at(road_index, station_index, side) if self.loaded else -1
        self._select(road_index, station_index, side, reach)

    def select_reach(self, row: int) -> None:
        """Select a reach of the table and, in it, the station most likely at fault."""
        if self.loaded is None or not 0 <= row < len(self.loaded.findings.reaches):
            return
        road_index, station_index, side = self.loaded.station_of_reach(row)
        self._select(road_index, station_index, side, row)

    def select_road(self, road_index: int) -> None:
        """Go to another road, at its first station."""
        if self.index:
            if road_index != self.road_index:
                self.select_station(road_index, 0)
        elif 0 <= road_index < len(self.roads):
            self._select(road_index, 0, self.side, -1)

    def next_station(self, step: int) -> None:
        """Go `step` stations up (or down) the road."""
        self.select_station(self.road_index, self.station_index + step)

    def next_finding(self, step: int) -> None:
        """Go to the next (or previous) reach that doesn't plainly shed, in road order."""
        if self.loaded is None:
            return
        row = self.loaded.next_reach(
            self.road_index, self.station_index, self.side, self.reach_row, step
        )
        if row >= 0:
            self.select_reach(row)
        else:
            self.message.emit(self.tr("Nothing to go to: every reach sheds"))

    def failing_reaches(self) -> list[int]:
        """Rows of the reaches that won't shed, the most pressing first."""
        if self.loaded is None:
            return []
        reaches = self.loaded.findings.reaches
        rows = [row for row in range(len(reaches)) if reaches["verdict"][row] == Verdict.WONT_SHED]
        return sorted(rows, key=lambda row: float(reaches["rank"][row]))

    def reaches_to_work(self) -> list[int]:
        """Rows of the reaches with work that nobody rejected, the most pressing first."""
        from analysis.findings.gpx import reaches_to_see
        from analysis.findings.reviews import standing_reaches

        if self.loaded is None:
            return []
        found = self.loaded.findings
        reviews, _changed = standing_reaches(found.reaches, self._reviews)
        rejected = [own is not None and own.state == Decision.REJECTED for own in reviews]
        looked_at = found.reaches["treatment"] == Treatment.CANT_TELL
        rows = reaches_to_see(found).tolist()
        return [row for row in rows if not (rejected[row] or looked_at[row])]

    def flip_side(self) -> None:
        """Look at the other side of the same station."""
        self.select_station(self.road_index, self.station_index, 1 - self.side)

    def _select(self, road_index: int, station_index: int, side: int, reach: int) -> None:
        new = (road_index, station_index, side, reach)
        if new == (self.road_index, self.station_index, self.side, self.reach_row):
            return
        other_road = road_index != self.road_index
        self.road_index, self.station_index, self.side, self.reach_row = new
        if other_road:
            self.span = None
        self.selection_changed.emit()

    def set_span(self, s0: float, s1: float, origin: object | None = None) -> None:
        """Show another part of the current road in all views that are linked."""
        s0, s1 = float(min(s0, s1)), float(max(s0, s1))
        if self.span is not None:
            # A view that lays out again answers with nearly what it was told; that's an echo.
            slack = 1e-3 * max(s1 - s0, 1e-6)
            if abs(self.span[0] - s0) <= slack and abs(self.span[1] - s1) <= slack:
                return
        self.span = (s0, s1)
        self.span_origin = origin
        self.span_changed.emit(s0, s1)

    # -- from selections to rows and back -------------------------------------------------------

    def station_row(self, road_index: int, station_index: int, side: int) -> int:
        """Row of the station table."""
        return int(self.index[road_index].rows[station_index, side])

    def station_at_row(self, row: int) -> tuple[int, int, int]:
        """Road, station and side of a row of the station table."""
        for road_index, road in enumerate(self.index):
            if road.first_row <= row < road.first_row + road.rows.size:
                station_index, side = divmod(row - road.first_row, 2)
                return road_index, station_index, side
        raise IndexError(f"the station table has no row {row}")

    def nearest_station(self, road_index: int, s: float) -> int:
        """Station of a road nearest to the distance `s` along it."""
        return self.index[road_index].nearest(s)

    def station_key(self, road_index: int, station_index: int, side: int) -> Place:
        """Place of a station for reviews."""
        road = self.index[road_index]
        return Place.station(road.name, SIDES[side], float(road.station_m[station_index]))

    def reach_key(self, row: int) -> Place:
        """Place of a reach for reviews."""
        assert self.loaded is not None
        return self.loaded.reach_places[row]

    # -- inside -------------------------------------------------------

    def _take(self, loaded: Loaded) -> None:
        """Put new results in place and keep the selection where it was on the road."""
        name, place = self.road.name if self.road is not None else "", self.place_m
        # The day may have been given while this was being worked out.
        loaded = self.loaded = self._dated(loaded)
        road_index = station_index = 0
        if place is not None:
            for number, road in enumerate(loaded.index):
                if road.name == name:
                    road_index, station_index = number, road.nearest(place)
                    break
        elif self.road_index < len(loaded.index):
            road_index = self.road_index
        before = (self.road_index, self.station_index, self.reach_row)
        self.road_index, self.station_index = road_index, station_index
        self.reach_row = loaded.reach_at(road_index, station_index, self.side)
        self.study_changed.emit()
        if before != (self.road_index, self.station_index, self.reach_row):
            self.selection_changed.emit()

    def _put_and_tell(self, name: str, value: str | bool) -> None:
        """Put a value in its place and tell, if it is another one."""
        if value != getattr(self, name):
            setattr(self, name, value)
            getattr(self, f"{name}_changed").emit(value)

    def _tell_modified(self) -> None:
        unsaved = self._unsaved_result or self.beside.unsaved
        self._put_and_tell("modified", unsaved or not self.undo.isClean())


def with_surface(limits: Limits, surface: str) -> Limits:
    """Limits for another surface; what the person set by hand stays."""
    from analysis.common.limits import default_limits

    fresh = default_limits(surface)
    old = default_limits(limits.surface)
    return fresh.with_entries({n: limits[n] for n in limits if limits[n] != old[n]})


@cache
def login_name() -> str:
    """Name of the person logged in; empty where the system doesn't tell."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
