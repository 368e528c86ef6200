"""A programme in words: blocks of tables, one page for a manager, and plain text for a screen."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date

from analysis.common.cautions import CAUTIONS
from analysis.common.writing import UNKNOWN, Writing
from analysis.earthwork.programme import Share, Stretch, WorkDay
from analysis.earthwork.work_reach import WorkReach
from analysis.findings.place_map import HARM_WORDS, work_map
from analysis.findings.planning import Planned
from analysis.findings.reviews import Decision
from analysis.findings.sheet_text import Block, Figure, Sheet
from analysis.findings.sheets import caution_block

__all__ = ["days_block", "fit_block", "left_block", "programme_overview", "programme_sheet"]
__all__ += ["programme_text", "shares_block", "stretches_block"]

_FIRST_ROWS = 20
"""Most reaches on the page; whoever prints leaves out those that don't fit."""
_ROADS_SHOWN = 5
_LEFT_ROWS = 20
_NAME_MOST = 26
_MAP_PX = 310
MOISTURE_NOTE = (
    "Season: blade while the material is moist, after rain or watered (common practice); not on "
    "frozen, waterlogged or dust-dry ground. The days are working days, not a weather forecast."
)


def shares_block(
    heading: str, shares: Sequence[Share], planned: Planned, writing: Writing, *, column: int = 0
) -> Block:
    """What parts of the programme take, and all of it in the last row."""
    say = writing.bare
    currency = planned.programme.plan.costs.currency
    priced = planned.programme.whole.costs.total is not None
    units = {name: writing.unit(name).text for name in ("length_m", "m3", "t")}
    heads = [
        heading.lower(),
        f"length {units['length_m']}",
        f"cut {units['m3']}",
        f"fill {units['m3']}",
        f"import {units['t']}",
        "loads",
        "crew h",
        "days",
        *([f"cost {currency}".strip()] if priced else []),
    ]
    rows = [
        (
            _cut(own.name),
            say(own.length_m, "length_m"),
            say(own.cut_m3_bank, "m3"),
            say(own.fill_m3_compacted, "m3"),
            say(own.import_t, "t"),
            _number(own.import_loads + own.away_loads, 1),
            _number(own.crew_h, 1),
            _number(own.crew_days, 1),
            *([_number(own.costs.total, 0)] if priced else []),
        )
        for own in (*shares, planned.programme.whole)
    ]
    return Block(heading, columns=tuple(heads), table=tuple(rows), column=column)


def _number(value: float | None, decimals: int) -> str:
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return f"{value:,.{decimals}f}"


def _cut(name: str) -> str:
    """Shorten a name in its middle: numbers that tell roads apart stand at the end."""
    if len(name) <= _NAME_MOST:
        return name
    half = _NAME_MOST // 2
    return f"{name[: half - 1]}…{name[-half:]}"


def stretches_block(planned: Planned, writing: Writing) -> Block:
    """Stretches in the order of work, with their set-ups and days."""
    first: dict[int, WorkDay] = {}
    for day in planned.programme.days:
        for part in day.parts:
            first.setdefault(part.stretch.number, day)

    def row(own: Stretch) -> tuple[str, ...]:
        begun = first.get(own.number)
        return (
            str(own.number),
            _day(begun.day) if begun else "",
            _cut(own.road),
            ", ".join(own.sides),
            writing.span(own.low_m, own.high_m),
            str(len(own.items)),
            str(own.setups),
            _number(own.import_loads + own.away_loads, 0),
            _number(own.crew_h, 1),
        )

    heads = ("no.", "day", "road", "sides", "from, to", "reaches", "set-ups", "loads", "crew h")
    return Block(
        "Stretches worked together, in order",
        columns=heads,
        table=tuple(map(row, planned.programme.stretches)),
        words=5,
    )


def days_block(planned: Planned, writing: Writing) -> Block:
    """What each crew does on each day; nothing without a calendar."""

    def row(own: WorkDay) -> tuple[str, ...]:
        names = [f"{p.stretch.number}{' (goes on)' if p.again else ''}" for p in own.parts]
        water = writing.say(own.water_m3, "m3 water")
        return (
            _day(own.day),
            str(own.crew),
            ", ".join(dict.fromkeys(_cut(p.stretch.road) for p in own.parts)),
            ", ".join(names),
            _number(own.hours, 1),
            _number(own.loads, 1),
            water,
        )

    heads = ("day", "crew", "roads", "stretches", "hours", "loads", "water if dry")
    table = tuple(map(row, planned.programme.days))
    return Block("Days", text=_calendar_words(planned), columns=heads, table=table, words=4)


