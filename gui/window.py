"""The main window: the map in the middle, panes around it, and everything a person can do."""

from __future__ import annotations

import importlib
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PySide6.QtCore import QByteArray, QPoint, QSettings, Qt, QTimer, QUrl
from PySide6.QtGui import (
    QCloseEvent,
    QDesktopServices,
    QDragEnterEvent,
    QDropEvent,
    QShowEvent,
)
from PySide6.QtWidgets import (
    QDockWidget,
    QFileDialog,
    QLabel,
    QMainWindow,
    QMenu,
    QMessageBox,
    QProgressBar,
    QPushButton,
    QStackedWidget,
    QTabBar,
    QTabWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from gui import jobs, recent, theme
from gui.autosave import Autosave, Leftover
from gui.commands import Commands
from gui.dialogs import CautionsDialog, RoadDialog, ShortcutSheet, remembered_light
from gui.first_page import FirstPage, StepBar
from gui.icons import app_icon, icon
from gui.map_view import MapView
from gui.model import SIDES, WindowModel

__all__ = ["Window"]

log = logging.getLogger("vergeline")

LAYOUT_VERSION = 1
GRID_FILTER = "*.tif *.tiff *.vrt *.asc *.img *.bil *.flt *.dem *.grd *.nc *.jp2"
ROAD_FILTER = "*.gpkg *.shp *.geojson *.json *.fgb *.kml *.gml *.dxf *.gpx *.csv"

# name, module, class, area, title; made when first shown, so that the window opens fast.
PANES = (
    ("along", "gui.along_view", "AlongView"),
    ("straight", "gui.straight_view", "StraightView"),
    ("section", "gui.section_view", "SectionView"),
    ("reaches", "gui.tables", "ReachTable"),
    ("stations", "gui.tables", "StationTable"),
    ("inputs", "gui.forms", "InputsForm"),
    ("limits", "gui.forms", "LimitsForm"),
)


class Pane(QDockWidget):
    """A dock whose content is made when it is first seen.

    In a row of tabs the tab is title enough; alone or floating the pane has a title bar.
    """

    def __init__(self, name: str, title: str, make: Callable[[], QWidget]) -> None:
        super().__init__(title)
        self.setObjectName(name)
        self.setAccessibleName(title)
        self._make: Callable[[], QWidget] | None = make
        self._no_title = QWidget()

    def set_title_shown(self, shown: bool) -> None:
        """Show or hide the title bar."""
        if shown and self.titleBarWidget() is not None:
            self.setTitleBarWidget(None)
            self._no_title = QWidget()
        elif not shown and self.titleBarWidget() is None:
            self.setTitleBarWidget(self._no_title)

    def fill(self) -> QWidget:
        """Return the content, made if need be."""
        if self._make is not None:
            make, self._make = self._make, None
            content = make()
            if not content.accessibleName():
                content.setAccessibleName(self.windowTitle())
            # A pane gives way to the window, not the window to the sum of its panes.
            content.setMinimumSize(min(content.minimumSizeHint().width(), 300), 90)
            self.setWidget(content)
        return self.widget()

    def showEvent(self, event: QShowEvent) -> None:
        self.fill()
        super().showEvent(event)


class Window(QMainWindow):
    """One window with one model."""

    def __init__(self, model: WindowModel | None = None) -> None:
        super().__init__()
        self.model = model if model is not None else WindowModel()
        self.setObjectName("window")
        self.setWindowIcon(app_icon())
        self.setAcceptDrops(True)
        self.setDockOptions(
            QMainWindow.DockOption.AllowTabbedDocks
            | QMainWindow.DockOption.AllowNestedDocks
            | QMainWindow.DockOption.AnimatedDocks
        )
        self.setTabPosition(Qt.DockWidgetArea.AllDockWidgetAreas, QTabWidget.TabPosition.North)
        self.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
        self.autosave = Autosave(self.model, self)
        self.dialog: QWidget | None = None
        self._closing = False
        self._recovered: Leftover | None = None
        self._job_key = ""
        self._had_findings = False
        self._build_middle()
        self.commands = Commands(self)
        self._build_panes()
        self._build_status()
        self._connect()
        self._on_theme()
        self._default_layout()
        self._restore()
        self._refresh()

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

    def _build_panes(self) -> None:
        titles = {
            "along": self.tr("Along the road"),
            "straight": self.tr("Straightened"),
            "section": self.tr("Cross-section"),
            "reaches": self.tr("Reaches"),
            "stations": self.tr("Stations"),
            "inputs": self.tr("Inputs"),
            "limits": self.tr("Limits"),
            "help": self.tr("What each number means"),
        }
        self.panes: dict[str, Pane] = {}
        for name, module, kind in PANES:
            self.panes[name] = Pane(
                name,
                titles[name],
                lambda m=module, k=kind: getattr(importlib.import_module(m), k)(self.model),
            )
        self.panes["help"] = Pane(
            "help", titles["help"], lambda: importlib.import_module("gui.help").HelpPage()
        )
        self._titles_due = QTimer(self)
        self._titles_due.setSingleShot(True)
        self._titles_due.timeout.connect(self._arrange_titles)
        for pane in self.panes.values():
            self.commands.panes_menu.addAction(pane.toggleViewAction())
            pane.dockLocationChanged.connect(lambda _area: self._titles_due.start())
            pane.topLevelChanged.connect(lambda _floating: self._titles_due.start())
            pane.visibilityChanged.connect(lambda _visible: self._titles_due.start())
        self.commands.panes_menu.addSeparator()
        again = self.commands.panes_menu.addAction(self.tr("&Usual layout"))
        again.triggered.connect(self.usual_layout)

    def _default_layout(self) -> None:
        bottom, right = (
            Qt.DockWidgetArea.BottomDockWidgetArea,
            Qt.DockWidgetArea.RightDockWidgetArea,
        )
        panes = self.panes
        for pane in panes.values():
            self.removeDockWidget(pane)
            pane.setFloating(False)
        self.addDockWidget(bottom, panes["along"])
        self.tabifyDockWidget(panes["along"], panes["straight"])
        self.addDockWidget(right, panes["section"])
        self.addDockWidget(right, panes["inputs"])
        self.splitDockWidget(panes["section"], panes["inputs"], Qt.Orientation.Vertical)
        for name in ("limits", "reaches", "stations"):
            self.tabifyDockWidget(panes["inputs"], panes[name])
        self.addDockWidget(right, panes["help"])
        for name, pane in panes.items():
            pane.setVisible(name != "help")
        panes["along"].raise_()
        panes["inputs"].raise_()
        self._size_panes()

    def _size_panes(self) -> None:
        """Share the window out: map and the plot along the road left, section and tables right."""
        panes, width, height = self.panes, self.width(), self.height()
        across, down = Qt.Orientation.Horizontal, Qt.Orientation.Vertical
        self.resizeDocks([panes["section"], panes["inputs"]], [round(0.43 * width)] * 2, across)
        self.resizeDocks(
            [panes["section"], panes["inputs"]], [round(0.5 * height), round(0.36 * height)], down
        )
        self.resizeDocks([panes["along"]], [round(0.33 * height)], down)

    def _arrange_titles(self) -> None:
        """Leave out the title bars of tabbed panes; let their tabs take the pane out again."""
        for pane in self.panes.values():
            pane.set_title_shown(pane.isFloating() or not self.tabifiedDockWidgets(pane))
        for bar in self.findChildren(QTabBar):
            if bar.parent() is self and not bar.property("wired"):
                bar.setProperty("wired", True)
                bar.setAccessibleName(self.tr("Panes"))
                bar.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
                bar.customContextMenuRequested.connect(
                    lambda at, tabs=bar: self._pane_menu(tabs, at)
                )
                bar.tabBarDoubleClicked.connect(lambda at, tabs=bar: self._float_tab(tabs, at))

    def _pane_of_tab(self, bar: QTabBar, place: int) -> Pane | None:
        text = bar.tabText(place)
        for pane in self.panes.values():
            if pane.windowTitle() == text and not pane.isFloating():
                return pane
        return None

    def _float_tab(self, bar: QTabBar, place: int) -> None:
        pane = self._pane_of_tab(bar, place)
        if pane is not None:
            pane.set_title_shown(True)
            pane.setFloating(True)

    def _pane_menu(self, bar: QTabBar, at: QPoint) -> None:
        pane = self._pane_of_tab(bar, bar.tabAt(at))
        if pane is None:
            return
        menu = QMenu(self)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        place = bar.tabAt(at)
        menu.addAction(self.tr("In a window of its own")).triggered.connect(
            lambda: self._float_tab(bar, place)
        )
        menu.addAction(self.tr("Close this pane")).triggered.connect(pane.close)
        menu.popup(bar.mapToGlobal(at))

    def usual_layout(self) -> None:
        """Put every pane back where it was at first."""
        self._default_layout()

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
        page.open_terrain.connect(self.ask_terrain)
        page.open_road.connect(self.ask_road)
        page.open_study.connect(self.ask_open)
        page.open_sample.connect(self.open_sample)
        page.open_recent.connect(self.open_recent)
        for signal in (
            model.inputs_changed,
            model.study_changed,
            model.second_changed,
            model.edits_changed,
        ):
            signal.connect(self._refresh)
        model.stale_changed.connect(lambda _stale: self._refresh())
        model.modified_changed.connect(lambda _modified: self._title())
        model.path_changed.connect(self._on_path)
        model.inputs_changed.connect(self._note_inputs)
        model.selection_changed.connect(self._on_selection)
        model.units_changed.connect(self._on_selection)
        model.message.connect(lambda text: self.statusBar().showMessage(text, 15_000))
        model.failed.connect(self.tell)
        runner = model.runner
        runner.started.connect(self._on_started)
        runner.progressed.connect(self._on_progress)
        runner.busy_changed.connect(self._on_busy)
        runner.called_off.connect(self._on_called_off)
        self.map.measured.connect(lambda text: self.statusBar().showMessage(text, 30_000))
        self.autosave.copied.connect(self._on_copied)
        self.commands.recent_menu.aboutToShow.connect(self._fill_recent)
        theme.watcher().changed.connect(self._on_theme)

    # -- looks -------------------------------------------------------

    def _on_theme(self) -> None:
        self.commands.paint_icons()
        self.caution_button.setIcon(icon("caution", "warn"))

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
        self._kept_layout = isinstance(state, QByteArray) and self.restoreState(
            state, LAYOUT_VERSION
        )

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
        for pane in self.panes.values():
            # With nothing open, panes would only be empty boxes around the first page.
            pane.toggleViewAction().setEnabled(open_)
        if open_ != getattr(self, "_panes_shown", None):
            self._show_panes(open_)
        has_study, found = model.study is not None, model.findings is not None
        do.open_road.setEnabled(model.terrain is not None)
        do.heights_menu.setEnabled(model.terrain is not None)
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
            self.panes["reaches"].raise_()
        self._had_findings = found
        do.station_box.setEnabled(found)
        many = len(model.index or model.roads) > 1
        do.next_road.setEnabled(many)
        do.previous_road.setEnabled(many)
        self.first_page.set_recent([e for e in recent.entries() if e.exists()])
        terrain = model.terrain
        self.grid_words.setText(
            f"{terrain.name}  {terrain.cell_m:.3g} m" if terrain is not None else ""
        )
        self._title()
        self._say_next()
        self._on_selection()

    def _show_panes(self, shown: bool) -> None:
        if not shown:
            self._hidden = [n for n, pane in self.panes.items() if not pane.isHidden()]
            for pane in self.panes.values():
                pane.hide()
        else:
            for name in getattr(self, "_hidden", []):
                self.panes[name].show()
            self.panes["along"].raise_()
            self.panes["inputs" if self.model.findings is None else "reaches"].raise_()
            if not self._kept_layout:
                # Docks take sizes only once they are laid out.
                self._kept_layout = True
                QTimer.singleShot(0, self._size_panes)
        self._panes_shown = shown

    def _say_next(self) -> None:
        model, bar = self.model, self.step_bar
        terrain = model.terrain
        if terrain is None and model.findings is not None:
            bar.say(
                self.tr("The terrain of this study isn't there: tables only, no sections."),
                (self.tr("Open terrain…"), self.ask_terrain),
            )
        elif terrain is None:
            bar.say("")
        elif not model.roads:
            bar.say(
                self.tr("The terrain is open. Next: the road centreline."),
                (self.tr("Open road…"), self.ask_road),
                self._height_choice(),
            )
        elif model.findings is None:
            bar.say(
                self.tr("Terrain and road are open. Next: check the widths under Inputs, screen."),
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
            return self.tr("Taken as metres: heights are in feet"), lambda: self.set_height_unit(
                "foot"
            )
        return self.tr("Taken as feet: heights are in metres"), lambda: self.set_height_unit(
            "metre"
        )

    def _on_selection(self) -> None:
        from gui.words import side_text, station_words

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

    # -- opening -------------------------------------------------------

    def _ask_path(self, title: str, filters: str, slot: Callable[[str], None]) -> None:
        dialog = QFileDialog(self, title, str(QSettings().value("folder", "")), filters)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(slot)
        self._open_dialog(dialog)

    def _open_dialog(self, dialog: Any) -> None:
        """Show a dialog without stopping the event loop."""
        self.dialog = dialog
        dialog.open()

    def ask_open(self) -> None:
        """Ask for any file: study, terrain, road or limits."""
        self._ask_path(
            self.tr("Open"),
            self.tr("All that can be opened")
            + f" ({GRID_FILTER} {ROAD_FILTER} *.toml);;"
            + self.tr("All files")
            + " (*)",
            lambda path: self.open_paths([path]),
        )

    def ask_terrain(self) -> None:
        """Ask for a terrain grid."""
        self._ask_path(
            self.tr("Open terrain"),
            self.tr("Terrain grids") + f" ({GRID_FILTER});;" + self.tr("All files") + " (*)",
            self.open_terrain,
        )

    def ask_road(self) -> None:
        """Ask for a road centreline."""
        self._ask_path(
            self.tr("Open road"),
            self.tr("Lines") + f" ({ROAD_FILTER});;" + self.tr("All files") + " (*)",
            self.open_road,
        )

    def ask_second(self) -> None:
        """Ask for a grid of the same road from another time."""
        self._ask_path(
            self.tr("Compare with another grid"),
            self.tr("Terrain grids") + f" ({GRID_FILTER});;" + self.tr("All files") + " (*)",
            self.model.open_second,
        )

    def ask_road_reading(self) -> None:
        """Ask for layer, start station and direction of the open road."""
        source = self.model.road_source
        if source is None:
            return
        dialog = RoadDialog(source, jobs.line_layers(source.path), self)
        dialog.chosen.connect(self.model.open_roads)
        self._open_dialog(dialog)

    def _remember_folder(self, path: str) -> None:
        QSettings().setValue("folder", str(Path(path).parent))

    def open_terrain(self, path: str) -> None:
        """Open a terrain grid, after asking about unsaved changes."""
        self._remember_folder(path)
        if self.model.findings is not None:
            # Another terrain means another study; its findings lie elsewhere.
            self._after_saving(lambda: self._replace_terrain(path))
            return
        self._open_terrain(path)

    def _replace_terrain(self, path: str) -> None:
        self.model.close_study()
        self._open_terrain(path)

    def _open_terrain(self, path: str) -> None:
        def failed(sentence: str) -> None:
            if "degree" in sentence:
                self._offer_warp(path, sentence)
            else:
                self.tell(self.tr("Opening the terrain"), sentence)

        self.model.open_terrain(path, failed=failed)

    def _offer_warp(self, path: str, sentence: str) -> None:
        box = QMessageBox(self)
        box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        box.setIcon(QMessageBox.Icon.Question)
        box.setWindowTitle(self.tr("Opening the terrain"))
        box.setText(sentence)
        warp = box.addButton(
            self.tr("Warp it to metres while reading"), QMessageBox.ButtonRole.AcceptRole
        )
        box.addButton(QMessageBox.StandardButton.Cancel)
        warp.clicked.connect(lambda: self.model.open_terrain(path, warp=True))
        self._open_dialog(box)

    def set_height_unit(self, unit: str | None) -> None:
        """Read the heights of the open grid in another unit."""
        terrain = self.model.terrain
        if terrain is not None:
            self.model.open_terrain(
                terrain.path, vertical_unit=unit, warp=terrain.warp_crs is not None
            )

    def open_road(self, path: str, layer: str | None = None) -> None:
        """Open a road centreline; where a file holds several layers, ask which."""
        self._remember_folder(path)
        line_layers = jobs.line_layers(path)
        if layer is None and len(line_layers) > 1:
            dialog = RoadDialog(jobs.RoadSource(path), line_layers, self)
            dialog.chosen.connect(self.model.open_roads)
            self._open_dialog(dialog)
            return
        self.model.open_roads(jobs.RoadSource(path, layer))

    def open_sample(self) -> None:
        """Open the sample terrain with its road."""
        self._after_saving(self._open_sample)

    def _open_sample(self) -> None:
        self.model.close_study()
        self.model.open_sample()

    def open_recent(self, entry: recent.Recent) -> None:
        """Open what was open lately."""
        if not entry.exists():
            self.tell(
                self.tr("Open recent"),
                self.tr("A file of {name} isn't there any more.").format(name=entry.title),
            )
            return
        if entry.study:
            self._after_saving(lambda: self._open_study(entry.study))
            return

        def open_inputs() -> None:
            self.model.close_study()
            self.model.open_files(entry.terrain, entry.source)

        self._after_saving(open_inputs)

    def _open_study(self, path: str) -> None:
        self.model.open_study(path)

    def open_paths(self, paths: list[str]) -> None:
        """Open dropped or named files, whatever they are."""
        terrain = road = ""
        for path in paths:
            self._remember_folder(path)
            if not Path(path).is_file():
                self.tell(
                    self.tr("Opening"),
                    self.tr("There is no file {path}: check the name and folder.").format(
                        path=path
                    ),
                )
                return
            kind = jobs.kind_of(path)
            if jobs.is_study(path):
                self._after_saving(lambda p=path: self._open_study(p))
                return
            if kind == "limits":
                self.read_limits(path)
            elif kind == "terrain":
                terrain = path
            elif kind == "road":
                road = path
            else:
                self.tell(
                    self.tr("Opening"),
                    self.tr(
                        "{name} is none of the files that can be opened: a terrain grid, a road "
                        "centreline, a study or limits."
                    ).format(name=Path(path).name),
                )
                return
        if terrain and road:

            def open_both() -> None:
                self.model.close_study()
                self.model.open_files(terrain, jobs.RoadSource(road))

            self._after_saving(open_both)
        elif terrain:
            self.open_terrain(terrain)
        elif road:
            self.open_road(road)

    def read_limits(self, path: str) -> None:
        """Judge by the limits of a file."""
        from analysis.errors import VergelineError
        from analysis.limits import read_limits

        try:
            limits = read_limits(path, self.model.settings.surface)
        except VergelineError as error:
            self.tell(self.tr("Reading limits"), str(error))
            return
        self.model.set_limits(limits, text=self.tr("Read limits"))

    def _note_inputs(self) -> None:
        terrain, source = self.model.terrain, self.model.road_source
        if terrain is None:
            return
        if self.model.path:
            return
        recent.add(
            recent.Recent(
                terrain=terrain.path,
                road=source.path if source else "",
                layer=source.layer if source else None,
                start_m=source.start_m if source else 0.0,
                reverse=source.reverse if source else False,
            )
        )

    def _on_path(self, path: str) -> None:
        if path:
            recent.add(recent.Recent(study=path))
        self._title()

    def _fill_recent(self) -> None:
        menu = self.commands.recent_menu
        menu.clear()
        entries = recent.entries()
        for entry in entries:
            action = menu.addAction(entry.title.replace("&", "&&"))
            action.setToolTip(entry.tip)
            action.setEnabled(entry.exists())
            action.triggered.connect(lambda _=False, e=entry: self.open_recent(e))
        menu.addSeparator()
        forget = menu.addAction(self.tr("&Forget these"))
        forget.setEnabled(bool(entries))
        forget.triggered.connect(recent.clear)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        event.acceptProposedAction()
        # The drag's own loop must end before a dialog may open.
        QTimer.singleShot(0, lambda: self.open_paths(paths))

    # -- saving -------------------------------------------------------

    def save(self, then: Callable[[], None] | None = None) -> None:
        """Save the study under its name, or ask for one."""
        if self.model.path:
            self._save_to(self.model.path, then)
        else:
            self.save_as(then)

    def save_as(self, then: Callable[[], None] | None = None) -> None:
        """Ask for a name and save the study under it."""
        if self.model.findings is None:
            return
        folder = Path(str(QSettings().value("folder", "")) or ".")
        name = self.model.path or str(folder / f"{self._usual_name()}.gpkg")
        dialog = QFileDialog(self, self.tr("Save study"), name, "GeoPackage (*.gpkg)")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setDefaultSuffix("gpkg")
        dialog.fileSelected.connect(lambda path: self._save_to(path, then))
        self._open_dialog(dialog)

    def _usual_name(self) -> str:
        roads = self.model.index
        name = roads[0].name if roads else "study"
        kept = "".join(c if c.isalnum() or c in " -_" else "-" for c in name).strip()
        return f"{kept or 'study'} study"

    def _save_to(self, path: str, then: Callable[[], None] | None) -> None:
        self._remember_folder(path)
        inputs = {
            str(Path(p).resolve())
            for p in (
                self.model.terrain.path if self.model.terrain else "",
                self.model.road_source.path if self.model.road_source else "",
            )
            if p
        }
        if str(Path(path).resolve()) in inputs:
            self.tell(
                self.tr("Saving"),
                self.tr("{name} is an input of this study: choose another name.").format(
                    name=Path(path).name
                ),
            )
            return
        self.model.save(
            path, done=then, failed=lambda sentence: self.tell(self.tr("Saving"), sentence)
        )

    def _after_saving(self, then: Callable[[], None]) -> None:
        """Do something that drops the study, once unsaved changes are settled."""
        if not self.model.modified:
            then()
            return
        box = QMessageBox(self)
        box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        box.setIcon(QMessageBox.Icon.Question)
        box.setWindowTitle(self.tr("Unsaved changes"))
        name = Path(self.model.path).name if self.model.path else self.tr("This study")
        box.setText(self.tr("{name} has changes that aren't saved.").format(name=name))
        save = box.addButton(QMessageBox.StandardButton.Save)
        drop = box.addButton(self.tr("Don't save"), QMessageBox.ButtonRole.DestructiveRole)
        box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(QMessageBox.StandardButton.Save)
        save.clicked.connect(lambda: self.save(then))
        drop.clicked.connect(then)
        save.setEnabled(self.model.findings is not None)
        self._open_dialog(box)

    def close_study(self) -> None:
        """Back to the first page."""
        self._after_saving(self.model.close_study)

    def closeEvent(self, event: QCloseEvent) -> None:
        if self.model.modified and not self._closing:
            event.ignore()
            self._after_saving(self._close_for_sure)
            return
        store = QSettings()
        store.setValue("geometry", self.saveGeometry())
        if getattr(self, "_panes_shown", False):
            store.setValue("layout", self.saveState(LAYOUT_VERSION))
        self.autosave.discard()
        self.model.runner.shutdown()
        event.accept()

    def _close_for_sure(self) -> None:
        self._closing = True
        self.close()

    # -- recovering -------------------------------------------------------

    def offer_recovery(self) -> None:
        """Offer what an earlier window left unsaved when it died."""
        found = Autosave.leftovers()
        if not found:
            return
        leftover = found[0]
        box = QMessageBox(self)
        box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        box.setIcon(QMessageBox.Icon.Information)
        box.setWindowTitle(self.tr("Unsaved work found"))
        box.setText(
            self.tr(
                "Vergeline ended without closing; unsaved work on {name} from {at} is there."
            ).format(name=leftover.name or self.tr("a new study"), at=leftover.at)
        )
        take = box.addButton(self.tr("Recover it"), QMessageBox.ButtonRole.AcceptRole)
        drop = box.addButton(self.tr("Delete it"), QMessageBox.ButtonRole.DestructiveRole)
        box.addButton(self.tr("Later"), QMessageBox.ButtonRole.RejectRole)
        take.clicked.connect(lambda: self.recover(leftover))
        drop.clicked.connect(leftover.discard)
        self._open_dialog(box)

    def recover(self, leftover: Leftover) -> None:
        """Open an unsaved copy as a study without a file."""
        self._recovered = leftover
        self.model.open_study(str(leftover.copy), recovered=True)

    def _on_copied(self) -> None:
        # The recovered work now has a copy of its own.
        if self._recovered is not None and not self.model.path:
            self._recovered.discard()
            self._recovered = None

    # -- going about -------------------------------------------------------

    def step_road(self, step: int) -> None:
        """Go to the next or previous road."""
        count = len(self.model.index or self.model.roads)
        if count:
            self.model.select_road((self.model.road_index + step) % count)
            self.map.show_current_road()

    def go_to_station(self, text: str) -> None:
        """Select the station nearest to what was typed."""
        from analysis.alignment import parse_station
        from analysis.errors import VergelineError

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
        self.job_words.setText(f"{title}…")
        self.job_bar.setRange(0, 0)
        self.job_bar.setFormat("")
        for widget in (self.job_words, self.job_bar, self.job_cancel):
            widget.show()
        self._say_next()

    def _on_progress(self, key: str, fraction: float, words: str, left_s: float) -> None:
        if key != self._job_key:
            return
        self.job_bar.setRange(0, 1000)
        self.job_bar.setValue(round(1000 * fraction))
        self.job_bar.setFormat("%p %")
        text = words
        if left_s >= 0.0:
            text = f"{words}  ·  {self._time_left(left_s)}" if words else self._time_left(left_s)
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

    def tell(self, title: str, sentence: str) -> None:
        """Say in one sentence what can't be done; nothing is lost by it."""
        log.warning("%s: %s", title, sentence)
        box = QMessageBox(self)
        box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        box.setIcon(QMessageBox.Icon.Warning)
        box.setWindowTitle(title or "Vergeline")
        box.setText(sentence)
        box.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._open_dialog(box)

    def show_help(self) -> None:
        """Show what each number means."""
        pane = self.panes["help"]
        pane.setFloating(True)
        pane.resize(760, 620)
        pane.show()
        pane.raise_()

    def show_shortcuts(self) -> None:
        """Show the shortcut sheet."""
        self._open_dialog(ShortcutSheet(self.commands.all_shortcuts(), self))

    def show_cautions(self) -> None:
        """Show the cautions."""
        from analysis.workplan import CAUTIONS

        self._open_dialog(CautionsDialog(CAUTIONS, self))

    def show_log(self) -> None:
        """Open the log file with the system's viewer."""
        from gui.app import log_path

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
        self._open_dialog(box)

    # -- sheets -------------------------------------------------------

    def _ask_pdf(self, name: str, work: Callable[[str], Callable[[Any], Any]]) -> None:
        folder = Path(str(QSettings().value("folder", "")) or ".")
        dialog = QFileDialog(self, self.tr("Print sheets"), str(folder / name), "PDF (*.pdf)")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setDefaultSuffix("pdf")

        def chosen(path: str) -> None:
            self._remember_folder(path)
            self.model.runner.submit(
                "print",
                work(path),
                lambda _result: self.statusBar().showMessage(
                    self.tr("Written: {name}").format(name=Path(path).name), 15_000
                ),
                lambda sentence: self.tell(self.tr("Print sheets"), sentence),
                lane="long",
                title=self.tr("Printing"),
            )

        dialog.fileSelected.connect(chosen)
        self._open_dialog(dialog)

    def print_section(self) -> None:
        """Write the sheet of the selected section."""
        model, study = self.model, self.model.study
        if study is None:
            return
        places = [(model.road_index, model.station_index)]
        units, style = model.units, model.station_style

        def work(path: str) -> Callable[[Any], Any]:
            return lambda progress: jobs.print_sections(progress, study, places, path, units, style)

        self._ask_pdf("section.pdf", work)

    def print_reach(self) -> None:
        """Write the sheet of the selected reach."""
        if self.model.reach_row < 0:
            self.statusBar().showMessage(self.tr("Select a reach first"), 8_000)
            return
        self._print_rows([self.model.reach_row], "reach.pdf")

    def print_reaches(self) -> None:
        """Write the sheets of every reach that won't shed, by rank."""
        rows = self.model.failing_reaches()
        if not rows:
            self.statusBar().showMessage(self.tr("No reach of this study won't shed"), 8_000)
            return
        self._print_rows(rows, "reaches.pdf")

    def _print_rows(self, rows: list[int], name: str) -> None:
        study, units, style = self.model.study, self.model.units, self.model.station_style
        if study is None:
            return

        def work(path: str) -> Callable[[Any], Any]:
            return lambda progress: jobs.print_reaches(progress, study, rows, path, units, style)

        self._ask_pdf(name, work)
