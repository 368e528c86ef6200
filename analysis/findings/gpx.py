"""Findings for a handheld receiver: GPX 1.1 waypoints to walk to."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.cautions import CAUTIONS
from analysis.common.types import Floats
from analysis.common.verdicts import Finding, Treatment, Verdict
from analysis.common.writing import Writing
from analysis.findings.placed import check_placed, degrees_of, layer_at
from analysis.findings.selecting import for_output
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["flagged_stations", "reaches_to_see", "write_gpx"]

BEGIN_SYMBOL, END_SYMBOL, STATION_SYMBOL = "Flag", "Pin", "Dot"
"""Plain English: receivers show a picture of their own, or their usual one."""
NAME_MOST = 10
"""Letters of a name that even an old handheld shows (common practice, from memory)."""

_SOUND = (Finding.NONE, Finding.NO_DATA, Finding.CANT_TELL, "")
_LETTERS = {"left": "L", "right": "R"}


def flagged_stations(findings: Findings) -> NDArray[np.intp]:
    """Rows of the stations table with a fault: of the shoulder, or of the ditch."""
    table = findings.stations
    flagged = np.asarray(table["verdict"] == Verdict.WONT_SHED, dtype=bool)
    if "finding" in table:
        flagged |= ~np.isin(table["finding"].astype(str), _SOUND)
    if "ditch_blocked" in table:
        flagged |= np.nan_to_num(np.asarray(table["ditch_blocked"], dtype=np.float64)) > 0.0
    return np.flatnonzero(flagged)


def reaches_to_see(findings: Findings) -> NDArray[np.intp]:
    """Rows of the reaches with work or to be looked at, by rank, then as in the table."""
    table = findings.reaches
    idle = np.isin(table["treatment"].astype(str), (Treatment.NONE, ""))
    rank = np.nan_to_num(np.asarray(table["rank"], dtype=float), nan=np.inf)
    order = np.argsort(rank, kind="stable")
    return order[~idle[order]]


def write_gpx(
    findings: Findings,
    path: str | os.PathLike[str],
    *,
    stations: bool = False,
    writing: Writing | None = None,
) -> None:
    """Write begin and end of every reach with work, or to look at, as GPX 1.1 waypoints.

    Names are short enough for a handheld: the rank, the side and B or E (``12LB``), and W with a
    number of its own where there is no rank. What it is stands in the description.

    Parameters
    ----------
    findings : Findings
    path : path
    stations : bool, default False
        The flagged stations too, after the reaches, by their label (``1+240L``).
    writing : Writing, optional
        How stations and lengths are written.

    Raises
    ------
    OutputError
        If the file can't be written or the findings have no coordinate system.
    """
    check_placed(findings)
    findings = for_output(findings)
    with layer_at(
        path,
        driver="GPX",
        layer="waypoints",
        schema={"geometry": "Point", "properties": {"ele": "float", **_WAYPOINT_TEXTS}},
        crs="EPSG:4326",
        CREATOR="Vergeline",
        METADATA_DESCRIPTION=" ".join(CAUTIONS),
    ) as layer:
        made = list(_ends(findings, writing or Writing()))
        if stations:
            made += _stations(findings, writing or Writing())
        xy = np.array([place for place, _ in made], dtype=float).reshape(-1, 2)
        for place, (_, properties) in zip(degrees_of(findings, xy), made, strict=True):
            if np.isfinite(place).all():
                shape = {"type": "Point", "coordinates": place.tolist()}
                layer.write({"type": "Feature", "geometry": shape, "properties": properties})


# In the order of the schema.
_WAYPOINT_TEXTS = dict.fromkeys(("name", "cmt", "desc", "sym", "type"), "str")


def _ends(findings: Findings, writing: Writing) -> Iterator[tuple[Floats, dict[str, Any]]]:
    table, stations = findings.reaches, StationRows(findings.stations)
    for number, row in enumerate(reaches_to_see(findings), start=1):
        own = table.row(int(row))
        rank = float(own["rank"])
        tag = f"{rank:.0f}" if math.isfinite(rank) else f"W{number}"
        tag += _LETTERS.get(str(own["side"]), "")
        low, high = sorted((float(own["from_m"]), float(own["to_m"])))
        rows = stations.within(str(own["road"]), str(own["side"]), low, high)
        what = f"{own['finding']} → {own['treatment']}"
        length = writing.length(float(own["length_m"]))
        for end, letter, label, place, symbol in (
            ("begin", "B", own["from_m"], findings.reach_lines[row][0], BEGIN_SYMBOL),
            ("end", "E", own["to_m"], findings.reach_lines[row][-1], END_SYMBOL),
        ):
            where = f"{own['road']}, {own['side']}, {writing.place(float(label))}"
            yield (
                place,
                {
                    "ele": _height(stations.at(rows, "edge_z_m", float(label))),
                    "name": f"{tag}{letter}",
                    "cmt": CAUTIONS[0],
                    "desc": f"{where}: {end} of {length}, {what}. {own['reason']}".strip(),
                    "sym": symbol,
                    "type": str(own["finding"]),
                },
            )


def _stations(findings: Findings, writing: Writing) -> Iterator[tuple[Floats, dict[str, Any]]]:
    table = findings.stations
    several = len(set(table["road"])) > 1
    numbers = {name: k for k, name in enumerate(dict.fromkeys(table["road"]), start=1)}
    rows = flagged_stations(findings)
    if "finding" in table:
        # What may be a kerb is looked at first.
        kerb = table["finding"][rows] == Finding.KERB_OR_HIGH
        rows = rows[np.argsort(~np.asarray(kerb, dtype=bool), kind="stable")]
    for row in rows:
        own = table.row(int(row))
        finding = str(own.get("finding", ""))
        what = finding
        if finding in _SOUND:
            wet = str(own["verdict"]) == Verdict.WONT_SHED
            what = Verdict.WONT_SHED if wet else Finding.BLOCKED_DITCH
        label = writing.place(float(own["station_m"]))
        road = f"{numbers[own['road']]}:" if several else ""
        yield (
            findings.station_xy[row],
            {
                "ele": _height(float(own.get("edge_z_m", math.nan))),
                "name": f"{road}{label}{_LETTERS.get(str(own['side']), '')}",
                "cmt": CAUTIONS[0],
                "desc": f"{own['road']} {label} {own['side']}: {own['reason']}",
                "sym": STATION_SYMBOL,
                "type": what,
            },
        )


def _height(z_m: float) -> float | None:
    return round(z_m, 2) if math.isfinite(z_m) else None
