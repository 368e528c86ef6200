"""What the map draws, worked out in a worker: lines, stations and ponds in map coordinates.

`QPainterPath` and `QRectF` are plain values that any thread may make; nothing else of Qt is used.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainterPath

from analysis.common.sides import SIDE_SIGN
from analysis.common.verdicts import Verdict
from gui.map.finding_marks import Mark, marks_of
from gui.state.runner import Progress

if TYPE_CHECKING:
    from analysis.road.roadline import Road, Tracker
    from analysis.study.relief import Relief
    from analysis.terrain.grid import Terrain
    from gui.state.loaded import Loaded

__all__ = [
    "VERDICTS",
    "MapLayers",
    "Piece",
    "RoadLayer",
    "map_layers",
    "pieces_of",
    "relief_layers",
]

VERDICTS: tuple[str, ...] = tuple(Verdict)
# Points per piece of a long line: only pieces under the view are drawn.
PIECE_POINTS = 400

# Box, path, and the group of pens that it takes.
Piece = tuple[QRectF, QPainterPath, int]


@dataclass(frozen=True, slots=True)
class RoadLayer:
    """One road on the map; everything minus the local origin, metres.

    `edge`, `hinge` and `ditch` hold one (n, 2) line for left and right, `stations` is (n, 2, 2)
    (station, side, x and y), `verdict` (n, 2) indexes `VERDICTS`, `s` is (n,).
    """

    name: str
    line: NDArray[Any]
    tracker: Tracker | None
    s: NDArray[Any]
    station_m: NDArray[Any]
    stations: NDArray[Any]
    verdict: NDArray[Any]
    edge: tuple[NDArray[Any], ...] = ()
    hinge: tuple[NDArray[Any], ...] = ()
    ditch: tuple[NDArray[Any], ...] = ()


@dataclass(frozen=True, slots=True)
class MapLayers:
    """All that lies on the terrain. `origin` was subtracted from every coordinate."""

    origin: tuple[float, float] = (0.0, 0.0)
    roads: tuple[RoadLayer, ...] = ()
    reach_lines: tuple[NDArray[Any], ...] = ()
    pond_rings: tuple[NDArray[Any], ...] = ()
    marks: tuple[Mark, ...] = ()
    road_pieces: list[Piece] = field(default_factory=list)
    break_pieces: list[Piece] = field(default_factory=list)
    reach_pieces: list[Piece] = field(default_factory=list)
    pond_pieces: list[Piece] = field(default_factory=list)

    @property
    def bounds(self) -> tuple[float, float, float, float] | None:
        """West, south, east, north of all roads, or None without any."""
        boxes = [
            road.line if len(road.line) else road.stations.reshape(-1, 2) for road in self.roads
        ]
        points = [box for box in boxes if len(box)]
        if not points:
            return None
        low = np.min([np.nanmin(p, axis=0) for p in points], axis=0)
        high = np.max([np.nanmax(p, axis=0) for p in points], axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def map_layers(
    progress: Progress,
    terrain: Terrain | None,
    roads: tuple[Road, ...],
    loaded: Loaded | None,
    origin: tuple[float, float],
) -> MapLayers:
    """Work out everything the map draws for the roads and the findings."""
    shift = np.array(origin)
    made = []
    if loaded is None:
        made = [_bare(road, shift) for road in roads]
        return MapLayers(origin, tuple(made), road_pieces=_road_pieces(made))
    scale = terrain.xy_unit_m if terrain is not None else 1.0
    found = loaded.findings
    points = found.station_xy * scale - shift
    codes = np.full(len(found.stations), len(VERDICTS) - 1, dtype=np.int8)
    for code, name in enumerate(VERDICTS):
        codes[found.stations["verdict"] == name] = code
    by_name = {road.name: road for road in roads}
    for number, index in enumerate(loaded.index):
        progress(number / max(len(loaded.index), 1), index.name)
        stations, verdict = points[index.rows], codes[index.rows]
        part = loaded.study.roads[number] if loaded.study is not None else None
        road = part.road if part is not None else by_name.get(index.name)
        bare = _bare(road, shift) if road is not None else None
        edge = tuple(stations[:, side] for side in (0, 1))
        hinge: tuple[NDArray[Any], ...] = ()
        ditch: tuple[NDArray[Any], ...] = ()
        if part is not None and bare is not None and bare.tracker is not None:
            hinge, ditch = (
                tuple(
                    np.column_stack(bare.tracker.to_map(part.s, SIDE_SIGN[side] * u[:, side]))
                    - shift
                    for side in (0, 1)
                )
                for u in (part.breaks.hinge, part.breaks.ditch)
            )
        made.append(
            RoadLayer(
                index.name,
                bare.line if bare is not None else np.empty((0, 2)),
                bare.tracker if bare is not None else None,
                index.distance_m,
                index.station_m,
                stations,
                verdict,
                edge,
                hinge,
                ditch,
            )
        )
    # Roads opened after the screening come last, so that the numbers of the others stay theirs.
    screened = {index.name for index in loaded.index}
    made.extend(_bare(road, shift) for road in roads if road.name not in screened)
    lines = tuple(line * scale - shift for line in found.reach_lines)
    rings = tuple(ring * scale - shift for ring in found.pond_rings)
    groups = {name: code for code, name in enumerate(VERDICTS)}
    verdicts = [groups.get(name, len(VERDICTS) - 1) for name in found.reaches["verdict"]]
    return MapLayers(
        origin,
        tuple(made),
        lines,
        rings,
        marks_of(found.reaches, lines),
        _road_pieces(made),
        pieces_of(
            (line, group)
            for road in made
            for group, sides in enumerate((road.edge, road.hinge, road.ditch))
            for line in sides
        ),
        pieces_of(zip(lines, verdicts, strict=True)),
        pieces_of(((ring, 0) for ring in rings), closed=True),
    )


def _road_pieces(roads: list[RoadLayer]) -> list[Piece]:
    return pieces_of((road.line, 0) for road in roads)


def pieces_of(lines: Iterable[tuple[NDArray[Any], int]], *, closed: bool = False) -> list[Piece]:
    """Cut (m, 2) lines into pieces with boxes; gaps (NaN) stay gaps. Rings are kept whole."""
    from pyqtgraph.functions import arrayToQPath

    made: list[Piece] = []
    for points, group in lines:
        step = len(points) if closed else PIECE_POINTS
        for start in range(0, len(points) - 1, max(step, 1)):
            part = points[start : start + step + 1]
            known = part[np.isfinite(part).all(axis=1)]
            if len(known) < 2:
                continue
            low, high = known.min(axis=0), known.max(axis=0)
            # A line straight along an axis would have an empty box, which meets no view.
            box = QRectF(low[0] - 0.5, low[1] - 0.5, high[0] - low[0] + 1.0, high[1] - low[1] + 1.0)
            x = np.ascontiguousarray(part[:, 0], dtype=float)
            y = np.ascontiguousarray(part[:, 1], dtype=float)
            path = arrayToQPath(x, y, connect="finite")
            if closed:
                path.closeSubpath()
            made.append((box, path, group))
    return made


def _bare(road: Road, shift: NDArray[Any]) -> RoadLayer:
    from analysis.road.roadline import Tracker

    return RoadLayer(
        road.name,
        road.xy - shift,
        Tracker(road),
        np.empty(0),
        np.empty(0),
        np.empty((0, 2, 2)),
        np.empty((0, 2), dtype=np.int8),
    )


def relief_layers(progress: Progress, loaded: Loaded) -> list[tuple[Relief, Tracker]]:
    """Work out the height above the pavement along every road."""
    from analysis.road.roadline import Tracker
    from analysis.study.relief import pavement_heights

    if loaded.study is None:
        return []
    made = []
    for number, part in enumerate(loaded.study.roads):
        progress(number / len(loaded.study.roads), part.road.name)
        made.append((pavement_heights(part), Tracker(part.road)))
    return made
