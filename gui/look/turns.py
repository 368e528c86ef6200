"""Turns of the window's thread: what is asked for is done piece by piece, so that no turn is long.

What one input sets off (other numbers in five views, their pictures) would otherwise all be done
before the next input is looked at. Here each piece is asked for under a key: asked for again before
its turn it is still done once. A turn of the event loop takes a few milliseconds of pieces; what is
still due then waits for the next one.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Hashable
from functools import cache
from typing import TYPE_CHECKING, Any

import shiboken6
from PySide6.QtCore import QObject, QPoint, Qt, QTimer, Signal, Slot
from PySide6.QtGui import QColor, QHideEvent, QPainter, QPaintEvent, QRegion
from PySide6.QtWidgets import QWidget

__all__ = ["Later", "PaintedInTurns", "ViewInTurns", "after_window", "turns"]

# A turn takes no new piece after so long of this thread's own work. Not more: what posts events and
# paints by itself comes on top.
TURN_S = 0.010
# Not 0: Qt serves that only when nothing else is due, which under hurried input is never.
EVERY_MS = 1
# So many turns stand back for what came by itself, should it come without end.
MOST_PASSED = 3
# Pictures wait for the numbers in them, but not longer than this.
MOST_WAIT_S = 0.1
# A worker lets the window go first, but not for longer than this.
MOST_LET_S = 0.1
# A picture of fewer pixels than this is painted at once, as what waits costs a turn.
SMALL = 40_000


if TYPE_CHECKING:
    _View = QWidget
else:
    _View = object


class Turns(QObject):
    """What is still to be done in the window's thread, the longest asked for first."""

    _waiting = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._thread = threading.get_ident()
        self._waiting.connect(self._on_waiting, Qt.ConnectionType.QueuedConnection)
        self._work: dict[Hashable, tuple[QObject, Callable[[], object]]] = {}
        self._pictures: dict[Hashable, tuple[float, QObject, Callable[[], object]]] = {}
        self._timer = QTimer(self, singleShot=True, interval=EVERY_MS)
        self._timer.timeout.connect(self._turn)
        self._worked = 0.0
        self._passed = 0

    def ask(self, owner: QObject, piece: Callable[[], object], key: Hashable = None) -> None:
        """Have a piece done in a coming turn, unless its owner is gone by then.

        One that waits under the same key (the owner's own if none is given) is replaced.
        """
        self._work[key if key is not None else owner] = (owner, piece)
        self._start()

    def ask_picture(self, owner: QObject, piece: Callable[[], object]) -> None:
        """Have something painted, after the work that waits has changed what it shows."""
        asked = self._pictures[owner][0] if owner in self._pictures else time.perf_counter()
        self._pictures[owner] = (asked, owner, piece)
        self._start()

    def withdraw(self, key: Hashable) -> None:
        """Forget a piece that waits."""
        self._work.pop(key, None)

    def waits(self, key: Hashable) -> bool:
        """Whether a piece waits under a key."""
        return key in self._work

    @property
    def idle(self) -> bool:
        """Whether nothing waits."""
        return not (self._work or self._pictures)

    def let_window(self) -> None:
        """As `after_window`."""
        if threading.get_ident() != self._thread:
            come = threading.Event()
            self._waiting.emit(come)
            come.wait(MOST_LET_S)

    @Slot(object)
    def _on_waiting(self, come: threading.Event) -> None:
        come.set()

    def _start(self) -> None:
        if not self._timer.isActive():
            self._timer.start()

    def _next(self) -> tuple[QObject, Callable[[], object]] | None:
        if self._pictures:
            key, (asked, owner, piece) = next(iter(self._pictures.items()))
            if not self._work or time.perf_counter() - asked > MOST_WAIT_S:
                del self._pictures[key]
                return owner, piece
        if self._work:
            return self._work.pop(next(iter(self._work)))
        return None

    def _turn(self) -> None:
        now = time.thread_time()
        # What came by itself (an input, a click) has made this turn long enough.
        late, self._worked = now - self._worked > TURN_S, now
        if late and self._passed < MOST_PASSED:
            self._passed += 1
            self._start()
            return
        self._passed = 0
        end = now + TURN_S
        while (due := self._next()) is not None:
            if not self.idle:
                # Before the piece: it may open a dialog that runs a loop of its own, or fail.
                self._start()
            owner, piece = due
            if shiboken6.isValid(owner):
                piece()
            self._worked = time.thread_time()
            if self._worked >= end:
                break


@cache
def turns() -> Turns:
    """Return the turns of this process's one window thread."""
    return Turns()


def after_window() -> None:
    """Wait in a worker until the window has done what it is at, before a long call into Qt.

    Such a call keeps the interpreter. Something painted needs that many times, and would wait for
    one call after the other; so it waits for one at most. Where there is no window nothing is done.
    """
    if turns.cache_info().currsize:
        turns().let_window()


