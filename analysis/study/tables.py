"""From measured arrays to the tables that people and other programs read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.columns import EDIT_COLUMNS, POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.sides import SIDE_SIGN, SIDES, Source
from analysis.common.station_arrays import joined
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.findings.geopackage import Findings
from analysis.road.roadline import Road, to_map
from analysis.shoulder.values import Status
from analysis.study.road_rows import NOT_SCREENED, failed_roads, road_rows
from analysis.study.values import RoadStudy, Study
from analysis.verdict.reaches import looks_first, ranks
from analysis.verdict.reasons import describe_stations, reach_sentences
from analysis.verdict.values import Harm, Reach
from analysis.water.assess import judge_ditch

__all__ = ["gather", "pond_table", "reach_lines", "reach_table", "station_table"]


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


def gather(
    parts: Sequence[RoadStudy],
    record: Mapping[str, Any],
    edits: Table | None,
    before: Findings | None = None,
    *,
    moved: bool = False,
    lost: Sequence[tuple[Road, str]] = (),
) -> Study:
    """All roads, at least one, with tables and geometry over them; ranks run over all.

    Parameters
    ----------
    parts, record, edits
        The roads, what the run layer keeps, and a person's corrections.
    before
        Findings of the same roads, whose reviews still stand.
    moved
        True where breaks are no longer where they were; else places and ponds still stand too.
    lost
        Roads that couldn't be screened, and why; of `before` they are known.
    """
    rows = accumulate((2 * len(part.s) for part in parts), initial=0)
    parts = tuple(replace(part, first_row=row) for part, row in zip(parts, rows, strict=False))
    grid = parts[0].case.grid
    scale = 1.0 / grid.xy_unit_m
    if before is None or moved:
        ponds, rings = pond_table(parts)
        pond_rings = tuple(ring * scale for ring in rings)
        station_xy = np.concatenate([_edge_points(part) * scale for part in parts])
    else:
        ponds, pond_rings, station_xy = before.ponds, before.pond_rings, before.station_xy
    reaches = reach_table(parts)
    roads, road_lines = road_rows(parts, reaches), [part.road.xy * scale for part in parts]
    if before is not None:
        away = np.flatnonzero(before.roads["outcome"] == NOT_SCREENED)
        rest, rest_lines = before.roads.where(away), [before.road_lines[row] for row in away]
    else:
        rest = failed_roads([road for road, _ in lost], [why for _, why in lost])
        rest_lines = [road.xy * scale for road, _ in lost]
    findings = Findings(
        stations=station_table(parts),
        reaches=reaches,
        ponds=ponds,
        station_xy=station_xy,
        reach_lines=tuple(line for part in parts for line in reach_lines(part, grid.xy_unit_m)),
        pond_rings=pond_rings,
        crs_wkt=grid.crs_wkt,
        run=dict(record),
        edits=edits if edits is not None else Table.empty(EDIT_COLUMNS),
        roads=roads.joined(rest),
        road_lines=(*road_lines, *rest_lines),
        why={
            "station": [why for part in parts for why in part.measures.reason.ravel().tolist()],
            "reach": [reach.why for part in parts for reach in part.reaches],
        },
    )
    return Study(parts, findings if before is None else replace(findings, reviews=before.reviews))


def _edge_points(part: RoadStudy) -> Floats:
    """(2n, 2) places of the pavement edges, left and right of each station in turn."""
    x, y = to_map(part.road, part.s[:, None], _OUTWARD * part.breaks.edge)
    return np.column_stack((x.ravel(), y.ravel()))


def station_table(parts: Sequence[RoadStudy]) -> Table:
    """Rows of all roads, at least one, in the order station, then left and right."""
    limits = parts[0].case.limits
    measures = joined([part.measures for part in parts])
    breaks = joined([part.breaks for part in parts])
    water = joined([part.measured.water for part in parts])
    kerb = np.concatenate([part.measured.shoulder.kerb for part in parts])
    areas = joined([part.judged.areas for part in parts])
    judgement = joined([part.judged.judgement for part in parts])
    p_kerb = np.concatenate([part.measured.shoulder.p_kerb for part in parts])
    away = np.concatenate([part.measured.shoulder.kerb_away_m for part in parts])
    reasons = describe_stations(
        measures,
        judgement,
        limits,
        held_mm=water.held.depth_mm,
        p_kerb=p_kerb,
        kerb=kerb,
        assumed=breaks.edge_source == Source.NOMINAL,
        away_m=away,
    )
    crossed = water.ditch.crossing & (measures.status == Status.OK)
    reasons[crossed] = [
        f"{text} Something crosses the ditch here: name its culvert or have a look."
        for text in reasons[crossed]
    ]
    sizes = [len(part.s) for part in parts]
    names = np.array([part.road.name for part in parts], dtype=object)
    columns: dict[str, NDArray[Any]] = {
        "road": np.repeat(names, 2 * np.array(sizes)),
        "station_m": np.repeat(np.concatenate([part.station_m for part in parts]), 2),
        "side": np.tile(np.array(SIDES, dtype=object), sum(sizes)),
        "edge_offset_m": _OUTWARD * breaks.edge,
        "edge_found": breaks.edge_source != Source.NOMINAL,
        "hinge_offset_m": _OUTWARD * breaks.hinge,
        "reason": reasons,
        "edge_se_m": breaks.edge_se,
        "edge_source": _SOURCES[breaks.edge_source],
        "hinge_source": _SOURCES[breaks.hinge_source],
        "ditch_offset_m": _OUTWARD * breaks.ditch,
        "breakover_points": measures.shoulder_slope_pct - measures.pavement_slope_pct,
        "distance_m": np.repeat(breaks.s, 2),
        "kerb": kerb,
        "p_kerb": p_kerb,
        "kerb_away_m": away,
        "crowned": np.repeat(breaks.crowned, 2),
        "retained_mm": water.held.depth_mm,
        "pond_depth_mm": water.pond_depth_mm,
        "ditch_depth_m": water.ditch.depth_m,
        "ditch_grade_pct": water.ditch.grade_pct,
        "ditch_blocked": judge_ditch(water.ditch, water.kerb, limits.water),
        "ditch_crossed": water.ditch.crossing,
    }
    for name in ("cut_m2", "fill_m2", "cut_se", "fill_se"):
        columns[name] = getattr(areas, name)
    for name in STATION_COLUMNS:
        if name not in columns:
            columns[name] = getattr(judgement if hasattr(judgement, name) else measures, name)
    return Table.of(STATION_COLUMNS, columns)


def reach_table(parts: Sequence[RoadStudy]) -> Table:
    """Reaches of all roads, ranked over all of them."""
    reaches = [reach for part in parts for reach in part.reaches]
    columns: dict[str, list[Any]] = {
        "road": [part.road.name for part in parts for _ in part.reaches],
        "side": [SIDES[reach.side] for reach in reaches],
        "first_index": [reach.i0 for reach in reaches],
        "last_index": [reach.i1 for reach in reaches],
    }
    columns["reason"] = [reach_sentences(reach, parts[0].case.limits) for reach in reaches]
    for name in _REACH_FIELDS:
        columns[name] = [getattr(reach, name) for reach in reaches]
    held = [reach.balance for reach in reaches]
    for name, field in _BALANCE_COLUMNS.items():
        columns[name] = [np.nan if b is None else getattr(b, field) for b in held]
    columns["rank"] = ranks(reaches).tolist()
    columns["harm_class"] = [np.nan if r.harm == Harm.NONE else float(r.harm) for r in reaches]
    columns["harm"] = [reach.priority for reach in reaches]
    columns["look_first"] = looks_first(reaches).tolist()
    return Table.of(REACH_COLUMNS, columns)


_REACH_FIELDS = tuple(
    name
    for name in REACH_COLUMNS
    if name in Reach.__dataclass_fields__ and name not in ("side", "harm")
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
    found = [(part.road, part.measured.water.ponds) for part in parts]
    outlines = [(road, outline) for road, ponds in found for outline in ponds.outlines]
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(ponds, name) for _, ponds in found])
        for name in ("depth_mm", "area_m2", "volume_m3", "where", "certain", "doubt")
    }
    columns |= {
        "road": [road.name for road, _ in outlines],
        "side": [SIDES[side] for _, ponds in found for side in ponds.side],
        "station_m": [road.label(outline[:-1, 0].mean()) for road, outline in outlines],
        "spill_station_m": np.concatenate([road.label(ponds.spill_s) for road, ponds in found]),
        "spill_offset_m": np.concatenate([ponds.spill_o for _, ponds in found]),
    }
    rings = [ring for road, ponds in found for ring in _rings(road, ponds.outlines)]
    return Table.of(POND_COLUMNS, columns), rings


def _rings(road: Road, outlines: Sequence[Floats]) -> list[Floats]:
    """Outlines (k, 2) in road coordinates as rings on the map, all in one call."""
    if not outlines:
        return []
    xy = np.column_stack(to_map(road, *np.concatenate(outlines).T))
    return np.split(xy, np.cumsum([len(outline) for outline in outlines])[:-1])
