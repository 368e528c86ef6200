"""Whether heights can be in the unit they are read in, told by the shape of a road.

A foot is less than a third of a metre: read in the other unit, crowns and banks are three times as
steep or as flat as any that are built. Where the shape leaves it open, nothing is said.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import HeightUnitError
from analysis.corridor.values import Ribbon
from analysis.road.roadline import Road

__all__ = ["check_height_unit"]

# A surface that falls this much to both sides of its crown along half of a road is rare (usual
# is 2 to 4 %, and averaging over a line that lies off flattens it; feet read as metres make 2 %
# into 6.6 %), and so is a steeper grade. Common practice.
_STEEPEST_CROWN_PCT = 4.5
_STEEPEST_GRADE_PCT = 25.0
# Metres read as feet make a crown of 1.5 to 3 % (AASHTO, A Policy on Geometric Design: 1.5 to 2 %
# for paved lanes; from memory) into 0.5 to 0.9 %, and banks of 1:2 to 1:4 into 1:7 to 1:13.
_CROWNED_PCT = (0.25, 1.0)
_FLATTEST_BANK_PCT = 20.0
_CROWNED_SHARE = 0.8

_PIECE_M = 20.0
_LEAST_PIECES = 3
_CROWN_SHIFT_M = 2.0
_LANE_M = 1.25
_BANKS_M = 12.0
_COARSEST_M = 0.75


class Heights(Protocol):
    """What heights come from, a grid or points: its name and unit."""

    @property
    def name(self) -> str:
        """How it is called."""

    @property
    def z_unit_m(self) -> float:
        """Length of a unit of its heights, metres."""

    @property
    def z_unit_source(self) -> str:
        """Where the unit comes from, in words."""

    @property
    def z_unit_sure(self) -> bool:
        """False when it was assumed."""


def check_height_unit(heights: Heights, road: Road, ribbon: Ribbon, cell_m: float) -> None:
    """Refuse heights that can only be in another unit than they were read in.

    Feet read as metres are told by a road that falls more than 4.5 % to both sides of its crown
    along half of its length, or is steeper than 25 % along a tenth of it; the file must leave the
    unit open. Metres read as feet, by assumption or because the file says so, are told by a crown
    that is there and reaches 1 % hardly anywhere, beside banks flatter than 1:5. Crowns show in
    cells up to 0.75 m only: coarser ones mix in the banks of a narrow road, and leave it open, as
    crowns over 3 % do. What a person said isn't questioned.

    Parameters
    ----------
    heights : Heights
        The grid, or the points, that was read.
    road : Road
    ribbon : Ribbon
    cell_m : float
        Size of a cell.

    Raises
    ------
    HeightUnitError
        With what was seen, and what to say to go on.
    """
    if heights.z_unit_source.startswith("given"):
        return
    if heights.z_unit_m == 1.0 and not heights.z_unit_sure:
        _check_steep(heights, road, ribbon, cell_m)
    elif math.isclose(heights.z_unit_m, 0.3048, rel_tol=1e-4):
        _check_flat(heights, road, ribbon, cell_m)


def _check_steep(heights: Heights, road: Road, ribbon: Ribbon, cell_m: float) -> None:
    falls = _crown_falls_pct(ribbon, cell_m)
    crown = float(np.median(falls)) if len(falls) else math.nan
    grade = _steep_grade_pct(ribbon)
    if crown > _STEEPEST_CROWN_PCT:
        sign = f"falls {crown:.1f} % to both sides of its crown"
    elif grade > _STEEPEST_GRADE_PCT:
        sign = f"rises and falls {grade:.0f} % along"
    else:
        return
    raise HeightUnitError(
        f"The heights of {heights.name} look like feet read as metres, because the road "
        f'"{road.name}" {sign}; give the vertical unit (foot or us-foot, or metre if the road '
        "really is so)."
    )


def _check_flat(heights: Heights, road: Road, ribbon: Ribbon, cell_m: float) -> None:
    falls = _crown_falls_pct(ribbon, cell_m)
    if len(falls) < _LEAST_PIECES:
        return
    crown, bank = float(np.quantile(falls, _CROWNED_SHARE)), _bank_pct(ribbon)
    low, high = _CROWNED_PCT
    if low < crown < high and bank < _FLATTEST_BANK_PCT:
        raise HeightUnitError(
            f"The heights of {heights.name} look like metres read as feet, because the road "
            f'"{road.name}" falls only {crown:.1f} % to both sides of its crown and its banks '
            f"{bank:.0f} %; give the vertical unit (metre, or foot or us-foot if the road really "
            "is so)."
        )


def _pieces(ribbon: Ribbon, half_width_m: float) -> NDArray[np.float64]:
    """Return the middle of the ribbon in pieces along the road, (pieces, stations, offsets)."""
    count = max(round(_PIECE_M / ribbon.step_s), 1)
    whole = len(ribbon.s) // count
    middle = np.abs(ribbon.o) <= half_width_m
    return ribbon.z[: whole * count, middle].reshape(whole, count, int(middle.sum()))


def _profiles(ribbon: Ribbon, half_width_m: float) -> NDArray[np.float64]:
    """Return the mean section of each piece, free of the grade: only stations known across."""
    z = _pieces(ribbon, half_width_m)
    z = np.where(np.isnan(z).any(axis=2, keepdims=True), np.nan, z)
    known = np.isfinite(z[:, :, 0]).sum(axis=1)
    return np.asarray(np.nansum(z, axis=1)[known > 0] / known[known > 0, None])


def _crown_falls_pct(ribbon: Ribbon, cell_m: float) -> NDArray[np.float64]:
    """Return the fall to both sides of the crown of each piece; empty if unknown."""
    if cell_m > _COARSEST_M:
        return np.empty(0)
    reach = _CROWN_SHIFT_M + cell_m + _LANE_M
    profile, o = _profiles(ribbon, reach), ribbon.o[np.abs(ribbon.o) <= reach]
    best = np.full(len(profile), -np.inf)
    for crown in np.arange(-_CROWN_SHIFT_M, _CROWN_SHIFT_M + 0.25, 0.5):
        falls = []
        for sign in (-1.0, 1.0):
            u = sign * (o - crown)
            # the cell on the crown itself is rounded off
            lane = (u >= cell_m - 1e-9) & (u <= cell_m + _LANE_M + 1e-9)
            if lane.sum() < 2:
                return np.empty(0)
            away = u[lane] - u[lane].mean()
            falls.append(-100.0 * (profile[:, lane] @ away) / (away @ away))
        best = np.maximum(best, np.minimum(*falls))
    return best


def _bank_pct(ribbon: Ribbon) -> float:
    """Return the slope that a tenth of the section exceeds, on half of the pieces; NaN unknown."""
    profile = _profiles(ribbon, _BANKS_M)
    step = max(round(1.0 / ribbon.step_o), 1)
    if not len(profile) or profile.shape[1] <= step:
        return math.nan
    slope = 100.0 * np.abs(profile[:, step:] - profile[:, :-step]) / (step * ribbon.step_o)
    return float(np.median(np.quantile(slope, 0.9, axis=1)))


def _steep_grade_pct(ribbon: Ribbon) -> float:
    """Return the grade that a tenth of the road exceeds, over 20 m; NaN unknown."""
    centre = _pieces(ribbon, ribbon.step_o / 2.0)[:, :, 0]
    z = np.full(len(centre), np.nan)
    known = np.isfinite(centre).any(axis=1)
    # the middle height of a piece, which a spike doesn't move
    z[known] = np.nanmedian(centre[known], axis=1)
    grade = np.abs(np.diff(z)) / (max(round(_PIECE_M / ribbon.step_s), 1) * ribbon.step_s)
    grade = grade[np.isfinite(grade)]
    return 100.0 * float(np.quantile(grade, 0.9)) if len(grade) >= _LEAST_PIECES else math.nan
