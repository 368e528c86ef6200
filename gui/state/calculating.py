"""Screenings and what is measured again, in a process of their own.

Qt asks Python thousands of times for each picture, and each time has to wait for the interpreter
while a thread computes: that held the window up for tenths of a second. ``python -m
gui.state.calculating`` is a process that has everything loaded, does one job after another and ends
when the window does, however that ended.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import math
import os
import queue
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import IO, TYPE_CHECKING, Any, Protocol, TypeVar

from analysis.common.errors import Cancelled, VergelineError
from gui.state.parcels import Kept, Parcel, Sender, parts, receive
from gui.state.preparing import begin, leave_it, prepare, stand_back

if TYPE_CHECKING:
    from gui.state.runner import Progress

__all__ = ["Calculator", "InProcess", "InThread"]

log = logging.getLogger("vergeline")

_Result = TypeVar("_Result")

LOOK_EVERY_S = 0.02
# A job that was called off may take so long to notice; after that, its process goes.
STOPPING_S = 2.0
LEAVING_S = 2.0
# As often as the window shows it.
REPORT_EVERY_S = 0.05
# How far the process stands back, in the system's own steps.
STEP_BACK = 10
# No job has it: with it the process says that it is there.
HELLO = 0
# Of what the system may end for want of memory this goes first, and the window stays (Linux).
ENDED_FIRST = b"500"


class Calculator(Protocol):
    """Does what computes for long; all methods but `leave` are for workers."""

    def run(
        self,
        progress: Progress,
        work: Callable[..., _Result],
        *arguments: Any,
        unread: Collection[Any] = (),
        writes: bool = False,
    ) -> _Result:
        """Return ``work(progress, *arguments)``; raise what that raises.

        Parameters
        ----------
        work
            A function of a module. It does nothing to the arguments.
        unread
            Parts of the arguments that the work only hands on.
        writes
            It computes nothing but writes a file. Called off it is waited for, as whoever asked
            must know whether it has.

        Raises
        ------
        Cancelled
            At once when the job is called off, unless it writes.
        VergelineError
            As the work, and if its process was ended: nothing is changed then.
        """

    def get_ready(self) -> None:
        """Be quick when the first work comes."""

    def leave(self) -> None:
        """Work no more: the window closes."""


class InThread:
    """Works in the thread of whoever asks, taking turns with the window."""

    def run(
        self,
        progress: Progress,
        work: Callable[..., _Result],
        *arguments: Any,
        unread: Collection[Any] = (),
        writes: bool = False,
    ) -> _Result:
        """As `Calculator.run`."""
        return work(progress, *arguments)

    def get_ready(self) -> None:
        """Nothing is needed."""

    def leave(self) -> None:
        """Nothing is left."""


class InProcess:
    """Works in another process, which leaves the interpreter to the window."""

    def __init__(self, *, load_ahead: bool = True) -> None:
        """Without loading ahead the process loads what a work needs when that comes."""
        self._one_at_a_time = threading.Lock()
        self._command = [sys.executable, "-m", "gui.state.calculating"]
        self._command += ["load-ahead"] if load_ahead else []
        self._child: _Child | None = None
        self._jobs = HELLO
        self._left = False

    def run(
        self,
        progress: Progress,
        work: Callable[..., _Result],
        *arguments: Any,
        unread: Collection[Any] = (),
        writes: bool = False,
    ) -> _Result:
        """As `Calculator.run`; where no process can be had, it works in this thread."""
        if not writes:
            prepare(progress)
        while not self._one_at_a_time.acquire(timeout=LOOK_EVERY_S):
            progress(math.nan, "getting ready")
        try:
            result: _Result = self._asked(progress, work, arguments, unread, patient=writes)
            return result
        except _NoProcess as reason:
            log.warning("calculating in the window's process: %s", reason)
        finally:
            self._one_at_a_time.release()
        return work(progress, *arguments)

    def get_ready(self) -> None:
        """Start the process, unless it is there."""
        if self._one_at_a_time.acquire(blocking=False):
            try:
                self._there()
            except _NoProcess as reason:
                log.warning("no process to calculate in: %s", reason)
            finally:
                self._one_at_a_time.release()

    def leave(self) -> None:
        """End the process, whatever it is at."""
        self._left = True
        child = self._child
        if child is not None:
            child.end()

    @property
    def process_id(self) -> int | None:
        """Number of the process; None while there is none."""
        child = self._child
        return None if child is None or child.is_gone else child.process.pid

    def _there(self) -> _Child:
        """The process, started if there is none."""
        if self._child is not None and self._child.is_gone:
            self._child.end()
            self._child = None
        if self._child is None:
            # A packed program has no interpreter to start.
            if self._left or getattr(sys, "frozen", False):
                raise _NoProcess("none is to be started")
            try:
                self._child = _Child(self._command)
            except OSError as error:
                raise _NoProcess(error) from None
        return self._child

    def _asked(
        self,
        progress: Progress,
        work: Callable[..., Any],
        arguments: tuple[Any, ...],
        unread: Collection[Any],
        *,
        patient: bool,
    ) -> Any:
        progress(0.0, "getting ready")
        self._settle(progress)
        kept = {f"kept {number}": value for number, value in enumerate(unread)}
        shared = _named(arguments, {id(value) for value in unread})
        self._jobs += 1
        job = self._jobs
        for _ in range(2):
            child = self._there()
            try:
                child.sender.send(job, (work, arguments, len(shared)), kept)
            except OSError:
                # It was ended while it had nothing to do; once is no wonder.
                child.end()
                continue
            except Exception as error:
                raise _NoProcess(f"{type(error).__name__}: {error}") from error
            try:
                return child.answer(job, progress, {**shared, **kept}, patient=patient)
            except _Unheard:
                # It was, and its pipe still took the order.
                continue
            except Cancelled:
                child.call_off(job)
                raise
        raise _NoProcess("it takes no orders")

    def _settle(self, progress: Progress) -> None:
        """Wait until a job that was called off is over, but not for long."""
        child = self._child
        while child is not None and child.is_owing():
            progress(0.0, "getting ready")
            if time.monotonic() > child.called_off_at + STOPPING_S:
                child.end()
                return
            time.sleep(LOOK_EVERY_S)


class _NoProcess(Exception):
    """There is no process to work in; says why."""


class _Unheard(Exception):
    """The process ended before it began a job."""


class _Child:
    """The process at work, as the window sees it."""

    def __init__(self, command: Sequence[str]) -> None:
        self.process = begin(command, subprocess.PIPE, subprocess.PIPE, buffered=False)
        assert self.process.stdin is not None and self.process.stdout is not None
        self.sender = Sender(self.process.stdin)
        self.called_off_at = 0.0
        # Up to which job nobody waits, and which was answered last.
        self._off = self._answered = HELLO
        self._greeted = self._ended = False
        self._came: queue.SimpleQueue[Parcel | None] = queue.SimpleQueue()
        # Not every system can wait for a pipe and for something else.
        threading.Thread(target=self._listen, args=(self.process.stdout,), daemon=True).start()

    def _listen(self, answers: IO[bytes]) -> None:
        with answers:
            while (parcel := receive(answers)) is not None:
                if parcel.job == HELLO:
                    self._greeted = True
                elif parcel.job > self._off:
                    self._came.put(parcel)
                if parcel.is_last:
                    self._answered = parcel.job
        self._came.put(None)

    @property
    def is_gone(self) -> bool:
        """Whether it ended."""
        return self._ended or self.process.poll() is not None

    def answer(
        self, job: int, progress: Progress, known: Mapping[str, Any], *, patient: bool
    ) -> Any:
        """Wait for what comes of a job, passing on how far it is.

        Called off, it is given up at once, or asked to stop and waited for if `patient`.
        """
        begun = called_off = False
        while True:
            if progress.cancelled() and not called_off:
                if not patient:
                    raise Cancelled
                called_off = True
                with contextlib.suppress(OSError):
                    self.sender.call_off(job)
            try:
                parcel = self._came.get(timeout=LOOK_EVERY_S)
            except queue.Empty:
                continue
            if parcel is None:
                raise self._why_gone(begun)
            if parcel.job != job:
                # It came while its job was called off.
                continue
            what, *told = parcel.opened(known)
            if what == "begun":
                begun = True
            elif what == "far":
                # called off just now, what is waited for is asked to stop above
                with contextlib.suppress(*((Cancelled,) if patient else ())):
                    progress(*told)
            elif what == "failed":
                raise told[0]
            else:
                return told[0]

    def _why_gone(self, begun: bool) -> Exception:
        self.end()
        code = self.process.returncode
        if not self._greeted:
            return _NoProcess(f"it ended with code {code} before it began")
        if not begun:
            return _Unheard()
        log.error("the process that calculates ended with code %s", code)
        return VergelineError(_gone())

    def call_off(self, job: int) -> None:
        """Let it stop at a job; nobody waits until it has."""
        self._off, self.called_off_at = job, time.monotonic()
        with contextlib.suppress(OSError):
            self.sender.call_off(job)

    def is_owing(self) -> bool:
        """Whether it is still at the job that was called off."""
        return self._answered < self._off and not self.is_gone

    def end(self) -> None:
        """End it, at once."""
        self._ended = True
        with contextlib.suppress(OSError):
            self.process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(LEAVING_S)
        self.sender.close()


def _gone() -> str:
    from PySide6.QtCore import QCoreApplication

    return QCoreApplication.translate(
        "calculating",
        "The process that calculates was ended, as when memory runs out; your work was left as it "
        "was: try it again, with a shorter road or with other programs closed if it happens again.",
    )


def _named(arguments: tuple[Any, ...], without: Collection[int] = ()) -> dict[str, Any]:
    """Names of what both sides hold, the same on both."""
    return {f"part {number}": value for number, value in enumerate(parts(arguments, without))}


# -- in the other process -------------------------------------------------------


class _Reporting:
    """The progress of a job, told to the window; raises `Cancelled` once that called it off."""

    def __init__(self, job: int, sender: Sender, off: set[int]) -> None:
        self._job, self._sender, self._off = job, sender, off
        self._last = 0.0

    def __call__(self, fraction: float, words: str = "", road: str = "") -> None:
        if self.cancelled():
            raise Cancelled
        now = time.monotonic()
        if now - self._last >= REPORT_EVERY_S:
            self._last = now
            self._sender.send(self._job, ("far", float(fraction), words, road), {}, is_last=False)

    def cancelled(self) -> bool:
        return self._job in self._off


def _do(order: Parcel, sender: Sender, off: set[int]) -> None:
    """Do a job and send what comes of it."""
    known: dict[str, Any] = defaultdict(Kept)
    try:
        work, arguments, many = order.opened(known)
        known.update(_named(arguments))
        if len(_named(arguments)) != many:
            raise RuntimeError("the order came in other parts than it was sent in")
        sender.send(order.job, ("begun",), {}, is_last=False)
        answer = "done", work(_Reporting(order.job, sender, off), *arguments)
        sender.send(order.job, answer, known)
    except Exception as error:
        if not isinstance(error, Cancelled | VergelineError):
            error.add_note(f"In the process that calculates:\n{traceback.format_exc()}")
        try:
            sender.send(order.job, ("failed", error), {})
        except OSError:
            raise
        except Exception:
            told = RuntimeError(f"{type(error).__name__}: {error}")
            told.add_note(traceback.format_exc())
            sender.send(order.job, ("failed", told), {})


def _load_ahead() -> None:
    """Load what a screening needs, unless it is still to be compiled: the window sees to that."""
    from analysis.network.ready import load
    from analysis.study.warm_up import is_first_run
    from gui.state import jobs

    assert jobs
    if not is_first_run():
        load()
    gc.freeze()


def _own_pipes() -> tuple[IO[bytes], IO[bytes]]:
    """The pipes of this process for itself: no library and no child of it gets at them."""
    pipes = []
    for stream, mode, nothing in ((sys.stdin, "rb", os.O_RDONLY), (sys.stdout, "wb", os.O_WRONLY)):
        place = stream.fileno()
        pipes.append(os.fdopen(os.dup(place), mode, 0))
        nowhere = os.open(os.devnull, nothing)
        os.dup2(nowhere, place)
        os.close(nowhere)
    return pipes[0], pipes[1]


def main() -> None:
    """Do what is ordered, one job after another, until the window is gone."""
    orders, answers = _own_pipes()
    # Ctrl-C reaches all processes of a terminal: the window tells this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    stand_back(STEP_BACK)
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "wb") as file:
        file.write(ENDED_FIRST)
    leave_it()
    sender, off = Sender(answers), set[int]()
    came: queue.SimpleQueue[Parcel] = queue.SimpleQueue()

    def listen() -> None:
        while (parcel := receive(orders)) is not None:
            if parcel.data:
                came.put(parcel)
            else:
                off.add(parcel.job)
        # The window is gone: whatever this is at, nobody wants it.
        os._exit(0)

    threading.Thread(target=listen, daemon=True).start()
    sender.send(HELLO, None, {})
    if "load-ahead" in sys.argv[1:]:
        # What couldn't be loaded will be said when it is needed.
        with contextlib.suppress(Exception):
            _load_ahead()
    while True:
        try:
            _do(came.get(), sender, off)
        except OSError:
            os._exit(0)


if __name__ == "__main__":
    main()
