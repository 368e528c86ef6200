"""The map's key leaves the road in sight: another corner, else a button that opens it."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from gui.look.remembered import remembered
from gui.map.map_key import STEP_PIXELS, covered, least_covering, spread
from gui.map.map_view import MapView
from gui.state.model import WindowModel
from tests.gui.conftest import ARTEFACTS
from tests.gui.map.test_map_view import dispose, map_of

Settle = Callable[..., None]
NOTHING = np.empty((0, 2))
PLACES = [QRectF(x, y, 100.0, 80.0) for y in (10.0, 410.0) for x in (10.0, 690.0)]


@pytest.fixture
def view(screened: WindowModel, settle: Settle) -> Iterator[MapView]:
    """Yield the map of the small road as wide as in a window of 1440 pixels."""
    made = map_of(screened, settle, 816, 500)
    yield made
    dispose(made)


def rest(view: MapView, settle: Settle) -> None:
    settle(lambda: view.model.runner.idle() and view.idle())


def close_up(view: MapView, settle: Settle, half_m: float) -> None:
    """Fill the map with the road about the middle of its length."""
    x, y = view.layers.roads[0].stations[9].mean(axis=0)
    view.show_box(x - half_m, y - half_m, x + half_m, y + half_m)
    rest(view, settle)


def body_pixels(view: MapView, count: int = 16) -> np.ndarray:
    """Places all over the road between its hinges, on the canvas, by the scene's own transform."""
    road = view.layers.roads[0]
    left, right = (np.asarray(side) for side in road.hinge)
    found = []
    for share in np.linspace(0.0, 1.0, count):
        line = (1.0 - share) * left + share * right
        line = line[np.isfinite(line).all(axis=1)]
        for k in np.linspace(0, len(line) - 1, 40 * count):
            a = int(k)
            b = min(a + 1, len(line) - 1)
            point = line[a] + (k - a) * (line[b] - line[a])
            at = view.view.mapViewToScene(QPointF(*point))
            found.append((at.x(), at.y()))
    return np.array(found)


def hides_road(view: MapView, place: QRectF, points: np.ndarray) -> bool:
    x, y = points.T
    return bool(
        ((x > place.left()) & (x < place.right()) & (y > place.top()) & (y < place.bottom())).any()
    )


def test_the_corner_before_stays_while_it_is_as_good() -> None:
    """A key that jumps about for nothing is worse than one that hides a ditch."""
    for corner in range(4):
        assert least_covering(PLACES, NOTHING, NOTHING, corner) == (corner, 0)


def test_road_counts_before_what_lies_beside_it() -> None:
    """One point of the road outweighs all of a ditch, and a ditch the corner before."""
    road = np.array([[50.0, 50.0]])
    ditch = np.array([[700.0 + i, 50.0] for i in range(20)])
    assert least_covering(PLACES, road, ditch, 0)[0] in (2, 3)
    assert least_covering(PLACES[:2], road, ditch, 0) == (1, 0)
    assert least_covering(PLACES[1:3], NOTHING, ditch, 0) == (1, 0)
    everywhere = np.vstack([road, [[50.0, 450.0]], [[700.0, 50.0]], [[700.0, 450.0]], road + 1.0])
    assert least_covering(PLACES, everywhere, NOTHING, 0)[1] == 1


def test_no_place_fits() -> None:
    """A map smaller than its key has none."""
    assert least_covering([QRectF()] * 4, NOTHING, NOTHING, 0) == (-1, 0)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-400.0, 1200.0),
    st.floats(-300.0, 800.0),
    st.floats(20.0, 2500.0),
    st.floats(5.0, 900.0),
    st.floats(0.0, 3.1),
)
def test_points_leave_no_gap_where_a_key_would_fit(
    x: float, y: float, length: float, width: float, angle: float
) -> None:
    """Every place of the strip in view has a point within the clearance of a key."""
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    start = np.array([x, y])
    strip = np.array(
        [
            [start + k * length * along, start + k * length * along + width * across]
            for k in range(3)
        ]
    )
    points = spread([strip], 800.0, 500.0)
    assert ((points >= 0.0) & (points <= (800.0, 500.0))).all()
    chance = np.random.default_rng(1)
    shares = chance.random((300, 2))
    inside = start + 2.0 * length * shares[:, :1] * along + width * shares[:, 1:] * across
    seen = ((inside > 20.0) & (inside < (780.0, 480.0))).all(axis=1)
    for place in inside[seen]:
        away = np.abs(points - place).max(axis=1)
        assert away.min() <= STEP_PIXELS
        box = QRectF(place[0] - 20.0, place[1] - 20.0, 40.0, 40.0)
        assert covered(box, points) > 0


