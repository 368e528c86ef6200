"""What a newcomer sees first, and the bar that always names the next step."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal, SignalInstance
from PySide6.QtGui import QFont, QShowEvent
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QWidget,
)

from gui.look import theme
from gui.look.icons import app_icon, icon
from gui.look.making import abreast, named, stacked
from gui.window.recent import Recent

__all__ = ["FirstPage", "ReadyCard", "StepBar"]


def _label(text: str, *, grow: float = 0.0, bold: bool = False, muted: bool = False) -> QLabel:
    made = QLabel(text, wordWrap=True)
    font = QFont(made.font())
    font.setPointSizeF(font.pointSizeF() + grow)
    font.setBold(bold)
    made.setFont(font)
    made.setProperty("muted", muted)
    return made


def _button(text: str, clicked: SignalInstance) -> QPushButton:
    made = QPushButton(text)
    made.clicked.connect(clicked)
    return made


def _in_the_middle(inner: QWidget) -> QScrollArea:
    inner.setMaximumWidth(760)
    inner.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
    holder = QWidget()
    abreast(holder, None, (inner, 20), None, margins=(24, 28, 24, 20))
    area = QScrollArea(widgetResizable=True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setWidget(holder)
    return area


class ReadyCard(QFrame):
    """Says, where everybody looks, that the first run on a machine takes a while, and why.

    Hidden unless it is told that something is being made ready.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("ready")
        self.setAccessibleName(self.tr("First run"))
        title = _label(self.tr("Getting ready for this computer"), grow=1.0, bold=True)
        self.words = _label(
            self.tr(
                "The calculation is prepared once, which takes about a minute. Look around "
                "meanwhile and open terrain and road: only screening waits until it is done."
            )
        )
        self.bar = named(QProgressBar(textVisible=False), self.tr("Getting ready"))
        self.bar.setRange(0, 0)
        self.bar.setMaximumHeight(10)
        parts = (title, self.words, self.bar)
        stacked(self, *parts, margins=(14, 10, 14, 12), spacing=6)
        theme.watcher().changed.connect(self._on_theme)
        self._on_theme()
        self.hide()

    def _on_theme(self) -> None:
        raised, accent = (theme.color(name).name() for name in ("raised", "accent"))
        self.setStyleSheet(
            f"QFrame#ready {{ background: {raised}; border: 2px solid {accent};"
            f" border-radius: 6px; }}"
        )


