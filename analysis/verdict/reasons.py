"""Plain English sentences that say what was found and why, with the numbers behind it."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits, MaterialLimits
from analysis.common.types import Bools, Floats
from analysis.common.units import unit_of
from analysis.common.verdicts import DEEPEST_RUT_MM, DEFECTS, Finding, Treatment
from analysis.earthwork.balance import LEAST_KNOWN_SHARE, Balance
from analysis.shoulder.values import Measures, Reason, Status, Why
from analysis.verdict.values import Harm, Judgement, Reach

__all__ = [
    "WITHHELD",
    "commonest_reason",
    "describe_stations",
    "material_sentence",
    "reach_sentences",
    "reason_figures",
    "reason_sentence",
]


_SLOPE_UNTOLD = (
    "The shoulder is {0} wide, only {2} cells of {1} across, so its slope can't be told: use a "
    "finer grid"
)
_TOO_NOISY = (
    " {0} the shoulder slope is only known to ± {1} and the edge to ± {2}, too little to judge it: "
)
WITHHELD = {
    Why.KERB: (
        "A step up of about {0} stands at the pavement edge, like a kerb: water can't leave over "
        "it, so check its inlets; the verge behind it isn't judged as a shoulder."
    ),
    Why.KERB_AWAY: (
        "A step up of about {0} stands {1} outside the pavement edge, like a kerb: water can't "
        "leave over it, so check its inlets, and the pavement width; no shoulder is judged."
    ),
    Why.DROPPED_KERB: (
        "A short gap between two kerbs, like a dropped kerb at an access or the mouth of a side "
        "road: the ground isn't judged as a shoulder."
    ),
    Why.ACCESS: (
        "The ground runs on level beyond the shoulder for a short length, like a driveway or a "
        "side road: it isn't judged as a shoulder."
    ),
    Why.OBSTACLE: (
        "Something stands on most of the shoulder, like a parked vehicle or bushes: the shoulder "
        "under it isn't judged."
    ),
    Why.WALL: (
        "Something over {0} high stands along the shoulder or at its edge, like a barrier, a wall "
        "or parked vehicles: the shoulder isn't judged."
    ),
    Why.BRIDGE: (
        "The road's own profile breaks off here, as where a bridge has been taken out of the grid: "
        "the shoulder isn't judged."
    ),
    Why.UNEVEN: (
        "Much of the shoulder lies off any plane through it, as with bushes, rubble or a wrongly "
        "placed edge: it isn't judged."
    ),
    Why.FALLS: (
        "The ground falls away from the pavement edge as steeply as a foreslope: no shoulder was "
        "found here."
    ),
    Why.RISES: (
        "The ground rises from the pavement edge as steeply as a bank: no shoulder was found here."
    ),
    Why.UNPAVED: (
        "No pavement edge shows on this road: call it unpaved if it is gravel or earth, or give "
        "its width or its edges."
    ),
    Why.MASKED: "Most of the shoulder is masked by the given layer.",
    Why.NO_HEIGHTS: "The grid has no heights on much of the pavement or shoulder here.",
    Why.UNREAD: (
        "Part of the grid can't be read here, so its stations can't be told: the file {file} is "
        "damaged or gone; fetch it again."
    ),
    Why.MADE_UP: (
        "The grid only bridges a hole here: {0} of the ground by this station is drawn straight "
        "across from what lies around it, and tells nothing."
    ),
    Why.GRASS: (
        "Rough and about {0} high beside the pavement: grass left in the grid? The ground under "
        "it isn't judged."
    ),
    Why.FEW_LEVELS: (
        "All heights along this road stand on two or three levels, as in whole metres or an empty "
        "band: no slope can be told from them; give a grid with finer heights."
    ),
    Why.NO_SHOULDER: "No shoulder was found beside the pavement here.",
    Why.NARROW: "The shoulder found here is too narrow for the cells of this grid.",
    Why.FEW_CELLS: "The grid has too few cells on pavement or shoulder here.",
    Why.FEW_CELLS_ACROSS: f"{_SLOPE_UNTOLD}.",
    Why.FEW_CELLS_BETWEEN_FOUND: f"{_SLOPE_UNTOLD}, or give edges and widths.",
    Why.TOO_NOISY: f"Averaged over{_TOO_NOISY}average over a longer stretch or use a finer grid.",
    Why.TOO_NOISY_FOR_ASSUMED: (
        f"With its edge only assumed, averaged over{_TOO_NOISY}let the edges be found in the "
        "terrain, or give them."
    ),
    Why.TOO_NOISY_NO_HINGE: (
        f"As no hinge shows here, averaged over{_TOO_NOISY}give the shoulder's width, or its hinge."
    ),
    Why.ROAD_RIVALS: (
        "The road isn't found here: its middle may lie at {0} or at {1} (to the right of the given "
        "line, with a minus to the left): correct the line, give the edges, or search less far."
    ),
    Why.ROAD_BEYOND: (
        "The road isn't found here: its middle seems to lie at {0} or beyond (to the right of the "
        "given line, with a minus to the left): correct the line, or search farther."
    ),
}
"""What stands in the way of a judgement, with places for figures (`reason_figures`) and a file."""

# Units and decimals; as many decimals as it takes where there is none.
_FIGURES: dict[Why, tuple[tuple[str, int | None], ...]] = {
    **dict.fromkeys((Why.KERB, Why.WALL, Why.GRASS), (("mm", 0),)),
    Why.KERB_AWAY: (("mm", 0), ("m", 1)),
    Why.MADE_UP: (("%", 0),),
    **dict.fromkeys(
        (Why.FEW_CELLS_ACROSS, Why.FEW_CELLS_BETWEEN_FOUND), (("m", 1), ("m", None), ("", 1))
    ),
    **dict.fromkeys(
        (Why.TOO_NOISY, Why.TOO_NOISY_FOR_ASSUMED, Why.TOO_NOISY_NO_HINGE),
        (("m", 0), ("points", 1), ("mm", 0)),
    ),
    Why.ROAD_RIVALS: (("m", 1), ("m", 1)),
    Why.ROAD_BEYOND: (("m", 1),),
}


def reason_figures(reason: Reason) -> list[tuple[float, str, int | None]]:
    """Figures for the sentence in `WITHHELD`: value, unit, decimals (None = as many as needed)."""
    numbers, how = reason.numbers, _FIGURES.get(reason.kind, ())
    if len(how) > len(numbers):
        numbers = (*numbers, numbers[0] / numbers[1])
    return [(number, *one) for number, one in zip(numbers, how, strict=True)]


def reason_sentence(reason: Reason) -> str:
    """Say in one plain sentence why a shoulder isn't judged."""
    figures = [
        (f"{value:g}" if decimals is None else f"{value:.{decimals}f}")
        + (f" {unit_of(unit).text}" if unit else "")
        for value, unit, decimals in reason_figures(reason)
    ]
    return WITHHELD[reason.kind].format(*figures, file=reason.file)


