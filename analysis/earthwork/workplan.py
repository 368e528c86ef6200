"""From reaches to work: limits, passes, hours, trucks, water, order, and the cautions.

What one reach takes is reckoned in `production`. Every figure that a crew could know better is a
setting. Costs appear only where the user gave a rate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, TypeVar

from analysis.common.cautions import CAUTIONS
from analysis.common.limits import Limits, MaterialLimits, WorkLimits
from analysis.common.verdicts import CLEANING, Finding, Treatment
from analysis.earthwork.costs import Costs, Rates, costs_of
from analysis.earthwork.notes import DRY_NOTE, SEASON_NOTE, notes_on
from analysis.earthwork.production import (
    Blading,
    Spoil,
    blading,
    ditch_spoil,
    grader_efficiency,
    known_loads,
    pass_hours,
)
from analysis.earthwork.volumes import whole_loads
from analysis.earthwork.work_reach import WorkReach

__all__ = ["WorkItem", "WorkPlan", "WorkTotals", "plan", "snap_outward", "stretch_loads"]

_FAR = math.inf
_Part = TypeVar("_Part")


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkItem:
    """The work on one reach, in its place in the order of work.

    `start_m` to `end_m` are the limits of work in the direction of working, low end first.
    Hours are machine hours but for `crew_h`, the time that the reach takes. Loads count parts of
    one, since those of a stretch are carried together; `trucks` are those of its stretch.
    `spoil_m3_loose` comes out of the ditch, `placed_m3_loose` stays on the foreslope and
    `away_m3_loose` is hauled.
    """

    order: int
    stretch: int
    reach: WorkReach
    start_m: float
    end_m: float
    work_length_m: float
    uphill_known: bool
    lanes: int
    lifts: int
    grader_passes: float
    grader_h: float
    roller_passes: float
    roller_h: float
    water_m3: float
    import_m3_loose: float
    import_t: float
    import_loads: float
    away_m3_loose: float
    away_loads: float
    placed_m3_loose: float
    spoil_m3_loose: float
    truck_cycle_h: float
    truck_h: float
    trucks: int
    ditch_m: float
    ditch_h: float
    crew_h: float
    notes: tuple[str, ...]
    costs: Costs


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkTotals:
    """Sums over the plan. Unknown quantities make their sum NaN, never smaller.

    Loads, and with them the hours of trucks, are rounded up once for each stretch.
    """

    reaches: int = 0
    work_length_m: float = 0.0
    cut_m3_bank: float = 0.0
    fill_m3_compacted: float = 0.0
    import_m3_loose: float = 0.0
    import_t: float = 0.0
    import_loads: int = 0
    away_m3_loose: float = 0.0
    away_loads: int = 0
    placed_m3_loose: float = 0.0
    spoil_m3_loose: float = 0.0
    grader_h: float = 0.0
    roller_h: float = 0.0
    truck_h: float = 0.0
    water_m3: float = 0.0
    water_loads: int = 0
    ditch_m: float = 0.0
    ditch_h: float = 0.0
    setups: int = 0
    setup_h: float = 0.0
    moving_h: float = 0.0
    crew_h: float = 0.0
    crew_days: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPlan:
    """Work in order, what must be looked at first, and the sums."""

    items: tuple[WorkItem, ...]
    visits: tuple[WorkReach, ...]
    totals: WorkTotals
    costs: Costs
    traffic_plan: str
    notes: tuple[str, ...] = (SEASON_NOTE, DRY_NOTE)
    cautions: tuple[str, ...] = CAUTIONS


def plan(
    reaches: Sequence[WorkReach],
    limits: Limits,
    rates: Rates | None = None,
    *,
    traffic_plan: str = "",
) -> WorkPlan:
    """Plan the work on all reaches that call for any.

    Stretches of reaches close together are worked in one go, the lowest first, each side from
    its downstream end, so that water finds its way out while the rest is still to do; a grader
    turns only at the ends of what it works there. What may be a kerb is listed for a visit first,
    then what the grid can't judge.

    Parameters
    ----------
    reaches : sequence of WorkReach
        In any order.
    limits : Limits
        Passes, speeds, efficiencies, trucks, lengths.
    rates : Rates, optional
        The user's unit rates.
    traffic_plan : str
        Reference of the local traffic-control plan.

    Returns
    -------
    WorkPlan
    """
    rates = rates or Rates()
    active = [reach for reach in reaches if reach.has_work]
    doubtful = [reach for reach in reaches if _look_first(reach) < _FAR]
    visits = tuple(sorted(doubtful, key=lambda reach: (_look_first(reach), _urgency(reach))))
    spans = _work_spans(active, limits.work)
    items: list[WorkItem] = []
    setups, moving_m = 0, 0.0
    for number, stretch in enumerate(_stretches(active, limits.work), start=1):
        sides = {reach.side for reach in stretch}
        setups += len(sides)
        runs = _runs(stretch, spans)
        made = [
            _work_on(
                reach,
                _Place(spans[id(reach)], len(items) + k, number, runs[reach.side]),
                limits,
                rates,
            )
            for k, reach in enumerate(stretch, start=1)
        ]
        trucks = _trucks(made)
        for item in (replace(own, trucks=trucks) for own in made):
            if items and items[-1].reach.road == item.reach.road:
                moving_m += abs(item.start_m - items[-1].end_m)
            items.append(item)
    totals = _totals(items, setups, moving_m, limits.work)
    return WorkPlan(
        items=tuple(items),
        visits=visits,
        totals=totals,
        costs=costs_of(
            rates,
            grader_per_h=totals.grader_h + totals.ditch_h,
            roller_per_h=totals.roller_h,
            truck_per_h=totals.truck_h,
            water_per_m3=totals.water_m3,
            material_per_t=totals.import_t,
            traffic_control_per_setup=totals.setups,
            crew_per_day=totals.crew_days,
        ),
        traffic_plan=traffic_plan,
    )


def _work_spans(reaches: Sequence[WorkReach], limits: WorkLimits) -> dict[int, tuple[float, float]]:
    """Limits of work by identity of the reach: rounded outward, but neighbours meet midway."""
    spans: dict[int, tuple[float, float]] = {}
    before: WorkReach | None = None
    for reach in sorted(reaches, key=lambda r: (r.road, r.side, r.low_m, r.high_m)):
        low, high = snap_outward(reach.low_m, reach.high_m, limits.snap_m.value)
        low, high = max(low, reach.road_low_m), min(high, reach.road_high_m)
        if before is not None and (before.road, before.side) == (reach.road, reach.side):
            start, end = spans[id(before)]
            if end > low:
                # Rounded, both would work the same metres.
                low = 0.5 * (before.high_m + reach.low_m)
                spans[id(before)] = (start, low)
        spans[id(reach)] = (low, high)
        before = reach
    return spans


def _stretches(reaches: Sequence[WorkReach], limits: WorkLimits) -> list[list[WorkReach]]:
    """Reaches close together, in the order of work."""
    by_road: dict[str, list[WorkReach]] = {}
    for reach in reaches:
        by_road.setdefault(reach.road, []).append(reach)
    ordered: list[list[WorkReach]] = []
    # The road with the most urgent reach comes first.
    for road in sorted(by_road, key=lambda name: (min(map(_urgency, by_road[name])), name)):
        stretches: list[list[WorkReach]] = []
        begin = furthest = -_FAR
        for reach in sorted(by_road[road], key=lambda r: (r.low_m, r.high_m, r.side)):
            apart = reach.low_m - furthest > limits.together_m.value
            too_long = reach.high_m - begin > limits.stretch_most_m.value
            if apart or too_long:
                stretches.append([])
                begin, furthest = reach.low_m, reach.high_m
            stretches[-1].append(reach)
            furthest = max(furthest, reach.high_m)
        for part in _uphill(stretches, [_height(part) for part in stretches]):
            sides: dict[str, list[WorkReach]] = {}
            for reach in part:
                sides.setdefault(reach.side, []).append(reach)
            first = sorted(sides, key=lambda name: (_height(sides[name]), name))
            ordered.append(
                [
                    r
                    for side in first
                    for r in _uphill(sides[side], [_height([r]) for r in sides[side]])
                ]
            )
    return ordered


def _urgency(reach: WorkReach) -> float:
    """Rank, behind all others where there is none: what sheds may still need work."""
    return float(reach.rank) if reach.rank > 0 else _FAR


def _look_first(reach: WorkReach) -> float:
    """Place of a kind of reach in the list of what to look at before work; infinite for none."""
    if reach.finding == Finding.KERB_OR_HIGH:
        return 1.0
    return 2.0 if reach.treatment == Treatment.CANT_TELL else _FAR


def _height(reaches: Sequence[WorkReach]) -> float:
    """Lowest known edge height; infinite where none is known."""
    heights = [z for r in reaches for z in (r.from_z_m, r.to_z_m) if not math.isnan(z)]
    return min(heights, default=_FAR)


def _uphill(parts: Sequence[_Part], heights: Sequence[float]) -> list[_Part]:
    """Order parts along a road so that each comes after its neighbour downstream.

    The road is cut at its crests; between two crests the work starts in the sag and climbs both
    ways. The sags are taken along the road, from the end that lies lower. Where a height isn't
    known, the order along the road stands.
    """
    if len(parts) < 2 or not all(math.isfinite(z) for z in heights):
        return list(parts)
    crests = [
        k
        for k in range(1, len(parts) - 1)
        if heights[k] >= heights[k - 1] and heights[k] > heights[k + 1]
    ]
    groups, begin = [], 0
    for crest in crests:
        groups.append(range(begin, crest + 1))
        begin = crest + 1
    groups.append(range(begin, len(parts)))
    if heights[0] > heights[-1]:
        groups.reverse()
    order: list[int] = []
    for group in groups:
        sag = min(group, key=lambda k: heights[k])
        order += range(sag, group[-1] + 1)
        order += range(sag - 1, group[0] - 1, -1)
    return [parts[k] for k in order]


class _Trucked(NamedTuple):
    """Loose volumes of one reach that trucks carry, and the loads, parts of one too."""

    away_m3: float
    placed_m3: float
    loads: float
    away_loads: float


def _trucked(reach: WorkReach, spoil: Spoil, limits: Limits) -> _Trucked:
    """What comes and what goes; surplus stays on the foreslope as far as it may."""
    material = limits.material
    surplus = reach.haul_away_m3_loose if reach.shaped else 0.0
    room = 0.0
    if not _too_steep(reach, material):
        room = limits.work.foreslope_place_m3_m.value * reach.length_m
    placed = min(surplus, room)
    away = surplus - placed + spoil.hauled_m3
    away_t = away * material.compacted_per_loose.value * material.density_t_m3.value
    loads = 0.0
    if reach.shaped:
        loads = known_loads(reach.import_m3_loose, reach.import_t, material)
    return _Trucked(away, placed, loads, known_loads(away, away_t, material))


def _too_steep(reach: WorkReach, material: MaterialLimits) -> bool:
    """Whether nothing may be placed on the foreslope: it is critical, or isn't known."""
    least = material.foreslope_critical_ratio.value
    return not reach.foreslope_pct * least <= 100.0


