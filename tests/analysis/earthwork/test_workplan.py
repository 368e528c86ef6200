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
from analysis.earthwork.costs import Rates
from analysis.earthwork.notes import DRY_NOTE, SEASON_NOTE
from analysis.earthwork.production import loose_rise_mm, pass_hours
from analysis.earthwork.workplan import plan, snap_outward
from tests.builders.work import reach

GRAVEL = default_limits("gravel")


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
    # two cutting and two spreading passes at 4 km/h, one finishing pass at 3 km/h; runs of 500 m
    # and more have E 1.0
    assert item.grader_passes == 5
    assert item.grader_h == pytest.approx(4 * 1.0 / (4 * 1.0) + 1.0 / (3 * 1.0))
    # 1.5 m takes two widths of a 1.2 m roller, four passes each at 4 km/h, E 0.75
    assert item.roller_passes == 8
    assert item.roller_h == pytest.approx(8 * 1.0 / (4 * 0.75))
    # 10 m3 bank are bladed, 9.546 m3 compacted at 2.1 t/m3, 4 % water
    assert item.water_m3 == pytest.approx(10.0 * 0.9546 * 2.1 * 0.04)
    assert (item.import_loads, item.truck_h, item.trucks) == (0, 0.0, 0)
    # half of the grader's 1.33 h beside the roller's 2.67 h
    assert item.crew_h == pytest.approx(item.roller_h + 0.5 * item.grader_h)


def test_replenishing_needs_trucks_enough_to_keep_the_grader_going():
    # 151 m3 loose of 228 t: 15.1 loads by volume, 11.4 by mass
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
    assert item.import_loads == pytest.approx(15.1)
    # 10 km each way at 40 km/h and 15 min: 0.75 h a trip
    assert item.truck_cycle_h == pytest.approx(0.75)
    assert item.truck_h == pytest.approx(15.1 * 0.75)
    # The grader takes 0.83 h: each truck can make two trips, the second one after 0.75 h.
    assert item.trucks == 8


@given(loads=st.integers(0, 60), length=st.floats(30.0, 3000.0))
def test_fewest_trucks_that_keep_the_grader_going(loads, length):
    item = plan(
        [reach(0.0, length, "replenish", import_m3_loose=10.0 * loads, import_t=1.0)], GRAVEL
    ).items[0]

    def last_load_h(trucks):
        return (math.ceil(loads / trucks) - 1) * item.truck_cycle_h

    if loads == 0:
        assert item.trucks == 0
        return
    assert last_load_h(item.trucks) <= item.grader_h + 1e-6
    if item.trucks > 1:
        assert last_load_h(item.trucks - 1) > item.grader_h - 1e-6


def test_loads_are_pooled_over_a_stretch():
    """20 reaches of 4.73 m3 worked together are 94.6 m3: 10 loads of 10 m3, not 20."""
    reaches = [
        reach(40.0 * k, 40.0 * k + 20.0, "replenish", import_m3_loose=4.73, import_t=8.5)
        for k in range(20)
    ]
    made = plan(reaches, GRAVEL)
    assert {item.stretch for item in made.items} == {1}
    assert made.totals.import_m3_loose == pytest.approx(94.6)
    assert made.totals.import_loads == 10
    assert made.totals.truck_h == pytest.approx(7.5)
    # Two stretches are two jobs: 4.73 loads each are 5 and 5.
    apart = [
        replace(r, from_m=r.from_m + 5000.0 * (k > 9), to_m=r.to_m + 5000.0 * (k > 9))
        for k, r in enumerate(reaches)
    ]
    assert plan(apart, GRAVEL).totals.import_loads == 5 + 5


def test_surplus_is_hauled_too():
    item = plan([reach(0.0, 500.0, haul_away_m3_loose=31.0)], GRAVEL).items[0]
    assert item.away_loads == pytest.approx(3.1)
    assert item.truck_h == pytest.approx(3.1 * 0.75)


