"""Ponds on the ribbon that are deeper than noise makes by chance.

Noise digs pits and builds dams: on a bare fill of a noisy ribbon two cells in five stand
under water. A real pond is longer along the road than a pit of noise, so the ribbon is
averaged along the road over a few lengths, each average is filled, and a depression counts
where it is deeper than noise alone makes at that length. How deep that is depends on the
road (a pit in a flat ditch is easier to dig than one on a steep shoulder), so it is found on
the road itself: its own ground, drained, with made noise of its own size on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import average_along, interpolate_along, known_median, rows_for
from analysis.common.types import Floats, Progress, share_of
from analysis.water.chance import ChanceLevel, NoiseKind, chance_level
from analysis.water.filling import fill_bounds, holes, spill_cell
from analysis.water.outlets import AVERAGE_M, Basin, Outlets
from analysis.water.zones import SHOULDER, WHERE, Zoned, roughness

if TYPE_CHECKING:
    from analysis.corridor.values import Ribbon
    from analysis.shoulder.values import Noise

__all__ = ["LEAST_DEPTH_M", "WINDOWS_M", "Pits", "Ponds", "find_pits", "find_ponds"]


WINDOWS_M = (1.5, 2.5, 5.0, 10.0, 20.0)
"""Averaging lengths along the road: noise wants long ones, short ponds want short ones."""

LEAST_DEPTH_M = 0.005
"""Shallower ponds are left out whatever the noise."""

# Smaller ponds are left out whatever the noise; what is only possible has to be larger.
_LEAST_AREA_M2, _LEAST_DOUBT_M2 = 0.5, 4.0
_SEED = 20_000  # same input, same level
_CLEAR = 1.5
DOUBT_HOLE = "cells without data may hide the way out"
DOUBT_OUTLET = (
    "it would drown the pavement, so there is an outlet that the grid doesn't show "
    "or the road floods"
)
DOUBT_KERB = "it stands against a kerb, whose inlets the grid doesn't show"
DOUBT_CROSSING = "it stands behind a crossing of the ditch, which may have a culvert"
_EIGHT = np.ones((3, 3), bool)


@dataclass(frozen=True, slots=True)
class Ponds:
    """Depressions that hold water, one row each; m ponds.

    Attributes
    ----------
    s, o : ndarray, shape (m,)
        Deepest point.
    from_s, to_s : ndarray, shape (m,)
        Extent along the road.
    side : ndarray of int8, shape (m,)
        0 left, 1 right of the crown, by the pond's middle.
    where : ndarray of object, shape (m,)
        One of `WHERE`: the zone that holds most of the water.
    depth_mm, depth_most_mm : ndarray, shape (m,)
        Greatest depth that is certain, and the greatest that is possible with what holes and
        culverts may hide. NaN in the first: can't tell whether there is a pond at all. inf
        in the second: holes shut off every way out.
    chance_mm : ndarray, shape (m,)
        Depth that noise alone makes there; every reported pond is deeper.
    area_m2, volume_m3 : ndarray, shape (m,)
        True to the bend of the road.
    level_m : ndarray, shape (m,)
        Height of the full pond's surface.
    spill_s, spill_o : ndarray, shape (m,)
        Where it overflows.
    certain, touches_unknown : ndarray of bool, shape (m,)
        Certain: holds water whatever holes and culverts hide. Touches: a hole is next to it.
    doubt : ndarray of object, shape (m,)
        Why it isn't certain, in words; "" where it is.
    average_m : ndarray, shape (m,)
        Averaging length at which it stood out best.
    outlines : tuple of ndarray (p, 2)
        Closed ring of (s, o) around each pond's cells.
    labels : ndarray of int32, shape (n, k)
        Pond number + 1 on each cell of the ribbon, 0 elsewhere.
    chance : ChanceLevel
        The noise level that was used.
    """

    s: Floats
    o: Floats
    from_s: Floats
    to_s: Floats
    side: NDArray[np.int8]
    where: NDArray[np.object_]
    depth_mm: Floats
    depth_most_mm: Floats
    chance_mm: Floats
    area_m2: Floats
    volume_m3: Floats
    level_m: Floats
    spill_s: Floats
    spill_o: Floats
    certain: NDArray[np.bool_]
    doubt: NDArray[np.object_]
    touches_unknown: NDArray[np.bool_]
    average_m: Floats
    outlines: tuple[Floats, ...]
    labels: NDArray[np.int32]
    chance: ChanceLevel

    def __len__(self) -> int:
        return self.s.size


@dataclass(slots=True)
class _Candidate:
    """One depression at one averaging length."""

    score: float
    window: int
    cells: NDArray[np.intp]  # flat indices, deepest first
    depth: Floats
    level: float
    chance: float
    spill: int
    doubt: str = ""

    @property
    def certain(self) -> bool:
        return not self.doubt


@dataclass(frozen=True, slots=True)
class Pits:
    """Depressions deeper than noise digs them, before it is known what stands in them.

    Attributes
    ----------
    found
        At every averaging length.
    most
        The greatest depth that is possible where holes leave a doubt, by averaging length.
    chance
        The noise level that was used.
    """

    found: tuple[_Candidate, ...]
    most: dict[int, Floats]
    chance: ChanceLevel


def find_pits(
    zoned: Zoned, noise: Noise, *, cell_m: float, outlets: Outlets, progress: Progress | None = None
) -> Pits:
    """Find the depressions of the ribbon that are deeper than noise explains.

    Parameters
    ----------
    zoned, noise
        The road's ribbon with its zones, and its noise.
    cell_m : float
        Size of the grid's cells, metres.
    outlets : Outlets
        Where water leaves besides the borders.
    progress : callable, optional
        Called with a fraction and a few words; may raise to cancel.
    """
    ribbon, breaks = zoned.ribbon, zoned.breaks
    longest = max(1, ribbon.s.size // 2)
    windows_m = tuple(w for w in WINDOWS_M if rows_for(w, ribbon.step_s) <= longest)
    windows_m = windows_m or (float(ribbon.step_s),)
    sigma = np.maximum(interpolate_along(ribbon.s, breaks.s, noise.sigma_m), 1e-6)
    sigma = np.where(np.isfinite(sigma), sigma, known_median(noise.sigma_m))
    local = sigma[:, None] * roughness(ribbon.z, zoned.zone, ribbon.step_s)
    report = share_of(progress, 0.0, 1.0)
    report(0.0, "finding what noise alone would pond")
    kind = NoiseKind.of(noise, cell_m, seed=_SEED)
    chance = chance_level(zoned, local, outlets, windows_m, kind)
    found, most = _depressions(zoned, local, outlets, chance, report)
    return Pits(tuple(found), most, chance)


def find_ponds(
    zoned: Zoned,
    pits: Pits,
    *,
    curvature: Floats,
    outlets: Outlets,
    crossings: Floats,
    kerb: NDArray[np.bool_],
) -> Ponds:
    """Tell which pits are ponds, and what is certain of them.

    Parameters
    ----------
    zoned, pits
        The road's ribbon with its zones, and what was found in it.
    curvature : ndarray, shape (n,)
        Of the centreline at the ribbon's rows, 1/m, positive turns right: cells outside a
        bend are longer than the step.
    outlets : Outlets
        Where water leaves besides the borders.
    crossings : ndarray, shape (c, 3)
        Crossings of the ditch as (side, from s, to s), see `Ditch`: a pond that spills over
        one may be drained by a culvert in it.
    kerb : ndarray, shape (stations, 2)
        Where a kerb stands at the edge.

    Returns
    -------
    Ponds
        Ordered along the road.
    """
    ribbon, chance = zoned.ribbon, pits.chance
    flat = ribbon.step_s * ribbon.step_o
    # rows fan out on the outside of a bend
    area = flat * np.maximum(1.0 - ribbon.o[None, :] * curvature[:, None], 0.0)
    half_rows = [rows_for(window, ribbon.step_s) // 2 for window in chance.windows_m]
    chosen = _best(pits.found, area, half_rows)
    chosen += [_drowned(basin) for basin in outlets.basins]
    _doubt_crossings(chosen, ribbon, crossings)
    _doubt_kerbs(chosen, zoned, kerb)
    return _table(zoned, chosen, area, pits.most, chance)


def _depressions(
    zoned: Zoned, local: Floats, outlets: Outlets, chance: ChanceLevel, report: Progress
) -> tuple[list[_Candidate], dict[int, Floats]]:
    """Depressions deeper than chance at every averaging length.

    Where holes leave a doubt about the level, also the greatest depth that is possible, by
    averaging length.
    """
    z, zone = zoned.ribbon.z, zoned.zone
    cell_sigma = np.take_along_axis(local, zone.astype(np.intp), axis=1)
    found: list[_Candidate] = []
    most: dict[int, Floats] = {}
    for w, window in enumerate(chance.windows_m):
        report(0.2 + 0.6 * w / len(chance.windows_m), "filling depressions")
        rows = rows_for(window, zoned.ribbon.step_s)
        ground, spread = average_along(z, rows)
        least_level, most_level = fill_bounds(ground, outlets=outlets.on_average(rows))
        limit = np.maximum(chance.per_sigma[w][zone] * cell_sigma * spread, LEAST_DEPTH_M)
        found += _candidates(ground, least_level, limit, w, None)
        if most_level is not least_level:
            found += _candidates(ground, most_level, limit, w, least_level)
            most[w] = most_level - ground
    return found, most


def _drowned(basin: Basin) -> _Candidate:
    """Report a basin that an assumed outlet drains, as no more than possible."""
    return _Candidate(
        score=0.0,
        window=-1,
        cells=basin.cells,
        depth=basin.depth,
        level=basin.level,
        chance=0.0,
        spill=basin.spill,
        doubt=DOUBT_OUTLET,
    )


def _doubt_crossings(chosen: list[_Candidate], ribbon: Ribbon, crossings: Floats) -> None:
    """Take the certainty from ponds that spill over a crossing of the ditch."""
    for side, first, last in crossings:
        for c in chosen:
            i, j = divmod(c.spill, ribbon.o.size)
            here = (ribbon.o[j] >= 0) == bool(side)
            if c.certain and here and first - 2.0 <= ribbon.s[i] <= last + 2.0:
                c.doubt = DOUBT_CROSSING


def _doubt_kerbs(chosen: list[_Candidate], zoned: Zoned, kerb: NDArray[np.bool_]) -> None:
    """Take the certainty from ponds on the road that stand against a kerb for half their length."""
    if not kerb.any():
        return
    ribbon, breaks, zone = zoned.ribbon, zoned.breaks, zoned.zone
    at = np.clip(np.searchsorted(breaks.s, ribbon.s), 0, breaks.s.size - 1)
    before = np.maximum(at - 1, 0)
    nearer = np.abs(ribbon.s - breaks.s[before]) < np.abs(ribbon.s - breaks.s[at])
    kerb = kerb[np.where(nearer, before, at)]
    axis = np.nan_to_num(interpolate_along(ribbon.s, breaks.s, breaks.axis))
    for c in chosen:
        i, j = np.unravel_index(c.cells, ribbon.z.shape)
        side = (ribbon.o[j] >= axis[i]).astype(np.intp)
        on_road = zone[i, j] <= SHOULDER
        if c.certain and on_road.mean() > 0.5 and kerb[i, side].mean() > 0.5:
            c.doubt = DOUBT_KERB


def _candidates(
    ground: Floats, level: Floats, limit: Floats, window: int, least: Floats | None
) -> list[_Candidate]:
    """Depressions with a cell deeper than the limit; with `least`, only the uncertain ones."""
    from scipy.ndimage import label

    depth = level - ground
    wet = depth > 0.0
    deep = wet & (depth > limit)
    if not deep.any():
        return []
    names, count = label(wet, _EIGHT)
    keep = np.zeros(count + 1, bool)
    keep[names[deep]] = True
    if least is not None:
        sure = (least - ground > limit) & wet
        keep[names[sure]] = False
    keep[0] = False
    cells = np.flatnonzero(keep[names])
    if cells.size == 0:
        return []
    name = names.ravel()[cells]
    d = depth.ravel()[cells]
    order = np.lexsort((-d, name))
    cells, name, d = cells[order], name[order], d[order]
    first = np.flatnonzero(np.r_[True, np.diff(name) > 0])
    result = []
    flat_limit, flat_level = limit.ravel(), level.ravel()
    for a, b in zip(first, np.r_[first[1:], name.size], strict=True):
        part = cells[a:b]
        ratio = d[a:b] / flat_limit[part]
        top = int(np.argmax(ratio))
        result.append(
            _Candidate(
                score=float(ratio[top]),
                window=window,
                cells=part,
                depth=d[a:b],
                level=float(flat_level[part[0]]),
                chance=float(flat_limit[part[top]]),
                doubt="" if least is None else DOUBT_HOLE,
                spill=spill_cell(level, part, float(flat_level[part[0]])),
            )
        )
    return result


def _best(found: Sequence[_Candidate], area: Floats, half_rows: list[int]) -> list[_Candidate]:
    """Of one depression seen at several averaging lengths keep the most faithful.

    That is the shortest average at which it stands well clear of chance: longer ones wear
    dams down and shoals up (a third of the depth, on short ponds). Where none stands clear,
    the one that stands out most.
    """

    def order(c: _Candidate) -> tuple[bool, float, float, int]:
        clear = c.score >= _CLEAR
        return not c.certain, c.window if clear else np.inf, -c.score, int(c.cells[0])

    shape = area.shape
    taken = np.zeros(shape, bool)
    chosen = []
    for c in sorted(found, key=order):
        i, j = np.unravel_index(c.cells, shape)
        # An average carries a pond half its length along the road: what lies that near to a
        # pond of the same size or more is its shadow.
        reach = half_rows[c.window]
        near = taken[max(0, i.min() - reach) : i.max() + reach + 1, j.min() : j.max() + 1]
        if taken[i[0], j[0]] or near.sum() > 0.5 * i.size:
            continue
        size = area[i, j].sum()
        if size < (_LEAST_AREA_M2 if c.certain else _LEAST_DOUBT_M2):
            continue
        taken[i, j] = True
        chosen.append(c)
    return sorted(chosen, key=lambda c: int(c.cells[0]))


def _table(
    zoned: Zoned,
    chosen: list[_Candidate],
    area: Floats,
    most: dict[int, Floats],
    chance: ChanceLevel,
) -> Ponds:
    from scipy.ndimage import binary_dilation

    ribbon, breaks, shape = zoned.ribbon, zoned.breaks, zoned.zone.shape
    axis = np.nan_to_num(interpolate_along(ribbon.s, breaks.s, breaks.axis))
    unknown_near = binary_dilation(holes(ribbon.z), _EIGHT)
    labels = np.zeros(shape, np.int32)
    half = 0.5 * ribbon.step_s
    rows: list[dict[str, Any]] = []
    outlines = []
    for c in chosen:
        i, j = np.unravel_index(c.cells, shape)
        a, b = np.unravel_index(c.spill, shape)
        cell = area[i, j]
        top = possible = 1000.0 * float(c.depth[0])
        if c.certain and c.window in most:
            possible = 1000.0 * most[c.window][i[0], j[0]]
        water = np.bincount(zoned.zone[i, j], weights=cell * c.depth, minlength=len(WHERE))
        rows.append(
            {
                "s": ribbon.s[i[0]],
                "o": ribbon.o[j[0]],
                "from_s": ribbon.s[i.min()] - half,
                "to_s": ribbon.s[i.max()] + half,
                "side": np.average(ribbon.o[j] - axis[i], weights=cell) >= 0,
                "where": WHERE[int(np.argmax(water))],
                "depth_mm": top if c.certain else np.nan,
                "depth_most_mm": possible if np.isfinite(possible) else np.inf,
                "chance_mm": 1000.0 * c.chance,
                "area_m2": cell.sum(),
                "volume_m3": (cell * c.depth).sum(),
                "level_m": c.level,
                "spill_s": ribbon.s[a],
                "spill_o": ribbon.o[b],
                "certain": c.certain,
                "doubt": c.doubt,
                "touches_unknown": unknown_near[i, j].any(),
                "average_m": chance.windows_m[c.window] if c.window >= 0 else AVERAGE_M,
            }
        )
        free = labels[i, j] == 0
        labels[i[free], j[free]] = len(rows)
        outlines.append(_outline(ribbon, i, j))
    kinds = {"side": np.int8, "where": object, "doubt": object}
    kinds |= {"certain": bool, "touches_unknown": bool}
    given = ("outlines", "labels", "chance")
    columns = {
        field.name: np.array([row[field.name] for row in rows], kinds.get(field.name, np.float64))
        for field in fields(Ponds)
        if field.name not in given
    }
    return Ponds(**columns, outlines=tuple(outlines), labels=labels, chance=chance)


def _outline(ribbon: Ribbon, i: NDArray[np.intp], j: NDArray[np.intp]) -> Floats:
    """Trace the outer ring of a pond's cells as (s, o), closed."""
    import shapely

    from analysis.water.pond_kernels import trace

    low_i, low_j = int(i.min()) - 1, int(j.min()) - 1
    filled = np.zeros((int(i.max()) - low_i + 2, int(j.max()) - low_j + 2), bool)
    filled[i - low_i, j - low_j] = True
    corners = np.empty((filled.size, 2), dtype=np.int64)
    count = trace(filled, corners)
    ring: Any = None
    if count:
        a, b = np.append(corners[:count], corners[:1], axis=0).T
        s = ribbon.s[0] + (a + low_i - 0.5) * ribbon.step_s
        o = ribbon.o[0] + (b + low_j - 0.5) * ribbon.step_o
        ring = shapely.LinearRing(np.column_stack((s, o)))
    else:
        ring = _joined_ring(ribbon, i, j)
    # Long straight edges need points between, or they would cut the corner on a bend.
    return np.asarray(shapely.segmentize(ring, 5.0).coords, np.float64)


def _joined_ring(ribbon: Ribbon, i: NDArray[np.intp], j: NDArray[np.intp]) -> Any:
    """Outer ring of cells that touch at a corner only: a hair's breadth makes it a valid one."""
    import shapely

    order = np.lexsort((j, i))
    i, j = i[order], j[order]
    starts = np.flatnonzero(np.r_[True, (np.diff(i) != 0) | (np.diff(j) != 1)])
    ends = np.r_[starts[1:], i.size] - 1
    ds, do = 0.5 * ribbon.step_s, 0.5 * ribbon.step_o
    runs = shapely.box(
        ribbon.s[i[starts]] - ds,
        ribbon.o[j[starts]] - do,
        ribbon.s[i[starts]] + ds,
        ribbon.o[j[ends]] + do,
    )
    shape: Any = shapely.union_all(shapely.buffer(runs, 0.02 * min(ds, do), join_style="mitre"))
    if shape.geom_type != "Polygon":
        shape = max(shape.geoms, key=lambda part: part.area)
    bare: Any = shapely.Polygon(shape.exterior).simplify(0.0)
    return bare.exterior
