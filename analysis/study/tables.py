"""From measured arrays to the tables that people and other programs read."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.sides import SIDE_SIGN, SIDES, Source
from analysis.common.station_arrays import joined
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.earthwork.areas import Areas, Balance, balances
from analysis.findings.geopackage import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.road.roadline import Road, to_map
from analysis.shoulder.values import Measures
from analysis.verdict.judge import (
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
from analysis.water.assess import judge_ditch

if TYPE_CHECKING:
    from analysis.study.values import RoadStudy

__all__ = [
    "Reach",
    "build_reaches",
    "pond_table",
    "reach_lines",
    "reach_table",
    "station_table",
]


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
# What a reach may be. The order is that of the labels, then what becomes of them (`_kinds`).
_KINDS = np.array([*FINDINGS, "blocked ditch", CANT_TELL], dtype=object)
_SAYS = {"none": SHEDS, "blocked ditch": SHEDS, CANT_TELL: CANT_TELL, NO_DATA: NO_DATA}
_VERDICTS = np.array([_SAYS.get(kind, WONT_SHED) for kind in _KINDS], dtype=object)
_REACH_MEANS = ("mean_slope_pct", "mean_slope_se", "required_slope_pct", "p_wont_shed")
# In the order of the SOURCE_ numbers of `breaks`.
_SOURCES = np.array([source.word for source in Source], dtype=object)


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
    balance: Balance | None
    severity: float
    priority: float
    reason: str


def build_reaches(
    roads: Sequence[Road],
    s: Sequence[Floats],
    crowned: NDArray[np.bool_],
    blocked: NDArray[np.bool_],
    measures: Measures,
    areas: Areas,
    judgement: Judgement,
    labels: NDArray[np.int8],
    settings: Settings,
    limits: Limits,
) -> list[tuple[Reach, ...]]:
    """Cut each side of each road into reaches and decide the work for each.

    Sides and roads are independent; every station belongs to exactly one reach. All are worked on
    as one line: the left sides of all roads, then the right sides (`_in_line`).

    Parameters
    ----------
    roads, s
        The roads and the distances of the stations of each.
    crowned, blocked, measures, areas, judgement, labels
        Over the stations of all roads, one road after the other.
    """
    sizes = np.array([len(own) for own in s])
    n = int(sizes.sum())
    if n == 0:
        return [() for _ in roads]
    road_of = np.repeat(np.arange(len(roads)), sizes)
    start = np.cumsum(sizes) - sizes
    spacing = np.tile(np.repeat([_spacing(own, limits) for own in s], sizes), 2)
    blocked = _in_line(blocked)
    begins = np.concatenate([at + start[sizes > 0] for at in (0, n)])
    kind = _kinds(labels, blocked, measures, spacing, begins, limits)
    first, last = runs(kind, begins)
    kind = np.minimum(kind[first], len(_KINDS) - 1)
    stretches = [_stretches(road, own) for road, own in zip(roads, s, strict=True)]
    names = np.concatenate([road.label(own) for road, own in zip(roads, stretches, strict=True)])
    ends = np.concatenate(stretches)
    side, i0, i1 = first // n, first % n, last % n
    s0, s1 = ends[i0, 0], ends[i1, 1]
    length = s1 - s0
    figures = _figures(
        first, last, spacing[first], crowned, measures, judgement, blocked, settings, limits
    )
    faulty = np.flatnonzero((kind > 0) & (kind <= len(DEFECTS)))
    held: list[Balance | None] = [None] * len(first)
    made = balances(
        np.concatenate(s),
        areas,
        side[faulty],
        i0[faulty],
        i1[faulty],
        limits,
        ends_m=np.column_stack((s0[faulty], s1[faulty])),
        worst_drop_mm=figures["worst_drop_mm"][faulty],
        worst_drop_se=figures["worst_drop_se"][faulty],
    )
    for k, balance in zip(faulty.tolist(), made, strict=True):
        held[k] = balance
    ditch_m = length * figures["blocked_share"]
    clean = (ditch_m > 0.0) & (
        ditch_m >= np.minimum(length, limits.decision.shortest_reach_m.value) - 1e-9
    )
    finding = _KINDS[kind]
    verdict = _VERDICTS[kind]
    # Worn, but the water still leaves.
    worn = (finding == "eroded edge") | (finding == "rutted")
    verdict[worn & (figures["p_wont_shed"] < 0.5)] = SHEDS
    severity = _severities(kind, figures)
    columns: dict[str, Any] = {
        "side": side,
        "i0": i0 - start[road_of[i0]],
        "i1": i1 - start[road_of[i0]],
        "from_m": names[i0, 0],
        "to_m": names[i1, 1],
        "s0": s0,
        "s1": s1,
        "length_m": length,
        "finding": finding,
        "verdict": verdict,
        "clean_ditch": clean,
        "ditch_clean_m": np.where(clean, ditch_m, 0.0),
        **{name: figures[name] for name in _REACH_MEANS},
        "worst_drop_mm": figures["worst_drop_mm"],
        "severity": severity,
        # Traffic meets the edge whichever way the water runs, so half a width always counts.
        "priority": severity * length * (0.5 + figures["drained"]),
    }
    columns = {name: values.tolist() for name, values in columns.items()}
    columns["balance"] = held
    columns["treatment"] = [
        _treatment(*row)
        for row in zip(columns["finding"], held, columns["clean_ditch"], strict=True)
    ]
    columns["reason"] = _reasons(columns, figures, first, last, _in_line(measures.reason))
    rows = zip(*(columns[field.name] for field in fields(Reach)), strict=True)
    found: list[list[Reach]] = [[] for _ in roads]
    for road, row in zip(road_of[i0].tolist(), rows, strict=True):
        found[road].append(Reach(*row))
    return [tuple(own) for own in found]


def _in_line(values: NDArray[Any]) -> NDArray[Any]:
    """Values (n, 2) of both sides as one line (2n,): all of the left side, then the right."""
    return values.T.ravel()


def _kinds(
    labels: NDArray[np.int8],
    blocked: NDArray[np.bool_],
    measures: Measures,
    spacing_m: Floats,
    begins: NDArray[np.intp],
    limits: Limits,
) -> NDArray[np.int16]:
    """(2n,) what tells reaches apart: places in `_KINDS`, and beyond them further reasons."""
    kind = _in_line(labels).astype(np.int16)
    # A sound shoulder above a blocked ditch is a finding of its own.
    first, last = runs(blocked, begins)
    long = (last - first + 1) * spacing_m[first] >= limits.decision.shortest_reach_m.value - 1e-9
    settled = np.repeat(blocked[first] & long, last - first + 1)
    kind[settled & (kind == 0)] = len(FINDINGS)
    # What isn't judged for one reason is a reach apart from what isn't for another.
    withheld = kind == FINDINGS.index(CANT_TELL)
    kind[withheld] = len(FINDINGS) + 1 + _reason_numbers(_in_line(measures.reason)[withheld])
    return kind


def _reason_numbers(reasons: NDArray[np.object_]) -> NDArray[np.int16]:
    """Number the reasons, 0 where there is none; reasons that differ in figures are the same."""
    number: dict[str, int] = {"": 0}
    plain = {text: re.sub(r"[\d.,]+", "", text) for text in dict.fromkeys(reasons.tolist())}
    for text in plain.values():
        number.setdefault(text, len(number))
    return np.array([number[plain[text]] for text in reasons.tolist()], dtype=np.int16)


def _spacing(s: Floats, limits: Limits) -> float:
    """Spacing of the stations of a road; one alone makes a reach as long as any."""
    return float(np.median(np.diff(s))) if len(s) > 1 else limits.decision.shortest_reach_m.value


def _stretches(road: Road, s: Floats) -> Floats:
    """(n, 2) where each station's stretch begins and ends: halfway to its neighbours."""
    bounds = np.concatenate(([0.0], 0.5 * (s[1:] + s[:-1]), [road.length_m]))
    return np.column_stack((bounds[:-1], bounds[1:]))[: len(s)]


