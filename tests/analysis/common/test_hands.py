"""Work beside other work: what comes of it is there when it is asked for."""

import threading

import pytest

from analysis.common import hands as hands_module
from analysis.common.hands import hands, in_advance, started


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
