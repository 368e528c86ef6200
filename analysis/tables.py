"""From measured arrays to the tables that people and other programs read."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
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
    describe_stations,
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
    "reach_lines",
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
    "p_replenish": "p_replenish",
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
    priority: float
    reason: str


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
    if len(s) == 0:
        return ()
    blocked = judge_ditch(water, limits)
    bounds = _station_bounds(road, s)
    names = np.asarray(road.label(bounds), dtype=float)
    found: list[Reach] = []
    for side in (0, 1):
        # A sound shoulder above a blocked ditch is a finding of its own.
        named = np.where(
            (labels[:, side] == 0) & _settled(blocked[:, side], s, limits),
            len(FINDINGS),
            labels[:, side].astype(np.int16),
        )
        # What isn't judged for one reason is a reach apart from what isn't for another.
        withheld = named == FINDINGS.index(CANT_TELL)
        named[withheld] = len(FINDINGS) + 1 + _reason_numbers(measures.reason[withheld, side])
        parts = runs(named)
        first = np.array([part[0] for part in parts])
        last = np.array([part[1] for part in parts])
        figures = _figures(
            side, first, last, s, breaks, measures, judgement, blocked, settings, limits
        )
        findings = [
            "blocked ditch"
            if label == len(FINDINGS)
            else CANT_TELL
            if label > len(FINDINGS)
            else FINDINGS[label]
            for *_, label in parts
        ]
        faulty = np.flatnonzero([finding in DEFECTS for finding in findings])
        begins, finishes = bounds[first], bounds[last + 1]
        balances = dict(
            zip(
                faulty.tolist(),
                material.balances(
                    s,
                    areas,
                    side,
                    first[faulty],
                    last[faulty],
                    limits,
                    ends_m=np.column_stack((begins[faulty], finishes[faulty])),
                    worst_drop_mm=figures["worst_drop_mm"][faulty],
                    worst_drop_se=figures["worst_drop_se"][faulty],
                ),
                strict=True,
            )
        )
        plain = {name: values.tolist() for name, values in figures.items()}
        for k, finding in enumerate(findings):
            found.append(
                _reach(
                    side,
                    (int(first[k]), int(last[k])),
                    (float(begins[k]), float(finishes[k])),
                    (float(names[first[k]]), float(names[last[k] + 1])),
                    finding,
                    {name: values[k] for name, values in plain.items()},
                    balances.get(k),
                    measures,
                    limits,
                )
            )
    return tuple(found)


def _reason_numbers(reasons: NDArray[np.object_]) -> NDArray[np.int16]:
    """Number the reasons, 0 where there is none; reasons that differ in figures are the same."""
    number: dict[str, int] = {"": 0}
    plain = {text: re.sub(r"[\d.,]+", "", text) for text in dict.fromkeys(reasons.tolist())}
    for text in plain.values():
        number.setdefault(text, len(number))
    return np.array([number[plain[text]] for text in reasons.tolist()], dtype=np.int16)


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


def _figures(
    side: int,
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    s: Floats,
    breaks: Breaks,
    measures: Measures,
    judgement: Judgement,
    blocked: NDArray[np.bool_],
    settings: Settings,
    limits: Limits,
) -> dict[str, NDArray[Any]]:
    """What is added up over each run of stations first..last (inclusive), all runs at once.

    Each entry is (runs,). Severity is how bad a finding is in multiples of the limit that is
    passed, one entry per kind of limit.
    """
    drop = measures.edge_drop_mm[:, side]
    slope = measures.shoulder_slope_pct[:, side]
    required = judgement.required_slope_pct[:, side]
    least = np.maximum(required, 1.0)
    worn = np.fmax(
        measures.rut_mm[:, side] / max(limits.rut_mm.value, 1.0),
        measures.ridge_mm[:, side] / max(limits.ridge_mm.value, 1.0),
    )
    inward = measures.pavement_slope_pct[:, side] < 0.0
    means = {
        "mean_slope_pct": slope,
        "required_slope_pct": required,
        "p_wont_shed": judgement.p_wont_shed[:, side],
        "blocked_share": blocked[:, side].astype(float),
        # How much pavement sheds this way, in half widths: the low side of a curve gets all.
        "drained": np.where(breaks.crowned, 1.0, np.where(inward, 0.0, 2.0)),
        "over eroded edge": drop / max(limits.edge_drop_mm.value, 1.0),
        "over high": -drop / max(limits.high_shoulder_mm.value, 1.0),
        "over rutted": worn,
        "over flat": 1.0 + (required - limits.slope_shortfall_points.value - slope) / least,
    }
    out = {name: _run_means(values, first) for name, values in means.items()}
    # Overlapping windows share cells and count only once in the error of a mean.
    se = measures.shoulder_slope_se[:, side]
    average = _run_means(measures.average_m[:, side], first)
    known = np.add.reduceat(np.isfinite(slope) & np.isfinite(se), first, dtype=float)
    share = np.minimum(1.0, settings.spacing_m / np.where(average > 0.0, average, np.inf))
    out["mean_slope_se"] = np.sqrt(_run_means(se**2, first) / np.maximum(known * share, 1.0))
    spacing = float(np.median(np.diff(s))) if len(s) > 1 else limits.shortest_reach_m.value
    span = max(1, int(np.ceil(limits.shortest_reach_m.value / spacing)))
    low, low_at = _sustained(drop, first, last, span)
    high, high_at = _sustained(-drop, first, last, span)
    use_high = np.nan_to_num(high, nan=-np.inf) > np.nan_to_num(low, nan=-np.inf)
    out["worst_drop_mm"] = np.where(use_high, -high, low)
    out["worst_drop_se"] = measures.edge_drop_se[np.where(use_high, high_at, low_at), side]
    return out


def _run_means(values: Floats, first: NDArray[np.intp]) -> Floats:
    """Mean of the known values of each run; NaN where none is known."""
    known = np.isfinite(values)
    total = np.add.reduceat(np.where(known, values, 0.0), first)
    count = np.add.reduceat(known, first, dtype=float)
    return np.where(count > 0.0, total / np.maximum(count, 1.0), np.nan)


def _sustained(
    values: Floats, first: NDArray[np.intp], last: NDArray[np.intp], span: int
) -> tuple[Floats, NDArray[np.intp]]:
    """Greatest value that each run keeps over `span` stations (or over all of a shorter run).

    The greatest single value would be picked by its noise.

    Returns
    -------
    (runs,) value, NaN where nothing is known, and (runs,) the station that has it.
    """
    from analysis.labelling_kernels import sustained

    out, where = np.empty(len(first)), np.empty(len(first), dtype=np.intp)
    sustained(np.ascontiguousarray(values), first, last, span, out, where)
    return out, where


def _reach(
    side: int,
    indices: tuple[int, int],
    ends: tuple[float, float],
    names: tuple[float, float],
    finding: str,
    figure: dict[str, float],
    balance: material.Balance | None,
    measures: Measures,
    limits: Limits,
) -> Reach:
    i0, i1 = indices
    length = ends[1] - ends[0]
    ditch_m = length * figure["blocked_share"]
    clean = ditch_m >= min(length, limits.shortest_reach_m.value) - 1e-9 and ditch_m > 0.0
    treatment = CANT_TELL if finding == CANT_TELL else "none"
    if balance is not None:
        treatment = balance.treatment
    if clean and finding != NO_DATA:
        treatment = {
            "none": "clean ditch",
            "reshape": "reshape and clean ditch",
            "replenish": "replenish and clean ditch",
        }.get(treatment, treatment)
    verdict = {"none": SHEDS, "blocked ditch": SHEDS, CANT_TELL: CANT_TELL, NO_DATA: NO_DATA}.get(
        finding, WONT_SHED
    )
    if finding in ("eroded edge", "rutted") and figure["p_wont_shed"] < 0.5:
        # Worn, but the water still leaves.
        verdict = SHEDS
    severity = _severity(finding, figure)
    values: dict[str, Any] = dict(
        side=side,
        i0=i0,
        i1=i1,
        from_m=names[0],
        to_m=names[1],
        s0=ends[0],
        s1=ends[1],
        length_m=length,
        finding=finding,
        verdict=verdict,
        treatment=treatment,
        clean_ditch=clean,
        ditch_clean_m=ditch_m if clean else 0.0,
        mean_slope_pct=figure["mean_slope_pct"],
        mean_slope_se=figure["mean_slope_se"],
        required_slope_pct=figure["required_slope_pct"],
        p_wont_shed=figure["p_wont_shed"],
        worst_drop_mm=figure["worst_drop_mm"],
        balance=balance,
        severity=severity,
        # Traffic meets the edge whichever way the water runs, so half a width always counts.
        priority=severity * length * (0.5 + figure["drained"]),
    )
    draft = Reach(**values, reason="")
    return Reach(**values, reason=_reach_sentence(draft, measures, figure["drained"]))


def _severity(finding: str, figure: dict[str, float]) -> float:
    """How bad, in multiples of the limit that is passed: 1 at the limit, at most 3."""
    if finding not in DEFECTS:
        return 0.0
    kind = "flat" if finding == "reversed" else finding
    over = figure.get(f"over {kind}", 1.0)
    return min(max(over, 0.3), 3.0) if np.isfinite(over) else 1.0


def _reach_sentence(reach: Reach, measures: Measures, drained: float) -> str:
    """One plain sentence or two: what is wrong, how sure, what to do and why it ranks where."""
    side, finding = reach.side, reach.finding
    here = slice(reach.i0, reach.i1 + 1)
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
        width = ("no pavement", "half the pavement", "the whole pavement")[round(drained)]
        text += f" Severity {reach.severity:.1f} of the limit; {width} drains here."
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

    reasons = describe_stations(m, j, limits, b.kerb)
    crossed = w.ditch_crossing & (m.status == 0)
    reasons[crossed] = [
        f"{text} Something crosses the ditch here: name its culvert or have a look."
        for text in reasons[crossed]
    ]
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


def reach_table(parts: Sequence[RoadStudy]) -> Table:
    """Reaches of all roads, ranked over all of them."""
    reaches = [reach for part in parts for reach in part.reaches]
    columns: dict[str, list[Any]] = {
        "road": [part.road.name for part in parts for _ in part.reaches],
        "side": [SIDES[reach.side] for reach in reaches],
        "first_index": [reach.i0 for reach in reaches],
        "last_index": [reach.i1 for reach in reaches],
    }
    for name in _REACH_FIELDS:
        columns[name] = [getattr(reach, name) for reach in reaches]
    balances = [reach.balance for reach in reaches]
    for name, field in _BALANCE_COLUMNS.items():
        columns[name] = [np.nan if b is None else getattr(b, field) for b in balances]
    priorities = np.array([reach.priority for reach in reaches])
    order = np.argsort(-priorities, kind="stable")
    rank = np.full(len(reaches), np.nan)
    rank[order] = np.where(priorities[order] > 0.0, np.arange(1.0, len(reaches) + 1.0), np.nan)
    columns["rank"] = rank.tolist()
    return Table(
        {
            name: np.array(columns[name], dtype=object if kind == "str" else float)
            for name, kind in REACH_COLUMNS.items()
        }
    )


_REACH_FIELDS = tuple(
    name for name in REACH_COLUMNS if name in Reach.__dataclass_fields__ and name != "side"
)


def reach_lines(part: RoadStudy) -> list[Floats]:
    """Line (m, 2) of each reach of a road along the pavement edge, end to end, in metres."""
    along, offsets, sizes = [], [], []
    for reach in part.reaches:
        here = slice(reach.i0, reach.i1 + 1)
        s = part.s[here]
        at = np.concatenate(([reach.s0], s[(s > reach.s0) & (s < reach.s1)], [reach.s1]))
        along.append(at)
        offsets.append(SIDE_SIGN[reach.side] * np.interp(at, s, part.breaks.edge[here, reach.side]))
        sizes.append(len(at))
    if not along:
        return []
    x, y = alignment.to_map(part.road, np.concatenate(along), np.concatenate(offsets))
    return np.split(np.column_stack((x, y)), np.cumsum(sizes)[:-1])


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
                    "doubt": ponds.doubt[k],
                }
            )
    table = Table(
        {
            name: np.array([row[name] for row in rows], dtype=object if kind == "str" else float)
            for name, kind in POND_COLUMNS.items()
        }
    )
    return table, rings
