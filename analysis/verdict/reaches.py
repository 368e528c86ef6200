"""Reaches: stretches of one side of a road with one finding, and the work that each asks for.

They are made of the beats of a road: how far apart stations lie moves neither their ends nor what
they say.

Sides and roads are independent. All are worked on as one line, the left sides of all roads, then
the right sides: a network of many short roads would spend its time in calls on short arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import runs
from analysis.common.limits import Limits
from analysis.common.sides import Source
from analysis.common.types import Bools, Floats
from analysis.common.verdicts import DEFECTS, HOLDING, Finding, Treatment, Verdict
from analysis.corridor.values import Case
from analysis.earthwork.areas import AreasAlong
from analysis.earthwork.balance import Balance, balances
from analysis.road.roadline import Road
from analysis.road.use import exposure
from analysis.shoulder.values import Measures
from analysis.verdict.labelling import FINDINGS
from analysis.verdict.reasons import commonest_reason
from analysis.verdict.values import Harm, Judgement, Reach, Standing, Told
from analysis.water.assess import judge_ditch
from analysis.water.ditch import Ditch

__all__ = ["build_reaches", "looks_first", "ranks"]

# What a reach may be. The order is that of the labels, then what becomes of them (`_kinds`).
_KINDS = np.array([*Finding, Finding.CANT_TELL], dtype=object)
_SAYS = {
    Finding.NONE: Verdict.SHEDS,
    Finding.BLOCKED_DITCH: Verdict.SHEDS,
    Finding.CANT_TELL: Verdict.CANT_TELL,
    Finding.NO_DATA: Verdict.NO_DATA,
}
_VERDICTS = np.array([_SAYS.get(kind, Verdict.WONT_SHED) for kind in _KINDS], dtype=object)
_WORN = np.array([fault for fault in DEFECTS if fault not in HOLDING], dtype=object)
_UNKNOWN = (Finding.CANT_TELL, Finding.NO_DATA)
_HOLDS_WATER = (Finding.HIGH, Finding.KERB_OR_HIGH, Finding.REVERSED, Finding.PONDING)
_LEAST_SEVERITY, _MOST_SEVERITY = 0.3, 3.0
_FIGURES = (
    "mean_slope_pct",
    "mean_slope_se",
    "required_slope_pct",
    "p_wont_shed",
    "worst_drop_mm",
    "worst_rut_mm",
    "worst_ridge_mm",
    "rut_shown_mm",
    "drained",
)


@dataclass(frozen=True, slots=True)
class _Line:
    """The n beats of all roads, both sides of them one after the other.

    Attributes
    ----------
    road_of : (n,)
        Which road a beat is of.
    stations : (n, 2)
        First and last station of that road in the beat's stretch; the first after the last where
        there is none.
    spacing_m, begins
        (2n,) spacing of the beats; the places of the line where another road or side begins.
    ends_m, names_m : (n, 2)
        Where a beat's stretch begins and ends, as a distance and as it is labelled.
    """

    road_of: NDArray[np.intp]
    stations: NDArray[np.intp]
    spacing_m: Floats
    begins: NDArray[np.intp]
    ends_m: Floats
    names_m: Floats

    def stretches(self, first: NDArray[np.intp], last: NDArray[np.intp]) -> dict[str, Any]:
        """Fields of `Reach` that say where it lies, for runs of the line first..last."""
        n = len(self.road_of)
        i0, i1 = first % n, last % n
        s0, s1 = self.ends_m[i0, 0], self.ends_m[i1, 1]
        begin, end = self.stations[i0, 0], self.stations[i1, 1]
        return {
            "side": first // n,
            # where a short one has no station, the one before it stands for it, or else the first
            "i0": np.where(begin > end, np.maximum(end, 0), begin),
            "i1": np.where(begin > end, np.maximum(end, 0), end),
            "from_m": self.names_m[i0, 0],
            "to_m": self.names_m[i1, 1],
            "s0": s0,
            "s1": s1,
            "length_m": s1 - s0,
        }


def build_reaches(
    cases: Sequence[Case], told: Told, along: Sequence[AreasAlong], limits: Limits
) -> list[tuple[Reach, ...]]:
    """Cut each side of each road into reaches and decide the work for each.

    Every beat belongs to exactly one reach.

    Parameters
    ----------
    cases
        The roads, at least one.
    told
        Of the beats of all roads, one road after the other.
    along
        Cut and fill of each road.
    """
    roads, s = [case.road for case in cases], [own.s for own in along]
    if sum(map(len, s)) == 0:
        return [() for _ in roads]
    line = _in_one_line(roads, s, [case.s for case in cases], limits)
    breaks, ditch = told.evidence.breaks, told.evidence.ditch
    measures, judgement = told.evidence.measures, told.judgement
    reasons = _in_line(measures.reason)
    blocked = _in_line(judge_ditch(ditch, told.evidence.kerb, limits.water))
    kind = _kinds(told.labels, blocked, reasons, line, limits)
    first, last = runs(kind, line.begins)
    kind = np.minimum(kind[first], len(_KINDS) - 1)
    columns = line.stretches(first, last)
    figures = _means(first, breaks.crowned, measures, judgement, told.stays, limits)
    used = np.concatenate([exposure(road.uses, own) for road, own in zip(roads, s, strict=True)])
    figures["use"] = _run_means(np.tile(used, 2)[None, :], first)[0]
    figures |= _ditches(first, blocked, measures, ditch, limits)
    figures["mean_slope_se"] = _mean_slope_se(first, measures, figures, line.spacing_m[first])
    span = np.ceil(limits.decision.shortest_reach_m.value / line.spacing_m[first]).astype(np.intp)
    figures |= _worst(first, last, span, measures)
    columns |= {name: figures[name] for name in _FIGURES}
    columns |= _judged(kind, columns["length_m"], figures, limits)
    columns |= _faults_within(first, columns["finding"], line.spacing_m[first], judgement)
    assumed = _in_line(breaks.edge_source == Source.NOMINAL)
    columns["edge_assumed_m"] = (
        columns["length_m"] * _run_means(assumed[None, :].astype(float), first)[0]
    )
    columns = {name: values.tolist() for name, values in columns.items()}
    columns["balance"] = _balances(
        along, np.array(columns["finding"], dtype=object), line, first, last, figures, limits
    )
    work = (columns[name] for name in ("finding", "balance", "clean_ditch"))
    columns["treatment"] = list(map(_treatment, *work))
    columns["why"] = [
        commonest_reason(reasons[begin : end + 1]) if finding in _UNKNOWN else None
        for finding, begin, end in zip(columns["finding"], first, last, strict=True)
    ]
    found: list[list[Reach]] = [[] for _ in roads]
    rows = zip(*(columns[field.name] for field in fields(Reach)), strict=True)
    for road, row in zip(line.road_of[first % len(line.road_of)].tolist(), rows, strict=True):
        found[road].append(Reach(*row))
    return [tuple(own) for own in found]


def ranks(reaches: Sequence[Reach | Standing]) -> Floats:
    """Rank (reaches,) from 1, the most urgent, on, as `RANKING` says; NaN where it is sound."""
    harm = np.array([reach.harm for reach in reaches], dtype=int)
    order = np.lexsort((np.array([-reach.priority for reach in reaches]), harm))
    rank = np.empty(len(reaches))
    rank[order] = np.arange(1.0, len(order) + 1.0)
    return np.where(harm == Harm.NONE, np.nan, rank)


def looks_first(reaches: Sequence[Reach | Standing]) -> Floats:
    """Place of each (reaches,) in the list of what to look at before work is ordered, from 1 on.

    First what may be a kerb or a high shoulder, where work and no work hang on one look, then what
    can't be told, then what has no data, the most urgent first; NaN where there is nothing open.
    """
    order = (Finding.KERB_OR_HIGH, *_UNKNOWN)
    kind = np.array([order.index(r.finding) if r.finding in order else -1 for r in reaches], int)
    place = np.lexsort((ranks(reaches), kind))
    out = np.full(len(reaches), np.nan)
    out[place] = np.arange(1.0, len(reaches) + 1.0) - (kind < 0).sum()
    return np.where(kind < 0, np.nan, out)


def _in_line(values: NDArray[Any]) -> NDArray[Any]:
    """Values (n, 2) of both sides as one line (2n,): all of the left side, then the right."""
    return values.T.ravel()


def _in_one_line(
    roads: Sequence[Road], s: Sequence[Floats], stations: Sequence[Floats], limits: Limits
) -> _Line:
    sizes = np.array([len(own) for own in s])
    n = int(sizes.sum())
    start = np.cumsum(sizes) - sizes
    stretches = [_stretches(road, own) for road, own in zip(roads, s, strict=True)]
    within = [_stations_within(*own) for own in zip(stretches, stations, strict=True)]
    road_of = np.repeat(np.arange(len(roads)), sizes)
    names = [road.label(own) for road, own in zip(roads, stretches, strict=True)]
    return _Line(
        road_of=road_of,
        stations=np.concatenate(within),
        spacing_m=np.tile(np.repeat([_spacing(own, limits) for own in s], sizes), 2),
        begins=np.concatenate([at + start[sizes > 0] for at in (0, n)]),
        ends_m=np.concatenate(stretches),
        names_m=np.concatenate(names),
    )


def _spacing(s: Floats, limits: Limits) -> float:
    """Spacing of the stations of a road; one alone makes a reach as long as any."""
    return float(np.median(np.diff(s))) if len(s) > 1 else limits.decision.shortest_reach_m.value


def _stretches(road: Road, s: Floats) -> Floats:
    """(n, 2) where each station's stretch begins and ends: halfway to its neighbours."""
    bounds = np.concatenate(([0.0], 0.5 * (s[1:] + s[:-1]), [road.length_m]))
    return np.column_stack((bounds[:-1], bounds[1:]))[: len(s)]


