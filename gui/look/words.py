"""Names and sentences for people: columns, findings, treatments, and each finding in one sentence.

The tables keep short English words that other programs read; what a person reads comes from here,
translatable and in the chosen units.
"""

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast

from PySide6.QtCore import QCoreApplication

from analysis.common.columns import column_of
from analysis.common.verdicts import DEEPEST_RUT_MM, Finding, Treatment, Verdict
from analysis.findings.reviews import Decision
from gui.look.units import DASH, METRIC, number, range_text, value_text

if TYPE_CHECKING:
    from analysis.common.stations import StationStyle

__all__ = [
    "QT_TRANSLATE_NOOP",
    "REVIEW_MARKS",
    "REVIEW_STATES",
    "cautions",
    "chance_text",
    "column_heading",
    "column_meaning",
    "column_title",
    "finding_text",
    "limit_note",
    "limit_title",
    "marked_review",
    "number_text",
    "reach_sentence",
    "review_text",
    "side_text",
    "station_sentence",
    "station_words",
    "treatment_text",
    "verdict_text",
]

REVIEW_STATES = tuple(Decision)
# In texts; maps and strips draw the same: a tick, a cross, a question.
REVIEW_MARKS = {Decision.AGREED: "✓", Decision.REJECTED: "✗", Decision.TO_CHECK: "?"}


translate = QCoreApplication.translate


def QT_TRANSLATE_NOOP(_context: str, text: str) -> str:
    """Mark a text for translation where it is looked up later."""
    return text


_VERDICTS: Mapping[str, str] = {
    Verdict.SHEDS: QT_TRANSLATE_NOOP("words", "sheds"),
    Verdict.WONT_SHED: QT_TRANSLATE_NOOP("words", "won't shed"),
    Verdict.CANT_TELL: QT_TRANSLATE_NOOP("words", "can't tell"),
    Verdict.NO_DATA: QT_TRANSLATE_NOOP("words", "no data"),
}
_FINDINGS: Mapping[str, str] = {
    Finding.NONE: QT_TRANSLATE_NOOP("words", "sound"),
    Finding.FLAT: QT_TRANSLATE_NOOP("words", "flat"),
    Finding.REVERSED: QT_TRANSLATE_NOOP("words", "reversed"),
    Finding.HIGH: QT_TRANSLATE_NOOP("words", "high"),
    Finding.KERB_OR_HIGH: QT_TRANSLATE_NOOP("words", "kerb or high shoulder"),
    Finding.RUTTED: QT_TRANSLATE_NOOP("words", "rutted"),
    Finding.ERODED_EDGE: QT_TRANSLATE_NOOP("words", "eroded edge"),
    Finding.PONDING: QT_TRANSLATE_NOOP("words", "ponding"),
    Finding.TOO_STEEP: QT_TRANSLATE_NOOP("words", "too steep"),
    Finding.BREAKOVER: QT_TRANSLATE_NOOP("words", "breakover"),
    Finding.BLOCKED_DITCH: QT_TRANSLATE_NOOP("words", "blocked ditch"),
    Finding.CANT_TELL: QT_TRANSLATE_NOOP("words", "can't tell"),
    Finding.NO_DATA: QT_TRANSLATE_NOOP("words", "no data"),
}
_TREATMENTS: Mapping[str, str] = {
    Treatment.NONE: QT_TRANSLATE_NOOP("words", "none"),
    Treatment.RESHAPE: QT_TRANSLATE_NOOP("words", "reshape"),
    Treatment.REPLENISH: QT_TRANSLATE_NOOP("words", "replenish"),
    Treatment.CLEAN_DITCH: QT_TRANSLATE_NOOP("words", "clean ditch"),
    Treatment.RESHAPE_AND_CLEAN: QT_TRANSLATE_NOOP("words", "reshape and clean ditch"),
    Treatment.REPLENISH_AND_CLEAN: QT_TRANSLATE_NOOP("words", "replenish and clean ditch"),
    Treatment.CANT_TELL: QT_TRANSLATE_NOOP("words", "can't tell"),
}
_SIDES = {"left": QT_TRANSLATE_NOOP("words", "left"), "right": QT_TRANSLATE_NOOP("words", "right")}
_REVIEWS = {
    "": "",
    Decision.TO_CHECK: QT_TRANSLATE_NOOP("words", "to check"),
    Decision.AGREED: QT_TRANSLATE_NOOP("words", "agreed"),
    Decision.REJECTED: QT_TRANSLATE_NOOP("words", "rejected"),
}


