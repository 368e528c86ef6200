"""Findings of a network with much work, made without any screening."""

import numpy as np

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.limits import default_limits, limits_to_toml
from analysis.findings.geopackage import Findings
from tests.builders.tables import filled
from tests.builders.work import reaches_at_random
from tests.builders.work_findings import UTM_33

_SAME = (
    *("side", "from_m", "to_m", "length_m", "treatment", "import_m3_loose", "import_t"),
    *("haul_away_m3_loose", "ditch_clean_m", "rank", "harm_class", "harm"),
)


def network_findings(
    n: int = 320, name: str = "Upper Thornwick and Velmarrow Parish Road"
) -> Findings:
    """Straight roads side by side, 40 reaches with work on each, of every class of harm."""
    made, name = reaches_at_random(n, seed=8), "Upper Thornwick and Velmarrow Parish Road"
    roads = list(dict.fromkeys(reach.road for reach in made))
    across = np.array([350.0 * roads.index(reach.road) for reach in made])
    side = np.array([-3.5 if reach.side == "left" else 3.5 for reach in made])
    given = {field: [getattr(reach, field) for reach in made] for field in _SAME}
    reaches = filled(
        REACH_COLUMNS,
        n,
        road=[f"{name} {roads.index(reach.road) + 1}" for reach in made],
        finding=np.where(np.arange(n) % 2, "kerb or high shoulder", "reversed").astype(object),
        verdict="won't shed",
        cut_m3=[reach.cut_m3_bank for reach in made],
        fill_m3=[reach.fill_m3_compacted for reach in made],
        worst_drop_mm=20.0,
        **given,
    )
    lines = tuple(
        np.column_stack([500000.0 + np.array([r.from_m, r.to_m]), np.full(2, 5.4e6 + y - o)])
        for r, y, o in zip(made, across, side, strict=True)
    )
    return Findings(
        stations=filled(STATION_COLUMNS, 0),
        reaches=reaches,
        ponds=filled(POND_COLUMNS, 0),
        station_xy=np.empty((0, 2)),
        reach_lines=lines,
        pond_rings=(),
        crs_wkt=UTM_33,
        run={"limits": limits_to_toml(default_limits("gravel")), "terrain": "/data/network.vrt"},
    )
