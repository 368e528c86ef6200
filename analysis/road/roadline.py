"""Centrelines: stationing, directions, and the map between plane and road.

A road is a polyline in the working plane (metres). Distances ``s`` run from its first
vertex; offsets ``o`` are right positive. Sections stand square to a chord of a few metres
and not to the single segments, so the kinks of a digitised line don't fan them out.
Beyond its ends a road goes on straight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.errors import RoadError, SettingsError
from analysis.common.stations import station_text
from analysis.common.types import Floats
from analysis.road.use import Use, shifted, turned

__all__ = [
    "CHORD_M",
    "SEED_STEP_M",
    "Course",
    "Frames",
    "Road",
    "Tracker",
    "calmed_road",
    "distances",
    "frames",
    "make_road",
    "reversed_road",
    "road_between",
    "road_part",
    "station_grid",
    "to_map",
    "to_road",
]

CHORD_M = 5.0
"""Default chord over which the direction of a section is taken, in metres."""

SEED_STEP_M = 1.0
"""Largest spacing of the points in which the nearest part of a road is looked up, in metres."""


_FEW_POINTS = 1000
_QUERY_POINTS = 500_000
_LEAST_BEND_BASE_M = 1.0
_LEAST_CHORD_M = 1e-3
_LONGEST_CHORD_M = 40.0
_ZIGZAG_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Road:
    """One centreline with its stationing.

    Attributes
    ----------
    name : str
    xy : (m, 2) float64
        Vertices in the working plane, metres; no two neighbours equal.
    distance : (m,) float64
        Distance of each vertex from the first, metres.
    measure : (m,) float64
        Station label at each vertex, metres; strictly rising or strictly falling.
    chord_m : float
        Chord to which sections stand square unless another is asked for, metres.
    uses : tuple of Use
        What the layer tells of traffic, speed and curves, by stretches of the line.
    """

    name: str
    xy: Floats
    distance: Floats
    measure: Floats
    chord_m: float = CHORD_M
    uses: tuple[Use, ...] = ()

    @property
    def length_m(self) -> float:
        """Length of the line in metres."""
        return float(self.distance[-1])

    def label(self, s: ArrayLike) -> Floats:
        """Return station labels (metres) of distances; goes on straight beyond the ends."""
        return _interpolate(np.asarray(s, dtype=float), self.distance, self.measure)

    def at_label(self, station_m: ArrayLike) -> Floats:
        """Return distances along the line (metres) of station labels."""
        wanted = np.asarray(station_m, dtype=float)
        if self.measure[-1] < self.measure[0]:
            return _interpolate(wanted, self.measure[::-1], self.distance[::-1])
        return _interpolate(wanted, self.measure, self.distance)


@dataclass(frozen=True, slots=True)
class Frames:
    """Places and directions along a road, all (n,) float64.

    Attributes
    ----------
    s : distance along the road, m
    x, y : place on the line, m
    tx, ty : unit vector up-station
    curvature : 1/m, positive turns right
    """

    s: Floats
    x: Floats
    y: Floats
    tx: Floats
    ty: Floats
    curvature: Floats


def make_road(
    name: str,
    xy: ArrayLike,
    *,
    measure: ArrayLike | None = None,
    start_m: float = 0.0,
    chord_m: float = CHORD_M,
) -> Road:
    """Build a road from vertices.

    Parameters
    ----------
    name : str
    xy : (m, 2) array
        Vertices in the working plane, metres; repeated neighbours are dropped.
    measure : (m,) array, optional
        Station labels at the vertices, metres. Default: `start_m` plus distance.
    start_m : float, default 0
        Label of the first vertex when there are no measures.
    chord_m : float, default 5
        Chord for the directions of sections, metres.

    Returns
    -------
    Road

    Raises
    ------
    RoadError
        Coordinates that are no numbers, fewer than two different vertices, or measures
        that don't rise or fall all the way.
    """
    points = np.array(xy, dtype=float).reshape(-1, np.shape(xy)[-1] if np.size(xy) else 2)[:, :2]
    if not np.isfinite(points).all():
        bad = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
        raise RoadError(
            f'The road "{name}" has a vertex without a place (number {bad + 1}); mend or delete '
            "that vertex."
        )
    # a hundredth of a millimetre: below that a segment has no direction worth the name
    keep = np.ones(len(points), dtype=bool)
    keep[1:] = np.hypot(*np.diff(points, axis=0).T) > 1e-5
    labels = None if measure is None else np.array(measure, dtype=float)
    if labels is not None:
        labels = labels[keep]
    points = points[keep]
    if len(points) < 2:
        raise RoadError(
            f'The road "{name}" has no length (it needs two different vertices); draw it again.'
        )
    distance = distances(points)
    if labels is None:
        labels = start_m + distance
    step = np.diff(labels)
    if not (np.all(step > 0) or np.all(step < 0)):
        raise RoadError(
            f'The measures of the road "{name}" neither rise nor fall all the way; mend them or '
            "use a start station instead."
        )
    for array in (points, distance, labels):
        array.setflags(write=False)
    return Road(name, points, distance, labels, chord_m)


def distances(xy: Floats) -> Floats:
    """Return the way along a line to each of its vertices (m, 2), from 0."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def reversed_road(road: Road) -> Road:
    """Return the road seen from its other end; labels stay with the ground and so fall."""
    distance = road.distance[-1] - road.distance[::-1]
    uses = turned(road.uses, road.length_m)
    return replace(road, xy=road.xy[::-1], distance=distance, measure=road.measure[::-1], uses=uses)


