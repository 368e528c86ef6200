"""Numbers as they are shown: conversion by published definitions, unknown as unknown."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.common.limits import limit_specs
from gui.look.units import DASH, METRIC, SYSTEMS, US, from_shown, number, shown, unit_of, value_text

# NIST Special Publication 811 (2008), Appendix B.8: factors to SI, exact unless rounded there.
NIST_811 = {
    ("m", "ft"): 0.3048,
    ("km", "mi"): 1.609344,
    ("mm", "in"): 25.4,
    ("cm", "in"): 2.54,
    ("m2", "ft²"): 0.09290304,
    ("m3", "yd³"): 0.764554857984,
    ("t", "short ton"): 0.90718474,
    ("km/h", "mph"): 1.609344,
    ("t/m3", "short ton/yd³"): 1.186552842515,
    ("l/m2", "gal/yd²"): 3.785411784 / 0.83612736,
}


@pytest.mark.parametrize(("pair", "factor"), NIST_811.items())
def test_unit_of_us_matches_nist(pair: tuple[str, str], factor: float) -> None:
    unit = unit_of(pair[0], US)
    assert unit.text == pair[1]
    assert 1.0 / unit.factor == pytest.approx(factor, rel=1e-9)


@given(
    value=st.floats(-1e6, 1e6),
    unit=st.sampled_from(["m", "mm", "m2", "m3", "t", "t/m3", "%", "points", "km/h"]),
    system=st.sampled_from(SYSTEMS),
)
def test_from_shown_undoes_shown(value: float, unit: str, system: str) -> None:
    there = float(shown(value, unit, system))
    assert from_shown(there, unit, system) == pytest.approx(value, rel=1e-12, abs=1e-12)


def test_shown_array() -> None:
    out = shown(np.array([25.4, np.nan]), "mm", US)
    np.testing.assert_allclose(out, [1.0, np.nan])


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_value_text_unknown(value: float) -> None:
    assert value_text(value, "mm") == "unknown"
    assert number(value, 1) == DASH


def test_value_text_with_error() -> None:
    assert value_text(34.4, "mm", se=8.2) == "34 ± 8 mm"
    assert value_text(-34.4, "mm", se=8.2) == "−34 ± 8 mm"
    assert value_text(50.8, "mm", US, se=25.4) == "2.0 ± 1.0 in"
    assert value_text(4.04, "%", se=math.nan) == "4.0 %"


def test_number_never_shows_minus_zero() -> None:
    assert number(-0.04, 1) == "0.0"


def test_unit_of_knows_the_unit_of_every_limit() -> None:
    """A limit whose unit isn't known would be shown unconverted in a form set to feet."""
    metric_lengths = {"m", "mm", "km", "m³", "t", "t/m³", "km/h", "m2", "m3"}
    for spec in limit_specs().values():
        converted = unit_of(spec.unit, US).factor != 1.0
        assert converted == (spec.unit in metric_lengths), spec


def test_unknown_unit_is_left_alone() -> None:
    assert unit_of("furlong", US).text == "furlong"
    assert unit_of("furlong", METRIC).factor == 1.0
