"""Hours, passes, trucks, order and costs against handbook examples and rules of the plan."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.common.cautions import CAUTIONS
from analysis.common.errors import SettingsError
from analysis.common.limits import default_limits
from analysis.common.units import METRES_PER_MILE
from analysis.earthwork.workplan import (
    DRY_NOTE,
    SEASON_NOTE,
    Rates,
    WorkReach,
    loose_rise_mm,
    pass_hours,
    plan,
    snap_outward,
)

GRAVEL = default_limits("gravel")


def reach(from_m, to_m, treatment="reshape", **given):
    values = {
        "road": "Velmarrow Road",
        "side": "left",
        "from_m": from_m,
        "to_m": to_m,
        "length_m": abs(to_m - from_m),
        "finding": "flat",
        "treatment": treatment,
        "width_m": 1.5,
        "cut_m3_bank": 10.0,
        "fill_m3_compacted": 6.0,
        "import_m3_loose": 0.0,
        "import_t": 0.0,
        "haul_away_m3_loose": 0.0,
    }
    return WorkReach(**{**values, **given})


# ---------------------------------------------------------------- published formulas


def test_grader_hours_of_the_exercise():
    # Five miles, efficiency 0.60: two passes at 2.5 mph, two at 3.8, one at 5.0 (inputs of the
    # exercise after FM 5-434; answers recomputed)
    kmh = METRES_PER_MILE / 1000.0
    length = 5.0 * METRES_PER_MILE
    hours = [
        pass_hours(length, [(number, mph * kmh)], 0.60)
        for number, mph in ((2, 2.5), (2, 3.8), (1, 5.0))
    ]
    assert hours == pytest.approx([6.667, 4.386, 1.667], abs=5e-4)
    together = pass_hours(length, [(2, 2.5 * kmh), (2, 3.8 * kmh), (1, 5.0 * kmh)], 0.60)
    assert together == pytest.approx(12.719, abs=1e-3)


def test_metric_grader_hours():
    assert pass_hours(2000.0, [(5, 4.0)], 0.60) == pytest.approx(4.167, abs=5e-4)


def test_several_speeds_are_summed_never_averaged():
    # 30 km, E 0.75, two passes each at 6, 8, 10 km/h: 31.333 h; at the mean speed 30.0 h
    summed = pass_hours(30000.0, [(2, 6.0), (2, 8.0), (2, 10.0)], 0.75)
    assert summed == pytest.approx(31.333, abs=5e-4)
    assert pass_hours(30000.0, [(6, 8.0)], 0.75) == pytest.approx(30.0)


def test_loose_lift():
    # 30 mm over the edge compacts flush (common practice): with sand's factor of 0.86 that
    # belongs to a fill of 184 mm
    depth = 30.0 / (1.0 / 0.86 - 1.0)
    assert depth == pytest.approx(184.3, abs=0.05)
    assert loose_rise_mm(depth, GRAVEL.material) == pytest.approx(30.0)


# ---------------------------------------------------------------- limits of work


@given(
    low=st.floats(-1e5, 1e5),
    length=st.floats(0.0, 1e4),
    step=st.sampled_from([1.0, 5.0, 10.0, 25.0]),
)
def test_limits_of_work_are_rounded_outward(low, length, step):
    a, b = snap_outward(low, low + length, step)
    slack = 1e-5 * step
    assert a <= low + slack
    assert b >= low + length - slack
    assert low - a < step
    assert b - (low + length) < step
    assert a / step == pytest.approx(round(a / step), abs=1e-6)
    assert snap_outward(a, b, step) == pytest.approx((a, b))


def test_limits_of_neighbours_do_not_overlap_and_stay_on_the_road():
    made = plan(
        [
            reach(3.0, 125.0),
            reach(125.0, 161.0, "replenish"),
            reach(161.0, 163.0),
            reach(121.0, 128.0, side="right"),
            reach(2988.0, 2996.0, road_low_m=0.0, road_high_m=2996.0),
        ],
        GRAVEL,
    )
    spans = {
        (item.reach.side, item.reach.from_m): (item.start_m, item.end_m) for item in made.items
    }
    assert spans == {
        ("left", 3.0): (0.0, 125.0),
        ("left", 125.0): (125.0, 161.0),
        ("left", 161.0): (161.0, 170.0),
        ("right", 121.0): (120.0, 130.0),
        ("left", 2988.0): (2980.0, 2996.0),
    }
    assert made.totals.work_length_m == pytest.approx(170.0 + 10.0 + 16.0)


# ---------------------------------------------------------------- one reach


def test_reshaping_hours_by_hand():
    item = plan([reach(0.0, 1000.0)], GRAVEL).items[0]
    # two cutting and two spreading passes at 4 km/h, one finishing pass at 3 km/h, E 0.6
    assert item.grader_passes == 5
    assert item.grader_h == pytest.approx(4 * 1.0 / (4 * 0.6) + 1.0 / (3 * 0.6))
    # 1.5 m takes two widths of a 1.2 m roller, four passes each at 4 km/h, E 0.75
    assert item.roller_passes == 8
    assert item.roller_h == pytest.approx(8 * 1.0 / (4 * 0.75))
    # 10 m3 bank are bladed, 9.546 m3 compacted at 2.1 t/m3, 4 % water
    assert item.water_m3 == pytest.approx(10.0 * 0.9546 * 2.1 * 0.04)
    assert (item.import_loads, item.truck_h, item.trucks) == (0, 0.0, 0)
    assert item.crew_h == pytest.approx(max(item.grader_h, item.roller_h))


def test_replenishing_needs_trucks_enough_to_keep_the_grader_going():
    # 151 m3 loose of 228 t: 16 loads by volume, 12 by mass
    item = plan(
        [
            reach(
                0.0,
                1000.0,
                "replenish",
                cut_m3_bank=0.0,
                fill_m3_compacted=108.75,
                import_m3_loose=151.0,
                import_t=228.4,
            )
        ],
        GRAVEL,
    ).items[0]
    assert item.grader_passes == 3  # nothing to cut
    assert item.import_loads == 16
    # 10 km each way at 40 km/h and 15 min: 0.75 h a trip
    assert item.truck_cycle_h == pytest.approx(0.75)
    assert item.truck_h == pytest.approx(12.0)
    # The grader takes 1.39 h: each truck can make two trips, the second one after 0.75 h.
    assert item.trucks == 8
    assert item.crew_h == pytest.approx(max(item.grader_h, item.roller_h))


@given(loads=st.integers(0, 60), length=st.floats(30.0, 3000.0))
def test_fewest_trucks_that_keep_the_grader_going(loads, length):
    item = plan(
        [reach(0.0, length, "replenish", import_m3_loose=10.0 * loads, import_t=1.0)], GRAVEL
    ).items[0]

    def last_load_h(trucks):
        return (math.ceil(loads / trucks) - 1) * item.truck_cycle_h

    if loads == 0:
        assert item.trucks == (1 if item.import_loads else 0)
        return
    assert last_load_h(item.trucks) <= item.grader_h + 1e-6
    if item.trucks > 1:
        assert last_load_h(item.trucks - 1) > item.grader_h - 1e-6


def test_surplus_is_hauled_too():
    item = plan([reach(0.0, 500.0, haul_away_m3_loose=31.0)], GRAVEL).items[0]
    assert item.away_loads == 4
    assert item.truck_h == pytest.approx(4 * 0.75)


def test_deep_fill_is_placed_in_lifts():
    thin = plan([reach(0.0, 100.0, fill_m3_compacted=20.0)], GRAVEL).items[0]
    deep = plan([reach(0.0, 100.0, fill_m3_compacted=30.0)], GRAVEL).items[0]
    # 20 m3 over 100 m by 1.5 m is 133 mm, 30 m3 is 200 mm: over 150 mm (common practice)
    assert (thin.lifts, deep.lifts) == (1, 2)
    assert deep.grader_passes == thin.grader_passes + GRAVEL.work.spread_passes.value
    assert deep.roller_h == pytest.approx(2 * thin.roller_h)
    assert any("200 mm" in note and "2 lifts" in note for note in deep.notes)
    # 200 mm at 0.86 compacted per loose settle by 33 mm
    assert any("settles 33 mm" in note for note in deep.notes)


def test_wide_shoulder_takes_more_lanes():
    narrow = plan([reach(0.0, 100.0, width_m=2.7)], GRAVEL).items[0]
    wide = plan([reach(0.0, 100.0, width_m=2.8)], GRAVEL).items[0]
    assert (narrow.lanes, wide.lanes) == (1, 2)
    assert wide.grader_h == pytest.approx(2 * narrow.grader_h)


def test_ditch_cleaning():
    both = plan([reach(0.0, 200.0, "reshape and clean ditch", ditch_clean_m=80.0)], GRAVEL).items[0]
    # four passes at 3 km/h, E 0.6
    assert both.ditch_m == 80.0
    assert both.ditch_h == pytest.approx(4 * 0.08 / (3 * 0.6))
    only = plan([reach(0.0, 200.0, "clean ditch")], GRAVEL)
    assert only.items[0].ditch_m == 200.0
    assert only.items[0].grader_h == only.items[0].roller_h == only.items[0].water_m3 == 0.0
    assert only.totals.fill_m3_compacted == 0.0
    # a ditch length without the treatment isn't work
    assert plan([reach(0.0, 200.0, ditch_clean_m=80.0)], GRAVEL).items[0].ditch_m == 0.0


def test_notes_warn_of_the_edge_the_foreslope_and_what_is_unknown():
    item = plan(
        [
            reach(
                0.0,
                100.0,
                worst_drop_mm=80.0,
                foreslope_pct=50.0,
                fill_m3_compacted=math.nan,
                width_m=math.nan,
            )
        ],
        GRAVEL,
    ).items[0]
    text = " ".join(item.notes)
    assert "80 mm" in text
    assert "1 in 2.0, steeper than 1 in 3" in text
    assert "measure on site" in text
    assert "width isn't known" in text
    assert "30 mm above the pavement edge" in text
    calm = plan([reach(0.0, 100.0, worst_drop_mm=10.0, foreslope_pct=25.0)], GRAVEL).items[0]
    assert len(calm.notes) == 2


# ---------------------------------------------------------------- order


def order_of(made):
    return [(item.reach.side, item.reach.from_m) for item in made.items]


def test_downstream_end_comes_first():
    # The road climbs up-station: the lowest reach comes first and is worked uphill.
    climbing = [
        reach(5000.0, 5100.0, from_z_m=150.0, to_z_m=151.0),
        reach(100.0, 200.0, from_z_m=101.0, to_z_m=102.0),
        reach(300.0, 400.0, from_z_m=103.0, to_z_m=104.0),
    ]
    made = plan(climbing, GRAVEL)
    assert order_of(made) == [("left", 100.0), ("left", 300.0), ("left", 5000.0)]
    assert all(item.start_m < item.end_m and item.uphill_known for item in made.items)
    assert [item.stretch for item in made.items] == [1, 1, 2]
    # Falling up-station: everything the other way round.
    falling = [replace(r, from_z_m=-r.from_z_m, to_z_m=-r.to_z_m) for r in climbing]
    made = plan(falling, GRAVEL)
    assert order_of(made) == [("left", 5000.0), ("left", 300.0), ("left", 100.0)]
    assert all(item.start_m > item.end_m for item in made.items)


def test_reversed_labels_keep_the_downstream_end():
    made = plan([reach(400.0, 300.0, from_z_m=100.0, to_z_m=102.0)], GRAVEL)
    assert (made.items[0].start_m, made.items[0].end_m) == (400.0, 300.0)
    assert made.items[0].work_length_m == pytest.approx(100.0)


def test_close_reaches_share_a_stretch_and_each_side_a_set_up():
    reaches = [
        reach(0.0, 100.0),
        reach(50.0, 120.0, side="right"),
        reach(400.0, 500.0),
        reach(900.0, 950.0),
    ]
    made = plan(reaches, GRAVEL)
    assert [item.stretch for item in made.items] == [1, 1, 1, 2]
    assert made.totals.setups == 3
    assert made.totals.setup_h == pytest.approx(1.5)
    # One side is finished before the other is begun.
    assert [item.reach.side for item in made.items] == ["left", "left", "right", "left"]
    apart = plan(reaches, GRAVEL.with_value("together_m", 100.0))
    assert [item.stretch for item in apart.items] == [1, 1, 2, 3]
    # One traffic control doesn't reach on for ever.
    many = [reach(200.0 * k, 200.0 * k + 100.0) for k in range(12)]
    assert [item.stretch for item in plan(many, GRAVEL).items] == [1] * 5 + [2] * 5 + [3] * 2


def test_work_climbs_out_of_every_sag():
    # Edge heights along the road: a sag at 2, a crest at 4, a lower sag at 6
    heights = [104.0, 102.0, 101.0, 103.0, 105.0, 102.0, 99.0, 100.0]
    reaches = [
        reach(100.0 * k, 100.0 * k + 60.0, from_z_m=z, to_z_m=z + 0.2)
        for k, z in enumerate(heights)
    ]
    order = [int(item.reach.from_m // 100) for item in plan(reaches, GRAVEL).items]
    assert order == [6, 7, 5, 2, 3, 4, 1, 0]
    place = {k: order.index(k) for k in range(8)}
    for k, z in enumerate(heights):
        lower = [m for m in (k - 1, k + 1) if 0 <= m < 8 and heights[m] < z]
        # at a crest the neighbour of the other sag may come later
        assert not lower or any(place[m] < place[k] for m in lower)
    unknown = [replace(r, from_z_m=math.nan, to_z_m=math.nan) for r in reaches]
    assert [int(i.reach.from_m // 100) for i in plan(unknown, GRAVEL).items] == list(range(8))


def test_most_urgent_road_first():
    made = plan([reach(0.0, 100.0, road="B", rank=4), reach(0.0, 100.0, road="C", rank=2)], GRAVEL)
    assert [item.reach.road for item in made.items] == ["C", "B"]


@given(st.permutations(range(6)))
def test_order_does_not_depend_on_the_order_given(order):
    reaches = [
        reach(
            300.0 * k,
            300.0 * k + 90.0,
            side=("left", "right")[k % 2],
            from_z_m=100.0 + (k * 7) % 5,
            to_z_m=101.0 + (k * 7) % 5,
        )
        for k in range(6)
    ]
    assert order_of(plan([reaches[k] for k in order], GRAVEL)) == order_of(plan(reaches, GRAVEL))


def test_sound_reaches_are_left_out_and_doubtful_ones_are_visits():
    made = plan(
        [reach(0.0, 50.0, "none"), reach(50.0, 90.0, "can't tell"), reach(90.0, 150.0)], GRAVEL
    )
    assert len(made.items) == 1
    assert [v.from_m for v in made.visits] == [50.0]


# ---------------------------------------------------------------- sums


def test_sums_are_the_sums():
    reaches = [
        reach(0.0, 95.0, fill_m3_compacted=3.0, haul_away_m3_loose=12.0),
        reach(
            200.0,
            260.0,
            "replenish and clean ditch",
            import_m3_loose=20.0,
            import_t=36.0,
            ditch_clean_m=60.0,
        ),
    ]
    made = plan(reaches, GRAVEL)
    for name in ("grader_h", "roller_h", "truck_h", "water_m3", "ditch_h", "import_loads"):
        total = sum(getattr(item, name) for item in made.items)
        assert getattr(made.totals, name) == pytest.approx(total)
    assert made.totals.fill_m3_compacted == pytest.approx(9.0)
    assert made.totals.away_m3_loose == pytest.approx(12.0)
    assert made.totals.moving_h == pytest.approx(0.1 / 20.0)
    crew = sum(item.crew_h for item in made.items)
    assert made.totals.crew_h == pytest.approx(crew + made.totals.setup_h + made.totals.moving_h)
    assert made.totals.crew_days == pytest.approx(made.totals.crew_h / 8.0)


def test_unknown_quantity_is_not_summed_as_nothing():
    made = plan([reach(0.0, 95.0), reach(200.0, 260.0, import_m3_loose=math.nan)], GRAVEL)
    assert math.isnan(made.totals.import_m3_loose)
    assert made.totals.fill_m3_compacted == pytest.approx(12.0)


def test_nothing_to_do():
    made = plan([], GRAVEL)
    assert made.items == made.visits == ()
    assert made.totals.crew_days == 0.0
    assert made.costs.total is None or made.costs.total == 0.0


def test_settings_change_the_hours():
    slow = GRAVEL.with_value("grader_efficiency", 0.3)
    base = plan([reach(0.0, 300.0)], GRAVEL).items[0]
    assert plan([reach(0.0, 300.0)], slow).items[0].grader_h == pytest.approx(2 * base.grader_h)


# ---------------------------------------------------------------- costs


def test_no_rate_no_cost():
    made = plan([reach(0.0, 300.0)], GRAVEL)
    assert made.costs.parts == ()
    assert made.costs.total is None
    assert set(made.costs.missing) == {
        "grader", "roller", "trucks", "water", "material", "traffic control", "crew"
    }  # fmt: skip


def test_only_given_rates_are_counted_and_the_rest_is_named():
    rates = Rates(currency="kr", grader_per_h=100.0, traffic_control_per_setup=250.0)
    made = plan([reach(0.0, 300.0, "reshape and clean ditch", ditch_clean_m=300.0)], GRAVEL, rates)
    hours = made.totals.grader_h + made.totals.ditch_h
    assert dict(made.costs.parts) == pytest.approx(
        {"grader": 100.0 * hours, "traffic control": 250.0}
    )
    assert made.costs.total == pytest.approx(100.0 * hours + 250.0)
    assert "roller" in made.costs.missing
    item = made.items[0]
    assert dict(item.costs.parts) == pytest.approx({"grader": 100.0 * hours})


@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf, "5"])
def test_wrong_rates_are_told(value):
    with pytest.raises(SettingsError, match="grader_per_h"):
        Rates(grader_per_h=value)


# ---------------------------------------------------------------- cautions


def test_every_plan_carries_the_cautions_and_the_season():
    made = plan([], GRAVEL, traffic_plan="TCP 14-B")
    assert made.cautions == CAUTIONS
    text = " ".join(CAUTIONS).lower()
    for word in ("traffic", "plant", "edge drop-off", "buried", "local codes", "licensed"):
        assert word in text
    assert made.notes == (SEASON_NOTE, DRY_NOTE)
    assert "moist" in SEASON_NOTE
    assert made.traffic_plan == "TCP 14-B"