def _day(day: date) -> str:
    return f"{day.isoformat()} {('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day.weekday()]}"


def _calendar_words(planned: Planned) -> tuple[str, ...]:
    calendar, days = planned.programme.calendar, planned.programme.days
    if calendar is None or not days:
        return (MOISTURE_NOTE,)
    crews = "1 crew" if calendar.crews == 1 else f"{calendar.crews} crews"
    first, last = calendar.season
    season = "the whole year" if (first, last) == (1, 12) else f"months {first} to {last}"
    span = f"{_day(days[0].day)} to {_day(max(own.day for own in days))}"
    return f"{span}, {crews}, {len(days)} working days of a crew; season: {season}.", MOISTURE_NOTE


def fit_block(planned: Planned) -> Block:
    """What there was, what the choice takes, and what it mends; empty without means."""
    fit = planned.fit
    if fit is None:
        return Block("What fits", text=("No means were given: all work is planned.",))
    rows = [
        (name.replace("_", " "), _number(there, 1), _number(fit.used[name], 1))
        for name, there in fit.means.given.items()
    ]
    total, mended = sum(fit.harm_all.values()), sum(fit.harm.values())
    share = 100.0 * mended / total if total > 0.0 else 100.0
    text = [
        f"{len(fit.plan.items)} of {len(fit.plan.items) + len(fit.left)} reaches fit and mend "
        f"{share:.0f} % of the harm, the worst class first; {len(fit.left)} are left over."
    ]
    if fit.unknown:
        text.append(
            f"Of {len(fit.unknown)} more the quantities aren't known: measure them on site first."
        )
    return Block(
        "What fits", text=tuple(text), columns=("means", "there", "taken"), table=tuple(rows)
    )


def left_block(planned: Planned, writing: Writing, most: int = 1000) -> Block:
    """Reaches that don't fit, the most harmful first."""
    left = planned.fit.left if planned.fit else ()
    rows = tuple(_reach_row(reach, planned, writing) for reach in left[:most])
    return Block("Left over", columns=_REACH_HEADS, table=rows, words=6)


_REACH_HEADS = ("rank", "road", "side", "from, to", "finding", "treatment")


def _reach_row(reach: WorkReach, planned: Planned, writing: Writing) -> tuple[str, ...]:
    rejected = " (rejected)" if planned.reviews[reach.row] == Decision.REJECTED else ""
    return (
        str(reach.rank) if reach.rank > 0 else "–",
        _cut(reach.road),
        reach.side,
        writing.span(reach.from_m, reach.to_m),
        f"{reach.finding}{rejected}",
        reach.treatment,
    )


def _severity_block(planned: Planned, writing: Writing, *, column: int = 0) -> Block:
    """Reaches and their length by what they may do, the worst first."""
    reaches = [item.reach for item in planned.programme.plan.items]
    reaches += [reach for reach in planned.programme.plan.visits if not reach.has_work]
    rows = []
    for harm, words in HARM_WORDS.items():
        own = [reach for reach in reaches if reach.harm_class == harm]
        if own:
            length = writing.length(sum(reach.length_m for reach in own))
            rows.append((words, str(len(own)), length))
    heads = ("by severity", "reaches", "length")
    return Block("By severity", columns=heads, table=tuple(rows), column=column)


