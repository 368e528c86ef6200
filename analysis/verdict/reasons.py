"""Plain English sentences that say what was found and why, with the numbers behind it."""

from __future__ import annotations

import math
import re
from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits
from analysis.common.types import Bools, Floats
from analysis.common.verdicts import DEFECTS, Finding
from analysis.earthwork.balance import Balance
from analysis.shoulder.values import Measures, Status
from analysis.verdict.values import Judgement

__all__ = ["describe_stations", "reach_reasons", "reason_numbers"]


def describe_stations(
    measures: Measures, judgement: Judgement, limits: Limits, kerb: Bools
) -> NDArray[np.object_]:
    """Say in one plain sentence, with its numbers, what was found at each station and why; (n, 2).

    `kerb` (n, 2) is True where a kerb stands at the edge.
    """
    falls = "shoulder falls %.1f ± %.1f %% where %.1f %% is required"
    slopes = (
        measures.shoulder_slope_pct,
        measures.shoulder_slope_se,
        judgement.required_slope_pct,
    )
    drop, drop_se, p_wont = measures.edge_drop_mm, measures.edge_drop_se, judgement.p_wont_shed
    wont = "(probability %.2f that it won't shed)."
    sentences: dict[Finding, tuple[str, tuple[Floats, ...]]] = {
        Finding.NONE: (f"Sound: {falls}, edge drop %.0f ± %.0f mm.", (*slopes, drop, drop_se)),
        Finding.ERODED_EDGE: (
            "Eroded edge: %.0f ± %.0f mm below the pavement edge, over the limit of "
            f"{limits.shape.edge_drop_mm.value:.0f} mm (probability %.2f).",
            (drop, drop_se, judgement.p_drop),
        ),
        Finding.HIGH: (
            "High: stands %.0f ± %.0f mm above the pavement edge, over the limit of "
            f"{limits.shape.high_shoulder_mm.value:.0f} mm (probability %.2f).",
            (-drop, drop_se, judgement.p_high),
        ),
        Finding.RUTTED: (
            "Rutted: rut %.0f ± %.0f mm, ridge %.0f ± %.0f mm, limit "
            f"{limits.shape.rut_mm.value:.0f} mm (probability %.2f).",
            (
                measures.rut_mm,
                measures.rut_se,
                measures.ridge_mm,
                measures.ridge_se,
                judgement.p_rut,
            ),
        ),
        Finding.REVERSED: (f"Reversed: {falls} {wont}", (*slopes, p_wont)),
        Finding.FLAT: (f"Flat: {falls} {wont}", (*slopes, p_wont)),
        Finding.PONDING: (f"Holds water although the slope is enough: {falls}.", slopes),
        Finding.CANT_TELL: (
            f"Can't tell: {falls}; probability %.2f that it won't shed.",
            (*slopes, p_wont),
        ),
    }
    ok = measures.status == Status.OK
    texts = np.where(ok, "", measures.reason).astype(object)
    for finding, (sentence, columns) in sentences.items():
        here = ok & (judgement.finding == finding)
        if here.any():
            rows = zip(*(column[here].tolist() for column in columns), strict=True)
            texts[here] = [sentence % row for row in rows]
    walled = ok & kerb
    texts[walled] = [
        f"{text} A kerb stands at the edge, so its height isn't judged." for text in texts[walled]
    ]
    return texts


def reach_reasons(
    reaches: dict[str, list[Any]],
    figures: dict[str, Floats],
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    withheld: NDArray[np.object_],
) -> list[str]:
    """Reason of each reach; `withheld` (2n,) says why a station isn't judged.

    `reaches` holds the other columns of the reaches by the names of their fields.
    """
    findings = reaches["finding"]
    falls = [
        _falls(*row)
        for row in zip(
            reaches["mean_slope_pct"],
            reaches["mean_slope_se"],
            reaches["required_slope_pct"],
            strict=True,
        )
    ]
    why, worn = [""] * len(findings), [""] * len(findings)
    for k, finding in enumerate(findings):
        if finding in (Finding.CANT_TELL, Finding.NO_DATA):
            why[k] = _commonest(withheld[first[k] : last[k] + 1])
        elif finding == Finding.RUTTED:
            worn[k] = _worn(float(figures["worst_rut_mm"][k]), float(figures["worst_ridge_mm"][k]))
    columns = (reaches[name] for name in ("worst_drop_mm", "p_wont_shed"))
    what = map(_reach_sentence, findings, reaches["length_m"], falls, *columns, why, worn)
    columns = (reaches[name] for name in ("balance", "clean_ditch", "ditch_clean_m", "severity"))
    work = map(_work_sentences, findings, *columns, figures["drained"].tolist())
    return [one + other for one, other in zip(what, work, strict=True)]


