"""Results with as many findings as a day of reviewing has, on a road that is screened for real."""

from dataclasses import replace

import numpy as np

from analysis.common.table import Table
from analysis.common.verdicts import Finding, Verdict
from gui.state.loaded import Loaded, loaded


def many_findings(real: Loaded, count: int) -> Loaded:
    """Make a finding of each of the first `count` station sides; measurements stay as they are.

    Each is a reach of one station with the numbers of that station.
    """
    found = real.findings
    stations = found.stations
    count = min(count, len(stations))
    values = {name: np.full(count, np.nan) for name in found.reaches.names()}
    kinds = [f for f in Finding if f not in (Finding.NONE, Finding.NO_DATA, Finding.CANT_TELL)]
    texts = {
        "road": stations["road"][:count],
        "side": stations["side"][:count],
        "finding": [kinds[k % 9] for k in range(count)],
        "treatment": ["reshape"] * count,
        "verdict": [Verdict.WONT_SHED] * count,
        "reason": stations["reason"][:count],
        "likeliest": [""] * count,
    }
    for name, column in texts.items():
        values[name] = np.array(list(column), dtype=object)
    label = stations["station_m"][:count]
    number = np.concatenate([np.repeat(np.arange(len(road.rows)), 2) for road in real.index])
    values |= {
        "from_m": label - 4.0,
        "to_m": label + 4.0,
        "first_index": number[:count].astype(float),
        "last_index": number[:count].astype(float),
        "length_m": np.full(count, 8.0),
        "rank": np.random.default_rng(3).permutation(count) + 1.0,
        "mean_slope_pct": stations["shoulder_slope_pct"][:count],
        "worst_drop_mm": stations["edge_drop_mm"][:count],
    }
    lines = tuple(np.stack([xy - 4.0, xy + 4.0]) for xy in found.station_xy[:count])
    fewer = replace(found, reaches=Table(values), reach_lines=lines, why={})
    return loaded(replace(real.study, findings=fewer), fewer, {})
