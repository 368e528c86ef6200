"""Limits that are tried: what they would change, until they are kept or dropped."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from analysis.common.errors import VergelineError
from gui.state import jobs
from gui.state.model import WindowModel
from gui.state.reopening import limits_text

if TYPE_CHECKING:
    from analysis.common.limits import Limits
    from analysis.study.trying import Change
    from gui.state.runner import Progress

__all__ = ["Trial"]


class Trial(QObject):
    """Limits beside those of the model, and what judging by them would change.

    Attributes
    ----------
    limits
        Those that are tried; None while none are.
    change
        What they change; None while that is being worked out.

    Signals
    -------
    changed()
        Limits or what they change are others.
    """

    changed = Signal()

    def __init__(self, model: WindowModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self.limits: Limits | None = None
        self.change: Change | None = None
        self.trouble = ""
        self._text = self._merge = ""
        # Neither kept nor dropped they would go with the window, unasked.
        model.drafts.hold(self.tr("Limits that are tried"), self._to_text, self._try_again, self)
        model.limits_changed.connect(self.drop)
        model.study_changed.connect(self._on_study)

    @property
    def possible(self) -> bool:
        """Whether there is anything to try limits on."""
        return self._model.study is not None

    def start(self, limits: Limits, text: str, merge: str = "") -> None:
        """Try limits; those of the model end the trial."""
        if limits == self._model.limits:
            self.drop()
            return
        self.limits, self.change, self.trouble = limits, None, ""
        self._text, self._merge = text, merge
        self._work_out()
        self.changed.emit()

    def _to_text(self) -> str:
        return "" if self.limits is None else limits_text(self.limits)

    def _try_again(self, text: str) -> None:
        """Try the limits of a text; what can't be read is left out."""
        from analysis.common.limits import limits_from_toml

        try:
            limits = limits_from_toml(text) if text else self._model.limits
        except VergelineError:
            return
        self.start(limits, self.tr("Change limits"))

    def keep(self) -> None:
        """Judge by the tried limits from now on, as one edit."""
        limits, self.limits, self.change = self.limits, None, None
        if limits is not None:
            self._model.set_limits(limits, text=self._text, merge=self._merge)
            self.changed.emit()

    def drop(self) -> None:
        """Try no more; the limits stay as they were."""
        if self.limits is not None:
            self.limits = self.change = None
            self._model.runner.cancel("trial")
            self.changed.emit()

    def _work_out(self) -> None:
        loaded, limits, calculator = self._model.loaded, self.limits, self._model.calculator
        if loaded is None or loaded.study is None or limits is None:
            return

        def job(progress: Progress) -> Change:
            # With another straightedge all is measured again, beside the window as any measuring.
            unread = jobs.unread(loaded, limits, loaded.corrections)
            return calculator.run(progress, jobs.try_limits, loaded, limits, unread=unread)

        title = self.tr("Trying the limits")
        self._model.runner.submit("trial", job, self._take, self._fail, lane="long", title=title)

    def _take(self, change: Change) -> None:
        if self.limits is not None:
            self.change = change
            self.changed.emit()

    def _fail(self, error: VergelineError) -> None:
        self.trouble = str(error)
        self.changed.emit()

    def _on_study(self) -> None:
        if self._model.study is None:
            self.drop()
        elif self.limits is not None:
            self.change = None
            self._work_out()
            self.changed.emit()
