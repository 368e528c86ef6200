"""One cross-section with everything that was measured there, ready to be drawn or read out."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.common.columns import CHECKED_NUMBERS, STATION_COLUMNS, column_of
from analysis.common.errors import RoadError
from analysis.common.sides import SIDE_SIGN, SIDES, Source
from analysis.common.stations import station_text
from analysis.common.types import Floats
from analysis.earthwork.areas import section_ground, section_shapes
from analysis.shoulder.values import Reason
from analysis.study.values import RoadStudy, Study

__all__ = [
    "SectionSide",
    "SectionView",
    "nearest_station",
    "section_rows",
    "section_text",
    "section_view",
]


_NOWHERE = np.empty((0, 2))


@dataclass(frozen=True, slots=True)
class SectionSide:
    """One side of a section; offsets `o` right positive, heights in metres, NaN unknown.

    Attributes
    ----------
    pavement_line, shoulder_line, target_line, water_line
        (k, 2) offsets and heights of the fitted planes, the target shape and the water level;
        (0, 2) where unknown or none.
    shoulder_band
        (k, 3) offset and the fitted shoulder line minus and plus one standard error.
    cut_polygons, fill_polygons
        (k, 2) rings between ground and target.
    numbers
        Name, as in the stations table, to (value, standard error); NaN unknown.
    """

    side: int
    edge_o: float
    edge_z: float
    edge_se: float
    edge_confidence: float
    edge_source: int
    hinge_o: float
    hinge_z: float
    hinge_se: float
    hinge_confidence: float
    hinge_source: int
    ditch_o: float
    ditch_z: float
    pavement_line: Floats
    shoulder_line: Floats
    shoulder_band: Floats
    target_line: Floats
    water_line: Floats
    cut_polygons: tuple[Floats, ...]
    fill_polygons: tuple[Floats, ...]
    numbers: Mapping[str, tuple[float, float]]
    verdict: str
    finding: str
    treatment: str
    reason: str
    why: Reason | None
    kerb: bool


@dataclass(frozen=True, slots=True)
class SectionView:
    """A cross-section of a road at one station; `cells_*` are the native grid cells of the strip.

    `cells_ds` is how far along the road each cell lies from the station; `cells_z` has the road's
    grade taken out, so that the strip shows the section's shape. `profile_*` is the averaged
    section; `ground_*` is the same with each shoulder as it lies, without the blur of cells and
    averaging: the ground that cut, fill and water are reckoned from.
    """

    road: str
    road_index: int
    station_index: int
    s: float
    station_m: float
    average_m: float
    axis_o: float
    cells_o: Floats
    cells_z: Floats
    cells_ds: Floats
    profile_o: Floats
    profile_z: Floats
    ground_o: Floats
    ground_z: Floats
    sides: tuple[SectionSide, SectionSide]


def nearest_station(study: Study, road_name: str, s: float) -> tuple[int, int]:
    """Indices of the road called `road_name` and of its station nearest to the distance `s`.

    Raises
    ------
    RoadError
        If the study has no such road.
    """
    for index, part in enumerate(study.roads):
        if part.road.name == road_name and len(part.s):
            return index, int(np.argmin(np.abs(part.s - s)))
    raise RoadError(f"There is no road {road_name!r} in these findings: choose one of its roads.")


def section_view(study: Study, road_index: int, station_index: int) -> SectionView:
    """Collect one station's section from a study.

    Parameters
    ----------
    study
        As `screening.screen` gives it.
    road_index, station_index
        Which road, and which of its stations.
    """
    part, i = study.roads[road_index], station_index
    s = float(part.s[i])
    averages = part.measures.average_m[i]
    average = float(np.nanmax(averages)) if np.isfinite(averages).any() else 20.0
    strip = part.ground.cells.window(s - average / 2.0, s + average / 2.0)
    ds = part.ground.cells.s[strip] - s
    profile_o, profile_z = _averaged_profile(part, i)
    ground_o, ground_z = _ground_line(part, i, profile_o, profile_z)
    return SectionView(
        road=part.road.name,
        road_index=road_index,
        station_index=i,
        s=s,
        station_m=float(part.station_m[i]),
        average_m=average,
        axis_o=float(part.breaks.axis[i]),
        cells_o=part.ground.cells.o[strip],
        cells_z=part.ground.cells.z[strip] - _grade(part, i, part.ground.cells.o[strip]) * ds,
        cells_ds=ds,
        profile_o=profile_o,
        profile_z=profile_z,
        ground_o=ground_o,
        ground_z=ground_z,
        sides=(_section_side(study, part, i, 0), _section_side(study, part, i, 1)),
    )


def _grade(part: RoadStudy, i: int, offsets: Floats) -> Floats:
    """Along-road grade (fraction) under each offset: that of its side, 0 where unknown."""
    grades = np.nan_to_num(part.measures.grade_pct[i], nan=0.0) / 100.0
    return np.asarray(grades[(offsets >= part.breaks.axis[i]).astype(int)], dtype=float)


def _averaged_profile(part: RoadStudy, i: int) -> tuple[Floats, Floats]:
    """Averaged section of both sides as one line from left to right, real heights."""
    pieces_o, pieces_z = [], []
    for side, sign in enumerate(SIDE_SIGN):
        u = part.breaks.edge[i, side] + part.measured.shoulder.sections.u
        z = part.measured.shoulder.sections.height_m[i, side] + part.measures.edge_z_m[i, side]
        # Each side's section runs inward past the crown; from there the other side's is nearer.
        own = np.isfinite(z) & (u >= sign * part.breaks.axis[i])
        pieces_o.append(sign * u[own])
        pieces_z.append(z[own])
    o, z = np.concatenate(pieces_o), np.concatenate(pieces_z)
    order = np.argsort(o, kind="stable")
    return o[order], z[order]


def _ground_line(
    part: RoadStudy, i: int, profile_o: Floats, profile_z: Floats
) -> tuple[Floats, Floats]:
    """Averaged section up to the pavement edges, from there outward the ground as it lies."""
    o, z = profile_o, profile_z
    sections = part.measured.shoulder.sections
    for side, sign in enumerate(SIDE_SIGN):
        edge, up = part.breaks.edge[i, side], part.measures.edge_z_m[i, side]
        u, ground = section_ground(sections, part.measures, i, side)
        known = np.isfinite(ground) & (u >= 0.0)
        if not (known.any() and np.isfinite(edge + up)):
            continue
        u = u[known]
        # Only where it reaches: beyond, and before the edge, the average stays.
        own = (sign * o < edge + u[0]) | (sign * o > edge + u[-1])
        o = np.concatenate((o[own], sign * (edge + u)))
        z = np.concatenate((z[own], ground[known] + up))
        order = np.argsort(o, kind="stable")
        o, z = o[order], z[order]
    return o, z


def _section_side(study: Study, part: RoadStudy, i: int, side: int) -> SectionSide:
    sign = SIDE_SIGN[side]
    b, m, j = part.breaks, part.measures, part.judged.judgement
    edge, hinge, ditch = b.edge[i, side], b.hinge[i, side], b.ditch[i, side]
    edge_z = m.edge_z_m[i, side]
    slope, drop = m.shoulder_slope_pct[i, side] / 100.0, m.edge_drop_mm[i, side] / 1000.0
    outer = hinge if np.isfinite(hinge) else edge + m.shoulder_width_m[i, side]
    inner = sign * b.axis[i] if b.crowned[i] else edge - 0.5 * part.case.pavement_width_m
    pavement_slope = m.pavement_slope_pct[i, side] / 100.0

    pavement_line = _line(sign, (inner, edge_z + pavement_slope * (edge - inner)), (edge, edge_z))
    shoulder_at = edge_z - drop
    shoulder_line = _line(sign, (edge, shoulder_at), (outer, shoulder_at - slope * (outer - edge)))
    sections = part.measured.shoulder.sections
    ground, at = sections.height_m[i, side], sections.u
    target, cut, fill = section_shapes(sections, m, j.required_slope_pct, study.limits, i, side)
    # one that lies just between two is in the latter
    here = min(part.s[i] + 1e-6, part.road.length_m)
    reach = next(r for r in part.reaches if r.side == side and r.s0 <= here <= r.s1)
    return SectionSide(
        side=side,
        edge_o=sign * edge,
        edge_z=edge_z,
        edge_se=b.edge_se[i, side],
        edge_confidence=b.edge_confidence[i, side],
        edge_source=int(b.edge_source[i, side]),
        hinge_o=sign * hinge,
        hinge_z=edge_z + _height_at(at, ground, hinge - edge),
        hinge_se=b.hinge_se[i, side],
        hinge_confidence=b.hinge_confidence[i, side],
        hinge_source=int(b.hinge_source[i, side]),
        ditch_o=sign * ditch,
        ditch_z=edge_z + _height_at(at, ground, ditch - edge),
        pavement_line=pavement_line,
        shoulder_line=shoulder_line,
        shoulder_band=_shoulder_band(part, i, side, edge, outer, shoulder_at, slope),
        target_line=_placed(target, sign, edge, edge_z),
        water_line=_water_line(part, i, side, edge_z),
        cut_polygons=tuple(_placed(ring, sign, edge, edge_z) for ring in cut),
        fill_polygons=tuple(_placed(ring, sign, edge, edge_z) for ring in fill),
        numbers=_numbers(study, part, i, side),
        verdict=str(j.verdict[i, side]),
        finding=str(j.finding[i, side]),
        treatment=reach.treatment,
        reason=str(study.findings.stations["reason"][part.first_row + 2 * i + side]),
        why=part.measures.reason[i, side],
        kerb=bool(part.measured.shoulder.kerb[i, side]),
    )


def _numbers(study: Study, part: RoadStudy, i: int, side: int) -> dict[str, tuple[float, float]]:
    """Numbers of the stations table, and errors that the table has no column for."""
    m = part.measures
    row = study.findings.stations.row(part.first_row + 2 * i + side)
    numbers = {
        name: (float(row[name]), float(row.get(column.error, np.nan)))
        for name, column in STATION_COLUMNS.items()
        if column.is_quantity
    }
    slopes_var = m.shoulder_slope_se[i, side] ** 2 + m.pavement_slope_se[i, side] ** 2
    breakover_var = slopes_var - 2.0 * m.slope_cov[i, side]
    for name, se in (
        ("breakover_points", np.sqrt(np.maximum(breakover_var, 0.0))),
        ("retained_mm", part.measured.water.held.se_mm[i, side]),
        ("shoulder_width_m", part.breaks.hinge_se[i, side]),
    ):
        numbers[name] = (numbers[name][0], float(se))
    return numbers


def _line(sign: float, *points: tuple[float, float]) -> Floats:
    line = np.array([(sign * u, z) for u, z in points], dtype=float)
    return line if np.isfinite(line).all() else _NOWHERE


def _placed(points: Floats, sign: float, edge: float, edge_z: float) -> Floats:
    """Points relative to the edge (u, height) as offsets and heights."""
    if len(points) == 0 or not np.isfinite(edge_z):
        return _NOWHERE
    return np.column_stack((sign * (points[:, 0] + edge), points[:, 1] + edge_z))


def _height_at(u: Floats, height: Floats, where: float) -> float:
    known = np.isfinite(height)
    if not np.isfinite(where) or known.sum() < 2:
        return float("nan")
    return float(np.interp(where, u[known], height[known], left=np.nan, right=np.nan))


def _shoulder_band(
    part: RoadStudy, i: int, side: int, edge: float, outer: float, at_edge: float, slope: float
) -> Floats:
    """One standard error of the fitted shoulder line, from the errors of drop and slope."""
    m = part.measures
    drop_se = m.edge_drop_se[i, side] / 1000.0
    slope_se = m.shoulder_slope_se[i, side] / 100.0
    cov = m.drop_shoulder_cov[i, side] / 1.0e5
    sign = SIDE_SIGN[side]
    u = np.linspace(0.0, outer - edge, 9)
    line = at_edge - slope * u
    # Height is -drop - slope * u, so its variance adds both and twice their covariance.
    se = np.sqrt(np.maximum(drop_se**2 + (slope_se * u) ** 2 + 2.0 * cov * u, 0.0))
    band = np.column_stack((sign * (edge + u), line - se, line + se))
    return band if np.isfinite(band).all() else np.empty((0, 3))


def _water_line(part: RoadStudy, i: int, side: int, edge_z: float) -> Floats:
    """Level of the water held, from shore to shore; nothing below the chance level."""
    held = part.measured.water.held
    sign = SIDE_SIGN[side]
    edge = part.breaks.edge[i, side]
    inner, outer = held.from_u[i, side], held.to_u[i, side]
    level = edge_z + held.level_m[i, side]
    if not held.depth_mm[i, side] > 0.0:
        return _NOWHERE
    return _line(sign, (edge + inner, level), (edge + outer, level))


def section_rows(view: SectionView) -> list[tuple[str, str, float, float]]:
    """Every drawn point as (kind, side, offset_m, height_m), for a CSV of the section."""
    rows = []
    for kind, along, heights in (
        ("cell", view.cells_o, view.cells_z),
        ("averaged", view.profile_o, view.profile_z),
    ):
        rows += [(kind, "", float(o), float(z)) for o, z in zip(along, heights, strict=True)]
    for part in view.sides:
        side = SIDES[part.side]
        for kind, o, z in (
            ("edge", part.edge_o, part.edge_z),
            ("hinge", part.hinge_o, part.hinge_z),
            ("ditch invert", part.ditch_o, part.ditch_z),
        ):
            if np.isfinite(o) and np.isfinite(z):
                rows.append((kind, side, float(o), float(z)))
        for kind, line in (
            ("pavement fit", part.pavement_line),
            ("shoulder fit", part.shoulder_line),
            ("target", part.target_line),
            ("water", part.water_line),
        ):
            rows += [(kind, side, float(o), float(z)) for o, z in line]
    return rows


def _place(offset: float, source: int) -> str:
    return f"at {offset:+.2f} m ({Source(source).word})" if np.isfinite(offset) else "unknown"


def section_text(view: SectionView) -> str:
    """Return the section's numbers as plain lines, both sides, with one standard error."""
    lines = [
        f"{view.road}, station {station_text(view.station_m)}, averaged over "
        f"{view.average_m:.0f} m of road"
    ]
    for part in view.sides:
        lines.append(f"{SIDES[part.side]}: {part.verdict}. {part.reason}")
        lines.append(
            f"  edge {_place(part.edge_o, part.edge_source)}, "
            f"hinge {_place(part.hinge_o, part.hinge_source)}"
        )
        for name in ("required_slope_pct", *CHECKED_NUMBERS):
            column, (value, se) = column_of(name), part.numbers[name]
            text = "unknown"
            if np.isfinite(value):
                unit = column.shown()
                error = f" ± {se * unit.factor:.{unit.decimals}f}" if np.isfinite(se) else ""
                text = f"{value * unit.factor:.{unit.decimals}f}{error} {unit.text}"
            lines.append(f"  {column.title.lower()}: {text}")
    return "\n".join(lines)
