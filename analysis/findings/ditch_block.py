"""What a work sheet says of the ditch: how much to clean, its spoil, its outlet and culverts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits
from analysis.common.writing import UNKNOWN, Writing
from analysis.earthwork.workplan import WorkItem
from analysis.findings.sheet_text import Block
from analysis.findings.station_rows import StationRows

__all__ = ["ditch_blocks"]


def ditch_blocks(
    item: WorkItem, rows: NDArray[np.intp], stations: StationRows, limits: Limits, writing: Writing
) -> list[Block]:
    """Blocks on the ditch of one reach; none where its ditch isn't cleaned.

    Parameters
    ----------
    item
        The work on the reach.
    rows : (k,) int
        Its stations, rows of the stations table.
    stations, limits, writing
        What is known of them; depth and fall that a ditch needs; how numbers are written.
    """
    if not item.ditch_m > 0.0:
        return []
    say, depth = writing.say, stations.mean(rows, "ditch_depth_m")
    share = limits.work.spoil_placed.value
    least = say(1000.0 * limits.water.ditch_least_depth_m.value, "mm")
    beside = say(item.spoil_m3_loose * share, "m3")
    amounts = (
        ("to clean", writing.length(item.ditch_m)),
        ("depth below the pavement edge as found, mean", say(depth, "ditch_depth_m")),
        ("depth below the pavement edge to dig to, at least", least),
        ("fall towards the outlet, at least", f"{limits.water.ditch_least_grade_pct.value:g} %"),
        ("spoil, loose", say(item.spoil_m3_loose, "m3")),
        ("of it to place beside the ditch, where the owner allows it", beside),
        ("of it to haul away", say(item.spoil_m3_loose * (1.0 - share), "m3")),
    )
    low = _low_end(rows, stations)
    where = UNKNOWN if np.isnan(low) else writing.place(low)
    look = [("outlet, towards the low end", where)]
    crossed = stations.values(rows, "ditch_crossed") > 0.0
    look += [
        ("culvert or crossing", writing.place(float(place)))
        for place in stations.values(rows, "station_m")[crossed]
    ]
    return [
        Block("Ditch", columns=("what", "how much"), table=amounts),
        Block(
            "Outlet and culverts, to open before the ditch is cleaned",
            columns=("look at", "where", "as found: size, open or blocked", "opened"),
            table=tuple((*line, "", "") for line in look),
            words=2,
            boxes=2,
        ),
    ]


def _low_end(rows: NDArray[np.intp], stations: StationRows) -> float:
    """Station of the end where the ditch, or else the road, lies lower; NaN if neither is known."""
    station = stations.values(rows, "station_m")
    edge = stations.values(rows, "edge_z_m")
    for height in (edge - stations.values(rows, "ditch_depth_m"), edge):
        known = np.flatnonzero(np.isfinite(height))
        if known.size > 1 and height[known[0]] != height[known[-1]]:
            return float(station[known[0] if height[known[0]] < height[known[-1]] else known[-1]])
    return float("nan")
