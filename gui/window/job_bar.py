"""Work in progress in the status bar: what is being done, how far it is, and a way to stop it."""

from __future__ import annotations

import math

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QLabel, QProgressBar, QPushButton, QStatusBar

from gui.look.making import named
from gui.state.runner import Runner

__all__ = ["JobBar"]


class JobBar(QObject):
    """Shows the job that was begun last, while there is one."""

    def __init__(self, status: QStatusBar, runner: Runner) -> None:
        super().__init__(status)
        self._status, self._runner = status, runner
        self._key = ""
        self.words = named(QLabel(), self.tr("What is being done"))
        self.bar = named(QProgressBar(), self.tr("Progress"))
        self.bar.setFixedWidth(180)
        self.stop = QPushButton(self.tr("Cancel"))
        self.stop.setToolTip(self.tr("Calls the work off; nothing is changed (Ctrl+.)"))
        self.stop.clicked.connect(self.cancel)
        for widget in (self.words, self.bar, self.stop):
            status.addPermanentWidget(widget)
            widget.hide()
        runner.started.connect(self._on_started)
        runner.progressed.connect(self._on_progress)
        runner.busy_changed.connect(self._on_busy)
        runner.called_off.connect(self._on_called_off)

    def cancel(self) -> None:
        """Call off the work that shows."""
        if self._key:
            self._runner.cancel(self._key)
            self.words.setText(self.tr("Cancelling…"))

    def _show_fraction(self, fraction: float) -> None:
        known = not math.isnan(fraction)
        self.bar.setRange(0, 1000 if known else 0)
        self.bar.setFormat("%p %" if known else "")
        if known:
            self.bar.setValue(round(1000 * fraction))

    def _on_started(self, key: str, title: str) -> None:
        self._key = key
        # An older message would be cut off beside the words of the job.
        self._status.clearMessage()
        self.words.setText(f"{title}…")
        self._show_fraction(math.nan)
        for widget in (self.words, self.bar, self.stop):
            widget.show()

    def _on_progress(self, key: str, fraction: float, words: str, left_s: float) -> None:
        if key != self._key:
            return
        self._show_fraction(fraction)
        parts = [words, self._time_left(left_s) if left_s >= 0.0 else ""]
        self.words.setText("  ·  ".join(part for part in parts if part))

    def _time_left(self, seconds: float) -> str:
        if seconds < 60:
            return self.tr("about {n} s left").format(n=max(1, round(seconds)))
        if seconds < 3600:
            return self.tr("about {n} min left").format(n=round(seconds / 60))
        return self.tr("about {n} h left").format(n=f"{seconds / 3600:.1f}")

    def _on_busy(self, busy: bool) -> None:
        if not busy:
            self._key = ""
            for widget in (self.words, self.bar, self.stop):
                widget.hide()

    def _on_called_off(self, _key: str, title: str) -> None:
        text = self.tr("{title}: cancelled, nothing was changed").format(title=title)
        self._status.showMessage(text, 10_000)