class Later(QObject):
    """Calls once in a turn of its own, `ms` milliseconds after it was started last."""

    def __init__(self, owner: QObject, slot: Callable[[], Any], ms: int = 0) -> None:
        super().__init__(owner)
        self._slot = slot
        self._timer = QTimer(self, singleShot=True, interval=ms)
        self._timer.timeout.connect(self._ask)

    def _ask(self) -> None:
        turns().ask(self, self._slot)

    @Slot()
    def start(self) -> None:
        """Begin anew, also where the call was just due."""
        if self._timer.interval() == 0:
            self._ask()
        else:
            turns().withdraw(self)
            self._timer.start()

    def stop(self) -> None:
        """Don't call."""
        self._timer.stop()
        turns().withdraw(self)

    def isActive(self) -> bool:
        """Whether the call is still to come."""
        return self._timer.isActive() or turns().waits(self)


class PaintedInTurns:
    """Lets a widget whose picture is costly be painted a strip at a time, in turns.

    Until a strip's turn what is on the screen stays, or there is only paper where it can't: after
    another size or place, or when the widget was hidden. Whoever takes a picture of the widget
    (`QWidget.grab`) gets the whole of it.

    Parameters
    ----------
    widget
        The widget painted on, of a scroll area its viewport.
    paper
        Returns the colour that the widget fills itself with.
    strip
        Height of a strip, pixels; 0 if the picture costs the same whatever is painted of it.
    prepare
        What must be done before the first strip, in a turn of its own.
    """

    def __init__(
        self,
        widget: QWidget,
        paper: Callable[[], QColor],
        strip: int = 0,
        prepare: Callable[[], object] | None = None,
    ) -> None:
        self._widget, self._paper, self._strip = widget, paper, strip
        self._prepare, self._prepared = prepare, prepare is None
        self._due = QRegion()
        self._painting: QRegion | None = None
        # Where the widget stood on the window when it was last painted whole.
        self._stood: tuple[Any, ...] | None = None
        # What stays on the screen until it is painted over mustn't be wiped before.
        widget.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)

    def to_paint(self, event: QPaintEvent) -> QPaintEvent | None:
        """Return what to paint now; None where it is all left to coming turns."""
        region = event.region()
        if not self._on_screen():
            return event
        if self._painting is not None:
            self._put_off(region.subtracted(self._painting))
            return QPaintEvent(self._painting)
        box = region.boundingRect()
        if box.width() * box.height() <= SMALL and self._stood == self._place():
            return event
        # What changed meanwhile must be prepared for again.
        self._prepared = self._prepare is None
        self._put_off(region)
        return None

    def forget(self) -> None:
        """Take it that something else may be where the widget was: it was hidden."""
        self._stood = None

    def scrolled(self) -> None:
        """Take it that what is on the screen stands elsewhere now, also what was still due."""
        if not self._due.isEmpty():
            self._widget.update()

    def _on_screen(self) -> bool:
        """Whether what is painted now goes to the window, and not into a picture of it."""
        store = self._widget.window().backingStore()
        if store is None:
            return False
        painter = QPainter(self._widget)
        engine = painter.paintEngine()
        devices = (store.paintDevice(), engine.paintDevice() if engine is not None else None)
        painter.end()
        if None in devices:
            return False
        window, painted = (shiboken6.getCppPointer(device) for device in devices)
        return bool(window == painted)

    def _place(self) -> tuple[Any, ...]:
        widget, window = self._widget, self._widget.window()
        return widget.size(), widget.mapTo(window, QPoint()), window.size()

    def _put_off(self, region: QRegion) -> None:
        if region.isEmpty():
            return
        self._due = self._due.united(region)
        if self._stood != self._place():
            painter = QPainter(self._widget)
            painter.setClipRegion(region)
            painter.fillRect(self._widget.rect(), self._paper())
            painter.end()
        turns().ask_picture(self._widget, self._paint_next)

    def _paint_next(self) -> None:
        widget = self._widget
        self._due = self._due.intersected(widget.rect())
        box = self._due.boundingRect()
        # Shown, or its updates enabled again, it is told to paint itself anew.
        if not widget.isVisible() or not widget.updatesEnabled() or box.isEmpty():
            self._due = QRegion()
            return
        if not self._prepared and self._prepare is not None:
            self._prepared = True
            self._prepare()
            turns().ask_picture(widget, self._paint_next)
            return
        if self._strip:
            box.setHeight(min(box.height(), self._strip))
        self._painting = self._due.intersected(QRegion(box))
        self._due = self._due.subtracted(QRegion(box))
        try:
            widget.repaint(self._painting)
        finally:
            self._painting = None
        if self._due.isEmpty():
            self._stood = self._place()
        else:
            turns().ask_picture(widget, self._paint_next)


class ViewInTurns(_View):
    """Beside a graphics view as a base: paints that in turns, once `_painted` is there."""

    _painted: PaintedInTurns

    def paintEvent(self, event: QPaintEvent) -> None:
        now = self._painted.to_paint(event)
        if now is not None:
            super().paintEvent(now)

    def hideEvent(self, event: QHideEvent) -> None:
        self._painted.forget()
        super().hideEvent(event)
