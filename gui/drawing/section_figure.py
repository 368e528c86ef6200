"""The drawing of one cross-section: the same on screen, in an image, SVG and on paper.

Nothing is reckoned here: lines, bands, cut and fill outlines and numbers come from
`analysis.study.sections`. Every sign has a shape of its own beside its colour: cut is ruled one way
and fill the other, water level, the pavement edge is a full line with a triangle, the hinge a
dashed one with a diamond.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from PySide6.QtCore import QCoreApplication, QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QFontMetricsF, QPainter, QPainterPath, QPolygonF

from gui.drawing.figure import (
    BELOW,
    LEFT_OF,
    ON_TOP_OF,
    RIGHT_OF,
    Axes,
    arrow,
    figure_font,
    hatch,
    pen,
    stamp_circles,
    text_at,
    tint,
)
from gui.look.units import METRIC, number, unit_of, value_text

if TYPE_CHECKING:
    from analysis.study.sections import SectionSide, SectionView

__all__ = [
    "EXAGGERATIONS",
    "Handle",
    "axes_for",
    "break_handles",
    "break_of",
    "draw_legend",
    "draw_section",
    "fitting_exaggeration",
    "source_text",
    "view_extent",
]

Palette = Mapping[str, QColor]

EXAGGERATIONS = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0)

_NOMINAL, _FOUND, _BY_HAND = 0, 1, 2
_TARGET_DASHES = (5.0, 2.2, 1.2, 2.2)
# Width and dashes of the lines in the key.
_LINES: Mapping[str, tuple[float, Sequence[float] | None]] = {
    "ground": (1.2, None),
    "pavement": (2.8, None),
    "shoulder": (2.6, None),
    "target": (1.8, _TARGET_DASHES),
    "water": (1.6, None),
}

translate = QCoreApplication.translate


class Break(NamedTuple):
    """Where an edge or hinge is, how sure that is, and where it comes from."""

    offset_m: float
    se_m: float
    source: int
    confidence: float


def break_of(side: SectionSide, kind: str) -> Break:
    """Return the "edge" or "hinge" of a side."""
    values = (getattr(side, f"{kind}_{what}") for what in ("o", "se", "source", "confidence"))
    offset, se, source, confidence = values
    return Break(float(offset), float(se), int(source), float(confidence))


@dataclass(frozen=True, slots=True)
class Handle:
    """A break of the section that a person can take hold of."""

    side: int
    kind: str
    offset_m: float
    grip: QRectF
    source: int


def source_text(source: int) -> str:
    """Where a break comes from, in words."""
    return {
        _NOMINAL: translate("section", "nominal"),
        _FOUND: translate("section", "found"),
        _BY_HAND: translate("section", "by hand"),
    }.get(int(source), translate("section", "unknown"))


def _finite(values: Sequence[float]) -> list[float]:
    return [float(v) for v in values if v is not None and math.isfinite(v)]


def view_extent(view: SectionView) -> tuple[float, float, float, float]:
    """Offsets and heights worth showing: left, right, lowest, highest.

    As far out as the ditch or, without one, a little past the shoulder; the rest of the strip can
    be reached by panning.
    """
    reach: list[float] = []
    for side in view.sides:
        sign = -1.0 if side.side == 0 else 1.0
        outer = _finite([side.edge_o, side.hinge_o, side.ditch_o])
        furthest = max((sign * v for v in outer), default=4.0)
        reach.append(furthest + max(1.0, 0.15 * abs(furthest)))
    left, right = -reach[0], reach[1]
    inside = (view.ground_o >= left) & (view.ground_o <= right) & np.isfinite(view.ground_z)
    near = (view.cells_o >= left) & (view.cells_o <= right) & np.isfinite(view.cells_z)
    heights = np.concatenate((view.ground_z[inside], view.cells_z[near]))
    if heights.size == 0:
        return left, right, 0.0, 1.0
    low, high = float(heights.min()), float(heights.max())
    return left, right, low, max(high, low + 0.05)


def fitting_exaggeration(view: SectionView, box: QRectF) -> float:
    """Strongest of the offered exaggerations at which the section still fits the box."""
    left, right, low, high = view_extent(view)
    metres_per_unit = (right - left) / max(box.width(), 1.0)
    room = 0.72 * box.height() * metres_per_unit
    fitting = [e for e in EXAGGERATIONS if e * (high - low) <= room]
    return fitting[-1] if fitting else EXAGGERATIONS[0]


def axes_for(
    view: SectionView,
    box: QRectF,
    exaggeration: float,
    *,
    zoom: float = 1.0,
    centre: tuple[float, float] | None = None,
) -> Axes:
    """Axes that show the section at a vertical exaggeration.

    `centre` is an offset and a height in metres; without it the section sits in the middle, with
    more room above it for the labels.
    """
    left, right, low, high = view_extent(view)
    span_x = (right - left) / zoom
    span_y = span_x / max(box.width(), 1.0) * box.height() / exaggeration
    if centre is None:
        middle_x = (left + right) / 2.0
        middle_y = (low + high) / 2.0 + 0.07 * span_y
    else:
        middle_x, middle_y = centre
    return Axes(
        box,
        middle_x - span_x / 2.0,
        middle_x + span_x / 2.0,
        middle_y - span_y / 2.0,
        middle_y + span_y / 2.0,
    )


def break_handles(view: SectionView, axes: Axes) -> list[Handle]:
    """Grips of the breaks inside the axes, edges before hinges."""
    grips: list[Handle] = []
    for kind in ("edge", "hinge"):
        for side in view.sides:
            offset, _, source, _ = break_of(side, kind)
            if not math.isfinite(offset) or not axes.x0 <= offset <= axes.x1:
                continue
            x = axes.x(offset)
            y = axes.box.top() + (34.0 if kind == "edge" else 48.0)
            grips.append(
                Handle(side.side, kind, offset, QRectF(x - 8.0, y - 8.0, 16.0, 16.0), source)
            )
    return grips


def draw_section(
    painter: QPainter,
    axes: Axes,
    view: SectionView,
    palette: Palette,
    *,
    system: str = METRIC,
    font_size: float = 11.0,
    active: tuple[int, str] | None = None,
    moved: Mapping[tuple[int, str], float] | None = None,
    labels: bool = True,
    grips: bool = True,
    axis_names: bool = True,
) -> None:
    """Draw a section into the axes.

    Parameters
    ----------
    active
        Side and kind of the break that has the keyboard.
    moved
        Offsets of breaks that are being dragged, by side and kind.
    labels
        Write slopes and edge drops beside the lines.
    grips
        Show which break has the keyboard; paper has none.
    axis_names
        Name the axes, where there is room for it.
    """
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.fillRect(axes.box, palette["paper"])
    _draw_scales(painter, axes, palette, system, font_size, axis_names)
    painter.setClipRect(axes.box)
    for side in view.sides:
        for ring in side.cut_polygons:
            hatch(painter, axes.ring(ring[:, 0], ring[:, 1]), palette["cut"], 45.0)
        for ring in side.fill_polygons:
            hatch(painter, axes.ring(ring[:, 0], ring[:, 1]), palette["fill"], -45.0)
    _draw_cells(painter, axes, view, palette)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(pen(palette["ground"], 1.2))
    painter.drawPath(axes.line(view.ground_o, view.ground_z))
    for side in view.sides:
        _draw_side_lines(painter, axes, side, palette)
    for side in view.sides:
        _draw_water(painter, axes, side, palette)
    _draw_breaks(painter, axes, view, palette, font_size, active, moved or {}, grips)
    if labels:
        taken: list[QRectF] = []
        for side in view.sides:
            _draw_labels(painter, axes, side, palette, system, font_size, taken)
    painter.restore()


def _draw_scales(
    painter: QPainter, axes: Axes, palette: Palette, system: str, font_size: float, names: bool
) -> None:
    unit, factor = unit_of("m", system).text, unit_of("m", system).factor
    shown = Axes(axes.box, axes.x0 * factor, axes.x1 * factor, axes.y0 * factor, axes.y1 * factor)
    across = _fitting(
        figure_font(font_size),
        axes.box.width(),
        translate("section", "left    ◂    distance from the centreline, {unit}    ▸    right"),
        translate("section", "left  ◂  {unit}  ▸  right"),
        unit=unit,
    )
    up = translate("section", "height, {unit}").format(unit=unit)
    shown.draw(
        painter,
        ink=palette["ink"],
        grid=palette["faint"],
        font=figure_font(font_size),
        x_label=across if names else "",
        y_label=up if names else "",
        x_text=lambda value: number(abs(value), 0 if abs(value - round(value)) < 1e-6 else 1),
    )
    painter.save()
    painter.setClipRect(axes.box)
    painter.setPen(pen(palette["muted"], 0.9, dashes=(10.0, 3.0, 2.0, 3.0)))
    if axes.x0 < 0.0 < axes.x1:
        painter.drawLine(axes.point(0.0, axes.y1), axes.point(0.0, axes.y0))
    painter.restore()


def _fitting(font: QFont, width: float, *texts: str, unit: str) -> str:
    """Return the first of some texts that fits into a width, else the last."""
    metrics = QFontMetricsF(font)
    filled = [text.format(unit=unit) for text in texts]
    fitting = [text for text in filled if metrics.horizontalAdvance(text) <= width]
    return fitting[0] if fitting else filled[-1]


def _draw_cells(painter: QPainter, axes: Axes, view: SectionView, palette: Palette) -> None:
    """Native cells as open circles, paler the further they lie along the road."""
    ds = np.abs(view.cells_ds)
    furthest = float(ds.max()) if ds.size else 0.0
    share = ds / furthest if furthest > 0.0 else np.zeros_like(ds)
    radius, width = 2.0, 0.7
    inside = (view.cells_o >= axes.x0) & (view.cells_o <= axes.x1) & np.isfinite(view.cells_z)
    groups = []
    for low, high, alpha in ((0.66, 2.0, 0.28), (0.33, 0.66, 0.5), (-1.0, 0.33, 0.85)):
        pick = inside & (share > low) & (share <= high)
        x, y = axes.places(view.cells_o[pick], view.cells_z[pick])
        groups.append((np.column_stack((x, y)), alpha))
    stamp_circles(painter, axes.box, groups, radius, width, palette["cells"])


def _draw_side_lines(painter: QPainter, axes: Axes, side: SectionSide, palette: Palette) -> None:
    band = side.shoulder_band
    if len(band):
        o = np.concatenate((band[:, 0], band[::-1, 0]))
        z = np.concatenate((band[:, 1], band[::-1, 2]))
        painter.fillPath(axes.ring(o, z), tint(palette["shoulder"], 0.25))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for line, stroke in (
        (side.target_line, pen(palette["target"], 1.8, dashes=_TARGET_DASHES)),
        (side.pavement_line, pen(palette["pavement"], 2.8)),
        (side.shoulder_line, pen(palette["shoulder"], 2.8)),
    ):
        if len(line):
            painter.setPen(stroke)
            painter.drawPath(axes.line(line[:, 0], line[:, 1]))


def _draw_water(painter: QPainter, axes: Axes, side: SectionSide, palette: Palette) -> None:
    if len(side.water_line) < 2:
        return
    o, z = side.water_line[:, 0], side.water_line[:, 1]
    painter.setPen(pen(palette["water"], 1.6))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPath(axes.line(o, z))
    # The triangle with strokes under it is the draughtsman's sign for a water level.
    x, y = axes.x(float(o.mean())), axes.y(float(z[0]))
    sign = QPolygonF([QPointF(x - 4.5, y - 8.0), QPointF(x + 4.5, y - 8.0), QPointF(x, y)])
    painter.setBrush(palette["paper"])
    painter.drawPolygon(sign)
    for i, half in enumerate((6.0, 4.0, 2.0), start=1):
        painter.drawLine(QPointF(x - half, y + 2.2 * i), QPointF(x + half, y + 2.2 * i))


def _draw_breaks(
    painter: QPainter,
    axes: Axes,
    view: SectionView,
    palette: Palette,
    font_size: float,
    active: tuple[int, str] | None,
    moved: Mapping[tuple[int, str], float],
    grips: bool,
) -> None:
    painter.setFont(figure_font(font_size))
    handles = list(break_handles(view, axes))
    edges = [axes.x(h.offset_m) for h in handles if h.kind == "edge"]
    for handle in handles:
        key = (handle.side, handle.kind)
        colour = palette["left" if handle.side == 0 else "right"]
        is_active = active == key
        by_hand = handle.source == _BY_HAND
        edge = handle.kind == "edge"
        x = axes.x(moved.get(key, handle.offset_m))
        middle = handle.grip.center().y()
        line = pen(colour, 2.2 if is_active else 1.1, dashes=None if edge else (4.0, 3.0))
        if key in moved:
            painter.setPen(pen(tint(colour, 0.35), 1.0, dashes=(2.0, 2.0)))
            old = axes.x(handle.offset_m)
            painter.drawLine(QPointF(old, middle), QPointF(old, axes.box.bottom()))
        painter.setPen(line)
        painter.drawLine(QPointF(x, middle), QPointF(x, axes.box.bottom()))
        painter.setPen(pen(colour, 1.6))
        painter.setBrush(QBrush(colour if by_hand else palette["paper"]))
        half = 6.0 if edge else 7.0
        painter.drawPolygon(_break_sign(handle.kind, QPointF(x, middle), 6.0, half, half))
        if is_active and grips:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(pen(palette["ink"], 1.0, dashes=(2.0, 2.0)))
            painter.drawRect(handle.grip.translated(x - handle.grip.center().x(), 0.0))
        name = translate("section", "edge") if edge else translate("section", "hinge")
        if by_hand:
            name = translate("section", "{name}, by hand").format(name=name)
        elif handle.source == _NOMINAL:
            name = translate("section", "{name}, nominal").format(name=name)
        outward = handle.side == 1
        # Edge labels stand inward of their line and hinge labels outward, so that the two of a
        # narrow shoulder never collide.
        to_right = outward != edge
        room = painter.fontMetrics().horizontalAdvance(name) + 14.0
        if x - room < axes.box.left():
            to_right = True
        elif x + room > axes.box.right():
            to_right = False
        at = QPointF(x + (10.0 if to_right else -10.0), middle)
        if edge and len(edges) == 2 and abs(edges[1] - edges[0]) < 2.0 * room:
            # No room for two words between them: one stands for both.
            if handle.side == 0:
                continue
            at, to_right = QPointF(0.5 * (sum(edges) - room) + 7.0, middle), True
        align = RIGHT_OF if to_right else LEFT_OF
        text_at(painter, at, name, palette["ink"], align, plate=palette["paper"])
    for side in view.sides:
        if math.isfinite(side.ditch_o) and math.isfinite(side.ditch_z):
            x, y = axes.x(float(side.ditch_o)), axes.y(float(side.ditch_z))
            painter.setPen(pen(palette["muted"], 1.2))
            painter.drawLine(QPointF(x, y + 3.0), QPointF(x, y + 11.0))
            painter.drawLine(QPointF(x - 4.0, y + 11.0), QPointF(x + 4.0, y + 11.0))
            words = translate("section", "ditch")
            text_at(painter, QPointF(x, y + 13.0), words, palette["muted"], BELOW)


def _break_sign(kind: str, at: QPointF, half: float, up: float, down: float) -> QPolygonF:
    """Triangle of an edge, diamond of a hinge, so far to each side of a point."""
    x, y = at.x(), at.y()
    triangle = (x - half, y - up), (x + half, y - up), (x, y + down)
    diamond = (x, y - up), (x + half, y), (x, y + down), (x - half, y)
    corners = triangle if kind == "edge" else diamond
    return QPolygonF([QPointF(*corner) for corner in corners])


def _number(side: SectionSide, name: str) -> tuple[float, float]:
    value, se = side.numbers.get(name, (math.nan, math.nan))
    return float(value), float(se)


def _draw_labels(
    painter: QPainter,
    axes: Axes,
    side: SectionSide,
    palette: Palette,
    system: str,
    font_size: float,
    taken: list[QRectF],
) -> None:
    """Slopes above their lines with an arrow down the fall, and the edge drop under the edge.

    The shoulder comes first: where there is no room for all, the pavement goes without.
    """
    painter.setFont(figure_font(font_size, bold=True))
    metrics = QFontMetricsF(painter.font(), painter.device())
    sign = -1.0 if side.side == 0 else 1.0
    for line, name, lift in (
        (side.shoulder_line, "shoulder_slope_pct", 44.0),
        (side.pavement_line, "pavement_slope_pct", 26.0),
    ):
        value, se = _number(side, name)
        if not len(line) or not math.isfinite(value):
            continue
        middle = axes.point(float(line[:, 0].mean()), float(line[:, 1].mean()))
        if not axes.box.contains(middle):
            continue
        words = value_text(value, "%", system, se=se)
        width, height = metrics.horizontalAdvance(words) + 8.0, metrics.lineSpacing() + 10.0
        bottom = max(middle.y() - lift, axes.box.top() + 50.0 + height)
        box = QRectF(middle.x() - width / 2.0, bottom + 10.0 - height, width, height)
        _keep_within(box, axes.box)
        if not _make_room(box, taken, -height, axes.box.top() + 58.0):
            continue
        at = QPointF(box.center().x(), box.bottom() - 10.0)
        text_at(painter, at, words, palette["ink"], ON_TOP_OF, plate=palette["paper"])
        downhill = QPointF(14.0 if (value >= 0.0) == (sign > 0.0) else -14.0, 0.0)
        low = at + QPointF(0.0, 4.0)
        arrow(painter, low - downhill, low + downhill, palette["ink"])
    drop, se = _number(side, "edge_drop_mm")
    if math.isfinite(drop) and math.isfinite(side.edge_o) and math.isfinite(side.edge_z):
        if not axes.x0 <= side.edge_o <= axes.x1:
            # Moved to the frame it would seem to be of an edge that is in sight.
            return
        at = axes.point(float(side.edge_o), float(side.edge_z))
        lower, higher = (
            translate("section", "drop {value}"),
            translate("section", "high by {value}"),
        )
        text = value_text(abs(drop), "mm", system, se=se)
        words = (lower if drop >= 0.0 else higher).format(value=text)
        width, height = metrics.horizontalAdvance(words) + 8.0, metrics.lineSpacing()
        top = min(at.y() + 30.0, axes.box.bottom() - 20.0)
        box = QRectF(at.x() - width / 2.0, top, width, height)
        _keep_within(box, axes.box)
        if _make_room(box, taken, height, axes.box.bottom() - height):
            at = QPointF(box.center().x(), box.top())
            text_at(painter, at, words, palette["ink"], BELOW, plate=palette["paper"])


def _keep_within(box: QRectF, frame: QRectF) -> None:
    """Move a label sideways so that the frame doesn't cut it."""
    box.moveLeft(max(min(box.left(), frame.right() - box.width()), frame.left()))


