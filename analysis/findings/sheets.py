"""Work sheets: what a crew takes along.

A sheet has cautions first, then what is wrong, the work, its quantities and hours, and a table
of what a camber board should read. Nothing here draws; a window may print the same content.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.common import units
from analysis.common.errors import SettingsError
from analysis.common.limits import Limits, default_limits, limits_from_toml
from analysis.common.stations import station_text
from analysis.earthwork.volumes import carries
from analysis.earthwork.workplan import Costs, Rates, WorkItem, WorkPlan, WorkReach, plan
from analysis.findings.readings import expected_fall_mm
from analysis.findings.sheet_text import Block, Sheet
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.geopackage import Findings

__all__ = [
    "limits_of",
    "plan_of",
    "plan_sheet",
    "reach_sheet",
    "work_reaches",
]

UnitSystem = Literal["metric", "us"]

UNKNOWN = "unknown"
_BLANK = ""

LEAST_CARRY_M3 = 0.2
"""Moves of less loose material than this aren't worth a line on a sheet."""


@dataclass(frozen=True, slots=True)
class _Words:
    """How numbers and places are written in one system of units."""

    system: UnitSystem

    def __post_init__(self) -> None:
        if self.system not in ("metric", "us"):
            raise SettingsError(f"The units {self.system!r} aren't known; use metric or us.")

    def place(self, station_m: float) -> str:
        return station_text(station_m, style="km" if self.system == "metric" else "feet-hundreds")

    def _number(self, value: float, factor: float, metric: str, us: str, decimals: int) -> str:
        if not math.isfinite(value):
            return UNKNOWN
        if self.system == "us":
            return f"{value / factor:,.{decimals}f} {us}"
        return f"{value:,.{decimals}f} {metric}"

    def length(self, metres: float) -> str:
        return self._number(metres, units.METRES_PER_FOOT, "m", "ft", 0)

    def volume(self, cubic_metres: float) -> str:
        return self._number(cubic_metres, units.CUBIC_METRES_PER_CUBIC_YARD, "m³", "yd³", 1)

    def mass(self, tonnes: float) -> str:
        return self._number(tonnes, units.TONNES_PER_SHORT_TON, "t", "short tons", 1)

    def water(self, cubic_metres: float) -> str:
        if self.system == "us" and math.isfinite(cubic_metres):
            return f"{cubic_metres * 1000.0 / units.LITRES_PER_US_GALLON:,.0f} gal"
        return self._number(cubic_metres, 1.0, "m³", "m³", 1)

    def depth(self, millimetres: float) -> str:
        decimals = 0 if self.system == "metric" else 1
        inches = 1000.0 * units.METRES_PER_INCH
        return self._number(millimetres, inches, "mm", "in", decimals)

    def fall(self, millimetres: float) -> str:
        decimals = 0 if self.system == "metric" else 2
        inches = 1000.0 * units.METRES_PER_INCH
        return self._number(millimetres, inches, "mm", "in", decimals)

    def board(self, metres: float) -> str:
        if self.system == "us":
            return f"{metres / units.METRES_PER_FOOT:.2f} ft"
        return f"{metres:.2f} m"


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


def plan_of(
    findings: Findings,
    limits: Limits | None = None,
    rates: Rates | None = None,
    *,
    traffic_plan: str = "",
) -> WorkPlan:
    """Work plan of findings, by the limits that they were judged by unless given."""
    return plan(
        work_reaches(findings), limits or limits_of(findings), rates, traffic_plan=traffic_plan
    )


# ---------------------------------------------------------------- sheets


def _caution_block(made: WorkPlan) -> Block:
    reference = made.traffic_plan or ". . . . . . . . . . (enter its number; no work without it)"
    return Block(
        "Cautions",
        text=(f"Local traffic-control plan: {reference}",),
        points=made.cautions,
        is_caution=True,
    )


def _span(words: _Words, item: WorkItem) -> str:
    return f"{words.place(item.start_m)} to {words.place(item.end_m)}"


def _hours(value: float) -> str:
    if not math.isfinite(value):
        return UNKNOWN
    return f"{value:,.1f} h" if value >= 1.0 or value == 0.0 else f"{60.0 * value:.0f} min"


