"""Centrelines and other lines, areas and points from map files, in the working plane."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.common.errors import RoadError, SettingsError
from analysis.common.stations import parse_station
from analysis.common.types import Floats
from analysis.common.units import METRES_PER_FOOT, METRES_PER_MILE
from analysis.road.roadline import (
    CHORD_M,
    Road,
    calmed_road,
    distances,
    make_road,
    reversed_road,
    road_between,
)
from analysis.road.trimming import BEYOND_M, check_drawn, stretches_on, thinned
from analysis.road.use import Use, UseFields, read_use, shifted, turned
from analysis.road.vectors import Layer, Raw, parts_of, touches
from analysis.terrain.grid import Terrain

__all__ = ["read_roads"]

_NAME_FIELDS = (
    *("name", "road", "road_name", "roadname", "street", "full_name", "ref"),
    *("route", "route_id", "road_id", "id"),
)
_START_FIELDS = ("start_m", "from_m", "begin_m", "start_station", "from_station")
# ends closer than this are one point: centrelines are never digitised finer
_SAME_POINT_M = 0.02
# no road runs straight for so long
_LONGEST_SEGMENT_M = 300_000.0
# metres, feet, kilometres and miles
_MEASURE_UNITS_M = (1.0, METRES_PER_FOOT, 1000.0, METRES_PER_MILE)
_MEASURE_FIT = 0.1
_CALM_WITHIN_M = 15.0
_MEASURE_GAP_M = 1.0
# lines this close for so long are one road digitised twice, and no crossing
_ALIKE_M, _SHARED_M = 2.0, 30.0


@dataclass(frozen=True, slots=True)
class _Part:
    """A stretch of road on its way to becoming a `Road`."""

    name: str
    xy: Floats
    measure: Floats | None
    uses: tuple[Use, ...] = ()

    def turned(self) -> _Part:
        measure = None if self.measure is None else self.measure[::-1]
        return _Part(self.name, self.xy[::-1], measure, turned(self.uses, self.length_m))

    @property
    def length_m(self) -> float:
        return float(distances(self.xy)[-1])


def read_roads(
    path: str | os.PathLike[str],
    terrain: Terrain,
    *,
    layer: str | None = None,
    name_field: str | None = None,
    start_m: float = 0.0,
    reverse: bool = False,
    crs: str | None = None,
    use_measures: bool = True,
    use_fields: UseFields = UseFields(),  # noqa: B008 - frozen
    notes: list[str] | None = None,
    left_out: list[Road] | None = None,
) -> tuple[Road, ...]:
    """Read road centrelines into the working plane of a terrain grid.

    Stretches of one name that meet end to end become one road; what stays apart becomes
    ``name (2)`` and so on. Station labels come from M values (GeoPackage, shapefile) or
    from a start field such as ``start_m``, else from `start_m`. A line that zigzags gets a
    longer chord (`calmed_road`). Roads that don't touch the grid are left out as long as one
    does, and so is what runs on far beyond it. Vertices that crowd are thinned.

    Parameters
    ----------
    path : path
        Any vector file that fiona reads.
    terrain : Terrain
        Settles the working plane.
    layer : str, optional
        Layer of the file; needed when it holds several with lines.
    name_field : str, optional
        Field with the road's name; found by itself if called name, road, ref, id or alike.
    start_m : float, default 0
        Label of the first vertex of roads that bring no labels of their own.
    reverse : bool, default False
        Run the roads against the direction they were drawn in.
    crs : str, optional
        Coordinate system of the lines, for a file that has none or a wrong one.
    use_measures : bool, default True
        False ignores M values and start fields.
    use_fields : UseFields, optional
        Fields with traffic, speed and curves, by which reaches are ranked.
    notes : list of str, optional
        Sentences about what was assumed or left out are appended here.
    left_out : list of Road, optional
        Roads that don't touch the grid are appended here.

    Returns
    -------
    tuple of Road
        At least one.

    Raises
    ------
    RoadError
        Missing or unreadable file, unknown layer or field, no lines, a line without two
        different vertices, coordinates that are no numbers, no road on the grid, unusable
        measures.

    Examples
    --------
    >>> from analysis import open_terrain, read_roads, sample_files
    >>> terrain, centrelines = sample_files()
    >>> [road.name for road in read_roads(centrelines, open_terrain(terrain))]
    ['Velmarrow Road', 'Quillhanger Lane']
    """
    told = notes if notes is not None else []
    source = Layer(path, terrain, "lines", layer=layer, crs=crs, notes=told)
    field = _name_field(source.fields, name_field, source.text)
    parts: list[_Part] = []
    for raw in source.features:
        made = _parts(source, raw, _name(raw.properties, field), use_measures, told)
        parts += [
            replace(part, uses=read_use(raw.properties, use_fields, part.length_m, source.text))
            for part in made
        ]
    if not parts:
        if source.features:
            raise RoadError(
                f"The lines in {source.text} have no length (each needs two different "
                "vertices); draw the centreline again."
            )
        raise RoadError(f"The layer of lines in {source.text} is empty; draw the centreline first.")
    source.check_overlap(part.xy for part in parts)
    roads: list[Road] = []
    taken: set[str] = set()
    for part in _named(_joined(_each_once(parts, told)), source.stem):
        if not touches(terrain, part.xy):
            told.append(f'The road "{part.name}" doesn\'t touch the terrain grid; left out.')
            if left_out is not None:
                left_out.append(make_road(part.name, part.xy))
            continue
        labelled = part.measure is not None
        xy = part.xy[::-1] if reverse and not labelled else part.xy
        uses = turned(part.uses, part.length_m) if reverse and not labelled else part.uses
        road = make_road(part.name, xy, measure=part.measure, start_m=start_m)
        road = replace(road, uses=uses)
        for near in _near(reversed_road(road) if reverse and labelled else road, terrain, told):
            calm = calmed_road(near, _CALM_WITHIN_M)
            if calm.chord_m > CHORD_M:
                told.append(
                    f'The line of "{calm.name}" zigzags; its sections are squared to a chord of '
                    f"{calm.chord_m:g} m."
                )
            roads.append(replace(calm, name=_free(calm.name, taken)))
            taken.add(roads[-1].name)
    told += _overlaps(roads)
    return tuple(roads)


def _near(road: Road, terrain: Terrain, told: list[str]) -> Iterator[Road]:
    """Give the stretches of a road that lie on the grid or not far beyond it."""
    stretches = stretches_on(road, terrain)
    left_m = road.length_m - sum(end - begin for begin, end in stretches)
    if left_m < BEYOND_M:
        yield road
        return
    told.append(
        f'The road "{road.name}" runs on beyond the terrain grid: {left_m / 1000:.1f} km that lie '
        f"more than {BEYOND_M / 1000:g} km from it are left out."
    )
    for begin, end in stretches:
        yield road_between(road, begin, end)


def _each_once(parts: list[_Part], told: list[str]) -> list[_Part]:
    """Leave out lines that are there twice under one name, in whichever direction."""
    out: list[_Part] = []
    for part in parts:
        like = (p for p in out if p.name == part.name and p.xy.shape == part.xy.shape)
        if any(
            np.allclose(p.xy, xy, rtol=0.0, atol=_SAME_POINT_M)
            for p in like
            for xy in (part.xy, part.xy[::-1])
        ):
            told.append(f'A line of "{part.name}" is there twice; the second is left out.')
        else:
            out.append(part)
    return out


def _overlaps(roads: list[Road]) -> list[str]:
    """Say which roads run on the same ground, where work would be counted twice."""
    if len(roads) < 2:
        return []
    import shapely

    lines = [shapely.LineString(road.xy).simplify(0.5) for road in roads]
    tree, said = shapely.STRtree(lines), []
    # the same line drawn twice, a hand's breadth apart, needn't cross itself
    for i, j in tree.query(lines, "dwithin", distance=_ALIKE_M).T.tolist():
        if i < j:
            length_m = lines[i].intersection(lines[j].buffer(_ALIKE_M)).length
            if length_m > _SHARED_M:
                said.append(
                    f'The roads "{roads[i].name}" and "{roads[j].name}" run on the same ground '
                    f"for {length_m:.0f} m, where their work is counted twice; leave one out."
                )
    return said


def _parts(
    source: Layer, raw: Raw, name: str, use_measures: bool, told: list[str]
) -> Iterator[_Part]:
    """Give the lines of a feature with the labels that the file has for them."""
    measures = source.measures(raw) if use_measures else None
    start = _start(raw.properties, source.text) if use_measures else None
    called = name or source.stem
    for i, line in enumerate(parts_of(raw.geometry, "lines")):
        xy = source.place(line)
        if len(xy) < 2 or not np.any(np.hypot(*np.diff(xy, axis=0).T) > 1e-5):
            told.append(f'A line of "{called}" in {source.text} has no length; left out.')
            continue
        _check_gaps(xy, called, source.text)
        measure = None
        if measures is not None:
            measure = _measure_in_metres(measures[i], xy, called, source.text)
        vertices = len(xy)
        xy, measure = thinned(xy, measure)
        if len(xy) < vertices:
            told.append(
                f'The line of "{called}" has {vertices} vertices, many of them within a hand\'s '
                f"breadth; {len(xy)} are kept."
            )
        check_drawn(called, xy)
        if measure is None and start is not None:
            measure = start + distances(xy)
            start = float(measure[-1])
        yield _Part(name, xy, measure)


def _check_gaps(xy: Floats, name: str, text: str) -> None:
    """Refuse a line with a stray vertex, such as one at 0, 0."""
    longest = float(np.hypot(*np.diff(xy, axis=0).T).max())
    if longest > _LONGEST_SEGMENT_M:
        raise RoadError(
            f'Two neighbouring vertices of "{name}" in {text} lie {longest / 1000:.0f} km apart; '
            "mend or delete the stray one."
        )


def _name_field(fields: list[str], wanted: str | None, text: str) -> str | None:
    if wanted is not None:
        if wanted not in fields:
            raise RoadError(
                f'The file {text} has no field "{wanted}"; it has {", ".join(fields) or "none"}.'
            )
        return wanted
    lower = {field.lower(): field for field in reversed(fields)}
    return next((lower[name] for name in _NAME_FIELDS if name in lower), None)


def _name(properties: dict[str, Any], field: str | None) -> str:
    value = properties.get(field) if field is not None else None
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip()


def _start(properties: dict[str, Any], text: str) -> float | None:
    lower = {key.lower(): value for key, value in properties.items()}
    for field in _START_FIELDS:
        value = lower.get(field)
        if value is None or value == "":
            continue
        try:
            number = parse_station(value) if isinstance(value, str) else float(value)
        except (SettingsError, TypeError, ValueError) as error:
            raise RoadError(
                f'The start station "{value}" in the field {field} of {text} is no station; write '
                "it in metres or like 2+340."
            ) from error
        if math.isfinite(number):
            return number
    return None


def _measure_in_metres(m: Floats, xy: Floats, name: str, text: str) -> Floats | None:
    """Return station labels in metres from M values in a unit found from the line's length."""
    known = np.isfinite(m)
    # a line with a dimension for M but nothing in it (all zero, or empty) has no measures
    if known.sum() < 2 or np.ptp(m[known]) == 0:
        return None
    along = distances(xy)
    first, last = np.flatnonzero(known)[[0, -1]]
    ratio = abs(m[last] - m[first]) / max(along[last] - along[first], 1e-9)
    for unit_m in _MEASURE_UNITS_M:
        if abs(ratio * unit_m - 1.0) <= _MEASURE_FIT:
            values = np.interp(along, along[known], m[known]) * unit_m
            sense = math.copysign(1.0, m[last] - m[first])
            values[:first] = values[first] - sense * (along[first] - along[:first])
            values[last + 1 :] = values[last] + sense * (along[last + 1 :] - along[last])
            return np.asarray(values)
    raise RoadError(
        f'The measures of "{name}" in {text} run from {m[first]:g} to {m[last]:g} over '
        f"{along[last] - along[first]:.0f} m, which is neither metres, feet, kilometres nor miles; "
        "mend them or read the road without its measures."
    )


