"""A sample of places to read, as it goes out: waypoints with a route, a table, and a form.

None of them tells what the screening said of a place: whoever reads mustn't be swayed by it.
"""

from __future__ import annotations

import csv
import io
import math
import os
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.common.cautions import CAUTIONS
from analysis.common.outputs import safe_cell
from analysis.common.stations import station_text
from analysis.common.types import Floats
from analysis.common.units import METRES_PER_FOOT, METRIC, US
from analysis.common.verdicts import Verdict
from analysis.common.writing import Writing
from analysis.findings.checkplan import CheckPlan
from analysis.findings.placed import check_placed, degrees_of, write_text
from analysis.findings.readings import FALL_COLUMNS, FORM_COLUMNS, Reading, us_form_columns
from analysis.findings.sheet_text import Block, Sheet
from analysis.findings.sheets import caution_block, limits_of, source_of

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["check_sheet", "checkplan_text", "write_check_form", "write_check_gpx"]
__all__ += ["write_readings"]

_GPX = "http://www.topografix.com/GPX/1/1"

_HOW = (
    "Go to the place by its station; a handheld's position is good to some metres only. Lay the "
    "board across the shoulder from the pavement edge outward, at the place and 5 m before and "
    "behind it, and write down each fall over the board's length: positive falls away from the "
    "road.",
    "Step at the edge: positive where the shoulder is lower than the pavement. Water leaves: what "
    "you see there yourself, yes or no; leave it open if you can't say.",
    "Before the first place and after the last one lay the board on one spot both ways round and "
    "write down both falls away from the road: half their difference is the board's own bias.",
)


