"""Work that takes longer than a blink, done beside the window.

A job is a plain function that takes one argument, a `Progress`, and returns a result. It runs in a
thread of Qt's pool and must touch nothing of Qt. The thread doesn't stand back behind the window's:
where other programs take the processor from it while it has the interpreter, the window waits for
it. What computes for long does so in a process of its own (`calculating`). The result comes back in
the window's own thread as a queued signal, and only if nobody has asked for the same thing in the
meantime.
"""

from __future__ import annotations

import logging
import math
import threading
import time
import weakref
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import shiboken6
from PySide6.QtCore import QCoreApplication, QObject, Qt, QThreadPool, Signal

from analysis.common.errors import Cancelled, VergelineError
from gui.look.turns import turns
from gui.look.words import progress_text

__all__ = ["Progress", "Request", "Runner", "sentence_for"]

log = logging.getLogger("vergeline")

# A person can't follow more than this many updates in a second, and each one costs the window time.
REPORT_EVERY_S = 0.05
# Before this a guess at the time left is a coin toss.
GUESS_AFTER_S = 1.0
# How many threads each lane has.
LANES = {"long": 1, "quick": 2, "slow start": 1}
GUESS_AFTER_FRACTION = 0.02


def sentence_for(error: BaseException) -> str:
    """One sentence for a person about whatever went wrong in a job."""
    if isinstance(error, VergelineError):
        return str(error)
    if isinstance(error, MemoryError):
        return QCoreApplication.translate(
            "Runner",
            "There was not enough memory for this; close other programs, or work on a shorter road "
            "or a coarser grid.",
        )
    if isinstance(error, OSError):
        name = error.filename or ""
        return QCoreApplication.translate(
            "Runner", "A file could not be read or written ({name}): {why}."
        ).format(name=name, why=error.strerror or str(error))
    return QCoreApplication.translate(
        "Runner",
        "Something failed inside the program ({kind}: {text}); your work was left as it was. "
        "The log file (Help menu) holds the details.",
    ).format(kind=type(error).__name__, text=error)


@dataclass(slots=True, eq=False)
class Request:
    """One asked-for job."""

    key: str
    fn: Callable[[Progress], Any]
    done: Callable[[], Callable[[Any], None] | None]
    failed: Callable[[], Callable[[VergelineError], None] | None]
    title: str
    lane: str = "quick"
    writes: bool = False
    cancel: threading.Event = field(default_factory=threading.Event)
    started_at: float | None = None
    taken: threading.Lock = field(default_factory=threading.Lock)
    """Held by whoever has it begin, or has called it off before it began; never let go."""


class Progress:
    """Handed to a job: call it now and then with a fraction (0..1), a few words and the road.

    A fraction of NaN says that nobody knows how far the job is; the time left is then reckoned
    from where it first knows.

    The call raises `Cancelled` once the person, or a newer request, has called the job off.
    """

    def __init__(self, request: Request, report: Callable[[Request, float, str], None]) -> None:
        self._request = request
        self._report = report
        self._last = 0.0

    def __call__(self, fraction: float, words: str = "", road: str = "") -> None:
        if self._request.cancel.is_set():
            raise Cancelled
        now = time.monotonic()
        if now - self._last >= REPORT_EVERY_S:
            self._last = now
            self._report(self._request, float(fraction), progress_text(words, road))

    def cancelled(self) -> bool:
        """Tell whether the job was called off, without raising."""
        return self._request.cancel.is_set()

    def part(self, start: float, end: float) -> Progress:
        """How a part of the job tells its progress: shares from `start` to `end`."""

        def report(request: Request, share: float, words: str) -> None:
            self._report(request, start + (end - start) * share, words)

        return Progress(self._request, report)


def _begun(request: Request) -> float:
    return math.inf if request.started_at is None else request.started_at


def _hold(callback: Callable[..., None] | None) -> Callable[[], Callable[..., None] | None]:
    """Hold a bound method weakly, so that a job can't call a widget that is gone."""
    if callback is None:
        return lambda: None
    owner = getattr(callback, "__self__", None)
    if isinstance(owner, QObject):
        weak = weakref.WeakMethod(callback)
        owner = weakref.ref(owner)

        def alive() -> Callable[..., None] | None:
            method = weak()
            return method if method is not None and shiboken6.isValid(owner()) else None

        return alive
    return lambda: callback


