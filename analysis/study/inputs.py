"""Files that a person may add to grid and centreline, and checks before a long job starts."""

import csv
import io
import os
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from analysis.common.errors import OutputError, RoadError, SettingsError
from analysis.common.given_files import read_text
from analysis.common.outputs import check_no_input, check_own
from analysis.common.settings import RoadWidths
from analysis.common.stations import parse_station
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.corridor.values import Extras
from analysis.earthwork.costs import Rates
from analysis.findings.geopackage import check_replaceable
from analysis.road.roadline import Road
from analysis.road.vectors import read_features
from analysis.terrain.grid import Terrain
from analysis.terrain.image import check_image
from analysis.terrain.points import PointFiles, check_same_plane, open_points

__all__ = [
    "KERBS_KNOWN",
    "WIDTH_COLUMNS",
    "check_writable",
    "kept_path",
    "misplaced",
    "read_extras",
    "read_rates",
    "read_widths",
    "sample_files",
]

KERBS_KNOWN = ("none", "unknown")
"""What may be said of a road's kerbs without a file of lines: none stands, or nobody knows."""

WIDTH_COLUMNS = (
    "road",
    "from_m",
    "to_m",
    "pavement_left_m",
    "pavement_right_m",
    "shoulder_left_m",
    "shoulder_right_m",
)


def read_extras(
    grid: Terrain,
    *,
    mask: str | None = None,
    edges: str | None = None,
    widths: str | None = None,
    culverts: str | None = None,
    kerbs: str | None = None,
    points: str | PointFiles | None = None,
    image: str | None = None,
    crs: str | None = None,
    vertical_unit: str | None = None,
) -> Extras:
    """Read whichever of the files are given; None is left empty.

    Points may be named, one file or folder a line, with the coordinate system and vertical unit
    that a person gave for them, or be open already. `kerbs` may also be one of the words of
    `KERBS_KNOWN`.

    Raises
    ------
    RoadError
        If a file can't be read or holds the wrong kind of geometry.
    TerrainError
        If points or the image can't be used on this grid.
    """
    if isinstance(points, str):
        points = open_points(points.splitlines(), crs=crs, vertical_unit=vertical_unit)
    if points is not None:
        check_same_plane(points, grid)
    if image is not None:
        check_image(image, grid)
    inlets = [feature.xy for feature in read_features(culverts, grid, "points")] if culverts else []
    return Extras(
        mask=tuple(f.xy for f in read_features(mask, grid, "areas")) if mask else (),
        edges=tuple(f.xy for f in read_features(edges, grid, "lines")) if edges else (),
        culverts=np.concatenate([np.empty((0, 2)), *inlets]),
        kerbs=_kerbs(grid, kerbs),
        widths=read_widths(widths) if widths else None,
        points=points,
        image=image,
    )


def kept_path(path: str) -> str:
    """What the run record keeps of a file that was added; words about kerbs stay as they are."""
    return path if path in KERBS_KNOWN else os.path.abspath(path)


def _kerbs(grid: Terrain, kerbs: str | None) -> tuple[Floats, ...] | None:
    if kerbs in (None, "unknown"):
        return None
    return () if kerbs == "none" else tuple(f.xy for f in read_features(kerbs, grid, "lines"))


NEAR_ROAD_M = 30.0
"""What lies farther from every road than any ditch does belongs to none of them."""


def misplaced(
    extras: Extras, roads: Sequence[Road], own_widths: Sequence[RoadWidths] = ()
) -> list[str]:
    """Say in sentences which of the added layers and widths touch no road, and so change nothing.

    Parameters
    ----------
    extras
        In the working plane of the roads.
    roads
        All that are screened.
    own_widths
        Widths that single roads have of their own.
    """
    import shapely

    lines = shapely.STRtree([shapely.LineString(road.xy) for road in roads])
    layers: tuple[tuple[str, Sequence[Any]], ...] = (
        ("areas that aren't shoulder", [shapely.Polygon(xy) for xy in extras.mask]),
        ("edge lines", [shapely.LineString(xy) for xy in extras.edges]),
        ("kerbs", [shapely.LineString(xy) for xy in extras.kerbs or ()]),
        ("culverts", [shapely.Point(xy) for xy in extras.culverts]),
    )
    said = []
    for name, shapes in layers:
        near = {int(k) for k in lines.query(shapes, "dwithin", NEAR_ROAD_M)[0]} if shapes else set()
        if len(near) < len(shapes):
            said.append(
                f"Of the {len(shapes)} {name} {len(shapes) - len(near)} lie more than "
                f"{NEAR_ROAD_M:g} m from every road and change nothing: check their coordinate "
                "system and place."
            )
    names = {road.name for road in roads}
    named = {own.road for own in own_widths}
    if extras.widths is not None:
        named |= set(extras.widths["road"]) - {""}
    if strange := sorted(named - names):
        said.append(
            f"The widths name {', '.join(strange)}, which isn't among the roads "
            f"({', '.join(sorted(names))}), and change nothing there."
        )
    return said if extras.widths is None else said + _beyond(extras.widths, roads)


