"""Widths of single roads that are built otherwise than the rest: seen, changed and taken out."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QLabel, QWidget

from gui.look.fields import QuantityBox
from gui.look.making import named, stacked, tool_button, yielding

if TYPE_CHECKING:
    from gui.state.model import WindowModel

__all__ = ["OwnWidths"]

_NAME_PX = 200
"""A longer name would make the whole form wider than its pane."""


class OwnWidths(QWidget):
    """A row for each road with widths of its own, and a button to give some to another.

    What a person changes goes to `change` as `Settings.with_own_widths` takes it, which may leave
    it as it was.
    """

    def __init__(self, model: WindowModel, change: Callable[..., None]) -> None:
        super().__init__()
        self._model, self._change = model, change
        self.rows: dict[str, OwnRow] = {}
        self._held = stacked(None, spacing=4)
        self.more = tool_button("", self._give, name=self.tr("Widths of one road"))
        self.more.setToolTip(
            self.tr("For a road that is built otherwise: the search on it begins with these.")
        )
        stacked(self, self._held, self.more, spacing=4)
        model.selection_changed.connect(self._show_more)

    def show_widths(self) -> None:
        """Show the widths as they are in the settings."""
        settings, system = self._model.settings, self._model.units
        wanted = {own.road for own in settings.road_widths}
        for road in set(self.rows) - wanted:
            row = self.rows.pop(road)
            self._held.removeWidget(row)
            row.hide()
            row.deleteLater()
        for place, own in enumerate(settings.road_widths):
            row = self.rows.get(own.road) or OwnRow(own.road, self._set, self._take_out)
            if own.road not in self.rows:
                self.rows[own.road] = row
                self._held.insertWidget(place, row)
            row.show_widths(settings.widths_of(own.road), system)
        self._show_more()

    def _show_more(self) -> None:
        road = self._road()
        self.more.setVisible(bool(road))
        short = self.fontMetrics().elidedText(road, Qt.TextElideMode.ElideMiddle, _NAME_PX)
        self.more.setText(self.tr("Other widths on {road}").format(road=short))
        self.setVisible(bool(road or self.rows))

    def _road(self) -> str:
        """The road that is looked at, if it is one of several and has no widths of its own."""
        model = self._model
        names = [road.name for road in model.index or model.roads]
        here = names[model.road_index] if model.road_index < len(names) else ""
        return here if len(names) > 1 and here not in self.rows else ""

    def _give(self) -> None:
        road = self._road()
        if road:
            pavement, shoulder = self._model.settings.widths_of(road)
            self._change(road, pavement_width_m=pavement, shoulder_width_m=shoulder)

    def _set(self, road: str, name: str, width_m: float) -> None:
        self._change(road, **{name: width_m})

    def _take_out(self, road: str) -> None:
        self._change(road, pavement_width_m=None, shoulder_width_m=None)


class OwnRow(QWidget):
    """The widths of one road."""

    def __init__(
        self, road: str, change: Callable[[str, str, float], None], take_out: Callable[[str], None]
    ) -> None:
        super().__init__()
        self.pavement = QuantityBox("m", 2.0, 60.0, decimals=2, step=0.1)
        self.shoulder = QuantityBox("m", 0.2, 10.0, decimals=2, step=0.1)
        self.clear = tool_button(
            "✕",
            partial(take_out, road),
            name=self.tr("Take out: widths of {road}").format(road=road),
            tip=self.tr("This road has the widths of all again."),
        )
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(2)
        grid.addWidget(yielding(named(QLabel(road), road, road)), 0, 0, 1, 4)
        grid.addWidget(self.clear, 0, 4)
        for place, (name, title, full, box) in enumerate(
            (
                (
                    "pavement_width_m",
                    self.tr("Pavement"),
                    self.tr("Pavement width of {road}"),
                    self.pavement,
                ),
                (
                    "shoulder_width_m",
                    self.tr("Shoulder"),
                    self.tr("Shoulder width of {road}"),
                    self.shoulder,
                ),
            )
        ):
            label = QLabel(title)
            label.setBuddy(box)
            box.setAccessibleName(full.format(road=road))
            box.stored_changed.connect(partial(change, road, name))
            grid.addWidget(label, 1, 2 * place)
            grid.addWidget(box, 1, 2 * place + 1)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(3, 1)

    def show_widths(self, widths_m: tuple[float, float], system: str) -> None:
        """Show widths of pavement and shoulder, metres."""
        for box, width in zip((self.pavement, self.shoulder), widths_m, strict=True):
            box.set_system(system)
            box.set_stored(width)
