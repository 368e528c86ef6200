"""The main window: the map in the middle, panes around it, and everything a person can do."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QByteArray, QSize, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QApplication,
    QLabel,
    QMainWindow,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from gui.look import theme
from gui.look.icons import app_icon, icon, ink_small_buttons
from gui.look.making import later, named, paint_again, stacked, tool_button
from gui.look.remembered import remembered
from gui.look.units import value_text
from gui.look.words import cautions
from gui.map.map_view import MapView
from gui.state.calculating import InProcess
from gui.state.model import WindowModel
from gui.state.noticed import Noticed
from gui.window import recent
from gui.window.commands import Commands
from gui.window.dialogs import Dialogs, remembered_light
from gui.window.files import Files
from gui.window.first_page import FirstPage, ReadyCard, StepBar
from gui.window.job_bar import JobBar
from gui.window.panes import TURN_MS, Panes

if TYPE_CHECKING:
    from gui.review.page import ReviewPage

__all__ = ["Window"]

USUAL = QSize(1440, 900)
# What a window manager puts around a window; asking it is possible only once the window shows.
FRAME = QSize(16, 48)
# After the panes that can be seen.
AHEAD_MS = 1_500
# How much of laying out the panes a crash may cost.
KEEP_MS = 3_000


class Window(QMainWindow):
    """One window with one model."""

    def __init__(self, model: WindowModel | None = None) -> None:
        super().__init__()
        self.model = model if model is not None else WindowModel(calculator=InProcess())
        self.setObjectName("window")
        self.setWindowIcon(app_icon())
        self.setAcceptDrops(True)
        self.closing = False
        self._had_findings = False
        self.noticed = Noticed(self.model, self)
        self._measured = self._share = ""
        self._seen_due = later(self, partial(paint_again, self), TURN_MS)
        self._icons_due = later(self, self._paint_small_icons)
        self._build_middle()
        self.dialogs = Dialogs(self)
        self.files = Files(self.model, self.dialogs)
        self.panes = Panes(self, self.model)
        self._build_status()
        self.commands = Commands(self, self.model, self.map, self.files, self.panes, self.job_bar)
        self._connect()
        self._paint_icons()
        self._restore()
        self._laid_out: tuple[QByteArray, QByteArray | None] | None = None
        self._keep_due = QTimer(self, interval=KEEP_MS)
        self._keep_due.timeout.connect(self._keep_layout)
        self._keep_due.start()
        self._refresh()
        # After the window is on the screen: it takes a moment to load.
        QTimer.singleShot(0, lambda: self.first_page.set_cautions(cautions()))

    # -- building -------------------------------------------------------

    def _build_middle(self) -> None:
        self.first_page = FirstPage()
        self.step_bar = StepBar()
        self.getting_ready = ReadyCard()
        self.map = MapView(self.model)
        self.map.set_light(remembered_light())
        holder = QWidget()
        stacked(holder, self.getting_ready, self.step_bar, (self.map, 1))
        self._map_holder = holder
        self.middle = QStackedWidget()
        self.middle.addWidget(self.first_page)
        self.middle.addWidget(holder)
        self._review_page: ReviewPage | None = None
        self._ahead_due = later(self, self.made_review_page, AHEAD_MS)
        self._turns: list[Callable[[], object]] = []
        self._turn_due = later(self, self._take_turn, TURN_MS)
        self.setCentralWidget(self.middle)

    def _build_status(self) -> None:
        bar = self.statusBar()
        bar.setSizeGripEnabled(False)
        bar.setAccessibleName(self.tr("Status"))
        self.job_bar = JobBar(bar, self.model.runner)
        self.caution_button = tool_button(
            self.tr("Traffic control, plant, edge drop-offs, buried services: cautions"),
            self.dialogs.show_cautions,
            name=self.tr("Cautions"),
        )
        self.caution_button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.grid_words = named(QLabel(), self.tr("Open terrain"))
        bar.addPermanentWidget(self.grid_words)
        bar.addPermanentWidget(self.caution_button)

    def _connect(self) -> None:
        model, page = self.model, self.first_page
        page.open_terrain.connect(self.files.ask_terrain)
        page.open_road.connect(self.files.ask_road)
        page.open_study.connect(self.files.ask_study)
        page.open_sample.connect(self.files.open_sample)
        page.open_recent.connect(self.files.open_recent)
        self.files.forgotten.connect(lambda: page.set_recent([]))
        for signal in (
            model.inputs_changed,
            model.study_changed,
            model.second_changed,
            model.corrections_changed,
            model.stale_changed,
        ):
            signal.connect(self._refresh)
        model.modified_changed.connect(self._title)
        model.path_changed.connect(self._title)
        model.units_changed.connect(self._say_grid)
        model.message.connect(lambda text: self.statusBar().showMessage(text, 15_000))
        model.failed.connect(self.dialogs.tell)
        self.noticed.changed.connect(self._say_next)
        model.units_changed.connect(self._say_next)
        model.runner.started.connect(self._say_next)
        model.runner.busy_changed.connect(self._say_next)
        self.map.measured.connect(self._say_measured)
        self.job_bar.share_changed.connect(self._on_share)
        self.commands.reviewing.wanted.connect(self.set_reviewing)
        theme.watcher().changed.connect(self._on_theme)

    def say_preparing(self, on: bool) -> None:
        """Say in the middle of the window that a first run is being prepared, or no more."""
        for card in (self.getting_ready, self.first_page.getting_ready):
            card.setVisible(on)

    # -- the review ---------------------------------------------------------------

    def set_reviewing(self, on: bool) -> None:
        """Let the review of the findings fill the window, or give the whole window back."""
        reviewing = self.commands.reviewing
        if on == (reviewing.page is not None) or (on and self.model.findings is None):
            return
        if not on:
            self._turns.clear()
            assert reviewing.page is not None
            reviewing.page.end()
            reviewing.page = None
            layout = self._map_holder.layout()
            assert isinstance(layout, QVBoxLayout)
            layout.addWidget(self.map, 1)
            self.map.show()
            self._refresh()
            return
        page = reviewing.page = self.made_review_page()
        # One with each turn of the event loop: all at once would hold it up.
        hide = partial(self.panes.set_shown, False)
        show = partial(self.middle.setCurrentWidget, page)
        self._turns = [hide, show, partial(page.take_map, self.map), page.begin]
        self._turn_due.start()

    def make_ahead(self) -> None:
        """Make what isn't there yet while the person looks around."""
        self.panes.make_ahead()
        self._ahead_due.start()

    def made_review_page(self) -> ReviewPage:
        """Return what shows the review, made if need be."""
        if self._review_page is None:
            # Loaded late, as the panes are, so that the window opens fast.
            from gui.review.page import ReviewPage

            self._review_page = ReviewPage(self.model)
            self._review_page.left.connect(lambda: self.set_reviewing(False))
            self.middle.addWidget(self._review_page)
        return self._review_page

    def _take_turn(self) -> None:
        if self._turns:
            self._turns.pop(0)()
        if self._turns:
            self._turn_due.start()

    def _say_measured(self, words: str) -> None:
        """Show a measurement for as long as its line shows, and no longer."""
        bar = self.statusBar()
        if words:
            bar.showMessage(words)
        elif bar.currentMessage() == self._measured:
            bar.clearMessage()
        self._measured = words

    # -- looks -------------------------------------------------------

    def _on_theme(self) -> None:
        self.commands.paint_icons_in_turns()
        self._icons_due.start()
        # Painting everything anew takes a turn of the event loop of its own: with what the views
        # do now it would hold it up. What is half in the new colours isn't shown.
        self.setUpdatesEnabled(False)
        self._seen_due.start()

    def _paint_icons(self) -> None:
        self.commands.paint_icons()
        self._paint_small_icons()

    def _paint_small_icons(self) -> None:
        self.caution_button.setIcon(icon("caution", "warn"))
        ink_small_buttons(self)

    def _restore(self) -> None:
        store = remembered()
        geometry, state = store.value("geometry"), store.value("layout")
        if isinstance(geometry, QByteArray):
            self.restoreGeometry(geometry)
        else:
            self._fit_screen()
        self.panes.restore(state)

    def _keep_layout(self) -> None:
        """Store size and panes once the person has changed them, and isn't just doing it."""
        if QApplication.mouseButtons() != Qt.MouseButton.NoButton:
            return
        before, self._laid_out = self._laid_out, (self.saveGeometry(), self.panes.keep())
        if before is not None and before != self._laid_out:
            self._store_layout()

    def _store_layout(self) -> None:
        store, state = remembered(), self.panes.keep()
        store.set_value("geometry", self.saveGeometry())
        if state is not None:
            store.set_value("layout", state)

    def _fit_screen(self) -> None:
        """Take the usual size where the screen has room for it and its frame, else all there is."""
        free = self.screen().availableGeometry().size() - FRAME
        size = USUAL.boundedTo(free)
        self.resize(size)
        if size != USUAL:
            self.setWindowState(Qt.WindowState.WindowMaximized)

    def _on_share(self, share: str) -> None:
        self._share = share
        self._title()

    def _title(self) -> None:
        name = Path(self.model.path).name if self.model.path else ""
        if not name and self.model.findings is not None:
            name = self.tr("not saved yet")
        elif not name and self.model.terrain is not None:
            name = self.model.terrain.name
        title = f"{name}[*] – Vergeline" if name else "Vergeline"
        # Seen in the list of windows too, while this one is behind another.
        self.setWindowTitle(f"{self._share} · {title}" if self._share else title)
        # Without a name there is no place in the title for the mark, and Qt complains.
        self.setWindowModified(self.model.modified and bool(name))

    # -- what is possible now -------------------------------------------------------

    def _refresh(self) -> None:
        model = self.model
        found = model.findings is not None
        open_ = found or model.terrain is not None
        if self.commands.reviewing.page is not None:
            if not found:
                self.set_reviewing(False)
                return
        else:
            self.middle.setCurrentIndex(1 if open_ else 0)
            self.panes.set_shown(open_)
        self.commands.refresh()
        if found and not self._had_findings:
            self.panes.to_front("reaches")
        self._had_findings = found
        if not open_:
            self.first_page.set_recent([e for e in recent.entries() if e.exists()])
        self._say_grid()
        self._title()
        self._say_next()
        self.commands.show_selection()

    def _say_grid(self) -> None:
        terrain, words = self.model.terrain, ""
        if terrain is not None:
            cell = value_text(terrain.cell_m, "m", self.model.units, decimals=2)
            words = f"{terrain.name}  {cell}"
        self.grid_words.setText(words)

    def _say_next(self) -> None:
        model, bar = self.model, self.step_bar
        terrain = model.terrain
        if terrain is None and model.findings is not None:
            bar.say(
                self.tr("The terrain of these findings isn't there: tables only, no sections."),
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
                    "Terrain and road are open. Next: check the widths under Inputs, then screen "
                    "the road: it is measured and judged."
                ),
                (self.tr("Screen the road"), self.model.screen),
                self._height_choice(),
            )
        elif model.stale and not model.runner.is_running("screen"):
            bar.say(
                self.tr("Inputs have changed since this screening."),
                (self.tr("Screen again"), self.model.screen),
            )
        elif (notice := self.noticed.first) is not None and not model.runner.is_running("screen"):
            noticed, offer = self.noticed, self.noticed.offer(notice)
            answer = (offer, lambda: noticed.accept(notice)) if offer else None
            wave_off = (self.tr("It's all right"), lambda: noticed.wave_off(notice))
            bar.say(noticed.sentence(notice), answer, wave_off)
        else:
            bar.say("")

    def _height_choice(self) -> tuple[str, Callable[[], None]] | None:
        terrain = self.model.terrain
        if terrain is None or terrain.z_unit_sure:
            return None
        set_unit = self.files.set_height_unit
        if terrain.z_unit_m == 1.0:
            return self.tr("Taken as metres: heights are in feet"), partial(set_unit, "foot")
        return self.tr("Taken as feet: heights are in metres"), partial(set_unit, "metre")

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        event.acceptProposedAction()
        # The drag's own loop must end before a dialog may open.
        QTimer.singleShot(0, lambda: self.files.open_paths(paths))

    def closeEvent(self, event: QCloseEvent) -> None:
        if not self.closing and (self.files.holds_unsaved() or self.model.runner.writing()):
            event.ignore()
            last_question = partial(self.files.after_writing, self._close_for_sure)
            self.files.after_saving(last_question)
            return
        self._keep_due.stop()
        self._store_layout()
        self.files.autosave.discard()
        self.model.runner.shutdown()
        self.model.calculator.leave()
        event.accept()

    def _close_for_sure(self) -> None:
        self.closing = True
        self.close()
