"""Work in progress in the status bar: what is being done, how far it is, and a way to stop it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QLabel, QMenu, QProgressBar, QPushButton, QStatusBar, QToolButton

from gui.look.making import later, named, tool_button
from gui.state.runner import Runner

__all__ = ["JobBar"]


@dataclass(slots=True)
class _Job:
    """What is known of one job: its title, how far it is (NaN unknown), what it says of itself."""

    title: str
    fraction: float = math.nan
    words: str = ""
    left_s: float = -1.0


SAID_AFTER_MS = 300
"""What waits for less than this is done before anybody has read that it waits."""


class JobBar(QObject):
    """Shows the work in progress: the job begun last, and on a click every other.

    A job that waits for another is among these, with what it waits for.

    Signals
    -------
    share_changed(str)
        How far the job that shows is, as "43 %", for places that are seen when the window isn't;
        "" where that isn't known or nothing is done.
    """

    share_changed = Signal(str)

    def __init__(self, status: QStatusBar, runner: Runner) -> None:
        super().__init__(status)
        self._status, self._runner = status, runner
        self._jobs: dict[str, _Job] = {}
        self._waiting: dict[str, tuple[str, str]] = {}
        self._waiting_due = later(self, self._show, SAID_AFTER_MS)
        self._share = ""
        self.words = named(QLabel(), self.tr("What is being done"))
        self.more = tool_button("", lambda: None, name=self.tr("All work in progress"))
        self.more.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.menu = QMenu(self.more)
        self.menu.aboutToShow.connect(self._fill_menu)
        self.more.setMenu(self.menu)
        self.bar = named(QProgressBar(), self.tr("Progress"))
        self.bar.setFixedWidth(180)
        self.stop = QPushButton(self.tr("Cancel"))
        self.stop.setToolTip(self.tr("Calls the work off; nothing is changed (Ctrl+.)"))
        self.stop.clicked.connect(self.cancel)
        for widget in (self.words, self.more, self.bar, self.stop):
            status.addPermanentWidget(widget)
            widget.hide()
        runner.waiting.connect(self._on_waiting)
        runner.started.connect(self._on_started)
        runner.progressed.connect(self._on_progress)
        runner.ended.connect(self._on_ended)
        runner.called_off.connect(self._on_called_off)

    @property
    def _key(self) -> str:
        """The job that shows: of those that run the one begun last."""
        return next(reversed(self._jobs), "")

    def cancel(self) -> None:
        """Call off the work that shows."""
        if self._key:
            self._runner.cancel(self._key)
            self.words.setText(self.tr("Cancelling…"))

    def _show(self) -> None:
        job = self._jobs.get(self._key)
        for widget in (self.words, self.bar, self.stop):
            widget.setVisible(job is not None)
        waiting = {} if self._waiting_due.isActive() else self._waiting
        others = max(0, len(self._jobs) - 1) + len(waiting)
        self.more.setVisible(others > 0)
        if others == len(waiting) == 1:
            ((title, _behind),) = waiting.values()
            self.more.setText(self.tr("{title} waits").format(title=title))
        else:
            self.more.setText(self.tr("and {count} more").format(count=others))
        share = ""
        if job is not None:
            known = not math.isnan(job.fraction)
            # By itself it would paint at once, and with it all of the window that is due.
            self.bar.setUpdatesEnabled(False)
            self.bar.setRange(0, 1000 if known else 0)
            self.bar.setFormat("%p %" if known else "")
            if known:
                self.bar.setValue(round(1000 * job.fraction))
                share = f"{int(100 * job.fraction)} %"
            self.bar.setUpdatesEnabled(True)
            parts = [job.words or f"{job.title}…", self._time_left(job)]
            self.words.setText("  ·  ".join(part for part in parts if part))
        if share != self._share:
            self._share = share
            self.share_changed.emit(share)

    def _fill_menu(self) -> None:
        """List every job with how far it is and how long it takes still; a click calls it off."""
        self.menu.clear()
        for key, job in reversed(self._jobs.items()):
            share = "" if math.isnan(job.fraction) else f"{int(100 * job.fraction)} %"
            parts = [job.title, share, self._time_left(job)]
            text = self.tr("Cancel: {what}").format(what="  ·  ".join(p for p in parts if p))
            self.menu.addAction(text).triggered.connect(partial(self._call_off, key))
        for key, (title, behind) in self._waiting.items():
            text = self.tr("Cancel: {title}  ·  waits for: {behind}")
            action = self.menu.addAction(text.format(title=title, behind=behind))
            action.triggered.connect(partial(self._call_off, key))

    def _call_off(self, key: str, _checked: bool = False) -> None:
        self._runner.cancel(key)

    def _on_waiting(self, key: str, title: str, behind: str) -> None:
        self._waiting[key] = title, behind
        self._waiting_due.start()

    def _on_started(self, key: str, title: str) -> None:
        self._waiting.pop(key, None)
        # An older message would be cut off beside the words of the job.
        self._status.clearMessage()
        self._jobs.pop(key, None)
        self._jobs[key] = _Job(title)
        self._show()

    def _on_progress(self, key: str, fraction: float, words: str, left_s: float) -> None:
        job = self._jobs.get(key)
        if job is None:
            return
        job.fraction, job.words, job.left_s = fraction, words, left_s
        self._show()

    def _time_left(self, job: _Job) -> str:
        seconds = job.left_s
        if seconds < 0.0:
            return ""
        if seconds < 60:
            return self.tr("about {n} s left").format(n=max(1, round(seconds)))
        if seconds < 3600:
            return self.tr("about {n} min left").format(n=round(seconds / 60))
        return self.tr("about {n} h left").format(n=f"{seconds / 3600:.1f}")

    def _on_ended(self, key: str) -> None:
        # A newer job of the same key may have taken its place.
        if not self._runner.is_running(key):
            self._waiting.pop(key, None)
            self._jobs.pop(key, None)
            self._show()

    def _on_called_off(self, _key: str, title: str) -> None:
        text = self.tr("{title}: cancelled, nothing was changed").format(title=title)
        self._status.showMessage(text, 10_000)
