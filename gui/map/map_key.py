"""Where the map's key lies: in the corner that leaves the road in sight, or folded to a button."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, QRectF, QSizeF, Qt
from PySide6.QtWidgets import QPushButton, QWidget

from gui.look.making import named
from gui.look.remembered import remembered
from gui.map.map_items import Furniture

__all__ = ["MapKey", "covered", "least_covering", "spread"]

# Symbols and line widths reach out this far from the points they stand for.
CLEAR_PIXELS = 8.0
STEP_PIXELS = 14.0
_GAP = 4.0


Points = NDArray[np.float64]


def spread(strips: Sequence[Points], width: float, height: float) -> Points:
    """Return points (n, 2) all over some strips in a view, no further apart than a symbol.

    `strips` holds the left and right rim of each, (stations, 2, 2), in pixels.
    """
    found = [np.empty((0, 2))]
    for strip in strips:
        here = strip[np.isfinite(strip).all(axis=(1, 2))]
        if len(here) < 2:
            found.append(here.reshape(-1, 2))
            continue
        # Only stretches that may touch the view: close up, the rest would be millions of points.
        low = np.minimum(here[:-1], here[1:]).min(axis=1)
        high = np.maximum(here[:-1], here[1:]).max(axis=1)
        near = (high >= 0.0).all(axis=1) & (low <= (width, height)).all(axis=1)
        quads = np.stack([here[:-1][near], here[1:][near]], axis=1)
        most = width + height
        along = _steps(np.linalg.norm(quads[:, 1] - quads[:, 0], axis=-1).max(axis=1), most)
        across = _steps(np.linalg.norm(quads[:, :, 1] - quads[:, :, 0], axis=-1).max(axis=1), most)
        # From afar nearly all stretches want as many points as each other; close up few are near.
        for counts in np.unique(np.stack([along, across], axis=1), axis=0):
            some = quads[(along == counts[0]) & (across == counts[1])]
            a = np.linspace(0.0, 1.0, counts[0])[:, None, None]
            c = np.linspace(0.0, 1.0, counts[1])[:, None]
            rims = some[:, 0, None] + a * (some[:, 1] - some[:, 0])[:, None]
            points = rims[:, :, None, 0] + c * (rims[:, :, 1] - rims[:, :, 0])[:, :, None]
            points = points.reshape(-1, 2)
            found.append(points[((points >= 0.0) & (points <= (width, height))).all(axis=1)])
    return np.concatenate(found)


def _steps(length: Points, most: float) -> NDArray[np.int64]:
    # So close up that one stretch is larger than the view, thinner points still fill it.
    return np.ceil(np.minimum(length, 8.0 * most) / STEP_PIXELS).astype(np.int64) + 2


def covered(place: QRectF, points: Points) -> int:
    """Return how many of the points (n, 2) a place would hide."""
    wide = place.adjusted(-CLEAR_PIXELS, -CLEAR_PIXELS, CLEAR_PIXELS, CLEAR_PIXELS)
    x, y = points[:, 0], points[:, 1]
    inside = (x > wide.left()) & (x < wide.right()) & (y > wide.top()) & (y < wide.bottom())
    return int(inside.sum())


def least_covering(
    places: Sequence[QRectF], road: Points, beside: Points, corner: int
) -> tuple[int, int]:
    """Return which place hides the least of the road, and how many of its points.

    Where several are as good, the one that hides the least of what lies beside it, then `corner`;
    -1 where no place fits.
    """
    found = [
        (covered(place, road), covered(place, beside), number != corner, number)
        for number, place in enumerate(places)
        if not place.isEmpty()
    ]
    if not found:
        return -1, 0
    hidden, _, _, best = min(found)
    return best, hidden


class MapKey(QObject):
    """The key of a map, which never lies on the road unless it was asked to."""

    def __init__(self, plot: QWidget, furniture: Furniture) -> None:
        super().__init__(plot)
        self._furniture = furniture
        self.corner = 0
        self._road: Points = np.empty((0, 2))
        self._beside: Points = np.empty((0, 2))
        tip = self.tr("Shows the key, which would lie on the road here (Ctrl+K)")
        self.button = named(QPushButton(self.tr("Key"), plot), self.tr("Map key"), tip)
        self.button.setCheckable(True)
        self.button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.button.setCursor(Qt.CursorShape.ArrowCursor)
        self.button.toggled.connect(lambda _on: self._lay_out())
        self.button.hide()

    @property
    def folded(self) -> bool:
        """Whether only the button is there."""
        return not self.button.isHidden() and not self.button.isChecked()

    def set_on(self, on: bool, *, by_hand: bool) -> None:
        """Show the key or leave it out; one asked for by hand opens even over the road."""
        if by_hand:
            remembered().set_value("map/key", "true" if on else "false")
        self._furniture.show_key = on
        self.button.setChecked(on and by_hand)
        self._lay_out()

    def place(self, road: Points, beside: Points) -> None:
        """Find a place clear of the road; points (n, 2) of it, and of its ditches, in pixels."""
        self._road, self._beside = road, beside
        self._lay_out()

    def _best(self, places: Sequence[QRectF]) -> tuple[int, int]:
        return least_covering(places, self._road, self._beside, self.corner)

    def _lay_out(self) -> None:
        there, button = self._furniture, self.button
        if not (there.show_key and there.has_stations):
            button.hide()
            return
        size = there.key_size()
        places = there.corners(size)
        corner, hidden = self._best(places)
        if corner >= 0 and not hidden:
            self.corner = corner
            there.key_place = places[corner]
            button.hide()
            button.setChecked(False)
            there.update()
            return
        hint = button.sizeHint()
        small = there.corners(QSizeF(hint))
        # Opened, the key hangs on the button; both in the corner where they hide least.
        both = there.corners(QSizeF(size.width(), size.height() + hint.height() + _GAP))
        opened = button.isChecked()
        corner, _ = self._best(both if opened else small)
        if corner < 0:
            opened = False
            corner = max(self._best(small)[0], 0)
        self.corner = corner
        spot = small[corner]
        button.setGeometry(spot.toAlignedRect())
        there.key_place = QRectF()
        if opened:
            left = spot.right() - size.width() if corner % 2 else spot.left()
            under = corner < 2
            top = spot.bottom() + _GAP if under else spot.top() - _GAP - size.height()
            there.key_place = QRectF(left, top, size.width(), size.height())
        button.show()
        button.raise_()
        there.update()
