"""Finding a command by its words, wherever in the menus it stands."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QAction, QKeyEvent, QKeySequence
from PySide6.QtWidgets import QDialog, QLabel, QLineEdit, QTreeWidget, QTreeWidgetItem, QWidget

from gui.look.making import named, stacked

__all__ = ["OTHER_WORDS", "CommandFinder", "plain"]

# Property of an action: words by which it is found beside its text.
OTHER_WORDS = "otherWords"

_STEPS = (Qt.Key.Key_Up, Qt.Key.Key_Down, Qt.Key.Key_PageUp, Qt.Key.Key_PageDown)


def plain(text: str) -> str:
    """Return the text of an action without the marks of its letter key."""
    return text.replace("&&", "\0").replace("&", "").replace("\0", "&")


class CommandFinder(QDialog):
    """Every command with its menu and keys; typing narrows them down, Enter does the chosen one.

    Parameters
    ----------
    entries
        Name of the menu, and the action.
    """

    def __init__(
        self, entries: Sequence[tuple[str, QAction]], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(self.tr("Find a command"))
        hint = self.tr("Words of the command, such as “next finding”")
        search = QLineEdit(placeholderText=hint, clearButtonEnabled=True)
        self.search = named(search, self.tr("Words of the command"))
        self.rows = named(QTreeWidget(), self.tr("Commands"))
        self.rows.setRootIsDecorated(False)
        self.rows.setUniformRowHeights(True)
        self.rows.setHeaderLabels([self.tr("What"), self.tr("Where"), self.tr("Keys")])
        self._actions: list[QAction] = []
        for menu, action in entries:
            keys = [
                key.toString(QKeySequence.SequenceFormat.NativeText) for key in action.shortcuts()
            ]
            item = QTreeWidgetItem([plain(action.text()).rstrip("…"), menu, "  ".join(keys)])
            item.setToolTip(0, action.toolTip())
            item.setDisabled(not action.isEnabled())
            self.rows.addTopLevelItem(item)
            self._actions.append(action)
        for column in range(3):
            self.rows.resizeColumnToContents(column)
        self.note = QLabel(wordWrap=True)
        stacked(self, self.search, (self.rows, 1), self.note, margins=(12, 12, 12, 10), spacing=6)
        wide = sum(self.rows.columnWidth(column) for column in range(3))
        self.resize(max(480, wide + 60), 440)
        self.search.textChanged.connect(self._narrow)
        self.search.installEventFilter(self)
        self.search.returnPressed.connect(self.do_chosen)
        self.rows.itemActivated.connect(lambda _item, _column: self.do_chosen())
        self._narrow("")

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        # While words are typed the arrow keys walk through what they leave.
        if event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent):
            if event.key() in _STEPS:
                self.rows.keyPressEvent(event)
                return True
        return super().eventFilter(watched, event)

    def _narrow(self, text: str) -> None:
        words = text.casefold().split()
        first: QTreeWidgetItem | None = None
        for place in range(self.rows.topLevelItemCount()):
            item = self.rows.topLevelItem(place)
            assert item is not None
            more = self._actions[place].property(OTHER_WORDS) or ""
            said = " ".join([item.text(0), item.text(1), item.toolTip(0), more]).casefold()
            item.setHidden(not all(word in said for word in words))
            if first is None and not item.isHidden() and not item.isDisabled():
                first = item
        self.rows.setCurrentItem(first)  # type: ignore[arg-type]  # Qt: None chooses nothing
        self.note.setText(
            ""
            if first is not None
            else self.tr("Nothing of that can be done now: try other words.")
        )

    def do_chosen(self) -> None:
        """Close, and do what is chosen."""
        item = self.rows.currentItem()
        if item is None or item.isDisabled() or item.isHidden():
            return
        action = self._actions[self.rows.indexOfTopLevelItem(item)]
        self.accept()
        action.trigger()
