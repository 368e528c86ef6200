"""Names and sentences for people: columns, findings, treatments, and each finding in one sentence.

The tables keep short English words that other programs read; what a person reads comes from here,
translatable and in the chosen units.
"""

import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast

from PySide6.QtCore import QCoreApplication

from gui.look.units import DASH, METRIC, column_unit, number, range_text, unit_of, value_text

if TYPE_CHECKING:
    from analysis.common.stations import StationStyle

__all__ = [
    "CHECKED_NUMBERS",
    "REVIEW_STATES",
    "cautions",
    "chance_text",
    "column_heading",
    "column_meaning",
    "column_title",
    "finding_text",
    "limit_note",
    "limit_title",
    "number_text",
    "reach_sentence",
    "review_text",
    "side_text",
    "station_sentence",
    "station_words",
    "treatment_text",
    "verdict_text",
]

REVIEW_STATES = ("to check", "agreed", "rejected")


translate = QCoreApplication.translate


def QT_TRANSLATE_NOOP(_context: str, text: str) -> str:
    """Mark a text for translation where it is looked up later."""
    return text


# name -> (title, what it means)
_COLUMNS: Mapping[str, tuple[str, str]] = {
    "road": (
        QT_TRANSLATE_NOOP("words", "Road"),
        QT_TRANSLATE_NOOP("words", "Name of the centreline."),
    ),
    "station_m": (
        QT_TRANSLATE_NOOP("words", "Station"),
        QT_TRANSLATE_NOOP(
            "words", "Distance along the centreline from its start, as it is labelled."
        ),
    ),
    "side": (
        QT_TRANSLATE_NOOP("words", "Side"),
        QT_TRANSLATE_NOOP("words", "Left or right, looking up-station."),
    ),
    "from_m": (
        QT_TRANSLATE_NOOP("words", "From"),
        QT_TRANSLATE_NOOP("words", "Station where the reach begins."),
    ),
    "to_m": (
        QT_TRANSLATE_NOOP("words", "To"),
        QT_TRANSLATE_NOOP("words", "Station where the reach ends."),
    ),
    "length_m": (
        QT_TRANSLATE_NOOP("words", "Length"),
        QT_TRANSLATE_NOOP("words", "Length of the reach along the road."),
    ),
    "finding": (
        QT_TRANSLATE_NOOP("words", "Finding"),
        QT_TRANSLATE_NOOP("words", "What is most likely wrong here, if anything."),
    ),
    "treatment": (
        QT_TRANSLATE_NOOP("words", "Treatment"),
        QT_TRANSLATE_NOOP(
            "words",
            "Reshape where the shoulder's own material is enough, replenish where it isn't; "
            "with or without cleaning the ditch.",
        ),
    ),
    "verdict": (
        QT_TRANSLATE_NOOP("words", "Verdict"),
        QT_TRANSLATE_NOOP(
            "words",
            "Sheds, won't shed, can't tell (the error is too large to say) or no data. "
            "Unknown never counts as sheds.",
        ),
    ),
    "reason": (
        QT_TRANSLATE_NOOP("words", "Reason"),
        QT_TRANSLATE_NOOP("words", "Why, with the numbers behind it."),
    ),
    "sentence": (
        QT_TRANSLATE_NOOP("words", "In words"),
        QT_TRANSLATE_NOOP("words", "The finding in one sentence, with its numbers."),
    ),
    "review": (
        QT_TRANSLATE_NOOP("words", "Review"),
        QT_TRANSLATE_NOOP(
            "words", "The reviewer's view: to check, agreed, or rejected with a reason."
        ),
    ),
    "rank": (
        QT_TRANSLATE_NOOP("words", "Rank"),
        QT_TRANSLATE_NOOP(
            "words", "1 is most urgent: how bad, how long, and how steep the road is there."
        ),
    ),
    "edge_offset_m": (
        QT_TRANSLATE_NOOP("words", "Edge offset"),
        QT_TRANSLATE_NOOP("words", "Pavement edge from the given centreline, right positive."),
    ),
    "edge_found": (
        QT_TRANSLATE_NOOP("words", "Edge found"),
        QT_TRANSLATE_NOOP(
            "words", "Whether the terrain shows the edge; otherwise the nominal width is used."
        ),
    ),
    "hinge_offset_m": (
        QT_TRANSLATE_NOOP("words", "Hinge offset"),
        QT_TRANSLATE_NOOP(
            "words", "Outer break of the shoulder from the given centreline, right positive."
        ),
    ),
    "pavement_slope_pct": (
        QT_TRANSLATE_NOOP("words", "Pavement slope"),
        QT_TRANSLATE_NOOP(
            "words", "Cross slope of the pavement; positive falls outward, away from the crown."
        ),
    ),
    "shoulder_slope_pct": (
        QT_TRANSLATE_NOOP("words", "Shoulder slope"),
        QT_TRANSLATE_NOOP(
            "words", "Cross slope of the shoulder between edge and hinge; positive falls outward."
        ),
    ),
    "required_slope_pct": (
        QT_TRANSLATE_NOOP("words", "Required slope"),
        QT_TRANSLATE_NOOP(
            "words",
            "Least cross slope that the limits ask for here: steeper than the pavement, never "
            "less than the surface needs, within the breakover limit on the high side of a curve.",
        ),
    ),
    "breakover_points": (
        QT_TRANSLATE_NOOP("words", "Breakover"),
        QT_TRANSLATE_NOOP(
            "words", "Shoulder cross slope minus pavement cross slope, in percentage points."
        ),
    ),
    "edge_drop_mm": (
        QT_TRANSLATE_NOOP("words", "Edge drop"),
        QT_TRANSLATE_NOOP(
            "words",
            "Pavement plane minus shoulder plane at the edge: positive where the shoulder is "
            "lower, negative where it stands high and holds water.",
        ),
    ),
    "rut_mm": (
        QT_TRANSLATE_NOOP("words", "Rut"),
        QT_TRANSLATE_NOOP("words", "Largest gap under a straightedge laid across."),
    ),
    "ridge_mm": (
        QT_TRANSLATE_NOOP("words", "Ridge"),
        QT_TRANSLATE_NOOP("words", "Largest rise above a straightedge laid across."),
    ),
    "rut_detectable_mm": (
        QT_TRANSLATE_NOOP("words", "Rut that can be seen"),
        QT_TRANSLATE_NOOP("words", "Shallowest rut that this grid can show here."),
    ),
    "retained_mm": (
        QT_TRANSLATE_NOOP("words", "Retained depth"),
        QT_TRANSLATE_NOOP("words", "Depth of water that the cross-section holds before it spills."),
    ),
    "pond_depth_mm": (
        QT_TRANSLATE_NOOP("words", "Pond depth"),
        QT_TRANSLATE_NOOP(
            "words",
            "Deepest water that the ground holds here when it may also escape along the road.",
        ),
    ),
    "ditch_depth_m": (
        QT_TRANSLATE_NOOP("words", "Ditch depth"),
        QT_TRANSLATE_NOOP("words", "Ditch invert below the pavement edge."),
    ),
    "ditch_grade_pct": (
        QT_TRANSLATE_NOOP("words", "Ditch grade"),
        QT_TRANSLATE_NOOP(
            "words", "Slope of the ditch invert along the road; positive falls up-station."
        ),
    ),
    "cut_m2": (
        QT_TRANSLATE_NOOP("words", "Cut"),
        QT_TRANSLATE_NOOP("words", "Area of ground above the target line."),
    ),
    "fill_m2": (
        QT_TRANSLATE_NOOP("words", "Fill"),
        QT_TRANSLATE_NOOP("words", "Area of ground missing below the target line."),
    ),
    "cut_m3": (
        QT_TRANSLATE_NOOP("words", "Cut"),
        QT_TRANSLATE_NOOP("words", "Volume above the target line, as it lies (bank)."),
    ),
    "fill_m3": (
        QT_TRANSLATE_NOOP("words", "Fill"),
        QT_TRANSLATE_NOOP("words", "Volume missing below the target line, compacted."),
    ),
    "balance_m3": (
        QT_TRANSLATE_NOOP("words", "Balance"),
        QT_TRANSLATE_NOOP(
            "words", "Material that can be had from the reach minus what it needs, compacted."
        ),
    ),
    "import_m3_loose": (
        QT_TRANSLATE_NOOP("words", "Import, loose"),
        QT_TRANSLATE_NOOP("words", "New material to bring in, loose, as it is on the truck."),
    ),
    "import_t": (
        QT_TRANSLATE_NOOP("words", "Import"),
        QT_TRANSLATE_NOOP("words", "New material to bring in, by mass."),
    ),
    "haul_away_m3_loose": (
        QT_TRANSLATE_NOOP("words", "Haul away, loose"),
        QT_TRANSLATE_NOOP("words", "Surplus to take away, loose, as it is on the truck."),
    ),
    "ditch_clean_m": (
        QT_TRANSLATE_NOOP("words", "Ditch to clean"),
        QT_TRANSLATE_NOOP("words", "Length of ditch to clean."),
    ),
    "loads": (
        QT_TRANSLATE_NOOP("words", "Loads"),
        QT_TRANSLATE_NOOP("words", "Truck loads of new material."),
    ),
    "mean_slope_pct": (
        QT_TRANSLATE_NOOP("words", "Mean slope"),
        QT_TRANSLATE_NOOP("words", "Mean cross slope of the shoulder."),
    ),
    "worst_drop_mm": (
        QT_TRANSLATE_NOOP("words", "Worst edge drop"),
        QT_TRANSLATE_NOOP("words", "Edge drop furthest from flush."),
    ),
    "p_wont_shed": (
        QT_TRANSLATE_NOOP("words", "Chance it won't shed"),
        QT_TRANSLATE_NOOP(
            "words",
            "Probability that water stays, by what was measured here, its errors, and what the "
            "rest of the road is like.",
        ),
    ),
    "grade_pct": (
        QT_TRANSLATE_NOOP("words", "Grade"),
        QT_TRANSLATE_NOOP(
            "words", "Slope along the road at the pavement edge; positive rises up-station."
        ),
    ),
    "shoulder_width_m": (
        QT_TRANSLATE_NOOP("words", "Shoulder width"),
        QT_TRANSLATE_NOOP("words", "From the pavement edge to the hinge."),
    ),
    "average_m": (
        QT_TRANSLATE_NOOP("words", "Averaged over"),
        QT_TRANSLATE_NOOP("words", "Length of road behind one measurement."),
    ),
    "kerb": (
        QT_TRANSLATE_NOOP("words", "Kerb"),
        QT_TRANSLATE_NOOP("words", "A kerb stands at the edge: its height isn't judged."),
    ),
    "severity": (
        QT_TRANSLATE_NOOP("words", "Severity"),
        QT_TRANSLATE_NOOP("words", "How far beyond the limits, on a scale without unit."),
    ),
}

