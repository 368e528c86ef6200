"""The review fills the window: keys anywhere, reasons, notes, undo, and the way back."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from PySide6.QtCore import QEvent, QRectF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget

from gui.drawing.books import station_book
from gui.map import tiles
from gui.map.tiles import TileKey
from gui.review import page as review_page
from gui.review.page import ReviewPage
from gui.review.queue import Item
from gui.review.reason_bar import ReasonsDialog
from gui.state import jobs
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.state.reasons import reasons
from gui.state.runner import Runner
from gui.window.window import Window
from tests.builders.many_findings import many_findings
from tests.gui.heartbeat import Heartbeat, run_loop

Settle = Callable[..., None]
COUNT = 24


@pytest.fixture(scope="module")
def window(qapp: QApplication, shared_results: tuple[jobs.Inputs, Loaded]) -> Iterator[Window]:
    """Yield one window for all tests here: making it is most of their time."""
    runner = Runner()
    made = Window(WindowModel(runner))
    made.resize(1280, 720)
    made.show()
    inputs, real = shared_results
    made.model.take_inputs(inputs)
    made.model.take_screened(many_findings(real, COUNT))
    run_loop(lambda: bool(made.map.layers.roads) and runner.idle() and not made.panes.coming)
    yield made
    made.closing = True
    made.close()
    made.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    assert runner.shutdown(20.0)


@pytest.fixture
def page(window: Window) -> Iterator[ReviewPage]:
    """Yield the review in full swing, with nothing decided."""
    window.model._put("reviews", {})
    window.model.undo.clear()
    window.commands["review"].trigger()
    run_loop(lambda: window._review_page is not None and not window._turns)
    assert window._review_page is not None
    window.activateWindow()
    yield window._review_page
    window.set_reviewing(False)
    run_loop(lambda: not window.panes.coming)


def press(window: Window, *keys: Qt.Key) -> None:
    """Press keys wherever the focus is."""
    for key in keys:
        QTest.keyClick(window.focusWidget() or window, key)


def test_all_are_decided_by_keys_anywhere(window: Window, page: ReviewPage) -> None:
    """One key for agreeing and checking, two for rejecting, with the focus in the map."""
    reviews, pressed, keys = window.model.reviews, [], Qt.Key
    window.map.plot.setFocus()
    ways: list[tuple[Qt.Key, ...]] = [(keys.Key_A,), (keys.Key_T,), (keys.Key_R, keys.Key_2)]
    for number in range(COUNT):
        way = ways[number % 3]
        press(window, *way)
        pressed.append(len(way))
        reviews = window.model.reviews
        assert len(reviews) == number + 1
    assert sorted(pressed)[COUNT // 2] <= 2
    states = [review.state for review in reviews.values()]
    assert states == ["agreed", "to check", "rejected"] * (COUNT // 3)
    rejected = {review.reason for review in reviews.values() if review.state == "rejected"}
    assert rejected == {reasons()[1]}
    assert "All 24" in page.counts.text()


def test_key_to_picture(window: Window, page: ReviewPage) -> None:
    """Section, strip and map of the next finding come with little work of this thread."""
    arrived: list[int] = []
    page.shown.connect(lambda: arrived.append(page.queue.at))
    heart = Heartbeat()
    for _ in range(8):
        arrived.clear()
        press(window, Qt.Key.Key_A)
        run_loop(lambda: bool(arrived) and window.model.runner.idle())
        assert arrived[-1] == page.queue.at
        view = page.section.view
        item = page.queue.current
        assert view is not None and item is not None
        assert view.station_index == item.station == window.model.station_index
        s0, s1 = page.strip.plot.getViewBox().viewRange()[0]
        assert s0 < window.model.place_m < s1
    heart.stop()
    # What the thread itself worked: the machine may keep it waiting for others.
    assert max(heart.work_s) < 0.1


def test_next_findings_are_made_ahead(
    window: Window, page: ReviewPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their sections are there before their turn, and the ground around them on the map."""
    map_ = window.map
    store = map_.terrain_item.store
    assert store is not None
    assert map_.tiles is not None

    def keys_at(item: Item) -> list[TileKey]:
        east, north = map_.layers.roads[item.road].stations[item.station, item.side] + map_.origin
        near = QRectF(east - 1.0, north - 1.0, 2.0, 2.0)
        return list(store.plan.visible(near, map_.terrain_item._level))

    with monkeypatch.context() as small:
        # Else all of the small road is in sight, and lies on two.
        small.setattr(review_page, "_CLOSE_M", 4.0)
        small.setattr(tiles, "TILE", 32)
        for kept in (store.cache, map_.tiles.heights):
            kept.clear()
        press(window, Qt.Key.Key_A)
        run_loop(lambda: window.model.runner.idle() and map_.idle())
        coming, in_sight = page.queue.upcoming(3), map_.terrain_item._want
        assert len(coming) == 3
        assert any(set(keys_at(item)).isdisjoint(in_sight) for item in coming)
        for item in coming:
            assert (item.road, item.station) in page._sections
            assert all(store.has(key) for key in keys_at(item))
    for kept in (store.cache, map_.tiles.heights):
        kept.clear()


