"""Work beside other work: what comes of it is there when it is asked for."""

import threading

import pytest

from analysis.common import hands as hands_module
from analysis.common.errors import Cancelled
from analysis.common.hands import abreast, each_by_hands, hands, in_advance, started
from analysis.common.types import shares_of_one


def test_hands_are_those_told_or_the_cores(monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    assert hands() == 3
    for told in ("", "0", "many"):
        monkeypatch.setenv("NUMBA_NUM_THREADS", told)
        assert hands() >= 1


@pytest.mark.parametrize(("count", "elsewhere"), [(1, False), (2, True)])
def test_work_is_done_beside_or_when_it_is_waited_for(monkeypatch, count, elsewhere):
    monkeypatch.setattr(hands_module, "hands", lambda: count)
    wait = started(threading.get_ident)
    assert (wait() != threading.get_ident()) is elsewhere

    def fail():
        raise ValueError("no ground")

    wait = started(fail)
    with pytest.raises(ValueError, match="no ground"):
        wait()


def test_the_next_work_is_done_while_the_last_is_used():
    """In its order, no more than one ahead, the first in the same thread; faults come with it."""
    begun, done = [], [threading.Event() for _ in range(4)]

    def work(k):
        begun.append((k, threading.get_ident()))
        done[k].set()
        if k == 2:
            raise ValueError("no ground")
        return k

    def works():
        for k in range(4):
            yield lambda k=k: work(k)

    found = []
    for k, wait in enumerate(in_advance(works())):
        if k < 3:
            assert done[k + 1].wait(5.0)
        assert not any(event.is_set() for event in done[k + 2 :])
        try:
            found.append(wait())
        except ValueError:
            found.append("fault")
    assert found == [0, 1, "fault", 3]
    here = dict(begun)[0]
    assert here == threading.get_ident() and dict(begun)[3] != here
    assert list(in_advance([])) == []


@pytest.mark.parametrize(("count", "at_once"), [(1, 1), (2, 2), (16, 2)])
def test_long_works_are_done_side_by_side_and_come_in_their_order(monkeypatch, count, at_once):
    """The later one of two ends first: a barrier says that both were under way."""
    monkeypatch.setattr(hands_module, "hands", lambda: count)
    both, taken = threading.Barrier(at_once), []

    def work(k, check):
        check()
        both.wait(5.0)
        return k, threading.get_ident()

    def works():
        for k in range(4):
            taken.append(threading.get_ident())
            yield lambda check, k=k: work(k, check)

    found = list(abreast(works()))
    assert [k for k, _ in found] == [0, 1, 2, 3]
    assert set(taken) == {threading.get_ident()}
    assert (threading.get_ident() in {thread for _, thread in found}) is (at_once == 1)
    assert list(abreast([])) == []


def test_one_that_is_done_early_waits_for_no_other(monkeypatch):
    """The first work ends only once the third has begun: whoever did the second does it."""
    monkeypatch.setattr(hands_module, "hands", lambda: 2)
    begun = threading.Event()
    works = [lambda check: begun.wait(5.0), lambda check: None, lambda check: begun.set()]
    assert list(abreast(works)) == [True, None, None]


def test_works_side_by_side_share_the_hands_and_the_last_has_all(monkeypatch):
    """Of five hands two works have two each, whoever asks for them five, and so has the last."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", "5")
    both, ended = threading.Barrier(2), threading.Event()

    def first(_check):
        both.wait(5.0)
        return hands()

    def last(_check):
        both.wait(5.0)
        shared = hands()
        ended.wait(5.0)
        return shared, hands()

    coming = abreast([first, last])
    assert next(coming) == 2
    assert hands() == 5
    ended.set()
    assert next(coming) == (2, 5)


@pytest.mark.parametrize(("count", "elsewhere"), [(1, False), (2, True)])
def test_each_is_done_in_its_order_here_or_elsewhere(monkeypatch, count, elsewhere):
    monkeypatch.setattr(hands_module, "hands", lambda: count)
    found = each_by_hands(lambda k: (k, threading.get_ident()), range(5))
    assert [k for k, _ in found] == list(range(5))
    assert (threading.get_ident() not in {thread for _, thread in found}) is elsewhere


def test_no_more_is_under_way_than_may_be_held(monkeypatch):
    monkeypatch.setattr(hands_module, "hands", lambda: 2)
    begun = []
    coming = abreast((lambda check, k=k: k) for k in range(9) if begun.append(k) is None)
    for k, found in enumerate(coming):
        assert found == k
        assert len(begun) <= k + 3


def test_what_nobody_waits_for_any_more_is_called_off(monkeypatch):
    """As after Ctrl-C, or when another of the works failed."""
    monkeypatch.setattr(hands_module, "hands", lambda: 2)
    said, begun = [], threading.Event()

    def endless(check):
        begun.set()
        try:
            while True:
                check()
                threading.Event().wait(0.01)
        except Cancelled:
            said.append("called off")
            raise

    def fail(_check):
        begun.wait(5.0)
        raise ValueError("no ground")

    with pytest.raises(ValueError, match="no ground"):
        list(abreast([fail, endless]))
    assert said == ["called off"]


def test_parts_side_by_side_tell_one_share():
    told = []
    one, other = shares_of_one(lambda share, words: told.append((share, words)), [1.0, 3.0])
    other(0.5, "reading")
    one(1.0, "done")
    one(0.2, "again")  # a part that begins anew doesn't take anything back
    other(1.0, "done")
    assert told == [(0.375, "reading"), (0.625, "done"), (0.625, "again"), (1.0, "done")]
    assert [part(0.5, "unheard") for part in shares_of_one(None, [1.0])] == [None]
