"""From measured arrays to the tables that people and other programs read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis import alignment, material
from analysis.alignment import Road
from analysis.breaks import Breaks
from analysis.findings import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS, Table
from analysis.limits import Limits
from analysis.reaches import (
    CANT_TELL,
    DEFECTS,
    FINDINGS,
    NO_DATA,
    SHEDS,
    WONT_SHED,
    Judgement,
    describe_station,
    runs,
)
from analysis.settings import Settings
from analysis.surfaces import Measures
from analysis.water import Water, judge_ditch

if TYPE_CHECKING:
    from analysis.screening import RoadStudy

__all__ = [
    "SIDES",
    "SOURCES",
    "Reach",
    "build_reaches",
    "pond_table",
    "reach_table",
    "station_table",
]

Floats = NDArray[np.float64]

SIDES = ("left", "right")
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
}
SIDE_SIGN = np.array([-1.0, 1.0])
# In the order of the SOURCE_ numbers of `breaks`.
SOURCES = np.array(["nominal", "found", "given"], dtype=object)


@dataclass(frozen=True, slots=True)
class Reach:
    """A run of stations on one side with one finding, and the work it asks for.

    `i0` and `i1` are the first and last station (inclusive), `side` 0 is left; lengths in metres,
    volumes in the state that their names say. NaN is unknown.
    """

    side: int
    i0: int
    i1: int
    from_m: float
    to_m: float
    s0: float
    s1: float
    length_m: float
    finding: str
    verdict: str
    treatment: str
    clean_ditch: bool
    ditch_clean_m: float
    mean_slope_pct: float
    mean_slope_se: float
    required_slope_pct: float
    p_wont_shed: float
    worst_drop_mm: float
    balance: material.Balance | None
    severity: float
    reason: str
    rank: int = 0


def build_reaches(
    road: Road,
    s: Floats,
    breaks: Breaks,
    measures: Measures,
    water: Water,
    areas: material.Areas,
    judgement: Judgement,
    labels: NDArray[np.int8],
    settings: Settings,
    limits: Limits,
) -> tuple[Reach, ...]:
    """Cut each side of a road into reaches and decide the work for each.

    The sides are independent; every station belongs to exactly one reach.
    """
    blocked = judge_ditch(water, limits)
    bounds = _station_bounds(road, s)
    found = []
    for side in (0, 1):
        # A sound shoulder above a blocked ditch is a finding of its own.
        side_labels = labels[:, side].astype(np.int16)
        side_labels = np.where(
            (side_labels == 0) & _settled(blocked[:, side], s, limits), len(FINDINGS), side_labels
        )
        for i0, i1, label in runs(side_labels):
            finding = "blocked ditch" if label == len(FINDINGS) else FINDINGS[label]
            found.append(
                _reach(
                    road,
                    s,
                    side,
                    i0,
                    i1,
                    (bounds[i0], bounds[i1 + 1]),
                    finding,
                    breaks,
                    measures,
                    areas,
                    judgement,
                    blocked,
                    settings,
                    limits,
                )
            )
    return tuple(found)


def _station_bounds(road: Road, s: Floats) -> Floats:
    """(n + 1,) where each station's stretch begins and ends: halfway to its neighbours."""
    middle = 0.5 * (s[1:] + s[:-1])
    return np.concatenate(([0.0], middle, [road.length_m]))


def _settled(flags: NDArray[np.bool_], s: Floats, limits: Limits) -> NDArray[np.bool_]:
    """Flags in runs of at least the shortest workable reach."""
    out = np.zeros(len(flags), dtype=bool)
    spacing = float(np.median(np.diff(s))) if len(s) > 1 else limits.shortest_reach_m.value
    for i0, i1, on in runs(flags.astype(np.int8)):
        if on and (i1 - i0 + 1) * spacing >= limits.shortest_reach_m.value - 1e-9:
            out[i0 : i1 + 1] = True
    return out


