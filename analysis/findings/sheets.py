"""Work sheets: what a crew takes along, the same from the window and from the command.

A sheet has cautions first, then what was found, the work, its quantities and hours, and a row for
each station with what was measured, what a camber board should read, and boxes to write in.
Nothing here draws: `sheet_text` makes pages of it and the window's side prints them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import RANKING
from analysis.common.limits import Limits, default_limits, limits_from_toml
from analysis.common.types import Floats
from analysis.common.verdicts import HOLDING, Finding, Treatment
from analysis.common.writing import UNKNOWN, Writing, chance_text
from analysis.earthwork.costs import Costs, Rates
from analysis.earthwork.target import targets_pct
from analysis.earthwork.volumes import carries
from analysis.earthwork.work_reach import WorkReach
from analysis.earthwork.workplan import WorkItem, plan
from analysis.findings.ditch_block import ditch_blocks
from analysis.findings.readings import expected_fall_mm
from analysis.findings.selecting import Selection, kept, not_rejected
from analysis.findings.sheet_figures import (
    ReachCourse,
    ends_block,
    place_figure,
    record_blocks,
    section_figure,
)
from analysis.findings.sheet_text import Block, Figure, Sheet
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.geopackage import Findings

__all__ = ["WorkSheets", "caution_block", "limits_of", "source_of", "verdict_words", "work_reaches"]

LEAST_CARRY_M3 = 0.2
"""Moves of less loose material than this aren't worth a line on a sheet."""


_LEAST_FILL_M = 0.005
"""Mean fill that is thinner isn't placed: noise leaves as much everywhere (our own choice)."""


# ---------------------------------------------------------------- from findings


def limits_of(findings: Findings) -> Limits:
    """Limits that a screening was judged by, from its run record; else the defaults."""
    text = str(findings.run.get("limits") or "")
    return limits_from_toml(text, where="the findings' limits") if text else default_limits()


def work_reaches(findings: Findings) -> tuple[WorkReach, ...]:
    """Rows of the reaches table with what the stations under them add."""
    table = findings.reaches
    ends: dict[str, tuple[float, float]] = {}
    for row in range(len(table)):
        road = str(table["road"][row])
        low, high = sorted((float(table["from_m"][row]), float(table["to_m"][row])))
        before = ends.get(road, (math.inf, -math.inf))
        ends[road] = (min(before[0], low), max(before[1], high))
    stations = StationRows(findings.stations)
    found = (_work_reach(table, row, ends, stations) for row in range(len(table)))
    if "harm_class" in table and np.isfinite(table["harm_class"].astype(float)).any():
        return tuple(found)
    safety_mm = limits_of(findings).shape.edge_drop_safety_mm.value
    return tuple(_with_harm(reach, table, safety_mm) for reach in found)


def _with_harm(reach: WorkReach, table: Table, safety_mm: float) -> WorkReach:
    """Class and harm of a reach in findings of an earlier version, which don't hold them."""
    if not reach.rank:
        return reach
    severity = float(table["severity"][reach.row]) if "severity" in table else math.nan
    klass = 3
    if reach.finding in (Finding.CANT_TELL, Finding.NO_DATA):
        klass = 4
    elif reach.worst_drop_mm >= safety_mm:
        klass = 1
    elif reach.finding in HOLDING:
        klass = 2
    harm = reach.length_m * (1.0 if math.isnan(severity) else severity)
    return replace(reach, harm_class=klass, harm=harm)