# Numbers of a section in the order a reviewer checks them, each with the limit it is held against.
CHECKED_NUMBERS: tuple[tuple[str, str | None], ...] = (
    ("shoulder_slope_pct", None),
    ("pavement_slope_pct", None),
    ("breakover_points", "breakover_most_points"),
    ("edge_drop_mm", "edge_drop_mm"),
    ("rut_mm", "rut_mm"),
    ("ridge_mm", "ridge_mm"),
    ("retained_mm", "retained_mm"),
    ("shoulder_width_m", None),
    ("grade_pct", None),
    ("ditch_depth_m", "ditch_least_depth_m"),
    ("ditch_grade_pct", "ditch_least_grade_pct"),
    ("cut_m2", None),
    ("fill_m2", None),
    ("p_wont_shed", "certainty"),
)

_VERDICTS = {
    "sheds": QT_TRANSLATE_NOOP("words", "sheds"),
    "won't shed": QT_TRANSLATE_NOOP("words", "won't shed"),
    "can't tell": QT_TRANSLATE_NOOP("words", "can't tell"),
    "no data": QT_TRANSLATE_NOOP("words", "no data"),
}
_FINDINGS = {
    "none": QT_TRANSLATE_NOOP("words", "sound"),
    "flat": QT_TRANSLATE_NOOP("words", "flat"),
    "reversed": QT_TRANSLATE_NOOP("words", "reversed"),
    "high": QT_TRANSLATE_NOOP("words", "high"),
    "rutted": QT_TRANSLATE_NOOP("words", "rutted"),
    "eroded edge": QT_TRANSLATE_NOOP("words", "eroded edge"),
    "ponding": QT_TRANSLATE_NOOP("words", "ponding"),
    "blocked ditch": QT_TRANSLATE_NOOP("words", "blocked ditch"),
    "can't tell": QT_TRANSLATE_NOOP("words", "can't tell"),
    "no data": QT_TRANSLATE_NOOP("words", "no data"),
}
_TREATMENTS = {
    "none": QT_TRANSLATE_NOOP("words", "none"),
    "reshape": QT_TRANSLATE_NOOP("words", "reshape"),
    "replenish": QT_TRANSLATE_NOOP("words", "replenish"),
    "clean ditch": QT_TRANSLATE_NOOP("words", "clean ditch"),
    "reshape and clean ditch": QT_TRANSLATE_NOOP("words", "reshape and clean ditch"),
    "replenish and clean ditch": QT_TRANSLATE_NOOP("words", "replenish and clean ditch"),
    "can't tell": QT_TRANSLATE_NOOP("words", "can't tell"),
}
_SIDES = {"left": QT_TRANSLATE_NOOP("words", "left"), "right": QT_TRANSLATE_NOOP("words", "right")}
_REVIEWS = {
    "": "",
    "to check": QT_TRANSLATE_NOOP("words", "to check"),
    "agreed": QT_TRANSLATE_NOOP("words", "agreed"),
    "rejected": QT_TRANSLATE_NOOP("words", "rejected"),
}