def _figures(
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    spacing_m: Floats,
    crowned: NDArray[np.bool_],
    measures: Measures,
    judgement: Judgement,
    blocked: NDArray[np.bool_],
    settings: Settings,
    limits: Limits,
) -> dict[str, Floats]:
    """What is added up over each run of places first..last (inclusive) of the line of both sides.

    Each entry is (runs,), as is the spacing of the stations. Severity is how bad a finding is in
    multiples of the limit that is passed, one entry per kind of limit.
    """
    drop, slope, required, rut, ridge = (
        _in_line(values)
        for values in (
            measures.edge_drop_mm,
            measures.shoulder_slope_pct,
            judgement.required_slope_pct,
            measures.rut_mm,
            measures.ridge_mm,
        )
    )
    least = np.maximum(required, 1.0)
    inward = measures.pavement_slope_pct < 0.0
    drained = np.where(crowned[:, None], 1.0, np.where(inward, 0.0, 2.0))
    se = _in_line(measures.shoulder_slope_se)
    means = {
        "mean_slope_pct": slope,
        "required_slope_pct": required,
        "p_wont_shed": _in_line(judgement.p_wont_shed),
        "blocked_share": blocked,
        # How much pavement sheds this way, in half widths: the low side of a curve gets all.
        "drained": _in_line(drained),
        "over eroded edge": drop / max(limits.shape.edge_drop_mm.value, 1.0),
        "over high": -drop / max(limits.shape.high_shoulder_mm.value, 1.0),
        "over rutted": np.fmax(
            rut / max(limits.shape.rut_mm.value, 1.0), ridge / max(limits.shape.ridge_mm.value, 1.0)
        ),
        "over flat": 1.0 + (required - limits.shape.slope_shortfall_points.value - slope) / least,
        "slope variance": se**2,
        "average_m": _in_line(measures.average_m),
    }
    out = dict(zip(means, _run_means(np.array([*means.values()], dtype=float), first), strict=True))
    # Overlapping windows share cells and count only once in the error of a mean.
    average = out["average_m"]
    known = np.add.reduceat(np.isfinite(slope) & np.isfinite(se), first, dtype=float)
    share = np.minimum(1.0, settings.spacing_m / np.where(average > 0.0, average, np.inf))
    out["mean_slope_se"] = np.sqrt(out["slope variance"] / np.maximum(known * share, 1.0))
    span = np.ceil(limits.decision.shortest_reach_m.value / spacing_m).astype(np.intp)
    low, low_at = _sustained(drop, first, last, span)
    high, high_at = _sustained(-drop, first, last, span)
    use_high = np.nan_to_num(high, nan=-np.inf) > np.nan_to_num(low, nan=-np.inf)
    out["worst_drop_mm"] = np.where(use_high, -high, low)
    out["worst_drop_se"] = _in_line(measures.edge_drop_se)[np.where(use_high, high_at, low_at)]
    out["worst_rut_mm"] = np.fmax.reduceat(rut, first)
    out["worst_ridge_mm"] = np.fmax.reduceat(ridge, first)
    return out


