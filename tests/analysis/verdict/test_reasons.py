"""Sentences that say why."""

import pytest

from analysis.shoulder.values import Reason, Why
from analysis.verdict.reasons import _without_minus_zero, commonest_reason, reason_sentence

NUMBERS = {
    Why.KERB: (150.0,),
    Why.KERB_AWAY: (150.0, 1.5),
    Why.WALL: (300.0,),
    Why.MADE_UP: (40.0,),
    Why.GRASS: (30.0,),
    Why.FEW_CELLS_ACROSS: (1.5, 5.0),
    Why.FEW_CELLS_BETWEEN_FOUND: (1.5, 1.2),
    Why.TOO_NOISY: (20.0, 3.04, 11.0),
    Why.TOO_NOISY_FOR_ASSUMED: (20.0, 3.04, 11.0),
    Why.TOO_NOISY_NO_HINGE: (20.0, 3.04, 11.0),
    Why.ROAD_RIVALS: (0.5, -2.0),
    Why.ROAD_BEYOND: (-3.5,),
}


@pytest.mark.parametrize("kind", Why)
def test_every_reason_is_one_plain_sentence(kind):
    """They stand in tables and on sheets, with each of their numbers."""
    text = reason_sentence(Reason(kind, NUMBERS.get(kind, ()), "tile"))
    assert text[0].isupper() and text.endswith(".") and text.count(". ") == 0
    assert len(text) <= 200 and "{" not in text
    for number in NUMBERS.get(kind, ()):
        assert f"{number:.1f}".removesuffix(".0") in text


def test_a_reason_says_what_mends_it():
    """A finer grid, unless it is the edge that was only assumed."""
    said = {kind: reason_sentence(Reason(kind, numbers)) for kind, numbers in NUMBERS.items()}
    assert "only 0.3 cells of 5 m across" in said[Why.FEW_CELLS_ACROSS]
    assert "or give edges and widths" in said[Why.FEW_CELLS_BETWEEN_FOUND]
    assert "finer grid" in said[Why.TOO_NOISY]
    assert "finer grid" not in said[Why.TOO_NOISY_FOR_ASSUMED]
    assert "give the shoulder's width" in said[Why.TOO_NOISY_NO_HINGE]


def test_nothing_is_minus_zero():
    """A rounded nought has no direction; anything else keeps its minus."""
    told = "falls -0.0 ± 0.3 %, balance -0.00 m³, drop -0 mm, -0.4, -10.0, -0.05, 0-10"
    plain = "falls 0.0 ± 0.3 %, balance 0.00 m³, drop 0 mm, -0.4, -10.0, -0.05, 0-10"
    assert _without_minus_zero(told) == plain


def test_points_of_percentages_are_called_so():
    """A difference of two percentages; "points" alone could be anything."""
    text = reason_sentence(Reason(Why.TOO_NOISY, NUMBERS[Why.TOO_NOISY]))
    assert "± 3.0 % points and" in text


def test_commonest_reason_is_counted_as_it_is_worded():
    """Figures that are written alike are one reason; the first by alphabet wins a tie."""
    noisy = [Reason(Why.TOO_NOISY, (20.0, 3.0 + 0.001 * k, 11.0)) for k in range(3)]
    kerbs, rises = [Reason(Why.KERB, (100.0,))] * 2, [Reason(Why.RISES)] * 2
    assert commonest_reason([*kerbs, None, *noisy]) in noisy
    assert commonest_reason([*rises, None, *kerbs]) == kerbs[0]
    assert commonest_reason([None]) is None
