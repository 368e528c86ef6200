"""Which findings a reviewer is to see, in which order, and how far the reviewer is."""

from __future__ import annotations

import statistics
import time
from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, Signal

from analysis.common.sides import SIDES
from analysis.common.verdicts import Verdict
from analysis.findings.reviews import Decision, Place, Review

if TYPE_CHECKING:
    from gui.state.loaded import Loaded
    from gui.state.model import WindowModel

__all__ = ["Item", "ReviewQueue", "Wanted"]

# A longer look is a telephone call or a cup of tea, and says nothing of the pace.
_LONGEST_LOOK_S = 300.0
_LOOKS = 20
_LEAST_LOOKS = 3


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which findings are to be seen.

    Attributes
    ----------
    skip_access
        Leave out what can't be told because a driveway or side road is there.
    only_reaches
        Leave out single stations that won't shed although their reach does, or can't be told.
    only_changed
        Only what was reviewed before, as something else.
    sound
        Also reaches that shed.
    by_rank
        The most pressing first; else along the road.
    """

    skip_access: bool = False
    only_reaches: bool = True
    only_changed: bool = False
    sound: bool = False
    by_rank: bool = True


@dataclass(frozen=True, slots=True)
class Item:
    """One finding: its place for reviews, its row, and where to look at it."""

    place: Place
    row: int
    road: int
    station: int
    side: int


class ReviewQueue(QObject):
    """The findings to be reviewed, the one whose turn it is, and what was decided.

    Signals
    -------
    changed()
        Findings, decisions or the wishes are others.
    moved()
        It is another finding's turn, also where there is none any more.
    """

    changed = Signal()
    moved = Signal()

    def __init__(self, model: WindowModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self.wanted = Wanted()
        self.items: list[Item] = []
        self.at = -1
        self._given: list[Review | None] = []
        self._looks: deque[float] = deque(maxlen=_LOOKS)
        self._shown_at = time.monotonic()
        self._on = self._deciding = False
        model.study_changed.connect(self._on_study)
        model.reviews_changed.connect(self._on_reviews)

    # -- what is to be seen -------------------------------------------------------

    def start(self) -> None:
        """Go on where the review was left if that is still open, else with the first open one."""
        self._on = True
        left = self.current
        self._fill()
        same = self._number_of(left)
        if same < 0 or self._given[same] is not None:
            same = self._open_after(-1)
        self._go(same if same >= 0 else min(0, len(self.items) - 1))

    def stop(self) -> None:
        """Follow nothing any more."""
        self._on = False

    def want(self, **wishes: bool) -> None:
        """See other findings; the present one stays if it is among them."""
        wanted = replace(self.wanted, **wishes)
        if wanted != self.wanted:
            self.wanted = wanted
            self._refill()

    @property
    def current(self) -> Item | None:
        """The finding whose turn it is; None while there is no review, and nothing is followed."""
        return self.items[self.at] if self._on and 0 <= self.at < len(self.items) else None

    @property
    def review(self) -> Review | None:
        """What was decided of the finding whose turn it is."""
        return self._given[self.at] if self.current is not None else None

    def state(self, number: int) -> str:
        """What was decided of a finding; "" while nothing was."""
        given = self._given[number]
        return given.state if given is not None else ""

    @property
    def open_count(self) -> int:
        """How many findings nobody has decided."""
        return self._given.count(None)

    @property
    def left_s(self) -> float | None:
        """Seconds that the open ones take at the pace so far; None before that can be told."""
        if len(self._looks) < _LEAST_LOOKS:
            return None
        return statistics.median(self._looks) * self.open_count

    def upcoming(self, count: int) -> list[Item]:
        """The findings that are likely to be seen next."""
        found, number = [], self.at
        for _ in range(count):
            number = self._open_after(number)
            if number < 0 or number == self.at or self.items[number] in found:
                break
            found.append(self.items[number])
        return found

    # -- deciding and moving on -------------------------------------------------------

    def decide(self, review: Review | None) -> bool:
        """Decide on the present finding and go on to the next open one; False if there is none.

        None takes a review back, and stays.
        """
        item = self.current
        if item is None:
            return False
        look = time.monotonic() - self._shown_at
        if look <= _LONGEST_LOOK_S:
            self._looks.append(look)
        self._deciding = True
        try:
            if review is None:
                self._model.set_review(item.place, "")
            else:
                self._model.put_review(item.place, review)
        finally:
            self._deciding = False
        self._read_states()
        if review is not None:
            onward = self._open_after(self.at)
            if onward >= 0:
                self._go(onward)
                return True
        self.changed.emit()
        return True

    def annotate(self, note: str, photos: tuple[str, ...]) -> None:
        """Keep a note and photographs with the present finding, which is then to check at least."""
        item = self.current
        if item is None:
            return
        old = self.review or Review(Decision.TO_CHECK)
        new = replace(old, note=note.strip(), photos=photos)
        if new == old:
            return
        self._deciding = True
        try:
            self._model.put_review(item.place, new)
        finally:
            self._deciding = False
        self._read_states()
        self.changed.emit()

    def step(self, by: int) -> None:
        """Go to the next or previous finding, decided or not."""
        if self.items:
            self._go((self.at + by) % len(self.items))

    def skip(self) -> None:
        """Leave this one open and go on to the next open one."""
        onward = self._open_after(self.at)
        if onward >= 0 and onward != self.at:
            self._go(onward)

    def _open_after(self, number: int) -> int:
        """Number of the next open finding, from the start again after the last; -1 if none."""
        count = len(self.items)
        for ahead in range(1, count + 1):
            n = (number + ahead) % count
            if self._given[n] is None:
                return n
        return -1

    def _go(self, number: int) -> None:
        self.at = number
        self._shown_at = time.monotonic()
        self.moved.emit()
        self.changed.emit()

    # -- following the model -------------------------------------------------------

    def _on_study(self) -> None:
        if self._on:
            self._refill()

    def _refill(self) -> None:
        item = self.current
        self._fill()
        same = self._number_of(item)
        if same >= 0:
            # Measured anew it may look another way.
            self._go(same)
        else:
            onward = self._open_after(-1)
            self._go(onward if onward >= 0 else min(0, len(self.items) - 1))

    def _number_of(self, item: Item | None) -> int:
        """Number of the finding at the place of another; -1 if there is none."""
        places = [other.place for other in self.items]
        return places.index(item.place) if item is not None and item.place in places else -1

    def _on_reviews(self) -> None:
        if not self._on or self._deciding:
            return
        before = self._given
        self._read_states()
        # Undone or done elsewhere: show where.
        other = [n for n, given in enumerate(self._given) if given != before[n]]
        if other:
            self._go(other[0])
        else:
            self.changed.emit()

    def _fill(self) -> None:
        loaded = self._model.loaded
        self.items = [] if loaded is None else _items(loaded, self.wanted)
        self._read_states()
        if self.wanted.only_changed and loaded is not None:
            changed = self._model.reach_reviews.changed
            self.items = [i for i in self.items if i.place.kind == "reach" and changed[i.row]]
            self._read_states()
        self.at = min(self.at, len(self.items) - 1)

    def _read_states(self) -> None:
        loaded, reviews = self._model.loaded, self._model.reviews
        self._given = []
        if loaded is None:
            return
        governing = self._model.reach_reviews.given
        for item in self.items:
            reach = item.place.kind == "reach"
            self._given.append(governing[item.row] if reach else reviews.get(item.place))


def _items(loaded: Loaded, wanted: Wanted) -> list[Item]:
    reaches = loaded.findings.reaches
    verdict = reaches["verdict"]
    keep = np.ones(len(reaches), dtype=bool) if wanted.sound else verdict != Verdict.SHEDS
    if wanted.skip_access:
        keep &= ~_at_access(loaded)
    found = [
        Item(
            loaded.reach_places[row],
            int(row),
            int(loaded.reach_road[row]),
            int(loaded.reach_station[row]),
            int(loaded.reach_side[row]),
        )
        for row in np.flatnonzero(keep)
    ]
    if wanted.by_rank:
        rank = np.nan_to_num(reaches["rank"], nan=np.inf)
        found.sort(key=lambda item: float(rank[item.row]))
    else:
        found.sort(key=lambda item: (item.road, loaded.reach_first[item.row], item.side))
    if not wanted.only_reaches:
        found += _lone_stations(loaded)
    return found


def _lone_stations(loaded: Loaded) -> list[Item]:
    """Stations that won't shed in reaches that were found to be something else."""
    stations, reaches = loaded.findings.stations, loaded.findings.reaches
    failing = stations["verdict"] == Verdict.WONT_SHED
    for row in np.flatnonzero(reaches["verdict"] == Verdict.WONT_SHED):
        held = slice(int(loaded.reach_first[row]), int(loaded.reach_last[row]) + 1)
        failing[loaded.index[loaded.reach_road[row]].rows[held, loaded.reach_side[row]]] = False
    found = []
    for number, road in enumerate(loaded.index):
        here = failing[road.rows]
        for station, side in np.argwhere(here).tolist():
            place = Place.station(road.name, SIDES[side], float(road.station_m[station]))
            found.append(Item(place, int(road.rows[station, side]), number, station, side))
    return found


def _at_access(loaded: Loaded) -> NDArray[np.bool_]:
    """(reaches,) What isn't judged because a driveway or side road is there."""
    from analysis.shoulder.values import Why
    from analysis.verdict.reasons import WITHHELD

    why = loaded.findings.why.get("reach")
    if why:
        return np.array([w is not None and w.kind == Why.ACCESS for w in why], dtype=bool)
    # A file holds the sentence only.
    at_access: NDArray[np.bool_] = loaded.findings.reaches["reason"] == WITHHELD[Why.ACCESS]
    return at_access