def _make_room(box: QRectF, taken: list[QRectF], step: float, end: float) -> bool:
    """Move a label up or down to where nothing is yet; tells whether there was room."""
    for _ in range(3):
        beyond = box.top() < end if step < 0.0 else box.top() > end
        if beyond:
            return False
        if not any(box.intersects(other) for other in taken):
            taken.append(QRectF(box))
            return True
        box.translate(0.0, step)
    return False


def draw_legend(
    painter: QPainter, box: QRectF, palette: Palette, *, font_size: float = 10.0
) -> float:
    """Draw the key to the signs, in as many columns as fit; returns the height used."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setFont(figure_font(font_size))
    entries = (
        ("cell", translate("section", "grid cell (paler: further along the road)")),
        ("ground", translate("section", "ground at the station")),
        ("pavement", translate("section", "pavement as fitted")),
        ("shoulder", translate("section", "shoulder as fitted, ± 1 standard error")),
        ("target", translate("section", "target line")),
        ("cut", translate("section", "cut")),
        ("fill", translate("section", "fill")),
        ("water", translate("section", "water held")),
        ("edge", translate("section", "pavement edge (filled: set by hand)")),
        ("hinge", translate("section", "hinge (filled: set by hand)")),
    )
    row = font_size * 1.55
    swatch = 30.0
    x, y = box.left(), box.top()
    metrics = painter.fontMetrics()
    for kind, words in entries:
        width = swatch + 6.0 + metrics.horizontalAdvance(words) + 18.0
        if x + width > box.right() and x > box.left():
            x, y = box.left(), y + row
        _draw_swatch(painter, QRectF(x, y, swatch - 4.0, row - 3.0), kind, palette)
        at = QPointF(x + swatch, y + row / 2.0 - 1.5)
        text_at(painter, at, words, palette["ink"], RIGHT_OF)
        x += width
    painter.restore()
    return y + row - box.top()


def _draw_swatch(painter: QPainter, box: QRectF, kind: str, palette: Palette) -> None:
    middle, x, y = box.center(), box.center().x(), box.center().y()
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if kind == "cell":
        painter.setPen(pen(palette["cells"], 0.8))
        for i in range(3):
            painter.drawEllipse(QPointF(box.left() + 5.0 + 8.0 * i, y), 2.0, 2.0)
    elif kind in ("cut", "fill"):
        area = QPainterPath()
        area.addRect(box)
        hatch(painter, area, palette[kind], 45.0 if kind == "cut" else -45.0)
    elif kind in ("edge", "hinge"):
        edge = kind == "edge"
        painter.setPen(pen(palette["left"], 1.4, dashes=None if edge else (3.0, 2.0)))
        painter.drawLine(QPointF(x, box.top()), QPointF(x, box.bottom()))
        painter.setPen(pen(palette["left"], 1.4))
        painter.setBrush(palette["paper"])
        painter.drawPolygon(_break_sign(kind, middle, 5.0, 5.0, 4.0 if edge else 5.0))
    else:
        if kind == "shoulder":
            painter.fillRect(box.adjusted(0.0, 1.0, 0.0, -1.0), tint(palette[kind], 0.25))
        width, dashes = _LINES[kind]
        painter.setPen(pen(palette[kind], width, dashes=dashes))
        painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
        if kind == "water":
            painter.drawPolygon(_break_sign("edge", middle, 3.5, 6.0, 0.0))