def _stations_within(stretches: Floats, stations: Floats) -> NDArray[np.intp]:
    """(n, 2) first and last of a road's stations in each of its stretches, (n, 2), end to end.

    One that lies just between two is in the latter, the last of all in the last.
    """
    first = np.searchsorted(stations, stretches[:, 0] - 1e-6)
    last = np.append(first[1:], stations.size)[: first.size] - 1
    return np.column_stack((first, last))


def _kinds(
    labels: NDArray[np.int8],
    blocked: Bools,
    reasons: NDArray[np.object_],
    line: _Line,
    limits: Limits,
) -> NDArray[np.int16]:
    """(2n,) what tells reaches apart: places in `_KINDS`, and beyond them further reasons."""
    kind = _in_line(labels).astype(np.int16)
    # A sound shoulder above a blocked ditch is a finding of its own.
    first, last = runs(blocked, line.begins)
    length = (last - first + 1) * line.spacing_m[first]
    long = length >= limits.decision.shortest_reach_m.value - 1e-9
    settled = np.repeat(blocked[first] & long, last - first + 1)
    kind[settled & (kind == 0)] = len(FINDINGS)
    # What isn't judged for one reason is a reach apart from what isn't for another.
    withheld = kind == FINDINGS.index(Finding.CANT_TELL)
    why = [0 if reason is None else reason.kind for reason in reasons[withheld]]
    kind[withheld] = len(_KINDS) - 1 + np.array(why, dtype=np.int16)
    return kind


