"""What a grid can tell: handbook lines, all cells one by one, quality levels, words."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from analysis.cli import main
from analysis.common.errors import SettingsError
from analysis.common.sides import Source
from analysis.edges.values import Breaks
from analysis.shoulder.resolving import (
    LEAST_CELLS_ACROSS,
    MOST_DROP_SE_MM,
    MOST_SLOPE_SE,
    averaging_lengths,
    least_average,
    line_covariance,
    resolving_of,
    resolving_power,
    resolving_text,
    road_resolving_text,
    too_coarse,
)
from analysis.shoulder.straightedge import SLANT
from analysis.shoulder.values import Noise, Reason, Status, Why
from tests.builders.tables import make_measures

# -- handbook lines --------------------------------------------------------------------------------


def _line(x):
    return np.column_stack([np.ones(len(x)), x])


def _slope_se(x, sigma):
    return 100.0 * np.sqrt(line_covariance(_line(np.asarray(x, float)), sigma)[1, 1])


def test_line_covariance_slope_fit():
    """Constructed example: x = 0..3, residual SD 0.012649 m, slope SE 0.5657 %."""
    x, z = np.arange(4.0), np.array([100.01, 99.97, 99.97, 99.93])
    beta, rest, _, _ = np.linalg.lstsq(_line(x), z, rcond=None)
    sigma = np.sqrt(rest[0] / 2.0)
    assert -100.0 * beta[1] == pytest.approx(2.4)
    assert sigma == pytest.approx(0.012649, abs=1e-6)
    assert _slope_se(x, sigma) == pytest.approx(0.5657, abs=1e-4)


@pytest.mark.parametrize(
    ("x", "sigma", "expected"),
    [
        (np.arange(4) * 1.0, 0.03, 1.342),
        (np.arange(4) * 1.0, 0.06, 2.683),
        (np.arange(4) * 0.5, 0.03, 2.683),
        ([0.0, 3.6], 0.03, 1.179),
        ([0.0, 3.6], 0.00509, 0.2),
        (np.repeat([-0.5, 0.5], 10), 0.03, 1.342),
    ],
)
def test_line_covariance_slope_noise(x, sigma, expected):
    """Constructed examples: sigma / sqrt(sum of squares about the mean).

    The last: 20 native cells 0.5 m to either side of the middle, 0.03 / sqrt(20 * 0.25).
    """
    assert _slope_se(x, sigma) == pytest.approx(expected, abs=1.5e-3)


@pytest.mark.parametrize(
    ("cell", "lane", "shoulder", "sds", "sections"),
    [
        (1.0, 3, 2, (39.8, 59.7, 119.4), (16, 36, 143)),
        (0.5, 7, 3, (28.6, 42.8, 85.7), (9, 19, 74)),
        (0.25, 14, 8, (17.8, 26.7, 53.4), (4, 8, 29)),
    ],
)
def test_line_covariance_edge_drop_noise(cell, lane, shoulder, sds, sections):
    """Constructed examples: two lines extrapolated to the edge, centres at half cells.

    Drop SD in mm at 20, 30 and 60 mm noise, and how many sections bring it to 10 mm.
    """
    x = np.concatenate([-(np.arange(lane) + 0.5), np.arange(shoulder) + 0.5]) * cell
    out = x > 0.0
    design = np.column_stack([~out, ~out * x, out, out * x]).astype(float)
    step = np.array([-1.0, 0.0, 1.0, 0.0])
    for sigma, sd, count in zip((0.02, 0.03, 0.06), sds, sections, strict=True):
        variance = step @ line_covariance(design, sigma) @ step
        assert 1000.0 * np.sqrt(variance) == pytest.approx(sd, abs=0.06)
        least = 1 + next(
            k
            for k in range(200)
            if step @ line_covariance(design, sigma, cells=k + 1.0) @ step <= 0.01**2
        )
        assert least == count


def test_line_covariance_design_page_figures():
    """1.9 m shoulder of 0.5 m cells, 20 mm, 20 m: 0.28 points through the cells' footprint.

    Leaving out a cell beside edge and hinge gives 0.85; 1 m cells, 30 mm, 2 m, 10 m about 1.3.
    """
    power = resolving_power(0.5, 0.02, 1.9, 20.0)
    assert power.given_slope_se == pytest.approx(0.28, abs=0.02)
    x = np.linspace(0.5, 1.4, 400)
    guarded = line_covariance(_line(x), 0.02, cells=20.0 * 0.9 / 400 / 0.25)
    assert 100.0 * np.sqrt(guarded[1, 1]) == pytest.approx(0.85, abs=0.1)
    assert resolving_power(1.0, 0.03, 2.0, 10.0).given_slope_se == pytest.approx(1.3, abs=0.1)


# -- cell by cell ----------------------------------------------------------------------------------


def _cell_by_cell(cell, sigma, width, average, tie, nugget, turn):
    """Standard errors of an unweighted fit to all cells of a lattice, summed over all pairs.

    What each cell sees of each piece is a plain mean over points in it. Edge and hinge are known.
    """
    reach = int(1.2 * average / cell) + 20
    i, j = (part.ravel() for part in np.mgrid[-reach:reach, -reach:reach])
    s = cell * (i * np.cos(turn) - j * np.sin(turn))
    x = cell * (i * np.sin(turn) + j * np.cos(turn)) + 0.217
    box = cell * np.array([np.cos(turn), np.sin(turn)])
    inner = -min(3.5 - 0.5 * box.sum() - 0.25, 4.5)
    near = (np.abs(s) < 0.5 * average) & (x > inner) & (x < width + 1.25)
    s, x = s[near], x[near]
    part = (np.arange(16) + 0.5) / 16 - 0.5
    inside = (x[:, None, None] + box[0] * part[:, None] + box[1] * part).reshape(x.size, -1)
    pieces = (
        np.ones_like(inside),
        inside,
        np.maximum(inside, 0.0),
        np.where(inside > 0.0, -1.0, 0.0),
        np.maximum(inside - width, 0.0),
    )
    t = 2.0 * s / average
    design = np.column_stack([*(p.mean(axis=1) for p in pieces), t, t * t, t * x])
    apart = np.hypot(s[:, None] - s, x[:, None] - x)
    alike = np.eye(s.size)
    if tie > 0.0:
        alike = np.where(apart == 0.0, 1.0, (1.0 - nugget) * np.exp(-apart / tie))
    inverse = np.linalg.inv(design.T @ design)
    covariance = sigma**2 * inverse @ design.T @ alike @ design @ inverse
    slope = np.array([0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    return 100.0 * np.sqrt(slope @ covariance @ slope), 1000.0 * np.sqrt(covariance[3, 3])


@pytest.mark.parametrize(
    ("cell", "width", "average", "tie", "nugget"),
    [
        (0.5, 1.5, 20.0, 0.0, 1.0),
        (0.5, 1.5, 20.0, 1.0, 0.3),
        (0.5, 2.5, 10.0, 2.0, 0.5),
        (1.0, 2.0, 30.0, 0.0, 1.0),
        (1.0, 2.0, 30.0, 1.5, 0.2),
        (0.25, 1.0, 6.0, 0.5, 0.4),
    ],
)
def test_resolving_power_cell_by_cell(cell, width, average, tie, nugget):
    """Line means give what all cells and their full covariance give."""
    power = resolving_power(cell, 0.02, width, average, correlation_m=tie, nugget=nugget)
    turn = np.arctan2(SLANT[1], SLANT[0])
    slope, drop = _cell_by_cell(cell, 0.02, width, average, tie, nugget, turn)
    assert power.given_slope_se == pytest.approx(slope, rel=0.12)
    assert power.given_drop_se == pytest.approx(drop, rel=0.12)


def test_resolving_power_any_direction():
    """The direction of the cells' rows matters little at three cells across."""
    power = resolving_power(0.5, 0.02, 1.5, 20.0)
    for turn in np.deg2rad([4.0, 12.0, 30.0, 41.0]):
        slope, drop = _cell_by_cell(0.5, 0.02, 1.5, 20.0, 0.0, 1.0, turn)
        assert power.given_slope_se == pytest.approx(slope, rel=0.2)
        assert power.given_drop_se == pytest.approx(drop, rel=0.2)