def describe_stations(
    measures: Measures,
    judgement: Judgement,
    limits: Limits,
    *,
    held_mm: Floats,
    p_kerb: Floats,
    kerb: Bools,
    assumed: Bools,
    away_m: Floats,
) -> NDArray[np.object_]:
    """Say in one plain sentence, with its numbers, what was found at each station and why; (n, 2).

    What can't be told is explained by the fault that is most likely there: it is what stands in
    the way of calling the shoulder sound.

    Parameters
    ----------
    measures, judgement, limits
        What was measured, and how it is judged by which criteria.
    held_mm : (n, 2)
        Water that the section holds.
    p_kerb, kerb : (n, 2)
        How likely a step up is a kerb, and where one surely stands.
    assumed : (n, 2)
        Where no edge shows and the given width puts it.
    away_m : (n, 2)
        How far outside the edge a step up stands; NaN where it stands at it.
    """
    facts = _facts(measures, limits, judgement.required_slope_pct, held_mm)
    p_wont = judgement.p_wont_shed
    sentences: list[tuple[Bools, str, tuple[Floats, ...]]] = []
    falls, slopes = facts[Finding.FLAT]
    sound, shown_mm = judgement.finding == Finding.NONE, measures.rut_detectable_mm
    shown, unmeasured = np.asarray(shown_mm <= DEEPEST_RUT_MM), np.isnan(shown_mm)
    text = f"Sound: {falls}, edge drop %.0f ± %.0f mm; "
    told = (*slopes, measures.edge_drop_mm, measures.edge_drop_se)
    sentences.append((sound & shown, f"{text}{_RUTS_SHOW.format('%.0f')}.", (*told, shown_mm)))
    sentences.append((sound & ~shown & ~unmeasured, f"{text}{_NO_RUTS_SHOW}.", told))
    sentences.append((sound & unmeasured, f"{text}{_RUTS_UNKNOWN}.", told))
    for fault, (fact, columns) in facts.items():
        named = judgement.finding == fault
        chances: tuple[Floats, ...] = (judgement.chance_of(fault), p_wont)
        text = f"{fault.capitalize()}: {fact} (probability %.2f; %.2f that it won't shed)."
        if fault == Finding.KERB_OR_HIGH:
            text = f"{text[:-1]}; %.2f that it is a kerb. {_BOTH_CONSEQUENCES}"
            chances = (*chances, p_kerb)
        sentences.append((named, text, (*columns, *chances)))
        open_ = (judgement.finding == Finding.CANT_TELL) & (judgement.likeliest == fault)
        ends = "(probability %.2f; %.2f that it won't shed)."
        whether = f"Can't tell whether it is {fault}:"
        if fault == Finding.RUTTED:
            blind, open_ = open_ & np.isnan(judgement.p_rut), open_ & ~np.isnan(judgement.p_rut)
            text = f"{whether} {_RUTS_UNKNOWN} {ends}"
            sentences.append((blind, text, (judgement.p_likeliest, p_wont)))
        text = f"{whether} {fact} {ends}"
        sentences.append((open_, text, (*columns, judgement.chance_of(fault), p_wont)))
    ok = measures.status == Status.OK
    texts = np.full(ok.shape, "", dtype=object)
    texts[~ok] = [reason_sentence(reason) for reason in measures.reason[~ok]]
    for where, sentence, columns in sentences:
        here = ok & where
        if here.any():
            rows = zip(*(column[here].tolist() for column in columns), strict=True)
            texts[here] = [_without_minus_zero(sentence % row) for row in rows]
    texts[ok & assumed] = [f"{text} {_EDGE_ASSUMED}." for text in texts[ok & assumed]]
    aside = ok & np.isfinite(away_m)
    texts[aside] = [
        f"{text} It stands {metres:.1f} m outside that edge: check the pavement width."
        for text, metres in zip(texts[aside], away_m[aside], strict=True)
    ]
    walled = ok & kerb
    texts[walled] = [
        f"{text} A kerb stands at the edge, so its height isn't judged." for text in texts[walled]
    ]
    return texts


