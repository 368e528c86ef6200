"""Limits: values with their sources, TOML in and out."""

import math
import re
import tomllib
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.common.errors import LimitsError
from analysis.common.limits import (
    SURFACES,
    default_limits,
    limit_specs,
    limits_from_toml,
    limits_to_toml,
    read_limits,
    write_limits,
)

NAMES = sorted(limit_specs())


@pytest.mark.parametrize("surface", SURFACES)
def test_defaults_are_complete_sourced_and_in_range(surface):
    limits = default_limits(surface)
    assert limits.surface == surface
    assert list(limits) == list(limit_specs())
    for name, spec in limit_specs().items():
        limit = limits[name]
        assert limit.unit == spec.unit
        assert spec.low <= limit.value <= spec.high
        # No bare number: every source says how far it can be trusted.
        assert re.search(
            "common practice|from memory|seen in an excerpt|second-hand|our own choice",
            limit.source,
        ), name


def test_shipped_file_has_no_entry_that_is_not_used():
    text = resources.files("resources").joinpath("limits.toml").read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    assert set(raw) == {"common", *SURFACES}
    used = set(raw["common"])
    for surface in SURFACES:
        assert used | set(raw[surface]) == set(limit_specs())


def test_published_defaults():
    gravel, turf = default_limits("gravel"), default_limits("turf")
    # common practice
    assert gravel.shape.shoulder_over_pavement_points.value == 2.0
    assert gravel.shape.rut_mm.value == gravel.shape.ridge_mm.value == 30.0
    # runs of 50, 100, 200, 500 m (seen second-hand)
    work = gravel.work
    runs = (work.efficiency_50_m, work.efficiency_100_m, work.efficiency_200_m)
    assert [limit.value for limit in (*runs, work.efficiency_500_m)] == [0.4, 0.6, 0.8, 1.0]
    # AASHTO Green Book 4.4.3 (from memory): gravel 4-6 %, turf 6-8 %, breakover 8 points
    assert 4.0 <= gravel.shape.shoulder_least_pct.value <= 6.0
    assert 6.0 <= turf.shape.shoulder_least_pct.value <= 8.0
    assert gravel.shape.breakover_most_points.value == 8.0
    # Army TM 5-623 App. B: drop-off medium from 50 mm, high from 100 mm
    assert gravel.shape.edge_drop_medium_mm.value == 50.0
    assert gravel.shape.edge_drop_high_mm.value == 100.0


@pytest.mark.parametrize(
    ("surface", "loose", "compacted"),
    # FM 5-434 Table 1-1 style, sand and loam rows (from memory): bank to loose, bank to compacted
    [("gravel", 1.11, 0.95), ("earth", 1.25, 0.90), ("turf", 1.25, 0.90)],
)
def test_volume_factors_agree_with_their_table(surface, loose, compacted):
    limits = default_limits(surface)
    assert limits.material.loose_per_bank.value == loose
    assert limits.material.compacted_per_bank == pytest.approx(compacted, abs=0.006)


def test_swell_and_load_factor_of_a_published_exercise():
    # Published inputs: clay 3000 lb per bank, 2310 per loose, 3750 per compacted cubic yard;
    # swell 29.87 %, load factor 0.770, shrinkage factor 0.80 (own answers).
    limits = (
        default_limits("earth")
        .with_value("loose_per_bank", 3000.0 / 2310.0)
        .with_value("compacted_per_loose", 2310.0 / 3750.0)
    )
    assert 100.0 * (limits.material.loose_per_bank.value - 1.0) == pytest.approx(29.87, abs=0.005)
    assert 1.0 / limits.material.loose_per_bank.value == pytest.approx(0.770, abs=0.0005)
    assert limits.material.compacted_per_bank == pytest.approx(0.80)


# ---------------------------------------------------------------- TOML


@given(
    surface=st.sampled_from(SURFACES),
    name=st.sampled_from(NAMES),
    share=st.floats(0.0, 1.0),
    source=st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=40),
)
def test_text_round_trip_is_exact(surface, name, share, source):
    spec = limit_specs()[name]
    value = spec.low + share * (spec.high - spec.low)
    try:
        limits = default_limits(surface).with_value(name, value, source=source or None)
    except LimitsError as error:  # only limits that must stay in order with another
        assert "must" in str(error)
        return
    assert limits_from_toml(limits_to_toml(limits)) == limits


