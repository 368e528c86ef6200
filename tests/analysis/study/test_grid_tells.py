"""What the grid of a screened road can tell: closed forms, and what scenes were made of."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from analysis.common.settings import Settings
from analysis.shoulder.values import Status
from analysis.study.grid_tells import Help, grid_tells, tells_text
from tests.scenes import Scene, Side, screened

SCENE = Scene.both(Side(), length_m=180.0, begin_m=0.0, end_m=180.0)
PLAIN = Settings(half_width_m=14.0)
GIVEN = replace(PLAIN, points_per_m2=4.0)


@pytest.fixture(scope="module")
def part():
    return screened(SCENE, PLAIN).roads[0]


def test_a_plain_road_is_told_as_it_was_made(part):
    told = grid_tells(part)
    # the mean over a square of half a metre, its variance two boxes' at any angle
    assert told.footprint_m == pytest.approx(0.5, abs=0.02)
    assert told.effective_cell_m == pytest.approx(0.5, abs=0.02)
    for usual, low, high in (told.pavement_noise_m, told.shoulder_noise_m):
        assert low <= usual <= high
        assert usual == pytest.approx(SCENE.sigma_m, rel=0.15)
    assert (told.road_found, told.made_up, told.grassy, told.seam_length_m) == (1.0, 0.0, 0.0, 0.0)
    assert told.edges_seen > 0.9


def test_the_least_told_lies_halfway_with_certainty(part):
    """Of two values so far apart, each comes to lie on its own side of halfway 95 times in 100."""
    told = grid_tells(part)
    judged = part.measures.status == Status.OK
    for least, se in (
        (told.slope_points, part.measures.shoulder_slope_se),
        (told.step_mm, part.measures.edge_drop_se),
    ):
        assert norm.cdf(0.5 * least / np.median(se[judged])) == pytest.approx(0.95, abs=1e-3)


def test_a_density_that_is_given_says_how_wide_and_how_few():
    """Four points per m²: the smear of random triangles and 7 cm sideways, in closed form."""
    told = grid_tells(screened(SCENE, GIVEN).roads[0])
    smear, sideways = 0.324 / 4.0, 0.07**2
    assert told.given
    assert told.footprint_m == pytest.approx(np.sqrt(12.0 * (smear + sideways)), rel=1e-6)
    half = np.sqrt(12.0 * (smear + 2.0 * sideways)) - np.sqrt(12.0 * smear)
    assert told.footprint_se_m == pytest.approx(0.5 * half, rel=0.02)
    assert told.effective_cell_m == pytest.approx(np.sqrt(2.88 / 4.0), rel=1e-6)
    assert Help.DENSER_SURVEY in dict(told.helps)
    assert Help.FINER_CELLS not in dict(told.helps)


def test_what_nobody_measured_stays_unknown(part):
    """No shoulder judged, no holes looked for: neither is a number, nor in the sentences."""
    measures = replace(part.measures, status=np.full_like(part.measures.status, Status.NOT_JUDGED))
    shoulder = replace(part.measured.shoulder, measures=measures)
    blind = replace(
        part,
        measured=replace(part.measured, shoulder=shoulder),
        ground=replace(part.ground, made_up=None),
    )
    told = grid_tells(blind)
    unknown = (told.made_up, told.slope_points, told.step_mm, told.rut_mm, *told.shoulder_noise_m)
    assert np.isnan(unknown).all()
    text = tells_text(told)
    assert "nan" not in text and "shoulders" not in text
    assert "The road is found at 100 % of the stations" in text
    assert "told with 95 % certainty" in tells_text(grid_tells(part))
