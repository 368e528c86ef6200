"""One reach as the planning of its work needs it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analysis.common.verdicts import REPLENISHING, RESHAPING, Treatment

__all__ = ["Side", "WorkReach"]

Side = Literal["left", "right"]

_FAR = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkReach:
    """One reach as the work plan needs it; lengths in metres, NaN = unknown.

    `from_m` and `to_m` are station labels (either may be the greater). `from_z_m` and `to_z_m`
    are the heights of the edge there, for the order of work. `filled_m` is the length that is
    filled, `ditch_depth_m` the mean depth of the ditch where it is blocked. `road_low_m` and
    `road_high_m` are the least and greatest label of the road, which no limit of work passes. `row`
    is the reach's row in the table that it came from. `harm_class` and `harm` rank it (class 1 is
    worst, 0 none); `rank` is 0 where nothing is wrong.
    """

    road: str
    side: Side
    from_m: float
    to_m: float
    length_m: float
    finding: str
    treatment: str
    width_m: float = math.nan
    cut_m3_bank: float = math.nan
    fill_m3_compacted: float = math.nan
    import_m3_loose: float = math.nan
    import_t: float = math.nan
    haul_away_m3_loose: float = math.nan
    ditch_clean_m: float = 0.0
    ditch_depth_m: float = math.nan
    filled_m: float = math.nan
    worst_drop_mm: float = math.nan
    pond_depth_mm: float = math.nan
    grade_pct: float = math.nan
    required_slope_pct: float = math.nan
    foreslope_pct: float = math.nan
    from_z_m: float = math.nan
    to_z_m: float = math.nan
    road_low_m: float = -_FAR
    road_high_m: float = _FAR
    rank: int = 0
    harm_class: int = 0
    harm: float = math.nan
    row: int = -1

    @property
    def low_m(self) -> float:
        """The lesser station label."""
        return min(self.from_m, self.to_m)

    @property
    def high_m(self) -> float:
        """The greater station label."""
        return max(self.from_m, self.to_m)

    @property
    def has_work(self) -> bool:
        """Whether anything is to be done here, rather than looked at."""
        return self.treatment not in ("", Treatment.NONE, Treatment.CANT_TELL)

    @property
    def shaped(self) -> bool:
        """Whether the shoulder itself is worked, not its ditch alone."""
        return self.treatment in (*RESHAPING, *REPLENISHING)

    def fill_mm(self, width_m: float) -> float:
        """Mean depth of the fill, compacted, where there is any."""
        filled = self.length_m if math.isnan(self.filled_m) else self.filled_m
        if not (self.fill_m3_compacted > 0.0 and filled > 0.0):
            return 0.0
        return 1000.0 * self.fill_m3_compacted / (filled * width_m)