def test_unknown_stations_hide_nothing_and_break_nothing() -> None:
    """A road without a known place has no points; a gap is bridged."""
    strip = np.full((4, 2, 2), np.nan)
    assert spread([strip], 800.0, 500.0).shape == (0, 2)
    strip[0] = [[100.0, 100.0], [100.0, 140.0]]
    strip[3] = [[300.0, 100.0], [300.0, 140.0]]
    points = spread([strip], 800.0, 500.0)
    assert covered(QRectF(190.0, 110.0, 20.0, 20.0), points) > 0


def test_key_keeps_off_the_road_wherever_the_map_goes(view: MapView, settle: Settle) -> None:
    """Close or wide, moved about: in a corner the key leaves the whole road in sight."""
    seen = set()
    for half_m in (4.0, 8.0, 14.0, 22.0, 60.0, 200.0):
        for dx, dy in ((0.0, 0.0), (0.4, 0.35), (-0.4, -0.35), (0.0, 0.4)):
            close_up(view, settle, half_m)
            rect = view.view.viewRect()
            view.view.translateBy((dx * rect.width(), dy * rect.height()))
            rest(view, settle)
            seen.add("folded" if view.key.folded else view.key.corner)
            if not view.key.folded:
                place = view.furniture.key_place
                assert not place.isEmpty()
                assert not hides_road(view, place, body_pixels(view))
    assert "folded" in seen
    assert len(seen) >= 3, "the key must have moved"


def test_a_road_that_fills_the_map_folds_the_key_to_a_button(view: MapView, settle: Settle) -> None:
    """It opens by key as by mouse, hangs on the button, and closes again."""
    close_up(view, settle, 3.0)
    key, button = view.key, view.key.button
    assert key.folded
    assert button.isVisible()
    assert view.furniture.key_place.isEmpty()
    assert button.accessibleName() == "Map key"
    view.plot.setFocus()
    QTest.keyClick(view.plot, Qt.Key.Key_Tab)
    assert QApplication.focusWidget() is button or view.focusWidget() is button
    QTest.keyClick(button, Qt.Key.Key_Space)
    assert not key.folded
    assert not view.furniture.key_place.intersects(QRectF(button.geometry()))
    assert QRectF(view.furniture.rect()).contains(view.furniture.key_place)
    assert view.grab().save(str(ARTEFACTS / "map_key_opened.png"))
    QTest.keyClick(button, Qt.Key.Key_Space)
    assert key.folded
    # With room again the key comes back by itself.
    view.show_road()
    rest(view, settle)
    assert not key.folded
    assert button.isHidden()


def test_switching_the_key_on_by_hand_opens_it_over_the_road(view: MapView, settle: Settle) -> None:
    """Who asks for it sees it; that it is off is remembered."""
    close_up(view, settle, 3.0)
    view.key_action.trigger()
    assert view.key.button.isHidden()
    assert remembered().value("map/key") == "false"
    view.key_action.trigger()
    assert not view.key.folded
    assert not view.furniture.key_place.isEmpty()
    assert remembered().value("map/key") == "true"


def test_key_put_out_of_the_way_comes_back_and_is_not_forgotten(
    view: MapView, settle: Settle
) -> None:
    """Who leaves the program while reviewing finds the key as it was."""
    view.key_action.setChecked(True)
    assert remembered().value("map/key") == "true"
    view.set_key_away(True)
    assert not view.furniture.show_key
    assert remembered().value("map/key") == "true"
    view.show_road()
    rest(view, settle)
    view.set_key_away(False)
    assert view.furniture.show_key
    assert not view.key.folded


def test_small_map_has_the_button_only(view: MapView, settle: Settle) -> None:
    """Where the key doesn't fit there is nothing to open either, and nothing breaks."""
    view.resize(160, 150)
    rest(view, settle)
    assert view.key.folded
    view.key.button.click()
    assert view.furniture.key_place.isEmpty()


def test_furniture_lies_apart(view: MapView, settle: Settle) -> None:
    """Key, scale bar, arrow and colour key overlap in no corner."""
    there = view.furniture
    there.relief_cm = 10.0
    others: list[Any] = [
        QRectF(there.width() - 38.0, 8.0, 24.0, 42.0),
        QRectF(10.0, there.height() - 46.0, 150.0, 36.0),
        QRectF(there.width() - 200.0, there.height() - 62.0, 190.0, 52.0),
    ]
    for corner in there.corners(there.key_size()):
        assert not corner.isEmpty()
        for other in others:
            assert not corner.intersects(other)