def _water_m3(reach: WorkReach, limits: Limits) -> float:
    if not reach.shaped:
        return 0.0
    # What is bladed about has to be moist, whether it fills or goes.
    worked = max(reach.fill_m3_compacted, reach.cut_m3_bank * limits.material.compacted_per_bank)
    mass_t = worked * limits.material.density_t_m3.value
    return mass_t * limits.work.water_added_pct.value / 100.0


def _crew_h(grader_h: float, roller_h: float, work: WorkLimits) -> float:
    """Time of a reach: the machines wait for each other for a part of the shorter work."""
    shorter, longer = sorted((grader_h, roller_h))
    return longer + (1.0 - work.beside_share.value) * shorter


class _Run(NamedTuple):
    """How much of one side is worked in one go on a stretch: shoulder and ditch, metres."""

    shoulder_m: float
    ditch_m: float


class _Place(NamedTuple):
    """Limits of work of a reach, its place in the order of work, its stretch and its run."""

    span: tuple[float, float]
    order: int
    stretch: int
    run: _Run


def _runs(
    stretch: Sequence[WorkReach], spans: Mapping[int, tuple[float, float]]
) -> dict[str, _Run]:
    """Lengths worked in one go by side: between reaches so close the grader doesn't turn."""
    runs: dict[str, _Run] = {}
    for reach in stretch:
        low, high = spans[id(reach)]
        before = runs.get(reach.side, _Run(0.0, 0.0))
        shoulder_m = before.shoulder_m + (high - low if reach.shaped else 0.0)
        runs[reach.side] = _Run(shoulder_m, before.ditch_m + _ditch_m(reach, high - low))
    return runs


