"""What a person fixes: edge lines and widths handed in, and single breaks corrected.

A correction is measured at once, and only where it can be felt: the stations around it are
measured again and put back among the others, which stay exactly as they were.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.common.along import known_median
from analysis.common.sides import SIDE_SIGN, SIDES
from analysis.common.station_arrays import spliced
from analysis.common.table import Table
from analysis.common.types import Bools, Floats, Progress
from analysis.corridor.values import Case, Extras, Ground
from analysis.edges.values import Overrides
from analysis.road.roadline import Road, to_road
from analysis.study.measuring import Stretch, evidence_put_back, run
from analysis.study.values import RoadStudy
from analysis.verdict.door import believe
from analysis.verdict.values import Measured

__all__ = [
    "changed_stations",
    "corrected",
    "given_breaks",
    "grouped",
    "overrides_for",
    "same_overrides",
]


def given_breaks(road: Road, s: Floats, extras: Extras) -> Overrides:
    """What the given edge lines, width table and kerbs fix at the stations.

    Edge lines win over widths: they were drawn for this very road.
    """
    n = len(s)
    edge, hinge = np.full((n, 2), np.nan), np.full((n, 2), np.nan)
    if extras.widths is not None:
        _apply_widths(road, s, extras.widths, edge, hinge)
    for line in extras.edges:
        _apply_edge_line(road, s, line, edge)
    if extras.kerbs is None:
        return Overrides(edge=edge, hinge=hinge)
    drawn = np.full((n, 2), np.nan)
    for line in extras.kerbs:
        _apply_edge_line(road, s, line, drawn)
    return Overrides(edge=edge, hinge=hinge, kerb=np.isfinite(drawn).astype(float))


def _apply_widths(road: Road, s: Floats, widths: Table, edge: Floats, hinge: Floats) -> None:
    labels = np.asarray(road.label(s), dtype=float)
    for row in range(len(widths)):
        if widths["road"][row] not in ("", road.name):
            continue
        low, high = sorted((float(widths["from_m"][row]), float(widths["to_m"][row])))
        here = (labels >= low) & (labels <= high)
        for side, name in enumerate(SIDES):
            pavement = float(widths[f"pavement_{name}_m"][row])
            shoulder = float(widths[f"shoulder_{name}_m"][row])
            if np.isfinite(pavement):
                edge[here, side] = pavement
                if np.isfinite(shoulder):
                    hinge[here, side] = pavement + shoulder


def _apply_edge_line(road: Road, s: Floats, line: Floats, edge: Floats) -> None:
    """Take an edge line's offsets at the stations it runs past, on the side it lies on."""
    import shapely

    geometry = shapely.LineString(line)
    along = np.arange(0.0, geometry.length + 1.0)
    points = shapely.get_coordinates(shapely.line_interpolate_point(geometry, along))
    line_s, line_o = to_road(road, points[:, 0], points[:, 1])
    near = np.isfinite(line_s) & (np.abs(line_o) < 30.0)
    if near.sum() < 2:
        return
    line_s, line_o = line_s[near], line_o[near]
    order = np.argsort(line_s, kind="stable")
    line_s, line_o = line_s[order], line_o[order]
    side = 0 if np.median(line_o) < 0.0 else 1
    here = (s >= line_s[0]) & (s <= line_s[-1])
    edge[here, side] = SIDE_SIGN[side] * np.interp(s[here], line_s, line_o)


def overrides_for(
    s: Floats, edits: Table | None, road: Road, *, given: Overrides | None = None
) -> Overrides:
    """Overrides at the stations from a person's corrections, on top of what was `given`.

    A correction holds at the station nearest to it, if that lies within half a spacing; so it
    survives another spacing as well as it can.
    """
    n = len(s)
    base = given or Overrides()
    if edits is None or len(edits) == 0 or n == 0:
        return base
    given_before = {what: getattr(base, what) for what in ("edge", "hinge", "kerb")}
    arrays = {
        what: np.full((n, 2), np.nan) if held is None else held.copy()
        for what, held in given_before.items()
    }
    half = 0.5 * float(np.median(np.diff(s))) if n > 1 else np.inf
    for row in range(len(edits)):
        if edits["road"][row] != road.name:
            continue
        distance = float(edits["distance_m"][row])
        i = int(np.argmin(np.abs(s - distance)))
        if abs(s[i] - distance) <= half + 1e-6:
            arrays[edits["what"][row]][i, SIDES.index(edits["side"][row])] = edits["u_m"][row]
    return replace(base, **arrays)