def _with_loads(amount: str, number: int) -> str:
    """Add truck loads to an amount; none are known of an unknown one."""
    if amount == UNKNOWN:
        return UNKNOWN
    return f"{amount}, {number} load" if number == 1 else f"{amount}, {number} loads"


def _cost_blocks(costs: Costs) -> list[Block]:
    """The costs that rest on a given rate; nothing where no rate was given."""
    if costs.total is None:
        return []
    rows = [(name, f"{cost:,.0f} {costs.currency}".strip()) for name, cost in costs.parts]
    without = f" (without {', '.join(costs.missing)}: no rate given)" if costs.missing else ""
    rows.append((f"sum{without}", f"{costs.total:,.0f} {costs.currency}".strip()))
    columns = ("what", "cost")
    return [
        Block("Costs at the given rates", columns=columns, table=tuple(rows), numeric=(False, True))
    ]


def plan_sheet(made: WorkPlan, *, system: UnitSystem = "metric") -> Sheet:
    """Sheet of the whole plan: order of work, sums, what to look at first."""
    words = _Words(system)
    rows = tuple(
        (
            str(item.order),
            str(item.stretch),
            item.reach.road,
            item.reach.side,
            _span(words, item),
            item.reach.finding,
            item.reach.treatment,
            words.volume(item.import_m3_loose),
            UNKNOWN if math.isnan(item.import_t) else str(item.import_loads),
            _hours(item.crew_h),
        )
        for item in made.items
    )
    totals = made.totals
    sums = (
        ("length of work", words.length(totals.work_length_m)),
        ("cut, bank", words.volume(totals.cut_m3_bank)),
        ("fill, compacted", words.volume(totals.fill_m3_compacted)),
        ("import, loose", words.volume(totals.import_m3_loose)),
        ("import", _with_loads(words.mass(totals.import_t), totals.import_loads)),
        (
            "to haul away, loose",
            _with_loads(words.volume(totals.away_m3_loose), totals.away_loads),
        ),
        ("ditch to clean", words.length(totals.ditch_m)),
        ("water in dry weather", _with_loads(words.water(totals.water_m3), totals.water_loads)),
        ("grader, shoulder", _hours(totals.grader_h)),
        ("grader, ditch", _hours(totals.ditch_h)),
        ("roller", _hours(totals.roller_h)),
        ("trucks", _hours(totals.truck_h)),
        (f"traffic control, set-ups: {totals.setups}", _hours(totals.setup_h)),
        ("moving between reaches", _hours(totals.moving_h)),
        ("crew", f"{_hours(totals.crew_h)}, {totals.crew_days:,.1f} days"),
    )
    blocks = [
        _caution_block(made),
        Block(
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
        )
        if rows
        else Block("Order of work", text=("No reach calls for work.",)),
        Block("Sums", columns=("what", "how much"), table=sums, numeric=(False, True)),
    ]  # fmt: skip
    blocks += _cost_blocks(made.costs)
    if made.visits:
        blocks.append(
            Block(
                "Look first",
                text=("Here the terrain can't tell; nothing is reckoned for these reaches.",),
                columns=("road", "side", "from, to", "length"),
                table=tuple(
                    (
                        reach.road,
                        reach.side,
                        f"{words.place(reach.from_m)} to {words.place(reach.to_m)}",
                        words.length(reach.length_m),
                    )
                    for reach in made.visits
                ),
                numeric=(False, False, False, True),
            )
        )
    blocks.append(Block("Season", points=made.notes))
    return Sheet("Work plan for road shoulders", "plan", tuple(blocks))


