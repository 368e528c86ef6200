"""Work sheets: what a crew takes along, the same from the window and from the command.

A sheet has cautions first, then what was found, the work, its quantities and hours, and a row for
each station with what was measured, what a camber board should read, and boxes to write in.
Nothing here draws: `sheet_text` makes pages of it and the window's side prints them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.common import units
from analysis.common.errors import SettingsError
from analysis.common.limits import Limits, default_limits, limits_from_toml
from analysis.common.stations import StationStyle, station_text
from analysis.common.types import Floats
from analysis.earthwork.volumes import carries
from analysis.earthwork.workplan import CAUTIONS, Costs, Rates, WorkItem, WorkReach, plan
from analysis.findings.readings import expected_fall_mm
from analysis.findings.sheet_text import Block, Figure, Sheet
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.geopackage import Findings

__all__ = [
    "ReachCourse",
    "WorkSheets",
    "Writing",
    "caution_block",
    "chance_text",
    "limits_of",
    "source_of",
    "verdict_words",
    "work_reaches",
]

UnitSystem = Literal["metric", "us"]

UNKNOWN = "unknown"

LEAST_CARRY_M3 = 0.2
"""Moves of less loose material than this aren't worth a line on a sheet."""

# quantity -> (unit, its size in the stored unit, decimals), metric and US
_KINDS = {
    "length": (("m", 1.0, 0), ("ft", units.METRES_PER_FOOT, 0)),
    "offset": (("m", 1.0, 2), ("ft", units.METRES_PER_FOOT, 2)),
    "area": (("m²", 1.0, 3), ("ft²", units.SQUARE_METRES_PER_SQUARE_FOOT, 2)),
    "volume": (("m³", 1.0, 1), ("yd³", units.CUBIC_METRES_PER_CUBIC_YARD, 1)),
    "mass": (("t", 1.0, 1), ("short tons", units.TONNES_PER_SHORT_TON, 1)),
    "water": (("m³", 1.0, 1), ("gal", units.LITRES_PER_US_GALLON / 1000.0, 0)),
    "depth": (("mm", 1.0, 0), ("in", 1000.0 * units.METRES_PER_INCH, 1)),
    "fall": (("mm", 1.0, 0), ("in", 1000.0 * units.METRES_PER_INCH, 2)),
    "slope": (("%", 1.0, 1), ("%", 1.0, 1)),
    "grade": (("%", 1.0, 2), ("%", 1.0, 2)),
    "points": (("points", 1.0, 1), ("points", 1.0, 1)),
}


@dataclass(frozen=True, slots=True)
class Writing:
    """How numbers and places are written: a system of units and a style of stations."""

    system: UnitSystem = "metric"
    station_style: StationStyle | None = None

    def __post_init__(self) -> None:
        """Refuse a system that isn't known."""
        if self.system not in ("metric", "us"):
            raise SettingsError(f"The units {self.system!r} aren't known; use metric or us.")

    def unit(self, kind: str) -> tuple[str, float, int]:
        """Return the unit that a kind of quantity is written in, its size and its decimals."""
        return _KINDS[kind][self.system == "us"]

    @property
    def style(self) -> StationStyle:
        """How stations are written: as given, else as is usual with the units."""
        return self.station_style or ("feet-hundreds" if self.system == "us" else "km")

    def place(self, station_m: float) -> str:
        """Station as it is written."""
        return station_text(station_m, style=self.style)

    def bare(self, value: float, kind: str, se: float = math.nan) -> str:
        """Value without its unit, with its standard error where that is known."""
        if not math.isfinite(value):
            return UNKNOWN
        _, size, decimals = self.unit(kind)
        # Rounding to "-0.0" would show a direction that isn't there.
        text = f"{round(value / size, decimals) + 0.0:,.{decimals}f}"
        return f"{text} ± {se / size:,.{decimals}f}" if math.isfinite(se) else text

    def say(self, value: float, kind: str, se: float = math.nan) -> str:
        """Value with its unit, and with its standard error where that is known."""
        text = self.bare(value, kind, se)
        return text if text == UNKNOWN else f"{text} {self.unit(kind)[0]}"

    def span(self, from_m: float, to_m: float) -> str:
        """Two stations as a stretch."""
        return f"{self.place(from_m)} to {self.place(to_m)}"

    def recorded(self, sentence: str) -> str:
        """Return a sentence of the findings, which are kept in metric units."""
        if not sentence or self.system == "metric":
            return sentence
        return f"As recorded, in metric units: {sentence}"