def _ditch_m(reach: WorkReach, length_m: float) -> float:
    """Length of ditch to clean."""
    if reach.treatment not in CLEANING:
        return 0.0
    return reach.ditch_clean_m if reach.ditch_clean_m > 0.0 else length_m


def _work_on(reach: WorkReach, place: _Place, limits: Limits, rates: Rates) -> WorkItem:
    work, run = limits.work, place.run
    low, high = place.span
    width = reach.width_m if reach.width_m > 0.0 else work.roller_width_m.value
    fill_mm, passes = reach.fill_mm(width), Blading(1, 1, (), ())
    if reach.shaped:
        passes = blading(width, fill_mm, reach.treatment, reach.cut_m3_bank, work)
    grader_h = pass_hours(high - low, passes.grader, grader_efficiency(run.shoulder_m, work))
    roller_h = pass_hours(high - low, passes.roller, work.roller_efficiency.value)
    ditch_m = _ditch_m(reach, high - low)
    ditch = [(work.ditch_passes.value, work.ditch_speed_kmh.value)]
    ditch_h = pass_hours(ditch_m, ditch, grader_efficiency(run.ditch_m, work))
    spoil = ditch_spoil(ditch_m, reach.ditch_depth_m, limits)
    carried = _trucked(reach, spoil, limits)
    cycle_h = 2.0 * work.haul_km.value / work.haul_speed_kmh.value
    cycle_h += work.truck_fixed_min.value / 60.0
    truck_h = (carried.loads + carried.away_loads) * cycle_h
    crew_h = _crew_h(grader_h + ditch_h, roller_h, work)
    water_m3 = _water_m3(reach, limits)
    import_t = reach.import_t if reach.shaped else 0.0
    downstream_low = _downstream_at_low(reach)
    start, end = (low, high) if downstream_low in (True, None) else (high, low)
    return WorkItem(
        order=place.order,
        stretch=place.stretch,
        reach=reach,
        start_m=start,
        end_m=end,
        work_length_m=high - low,
        uphill_known=downstream_low is not None,
        lanes=passes.lanes,
        lifts=passes.lifts,
        grader_passes=sum(number for number, _ in passes.grader),
        grader_h=grader_h,
        roller_passes=sum(number for number, _ in passes.roller),
        roller_h=roller_h,
        water_m3=water_m3,
        import_m3_loose=reach.import_m3_loose if reach.shaped else 0.0,
        import_t=import_t,
        import_loads=carried.loads,
        away_m3_loose=carried.away_m3,
        away_loads=carried.away_loads,
        placed_m3_loose=carried.placed_m3,
        spoil_m3_loose=spoil.loose_m3,
        truck_cycle_h=cycle_h,
        truck_h=truck_h,
        trucks=0,
        ditch_m=ditch_m,
        ditch_h=ditch_h,
        crew_h=crew_h,
        notes=notes_on(reach, fill_mm, passes.lifts, carried.placed_m3, limits),
        costs=costs_of(
            rates,
            grader_per_h=grader_h + ditch_h,
            roller_per_h=roller_h,
            truck_per_h=truck_h,
            water_per_m3=water_m3,
            material_per_t=import_t,
            crew_per_day=crew_h / work.shift_h.value,
        ),
    )


