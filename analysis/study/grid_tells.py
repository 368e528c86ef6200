"""What the grid under a screened road can tell, in numbers: how it was made, and what it resolves.

Everything is told of one road and stands on what was measured there; what nobody measured is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any

import numpy as np
from scipy.special import ndtri

from analysis.common.along import known_median
from analysis.common.sides import Source
from analysis.common.types import Floats
from analysis.corridor.values import Cells
from analysis.shoulder.resolving import LEAST_CELLS_ACROSS, least_average, resolving_power
from analysis.shoulder.values import Noise, Reason, Status, Why
from analysis.study.values import RoadStudy

__all__ = ["TOLD_OVER_M", "GridTells", "Help", "grid_tells", "tells_text"]


TOLD_OVER_M = 20.0
"""Length of road over which the least slope, step and rut are told."""

WANTED_POINTS = 2.0
"""Difference of slopes that one wants to tell: 4 % from 2 %."""

ENOUGH_CELLS, FEW_SEEN, MANY_ROUGH, SHARING = 3.0, 0.8, 0.05, 1.3
"""Cells across a shoulder from which finer ones add little; share of edges seen below which an
image is worth having, and of grassy places; effective cell over the grid's own from which finer
cells of the same survey add nothing. Our own choice."""

# told with 95 % certainty: on the right side of halfway, whichever of the two it is
_TOLD = 2.0 * float(ndtri(0.95))


class Help(IntEnum):
    """What would let a grid tell more; each goes with one number."""

    FINER_CELLS = 1
    LONGER_AVERAGE = 2
    DENSER_SURVEY = 3
    POINTS = 4
    IMAGE = 5
    MOWING = 6
    CLOSER_LINE = 7


@dataclass(frozen=True, slots=True)
class GridTells:
    """What the grid can tell on one road; NaN = unknown.

    Attributes
    ----------
    points : bool
        Ground points were fitted, not a grid's cells.
    cell_m, effective_cell_m : float
        Size of a cell, or of the square that a point has to itself; and of as large a cell as one
        whose height is news.
    footprint_m, footprint_se_m : float
        Width of ground that one height is the mean of, and its standard error.
    shared : float
        Probability that neighbouring heights were made of the same points.
    given : bool
        A person gave the density of the points.
    pavement_noise_m, shoulder_noise_m : (3,)
        Scatter of single heights: what is usual along the road, and the tenth and the ninetieth
        percentile of it.
    made_up : float
        Share of the ground near the road that only bridges holes.
    grassy : float
        Share of the sides of stations with grass left in the grid.
    seam_m, seam_se_m, seam_length_m : float
        How far two strips of the survey stood apart on the road, and along which length; 0 where
        no seam shows.
    road_found, edges_seen : float
        Share of stations where the road was found; share of their sides with an edge that shows.
    slope_points, step_mm, rut_mm : float
        The least that is told with 95 % certainty over `TOLD_OVER_M`: difference of two slopes,
        step at the edge from none, wheel rut from none.
    helps : tuple of (Help, float)
        What would help: size of cell or averaging length (m), effective cell (m), 0, share of edges
        that don't show, share that is grassy, share where the road isn't found.
    """

    points: bool
    cell_m: float
    effective_cell_m: float
    footprint_m: float
    footprint_se_m: float
    shared: float
    given: bool
    pavement_noise_m: tuple[float, float, float]
    shoulder_noise_m: tuple[float, float, float]
    made_up: float
    grassy: float
    seam_m: float
    seam_se_m: float
    seam_length_m: float
    road_found: float
    edges_seen: float
    slope_points: float
    step_mm: float
    rut_mm: float
    helps: tuple[tuple[Help, float], ...]


def grid_tells(part: RoadStudy) -> GridTells:
    """Sum up what the grid under a screened road can tell."""
    case, breaks, measures = part.case, part.breaks, part.measures
    noise, grain, seam = part.measured.shoulder.noise, case.grain, part.measured.seam
    cell_m, points = part.ground.cells.cell_m, case.extras.points is not None
    footprint = float(np.median(np.hypot(case.box_m[:, 0], case.box_m[:, 1])))
    # where no likeness shows, nothing tells how well cells keep to means of their own ground
    smear_se = np.nan if points or grain.smear_se_m2 <= 0.0 else grain.smear_se_m2
    found = ~breaks.lost()
    seen = breaks.edge_source[found] != Source.NOMINAL
    judged = measures.status == Status.OK
    reasons: list[Reason | None] = measures.reason.ravel().tolist()
    grassy = np.array([why is not None and why.kind == Why.GRASS for why in reasons])
    told = GridTells(
        points=points,
        cell_m=cell_m,
        effective_cell_m=cell_m * float(np.sqrt(grain.cells_per_value(cell_m))),
        footprint_m=footprint,
        footprint_se_m=6.0 * smear_se / footprint,
        shared=grain.triangles,
        given=grain.given,
        pavement_noise_m=_spread(noise.sigma_m),
        shoulder_noise_m=_spread(measures.roughness_mm[judged] / 1000.0),
        made_up=_made_up(part),
        grassy=float(grassy.mean()),
        seam_m=0.0 if seam is None else abs(seam.rise_m),
        seam_se_m=0.0 if seam is None else seam.se_m,
        seam_length_m=0.0 if seam is None else seam.length_m,
        road_found=float(found.mean()),
        edges_seen=float(seen.mean()) if seen.size else np.nan,
        **_least_told(part, cell_m, judged),
        helps=(),
    )
    return _with_helps(told, part)


def tells_text(told: GridTells) -> str:
    """Say in a few sentences what `analysis.shoulder.resolving` doesn't: for the record of a run.

    How the grid was made and which strips meet has sentences of its own.
    """
    usual, low, high = (1000.0 * value for value in told.shoulder_noise_m)
    parts = []
    if np.isfinite(usual):
        parts.append(
            f"Heights scatter by {usual:.0f} mm on the shoulders ({low:.0f} to {high:.0f} mm along "
            f"the road) and {1000.0 * told.pavement_noise_m[0]:.0f} mm on the pavement."
        )
    if np.isfinite(told.slope_points):
        parts.append(
            f"Over {TOLD_OVER_M:.0f} m slopes {told.slope_points:.1f} % points apart, steps of "
            f"{told.step_mm:.0f} mm and ruts of {told.rut_mm:.0f} mm are told with 95 % certainty."
        )
    parts.append(
        f"The road is found at {100.0 * told.road_found:.0f} % of the stations"
        + (
            f", and its edges show at {100.0 * told.edges_seen:.0f} % of their sides."
            if np.isfinite(told.edges_seen)
            else "."
        )
    )
    if told.made_up > 0.0005:
        parts.append(f"{100.0 * told.made_up:.1f} % of the ground near it only bridges holes.")
    return " ".join(parts)


def _spread(values: Floats) -> tuple[float, float, float]:
    """Median, tenth and ninetieth percentile of what is known."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return np.nan, np.nan, np.nan
    low, usual, high = np.percentile(known, (10.0, 50.0, 90.0))
    return float(usual), float(low), float(high)


