"""What the tables of reaches and stations share: filter, rows, sentence, review, handing out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QItemSelectionModel, QPoint, QSize, Qt
from PySide6.QtGui import QAction, QGuiApplication, QKeySequence, QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMenu,
    QToolButton,
    QVBoxLayout,
    QWidget,
    QWidgetAction,
)

from analysis.common.columns import column_of
from analysis.common.verdicts import Finding, Verdict
from analysis.findings.reviews import Decision, Place
from gui.look import theme
from gui.look.asking import ask_name, dated_name
from gui.look.icons import finding_icon
from gui.look.making import SELECTABLE, abreast, later, named, stacked, tool_button, yielding
from gui.look.words import (
    QT_TRANSLATE_NOOP,
    REVIEW_STATES,
    column_meaning,
    column_title,
    finding_text,
    review_text,
    verdict_text,
)
from gui.tables.column_habits import ColumnHabits
from gui.tables.rows_view import RowsView, write_rows
from gui.tables.table_model import (
    PREPARE_ABOVE,
    Condition,
    Filter,
    FindingsModel,
    TextColumn,
    prepare,
)

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.geopackage import Findings
    from gui.state.model import WindowModel

__all__ = ["KEYS", "TablePage"]

# Keys of the tables, for the shortcut sheet: (keys, what they do).
KEYS: tuple[tuple[str, str], ...] = (
    ("A", QT_TRANSLATE_NOOP("Keys", "review: agreed")),
    ("R", QT_TRANSLATE_NOOP("Keys", "review: rejected, with a reason")),
    ("T", QT_TRANSLATE_NOOP("Keys", "review: to check")),
    ("Del", QT_TRANSLATE_NOOP("Keys", "take the review back")),
    ("Ctrl+F", QT_TRANSLATE_NOOP("Keys", "go to the filter")),
    ("Ctrl+C", QT_TRANSLATE_NOOP("Keys", "copy the chosen rows")),
)

_VERDICTS = (Verdict.WONT_SHED, Verdict.CANT_TELL, Verdict.NO_DATA, Verdict.SHEDS)
_TYPING_MS = 180
# By then a table that came to the front has the height that it keeps.
_SEEN_MS = 60
_LONGEST_COPY = 20_000

_WIDTHS = {
    "sentence": 620,
    "reason": 520,
    "review": 150,
    "finding": 110,
    "treatment": 170,
    "verdict": 110,
    "road": 140,
}


class TablePage(QWidget):
    """What both tables share: filter bar, rows, sentence and review of the current row."""

    kind = "reach"
    columns: tuple[str, ...] = ()
    more: tuple[str, ...] = ()

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName(type(self).__name__)
        self.setAccessibleName(self._name())
        self.model = model
        self.rows = FindingsModel(self.kind, self.columns, self)
        self._following = False
        self._findings: Findings | None = None
        self._shown_columns = set(self.columns)
        self._typing = later(self, self._apply_filter, _TYPING_MS)
        self._seen = later(self, self._to_current, _SEEN_MS)
        self._build()
        self.rows.set_units(model.units, model.station_style)
        model.study_changed.connect(self._on_study)
        model.selection_changed.connect(self._on_selection)
        model.units_changed.connect(later(self, self._on_units).start)
        model.reviews_changed.connect(self._on_reviews)
        theme.watcher().changed.connect(self._on_theme)
        self._on_study()

    def _name(self) -> str:
        return self.tr("Reaches") if self.kind == "reach" else self.tr("Stations")

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        bar = self._filter_bar()
        self._build_view()
        stacked(self, bar, (self.view, 1), self._foot())
        find = QAction(self)
        find.setShortcut(QKeySequence.StandardKey.Find)
        find.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        find.triggered.connect(self._to_search)
        self.addAction(find)
        self.on_chosen()

    def _box(self, name: str, options: Iterable[tuple[str, object]]) -> QComboBox:
        policy = QComboBox.SizeAdjustPolicy.AdjustToContents
        made = named(QComboBox(sizeAdjustPolicy=policy), name)
        for text, value in options:
            made.addItem(text, value)
        made.currentIndexChanged.connect(self._on_box)
        return made

    def _filter_bar(self) -> QHBoxLayout:
        hint = self.tr("Filter: words, or a station such as 2+340")
        search = QLineEdit(placeholderText=hint, clearButtonEnabled=True)
        self.search = named(search, self.tr("Filter"))
        self.search.setMinimumWidth(150)
        self.search.textChanged.connect(lambda _text: self._typing.start())
        self.search.returnPressed.connect(self._apply_filter)
        every: frozenset[str] = frozenset()
        verdicts = [(verdict_text(name), frozenset((name,))) for name in _VERDICTS]
        faulty = frozenset(_VERDICTS) - {Verdict.SHEDS}
        self.verdict_box = self._box(
            self.tr("Show verdicts"),
            [(self.tr("All verdicts"), every), (self.tr("All but “sheds”"), faulty), *verdicts],
        )
        self.finding_box = self._box(self.tr("Show findings"), [(self.tr("All findings"), every)])
        self.side_box = self._box(
            self.tr("Show sides"),
            [
                (self.tr("Both sides"), every),
                (self.tr("Left"), frozenset(("left",))),
                (self.tr("Right"), frozenset(("right",))),
            ],
        )
        reviews = [(review_text(state), frozenset((state,))) for state in REVIEW_STATES]
        self.review_box = self._box(
            self.tr("Show reviews"),
            [
                (self.tr("All reviews"), every),
                (self.tr("not reviewed"), frozenset(("",))),
                *reviews,
            ],
        )
        numbers = [name for name in (*self.columns, *self.more) if column_of(name).is_quantity]
        self.where_box = self._box(
            self.tr("Column to hold against a value"),
            [(self.tr("Any number"), ""), *((column_title(name), name) for name in numbers)],
        )
        for place, name in enumerate(numbers, start=1):
            self.where_box.setItemData(place, column_meaning(name), Qt.ItemDataRole.ToolTipRole)
        self.how_box = self._box(
            self.tr("At least or at most"),
            [(self.tr("at least"), True), (self.tr("at most"), False)],
        )
        value = QDoubleSpinBox(decimals=1, minimum=-1e6, maximum=1e6)
        self.value_box = named(value, self.tr("Value"))
        self.value_box.valueChanged.connect(lambda _value: self._typing.start())
        self.count = named(QLabel(), self.tr("Rows shown"))
        self.filter_button = tool_button(
            "", lambda: None, tip=self.tr("Verdicts, findings, sides, reviews and numbers to show.")
        )
        self.filter_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.filter_button.setMenu(self._filter_menu())
        self._show_condition()
        self._tell_filters()
        return abreast(
            None, (self.search, 1), self.filter_button, self.count, margins=(6, 3, 8, 3), spacing=6
        )

    def _filter_menu(self) -> QMenu:
        """Return what chooses the rows; in a row of its own half of it would be out of sight."""
        panel = named(QWidget(), self.tr("Filters"))
        form = QFormLayout(panel)
        form.setContentsMargins(12, 10, 12, 10)
        for title, box in (
            (self.tr("Verdict"), self.verdict_box),
            (self.tr("Finding"), self.finding_box),
            (self.tr("Side"), self.side_box),
            (self.tr("Review"), self.review_box),
            (self.tr("Number"), self.where_box),
        ):
            form.addRow(title, box)
        form.addRow("", abreast(None, self.how_box, self.value_box, None))
        form.addRow("", tool_button(self.tr("Show all rows"), self.show_all))
        menu = QMenu(self)
        holder = QWidgetAction(menu)
        holder.setDefaultWidget(panel)
        menu.addAction(holder)
        return menu

    def show_all(self) -> None:
        """Take every filter off."""
        self.search.clear()
        for box in self._choices():
            box.setCurrentIndex(0)
        self._apply_filter()

    def _choices(self) -> tuple[QComboBox, ...]:
        return (self.verdict_box, self.finding_box, self.side_box, self.review_box, self.where_box)

    def _tell_filters(self) -> None:
        """Say on the button how many filters hold rows back."""
        on = sum(box.currentIndex() > 0 for box in self._choices())
        text = self.tr("Filters: {count}").format(count=on) if on else self.tr("Filters")
        self.filter_button.setText(text)

    def _build_view(self) -> None:
        self.view = named(RowsView(self), self._name())
        self.view.setModel(self.rows)
        self.view.free_headers()
        self.view.setSortingEnabled(False)
        header = self.view.horizontalHeader()
        header.setSectionsClickable(True)
        header.setSectionsMovable(True)
        header.setSortIndicatorShown(True)
        header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)
        header.setSortIndicatorClearable(False)
        header.sortIndicatorChanged.connect(self._on_sort)
        header.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        header.customContextMenuRequested.connect(self._on_header_menu)
        self._habits = ColumnHabits(self.view, self.kind)
        chosen = self._habits.shown(self.columns, (*self.columns, *self.more))
        self.rows.set_columns(chosen)
        self._shown_columns = set(chosen)
        self.view.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.view.customContextMenuRequested.connect(self._on_menu)
        self._set_widths()

    def _foot(self) -> QVBoxLayout:
        sentence = QLabel(wordWrap=True, textInteractionFlags=SELECTABLE)
        self.sentence = yielding(named(sentence, self.tr("Finding in words")), high=False)
        self.reviewed = named(QLabel(), self.tr("Review"))
        self.buttons: dict[str, QToolButton] = {
            state: tool_button(text, partial(self.review_chosen, state), tip=tip)
            for state, text, tip in (
                ("agreed", self.tr("Agree"), self.tr("The finding is right (A).")),
                ("rejected", self.tr("Reject…"), self.tr("The finding is wrong; say why (R).")),
                ("to check", self.tr("To check"), self.tr("Somebody must look again (T).")),
            )
        }
        self.sheets_button = tool_button(
            self.tr("Sheets…"),
            self.sheets_dialog,
            name=self.tr("Print sheets of the chosen rows"),
            tip=self.tr("Look at a sheet of each chosen row, then save or print them."),
        )
        self.kerb_buttons = [
            tool_button(text, partial(self.answer_kerb, stands), name=name, tip=tip)
            for stands, text, name, tip in (
                (
                    True,
                    self.tr("Kerb"),
                    self.tr("A kerb stands along this reach"),
                    self.tr("A kerb stands here: its height isn't judged."),
                ),
                (
                    False,
                    self.tr("No kerb"),
                    self.tr("No kerb stands along this reach"),
                    self.tr("No kerb stands here: the shoulder is high."),
                ),
            )
        ]
        buttons = (*self.kerb_buttons, *self.buttons.values(), self.sheets_button)
        # Beside the buttons a narrow pane would leave the sentence a word a line, and no rows.
        below = abreast(None, (self.reviewed, 1), *buttons)
        return stacked(None, self.sentence, below, margins=(8, 4, 8, 5), spacing=3)

    def sizeHint(self) -> QSize:
        return QSize(980, 320)

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        # Out of sight the rows have no height yet to scroll by.
        self._seen.start()

    def _to_current(self) -> None:
        here = self.view.currentIndex()
        if here.isValid():
            self.view.scrollTo(here)

    def _to_search(self) -> None:
        self.search.setFocus()
        self.search.selectAll()

    def _set_widths(self) -> None:
        metrics = self.view.fontMetrics()
        usual = {
            name: max(78, metrics.horizontalAdvance(self.rows.heading(name)) + 26)
            for name in self.rows.columns
        }
        self._habits.lay_out(self.rows.columns, {**usual, **_WIDTHS})

    # -- data ------------------------------------------------------------------------------------

    def _table_of(self, findings: Findings) -> Table:
        return findings.reaches if self.kind == "reach" else findings.stations

    def _on_study(self) -> None:
        findings = self.model.findings
        if findings is self._findings:
            return
        self._findings = findings
        table = self._table_of(findings) if findings is not None else None
        if table is not None and len(table) > PREPARE_ABOVE:
            self.model.runner.submit(
                f"prepare {self.kind} {id(self)}",
                lambda _progress: (table, prepare(table)),
                self._take_prepared,
            )
            return
        self._take_table(table, None)

    def _take_prepared(self, made: tuple[Table, dict[str, TextColumn]]) -> None:
        table, texts = made
        if self._findings is not None and self._table_of(self._findings) is table:
            self._take_table(table, texts)

    def _take_table(self, table: Table | None, texts: dict[str, TextColumn] | None) -> None:
        top = self.view.verticalScrollBar().value()
        self._following = True
        try:
            why = self._findings.why.get(self.kind, ()) if self._findings is not None else ()
            self.rows.set_table(table, texts, why)
            self._fill_findings()
            self._show_road_column()
            self.rows.set_reviews(self._review_states())
        finally:
            self._following = False
        self.view.verticalScrollBar().setValue(top)
        self._tell_count()
        self._on_selection()

    def _fill_findings(self) -> None:
        """Offer the findings that occur."""
        chosen = self.finding_box.currentData()
        self.finding_box.blockSignals(True)
        self.finding_box.clear()
        self.finding_box.addItem(self.tr("All findings"), frozenset())
        for finding in sorted(self.rows.distinct("finding")):
            self.finding_box.addItem(finding_text(finding), frozenset((finding,)))
            picture = finding_icon(finding)
            if picture is not None:
                self.finding_box.setItemIcon(self.finding_box.count() - 1, picture)
            if chosen == frozenset((finding,)):
                self.finding_box.setCurrentIndex(self.finding_box.count() - 1)
        self.finding_box.blockSignals(False)
        if chosen != self.finding_box.currentData():
            self._apply_filter()

    def _show_road_column(self) -> None:
        """Name the road only where there are several."""
        several = len(self.model.index) > 1
        if several and "road" not in self._shown_columns:
            self._set_columns([*_with_road(self.rows.columns)])
        elif not several and "road" in self.rows.columns and "road" not in self.columns:
            self._set_columns([name for name in self.rows.columns if name != "road"])

    def _set_columns(self, names: Sequence[str]) -> None:
        self.rows.set_columns(names)
        self._shown_columns = set(names)
        self._set_widths()
        self._mark_order()
        self._on_selection()

    def _review_states(self) -> dict[int, tuple[str, str]]:
        """Reviews of the model by row of the table."""
        states: dict[int, tuple[str, str]] = {}
        table = self.rows.table
        if table is None:
            return states
        loaded = self.model.loaded
        if loaded is None:
            return states
        if self.kind == "reach":
            for row, review in enumerate(self.model.reach_reviews.given):
                if review is not None:
                    states[row] = (review.state, review.reason)
            return states
        for place, review in self.model.reviews.items():
            row = loaded.row_of(place) if place.kind == "station" else -1
            if row >= 0:
                states[row] = (review.state, review.reason)
        return states

    def _on_reviews(self) -> None:
        self.rows.set_reviews(self._review_states())
        self._tell_count()
        self._on_selection()
        self.on_chosen()

    def _on_units(self) -> None:
        self.rows.set_units(self.model.units, self.model.station_style)
        self._set_widths()
        self._show_condition()
        self._apply_filter()
        self.on_chosen()

    def _on_theme(self) -> None:
        self.view.viewport().update()

    # -- filter and order --------------------------------------------------------------------------

    def _on_box(self, _index: int) -> None:
        self._show_condition()
        self._tell_filters()
        self._apply_filter()

    def _show_condition(self) -> None:
        name = self.where_box.currentData()
        for part in (self.how_box, self.value_box):
            part.setVisible(bool(name))
        if name:
            column = column_of(name)
            unit = column.shown(self.model.units)
            self.value_box.setSuffix(f" {unit.text}" if unit.text else "")
            self.value_box.setDecimals(0 if column.is_chance else max(unit.decimals, 1))

    def _condition(self) -> Condition | None:
        name = self.where_box.currentData()
        if not name:
            return None
        value = self.value_box.value() / column_of(name).shown(self.model.units).factor
        return Condition(name, bool(self.how_box.currentData()), value)

    def _apply_filter(self) -> None:
        self._typing.stop()
        wanted = Filter(
            text=self.search.text(),
            verdicts=self.verdict_box.currentData() or frozenset(),
            findings=self.finding_box.currentData() or frozenset(),
            sides=self.side_box.currentData() or frozenset(),
            reviews=self.review_box.currentData() or frozenset(),
            condition=self._condition(),
        )
        self._following = True
        try:
            self.rows.set_filter(wanted)
        finally:
            self._following = False
        self._tell_count()
        self._on_selection()

    def _tell_count(self) -> None:
        shown, total = self.rows.rowCount(), self.rows.total
        if shown == total:
            self.count.setText(self.tr("Rows: {total}").format(total=total))
        else:
            self.count.setText(self.tr("{shown} of {total}").format(shown=shown, total=total))

    def _on_sort(self, column: int, order: Qt.SortOrder) -> None:
        if column >= 0:
            self.rows.sort(column, order)
            self._on_selection()

    def _mark_order(self) -> None:
        """Put the arrow over the column that the rows are sorted by, wherever it stands now."""
        name, ascending = self.rows.sorted_by or ("", True)
        header = self.view.horizontalHeader()
        place = self.rows.columns.index(name) if name in self.rows.columns else -1
        order = Qt.SortOrder.AscendingOrder if ascending else Qt.SortOrder.DescendingOrder
        header.blockSignals(True)
        header.setSortIndicator(place, order)
        header.blockSignals(False)
        header.viewport().update()

    # -- selection ----------------------------------------------------------

    def _source_of_selection(self) -> int:
        raise NotImplementedError

    def _select_source(self, source: int) -> None:
        raise NotImplementedError

    def _on_selection(self) -> None:
        """Follow the model's selection."""
        row = self.rows.view_row(self._source_of_selection())
        current = self.view.currentIndex()
        chosen = self.view.selectionModel()
        if row < 0:
            if current.isValid():
                self._following = True
                chosen.clear()
                self._following = False
        elif not current.isValid() or current.row() != row or not chosen.isRowSelected(row):
            self._following = True
            try:
                here = self.rows.index(row, max(current.column(), 0))
                # Left to the view, a Ctrl or Shift still held from Ctrl+Down or Shift+F8 would
                # choose nothing, or all rows on the way.
                flags = QItemSelectionModel.SelectionFlag
                chosen.setCurrentIndex(here, flags.ClearAndSelect | flags.Rows)
                self.view.scrollTo(here)
            finally:
                self._following = False
        self.on_chosen()

    def on_chosen(self) -> None:
        """Show the current row's sentence and review, and tell the model."""
        if not hasattr(self, "sheets_button"):
            return
        index = self.view.currentIndex()
        has = index.isValid() and index.row() < self.rows.rowCount()
        for button in (*self.buttons.values(), self.sheets_button):
            button.setEnabled(has)
        self.sheets_button.setEnabled(has and self.model.study is not None)
        for button in self.kerb_buttons:
            button.setVisible(has and self._asks_for_kerb())
        if not has:
            self.sentence.setText("" if self.rows.total else self.tr("Nothing screened yet."))
            self.reviewed.setText("")
            return
        source = self.rows.source_row(index.row())
        self.sentence.setText(self.rows.sentence(source))
        state, reason = self.rows.review_of(source)
        words = review_text(state)
        self.reviewed.setText(f"{words}: {reason}" if reason else words)
        if not self._following and source != self._source_of_selection():
            self._select_source(source)

    def chosen_rows(self) -> list[int]:
        """Rows of the view that are chosen, in the order shown."""
        rows: set[int] = set()
        for part in self.view.selectionModel().selection().toList():
            rows.update(range(part.top(), part.bottom() + 1))
        return sorted(rows)

    # -- what can be done with rows ----------------------------------------------------------

    def _key_of(self, source: int) -> Place:
        raise NotImplementedError

    def review_chosen(self, state: str, reason: str | None = None) -> None:
        """Review the chosen rows; a rejection asks for its reason."""
        rows = self.chosen_rows()
        if not rows:
            self.model.message.emit(self.tr("No row is chosen: click one, then review it."))
            return
        keys = [self._key_of(self.rows.source_row(row)) for row in rows]
        if state == Decision.REJECTED and reason is None:
            self.model.reason_wanted.emit(keys)
        else:
            self.model.review_all(keys, state, (reason or "").strip())

    def answer_kerb(self, stands: bool) -> None:
        """Say of the chosen reaches whether a kerb stands along them."""
        sources = [self.rows.source_row(row) for row in self.chosen_rows()]
        for source in sources:
            self.model.answer_kerb(source, stands)

    def _asks_for_kerb(self) -> bool:
        """Whether a chosen reach may be a kerb or a high shoulder."""
        found = self.model.findings
        if self.kind != "reach" or found is None or self.model.study is None:
            return False
        sources = [self.rows.source_row(row) for row in self.chosen_rows()]
        return any(found.reaches["finding"][row] == Finding.KERB_OR_HIGH for row in sources)

    def copy_chosen(self) -> None:
        """Copy the chosen rows with headings, tab-separated."""
        rows = self.chosen_rows()
        if len(rows) > _LONGEST_COPY:
            self.model.message.emit(
                self.tr("{count} rows are too many to copy: save them as CSV instead").format(
                    count=len(rows)
                )
            )
            return
        lines = self.rows.lines(rows, self._columns_in_sight())
        QGuiApplication.clipboard().setText("\n".join("\t".join(line) for line in lines))
        self.model.message.emit(self.tr("Rows copied: {count}").format(count=len(rows)))

    def _columns_in_sight(self) -> list[str]:
        header = self.view.horizontalHeader()
        return [self.rows.columns[header.logicalIndex(place)] for place in range(header.count())]

    def copy_sentence(self) -> None:
        """Copy the current row's sentence."""
        QGuiApplication.clipboard().setText(self.sentence.text())

    def save_csv_dialog(self) -> None:
        """Ask for a file and save the rows shown as CSV."""
        name = dated_name(*self._roads_named(), self._name(), ending=".csv")
        ask_name(self, self.tr("Save rows"), name, self.tr("Table (*.csv)"), self.save_csv)

    def save_csv(self, path: str) -> None:
        """Save the rows shown, all columns, in metric units under their names of the file."""
        table = self.rows.table
        if table is None:
            return
        sources = self.rows.source_rows()
        reviews = [self.rows.review_of(int(source)) for source in sources]
        self.model.runner.submit(
            f"csv {path}",
            self.model.inputs.writing_to(
                path, lambda progress: write_rows(table, sources, reviews, path, progress)
            ),
            lambda changed: self._say_saved(path, changed),
            title=self.tr("Saving the rows"),
            writes=True,
        )

    def _say_saved(self, path: str, changed: int) -> None:
        text = self.tr("Saved {name}").format(name=Path(path).name)
        if changed:
            text += self.tr(
                "; texts that begin like a formula got an apostrophe before them: {count}"
            ).format(count=changed)
        self.model.message.emit(text)

    def sheets_dialog(self) -> None:
        """Show the sheets of the chosen rows, to be saved or printed."""
        study, rows = self.model.study, self.chosen_rows()
        if study is not None and rows:
            sources = [self.rows.source_row(row) for row in rows]
            self.model.sheets_asked.emit(self._book(study, sources), self._sheets_name())

    def _sheets_name(self) -> str:
        return " ".join([*self._roads_named(), self.tr("sheets")])

    def _roads_named(self) -> list[str]:
        """Name of the road, for a file; nothing where there are several."""
        roads = self.model.index
        return [roads[0].name] if len(roads) == 1 else []

    def _book(self, study: Any, sources: list[int]) -> Any:
        raise NotImplementedError

    def _on_menu(self, at: QPoint) -> None:
        menu = self.menu()
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.popup(self.view.viewport().mapToGlobal(at))

    def menu(self) -> QMenu:
        """Return the context menu of the rows."""
        menu = QMenu(self)
        chosen = bool(self.chosen_rows())

        def add(text: str, slot: Any, enabled: bool = True) -> None:
            action = menu.addAction(text)
            action.triggered.connect(lambda _checked=False: slot())
            action.setEnabled(enabled)

        add(self.tr("Agree\tA"), lambda: self.review_chosen("agreed"), chosen)
        add(self.tr("Reject…\tR"), lambda: self.review_chosen("rejected"), chosen)
        add(self.tr("To check\tT"), lambda: self.review_chosen("to check"), chosen)
        add(self.tr("Take the review back\tDel"), lambda: self.review_chosen(""), chosen)
        menu.addSeparator()
        add(self.tr("Copy rows\tCtrl+C"), self.copy_chosen, chosen)
        add(self.tr("Copy the sentence"), self.copy_sentence, chosen)
        add(self.tr("Save rows as CSV…"), self.save_csv_dialog, self.rows.total > 0)
        add(self.tr("Sheets…"), self.sheets_dialog, chosen and self.model.study is not None)
        return menu

    def _on_header_menu(self, at: QPoint) -> None:
        menu = QMenu(self)
        for name in (*self.columns, *self.more):
            action = menu.addAction(column_title(name))
            action.setCheckable(True)
            action.setChecked(name in self.rows.columns)
            action.setToolTip(column_meaning(name))
            action.toggled.connect(lambda on, n=name: self.show_column(n, on))
        menu.setToolTipsVisible(True)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.popup(self.view.horizontalHeader().mapToGlobal(at))

    def show_column(self, name: str, on: bool) -> None:
        """Show or hide a column."""
        names = [n for n in self.rows.columns if n != name]
        if on:
            everything = [*self.columns, *self.more]
            names.append(name)
            names.sort(key=everything.index)
        if names:
            self._habits.choose(names)
            self._set_columns(names)


def _with_road(columns: Sequence[str]) -> list[str]:
    """Columns with the road in front."""
    return ["road", *(name for name in columns if name != "road")]