@dataclass(frozen=True, slots=True, eq=False)
class ReachCourse:
    """Course of a reach and a little beyond, to be drawn; arrays over stations, NaN unknown.

    Attributes
    ----------
    station_m
        Labels, rising; `from_m` to `to_m` is the reach itself.
    slope_pct, slope_se, required_pct, drop_mm, drop_se, cut_m2, fill_m2
        As in the stations table.
    drop_limit_mm, high_limit_mm
        What the edge drop is held against, the latter negative.
    """

    station_m: Floats
    from_m: float
    to_m: float
    slope_pct: Floats
    slope_se: Floats
    required_pct: Floats
    drop_mm: Floats
    drop_se: Floats
    cut_m2: Floats
    fill_m2: Floats
    drop_limit_mm: float
    high_limit_mm: float
    writing: Writing


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
    return tuple(_work_reach(table, row, ends, stations) for row in range(len(table)))


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
        row=row,
    )


# ---------------------------------------------------------------- sheets


def caution_block(*text: str) -> Block:
    """Cautions that every page of every sheet carries."""
    return Block("Cautions", text=text, points=CAUTIONS)


def source_of(findings: Findings) -> str:
    """Where the numbers come from, for the foot of every page."""
    run = findings.run
    noise, cell = (_number(run.get(name)) for name in ("noise_median_m", "cell_m"))
    parts = (
        Path(str(run.get("terrain") or "")).name,
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


def _with_loads(amount: str, number: int) -> str:
    """Add truck loads to an amount; none are known of an unknown one."""
    if amount == UNKNOWN:
        return UNKNOWN
    return f"{amount}, {number} load" if number == 1 else f"{amount}, {number} loads"


def _amounts(heading: str, rows: Sequence[tuple[str, str]], **more: Any) -> Block:
    """Two columns: what, and how much."""
    return Block(
        heading, columns=("what", "how much"), table=tuple(rows), numeric=(False, True), **more
    )


def _cost_blocks(costs: Costs) -> list[Block]:
    """The costs that rest on a given rate; nothing where no rate was given."""
    if costs.total is None:
        return []
    without = f" (without {', '.join(costs.missing)}: no rate given)" if costs.missing else ""
    parts = (*costs.parts, (f"sum{without}", costs.total))
    rows = [(name, f"{cost:,.0f} {costs.currency}".strip()) for name, cost in parts]
    return [_amounts("Costs at the given rates", rows)]


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
    ) -> None:
        self.findings = findings
        self.limits = limits or limits_of(findings)
        self.writing = writing or Writing()
        self.source = source_of(findings)
        self.reaches = work_reaches(findings)
        self.plan = plan(self.reaches, self.limits, rates, traffic_plan=traffic_plan)
        self.items = {item.reach.row: item for item in self.plan.items}

    @cached_property
    def stations(self) -> StationRows:
        """Rows of the stations table by road and side."""
        return StationRows(self.findings.stations)

    def all(self) -> list[Sheet]:
        """Return the sheet of the plan and that of every reach with work, in order."""
        return [self.plan_sheet(), *(self.reach_sheet(i.reach.row) for i in self.plan.items)]

    def _cautions(self) -> Block:
        reference = self.plan.traffic_plan or (
            ". . . . . . . . . . (enter its number; no work without it)"
        )
        return caution_block(f"Local traffic-control plan: {reference}")

    # -- the plan ----------------------------------------------------------------------------

    def plan_sheet(self) -> Sheet:
        """Return the sheet of the whole plan: order of work, sums, what to look at first."""
        made = self.plan
        blocks = [self._order_block(), _amounts("Sums", self._sums()), *_cost_blocks(made.costs)]
        if made.visits:
            blocks.append(self._visits_block())
        blocks.append(Block("Season", text=made.notes))
        return Sheet(
            "Work plan for road shoulders",
            "plan",
            self._cautions(),
            tuple(blocks),
            f"{len(made.items)} reaches with work",
            self.source,
        )

    def _order_block(self) -> Block:
        say = self.writing.say
        rows = tuple(
            (
                str(item.order),
                str(item.stretch),
                item.reach.road,
                item.reach.side,
                self.writing.span(item.start_m, item.end_m),
                item.reach.finding,
                item.reach.treatment,
                say(item.import_m3_loose, "volume"),
                UNKNOWN if math.isnan(item.import_t) else str(item.import_loads),
                _hours(item.crew_h),
            )
            for item in self.plan.items
        )
        if not rows:
            return Block("Order of work", text=("No reach calls for work.",))
        return Block(
            "Order of work",
            text=(
                "Downstream end first, so that water can leave while the rest is still to do; "
                "reaches of one stretch share the traffic control of a side.",
            ),
            columns=(
                "no.", "stretch", "road", "side", "from, to", "finding", "treatment",
                "import, loose", "loads", "crew",
            ),
            table=rows,
            numeric=(True, True, False, False, False, False, False, True, True, True),
        )  # fmt: skip

    def _sums(self) -> list[tuple[str, str]]:
        totals, say = self.plan.totals, self.writing.say
        return [
            ("length of work", say(totals.work_length_m, "length")),
            ("cut, bank", say(totals.cut_m3_bank, "volume")),
            ("fill, compacted", say(totals.fill_m3_compacted, "volume")),
            ("import, loose", say(totals.import_m3_loose, "volume")),
            ("import", _with_loads(say(totals.import_t, "mass"), totals.import_loads)),
            (
                "to haul away, loose",
                _with_loads(say(totals.away_m3_loose, "volume"), totals.away_loads),
            ),
            ("ditch to clean", say(totals.ditch_m, "length")),
            (
                "water in dry weather",
                _with_loads(say(totals.water_m3, "water"), totals.water_loads),
            ),
            ("grader, shoulder", _hours(totals.grader_h)),
            ("grader, ditch", _hours(totals.ditch_h)),
            ("roller", _hours(totals.roller_h)),
            ("trucks", _hours(totals.truck_h)),
            (f"traffic control, set-ups: {totals.setups}", _hours(totals.setup_h)),
            ("moving between reaches", _hours(totals.moving_h)),
            ("crew", f"{_hours(totals.crew_h)}, {totals.crew_days:,.1f} days"),
        ]

    def _visits_block(self) -> Block:
        return Block(
            "Look first",
            text=("Here the terrain can't tell; nothing is reckoned for these reaches.",),
            columns=("road", "side", "from, to", "length"),
            table=tuple(
                (
                    reach.road,
                    reach.side,
                    self.writing.span(reach.from_m, reach.to_m),
                    self.writing.say(reach.length_m, "length"),
                )
                for reach in self.plan.visits
            ),
            numeric=(False, False, False, True),
        )

    # -- one reach ---------------------------------------------------------------------------

    def reach_sheet(self, row: int, section: Figure | None = None) -> Sheet:
        """Return the sheet of one reach, whether it has work or not.

        Parameters
        ----------
        row : int
            Of the reaches table.
        section : Figure, optional
            Its worst section, where a study is at hand.
        """
        reach, item = self.reaches[row], self.items.get(row)
        values = self.findings.reaches.row(row)
        blocks = [
            self._found_block(values, reach),
            self._course_block(reach, column=1 if section else 0),
            *([Block("", figure=section, column=2)] if section else []),
            *([self._work_block(item)] if item else []),
            self._quantity_block(values, reach, item),
        ]
        if item:
            plant = self._plant_rows(item)
            blocks.append(
                Block(
                    "Plant and time",
                    columns=("what", "passes or trips", "time"),
                    table=plant,
                    numeric=(False, True, True),
                    column=2,
                )
            )
        if item:
            blocks += _cost_blocks(item.costs)
            if item.grader_passes > 0.0:
                blocks += self._carry_blocks(reach)
        blocks.append(self._stations_block(reach, item))
        place = self.writing.span(reach.from_m, reach.to_m)
        rank = f"rank {reach.rank}" if reach.rank > 0 else ""
        number = f"work sheet {item.order} of {len(self.plan.items)}" if item else "no work planned"
        order = f"{item.order:03d}_" if item else ""
        ends = f"{reach.low_m:.0f}-{reach.high_m:.0f}"
        return Sheet(
            f"{reach.road}, {reach.side}, {place}",
            f"{order}{_slug(reach.road)}_{reach.side}_{ends}",
            self._cautions(),
            tuple(blocks),
            ", ".join(part for part in (number, rank) if part),
            self.source,
        )

    def _found_block(self, values: dict[str, Any], reach: WorkReach) -> Block:
        say, drop = self.writing.say, reach.worst_drop_mm
        known = {name: _number(values.get(name)) for name in _REACH_NUMBERS}
        heading = verdict_words(str(values["verdict"]), reach.finding, reach.treatment)
        where = "" if math.isnan(drop) else " below the edge" if drop >= 0.0 else " above the edge"
        facts = (
            say(known["mean_slope_pct"], "slope", known["mean_slope_se"]),
            say(known["required_slope_pct"], "slope"),
            f"{say(abs(drop), 'depth')}{where}",
            chance_text(known["p_wont_shed"]),
        )
        return Block(
            f"What was found: {heading}",
            text=(self.writing.recorded(str(values["reason"])),) if values["reason"] else (),
            columns=(
                "mean slope, falls outward",
                "required slope",
                "shoulder at worst",
                "chance that it won't shed",
            ),
            table=(facts,),
            numeric=(False,) * len(facts),
        )

    def _course_block(self, reach: WorkReach, column: int) -> Block:
        table, limits = self.stations.table, self.limits
        beyond = max(30.0, 0.15 * (reach.high_m - reach.low_m))
        rows = self.stations.within(
            reach.road, reach.side, reach.low_m - beyond, reach.high_m + beyond
        )

        def values(name: str) -> Floats:
            return np.asarray(table[name], dtype=np.float64)[rows]

        course = ReachCourse(
            station_m=values("station_m"),
            from_m=reach.low_m,
            to_m=reach.high_m,
            slope_pct=values("shoulder_slope_pct"),
            slope_se=values("shoulder_slope_se"),
            required_pct=values("required_slope_pct"),
            drop_mm=values("edge_drop_mm"),
            drop_se=values("edge_drop_se"),
            cut_m2=values("cut_m2"),
            fill_m2=values("fill_m2"),
            drop_limit_mm=limits.shape.edge_drop_mm.value,
            high_limit_mm=-limits.shape.high_shoulder_mm.value,
            writing=self.writing,
        )
        caption = "Along the reach: broken lines are limits, bands one standard error"
        return Block("", figure=Figure(course, caption, 190), column=column)

    def _work_block(self, item: WorkItem) -> Block:
        reach, limits, say = item.reach, self.limits, self.writing.say
        direction = (
            "begin at the first station, the downstream end"
            if item.uphill_known
            else "begin at the downstream end"
        )
        span = self.writing.span(item.start_m, item.end_m)
        lines = [
            f"{reach.treatment.capitalize()}, {span}, {say(item.work_length_m, 'length')}; "
            f"{direction}."
        ]
        if item.grader_passes > 0.0:
            lines.append(
                "Finish flush with the pavement edge and falling outward at the required slope; "
                f"spread the last lift {say(limits.material.loose_lift_mm.value, 'depth')} above "
                "the edge before rolling."
            )
        if item.ditch_m > 0.0:
            lines.append(
                f"Clean {say(item.ditch_m, 'length')} of ditch to a fall of at least "
                f"{limits.water.ditch_least_grade_pct.value:g} % towards its outlet, at least "
                f"{say(1000.0 * limits.water.ditch_least_depth_m.value, 'depth')} below the "
                "pavement edge."
            )
        return Block("Work", text=tuple(lines), points=(*item.notes, *self.plan.notes))

    def _quantity_block(
        self, values: dict[str, Any], reach: WorkReach, item: WorkItem | None
    ) -> Block:
        """Quantities of a reach; of one whose ditch alone is cleaned only what that asks for."""
        say = self.writing.say
        rows = [("length", say(reach.length_m, "length"))]
        if item is None or item.grader_passes > 0.0:
            balance = say(_number(values["balance_m3"]), "volume", _number(values["balance_se"]))
            loads = item.import_loads if item else 0
            away = say(reach.haul_away_m3_loose, "volume")
            mass = say(reach.import_t, "mass")
            rows += [
                ("cut, bank (as it lies)", say(reach.cut_m3_bank, "volume")),
                ("fill, compacted (rolled)", say(reach.fill_m3_compacted, "volume")),
                ("material over (+) or short (-), compacted", balance),
                ("import, loose (on the truck)", say(reach.import_m3_loose, "volume")),
                ("import", _with_loads(mass, loads) if item else mass),
                ("to haul away, loose", _with_loads(away, item.away_loads) if item else away),
            ]
        if item is not None and item.grader_passes > 0.0:
            rows.append(("water in dry weather", say(item.water_m3, "water")))
        ditch_m = item.ditch_m if item else reach.ditch_clean_m
        if ditch_m > 0.0:
            rows.append(("ditch to clean", say(ditch_m, "length")))
        return _amounts("Quantities", rows, column=1)

    def _plant_rows(self, item: WorkItem) -> tuple[tuple[str, str, str], ...]:
        """Rows of the plant that has work here, and the time of the whole reach."""
        trips = str(item.import_loads + item.away_loads)
        ditch_passes = f"{self.limits.work.ditch_passes.value:g}"
        trucks = f"trucks: {item.trucks}, {60.0 * item.truck_cycle_h:.0f} min a trip"
        rows = (
            ("grader on the shoulder", f"{item.grader_passes:g}", item.grader_h),
            ("grader in the ditch", ditch_passes, item.ditch_h),
            ("roller", f"{item.roller_passes:g}", item.roller_h),
            (trucks, trips, item.truck_h),
            ("crew, whole reach", "", item.crew_h),
        )
        return tuple((what, passes, _hours(time)) for what, passes, time in rows if time > 0.0)

    def _carry_blocks(self, reach: WorkReach) -> list[Block]:
        """Where the blade takes what stands too high; nothing where it is all used on the spot."""
        writing, table = self.writing, self.stations.table
        rows = self.stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        station, cut, fill = (
            np.asarray(table[name], dtype=np.float64)[rows]
            for name in ("station_m", "cut_m2", "fill_m2")
        )
        moves = carries(station, cut, fill, self.limits.material)
        volume = moves[:, 2]
        if volume.sum() < LEAST_CARRY_M3:
            return []
        start, end = station[moves[:, 0].astype(int)], station[moves[:, 1].astype(int)]
        haul, worth = np.abs(start - end), volume >= LEAST_CARRY_M3
        mean_m = float(haul @ volume / volume.sum())
        body = tuple(
            (
                writing.place(a),
                writing.place(b),
                writing.say(v, "volume"),
                writing.say(d, "length"),
            )
            for a, b, v, d in zip(start[worth], end[worth], volume[worth], haul[worth], strict=True)
        )
        return [
            Block(
                "Carrying along the shoulder",
                text=(
                    f"{writing.say(float(volume.sum()), 'volume')} loose to carry along the "
                    f"shoulder, {writing.say(mean_m, 'length')} on average.",
                ),
                columns=("from", "to", "loose", "haul") if body else (),
                table=body,
                numeric=(False, False, True, True) if body else (),
            )
        ]

    def _stations_block(self, reach: WorkReach, item: WorkItem | None) -> Block:
        """One row a station: what was measured, what a board should read, boxes to write in."""
        writing, table = self.writing, self.stations.table
        shaped = item is not None and item.grader_passes > 0.0
        rows = self.stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
        units_of = {kind: writing.unit(kind)[0] for kind in ("offset", "depth", "area", "fall")}
        columns = [
            "station",
            "found",
            f"edge from line {units_of['offset']}",
            "slope %",
            "required %",
            f"edge drop {units_of['depth']}",
            f"cut {units_of['area']}",
            f"fill {units_of['area']}",
        ]
        boxes: tuple[str, ...] = ("read in the field",)
        if shaped:
            columns.append(f"board fall (accepted) {units_of['fall']}")
            boxes = ("read as found", "read after work", "at the edge")
        body = []
        for k in rows:
            at = {name: _number(table[name][k]) for name in _STATION_NUMBERS}
            body.append(
                (
                    writing.place(float(table["station_m"][k])),
                    verdict_words(str(table["verdict"][k]), str(table["finding"][k])),
                    writing.bare(abs(at["edge_offset_m"]), "offset"),
                    writing.bare(at["shoulder_slope_pct"], "slope", at["shoulder_slope_se"]),
                    writing.bare(at["required_slope_pct"], "slope"),
                    writing.bare(at["edge_drop_mm"], "depth", at["edge_drop_se"]),
                    writing.bare(at["cut_m2"], "area"),
                    writing.bare(at["fill_m2"], "area"),
                    *((self._board(at["required_slope_pct"]),) if shaped else ()),
                    *("" for _ in boxes),
                )
            )
        return Block(
            "Stations" + (" and camber board readings" if shaped else ""),
            text=self._board_text(reach) if shaped else (),
            columns=(*columns, *boxes),
            table=tuple(body),
            numeric=(False, False, *(True for _ in columns[2:]), *(False for _ in boxes)),
            boxes=boxes,
            shares=_BOARD_SHARES if shaped else _STATION_SHARES,
        )

    def _board(self, slope_pct: float) -> str:
        """Fall at the board's outer end, and the range in which the work is accepted."""
        board, allowed = (
            self.limits.field.board_m.value,
            self.limits.field.accept_slope_points.value,
        )
        fall, least, most = (
            self.writing.bare(expected_fall_mm(slope_pct + off, board), "fall")
            for off in (0.0, -allowed, allowed)
        )
        return UNKNOWN if fall == UNKNOWN else f"{fall} ({least} to {most})"

    def _board_text(self, reach: WorkReach) -> tuple[str, ...]:
        field, say = self.limits.field, self.writing.say
        board = field.board_m.value
        text = [
            f"{say(board, 'offset')} camber board, one end on the shoulder at the pavement edge, "
            "across the road and level: fall at its outer end. At the edge the shoulder is to lie "
            f"within {say(field.accept_edge_mm.value, 'depth')} of the pavement. Errors are one "
            "standard error.",
        ]
        if math.isfinite(reach.width_m) and reach.width_m < board:
            text.append(
                f"The shoulder is only {say(reach.width_m, 'offset')} wide: use a shorter board "
                "and reckon the fall down in proportion."
            )
        return tuple(text)


