"""What runs along a road, against dense sums of numpy."""

import numpy as np

from analysis.common.along import median_of, slope_along


def test_slope_is_that_of_a_line_through_all_places_between_stations():
    s = np.array([0.0, 5.0, 40.0, 50.0, 60.0, 70.0, 80.0, 200.0])
    offset = np.random.default_rng(7).normal(size=8)
    for i, at in enumerate(s):
        low, high = max(at - 25.0, 0.0), min(at + 25.0, 200.0)
        x = low + (np.arange(20_000) + 0.5) / 20_000 * (high - low)
        plain = np.polyfit(x - at, np.interp(x, s, offset), 1)[0]
        np.testing.assert_allclose(slope_along(s, offset, 25.0)[i], plain, rtol=1e-6, atol=1e-9)


def test_slope_hardly_hangs_on_the_spacing_of_the_stations():
    """A line that wanders as drawn ones do, looked at every 10, 5 and 2 m, from either end."""
    whole = np.arange(0.0, 401.0, 10.0)

    def axis(s):
        return 0.6 * np.sin(s / 25.0) + 0.3 * np.sin(s / 60.0 + 1.0)

    slopes = []
    for spacing in (10.0, 5.0, 2.0):
        s = np.arange(0.0, 400.1, spacing)
        slope = slope_along(s, axis(s), 25.0)
        np.testing.assert_allclose(-slope_along(s, axis(s[::-1]), 25.0)[::-1], slope, atol=1e-12)
        slopes.append(slope[np.isin(s, whole)])
    assert np.abs(slopes[1] - slopes[0]).max() < 3e-4
    assert np.abs(slopes[2] - slopes[1]).max() < 1e-4


def test_medians_are_those_of_numpy_to_the_bit():
    """Odd and even numbers of values, with ties, at either end of what a road has of them."""
    rng = np.random.default_rng(11)
    for size in (1, 2, 3, 4, 10, 51, 1000, 100_001, 100_002):
        for values in (rng.normal(size=size), rng.integers(0, 4, size).astype(float)):
            before = values.copy()
            assert median_of(values) == np.median(values)
            np.testing.assert_array_equal(values, before)
