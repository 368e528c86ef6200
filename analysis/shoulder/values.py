"""What is measured on the shoulders, with its errors."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import interpolate_along
from analysis.common.station_arrays import PerStation
from analysis.common.types import Bools, Floats

__all__ = [
    "UNKNOWN_SIGMA_M",
    "Measures",
    "Noise",
    "Reason",
    "Sections",
    "Shoulder",
    "Status",
    "Why",
]


UNKNOWN_SIGMA_M = 0.05
"""Noise of a road whose pavement tells none: about that of an airborne survey (common practice)."""


class Status(IntEnum):
    """Whether a side of a station could be measured; arrays hold the numbers as int8."""

    OK = 0
    NO_DATA = 1
    NOT_JUDGED = 2
    TOO_COARSE = 3


class Why(IntEnum):
    """Kinds of reasons for which a shoulder isn't judged; `analysis.verdict.reasons` words them."""

    KERB = 1
    KERB_AWAY = 2
    DROPPED_KERB = 3
    ACCESS = 4
    OBSTACLE = 5
    WALL = 6
    BRIDGE = 7
    UNEVEN = 8
    FALLS = 9
    RISES = 10
    UNPAVED = 11
    MASKED = 12
    NO_HEIGHTS = 13
    NO_SHOULDER = 14
    NARROW = 15
    FEW_CELLS = 16
    FEW_CELLS_ACROSS = 17
    FEW_CELLS_BETWEEN_FOUND = 18
    TOO_NOISY = 19
    TOO_NOISY_FOR_ASSUMED = 20
    MADE_UP = 21
    GRASS = 22
    ROAD_RIVALS = 23
    ROAD_BEYOND = 24
    FEW_LEVELS = 25
    TOO_NOISY_NO_HINGE = 26
    UNREAD = 27


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a shoulder isn't judged.

    `numbers` are the height in mm of a `KERB`; that and how far it stands outside the edge, metres,
    of a `KERB_AWAY`; the height that a `WALL` exceeds; width and cell in metres of
    `FEW_CELLS_ACROSS` and `FEW_CELLS_BETWEEN_FOUND`; averaging length (m) and standard errors of
    slope (points) and drop (mm) of `TOO_NOISY`, `TOO_NOISY_FOR_ASSUMED` and `TOO_NOISY_NO_HINGE`;
    share in percent of the ground that is `MADE_UP`; height in mm of `GRASS`; places of the road's
    middle in metres right of its line of `ROAD_RIVALS` (two) and `ROAD_BEYOND`. `file` is the name
    of the one that is `UNREAD`.
    """

    kind: Why
    numbers: tuple[float, ...] = ()
    file: str = ""


@dataclass(frozen=True, slots=True)
class Noise:
    """Vertical noise of one cell, per station.

    The correlation of two cells a distance d apart is ``(1 - nugget) exp(-d / correlation_m)``, see
    `analysis.common.along.fading`.

    Attributes
    ----------
    sigma_m : (n,)
        Standard deviation.
    correlation_m : (n,)
        Length over which the correlated part falls to 1/e; 0 where there is none.
    nugget : (n,)
        Share of the variance that is white.
    source : str
        Where the numbers come from.
    """

    sigma_m: PerStation[Floats]
    correlation_m: PerStation[Floats]
    nugget: PerStation[Floats]
    source: str

    def times(self, factor: float) -> Noise:
        """Return a noise so many times as large."""
        return self if factor == 1.0 else replace(self, sigma_m=self.sigma_m * factor)

    def at(self, places: Floats, s: Floats) -> Noise:
        """Return the noise at ascending places, (k,), of that at the stations `s` (n,)."""
        if np.array_equal(places, s):
            return self
        sigma, length, nugget = (
            interpolate_along(places, s, own)
            for own in (self.sigma_m, self.correlation_m, self.nugget)
        )
        return replace(self, sigma_m=sigma, correlation_m=length, nugget=nugget)

    def known_sigma_m(self) -> Floats:
        """Return `sigma_m` with a cautious guess where it is unknown."""
        return np.where(np.isfinite(self.sigma_m), self.sigma_m, UNKNOWN_SIGMA_M)


@dataclass(frozen=True, slots=True)
class Measures:
    """What was measured at n stations; (n, 2) with side 0 left, 1 right; NaN = unknown.

    Cross slopes in percent, positive falls outward; standard errors in the unit of the value.

    Attributes
    ----------
    pavement_slope_pct, pavement_slope_se, shoulder_slope_pct, shoulder_slope_se : (n, 2)
    slope_cov : (n, 2)
        Covariance of pavement and shoulder slope, percent squared.
    edge_drop_mm, edge_drop_se : (n, 2)
        Positive: shoulder lower than the pavement.
    drop_shoulder_cov : (n, 2)
        Covariance of edge drop and shoulder slope, mm percent.
    shoulder_slope_shared_se, edge_drop_shared_se : (n, 2)
        Parts of the standard errors that a stretch of road has in common: which places edge and
        hinge have, how well these are known, and levels and footprint of the survey.
    edge_drop_place_se : (n, 2)
        What of the drop's comes from where the edge may lie.
    edge_drop_at_m, edge_drop_at_se : (n, 2)
        Where the drop is told, outward from the edge found, and how far the edge may lie from
        there: mean and standard error over all its places.
    rut_mm, rut_se, ridge_mm, ridge_se, rut_detectable_mm : (n, 2)
        Largest gap under and rise above a straightedge; depth of a wheel rut that is told from
        none with 95 % certainty.
    rut_over, ridge_over : (n, 2, k)
        How likely they are over each of the depths `analysis.shoulder.section_gaps.OVER_MM`.
    foreslope_pct : (n, 2)
    grade_pct : (n, 2)
        Along the road at the edge, positive rises up-station.
    shoulder_width_m, edge_z_m : (n, 2)
        Edge to hinge; height of the pavement plane at the edge.
    cells : (n, 2) int
        Cells on the shoulder.
    effective_cells : (n, 2)
        As many independent cells would tell as much about the shoulder slope.
    outlier_share : (n, 2)
        Share of shoulder cells left out of the fit.
    roughness_mm : (n, 2)
        Robust scatter of the shoulder about its plane.
    average_m : (n, 2)
        Averaging length used.
    status : (n, 2) int8
        `OK`, `NO_DATA`, `NOT_JUDGED`, `TOO_COARSE`.
    reason : (n, 2) object
        `Reason`, or None where the status is `OK`.
    """

    pavement_slope_pct: PerStation[Floats]
    pavement_slope_se: PerStation[Floats]
    shoulder_slope_pct: PerStation[Floats]
    shoulder_slope_se: PerStation[Floats]
    slope_cov: PerStation[Floats]
    edge_drop_mm: PerStation[Floats]
    edge_drop_se: PerStation[Floats]
    drop_shoulder_cov: PerStation[Floats]
    shoulder_slope_shared_se: PerStation[Floats]
    edge_drop_shared_se: PerStation[Floats]
    edge_drop_place_se: PerStation[Floats]
    edge_drop_at_m: PerStation[Floats]
    edge_drop_at_se: PerStation[Floats]
    rut_mm: PerStation[Floats]
    rut_se: PerStation[Floats]
    ridge_mm: PerStation[Floats]
    ridge_se: PerStation[Floats]
    rut_over: PerStation[Floats]
    ridge_over: PerStation[Floats]
    rut_detectable_mm: PerStation[Floats]
    foreslope_pct: PerStation[Floats]
    grade_pct: PerStation[Floats]
    shoulder_width_m: PerStation[Floats]
    edge_z_m: PerStation[Floats]
    cells: PerStation[NDArray[np.int64]]
    effective_cells: PerStation[Floats]
    outlier_share: PerStation[Floats]
    roughness_mm: PerStation[Floats]
    average_m: PerStation[Floats]
    status: PerStation[NDArray[np.int8]]
    reason: PerStation[NDArray[np.object_]]


@dataclass(frozen=True, slots=True)
class Sections:
    """Averaged sections relative to the pavement plane at the edge.

    Attributes
    ----------
    s : (n,)
        Stations.
    u : (k,)
        Outward from the edge, metres; negative = pavement.
    height_m, se_m : (n, 2, k)
        Ground minus pavement height at the edge, and its standard error; NaN = unknown.
    ground_m : (n, 2, k), optional
        The same as it lies: the fitted shape where there is one, without the blur of cells and
        of averaging across.
    shape_se_m : (n, 2, k), optional
        How surely a fitted shape is known about its plane, more vaguely than an average; 0 = none.
    """

    s: PerStation[Floats]
    u: Floats
    height_m: PerStation[Floats]
    se_m: PerStation[Floats]
    ground_m: PerStation[Floats | None] = None
    shape_se_m: PerStation[Floats | None] = None


@dataclass(frozen=True, slots=True)
class Shoulder:
    """All that was measured on the shoulders of one road.

    Attributes
    ----------
    noise, measures, sections
        Noise of the grid; slopes, drops and ruts, and the reason where there are none; averaged
        sections.
    kerb : (n, 2) bool
        A kerb surely stands at the edge: the ground behind it is meant to be high.
    p_kerb : (n, 2)
        How likely what stands up along the edge here or near is a kerb; 0 where nothing does.
    kerb_away_m : (n, 2)
        How far outside the edge that stands, metres; NaN where it stands at it or nothing does.
    """

    noise: PerStation[Noise]
    measures: PerStation[Measures]
    sections: PerStation[Sections]
    kerb: PerStation[Bools]
    p_kerb: PerStation[Floats]
    kerb_away_m: PerStation[Floats]