def reach_sheet(
    findings: Findings,
    made: WorkPlan,
    item: WorkItem,
    limits: Limits | None = None,
    *,
    system: UnitSystem = "metric",
    stations: StationRows | None = None,
) -> Sheet:
    """Sheet of one reach.

    Parameters
    ----------
    findings : Findings
        That the plan was made from.
    made : WorkPlan
        From `plan_of`.
    item : WorkItem
        One of its items.
    limits : Limits, optional
        Else those of the findings.
    system : {"metric", "us"}
    stations : StationRows, optional
        Of the findings, where many sheets are made.
    """
    words, limits = _Words(system), limits or limits_of(findings)
    stations = stations or StationRows(findings.stations)
    reach = item.reach
    row = findings.reaches.row(reach.row)
    title = f"Work sheet {item.order}: {reach.road}, {reach.side}, {_span(words, item)}"
    blocks = [
        _caution_block(made),
        Block("What is wrong", text=_wrong_text(row, item, words)),
        Block("Work", text=_work_text(item, words, limits), points=item.notes),
        Block(
            "Quantities",
            text=("Bank as it lies, loose on the truck, compacted after rolling.",),
            columns=("what", "how much"),
            table=_quantity_rows(row, item, words),
            numeric=(False, True),
        ),
        Block(
            "Plant and time",
            columns=("what", "passes or trips", "time"),
            table=_plant_rows(item, limits),
            numeric=(False, True, True),
        ),
    ]
    blocks += _cost_blocks(item.costs)
    if item.grader_passes > 0.0:
        blocks += _carry_blocks(stations, reach, words, limits)
        blocks.append(_board_block(stations, reach, words, limits))
    blocks.append(Block("Season", points=made.notes))
    name = f"{item.order:03d}_{_slug(reach.road)}_{reach.side}_{reach.low_m:.0f}-{reach.high_m:.0f}"
    return Sheet(title, name, tuple(blocks))


def _wrong_text(row: dict[str, Any], item: WorkItem, words: _Words) -> tuple[str, ...]:
    lines = [str(row["reason"])] if row["reason"] else []
    drop = float(row["worst_drop_mm"])
    if math.isfinite(drop) and item.grader_passes > 0.0:
        where = "below" if drop >= 0.0 else "above"
        lines.append(f"Shoulder at worst {words.depth(abs(drop))} {where} the pavement edge.")
    return tuple(lines) or (f"Finding: {row['finding']}.",)


def _work_text(item: WorkItem, words: _Words, limits: Limits) -> tuple[str, ...]:
    reach = item.reach
    direction = (
        "begin at the first station, the downstream end"
        if item.uphill_known
        else "begin at the downstream end"
    )
    lines = [
        f"{reach.treatment.capitalize()}, {_span(words, item)}, "
        f"{words.length(item.work_length_m)}; {direction}."
    ]
    if item.grader_passes > 0.0:
        lines.append(
            "Finish flush with the pavement edge and falling outward at the slope in the table "
            "of board readings; spread the last lift "
            f"{words.depth(limits.material.loose_lift_mm.value)} above the edge before rolling."
        )
    if item.ditch_m > 0.0:
        lines.append(
            f"Clean {words.length(item.ditch_m)} of ditch to a fall of at least "
            f"{limits.water.ditch_least_grade_pct.value:g} % towards its outlet, at least "
            f"{words.depth(1000.0 * limits.water.ditch_least_depth_m.value)} below the "
            "pavement edge."
        )
    return tuple(lines)


def _quantity_rows(
    row: dict[str, Any], item: WorkItem, words: _Words
) -> tuple[tuple[str, str], ...]:
    reach = item.reach
    if item.grader_passes <= 0.0:
        return (("ditch to clean", words.length(item.ditch_m)),)
    balance, error = float(row["balance_m3"]), float(row["balance_se"])
    balance_text = UNKNOWN
    if math.isfinite(balance):
        give = f" ± {words.volume(error)}" if math.isfinite(error) else ""
        balance_text = f"{words.volume(balance)}{give}"
    rows = [
        ("cut, bank", words.volume(reach.cut_m3_bank)),
        ("fill, compacted", words.volume(reach.fill_m3_compacted)),
        ("material over (+) or short (-), compacted", balance_text),
        ("import, loose", words.volume(item.import_m3_loose)),
        ("import", _with_loads(words.mass(item.import_t), item.import_loads)),
        (
            "to haul away, loose",
            _with_loads(words.volume(reach.haul_away_m3_loose), item.away_loads),
        ),
        ("water in dry weather", words.water(item.water_m3)),
    ]
    if item.ditch_m > 0.0:
        rows.append(("ditch to clean", words.length(item.ditch_m)))
    return tuple(rows)