def road_part(road: Road, station_m: float, reach_m: float) -> tuple[Road, float]:
    """Cut out the road around a station.

    Parameters
    ----------
    road : Road
    station_m : float
        Station label, metres.
    reach_m : float
        Length kept on each side, metres, as far as there is road.

    Returns
    -------
    part : Road
        With the labels it had in the whole road.
    s : float
        Distance of the station along the part, metres.

    Raises
    ------
    RoadError
        The station isn't on the road.
    SettingsError
        A reach that is not positive.
    """
    if not reach_m > 0:
        raise SettingsError(f"The reach around a station must be more than 0 m, not {reach_m}.")
    s = float(road.at_label(station_m))
    if not -1e-6 <= s <= road.length_m + 1e-6:
        low, high = sorted((float(road.measure[0]), float(road.measure[-1])))
        raise RoadError(
            f'The road "{road.name}" has no station {station_text(station_m)}; it runs from '
            f"{station_text(low)} to {station_text(high)}."
        )
    s = min(max(s, 0.0), road.length_m)
    start, end = max(s - reach_m, 0.0), min(s + reach_m, road.length_m)
    return road_between(road, start, end), s - start


def road_between(road: Road, begin_m: float, end_m: float) -> Road:
    """Return a stretch of a road, by distances, under the labels that it has in the whole."""
    inner = (road.distance > begin_m + 1e-5) & (road.distance < end_m - 1e-5)
    at = np.concatenate([[begin_m], road.distance[inner], [end_m]])
    xy = np.column_stack([np.interp(at, road.distance, road.xy[:, i]) for i in (0, 1)])
    part = make_road(road.name, xy, measure=road.label(at), chord_m=road.chord_m)
    return replace(part, uses=shifted(road.uses, -begin_m))


