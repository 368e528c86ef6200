"""Measure road shoulders on a terrain grid, and say where they no longer shed water.

This is what a script needs; the window and the commands stand on the same functions. Open a
terrain (`open_terrain`), read roads into its plane (`read_roads`), screen them (`screen`), judge
again under other limits without measuring (`rejudge`), measure one road again after correcting its
breaks (`remeasure`), screen again those whose own widths changed (`screen_again`), pick what is
asked for (`selected`; what a reviewer rejected always stays behind), hand the findings out
(`write_findings`, `write_geojson`, `write_gpx`, `write_kml`, `write_csv`, `write_reach_csv`) and
read them back (`read_findings`). What can be wrong with an input is told in one sentence by a
`VergelineError`. Nothing here imports Qt.

Lengths are metres, slopes percent (positive falls outward), drops millimetres (positive = shoulder
lower than the pavement). NaN is unknown, and unknown is never sound.

Findings are a screening from the air: check with a camber board before work is ordered, and only
under traffic control. Local codes and licensed practice rule over every number.

Examples
--------
>>> import analysis
>>> terrain, centrelines = analysis.sample_files()
>>> grid = analysis.open_terrain(terrain)
>>> main_road, lane = analysis.read_roads(centrelines, grid)
>>> study = analysis.screen(grid, [lane])
>>> reaches = study.findings.reaches
>>> first = reaches.where(reaches["rank"] == 1).row(0)
>>> print(first["verdict"], first["treatment"], sep=": ")
won't shed: replenish

A bolder agency acts on less certainty, and fewer reaches stay open:

>>> def still_open(study):
...     return int((study.findings.reaches["verdict"] == "can't tell").sum())
>>> bolder = analysis.rejudge(study, study.limits.with_value("certainty", 0.6))
>>> still_open(bolder) < still_open(study)
True
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.common.errors import (
        Cancelled,
        LimitsError,
        OutputError,
        ReadingsError,
        RoadError,
        SettingsError,
        TerrainError,
        VergelineError,
    )
    from analysis.common.limits import Limits, default_limits, read_limits, write_limits
    from analysis.common.settings import RoadWidths, Settings
    from analysis.common.table import Table
    from analysis.corridor.values import Extras
    from analysis.findings.exports import write_csv, write_geojson, write_reach_csv
    from analysis.findings.geopackage import Findings, read_findings, write_findings
    from analysis.findings.gpx import write_gpx
    from analysis.findings.kml import write_kml
    from analysis.findings.selecting import Selection, selected
    from analysis.road.read_roads import read_roads
    from analysis.road.roadline import Road
    from analysis.study.inputs import read_extras, sample_files
    from analysis.study.judging import rejudge, remeasure
    from analysis.study.screening import screen, screen_again
    from analysis.study.values import RoadStudy, Study
    from analysis.terrain.grid import Terrain, open_terrain

__all__ = [
    "Cancelled",
    "Extras",
    "Findings",
    "Limits",
    "LimitsError",
    "OutputError",
    "ReadingsError",
    "Road",
    "RoadError",
    "RoadStudy",
    "RoadWidths",
    "Selection",
    "Settings",
    "SettingsError",
    "Study",
    "Table",
    "Terrain",
    "TerrainError",
    "VergelineError",
    "default_limits",
    "open_terrain",
    "read_extras",
    "read_findings",
    "read_limits",
    "read_roads",
    "rejudge",
    "remeasure",
    "sample_files",
    "screen",
    "screen_again",
    "selected",
    "write_csv",
    "write_findings",
    "write_geojson",
    "write_gpx",
    "write_kml",
    "write_limits",
    "write_reach_csv",
]

# Not imported before they are asked for, so that `vergeline --help` answers at once.
__getattr__ = handing_out(
    __name__,
    {
        "common.errors": "Cancelled LimitsError OutputError ReadingsError RoadError SettingsError "
        "TerrainError VergelineError",
        "common.limits": "Limits default_limits read_limits write_limits",
        "common.settings": "RoadWidths Settings",
        "common.table": "Table",
        "corridor.values": "Extras",
        "findings.exports": "write_csv write_geojson write_reach_csv",
        "findings.geopackage": "Findings read_findings write_findings",
        "findings.gpx": "write_gpx",
        "findings.kml": "write_kml",
        "findings.selecting": "Selection selected",
        "road.read_roads": "read_roads",
        "road.roadline": "Road",
        "study.inputs": "read_extras sample_files",
        "study.judging": "rejudge remeasure",
        "study.screening": "screen screen_again",
        "study.values": "RoadStudy Study",
        "terrain.grid": "Terrain open_terrain",
    },
)


def __dir__() -> list[str]:
    return [*globals(), *__all__]