def _reach(
    road: Road,
    s: Floats,
    side: int,
    i0: int,
    i1: int,
    ends: tuple[float, float],
    finding: str,
    breaks: Breaks,
    measures: Measures,
    areas: material.Areas,
    judgement: Judgement,
    blocked: NDArray[np.bool_],
    settings: Settings,
    limits: Limits,
) -> Reach:
    here = slice(i0, i1 + 1)
    s0, s1 = float(ends[0]), float(ends[1])
    length = s1 - s0
    slope, slope_se = _mean_slope(measures, side, i0, i1, settings)
    worst, worst_se = material.sustained_drop(
        measures.edge_drop_mm, measures.edge_drop_se, s, side, i0, i1, limits
    )
    ditch_m = length * float(np.mean(blocked[here, side]))
    clean = ditch_m >= min(length, limits.shortest_reach_m.value) - 1e-9 and ditch_m > 0.0
    balance = None
    treatment = "none"
    if finding in DEFECTS:
        balance = material.balance(
            s,
            areas,
            side,
            i0,
            i1,
            limits,
            ends_m=(s0, s1),
            worst_drop_mm=worst,
            worst_drop_se=worst_se,
        )
        treatment = balance.treatment
    elif finding == CANT_TELL:
        treatment = CANT_TELL
    if clean and finding != NO_DATA:
        treatment = {
            "none": "clean ditch",
            "reshape": "reshape and clean ditch",
            "replenish": "replenish and clean ditch",
        }.get(treatment, treatment)
    verdict = {"none": SHEDS, "blocked ditch": SHEDS, CANT_TELL: CANT_TELL, NO_DATA: NO_DATA}.get(
        finding, WONT_SHED
    )
    p = judgement.p_wont_shed[here, side]
    if finding in ("eroded edge", "rutted") and np.isfinite(p).any() and np.nanmedian(p) < 0.5:
        # Worn, but the water still leaves.
        verdict = SHEDS
    severity = _severity(finding, side, here, measures, judgement, breaks, limits)
    required = judgement.required_slope_pct[here, side]
    reach = Reach(
        side=side,
        i0=i0,
        i1=i1,
        from_m=float(road.label(s0)),
        to_m=float(road.label(s1)),
        s0=s0,
        s1=s1,
        length_m=length,
        finding=finding,
        verdict=verdict,
        treatment=treatment,
        clean_ditch=clean,
        ditch_clean_m=ditch_m if clean else 0.0,
        mean_slope_pct=slope,
        mean_slope_se=slope_se,
        required_slope_pct=float(np.nanmean(required)) if np.isfinite(required).any() else np.nan,
        p_wont_shed=float(np.nanmean(p)) if np.isfinite(p).any() else np.nan,
        worst_drop_mm=worst,
        balance=balance,
        severity=severity,
        reason="",
    )
    exposure = _drained_half_widths(side, here, measures, breaks)
    return replace(
        reach, reason=_reach_sentence(reach, measures, judgement, here, exposure, limits)
    )


def _mean_slope(
    measures: Measures, side: int, i0: int, i1: int, settings: Settings
) -> tuple[float, float]:
    """Mean slope of a reach; its error counts overlapping windows only once."""
    here = slice(i0, i1 + 1)
    slope, se = measures.shoulder_slope_pct[here, side], measures.shoulder_slope_se[here, side]
    known = np.isfinite(slope) & np.isfinite(se)
    if not known.any():
        return float("nan"), float("nan")
    average = float(np.nanmedian(measures.average_m[here, side]))
    independent = max(1.0, known.sum() * min(1.0, settings.spacing_m / average))
    rms = float(np.sqrt(np.mean(se[known] ** 2)))
    return float(np.mean(slope[known])), rms / np.sqrt(independent)


def _drained_half_widths(side: int, here: slice, measures: Measures, breaks: Breaks) -> float:
    """How much pavement sheds towards this shoulder: 1 from a crown, 2 on the low side, 0 high."""
    crowned = breaks.crowned[here]
    inward = measures.pavement_slope_pct[here, side] < 0.0
    return float(np.mean(np.where(crowned, 1.0, np.where(inward, 0.0, 2.0))))


def _severity(
    finding: str,
    side: int,
    here: slice,
    measures: Measures,
    judgement: Judgement,
    breaks: Breaks,
    limits: Limits,
) -> float:
    """How bad, in multiples of the limit that is passed (1 at the limit, at most 3).

    Severity × length × exposure ranks the reaches; exposure is the pavement width that drains
    here plus a half, since traffic meets an edge whichever way the water runs.
    """
    if finding not in DEFECTS:
        return 0.0
    drop = measures.edge_drop_mm[here, side]
    slope = measures.shoulder_slope_pct[here, side]
    required = judgement.required_slope_pct[here, side]
    over = {
        "eroded edge": drop / max(limits.edge_drop_mm.value, 1.0),
        "high": -drop / max(limits.high_shoulder_mm.value, 1.0),
        "rutted": np.fmax(
            measures.rut_mm[here, side] / max(limits.rut_mm.value, 1.0),
            measures.ridge_mm[here, side] / max(limits.ridge_mm.value, 1.0),
        ),
        "ponding": np.ones_like(drop),
    }.get(finding)
    if over is None:
        over = 1.0 + (required - limits.slope_shortfall_points.value - slope) / np.maximum(
            required, 1.0
        )
    known = over[np.isfinite(over)]
    return float(np.clip(np.mean(known), 0.3, 3.0)) if len(known) else 1.0