def test_resolving_power_certainty_comes_true():
    """Slopes drawn about 2 and 4 % fall on the right side of 3 as often as told."""
    power = resolving_power(0.5, 0.03, 1.5, 20.0)
    draws = 2.0 + power.slope_se * np.random.default_rng(3).standard_normal(200_000)
    assert np.mean(draws < 3.0) == pytest.approx(power.certainty, abs=0.003)
    assert power.certainty == pytest.approx(norm.cdf(1.0 / power.slope_se))
    assert power.tells_4_from_2 == (power.certainty >= 0.95)


@settings(deadline=None, max_examples=25)
@given(
    st.floats(0.2, 1.0),
    st.floats(0.005, 0.1),
    st.floats(1.7, 4.0),
    st.floats(5.0, 100.0),
    st.floats(0.0, 3.0),
)
def test_resolving_power_orders(cell, sigma, width, average, tie):
    """Longer, wider and quieter is never worse; given edges are never worse than found ones.

    Cells that hang together aren't weighed for it, so that knowing more may cost a percent.
    """
    base = resolving_power(cell, sigma, width, average, correlation_m=tie)
    assert 0.0 < base.given_slope_se <= base.slope_se * 1.02
    assert base.given_drop_se <= base.drop_se * 1.02
    for better in (
        resolving_power(cell, sigma, width, 2.0 * average, correlation_m=tie),
        resolving_power(cell, 0.5 * sigma, width, average, correlation_m=tie),
        resolving_power(cell, sigma, 1.5 * width, average, correlation_m=tie),
    ):
        assert better.slope_se <= base.slope_se * 1.02
        assert better.certainty >= base.certainty - 0.01


