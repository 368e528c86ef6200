"""From measured arrays to the tables that people and other programs read."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.limits import Limits
from analysis.common.sides import SIDE_SIGN, SIDES, Source
from analysis.common.station_arrays import joined
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.road.roadline import to_map
from analysis.shoulder.values import Status
from analysis.verdict.reaches import ranks
from analysis.verdict.reasons import describe_stations, reach_sentences
from analysis.verdict.values import Reach
from analysis.water.assess import judge_ditch

if TYPE_CHECKING:
    from analysis.study.values import RoadStudy

__all__ = ["pond_table", "reach_lines", "reach_table", "station_table"]


# Columns of the reaches layer, whose names are fixed, and the fields that name the state of volume.
_BALANCE_COLUMNS = {
    "cut_m3": "cut_m3_bank",
    "fill_m3": "fill_m3_compacted",
    "balance_m3": "balance_m3_compacted",
    "balance_se": "balance_se_m3",
    "import_m3_loose": "import_m3_loose",
    "import_t": "import_t",
    "loads": "loads",
    "haul_away_m3_loose": "haul_away_m3_loose",
    "p_replenish": "p_replenish",
}
_OUTWARD = np.array(SIDE_SIGN)
# In the order of the SOURCE_ numbers of `breaks`.
_SOURCES = np.array([source.word for source in Source], dtype=object)


def station_table(parts: Sequence[RoadStudy], limits: Limits) -> Table:
    """Rows of all roads, at least one, in the order station, then left and right."""
    measures = joined([part.measures for part in parts])
    judgement = joined([part.judgement for part in parts])

    def both(values: Sequence[Any]) -> NDArray[Any]:
        return np.repeat(np.concatenate(values), 2)

    def of_breaks(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(part.breaks, name) for part in parts])

    def of_water(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(part.water, name) for part in parts])

    kerb, edge_source = of_breaks("kerb"), of_breaks("edge_source")
    reasons = describe_stations(measures, judgement, limits, kerb)
    crossed = of_water("ditch_crossing") & (measures.status == Status.OK)
    reasons[crossed] = [
        f"{text} Something crosses the ditch here: name its culvert or have a look."
        for text in reasons[crossed]
    ]
    sizes = [len(part.s) for part in parts]
    names = np.array([part.road.name for part in parts], dtype=object)
    columns: dict[str, NDArray[Any]] = {
        "road": np.repeat(names, 2 * np.array(sizes)),
        "station_m": both([part.station_m for part in parts]),
        "side": np.tile(np.array(SIDES, dtype=object), sum(sizes)),
        "edge_offset_m": _OUTWARD * of_breaks("edge"),
        "edge_found": edge_source != 0,
        "hinge_offset_m": _OUTWARD * of_breaks("hinge"),
        "reason": reasons,
        "edge_se_m": of_breaks("edge_se"),
        "edge_source": _SOURCES[edge_source],
        "hinge_source": _SOURCES[of_breaks("hinge_source")],
        "ditch_offset_m": _OUTWARD * of_breaks("ditch"),
        "breakover_points": measures.shoulder_slope_pct - measures.pavement_slope_pct,
        "distance_m": both([part.s for part in parts]),
        "kerb": kerb,
        "crowned": both([part.breaks.crowned for part in parts]),
        "ditch_blocked": np.concatenate([judge_ditch(part.water, limits.water) for part in parts]),
    }
    for name in ("cut_m2", "fill_m2", "cut_se", "fill_se"):
        columns[name] = np.concatenate([getattr(part.areas, name) for part in parts])
    for name in ("retained_mm", "pond_depth_mm", "ditch_depth_m", "ditch_grade_pct"):
        columns[name] = of_water(name)
    for name in STATION_COLUMNS:
        if name not in columns:
            columns[name] = getattr(judgement if hasattr(judgement, name) else measures, name)
    return Table.of(STATION_COLUMNS, columns)


def reach_table(parts: Sequence[RoadStudy], limits: Limits) -> Table:
    """Reaches of all roads, ranked over all of them."""
    reaches = [reach for part in parts for reach in part.reaches]
    columns: dict[str, list[Any]] = {
        "road": [part.road.name for part in parts for _ in part.reaches],
        "side": [SIDES[reach.side] for reach in reaches],
        "first_index": [reach.i0 for reach in reaches],
        "last_index": [reach.i1 for reach in reaches],
    }
    columns["reason"] = [reach_sentences(reach, limits) for reach in reaches]
    for name in _REACH_FIELDS:
        columns[name] = [getattr(reach, name) for reach in reaches]
    held = [reach.balance for reach in reaches]
    for name, field in _BALANCE_COLUMNS.items():
        columns[name] = [np.nan if b is None else getattr(b, field) for b in held]
    columns["rank"] = ranks(np.array([reach.priority for reach in reaches])).tolist()
    return Table.of(REACH_COLUMNS, columns)


_REACH_FIELDS = tuple(
    name for name in REACH_COLUMNS if name in Reach.__dataclass_fields__ and name != "side"
)


def reach_lines(part: RoadStudy, unit_m: float = 1.0) -> list[Floats]:
    """Line (m, 2) of each reach of a road along the pavement edge, end to end.

    `unit_m` is the length of the unit that coordinates are wanted in.
    """
    if not part.reaches:
        return []
    rows = [(reach.side, reach.i0, reach.i1, reach.s0, reach.s1) for reach in part.reaches]
    side, i0, i1, s0, s1 = (np.array(column) for column in zip(*rows, strict=True))
    # Each line has its reach's stations and two ends, where the edge is that of the next station.
    sizes = i1 - i0 + 3
    stop = np.cumsum(sizes)
    start = stop - sizes
    reach = np.repeat(np.arange(len(rows)), sizes)
    place = np.arange(stop[-1]) - start[reach] - 1
    station = np.clip(i0[reach] + place, i0[reach], i1[reach])
    at = part.s[station]
    # A station at the very end of the road would be there twice.
    keep = (at > s0[reach]) & (at < s1[reach])
    at[start], at[stop - 1] = s0, s1
    keep[start] = keep[stop - 1] = True
    at, station, on = at[keep], station[keep], side[reach[keep]]
    x, y = to_map(part.road, at, _OUTWARD[on] * part.breaks.edge[station, on])
    xy = np.column_stack((x, y)) * (1.0 / unit_m)
    cuts = np.cumsum(np.add.reduceat(keep, start, dtype=np.intp)).tolist()
    return [xy[a:b] for a, b in pairwise((0, *cuts))]


def pond_table(parts: Sequence[RoadStudy]) -> tuple[Table, list[Floats]]:
    """Ponds of all roads and their outlines (metres, closed rings)."""
    rows: list[dict[str, Any]] = []
    rings: list[Floats] = []
    for part in parts:
        ponds = part.water.ponds
        for k in range(len(ponds.depth_mm)):
            outline = np.asarray(ponds.outlines[k], dtype=float)
            x, y = to_map(part.road, outline[:, 0], outline[:, 1])
            rings.append(np.column_stack((x, y)))
            rows.append(
                {
                    "road": part.road.name,
                    "depth_mm": ponds.depth_mm[k],
                    "area_m2": ponds.area_m2[k],
                    "volume_m3": ponds.volume_m3[k],
                    "side": SIDES[int(ponds.side[k])],
                    "where": ponds.where[k],
                    "station_m": float(part.road.label(float(np.mean(outline[:, 0])))),
                    "spill_station_m": float(part.road.label(float(ponds.spill_s[k]))),
                    "spill_offset_m": ponds.spill_o[k],
                    "certain": float(ponds.certain[k]),
                    "doubt": ponds.doubt[k],
                }
            )
    table = Table.of(POND_COLUMNS, {n: [row[n] for row in rows] for n in POND_COLUMNS})
    return table, rings
