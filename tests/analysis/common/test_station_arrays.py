"""Stations cut out, put back and joined: what is over stations says so, length tells nothing."""

from dataclasses import dataclass, fields

import numpy as np
import pytest

from analysis.common.station_arrays import PerStation, joined, spliced, stations_of
from analysis.common.types import Floats
from analysis.corridor.values import Case
from analysis.earthwork.areas import Areas
from analysis.edges.values import Breaks, Overrides
from analysis.shoulder.values import Measures, Noise, Sections, Shoulder
from analysis.verdict.beliefs import Beliefs
from analysis.verdict.values import Judged, Judgement, Measured
from analysis.water.assess import Flow, Water
from analysis.water.ditch import Ditch
from analysis.water.held_by_section import Retained


@dataclass(frozen=True)
class _Inner:
    s: PerStation[Floats]
    u: Floats


@dataclass(frozen=True)
class _Held:
    width: PerStation[Floats]
    edge: PerStation[Floats | None]
    across: Floats
    inner: PerStation[_Inner]
    source: str


N = 4


def _held(start: float, edge: bool = True) -> _Held:
    """N stations, and values across the road that happen to be as many."""
    count = np.arange(N) + start
    pairs = np.column_stack([count, -count]) if edge else None
    return _Held(count, pairs, count * 10.0, _Inner(count + 0.5, count * 100.0), "given")


def test_a_field_of_the_same_length_that_is_not_over_stations_stays_whole():
    held = _held(0.0)
    part = stations_of(held, slice(1, 3))
    assert part.width.tolist() == [1.0, 2.0] and part.edge[:, 1].tolist() == [-1.0, -2.0]
    assert part.inner.s.tolist() == [1.5, 2.5]
    assert part.across is held.across and part.inner.u is held.inner.u
    assert part.source == "given"


def test_spliced_puts_back_what_is_kept_and_nothing_else():
    whole, fresh = _held(0.0), _held(50.0)
    there = slice(1, 4)
    out = spliced(whole, stations_of(fresh, there), there, slice(2, 3))
    assert out.width.tolist() == [0.0, 1.0, 52.0, 3.0]
    assert out.inner.s.tolist() == [0.5, 1.5, 52.5, 3.5]
    assert out.across is whole.across and out.inner.u is whole.inner.u
    assert whole.width.tolist() == [0.0, 1.0, 2.0, 3.0], "the whole itself was changed"


def test_joined_puts_roads_end_to_end():
    out = joined([_held(0.0), _held(10.0)])
    assert out.width.tolist() == [0.0, 1.0, 2.0, 3.0, 10.0, 11.0, 12.0, 13.0]
    assert len(out.edge) == len(out.inner.s) == 2 * N and len(out.across) == N


def test_what_is_not_given_stays_so():
    assert stations_of(_held(0.0, edge=False), slice(0, 1)).edge is None
    assert joined([_held(0.0, edge=False)] * 2).edge is None


@pytest.mark.parametrize(
    ("kind", "whole"),
    [
        (Areas, set()),
        (Beliefs, set()),
        (Breaks, {"line"}),
        (Ditch, {"crossings", "sags"}),
        (Flow, set()),
        (Retained, set()),
        (
            Case,
            {"grid", "road", "settings", "usual_box_m", "limits", "extras", "grain", "strips"}
            | {"beats", "even_box_m", "tracker"},
        ),
        (Judged, {"along", "reaches"}),
        (Judgement, set()),
        (Measured, {"seam", "between"}),
        (Measures, set()),
        (Noise, {"source"}),
        (Overrides, set()),
        (Sections, {"u"}),
        (Shoulder, set()),
        (Water, {"ponds"}),
    ],
)
def test_values_of_the_stages_declare_their_axis(kind, whole):
    """What belongs to the road as a whole is this and no more; a new field has to decide."""
    names = [f.name for f in fields(kind)]
    one = np.arange(3.0)
    value = kind(**{name: (one if name not in whole else "whole") for name in names})
    cut = stations_of(value, slice(0, 2))
    assert {name for name in names if getattr(cut, name) is getattr(value, name)} == whole
