"""What the screening saw that doesn't fit what was given, and answering it with one click."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QCoreApplication, QObject, Signal

from gui.look.units import value_text
from gui.state import jobs
from gui.state.model import WindowModel, with_surface

if TYPE_CHECKING:
    from analysis.study.noticing import Notice

__all__ = ["Noticed"]


class Noticed(QObject):
    """The notices of the study that nobody has answered or waved off yet.

    Signals
    -------
    changed()
        The notices are others.
    """

    changed = Signal()

    def __init__(self, model: WindowModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._seen: tuple[Notice, ...] = ()
        self._waved_off: set[tuple[str, str, int]] = set()
        self._asked: object = None
        model.study_changed.connect(self._on_study)

    @property
    def first(self) -> Notice | None:
        """The notice to show now, or None."""
        return next((n for n in self._seen if _key(n) not in self._waved_off), None)

    @property
    def count(self) -> int:
        """How many notices are open."""
        return sum(_key(n) not in self._waved_off for n in self._seen)

    def _on_study(self) -> None:
        study = self._model.study
        # Judging by other limits measures nothing anew, and what was seen was measured.
        measured = None if study is None else [part.breaks for part in study.roads]
        if study is None:
            self._asked = None
            self._take(())
        elif self._asked is None or not _same(measured, self._asked):
            self._asked = measured
            self._model.runner.submit(
                "notices", lambda progress: jobs.notices(progress, study), self._take
            )

    def _take(self, seen: tuple[Notice, ...]) -> None:
        if seen != self._seen:
            self._seen = seen
            self.changed.emit()

    def wave_off(self, notice: Notice) -> None:
        """Say that a notice is no trouble; it doesn't come again with about the same numbers."""
        self._waved_off.add(_key(notice))
        self.changed.emit()

    def accept(self, notice: Notice) -> None:
        """Change what was given as the notice offers, and screen again."""
        model = self._model
        self._seen = tuple(other for other in self._seen if other is not notice)
        if notice.no_kerbs:
            model.screen_once_open()
            model.set_extra("kerbs", "none")
        elif notice.changes:
            # what was changed after it was seen, as by another answer, stays
            settings, text = notice.answered(model.settings), self.tr("Answer what was noticed")
            if settings.surface != model.settings.surface:
                model.undo.beginMacro(text)
                model.set_limits(with_surface(model.limits, settings.surface))
                model.set_settings(settings)
                model.undo.endMacro()
            else:
                model.set_settings(settings, text=text)
            model.screen()
        self.changed.emit()

    def sentence(self, notice: Notice) -> str:
        """What was seen, for a person."""
        from analysis.study.noticing import NOTICES

        text = self._filled(NOTICES[notice.kind], notice)
        return f"{notice.road}: {text}" if notice.road else text

    def offer(self, notice: Notice) -> str:
        """What one click does about it; "" where nothing can be done by one."""
        from analysis.study.noticing import OFFERS, OFFERS_HERE

        if not notice.can_be_answered:
            return ""
        return self._filled((OFFERS_HERE if notice.road else OFFERS)[notice.kind], notice)

    def _filled(self, text: str, notice: Notice) -> str:
        units = self._model.units
        lengths = [
            value_text(n, "m", units, decimals=0 if n >= 30.0 else 1) for n in notice.numbers
        ]
        return QCoreApplication.translate("noticed", text).format(*lengths)


def _key(notice: Notice) -> tuple[str, str, int]:
    return notice.kind, notice.road, round(2.0 * notice.numbers[0])


def _same(one: object, other: object) -> bool:
    if not (isinstance(one, list) and isinstance(other, list)) or len(one) != len(other):
        return False
    return all(a is b for a, b in zip(one, other, strict=True))
