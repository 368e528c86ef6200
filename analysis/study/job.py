"""What findings say of how they were made, so that the same can be screened again."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common.along import known_median
from analysis.common.errors import OutputError, VergelineError
from analysis.common.limits import Limits, limits_from_toml, limits_to_toml
from analysis.common.settings import Settings
from analysis.common.types import Floats
from analysis.corridor.values import Case
from analysis.findings.geopackage import Findings
from analysis.road.use import UseFields
from analysis.shoulder.resolving import grain_text, resolving_of, road_resolving_text
from analysis.shoulder.seam import seam_text
from analysis.study.grid_tells import grid_tells, tells_text
from analysis.study.inputs import KERBS_KNOWN
from analysis.study.values import RoadStudy
from analysis.terrain.grid import Terrain, checksum
from analysis.terrain.point_grid import is_plane_of
from analysis.terrain.tiles import is_tiles
from analysis.verdict.door import usual_text

__all__ = ["Job", "RoadTold", "job_of", "limits_record", "run_record", "terrain_sum", "told_of"]


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
    use_fields: UseFields = UseFields()  # noqa: RUF009 - frozen
    extras: Mapping[str, str] = field(default_factory=dict)
    surveyed: str = ""


@dataclass(frozen=True, slots=True)
class RoadTold:
    """What the record of a run keeps of one road; `sigma_m` (n,) is the noise at its stations."""

    name: str
    length_m: float
    sigma_m: Floats
    noise_source: str
    resolving: str
    usual: str


def told_of(part: RoadStudy) -> RoadTold:
    """What the record of a run keeps of a road."""
    noise = part.measured.shoulder.noise
    power = road_resolving_text(resolving_of(part.measures, noise))
    return RoadTold(
        part.road.name,
        part.road.length_m,
        noise.sigma_m,
        noise.source,
        f"{power} {grain_text(part.case.grain, part.ground.cells.cell_m)} "
        f"{tells_text(grid_tells(part))} {seam_text(part.measured.seam)}".rstrip(),
        usual_text(part.case, part.measured),
    )


def terrain_sum(grid: Terrain) -> str:
    """Fingerprint of a grid's file, as the record of a run keeps it; empty where it has none."""
    whole = Path(grid.path).is_file() or is_tiles(grid.path)
    return checksum(grid.path) if whole else ""


def run_record(
    case: Case,
    told: Sequence[RoadTold],
    sources: Mapping[str, Any],
    terrain_sum: Callable[[Terrain], str] = terrain_sum,
) -> dict[str, Any]:
    """What the run layer of the findings keeps; `sources` says where the roads came from.

    `case` is that of any road: what is kept of it is the same for all. `terrain_sum` may have been
    begun before.
    """
    grid = case.grid
    try:
        own = version("vergeline")
    except PackageNotFoundError:
        own = "not installed"
    return {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "vergeline": own,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "terrain": str(Path(grid.path).resolve()) if Path(grid.path).exists() else grid.path,
        "terrain_checksum": terrain_sum(grid),
        "crs_wkt": grid.crs_wkt,
        "cell_m": grid.cell_m,
        "vertical_unit_m": grid.z_unit_m,
        "vertical_unit_source": grid.z_unit_source,
        "warped_to": grid.warp_crs or "",
        **_points_record(case),
        **sources,
        "roads": [road.name for road in told],
        "length_m": float(sum(road.length_m for road in told)),
        "stations": sum(len(road.sigma_m) for road in told),
        "noise_median_m": known_median(np.concatenate([road.sigma_m for road in told])),
        "noise_source": told[0].noise_source,
        "resolving": [f"{road.name}: {road.resolving}" for road in told],
        "usual": [f"{road.name}: {road.usual}" for road in told],
        "settings": case.settings.to_json(),
        "road_widths": _own_widths(case.settings),
        **limits_record(case.limits),
    }


def _own_widths(settings: Settings) -> list[str]:
    """Widths of single roads in words, a road a line."""
    widths = [(own.road, *settings.widths_of(own.road)) for own in settings.road_widths]
    return [f"{road}: pavement {wide:g} m, shoulder {narrow:g} m" for road, wide, narrow in widths]


def _points_record(case: Case) -> dict[str, str]:
    """What it keeps of the points; a grid that was made of them is named as they are."""
    points = case.extras.points
    if points is None:
        return {}
    record = {
        "points": "\n".join(str(Path(path).resolve()) for path in points.paths),
        "points_checksum": "\n".join(checksum(path) for path in points.paths),
    }
    made = case.grid.held is not None or is_plane_of(points, case.grid)
    return {**record, "terrain": record["points"], "terrain_checksum": ""} if made else record


def limits_record(limits: Limits) -> dict[str, Any]:
    """What it keeps of the limits."""
    return {"surface": limits.surface, "limits": limits_to_toml(limits)}


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
            terrain_path=_paths_from(folder, run["terrain"]),
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
            use_fields=UseFields(
                *(run.get(f"{what}_field") or None for what in ("traffic", "speed", "curve"))
            ),
            extras={
                name: _paths_from(folder, run[name])
                for name in ("mask", "edges", "widths", "culverts", "points", "image", "kerbs")
                if run.get(name)
            },
            surveyed=str(run.get("surveyed") or ""),
        )
    except (TypeError, ValueError, OverflowError) as error:
        if isinstance(error, VergelineError):
            raise
        raise OutputError(
            f"The run record of {Path(path).name} can't be understood ({error}): open the terrain "
            "and the centreline yourself and screen again."
        ) from error
    except KeyError as error:
        raise OutputError(
            f"The run record of {Path(path).name} lacks {error.args[0]}: open the terrain and the "
            "centreline yourself and screen again."
        ) from error


def _paths_from(folder: Path, told: object) -> str:
    """Paths, one a line, those that are relative from a folder; a word about kerbs stays."""
    if told in KERBS_KNOWN:
        return str(told)
    return "\n".join(str(folder / line) for line in str(told).splitlines())