def _work_reach(
    table: Table, row: int, ends: dict[str, tuple[float, float]], stations: StationRows
) -> WorkReach:
    def number(name: str, otherwise: float = math.nan) -> float:
        value = float(table[name][row]) if name in table else math.nan
        return otherwise if math.isnan(value) else value

    road, side = str(table["road"][row]), str(table["side"][row])
    from_m, to_m = float(table["from_m"][row]), float(table["to_m"][row])
    rows = stations.within(road, side, min(from_m, to_m), max(from_m, to_m))
    low, high = ends[road]
    return WorkReach(
        road=road,
        side="left" if side == "left" else "right",
        from_m=from_m,
        to_m=to_m,
        length_m=float(table["length_m"][row]),
        finding=str(table["finding"][row]),
        treatment=str(table["treatment"][row]),
        width_m=stations.mean(rows, "shoulder_width_m"),
        cut_m3_bank=number("cut_m3"),
        fill_m3_compacted=number("fill_m3"),
        import_m3_loose=number("import_m3_loose"),
        import_t=number("import_t"),
        haul_away_m3_loose=number("haul_away_m3_loose"),
        ditch_clean_m=number("ditch_clean_m", 0.0),
        ditch_depth_m=_blocked_depth(stations, rows),
        filled_m=_filled(stations, rows, float(table["length_m"][row])),
        worst_drop_mm=number("worst_drop_mm"),
        pond_depth_mm=stations.most(rows, "pond_depth_mm"),
        grade_pct=stations.mean(rows, "grade_pct"),
        required_slope_pct=number("required_slope_pct"),
        foreslope_pct=stations.mean(rows, "foreslope_pct"),
        from_z_m=stations.at(rows, "edge_z_m", from_m),
        to_z_m=stations.at(rows, "edge_z_m", to_m),
        road_low_m=low,
        road_high_m=high,
        rank=int(number("rank", 0.0)),
        harm_class=int(number("harm_class", 0.0)),
        harm=number("harm"),
        row=row,
    )


def _blocked_depth(stations: StationRows, rows: NDArray[np.intp]) -> float:
    """Mean depth of the ditch where it needs cleaning; NaN where none is known."""
    depth = stations.values(rows, "ditch_depth_m")
    depth = depth[(stations.values(rows, "ditch_blocked") > 0.0) & np.isfinite(depth)]
    return float(depth.mean()) if depth.size else math.nan


def _filled(stations: StationRows, rows: NDArray[np.intp], length_m: float) -> float:
    """Length of a reach that gets more fill than can't be placed; NaN where nothing is known."""
    depth = stations.values(rows, "fill_m2") / stations.values(rows, "shoulder_width_m")
    known = np.isfinite(depth)
    if not known.any():
        return math.nan
    return length_m * float((depth[known] >= _LEAST_FILL_M).mean())


# ---------------------------------------------------------------- sheets


def caution_block(*text: str) -> Block:
    """Cautions that every page of every sheet carries."""
    return Block("Cautions", text=text, points=CAUTIONS)


def source_of(findings: Findings) -> str:
    """Where the numbers come from, for the foot of every page."""
    run = findings.run
    surveyed = str(run.get("surveyed") or "")
    noise, cell = (_number(run.get(name)) for name in ("noise_median_m", "cell_m"))
    parts = (
        Path(str(run.get("terrain") or "")).name,
        f"surveyed {surveyed}" if surveyed else "day of survey not given",
        f"cells {cell:.2f} m" if math.isfinite(cell) else "",
        f"noise {1000.0 * noise:.0f} mm" if math.isfinite(noise) else "noise unknown",
        f"screened {str(run['made'])[:10]}" if run.get("made") else "",
    )
    return " · ".join(part for part in parts if part)


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return math.nan


def _hours(value: float) -> str:
    if not math.isfinite(value):
        return UNKNOWN
    return f"{value:,.1f} h" if value >= 1.0 or value == 0.0 else f"{60.0 * value:.0f} min"


def _with_loads(amount: str, number: float) -> str:
    """Add truck loads to an amount; none are known of an unknown one.

    Those of one reach count in parts, those of a plan are whole.
    """
    if amount == UNKNOWN:
        return UNKNOWN
    text = str(number) if isinstance(number, int) else f"{number:.1f}"
    return f"{amount}, {text} load" if text == "1" else f"{amount}, {text} loads"


def _amounts(heading: str, rows: Iterable[tuple[str, str]], column: int = 0) -> Block:
    """Two columns: what, and how much."""
    return Block(heading, columns=("what", "how much"), table=tuple(rows), column=column)


