"""Limits that took readings over: errors grow with the noise, probabilities shift."""

import numpy as np
from scipy.special import expit, logit

from analysis.study.judging import rejudge
from tests.builders.small_study import small_study


def test_errors_follow_the_factor_of_the_noise_and_come_back():
    study = small_study()
    wide = rejudge(study, study.limits.with_value("noise_factor", 2.0))
    before, after = (s.findings.stations for s in (study, wide))
    known = np.isfinite(before["shoulder_slope_se"].astype(float))
    known &= np.isfinite(after["shoulder_slope_se"].astype(float))
    assert known.mean() > 0.7
    ratio = after["shoulder_slope_se"][known] / before["shoulder_slope_se"][known]
    # a part of the errors, that of where the edges lie, hangs on the noise less than linearly
    assert 1.4 < np.median(ratio.astype(float)) <= 2.05
    again = rejudge(wide, study.limits)
    np.testing.assert_allclose(
        again.findings.stations["shoulder_slope_se"].astype(float),
        before["shoulder_slope_se"].astype(float),
    )
    np.testing.assert_allclose(
        again.findings.stations["p_wont_shed"].astype(float),
        before["p_wont_shed"].astype(float),
        rtol=1e-9,
    )


def test_odds_that_water_stays_shift():
    study = small_study()
    wary = rejudge(study, study.limits.with_value("log_odds_shift", 3.0))
    before, after = (s.findings.stations["p_wont_shed"].astype(float) for s in (study, wary))
    np.testing.assert_allclose(after, expit(logit(before) + 3.0))
    was, now = (s.findings.stations["verdict"] for s in (study, wary))
    # whoever is warier calls nothing sound that was not, and nothing that failed sound
    assert not ((now == "sheds") & (was != "sheds")).any()
    assert not ((was == "won't shed") & (now != "won't shed")).any()
    assert (was != now).any()
