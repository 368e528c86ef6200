"""Verdicts and findings of single stations against draws from the stated errors."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.common.limits import default_limits
from analysis.common.verdicts import HOLDING, Finding, Verdict
from analysis.shoulder.section_gaps import OVER_MM, usual_over
from analysis.verdict.labelling import FINDINGS
from analysis.verdict.reasons import describe_stations
from analysis.verdict.stations import judge_stations
from tests.builders.tables import make_measures

_LIMITS = default_limits("gravel")
_SOUND = {
    "pavement_slope_pct": 2.0,
    "pavement_slope_se": 0.2,
    "shoulder_slope_pct": 4.5,
    "shoulder_slope_se": 0.4,
    "slope_cov": 0.0,
    "edge_drop_mm": 0.0,
    "edge_drop_se": 8.0,
    "drop_shoulder_cov": 0.0,
    "rut_mm": 4.0,
    "rut_se": 4.0,
    "ridge_mm": 3.0,
    "ridge_se": 3.0,
}


def _measures(n=1, **values):
    """Measures of n like stations; single columns can be given as numbers or (n, 2) arrays."""
    return make_measures(n, **{**_SOUND, **values})


def _judge(
    measures, *, retained=0.0, retained_se=5.0, chance=10.0, kerb=False, limits=_LIMITS, paved=True
):
    shape = measures.status.shape
    return judge_stations(
        measures,
        SimpleNamespace(
            depth_mm=np.full(shape, retained),
            se_mm=np.full(shape, retained_se),
            chance_mm=np.full(shape, chance),
        ),
        np.full(shape, float(kerb)),
        limits,
        paved=paved,
    )


def _texts(measures, limits=_LIMITS):
    """Sentences (n) of sections that hold nothing, without kerbs."""
    none = np.zeros(measures.status.shape)
    return describe_stations(
        measures,
        _judge(measures, limits=limits),
        limits,
        held_mm=none,
        p_kerb=none,
        kerb=none > 0.0,
        assumed=none > 0.0,
        away_m=np.full(none.shape, np.nan),
    ).ravel()


def _draws(measures, count=400_000):
    """Draw pavement slope, shoulder slope and edge drop with the covariances that are stated."""
    m = measures
    mean = [m.pavement_slope_pct[0, 0], m.shoulder_slope_pct[0, 0], m.edge_drop_mm[0, 0]]
    cov = np.diag([m.pavement_slope_se[0, 0], m.shoulder_slope_se[0, 0], m.edge_drop_se[0, 0]]) ** 2
    cov[0, 1] = cov[1, 0] = m.slope_cov[0, 0]
    cov[1, 2] = cov[2, 1] = m.drop_shoulder_cov[0, 0]
    return np.random.default_rng(7).multivariate_normal(mean, cov, count).T


@pytest.mark.parametrize("cov", [-2.4, 0.0, 2.4])
@pytest.mark.parametrize(("slope", "drop"), [(3.4, -24.0), (4.0, -35.0), (2.9, 0.0), (4.6, -10.0)])
def test_wont_shed_monte_carlo(slope, drop, cov):
    """Too flat or too high, by the joint error of slope and drop.

    Where the least slope of 4 % rules, the pavement doesn't count and the closed form is exact;
    it ties the pavement's part to the drop by the shoulder's correlation alone, so the pavement
    is held still here.
    """
    measures = _measures(
        pavement_slope_pct=1.0,
        pavement_slope_se=0.01,
        shoulder_slope_pct=slope,
        edge_drop_mm=drop,
        drop_shoulder_cov=cov,
    )
    got = _judge(measures)
    _, shoulder, edge = _draws(measures)
    flat = shoulder < 4.0 - _LIMITS.shape.slope_shortfall_points.value
    high = edge < -_LIMITS.shape.high_shoulder_mm.value
    assert got.p_wont_shed[0, 0] == pytest.approx(np.mean(flat | high), abs=0.004)
    assert got.p_high[0, 0] == pytest.approx(np.mean(high), abs=0.004)


@pytest.mark.parametrize("cov", [-0.1, 0.0, 0.1])
@pytest.mark.parametrize(
    ("pavement", "slope"),
    [(-4.0, -4.0), (-4.0, -2.2), (-4.0, -5.2), (-4.0, 0.0), (-4.0, 3.2), (-2.4, -2.4), (4.0, 3.3)],
)
def test_high_side_of_an_unpaved_road_monte_carlo(pavement, slope, cov):
    """It drains outward, or over the road by as much as this falls and not as good as level."""
    limits = _LIMITS.with_value("shoulder_over_pavement_points", 0.0)
    measures = _measures(
        pavement_slope_pct=pavement,
        pavement_slope_se=0.3,
        shoulder_slope_pct=slope,
        shoulder_slope_se=0.6,
        slope_cov=cov,
    )
    road, shoulder, _ = _draws(measures)
    tolerance = limits.shape.slope_shortfall_points.value
    level = limits.shape.unpaved_over_road_least_pct.value - tolerance
    outward = shoulder >= np.minimum(np.maximum(road, 4.0), road + 8.0) - tolerance
    over_road = (shoulder <= -level) & (shoulder >= road - tolerance)
    got = _judge(measures, limits=limits, paved=False)
    assert got.p_flat[0, 0] == pytest.approx(np.mean(~outward & ~over_road), abs=0.006)
    paved = _judge(measures, limits=limits)
    assert paved.p_flat[0, 0] == pytest.approx(np.mean(~outward), abs=0.006)


@pytest.mark.parametrize("drop", [20.0, 48.0, 50.0, 75.0])
def test_drop_and_rut_monte_carlo(drop):
    """An eroded edge, and a rut or a ridge, each by its own error."""
    measures = _measures(edge_drop_mm=drop, rut_mm=drop / 2.0, ridge_mm=12.0)
    got = _judge(measures)
    _, _, edge = _draws(measures)
    assert got.p_drop[0, 0] == pytest.approx(
        np.mean(edge > _LIMITS.shape.edge_drop_mm.value), abs=0.004
    )
    rut = np.random.default_rng(8).normal(drop / 2.0, 4.0, 400_000)
    assert got.p_rut[0, 0] == pytest.approx(np.mean(rut > _LIMITS.shape.rut_mm.value), abs=0.004)


@given(
    arrays(np.float64, (12, 2), elements=st.floats(-12.0, 12.0)),
    arrays(np.float64, (12, 2), elements=st.floats(-150.0, 150.0)),
    arrays(np.float64, (12, 2), elements=st.floats(0.0, 120.0)),
    st.floats(0.05, 5.0),
)
def test_shares_are_exclusive_and_whole(slope, drop, rut, se):
    """The probabilities of no fault and of each fault are none below 0 and sum to 1."""
    measures = _measures(
        12,
        shoulder_slope_pct=slope,
        shoulder_slope_se=se,
        edge_drop_mm=drop,
        rut_mm=rut,
        drop_shoulder_cov=0.3 * se * 8.0,
    )
    got = _judge(measures, retained=12.0, chance=2.0)
    assert (got.p_finding >= -1e-12).all()
    np.testing.assert_allclose(got.p_finding.sum(axis=2), 1.0, atol=1e-12)
    for p in (got.p_wont_shed, got.p_drop, got.p_high, got.p_rut):
        assert ((p >= 0.0) & (p <= 1.0)).all()
    # either fault alone keeps the water: the whole is no less than a part
    assert (got.p_wont_shed >= got.p_high - 1e-9).all()


@pytest.mark.parametrize(
    "name",
    [
        "shoulder_slope_pct",
        "shoulder_slope_se",
        "pavement_slope_pct",
        "edge_drop_mm",
        "edge_drop_se",
        "slope_cov",
        "drop_shoulder_cov",
    ],
)
def test_an_unknown_number_is_never_sheds(name):
    """One NaN among the measures that the verdict rests on, and it can't be told."""
    got = _judge(_measures(**{name: np.nan}))
    assert _judge(_measures()).verdict[0, 0] == Verdict.SHEDS
    assert set(got.verdict.ravel()) == {Verdict.CANT_TELL}
    assert np.isnan(got.p_wont_shed).all()
    if name != "drop_shoulder_cov":  # which fault it is doesn't rest on how two errors go together
        assert set(got.finding.ravel()) == {Verdict.CANT_TELL}
        assert np.isnan(got.p_finding).any(axis=2).all()


