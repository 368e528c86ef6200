"""Sheets as they will be printed, to leaf through before they are saved or sent to a printer."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QPixmap, QResizeEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QLabel,
    QPushButton,
    QScrollArea,
    QToolButton,
    QWidget,
)

from analysis.common.errors import VergelineError
from gui.look.icons import icon
from gui.look.making import abreast, later, named, stacked
from gui.look.remembered import remembered
from gui.state.runner import Runner

if TYPE_CHECKING:
    from PySide6.QtPrintSupport import QPrinter

    from gui.drawing.books import Book, Page

__all__ = ["PreviewDialog"]

_AFTER_RESIZE_MS = 120
_FRAME = 24


class PreviewDialog(QDialog):
    """Shows the pages of a book one at a time; none is made before it is looked at.

    Signals
    -------
    save_wanted(paper), print_wanted(printer, paper)
        The person wants the book as a file, or on a printer that was chosen.
    """

    save_wanted = Signal(str)
    print_wanted = Signal(object, str)

    def __init__(
        self, book: Book, runner: Runner, paper: str, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        from gui.drawing.printing import PAPERS

        self.setWindowTitle(self.tr("Sheets as they will be printed"))
        self.book, self._runner = book, runner
        self.sheet = self.number = 0
        self._of = 1
        self.place = named(QLabel(), self.tr("Sheet and page"))
        self.paper = named(QComboBox(), self.tr("Paper"))
        self.paper.addItems(list(PAPERS))
        self.paper.setCurrentText(str(remembered().value("paper", paper)))
        self.paper.currentTextChanged.connect(self._on_paper)
        self.buttons = {
            name: self._button(picture, name, text, keys)
            for name, picture, text, keys in (
                ("first", "first-station", self.tr("First sheet"), "Home"),
                ("previous", "previous-station", self.tr("Previous page"), "PgUp"),
                ("next", "next-station", self.tr("Next page"), "PgDown"),
                ("last", "last-station", self.tr("Last sheet"), "End"),
            )
        }
        save, send, close = (
            QPushButton(text)
            for text in (self.tr("&Save as PDF…"), self.tr("&Print…"), self.tr("Close"))
        )
        save.setDefault(True)
        save.clicked.connect(lambda: self.save_wanted.emit(self.paper.currentText()))
        send.clicked.connect(self._ask_printer)
        close.clicked.connect(self.reject)
        self.picture = QLabel(alignment=Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop)
        self.area = QScrollArea(widgetResizable=True)
        self.area.setWidget(self.picture)
        named(self.area, self.tr("Page"))
        leaf = self.buttons
        bar = abreast(
            None,
            leaf["first"],
            leaf["previous"],
            self.place,
            leaf["next"],
            leaf["last"],
            None,
            self.paper,
        )
        foot = abreast(None, None, send, save, close)
        stacked(self, bar, (self.area, 1), foot, margins=(10, 8, 10, 10), spacing=8)
        # At once where nothing waits: only a row of sizes is to be one request.
        self._due = later(self, self._ask, _AFTER_RESIZE_MS)
        room = self.screen().availableGeometry().size()
        self.resize(min(900, room.width() - 60), min(820, room.height() - 80))
        self._show_place()

    def _button(self, picture: str, name: str, text: str, keys: str) -> QToolButton:
        made = named(QToolButton(), text, f"{text} ({keys})")
        made.setIcon(icon(picture))
        made.setShortcut(keys)
        made.clicked.connect(partial(self.leaf, name))
        return made

    # -- leafing -------------------------------------------------------

    def leaf(self, where: str) -> None:
        """Go to the "first" or "last" sheet, or to the "next" or "previous" page."""
        last = len(self.book.makers) - 1
        if where == "first":
            self.sheet, self.number = 0, 0
        elif where == "last":
            self.sheet, self.number = last, 0
        elif where == "next" and self.number + 1 < self._of:
            self.number += 1
        elif where == "next" and self.sheet < last:
            self.sheet, self.number = self.sheet + 1, 0
        elif where == "previous" and self.number > 0:
            self.number -= 1
        elif where == "previous" and self.sheet > 0:
            # How many pages it has shows once it is there: a number beyond means its last.
            self.sheet, self.number = self.sheet - 1, 10_000
        self._ask()

    def _ask(self) -> None:
        sheet, number, paper = self.sheet, self.number, self.paper.currentText()
        ratio = self.devicePixelRatioF()
        width = max(320, self.area.viewport().width() - _FRAME)
        book, pixels = self.book, round(width * ratio)
        if self.picture.pixmap().isNull():
            self.picture.setText(self.tr("Drawing the page…"))
        self._runner.submit(
            f"preview {id(self)}",
            lambda _progress: book.page(sheet, number, paper, pixels),
            self._take,
            self._fail,
            priority=5,
        )

    def _take(self, page: Page) -> None:
        self.number, self._of = page.number, page.of
        drawn = QPixmap.fromImage(page.image)
        drawn.setDevicePixelRatio(self.devicePixelRatioF())
        self.picture.setPixmap(drawn)
        self._show_place()

    def _fail(self, error: VergelineError) -> None:
        self.picture.setText(str(error))

    def _show_place(self) -> None:
        last = len(self.book.makers) - 1
        words = self.tr("Sheet {sheet} of {sheets}").format(sheet=self.sheet + 1, sheets=last + 1)
        if self._of > 1:
            words += self.tr(", page {page} of {pages}").format(
                page=self.number + 1, pages=self._of
            )
        self.place.setText(words)
        begun = self.sheet > 0 or self.number > 0
        ended = self.sheet == last and self.number == self._of - 1
        for name in ("first", "previous"):
            self.buttons[name].setEnabled(begun)
        for name in ("next", "last"):
            self.buttons[name].setEnabled(not ended)

    def _on_paper(self, paper: str) -> None:
        remembered().set_value("paper", paper)
        self._ask()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._due.start()

    # -- handing out -------------------------------------------------------

    def _ask_printer(self) -> None:
        from PySide6.QtPrintSupport import QPrintDialog, QPrinter

        printer = QPrinter(QPrinter.PrinterMode.HighResolution)
        dialog = QPrintDialog(printer, self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.accepted.connect(lambda: self.send_to(printer))
        dialog.setWindowModality(Qt.WindowModality.WindowModal)
        dialog.show()

    def send_to(self, printer: QPrinter) -> None:
        """Send the whole book to a printer."""
        self.print_wanted.emit(printer, self.paper.currentText())
