"""The sheet on which finished work is accepted: what was measured of it, and who signs for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.common.cautions import ACCEPTANCE_CAUTION
from analysis.common.errors import ReadingsError
from analysis.common.limits import Limits
from analysis.common.writing import Writing, chance_text
from analysis.findings.acceptance import NOT_SHOWN, ReachAcceptance, accept_reaches, rule_text
from analysis.findings.fieldcheck import (
    ACCEPTED,
    BORDERLINE,
    NOT_ACCEPTED,
    NOT_COMPARED,
    Acceptance,
)
from analysis.findings.sheet_text import Block, Sheet
from analysis.findings.sheets import caution_block, limits_of, source_of

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["acceptance_sheet", "sheet_of"]

_STATES = (ACCEPTED, BORDERLINE, NOT_ACCEPTED, NOT_SHOWN, NOT_COMPARED)


def acceptance_sheet(
    before: Findings,
    after: Findings | None,
    readings: Sequence[Acceptance] = (),
    writing: Writing | None = None,
) -> Sheet:
    """Make the sheet from a later terrain, readings after the work, or both.

    Raises
    ------
    ReadingsError
        If there is no finished work to accept, or both findings come from one terrain.
    """
    limits = limits_of(before)
    judged = () if after is None else accept_reaches(before, after, limits)
    source = source_of(before)
    if after is not None:
        source = f"{source} · against {source_of(after)}"
    return sheet_of(judged, readings, limits, writing or Writing(), source)


def sheet_of(
    judged: Sequence[ReachAcceptance],
    readings: Sequence[Acceptance],
    limits: Limits,
    writing: Writing,
    source: str = "",
) -> Sheet:
    """Make the sheet of work that was judged already.

    Raises
    ------
    ReadingsError
        If there is none.
    """
    if not (judged or readings):
        raise ReadingsError(
            "There is no finished work to accept: neither a reach that called for work nor a "
            "reading after it."
        )
    blocks = []
    if judged:
        blocks += [Block("Rule", text=(rule_text(limits, writing),)), _reach_block(judged, writing)]
    if readings:
        blocks.append(_reading_block(readings, writing))
    counts = Counter([*(r.state for r in judged), *(r.state for r in readings)])
    told = ", ".join(f"{counts[state]} {state}" for state in _STATES if counts[state])
    return Sheet(
        title="Acceptance of finished work",
        name="acceptance",
        remark=told,
        cautions=caution_block(ACCEPTANCE_CAUTION),
        blocks=(*blocks, *_SIGNING),
        source=source,
        landscape=True,
    )


def _reach_block(judged: Sequence[ReachAcceptance], writing: Writing) -> Block:
    unit = writing.unit("edge_drop_mm").text
    return Block(
        "Reaches, by a terrain taken after the work",
        columns=(
            *("road", "side", "from, to", "state"),
            *("before, %", "asked for, %", "after, %", f"edge drop, {unit}"),
            *("slope within", "edge within", "rule holds", "seen again"),
            *("accepted, yes or no", "remarks"),
        ),
        table=tuple(_reach_row(reach, writing) for reach in judged),
        words=4,
        boxes=2,
        shares=(12, 5, 11, 9, 5, 6, 7, 7, 7, 7, 5, 5, 6, 8),
    )


def _reach_row(reach: ReachAcceptance, writing: Writing) -> tuple[str, ...]:
    bare = writing.bare
    return (
        reach.road,
        reach.side,
        writing.span(reach.from_m, reach.to_m),
        reach.state,
        bare(reach.slope_before_pct, "%"),
        bare(reach.required_slope_pct, "%"),
        bare(reach.slope_after_pct, "%", reach.slope_after_se),
        bare(reach.edge_after_mm, "edge_drop_mm", reach.edge_after_se),
        *(
            f"{100 * lot.low:.0f} to {100 * lot.high:.0f} %" if lot.known else "unknown"
            for lot in (reach.slope, reach.edge)
        ),
        chance_text(reach.p_within),
        f"{100 * reach.known_share:.0f} %",
        "",
        "",
    )


def _reading_block(readings: Sequence[Acceptance], writing: Writing) -> Block:
    unit = writing.unit("edge_drop_mm").text
    return Block(
        "Readings after the work",
        columns=(
            *("road", "side", "station", "state"),
            *("before, %", "asked for, %", "read, %", f"edge, {unit}"),
            *("accepted, yes or no", "remarks"),
        ),
        table=tuple(
            (
                one.reading.road,
                one.reading.side,
                writing.place(one.reading.station_m) or one.reading.place,
                one.state,
                writing.bare(one.slope_before_pct, "%"),
                writing.bare(one.required_slope_pct, "%"),
                writing.bare(one.reading.slope_pct, "%"),
                writing.bare(one.reading.edge_mm, "edge_drop_mm"),
                "",
                "",
            )
            for one in readings
        ),
        words=4,
        boxes=2,
    )


_SIGNING = (
    Block(
        "Conditions at acceptance",
        columns=("date", "weather", "moisture", "traffic-control plan", "instrument, its check"),
        table=(("",) * 5,),
        words=0,
        boxes=5,
    ),
    Block(
        "Signed",
        columns=("for", "name", "date", "signature", "reservations"),
        table=(("who did the work", "", "", "", ""), ("who accepts it", "", "", "", "")),
        boxes=4,
        shares=(14, 20, 10, 24, 32),
    ),
)
