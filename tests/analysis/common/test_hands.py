"""Work beside other work: what comes of it is there when it is asked for."""

import threading

import pytest

from analysis.common import hands as hands_module
from analysis.common.hands import hands, started


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