def test_an_unknown_rut_is_no_number():
    """Rut and ridge unknown: no probability of one; either alone stands for both."""
    both = _judge(_measures(rut_mm=np.nan, ridge_mm=np.nan))
    assert np.isnan(both.p_rut).all()
    one = _judge(_measures(rut_mm=np.nan, ridge_mm=60.0))
    assert one.p_rut[0, 0] > 0.99 and set(one.finding.ravel()) == {"rutted"}


def test_a_rut_that_couldnt_be_measured_isnt_none():
    """It is as likely there as on any shoulder, as where cells are too coarse for ruts.

    What is sure otherwise stays sound, so that who signs it reads that ruts weren't measured; what
    just was sound isn't any more, and where shallow ruts count nothing is.
    """
    known = _measures(rut_mm=0.0, rut_se=1.0, ridge_mm=0.0, ridge_se=1.0)
    unknown = _measures(rut_mm=np.nan, ridge_mm=np.nan, rut_detectable_mm=np.nan)
    sound = _judge(known).p_finding[0, 0, 0]
    left = _judge(unknown).p_finding[0, 0, 0] / sound
    assert left == pytest.approx(1.0 - usual_over()[OVER_MM.index(30.0)], abs=1e-3)
    assert 0.9 < left < 0.97
    assert set(_judge(unknown).finding.ravel()) == {Finding.NONE}
    assert all(text.endswith("; ruts couldn't be measured.") for text in _texts(unknown))
    blind = _measures(rut_detectable_mm=4e9)
    assert all(text.endswith("; ruts don't show.") for text in _texts(blind))
    for limits in (
        _LIMITS.with_value("rut_mm", 5.0),
        _LIMITS.with_value("certainty", float(1.0 - 0.5 * (1.0 - left))),
    ):
        assert set(_judge(known, limits=limits).finding.ravel()) == {Finding.NONE}
        blind = _judge(unknown, limits=limits)
        assert set(blind.finding.ravel()) == {Finding.CANT_TELL}
        assert set(blind.likeliest.ravel()) == {Finding.RUTTED}
        assert np.isnan(blind.p_rut).all() and (blind.p_likeliest > 0.05).all()
        for text in _texts(unknown, limits):
            assert text.startswith("Can't tell whether it is rutted: ruts couldn't be measured (")
            assert "nan" not in text