def _priority(reach: Reach, exposure: float) -> float:
    return reach.severity * reach.length_m * (0.5 + exposure)


def _reach_sentence(
    reach: Reach,
    measures: Measures,
    judgement: Judgement,
    here: slice,
    exposure: float,
    limits: Limits,
) -> str:
    """One plain sentence or two: what is wrong, how sure, what to do and why it ranks where."""
    side, finding = reach.side, reach.finding
    length = f"{reach.length_m:.0f} m"
    if finding == NO_DATA:
        return f"No data over {length}: {_commonest(measures.reason[here, side])}"
    falls = (
        f"falls {reach.mean_slope_pct:.1f} ± {reach.mean_slope_se:.1f} % where "
        f"{reach.required_slope_pct:.1f} % is required"
        if np.isfinite(reach.mean_slope_pct)
        else "couldn't be measured"
    )
    if finding == CANT_TELL:
        why = _commonest(measures.reason[here, side])
        if not why and np.isfinite(reach.p_wont_shed):
            why = (
                f"the shoulder {falls}, edge drop {reach.worst_drop_mm:.0f} mm; probability "
                f"{reach.p_wont_shed:.2f} that it won't shed."
            )
        return f"Can't tell over {length}: {why or 'the shoulder ' + falls + '.'}"
    texts = {
        "none": f"Sound over {length}: the shoulder {falls}.",
        "blocked ditch": f"Sound shoulder over a ditch that doesn't drain, {length}.",
        "flat": f"Flat over {length}: {falls}.",
        "reversed": f"Reversed over {length}: {falls}.",
        "high": f"High over {length}: up to {-reach.worst_drop_mm:.0f} mm above the pavement edge.",
        "eroded edge": (
            f"Edge eroded over {length}: up to {reach.worst_drop_mm:.0f} mm below the pavement."
        ),
        "rutted": f"Rutted over {length}: {_worst_rut(measures, here, side)}.",
        "ponding": f"Holds water over {length} although it {falls}.",
    }
    text = texts[finding]
    if reach.balance is not None:
        text += f" {reach.balance.reason}"
    if reach.clean_ditch and finding != "blocked ditch":
        text += f" Clean {reach.ditch_clean_m:.0f} m of ditch with it."
    if finding in DEFECTS:
        drained = {0: "no pavement", 1: "half the pavement", 2: "the whole pavement"}[
            round(exposure)
        ]
        text += f" Severity {reach.severity:.1f} of the limit; {drained} drains here."
    return text


def _commonest(reasons: NDArray[np.object_]) -> str:
    said = [str(reason) for reason in reasons if reason]
    return max(sorted(set(said)), key=said.count) if said else ""


def _worst_rut(measures: Measures, here: slice, side: int) -> str:
    rut, ridge = measures.rut_mm[here, side], measures.ridge_mm[here, side]
    parts = [
        f"{name} to {float(np.nanmax(values)):.0f} mm"
        for name, values in (("rut", rut), ("ridge", ridge))
        if np.isfinite(values).any()
    ]
    return " and ".join(parts) or "depth unknown"