def test_surplus_stays_on_the_foreslope_where_it_may():
    """0.05 m3 a metre over 500 m is 25 m3; a critical or unknown foreslope takes none."""
    limits = GRAVEL.with_value("foreslope_place_m3_m", 0.05)
    for foreslope_pct, placed in ((25.0, 25.0), (40.0, 0.0), (math.nan, 0.0)):
        one = reach(0.0, 500.0, haul_away_m3_loose=31.0, foreslope_pct=foreslope_pct)
        item = plan([one], limits).items[0]
        assert item.placed_m3_loose == pytest.approx(placed)
        assert item.away_m3_loose == pytest.approx(31.0 - placed)
        assert any("on the foreslope, clear" in note for note in item.notes) == (placed > 0.0)


def test_deep_fill_is_placed_in_lifts():
    thin = plan([reach(0.0, 100.0, fill_m3_compacted=20.0)], GRAVEL).items[0]
    deep = plan([reach(0.0, 100.0, fill_m3_compacted=30.0)], GRAVEL).items[0]
    # 20 m3 over 100 m by 1.5 m is 133 mm, 30 m3 is 200 mm: over 150 mm (common practice)
    assert (thin.lifts, deep.lifts) == (1, 2)
    assert deep.grader_passes == thin.grader_passes + GRAVEL.work.spread_passes.value
    assert deep.roller_h == pytest.approx(2 * thin.roller_h)
    assert any("200 mm" in note and "2 lifts" in note for note in deep.notes)
    # 100 mm of the last lift at 0.86 compacted per loose settle by 16 mm
    assert any("Leave the last lift 16 mm above" in note for note in deep.notes)


def test_wide_shoulder_takes_more_lanes():
    narrow = plan([reach(0.0, 100.0, width_m=3.0)], GRAVEL).items[0]
    wide = plan([reach(0.0, 100.0, width_m=3.1)], GRAVEL).items[0]
    assert (narrow.lanes, wide.lanes) == (1, 2)
    assert wide.grader_h == pytest.approx(2 * narrow.grader_h)


def test_ditch_cleaning():
    both = plan([reach(0.0, 200.0, "reshape and clean ditch", ditch_clean_m=80.0)], GRAVEL).items[0]
    # four passes at 3 km/h; E of 80 m lies between 0.4 at 50 m and 0.6 at 100 m
    assert both.ditch_m == 80.0
    assert both.ditch_h == pytest.approx(4 * 0.08 / (3 * 0.52))
    # an unknown depth: 0.1 m off a bottom of 0.5 m, 0.9 m wide above, is 0.07 m2; loose 1.11
    assert both.spoil_m3_loose == pytest.approx(80.0 * 0.07 * 1.11)
    assert both.away_m3_loose == pytest.approx(both.spoil_m3_loose)
    assert any("outlet and at every culvert" in note for note in both.notes)
    kept = plan([both.reach], GRAVEL.with_value("spoil_placed", 1.0)).items[0]
    assert (kept.spoil_m3_loose, kept.away_m3_loose) == (both.spoil_m3_loose, 0.0)
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
    assert "How much is filled isn't known" in text
    calm = plan([reach(0.0, 100.0, worst_drop_mm=10.0, foreslope_pct=25.0)], GRAVEL).items[0]
    assert len(calm.notes) == 1


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


def test_what_may_be_a_kerb_is_looked_at_first_whatever_its_rank():
    kerb = reach(150.0, 190.0, finding="kerb or high shoulder", rank=7)
    doubts = [reach(a, a + 40.0, "can't tell", rank=r) for a, r in ((200.0, 9), (300.0, 8))]
    made = plan([*doubts, reach(0.0, 50.0, rank=1), kerb], GRAVEL)
    assert [v.from_m for v in made.visits] == [150.0, 300.0, 200.0]
    (item,) = (i for i in made.items if i.reach.finding == "kerb or high shoulder")
    assert "look before anything is cut" in item.notes[0]


