"""Settings are refused where they are made, in one sentence."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.common.errors import SettingsError
from analysis.common.settings import Settings


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"pavement_width_m": -7.0}, "pavement_width_m is -7.0"),
        ({"shoulder_width_m": 0.0}, "shoulder_width_m is 0.0"),
        ({"spacing_m": float("nan")}, "spacing_m is nan"),
        ({"average_m": "long"}, 'or "auto"'),
        ({"noise_m": 20.0}, "noise_m is 20.0"),
        ({"surface": "asphalt"}, "gravel, earth, turf"),
        ({"half_width_m": 5.0}, "raise half_width_m"),
        ({"spacing_m": True}, "spacing_m is True"),
    ],
)
def test_settings_invalid(values, words):
    """Each wrong value is named with what it may be."""
    with pytest.raises(SettingsError, match=words):
        Settings(**values)


@given(
    st.floats(0.5, 1000.0), st.one_of(st.just("auto"), st.floats(1.0, 1000.0)), st.floats(2.0, 12.0)
)
def test_settings_json_round_trip(spacing, average, width):
    """A run record gives back the settings it was made with."""
    made = Settings(spacing_m=spacing, average_m=average, pavement_width_m=width)
    assert Settings.from_json(made.to_json()) == made


def test_settings_from_json_unreadable():
    """A damaged record is refused in a sentence."""
    with pytest.raises(SettingsError, match="screen the road again"):
        Settings.from_json("{")
    with pytest.raises(SettingsError, match="screen the road again"):
        Settings.from_json("[1]")


def test_settings_from_json_later_version():
    """Keys that this version doesn't know are left out."""
    assert Settings.from_json('{"spacing_m": 5, "moon": 1}').spacing_m == 5