class FirstPage(QWidget):
    """Shown while nothing is open: what this is for, three steps, the sample, recent files."""

    open_terrain = Signal()
    open_road = Signal()
    open_study = Signal()
    open_sample = Signal()
    open_recent = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(self.tr("First page"))
        self.sample_button = _button(self.tr("Try the sample road"), self.open_sample)
        self.sample_button.setToolTip(
            self.tr("Opens three kilometres of an invented road with known faults")
        )
        self.terrain_button = _button(self.tr("Open terrain…"), self.open_terrain)
        self.road_button = _button(self.tr("Open road…"), self.open_road)
        self.road_button.setToolTip(self.tr("It is read as soon as its terrain is open too"))
        self.study_button = _button(self.tr("Open findings…"), self.open_study)
        self._recent_title = _label(self.tr("Recent"), bold=True)
        self._recent_rows = stacked(None)
        self.cautions = _label("", muted=True)
        self.getting_ready = ReadyCard()
        inner = QWidget()
        stacked(
            inner,
            self._head(),
            self.getting_ready,
            *self._steps(),
            self._other_ways(),
            self._recent_title,
            self._recent_rows,
            None,
            self.cautions,
            spacing=10,
        )
        stacked(self, _in_the_middle(inner))
        self._dressed_dark: bool | None = None
        theme.watcher().changed.connect(self._on_theme)
        self._on_theme()

    def _head(self) -> QHBoxLayout:
        picture = QLabel(pixmap=app_icon().pixmap(QSize(56, 56)))
        purpose = self.tr(
            "Finds where earth and gravel road shoulders no longer shed water, from a terrain grid "
            "and a road centreline."
        )
        title = stacked(
            None, _label("Vergeline", grow=9.0, bold=True), _label(purpose, grow=1.0, muted=True)
        )
        mark = named(picture, self.tr("Program mark"))
        return abreast(None, mark, (title, 1), margins=(0, 0, 0, 8), spacing=14)

    def _steps(self) -> list[QWidget]:
        steps = (
            (
                self.tr("1  Terrain grid"),
                self.tr(
                    "A GeoTIFF, VRT, ASCII grid or any other raster of ground heights, in a CRS in "
                    "metres or feet. Cells of 1 m or finer tell most."
                ),
                self.terrain_button,
            ),
            (
                self.tr("2  Road centreline"),
                self.tr(
                    "A GeoPackage, shapefile or GeoJSON. It may lie a few metres off: the pavement "
                    "edges are found in the terrain."
                ),
                self.road_button,
            ),
            (
                self.tr("3  Screen the road"),
                self.tr(
                    "Set the widths and press F5: slopes, edges, ruts and ditches are measured, "
                    "and each station is judged: sheds, won't shed, can't tell, or no data."
                ),
                None,
            ),
        )
        return [self._step(*step) for step in steps]

    def _other_ways(self) -> QHBoxLayout:
        drop = _label(self.tr("or drop files anywhere on this window"), muted=True)
        drop.setWordWrap(False)
        parts = (self.sample_button, self.study_button, None, drop)
        return abreast(None, *parts, margins=(0, 2, 0, 8))

    def _step(self, head: str, body: str, button: QPushButton | None) -> QWidget:
        card = QFrame()
        card.setObjectName("card")
        title, text = _label(head, grow=1.0, bold=True), _label(body, muted=True)
        across = abreast(card, (stacked(None, title, text, spacing=2), 1), margins=(14, 10, 14, 10))
        if button is not None:
            button.setMinimumWidth(130)
            across.addWidget(button, 0, Qt.AlignmentFlag.AlignVCenter)
        return card

    def set_cautions(self, sentences: Sequence[str]) -> None:
        """Show the cautions at the foot of the page."""
        self.cautions.setText("  ".join(sentences))
        self.cautions.setAccessibleName(self.tr("Cautions"))

    def set_recent(self, entries: Sequence[Recent]) -> None:
        """Show what was open lately."""
        while self._recent_rows.count():
            item = self._recent_rows.takeAt(0)
            if item is not None and (widget := item.widget()) is not None:
                widget.deleteLater()
        self._recent_title.setVisible(bool(entries))
        for entry in list(entries)[:5]:
            button = QPushButton(entry.title, flat=True)
            button.setStyleSheet("text-align: left; padding: 4px 6px;")
            button.setToolTip(entry.tip)
            button.clicked.connect(lambda _=False, e=entry: self.open_recent.emit(e))
            self._recent_rows.addWidget(button)

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._dressed_dark != theme.is_dark():
            self._on_theme()

    def _on_theme(self) -> None:
        # Most of the time the page is out of sight, and a style sheet goes through all it holds.
        if not self.isVisible() and self._dressed_dark is not None:
            return
        self._dressed_dark = theme.is_dark()
        muted, line, raised = (theme.color(name).name() for name in ("muted", "line", "raised"))
        self.setStyleSheet(
            f'QLabel[muted="true"] {{ color: {muted}; }}'
            f"QFrame#card {{ background: {raised}; border: 1px solid {line};"
            f" border-radius: 6px; }}"
        )
        self.sample_button.setIcon(icon("sample"))
        self.terrain_button.setIcon(icon("terrain"))
        self.road_button.setIcon(icon("road"))
        self.study_button.setIcon(icon("open"))


class StepBar(QFrame):
    """One line above the map that names the next step and has a button for it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("stepbar")
        self.setAccessibleName(self.tr("Next step"))
        self.words = QLabel(wordWrap=True)
        self.second, self.button = QPushButton(), QPushButton()
        abreast(self, (self.words, 1), self.second, self.button, margins=(10, 5, 10, 5))
        theme.watcher().changed.connect(self._on_theme)
        self._on_theme()
        self.hide()

    def _on_theme(self) -> None:
        raised, line, accent = (theme.color(n).name() for n in ("raised", "line", "accent"))
        self.setStyleSheet(
            f"QFrame#stepbar {{ background: {raised}; border: none;"
            f" border-left: 4px solid {accent}; border-bottom: 1px solid {line}; }}"
        )

    def say(
        self,
        words: str,
        button: tuple[str, object] | None = None,
        second: tuple[str, object] | None = None,
    ) -> None:
        """Show a sentence with up to two buttons, each a text and what it does; "" hides."""
        for widget, what in ((self.button, button), (self.second, second)):
            if widget.property("wired"):
                widget.clicked.disconnect()
            widget.setVisible(what is not None)
            widget.setProperty("wired", what is not None)
            if what is not None:
                widget.setText(what[0])
                widget.clicked.connect(what[1])
        self.words.setText(words)
        self.setVisible(bool(words))
