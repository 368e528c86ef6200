"""What is kept of a job is read back whole or not at all, and never run."""

import os
import pickle

import numpy as np
import pytest

from analysis.network.spool import Spool, kept, read_back
from analysis.network.tasks import Failed
from analysis.network.time_left import TimeLeft
from analysis.shoulder.values import Reason, Why


def test_results_come_back_as_they_were():
    reasons = np.array([[None, Reason(Why.KERB, (120.0,))]], dtype=object)
    held = kept(Failed("no"), {"why": reasons, "s": np.arange(3.0)})
    assert read_back(held) == Failed("no")
    back = read_back(held, 1)
    assert back["why"][0, 1] == Reason(Why.KERB, (120.0,)) and back["why"][0, 0] is None
    assert back["s"].tolist() == [0.0, 1.0, 2.0]


class Evil:
    def __reduce__(self):
        return os.mkdir, ("evil",)


class Spelt:
    """What early versions of Python 3.11 make of a member of an enumeration; here of anything."""

    def __init__(self, name):
        self.name = name

    def __reduce__(self):
        return getattr, (Why, self.name)


def test_a_member_comes_back_however_it_was_spelt():
    assert read_back(kept(Spelt("KERB"))) is Why.KERB


@pytest.mark.parametrize("value", [Evil(), Spelt("mro"), os.getcwd, pickle.Unpickler, np.load])
def test_nothing_that_a_result_says_is_run(value, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(pickle.UnpicklingError, match="has no place in a result"):
        read_back(pickle.dumps(value))
    assert not list(tmp_path.iterdir())


def test_a_result_cut_off_or_changed_is_none(tmp_path):
    spool = Spool(tmp_path / "out.gpkg", "job")
    spool.put("r000000", b"whole")
    assert spool.get("r000000") == b"whole" and spool.get("r000001") is None
    place = spool.folder / "r000000"
    for spoilt in (place.read_bytes()[:-1], place.read_bytes()[:-1] + b"x", b""):
        place.write_bytes(spoilt)
        assert "r000000" not in spool


def test_results_of_another_job_are_thrown_away_and_of_the_same_kept(tmp_path):
    Spool(tmp_path / "out.gpkg", "one").put("r000000", b"x")
    assert "r000000" in Spool(tmp_path / "out.gpkg", "one")
    assert "r000000" not in Spool(tmp_path / "out.gpkg", "other")


def test_time_left_counts_from_where_the_job_began_this_time():
    left = TimeLeft(now=0.0)
    assert left.text(0.5, now=1.0) == ""
    # a tenth in ten seconds: four tenths are left
    assert left.text(0.6, now=11.0) == "40 s left"
    assert left.text(1.0, now=60.0) == ""
