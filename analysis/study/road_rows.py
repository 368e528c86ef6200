"""A summary of each road: how much of it sheds water, what it needs, or why it wasn't screened."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.common.along import known_median
from analysis.common.columns import ROAD_COLUMNS
from analysis.common.table import Table
from analysis.common.verdicts import Verdict
from analysis.road.roadline import Road
from analysis.study.values import RoadStudy

__all__ = ["NOT_SCREENED", "SCREENED", "failed_roads", "road_rows"]

SCREENED, NOT_SCREENED = "screened", "not screened"

_LENGTHS = {
    "sheds_m": Verdict.SHEDS,
    "wont_shed_m": Verdict.WONT_SHED,
    "cant_tell_m": Verdict.CANT_TELL,
    "no_data_m": Verdict.NO_DATA,
}
_TOTALS = ("cut_m3", "fill_m3", "import_m3_loose")


def road_rows(parts: Sequence[RoadStudy], reaches: Table) -> Table:
    """Summarise roads, at least one, whose reaches are in a table."""
    rows = [_row(part, reaches.where(reaches["road"] == part.road.name)) for part in parts]
    return Table.of(ROAD_COLUMNS, {name: [row[name] for row in rows] for name in ROAD_COLUMNS})


def _row(part: RoadStudy, reaches: Table) -> dict[str, Any]:
    length, drop, rank = (reaches[name] for name in ("length_m", "worst_drop_mm", "rank"))
    verdict = reaches["verdict"]
    return {
        "road": part.road.name,
        "length_m": part.road.length_m,
        "outcome": SCREENED,
        "reason": "",
        "stations": len(part.s),
        **{name: float(length[verdict == kind].sum()) for name, kind in _LENGTHS.items()},
        "worst_drop_mm": _worst(drop),
        **{name: _total(reaches[name]) for name in _TOTALS},
        "rank": -_worst(-rank),
        "noise_m": known_median(part.measured.shoulder.noise.sigma_m, np.nan),
    }


def _worst(values: Any) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else float("nan")


def _total(values: Any) -> float:
    known = values[np.isfinite(values)]
    return float(known.sum()) if len(known) else float("nan")


def failed_roads(roads: Sequence[Road], reasons: Sequence[str]) -> Table:
    """Rows of roads that couldn't be screened, each with the sentence that says why."""
    columns: dict[str, Any] = {name: [np.nan] * len(roads) for name in ROAD_COLUMNS}
    columns["road"] = [road.name for road in roads]
    columns["length_m"] = [road.length_m for road in roads]
    columns["outcome"] = [NOT_SCREENED] * len(roads)
    columns["reason"] = list(reasons)
    columns["stations"] = [0.0] * len(roads)
    return Table.of(ROAD_COLUMNS, columns)
