"""Garbage is looked for in the window's thread alone."""

from __future__ import annotations

import gc

from PySide6.QtCore import QObject, QTimer

__all__ = ["GarbageTurns"]

# Often, so that little has come together by then.
EVERY_MS = 250


class GarbageTurns(QObject):
    """Looks for garbage now and then; nobody else does any more.

    Python looks for it in whatever thread makes things just then. A widget that a worker comes upon
    so is taken apart beside the window's thread, which may be at it: that ends the program.

    Attributes
    ----------
    held : bool
        Set while libraries load, which bring much and leave little behind.
    """

    held = False

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        gc.disable()
        self._timer = QTimer(self, interval=EVERY_MS)
        self._timer.timeout.connect(self._look)
        self._timer.start()

    def _look(self) -> None:
        """Look as far back as Python itself would by now."""
        if GarbageTurns.held:
            return
        for generation in (2, 1, 0):
            if gc.get_count()[generation] > gc.get_threshold()[generation]:
                gc.collect(generation)
                return
