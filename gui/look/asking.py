"""Asking for files without stopping the event loop, and names that tell files apart.

A dialog that runs a loop of its own holds up whoever waits for the one it was called from: jobs
that end meanwhile couldn't show their result.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QFileDialog, QWidget

from gui.look.remembered import remembered
from gui.look.turns import turns

__all__ = ["ask_file", "ask_folder", "ask_name", "dated_name", "open_soon"]

Slot = Callable[[str], Any]


def ask_file(parent: QWidget, title: str, filters: str, slot: Slot) -> QFileDialog:
    """Ask for a file that is there, beginning in the folder that was used last."""
    dialog = QFileDialog(parent, title, _folder(), filters)
    dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
    return _open(dialog, slot)


def ask_folder(parent: QWidget, title: str, slot: Slot) -> QFileDialog:
    """Ask for a folder that is there; what lies in it is shown too."""
    dialog = QFileDialog(parent, title, _folder())
    dialog.setFileMode(QFileDialog.FileMode.Directory)
    return _open(dialog, slot)


def ask_name(parent: QWidget, title: str, name: str, filters: str, slot: Slot) -> QFileDialog:
    """Ask for the name of a file to write.

    `name` is what is offered, with the ending that a name without one gets; without a folder it
    is put where a file was used last.
    """
    offered = name if Path(name).is_absolute() else str(Path(_folder() or ".") / name)
    dialog = QFileDialog(parent, title, offered, filters)
    dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
    dialog.setDefaultSuffix(name.rpartition(".")[2])
    return _open(dialog, slot)


def _folder() -> str:
    return str(remembered().value("folder", ""))


def _open(dialog: QFileDialog, slot: Slot) -> QFileDialog:
    def chosen(path: str) -> None:
        remembered().set_value("folder", str(Path(path).parent))
        slot(path)

    dialog.fileSelected.connect(chosen)
    open_soon(dialog)
    return dialog


def open_soon(dialog: QDialog) -> None:
    """Open a dialog in a turn of its own, as making it took one; it goes when it is closed."""
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    # Answered before it could be seen, it must not come after all.
    dialog.finished.connect(lambda _how: turns().withdraw(dialog))
    turns().ask(dialog, dialog.open)


def dated_name(*parts: str, ending: str) -> str:
    """Return a file name of some words and the day, as "Mill Road 2-340 2026-05-14.pdf"."""
    words = [*parts, date.today().isoformat()]
    plain = ["".join(c if c.isalnum() or c in " -_" else "-" for c in word) for word in words]
    return " ".join(word.strip() for word in plain if word.strip()) + ending