_REACH_NUMBERS = ("mean_slope_pct", "mean_slope_se", "required_slope_pct", "p_wont_shed")
_STATION_NUMBERS = (
    "edge_offset_m",
    "shoulder_slope_pct",
    "shoulder_slope_se",
    "required_slope_pct",
    "edge_drop_mm",
    "edge_drop_se",
    "cut_m2",
    "fill_m2",
)


# Percent of the width, so that words stay on one line and boxes can be written in.
_STATION_SHARES = (8.0, 20.0, 8.0, 11.0, 9.0, 10.0, 8.0, 8.0, 18.0)
_BOARD_SHARES = (7.0, 19.5, 5.5, 9.0, 7.5, 7.5, 6.0, 6.0, 11.5, 6.8, 6.8, 6.9)


def verdict_words(verdict: str, finding: str, treatment: str = "") -> str:
    """Verdict, finding and treatment, each said once."""
    words = [verdict]
    if finding not in ("", "none", verdict):
        words.append(finding)
    text = ", ".join(word for word in words if word)
    return text if treatment in ("", "none", verdict) else f"{text} → {treatment}"


def chance_text(probability: float) -> str:
    """Probability in percent, never rounded to a certainty that nobody has."""
    if not math.isfinite(probability):
        return UNKNOWN
    percent = 100.0 * probability
    return "< 1 %" if percent < 1.0 else "> 99 %" if percent > 99.0 else f"{percent:.0f} %"


def _slug(text: str) -> str:
    """Turn a road name into a safe part of a file name."""
    return re.sub(r"[^\w-]+", "-", text, flags=re.UNICODE).strip("-_")[:40] or "road"
