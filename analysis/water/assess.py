"""Water on the shoulder and beside it: what stands, where it leaves, which way it runs.

The parts live in modules of their own; this one puts them on the stations. Measuring is slow and
knows no limits; `judge_ditch` is quick and applies them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.sides import SIDE_SIGN
from analysis.common.station_arrays import PerStation, spliced, stations_of
from analysis.common.types import Floats, Progress, share_of
from analysis.road.roadline import frames, to_road
from analysis.water.ditch import Ditch, ditch_profile
from analysis.water.held_by_section import (
    PlaneErrors,
    Retained,
    held_by_planes,
    join,
    retained_depth,
)
from analysis.water.outlets import Outlets, road_outlets
from analysis.water.ponds import Pits, Ponds, find_pits, find_ponds
from analysis.water.zones import SHOULDER, Zoned, zoned

if TYPE_CHECKING:
    from analysis.common.limits import WaterLimits
    from analysis.corridor.values import Case, Ground
    from analysis.edges.values import Breaks
    from analysis.shoulder.values import Noise, Sections, Shoulder

__all__ = ["Begun", "Flow", "Water", "begin", "flow", "follow", "follow_across", "held_across"]
__all__ += ["judge_ditch"]


_ALONG_RATIO, _ALONG_LEAST_PCT = 2.0, 2.0
"""Water counts as following the shoulder where the grade is this many times the cross slope, so
that it runs more than twice as far along as across; flatter grades than the second don't carry it
along fast enough to matter. No published limit was found."""


@dataclass(frozen=True, slots=True)
class Flow:
    """Way of water over a plane shoulder; arrays of one shape, NaN unknown.

    Attributes
    ----------
    resultant_pct : ndarray
        Steepest fall, percent.
    direction_deg : ndarray
        0 straight outward, positive turned up-station, negative down-station, ±180 inward;
        NaN on a level plane.
    path_m : ndarray
        Length of the way over the shoulder; inf where it doesn't fall outward.
    runs_along : ndarray of bool
        Water follows the shoulder instead of leaving it.
    """

    resultant_pct: PerStation[Floats]
    direction_deg: PerStation[Floats]
    path_m: PerStation[Floats]
    runs_along: PerStation[NDArray[np.bool_]]


@dataclass(frozen=True, slots=True)
class Water:
    """What was found about water, by station and side; (n, 2) unless said, NaN unknown.

    Attributes
    ----------
    s : ndarray, shape (n,)
        Stations.
    held : Retained
        Water held by the cross-section; level and shores only where it is told from none.
    pond_depth_mm : ndarray
        Deepest certain pond on pavement or shoulder within half a spacing; 0 none.
    way : Flow
        Way of water over the shoulder.
    kerb : ndarray of bool
        A kerb stands at the edge: it is meant to hold water back, and no ditch is judged.
    ponds : Ponds
    ditch : Ditch
        Independent of limits; see `judge_ditch`.
    """

    s: PerStation[Floats]
    held: PerStation[Retained]
    pond_depth_mm: PerStation[Floats]
    way: PerStation[Flow]
    kerb: PerStation[NDArray[np.bool_]]
    ponds: Ponds
    ditch: PerStation[Ditch]


def flow(cross_slope_pct: ArrayLike, grade_pct: ArrayLike, width_m: ArrayLike) -> Flow:
    """Find which way, how far and how steeply water runs over a plane shoulder.

    Parameters
    ----------
    cross_slope_pct : array_like
        Positive falls outward.
    grade_pct : array_like
        Along the road, positive rises up-station.
    width_m : array_like
        Width of the shoulder.

    Returns
    -------
    Flow

    Examples
    --------
    >>> f = flow(4.0, 3.0, 1.5)
    >>> float(f.resultant_pct), float(f.path_m)
    (5.0, 1.875)
    """
    cross, grade, width = np.broadcast_arrays(
        *(np.asarray(a, np.float64) for a in (cross_slope_pct, grade_pct, width_m))
    )
    steepest = np.hypot(cross, grade)
    level = steepest == 0.0
    turned = np.degrees(np.arctan2(-grade, cross))
    outward = cross > 0.0
    path = np.where(outward, width * steepest / np.where(outward, cross, 1.0), np.inf)
    unknown = np.isnan(steepest)
    steep = np.maximum(_ALONG_LEAST_PCT, _ALONG_RATIO * np.maximum(cross, 0.0))
    return Flow(
        resultant_pct=steepest,
        direction_deg=np.where(level | unknown, np.nan, turned),
        path_m=np.where(unknown | np.isnan(width), np.nan, path),
        runs_along=(np.abs(grade) >= steep) & ~unknown,
    )


@dataclass(frozen=True, slots=True)
class Begun:
    """What of a road's water hangs on its ground, its breaks and its noise alone.

    Attributes
    ----------
    road
        The ribbon with its zones.
    outlets
        Where water leaves besides the borders.
    pits
        Depressions deeper than noise digs them.
    """

    road: Zoned
    outlets: Outlets
    pits: Pits


def begin(
    case: Case, ground: Ground, breaks: Breaks, noise: Noise, progress: Progress | None = None
) -> Begun:
    """Follow the water as far as that goes before the shoulder is measured.

    Arguments are those of `follow`, and the road's noise.
    """
    road = zoned(ground.ribbon, breaks, case.shoulder_width_m)
    outlets = road_outlets(road, _culverts(case))
    cell_m = case.grid.cell_m
    pits = find_pits(road, noise, cell_m=cell_m, outlets=outlets, progress=progress)
    return Begun(road, outlets, pits)


def follow(
    case: Case,
    ground: Ground,
    breaks: Breaks,
    shoulder: Shoulder,
    progress: Progress | None = None,
    *,
    begun: Begun | None = None,
) -> Water:
    """Measure everything about water on one road: the way in to this room.

    Parameters
    ----------
    case, ground, breaks, shoulder
        What was given, and what was found before.
    progress
        Called with the share done and a few words; may raise `Cancelled`.
    begun
        What `begin` gave for the same; None has it done here.
    """
    ribbon, spacing_m, cell_m = ground.ribbon, case.settings.spacing_m, case.grid.cell_m
    if begun is None:
        begun = begin(case, ground, breaks, shoulder.noise, share_of(progress, 0.0, 0.7))
    road, outlets = begun.road, begun.outlets
    ditch = ditch_profile(
        road,
        shoulder.noise,
        edge_z_m=shoulder.measures.edge_z_m,
        spacing_m=spacing_m,
        cell_m=cell_m,
        outlets=outlets,
        progress=share_of(progress, 0.7, 0.8),
    )
    report = share_of(progress, 0.8, 1.0)
    report(0.0, "outlining ponds")
    ponds = find_ponds(
        road,
        begun.pits,
        curvature=frames(case.road, ribbon.s).curvature,
        outlets=outlets,
        crossings=ditch.crossings,
        kerb=shoulder.kerb,
    )
    report(0.5, "finding water that sections hold")
    held, way = _across(case, breaks, shoulder)
    return Water(
        held=held,
        way=way,
        kerb=shoulder.kerb,
        s=np.asarray(breaks.s, np.float64),
        pond_depth_mm=_pond_depth(road, ponds, spacing_m),
        ponds=ponds,
        ditch=ditch,
    )


def follow_across(
    case: Case, water: Water, here: slice, breaks: Breaks, shoulder: Shoulder
) -> Water:
    """Measure again what single sections hold, where they were measured again.

    Ponds and ditches, which don't hang on one station's edge, stay as they are.

    Parameters
    ----------
    case, water, breaks, shoulder
        Of the whole road; `water` as it was followed before.
    here
        The stations that were measured again.
    """
    held, way = _across(case, stations_of(breaks, here), stations_of(shoulder, here))
    return replace(
        water,
        held=spliced(water.held, held, here, here),
        way=spliced(water.way, way, here, here),
        kerb=shoulder.kerb,
    )


def held_across(case: Case, breaks: Breaks, shoulder: Shoulder) -> Retained:
    """What single sections hold, at the stations of `breaks` and `shoulder`."""
    return _across(case, breaks, shoulder)[0]


def _culverts(case: Case) -> Floats:
    """(c, 2) culverts near the road, as (s, o)."""
    points = case.extras.culverts
    if len(points) == 0:
        return np.empty((0, 2))
    s, o = to_road(case.road, points[:, 0], points[:, 1])
    near = np.isfinite(s) & (np.abs(o) <= case.settings.half_width_m)
    return np.column_stack((s[near], o[near]))


def _across(case: Case, breaks: Breaks, shoulder: Shoulder) -> tuple[Retained, Flow]:
    """What each section tells by itself."""
    measures, sections = shoulder.measures, shoulder.sections
    shoulder_width_m = case.shoulder_width_m
    axis = np.asarray(breaks.axis)[:, None] * np.array(SIDE_SIGN)
    height_m, shape_se_m = _unblurred(sections, breaks, shoulder_width_m)
    section = retained_depth(
        sections.u,
        height_m,
        se_m=sections.se_m,
        crown_u=axis - breaks.edge,
        hinge_u=breaks.hinge - breaks.edge,
        outlet_u=breaks.ditch - breaks.edge,
        shoulder_width_m=shoulder_width_m,
        shape_se_m=shape_se_m,
    )
    width = np.where(
        np.isfinite(measures.shoulder_width_m), measures.shoulder_width_m, shoulder_width_m
    )
    planes = held_by_planes(
        measures.pavement_slope_pct,
        measures.edge_drop_mm,
        measures.shoulder_slope_pct,
        pavement_m=np.maximum(breaks.edge - axis, 0.0),
        shoulder_m=width,
        errors=PlaneErrors(
            measures.pavement_slope_se,
            measures.shoulder_slope_se,
            measures.edge_drop_se,
            measures.slope_cov,
            measures.drop_shoulder_cov,
        ),
    )
    held = join(planes, section)
    told = held.depth_mm > held.chance_mm
    drawn = {name: np.where(told, getattr(held, name), np.nan) for name in _DRAWN}
    way = flow(measures.shoulder_slope_pct, measures.grade_pct, width)
    return replace(held, **drawn), way


# What is told of held water only where it is told from none.
_DRAWN = ("level_m", "from_u", "to_u")


def _unblurred(
    sections: Sections, breaks: Breaks, shoulder_width_m: float
) -> tuple[Floats, Floats | None]:
    """Give the sections with the fitted shape of the shoulder in place of its blurred average.

    And standard errors of that shape: water is as uncertain as the rut that it stands in.

    Cells flatten a rut of their own width to nothing; the shape was fitted through the blur.
    Beyond the usual width the average stays: in a ditch filled nearly level its far bank may
    have passed for the hinge.
    """
    if sections.ground_m is None:
        return sections.height_m, None
    hinge = breaks.hinge - breaks.edge
    width = np.fmin(np.where(np.isnan(hinge), np.inf, hinge), shoulder_width_m)
    inside = (sections.u >= 0.0) & (sections.u <= width[..., None] + 1e-9)
    fitted = inside & np.isfinite(sections.ground_m)
    shape_se_m = None if sections.shape_se_m is None else np.where(fitted, sections.shape_se_m, 0.0)
    return np.where(fitted, sections.ground_m, sections.height_m), shape_se_m


def judge_ditch(ditch: Ditch, kerb: NDArray[np.bool_], limits: WaterLimits) -> NDArray[np.bool_]:
    """Tell where the ditch needs cleaning: dammed, or filled up to less than the least depth.

    Parameters
    ----------
    ditch : Ditch
    kerb : (n, 2) bool
        Where one stands at the edge.
    limits : WaterLimits
        `ditch_least_depth_m` is used.

    Returns
    -------
    ndarray of bool, shape (n, 2)
        False where there is no ditch, behind a kerb, and at crossings, which may have a
        culvert.
    """
    shallow = ditch.depth_m < limits.ditch_least_depth_m.value
    return np.asarray((ditch.dammed | shallow) & ~ditch.crossing & ~kerb)


def _pond_depth(zoned: Zoned, ponds: Ponds, spacing_m: float) -> Floats:
    """Deepest certain pond on pavement or shoulder near each station and side."""
    from analysis.water.pond_kernels import Told, pond_at_stations

    ribbon, breaks, zone = zoned.ribbon, zoned.breaks, zoned.zone
    s = np.asarray(breaks.s, np.float64)
    axis = np.interp(ribbon.s, s, np.nan_to_num(breaks.axis))[:, None]
    side = np.where(zone <= SHOULDER, 1 + (ribbon.o[None, :] >= axis), 0)
    near = np.where(side, side + 3 * np.isfinite(ribbon.z), 0).astype(np.int8)
    half = 0.5 * spacing_m
    first = np.searchsorted(ribbon.s, s - half)
    last = np.maximum(np.searchsorted(ribbon.s, s + half), first)
    depth = np.concatenate([[0.0], np.where(ponds.certain, ponds.depth_mm, np.nan)])
    road = np.isin(np.concatenate([["", *ponds.where]]), ("pavement", "shoulder"))
    result = np.empty((s.size, 2))
    pond_at_stations(first, last, near, ponds.labels, Told(depth, road), result)
    return result