_MINUS_ZERO = re.compile(r"-(0(?:\.0+)?)(?![\d.])")


def _without_minus_zero(sentence: str) -> str:
    """Rounding to "-0.0" would show a direction that isn't there."""
    return _MINUS_ZERO.sub(r"\1", sentence)


# how far "sound" goes: shallower ruts may lie there unseen
_RUTS_SHOW, _NO_RUTS_SHOW = "ruts show from {} mm", "ruts don't show"
_RUTS_UNKNOWN = "ruts couldn't be measured"
_EDGE_ASSUMED = "The edge is assumed from the given width"
_BOTH_CONSEQUENCES = "If none stands here it is to be cut; if one does, check its inlets."


def _facts(
    measures: Measures, limits: Limits, required_pct: Floats, held_mm: Floats
) -> dict[Finding, tuple[str, tuple[Floats, ...]]]:
    """What is measured of each fault beside its limit: words with places, and the figures."""
    m, shape = measures, limits.shape
    slope, drop = (m.shoulder_slope_pct, m.shoulder_slope_se), (m.edge_drop_mm, m.edge_drop_se)
    step = (-m.edge_drop_mm, m.edge_drop_se)
    falls = "shoulder falls %.1f ± %.1f %% where %.1f %% is required"
    high = f"%.0f ± %.0f mm above the pavement edge, limit {shape.high_shoulder_mm.value:.0f} mm"
    breakover = m.shoulder_slope_pct - m.pavement_slope_pct
    return {
        Finding.ERODED_EDGE: (
            f"%.0f ± %.0f mm below the pavement edge, limit {shape.edge_drop_mm.value:.0f} mm",
            drop,
        ),
        Finding.HIGH: (f"stands {high}", step),
        Finding.KERB_OR_HIGH: (f"a step up stands {high}", step),
        Finding.RUTTED: (
            "rut %.0f ± %.0f mm, ridge %.0f ± %.0f mm, limits "
            f"{shape.rut_mm.value:.0f} mm and {shape.ridge_mm.value:.0f} mm",
            (m.rut_mm, m.rut_se, m.ridge_mm, m.ridge_se),
        ),
        Finding.REVERSED: (falls, (*slope, required_pct)),
        Finding.FLAT: (falls, (*slope, required_pct)),
        Finding.PONDING: (
            f"the section holds %.0f mm of water, limit {limits.water.retained_mm.value:.0f} mm "
            "beyond what the edge may hold",
            (held_mm,),
        ),
        Finding.TOO_STEEP: (
            f"shoulder falls %.1f ± %.1f %%, steepest {shape.shoulder_most_pct.value:.1f} %%",
            slope,
        ),
        Finding.BREAKOVER: (
            "shoulder falls %.1f ± %.1f %%, %.1f %% points beyond the pavement, limit "
            f"{shape.breakover_most_points.value:.1f}",
            (*slope, breakover),
        ),
    }