def _beyond(widths: Table, roads: Sequence[Road]) -> list[str]:
    """Say which rows of widths begin and end beyond their roads."""
    ends = {road.name: np.asarray(road.label(np.array([0.0, road.length_m]))) for road in roads}
    out = []
    for name, a, b in zip(widths["road"], widths["from_m"], widths["to_m"], strict=True):
        low, high = min(a, b), max(a, b)
        wanted = [ends[name]] if name in ends else list(ends.values()) if not name else []
        if wanted and not any(low <= e.max() and high >= e.min() for e in wanted):
            out.append(
                f"The widths from {a:g} to {b:g} m lie beyond the road; they change nothing."
            )
    return out


def read_widths(path: str | os.PathLike[str]) -> Table:
    """Read a CSV of widths by station range, with the columns of `WIDTH_COLUMNS`.

    Widths are from the centreline to the pavement edge and from there to the hinge, in metres.
    An empty cell is "not given"; an empty road means every road.

    Raises
    ------
    RoadError
        If the file, a column or a number is missing or wrong, naming the row.
    """
    source = Path(path)
    text = read_text(source, "The widths file", RoadError)
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise RoadError(f"The widths file {source} can't be read: {error}.") from None
    missing = [name for name in WIDTH_COLUMNS if not rows or name not in rows[0]]
    if missing:
        raise RoadError(
            f"The widths file {source.name} lacks the columns {', '.join(missing)}: its first row "
            "must name them, and a row must follow."
        )
    for line, row in enumerate(rows, start=2):
        if None in row:
            raise RoadError(
                f"Row {line} of {source.name} has more cells than the first row names: write "
                "decimals with a point (40.5, not 40,5)."
            )
    columns = {"road": np.array([(row["road"] or "").strip() for row in rows], dtype=object)}
    for name in WIDTH_COLUMNS[1:]:
        columns[name] = np.array(
            [_length(row[name], name, line, source.name) for line, row in enumerate(rows, start=2)]
        )
    return Table(columns)


def _length(text: str | None, name: str, line: int, file: str) -> float:
    text = (text or "").strip()
    is_station = name in ("from_m", "to_m")
    if not text and not is_station:
        return float("nan")
    try:
        value = parse_station(text) if is_station else float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value) or (not is_station and not 0.0 <= value <= 60.0):
        allowed = "a station such as 1+240" if is_station else "a width from 0 to 60 m"
        raise RoadError(f"{name} in row {line} of {file} is {text!r}, but must be {allowed}.")
    return value


def read_rates(path: str | os.PathLike[str]) -> Rates:
    """Read the user's unit rates from a TOML file with the fields of `workplan.Rates`.

    Raises
    ------
    SettingsError
        If the file can't be read, or holds something that isn't a rate.
    """
    source = Path(path)
    known = {f.name for f in fields(Rates)}
    text = read_text(source, "The rates file", SettingsError)
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"The rates file {source.name} can't be read: {error}.") from None
    strange = sorted(set(values) - known)
    if strange:
        raise SettingsError(
            f"{', '.join(strange)} in {source.name} isn't a rate: use {', '.join(sorted(known))}."
        )
    return Rates(**values)


def sample_files() -> tuple[str, str]:
    """Paths of the sample terrain and its centrelines.

    Raises
    ------
    RoadError
        If the installation lacks them.
    """
    from importlib.resources import files

    folder = Path(str(files("sample_terrain"))) / "data"
    found = (folder / "terrain.tif", folder / "roads.gpkg")
    if not all(path.is_file() for path in found):
        raise RoadError("The sample terrain is missing: make it with python -m sample_terrain.")
    return str(found[0]), str(found[1])


def check_writable(
    path: str | os.PathLike[str],
    *,
    suffix: str | None = None,
    inputs: Iterable[str | None] = (),
    kind: str | None = None,
    mend: str = "choose another name, or say --force to replace it",
) -> None:
    """Refuse an output place before an hour of work, not after.

    Parameters
    ----------
    path
        Where a result is to go.
    suffix
        What the name must end in.
    inputs
        Files that were read and must not be overwritten; None is passed over.
    kind
        What is written, as `outputs.is_own` knows it: a file of another kind is refused.
    mend
        What a person can do about a file of another kind.

    Raises
    ------
    OutputError
        If the folder is missing or read-only, the place is a folder, the name doesn't end in
        `suffix`, a GeoPackage there isn't a findings file, or the place is that of an input.
    """
    target = Path(path)
    check_no_input(target, inputs)
    if suffix is not None and target.suffix.lower() != suffix:
        raise OutputError(f"{target.name} can't hold this result: name it {target.stem}{suffix}.")
    folder = target.parent
    if not folder.is_dir():
        raise OutputError(f"The folder {folder} doesn't exist: make it, or choose another.")
    if target.is_dir():
        raise OutputError(f"{target} is a folder: name a file in it.")
    if not os.access(folder, os.W_OK) or (target.exists() and not os.access(target, os.W_OK)):
        raise OutputError(f"{target} can't be written: choose a place you may write to.")
    if target.exists() and not target.is_file():
        raise OutputError(f"{target} is a pipe, device or socket: choose a file name.")
    if suffix == ".gpkg":
        check_replaceable(target)
    elif kind is not None:
        check_own(target, kind, mend)