def _means(
    first: NDArray[np.intp],
    crowned: Bools,
    measures: Measures,
    judgement: Judgement,
    stays: Floats,
    limits: Limits,
) -> dict[str, Floats]:
    """Means over each run of the line, which end where the next begins; each entry is (runs,).

    "over" a kind of defect is how bad it is in multiples of the limit that is passed.
    """
    drop, slope, pavement, required, rut, ridge = map(
        _in_line,
        (
            measures.edge_drop_mm,
            measures.shoulder_slope_pct,
            measures.pavement_slope_pct,
            judgement.required_slope_pct,
            measures.rut_mm,
            measures.ridge_mm,
        ),
    )
    least, shape = np.maximum(required, 1.0), limits.shape
    steepest = np.maximum(np.fmax(pavement, shape.shoulder_most_pct.value), 1.0)
    inward = measures.pavement_slope_pct < 0.0
    drained = np.where(crowned[:, None], 1.0, np.where(inward, 0.0, 2.0))
    over_flat = 1.0 + (required - shape.slope_shortfall_points.value - slope) / least
    means = {
        "mean_slope_pct": slope,
        "required_slope_pct": required,
        "p_wont_shed": _in_line(stays),
        "rut_shown_mm": _in_line(measures.rut_detectable_mm),
        # How much pavement sheds this way, in half widths: the low side of a curve gets all.
        "drained": _in_line(drained),
        f"over {Finding.ERODED_EDGE}": drop / max(shape.edge_drop_mm.value, 1.0),
        f"over {Finding.HIGH}": -drop / max(shape.high_shoulder_mm.value, 1.0),
        f"over {Finding.KERB_OR_HIGH}": -drop / max(shape.high_shoulder_mm.value, 1.0),
        f"over {Finding.RUTTED}": np.fmax(
            rut / max(shape.rut_mm.value, 1.0), ridge / max(shape.ridge_mm.value, 1.0)
        ),
        f"over {Finding.FLAT}": over_flat,
        f"over {Finding.REVERSED}": over_flat,
        f"over {Finding.TOO_STEEP}": slope / steepest,
        f"over {Finding.BREAKOVER}": (slope - pavement)
        / max(shape.breakover_most_points.value, 1.0),
        "average_m": _in_line(measures.average_m),
        "slope variance": _in_line(measures.shoulder_slope_se) ** 2,
        "slope shared": _in_line(measures.shoulder_slope_shared_se),
    }
    return dict(
        zip(means, _run_means(np.array([*means.values()], dtype=float), first), strict=True)
    )


