"""Widths, edge lines, masks and culverts that a person hands in."""

import numpy as np
import pytest

from analysis.common.columns import EDIT_COLUMNS
from analysis.common.errors import OutputError, RoadError
from analysis.common.table import Table
from analysis.corridor.values import Extras
from analysis.road.roadline import make_road
from analysis.shoulder.door import cells_within
from analysis.study.corrections import given_breaks, overrides_for
from analysis.study.inputs import WIDTH_COLUMNS, check_writable, kept_path, read_extras, read_widths

HEAD = ",".join(WIDTH_COLUMNS)


@pytest.fixture
def road():
    return make_road("Alder Lane", [(0.0, 0.0), (0.0, 200.0)])


def _widths(tmp_path, *rows):
    path = tmp_path / "widths.csv"
    path.write_text("\n".join((HEAD, *rows)) + "\n", encoding="utf-8")
    return path


def test_read_widths_applied(tmp_path, road):
    """Widths hold over their stations, the later row winning; an empty cell leaves the search."""
    table = read_widths(
        _widths(
            tmp_path, ",0+000,0+100,3.5,3.4,1.5,", "Alder Lane,50,80,3.8,,1.0,", "Elm,0,9,9,9,9,9"
        )
    )
    s = np.array([0.0, 60.0, 150.0])
    given = given_breaks(road, s, Extras(widths=table))
    np.testing.assert_array_equal(given.edge, [[3.5, 3.4], [3.8, 3.4], [np.nan, np.nan]])
    np.testing.assert_allclose(
        given.hinge, [[5.0, np.nan], [4.8, np.nan], [np.nan, np.nan]], atol=1e-12
    )


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (",0,100,-3,3,1,1", "pavement_left_m in row 2"),
        (",zero,100,3,3,1,1", "from_m in row 2"),
        (",0,100,3,3,1,wide", "shoulder_right_m in row 2"),
    ],
)
def test_read_widths_invalid(tmp_path, row, words):
    """A wrong number is named with its row."""
    with pytest.raises(RoadError, match=words):
        read_widths(_widths(tmp_path, row))


def test_where_kerbs_stand(road):
    """Along a line on its side and nowhere else; none at all; or nobody knows."""
    s = np.array([0.0, 60.0, 150.0])
    line = np.array([[3.4, 40.0], [3.4, 100.0]])
    np.testing.assert_array_equal(
        given_breaks(road, s, Extras(kerbs=(line,))).kerb, [[0, 0], [0, 1], [0, 0]]
    )
    assert not given_breaks(road, s, Extras(kerbs=())).kerb.any()
    assert given_breaks(road, s, Extras()).kerb is None
    assert read_extras(None, kerbs="none").kerbs == () and read_extras(None).kerbs is None
    assert read_extras(None, kerbs="unknown").kerbs is None
    assert kept_path("none") == "none" and kept_path("kerbs.gpkg").endswith("/kerbs.gpkg")


def test_read_widths_missing(tmp_path):
    """A missing file and missing columns are told."""
    with pytest.raises(RoadError, match="doesn't exist"):
        read_widths(tmp_path / "none.csv")
    (tmp_path / "short.csv").write_text("road,from_m\nx,0\n")
    with pytest.raises(RoadError, match="lacks the columns to_m"):
        read_widths(tmp_path / "short.csv")


def test_edge_line_becomes_override(road):
    """A line along the right edge fixes that side where it runs, and nothing else."""
    line = np.array([[3.2, 50.0], [3.4, 150.0]])
    s = np.array([0.0, 50.0, 100.0, 150.0, 180.0])
    given = given_breaks(road, s, Extras(edges=(line,)))
    np.testing.assert_allclose(given.edge[1:4, 1], [3.2, 3.3, 3.4], atol=1e-6)
    assert np.isnan(given.edge[[0, 4], 1]).all()
    assert np.isnan(given.edge[:, 0]).all()


def test_edge_line_drawn_against_the_road(road):
    """The direction in which a line was drawn doesn't matter."""
    line = np.array([[-3.4, 150.0], [-3.2, 50.0]])
    given = given_breaks(road, np.array([100.0]), Extras(edges=(line,)))
    assert given.edge[0, 0] == pytest.approx(3.3, abs=1e-6)


def _edits(*rows):
    return Table(
        {
            name: np.array([row[i] for row in rows], dtype=object if kind.type == "str" else float)
            for i, (name, kind) in enumerate(EDIT_COLUMNS.items())
        }
    )


def test_overrides_for_nearest_station(road):
    """A correction holds at the nearest station of its road within half a spacing."""
    s = np.arange(0.0, 200.0, 10.0)
    edits = _edits(
        ("Alder Lane", 52.0, "left", "edge", 3.9),
        ("Alder Lane", 52.0, "left", "hinge", 5.1),
        ("Alder Lane", 230.0, "right", "edge", 9.0),
        ("Elm", 10.0, "right", "edge", 9.0),
    )
    got = overrides_for(s, edits, road)
    assert got.edge[5, 0] == 3.9
    assert got.hinge[5, 0] == 5.1
    assert np.isfinite(got.edge).sum() == 1


def test_mask_hits_cells_inside(road):
    """Cells whose centre lies in a polygon are masked, whatever the grid's orientation."""
    from types import SimpleNamespace

    grid = SimpleNamespace(transform=(1.0, 0.0, 0.0, 0.0, -1.0, 10.0))
    row, col = np.divmod(np.arange(100), 10)
    cells = SimpleNamespace(row=row, col=col, z=np.zeros(100), every=1, lattice=None)
    square = np.array([[2.0, 2.0], [5.0, 2.0], [5.0, 4.0], [2.0, 4.0]])
    masked = cells_within([square], grid, cells)
    assert masked.sum() == 6
    assert cells_within([], grid, cells) is None
    # points lie in a lattice of their own: here half as wide
    cells.lattice = (0.5, 0.0, 0.0, 0.0, -0.5, 5.0)
    assert cells_within([square], grid, cells).sum() == 24


def test_check_writable(tmp_path):
    """Bad places are refused before the work."""
    check_writable(tmp_path / "out.gpkg", suffix=".gpkg")
    with pytest.raises(OutputError, match=r"out\.gpkg"):
        check_writable(tmp_path / "out.shp", suffix=".gpkg")
    with pytest.raises(OutputError, match="doesn't exist"):
        check_writable(tmp_path / "no" / "out.gpkg")
    with pytest.raises(OutputError, match="is a folder"):
        check_writable(tmp_path)
