"""What each number means, with a drawing: choose a word and the drawing shows where it is."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from string import Template

from PySide6.QtCore import QByteArray, QCoreApplication, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QMouseEvent, QTransform
from PySide6.QtSvgWidgets import QSvgWidget
from PySide6.QtWidgets import (
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QSizePolicy,
    QSplitter,
    QTextBrowser,
    QWidget,
)

from analysis.common.columns import column_of
from gui.look import theme
from gui.look.making import named, stacked
from gui.look.words import cautions

__all__ = ["TERMS", "WORDS", "HelpPage", "SectionDiagram", "Term"]


translate = QCoreApplication.translate


@dataclass(frozen=True, slots=True)
class Term:
    """A word, what it means, and the part of the drawing it belongs to ("" for none)."""

    title: str
    text: str
    part: str = ""


_TEXTS = tomllib.loads(files("resources").joinpath("section_words.toml").read_text("utf-8"))
# A word that is a column too is explained by the registry, so that nobody tells it otherwise.
TERMS = tuple(
    Term(entry["title"], column_of(entry["column"]).meaning) if "column" in entry else Term(**entry)
    for entry in _TEXTS["terms"]
)
WORDS: dict[str, str] = _TEXTS["words"]
# Parts of the drawing by their names in it.
_PARTS = "sides crown edge hinge u slope drop breakover water rut ditch target band"


class SectionDiagram(QSvgWidget):
    """The cross-section with its words; the chosen part is in full colour."""

    part_picked = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.part = ""
        self._drawing = Template(
            files("resources").joinpath("section_words.svg").read_text(encoding="utf-8")
        )
        self.setMinimumSize(280, 160)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(self.tr("Drawing of a cross-section"))
        self.setAccessibleDescription(
            self.tr(
                "From the crown in the middle the pavement falls to the edge, the shoulder from "
                "the edge to the hinge, the foreslope from the hinge to the ditch invert, and the "
                "backslope rises from there."
            )
        )
        theme.watcher().changed.connect(self._draw)
        self._draw()

    def sizeHint(self) -> QSize:
        return QSize(760, 360)

    def show_part(self, part: str) -> None:
        """Bring out one part of the drawing."""
        self.part = part
        self._draw()

    def _draw(self) -> None:
        names = "paper ground pavement shoulder fill cut cells".split()
        values = {name: theme.color(name).name() for name in names}
        values["target_line"] = theme.color("target").name()
        values["water_blue"] = theme.color("water").name()
        for part in _PARTS.split():
            chosen = part == self.part
            colour = theme.color("accent" if chosen else "ink").name()
            opacity, weight = 1.0 if chosen or not self.part else 0.4, 700 if chosen else 400
            values[part] = f'color="{colour}" opacity="{opacity}" font-weight="{weight}"'
        for name, word in WORDS.items():
            values[f"word_{name}"] = escape(translate("help", word))
        self.load(QByteArray(self._drawing.substitute(values).encode()))
        self.renderer().setAspectRatioMode(Qt.AspectRatioMode.KeepAspectRatio)

    def spots(self) -> dict[str, QRectF]:
        """Return where each part of the drawing is, in the widget."""
        drawing, view = self.renderer(), self.renderer().viewBoxF()
        scale = min(self.width() / view.width(), self.height() / view.height())
        left = (self.width() - scale * view.width()) / 2.0
        top = (self.height() - scale * view.height()) / 2.0
        place = QTransform(scale, 0.0, 0.0, scale, left, top)
        return {part: place.mapRect(drawing.boundsOnElement(part)) for part in _PARTS.split()}

    def mousePressEvent(self, event: QMouseEvent) -> None:
        # The smallest, since parts lie within each other.
        here = {p: box for p, box in self.spots().items() if box.contains(event.position())}
        if here:
            self.part_picked.emit(min(here, key=lambda p: here[p].width() * here[p].height()))
            return
        super().mousePressEvent(event)


class HelpPage(QWidget):
    """Words on the left, the drawing and the meaning on the right."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("HelpPage")
        self.setAccessibleName(self.tr("What the numbers mean"))
        find = self.tr("Find a word")
        self.search = named(QLineEdit(placeholderText=find, clearButtonEnabled=True), find)
        self.search.textChanged.connect(self._on_search)
        self.words = named(QListWidget(), self.tr("Words"))
        for term in TERMS:
            item = QListWidgetItem(translate("help", term.title))
            item.setData(Qt.ItemDataRole.UserRole, term)
            self.words.addItem(item)
        self.words.currentItemChanged.connect(self._on_term)
        self.diagram = SectionDiagram()
        self.diagram.part_picked.connect(self._on_part)
        self.text = named(QTextBrowser(), self.tr("Meaning"))
        self.text.setFrameShape(QTextBrowser.Shape.NoFrame)
        left = QWidget()
        stacked(left, self.search, (self.words, 1), margins=(6, 6, 0, 6), spacing=4)
        right = QSplitter(Qt.Orientation.Vertical)
        right.addWidget(self.diagram)
        right.addWidget(self.text)
        right.setStretchFactor(0, 3)
        right.setStretchFactor(1, 2)
        both = QSplitter(Qt.Orientation.Horizontal)
        both.addWidget(left)
        both.addWidget(right)
        both.setStretchFactor(0, 0)
        both.setStretchFactor(1, 1)
        both.setSizes([200, 700])
        stacked(self, both)
        theme.watcher().changed.connect(self._write)
        self._write()

    def sizeHint(self) -> QSize:
        return QSize(940, 560)

    def _on_search(self, text: str) -> None:
        wanted = text.casefold().split()
        first = None
        for row in range(self.words.count()):
            item = self.words.item(row)
            term = item.data(Qt.ItemDataRole.UserRole)
            hay = f"{translate('help', term.title)} {translate('help', term.text)}".casefold()
            fits = all(word in hay for word in wanted)
            item.setHidden(not fits)
            if fits and first is None:
                first = item
        if wanted and first is not None:
            self.words.setCurrentItem(first)

    def _on_term(self, item: QListWidgetItem | None, _old: QListWidgetItem | None) -> None:
        term = item.data(Qt.ItemDataRole.UserRole) if item is not None else None
        self.diagram.show_part(term.part if term is not None else "")
        self._write()

    def _on_part(self, part: str) -> None:
        for row in range(self.words.count()):
            if self.words.item(row).data(Qt.ItemDataRole.UserRole).part == part:
                self.words.setCurrentRow(row)
                return

    def _write(self) -> None:
        item = self.words.currentItem()
        parts = []
        if item is None:
            hint = self.tr("Choose a word on the left or in the drawing.")
            parts.append(f"<p>{escape(hint)}</p>")
        else:
            term = item.data(Qt.ItemDataRole.UserRole)
            title, text = translate("help", term.title), translate("help", term.text)
            parts.append(f"<h3>{escape(title)}</h3><p>{escape(text)}</p>")
        colour, heading = theme.color("warn").name(), self.tr("Before any work")
        parts.append(
            f'<p style="color:{colour}"><b>⚠ {escape(heading)}</b></p><ul>'
            + "".join(f"<li>{escape(sentence)}</li>" for sentence in cautions())
            + "</ul>"
        )
        self.text.setHtml("".join(parts))