def write_check_gpx(findings: Findings, plan: CheckPlan, path: str | os.PathLike[str]) -> None:
    """Write the places as GPX 1.1: a waypoint each, and a route through them in driving order.

    Raises
    ------
    OutputError
        If the file can't be written or the findings have no place on the earth.
    """
    check_placed(findings)
    rows = [place.row for place in plan.places]
    spots = degrees_of(findings, findings.station_xy[rows])
    root = ET.Element("gpx", {"xmlns": _GPX, "version": "1.1", "creator": "Vergeline"})
    about = ET.SubElement(root, "metadata")
    ET.SubElement(about, "name").text = "Places to check"
    ET.SubElement(about, "desc").text = " ".join(CAUTIONS)
    _points(root, "wpt", plan, spots)
    route = ET.SubElement(root, "rte")
    ET.SubElement(route, "name").text = "Places to check, in driving order"
    _points(route, "rtept", plan, spots)
    ET.indent(root)
    text = ET.tostring(root, encoding="unicode")
    write_text(path, f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n')


def _points(parent: ET.Element, tag: str, plan: CheckPlan, spots: Floats) -> None:
    for place, (longitude, latitude) in zip(plan.places, spots.tolist(), strict=True):
        if not math.isfinite(longitude + latitude):
            continue
        at = {"lat": f"{latitude:.7f}", "lon": f"{longitude:.7f}"}
        point = ET.SubElement(parent, tag, at)
        where = f"{place.road} {station_text(place.station_m)} {place.side}"
        ET.SubElement(point, "name").text = place.name
        ET.SubElement(point, "cmt").text = where
        ET.SubElement(point, "desc").text = f"{where}. {CAUTIONS[0]}"
        ET.SubElement(point, "sym").text = "Flag, Blue"
        ET.SubElement(point, "type").text = "check"


def write_check_form(
    findings: Findings,
    plan: CheckPlan,
    path: str | os.PathLike[str],
    *,
    separator: str = ",",
    system: str = METRIC,
) -> None:
    """Write the table to fill in, which `read_readings` reads back; UTF-8 with its mark.

    Parameters
    ----------
    separator : {",", ";"}
        A semicolon suits spreadsheets that write decimals with a comma.
    system : {"metric", "us"}
        Units of what is to be filled in: millimetres and metres, or inches and feet.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    spots = degrees_of(findings, findings.station_xy[[place.row for place in plan.places]])
    stream = io.StringIO(newline="")
    out = csv.writer(stream, delimiter=separator, lineterminator="\r\n")
    out.writerow(us_form_columns() if system == US else FORM_COLUMNS)
    board = limits_of(findings).field.board_m.value
    board /= METRES_PER_FOOT if system == US else 1.0
    for place, (longitude, latitude) in zip(plan.places, spots.tolist(), strict=True):
        known = {
            "place": place.name,
            "road": safe_cell(place.road),
            "station": station_text(place.station_m, decimals=1),
            "side": place.side,
            "latitude": f"{latitude:.7f}" if math.isfinite(latitude) else "",
            "longitude": f"{longitude:.7f}" if math.isfinite(longitude) else "",
            "board_m": f"{board:.4g}",
        }
        if separator == ";":
            for name in ("station", "latitude", "longitude", "board_m"):
                known[name] = known[name].replace(".", ",")
        out.writerow([known.get(name, "") for name in FORM_COLUMNS])
    write_text(path, "\ufeff" + stream.getvalue())


def write_readings(readings: Sequence[Reading], path: str | os.PathLike[str]) -> None:
    """Write readings as the same table, filled in; a mean stands for all that it was made of.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    stream = io.StringIO(newline="")
    out = csv.writer(stream, lineterminator="\r\n")
    out.writerow(FORM_COLUMNS)
    for reading in readings:
        numbers = {
            "latitude": (reading.latitude, ".7f"),
            "longitude": (reading.longitude, ".7f"),
            "board_m": (reading.board_m, "g"),
            "edge_mm": (reading.edge_mm, "g"),
            **{name: (reading.reading_mm, ".6g") for name in FALL_COLUMNS[: reading.laid]},
        }
        cells = {
            **{name: f"{v:{how}}" for name, (v, how) in numbers.items() if math.isfinite(v)},
            "place": safe_cell(reading.place),
            "road": safe_cell(reading.road),
            "station": station_text(reading.station_m, decimals=1),
            "side": reading.side,
            "board": safe_cell(reading.board),
            "sheds": {True: "yes", False: "no", None: ""}[reading.sheds],
            "when": reading.when,
        }
        out.writerow([cells.get(name, "") for name in FORM_COLUMNS])
    write_text(path, "\ufeff" + stream.getvalue())


# ---------------------------------------------------------------- in words


def checkplan_text(plan: CheckPlan) -> str:
    """Say in plain text what the sample shows, and what it is made of."""
    lines = [*_shows(plan), *plan.notes]
    if plan.rejected:
        lines.append(f"{plan.rejected} station sides that a reviewer rejected are left out.")
    lines.append("Drawn from:")
    lines += [
        f"  {lot.verdict}, {lot.road} ({lot.surface or 'surface not known'}): {lot.places} of "
        f"{lot.length_m:,.0f} m"
        for lot in plan.lots
    ]
    lines.append(f"Seed {plan.order.seed}; it draws the same places again.")
    return "\n".join([*lines, *CAUTIONS])


def _shows(plan: CheckPlan) -> list[str]:
    order = plan.order
    sure = f"with {100 * order.certainty:g} % certainty"
    if order.misses:
        misses = f"no more than {order.misses} of them turn out otherwise"
    else:
        misses = "none of them turns out otherwise"
    lines = [f"{len(plan.places)} places, {plan.spacing_m:g} m and more apart on a side."]
    for verdict, wrong in ((Verdict.SHEDS, "doesn't shed"), (Verdict.WONT_SHED, "does shed")):
        if plan.drawn.get(verdict):
            lines.append(
                f"{plan.drawn[verdict]} judged '{verdict}': if {misses}, at most "
                f"{100 * plan.shows(verdict):.1f} % of its length {wrong} ({sure})."
            )
    if plan.drawn.get(Verdict.CANT_TELL):
        lines.append(
            f"{plan.drawn[Verdict.CANT_TELL]} that the screening can't tell, to learn how they are."
        )
    return lines


def check_sheet(findings: Findings, plan: CheckPlan, writing: Writing | None = None) -> Sheet:
    """Make the form to print: places in driving order, with boxes to write in."""
    writing = writing or Writing()
    spots = degrees_of(findings, findings.station_xy[[place.row for place in plan.places]])
    rows = tuple(
        (place.name, place.road, writing.place(place.station_m), place.side, _spot(spot))
        + ("",) * 6
        for place, spot in zip(plan.places, spots.tolist(), strict=True)
    )
    unit = writing.unit("mm fall").text
    columns = ("place", "road", "station", "side", "latitude, longitude")
    boxes = (f"fall, {unit}", "5 m before", "5 m behind", f"edge, {unit}", "water leaves", "note")
    return Sheet(
        title="Places to check",
        name="places_to_check",
        remark=f"{len(rows)} places · seed {plan.order.seed}",
        cautions=caution_block(),
        blocks=(
            Block("What it shows", text=(*_shows(plan), *plan.notes)),
            Block("How to read", points=_HOW),
            Block(
                "Places in driving order",
                columns=columns + boxes,
                table=rows,
                words=len(columns),
                boxes=len(boxes),
                shares=(6, 17, 8, 6, 17, 7, 7, 7, 7, 7, 11),
            ),
            *_signing(),
        ),
        source=source_of(findings),
        landscape=True,
    )


def _spot(spot: Sequence[float]) -> str:
    longitude, latitude = spot
    return f"{latitude:.5f}, {longitude:.5f}" if math.isfinite(longitude + latitude) else ""


def _signing() -> tuple[Block, Block]:
    return (
        Block(
            "Board, laid both ways round on one spot",
            columns=("when", "which board", "its length", "fall", "fall, turned round"),
            table=tuple((when, "", "", "", "") for when in ("before the first", "after the last")),
            boxes=4,
        ),
        Block(
            "Read by",
            columns=("name", "date", "weather, moisture", "traffic-control plan", "signature"),
            table=(("", "", "", "", ""),),
            words=0,
            boxes=5,
        ),
    )
