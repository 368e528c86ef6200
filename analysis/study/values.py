"""What is known of the roads that were screened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.common.limits import Limits
from analysis.common.settings import Settings
from analysis.common.types import Floats
from analysis.corridor.values import Cells, Extras, Ribbon
from analysis.earthwork.areas import Areas
from analysis.edges.values import Breaks, Overrides
from analysis.findings.geopackage import Findings
from analysis.road.roadline import Road
from analysis.shoulder.values import Measures, Noise, Sections
from analysis.terrain.grid import Terrain
from analysis.verdict.beliefs import Beliefs
from analysis.verdict.values import Judgement, Reach
from analysis.water.assess import Water

__all__ = ["Measured", "RoadStudy", "Study"]


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured on one road, whatever the limits; arrays over its n stations."""

    road: Road
    s: Floats
    cells: Cells
    ribbon: Ribbon
    box_m: Floats
    overrides: Overrides
    breaks: Breaks
    noise: Noise
    measures: Measures
    sections: Sections
    water: Water
    beliefs: Beliefs


@dataclass(frozen=True, slots=True)
class RoadStudy(Measured):
    """All that is known of one road: what was measured, and how it is judged.

    `uncorrected` is what was measured before a person corrected single breaks; None where nobody
    did. Corrections always start from it, so that neither their order nor a way round by a saved
    file changes the numbers.
    """

    areas: Areas
    judgement: Judgement
    labels: NDArray[np.int8]
    reaches: tuple[Reach, ...]
    first_row: int = 0
    uncorrected: Measured | None = None

    @property
    def station_m(self) -> Floats:
        """Station labels of the n stations."""
        return np.asarray(self.road.label(self.s), dtype=float)


@dataclass(frozen=True, slots=True)
class Study:
    """A screening: what went in, what was measured, and the findings to hand out."""

    terrain: Terrain
    settings: Settings
    limits: Limits
    roads: tuple[RoadStudy, ...]
    findings: Findings
    extras: Extras