# What a job says of itself, as `analysis` and `jobs` write it; braces hold what differs.
PROGRESS_WORDS = (
    QT_TRANSLATE_NOOP("progress", "getting ready"),
    QT_TRANSLATE_NOOP("progress", "judging"),
    QT_TRANSLATE_NOOP("progress", "reading the terrain"),
    QT_TRANSLATE_NOOP("progress", "finding the road"),
    QT_TRANSLATE_NOOP("progress", "finding edges and hinges"),
    QT_TRANSLATE_NOOP("progress", "measuring slopes and drops"),
    QT_TRANSLATE_NOOP("progress", "measuring around the corrections"),
    QT_TRANSLATE_NOOP("progress", "following the water"),
    QT_TRANSLATE_NOOP("progress", "done"),
    QT_TRANSLATE_NOOP("progress", "measuring both sides"),
    QT_TRANSLATE_NOOP("progress", "measuring"),
    QT_TRANSLATE_NOOP("progress", "following the ditches"),
    QT_TRANSLATE_NOOP("progress", "followed the ditches"),
    QT_TRANSLATE_NOOP("progress", "finding what noise alone would pond"),
    QT_TRANSLATE_NOOP("progress", "filling depressions, {length} m average"),
    QT_TRANSLATE_NOOP("progress", "filling depressions"),
    QT_TRANSLATE_NOOP("progress", "outlining ponds"),
    QT_TRANSLATE_NOOP("progress", "finding water that sections hold"),
    QT_TRANSLATE_NOOP("progress", "writing work sheets"),
    QT_TRANSLATE_NOOP("progress", "written"),
    QT_TRANSLATE_NOOP("progress", "reading the ground along {road}"),
    QT_TRANSLATE_NOOP("progress", "writing {table}"),
)


