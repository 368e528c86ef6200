"""Asking for files without stopping the event loop, and names that tell files apart.

A dialog that runs a loop of its own holds up whoever waits for the one it was called from: jobs
that end meanwhile couldn't show their result.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import shiboken6
from PySide6.QtCore import Qt, Slot
from PySide6.QtWidgets import QDialog, QFileDialog, QWidget

from gui.look.remembered import remembered
from gui.look.turns import turns

__all__ = [
    "ask_file",
    "ask_files",
    "ask_folder",
    "ask_folder_near",
    "ask_name",
    "dated_name",
    "open_soon",
]

Take = Callable[[str], Any]


def ask_file(parent: QWidget, title: str, filters: str, slot: Take) -> QFileDialog:
    """Ask for a file that is there, beginning in the folder that was used last."""
    dialog = _dialog("file", parent, title, filters)
    dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
    return _open(dialog, _folder(), _noting(slot))


def ask_files(
    parent: QWidget, title: str, filters: str, slot: Callable[[list[str]], Any]
) -> QFileDialog:
    """Ask for files that are there, of which several can be chosen."""
    dialog = _dialog("files", parent, title, filters)
    dialog.setFileMode(QFileDialog.FileMode.ExistingFiles)
    made = _open(dialog, _folder(), None)
    dialog.take_all = slot
    return made


def ask_folder(parent: QWidget, title: str, slot: Take) -> QFileDialog:
    """Ask for a folder that is there; what lies in it is shown too."""
    dialog = _dialog("folder", parent, title)
    dialog.setFileMode(QFileDialog.FileMode.Directory)
    return _open(dialog, _folder(), _noting(slot))


def ask_folder_near(parent: QWidget, title: str, folder: str, slot: Take) -> QFileDialog:
    """Ask for a folder, beginning in another."""
    dialog = _dialog("folder", parent, title)
    dialog.setFileMode(QFileDialog.FileMode.Directory)
    return _open(dialog, folder, slot)


def ask_name(parent: QWidget, title: str, name: str, filters: str, slot: Take) -> QFileDialog:
    """Ask for the name of a file to write.

    `name` is what is offered, with the ending that a name without one gets; without a folder it
    is put where a file was used last.
    """
    offered = Path(name) if Path(name).is_absolute() else Path(_folder() or ".") / name
    dialog = _dialog("name", parent, title, filters)
    dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
    dialog.setDefaultSuffix(name.rpartition(".")[2])
    made = _open(dialog, str(offered.parent), _noting(slot))
    dialog.selectFile(offered.name)
    return made


def _folder() -> str:
    return str(remembered().value("folder", ""))


def _noting(slot: Take) -> Take:
    """Begin the next question where this one ended."""

    def taken(path: str) -> None:
        remembered().set_value("folder", str(Path(path).parent))
        slot(path)

    return taken


class _FileDialog(QFileDialog):
    """A file dialog that stays when it is closed, to be asked again.

    One that goes writes how it looked to the disk, and the window would wait for that.
    """

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.take: Take | None = None
        self.take_all: Callable[[list[str]], Any] | None = None
        self.fileSelected.connect(self._on_chosen)
        self.filesSelected.connect(self._on_all_chosen)
        self.finished.connect(self._on_finished)

    @property
    def is_free(self) -> bool:
        """Whether it asks nobody, nor is about to."""
        return not self.isVisible() and not turns().waits(self)

    @Slot(str)
    def _on_chosen(self, path: str) -> None:
        if self.take is not None:
            self.take(path)

    @Slot(list)
    def _on_all_chosen(self, paths: list[str]) -> None:
        if self.take_all is not None:
            self.take_all(paths)

    @Slot(int)
    def _on_finished(self, _how: int) -> None:
        # Answered before it could be seen, it must not come after all.
        turns().withdraw(self)


_kept: dict[str, _FileDialog] = {}


def _dialog(kind: str, parent: QWidget, title: str, filters: str = "") -> _FileDialog:
    """Return the kept dialog of a kind, for another question; another one if it is in use."""
    dialog = _kept.get(kind)
    if dialog is None or not shiboken6.isValid(dialog) or not dialog.is_free:
        dialog = _kept[kind] = _FileDialog(parent)
    else:
        dialog.setParent(parent, dialog.windowFlags())
    dialog.setWindowTitle(title)
    dialog.setFileMode(QFileDialog.FileMode.AnyFile)
    dialog.setNameFilters(filters.split(";;") if filters else [])
    return dialog


def _open(dialog: _FileDialog, folder: str, slot: Take | None) -> QFileDialog:
    dialog.setDirectory(folder)
    dialog.selectFile("")
    dialog.take, dialog.take_all = slot, None
    turns().ask(dialog, dialog.open)
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
