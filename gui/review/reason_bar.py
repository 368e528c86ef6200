"""Why a finding is rejected: reasons under number keys, own words, and the list to change."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QWidget,
)

from gui.look.making import abreast, named, stacked, tool_button
from gui.state.reasons import MOST_REASONS, reasons, set_reasons

__all__ = ["ReasonBar", "ReasonsDialog"]


_ACROSS = 2


class ReasonBar(QWidget):
    """Asks why a finding is wrong; a number key is enough.

    Signals
    -------
    given(str)
        The reason.
    left()
        Nothing is to be rejected after all.
    """

    given = Signal(str)
    left = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(self.tr("Why is the finding wrong?"))
        self.buttons: list[QPushButton] = []
        self._grid = QGridLayout()
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setSpacing(2)
        own = self.tr("0  in own words, then Return")
        # Beside the title: below it there is no room for more than the reasons.
        self.words = named(QLineEdit(placeholderText=own), self.tr("Reason in own words"))
        self.words.returnPressed.connect(self._take_words)
        self.change = tool_button(
            self.tr("Change the list…"),
            self._change,
            tip=self.tr("Which reasons are under the number keys."),
        )
        title = QLabel(self.tr("Why is it wrong? (Esc: it isn't)"))
        stacked(
            self,
            abreast(None, title, (self.words, 1), self.change),
            self._grid,
            margins=(0, 0, 0, 0),
            spacing=3,
        )
        self._keys = [self._key(str(number), number) for number in range(MOST_REASONS + 1)]
        self.fill()
        self.hide()

    def _key(self, text: str, number: int) -> QShortcut:
        made = QShortcut(QKeySequence(text), self)
        made.setContext(Qt.ShortcutContext.WindowShortcut)
        made.setEnabled(False)
        made.activated.connect(lambda: self.pick(number))
        return made

    def fill(self) -> None:
        """Show the reasons as they are now."""
        while self._grid.count():
            item = self._grid.takeAt(0)
            if item is not None and (widget := item.widget()) is not None:
                widget.deleteLater()
        self.buttons = []
        for number, reason in enumerate(reasons(), start=1):
            button = QPushButton(f"{number}  {reason}")
            named(button, reason).setStyleSheet("text-align: left; padding: 1px 6px;")
            button.clicked.connect(_picker(self, number))
            button.setSizePolicy(
                button.sizePolicy().Policy.Expanding, button.sizePolicy().Policy.Fixed
            )
            self._grid.addWidget(button, *divmod(number - 1, _ACROSS))
            self.buttons.append(button)

    def ask(self, before: str = "") -> None:
        """Begin to ask; `before` is the reason of an earlier rejection."""
        self.words.setText(before if before not in reasons() else "")
        self._set_open(True)

    def close_up(self) -> None:
        """Ask no more."""
        self._set_open(False)

    @property
    def asking(self) -> bool:
        """Whether a reason is being asked for."""
        return not self.isHidden()

    def _set_open(self, on: bool) -> None:
        self.setVisible(on)
        for key in self._keys:
            key.setEnabled(on)

    def pick(self, number: int) -> None:
        """Take the reason under a number key; 0 goes to the own words."""
        known = reasons()
        if number == 0:
            self.words.setFocus(Qt.FocusReason.ShortcutFocusReason)
        elif number <= len(known):
            self._give(known[number - 1])

    def _take_words(self) -> None:
        if self.words.text().strip():
            self._give(self.words.text().strip())

    def _give(self, reason: str) -> None:
        self._set_open(False)
        self.given.emit(reason)

    def _change(self) -> None:
        dialog = ReasonsDialog(self.window())
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.accepted.connect(self.fill)
        dialog.open()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self._set_open(False)
            self.left.emit()
            event.accept()
            return
        super().keyPressEvent(event)


def _picker(bar: ReasonBar, number: int) -> Callable[[bool], None]:
    return lambda _checked: bar.pick(number)


class ReasonsDialog(QDialog):
    """The list of reasons, a line each."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(self.tr("Reasons to reject a finding"))
        words = self.tr("A reason a line, at most {count}; their order is that of the number keys.")
        told = QLabel(words.format(count=MOST_REASONS), wordWrap=True)
        self.lines = named(QPlainTextEdit("\n".join(reasons())), self.tr("Reasons"))
        which = QDialogButtonBox.StandardButton
        buttons = QDialogButtonBox(which.Ok | which.Cancel)
        shipped = QPushButton(self.tr("As shipped"))
        shipped.clicked.connect(lambda: self.lines.setPlainText(""))
        buttons.addButton(shipped, QDialogButtonBox.ButtonRole.ResetRole)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        stacked(self, told, (self.lines, 1), buttons, margins=None, spacing=-1)
        self.resize(420, 320)

    def accept(self) -> None:
        set_reasons(self.lines.toPlainText().splitlines())
        super().accept()
