"""The way into the shoulder: from ground and breaks to slopes, drops, ruts and their errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.common.types import Bools, Floats, Progress
from analysis.corridor.values import Case, Cells, Ground
from analysis.edges.values import Breaks
from analysis.shoulder.grass import grass_height
from analysis.shoulder.noise import estimate_noise
from analysis.shoulder.not_shoulder import bridged_share, suspect
from analysis.shoulder.slopes import measure_sides
from analysis.shoulder.values import Noise, Reason, Shoulder, Status, Why
from analysis.shoulder.withhold import cant_be_read, not_the_ground, withhold
from analysis.terrain.grid import Terrain

__all__ = ["measure", "noise_of"]

FEWEST_LEVELS = 4
"""With fewer different heights along a road, neither slopes nor their errors can be told."""


def measure(
    case: Case,
    ground: Ground,
    breaks: Breaks,
    noise: Noise | None = None,
    progress: Progress | None = None,
) -> Shoulder:
    """Measure pavement and shoulder without what isn't shoulder, and say where there is none.

    Parameters
    ----------
    case, ground, breaks
        The stations, the ground along them, and where the parts of the section begin and end.
    noise
        Where it is known already, as for a piece of a measured road; else it is estimated.
    progress
        Called with the share done and a few words; may raise `Cancelled`.
    """
    cells, settings = ground.cells, case.settings
    if noise is None:
        noise = noise_of(case, cells, breaks)
    masked = cells_within(case.extras.mask, case.grid, cells)
    suspicion = suspect(cells, breaks, noise, box_m=case.box_m, mask=masked)
    measures, sections = measure_sides(
        cells,
        breaks,
        noise,
        average_m=settings.average_m,
        box_m=case.box_m,
        smear_se_m2=case.grain.smear_se_m2,
        mask=suspicion.foreign if masked is None else suspicion.foreign | masked,
        straightedge_m=case.limits.shape.straightedge_m.value,
        beats=case.beats_here(),
        line_box_m=case.box_at(breaks.along().s),
        progress=progress,
    )
    sought = settings.paved and settings.find_edges
    measures, kerbed = withhold(
        measures,
        breaks,
        suspicion,
        beats=np.isin(breaks.s, case.beats_here()),
        pavement_width_m=case.pavement_width_m if sought else None,
    )
    bridges = ground.made_up
    bridged = None if bridges is None else bridged_share(cells, bridges, breaks)
    measures = not_the_ground(measures, grass_height(cells, breaks, suspicion.foreign), bridged)
    if ground.unread is not None:
        measures = cant_be_read(measures, breaks, ground.unread)
    if _on_few_levels(cells.z):
        untold = measures.status != Status.NO_DATA
        status, reason = measures.status.copy(), measures.reason.copy()
        status[untold], reason[untold] = Status.NOT_JUDGED, Reason(Why.FEW_LEVELS)
        measures = replace(measures, status=status, reason=reason)
    return Shoulder(noise, measures, sections, *kerbed)


def noise_of(case: Case, cells: Cells, breaks: Breaks) -> Noise:
    """The noise of a road: what a person gave or its pavement tells, times the factor set."""
    noise = estimate_noise(cells, breaks, given_m=case.settings.noise_m)
    return noise.times(case.limits.field.noise_factor.value)


def _on_few_levels(z: Floats) -> bool:
    """Whether heights (m,) take fewer than `FEWEST_LEVELS` values."""
    # a few cells from all along tell nearly always
    few = len(np.unique(z[:: max(1, len(z) // 1000)])) < FEWEST_LEVELS
    return bool(few and 0 < len(np.unique(z)) < FEWEST_LEVELS)


def cells_within(polygons: Sequence[Floats], grid: Terrain, cells: Cells) -> Bools | None:
    """(m,) which cells lie inside any of the polygons (k, 2), metres; None without polygons."""
    if not polygons:
        return None
    import shapely

    a, b, c, d, e, f = cells.lattice or grid.transform
    col, row = cells.col + 0.5 * cells.every, cells.row + 0.5 * cells.every
    x, y = a * col + b * row + c, d * col + e * row + f
    within = np.zeros(len(cells.z), dtype=bool)
    for polygon in polygons:
        area = shapely.Polygon(polygon)
        shapely.prepare(area)
        west, south, east, north = area.bounds
        near = np.flatnonzero((x >= west) & (x <= east) & (y >= south) & (y <= north))
        within[near] |= shapely.contains_xy(area, x[near], y[near])
    return within
