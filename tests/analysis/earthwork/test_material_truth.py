"""Volumes and treatments on the sample roads against the truth that was written with them."""

import csv
from dataclasses import dataclass
from importlib import resources

import numpy as np
import pytest

from analysis.common.limits import default_limits
from analysis.earthwork.balance import Balance
from analysis.road.read_roads import read_roads
from analysis.study import inputs, screening
from analysis.terrain.grid import open_terrain
from tests.builders.reaches import balances_between

GRAVEL = default_limits("gravel")
WORKED = ("flat", "reversed", "high", "rutted", "eroded edge")


@dataclass(frozen=True)
class Stretch:
    """Neighbouring stations of one fault throughout: true volumes, what was found, treatment."""

    name: str
    true_cut_m3: float
    true_fill_m3: float
    found: Balance
    treatments: frozenset


@pytest.fixture(scope="module")
def stretches():
    grid_path, road_path = inputs.sample_files()
    grid = open_terrain(grid_path)
    study = screening.screen(grid, read_roads(road_path, grid))
    path = resources.files("sample_terrain").joinpath("data/truth.csv")
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    made = []
    for part in study.roads:
        for side, side_name in enumerate(("left", "right")):
            truth = [r for r in rows if r["road"] == part.road.name and r["side"] == side_name]
            s = np.array([float(r["s"]) for r in truth])
            np.testing.assert_allclose(s, part.s, atol=1e-3)
            label = [
                r["defect"]
                if r["defect"] in WORKED and r["edge_of_stretch"] == "0" and r["kind"] == "shoulder"
                else ""
                for r in truth
            ]
            begin = 0
            for i in range(1, len(label) + 1):
                if i < len(label) and label[i] == label[begin]:
                    continue
                if label[begin] and i - begin >= 3:
                    made.append(_stretch(part, side, begin, i - 1, truth, label[begin]))
                begin = i
    return made


def _stretch(part, side, first, last, truth, name):
    lengths = 0.5 * (part.s[first + 1 : last + 2] - part.s[first - 1 : last])
    here = truth[first : last + 1]
    (found,) = balances_between(part.s, part.judged.areas, side, [first], [last], GRAVEL)
    return Stretch(
        name=f"{part.road.name} {side} {part.s[first]:.0f} {name}",
        true_cut_m3=float(np.array([float(r["cut_m2"]) for r in here]) @ lengths),
        true_fill_m3=float(np.array([float(r["fill_m2"]) for r in here]) @ lengths),
        found=found,
        treatments=frozenset(r["treatment"] for r in here if r["treatment_clear"] == "1"),
    )


def volumes(stretches):
    """True, found and standard error of every volume of a cubic metre or more."""
    rows = []
    for x in stretches:
        rows.append((x.true_cut_m3, x.found.cut_m3_bank, x.found.cut_se_m3))
        rows.append((x.true_fill_m3, x.found.fill_m3_compacted, x.found.fill_se_m3))
    table = np.array(rows)
    return table[table[:, 0] >= 1.0].T


def test_every_fault_is_there(stretches):
    assert len(stretches) >= 20
    assert {x.name.split(" ", 4)[4] for x in stretches} == set(WORKED)
    assert sum(x.found.known_share > 0.99 for x in stretches) >= 0.9 * len(stretches)


def test_volumes_lie_within_five_percent_or_two_standard_errors(stretches):
    true, found, error = volumes(stretches)
    close = np.abs(found - true) <= np.maximum(0.05 * true, 2.0 * error)
    # two standard errors hold 95 % of the time; one in seven leaves room for chance
    assert close.mean() >= 6.0 / 7.0
    assert found.sum() == pytest.approx(true.sum(), rel=0.05)


def test_errors_of_volumes_are_what_they_claim(stretches):
    true, found, error = volumes(stretches)
    z = (found - true) / error
    # as many draws of a unit normal stay within this 99 times in 100
    assert 0.65 < np.sqrt(np.mean(z**2)) < 1.5
    assert abs(z.mean()) < 0.6


def test_treatment_is_right_where_it_is_clear(stretches):
    clear = [x for x in stretches if len(x.treatments) == 1]
    assert len(clear) >= 15
    wrong = [x.name for x in clear if {x.found.treatment} != x.treatments]
    assert len(wrong) <= 0.1 * len(clear), wrong
