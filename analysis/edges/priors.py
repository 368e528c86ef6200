"""What is known of one side of a road before its edges and hinges are looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.common.types import Floats
from analysis.edges.brightness import Brightness

__all__ = ["PRIORS", "SectionPriors", "SideBlocks"]


@dataclass(frozen=True, slots=True)
class SectionPriors:
    """What sections look like before the ground is looked at; outward rise as a fraction.

    Each is (mean, standard deviation), common practice widened so far that no shoulder met in
    practice is implausible.

    Attributes
    ----------
    slope
        Of the pavement.
    kink
        At the pavement edge, shoulder minus pavement.
    hinge
        Kink from shoulder to foreslope.
    bare
        Kink at a pavement edge without shoulder.
    steps : tuple of (weight, mean, standard deviation)
        Step at the pavement edge in metres, up positive: flush, worn or high, kerb.
    drift
        Standard deviation of a break's move along 5 m of road, metres.
    width_spread
        Standard deviation of a break about its nominal place, metres.
    switch
        Probability that a shoulder begins or ends within 5 m.
    knot_m, rough_m, roughness_switch
        A rough shoulder: distance of the knots of its shape, their scatter in metres, and the
        probability that roughness begins within 5 m.
    forms : tuple of (begin, middle, end)
        What may lie beside a flush edge, metres outward: wheel ruts as wide as a tyre with its
        sides, then lips and worn edges that run out over some width.
    form_m
        Scatter of their heights and depths, metres.
    level_m, step_cost, step_switch
        Steps come in levels this far apart, cost this much log evidence beside a flush edge
        (a rut next to the edge looks much like a step), and change with this probability
        within 5 m.
    lasting_m
        So much road has one kink at a flush edge, by trials on made roads.
    """

    slope: tuple[float, float] = (-0.02, 0.05)
    kink: tuple[float, float] = (-0.02, 0.035)
    hinge: tuple[float, float] = (-0.25, 0.15)
    bare: tuple[float, float] = (-0.25, 0.15)
    steps: tuple[tuple[float, float, float], ...] = (
        (0.85, 0.0, 0.005),
        (0.12, 0.0, 0.06),
        (0.03, 0.13, 0.04),
    )
    drift: float = 0.035
    width_spread: float = 0.9
    switch: float = 0.01
    knot_m: float = 0.35
    rough_m: float = 0.02
    roughness_switch: float = 0.03
    forms: tuple[tuple[float, float, float], ...] = (
        (0.0, 0.35, 0.7),
        (0.2, 0.6, 1.0),
        (0.4, 0.8, 1.2),
        (0.6, 1.0, 1.4),
        (0.85, 1.25, 1.65),
        (0.0, 0.0, 0.35),
        (0.0, 0.0, 0.6),
        (0.0, 0.0, 0.9),
    )
    form_m: float = 0.032
    level_m: float = 0.025
    step_cost: float = 0.5
    step_switch: float = 0.03
    lasting_m: float = 30.0

    def kinks(self) -> Floats:
        """Return mean and standard deviation of slope, kink, hinge and bare edge, (4, 2)."""
        return np.array([self.slope, self.kink, self.hinge, self.bare])

    def between_m(self, step_m: float) -> float:
        """Return the step that a hinge between two candidates looks like, metres."""
        return abs(self.hinge[0]) * step_m / 3.0


PRIORS = SectionPriors()


@dataclass(frozen=True, slots=True)
class SideBlocks:
    """One side of a road in b blocks, and where its breaks ought to lie.

    Attributes
    ----------
    u : (k,)
        Places across, outward from the axis, even steps.
    z, precision : (b, k)
        Mean heights and their inverse variances; precision 0 = unknown or not to be used.
    edge_m, shoulder_m : (b,)
        Nominal place of the edge and nominal width of the shoulder.
    box_m : (b, 2)
        Box widths of a cell across the road.
    length_m : float
        Of a block.
    edge_given, hinge_given : (b,)
        Places that a person fixed; NaN = not given.
    bright : Brightness, optional
        Brightness that may show the edge too.
    edge_given_se : (b,), optional
        Standard error, over a hundred metres, of edges given that aren't exact; 0, or None: a
        person's.
    usual_box_m : (2,), optional
        Box widths that are usual along the road; None: along these blocks.
    """

    u: Floats
    z: Floats
    precision: Floats
    edge_m: Floats
    shoulder_m: Floats
    box_m: Floats
    length_m: float
    edge_given: Floats
    hinge_given: Floats
    bright: Brightness | None = None
    edge_given_se: Floats | None = None
    usual_box_m: Floats | None = None

    def usual_box(self) -> Floats:
        """(2,) usual box widths, which the places to be looked at are laid out by."""
        if self.usual_box_m is not None:
            return self.usual_box_m
        return np.asarray(np.median(self.box_m, axis=0))

    def drift_m(self) -> float:
        """Standard deviation of a break's move from block to block."""
        return float(PRIORS.drift * np.sqrt(self.length_m / 5.0))
