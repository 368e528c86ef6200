"""Cut and fill against the target line, station by station.

Cut is measured in bank volume (as it lies), fill in compacted volume.

The target line runs from the pavement plane at the edge, flush after compaction, at the required
slope to the shoulder width. Beyond it, a cut goes on at that slope until it comes out of the
ground (a lip left standing would hold water); a fill goes down at the set foreslope ratio, or
stops at the hinge where the foreslope is to stay as it lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.limits import Limits
from analysis.common.station_arrays import PerStation
from analysis.common.types import Floats
from analysis.earthwork.target import cut_fill_rings, target_line
from analysis.shoulder.regression import STEP_SHARE

if TYPE_CHECKING:
    from analysis.shoulder.values import Measures, Sections

__all__ = ["Areas", "AreasAlong", "areas", "section_ground", "section_shapes"]

_BENT = 5.0
"""A shoulder that turns before its end by one part in so many of what it turns by at its end is
smooth about it (our own choice)."""


@dataclass(frozen=True, slots=True)
class Areas:
    """Cut and fill per station and side, all (n, 2) unless said; NaN = unknown.

    Parameters
    ----------
    cut_m2, fill_m2
        Area above (bank) and below (compacted) the target, less `excess_m2`; of the shoulder only
        where the line beyond the hinge doesn't meet the ground within the section.
    excess_m2
        What noise alone adds to both on average: a height error counts as cut where it is up
        and as fill where it is down, so neither averages out. Their difference is free of it.
    cut_se, fill_se, net_se
        Standard errors in m² of cut, fill and cut minus fill. Neither of the first is 0 where
        nothing is told to be cut or filled: that is the positive part of a height which has an
        error.
    cut_terms, fill_terms : (n, 2, 7)
        The errors as weights of seven independent unit errors per station and side: two of the
        fit, the same two as far as a stretch of road has them in common, that of the hinge's
        place, that of the edge's, and what a positive part adds to these. Fill counts with the
        opposite sign, so that the last drops out of the difference. Any weighted sum of cut and
        fill gets its standard error from these.
    width_m
        Shoulder width used.
    average_m
        Averaging length along the road behind each section, for the correlation of neighbours.
    """

    cut_m2: PerStation[Floats]
    fill_m2: PerStation[Floats]
    excess_m2: PerStation[Floats]
    cut_se: PerStation[Floats]
    fill_se: PerStation[Floats]
    net_se: PerStation[Floats]
    cut_terms: PerStation[Floats]
    fill_terms: PerStation[Floats]
    width_m: PerStation[Floats]
    average_m: PerStation[Floats]


@dataclass(frozen=True, slots=True)
class AreasAlong:
    """Cut and fill at the beats of a road, `s` (b,) ascending: what volumes are added up over.

    Stations may lie closer or farther apart; what there is of a stretch of road hangs on none.
    """

    s: PerStation[Floats]
    areas: PerStation[Areas]


def areas(
    sections: Sections,
    measures: Measures,
    required_pct: ArrayLike,
    limits: Limits,
    *,
    follows_pavement: ArrayLike,
    width_se: ArrayLike,
    edge_se: ArrayLike,
) -> Areas:
    """Cut and fill at every station and side, with standard errors.

    The averaged sections are used, since noise makes cut and fill both grow; what it still adds
    is estimated and taken off (`Areas.excess_m2`). Standard errors follow from those of edge
    drop and shoulder slope and their covariance.

    Parameters
    ----------
    sections, measures
        From `measure_sides`. Stations that weren't judged come out unknown.
    required_pct : (n, 2)
        Target slope from `analysis.common.required_slope.required_slope`.
    limits : Limits
        Its foreslope ratio is used.
    follows_pavement : (n, 2)
        True where the target follows the pavement, so that its slope error enters.
    width_se : (n, 2) or scalar
        Standard error of the width, metres; a fill that ends high at the hinge depends on it.
    edge_se : (n, 2) or scalar
        Standard error of the edge's place, metres: farther out, the target starts lower down the
        pavement but falls over less of the shoulder, and more of a shoulder steeper than the
        pavement shows as drop.

    Returns
    -------
    Areas
    """
    height = _ground(sections)
    shape = height.shape[:2]
    count = shape[0] * 2
    judged = np.asarray(measures.status) == 0
    required = np.broadcast_to(np.asarray(required_pct, dtype=np.float64), shape)
    width = np.where(judged, measures.shoulder_width_m, np.nan)
    sigma = np.asarray(sections.se_m, dtype=np.float64)

    # An edge found too far out puts the target lower on the pavement, starts its fall later and
    # sees more of the shoulder's own fall as drop: one error, so it enters with its sign.
    misplaced = np.nan_to_num(np.broadcast_to(np.asarray(edge_se, dtype=np.float64), shape))
    breakover = STEP_SHARE * (measures.shoulder_slope_pct - measures.pavement_slope_pct) / 100.0
    turn = (measures.shoulder_slope_pct - required) / 100.0
    level = (turn - breakover) * misplaced
    first, mixed, second, common = _fit_errors(measures, follows_pavement)
    # Loading the compiler takes a good part of a second; whoever only reads limits shan't wait.
    from analysis.earthwork.kernels import sections_kernel

    raw = sections_kernel(
        np.ascontiguousarray(sections.u, dtype=np.float64),
        np.ascontiguousarray(height.reshape(count, -1)),
        _at_hinge(sections, height, width).ravel(),
        np.ascontiguousarray(sigma.reshape(count, -1)),
        width.ravel(),
        (required / 100.0).ravel(),
        np.stack([first, mixed, second, np.abs(level)], axis=-1).reshape(count, 4),
        float(limits.material.foreslope_ratio.value),
    )
    raw = raw.reshape(*shape, 9)
    # A cut goes on to where it comes out of the ground, so where the hinge lies doesn't matter.
    face = raw[..., 7]
    at_hinge = face * np.nan_to_num(np.broadcast_to(np.asarray(width_se, float), shape))
    # The strip between the found and the true edge is missing as well.
    drop = measures.edge_drop_mm / 1000.0

    def terms(column: int, at_hinge: Floats, at_edge: Floats, bent: Floats) -> Floats:
        length, moment = raw[..., column], raw[..., column + 1]
        fit = np.stack([first * length + mixed * moment, second * moment], axis=-1)
        both = np.concatenate([fit * np.sqrt(1.0 - common), fit * np.sqrt(common)], axis=-1)
        others = np.stack([at_hinge, level * length + at_edge, bent], axis=-1)
        return np.concatenate([both, others], axis=-1)

    cut_terms = terms(3, np.zeros(shape), -np.maximum(-drop, 0.0) * misplaced, raw[..., 8])
    fill_terms = terms(5, at_hinge, np.maximum(drop, 0.0) * misplaced, -raw[..., 8])
    return Areas(
        cut_m2=raw[..., 0],
        fill_m2=raw[..., 1],
        excess_m2=raw[..., 2],
        cut_se=np.sqrt((cut_terms**2).sum(axis=-1)),
        fill_se=np.sqrt((fill_terms**2).sum(axis=-1)),
        net_se=np.sqrt(((cut_terms + fill_terms) ** 2).sum(axis=-1)),
        cut_terms=cut_terms,
        fill_terms=fill_terms,
        width_m=width,
        average_m=np.broadcast_to(np.asarray(measures.average_m, dtype=np.float64), shape),
    )


def _fit_errors(
    measures: Measures, follows_pavement: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    """Errors of edge drop (m) and slope (fractions) as two independent ones, all (n, 2).

    The first moves the drop whole and the slope by the part that goes with it; the second moves
    the slope alone. The last, (n, 2, 2), is the share of the variance of either that a stretch of
    road has in common.
    """
    slope_var = np.where(
        follows_pavement,
        measures.shoulder_slope_se**2
        + measures.pavement_slope_se**2
        - 2.0 * np.nan_to_num(measures.slope_cov),
        measures.shoulder_slope_se**2,
    )
    # The drop keeps its error whole although some of it goes with the edge's place: how much does
    # scatters from station to station (by trials, taking it off leaves too little).
    first = measures.edge_drop_se / 1000.0
    cross = np.nan_to_num(measures.drop_shoulder_cov) / 1e5
    with np.errstate(invalid="ignore", divide="ignore"):
        mixed = np.where(first > 0.0, cross / first, 0.0)
        shared = (
            (measures.edge_drop_shared_se / measures.edge_drop_se) ** 2,
            measures.shoulder_slope_shared_se**2 / slope_var,
        )
    most = np.sqrt(slope_var) / 100.0
    mixed = np.clip(mixed, -most, most)
    second = np.sqrt(np.maximum(slope_var / 1e4 - mixed**2, 0.0))
    return first, mixed, second, np.clip(np.nan_to_num(np.stack(shared, axis=-1)), 0.0, 1.0)


def _ground(sections: Sections) -> Floats:
    """Ground without blur where the sections have it, else as averaged."""
    ground = sections.height_m if sections.ground_m is None else sections.ground_m
    return np.asarray(ground, dtype=np.float64)


def _at_hinge(sections: Sections, ground: Floats, width: Floats) -> Floats:
    """Height (n, 2) of ground (n, 2, k) at the end of the shoulder; NaN = unknown.

    Ground without blur is kinked there, mostly between two places of the section: the chord between
    those lies below the hinge, so that a straight shoulder goes on to it from within. One that is
    bent before its end, as by an arc, is as good as smooth about it.
    """
    u = np.asarray(sections.u, dtype=np.float64)
    after = np.clip(np.searchsorted(u, np.nan_to_num(width)), 1, u.size - 1)
    at = [np.maximum(after - k, 0) for k in range(4)]
    place = [u[k] for k in at]
    height = [np.take_along_axis(ground, k[..., None], axis=-1)[..., 0] for k in at]
    with np.errstate(invalid="ignore", divide="ignore"):
        falls = [(height[k] - height[k + 1]) / (place[k] - place[k + 1]) for k in range(3)]
        share = (width - place[1]) / (place[0] - place[1])
        chord = height[1] + share * (height[0] - height[1])
        # a hole behind a place does no harm to it
        chord = np.where(share == 1.0, height[0], np.where(share == 0.0, height[1], chord))
        if sections.ground_m is None:
            return chord
        bent = np.where((after >= 3) & (place[3] >= 0.0), np.abs(falls[1] - falls[2]), 0.0)
        straight = np.clip(1.0 - _BENT * bent / np.abs(falls[0] - falls[1]), 0.0, 1.0)
        within = height[1] + falls[1] * (width - place[1])
        within = chord + straight * (within - chord)
    drawn = (after >= 2) & (place[2] >= 0.0) & np.isfinite(within) & (share < 1.0)
    return np.where(drawn, within, chord)


def section_ground(
    sections: Sections, measures: Measures, station: int, side: int
) -> tuple[Floats, Floats]:
    """Return the ground of one section that `areas` reckons from, with a place at its hinge.

    Returns
    -------
    u, height : (k,)
        Places outward from the pavement edge and heights above it.
    """
    u, ground = np.asarray(sections.u, dtype=np.float64), _ground(sections)
    width = float(measures.shoulder_width_m[station, side])
    if not u[0] < width < u[-1]:
        return u, np.asarray(ground[station, side])
    here = slice(station, station + 1)
    height = _at_hinge(sections, ground[here], measures.shoulder_width_m[here])[0, side]
    after = int(np.searchsorted(u, width))
    return np.insert(u, after, width), np.insert(ground[station, side], after, height)


def section_shapes(
    sections: Sections,
    measures: Measures,
    required_pct: ArrayLike,
    limits: Limits,
    station: int,
    side: int,
) -> tuple[Floats, tuple[Floats, ...], tuple[Floats, ...]]:
    """Target line and cut and fill outlines of one station and side, as `areas` sees them.

    Returns
    -------
    target : (k, 2); cut, fill : tuples of (m, 2)
        In (u from the edge, height above the pavement edge); empty where unknown.
    """
    width = float(measures.shoulder_width_m[station, side])
    slope = float(np.asarray(required_pct, dtype=np.float64)[station, side])
    if measures.status[station, side] != 0:
        width = math.nan
    u, ground = section_ground(sections, measures, station, side)
    line = target_line(u, ground, width, slope, limits.material.foreslope_ratio.value)
    if np.isnan(np.interp(line[:, 0], u, ground)).any():
        return np.empty((0, 2)), (), ()
    cut, fill = cut_fill_rings(u, ground, line)
    return line, cut, fill
