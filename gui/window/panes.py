"""The panes around the map: what they hold, where they lie, their titles and tabs."""

from __future__ import annotations

import importlib
import logging
from collections.abc import Callable
from functools import partial

from PySide6.QtCore import QByteArray, QObject, QPoint, QSize, Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QDockWidget, QLabel, QMainWindow, QMenu, QTabBar, QTabWidget, QWidget

from gui.look.making import later, paint_again
from gui.state.model import WindowModel
from gui.state.runner import sentence_for

__all__ = ["TURN_MS", "Pane", "Panes"]

log = logging.getLogger("vergeline")

LAYOUT_VERSION = 2
ALONG_HEIGHT = 300
TURN_MS = 5

# name, module and class of what each pane holds.
CONTENTS = (
    ("along", "gui.along.along_view", "AlongView"),
    ("straight", "gui.along.straight_view", "StraightView"),
    ("section", "gui.section.section_page", "SectionPage"),
    ("inputs", "gui.forms.forms", "InputsForm"),
    ("limits", "gui.forms.forms", "LimitsForm"),
    ("reaches", "gui.tables.tables", "ReachTable"),
    ("stations", "gui.tables.tables", "StationTable"),
    ("plan", "gui.plan.plan_page", "PlanPage"),
    ("field", "gui.field.field_page", "FieldPage"),
    ("help", "gui.forms.help", "HelpPage"),
)


class Pane(QDockWidget):
    """A dock whose content is made when it is first wanted, so that the window opens fast.

    In a row of tabs the tab is title enough; alone or floating the pane has a title bar.
    """

    seen_empty = Signal()

    def __init__(self, name: str, title: str, make: Callable[[], QWidget]) -> None:
        super().__init__(title)
        self.setObjectName(name)
        self.setAccessibleName(title)
        self._make: Callable[[], QWidget] | None = make
        self._no_title = QWidget()

    def set_title_shown(self, shown: bool) -> None:
        """Show or hide the title bar."""
        if shown and self.titleBarWidget() is not None:
            self.setTitleBarWidget(None)  # type: ignore[arg-type]  # Qt: None brings its own back
            self._no_title = QWidget()
        elif not shown and self.titleBarWidget() is None:
            self.setTitleBarWidget(self._no_title)

    def fill(self) -> QWidget:
        """Return the content, made if need be."""
        if self._make is not None:
            make, self._make = self._make, None
            try:
                content: QWidget = make()
            except Exception as error:  # one pane that fails must not take the window with it
                log.exception("pane %s could not be made", self.objectName())
                content = QLabel(sentence_for(error), wordWrap=True)
            if not content.accessibleName():
                content.setAccessibleName(self.windowTitle())
            # A pane gives way to the window, not the window to the sum of its panes.
            content.setMinimumSize(min(content.minimumSizeHint().width(), 320), 90)
            self.setWidget(content)
        return self.widget()

    @property
    def filled(self) -> bool:
        """Whether the content was made."""
        return self._make is None

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if not self.filled:
            self.seen_empty.emit()


