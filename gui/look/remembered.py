"""What a person chose, kept from one time to the next, and written beside the window.

Qt writes settings in the thread that changes them, when the `QSettings` goes or soon after, and
waits until the disk has them: 4 ms, and 180 ms where the disk is busy. Here a thread does that.
"""

from __future__ import annotations

import threading
from functools import cache
from typing import Any

from PySide6.QtCore import QCoreApplication, QEvent, QSettings, QTimer

__all__ = ["remembered"]

# A crash may cost so much of what was chosen last.
WRITE_MS = 300


def remembered() -> QSettings:
    """Return the settings of the program; for the window's thread."""
    return _remembered(QCoreApplication.organizationName(), QCoreApplication.applicationName())


@cache
def _remembered(_organization: str, _application: str) -> QSettings:
    return _Remembered()


class _Remembered(QSettings):
    """Settings whose file is written by a thread, and in the end by whoever closes."""

    def __init__(self) -> None:
        app = QCoreApplication.instance()
        super().__init__(app)
        self._due = QTimer(self, singleShot=True, interval=WRITE_MS)
        self._due.timeout.connect(lambda: threading.Thread(target=_write).start())
        if app is not None:
            app.aboutToQuit.connect(self.sync)

    def setValue(self, key: str, value: Any) -> None:
        super().setValue(key, value)
        self._due.start()

    def remove(self, key: str) -> None:
        super().remove(key)
        self._due.start()

    def event(self, event: QEvent) -> bool:
        """Let pass that Qt would write now."""
        if event.type() == QEvent.Type.UpdateRequest:
            return True
        return super().event(event)


def _write() -> None:
    # All settings of one file share what isn't written yet.
    QSettings().sync()