def _reach_sentence(
    finding: Finding,
    length_m: float,
    falls: str,
    drop_mm: float,
    p_wont: float,
    why: str,
    worn: str,
) -> str:
    """What is wrong and how sure, in one plain sentence.

    `why` is the reason for which the reach isn't judged, `worn` the depth of its ruts and ridges.
    """
    length = f"{length_m:.0f} m"
    match finding:
        case Finding.NONE:
            return f"Sound over {length}: the shoulder {falls}."
        case Finding.BLOCKED_DITCH:
            return f"Sound shoulder over a ditch that doesn't drain, {length}."
        case Finding.FLAT:
            return f"Flat over {length}: {falls}."
        case Finding.REVERSED:
            return f"Reversed over {length}: {falls}."
        case Finding.HIGH:
            return f"High over {length}: up to {-drop_mm:.0f} mm above the pavement edge."
        case Finding.ERODED_EDGE:
            return f"Edge eroded over {length}: up to {drop_mm:.0f} mm below the pavement."
        case Finding.RUTTED:
            return f"Rutted over {length}: {worn}."
        case Finding.PONDING:
            return f"Holds water over {length} although it {falls}."
    if finding == Finding.NO_DATA:
        return f"No data over {length}: {why}"
    if not why and math.isfinite(p_wont):
        why = (
            f"the shoulder {falls}, edge drop {drop_mm:.0f} mm; probability {p_wont:.2f} that it "
            "won't shed."
        )
    return f"Can't tell over {length}: {why or f'the shoulder {falls}.'}"


def _work_sentences(
    finding: Finding,
    balance: Balance | None,
    clean: bool,
    ditch_clean_m: float,
    severity: float,
    drained: float,
) -> str:
    """What to do with a reach and why it ranks where it does, to go on after what is wrong."""
    text = ""
    if balance is not None:
        text += f" {balance.reason}"
    if clean and finding not in (Finding.BLOCKED_DITCH, Finding.CANT_TELL, Finding.NO_DATA):
        text += f" Clean {ditch_clean_m:.0f} m of ditch with it."
    if finding in DEFECTS:
        width = ("no pavement", "half the pavement", "the whole pavement")[round(drained)]
        text += f" Severity {severity:.1f} of the limit; {width} drains here."
    return text


def _falls(slope_pct: float, se: float, required_pct: float) -> str:
    if not math.isfinite(slope_pct):
        return "couldn't be measured"
    return f"falls {slope_pct:.1f} ± {se:.1f} % where {required_pct:.1f} % is required"


def _commonest(reasons: NDArray[np.object_]) -> str:
    said = Counter(str(reason) for reason in reasons if reason)
    return max(sorted(said), key=said.__getitem__) if said else ""


def _worn(rut_mm: float, ridge_mm: float) -> str:
    depths = {"rut": rut_mm, "ridge": ridge_mm}
    known = [f"{name} to {mm:.0f} mm" for name, mm in depths.items() if math.isfinite(mm)]
    return " and ".join(known) or "depth unknown"


def reason_numbers(reasons: NDArray[np.object_]) -> NDArray[np.int16]:
    """Number the reasons, 0 where there is none; reasons that differ in figures are the same."""
    number: dict[str, int] = {"": 0}
    plain = {text: re.sub(r"[\d.,]+", "", text) for text in dict.fromkeys(reasons.tolist())}
    for text in plain.values():
        number.setdefault(text, len(number))
    return np.array([number[plain[text]] for text in reasons.tolist()], dtype=np.int16)