def test_a_road_that_the_study_lacks_has_no_section(
    window: Window, page: ReviewPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its findings are reviewed all the same, by their numbers."""
    model = window.model
    failed: list[str] = []
    model.runner.failed.connect(lambda _title, sentence: failed.append(sentence))
    loaded = model.loaded
    assert loaded is not None and loaded.study is not None
    without = replace(loaded, study=replace(loaded.study, roads=()))
    with monkeypatch.context() as less:
        less.setattr(model, "loaded", without)
        page._show_section()
        page._make_sections()
        run_loop(model.runner.idle)
        assert page.section.view is None
        assert station_book(without.study, [(0, 0)], model.writing).makers == ()
    page._show_section()
    run_loop(model.runner.idle)
    assert page.section.view is not None
    assert failed == []


def test_units_changed_once_the_findings_are_gone(
    window: Window, page: ReviewPage, shared_results: tuple[jobs.Inputs, Loaded]
) -> None:
    """A review that was left says nothing any more of findings that were there then."""
    model, real = window.model, shared_results[1]
    page.queue.step(COUNT - 1 - page.queue.at)
    assert page.queue.at == COUNT - 1
    window.set_reviewing(False)
    model.take_screened(many_findings(real, 3))
    model.set_units("us")
    model.set_units("metric")
    model.take_screened(many_findings(real, COUNT))
    window.commands["review"].trigger()
    run_loop(lambda: not window._turns)
    assert len(page.queue.items) == COUNT


def test_escape_leaves_the_reasons_then_the_review(window: Window, page: ReviewPage) -> None:
    """The map is back in its place, and the panes that were there before are there again."""
    shown_before = set(window.panes._hidden)
    press(window, Qt.Key.Key_R)
    assert page.reasons.isVisible()
    press(window, Qt.Key.Key_Escape)
    assert not page.reasons.isVisible()
    assert not window.model.reviews
    # The number keys are the reasons' only while they are asked for.
    press(window, Qt.Key.Key_1)
    assert not window.model.reviews
    press(window, Qt.Key.Key_Escape)
    run_loop(lambda: not window.panes.coming)
    assert window.commands.reviewing.page is None
    assert window.map.parentWidget() is window._map_holder
    assert {n for n, pane in window.panes.by_name.items() if not pane.isHidden()} == shown_before
    # Outside of it the same keys review the selected reach.
    press(window, Qt.Key.Key_T)
    assert [review.state for review in window.model.reviews.values()] == ["to check"]


def test_undo_takes_the_decision_back_and_goes_there(window: Window, page: ReviewPage) -> None:
    first = page.queue.current
    press(window, Qt.Key.Key_A)
    assert page.queue.current != first
    QTest.keyClick(window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert page.queue.current == first
    assert not window.model.reviews
    assert page.given.text() == "Not decided yet."


def test_letters_of_a_note_decide_nothing(window: Window, page: ReviewPage) -> None:
    """N goes to the note; what is typed there stays a note, kept with the decision."""
    first = page.queue.current
    press(window, Qt.Key.Key_N)
    assert page.note.hasFocus()
    QTest.keyClicks(page.note, "star at sea")
    assert not window.model.reviews
    press(window, Qt.Key.Key_Return)
    assert page.queue.current == first
    press(window, Qt.Key.Key_A)
    assert first is not None
    review = window.model.reviews[first.place]
    assert (review.state, review.note) == ("agreed", "star at sea")


def test_reject_in_own_words(window: Window, page: ReviewPage) -> None:
    first = page.queue.current
    press(window, Qt.Key.Key_R, Qt.Key.Key_0)
    assert page.reasons.words.hasFocus()
    QTest.keyClicks(page.reasons.words, "a market stall")
    press(window, Qt.Key.Key_Return)
    assert first is not None
    assert window.model.reviews[first.place].reason == "a market stall"
    assert page.queue.current != first


def test_reasons_can_be_changed(window: Window, page: ReviewPage) -> None:
    """Another list is under the keys at once, and shipped again once it is emptied."""
    shipped = reasons()
    dialog = ReasonsDialog(window)
    dialog.lines.setPlainText("snow\n\n snow \nleaves")
    dialog.accept()
    page.reasons.fill()
    assert reasons() == ["snow", "leaves"]
    assert [button.text() for button in page.reasons.buttons] == ["1  snow", "2  leaves"]
    press(window, Qt.Key.Key_R, Qt.Key.Key_2)
    assert {review.reason for review in window.model.reviews.values()} == {"leaves"}
    dialog = ReasonsDialog(window)
    dialog.lines.setPlainText("")
    dialog.accept()
    page.reasons.fill()
    assert reasons() == shipped


def test_whole_section_stays_whole(window: Window, page: ReviewPage) -> None:
    """W shows all of the section, also of the next finding."""
    run_loop(lambda: page.section.view is not None)
    near = page.section.axes()
    press(window, Qt.Key.Key_W)
    whole = page.section.axes()
    assert whole.x1 - whole.x0 > near.x1 - near.x0
    press(window, Qt.Key.Key_S)
    run_loop(window.model.runner.idle)
    assert page.section.axes().x0 < 0.0 < page.section.axes().x1
    press(window, Qt.Key.Key_W)


def test_everything_fits_a_small_window(window: Window, page: ReviewPage) -> None:
    """At 1280 by 720 no button is cut off, not even while reasons are asked for."""
    press(window, Qt.Key.Key_R)
    QApplication.processEvents()
    cut = [widget.accessibleName() for widget in page.reasons.buttons if is_cut(widget)]
    press(window, Qt.Key.Key_Escape)
    QApplication.processEvents()
    others: list[Any] = [*page.buttons.values(), page.skip_button, page.note, page.reviewer]
    cut += [widget.accessibleName() for widget in others if is_cut(widget)]
    assert cut == []


def is_cut(widget: QWidget) -> bool:
    """Whether part of a widget is out of sight."""
    return bool(widget.visibleRegion().boundingRect() != widget.rect())
