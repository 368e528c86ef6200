"""Exact shares: against another library and published tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from analysis.common.errors import SettingsError
from analysis.findings.proportions import exact_interval, most_share, places_needed


@given(of=st.integers(1, 300), share=st.floats(0.0, 1.0), certainty=st.floats(0.5, 0.999))
def test_interval_is_that_of_scipy(of, share, certainty):
    count = round(share * of)
    expected = binomtest(count, of).proportion_ci(certainty, method="exact")
    assert exact_interval(count, of, certainty) == pytest.approx((expected.low, expected.high))
    upper = binomtest(count, of, alternative="less").proportion_ci(certainty, method="exact")
    assert most_share(count, of, certainty) == pytest.approx(upper.high)


def test_nothing_looked_at_tells_nothing():
    assert exact_interval(0, 0) == (0.0, 1.0)
    assert most_share(0, 0) == 1.0


def test_places_of_published_tables():
    """59, 93, 124, 153 places with 0 to 3 misses show at most 5 % at 95 %.

    Discovery and acceptance sampling tables, such as those for tests of controls in the AICPA's
    Audit Guide "Audit Sampling" (5 % tolerable, 5 % risk: 59 with 0, 93 with 1 expected), and the
    first-order tolerance limits of Wilks (1941): 59, 93, 124, 153; both from memory.
    """
    assert [places_needed(0.05, 0.95, misses) for misses in range(4)] == [59, 93, 124, 153]
    # the same guide: 10 % tolerable at 5 % risk takes 29, 3 % takes 99, 1 % takes 299
    assert [places_needed(share, 0.95) for share in (0.1, 0.03, 0.01)] == [29, 99, 299]


@given(share=st.floats(0.01, 0.6), certainty=st.floats(0.5, 0.99), misses=st.integers(0, 5))
def test_places_needed_are_the_least(share, certainty, misses):
    n = places_needed(share, certainty, misses)
    assert binom.cdf(misses, n, share) <= 1.0 - certainty + 1e-9
    assert n == misses + 1 or binom.cdf(misses, n - 1, share) > 1.0 - certainty - 1e-9


@pytest.mark.parametrize(
    ("given", "word"),
    [((0.0, 0.95, 0), "share"), ((0.05, 1.0, 0), "certainty"), ((0.05, 0.95, -1), "misses")],
)
def test_what_cant_be_shown_is_said(given, word):
    with pytest.raises(SettingsError, match=word):
        places_needed(*given)


def test_far_too_many_places_are_refused():
    with pytest.raises(SettingsError, match="100,000"):
        places_needed(1e-6)
