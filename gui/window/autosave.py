"""Copies of unsaved work, so that a crash or a power cut costs some seconds at most.

Each window owns one copy in the user's data folder, with a lock file that the system lets go of
when the program dies. A copy whose lock is free belonged to a window that didn't close properly.
"""

from __future__ import annotations

import json
import logging
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from PySide6.QtCore import QLockFile, QObject, QTimer, Signal

from analysis.common.errors import VergelineError
from analysis.common.outputs import replacing
from gui.state.model import WindowModel
from gui.window.places import unsaved_folder

__all__ = ["Autosave", "Leftover"]

log = logging.getLogger("vergeline")

EVERY_MS = 3_000


@dataclass(frozen=True, slots=True)
class Leftover:
    """A copy that an earlier window left behind."""

    copy: Path
    name: str
    at: str
    readings: tuple[dict[str, Any], ...] = ()

    def discard(self) -> None:
        """Delete the copy."""
        for ending in (".gpkg", ".json", ".lock"):
            self.copy.with_suffix(ending).unlink(missing_ok=True)


class Autosave(QObject):
    """Keeps the copy of one window up to date while there is unsaved work.

    Signals
    -------
    copied()
        The copy was written.
    """

    copied = Signal()

    def __init__(self, model: WindowModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self.copy = unsaved_folder() / f"{uuid.uuid4().hex}.gpkg"
        self._lock: QLockFile | None = None
        # Counted, not compared: results hold arrays, and an undone edit is no unmade one.
        self._changes, self._kept = 0, -1
        self._timer = QTimer(self, interval=EVERY_MS)
        self._timer.timeout.connect(self.save_now)
        model.modified_changed.connect(self._on_modified)
        for changed in (
            model.study_changed,
            model.settings_changed,
            model.limits_changed,
            model.corrections_changed,
            model.reviews_changed,
            model.typed.changed,
        ):
            changed.connect(self._on_change)
        model.typed.changed.connect(self._on_modified)

    def _on_change(self) -> None:
        self._changes += 1

    @property
    def _wanted(self) -> bool:
        return self._model.modified or self._model.typed.unsaved

    def _on_modified(self) -> None:
        if not self._wanted:
            self.discard()
        elif not self._timer.isActive():
            self._timer.start()

    def save_now(self) -> None:
        """Write the copy if anything changed since the last one; never disturbs the person."""
        model, now = self._model, self._changes
        if not self._wanted or model.loaded is None or now == self._kept:
            return
        if model.runner.is_running("autosave"):
            # Called off for a newer one each time, a copy that takes long would never be whole.
            return
        try:
            self._claim()
            # Before the copy: without it a copy would be there that nobody is told of.
            self._write_record()
        except (OSError, VergelineError) as error:
            # Without a place for copies the work itself goes on; saving by hand still works.
            self._timer.stop()
            self._on_failed(error)
            return
        model.save(str(self.copy), lambda: self._noted(now), self._on_failed, copy=True)

    def _claim(self) -> None:
        if self._lock is None:
            self.copy.parent.mkdir(parents=True, exist_ok=True)
            self._lock = QLockFile(str(self.copy.with_suffix(".lock")))
            self._lock.setStaleLockTime(0)
            self._lock.tryLock(0)

    def _noted(self, changes: int) -> None:
        if not self._wanted:
            self.discard()
            return
        self._kept = changes
        self.copied.emit()

    def _write_record(self) -> None:
        record = {
            "name": Path(self._model.path).name if self._model.path else "",
            "at": datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M"),
            "readings": self._model.typed.record(),
        }
        with replacing(self.copy.with_suffix(".json")) as beside:
            beside.write_text(json.dumps(record), encoding="utf-8")

    def _on_failed(self, error: VergelineError | OSError) -> None:
        log.warning("no copy of the unsaved work: %s", error)
        self._model.message.emit(
            self.tr("No copy of the unsaved work could be kept, save it yourself: {why}").format(
                why=error
            )
        )

    def discard(self) -> None:
        """Delete this window's copy: its work is saved, or the person let it go."""
        self._timer.stop()
        self._kept = -1
        self._model.runner.cancel("autosave")
        for ending in (".gpkg", ".json"):
            self.copy.with_suffix(ending).unlink(missing_ok=True)
        if self._lock is not None:
            self._lock.unlock()
            self._lock = None

    @staticmethod
    def leftovers() -> list[Leftover]:
        """Copies of windows that didn't close properly, newest first."""
        found = []
        for record_path in sorted(unsaved_folder().glob("*.json"), key=_age):
            copy = record_path.with_suffix(".gpkg")
            lock = QLockFile(str(record_path.with_suffix(".lock")))
            lock.setStaleLockTime(0)
            if not lock.tryLock(0):
                continue
            lock.unlock()
            if not copy.is_file():
                record_path.unlink(missing_ok=True)
                continue
            try:
                record = json.loads(record_path.read_text(encoding="utf-8"))
            except (OSError, ValueError):
                record = {}
            name, at = str(record.get("name", "")), str(record.get("at", ""))
            found.append(Leftover(copy, name, at, tuple(record.get("readings", ()))))
        return found


def _age(path: Path) -> float:
    try:
        return -path.stat().st_mtime
    except OSError:
        return 0.0