def test_a_grader_turns_only_at_the_ends_of_what_it_works_on_a_stretch():
    """Two pieces of 50 m, 20 m apart, go at the efficiency of 100 m; each alone at that of 50."""
    near = plan([reach(0.0, 50.0), reach(70.0, 120.0)], GRAVEL).items
    apart = plan([reach(0.0, 50.0), reach(2070.0, 2120.0)], GRAVEL).items
    work = GRAVEL.work
    # two cutting and two spreading passes at 4 km/h, one finishing at 3 km/h: 0.0667 h at E 1
    whole = 0.05 * (4 / 4.0 + 1 / 3.0)
    for item in near:
        assert item.grader_h == pytest.approx(whole / work.efficiency_100_m.value)
    for item in apart:
        assert item.grader_h == pytest.approx(whole / work.efficiency_50_m.value)
    # the other side is another run
    sides = plan([reach(0.0, 50.0), reach(70.0, 120.0, side="right")], GRAVEL).items
    assert [item.grader_h for item in sides] == [item.grader_h for item in apart]


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
    for name in ("grader_h", "roller_h", "water_m3", "ditch_h", "spoil_m3_loose"):
        total = sum(getattr(item, name) for item in made.items)
        assert getattr(made.totals, name) == pytest.approx(total)
    assert made.totals.fill_m3_compacted == pytest.approx(9.0)
    spoil = 60.0 * 0.07 * 1.11
    assert made.totals.away_m3_loose == pytest.approx(12.0 + spoil)
    # 2 loads come; 12 m3 and the spoil of 4.7 m3 go in 2
    assert (made.totals.import_loads, made.totals.away_loads) == (2, 2)
    assert made.totals.truck_h == pytest.approx(4 * 0.75)
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


@pytest.mark.parametrize(
    ("run_m", "efficiency"), [(20.0, 0.4), (50.0, 0.4), (100.0, 0.6), (200.0, 0.8), (500.0, 1.0)]
)
def test_efficiency_by_length_of_run(run_m, efficiency):
    # runs of 50, 100, 200, 500 m: 0.4, 0.6, 0.8, 1.0 (seen second-hand)
    item = plan([reach(0.0, run_m, fill_m3_compacted=1.0)], GRAVEL).items[0]
    hours = (4 / 4.0 + 1 / 3.0) * run_m / 1000.0
    assert item.grader_h == pytest.approx(hours / efficiency)


def test_settings_change_the_hours():
    slow = GRAVEL.with_value("efficiency_200_m", 0.4)
    base = plan([reach(0.0, 200.0)], GRAVEL).items[0]
    assert plan([reach(0.0, 200.0)], slow).items[0].grader_h == pytest.approx(2 * base.grader_h)


# ---------------------------------------------------------------- three reaches by hand


def test_reshaping_100_m_by_hand():
    """A flat shoulder, 1.5 m wide: what stands high fills what lies low.

    Cut 6 m³ bank, fill 5.1 m³ compacted over 60 of the 100 m.
    """
    item = plan(
        [reach(0.0, 100.0, cut_m3_bank=6.0, fill_m3_compacted=5.1, filled_m=60.0)], GRAVEL
    ).items[0]
    # fill: 5.1 / (60 × 1.5) = 0.0567 m; rise before rolling 57 × (1 / 0.86 - 1) = 9.2 mm
    assert "Leave the fill 9 mm above its finished height, 16 mm for each 100 mm" in item.notes[0]
    assert "57 mm deep" in item.notes[0]
    # grader: one lane; cut 2 at 4, spread 2 at 4, finish 1 at 3 km/h over 0.1 km, E 0.6:
    # 0.1 × (0.5 + 0.5 + 0.3333) / 0.6 = 0.2222 h
    assert (item.lanes, item.lifts) == (1, 1)
    assert item.grader_h == pytest.approx(0.2222, abs=1e-4)
    # roller 1.2 m with 0.1 m overlap: (1.5 - 0.1) / 1.1 = 1.3, two widths of four passes at
    # 4 km/h, E 0.75: 8 × 0.1 / 3 = 0.2667 h
    assert item.roller_h == pytest.approx(0.2667, abs=1e-4)
    # half of the shorter beside the longer: 0.2667 + 0.1111 = 0.3778 h
    assert item.crew_h == pytest.approx(0.3778, abs=1e-4)
    # water: max(5.1, 6 × 1.11 × 0.86 = 5.728) × 2.1 t × 4 % = 0.481 m³
    assert item.water_m3 == pytest.approx(0.481, abs=1e-3)
    assert (item.import_loads, item.away_loads) == (0.0, 0.0)