def commonest_reason(reasons: Iterable[Reason | None]) -> Reason | None:
    """The reason that most stations of a reach have, as it is worded; None if none has any."""
    worded = [(reason_sentence(reason), reason) for reason in reasons if reason is not None]
    said = Counter(text for text, _ in worded)
    text = max(sorted(said), key=said.__getitem__, default="")
    return dict(worded).get(text)


def reach_sentences(reach: Reach, limits: Limits) -> str:
    """Say what is wrong with a reach, how sure that is, what to do, and why it ranks so."""
    text = _without_minus_zero(_what_is_wrong(reach, limits))
    if reach.balance is not None:
        text += f" {material_sentence(reach.balance, limits.material)}"
    unsettled = (Finding.BLOCKED_DITCH, Finding.CANT_TELL, Finding.NO_DATA)
    if reach.clean_ditch and reach.finding not in unsettled:
        text += f" Clean {reach.ditch_clean_m:.0f} m of ditch with it."
    if reach.finding in DEFECTS:
        width = ("no pavement", "half the pavement", "the whole pavement")[round(reach.drained)]
        text += f" Severity {reach.severity:.1f} of the limit; {width} drains here."
    if reach.edge_assumed_m > 0.0 and reach.why is None:
        whole = reach.edge_assumed_m >= reach.length_m - 0.5
        text += f" {_EDGE_ASSUMED}{'' if whole else f' over {reach.edge_assumed_m:.0f} m'}."
    if reach.harm == Harm.DROP_OFF:
        least = limits.shape.edge_drop_safety_mm.value
        text += f" The edge drop-off passes {least:.0f} mm, so it comes first whatever its length."
    return text


