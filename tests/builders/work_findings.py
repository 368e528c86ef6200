"""Findings of a short straight road with work, made without any screening."""

from typing import Any

import numpy as np

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.limits import default_limits, limits_to_toml
from analysis.findings.geopackage import Findings
from analysis.terrain.geofiles import CRS
from tests.builders.tables import filled

UTM_33 = CRS.from_epsg(32633).to_wkt()
ROAD = "Höhen & Täler <Weg>"
N = 12


def make_findings(**run: Any) -> Findings:
    """A road due east along northing 5 400 000, 12 stations, two reaches with work."""
    s = 10.0 * np.arange(N)
    edge = np.array([-3.5, 3.5])
    xy = np.stack(
        [
            np.repeat(500000.0 + s, 2),
            # left of an eastbound road is north
            (5400000.0 - np.tile(edge, N)),
        ],
        axis=1,
    )
    xy[5] = np.nan
    stations = filled(
        STATION_COLUMNS,
        2 * N,
        road=ROAD,
        station_m=np.repeat(1000.0 + s, 2),
        side=np.tile(np.array(["left", "right"], dtype=object), N),
        verdict=np.where(np.arange(2 * N) % 2 == 0, "won't shed", "sheds"),
        finding=np.where(np.arange(2 * N) % 2 == 0, "flat", "none"),
        reason="Flat: falls 1.0 ± 0.5 %, see <limits> & notes.",
        required_slope_pct=4.0,
        shoulder_slope_pct=np.r_[np.nan, np.full(2 * N - 1, 1.0)],
        shoulder_width_m=1.5,
        foreslope_pct=25.0,
        edge_z_m=100.0 + np.repeat(s, 2) * 0.02,
        kerb=0.0,
        edge_found=1.0,
    )
    stations["required_slope_pct"][6] = np.nan
    stations["ditch_blocked"][3] = 1.0
    reaches = filled(
        REACH_COLUMNS,
        3,
        road=ROAD,
        side=np.array(["left", "right", "left"], dtype=object),
        from_m=[1003.0, 995.0, 1062.0],
        to_m=[1062.0, 1115.0, 1115.0],
        length_m=[59.0, 120.0, 53.0],
        finding=np.array(["eroded edge", "none", "can't tell"], dtype=object),
        treatment=np.array(["replenish and clean ditch", "none", "can't tell"], dtype=object),
        reason="Cut yields 0.0 m³ compacted | fill needs 6.0: *replenish*.",
        worst_drop_mm=[70.0, 3.0, np.nan],
        cut_m3=[0.0, np.nan, np.nan],
        fill_m3=[6.0, np.nan, np.nan],
        balance_m3=[-6.0, np.nan, np.nan],
        balance_se=[0.5, np.nan, np.nan],
        import_m3_loose=[7.0, np.nan, np.nan],
        import_t=[12.6, np.nan, np.nan],
        haul_away_m3_loose=[0.0, np.nan, np.nan],
        ditch_clean_m=[40.0, 0.0, 0.0],
        rank=[1, np.nan, np.nan],
    )
    line = np.array([[500003.0, 5400003.5], [500062.0, 5400003.5]])
    # an outline that winds clockwise
    ring = np.array([[0.0, 0.0], [0.0, 5.0], [5.0, 5.0], [5.0, 0.0], [0.0, 0.0]])
    return Findings(
        stations=stations,
        reaches=reaches,
        ponds=filled(POND_COLUMNS, 1, road=ROAD, side="left", depth_mm=30.0, certain=1.0),
        station_xy=xy,
        reach_lines=(line, line + np.array([0.0, -7.0]), line[:1]),
        pond_rings=(ring + np.array([500000.0, 5400000.0]),),
        crs_wkt=UTM_33,
        run={"limits": limits_to_toml(default_limits("gravel")), **run},
    )