def station_table(part: RoadStudy, limits: Limits) -> Table:
    """Rows of one road in the order station, then left and right."""
    n = len(part.s)
    m, b, w, j = part.measures, part.breaks, part.water, part.judgement
    blocked = judge_ditch(w, limits)

    def both(values: Any) -> NDArray[Any]:
        return np.repeat(np.asarray(values), 2)

    def offsets(u: Floats) -> Floats:
        return np.asarray(SIDE_SIGN * u).ravel()

    reasons = np.empty((n, 2), dtype=object)
    for i in range(n):
        for side in (0, 1):
            reasons[i, side] = describe_station(m, j, limits, i, side, kerb=bool(b.kerb[i, side]))
    columns: dict[str, Any] = {
        "road": both(np.full(n, part.road.name, dtype=object)),
        "station_m": both(part.station_m),
        "side": np.tile(np.array(SIDES, dtype=object), n),
        "edge_offset_m": offsets(b.edge),
        "edge_found": (b.edge_source != 0).ravel(),
        "hinge_offset_m": offsets(b.hinge),
        "required_slope_pct": j.required_slope_pct.ravel(),
        "verdict": j.verdict.ravel(),
        "finding": j.finding.ravel(),
        "reason": reasons.ravel(),
        "edge_se_m": b.edge_se.ravel(),
        "edge_source": SOURCES[b.edge_source.ravel()],
        "hinge_source": SOURCES[b.hinge_source.ravel()],
        "ditch_offset_m": offsets(b.ditch),
        "breakover_points": (m.shoulder_slope_pct - m.pavement_slope_pct).ravel(),
        "cut_m2": part.areas.cut_m2.ravel(),
        "fill_m2": part.areas.fill_m2.ravel(),
        "cut_se": part.areas.cut_se.ravel(),
        "fill_se": part.areas.fill_se.ravel(),
        "distance_m": both(part.s),
        "kerb": b.kerb.ravel(),
        "crowned": both(b.crowned),
        "ditch_blocked": blocked.ravel(),
    }
    for name in ("p_wont_shed", "p_drop", "p_high", "p_rut"):
        columns[name] = getattr(j, name).ravel()
    for name in ("retained_mm", "pond_depth_mm", "ditch_depth_m", "ditch_grade_pct"):
        columns[name] = getattr(w, name).ravel()
    for name in STATION_COLUMNS:
        if name not in columns:
            columns[name] = np.asarray(getattr(m, name), dtype=float).ravel()
    return Table(
        {
            name: columns[name] if kind == "str" else np.asarray(columns[name], dtype=float)
            for name, kind in STATION_COLUMNS.items()
        }
    )


def reach_table(parts: Sequence[RoadStudy]) -> tuple[Table, list[Floats]]:
    """Reaches of all roads, ranked over all of them, and their lines along the edge (metres)."""
    rows: list[dict[str, Any]] = []
    lines: list[Floats] = []
    priorities: list[float] = []
    for part in parts:
        for reach in part.reaches:
            here = slice(reach.i0, reach.i1 + 1)
            exposure = _drained_half_widths(reach.side, here, part.measures, part.breaks)
            priorities.append(_priority(reach, exposure))
            rows.append(_reach_row(part, reach))
            lines.append(_reach_line(part, reach))
    order = np.argsort(-np.array(priorities), kind="stable")
    rank = 0
    for index in order:
        if priorities[index] > 0.0:
            rank += 1
            rows[index]["rank"] = rank
    table = Table(
        {
            name: np.array([row.get(name, np.nan) for row in rows], dtype=float)
            if kind != "str"
            else np.array([row[name] for row in rows], dtype=object)
            for name, kind in REACH_COLUMNS.items()
        }
    )
    return table, lines


def _reach_row(part: RoadStudy, reach: Reach) -> dict[str, Any]:
    row: dict[str, Any] = {
        "road": part.road.name,
        "side": SIDES[reach.side],
        "first_index": reach.i0,
        "last_index": reach.i1,
    }
    for name in REACH_COLUMNS:
        if name not in row and name != "rank" and hasattr(reach, name):
            row[name] = getattr(reach, name)
    if reach.balance is not None:
        for name, field in _BALANCE_COLUMNS.items():
            row[name] = getattr(reach.balance, field)
    return row


def _reach_line(part: RoadStudy, reach: Reach) -> Floats:
    """Line along the pavement edge, through the stations, out to the reach's two ends."""
    u = part.breaks.edge[reach.i0 : reach.i1 + 1, reach.side]
    s = part.s[reach.i0 : reach.i1 + 1]
    along = np.unique(np.concatenate(([reach.s0], s, [reach.s1])))
    if len(along) < 2:
        along = np.array([reach.s0, reach.s1])
    offset = SIDE_SIGN[reach.side] * np.interp(along, s, u)
    x, y = alignment.to_map(part.road, along, offset)
    return np.column_stack((x, y))


def pond_table(parts: Sequence[RoadStudy]) -> tuple[Table, list[Floats]]:
    """Ponds of all roads and their outlines (metres, closed rings)."""
    rows: list[dict[str, Any]] = []
    rings: list[Floats] = []
    for part in parts:
        ponds = part.water.ponds
        for k in range(len(ponds.depth_mm)):
            outline = np.asarray(ponds.outlines[k], dtype=float)
            x, y = alignment.to_map(part.road, outline[:, 0], outline[:, 1])
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
                }
            )
    table = Table(
        {
            name: np.array([row[name] for row in rows], dtype=object if kind == "str" else float)
            for name, kind in POND_COLUMNS.items()
        }
    )
    return table, rings
