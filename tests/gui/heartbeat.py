"""Measures how long the event loop is kept from its work, and tells by what."""

import os
import sys
import threading
import time
from collections import Counter
from functools import cache
from pathlib import Path
from types import FrameType

from PySide6.QtCore import QEventLoop, QTimer


class Heartbeat:
    """A timer that should tick every few milliseconds; the gaps tell when it couldn't.

    `work_s` is what this thread itself worked in each gap, and `held_s` the gap without the time in
    which the thread could have gone on and the processor was at other programs (known on Linux):
    what is in that and not in the work was waiting, for a file or another thread.
    """

    def __init__(self) -> None:
        self.gaps_s: list[float] = []
        self.work_s: list[float] = []
        self.held_s: list[float] = []
        self._told = _queue_file()
        self.last, self._worked = time.perf_counter(), time.thread_time()
        self._queued = self._queued_s()
        self._timer = QTimer()
        self._timer.setInterval(4)
        self._timer.timeout.connect(self._tick)
        self._timer.start()

    def _tick(self) -> None:
        now, worked, queued = time.perf_counter(), time.thread_time(), self._queued_s()
        self.gaps_s.append(now - self.last)
        self.work_s.append(worked - self._worked)
        self.held_s.append(now - self.last - (queued - self._queued))
        self.last, self._worked, self._queued = now, worked, queued

    def _queued_s(self) -> float:
        """How long this thread has waited for a processor that was at others."""
        return 0.0 if self._told is None else 1e-9 * int(os.pread(self._told, 100, 0).split()[1])

    def restart(self) -> None:
        """Forget what was measured."""
        self.gaps_s.clear()
        self.work_s.clear()
        self.held_s.clear()
        self._begin()

    def go_on(self) -> None:
        """Measure again after `stop`; the time between counts nowhere."""
        self._begin()
        self._timer.start()

    def _begin(self) -> None:
        self.last, self._worked = time.perf_counter(), time.thread_time()
        self._queued = self._queued_s()

    @property
    def worst_s(self) -> float:
        """The longest time without a tick, also that since the last one."""
        return max([*self.gaps_s, time.perf_counter() - self.last])

    def stop(self) -> None:
        """End the timer."""
        self._timer.stop()


@cache
def _queue_file() -> int | None:
    """Where the system tells of the thread that asks first, the window's."""
    try:
        return os.open(f"/proc/self/task/{threading.get_native_id()}/schedstat", os.O_RDONLY)
    except OSError:
        return None


class Watch:
    """Looks from another thread at what the event loop does while a beat is late.

    Each late gap is put down to what was seen most often in it: the function at work and the
    program's own functions that led there, and beside it what another thread was seen at most
    often, for which the loop may have waited. `note` is what the person did last.
    """

    LOOK_EVERY_S = 0.01

    def __init__(self, heart: Heartbeat, late_s: float = 0.1) -> None:
        self._heart, self._late_s = heart, late_s
        self._main = threading.main_thread().ident or 0
        self._over = threading.Event()
        self.note = ""
        self.seen: dict[int, Counter[str]] = {}
        self.beside: dict[int, Counter[str]] = {}
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while not self._over.wait(self.LOOK_EVERY_S):
            beat = len(self._heart.gaps_s)
            if time.perf_counter() - self._heart.last < 2.0 * self.LOOK_EVERY_S:
                continue
            frames = sys._current_frames()
            chain, others = self._chain(frames.pop(self._main, None)), []
            frames.pop(threading.get_ident(), None)
            while frames:
                others.append(self._chain(frames.popitem()[1], every=True)[:3])
            heard = f"[{self.note}] " if self.note else ""
            words = heard + " < ".join(chain[:6])
            self.seen.setdefault(beat, Counter())[words] += 1
            told = self.beside.setdefault(beat, Counter())
            told.update(" < ".join(o) for o in others if o and not _idle(o[0]))

    @staticmethod
    def _chain(frame: FrameType | None, *, every: bool = False) -> list[str]:
        """Functions from the one at work outward; frames mustn't outlive this.

        Who keeps one keeps what is in it: a painter is then never ended, and Qt crashes.
        """
        at = []
        while frame is not None:
            at.append((frame.f_code, frame.f_lineno))
            frame = frame.f_back
        chain: list[str] = []
        for code, line in at:
            path = Path(code.co_filename)
            if every or not chain or path.parent.name in ("gui", "analysis", "benchmarks"):
                chain.append(f"{path.stem}.{code.co_name}:{line}")
        return chain

    def causes(self) -> list[tuple[int, float, float, float, str]]:
        """Return (late gaps, worst s, held s, own work s, chain), those that held most first."""
        self._over.set()
        self._thread.join()
        found: dict[str, list[int]] = {}
        for beat, gap in enumerate(self._heart.gaps_s):
            if gap > self._late_s:
                chains = self.seen.get(beat)
                words = chains.most_common(1)[0][0] if chains else "not seen"
                waited_s = self._heart.held_s[beat] - self._heart.work_s[beat]
                if waited_s > 0.5 * self._late_s and (others := self.beside.get(beat)):
                    words += f" | beside it {others.most_common(1)[0][0]}"
                found.setdefault(words, []).append(beat)
        of = self._heart.gaps_s, self._heart.held_s, self._heart.work_s
        rows = [
            (len(beats), *(max(numbers[b] for b in beats) for numbers in of), words)
            for words, beats in found.items()
        ]
        return sorted(rows, key=lambda row: -row[2])


def _idle(function: str) -> bool:
    """Whether a function is one in which threads wait for something to do."""
    words = ("wait", "_worker", "<lambda>", "join", "select", "parcels._read", "calculating.")
    return any(word in function for word in words)


def run_loop(done: object, *, timeout_s: float = 60.0) -> None:
    """Run the true event loop (as the program does) until `done()` holds."""
    loop, check = QEventLoop(), QTimer()
    end = time.monotonic() + timeout_s
    # Asked once only: what held when the loop ended may be over again when it is asked anew.
    held = False

    def look() -> None:
        nonlocal held
        held = bool(done())  # type: ignore[operator]
        if held or time.monotonic() > end:
            loop.quit()

    check.setInterval(5)
    check.timeout.connect(look)
    check.start()
    loop.exec()
    check.stop()
    if not held:
        raise AssertionError(f"did not happen within {timeout_s:g} s")
