"""A sketch of where reaches lie: lines to draw, in metres, and what their ends are called."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.types import Floats
from analysis.common.writing import Writing
from analysis.earthwork.work_reach import WorkReach
from analysis.findings.placed import metres_per_unit

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["HARM_WORDS", "MarkedLine", "PlaceMap", "reach_map", "work_map"]

HARM_WORDS = {
    1: "edge drop-off at the safety limit",
    2: "keeps water on the pavement",
    3: "other fault or blocked ditch",
    4: "can't be judged: look first",
    0: "sheds, but has work",
}
"""What a reach may do, by its class; in the order in which they count."""

_AROUND_M = 120.0
_AROUND_SHARE = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class MarkedLine:
    """A line (m, 2) with the class of harm that it is drawn by (5: not itself meant), and a label.

    `ends` names its first and last point.
    """

    line: Floats
    harm_class: int
    label: str = ""
    ends: tuple[str, str] = ("", "")


@dataclass(frozen=True, slots=True, eq=False)
class PlaceMap:
    """A map to draw, north of the grid up.

    Attributes
    ----------
    context
        Lines (m, 2) of road edges, in metres of the plane.
    marked
        What it is about, the most important last.
    frame
        (west, south, east, north) to show.
    key
        Whether classes of harm are explained beside it.
    writing
        Units of the scale.
    """

    context: tuple[Floats, ...]
    marked: tuple[MarkedLine, ...]
    frame: tuple[float, float, float, float]
    key: bool
    writing: Writing


def work_map(
    findings: Findings, marked: Iterable[tuple[int, int, str]], writing: Writing
) -> PlaceMap:
    """Map of all roads with the reaches, given as (row, class of harm, label), that are marked."""
    unit_m = metres_per_unit(findings.crs_wkt)
    lines = [np.asarray(line, dtype=float) * unit_m for line in findings.reach_lines]
    chosen = sorted(marked, key=lambda own: -(own[1] or 9))
    return PlaceMap(
        context=tuple(line for line in lines if _is_line(line)),
        marked=tuple(
            MarkedLine(lines[row], harm, label)
            for row, harm, label in chosen
            if _is_line(lines[row])
        ),
        frame=_frame(lines, 0.0),
        key=True,
        writing=writing,
    )


def reach_map(
    findings: Findings, reach: WorkReach, beside: Iterable[int], writing: Writing
) -> PlaceMap:
    """Sketch of one reach with what lies around it; `beside` are other rows with work."""
    unit_m = metres_per_unit(findings.crs_wkt)
    own = np.asarray(findings.reach_lines[reach.row], dtype=float) * unit_m
    around = max(_AROUND_M, _AROUND_SHARE * reach.length_m)
    frame = _frame([own], around)
    near: dict[int, Floats] = {}
    for k, line in enumerate(findings.reach_lines):
        there = np.asarray(line, dtype=float) * unit_m
        if _is_line(there) and _meets(there, frame):
            near[k] = there
    names = writing.place(reach.from_m), writing.place(reach.to_m)
    mine = [MarkedLine(own, reach.harm_class, ends=names)]
    return PlaceMap(
        context=tuple(near.values()),
        marked=(
            *(MarkedLine(near[k], 5) for k in beside if k in near and k != reach.row),
            *(mine if _is_line(own) else []),
        ),
        frame=frame,
        key=False,
        writing=writing,
    )


def _is_line(line: Floats) -> bool:
    return len(line) > 1 and bool(np.isfinite(line).all())


def _frame(lines: list[Floats], around: float) -> tuple[float, float, float, float]:
    known = [line for line in lines if _is_line(line)]
    if not known:
        return 0.0, 0.0, 1.0, 1.0
    xy = np.concatenate(known)
    low, high = xy.min(axis=0) - around, xy.max(axis=0) + around
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _meets(line: Floats, frame: tuple[float, float, float, float]) -> bool:
    low, high = line.min(axis=0), line.max(axis=0)
    return bool(
        low[0] <= frame[2] and high[0] >= frame[0] and low[1] <= frame[3] and high[1] >= frame[1]
    )
