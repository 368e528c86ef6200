"""What the strips of a survey have in common along a road: their levels, gains and density.

A road is told of stretch by stretch, so that its length costs no memory. What is summed up of a
stretch is small: how its strips stand to each other, and counts of points and of intensities.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.common.types import Floats
from analysis.corridor.values import Strips
from analysis.terrain.points import Points

__all__ = ["StripTally"]

_ALONG_M, _LANE_M = 10.0, 2.0
_LEAST_OF_A_STRIP = 4
_SCARCE_M = 2.0


class StripTally:
    """Sums over the points along a road, a stretch at a time, in order along it.

    Stretches must meet at multiples of 10 m: shorter pieces of road aren't cut.
    """

    def __init__(self) -> None:
        self._shades: dict[int, _Shades] = {}
        self._met: list[_Met] = []
        self._first_s = np.nan
        self._counts: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self._corner = (np.inf, -np.inf)

    def __bool__(self) -> bool:
        return bool(self._shades)

    def add(self, s: Floats, o: Floats, points: Points, pavement_m: float) -> None:
        """Add the points of a stretch, sorted along the road.

        Parameters
        ----------
        s, o : (m,)
            Where they lie, distances along the road and offsets, metres.
        points : Points
        pavement_m : float
            Usual width of the pavement, where strips are compared.
        """
        if not len(s):
            return
        west, north = self._corner
        self._corner = min(west, float(points.x.min())), max(north, float(points.y.max()))
        near = np.abs(o) <= 0.5 * pavement_m
        ids, strip = np.unique(points.strip, return_inverse=True)
        for k, name in enumerate(ids.tolist()):
            own = strip == k
            shades = self._shades.setdefault(name, _Shades())
            shades.add(points.intensity[own], points.intensity[own & near])
        s, o, z, strip = s[near], o[near], points.z[near], strip[near]
        if not len(s):
            return
        if np.isnan(self._first_s):
            self._first_s = float(s[0])
        counts = np.bincount(((s - self._first_s) / _ALONG_M).astype(np.int64))
        self._counts = _summed(self._counts, counts)
        if len(ids) > 1:
            self._met.append(_meeting(s, o, z, ids, strip))

    def told(self, pavement_m: float) -> Strips:
        """What the points that were added say; at least one was."""
        ids = np.array(sorted(self._shades), dtype=np.uint16)
        usual = np.array([self._shades[name].usual for name in ids.tolist()])
        # how bright anything is tells nothing where all is equally bright
        ends = np.array([self._shades[name].ends for name in ids.tolist()]).T / usual
        known = ends[:, np.isfinite(usual)]
        bright = bool(known.size and known.max() > known.min())
        return Strips(ids, self._levels(ids), usual, bright, self._room_m(pavement_m), self._corner)

    def _levels(self, ids: NDArray[np.uint16]) -> Floats:
        """How far each strip stands above the mean of those that it meets, metres.

        Pieces of lane give them by least squares; a strip that meets no other stays as it is.
        """
        normal, pull = np.zeros((len(ids), len(ids))), np.zeros(len(ids))
        for met in self._met:
            at = np.searchsorted(ids, met.ids)
            normal[np.ix_(at, at)] += met.normal
            pull[at] += met.pull
        return np.asarray(np.linalg.pinv(normal, rcond=1e-9, hermitian=True) @ pull)

    def _room_m(self, pavement_m: float) -> float:
        """Side of the square that a point of the pavement has to itself, where they are scarce."""
        counts = self._counts[self._counts > 0]
        if not len(counts):
            return _SCARCE_M
        density = float(np.quantile(counts, 0.25)) / (_ALONG_M * pavement_m)
        return float(1.0 / np.sqrt(density))


@dataclass(slots=True)
class _Shades:
    """How often each intensity came in a strip: on the pavement, else, until it is met, anywhere.

    Files keep intensities as whole numbers below 65536 (LAS 1.4 R15, 2.6), so that the counts give
    the very median of the points.
    """

    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    on_pavement: bool = False
    ends: tuple[float, float] = (np.inf, -np.inf)

    def add(self, everywhere: NDArray[np.float32], near: NDArray[np.float32]) -> None:
        low, high = self.ends
        self.ends = min(low, float(everywhere.min())), max(high, float(everywhere.max()))
        if near.size and not self.on_pavement:
            self.on_pavement, self.counts = True, np.zeros(0, dtype=np.int64)
        chosen = near if self.on_pavement else everywhere
        self.counts = _summed(self.counts, np.bincount(chosen.astype(np.int64)))

    @property
    def usual(self) -> float:
        """The median; NaN where that is 0, which says that nothing was recorded."""
        total = np.cumsum(self.counts)
        middle = (int(total[-1]) - 1) // 2, int(total[-1]) // 2
        value = float(np.searchsorted(total, middle, side="right").mean())
        return value if value > 0.0 else np.nan


@dataclass(frozen=True, slots=True)
class _Met:
    """How the strips (k,) of a stretch stand to each other: normal equations of their levels."""

    ids: NDArray[np.uint16]
    normal: Floats
    pull: Floats


def _meeting(
    s: Floats, o: Floats, z: Floats, ids: NDArray[np.uint16], strip: NDArray[np.intp]
) -> _Met:
    """Compare the strips of a stretch where they meet.

    Short pieces of one lane are fitted by a surface that bends across, with a level of its own for
    each strip.
    """
    count = len(ids)
    normal, pull = np.zeros((count, count)), np.zeros(count)
    piece = np.floor(s / _ALONG_M).astype(np.int64) * 1000 + np.floor(o / _LANE_M).astype(np.int64)
    order = np.argsort(piece, kind="stable")
    first = np.flatnonzero(np.diff(piece[order], prepend=np.iinfo(np.int64).min))
    for here in np.split(order, first[1:]):
        names, own, hits = np.unique(strip[here], return_inverse=True, return_counts=True)
        enough = (hits >= _LEAST_OF_A_STRIP)[own]
        if (hits >= _LEAST_OF_A_STRIP).sum() < 2:
            continue
        here, own = here[enough], own[enough]
        of = (own[:, None] == np.unique(own)).astype(float)
        x, t = (v[here] - v[here].mean() for v in (o, s))
        bend, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x, x * x, t]))
        apart, height = of - bend @ (bend.T @ of), z[here] - z[here].mean()
        height = height - bend @ (bend.T @ height)
        level = np.linalg.lstsq(apart, height, rcond=1e-6)[0]
        rest = height - apart @ level
        variance = (1.4826 * np.median(np.abs(rest))) ** 2 + 1e-8
        at = names[np.unique(own)]
        normal[np.ix_(at, at)] += apart.T @ apart / variance
        pull[at] += apart.T @ height / variance
    return _Met(ids, normal, pull)


def _summed(before: NDArray[np.int64], more: NDArray[np.int64]) -> NDArray[np.int64]:
    """Counts of both; either may be the longer one."""
    out = np.zeros(max(len(before), len(more)), dtype=np.int64)
    out[: len(before)] = before
    out[: len(more)] += more
    return out