class Panes(QObject):
    """All panes of a window."""

    def __init__(self, window: QMainWindow, model: WindowModel) -> None:
        super().__init__(window)
        self.window = window
        self._shown: bool | None = None
        self._sized = False
        self._hidden: list[str] = []
        titles = {
            "along": self.tr("Along the road"),
            "straight": self.tr("Straightened"),
            "section": self.tr("Cross-section"),
            "inputs": self.tr("Inputs"),
            "limits": self.tr("Limits"),
            "reaches": self.tr("Reaches"),
            "stations": self.tr("Stations"),
            "plan": self.tr("Programme"),
            "field": self.tr("In the field"),
            "help": self.tr("What each number means"),
        }
        window.setDockOptions(
            QMainWindow.DockOption.AllowTabbedDocks | QMainWindow.DockOption.AllowNestedDocks
        )
        window.setTabPosition(Qt.DockWidgetArea.AllDockWidgetAreas, QTabWidget.TabPosition.North)
        window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
        self._titles_due = later(self, self._arrange_titles)
        self._fill_due = later(self, self._fill_one, TURN_MS)
        self._wanted: list[Pane] = []
        # Docks take sizes only once they are laid out.
        self._share_due = later(self, self.share_out)
        self._same_due = later(self, self._size_as_before)
        self._seen_due = later(self, partial(paint_again, window), TURN_MS)
        self._sizes: dict[str, QSize] = {}
        self._show_due = later(self, self._show_one, TURN_MS)
        self._to_show: list[str] = []
        self._front: list[str] = []
        self._in_front: list[str] = []
        self._state: QByteArray | None = None
        self.by_name: dict[str, Pane] = {}
        for name, module, kind in CONTENTS:
            pane = Pane(name, titles[name], partial(_make, module, kind, model))
            self.by_name[name] = pane
            pane.seen_empty.connect(lambda p=pane: self._want(p))
            moves = (pane.dockLocationChanged, pane.topLevelChanged, pane.visibilityChanged)
            for signal in moves:
                signal.connect(lambda _how: self._titles_due.start())
        self.usual()

    def __getitem__(self, name: str) -> Pane:
        return self.by_name[name]

    # -- making their contents, one at a time so that the window goes on -------------

    def make_ahead(self) -> None:
        """Make what isn't there yet while the person looks around."""
        for pane in self.by_name.values():
            if not pane.filled:
                self._want(pane)

    def _want(self, pane: Pane) -> None:
        if pane not in self._wanted:
            self._wanted.append(pane)
        if not self._fill_due.isActive():
            self._fill_due.start()

    def _fill_one(self) -> None:
        # What can be seen comes first.
        self._wanted.sort(key=lambda pane: not pane.isVisible())
        while self._wanted:
            pane = self._wanted.pop(0)
            if not pane.filled:
                pane.fill()
                break
        if self._wanted:
            self._fill_due.start()

    def fill_menu(self, menu: QMenu) -> None:
        """Put a switch for every pane into a menu."""
        for pane in self.by_name.values():
            menu.addAction(pane.toggleViewAction())

    def show_help(self) -> None:
        """Show what each number means, in a window of its own."""
        pane = self.by_name["help"]
        pane.setFloating(True)
        pane.resize(760, 620)
        pane.show()
        pane.raise_()

    # -- where they lie -----------------------------------------------------------

    def usual(self) -> None:
        """Put every pane where it is at first."""
        bottom = Qt.DockWidgetArea.BottomDockWidgetArea
        right = Qt.DockWidgetArea.RightDockWidgetArea
        window, panes = self.window, self.by_name
        for pane in panes.values():
            window.removeDockWidget(pane)
            pane.setFloating(False)
        window.addDockWidget(bottom, panes["along"])
        window.tabifyDockWidget(panes["along"], panes["straight"])
        window.addDockWidget(right, panes["section"])
        window.addDockWidget(right, panes["inputs"])
        window.splitDockWidget(panes["section"], panes["inputs"], Qt.Orientation.Vertical)
        for name in ("limits", "reaches", "stations", "plan", "field"):
            window.tabifyDockWidget(panes["inputs"], panes[name])
        window.addDockWidget(right, panes["help"])
        for pane in panes.values():
            pane.hide()
        self._hidden = [name for name in panes if name != "help"]
        self._sized = False
        if self._shown:
            self._show_hidden(["along", "reaches"])

    def share_out(self) -> None:
        """Share the window out: map and the plot along the road left, section and tables right."""
        panes, width, height = self.by_name, self.window.width(), self.window.height()
        across, down = Qt.Orientation.Horizontal, Qt.Orientation.Vertical
        right = [panes["section"], panes["inputs"]]
        self.window.resizeDocks(right, [round(0.43 * width)] * 2, across)
        self.window.resizeDocks(right, [round(0.5 * height), round(0.36 * height)], down)
        # On a low window three plots would be too low to read anything from.
        along = max(round(0.33 * height), min(ALONG_HEIGHT, round(0.42 * height)))
        self.window.resizeDocks([panes["along"]], [along], down)

    def set_shown(self, shown: bool) -> None:
        """Hide the panes while nothing is open: they would be empty boxes round the first page."""
        for pane in self.by_name.values():
            pane.toggleViewAction().setEnabled(shown)
        if shown == self._shown:
            return
        before, self._shown = self._shown, shown
        if shown:
            self._show_hidden(self._in_front or ["along", "inputs"])
            return
        if self._to_show:
            self._show_due.stop()
            self._to_show = []
            self._seen_due.start()
        elif before:
            self._hidden = [n for n, pane in self.by_name.items() if not pane.isHidden()]
            self._state = self.window.saveState(LAYOUT_VERSION)
            self._note_sizes()
            self._in_front = list(self._sizes)
        for pane in self.by_name.values():
            pane.hide()

    def _show_hidden(self, front: list[str]) -> None:
        """Show what is hidden, one with each turn of the event loop: all at once holds it up."""
        self._to_show, self._front = list(self._hidden), front
        # What is half laid out isn't shown either: each pane would be painted many times.
        self.window.setUpdatesEnabled(False)
        self._show_due.start()

    def to_front(self, name: str) -> None:
        """Put a pane before those that share its place, once it is there."""
        if self.coming:
            self._front.append(name)
        else:
            self.by_name[name].raise_()

    @property
    def coming(self) -> bool:
        """Whether panes are still to be shown."""
        return bool(self._to_show)

    def _show_one(self) -> None:
        if self._to_show:
            self.by_name[self._to_show.pop(0)].show()
        if self._to_show:
            self._show_due.start()
            return
        for name in self._front:
            self.by_name[name].raise_()
        if not self._sized:
            self._sized = True
            self._share_due.start()
        elif self._sizes:
            self._same_due.start()
        self._seen_due.start()

    def _note_sizes(self) -> None:
        """Remember how large the panes are: coming one by one they would each take from the last.

        Of panes that share a place the one in front has the size of all, and their tabs count.
        """
        bars = {
            self._pane_of_tab(bar, bar.currentIndex()): bar.geometry()
            for bar in self._tab_bars()
            if bar.isVisible()
        }
        self._sizes = {
            name: pane.geometry().united(bars.get(pane, pane.geometry())).size()
            for name, pane in self.by_name.items()
            if not (pane.isHidden() or pane.isFloating() or pane.visibleRegion().isEmpty())
        }

    def _size_as_before(self) -> None:
        for way, length in (
            (Qt.Orientation.Horizontal, QSize.width),
            (Qt.Orientation.Vertical, QSize.height),
        ):
            panes = [self.by_name[name] for name in self._sizes]
            self.window.resizeDocks(panes, [length(size) for size in self._sizes.values()], way)

    def keep(self) -> QByteArray | None:
        """Return the layout to remember: as it was where the panes are hidden or just coming.

        None if they were never there.
        """
        whole = self._shown and not self.coming
        return self.window.saveState(LAYOUT_VERSION) if whole else self._state

    def lay_out(self, state: QByteArray) -> bool:
        """Lay the panes out as kept, while they are shown; tell whether that could be done."""
        if not self._shown or self.coming:
            return False
        return self.window.restoreState(state, LAYOUT_VERSION)

    def restore(self, state: object) -> None:
        """Lay the panes out as remembered; what can't be used is left alone."""
        if isinstance(state, QByteArray) and self.window.restoreState(state, LAYOUT_VERSION):
            self._sized = True
            self._hidden = [n for n, pane in self.by_name.items() if not pane.isHidden()]
            if "section" not in self._hidden and "along" not in self._hidden:
                self._hidden.append("section")

    # -- titles and tabs ------------------------------------------------------------

    def _arrange_titles(self) -> None:
        """Leave out the title bars of tabbed panes; let their tabs take the pane out again."""
        for pane in self.by_name.values():
            titled = pane.isFloating() or not self.window.tabifiedDockWidgets(pane)
            if titled != (pane.titleBarWidget() is None):
                pane.set_title_shown(titled)
                # The others in turns of their own: each lays the window out anew.
                self._titles_due.start()
                return
        for bar in self._tab_bars():
            if not bar.property("wired"):
                bar.setProperty("wired", True)
                bar.setAccessibleName(self.tr("Panes"))
                bar.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
                bar.customContextMenuRequested.connect(
                    lambda at, tabs=bar: self._menu_of_tab(tabs, at)
                )
                bar.tabBarDoubleClicked.connect(lambda place, tabs=bar: self._float(tabs, place))

    def _tab_bars(self) -> list[QTabBar]:
        bars = self.window.findChildren(QTabBar)
        return [bar for bar in bars if bar.parent() is self.window]

    def _pane_of_tab(self, bar: QTabBar, place: int) -> Pane | None:
        text = bar.tabText(place)
        for pane in self.by_name.values():
            if pane.windowTitle() == text and not pane.isFloating():
                return pane
        return None

    def _float(self, bar: QTabBar, place: int) -> None:
        pane = self._pane_of_tab(bar, place)
        if pane is not None:
            pane.set_title_shown(True)
            pane.setFloating(True)

    def _menu_of_tab(self, bar: QTabBar, at: QPoint) -> None:
        place = bar.tabAt(at)
        pane = self._pane_of_tab(bar, place)
        if pane is None:
            return
        menu = QMenu(self.window)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.addAction(self.tr("In a window of its own")).triggered.connect(
            lambda: self._float(bar, place)
        )
        menu.addAction(self.tr("Close this pane")).triggered.connect(pane.close)
        menu.popup(bar.mapToGlobal(at))


def _make(module: str, kind: str, model: WindowModel) -> QWidget:
    made = getattr(importlib.import_module(module), kind)
    # The help page shows the same whatever is open.
    widget: QWidget = made() if kind == "HelpPage" else made(model)
    return widget