def test_resolving_power_effective_cells():
    """White noise: every cell counts; noise that hangs together at half a cell: fewer do."""
    white = resolving_power(0.5, 0.02, 1.5, 20.0)
    assert white.effective_cells == pytest.approx(1.5 * 20.0 / 0.25)
    tied = resolving_power(0.5, 0.02, 1.5, 20.0, correlation_m=0.7, nugget=0.0)
    assert 0.1 < tied.effective_cells / white.effective_cells < 0.9


# -- averaging length ------------------------------------------------------------------------------


@pytest.mark.parametrize(("cell", "sigma", "width"), [(0.5, 0.02, 1.5), (1.0, 0.03, 2.5)])
@pytest.mark.parametrize("tie", [0.0, 1.0])
def test_least_average_is_the_least(cell, sigma, width, tie):
    """A little longer tells, a little shorter doesn't."""
    least = least_average(cell, sigma, width, correlation_m=tie)
    longer = resolving_power(cell, sigma, width, 1.02 * least, correlation_m=tie)
    shorter = resolving_power(cell, sigma, width, 0.97 * least, correlation_m=tie)
    assert longer.tells_4_from_2 and not shorter.tells_4_from_2


def test_least_average_goes_with_the_square():
    """White noise: twice the noise or half the difference needs four times the length."""
    base = least_average(0.5, 0.02, 1.5, edges_given=True)
    twice = least_average(0.5, 0.04, 1.5, edges_given=True)
    finer = least_average(0.5, 0.02, 1.5, difference_pct=1.0, edges_given=True)
    assert twice == pytest.approx(4.0 * base, rel=0.1)
    assert finer == pytest.approx(4.0 * base, rel=0.1)
    surer = least_average(0.5, 0.02, 1.5, certainty=0.99, edges_given=True)
    assert surer == pytest.approx(base * (norm.ppf(0.99) / norm.ppf(0.95)) ** 2, rel=0.1)


def test_least_average_never():
    """Too few cells across: no length helps; with edges given a little narrower will do."""
    assert least_average(5.0, 0.02, 1.5) == np.inf
    assert least_average(1.0, 0.001, 0.99 * LEAST_CELLS_ACROSS) == np.inf
    assert np.isfinite(least_average(1.0, 0.02, 1.2, edges_given=True))
    assert least_average(1.0, 0.02, 0.9, edges_given=True) == np.inf


# USGS Lidar Base Specification (TM 11-B4 v2.1), quality levels: smooth-surface repeatability (m)
# and DEM cell (m); numbers from memory. Repeatability stands for the noise of a cell: it is the
# survey's scatter without its bias, and the bias cancels in slopes and steps.
QUALITY_LEVELS = {"QL0": (0.03, 0.5), "QL1": (0.06, 0.5), "QL2": (0.06, 1.0), "QL3": (0.12, 2.0)}


@pytest.mark.parametrize(
    ("level", "width", "tells_at_20", "least"),
    [
        ("QL0", 1.5, False, (20.0, 45.0)),
        ("QL0", 2.5, True, (2.0, 12.0)),
        ("QL1", 1.5, False, (80.0, 180.0)),
        ("QL1", 2.5, True, (10.0, 20.0)),
        ("QL2", 1.5, False, None),
        ("QL2", 2.5, False, (60.0, 140.0)),
        ("QL3", 1.5, False, None),
        ("QL3", 2.5, False, None),
    ],
)
def test_quality_levels(level, width, tells_at_20, least):
    """What the quality levels tell on a shoulder of usual and of ample width, white noise.

    Only finer levels tell 4 % from 2 % over 20 m, and QL3 never does; None: no length does.
    """
    sigma, cell = QUALITY_LEVELS[level]
    power = resolving_power(cell, sigma, width, 20.0)
    assert power.tells_4_from_2 is tells_at_20
    length = least_average(cell, sigma, width)
    if least is None:
        assert length == np.inf and power.slope_se == np.inf
    else:
        assert least[0] <= length <= least[1]


