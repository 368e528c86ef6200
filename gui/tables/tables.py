"""Reaches and stations as tables: sort, filter, read each finding in a sentence, review it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QWidget

from analysis.common.columns import REACH_COLUMNS, STATION_COLUMNS, Column
from gui.look.words import station_words
from gui.tables.table_page import KEYS, TablePage

if TYPE_CHECKING:
    from analysis.findings.reviews import Place
    from gui.state.model import WindowModel

__all__ = ["KEYS", "ReachTable", "StationTable"]

_REACH_COLUMNS = (
    "rank",
    "side",
    "from_m",
    "to_m",
    "length_m",
    "finding",
    "treatment",
    "verdict",
    "mean_slope_pct",
    "worst_drop_mm",
    "cut_m3",
    "fill_m3",
    "balance_m3",
    "import_m3_loose",
    "loads",
    "review",
    "sentence",
)
_STATION_COLUMNS = (
    "station_m",
    "side",
    "verdict",
    "finding",
    "shoulder_slope_pct",
    "required_slope_pct",
    "edge_drop_mm",
    "rut_mm",
    "retained_mm",
    "ditch_grade_pct",
    "p_wont_shed",
    "review",
    "sentence",
)


def _more(table: Mapping[str, Column], shown: Sequence[str]) -> tuple[str, ...]:
    """Columns for people that a table can show beside those it opens with."""
    return tuple(name for name, column in table.items() if column.title and name not in shown)


class ReachTable(TablePage):
    """Reaches: what was found where, how urgent, and what it takes."""

    kind = "reach"
    columns = _REACH_COLUMNS
    more = _more(REACH_COLUMNS, _REACH_COLUMNS)

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(model, parent)
        self.rows.sort_by("rank")
        self._mark_order()

    def _source_of_selection(self) -> int:
        return self.model.reach_row

    def _select_source(self, source: int) -> None:
        self.model.select_reach(source)

    def _key_of(self, source: int) -> Place:
        return self.model.reach_key(source)

    def _sheets_name(self) -> str:
        return " ".join([*self._roads_named(), self.tr("reach sheets")])

    def _book(self, study: Any, sources: list[int]) -> Any:
        from gui.drawing.books import reach_book

        return reach_book(study, sources, self.model.writing)


class StationTable(TablePage):
    """Stations, one row for each side, with every number that was measured."""

    kind = "station"
    columns = _STATION_COLUMNS
    more = _more(STATION_COLUMNS, _STATION_COLUMNS)

    def _source_of_selection(self) -> int:
        model = self.model
        if model.place_m is None:
            return -1
        return model.station_row(model.road_index, model.station_index, model.side)

    def _select_source(self, source: int) -> None:
        self.model.select_station(*self.model.station_at_row(source))

    def _key_of(self, source: int) -> Place:
        return self.model.station_key(*self.model.station_at_row(source))

    def _sheets_name(self) -> str:
        model = self.model
        road = model.index[model.road_index]
        station = station_words(float(road.station_m[model.station_index]), model.station_style)
        return f"{road.name} {station}"

    def _book(self, study: Any, sources: list[int]) -> Any:
        from gui.drawing.books import station_book

        # Both sides stand on one sheet, so a station chosen twice is printed once.
        places = list(dict.fromkeys(self.model.station_at_row(source)[:2] for source in sources))
        return station_book(study, places, self.model.writing)