class Course:
    """A road prepared for going from distances along it to places in the plane.

    Parameters
    ----------
    road : Road
    chord_m : float, optional
        Chord for the directions, default the road's own; 0 = direction of the segment itself.
    """

    def __init__(self, road: Road, *, chord_m: float | None = None) -> None:
        chord_m = road.chord_m if chord_m is None else chord_m
        if not (math.isfinite(chord_m) and chord_m >= 0):
            raise SettingsError(f"The chord must be 0 or more metres, not {chord_m}.")
        self.road = road
        self.chord_m = chord_m if chord_m >= _LEAST_CHORD_M else 0.0
        self._half = self.chord_m / 2.0
        self._direction = np.diff(road.xy, axis=0) / np.diff(road.distance)[:, None]

    def _point(self, s: Floats) -> tuple[Floats, Floats]:
        """Return places and segment directions, going on straight beyond the ends."""
        road = self.road
        i = np.searchsorted(road.distance, s, side="right") - 1
        i = np.clip(i, 0, len(self._direction) - 1)
        along = self._direction[i]
        return road.xy[i] + (s - road.distance[i])[..., None] * along, along

    def frames(self, s: ArrayLike) -> Frames:
        """Return places, directions and curvature at distances `s`, (n,) metres.

        Directions are those of the chord centred on the station; with no chord those of the
        segment (the bisector at a vertex).
        """
        at = np.atleast_1d(np.asarray(s, dtype=float))
        place, _ = self._point(at)
        tangent = self._tangent(at)
        base = max(self.chord_m, _LEAST_BEND_BASE_M)
        before, after = self._tangent(at - base / 2.0), self._tangent(at + base / 2.0)
        left_turn = np.arctan2(
            before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)
        )
        x, y, tx, ty = place[:, 0], place[:, 1], tangent[:, 0], tangent[:, 1]
        return Frames(at, x.copy(), y.copy(), tx.copy(), ty.copy(), -left_turn / base)

    def _tangent(self, s: Floats) -> Floats:
        half = max(self._half, 1e-6)
        chord = self._point(s + half)[0] - self._point(s - half)[0]
        length = np.hypot(chord[:, 0], chord[:, 1])
        # a line that doubles back on itself has no chord there: take the segment
        flat = length < 1e-9 * half
        if flat.any():
            chord[flat], length[flat] = self._point(s[flat])[1], 1.0
        return np.asarray(chord / length[:, None])

    def to_map(self, s: ArrayLike, o: ArrayLike) -> tuple[Floats, Floats]:
        """Return plane coordinates, metres, of distances and offsets, broadcast together."""
        s, o = np.broadcast_arrays(np.asarray(s, dtype=float), np.asarray(o, dtype=float))
        place, _ = self._point(s.ravel())
        tangent = self._tangent(s.ravel())
        x = place[:, 0] + o.ravel() * tangent[:, 1]
        y = place[:, 1] - o.ravel() * tangent[:, 0]
        return x.reshape(s.shape), y.reshape(s.shape)


