"""Work accepted on a later terrain: lots of station sides, and surveys brought together."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import binom, norm

from analysis.common.cautions import ACCEPTANCE_CAUTION, CAUTIONS
from analysis.common.columns import REACH_COLUMNS
from analysis.common.errors import ReadingsError
from analysis.common.writing import Writing
from analysis.findings.acceptance import NOT_SHOWN, accept_reaches, acceptance_report, judge_lot
from analysis.findings.fieldcheck import ACCEPTED, NOT_ACCEPTED, NOT_COMPARED
from tests.builders.even_road import GRAVEL, findings
from tests.builders.tables import filled

STATIONS = 31


def planned(treatment="reshape", **given):
    """Findings before the work: one reach over all stations of the left side."""
    made = findings(STATIONS, pavement_slope_pct=2.0, pavement_slope_se=0.1, edge_z_m=50.0, **given)
    where = {"road": "Velmarrow Road", "side": "left", "from_m": 995.0, "to_m": 1305.0}
    return replace(made, reaches=filled(REACH_COLUMNS, 1, treatment=treatment, **where))


def surveyed(slope=4.0, drop=0.0, *, slope_se=0.2, drop_se=3.0, seed=0, work=0.2, tilt=0.0):
    """Findings after the work, by a survey whose neighbouring stations share half their cells.

    Work scatters by `work` points, and ten times as many mm at the edge.
    """
    dice = np.random.default_rng(seed)

    def measured(true, scatter, se):
        own = np.broadcast_to(true, STATIONS) + dice.normal(0.0, scatter, STATIONS)
        shared = dice.normal(0.0, se, STATIONS + 1)
        return np.repeat(own + (shared[1:] + shared[:-1]) / np.sqrt(2.0), 2)

    side = np.tile([-1.0, 1.0], STATIONS)
    made = findings(
        STATIONS,
        shoulder_slope_pct=measured(slope, work, slope_se) + tilt * side,
        shoulder_slope_se=slope_se,
        edge_drop_mm=measured(drop, 10.0 * work, drop_se),
        edge_drop_se=drop_se,
        pavement_slope_pct=2.0 + tilt * side,
        pavement_slope_se=0.1,
        edge_z_m=50.023,
    )
    return replace(made, run={**made.run, "made": f"after {seed}"})


def states(count=40, **given):
    return [accept_reaches(planned(), surveyed(seed=k, **given), GRAVEL)[0] for k in range(count)]


HALVES = np.where(np.arange(STATIONS) < STATIONS / 2, 2.2, 6.0)


def test_good_work_passes():
    """At least 95 in 100 of 60 surveys of work that keeps well within what is allowed."""
    assert np.mean([one.state == ACCEPTED for one in states(60)]) >= 0.95


@pytest.mark.parametrize(
    "fault",
    [
        {"drop": -15.0},
        {"slope": HALVES},
        {"drop": -15.0, "slope_se": 0.35, "drop_se": 5.0},
        {"slope": HALVES, "slope_se": 0.35, "drop_se": 5.0},
        {"drop": np.where(np.arange(STATIONS) == 15, 35.0, 0.0)},
    ],
)
def test_failed_work_is_never_accepted(fault):
    """An edge 15 mm high where 10 are allowed; halves right on average only; one deep place."""
    found = [one.state for one in states(**fault)]
    assert ACCEPTED not in found
    assert np.mean([state == NOT_ACCEPTED for state in found]) >= 0.9


def test_a_coarse_survey_says_not_shown():
    """Good work and an edge 15 mm high look alike where a station is known to 14 mm."""
    for drop in (0.0, -15.0):
        found = [one.state for one in states(drop=drop, slope_se=0.6, drop_se=14.0)]
        assert ACCEPTED not in found
    assert NOT_SHOWN in {one.state for one in states(slope_se=0.6, drop_se=14.0)}


def test_surveys_are_brought_together_on_the_pavement():
    """A later survey that is tilted by 1.5 points neither fails good work nor hides poor work."""
    (good,) = accept_reaches(planned(), surveyed(tilt=1.5), GRAVEL)
    assert good.state == ACCEPTED
    assert good.registration.tilt_points == pytest.approx(1.5)
    assert good.registration.level_mm == pytest.approx(23.0)
    # two sides of 31 stations 10 m apart, each sharing half its cells with the next, and two
    # surveys: 0.1 × √2 × √(2 / 31) on a side, half of the two sides together
    assert good.registration.tilt_se == pytest.approx(0.1 * np.sqrt(2.0 * 2.0 / 31.0 / 2.0))
    (poor,) = accept_reaches(planned(), surveyed(slope=2.5, tilt=-1.5), GRAVEL)
    assert poor.state == NOT_ACCEPTED


def test_a_level_that_all_stations_share_is_in_the_mean_and_in_the_lot():
    """An edge that may be off by 8 mm as a whole isn't known better by 31 stations of it."""
    (sure,) = accept_reaches(planned(), surveyed(drop_se=8.5), GRAVEL)
    after = surveyed(drop_se=8.5)
    for name, value in (("edge_drop_shared_se", 8.0), ("edge_drop_place_se", 0.0)):
        after.stations[name][:] = value
    (tied,) = accept_reaches(planned(), after, GRAVEL)
    assert sure.edge_after_se < 3.0 < 8.0 < tied.edge_after_se < 8.3
    assert tied.edge.high - tied.edge.low > sure.edge.high - sure.edge.low
    # where that comes from the edge's place, and the earlier survey knows the place, it goes
    after.stations["edge_drop_place_se"][:], after.stations["edge_offset_m"][:] = 8.0, 3.5
    before = planned(edge_offset_m=3.5, edge_se_m=0.01)
    (placed,) = accept_reaches(before, after, GRAVEL)
    assert placed.edge_after_se < 1.5


