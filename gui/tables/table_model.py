"""A table of many rows for Qt: numpy columns, sorted and filtered by index arrays.

Nothing is copied per row: the columns stay as `analysis.findings.geopackage` holds them, what is
shown is one array of row numbers, and text is made only for cells that are drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, QPersistentModelIndex, Qt
from PySide6.QtGui import QColor

from analysis.common.columns import column_of
from analysis.shoulder.values import Reason
from gui.look import theme
from gui.look.icons import finding_icon
from gui.look.units import DASH, METRIC
from gui.look.words import (
    REVIEW_STATES,
    column_heading,
    column_meaning,
    finding_text,
    marked_review,
    number_text,
    reach_sentence,
    side_text,
    station_sentence,
    station_words,
    treatment_text,
    verdict_text,
)

if TYPE_CHECKING:
    from analysis.common.stations import StationStyle
    from analysis.common.table import Table

__all__ = ["PREPARE_ABOVE", "Condition", "Filter", "FindingsModel", "TextColumn", "prepare"]

Index = QModelIndex | QPersistentModelIndex

_TEXTS: Mapping[str, Callable[[str], str]] = {
    "verdict": verdict_text,
    "finding": finding_text,
    "treatment": treatment_text,
    "side": side_text,
}
_SEARCHED = ("road", "verdict", "finding", "treatment", "side", "reason")
# Below this the first sort or search of a text column isn't felt; above it a worker prepares it.
PREPARE_ABOVE = 20_000

# Qt asks for these by the thousand; making them anew each time costs more than the answer.
_DISPLAY = int(Qt.ItemDataRole.DisplayRole)
_SPOKEN = int(Qt.ItemDataRole.AccessibleTextRole)
_ALIGN = int(Qt.ItemDataRole.TextAlignmentRole)
_INK = int(Qt.ItemDataRole.ForegroundRole)
_PICTURE = int(Qt.ItemDataRole.DecorationRole)
_TIP = int(Qt.ItemDataRole.ToolTipRole)
_RAW = int(Qt.ItemDataRole.UserRole)
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_ANSWERED = frozenset((_DISPLAY, _SPOKEN, _ALIGN, _INK, _PICTURE, _TIP, _RAW))
_FLAGS = Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemNeverHasChildren


@dataclass(frozen=True, slots=True)
class Condition:
    """A number column held against a value in stored units; unknown never passes."""

    column: str
    at_least: bool
    value: float


@dataclass(frozen=True, slots=True)
class Filter:
    """What a row must be to be shown; an empty part lets everything through."""

    text: str = ""
    verdicts: frozenset[str] = frozenset()
    findings: frozenset[str] = frozenset()
    sides: frozenset[str] = frozenset()
    roads: frozenset[str] = frozenset()
    reviews: frozenset[str] = frozenset()
    condition: Condition | None = None


class TextColumn:
    """A column of texts by number: what is distinct in it, how it sorts, and where a word is."""

    def __init__(self, column: NDArray[Any], show: Callable[[str], str] = str) -> None:
        seen: dict[str, int] = {}
        self.codes = np.fromiter(
            (seen.setdefault(text, len(seen)) for text in column), dtype=np.int64, count=len(column)
        )
        self.texts = list(seen)
        folded = [show(text).casefold() if text else "" for text in self.texts]
        # One long text searched by C is ten times faster than many short ones searched in turn.
        self._joined = "\n".join(folded)
        lengths = np.fromiter(map(len, folded), dtype=np.int64, count=len(folded))
        self._starts = np.concatenate(([0], np.cumsum(lengths + 1)[:-1])).astype(np.int64)
        ranks = np.empty(len(folded), dtype=np.float64)
        ranks[sorted(range(len(folded)), key=folded.__getitem__)] = np.arange(len(folded))
        if "" in seen:
            ranks[seen[""]] = np.nan
        self.keys: NDArray[np.float64] = ranks[self.codes]

    def holds(self, word: str) -> NDArray[np.bool_]:
        """Rows whose text, as a person sees it, holds a case-folded word."""
        if not word:
            return np.ones(len(self.codes), dtype=bool)
        hits = np.zeros(len(self.texts), dtype=bool)
        # Splitting finds every place in C; the lengths of the pieces say where they were.
        pieces = self._joined.split(word)
        if len(pieces) > 1:
            lengths = np.fromiter(map(len, pieces[:-1]), dtype=np.int64, count=len(pieces) - 1)
            places = np.cumsum(lengths + len(word)) - len(word)
            hits[np.searchsorted(self._starts, places, side="right") - 1] = True
        return hits[self.codes]

    def among(self, wanted: frozenset[str]) -> NDArray[np.bool_]:
        """Rows whose text, as the table has it, is one of those."""
        return np.array([text in wanted for text in self.texts], dtype=bool)[self.codes]


def prepare(table: Table) -> dict[str, TextColumn]:
    """Number the text columns of a large table; for a worker thread."""
    return {
        name: TextColumn(table[name], _TEXTS.get(name, str)) for name in _SEARCHED if name in table
    }


class FindingsModel(QAbstractTableModel):
    """Stations or reaches as rows.

    Parameters
    ----------
    kind
        "station" or "reach".
    columns
        Names to show, of the table or of `analysis.common.columns.MADE_UP`.

    Attributes
    ----------
    sorted_by
        Name of the column that the rows are sorted by, and whether upward; None as they came.
    """

    def __init__(self, kind: str, columns: Sequence[str], parent: QObject | None = None) -> None:
        super().__init__(parent)
        if kind not in ("station", "reach"):
            raise ValueError(f"kind must be 'station' or 'reach', not {kind!r}")
        self.kind = kind
        self.columns = tuple(columns)
        self.system = METRIC
        self.station_style: StationStyle = "km"
        self._table: Table | None = None
        self._order = np.empty(0, dtype=np.int64)
        self._shown = np.empty(0, dtype=np.int64)
        self._place: NDArray[np.int64] | None = None
        self._reviews: NDArray[np.int8] = np.empty(0, dtype=np.int8)
        self._reasons: dict[int, str] = {}
        self._why: Sequence[Reason | None] = ()
        self._texts: dict[str, TextColumn] = {}
        self.sorted_by: tuple[str, bool] | None = None
        self.filter = Filter()

    # -- rows ------------------------------------------------------------------------------------

    def set_table(
        self,
        table: Table | None,
        texts: Mapping[str, TextColumn] | None = None,
        why: Sequence[Reason | None] = (),
    ) -> None:
        """Show another table; sorting and filter stay.

        `texts` is what `prepare` made of it, `why` says of each row why it isn't judged.
        """
        self.beginResetModel()
        self._table = table
        n = len(table) if table is not None else 0
        self._order = np.arange(n, dtype=np.int64)
        self._texts = dict(texts or {})
        self._why = why
        self._reviews = np.zeros(n, dtype=np.int8)
        self._reasons = {}
        if self.sorted_by is not None and n:
            self._apply_sort(*self.sorted_by)
        self._apply_filter()
        self.endResetModel()

    @property
    def table(self) -> Table | None:
        """The table behind the rows."""
        return self._table

    @property
    def total(self) -> int:
        """Rows without the filter."""
        return len(self._order)

    def source_row(self, row: int) -> int:
        """Row of the table that stands at a row of the view."""
        return int(self._shown[row])

    def source_rows(self) -> NDArray[np.int64]:
        """Rows of the table in the order shown."""
        return self._shown.copy()

    def view_row(self, source: int) -> int:
        """Row of the view that shows a row of the table, or -1 if the filter hides it."""
        if not 0 <= source < len(self._order):
            return -1
        if self._place is None:
            self._place = np.full(len(self._order), -1, dtype=np.int64)
            self._place[self._shown] = np.arange(len(self._shown))
        return int(self._place[source])

    def row_values(self, source: int) -> dict[str, Any]:
        """Return a row of the table as a dictionary."""
        assert self._table is not None
        return self._table.row(source)

    def sentence(self, source: int) -> str:
        """Return the finding of a row in one sentence."""
        row = self.row_values(source)
        if self._why:
            row["why"] = self._why[source]
        if self.kind == "station":
            return station_sentence(row, self.system)
        return reach_sentence(row, self.system, self.station_style)

    # -- units and reviews -------------------------------------------------------------------------

    def set_units(self, system: str, station_style: StationStyle) -> None:
        """Show numbers in another system of units."""
        if (system, station_style) != (self.system, self.station_style):
            self.system, self.station_style = system, station_style
            self._all_changed()
            self.headerDataChanged.emit(Qt.Orientation.Horizontal, 0, len(self.columns) - 1)

    def set_columns(self, columns: Sequence[str]) -> None:
        """Show other columns."""
        if tuple(columns) != self.columns:
            self.beginResetModel()
            self.columns = tuple(columns)
            self.endResetModel()

    def set_reviews(self, states: Mapping[int, tuple[str, str]]) -> None:
        """Mark rows of the table as reviewed: row to (state, reason)."""
        reviews = np.zeros(len(self._order), dtype=np.int8)
        reasons: dict[int, str] = {}
        for row, (state, reason) in states.items():
            if 0 <= row < len(reviews) and state in REVIEW_STATES:
                reviews[row] = 1 + REVIEW_STATES.index(state)
                if reason:
                    reasons[row] = reason
        if np.array_equal(reviews, self._reviews) and reasons == self._reasons:
            return
        by_review = self.filter.reviews or (self.sorted_by or ("", True))[0] == "review"
        if by_review:
            self.beginResetModel()
        self._reviews, self._reasons = reviews, reasons
        if by_review:
            if self.sorted_by is not None and self.sorted_by[0] == "review":
                self._apply_sort(*self.sorted_by)
            self._apply_filter()
            self.endResetModel()
        else:
            self._all_changed()

    def review_of(self, source: int) -> tuple[str, str]:
        """State and reason of the review of a row of the table."""
        state = int(self._reviews[source])
        return ("" if state == 0 else REVIEW_STATES[state - 1], self._reasons.get(source, ""))

    def _all_changed(self) -> None:
        if len(self._shown) and self.columns:
            self.dataChanged.emit(
                self.index(0, 0), self.index(len(self._shown) - 1, len(self.columns) - 1)
            )

    # -- sorting and filtering --------------------------------------------------------------------

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        """Sort by a column; rows that are equal there keep their order."""
        if not 0 <= column < len(self.columns):
            return
        self.sort_by(self.columns[column], order == Qt.SortOrder.AscendingOrder)

    def sort_by(self, name: str, ascending: bool = True) -> None:
        """Sort by a named column."""
        self.layoutAboutToBeChanged.emit()
        kept = self.persistentIndexList()
        sources = [self.source_row(index.row()) for index in kept]
        self.sorted_by = (name, ascending)
        if self._table is not None:
            self._apply_sort(name, ascending)
            self._apply_filter()
        moved = []
        for index, source in zip(kept, sources, strict=True):
            row = self.view_row(source)
            moved.append(self.index(row, index.column()) if row >= 0 else QModelIndex())
        self.changePersistentIndexList(kept, moved)
        self.layoutChanged.emit()

    def set_filter(self, wanted: Filter) -> None:
        """Show only the rows that a filter lets through."""
        if wanted == self.filter:
            return
        self.beginResetModel()
        self.filter = wanted
        self._apply_filter()
        self.endResetModel()

    def _key(self, name: str) -> NDArray[np.float64] | None:
        if name == "sentence":
            name = "finding"
        if name == "review":
            # Not reviewed comes after every state.
            states = self._reviews.astype(np.float64)
            states[states == 0.0] = np.nan
            return states
        if self._table is None or name not in self._table:
            return None
        if self._table[name].dtype == object:
            return self._text_column(name).keys
        return np.asarray(self._table[name], dtype=np.float64)

    def _apply_sort(self, name: str, ascending: bool) -> None:
        keys = self._key(name)
        if keys is None:
            return
        here = keys[self._order]
        # Negating keeps NaN last in both directions, which reversing would not.
        self._order = self._order[np.argsort(here if ascending else -here, kind="stable")]

    def _text_column(self, name: str) -> TextColumn:
        assert self._table is not None
        if name not in self._texts:
            self._texts[name] = TextColumn(self._table[name], _TEXTS.get(name, str))
        return self._texts[name]

    def distinct(self, name: str) -> list[str]:
        """Return the distinct texts of a column, in order of appearance."""
        if self._table is None or name not in self._table:
            return []
        return [text for text in self._text_column(name).texts if text]

    def _apply_filter(self) -> None:
        self._place = None
        if self._table is None:
            self._shown = self._order
            return
        keep = self._mask()
        self._shown = self._order if keep is None else self._order[keep[self._order]]

    def _mask(self) -> NDArray[np.bool_] | None:
        wanted, table = self.filter, self._table
        assert table is not None
        masks: list[NDArray[np.bool_]] = []
        for name, chosen in (
            ("verdict", wanted.verdicts),
            ("finding", wanted.findings),
            ("side", wanted.sides),
            ("road", wanted.roads),
        ):
            if chosen and name in table:
                masks.append(self._text_column(name).among(chosen))
        if wanted.reviews:
            states = [0 if s == "" else 1 + REVIEW_STATES.index(s) for s in wanted.reviews]
            masks.append(np.isin(self._reviews, states))
        if wanted.condition is not None and wanted.condition.column in table:
            values = np.asarray(table[wanted.condition.column], dtype=np.float64)
            with np.errstate(invalid="ignore"):
                masks.append(
                    values >= wanted.condition.value
                    if wanted.condition.at_least
                    else values <= wanted.condition.value
                )
        if wanted.text.strip():
            masks.append(self._text_mask(wanted.text.strip()))
        if not masks:
            return None
        keep: NDArray[np.bool_] = np.logical_and.reduce(masks)
        return keep

    def _text_mask(self, text: str) -> NDArray[np.bool_]:
        """Rows where every word occurs somewhere, or that hold the station that is written."""
        table = self._table
        assert table is not None
        keep = np.ones(len(table), dtype=bool)
        for word in text.casefold().split():
            found = self._station_mask(word)
            for name in _SEARCHED:
                if name in table:
                    found |= self._text_column(name).holds(word)
            keep &= found
        return keep

    def _station_mask(self, word: str) -> NDArray[np.bool_]:
        table = self._table
        assert table is not None
        none = np.zeros(len(table), dtype=bool)
        if "+" not in word:
            return none
        from analysis.common.errors import VergelineError
        from analysis.common.stations import parse_station

        try:
            station = parse_station(word, style=self.station_style)
        except VergelineError:
            return none
        if "from_m" in table:
            low = np.minimum(table["from_m"], table["to_m"])
            high = np.maximum(table["from_m"], table["to_m"])
            return np.asarray((low <= station) & (station <= high))
        away = np.abs(table["station_m"] - station)
        if not len(away) or not np.isfinite(away).any():
            return none
        return np.asarray(away <= np.nanmin(away) + 1e-6)

    # -- Qt ----------------------------------------------------------------------------------------

    def rowCount(self, parent: Index | None = None) -> int:
        return 0 if parent is not None and parent.isValid() else len(self._shown)

    def columnCount(self, parent: Index | None = None) -> int:
        return 0 if parent is not None and parent.isValid() else len(self.columns)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation != Qt.Orientation.Horizontal or not 0 <= section < len(self.columns):
            return None
        name = self.columns[section]
        if role == Qt.ItemDataRole.DisplayRole:
            return self.heading(name)
        if role == Qt.ItemDataRole.ToolTipRole:
            return column_meaning(name)
        return None

    def heading(self, name: str) -> str:
        """Title of a column with its unit."""
        return column_heading(name, self.system)

    def is_number(self, name: str) -> bool:
        """Whether a column holds numbers."""
        return bool(
            self._table is not None
            and name in self._table
            and self._table[name].dtype != object
            and not column_of(name).is_station
        )

    def flags(self, index: Index) -> Qt.ItemFlag:
        return _FLAGS if index.isValid() else Qt.ItemFlag.NoItemFlags

    def data(self, index: Index, role: int = _DISPLAY) -> Any:
        if self._table is None or role not in _ANSWERED or not index.isValid():
            return None
        source, name = int(self._shown[index.row()]), self.columns[index.column()]
        if role in (_DISPLAY, _SPOKEN):
            return self.text(source, name)
        if role == _ALIGN:
            return _LEFT if column_of(name).type == "str" else _RIGHT
        if role == _INK:
            return self._colour(source, name)
        if role == _TIP:
            return self.sentence(source)
        if role == _PICTURE:
            return finding_icon(str(self._table[name][source])) if name == "finding" else None
        return self._table[name][source] if name in self._table else self.text(source, name)

    def _colour(self, source: int, name: str) -> QColor | None:
        assert self._table is not None
        if name == "verdict":
            return theme.verdict_look(str(self._table["verdict"][source])).color
        if self.is_number(name) and not math.isfinite(float(self._table[name][source])):
            return theme.color("muted")
        return None

    def text(self, source: int, name: str, *, with_error: bool = True) -> str:
        """Text of one cell; unknown is a dash."""
        assert self._table is not None
        if name == "sentence":
            return self.sentence(source)
        if name == "review":
            state, reason = self.review_of(source)
            words = marked_review(state)
            return f"{words}: {reason}" if reason else words
        if name not in self._table:
            return DASH
        value = self._table[name][source]
        if name in _TEXTS:
            words = _TEXTS[name](str(value)) if value else DASH
            if name == "verdict" and value:
                words = f"{theme.verdict_look(str(value)).mark} {words}"
            return words
        if self._table[name].dtype == object:
            return str(value) if value else DASH
        value = float(value)
        column = column_of(name)
        if column.is_station:
            return station_words(value, self.station_style)
        if column.type == "bool" and math.isfinite(value):
            return self.tr("yes") if value else self.tr("no")
        known = with_error and column.error in self._table
        se = float(self._table[column.error][source]) if known else math.nan
        return number_text(name, value, se, self.system, with_unit=False)

    def lines(
        self, rows: Sequence[int], columns: Sequence[str], *, headings: bool = True
    ) -> list[list[str]]:
        """Texts of rows of the view, for the clipboard."""
        lines = [[self.heading(name) for name in columns]] if headings else []
        for row in rows:
            source = self.source_row(row)
            lines.append([self.text(source, name) for name in columns])
        return lines
