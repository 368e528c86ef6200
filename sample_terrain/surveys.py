"""Surveys as they are made: points with sideways error, strips and grass, and grids made of them.

`sample_terrain.cells` hands out area means of the true ground, which no survey does. Here the
ground is hit by points, some of them stopped by grass, in strips that don't quite agree; a grid
comes from joining points to triangles, from their means, or from another grid.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sample_terrain.axis import Axis
from sample_terrain.cells import Frame, frame_around
from sample_terrain.spec import Spec, build_surface

__all__ = [
    "GRIDDINGS",
    "Grass",
    "Points",
    "Strip",
    "hit_ground",
    "mean_grid",
    "repeated",
    "resampled",
    "triangle_grid",
    "turned",
]


@dataclass(frozen=True, slots=True)
class Grass:
    """Grass that the ground filter left on one shoulder: points stop above the ground there.

    Heights over the ground are exponential with mean `height_m`, in patches along the road that
    cover `share` of the stretch.
    """

    side: int
    begin_m: float
    end_m: float
    height_m: float = 0.03
    share: float = 1.0 / 3.0
    patch_m: float = 15.0


@dataclass(frozen=True, slots=True)
class Strip:
    """One flight or drive past: the offsets that it covers and how far its heights are off."""

    from_o_m: float = -1e3
    to_o_m: float = 1e3
    level_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Points:
    """Ground points of a survey; arrays (m,).

    Attributes
    ----------
    x, y, z
        As the survey reports them, metres.
    strip : int
        Which strip each comes from.
    intensity
        Strength of the return, 0 to 1: asphalt dark, gravel and grass bright, with scatter.
    """

    x: NDArray
    y: NDArray
    z: NDArray
    strip: NDArray
    intensity: NDArray

    def part(self, keep: NDArray) -> "Points":
        """Return the points `keep`, a mask or indices."""
        return Points(*(getattr(self, name)[keep] for name in self.__slots__))


def hit_ground(
    spec: Spec,
    *,
    density_per_m2: float = 8.0,
    sideways_m: float = 0.08,
    sigma_m: float = 0.02,
    strips: tuple[Strip, ...] = (Strip(),),
    grass: tuple[Grass, ...] = (),
    half_width_m: float = 25.0,
    seed: int = 0,
) -> Points:
    """Survey a road with points at random places.

    Parameters
    ----------
    spec : Spec
        Its `holes` get no points; its `obstacles` are taken out of the ground, holes stay.
    density_per_m2 : float
        Ground points per square metre of all strips together where they overlap.
    sideways_m : float
        Standard deviation of the error of each place, per axis.
    sigma_m : float
        White noise of the heights.
    strips, grass
    half_width_m : float
        Points farther from the axis are left out.
    seed : int

    Returns
    -------
    Points
    """
    rng = np.random.default_rng([seed, 7])
    axis, surface = spec.axis(), build_surface(spec)
    parts = []
    each = density_per_m2 / len(strips)
    for number, strip in enumerate(strips):
        low, high = max(strip.from_o_m, -half_width_m), min(strip.to_o_m, half_width_m)
        count = rng.poisson(each * axis.length_m * (high - low))
        s = rng.uniform(0.0, axis.length_m, count)
        o = rng.uniform(low, high, count)
        z = surface.height(s, o) + strip.level_m + sigma_m * rng.standard_normal(count)
        for patch in grass:
            z += _grass_over(patch, spec, surface.value, surface.crown_offset, s, o, rng)
        keep = np.ones(count, dtype=bool)
        for hole in spec.holes:
            keep &= ~(
                (s >= hole.begin_m) & (s <= hole.end_m) & (o >= hole.from_o_m) & (o <= hole.to_o_m)
            )
        x, y = axis.to_map(s, o)
        x, y = (v + sideways_m * rng.standard_normal(count) for v in (x, y))
        side = (o > surface.crown_offset(s)).astype(int)
        edge = np.where(side == 1, surface.value("edge", s, 1), surface.value("edge", s, 0))
        paved = (np.abs(o - surface.crown_offset(s)) < edge) & (not spec.unpaved)
        bright = np.where(paved, 0.25, 0.6) + 0.12 * rng.standard_normal(count)
        found = Points(x, y, z, np.full(count, number), np.clip(bright, 0.0, 1.0))
        parts.append(found.part(keep))
    return Points(*(np.concatenate([getattr(p, n) for p in parts]) for n in Points.__slots__))


def _grass_over(
    grass: Grass,
    spec: Spec,
    value: Callable[..., NDArray],
    crown: Callable[[NDArray], NDArray],
    s: NDArray,
    o: NDArray,
    rng: np.random.Generator,
) -> NDArray:
    """How far above the ground each point was stopped, metres."""
    u = (o - crown(s)) * (1.0 if grass.side else -1.0) - value("edge", s, grass.side)
    on = (u > 0.0) & (u < value("width", s, grass.side) + 1.0)
    on &= (s >= grass.begin_m) & (s <= grass.end_m)
    cell = (s // grass.patch_m).astype(int)
    patches = int(spec.length_m // grass.patch_m) + 1
    grown = rng.random(patches) < grass.share
    on &= grown[np.clip(cell, 0, patches - 1)]
    return np.where(on, rng.exponential(grass.height_m, s.size), 0.0)


def triangle_grid(points: Points, frame: Frame) -> NDArray:
    """Join points to triangles (Delaunay) and read them at the cell centres, (rows, cols).

    The common way to publish a terrain model. Holes are bridged by long flat facets, as there.
    """
    import shapely
    from scipy.interpolate import LinearNDInterpolator

    west, north = frame.west, frame.north
    at = np.column_stack([points.x - west, points.y - north])
    x, y = np.meshgrid(frame.centres()[0] - west, frame.centres()[1] - north)
    # a place in no triangle is sought in all of them: most of a grid along a winding road is
    hull = shapely.convex_hull(shapely.multipoints(at))
    shapely.prepare(hull)
    inside = shapely.contains_xy(hull, x, y)
    z = np.full(x.shape, np.nan)
    z[inside] = LinearNDInterpolator(at, points.z)(x[inside], y[inside])
    return z


def mean_grid(points: Points, frame: Frame) -> NDArray:
    """Return the mean height of the points in each cell, NaN where there is none."""
    col = np.floor((points.x - frame.west) / frame.cell_m).astype(int)
    row = np.floor((frame.north - points.y) / frame.cell_m).astype(int)
    inside = (col >= 0) & (col < frame.cols) & (row >= 0) & (row < frame.rows)
    at = row[inside] * frame.cols + col[inside]
    size = frame.rows * frame.cols
    count = np.bincount(at, minlength=size)
    total = np.bincount(at, weights=points.z[inside], minlength=size)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, total / count, np.nan).reshape(frame.rows, frame.cols)


def repeated(z: NDArray, frame: Frame, times: int = 2) -> tuple[NDArray, Frame]:
    """Cut every cell in `times` × `times` cells of its own height: more cells, no more news."""
    fine = np.repeat(np.repeat(z, times, axis=0), times, axis=1)
    return fine, replace(frame, cell_m=frame.cell_m / times, rows=fine.shape[0], cols=fine.shape[1])


def resampled(z: NDArray, frame: Frame, times: int = 2) -> tuple[NDArray, Frame]:
    """Read a grid by bilinear interpolation at cells `times` finer."""
    fine = replace(
        frame, cell_m=frame.cell_m / times, rows=frame.rows * times, cols=frame.cols * times
    )
    x, y = fine.centres()
    return _bilinear(z, frame, *np.meshgrid(x, y)), fine


def turned(
    z: NDArray, frame: Frame, axis: Axis, angle_deg: float = 30.0, margin_m: float = 25.0
) -> tuple[NDArray, Frame, Callable[[NDArray, NDArray], tuple[NDArray, NDArray]]]:
    """Read a grid by bilinear interpolation on a grid turned about its corner.

    Returns
    -------
    z, frame, move
        Heights and frame in the turned plane, and the map from the old plane into it: the road
        has to be turned with the grid.
    """
    turn = np.radians(angle_deg)
    c, q = np.cos(turn), np.sin(turn)

    def move(x: NDArray, y: NDArray) -> tuple[NDArray, NDArray]:
        dx, dy = np.asarray(x) - frame.west, np.asarray(y) - frame.north
        return frame.west + c * dx - q * dy, frame.north + q * dx + c * dy

    x, y = move(axis.x, axis.y)
    new = frame_around([replace(axis, x=x, y=y)], margin_m, frame.cell_m)
    at_x, at_y = np.meshgrid(*new.centres())
    dx, dy = at_x - frame.west, at_y - frame.north
    return (
        _bilinear(z, frame, frame.west + c * dx + q * dy, frame.north - q * dx + c * dy),
        new,
        move,
    )


def _bilinear(z: NDArray, frame: Frame, x: NDArray, y: NDArray) -> NDArray:
    from scipy.ndimage import map_coordinates

    col = (x - frame.west) / frame.cell_m - 0.5
    row = (frame.north - y) / frame.cell_m - 0.5
    return np.asarray(map_coordinates(z, [row, col], order=1, cval=np.nan))


GRIDDINGS: dict[str, Callable[[Points, Frame], NDArray]] = {
    "triangles": triangle_grid,
    "means": mean_grid,
}
"""Ways from points to a grid."""