def test_an_unmeasured_rut_accuses_nobody():
    """What is as usual is no evidence of a fault: worn is what was seen to be."""
    known, unknown = _measures(), _measures(rut_mm=np.nan, ridge_mm=np.nan)
    limits = _LIMITS.with_value("rut_mm", 5.0)
    np.testing.assert_array_less(
        _judge(unknown, limits=limits).p_worn, _judge(known, limits=limits).p_worn + 1e-12
    )


def test_status_rules_the_verdict():
    """No data, not judged and too coarse keep their own words whatever the numbers say."""
    measures = _measures(4)
    measures.status[:] = [[0, 1], [1, 2], [2, 3], [3, 0]]
    got = _judge(measures)
    assert got.verdict.tolist() == [
        [Verdict.SHEDS, Verdict.NO_DATA],
        [Verdict.NO_DATA, Verdict.CANT_TELL],
        [Verdict.CANT_TELL, Verdict.CANT_TELL],
        [Verdict.CANT_TELL, Verdict.SHEDS],
    ]
    np.testing.assert_array_equal(got.finding == "none", got.verdict == Verdict.SHEDS)
    for p in (got.p_wont_shed, got.p_drop, got.p_high, got.p_rut):
        np.testing.assert_array_equal(np.isnan(p), measures.status != 0)
    np.testing.assert_array_equal(np.isnan(got.p_finding).all(axis=2), measures.status != 0)


@pytest.mark.parametrize(
    ("values", "finding"),
    [
        ({"shoulder_slope_pct": 1.5}, "flat"),
        ({"shoulder_slope_pct": -2.0}, "reversed"),
        ({"edge_drop_mm": -60.0}, "high"),
        ({"edge_drop_mm": 90.0}, "eroded edge"),
        ({"rut_mm": 60.0}, "rutted"),
        ({"ridge_mm": 60.0}, "rutted"),
        ({"shoulder_slope_pct": 13.0}, "too steep"),
        ({"shoulder_slope_pct": 6.0, "pavement_slope_pct": -6.0}, "breakover"),
    ],
)
def test_plain_faults_get_their_names(values, finding):
    """A fault many errors beyond its limit is named, and only water faults say "won't shed"."""
    got = _judge(_measures(**values))
    assert set(got.finding.ravel()) == {finding}
    water = finding in ("flat", "reversed", "high")
    assert set(got.verdict.ravel()) == {Verdict.WONT_SHED if water else Verdict.SHEDS}
    assert got.p_finding[0, 0].argmax() == FINDINGS.index(finding)


