"""What a findings file says of how it was made, so that the same can be screened again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from analysis.common.errors import OutputError
from analysis.common.limits import Limits, limits_from_toml
from analysis.common.settings import Settings
from analysis.findings.geopackage import Findings

__all__ = ["Job", "job_of"]


@dataclass(frozen=True, slots=True)
class Job:
    """What it takes to run a screening again."""

    terrain_path: str
    road_path: str
    layer: str | None
    vertical_unit: str | None
    reverse: bool
    start_m: float
    settings: Settings
    limits: Limits
    warp: bool = False
    crs: str | None = None
    road_crs: str | None = None
    name_field: str | None = None
    use_measures: bool = True
    extras: Mapping[str, str] = field(default_factory=dict)


def job_of(findings: Findings, path: str) -> Job:
    """What a findings file says it was made from; relative paths start at the file's folder.

    Raises
    ------
    OutputError
        If the run record lacks what a screening needs.
    """
    run = findings.run
    folder = Path(path).resolve().parent
    try:
        return Job(
            terrain_path=str(folder / str(run["terrain"])),
            road_path=str(folder / str(run["centreline"])),
            layer=run.get("centreline_layer") or None,
            vertical_unit=run.get("vertical_unit") or None,
            reverse=bool(run.get("reverse") or False),
            start_m=float(run.get("start_m") or 0.0),
            settings=Settings.from_json(str(run["settings"])),
            limits=limits_from_toml(str(run["limits"])),
            warp=bool(run.get("warped_to")),
            crs=run.get("crs_given") or None,
            road_crs=run.get("centreline_crs") or None,
            name_field=run.get("name_field") or None,
            use_measures=bool(run.get("use_measures", True)),
            extras={
                name: str(folder / str(run[name]))
                for name in ("mask", "edges", "widths", "culverts")
                if run.get(name)
            },
        )
    except KeyError as error:
        raise OutputError(
            f"The run record of {Path(path).name} lacks {error.args[0]}: open the terrain and the "
            "centreline yourself and screen again."
        ) from error
