"""The same ground on coarser and coarser grids: "can't tell", never numbers that look good."""

from types import SimpleNamespace

import numpy as np
import pytest

from analysis.common.settings import Settings
from analysis.common.verdicts import Finding, Verdict
from analysis.road.roadline import make_road
from analysis.shoulder.values import Status, Why
from analysis.study.screening import screen
from analysis.terrain.grid import open_terrain
from sample_terrain.roads import random_spec
from sample_terrain.scene import make_scene, write_terrain

FINE_M = 0.5

NUMBERS = (
    "shoulder_slope_pct",
    "pavement_slope_pct",
    "edge_drop_mm",
    "rut_mm",
    "ridge_mm",
    "p_wont_shed",
    "p_drop",
    "p_high",
    "p_rut",
    "cut_m2",
    "fill_m2",
)


@pytest.fixture(scope="module")
def scene():
    return make_scene(random_spec(12, "ordinary", length_m=400.0, shoulder_width_m=1.5), seed=12)


def _resampled(scene, times):
    """Means over `times` by `times` cells, as a survey would hand out a coarser grid."""
    rows, cols = (size // times * times for size in scene.z.shape)
    z = scene.z[:rows, :cols].reshape(rows // times, times, cols // times, times)
    a, b, c, d, e, f = scene.transform
    return SimpleNamespace(
        z=z.mean(axis=(1, 3)), transform=(a * times, b, c, d, e * times, f), crs=scene.crs
    )


def _study(tmp_path, scene, times, **settings):
    path = tmp_path / "grid.tif"
    write_terrain(_resampled(scene, times), path, compress=False)
    grid = open_terrain(str(path))
    assert grid.cell_m == pytest.approx(times * FINE_M)
    road = make_road("Sallow Rigg", scene.roads[0].xy)
    return screen(grid, [road], Settings(**settings))


@pytest.mark.parametrize("times", [4, 10], ids=["2 m", "5 m"])
@pytest.mark.parametrize("average", [20.0, "auto"])
def test_coarse_grid_cant_tell(tmp_path, scene, times, average):
    """On a shoulder narrower than a cell nothing is told anywhere, and the reason says why."""
    study = _study(tmp_path, scene, times, average_m=average)
    stations, part = study.findings.stations, study.roads[0]
    assert (stations["verdict"] == Verdict.CANT_TELL).all()
    assert (stations["finding"] == Finding.CANT_TELL).all()
    for name in NUMBERS:
        assert np.isnan(stations[name]).all(), name
    coarse = part.measures.status == Status.TOO_COARSE
    assert coarse.mean() > 0.4
    # nobody can say that a road is unpaved where nothing of it can be told
    assert not any(reason.kind == Why.UNPAVED for reason in part.measures.reason.ravel())
    assert (part.measures.status != Status.OK).all()
    cells = f"{times * FINE_M:g} m across"
    assert all(cells in text for text in stations["reason"][coarse.ravel()])
    reaches = study.findings.reaches
    assert set(reaches["finding"]) == {Finding.CANT_TELL}
    assert not np.nan_to_num(reaches["import_m3_loose"]).any()
    assert "too coarse" in study.findings.run["resolving"][0]


def test_coarse_grid_with_given_widths(tmp_path):
    """A wide shoulder is judged on 1 m cells, and what is said there is right.

    The line is told to be as good as it is: of a road that may lie 3 m off, such cells show too
    little to find it.
    """
    wide = make_scene(random_spec(12, "ordinary", length_m=400.0, shoulder_width_m=3.0), seed=12)
    study = _study(tmp_path, wide, 2, shoulder_width_m=3.0, average_m=20.0, search_m=1.5)
    part = study.roads[0]
    truth = wide.roads[0].truth(part.s)
    ok = (part.measures.status == Status.OK) & ~truth.edge_of_stretch & (truth.kind == "shoulder")
    assert ok.mean() > 0.5
    plane = ok & np.isin(truth.cause, ["none", "flat", "reversed", "high", "scarce"])
    error = (part.measures.shoulder_slope_pct - truth.shoulder_slope_pct)[plane]
    assert np.sqrt(np.mean(error**2)) < 0.8
    sound = ok & (truth.cause == "none")
    accused = ~np.isin(part.judged.judgement.finding[sound], ["none", Finding.CANT_TELL])
    assert accused.mean() <= 0.03


def test_auto_average_tells(tmp_path, scene):
    """Left to itself the length is just enough: most places tell 4 % from 2 %."""
    study = _study(tmp_path, scene, 1, average_m="auto")
    measures = study.roads[0].measures
    ok = measures.status == Status.OK
    assert ok.mean() > 0.8
    lengths = measures.average_m[ok]
    assert (lengths % 5.0 == 0.0).all()
    assert lengths.min() >= 10.0 and lengths.max() <= 40.0
    shoulder = measures.shoulder_slope_se[ok]
    assert np.median(shoulder) <= 1.15 / 1.645
    assert "is told from" in study.findings.run["resolving"][0]