def _cost_blocks(costs: Costs, column: int = 0) -> list[Block]:
    """The costs that rest on a given rate; nothing where no rate was given."""
    if costs.total is None:
        return []
    without = f" (without {', '.join(costs.missing)}: no rate given)" if costs.missing else ""
    parts = (*costs.parts, (f"sum{without}", costs.total))
    rows = ((name, f"{cost:,.0f} {costs.currency}".strip()) for name, cost in parts)
    return [_amounts("Costs at the given rates", rows, column)]


class WorkSheets:
    """Makes the sheets of one set of findings.

    Parameters
    ----------
    findings : Findings
    limits : Limits, optional
        Else those that the findings were judged by.
    rates : Rates, optional
        The user's unit rates; without them no cost is shown.
    traffic_plan : str
        Reference of the local traffic-control plan.
    writing : Writing
        Units and style of stations.
    selection : Selection, optional
        Reaches to plan; else all that no reviewer rejected.

    Attributes
    ----------
    plan : WorkPlan
        All work in order: what one sheet says of order and trucks depends on all reaches.
    """

    def __init__(
        self,
        findings: Findings,
        limits: Limits | None = None,
        rates: Rates | None = None,
        *,
        traffic_plan: str = "",
        writing: Writing | None = None,
        selection: Selection | None = None,
    ) -> None:
        self.findings = findings
        self.limits = limits or limits_of(findings)
        self.writing = writing or Writing()
        self.source = source_of(findings)
        self.kept = kept(findings, selection)
        self.reviews = self.kept.standing.reaches
        # What a reviewer rejected at a station is no finding to stand by, in a reach that is one.
        self.stations = StationRows(findings.stations.where(not_rejected(findings, self.kept)))
        self.reaches = work_reaches(findings)
        wanted = [reach for reach in self.reaches if self.kept.reaches[reach.row]]
        self.plan = plan(wanted, self.limits, rates, traffic_plan=traffic_plan)
        self.items = {item.reach.row: item for item in self.plan.items}

    def all(self) -> list[Sheet]:
        """Return the sheet of the plan and that of every reach with work, in order."""
        return [self.plan_sheet(), *(self.reach_sheet(i.reach.row) for i in self.plan.items)]

    def _sheet(self, title: str, name: str, remark: str, blocks: Iterable[Block]) -> Sheet:
        reference = self.plan.traffic_plan or (
            ". . . . . . . . . . (enter its number; no work without it)"
        )
        cautions = caution_block(f"Local traffic-control plan: {reference}")
        return Sheet(title, name, cautions, tuple(blocks), remark, self.source)

    # -- the plan ----------------------------------------------------------------------------

    def plan_sheet(self) -> Sheet:
        """Return the sheet of the whole plan: order of work, sums, what to look at first."""
        made = self.plan
        blocks = [self._order_block(), self._sums_block(), *_cost_blocks(made.costs)]
        if made.visits:
            blocks.append(self._visits_block())
        blocks.append(Block("Season", text=made.notes))
        remark = f"reaches with work: {len(made.items)}"
        return self._sheet("Work plan for road shoulders", "plan", remark, blocks)

    def _order_block(self) -> Block:
        def row(item: WorkItem) -> tuple[str, ...]:
            reach = item.reach
            span = self.writing.span(item.start_m, item.end_m)
            rank = str(reach.rank) if reach.rank > 0 else UNKNOWN
            loads = UNKNOWN if math.isnan(item.import_t) else f"{item.import_loads:.1f}"
            material = (self.writing.say(item.import_m3_loose, "m3"), loads)
            place = (str(item.order), str(item.stretch), rank, reach.road, reach.side, span)
            return (*place, reach.finding, reach.treatment, *material, _hours(item.crew_h))

        if not self.plan.items:
            return Block("Order of work", text=("No reach calls for work.",))
        text = (
            "Downstream end first, so that water can leave while the rest is still to do; "
            "reaches of one stretch share the traffic control of a side and, rounded up once for "
            "all of them, the loads."
        )
        heads = "no.|stretch|rank|road|side|from, to|finding|treatment|import, loose|loads|crew"
        return Block(
            "Order of work",
            text=(text, f"Rank: {RANKING}"),
            columns=tuple(heads.split("|")),
            table=tuple(map(row, self.plan.items)),
            words=8,
        )

    def _sums_block(self) -> Block:
        sums, writing, say = self.plan.totals, self.writing, self.writing.say
        away, water = say(sums.away_m3_loose, "m3"), say(sums.water_m3, "m3 water")
        rows = (
            ("length of work", writing.length(sums.work_length_m)),
            ("cut, bank", say(sums.cut_m3_bank, "m3")),
            ("fill, compacted", say(sums.fill_m3_compacted, "m3")),
            ("import, loose", say(sums.import_m3_loose, "m3")),
            ("import", _with_loads(say(sums.import_t, "t"), sums.import_loads)),
            ("to haul away, loose", _with_loads(away, sums.away_loads)),
            ("to place on the foreslope, loose", say(sums.placed_m3_loose, "m3")),
            ("ditch to clean", writing.length(sums.ditch_m)),
            ("spoil of the ditch, loose", say(sums.spoil_m3_loose, "m3")),
            ("water in dry weather", _with_loads(water, sums.water_loads)),
            ("grader, shoulder", _hours(sums.grader_h)),
            ("grader, ditch", _hours(sums.ditch_h)),
            ("roller", _hours(sums.roller_h)),
            ("trucks", _hours(sums.truck_h)),
            (f"traffic control, set-ups: {sums.setups}", _hours(sums.setup_h)),
            ("moving between reaches", _hours(sums.moving_h)),
            ("crew", f"{_hours(sums.crew_h)}, {sums.crew_days:,.1f} days"),
        )
        return _amounts("Sums", rows)

    def _visits_block(self) -> Block:
        text = (
            "What may be a kerb comes first: if none stands there it is cut, as reckoned here; if "
            "one does, nothing is cut and its inlets are checked. Where the terrain can't tell, "
            "nothing is reckoned."
        )
        span, length = self.writing.span, self.writing.length

        def row(reach: WorkReach) -> tuple[str, ...]:
            place = (reach.road, reach.side, span(reach.from_m, reach.to_m), reach.finding)
            return (str(reach.rank or UNKNOWN), *place, length(reach.length_m))

        heads = ("rank", "road", "side", "from, to", "finding", "length")
        rows = tuple(map(row, self.plan.visits))
        return Block("Look first", text=(text,), columns=heads, table=rows, words=5)

    # -- one reach ---------------------------------------------------------------------------

    def reach_sheet(self, row: int, section: Figure | None = None) -> Sheet:
        """Return the sheet of one reach, whether it has work or not.

        Parameters
        ----------
        row : int
            Of the reaches table.
        section : Figure, optional
            Its worst section as measured, where a study is at hand; else one is made of numbers.
        """
        reach, item = self.reaches[row], self.items.get(row)
        values = self.findings.reaches.row(row)
        section = section or self._section(reach)
        place = place_figure(self.findings, reach, self.items, self.writing)
        blocks = [
            self._found_block(values, reach),
            Block("", figure=place, column=1),
            *([Block("", figure=section, column=2)] if section else []),
            ends_block(self.findings, row, self.writing),
            Block("", figure=self._course(reach)),
        ]
        if item is None:
            blocks.append(self._quantity_block(values, reach, None))
        else:
            blocks += [
                self._work_block(item),
                self._quantity_block(values, reach, item),
                self._plant_block(item),
                *_cost_blocks(item.costs, column=2),
                *self._ditch_blocks(item),
                *self._carry_blocks(item),
            ]
        review = self.reviews[row]
        blocks.append(self._stations_block(reach, item))
        if item is not None:
            blocks += record_blocks(review.photos if review else ())
        number = f"work sheet {item.order} of {len(self.plan.items)}" if item else "no work planned"
        if review is not None:
            number = f"{review.state} by {review.reviewer or 'a reviewer'}; {number}"
        order = f"{item.order:03d}_" if item else ""
        return self._sheet(
            f"{reach.road}, {reach.side}, {self.writing.span(reach.from_m, reach.to_m)}",
            f"{order}{_slug(reach.road)}_{reach.side}_{reach.low_m:.0f}-{reach.high_m:.0f}",
            f"{number}, rank {reach.rank}" if reach.rank > 0 else number,
            blocks,
        )

    def _found_block(self, values: dict[str, Any], reach: WorkReach) -> Block:
        say, drop = self.writing.say, reach.worst_drop_mm
        where = "" if math.isnan(drop) else " below the edge" if drop >= 0.0 else " above the edge"
        slope, required, error, chance = (_number(values.get(name)) for name in _REACH_NUMBERS)
        facts = {
            "mean slope, falls outward": say(slope, "mean_slope_pct", error),
            "required slope": say(required, "required_slope_pct"),
            "shoulder at worst": f"{say(abs(drop), 'worst_drop_mm')}{where}",
            "chance that it won't shed": chance_text(chance),
        }
        words = verdict_words(str(values["verdict"]), reach.finding, reach.treatment)
        return Block(
            f"What was found: {words}",
            text=(self.writing.recorded(str(values["reason"])),) if values["reason"] else (),
            columns=tuple(facts),
            table=(tuple(facts.values()),),
            words=len(facts),
            finding=reach.finding,
        )

    def _section(self, reach: WorkReach) -> Figure | None:
        rows = self.stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        return section_figure(self.stations, rows, self._target(reach), self.writing)

    def _course(self, reach: WorkReach) -> Figure:
        shape = self.limits.shape
        beyond = max(30.0, 0.15 * (reach.high_m - reach.low_m))
        ends = reach.low_m - beyond, reach.high_m + beyond
        rows = self.stations.within(reach.road, reach.side, *ends)
        course = ReachCourse(
            {name: self.stations.values(rows, name) for name in ("station_m", *_STATION_NUMBERS)},
            (reach.low_m, reach.high_m),
            (-shape.high_shoulder_mm.value, shape.edge_drop_mm.value),
            self.writing,
        )
        caption = "Along the reach: broken lines are limits, bands one standard error"
        return Figure(course, caption, 165)

    def _work_block(self, item: WorkItem) -> Block:
        say, length, water = self.writing.say, self.writing.length, self.limits.water
        begin = (
            "the first station, the downstream end" if item.uphill_known else "the downstream end"
        )
        span = self.writing.span(item.start_m, item.end_m)
        treatment = item.reach.treatment.capitalize()
        lines = [f"{treatment}, {span}, {length(item.work_length_m)}; begin at {begin}."]
        if item.grader_passes > 0.0:
            slope = say(self._target(item.reach), "required_slope_pct")
            lines.append(f"Finish flush with the pavement edge and falling outward at {slope}.")
        if item.ditch_m > 0.0:
            depth = say(1000.0 * water.ditch_least_depth_m.value, "mm")
            lines.append(
                f"Clean {length(item.ditch_m)} of ditch to a fall of at least "
                f"{water.ditch_least_grade_pct.value:g} % towards its outlet, at least {depth} "
                "below the pavement edge."
            )
        notes = tuple(map(self.writing.recorded, item.notes))
        return Block("Work", text=tuple(lines), points=(*notes, *self.plan.notes))

    def _quantity_block(
        self, values: dict[str, Any], reach: WorkReach, item: WorkItem | None
    ) -> Block:
        """Quantities of a reach; of one whose ditch alone is cleaned only what that asks for."""
        say, length = self.writing.say, self.writing.length
        rows = [("length", length(reach.length_m))]
        if item is None or item.grader_passes > 0.0:
            balance = say(_number(values["balance_m3"]), "m3", _number(values["balance_se"]))
            mass = say(reach.import_t, "t")
            rows += [
                ("cut, bank (as it lies)", say(reach.cut_m3_bank, "m3")),
                ("fill, compacted (rolled)", say(reach.fill_m3_compacted, "m3")),
                ("material over (+) or short (-), compacted", balance),
                ("import, loose (on the truck)", say(reach.import_m3_loose, "m3")),
                ("import", _with_loads(mass, item.import_loads) if item else mass),
            ]
        if item is None:
            rows.append(("surplus, loose", say(reach.haul_away_m3_loose, "m3")))
        else:
            away = _with_loads(say(item.away_m3_loose, "m3"), item.away_loads)
            rows.append(("to haul away, loose", away))
            if item.placed_m3_loose > 0.0:
                placed = say(item.placed_m3_loose, "m3")
                rows.append(("to place on the foreslope, loose", placed))
            rows.append(("water in dry weather", say(item.water_m3, "m3 water")))
        if item is None and reach.ditch_clean_m > 0.0:
            rows.append(("ditch to clean", length(reach.ditch_clean_m)))
        return _amounts("Quantities", rows, column=1)

    def _plant_block(self, item: WorkItem) -> Block:
        """Rows of the plant that has work here, and the time of the whole reach."""
        trips = f"{item.import_loads + item.away_loads:.1f}"
        cycle_min = 60.0 * item.truck_cycle_h
        rows = (
            ("grader on the shoulder", f"{item.grader_passes:g}", item.grader_h),
            ("grader in the ditch", f"{self.limits.work.ditch_passes.value:g}", item.ditch_h),
            ("roller", f"{item.roller_passes:g}", item.roller_h),
            (
                f"trucks on the stretch: {item.trucks}, {cycle_min:.0f} min a trip",
                trips,
                item.truck_h,
            ),
            ("crew, whole reach", "", item.crew_h),
        )
        table = tuple((what, passes, _hours(time)) for what, passes, time in rows if time > 0.0)
        heads = ("what", "passes or trips", "time")
        return Block("Plant and time", columns=heads, table=table, column=2)

    def _ditch_blocks(self, item: WorkItem) -> list[Block]:
        reach = item.reach
        rows = self.stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        return ditch_blocks(item, rows, self.stations, self.limits, self.writing)

    def _carry_blocks(self, item: WorkItem) -> list[Block]:
        """Where the blade takes what stands too high; nothing where it is all used on the spot."""
        reach, writing, stations = item.reach, self.writing, self.stations
        rows = stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        names = ("station_m", "cut_m2", "fill_m2")
        station, cut, fill = (stations.values(rows, name) for name in names)
        moves = carries(station, cut, fill, self.limits.material)
        volume = moves[:, 2]
        if item.grader_passes <= 0.0 or volume.sum() < LEAST_CARRY_M3:
            return []
        start, end = station[moves[:, 0].astype(int)], station[moves[:, 1].astype(int)]
        haul = np.abs(start - end)
        mean = writing.length(float(haul @ volume / volume.sum()))
        total = writing.say(float(volume.sum()), "m3")
        table = tuple(
            (writing.place(a), writing.place(b), writing.say(v, "m3"), writing.length(d))
            for a, b, v, d in zip(start, end, volume, haul, strict=True)
            if v >= LEAST_CARRY_M3
        )
        return [
            Block(
                "Carrying along the shoulder",
                text=(f"{total} loose to carry along the shoulder, {mean} on average.",),
                columns=("from", "to", "loose", "haul") if table else (),
                table=table,
                words=2,
            )
        ]

    def _stations_block(self, reach: WorkReach, item: WorkItem | None) -> Block:
        """One row a station: what was measured, what a board should read, boxes to write in."""
        writing, table = self.writing, self.stations.table
        shaped = item is not None and item.grader_passes > 0.0
        columns = ["station", "found"]
        columns += [f"{title} {writing.unit(name).text}" for title, name, _ in _MEASURED]
        boxes: tuple[str, ...] = ("read in the field",)
        if shaped:
            columns.append(f"board fall (accepted) {writing.unit('mm fall').text}")
            boxes = ("read as found", "read after work", "at the edge")
        body = []
        within = self.stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        targets = dict(zip(within.tolist(), self._targets(within).tolist(), strict=True))
        for k in within.tolist():
            at = {name: self.stations.value(k, name) for name in _STATION_NUMBERS}
            # The edge lies on its own side of the line: how far is enough.
            at["edge_offset_m"] = abs(at["edge_offset_m"])
            words = verdict_words(str(table["verdict"][k]), str(table["finding"][k]))
            row = [writing.place(float(table["station_m"][k])), words]
            row += [writing.bare(at[n], n, at.get(error, math.nan)) for _, n, error in _MEASURED]
            row += [self._board(targets[k])] if shaped else []
            body.append((*row, *("" for _ in boxes)))
        return Block(
            "Stations and camber board readings" if shaped else "Stations",
            text=self._board_text(reach) if shaped else (),
            columns=(*columns, *boxes),
            table=tuple(body),
            words=2,
            boxes=len(boxes),
            shares=_BOARD_SHARES if shaped else _STATION_SHARES,
        )

    def _targets(self, rows: NDArray[np.intp]) -> Floats:
        """Slope to build at each station of a reach: one, but where a curve begins."""
        required = self.stations.values(rows, "required_slope_pct")
        return targets_pct(required, self.limits.field.accept_slope_points.value)

    def _target(self, reach: WorkReach) -> float:
        """Slope to build over most of a reach."""
        rows = self.stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        targets = self._targets(rows)
        known = targets[np.isfinite(targets)]
        return float(np.median(known)) if known.size else reach.required_slope_pct

    def _board(self, slope_pct: float) -> str:
        """Fall at the board's outer end, and the range in which the work is accepted."""
        field = self.limits.field
        allowed = field.accept_slope_points.value
        fall, least, most = (
            self.writing.bare(expected_fall_mm(slope_pct + off, field.board_m.value), "mm fall")
            for off in (0.0, -allowed, allowed)
        )
        return UNKNOWN if fall == UNKNOWN else f"{fall} ({least} to {most})"

    def _board_text(self, reach: WorkReach) -> tuple[str, ...]:
        field, say = self.limits.field, self.writing.say
        board, near = say(field.board_m.value, "m"), say(field.accept_edge_mm.value, "mm")
        text = (
            f"{board} camber board, one end on the shoulder at the pavement edge, across the road "
            f"and level: fall at its outer end. At the edge the shoulder is to lie within {near} "
            "of the pavement. Errors are one standard error."
        )
        if not reach.width_m < field.board_m.value:
            return (text,)
        return text, (
            f"The shoulder is only {say(reach.width_m, 'm')} wide: use a shorter board and reckon "
            "the fall down in proportion."
        )


