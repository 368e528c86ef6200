"""Cross-sections: what is drawn agrees with what was measured and with itself."""

import numpy as np
import pytest

from analysis.common.errors import RoadError
from analysis.common.sides import SIDE_SIGN
from analysis.study.sections import nearest_station, section_rows, section_text, section_view
from tests.builders.small_study import small_study


@pytest.fixture(scope="module")
def views():
    study = small_study()
    return study, [section_view(study, 0, i) for i in range(len(study.roads[0].s))]


def _area(ring):
    """Shoelace formula."""
    x, y = ring.T
    return abs(0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))


def test_lines_have_the_measured_slopes(views):
    """The drawn planes fall outward by the slopes in the table, and part by the edge drop."""
    study, all_views = views
    m = study.roads[0].measures
    seen = 0
    for view in all_views:
        for part in view.sides:
            i, side = view.station_index, part.side
            if m.status[i, side] != 0:
                continue
            for line, slope in (
                (part.pavement_line, m.pavement_slope_pct[i, side]),
                (part.shoulder_line, m.shoulder_slope_pct[i, side]),
            ):
                run = SIDE_SIGN[side] * (line[-1, 0] - line[0, 0])
                assert -100.0 * (line[-1, 1] - line[0, 1]) / run == pytest.approx(slope, abs=1e-6)
            inner = part.shoulder_line[np.argmin(np.abs(part.shoulder_line[:, 0] - part.edge_o))]
            assert inner[0] == pytest.approx(part.edge_o)
            assert 1000.0 * (part.edge_z - inner[1]) == pytest.approx(m.edge_drop_mm[i, side])
            seen += 1
    assert seen > 30


def test_breaks_lie_outward_in_order(views):
    """Edge before hinge before ditch, left at negative offsets."""
    _, all_views = views
    for view in all_views:
        for part in view.sides:
            places = SIDE_SIGN[part.side] * np.array([part.edge_o, part.hinge_o, part.ditch_o])
            known = places[np.isfinite(places)]
            assert (np.diff(known) > 0.0).all()


def test_band_holds_the_line(views):
    """The band lies round the fitted shoulder, is nowhere empty and no wider than a lane."""
    _, all_views = views
    for view in all_views:
        for part in view.sides:
            if not len(part.shoulder_band):
                continue
            o, low, high = part.shoulder_band.T
            order = np.argsort(part.shoulder_line[:, 0])
            middle = np.interp(o, *part.shoulder_line[order].T)
            assert (low < middle + 1e-9).all() and (high > middle - 1e-9).all()
            np.testing.assert_allclose(high - middle, middle - low, atol=1e-9)


def test_rings_have_the_areas_of_the_table(views):
    """The drawn cut and fill (shoelace formula) are those that the quantities are made of.

    The table takes off what noise alone adds to either; the drawing shows it.
    """
    study, all_views = views
    areas = study.roads[0].judged.areas
    seen = 0
    for view in all_views:
        for part in view.sides:
            for rings, column in (
                (part.cut_polygons, areas.cut_m2),
                (part.fill_polygons, areas.fill_m2),
            ):
                wanted = column[view.station_index, part.side]
                if np.isfinite(wanted):
                    drawn = sum(_area(ring) for ring in rings)
                    assert drawn == pytest.approx(wanted, abs=0.003 + 0.02 * wanted)
                    seen += wanted > 0.01
    assert seen > 10


def test_cells_are_those_of_the_strip(views):
    """All native cells within half an average of the station, without the road's grade."""
    study, all_views = views
    cells = study.roads[0].ground.cells
    view = all_views[12]
    here = np.abs(cells.s - view.s) <= view.average_m / 2.0
    assert len(view.cells_o) == pytest.approx(here.sum(), abs=2)
    assert np.abs(view.cells_ds).max() <= view.average_m / 2.0 + 1e-9
    pavement = np.abs(view.cells_o - view.axis_o) < 2.0
    half = view.cells_ds[pavement] > 0.0
    z = view.cells_z[pavement]
    assert abs(z[half].mean() - z[~half].mean()) < 0.01


def test_nearest_station(views):
    """The station beside a place, by the road's name."""
    study, _ = views
    s = study.roads[0].s
    assert nearest_station(study, "Thornwick Lane", float(s[7]) + 2.0) == (0, 7)
    assert nearest_station(study, "Thornwick Lane", 1e9) == (0, len(s) - 1)
    with pytest.raises(RoadError, match="Elm Road"):
        nearest_station(study, "Elm Road", 0.0)


def test_text_and_rows_say_the_same_numbers(views):
    """The text names both sides and never prints a NaN; the rows are finite points."""
    study, all_views = views
    for view in all_views:
        text = section_text(view)
        assert "left: " in text and "right: " in text
        assert "nan" not in text.lower()
        for kind, side, o, z in section_rows(view):
            assert kind and side in ("", "left", "right")
            assert np.isfinite(o) and (np.isfinite(z) or kind == "averaged")
    slope = study.roads[0].measures.shoulder_slope_pct[12, 0]
    assert f"shoulder slope: {slope:.1f}" in section_text(all_views[12])