def corrected(
    case: Case,
    ground: Callable[[], Ground],
    measured: Measured,
    edits: Table | None,
    before: RoadStudy | None = None,
    progress: Progress | None = None,
) -> Measured:
    """What was measured, with a person's corrections put into it.

    Corrections near each other are measured together; those too far apart to feel each other are
    not, and what `before` holds of them is taken over. Without corrections `measured` itself comes
    back, and the `ground` isn't asked for.
    """
    s, whole = case.s, slice(0, len(case.s))
    wanted = overrides_for(s, edits, case.road, given=measured.fixed)
    felt = max(3.0 * known_median(measured.shoulder.measures.average_m, 20.0), 60.0)
    groups = grouped(changed_stations(measured.fixed, wanted), s, 4.0 * felt)
    if not groups:
        return measured
    held = [] if before is None else _groups_held(before, measured.fixed, felt)
    out, touched = replace(measured, fixed=wanted), []
    for done, group in enumerate(groups):
        if progress is not None:
            progress(done / len(groups), "measuring around the corrections")
        here = Stretch.around(s, s[group[0]], s[group[-1]], felt)
        same = any(np.array_equal(group, other) for other in held)
        if before is not None and same and same_overrides(before.measured.fixed, wanted, here.look):
            between = evidence_put_back(out.between, before.measured.between, s, here.keep)
            out = replace(spliced(out, before.measured, whole, here.keep), between=between)
        else:
            out = run(case, ground(), wanted, out, here=here)
        touched.append(here.keep)
    # a correction changes what is believed near it, not what the road taught
    beliefs = measured.beliefs
    again, others = believe(
        case, out.shoulder.measures, out.between, usual=measured.shoulder.measures
    )
    between = measured.between
    for keep in touched:
        beliefs = spliced(beliefs, again, whole, keep)
        between = evidence_put_back(between, others, s, keep)
    return replace(out, fixed=wanted, beliefs=beliefs, between=between)


def _groups_held(before: RoadStudy, given: Overrides, felt: float) -> list[NDArray[np.intp]]:
    if before.uncorrected is None:
        return []
    return grouped(changed_stations(given, before.measured.fixed), before.s, 4.0 * felt)


def changed_stations(before: Overrides, after: Overrides) -> NDArray[np.intp]:
    """Indices of the stations where two sets of overrides differ."""
    differs: Bools = np.zeros(0, bool)
    for name in ("edge", "hinge", "axis", "kerb"):
        held = (getattr(overrides, name) for overrides in (before, after))
        old, new = (np.nan if values is None else values for values in held)
        here = ~((old == new) | (np.isnan(old) & np.isnan(new)))
        if np.ndim(here):
            here = here.reshape(len(here), -1).any(axis=1)
            differs = differs | here if differs.size else here
    return np.flatnonzero(differs)


def same_overrides(one: Overrides, other: Overrides, here: slice) -> bool:
    """Whether two sets of overrides are the same at the stations `here`."""
    changed = changed_stations(one, other)
    return not bool(((changed >= here.start) & (changed < here.stop)).any())


def grouped(stations: NDArray[np.intp], s: Floats, gap_m: float) -> list[NDArray[np.intp]]:
    """Stations in groups that lie more than `gap_m` apart; `s` (n,) is where stations lie.

    >>> grouped(np.array([1, 2, 7]), np.arange(10) * 10.0, 40.0)
    [array([1, 2]), array([7])]
    """
    if len(stations) == 0:
        return []
    return np.split(stations, np.flatnonzero(np.diff(s[stations]) > gap_m) + 1)
