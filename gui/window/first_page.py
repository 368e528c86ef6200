"""What a newcomer sees first, and the bar that always names the next step."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal, SignalInstance
from PySide6.QtGui import QFont, QShowEvent
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from gui.look import theme
from gui.look.icons import app_icon, icon
from gui.window.recent import Recent

__all__ = ["FirstPage", "StepBar"]


def _label(text: str, *, grow: float = 0.0, bold: bool = False, muted: bool = False) -> QLabel:
    made = QLabel(text)
    made.setWordWrap(True)
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


def _in_the_middle(column: QVBoxLayout) -> QScrollArea:
    inner = QWidget()
    inner.setLayout(column)
    inner.setMaximumWidth(760)
    inner.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
    holder = QWidget()
    across = QHBoxLayout(holder)
    across.setContentsMargins(24, 28, 24, 20)
    across.addStretch(1)
    across.addWidget(inner, 20)
    across.addStretch(1)
    area = QScrollArea()
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setWidgetResizable(True)
    area.setWidget(holder)
    return area


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
        self.road_button.setEnabled(False)
        self.road_button.setToolTip(self.tr("The terrain comes first: it settles the CRS"))
        self.study_button = _button(self.tr("Open study…"), self.open_study)
        self._recent_title = _label(self.tr("Recent"), bold=True)
        self._recent_rows = QVBoxLayout()
        self._recent_rows.setSpacing(0)
        self.cautions = _label("", muted=True)
        column = QVBoxLayout()
        column.setSpacing(10)
        column.addLayout(self._head())
        column.addSpacing(8)
        self._add_steps(column)
        column.addSpacing(8)
        column.addWidget(self._recent_title)
        column.addLayout(self._recent_rows)
        column.addStretch(1)
        column.addWidget(self.cautions)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(_in_the_middle(column))
        self._dressed_dark: bool | None = None
        theme.watcher().changed.connect(self._on_theme)
        self._on_theme()

    def _head(self) -> QHBoxLayout:
        head = QHBoxLayout()
        head.setSpacing(14)
        mark = QLabel()
        mark.setPixmap(app_icon().pixmap(QSize(56, 56)))
        mark.setAccessibleName(self.tr("Program mark"))
        head.addWidget(mark)
        title = QVBoxLayout()
        title.setSpacing(0)
        title.addWidget(_label("Vergeline", grow=9.0, bold=True))
        title.addWidget(
            _label(
                self.tr(
                    "Finds where earth and gravel road shoulders no longer shed water, from a "
                    "terrain grid and a road centreline."
                ),
                grow=1.0,
                muted=True,
            )
        )
        head.addLayout(title, 1)
        return head

    def _add_steps(self, column: QVBoxLayout) -> None:
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
                self.tr("3  Screen"),
                self.tr(
                    "Set the widths and press F5. Each station then says: sheds, won't shed, "
                    "can't tell, or no data."
                ),
                None,
            ),
        )
        for head_text, body, button in steps:
            column.addWidget(self._step(head_text, body, button))
        row = QHBoxLayout()
        row.addWidget(self.sample_button)
        row.addWidget(self.study_button)
        row.addStretch(1)
        drop = _label(self.tr("or drop files anywhere on this window"), muted=True)
        drop.setWordWrap(False)
        row.addWidget(drop)
        column.addSpacing(2)
        column.addLayout(row)

    def _step(self, head: str, body: str, button: QPushButton | None) -> QWidget:
        card = QFrame()
        card.setObjectName("card")
        row = QHBoxLayout(card)
        row.setContentsMargins(14, 10, 14, 10)
        words = QVBoxLayout()
        words.setSpacing(2)
        words.addWidget(_label(head, grow=1.0, bold=True))
        words.addWidget(_label(body, muted=True))
        row.addLayout(words, 1)
        if button is not None:
            button.setMinimumWidth(130)
            row.addWidget(button, 0, Qt.AlignmentFlag.AlignVCenter)
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
            button = QPushButton(entry.title)
            button.setFlat(True)
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
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 5, 10, 5)
        self.words = QLabel()
        self.words.setWordWrap(True)
        self.second = QPushButton()
        self.button = QPushButton()
        row.addWidget(self.words, 1)
        row.addWidget(self.second)
        row.addWidget(self.button)
        self._slots: list[object] = []
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
