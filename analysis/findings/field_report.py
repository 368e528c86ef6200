"""Readings back from the field, as a whole: what they show of the screening, and in which words."""

from __future__ import annotations

import hashlib
import math
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common.cautions import ACCEPTANCE_CAUTION, CAUTIONS
from analysis.common.limits import Limits
from analysis.common.units import Unit
from analysis.common.verdicts import Verdict
from analysis.common.writing import Writing
from analysis.findings.agreement import Agreement, BoardBias, LimitsOfAgreement, agreement
from analysis.findings.checkplan import verdict_lengths
from analysis.findings.fieldcheck import (
    ACCEPTED,
    BORDERLINE,
    NOT_ACCEPTED,
    NOT_COMPARED,
    Acceptance,
    Comparison,
    accept,
    compare,
)
from analysis.findings.misses import FieldCall, MissRate, call_places, miss_rates, wrong_most
from analysis.findings.readings import ReadBack, Reading, read_readings
from analysis.findings.recalibration import Recalibration, recalibration
from analysis.findings.sheets import limits_of
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["FieldCheck", "check_readings", "field_text", "read_check", "readings_source"]
__all__ += ["recalibration_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCheck:
    """All that readings say.

    Attributes
    ----------
    compared, summary
        Readings before the work beside what was measured, and how they agree.
    calls, rates
        Whether the places read shed, and how often the screening was wrong.
    wrong_most
        Greatest share of all that was judged that can be wrong, 95 % certainty; NaN unknown.
    accepted
        Finished work at the readings after it.
    faults
        A sentence for each line that couldn't be used.
    found
        What could be taken over, if somebody asks for it.
    """

    compared: tuple[Comparison, ...]
    summary: Agreement
    calls: tuple[FieldCall, ...]
    rates: tuple[MissRate, ...]
    wrong_most: float
    accepted: tuple[Acceptance, ...]
    faults: tuple[str, ...]
    found: Recalibration


def check_readings(
    findings: Findings, back: ReadBack, limits: Limits | None = None, *, source: str = "typed in"
) -> FieldCheck:
    """Compare readings with the findings.

    Parameters
    ----------
    findings : Findings
    back : ReadBack
    limits : Limits, optional
        Else those that the findings were judged by.
    source : str
        Where the readings come from, for whatever is taken over from them.

    Raises
    ------
    ReadingsError
        If a reading can't belong to any road of the findings.
    """
    limits = limits or limits_of(findings)
    compared = compare([r for r in back.readings if r.when == "before"], findings, limits.field)
    summary = agreement(
        compared,
        average_m=StationRows(findings.stations).average_m,
        bias_se_points=limits.field.board_bias_se_points.value,
    )
    calls = call_places(compared, limits, str(findings.run.get("surface") or ""))
    rates = miss_rates(calls)
    return FieldCheck(
        compared=compared,
        summary=summary,
        calls=calls,
        rates=rates,
        wrong_most=wrong_most(rates, verdict_lengths(findings)) if rates else math.nan,
        accepted=accept(back.readings, findings, limits.field),
        faults=back.faults,
        found=recalibration(summary, calls, source),
    )


def read_check(
    findings: Findings, path: str | os.PathLike[str], limits: Limits | None = None
) -> FieldCheck:
    """Read a table of readings and compare it.

    Raises
    ------
    ReadingsError
        If the table can't be used.
    """
    limits = limits or limits_of(findings)
    back = read_readings(path, limits.field)
    return check_readings(findings, back, limits, source=readings_source(path))


def readings_source(path: str | os.PathLike[str]) -> str:
    """Say where readings come from: file, its checksum, and the day, for what is taken over."""
    fingerprint = hashlib.sha256(Path(path).read_bytes()).hexdigest()[:12]
    day = datetime.now(UTC).date().isoformat()
    return f"{Path(path).name} (SHA-256 {fingerprint}…), taken over on {day}"


# ---------------------------------------------------------------- in words


def field_text(check: FieldCheck, writing: Writing | None = None) -> str:
    """Say in plain text how readings compare and what is accepted."""
    writing = writing or Writing()
    lines: list[str] = []
    if check.faults:
        lines += ["Lines that can't be used", *(f"  {fault}" for fault in check.faults)]
    if check.compared:
        lines += _comparison_lines(check.compared, check.summary, writing)
    if check.rates:
        lines += ["What the screening got wrong", *map(_rate_line, check.rates)]
        if math.isfinite(check.wrong_most):
            lines.append(
                f"  Of all that was judged at most {100 * check.wrong_most:.1f} % is wrong (95 % "
                "certainty)."
            )
        lines.append(f"  {_RANDOM}")
    if check.accepted:
        lines += _acceptance_lines(check.accepted, writing)
        lines += ["", ACCEPTANCE_CAUTION, *CAUTIONS]
    return "\n".join(lines)


_RANDOM = (
    "Ranges hold as far as the places were drawn at random by length, as a check plan draws them, "
    "and whoever read them didn't know what the screening said."
)


def _place(reading: Reading, label: float, writing: Writing) -> str:
    name = f"{reading.road} " if reading.road else ""
    return f"{name}{writing.place(label) or reading.place or 'a place'} {reading.side}"


def _comparison_lines(
    compared: Sequence[Comparison], summary: Agreement, writing: Writing
) -> list[str]:
    lines = ["Readings beside what was measured"]
    for c in compared:
        own = c.reading.station_m
        place = _place(c.reading, c.measured_at_m if math.isnan(own) else own, writing)
        edge = ""
        if not math.isnan(c.edge_z):
            edge = f"; edge off by {c.edge_difference_mm:+.0f} mm (z {c.edge_z:+.1f})"
            edge = writing.recorded(edge)
        if math.isnan(c.z):
            read = "" if math.isnan(c.slope_pct) else f"read {c.slope_pct:.1f} %; "
            lines.append(f"  {place}: {read}{writing.recorded(c.reason)}{edge}")
            continue
        lines.append(
            f"  {place}: read {c.slope_pct:.1f} ± {c.slope_se:.1f} %, measured "
            f"{c.measured_slope_pct:.1f} ± {c.measured_slope_se:.1f} %, difference "
            f"{c.difference_points:+.1f} % points (z {c.z:+.1f}){edge}"
        )
    if summary.compared == 0:
        lines.append("  None of the readings could be compared.")
        return lines
    lines.append(
        f"  {summary.compared} compared, {summary.left_out} left out; mean difference "
        f"{summary.mean_difference_points:+.2f} ± {summary.mean_difference_se:.2f} % points, root "
        f"mean square {summary.rms_difference_points:.2f}, z spread {summary.z_spread:.2f}, "
        f"{100.0 * summary.within_two:.0f} % within two standard errors."
    )
    # Many readings may agree one by one and yet be off together.
    off = abs(summary.mean_difference_points) / summary.mean_difference_se
    if summary.chance >= 0.05 and off <= 3.0:
        lines.append("  Readings and measurements agree within their errors.")
    elif off > 2.0:
        way = "steeper" if summary.mean_difference_points > 0.0 else "flatter"
        lines.append(
            f"  The shoulder reads {way} than measured beyond chance: has it changed since the "
            "terrain was taken, or is the edge misplaced?"
        )
    else:
        lines.append(
            "  They scatter more than their errors allow: raise the noise, or look at the places "
            "with the largest z."
        )
    lines += [_limits_line("Slope", summary.slope, Unit("% points", 1.0, 2))]
    if summary.edge.count > 1:
        lines.append(_limits_line("Edge", summary.edge, writing.unit("mm")))
    lines += [_bias_line(board) for board in summary.boards]
    noise = summary.noise
    if math.isfinite(noise.factor):
        most = f"{noise.high:.2f}" if math.isfinite(noise.high) else "more than 5"
        lines.append(
            f"  The stated errors of the measurements would explain the scatter best times "
            f"{noise.factor:.2f} ({noise.low:.2f} to {most})."
        )
    return lines


def _limits_line(what: str, found: LimitsOfAgreement, unit: Unit) -> str:
    if found.count < 2:
        return f"  {what}: too few readings for limits of agreement."
    limits = (found.low, found.high, found.mean, found.mean_low, found.mean_high)
    low, high, mean, mean_low, mean_high = (f"{v * unit.factor:+.{unit.decimals}f}" for v in limits)
    return (
        f"  {what}: of {found.count} differences 95 % lie between {low} and {high} "
        f"{unit.text} (each limit ± {found.limit_se * unit.factor:.{unit.decimals}f}), mean {mean} "
        f"({mean_low} to {mean_high})."
    )


def _bias_line(board: BoardBias) -> str:
    name = f"board {board.board}" if board.board else "the board"
    text = (
        f"  All readings with {name} are off the grid by {board.bias_points:+.2f} % points "
        f"({board.low:+.2f} to {board.high:+.2f}, {board.count} readings)"
    )
    if board.low > 0.0 or board.high < 0.0:
        return f"{text}: the board or the grid; lay the board both ways round on one spot to tell."
    return f"{text}, which may be nothing."


def _rate_line(rate: MissRate) -> str:
    lot = f", {rate.road}" if rate.road else ""
    lot += f" ({rate.surface})" if rate.road and rate.surface else ""
    what = "don't shed" if rate.verdict == Verdict.SHEDS else "do shed"
    close = f", {rate.close} too close to call" if rate.close else ""
    return (
        f"  Judged '{rate.verdict}'{lot}: {rate.wrong} of {rate.places} places {what}{close}; of "
        f"all its length {100 * rate.low:.1f} to {100 * rate.high:.1f} %, at most "
        f"{100 * rate.most:.1f} % (95 % certainty)."
    )


def recalibration_text(found: Recalibration) -> str:
    """Say what is taken over from the readings."""
    parts = []
    if math.isfinite(found.noise_factor):
        parts.append(
            f"noise times {found.noise_factor:.2f} ({found.noise_low:.2f} to "
            f"{found.noise_high:.2f}, {found.readings} readings)"
        )
    if math.isfinite(found.shift):
        parts.append(
            f"log odds that water stays {found.shift:+.2f} ({found.shift_low:+.2f} to "
            f"{found.shift_high:+.2f}, {found.places} places)"
        )
    return f"Taken over from {found.source}: {'; '.join(parts) or 'nothing'}."


def _acceptance_lines(accepted: Sequence[Acceptance], writing: Writing) -> list[str]:
    lines = ["Finished work"]
    for a in accepted:
        was = "" if math.isnan(a.slope_before_pct) else f", was {a.slope_before_pct:.1f} %"
        place = _place(a.reading, a.reading.station_m, writing)
        reason = writing.recorded(a.reason)
        lines.append(
            f"  {place}: {a.state}; {a.reading.slope_pct:.1f} % of "
            f"{a.required_slope_pct:.1f} % required{was}. {reason}"
            if a.state != NOT_COMPARED
            else f"  {place}: {a.state}. {reason}"
        )
    counts = Counter(a.state for a in accepted)
    order = (ACCEPTED, BORDERLINE, NOT_ACCEPTED, NOT_COMPARED)
    told = ", ".join(f"{counts[state]} {state}" for state in order if counts[state])
    readings = "1 reading" if len(accepted) == 1 else f"{len(accepted)} readings"
    lines.append(f"  {readings}: {told}.")
    return lines