def test_file_round_trip_is_exact_and_leaves_nothing_behind(tmp_path):
    path = tmp_path / "own.toml"
    limits = default_limits("turf").with_value("rut_mm", 22.5, source="county manual")
    write_limits(limits, path)
    write_limits(limits, path)
    assert read_limits(path) == limits
    assert [p.name for p in tmp_path.iterdir()] == ["own.toml"]


def test_hand_written_file_overrides_only_what_it_names(tmp_path):
    path = tmp_path / "county.toml"
    path.write_text(
        "[common]\nrut_mm = 25\nhaul_most_m = 60\n"
        '[earth]\nhaul_most_m = {value = 40, source = "district rule 7"}\n'
        "[turf]\nshoulder_least_pct = 7\n",
        encoding="utf-8",
    )
    earth = read_limits(path, "earth")
    assert earth.shape.rut_mm.value == 25.0
    assert earth.shape.rut_mm.source == "set in county.toml"
    assert earth.shape.rut_mm.note == default_limits("earth").shape.rut_mm.note
    assert earth.material.haul_most_m.value == 40.0
    assert earth.material.haul_most_m.source == "district rule 7"
    assert earth.shape.shoulder_least_pct == default_limits("earth").shape.shoulder_least_pct
    assert read_limits(path, "turf").shape.shoulder_least_pct.value == 7.0
    assert read_limits(path).surface == "gravel"


def test_only_surface_table_is_the_surface(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("[turf]\nrut_mm = 40\n", encoding="utf-8")
    assert read_limits(path).surface == "turf"
    path.write_text("surface = 'earth'\n[turf]\nrut_mm = 40\n", encoding="utf-8")
    assert read_limits(path) == default_limits("earth")


def test_a_surface_asked_for_must_be_in_the_file(tmp_path):
    """Numbers written for gravel are never passed over in silence because earth was asked for."""
    path = tmp_path / "a.toml"
    path.write_text("[gravel]\nrut_mm = 40\n", encoding="utf-8")
    with pytest.raises(LimitsError, match=r"holds limits for gravel, not for earth: choose the"):
        read_limits(path, "earth")
    path.write_text("[common]\nrut_mm = 40\n[gravel]\nridge_mm = 40\n", encoding="utf-8")
    assert read_limits(path, "earth").shape.rut_mm.value == 40.0


def test_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("[common]\nrut_mm = 40\n", encoding="utf-8-sig")
    assert read_limits(path).shape.rut_mm.value == 40.0


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("[common]\nrut_mmm = 3", ["rut_mmm", "rut_mm?"]),
        ("[common]\nzzz = 3", ["zzz", "isn't a limit"]),
        ("[common]\nrut_mm = '30'", ["rut_mm", "number", "0 to 300 mm", "'30'"]),
        ("[common]\nrut_mm = true", ["rut_mm", "number"]),
        ("[common]\nrut_mm = -1", ["rut_mm", "-1", "between 0 and 300 mm"]),
        ("[common]\nrut_mm = 301", ["rut_mm", "301", "between 0 and 300 mm"]),
        ("[common]\nrut_mm = nan", ["rut_mm", "nan", "between 0 and 300 mm"]),
        ("[common]\nrut_mm = inf", ["rut_mm", "inf"]),
        ("[common]\nrecovery = 1.2", ["recovery", "1.2", "between 0 and 1 fraction"]),
        ("[common]\nrut_mm = [30]", ["rut_mm", "number"]),
        ("[common.rut_mm]\nunit = 'mm'", ["rut_mm", "no value", "0 to 300 mm"]),
        ("[common.rut_mm]\nvalue = 3\nunit = 'cm'", ["rut_mm", "'cm'", "'mm'"]),
        ("[common.rut_mm]\nvalue = 3\nsource = 7", ["rut_mm.source", "text", "7"]),
        ("[common.rut_mm]\nvalue = 3\nwhy = 'x'", ["rut_mm.why", "value, unit, source, note"]),
        ("rut_mm = 3", ["rut_mm", "isn't a table", "[common]"]),
        ("common = 3", ["common", "must be a table"]),
        ("[asphalt]\nrut_mm = 3", ["asphalt", "[gravel]"]),
        ("surface = 'asphalt'", ["'asphalt'", "gravel, earth, turf"]),
        ("surface = 3", ["surface", "in quotes", "3"]),
        ("[common\n", ["isn't valid TOML"]),
        # a wrong entry is told even in a table that this surface doesn't use
        ("[turf]\nrut_mm = -1\n[gravel]\n", ["rut_mm", "-1"]),
        ("[common]\nshoulder_least_pct = 9", ["shoulder_least_pct", "shoulder_most_pct, 8 %"]),
        ("[common]\nedge_drop_low_mm = 60", ["edge_drop_low_mm", "edge_drop_medium_mm, 50 mm"]),
        ("[common]\nblade_overlap_m = 2\nblade_m = 1", ["blade_overlap_m", "blade_m, 1 m"]),
        ("[common]\nvisit_cost = 0\nmiss_cost = 0", ["visit_cost", "miss_cost", "above 0"]),
    ],
)
def test_wrong_entry_is_told_in_one_sentence(tmp_path, text, parts):
    path = tmp_path / "county.toml"
    path.write_text(text, encoding="utf-8")
    surface = None if "surface" in text else "gravel"
    if "[common]\nshoulder_least" in text:
        # a surface's own shipped entry doesn't outrank the user's common one
        surface = "earth"
    with pytest.raises(LimitsError) as caught:
        read_limits(path, surface)
    message = str(caught.value)
    assert "\n" not in message
    assert message.endswith(("?", "."))
    for part in ["county.toml", *parts]:
        assert part in message