def _ditches(
    first: NDArray[np.intp], blocked: Bools, measures: Measures, ditch: Ditch, limits: Limits
) -> dict[str, Floats]:
    """How much of each run's ditch is to be cleaned, and how bad it is: 1 and its lost depth.

    Deepening leaves a ditch as flat as its road is: only a dam can be taken out there.
    """
    flat = np.abs(measures.grade_pct) < limits.water.ditch_least_grade_pct.value
    helps = blocked & ~_in_line(flat & ~ditch.dammed)
    least = max(limits.water.ditch_least_depth_m.value, 0.05)
    lost = np.fmax(least - ditch.depth_m, ditch.sag_mm / 1000.0) / least
    over = np.where(blocked, 1.0 + _in_line(np.nan_to_num(np.maximum(lost, 0.0))), np.nan)
    share, over = _run_means(np.array([helps.astype(float), over]), first)
    return {"cleaned_share": share, f"over {Finding.BLOCKED_DITCH}": over}


def _mean_slope_se(
    first: NDArray[np.intp], measures: Measures, means: dict[str, Floats], spacing_m: Floats
) -> Floats:
    """Standard error of the mean slope: averages that overlap share cells and count only once.

    What all stations have in common stays however many there are.
    """
    both = np.isfinite(measures.shoulder_slope_pct) & np.isfinite(measures.shoulder_slope_se)
    known = np.add.reduceat(_in_line(both), first, dtype=float)
    average = means["average_m"]
    share = np.minimum(1.0, spacing_m / np.where(average > 0.0, average, np.inf))
    shared = np.nan_to_num(means["slope shared"]) ** 2
    own = np.maximum(means["slope variance"] - shared, 0.0)
    return np.asarray(np.sqrt(own / np.maximum(known * share, 1.0) + shared))


def _worst(
    first: NDArray[np.intp], last: NDArray[np.intp], span: NDArray[np.intp], measures: Measures
) -> dict[str, Floats]:
    """Worst drop or lip that each run keeps over `span` stations, its error; deepest rut, ridge."""
    drop, drop_se = _in_line(measures.edge_drop_mm), _in_line(measures.edge_drop_se)
    low, low_at = _sustained(drop, first, last, span)
    high, high_at = _sustained(-drop, first, last, span)
    use_high = np.nan_to_num(high, nan=-np.inf) > np.nan_to_num(low, nan=-np.inf)
    return {
        "worst_drop_mm": np.where(use_high, -high, low),
        "worst_drop_se": drop_se[np.where(use_high, high_at, low_at)],
        "worst_rut_mm": np.fmax.reduceat(_in_line(measures.rut_mm), first),
        "worst_ridge_mm": np.fmax.reduceat(_in_line(measures.ridge_mm), first),
    }


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
    from analysis.verdict.kernels import sustained

    out, where = np.empty(len(first)), np.empty(len(first), dtype=np.intp)
    sustained(values, first, last, np.maximum(span, 1), out, where)
    return out, where


def _judged(
    kind: NDArray[np.int16], length_m: Floats, figures: dict[str, Floats], limits: Limits
) -> dict[str, Any]:
    """Fields of `Reach` that say what is wrong and how bad it is; `kind` are places in `_KINDS`."""
    ditch_m = length_m * figures["cleaned_share"]
    clean = (ditch_m > 0.0) & (
        ditch_m >= np.minimum(length_m, limits.decision.shortest_reach_m.value) - 1e-9
    )
    finding, verdict, stays = _KINDS[kind], _VERDICTS[kind], figures["p_wont_shed"]
    worn, certainty = np.isin(finding, _WORN), limits.decision.certainty.value
    with np.errstate(invalid="ignore"):
        # Past these faults water leaves, unless something else holds it.
        verdict[worn & ~(stays >= certainty)] = Verdict.CANT_TELL
        verdict[worn & (stays <= 1.0 - certainty)] = Verdict.SHEDS
        # No reach says what is less likely than not, however it was joined.
        against = ((verdict == Verdict.WONT_SHED) & (stays < 0.5)) | (
            (verdict == Verdict.SHEDS) & (stays > 0.5)
        )
    finding[against] = Finding.CANT_TELL
    verdict[against] = Verdict.CANT_TELL
    severity = _severities(finding, figures)
    drop_off = figures["worst_drop_mm"] >= limits.shape.edge_drop_safety_mm.value
    return {
        "finding": finding,
        "verdict": verdict,
        "clean_ditch": clean,
        "ditch_clean_m": np.where(clean, ditch_m, 0.0),
        "severity": severity,
        "harm": _harms(finding, drop_off),
        # Traffic meets the edge whichever way the water runs, so half a width always counts.
        "priority": severity * length_m * (0.5 + figures["drained"]) * figures["use"],
    }


