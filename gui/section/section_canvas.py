"""The section on screen: pan, zoom, exaggerate, and take hold of the edges and hinges."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QFocusEvent,
    QHideEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from analysis.common.types import Floats
from gui.drawing.figure import LEFT_OF, RIGHT_OF, Axes, figure_font, text_at
from gui.drawing.section_figure import (
    Handle,
    axes_for,
    break_handles,
    break_of,
    draw_section,
    fitting_exaggeration,
    source_text,
    view_extent,
)
from gui.look import theme
from gui.look.turns import PaintedInTurns
from gui.look.units import METRIC, number, unit_of, value_text
from gui.look.words import QT_TRANSLATE_NOOP

if TYPE_CHECKING:
    from analysis.study.sections import SectionView

__all__ = ["KEYS", "SectionCanvas"]

# Keys of the section, for the shortcut sheet: (keys, what they do).
KEYS: tuple[tuple[str, str], ...] = (
    ("B / Shift+B", QT_TRANSLATE_NOOP("Keys", "take the next / previous break")),
    ("← / →", QT_TRANSLATE_NOOP("Keys", "move the break by 50 mm (with Shift by 10 mm), or pan")),
    ("Return", QT_TRANSLATE_NOOP("Keys", "measure with the moved break")),
    ("Esc", QT_TRANSLATE_NOOP("Keys", "leave the break where it was")),
    ("Del", QT_TRANSLATE_NOOP("Keys", "give the break back to the search")),
    ("+ / − / 0", QT_TRANSLATE_NOOP("Keys", "zoom in / out / show all")),
)

_GRIP_REACH = 10.0
_STEP_M, _FINE_STEP_M = 0.05, 0.01
# A shoulder narrower than this can't be measured at all, so a drag never gets there.
_LEAST_GAP_M = 0.1
_MARGINS = (66.0, 12.0, 14.0, 42.0)


class SectionCanvas(QWidget):
    """Shows one section; breaks can be dragged or moved by keyboard.

    Signals
    -------
    break_moved(side, kind, u_m)
        A person put a break elsewhere, metres outward from the centreline.
    break_released(side, kind)
        A person gives a break back to the search.
    side_picked(side)
        A click on the left or right half.
    sight_changed
        Pan, zoom or exaggeration changed by hand.
    """

    break_moved = Signal(int, str, float)
    break_released = Signal(int, str)
    side_picked = Signal(int)
    sight_changed = Signal()

    def __init__(self, parent: QWidget | None = None, *, editable: bool = True) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus if editable else Qt.FocusPolicy.ClickFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(200, 90)
        self.setAccessibleName(self.tr("Cross-section"))
        self.editable = editable
        self.system = METRIC
        self.view: SectionView | None = None
        self.empty_text = self.tr("No section: screen a road first.")
        self.caption = ""
        # Another survey of the same place, brought level: offsets and heights, (k, 2).
        self.overlay: Floats | None = None
        self.busy_text = ""
        self.side = 0
        self._exaggeration: float | None = None
        self._zoom = 1.0
        self._centre: tuple[float, float] | None = None
        self.active: tuple[int, str] | None = None
        self._moved: dict[tuple[int, str], float] = {}
        self._grabbed: tuple[int, str] | None = None
        self._pan_from: tuple[QPointF, Axes] | None = None
        self._cursor: QPointF | None = None
        self._painted = PaintedInTurns(self, lambda: theme.color("paper"))
        theme.watcher().changed.connect(self.update)

    def sizeHint(self) -> QSize:
        return QSize(640, 340)

    # -- what is shown ---------------------------------------------------------------------------

    def set_view(self, view: SectionView | None) -> None:
        """Show another section; what was being dragged is dropped."""
        if view is None or self.view is None or _place(view) != _place(self.view):
            self.active = None
            self._carry_sight(view)
        self.view = view
        self._moved.clear()
        self._grabbed = None
        self.busy_text = ""
        self._describe()
        self.update()

    def _carry_sight(self, view: SectionView | None) -> None:
        """Keep the same part of the road in sight at another place; another road begins whole."""
        if self._centre is None:
            return
        up = math.nan
        if view is not None and self.view is not None and view.road == self.view.road:
            up = _edge_height(view) - _edge_height(self.view)
        if math.isfinite(up):
            self._centre = (self._centre[0], self._centre[1] + up)
        else:
            self._zoom, self._centre = 1.0, None

    def set_exaggeration(self, value: float | None) -> None:
        """Stretch heights by a factor; None takes the strongest that fits."""
        if value != self._exaggeration:
            self._exaggeration = value
            self._sight_moved()

    @property
    def exaggeration(self) -> float:
        """The factor in use."""
        if self._exaggeration is not None:
            return self._exaggeration
        return fitting_exaggeration(self.view, self._box()) if self.view else 1.0

    def sight(self) -> tuple[float | None, float, tuple[float, float] | None]:
        """Exaggeration, zoom and centre as chosen by hand."""
        return self._exaggeration, self._zoom, self._centre

    def set_sight(
        self, exaggeration: float | None, zoom: float, centre: tuple[float, float] | None
    ) -> None:
        """Take over another canvas's sight, without telling it back."""
        self._exaggeration, self._zoom, self._centre = exaggeration, zoom, centre
        self.update()

    def show_all(self) -> None:
        """Show the whole section."""
        self._zoom, self._centre = 1.0, None
        self._sight_moved()

    def _sight_moved(self) -> None:
        self.update()
        self.sight_changed.emit()

    def show_shoulder(self, side: int) -> None:
        """Zoom to one shoulder."""
        if self.view is None:
            return
        part = self.view.sides[side]
        edge, hinge = float(part.edge_o), float(part.hinge_o)
        if not math.isfinite(edge):
            return
        if not math.isfinite(hinge):
            hinge = edge + (-1.5 if side == 0 else 1.5)
        left, right, _low, _high = view_extent(self.view)
        self._zoom = max(1.0, (right - left) / (3.0 * max(abs(hinge - edge), 0.5)))
        z = float(part.edge_z) if math.isfinite(part.edge_z) else self.axes().value_y(0.0)
        self._centre = ((edge + hinge) / 2.0, z)
        self._sight_moved()

    def _box(self) -> QRectF:
        left, top, right, bottom = _MARGINS
        if self._low():
            bottom -= 16.0
        return QRectF(
            left,
            top + (18.0 if self.caption else 0.0),
            max(40.0, self.width() - left - right),
            max(40.0, self.height() - top - bottom - (18.0 if self.caption else 0.0)),
        )

    def _low(self) -> bool:
        """Whether there is too little height to spend any on the name of the axis."""
        return self.height() < 260

    def axes(self) -> Axes:
        assert self.view is not None
        return axes_for(
            self.view, self._box(), self.exaggeration, zoom=self._zoom, centre=self._centre
        )

    # -- painting --------------------------------------------------------------------------------

    def hideEvent(self, event: QHideEvent) -> None:
        self._painted.forget()
        super().hideEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        if self._painted.to_paint(event) is None:
            return
        palette = theme.palette()
        painter = QPainter(self)
        painter.fillRect(self.rect(), palette["paper"])
        if self.view is None:
            painter.setFont(figure_font(13.0))
            painter.setPen(palette["muted"])
            painter.drawText(
                QRectF(self.rect()).adjusted(20, 20, -20, -20),
                int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap),
                self.empty_text,
            )
            return
        axes = self.axes()
        draw_section(
            painter,
            axes,
            self.view,
            palette,
            system=self.system,
            font_size=11.0,
            active=self.active if self.hasFocus() else None,
            moved=self._moved,
            grips=self.editable,
            axis_names=not self._low(),
        )
        if self.overlay is not None:
            painter.save()
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setClipRect(axes.box)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(theme.pen("accent", 2.2, Qt.PenStyle.DashLine))
            painter.drawPath(axes.line(self.overlay[:, 0], self.overlay[:, 1]))
            painter.restore()
        painter.setFont(figure_font(11.0))
        top = axes.box.top() + 10.0
        stretch = self.tr("heights × {factor}").format(factor=number(self.exaggeration, 0))
        muted, paper = palette["muted"], palette["paper"]
        at = QPointF(axes.box.right() - 6.0, top)
        text_at(painter, at, stretch, muted, LEFT_OF, plate=paper)
        note = self.busy_text or self._cursor_text(axes)
        if note:
            at = QPointF(axes.box.left() + 8.0, top)
            ink = palette["ink"] if self.busy_text else muted
            text_at(painter, at, note, ink, RIGHT_OF, plate=paper)
        if self.caption:
            painter.setFont(figure_font(12.0, bold=True))
            at = QPointF(axes.box.left(), axes.box.top() - 12.0)
            room = int(self.width() - at.x() - 8.0)
            # Names of files may be long; what is said of them stands at the end.
            words = painter.fontMetrics().elidedText(
                self.caption, Qt.TextElideMode.ElideMiddle, room
            )
            text_at(painter, at, words, palette["ink"], RIGHT_OF)
        if self.hasFocus():
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(palette["accent"])
            painter.drawRect(axes.box.adjusted(-1, -1, 1, 1))

    def _cursor_text(self, axes: Axes) -> str:
        if self._cursor is None or not axes.box.contains(self._cursor):
            return ""
        unit = unit_of("m", self.system)
        offset, height = axes.value_x(self._cursor.x()), axes.value_y(self._cursor.y())
        side = self.tr("left") if offset < 0.0 else self.tr("right")
        return self.tr("{offset} {unit} {side}, height {height} {unit}").format(
            offset=number(abs(offset) * unit.factor, 2),
            side=side,
            height=number(height * unit.factor, 2),
            unit=unit.text,
        )

    def _describe(self) -> None:
        """Say the section in words, for those who can't see the drawing."""
        if self.view is None:
            self.setAccessibleDescription(self.empty_text)
            return
        parts = []
        for side in self.view.sides:
            name = self.tr("left") if side.side == 0 else self.tr("right")
            parts.append(f"{name}: {side.reason or side.verdict}")
        self.setAccessibleDescription(" ".join(parts))

    # -- mouse -----------------------------------------------------------------------------------

    def _handle_at(self, point: QPointF) -> Handle | None:
        if self.view is None or not self.editable:
            return None
        best: tuple[float, Handle] | None = None
        axes = self.axes()
        for handle in break_handles(self.view, axes):
            centre = handle.grip.center()
            away = math.hypot(point.x() - centre.x(), point.y() - centre.y())
            if away > _GRIP_REACH:
                # The line below the grip takes hold too, but the grip nearest wins.
                on_line = abs(point.x() - centre.x()) <= 4.0
                below = centre.y() <= point.y() <= axes.box.bottom()
                away = 20.0 + abs(point.x() - centre.x()) if on_line and below else math.inf
            if math.isfinite(away) and (best is None or away < best[0]):
                best = (away, handle)
        return best[1] if best else None

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if self.view is None or event.button() != Qt.MouseButton.LeftButton:
            super().mousePressEvent(event)
            return
        handle = self._handle_at(event.position())
        if handle is not None:
            self.active = self._grabbed = (handle.side, handle.kind)
            self.update()
            return
        axes = self.axes()
        if axes.box.contains(event.position()):
            self._pan_from = (event.position(), axes)
            self.side_picked.emit(0 if axes.value_x(event.position().x()) < 0.0 else 1)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        self._cursor = event.position()
        if self.view is None:
            return
        if self._grabbed is not None:
            self._move_to(self._grabbed, self.axes().value_x(event.position().x()))
        elif self._pan_from is not None and event.buttons() & Qt.MouseButton.LeftButton:
            start, axes = self._pan_from
            moved = event.position() - start
            if moved.manhattanLength() > 3.0:
                self._pan(axes, -moved.x() / axes.box.width(), moved.y() / axes.box.height())
                self.setCursor(Qt.CursorShape.ClosedHandCursor)
        else:
            handle = self._handle_at(event.position())
            if handle is None:
                self.unsetCursor()
                self.setToolTip("")
            else:
                self.setCursor(Qt.CursorShape.SizeHorCursor)
                self.setToolTip(self._break_words(handle))
        self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton:
            self._pan_from = None
            self.unsetCursor()
            if self._grabbed is not None:
                key, self._grabbed = self._grabbed, None
                self._commit(key)
        super().mouseReleaseEvent(event)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if self._handle_at(event.position()) is None:
            self.show_all()

    def leaveEvent(self, event: QEvent) -> None:
        self._cursor = None
        self.update()
        super().leaveEvent(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        if self.view is None:
            return
        self.zoom_at(event.position(), 1.0015 ** event.angleDelta().y())
        event.accept()

    def _pan(self, axes: Axes, across: float, up: float) -> None:
        """Move what the axes show by shares of their width and height."""
        self._centre = (
            (axes.x0 + axes.x1) / 2.0 + across * (axes.x1 - axes.x0),
            (axes.y0 + axes.y1) / 2.0 + up * (axes.y1 - axes.y0),
        )
        self._sight_moved()

    def zoom_at(self, point: QPointF, factor: float) -> None:
        axes = self.axes()
        zoom = min(40.0, max(0.4, self._zoom * factor))
        factor = zoom / self._zoom
        if factor == 1.0:
            return
        x, y = axes.value_x(point.x()), axes.value_y(point.y())
        middle_x, middle_y = (axes.x0 + axes.x1) / 2.0, (axes.y0 + axes.y1) / 2.0
        self._centre = (x + (middle_x - x) / factor, y + (middle_y - y) / factor)
        self._zoom = zoom
        self._sight_moved()

    # -- keyboard --------------------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if self.view is None:
            super().keyPressEvent(event)
            return
        key, shift = event.key(), bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        keys = Qt.Key
        if key == keys.Key_B and self.editable:
            self._take_break(-1 if shift else 1)
        elif key in (keys.Key_Left, keys.Key_Right):
            way = -1.0 if key == keys.Key_Left else 1.0
            if self.active is not None:
                step = _FINE_STEP_M if shift else _STEP_M
                self._move_to(self.active, self._offset(self.active) + way * step)
            else:
                self._pan(self.axes(), 0.1 * way, 0.0)
        elif key in (keys.Key_Up, keys.Key_Down):
            self._pan(self.axes(), 0.0, 0.1 if key == keys.Key_Up else -0.1)
        elif key in (keys.Key_Return, keys.Key_Enter) and self.active is not None:
            self._commit(self.active)
        elif key == keys.Key_Escape and (self._moved or self.active is not None):
            self._moved.clear()
            self._grabbed = self.active = None
        elif key == keys.Key_Delete and self.active is not None:
            self._moved.clear()
            self.break_released.emit(*self.active)
        elif key in (keys.Key_Plus, keys.Key_Equal):
            self.zoom_at(self._box().center(), 1.25)
        elif key == keys.Key_Minus:
            self.zoom_at(self._box().center(), 0.8)
        elif key == keys.Key_0:
            self.show_all()
        else:
            super().keyPressEvent(event)
            return
        event.accept()
        self.update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        # A break moved by keyboard but never confirmed would otherwise hang there, measured or not.
        if self._grabbed is None and self._moved and not self.busy_text:
            self._moved.clear()
        super().focusOutEvent(event)
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.update()

    # -- breaks ----------------------------------------------------------------------------------

    def _take_break(self, step: int) -> None:
        assert self.view is not None
        order = [
            (handle.side, handle.kind)
            for handle in sorted(break_handles(self.view, self.axes()), key=lambda h: h.offset_m)
        ]
        if not order:
            return
        if self.active in order:
            self.active = order[(order.index(self.active) + step) % len(order)]
        else:
            self.active = order[0 if step > 0 else -1]
        self.setToolTip("")

    def _offset(self, key: tuple[int, str]) -> float:
        assert self.view is not None
        return self._moved.get(key, break_of(self.view.sides[key[0]], key[1]).offset_m)

    def _move_to(self, key: tuple[int, str], offset: float) -> None:
        """Move a break, but never past its neighbour."""
        side, kind = key
        sign = -1.0 if side == 0 else 1.0
        u = sign * offset
        other = sign * self._offset((side, "hinge" if kind == "edge" else "edge"))
        if math.isfinite(other):
            u = min(u, other - _LEAST_GAP_M) if kind == "edge" else max(u, other + _LEAST_GAP_M)
        self._moved[key] = sign * u
        self.busy_text = ""
        self.update()

    def _commit(self, key: tuple[int, str]) -> None:
        assert self.view is not None
        offset = self._moved.get(key)
        if offset is None:
            return
        sign = -1.0 if key[0] == 0 else 1.0
        self.busy_text = self.tr("measuring again …")
        self.break_moved.emit(key[0], key[1], round(sign * offset, 3))

    def drop_moved(self) -> None:
        """Put a moved break back: it could not be measured."""
        self._moved.clear()
        self.busy_text = ""
        self.update()

    def _break_words(self, handle: Handle) -> str:
        assert self.view is not None
        se = break_of(self.view.sides[handle.side], handle.kind).se_m
        name = self.tr("Pavement edge") if handle.kind == "edge" else self.tr("Hinge")
        return self.tr("{name}, {source}: {offset} from the centreline. Drag to correct.").format(
            name=name,
            source=source_text(handle.source),
            offset=value_text(abs(handle.offset_m), "m", self.system, se=se),
        )


def _edge_height(view: SectionView) -> float:
    """Height that tells how much higher one section lies than another; NaN if no edge is known."""
    heights = [side.edge_z for side in view.sides if math.isfinite(side.edge_z)]
    return sum(heights) / len(heights) if heights else math.nan


def _place(view: SectionView) -> tuple[str, int]:
    return view.road, view.station_index
