"""What goes into a screening of one road, and the ground that is read along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import lines_at
from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.station_arrays import PerStation
from analysis.common.table import Table
from analysis.common.types import Bools, Floats
from analysis.road.roadline import Road, Tracker
from analysis.terrain.grid import Terrain
from analysis.terrain.points import PointFiles

__all__ = ["TILE", "Case", "Cells", "Extras", "Grain", "Ground", "Ribbon", "Strips", "Unread"]


TILE = 8
"""Cells along each side of the tiles of a block of the grid that is read."""


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
class Grain:
    """How a grid was made: cells that are means of their ground, as long as nothing else shows.

    Attributes
    ----------
    triangles : float
        Probability that its heights are read from triangles of points, or from another grid.
    smear_m2, smear_se_m2 : float
        Variance per axis of what the ground is smeared by then, and how well it is known. Where no
        likeness shows nothing tells how well cells keep to means of their own ground: 0.
    shared_m2 : float
        Area that counts as one independent value then.
    given : bool
        A person gave the density of the points.
    """

    triangles: float = 0.0
    smear_m2: float = 0.0
    smear_se_m2: float = 0.0
    shared_m2: float = 0.0
    given: bool = False

    def cells_per_value(self, cell_m: float) -> float:
        """How many cells tell as much as one independent value; at least 1."""
        return max(1.0, 1.0 + self.triangles * (self.shared_m2 / cell_m**2 - 1.0))

    def smear_m(self, cell_m: float) -> float:
        """Width of a box that smears as much: the cell's own where cells are means."""
        mean = (1.0 - self.triangles) * cell_m**2 / 12.0 + self.triangles * self.smear_m2
        return float(np.sqrt(12.0 * mean))