def programme_sheet(planned: Planned, writing: Writing) -> Sheet:
    """One page for a manager: what, where, how much, until when, the most urgent first."""
    made = planned.programme
    marked = [
        (item.reach.row, item.reach.harm_class, str(item.reach.rank or ""))
        for item in made.plan.items
    ]
    marked += [(reach.row, 4, "") for reach in made.plan.visits if not reach.has_work]
    roads = sorted(made.by_road, key=lambda own: -own.crew_h)
    blocks = [
        Block(
            "",
            figure=Figure(
                work_map(planned.findings, marked, writing),
                "Where it is; numbers are ranks",
                _MAP_PX,
            ),
            column=1,
        ),
        _severity_block(planned, writing, column=2),
        Block("", text=_calendar_words(planned), column=2),
    ]
    if planned.fit is not None:
        blocks.append(replace(fit_block(planned), column=2))
    blocks.append(shares_block("By treatment", made.by_treatment, planned, writing))
    if len(roads) > 1:
        by_road = shares_block("By road", roads[:_ROADS_SHOWN], planned, writing)
        more = len(roads) - _ROADS_SHOWN
        rest = "{n} roads more, with less work, are in the sum."
        blocks.append(replace(by_road, more=max(more, 0), rest=rest))
    blocks.append(_urgent_block(planned, writing, _FIRST_ROWS))
    reaches = f"{len(made.plan.items)} reaches with work"
    remark = reaches if not planned.rejected else f"{reaches}, {planned.rejected} rejected left out"
    plan_no = made.plan.traffic_plan or ". . . . . . . . . . (enter its number; no work without it)"
    return Sheet(
        "Programme for road shoulders",
        "programme",
        caution_block(f"Local traffic-control plan: {plan_no}"),
        tuple(blocks),
        remark,
        planned.source,
        one_page=True,
    )


def _urgent_block(planned: Planned, writing: Writing, most: int) -> Block:
    first: dict[int, date] = {}
    for day in planned.programme.days:
        for part in day.parts:
            first.setdefault(part.stretch.number, day.day)
    items = sorted(
        planned.programme.plan.items, key=lambda item: (item.reach.rank or math.inf, item.order)
    )
    rows = [
        (
            *_reach_row(item.reach, planned, writing),
            str(item.stretch),
            first[item.stretch].isoformat() if item.stretch in first else "",
        )
        for item in items[:most]
    ]
    more = len(items) - len(rows)
    return Block(
        "Most urgent first",
        columns=(*_REACH_HEADS, "stretch", "day"),
        table=tuple(rows),
        words=8,
        more=more,
        rest="{n} more stand in the work sheets and in the table.",
    )


def programme_overview(planned: Planned, writing: Writing, *, most: int = 0) -> Sheet:
    """All tables of the programme, to be read on a screen; of each `most` rows, 0 = all."""
    made = planned.programme
    blocks = [
        _severity_block(planned, writing),
        shares_block("By treatment", made.by_treatment, planned, writing),
        shares_block("By road", made.by_road, planned, writing),
        stretches_block(planned, writing),
    ]
    if made.days:
        blocks.append(days_block(planned, writing))
    else:
        blocks.append(Block("Season", text=(MOISTURE_NOTE,)))
    if planned.fit is not None:
        blocks += [fit_block(planned), left_block(planned, writing, _LEFT_ROWS)]
    if most:
        blocks = [_at_most(block, most) for block in blocks]
    cautions = caution_block()
    return Sheet("Programme", "overview", cautions, tuple(blocks), source=planned.source)


def _at_most(block: Block, most: int) -> Block:
    more = len(block.table) - most
    if more <= 0:
        return block
    return replace(
        block, table=block.table[:most], more=more, rest="{n} rows more are left out here."
    )


def programme_text(planned: Planned, writing: Writing) -> str:
    """Return the programme as plain text with aligned columns."""
    made = planned.programme
    blocks = programme_overview(planned, writing).blocks
    lines = [f"Programme for road shoulders: {len(made.plan.items)} reaches with work."]
    if planned.rejected:
        lines.append(f"{planned.rejected} reaches that a reviewer rejected are left out.")
    if planned.asked:
        lines.append(f"Asked for: {planned.asked}.")
    if made.plan.visits:
        lines.append(f"{len(made.plan.visits)} reaches must be looked at first.")
    missing = made.plan.costs.missing
    if made.plan.costs.total is not None and missing:
        lines.append(f"Costs are without {', '.join(missing)}: no rate given.")
    for block in blocks:
        lines += ["", block.heading, *block.text]
        if block.table:
            lines += _aligned([block.columns, *block.table], block.words)
    return "\n".join([*lines, "", *CAUTIONS, planned.source])


def _aligned(rows: Iterable[Sequence[str]], words: int) -> list[str]:
    table = [list(row) for row in rows]
    widths = [max(len(row[k]) for row in table) for k in range(len(table[0]))]
    return [
        "  "
        + "  ".join(
            cell.ljust(width) if k < words else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in table
    ]