def _progress_pattern(template: str) -> re.Pattern[str]:
    """What a template matches, with the road that a screening puts before it."""
    spot = re.sub(r"\\\{(\w+)\\\}", r"(?P<\1>.+)", re.escape(template))
    return re.compile(rf"(?:(?P<before>.+): )?{spot}", re.DOTALL)


_PROGRESS = tuple((template, _progress_pattern(template)) for template in PROGRESS_WORDS)


def progress_text(words: str) -> str:
    """Say for a person what a job is at; words that aren't known, as a file's name, stay."""
    for template, pattern in _PROGRESS:
        found = pattern.fullmatch(words)
        if found is not None:
            parts = found.groupdict()
            before = parts.pop("before")
            said = translate("progress", template).format(**parts)
            return said if before is None else f"{before}: {said}"
    return words


def column_title(name: str) -> str:
    """Heading of a table column."""
    return translate("words", _COLUMNS[name][0]) if name in _COLUMNS else name


def column_heading(name: str, system: str = METRIC) -> str:
    """Return the title of a number with its unit, as "Edge drop, mm"."""
    title = column_title(name)
    if name.startswith("p_"):
        return f"{title}, %"
    unit = unit_of(column_unit(name), system).text
    return f"{title}, {unit}" if unit else title


def column_meaning(name: str) -> str:
    """Return what a column holds, in a sentence; empty if there is nothing to say."""
    return translate("words", _COLUMNS[name][1]) if name in _COLUMNS else ""