@dataclass(frozen=True, slots=True)
class Strips:
    """What the strips of a survey have in common along a whole road.

    Attributes
    ----------
    ids : (k,) uint16
        The strips that have points along it, sorted.
    level_m : (k,)
        How far each stands above the mean of those that it meets, metres.
    usual : (k,)
        Usual intensity of the pavement in each; NaN unknown.
    bright : bool
        Whether intensities tell anything.
    room_m : float
        Side of the square that each point of the pavement has to itself, metres.
    corner : (float, float)
        West and north of all points along the road, metres.
    """

    ids: NDArray[np.uint16]
    level_m: Floats
    usual: Floats
    bright: bool
    room_m: float
    corner: tuple[float, float]


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
        Box widths of a cell across the road at the stations, as the grid turned out to be made.
    settings, limits, extras
        What a person set, the criteria, and what was added to grid and centreline.
    grain
        How the grid was made.
    usual_box_m : (2,), optional
        Box widths that are usual along the whole road, of which this may be a piece; None: those
        of these stations are.
    even_box_m : (k, 2), optional
        Box widths in the middles of even parts of the whole road, which lines between stations are
        drawn through; None: those of the stations are.
    strips
        What the strips of a survey have in common along the whole of a long road; None: what they
        have along this one.
    beats : (b,), optional
        Places all along the whole road that tell what goes on along it, however far apart stations
        lie; None: the stations.
    tracker
        The road prepared for going between plane and road, where several parts of it are read;
        None: whoever reads prepares it.
    """

    grid: Terrain
    road: Road
    s: PerStation[Floats]
    box_m: PerStation[Floats]
    settings: Settings
    limits: Limits
    extras: Extras
    grain: Grain = Grain()
    usual_box_m: Floats | None = None
    strips: Strips | None = None
    beats: Floats | None = None
    even_box_m: Floats | None = None
    tracker: Tracker | None = None

    @property
    def pavement_width_m(self) -> float:
        """Nominal width of this road's pavement."""
        return self.settings.widths_of(self.road.name)[0]

    @property
    def shoulder_width_m(self) -> float:
        """Nominal width of this road's shoulders."""
        return self.settings.widths_of(self.road.name)[1]

    def box_at(self, s: Floats) -> Floats:
        """Box widths at ascending places, (m, 2), of lines that hang on no station."""
        at, boxes = self.s, self.box_m
        if self.even_box_m is not None:
            boxes = self.even_box_m
            at = (np.arange(len(boxes)) + 0.5) * self.road.length_m / len(boxes)
        return np.column_stack([lines_at(s, at, box) for box in boxes.T])

    def at(self, s: Floats) -> Case:
        """The same road with stations at ascending places, (k,), those of now among them."""
        if s.size == self.s.size:
            return self
        box_m, own = self.box_at(s), np.searchsorted(s, self.s)
        box_m[own] = self.box_m
        return replace(self, s=s, box_m=box_m)

    def strands(self) -> list[NDArray[np.intp]]:
        """Stations in strands whose own lie as far apart as the `beats`, each (k,) of indices.

        The first strand is that of the beats themselves. Where stations lie closer, each strand
        tells what those of a road with stations that far apart would.
        """
        at = np.arange(self.s.size)
        beat = np.empty(0) if self.beats is None else np.flatnonzero(np.isin(self.s, self.beats))
        every = int(np.diff(beat).min(initial=self.s.size)) if len(beat) > 1 else 1
        if every < 2:
            return [at]
        return [at[(beat[0] + first) % every :: every] for first in range(every)]

    def beats_here(self) -> Floats:
        """Those of the `beats` that lie less than a spacing beyond the stations, (k,)."""
        if self.beats is None or not self.s.size:
            return self.s
        beyond = self.settings.spacing_m - 1e-6
        first, last = np.searchsorted(self.beats, [self.s[0] - beyond, self.s[-1] + beyond])
        return self.beats[first:last]


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
    every : int
        Rows and columns of the grid from one cell to the next: more than 1 where cells that repeat
        each other were put together.
    shared_m : (m,) float64, optional
        Standard error of the level that cells share, as far as each has a part of it: what bringing
        two strips of a survey level leaves, metres.
    """

    s: NDArray[np.float64]
    o: NDArray[np.float64]
    z: NDArray[np.float64]
    row: NDArray[np.int32]
    col: NDArray[np.int32]
    cell_m: float
    lattice: tuple[float, float, float, float, float, float] | None = None
    intensity: NDArray[np.float64] | None = None
    every: int = 1
    shared_m: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return len(self.s)

    def window(self, s0: float, s1: float) -> slice:
        """Return the slice of cells with ``s0 <= s < s1``."""
        first, last = np.searchsorted(self.s, [s0, s1])
        return slice(int(first), int(last))

    def part(self, here: slice | Bools) -> Cells:
        """Return the cells of a slice, such as `window` gives, or those chosen, (m,)."""
        return replace(
            self,
            s=self.s[here],
            o=self.o[here],
            z=self.z[here],
            row=self.row[here],
            col=self.col[here],
            intensity=None if self.intensity is None else self.intensity[here],
            shared_m=None if self.shared_m is None else self.shared_m[here],
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
class Unread:
    """Ground near a road that nobody knows because its file can't be read.

    Attributes
    ----------
    s, o : (m,)
        Road coordinates of places on it, about two metres or a cell apart.
    file : (m,) int
        Which of `names` it is.
    names
        Files that can't be read.
    """

    s: Floats
    o: Floats
    file: NDArray[np.int64]
    names: tuple[str, ...]

    @classmethod
    def joined(cls, parts: Sequence[Unread]) -> Unread | None:
        """Several in one; None where there is none."""
        if not parts:
            return None
        names = tuple(dict.fromkeys(name for part in parts for name in part.names))
        files = [np.array([names.index(name) for name in part.names])[part.file] for part in parts]
        s, o = (np.concatenate(held) for held in zip(*((p.s, p.o) for p in parts), strict=True))
        return cls(s, o, np.concatenate(files), names)

    def between(self, low: float, high: float) -> Unread | None:
        """The same from `low` to `high` metres along the road; None where that is nothing."""
        here = (self.s >= low) & (self.s < high)
        if not here.any():
            return None
        return replace(self, s=self.s[here], o=self.o[here], file=self.file[here])


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground along one road.

    Attributes
    ----------
    cells, ribbon
        Its native cells, and the ribbon made of them.
    made_up
        Cells left out of `cells`, because they only bridge holes; None = nobody looked.
    unread
        What couldn't be read of it; None = nothing of that kind.
    """

    cells: Cells
    ribbon: Ribbon
    made_up: Cells | None = None
    unread: Unread | None = None

    def between(self, low: float, high: float) -> Ground:
        """Return the same with only the cells from `low` to `high` metres along the road."""
        made_up = self.made_up
        if made_up is not None:
            made_up = made_up.part(made_up.window(low, high))
        return replace(
            self,
            cells=self.cells.part(self.cells.window(low, high)),
            made_up=made_up,
            unread=None if self.unread is None else self.unread.between(low, high),
        )