# What a job says of itself, as `analysis` and `jobs` write it.
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
    QT_TRANSLATE_NOOP("progress", "filling depressions"),
    QT_TRANSLATE_NOOP("progress", "outlining ponds"),
    QT_TRANSLATE_NOOP("progress", "finding water that sections hold"),
    QT_TRANSLATE_NOOP("progress", "writing work sheets"),
    QT_TRANSLATE_NOOP("progress", "written"),
    QT_TRANSLATE_NOOP("progress", "reading the ground"),
    QT_TRANSLATE_NOOP("progress", "measuring roads"),
    QT_TRANSLATE_NOOP("progress", "writing the findings"),
)


def progress_text(words: str, road: str = "") -> str:
    """Say for a person what a job is at, and on which road; a file's name stays as it is."""
    said = translate("progress", words) if words else ""
    return f"{road}: {said}" if road else said


def column_title(name: str) -> str:
    """Heading of a table column."""
    return translate("words", column_of(name).title)


def column_heading(name: str, system: str = METRIC) -> str:
    """Return the title of a column, of a number with its unit, as "Edge drop, mm"."""
    column, title = column_of(name), column_title(name)
    unit = column.shown(system).text if column.is_quantity else ""
    return f"{title}, {unit}" if unit else title


def column_meaning(name: str) -> str:
    """Return what a column holds, in a sentence."""
    return translate("words", column_of(name).meaning)


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


def marked_review(state: str) -> str:
    """State of a review behind its mark, as tables show it; "" where there is none."""
    return f"{REVIEW_MARKS[Decision(state)]} {review_text(state)}" if state else ""


def limit_title(title: str) -> str:
    """Title of a limit for a person."""
    return translate("limits", title)


def limit_note(note: str) -> str:
    """Return what a limit is for; a note that a person wrote stays as it is."""
    return translate("limits", note) if note else ""


def cautions() -> tuple[str, ...]:
    """Cautions that the window and every sheet carry."""
    from analysis.common.cautions import CAUTIONS

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
    column = column_of(name)
    if column.is_chance:
        text = chance_text(value)
        return f"{text} %" if with_unit and text != DASH else text
    if not math.isfinite(value):
        return DASH
    return value_text(
        value, column.unit, system, se=se, decimals=column.decimals, with_unit=with_unit
    )


def _percent(probability: float) -> str:
    if not math.isfinite(probability):
        return translate("words", "unknown")
    return f"{chance_text(probability)} %"


def _why(row: Mapping[str, Any], system: str) -> str:
    """Say why a row isn't judged; findings read from a file know that in English only."""
    if "why" not in row:
        return str(row.get("reason") or "")
    reason = row["why"]
    if reason is None:
        return ""
    from analysis.verdict.reasons import WITHHELD, reason_figures

    figures = [
        value_text(value, unit, system, decimals=None if unit and system != METRIC else decimals)
        for value, unit, decimals in reason_figures(reason)
    ]
    return translate("reasons", WITHHELD[reason.kind]).format(*figures, file=reason.file)