def _what_is_wrong(reach: Reach, limits: Limits) -> str:
    length, drop_mm = f"{reach.length_m:.0f} m", reach.worst_drop_mm
    falls = "couldn't be measured"
    if math.isfinite(reach.mean_slope_pct):
        falls = (
            f"falls {reach.mean_slope_pct:.1f} ± {reach.mean_slope_se:.1f} % where "
            f"{reach.required_slope_pct:.1f} % is required"
        )
    facts = {
        Finding.FLAT: falls,
        Finding.REVERSED: falls,
        Finding.HIGH: f"up to {-drop_mm:.0f} mm above the pavement edge",
        Finding.KERB_OR_HIGH: f"a step up of up to {-drop_mm:.0f} mm, so water can't leave",
        Finding.ERODED_EDGE: f"up to {drop_mm:.0f} mm below the pavement",
        Finding.RUTTED: _worn(reach),
        Finding.PONDING: f"water stands although it {falls}",
        Finding.TOO_STEEP: f"{falls} and {limits.shape.shoulder_most_pct.value:.1f} % is steepest",
        Finding.BREAKOVER: (
            f"{falls}; at the edge it breaks off from the pavement by more than "
            f"{limits.shape.breakover_most_points.value:.1f} % points"
        ),
    }
    why = "" if reach.why is None else reason_sentence(reach.why)
    match reach.finding:
        case Finding.NONE:
            ruts = _RUTS_UNKNOWN if math.isnan(reach.rut_shown_mm) else _NO_RUTS_SHOW
            if reach.rut_shown_mm <= DEEPEST_RUT_MM:
                ruts = _RUTS_SHOW.format(f"{reach.rut_shown_mm:.0f}")
            return f"Sound over {length}: the shoulder {falls}; {ruts}.{_parts(reach)}"
        case Finding.BLOCKED_DITCH:
            flat = (
                ""
                if reach.clean_ditch
                else " The road itself is too flat for cleaning to help: find or make it an outlet."
            )
            return f"Sound shoulder over a ditch that doesn't drain, {length}.{flat}"
        case Finding.NO_DATA:
            return f"No data over {length}: {why}"
        case Finding.CANT_TELL if why or not math.isfinite(reach.p_wont_shed):
            return f"Can't tell over {length}: {why or f'the shoulder {falls}.'}"
        case Finding.CANT_TELL:
            return (
                f"Can't tell over {length} whether it is {reach.likeliest}: "
                f"{facts[reach.likeliest]} (probability {reach.p_likeliest:.2f}; "
                f"{reach.p_wont_shed:.2f} that it won't shed).{_parts(reach)}"
            )
    text = f"{reach.finding.capitalize()} over {length}: {facts[reach.finding]}."
    if reach.finding == Finding.KERB_OR_HIGH:
        cut = "" if reach.balance is None else f" {reach.balance.cut_m3_bank:.1f} m³"
        text += f" If no kerb stands here, cut{cut}; if one does, check its inlets."
    return text + _parts(reach)


def _parts(reach: Reach) -> str:
    """What else was found along a reach than it is named for, so that no station contradicts it."""
    parts = [f"{metres:.0f} m {fault}" for fault, metres in reach.also.items()]
    return f" Of it {' and '.join(parts)}." if parts else ""


def _worn(reach: Reach) -> str:
    depths = {"rut": reach.worst_rut_mm, "ridge": reach.worst_ridge_mm}
    known = [f"{name} to {mm:.0f} mm" for name, mm in depths.items() if math.isfinite(mm)]
    return " and ".join(known) or _RUTS_UNKNOWN


def material_sentence(balance: Balance, limits: MaterialLimits) -> str:
    """Say what material a reach yields and needs, and what that calls for."""
    b = balance
    partly = f"The ground is known over {100.0 * b.known_share:.0f} % of {b.length_m:.0f} m only"
    if b.known_share < LEAST_KNOWN_SHARE and not b.eroded_mm > 0.0:
        return f"{partly}: can't tell whether the material suffices."
    text = f"{partly}, there: " if b.known_share < 0.95 else ""
    text += (
        f"Cut yields {b.reclaimed_m3_compacted:.1f} m³ compacted, fill needs "
        f"{b.fill_m3_compacted:.1f} m³, balance {b.balance_m3_compacted:+.1f} ± "
        f"{b.balance_se_m3:.1f} m³"
    )
    if b.short_m3_compacted > max(-b.balance_m3_compacted, 0.0) + 0.05:
        haul = f"the haul of {limits.haul_most_m.value:.0f} m"
        text += f", but {b.short_m3_compacted:.1f} m³ lie beyond {haul}"
    elif b.balance_m3_compacted < 0.0 and b.treatment == Treatment.RESHAPE:
        text += (
            f"; {b.thin_m3_compacted:.1f} m³ would leave it {limits.thin_mm.value:.0f} mm low, "
            "thinner than can be placed"
        )
    if b.eroded_mm > 0.0:
        text += f"; the edge has dropped {b.eroded_mm:.0f} mm, so it gets new material"
    return f"{text}: {b.treatment}."
