"""Findings of a road that is the same everywhere, for tests of what is made of findings."""

import numpy as np

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.limits import default_limits, limits_to_toml
from analysis.common.table import Table
from analysis.findings.geopackage import Findings
from tests.builders.tables import filled

GRAVEL = default_limits("gravel")


def findings(n=6, roads=("Velmarrow Road",), **given):
    """Findings of stations 10 m apart, left then right, the same everywhere unless given."""
    rows = 2 * n * len(roads)
    usual = {
        "shoulder_slope_pct": 1.0,
        "shoulder_slope_se": 0.4,
        "edge_drop_mm": 12.0,
        "edge_drop_se": 6.0,
        "required_slope_pct": 4.0,
        "average_m": 20.0,
        "verdict": "won't shed",
    }
    stations = filled(
        STATION_COLUMNS,
        rows,
        road=np.repeat(np.array(roads, dtype=object), 2 * n),
        side=np.tile(np.array(["left", "right"], dtype=object), n * len(roads)),
        station_m=np.tile(np.repeat(1000.0 + 10.0 * np.arange(n), 2), len(roads)),
        **{**usual, **given},
    )
    return Findings(
        stations=stations,
        reaches=Table.empty(REACH_COLUMNS),
        ponds=Table.empty(POND_COLUMNS),
        station_xy=np.zeros((rows, 2)),
        reach_lines=(),
        pond_rings=(),
        crs_wkt="",
        run={"limits": limits_to_toml(GRAVEL)},
    )
