"""Whether what is said of stations, of the reach that holds them, and in its headline agrees."""

from __future__ import annotations

from analysis import Study
from analysis.common.verdicts import DEFECTS, Finding, Verdict
from analysis.findings.sheets import verdict_words

__all__ = ["contradictions"]

_SAYS_SO = {
    Finding.NONE: (Verdict.SHEDS,),
    Finding.BLOCKED_DITCH: (Verdict.SHEDS,),
    Finding.CANT_TELL: (Verdict.CANT_TELL,),
    Finding.NO_DATA: (Verdict.NO_DATA,),
    **dict.fromkeys(
        (Finding.HIGH, Finding.KERB_OR_HIGH, Finding.REVERSED, Finding.FLAT, Finding.PONDING),
        (Verdict.WONT_SHED,),
    ),
}
_OPPOSITE = {Verdict.SHEDS: Verdict.WONT_SHED, Verdict.WONT_SHED: Verdict.SHEDS}


def contradictions(study: Study) -> list[str]:
    """List what an engineer would call a contradiction.

    A reach's verdict against its own finding or its own probability; its sentence or headline
    against either; and a station that surely says what its reach neither is named for nor tells.
    """
    stations, reaches = study.findings.stations, study.findings.reaches
    found: list[str] = []
    for row in range(len(reaches)):
        reach = {name: values[row] for name, values in reaches.columns.items()}
        place = f"{reach['road']} {reach['side']} {reach['from_m']:.0f}-{reach['to_m']:.0f}"
        finding, verdict, reason = (str(reach[n]) for n in ("finding", "verdict", "reason"))
        if verdict not in _SAYS_SO.get(Finding(finding), (verdict,)):
            found.append(f"{place}: {finding}, but {verdict}")
        stays = float(reach["p_wont_shed"])
        if (verdict == Verdict.SHEDS and stays > 0.5) or (
            verdict == Verdict.WONT_SHED and stays < 0.5
        ):
            found.append(f"{place}: {verdict} at {stays:.2f}")
        said = "Sound" if finding in (Finding.NONE, Finding.BLOCKED_DITCH) else finding
        if not reason.lower().startswith(said.lower()):
            found.append(f"{place}: {finding}, but the sentence says {reason[:40]}")
        if not verdict_words(verdict, finding, str(reach["treatment"])).startswith(verdict):
            found.append(f"{place}: the headline leaves out {verdict}")
        own = (stations["road"] == reach["road"]) & (stations["side"] == reach["side"])
        within = stations.where(own).where(
            slice(int(reach["first_index"]), int(reach["last_index"]) + 1)
        )
        told = reason.split(" Of it ")[1].split(".")[0] if " Of it " in reason else ""
        for at, fault, wet in zip(
            within["station_m"], within["finding"], within["verdict"], strict=True
        ):
            here = f"{place}: station {at:.0f} is {fault}, {wet}"
            if wet not in _SAYS_SO.get(Finding(fault), (wet,)):
                found.append(here)
            if fault in DEFECTS and fault != finding and str(fault) not in told:
                found.append(here)
            # a fault past which water leaves may hold some of it here and there, as its mean says
            elif finding == Finding.NONE and _OPPOSITE.get(Verdict(verdict)) == wet:
                found.append(here)
    return found
