"""What a person chose is written beside the window, and when it closes."""

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from PySide6.QtCore import QCoreApplication, QSettings

from gui.look import remembered as module
from gui.look.remembered import remembered

Settle = Callable[..., None]


def test_a_thread_writes_what_was_chosen(settle: Settle, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not the window's, which would wait for the disk; meanwhile all see what was chosen."""
    wrote_in: list[int] = []
    write = module._write
    monkeypatch.setattr(module, "_write", lambda: (wrote_in.append(threading.get_ident()), write()))
    store = remembered()
    assert store is remembered()
    path = Path(store.fileName())
    for value in ("light", "dark"):
        store.setValue("appearance", value)
        QCoreApplication.processEvents()
        assert store.value("appearance") == value
        assert not path.exists() or f"appearance={value}" not in path.read_text()
        settle(lambda value=value: path.exists() and f"={value}" in path.read_text())
        assert QSettings().value("appearance") == value
    store.remove("appearance")
    settle(lambda: "appearance" not in path.read_text())
    assert wrote_in and threading.get_ident() not in wrote_in


def test_closing_writes_at_once() -> None:
    store = remembered()
    store.setValue("units", "us")
    store.sync()
    assert "units=us" in Path(store.fileName()).read_text()