def _pool(threads: int) -> QThreadPool:
    made = QThreadPool()
    made.setMaxThreadCount(threads)
    # A thread that ends takes with it what libraries keep per thread, such as open files.
    made.setExpiryTimeout(-1)
    return made


class Runner(QObject):
    """Runs jobs beside the window; the newest request for a key wins.

    Lanes: "long" runs one job at a time (screening, saving), "quick" runs two (tiles, sections), so
    that the map goes on filling while a road is screened; "slow start" runs one at a time of what
    needs the compiled kernels before any road is screened. All methods are for the window's thread.

    `busy` says whether any titled job is waiting or running.

    Signals
    -------
    busy_changed(bool)
        `busy` is another.
    waiting(key, title, behind)
        A titled job has to wait until another is done: `behind` is the title of that.
    started(key, title), ended(key)
        A titled job has begun, or is over in whatever way.
    progressed(key, fraction, words, seconds_left)
        `fraction` is NaN, `seconds_left` negative while they can't be told.
    called_off(key, title)
        A titled job ended because somebody called it off; nothing was changed.
    failed(title, sentence)
        A job without its own `failed` callback could not be done.
    """

    busy_changed = Signal(bool)
    waiting = Signal(str, str, str)
    started = Signal(str, str)
    progressed = Signal(str, float, str, float)
    ended = Signal(str)
    failed = Signal(str, str)
    called_off = Signal(str, str)

    _arrived = Signal(object, object, object)
    _began = Signal(object)
    _reported = Signal(object, float, str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._current: dict[str, Request] = {}
        self._alive: set[Request] = set()
        self._lanes = {name: _pool(threads) for name, threads in LANES.items()}
        self._closing = False
        self.busy = False
        queued = Qt.ConnectionType.QueuedConnection
        self._arrived.connect(self._on_arrived, queued)
        self._began.connect(self._on_began, queued)
        self._reported.connect(self._on_report, queued)

    # -- asking -------------------------------------------------------------------------------

    def submit(
        self,
        key: str,
        fn: Callable[[Progress], Any],
        done: Callable[[Any], None] | None = None,
        failed: Callable[[VergelineError], None] | None = None,
        *,
        lane: str = "quick",
        title: str = "",
        priority: int = 0,
        writes: bool = False,
    ) -> bool:
        """Ask for a job; an earlier one with the same key is called off and its result dropped.

        `done(result)` and `failed(error)` run in the window's thread; the text of any error is a
        sentence for a person. Jobs with a `title` show in the status bar with their progress. A
        higher `priority` overtakes in its lane's queue. What `writes` makes a file that a person
        asked for: the window doesn't go without a word before it is there. Nothing is taken any
        more, and False returned, once the runner was shut down.
        """
        if self._closing:
            return False
        older = self._current.get(key)
        if older is not None:
            older.cancel.set()
        request = Request(key, fn, _hold(done), _hold(failed), title, lane, writes)
        ahead = [r for r in self._alive if r.lane == lane and r.title and not r.cancel.is_set()]
        self._current[key] = request
        self._alive.add(request)
        self._lanes[lane].start(lambda: self._work(request), priority)
        if title and len(ahead) >= LANES[lane]:
            self.waiting.emit(key, title, min(ahead, key=_begun).title)
        self._tell_busy()
        return True

    def cancel(self, key: str) -> None:
        """Call off the job with this key, if there is one; one that waits is over at once."""
        request = self._current.get(key)
        if request is None:
            return
        request.cancel.set()
        if request.title and request.taken.acquire(blocking=False):
            self._deliver(request, None, Cancelled())

    def cancel_all(self) -> None:
        """Call off everything that waits or runs."""
        for request in self._alive:
            request.cancel.set()

    def is_running(self, key: str) -> bool:
        """Whether the newest request with this key is still out."""
        request = self._current.get(key)
        return request is not None and not request.cancel.is_set()

    def writing(self) -> list[str]:
        """Titles of the jobs that a file is still to come from."""
        return [r.title for r in self._alive if r.writes and not r.cancel.is_set()]

    def idle(self) -> bool:
        """Whether nothing at all is waiting or running (for tests and pictures)."""
        return not self._alive

    def shutdown(self, timeout_s: float = 30.0) -> bool:
        """Call everything off, wait for the threads; tell whether all of them ended in time."""
        self._closing = True
        self.cancel_all()
        deadline = time.monotonic() + timeout_s
        ended = True
        for pool in self._lanes.values():
            pool.clear()
            ended &= pool.waitForDone(max(0, round(1000 * (deadline - time.monotonic()))))
        self._alive.clear()
        self._current.clear()
        return ended

    # -- in the threads -----------------------------------------------------------------------

    def _work(self, request: Request) -> None:
        result: Any = None
        error: BaseException | None = None
        if not request.taken.acquire(blocking=False) or request.cancel.is_set():
            error = Cancelled()
        else:
            if request.title:
                self._send(self._began, request)
            request.started_at = time.monotonic()
            try:
                result = request.fn(Progress(request, self._report))
            except BaseException as caught:
                error = caught
                if not isinstance(caught, Cancelled | VergelineError):
                    log.exception("job %r failed", request.key)
        self._send(self._arrived, request, result, error)

    def _report(self, request: Request, fraction: float, words: str) -> None:
        if request.title:
            self._send(self._reported, request, fraction, words)

    def _send(self, signal: Any, *arguments: Any) -> None:
        # While the program closes the runner may be half gone; there's nobody left to tell.
        if self._closing:
            return
        try:
            signal.emit(*arguments)
        except RuntimeError:
            self._closing = True

    # -- in the window's thread ---------------------------------------------------------------

    def _on_began(self, request: Request) -> None:
        if request in self._alive and not request.cancel.is_set():
            self.started.emit(request.key, request.title)

    def _on_report(self, request: Request, fraction: float, words: str) -> None:
        if request not in self._alive or request.cancel.is_set():
            return
        left = -1.0
        if math.isnan(fraction):
            request.started_at = time.monotonic()
            self.progressed.emit(request.key, fraction, words, left)
            return
        if request.started_at is not None:
            spent = time.monotonic() - request.started_at
            if spent >= GUESS_AFTER_S and fraction >= GUESS_AFTER_FRACTION:
                left = spent * (1.0 - fraction) / fraction
        self.progressed.emit(request.key, min(max(fraction, 0.0), 1.0), words, left)

    def _on_arrived(self, request: Request, result: Any, error: BaseException | None) -> None:
        # Several at once, each in five views, would hold the window up.
        turns().ask(self, partial(self._deliver, request, result, error), request)

    def _deliver(self, request: Request, result: Any, error: BaseException | None) -> None:
        if request not in self._alive:
            return
        self._alive.discard(request)
        newest = self._current.get(request.key) is request
        if newest:
            del self._current[request.key]
        wanted = newest and not request.cancel.is_set()
        if request.title:
            self.ended.emit(request.key)
        self._tell_busy()
        if not wanted or isinstance(error, Cancelled):
            if newest and request.title:
                self.called_off.emit(request.key, request.title)
            return
        if error is not None:
            if not isinstance(error, VergelineError):
                error = VergelineError(sentence_for(error))
            failed = request.failed()
            if failed is not None:
                self._call(failed, error)
            else:
                self.failed.emit(request.title, str(error))
            return
        done = request.done()
        if done is not None:
            self._call(done, result)

    def _call(self, callback: Callable[[Any], None], value: Any) -> None:
        try:
            callback(value)
        except Exception as caught:  # an exception in a slot would vanish without a word
            log.exception("answer to a job could not be shown")
            self.failed.emit("", sentence_for(caught))

    def _tell_busy(self) -> None:
        busy = any(r.title for r in self._alive)
        if busy != self.busy:
            self.busy = busy
            self.busy_changed.emit(busy)
