"""One finding fills the window: road laid straight, section, close map, words, and a decision."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent, QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QComboBox,
    QLabel,
    QLineEdit,
    QMenu,
    QSplitter,
    QStackedWidget,
    QToolButton,
    QWidget,
)

from analysis.findings.reviews import Decision, Place, Review
from gui.along.straight_view import StraightView
from gui.look.asking import ask_files
from gui.look.making import abreast, named, stacked, tool_button, yielding
from gui.look.words import QT_TRANSLATE_NOOP, marked_review
from gui.review.finding_panel import FindingPanel
from gui.review.parts import ShareBar, big_button
from gui.review.queue import Item, ReviewQueue
from gui.review.reason_bar import ReasonBar
from gui.section.section_canvas import SectionCanvas

if TYPE_CHECKING:
    from analysis.study.sections import SectionView
    from gui.map.map_view import MapView
    from gui.state.model import WindowModel

__all__ = ["KEYS", "ReviewPage"]

# Keys of the review, for the shortcut sheet: (keys, what they do).
KEYS: tuple[tuple[str, str], ...] = (
    ("A", QT_TRANSLATE_NOOP("Keys", "agree, and on to the next open finding")),
    ("R, 1 … 9", QT_TRANSLATE_NOOP("Keys", "reject for a reason of the list, and on")),
    ("R, 0", QT_TRANSLATE_NOOP("Keys", "reject in own words")),
    ("T", QT_TRANSLATE_NOOP("Keys", "somebody must look there, and on")),
    ("S", QT_TRANSLATE_NOOP("Keys", "leave it open, and on")),
    ("F8 / Shift+F8", QT_TRANSLATE_NOOP("Keys", "next / previous finding, decided or not")),
    ("N", QT_TRANSLATE_NOOP("Keys", "write a note")),
    ("W", QT_TRANSLATE_NOOP("Keys", "whole section, or the shoulder only")),
    ("Ctrl+Z", QT_TRANSLATE_NOOP("Keys", "take the last decision back, and there")),
    ("Esc", QT_TRANSLATE_NOOP("Keys", "back to the whole window")),
)

# Around a short reach: enough road to see what it is part of.
_LEAST_SPAN_M = 120.0
_BESIDE = 0.35
_CLOSE_M = 22.0
# Findings whose section, map and strip are made before it is their turn.
_AHEAD = 3
_KEPT = 12


class ReviewPage(QWidget):
    """Shows the findings of a `ReviewQueue` one by one, and takes decisions.

    Signals
    -------
    left()
        The person wants the whole window back.
    shown()
        What is to be drawn of the selected station is there, its section too.
    """

    left = Signal()
    shown = Signal()

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("ReviewPage")
        self.setAccessibleName(self.tr("Review"))
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.model = model
        self.queue = ReviewQueue(model, self)
        self._map: MapView | None = None
        self._study: Any = None
        self._sections: dict[tuple[int, int], SectionView] = {}
        self._whole = self._going = False
        self._build()
        for key, slot in (("S", self.queue.skip), ("N", self._to_note), ("W", self._flip_sight)):
            QShortcut(
                QKeySequence(key), self, slot, context=Qt.ShortcutContext.WidgetWithChildrenShortcut
            )
        self.queue.moved.connect(self._on_moved)
        self.queue.changed.connect(self._tell)
        model.units_changed.connect(self._on_units)
        model.selection_changed.connect(self._on_selection)

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        self.strip = StraightView(self.model)
        self.strip.readout.hide()
        self.section = SectionCanvas()
        self.section.side_picked.connect(self._on_side_picked)
        self.section.break_moved.connect(self._on_break)
        self.section.break_released.connect(self._on_break)
        self.place = QStackedWidget()
        self.place.setMinimumSize(200, 90)
        self.across = QSplitter(Qt.Orientation.Horizontal)
        self.across.addWidget(self.section)
        self.across.addWidget(self.place)
        self.across.setSizes([620, 380])
        self.panel = FindingPanel(self.model)
        foot = QWidget()
        abreast(foot, (self.panel, 3), (self._decisions(), 2), spacing=8)
        self.down = QSplitter(Qt.Orientation.Vertical)
        for part in (self.strip, self.across, foot):
            self.down.addWidget(part)
            part.setMinimumHeight(90)
        self.down.setSizes([230, 290, 150])
        for number, stretch in enumerate((2, 3, 1)):
            self.down.setStretchFactor(number, stretch)
            self.down.setCollapsible(number, False)
        stacked(self, self._head(), (self.down, 1))

    def _head(self) -> QWidget:
        self.leave_button = tool_button(
            self.tr("Whole window"),
            self.left.emit,
            tip=self.tr("Back to map, plots and tables (Esc)."),
        )
        self.counts = yielding(named(QLabel(), self.tr("How far the review is")))
        self.share = named(ShareBar(), self.tr("Share that is decided"))
        self.order_box = named(QComboBox(), self.tr("Order"))
        self.order_box.addItem(self.tr("Most pressing first"), True)
        self.order_box.addItem(self.tr("Along the road"), False)
        self.order_box.currentIndexChanged.connect(
            lambda _n: self.queue.want(by_rank=bool(self.order_box.currentData()))
        )
        self.filter_button = named(QToolButton(), self.tr("Which findings"))
        self.filter_button.setText(self.tr("Which findings"))
        self.filter_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QMenu(self)
        self.wishes = {}
        for name, text in (
            ("skip_access", self.tr("Skip “can't tell” at driveways and side roads")),
            ("only_reaches", self.tr("Only reaches, no single stations")),
            ("only_changed", self.tr("Only what changed since it was reviewed")),
            ("sound", self.tr("Also reaches that shed")),
        ):
            action = self.wishes[name] = menu.addAction(text)
            action.setCheckable(True)
            action.setChecked(getattr(self.queue.wanted, name))
            action.toggled.connect(lambda on, n=name: self.queue.want(**{n: on}))
        self.filter_button.setMenu(menu)
        self.reviewer = named(
            QLineEdit(self.model.reviewer),
            self.tr("Reviewer"),
            self.tr("Whose name stands with each decision."),
        )
        self.reviewer.setFixedWidth(130)
        self.reviewer.editingFinished.connect(lambda: self.model.set_reviewer(self.reviewer.text()))
        head = QWidget()
        abreast(
            head,
            self.leave_button,
            (self.counts, 1),
            self.share,
            self.order_box,
            self.filter_button,
            QLabel(self.tr("Reviewer")),
            self.reviewer,
            margins=(8, 3, 8, 3),
        )
        return head

    def _decisions(self) -> QWidget:
        self.buttons = {
            state: big_button(text, slot, tip)
            for state, text, tip, slot in (
                (
                    Decision.AGREED,
                    self.tr("Agree  A"),
                    self.tr("The finding is right."),
                    partial(self.give, Decision.AGREED),
                ),
                (
                    Decision.REJECTED,
                    self.tr("Reject  R"),
                    self.tr("The finding is wrong; a number key says why."),
                    partial(self.give, Decision.REJECTED),
                ),
                (
                    Decision.TO_CHECK,
                    self.tr("To check  T"),
                    self.tr("Somebody must look there."),
                    partial(self.give, Decision.TO_CHECK),
                ),
            )
        }
        self.skip_button = big_button(
            self.tr("Later  S"), self.queue.skip, self.tr("Leave it open and go on.")
        )
        self.given = named(QLabel(wordWrap=True), self.tr("Decision"))
        self.reasons = ReasonBar()
        self.reasons.given.connect(lambda reason: self._decide(Decision.REJECTED, reason))
        self.reasons.left.connect(self._leave_reasons)
        note = self.tr("Note (N), kept with the decision")
        self.note = named(QLineEdit(placeholderText=note), self.tr("Note"))
        self.note.returnPressed.connect(self._keep_note)
        self.note.textEdited.connect(lambda text: self._draft(self.model.drafts.notes, text))
        words = self.reasons.words
        words.textEdited.connect(lambda text: self._draft(self.model.drafts.reasons, text))
        self.photo_button = tool_button(
            self.tr("Photos…"), self._ask_photos, tip=self.tr("Which photographs show this place.")
        )
        buttons = abreast(None, *((b, 1) for b in self.buttons.values()), (self.skip_button, 1))
        below = abreast(None, (self.note, 1), self.photo_button)
        # Asking takes the place of all else: there is little room, and one thing to do.
        self.usual = QWidget()
        stacked(self.usual, buttons, self.given, below, None, spacing=6)
        holder = QWidget()
        stacked(holder, self.usual, self.reasons, None, margins=(8, 6, 10, 6), spacing=6)
        return holder

    def sizeHint(self) -> QSize:
        return QSize(1200, 680)

    # -- coming and going ------------------------------------------------------------------------

    def take_map(self, view: MapView) -> None:
        """Show the window's map here until the end."""
        self._map = view
        self.place.addWidget(view)
        self.place.setCurrentWidget(view)
        view.set_key_away(True)

    def begin(self) -> None:
        """Show the first open finding."""
        self.reviewer.setText(self.model.reviewer)
        self.setFocus()
        self.queue.start()

    def end(self) -> None:
        """Stop; the map is to be taken back by its owner."""
        self._end_asking()
        self.queue.stop()
        if self._map is not None:
            self._map.set_key_away(False)
            self._map.look_ahead(())
        self._map = None

    # -- deciding --------------------------------------------------------------------------------

    def give(self, state: str) -> None:
        """Take a decision; a rejection first asks for its reason, "" takes a decision back."""
        if self.queue.current is None:
            self.model.message.emit(self.tr("There is no finding to decide on here."))
        elif state == Decision.REJECTED:
            before, place = self.queue.review, self.queue.current.place
            self.usual.hide()
            told = before.reason if before is not None else ""
            self.reasons.ask(self.model.drafts.reasons.get(place, told))
        elif state:
            self._decide(state, "")
        else:
            self.queue.decide(None)

    def _decide(self, state: str, reason: str) -> None:
        if self.note.hasFocus() or self.reasons.words.hasFocus():
            self.setFocus()
        self._end_asking()
        before = self.queue.review
        photos = before.photos if before is not None else ()
        self._end_drafts()
        self.queue.decide(Review(state, reason, self.note.text().strip(), photos=photos))

    def _draft(self, drafts: dict[Place, str], text: str) -> None:
        """Hold what is typed about this finding until it is decided, also over other findings."""
        if self.queue.current is not None:
            drafts[self.queue.current.place] = text

    def _end_drafts(self) -> None:
        if self.queue.current is not None:
            for drafts in (self.model.drafts.notes, self.model.drafts.reasons):
                drafts.pop(self.queue.current.place, None)

    def _leave_reasons(self) -> None:
        if self.queue.current is not None:
            self.model.drafts.reasons.pop(self.queue.current.place, None)
        self._end_asking()

    def _end_asking(self) -> None:
        self.reasons.close_up()
        self.usual.show()

    def _keep_note(self) -> None:
        review = self.queue.review
        self._end_drafts()
        self.queue.annotate(self.note.text(), review.photos if review is not None else ())
        self.setFocus()

    def _ask_photos(self) -> None:
        filters = self.tr("Pictures") + " (*.jpg *.jpeg *.png *.heic *.webp *.tif *.tiff)"
        ask_files(self.window(), self.tr("Photographs of this place"), filters, self.add_photos)

    def add_photos(self, paths: list[str]) -> None:
        """Keep the paths of photographs with the finding."""
        review = self.queue.review
        before = review.photos if review is not None else ()
        every = tuple(dict.fromkeys((*before, *map(str, paths))))
        self._end_drafts()
        self.queue.annotate(self.note.text(), every)

    # -- showing ---------------------------------------------------------------------------------

    def _on_moved(self) -> None:
        item = self.queue.current
        self._end_asking()
        self.panel.show_item(item)
        self._show_note()
        if item is None:
            self.section.set_view(None)
            return
        self._going = True
        try:
            self._go(item)
        finally:
            self._going = False
        self._show_section()

    def _show_note(self) -> None:
        item, review = self.queue.current, self.queue.review
        kept = review.note if review is not None else ""
        self.note.setText(kept if item is None else self.model.drafts.notes.get(item.place, kept))

    def _go(self, item: Item) -> None:
        """Select the finding and bring strip and map there."""
        model, span = self.model, self._span(item)
        if item.road == model.road_index:
            # First, so that nobody moves only half way because the station was out of sight.
            model.set_span(*span, origin=self._map)
        if item.place.kind == "reach":
            model.select_reach(item.row)
        else:
            model.select_station(item.road, item.station, item.side)
        model.set_span(*span, origin=self._map)
        coming = self.queue.upcoming(_AHEAD)
        if self._map is not None:
            self._map.look_at_station(_CLOSE_M)
            self._map.look_ahead([(i.road, i.station, i.side) for i in coming])
        self.strip.make_ahead([i.road for i in coming])

    def _span(self, item: Item) -> tuple[float, float]:
        """The stretch of road to lay straight: the reach and what is beside it."""
        loaded = self.model.loaded
        assert loaded is not None
        distance = loaded.index[item.road].distance_m
        first = last = item.station
        if item.place.kind == "reach":
            first, last = int(loaded.reach_first[item.row]), int(loaded.reach_last[item.row])
        s0, s1 = float(distance[first]), float(distance[last])
        beside = max(_BESIDE * (s1 - s0), 0.5 * (_LEAST_SPAN_M - (s1 - s0)))
        return s0 - beside, s1 + beside

    def _on_selection(self) -> None:
        if self.isVisible() and not self._going:
            self._show_section()

    def _here(self) -> tuple[int, int]:
        return self.model.road_index, self.model.station_index

    def _show_section(self) -> None:
        """Show the section of the selected station, at once where it was made ahead."""
        study = self.model.study
        if study is not self._study:
            self._study = study
            self._sections.clear()
        if self.model.measured_here is None:
            self.section.empty_text = self.tr(
                "Open the terrain grid to see sections; the numbers are from the file."
            )
            self.section.set_view(None)
            self.shown.emit()
            return
        known = self._sections.get(self._here())
        if known is not None:
            self._put_section(known)
        self._make_sections()

    def _make_sections(self) -> None:
        """Make the sections that aren't there yet: this one, then those likely to be next."""
        ahead = [(item.road, item.station) for item in self.queue.upcoming(_AHEAD)]
        study = self._study
        # The findings may have roads that the study hasn't.
        here = [place for place in (self._here(), *ahead) if place[0] < len(study.roads)]
        wanted = [place for place in here if place not in self._sections]
        if wanted:
            self.model.runner.submit(
                "review sections",
                lambda _progress: (study, _sections_of(study, wanted)),
                self._take_sections,
                priority=10,
            )

    def _take_sections(self, made: tuple[Any, dict[tuple[int, int], SectionView]]) -> None:
        study, sections = made
        if study is not self._study:
            return
        here = self._here()
        fresh = here not in self._sections
        self._sections |= sections
        for old in list(self._sections)[:-_KEPT]:
            if old != here:
                del self._sections[old]
        if fresh and here in sections:
            self._put_section(sections[here])

    def _put_section(self, view: SectionView) -> None:
        self.section.system = self.model.units
        self.section.side = self.model.side
        self.section.set_view(view)
        self._sight()
        self.shown.emit()

    def _sight(self) -> None:
        if self._whole:
            self.section.show_all()
        else:
            self.section.show_shoulder(self.model.side)

    def _tell(self) -> None:
        queue = self.queue
        count, open_ = len(queue.items), queue.open_count
        words = self.tr("Finding {number} of {count}, {open} open")
        text = words.format(number=queue.at + 1, count=count, open=open_)
        if not count:
            text = self.tr("No finding is as you wish")
        elif not open_:
            text = self.tr("All {count} findings are decided").format(count=count)
        left = queue.left_s
        if left is not None and open_:
            minutes = max(1, round(left / 60.0))
            text += "  ·  " + self.tr("about {n} min at this pace").format(n=minutes)
        self.counts.setText(text)
        self.share.show_share((count - open_) / max(count, 1))
        review = queue.review
        told = self.tr("Not decided yet.")
        if review is not None:
            parts = [marked_review(review.state), review.reason, review.reviewer]
            told = "  ·  ".join(part for part in parts if part)
            if review.photos:
                told += "  ·  " + self.tr("photos: {count}").format(count=len(review.photos))
        self.given.setText(told)
        self.photo_button.setToolTip("\n".join(review.photos) if review is not None else "")
        for part in (*self.buttons.values(), self.skip_button, self.note, self.photo_button):
            part.setEnabled(queue.current is not None)

    def _on_units(self) -> None:
        if not self.isVisible():
            # Its findings may be gone; the next review begins with new ones, in the units then.
            return
        self.panel.show_item(self.queue.current)
        self.section.system = self.model.units
        self.section.update()

    # -- hands -----------------------------------------------------------------------------------

    def _on_side_picked(self, side: int) -> None:
        self.model.select_station(self.model.road_index, self.model.station_index, side)

    def _on_break(self, side: int, kind: str, u_m: float | None = None) -> None:
        self.model.correct(self.model.road_index, self.model.station_index, side, kind, u_m)

    def _to_note(self) -> None:
        self.note.setFocus(Qt.FocusReason.ShortcutFocusReason)

    def _flip_sight(self) -> None:
        self._whole = not self._whole
        self._sight()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() != Qt.Key.Key_Escape:
            super().keyPressEvent(event)
            return
        if self.reasons.asking:
            self._leave_reasons()
            self.setFocus()
        else:
            self.left.emit()
        event.accept()


def _sections_of(study: Any, places: list[tuple[int, int]]) -> dict[tuple[int, int], SectionView]:
    from analysis.study.sections import section_view

    return {place: section_view(study, *place) for place in places}
