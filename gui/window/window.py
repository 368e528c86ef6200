"""The main window: the map in the middle, panes around it, and everything a person can do."""

from __future__ import annotations

import importlib
import logging
import math
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QByteArray, QCoreApplication, QSettings, Qt, QTimer, QUrl
from PySide6.QtGui import QCloseEvent, QDesktopServices, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QDialog,
    QLabel,
    QMainWindow,
    QMessageBox,
    QProgressBar,
    QPushButton,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from analysis.common.sides import SIDES
from gui.look import theme
from gui.look.icons import app_icon, icon
from gui.map.map_view import MapView
from gui.state.model import (
    WindowModel,
)
from gui.window import recent
from gui.window.commands import Commands
from gui.window.dialogs import CautionsDialog, ShortcutSheet, remembered_light
from gui.window.files import Files
from gui.window.first_page import FirstPage, StepBar
from gui.window.panes import Panes

__all__ = ["Window"]

log = logging.getLogger("vergeline")


class Window(QMainWindow):
    """One window with one model."""

    def __init__(self, model: WindowModel | None = None) -> None:
        super().__init__()
        self.model = model if model is not None else WindowModel()
        self.setObjectName("window")
        self.setWindowIcon(app_icon())
        self.setAcceptDrops(True)
        self.dialog: QDialog | None = None
        self._closing = False
        self._job_key = ""
        self._had_findings = False
        self._dress()
        self._build_middle()
        self.files = Files(self, self.model)
        self.commands = Commands(self)
        self.panes = Panes(self, self.model)
        self.panes.fill_menu(self.commands.panes_menu)
        self._build_status()
        self._connect()
        self._paint_icons()
        self._restore()
        self._refresh()
        # After the window is on the screen: it takes a moment to load.
        QTimer.singleShot(0, self._show_cautions_on_page)

    # -- building -------------------------------------------------------

    def _build_middle(self) -> None:
        self.first_page = FirstPage()
        self.step_bar = StepBar()
        self.map = MapView(self.model)
        self.map.set_light(remembered_light())
        holder = QWidget()
        column = QVBoxLayout(holder)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.step_bar)
        column.addWidget(self.map, 1)
        self.middle = QStackedWidget()
        self.middle.addWidget(self.first_page)
        self.middle.addWidget(holder)
        self.setCentralWidget(self.middle)

    def _build_status(self) -> None:
        bar = self.statusBar()
        bar.setSizeGripEnabled(False)
        bar.setAccessibleName(self.tr("Status"))
        self.job_words = QLabel()
        self.job_words.setAccessibleName(self.tr("What is being done"))
        self.job_bar = QProgressBar()
        self.job_bar.setAccessibleName(self.tr("Progress"))
        self.job_bar.setFixedWidth(180)
        self.job_bar.setRange(0, 1000)
        self.job_cancel = QPushButton(self.tr("Cancel"))
        self.job_cancel.setToolTip(self.tr("Calls the work off; nothing is changed (Ctrl+.)"))
        self.job_cancel.clicked.connect(self.cancel_job)
        self.caution_button = QToolButton()
        self.caution_button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.caution_button.setText(
            self.tr("Traffic control, plant, edge drop-offs, buried services: cautions")
        )
        self.caution_button.setAccessibleName(self.tr("Cautions"))
        self.caution_button.clicked.connect(self.show_cautions)
        self.grid_words = QLabel()
        self.grid_words.setAccessibleName(self.tr("Open terrain"))
        for widget in (self.job_words, self.job_bar, self.job_cancel):
            bar.addPermanentWidget(widget)
            widget.hide()
        bar.addPermanentWidget(self.grid_words)
        bar.addPermanentWidget(self.caution_button)

    def _connect(self) -> None:
        model, page = self.model, self.first_page
        page.open_terrain.connect(self.files.ask_terrain)
        page.open_road.connect(self.files.ask_road)
        page.open_study.connect(self.files.ask_study)
        page.open_sample.connect(self.files.open_sample)
        page.open_recent.connect(self.files.open_recent)
        for signal in (
            model.inputs_changed,
            model.study_changed,
            model.second_changed,
            model.edits_changed,
        ):
            signal.connect(self._refresh)
        model.stale_changed.connect(lambda _stale: self._refresh())
        model.modified_changed.connect(lambda _modified: self._title())
        model.path_changed.connect(lambda _path: self._title())
        model.selection_changed.connect(self._on_selection)
        model.units_changed.connect(self._on_selection)
        model.units_changed.connect(self._say_grid)
        model.message.connect(lambda text: self.statusBar().showMessage(text, 15_000))
        model.failed.connect(self.tell)
        runner = model.runner
        runner.started.connect(self._on_started)
        runner.progressed.connect(self._on_progress)
        runner.busy_changed.connect(self._on_busy)
        runner.called_off.connect(self._on_called_off)
        self.map.measured.connect(lambda text: self.statusBar().showMessage(text, 30_000))
        self.commands.recent_menu.aboutToShow.connect(self._fill_recent)
        theme.watcher().changed.connect(self._on_theme)

    # -- looks -------------------------------------------------------

    def _on_theme(self) -> None:
        self._paint_icons()
        self._dress()

    def _paint_icons(self) -> None:
        self.commands.paint_icons()
        self.caution_button.setIcon(icon("caution", "warn"))

    def _dress(self) -> None:
        # The palette must be set before: a style sheet holds what it found.
        self.setStyleSheet(theme.sheet())

    def appearance(self) -> str:
        """Return "system", "light" or "dark"."""
        return str(QSettings().value("appearance", "system"))

    def set_appearance(self, which: str) -> None:
        """Use light or dark colours, or follow the system."""
        QSettings().setValue("appearance", which)
        theme.set_appearance(which)

    def _restore(self) -> None:
        store = QSettings()
        geometry, state = store.value("geometry"), store.value("layout")
        if isinstance(geometry, QByteArray):
            self.restoreGeometry(geometry)
        else:
            self.resize(1440, 900)
        self.panes.restore(state)

    def _title(self) -> None:
        name = Path(self.model.path).name if self.model.path else ""
        if not name and self.model.findings is not None:
            name = self.tr("not saved yet")
        elif not name and self.model.terrain is not None:
            name = self.model.terrain.name
        self.setWindowTitle(f"{name}[*] – Vergeline" if name else "Vergeline")
        self.setWindowModified(self.model.modified)

    # -- what is possible now -------------------------------------------------------

    def _refresh(self) -> None:
        model, do = self.model, self.commands
        open_ = model.terrain is not None or model.findings is not None
        self.middle.setCurrentIndex(1 if open_ else 0)
        self.panes.set_shown(open_)
        has_study, found = model.study is not None, model.findings is not None
        do.open_road.setEnabled(model.terrain is not None)
        do.heights_menu.setEnabled(model.terrain is not None)
        do.extras_menu.setEnabled(model.terrain is not None)
        do.road_reading.setEnabled(model.road_source is not None and model.terrain is not None)
        do.screen.setEnabled(model.can_screen)
        do.save.setEnabled(found)
        do.save_as.setEnabled(found)
        do.close_study.setEnabled(open_)
        do.compare.setEnabled(has_study)
        do.end_compare.setEnabled(model.second_study is not None)
        do.give_back.setEnabled(bool(model.overrides))
        do.sheets_menu.setEnabled(has_study)
        for action in (do.print_section, do.print_reach, do.print_reaches):
            action.setEnabled(has_study)
        for action in (
            do.next_station,
            do.previous_station,
            do.ten_on,
            do.ten_back,
            do.other_side,
            do.next_finding,
            do.previous_finding,
            do.go_to,
        ):
            action.setEnabled(found)
        here = self.map
        for action in (
            here.fit_road_action,
            here.fit_terrain_action,
            here.closer_action,
            here.wider_action,
        ):
            action.setEnabled(open_)
        here.measure_action.setEnabled(model.terrain is not None)
        here.relief_action.setEnabled(has_study and model.terrain is not None)
        here.near_action.setEnabled(found)
        if found and not self._had_findings:
            self.panes.to_front("reaches")
        self._had_findings = found
        do.station_box.setEnabled(found)
        many = len(model.index or model.roads) > 1
        do.next_road.setEnabled(many)
        do.previous_road.setEnabled(many)
        if not open_:
            self.first_page.set_recent([e for e in recent.entries() if e.exists()])
        self._say_grid()
        self._title()
        self._say_next()
        self._on_selection()

    def _say_grid(self) -> None:
        from gui.look.units import value_text

        model = self.model
        terrain = model.terrain
        self.grid_words.setText(
            f"{terrain.name}  {value_text(terrain.cell_m, 'm', model.units, decimals=2)}"
            if terrain is not None
            else ""
        )

    def _say_next(self) -> None:
        model, bar = self.model, self.step_bar
        terrain = model.terrain
        if terrain is None and model.findings is not None:
            bar.say(
                self.tr("The terrain of this study isn't there: tables only, no sections."),
                (self.tr("Open terrain…"), self.files.ask_terrain),
            )
        elif terrain is None:
            bar.say("")
        elif not model.roads:
            bar.say(
                self.tr("The terrain is open. Next: the road centreline."),
                (self.tr("Open road…"), self.files.ask_road),
                self._height_choice(),
            )
        elif model.findings is None:
            bar.say(
                self.tr(
                    "Terrain and road are open. Next: check the widths under Inputs, then screen."
                ),
                (self.tr("Screen"), self.model.screen),
                self._height_choice(),
            )
        elif model.stale and not model.runner.is_running("screen"):
            bar.say(
                self.tr("Inputs have changed since this screening."),
                (self.tr("Screen again"), self.model.screen),
            )
        else:
            bar.say("")

    def _height_choice(self) -> tuple[str, Callable[[], None]] | None:
        terrain = self.model.terrain
        if terrain is None or terrain.z_unit_sure:
            return None
        if terrain.z_unit_m == 1.0:
            return self.tr(
                "Taken as metres: heights are in feet"
            ), lambda: self.files.set_height_unit("foot")
        return self.tr("Taken as feet: heights are in metres"), lambda: self.files.set_height_unit(
            "metre"
        )

    def _on_selection(self) -> None:
        from gui.look.words import side_text, station_words

        model, box = self.model, self.commands.station_box
        side = self.commands.other_side
        if not model.index or model.road_index >= len(model.index):
            box.clear()
            return
        road = model.index[model.road_index]
        if model.station_index < len(road.station_m):
            label = float(road.station_m[model.station_index])
            if not box.hasFocus() or not box.isModified():
                box.setText(station_words(label, model.station_style))
            side.setToolTip(
                self.tr("{side} side; go to the other (F7)").format(
                    side=side_text(SIDES[model.side]).capitalize()
                )
            )

    def _fill_recent(self) -> None:
        menu = self.commands.recent_menu
        menu.clear()
        menu.setToolTipsVisible(True)
        entries = recent.entries()
        for entry in entries:
            action = menu.addAction(entry.title.replace("&", "&&"))
            action.setToolTip(entry.tip)
            action.setEnabled(entry.exists())
            action.triggered.connect(lambda _=False, e=entry: self.files.open_recent(e))
        menu.addSeparator()
        forget = menu.addAction(self.tr("&Forget these"))
        forget.setEnabled(bool(entries))
        forget.triggered.connect(self._forget_recent)

    def _forget_recent(self) -> None:
        recent.clear()
        self.first_page.set_recent([])

    def _show_cautions_on_page(self) -> None:
        from gui.look.words import cautions

        self.first_page.set_cautions(cautions())

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        event.acceptProposedAction()
        # The drag's own loop must end before a dialog may open.
        QTimer.singleShot(0, lambda: self.files.open_paths(paths))

    def closeEvent(self, event: QCloseEvent) -> None:
        if self.model.modified and not self._closing:
            event.ignore()
            self.files.after_saving(self._close_for_sure)
            return
        store = QSettings()
        store.setValue("geometry", self.saveGeometry())
        layout = self.panes.keep()
        if layout is not None:
            store.setValue("layout", layout)
        self.files.autosave.discard()
        self.model.runner.shutdown()
        event.accept()

    def _close_for_sure(self) -> None:
        self._closing = True
        self.close()

    # -- going about -------------------------------------------------------

    def step_road(self, step: int) -> None:
        """Go to the next or previous road."""
        count = len(self.model.index or self.model.roads)
        if count:
            self.model.select_road((self.model.road_index + step) % count)
            self.map.show_current_road()

    def go_to_station(self, text: str) -> None:
        """Select the station nearest to what was typed."""
        from analysis.common.errors import VergelineError
        from analysis.common.stations import parse_station

        model = self.model
        if not model.index:
            return
        try:
            label = parse_station(text, style=model.station_style)
        except VergelineError as error:
            self.statusBar().showMessage(str(error), 10_000)
            self.commands.station_box.selectAll()
            return
        road = model.index[model.road_index]
        model.select_station(model.road_index, road.nearest_label(label))
        self.commands.station_box.setModified(False)
        self._on_selection()
        self.map.plot.setFocus()

    # -- work in progress -------------------------------------------------------

    def cancel_job(self) -> None:
        """Call off the work that shows in the status bar."""
        if self._job_key:
            self.model.runner.cancel(self._job_key)
            self.job_words.setText(self.tr("Cancelling…"))

    def _on_started(self, key: str, title: str) -> None:
        self._job_key = key
        # An older message would be cut off beside the words of the job.
        self.statusBar().clearMessage()
        self.job_words.setText(f"{title}…")
        self.job_bar.setRange(0, 0)
        self.job_bar.setFormat("")
        for widget in (self.job_words, self.job_bar, self.job_cancel):
            widget.show()
        self._say_next()

    def _on_progress(self, key: str, fraction: float, words: str, left_s: float) -> None:
        if key != self._job_key:
            return
        if math.isnan(fraction):
            self.job_bar.setRange(0, 0)
            self.job_bar.setFormat("")
        else:
            self.job_bar.setRange(0, 1000)
            self.job_bar.setValue(round(1000 * fraction))
            self.job_bar.setFormat("%p %")
        from gui.look.words import progress_text

        text = progress_text(words)
        if left_s >= 0.0:
            text = f"{text}  ·  {self._time_left(left_s)}" if text else self._time_left(left_s)
        self.job_words.setText(text)

    def _time_left(self, seconds: float) -> str:
        if seconds < 60:
            return self.tr("about {n} s left").format(n=max(1, round(seconds)))
        if seconds < 3600:
            return self.tr("about {n} min left").format(n=round(seconds / 60))
        return self.tr("about {n} h left").format(n=f"{seconds / 3600:.1f}")

    def _on_busy(self, busy: bool) -> None:
        self.commands.cancel.setEnabled(busy)
        if not busy:
            self._job_key = ""
            for widget in (self.job_words, self.job_bar, self.job_cancel):
                widget.hide()
            self._say_next()

    def _on_called_off(self, _key: str, title: str) -> None:
        self.statusBar().showMessage(
            self.tr("{title}: cancelled, nothing was changed").format(title=title), 10_000
        )

    # -- telling -------------------------------------------------------

    def show_dialog(self, dialog: QDialog) -> None:
        """Show a dialog without stopping the event loop; jobs and their answers go on."""
        self.dialog = dialog
        dialog.open()

    def tell(self, title: str, sentence: str) -> None:
        """Say in one sentence what can't be done; nothing is lost by it."""
        log.warning("%s: %s", title, sentence)
        box = QMessageBox(self)
        box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        box.setIcon(QMessageBox.Icon.Warning)
        box.setWindowTitle(title or "Vergeline")
        box.setText(sentence)
        box.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.show_dialog(box)

    def show_help(self) -> None:
        """Show what each number means."""
        pane = self.panes["help"]
        pane.setFloating(True)
        pane.resize(760, 620)
        pane.show()
        pane.raise_()

    def show_shortcuts(self) -> None:
        """Show the shortcut sheet."""
        more: list[tuple[str, str, str]] = []
        for module, where in (
            ("gui.along.road_axis", self.tr("Along the road")),
            ("gui.section.section_canvas", self.tr("Cross-section")),
            ("gui.tables.tables", self.tr("Reaches, stations")),
        ):
            keys = importlib.import_module(module).KEYS
            more += [
                (where, QCoreApplication.translate("Keys", what), pressed) for pressed, what in keys
            ]
        self.show_dialog(ShortcutSheet(self.commands.all_shortcuts(), more, self))

    def show_cautions(self) -> None:
        """Show the cautions."""
        from gui.look.words import cautions

        self.show_dialog(CautionsDialog(cautions(), self))

    def show_log(self) -> None:
        """Open the log file with the system's viewer."""
        from gui.window.app import log_path

        if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(log_path()))):
            self.tell(self.tr("Log file"), str(log_path()))

    def show_about(self) -> None:
        """Say what this is."""
        from importlib.metadata import PackageNotFoundError, version

        try:
            number = version("vergeline")
        except PackageNotFoundError:
            number = "?"
        box = QMessageBox(self)
        box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        box.setWindowTitle(self.tr("About Vergeline"))
        box.setIconPixmap(app_icon().pixmap(64, 64))
        box.setText(f"Vergeline {number}")
        box.setInformativeText(
            self.tr(
                "Finds where earth and gravel road shoulders no longer shed water, from a terrain "
                "grid and a road centreline. It advises; local codes and the judgement of a "
                "licensed engineer rule."
            )
        )
        self.show_dialog(box)