def _run_means(values: Floats, first: NDArray[np.intp]) -> Floats:
    """Means (k, runs) of the known values (k, 2n) of each run; NaN where none is known."""
    known = np.isfinite(values)
    total = np.add.reduceat(np.where(known, values, 0.0), first, axis=1)
    count = np.add.reduceat(known, first, axis=1, dtype=float)
    return np.where(count > 0.0, total / np.maximum(count, 1.0), np.nan)


def _sustained(
    values: Floats, first: NDArray[np.intp], last: NDArray[np.intp], span: NDArray[np.intp]
) -> tuple[Floats, NDArray[np.intp]]:
    """Greatest value that each run keeps over `span` stations (or over all of a shorter run).

    The greatest single value would be picked by its noise.

    Returns
    -------
    (runs,) value, NaN where nothing is known, and (runs,) the station that has it.
    """
    from analysis.verdict.labelling_kernels import sustained

    out, where = np.empty(len(first)), np.empty(len(first), dtype=np.intp)
    sustained(values, first, last, np.maximum(span, 1), out, where)
    return out, where


def _treatment(finding: str, balance: Balance | None, clean: bool) -> str:
    """The work for a reach: that of its shoulder, and of its ditch where that needs cleaning."""
    if balance is not None:
        shoulder = balance.treatment
    else:
        shoulder = CANT_TELL if finding == CANT_TELL else "none"
    if not clean or finding == NO_DATA:
        return shoulder
    return {
        "none": "clean ditch",
        "reshape": "reshape and clean ditch",
        "replenish": "replenish and clean ditch",
    }.get(shoulder, shoulder)


def _severities(kind: NDArray[np.int16], figures: dict[str, Floats]) -> Floats:
    """How bad (runs,), in multiples of the limit that is passed: 1 at the limit, at most 3.

    `kind` holds places in `_KINDS`; what isn't a defect has none.
    """
    severity = np.zeros(len(kind))
    for place, finding in enumerate(DEFECTS, start=1):
        here = kind == place
        over = figures.get(f"over {'flat' if finding == 'reversed' else finding}")
        if over is None:
            severity[here] = 1.0
        else:
            known = np.isfinite(over[here])
            severity[here] = np.where(known, np.clip(over[here], 0.3, 3.0), 1.0)
    return severity


