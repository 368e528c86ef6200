"""Agreeing with a finding or rejecting it from anywhere in the window, not only in a table."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QInputDialog

from analysis.findings.reviews import Decision, Place
from gui.look.words import review_text, side_text, station_words
from gui.state.model import WindowModel
from gui.state.reasons import reasons
from gui.window.dialogs import Dialogs

if TYPE_CHECKING:
    from gui.review.page import ReviewPage

__all__ = ["Reviewing"]


class Reviewing(QObject):
    """Takes decisions on findings, and always says what it did or why it did nothing.

    While the review fills the window, `page` is what shows it and takes them; else they are on the
    reach that is selected.

    Signals
    -------
    wanted(bool)
        The person wants the review to fill the window, or not any more.
    """

    wanted = Signal(bool)

    def __init__(self, model: WindowModel, dialogs: Dialogs) -> None:
        super().__init__(dialogs)
        self._model, self._dialogs = model, dialogs
        self.page: ReviewPage | None = None
        model.reason_wanted.connect(self._ask_reason)

    def toggle(self) -> None:
        """Let the review fill the window, or give the whole window back."""
        self.wanted.emit(self.page is None)

    def step(self, by: int) -> None:
        """Go to the next or previous finding."""
        if self.page is not None:
            self.page.queue.step(by)
        else:
            self._model.next_finding(by)

    def give(self, state: str) -> None:
        """Review the selected reach; a rejection asks for its reason, "" takes a review back."""
        model = self._model
        if self.page is not None:
            self.page.give(state)
        elif model.findings is None or model.reach_row < 0:
            model.message.emit(
                self.tr("No reach is selected: go to one by F8, or click it, then review it.")
            )
        elif state == Decision.REJECTED:
            self._ask_reason([model.reach_key(model.reach_row)])
        else:
            self._put([model.reach_key(model.reach_row)], state, "")

    def _ask_reason(self, places: Sequence[Place]) -> None:
        dialog = QInputDialog(self._dialogs.window)
        dialog.setWindowTitle(self.tr("Reject the finding"))
        dialog.setLabelText(
            self.tr("{where}: why is it wrong? Choose a reason or write one.").format(
                where=self._where(places)
            )
        )
        dialog.setComboBoxItems(reasons())
        dialog.setComboBoxEditable(True)
        drafts = self._model.drafts.reasons
        dialog.setTextValue(drafts.get(places[0], self._model.review(places[0])[1]))
        dialog.textValueChanged.connect(partial(drafts.__setitem__, places[0]))
        dialog.finished.connect(lambda _how: drafts.pop(places[0], None))
        dialog.textValueSelected.connect(partial(self._reject, places, self._model.loaded))
        self._dialogs.show(dialog)

    def _reject(self, places: Sequence[Place], judged: object, reason: str) -> None:
        model = self._model
        if model.loaded is not judged:
            model.message.emit(self.tr("The findings changed meanwhile; nothing was rejected."))
        elif not reason.strip():
            model.message.emit(self.tr("A rejection needs a reason; nothing was changed"))
        else:
            self._put(places, Decision.REJECTED, reason.strip())

    def _put(self, places: Sequence[Place], state: str, reason: str) -> None:
        self._model.review_all(places, state, reason)
        done = review_text(state) if state else self.tr("review taken back")
        self._model.message.emit(f"{self._where(places)}: {done}")

    def _where(self, places: Sequence[Place]) -> str:
        if len(places) > 1:
            return self.tr("Findings: {count}").format(count=len(places))
        place, style = places[0], self._model.station_style
        side = side_text(place.side).capitalize()
        ends = [station_words(end, style) for end in (place.from_m, place.to_m)]
        if place.kind == "station":
            return f"{side} {ends[0]}"
        return self.tr("{side} {start} to {end}").format(side=side, start=ends[0], end=ends[1])
