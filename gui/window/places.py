"""Where the program keeps files of its own in the user's data folder."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QStandardPaths

__all__ = ["log_path", "translations_folder", "unsaved_folder"]


def _data_folder() -> Path:
    place = QStandardPaths.StandardLocation.AppLocalDataLocation
    return Path(QStandardPaths.writableLocation(place))


def log_path() -> Path:
    """Return the log file's place."""
    return _data_folder() / "vergeline.log"


def translations_folder() -> Path:
    """Return where a person puts a catalogue of their own, ``vergeline_<locale>.qm``."""
    return _data_folder() / "translations"


def unsaved_folder() -> Path:
    """Return where the copies of unsaved work are."""
    return _data_folder() / "unsaved"
