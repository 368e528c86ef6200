"""What goes into a screening of one road, and the ground that is read along it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.station_arrays import PerStation
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.road.roadline import Road
from analysis.terrain.grid import Terrain
from analysis.terrain.points import PointFiles

__all__ = ["Case", "Cells", "Extras", "Ground", "Ribbon"]


@dataclass(frozen=True, slots=True)
class Extras:
    """What a person may add to grid and centreline; all in the working plane, metres.

    Attributes
    ----------
    mask
        Polygons (m, 2) of what isn't shoulder: driveways, side roads, bridges, barriers.
    edges
        Lines (m, 2) along pavement edges; they override the search where they run.
    kerbs
        Lines (m, 2) where kerbs stand: nowhere else is one. None: nobody knows.
    culverts
        (c, 2) points where a culvert drains the ditch.
    widths
        Table of widths by station range: road, from_m, to_m, pavement_left_m, pavement_right_m,
        shoulder_left_m, shoulder_right_m (NaN = not given).
    points
        Ground points, measured in the place of the grid's cells.
    image
        File of an intensity or orthophoto that may show the pavement edge.
    """

    mask: tuple[Floats, ...] = ()
    edges: tuple[Floats, ...] = ()
    kerbs: tuple[Floats, ...] | None = None
    culverts: Floats = field(default_factory=lambda: np.empty((0, 2)))
    widths: Table | None = None
    points: PointFiles | None = None
    image: str | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """One road to screen, with all that is given: what every stage is handed first.

    Attributes
    ----------
    grid, road
        The terrain, and the centreline in its working plane.
    s : (n,)
        Distances of the stations along the road, metres.
    box_m : (n, 2)
        Box widths of a cell across the road at the stations, as `ribbon.footprint` gives them.
    settings, limits, extras
        What a person set, the criteria, and what was added to grid and centreline.
    """

    grid: Terrain
    road: Road
    s: PerStation[Floats]
    box_m: PerStation[Floats]
    settings: Settings
    limits: Limits
    extras: Extras


@dataclass(frozen=True, slots=True)
class Cells:
    """Native grid cells near a road, or ground points in their place, sorted along it.

    Attributes
    ----------
    s, o : (m,) float64
        Road coordinates of the cell centres, metres.
    z : (m,) float64
        Heights, metres; cells without a height are left out.
    row, col : (m,) int32
        Place in the grid; for points, in a lattice of their own.
    cell_m : float
        Size of a cell; for points, of the square that each has to itself, metres.
    lattice : tuple of float, optional
        Where that lattice lies, as `Terrain.transform`; None = the grid's.
    intensity : (m,) float64, optional
        How bright each is beside the pavement; NaN unknown.
    """

    s: NDArray[np.float64]
    o: NDArray[np.float64]
    z: NDArray[np.float64]
    row: NDArray[np.int32]
    col: NDArray[np.int32]
    cell_m: float
    lattice: tuple[float, float, float, float, float, float] | None = None
    intensity: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return len(self.s)

    def window(self, s0: float, s1: float) -> slice:
        """Return the slice of cells with ``s0 <= s < s1``."""
        first, last = np.searchsorted(self.s, [s0, s1])
        return slice(int(first), int(last))

    def part(self, here: slice) -> Cells:
        """Return the cells of a slice, such as `window` gives."""
        return replace(
            self,
            s=self.s[here],
            o=self.o[here],
            z=self.z[here],
            row=self.row[here],
            col=self.col[here],
            intensity=None if self.intensity is None else self.intensity[here],
        )


@dataclass(frozen=True, slots=True)
class Ribbon:
    """Road-aligned grid of heights, bilinear between cell centres.

    Attributes
    ----------
    s : (n,) float64
        Distances along the road, metres.
    o : (k,) float64
        Offsets, metres, right positive, symmetric about 0.
    z : (n, k) float64
        Heights, metres; NaN where one of the four cells has none, and where the point
        belongs to another station (inside of a tight bend, other leg of a hairpin).
    step_s, step_o : float
        Steps, metres.
    """

    s: NDArray[np.float64]
    o: NDArray[np.float64]
    z: NDArray[np.float64]
    step_s: float
    step_o: float


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground along one road: its native cells, and the ribbon made of them."""

    cells: Cells
    ribbon: Ribbon

    def between(self, low: float, high: float) -> Ground:
        """Return the same with only the cells from `low` to `high` metres along the road."""
        return replace(self, cells=self.cells.part(self.cells.window(low, high)))