def _made_up(part: RoadStudy) -> float:
    """Share of the cells near the road that only bridge holes."""
    case, made_up = part.case, part.ground.made_up
    if made_up is None:
        return np.nan
    half_m = 0.5 * case.pavement_width_m + case.shoulder_width_m + case.settings.search_m

    def near(cells: Cells) -> int:
        return int(np.count_nonzero((cells.o <= half_m) & (cells.o >= -half_m)))

    left = near(made_up)
    return left / max(left + near(part.ground.cells), 1)


def _least_told(part: RoadStudy, cell_m: float, judged: np.ndarray) -> dict[str, float]:
    """Least slope difference, step and rut told over `TOLD_OVER_M`."""
    measures = part.measures
    out = {
        "slope_points": _TOLD * known_median(measures.shoulder_slope_se[judged]),
        "step_mm": _TOLD * known_median(measures.edge_drop_se[judged]),
        "rut_mm": known_median(measures.rut_detectable_mm[judged]),
    }
    average_m = known_median(measures.average_m[judged])
    if not np.isfinite(average_m) or abs(average_m - TOLD_OVER_M) < 0.5:
        return out
    power = _Power(part, cell_m)
    here, there = power.over(average_m), power.over(TOLD_OVER_M)
    for name, a, b in zip(out, here, there, strict=True):
        out[name] *= b / a if np.isfinite(a) and a > 0.0 else np.nan
    return out


class _Power:
    """What the road's own noise makes of any averaging length."""

    def __init__(self, part: RoadStudy, cell_m: float) -> None:
        noise: Noise = part.measured.shoulder.noise
        self.place = (
            cell_m,
            max(known_median(noise.known_sigma_m()), 1e-4),
            max(known_median(part.measures.shoulder_width_m), 0.01),
        )
        self.options: dict[str, Any] = {
            "pavement_width_m": part.case.pavement_width_m,
            "correlation_m": known_median(noise.correlation_m, 0.0),
            "nugget": known_median(noise.nugget, 1.0),
        }

    def over(self, average_m: float) -> tuple[float, float, float]:
        """Standard errors of slope and step, and the rut told."""
        power = resolving_power(*self.place, average_m, **self.options)
        return power.given_slope_se, power.given_drop_se, power.rut_mm

    def least_m(self) -> float:
        """Averaging length that tells 4 % from 2 %."""
        return least_average(*self.place, difference_pct=WANTED_POINTS, **self.options)


def _with_helps(told: GridTells, part: RoadStudy) -> GridTells:
    """Add what would help, that which helps most first."""
    helps: list[tuple[Help, float]] = []
    width_m = known_median(part.measures.shoulder_width_m)
    if told.road_found < 1.0 - MANY_ROUGH:
        helps.append((Help.CLOSER_LINE, 1.0 - told.road_found))
    sharing = told.effective_cell_m > SHARING * told.cell_m
    if sharing:
        helps.append((Help.DENSER_SURVEY, told.effective_cell_m))
    elif not told.points and width_m < ENOUGH_CELLS * told.cell_m:
        least = LEAST_CELLS_ACROSS if width_m < LEAST_CELLS_ACROSS * told.cell_m else ENOUGH_CELLS
        helps.append((Help.FINER_CELLS, width_m / least))
    if not told.points:
        helps.append((Help.POINTS, 0.0))
    if told.edges_seen < FEW_SEEN and part.case.extras.image is None:
        helps.append((Help.IMAGE, 1.0 - told.edges_seen))
    if told.grassy > MANY_ROUGH:
        helps.append((Help.MOWING, told.grassy))
    if told.slope_points > WANTED_POINTS:
        least_m = _Power(part, told.cell_m).least_m()
        average_m = known_median(part.measures.average_m)
        if np.isfinite(least_m) and least_m > average_m:
            helps.append((Help.LONGER_AVERAGE, least_m))
    return replace(told, helps=tuple(helps))
