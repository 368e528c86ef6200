"""From findings to a crew's programme: what reviewers left standing, planned, chosen and dated."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.columns import WORK_COLUMNS
from analysis.common.limits import Limits
from analysis.common.table import Table
from analysis.earthwork.costs import Rates
from analysis.earthwork.programme import Calendar, Programme, WorkDay, item_shares, programme
from analysis.earthwork.what_fits import Fit, Means, what_fits
from analysis.earthwork.work_reach import WorkReach
from analysis.findings.exports import write_table_csv
from analysis.findings.selecting import Selection, kept
from analysis.findings.sheets import limits_of, source_of, work_reaches

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["PlanOrder", "Planned", "make_programme", "work_table", "write_programme_csv"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOrder:
    """What a programme is to be made with; None = not given."""

    rates: Rates | None = None
    calendar: Calendar | None = None
    means: Means | None = None
    traffic_plan: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A programme, what was chosen for it, and where its reaches lie.

    Attributes
    ----------
    programme
        The work; only what fits, where means were given.
    fit
        What fits and what is left over; None without means.
    order, limits, source
        What it was made with, and where the numbers come from.
    findings
        What it was made from; `WorkReach.row` counts in its reaches.
    rejected
        How many reaches a reviewer rejected and so aren't planned.
    reviews
        What reviewers decided, by row of the reaches table; "" where nobody did.
    asked
        What was asked for, in words; empty where it was all.
    """

    programme: Programme
    fit: Fit | None
    order: PlanOrder
    limits: Limits
    source: str
    findings: Findings
    rejected: int
    reviews: tuple[str, ...]
    asked: str


def make_programme(
    findings: Findings,
    order: PlanOrder | None = None,
    selection: Selection | None = None,
    *,
    limits: Limits | None = None,
) -> Planned:
    """Plan all reaches that no reviewer rejected, or those that are asked for.

    Parameters
    ----------
    findings : Findings
        With their reviews.
    order : PlanOrder, optional
        Rates, calendar, means, traffic-control plan.
    selection : Selection, optional
    limits : Limits, optional
        Else those that the findings were judged by.

    Raises
    ------
    SettingsError
        If money is given but no rate, or the calendar has no days.
    """
    order, limits = order or PlanOrder(), limits or limits_of(findings)
    rows = kept(findings, selection)
    states = rows.standing.reach_states()
    reaches = [reach for reach in work_reaches(findings) if rows.reaches[reach.row]]
    fit = None
    if order.means is not None:
        plan_no = {"traffic_plan": order.traffic_plan}
        fit = what_fits(reaches, limits, order.means, order.rates, **plan_no)
        chosen = {item.reach.row for item in fit.plan.items}
        reaches = [r for r in reaches if r.row in chosen or not r.has_work]
    made = programme(
        reaches, limits, order.rates, calendar=order.calendar, traffic_plan=order.traffic_plan
    )
    return Planned(
        programme=made,
        fit=fit,
        order=order,
        limits=limits,
        source=source_of(findings),
        findings=findings,
        rejected=int(((states == "rejected") & ~rows.reaches).sum()),
        reviews=tuple(map(str, states)),
        asked=selection.words if selection else "",
    )


def write_programme_csv(planned: Planned, path: str | os.PathLike[str]) -> None:
    """Write the reaches in the order of work with their days and amounts (`WORK_COLUMNS`).

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    write_table_csv(
        work_table(planned),
        WORK_COLUMNS,
        path,
        {"work_from": "work_from_m", "work_to": "work_to_m"},
    )


def work_table(planned: Planned) -> Table:
    """Reaches in the order of work with their days and amounts."""
    first: dict[int, WorkDay] = {}
    for day in planned.programme.days:
        for part in day.parts:
            first.setdefault(part.stretch.number, day)
    values: dict[str, list[object]] = {name: [] for name in WORK_COLUMNS}
    rates = planned.order.rates or Rates()
    for stretch in planned.programme.stretches:
        begun = first.get(stretch.number)
        for item, share in item_shares(stretch, planned.limits, rates):
            reach: WorkReach = item.reach
            row = {
                "order": item.order,
                "stretch": item.stretch,
                "day": begun.day.isoformat() if begun else "",
                "crew": begun.crew if begun else math.nan,
                "rank": reach.rank if reach.rank > 0 else math.nan,
                "road": reach.road,
                "side": reach.side,
                "finding": reach.finding,
                "treatment": reach.treatment,
                "work_from_m": item.start_m,
                "work_to_m": item.end_m,
                "length_m": item.work_length_m,
                "cut_m3": share.cut_m3_bank,
                "fill_m3": share.fill_m3_compacted,
                "import_m3_loose": share.import_m3_loose,
                "import_t": share.import_t,
                "loads": share.import_loads,
                "away_m3_loose": share.away_m3_loose,
                "away_loads": share.away_loads,
                "water_m3": share.water_m3,
                "ditch_m": share.ditch_m,
                "grader_h": share.grader_h,
                "roller_h": share.roller_h,
                "truck_h": share.truck_h,
                "crew_h": share.crew_h,
                "review": planned.reviews[reach.row],
                "cost": np.nan if share.costs.total is None else share.costs.total,
            }
            for name, value in row.items():
                values[name].append(value)
    return Table.of(WORK_COLUMNS, values)