def _faults_within(
    first: NDArray[np.intp], named: NDArray[np.object_], spacing_m: Floats, judgement: Judgement
) -> dict[str, Any]:
    """Fields of `Reach` that say which fault is most likely, and which others were found in it."""
    finding, likeliest = _in_line(judgement.finding), _in_line(judgement.likeliest)
    by_itself = {fault: _in_line(judgement.chance_of(fault)) for fault in DEFECTS}
    chance = np.nan_to_num(_in_line(judgement.p_likeliest))
    found, total = np.zeros((len(DEFECTS), len(first))), np.zeros((len(DEFECTS), len(first)))
    for k, fault in enumerate(DEFECTS):
        found[k] = np.add.reduceat(finding == fault, first, dtype=float) * spacing_m
        total[k] = np.add.reduceat(np.where(likeliest == fault, chance, 0.0), first)
        found[k, named == fault] = 0.0
    also = np.array([{} for _ in first], dtype=object)
    for k, run in np.argwhere(found > 0.0):
        also[run][DEFECTS[k]] = found[k, run]
    most = total.argmax(axis=0)
    mean = _run_means(np.stack([by_itself[fault] for fault in DEFECTS]), first)
    return {
        "likeliest": np.array(DEFECTS, dtype=object)[most],
        "p_likeliest": np.take_along_axis(mean, most[None, :], axis=0)[0],
        "also": also,
    }


def _severities(findings: NDArray[np.object_], figures: dict[str, Floats]) -> Floats:
    """How bad (runs,), in multiples of the limit that is passed: 1 at the limit, at most 3.

    What isn't judged counts by its probability, as much as a fault at the limit where that isn't
    known either; what is sound has none.
    """
    unknown = np.full(len(findings), np.nan)
    severity = np.zeros(len(findings))
    for finding in (*DEFECTS, Finding.BLOCKED_DITCH):
        here = findings == finding
        over = figures.get(f"over {finding}", unknown)[here]
        severity[here] = np.clip(np.nan_to_num(over, nan=1.0), _LEAST_SEVERITY, _MOST_SEVERITY)
    here = np.isin(findings, _UNKNOWN)
    severity[here] = np.nan_to_num(figures["p_wont_shed"][here], nan=1.0)
    return severity


def _harms(findings: NDArray[np.object_], drop_off: Bools) -> NDArray[np.int8]:
    """What each run may do, (runs,) of `Harm`; the measured drop counts whatever the finding."""
    unjudged, sound = np.isin(findings, _UNKNOWN), findings == Finding.NONE
    harm = np.select(
        [unjudged, sound, drop_off, np.isin(findings, _HOLDS_WATER)],
        [Harm.UNJUDGED, Harm.NONE, Harm.DROP_OFF, Harm.WATER_ON_PAVEMENT],
        Harm.OTHER,
    )
    return harm.astype(np.int8)


def _balances(
    along: Sequence[AreasAlong],
    finding: NDArray[np.object_],
    line: _Line,
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    figures: dict[str, Floats],
    limits: Limits,
) -> list[Balance | None]:
    """Quantities of each run that has a defect."""
    n = len(line.road_of)
    faulty = np.flatnonzero(np.isin(finding, DEFECTS))
    i0, i1 = first[faulty] % n, last[faulty] % n
    made = balances(
        along,
        line.road_of[i0],
        first[faulty] // n,
        np.column_stack((line.ends_m[i0, 0], line.ends_m[i1, 1])),
        limits,
        worst_drop_mm=figures["worst_drop_mm"][faulty],
        worst_drop_se=figures["worst_drop_se"][faulty],
    )
    held: list[Balance | None] = [None] * len(first)
    for k, balance in zip(faulty.tolist(), made, strict=True):
        held[k] = balance
    return held


def _treatment(finding: Finding, balance: Balance | None, clean: bool) -> Treatment:
    """The work for a reach: that of its shoulder, and of its ditch where that needs cleaning."""
    if balance is not None:
        shoulder = balance.treatment
    else:
        shoulder = Treatment.CANT_TELL if finding == Finding.CANT_TELL else Treatment.NONE
    return shoulder.with_ditch() if clean and finding != Finding.NO_DATA else shoulder
