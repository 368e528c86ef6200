"""Opening, saving and recovering: every dialog about files, and what must be asked before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QApplication, QInputDialog, QMessageBox

from analysis.common.errors import (
    DegreesError,
    OutputError,
    RoadCrsError,
    TerrainCrsError,
    VergelineError,
)
from analysis.common.outputs import check_no_input
from analysis.common.units import METRES_PER_FOOT
from gui.look.asking import ask_name, dated_name
from gui.look.making import later
from gui.look.remembered import remembered
from gui.look.words import station_words
from gui.state import jobs
from gui.state.file_kinds import GRIDS, LINES, POINTS, is_study, kind_of, line_layers
from gui.state.model import WindowModel
from gui.state.reopening import open_inputs_again
from gui.window import recent
from gui.window.autosave import Autosave, Leftover
from gui.window.being_typed import type_again
from gui.window.dialogs import Dialogs, RoadDialog
from gui.window.network_dialog import NetworkDialog, is_network
from gui.window.preview import PreviewDialog

if TYPE_CHECKING:
    from PySide6.QtPrintSupport import QPrinter

    from gui.drawing.books import Book

__all__ = ["Files"]

IMAGE_FILTER = " ".join(f"*{ending}" for ending in GRIDS)
PICTURE_FILTER = f"{IMAGE_FILTER} *.png *.jpg *.jpeg"
POINT_FILTER = " ".join(f"*{ending}" for ending in POINTS)
GRID_FILTER = " ".join(f"*{ending}" for ending in (*GRIDS, *POINTS))
# Between two looks whether the panes are still being filled.
TYPE_MS = 400
ROAD_FILTER = " ".join(f"*{ending}" for ending in LINES)


class Files(QObject):
    """What a window does with files.

    Signals
    -------
    forgotten()
        The list of what was open lately was emptied.
    """

    forgotten = Signal()

    def __init__(self, model: WindowModel, dialogs: Dialogs) -> None:
        super().__init__(dialogs)
        self.model, self.dialogs = model, dialogs
        self.autosave = Autosave(model, self)
        self._recovered: Leftover | None = None
        self._to_type: dict[str, str] = {}
        self._type_due = later(self, self._type_again, TYPE_MS)
        self.autosave.copied.connect(self._on_copied)
        model.path_changed.connect(self._on_path)
        model.inputs_changed.connect(self._note_inputs)
        model.asked.connect(self._on_asked)
        model.sheets_asked.connect(lambda book, name: self._preview(name, book))
        model.unit_doubted.connect(self._offer_unit)

    # -- asking for files -----------------------------------------------------------

    def _ask(self, title: str, kind: str, patterns: str, slot: Callable[[str], None]) -> None:
        filters = f"{kind} ({patterns});;" + self.tr("All files") + " (*)"
        self.dialogs.ask_file(title, filters, slot)

    def ask_open(self) -> None:
        """Ask for any file: study, terrain, road or limits."""
        patterns = f"{GRID_FILTER} {ROAD_FILTER} *.toml"
        kind = self.tr("All that can be opened")
        self._ask(self.tr("Open"), kind, patterns, lambda path: self.open_paths([path]))

    def ask_study(self) -> None:
        """Ask for saved findings."""
        title, kind = self.tr("Open findings"), self.tr("Findings")
        self._ask(title, kind, "*.gpkg", lambda path: self.open_paths([path]))

    def ask_terrain(self) -> None:
        """Ask for a terrain grid."""
        title, kind = self.tr("Open terrain"), self.tr("Terrain grids")
        self._ask(title, kind, GRID_FILTER, self.open_terrain)

    def ask_tiles(self) -> None:
        """Ask for a folder of terrain tiles, or of points."""
        self.dialogs.ask_folder(
            self.tr("Open a folder of tiles"), lambda path: self.open_paths([path])
        )

    def ask_road(self) -> None:
        """Ask for a road centreline."""
        self._ask(self.tr("Open road"), self.tr("Lines"), ROAD_FILTER, self.open_road)

    def ask_second(self) -> None:
        """Ask for a grid of the same road from another time."""
        title, kind = self.tr("Compare with another grid"), self.tr("Terrain grids")
        self._ask(title, kind, GRID_FILTER, self.model.open_second)

    def ask_extra(self, kind: str) -> None:
        """Ask for a file to add to grid and road."""
        titles = {
            "mask": self.tr("Areas that aren't shoulder"),
            "edges": self.tr("Pavement edge lines"),
            "widths": self.tr("Widths by station"),
            "culverts": self.tr("Culverts"),
            "points": self.tr("Ground points"),
            "image": self.tr("Intensity or orthophoto"),
            "kerbs": self.tr("Kerbs"),
        }
        own = {"widths": "*.csv", "points": POINT_FILTER, "image": IMAGE_FILTER}
        patterns = own.get(kind, ROAD_FILTER)
        title = titles[kind]
        self._ask(title, title, patterns, lambda path: self.add_extra(kind, path))

    def add_extra(self, kind: str, path: str) -> None:
        """Add a file to grid and road; a bad one changes nothing."""
        self._remember_folder(path)
        self.model.set_extra(kind, path, partial(self.dialogs.tell, self.tr("Adding")))

    def _on_asked(self, what: str) -> None:
        asking = {"terrain": self.ask_terrain, "road": self.ask_road}
        asking.get(what, partial(self.ask_extra, what))()

    def ask_road_reading(self) -> None:
        """Ask for layer, start station and direction of the open road."""
        source = self.model.inputs.source
        if source is not None:
            self._ask_reading(source)

    def _ask_reading(self, source: jobs.RoadSource) -> None:
        dialog = RoadDialog(source, line_layers(source.path), self.dialogs.window)
        dialog.chosen.connect(self._open_roads)
        self.dialogs.show(dialog)

    @staticmethod
    def _remember_folder(path: str) -> None:
        remembered().set_value("folder", str(Path(path).parent))

    # -- opening ------------------------------------------------------------------------

    def open_terrain(self, path: str) -> None:
        """Open a terrain grid; with a study open that means another study."""
        self._remember_folder(path)
        if self.model.findings is None:
            self._open_terrain(path)
        elif self.model.wants_terrain:
            self._find_again(path)
        else:
            self._replace_all(partial(self._open_terrain, path))

    def _find_again(self, path: str) -> None:
        """Take a terrain for the open study's own: at once if it is, else only if told so."""
        model = self.model
        assert model.findings is not None
        fingerprint = str(model.findings.run.get("terrain_checksum") or "")
        title = self.tr("Opening the terrain")

        def compared(same: bool) -> None:
            if same:
                model.give_terrain(path, partial(self.dialogs.tell, title))
            else:
                self._ask_other_terrain(path)

        model.runner.submit(
            "compare file",
            lambda _progress: jobs.is_same(path, fingerprint),
            compared,
            partial(self.dialogs.tell, title),
            title=title,
        )

    def _ask_other_terrain(self, path: str) -> None:
        title = self.tr("Opening the terrain")
        box = self.dialogs.box(
            title,
            self.tr(
                "{name} isn't the file that these findings were made from: its content differs. "
                "With it the road is measured again; moved breaks and reviews stay, numbers may "
                "change."
            ).format(name=Path(path).name),
            QMessageBox.Icon.Question,
        )
        use = box.addButton(self.tr("Use it for these findings"), QMessageBox.ButtonRole.AcceptRole)
        new = box.addButton(self.tr("Begin anew with it"), QMessageBox.ButtonRole.DestructiveRole)
        box.setDefaultButton(box.addButton(QMessageBox.StandardButton.Cancel))
        tell = partial(self.dialogs.tell, title)
        use.clicked.connect(lambda: self.model.give_terrain(path, tell))
        new.clicked.connect(lambda: self._replace_all(partial(self._open_terrain, path)))
        self.dialogs.show(box)

    def _replace_all(self, then: Callable[[], object]) -> None:
        """Close what is open, once unsaved changes are settled, and open something else."""

        def do() -> None:
            self.model.close_study()
            then()

        self.after_saving(do)

    def _open_terrain(self, path: str, *, warp: bool = False, crs: str | None = None) -> None:
        def failed(error: VergelineError) -> None:
            # The two refusals that a person can answer on the spot.
            if isinstance(error, DegreesError):
                self._offer_warp(path, str(error))
            elif isinstance(error, TerrainCrsError):
                self._ask_crs(str(error), lambda given: self._open_terrain(path, crs=given))
            else:
                self.dialogs.tell(self.tr("Opening the terrain"), error)

        self.model.open_terrain(path, warp=warp, crs=crs, failed=failed)

    def _offer_warp(self, path: str, sentence: str) -> None:
        title = self.tr("Opening the terrain")
        box = self.dialogs.box(title, sentence, QMessageBox.Icon.Question)
        warp = box.addButton(
            self.tr("Warp it to metres while reading"), QMessageBox.ButtonRole.AcceptRole
        )
        box.addButton(QMessageBox.StandardButton.Cancel)
        warp.clicked.connect(lambda: self._open_terrain(path, warp=True))
        self.dialogs.show(box)

    def _ask_crs(self, sentence: str, then: Callable[[str], None]) -> None:
        dialog = QInputDialog(self.dialogs.window)
        dialog.setWindowTitle(self.tr("Coordinate system"))
        dialog.setLabelText(
            sentence + "\n\n" + self.tr("Or name it here, as an EPSG code such as EPSG:32633:")
        )
        dialog.textValueSelected.connect(lambda text: then(text.strip()) if text.strip() else None)
        self.dialogs.show(dialog)

    def set_height_unit(self, unit: str | None) -> None:
        """Read the heights of the open grid in another unit."""
        source = self.model.inputs.terrain_source
        if source is not None:
            self.model.open_terrain(
                source.path, vertical_unit=unit, warp=source.warp, crs=source.crs
            )

    def _offer_unit(self, sentence: str) -> None:
        """Offer the other unit of heights, or the one at hand for sure: a screening doubted it."""
        extras, terrain = self.model.inputs.extras, self.model.terrain
        heights = terrain if extras is None or extras.points is None else extras.points
        if heights is None:
            return
        box = self.dialogs.box(self.tr("Screening"), sentence, QMessageBox.Icon.Question)
        in_metres = heights.z_unit_m == 1.0
        # the feet of the United States are two millionths longer
        now = "metre" if in_metres else "foot" if heights.z_unit_m == METRES_PER_FOOT else "us-foot"
        texts = {
            "foot": self.tr("Read them as feet and screen again"),
            "metre": self.tr("Read them as metres and screen again"),
        }
        other = "foot" if in_metres else "metre"
        keep = self.tr("The road really is so: screen it")
        accept = QMessageBox.ButtonRole.AcceptRole
        for unit, text in ((other, texts[other]), (now, keep)):
            button = box.addButton(text, accept)
            button.clicked.connect(lambda *_, unit=unit: self._screen_in_unit(unit))
            if unit == other:
                box.setDefaultButton(button)
        box.addButton(QMessageBox.StandardButton.Cancel)
        self.dialogs.show(box)

    def _screen_in_unit(self, unit: str) -> None:
        self.model.screen_once_open()
        self.set_height_unit(unit)

    def open_road(self, path: str) -> None:
        """Open a road centreline; where a file holds several layers, ask which."""
        self._remember_folder(path)
        source = jobs.RoadSource(path)
        if len(line_layers(path)) > 1:
            self._ask_reading(source)
        else:
            self._open_roads(source)

    def _open_roads(self, source: jobs.RoadSource) -> None:
        def failed(error: VergelineError) -> None:
            if isinstance(error, RoadCrsError):
                self._ask_crs(
                    str(error), lambda given: self._open_roads(replace(source, crs=given))
                )
            else:
                self.dialogs.tell(self.tr("Opening the road"), error)

        self.model.open_roads(source, failed)
        if self.model.terrain is None:
            self.ask_terrain()

    def open_sample(self) -> None:
        """Open the sample terrain with its roads."""
        self._replace_all(self.model.open_sample)

    def open_recent(self, entry: recent.Recent) -> None:
        """Open what was open lately."""
        if not entry.exists():
            self.dialogs.tell(
                self.tr("Open recent"),
                self.tr("A file of {name} isn't there any more.").format(name=entry.title),
            )
            return

        if entry.study:
            self.open_findings(entry.study)
        else:
            self._replace_all(partial(self.model.open_files, entry.terrain, entry.source))

    def open_paths(self, paths: list[str]) -> None:
        """Open dropped or named files, whatever they are."""
        terrain = road = ""
        for path in paths:
            if Path(path).is_dir() and kind_of(path) != "terrain":
                self.dialogs.tell(
                    self.tr("Opening"),
                    self.tr("The folder {name} holds no tiles of terrain or points.").format(
                        name=Path(path).name
                    ),
                )
                return
            if not Path(path).exists():
                self.dialogs.tell(
                    self.tr("Opening"),
                    self.tr("There is no file {path}: check the name and folder.").format(
                        path=path
                    ),
                )
                return
            self._remember_folder(path)
            kind = kind_of(path)
            if is_study(path):
                self.open_findings(path)
                return
            if kind == "limits":
                self.read_limits(path)
            elif kind == "terrain":
                terrain = path
            elif kind == "road":
                road = path
            else:
                self.dialogs.tell(
                    self.tr("Opening"),
                    self.tr(
                        "{name} is none of the files that can be opened: a terrain grid, a road "
                        "centreline, findings or limits."
                    ).format(name=Path(path).name),
                )
                return
        if terrain and road:
            self._replace_all(partial(self.model.open_files, terrain, jobs.RoadSource(road)))
        elif terrain:
            self.open_terrain(terrain)
        elif road:
            self.open_road(road)

    def open_findings(self, path: str) -> None:
        """Open findings; of a whole network one of its roads."""
        from analysis.findings.geopackage import road_summaries

        try:
            rows = road_summaries(path)
        except OutputError as error:
            self.dialogs.tell(self.tr("Opening"), error)
            return
        if not is_network(rows):
            self.after_saving(partial(self.model.open_study, path))
            return
        dialog = NetworkDialog(Path(path).name, rows, self.dialogs.window, self.model.units)
        dialog.chosen.connect(
            lambda road: self.after_saving(partial(self.model.open_study, path, road=road))
        )
        self.dialogs.show(dialog)

    def ask_network(self) -> None:
        """Ask where the findings of a network go, screen it, and show its roads."""

        def chosen(path: str) -> None:
            self._remember_folder(path)
            self.model.screen_network(path, self.open_findings)

        title, filters = self.tr("Screen into a file"), "GeoPackage (*.gpkg)"
        name = dated_name(self.model.only_road, self.tr("findings"), ending=".gpkg")
        ask_name(self.dialogs.window, title, name, filters, chosen)

    def read_limits(self, path: str) -> None:
        """Judge by the limits of a file."""
        from analysis.common.limits import read_limits

        try:
            limits = read_limits(path, self.model.settings.surface)
        except VergelineError as error:
            self.dialogs.tell(self.tr("Reading limits"), str(error))
            return
        self.model.set_limits(limits, text=self.tr("Read limits"))

    # -- what was open lately -----------------------------------------------------------

    def _note_inputs(self) -> None:
        terrain, source = self.model.inputs.terrain_source, self.model.inputs.source
        if terrain is None or self.model.path:
            return
        recent.add(recent.Recent.of(terrain.path, source))

    def forget_recent(self) -> None:
        """Forget what was open lately."""
        recent.clear()
        self.forgotten.emit()

    def _on_path(self, path: str) -> None:
        if path:
            recent.add(recent.Recent(study=path))

    # -- saving --------------------------------------------------------------------------

    def save(self, then: Callable[[], None] | None = None) -> None:
        """Save the study under its name, or ask for one."""
        if self.model.path:
            self.save_to(self.model.path, then)
        else:
            self.save_as(then)

    def save_as(self, then: Callable[[], None] | None = None) -> None:
        """Ask for a name and save the study under it."""
        if self.model.findings is None:
            return
        name = self.model.path or self._usual_name()
        title, filters = self.tr("Save findings"), "GeoPackage (*.gpkg)"
        self.dialogs.ask_name(title, name, filters, lambda path: self.save_to(path, then))

    def _usual_name(self) -> str:
        """Return road and day, as the name of a findings file."""
        roads = self.model.index
        return dated_name(roads[0].name if roads else "", self.tr("findings"), ending=".gpkg")

    def _place_name(self) -> str:
        """Return road and station, for the name of a file."""
        model = self.model
        road = model.road
        if road is None:
            return ""
        station = station_words(float(road.station_m[model.station_index]), model.station_style)
        return f"{road.name} {station}"

    def save_to(self, path: str, then: Callable[[], None] | None = None) -> None:
        """Save the study; never over one of its own inputs."""
        self._remember_folder(path)
        try:
            check_no_input(path, self.model.inputs.paths)
        except OutputError as error:
            self.dialogs.tell(self.tr("Saving"), error)
            return
        self.model.save(path, then, partial(self.dialogs.tell, self.tr("Saving")))

    def after_saving(self, then: Callable[[], None]) -> None:
        """Do something that drops the study, once unsaved changes are settled."""
        if not self.holds_unsaved():
            then()
            return
        text = self._unsaved_text(self.model.drafts.names())
        box = self.dialogs.box(self.tr("Unsaved changes"), text, QMessageBox.Icon.Question)
        drop = box.addButton(self.tr("Don't save"), QMessageBox.ButtonRole.DestructiveRole)
        stay = box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(stay)
        if self.model.modified and self.model.findings is not None:
            save = box.addButton(QMessageBox.StandardButton.Save)
            box.setDefaultButton(save)
            save.clicked.connect(lambda: self.save(then))
        drop.clicked.connect(lambda: then())
        self.dialogs.show(box)

    def after_writing(self, then: Callable[[], None]) -> None:
        """Do something that calls off all work, at once or though files are still to come."""
        titles = self.model.runner.writing()
        if not titles:
            then()
            return
        text = self.tr("Not finished yet: {work}. What it writes would be missing.")
        box = self.dialogs.box(
            self.tr("Work in progress"),
            text.format(work=", ".join(sorted(titles))),
            QMessageBox.Icon.Question,
        )
        drop = box.addButton(self.tr("Close all the same"), QMessageBox.ButtonRole.DestructiveRole)
        box.setDefaultButton(box.addButton(QMessageBox.StandardButton.Cancel))
        drop.clicked.connect(lambda: then())
        self.dialogs.show(box)

    def holds_unsaved(self) -> bool:
        """Whether anything would be lost; what is just being typed is entered first."""
        field = QApplication.focusWidget()
        if field is not None:
            # Most fields take what was typed when they lose the focus.
            field.clearFocus()
        return self.model.modified or bool(self.model.drafts.names())

    def _unsaved_text(self, typed: list[str]) -> str:
        """Say what would be lost."""
        model, parts = self.model, []
        if model.findings is None and model.modified:
            parts.append(
                self.tr(
                    "Nothing was screened yet: what was set under Inputs and Limits is in no file."
                )
            )
        elif model.modified and model.path:
            name = Path(model.path).name
            parts.append(self.tr("{name} has changes that aren't saved.").format(name=name))
        elif model.modified:
            parts.append(self.tr("These findings aren't saved."))
        if typed:
            names = ", ".join(typed)
            parts.append(self.tr("Typed and not entered yet: {names}.").format(names=names))
        return " ".join(parts)

    def close_study(self) -> None:
        """Back to the first page."""
        self.after_saving(self.model.close_study)

    # -- recovering ---------------------------------------------------------------------

    def offer_recovery(self) -> None:
        """Offer what an earlier window left unsaved when it died."""
        found = Autosave.leftovers()
        if not found:
            return
        leftover = found[0]
        text = self.tr(
            "Vergeline ended without closing; unsaved work on {name} from {at} is there."
        ).format(name=leftover.name or self.tr("new findings"), at=leftover.at or "?")
        box = self.dialogs.box(self.tr("Unsaved work found"), text, QMessageBox.Icon.Information)
        take = box.addButton(self.tr("Recover it"), QMessageBox.ButtonRole.AcceptRole)
        drop = box.addButton(self.tr("Delete it"), QMessageBox.ButtonRole.DestructiveRole)
        box.addButton(self.tr("Later"), QMessageBox.ButtonRole.RejectRole)
        take.clicked.connect(lambda: self.recover(leftover))
        drop.clicked.connect(lambda: leftover.discard())
        self.dialogs.show(box)

    def recover(self, leftover: Leftover) -> None:
        """Open an unsaved copy as a study without a file."""

        def failed(error: VergelineError) -> None:
            # It stays for another try, whatever is opened here now.
            self._recovered = None
            self.dialogs.tell(self.tr("Opening"), error)

        def opened() -> None:
            self.model.beside.recover(str(record.get("beside") or ""))
            try:
                self.model.drafts.recover(record.get("drafts") or {})
            except (TypeError, ValueError):
                self.model.message.emit(
                    self.tr("What was typed and not entered is of another version: it is left out")
                )
            # Once the panes are there; what they still show would write over it.
            self._to_type = dict(record.get("focus") or {})
            self._type_due.start()

        record, self._recovered = leftover.record, leftover
        if leftover.copy.is_file():
            self.model.open_study(str(leftover.copy), failed, recovered=True, then=opened)
        elif record.get("findings"):
            self.model.open_study(str(record["findings"]), failed, then=opened)
        else:
            try:
                open_inputs_again(self.model, record["inputs"], failed, opened)
            except (TypeError, ValueError, KeyError):
                self.dialogs.tell(
                    self.tr("Opening"),
                    self.tr("What was open is kept as another version wrote it: open it again."),
                )

    def _type_again(self) -> None:
        """Put the number that was just being typed into its field, once nothing else comes."""
        if not self._to_type or self.model.runner.busy:
            self._type_due.start() if self._to_type else None
            return
        typed, self._to_type = self._to_type, {}
        if not type_again(self.dialogs.window, typed):
            self.model.message.emit(
                self.tr("Typed and not entered when it ended: {field}: {text}").format(**typed)
            )

    def _on_copied(self) -> None:
        # The recovered work is kept as this window's own now.
        if self._recovered is not None and not self.model.runner.is_running("open"):
            self._recovered.discard()
            self._recovered = None

    # -- sheets --------------------------------------------------------------------------

    def _preview(self, name: str, book: Book) -> None:
        """Show a book of sheets, to be saved under a name or printed from there."""
        runner = self.model.runner
        paper = "Letter" if self.model.units == "us" else "A4"
        dialog = PreviewDialog(book, runner, paper, self.dialogs.window)
        dialog.save_wanted.connect(partial(self._ask_pdf, name, book))
        dialog.print_wanted.connect(partial(self._print, book))
        self.dialogs.show(dialog)

    def _ask_pdf(self, name: str, book: Book, paper: str) -> None:
        title = self.tr("Print sheets")

        def chosen(path: str) -> None:
            written = self.tr("Written: {name}").format(name=Path(path).name)
            self.model.runner.submit(
                "print",
                self.model.inputs.writing_to(
                    path, lambda progress: book.save(path, paper, progress)
                ),
                lambda _result: self.model.message.emit(written),
                partial(self.dialogs.tell, title),
                lane="long",
                title=self.tr("Printing"),
                writes=True,
            )

        self.dialogs.ask_name(title, dated_name(name, ending=".pdf"), "PDF (*.pdf)", chosen)

    def _print(self, book: Book, printer: QPrinter, paper: str) -> None:
        sent = self.tr("Sent to {printer}").format(printer=printer.printerName())
        self.model.runner.submit(
            "print",
            lambda progress: book.send(printer, paper, progress),
            lambda _result: self.model.message.emit(sent),
            partial(self.dialogs.tell, self.tr("Print sheets")),
            lane="long",
            title=self.tr("Printing"),
            writes=True,
        )

    def print_section(self) -> None:
        """Show the sheet of the selected section, to be saved or printed."""
        from gui.drawing.books import station_book

        model = self.model
        if model.study is not None:
            places = [(model.road_index, model.station_index)]
            self._preview(self._place_name(), station_book(model.study, places, model.writing))

    def print_reach(self) -> None:
        """Show the sheet of the selected reach, to be saved or printed."""
        if self.model.reach_row < 0:
            self.model.message.emit(self.tr("Select a reach first"))
            return
        kind = self.tr("reach")
        self._print_rows([self.model.reach_row], f"{self._place_name()} {kind}")

    def print_reaches(self) -> None:
        """Show the sheets of every reach with work, by rank, to be saved or printed."""
        rows = self.model.reaches_to_work()
        if not rows:
            self.model.message.emit(self.tr("No reach calls for work"))
            return
        roads, kind = self.model.index, self.tr("reaches")
        self._print_rows(rows, f"{roads[0].name if roads else ''} {kind}")

    def _print_rows(self, rows: list[int], name: str) -> None:
        from gui.drawing.books import reach_book

        model = self.model
        if model.study is not None:
            found = model.reviewed_findings()
            self._preview(name, reach_book(model.study, rows, model.writing, found))