def verdict_text(verdict: str) -> str:
    """Verdict for a person."""
    return translate("words", _VERDICTS.get(verdict, verdict))


def finding_text(finding: str) -> str:
    """Return a finding for a person."""
    return translate("words", _FINDINGS.get(finding, finding))


def treatment_text(treatment: str) -> str:
    """Treatment for a person."""
    return translate("words", _TREATMENTS.get(treatment, treatment))


def side_text(side: str | int) -> str:
    """Left or right for a person."""
    name = side if isinstance(side, str) else ("left", "right")[side]
    return translate("words", _SIDES.get(name, name))


def review_text(state: str) -> str:
    """State of a review for a person."""
    return translate("words", _REVIEWS.get(state, state))


def limit_title(title: str) -> str:
    """Title of a limit for a person."""
    return translate("limits", title)


def limit_note(note: str) -> str:
    """Return what a limit is for; a note that a person wrote stays as it is."""
    return translate("limits", note) if note else ""


def cautions() -> tuple[str, ...]:
    """Cautions that the window and every sheet carry."""
    from analysis.earthwork.workplan import CAUTIONS

    return tuple(translate("cautions", text) for text in CAUTIONS)


def station_words(station_m: float, style: str = "km") -> str:
    """Station as it is written, "2+340"; a dash if unknown."""
    from analysis.common.stations import station_text

    if not math.isfinite(station_m):
        return DASH
    return station_text(float(station_m), style=cast("StationStyle", style))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _row(row: Mapping[str, Any], name: str) -> float:
    value = row.get(name, math.nan)
    return float(value) if value is not None else math.nan


def chance_text(probability: float) -> str:
    """Probability in percent without the sign, never rounded to a certainty that nobody has."""
    if not math.isfinite(probability):
        return DASH
    percent = 100.0 * probability
    if percent < 1.0:
        return "< 1"
    if percent > 99.0:
        return "> 99"
    return number(percent, 0)


def number_text(
    name: str, value: float, se: float, system: str = METRIC, *, with_unit: bool = True
) -> str:
    """Return a named number with its error, as a table shows it; a dash where it is unknown."""
    if name.startswith("p_"):
        text = chance_text(value)
        return f"{text} %" if with_unit and text != DASH else text
    if not math.isfinite(value):
        return DASH
    # Grades of a few tenths decide whether a ditch runs.
    decimals = 2 if name in ("ditch_grade_pct", "grade_pct") else None
    return value_text(
        value, column_unit(name), system, se=se, decimals=decimals, with_unit=with_unit
    )


def _percent(probability: float) -> str:
    if not math.isfinite(probability):
        return translate("words", "unknown")
    return f"{chance_text(probability)} %"