def test_quality_levels_iowa():
    """Sparse airborne points on a 5 ft grid: "cross slope cannot practically be estimated".

    Iowa DOT 2003 found so for 0.4 points per square metre; the tool must say no better.
    """
    power = resolving_power(1.524, 0.1, 2.4, 20.0)
    assert not power.tells_4_from_2
    assert power.slope_se == np.inf


@pytest.mark.parametrize(
    ("bad", "word"),
    [
        ((0.0, 0.02, 1.5, 20.0), "cell size"),
        ((0.5, -1.0, 1.5, 20.0), "noise"),
        ((0.5, 0.02, np.nan, 20.0), "shoulder width"),
        ((0.5, 0.02, 1.5, 0.0), "averaging length"),
    ],
)
def test_resolving_power_refuses(bad, word):
    """One sentence that names the number."""
    with pytest.raises(SettingsError, match=word):
        resolving_power(*bad)


def test_least_average_refuses():
    """Numbers that can't be."""
    with pytest.raises(SettingsError, match="Certainty"):
        least_average(0.5, 0.02, 1.5, certainty=1.0)
    with pytest.raises(SettingsError, match="correlation"):
        least_average(0.5, 0.02, 1.5, correlation_m=-1.0)


# -- words -----------------------------------------------------------------------------------------


def test_resolving_text_says_the_numbers():
    """The sentences hold the numbers, and the verdict goes with them."""
    power = resolving_power(0.5, 0.02, 1.5, 20.0)
    text = resolving_text(power, least_average(0.5, 0.02, 1.5))
    assert f"{power.slope_se:.2f} % points" in text and "That tells 4 % from 2 %" in text
    assert "at least 14 m" in text
    noisy = resolving_power(0.5, 0.1, 1.5, 20.0)
    assert "doesn't tell 4 % from 2 %" in resolving_text(noisy, least_average(0.5, 0.1, 1.5))
    coarse = resolving_text(resolving_power(5.0, 0.02, 1.5, 20.0), np.inf)
    assert "too narrow" in coarse and "±" not in coarse
    assert "0.9 m or less" in coarse


def test_resolving_command(capsys):
    """`vergeline resolving` prints them."""
    assert main(["resolving", "--cell", "0.5", "--noise", "0.02"]) == 0
    out = capsys.readouterr().out
    assert "4 % from 2 %" in out and "± 0.5" in out


def test_resolving_command_bad_number(capsys):
    """Bad input: exit 2 and one sentence."""
    assert main(["resolving", "--cell", "-1", "--noise", "0.02"]) == 2
    assert "cell size" in capsys.readouterr().err


# -- on a road -------------------------------------------------------------------------------------


def _breaks(n=60, width=1.5, source=Source.FOUND):
    s = np.arange(n) * 10.0

    def both(value):
        return np.full((n, 2), float(value))

    kind = np.full((n, 2), source, np.int8)
    return Breaks(
        s=s,
        axis=np.zeros(n),
        axis_source=np.ones(n, np.int8),
        edge=both(3.5),
        edge_se=both(0.1),
        edge_confidence=both(1.0),
        edge_source=kind,
        hinge=both(3.5 + width),
        hinge_se=both(0.1),
        hinge_confidence=both(1.0),
        hinge_source=kind,
        ditch=both(np.nan),
        ditch_source=kind,
        crowned=np.ones(n, bool),
    )


def _noise(n=60, sigma=0.02, tie=0.0, nugget=1.0):
    return Noise(np.full(n, sigma), np.full(n, tie), np.full(n, nugget), "made for a test")


def test_averaging_lengths_are_the_least():
    """Multiples of 5 m, just enough; within 10 and 100 m."""
    found = averaging_lengths(_breaks(), _noise(), 0.5)
    assert (found == 5.0 * np.ceil(least_average(0.5, 0.02, 1.5) / 5.0)).all()
    assert (averaging_lengths(_breaks(width=3.0), _noise(sigma=0.005), 0.25) == 10.0).all()
    assert (averaging_lengths(_breaks(), _noise(sigma=0.2), 0.5) == 100.0).all()
    assert (averaging_lengths(_breaks(), _noise(), 5.0) == 100.0).all()


def test_averaging_lengths_follow_the_road():
    """Where the noise changes along the road, so does the length; sides have their own widths."""
    breaks, noise = _breaks(), _noise()
    noise.sigma_m[20:] = 0.04
    breaks.hinge[:, 1] += 1.0
    found = averaging_lengths(breaks, noise, 0.5)
    assert found[:20, 0].max() < found[20:, 0].min()
    assert (found[:, 1] < found[:, 0]).all()