def station_sentence(row: Mapping[str, Any], system: str = METRIC) -> str:
    """One plain sentence with its numbers on a row of the station table."""
    verdict = str(row.get("verdict", ""))
    finding = str(row.get("finding", "") or "")
    reason = _why(row, system) or str(row.get("reason") or "")
    slope, slope_se = _row(row, "shoulder_slope_pct"), _row(row, "shoulder_slope_se")
    drop, drop_se = _row(row, "edge_drop_mm"), _row(row, "edge_drop_se")
    if verdict == Verdict.NO_DATA or not (math.isfinite(slope) and math.isfinite(drop)):
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
    # what can't be told is explained by what stands in the way of calling it sound
    driver = str(row.get("likeliest") or "") if finding == Finding.CANT_TELL else finding
    if driver == Finding.RUTTED and all(math.isnan(_row(row, f"{x}_mm")) for x in ("rut", "ridge")):
        fact = translate("words", "ruts couldn't be measured")
    elif driver == Finding.RUTTED:
        fact = translate("words", "rut {rut}, ridge {ridge}").format(
            rut=value_text(_row(row, "rut_mm"), "mm", system, se=_row(row, "rut_se")),
            ridge=value_text(_row(row, "ridge_mm"), "mm", system, se=_row(row, "ridge_se")),
        )
    elif driver in (Finding.HIGH, Finding.KERB_OR_HIGH, Finding.ERODED_EDGE):
        fact = translate("words", "the shoulder {edge}").format(edge=edge)
    elif driver == Finding.PONDING:
        fact = translate("words", "it holds {depth} of water").format(
            depth=value_text(_row(row, "retained_mm"), "mm", system)
        )
    elif driver == Finding.BREAKOVER:
        fact = translate(
            "words", "the shoulder falls {points} more steeply than the pavement"
        ).format(points=value_text(_row(row, "breakover_points"), "points", system))
    elif driver == Finding.NONE:
        fact = translate("words", "the shoulder {falls} and {edge}").format(falls=falls, edge=edge)
    else:
        fact = translate("words", "the shoulder {falls}").format(falls=falls)
    if finding == Finding.NONE:
        text = translate("words", "Sheds: {fact}.").format(fact=fact)
        # how far that goes: shallower ones may lie there unseen
        shown = _row(row, "rut_detectable_mm")
        words = translate("words", "Ruts don't show.")
        if math.isnan(shown):
            words = translate("words", "Ruts couldn't be measured.")
        elif shown <= DEEPEST_RUT_MM:
            words = translate("words", "Ruts show from {depth}.")
        text += " " + words.format(depth=value_text(shown, "mm", system))
    elif finding == Finding.CANT_TELL and not math.isfinite(_row(row, "p_wont_shed")) and reason:
        text = reason
    elif finding == Finding.CANT_TELL:
        words = "Can't tell whether it is {fault}: {fact}; {chance} likely that it won't shed."
        text = translate("words", words).format(
            fault=finding_text(driver), fact=fact, chance=chance
        )
    else:
        text = translate("words", "{fault}: {fact}; {chance} likely that it won't shed.").format(
            fault=_capital(finding_text(finding)), fact=fact, chance=chance
        )
    if finding == Finding.KERB_OR_HIGH:
        text += " " + translate(
            "words", "If no kerb stands here it is to be cut; if one does, check its inlets."
        )
    if _row(row, "kerb") == 1.0:
        text += " " + translate("words", "A kerb stands at the edge, so its height isn't judged.")
    if _row(row, "edge_found") == 0.0:
        text += " " + translate("words", "The edge is assumed from the given width.")
    away = _row(row, "kerb_away_m")
    if math.isfinite(away):
        text += " " + translate(
            "words", "It stands {length} outside that edge: check the pavement width."
        ).format(length=value_text(away, "m", system, decimals=1))
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
    likeliest = str(row.get("likeliest") or "")
    if finding == Finding.CANT_TELL and likeliest and math.isfinite(_row(row, "p_wont_shed")):
        words = translate("words", "{where}: can't tell whether it is {fault}")
        text = words.format(where=where, fault=finding_text(likeliest))
    if parts:
        text += ", " + ", ".join(parts)
    if treatment not in ("", Treatment.NONE, finding):
        balance = _row(row, "balance_m3")
        text += "; " + treatment_text(treatment)
        imported = _row(row, "import_m3_loose")
        if math.isfinite(imported) and imported > 0.0:
            loads = value_text(_row(row, "loads"), "count", system)
            words = (
                translate("words", " with {volume} loose in {loads} load")
                if loads == "1"
                else translate("words", " with {volume} loose in {loads} loads")
            )
            text += words.format(volume=value_text(imported, "m3", system), loads=loads)
        elif math.isfinite(balance):
            text += translate("words", " (material balance {balance})").format(
                balance=value_text(balance, "m3", system, se=_row(row, "balance_se"))
            )
    cut = _row(row, "cut_m3")
    if finding == Finding.KERB_OR_HIGH and math.isfinite(cut):
        words = translate(
            "words", ". If no kerb stands here, cut {volume}; if one does, check its inlets"
        )
        text += words.format(volume=value_text(cut, "m3", system))
    why = _why(row, system)
    if finding in (Finding.CANT_TELL, Finding.NO_DATA) and why:
        text += f". {why}"
    elif _row(row, "edge_assumed_m") > 0.0:
        words = translate("words", ". The edge is assumed from the given width over {length}")
        length = value_text(_row(row, "edge_assumed_m"), "m", system, decimals=0)
        text += words.format(length=length)
    return text if text.endswith(".") else text + "."
