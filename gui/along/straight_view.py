"""The road laid straight: heights above the pavement plane in centimetres, left above right.

Seen from above a road is long and its faults are small. Straightened and coloured by height above
the pavement beside it, a shoulder that stands high or has sunk shows as a stripe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QShowEvent
from PySide6.QtWidgets import QComboBox, QLabel, QToolBar, QToolButton, QWidget

from analysis.common.sides import SIDE_SIGN
from analysis.common.verdicts import Verdict
from gui.along.colour_key import ColourKey
from gui.along.road_axis import MARKED, RoadView, SpanLink, mark_data
from gui.drawing.figure import tick_values
from gui.look import theme
from gui.look.making import later, named, stacked, yielding
from gui.look.marks import review_scatter
from gui.look.units import from_shown, number, shown, unit_of
from gui.look.words import side_text, station_words

if TYPE_CHECKING:
    from analysis.study.relief import Relief
    from analysis.study.values import RoadStudy
    from gui.state.model import WindowModel

__all__ = ["StraightView"]


# Ranges of the colours to either side of the pavement plane, in the shown unit (cm or inches).
RANGES = {"metric": (3.0, 5.0, 10.0, 20.0, 50.0, 100.0), "us": (1.0, 2.0, 4.0, 8.0, 20.0, 40.0)}
_START_PLACE = 2
_START_CM = RANGES["metric"][_START_PLACE]
_MOST_COLUMNS = 2400
# Lines of the breaks: field, colour, width and pattern.
_BREAKS = (
    ("edge", "ink", 1.4, Qt.PenStyle.SolidLine),
    ("hinge", "ink", 1.2, Qt.PenStyle.DashLine),
    ("ditch", "water", 1.4, Qt.PenStyle.DotLine),
)
# Roads laid straight that are kept, so that going from one to another and back is quick.
_KEPT = 3


class _Order:
    """What a road laid straight is made of.

    Limits change often and heights don't: two are equal where the measurement is the same.
    """

    def __init__(self, part: RoadStudy) -> None:
        self.part = part
        self._of = (part.ground.ribbon, part.breaks, part.measures)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, _Order):
            return NotImplemented
        return all(a is b for a, b in zip(self._of, other._of, strict=True))

    def __hash__(self) -> int:
        return hash(tuple(id(part) for part in self._of))


class StraightView(RoadView):
    """The ribbon of the current road, linked with the other views through the model."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(model, self.tr("Road laid straight"), parent)
        self._later = later(self, self._draw_image_when_seen, 15)
        self.relief: Relief | None = None
        self._asked: _Order | None = None
        self._made: list[tuple[_Order, Relief]] = []
        self._job, self._ahead_job = f"straight {id(self)}", f"straight ahead {id(self)}"
        self._lines_due = self._image_due = False
        self._caught_up = later(self, self._catch_up)
        self._line_due = later(self, self._draw_some)
        self._to_draw: list[str] = []
        self._build()
        self.link = SpanLink(model, self.plot.getViewBox(), self)
        self.plot.getViewBox().sigRangeChanged.connect(lambda *_: self._later.start())
        # After the link has moved the view.
        model.span_changed.connect(lambda *_: self._draw_image_now())
        model.study_changed.connect(self._ask)
        model.selection_changed.connect(self._on_selection)
        model.units_changed.connect(later(self, self._on_units).start)
        model.reviews_changed.connect(self._on_reviews)
        theme.watcher().changed.connect(later(self, self._on_theme).start)
        self._on_units()
        self._ask()

    # -- layout ----------------------------------------------------------------------------------

    def _build(self) -> None:
        self.range_box = named(
            QComboBox(),
            self.tr("Range of the colours"),
            self.tr("Height above or below the pavement at full colour."),
        )
        for value in RANGES["metric"]:
            self.range_box.addItem("", value)
        self.range_box.setCurrentIndex(_START_PLACE)
        self.range_box.currentIndexChanged.connect(self._on_range)
        self.breaks_button = named(
            QToolButton(),
            self.tr("Show edges, hinges and ditches"),
            self.tr("Edges (full), hinges (dashed), ditches (dotted)."),
        )
        self.breaks_button.setText(self.tr("Breaks"))
        self.breaks_button.setCheckable(True)
        self.breaks_button.setChecked(True)
        self.breaks_button.toggled.connect(lambda _on: self._draw_lines())
        self.colour_key = ColourKey(_START_CM)
        self.readout = yielding(named(QLabel(), self.tr("Height at the pointer")))
        self.readout.setContentsMargins(70, 1, 8, 0)
        self.readout.setMinimumHeight(self.readout.fontMetrics().height() + 2)
        bar = named(QToolBar(), self.tr("Colours and lines"))
        title = QLabel(self.tr("Above the pavement:"))
        for part in (title, self.colour_key, self.range_box, self.breaks_button):
            bar.addWidget(part)

        self.plot = self._plot_over_road(_OffsetAxis(self.model))
        # Left of the road stands above right, as on a map whose road runs to the right.
        self.plot.getViewBox().invertY(True)
        self.plot.getViewBox().setDefaultPadding(0.0)
        self.area.addItem(self.plot)
        self.image = pg.ImageItem(axisOrder="row-major")
        self.image.setZValue(-10)
        self.plot.addItem(self.image)
        self.mark = pg.InfiniteLine(angle=90, movable=False)
        self.mark.setZValue(30)
        self.plot.addItem(self.mark, ignoreBounds=True)
        self.chosen = pg.PlotCurveItem()
        self.chosen.setZValue(25)
        self.reviewed = pg.ScatterPlotItem()
        self.reviewed.setZValue(28)
        for item in (self.chosen, self.reviewed):
            self.plot.addItem(item, ignoreBounds=True)
        self.note = QLabel(alignment=Qt.AlignmentFlag.AlignCenter, wordWrap=True)
        self.lines: list[Any] = []
        stacked(self, bar, self.readout, (self.note, 1), (self.area, 1))
        self.area.hide()

    def sizeHint(self) -> QSize:
        return QSize(980, 220)

    @property
    def limit_cm(self) -> float:
        """Height at full colour, centimetres."""
        return float(self.range_box.currentData())

    # -- data ------------------------------------------------------------------------------------

    def _ask(self) -> None:
        model = self.model
        if not self.isVisible():
            self._dirty = True
            return
        self._dirty = False
        study, part = model.study, model.measured_here
        if study is None or part is None:
            self.relief = self._asked = None
            self._made = []
            nothing = self.tr("Nothing screened yet.")
            no_grid = self.tr("Open the terrain grid to see the road laid straight.")
            self.note.setText(nothing if model.findings is None else no_grid)
            self.note.show()
            self.area.hide()
            return
        order = _Order(part)
        if order == self._asked:
            # The verdicts may be others all the same, and the reaches.
            self._draw_lines()
            self._mark_chosen()
            return
        self._asked = order
        every = [_Order(other) for other in study.roads]
        self._made = [made for made in self._made if made[0] in every]
        for known, relief in self._made:
            if known == order:
                # Should another road's still be on its way, it comes too late.
                model.runner.cancel(self._job)
                self._show(relief)
                return
        self._submit(self._job, order)

    def make_ahead(self, roads: Sequence[int]) -> None:
        """Lay roads straight that are likely to be seen next; one at a time, a few are kept."""
        study, model = self.model.study, self.model
        if study is None or model.runner.is_running(self._job):
            return
        known = [order for order, _relief in self._made]
        for road in roads:
            order = _Order(study.roads[road])
            if order not in (*known, self._asked) and not model.runner.is_running(self._ahead_job):
                self._submit(self._ahead_job, order)
                return

    def _submit(self, job: str, order: _Order) -> None:
        self.model.runner.submit(job, lambda _progress: (order, _relief_of(order.part)), self._take)

    def _take(self, made: tuple[_Order, Relief]) -> None:
        self._made = [made, *self._made][:_KEPT]
        order, relief = made
        if order == self._asked:
            self._show(relief)

    def _show(self, relief: Relief) -> None:
        self.relief = relief
        self.note.hide()
        self.area.show()
        self._draw_lines()
        self._style()
        reach = self._half_width()
        self.plot.setYRange(-reach, reach, padding=0.0)
        self._follow_road()
        self._later.start()
        self._on_selection()

    def _half_width(self) -> float:
        """Half the width worth showing: past the hinges, not to the end of the ribbon."""
        study = self.model.study
        if self.relief is None or study is None:
            return 10.0
        outer = np.abs(study.roads[self.model.road_index].breaks.hinge)
        known = outer[np.isfinite(outer)]
        reach = float(np.percentile(known, 95)) + 3.0 if known.size else 8.0
        return min(reach, float(np.abs(self.relief.o).max()))

    # -- drawing ----------------------------------------------------------

    def _draw_image_now(self) -> None:
        """Draw what is due before painting: after a jump all would be painted twice."""
        if self._later.isActive():
            self._later.stop()
            self._draw_image_when_seen()

    def _draw_image_when_seen(self) -> None:
        self._image_due = not self.isVisible()
        if not self._image_due:
            self._draw_image()

    def _draw_image(self) -> None:
        """Colour what is in view, no finer than the screen shows, and mark what is decided."""
        self._mark_reviews()
        relief = self.relief
        if relief is None or len(relief.s) < 2 or len(relief.o) < 2:
            self.image.clear()
            return
        s0, s1 = self.plot.getViewBox().viewRange()[0]
        margin = 0.25 * (s1 - s0)
        first = max(0, int(np.searchsorted(relief.s, s0 - margin)) - 1)
        last = min(len(relief.s), int(np.searchsorted(relief.s, s1 + margin)) + 1)
        if last - first < 2:
            self.image.clear()
            return
        stride = max(1, math.ceil((last - first) / _MOST_COLUMNS))
        part = relief.height_cm[first:last:stride]
        rgba = theme.relief_rgba(part.T, self.limit_cm)
        self.image.setImage(rgba, levels=(0, 255))
        ds, do = relief.s[1] - relief.s[0], relief.o[1] - relief.o[0]
        self.image.setRect(
            QRectF(
                float(relief.s[first]) - ds / 2.0,
                float(relief.o[0]) - do / 2.0,
                float(ds * stride * len(part)),
                float(do * len(relief.o)),
            )
        )

    def _draw_lines_when_seen(self) -> None:
        self._lines_due = not self.isVisible()
        if not self._lines_due:
            self._draw_lines()

    def _draw_lines(self) -> None:
        """Show edges, hinges, ditches and marks as they are now, in the coming turns."""
        self._mark_reviews()
        self._to_draw = ["breaks", *MARKED] if self._made_lines() else []
        self._line_due.start()

    def _made_lines(self) -> bool:
        """Make the lines and marks, all empty, when they are first wanted; tell if they are.

        Given other data they cost a tenth of what taking them out and adding new ones does.
        """
        if self.lines or self.relief is None:
            return bool(self.lines)
        for _way in range(len(_BREAKS) * 2):
            line = pg.PlotDataItem(connect="finite")
            self.plot.addItem(line)
            line.setDownsampling(auto=True, method="peak")
            line.setClipToView(True)
            self.lines.append(line)
        for _way in range(len(MARKED) * 2):
            marks = pg.ScatterPlotItem()
            self.plot.addItem(marks)
            self.lines.append(marks)
        return True

    def _draw_some(self) -> None:
        """Show the next lines or marks."""
        if not self._to_draw:
            return
        what = self._to_draw.pop(0)
        study = self.model.study
        part = None
        if study is not None and self.relief is not None and self.breaks_button.isChecked():
            part = study.roads[self.model.road_index]
        if what == "breaks":
            self._draw_breaks(part)
        else:
            self._draw_marks(Verdict(what), part)
        if self._to_draw:
            self._line_due.start()

    def _draw_breaks(self, part: RoadStudy | None) -> None:
        for place, (name, ink, width, pattern) in enumerate(_BREAKS):
            for side in (0, 1):
                line = self.lines[2 * place + side]
                if part is None:
                    line.clear()
                    continue
                values = getattr(part.breaks, name)[:, side]
                line.setData(part.s, SIDE_SIGN[side] * values, pen=theme.pen(ink, width, pattern))

    def _draw_marks(self, name: Verdict, part: RoadStudy | None) -> None:
        first = 2 * (len(_BREAKS) + MARKED.index(name))
        for side, sign in enumerate(SIDE_SIGN):
            data = None
            if part is not None:
                breaks, verdict = part.breaks, part.judged.judgement.verdict
                edge, hinge = breaks.edge[:, side], breaks.hinge[:, side]
                outer = np.where(np.isfinite(hinge), hinge, edge + 1.5) + 1.0
                outer[~np.isfinite(edge)] = np.nan
                clear = QColor(Qt.GlobalColor.transparent)
                data = mark_data(name, part.s, sign * outer, verdict[:, side], size=8, hollow=clear)
            marks = self.lines[first + side]
            if data is not None:
                marks.setData(**data)
            elif len(marks.data):
                marks.clear()

    def _outline(self, row: int) -> tuple[NDArray[Any], NDArray[Any]]:
        """Corners of a reach on the road laid straight: distances and offsets, closed."""
        loaded, study = self.model.loaded, self.model.study
        assert loaded is not None and study is not None
        part, side = study.roads[self.model.road_index], int(loaded.reach_side[row])
        held = slice(int(loaded.reach_first[row]), int(loaded.reach_last[row]) + 1)
        half = 0.5 * part.case.settings.spacing_m
        s0, s1 = float(part.s[held][0]) - half, float(part.s[held][-1]) + half
        edge, hinge = part.breaks.edge[held, side], part.breaks.hinge[held, side]
        edge = edge[np.isfinite(edge)]
        inner = float(edge.min()) if edge.size else 0.0
        outer = np.concatenate([edge + 1.5, hinge[np.isfinite(hinge)]])
        furthest = (float(outer.max()) if outer.size else 4.0) + 0.4
        sign = SIDE_SIGN[side]
        offsets = sign * np.array([inner - 0.4, furthest, furthest, inner - 0.4, inner - 0.4])
        return np.array([s0, s0, s1, s1, s0]), offsets

    def _mark_chosen(self) -> None:
        """Draw a frame round the selected reach."""
        loaded, row = self.model.loaded, self.model.reach_row
        here = loaded is not None and 0 <= row < len(loaded.reach_road)
        if self.relief is None or self.model.study is None or not here:
            self.chosen.clear()
            return
        self.chosen.setData(*self._outline(row))

    def _mark_reviews(self) -> None:
        """Mark the reaches in view that somebody decided on."""
        loaded, model = self.model.loaded, self.model
        if self.relief is None or loaded is None or model.study is None or not model.reviews:
            self.reviewed.clear()
            return
        governing = model.reach_reviews.given
        s0, s1 = self.plot.getViewBox().viewRange()[0]
        distance = loaded.index[model.road_index].distance_m
        here = np.flatnonzero(loaded.reach_road == model.road_index)
        here = here[
            (distance[loaded.reach_first[here]] <= s1) & (distance[loaded.reach_last[here]] >= s0)
        ]
        places, states = [], []
        for row in here.tolist():
            given = governing[row]
            if given is not None:
                s, o = self._outline(row)
                places.append((0.5 * float(s[0] + s[2]), 0.5 * float(o[0] + o[1])))
                states.append(given.state)
        self.reviewed.setData(**review_scatter(places, states))

    def _on_reviews(self) -> None:
        if self.isVisible():
            self._mark_reviews()
        else:
            self._lines_due = True

    def _style(self) -> None:
        self.area.setBackground(theme.color("paper"))
        self._dress(self.plot, self.mark)
        self.chosen.setPen(theme.pen("selected", 2.4))

    def _on_theme(self) -> None:
        self._style()
        self._draw_lines_when_seen()
        self.colour_key.update()
        self._later.start()

    def _on_units(self) -> None:
        system = self.model.units
        unit = unit_of("cm", system)
        for i, value in enumerate(RANGES[system]):
            self.range_box.setItemText(i, f"± {number(value, 0)} {unit.text}")
            self.range_box.setItemData(i, from_shown(value, "cm", system))
        self.colour_key.system = system
        self._on_range(self.range_box.currentIndex())
        axis_unit = unit_of("m", system).text
        self.plot.getAxis("left").setLabel(self.tr("right ◂ {unit} ▸ left").format(unit=axis_unit))
        for name in ("left", "bottom"):
            axis = self.plot.getAxis(name)
            axis.picture = None
            axis.update()

    def _on_range(self, _index: int) -> None:
        self.colour_key.limit_cm = self.limit_cm
        self.colour_key.update()
        self._later.start()

    # -- selection ----------------------------------------------------------

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._dirty or self._lines_due or self._image_due:
            self._caught_up.start()

    def _catch_up(self) -> None:
        """Draw what changed while nobody saw it."""
        if not self.isVisible():
            return
        if self._dirty:
            self._ask()
            self._on_selection()
        if self._lines_due:
            self._draw_lines_when_seen()
        if self._image_due:
            self._draw_image_when_seen()

    def _on_selection(self) -> None:
        if not self.isVisible():
            self._dirty = True
            return
        if self._road_name() != self._road:
            self._ask()
            return
        self._mark_chosen()
        place = self.model.place_m
        self.mark.setVisible(place is not None)
        if place is not None:
            self.mark.setPos(place)
            self.link.bring_into_view(place)

    # -- mouse and keyboard ----------------------------------------------------------

    def click_at(self, at: QPointF) -> None:
        """Select the station and side at a point of the scene."""
        box = self.plot.getViewBox()
        if self.relief is None or not box.sceneBoundingRect().contains(at):
            return
        place = box.mapSceneToView(at)
        station = self.model.nearest_station(self.model.road_index, place.x())
        self.model.select_station(self.model.road_index, station, 0 if place.y() < 0.0 else 1)

    def _on_mouse(self, at: QPointF) -> None:
        box = self.plot.getViewBox()
        if self.relief is None or not box.sceneBoundingRect().contains(at):
            self.readout.setText("")
            return
        place = box.mapSceneToView(at)
        self.readout.setText(self.words_at(place.x(), place.y()))

    def words_at(self, s: float, o: float) -> str:
        """Say where a place is and how high above the pavement."""
        relief, model, road = self.relief, self.model, self.model.road
        if relief is None or road is None:
            return ""
        label = float(np.interp(s, road.distance_m, road.station_m))
        metre, centi = unit_of("m", model.units), unit_of("cm", model.units)
        i = int(np.argmin(np.abs(relief.s - s)))
        k = int(np.argmin(np.abs(relief.o - o)))
        height = float(relief.height_cm[i, k])
        where = self.tr("{station}, {offset} {unit} {side}").format(
            station=station_words(label, model.station_style),
            offset=number(abs(o) * metre.factor, 1),
            unit=metre.text,
            side=side_text(0 if o < 0.0 else 1),
        )
        if not math.isfinite(height):
            return self.tr("{where}: height unknown").format(where=where)
        above = self.tr("{where}: {height} {unit} above the pavement plane")
        below = self.tr("{where}: {height} {unit} below the pavement plane")
        return (above if height >= 0.0 else below).format(
            where=where, height=number(abs(height) * centi.factor, 1), unit=centi.text
        )

    def leaveEvent(self, event: Any) -> None:
        self.readout.setText("")
        super().leaveEvent(event)


class _OffsetAxis(pg.AxisItem):
    """Offsets without a sign: which side they are on shows by where they stand."""

    def __init__(self, model: WindowModel) -> None:
        super().__init__("left")
        self._model = model

    def tickValues(self, low: float, high: float, size: float) -> list[tuple[float, list[float]]]:
        system = self._model.units
        # The view is upside down, so the ends may come the other way round.
        ends = (float(shown(low, "m", system)), float(shown(high, "m", system)))
        values, _places = tick_values(min(ends), max(ends), max(2, int(size / 26)))
        return [(1.0, [from_shown(v, "m", system) for v in values])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        system = self._model.units
        texts = [abs(float(shown(v, "m", system))) for v in values]
        return [number(v, 0 if abs(v - round(v)) < 1e-6 else 1) for v in texts]


def _relief_of(part: RoadStudy) -> Relief:
    from analysis.study.relief import pavement_heights

    return pavement_heights(part)