def test_replenishing_240_m_by_hand():
    """An eroded edge, 50 mm low at 8 % where 5 % is to be built, 1.5 m wide.

    Fill area 0.05 × 1.5 + 0.03 × 1.5² / 2 = 0.10875 m² (standards' constructed example), over
    240 m 26.1 m³ compacted; loose 26.1 / 0.86 = 30.35 m³; 26.1 × 2.1 = 54.81 t.
    """
    fill = 0.10875 * 240.0
    rates = Rates(currency="kr", grader_per_h=900.0, truck_per_h=700.0, material_per_t=120.0)
    item = plan(
        [
            reach(
                0.0, 240.0, "replenish", cut_m3_bank=0.0, fill_m3_compacted=fill, filled_m=240.0,
                import_m3_loose=fill / 0.86, import_t=2.1 * fill,
            )
        ],
        GRAVEL,
        rates,
    ).items[0]  # fmt: skip
    # depth 26.1 / (240 × 1.5) = 72.5 mm; rise 72.5 × 0.1628 = 11.8 mm
    assert "Leave the fill 12 mm above" in item.notes[0] and "72 mm deep" in item.notes[0]
    # no cut: spread 2 at 4, finish 1 at 3 over 0.24 km; E = 0.8 + 0.2 × 40 / 300 = 0.82667:
    # 0.24 × 0.83333 / 0.82667 = 0.2419 h
    assert item.grader_h == pytest.approx(0.2419, abs=1e-4)
    # loads by volume 3.035, by mass 54.81 / 20 = 2.741; 2 × 10 / 40 + 0.25 = 0.75 h a trip
    assert item.import_loads == pytest.approx(3.035, abs=1e-3)
    assert item.truck_h == pytest.approx(2.276, abs=1e-3)
    # 4 whole loads, all needed within 0.24 h: 4 trucks
    assert item.trucks == 4
    # 900 × 0.2419 + 700 × 2.276 + 120 × 54.81
    assert dict(item.costs.parts) == pytest.approx(
        {"grader": 217.7, "trucks": 1593.2, "material": 6577.2}, abs=0.5
    )


def test_reshaping_and_cleaning_60_m_by_hand():
    """A high shoulder, 1.2 m wide, 40 mm proud and flat where 5 % is built, over a filled ditch.

    Cut area 0.04 × 1.2 + 0.05 × 1.2² / 2 = 0.084 m² (standards' constructed example), over 60 m
    5.04 m³ bank, loose × 1.11 = 5.594 m³, all of it surplus. The ditch, 0.1 m deep where 0.3 m is
    asked for, loses 0.2 × (0.5 + 2 × 0.2) = 0.18 m², 10.8 m³ bank, 11.988 m³ loose.
    """
    cut = 0.084 * 60.0
    limits = GRAVEL.with_value("foreslope_place_m3_m", 0.05).with_value("spoil_placed", 0.25)
    item = plan(
        [
            reach(
                0.0, 60.0, "reshape and clean ditch", width_m=1.2, cut_m3_bank=cut,
                fill_m3_compacted=0.0, haul_away_m3_loose=1.11 * cut, ditch_clean_m=60.0,
                ditch_depth_m=0.1, foreslope_pct=25.0,
            )
        ],
        limits,
    ).items[0]  # fmt: skip
    assert item.notes[0].startswith("Nothing is filled here: leave no loose material above")
    assert item.spoil_m3_loose == pytest.approx(11.988)
    # of the surplus 60 × 0.05 = 3 m³ stay on the foreslope, of the spoil a quarter beside it
    assert item.placed_m3_loose == pytest.approx(3.0)
    assert item.away_m3_loose == pytest.approx(5.5944 - 3.0 + 0.75 * 11.988)
    # 11.585 m³ loose × 0.86 × 2.1 = 20.9 t: 1.159 loads by volume, 1.046 by mass
    assert item.away_loads == pytest.approx(1.1585, abs=1e-4)
    # E of a run of 60 m: 0.4 + 0.2 × 10 / 50 = 0.44; grader 0.06 × 1.3333 / 0.44 = 0.1818 h,
    # ditch 4 passes at 3 km/h: 0.06 × 1.3333 / 0.44 = 0.1818 h
    assert item.grader_h == pytest.approx(0.1818, abs=1e-4)
    assert item.ditch_h == pytest.approx(0.1818, abs=1e-4)
    # roller one width, 4 × 0.06 / (4 × 0.75) = 0.08 h, half of it beside the 0.3636 h
    assert item.roller_h == pytest.approx(0.08)
    assert item.crew_h == pytest.approx(0.4036, abs=1e-4)


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
