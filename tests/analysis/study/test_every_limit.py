"""A limit that changes nothing is a promise not kept: every one moves some result."""

from dataclasses import replace
from datetime import date
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from analysis.common.errors import LimitsError
from analysis.common.limits import Limits, default_limits, limit_specs
from analysis.common.table import Table
from analysis.earthwork.work_reach import WorkReach
from analysis.earthwork.workplan import plan
from analysis.findings.acceptance import accept_reaches
from analysis.findings.field_report import check_readings, field_text
from analysis.findings.fieldcheck import accept, compare
from analysis.findings.readings import ReadBack, read_readings
from analysis.findings.sheets import WorkSheets
from analysis.findings.two_surveys import Dates, compare_surveys
from analysis.study.judging import rejudge
from analysis.verdict import judge
from tests.builders.small_study import dropped_study, small_study

# A strip outside the hinge is taken only where both its sides are given and the cut falls short.
BASE = (
    default_limits()
    .with_value("strip_outside_hinge_m", 0.5)
    .with_value("strip_depth_mm", 50.0)
    .with_value("recovery", 0.1)
)
READINGS = "station,side,reading_mm,edge_mm,when\n1+100,left,30,25,after\n1+100,right,30,,before\n"


def judged(limits: Limits) -> object:
    """Tables of the small road with a drop-off; its straightedge is laid again if need be."""
    study = rejudge(dropped_study(80.0)[0], limits)
    tables = (study.findings.stations, study.findings.reaches)
    columns = [column.tolist() for table in tables for column in table.columns.values()]
    return columns, unpaved(limits)


def unpaved(limits: Limits) -> object:
    """What the same road asks of its shoulders were it gravel, and were it banked besides."""
    (part,) = small_study().roads
    gravel = replace(part.case, limits=limits, settings=replace(part.case.settings, paved=False))
    shoulder = part.measured.shoulder
    in_plane = np.full_like(shoulder.measures.pavement_slope_pct, -2.3)
    measures = replace(shoulder.measures, pavement_slope_pct=in_plane, shoulder_slope_pct=in_plane)
    banked = replace(part.measured, shoulder=replace(shoulder, measures=measures))
    return [
        judge([gravel], [measured])[0].judgement.required_slope_pct.tolist()
        for measured in (part.measured, banked)
    ]


def planned(limits: Limits) -> object:
    """A plan of two reaches with all that a plan can know, one job, and a short one far off."""
    reach = WorkReach(
        road="Fernhollow Road",
        side="left",
        from_m=103.0,
        to_m=404.0,
        length_m=301.0,
        finding="eroded edge",
        treatment="replenish and clean ditch",
        width_m=4.4,
        cut_m3_bank=20.0,
        fill_m3_compacted=160.0,
        import_m3_loose=190.0,
        import_t=310.0,
        haul_away_m3_loose=9.0,
        ditch_clean_m=120.0,
        worst_drop_mm=60.0,
        pond_depth_mm=20.0,
        grade_pct=9.0,
        required_slope_pct=4.0,
        foreslope_pct=40.0,
    )
    further = replace(reach, from_m=455.0, to_m=756.0, worst_drop_mm=30.0, foreslope_pct=25.0)
    alone = replace(further, from_m=5000.0, to_m=5060.0, length_m=60.0, ditch_clean_m=0.0)
    return plan([reach, further, alone], limits)


def written(limits: Limits) -> object:
    """Work sheets of the small road, with a ditch to clean everywhere."""
    findings = small_study().findings
    n = len(findings.reaches)
    work = {
        "treatment": np.full(n, "reshape and clean ditch", dtype=object),
        "ditch_clean_m": np.full(n, 50.0),
    }
    findings = replace(findings, reaches=Table({**findings.reaches.columns, **work}))
    return WorkSheets(findings, limits).all()


def checked(limits: Limits, folder: Path) -> object:
    """Readings held against the findings, and the work accepted by readings and by terrain."""
    path = folder / "readings.csv"
    path.write_text(READINGS, encoding="utf-8")
    readings, findings = read_readings(path, limits.field).readings, small_study().findings
    dice = np.random.default_rng(2)
    built = {
        "shoulder_slope_pct": findings.stations["required_slope_pct"],
        "edge_drop_mm": np.zeros(len(findings.stations)),
    }
    built = {name: value + dice.normal(0.0, 1.5, value.size) for name, value in built.items()}
    built["edge_drop_mm"] *= 6.0
    later = replace(findings, stations=Table({**findings.stations.columns, **built}), run={})
    back, dates = ReadBack(readings), Dates(before=date(2024, 5, 1), after=date(2026, 5, 1))
    return (
        field_text(check_readings(findings, back, limits)),
        compare_surveys(findings, later, dates, limits).reaches["p_changed"].tolist(),
        compare(readings, findings, limits.field),
        accept(readings, findings, limits.field),
        accept_reaches(findings, later, limits),
    )


def turned(name: str) -> list[Limits]:
    """Limits with one of them elsewhere in its range; what contradicts others is left out."""
    base, spec = BASE, limit_specs()[name]
    out = []
    for value in (1.3 * base[name].value, 0.5 * base[name].value, spec.low, spec.high):
        if spec.low <= value <= spec.high and value != base[name].value:
            try:
                out.append(base.with_value(name, value))
            except LimitsError:
                continue
    return out


@lru_cache(maxsize=1)
def as_shipped(folder: Path) -> list[str]:
    return [repr(result) for result in results(BASE, folder)]


def results(limits: Limits, folder: Path) -> list[object]:
    """Cheapest first."""
    return [planned(limits), checked(limits, folder), written(limits), judged(limits)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("limits")


@pytest.mark.parametrize("name", limit_specs())
def test_turning_a_limit_changes_a_result(name: str, folder: Path) -> None:
    before = as_shipped(folder)
    for make, shipped in zip((planned, checked, written, judged), before, strict=True):
        for limits in turned(name):
            found = make(limits, folder) if make is checked else make(limits)
            if repr(found) != shipped:
                return
    pytest.fail(f"{name} changes nothing")