def _trucks(items: Sequence[WorkItem]) -> int:
    """Fewest trucks that bring the last load of a stretch before the grader is done with it."""
    trips = sum(stretch_loads(items))
    if not trips:
        return 0
    cycle_h = items[0].truck_cycle_h
    bladed_h = sum(item.grader_h + item.ditch_h for item in items)
    rounds = math.floor(bladed_h / cycle_h + 1e-9) + 1 if cycle_h > 0.0 else trips
    return math.ceil(trips / rounds)


def stretch_loads(items: Sequence[WorkItem]) -> tuple[int, int]:
    """Whole loads that come and that go, pooled over the reaches of one stretch."""
    coming = whole_loads(sum(item.import_loads for item in items))
    return coming, whole_loads(sum(item.away_loads for item in items))


def _whole(number: float) -> int:
    return 0 if math.isnan(number) else math.ceil(number - 1e-3)


def _downstream_at_low(reach: WorkReach) -> bool | None:
    """Whether the downstream end is that of the lesser label; None where it isn't known."""
    if math.isnan(reach.from_z_m) or math.isnan(reach.to_z_m) or reach.from_z_m == reach.to_z_m:
        return None
    return (reach.from_z_m < reach.to_z_m) == (reach.from_m <= reach.to_m)


def _totals(
    items: Sequence[WorkItem], setups: int, moving_m: float, limits: WorkLimits
) -> WorkTotals:
    stretches: dict[int, list[WorkItem]] = {}
    for item in items:
        stretches.setdefault(item.stretch, []).append(item)
    loads = [stretch_loads(own) for own in stretches.values()]
    coming, going = sum(one for one, _ in loads), sum(other for _, other in loads)
    setup_h = setups * limits.setup_h.value
    moving_h = moving_m / 1000.0 / limits.move_speed_kmh.value
    crew_h = sum(item.crew_h for item in items) + setup_h + moving_h
    summed = {name: sum(getattr(item, name) for item in items) for name in _SUMMED}
    return WorkTotals(
        **summed,
        reaches=len(items),
        cut_m3_bank=_sum_shaped(items, "cut_m3_bank"),
        fill_m3_compacted=_sum_shaped(items, "fill_m3_compacted"),
        import_loads=coming,
        away_loads=going,
        truck_h=(coming + going) * items[0].truck_cycle_h if items else 0.0,
        water_loads=_whole(summed["water_m3"] / limits.water_truck_m3.value),
        setups=setups,
        setup_h=setup_h,
        moving_h=moving_h,
        crew_h=crew_h,
        crew_days=crew_h / limits.shift_h.value,
    )


# Fields of an item that are added up over the plan under the same name.
_SUMMED = (
    *("work_length_m", "import_m3_loose", "import_t", "away_m3_loose", "placed_m3_loose"),
    *("spoil_m3_loose", "grader_h", "roller_h", "water_m3", "ditch_m", "ditch_h"),
)


def _sum_shaped(items: Sequence[WorkItem], name: str) -> float:
    """Sum of a quantity over the reaches whose shoulder is worked; a ditch alone has none."""
    return float(sum(getattr(item.reach, name) for item in items if item.grader_passes > 0.0))


def snap_outward(low_m: float, high_m: float, step_m: float) -> tuple[float, float]:
    """Round limits of work outward to whole steps.

    >>> snap_outward(103.0, 131.0, 10.0)
    (100.0, 140.0)
    """
    # A label that is a whole step but for rounding stays where it is.
    low = math.floor(low_m / step_m + 1e-6) * step_m
    high = math.ceil(high_m / step_m - 1e-6) * step_m
    return low, high
