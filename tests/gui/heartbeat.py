"""Measures how long the event loop is kept from its work."""

import time

from PySide6.QtCore import QEventLoop, QTimer


class Heartbeat:
    """A timer that should tick every few milliseconds; the gaps tell when it couldn't.

    `work_s` is what this thread itself worked in each gap: the rest was waiting, for the machine
    or for another thread.
    """

    def __init__(self) -> None:
        self.gaps_s: list[float] = []
        self.work_s: list[float] = []
        self._last, self._worked = time.perf_counter(), time.thread_time()
        self._timer = QTimer()
        self._timer.setInterval(4)
        self._timer.timeout.connect(self._tick)
        self._timer.start()

    def _tick(self) -> None:
        now, worked = time.perf_counter(), time.thread_time()
        self.gaps_s.append(now - self._last)
        self.work_s.append(worked - self._worked)
        self._last, self._worked = now, worked

    def restart(self) -> None:
        """Forget what was measured."""
        self.gaps_s.clear()
        self.work_s.clear()
        self._last, self._worked = time.perf_counter(), time.thread_time()

    @property
    def worst_s(self) -> float:
        """The longest time without a tick, also that since the last one."""
        return max([*self.gaps_s, time.perf_counter() - self._last])

    def stop(self) -> None:
        """End the timer."""
        self._timer.stop()


def run_loop(done: object, *, timeout_s: float = 60.0) -> None:
    """Run the true event loop (as the program does) until `done()` holds."""
    loop, check = QEventLoop(), QTimer()
    end = time.monotonic() + timeout_s
    check.setInterval(5)
    check.timeout.connect(
        lambda: loop.quit() if done() or time.monotonic() > end else None  # type: ignore[operator]
    )
    check.start()
    loop.exec()
    check.stop()
    if not done():  # type: ignore[operator]
        raise AssertionError(f"did not happen within {timeout_s:g} s")
