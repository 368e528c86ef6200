"""Menus within the menus: what is chosen among a few, added to the road, shown behind the map."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from PySide6.QtCore import QObject
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QMainWindow, QMenu, QWidgetAction

from gui.look import theme
from gui.look.remembered import remembered
from gui.map.map_view import RELIEF_LIMITS_CM, MapView
from gui.map.picture import PicturePanel
from gui.map.tiles import Light
from gui.state.model import WindowModel
from gui.window import recent
from gui.window.dialogs import LightPanel
from gui.window.files import PICTURE_FILTER, Files
from gui.window.layouts import Layouts
from gui.window.panes import Panes

__all__ = ["Submenus"]


class Submenus(QObject):
    """Makes the menus within the menus of a window, by name in `actions`."""

    def __init__(
        self, window: QMainWindow, model: WindowModel, view: MapView, files: Files, panes: Panes
    ) -> None:
        super().__init__(window)
        self.window, self.model, self.map = window, model, view
        self.files, self.panes = files, panes
        self.actions: dict[str, QAction] = {}
        self._make()

    def submenu(self, name: str, title: str) -> QMenu:
        """Make an empty menu under a name."""
        made = QMenu(title, self.window)
        self.actions[name] = made.menuAction()
        return made

    def _make(self) -> None:
        model = self.model
        self.recent_menu = self.submenu("recent", self.tr("Open r&ecent"))
        self.recent_menu.aboutToShow.connect(self._fill_recent)
        self.recent_menu.setToolTipsVisible(True)
        self.panes.fill_menu(self.submenu("panes", self.tr("&Panes")))
        self.layouts = Layouts(self.panes, model, self.files.dialogs)
        self.layouts.fill_menu(self.submenu("layouts", self.tr("La&youts")))
        heights = (
            (self.tr("As the file says"), None),
            (self.tr("Metres"), "metre"),
            (self.tr("Feet"), "foot"),
            (self.tr("US survey feet"), "us-foot"),
        )
        self._choice("heights", self.tr("Heights are &in"), heights, self.files.set_height_unit)
        units = ((self.tr("Metric"), "metric"), (self.tr("US"), "us"))
        self._choice("units", self.tr("&Units"), units, model.set_units, lambda: model.units)
        stations = (
            (self.tr("2+340 (km)"), "km"),
            (self.tr("23+40 (hundreds of feet)"), "feet-hundreds"),
        )
        self._choice(
            "stations",
            self.tr("&Stations as"),
            stations,
            model.set_station_style,
            lambda: model.station_style,
        )
        colours = (
            (self.tr("As the system has them"), "system"),
            (self.tr("Light"), "light"),
            (self.tr("Dark"), "dark"),
        )
        self._choice("colours", self.tr("&Colours"), colours, self.set_appearance, _appearance)
        limits = [
            (self.tr("± {value:g} cm").format(value=limit), limit) for limit in RELIEF_LIMITS_CM
        ]
        self._choice(
            "relief_limit",
            self.tr("Full colour at"),
            limits,
            self._set_relief_limit,
            lambda: self.map.relief_limit_cm,
        )
        light = self.submenu("light", self.tr("&Light on the terrain"))
        panel = LightPanel(self.map.light)
        panel.changed.connect(self._set_light)
        holder = QWidgetAction(light)
        holder.setDefaultWidget(panel)
        light.addAction(holder)
        self._make_picture()
        self._make_extras()

    def _make_picture(self) -> None:
        """Make the menu of the picture behind the map."""
        model, picture = self.model, self.map.picture
        made = self.submenu("picture", self.tr("&Picture behind the map"))
        made.addAction(self.tr("&Open a picture…")).triggered.connect(self._ask_picture)
        used = made.addAction(self.tr("&Show the intensity or orthophoto that is in use"))
        used.triggered.connect(lambda: picture.open(model.inputs.extra_paths.get("image", "")))
        holder = QWidgetAction(made)
        holder.setDefaultWidget(PicturePanel(picture))
        made.addAction(holder)
        evidence = made.addAction(self.tr("Look for pavement &edges in it too"))
        evidence.setCheckable(True)
        evidence.setToolTip(
            self.tr(
                "Where shoulder and pavement lie level with each other, their brightness tells."
            )
        )
        made.setToolTipsVisible(True)
        evidence.triggered.connect(
            lambda on: (
                self.files.add_extra("image", picture.path)
                if on
                else model.set_extra("image", None)
            )
        )
        away = made.addAction(self.tr("&Take it away"))
        away.triggered.connect(picture.take_away)

        def mark() -> None:
            image = model.inputs.extra_paths.get("image", "")
            used.setVisible(bool(image) and image != picture.path)
            evidence.setEnabled(bool(picture.path))
            evidence.setChecked(bool(picture.path) and image == picture.path)
            away.setEnabled(bool(picture.path))

        made.aboutToShow.connect(mark)

    def _ask_picture(self) -> None:
        title, kind = self.tr("Picture behind the map"), self.tr("Pictures with a place")
        filters = f"{kind} ({PICTURE_FILTER});;" + self.tr("All files") + " (*)"
        self.files.dialogs.ask_file(title, filters, self.map.picture.open)

    def _choice(
        self,
        name: str,
        title: str,
        options: Iterable[tuple[str, Any]],
        choose: Callable[[Any], object],
        now: Callable[[], object] | None = None,
    ) -> None:
        """Make a menu of values to choose from; the one that holds `now` is marked."""
        made = self.submenu(name, title)
        group = QActionGroup(made)
        for text, value in options:
            action = made.addAction(text)
            action.setData(value)
            action.triggered.connect(lambda _=False, v=value: choose(v))
            if now is not None:
                action.setCheckable(True)
                group.addAction(action)

        def mark() -> None:
            for action in group.actions():
                action.setChecked(now is not None and action.data() == now())

        made.aboutToShow.connect(mark)
        mark()

    def _make_extras(self) -> None:
        model = self.model
        made = self.submenu("extras", self.tr("A&dd to the road"))
        rows = (
            ("mask", self.tr("&Areas that aren't shoulder…"), self.tr("Take the areas out")),
            ("edges", self.tr("Pavement &edge lines…"), self.tr("Take the edge lines out")),
            ("widths", self.tr("&Widths by station…"), self.tr("Take the widths out")),
            ("culverts", self.tr("&Culverts…"), self.tr("Take the culverts out")),
            ("points", self.tr("Ground &points…"), self.tr("Take the points out")),
            ("image", self.tr("&Intensity or orthophoto…"), self.tr("Take the image out")),
            ("kerbs", self.tr("&Kerbs…"), self.tr("Take out what was said of kerbs")),
        )
        for kind, text, _take in rows:
            made.addAction(text).triggered.connect(lambda _=False, k=kind: self.files.ask_extra(k))
        made.addSeparator()
        takers = {kind: made.addAction(take) for kind, _text, take in rows}
        for kind, action in takers.items():
            action.triggered.connect(lambda _=False, k=kind: model.set_extra(k, None))

        def mark() -> None:
            for kind, action in takers.items():
                action.setVisible(kind in model.inputs.extra_paths)

        made.aboutToShow.connect(mark)

    def _fill_recent(self) -> None:
        menu = self.recent_menu
        menu.clear()
        entries = recent.entries()
        for entry in entries:
            action = menu.addAction(entry.title.replace("&", "&&"))
            action.setToolTip(entry.tip)
            action.setEnabled(entry.exists())
            action.triggered.connect(lambda _=False, e=entry: self.files.open_recent(e))
        menu.addSeparator()
        forget = menu.addAction(self.tr("&Forget these"))
        forget.setEnabled(bool(entries))
        forget.triggered.connect(self.files.forget_recent)

    def _set_relief_limit(self, limit_cm: float) -> None:
        self.map.set_relief_limit(limit_cm)
        self.map.relief_action.setChecked(True)

    def _set_light(self, light: Light) -> None:
        now = self.map.light
        self.map.set_light(replace(light, low_m=now.low_m, high_m=now.high_m))

    def set_appearance(self, which: str) -> None:
        """Use light or dark colours, or follow the system, now and from now on."""
        remembered().set_value("appearance", which)
        theme.set_appearance(which)


def _appearance() -> str:
    """Return "system", "light" or "dark"."""
    return str(remembered().value("appearance", "system"))
