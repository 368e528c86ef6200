"""Turns of the window's thread: once what was asked twice, never long, and whole in the end."""

import threading
import time
from collections.abc import Callable
from typing import Any

import shiboken6
from PySide6.QtCore import QObject, QRect, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QRegion
from PySide6.QtWidgets import QWidget

from gui.look.making import later
from gui.look.turns import (
    MOST_LET_S,
    MOST_PASSED,
    TURN_S,
    PaintedInTurns,
    Turns,
    after_window,
    turns,
)


def burn(seconds: float) -> None:
    end = time.thread_time() + seconds
    while time.thread_time() < end:
        pass


def test_what_is_asked_for_twice_is_done_once(qapp: Any, settle: Callable[..., None]) -> None:
    owner, done = QObject(), []
    for text in ("a", "b", "c"):
        due = later(owner, lambda text=text: done.append(text))
        due.start()
        due.start()
        assert due.isActive()
    due.stop()
    settle()
    assert done == ["a", "b"]


def test_a_turn_takes_no_more_than_it_has_time_for(qapp: Any) -> None:
    """Whatever is due, one turn does pieces until its time is over, and the next one goes on."""
    turns, owner, done = Turns(), QObject(), []
    for number in range(4):
        turns.ask(owner, lambda n=number: (burn(0.7 * TURN_S), done.append(n)), number)
    counts = []
    while not turns.idle:
        turns._turn()
        counts.append(len(done))
    assert [n for n in dict.fromkeys(counts) if n] == [2, 4]


def test_an_input_that_was_long_has_its_turn_alone(qapp: Any) -> None:
    turns, owner, done = Turns(), QObject(), []
    turns.ask(owner, lambda: done.append(1))
    while not done:
        turns._turn()
    turns.ask(owner, lambda: done.append(2))
    for _ in range(MOST_PASSED):
        burn(2.0 * TURN_S)
        turns._turn()
        assert done == [1]
    burn(2.0 * TURN_S)
    turns._turn()
    assert done == [1, 2], "but input after input doesn't keep it waiting for good"


def test_pictures_wait_for_what_they_show_but_not_for_good(qapp: Any) -> None:
    turns, owner, done = Turns(), QObject(), []

    def again() -> None:
        done.append("work")
        burn(TURN_S)
        if len(done) < 500:
            turns.ask(owner, again)

    turns.ask_picture(owner, lambda: done.append("picture"))
    turns.ask(owner, again)
    turns._turn()
    assert "picture" not in done
    while "picture" not in done:
        turns._turn()
    assert len(done) < 400


def test_who_is_gone_gets_no_turn(qapp: Any, settle: Callable[..., None]) -> None:
    owner, done = QObject(), []
    later(owner, lambda: done.append(1)).start()
    shiboken6.delete(owner)
    settle()
    assert done == []


def test_a_fault_in_one_piece_leaves_the_others(
    qapp: Any, settle: Callable[..., None], qtbot: Any
) -> None:
    owner, done = QObject(), []

    def fail() -> None:
        raise ValueError("in a piece")

    with qtbot.captureExceptions() as caught:
        later(owner, fail).start()
        later(owner, lambda: done.append(1)).start()
        settle()
    assert [kind for kind, *_ in caught] == [ValueError]
    assert done == [1]


class Picture(QWidget):
    """Notes what it was asked to paint, and paints it in one colour."""

    def __init__(self, strip: int) -> None:
        super().__init__()
        self.colour, self.painted = QColor("#204080"), []
        self._painted = PaintedInTurns(self, lambda: QColor("#ffffff"), strip)

    def paintEvent(self, event: QPaintEvent) -> None:
        now = self._painted.to_paint(event)
        if now is None:
            return
        self.painted.append(now.region())
        painter = QPainter(self)
        painter.setClipRegion(now.region())
        painter.fillRect(self.rect(), self.colour)
        painter.end()


def test_a_costly_picture_is_painted_in_strips(
    qapp: Any, qtbot: Any, settle: Callable[..., None]
) -> None:
    made = Picture(100)
    qtbot.addWidget(made)
    made.resize(600, 350)
    made.show()
    settle()
    made.painted.clear()
    made.update()
    settle()
    assert len(made.painted) == 4
    assert all(region.boundingRect().height() <= 100 for region in made.painted)
    whole = QRegion()
    for region in made.painted:
        whole = whole.united(region)
    assert whole.boundingRect() == QRect(0, 0, 600, 350)
    assert whole.rectCount() == 1
    made.painted.clear()
    made.update(10, 10, 20, 20)
    settle()
    assert [region.boundingRect().width() for region in made.painted] == [20], "small: at once"


def test_whoever_takes_a_picture_gets_the_whole_of_it(
    qapp: Any, qtbot: Any, settle: Callable[..., None]
) -> None:
    made = Picture(50)
    qtbot.addWidget(made)
    made.resize(400, 300)
    made.show()
    settle()
    made.colour = QColor("#c04020")
    made.resize(500, 400)
    made.update()
    picture = made.grab().toImage()
    places = ((0, 0), (499, 399), (250, 200))
    assert {picture.pixelColor(*place).name() for place in places} == {"#c04020"}
    # And what is on the screen gets there by itself, also where it was larger before.
    made.resize(450, 250)
    settle()
    screen = made.window().backingStore().paintDevice()
    assert {screen.pixelColor(*p).name() for p in ((0, 0), (449, 249))} == {"#c04020"}


def test_what_stands_on_the_screen_stays_until_it_is_painted_over(
    qapp: Any, qtbot: Any, settle: Callable[..., None]
) -> None:
    """No flicker: only where the old picture can't stay is there paper meanwhile."""
    made = Picture(100)
    qtbot.addWidget(made)
    made.resize(400, 300)
    made.show()
    settle()
    made.colour = QColor("#c04020")
    made.repaint()
    screen = made.window().backingStore().paintDevice()
    assert screen.pixelColor(200, 150).name() == "#204080"
    made._painted.forget()
    made.repaint()
    assert screen.pixelColor(200, 150) == QColor(Qt.GlobalColor.white)
    settle()
    assert screen.pixelColor(200, 150).name() == "#c04020"


def test_a_worker_lets_the_window_finish_first(qapp: Any) -> None:
    asked = turns()
    order: list[str] = []

    def work() -> None:
        asked.let_window()
        order.append("worker")

    worker = threading.Thread(target=work)
    worker.start()
    # Nothing is looked at yet: the window is at something, though not for as long as it waits.
    burn(MOST_LET_S / 4.0)
    order.append("window")
    while worker.is_alive():
        qapp.processEvents()
    assert order == ["window", "worker"]


def test_a_worker_doesnt_wait_for_a_window_that_hangs(qapp: Any) -> None:
    turns()
    worker = threading.Thread(target=after_window)
    worker.start()
    worker.join(20.0 * MOST_LET_S)
    assert not worker.is_alive()
    # In the window's own thread it would wait for itself.
    begun = time.perf_counter()
    after_window()
    assert time.perf_counter() - begun < MOST_LET_S
