"""Findings for an earth viewer: KML 2.2 (OGC 07-147r2), in folders, with every column."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from analysis.common.cautions import CAUTIONS
from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS, Column
from analysis.common.table import Table
from analysis.common.types import Floats
from analysis.common.verdicts import Verdict
from analysis.common.writing import Writing
from analysis.findings.geopackage import plain_value, with_marks
from analysis.findings.placed import DEGREE_DECIMALS, beside, check_placed, degrees_of
from analysis.findings.selecting import for_output

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["write_kml"]

# aabbggrr; told apart by width too, for those who don't see the colours.
_STYLES = {
    Verdict.SHEDS: ("ff739e00", 2),
    Verdict.WONT_SHED: ("ff005ed5", 6),
    Verdict.CANT_TELL: ("ffb0b0b0", 4),
    Verdict.NO_DATA: ("ff707070", 1),
}
_TYPES = {"float": "double", "int": "int", "bool": "bool", "str": "string"}


def write_kml(
    findings: Findings, path: str | os.PathLike[str], *, writing: Writing | None = None
) -> None:
    """Write reaches, stations and ponds as KML 2.2, coordinates in WGS 84.

    Every column is there as typed data, unknown ones left out; what has no place has no geometry.

    Raises
    ------
    OutputError
        If the file can't be written or the findings have no coordinate system.
    """
    check_placed(findings)
    findings = for_output(findings)
    # Written piece by piece: a network's stations as one text would fill the memory.
    with beside(path) as part, part.open("w", encoding="utf-8", newline="") as out:
        out.writelines(_document(findings, writing or Writing()))


def _document(findings: Findings, writing: Writing) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield '<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>\n'
    yield "<name>Vergeline findings</name>\n"
    yield f"<description>{_text(' '.join(CAUTIONS))}</description>\n"
    for verdict, (colour, width) in _STYLES.items():
        yield (
            f"<Style id={quoteattr(_style(verdict))}>"
            f"<IconStyle><color>{colour}</color><scale>0.6</scale></IconStyle>"
            "<LabelStyle><scale>0</scale></LabelStyle>"
            f"<LineStyle><color>{colour}</color><width>{width}</width></LineStyle></Style>\n"
        )
    reaches, stations, ponds = findings.reaches, findings.stations, findings.ponds
    lines, points = findings.reach_lines, tuple(np.asarray(findings.station_xy).reshape(-1, 1, 2))
    kinds: tuple[tuple[str, Table, Mapping[str, Column], Sequence[Floats], str], ...] = (
        ("reaches", reaches, with_marks(REACH_COLUMNS, reaches), lines, "LineString"),
        ("stations", stations, with_marks(STATION_COLUMNS, stations), points, "Point"),
        ("ponds", ponds, POND_COLUMNS, findings.pond_rings, "Polygon"),
    )
    for name, _, columns, _, _ in kinds:
        fields = "".join(
            f'<SimpleField type="{_TYPES[own.type]}" name="{key}"/>' for key, own in columns.items()
        )
        yield f'<Schema name="{name}" id="{name}">{fields}</Schema>\n'
    for name, table, columns, shapes, geometry in kinds:
        yield f"<Folder><name>{name}</name>\n"
        placed = _placed(findings, shapes)
        for row, place in enumerate(placed):
            own = table.row(row)
            yield (
                f"<Placemark><name>{_text(_name(own, writing))}</name>"
                f"<description>{_text(own.get('reason') or own.get('doubt') or '')}</description>"
                f"{_style_of(own)}"
                f'<ExtendedData><SchemaData schemaUrl="#{name}">'
                f"{''.join(_data(own, columns))}</SchemaData></ExtendedData>"
                f"{_geometry(geometry, place)}</Placemark>\n"
            )
        yield "</Folder>\n"
    yield "</Document>\n</kml>\n"


def _placed(findings: Findings, shapes: Iterable[Floats]) -> list[Floats]:
    """Shapes in degrees, all transformed at once."""
    given = [np.asarray(shape, dtype=float).reshape(-1, 2) for shape in shapes]
    if not given:
        return []
    places = degrees_of(findings, np.concatenate(given))
    return np.split(places, np.cumsum([len(shape) for shape in given])[:-1])


def _geometry(kind: str, place: Floats) -> str:
    least = {"Point": 1, "LineString": 2, "Polygon": 4}[kind]
    if len(place) < least or not np.isfinite(place).all():
        return ""
    if kind == "Polygon":
        # Outer rings run counterclockwise.
        x, y = place.T
        if np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) < 0.0:
            place = place[::-1]
    text = " ".join(f"{x:.{DEGREE_DECIMALS}f},{y:.{DEGREE_DECIMALS}f}" for x, y in place.tolist())
    inside = f"<coordinates>{text}</coordinates>"
    if kind == "LineString":
        inside = f"<tessellate>1</tessellate>{inside}"
    if kind == "Polygon":
        inside = (
            f"<tessellate>1</tessellate><outerBoundaryIs><LinearRing>{inside}</LinearRing>"
            "</outerBoundaryIs>"
        )
    return f"<{kind}>{inside}</{kind}>"


def _name(own: Mapping[str, Any], writing: Writing) -> str:
    if "from_m" in own:
        where = writing.span(float(own["from_m"]), float(own["to_m"]))
    else:
        where = writing.place(float(own["station_m"]))
    return f"{own['road']} {where} {own['side']}"


def _style(verdict: str) -> str:
    return "".join(c if c.isalpha() else "-" for c in verdict)


def _style_of(own: Mapping[str, Any]) -> str:
    verdict = own.get("verdict")
    return f"<styleUrl>#{_style(str(verdict))}</styleUrl>" if verdict in _STYLES else ""


def _data(own: Mapping[str, Any], columns: Mapping[str, Column]) -> Iterator[str]:
    for name, column in columns.items():
        value = plain_value(own[name], column.type)
        if value is not None:
            text = str(value).lower() if isinstance(value, bool) else str(value)
            yield f'<SimpleData name="{name}">{_text(text)}</SimpleData>'


def _text(text: str) -> str:
    """Text of an element; what XML 1.0 can't hold is left out."""
    plain = "".join(c for c in str(text) if c >= " " or c in "\t\n\r")
    return escape(plain)
