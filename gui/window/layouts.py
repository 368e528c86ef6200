"""Layouts of the panes that a person keeps under a name."""

from __future__ import annotations

from functools import partial

from PySide6.QtCore import QByteArray, QObject
from PySide6.QtWidgets import QInputDialog, QMenu

from gui.look.remembered import remembered
from gui.state.model import WindowModel
from gui.window.dialogs import Dialogs
from gui.window.panes import Panes

__all__ = ["Layouts"]

_GROUP = "layouts"


class Layouts(QObject):
    """Keeps layouts by name, lays the panes out as one says, and forgets them."""

    def __init__(self, panes: Panes, model: WindowModel, dialogs: Dialogs) -> None:
        super().__init__(panes)
        self._panes, self._model, self._dialogs = panes, model, dialogs

    def names(self) -> list[str]:
        """Return the names of the layouts that are kept."""
        return sorted(remembered().names(_GROUP), key=str.casefold)

    def keep(self, name: str) -> None:
        """Keep the layout as it is under a name; one of the same name gives way."""
        state, name = self._panes.keep(), name.strip().replace("/", "-").replace("\\", "-")
        if state is not None and name:
            remembered().set_value(f"{_GROUP}/{name}", state)
            self._model.message.emit(self.tr("Layout kept: {name}").format(name=name))

    def take(self, name: str) -> None:
        """Lay the panes out as kept."""
        state = remembered().value(f"{_GROUP}/{name}")
        if not isinstance(state, QByteArray) or not self._panes.lay_out(state):
            self._model.message.emit(
                self.tr("The layout {name} can't be used any more").format(name=name)
            )

    def forget(self, name: str) -> None:
        """Forget a layout."""
        remembered().remove(f"{_GROUP}/{name}")

    def fill_menu(self, menu: QMenu) -> None:
        """Make a menu offer what there is whenever it opens."""
        menu.aboutToShow.connect(partial(self._fill, menu))
        self._fill(menu)

    def _fill(self, menu: QMenu) -> None:
        menu.clear()
        menu.addAction(self.tr("&Usual layout")).triggered.connect(self._panes.usual)
        names = self.names()
        for name in names:
            shown = menu.addAction(name.replace("&", "&&"))
            shown.triggered.connect(partial(self._take_from_menu, name))
        menu.addSeparator()
        keep = menu.addAction(self.tr("&Keep this layout…"))
        keep.setEnabled(self._panes.keep() is not None)
        keep.triggered.connect(self._ask_name)
        if names:
            gone = menu.addMenu(self.tr("&Forget"))
            for name in names:
                shown = gone.addAction(name.replace("&", "&&"))
                shown.triggered.connect(partial(self._forget_from_menu, name))

    def _take_from_menu(self, name: str, _checked: bool = False) -> None:
        self.take(name)

    def _forget_from_menu(self, name: str, _checked: bool = False) -> None:
        self.forget(name)

    def _ask_name(self) -> None:
        dialog = QInputDialog(self._dialogs.window)
        dialog.setWindowTitle(self.tr("Keep this layout"))
        dialog.setLabelText(self.tr("Under which name, such as “reviewing” or “two screens”?"))
        dialog.textValueSelected.connect(self.keep)
        self._dialogs.show(dialog)
