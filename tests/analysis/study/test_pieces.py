"""Pieces of a long road: they cover it once, and where they meet nothing shows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis.study import pieces
from tests.benchmarks.seams import differences_at_seams, long_case


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """A road of 1040 m: its last piece ends with a block, as one of 4 km nearly does."""
    return long_case(tmp_path_factory.mktemp("seams"), 1097.11)


def test_a_short_road_is_one_piece(case):
    assert len(pieces.pieces_of(case)) == 1


def test_pieces_cover_every_station_once_and_look_beyond(case, monkeypatch):
    monkeypatch.setattr(pieces, "WHOLE_M", 500.0)
    monkeypatch.setattr(pieces, "PIECE_M", 300.0)
    cut = pieces.pieces_of(case)
    kept = np.concatenate([np.arange(piece.keep.start, piece.keep.stop) for piece in cut])
    assert kept.tolist() == list(range(len(case.s)))
    for before, after in pairwise(cut):
        assert before.stop == after.start
        assert before.high - before.stop >= pieces.OVERLAP_M
        assert after.start - after.low >= pieces.OVERLAP_M
    assert cut[0].low == 0.0 and cut[-1].high == pytest.approx(case.road.length_m)


def test_seams_do_not_show(case, monkeypatch):
    """What two pieces say of the stations where they meet differs by less than a tenth of its
    error."""
    monkeypatch.setattr(pieces, "WHOLE_M", 500.0)
    monkeypatch.setattr(pieces, "PIECE_M", 550.0)
    off = differences_at_seams(case)
    for name in ("edge", "pavement_slope_pct", "shoulder_slope_pct", "edge_drop_mm"):
        assert np.nanmax(off[name]) < 0.1, name
