"""Copies of unsaved work, so that a crash or a power cut costs some seconds at most.

Each window owns a record in the user's data folder, with a lock file that the system lets go of
when the program dies. A record whose lock is free belonged to a window that didn't close properly.
What is open, set and typed stands in the record itself; beside it lies a copy of findings that
aren't saved.
"""

from __future__ import annotations

import json
import logging
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from PySide6.QtCore import QLockFile, QObject, QTimer, Signal

from analysis.common.errors import VergelineError
from analysis.common.outputs import replacing
from gui.state.model import WindowModel
from gui.state.reopening import inputs_record
from gui.window.being_typed import being_typed
from gui.window.places import unsaved_folder

__all__ = ["Autosave", "Leftover"]

log = logging.getLogger("vergeline")

EVERY_MS = 3_000


@dataclass(frozen=True, slots=True)
class Leftover:
    """What an earlier window left behind: its record, and a `copy` that may be there."""

    copy: Path
    name: str
    at: str
    record: dict[str, Any] = field(default_factory=dict)

    def discard(self) -> None:
        """Delete it."""
        for ending in (".gpkg", ".json", ".lock"):
            self.copy.with_suffix(ending).unlink(missing_ok=True)


class Autosave(QObject):
    """Keeps the record of one window up to date, and a copy of findings that aren't saved.

    Signals
    -------
    copied()
        Record and copy hold what there is to keep.
    """

    copied = Signal()

    def __init__(self, model: WindowModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self.copy = unsaved_folder() / f"{uuid.uuid4().hex}.gpkg"
        self._lock: QLockFile | None = None
        self._record: dict[str, Any] = {}
        # Counted, not compared: results hold arrays, and an undone edit is no unmade one.
        self._changes, self._kept = 0, -1
        # Always on: what is just being typed tells nobody.
        self._timer = QTimer(self, interval=EVERY_MS)
        self._timer.timeout.connect(self.save_now)
        self._timer.start()
        model.modified_changed.connect(self._on_modified)
        for changed in (
            model.study_changed,
            model.settings_changed,
            model.limits_changed,
            model.corrections_changed,
            model.reviews_changed,
            model.beside.changed,
        ):
            changed.connect(self._on_change)

    def _on_change(self) -> None:
        self._changes += 1

    def _on_modified(self) -> None:
        if not self._model.modified:
            self._drop_copy()
            if not self._to_record():
                self._drop()

    def save_now(self) -> None:
        """Keep what changed since the last time; never disturbs the person."""
        model, now, record = self._model, self._changes, self._to_record()
        if not record:
            self._drop()
            self.copied.emit()
            return
        copying = model.modified and model.loaded is not None
        if copying and model.runner.is_running("autosave"):
            # Called off for a newer one each time, a copy that takes long would never be whole.
            copying = False
        try:
            if record != self._record:
                self._claim()
                # Before the copy: without it a copy would be there that nobody is told of.
                self._write(record)
                if not model.modified:
                    self.copied.emit()
        except (OSError, VergelineError) as error:
            # Without a place for copies the work itself goes on; saving by hand still works.
            self._timer.stop()
            self._on_failed(error)
            return
        if copying and now != self._kept:
            model.save(str(self.copy), lambda: self._noted(now), self._on_failed, copy=True)

    def _claim(self) -> None:
        """Take the lock, once: Qt waits until the disk has it."""
        if self._lock is None:
            self.copy.parent.mkdir(parents=True, exist_ok=True)
            self._lock = QLockFile(str(self.copy.with_suffix(".lock")))
            self._lock.setStaleLockTime(0)
            self._lock.tryLock(0)

    def _noted(self, changes: int) -> None:
        if not self._model.modified:
            self._drop_copy()
            return
        self._kept = changes
        self.copied.emit()

    def _to_record(self) -> dict[str, Any]:
        """Return all there is to keep but the findings; empty where nothing would be lost."""
        model = self._model
        drafts, focus = model.drafts.record(), being_typed()
        unscreened = model.findings is None and bool(model.inputs.paths)
        if not (model.modified or unscreened or model.beside.comparing or drafts or focus):
            return {}
        source = model.inputs.terrain_source
        name = model.path or (source.path if source is not None and unscreened else "")
        return {
            "name": Path(name).name,
            "findings": model.path,
            # Findings that are in no file yet can be made again, should the copy not be whole.
            "inputs": {} if model.path else inputs_record(model),
            "beside": model.beside.to_json(),
            "drafts": drafts,
            "focus": focus,
        }

    def _write(self, record: dict[str, Any]) -> None:
        at = datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M")
        with replacing(self.copy.with_suffix(".json")) as beside:
            beside.write_text(json.dumps({**record, "at": at}), encoding="utf-8")
        self._record = record

    def _on_failed(self, error: VergelineError | OSError) -> None:
        log.warning("no copy of the unsaved work: %s", error)
        self._model.message.emit(
            self.tr("No copy of the unsaved work could be kept, save it yourself: {why}").format(
                why=error
            )
        )

    def _drop_copy(self) -> None:
        self._kept = -1
        self._model.runner.cancel("autosave")
        self.copy.unlink(missing_ok=True)

    def _drop(self) -> None:
        if not self._record:
            return
        self._drop_copy()
        self._record = {}
        self.copy.with_suffix(".json").unlink(missing_ok=True)

    def discard(self) -> None:
        """Delete what this window keeps: its work is saved, or the person let it go."""
        self._timer.stop()
        self._drop()
        if self._lock is not None:
            self._lock.unlock()
            self._lock = None

    @staticmethod
    def leftovers() -> list[Leftover]:
        """What windows that didn't close properly left, newest first."""
        found = []
        for lock_path in unsaved_folder().glob("*.lock"):
            if not lock_path.with_suffix(".json").is_file():
                lock = QLockFile(str(lock_path))
                lock.setStaleLockTime(0)
                # Of a window that died with nothing unsaved: letting go deletes it.
                if lock.tryLock(0):
                    lock.unlock()
        for record_path in sorted(unsaved_folder().glob("*.json"), key=_age):
            copy = record_path.with_suffix(".gpkg")
            lock = QLockFile(str(record_path.with_suffix(".lock")))
            lock.setStaleLockTime(0)
            if not lock.tryLock(0):
                continue
            lock.unlock()
            try:
                record = dict(json.loads(record_path.read_text(encoding="utf-8")))
            except (OSError, ValueError, TypeError):
                record = {}
            if not (copy.is_file() or record.get("findings") or record.get("inputs")):
                record_path.unlink(missing_ok=True)
                continue
            found.append(
                Leftover(copy, str(record.get("name", "")), str(record.get("at", "")), record)
            )
        return found


def _age(path: Path) -> float:
    try:
        return -path.stat().st_mtime
    except OSError:
        return 0.0