def test_a_file_is_not_accepted_against_itself():
    before = planned()
    for name in ("made", "terrain_checksum"):
        run = {**before.run, name: "the same"}
        with pytest.raises(ReadingsError, match="same terrain"):
            accept_reaches(replace(before, run=run), replace(surveyed(), run=run), GRAVEL)


def test_work_half_hidden_on_the_later_terrain_is_not_compared():
    after = surveyed()
    after.stations["shoulder_slope_pct"][: STATIONS + 1] = np.nan
    (made,) = accept_reaches(planned(), after, GRAVEL)
    assert made.known_share == pytest.approx(15 / 31)
    assert made.state == NOT_COMPARED
    assert accept_reaches(planned("none"), after, GRAVEL) == ()
    (gone,) = accept_reaches(planned(), findings(roads=("Elsewhere",)), GRAVEL)
    assert (gone.state, gone.known_share) == (NOT_COMPARED, 0.0)


def test_the_slope_on_the_sheet_is_what_counts():
    """What each station requires scatters with the pavement; accepted is the one slope built."""
    noisy = planned(required_slope_pct=np.repeat(4.0 + 0.6 * np.sin(np.arange(STATIONS)), 2))
    (made,) = accept_reaches(noisy, surveyed(), GRAVEL)
    assert made.required_slope_pct == pytest.approx(4.0, abs=0.05)
    assert made.state == ACCEPTED


# ---------------------------------------------------------------- one lot


def test_an_exact_survey_counts_like_the_binomial():
    """Without errors the lot is what was measured; by chance alone it is the binomial's."""
    off = np.array([0.0, 0.2, -0.4, 0.9, 1.5, 0.1, 0.3, -0.2, 0.0, 0.1])
    lot = judge_lot(off, np.full(10, 1e-9), 0.0, 1.0, 2.0, GRAVEL.field, 0.8)
    assert (lot.within, lot.known, lot.p_rule) == (9, 10, pytest.approx(1.0))
    assert lot.low == lot.high == lot.share == pytest.approx(0.9)
    strict = GRAVEL.with_value("accept_worst_slope_points", 1.0).field
    worst = strict.accept_worst_slope_points.value
    assert judge_lot(off, np.full(10, 1e-9), 0.0, 1.0, worst, strict, 0.8).p_rule < 1e-6


def test_chances_that_all_are_alike_give_the_binomial():
    from analysis.findings.acceptance import _counts

    p = np.full((1, 12), 0.83)
    np.testing.assert_allclose(_counts(p, 1.0 - p)[0], binom.pmf(np.arange(13), 12, 0.83))


def test_unlike_chances_by_enumeration():
    """All 64 ways in which six stations may lie within, beyond, or far beyond."""
    from analysis.findings.acceptance import _counts

    dice = np.random.default_rng(1)
    inside = dice.uniform(0.2, 0.9, (1, 6))
    beyond = (1.0 - inside) * 0.7
    expected = np.zeros(7)
    for which in product((0, 1), repeat=6):
        chance = np.where(which, inside[0], beyond[0]).prod()
        expected[sum(which)] += chance
    np.testing.assert_allclose(_counts(inside, beyond)[0], expected)


def test_one_station_alone_is_judged_by_its_own_error():
    """With a lot of one, its mean is unknown: what is left is the measurement's normal."""
    lot = judge_lot(np.array([0.5]), np.array([0.4]), 0.0, 1.0, 50.0, GRAVEL.field, 0.8)
    expected = norm.cdf(0.5 / 0.4) - norm.cdf(-1.5 / 0.4)
    assert lot.share == pytest.approx(expected, abs=0.25)


# ---------------------------------------------------------------- in words


def test_the_report_says_shares_rule_and_cautions():
    text = acceptance_report(planned(), surveyed())
    assert "Rule for a reach: 90 % of its station sides within 1 % points" in text
    assert "Velmarrow Road, left, 0+995 to 1+305: accepted" in text
    assert "of 31 station sides, truly at" in text
    assert "+23 mm" in text
    told = acceptance_report(planned(), surveyed(), Writing("us"))
    assert "Velmarrow Road, left, 32+64 to 42+8" in told
    assert "+0.9 in" in told
    assert " mm" not in told
    assert text.endswith("\n".join([ACCEPTANCE_CAUTION, *CAUTIONS]))
    assert acceptance_report(planned("none"), surveyed()).startswith("There was no reach")
