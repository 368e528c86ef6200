"""What each number means, with a drawing: choose a word and the drawing shows where it is."""

from __future__ import annotations

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

from analysis.common.columns import RANKING
from gui.look import theme
from gui.look.making import named, stacked
from gui.look.words import QT_TRANSLATE_NOOP, cautions

__all__ = ["TERMS", "HelpPage", "SectionDiagram", "Term"]


translate = QCoreApplication.translate


@dataclass(frozen=True, slots=True)
class Term:
    """A word, what it means, and the part of the drawing it belongs to ("" for none)."""

    title: str
    text: str
    part: str = ""


TERMS: tuple[Term, ...] = (
    Term(
        QT_TRANSLATE_NOOP("help", "Station, left and right"),
        QT_TRANSLATE_NOOP(
            "help",
            "A station is the distance along the centreline from its start, written 2+340 "
            "(kilometres and metres) or 23+40 (hundreds of feet). Left and right are as seen when "
            "looking up-station, towards rising numbers.",
        ),
        "sides",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Offset u"),
        QT_TRANSLATE_NOOP(
            "help",
            "Distance outward from the centreline, square to it. The drawn line may lie beside "
            "the real middle of the road: the program finds the edges, so that doesn't matter.",
        ),
        "u",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Crown"),
        QT_TRANSLATE_NOOP(
            "help",
            "The highest line of the pavement. From it the pavement falls to both sides; on a "
            "superelevated curve it falls one way only, and its slope on the high side is "
            "negative.",
        ),
        "crown",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Pavement edge e"),
        QT_TRANSLATE_NOOP(
            "help",
            "Where pavement ends and shoulder begins. “Found” means that the terrain shows it; "
            "“nominal” that it doesn't and the width you gave is used; “by hand” that a reviewer "
            "put it there. Drag it in the section if it is wrong.",
        ),
        "edge",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Hinge h"),
        QT_TRANSLATE_NOOP(
            "help", "The outer break of the shoulder, where the foreslope to the ditch begins."
        ),
        "hinge",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Cross slope"),
        QT_TRANSLATE_NOOP(
            "help",
            "Fall across the road in percent; positive falls outward, away from the crown. It is "
            "fitted through all grid cells of the strip, not between two points. A shoulder should "
            "fall more steeply than the pavement beside it: pavement 2 % gives shoulder 4 % "
            "(common practice).",
        ),
        "slope",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Breakover"),
        QT_TRANSLATE_NOOP(
            "help",
            "Shoulder cross slope minus pavement cross slope, in percentage points. Too much makes "
            "a vehicle lurch; on the high side of a curve it limits how far the shoulder may fall "
            "outward.",
        ),
        "breakover",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Edge drop"),
        QT_TRANSLATE_NOOP(
            "help",
            "Height of the pavement plane above the shoulder plane, both carried to the edge. "
            "Positive: the shoulder lies lower, a drop-off for a wheel. Negative: the shoulder "
            "stands high and holds water on the pavement.",
        ),
        "drop",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Rut and ridge"),
        QT_TRANSLATE_NOOP(
            "help",
            "The largest gap under, and the largest rise above, a straightedge laid across the "
            "shoulder. A grid of coarse cells can't show a narrow rut: then the program says so "
            "instead of giving 0.",
        ),
        "rut",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Retained depth"),
        QT_TRANSLATE_NOOP(
            "help",
            "Depth of water that the cross-section holds before it spills outward or inward. Pond "
            "depth is the same when water may also escape along the road.",
        ),
        "water",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Ditch"),
        QT_TRANSLATE_NOOP(
            "help",
            "The invert is its lowest line. Depth is measured below the pavement edge; grade is "
            "its slope along the road. A ditch that is flat or rises towards its outlet holds "
            "water.",
        ),
        "ditch",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Target line, cut and fill"),
        QT_TRANSLATE_NOOP(
            "help",
            "The shape to build: from the pavement edge, flush after compaction, at the required "
            "slope to the hinge, then down to the foreslope. Cut is ground above it, fill is "
            "ground missing below it; they are reckoned apart, never netted first.",
        ),
        "target",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "± standard error"),
        QT_TRANSLATE_NOOP(
            "help",
            "How far a number would scatter if the survey were flown again. About two times in "
            "three the true value lies within ± 1 standard error, nineteen times in twenty within "
            "± 2.",
        ),
        "band",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Averaging length"),
        QT_TRANSLATE_NOOP(
            "help",
            "Length of road behind one measurement. Longer makes the errors smaller, but blurs "
            "faults that are shorter. The inputs show which length this grid needs.",
        ),
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Verdict"),
        QT_TRANSLATE_NOOP(
            "help",
            "“Sheds” and “won't shed” are said only when the probability settles it; otherwise it "
            "is “can't tell”, and “no data” where the grid has holes. Unknown never counts as "
            "good. The probability weighs what was measured here against the rest of the road: a "
            "doubtful step counts for less where all other edges are flush.",
        ),
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Reach"),
        QT_TRANSLATE_NOOP(
            "help",
            "A run of stations on one side with one finding, long enough to be worth a job.",
        ),
    ),
    Term(QT_TRANSLATE_NOOP("help", "Rank"), RANKING),
    Term(
        QT_TRANSLATE_NOOP("help", "Treatment"),
        QT_TRANSLATE_NOOP(
            "help",
            "Reshape: the shoulder's own material is enough. Replenish: new material must come in. "
            "Either may go with cleaning the ditch. The balance has an error too, so here as well "
            "the answer can be “can't tell”.",
        ),
        "target",
    ),
    Term(
        QT_TRANSLATE_NOOP("help", "Bank, loose, compacted"),
        QT_TRANSLATE_NOOP(
            "help",
            "The same material takes up different room: as it lies (bank), on the truck (loose), "
            "and rolled (compacted). Every volume here says which it is.",
        ),
    ),
)

# Parts of the drawing by their names in it, and its words.
_PARTS = "sides crown edge hinge u slope drop breakover water rut ditch target band"
_WORDS = {
    "left": QT_TRANSLATE_NOOP("help", "left"),
    "right": QT_TRANSLATE_NOOP("help", "right"),
    "crown": QT_TRANSLATE_NOOP("help", "crown"),
    "edge": QT_TRANSLATE_NOOP("help", "edge e"),
    "hinge": QT_TRANSLATE_NOOP("help", "hinge h"),
    "pavement": QT_TRANSLATE_NOOP("help", "pavement slope"),
    "shoulder": QT_TRANSLATE_NOOP("help", "shoulder slope"),
    "drop": QT_TRANSLATE_NOOP("help", "edge drop"),
    "breakover": QT_TRANSLATE_NOOP("help", "breakover"),
    "water": QT_TRANSLATE_NOOP("help", "retained depth"),
    "rut": QT_TRANSLATE_NOOP("help", "rut, ridge: under a straightedge"),
    "invert": QT_TRANSLATE_NOOP("help", "ditch invert"),
    "foreslope": QT_TRANSLATE_NOOP("help", "foreslope"),
    "cut": QT_TRANSLATE_NOOP("help", "cut"),
    "fill": QT_TRANSLATE_NOOP("help", "target line, fill"),
}


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
        for name, word in _WORDS.items():
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