def _joined(parts: list[_Part]) -> list[_Part]:
    """Join stretches of one name where just two of them meet."""
    out: list[_Part] = []
    names = list(dict.fromkeys(part.name for part in parts))
    for name in names:
        group: list[_Part | None] = [part for part in parts if part.name == name]
        while _join_once(group):
            pass
        out += [part for part in group if part is not None]
    return out


def _join_once(group: list[_Part | None]) -> bool:
    """Join what can be joined in one pass over the ends; tell whether anything was."""
    ends: list[tuple[int, bool, Floats]] = []
    for i, part in enumerate(group):
        if part is not None:
            ends += [(i, False, part.xy[0]), (i, True, part.xy[-1])]
    if len(ends) < 4:
        return False
    places = np.array([end[2] for end in ends])
    from scipy.spatial import cKDTree

    near = cKDTree(places).query_ball_point(places, _SAME_POINT_M)
    used: set[int] = set()
    joined = False
    for meeting in near:
        if len(meeting) != 2:
            continue
        (i, i_last, _), (j, j_last, _) = ends[meeting[0]], ends[meeting[1]]
        if i == j or i in used or j in used:
            continue
        one, two = group[i], group[j]
        if one is None or two is None:
            continue
        if i_last:
            whole = _end_to_start(one, two if not j_last else two.turned())
        else:
            # the stretch that comes first in the file keeps its direction
            whole = _end_to_start(two if j_last else two.turned(), one)
        if whole is not None:
            group[i], group[j] = whole, None
            used |= {i, j}
            joined = True
    return joined


def _end_to_start(one: _Part, two: _Part) -> _Part | None:
    xy = np.concatenate([one.xy, two.xy[1:]])
    uses = one.uses + shifted(two.uses, one.length_m)
    if one.measure is None and two.measure is None:
        return _Part(one.name, xy, None, uses)
    if one.measure is None or two.measure is None:
        return None
    if abs(one.measure[-1] - two.measure[0]) > _MEASURE_GAP_M:
        return None
    measure = np.concatenate([one.measure, two.measure[1:]])
    step = np.diff(measure)[np.hypot(*np.diff(xy, axis=0).T) > 1e-5]
    if not (np.all(step > 0) or np.all(step < 0)):
        return None
    return _Part(one.name, xy, measure, uses)


def _named(parts: list[_Part], stem: str) -> Iterator[_Part]:
    """Give each road a name of its own."""
    taken: set[str] = set()
    for part in parts:
        name = _free(part.name or stem, taken)
        taken.add(name)
        yield replace(part, name=name)


def _free(base: str, taken: set[str]) -> str:
    """Return the first of ``name``, ``name (2)``, ... that isn't taken."""
    name, count = base, 1
    while name in taken:
        count += 1
        name = f"{base} ({count})"
    return name