_REACH_NUMBERS = ("mean_slope_pct", "required_slope_pct", "mean_slope_se", "p_wont_shed")
# What a row of a station tells: heading, column, column of its error.
_MEASURED = (
    ("edge from line", "edge_offset_m", ""),
    ("slope", "shoulder_slope_pct", "shoulder_slope_se"),
    ("required", "required_slope_pct", ""),
    ("edge drop", "edge_drop_mm", "edge_drop_se"),
    ("cut", "cut_m2", ""),
    ("fill", "fill_m2", ""),
)
_STATION_NUMBERS = tuple(name for _, *names in _MEASURED for name in names if name)
# Percent of the width, so that words stay on one line and boxes can be written in.
_STATION_SHARES = (8.0, 20.0, 8.0, 11.0, 9.0, 10.0, 8.0, 8.0, 18.0)
_BOARD_SHARES = (6.5, 18.0, 5.5, 8.5, 7.8, 8.0, 6.0, 6.0, 14.7, 6.3, 6.3, 6.4)


def verdict_words(verdict: str, finding: str, treatment: str = "") -> str:
    """Verdict, finding and treatment, each said once."""
    words = [verdict]
    if finding not in ("", Finding.NONE, verdict):
        words.append(finding)
    text = ", ".join(word for word in words if word)
    return text if treatment in ("", Treatment.NONE, verdict) else f"{text} → {treatment}"


def _slug(text: str) -> str:
    """Turn a road name into a safe part of a file name."""
    return re.sub(r"[^\w-]+", "-", text, flags=re.UNICODE).strip("-_")[:40] or "road"
