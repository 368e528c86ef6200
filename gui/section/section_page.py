"""One cross-section at a time: drawing, numbers with their errors, correction, comparison."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QAction, QFont, QGuiApplication, QImage, QResizeEvent, QShowEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QFrame,
    QHeaderView,
    QLabel,
    QMenu,
    QScrollArea,
    QSplitter,
    QTableWidgetItem,
    QToolBar,
    QToolButton,
    QWidget,
)

from analysis.common.columns import CHECKED_NUMBERS, column_of
from analysis.common.errors import VergelineError
from analysis.common.verdicts import Finding, Treatment
from analysis.common.writing import Writing
from gui.drawing.section_figure import EXAGGERATIONS
from gui.look import theme
from gui.look.asking import ask_file, ask_name, dated_name
from gui.look.making import SELECTABLE, later, named, stacked, yielding
from gui.look.remembered import remembered
from gui.look.units import DASH, number, value_text
from gui.look.words import (
    column_heading,
    column_meaning,
    finding_text,
    number_text,
    side_text,
    station_words,
    treatment_text,
    verdict_text,
)
from gui.section.section_canvas import SectionCanvas
from gui.section.section_parts import BreakFields, CopyTable, SideNumbers

if TYPE_CHECKING:
    from analysis.study.sections import SectionView as Section
    from gui.state.model import WindowModel

__all__ = ["SectionPage"]

# Narrower than this the numbers go below the drawing, if that leaves it enough height.
_NARROW, _HIGH = 900, 380
# Two drawings take so much, and so much the numbers of both sides beside what is required.
_TWO_DRAWINGS, _TWO_SIDES = 520, 400
# Where the drawing's share is kept, with the numbers beside it and below it.
_SHARES = ("section/beside", "section/below")


class SectionPage(QWidget):
    """The cross-section of the selected station.

    A break that a person drags or types goes to the model as a correction; the model measures
    again in its runner and the section follows. With a study to compare with, its section of the
    same place stands beside this one and its numbers in further columns.
    """

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("SectionPage")
        self.setAccessibleName(self.tr("Cross-section"))
        self.model = model
        self.section: Section | None = None
        self._second: Section | None = None
        self._asked: Any = None
        self._dirty = True
        # No room for two drawings beside each other; for what is required beside the numbers.
        self._one_drawing = self._tight = False

        self.canvas = SectionCanvas()
        self.other = named(
            SectionCanvas(editable=False), self.tr("Cross-section of the other grid")
        )
        self.other.hide()
        self._build()

        self.canvas.break_moved.connect(self._on_break_moved)
        self.canvas.break_released.connect(self._on_break_moved)
        self.canvas.side_picked.connect(self._on_side_picked)
        self.canvas.sight_changed.connect(lambda: self._share_sight(self.canvas, self.other))
        self.other.sight_changed.connect(lambda: self._share_sight(self.other, self.canvas))
        model.study_changed.connect(self._ask)
        model.selection_changed.connect(self._ask)
        model.second_changed.connect(self._ask)
        self._show_due = later(self, self._show)
        model.units_changed.connect(self._show_due.start)
        model.failed.connect(self._on_failed)
        model.runner.busy_changed.connect(self._on_busy)
        theme.watcher().changed.connect(self._show_due.start)
        self._ask()

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        self.title = yielding(
            QLabel(textInteractionFlags=Qt.TextInteractionFlag.TextSelectableByMouse)
        )
        font = QFont(self.title.font())
        font.setBold(True)
        self.title.setFont(font)
        self.title.setContentsMargins(10, 3, 8, 1)
        self._make_actions()
        bar = self._tool_bar()
        self.canvases = QSplitter(Qt.Orientation.Horizontal)
        self.canvases.addWidget(self.canvas)
        self.canvases.addWidget(self.other)
        self.splitter = QSplitter(Qt.Orientation.Horizontal)
        self.splitter.addWidget(self.canvases)
        self.splitter.addWidget(self._numbers())
        self.splitter.setStretchFactor(0, 1)
        self.splitter.setStretchFactor(1, 0)
        self.splitter.setCollapsible(0, False)
        self.splitter.setSizes([700, 440])
        self.splitter.splitterMoved.connect(lambda _at, _which: self._note_by_hand())
        # Once the table has been told how wide it is.
        self._fit_due = later(self, self._fit_table)
        # Also when the bar that scrolls the panel comes: it takes from the table's room.
        self.table.room_changed.connect(self._fit_due.start)
        stacked(self, bar, self.title, (self.splitter, 1))
        for canvas in (self.canvas, self.other):
            canvas.setContextMenuPolicy(Qt.ContextMenuPolicy.ActionsContextMenu)
            canvas.addActions([self.copy_figure, self.copy_text, self.save_action])

    def _action(self, text: str, slot: Callable[[], object], tip: str = "") -> QAction:
        action = QAction(text, self)
        action.setToolTip(tip or text)
        action.triggered.connect(lambda _checked=False: slot())
        return action

    def _make_actions(self) -> None:
        show = self.canvas.show_shoulder
        self.left_action = self._action(
            self.tr("Left shoulder"), lambda: show(0), self.tr("Zoom to the left shoulder.")
        )
        self.whole_action = self._action(
            self.tr("Whole"), self.canvas.show_all, self.tr("Show the whole section.")
        )
        self.right_action = self._action(
            self.tr("Right shoulder"), lambda: show(1), self.tr("Zoom to the right shoulder.")
        )
        self.compare_action = self._action(
            self.tr("Compare…"),
            self._on_compare,
            self.tr("Put the same place on a second grid beside it, such as one from before work."),
        )
        self.copy_figure = self._action(self.tr("Copy drawing"), self.copy_drawing)
        self.copy_text = self._action(self.tr("Copy numbers"), self.copy_numbers)
        self.save_action = self._action(self.tr("Save section…"), self.save_dialog)

    def _tool_bar(self) -> QToolBar:
        tip = self.tr("How many times heights are stretched.")
        self.stretch_box = named(QComboBox(), self.tr("Vertical exaggeration"), tip)
        self.stretch_box.addItem(self.tr("Heights: fit"), None)
        for factor in EXAGGERATIONS:
            self.stretch_box.addItem(
                self.tr("Heights × {factor}").format(factor=number(factor, 0)), factor
            )
        self.stretch_box.currentIndexChanged.connect(self._on_stretch)
        menu = QMenu(self)
        menu.addActions([self.copy_figure, self.copy_text, self.save_action])
        tip = self.tr("Copy the drawing or numbers, or save them to a file.")
        hand_out = named(QToolButton(), self.tr("Copy, save"), tip)
        hand_out.setText(self.tr("Copy, save"))
        hand_out.setMenu(menu)
        hand_out.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        # A tool bar lets what doesn't fit spill into a menu.
        bar = named(QToolBar(), self.tr("Section"))
        bar.addWidget(self.stretch_box)
        bar.addActions([self.left_action, self.whole_action, self.right_action])
        bar.addAction(self.compare_action)
        bar.addWidget(hand_out)
        return bar

    def _numbers(self) -> QScrollArea:
        self.table = yielding(named(CopyTable(), self.tr("Numbers of the section")))
        self.table.verticalHeader().hide()
        wrapped = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag(int(wrapped)))
        self.table.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.table.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.table.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.verdicts = [
            named(QLabel(wordWrap=True, textInteractionFlags=SELECTABLE), name)
            for name in (self.tr("Verdict, left"), self.tr("Verdict, right"))
        ]
        self.breaks = BreakFields()
        self.breaks.moved.connect(self._on_break_moved)
        self.breaks.released.connect(self._on_break_moved)

        side = QWidget()
        parts = (*self.verdicts, self.table, self.breaks, None)
        stacked(side, *parts, margins=(8, 2, 8, 6), spacing=6)
        scroll = QScrollArea(widgetResizable=True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setWidget(side)
        scroll.setMinimumSize(240, 60)
        return scroll

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._dirty:
            self._ask()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        # Where the pane is narrow but high the numbers go below the drawing.
        below = self.width() < _NARROW and self.height() >= _HIGH
        wanted = Qt.Orientation.Vertical if below else Qt.Orientation.Horizontal
        if self.splitter.orientation() != wanted:
            self.splitter.setOrientation(wanted)
        length = self.splitter.height() if below else self.splitter.width()
        share = self._share_by_hand(below)
        if share is None:
            share = 0.62 if below else 0.505 if self.width() < _NARROW else 0.0
        numbers = round((1.0 - share) * length) if share else min(440, length // 2)
        self.splitter.setSizes([length - numbers, numbers])
        self._use_room()

    def _use_room(self) -> None:
        """Lay out drawings and numbers for the room that each has."""
        below = self.splitter.orientation() == Qt.Orientation.Vertical
        drawing, numbers = (self.width(), self.width()) if below else self.splitter.sizes()
        before = self._one_drawing, self._tight
        self._one_drawing, self._tight = drawing < _TWO_DRAWINGS, numbers < _TWO_SIDES
        if before != (self._one_drawing, self._tight):
            self.other.setVisible(self._second is not None and not self._one_drawing)
            self._fill_table()
        self._fit_due.start()

    def _share_by_hand(self, below: bool) -> float | None:
        """Return the drawing's share of the pane as it was last set by hand, if ever."""
        kept = remembered().value(_SHARES[below])
        try:
            share = float(str(kept)) if kept is not None else math.nan
        except ValueError:
            share = math.nan
        return share if 0.05 < share < 0.99 else None

    def _note_by_hand(self) -> None:
        self._use_room()
        drawing, numbers = self.splitter.sizes()
        below = self.splitter.orientation() == Qt.Orientation.Vertical
        remembered().set_value(_SHARES[below], drawing / max(drawing + numbers, 1))

    def sizeHint(self) -> QSize:
        return QSize(980, 400)

    # -- data ------------------------------------------------------------------------------------

    def _ask(self) -> None:
        """Ask the runner for the section of the selected station."""
        if not self.isVisible():
            self._dirty = True
            return
        self._dirty = False
        model = self.model
        study = model.study
        if model.measured_here is None:
            self.section = self._second = None
            self._show()
            return
        second = model.second_study
        road, station = model.road_index, model.station_index
        order = (study, second, road, station)
        if self._asked is not None and all(
            a is b if i < 2 else a == b
            for i, (a, b) in enumerate(zip(order, self._asked, strict=True))
        ):
            self._show_side()
            return
        self._asked = order
        model.runner.submit(
            f"section {id(self)}",
            lambda _progress: _sections(study, second, road, station),
            self.take_sections,
            self._fail,
            priority=10,
        )

    def take_sections(self, sections: tuple[Section, Section | None]) -> None:
        """Show a section, and the one to compare it with where there is one."""
        self.section, self._second = sections
        self._show()

    def _fail(self, error: VergelineError) -> None:
        self.section = self._second = None
        self.canvas.empty_text = str(error)
        self._show()

    def _on_failed(self, _title: str, _sentence: str) -> None:
        self.canvas.drop_moved()
        self.breaks.show_view(self.section, self.model.units)

    # -- showing ---------------------------------------------------------------------------------

    def _show(self) -> None:
        system = self.model.units
        for canvas in (self.canvas, self.other):
            canvas.system = system
            canvas.side = self.model.side
        # what is compared with may be closed before the section without it has come
        both = self.section, self._second, self.model.study, self.model.second_study
        comparing = all(part is not None for part in both)
        self.canvas.caption = self.other.caption = ""
        self.canvas.overlay = None
        if comparing:
            self._caption_both()
        if self.section is None and self.model.study is None:
            self.canvas.empty_text = self._why_empty()
        self.canvas.set_view(self.section)
        self.other.set_view(self._second if comparing else None)
        # Where there is no room for it the dashed line over this section has to do.
        self.other.setVisible(comparing and not self._one_drawing)
        self.compare_action.setText(
            self.tr("Stop comparing") if self.model.second_study else self.tr("Compare…")
        )
        self.title.setText(self._title_text())
        self._fill_table()
        self.breaks.show_view(self.section, system)
        for action in (
            self.copy_figure,
            self.save_action,
            self.left_action,
            self.whole_action,
            self.right_action,
        ):
            action.setEnabled(self.section is not None)
        self._show_side()

    def _caption_both(self) -> None:
        """Name both surveys, and lay the other over this one."""
        from analysis.study.overlay import laid_over

        study, second = self.model.study, self.model.second_study
        assert study is not None and second is not None
        assert self.section is not None and self._second is not None
        names = [part.roads[0].case.grid.name for part in (study, second)]
        self.canvas.overlay, raised = laid_over(self.section, self._second)
        words = self.tr("{name} (dashed: {other})")
        self.canvas.caption = words.format(name=names[0], other=names[1])
        self.other.caption = names[1]
        if math.isfinite(raised):
            up = value_text(1000.0 * abs(raised), "mm", self.model.units)
            level = (
                self.tr("{name}, dashed {height} higher"),
                self.tr("{name}, dashed {height} lower"),
            )
            self.other.caption = level[0 if raised >= 0.0 else 1].format(name=names[1], height=up)

    def _why_empty(self) -> str:
        model = self.model
        if model.findings is None:
            return self.tr("No section: screen a road first.")
        if model.terrain is None:
            return self.tr("Open the terrain grid to see sections; the numbers are from the file.")
        if model.runner.busy:
            return self.tr("The road is measured again; then its sections are here.")
        return self.tr("Screen the road again to see sections; the numbers are from the file.")

    def _on_busy(self, _busy: bool) -> None:
        if self.section is None and self.model.findings is not None and self.isVisible():
            self._show()

    def _show_side(self) -> None:
        """Mark the selected side in the numbers."""
        self.canvas.side = self.model.side
        for side in (0, 1):
            item = self.table.horizontalHeaderItem(1 + side)
            if item is not None:
                font = item.font()
                font.setBold(side == self.model.side)
                font.setUnderline(side == self.model.side)
                item.setFont(font)
        self.canvas.update()

    def _title_text(self) -> str:
        if self.section is None:
            return ""
        return self.tr("{road}, station {station}").format(
            road=self.section.road,
            station=station_words(self.section.station_m, self.model.station_style),
        )

    def _rows(self) -> tuple[list[Any], list[Any]]:
        """Number sources of the columns: sections, or the file's rows where no grid is open."""
        if self.section is not None:
            second = self._second.sides if self._second else ()
            own = [SideNumbers.of_side(part) for part in self.section.sides]
            return own, [SideNumbers.of_side(part) for part in second]
        findings, road = self.model.findings, self.model.road
        if findings is None or road is None:
            return [], []
        rows = road.rows[self.model.station_index]
        return [SideNumbers.of_row(findings.stations.row(int(row))) for row in rows], []

    def _fill_table(self) -> None:
        own, other = self._rows()
        table, system = self.table, self.model.units
        heads = [self.tr("Number"), self.tr("Left"), self.tr("Right"), self.tr("Required")]
        if self._tight:
            # Below each other: beside each other they would have to be scrolled.
            heads = [self.tr("Number (required)"), *heads[1:3]]
            if other:
                below = self.tr("other grid")
                heads[1:] = [f"{head}\n{below}" for head in heads[1:]]
        elif other:
            heads[3:3] = [self.tr("Left, other grid"), self.tr("Right, other grid")]
        table.clear()
        table.setColumnCount(len(heads))
        table.setHorizontalHeaderLabels(heads)
        table.setRowCount(len(CHECKED_NUMBERS) if own else 0)
        muted = theme.color("muted")
        for row, name in enumerate(CHECKED_NUMBERS if own else ()):
            required, title = _held(self._wanted(name, own)), column_heading(name, system)
            if required and self._tight:
                title = f"{title}\n({required})"
            head = QTableWidgetItem(title)
            head.setToolTip(column_meaning(name))
            table.setItem(row, 0, head)
            cells = [_number_cell(numbers, name, system) for numbers in (*own, *other)]
            values = [numbers.value(name)[0] for numbers in (*own, *other)]
            if other and self._tight:
                cells = [
                    f"{mine}\n{there}" for mine, there in zip(cells[:2], cells[2:], strict=True)
                ]
            for place, text in enumerate(cells, start=1):
                item = QTableWidgetItem(text)
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                item.setToolTip(column_meaning(name))
                if not math.isfinite(values[place - 1]):
                    item.setForeground(muted)
                table.setItem(row, place, item)
            if not self._tight:
                wanted = QTableWidgetItem(required)
                wanted.setForeground(muted)
                table.setItem(row, len(heads) - 1, wanted)
        header = table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        header.setStretchLastSection(True)
        self._fit_table()
        for side in (0, 1):
            self.verdicts[side].setText(self._verdict_html(side, own[side]) if own else "")
            self.verdicts[side].setVisible(bool(own))

    def _fit_table(self) -> None:
        table = self.table
        table.fit(table.viewport().width())
        # All rows are in sight and the panel scrolls: two scroll bars in each other confuse.
        rows = sum(table.rowHeight(row) for row in range(table.rowCount()))
        across = table.horizontalHeader().length() > table.viewport().width()
        bar = table.horizontalScrollBar().sizeHint().height() if across else 0
        table.setFixedHeight(rows + table.horizontalHeader().height() + bar + 4)

    def _wanted(self, name: str, own: list[Any]) -> str:
        """Return what the limits ask of a number, in the row's unit."""
        system = self.model.units

        def plain(value: float, unit: str) -> str:
            return value_text(value, unit, system, with_unit=False)

        if name == "shoulder_slope_pct":
            required = [numbers.value("required_slope_pct")[0] for numbers in own]
            if not any(map(math.isfinite, required)):
                return ""
            texts = [plain(value, "%") if math.isfinite(value) else DASH for value in required]
            if texts[0] == texts[1]:
                return self.tr("≥ {value}").format(value=texts[0])
            return self.tr("≥ {left} | {right}").format(left=texts[0], right=texts[1])
        limit = column_of(name).limit
        if not limit:
            return ""
        limits = self.model.limits
        entry = limits[limit]
        if name == "p_wont_shed":
            sure = 100.0 * entry.value
            return self.tr("≤ {low} or ≥ {high}").format(
                low=number(100.0 - sure, 0), high=number(sure, 0)
            )
        text = plain(entry.value, entry.unit)
        if name == "edge_drop_mm":
            high = plain(-limits.shape.high_shoulder_mm.value, "mm")
            return self.tr("{high} … {drop}").format(drop=text, high=high)
        if limit.startswith("ditch_least"):
            return self.tr("≥ {value}").format(value=text)
        return self.tr("< {value}").format(value=text)

    def _verdict_html(self, side: int, numbers: Any) -> str:
        from html import escape

        look = theme.verdict_look(numbers.verdict)
        head = f"{side_text(side).capitalize()}: {verdict_text(numbers.verdict)}"
        named = ("", Finding.NONE, Finding.CANT_TELL, numbers.verdict)
        if numbers.finding not in named:
            head += f", {finding_text(numbers.finding)}"
        if numbers.treatment not in ("", Treatment.NONE, Treatment.CANT_TELL):
            head += f" → {treatment_text(numbers.treatment)}"
        return (
            f'<b><span style="color:{look.color.name()}">{look.mark}</span> '
            f"{escape(head, quote=False)}</b><br>"
            f"{escape(numbers.sentence(self.model.units), quote=False)}"
        )

    # -- edits -----------------------------------------------------------------------------------

    def _on_break_moved(self, side: int, kind: str, u_m: float | None = None) -> None:
        """Measure with a break put elsewhere, or given back to the search."""
        if self.section is None:
            return
        self.canvas.busy_text = self.tr("measuring again …")
        self.model.correct(self.section.road_index, self.section.station_index, side, kind, u_m)
        self._show_side()

    def _on_side_picked(self, side: int) -> None:
        self.model.select_station(self.model.road_index, self.model.station_index, side)

    def _on_stretch(self, _index: int) -> None:
        value = self.stretch_box.currentData()
        self.canvas.set_exaggeration(value)
        self.other.set_exaggeration(value)

    def _share_sight(self, source: SectionCanvas, target: SectionCanvas) -> None:
        # The same patch of the world at the same stretch, or a comparison misleads.
        stretch, zoom, centre = source.sight()
        if self._second is not None:
            target.set_sight(stretch if stretch is not None else source.exaggeration, zoom, centre)

    def _on_compare(self) -> None:
        if self.model.second_study is not None:
            self.model.close_second()
            return
        title, filters = self.tr("Grid to compare with"), self.tr("Terrain grids (*)")
        ask_file(self, title, filters, self.model.open_second)

    # -- handing out -----------------------------------------------------------------------------

    def copy_numbers(self) -> None:
        """Put title, verdicts and all numbers on the clipboard as tab-separated text."""
        own, _other = self._rows()
        lines = [self._title_text()]
        lines += [
            f"{side_text(side)}: {numbers.sentence(self.model.units)}"
            for side, numbers in enumerate(own)
        ]
        lines.append(self.table.text_of(whole=True))
        QGuiApplication.clipboard().setText("\n".join(lines))
        self.model.message.emit(self.tr("Numbers copied"))

    def copy_drawing(self) -> None:
        """Put the drawing on the clipboard, once it is drawn."""
        view, writing = self.section, self.model.writing
        if view is not None:
            self.model.runner.submit(
                "copy section", lambda _progress: _drawn(view, writing), self._take_drawing
            )

    def _take_drawing(self, image: QImage) -> None:
        QGuiApplication.clipboard().setImage(image)
        self.model.message.emit(self.tr("Drawing copied"))

    def save_dialog(self) -> None:
        """Ask for a file and save the section there."""
        if self.section is None:
            return
        station = station_words(self.section.station_m, self.model.station_style)
        name = dated_name(self.section.road, station, ending=".png")
        filters = self.tr("Image (*.png);;Drawing (*.svg);;Sheet (*.pdf);;Points (*.csv)")
        ask_name(self, self.tr("Save section"), name, filters, self.save)

    def save(self, path: str) -> None:
        """Save the section as the file's ending says: PNG, SVG, PDF or CSV."""
        view, model = self.section, self.model
        if view is None:
            return
        writing = model.writing
        model.runner.submit(
            f"save section {path}",
            model.inputs.writing_to(path, lambda _progress: _save_section(view, path, writing)),
            lambda _none: model.message.emit(self.tr("Saved {name}").format(name=Path(path).name)),
            title=self.tr("Saving the section"),
            writes=True,
        )


def _sections(
    study: Any, second: Any, road_index: int, station_index: int
) -> tuple[Section, Section | None]:
    """Sections of the study and, at the same place, of the one to compare with."""
    from analysis.common.errors import RoadError
    from analysis.study.sections import nearest_station, section_view

    own = section_view(study, road_index, station_index)
    if second is None:
        return own, None
    try:
        other_road, other_station = nearest_station(second, own.road, own.s)
    except RoadError:
        return own, None
    return own, section_view(second, other_road, other_station)


def _number_cell(numbers: SideNumbers, name: str, system: str) -> str:
    """Return a number with its error, which goes to a line of its own where there is no room."""
    return _held(number_text(name, *numbers.value(name), system, with_unit=False))


def _held(text: str) -> str:
    """Hold a sign and its number together where a cell wraps."""
    for sign in "±≥≤<":
        text = text.replace(f"{sign} ", f"{sign}\u00a0")
    return text


def _drawn(view: Section, writing: Writing) -> QImage:
    from gui.drawing.printing import section_image

    return section_image(view, writing)


def _save_section(view: Section, path: str, writing: Writing) -> None:
    from gui.drawing.printing import save_section

    save_section(view, path, writing)
