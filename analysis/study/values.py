"""What is known of the roads that were screened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.types import Floats
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges.values import Breaks
from analysis.findings.geopackage import Findings
from analysis.road.roadline import Road
from analysis.shoulder.values import Measures
from analysis.terrain.grid import Terrain
from analysis.verdict.values import Judged, Measured, Reach

__all__ = ["RoadStudy", "Study"]


@dataclass(frozen=True, slots=True)
class RoadStudy:
    """All that is known of one road.

    Attributes
    ----------
    case, ground
        What was given, and the ground that was read.
    measured, judged
        What was measured on it, and how that is judged.
    uncorrected
        What was measured before a person corrected single breaks; None where nobody did.
        Corrections always start from it, so that neither their order nor a way round by a saved
        file changes the numbers.
    first_row
        Where its stations begin in the table of stations.
    """

    case: Case
    ground: Ground
    measured: Measured
    judged: Judged
    uncorrected: Measured | None = None
    first_row: int = 0

    @property
    def road(self) -> Road:
        """The centreline."""
        return self.case.road

    @property
    def s(self) -> Floats:
        """(n,) distances of the stations, metres."""
        return self.case.s

    @property
    def station_m(self) -> Floats:
        """(n,) labels of the stations, metres."""
        return np.asarray(self.road.label(self.s), dtype=float)

    @property
    def breaks(self) -> Breaks:
        """Where the parts of the section begin and end."""
        return self.measured.breaks

    @property
    def measures(self) -> Measures:
        """Slopes, drops and ruts, with their errors."""
        return self.measured.shoulder.measures

    @property
    def reaches(self) -> tuple[Reach, ...]:
        """The stretches with one finding each."""
        return self.judged.reaches


@dataclass(frozen=True, slots=True)
class Study:
    """A screening: the roads, at least one, and the findings to hand out.

    All roads were screened on one terrain, with the same settings, limits and extras.
    """

    roads: tuple[RoadStudy, ...]
    findings: Findings

    @property
    def terrain(self) -> Terrain:
        """The grid that the roads lie on."""
        return self.roads[0].case.grid

    @property
    def settings(self) -> Settings:
        """What a person set."""
        return self.roads[0].case.settings

    @property
    def limits(self) -> Limits:
        """The criteria that the roads are judged by."""
        return self.roads[0].case.limits

    @property
    def extras(self) -> Extras:
        """What was added to grid and centrelines."""
        return self.roads[0].case.extras