def test_averaging_lengths_without_a_shoulder():
    """No shoulder on one side: the longest, and no fault."""
    breaks = _breaks()
    breaks.hinge[:, 0] = np.nan
    found = averaging_lengths(breaks, _noise(), 0.5)
    assert (found[:, 0] == 100.0).all() and (found[:, 1] < 30.0).all()


def test_too_coarse_by_cells_across():
    """Too few cells across, whatever the errors claim; fewer will do where edges are given."""
    n = 60
    good = np.full((n, 2), 0.1), np.full((n, 2), 2.0), np.full((n, 2), 20.0)
    assert not too_coarse(_breaks(), 0.5, *good).any()
    said = too_coarse(_breaks(), 5.0, *good)
    assert set(said.ravel()) == {Reason(Why.FEW_CELLS_ACROSS, (1.5, 5.0))}
    said = too_coarse(_breaks(), 1.2, *good)
    assert {reason.kind for reason in said.ravel()} == {Why.FEW_CELLS_BETWEEN_FOUND}
    assert not too_coarse(_breaks(source=Source.GIVEN), 1.2, *good).any()
    assert too_coarse(_breaks(source=Source.GIVEN), 2.0, *good).all()


def test_too_coarse_doesnt_flicker():
    """Single stations found a little narrow don't stand out from 200 m of road."""
    breaks = _breaks(n=20, width=1.7)
    breaks.hinge[::3] -= 0.25
    good = np.full((20, 2), 0.1), np.full((20, 2), 2.0), np.full((20, 2), 20.0)
    assert not too_coarse(breaks, 1.0, *good).any()


def test_too_coarse_by_errors():
    """Errors beyond any use are said with their numbers; unknown errors say nothing."""
    n = 3
    slope, drop = np.full((n, 2), 1.0), np.full((n, 2), 10.0)
    slope[0, 0] = 1.01 * MOST_SLOPE_SE
    drop[1, 1] = 1.01 * MOST_DROP_SE_MM
    slope[2] = np.nan
    said = too_coarse(_breaks(n=n), 0.5, slope, drop, np.full((n, 2), 20.0))
    assert said[0, 0] == Reason(Why.TOO_NOISY, (20.0, slope[0, 0], 10.0))
    assert said[1, 1] == Reason(Why.TOO_NOISY, (20.0, 1.0, drop[1, 1]))
    assert np.count_nonzero(said) == 2
    length = np.full((n, 2), 20.0)
    assumed = too_coarse(_breaks(n=n, source=Source.NOMINAL), 0.5, slope, drop, length)
    assert assumed[0, 0].kind == Why.TOO_NOISY_FOR_ASSUMED
    hidden = replace(_breaks(n=n), hinge_source=np.full((n, 2), Source.NOMINAL, dtype=np.int8))
    assert too_coarse(hidden, 0.5, slope, drop, length)[0, 0].kind == Why.TOO_NOISY_NO_HINGE


def _measures(status, slope_se):
    return make_measures(
        len(status),
        status=status.astype(np.int8),
        shoulder_slope_se=np.where(status == Status.OK, slope_se, np.nan),
        edge_drop_se=8.0,
        rut_detectable_mm=25.0,
        average_m=20.0,
    )


def test_resolving_of_counts():
    """Medians over what was judged, and its share that tells 4 % from 2 %."""
    status = np.array(
        [[Status.OK, Status.OK], [Status.OK, Status.OK], [Status.TOO_COARSE, Status.NO_DATA]]
    )
    slope_se = np.array([[0.3, 0.5], [0.7, 0.9], [9.0, 9.0]])
    found = resolving_of(_measures(status, slope_se), _noise(3))
    assert (found.sides, found.judged, found.too_coarse) == (6, 4, 1)
    assert found.slope_se == pytest.approx(0.6)
    # 0.608 = 1 / 1.645 points is the most that tells them
    assert found.telling == pytest.approx(0.5)
    text = road_resolving_text(found)
    assert "± 0.60 % points" in text and "50 %" in text and "17 %" in text


def test_resolving_of_nothing():
    """A road of which nothing could be measured says so."""
    coarse = resolving_of(_measures(np.full((4, 2), Status.TOO_COARSE), 1.0), _noise(4))
    assert "too coarse" in road_resolving_text(coarse)
    empty = resolving_of(_measures(np.full((4, 2), Status.NO_DATA), 1.0), _noise(4))
    assert "Nothing could be measured" in road_resolving_text(empty)
    assert np.isnan(empty.slope_se) and empty.telling == 0.0