class Tracker(Course):
    """A road prepared for going both ways between plane and road, many times.

    The line is cut wherever the station or one of the chord's ends passes a vertex. Between
    two cuts the place moves along one segment and the chord changes linearly, so the foot of
    a point, where its vector from the line is square to the chord, is the root of a
    quadratic: exact, without iteration.
    """

    def __init__(self, road: Road, *, chord_m: float | None = None) -> None:
        super().__init__(road, chord_m=chord_m)
        from scipy.spatial import cKDTree  # slow to import, and not needed for reading

        half = self._half
        inner = road.distance[1:-1]
        knots = np.unique(np.concatenate([inner, inner - half, inner + half]))
        self._knots = knots
        if len(knots):
            self._origin = np.concatenate(
                [[knots[0] - 1.0], (knots[1:] + knots[:-1]) / 2.0, [knots[-1] + 1.0]]
            )
        else:
            self._origin = np.array([road.length_m / 2.0])
        self._low = np.concatenate([[-np.inf], knots]) - self._origin
        self._high = np.concatenate([knots, [np.inf]]) - self._origin
        self._place, self._along = self._point(self._origin)
        if half > 0:
            ahead, ahead_along = self._point(self._origin + half)
            behind, behind_along = self._point(self._origin - half)
            self._chord, self._turn = ahead - behind, ahead_along - behind_along
        else:
            self._chord, self._turn = self._along.copy(), np.zeros_like(self._along)
        self._along_chord = (self._along * self._chord).sum(axis=1)
        self._along_turn = (self._along * self._turn).sum(axis=1)
        count = max(math.ceil(road.length_m / SEED_STEP_M), 1) + 1
        self.seed_s = np.linspace(0.0, road.length_m, count)
        self.seed_xy = self._point(self.seed_s)[0]
        self.seeds = cKDTree(self.seed_xy)

    @cached_property
    def seed_spread(self) -> tuple[Floats, Floats]:
        """What `spread` gives of all seeds."""
        return self.spread(self.seed_s)

    def seed(self, x: Floats, y: Floats) -> Floats:
        """Return the distance along the road of the nearest seed point, (n,) metres."""
        _, nearest = self.seeds.query(np.column_stack([x, y]))
        return np.asarray(self.seed_s[nearest], dtype=float)

    def to_road(
        self, x: ArrayLike, y: ArrayLike, *, seed: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Return distances and offsets (right positive) of plane coordinates, all metres.

        Where several parts of the road could claim a point (hairpins, loops, crossings), the
        nearest one gets it. Points beyond the ends get distances below 0 or above the length;
        NaN gives NaN. `seed` gives a distance near the foot of each point and saves the search
        for it.
        """
        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        shape = x.shape
        x, y = x.ravel(), y.ravel()
        s, o = np.full(x.shape, np.nan), np.full(x.shape, np.nan)
        known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        for start in range(0, len(known), _QUERY_POINTS):
            part = known[start : start + _QUERY_POINTS]
            first = self.seed(x[part], y[part]) if seed is None else seed.ravel()[part]
            foot, away = self._foot(x[part], y[part], first)
            if self.chord_m == 0.0:
                foot, away = self._nearer_foot(x[part], y[part], foot, away)
            s[part], o[part] = foot, away
        return s.reshape(shape), o.reshape(shape)

    def _nearer_foot(self, x: Floats, y: Floats, s: Floats, o: Floats) -> tuple[Floats, Floats]:
        """Look on both sides of a foot for a nearer one.

        Inside a vertex both segments have a foot for the same point, and with no chord
        nothing favours either but the distance.
        """
        for side in (-1.0, 1.0):
            reach = np.maximum(np.abs(o), SEED_STEP_M)
            other, away = self._foot(x, y, s + side * reach)
            better = np.abs(away) < np.abs(o)
            s, o = np.where(better, other, s), np.where(better, away, o)
        return s, o

    def _foot(self, x: Floats, y: Floats, first: Floats) -> tuple[Floats, Floats]:
        piece = np.searchsorted(self._knots, first, side="right")
        # loading the compiler takes longer than a few points do
        return self._feet(x, y, piece) if len(x) < _FEW_POINTS else self._many_feet(x, y, piece)

    def _many_feet(self, x: Floats, y: Floats, piece: NDArray[np.intp]) -> tuple[Floats, Floats]:
        from analysis.road.foot_kernels import Cuts, find_feet

        cuts = Cuts(
            self._origin,
            self._low,
            self._high,
            self._place,
            self._along,
            self._chord,
            self._turn,
            self._along_chord,
            self._along_turn,
        )
        s, o = np.empty(len(x)), np.empty(len(x))
        find_feet(x, y, piece, cuts, s, o)
        return s, o

    def _feet(self, x: Floats, y: Floats, piece: NDArray[np.intp]) -> tuple[Floats, Floats]:
        at_knot = np.zeros(len(x), dtype=bool)
        open_ = np.arange(len(x))
        heading = np.zeros(len(x), dtype=np.int8)
        while len(open_):
            i = piece[open_]
            c0, c1, c2 = self._quadratic(x[open_], y[open_], i)
            low, high = self._low[i], self._high[i]
            with np.errstate(invalid="ignore"):
                at_low = np.where(np.isinf(low), 1.0, c0 + low * (c1 + low * c2))
                at_high = np.where(np.isinf(high), -1.0, c0 + high * (c1 + high * c2))
            move = np.where(at_high > 0, 1, np.where(at_low < 0, -1, 0)).astype(np.int8)
            # with no chord the direction jumps at a vertex: a point in the wedge outside the
            # bend is sent to and fro, and its foot is the vertex
            turned = move * heading[open_] < 0
            at_knot[open_[turned]] = True
            piece[open_[turned & (move > 0)]] += 1
            go = (move != 0) & ~turned
            heading[open_[go]] = move[go]
            piece[open_[go]] += move[go]
            open_ = open_[go]
        c0, c1, c2 = self._quadratic(x, y, piece)
        root = np.sqrt(np.maximum(c1 * c1 - 4.0 * c2 * c0, 0.0))
        below = root - c1
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(below > 1e-12, 2.0 * c0 / below, (-c1 - root) / (2.0 * c2))
        t = np.clip(np.nan_to_num(t), self._low[piece], self._high[piece])
        t[at_knot] = self._low[piece[at_knot]]
        place = self._place[piece] + t[:, None] * self._along[piece]
        chord = self._chord[piece] + t[:, None] * self._turn[piece]
        length = np.hypot(chord[:, 0], chord[:, 1])
        wx, wy = x - place[:, 0], y - place[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            o = (wx * chord[:, 1] - wy * chord[:, 0]) / length
        if at_knot.any():
            o[at_knot] = np.copysign(np.hypot(wx, wy), o)[at_knot]
        return self._origin[piece] + t, o

    def _quadratic(
        self, x: Floats, y: Floats, piece: NDArray[np.intp]
    ) -> tuple[Floats, Floats, Floats]:
        place, chord, turn = self._place[piece], self._chord[piece], self._turn[piece]
        wx, wy = x - place[:, 0], y - place[:, 1]
        c0 = wx * chord[:, 0] + wy * chord[:, 1]
        c1 = wx * turn[:, 0] + wy * turn[:, 1] - self._along_chord[piece]
        return c0, c1, -self._along_turn[piece]

    def spread(self, s: ArrayLike) -> tuple[Floats, Floats]:
        """Return how neighbouring sections spread with the offset.

        Parameters
        ----------
        s : (n,) array
            Distances, metres.

        Returns
        -------
        a, b : (n,) float64
            ``a - b*o`` is the way along the road at offset `o` per metre of line. Where it
            is not positive, sections have crossed.
        """
        at = np.atleast_1d(np.asarray(s, dtype=float))
        piece = np.searchsorted(self._knots, at, side="right")
        t = (at - self._origin[piece])[:, None]
        chord = self._chord[piece] + t * self._turn[piece]
        length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-12)
        along, turn = self._along[piece], self._turn[piece]
        a = (along * chord).sum(axis=1) / length
        b = (chord[:, 1] * turn[:, 0] - chord[:, 0] * turn[:, 1]) / length**2
        return a, b


def calmed_road(road: Road, half_width_m: float) -> Road:
    """Lengthen the chord of a line that zigzags, such as one driven with a receiver.

    Sections of a zigzag line cross near by, to either side in turn. The chord is doubled, up
    to 40 m, as long as that rids at least half of the stations of crossings; in a true hairpin
    it wouldn't, and the chord stays.

    Parameters
    ----------
    road : Road
    half_width_m : float
        Offset up to which crossings count, metres.

    Returns
    -------
    Road
    """
    s = np.arange(0.0, road.length_m, 1.0)

    def crossing(chord_m: float) -> float:
        a, b = Tracker(road, chord_m=chord_m).spread(s)
        return float(np.mean(a - np.abs(b) * half_width_m <= 0.0)) if len(s) else 0.0

    chord_m, share = road.chord_m, crossing(road.chord_m)
    while share > _ZIGZAG_SHARE and chord_m < _LONGEST_CHORD_M:
        longer = crossing(2.0 * chord_m)
        if longer > share / 2.0:
            break
        chord_m, share = 2.0 * chord_m, longer
    return replace(road, chord_m=chord_m)


def frames(road: Road, s: ArrayLike) -> Frames:
    """Return places, directions and curvature along a road; see `Course.frames`."""
    return Course(road).frames(s)


def to_road(road: Road, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """Return road coordinates of points of the plane; see `Tracker.to_road`."""
    return Tracker(road).to_road(x, y)


def to_map(road: Road, s: ArrayLike, o: ArrayLike) -> tuple[Floats, Floats]:
    """Return plane coordinates of road coordinates; see `Course.to_map`."""
    return Course(road).to_map(s, o)


def station_grid(road: Road, spacing_m: float) -> Floats:
    """Return distances of the round station labels of a road.

    Parameters
    ----------
    road : Road
    spacing_m : float
        Spacing of the labels, metres.

    Returns
    -------
    (n,) float64
        Distances (ascending) where the label is a multiple of the spacing.

    Raises
    ------
    SettingsError
        A spacing that is not positive.
    """
    if not (math.isfinite(spacing_m) and spacing_m > 0):
        raise SettingsError(f"The station spacing must be more than 0 m, not {spacing_m}.")
    low, high = sorted((float(road.measure[0]), float(road.measure[-1])))
    slack = 1e-9 * max(abs(low), abs(high), 1.0)
    first, last = math.ceil((low - slack) / spacing_m), math.floor((high + slack) / spacing_m)
    s = road.at_label(np.arange(first, last + 1) * spacing_m)
    return np.sort(np.clip(s, 0.0, road.length_m))


def _interpolate(wanted: Floats, known: Floats, values: Floats) -> Floats:
    """Interpolate; beyond the ends one metre of `known` is one metre of `values`."""
    sense = 1.0 if values[-1] > values[0] else -1.0
    inside = np.interp(wanted, known, values)
    beyond = np.minimum(wanted - known[0], 0.0) + np.maximum(wanted - known[-1], 0.0)
    return np.asarray(inside + sense * beyond)
