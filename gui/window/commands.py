"""The window's actions: texts, keys and menus in one table-like place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QCoreApplication, QSize, Qt
from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import QLabel, QLineEdit, QMenu, QToolBar, QToolButton, QWidgetAction

from gui.look.icons import icon
from gui.map.map_view import RELIEF_LIMITS_CM
from gui.window.dialogs import LightPanel

if TYPE_CHECKING:
    from gui.window.window import Window

__all__ = ["Commands"]


translate = QCoreApplication.translate


class Commands:
    """Makes the actions of a window, and its menus and toolbar from them."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self.groups: list[tuple[str, list[QAction]]] = []
        self._icons: dict[QAction, str] = {}
        model, undo, files = window.model, window.model.undo, window.files

        self.open_any = self._make(
            translate("Commands", "&Open…"), "Ctrl+O", files.ask_open, "open"
        )
        self.open_terrain = self._make(
            translate("Commands", "Open &terrain…"), "Ctrl+T", files.ask_terrain, "terrain"
        )
        self.open_road = self._make(
            translate("Commands", "Open &road…"), "Ctrl+L", files.ask_road, "road"
        )
        self.road_reading = self._make(
            translate("Commands", "&How to read the road…"), "", files.ask_road_reading
        )
        self.open_sample = self._make(
            translate("Commands", "Open the sa&mple road"), "", files.open_sample, "sample"
        )
        self.save = self._make(
            translate("Commands", "&Save"), QKeySequence.StandardKey.Save, files.save, "save"
        )
        self.save_as = self._make(translate("Commands", "Save &as…"), "Ctrl+Shift+S", files.save_as)
        self.close_study = self._make(translate("Commands", "&Close"), "Ctrl+W", files.close_study)
        self.leave = self._make(
            translate("Commands", "&Quit"), QKeySequence.StandardKey.Quit, window.close
        )

        self.undo = undo.createUndoAction(window, translate("Commands", "Undo"))
        self.undo.setShortcut(QKeySequence.StandardKey.Undo)
        self.redo = undo.createRedoAction(window, translate("Commands", "Redo"))
        self.redo.setShortcuts([QKeySequence("Ctrl+Y"), QKeySequence("Ctrl+Shift+Z")])
        self._icons[self.undo], self._icons[self.redo] = "undo", "redo"
        self.give_back = self._make(
            translate("Commands", "&Give all corrected breaks back"), "", model.clear_overrides
        )

        self.screen = self._make(translate("Commands", "&Screen"), "F5", model.screen, "screen")
        self.cancel = self._make(
            translate("Commands", "Ca&ncel"), "Ctrl+.", window.cancel_job, "stop"
        )
        self.compare = self._make(
            translate("Commands", "Compare with another &grid…"), "", files.ask_second, "compare"
        )
        self.end_compare = self._make(
            translate("Commands", "&End comparing"), "", model.close_second
        )

        self.next_station = self._make(
            translate("Commands", "&Next station"),
            ("Ctrl+Right", "]"),
            lambda: model.next_station(1),
            "next-station",
        )
        self.previous_station = self._make(
            translate("Commands", "&Previous station"),
            ("Ctrl+Left", "["),
            lambda: model.next_station(-1),
            "previous-station",
        )
        self.ten_on = self._make(
            translate("Commands", "Ten stations &on"),
            "Ctrl+Shift+Right",
            lambda: model.next_station(10),
        )
        self.ten_back = self._make(
            translate("Commands", "Ten stations &back"),
            "Ctrl+Shift+Left",
            lambda: model.next_station(-10),
        )
        self.next_finding = self._make(
            translate("Commands", "Next &finding"),
            ("F8", "Ctrl+Down"),
            lambda: model.next_finding(1),
            "next-finding",
        )
        self.previous_finding = self._make(
            translate("Commands", "Previous f&inding"),
            ("Shift+F8", "Ctrl+Up"),
            lambda: model.next_finding(-1),
            "previous-finding",
        )
        self.other_side = self._make(
            translate("Commands", "Other si&de"), ("F7", "Ctrl+B"), model.flip_side, "other-side"
        )
        self.go_to = self._make(translate("Commands", "&Go to station"), "Ctrl+G", self._go_to)
        self.next_road = self._make(
            translate("Commands", "Next r&oad"), "Ctrl+Shift+Down", lambda: window.step_road(1)
        )
        self.previous_road = self._make(
            translate("Commands", "Previous ro&ad"), "Ctrl+Shift+Up", lambda: window.step_road(-1)
        )

        self.print_section = self._make(
            translate("Commands", "&Section sheet…"), "Ctrl+P", files.print_section, "print"
        )
        self.print_reach = self._make(translate("Commands", "&Reach sheet…"), "", files.print_reach)
        self.print_reaches = self._make(
            translate("Commands", "Sheets of &all reaches that won't shed…"),
            "",
            files.print_reaches,
        )

        self.help = self._make(
            translate("Commands", "&What each number means"), "F1", window.show_help, "help"
        )
        self.sheet = self._make(
            translate("Commands", "&Keyboard shortcuts"), "Ctrl+/", window.show_shortcuts
        )
        self.cautions = self._make(
            translate("Commands", "&Cautions"), "", window.show_cautions, "caution"
        )
        self.log = self._make(translate("Commands", "Show the &log file"), "", window.show_log)
        self.about = self._make(translate("Commands", "&About Vergeline"), "", window.show_about)
        self._menus()
        self._toolbar()

    def _make(self, text: str, keys: Any, slot: Callable[..., Any], picture: str = "") -> QAction:
        made = QAction(text, self.window)
        if isinstance(keys, tuple):
            made.setShortcuts([QKeySequence(k) for k in keys])
        elif keys:
            made.setShortcut(keys)
        made.triggered.connect(lambda _checked=False: slot())
        if picture:
            self._icons[made] = picture
        return made

    # -- menus -------------------------------------------------------

    def _menus(self) -> None:
        window, bar = self.window, self.window.menuBar()
        here = window.map

        def menu(title: str, *rows: Any) -> QMenu:
            made = bar.addMenu(title)
            made.setToolTipsVisible(True)
            actions: list[QAction] = []
            for row in rows:
                if row is None:
                    made.addSeparator()
                elif isinstance(row, QMenu):
                    made.addMenu(row)
                else:
                    made.addAction(row)
                    actions.append(row)
            self.groups.append((title.replace("&", ""), actions))
            return made

        self.recent_menu = QMenu(translate("Commands", "Open r&ecent"), window)
        self.heights_menu = self._heights_menu()
        self.extras_menu = self._extras_menu()
        self.sheets_menu = QMenu(translate("Commands", "&Print sheets"), window)
        for action in (self.print_section, self.print_reach, self.print_reaches):
            self.sheets_menu.addAction(action)
        menu(
            translate("Commands", "&File"),
            self.open_any,
            self.open_terrain,
            self.heights_menu,
            self.open_road,
            self.road_reading,
            self.extras_menu,
            self.recent_menu,
            self.open_sample,
            None,
            self.save,
            self.save_as,
            self.sheets_menu,
            None,
            self.close_study,
            self.leave,
        )
        self.groups[-1][1].extend([self.print_section])
        menu(translate("Commands", "&Edit"), self.undo, self.redo, None, self.give_back)
        menu(
            translate("Commands", "&Screening"),
            self.screen,
            self.cancel,
            None,
            self.compare,
            self.end_compare,
        )
        menu(
            translate("Commands", "&Go"),
            self.next_station,
            self.previous_station,
            self.ten_on,
            self.ten_back,
            self.other_side,
            self.go_to,
            None,
            self.next_finding,
            self.previous_finding,
            None,
            self.next_road,
            self.previous_road,
        )
        self.panes_menu = QMenu(translate("Commands", "&Panes"), window)
        menu(
            translate("Commands", "&View"),
            here.near_action,
            here.fit_road_action,
            here.fit_terrain_action,
            here.closer_action,
            here.wider_action,
            None,
            here.relief_action,
            self._relief_menu(),
            here.measure_action,
            here.key_action,
            self._light_menu(),
            None,
            self._choice(
                translate("Commands", "&Units"),
                [(translate("Commands", "Metric"), "metric"), (translate("Commands", "US"), "us")],
                lambda: window.model.units,
                window.model.set_units,
            ),
            self._choice(
                translate("Commands", "&Stations as"),
                (
                    (translate("Commands", "2+340 (km)"), "km"),
                    (translate("Commands", "23+40 (hundreds of feet)"), "feet-hundreds"),
                ),
                lambda: window.model.station_style,
                window.model.set_station_style,
            ),
            self._choice(
                translate("Commands", "&Colours"),
                [
                    (translate("Commands", "As the system has them"), "system"),
                    (translate("Commands", "Light"), "light"),
                    (translate("Commands", "Dark"), "dark"),
                ],
                window.appearance,
                window.set_appearance,
            ),
            None,
            self.panes_menu,
        )
        menu(
            translate("Commands", "&Help"),
            self.help,
            self.sheet,
            self.cautions,
            None,
            self.log,
            self.about,
        )
        for action, picture in (
            (here.measure_action, "measure"),
            (here.relief_action, "relief"),
            (here.fit_road_action, "whole-road"),
            (here.near_action, "close-up"),
        ):
            self._icons[action] = picture

    def _choice(
        self,
        title: str,
        options: Sequence[tuple[str, str]],
        now: Callable[[], str],
        choose: Callable[[str], None],
    ) -> QMenu:
        made = QMenu(title, self.window)
        group = QActionGroup(made)
        for text, value in options:
            action = made.addAction(text)
            action.setCheckable(True)
            action.setData(value)
            group.addAction(action)
            action.triggered.connect(lambda _=False, v=value: choose(v))

        def mark() -> None:
            for action in group.actions():
                action.setChecked(action.data() == now())

        made.aboutToShow.connect(mark)
        mark()
        return made

    def _relief_menu(self) -> QMenu:
        made = QMenu(translate("Commands", "Full colour at"), self.window)
        group = QActionGroup(made)
        for limit in RELIEF_LIMITS_CM:
            action = made.addAction(translate("Commands", "± {value:g} cm").format(value=limit))
            action.setCheckable(True)
            action.setChecked(limit == self.window.map.relief_limit_cm)
            group.addAction(action)
            action.triggered.connect(lambda _=False, v=limit: self._relief(v))
        return made

    def _relief(self, limit_cm: float) -> None:
        self.window.map.set_relief_limit(limit_cm)
        self.window.map.relief_action.setChecked(True)

    def _light_menu(self) -> QMenu:
        made = QMenu(translate("Commands", "&Light on the terrain"), self.window)
        self.light_panel = LightPanel(self.window.map.light)
        self.light_panel.changed.connect(self._set_light)
        holder = QWidgetAction(made)
        holder.setDefaultWidget(self.light_panel)
        made.addAction(holder)
        self.light_menu = made
        return made

    def _set_light(self, light: Any) -> None:
        from dataclasses import replace

        now = self.window.map.light
        self.window.map.set_light(replace(light, low_m=now.low_m, high_m=now.high_m))

    def _heights_menu(self) -> QMenu:
        made = QMenu(translate("Commands", "Heights are &in"), self.window)
        for text, unit in (
            (translate("Commands", "As the file says"), None),
            (translate("Commands", "Metres"), "metre"),
            (translate("Commands", "Feet"), "foot"),
            (translate("Commands", "US survey feet"), "us-foot"),
        ):
            action = made.addAction(text)
            action.triggered.connect(lambda _=False, u=unit: self.window.files.set_height_unit(u))
        return made

    def _extras_menu(self) -> QMenu:
        made = QMenu(translate("Commands", "A&dd to the road"), self.window)
        model = self.window.model
        takers: dict[str, QAction] = {}
        for kind, text, take in (
            (
                "mask",
                translate("Commands", "&Areas that aren't shoulder…"),
                translate("Commands", "Take the areas out"),
            ),
            (
                "edges",
                translate("Commands", "Pavement &edge lines…"),
                translate("Commands", "Take the edge lines out"),
            ),
            (
                "widths",
                translate("Commands", "&Widths by station…"),
                translate("Commands", "Take the widths out"),
            ),
            (
                "culverts",
                translate("Commands", "&Culverts…"),
                translate("Commands", "Take the culverts out"),
            ),
        ):
            made.addAction(text).triggered.connect(
                lambda _=False, k=kind: self.window.files.ask_extra(k)
            )
            takers[kind] = QAction(take, made)
            takers[kind].triggered.connect(lambda _=False, k=kind: model.set_extra(k, None))
        made.addSeparator()
        made.addActions(list(takers.values()))

        def mark() -> None:
            for kind, action in takers.items():
                action.setVisible(kind in model.extra_paths)

        made.aboutToShow.connect(mark)
        return made

    # -- toolbar -------------------------------------------------------

    def _toolbar(self) -> None:
        window, here = self.window, self.window.map
        bar = QToolBar(translate("Commands", "Toolbar"), window)
        bar.setObjectName("toolbar")
        bar.setMovable(False)
        bar.setIconSize(QSize(20, 20))
        bar.setAccessibleName(translate("Commands", "Toolbar"))
        bar.toggleViewAction().setEnabled(False)
        self.toolbar = bar
        texts = {self.open_terrain, self.open_road, self.screen}
        self.station_label = QLabel(translate("Commands", "Station"))
        self.station_label.setContentsMargins(4, 0, 2, 0)
        self.station_box = QLineEdit()
        self.station_box.setAccessibleName(translate("Commands", "Go to station"))
        self.station_box.setToolTip(
            translate("Commands", "Type a station such as 1+240 and press Enter (Ctrl+G)")
        )
        self.station_box.setPlaceholderText("0+000")
        self.station_box.setFixedWidth(86)
        self.station_box.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.station_box.returnPressed.connect(
            lambda: window.go_to_station(self.station_box.text())
        )
        self.side_button = QToolButton()
        self.side_button.setDefaultAction(self.other_side)
        for row in (
            self.open_terrain,
            self.open_road,
            self.save,
            None,
            self.screen,
            None,
            self.previous_finding,
            self.next_finding,
            None,
            self.previous_station,
            self.station_label,
            self.station_box,
            self.next_station,
            self.other_side,
            None,
            here.fit_road_action,
            here.near_action,
            here.relief_action,
            here.measure_action,
            None,
            self.undo,
            self.redo,
        ):
            if row is None:
                bar.addSeparator()
            elif isinstance(row, QAction):
                bar.addAction(row)
                button = bar.widgetForAction(row)
                if isinstance(button, QToolButton):
                    button.setAccessibleName(row.text().replace("&", ""))
                    if row in texts:
                        button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
            else:
                bar.addWidget(row)
        window.addToolBar(bar)

    def paint_icons(self) -> None:
        """Draw every icon in the ink of light or dark."""
        for action, picture in self._icons.items():
            action.setIcon(icon(picture, "accent" if picture == "screen" else "ink"))
        self.light_menu.setIcon(icon("light"))
        self.sheets_menu.setIcon(icon("print"))

    def _go_to(self) -> None:
        self.station_box.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.station_box.selectAll()

    def all_shortcuts(self) -> list[tuple[str, list[QAction]]]:
        """Return the actions by menu, for the shortcut sheet."""
        return self.groups
