"""The four pages of what goes to the field and comes back."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from PySide6.QtWidgets import QSizePolicy, QTabWidget, QWidget

from gui.field.accept_page import AcceptPage
from gui.field.check_page import CheckPage
from gui.field.part import Part
from gui.field.readings_page import ReadingsPage
from gui.field.surveys_page import SurveysPage
from gui.look.fields import scrolled
from gui.look.making import later, stacked

if TYPE_CHECKING:
    from gui.state.model import WindowModel

__all__ = ["FieldPage"]

# After what the window makes of itself.
AHEAD_MS = 400


class FieldPage(QWidget):
    """All that happens between a screening and the road itself."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = model
        self.setObjectName("FieldPage")
        self.setAccessibleName(self.tr("In the field"))
        self.tabs = QTabWidget()
        self.tabs.setDocumentMode(True)
        self.tabs.setAccessibleName(self.tr("In the field"))
        self._pages: dict[int, Part] = {}
        for title in (
            self.tr("Where to check"),
            self.tr("Readings"),
            self.tr("Acceptance"),
            self.tr("Two surveys"),
        ):
            self.tabs.addTab(QWidget(), title)
        self.tabs.currentChanged.connect(self._page)
        stacked(self, (self.tabs, 1))
        self._page(0)
        self._ahead_due = later(self, self._make_ahead, AHEAD_MS)
        self._ahead_due.start()

    def _make_ahead(self) -> None:
        """Make the next page that isn't there yet while the person looks around."""
        missing = [number for number in range(self.tabs.count()) if number not in self._pages]
        if missing:
            self._page(missing[0])
            self._ahead_due.start()

    @property
    def check(self) -> CheckPage:
        """Where to check."""
        return cast(CheckPage, self._page(0))

    @property
    def readings(self) -> ReadingsPage:
        """Readings back."""
        return cast(ReadingsPage, self._page(1))

    @property
    def accept(self) -> AcceptPage:
        """Finished work accepted."""
        return cast(AcceptPage, self._page(2))

    @property
    def surveys(self) -> SurveysPage:
        """Two surveys compared."""
        return cast(SurveysPage, self._page(3))

    def _page(self, number: int) -> Part:
        """Return a page, made when it is first wanted: all at once would hold the window up."""
        if number not in self._pages:
            made: Part
            if number == 2:
                made = AcceptPage(self.model, self.readings)
            else:
                made = {0: CheckPage, 1: ReadingsPage, 3: SurveysPage}[number](self.model)
            made.setAccessibleName(self.tabs.tabText(number))
            self._pages[number] = made
            area = scrolled(made)
            # Its table takes all the room that there is.
            made.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
            stacked(self.tabs.widget(number), (area, 1))
        return self._pages[number]