def station_sentence(row: Mapping[str, Any], system: str = METRIC) -> str:
    """One plain sentence with its numbers on a row of the station table."""
    verdict = str(row.get("verdict", ""))
    finding = str(row.get("finding", "") or "")
    reason = str(row.get("reason", "") or "")
    slope, slope_se = _row(row, "shoulder_slope_pct"), _row(row, "shoulder_slope_se")
    drop, drop_se = _row(row, "edge_drop_mm"), _row(row, "edge_drop_se")
    if verdict == "no data" or not (math.isfinite(slope) and math.isfinite(drop)):
        return reason or translate("words", "Nothing was measured here.")
    required = _row(row, "required_slope_pct")
    falls = translate("words", "falls {slope} where {required} is required").format(
        slope=value_text(slope, "%", system, se=slope_se),
        required=value_text(required, "%", system),
    )
    height = value_text(abs(drop), "mm", system, se=drop_se)
    edge = (
        translate("words", "lies {height} below the pavement edge").format(height=height)
        if drop >= 0.0
        else translate("words", "stands {height} above the pavement edge").format(height=height)
    )
    chance = _percent(_row(row, "p_wont_shed"))
    if finding == "rutted":
        text = translate("words", "Rutted: rut {rut}, ridge {ridge}; the shoulder {falls}.").format(
            rut=value_text(_row(row, "rut_mm"), "mm", system, se=_row(row, "rut_se")),
            ridge=value_text(_row(row, "ridge_mm"), "mm", system, se=_row(row, "ridge_se")),
            falls=falls,
        )
    elif finding in ("high", "eroded edge"):
        text = translate("words", "{finding}: the shoulder {edge} and {falls}.").format(
            finding=_capital(finding_text(finding)), edge=edge, falls=falls
        )
    elif finding in ("flat", "reversed"):
        text = translate(
            "words", "{finding}: the shoulder {falls}; {chance} likely that it won't shed."
        ).format(finding=_capital(finding_text(finding)), falls=falls, chance=chance)
    elif finding == "ponding":
        text = translate(
            "words", "Ponding: holds {depth} of water although the shoulder {falls}."
        ).format(depth=value_text(_row(row, "retained_mm"), "mm", system), falls=falls)
    elif verdict == "sheds":
        text = translate("words", "Sheds: the shoulder {falls} and {edge}.").format(
            falls=falls, edge=edge
        )
    elif verdict == "won't shed":
        text = translate(
            "words",
            "Won't shed: the shoulder {falls} and {edge}; {chance} likely that it won't shed.",
        ).format(falls=falls, edge=edge, chance=chance)
    else:
        text = translate(
            "words",
            "Can't tell: the shoulder {falls} and {edge}; with these errors it is {chance} likely "
            "that it won't shed.",
        ).format(falls=falls, edge=edge, chance=chance)
        if not math.isfinite(_row(row, "p_wont_shed")) and reason:
            text = reason
    if _row(row, "kerb") == 1.0:
        text += " " + translate("words", "A kerb stands at the edge, so its height isn't judged.")
    return text


def reach_sentence(row: Mapping[str, Any], system: str = METRIC, style: str = "km") -> str:
    """One plain sentence with its numbers on a row of the reach table."""
    finding = str(row.get("finding", ""))
    treatment = str(row.get("treatment", ""))
    where = translate("words", "{side} {where} ({length})").format(
        side=_capital(side_text(str(row.get("side", "")))),
        where=range_text(
            station_words(_row(row, "from_m"), style), station_words(_row(row, "to_m"), style)
        ),
        length=value_text(_row(row, "length_m"), "m", system, decimals=0),
    )
    parts: list[str] = []
    slope = _row(row, "mean_slope_pct")
    if math.isfinite(slope):
        required = _row(row, "required_slope_pct")
        words = translate("words", "falls {slope} on average")
        if math.isfinite(required):
            words = translate("words", "falls {slope} on average where {required} is required")
        parts.append(
            words.format(
                slope=value_text(slope, "%", system, se=_row(row, "mean_slope_se")),
                required=value_text(required, "%", system),
            )
        )
    drop = _row(row, "worst_drop_mm")
    if math.isfinite(drop):
        words = (
            translate("words", "at worst {height} below the edge")
            if drop >= 0.0
            else translate("words", "at worst {height} above the edge")
        )
        parts.append(words.format(height=value_text(abs(drop), "mm", system)))
    text = f"{where}: {finding_text(finding)}"
    if parts:
        text += ", " + ", ".join(parts)
    if treatment not in ("", "none", finding):
        balance = _row(row, "balance_m3")
        text += "; " + treatment_text(treatment)
        imported = _row(row, "import_m3_loose")
        if math.isfinite(imported) and imported > 0.0:
            text += translate("words", " with {volume} loose in {loads} loads").format(
                volume=value_text(imported, "m3", system),
                loads=value_text(_row(row, "loads"), "count", system),
            )
        elif math.isfinite(balance):
            text += translate("words", " (material balance {balance})").format(
                balance=value_text(balance, "m3", system, se=_row(row, "balance_se"))
            )
    why = _why_not_judged(str(row.get("reason") or ""))
    if finding in ("can't tell", "no data") and why:
        text += f". {why}"
    return text if text.endswith(".") else text + "."


def _why_not_judged(reason: str) -> str:
    """Say what stands in the way of a judgement; nothing where it is only the error."""
    _head, _colon, why = reason.partition(": ")
    return "" if why.startswith("the shoulder") else why