def test_water_held_and_kerbs():
    """A pond beyond chance is a fault of its own; at a kerb a high edge is meant to be."""
    pond = _judge(_measures(), retained=60.0)
    assert set(pond.finding.ravel()) == {"ponding"} and set(pond.verdict.ravel()) == {
        Verdict.WONT_SHED
    }
    chance = _judge(_measures(), retained=60.0, chance=70.0)
    assert set(chance.verdict.ravel()) == {Verdict.SHEDS}
    kerb = _judge(_measures(edge_drop_mm=-120.0), kerb=True)
    assert set(kerb.p_high.ravel()) == {0.0} and set(kerb.verdict.ravel()) == {Verdict.SHEDS}


@pytest.mark.parametrize(
    ("kerb", "finding"), [(0.1, "high"), (0.5, "kerb or high shoulder"), (0.9, "none")]
)
def test_a_step_up_is_named_by_how_likely_it_is_a_kerb(kerb, finding):
    """Where neither is certain both are named; over either, water can't leave."""
    got = _judge(_measures(edge_drop_mm=-120.0), kerb=kerb)
    assert set(got.finding.ravel()) == {finding}
    stays = finding != "none"
    assert set(got.verdict.ravel()) == {Verdict.WONT_SHED if stays else Verdict.SHEDS}


@pytest.mark.parametrize("retained", [15.0, 20.0, 28.0])
def test_one_rule_for_water_at_the_edge(retained):
    """A step within the limit for a high shoulder holds what it holds; more than that ponds."""
    step = {"edge_drop_mm": -retained, "edge_drop_se": 1.0}
    held = {"retained_se": 1.0, "chance": 3.0}
    edge = _judge(_measures(**step), retained=retained, **held)
    assert (edge.p_pond < 0.01).all() and set(edge.finding.ravel()) == {"none"}
    rut = _judge(_measures(**step), retained=retained + 40.0, **held)
    assert (rut.p_pond > 0.99).all() and set(rut.finding.ravel()) == {"ponding"}


@given(
    arrays(np.float64, (12, 2), elements=st.floats(-12.0, 16.0)),
    arrays(np.float64, (12, 2), elements=st.floats(-150.0, 150.0)),
    arrays(np.float64, (12, 2), elements=st.floats(0.0, 120.0)),
    st.floats(0.05, 3.0),
    st.floats(0.0, 1.0),
)
def test_verdict_finding_and_chance_never_contradict(slope, drop, rut, se, kerb):
    measures = _measures(
        12, shoulder_slope_pct=slope, shoulder_slope_se=se, edge_drop_mm=drop, rut_mm=rut
    )
    got = _judge(measures, kerb=kerb)
    certainty = _LIMITS.decision.certainty.value
    stays, leaves = got.verdict == Verdict.WONT_SHED, got.verdict == Verdict.SHEDS
    assert (got.p_wont_shed[stays] >= certainty).all()
    assert (got.p_wont_shed[leaves] <= 1.0 - certainty).all()
    assert stays[np.isin(got.finding, HOLDING)].all() and leaves[got.finding == "none"].all()
    open_ = got.finding == Finding.CANT_TELL
    assert (got.verdict[open_] == Verdict.CANT_TELL).all()


def test_certainty_rules_how_much_is_left_open():
    """Asked to be surer, the verdict leaves more open and never turns round."""
    slopes = np.linspace(2.0, 5.0, 61)[:, None]
    measures = _measures(61, shoulder_slope_pct=slopes)
    loose = _judge(measures, limits=_LIMITS.with_value("certainty", 0.7)).verdict
    strict = _judge(measures, limits=_LIMITS.with_value("certainty", 0.99)).verdict
    assert (strict == Verdict.CANT_TELL).sum() > (loose == Verdict.CANT_TELL).sum() > 0
    told = strict != Verdict.CANT_TELL
    np.testing.assert_array_equal(strict[told], loose[told])
