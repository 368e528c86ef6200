"""The sheet of one reach: what was found, how much work it is, each station to check."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from PySide6.QtCore import QCoreApplication, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath

from analysis.common.columns import column_of
from gui.drawing.figure import Axes, figure_font, hatch, pen, text_at, text_box, tick_values
from gui.drawing.section_figure import axes_for, draw_section, fitting_exaggeration
from gui.drawing.sheets import (
    ROW_HEIGHT,
    SMALL_SIZE,
    Style,
    draw_cautions,
    draw_heading,
    draw_table,
    draw_verdict,
)
from gui.look import theme
from gui.look.units import (
    DASH,
    METRIC,
    from_shown,
    number,
    range_text,
    shown,
    unit_of,
    value_text,
)
from gui.look.words import (
    finding_text,
    number_text,
    reach_sentence,
    side_text,
    verdict_text,
)

if TYPE_CHECKING:
    from analysis.earthwork.workplan import WorkItem
    from analysis.study.sections import SectionView
    from analysis.study.values import Study

__all__ = ["draw_reach_sheet", "rows_that_fit"]


translate = QCoreApplication.translate


def rows_that_fit(box: QRectF, first: bool) -> int:
    """Rows of the station table on the first or a following page of a reach."""
    room = box.height() - (815.0 if first else 150.0)
    return max(1, int(room / ROW_HEIGHT) - 1)


def draw_reach_sheet(
    painter: QPainter,
    box: QRectF,
    study: Study,
    row: int,
    style: Style,
    *,
    first_station: int,
    last_station: int,
    continued: bool,
    view: SectionView | None,
    work: WorkItem | None = None,
) -> None:
    """Draw one page of a reach.

    Parameters
    ----------
    row
        Row of the reach table.
    first_station, last_station
        Stations of the table on this page, inclusive.
    continued
        A following page: only heading, table and cautions.
    view
        Section at the reach's worst station, for the first page.
    work
        The work that the plan gives this reach; None where none is planned.
    """
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    reach = study.findings.reaches.row(row)
    road_index = next(
        i for i, part in enumerate(study.roads) if part.road.name == str(reach["road"])
    )
    side = 0 if str(reach["side"]) == "left" else 1
    where = range_text(style.station(float(reach["from_m"])), style.station(float(reach["to_m"])))
    title = translate("sheets", "{road}, {side} {where}").format(
        road=reach["road"], side=side_text(side), where=where
    )
    y = box.top()
    rank = float(reach["rank"])
    right = (
        translate("sheets", "rank {rank}").format(rank=number(rank, 0))
        if math.isfinite(rank)
        else ""
    )
    if continued:
        right = translate("sheets", "continued")
    y += draw_heading(painter, QRectF(box.left(), y, box.width(), 40.0), title, right, style)
    caution_height = draw_cautions(painter, box, style, measure=True)
    if not continued:
        y += _reach_head(painter, QRectF(box.left(), y, box.width(), 60.0), reach, style)
        y += _reach_charts(
            painter,
            QRectF(box.left(), y, box.width(), 330.0),
            study,
            road_index,
            side,
            reach,
            style,
        )
        y += _quantities(
            painter, QRectF(box.left(), y, box.width(), 250.0), reach, work, view, style
        )
    y += _station_rows(
        painter,
        QRectF(box.left(), y, box.width(), 1e4),
        study,
        road_index,
        side,
        first_station,
        last_station,
        style,
    )
    draw_cautions(
        painter,
        QRectF(box.left(), box.bottom() - caution_height, box.width(), caution_height),
        style,
    )
    painter.restore()


def _reach_head(painter: QPainter, box: QRectF, reach: Mapping[str, Any], style: Style) -> float:
    verdict = str(reach["verdict"])
    draw_verdict(
        painter,
        box,
        verdict_text(verdict).capitalize(),
        verdict,
        str(reach["finding"]),
        str(reach["treatment"]),
        style,
    )
    text = reach_sentence(reach, style.system, style.station_style)
    used = text_box(
        painter,
        QRectF(box.left(), box.top() + 21.0, box.width(), 80.0),
        text,
        style.palette["ink"],
    )
    return 21.0 + used + 10.0


def _reach_charts(
    painter: QPainter,
    box: QRectF,
    study: Study,
    road_index: int,
    side: int,
    reach: Mapping[str, Any],
    style: Style,
) -> float:
    """Slope, edge drop and areas along the reach, with a few stations to either side."""
    part = study.roads[road_index]
    first, last = int(reach["first_index"]), int(reach["last_index"])
    around = max(3, (last - first) // 6)
    here = slice(max(0, first - around), min(len(part.s), last + around + 1))
    s = np.asarray(part.s[here], dtype=float)
    bounds = (float(part.s[first]), float(part.s[last]))
    m, system = part.measures, style.system
    gap, left = 12.0, 62.0
    height = (box.height() - 2 * gap - 34.0) / 3.0
    charts: list[tuple[str, str, Callable[[Axes], None], Sequence[np.ndarray]]] = []

    slope = m.shoulder_slope_pct[here, side]
    slope_se = m.shoulder_slope_se[here, side]
    required = part.judged.judgement.required_slope_pct[here, side]
    drop = np.asarray(shown(m.edge_drop_mm[here, side], "mm", system))
    drop_se = np.asarray(shown(m.edge_drop_se[here, side], "mm", system))
    cut = np.asarray(shown(part.judged.areas.cut_m2[here, side], "m2", system))
    fill = np.asarray(shown(part.judged.areas.fill_m2[here, side], "m2", system))
    limits = study.limits
    drop_limit = float(shown(limits.shape.edge_drop_mm.value, "mm", system))
    high_limit = -float(shown(limits.shape.high_shoulder_mm.value, "mm", system))

    def slope_chart(axes: Axes) -> None:
        _band(painter, axes, s, slope, slope_se, style.palette["shoulder"])
        painter.setPen(pen(style.palette["required"], 1.4, dashes=(5.0, 3.0)))
        painter.drawPath(axes.line(s, required))

    def drop_chart(axes: Axes) -> None:
        for limit in (drop_limit, high_limit):
            painter.setPen(pen(style.palette["required"], 1.4, dashes=(5.0, 3.0)))
            painter.drawLine(axes.point(axes.x0, limit), axes.point(axes.x1, limit))
        _band(painter, axes, s, drop, drop_se, style.palette["shoulder"])

    def area_chart(axes: Axes) -> None:
        half = 0.35 * float(np.median(np.diff(s))) if len(s) > 1 else 1.0
        for values, sign, name, angle in ((cut, 1.0, "cut", 45.0), (fill, -1.0, "fill", -45.0)):
            for at, value in zip(s.tolist(), (sign * values).tolist(), strict=True):
                if math.isfinite(value) and value != 0.0:
                    bar = QPainterPath()
                    bar.addRect(
                        QRectF(
                            axes.point(at - half, 0.0), axes.point(at + half, value)
                        ).normalized()
                    )
                    hatch(painter, bar, style.palette[name], angle, 4.0)
        painter.setPen(pen(style.palette["ink"], 0.8))
        painter.drawLine(axes.point(axes.x0, 0.0), axes.point(axes.x1, 0.0))

    mm, m2 = unit_of("mm", system).text, unit_of("m2", system).text
    charts = [
        (
            translate("sheets", "slope, %"),
            "slope",
            slope_chart,
            (slope - slope_se, slope + slope_se, required),
        ),
        (
            translate("sheets", "edge drop, {unit}").format(unit=mm),
            "drop",
            drop_chart,
            (drop - drop_se, drop + drop_se, np.array([drop_limit, high_limit])),
        ),
        (
            translate("sheets", "fill | cut, {unit}").format(unit=m2),
            "areas",
            area_chart,
            (cut, -fill, np.array([0.0])),
        ),
    ]
    x0, x1 = float(s[0]), float(s[-1])
    if x1 <= x0:
        x0, x1 = x0 - 5.0, x1 + 5.0
    pad = 0.02 * (x1 - x0)
    ticks = _station_ticks(part.road, x0, x1, max(3, int((box.width() - left) / 90.0)), style)
    for i, (label, _name, paint, ranges) in enumerate(charts):
        low, high = _range(ranges)
        frame = QRectF(
            box.left() + left,
            box.top() + 6.0 + i * (height + gap),
            box.width() - left - 4.0,
            height,
        )
        axes = Axes(frame, x0 - pad, x1 + pad, low, high)
        last_chart = i == len(charts) - 1
        axes.draw(
            painter,
            ink=style.palette["ink"],
            grid=style.palette["faint"],
            font=figure_font(10.0),
            x_ticks=ticks,
            x_text=(lambda v: style.station(float(part.road.label(v))))
            if last_chart
            else (lambda _v: ""),
            y_label=label,
            y_gap=26.0,
        )
        painter.save()
        painter.setClipRect(frame)
        shade = QColor(style.palette["muted"])
        shade.setAlphaF(0.10)
        painter.fillRect(
            QRectF(QPointF(frame.left(), frame.top()), QPointF(axes.x(bounds[0]), frame.bottom())),
            shade,
        )
        painter.fillRect(
            QRectF(QPointF(axes.x(bounds[1]), frame.top()), QPointF(frame.right(), frame.bottom())),
            shade,
        )
        paint(axes)
        painter.restore()
    return box.height() + 2.0


def _station_ticks(road: Any, s0: float, s1: float, most: int, style: Style) -> list[float]:
    """Distances along the road at stations that are round as they are written."""
    system = "us" if style.station_style == "feet-hundreds" else METRIC
    ends = sorted(float(shown(float(road.label(s)), "m", system)) for s in (s0, s1))
    labels, _places = tick_values(ends[0], ends[1], most)
    return [float(road.at_label(from_shown(label, "m", system))) for label in labels]


def _range(parts: Sequence[np.ndarray]) -> tuple[float, float]:
    values = np.concatenate([np.ravel(p) for p in parts])
    values = values[np.isfinite(values)]
    if values.size == 0:
        return -1.0, 1.0
    low, high = float(values.min()), float(values.max())
    pad = 0.12 * (high - low) or 1.0
    return low - pad, high + pad


def _band(
    painter: QPainter,
    axes: Axes,
    s: np.ndarray,
    value: np.ndarray,
    se: np.ndarray,
    colour: QColor,
) -> None:
    """Line with a band of one standard error and a dot at each station."""
    known = np.isfinite(value) & np.isfinite(se)
    tint = QColor(colour)
    tint.setAlphaF(0.25)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        run = slice(int(a), int(b))
        x = np.concatenate((s[run], s[run][::-1]))
        y = np.concatenate((value[run] - se[run], (value[run] + se[run])[::-1]))
        painter.fillPath(axes.ring(x, y), tint)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(pen(colour, 1.8))
    painter.drawPath(axes.line(s, value))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    for at, v in zip(s.tolist(), value.tolist(), strict=True):
        if math.isfinite(v):
            painter.drawEllipse(axes.point(at, v), 2.0, 2.0)
    painter.setBrush(Qt.BrushStyle.NoBrush)


def _quantities(
    painter: QPainter,
    box: QRectF,
    reach: Mapping[str, Any],
    work: WorkItem | None,
    view: SectionView | None,
    style: Style,
) -> float:
    """Quantities and work on the left, the worst section on the right; the height used."""

    def text(value: float, unit: str, se: float = math.nan, decimals: int | None = None) -> str:
        return value_text(value, unit, style.system, se=se, decimals=decimals)

    def cell(name: str, se: float = math.nan) -> str:
        value = float(reach.get(name, math.nan))
        unit = column_of(name).unit
        return text(value, unit, se, 0 if unit == "m" else None)

    rows = [
        [translate("sheets", "Length"), cell("length_m")],
        [translate("sheets", "Cut, as it lies (bank)"), cell("cut_m3")],
        [translate("sheets", "Fill, compacted"), cell("fill_m3")],
        [
            translate("sheets", "Balance, compacted"),
            cell("balance_m3", float(reach.get("balance_se", math.nan))),
        ],
        [translate("sheets", "Import, loose"), cell("import_m3_loose")],
        [translate("sheets", "Import, mass"), cell("import_t")],
        [translate("sheets", "Haul away, loose"), cell("haul_away_m3_loose")],
        [translate("sheets", "Ditch to clean"), cell("ditch_clean_m")],
    ]
    if work is not None:
        ends = range_text(style.station(work.start_m), style.station(work.end_m))
        rows += [
            [translate("sheets", "Limits of work, in working order"), ends],
            [translate("sheets", "Grader"), _machine(work.grader_passes, work.grader_h)],
            [translate("sheets", "Roller"), _machine(work.roller_passes, work.roller_h)],
            [
                translate("sheets", "Truck loads in | away"),
                f"{work.import_loads} | {work.away_loads}",
            ],
            [translate("sheets", "Water"), text(work.water_m3, "m3")],
            [translate("sheets", "Ditch cleaning"), text(work.ditch_h, "h")],
            [translate("sheets", "Crew on the reach"), text(work.crew_h, "h")],
        ]
    width = 340.0
    used = draw_table(
        painter,
        QRectF(box.left(), box.top() + 4.0, width, 1e4),
        [translate("sheets", "Quantity, work"), ""],
        rows,
        [0.56, 0.44],
        style,
    )
    used = max(used, box.height() - 18.0)
    if view is not None:
        figure = QRectF(
            box.left() + width + 78.0, box.top() + 20.0, box.width() - width - 84.0, used - 54.0
        )
        stretch = fitting_exaggeration(view, figure)
        draw_section(
            painter,
            axes_for(view, figure, stretch),
            view,
            style.palette,
            system=style.system,
            font_size=10.0,
            labels=False,
            grips=False,
        )
        painter.setFont(figure_font(SMALL_SIZE, bold=True))
        text_at(
            painter,
            QPointF(figure.left(), figure.top() - 3.0),
            translate("sheets", "Section at {station}, heights × {factor}").format(
                station=style.station(view.station_m), factor=number(stretch, 0)
            ),
            style.palette["ink"],
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignBottom,
        )
    return used + 18.0


def _machine(passes: float, hours: float) -> str:
    """Passes and hours of a machine; a dash where it has nothing to do."""
    if not math.isfinite(hours) or hours <= 0.0:
        return DASH
    return translate("sheets", "{passes} passes, {hours} h").format(
        passes=number(passes, 0), hours=number(hours, 1)
    )


def _station_rows(
    painter: QPainter,
    box: QRectF,
    study: Study,
    road_index: int,
    side: int,
    first: int,
    last: int,
    style: Style,
) -> float:
    stations = study.findings.stations
    start = study.roads[road_index].first_row
    rows = []
    for station in range(first, last + 1):
        row = stations.row(start + 2 * station + side)
        value = {name: float(row.get(name, math.nan)) for name in _TABLE_NUMBERS}
        verdict = str(row["verdict"])
        rows.append(
            [
                style.station(float(row["station_m"])),
                f"{theme.verdict_look(verdict).mark} {verdict_text(verdict)}",
                finding_text(str(row.get("finding", "") or "none")),
                number_text("x_m", abs(value["edge_offset_m"]), math.nan, style.system),
                number_text(
                    "x_pct", value["shoulder_slope_pct"], value["shoulder_slope_se"], style.system
                ),
                number_text("x_pct", value["required_slope_pct"], math.nan, style.system),
                number_text("x_mm", value["edge_drop_mm"], value["edge_drop_se"], style.system),
                number_text("x_m2", value["cut_m2"], math.nan, style.system),
                number_text("x_m2", value["fill_m2"], math.nan, style.system),
                "",
            ]
        )
    return draw_table(
        painter,
        box,
        [
            translate("sheets", "station"),
            translate("sheets", "verdict"),
            translate("sheets", "finding"),
            translate("sheets", "edge from line"),
            translate("sheets", "slope"),
            translate("sheets", "required"),
            translate("sheets", "edge drop"),
            translate("sheets", "cut"),
            translate("sheets", "fill"),
            translate("sheets", "read in the field"),
        ],
        rows,
        [0.075, 0.105, 0.105, 0.10, 0.11, 0.075, 0.115, 0.085, 0.085, 0.145],
        style,
        left_aligned=3,
        boxes=1,
    )


_TABLE_NUMBERS = (
    "edge_offset_m",
    "shoulder_slope_pct",
    "shoulder_slope_se",
    "required_slope_pct",
    "edge_drop_mm",
    "edge_drop_se",
    "cut_m2",
    "fill_m2",
)
