"""Garbage is looked for in the window's thread alone: a worker that came upon a widget crashed."""

import gc
import threading
import weakref
from collections.abc import Callable

from PySide6.QtWidgets import QWidget

Settle = Callable[..., None]


def test_widgets_go_in_the_windows_thread_whoever_makes_things(settle: Settle) -> None:
    gone_in: list[int] = []

    def left_behind() -> None:
        widget = QWidget()
        widget.itself = widget  # type: ignore[attr-defined]
        weakref.finalize(widget, lambda: gone_in.append(threading.get_ident()))

    def worker() -> None:
        for _ in range(20_000):
            cycle: list[object] = []
            cycle.append(cycle)

    left_behind()
    thread = threading.Thread(target=worker)
    thread.start()
    thread.join()
    assert not gc.isenabled() and not gone_in
    settle(lambda: bool(gone_in))
    assert gone_in == [threading.get_ident()]
