"""What a person chose, kept from one time to the next, and written by a thread.

Qt writes settings in the thread that changes them and waits until the disk has them: 4 ms, and over
a second where the disk is busy. Whoever reads a setting meanwhile waits for the same file, and a
thread of Python's keeps the interpreter while Qt writes. So values are held in memory here, and
what changed goes now and then to a thread that runs nothing but Qt's loop: Qt writes in there
without the interpreter, and nobody else asks for the file.
"""

from __future__ import annotations

import atexit
from functools import cache
from typing import Any

from PySide6.QtCore import (
    QCoreApplication,
    QEvent,
    QObject,
    QSettings,
    Qt,
    QThread,
    QTimer,
    Signal,
    Slot,
)
from PySide6.QtGui import QGuiApplication

__all__ = ["Remembered", "remembered"]

# A crash costs what was chosen in the last second, and what the disk hasn't taken yet.
WRITE_MS = 1000
# A disk that hangs mustn't keep the program alive.
LEAVING_MS = 5000
# In the place of a value: there is none any more.
_GONE = object()


def remembered() -> Remembered:
    """Return what is remembered for this program; for the window's thread."""
    return _remembered(QCoreApplication.organizationName(), QCoreApplication.applicationName())


@cache
def _remembered(_organization: str, _application: str) -> Remembered:
    # Whose it is, `QSettings` asks the application itself.
    return Remembered()


class Remembered(QObject):
    """Values by key, as `QSettings` has them, at once and for good.

    What another window of the program chose is seen when the person comes back to this one.
    """

    _write = Signal(object, int)
    _end = Signal()

    def __init__(self) -> None:
        super().__init__()
        store = QSettings()
        self._values: dict[str, Any] = {key: store.value(key) for key in store.allKeys()}
        self._changed: dict[str, Any] = {}
        self._order = 0
        self._due = QTimer(self, singleShot=True, interval=WRITE_MS)
        self._due.timeout.connect(self._send)
        self._thread, self._writer = QThread(), _Writer(store)
        store.moveToThread(self._thread)
        self._writer.moveToThread(self._thread)
        queued = Qt.ConnectionType.QueuedConnection
        self._write.connect(self._writer.write, queued)
        self._end.connect(self._writer.end, queued)
        self._writer.written.connect(self._on_written, queued)
        app = QCoreApplication.instance()
        if isinstance(app, QGuiApplication):
            app.applicationStateChanged.connect(self._on_state)
        atexit.register(self.leave)

    def value(self, key: str, default: Any = None) -> Any:
        """Return what was set; what was read from a file may be a string of it."""
        return self._values.get(key, default)

    def contains(self, key: str) -> bool:
        """Whether a value was set."""
        return key in self._values

    def names(self, group: str) -> list[str]:
        """Return the keys right in a group, without the group's own name."""
        start = f"{group}/"
        keys = (key.removeprefix(start) for key in self._values if key.startswith(start))
        return [key for key in keys if "/" not in key]

    def set_value(self, key: str, value: Any) -> None:
        """Remember a value from now on."""
        # A list that its owner goes on changing would be changed while it is written.
        kept = list(value) if isinstance(value, list) else value
        if not self.contains(key) or self._values[key] != kept:
            self._values[key] = self._changed[key] = kept
            self._ask()

    def remove(self, key: str) -> None:
        """Forget a value."""
        if self.contains(key):
            del self._values[key]
            self._changed[key] = _GONE
            self._ask()

    def clear(self) -> None:
        """Forget everything."""
        for key in list(self._values):
            self.remove(key)

    def leave(self) -> bool:
        """Have everything written, and end the thread; tell whether that was done in time.

        What changes later starts it again.
        """
        if self._changed:
            self._send()
        if self._thread.isRunning():
            # Told to quit before it runs its loop, it would do nothing of what waits.
            self._end.emit()
            if not self._thread.wait(LEAVING_MS):
                return False
        self._writer.finish()
        return True

    def _ask(self) -> None:
        if not self._due.isActive():
            self._due.start()

    def _send(self) -> None:
        """Hand over what changed."""
        self._due.stop()
        self._thread.start()
        self._order += 1
        self._write.emit(self._changed, self._order)
        self._changed = {}

    @Slot(object, int)
    def _on_written(self, values: dict[str, Any], order: int) -> None:
        # Another order may be on its way; its answer tells more.
        if order == self._order:
            kept = {key: value for key, value in self._values.items() if key in self._changed}
            gone = {key for key, value in self._changed.items() if value is _GONE}
            now = {key: value for key, value in values.items() if key not in gone}
            self._values = now | kept

    def _on_state(self, state: Qt.ApplicationState) -> None:
        if state == Qt.ApplicationState.ApplicationActive:
            self._ask()


class _Writer(QObject):
    """Writes, in whatever thread it lives in, which then runs Qt's loop."""

    written = Signal(object, int)
    _read = Signal(int)

    def __init__(self, store: QSettings) -> None:
        super().__init__()
        self._store = store
        self._read.connect(self._tell, Qt.ConnectionType.QueuedConnection)

    @Slot(object, int)
    def write(self, changed: dict[str, Any], order: int) -> None:
        """Take over what changed, and tell afterwards what there is."""
        for key, value in changed.items():
            if value is _GONE:
                self._store.remove(key)
            else:
                self._store.setValue(key, value)
        # Asked to write now, it would keep the interpreter; told so by an event, it doesn't.
        QCoreApplication.postEvent(self._store, QEvent(QEvent.Type.UpdateRequest))
        self._read.emit(order)

    @Slot(int)
    def _tell(self, order: int) -> None:
        store = self._store
        self.written.emit({key: store.value(key) for key in store.allKeys()}, order)

    @Slot()
    def end(self) -> None:
        """Let the thread end."""
        self.thread().quit()

    def finish(self) -> None:
        """Write what is left, from another thread, once this one's has ended."""
        self._store.sync()
