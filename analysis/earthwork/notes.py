"""What a crew is told in words: season and moisture, how to spread, what to mind on this reach."""

from __future__ import annotations

import math

from analysis.common.limits import Limits, MaterialLimits, ShapeLimits, WaterLimits
from analysis.common.verdicts import CLEANING, Finding
from analysis.earthwork.production import loose_rise_mm
from analysis.earthwork.work_reach import WorkReach

__all__ = ["DRY_NOTE", "SEASON_NOTE", "notes_on"]

SEASON_NOTE = "Best done after rain, while the material is moist: it cuts, binds and compacts."
DRY_NOTE = (
    "In dry weather bring water, as reckoned here; dry material ravels, blows and won't compact."
)


def notes_on(
    reach: WorkReach, fill_mm: float, lifts: int, placed_m3: float, limits: Limits
) -> tuple[str, ...]:
    """Sentences about one reach, that stand beside its work."""
    notes = [_KERB_NOTE] if reach.finding == Finding.KERB_OR_HIGH else []
    if reach.shaped:
        notes.append(_rise_note(reach, fill_mm, lifts, limits.material))
    if lifts > 1:
        notes.append(f"Spread and roll the fill of {fill_mm:.0f} mm in {lifts} lifts.")
    if placed_m3 > 0.0:
        notes.append(
            f"Spread {placed_m3:.1f} m³ loose of the surplus evenly on the foreslope, clear of the "
            "ditch, and only where the owner allows it."
        )
    if reach.treatment in CLEANING:
        notes.append(_DITCH_NOTE)
    severity = _drop_severity(reach.worst_drop_mm, limits.shape)
    acted_on = reach.worst_drop_mm >= limits.shape.edge_drop_mm.value
    if severity or acted_on:
        what = f"Edge drop-off of {reach.worst_drop_mm:.0f} mm{severity}"
        notes.append(f"{what}: sign it until it is filled." if acted_on else f"{what}.")
    ratio = 100.0 / reach.foreslope_pct if reach.foreslope_pct > 0.0 else math.inf
    if ratio < limits.material.foreslope_critical_ratio.value:
        notes.append(
            f"Foreslope falls 1 in {ratio:.1f}, steeper than 1 in "
            f"{limits.material.foreslope_critical_ratio.value:.0f}: "
            "keep wheels and roller off the hinge."
        )
    notes += _water_notes(reach, limits.water)
    if reach.shaped and math.isnan(reach.fill_m3_compacted):
        notes.append("Quantities aren't known here: measure on site before ordering material.")
    if not reach.width_m > 0.0:
        notes.append("The shoulder width isn't known here: passes are for one blade width.")
    return tuple(notes)


_KERB_NOTE = (
    "It may be a kerb: somebody has to look before anything is cut. If one stands here, cut "
    "nothing and check its inlets."
)
_DITCH_NOTE = (
    "Before the ditch is cleaned, see where it runs out: look at its outlet and at every culvert "
    "on the way, and open them first. The spoil goes where the owner says, never on the shoulder."
)


def _rise_note(reach: WorkReach, fill_mm: float, lifts: int, material: MaterialLimits) -> str:
    """How high to leave the last lift, which depends on the fill that it is rolled with."""
    if math.isnan(reach.fill_m3_compacted):
        return "How much is filled isn't known here: try on the first 20 m how much it settles."
    if fill_mm < 0.5:
        return "Nothing is filled here: leave no loose material above the pavement edge."
    rise, each = (loose_rise_mm(depth, material) for depth in (fill_mm / lifts, 100.0))
    last = "the last lift" if lifts > 1 else "the fill"
    return (
        f"Leave {last} {rise:.0f} mm above its finished height, {each:.0f} mm for each 100 mm of "
        f"it and nothing where none is filled; the fill, {fill_mm:.0f} mm deep on average, settles "
        "by that when rolled and should then lie flush. Try it on the first 20 m and adjust."
    )


def _drop_severity(drop_mm: float, limits: ShapeLimits) -> str:
    """How bad a drop-off is, in words to follow its depth; nothing below the lowest class."""
    for name, least in (
        ("high", limits.edge_drop_high_mm),
        ("medium", limits.edge_drop_medium_mm),
        ("low", limits.edge_drop_low_mm),
    ):
        if drop_mm >= least.value:
            return f", {name} severity"
    return ""


def _water_notes(reach: WorkReach, limits: WaterLimits) -> list[str]:
    """What the water still does where the shoulder is to the line."""
    notes = []
    if reach.pond_depth_mm >= limits.pond_mm.value:
        notes.append(
            f"Water stands up to {reach.pond_depth_mm:.0f} mm deep along the road here: find where "
            "it could leave, and open that."
        )
    # A resultant so near the road's own direction takes fines along before it reaches the hinge.
    most = limits.grade_over_cross_slope_most.value
    if abs(reach.grade_pct) > most * reach.required_slope_pct:
        notes.append(
            f"The road's grade of {abs(reach.grade_pct):.1f} % is more than {most:g} times the "
            f"{reach.required_slope_pct:.1f} % that the shoulder is built to: water will follow "
            "the shoulder; turn it out often."
        )
    return notes
