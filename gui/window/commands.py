"""The window's actions: their texts, keys, menus and toolbar as rows, and when each is possible."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from functools import partial
from typing import Any

from PySide6.QtCore import QCoreApplication, QObject, QSize, Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QLabel, QLineEdit, QMainWindow, QMenu, QToolBar, QToolButton
from shiboken6 import isValid

from analysis.common.errors import VergelineError
from analysis.common.sides import SIDES
from analysis.common.stations import parse_station
from gui.look.icons import icon
from gui.look.making import named
from gui.look.turns import turns
from gui.look.words import side_text, station_words
from gui.map.map_view import MapView
from gui.state.model import WindowModel
from gui.window.dialogs import ShortcutSheet
from gui.window.exporting import Exporting
from gui.window.files import Files
from gui.window.finder import OTHER_WORDS, CommandFinder, plain
from gui.window.job_bar import JobBar
from gui.window.panes import Panes
from gui.window.reviewing import Reviewing
from gui.window.submenus import Submenus

__all__ = ["Commands"]

# What must be there for an action to be possible.
NEEDS = {
    "anything": "layouts close_study whole_road whole_terrain closer wider",
    "terrain": "heights extras measure picture",
    "road": "road_reading",
    "inputs": "screen screen_network",
    "study": "compare sheets print_section print_reach print_reaches",
    "second": "end_compare change",
    "relief": "relief",
    "findings": "export save save_as next_station previous_station first_station last_station "
    "ten_on ten_back other_side "
    "next_finding previous_finding go_to near station agree reject to_check unreview "
    "review",
    "roads": "next_road previous_road",
    "corrections": "give_back",
    "work": "cancel",
}
# Pictures, and the actions and menus that carry them.
ICONS = {
    **{name: name for name in ("screen", "save", "compare", "undo", "redo", "relief", "measure")},
    "open": "open_any",
    "terrain": "open_terrain",
    "road": "open_road",
    "sample": "open_sample",
    "stop": "cancel",
    "next-station": "next_station",
    "previous-station": "previous_station",
    "first-station": "first_station",
    "last-station": "last_station",
    "next-finding": "next_finding",
    "previous-finding": "previous_finding",
    "other-side": "other_side",
    "print": "print_section sheets",
    "help": "help",
    "export": "export",
    "caution": "cautions",
    "light": "light",
    "close-up": "near",
    "review": "review",
    "whole-road": "whole_road",
}
# Names of actions and menus; | is a separator.
TOOLBAR = (
    "open_terrain open_road save | screen | previous_finding next_finding | first_station "
    "previous_station station next_station last_station other_side | "
    "whole_road near relief measure | review | undo redo"
)


_WITH_TEXT = ("open_terrain", "open_road", "screen")


class Commands(QObject):
    """Makes the actions of a window by name, and its menus and toolbar from them."""

    def __init__(
        self,
        window: QMainWindow,
        model: WindowModel,
        view: MapView,
        files: Files,
        panes: Panes,
        jobs: JobBar,
    ) -> None:
        super().__init__(window)
        self.window, self.model, self.map = window, model, view
        self.files, self.panes = files, panes
        self._actions: dict[str, QAction] = {}
        self._make_actions(jobs)
        self.submenus = Submenus(window, model, view, files, panes)
        sheets = self.submenus.submenu("sheets", self.tr("&Print sheets"))
        sheets.addActions([self[n] for n in ("print_section", "print_reach", "print_reaches")])
        self._actions |= self.submenus.actions
        self._make_menus()
        self._make_toolbar()
        for name, action in self._actions.items():
            tell = partial(_tell_keys, action, by_text=name in ("undo", "redo"))
            tell()
            action.changed.connect(tell)
        self.refresh()
        model.runner.busy_changed.connect(self.refresh)
        model.selection_changed.connect(self.show_selection)
        model.units_changed.connect(self.show_selection)

    def __getitem__(self, name: str) -> QAction:
        return self._actions[name]

    def _make_actions(self, jobs: JobBar) -> None:
        model, files, dialogs = self.model, self.files, self.files.dialogs
        std = QKeySequence.StandardKey
        step = model.next_station
        reviewing = self.reviewing = Reviewing(model, dialogs)
        finding = reviewing.step
        rows: tuple[tuple[str, str, Any, Callable[[], object]], ...] = (
            ("open_any", self.tr("&Open…"), "Ctrl+O", files.ask_open),
            ("open_terrain", self.tr("Open &terrain…"), "Ctrl+T", files.ask_terrain),
            ("open_tiles", self.tr("Open a &folder of tiles…"), "", files.ask_tiles),
            ("open_road", self.tr("Open &road…"), "Ctrl+L", files.ask_road),
            ("road_reading", self.tr("&How to read the road…"), "", files.ask_road_reading),
            ("open_sample", self.tr("Open the sa&mple road"), "", files.open_sample),
            ("save", self.tr("&Save"), std.Save, files.save),
            ("save_as", self.tr("Save &as…"), "Ctrl+Shift+S", files.save_as),
            ("close_study", self.tr("&Close"), "Ctrl+W", files.close_study),
            ("leave", self.tr("&Quit"), std.Quit, self.window.close),
            ("give_back", self.tr("&Give all corrected breaks back"), "", model.clear_corrections),
            ("screen", self.tr("&Screen the road"), "F5", model.screen),
            ("screen_network", self.tr("Screen into a &file…"), "", files.ask_network),
            ("cancel", self.tr("Ca&ncel"), "Ctrl+.", jobs.cancel),
            ("compare", self.tr("Compare with another &grid…"), "", files.ask_second),
            ("end_compare", self.tr("&End comparing"), "", model.close_second),
            ("next_station", self.tr("&Next station"), "Ctrl+Right ]", partial(step, 1)),
            ("previous_station", self.tr("&Previous station"), "Ctrl+Left [", partial(step, -1)),
            ("first_station", self.tr("&First station"), "Ctrl+Home", partial(self._to_end, -1)),
            ("last_station", self.tr("&Last station"), "Ctrl+End", partial(self._to_end, 1)),
            ("ten_on", self.tr("Ten stations &on"), "Ctrl+Shift+Right", partial(step, 10)),
            ("ten_back", self.tr("Ten stations &back"), "Ctrl+Shift+Left", partial(step, -10)),
            ("next_finding", self.tr("Next &finding"), "F8 Ctrl+Down", partial(finding, 1)),
            (
                "previous_finding",
                self.tr("Previous f&inding"),
                "Shift+F8 Ctrl+Up",
                partial(finding, -1),
            ),
            ("other_side", self.tr("Other si&de"), "F7 Ctrl+B", model.flip_side),
            ("go_to", self.tr("&Go to station"), "Ctrl+G", self._go_to),
            ("review", self.tr("Re&view the findings"), "F9", reviewing.toggle),
            ("agree", self.tr("&Agree"), "A", partial(reviewing.give, "agreed")),
            ("reject", self.tr("&Reject…"), "R", partial(reviewing.give, "rejected")),
            ("to_check", self.tr("To &check"), "T", partial(reviewing.give, "to check")),
            ("unreview", self.tr("Take the re&view back"), "", partial(reviewing.give, "")),
            ("next_road", self.tr("Next r&oad"), "Ctrl+Shift+Down", partial(self._step_road, 1)),
            (
                "previous_road",
                self.tr("Previous ro&ad"),
                "Ctrl+Shift+Up",
                partial(self._step_road, -1),
            ),
            ("print_section", self.tr("&Section sheet…"), "Ctrl+P", files.print_section),
            ("print_reach", self.tr("&Reach sheet…"), "", files.print_reach),
            (
                "print_reaches",
                self.tr("Sheets of &all reaches with work…"),
                "",
                files.print_reaches,
            ),
            ("export", self.tr("&Export…"), "Ctrl+E", Exporting(model, dialogs).ask),
            ("help", self.tr("&What each number means"), "F1", self.panes.show_help),
            ("find", self.tr("Fi&nd a command…"), "Ctrl+Shift+F", self._find_command),
            ("sheet", self.tr("&Keyboard shortcuts"), "Ctrl+/", self._show_shortcuts),
            ("cautions", self.tr("&Cautions"), "", dialogs.show_cautions),
            ("log", self.tr("Show the &log file"), "", dialogs.show_log),
            ("about", self.tr("&About Vergeline"), "", dialogs.show_about),
        )
        for name, text, keys, slot in rows:
            made = self._actions[name] = QAction(text, self.window)
            every = keys.split() if isinstance(keys, str) else [keys]
            made.setShortcuts([QKeySequence(key) for key in every])
            made.triggered.connect(lambda _checked=False, do=slot: do())
        undo = model.undo.createUndoAction(self.window, self.tr("Undo"))
        undo.setShortcut(std.Undo)
        redo = model.undo.createRedoAction(self.window, self.tr("Redo"))
        redo.setShortcuts([QKeySequence("Ctrl+Y"), QKeySequence("Ctrl+Shift+Z")])
        here = self.map
        self._actions |= {
            "undo": undo,
            "redo": redo,
            "near": here.near_action,
            "whole_road": here.fit_road_action,
            "whole_terrain": here.fit_terrain_action,
            "closer": here.closer_action,
            "wider": here.wider_action,
            "relief": here.relief_action,
            "change": here.change_action,
            "measure": here.measure_action,
            "key": here.key_action,
        }
        self._note_other_words()

    def _note_other_words(self) -> None:
        """Let commands be found by words that people have for them and their texts haven't."""
        for names, words in (
            ("print_section print_reach print_reaches", self.tr("print preview PDF paper")),
            ("export", self.tr("hand out GIS GeoPackage GeoJSON CSV GPX KML PDF")),
            ("screen", self.tr("measure judge calculate run")),
            ("review", self.tr("decide accept go through")),
            ("measure", self.tr("distance ruler")),
            ("compare change", self.tr("difference second survey before after")),
            ("go_to", self.tr("jump chainage")),
            ("closer wider", self.tr("zoom")),
            ("cancel", self.tr("stop call off")),
        ):
            for name in names.split():
                self[name].setProperty(OTHER_WORDS, words)

    # -- menus -------------------------------------------------------

    def _make_menus(self) -> None:
        for title, names in (
            (
                self.tr("&File"),
                "open_any open_terrain open_tiles heights open_road road_reading extras recent "
                "open_sample | save save_as export sheets | close_study leave",
            ),
            (self.tr("&Edit"), "undo redo | agree reject to_check unreview | give_back"),
            (self.tr("&Screening"), "screen screen_network cancel | review | compare end_compare"),
            (
                self.tr("&Go"),
                "next_station previous_station first_station last_station ten_on ten_back "
                "other_side go_to | "
                "next_finding previous_finding | next_road previous_road",
            ),
            (
                self.tr("&View"),
                "near whole_road whole_terrain closer wider | relief relief_limit change | measure "
                "key light picture | units stations colours | panes layouts",
            ),
            (self.tr("&Help"), "find help sheet cautions | log about"),
        ):
            made = self.window.menuBar().addMenu(title)
            made.setToolTipsVisible(True)
            for name in names.split():
                if name == "|":
                    made.addSeparator()
                else:
                    made.addAction(self[name])

    # -- toolbar -------------------------------------------------------

    def _make_toolbar(self) -> None:
        bar = QToolBar(self.tr("Toolbar"), self.window)
        self._texts: dict[str, QToolButton] = {}
        bar.setObjectName("toolbar")
        bar.setMovable(False)
        bar.setIconSize(QSize(20, 20))
        bar.setAccessibleName(self.tr("Toolbar"))
        bar.toggleViewAction().setEnabled(False)
        for name in TOOLBAR.split():
            if name == "|":
                bar.addSeparator()
            elif name == "station":
                self._add_station_box(bar)
            else:
                bar.addAction(self[name])
                button = bar.widgetForAction(self[name])
                if isinstance(button, QToolButton):
                    button.setAccessibleName(plain(self[name].text()))
                    if name in _WITH_TEXT:
                        button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
                        self._texts[name] = button
        self.window.addToolBar(bar)

    def _add_station_box(self, bar: QToolBar) -> None:
        label = QLabel(self.tr("Station"))
        label.setContentsMargins(4, 0, 2, 0)
        right = Qt.AlignmentFlag.AlignRight
        box = self.station_box = named(
            QLineEdit(placeholderText="0+000", alignment=right),
            self.tr("Go to station"),
            self.tr("Type a station such as 1+240 and press Enter (Ctrl+G)"),
        )
        box.setFixedWidth(86)
        box.returnPressed.connect(lambda: self.go_to_station(box.text()))
        bar.addWidget(label)
        self._actions["station"] = bar.addWidget(box)

    # -- what shows now -------------------------------------------------------

    def paint_icons(self) -> None:
        """Draw every icon in the ink of light or dark."""
        for picture, names in ICONS.items():
            self._paint_icon(picture, names)

    def paint_icons_in_turns(self) -> None:
        """Do the same while the window is in use: each never drawn before takes a millisecond."""
        for picture, names in ICONS.items():
            turns().ask(self.window, partial(self._paint_icon, picture, names), (self, picture))

    def _paint_icon(self, picture: str, names: str) -> None:
        for name in names.split():
            self[name].setIcon(icon(picture, "accent" if picture == "screen" else "ink"))

    def refresh(self) -> None:
        """Make possible what can be done now."""
        model = self.model
        terrain, findings = model.terrain is not None, model.findings is not None
        there = {
            "anything": terrain or findings,
            "terrain": terrain,
            "road": terrain and model.inputs.source is not None,
            "inputs": model.can_screen,
            "study": model.study is not None,
            "second": model.second_study is not None,
            "relief": terrain and model.study is not None,
            "findings": findings,
            "roads": len(model.index or model.roads) > 1,
            "corrections": bool(model.corrections),
            "work": model.runner.busy,
        }
        for need, names in NEEDS.items():
            for name in names.split():
                self[name].setEnabled(there[need])
        # Words for the first steps; once there are findings the room is for going through them.
        beside, alone = (
            Qt.ToolButtonStyle.ToolButtonTextBesideIcon,
            Qt.ToolButtonStyle.ToolButtonIconOnly,
        )
        for name, button in self._texts.items():
            button.setToolButtonStyle(alone if findings and name != "screen" else beside)

    def show_selection(self) -> None:
        """Show the selected station and side."""
        model, box = self.model, self.station_box
        if model.road is None:
            box.clear()
        elif model.place_m is not None:
            if not box.hasFocus() or not box.isModified():
                label = float(model.road.station_m[model.station_index])
                box.setText(station_words(label, model.station_style))
            side = side_text(SIDES[model.side]).capitalize()
            self["other_side"].setToolTip(self.tr("{side} side; go to the other").format(side=side))

    # -- what they do -------------------------------------------------------

    def _go_to(self) -> None:
        self.station_box.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.station_box.selectAll()

    def go_to_station(self, text: str) -> None:
        """Select the station nearest to what was typed."""
        model = self.model
        if model.road is None:
            return
        try:
            label = parse_station(text, style=model.station_style)
        except VergelineError as error:
            model.message.emit(str(error))
            self.station_box.selectAll()
            return
        first, last = sorted((float(model.road.station_m[0]), float(model.road.station_m[-1])))
        if not first - 0.5 <= label <= last + 0.5:
            ends = [station_words(end, model.station_style) for end in (first, last)]
            model.message.emit(
                self.tr("{wanted} isn't on {road}, which runs from {first} to {last}.").format(
                    wanted=text.strip(), road=model.road.name, first=ends[0], last=ends[1]
                )
            )
            self.station_box.selectAll()
            return
        model.select_station(model.road_index, model.road.nearest_label(label))
        self.station_box.setModified(False)
        self.show_selection()
        self.map.plot.setFocus()

    def _to_end(self, way: int) -> None:
        """Go to the first or the last station of the road."""
        road = self.model.road
        if road is not None:
            last = len(road.distance_m) - 1
            self.model.select_station(self.model.road_index, last if way > 0 else 0)

    def _step_road(self, step: int) -> None:
        count = len(self.model.index or self.model.roads)
        if count:
            self.model.select_road((self.model.road_index + step) % count)
            self.map.show_current_road()

    def _find_command(self) -> None:
        """Offer every command by its words."""
        entries = [
            (plain(menu_action.text()), action)
            for menu_action in self.window.menuBar().actions()
            for action in _leaves(menu_action)
            if plain(action.text()) and action is not self["find"]
        ]
        self.files.dialogs.show(CommandFinder(entries, self.window))

    def _show_shortcuts(self) -> None:
        rows: list[tuple[str, str, str]] = []
        for menu_action in self.window.menuBar().actions():
            rows += [
                (
                    plain(menu_action.text()),
                    plain(action.text()).rstrip("…"),
                    "  ".join(key.toString(key.SequenceFormat.NativeText) for key in keys),
                )
                for action in _leaves(menu_action)
                if (keys := action.shortcuts())
            ]
        here = self.tr("Map")
        rows += [
            (here, self.tr("Move the map"), self.tr("arrow keys")),
            (here, self.tr("Zoom"), self.tr("+  −  wheel")),
            (here, self.tr("Whole road"), self.tr("Home")),
            (here, self.tr("Select the nearest station"), self.tr("click")),
            (here, self.tr("Select and go close"), self.tr("double click")),
            (here, self.tr("End measuring"), self.tr("Esc")),
        ]
        for module, where in (
            ("gui.review.page", self.tr("Review")),
            ("gui.along.road_axis", self.tr("Along the road")),
            ("gui.section.section_canvas", self.tr("Cross-section")),
            ("gui.tables.tables", self.tr("Reaches, stations")),
        ):
            rows += [
                (where, QCoreApplication.translate("Keys", what), pressed)
                for pressed, what in importlib.import_module(module).KEYS
            ]
        self.files.dialogs.show(ShortcutSheet(rows, self.window))


def _tell_keys(action: QAction, *, by_text: bool = False) -> None:
    """Say an action's keys in its tip, whenever that changes; `by_text` its text is the tip."""
    # A window that goes tells of its actions once more when half of each is gone.
    if not isValid(action):
        return
    keys = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
    said = plain(action.text()) if by_text else action.toolTip()
    if keys and not said.endswith(f"({keys})"):
        said = f"{said} ({keys})"
    if said != action.toolTip():
        action.setToolTip(said)


def _leaves(action: QAction) -> list[QAction]:
    """Return the action, or all that its menu holds."""
    menu = action.menu()
    if not isinstance(menu, QMenu):
        return [action]
    return [leaf for part in menu.actions() for leaf in _leaves(part)]
