"""Settings are refused where they are made, in one sentence."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.common.errors import SettingsError
from analysis.common.settings import RoadWidths, Settings


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
        (
            {"road_widths": (RoadWidths("Mill Lane", 5.0), RoadWidths("Mill Lane", 6.0))},
            "of its own twice",
        ),
        # 20 / 2 + 1.5 + 3 = 14.5
        (
            {"half_width_m": 14.0, "road_widths": (RoadWidths("Mill Lane", 20.0),)},
            "need 14.5 m: raise half_width_m",
        ),
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


def test_widths_of_one_road_invalid():
    with pytest.raises(SettingsError, match=r'pavement_width_m of "Mill Lane" is 1\.0'):
        RoadWidths("Mill Lane", 1.0)


def test_road_takes_what_it_has_of_its_own():
    """The other width, and other roads, go by what holds for all."""
    made = Settings(road_widths=(RoadWidths("Mill Lane", shoulder_width_m=0.8),))
    assert made.widths_of("Mill Lane") == (7.0, 0.8)
    assert made.widths_of("Quarry Road") == (7.0, 1.5)


def test_own_widths_are_given_changed_and_taken_away():
    """They are read as far out as they need: 26 / 2 + 1.5 + 3 = 17.5, over the 16 m given."""
    first = Settings().with_own_widths("Mill Lane", pavement_width_m=5.5)
    second = first.with_own_widths("Anvil Road", pavement_width_m=26.0)
    assert [own.road for own in second.road_widths] == ["Anvil Road", "Mill Lane"]
    assert (first.half_width_m, second.half_width_m) == (16.0, 18.0)
    changed = second.with_own_widths("Mill Lane", pavement_width_m=6.0, shoulder_width_m=1.0)
    assert changed.widths_of("Mill Lane") == (6.0, 1.0)
    assert (
        first.with_own_widths("Mill Lane", pavement_width_m=None, shoulder_width_m=None)
        == Settings()
    )


def test_roads_apart_are_those_whose_widths_differ():
    """Whatever the entries: one that says the same as all roads do changes nothing."""
    plain = Settings()
    own = plain.with_own_widths("Mill Lane", pavement_width_m=5.5)
    assert plain.roads_apart(own) == own.roads_apart(plain) == {"Mill Lane"}
    assert plain.roads_apart(plain.with_own_widths("Mill Lane", pavement_width_m=7.0)) == set()
    assert own.roads_apart(own.changed(spacing_m=5.0)) is None
    # the others are read farther out then, so they aren't the same either
    assert plain.roads_apart(plain.with_own_widths("Mill Lane", pavement_width_m=26.0)) is None


def test_own_widths_json_round_trip():
    made = Settings(road_widths=(RoadWidths("Mill Lane", 5.5), RoadWidths("Ösweg", None, 0.8)))
    assert Settings.from_json(made.to_json()) == made


@pytest.mark.parametrize("widths", ["7", "[7]", '[{"pavement_width_m": 5.5}]', "null"])
def test_own_widths_from_json_unreadable(widths):
    with pytest.raises(SettingsError, match="screen the road again"):
        Settings.from_json(f'{{"road_widths": {widths}}}')