def _plant_rows(item: WorkItem, limits: Limits) -> tuple[tuple[str, str, str], ...]:
    """Rows of the plant that has work here, and the time of the whole reach."""
    trips = item.import_loads + item.away_loads
    rows = (
        ("grader on the shoulder", f"{item.grader_passes:g}", item.grader_h),
        ("grader in the ditch", f"{limits.work.ditch_passes.value:g}", item.ditch_h),
        ("roller", f"{item.roller_passes:g}", item.roller_h),
        (f"trucks: {item.trucks}, {60.0 * item.truck_cycle_h:.0f} min a trip", str(trips),
         item.truck_h),
        ("whole reach", _BLANK, item.crew_h),
    )  # fmt: skip
    return tuple((what, passes, _hours(time)) for what, passes, time in rows if time > 0.0)


def _carry_blocks(
    stations: StationRows, reach: WorkReach, words: _Words, limits: Limits
) -> list[Block]:
    """Where the blade takes what stands too high; nothing where it is all used on the spot."""
    table = stations.table
    rows = stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
    station, cut, fill = (
        np.asarray(table[name], dtype=np.float64)[rows]
        for name in ("station_m", "cut_m2", "fill_m2")
    )
    moves = carries(station, cut, fill, limits.material)
    if moves[:, 2].sum() < LEAST_CARRY_M3:
        return []
    start, end = station[moves[:, 0].astype(int)], station[moves[:, 1].astype(int)]
    haul = np.abs(start - end)
    worth = moves[:, 2] >= LEAST_CARRY_M3
    text = (
        f"{words.volume(float(moves[:, 2].sum()))} loose to carry along the shoulder, "
        f"{words.length(float(haul @ moves[:, 2] / moves[:, 2].sum()))} on average.",
    )
    body = tuple(
        (words.place(a), words.place(b), words.volume(v), words.length(d))
        for a, b, v, d in zip(start[worth], end[worth], moves[worth, 2], haul[worth], strict=True)
    )
    if not body:
        return [Block("Carrying along the shoulder", text=text)]
    return [
        Block(
            "Carrying along the shoulder",
            text=text,
            columns=("from", "to", "loose", "haul"),
            table=body,
            numeric=(False, False, True, True),
        )
    ]


def _board_block(stations: StationRows, reach: WorkReach, words: _Words, limits: Limits) -> Block:
    table = stations.table
    rows = stations.within(reach.road, reach.side, reach.low_m, reach.high_m)
    board, allowed = limits.field.board_m.value, limits.field.accept_slope_points.value
    body = []
    for k in rows:
        slope = float(table["required_slope_pct"][k])
        known = math.isfinite(slope)
        falls = [expected_fall_mm(slope + off, board) for off in (0.0, -allowed, allowed)]
        low_high = f"{words.fall(falls[1])} to {words.fall(falls[2])}" if known else UNKNOWN
        body.append(
            (
                words.place(float(table["station_m"][k])),
                f"{slope:.1f} %" if known else UNKNOWN,
                words.fall(falls[0]),
                low_high,
                _BLANK,
                _BLANK,
            )
        )
    text = [
        f"{words.board(board)} camber board, one end on the shoulder at the pavement edge, across "
        "the road and level: fall at its outer end. At the edge the shoulder is to lie within "
        f"{words.depth(limits.field.accept_edge_mm.value)} of the pavement.",
    ]
    if math.isfinite(reach.width_m) and reach.width_m < board:
        text.append(
            f"The shoulder is only {words.board(reach.width_m)} wide: use a shorter board and "
            "reckon the fall down in proportion."
        )
    return Block(
        "Camber board readings",
        text=tuple(text),
        columns=("station", "slope", "expected fall", "accepted", "read", "at the edge"),
        table=tuple(body),
        numeric=(False, True, True, True, True, True),
    )


def _slug(text: str) -> str:
    """Turn a road name into a safe part of a file name."""
    return re.sub(r"[^\w-]+", "-", text, flags=re.UNICODE).strip("-_")[:40] or "road"
