"""What a work sheet shows of a reach beside its words: course, place, section, and boxes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats
from analysis.common.writing import UNKNOWN, Writing
from analysis.earthwork.work_reach import WorkReach
from analysis.findings.place_map import reach_map
from analysis.findings.placed import degrees_of
from analysis.findings.sheet_text import Block, Figure
from analysis.findings.station_rows import StationRows

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["ReachCourse", "ReachSection", "ends_block", "place_figure", "record_blocks"]
__all__ += ["section_figure"]

_PX = 185
_PAVEMENT_M, _BEYOND_M = 2.0, 2.0


@dataclass(frozen=True, slots=True, eq=False)
class ReachCourse:
    """Course of a reach and a little beyond, to be drawn.

    Attributes
    ----------
    numbers
        Columns of the stations table by name, (n,) each, NaN unknown; `station_m` rises.
    ends_m
        Labels where the reach begins and ends, ascending.
    drop_limits_mm
        What the edge drop is held against: standing high (negative), and dropped.
    writing
        Units and style of stations.
    """

    numbers: Mapping[str, Floats]
    ends_m: tuple[float, float]
    drop_limits_mm: tuple[float, float]
    writing: Writing


@dataclass(frozen=True, slots=True, eq=False)
class ReachSection:
    """A section drawn from what was measured, as straight lines, beside the target.

    Attributes
    ----------
    found, target
        (m, 2) points (u, height above the pavement edge), metres, outward; empty where unknown.
    numbers
        Slope found and wanted (percent, positive falls outward), drop (mm), width (m).
    writing
        Units.
    """

    found: Floats
    target: Floats
    numbers: Mapping[str, float]
    writing: Writing


def place_figure(
    findings: Findings, reach: WorkReach, beside: Iterable[int], writing: Writing
) -> Figure:
    """Sketch of where a reach lies; `beside` are the rows of other reaches with work."""
    return Figure(reach_map(findings, reach, beside, writing), "Where it is", _PX)


def ends_block(findings: Findings, row: int, writing: Writing) -> Block:
    """Coordinates of both ends, in the findings' own system and in WGS 84."""
    table, line = findings.reaches, np.asarray(findings.reach_lines[row], dtype=float)
    ends = line[[0, -1]] if len(line) else np.full((2, 2), np.nan)
    places = degrees_of(findings, ends)

    def said(value: float, decimals: int) -> str:
        return f"{value:.{decimals}f}" if math.isfinite(value) else UNKNOWN

    rows = tuple(
        (
            name,
            writing.place(float(table[column][row])),
            *(said(v, 1) for v in ends[k]),
            *(said(v, 6) for v in places[k][::-1]),
        )
        for k, (name, column) in enumerate((("begin", "from_m"), ("end", "to_m")))
    )
    heads = ("end", "station", "x of the grid", "y of the grid", "latitude", "longitude")
    return Block("", columns=heads, table=rows, words=2)


def section_figure(
    stations: StationRows, rows: NDArray[np.intp], target_pct: float, writing: Writing
) -> Figure | None:
    """Section where a reach most likely won't shed, from its numbers; None where none is known.

    Parameters
    ----------
    stations, rows
        Those of the reach.
    target_pct
        Slope to build.
    """
    known = rows[np.isfinite(stations.values(rows, "shoulder_slope_pct"))]
    if not known.size:
        return None
    row = int(known[np.argmax(np.nan_to_num(stations.values(known, "p_wont_shed")))])
    names = ("pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm", "shoulder_width_m")
    pavement, slope, drop_mm, width = (stations.value(row, name) for name in names)
    foreslope = stations.value(row, "foreslope_pct")
    drop = 0.0 if math.isnan(drop_mm) else drop_mm / 1000.0
    numbers = {
        "slope": slope,
        "target": target_pct,
        "drop": drop_mm,
        "width": width,
        "pavement": pavement,
    }
    section = ReachSection(
        _profile(pavement, drop, slope, width, foreslope),
        _profile(pavement, 0.0, target_pct, width, foreslope),
        numbers,
        writing,
    )
    place = writing.place(float(stations.station[row]))
    return Figure(section, f"Section at {place}, where it is worst, from its measures", _PX)


def _profile(pavement: float, drop: float, slope: float, width: float, foreslope: float) -> Floats:
    if not width > 0.0 or math.isnan(slope):
        return np.empty((0, 2))
    inner = 0.0 if math.isnan(pavement) else 0.01 * pavement * _PAVEMENT_M
    hinge = -drop - 0.01 * slope * width
    points = [(-_PAVEMENT_M, inner), (0.0, 0.0), (0.0, -drop), (width, hinge)]
    if math.isfinite(foreslope):
        points.append((width + _BEYOND_M, hinge - 0.01 * foreslope * _BEYOND_M))
    return np.array(points)


def record_blocks(photos: Iterable[str] = ()) -> list[Block]:
    """Boxes to write in: who, when, in what weather, what was moved, and who signs for it."""
    held = tuple(photos)
    first = ("date", "crew", "weather", "moisture of the material", "traffic-control plan no.")
    second = ("begun, done", "loads in, out", "photos no.", "signature, crew", "signature, owner")
    text = (f"Photographs of the review: {', '.join(held)}.",) if held else ()
    return [
        Block(heading, text=said, columns=heads, table=(("",) * 5,), words=0, boxes=5, tall=True)
        for heading, said, heads in (("Record of the work", text, first), ("", (), second))
    ]