def test_limits_of_earlier_versions_are_passed_over():
    """A findings file written when they still counted opens as ever."""
    text = "[common]\nloose_lift_mm = 30\nrut_mm = 25\n[gravel.grader_efficiency]\nvalue = 0.6"
    assert limits_from_toml(text).shape.rut_mm.value == 25.0


def test_unreadable_files_are_told(tmp_path):
    with pytest.raises(LimitsError, match=r"none\.toml doesn't exist"):
        read_limits(tmp_path / "none.toml")
    with pytest.raises(LimitsError, match="can't be read"):
        read_limits(tmp_path)
    path = tmp_path / "latin.toml"
    path.write_bytes("# caf\xe9".encode("latin-1"))
    with pytest.raises(LimitsError, match="isn't UTF-8 text"):
        read_limits(path)


def test_unwritable_place_is_told_and_a_good_file_stays(tmp_path):
    with pytest.raises(LimitsError, match="choose another place"):
        write_limits(default_limits(), tmp_path / "no folder" / "a.toml")
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    with pytest.raises(LimitsError, match="choose another place"):
        write_limits(default_limits(), folder)
    assert [p.name for p in tmp_path.iterdir()] == ["folder.toml"]


# ---------------------------------------------------------------- one value


def test_with_value_changes_one_and_only_a_copy():
    limits = default_limits()
    other = limits.with_value("rut_mm", 20)
    assert limits.shape.rut_mm.value == 30.0
    assert (other.shape.rut_mm.value, other.shape.rut_mm.source) == (20.0, "set by the user")
    assert other.with_value("rut_mm", 30.0, source=limits.shape.rut_mm.source) == limits


@pytest.mark.parametrize("value", [-1.0, 1e6, math.nan, math.inf, "3", None, True])
def test_with_value_refuses(value):
    with pytest.raises(LimitsError, match="rut_mm"):
        default_limits().with_value("rut_mm", value)


def test_unknown_names_are_refused():
    with pytest.raises(LimitsError, match=r"did you mean haul_most_m\?"):
        default_limits().with_value("haul_most", 3.0)
    with pytest.raises(LimitsError, match="isn't a limit"):
        default_limits()["surface"]
    with pytest.raises(LimitsError, match="'tarmac'"):
        default_limits("tarmac")


@given(visit=st.floats(0.01, 1e3), miss=st.floats(0.01, 1e3), p=st.floats(0.0, 1.0))
def test_acting_from_the_threshold_costs_least(visit, miss, p):
    limits = default_limits().with_value("visit_cost", visit).with_value("miss_cost", miss)
    act, leave = (1.0 - p) * visit, p * miss
    if p > limits.decision.act_at_probability + 1e-9:
        assert act < leave
    elif p < limits.decision.act_at_probability - 1e-9:
        assert leave < act


def test_written_file_has_the_usual_mode(tmp_path):
    # colleagues on a shared drive must be able to read it
    (tmp_path / "plain.txt").write_text("x", encoding="utf-8")
    write_limits(default_limits(), tmp_path / "own.toml")
    modes = [(tmp_path / name).stat().st_mode & 0o777 for name in ("plain.txt", "own.toml")]
    assert modes[0] == modes[1]
