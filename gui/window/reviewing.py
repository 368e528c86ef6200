"""Agreeing with a finding or rejecting it from anywhere in the window, not only in a table."""

from __future__ import annotations

from functools import partial

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QInputDialog

from gui.look.words import review_text, side_text, station_words
from gui.state.model import WindowModel
from gui.window.dialogs import Dialogs

__all__ = ["Reviewing"]


class Reviewing(QObject):
    """Reviews the reach that is selected, and always says what it did or why it did nothing."""

    def __init__(self, model: WindowModel, dialogs: Dialogs) -> None:
        super().__init__(dialogs)
        self._model, self._dialogs = model, dialogs

    def give(self, state: str) -> None:
        """Review the selected reach; a rejection asks for its reason, "" takes a review back."""
        model = self._model
        if model.findings is None or model.reach_row < 0:
            model.message.emit(
                self.tr("No reach is selected: go to one by F8, or click it, then review it.")
            )
        elif state == "rejected":
            self._ask_reason(model.reach_row)
        else:
            self._put(model.reach_row, state, "")

    def _ask_reason(self, row: int) -> None:
        dialog = QInputDialog(self._dialogs.window)
        dialog.setWindowTitle(self.tr("Reject the finding"))
        where = self._where(row)
        dialog.setLabelText(
            self.tr(
                "{where}: why is it wrong? (for example: parked vehicle, driveway, bushes)"
            ).format(where=where)
        )
        dialog.setTextValue(self._model.review(self._model.reach_key(row))[1])
        dialog.textValueSelected.connect(partial(self._reject, row, self._model.loaded))
        self._dialogs.show(dialog)

    def _reject(self, row: int, judged: object, reason: str) -> None:
        model = self._model
        if model.loaded is not judged:
            model.message.emit(self.tr("The findings changed meanwhile; nothing was rejected."))
        elif not reason.strip():
            model.message.emit(self.tr("A rejection needs a reason; nothing was changed"))
        else:
            self._put(row, "rejected", reason.strip())

    def _put(self, row: int, state: str, reason: str) -> None:
        model = self._model
        model.set_review(model.reach_key(row), state, reason)
        done = review_text(state) if state else self.tr("review taken back")
        model.message.emit(f"{self._where(row)}: {done}")

    def _where(self, row: int) -> str:
        assert self._model.findings is not None
        reaches, style = self._model.findings.reaches, self._model.station_style
        ends = [station_words(float(reaches[name][row]), style) for name in ("from_m", "to_m")]
        side = side_text(str(reaches["side"][row]))
        return self.tr("{side} {start} to {end}").format(
            side=side.capitalize(), start=ends[0], end=ends[1]
        )
