"""A survey's points opened by the window: as the ground itself, and beside a grid."""

import numpy as np
import pytest

from analysis.common.errors import TerrainError
from gui.state import jobs
from gui.state.file_kinds import kind_of
from sample_terrain.point_files import write_points
from sample_terrain.surveys import Points
from tests.builders.files import EAST, NORTH, UTM, write_grid


def silent(_share, _words):
    """Report to nobody."""


@pytest.fixture
def survey(tmp_path):
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0.0, 60.0, (2, 8000))
    points = Points(EAST + x, NORTH + y, 20.0 + 0.02 * x, np.zeros(8000, int), 0.5 + 0.0 * x)
    write_points(points, tmp_path / "tile.laz", crs=UTM)
    return str(tmp_path / "tile.laz")


def test_points_are_dropped_as_terrain(survey):
    assert kind_of(survey) == "terrain"
    inputs = jobs.open_inputs(silent, jobs.TerrainSource(survey))
    # a point has 0.45 m² to itself
    assert inputs.terrain.cell_m == pytest.approx((3600.0 / 8000.0) ** 0.5, rel=0.02)
    assert inputs.extras.points.paths == (survey,)
    assert inputs.extra_paths == {"points": survey}


def test_points_are_added_beside_a_grid(survey, tmp_path):
    write_grid(tmp_path / "grid.tif", np.full((60, 60), 20.0), corner=(EAST, NORTH + 60.0))
    inputs = jobs.open_inputs(silent, jobs.TerrainSource(str(tmp_path / "grid.tif")))
    added = jobs.open_extras(silent, inputs, {"points": survey})
    assert added.terrain.cell_m == 1.0
    assert added.extras.points.paths == (survey,)
    with pytest.raises(TerrainError, match="doesn't exist"):
        jobs.open_extras(silent, inputs, {"points": str(tmp_path / "none.laz")})