def _reasons(
    reaches: dict[str, list[Any]],
    figures: dict[str, Floats],
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    withheld: NDArray[np.object_],
) -> list[str]:
    """Reason of each reach; `withheld` (2n,) says why a station isn't judged.

    `reaches` holds the other columns of the reaches by the names of their fields.
    """
    findings = reaches["finding"]
    falls = [
        _falls(*row)
        for row in zip(
            reaches["mean_slope_pct"],
            reaches["mean_slope_se"],
            reaches["required_slope_pct"],
            strict=True,
        )
    ]
    why, worn = [""] * len(findings), [""] * len(findings)
    for k, finding in enumerate(findings):
        if finding in (CANT_TELL, NO_DATA):
            why[k] = _commonest(withheld[first[k] : last[k] + 1])
        elif finding == "rutted":
            worn[k] = _worn(float(figures["worst_rut_mm"][k]), float(figures["worst_ridge_mm"][k]))
    columns = (reaches[name] for name in ("worst_drop_mm", "p_wont_shed"))
    what = map(_reach_sentence, findings, reaches["length_m"], falls, *columns, why, worn)
    columns = (reaches[name] for name in ("balance", "clean_ditch", "ditch_clean_m", "severity"))
    work = map(_work_sentences, findings, *columns, figures["drained"].tolist())
    return [one + other for one, other in zip(what, work, strict=True)]


def _reach_sentence(
    finding: str, length_m: float, falls: str, drop_mm: float, p_wont: float, why: str, worn: str
) -> str:
    """What is wrong and how sure, in one plain sentence.

    `why` is the reason for which the reach isn't judged, `worn` the depth of its ruts and ridges.
    """
    length = f"{length_m:.0f} m"
    match finding:
        case "none":
            return f"Sound over {length}: the shoulder {falls}."
        case "blocked ditch":
            return f"Sound shoulder over a ditch that doesn't drain, {length}."
        case "flat":
            return f"Flat over {length}: {falls}."
        case "reversed":
            return f"Reversed over {length}: {falls}."
        case "high":
            return f"High over {length}: up to {-drop_mm:.0f} mm above the pavement edge."
        case "eroded edge":
            return f"Edge eroded over {length}: up to {drop_mm:.0f} mm below the pavement."
        case "rutted":
            return f"Rutted over {length}: {worn}."
        case "ponding":
            return f"Holds water over {length} although it {falls}."
    if finding == NO_DATA:
        return f"No data over {length}: {why}"
    if not why and math.isfinite(p_wont):
        why = (
            f"the shoulder {falls}, edge drop {drop_mm:.0f} mm; probability {p_wont:.2f} that it "
            "won't shed."
        )
    return f"Can't tell over {length}: {why or f'the shoulder {falls}.'}"


def _work_sentences(
    finding: str,
    balance: Balance | None,
    clean: bool,
    ditch_clean_m: float,
    severity: float,
    drained: float,
) -> str:
    """What to do with a reach and why it ranks where it does, to go on after what is wrong."""
    text = ""
    if balance is not None:
        text += f" {balance.reason}"
    if clean and finding not in ("blocked ditch", CANT_TELL, NO_DATA):
        text += f" Clean {ditch_clean_m:.0f} m of ditch with it."
    if finding in DEFECTS:
        width = ("no pavement", "half the pavement", "the whole pavement")[round(drained)]
        text += f" Severity {severity:.1f} of the limit; {width} drains here."
    return text


def _falls(slope_pct: float, se: float, required_pct: float) -> str:
    if not math.isfinite(slope_pct):
        return "couldn't be measured"
    return f"falls {slope_pct:.1f} ± {se:.1f} % where {required_pct:.1f} % is required"


def _commonest(reasons: NDArray[np.object_]) -> str:
    said = Counter(str(reason) for reason in reasons if reason)
    return max(sorted(said), key=said.__getitem__) if said else ""


def _worn(rut_mm: float, ridge_mm: float) -> str:
    depths = {"rut": rut_mm, "ridge": ridge_mm}
    known = [f"{name} to {mm:.0f} mm" for name, mm in depths.items() if math.isfinite(mm)]
    return " and ".join(known) or "depth unknown"


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
    crossed = of_water("ditch_crossing") & (measures.status == 0)
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
    return Table(
        {
            name: np.asarray(columns[name], dtype=object if kind == "str" else float).ravel()
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
    held = [reach.balance for reach in reaches]
    for name, field in _BALANCE_COLUMNS.items():
        columns[name] = [np.nan if b is None else getattr(b, field) for b in held]
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
    table = Table(
        {
            name: np.array([row[name] for row in rows], dtype=object if kind == "str" else float)
            for name, kind in POND_COLUMNS.items()
        }
    )
    return table, rings
